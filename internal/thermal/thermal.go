// Package thermal decides which temperature a tube saw in every minute of its
// journey, and how that is known. It joins layers (what was around the tube,
// from the inside out) with readings into segments that cover the time without
// overlap or hole. It sees no clock: from and to are arguments.
package thermal

import "specimen.example/custody/internal/event"

// Segment is a stretch of time with one kind of evidence. Between its ends the
// temperature runs on a straight line. Low and High bound it; for a measured
// segment they are equal unless two readings of one instant disagree or the
// logger has an uncertainty. An unknown segment carries no temperature.
type Segment struct {
	From, To         event.Instant // From < To, 0.01 degrees C at the ends below
	Low0, Low1       event.CentiC
	High0, High1     event.CentiC
	Evidence         Evidence
	HeldAfterReading bool  // measured by holding the last value, not between two readings
	Reading0         bool  // a valid reading stands at From
	Reading1         bool  // a valid reading stands at To
	Series           int32 // index into the series of the layer that gave it, -1 for none

	// Line is the whole line of which the segment is a part. The ends above are
	// rounded where a line was cut between its readings; whoever adds up minutes
	// asks Whole, so that cutting changes nothing. Zero: the ends are exact.
	Line Line
}

// Line is a temperature on its way from one instant to another, from below and
// from above, in 0.01 degrees C.
type Line struct {
	From, To     event.Instant
	Low0, Low1   event.CentiC
	High0, High1 event.CentiC
}

// Whole gives the exact line on which the segment lies. It has no meaning for
// an unknown segment.
func (s *Segment) Whole() Line {
	if s.Line.From != s.Line.To {
		return s.Line
	}
	return Line{From: s.From, To: s.To, Low0: s.Low0, Low1: s.Low1, High0: s.High0, High1: s.High1}
}

// Cut gives the parts of s before and from at on; at lies between From and To.
// No reading stands at the cut.
func (s Segment) Cut(at event.Instant) (before, after Segment) {
	s.Line = s.Whole()
	before, after = s, s
	before.To, before.Reading1 = at, false
	after.From, after.Reading0 = at, false
	before.Low1, before.High1 = s.Line.low(at), s.Line.high(at)
	after.Low0, after.High0 = before.Low1, before.High1
	return before, after
}

// Onward gives what follows s until to if the last temperature stays and no
// further reading comes.
func (s Segment) Onward(to event.Instant) Segment {
	return Segment{
		From: s.To, To: to, Low0: s.Low1, Low1: s.Low1, High0: s.High1, High1: s.High1,
		Evidence: s.Evidence, HeldAfterReading: s.Evidence == Measured, Series: s.Series,
	}
}

func (l *Line) low(at event.Instant) event.CentiC {
	return between(l.Low0, l.Low1, int64(at-l.From), int64(l.To-l.From))
}

func (l *Line) high(at event.Instant) event.CentiC {
	return between(l.High0, l.High1, int64(at-l.From), int64(l.To-l.From))
}

// between rounds to the nearest 0.01 degrees, halves upwards.
func between(a, b event.CentiC, part, whole int64) event.CentiC {
	if a == b {
		return a
	}
	n, d := 2*int64(b-a)*part+whole, 2*whole
	q := n / d
	if n%d < 0 {
		q--
	}
	return a + event.CentiC(q)
}

// Evidence is event.Evidence as a small number, so that a segment holds no pointer.
type Evidence uint8

// The kinds of evidence of a minute.
const (
	Unknown Evidence = iota
	Assumed
	Attested
	Measured
)

// Word gives the word that stories, the API and the screens use.
func (e Evidence) Word() event.Evidence {
	switch e {
	case Measured:
		return event.EvidenceMeasured
	case Attested:
		return event.EvidenceAttested
	case Assumed:
		return event.EvidenceAssumed
	default:
		return event.EvidenceUnknown
	}
}

// Layer says, for one stretch of a tube's journey, where its temperature may
// come from. Layers are given in order of time and don't overlap.
type Layer struct {
	From, To event.Instant
	// Series are the loggers in order of preference: of the carrier itself, then
	// of the carrier around it, then of the place. The caller leaves out what a
	// carrier with its own climate shuts out.
	Series []*Series
	// Attested is what a person recorded (on ice, in a 37 degree flask).
	Attested event.Range
	// Assumed is the range declared for the innermost thing that has one.
	Assumed event.Range
}

// Build covers [from, to) in order of time, without overlap or hole, and
// appends to dst. Each stretch is measured by the first series of its layer
// that has a value there, else attested, else assumed, else unknown; what no
// layer covers is unknown. It allocates only when dst has to grow.
func Build(dst []Segment, layers []Layer, from, to event.Instant) []Segment {
	at := from
	for i := range layers {
		l := &layers[i]
		start, end := max(l.From, at), min(l.To, to)
		if start >= end {
			continue
		}
		if at < start {
			dst = append(dst, Segment{From: at, To: start, Series: -1})
		}
		dst = l.fill(dst, 0, start, end)
		at = end
	}
	if at < to {
		dst = append(dst, Segment{From: at, To: to, Series: -1})
	}
	return dst
}

// fill covers [from, to) with the series from number n on, and with what is
// left of the layer where none of them has a value.
func (l *Layer) fill(dst []Segment, n int, from, to event.Instant) []Segment {
	if n == len(l.Series) {
		return append(dst, l.declared(from, to))
	}
	s := l.Series[n]
	gap, hold := s.maxGap(), s.hold()
	at := from
	for i := max(s.before(from), 0); i < len(s.points) && at < to; i++ {
		if s.points[i].at == at {
			dst, i = s.whole(dst, i, n, to, gap)
			at = s.points[i].at
		}
		end, held := s.lineEnd(i, gap, hold)
		start := max(s.points[i].at, at)
		end = min(end, to)
		if start >= end {
			continue
		}
		if at < start {
			dst = l.fill(dst, n+1, at, start)
		}
		dst = append(dst, Segment{From: start, To: end, Evidence: Measured, HeldAfterReading: held, Series: int32(n)})
		s.draw(&dst[len(dst)-1], i, gap, hold)
		at = end
	}
	if at < to {
		dst = l.fill(dst, n+1, at, to)
	}
	return dst
}

func (l *Layer) declared(from, to event.Instant) Segment {
	s := Segment{From: from, To: to, Series: -1}
	r := l.Assumed
	switch {
	case l.Attested.Known:
		s.Evidence, r = Attested, l.Attested
	case l.Assumed.Known:
		s.Evidence = Assumed
	default:
		return s
	}
	s.Low0, s.Low1, s.High0, s.High1 = r.Low, r.Low, r.High, r.High
	return s
}
