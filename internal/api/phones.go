package api

import (
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// lookBack is how far back a tube may have been seen at a place that a phone asks about.
const lookBack = 48 * time.Hour

// GetWork gives the people to draw at a place and what is to be drawn from each.
func (s *Server) GetWork(ctx context.Context, req *custodyv1.GetWorkRequest) (*custodyv1.Work, error) {
	name := event.Spelled(req.GetPlace())
	if name == "" {
		return nil, violations(violation{"place", "name the place"})
	}
	var place custody.Place
	declared := false
	s.Model.World(func(w *custody.World) { place, declared = w.Place(name) })
	if !declared {
		return nil, notDeclared("place", req.GetPlace())
	}
	now := s.Clock.Now()
	rows, err := s.waitingAt(ctx, name, req.GetBy())
	if err != nil {
		return nil, err
	}
	m := &custodyv1.Work{
		Place: placeMessage(place), AsOf: stamp(now), Salt: make([]byte, 32), Schemes: schemesMessage(s.Model.Schemes()).GetSchemes(),
		Here: s.tubesHere(name, now),
	}
	if _, err := rand.Read(m.GetSalt()); err != nil {
		return nil, err
	}
	refs := map[string]bool{}
	for _, row := range rows {
		refs[row.GetReference()] = true
	}
	var drawn map[string]int64
	s.Model.World(func(w *custody.World) { drawn = w.Drawn(refs, now.Add(-custody.DrawnWithin)) })
	for _, who := range rows {
		row := &custodyv1.WorkRow{
			Identity: who.Identity, Match: matchOf(who.number, m.GetSalt()), DrawnUl: drawn[who.GetReference()], BloodUlPerKg: bloodBy(who.GetBirthDate(), now),
		}
		s.planInto(row, who.GetRequests(), place.Assumed)
		m.Rows = append(m.Rows, row)
	}
	for _, sample := range s.Model.Samples(name, live.SampleAsked) {
		if sample.Place != name {
			continue // its tubes are here, but somebody else draws
		}
		told := sampleMessage(&sample)
		told.Row = sample.Patient
		m.Samples = append(m.Samples, told)
	}
	return m, nil
}

// matchOf is the keyed hash of a patient's number, nil for none. It keeps the number off
// the screen and out of what is searched, no more: numbers are short, so that whoever has
// the list open and its salt can try them all. A phone keeps both sealed.
func matchOf(number string, salt []byte) []byte {
	if number == "" {
		return nil
	}
	mac := hmac.New(sha256.New, salt)
	_, _ = mac.Write([]byte(number)) // a hash takes everything
	return mac.Sum(nil)
}

// bloodBy is the volume of blood a kilogram by the birth date, 0 where it isn't known to
// the month.
func bloodBy(birth string, now event.Instant) int64 {
	for _, form := range []string{time.DateOnly, "2006-01"} {
		if born, err := time.Parse(form, birth); err == nil {
			t := now.Time()
			months := (t.Year()-born.Year())*12 + int(t.Month()) - int(born.Month())
			if form == time.DateOnly && t.Day() < born.Day() {
				months--
			}
			return custody.BloodUlPerKg(months)
		}
	}
	return 0
}

// planInto adds the requests of a patient and the tubes to draw for them.
func (s *Server) planInto(row *custodyv1.WorkRow, requests []string, assumed event.Range) {
	for _, id := range requests {
		key, err := s.key("request", id, event.KindRequest)
		if err != nil {
			continue
		}
		var r *custody.Request
		collected, again := map[string]bool{}, map[string]bool{} // by label
		var anew []string                                        // tests to be drawn again, of a request without labels
		s.Model.World(func(w *custody.World) {
			if r, _ = w.Request(key); r == nil {
				return
			}
			for _, a := range r.Assigned {
				if t, ok := w.Tube(a.Tube); ok && t.Collected {
					collected[a.Tube.Label()] = true
				}
			}
			for _, tube := range w.Again(key) {
				again[tube.Label()] = true
				if t, ok := w.Tube(tube); ok {
					anew = append(anew, t.Tests...)
				}
			}
		})
		if r == nil {
			continue
		}
		row.Requests = append(row.Requests, &custodyv1.WorkRequest{
			Id: key.Label(), Priority: r.Priority, Conditions: conditionWords(r.Conditions), Irreplaceable: r.Irreplaceable, Destination: r.Destination,
		})
		rest := slices.Concat(r.Ordered, r.Added)
		if len(r.Assigned) == 0 && len(again) > 0 {
			rest = slices.DeleteFunc(rest, func(t string) bool { return !slices.Contains(anew, t) })
		}
		var ordered []stability.Ordered
		for _, a := range r.Assigned {
			tests := a.Tests
			if len(tests) == 0 && len(r.Assigned) == 1 {
				tests = r.Ordered
			}
			ordered = append(ordered, stability.Ordered{Tube: a.Tube.Label(), Type: a.Type, Tests: tests})
			rest = slices.DeleteFunc(rest, func(t string) bool { return slices.Contains(tests, t) })
		}
		if len(rest) > 0 {
			ordered = append(ordered, stability.Ordered{Tests: rest})
		}
		for _, p := range s.Model.Plan(ordered, r.Conditions, assumed) {
			tube := s.plannedTube(&p)
			tube.Request, tube.Collected = key.Label(), collected[tube.GetTube()]
			if again[tube.GetTube()] {
				tube.Again, tube.Tube, tube.Collected = tube.GetTube(), "", false
			}
			row.Plan = append(row.Plan, tube)
		}
	}
	slices.SortStableFunc(row.Plan, func(a, b *custodyv1.PlannedTube) int { return cmp.Compare(orderLast(a), orderLast(b)) })
}

func orderLast(p *custodyv1.PlannedTube) int32 {
	if p.GetOrder() == 0 {
		return 1 << 30
	}
	return p.GetOrder()
}

func (s *Server) plannedTube(p *stability.Planned) *custodyv1.PlannedTube {
	m := &custodyv1.PlannedTube{
		Tube: p.Tube, Type: p.Type.Code, TypeName: p.Type.Name, Additive: p.Type.Additive,
		Order: int32(p.Type.Order), Inversions: int32(p.Type.Inversions), //nolint:gosec // 1 to 99
		VolumeUl: p.Type.VolumeUl, Tests: p.Tests, TestNames: s.testNames(p.Tests), Keep: rangeMessage(p.Keep),
		WaitMinutes: p.WaitMs / 60_000, DueMinutes: p.DueMs / 60_000, DueTest: p.DueTest, DueUntil: string(p.DueUntil), Apart: p.Apart,
	}
	for _, n := range p.Handling {
		m.Handling = append(m.Handling, string(n))
	}
	for _, a := range p.Advice {
		m.Advice = append(m.Advice, string(a))
	}
	return m
}

func (s *Server) testNames(codes []string) []string {
	out := make([]string, len(codes))
	for i, code := range codes {
		out[i] = code
		if a, ok := s.Model.Assay(code); ok && a.Name != "" {
			out[i] = a.Name
		}
	}
	return out
}

func conditionWords(c map[string]bool) []string {
	var out []string
	for name, yes := range c {
		word := name + "=no"
		if yes {
			word = name + "=yes"
		}
		out = append(out, word)
	}
	slices.Sort(out)
	return out
}

// firstDue is when the first limit of a tube that still runs ends, and what ends it.
func firstDue(v *live.View) (due stability.Interval, until event.Ending) {
	for i := range v.Tests {
		j := &v.Tests[i].Judgement
		if j.Rule == nil || j.Ended != 0 || j.Run || j.Due.Earliest == 0 {
			continue
		}
		if due.Earliest == 0 || j.Due.Earliest < due.Earliest {
			due, until = j.Due, j.Rule.Until
		}
	}
	return due, until
}

// underWay reports whether a tube is still under way to its tests.
func underWay(t *custody.Tube) bool {
	return !t.Received.Is() && !t.Accepted.Is() && !t.Rejected.Is() && !t.Disposed.Is() && !t.Lost.Is() && t.NewLabel == ""
}

// near gives the views of the tubes that are under way and were seen at a place lately.
func (s *Server) near(places []string, now event.Instant) map[event.Key]live.View {
	seen := map[event.Key]bool{}
	s.Model.World(func(w *custody.World) {
		for _, name := range places {
			key, err := event.LocalKey(name)
			if err != nil {
				continue
			}
			for _, tube := range w.Near(custody.Target{Kind: event.KindPlace, Key: key}, now-event.Instant(lookBack.Milliseconds())) {
				seen[tube] = true
			}
		}
	})
	out := map[event.Key]live.View{}
	for key := range seen {
		if v, ok := s.Model.Judged(key); ok && underWay(v.Tube) {
			out[key] = v
		}
	}
	return out
}

// tubesHere lists the tubes that were drawn at a place and have not left it.
func (s *Server) tubesHere(place string, now event.Instant) []*custodyv1.HereTube {
	var out []*custodyv1.HereTube
	for key, v := range s.near([]string{place}, now) {
		t := v.Tube
		if t.Place != place || t.Moving || !t.Collected && t.Zero.Latest == 0 {
			continue
		}
		due, until := firstDue(&v)
		m := &custodyv1.HereTube{
			Tube: key.Label(), Type: t.Type, TypeName: v.Type.Name, TestNames: s.testNames(t.Tests), Collected: stamp(t.Zero.Earliest),
			DueEarliest: stamp(due.Earliest), DueLatest: stamp(due.Latest), DueUntil: string(until), Rack: string(v.Rack),
			Holder: t.Holder, Gel: v.Type.Gel,
		}
		if v.Rack == event.RackWait {
			m.RackUntil = stamp(v.RackUntil)
		}
		for _, c := range t.Changes {
			m.Spun = m.GetSpun() || c.What == custody.Spun || c.What == custody.SpunAgain
			m.Frozen = c.What == custody.Froze || m.GetFrozen() && c.What != custody.ThawedOut
		}
		if len(t.Carriers) > 0 {
			m.Carrier = t.Carriers[0].Label()
		}
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *custodyv1.HereTube) int {
		return cmp.Or(cmp.Compare(dueLast(a.GetDueEarliest()), dueLast(b.GetDueEarliest())), strings.Compare(a.GetTube(), b.GetTube()))
	})
	return out
}

