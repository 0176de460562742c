package thermal

import (
	"math"
	"math/big"
	"slices"
	"testing"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/floats/scalar"
	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

var fridge = event.Range{Low: 2_00, High: 8_00, Known: true} // standards.md 3.3: refrigerated is 2 to 8

// stretch is a segment of so many minutes from at, on a line between two bounds.
func stretch(at event.Instant, minutes int64, ev Evidence, low0, high0, low1, high1 event.CentiC) Segment {
	return Segment{From: at, To: at + event.Instant(minutes)*minute, Evidence: ev, Low0: low0, High0: high0, Low1: low1, High1: high1, Series: -1}
}

// The expectations follow from the definitions by hand.
func TestSummary(t *testing.T) {
	ms := func(n int64) int64 { return n * int64(minute) }
	type want struct {
		by                    [4]int64 // minutes
		permille              [4]int32
		coldest, warmest      event.Range
		below, above, outside Bounds
		covers                int32
	}
	known := func(low, high event.CentiC) event.Range { return event.Range{Low: low, High: high, Known: true} }
	for _, c := range []struct {
		name string
		hist []Segment
		from event.Instant // minutes after eight
		to   event.Instant
		want want
	}{
		{"nothing", nil, 0, 0, want{}},
		{"not known", nil, 0, 10, want{by: [4]int64{10}, permille: [4]int32{1000}}},
		{"to before from is an empty stretch", nil, 10, 0, want{}},
		{"both edges are inside", []Segment{stretch(eight, 5, Measured, 2_00, 2_00, 2_00, 2_00), stretch(eight+5*minute, 5, Measured, 8_00, 8_00, 8_00, 8_00)},
			0, 10, want{by: [4]int64{0, 0, 0, 10}, permille: [4]int32{0, 0, 0, 1000}, coldest: known(2_00, 2_00), warmest: known(8_00, 8_00), covers: 1000}},
		{"a line from inside to outside", []Segment{stretch(eight, 10, Measured, 4_00, 4_00, 14_00, 14_00)},
			// 8.00 is reached after 4 min and is inside; the ms after it is outside.
			0, 10, want{by: [4]int64{0, 0, 0, 10}, permille: [4]int32{0, 0, 0, 1000}, coldest: known(4_00, 4_00), warmest: known(14_00, 14_00),
				above: Bounds{ms(6) - 1, ms(6) - 1}, outside: Bounds{ms(6) - 1, ms(6) - 1}, covers: 1000}},
		{"a line through the band", []Segment{stretch(eight, 10, Measured, 10_00, 10_00, 0, 0)},
			// Colder than 8.00 after 2 min, below 2.00 the ms after 8 min.
			0, 10, want{by: [4]int64{0, 0, 0, 10}, permille: [4]int32{0, 0, 0, 1000}, coldest: known(0, 0), warmest: known(10_00, 10_00),
				below: Bounds{ms(2) - 1, ms(2) - 1}, above: Bounds{ms(2), ms(2)}, outside: Bounds{ms(4) - 1, ms(4) - 1}, covers: 1000}},
		{"a part of a line", []Segment{stretch(eight, 10, Measured, 10_00, 10_00, 0, 0)},
			1, 9, want{by: [4]int64{0, 0, 0, 8}, permille: [4]int32{0, 0, 0, 1000}, coldest: known(1_00, 1_00), warmest: known(9_00, 9_00),
				below: Bounds{ms(1) - 1, ms(1) - 1}, above: Bounds{ms(1), ms(1)}, outside: Bounds{ms(2) - 1, ms(2) - 1}, covers: 1000}},
		{"assumed over the whole band", []Segment{stretch(eight, 10, Assumed, 0, 20_00, 0, 20_00)},
			0, 10, want{by: [4]int64{0, 10}, permille: [4]int32{0, 1000}, coldest: known(0, 20_00), warmest: known(0, 20_00),
				below: Bounds{0, ms(10)}, above: Bounds{0, ms(10)}, outside: Bounds{0, ms(10)}, covers: 1000}},
		{"attested colder", []Segment{stretch(eight, 10, Attested, 0, 1_99, 0, 1_99)},
			0, 10, want{by: [4]int64{0, 0, 10}, permille: [4]int32{0, 0, 1000}, coldest: known(0, 1_99), warmest: known(0, 1_99),
				below: Bounds{ms(10), ms(10)}, outside: Bounds{ms(10), ms(10)}, covers: 1000}},
		{"readings that disagree", []Segment{stretch(eight, 10, Measured, 5_00, 9_00, 5_00, 9_00)},
			0, 10, want{by: [4]int64{0, 0, 0, 10}, permille: [4]int32{0, 0, 0, 1000}, coldest: known(5_00, 9_00), warmest: known(5_00, 9_00),
				above: Bounds{0, ms(10)}, outside: Bounds{0, ms(10)}, covers: 1000}},
		{"measured, a hole, assumed", []Segment{stretch(eight, 3, Measured, 1_00, 1_00, 1_00, 1_00), stretch(eight+6*minute, 3, Assumed, 7_00, 9_00, 7_00, 9_00)},
			// Thirds: 333 each, what is missing goes to the weakest.
			0, 9, want{by: [4]int64{3, 3, 0, 3}, permille: [4]int32{334, 333, 0, 333}, coldest: known(1_00, 1_00), warmest: known(7_00, 9_00),
				below: Bounds{ms(3), ms(3)}, above: Bounds{0, ms(3)}, outside: Bounds{ms(3), ms(6)}, covers: 666}},
		{"sevenths", []Segment{stretch(eight, 5, Measured, 4_00, 4_00, 4_00, 4_00), stretch(eight+5*minute, 1, Attested, 4_00, 4_00, 4_00, 4_00)},
			// 714.29, 142.86 and 142.86: both that lost most gain one.
			0, 7, want{by: [4]int64{1, 0, 1, 5}, permille: [4]int32{143, 0, 143, 714}, coldest: known(4_00, 4_00), warmest: known(4_00, 4_00), covers: 857}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := Summarise(c.hist, eight+c.from*minute, eight+c.to*minute, fridge, PharmacopoeiaJoulesPerMole)
			got := want{s.By, s.Permille, s.Coldest, s.Warmest, s.Below, s.Above, s.Outside, s.Kinetic.CoversPermille}
			for e := range got.by {
				got.by[e] /= int64(minute)
			}
			if got != c.want {
				t.Errorf("got  %+v\nwant %+v", got, c.want)
			}
			if s.Kinetic.Known != (s.Kinetic.CoversMs > 0) || s.Kinetic.Low < s.Coldest.Low || s.Kinetic.High > s.Warmest.High {
				t.Errorf("kinetic %+v", s.Kinetic)
			}
		})
	}
}

