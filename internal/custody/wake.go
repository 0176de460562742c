package custody

import (
	"errors"
	"slices"

	"specimen.example/custody/internal/event"
)

var (
	errFull    = errors.New("no more cases can rest in one process")
	errNothing = errors.New("nothing of this case was recorded")
)

// Failed is the first error of Recall. From then on an answer may lack what is at rest:
// the caller must not go on with this World, but make another from the log.
func (w *World) Failed() error { return w.asleep.failed }

// Stirred wakes at most n of the cases that records touched while they rested, beyond those
// that Apply woke itself, and gives what may have changed, each once, sorted. Nothing is
// read wrongly before: whatever is asked for is woken. It is for those who look again only
// at what changed.
func (w *World) Stirred(n int) []Target {
	a := &w.asleep
	for ; n > 0 && len(a.stirred) > 0 && a.failed == nil; n-- {
		no := a.stirred[0]
		if a.stirred = a.stirred[1:]; len(a.stirred) == 0 {
			a.stirred = nil
		}
		w.wake(no)
	}
	r := &reach{w: w, seen: make(map[Target]struct{}), at: nothing, rest: nothing}
	for _, t := range a.told {
		r.add(t)
	}
	a.told = nil
	r.counts()
	return sortedTargets(r.seen)
}

// Unread is the number of cases that Stirred has still to speak of.
func (w *World) Unread() int { return len(w.asleep.stirred) + len(w.asleep.told) }

// wakeFor wakes the case of t.
func (w *World) wakeFor(t Target) {
	if no, ok := w.asleep.caseOf(t); ok {
		w.wake(no)
	}
}

// wakeAll wakes those that still rest.
func (w *World) wakeAll(cases []uint32) {
	for _, no := range cases {
		w.wake(no)
	}
}

// wake applies the records of a case again.
func (w *World) wake(no uint32) {
	a := &w.asleep
	b := &a.beds[no]
	if !b.resting || a.failed != nil {
		return
	}
	records, err := w.Recall(b.ref)
	if err != nil {
		a.failed = err
		return
	}
	stirred := b.stirred
	b.resting, b.stirred = false, false
	a.resting--
	delete(a.waiting, no)
	done := make(map[Target]struct{})
	for i := range records {
		rec := w.own(records[i])
		records[i] = rec
		agg, _, last := w.take(rec)
		if agg == nil {
			continue
		}
		w.index(agg.self, rec, agg)
		w.indexStays(agg.self, rec, agg, last)
		done[agg.self] = struct{}{}
	}
	for self := range done {
		agg := w.logs[self.Kind][self.Key]
		if seq, ok := a.seqs[self]; ok {
			agg.seq = max(agg.seq, seq)
			delete(a.seqs, self)
		}
		a.lens[self.Kind]--
		w.tally(self.Kind, agg, -1)
	}
	for _, rec := range records {
		if stirred {
			tell := func(t Target) { a.told = append(a.told, t) }
			tell(Target{rec.Kind, rec.Key})
			linked(rec, tell)
		}
		w.retick(rec)
	}
}

// agg gives what is kept of an aggregate, woken if it rests; nil when nothing is.
func (w *World) agg(kind event.Kind, key event.Key) *aggregate {
	if agg := w.logs[kind][key]; agg != nil || w.asleep.resting == 0 || !caseKind(kind) {
		return agg
	}
	w.wakeFor(Target{kind, key})
	return w.logs[kind][key]
}

// named gives an entry of an index; what it names is awake with the key itself.
func (w *World) named(m map[event.Key]keySet, kind event.Kind, key event.Key) keySet {
	if w.asleep.resting != 0 && w.logs[kind][key] == nil {
		w.wakeFor(Target{kind, key})
	}
	return m[key]
}

// concerned wakes, before a record is applied, the cases that it belongs to or names and
// those beside it on its device's counter.
func (w *World) concerned(rec *event.Record) {
	a := &w.asleep
	if a.resting == 0 || a.loading {
		return
	}
	if caseKind(rec.Kind) {
		w.wakeFor(Target{rec.Kind, rec.Key})
		linked(rec, w.wakeFor)
	}
	w.wakeTicks(rec)
	if agg := w.logs[rec.Kind][rec.Key]; agg != nil {
		if old := agg.find(idOf(rec)); old != nil {
			w.wakeTicks(old) // it goes if rec came before it
		}
	}
}

