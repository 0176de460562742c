package custody

import (
	"time"

	"specimen.example/custody/internal/event"
)

// What may pass over the time that a route takes, and over its departure, before
// somebody asks; common practice, no source.
const (
	lateLeast  = 15 * 60_000 // ms
	lateShare  = 4           // a quarter of the time on the way
	boardsLate = 10 * 60_000 // ms: who takes it over so long after a departure still leaves with it
)

// arrival is when what left a place must have arrived, with what may pass over it; 0
// when no timetable says so. A departure counts from itself; who takes it over leaves
// with the next departure. Where a route isn't named, the only one that leaves there
// (for that place) is meant.
func (w *World) arrival(from, to string, route event.Key, at event.Instant, departed bool) event.Instant {
	var r Route
	found := 0
	for _, o := range w.ways.from[from] {
		if (route == "" || o.Key == route) && (to == "" || o.To == to) {
			r = o
			found++
		}
	}
	if found != 1 {
		named, ok := w.Route(route)
		if route == "" || !ok || named.TakesMin <= 0 {
			return 0
		}
		r = named // it left from elsewhere than the timetable says
	}
	takes := event.Instant(r.TakesMin) * 60_000
	leaves := at
	if !departed {
		leaves = w.nextDeparture(r, at-boardsLate)
	}
	return leaves + takes + max(lateLeast, takes/lateShare)
}

// nextDeparture is the first departure of a route at or after an instant. Without
// times, or without a zone that is known, it leaves at once.
func (w *World) nextDeparture(r Route, at event.Instant) event.Instant {
	if len(r.Departs) == 0 || w.Zones == nil {
		return at + boardsLate
	}
	zone, err := w.Zones(r.Zone)
	if err != nil {
		return at + boardsLate
	}
	next := event.Instant(0)
	local := at.Time().In(zone)
	for day := range 2 {
		for _, text := range r.Departs {
			clock, err := time.Parse("15:04", text)
			if err != nil {
				continue
			}
			leaves := event.At(time.Date(local.Year(), local.Month(), local.Day()+day, clock.Hour(), clock.Minute(), 0, 0, zone))
			if leaves >= at && (next == 0 || leaves < next) {
				next = leaves
			}
		}
	}
	if next == 0 {
		return at + boardsLate
	}
	return next
}

// await notes that an arrival is promised from this step on.
func (k *walk) await(s *Step, from, to string, route event.Key, departed bool) {
	if from == "" {
		from = k.st.fixed
	}
	k.st.due, k.st.dueFrom, k.st.dueScan = k.w.arrival(from, to, route, s.At(), departed), from, idOf(s.Record)
}

// arrived: it is known to be at a place that isn't the one it left.
func (k *walk) arrived(place string) {
	if place != k.st.dueFrom {
		k.st.due = 0
	}
}

// overdue finds what was promised and didn't come. The doubt stands from the moment
// at which it must have arrived, whoever looks earlier.
func (k *walk) overdue() {
	if k.st.due != 0 {
		k.find(event.DoubtLate, k.st.due, k.st.dueScan)
	}
}

// travel finds what nobody can have carried here so fast: less than half of the
// shortest declared way (common practice, no source). A time that was written down
// later proves nothing.
func (k *walk) travel(s *Step, direct bool) {
	rec := s.Record
	if rec.Place == "" || onPaper(rec) || !anyPhysical(s.Facts) || k.w.vehicle(rec.Place) ||
		holds[event.HandlingAttested](s.Facts) || holds[event.DefectNoted](s.Facts) {
		return
	}
	if takes := k.w.ways.minutes[k.st.fixed][rec.Place]; direct && takes > 0 && 2*(rec.Occurred-k.st.fixedAt) < event.Instant(takes)*60_000 {
		k.find(event.DoubtImpossibleTravel, rec.Occurred, idOf(rec), k.st.fixedScan)
	}
	k.st.fixed, k.st.fixedAt, k.st.fixedScan = rec.Place, rec.Occurred, idOf(rec)
}
