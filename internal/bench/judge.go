package main

import (
	"context"
	"fmt"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/thermal"
)

// Targets of one judgement from scratch: history built from its readings, then
// judged.
const (
	judgeNs     = 3000
	judgeAllocs = 1
	readings    = 144 // a day at one in ten minutes
	someRules   = 30
)

// judging measures what it costs to judge one test on one tube from nothing but
// readings and limits.
func judging(_ context.Context, s *settings, t *table) error {
	full, _, err := library.Starter()
	if err != nil {
		return err
	}
	some := &stability.Set{Name: "some", Hash: "some", Rules: full.Rules[:min(someRules, len(full.Rules))], Waits: full.Waits, Ends: full.Ends, Accepts: full.Accepts}
	if err := some.Finish(); err != nil {
		return err
	}
	for _, set := range []*stability.Set{some, full} {
		tests, err := testsOf(set, "LIHEP")
		if err != nil {
			return err
		}
		judgeBy(t, set, tests)
		s.tell("judge: %d rules", len(set.Rules))
	}
	return nil
}

// testsOf gives the tests that a set has a limit for on a tube type.
func testsOf(set *stability.Set, kind string) ([]string, error) {
	var out []string
	seen := map[string]bool{}
	for i := range set.Rules {
		r := &set.Rules[i]
		for _, k := range r.Tubes {
			if k == kind && !seen[r.Assay.Code] {
				seen[r.Assay.Code] = true
				out = append(out, r.Assay.Code)
			}
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("no limit for %s", kind)
	}
	return out, nil
}

func judgeBy(t *table, set *stability.Set, tests []string) {
	const zero = event.Instant(1_764_000_000_000)
	const step = event.Instant(600_000)
	series := &thermal.Series{EveryMs: int64(step), HoldMs: -1}
	for i := range event.Instant(readings) {
		series.Add(event.Reading{At: zero + i*step, C: event.CentiC(2000 + i%7*30), OK: true})
	}
	now := zero + readings*step
	layers := []thermal.Layer{{From: zero, To: now, Series: []*thermal.Series{series}}}
	tube := &stability.Tube{Type: "LIHEP", Zero: stability.Interval{Earliest: zero, Latest: zero}, TestsKnown: true}
	var hist []thermal.Segment
	var j stability.Judgement

	rules := len(set.Rules)
	show(t, fmt.Sprintf("one test from scratch, %d rules", rules), true, func(i int) {
		hist = thermal.Build(hist[:0], layers, zero, now)
		set.Judge(&j, tube, tests[i%len(tests)], hist, now)
	})
	show(t, fmt.Sprintf("one test of a tube with %d, %d rules", len(tests), rules), true, func(i int) {
		if i%len(tests) == 0 {
			hist = thermal.Build(hist[:0], layers, zero, now)
		}
		set.Judge(&j, tube, tests[i%len(tests)], hist, now)
	})
	show(t, fmt.Sprintf("judging alone, %d rules", rules), false, func(i int) { set.Judge(&j, tube, tests[i%len(tests)], hist, now) })
}

func show(t *table, what string, target bool, f func(i int)) {
	res := testing.Benchmark(func(b *testing.B) {
		b.ReportAllocs()
		for i := range b.N {
			f(i)
		}
	})
	r := row{Part: "judge", What: what, NsOp: float64(res.T.Nanoseconds()) / float64(res.N), Allocs: float64(res.MemAllocs) / float64(res.N)}
	if target {
		r.Said = fmt.Sprintf("want %d ns and %d allocation", judgeNs, judgeAllocs)
		r.Missed = r.NsOp > judgeNs || r.Allocs > judgeAllocs
	}
	t.add(r)
}
