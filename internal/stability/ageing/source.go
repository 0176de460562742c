package ageing

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

const (
	// every is how many segments lie between two checkpoints.
	every = 16
	// silentMs is how long a logger may be silent before the others of its source
	// no longer wait for it: its next reading then counts as a late one.
	silentMs = 60 * 60_000
)

// ThermalSource is what a set of tubes shares: for every time a layer of loggers in
// order of preference and what is declared where none of them has a value. A box
// that goes from a van into a room is one source whose layer changes; the tubes in
// it stay where they are.
type ThermalSource struct {
	layers    []thermal.Layer // all time, in order, without a hole
	clocks    []Clock
	clockOf   []int32 // by curve, nowhere for none
	marks     []event.Instant
	since     int           // segments since the last mark
	head      event.Instant // the clocks' head values hold here; nothing in order changes them
	watermark event.Instant // levels are announced up to here
	touches   []touch       // sorted by instant
	holes     int           // of them: what is taken out leaves one, until half of them are
	silent    event.Instant // silentMs, shorter in tests
	views     []view
	viewOf    []int32       // by scale, nowhere for none
	alarm     event.Instant // next instant at which time alone changes something, never for none
	aged      bool          // the alarm must be worked out again
	waits     bool          // stands in Engine.unfired
	pruned    bool          // checkpoints were forgotten
	reading   bool          // readings are being taken in
	late      bool          // and they came late
	unseen    bool          // the last of them has not been seen yet
}

// runs reports whether anything rests on the source.
func (s *ThermalSource) runs() bool { return len(s.clocks) > 0 || len(s.views) > 0 }

// touch says that a tube came into the source or left it at an instant; tube is nowhere
// where that was taken back, so that a drop doesn't move all that came after.
type touch struct {
	at   event.Instant
	tube int32
}

// Clock is F of one source and one curve: the integral of the rate from an
// anchor on. Checkpoints lie at the marks of the source from number first on.
type Clock struct {
	curve  int32
	first  int
	values []Use // at marks[first:]
	head   Use   // at the head of the source
	now    Use   // at the watermark of the source
	open   int   // accounts that run on this clock

	next [2]queue // by the key of the next level: upper, lower
	met  [2]queue // by the negative key of the last level met: upper, lower
}

// segments covers [from, to) of the source. The result is good until the next call.
func (e *Engine) segments(s *ThermalSource, from, to event.Instant) []thermal.Segment {
	if from >= to {
		return nil
	}
	e.scratch = thermal.Build(e.scratch[:0], s.layers[s.layerAt(from):], from, to)
	return e.scratch
}

// layerAt gives the index of the layer that holds at an instant.
func (s *ThermalSource) layerAt(t event.Instant) int {
	k := len(s.layers) - 1
	for s.layers[k].From > t {
		k--
	}
	return k
}

// reads clips a window to the time in which a layer of the source asks a series;
// ok is false where none does: a van goes on reading when the box has left it.
func (s *ThermalSource) reads(series *thermal.Series, w window) (clipped window, ok bool) {
	clipped = window{math.MaxInt64, math.MinInt64}
	for i := len(s.layers) - 1; i >= 0 && s.layers[i].To > w.from; i-- {
		l := &s.layers[i]
		from, until := max(w.from, l.From), min(w.until, l.To)
		if from < until && slices.Contains(l.Series, series) {
			clipped = window{min(clipped.from, from), max(clipped.until, until)}
		}
	}
	return clipped, clipped.from < clipped.until
}

// stretch gives the use of [from, to) on a curve, without any clock.
func (e *Engine) stretch(s *ThermalSource, curve int32, from, to event.Instant) (sum Use) {
	c := e.curves[curve]
	segs := e.segments(s, from, to)
	e.counts.Looked += int64(len(segs))
	e.counts.Longest = max(e.counts.Longest, int64(len(segs)))
	for i := range segs {
		sum = sum.plus(c.Over(&segs[i]))
	}
	return sum
}

// at gives the value of clock k at an instant. Where that lies before the clock's
// anchor, the clock is extended backwards with smaller values, so that no value
// that anybody keeps changes.
func (e *Engine) at(s *ThermalSource, k int32, t event.Instant) Use {
	c := &s.clocks[k]
	if t >= s.head {
		return c.head.plus(e.stretch(s, c.curve, s.head, t))
	}
	if t < s.marks[0] {
		s.marks = slices.Insert(s.marks, 0, t)
		for i := range s.clocks {
			s.clocks[i].first++
		}
	}
	m := s.markBefore(t)
	for c.first > m {
		before := c.values[0].minus(e.stretch(s, c.curve, s.marks[c.first-1], s.marks[c.first]))
		c.values = slices.Insert(c.values, 0, before)
		c.first--
		e.counts.Extended++
	}
	return c.values[m-c.first].plus(e.stretch(s, c.curve, s.marks[m], t))
}

// markBefore gives the last mark at or before t, -1 for none.
func (s *ThermalSource) markBefore(t event.Instant) int {
	return sort.Search(len(s.marks), func(i int) bool { return s.marks[i] > t }) - 1
}

