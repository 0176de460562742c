package custody

import (
	"math"
	"slices"

	"specimen.example/custody/internal/event"
)

// lie makes the bed: the trace of what can touch the case.
func (w *World) lie(all []Target, records []*event.Record, last event.Instant, ref uint64) {
	a := &w.asleep
	no := uint32(len(a.beds)) //nolint:gosec // see rest
	// All that asks the world comes before the bed is made, or it would wake the case.
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
		if agg.seq > agg.top {
			a.seqs[t] = agg.seq
		}
		for i := range agg.packings {
			if p := &agg.packings[i]; p.known {
				to := uint32(forever)
				if !p.lasts && p.out != 0 {
					to = latest(p.out)
				}
				note(traceKey{kind: traceCarrier, name: string(p.in.carrier)}, firstIn(agg, p.in.carrier), to)
			}
		}
	}
	for _, rec := range records {
		self := Target{rec.Kind, rec.Key}
		w.eachPlace(self, rec, func(key event.Key) {
			note(traceKey{kind: tracePlace, name: string(key)}, earliest(rec.Occurred), latest(last))
		})
		if device, t, ok := w.tickOf(rec); ok {
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

// firstIn is when a thing was first put into a carrier, voided or not.
func firstIn(agg *aggregate, carrier event.Key) uint32 {
	first := event.Instant(math.MaxInt64)
	for _, rec := range agg.all() {
		for _, f := range rec.Facts {
			if p, ok := f.(event.Packed); ok && p.Carrier == carrier {
				first = min(first, rec.Occurred)
			}
		}
	}
	return earliest(first)
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
	delete(w.asleep.stale, t)
	if agg == nil {
		return
	}
	delete(w.logs[t.Kind], t.Key)
	agg.leave()
	for _, rec := range agg.all() {
		w.unindexDraw(rec)
		w.thinTicks(rec)
	}
	*agg = aggregate{w: w, self: t, gone: true} // where it is listed still, it holds nothing
}
