package live

import (
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// aggregateOf gives the aggregate that a custody subject names; false for every
// other subject.
func aggregateOf(subject string) (custody.Target, bool) {
	token := strings.Split(subject, ".")
	if len(token) != 4 || token[0] != "custody" || !event.Key(token[3]).Valid() {
		return custody.Target{}, false
	}
	return custody.Target{Kind: event.Kind(token[2]), Key: event.Key(token[3])}, true
}

// Unread is the last sequence of an aggregate's messages that could not be read, 0
// for none. A write must expect it: else one such message would end all writing
// about its tube.
func (m *Model) Unread(t custody.Target) uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.unread[t]
}
