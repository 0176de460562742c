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
	if all == nil || !w.mayRest(all, terms) {
		return nil, nil
	}
	if w.settleCounts(all); w.miscounted(all) {
		return nil, nil
	}
	return all, w.rest(all, keep)
}

// RestSome looks at so many of the tubes that are awake, one after the other in turn, and
// puts to rest what the terms allow.
func (w *World) RestSome(n int, terms Terms, keep Keep) (rested []Target, err error) {
	a := &w.asleep
	for range min(n, len(a.ring)-a.head) {
		tube := a.ring[a.head]
		a.ring[a.head] = ""
		if a.head++; 2*a.head > len(a.ring) {
			a.ring = slices.Delete(a.ring, 0, a.head)
			a.head = 0
		}
		if w.logs[event.KindTube][tube] == nil {
			continue // it rests
		}
		all, err := w.Rest(tube, terms, keep)
		if rested = append(rested, all...); all == nil || err != nil {
			a.ring = append(a.ring, tube)
		}
		if err != nil {
			return rested, err
		}
	}
	return rested, nil
}

// quiet: nothing happened or was recorded at t or later.
func (a *aggregate) quiet(t event.Instant) bool {
	return !slices.ContainsFunc(a.records, func(r *event.Record) bool { return r.Occurred >= t || r.Recorded >= t })
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
			for _, rec := range agg.records {
				linked(rec, add)
			}
		}
		for _, rec := range w.asleep.stale[t] {
			linked(rec, add)
		}
	}
	return all
}

