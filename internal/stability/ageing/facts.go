package ageing

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

var errNoReadings = errors.New("read: no readings; give at least one")

// Read adds readings of one logger, in any order, new or late, and repeated or not.
// Only accounts are touched that meet a level by them or no longer meet one, and
// the tubes that came or went after the instant up to which nothing changed.
func (e *Engine) Read(series int32, readings ...event.Reading) error {
	if series < 0 || int(series) >= len(e.series) {
		return fmt.Errorf("read: series %d is not known; add it first", series)
	}
	if len(readings) == 0 {
		return errNoReadings
	}
	first, last := readings[0].At, readings[0].At
	for _, r := range readings[1:] {
		first, last = min(first, r.At), max(last, r.At)
	}
	s := e.series[series]
	from, ok := s.Before(first)
	if !ok {
		from = first
	}
	until, ok := s.After(last)
	if !ok {
		until = math.MaxInt64
	}
	for _, id := range e.uses[series] {
		e.holdOn(&e.sources[id], from)
	}
	s.Add(readings...)
	e.asking, e.windows = e.asking[:0], e.windows[:0]
	for _, id := range e.uses[series] {
		if w, ok := e.sources[id].reads(s, window{from, until}); ok {
			e.asking, e.windows = append(e.asking, id), append(e.windows, w)
		}
	}
	e.revise(e.asking, e.windows, last)
	return nil
}

// Change tells that the layer of a source is another one from an instant until the
// next change: the box was put into another van. Tubes that lie in it are not
// touched, but for those that came after the instant. One instant has one change.
func (e *Engine) Change(source int32, at event.Instant, l Layer) error {
	if source < 0 || int(source) >= len(e.sources) {
		return fmt.Errorf("change: source %d is not known; add it first", source)
	}
	made, newest, err := e.layer(l)
	if err != nil {
		return err
	}
	s := &e.sources[source]
	k := s.layerAt(at)
	if s.layers[k].From == at {
		return fmt.Errorf("change: source %d changes at %d already; take that change back first", source, at)
	}
	e.holdOn(s, at)
	made.From, made.To = at, s.layers[k].To
	s.layers[k].To = at
	s.layers = slices.Insert(s.layers, k+1, made)
	e.ask(source, l)
	e.revise([]int32{source}, []window{{at, made.To}}, max(at, newest))
	return nil
}

// Reread tells that a series was made anew, or is drawn in another way than before: what
// rests on it is worked out again, all of it.
func (e *Engine) Reread(series int32) error {
	if series < 0 || int(series) >= len(e.series) {
		return fmt.Errorf("reread: series %d is not known; add it first", series)
	}
	e.asking, e.windows = append(e.asking[:0], e.uses[series]...), e.windows[:0]
	for _, id := range e.asking {
		s := &e.sources[id]
		from := s.watermark
		if len(s.marks) > 0 {
			from = min(from, s.marks[0])
		}
		if len(s.touches) > 0 {
			from = min(from, s.touches[0].at)
		}
		e.windows = append(e.windows, window{from - 1, math.MaxInt64})
	}
	last, _ := e.series[series].Newest()
	e.revise(e.asking, e.windows, last)
	return nil
}

// Unchange takes a change back.
func (e *Engine) Unchange(source int32, at event.Instant) error {
	if source < 0 || int(source) >= len(e.sources) {
		return fmt.Errorf("unchange: source %d is not known; add it first", source)
	}
	s := &e.sources[source]
	k := s.layerAt(at)
	if k == 0 || s.layers[k].From != at {
		return fmt.Errorf("unchange: source %d has no change at %d; give the instant as it was told", source, at)
	}
	e.holdOn(s, at)
	until := s.layers[k].To
	s.layers[k-1].To = until
	s.layers = slices.Delete(s.layers, k, k+1)
	e.revise([]int32{source}, []window{{at, until}}, at)
	return nil
}

