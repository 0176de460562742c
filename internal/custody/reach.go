package custody

import (
	"maps"
	"reflect"
	"slices"

	"specimen.example/custody/internal/event"
)

// reach collects aggregates once each.
type reach struct {
	w    *World
	seen map[Target]struct{}
	at   event.Instant // what left a carrier before this can't be changed; 0: look at all
	// rest is the same for cases at rest, where it is often known more closely; nothing: none
	// of them can be changed. Over: nor what was over before it, as by a temperature.
	rest  event.Instant
	over  bool
	cases []uint32 // at rest and reached
}

// nothing is an instant that no stay reaches.
const nothing = event.Instant(1) << 62

// before is what was known when a record came.
type before struct {
	described any // all versions of a place or carrier
	person    bool
	route     Route
}

// before reads what a record of the directory may change for what rests.
func (w *World) before(rec *event.Record) (b before) {
	if len(w.asleep.beds) == 0 { // what rested once has left numbers behind (counts.go)
		return b
	}
	t := Target{rec.Kind, rec.Key}
	switch rec.Kind {
	case event.KindPlace:
		b.described = sayings[event.PlaceDescribed](w, t)
	case event.KindCarrier:
		if describes(rec) { // a box has years of steps
			b.described = sayings[event.CarrierDescribed](w, t)
		}
	case event.KindPerson:
		_, b.person = w.Person(rec.Key)
	case event.KindRoute:
		b.route, _ = w.Route(rec.Key)
	}
	return b
}

// describes: it may change how a carrier is described.
func describes(rec *event.Record) bool {
	return holds[event.CarrierDescribed](rec.Facts) || holds[event.Voided](rec.Facts)
}

// version is one description and from when it holds.
type version[F event.Fact] struct {
	says F
	from event.Instant
}

func sayings[F event.Fact](w *World, t Target) []version[F] {
	says, from := versions[F](w, t)
	out := make([]version[F], len(says))
	for i := range says {
		out[i] = version[F]{says[i], from[i]}
	}
	return out
}

// changedFrom is the instant from which two lists of descriptions differ: 0 where the first
// does, for it holds for all that was before; nothing where they are the same. Kind is what
// counts at every instant as the last one says.
func changedFrom[F event.Fact](was any, is []version[F], kind func(F) string) event.Instant {
	old, _ := was.([]version[F])
	last := func(list []version[F]) (string, bool) {
		if len(list) == 0 {
			return "", false
		}
		return kind(list[len(list)-1].says), true
	}
	a, known := last(old)
	b, stays := last(is)
	if a != b || known != stays {
		return 0
	}
	for i := range max(len(old), len(is)) {
		if i < len(old) && i < len(is) && reflect.DeepEqual(old[i], is[i]) {
			continue
		}
		if i == 0 {
			return 0
		}
		from := nothing
		if i < len(old) {
			from = old[i].from
		}
		if i < len(is) {
			from = min(from, is[i].from)
		}
		return from
	}
	return nothing
}

// reaches is the first instant of which a record may change anything in its aggregate: its
// own, and those of the records that it takes back or gives back.
func (a *aggregate) reaches(recs ...*event.Record) event.Instant {
	at := nothing
	var seen []*event.Record
	var visit func(rec *event.Record)
	visit = func(rec *event.Record) {
		if rec == nil || slices.Contains(seen, rec) {
			return
		}
		seen = append(seen, rec)
		at = min(at, rec.Occurred)
		for _, fact := range rec.Facts {
			if f, ok := fact.(event.Voided); ok {
				visit(a.find(f.Scan))
			}
		}
	}
	for _, rec := range recs {
		visit(rec)
	}
	return at
}

