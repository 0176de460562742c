package custody

import (
	"encoding/binary"
	"errors"
	"maps"
	"slices"

	"specimen.example/custody/internal/event"
)

// Fold is Apply for whoever looks at everything afterwards: it doesn't ask what the record
// may change, which is most of what Apply costs, and keeps the record as it is: whoever
// reads that many has their texts shared already.
func (w *World) Fold(rec *event.Record) {
	if _, ok := w.logs[rec.Kind]; !ok {
		return
	}
	w.concerned(rec)
	w.reading = true
	agg, replaced, last := w.take(rec)
	w.reading = false
	if agg == nil {
		return
	}
	w.index(agg.self, rec, agg)
	w.indexStays(agg.self, rec, agg, last)
	if rec.Kind == event.KindCarrier && counted(rec.Facts) > 0 {
		agg.counts, w.counting = true, true
	}
	if rec.Kind == event.KindRoute {
		route, known := w.Route(rec.Key)
		w.ways.describe(rec.Key, route, known)
	}
	w.indexClock(rec, replaced)
	w.uncount(rec, replaced, agg)
	w.Tidy()
}

// Awake lists the aggregates of a kind of which the records are here, in no order: to sort
// a million takes seconds.
func (w *World) Awake(kind event.Kind) []event.Key {
	return slices.AppendSeq(make([]event.Key, 0, len(w.logs[kind])), maps.Keys(w.logs[kind]))
}

// Trace gives what is kept of the cases at rest, for SetTrace of another World. References
// of Keep are in it.
func (w *World) Trace() []byte {
	a := &w.asleep
	var e traceWriter
	e.n(len(a.beds))
	for _, b := range a.beds {
		flags := uint64(0)
		if b.resting {
			flags |= 1
		}
		if b.stirred {
			flags |= 2
		}
		e.u(b.ref)
		e.u(uint64(b.last)<<2 | flags)
	}
	e.n(len(a.keys.rows))
	for i := range a.keys.rows {
		e.u(uint64(a.keys.rows[i].no))
	}
	e.s(string(a.keys.text))
	e.n(len(a.traces))
	for key, trace := range a.traces {
		e.u(uint64(key.kind))
		e.s(key.name)
		e.s(key.boot)
		e.spans(trace.sorted)
		e.spans(trace.tail)
	}
	e.n(len(a.facts))
	for name, n := range a.facts {
		e.s(name)
		e.n(n)
	}
	seqs := maps.Clone(a.seqs)
	for kind, logs := range w.logs {
		if pressable(kind) {
			continue // their State says it
		}
		for _, agg := range logs { // a repeated message raised it, and no record tells
			if agg.seq > agg.top {
				seqs[agg.self] = agg.seq
			}
		}
	}
	e.n(len(seqs))
	for t, seq := range seqs {
		e.target(t)
		e.u(seq)
	}
	e.n(len(a.stirred))
	for _, no := range a.stirred {
		e.u(uint64(no))
	}
	e.n(len(a.told))
	for _, t := range a.told {
		e.target(t)
	}
	e.n(len(a.waiting))
	for no, orders := range a.waiting {
		e.u(uint64(no))
		e.n(len(orders))
		for _, o := range orders {
			e.s(o.patient)
			e.s(o.label)
		}
	}
	return e.buf
}

type traceWriter struct{ buf []byte }

func (e *traceWriter) u(v uint64) { e.buf = binary.AppendUvarint(e.buf, v) }
func (e *traceWriter) n(v int)    { e.u(uint64(v)) } //nolint:gosec // lengths and counts
func (e *traceWriter) s(s string) { e.n(len(s)); e.buf = append(e.buf, s...) }

func (e *traceWriter) target(t Target) {
	e.s(string(t.Kind))
	e.s(string(t.Key))
}

func (e *traceWriter) spans(list []span) {
	e.n(len(list))
	for _, s := range list {
		e.u(uint64(s.from))
		e.u(uint64(s.to))
		e.u(uint64(s.no))
	}
}

// counts writes what was inside of carriers at counts of which some tube rests.
func (e *traceWriter) counts(carriers map[event.Key]*aggregate) {
	n := 0
	for _, c := range carriers {
		if len(c.inside) > 0 {
			n++
		}
	}
	e.n(n)
	for key, c := range carriers {
		if len(c.inside) == 0 {
			continue
		}
		e.s(string(key))
		e.n(len(c.inside))
		for at, tubes := range c.inside {
			e.u(uint64(at))    //nolint:gosec // after 1970
			e.u(uint64(tubes)) //nolint:gosec // a count
		}
	}
}

// ticks writes what each device's clock showed: some of it was given by what rests.
func (e *traceWriter) ticks(clocks map[event.Key]map[string][]tick) {
	for device, boots := range clocks {
		for boot, ticks := range boots {
			e.n(len(ticks))
			e.s(string(device))
			e.s(boot)
			for _, t := range ticks {
				e.buf = binary.AppendVarint(e.buf, t.mono)
				e.buf = binary.AppendVarint(e.buf, int64(t.offset))
				e.buf = binary.AppendVarint(e.buf, int64(t.at))
				e.s(t.scan)
			}
		}
	}
	e.n(0)
}

var errTrace = errors.New("custody: the trace of cases at rest is cut short or damaged")

