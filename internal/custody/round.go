package custody

import (
	"cmp"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
)

// Departures gives the next departures of a route from an instant on, at most n. None of
// a route without times: it leaves when somebody goes.
func (w *World) Departures(r Route, at event.Instant, n int) []event.Instant {
	if len(r.Departs) == 0 || w.Zones == nil {
		return nil
	}
	if _, err := w.Zones(r.Zone); err != nil {
		return nil
	}
	var out []event.Instant
	for len(out) < n {
		next := w.nextDeparture(r, at)
		out = append(out, next)
		at = next + 1
	}
	return out
}

// Routes lists the routes that lead from a place to another, by their keys.
func (w *World) Routes() []Route {
	var out []Route
	for _, r := range w.ways.routes {
		out = append(out, r)
	}
	slices.SortFunc(out, func(a, b Route) int { return cmp.Compare(a.Key, b.Key) })
	return out
}

// Arrives gives when the timetables let something that is at a place at an instant be at
// another, with no time for changing over; to empty means the first reception on the way.
// 0: no timetable leads there. A route without times leaves at once; one that doesn't say
// how long it takes, or whose times can't be reckoned, promises nothing.
func (w *World) Arrives(from, to string, at event.Instant) event.Instant {
	there := map[string]event.Instant{from: at}
	done := map[string]bool{}
	for {
		here, found := "", false
		for place, t := range there {
			if !done[place] && (!found || t < there[here] || t == there[here] && place < here) {
				here, found = place, true
			}
		}
		if !found {
			return 0
		}
		if here != from || to == from {
			if p, ok := w.Place(here); here == to || to == "" && ok && p.PlaceKind == "reception" {
				return there[here]
			}
		}
		done[here] = true
		for _, r := range w.ways.from[here] {
			leaves := there[here]
			next := w.Departures(r, leaves, 1)
			if r.TakesMin <= 0 || len(r.Departs) > 0 && len(next) == 0 {
				continue
			}
			if len(next) > 0 {
				leaves = next[0]
			}
			comes := leaves + event.Instant(r.TakesMin)*60_000
			if known, ok := there[r.To]; !ok || comes < known {
				there[r.To] = comes
			}
		}
	}
}

// DrawnWithin is the time over which drawn blood counts (Howie 2011: in 24 h).
const DrawnWithin = 24 * time.Hour

// Drawn sums up what was said to be drawn of patients since an instant, in microlitres by
// the reference that stands. Only draws that name a patient count.
func (w *World) Drawn(patients map[string]bool, since event.Instant) map[string]int64 {
	out := map[string]int64{}
	w.wakeDrawn(since)
	for key, agg := range w.logs[event.KindDraw] {
		if agg.newest < since {
			continue
		}
		d, ok := w.draw(key)
		if !ok || !d.Started.Is() || d.Started.At < since {
			continue
		}
		patient := w.Patient(d.Patient)
		if !patients[patient] {
			continue
		}
		for _, tube := range w.byDraw[key] {
			if t, ok := w.Tube(tube); ok && t.Draw == key {
				out[patient] += t.DrawnUl
			}
		}
	}
	return out
}

// wakeDrawn wakes the draws that were begun at an instant or later.
func (w *World) wakeDrawn(since event.Instant) {
	if w.asleep.resting == 0 {
		return
	}
	var cases []uint32
	for key := range w.asleep.traces {
		if key.kind == traceDraws {
			cases = w.asleep.since(cases, key, since)
		}
	}
	w.wakeAll(cases)
}

// BloodUlPerKg is a patient's volume of blood by age in whole months, microlitres a
// kilogram: 80 mL for a newborn at term, 75 to 12 months, 70 to three years, 65 from then
// on, as clinicians use (a paediatrician's page, seen; another gives 85 to 100 and 75).
// Preterm babies have about 90; an age doesn't tell that. Negative: not born.
func BloodUlPerKg(months int) int64 {
	switch {
	case months < 0:
		return 0
	case months < 1:
		return 80_000
	case months < 12:
		return 75_000
	case months < 36:
		return 70_000
	}
	return 65_000
}
