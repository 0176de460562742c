package live

import (
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// Plan gives the tubes to draw for what was ordered, by the limits in force now: see
// stability.Set.Plan. Without adopted limits it knows the types alone.
func (m *Model) Plan(ordered []stability.Ordered, conditions map[string]bool, assumed event.Range) []stability.Planned {
	m.mu.Lock()
	defer m.mu.Unlock()
	set := m.rulesFor(&custody.Tube{}, m.time()) // of a tube that is filled now
	if set == nil {
		set = &stability.Set{}
	}
	return set.Plan(ordered, conditions, assumed, m.tubeType)
}
