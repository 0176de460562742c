package custody

import (
	"cmp"
	"hash/maphash"
	"math"
	"slices"

	"specimen.example/custody/internal/event"
)

// What stays of a case at rest is here, without a pointer for each: numbers in arrays, and
// the keys as bytes of one. All of it bounds: a case is woken rather too often than too
// seldom.

// bed is one case at rest. Numbers aren't used twice, so what is left of a case that was
// woken is told from one that rests.
type bed struct {
	ref     uint64 // the caller's, by which it finds the records again
	last    uint32 // second of the last thing that happened to the case
	resting bool
	stirred bool // stands in the list of those that a record touched
}

// traceKind says what a trace is of.
type traceKind byte

const (
	traceCarrier traceKind = iota // stays of tubes in a carrier
	tracePlace                    // tubes that have a step which names the place or person
	traceRoute                    // tubes that departed on it
	traceDraws                    // draws begun on a device
	traceClock                    // ticks of one run of a device, by its counter
	tracePatient                  // references that facts name, by hash
	traceAsked                    // draws for which a new sample was asked
)

// traceKey names one trace; boot only with traceClock.
type traceKey struct {
	kind       traceKind
	name, boot string
}

// span bounds a case's part in one trace, mostly in seconds, both ends inside.
type span struct{ from, to, no uint32 }

const forever = math.MaxUint32

// earliest and latest round an instant outwards to seconds that a span can hold.
func earliest(t event.Instant) uint32 {
	if t <= 0 {
		return 0
	}
	return uint32(min(int64(t)/1000, forever-1)) //nolint:gosec // clamped
}

func latest(t event.Instant) uint32 {
	if t <= 0 {
		return 0
	}
	return uint32(min((int64(t)+999)/1000, forever-1)) //nolint:gosec // clamped
}

// counter puts a device's counter into a span: in 16 ms, which lasts for two years. What
// then is equal counts as one tick.
func counter(mono int64) uint32 {
	return uint32(min(mono>>4, forever-1)) //nolint:gosec // positive: see tickOf
}

// spans are one trace: sorted by their ends, but for a short tail of the newest.
type spans struct{ sorted, tail []span }

// add notes s; beds tells which spans are of cases that were woken since.
func (s *spans) add(n span, beds []bed) {
	s.tail = append(s.tail, n)
	if len(s.tail) < 16 || len(s.tail)*16 < len(s.sorted) {
		return
	}
	gone := func(o span) bool { return !beds[o.no].resting }
	s.sorted = slices.DeleteFunc(s.sorted, gone)
	s.tail = slices.DeleteFunc(s.tail, gone)
	slices.SortFunc(s.tail, byEnd)
	s.sorted = merge(s.sorted, s.tail)
	s.tail = nil
}

func byEnd(a, b span) int { return cmp.Compare(a.to, b.to) }

// merge puts two lists that are sorted by their ends together, with little room to spare.
func merge(a, b []span) []span {
	if len(a) == 0 || len(b) == 0 || a[len(a)-1].to <= b[0].to {
		if cap(a)-len(a) >= len(b) {
			return append(a, b...)
		}
		return append(append(make([]span, 0, room(len(a)+len(b))), a...), b...)
	}
	out := make([]span, 0, room(len(a)+len(b)))
	for len(a) > 0 && len(b) > 0 {
		if b[0].to < a[0].to {
			out, b = append(out, b[0]), b[1:]
		} else {
			out, a = append(out, a[0]), a[1:]
		}
	}
	return append(append(out, a...), b...)
}

func room(n int) int { return n + n/8 }

// each hands over what ends at or after a second, whether or not its case still rests.
func (s *spans) each(to uint32, f func(span)) {
	if s == nil {
		return
	}
	at, _ := slices.BinarySearchFunc(s.sorted, to, func(o span, t uint32) int { return cmp.Compare(o.to, t) })
	for _, o := range s.sorted[at:] {
		f(o)
	}
	for _, o := range s.tail {
		if o.to >= to {
			f(o)
		}
	}
}