// clock gives the clock of a curve, made and anchored at the last mark when there is none.
func (e *Engine) clock(s *ThermalSource, curve int32) int32 {
	for int(curve) >= len(s.clockOf) {
		s.clockOf = append(s.clockOf, nowhere)
	}
	if k := s.clockOf[curve]; k != nowhere {
		return k
	}
	s.start()
	m := len(s.marks) - 1
	c := Clock{curve: curve, first: m, values: []Use{e.anchor}}
	c.head = e.anchor.plus(e.stretch(s, curve, s.marks[m], s.head))
	c.now = c.head.plus(e.stretch(s, curve, s.head, s.watermark))
	for side := range c.next {
		c.next[side].which, c.met[side].which = side, 2+side
	}
	k := int32(len(s.clocks))
	s.clocks, s.clockOf[curve] = append(s.clocks, c), k
	return k
}

// start lays the head where nothing in order changes any more, when nothing runs yet.
func (s *ThermalSource) start() {
	if !s.runs() {
		s.head, s.since = s.seal(s.watermark), 0
		s.marks, s.pruned = append(s.marks[:0], s.head), false
	}
}

// dropIdle forgets the clocks and views on which nothing runs. Closed stays are added up
// from the readings when they are needed.
func (s *ThermalSource) dropIdle() {
	s.dropViews()
	for k := 0; k < len(s.clocks); {
		if s.clocks[k].open > 0 {
			k++
			continue
		}
		last := len(s.clocks) - 1
		s.clockOf[s.clocks[k].curve] = nowhere
		if k != last {
			s.clocks[k] = s.clocks[last]
			s.clockOf[s.clocks[k].curve] = int32(k)
		}
		s.clocks[last] = Clock{}
		s.clocks = s.clocks[:last]
	}
}

// seal gives the instant up to which readings in order change nothing any more,
// or `without` where no logger of the present layer has read yet. It is never past
// the watermark: loggers read on while nothing asks them.
func (s *ThermalSource) seal(without event.Instant) event.Instant {
	var latest event.Instant
	found := false
	series := s.layers[len(s.layers)-1].Series
	for _, r := range series {
		if at, ok := r.Newest(); ok && (!found || at > latest) {
			latest, found = at, true
		}
	}
	if !found {
		return without
	}
	sealed := latest
	for _, r := range series {
		if at, ok := r.Newest(); ok && at >= latest-s.silent {
			sealed = min(sealed, at)
		}
	}
	return min(sealed, s.watermark)
}

// rollBack takes the clocks back to the last checkpoint at or before an instant
// after which facts have changed.
func (e *Engine) rollBack(s *ThermalSource, to event.Instant) {
	m := s.markBefore(to)
	if m < 0 {
		// Nothing that is kept was taken at or before this instant.
		m, s.marks = 0, append(s.marks[:0], to)
		for k := range s.clocks {
			s.clocks[k].first = 1
		}
	}
	for k := range s.clocks {
		c := &s.clocks[k]
		if c.first > m { // its anchor is gone, and with it every stay on this clock
			c.first, c.values = m, append(c.values[:0], e.anchor)
		} else {
			c.values = c.values[:m+1-c.first]
		}
		c.head = c.values[m-c.first]
	}
	s.marks = s.marks[:m+1]
	s.head, s.since = s.marks[m], 0
}

// forward brings the head to an instant.
func (e *Engine) forward(s *ThermalSource, to event.Instant) {
	segs := e.segments(s, s.head, to)
	for i := range segs {
		seg := &segs[i]
		s.since++
		mark := s.since == every
		if mark {
			s.since = 0
			s.marks = append(s.marks, seg.To)
		}
		for k := range s.clocks {
			c := &s.clocks[k]
			c.head = c.head.plus(e.curves[c.curve].Over(seg))
			if mark {
				c.values = append(c.values, c.head)
			}
		}
		for k := range s.views {
			e.see(&s.views[k], seg)
		}
		e.counts.Segments += int64(len(s.clocks))
		s.head = seg.To
	}
	e.prune(s)
}

// mostMarks bounds the checkpoints of a source, so that those of seven days of a reading a
// minute are always kept. Older values are worked out from the readings when somebody asks
// for them.
const mostMarks = 1024

// prune forgets the oldest third of the checkpoints when there are too many.
func (e *Engine) prune(s *ThermalSource) {
	if len(s.marks) <= cmp.Or(e.most, mostMarks) {
		return
	}
	cut := len(s.marks) / 3
	for k := range s.clocks {
		c := &s.clocks[k]
		if c.first < cut {
			c.values = slices.Delete(c.values, 0, cut-c.first)
			c.first = cut
		}
		c.first -= cut
	}
	s.marks = slices.Delete(s.marks, 0, cut)
	s.pruned = true
}

// holdOn makes the checkpoints again that a window will need, while the facts are still as
// they were when values were taken there.
func (e *Engine) holdOn(s *ThermalSource, from event.Instant) {
	if !s.pruned {
		return
	}
	for k := range s.clocks {
		if c := &s.clocks[k]; from < s.marks[c.first] {
			e.at(s, int32(k), from) //nolint:gosec // clocks of one source
		}
	}
}

// present brings the clocks' present value to the watermark. What lies after the
// last reading is provisional: it rests on the held value, then on what is declared.
func (e *Engine) present(s *ThermalSource) {
	segs := e.segments(s, s.head, s.watermark)
	e.counts.Segments += int64(len(segs) * len(s.clocks))
	for k := range s.clocks {
		c := &s.clocks[k]
		c.now = c.head
		for i := range segs {
			c.now = c.now.plus(e.curves[c.curve].Over(&segs[i]))
		}
	}
	for k := range s.views {
		e.seePresent(s, &s.views[k], segs)
	}
}
