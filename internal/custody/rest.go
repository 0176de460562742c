package custody

import (
	"math"
	"slices"

	"specimen.example/custody/internal/event"
)

// A case is what hangs together by name: tubes, draws and requests. When all of it is over
// it may rest: its records go to the caller, and what stays here is a trace that says what
// can still touch it. Waking is applying the records again; the fold is free of order, so a
// world that wakes in time answers like one that never rests.

// Terms say which cases may rest.
type Terms struct {
	// Before: nothing happened to the case at this instant or later, nor was recorded.
	Before event.Instant
	// Over tells when a tube needs no watching; nil: World's own Over.
	Over func(t *Tube) bool
	// Needed keeps the case of a tube awake; nil: none is needed.
	Needed func(tube event.Key) bool
}

// Keep takes the records of a case, all of each of its aggregates in fold order, and gives
// the number under which Recall finds them. An error keeps the case awake.
type Keep func(records []*event.Record) (ref uint64, err error)

// lookAgain is after how long a case that was quiet and not over is looked at again, lookLate
// how much later than others a tube is looked at first of which nothing was told that ends
// the use of most, in ms: a look costs a derivation of each tube of the case.
const (
	lookAgain = 3_600_000
	lookLate  = 4 * lookAgain
)

// endsUse: most tubes of which this is told are over by it. The others are over by what is
// told of their request, of a carrier or of another tube, or don't rest for long.
func endsUse(facts []event.Fact) bool {
	for _, f := range facts {
		switch f.(type) {
		case event.Measured, event.Disposed, event.Rejected, event.DeclaredLost, event.SplitInto, event.SameMaterialAs:
			return true
		}
	}
	return false
}

// A case larger than this doesn't rest: one late scan would bring back all of it.
const mostInCase = 2_000

// Over reports whether nothing is done with a tube any more, unless somebody says so: it was
// discarded, rejected or lost, its order was cancelled, it lives on under other numbers, or
// every test on it was run. What is only carried is over when it was received, put into a
// store or sent on. Common practice, no source.
func Over(t *Tube) bool {
	switch {
	case t.Spinning.Is() || t.Held:
		return false
	case t.Disposed.Is() || t.Rejected.Is() || t.Lost.Is() || t.Cancelled || t.NewLabel != "" || len(t.Parts) > 0:
		return true
	case t.CustodyOnly:
		return t.Received.Is() || t.Stored.Is() || t.Referred.Is()
	}
	return t.TestsKnown && len(t.Tests) > 0 && !slices.ContainsFunc(t.Tests, func(test string) bool { return !ran(t, test) })
}

// ran reports whether a test was run on the tube.
func ran(t *Tube, test string) bool {
	return slices.ContainsFunc(t.Ended, func(e Ended) bool {
		switch e.What {
		case event.EndsMeasured, event.EndsTested, event.EndsTransfused, event.EndsSetUp:
			return len(e.Tests) == 0 || slices.Contains(e.Tests, test)
		}
		return false
	})
}

// AtRest reports whether the records of t are with the caller now.
func (w *World) AtRest(t Target) bool {
	_, ok := w.asleep.caseOf(t)
	return ok
}

// AwakeTubes is the number of tubes that don't rest.
func (w *World) AwakeTubes() int { return len(w.logs[event.KindTube]) }

// LooksOver reports, at a glance, whether what ends the use of most tubes was told of one
// that is awake, and nothing happened to it at an instant or later.
func (w *World) LooksOver(tube event.Key, before event.Instant) bool {
	agg := w.logs[event.KindTube][tube]
	return agg != nil && agg.ends && agg.quiet(before)
}

// Resting is the number of cases at rest, and of their tubes.
func (w *World) Resting() (cases, tubes int) { return w.asleep.resting, w.asleep.lens[event.KindTube] }

