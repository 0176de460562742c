package custody

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// shelf keeps the records of cases at rest as a file does: what comes back is another
// value with the same content.
type shelf struct{ cases [][]*event.Record }

func (s *shelf) keep(records []*event.Record) (uint64, error) {
	s.cases = append(s.cases, copied(records))
	return uint64(len(s.cases)), nil
}

func (s *shelf) recall(ref uint64) ([]*event.Record, error) {
	if ref == 0 || ref > uint64(len(s.cases)) {
		return nil, errors.New("nothing lies there")
	}
	return copied(s.cases[ref-1]), nil
}

func copied(records []*event.Record) []*event.Record {
	out := make([]*event.Record, len(records))
	for i, rec := range records {
		other := *rec
		out[i] = &other
	}
	return out
}

func (s *shelf) world() *World {
	w := pressing(dayWorld(), 2)
	w.Recall = s.recall
	return w
}

// force puts the case of a tube to rest whether or not it is over: that a wake comes in
// time must not hang on what may rest.
func (s *shelf) force(w *World, tube event.Key) bool {
	if w.logs[event.KindTube][tube] == nil {
		return false
	}
	all := w.together(Target{event.KindTube, tube})
	var last event.Instant
	for _, t := range all {
		for _, rec := range w.Records(t) {
			last = max(last, rec.Occurred)
		}
		if x, ok := w.Tube(t.Key); ok && t.Kind == event.KindTube {
			last = max(last, lastOf(x))
		}
	}
	return all != nil && w.rest(all, last, s.keep) == nil
}

// question is one thing that can be asked of a world.
type question struct {
	name string
	ask  func(w *World) any
}

// questions are all that can be asked; what an index says alone only where no message was
// replaced by an earlier one of its id, for an index keeps what that said.
func questions(tubes, carriers, draws, requests []event.Key, devices, patients []string, instants []event.Instant, exact bool) []question {
	var out []question
	add := func(name string, ask func(w *World) any) { out = append(out, question{name, ask}) }
	for _, at := range append([]event.Instant{0}, instants...) {
		for _, key := range tubes {
			on := Target{event.KindTube, key}
			add(fmt.Sprint("tube ", key, at), func(w *World) any { x, ok := w.TubeAt(key, at); return []any{x, ok} })
			add(fmt.Sprint("journey ", key, at), func(w *World) any { return w.Journey(key, at) })
			add(fmt.Sprint("doubts ", key, at), func(w *World) any { return []any{w.DoubtsOf(on, at), w.DoubtHistory(on, at)} })
		}
		for _, key := range carriers {
			on := Target{event.KindCarrier, key}
			add(fmt.Sprint("carrier ", key, at), func(w *World) any { x, ok := w.CarrierAt(key, at); return []any{x, ok} })
			add(fmt.Sprint("contents ", key, at), func(w *World) any { return w.Contents(key, at) })
			add(fmt.Sprint("trip ", key, at), func(w *World) any { return w.Trip(key, at) })
			add(fmt.Sprint("guests ", key, at), func(w *World) any { return w.Guests(key, at) })
			add(fmt.Sprint("doubts ", key, at), func(w *World) any { return w.DoubtsOf(on, at) })
		}
		for _, device := range devices {
			add(fmt.Sprint("open ", device, at), func(w *World) any { d, ok := w.OpenDraw(device, at); return []any{d, ok} })
			add(fmt.Sprint("clock ", device, at), func(w *World) any { return w.DoubtsOf(Target{event.KindDevice, placeKey(device)}, at) })
		}
		add(fmt.Sprint("drawn ", at), func(w *World) any {
			ask := map[string]bool{}
			for _, p := range patients {
				ask[w.Patient(p)] = true
			}
			return w.Drawn(ask, at)
		})
	}
	for _, key := range tubes {
		on := Target{event.KindTube, key}
		add("look "+string(key), func(w *World) any {
			l, ok := w.Look(key)
			if !ok {
				return nil
			}
			return []any{l.Tube(), l.Journey(), l.Doubts()}
		})
		add("records "+string(key), func(w *World) any { return []any{w.Records(on), w.Seq(on), w.Begun(on), w.Steps(on)} })
		add("collected "+string(key), func(w *World) any { return w.Facts(on, "Collected") })
		for _, c := range carriers {
			add(fmt.Sprint("stays ", key, c), func(w *World) any { return w.Stays(key, c) })
		}
	}
	for _, key := range carriers {
		add("trips "+string(key), func(w *World) any { return []any{w.Trips(key), w.Nested(key)} })
	}
	for _, key := range draws {
		on := Target{event.KindDraw, key}
		add("draw "+string(key), func(w *World) any { x, ok := w.Draw(key); return []any{x, ok, w.Seq(on)} })
		add("tubes of "+string(key), func(w *World) any { return w.TubesOf(key) })
		add("doubts "+string(key), func(w *World) any { return w.DoubtsOf(on, 0) })
	}
	for _, key := range requests {
		add("request "+string(key), func(w *World) any { x, ok := w.Request(key); return []any{x, ok} })
		add("again "+string(key), func(w *World) any { return w.Again(key) })
	}
	for _, ref := range patients {
		add("patient "+ref, func(w *World) any { return []any{w.Patient(ref), w.Erased(ref), w.OfPatient(ref)} })
	}
	if exact {
		add("asked", func(w *World) any { return w.AskedDraws() })
		for kind, list := range map[event.Kind][]event.Key{event.KindTube: tubes, event.KindCarrier: carriers, event.KindDraw: draws, event.KindRequest: requests} {
			for _, key := range list {
				add(fmt.Sprint("knows ", kind, key), func(w *World) any { return w.Knows(Target{kind, key}) })
			}
		}
	}
	add("waiting", func(w *World) any { return []any{w.Waiting(), w.ErasedPatients()} })
	for _, fact := range []string{"Collected", "Packed", "Received", "TakenOver", "Emptied", "RequestPlaced", "DrawStarted", "Disposed"} {
		add("count "+fact, func(w *World) any { return w.Count(fact) })
	}
	for _, kind := range event.Kinds() {
		add("keys "+string(kind), func(w *World) any { return []any{w.Keys(kind), w.Len(kind)} })
	}
	return out
}

