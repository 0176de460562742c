package ageing

import (
	"fmt"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Not all that is said of a tube is a sum over ms: that its temperature was not known for
// a while, that a band was visited, that two readings in a row lay beyond an edge. What a
// stretch of time shows of this are signs. The tubes of a source that have seen the same
// stand in one group, so a reading looks at groups, and at tubes only where something
// else is to be said of them.

// Signs is a set of what a stretch of time shows. Sets are joined by or.
type Signs uint64

// Scale tells the signs of a rule's own scale of temperature. It isn't changed once added.
type Scale interface {
	// Sign is what a segment shows.
	Sign(seg *thermal.Segment) Signs
	// Standing is what its end shows of the present: where the tube stands.
	Standing(seg *thermal.Segment) Signs
	// Said keeps of what was seen only what changes what is said: of two sets that say the
	// same it gives the same.
	Said(seen Signs) Signs
}

// Sight is what to look for, for one tube on one scale, beside what it has not shown yet.
type Sight struct {
	Scale int32
	Again Signs // wakes the tube at every reading in whose stretch it shows
	Enter Signs // wakes it whenever it shows where it did not show just before
	Stand Signs // wakes it when one of these of the present becomes another
}

type sight struct {
	Sight
	tube  int32
	group int32 // of the view; nowhere while the tube is in no source
	place int32 // among its members
}

// view is a scale as it shows in one source.
type view struct {
	scale    int32
	open     int   // sights
	last     Signs // of the last settled segment
	ahead    Signs // of what lies between the head and the watermark
	begun    Signs // of it, what began there
	standing Signs
	groups   []group

	// Since the tubes were last told: what readings showed, what began. And where they stood then.
	shown, entered, stood Signs
}

// group are tubes of which the same was seen and that look for the same. Those that came
// after the head of the source stand apart by when they came: of what lies ahead they have
// seen only what came after them.
type group struct {
	from    event.Instant // 0: they came before the head
	seen    Signs         // up to the head of the source, or to from
	said    Signs         // of all that was seen, up to the watermark, when it was last told
	what    Sight
	members []int32 // sights
}

// AddScale adds a scale.
func (e *Engine) AddScale(s Scale) int32 {
	e.scales = append(e.scales, s)
	return int32(len(e.scales) - 1)
}

// Look says what to look for on behalf of a tube that is nowhere yet.
func (e *Engine) Look(id int32, sights ...Sight) error {
	if err := e.knows(id, Ended); err != nil {
		return err
	}
	t := &e.tubes[id]
	if len(t.moves) > 0 || t.ns > 0 {
		return fmt.Errorf("look: tube %d is on its way; say what to look for before its first move", id)
	}
	for i, s := range sights {
		if s.Scale < 0 || int(s.Scale) >= len(e.scales) {
			return fmt.Errorf("look: sight %d: scale %d is not known; add it first", i, s.Scale)
		}
	}
	n := len(sights)
	if free := e.freeSights[n]; len(free) > 0 {
		t.sights, e.freeSights[n] = free[len(free)-1], free[:len(free)-1]
	} else {
		t.sights = int32(len(e.sights))
		e.sights = append(e.sights, make([]sight, n)...)
	}
	t.ns = int32(n)
	for i, s := range sights {
		e.sights[int(t.sights)+i] = sight{Sight: s, tube: id, group: nowhere}
	}
	return nil
}

// Woken hands over tubes of which something else is to be said since they were last
// derived: at most n of them, each once.
func (e *Engine) Woken(n int) []int32 {
	n = min(n, len(e.woken))
	out := slices.Clone(e.woken[:n])
	if e.woken = e.woken[n:]; len(e.woken) == 0 {
		e.woken = nil
	}
	for _, id := range out {
		e.tubes[id].woken = false
	}
	return out
}

func (e *Engine) wake(id int32) {
	if t := &e.tubes[id]; !t.woken {
		t.woken, e.woken = true, append(e.woken, id)
	}
}

// lookAway takes a tube out of its groups.
func (e *Engine) lookAway(t *tube) {
	for k := t.sights; k < t.sights+t.ns; k++ {
		x := &e.sights[k]
		if x.group == nowhere {
			continue
		}
		s := &e.sources[t.source()]
		v := &s.views[s.viewOf[x.Scale]]
		g := &v.groups[x.group]
		last := len(g.members) - 1
		moved := g.members[last]
		g.members[x.place], e.sights[moved].place = moved, x.place
		g.members = g.members[:last]
		x.group = nowhere
		v.open--
	}
}

// lookOver puts a tube into the groups where it belongs, by its moves.
func (e *Engine) lookOver(id int32) {
	t := &e.tubes[id]
	for k := t.sights; k < t.sights+t.ns; k++ {
		x := &e.sights[k]
		scale := e.scales[x.Scale]
		var seen Signs
		for i, m := range t.moves {
			if m.Source == Ended {
				continue
			}
			s := &e.sources[m.Source]
			if i+1 < len(t.moves) {
				seen |= e.shows(s, scale, m.At, t.moves[i+1].At)
				continue
			}
			v := e.view(s, x.Scale)
			from := m.At
			if m.At <= s.head {
				seen |= e.shows(s, scale, m.At, s.head)
				from = 0
			}
			e.join(s, v, k, from, seen)
		}
	}
}

// shows gives the signs of [from, to) in a source.
func (e *Engine) shows(s *ThermalSource, scale Scale, from, to event.Instant) (seen Signs) {
	segs := e.segments(s, from, to)
	for i := range segs {
		seen |= scale.Sign(&segs[i])
	}
	return seen
}

// view gives the view of a scale, made when there is none.
func (e *Engine) view(s *ThermalSource, scale int32) int32 {
	for int(scale) >= len(s.viewOf) {
		s.viewOf = append(s.viewOf, nowhere)
	}
	if k := s.viewOf[scale]; k != nowhere {
		return k
	}
	s.start()
	v := view{scale: scale}
	e.seePresent(s, &v, e.segments(s, s.head, s.watermark))
	k := int32(len(s.views))
	s.views, s.viewOf[scale] = append(s.views, v), k
	return k
}

// join puts a sight into the group of a view that has seen the same and looks for the same.
func (e *Engine) join(s *ThermalSource, k, id int32, from event.Instant, seen Signs) {
	v, x := &s.views[k], &e.sights[id]
	said := e.saidOf(s, v, from, seen)
	n, empty := -1, -1
	for i := range v.groups {
		g := &v.groups[i]
		if g.from == from && g.seen == seen && g.said == said && g.what == x.Sight {
			n = i
			break
		}
		if len(g.members) == 0 && empty < 0 {
			empty = i
		}
	}
	switch {
	case n >= 0:
	case empty >= 0:
		n = empty
		v.groups[n] = group{from: from, seen: seen, said: said, what: x.Sight, members: v.groups[n].members}
	default:
		n = len(v.groups)
		v.groups = append(v.groups, group{from: from, seen: seen, said: said, what: x.Sight})
	}
	g := &v.groups[n]
	x.group, x.place = int32(n), int32(len(g.members))
	g.members = append(g.members, id)
	v.open++
}

// see takes note of a settled segment.
func (e *Engine) see(v *view, seg *thermal.Segment) {
	sign := e.scales[v.scale].Sign(seg)
	v.shown |= sign
	v.entered |= sign &^ v.last
	v.last = sign
	for i := range v.groups {
		if v.groups[i].from == 0 {
			v.groups[i].seen |= sign
		}
	}
}

// saidOf gives what is said of those who have seen so much, and what came since.
func (e *Engine) saidOf(s *ThermalSource, v *view, from event.Instant, seen Signs) Signs {
	scale := e.scales[v.scale]
	if from != 0 {
		return scale.Said(seen | e.shows(s, scale, from, s.watermark))
	}
	return scale.Said(seen | v.ahead)
}

// seePresent takes note of what lies between the head and the watermark.
func (e *Engine) seePresent(s *ThermalSource, v *view, segs []thermal.Segment) {
	scale := e.scales[v.scale]
	last := v.last
	was := v.begun
	v.ahead, v.begun, v.standing = 0, 0, 0
	for i := range segs {
		sign := scale.Sign(&segs[i])
		v.ahead |= sign
		v.begun |= sign &^ last
		last = sign
	}
	v.entered |= v.begun &^ was
	if s.reading {
		v.shown |= v.ahead
	}
	if n := len(segs); n > 0 {
		v.standing = scale.Standing(&segs[n-1])
	} else if seg, ok := e.lastOf(s); ok {
		v.standing = scale.Standing(&seg)
	}
}

// Present gives the signs of this moment in a source, on a scale: of the ms before its
// watermark and of the one behind it.
func (e *Engine) Present(source, scale int32) Signs {
	s := &e.sources[source]
	return e.shows(s, e.scales[scale], s.watermark-1, s.watermark+1)
}

// lastOf gives the segment that ends at the watermark.
func (e *Engine) lastOf(s *ThermalSource) (thermal.Segment, bool) {
	segs := e.segments(s, s.watermark-1, s.watermark)
	if len(segs) == 0 {
		return thermal.Segment{}, false
	}
	return segs[0], true
}

// tell wakes the tubes of a source of which something else is to be said.
func (e *Engine) tell(id int32) {
	s := &e.sources[id]
	for k := range s.views {
		v := &s.views[k]
		for i := range v.groups {
			g := &v.groups[i]
			if len(g.members) == 0 {
				continue
			}
			said := e.saidOf(s, v, g.from, g.seen)
			if said != g.said || v.shown&g.what.Again != 0 || v.entered&g.what.Enter != 0 || e.stands(v, g) {
				for _, m := range g.members {
					e.counts.Touched++
					e.wake(e.sights[m].tube)
				}
			}
			g.said = said
		}
		v.shown, v.entered, v.stood = 0, 0, v.standing
	}
}

func (e *Engine) stands(v *view, g *group) bool { return (v.standing^v.stood)&g.what.Stand != 0 }

// lookAgain works out anew what the tubes of a source have seen, after readings that
// came late: their evidence is another one in the window, whatever it now says.
func (e *Engine) lookAgain(id int32, w window) {
	s := &e.sources[id]
	var again []int32
	for k := range s.views {
		v := &s.views[k]
		v.last = 0
		for i := range v.groups {
			for _, m := range v.groups[i].members {
				tube := e.sights[m].tube
				t := &e.tubes[tube]
				if t.round != e.round && t.moves[len(t.moves)-1].At < w.until {
					t.round = e.round
					again = append(again, tube)
				}
			}
		}
	}
	for _, tube := range again {
		e.wake(tube)
		e.derive(tube)
	}
}

func (e *Engine) forgetSights(t *tube) {
	if t.ns > 0 {
		if e.freeSights == nil {
			e.freeSights = make(map[int][]int32)
		}
		e.freeSights[int(t.ns)] = append(e.freeSights[int(t.ns)], t.sights)
	}
	t.sights, t.ns = 0, 0
}

// dropViews forgets the views that nobody looks at.
func (s *ThermalSource) dropViews() {
	for k := 0; k < len(s.views); {
		if s.views[k].open > 0 {
			k++
			continue
		}
		last := len(s.views) - 1
		s.viewOf[s.views[k].scale] = nowhere
		if k != last {
			s.views[k] = s.views[last]
			s.viewOf[s.views[k].scale] = int32(k)
		}
		s.views[last] = view{}
		s.views = s.views[:last]
	}
}

// WakeTube puts a tube among those that Woken hands over.
func (e *Engine) WakeTube(id int32) {
	if id >= 0 && int(id) < len(e.tubes) {
		e.wake(id)
	}
}

// Hush takes back what was last announced of a tube, if nothing else was since.
func (e *Engine) Hush(id int32) {
	for n := len(e.said); n > 0 && e.said[n-1].Tube == id; n-- {
		e.said = e.said[:n-1]
	}
}
