package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Request is what was ordered for a patient, as it stands.
type Request struct {
	Key     event.Key
	Seq     uint64
	Patient string // random reference
	// Ordered are the tests placed; Added came later; both without the Withdrawn.
	Ordered, Added, Withdrawn []string
	Priority                  string
	Conditions                map[string]bool
	Destination               string
	Irreplaceable             bool
	Placed                    Mark
	Cancelled                 bool
	CancelledBy               Mark
	Assigned                  []Assignment
	Tubes                     []event.Key // that name it or that it names, sorted
}

// Assignment names a tube that shall carry tests.
type Assignment struct {
	Tube  event.Key
	Type  string
	Tests []string
}

// Request gives a request; false when there are no facts of it.
func (w *World) Request(key event.Key) (*Request, bool) {
	r, ok := w.requestAt(key, 0)
	if !ok {
		return nil, false
	}
	for _, tube := range w.byRequest[key] {
		if w.namesRequest(tube, key) || slices.ContainsFunc(r.Assigned, func(a Assignment) bool { return a.Tube == tube }) {
			r.Tubes = w.addMaterial(r.Tubes, tube, key)
		}
	}
	slices.Sort(r.Tubes)
	return r, true
}

// addMaterial adds a tube and what was derived from it for the same request.
func (w *World) addMaterial(tubes []event.Key, tube, request event.Key) []event.Key {
	if slices.Contains(tubes, tube) {
		return tubes
	}
	tubes = append(tubes, tube)
	for _, child := range w.children[tube] {
		if t, ok := w.Tube(child); ok && t.Parent == tube && t.Request == request {
			tubes = w.addMaterial(tubes, child, request)
		}
	}
	return tubes
}

// namesRequest reports whether a fact of the tube that counts names the request.
func (w *World) namesRequest(tube, request event.Key) bool {
	agg := w.agg(event.KindTube, tube)
	return agg != nil && slices.ContainsFunc(foldSteps(event.KindTube, agg), func(s Step) bool {
		c, _ := first[event.Collected](s.Facts)
		p, _ := first[event.TubePrepared](s.Facts)
		return !s.Voided && (c.Request == request || p.Request == request)
	})
}

func (w *World) requestAt(key event.Key, t event.Instant) (*Request, bool) {
	agg := w.agg(event.KindRequest, key)
	if agg == nil {
		return nil, false
	}
	r := &Request{Key: key, Seq: w.Seq(Target{event.KindRequest, key})}
	for _, s := range foldRecords(event.KindRequest, upTo(agg.all(), t), agg.voids) {
		if s.Voided {
			continue
		}
		for _, fact := range s.Facts {
			r.apply(&s, fact)
		}
	}
	return r, true
}

func (r *Request) apply(s *Step, fact event.Fact) {
	without := func(list []string, test string) []string {
		return slices.DeleteFunc(slices.Clone(list), func(t string) bool { return t == test })
	}
	switch f := fact.(type) {
	case event.RequestPlaced:
		keepFirst(&r.Patient, f.Patient)
		r.Placed = mark(s, "", event.Ciphertext{})
		r.Ordered, r.Priority, r.Destination = slices.Clone(f.Tests), f.Priority, f.Destination
		r.Conditions, r.Irreplaceable = conditions(f.Conditions), f.Irreplaceable
		r.Cancelled, r.CancelledBy = false, Mark{}
	case event.RequestCancelled:
		r.Cancelled, r.CancelledBy = true, mark(s, f.Reason, f.Note)
	case event.TestAdded:
		r.Withdrawn = without(r.Withdrawn, f.Test)
		if !slices.Contains(r.Added, f.Test) {
			r.Added = append(r.Added, f.Test)
		}
	case event.TestWithdrawn:
		r.Ordered, r.Added = without(r.Ordered, f.Test), without(r.Added, f.Test)
		r.Withdrawn = append(without(r.Withdrawn, f.Test), f.Test)
	case event.TubeAssigned:
		a := Assignment{Tube: f.Tube, Type: f.Type, Tests: f.Tests}
		if i := slices.IndexFunc(r.Assigned, func(o Assignment) bool { return o.Tube == f.Tube }); i >= 0 {
			r.Assigned[i] = a
			return
		}
		r.Assigned = append(r.Assigned, a)
	}
}