// below gives the resting case that ends last before a second.
func (s *spans) below(to uint32, beds []bed) (best span, ok bool) {
	if s == nil {
		return span{}, false
	}
	at, _ := slices.BinarySearchFunc(s.sorted, to, func(o span, t uint32) int { return cmp.Compare(o.to, t) })
	for at--; at >= 0; at-- {
		if beds[s.sorted[at].no].resting {
			best, ok = s.sorted[at], true
			break
		}
	}
	for _, o := range s.tail {
		if o.to < to && beds[o.no].resting && (!ok || o.to > best.to) {
			best, ok = o, true
		}
	}
	return best, ok
}

// keyTable finds a key's case: open addressing over rows, whose text lies in one array.
// A row stays when its case is woken and is used again when the key rests again.
type keyTable struct {
	seed  maphash.Seed
	slots []uint32 // row and 1, 0 for free
	rows  []keyRow
	text  []byte // per row: kind, length, key
}

type keyRow struct{ at, no uint32 }

const (
	hasRecords = 0x80 // in the kind's byte: the key had records of its own
	longestKey = 255  // bytes of a key that a row holds
)

var kindNumber = func() map[event.Kind]byte {
	out := make(map[event.Kind]byte)
	for i, kind := range event.Kinds() {
		out[kind] = byte(i) //nolint:gosec // eleven kinds
	}
	return out
}()

func (k *keyTable) hash(kind byte, key event.Key) uint64 {
	return maphash.String(k.seed, string(key)) + uint64(kind)*0x9E3779B97F4A7C15
}

// find gives the row of a key, -1 when there is none, and the slot that is or would be its.
func (k *keyTable) find(kind byte, key event.Key) (row int, slot int) {
	mask := len(k.slots) - 1
	for slot = int(k.hash(kind, key)) & mask; ; slot = (slot + 1) & mask { //nolint:gosec // only its low bits count
		n := k.slots[slot]
		if n == 0 {
			return -1, slot
		}
		at := k.rows[n-1].at
		if k.text[at]&^hasRecords == kind && int(k.text[at+1]) == len(key) && string(k.text[at+2:int(at)+2+len(key)]) == string(key) {
			return int(n - 1), slot
		}
	}
}

// put says in which case a key rests.
func (k *keyTable) put(t Target, records bool, no uint32) {
	if 4*(len(k.rows)+1) > 3*len(k.slots) {
		k.grow()
	}
	kind := kindNumber[t.Kind]
	row, slot := k.find(kind, t.Key)
	if row < 0 {
		row = len(k.rows)
		k.rows = append(k.rows, keyRow{at: uint32(len(k.text))}) //nolint:gosec // see full
		k.slots[slot] = uint32(row + 1)                          //nolint:gosec // see full
		k.text = append(append(k.text, kind, byte(len(t.Key))), t.Key...)
	}
	k.rows[row].no = no
	k.text[k.rows[row].at] = kind
	if records {
		k.text[k.rows[row].at] |= hasRecords
	}
}

// full: the next keys wouldn't fit into 32 bits.
func (k *keyTable) full(keys int) bool {
	return len(k.text) > math.MaxInt32 || len(k.rows)+keys > math.MaxInt32
}

func (k *keyTable) grow() {
	k.slots = make([]uint32, max(64, 2*len(k.slots)))
	mask := len(k.slots) - 1
	for i := range k.rows {
		kind, key := k.key(i)
		slot := int(k.hash(kind, key)) & mask //nolint:gosec // only its low bits count
		for k.slots[slot] != 0 {
			slot = (slot + 1) & mask
		}
		k.slots[slot] = uint32(i + 1) //nolint:gosec // see full
	}
}

