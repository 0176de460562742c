package thermal

import (
	"cmp"
	"slices"

	"specimen.example/custody/internal/event"
)

// Bounds of what is drawn between and after readings, in ms.
const (
	longestGapMs  = 60 * 60_000
	longestHoldMs = 30 * 60_000
)

// Series is one logger's readings, merged and sorted, whatever the order in
// which they arrived. The zero value is an empty series.
type Series struct {
	Logger event.Key
	// EveryMs is the logger's interval; MaxGapMs the longest bridged gap (0:
	// twice the interval, at most 60 min); HoldMs how long a last value holds
	// (-1: one interval, at most 30 min; 0: not at all). Without an interval
	// nothing is bridged or held that MaxGapMs and HoldMs don't say.
	EveryMs, MaxGapMs, HoldMs int64
	// UncertaintyC widens the bounds of every reading, 0.01 degrees C.
	UncertaintyC event.CentiC

	points []point // sorted by instant, one per instant
}

// point is what was read at one instant: fault (no value), one value, or the
// lowest and highest of several that disagree.
type point struct {
	at        event.Instant
	low, high int16 // 0.01 degrees C: what is outside is a fault, see IsFault
	ok        bool
}

// bounds gives the temperatures widened by so much on each side.
func (p *point) bounds(wide event.CentiC) (low, high event.CentiC) {
	return event.CentiC(p.low) - wide, event.CentiC(p.high) + wide
}

// IsFault reports whether a value is a fault code of a sensor or outside what
// one can measure (-90 to 125 °C). 85 and -127 are faults to the hundredth only:
// common digital sensors give 85 °C before their first conversion, and drivers
// give -127 for a sensor that is gone.
func IsFault(c event.CentiC) bool {
	return c == 85_00 || c == -127_00 || c < -90_00 || c > 125_00
}

// Add merges readings in any order. A repeat changes nothing; two values of one
// instant are both kept and bound the stretch around it; a fault counts only
// where the instant has no valid value, and breaks the line there.
func (s *Series) Add(readings ...event.Reading) {
	sorted := len(s.points)
	for _, r := range readings {
		p := point{at: r.At}
		if r.OK && !IsFault(r.C) {
			p.ok, p.low, p.high = true, int16(r.C), int16(r.C)
		}
		switch n := len(s.points); {
		case sorted < n, n > 0 && p.at < s.points[n-1].at:
			s.points = append(s.points, p)
		case n > 0 && p.at == s.points[n-1].at:
			s.points[n-1].merge(p)
		default:
			s.points = append(s.points, p)
			sorted++
		}
	}
	late := s.points[sorted:]
	switch {
	case len(late) == 0:
	case len(late) == 1:
		p := late[0]
		s.points = s.points[:sorted]
		s.insert(p)
	default:
		slices.SortFunc(s.points, func(a, b point) int { return cmp.Compare(a.at, b.at) })
		s.compact()
	}
}

func (s *Series) insert(p point) {
	i, found := slices.BinarySearchFunc(s.points, p.at, byInstant)
	if found {
		s.points[i].merge(p)
		return
	}
	s.points = slices.Insert(s.points, i, p)
}

// compact joins the points of one instant; their order doesn't matter.
func (s *Series) compact() {
	kept := s.points[:1]
	for _, p := range s.points[1:] {
		if last := &kept[len(kept)-1]; last.at == p.at {
			last.merge(p)
			continue
		}
		kept = append(kept, p)
	}
	s.points = kept
}

func (p *point) merge(q point) {
	switch {
	case !q.ok:
	case !p.ok:
		*p = q
	default:
		p.low, p.high = min(p.low, q.low), max(p.high, q.high)
	}
}

func byInstant(p point, at event.Instant) int { return cmp.Compare(p.at, at) }

// Len is the number of instants with a reading or a fault.
func (s *Series) Len() int { return len(s.points) }

// Last gives the latest instant with a valid value and its bounds, without the
// logger's uncertainty. ok is false when there is none.
func (s *Series) Last() (at event.Instant, low, high event.CentiC, ok bool) {
	for _, p := range slices.Backward(s.points) {
		if p.ok {
			low, high = p.bounds(0)
			return p.at, low, high, true
		}
	}
	return 0, 0, 0, false
}

// HoldsUntil gives the instant up to which the last reading is held: from it on
// the series measures nothing until a further reading comes. 0: it never did.
func (s *Series) HoldsUntil() event.Instant {
	at, _, _, ok := s.Last()
	if !ok {
		return 0
	}
	end, _ := s.lineEnd(s.before(at), s.maxGap(), s.hold())
	return end
}

// All gives the points in order of time; a fault has OK false. Two values of one
// instant come as two readings, the lower first.
func (s *Series) All(yield func(event.Reading) bool) {
	for _, p := range s.points {
		if !yield(event.Reading{At: p.at, C: event.CentiC(p.low), OK: p.ok}) {
			return
		}
		if p.low != p.high && !yield(event.Reading{At: p.at, C: event.CentiC(p.high), OK: p.ok}) {
			return
		}
	}
}

