package app

import (
	"cmp"
	"context"
	"slices"
	"strconv"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/thermal"
	"specimen.example/custody/internal/web"
)

// TubeReport implements web.ReportSource.
func (p *pages) TubeReport(ctx context.Context, id string) (web.Report, error) {
	key, v, err := p.account(ctx, id)
	if err != nil {
		return web.Report{}, err
	}
	t := v.Tube
	out := web.Report{
		Seq: v.Read, Readings: v.Readings, Now: v.Now, Kind: "tube", ID: key.Label(), Name: "tube " + key.Label(),
		Tests: testRows(&v), Rules: v.Flag.Rules, Unread: p.a.model.Unread(custody.Target{Kind: event.KindTube, Key: key}),
	}
	told := p.togetherWith(ctx, key, &v.View)
	out.Tubes, out.Zone = told.kin, told.zone
	typeName := p.typeName(t.Type)
	p.a.model.World(func(w *custody.World) {
		n := told.teller(w)
		n.whole = true
		out.Closed = n.closed(&v.View, out.Zone)
		out.Facts = n.tubeFacts(&v.View, typeName)
		out.Doubts = n.doubts(v.Doubts, v.Past, t.Timeline)
		for i := range v.Stretches {
			out.Temps = append(out.Temps, n.temp(&v.Stretches[i]))
		}
		out.Decisions, out.Episodes = n.decisions(t.Timeline), n.episodes(t.Timeline)
		out.Samples, out.Corrections = n.samples(told.draws), n.corrections(t.Timeline, voidsOf(t.Timeline), t)
		out.Steps = n.entries(&out, t.Timeline, voidsOf(t.Timeline))
		out.Beside = n.entries(&out, told.beside, voidsOf(told.beside))
	})
	return out, nil
}

// tubeFacts is the head of a tube's report.
func (n teller) tubeFacts(v *live.View, typeName string) []web.ReportFact {
	t := v.Tube
	var out []web.ReportFact
	add := func(name, value string) {
		if value != "" {
			out = append(out, web.ReportFact{Name: name, Value: value})
		}
	}
	add("Type", typeName)
	drawn := "not said"
	switch {
	case t.Zero.Earliest == 0 && t.Zero.Latest != 0:
		drawn = "not said, before " + n.full(t.Zero.Latest)
	case t.Zero.Earliest != 0 && t.Zero.Latest != t.Zero.Earliest:
		drawn = n.full(t.Zero.Earliest) + " to " + n.full(t.Zero.Latest)
	case t.Zero.Earliest != 0:
		drawn = n.full(t.Zero.Earliest)
	}
	add("Drawn", drawn)
	if t.DrawnUl > 0 {
		add("Volume said", strconv.FormatInt(t.DrawnUl, 10)+" µl")
	}
	if t.Draw != "" {
		out = append(out, web.ReportFact{Name: "Draw", Value: t.Draw.Label(), Draw: t.Draw.Label()})
	}
	add("Request", t.Request.Label())
	if t.Irreplaceable {
		add("Material", "can't be drawn again")
	}
	add("Held by", n.place(t.Holder))
	add("Last place", n.place(t.Place))
	for i, c := range t.Carriers {
		name := "Inside"
		if i > 0 {
			name = "That inside"
		}
		out = append(out, web.ReportFact{Name: name, Value: n.carrier(c), Carrier: c.Label()})
	}
	add("Shall reach", n.place(t.Destination))
	state, _ := tubeState(t)
	add("Stands", state)
	for _, m := range []struct {
		name string
		mark custody.Mark
	}{{"Received", t.Received}, {"Accepted", t.Accepted}, {"Rejected", t.Rejected}, {"Stored", t.Stored}, {"Sent away", t.Referred}, {"Discarded", t.Disposed}, {"Declared lost", t.Lost}} {
		if m.mark.Is() {
			add(m.name, listed(n.full(m.mark.At), withWord("by", m.mark.By)))
		}
	}
	return out
}