func (q question) text(t *rapid.T, w *World) string {
	text, err := json.Marshal(q.ask(w))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// twins are a world that rests and one that never does.
type twins struct {
	t       *rapid.T
	below   func(n int) int
	shelf   shelf
	a, b    *World // a never rests
	ask     []question
	known   map[Target]string // how a looked when b last said that something may have changed
	stale   map[Target]bool
	watched []Target
	folded  bool // something was taken in without saying what it changes
	saving  *saving
	exact   bool // no message is replaced by an earlier one of its id: an index keeps what that said
}

func (x *twins) apply(rec *event.Record) {
	rec.Stored = []byte{0} // pressing keeps the record whatever stands here
	x.a.Apply(rec)
	other := *rec
	if x.saving != nil {
		x.saving.since = append(x.saving.since, rec)
	}
	if x.below(10) == 0 && !x.b.AtRest(Target{rec.Kind, rec.Key}) { // as a start reads: nobody is told
		x.b.Fold(&other)
		x.folded = true
		return
	}
	x.say(x.b.Apply(&other))
}

func (x *twins) say(touched []Target) {
	for _, on := range touched {
		x.stale[on] = true
	}
}

// saving is a snapshot that is being written: what was awake when it began, and what came in
// since.
type saving struct {
	trace []byte
	awake []Target
	since []*event.Record
}

// save begins to write a snapshot. Nothing goes to rest until restart.
func (x *twins) save() {
	x.saving = &saving{trace: x.b.Trace()}
	for _, kind := range event.Kinds() {
		for _, key := range x.b.Awake(kind) {
			x.saving.awake = append(x.saving.awake, Target{kind, key})
		}
	}
}

// restart ends it and puts a world in b's place that was read from it, and then what came in
// since it began.
func (x *twins) restart() {
	w := x.shelf.world()
	w.AtOnce = x.b.AtOnce
	if err := w.SetTrace(x.saving.trace); err != nil {
		x.t.Fatal(err)
	}
	for _, on := range x.saving.awake {
		state := x.b.State(on)
		if state == nil {
			for _, rec := range x.b.Records(on) {
				w.Fold(rec)
			}
			continue
		}
		var data []byte
		for _, rec := range x.b.Records(on) {
			data, _ = w.Press(data, rec) // never fails here
		}
		if got, err := w.SetState(state, data, len(x.b.Records(on))); err != nil || got != on {
			x.t.Fatal(got, err)
		}
	}
	if err := w.SetIndex(x.b.Index()); err != nil {
		x.t.Fatal(err)
	}
	for _, rec := range x.saving.since {
		if !w.Holds(Target{rec.Kind, rec.Key}, rec) {
			other := *rec
			x.say(w.Apply(&other))
		}
	}
	x.b, x.saving = w, nil
}

// probe asks one thing of both.
func (x *twins) probe() {
	q := x.ask[x.below(len(x.ask))]
	if want, got := q.text(x.t, x.a), q.text(x.t, x.b); want != got {
		x.t.Fatalf("%s, after a rest: %s", q.name, apart(want, got))
	}
}

// end asks all, in an order that is drawn: what one wakes must not hide what another doesn't.
func (x *twins) end() {
	for len(x.ask) > 0 {
		i := x.below(len(x.ask))
		q := x.ask[i]
		x.ask = slices.Delete(x.ask, i, i+1)
		if want, got := q.text(x.t, x.a), q.text(x.t, x.b); want != got {
			x.t.Fatalf("%s, at the end: %s", q.name, apart(want, got))
		}
	}
	if err := x.b.Failed(); err != nil {
		x.t.Fatal(err)
	}
}

// unsaid finds what changed in the world that never rests without the other's word. It
// asks nothing of the other, so nothing is woken by it.
func (x *twins) unsaid(last *event.Record) {
	for x.b.Unread() > 0 {
		x.say(x.b.Stirred(1))
	}
	if x.folded {
		clear(x.known) // who starts looks at all
		for _, on := range x.watched {
			x.known[on] = look(x.t, x.a, on, 0)
		}
		x.folded = false
		clear(x.stale)
		return
	}
	for _, on := range x.watched {
		now := look(x.t, x.a, on, 0)
		if was, ok := x.known[on]; (!ok || was != now) && !x.stale[on] && now != look(x.t, NewWorld(), on, 0) {
			x.t.Fatalf("%v changed unsaid while it rested (%v), the last was %s %s %T: %s", on, x.b.AtRest(on), last.Kind, last.Key, last.Facts[0], apart(was, now))
		}
		x.known[on] = now
	}
	clear(x.stale)
}

// near compares whom a reading concerns: who is left out rests, and was over before or not
// there any more by its journey.
func (x *twins) near(on Target, since event.Instant) {
	all, some := x.a.Near(on, since), x.b.Near(on, since)
	for _, key := range some {
		if !slices.Contains(all, key) {
			x.t.Fatalf("%s is near %v only after a rest", key, on)
		}
	}
	for _, key := range all {
		if slices.Contains(some, key) {
			continue
		}
		no, rests := x.b.asleep.caseOf(Target{event.KindTube, key})
		if !rests {
			x.t.Fatalf("%s is near %v since %s and isn't named", key, on, since)
		}
		last := event.Instant(x.b.asleep.beds[no].last) * 1000
		for _, l := range x.a.Journey(key, 0) {
			there := slices.Contains(l.Carriers, on.Key) || on.Kind == event.KindPlace && placeKey(l.Place) == on.Key
			if there && l.From <= last && (l.To == 0 || l.To >= since) && last >= since {
				x.t.Fatalf("%s is near %v since %s, rests and isn't named: %+v", key, on, since, l)
			}
		}
	}
}

func (x *twins) run(list []*event.Record, tubes []event.Key, places []event.Key, carriers []event.Key) {
	x.known, x.stale = map[Target]string{}, map[Target]bool{}
	x.b.AtOnce = []int{0, 1, 64}[x.below(3)]
	for i, rec := range list {
		for range 2 {
			if len(tubes) > 0 && x.below(3) == 0 && x.saving == nil {
				x.shelf.force(x.b, tubes[x.below(len(tubes))])
			}
		}
		x.apply(rec)
		if x.exact && x.below(12) == 0 { // else an index lost what a replaced message said
			if x.saving == nil {
				x.save()
			}
			if x.below(2) == 0 {
				x.restart()
			}
		}
		if x.below(4) == 0 {
			x.probe()
		}
		if err := x.b.soundLists(); err != nil {
			x.t.Fatal(err)
		}
		if x.below(10) == 0 || i == len(list)-1 {
			x.unsaid(rec)
		}
		if x.exact && x.below(8) == 0 {
			at := list[x.below(len(list))].Occurred
			if x.below(2) == 0 && len(places) > 0 {
				x.near(Target{event.KindPlace, places[x.below(len(places))]}, at)
			} else {
				x.near(Target{event.KindCarrier, carriers[x.below(len(carriers))]}, at)
			}
		}
	}
	for _, key := range tubes {
		if x.below(2) == 0 {
			x.shelf.force(x.b, key)
		}
	}
	x.end()
}

// Facts of any kind in any order of arrival: a world whose cases go to rest at any moment
// answers like one that never rests.
func TestLawRest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		recs := genRecords(t)
		x := &twins{t: t, a: dayWorld(), below: func(n int) int { return rapid.IntRange(0, n-1).Draw(t, "n") }}
		x.exact = x.below(2) == 0
		for i, rec := range recs {
			if x.exact || i%3 != 0 {
				rec.ID = fmt.Sprintf("id-%d", i)
			}
			if i%2 == 0 {
				rec.BootID, rec.MonotonicMs = "boot", int64(rapid.IntRange(1, 40).Draw(t, "mono"))*60_000
				rec.DeviceTime = rec.Occurred + event.Instant(rapid.IntRange(-4, 4).Draw(t, "skew"))*60_000
			}
		}
		x.b = x.shelf.world()
		x.ask = questions(lawTubes, lawCarriers, []event.Key{"L-D1"}, []event.Key{"L-R1"}, []string{"H-1", "H-2"}, lawPatients, []event.Instant{lawStart + 600_000}, x.exact)
		x.watched = doubtable(fold(recs))
		x.run(rapid.Permutation(recs).Draw(t, "order"), lawTubes, []event.Key{"L-LAB", "L-WARD"}, lawCarriers)
	})
}