func TestSummaryWithoutBandOrEnergy(t *testing.T) {
	hist := []Segment{stretch(eight, 10, Measured, 20_00, 20_00, 20_00, 20_00)}
	if s := Summarise(hist, eight, eight+10*minute, event.Range{}, 0); s.Band.Known || s.Outside != (Bounds{}) || s.Kinetic.Known || s.Kinetic.CoversPermille != 1000 {
		t.Errorf("no band, no energy: %+v", s)
	}
	for joules, known := range map[int64]bool{-1: false, 0: false, 1: true, 1_000_000: true, math.MaxInt64: false} {
		k := Summarise(hist, eight, eight+10*minute, fridge, joules).Kinetic
		if k.Known != known || k.JoulesPerMole != joules || known && (k.Low != 20_00 || k.High != 20_00) || !known && (k.Low != 0 || k.High != 0) {
			t.Errorf("%d J/mol: %+v", joules, k)
		}
	}
}

// Two readings of one instant that disagree part the bounds up to the next one.
func TestDisagreeingEndPartsKinetic(t *testing.T) {
	for _, seg := range []Segment{stretch(eight, 10, Measured, 5_00, 9_00, 5_00, 5_00), stretch(eight, 10, Measured, 5_00, 5_00, 5_00, 9_00)} {
		s := Summarise([]Segment{seg}, eight, seg.To, fridge, PharmacopoeiaJoulesPerMole)
		if k := s.Kinetic; k.Low != 5_00 || k.High <= 7_00 || k.High >= 9_00 { // above the mean of the upper line
			t.Errorf("%+v", k)
		}
	}
}

