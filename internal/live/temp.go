package live

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// LastTemperature gives the latest reading that speaks of a carrier now, in
// 0.01 °C: of a logger that is on it, else on the carriers around it, unless it has
// a climate of its own. A reading from before the logger was put there says
// nothing of it. Where one instant has two values that disagree, c lies between
// them. ok is false when there is none.
func (m *Model) LastTemperature(carrier event.Key) (at event.Instant, c event.CentiC, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	box, found := m.world.Carrier(carrier)
	if !found {
		return 0, 0, false
	}
	around := []event.Key{carrier}
	if !box.OwnClimate {
		around = append(around, box.In...)
	}
	now := m.time()
	for _, key := range around {
		for _, a := range m.world.LoggersOf(custody.Target{Kind: event.KindCarrier, Key: key}) {
			if a.Until != 0 || a.From > now {
				continue
			}
			if read, value, found := lastUpTo(m.series[a.Logger], now); found && read >= a.From && (!ok || read > at) {
				at, c, ok = read, value, true
			}
		}
		if ok {
			return at, c, true
		}
	}
	return 0, 0, false
}

// lastUpTo is the last valid reading up to now; a logger whose clock runs ahead
// has later ones.
func lastUpTo(s *thermal.Series, now event.Instant) (at event.Instant, c event.CentiC, ok bool) {
	if s == nil {
		return 0, 0, false
	}
	at, low, high, ok := s.Last()
	if !ok || at <= now {
		return at, (low + high) / 2, ok
	}
	ok = false
	for r := range s.All {
		if r.At > now {
			break
		}
		if r.OK {
			at, c, ok = r.At, r.C, true
		}
	}
	return at, c, ok
}

// Doubted lists the tubes about which the log ever raised a doubt, sorted. Most
// of the doubts are settled; the tubes' doubt histories tell.
func (m *Model) Doubted() []event.Key {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []event.Key
	for _, t := range m.doubtAt {
		if t.Kind == event.KindTube {
			out = append(out, t.Key)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
