package live

import (
	"maps"
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
)

// toldAtOnce bounds how many tubes are read for a report under one hold of the lock.
const toldAtOnce = 256

// FlagReport says how it stands with the flags that were raised from an instant on, before
// another. Tubes of which the model holds nothing any more are not in it.
func (m *Model) FlagReport(from, to event.Instant) flags.Report {
	m.mu.Lock()
	now := m.time()
	keys := slices.Collect(maps.Keys(m.everFlagged))
	m.mu.Unlock()
	var all []flags.Episode
	for part := range slices.Chunk(keys, toldAtOnce) {
		m.mu.Lock()
		for _, key := range part {
			if t, ok := m.tube(key); ok {
				all = append(all, flags.Episodes(key, told(t))...)
			}
		}
		m.mu.Unlock()
	}
	return flags.Sum(all, from, to, now)
}

// told gives a tube's own facts of its flag that count.
func told(t *custody.Tube) []flags.Told {
	var out []flags.Told
	for i := range t.Timeline {
		s := &t.Timeline[i]
		if s.Voided || s.Inherited {
			continue
		}
		for _, f := range s.Facts {
			switch f.(type) {
			case event.FlagRaised, event.FlagChanged, event.FlagCleared, event.FlagTaken, event.FlagActed, event.FlagOverridden, event.FlagPutAside:
				out = append(out, flags.Told{At: s.At(), Fact: f})
			}
		}
	}
	return out
}