// touched lists what a record may change. Moved are the places from which a shortest
// way is another one than before.
func (w *World) touched(rec, replaced *event.Record, agg *aggregate, was before, moved []string) []Target {
	self := agg.self
	// A courier's scan of a box says of an earlier one of a tube whether they took both, and
	// what another source says fills a step that was before.
	r := &reach{w: w, seen: make(map[Target]struct{}, 4), at: max(1, agg.reaches(rec, replaced)-oneTaking-repeatOtherSource)}
	if r.rest = r.at; holds[event.CarrierDescribed](rec.Facts) || agg.voids && self.Kind == event.KindCarrier {
		r.at = 0
	}
	if self.Kind == event.KindCarrier && len(w.asleep.beds) != 0 {
		switch {
		case replaced != nil && holds[event.CarrierDescribed](replaced.Facts):
			r.rest = 0
		case describes(rec):
			r.rest = min(r.rest, changedFrom(was.described, sayings[event.CarrierDescribed](w, self), func(f event.CarrierDescribed) string { return f.CarrierKind }))
		}
	}
	r.add(self)
	records := agg.all()
	if replaced != nil {
		records = append(records[:len(records):len(records)], replaced)
	}
	switch self.Kind {
	case event.KindTube:
		r.related(rec.Facts)
		if replaced != nil {
			r.related(replaced.Facts)
		}
		if holds[event.Voided](rec.Facts) || replaced != nil && holds[event.Voided](replaced.Facts) {
			for _, o := range records {
				r.related(o.Facts)
			}
		}
	case event.KindRequest:
		r.tubes(w.byRequest[self.Key])
	case event.KindDraw:
		r.tubes(w.byDraw[self.Key])
		for _, o := range records {
			if f, ok := first[event.RecollectionAsked](o.Facts); ok {
				for _, tube := range f.Tubes {
					r.add(Target{event.KindTube, tube})
				}
			}
		}
	case event.KindPlace:
		r.rest = changedFrom(was.described, sayings[event.PlaceDescribed](w, self), func(f event.PlaceDescribed) string { return f.PlaceKind })
		r.place(self.Key)
	case event.KindPerson:
		if _, is := w.Person(self.Key); is == was.person {
			r.rest = nothing
		} else {
			r.rest = 0
		}
		r.place(self.Key) // whether a release named a place or a person decides who holds the tube
	case event.KindRoute:
		route, _ := w.Route(self.Key)
		route.Seq, was.route.Seq = 0, 0
		if r.rest = 0; reflect.DeepEqual(route, was.route) && len(moved) == 0 {
			r.rest = nothing
		}
		r.route(self.Key, records, moved)
	case event.KindPatient:
		references := []string{self.Key.Label()}
		for _, o := range records {
			if f, ok := first[event.IdentityMerged](o.Facts); ok {
				references = append(references, f.Into)
			}
		}
		if len(references) > 1 {
			r.patient(references)
		}
	case event.KindLogger:
		r.logger(rec, replaced, agg, records)
	}
	w.asleep.stir(r.cases)
	r.woken(w.AtOnce)
	w.recount(r.counts(), self.Kind, r.rest)
	return sortedTargets(r.seen)
}

func sortedTargets(set map[Target]struct{}) []Target {
	return slices.SortedFunc(maps.Keys(set), compareTargets)
}

// woken adds what Stirred wakes at most.
func (r *reach) woken(n int) {
	if r.w.Unread() == 0 {
		return
	}
	for _, t := range r.w.Stirred(n) {
		r.seen[t] = struct{}{}
	}
}

// counts adds the carriers that were counted and may hold what is reached already,
// directly or not: a count is compared with what was scanned in.
func (r *reach) counts() (counted []*aggregate) {
	if !r.w.counting {
		return nil
	}
	looked := make(map[Target]struct{})
	var outward func(t Target)
	outward = func(t Target) {
		agg := r.w.logs[t.Kind][t.Key]
		if _, done := looked[t]; done || agg == nil {
			return
		}
		looked[t] = struct{}{}
		if t.Kind == event.KindTube {
			for _, rec := range agg.all() {
				if f, ok := first[event.SameMaterialAs](rec.Facts); ok {
					outward(Target{event.KindTube, f.Tube}) // it may still be where it got its new number
				}
			}
		}
		for i := range agg.packings {
			carrier := Target{event.KindCarrier, agg.packings[i].in.carrier}
			if c := r.w.logs[event.KindCarrier][carrier.Key]; c != nil && c.counts {
				r.seen[carrier] = struct{}{}
				counted = append(counted, c)
			}
			outward(carrier)
		}
	}
	for t := range maps.Clone(r.seen) {
		if t.Kind == event.KindTube || t.Kind == event.KindCarrier {
			outward(t)
		}
		if c := r.w.logs[t.Kind][t.Key]; t.Kind == event.KindCarrier && c != nil && c.counts {
			counted = append(counted, c)
		}
	}
	return counted
}