// The same of what people do in a day, with late phones, in the order of the log or not.
func TestLawRestOfADay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := aDay(t, 50)
		if len(d.log) == 0 {
			return
		}
		list := slices.Clone(d.log)
		switch d.below(3) {
		case 0:
			list = d.arrivals()
		case 1:
			list = d.arrivals()
			slices.SortStableFunc(list, func(a, b *event.Record) int { return int(a.Seq/8) - int(b.Seq/8) })
		}
		x := &twins{t: t, a: dayWorld(), below: d.below, exact: len(list) == len(d.log)}
		x.b = x.shelf.world()
		keys := func(list []Target) (out []event.Key) {
			for _, on := range list {
				out = append(out, on.Key)
			}
			return out
		}
		tubes := d.w.Keys(event.KindTube)
		var carriers, places []event.Key
		for i := range 5 {
			carriers = append(carriers, code(fmt.Sprintf("C%d", i)))
		}
		for _, place := range dayPlaces {
			places = append(places, code(place))
		}
		var devices []string
		for _, p := range d.workers {
			devices = append(devices, "H-"+p.code)
		}
		x.ask = questions(tubes, carriers, keys(d.draws), keys(d.requests), devices, d.patients(), d.instants(1), x.exact)
		x.watched = doubtable(d.w)
		x.run(list, tubes, places, carriers)
	})
}

// patients are the references that a day's facts name.
func (d *day) patients() (out []string) {
	for _, rec := range d.log {
		for _, f := range rec.Facts {
			if p := patientOf(f); p != "" && !slices.Contains(out, p) {
				out = append(out, p)
			}
		}
	}
	return out
}