func (k *keyTable) key(row int) (byte, event.Key) {
	at := int(k.rows[row].at)
	return k.text[at] &^ hasRecords, event.Key(k.text[at+2 : at+2+int(k.text[at+1])])
}

// order is one that still has a tube to be drawn.
type order struct{ patient, label string }

// asleep is all that is kept of the cases at rest.
type asleep struct {
	beds    []bed
	resting int
	keys    keyTable
	traces  map[traceKey]*spans
	facts   map[string]int             // what Count counts of them
	lens    map[event.Kind]int         // aggregates with records
	waiting map[uint32][]order         // orders of cases at rest that Waiting tells, as of tubes that were never scanned at the bedside
	seqs    map[Target]uint64          // where the sequence is above that of the records
	stirred []uint32                   // cases that a record touched, in that order
	told    []Target                   // of stirred cases that were woken meanwhile
	ring    []event.Key                // tubes that are awake, in the order in which RestSome looks at them
	head    int                        // of ring
	gone    int                        // aggregates that went to rest since the maps were made anew
	stale   map[Target][]*event.Record // records that were replaced: the indexes still know them
	loading bool                       // what was awake beside the trace is being folded: it concerns nothing at rest
	failed  error
}

func newAsleep() asleep {
	return asleep{keys: keyTable{seed: maphash.MakeSeed()}, traces: make(map[traceKey]*spans), facts: make(map[string]int), waiting: make(map[uint32][]order),
		lens: make(map[event.Kind]int), seqs: make(map[Target]uint64), stale: make(map[Target][]*event.Record)}
}

// caseOf gives the resting case of a target.
func (a *asleep) caseOf(t Target) (uint32, bool) {
	if a.resting == 0 {
		return 0, false
	}
	row, _ := a.keys.find(kindNumber[t.Kind], t.Key)
	if row < 0 || !a.beds[a.keys.rows[row].no].resting {
		return 0, false
	}
	return a.keys.rows[row].no, true
}

func (a *asleep) span(key traceKey, s span) {
	trace := a.traces[key]
	if trace == nil {
		trace = &spans{}
		a.traces[key] = trace
	}
	trace.add(s, a.beds)
}

// since adds the resting cases of a trace that end at or after an instant; 0: all.
func (a *asleep) since(out []uint32, key traceKey, t event.Instant) []uint32 {
	if a.resting == 0 {
		return out
	}
	a.traces[key].each(earliest(t), func(s span) {
		if a.beds[s.no].resting {
			out = append(out, s.no)
		}
	})
	return out
}

// at adds those that are there at an instant; 0: those that have no end.
func (a *asleep) at(out []uint32, key traceKey, t event.Instant) []uint32 {
	if a.resting == 0 {
		return out
	}
	to, from := earliest(t), latest(t)
	if t == 0 {
		to, from = forever, forever
	}
	a.traces[key].each(to, func(s span) {
		if s.from <= from && a.beds[s.no].resting {
			out = append(out, s.no)
		}
	})
	return out
}

// stir notes cases that a record touches while they rest.
func (a *asleep) stir(cases []uint32) {
	for _, no := range cases {
		if b := &a.beds[no]; b.resting && !b.stirred {
			b.stirred = true
			a.stirred = append(a.stirred, no)
		}
	}
}

// patientHash is where a reference stands in its trace.
func patientHash(key event.Key) uint32 {
	h := uint32(2166136261) // FNV-1a
	for i := range len(key) {
		h = (h ^ uint32(key[i])) * 16777619
	}
	return h
}

// keysOf adds the keys of a kind that rest and had records.
func (a *asleep) keysOf(out []event.Key, kind event.Kind) []event.Key {
	if a.lens[kind] == 0 {
		return out
	}
	for i := range a.keys.rows {
		row := &a.keys.rows[i]
		if a.beds[row.no].resting && a.keys.text[row.at] == kindNumber[kind]|hasRecords {
			_, key := a.keys.key(i)
			out = append(out, key)
		}
	}
	return out
}
