package ageing

import (
	"errors"
	"fmt"
	"math"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// farthestMs is the longest stretch that a clock is asked for, a hundred years,
// as in the judge. It bounds rates so that no difference of clock values leaves
// half of int64, the range in which signed differences order them.
const farthestMs = 100 * 366 * 24 * 3_600_000

// MaxRate is the largest rate of a curve and MaxLevel the highest level.
const (
	MaxRate  = math.MaxInt64 / 2 / farthestMs
	MaxLevel = math.MaxInt64 / 4
)

// Step is a stretch of the scale of temperature with one rate. It begins at
// Start/2 (0.01 °C) where Start is even, just above it where it is odd: a band has
// both ends inside. Rates are units per ms; Lower differs from Upper where the
// curve doesn't say which holds.
type Step struct {
	Start        int64
	Upper, Lower int64
}

// From gives the start of a step at a temperature.
func From(c event.CentiC) int64 { return 2 * int64(c) }

// Above gives the start of a step just above a temperature.
func Above(c event.CentiC) int64 { return 2*int64(c) + 1 }

// RateCurve is the rate at which a tube ages by temperature. It isn't changed
// once made.
type RateCurve struct {
	steps                      []Step
	within                     []grid
	unknownUpper, unknownLower int64
}

// grid bounds the temperatures of a step on the 0.01 °C grid; from > to: none.
type grid struct{ from, to event.CentiC }

// NewRateCurve checks and makes a curve. The steps go from cold to warm; the
// start of the first is the coldest there is, whatever it says. Unknown gives the
// rates of time of which no temperature is known.
func NewRateCurve(steps []Step, unknownUpper, unknownLower int64) (*RateCurve, error) {
	if len(steps) == 0 {
		return nil, errors.New("curve: steps is empty; give at least one step")
	}
	check := func(what string, upper, lower int64) error {
		if lower < 0 || upper < lower || upper > MaxRate {
			return fmt.Errorf("curve: %s: rates %d and %d; give 0 <= lower <= upper <= %d units per ms", what, upper, lower, int64(MaxRate))
		}
		return nil
	}
	if err := check("unknown", unknownUpper, unknownLower); err != nil {
		return nil, err
	}
	c := &RateCurve{unknownUpper: unknownUpper, unknownLower: unknownLower}
	for i, s := range steps {
		if err := check(fmt.Sprintf("step %d", i), s.Upper, s.Lower); err != nil {
			return nil, err
		}
		switch {
		case i == 0:
			s.Start = math.MinInt64
		case s.Start <= c.steps[i-1].Start:
			return nil, fmt.Errorf("curve: step %d starts at or below the step before it; order the steps from cold to warm", i)
		case s.Start < From(math.MinInt32) || s.Start > Above(math.MaxInt32):
			return nil, fmt.Errorf("curve: step %d starts at no temperature; use From or Above", i)
		}
		c.steps = append(c.steps, s)
	}
	for i, s := range c.steps {
		g := grid{math.MinInt32, math.MaxInt32}
		if i > 0 {
			g.from = event.CentiC((s.Start + 1) >> 1)
		}
		if i+1 < len(c.steps) {
			g.to = event.CentiC((c.steps[i+1].Start - 1) >> 1)
		}
		c.within = append(c.within, g)
	}
	return c, nil
}

// Use is an amount of use, or a value of a clock, from above and from below, in
// units of the curve. It wraps like a sequence number: only differences count.
type Use struct{ Upper, Lower int64 }

func (u Use) plus(v Use) Use  { return Use{u.Upper + v.Upper, u.Lower + v.Lower} }
func (u Use) minus(v Use) Use { return Use{u.Upper - v.Upper, u.Lower - v.Lower} }

// Over gives the use of a segment.
func (c *RateCurve) Over(seg *thermal.Segment) Use {
	ms := int64(seg.To - seg.From)
	if seg.Evidence == thermal.Unknown {
		return Use{ms * c.unknownUpper, ms * c.unknownLower}
	}
	low, high := min(seg.Low0, seg.Low1), max(seg.High0, seg.High1)
	if l := &seg.Line; l.From != l.To { // a cut line: its ends are what is exact
		low, high = min(l.Low0, l.Low1), max(l.High0, l.High1)
	}
	i := 0
	for c.within[i].to < low {
		i++
	}
	if s := &c.steps[i]; c.within[i].from <= low && high <= c.within[i].to {
		return Use{ms * s.Upper, ms * s.Lower}
	}
	return c.across(seg)
}

// across adds up a segment that visits more than one step, piece by piece.
func (c *RateCurve) across(seg *thermal.Segment) (sum Use) {
	l := seg.Whole()
	length := int64(l.To - l.From)
	for at := seg.From; at < seg.To; {
		i, lowFor := c.locate(l.Low0, l.Low1, int64(at-l.From), length)
		j, highFor := c.locate(l.High0, l.High1, int64(at-l.From), length)
		next := seg.To
		if leave := min(lowFor, highFor); leave < int64(seg.To-l.From) {
			next = l.From + event.Instant(leave)
		}
		rate := Use{c.steps[i].Upper, c.steps[i].Lower}
		for k := i + 1; k <= j; k++ {
			rate.Upper, rate.Lower = max(rate.Upper, c.steps[k].Upper), min(rate.Lower, c.steps[k].Lower)
		}
		ms := int64(next - at)
		sum = sum.plus(Use{ms * rate.Upper, ms * rate.Lower})
		at = next
	}
	return sum
}

// locate gives the step of a line from a to b over length ms at ms `at` of it,
// and the first whole ms at which the line is in another one (never: the largest).
func (c *RateCurve) locate(a, b event.CentiC, at, length int64) (step int, leaves int64) {
	rise := int64(b) - int64(a)
	twice := 2 * (int64(a)*length + rise*at) // the exact temperature, twice, times length
	for step+1 < len(c.steps) && reached(twice, c.steps[step+1].Start, length) {
		step++
	}
	switch {
	case rise > 0 && step+1 < len(c.steps):
		// Reached when rise*ms >= way, or > way where the step starts just above.
		start := c.steps[step+1].Start
		way := (start>>1 - int64(a)) * length
		if start&1 != 0 {
			way++
		}
		return step, -floorDiv(-way, rise)
	case rise < 0 && step > 0:
		start := c.steps[step].Start
		way := (int64(a) - start>>1) * length // left when fall*ms > way, or >= way
		if start&1 == 0 {
			way++
		}
		return step, -floorDiv(-way, -rise)
	}
	return step, math.MaxInt64
}

// reached reports whether a temperature, twice and times length, lies in a step
// that begins at start or in a warmer one.
func reached(twice, start, length int64) bool {
	edge := start >> 1 * 2 * length
	return twice > edge || twice == edge && start&1 == 0
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