// Rest puts the case of a tube to rest if the terms allow it, and gives what rests now:
// aggregates, and keys that only others name. Nil: it stays awake. It costs one derivation
// of each tube of the case; a tube to which something happened lately costs a glance.
func (w *World) Rest(tube event.Key, terms Terms, keep Keep) ([]Target, error) {
	agg := w.logs[event.KindTube][tube]
	if w.Recall == nil || agg == nil || !agg.quiet(terms.Before) {
		return nil, nil
	}
	all := w.together(Target{event.KindTube, tube})
	if all == nil {
		return nil, nil
	}
	last, may := w.mayRest(all, terms)
	if !may {
		return nil, nil
	}
	if w.settleCounts(all); w.miscounted(all) {
		return nil, nil
	}
	return all, w.rest(all, last, keep)
}

// RestSome looks at so many of the tubes that are awake, one after the other in turn, and
// puts to rest what the terms allow. One that was quiet and may not rest is looked at again
// an hour later.
func (w *World) RestSome(n int, terms Terms, keep Keep) (rested []Target, err error) {
	a := &w.asleep
	for range min(n, len(a.ring)-a.head) {
		tube := a.ring[a.head]
		a.ring[a.head] = ""
		if a.head++; 2*a.head > len(a.ring) {
			a.ring, a.head = slices.Clone(a.ring[a.head:]), 0
		}
		agg := w.logs[event.KindTube][tube]
		if agg == nil {
			continue // it rests
		}
		if agg.stays > terms.Before || !agg.ends && agg.newest > terms.Before-lookLate {
			a.ring = append(a.ring, tube)
			continue
		}
		all, err := w.Rest(tube, terms, keep)
		if all == nil && agg.quiet(terms.Before) {
			agg.stays = terms.Before + lookAgain
		}
		if rested = append(rested, all...); all == nil || err != nil {
			a.ring = append(a.ring, tube)
		}
		w.Tidy() // what may not rest was spread out
		if err != nil {
			return rested, err
		}
	}
	return rested, nil
}

// quiet: nothing happened or was recorded at t or later.
func (a *aggregate) quiet(t event.Instant) bool {
	return a.newest < t
}

// linked hands over what the facts of one record name by which cases hang together.
func linked(rec *event.Record, f func(Target)) {
	name := func(kind event.Kind, keys ...event.Key) {
		for _, key := range keys {
			if key != "" {
				f(Target{kind, key})
			}
		}
	}
	for _, fact := range rec.Facts {
		switch f := fact.(type) {
		case event.TubePrepared:
			name(event.KindRequest, f.Request)
		case event.Collected:
			name(event.KindRequest, f.Request)
			name(event.KindDraw, f.Draw)
		case event.Reidentified:
			name(event.KindRequest, f.Request)
		case event.DerivedFrom:
			name(event.KindTube, f.Parent)
		case event.SameMaterialAs:
			name(event.KindTube, f.Tube)
		case event.SplitInto:
			name(event.KindTube, f.Tubes...)
		case event.TubeAssigned:
			name(event.KindTube, f.Tube)
		case event.RecollectionAsked:
			name(event.KindTube, f.Tubes...)
		}
	}
}

// caseKind: what rests. Carriers, places and what else is described stay.
func caseKind(kind event.Kind) bool {
	return kind == event.KindTube || kind == event.KindDraw || kind == event.KindRequest
}

// together gives the case of t, nil when it is too large.
func (w *World) together(t Target) []Target {
	seen := map[Target]struct{}{t: {}}
	all := []Target{t}
	add := func(t Target) {
		if _, ok := seen[t]; !ok {
			seen[t] = struct{}{}
			all = append(all, t)
		}
	}
	each := func(kind event.Kind, set keySet) {
		for _, key := range set {
			add(Target{kind, key})
		}
	}
	for i := 0; i < len(all); i++ {
		if len(all) > mostInCase {
			return nil
		}
		t := all[i]
		w.wakeFor(t)
		if len(t.Key) > longestKey {
			return nil
		}
		switch t.Kind {
		case event.KindTube:
			each(event.KindRequest, w.assigned[t.Key])
			each(event.KindTube, w.children[t.Key])
			each(event.KindTube, w.splits[t.Key])
			each(event.KindDraw, w.asked[t.Key])
		case event.KindDraw:
			each(event.KindTube, w.byDraw[t.Key])
		case event.KindRequest:
			each(event.KindTube, w.byRequest[t.Key])
		}
		if agg := w.logs[t.Kind][t.Key]; agg != nil {
			for _, rec := range agg.all() {
				linked(rec, add)
			}
		}
		for _, rec := range w.asleep.stale[t] {
			linked(rec, add)
		}
	}
	return all
}

