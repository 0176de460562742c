package main

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"slices"
)

// The parts of the house's study of the engine, section 10, for the ageing clocks. Each
// stands beside the naive loop (loop.go) that adds one increment to every test of every
// tube of the source, and a reading also beside the sum from scratch. Counters are exact
// and fail the run; times are shown, and fail it only where flat says so.

// flat is how much more a reading may cost for each active clock with the most tubes
// than with the fewest. More sources than fit a cache are read in turn at every size.
const flat = 1.5

const (
	engineCurves   = 36 // active in every source
	engineAccounts = 5  // of a tube, but where more are needed for every curve to be active
)

// engineSizes are the sizes of the engine's parts; tests have small ones.
type engineSizes struct {
	sources int   // thermal sources, each with a logger of its own
	tubes   []int // of ReadingAppend and MoveTube, ascending; the most also of Memory and Pause
	rounds  int   // of which the median is shown; all sizes take turns in each
	moved   int   // tubes that move in a round

	curves     []int // of ReadingAppendCurves
	curveTubes int
	big        []int // tubes of ReadingBigSource
	boxes      []int // tubes in a box that moves
	affected   []int // tubes that a late batch changes, of lateTubes in its source
	lateTubes  int
	hours      []int // of history behind a late move
	fired      []int // accounts that a retraction arms again, of firedTubes in their source
	firedTubes int
	repeats    int // of each late batch, retraction and so on; the median is shown
	pauses     int // rounds of the steady load

	strict bool // a reading that isn't flat fails the run
}

func fullSizes(tubes []int) engineSizes {
	return engineSizes{
		sources: 5000, tubes: tubes, rounds: 15, moved: 2000,
		curves: []int{5, 10, 20, 40, 80}, curveTubes: 100_000,
		big:   []int{1000, 10_000, 100_000, 1_000_000},
		boxes: []int{1, 10, 50, 500}, affected: []int{0, 10, 100, 1000}, lateTubes: 2000,
		hours: []int{1, 6, 24, 7 * 24}, fired: []int{1, 10, 100, 1000, 10_000}, firedTubes: 10_000,
		repeats: 9, pauses: 20, strict: true,
	}
}

// engineRun is one run of the engine's parts.
type engineRun struct {
	*table
	engineSizes
	tell func(string, ...any)
}

func engineClocks(_ context.Context, s *settings, t *table) error {
	if !slices.IsSorted(s.tubes) {
		return fmt.Errorf("-tubes: %v go up and down; give them from few to many", s.tubes)
	}
	return engineParts(s, t, fullSizes(s.tubes))
}

func engineParts(s *settings, t *table, sizes engineSizes) error {
	runtime.LockOSThread() // threadTime is this thread's
	defer runtime.UnlockOSThread()
	r := &engineRun{table: t, engineSizes: sizes, tell: s.tell}
	for _, part := range []struct {
		name string
		run  func() error
	}{
		{"ReadingAppend, MoveTube, Memory, Pause", r.inTurns}, {"ReadingAppendCurves", r.byCurves}, {"ReadingBigSource", r.bigSource},
		{"MoveBox", r.moveBox}, {"LateBatch", r.lateBatch}, {"LateMove", r.lateMove}, {"Retract", r.retract},
	} {
		r.tell("engine: %s", part.name)
		if err := part.run(); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
		runtime.GC() // the fleets of one part are no load for the next
	}
	for _, n := range notMeasured {
		r.add(row{Part: "engine", What: n[0], Said: n[1]})
	}
	return nil
}

// notMeasured are the parts of the study that are not measured here, and why.
var notMeasured = [][2]string{
	{"OrderIndependence", "bit-equal in any order: AGEING_HISTORIES=3000 go test ./internal/stability/ageing -run TestLawClocks"},
	{"SpinPlan", "measured as part spins"},
	{"WarmStart", "left out: a snapshot holds no clocks; a start makes them anew from what the judge says"},
	{"RiskBox", "nothing to measure: the probability of exhaustion before the spin isn't built"},
	{"RiskCalibration", "nothing to measure, for the same reason"},
}

// row adds a measured thing of the engine.
func (r *engineRun) row(s spent, said string, what string, args ...any) {
	r.add(row{Part: "engine", What: fmt.Sprintf(what, args...), NsOp: s.ns, Allocs: s.allocs, Said: said})
}

// count holds a counter to what it must be.
func (r *engineRun) count(got, want int64, what string, args ...any) {
	if got != want {
		r.fail("engine: %s: %d, want %d", fmt.Sprintf(what, args...), got, want)
	}
}

// spent is what one of many things took of its thread, and what it allocated.
type spent struct{ ns, allocs float64 }

// spend measures f, which does n things.
func spend(n int, f func() error) (spent, error) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	start := threadTime()
	err := f()
	took := threadTime() - start
	runtime.ReadMemStats(&after)
	return spent{float64(took.Nanoseconds()) / float64(n), float64(after.Mallocs-before.Mallocs) / float64(n)}, err
}

// middle is the median by time.
func middle(all []spent) spent {
	all = slices.SortedFunc(slices.Values(all), func(a, b spent) int { return cmp.Compare(a.ns, b.ns) })
	return all[len(all)/2]
}

// heap is what is alive, in bytes.
func heap() float64 {
	runtime.GC()
	runtime.GC() // what the first one's finalizers let go
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc)
}

func times(a, b spent) string {
	switch x := a.ns / b.ns; {
	case x < 10:
		return fmt.Sprintf("%.1f x", x)
	default:
		return fmt.Sprintf("%.0f x", x)
	}
}
