package custody

import (
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

// membership is what ever was put into one carrier.
type membership struct {
	carrier event.Key
	list    []*aggregate  // each once, and those that went to rest since
	open    []*aggregate  // those whose stay lasts, each once, and others whose stay did
	gone    int           // of list, those that went to rest
	left    int           // of open, the others
	lastOut event.Instant // latest end of a stay
}

// packing is how long a thing was in one carrier by its own facts.
type packing struct {
	in *membership
	stay
	known  bool // it was ever inside
	lasts  bool // it may be inside still; out doesn't count then
	listed bool // it stands in the list of in
	opened bool // it stands in what is open of in
}

// stay bounds the time a thing spent in one carrier by its own facts.
type stay struct {
	lastIn, out event.Instant
	inside      bool // nothing of its own ended it; an emptied carrier may have
}

// packed gives the packing into a carrier, nil if it was never said of the thing. It is good
// until there is another one.
func (a *aggregate) packed(carrier event.Key) *packing {
	for i := range a.packings {
		if p := &a.packings[i]; p.in.carrier == carrier {
			return p
		}
	}
	return nil
}

// membersOf gives the members of a carrier, none yet if nothing was ever put into it.
func (w *World) membersOf(carrier event.Key) *membership {
	return entry(w.members, carrier, membership{carrier: carrier})
}

// indexStays keeps the bounds of what is inside which carrier.
func (w *World) indexStays(self Target, rec *event.Record, agg *aggregate, last bool) {
	if self.Kind != event.KindTube && self.Kind != event.KindCarrier {
		return
	}
	if self.Kind == event.KindCarrier {
		if m := w.members[self.Key]; m != nil {
			w.indexEmptied(m, rec, agg, last)
		}
	}
	for _, f := range rec.Facts {
		if p, ok := f.(event.Packed); ok && p.Carrier != "" && agg.packed(p.Carrier) == nil {
			agg.packings = append(agg.packings, packing{in: w.membersOf(p.Carrier)})
		}
	}
	if len(agg.packings) == 0 || last && !agg.voids && !holds[event.Packed](rec.Facts) && !leavesCarrier(rec.Facts) {
		return
	}
	goesOn := last && agg.newStep(rec)
	for i := range agg.packings {
		p := &agg.packings[i]
		if !goesOn {
			w.indexStay(agg, p)
			continue
		}
		s := p.stay
		if p.lasts {
			s.out = 0
		}
		s.step(self, p.in.carrier, rec.Occurred, rec.Facts)
		w.setStay(agg, p, s)
	}
}

func (w *World) indexStay(agg *aggregate, p *packing) {
	if agg.self.Kind == event.KindTube && agg.voids {
		w.setStay(agg, p, everIn(agg.self, agg.all(), p.in.carrier))
	} else {
		w.setStay(agg, p, bounds(agg.self, foldSteps(agg.self.Kind, agg), p.in.carrier))
	}
}

// newStep reports whether the last record of an aggregate, which was noted just now, is a
// step of its own. It says no also where that can't be told without a look at what is pressed.
func (a *aggregate) newStep(rec *event.Record) bool {
	from := rec.Occurred - repeatOtherSource
	switch {
	case a.voids:
		return false
	case a.boxed != nil:
		return len(a.own) > 0 && a.own[len(a.own)-1].Record == rec
	case !a.again || !mayRepeat(a.self.Kind, rec):
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
func (w *World) setStay(agg *aggregate, p *packing, s stay) {
	lasts := s.inside
	if lasts && agg.self.Kind == event.KindTube {
		if at := w.emptiedAfter(p.in.carrier, s.lastIn); at != 0 {
			s.out, lasts = at, false
		}
	}
	p.stay, p.known = s, lasts || s.lastIn != 0
	p.stands(agg, lasts)
}

// stands notes whether a stay lasts, and has the lists of the carrier say so.
func (p *packing) stands(agg *aggregate, lasts bool) {
	m := p.in
	if p.known && !p.listed {
		p.listed = true
		m.list = append(m.list, agg)
	}
	switch {
	case lasts && !p.lasts && p.opened:
		m.left--
	case lasts && !p.lasts:
		p.opened = true
		m.open = append(m.open, agg)
	case !lasts && p.lasts:
		m.left++
	}
	if p.lasts = lasts; !lasts && p.known {
		m.lastOut = max(m.lastOut, p.out)
	}
	m.tidy()
}

// leave takes a thing that goes to rest out of the carriers that it was in.
func (p *packing) leave() {
	if p.listed {
		p.in.gone++
	}
	if p.opened && p.lasts {
		p.in.left++
	}
	p.in.tidy()
}

// tidy makes the lists anew when most of what stands in them is there no more.
func (m *membership) tidy() {
	if 2*m.gone > len(m.list) {
		m.list, m.gone = filtered(m.list, len(m.list)-m.gone, func(agg *aggregate) bool { return !agg.gone }), 0
	}
	if 2*m.left > len(m.open) {
		m.open, m.left = filtered(m.open, len(m.open)-m.left, func(agg *aggregate) bool {
			if agg.gone {
				return false
			}
			p := agg.packed(m.carrier)
			p.opened = p.lasts
			return p.lasts
		}), 0
	}
}

// filtered gives the n elements of a list that are kept.
func filtered[T any](list []T, n int, kept func(T) bool) []T {
	out := make([]T, 0, n)
	for _, x := range list {
		if kept(x) {
			out = append(out, x)
		}
	}
	return out
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
func (w *World) indexEmptied(m *membership, rec *event.Record, agg *aggregate, last bool) {
	if last && !agg.voids {
		if n := len(agg.own) - 1; agg.own[n].Record == rec && holds[event.Emptied](rec.Facts) {
			m.close(rec.Occurred)
		}
		return
	}
	for _, member := range m.all() {
		if member.self.Kind == event.KindTube {
			w.indexStay(member, member.packed(m.carrier))
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
	for _, t := range slices.Clone(m.open) {
		if t.gone || t.self.Kind != event.KindTube {
			continue
		}
		if p := t.packed(m.carrier); p.lasts && p.lastIn < at {
			p.out = at
			p.stands(t, false)
		}
	}
}

// inside lists what may be in the carrier at or after t. What enters later counts
// too: in which carrier this one then is depends on facts before.
func (m *membership) inside(t event.Instant) []*aggregate {
	if m == nil {
		return nil
	}
	list := m.open
	if t <= m.lastOut {
		list = m.list
	}
	return m.which(list, func(p *packing) bool { return p.lasts || t <= p.out })
}

// all lists what was ever in the carrier.
func (m *membership) all() []*aggregate {
	if m == nil {
		return nil
	}
	return m.which(m.list, func(*packing) bool { return true })
}

func (m *membership) which(list []*aggregate, f func(*packing) bool) (out []*aggregate) {
	for _, agg := range list {
		if agg.gone {
			continue
		}
		if p := agg.packed(m.carrier); p.known && f(p) {
			out = append(out, agg)
		}
	}
	return out
}
