package app

import (
	"context"
	"slices"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/web"
)

// folding hands a watcher's changes on, several as one.
type folding struct {
	p       *pages
	w       *live.Watcher
	out     chan<- web.Change
	next    web.Change
	pending bool // next waits to be taken
}

func (f *folding) note(c web.Change) {
	c.Reset = c.Reset || f.pending && f.next.Reset
	c.Seq = max(c.Seq, f.next.Seq)
	f.next, f.pending = c, true
}

// run ends with ctx. It never stops reading the watcher, however slow the taker.
func (f *folding) run(ctx context.Context) {
	defer close(f.out)
	defer func() { f.w.Stop() }()
	timer := time.NewTimer(0)
	defer timer.Stop()
	resting := true
	for {
		var ready chan<- web.Change
		if f.pending && !resting {
			ready = f.out
		}
		select {
		case <-ctx.Done():
			return
		case c, ok := <-f.w.C:
			if ok {
				f.note(web.Change{Seq: c.Seq})
				continue
			}
			// It could not keep up and was dropped: begin anew.
			f.w = f.p.a.model.Watch()
			f.note(web.Change{Seq: f.p.a.model.At().Custody, Reset: true})
		case ready <- f.next:
			f.next, f.pending, resting = web.Change{}, false, true
			timer.Reset(foldFor)
		case <-timer.C:
			resting = false
		}
	}
}

// watching keeps which carriers are on the way and which tubes may be missing, by
// the model's changes, so that a wall looks at those and not at all there ever
// were. The zero value looks at everything once.
type watching struct {
	w *live.Watcher
	// moving are the carriers on the way that are in no other.
	moving map[event.Key]bool
	// nested are the carriers that were ever put into others, with those.
	nested map[event.Key][]event.Key
	// missing are tubes with a missing doubt in the log that was open when last seen.
	missing map[event.Key]bool
	// stands is when carriers that are not on the way were last scanned; for a desk that
	// looks for those that came and were never finished.
	stands map[event.Key]event.Instant
	// outOf are the tubes that were received out of a carrier, by it. What was before this
	// program began is known of those about which there is a doubt: extra, unlabelled.
	outOf  map[event.Key]map[event.Key]bool
	inside inside
	zone   *time.Location
}

// atOnce bounds how many carriers or tubes are read under one hold of the model's
// lock.
const atOnce = 256

// refresh takes in what changed since it was last called.
func (s *watching) refresh(m *live.Model) {
	if s.w == nil {
		s.begin(m)
		return
	}
	dirty := map[event.Key]bool{}
	all := false
	for {
		select {
		case c, ok := <-s.w.C:
			if !ok { // nobody looked for long, and the watcher was dropped
				s.begin(m)
				return
			}
			switch c.Target.Kind {
			case event.KindCarrier:
				s.mark(dirty, c.Target.Key)
				s.inside.changed(c.Target.Key, c.Facts)
			case event.KindPlace, event.KindPerson, event.KindRoute:
				// What a name stands for decides who holds a carrier and whether it moves.
				all = true
			case event.KindTube:
				s.inside.changed(c.Target.Key, c.Facts)
				s.suspect(c.Target.Key, c.Facts)
				s.received(c.Target.Key, c.Facts)
			}
			continue
		default:
		}
		break
	}
	if all {
		s.inside.forget()
		s.carriers(m, s.allCarriers(m))
		s.readZone(m)
		return
	}
	keys := make([]event.Key, 0, len(dirty))
	for key := range dirty {
		keys = append(keys, key)
	}
	s.carriers(m, keys)
}

// begin watches anew and looks at everything.
func (s *watching) begin(m *live.Model) {
	*s = watching{w: m.Watch(), moving: map[event.Key]bool{}, nested: map[event.Key][]event.Key{}, missing: map[event.Key]bool{},
		stands: map[event.Key]event.Instant{}, outOf: map[event.Key]map[event.Key]bool{}, inside: newInside()}
	s.carriers(m, s.allCarriers(m))
	s.readZone(m)
	for part := range slices.Chunk(m.Doubted(), atOnce) {
		m.World(func(w *custody.World) {
			for _, key := range part {
				if openMissing(w, key) {
					s.missing[key] = true
				}
				if t, ok := w.Tube(key); ok {
					for i := range t.Timeline {
						s.received(key, t.Timeline[i].Facts)
					}
				}
			}
		})
	}
}