// SetTrace gives an empty World the cases at rest of another; SetIndex is called when what
// was awake is there too. After an error the World can't be used.
func (w *World) SetTrace(data []byte) error {
	d := traceReader{data: data}
	a := &w.asleep
	a.beds = make([]bed, d.n(2))
	for i := range a.beds {
		b := &a.beds[i]
		b.ref = d.u()
		v := d.u()
		b.last, b.resting, b.stirred = uint32(v>>2), v&1 != 0, v&2 != 0 //nolint:gosec // as written
		if b.resting {
			a.resting++
		}
	}
	nos := make([]uint32, d.n(1))
	for i := range nos {
		nos[i] = d.no(a)
	}
	a.keys.text = []byte(d.s())
	if d.bad {
		return errTrace
	}
	if err := a.keys.fill(nos); err != nil {
		return err
	}
	for i := range a.keys.rows {
		if at := a.keys.rows[i].at; a.keys.text[at]&hasRecords != 0 && a.beds[a.keys.rows[i].no].resting {
			kind, _ := a.keys.key(i)
			a.lens[event.Kinds()[kind]]++
		}
	}
	for range d.n(5) {
		key := traceKey{kind: traceKind(d.u())} //nolint:gosec // as written
		key.name, key.boot = d.s(), d.s()
		a.traces[key] = &spans{sorted: d.spans(a), tail: d.spans(a)}
	}
	for range d.n(2) {
		name := d.s()
		a.facts[name] = d.n(0)
	}
	for range d.n(3) {
		t := d.target()
		a.seqs[t] = d.u()
	}
	for range d.n(1) {
		a.stirred = append(a.stirred, d.no(a))
	}
	for range d.n(2) {
		a.told = append(a.told, d.target())
	}
	for range d.n(2) {
		no := d.no(a)
		for range d.n(2) {
			a.waiting[no] = append(a.waiting[no], order{patient: d.s(), label: d.s()})
		}
	}
	if d.bad || len(d.data) > 0 {
		return errTrace
	}
	a.loading = true
	return nil
}

// counts reads what counts of traceWriter wrote.
func (d *traceReader) counts() map[event.Key]map[event.Instant]int32 {
	inside := map[event.Key]map[event.Instant]int32{}
	for range d.n(2) {
		key := event.Key(d.s())
		inside[key] = map[event.Instant]int32{}
		for range d.n(2) {
			at := event.Instant(d.u())     //nolint:gosec // as written
			inside[key][at] = int32(d.u()) //nolint:gosec // as written
		}
	}
	return inside
}

// fill makes rows and slots from the text and the cases of its keys.
func (k *keyTable) fill(nos []uint32) error {
	at := 0
	for _, no := range nos {
		if at+2 > len(k.text) || at+2+int(k.text[at+1]) > len(k.text) || int(k.text[at]&^hasRecords) >= len(kindNumber) {
			return errTrace
		}
		k.rows = append(k.rows, keyRow{at: uint32(at), no: no}) //nolint:gosec // see full
		at += 2 + int(k.text[at+1])
	}
	if at != len(k.text) {
		return errTrace
	}
	for 4*(len(k.rows)+1) > 3*len(k.slots) {
		k.slots = make([]uint32, max(64, 2*len(k.slots)))
	}
	mask := len(k.slots) - 1
	for i := range k.rows {
		kind, key := k.key(i)
		slot := int(k.hash(kind, key)) & mask //nolint:gosec // only its low bits count
		for k.slots[slot] != 0 {
			slot = (slot + 1) & mask
		}
		k.slots[slot] = uint32(i + 1) //nolint:gosec // see full
	}
	return nil
}

// traceReader reads what traceWriter wrote; bad is set at the first thing that isn't so.
type traceReader struct {
	data []byte
	bad  bool
}

func (d *traceReader) u() uint64 {
	v, n := binary.Uvarint(d.data)
	if n <= 0 {
		d.bad, d.data = true, nil
		return 0
	}
	d.data = d.data[n:]
	return v
}

// n reads a number of things of which each takes at least so many bytes; 0: just a number.
func (d *traceReader) n(each int) int {
	v := d.u()
	if each > 0 && v > uint64(len(d.data)/each) {
		d.bad, d.data = true, nil
		return 0
	}
	return int(v) //nolint:gosec // as written
}

func (d *traceReader) s() string {
	n := d.n(1)
	if d.bad {
		return ""
	}
	s := string(d.data[:n])
	d.data = d.data[n:]
	return s
}

// no reads the number of a case.
func (d *traceReader) no(a *asleep) uint32 {
	v := d.u()
	if v >= uint64(len(a.beds)) {
		d.bad = true
		return 0
	}
	return uint32(v) //nolint:gosec // below the number of cases
}

func (d *traceReader) target() Target { return Target{event.Kind(d.s()), event.Key(d.s())} }

func (d *traceReader) i() int64 {
	v, n := binary.Varint(d.data)
	if n <= 0 {
		d.bad, d.data = true, nil
		return 0
	}
	d.data = d.data[n:]
	return v
}

func (d *traceReader) ticks() map[event.Key]map[string][]tick {
	out := map[event.Key]map[string][]tick{}
	for n := d.n(4); n > 0; n = d.n(4) {
		device, boot := event.Key(d.s()), d.s()
		if out[device] == nil {
			out[device] = map[string][]tick{}
		}
		list := make([]tick, n)
		for i := range list {
			list[i] = tick{mono: d.i(), offset: event.Instant(d.i()), at: event.Instant(d.i()), scan: d.s()}
		}
		out[device][boot] = list
	}
	return out
}

func (d *traceReader) spans(a *asleep) []span {
	list := make([]span, d.n(3))
	for i := range list {
		list[i] = span{from: uint32(d.u()), to: uint32(d.u()), no: d.no(a)} //nolint:gosec // as written
	}
	return list
}