// genHistory is what Build makes of random layers, over a random stretch.
func genHistory(t *rapid.T) ([]Segment, event.Instant, event.Instant) {
	from := eight + event.Instant(rapid.Int64Range(-5, 40).Draw(t, "start"))*minute
	to := from + event.Instant(rapid.Int64Range(1, int64(120*minute)).Draw(t, "length"))
	return Build(nil, genLayers(t), from, to), from, to
}

func genBand(t *rapid.T) event.Range {
	low := event.CentiC(rapid.SampledFrom([]int32{-300, 0, 200, 1500, 2000, 2050}).Draw(t, "edge"))
	return event.Range{Low: low, High: low + event.CentiC(rapid.SampledFrom([]int32{0, 1, 400, 600}).Draw(t, "wide")), Known: true}
}

// Law: the shares sum to 1000, none is a thousandth away from its part, and the
// evidence sums to the stretch.
func TestSharesSum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hist, from, to := genHistory(t)
		s := Summarise(hist, from, to, fridge, PharmacopoeiaJoulesPerMole)
		var ms int64
		var permille int32
		for e := range s.By {
			ms += s.By[e]
			permille += s.Permille[e]
			if off := int64(s.Permille[e])*int64(to-from) - s.By[e]*1000; off <= -int64(to-from) || off >= int64(to-from) {
				t.Fatalf("%d of %d ms is not %d thousandths", s.By[e], to-from, s.Permille[e])
			}
		}
		if ms != int64(to-from) || permille != 1000 {
			t.Fatalf("%d ms of %d, %d thousandths", ms, to-from, permille)
		}
	})
}

// The oracle splits a line with fractions where it meets an edge, and asks each
// piece for its side. It counts the whole ms that lie in a piece, and adds the
// pieces' exact lengths.
type oracle struct {
	ms    [2]int64 // below, above
	exact [2]*big.Rat
	cross int64
}

func (o *oracle) line(l Line, a, b event.CentiC, from, to event.Instant, band event.Range) {
	at := func(x *big.Rat) *big.Rat { // temperature at ms x of the line
		y := new(big.Rat).Mul(big.NewRat(int64(b-a), int64(l.To-l.From)), x)
		return y.Add(y, big.NewRat(int64(a), 1))
	}
	start, end := big.NewRat(int64(from-l.From), 1), big.NewRat(int64(to-l.From), 1)
	cuts := []*big.Rat{start, end}
	for _, edge := range [2]event.CentiC{band.Low, band.High} {
		if a == b {
			continue
		}
		x := big.NewRat(int64(edge-a)*int64(l.To-l.From), int64(b-a))
		if x.Cmp(start) >= 0 && x.Cmp(end) < 0 {
			cuts = append(cuts, x)
			o.cross++
		}
	}
	slices.SortFunc(cuts, (*big.Rat).Cmp)
	side := func(y *big.Rat) int {
		switch {
		case y.Cmp(big.NewRat(int64(band.Low), 1)) < 0:
			return 0
		case y.Cmp(big.NewRat(int64(band.High), 1)) > 0:
			return 1
		}
		return -1
	}
	for i := 0; i+1 < len(cuts); i++ {
		p, q := cuts[i], cuts[i+1]
		middle := new(big.Rat).Add(p, q)
		middle.Quo(middle, big.NewRat(2, 1))
		first, last := below(p)+1, below(q) // whole ms in [p, q), the end outside
		if k := side(at(middle)); k >= 0 && p.Cmp(q) < 0 {
			o.exact[k].Add(o.exact[k], new(big.Rat).Sub(q, p))
			o.ms[k] += last - first + 1
			if p.IsInt() && side(at(p)) != k {
				o.ms[k]-- // the crossing itself is on the edge, which is inside
			}
		} else if p.IsInt() && p.Cmp(q) < 0 {
			if k := side(at(p)); k >= 0 {
				o.ms[k]++
			}
		}
	}
}

