package thermal

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"

	"specimen.example/custody/internal/event"
)

// Published vectors. Rows and marks are those of the project's own collection of
// facts (stability-facts 3.1 to 3.3); tolerances are the ones it gives.

// Mean kinetic temperature, stability-facts 3.1: the formula of USP 29 chapter
// 1160 with activation energy over R = 10 000 K exactly, weighted by hours.
func TestPublishedMeanKinetic(t *testing.T) {
	type step struct {
		celsius float64
		hours   int64
	}
	for _, c := range []struct {
		name, source string
		steps        []step
		want, mean   float64 // °C; the mean weighted by hours
	}{
		{"MKT-1", "published on a warehouse calculator's page as 22.36 (tooljolt.com), four digits recomputed in stability-facts 3.1",
			[]step{{23, 200}, {28, 20}, {30, 8}, {21, 300}}, 22.3631, 22.159},
		{"MKT-2", "inputs of a public test, value computed in stability-facts 3.1", []step{{4, 1}, {4, 1}, {4, 1}, {4, 1}, {16, 1}}, 8.1089, 6.4},
		{"MKT-3", "computed in stability-facts 3.1", []step{{20, 1}, {20, 1}, {20, 1}, {30, 1}}, 23.6445, 22.5},
		{"MKT-4", "computed in stability-facts 3.1", []step{{5, 23}, {25, 1}}, 7.7564, 5.8333},
		{"MKT-5", "computed in stability-facts 3.1", []step{{22, 1}, {22, 1}, {4, 1}, {4, 1}, {22, 1}, {35, 1}}, 23.8353, 18.1667},
		{"MKT-6", "identity: constant 25 (stability-facts 3.1)", []step{{25, 7}}, 25, 25},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := kinetics{theta: PharmacopoeiaJoulesPerMole / gasConstant}
			var hist []Segment
			var sum, mean, hours float64
			at := eight
			for _, s := range c.steps {
				celsius := event.CentiC(s.celsius * 100)
				seg := stretch(at, s.hours*60, Measured, celsius, celsius, celsius, celsius)
				hist = append(hist, seg)
				at = seg.To
				sum += k.rate(s.celsius+zeroCelsius) * float64(s.hours)
				mean += s.celsius * float64(s.hours)
				hours += float64(s.hours)
			}
			got := Summarise(hist, eight, at, event.Range{}, PharmacopoeiaJoulesPerMole).Kinetic
			want := event.CentiC(math.Round(c.want * 100))
			if !got.Known || got.Low != want || got.High != want || got.CoversPermille != 1000 {
				t.Errorf("%+v, want %d (%s)", got, want, c.source)
			}
			if exact := k.kelvin(sum/hours) - zeroCelsius; !scalar.EqualWithinAbs(exact, c.want, 0.000_051) {
				t.Errorf("unrounded %.6f, want %.4f (%s)", exact, c.want, c.source)
			}
			// The mean beside it in the table is another number, and never the higher one.
			if !scalar.EqualWithinAbs(mean/hours, c.mean, 0.000_51) || float64(got.Low)/100 < c.mean-0.005 {
				t.Errorf("mean %.4f, want %.4f, not above %d", mean/hours, c.mean, got.Low)
			}
		})
	}

	t.Run("MKT-1, the trap", func(t *testing.T) {
		// The page also prints 25.5 as plain average: the mean of the four values
		// without their hours (stability-facts 3.1, named a negative test there).
		hist := []Segment{
			stretch(eight, 200*60, Measured, 23_00, 23_00, 23_00, 23_00), stretch(eight+200*60*minute, 20*60, Measured, 28_00, 28_00, 28_00, 28_00),
			stretch(eight+220*60*minute, 8*60, Measured, 30_00, 30_00, 30_00, 30_00), stretch(eight+228*60*minute, 300*60, Measured, 21_00, 21_00, 21_00, 21_00),
		}
		if got := Summarise(hist, eight, eight+528*60*minute, event.Range{}, PharmacopoeiaJoulesPerMole).Kinetic.Low; got > 23_00 {
			t.Errorf("%d: the hours are not weighed", got)
		}
	})

	t.Run("energy over R", func(t *testing.T) {
		// USP 29 chapter 1160: 83.144 kJ/mol over 8.3144e-3 kJ/(mol K) is 10 000 K.
		if theta := PharmacopoeiaJoulesPerMole / gasConstant; !scalar.EqualWithinRel(theta, 10_000, 1e-15) {
			t.Errorf("%.12f K", theta)
		}
	})

	t.Run("hides cold", func(t *testing.T) {
		// stability-facts section 5, 7: half the time at 2 °C, yet the one number lies
		// above the mean; Coldest says it at once. The temperatures are invented.
		half := []Segment{stretch(eight, 60, Measured, 2_00, 2_00, 2_00, 2_00), stretch(eight+60*minute, 60, Measured, 22_00, 22_00, 22_00, 22_00)}
		s := Summarise(half, eight, eight+120*minute, fridge, PharmacopoeiaJoulesPerMole)
		if s.Coldest.High != 2_00 || s.Warmest.Low != 22_00 || s.Kinetic.Low <= 12_00 {
			t.Errorf("%+v", s)
		}
	})
}