// dueLast sorts what is not due behind the rest.
func dueLast(stamp string) string {
	if stamp == "" {
		return "~"
	}
	return stamp
}

// GetRound gives what lies where on the way to the laboratory.
func (s *Server) GetRound(ctx context.Context, req *custodyv1.GetRoundRequest) (*custodyv1.Round, error) {
	now := s.Clock.Now()
	by := req.GetBy()
	if by == "" {
		by = signerID(auth.From(ctx))
	}
	m := &custodyv1.Round{AsOf: stamp(now), Schemes: schemesMessage(s.Model.Schemes()).GetSchemes()}
	var stops []string
	s.Model.World(func(w *custody.World) {
		stop := func(name string) {
			if name == "" || slices.Contains(stops, name) {
				return
			}
			stops = append(stops, name)
			p, _ := w.Place(name)
			m.Stops = append(m.Stops, &custodyv1.RoundStop{Id: name, Name: cmp.Or(p.Name, name), Kind: p.PlaceKind, Zone: p.Zone})
		}
		stop(event.Spelled(req.GetPlace()))
		for _, r := range w.Routes() {
			stop(r.From)
			stop(r.To)
			route := &custodyv1.RoundRoute{Id: r.Key.Label(), From: r.From, To: r.To, TakesMinutes: r.TakesMin}
			for _, at := range w.Departures(r, now, 4) {
				route.Departs = append(route.Departs, stamp(at))
			}
			m.Routes = append(m.Routes, route)
		}
		for _, name := range w.Places() {
			if p, _ := w.Place(name); p.PlaceKind == "vehicle" {
				stop(name)
			}
		}
	})
	views := s.near(stops, now)
	onRound := func(t *custody.Tube) bool {
		return slices.Contains(stops, t.Place) || by != "" && event.Spelled(t.Holder) == event.Spelled(by)
	}
	boxes := map[event.Key]*custodyv1.RoundBox{}
	for key, v := range views {
		t := v.Tube
		if !onRound(t) {
			continue
		}
		tube := s.roundTube(key, &v)
		if len(t.Carriers) == 0 {
			s.Model.World(func(w *custody.World) { tube.Arrives = stamp(w.Arrives(t.Place, destination(w, t), now)) })
			m.Tubes = append(m.Tubes, tube)
			continue
		}
		for _, c := range t.Carriers {
			if boxes[c] == nil {
				boxes[c] = s.roundBox(c, t, now)
			}
			boxes[c].Tubes = append(boxes[c].Tubes, tube)
		}
	}
	for key, box := range boxes {
		for _, tube := range box.GetTubes() {
			if tube.GetArrives() == "" {
				tube.Arrives = box.GetArrives()
			}
		}
		if box.GetIn() != "" {
			if around, err := event.LocalKey(box.GetIn()); err == nil && boxes[around] != nil {
				boxes[around].Inside = append(boxes[around].Inside, key.Label())
			}
		}
	}
	for _, box := range boxes {
		slices.Sort(box.Inside)
		slices.SortFunc(box.Tubes, byDue)
		m.Boxes = append(m.Boxes, box)
	}
	slices.SortFunc(m.Boxes, func(a, b *custodyv1.RoundBox) int { return strings.Compare(a.GetId(), b.GetId()) })
	slices.SortFunc(m.Tubes, byDue)
	return m, nil
}

