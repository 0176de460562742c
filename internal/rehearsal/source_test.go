package rehearsal

import "testing"

// The first numbers for the state 1234567, as printed on Rosetta Code, "Pseudo-random
// numbers/Splitmix64", which took them from the C code of Vigna.
func TestSplitMix(t *testing.T) {
	source := &splitMix{state: 1234567}
	for i, want := range []uint64{
		6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821,
	} {
		if got := source.Uint64(); got != want {
			t.Errorf("number %d: got %d, want %d", i+1, got, want)
		}
	}
}

// The same page: a hundred thousand numbers below five for the state 987654321 fall
// on 0 to 4 this often.
func TestDiceBelow(t *testing.T) {
	d := dice{&splitMix{state: 987654321}}
	var counts [5]int
	for range 100_000 {
		counts[d.below(5)]++
	}
	if want := [5]int{20027, 19892, 20073, 19978, 20030}; counts != want {
		t.Errorf("got %v, want %v", counts, want)
	}
}

func TestDiceBetween(t *testing.T) {
	d := dice{&splitMix{state: 1}}
	seen := map[int]bool{}
	for range 1_000 {
		seen[d.between(-2, 2)] = true
	}
	for n := -2; n <= 2; n++ {
		if !seen[n] {
			t.Errorf("%d never came", n)
		}
	}
	if len(seen) != 5 {
		t.Errorf("numbers outside -2 to 2 came: %v", seen)
	}
}