// below is the last whole number under x.
func below(x *big.Rat) int64 {
	q := new(big.Int).Div(x.Num(), x.Denom()).Int64() // Euclidean: the floor, the denominator is positive
	if x.IsInt() {
		q--
	}
	return q
}

// Law: minutes outside are what splitting at the crossings gives, to the ms; of
// the exact length of the pieces each crossing costs less than one.
func TestOutsideAgainstSplitting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hist, from, to := genHistory(t)
		band := genBand(t)
		s := Summarise(hist, from, to, band, PharmacopoeiaJoulesPerMole)
		low, high := newOracle(), newOracle()
		for _, seg := range hist {
			if seg.Evidence != Unknown {
				l := seg.Whole()
				low.line(l, l.Low0, l.Low1, seg.From, seg.To, band)
				high.line(l, l.High0, l.High1, seg.From, seg.To, band)
			}
		}
		if want := (Bounds{high.ms[0], low.ms[0]}); s.Below != want {
			t.Fatalf("below %+v, want %+v", s.Below, want)
		}
		if want := (Bounds{low.ms[1], high.ms[1]}); s.Above != want {
			t.Fatalf("above %+v, want %+v", s.Above, want)
		}
		if s.Outside.Least != s.Below.Least+s.Above.Least || s.Outside.Most > s.Below.Most+s.Above.Most || s.Outside.Most < max(s.Below.Most, s.Above.Most) {
			t.Fatalf("outside %+v of below %+v and above %+v", s.Outside, s.Below, s.Above)
		}
		for _, o := range []*oracle{low, high} {
			for k := range o.ms {
				off := new(big.Rat).Sub(o.exact[k], big.NewRat(o.ms[k], 1))
				if limit := big.NewRat(o.cross, 1); off.Abs(off).Cmp(limit) > 0 {
					t.Fatalf("%s ms off for %d crossings", off, o.cross)
				}
			}
		}
	})
}

func newOracle() *oracle { return &oracle{exact: [2]*big.Rat{new(big.Rat), new(big.Rat)}} }

// Law: ms by ms, what is perhaps and what is certainly outside is what comparing
// the exact temperature with the edges gives.
func TestOutsideAgainstEveryMillisecond(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius := rapid.Int32Range(-500, 2500)
		length := rapid.Int64Range(1, 80).Draw(t, "length")
		a, b := event.CentiC(celsius.Draw(t, "a")), event.CentiC(celsius.Draw(t, "b"))
		wide := [2]event.CentiC{event.CentiC(rapid.Int32Range(0, 900).Draw(t, "wide a")), event.CentiC(rapid.Int32Range(0, 900).Draw(t, "wide b"))}
		seg := Segment{From: eight, To: eight + event.Instant(length), Low0: a, Low1: b, High0: a + wide[0], High1: b + wide[1], Evidence: Measured}
		from := eight + event.Instant(rapid.Int64Range(0, length-1).Draw(t, "from"))
		band := genBand(t)
		var under, over, outside Bounds
		for at := from; at < seg.To; at++ {
			x := int64(at - seg.From)
			low := int64(a)*length + int64(b-a)*x
			high := int64(seg.High0)*length + int64(seg.High1-seg.High0)*x
			cold, warm := int64(band.Low)*length, int64(band.High)*length
			count := func(b *Bounds, surely, perhaps bool) {
				if surely {
					b.Least++
				}
				if perhaps {
					b.Most++
				}
			}
			count(&under, high < cold, low < cold)
			count(&over, low > warm, high > warm)
			count(&outside, high < cold || low > warm, low < cold || high > warm)
		}
		s := Summarise([]Segment{seg}, from, seg.To, band, PharmacopoeiaJoulesPerMole)
		if s.Below != under || s.Above != over || s.Outside != outside {
			t.Fatalf("below %+v above %+v outside %+v, want %+v %+v %+v", s.Below, s.Above, s.Outside, under, over, outside)
		}
	})
}

