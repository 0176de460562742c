package app

import (
	"cmp"
	"context"
	"slices"
	"strconv"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web"
)

// CarrierReport implements web.ReportSource. A trip is told from the end of the one
// before, so that all of them together leave nothing out.
func (p *pages) CarrierReport(ctx context.Context, id, trip string) (web.Report, error) {
	key, err := p.find(id, event.KindCarrier)
	if err != nil {
		return web.Report{}, err
	}
	m := p.a.model
	target := custody.Target{Kind: event.KindCarrier, Key: key}
	at := m.At()
	out := web.Report{Seq: at.Custody, Readings: at.Readings, Now: m.Now(), Kind: "carrier", ID: key.Label(), Unread: m.Unread(target)}
	known := false
	var steps []custody.Step
	var guests []event.Key
	var from, to event.Instant
	m.World(func(w *custody.World) {
		if known = w.Knows(target); !known {
			return
		}
		if out.Trips, out.Trip, err = tripsOf(w, key, trip); err != nil {
			return
		}
		if out.Trip > 0 {
			from = out.Trips[out.Trip-1].From
		}
		if out.Trip < len(out.Trips) && out.Trip > 0 { // what was said after the last trip stands with it
			to = out.Trips[out.Trip-1].To
		}
		if c, ok := w.Carrier(key); ok {
			steps = slices.Clone(c.Timeline)
		}
		guests = w.Guests(key, from)
		for _, inner := range w.Nested(key) {
			guests = append(guests, w.Guests(inner, from)...)
		}
	})
	switch {
	case !known:
		return web.Report{}, web.ErrNotFound
	case err != nil:
		return web.Report{}, err
	}
	within := func(at event.Instant) bool { return (from == 0 || at > from) && (to == 0 || at <= to) }
	all := slices.Clone(steps)
	steps = slices.DeleteFunc(steps, func(s custody.Step) bool { return !within(s.At()) })
	n := teller{tests: p.testNames(ctx, steps), now: out.Now, whole: true}
	m.World(func(w *custody.World) {
		n.names = names{w}
		out.Name = n.carrier(key)
		c, ok := w.Carrier(key)
		if ok {
			n.zone = zoneAt(w, c.Place, c.Holder)
			out.Facts = n.carrierFacts(c)
		}
		out.Zone = n.zone
		out.Doubts = slices.DeleteFunc(n.doubts(w.DoubtsOf(target, out.Now), w.DoubtHistory(target, 0), all), func(d web.DoubtRow) bool {
			return d.Closed != 0 && !within(d.Since)
		})
		out.Loggers = n.loggers(target, from, to)
		out.Corrections = n.corrections(steps, voidsOf(all), nil)
		out.Steps = n.entries(&out, steps, voidsOf(all))
	})
	slices.Sort(guests)
	for part := range slices.Chunk(slices.Compact(guests), boxesAtOnce) {
		m.World(func(w *custody.World) {
			for _, tube := range part {
				out.Contents = append(out.Contents, names{w}.stays(tube, key, from, to)...)
			}
		})
	}
	slices.SortFunc(out.Contents, func(a, b web.ReportContent) int { return cmp.Or(cmp.Compare(a.In, b.In), cmp.Compare(a.Tube, b.Tube)) })
	return out, nil
}

// tripsOf gives the trips of a carrier, each from the end of the one before, and which is
// asked for: 0 is all of them.
func tripsOf(w *custody.World, key event.Key, trip string) ([]web.ReportTrip, int, error) {
	var out []web.ReportTrip
	var from event.Instant
	for _, t := range w.Trips(key) {
		out = append(out, web.ReportTrip{From: from, To: t.Latest})
		from = t.Latest
	}
	switch trip {
	case "":
		return out, len(out), nil
	case "all":
		return out, 0, nil
	}
	n, err := strconv.Atoi(trip)
	if err != nil || n < 1 || n > len(out) {
		return nil, 0, web.ErrNoTrip
	}
	return out, n, nil
}

// stays gives when a tube was inside a carrier, as far as it was in a window (to 0: open).
func (n names) stays(tube, key event.Key, from, to event.Instant) []web.ReportContent {
	var out []web.ReportContent
	for _, s := range n.w.Stays(tube, key) {
		if s.Out != 0 && s.Out <= from || to != 0 && s.In > to {
			continue
		}
		out = append(out, web.ReportContent{Tube: tube.Label(), In: s.In, Out: s.Out, Via: n.inside(s.Via)})
	}
	return out
}

// carrierFacts is the head of a carrier's report.
func (n teller) carrierFacts(c *custody.Carrier) []web.ReportFact {
	var out []web.ReportFact
	add := func(name, value string) {
		if value != "" {
			out = append(out, web.ReportFact{Name: name, Value: value})
		}
	}
	add("Kind", cmp.Or(c.CarrierKind, "not declared"))
	add("Owner", c.Owner)
	if c.Assumed.Known {
		add("Assumed inside", listed(bandWords(c.Assumed.Low, c.Assumed.High), withWord("because:", c.Basis)))
	}
	if c.OwnClimate {
		add("Climate", "its own: takes no temperature from around it")
	}
	add("Held by", n.place(c.Holder))
	add("Last place", n.place(c.Place))
	add("On its way", modeWords(c.Mode))
	add("Goes to", n.place(c.To))
	if c.Due != 0 {
		add("Due", n.full(c.Due))
	}
	for _, in := range c.In {
		out = append(out, web.ReportFact{Name: "Inside", Value: n.carrier(in), Carrier: in.Label()})
	}
	seal := "none closed"
	if c.Sealed.Is() {
		seal = listed(cmp.Or(c.Seal, "without a number"), n.full(c.Sealed.At), withWord("by", c.Sealed.By))
	}
	add("Seal", seal)
	return out
}

// loggers gives those that were on a carrier in a window (to 0: open).
func (n teller) loggers(t custody.Target, from, to event.Instant) []web.ReportLogger {
	var out []web.ReportLogger
	for _, a := range n.w.LoggersOf(t) {
		if a.Until != 0 && a.Until <= from || to != 0 && a.From > to {
			continue
		}
		row := web.ReportLogger{ID: a.Logger.Label(), On: n.target(t), From: a.From, Until: a.Until}
		if l, ok := n.w.Logger(a.Logger); ok {
			row.Calibrated, row.Uncertainty, row.Next = l.Calibrated, event.CentiC(l.Calibration.UncertaintyCenti), l.Calibration.Due
			for _, f := range l.Imports {
				row.Files++
				if f.Voided {
					row.TakenBack++
				}
			}
		}
		out = append(out, row)
	}
	return out
}
