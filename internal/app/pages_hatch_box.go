package app

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/web"
)

// open fills the box in hand.
func (d *desk) open() {
	if d.key.box == "" {
		return
	}
	m := d.p.a.model
	box := &web.HatchOpen{HatchBox: web.HatchBox{ID: d.key.box, Name: d.key.box}}
	d.page.Open = box
	named, err := m.Find(label.Input{Raw: []byte(d.key.box)}, event.KindCarrier)
	if err != nil || !named.Known {
		if err == nil {
			d.opened(box, named.Key, 0, nil)
		}
		return
	}
	key := named.Key
	box.Known = true
	var arrived event.Instant
	var inside []event.Key
	via := map[event.Key]string{}
	m.World(func(w *custody.World) {
		n := names{w}
		c, ok := w.Carrier(key)
		if !ok {
			return
		}
		box.HatchBox = d.head(n, key, c)
		box.Seal = c.Seal
		arrived, box.By, box.Scan = d.arrival(c)
		if c.Emptied.Is() && c.Emptied.At >= arrived && arrived != 0 {
			box.Emptied, box.EmptiedBy = c.Emptied.At, c.Emptied.By
		}
		for i := range c.Timeline {
			s := &c.Timeline[i]
			for _, f := range s.Facts {
				if note, ok := f.(event.DefectNoted); ok && !s.Voided && !s.Inherited && s.At() >= arrived {
					box.Noted = append(box.Noted, web.ReasonSaid(note.Defect))
				}
			}
		}
		box.Doubts = doubtRows(w.DoubtsOf(custody.Target{Kind: event.KindCarrier, Key: key}, d.now))
		// What was in it when it came; what is received since has left it by its own scan.
		for _, in := range w.Contents(key, arrived) {
			if in.Kind != event.KindTube {
				continue
			}
			inside = append(inside, in.Key)
			if len(in.Via) > 0 {
				via[in.Key] = n.inside(in.Via)
			}
		}
	})
	box.Loggers = d.loggers(key, arrived)
	d.opened(box, key, arrived, inside)
	for i := range box.Tubes {
		t := &box.Tubes[i]
		for k, words := range via {
			if k.Label() == t.Tube {
				t.Via = words
			}
		}
	}
}

// opened fills the tubes: those that were in it, and those that were taken out of it
// without having been.
func (d *desk) opened(box *web.HatchOpen, key event.Key, arrived event.Instant, inside []event.Key) {
	m := d.p.a.model
	tubes := slices.Clone(inside)
	for tube := range d.p.watch.outOf[key] {
		if !slices.Contains(inside, tube) {
			tubes = append(tubes, tube)
		}
	}
	slices.Sort(tubes)
	views := make([]live.View, 0, len(tubes))
	keys := make([]event.Key, 0, len(tubes))
	for _, tube := range tubes {
		v, ok := m.View(tube)
		if !ok {
			continue
		}
		if !d.key.named {
			unnamed(&v)
		}
		keys, views = append(keys, tube), append(views, v)
	}
	m.World(func(w *custody.World) {
		n := names{w}
		for i, tube := range keys {
			in := slices.Contains(inside, tube)
			row := d.boxTube(n, tube, &views[i], arrived)
			if !in && row.Received == 0 {
				continue // taken out of it on another day, or by a scan that was taken back
			}
			row.InBox = in
			row.Unknown = !in && row.Unknown
			box.Tubes = append(box.Tubes, row)
		}
	})
}

func (d *desk) boxTube(n names, key event.Key, v *live.View, arrived event.Instant) web.HatchTube {
	t := v.Tube
	row := web.HatchTube{Tube: key.Label(), Type: t.Type, Draw: t.Draw.Label(), Irreplaceable: t.Irreplaceable}
	if v.Type.Name != "" {
		row.Type = v.Type.Name
	}
	own := 0
	for i := range t.Timeline {
		s := &t.Timeline[i]
		if s.Voided || s.Inherited || s.Record.Step == "" {
			continue // what the leader raised is no step of a person's
		}
		own++
		for _, f := range s.Facts {
			d.desked(&row, s, f, own == 1, arrived)
		}
	}
	if t.Destination != "" && !d.here(t.Destination) {
		row.For = n.place(t.Destination)
	}
	if v.Rack == event.RackWait && v.RackUntil > d.now {
		row.WaitUntil = v.RackUntil
	}
	if v.Flagged {
		flag := n.flag(key, v)
		flag.Provisional = d.provisional(t)
		row.Flag = &flag
	}
	for i := range v.Tests {
		if v.Tests[i].Assay != "" {
			row.Tests = append(row.Tests, testRow(v, &v.Tests[i]))
		}
	}
	row.Doubts = doubtRows(v.Doubts)
	return row
}

// desked takes in what one fact says of how a tube was received and decided here. What
// was before the box came counts for another visit.
func (d *desk) desked(row *web.HatchTube, s *custody.Step, f event.Fact, first bool, arrived event.Instant) {
	if s.At() < arrived && !d.here(s.Record.Place) {
		return
	}
	decide := func(word string) {
		row.Done, row.DoneAt, row.DoneBy, row.DoneScan = word, s.At(), s.Record.Actor, s.Record.ID
		if row.Received == 0 {
			row.Received, row.By, row.Scan = s.At(), s.Record.Actor, s.Record.ID
		}
	}
	switch f := f.(type) {
	case event.Received:
		if s.At() < arrived {
			return
		}
		row.Received, row.By, row.Scan = s.At(), s.Record.Actor, s.Record.ID
		row.Unknown = first
	case event.AcceptedForTesting:
		decide("accepted")
	case event.AcceptedWithDeviation:
		decide("accepted with deviation")
		if f.Reason != "" {
			row.Done += ": " + web.ReasonSaid(f.Reason)
		}
	case event.Rejected:
		decide("rejected")
		if f.Reason != "" {
			row.Done += ": " + web.ReasonSaid(f.Reason)
		}
	case event.DefectNoted:
		if f.Defect == string(event.DoubtUnlabelled) && first {
			row.Nameless = true
			return
		}
		row.Defects = append(row.Defects, web.ReasonSaid(f.Defect))
	}
}

func doubtRows(open []custody.OpenDoubt) []web.DoubtRow {
	out := make([]web.DoubtRow, len(open))
	for i, o := range open {
		out[i] = web.DoubtRow{ID: o.ID, Doubt: o.Doubt, Since: o.Since}
	}
	return out
}
