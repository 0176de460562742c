package stability_test

import (
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
)

// BenchmarkJudgeLibrary judges one test after the other by the whole starter
// library and by 30 rules of it. One op is one verdict on a tube with a day of
// readings, one in ten minutes: "alone" builds the history for each verdict,
// "shared" once for all.
func BenchmarkJudgeLibrary(b *testing.B) {
	full := starter(b)
	thirty := &stability.Set{Rules: full.Rules[:30:30], Waits: full.Waits, Ends: full.Ends, Accepts: full.Accepts}
	if err := thirty.Finish(); err != nil {
		b.Fatal(err)
	}
	series := &thermal.Series{EveryMs: int64(10 * minute), HoldMs: -1}
	for i := range event.Instant(144) {
		series.Add(event.Reading{At: drawn + i*10*minute, C: event.CentiC(20_00 + i%7*30), OK: true})
	}
	now := drawn + 144*10*minute
	layers := []thermal.Layer{{From: drawn, To: now, Series: []*thermal.Series{series}}}
	tube := &stability.Tube{Type: "LIHEP", TestsKnown: true, Zero: stability.Interval{Earliest: drawn, Latest: drawn}}
	for _, set := range []struct {
		name string
		set  *stability.Set
	}{{"full", full}, {"thirty", thirty}} {
		var tests []string // those whose verdict rests on the whole history
		for i := range set.set.Rules {
			var j stability.Judgement
			code := set.set.Rules[i].Assay.Code
			set.set.Judge(&j, tube, code, thermal.Build(nil, layers, drawn, now), now)
			if j.Rule != nil && j.By[thermal.Measured] == int64(now-drawn) && !slices.Contains(tests, code) {
				tests = append(tests, code)
			}
		}
		if len(tests) == 0 {
			b.Fatalf("%s: no rule for %s", set.name, tube.Type)
		}
		for _, alone := range []bool{true, false} {
			name := set.name + "/shared"
			if alone {
				name = set.name + "/alone"
			}
			b.Run(name, func(b *testing.B) {
				hist := thermal.Build(nil, layers, drawn, now)
				var j stability.Judgement
				i := 0
				b.ReportAllocs()
				for b.Loop() {
					if alone {
						hist = thermal.Build(hist[:0], layers, drawn, now)
					}
					set.set.Judge(&j, tube, tests[i%len(tests)], hist, now)
					i++
				}
				if len(hist) != 144 || j.Rule == nil {
					b.Fatalf("%d segments, %+v", len(hist), j)
				}
			})
		}
	}
}