func byDue(a, b *custodyv1.RoundTube) int {
	return cmp.Or(cmp.Compare(dueLast(a.GetDueEarliest()), dueLast(b.GetDueEarliest())), strings.Compare(a.GetTube(), b.GetTube()))
}

// destination is the laboratory that a tube shall reach, where it is a declared place.
func destination(w *custody.World, t *custody.Tube) string {
	if _, ok := w.Place(t.Destination); !ok {
		return ""
	}
	return t.Destination
}

func (s *Server) roundTube(key event.Key, v *live.View) *custodyv1.RoundTube {
	t := v.Tube
	due, until := firstDue(v)
	m := &custodyv1.RoundTube{
		Tube: key.Label(), Type: t.Type, TypeName: v.Type.Name, Holder: t.Holder, Place: t.Place, To: t.Destination,
		DueEarliest: stamp(due.Earliest), DueLatest: stamp(due.Latest), DueUntil: string(until), Flagged: v.Flagged,
	}
	if v.Flagged {
		m.Action = string(v.Flag.Action)
	}
	if len(t.Carriers) > 0 {
		m.In = t.Carriers[0].Label()
	}
	return m
}

// roundBox gives a carrier around a tube, without its tubes. What was only packed into,
// and never scanned itself, is where its tube is.
func (s *Server) roundBox(key event.Key, t *custody.Tube, now event.Instant) *custodyv1.RoundBox {
	m := &custodyv1.RoundBox{Id: key.Label()}
	s.Model.World(func(w *custody.World) {
		c, ok := w.Carrier(key)
		if !ok {
			c = &custody.Carrier{}
		}
		m.Kind, m.Holder, m.Place, m.OwnClimate, m.Seal = c.CarrierKind, cmp.Or(c.Holder, t.Holder), cmp.Or(c.Place, t.Place), c.OwnClimate, c.Seal
		m.To, m.DepartedAt, m.DueAt = c.To, stamp(c.Departed.At), stamp(c.Due)
		if len(c.In) > 0 {
			m.In = c.In[0].Label()
		}
		for _, a := range w.LoggersOf(custody.Target{Kind: event.KindCarrier, Key: key}) {
			if a.Until == 0 {
				m.Loggers = append(m.Loggers, a.Logger.Label())
			}
		}
		from, at, to := m.GetPlace(), now, destination(w, t)
		if r, ok := w.Route(c.Route); ok && c.Departed.Is() && c.Moving {
			if r.TakesMin <= 0 {
				return // nobody says how long it takes
			}
			from, at = r.To, max(c.Departed.At+event.Instant(r.TakesMin)*60_000, now)
			if p, ok := w.Place(r.To); ok && (p.PlaceKind == "reception" || r.To == to) {
				m.Arrives = stamp(at)
				return
			}
		}
		m.Arrives = stamp(w.Arrives(from, to, at))
	})
	if at, c, ok := s.Model.LastTemperature(key); ok {
		text := celsiusText(c)
		m.ReadAt, m.Celsius = stamp(at), &text
	}
	return m
}