// wakeTicks wakes whose ticks may lie beside a record's.
func (w *World) wakeTicks(rec *event.Record) {
	a := &w.asleep
	device, t, ok := w.tickOf(rec)
	if !ok {
		return
	}
	key := traceKey{kind: traceClock, name: string(device), boot: rec.BootID}
	at := counter(t.mono)
	w.wakeAll(a.between(nil, key, at, at))
	// Beyond the tick that is known before or behind it, nothing is its neighbour.
	least, most := uint32(0), uint32(forever-1)
	ticks := w.clocks[device][rec.BootID]
	i, known := slices.BinarySearchFunc(ticks, t, compareTicks)
	if i > 0 {
		least = counter(ticks[i-1].mono)
	}
	if known {
		i++
	}
	if i < len(ticks) {
		most = counter(ticks[i].mono)
	}
	trace := a.traces[key]
	// The last ticks of a run are never thinned: behind them nothing is hidden.
	if s, ok := trace.below(at, a.beds); ok && (s.to > least || s.to == least && i < len(ticks)) {
		w.wakeAll(a.between([]uint32{s.no}, key, s.to, s.to))
	}
	next := span{from: forever}
	trace.each(at, func(s span) {
		if a.beds[s.no].resting && s.from > at && s.from <= most && s.from < next.from {
			next = s
		}
	})
	if next.from != forever {
		w.wakeAll(a.between([]uint32{next.no}, key, next.from, next.from))
	}
}

// between adds the resting cases that have a part in a stretch of a trace.
func (a *asleep) between(out []uint32, key traceKey, from, to uint32) []uint32 {
	a.traces[key].each(from, func(s span) {
		if s.from <= to && a.beds[s.no].resting {
			out = append(out, s.no)
		}
	})
	return out
}

// retick puts the tick of a woken record back. What then looks like a jump is one only
// between neighbours, so what rests between is woken.
func (w *World) retick(rec *event.Record) {
	device, t, ok := w.tickOf(rec)
	if !ok {
		return
	}
	key := traceKey{kind: traceClock, name: string(device), boot: rec.BootID}
	for {
		ticks := w.clocks[device][rec.BootID]
		i, known := slices.BinarySearchFunc(ticks, t, compareTicks)
		if !known {
			ticks = slices.Insert(ticks, i, t)
			w.keepTicks(device, rec.BootID, ticks)
		}
		var between []uint32
		if i > 0 && setBack(ticks[i-1], t) {
			between = w.asleep.between(between, key, counter(ticks[i-1].mono), counter(t.mono))
		}
		if i+1 < len(ticks) && setBack(t, ticks[i+1]) {
			between = w.asleep.between(between, key, counter(t.mono), counter(ticks[i+1].mono))
		}
		if len(between) == 0 || w.asleep.failed != nil {
			return
		}
		w.wakeAll(between)
	}
}

// thinTicks drops the tick of a record that goes to rest, where its neighbours tell the
// same without it and the run went on behind it.
func (w *World) thinTicks(rec *event.Record) {
	device, t, ok := w.tickOf(rec)
	if !ok {
		return
	}
	ticks := w.clocks[device][rec.BootID]
	i, known := slices.BinarySearchFunc(ticks, t, compareTicks)
	if !known || counter(ticks[len(ticks)-1].mono) == counter(t.mono) || jumpsBeside(ticks, i, t, i+1) {
		return
	}
	w.keepTicks(device, rec.BootID, slices.Delete(ticks, i, i+1))
}

func (w *World) keepTicks(device event.Key, boot string, ticks []tick) {
	boots := w.clocks[device]
	if len(ticks) == 0 {
		if delete(boots, boot); len(boots) == 0 {
			delete(w.clocks, device)
		}
		return
	}
	if boots == nil {
		boots = make(map[string][]tick)
		w.clocks[device] = boots
	}
	boots[boot] = fitted(ticks) // a run that is over keeps its last tick, not the room of all
}
