package rehearsal

import "math/bits"

// splitMix is the generator SplitMix64: Steele, Lea and Flood, "Fast splittable
// pseudorandom number generators", OOPSLA 2014, with the constants of the public
// domain C code of Vigna, 2015. Its state is one number, so each round of
// collecting has a generator of its own, made from the seed and the round alone.
type splitMix struct{ state uint64 }

func (s *splitMix) Uint64() uint64 {
	s.state += 0x9e3779b97f4a7c15
	z := s.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// sourceOf gives the generator of one part of a day: what and number name the part.
func sourceOf(seed uint64, what part, number int) *splitMix {
	mix := splitMix{state: seed}
	mix.state = mix.Uint64() ^ uint64(what)<<56 ^ uint64(number) //nolint:gosec // a number of a part is never negative
	mix.state = mix.Uint64()
	return &mix
}

// part is what of a day draws from a generator of its own.
type part uint8

const (
	ofSite part = iota + 1
	ofRound
	ofBox
	ofHardness
	ofStation
)

// dice draws what a day needs.
type dice struct{ *splitMix }

// below gives a number from 0 up to n, n itself left out; n must be above 0. The
// high word of the product leaves a bias under n in 2^64.
func (d dice) below(n int) int {
	high, _ := bits.Mul64(d.Uint64(), uint64(n)) //nolint:gosec // n is above 0
	return int(high)                             //nolint:gosec // high is below n
}

// between gives a number from low to high, both ends inside.
func (d dice) between(low, high int) int { return low + d.below(high-low+1) }

// million is what rates count in.
const million = 1_000_000

// falls reports whether something that happens rate times in a million happens now.
func (d dice) falls(rate int) bool { return d.below(million) < rate }