// route adds what a timetable says something of: what left on it, what was at its ends
// or at the end of a way that is now longer or shorter.
func (r *reach) route(key event.Key, records []*event.Record, moved []string) {
	r.at = 0
	r.sleepers(traceKey{kind: traceRoute, name: string(key)})
	for agg := range r.w.onRoute[key].all {
		r.add(agg.self)
	}
	for _, o := range records {
		if f, ok := first[event.RouteDescribed](o.Facts); ok {
			r.place(placeKey(f.From))
			r.place(placeKey(f.To))
		}
	}
	for _, place := range moved {
		r.place(placeKey(place))
	}
}

// logger adds what was where a logger ever was. What rests is read again only from where
// the record says something else of the temperature.
func (r *reach) logger(rec, replaced *event.Record, agg *aggregate, records []*event.Record) {
	from := nothing
	for _, o := range append(agg.undone(rec, replaced), rec, replaced) {
		if o == nil {
			continue
		}
		for _, fact := range o.Facts {
			switch f := fact.(type) {
			case event.LoggerAttached, event.LoggerDetached:
				from = min(from, o.Occurred)
			case event.LoggerDescribed, event.LoggerCalibrated:
				from = 0
			case event.LoggerFileImported:
				from = min(from, f.First)
			}
		}
	}
	r.rest, r.over = from, true
	for _, o := range records {
		if f, ok := first[event.LoggerAttached](o.Facts); ok {
			r.carried(attachedTo(f))
		}
	}
}

// undone are the records that others take back or give back.
func (a *aggregate) undone(recs ...*event.Record) (out []*event.Record) {
	for i := 0; i < len(recs); i++ {
		if recs[i] == nil {
			continue
		}
		for _, fact := range recs[i].Facts {
			if f, ok := fact.(event.Voided); ok {
				if rec := a.find(f.Scan); rec != nil && !slices.Contains(recs, rec) {
					recs, out = append(recs, rec), append(out, rec)
				}
			}
		}
	}
	return out
}

// sleepers adds the cases at rest in a trace.
func (r *reach) sleepers(key traceKey) {
	a := &r.w.asleep
	if a.resting == 0 || r.rest == nothing {
		return
	}
	r.cases = a.since(r.cases, key, r.rest)
	if r.over {
		r.cases = slices.DeleteFunc(r.cases, func(no uint32) bool { return a.beds[no].last < earliest(r.rest) })
	}
}

func (r *reach) add(t Target) {
	if _, ok := r.seen[t]; ok || t.Key == "" {
		return
	}
	r.seen[t] = struct{}{}
	switch t.Kind {
	case event.KindTube:
		r.tubes(r.w.children[t.Key])
	case event.KindCarrier:
		r.sleepers(traceKey{kind: traceCarrier, name: string(t.Key)})
		members := r.w.members[t.Key]
		list := members.all
		if r.at != 0 {
			list = func() []*aggregate { return members.inside(r.at) }
		}
		for _, m := range list() {
			r.add(m.self)
		}
	}
}

func (r *reach) tubes(set keySet) {
	for _, key := range set {
		r.add(Target{event.KindTube, key})
	}
}

// related adds what a tube's facts name: its material, its draw and its request.
func (r *reach) related(facts []event.Fact) {
	named := func(kind event.Kind, key event.Key) {
		if key != "" {
			r.seen[Target{kind, key}] = struct{}{}
		}
	}
	for _, fact := range facts {
		switch f := fact.(type) {
		case event.DerivedFrom:
			r.add(Target{event.KindTube, f.Parent})
		case event.SameMaterialAs:
			r.add(Target{event.KindTube, f.Tube})
		case event.SplitInto:
			for _, part := range f.Tubes {
				r.add(Target{event.KindTube, part})
			}
		case event.Collected:
			named(event.KindDraw, f.Draw)
			named(event.KindRequest, f.Request)
		case event.TubePrepared:
			named(event.KindRequest, f.Request)
		case event.Reidentified:
			named(event.KindRequest, f.Request)
		}
	}
}

// carried adds all that may have been where a logger is.
func (r *reach) carried(t Target) {
	if t.Kind == event.KindPlace {
		r.place(t.Key)
		return
	}
	r.at = 0
	r.add(t)
}

func (r *reach) place(key event.Key) {
	r.at = 0
	r.sleepers(traceKey{kind: tracePlace, name: string(key)})
	for agg := range r.w.scannedAt[key].all {
		r.add(agg.self)
	}
}