// TellPhone keeps how a phone stands.
func (s *Server) TellPhone(ctx context.Context, m *custodyv1.PhoneState) (*custodyv1.PhoneState, error) {
	p := auth.From(ctx)
	if m.GetDevice() == "" {
		return nil, violations(violation{"device", "say which phone it is"})
	}
	if p.Kind != auth.Anyone && event.Spelled(p.Device) != event.Spelled(m.GetDevice()) && s.enrolled(m.GetDevice()) {
		return nil, violations(violation{"device", "this device speaks for itself; sign in with it"})
	}
	by := m.GetBy()
	if p.Kind == auth.Person {
		by = p.ID
	}
	told, err := s.Desk.TellPhone(ctx, intake.Phone{
		Device: m.GetDevice(), Waiting: m.GetWaiting(), Oldest: optionalInstant(m.GetOldest()), DeviceSeq: m.GetDeviceSeq(), App: m.GetApp(),
		Place: event.Spelled(m.GetPlace()), By: by, Lasting: m.GetLasting(), OffsetMs: m.GetClock().GetOffsetMs(), UncertaintyMs: m.GetClock().GetUncertaintyMs(),
	})
	var field *intake.FieldError
	if errors.As(err, &field) {
		return nil, violations(violation{field.Field, field.Say})
	}
	if err != nil {
		return nil, logError(err)
	}
	return phoneMessage(told), nil
}

func phoneMessage(p intake.Phone) *custodyv1.PhoneState {
	return &custodyv1.PhoneState{
		Device: p.Device, Waiting: p.Waiting, Oldest: stamp(p.Oldest), DeviceSeq: p.DeviceSeq, App: p.App, Place: p.Place, Lasting: p.Lasting, By: p.By,
		SeenAt: stamp(p.Seen), Clock: &custodyv1.Clock{OffsetMs: p.OffsetMs, UncertaintyMs: p.UncertaintyMs},
	}
}

// ListPhones tells of each phone when it was last heard of.
func (s *Server) ListPhones(ctx context.Context, _ *custodyv1.ListPhonesRequest) (*custodyv1.ListPhonesResponse, error) {
	list, err := s.Desk.Phones(ctx)
	if err != nil {
		return nil, logError(err)
	}
	resp := &custodyv1.ListPhonesResponse{}
	for _, p := range list {
		resp.Phones = append(resp.Phones, phoneMessage(p))
	}
	return resp, nil
}
