package custody

import (
	"cmp"
	"maps"
	"slices"
	"sort"
	"strconv"
	"time"

	"specimen.example/custody/internal/event"
)

// World is the fold of every record that isn't a reading. It keeps the records
// themselves, sorted in fold order, and a few indexes; everything derived is
// worked out when it is asked for, from the records alone. That is why any order
// of arrival gives the same state. A World is not safe for concurrent use while
// Apply runs. While nothing rests (see Rest) its readers change nothing and may run
// side by side; once something does, a reader may wake it: then one at a time.
type World struct {
	logs map[event.Kind]map[event.Key]*aggregate

	byRequest  map[event.Key]keySet            // tubes that name the request or that it names
	assigned   map[event.Key]keySet            // requests that name the tube
	byDraw     map[event.Key]keySet            // tubes collected in the draw
	children   map[event.Key]keySet            // tubes that name this one as their material, and its parts when it was split
	splits     map[event.Key]keySet            // held numbers that were split into this one
	members    map[event.Key]*membership       // what ever was put into the carrier
	loggersOn  map[Target]keySet               // loggers ever attached there
	scannedAt  map[event.Key]*crowd            // tubes and carriers with a step that names the place
	spelled    []spelling                      // see spell
	drawStarts map[string][]drawStart          // device to its opened draws, in fold order
	asked      map[event.Key]keySet            // tube to the draws in which a new sample was asked for it
	onRoute    map[event.Key]*crowd            // tubes and carriers that departed on the route
	counting   bool                            // some carrier's tubes were counted
	clocks     map[event.Key]map[string][]tick // device to what its clock showed, by boot, in the order of its counter
	ways       ways
	asleep     asleep
	words      words

	// Zones finds a time zone by its IANA name; without it timetables have no hours. Set
	// it before the first Apply.
	Zones func(name string) (*time.Location, error)

	// Recall gives back the records of a case at rest, by the number that Keep gave. Without
	// it nothing rests. Set it before the first Apply.
	Recall func(ref uint64) ([]*event.Record, error)
	// AtOnce is how many of the cases that a record touches while they rest Apply wakes
	// itself; Stirred wakes the others. NewWorld sets it.
	AtOnce int

	// Press adds the stored form of a record; Spread reads such forms, one behind the other.
	// Without them all records stay at hand. Set them before the first Apply.
	Press  func(to []byte, rec *event.Record) ([]byte, error)
	Spread func(data []byte) ([]*event.Record, error)
	// AtHand is how many tubes, draws and requests keep their records at hand; NewWorld sets it.
	AtHand  int
	atHand  []*aggregate // whose records are spread, those from handed on
	handed  int
	scratch []byte
	reading bool // Fold is at work: what it takes in is looked at later
}

// aggregate is what is kept of one subject.
type aggregate struct {
	w         *World
	self      Target
	spread    []*event.Record          // fold order, one per id; while short those behind the pressed ones: see all
	pressed   []byte                   // the first records in their stored form
	inPressed int                      // so many
	byID      map[string]*event.Record // nil while they are few; see find
	seq       uint64
	newest    event.Instant // when the last of it happened or was recorded
	last      event.Instant // when the last of it happened
	top       uint64        // their highest sequence; seq may be a repeat's
	ids       ids
	pressedTo event.Instant // while short: when the last of what is pressed happened
	stays     event.Instant // RestSome passes it over until its terms reach this
	packings  []packing     // into each carrier that its records name, once
	crowds    standing
	forms     [2]uint64 // of its records; see formOf
	voids     bool      // some record holds a Voided
	ends      bool      // some record tells what ends the use of most tubes
	short     bool      // spread lacks the pressed records
	again     bool      // some record before the one that came last is of its form
	gone      bool      // it rests; another one takes its place when it wakes
	listed    bool      // stands in atHand
	used      bool      // somebody looked since Tidy came by
	*boxed              // carriers only
}

