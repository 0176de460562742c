package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Steps gives the folded steps of one aggregate in fold order, voided ones too, without
// what it inherits. They must not be changed.
func (w *World) Steps(t Target) []Step {
	agg := w.agg(t.Kind, t.Key)
	if agg == nil {
		return nil
	}
	return foldSteps(t.Kind, agg)
}

// Trips gives the trips of a carrier in order of time: each begins with what was first
// done with it after it was emptied, and ends when it is emptied again; Latest 0: it
// lasts. Trip gives the legs of the last one.
func (w *World) Trips(carrier event.Key) []Interval {
	agg := w.logs[event.KindCarrier][carrier]
	if agg == nil {
		return nil
	}
	t := w.trailOf(Target{event.KindCarrier, carrier}, foldSteps(event.KindCarrier, agg), 0, state{})
	var out []Interval
	for i := range t.steps {
		s := &t.steps[i]
		if s.Voided {
			continue
		}
		n := len(out)
		if (n == 0 || out[n-1].Latest != 0) && anyPhysical(s.Facts) {
			out, n = append(out, Interval{Earliest: s.At()}), n+1
		}
		if n > 0 && !s.Inherited && holds[event.Emptied](s.Facts) {
			out[n-1].Latest = s.At()
		}
	}
	return out
}

// Guests are the tubes that were packed into the carrier itself and may have been in it
// at an instant or after, sorted: an index alone, Stays says when they were. It wakes those
// that rest.
func (w *World) Guests(carrier event.Key, since event.Instant) []event.Key {
	w.wakeAll(w.asleep.since(nil, traceKey{kind: traceCarrier, name: string(carrier)}, since))
	m := w.members[carrier]
	if m == nil {
		return nil
	}
	var out []event.Key
	for _, agg := range m.inside(since) {
		if agg.self.Kind == event.KindTube {
			out = append(out, agg.self.Key)
		}
	}
	slices.Sort(out)
	return out
}

// Nested are the carriers that were ever packed into the carrier, sorted: an index alone.
func (w *World) Nested(carrier event.Key) []event.Key {
	m := w.members[carrier]
	if m == nil {
		return nil
	}
	var out []event.Key
	for _, agg := range m.all() {
		if agg.self.Kind == event.KindCarrier {
			out = append(out, agg.self.Key)
		}
	}
	slices.Sort(out)
	return out
}

// Stay is a stretch of time in which a tube was inside a carrier.
type Stay struct {
	In, Out event.Instant // Out 0: still inside
	// Via are the carriers between, innermost first; none: directly inside.
	Via []event.Key
}

// Stays gives when a tube was inside a carrier, by its journey: emptying, a direct scan
// elsewhere and the carriers between count.
func (w *World) Stays(tube, carrier event.Key) []Stay {
	var out []Stay
	for _, leg := range w.Journey(tube, 0) {
		i := slices.Index(leg.Carriers, carrier)
		if i < 0 {
			continue
		}
		via := leg.Carriers[:i]
		if n := len(out); n > 0 && out[n-1].Out == leg.From && slices.Equal(out[n-1].Via, via) {
			out[n-1].Out = leg.To
			continue
		}
		out = append(out, Stay{In: leg.From, Out: leg.To, Via: slices.Clone(via)})
	}
	return out
}
