package spinload

import (
	"fmt"
	"math/bits"
)

// The relation of relative centrifugal force to speed, by the definition of the force
// as the acceleration 4 pi^2 n^2 r over that of free fall, 9.80665 m/s^2:
//
//	RCF = 1.118e-5 r n^2    r in cm, n per minute, RCF in g
//
// With r in mm and the force in thousandths of g the factor is 1118 in a million,
// so that all of it is done in integers.
const (
	factor = 1118
	per    = 1_000_000
)

// The most that a radius, a speed and a force may be. Products stay below 2^63.
const (
	mostMm     = 1_000
	mostPerMin = 200_000
	mostG      = 1_000_000
)

// RCF gives the relative centrifugal force in thousandths of g at radiusMm from the
// axis when it turns perMin times a minute, rounded to the nearest. Which radius is
// meant is for the caller: makers state the one at the bottom of the tube, or the mean.
// An error names the argument and the remedy.
func RCF(radiusMm, perMin int64) (milliG int64, err error) {
	if err := within("radius in mm", radiusMm, 1, mostMm); err != nil {
		return 0, err
	}
	if err := within("turns per minute", perMin, 0, mostPerMin); err != nil {
		return 0, err
	}
	return (factor*radiusMm*perMin*perMin + per/2) / per, nil
}

// PerMin gives the turns per minute that make a force of g at radiusMm from the axis,
// rounded to the nearest. An error names the argument and the remedy.
func PerMin(radiusMm, g int64) (int64, error) {
	if err := within("radius in mm", radiusMm, 1, mostMm); err != nil {
		return 0, err
	}
	if err := within("g", g, 0, mostG); err != nil {
		return 0, err
	}
	return nearestRoot(g*1000*per, factor*radiusMm), nil
}

func within(what string, is, low, high int64) error {
	if is < low || is > high {
		return fmt.Errorf("%s: %d is outside %d to %d; give a number between", what, is, low, high)
	}
	return nil
}

// nearestRoot is the whole number nearest to the square root of a/b; a is not
// negative, b above 0, and the root below 2^30.
func nearestRoot(a, b int64) int64 {
	low, high := int64(0), int64(1)<<30
	// n is at most the root + 1/2 just when (2n-1)^2 b is at most 4a.
	atMost := func(n int64) bool {
		side := uint64(2*n - 1) //nolint:gosec // n is above 0
		square := side * side
		h1, l1 := bits.Mul64(square, uint64(b)) //nolint:gosec // b is above 0
		h2, l2 := bits.Mul64(4, uint64(a))      //nolint:gosec // a is not negative
		return h1 < h2 || h1 == h2 && l1 <= l2
	}
	for low < high {
		if mid := (low + high + 1) / 2; atMost(mid) {
			low = mid
		} else {
			high = mid - 1
		}
	}
	return low
}
