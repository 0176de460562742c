package stability

import (
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// The oracle counts minute by minute and reads the rule as it is written, with
// fractions instead of units, temperature by temperature instead of by region.

type span struct{ low, high event.CentiC }

// placed is what a rule says of one temperature on the 0.01 degree grid.
type placed struct {
	band                 int // -1 outside
	below, above         bool
	pastBelow, pastAbove bool // past a threshold that the rule speaks of
	worst, best          *big.Rat
}

func place(r *Rule, c event.CentiC) placed {
	p := placed{band: -1, below: true, above: true}
	colder, warmer, most := -1, -1, 0
	for i, l := range r.Limits { // drawn cold to warm
		switch {
		case c < l.Low && warmer < 0:
			warmer = i
		case c > l.High:
			colder = i
		case c >= l.Low && c <= l.High:
			p.band = i
		}
		p.below, p.above = p.below && c < l.Low, p.above && c > l.High
		if softLimit(l) > softLimit(r.Limits[most]) {
			most = i
		}
	}
	bottom, top := r.Limits[0].Low, r.Limits[len(r.Limits)-1].High
	if r.Below != nil {
		if r.Below.HasAt {
			bottom = r.Below.At
		}
		p.pastBelow = c < bottom
	}
	if r.Above != nil {
		if r.Above.HasAt {
			top = r.Above.At
		}
		p.pastAbove = c > top
	}
	rate := func(i int) *big.Rat { return big.NewRat(1, softLimit(r.Limits[i])) }
	switch {
	case p.band >= 0:
		p.worst, p.best = rate(p.band), rate(p.band)
	case p.below && p.pastBelow:
		p.worst, p.best = rate(warmer), rate(warmer)
	case p.above && p.pastAbove:
		p.worst, p.best = rate(colder), rate(colder)
	case p.below:
		p.worst, p.best = rate(warmer), rate(most)
	case p.above:
		p.worst, p.best = rate(colder), rate(most)
	default:
		p.worst, p.best = rate(colder), rate(warmer)
		if p.worst.Cmp(p.best) < 0 {
			p.worst, p.best = p.best, p.worst
		}
	}
	return p
}

func softLimit(l Limit) int64 {
	switch {
	case l.Ms > 0:
		return l.Ms
	case l.GoodMs > 0:
		return l.GoodMs
	case l.RatePerH > 0:
		return l.Criterion * 3600 / l.RatePerH * 1000
	default:
		return l.FirstBad
	}
}

// Law: use, minutes by side and bands visited are what counting every minute
// at every temperature of its range gives.
func TestUsageAgainstEveryMinute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := genRule(t)
		if err := r.compile(); err != nil {
			t.Fatal(err)
		}
		c := &r.compiled
		u := usage{region: c.lowest}
		worst, best := new(big.Rat), new(big.Rat)
		var below, above, unsaid int64
		var sides [2]sideUse
		var sure, maybe uint32
		at := drawn
		for range rapid.IntRange(1, 12).Draw(t, "segments") {
			low := event.CentiC(rapid.SampledFrom([]int32{-2000, -301, -300, 0, 199, 200, 500, 1500, 1800, 2100, 2600, 5000}).Draw(t, "low"))
			s := span{low, low + event.CentiC(rapid.SampledFrom([]int32{0, 0, 1, 300, 700}).Draw(t, "width"))}
			minutes := rapid.Int64Range(1, 9).Draw(t, "minutes")
			ms := minutes * int64(minute)
			seg := thermal.Segment{From: at, To: at + event.Instant(ms), Low0: s.low, Low1: s.low, High0: s.high, High1: s.high, Evidence: thermal.Assumed}
			if rapid.IntRange(0, 5).Draw(t, "unknown") == 0 {
				seg.Evidence = thermal.Unknown
			}
			u.add(c, &seg, drawn, seg.To)
			at = seg.To
			if seg.Evidence == thermal.Unknown {
				fastest, slowest := softLimit(r.Limits[0]), softLimit(r.Limits[0])
				for _, l := range r.Limits {
					fastest, slowest = min(fastest, softLimit(l)), max(slowest, softLimit(l))
				}
				worst.Add(worst, big.NewRat(ms, fastest))
				best.Add(best, big.NewRat(ms, slowest))
				continue
			}

			most, least := new(big.Rat), (*big.Rat)(nil)
			all, some := [4]bool{true, true, true, true}, [4]bool{}
			seen, only, bands, silent := uint32(0), 0, true, true
			for temperature := s.low; temperature <= s.high; temperature++ {
				p := place(&r, temperature)
				if p.worst.Cmp(most) > 0 {
					most = p.worst
				}
				if least == nil || p.best.Cmp(least) < 0 {
					least = p.best
				}
				for k, is := range [4]bool{p.below, p.above, p.pastBelow, p.pastAbove} {
					all[k], some[k] = all[k] && is, some[k] || is
				}
				if p.band >= 0 {
					seen |= 1 << p.band
					only = p.band
				}
				bands = bands && p.band >= 0
				silent = silent && p.band < 0 && !p.pastBelow && !p.pastAbove
			}
			worst.Add(worst, new(big.Rat).Mul(most, big.NewRat(ms, 1)))
			best.Add(best, new(big.Rat).Mul(least, big.NewRat(ms, 1)))
			if some[0] {
				below += ms
			}
			if some[1] {
				above += ms
			}
			if silent && s.low == s.high {
				unsaid += ms
			}
			maybe |= seen
			if bands && seen == 1<<only {
				sure |= seen
			}
			for k := range sides {
				b := &sides[k]
				if !all[2+k] {
					b.runSure = 0
				} else {
					b.sure, b.runSure = b.sure+ms, b.runSure+ms
				}
				if !some[2+k] {
					b.runMaybe = 0
				} else {
					b.maybe, b.runMaybe = b.maybe+ms, b.runMaybe+ms
				}
			}
		}
		if got := big.NewRat(u.worst, c.budget); got.Cmp(worst) != 0 {
			t.Fatalf("worst use %s, want %s", got, worst)
		}
		if got := big.NewRat(u.best, c.budget); got.Cmp(best) != 0 {
			t.Fatalf("best use %s, want %s", got, best)
		}
		if !c.studied && u.hard != u.best {
			t.Fatalf("one limit, but %d and %d units of it used at best", u.hard, u.best)
		}
		if u.below != below || u.above != above || u.total != int64(at-drawn) {
			t.Fatalf("below %d above %d, want %d and %d", u.below, u.above, below, above)
		}
		if u.unsaid < unsaid {
			t.Fatalf("%d ms where nothing is said, want at least %d", u.unsaid, unsaid)
		}
		if u.maybe&maybe != maybe || u.sure&sure != sure {
			t.Fatalf("bands %b to %b, want at least %b to %b", u.sure, u.maybe, sure, maybe)
		}
		for k, want := range sides {
			got := u.beyond[k]
			if got.sure != want.sure || got.maybe != want.maybe || got.runSure != want.runSure || got.runMaybe != want.runMaybe {
				t.Fatalf("side %d: %+v, want %+v", k, got, want)
			}
		}
	})
}