// boxed is what is kept of a carrier beside its records.
type boxed struct {
	counts  bool                    // somebody counted what is inside
	own     []Step                  // the folded steps, nil when they were pressed: see steps
	nests   []int                   // positions in own that pack or unpack it
	emptied []event.Instant         // when it was emptied
	inside  map[event.Instant]int32 // tubes inside at counts of which some tube rests
}

// NewWorld gives the world before any fact.
func NewWorld() *World {
	w := &World{
		logs:       make(map[event.Kind]map[event.Key]*aggregate),
		byRequest:  make(map[event.Key]keySet),
		assigned:   make(map[event.Key]keySet),
		byDraw:     make(map[event.Key]keySet),
		children:   make(map[event.Key]keySet),
		splits:     make(map[event.Key]keySet),
		members:    make(map[event.Key]*membership),
		loggersOn:  make(map[Target]keySet),
		scannedAt:  make(map[event.Key]*crowd),
		drawStarts: make(map[string][]drawStart),
		asked:      make(map[event.Key]keySet),
		onRoute:    make(map[event.Key]*crowd),
		clocks:     make(map[event.Key]map[string][]tick),
		ways:       newWays(),
		asleep:     newAsleep(),
		words:      words{},
		AtOnce:     64,
		AtHand:     spreadDefault,
	}
	for _, kind := range event.Kinds() {
		w.logs[kind] = make(map[event.Key]*aggregate)
	}
	return w
}

// Apply folds one record of any aggregate and gives the aggregates whose derived
// state may have changed, each once, sorted. A record whose id the aggregate
// already holds changes nothing but the sequence: readers ignore a second
// message of one id. Neither the record nor what it names may be changed afterwards.
func (w *World) Apply(rec *event.Record) []Target {
	if _, ok := w.logs[rec.Kind]; !ok {
		return nil // a kind that a later version knows
	}
	rec = w.own(rec)
	w.concerned(rec)
	was := w.before(rec)
	agg, replaced, last := w.take(rec)
	if agg == nil {
		return nil
	}
	w.index(agg.self, rec, agg)
	w.indexStays(agg.self, rec, agg, last)
	if rec.Kind == event.KindCarrier && counted(rec.Facts) > 0 {
		agg.counts, w.counting = true, true
	}
	var moved []string // places from which a way is another one now
	if rec.Kind == event.KindRoute {
		route, known := w.Route(rec.Key)
		moved = w.ways.describe(rec.Key, route, known)
	}
	defer w.Tidy()
	touched := w.touched(rec, replaced, agg, was, moved)
	for _, key := range w.indexClock(rec, replaced) {
		if device := (Target{event.KindDevice, key}); !slices.Contains(touched, device) {
			touched = append(touched, device)
			slices.SortFunc(touched, compareTargets)
		}
	}
	return touched
}

// take puts a record into its aggregate; nil when its id is there already. Replaced is the
// message of the same id that stands behind it in the log.
func (w *World) take(rec *event.Record) (agg *aggregate, replaced *event.Record, last bool) {
	logs := w.logs[rec.Kind]
	agg = logs[rec.Key]
	if agg == nil {
		agg = &aggregate{w: w, self: Target{rec.Kind, rec.Key}}
		if rec.Kind == event.KindCarrier {
			agg.boxed = &boxed{}
		}
		logs[rec.Key] = agg
		if rec.Kind == event.KindTube && w.Recall != nil {
			w.asleep.ring = append(w.asleep.ring, rec.Key)
		}
	}
	agg.seq = max(agg.seq, rec.Seq)
	if old := agg.find(idOf(rec)); old != nil {
		if old.Seq <= rec.Seq {
			return nil, nil, false
		}
		agg.remove(old) // the first message of an id counts, whichever came first here
		w.unindexDraw(old)
		if replaced = old; w.Recall != nil && caseKind(rec.Kind) {
			w.asleep.stale[agg.self] = append(w.asleep.stale[agg.self], old)
		}
	}
	if agg.boxed != nil {
		agg.steps()
	}
	last = agg.insert(rec) && replaced == nil
	if agg.boxed != nil {
		agg.refoldCarrier(rec, last)
	}
	return agg, replaced, last
}

