package thermal

import (
	"math"

	"specimen.example/custody/internal/event"
)

// PharmacopoeiaJoulesPerMole is the activation energy of the mean kinetic
// temperature where none is known, J/mol: USP chapter 1160 prints 83.144 kJ/mol.
// It is a default for drugs. Blood in a tube has energies of its own, glycolysis
// about 61 kJ/mol: the default makes both cooling and heat look stronger.
const PharmacopoeiaJoulesPerMole = 83_144

// gasConstant is R in J/(mol K) with the digits that USP chapter 1160 prints,
// so that its energy over R is 10 000 K exactly.
const gasConstant = 8.3144

// Summary says what a stretch of a tube's history was like, for people to read.
// Nothing is judged by it. Durations are ms, temperatures 0.01 °C.
type Summary struct {
	From, To event.Instant
	// By is the ms of each kind of evidence, by Evidence; it sums to To - From.
	By [4]int64
	// Permille is By in thousandths, summing to 1000 exactly (to 0 where To is not
	// after From). Each share is cut; what is then missing goes, one by one, to the
	// largest remainders, of equals to the weaker evidence. 0 does not say none: ask By.
	Permille [4]int32
	// Coldest bounds the lowest temperature that was reached in the known minutes,
	// Warmest the highest. Low and High are equal where they are known for certain;
	// not Known: nothing is. At an end that cuts a line they are rounded as Cut does.
	Coldest, Warmest event.Range
	// Band is the band that was asked for; without one nothing is counted below.
	Band event.Range
	// Below and Above are the ms strictly outside each edge of Band, Outside both
	// together. Unknown minutes are in none of them: they may lie anywhere and
	// stand in By. The ms from t to t+1 counts by the exact temperature at t, so a
	// crossing between two ms is off by less than one, and cutting changes nothing.
	Below, Above, Outside Bounds
	Kinetic               MeanKinetic
}

// Bounds are the least and the most that something can be. They are equal where
// it was measured; a range that was attested or assumed, or readings that
// disagree, may part them.
type Bounds struct{ Least, Most int64 }

// MeanKinetic is the mean kinetic temperature: the constant one at which what
// heat drives would have gone as far. It is never below the mean. It hides cold,
// and a short heat in a long stretch: show it beside Coldest and Warmest only, and
// judge nothing by it. It means nothing for tests that fail in the cold, such as
// potassium, nor for frozen material.
type MeanKinetic struct {
	// Low and High bound it, rounded to 0.01 °C.
	Low, High event.CentiC
	// JoulesPerMole is the activation energy it was computed with.
	JoulesPerMole int64
	// CoversMs of the stretch have a temperature, in thousandths CoversPermille. The
	// rest is left out, as if it had not been.
	CoversMs       int64
	CoversPermille int32
	// Known is false where nothing is covered, or for an energy that is not above
	// 0 or so large (beyond 1 MJ/mol) that the rates leave the numbers.
	Known bool
}

// Summarise sums hist up over [from, to). Hist is in order of time without
// overlap, as Build gives it; what it does not cover is unknown. The colder edge
// of band stands in Low; both edges are inside. It allocates nothing.
func Summarise(hist []Segment, from, to event.Instant, band event.Range, joulesPerMole int64) Summary {
	s := Summary{From: from, To: max(from, to), Band: band}
	k := kinetics{theta: float64(joulesPerMole) / gasConstant}
	var low, high float64 // sums of rate x ms
	for i := range hist {
		seg := &hist[i]
		start, end := max(seg.From, from), min(seg.To, to)
		if start >= end || seg.Evidence == Unknown {
			continue
		}
		s.By[seg.Evidence] += int64(end - start)
		l := seg.Whole()
		s.reach(&l, start, end)
		if band.Known {
			s.outside(&l, start, end)
		}
		part := k.sum(l.Low0, l.Low1, &l, start, end)
		low += part
		if l.Low0 != l.High0 || l.Low1 != l.High1 {
			part = k.sum(l.High0, l.High1, &l, start, end)
		}
		high += part
	}
	known := s.By[Assumed] + s.By[Attested] + s.By[Measured]
	s.By[Unknown] = int64(s.To-s.From) - known
	s.share()
	s.Kinetic = MeanKinetic{JoulesPerMole: joulesPerMole, CoversMs: known}
	if known > 0 {
		s.Kinetic.CoversPermille = 1000 - s.Permille[Unknown]
		var okLow, okHigh bool
		s.Kinetic.Low, okLow = k.centi(low / float64(known))
		s.Kinetic.High, okHigh = k.centi(high / float64(known))
		s.Kinetic.Known = joulesPerMole > 0 && okLow && okHigh
	}
	if !s.Kinetic.Known {
		s.Kinetic.Low, s.Kinetic.High = 0, 0
	}
	return s
}

// share fills Permille.
func (s *Summary) share() {
	whole := int64(s.To - s.From)
	if whole == 0 {
		return
	}
	var rest [4]int64
	missing := int32(1000)
	for e, ms := range s.By {
		s.Permille[e] = int32(ms * 1000 / whole)
		rest[e] = ms * 1000 % whole
		missing -= s.Permille[e]
	}
	for ; missing > 0; missing-- {
		most := Unknown
		for e := Assumed; e <= Measured; e++ {
			if rest[e] > rest[most] {
				most = e
			}
		}
		s.Permille[most]++
		rest[most] = -1
	}
}

