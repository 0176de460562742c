package live

import (
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
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

// onAllFacts takes back that a tube is fit, or that it will be, when some of its
// facts could not be read: what is missing may say otherwise. What is bad by the
// facts that were read stays bad.
func (m *Model) onAllFacts(key event.Key, j *stability.Judgement) {
	if m.unread[custody.Target{Kind: event.KindTube, Key: key}] == 0 {
		return
	}
	switch j.Verdict {
	case event.PastLimit, event.WrongTube, event.CannotSay:
	default:
		*j = stability.Judgement{Assay: j.Assay, Verdict: event.CannotSay, Direction: event.DirectionUnknown, By: j.By, Until: j.Until}
	}
}
