package custody

import (
	"maps"
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

// The indexes only narrow what is looked at: an entry may be stale (its fact was
// voided), so nothing derived is read from an index alone.

// membership is what ever was put into one carrier.
type membership struct {
	open, closed map[Target]stay
	lastOut      event.Instant // latest end of a closed stay
}

// stay bounds the time a thing spent in one carrier by its own facts.
type stay struct {
	lastIn, out event.Instant
}

func (w *World) index(self Target, rec *event.Record) {
	w.indexPlace(self, rec.Place)
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
		switch f := fact.(type) {
		case event.Stored:
			w.indexPlace(self, f.Place)
		case event.Released:
			w.indexPlace(self, f.To)
		case event.TakenOver:
			w.indexPlace(self, f.From)
		case event.Received:
			w.indexPlace(self, f.From)
		case event.Departed:
			if f.Route != "" {
				addMember(w.onRoute, f.Route, self)
			}
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
		list := w.drawStarts[rec.Device]
		at := sort.Search(len(list), func(i int) bool { return rec.Before(list[i]) })
		w.drawStarts[rec.Device] = slices.Insert(list, at, rec)
	}
}

func (w *World) unindexDraw(old *event.Record) {
	if holds[event.DrawStarted](old.Facts) {
		w.drawStarts[old.Device] = slices.DeleteFunc(w.drawStarts[old.Device], func(r *event.Record) bool { return r == old })
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

// indexPlace keeps who was where, and what was left for whom.
func (w *World) indexPlace(self Target, place string) {
	key := placeKey(place)
	if key == "" || self.Kind != event.KindTube && self.Kind != event.KindCarrier {
		return
	}
	addMember(w.scannedAt, key, self)
}

func addMember(m map[event.Key]map[Target]struct{}, at event.Key, t Target) {
	set := m[at]
	if set == nil {
		set = make(map[Target]struct{})
		m[at] = set
	}
	set[t] = struct{}{}
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
	for _, carrier := range agg.packed {
		m := w.members[carrier]
		if m == nil {
			m = &membership{open: make(map[Target]stay), closed: make(map[Target]stay)}
			w.members[carrier] = m
		}
		w.indexStay(m, self, agg, carrier)
	}
}

func (w *World) indexStay(m *membership, self Target, agg *aggregate, carrier event.Key) {
	delete(m.open, self)
	delete(m.closed, self)
	s, inside := bounds(self, foldSteps(self.Kind, agg), carrier)
	if self.Kind == event.KindTube && agg.voids {
		s, inside = everIn(self, agg.records, carrier)
	}
	if inside && self.Kind == event.KindTube {
		if at := w.emptiedAfter(carrier, s.lastIn); at != 0 {
			s.out, inside = at, false
		}
	}
	switch {
	case inside:
		m.open[self] = s
	case s.lastIn != 0:
		m.closed[self] = s
		m.lastOut = max(m.lastOut, s.out)
	}
}

// emptiedAfter is the first instant after t at which the carrier was emptied, 0 for none.
func (w *World) emptiedAfter(carrier event.Key, t event.Instant) event.Instant {
	agg := w.logs[event.KindCarrier][carrier]
	if agg == nil {
		return 0
	}
	for i := sort.Search(len(agg.own), func(i int) bool { return agg.own[i].At() > t }); i < len(agg.own); i++ {
		if !agg.own[i].Voided && holds[event.Emptied](agg.own[i].Facts) {
			return agg.own[i].At()
		}
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
		if a := w.logs[member.Kind][member.Key]; a != nil && member.Kind == event.KindTube {
			w.indexStay(m, member, a, carrier)
		}
	}
}

// bounds gives the stay in one carrier by the thing's own steps and whether it lasts.
func bounds(self Target, own []Step, carrier event.Key) (s stay, inside bool) {
	for i := range own {
		if own[i].Voided {
			continue
		}
		at := own[i].At()
		for _, fact := range own[i].Facts {
			p, packs := fact.(event.Packed)
			switch {
			case packs && !enterable(self, p.Carrier):
			case packs && p.Carrier == carrier:
				s.lastIn, inside = at, true
			case inside && packs, inside && leavesCarrier([]event.Fact{fact}):
				s.out, inside = at, false
			}
		}
	}
	return s, inside
}

// everIn is bounds of a tube some of whose steps were taken back: before the void it
// was inside by them, and whoever asks for that instant must find it.
func everIn(self Target, records []*event.Record, carrier event.Key) (s stay, inside bool) {
	for _, rec := range records {
		for _, fact := range rec.Facts {
			if p, packs := fact.(event.Packed); packs && p.Carrier == carrier && enterable(self, carrier) {
				s.lastIn, inside = rec.Occurred, true
			}
		}
	}
	return s, inside
}

// enterable: nothing goes into itself or into nothing.
func enterable(self Target, carrier event.Key) bool {
	return carrier != "" && self != Target{event.KindCarrier, carrier}
}

// leavesCarrier: facts after which a thing is never inside its carrier. Others
// may take it out too; it then only stays longer among what is looked at again.
func leavesCarrier(facts []event.Fact) bool {
	for _, f := range facts {
		switch f.(type) {
		case event.Unpacked, event.Received, event.Disposed, event.Stored:
			return true
		}
	}
	return false
}

func (m *membership) close(at event.Instant) {
	for t, s := range m.open {
		if t.Kind == event.KindTube && s.lastIn < at {
			s.out = at
			delete(m.open, t)
			m.closed[t] = s
			m.lastOut = max(m.lastOut, at)
		}
	}
}

// inside lists what may be in the carrier at or after t. What enters later counts
// too: in which carrier this one then is depends on facts before.
func (m *membership) inside(t event.Instant) []Target {
	if m == nil {
		return nil
	}
	var out []Target
	for member := range m.open {
		out = append(out, member)
	}
	if t <= m.lastOut {
		for member, s := range m.closed {
			if t <= s.out {
				out = append(out, member)
			}
		}
	}
	return out
}

func (m *membership) all() []Target {
	if m == nil {
		return nil
	}
	return slices.AppendSeq(slices.Collect(maps.Keys(m.open)), maps.Keys(m.closed))
}

// reach collects aggregates once each.
type reach struct {
	w    *World
	seen map[Target]struct{}
	at   event.Instant // what left a carrier before this can't be changed; 0: look at all
}

// touched lists what a record may change. Moved are the places from which a shortest
// way is another one than before.
func (w *World) touched(self Target, rec, replaced *event.Record, agg *aggregate, last bool, moved []string) []Target {
	// A courier's scan of a box says of an earlier one of a tube whether they took both.
	r := &reach{w: w, seen: make(map[Target]struct{}, 4), at: rec.Occurred - oneTaking}
	if agg.voids || !last || holds[event.CarrierDescribed](rec.Facts) {
		r.at = 0
	}
	r.add(self)
	records := agg.records
	if replaced != nil {
		records = append(records[:len(records):len(records)], replaced)
	}
	switch self.Kind {
	case event.KindTube:
		r.related(rec.Facts)
		if replaced != nil {
			r.related(replaced.Facts)
		}
		if holds[event.Voided](rec.Facts) || replaced != nil && holds[event.Voided](replaced.Facts) {
			for _, o := range records {
				r.related(o.Facts)
			}
		}
	case event.KindRequest:
		r.tubes(w.byRequest[self.Key])
	case event.KindDraw:
		r.tubes(w.byDraw[self.Key])
		for _, o := range records {
			if f, ok := first[event.RecollectionAsked](o.Facts); ok {
				for _, tube := range f.Tubes {
					r.add(Target{event.KindTube, tube})
				}
			}
		}
	case event.KindPlace, event.KindPerson:
		r.place(self.Key) // whether a release named a place or a person decides who holds the tube
	case event.KindRoute:
		r.route(self.Key, records, moved)
	case event.KindPatient:
		references := []string{self.Key.Label()}
		for _, o := range records {
			if f, ok := first[event.IdentityMerged](o.Facts); ok {
				references = append(references, f.Into)
			}
		}
		if len(references) > 1 {
			r.patient(references)
		}
	case event.KindLogger:
		for _, o := range records {
			if f, ok := first[event.LoggerAttached](o.Facts); ok {
				r.carried(attachedTo(f))
			}
		}
	}
	r.counts()
	return slices.SortedFunc(maps.Keys(r.seen), compareTargets)
}

// counts adds the carriers that were counted and may hold what is reached already,
// directly or not: a count is compared with what was scanned in.
func (r *reach) counts() {
	if !r.w.counting {
		return
	}
	looked := make(map[Target]struct{})
	var outward func(t Target)
	outward = func(t Target) {
		agg := r.w.logs[t.Kind][t.Key]
		if _, done := looked[t]; done || agg == nil {
			return
		}
		looked[t] = struct{}{}
		if t.Kind == event.KindTube {
			for _, rec := range agg.records {
				if f, ok := first[event.SameMaterialAs](rec.Facts); ok {
					outward(Target{event.KindTube, f.Tube}) // it may still be where it got its new number
				}
			}
		}
		for _, key := range agg.packed {
			carrier := Target{event.KindCarrier, key}
			if c := r.w.logs[event.KindCarrier][key]; c != nil && c.counts {
				r.seen[carrier] = struct{}{}
			}
			outward(carrier)
		}
	}
	for t := range maps.Clone(r.seen) {
		if t.Kind == event.KindTube || t.Kind == event.KindCarrier {
			outward(t)
		}
	}
}

// route adds what a timetable says something of: what left on it, what was at its ends
// or at the end of a way that is now longer or shorter.
func (r *reach) route(key event.Key, records []*event.Record, moved []string) {
	r.at = 0
	for t := range r.w.onRoute[key] {
		r.add(t)
	}
	for _, o := range records {
		if f, ok := first[event.RouteDescribed](o.Facts); ok {
			r.place(placeKey(f.From))
			r.place(placeKey(f.To))
		}
	}
	for _, place := range moved {
		r.place(placeKey(place))
	}
}

func (r *reach) add(t Target) {
	if _, ok := r.seen[t]; ok || t.Key == "" {
		return
	}
	r.seen[t] = struct{}{}
	switch t.Kind {
	case event.KindTube:
		r.tubes(r.w.children[t.Key])
	case event.KindCarrier:
		members := r.w.members[t.Key]
		list := members.all
		if r.at != 0 {
			list = func() []Target { return members.inside(r.at) }
		}
		for _, m := range list() {
			r.add(m)
		}
	}
}

func (r *reach) tubes(set keySet) {
	for key := range set {
		r.add(Target{event.KindTube, key})
	}
}

// related adds what a tube's facts name: its material, its draw and its request.
func (r *reach) related(facts []event.Fact) {
	named := func(kind event.Kind, key event.Key) {
		if key != "" {
			r.seen[Target{kind, key}] = struct{}{}
		}
	}
	for _, fact := range facts {
		switch f := fact.(type) {
		case event.DerivedFrom:
			r.add(Target{event.KindTube, f.Parent})
		case event.SameMaterialAs:
			r.add(Target{event.KindTube, f.Tube})
		case event.SplitInto:
			for _, part := range f.Tubes {
				r.add(Target{event.KindTube, part})
			}
		case event.Collected:
			named(event.KindDraw, f.Draw)
			named(event.KindRequest, f.Request)
		case event.TubePrepared:
			named(event.KindRequest, f.Request)
		case event.Reidentified:
			named(event.KindRequest, f.Request)
		}
	}
}

// carried adds all that may have been where a logger is.
func (r *reach) carried(t Target) {
	if t.Kind == event.KindPlace {
		r.place(t.Key)
		return
	}
	r.at = 0
	r.add(t)
}

func (r *reach) place(key event.Key) {
	r.at = 0
	for t := range r.w.scannedAt[key] {
		r.add(t)
	}
}