// full writes an instant with its day, seconds and offset.
func (n teller) full(i event.Instant) string { return fullWords(i, n.zone) }

// temp says what a stretch of temperature rests on.
func (n teller) temp(s *live.Stretch) web.ReportTemp {
	out := web.ReportTemp{From: s.From, To: s.To, Evidence: s.Evidence.Word(), Low: s.Low, High: s.High, Held: s.Held}
	switch s.Evidence {
	case thermal.Measured:
		out.Source = listed("logger "+s.Logger.Label()+withWord(" of", n.target(s.Around)), n.calibrated(s.Logger))
	case thermal.Attested:
		for _, h := range s.Attested {
			out.Source = listed(out.Source, cmp.Or(h.By, "somebody")+": "+plain(h.What))
		}
		out.Source = cmp.Or(out.Source, "said of the tube it was made from")
	case thermal.Assumed:
		out.Source = "declared for " + cmp.Or(n.target(s.Around), "the place")
		basis, owner, review := n.declaration(s.Around, s.From)
		out.Source = listed(out.Source, withWord("because:", basis), withWord("answers for it:", owner))
		if review != 0 {
			out.Source = listed(out.Source, "to be looked at again by "+n.full(review))
		}
	default:
		out.Source = "no logger, no word of a person, nothing declared"
	}
	return out
}

// target names a carrier or a place.
func (n teller) target(t custody.Target) string {
	switch t.Kind {
	case event.KindCarrier:
		return n.carrier(t.Key)
	case event.KindPlace:
		return n.place(t.Key.Label())
	}
	return ""
}

func (n teller) declaration(t custody.Target, at event.Instant) (basis, owner string, review event.Instant) {
	if t.Kind == event.KindCarrier {
		if c, ok := n.w.Carrier(t.Key); ok {
			return c.Basis, c.Owner, c.Review
		}
		return "", "", 0
	}
	place, _ := n.w.PlaceAt(t.Key.Label(), at)
	return place.Basis, place.Owner, place.Review
}

func (n teller) calibrated(logger event.Key) string {
	l, ok := n.w.Logger(logger)
	if !ok || l.Calibrated == 0 {
		return "no calibration recorded"
	}
	say := "calibrated " + n.full(l.Calibrated) + ", ± " + degrees(event.CentiC(l.Calibration.UncertaintyCenti)) + " °C"
	if due := l.Calibration.Due; due != 0 && due < n.now {
		say += ", due again since " + n.full(due)
	}
	return say
}

// entries writes one row for each entry of the log that the steps stand for. voids are
// those of the whole aggregate.
func (n teller) entries(out *web.Report, steps []custody.Step, voids map[string]*custody.Step) []web.ReportStep {
	var list []web.ReportStep
	for i := range steps {
		s := &steps[i]
		list = append(list, n.entry(out, s, s.Record, voids))
		for _, r := range s.Repeats {
			again := custody.Step{Record: r, Facts: r.Facts, Inherited: s.Inherited, By: s.By}
			row := n.entry(out, &again, r, voids)
			row.Again = s.Record.Seq
			list = append(list, row)
		}
	}
	return list
}