// mark adds a carrier and those that may have been in it: they inherit its steps.
func (s *watching) mark(dirty map[event.Key]bool, key event.Key) {
	if dirty[key] {
		return
	}
	dirty[key] = true
	for inner, outer := range s.nested {
		if slices.Contains(outer, key) {
			s.mark(dirty, inner)
		}
	}
}

// received keeps out of which carrier a tube was received.
func (s *watching) received(tube event.Key, facts []event.Fact) {
	for _, f := range facts {
		if r, ok := f.(event.Received); ok && r.Carrier != "" {
			if s.outOf[r.Carrier] == nil {
				s.outOf[r.Carrier] = map[event.Key]bool{}
			}
			s.outOf[r.Carrier][tube] = true
		}
	}
}

func (s *watching) suspect(tube event.Key, facts []event.Fact) {
	for _, f := range facts {
		if d, ok := f.(event.DoubtRaised); ok && event.Doubt(d.Doubt) == event.DoubtMissing {
			s.missing[tube] = true
		}
	}
}

func (s *watching) allCarriers(m *live.Model) (keys []event.Key) {
	m.World(func(w *custody.World) { keys = w.Keys(event.KindCarrier) })
	return keys
}

func (s *watching) carriers(m *live.Model, keys []event.Key) {
	for part := range slices.Chunk(keys, atOnce) {
		m.World(func(w *custody.World) {
			for _, key := range part {
				s.carrier(w, key)
			}
		})
	}
}

func (s *watching) carrier(w *custody.World, key event.Key) {
	delete(s.moving, key)
	delete(s.nested, key)
	delete(s.stands, key)
	c, ok := w.Carrier(key)
	if !ok {
		return
	}
	for i := range c.Timeline {
		step := &c.Timeline[i]
		if step.Inherited {
			continue
		}
		for _, f := range step.Facts {
			if p, ok := f.(event.Packed); ok && !slices.Contains(s.nested[key], p.Carrier) {
				s.nested[key] = append(s.nested[key], p.Carrier)
			}
		}
	}
	if len(c.In) == 0 && onTheWay(c) {
		s.moving[key] = true
		delete(s.outOf, key) // another trip
		return
	}
	if len(c.In) == 0 && !c.Moving {
		s.stands[key] = custody.LastScan(c.Timeline, 0)
	}
}

// onTheWay: it departed or was taken over, and was since neither received nor
// known to stand anywhere nor emptied.
func onTheWay(c *custody.Carrier) bool {
	if !c.Moving {
		return false
	}
	for i := len(c.Timeline) - 1; i >= 0; i-- {
		step := &c.Timeline[i]
		if step.Voided {
			continue
		}
		for _, f := range step.Facts {
			switch f.(type) {
			case event.Emptied:
				return step.Inherited // another carrier's emptying took it out, with what is in it
			case event.TakenOver, event.Departed, event.Released:
				return true
			}
		}
	}
	return true
}

// readZone takes the zone of the first reception that has one, else of the first
// place that has one.
func (s *watching) readZone(m *live.Model) {
	var reception, first string
	m.World(func(w *custody.World) {
		for _, key := range w.Keys(event.KindPlace) {
			p, ok := w.Place(key.Label())
			if !ok || p.Zone == "" {
				continue
			}
			if p.PlaceKind == "reception" && reception == "" {
				reception = p.Zone
			}
			if first == "" {
				first = p.Zone
			}
		}
	})
	if reception == "" {
		reception = first
	}
	s.zone = zoneOf(reception)
}

// openMissing reports whether the log holds an open missing doubt of a tube.
func openMissing(w *custody.World, key event.Key) bool {
	return slices.ContainsFunc(w.DoubtHistory(custody.Target{Kind: event.KindTube, Key: key}, 0), func(d custody.PastDoubt) bool {
		return d.Doubt == event.DoubtMissing && d.ClosedAt == 0
	})
}
