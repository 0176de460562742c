package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// One person may have got several references: a temporary number at night, the own one
// in the morning. IdentityMerged says so; facts keep the reference they were told.

// patientKey is the aggregate of a reference.
func patientKey(reference string) event.Key {
	key, err := event.LocalKey(reference)
	if err != nil {
		return ""
	}
	return key
}

// mergedInto is the reference that took over from reference, "" for none.
func (w *World) mergedInto(reference string) string {
	agg := w.logs[event.KindPatient][patientKey(reference)]
	if agg == nil {
		return ""
	}
	into := ""
	for _, s := range foldSteps(event.KindPatient, agg) {
		if f, ok := first[event.IdentityMerged](s.Facts); ok && !s.Voided {
			into = f.Into
		}
	}
	return into
}

// Patient gives the reference that stands for a reference now. Merges that lead in a
// circle end where they began to repeat: any arrival order gives the same.
func (w *World) Patient(reference string) string {
	if reference == "" || len(w.logs[event.KindPatient]) == 0 {
		return reference
	}
	been := []string{reference}
	for {
		into := w.mergedInto(been[len(been)-1])
		if into == "" {
			return been[len(been)-1]
		}
		if at := slices.Index(been, into); at >= 0 {
			return slices.Min(been[at:])
		}
		been = append(been, into)
	}
}

// others reports whether two references are of two patients.
func (w *World) others(a, b string) bool {
	return differ(a, b) && w.Patient(a) != w.Patient(b)
}

// Erased reports whether a reference's identity was destroyed.
func (w *World) Erased(reference string) bool {
	agg := w.logs[event.KindPatient][patientKey(w.Patient(reference))]
	if agg == nil {
		return false
	}
	for _, rec := range agg.all() {
		if holds[event.IdentityErased](rec.Facts) {
			return true
		}
	}
	return false
}

// patient adds every tube that names a reference, or whose request or draw does. It
// reads all: two patients are found to be one a few times a day.
func (r *reach) patient(references []string) {
	w := r.w
	names := func(agg *aggregate) bool {
		for _, rec := range agg.glance() {
			for _, f := range rec.Facts {
				if slices.Contains(references, patientOf(f)) {
					return true
				}
			}
		}
		return false
	}
	for _, ref := range references {
		h := patientHash(patientKey(ref))
		r.cases = w.asleep.between(r.cases, traceKey{kind: tracePatient}, h, h)
	}
	for key, agg := range w.logs[event.KindTube] {
		if names(agg) {
			r.add(Target{event.KindTube, key})
		}
	}
	for key, agg := range w.logs[event.KindDraw] {
		if names(agg) {
			r.add(Target{event.KindDraw, key})
			r.tubes(w.byDraw[key])
		}
	}
	for key, agg := range w.logs[event.KindRequest] {
		if names(agg) {
			r.tubes(w.byRequest[key])
		}
	}
}

// patientOf is the reference that a fact names, "" for none.
func patientOf(fact event.Fact) string {
	switch f := fact.(type) {
	case event.RequestPlaced:
		return f.Patient
	case event.DrawStarted:
		return f.Patient
	case event.CollectionFailed:
		return f.Patient
	case event.TubePrepared:
		return f.Patient
	case event.Collected:
		return f.Patient
	case event.Reidentified:
		return f.Patient
	default:
		return ""
	}
}

// Waiting gives, by the reference that stands, the requests that aren't cancelled and
// have a tube that nobody has collected, or one that shall be drawn again, sorted. It wakes
// none.
func (w *World) Waiting() map[string][]string {
	out := map[string][]string{}
	for key := range w.logs[event.KindRequest] {
		if req, ok := w.waiting(key); ok {
			ref := w.Patient(req.Patient)
			out[ref] = append(out[ref], key.Label())
		}
	}
	for _, orders := range w.asleep.waiting {
		for _, o := range orders {
			ref := w.Patient(o.patient)
			out[ref] = append(out[ref], o.label)
		}
	}
	for _, list := range out {
		slices.Sort(list)
	}
	return out
}

// waiting gives a request of a patient that waits for a tube.
func (w *World) waiting(key event.Key) (*Request, bool) {
	req, ok := w.Request(key)
	return req, ok && !req.Cancelled && req.Patient != "" && w.waits(req)
}

