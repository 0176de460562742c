package custody

import (
	"cmp"
	"maps"
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

// The indexes only narrow what is looked at: an entry may be stale (its fact was
// voided), so nothing derived is read from an index alone.

// membership is what ever was put into one carrier.
type membership struct {
	open, closed map[*aggregate]stay
	lastOut      event.Instant // latest end of a closed stay
}

// stay bounds the time a thing spent in one carrier by its own facts.
type stay struct {
	lastIn, out event.Instant
	inside      bool // nothing of its own ended it; an emptied carrier may have
}

func (w *World) index(self Target, rec *event.Record, agg *aggregate) {
	eachPlace(self, rec, func(key event.Key) { addMember(w.scannedAt, key, agg) })
	for _, fact := range rec.Facts {
		switch self.Kind {
		case event.KindTube:
			w.indexTubeFact(self.Key, fact)
		case event.KindRequest:
			if f, ok := fact.(event.TubeAssigned); ok {
				addTo(w.byRequest, self.Key, f.Tube)
				addTo(w.assigned, f.Tube, self.Key)
			}
		case event.KindDraw:
			w.indexDrawFact(self.Key, rec, fact)
		case event.KindLogger:
			if f, ok := fact.(event.LoggerAttached); ok {
				addTo(w.loggersOn, attachedTo(f), self.Key)
			}
		}
		if f, ok := fact.(event.Departed); ok && f.Route != "" {
			addMember(w.onRoute, f.Route, agg)
		}
	}
}

func (w *World) indexTubeFact(tube event.Key, fact event.Fact) {
	switch f := fact.(type) {
	case event.TubePrepared:
		w.indexTube(tube, f.Request, "")
	case event.Collected:
		w.indexTube(tube, f.Request, f.Draw)
	case event.Reidentified:
		w.indexTube(tube, f.Request, "")
	case event.DerivedFrom:
		addTo(w.children, f.Parent, tube)
	case event.SameMaterialAs:
		addTo(w.children, f.Tube, tube)
	case event.SplitInto:
		for _, part := range f.Tubes {
			addTo(w.splits, part, tube)
			addTo(w.children, tube, part)
		}
	}
}

func (w *World) indexDrawFact(draw event.Key, rec *event.Record, fact event.Fact) {
	switch f := fact.(type) {
	case event.RecollectionAsked:
		for _, tube := range f.Tubes {
			addTo(w.asked, tube, draw)
		}
	case event.DrawStarted:
		list, s := w.drawStarts[rec.Device], startOf(rec)
		at := sort.Search(len(list), func(i int) bool { return s.before(&list[i]) })
		w.drawStarts[rec.Device] = slices.Insert(list, at, s)
	}
}

// drawStart is where the scan that opened a draw stands among those of its device.
type drawStart struct {
	draw      event.Key
	id        string
	occurred  event.Instant
	deviceSeq int64
	seq       uint64
}

func startOf(rec *event.Record) drawStart {
	return drawStart{draw: rec.Key, id: rec.ID, occurred: rec.Occurred, deviceSeq: rec.DeviceSeq, seq: rec.Seq}
}

// before is the order of event.Record's Before on one device.
func (s *drawStart) before(o *drawStart) bool {
	return cmp.Or(cmp.Compare(s.occurred, o.occurred), cmp.Compare(s.deviceSeq, o.deviceSeq), cmp.Compare(s.id, o.id), cmp.Compare(s.seq, o.seq)) < 0
}

func (w *World) unindexDraw(old *event.Record) {
	if holds[event.DrawStarted](old.Facts) {
		s := startOf(old)
		w.drawStarts[old.Device] = slices.DeleteFunc(w.drawStarts[old.Device], func(o drawStart) bool { return o == s })
	}
}

func (w *World) indexTube(tube, request, draw event.Key) {
	if request != "" {
		addTo(w.byRequest, request, tube)
	}
	if draw != "" {
		addTo(w.byDraw, draw, tube)
	}
}

// eachPlace hands over where a tube or carrier was by a record, and what it was left for or
// taken from: places and people.
func eachPlace(self Target, rec *event.Record, f func(event.Key)) {
	if self.Kind != event.KindTube && self.Kind != event.KindCarrier {
		return
	}
	name := func(place string) {
		if key := placeKey(place); key != "" {
			f(key)
		}
	}
	name(rec.Place)
	for _, fact := range rec.Facts {
		switch f := fact.(type) {
		case event.Stored:
			name(f.Place)
		case event.Released:
			name(f.To)
		case event.TakenOver:
			name(f.From)
		case event.Received:
			name(f.From)
		}
	}
}

// attachedTo names what a logger was put on.
func attachedTo(f event.LoggerAttached) Target {
	if f.ToKind == string(event.KindPlace) {
		return Target{event.KindPlace, f.To}
	}
	return Target{event.KindCarrier, f.To}
}

// indexStays keeps the bounds of what is inside which carrier.
func (w *World) indexStays(self Target, rec *event.Record, agg *aggregate, last bool) {
	if self.Kind != event.KindTube && self.Kind != event.KindCarrier {
		return
	}
	if m := w.members[self.Key]; m != nil && self.Kind == event.KindCarrier {
		w.indexEmptied(m, self.Key, rec, agg, last)
	}
	for _, f := range rec.Facts {
		if p, ok := f.(event.Packed); ok && p.Carrier != "" && !slices.Contains(agg.packed, p.Carrier) {
			agg.packed = append(agg.packed, p.Carrier)
		}
	}
	if len(agg.packed) == 0 || last && !agg.voids && !holds[event.Packed](rec.Facts) && !leavesCarrier(rec.Facts) {
		return
	}
	goesOn := last && agg.newStep(rec)
	for _, carrier := range agg.packed {
		m := w.members[carrier]
		if m == nil {
			m = &membership{open: make(map[*aggregate]stay), closed: make(map[*aggregate]stay)}
			w.members[carrier] = m
		}
		if !goesOn {
			w.indexStay(m, self, agg, carrier)
			continue
		}
		s, _ := m.find(agg)
		s.step(self, carrier, rec.Occurred, rec.Facts)
		w.setStay(m, agg, carrier, s)
	}
}

func (w *World) indexStay(m *membership, self Target, agg *aggregate, carrier event.Key) {
	if self.Kind == event.KindTube && agg.voids {
		w.setStay(m, agg, carrier, everIn(self, agg.all(), carrier))
	} else {
		w.setStay(m, agg, carrier, bounds(self, foldSteps(self.Kind, agg), carrier))
	}
}

// newStep reports whether the last record of an aggregate is a step of its own. It says no
// also where that can't be told without a look at what is pressed.
func (a *aggregate) newStep(rec *event.Record) bool {
	from := rec.Occurred - repeatOtherSource
	switch {
	case a.voids:
		return false
	case a.boxed != nil:
		return len(a.own) > 0 && a.own[len(a.own)-1].Record == rec
	case !mayRepeat(a.self.Kind, rec):
		return true
	case a.short && a.pressedTo >= from:
		return false
	}
	for i := len(a.spread) - 2; i >= 0 && a.spread[i].Occurred >= from; i-- {
		if o := a.spread[i]; o.Place == rec.Place && sameFacts(o.Facts, rec.Facts) {
			return false
		}
	}
	return true
}

// setStay notes the stay of a thing by its own facts.
func (w *World) setStay(m *membership, agg *aggregate, carrier event.Key, s stay) {
	m.drop(agg)
	lasts := s.inside
	if lasts && agg.self.Kind == event.KindTube {
		if at := w.emptiedAfter(carrier, s.lastIn); at != 0 {
			s.out, lasts = at, false
		}
	}
	switch {
	case lasts:
		m.open[agg] = s
	case s.lastIn != 0:
		m.closed[agg] = s
		m.lastOut = max(m.lastOut, s.out)
	}
}

// emptiedAfter is the first instant after t at which the carrier was emptied, 0 for none.
func (w *World) emptiedAfter(carrier event.Key, t event.Instant) event.Instant {
	agg := w.logs[event.KindCarrier][carrier]
	if agg == nil {
		return 0
	}
	if i := sort.Search(len(agg.emptied), func(i int) bool { return agg.emptied[i] > t }); i < len(agg.emptied) {
		return agg.emptied[i]
	}
	return 0
}

// indexEmptied ends the stay of the tubes when a carrier was emptied. Where its
// steps had to be folded again, every stay is looked at again.
func (w *World) indexEmptied(m *membership, carrier event.Key, rec *event.Record, agg *aggregate, last bool) {
	if last && !agg.voids {
		if n := len(agg.own) - 1; agg.own[n].Record == rec && holds[event.Emptied](rec.Facts) {
			m.close(rec.Occurred)
		}
		return
	}
	for _, member := range m.all() {
		if member.self.Kind == event.KindTube {
			w.indexStay(m, member.self, member, carrier)
		}
	}
}

// bounds gives the stay in one carrier by the thing's own steps.
func bounds(self Target, own []Step, carrier event.Key) (s stay) {
	for i := range own {
		if !own[i].Voided {
			s.step(self, carrier, own[i].At(), own[i].Facts)
		}
	}
	return s
}

// step goes on with a stay by one more step.
func (s *stay) step(self Target, carrier event.Key, at event.Instant, facts []event.Fact) {
	for _, fact := range facts {
		p, packs := fact.(event.Packed)
		switch {
		case packs && !enterable(self, p.Carrier):
		case packs && p.Carrier == carrier:
			s.lastIn, s.inside = at, true
		case s.inside && (packs || leaves(fact)):
			s.out, s.inside = at, false
		}
	}
}

// everIn is bounds of a tube some of whose steps were taken back: before the void it
// was inside by them, and whoever asks for that instant must find it.
func everIn(self Target, records []*event.Record, carrier event.Key) (s stay) {
	for _, rec := range records {
		for _, fact := range rec.Facts {
			if p, packs := fact.(event.Packed); packs && p.Carrier == carrier && enterable(self, carrier) {
				s.lastIn, s.inside = rec.Occurred, true
			}
		}
	}
	return s
}

// enterable: nothing goes into itself or into nothing.
func enterable(self Target, carrier event.Key) bool {
	return carrier != "" && self != Target{event.KindCarrier, carrier}
}

// leavesCarrier: facts after which a thing is never inside its carrier. Others
// may take it out too; it then only stays longer among what is looked at again.
func leavesCarrier(facts []event.Fact) bool { return slices.ContainsFunc(facts, leaves) }

func leaves(f event.Fact) bool {
	switch f.(type) {
	case event.Unpacked, event.Received, event.Disposed, event.Stored:
		return true
	}
	return false
}

func (m *membership) close(at event.Instant) {
	for t, s := range m.open {
		if t.self.Kind == event.KindTube && s.lastIn < at {
			s.out = at
			delete(m.open, t)
			m.closed[t] = s
			m.lastOut = max(m.lastOut, at)
		}
	}
}

// inside lists what may be in the carrier at or after t. What enters later counts
// too: in which carrier this one then is depends on facts before.
func (m *membership) inside(t event.Instant) []*aggregate {
	if m == nil {
		return nil
	}
	out := slices.Collect(maps.Keys(m.open))
	if t <= m.lastOut {
		for member, s := range m.closed {
			if t <= s.out {
				out = append(out, member)
			}
		}
	}
	return out
}

func (m *membership) all() []*aggregate {
	if m == nil {
		return nil
	}
	return slices.AppendSeq(slices.Collect(maps.Keys(m.open)), maps.Keys(m.closed))
}

// find gives the stay of a thing; its end is 0 while it lasts.
func (m *membership) find(agg *aggregate) (stay, bool) {
	if s, ok := m.open[agg]; ok {
		s.out = 0
		return s, true
	}
	s, ok := m.closed[agg]
	return s, ok
}

func (m *membership) drop(agg *aggregate) {
	delete(m.open, agg)
	delete(m.closed, agg)
}