func (n teller) entry(out *web.Report, s *custody.Step, r *event.Record, voids map[string]*custody.Step) web.ReportStep {
	said := n.facts(r.Facts)
	out.Notes += notesIn(r.Facts)
	out.Seq = max(out.Seq, r.Seq) // the log may have grown since the position was read
	row := web.ReportStep{
		Seq: r.Seq, ID: r.ID, Occurred: r.Occurred, Recorded: r.Recorded, Said: r.DeviceTime, OffsetMs: r.OffsetMs, PlusMinus: r.UncertaintyMs,
		OffsetMin: r.ZoneOffsetMin, Zoned: r.Step != "", Told: r.Step != "" || r.Actor != "", Source: r.TimeSource, Typed: r.Typed,
		Step: stepName(s), Note: said.note, Carrier: said.carrier, From: said.from, By: r.Actor, For: r.OnBehalf, Witness: r.Witness, Role: r.Role,
		Place: n.place(r.Place), Device: r.Device, DeviceSeq: r.DeviceSeq, How: r.How, Import: r.Import,
		Reported: r.Mode == event.Reported, Voided: s.Voided,
	}
	if row.Told && r.Principal != r.Actor {
		row.Principal = r.Principal
	}
	if len(r.Signature) > 0 {
		row.Signed = r.KeyID
	}
	if s.Inherited {
		row.Inherited = n.carrier(s.By)
	}
	if by := voids[recordID(r)]; s.Voided && by != nil {
		row.VoidedBy, row.VoidedFor, row.VoidedSeq = by.Record.Actor, voidReason(by), by.Record.Seq
	}
	return row
}

// DrawReport implements web.ReportSource.
func (p *pages) DrawReport(ctx context.Context, id string) (web.Report, error) {
	key, err := p.find(id, event.KindDraw)
	if err != nil {
		return web.Report{}, err
	}
	m := p.a.model
	target, at := custody.Target{Kind: event.KindDraw, Key: key}, m.At()
	out := web.Report{Seq: at.Custody, Readings: at.Readings, Now: m.Now(), Kind: "draw", ID: key.Label(), Name: "draw " + key.Label(), Unread: m.Unread(target)}
	var steps []custody.Step
	var tubes []event.Key
	var draw *custody.Draw
	p.a.model.World(func(w *custody.World) {
		steps, tubes = slices.Clone(w.Steps(target)), w.TubesOf(key)
		draw, _ = w.Draw(key)
	})
	if draw == nil && len(tubes) == 0 {
		return web.Report{}, web.ErrNotFound
	}
	n := teller{tests: p.testNames(ctx, steps), now: out.Now, whole: true}
	for _, tube := range tubes {
		out.Tubes = append(out.Tubes, p.kinRow(tube, "collected in it"))
	}
	m.World(func(w *custody.World) {
		n.names = names{w}
		for _, s := range steps {
			if n.zone == nil {
				n.zone = zoneAt(w, s.Record.Place)
			}
		}
		out.Zone = n.zone
		if draw != nil {
			out.Facts, out.Misses, out.Samples = n.drawFacts(draw), len(draw.Mismatches), n.samples([]*custody.Draw{draw})
		}
		out.Doubts = n.doubts(w.DoubtsOf(target, out.Now), w.DoubtHistory(target, 0), steps)
		out.Corrections = n.corrections(steps, voidsOf(steps), nil)
		out.Steps = n.entries(&out, steps, voidsOf(steps))
	})
	return out, nil
}

// drawFacts is the head of a draw's report.
func (n teller) drawFacts(d *custody.Draw) []web.ReportFact {
	var out []web.ReportFact
	add := func(name, value string) {
		if value != "" {
			out = append(out, web.ReportFact{Name: name, Value: value})
		}
	}
	mark := func(name string, m custody.Mark) {
		if m.Is() {
			add(name, listed(n.full(m.At), withWord("by", m.By), withWord("at", n.place(m.Place)), plain(m.Reason)))
		}
	}
	mark("Started", d.Started)
	add("Device", d.Device)
	add("Method", plain(d.Method))
	add("Site", plain(d.Site))
	checks := make([]string, len(d.Checks))
	for i, c := range d.Checks {
		checks[i] = plain(c)
	}
	add("Checked", listed(checks...))
	mark("Not collected", d.Failed)
	mark("Ended", d.Ended)
	add("After-care", plain(d.After.AfterCare))
	add("Adverse event", plain(d.After.AdverseEvent))
	if d.Ended.Is() && d.After.AdverseEvent == "" {
		add("Adverse event", "none was said")
	}
	return out
}