// Rate factor after Arrhenius, stability-facts 3.2.
func TestPublishedRateFactor(t *testing.T) {
	t.Run("15 degrees cooler at 100 kJ/mol", func(t *testing.T) {
		// rpmodel manual: 25 to 10 °C is a drop of 88.199 percent, with R 8.3145.
		// Ours has the digits of USP chapter 1160; rates compare to 0.1 %.
		k := kinetics{theta: 100_000 / gasConstant}
		if drop := 100 * (1 - k.rate(10+zeroCelsius)/k.rate(25+zeroCelsius)); !scalar.EqualWithinRel(drop, 88.199, 0.001) {
			t.Errorf("%.4f percent", drop)
		}
		k = kinetics{theta: 100_000 / 8.3145}
		if drop := 100 * (1 - k.rate(10+zeroCelsius)/k.rate(25+zeroCelsius)); !scalar.EqualWithinAbs(drop, 88.199, 0.000_5) {
			t.Errorf("%.4f percent with the manual's R", drop)
		}
	})
	// The column of 83.144 kJ/mol, relative to 22 °C. The columns of Q10 have no
	// code here: nothing in this package goes by Q10.
	for celsius, want := range map[float64]float64{4: 0.1108, 15: 0.4391, 20: 0.7936, 25: 1.4062, 30: 2.4452, 35: 4.1760, 40: 7.0111} {
		k := kinetics{theta: PharmacopoeiaJoulesPerMole / gasConstant}
		if got := k.rate(celsius+zeroCelsius) / k.rate(22+zeroCelsius); !scalar.EqualWithinAbs(got, want, 0.000_051) {
			t.Errorf("%g °C: %.5f, want %.4f (stability-facts 3.2)", celsius, got, want)
		}
	}
}

// Activation energies of blood, stability-facts 3.3: derived there from two
// published points each. Given back to the rate they must yield the points' ratio,
// to the rounding of the energy (0.05 kJ/mol is 0.2 % of the ratio at most).
func TestPublishedEnergies(t *testing.T) {
	for _, c := range []struct {
		name       string
		kilojoules float64
		cold, warm float64 // °C
		ratio      float64
	}{
		{"glycolysis in serum on the cells (Steele 2013)", 61.7, 0, 22, math.Log(0.08) / 48 / (math.Log(0.92) / 12)},
		{"lactate in a heparin syringe (Zavorsky 2021)", 61.2, (0.1 + 0.2) / 2, (22 + 24) / 2, 0.008 / 0.001},
		{"ALT in serum (Bauca 2020)", 47.5, 4, 24, 4.0 / 1},
		{"ammonia in plasma, horse (Lindner 1993)", 55.9, 4, 21, 26.8 / 6.6},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := kinetics{theta: c.kilojoules * 1000 / gasConstant}
			if got := k.rate(c.warm+zeroCelsius) / k.rate(c.cold+zeroCelsius); !scalar.EqualWithinRel(got, c.ratio, 0.002) {
				t.Errorf("ratio %.4f, want %.4f", got, c.ratio)
			}
		})
	}
	t.Run("the pharmacopoeia's energy overstates both ways", func(t *testing.T) {
		// stability-facts 3.3, last line: 61 to 62 kJ/mol for glycolysis.
		hist := []Segment{stretch(eight, 60, Measured, 4_00, 4_00, 4_00, 4_00), stretch(eight+60*minute, 60, Measured, 30_00, 30_00, 30_00, 30_00)}
		drug := Summarise(hist, eight, eight+120*minute, fridge, PharmacopoeiaJoulesPerMole).Kinetic.Low
		blood := Summarise(hist, eight, eight+120*minute, fridge, 61_700).Kinetic.Low
		if blood >= drug {
			t.Errorf("blood %d, drug %d", blood, drug)
		}
	})
}
