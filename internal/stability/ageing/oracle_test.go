package ageing

import (
	"cmp"
	"slices"

	"specimen.example/custody/internal/event"
)

// The oracle counts every ms from the bare facts: it shares no code with the
// package or with thermal. One ms of a history stands for what is a minute in
// earnest, so that every ms can be counted; nothing in the package knows a scale.
// (That a ms counts whole, by the exact temperature at its start, is the judge's
// arithmetic: TestClocksCountAsTheJudge holds the clocks to the judge itself.)

type seriesFacts struct {
	gap, hold   event.Instant
	uncertainty event.CentiC
	readings    []event.Reading

	points []fact // of the readings, one by instant
}

type fact struct {
	at        event.Instant
	ok        bool
	low, high int64
}

type sourceFacts struct {
	layers    []layerFacts // the first since ever, the others in any order
	watermark event.Instant
}

type layerFacts struct {
	at event.Instant
	Layer
}

type curveFacts struct {
	steps   []Step
	unknown Use
}

type tubeFacts struct {
	moves   []Move
	watches []Watch
}

// world is the set of facts told so far.
type world struct {
	series  []seriesFacts
	sources []sourceFacts
	curves  []curveFacts
	levels  []Levels
	tubes   []tubeFacts
}

const (
	dawn = event.Instant(1000)
	dusk = event.Instant(1700)
)

// fold orders the readings; two values of one instant bound it, a fault counts
// only where there is no value.
func (s *seriesFacts) fold() {
	byAt := map[event.Instant]fact{}
	for _, r := range s.readings {
		p, known := byAt[r.At]
		p.at = r.At
		switch c := int64(r.C); {
		case !r.OK:
		case !known || !p.ok:
			p.ok, p.low, p.high = true, c, c
		default:
			p.low, p.high = min(p.low, c), max(p.high, c)
		}
		byAt[r.At] = p
	}
	s.points = s.points[:0]
	for _, p := range byAt {
		s.points = append(s.points, p)
	}
	slices.SortFunc(s.points, func(a, b fact) int { return cmp.Compare(a.at, b.at) })
}

// over gives the temperatures at an instant as fractions of one denominator.
func (s *seriesFacts) over(t event.Instant) (low, high, den int64, ok bool) {
	i := -1
	for k := range s.points {
		if s.points[k].at <= t {
			i = k
		}
	}
	if i < 0 || !s.points[i].ok {
		return 0, 0, 0, false
	}
	p, wide := s.points[i], int64(s.uncertainty)
	if i+1 < len(s.points) {
		q := s.points[i+1]
		if q.ok && q.at-p.at <= s.gap {
			n, part := int64(q.at-p.at), int64(t-p.at)
			return (p.low-wide)*(n-part) + (q.low-wide)*part, (p.high+wide)*(n-part) + (q.high+wide)*part, n, true
		}
	}
	if t < p.at+s.hold {
		return p.low - wide, p.high + wide, 1, true
	}
	return 0, 0, 0, false
}

// rates gives the rates of every curve at an instant in a source.
func (w *world) rates(source int, t event.Instant, rates []Use) {
	s := w.sources[source].layers[0]
	for _, l := range w.sources[source].layers[1:] {
		if l.at <= t && l.at > s.at {
			s = l
		}
	}
	var low, high, den int64
	known := false
	for _, n := range s.Series {
		if low, high, den, known = w.series[n].over(t); known {
			break
		}
	}
	for _, r := range []event.Range{s.Attested, s.Assumed} {
		if !known && r.Known {
			low, high, den, known = int64(r.Low), int64(r.High), 1, true
		}
	}
	for k := range w.curves {
		c := &w.curves[k]
		if !known {
			rates[k] = c.unknown
			continue
		}
		first := true
		for i, st := range c.steps {
			// The step holds what lies at or above its start and not in the next.
			if i+1 < len(c.steps) && isIn(low, den, c.steps[i+1].Start) || i > 0 && !isIn(high, den, st.Start) {
				continue
			}
			if r := (Use{st.Upper, st.Lower}); first {
				rates[k], first = r, false
			} else {
				rates[k] = Use{max(rates[k].Upper, r.Upper), min(rates[k].Lower, r.Lower)}
			}
		}
	}
}

func isIn(num, den, start int64) bool {
	if start%2 == 0 {
		return 2*num >= start*den
	}
	return 2*num > (start-1)*den
}

// sums gives the use from dawn to each instant up to dusk by source and curve.
func (w *world) sums() [][][]Use {
	for i := range w.series {
		w.series[i].fold()
	}
	all := make([][][]Use, len(w.sources))
	rates := make([]Use, len(w.curves))
	for s := range w.sources {
		all[s] = make([][]Use, len(w.curves))
		for k := range all[s] {
			all[s][k] = make([]Use, 1, dusk-dawn+1)
		}
		for t := dawn; t < dusk; t++ {
			w.rates(s, t, rates)
			for k, r := range rates {
				last := all[s][k][t-dawn]
				all[s][k] = append(all[s][k], Use{last.Upper + r.Upper, last.Lower + r.Lower})
			}
		}
	}
	return all
}

// judged is what the oracle says of an account.
type judged struct {
	use          Use
	met, certain int
}

// metAt gives the first instant up to dusk at which a level is met if no fact comes
// any more, 0 for none.
func (w *world) metAt(sums [][][]Use, tube, n, level int, certain bool) event.Instant {
	t := &w.tubes[tube]
	moves := slices.Clone(t.moves)
	slices.SortFunc(moves, Move.order)
	watch := t.watches[n]
	var use int64
	for i, m := range moves {
		if m.Source == Ended {
			continue
		}
		end := dusk
		if i+1 < len(moves) {
			end = moves[i+1].At
		}
		f := sums[m.Source][watch.Curve]
		for at := m.At; at < end; at++ {
			r := f[at+1-dawn].minus(f[at-dawn])
			if certain {
				use += r.Lower
			} else {
				use += r.Upper
			}
			if use >= w.levels[watch.Levels].At[level] {
				return at + 1
			}
		}
	}
	return 0
}

func (w *world) judge(sums [][][]Use, tube, n int) (j judged) {
	t := &w.tubes[tube]
	moves := slices.Clone(t.moves)
	slices.SortFunc(moves, func(a, b Move) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Source, b.Source))
	})
	moves = slices.Compact(moves)
	watch := t.watches[n]
	for i, m := range moves {
		if m.Source == Ended {
			continue
		}
		to := w.sources[m.Source].watermark
		if i+1 < len(moves) {
			to = moves[i+1].At
		}
		f := sums[m.Source][watch.Curve]
		a, b := f[m.At-dawn], f[to-dawn]
		j.use.Upper += b.Upper - a.Upper
		j.use.Lower += b.Lower - a.Lower
	}
	l := w.levels[watch.Levels]
	for _, at := range l.At {
		if j.use.Upper >= at && !l.CertainOnly {
			j.met++
		}
	}
	for _, at := range l.At {
		if j.use.Lower >= at && (l.CertainOnly || j.met == len(l.At)) {
			j.certain++
		}
	}
	return j
}