// window is the time in which rates may have changed, ends excluded. Clock values
// after it changed all by the same.
type window struct{ from, until event.Instant }

// changes reports whether a window changes what is kept of a tube in a source: the
// use of a closed stay that overlaps it, or the base of an open one that began
// after its start. One that began before keeps its base and its keys.
func (w window) changes(t *tube, source int32) bool {
	for i, m := range t.moves {
		if m.Source != source {
			continue
		}
		if open := i+1 == len(t.moves); open {
			if m.At > w.from {
				return true
			}
		} else if m.At < w.until && t.moves[i+1].At > w.from {
			return true
		}
	}
	return false
}

// revise takes note of facts that changed in some sources within a window each,
// with the latest of them at `last`. All clocks are brought up to date before any account is looked
// at: a tube may have been in one of the sources and be in another now.
func (e *Engine) revise(sources []int32, windows []window, last event.Instant) {
	e.fired = 0
	e.round++
	for n, id := range sources {
		s := &e.sources[id]
		s.watermark = max(s.watermark, last)
		e.stale(id)
		if !s.runs() {
			continue
		}
		s.reading = true
		if s.late = windows[n].from < s.head; s.late {
			e.rollBack(s, windows[n].from)
		}
		e.forward(s, s.seal(s.head))
		e.present(s)
		s.reading = false
		// A reading that ends no line is first seen in the ms behind it.
		last, ok := e.lastOf(s)
		s.unseen = len(s.views) > 0 && (!ok || !last.Reading1)
	}
	for n, id := range sources {
		if e.sources[id].late {
			e.sources[id].late = false
			e.lookAgain(id, windows[n])
		}
	}
	// A value taken after its start rested on what has changed: settle it.
	for n, id := range sources {
		s, w := &e.sources[id], windows[n]
		for i := len(s.touches) - 1; i >= 0 && s.touches[i].at > w.from; i-- {
			if s.touches[i].tube == nowhere {
				continue
			}
			if t := &e.tubes[s.touches[i].tube]; t.round != e.round && w.changes(t, id) {
				t.round = e.round
				e.derive(s.touches[i].tube)
				e.wake(s.touches[i].tube)
			}
		}
	}
	for _, id := range sources {
		e.tell(id)
		e.fireAll(id)
	}
}

// Advance lets time pass up to now in every source, and forgets idle clocks.
func (e *Engine) Advance(now event.Instant) {
	for i := range e.sources {
		s := &e.sources[i]
		s.dropIdle()
		e.fired = 0
		e.raise(int32(i), now)
	}
}

func (e *Engine) raise(id int32, to event.Instant) {
	s := &e.sources[id]
	if to <= s.watermark {
		return
	}
	s.watermark, s.reading, s.unseen = to, s.unseen, false
	e.present(s)
	s.reading = false
	e.tell(id)
	e.fireAll(id)
	e.stale(id)
}

// Move tells moves of a tube, in any order; what is told twice changes nothing.
func (e *Engine) Move(id int32, moves ...Move) error {
	for _, m := range moves {
		if err := e.knows(id, m.Source); err != nil {
			return err
		}
	}
	e.suspend(id)
	for _, m := range moves {
		e.insert(id, m)
	}
	e.derive(id)
	return nil
}

func (e *Engine) insert(id int32, m Move) {
	t := &e.tubes[id]
	i, found := slices.BinarySearchFunc(t.moves, m, Move.order)
	if found {
		return
	}
	if i < len(t.moves) {
		e.boundary(id, i, false)
	}
	t.moves = slices.Insert(t.moves, i, m)
	e.boundary(id, i, true)
	if i+1 < len(t.moves) {
		e.boundary(id, i+1, true)
	}
	if m.Source != Ended {
		e.raise(m.Source, m.At)
	}
}