// mayRest: all of it is over, quiet, and nobody is asked about it. Last is when the last
// thing happened to it, by box too.
func (w *World) mayRest(all []Target, terms Terms) (last event.Instant, may bool) {
	over := terms.Over
	if over == nil {
		over = Over
	}
	for _, t := range all {
		if agg := w.logs[t.Kind][t.Key]; agg != nil {
			if !agg.quiet(terms.Before) {
				return 0, false
			}
			last = max(last, agg.last)
		}
		if t.Kind == event.KindTube && terms.Needed != nil && terms.Needed(t.Key) {
			return 0, false
		}
	}
	for _, t := range all {
		if slices.ContainsFunc(w.DoubtHistory(t, 0), func(p PastDoubt) bool { return p.ClosedAt == 0 }) {
			return 0, false
		}
		switch t.Kind {
		case event.KindDraw:
			if len(w.DoubtsOf(t, 0)) > 0 {
				return 0, false
			}
		case event.KindTube:
			d := w.derive(t.Key, 0, nil)
			if d == nil {
				continue // only named
			}
			if d.tube.Flag.Open || !over(&d.tube) || len(w.stand(t, d.doubts, 0)) > 0 || w.wantedAgain(t.Key) ||
				slices.ContainsFunc(d.tube.Timeline, func(s Step) bool { return s.At() >= terms.Before }) {
				return 0, false
			}
			last = max(last, lastOf(&d.tube))
		}
	}
	return last, true
}

// miscounted: a carrier that one of the tubes was in holds, or held then, other tubes than
// were counted, so somebody asks for them.
func (w *World) miscounted(all []Target) bool {
	if !w.counting {
		return false
	}
	for _, carrier := range w.around(all) {
		for _, o := range w.stand(carrier.self, w.countDoubts(carrier.self.Key, 0), 0) {
			if !o.Told && slices.ContainsFunc(all, func(t Target) bool {
				return t.Kind == event.KindTube && slices.ContainsFunc(w.Stays(t.Key, carrier.self.Key), func(s Stay) bool {
					return s.In <= o.Since && (s.Out == 0 || o.Since <= s.Out)
				})
			}) {
				return true
			}
		}
	}
	return false
}

// lastOf is when the last step of a tube was, its own or by box.
func lastOf(t *Tube) event.Instant {
	if n := len(t.Timeline); n > 0 {
		return t.Timeline[n-1].At()
	}
	return 0
}

// rest gives the records away and leaves the trace. Last is mayRest's.
func (w *World) rest(all []Target, last event.Instant, keep Keep) error {
	if w.asleep.keys.full(len(all)) || len(w.asleep.beds) == math.MaxInt32 {
		return errFull
	}
	var records []*event.Record
	for _, t := range all {
		if agg := w.logs[t.Kind][t.Key]; agg != nil {
			records = append(records, agg.all()...)
		}
	}
	if len(records) == 0 {
		return errNothing
	}
	ref, err := keep(records)
	if err != nil {
		return err
	}
	w.settleCounts(all)
	w.lie(all, records, last, ref)
	for _, t := range all {
		w.forget(t)
	}
	if w.asleep.gone += len(all); w.asleep.gone > 4_096+len(w.logs[event.KindTube]) {
		w.asleep.gone = 0
		w.shrink()
	}
	return nil
}

// shrink makes the maps anew: what was deleted leaves its room in them.
func (w *World) shrink() {
	for _, kind := range []event.Kind{event.KindTube, event.KindDraw, event.KindRequest} {
		w.logs[kind] = Again(w.logs[kind])
	}
	for _, m := range []*map[event.Key]keySet{&w.byRequest, &w.assigned, &w.byDraw, &w.children, &w.splits, &w.asked} {
		*m = Again(*m)
	}
}

// Again gives a map of the same entries and no more room than they need; maps.Clone keeps
// the room.
func Again[K comparable, V any](m map[K]V) map[K]V {
	if m == nil {
		return nil
	}
	out := make(map[K]V, len(m))
	for k, v := range m {
		out[k] = v
	}
	return out
}