// reach takes note of the temperatures of a line between two instants. A
// straight line is coldest and warmest at its ends.
func (s *Summary) reach(l *Line, from, to event.Instant) {
	low0, low1, high0, high1 := l.low(from), l.low(to), l.high(from), l.high(to)
	coldest := event.Range{Low: min(low0, low1), High: min(high0, high1), Known: true}
	warmest := event.Range{Low: max(low0, low1), High: max(high0, high1), Known: true}
	if !s.Coldest.Known {
		s.Coldest, s.Warmest = coldest, warmest
		return
	}
	s.Coldest.Low, s.Coldest.High = min(s.Coldest.Low, coldest.Low), min(s.Coldest.High, coldest.High)
	s.Warmest.Low, s.Warmest.High = max(s.Warmest.Low, warmest.Low), max(s.Warmest.High, warmest.High)
}

// outside counts the ms of a line on either side of the band. The tube is below
// for certain where the upper line is, and perhaps where the lower line is.
func (s *Summary) outside(l *Line, from, to event.Instant) {
	below := l.under(l.Low0, l.Low1, s.Band.Low, from, to)
	above := l.over(l.High0, l.High1, s.Band.High, from, to)
	surelyBelow := l.under(l.High0, l.High1, s.Band.Low, from, to).ms()
	surelyAbove := l.over(l.Low0, l.Low1, s.Band.High, from, to).ms()
	both := span{max(below.from, above.from), min(below.to, above.to)}.ms()
	s.Below.Least += surelyBelow
	s.Below.Most += below.ms()
	s.Above.Least += surelyAbove
	s.Above.Most += above.ms()
	s.Outside.Least += surelyBelow + surelyAbove
	s.Outside.Most += below.ms() + above.ms() - both
}

// span is a stretch of time, its end outside; empty where the end is not later.
type span struct{ from, to event.Instant }

func (p span) ms() int64 { return max(0, int64(p.to-p.from)) }

// under gives the ms of [from, to) whose beginning is colder than edge, on the
// way from a to b over the length of l. The way is straight, so it is one span.
func (l *Line) under(a, b, edge event.CentiC, from, to event.Instant) span {
	// Colder at ms x: a*length + (b-a)*x < edge*length.
	rise, way := int64(b)-int64(a), (int64(edge)-int64(a))*int64(l.To-l.From)
	switch {
	case rise > 0:
		return span{from, min(to, l.From+event.Instant(ceilDiv(way, rise)))}
	case rise < 0:
		return span{max(from, l.From+event.Instant(floorDiv(way, rise)+1)), to}
	case a < edge:
		return span{from, to}
	}
	return span{}
}

// over is under for warmer than edge: the same on the scale upside down.
func (l *Line) over(a, b, edge event.CentiC, from, to event.Instant) span {
	return l.under(-a, -b, -edge, from, to)
}

// floorDiv and ceilDiv divide by any b but 0.
func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

func ceilDiv(a, b int64) int64 { return -floorDiv(-a, b) }

// kinetics is the rate of a process that heat drives, after Arrhenius, as a
// multiple of its rate at 25 °C. Floats are for display; nothing keeps or judges
// what comes out but as rounded 0.01 °C.
type kinetics struct {
	theta float64 // activation energy over the gas constant, K
}

const (
	zeroCelsius = 273.15 // K
	reference   = 25 + zeroCelsius
)

func (k kinetics) rate(kelvin float64) float64 {
	return math.Exp(k.theta/reference - k.theta/kelvin)
}

// kelvin is the temperature of a rate.
func (k kinetics) kelvin(rate float64) float64 {
	return k.theta / (k.theta/reference - math.Log(rate))
}

// centi is kelvin in 0.01 °C; ok is false for a rate that is no number above 0.
func (k kinetics) centi(rate float64) (c event.CentiC, ok bool) {
	if !(rate > 0) || math.IsInf(rate, 1) {
		return 0, false
	}
	celsius := k.kelvin(rate) - zeroCelsius
	return event.CentiC(math.Round(celsius * 100)), true
}

// sum is the rate on the way from a to b over the length of l, times ms, between
// two instants.
func (k kinetics) sum(a, b event.CentiC, l *Line, from, to event.Instant) float64 {
	slope := float64(b-a) / 100 / float64(l.To-l.From)
	start := float64(a)/100 + zeroCelsius
	return k.mean(start+slope*float64(from-l.From), start+slope*float64(to-l.From)) * float64(to-from)
}

// Five points of Gauss and Legendre on [-1, 1]: where, and with which weight. The
// tests compare them with those of an open library.
var (
	legendreAt     = [...]float64{-0.906179845938664, -0.538469310105683, 0, 0.538469310105683, 0.906179845938664}
	legendreWeight = [...]float64{0.236926885056189, 0.478628670499366, 0.568888888888889, 0.478628670499366, 0.236926885056189}
)

// mean is the mean rate on a straight way between two temperatures in K. It has
// no elementary closed form. Pieces on which the exponent moves by 1 on average,
// and by less than 2.2 between -90 and 125 °C, bound the relative error of five
// points by 1e-9.
func (k kinetics) mean(a, b float64) float64 {
	if a == b {
		return k.rate(a)
	}
	n := 1
	if moves := math.Abs(k.theta/a - k.theta/b); moves > 1 && moves < 1e6 {
		n = int(math.Ceil(moves))
	}
	half := (b - a) / float64(2*n)
	var sum float64
	for i := range n {
		middle := a + half*float64(2*i+1)
		for p, at := range legendreAt {
			sum += legendreWeight[p] * k.rate(middle+half*at)
		}
	}
	return sum / float64(2*n)
}
