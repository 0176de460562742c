package custody

import (
	"encoding/binary"
	"errors"
	"slices"

	"specimen.example/custody/internal/event"
)

// State gives all that is kept of an aggregate whose records can be pressed, beside the
// records: whoever holds both needs no look at a record to put it into another World. It is
// nil for all others, and for what rests.
func (w *World) State(t Target) []byte {
	a := w.logs[t.Kind][t.Key]
	if a == nil || !pressable(t.Kind) {
		return nil
	}
	var e traceWriter
	e.u(uint64(kindNumber[t.Kind]))
	e.s(string(t.Key))
	e.flags(a.voids, a.ends, a.boxed != nil && a.counts)
	for _, v := range []uint64{a.seq, a.top, a.ids[0], a.ids[1], a.forms[0], a.forms[1]} {
		e.u(v)
	}
	e.at(a.newest)
	e.at(a.last)
	crowds := slices.Collect(a.crowds.all)
	e.n(len(crowds))
	for _, c := range crowds {
		e.flags(c.way)
		e.s(string(c.of))
	}
	e.n(len(a.packings))
	for i := range a.packings {
		p := &a.packings[i]
		e.s(string(p.in.carrier))
		e.flags(p.inside, p.known, p.lasts)
		e.at(p.lastIn)
		e.at(p.out)
	}
	if a.boxed != nil {
		e.n(len(a.emptied))
		for _, at := range a.emptied {
			e.at(at)
		}
	}
	return e.buf
}

func (e *traceWriter) i(v int64)          { e.buf = binary.AppendVarint(e.buf, v) }
func (e *traceWriter) at(t event.Instant) { e.i(int64(t)) }

func (e *traceWriter) flags(flags ...bool) {
	v := uint64(0)
	for i, f := range flags {
		if f {
			v |= 1 << i
		}
	}
	e.u(v)
}

func (d *traceReader) at() event.Instant { return event.Instant(d.i()) }

var errState = errors.New("custody: the state of an aggregate is cut short, damaged or there already")

// SetState puts an aggregate into a World that has Press and none of it, as State gave it,
// with its n records in their stored form, which are copied. SetIndex must follow when
// all are there.
func (w *World) SetState(state, records []byte, n int) (Target, error) {
	d := traceReader{data: state}
	kind := d.u()
	if kind >= uint64(len(event.Kinds())) {
		return Target{}, errState
	}
	a := &aggregate{w: w, self: Target{event.Kinds()[kind], event.Key(d.s())}, short: true, inPressed: n}
	if !pressable(a.self.Kind) || w.logs[a.self.Kind][a.self.Key] != nil || n <= 0 {
		return Target{}, errState
	}
	flags := d.u()
	a.voids, a.ends = flags&1 != 0, flags&2 != 0
	if a.self.Kind == event.KindCarrier {
		a.boxed = &boxed{counts: flags&4 != 0}
		w.counting = w.counting || a.counts
	}
	for _, v := range []*uint64{&a.seq, &a.top, &a.ids[0], &a.ids[1], &a.forms[0], &a.forms[1]} {
		*v = d.u()
	}
	a.newest, a.last = d.at(), d.at()
	a.pressedTo = a.last
	for range d.n(2) {
		crowds, c := w.scannedAt, crowd{way: d.u() != 0, of: event.Key(d.s())}
		if c.way {
			crowds = w.onRoute
		}
		a.join(entry(crowds, c.of, c))
	}
	if packings := d.n(4); packings > 0 {
		a.packings = make([]packing, packings)
	}
	for i := range a.packings {
		p := &a.packings[i]
		p.in = w.membersOf(event.Key(d.s()))
		flags := d.u()
		p.inside, p.known = flags&1 != 0, flags&2 != 0
		p.lastIn, p.out = d.at(), d.at()
		p.stands(a, flags&4 != 0)
	}
	if a.boxed != nil {
		for range d.n(1) {
			a.emptied = append(a.emptied, d.at())
		}
	}
	if d.bad || len(d.data) > 0 {
		return Target{}, errState
	}
	a.pressed = append(make([]byte, 0, len(records)), records...)
	w.logs[a.self.Kind][a.self.Key] = a
	if a.self.Kind == event.KindTube && w.Recall != nil {
		w.asleep.ring = append(w.asleep.ring, a.self.Key)
	}
	return a.self, nil
}

// linksOf are the indexes that only facts of tubes, draws and requests fill.
func (w *World) linksOf() []map[event.Key]keySet {
	return []map[event.Key]keySet{w.byRequest, w.assigned, w.byDraw, w.children, w.splits, w.asked}
}

// Index gives what SetIndex needs once all that State gave is there. It may be asked
// for after facts came in that none of that knows: an index only narrows what is looked at.
func (w *World) Index() []byte {
	var e traceWriter
	for _, links := range w.linksOf() {
		e.n(len(links))
		for key, set := range links {
			e.s(string(key))
			e.n(len(set))
			for _, o := range set {
				e.s(string(o))
			}
		}
	}
	e.n(len(w.drawStarts))
	for device, list := range w.drawStarts {
		e.s(device)
		e.n(len(list))
		for i := range list {
			s := &list[i]
			e.s(string(s.draw))
			e.s(s.id)
			e.at(s.occurred)
			e.i(s.deviceSeq)
			e.u(s.seq)
		}
	}
	e.counts(w.logs[event.KindCarrier])
	e.ticks(w.clocks)
	return e.buf
}

// SetIndex is the last step of giving a World what another one was: SetTrace, SetState and
// Fold come before it.
func (w *World) SetIndex(data []byte) error {
	d := traceReader{data: data}
	for _, links := range w.linksOf() {
		for range d.n(3) {
			key := event.Key(d.s())
			for range d.n(1) {
				addTo(links, key, event.Key(d.s()))
			}
		}
	}
	for range d.n(2) {
		device := d.s()
		list := make([]drawStart, d.n(5))
		for i := range list {
			list[i] = drawStart{draw: event.Key(d.s()), id: d.s(), occurred: d.at(), deviceSeq: d.i(), seq: d.u()}
		}
		w.drawStarts[device] = list
	}
	inside := d.counts()
	clocks := d.ticks()
	if d.bad || len(d.data) > 0 {
		return errTrace
	}
	a := &w.asleep
	a.loading = false
	for device, boots := range clocks {
		for boot, list := range boots {
			for _, t := range list {
				ticks := w.clocks[device][boot]
				if at, known := slices.BinarySearchFunc(ticks, t, compareTicks); !known {
					w.keepTicks(device, boot, slices.Insert(ticks, at, t))
				}
			}
		}
	}
	for t, seq := range a.seqs {
		if agg := w.logs[t.Kind][t.Key]; agg != nil {
			agg.seq = max(agg.seq, seq)
			delete(a.seqs, t)
		}
	}
	for key, counts := range inside {
		if agg := w.logs[event.KindCarrier][key]; agg != nil {
			agg.inside = counts
		}
	}
	return nil
}