// OfPatient lists the tubes, draws and requests whose facts name a reference, or one
// that was merged with it, and what was made of those tubes, sorted.
func (w *World) OfPatient(reference string) []Target {
	stands := w.Patient(reference)
	w.wakePatient(stands)
	var out []Target
	for _, kind := range []event.Kind{event.KindTube, event.KindDraw, event.KindRequest} {
		for key, agg := range w.logs[kind] {
			if slices.ContainsFunc(agg.glance(), func(r *event.Record) bool {
				return slices.ContainsFunc(r.Facts, func(f event.Fact) bool {
					p := patientOf(f)
					return p != "" && w.Patient(p) == stands
				})
			}) {
				out = append(out, Target{kind, key})
			}
		}
	}
	for _, t := range slices.Clone(out) { // tubes that only their request or draw ties to the patient
		switch t.Kind {
		case event.KindRequest:
			for _, key := range w.byRequest[t.Key] {
				if w.tied(key, t) {
					out = append(out, Target{event.KindTube, key})
				}
			}
		case event.KindDraw:
			for _, key := range w.byDraw[t.Key] {
				if w.tied(key, t) {
					out = append(out, Target{event.KindTube, key})
				}
			}
		}
	}
	known := make(map[event.Key]bool, len(out))
	for _, t := range out {
		known[t.Key] = known[t.Key] || t.Kind == event.KindTube
	}
	for i := 0; i < len(out); i++ { // and what was made of those
		if out[i].Kind != event.KindTube {
			continue
		}
		for _, made := range []keySet{w.named(w.children, event.KindTube, out[i].Key), w.named(w.splits, event.KindTube, out[i].Key)} {
			for _, key := range made {
				if t, ok := w.Tube(key); ok && !known[key] && t.Patient != "" && w.Patient(t.Patient) == stands {
					known[key] = true
					out = append(out, Target{event.KindTube, key})
				}
			}
		}
	}
	slices.SortFunc(out, compareTargets)
	return slices.Compact(out)
}

// wakePatient wakes what names a reference, or one for which it stands now.
func (w *World) wakePatient(stands string) {
	if w.asleep.resting == 0 {
		return
	}
	keys := []event.Key{patientKey(stands)}
	for key := range w.logs[event.KindPatient] {
		if w.Patient(key.Label()) == stands {
			keys = append(keys, key)
		}
	}
	var cases []uint32
	for _, key := range keys {
		h := patientHash(key)
		cases = w.asleep.between(cases, traceKey{kind: tracePatient}, h, h)
	}
	w.wakeAll(cases)
}

// tied reports whether a record of a tube names a request or draw, or the request names
// the tube; voided ones count. The indexes alone may hold what a record said that another
// of its id has replaced.
func (w *World) tied(tube event.Key, to Target) bool {
	said := func(agg *aggregate, names func(event.Fact) bool) bool {
		return agg != nil && slices.ContainsFunc(agg.all(), func(r *event.Record) bool { return slices.ContainsFunc(r.Facts, names) })
	}
	return said(w.agg(event.KindTube, tube), func(fact event.Fact) bool {
		switch f := fact.(type) {
		case event.TubePrepared:
			return to.Kind == event.KindRequest && f.Request == to.Key
		case event.Collected:
			return to.Kind == event.KindRequest && f.Request == to.Key || to.Kind == event.KindDraw && f.Draw == to.Key
		case event.Reidentified:
			return to.Kind == event.KindRequest && f.Request == to.Key
		default:
			return false
		}
	}) || to.Kind == event.KindRequest && said(w.agg(to.Kind, to.Key), func(fact event.Fact) bool {
		f, ok := fact.(event.TubeAssigned)
		return ok && f.Tube == tube
	})
}

// ErasedPatients lists the references whose identity is to be nowhere, sorted.
func (w *World) ErasedPatients() []string {
	var out []string
	for key, agg := range w.logs[event.KindPatient] {
		if slices.ContainsFunc(agg.all(), func(r *event.Record) bool { return holds[event.IdentityErased](r.Facts) }) {
			out = append(out, key.Label())
		}
	}
	slices.Sort(out)
	return out
}

func (w *World) waits(req *Request) bool {
	if len(w.Again(req.Key)) > 0 {
		return true
	}
	if len(req.Assigned) == 0 {
		for _, tube := range w.byRequest[req.Key] {
			if w.tied(tube, Target{event.KindRequest, req.Key}) {
				return false
			}
		}
		return true
	}
	return slices.ContainsFunc(req.Assigned, func(a Assignment) bool {
		agg := w.agg(event.KindTube, a.Tube)
		return agg == nil || !slices.ContainsFunc(agg.all(), func(r *event.Record) bool { return holds[event.Collected](r.Facts) })
	})
}