// Law: a stretch summed up in two parts, each built by itself, gives the same ms.
func TestSummarySplitsFreely(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		layers, band := genLayers(t), genBand(t)
		length := rapid.Int64Range(1, int64(100*minute)).Draw(t, "length")
		a, c := eight, eight+event.Instant(length)
		b := a + event.Instant(rapid.Int64Range(0, length).Draw(t, "b"))
		of := func(from, to event.Instant) Summary {
			return Summarise(Build(nil, layers, from, to), from, to, band, PharmacopoeiaJoulesPerMole)
		}
		whole, first, second := of(a, c), of(a, b), of(b, c)
		for e := range whole.By {
			if whole.By[e] != first.By[e]+second.By[e] {
				t.Fatalf("evidence %v of %v and %v", whole.By, first.By, second.By)
			}
		}
		plus := func(x, y Bounds) Bounds { return Bounds{x.Least + y.Least, x.Most + y.Most} }
		if whole.Below != plus(first.Below, second.Below) || whole.Above != plus(first.Above, second.Above) || whole.Outside != plus(first.Outside, second.Outside) {
			t.Fatalf("whole %+v\nfirst %+v\nsecond %+v", whole, first, second)
		}
		// The history may reach further than the stretch.
		if got := Summarise(Build(nil, layers, a, c), a, b, band, PharmacopoeiaJoulesPerMole); got != first {
			t.Fatalf("asked of the longer history %+v\nof its own %+v", got, first)
		}
	})
}

// Law: whatever runs between the bounds gives numbers between the bounds.
func TestBoundsBound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hist, from, to := genHistory(t)
		band := genBand(t)
		s := Summarise(hist, from, to, band, PharmacopoeiaJoulesPerMole)
		tenths := event.CentiC(rapid.Int32Range(0, 10).Draw(t, "tenths of the way up"))
		inner := slices.Clone(hist)
		for i := range inner {
			g := &inner[i]
			if g.Evidence == Unknown {
				continue
			}
			l := g.Whole()
			l.Low0 += (l.High0 - l.Low0) * tenths / 10
			l.Low1 += (l.High1 - l.Low1) * tenths / 10
			l.High0, l.High1 = l.Low0, l.Low1
			g.Line = l
		}
		one := Summarise(inner, from, to, band, PharmacopoeiaJoulesPerMole)
		for _, pair := range [][2]Bounds{{one.Below, s.Below}, {one.Above, s.Above}, {one.Outside, s.Outside}} {
			got, bounds := pair[0], pair[1]
			if got.Least != got.Most || got.Least < bounds.Least || got.Most > bounds.Most {
				t.Fatalf("%+v is not one number within %+v", got, bounds)
			}
		}
		for _, pair := range [][2]event.Range{{one.Coldest, s.Coldest}, {one.Warmest, s.Warmest}} {
			got, bounds := pair[0], pair[1]
			if got.Low != got.High || got.Known != bounds.Known || got.Low < bounds.Low || got.High > bounds.High {
				t.Fatalf("%+v is not one temperature within %+v", got, bounds)
			}
		}
		if one.Kinetic.Low != one.Kinetic.High || one.Kinetic.Low < s.Kinetic.Low || one.Kinetic.High > s.Kinetic.High {
			t.Fatalf("%+v is not one temperature within %+v", one.Kinetic, s.Kinetic)
		}
	})
}

func TestLegendrePoints(t *testing.T) {
	at, weight := make([]float64, 5), make([]float64, 5)
	quad.Legendre{}.FixedLocations(at, weight, -1, 1)
	slices.Reverse(at) // the weights are the same from either end
	if !floats.EqualApprox(at, legendreAt[:], 1e-14) || !floats.EqualApprox(weight, legendreWeight[:], 1e-14) {
		t.Errorf("points %v weights %v, want %v and %v", legendreAt, legendreWeight, at, weight)
	}
}