func (s *Series) maxGap() event.Instant {
	if s.MaxGapMs > 0 {
		return event.Instant(s.MaxGapMs)
	}
	return event.Instant(min(2*s.EveryMs, longestGapMs))
}

func (s *Series) hold() event.Instant {
	if s.HoldMs >= 0 {
		return event.Instant(s.HoldMs)
	}
	return event.Instant(min(s.EveryMs, longestHoldMs))
}

// before gives the index of the last point at or before at, -1 for none. Most ask for
// the present: the last two are tried before a long history is searched.
func (s *Series) before(at event.Instant) int {
	for i := len(s.points) - 1; i >= max(0, len(s.points)-2); i-- {
		if s.points[i].at <= at {
			return i
		}
	}
	i, found := slices.BinarySearchFunc(s.points, at, byInstant)
	if found {
		return i
	}
	return i - 1
}

// lineEnd gives the end of the line that begins at point i: the next reading if
// it is near enough, else (held) how long the value is held, which is to the next
// point at the latest. A fault begins no line: its end is its start.
func (s *Series) lineEnd(i int, gap, hold event.Instant) (end event.Instant, held bool) {
	p := &s.points[i]
	if !p.ok {
		return p.at, true
	}
	if i+1 == len(s.points) {
		return p.at + hold, true
	}
	next := &s.points[i+1]
	if next.ok && next.at-p.at <= gap {
		return next.at, false
	}
	return min(p.at+hold, next.at), true
}

// draw gives seg, a part of the line that begins at point i, its temperatures.
func (s *Series) draw(seg *Segment, i int, gap, hold event.Instant) {
	p, l := &s.points[i], &seg.Line
	l.From = p.at
	l.Low0, l.High0 = p.bounds(s.UncertaintyC)
	if seg.HeldAfterReading {
		l.To, _ = s.lineEnd(i, gap, hold)
		l.Low1, l.High1 = l.Low0, l.High0
	} else {
		next := &s.points[i+1]
		l.To = next.at
		l.Low1, l.High1 = next.bounds(s.UncertaintyC)
	}
	seg.Low0, seg.High0, seg.Low1, seg.High1 = l.Low0, l.High0, l.Low1, l.High1
	if seg.Reading0 = seg.From == l.From; !seg.Reading0 {
		seg.Low0, seg.High0 = l.low(seg.From), l.high(seg.From)
	}
	if whole := seg.To == l.To; whole {
		seg.Reading1 = !seg.HeldAfterReading
	} else {
		seg.Low1, seg.High1 = l.low(seg.To), l.high(seg.To)
	}
}

// whole appends the lines from point i on that run from one valid reading to the
// next and end by to: most of any history. It stops at the first point from which
// no such line goes, and gives its index.
func (s *Series) whole(dst []Segment, i, n int, to, gap event.Instant) ([]Segment, int) {
	p := s.points[i:]
	if len(p) < 2 || !p[0].ok {
		return dst, i
	}
	wide := s.UncertaintyC
	low, high := p[0].bounds(wide)
	for k := 1; k < len(p); k++ {
		from, next := p[k-1].at, &p[k]
		if !next.ok || next.at-from > gap || next.at > to {
			return dst, i + k - 1
		}
		if len(dst) == cap(dst) {
			dst = slices.Grow(dst, s.until(i+k, to))
		}
		dst = dst[:len(dst)+1]
		seg := &dst[len(dst)-1] // field by field: no copy of a whole segment
		seg.From, seg.To = from, next.at
		seg.Low0, seg.High0 = low, high
		low, high = next.bounds(wide)
		seg.Low1, seg.High1 = low, high
		seg.Evidence, seg.HeldAfterReading, seg.Reading0, seg.Reading1 = Measured, false, true, true
		seg.Series = int32(n)
		seg.Line = Line{}
	}
	return dst, i + len(p) - 1
}

// until gives the number of points from i on up to an instant, and one more.
func (s *Series) until(i int, to event.Instant) int {
	return max(s.before(to)-i, 0) + 2
}

// Before gives the latest instant before at with a reading or a fault: what
// comes later changes nothing up to it.
func (s *Series) Before(at event.Instant) (event.Instant, bool) {
	i := s.before(at - 1)
	if i < 0 {
		return 0, false
	}
	return s.points[i].at, true
}

// After gives the earliest instant after at with a reading or a fault: from there
// on what is drawn doesn't depend on what was read at `at` or before.
func (s *Series) After(at event.Instant) (event.Instant, bool) {
	i := s.before(at) + 1
	if i == len(s.points) {
		return 0, false
	}
	return s.points[i].at, true
}

// Newest gives the latest instant with a reading or a fault.
func (s *Series) Newest() (event.Instant, bool) {
	if len(s.points) == 0 {
		return 0, false
	}
	return s.points[len(s.points)-1].at, true
}
