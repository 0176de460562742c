package rehearse

import (
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// longestRun is the most values that the API takes in one run.
const longestRun = 10_000

// Celsius writes hundredths of a degree as decimal text of the API.
func Celsius(c event.CentiC) string {
	sign, n := "", int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	text := fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
	return strings.TrimSuffix(strings.TrimSuffix(text, "0"), ".0")
}

// Runs cuts readings of a logger into runs as long as the API takes; id is the
// id of the first, the others are numbered behind it.
func Runs(logger, id string, readings []event.Reading) []*custodyv1.Readings {
	var runs []*custodyv1.Readings
	for part := range slices.Chunk(readings, longestRun) {
		run := &custodyv1.Readings{Logger: logger, Id: id}
		if n := len(runs); n > 0 {
			run.Id = fmt.Sprintf("%s-%d", id, n+1)
		}
		for _, r := range part {
			one := &custodyv1.Reading{At: r.At.String()}
			if r.OK {
				text := Celsius(r.C)
				one.Celsius = &text
			}
			run.Readings = append(run.Readings, one)
		}
		runs = append(runs, run)
	}
	return runs
}