// Law: the mean rate on a line is what the library's quadrature gives, between
// any two temperatures that a sensor can give, within the bound that is promised.
func TestMeanRateAgainstQuadrature(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := kinetics{theta: float64(rapid.SampledFrom([]int64{1_000, 47_500, 61_200, PharmacopoeiaJoulesPerMole, 110_000, 250_000, 1_000_000}).Draw(t, "energy")) / gasConstant}
		celsius := rapid.Float64Range(-90, 125)
		a := celsius.Draw(t, "a") + zeroCelsius
		b := celsius.Draw(t, "b") + zeroCelsius
		if a == b {
			return
		}
		// Many short pieces: the reference must not share our error.
		const pieces = 400
		var want float64
		for i := range pieces {
			p, q := a+(b-a)*float64(i)/pieces, a+(b-a)*float64(i+1)/pieces
			want += quad.Fixed(k.rate, min(p, q), max(p, q), 12, quad.Legendre{}, 0)
		}
		want /= math.Abs(b - a)
		if got := k.mean(a, b); !scalar.EqualWithinRel(got, want, 1e-9) {
			t.Fatalf("mean rate %g, quadrature %g, off by %g", got, want, got/want-1)
		}
	})
}

// Law: the mean kinetic temperature of a random history is what the library's
// quadrature gives over its instants.
func TestMeanKineticAgainstQuadrature(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hist, from, to := genHistory(t)
		joules := rapid.SampledFrom([]int64{47_500, 61_200, PharmacopoeiaJoulesPerMole, 110_000}).Draw(t, "energy")
		s := Summarise(hist, from, to, fridge, joules)
		theta := float64(joules) / 8.3144 // USP chapter 1160
		var sums, means, hours [2]float64
		for _, seg := range hist {
			if seg.Evidence == Unknown {
				continue
			}
			l := seg.Whole()
			for k, ends := range [2][2]event.CentiC{{l.Low0, l.Low1}, {l.High0, l.High1}} {
				kelvin := func(ms float64) float64 {
					return 273.15 + (float64(ends[0])+float64(ends[1]-ends[0])*ms/float64(l.To-l.From))/100
				}
				p, q := float64(seg.From-l.From), float64(seg.To-l.From)
				sums[k] += quad.Fixed(func(ms float64) float64 { return math.Exp(-theta / kelvin(ms)) }, p, q, 60, quad.Legendre{}, 0)
				means[k] += quad.Fixed(kelvin, p, q, 2, quad.Legendre{}, 0)
				hours[k] += q - p
			}
		}
		if hours[0] == 0 {
			if s.Kinetic.Known {
				t.Fatalf("known of nothing: %+v", s.Kinetic)
			}
			return
		}
		for k, got := range [2]event.CentiC{s.Kinetic.Low, s.Kinetic.High} {
			want := theta/-math.Log(sums[k]/hours[k]) - 273.15
			if !scalar.EqualWithinAbs(float64(got)/100, want, 0.005+1e-6*300) {
				t.Fatalf("bound %d: %.2f, quadrature %.6f", k, float64(got)/100, want)
			}
			// The curve is convex: what heat drives goes faster than at the mean.
			if mean := means[k]/hours[k] - 273.15; float64(got)/100 < mean-0.005-1e-6 {
				t.Fatalf("bound %d: %.2f lies below the mean %.6f", k, float64(got)/100, mean)
			}
		}
		if int64(hours[0]+0.5) != s.Kinetic.CoversMs || s.Kinetic.Low < s.Coldest.Low || s.Kinetic.High > s.Warmest.High {
			t.Fatalf("%+v of %g ms from %v to %v", s.Kinetic, hours[0], s.Coldest, s.Warmest)
		}
	})
}

func TestSummaryAllocatesNothing(t *testing.T) {
	layers, to := day(144)
	hist := Build(nil, layers, eight, to)
	if n := testing.AllocsPerRun(10, func() { Summarise(hist, eight, to, fridge, PharmacopoeiaJoulesPerMole) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkSummarise144(b *testing.B) {
	layers, to := day(144)
	hist := Build(nil, layers, eight, to)
	if len(hist) != 144 {
		b.Fatalf("%d segments", len(hist))
	}
	room := event.Range{Low: 18_00, High: 21_00, Known: true}
	b.ReportAllocs()
	for b.Loop() {
		Summarise(hist, eight, to, room, PharmacopoeiaJoulesPerMole)
	}
}
