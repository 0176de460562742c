package rehearsal_test

import (
	"fmt"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/story"
)

// Loggers are where the settings put them, and what they did not record or sent late is
// there as often as assumed. Bounds are loose: each is a few in a hundred of hundreds.
func TestLoggersOfADay(t *testing.T) {
	day := plan(t, rehearsal.Settings{Seed: 11, Tubes: 24_000, Often: 5, BoxLoggers: 40, Places: true})
	boxes, own, places, late, holes, phones := 0, 0, 0, 0, 0, 0
	last := map[string]event.Instant{}
	for s := range day.Steps() {
		switch d := s.Declared.(type) {
		case story.Carrier:
			if strings.HasPrefix(d.ID, "BOX-") {
				boxes++
			}
		case story.Logger:
			if d.InKind == event.KindCarrier {
				own++
			} else {
				places++
			}
		case story.Device:
			if strings.Count(d.ID, "-") == 3 {
				phones++
			}
		}
		if !strings.HasPrefix(s.Logger, "LOG-0") && len(s.Readings) > 10 {
			late++
		}
		for _, one := range s.Readings {
			if before := last[s.Logger]; before != 0 && one.At.Sub(before) >= 20*time.Minute {
				holes++
			}
			last[s.Logger] = one.At
		}
	}
	if share := 100 * own / boxes; share < 36 || share > 44 {
		t.Errorf("%d of %d boxes have a logger; want 40 in 100", own, boxes)
	}
	// 200 sites: a ward has a room, a clinic a van too, an island a ferry too; 5 laboratories
	// have three each.
	if want := 40*(2*1+2*2+3) + 5*3; places != want {
		t.Errorf("%d loggers of places, want %d", places, want)
	}
	for what, n := range map[string]int{"late sendings": late, "outages": holes, "phones that send late": phones} {
		if n < 20 {
			t.Errorf("only %d %s", n, what)
		}
	}
}

// A day of five million tubes costs as much a step, and holds as much a tube, as one of
// a hundred thousand. The ratios are printed.
func BenchmarkSteps(b *testing.B) {
	var perStep, perTube [2]float64
	for i, tubes := range []int{100_000, rehearsal.MostTubes} {
		b.Run(fmt.Sprint(tubes), func(b *testing.B) {
			for b.Loop() {
				steps, alive, spent := stepsOf(b, tubes)
				perStep[i], perTube[i] = float64(spent.Nanoseconds())/float64(steps), alive/float64(tubes)
				b.ReportMetric(1e9/perStep[i], "steps/s")
				b.ReportMetric(alive/(1<<20), "MiB-alive")
				b.ReportMetric(perTube[i], "B-alive/tube")
			}
			if i == 1 && perStep[0] > 0 {
				b.ReportMetric(perStep[1]/perStep[0], "x-time/step")
				b.ReportMetric(perTube[1]/perTube[0], "x-alive/tube")
			}
		})
	}
}

// stepsOf makes a day, looks twenty times at how much is alive, and gives the most of it,
// in bytes above what was alive before. Time is the processor's, without the looks.
func stepsOf(b *testing.B, tubes int) (steps int, most float64, spent time.Duration) {
	day := plan(b, rehearsal.Settings{Seed: 1, Tubes: tubes, Places: true})
	alive := func() float64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	before := alive()
	begin := spentCPU(b)
	for range day.Steps() {
		if steps++; steps%(tubes/2) == 0 {
			spent += spentCPU(b) - begin
			most = max(most, alive()-before)
			begin = spentCPU(b)
		}
	}
	return steps, most, spent + spentCPU(b) - begin
}

// spentCPU is the processor time of this process: others have their share of the machine.
func spentCPU(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
