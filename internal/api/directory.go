package api

import (
	"context"
	"fmt"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/label"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// put writes one entry of the directory.
func (s *Server) put(ctx context.Context, kind event.Kind, id, by string, at event.Instant, facts ...event.Fact) error {
	k, err := s.key("id", id, kind)
	if err != nil {
		return err
	}
	_, err = s.Desk.Write(ctx, intake.Entry{ID: newID(), Target: custody.Target{Kind: kind, Key: k}, Facts: facts, By: by, At: at})
	return logError(err)
}

func rangeOf(m *custodyv1.Range, field string) (event.Range, error) {
	if m == nil {
		return event.Range{}, nil
	}
	r := event.Range{Low: centi(m.GetLow()), High: centi(m.GetHigh()), Known: true}
	if r.Low > r.High {
		return r, violations(violation{field, "low lies above high; swap them"})
	}
	return r, nil
}

func rangeMessage(r event.Range) *custodyv1.Range {
	if !r.Known {
		return nil
	}
	return &custodyv1.Range{Low: celsiusText(r.Low), High: celsiusText(r.High)}
}

// celsiusText writes 0.01 °C as degrees with two digits behind the point.
func celsiusText(c event.CentiC) string {
	sign, n := "", int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

func optionalInstant(s string) event.Instant {
	if s == "" {
		return 0
	}
	t, _ := parseInstant(s) // checked already
	return event.At(t)
}

func notDeclared(what, id string) error {
	return notFound("no %s %s is declared", what, clip(id))
}

// PutPlace declares a place.
func (s *Server) PutPlace(ctx context.Context, m *custodyv1.Place) (*custodyv1.Place, error) {
	r, err := rangeOf(m.GetAssumed(), "assumed")
	if err != nil {
		return nil, err
	}
	rotor, err := rotorOf(m)
	if err != nil {
		return nil, err
	}
	return m, s.put(ctx, event.KindPlace, m.GetId(), m.GetBy(), atOurClock, event.PlaceDescribed{
		Name: m.GetName(), PlaceKind: m.GetKind(), Zone: m.GetZone(), Assumed: r, Basis: m.GetBasis(), Owner: m.GetOwner(),
		Review: optionalInstant(m.GetReview()), BenchSpinMin: m.GetBenchSpinMinutes(), Relabel: m.GetRelabel(),
		Identify: m.GetIdentify(), SecondPerson: m.GetSecondPerson(), Spins: m.GetSpins(), MostDrawPermille: m.GetMostDrawPermille(),
		Rotor: rotor,
	})
}

// rotorOf reads what a centrifuge can do.
func rotorOf(m *custodyv1.Place) (event.Rotor, error) {
	r := m.GetRotor()
	if r == nil {
		return event.Rotor{}, nil
	}
	if m.GetKind() != "centrifuge" {
		return event.Rotor{}, violations(violation{"rotor", "only a centrifuge has one; leave it out, or make the kind centrifuge"})
	}
	holds, err := rangeOf(r.GetHolds(), "rotor.holds")
	return event.Rotor{Places: r.GetSlots(), RadiusMm: r.GetRadiusMm(), MostPerMin: r.GetMostPerMinute(), Holds: holds, At: event.Spelled(r.GetAt())}, err
}

func rotorMessage(r event.Rotor) *custodyv1.Rotor {
	if r == (event.Rotor{}) {
		return nil
	}
	return &custodyv1.Rotor{Slots: r.Places, RadiusMm: r.RadiusMm, MostPerMinute: r.MostPerMin, Holds: rangeMessage(r.Holds), At: r.At}
}

// atOurClock is no instant of the caller: intake takes its own clock.
const atOurClock = event.Instant(0)

// GetPlace gives a declared place.
func (s *Server) GetPlace(_ context.Context, req *custodyv1.GetEntryRequest) (*custodyv1.Place, error) {
	k, err := s.key("id", req.GetId(), event.KindPlace)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Place
	s.Model.World(func(w *custody.World) {
		if p, ok := w.Place(k.Label()); ok {
			m = placeMessage(p)
		}
	})
	if m == nil {
		return nil, notDeclared("place", req.GetId())
	}
	return m, nil
}

func placeMessage(p custody.Place) *custodyv1.Place {
	return &custodyv1.Place{
		Id: p.Key.Label(), Name: p.Name, Kind: p.PlaceKind, Zone: p.Zone, Assumed: rangeMessage(p.Assumed), Basis: p.Basis,
		Owner: p.Owner, Review: stamp(p.Review), BenchSpinMinutes: p.BenchSpinMin, Relabel: p.Relabel,
		Identify: p.Identify, SecondPerson: p.SecondPerson, Spins: p.Spins, MostDrawPermille: p.MostDrawPermille,
		Rotor: rotorMessage(p.Rotor),
	}
}

// PutCarrier declares a carrier.
func (s *Server) PutCarrier(ctx context.Context, m *custodyv1.Carrier) (*custodyv1.Carrier, error) {
	r, err := rangeOf(m.GetAssumed(), "assumed")
	if err != nil {
		return nil, err
	}
	return m, s.put(ctx, event.KindCarrier, m.GetId(), m.GetBy(), atOurClock, event.CarrierDescribed{
		CarrierKind: m.GetKind(), OwnClimate: m.GetOwnClimate(), Assumed: r, Basis: m.GetBasis(), Owner: m.GetOwner(),
		Review: optionalInstant(m.GetReview()),
	})
}

// GetCarrier gives a declared carrier.
func (s *Server) GetCarrier(_ context.Context, req *custodyv1.GetEntryRequest) (*custodyv1.Carrier, error) {
	k, err := s.key("id", req.GetId(), event.KindCarrier)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Carrier
	s.Model.World(func(w *custody.World) {
		if c, ok := w.Carrier(k); ok && c.Described {
			m = &custodyv1.Carrier{
				Id: c.Key.Label(), Kind: c.CarrierKind, OwnClimate: c.OwnClimate, Assumed: rangeMessage(c.Assumed), Basis: c.Basis,
				Owner: c.Owner, Review: stamp(c.Review),
			}
		}
	})
	if m == nil {
		return nil, notDeclared("carrier", req.GetId())
	}
	return m, nil
}

// PutLogger declares a logger and, when it says so, attaches it.
func (s *Server) PutLogger(ctx context.Context, m *custodyv1.Logger) (*custodyv1.Logger, error) {
	hold := int64(-1)
	if m.HoldSeconds != nil {
		hold = m.GetHoldSeconds() * 1000
	}
	described := event.LoggerDescribed{EveryMs: m.GetEverySeconds() * 1000, HoldMs: hold, MaxGapMs: m.GetMaxGapSeconds() * 1000, Zone: m.GetZone()}
	facts := []event.Fact{described}
	if m.GetUncertainty() != "" {
		c := centi(m.GetUncertainty())
		if c < 0 {
			return nil, violations(violation{"uncertainty", "it can't be negative"})
		}
		facts = append(facts, event.LoggerCalibrated{UncertaintyCenti: int64(c)})
	}
	if m.GetIn() != "" {
		attached, err := s.attachment(m.GetIn())
		if err != nil {
			return nil, err
		}
		facts = append(facts, attached)
	}
	return m, s.put(ctx, event.KindLogger, m.GetId(), m.GetBy(), optionalInstant(m.GetOccurredAt()), facts...)
}

// attachment attaches to the carrier or place of that name; a carrier when both
// or neither is known, since that is what loggers mostly travel in.
func (s *Server) attachment(in string) (event.LoggerAttached, error) {
	named, err := s.find("in", label.Input{Raw: []byte(in)}, event.KindCarrier, event.KindPlace)
	if err != nil {
		return event.LoggerAttached{}, err
	}
	return event.LoggerAttached{To: named.Key, ToKind: string(named.Kind)}, nil
}

// GetLogger gives a declared logger.
func (s *Server) GetLogger(_ context.Context, req *custodyv1.GetEntryRequest) (*custodyv1.Logger, error) {
	k, err := s.key("id", req.GetId(), event.KindLogger)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Logger
	s.Model.World(func(w *custody.World) {
		l, ok := w.Logger(k)
		if !ok || l.EveryMs == 0 {
			return
		}
		m = &custodyv1.Logger{Id: l.Key.Label(), EverySeconds: l.EveryMs / 1000, MaxGapSeconds: l.MaxGapMs / 1000, Zone: l.Zone, Imports: fileMessages(&l)}
		if l.HoldMs >= 0 {
			hold := l.HoldMs / 1000
			m.HoldSeconds = &hold
		}
		if l.Calibration.UncertaintyCenti > 0 {
			m.Uncertainty = celsiusText(event.CentiC(l.Calibration.UncertaintyCenti)) //nolint:gosec // a few degrees
		}
		if n := len(l.Attached); n > 0 && l.Attached[n-1].Until == 0 {
			m.In = l.Attached[n-1].To.Key.Label()
		}
	})
	if m == nil {
		return nil, notDeclared("logger", req.GetId())
	}
	return m, nil
}

func rolesOf(list []*custodyv1.RoleAt) []event.RoleAt {
	var out []event.RoleAt
	for _, r := range list {
		out = append(out, event.RoleAt{Role: r.GetRole(), Place: event.Spelled(r.GetPlace())})
	}
	return out
}

// PutPerson declares a person by staff code.
func (s *Server) PutPerson(ctx context.Context, m *custodyv1.Person) (*custodyv1.Person, error) {
	if m.GetRole() == "" && len(m.GetRoles()) == 0 {
		return nil, violations(violation{"role", "give a role, everywhere or in roles at a place: without one nothing may be done"})
	}
	return m, s.put(ctx, event.KindPerson, m.GetId(), m.GetBy(), atOurClock, event.PersonDescribed{Role: m.GetRole(), Active: m.GetActive(), Roles: rolesOf(m.GetRoles())})
}

// GetPerson gives a declared person.
func (s *Server) GetPerson(_ context.Context, req *custodyv1.GetEntryRequest) (*custodyv1.Person, error) {
	k, err := s.key("id", req.GetId(), event.KindPerson)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Person
	s.Model.World(func(w *custody.World) {
		if p, ok := w.Person(k); ok {
			m = &custodyv1.Person{Id: p.Key.Label(), Role: p.Role, Active: p.Active, Roles: roleMessages(p.Roles)}
		}
	})
	if m == nil {
		return nil, notDeclared("person", req.GetId())
	}
	return m, nil
}

// PutDevice declares a device.
func (s *Server) PutDevice(ctx context.Context, m *custodyv1.Device) (*custodyv1.Device, error) {
	m.OffsetMs, m.Doubts, m.KeyId = 0, nil, "" // read only: what was ignored is not given back as if it were kept
	k, err := s.key("id", m.GetId(), event.KindDevice)
	if err != nil {
		return nil, err
	}
	described := event.DeviceEnrolled{DeviceKind: m.GetKind(), Active: m.GetActive(), Place: event.Spelled(m.GetPlace())}
	if m.GetActive() {
		// A device that is described anew keeps its key; one that was revoked needs
		// another, whoever has it now.
		s.Model.World(func(w *custody.World) {
			if d, ok := w.Device(k); ok && d.Active {
				described.KeyID, described.PublicKey = d.KeyID, d.PublicKey
			}
		})
	}
	m.KeyId = described.KeyID
	return m, s.put(ctx, event.KindDevice, m.GetId(), m.GetBy(), atOurClock, described)
}

// GetDevice gives a device and what was learned of its clock.
func (s *Server) GetDevice(ctx context.Context, req *custodyv1.GetEntryRequest) (*custodyv1.Device, error) {
	s.settle(ctx, 0)
	k, err := s.key("id", req.GetId(), event.KindDevice)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Device
	s.Model.World(func(w *custody.World) {
		d, ok := w.Device(k)
		if !ok {
			return
		}
		m = &custodyv1.Device{Id: d.Key.Label(), Kind: d.DeviceKind, Active: d.Active, OffsetMs: d.OffsetMs, Place: d.Place, KeyId: d.KeyID}
		for _, doubt := range w.DoubtsOf(custody.Target{Kind: event.KindDevice, Key: d.Key}, 0) {
			m.Doubts = append(m.Doubts, openDoubt(doubt, whereabouts{}))
		}
	})
	if m == nil {
		return nil, notDeclared("device", req.GetId())
	}
	return m, nil
}

// PutRoute declares a timetable.
func (s *Server) PutRoute(ctx context.Context, m *custodyv1.Route) (*custodyv1.Route, error) {
	return m, s.put(ctx, event.KindRoute, m.GetId(), m.GetBy(), atOurClock, event.RouteDescribed{
		From: m.GetFrom(), To: m.GetTo(), Departs: m.GetDeparts(), TakesMin: m.GetTakesMinutes(), Zone: m.GetZone(),
	})
}

// GetRoute gives a declared timetable.
func (s *Server) GetRoute(_ context.Context, req *custodyv1.GetEntryRequest) (*custodyv1.Route, error) {
	k, err := s.key("id", req.GetId(), event.KindRoute)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Route
	s.Model.World(func(w *custody.World) {
		if r, ok := w.Route(k); ok {
			m = &custodyv1.Route{Id: r.Key.Label(), From: r.From, To: r.To, Departs: r.Departs, TakesMinutes: r.TakesMin, Zone: r.Zone}
		}
	})
	if m == nil {
		return nil, notDeclared("route", req.GetId())
	}
	return m, nil
}

// PlaceRequest records what was ordered, with the tubes that shall carry it.
func (s *Server) PlaceRequest(ctx context.Context, req *custodyv1.PlaceRequestRequest) (*custodyv1.Request, error) {
	reference, err := s.Desk.Reference(ctx, req.GetPatient())
	if err != nil {
		return nil, logError(err)
	}
	tests, bad := s.tests(req.GetTests(), "tests")
	placed := event.RequestPlaced{
		Patient: reference, Tests: tests, Priority: req.GetPriority(), Conditions: req.GetConditions(),
		Destination: req.GetDestination(), Irreplaceable: req.GetIrreplaceable(),
	}
	facts := []event.Fact{placed}
	for i, t := range req.GetTubes() {
		field := fmt.Sprintf("tubes[%d].", i)
		if t.GetType() != "" {
			if _, ok := s.Model.TubeType(t.GetType()); !ok {
				bad = append(bad, violation{field + "type", fmt.Sprintf("%q is no tube type of the catalogue", t.GetType())})
			}
		}
		codes, more := s.tests(t.GetTests(), field+"tests")
		bad = append(bad, more...)
		tube, err := s.find(field+"tube", label.Input{Raw: []byte(t.GetTube()), TubeType: t.GetType()}, event.KindTube)
		if err != nil {
			return nil, err
		}
		facts = append(facts, event.TubeAssigned{Tube: tube.Key, Type: t.GetType(), Tests: codes})
	}
	if len(bad) > 0 {
		return nil, violations(bad...)
	}
	return s.writeRequest(ctx, req.GetId(), req.GetScanId(), req.GetBy(), req.GetOccurredAt(), facts...)
}

// tests gives the laboratory's codes, or which of them are not in the catalogue.
func (s *Server) tests(said []string, field string) (codes []string, bad []violation) {
	for i, t := range said {
		a, ok := s.Model.Assay(t)
		switch {
		case ok:
			codes = append(codes, a.Code)
		case t == "none":
			codes = append(codes, t)
		default:
			bad = append(bad, violation{fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%q is no test of the catalogue; use the laboratory's code or LOINC", t)})
		}
	}
	return codes, bad
}

func (s *Server) writeRequest(ctx context.Context, id, scanID, by, occurred string, facts ...event.Fact) (*custodyv1.Request, error) {
	if scanID == "" {
		scanID = newID()
	}
	k, err := s.key("id", id, event.KindRequest)
	if err != nil {
		return nil, err
	}
	_, err = s.Desk.Write(ctx, intake.Entry{
		ID: scanID, Target: custody.Target{Kind: event.KindRequest, Key: k}, Facts: facts, By: by, At: optionalInstant(occurred),
	})
	if err != nil {
		return nil, logError(err)
	}
	return s.GetRequest(ctx, &custodyv1.GetRequestRequest{Id: id})
}

// GetRequest gives a request.
func (s *Server) GetRequest(_ context.Context, req *custodyv1.GetRequestRequest) (*custodyv1.Request, error) {
	k, err := s.key("id", req.GetId(), event.KindRequest)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Request
	s.Model.World(func(w *custody.World) {
		r, ok := w.Request(k)
		if !ok {
			return
		}
		m = &custodyv1.Request{
			Id: r.Key.Label(), Tests: append(append([]string{}, r.Ordered...), r.Added...), Priority: r.Priority, Destination: r.Destination,
			Irreplaceable: r.Irreplaceable, Cancelled: r.Cancelled, Sequence: r.Seq,
		}
		for name, yes := range r.Conditions {
			m.Conditions = append(m.Conditions, name+"="+map[bool]string{true: "yes", false: "no"}[yes])
		}
		for _, a := range r.Assigned {
			m.Tubes = append(m.Tubes, &custodyv1.AssignedTube{Tube: a.Tube.Label(), Type: a.Type, Tests: a.Tests})
		}
	})
	if m == nil {
		return nil, notFound("no request %s is known", clip(req.GetId()))
	}
	return m, nil
}

func (s *Server) changeTest(ctx context.Context, req *custodyv1.ChangeTestRequest, fact func(code string) event.Fact) (*custodyv1.Request, error) {
	codes, bad := s.tests([]string{req.GetTest()}, "test")
	if len(bad) > 0 {
		return nil, violations(violation{"test", bad[0].say})
	}
	if _, err := s.GetRequest(ctx, &custodyv1.GetRequestRequest{Id: req.GetId()}); err != nil {
		return nil, err
	}
	return s.writeRequest(ctx, req.GetId(), req.GetScanId(), req.GetBy(), req.GetOccurredAt(), fact(codes[0]))
}

// AddTest adds a test to a request.
func (s *Server) AddTest(ctx context.Context, req *custodyv1.ChangeTestRequest) (*custodyv1.Request, error) {
	return s.changeTest(ctx, req, func(code string) event.Fact { return event.TestAdded{Test: code} })
}

// WithdrawTest withdraws a test of a request.
func (s *Server) WithdrawTest(ctx context.Context, req *custodyv1.ChangeTestRequest) (*custodyv1.Request, error) {
	return s.changeTest(ctx, req, func(code string) event.Fact { return event.TestWithdrawn{Test: code} })
}

// CancelRequest withdraws a whole request.
func (s *Server) CancelRequest(ctx context.Context, req *custodyv1.CancelRequestRequest) (*custodyv1.Request, error) {
	if _, err := s.GetRequest(ctx, &custodyv1.GetRequestRequest{Id: req.GetId()}); err != nil {
		return nil, err
	}
	k, err := s.key("id", req.GetId(), event.KindRequest)
	if err != nil {
		return nil, err
	}
	reason, note, err := s.Desk.ReasonOf(ctx, "request "+string(k), req.GetReason())
	if err != nil {
		return nil, logError(err)
	}
	return s.writeRequest(ctx, req.GetId(), req.GetScanId(), req.GetBy(), req.GetOccurredAt(), event.RequestCancelled{Reason: reason, Note: note})
}
