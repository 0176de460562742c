package main

import (
	"specimen.example/custody/internal/stability/ageing"
	"specimen.example/custody/internal/thermal"
)

// loop is the naive way: the use of every test of every tube, by source, in one array,
// and one increment for each at every reading. It looks at no limit, knows nothing of
// late facts and says nothing, so it is cheaper than what could stand in for the engine.
type loop struct {
	tests   int   // of a tube: 34 on 25 accounts, the mean that the house's study measured
	first   []int // of each tube: its place in its source
	sources []bay
	rates   []ageing.Use // scratch
}

// bay is a source of the loop: tubes one after the other, each with its tests.
type bay struct {
	tubes  []int32
	uses   []ageing.Use
	curves []int32
}

// newLoop holds what the fleet holds, nothing used yet.
func newLoop(f *fleet) loop {
	l := loop{tests: (f.accounts*34 + 24) / 25, first: make([]int, f.tubes), sources: make([]bay, f.sources), rates: make([]ageing.Use, len(f.curves))}
	in := f.tubes / f.sources
	for s := range l.sources {
		l.sources[s] = bay{make([]int32, 0, in), make([]ageing.Use, 0, in*l.tests), make([]int32, 0, in*l.tests)}
	}
	for n, source := range f.in {
		s := &l.sources[source]
		l.first[n] = len(s.tubes)
		s.tubes = append(s.tubes, int32(n))
		for j := range l.tests {
			s.uses = append(s.uses, ageing.Use{})
			s.curves = append(s.curves, int32(f.curve(n/f.sources, j%f.accounts)))
		}
	}
	return l
}

// add adds the use of a segment to every test of a source.
func (l *loop) add(source int, seg *thermal.Segment, curves []*ageing.RateCurve) {
	for k, c := range curves {
		l.rates[k] = c.Over(seg)
	}
	s := &l.sources[source]
	uses := s.uses[:len(s.curves)]
	for i, k := range s.curves {
		r := &l.rates[k]
		uses[i].Upper += r.Upper
		uses[i].Lower += r.Lower
	}
}

// move takes a tube into another source. Its tests get what the held value of the old
// one used since its last reading, and owe what the new one had used until now.
func (l *loop) move(tube, from, to int32, left, entered *thermal.Segment, curves []*ageing.RateCurve) {
	a, b := &l.sources[from], &l.sources[to]
	at, place := l.first[tube], len(b.tubes)
	b.tubes = append(b.tubes, tube)
	for j := at * l.tests; j < (at+1)*l.tests; j++ {
		u, c := a.uses[j], a.curves[j]
		x, y := curves[c].Over(left), curves[c].Over(entered)
		b.uses = append(b.uses, ageing.Use{Upper: u.Upper + x.Upper - y.Upper, Lower: u.Lower + x.Lower - y.Lower})
		b.curves = append(b.curves, c)
	}
	last := len(a.tubes) - 1
	copy(a.uses[at*l.tests:], a.uses[last*l.tests:])
	copy(a.curves[at*l.tests:], a.curves[last*l.tests:])
	a.tubes[at] = a.tubes[last]
	l.first[a.tubes[at]] = at
	l.first[tube] = place // after the line above: it may have been the last one itself
	a.tubes, a.uses, a.curves = a.tubes[:last], a.uses[:last*l.tests], a.curves[:last*l.tests]
}

// one adds the use of a segment to the tests of one tube.
func (l *loop) one(tube int32, source int, seg *thermal.Segment, curves []*ageing.RateCurve) {
	s := &l.sources[source]
	for j := l.first[tube] * l.tests; j < (l.first[tube]+1)*l.tests; j++ {
		u := curves[s.curves[j]].Over(seg)
		s.uses[j].Upper += u.Upper
		s.uses[j].Lower += u.Lower
	}
}

// of gives the uses of the tests of a tube that has not moved.
func (l *loop) of(f *fleet, tube int32) []ageing.Use {
	at := l.first[tube]
	return l.sources[f.in[tube]].uses[at*l.tests : (at+1)*l.tests]
}
