package live

import (
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// Material is how much of a tube there is and how much is spoken for, as far as it was
// said. All volumes are microlitres, 0 when not said.
type Material struct {
	DrawnUl int64 // as said at collection, else what its type is made for
	Nominal bool  // DrawnUl is what the type is made for
	// PlannedUl is what the tests need that are to be run on it; Unsaid are those of
	// them of which no rule set says what they need.
	PlannedUl int64
	Unsaid    []string
	needs     map[string]int64
}

// NeedsUl is what a test needs, 0 when no rule set says so.
func (m *Material) NeedsUl(assay string) int64 { return m.needs[assay] }

// MaterialOf gives the tube's material at an instant (0: now), by the rules in force
// for it; false when the tube is not known. What an aliquot took is not known.
func (m *Model) MaterialOf(key event.Key, at event.Instant) (Material, *custody.Tube, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if at == 0 {
		at = m.time()
	}
	t, ok := m.world.TubeAt(key, at)
	if !ok {
		return Material{}, nil, false
	}
	out := Material{DrawnUl: t.DrawnUl}
	set := m.rulesFor(t, at)
	if set == nil {
		return out, t, true
	}
	out.needs = set.NeedsUl
	for _, test := range t.Tests {
		if ul := set.NeedsUl[test]; ul > 0 {
			out.PlannedUl += ul
		} else {
			out.Unsaid = append(out.Unsaid, test)
		}
	}
	if out.DrawnUl == 0 && t.Parent == "" {
		for _, list := range [][]stability.TubeType{set.Tubes, m.lists.Tubes} {
			for i := range list {
				if list[i].Code == t.Type && list[i].VolumeUl > 0 && out.DrawnUl == 0 {
					out.DrawnUl, out.Nominal = list[i].VolumeUl, true
				}
			}
		}
	}
	return out, t, true
}
