package live

import (
	"slices"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// doubtFacts are the facts that make the log agree with the doubts that stand about t
// now, and the next instant at which another one will by itself, 0 for none.
func (m *Model) doubtFacts(t custody.Target, now event.Instant) ([]event.Fact, event.Instant) {
	open := map[string]bool{}
	var facts []event.Fact
	stands := map[string]bool{}
	past := m.world.DoubtHistory(t, 0)
	for _, p := range past {
		if p.ClosedAt == 0 {
			open[p.ID] = true
		}
	}
	standing, next := m.doubtsOf(t, now)
	for _, d := range standing {
		stands[d.ID] = true
		if !open[d.ID] && !d.Told {
			facts = append(facts, event.DoubtRaised{ID: d.ID, Doubt: string(d.Doubt), Causes: d.Causes})
		}
	}
	for _, p := range past {
		if p.ClosedAt == 0 && !stands[p.ID] && (custody.Derives(p.Doubt) || p.Doubt == event.DoubtSpunBeforeClotted) {
			facts = append(facts, event.DoubtClosed{ID: p.ID, By: "facts"})
		}
	}
	return facts, next
}

// doubtsOf gives the doubts that stand about t now, those of its facts and those of
// the limits, and the next instant at which another one will.
func (m *Model) doubtsOf(t custody.Target, now event.Instant) ([]custody.OpenDoubt, event.Instant) {
	if t.Kind != event.KindTube {
		return custody.Standing(m.world.DoubtsOf(t, 0), now)
	}
	tube, ok := m.tube(t.Key)
	if !ok {
		return nil, 0
	}
	list := slices.DeleteFunc(m.tubes[t.Key].look.Doubts(), func(d custody.OpenDoubt) bool {
		return d.Told && d.Doubt == event.DoubtSpunBeforeClotted // worked out below
	})
	if d, ok := m.spunTooSoon(tube, now); ok {
		list = append(list, d)
	}
	return custody.Standing(list, now)
}

// spunTooSoon: a spin began before the time that the tube must be left to clot, by the
// rules in force. The wait counts from the latest moment at which it was filled.
func (m *Model) spunTooSoon(t *custody.Tube, now event.Instant) (custody.OpenDoubt, bool) {
	if t.Zero.Earliest == 0 || t.Type == "" {
		return custody.OpenDoubt{}, false
	}
	set := m.rulesFor(t, now)
	if set == nil {
		return custody.OpenDoubt{}, false
	}
	ready, waits := set.Spinnable(t.Type, t.Zero.Latest)
	if !waits {
		return custody.OpenDoubt{}, false
	}
	target := custody.Target{Kind: event.KindTube, Key: t.Key}
	for i := range t.Timeline {
		s := &t.Timeline[i]
		started := slices.ContainsFunc(s.Facts, func(f event.Fact) bool { _, is := f.(event.SpinStarted); return is })
		if !started || s.Voided || s.At() < t.Zero.Earliest || s.At() >= ready {
			continue
		}
		causes := []string{s.Record.ID}
		id := custody.DoubtID(event.DoubtSpunBeforeClotted, target, causes)
		explained := slices.ContainsFunc(m.world.DoubtHistory(target, 0), func(p custody.PastDoubt) bool {
			return p.ID == id && p.ClosedAt != 0 && p.By != "facts"
		})
		if !explained {
			return custody.OpenDoubt{ID: id, Doubt: event.DoubtSpunBeforeClotted, Causes: causes, Since: s.At()}, true
		}
	}
	return custody.OpenDoubt{}, false
}

// zones finds time zones and remembers them: a timetable asks for the same one each
// time a tube is worked out. Model.mu guards what it remembers.
func zones() func(string) (*time.Location, error) {
	known := map[string]*time.Location{}
	return func(name string) (*time.Location, error) {
		if zone := known[name]; zone != nil {
			return zone, nil
		}
		zone, err := time.LoadLocation(name)
		if err == nil {
			known[name] = zone
		}
		return zone, err
	}
}
