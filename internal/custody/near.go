package custody

import (
	"maps"
	"slices"

	"specimen.example/custody/internal/event"
)

// Near lists the tubes that a temperature read in or at t since an instant may
// speak of: those that were in the carrier then or later, or that have a step at
// the place. It may name more than there were; a journey says which. What rests is woken if
// it wasn't over by then, and left out otherwise: no reading changes what is said of it.
func (w *World) Near(t Target, since event.Instant) []event.Key {
	r := w.near(t, since)
	if len(r.cases) > 0 {
		w.wakeAll(r.cases)
		r = w.near(t, since)
	}
	var out []event.Key
	for _, t := range slices.SortedFunc(maps.Keys(r.seen), compareTargets) {
		if t.Kind == event.KindTube {
			out = append(out, t.Key)
		}
	}
	return out
}

func (w *World) near(t Target, since event.Instant) *reach {
	r := &reach{w: w, seen: make(map[Target]struct{}), at: since, rest: since, over: true}
	if t.Kind == event.KindPlace {
		r.place(t.Key)
	} else {
		r.add(t)
	}
	return r
}
