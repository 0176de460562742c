package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Carrier is what the facts say of a rack, bag, box or flask.
type Carrier struct {
	event.CarrierDescribed
	Key       event.Key
	Seq       uint64
	Described bool
	Holder    string
	Place     string
	Moving    bool
	Mode      string
	Route     event.Key
	To        string      // place it goes to, of the last departure
	In        []event.Key // carriers around it, innermost first
	Seal      string      // number of the closed seal, "" when open or never sealed
	Sealed    Mark        // zero when open
	Emptied   Mark
	Departed  Mark          // of the leg that lasts
	Due       event.Instant // when its route says that this leg ends, 0 when none does
	Received  Mark          // last reception
	Timeline  []Step
}

// Content is something inside a carrier.
type Content struct {
	Target
	// Via are the carriers between, innermost first; none: directly inside.
	Via []event.Key
}

// Carrier gives what the facts say of a carrier; false when there are none.
func (w *World) Carrier(key event.Key) (*Carrier, bool) { return w.CarrierAt(key, 0) }

// CarrierAt is Carrier with the facts up to and at t; 0 means all.
func (w *World) CarrierAt(key event.Key, t event.Instant) (*Carrier, bool) {
	c, _ := w.carrier(key, t)
	return c, c != nil
}

func (w *World) carrier(key event.Key, t event.Instant) (*Carrier, []finding) {
	agg := w.logs[event.KindCarrier][key]
	if agg == nil {
		return nil, nil
	}
	c := &Carrier{Key: key, Seq: agg.seq}
	c.CarrierDescribed, c.Described = described[event.CarrierDescribed](w, Target{event.KindCarrier, key}, t)
	tr := w.trailOf(Target{event.KindCarrier, key}, agg.steps(), t, state{})
	found := slices.DeleteFunc(tr.findings, func(f finding) bool { return f.doubt == event.DoubtMissing })
	for i := range tr.steps {
		if s := &tr.steps[i]; !s.Voided {
			for _, fact := range s.Facts {
				found = c.apply(s, fact, found)
			}
		}
	}
	st := tr.last()
	c.Holder, c.Place, c.Moving, c.Mode, c.Route, c.In, c.Timeline = st.holder, st.place, st.moving, st.mode, st.route, st.chain, tr.steps
	if r, ok := w.Route(c.Route); ok && r.TakesMin > 0 && c.Departed.Is() {
		c.Due = c.Departed.At + event.Instant(r.TakesMin)*60_000
	}
	return c, found
}

func (c *Carrier) apply(s *Step, fact event.Fact, found []finding) []finding {
	switch f := fact.(type) {
	case event.Departed:
		c.Departed, c.To = mark(s, "", event.Ciphertext{}), f.To
	case event.Arrived:
		c.Departed, c.To = Mark{}, ""
		if holds[event.TakenOver](s.Facts) {
			c.Received = mark(s, "", event.Ciphertext{})
		}
	}
	if s.Inherited {
		return found
	}
	switch f := fact.(type) {
	case event.Released:
		found = c.sealRead(s, f.Seal, found)
	case event.TakenOver:
		found = c.sealRead(s, f.Seal, found)
	case event.Sealed:
		c.Seal, c.Sealed = f.Seal, mark(s, "", event.Ciphertext{})
	case event.SealBroken:
		found = c.sealRead(s, f.Seal, found)
		c.Seal, c.Sealed = "", Mark{}
	case event.Emptied:
		c.Emptied = mark(s, "", event.Ciphertext{})
		c.Seal, c.Sealed = "", Mark{}
	}
	return found
}

// sealRead compares the number that was read from the seal with the one put on.
func (c *Carrier) sealRead(s *Step, seal string, found []finding) []finding {
	if c.Sealed.Is() && seal != "" && c.Seal != "" && seal != c.Seal {
		found = append(found, finding{doubt: event.DoubtBrokenSeal, causes: []string{c.Sealed.Scan, idOf(s.Record)}, since: s.At()})
	}
	return found
}

// Contents lists what is inside a carrier at an instant (0: by all facts),
// directly or by the carriers inside it, sorted by kind and key.
func (w *World) Contents(key event.Key, at event.Instant) []Content {
	var out []Content
	seen := make(map[Target]bool)
	w.contents(key, key, at, seen, &out)
	slices.SortFunc(out, func(a, b Content) int { return compareTargets(a.Target, b.Target) })
	return out
}

func (w *World) contents(root, key event.Key, at event.Instant, seen map[Target]bool, out *[]Content) {
	w.wakeAll(w.asleep.at(nil, traceKey{kind: traceCarrier, name: string(key)}, at))
	m := w.members[key]
	if m == nil {
		return
	}
	var list []Target
	inside := m.all
	if at != 0 {
		inside = func() []*aggregate { return m.inside(at) }
	}
	for _, agg := range inside() {
		if at != 0 || agg.packed(key).lasts {
			list = append(list, agg.self)
		}
	}
	for i := 0; i < len(list); i++ {
		t := list[i]
		if seen[t] {
			continue
		}
		seen[t] = true
		if t.Kind == event.KindTube {
			for _, child := range w.children[t.Key] {
				list = append(list, Target{event.KindTube, child}) // a new number stays inside with the old
			}
		}
		chain := w.chainNow(t, at)
		inner := slices.Index(chain, root)
		if inner < 0 {
			continue
		}
		*out = append(*out, Content{Target: t, Via: chain[:inner]})
		if t.Kind == event.KindCarrier {
			w.contents(root, t.Key, at, seen, out)
		}
	}
}

// chainNow gives what a thing is in. A tube under a new number is inside once, by that.
func (w *World) chainNow(t Target, at event.Instant) []event.Key {
	if t.Kind == event.KindTube {
		if tube, ok := w.TubeAt(t.Key, at); ok && tube.NewLabel == "" {
			return tube.Carriers
		}
		return nil
	}
	if c, ok := w.CarrierAt(t.Key, at); ok {
		return c.In
	}
	return nil
}