// Unmove takes a move back.
func (e *Engine) Unmove(id int32, m Move) error {
	if err := e.knows(id, m.Source); err != nil {
		return err
	}
	t := &e.tubes[id]
	i, found := slices.BinarySearchFunc(t.moves, m, Move.order)
	if !found {
		return fmt.Errorf("unmove: tube %d has no such move; give the instant and the source as they were told", id)
	}
	e.suspend(id)
	e.boundary(id, i, false)
	if i+1 < len(t.moves) {
		e.boundary(id, i+1, false)
	}
	t.moves = slices.Delete(t.moves, i, i+1)
	if i < len(t.moves) {
		e.boundary(id, i, true)
	}
	e.derive(id)
	return nil
}

func (e *Engine) knows(id, source int32) error {
	if id < 0 || int(id) >= len(e.tubes) {
		return fmt.Errorf("tube %d is not known; add it first", id)
	}
	if source < Ended || int(source) >= len(e.sources) {
		return fmt.Errorf("source %d is not known; add it first, or give Ended", source)
	}
	return nil
}

// boundary adds or removes the touches of move i in the source that it leaves and
// in the one that it enters.
func (e *Engine) boundary(id int32, i int, add bool) {
	moves := e.tubes[id].moves
	at, entered, left := moves[i].At, moves[i].Source, int32(Ended)
	if i > 0 {
		left = moves[i-1].Source
	}
	for _, source := range [2]int32{left, entered} {
		if source == Ended {
			continue
		}
		s := &e.sources[source]
		k := sort.Search(len(s.touches), func(k int) bool { return s.touches[k].at > at })
		if add {
			s.touches = slices.Insert(s.touches, k, touch{at, id})
			continue
		}
		for k--; s.touches[k].tube != id; k-- { // of one instant in any order
		}
		s.touches[k].tube = nowhere
		if s.holes++; 2*s.holes > len(s.touches) {
			s.touches = slices.DeleteFunc(s.touches, func(t touch) bool { return t.tube == nowhere })
			s.holes = 0
		}
	}
}

// suspend takes the accounts of a tube off their clocks.
func (e *Engine) suspend(id int32) {
	t := &e.tubes[id]
	source := t.source()
	for k := t.accounts; k < t.accounts+t.n; k++ {
		a := &e.accounts[k]
		if !a.open {
			continue
		}
		s := &e.sources[source]
		c := &s.clocks[s.clockOf[a.curve]]
		e.leave(c, k)
		c.open--
		a.open = false
	}
	e.lookAway(t)
}

// derive gives the accounts of a tube their values anew, from its moves.
func (e *Engine) derive(id int32) {
	e.suspend(id)
	t := &e.tubes[id]
	for k := t.accounts; k < t.accounts+t.n; k++ {
		a := &e.accounts[k]
		a.closed, a.base = Use{}, Use{}
		for i, m := range t.moves {
			if m.Source == Ended {
				continue
			}
			s := &e.sources[m.Source]
			if i+1 < len(t.moves) {
				a.closed = a.closed.plus(e.between(s, a.curve, m.At, t.moves[i+1].At))
				continue
			}
			c := e.clock(s, a.curve)
			a.base, a.open = e.at(s, c, m.At), true
			s.clocks[c].open++
		}
		e.reassess(k)
	}
	e.lookOver(id)
	if source := t.source(); source != Ended {
		e.stale(source)
	}
}

// between gives the use of [from, to) in a source: a difference of its clock, or
// added up where no clock runs.
func (e *Engine) between(s *ThermalSource, curve int32, from, to event.Instant) Use {
	if from == to {
		return Use{}
	}
	if int(curve) < len(s.clockOf) && s.clockOf[curve] != nowhere {
		k := s.clockOf[curve]
		return e.at(s, k, to).minus(e.at(s, k, from))
	}
	return e.stretch(s, curve, from, to)
}

func (e *Engine) watermarkOf(id int32) event.Instant {
	if source := e.tubes[id].source(); source != Ended {
		return e.sources[source].watermark
	}
	if m := e.tubes[id].moves; len(m) > 0 {
		return m[len(m)-1].At
	}
	return 0
}