// mayRest: all of it is over, quiet, and nobody is asked about it.
func (w *World) mayRest(all []Target, terms Terms) bool {
	over := terms.Over
	if over == nil {
		over = Over
	}
	for _, t := range all {
		if agg := w.logs[t.Kind][t.Key]; agg != nil && !agg.quiet(terms.Before) {
			return false
		}
		if t.Kind == event.KindTube && terms.Needed != nil && terms.Needed(t.Key) {
			return false
		}
	}
	for _, t := range all {
		if slices.ContainsFunc(w.DoubtHistory(t, 0), func(p PastDoubt) bool { return p.ClosedAt == 0 }) {
			return false
		}
		switch t.Kind {
		case event.KindDraw:
			if len(w.DoubtsOf(t, 0)) > 0 {
				return false
			}
		case event.KindTube:
			d := w.derive(t.Key, 0, nil)
			if d == nil {
				continue // only named
			}
			if d.tube.Flag.Open || !over(&d.tube) || len(w.stand(t, d.doubts, 0)) > 0 || w.wantedAgain(t.Key) ||
				slices.ContainsFunc(d.tube.Timeline, func(s Step) bool { return s.At() >= terms.Before }) {
				return false
			}
		}
	}
	return true
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

// rest gives the records away and leaves the trace.
func (w *World) rest(all []Target, keep Keep) error {
	if w.asleep.keys.full(len(all)) || len(w.asleep.beds) == math.MaxInt32 {
		return errFull
	}
	var records []*event.Record
	for _, t := range all {
		if agg := w.logs[t.Kind][t.Key]; agg != nil {
			records = append(records, agg.records...)
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
	w.lie(all, records, ref)
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
		w.logs[kind] = again(w.logs[kind])
	}
	for _, m := range []*map[event.Key]keySet{&w.byRequest, &w.assigned, &w.byDraw, &w.children, &w.splits, &w.asked} {
		*m = again(*m)
	}
	for _, m := range w.members {
		m.open, m.closed = again(m.open), again(m.closed)
	}
	for _, m := range []map[event.Key]*crowd{w.scannedAt, w.onRoute} {
		for _, c := range m {
			c.many = again(c.many)
		}
	}
}

// again gives a map of the same entries and no more room than they need; maps.Clone keeps
// the room.
func again[K comparable, V any](m map[K]V) map[K]V {
	if m == nil {
		return nil
	}
	out := make(map[K]V, len(m))
	for k, v := range m {
		out[k] = v
	}
	return out
}

// lie makes the bed: the trace of what can touch the case.
func (w *World) lie(all []Target, records []*event.Record, ref uint64) {
	a := &w.asleep
	no := uint32(len(a.beds)) //nolint:gosec // see rest
	// All that asks the world comes before the bed is made, or it would wake the case.
	last := w.lastOf(all, records)
	for _, t := range all {
		if t.Kind != event.KindRequest {
			continue
		}
		if req, ok := w.waiting(t.Key); ok {
			a.waiting[no] = append(a.waiting[no], order{patient: req.Patient, label: t.Key.Label()})
		}
	}
	a.beds = append(a.beds, bed{ref: ref, last: latest(last), resting: true})
	a.resting++
	bounds := make(map[traceKey]span)
	var patients []uint32
	note := func(key traceKey, from, to uint32) {
		s, ok := bounds[key]
		if !ok {
			s = span{from, to, no}
		}
		s.from, s.to = min(s.from, from), max(s.to, to)
		bounds[key] = s
	}
	for _, t := range all {
		agg := w.logs[t.Kind][t.Key]
		a.keys.put(t, agg != nil, no)
		if agg == nil {
			continue
		}
		a.lens[t.Kind]++
		w.tally(t.Kind, agg, 1)
		if top := slices.MaxFunc(agg.records, func(x, y *event.Record) int { return compareSeq(x, y) }); agg.seq > top.Seq {
			a.seqs[t] = agg.seq
		}
		for _, carrier := range agg.packed {
			if s, ok := w.members[carrier].find(agg); ok {
				to := uint32(forever)
				if s.out != 0 {
					to = latest(s.out)
				}
				note(traceKey{kind: traceCarrier, name: string(carrier)}, firstIn(agg, carrier), to)
			}
		}
	}
	for _, rec := range records {
		self := Target{rec.Kind, rec.Key}
		eachPlace(self, rec, func(key event.Key) {
			note(traceKey{kind: tracePlace, name: string(key)}, earliest(rec.Occurred), latest(last))
		})
		if device, t, ok := tickOf(rec); ok {
			note(traceKey{kind: traceClock, name: string(device), boot: rec.BootID}, counter(t.mono), counter(t.mono))
		}
		for _, fact := range rec.Facts {
			switch f := fact.(type) {
			case event.Departed:
				if f.Route != "" {
					note(traceKey{kind: traceRoute, name: string(f.Route)}, earliest(rec.Occurred), latest(last))
				}
			case event.DrawStarted:
				if rec.Kind == event.KindDraw {
					note(traceKey{kind: traceDraws, name: rec.Device}, earliest(rec.Occurred), latest(rec.Occurred))
				}
			case event.RecollectionAsked:
				note(traceKey{kind: traceAsked}, earliest(rec.Occurred), latest(last))
			}
			if p := patientOf(fact); p != "" {
				if h := patientHash(patientKey(p)); !slices.Contains(patients, h) {
					patients = append(patients, h)
				}
			}
		}
	}
	for key, s := range bounds {
		a.span(key, s)
	}
	for _, h := range patients {
		a.span(traceKey{kind: tracePatient}, span{h, h, no})
	}
}

// lastOf is the last instant at which something happened to the case, by itself or by box.
func (w *World) lastOf(all []Target, records []*event.Record) event.Instant {
	var last event.Instant
	for _, rec := range records {
		last = max(last, rec.Occurred)
	}
	for _, t := range all {
		if t.Kind != event.KindTube {
			continue
		}
		if x, ok := w.Tube(t.Key); ok && len(x.Timeline) > 0 {
			last = max(last, x.Timeline[len(x.Timeline)-1].At())
		}
	}
	return last
}

// firstIn is when a thing was first put into a carrier, voided or not.
func firstIn(agg *aggregate, carrier event.Key) uint32 {
	first := event.Instant(math.MaxInt64)
	for _, rec := range agg.records {
		for _, f := range rec.Facts {
			if p, ok := f.(event.Packed); ok && p.Carrier == carrier {
				first = min(first, rec.Occurred)
			}
		}
	}
	return earliest(first)
}

func compareSeq(a, b *event.Record) int {
	switch {
	case a.Seq < b.Seq:
		return -1
	case a.Seq > b.Seq:
		return 1
	}
	return 0
}

// tally keeps what Count counts of cases at rest.
func (w *World) tally(kind event.Kind, agg *aggregate, by int) {
	steps := foldSteps(kind, agg)
	for i := range steps {
		if steps[i].Voided {
			continue
		}
		for j, f := range steps[i].Facts {
			if f == nil {
				continue
			}
			name := f.FactName()
			if slices.ContainsFunc(steps[i].Facts[:j], func(o event.Fact) bool { return o != nil && o.FactName() == name }) {
				continue // counted once per step
			}
			if w.asleep.facts[name] += by; w.asleep.facts[name] == 0 {
				delete(w.asleep.facts, name)
			}
		}
	}
}

// forget takes an aggregate out as if nothing of it had ever been applied. All that names
// it is in its case, or a carrier, place, route or device.
func (w *World) forget(t Target) {
	switch t.Kind {
	case event.KindTube:
		delete(w.assigned, t.Key)
		delete(w.children, t.Key)
		delete(w.splits, t.Key)
		delete(w.asked, t.Key)
	case event.KindDraw:
		delete(w.byDraw, t.Key)
	case event.KindRequest:
		delete(w.byRequest, t.Key)
	}
	agg := w.logs[t.Kind][t.Key]
	stale := w.asleep.stale[t]
	delete(w.asleep.stale, t)
	if agg == nil {
		return
	}
	delete(w.logs[t.Kind], t.Key)
	for _, carrier := range agg.packed {
		w.members[carrier].drop(agg)
	}
	for _, list := range [][]*event.Record{agg.records, stale} {
		for _, rec := range list {
			eachPlace(t, rec, func(key event.Key) { dropMember(w.scannedAt, key, agg) })
			for _, fact := range rec.Facts {
				if f, ok := fact.(event.Departed); ok && f.Route != "" {
					dropMember(w.onRoute, f.Route, agg)
				}
			}
		}
	}
	for _, rec := range agg.records {
		w.unindexDraw(rec)
		w.thinTicks(rec)
	}
}