// Seq is the last stream sequence applied for t, 0 when there is none: the
// expected last sequence of the next write.
func (w *World) Seq(t Target) uint64 {
	if agg := w.agg(t.Kind, t.Key); agg != nil {
		return agg.seq
	}
	return 0
}

// Knows reports whether anything was said of t, by a record of its own or of others:
// a tube that a request names, a box that something was packed into.
func (w *World) Knows(t Target) bool {
	if w.Seq(t) != 0 || len(w.loggersOn[t]) > 0 {
		return true
	}
	switch t.Kind {
	case event.KindTube:
		return len(w.assigned[t.Key]) > 0 || len(w.children[t.Key]) > 0 || len(w.splits[t.Key]) > 0
	case event.KindCarrier:
		return w.members[t.Key] != nil || w.asleep.traces[traceKey{kind: traceCarrier, name: string(t.Key)}] != nil
	case event.KindDraw:
		return len(w.byDraw[t.Key]) > 0
	case event.KindRequest:
		return len(w.byRequest[t.Key]) > 0
	default:
		return false
	}
}

// Begun is when the first thing happened to t, 0 when nothing is known of it.
func (w *World) Begun(t Target) event.Instant {
	var first event.Instant
	for _, rec := range w.Records(t) {
		if first == 0 || rec.Occurred < first {
			first = rec.Occurred
		}
	}
	return first
}

// Record gives the record of t that carries the scan id, nil when there is none.
func (w *World) Record(t Target, id string) *event.Record {
	if agg := w.agg(t.Kind, t.Key); agg != nil {
		return agg.find(id)
	}
	return nil
}

// Holds reports whether the very message is folded already.
func (w *World) Holds(t Target, rec *event.Record) bool {
	agg := w.agg(t.Kind, t.Key)
	if agg == nil || agg.seq < rec.Seq {
		return false
	}
	known := agg.find(idOf(rec))
	return known != nil && known.Seq == rec.Seq
}

// Records gives the records of t in fold order. The slice must not be changed.
func (w *World) Records(t Target) []*event.Record {
	if agg := w.agg(t.Kind, t.Key); agg != nil {
		return agg.all()
	}
	return nil
}

// Keys lists the aggregates of a kind, sorted, those at rest too; it wakes none.
func (w *World) Keys(kind event.Kind) []event.Key {
	keys := slices.Collect(maps.Keys(w.logs[kind]))
	if caseKind(kind) {
		keys = w.asleep.keysOf(keys, kind)
	}
	slices.Sort(keys)
	return keys
}

// Len is the number of aggregates of a kind.
func (w *World) Len(kind event.Kind) int { return len(w.logs[kind]) + w.asleep.lens[kind] }

// Count is the number of steps of the whole world that hold the fact; a step
// that was voided doesn't count, one with two sources counts once.
func (w *World) Count(fact string) int {
	n := w.asleep.facts[fact]
	for kind, logs := range w.logs {
		for _, agg := range logs {
			n += countFact(foldRecords(kind, agg.glance(), agg.voids), fact)
		}
	}
	return n
}

// Facts is the number of steps of one aggregate that hold the fact, by itself:
// what it inherited from a carrier isn't counted.
func (w *World) Facts(t Target, fact string) int {
	agg := w.agg(t.Kind, t.Key)
	if agg == nil {
		return 0
	}
	return countFact(foldSteps(t.Kind, agg), fact)
}

func countFact(steps []Step, fact string) int {
	n := 0
	for i := range steps {
		if !steps[i].Voided && slices.ContainsFunc(steps[i].Facts, func(f event.Fact) bool { return f != nil && f.FactName() == fact }) {
			n++
		}
	}
	return n
}

// idOf names a record within its aggregate; one without an id is its own.
func idOf(rec *event.Record) string { return scanID(rec.ID, rec.Seq) }

