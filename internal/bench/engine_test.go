package main

import (
	"path/filepath"
	"strings"
	"testing"
)

// The parts at small sizes: every counter is what it must be, and each part of the
// house's study, section 10, has its rows, measured or with the reason why not.
func TestEngineParts(t *testing.T) {
	s := &settings{tell: t.Logf}
	table := newTable()
	if err := engineParts(s, table, engineSizes{
		sources: 20, tubes: []int{40, 400}, rounds: 3, moved: 10, curves: []int{5, 40}, curveTubes: 400, big: []int{100, 1000},
		boxes: []int{1, 10}, affected: []int{0, 10}, lateTubes: 100, hours: []int{1, 6}, fired: []int{1, 10}, firedTubes: 100, repeats: 3, pauses: 5,
	}); err != nil {
		t.Fatal(err)
	}
	for _, fault := range table.Faults {
		t.Error(fault)
	}
	for _, part := range []string{
		"ReadingAppend,", "ReadingAppendCurves", "ReadingBigSource", "MoveTube", "MoveBox", "LateBatch", "LateMove", "Retract", "WarmStart",
		"Memory", "Pause", "OrderIndependence", "RiskBox", "RiskCalibration", "SpinPlan",
	} {
		var rows, naive int
		for i := range table.Rows {
			r := &table.Rows[i]
			if !strings.HasPrefix(r.What, part) {
				continue
			}
			switch rows++; {
			case strings.HasSuffix(r.What, "naive loop"):
				naive++
			case r.Said == "" && !strings.HasSuffix(r.What, "from scratch"):
				t.Errorf("%s: no ratio, and no reason why not", r.What)
			}
		}
		if rows == 0 {
			t.Errorf("%s: no row", part)
		} else if rows > 1 && naive == 0 {
			t.Errorf("%s: the naive loop doesn't stand beside it", part)
		}
	}
}

// A fleet whose loop has another use than the clocks is found out.
func TestTheLoopAndTheClocksAgree(t *testing.T) {
	f, err := newFleet(fleetOf{sources: 2, tubes: 40, curves: 36})
	if err != nil {
		t.Fatal(err)
	}
	f.loop = newLoop(f)
	for range 12 {
		f.draw()
		if err := f.read(); err != nil {
			t.Fatal(err)
		}
		if err := f.naive(); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.agree(); err != nil {
		t.Error(err)
	}
	f.loop.sources[0].uses[0].Upper++
	if err := f.agree(); err == nil {
		t.Error("one unit more in the loop, and nobody noticed")
	}
}

// What the next run is compared with holds what this one measured, and what it left
// out from before; a counter that is wrong is kept once.
func TestRunsAreCompared(t *testing.T) {
	file := filepath.Join(t.TempDir(), "latest.json")
	first := &table{At: "monday", Losses: []lossRow{{Load: "x"}}, Rows: []row{
		{Part: "engine", What: "a", NsOp: 200}, {Part: "engine", What: "gone", NsOp: 1}, {Part: "engine", What: "m", Bytes: 100}, {Part: "judge", What: "b", NsOp: 5},
	}}
	if err := first.save(file); err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{"tuesday", "wednesday"} {
		now := &table{At: at, Rows: []row{{Part: "engine", What: "a", NsOp: 100}, {Part: "engine", What: "m", Bytes: 200}}}
		now.fail("counter %d", 1)
		now.fail("counter %d", 1)
		if err := now.compare(file); err != nil {
			t.Fatal(err)
		}
		want := [2]string{"+100 %", "-50 %"}
		if at == "wednesday" {
			want = [2]string{"+0 %", "+0 %"}
		}
		if got := [2]string{now.Rows[0].before, now.Rows[1].before}; got != want || len(now.Faults) != 1 {
			t.Errorf("%s: %v, want %v; faults %v", at, got, want, now.Faults)
		}
		if err := now.save(file); err != nil {
			t.Fatal(err)
		}
		if len(now.kept) != 1 || now.kept[0].What != "b" || now.kept[0].At != "monday" || len(now.keptLosses) != 1 {
			t.Errorf("%s: kept %+v and %d losses", at, now.kept, len(now.keptLosses))
		}
		var out strings.Builder
		now.print(&out)
		if !strings.Contains(out.String(), "FAULT: counter 1") {
			t.Errorf("the fault isn't printed:\n%s", out.String())
		}
	}
}
