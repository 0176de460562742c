package rehearse_test

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
)

// Every temperature survives being written and read.
func TestCelsiusIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := event.CentiC(rapid.Int32Range(-99_999, 99_999).Draw(t, "c"))
		f, err := strconv.ParseFloat(rehearse.Celsius(c), 64)
		if err != nil || int64(math.Round(f*100)) != int64(c) {
			t.Fatalf("%d is written %s", c, rehearse.Celsius(c))
		}
	})
}

func TestLongFilesAreCutIntoRuns(t *testing.T) {
	readings := make([]event.Reading, 10_001)
	runs := rehearse.Runs("LG-1", "x", readings)
	if len(runs) != 2 || len(runs[0].Readings) != 10_000 || len(runs[1].Readings) != 1 || runs[0].Id != "x" || runs[1].Id != "x-2" {
		t.Errorf("%d runs", len(runs))
	}
}