func scanID(id string, seq uint64) string {
	if id == "" {
		return "#" + strconv.FormatUint(seq, 10)
	}
	return id
}

// Above so many records an aggregate gets a map of ids: tubes have ten to
// thirty, a box that is in use for a year has thousands.
const scanLimit = 48

func (a *aggregate) find(id string) *event.Record {
	if !a.ids.may(id) {
		return nil
	}
	records := a.all()
	if a.byID != nil {
		return a.byID[id]
	}
	for _, r := range records {
		if idOf(r) == id {
			return r
		}
	}
	return nil
}

// insert puts rec in its place and reports whether that was the end.
func (a *aggregate) insert(rec *event.Record) (last bool) {
	if a.pressAtOnce(rec) {
		return true
	}
	defer a.w.list(a)
	if a.behind(rec) {
		return true
	}
	records := a.all()
	n := len(records)
	at := n
	if n > 0 && rec.Before(records[n-1]) {
		at = sort.Search(n, func(i int) bool { return rec.Before(records[i]) })
	}
	if at < a.inPressed {
		a.unpress()
	}
	records = slices.Insert(records, at, rec)
	a.spread = records
	if a.byID != nil {
		a.byID[idOf(rec)] = rec
	} else {
		a.number()
	}
	a.note(rec)
	return at == n
}

// number makes the map of ids where there are many.
func (a *aggregate) number() {
	if len(a.spread) <= scanLimit {
		return
	}
	a.byID = make(map[string]*event.Record, 2*len(a.spread))
	for _, r := range a.spread {
		a.byID[idOf(r)] = r
	}
}

func (a *aggregate) remove(old *event.Record) {
	a.spread = slices.DeleteFunc(a.all(), func(r *event.Record) bool { return r == old })
	a.unpress()
	a.newest, a.last, a.top, a.voids, a.ends, a.ids, a.forms = 0, 0, 0, false, false, ids{}, [2]uint64{}
	for _, r := range a.spread {
		a.note(r)
	}
	if a.byID != nil {
		delete(a.byID, idOf(old))
	}
}

// steps gives the folded steps of a carrier. They are kept while its records are at hand:
// boxes live for years.
func (a *aggregate) steps() []Step {
	if a.own == nil {
		a.refold()
	}
	if a.w.Press != nil {
		a.used = true
	}
	return a.own
}

// refoldCarrier keeps a carrier's folded steps up to date: one more at the end,
// or all again.
func (a *aggregate) refoldCarrier(rec *event.Record, last bool) {
	if last && !a.voids && len(a.own) > 0 {
		a.own = addStep(event.KindCarrier, a.own, rec)
		if i := len(a.own) - 1; a.own[i].Record == rec {
			a.noteStep(i)
		}
		return
	}
	a.refold()
}

func (a *aggregate) refold() {
	a.own = foldRecords(event.KindCarrier, a.all(), a.voids)
	a.nests, a.emptied = a.nests[:0], a.emptied[:0]
	for i := range a.own {
		if !a.own[i].Voided {
			a.noteStep(i)
		}
	}
}

// noteStep notes which steps are looked for.
func (a *aggregate) noteStep(i int) {
	if nests(a.own[i].Facts) {
		a.nests = append(a.nests, i)
	}
	if holds[event.Emptied](a.own[i].Facts) {
		a.emptied = append(a.emptied, a.own[i].At())
	}
}

func nests(facts []event.Fact) bool {
	return holds[event.Packed](facts) || holds[event.Unpacked](facts)
}

// holds reports whether facts has one of type T.
func holds[T event.Fact](facts []event.Fact) bool {
	_, ok := first[T](facts)
	return ok
}

// first gives the first fact of type T.
func first[T event.Fact](facts []event.Fact) (T, bool) {
	for _, f := range facts {
		if t, ok := f.(T); ok {
			return t, true
		}
	}
	var zero T
	return zero, false
}

func compareTargets(a, b Target) int {
	return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Key, b.Key))
}
