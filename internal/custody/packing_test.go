package custody

import (
	"fmt"
	"slices"

	"specimen.example/custody/internal/event"
)

// soundLists tells whether the lists of carriers, places and routes hold what their counts
// and those that stand in them say.
func (w *World) soundLists() error {
	for carrier, m := range w.members {
		if err := m.sound(); err != nil || m.carrier != carrier {
			return fmt.Errorf("what was in %s: %w", carrier, err)
		}
	}
	in := map[*crowd]int{}
	for _, logs := range w.logs {
		for _, agg := range logs {
			for c := range agg.crowds.all {
				in[c]++
			}
		}
	}
	for _, crowds := range []map[event.Key]*crowd{w.scannedAt, w.onRoute} {
		for of, c := range crowds {
			all := slices.Collect(c.all)
			if c.of != of || len(all) != in[c] || len(c.list) != len(all)+c.gone || slices.ContainsFunc(all, func(agg *aggregate) bool { return !slices.Contains(slices.Collect(agg.crowds.all), c) }) {
				return fmt.Errorf("who was at %s: %d of %d, %d gone; %d say so", of, len(all), len(c.list), c.gone, in[c])
			}
		}
	}
	for _, m := range w.members {
		for _, agg := range slices.Concat(m.list, m.open) {
			if !agg.gone && w.logs[agg.self.Kind][agg.self.Key] != agg {
				return fmt.Errorf("%s in %s is not the one that is awake", agg.self.Key, m.carrier)
			}
		}
	}
	return nil
}

// sound tells whether the lists of a membership hold what its counts and its members say.
func (m *membership) sound() error {
	gone, left, lasting := 0, 0, 0
	seen := map[*aggregate]bool{}
	for _, agg := range m.list {
		switch {
		case seen[agg]:
			return fmt.Errorf("%s stands in it twice", agg.self.Key)
		case agg.gone:
			gone++
		case !agg.packed(m.carrier).listed:
			return fmt.Errorf("%s doesn't know that it stands in it", agg.self.Key)
		case agg.packed(m.carrier).lasts:
			lasting++
		}
		seen[agg] = true
	}
	clear(seen)
	for _, agg := range m.open {
		switch {
		case seen[agg]:
			return fmt.Errorf("%s is open twice", agg.self.Key)
		case agg.gone || !agg.packed(m.carrier).lasts:
			left++
		default:
			lasting--
		}
		seen[agg] = true
	}
	if gone != m.gone || left != m.left || lasting != 0 {
		return fmt.Errorf("%d gone and %d left, it says %d and %d; %d that last are not open", gone, left, m.gone, m.left, lasting)
	}
	return nil
}
