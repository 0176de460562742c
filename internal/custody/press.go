package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Most tubes and boxes lie somewhere and nobody asks for them. Their records are pressed meanwhile:
// kept in their stored form, which has no pointers and a quarter of the size, and spread
// out again when somebody looks. Nothing that a World says depends on it.

// spreadDefault is how many aggregates keep their records at hand; NewWorld's AtHand.
const spreadDefault = 8_192

// pressable: there are many of them, with records that grow in number.
func pressable(kind event.Kind) bool { return caseKind(kind) || kind == event.KindCarrier }

// own is a record as it is kept: what will be pressed needs no further care.
func (w *World) own(rec *event.Record) *event.Record {
	if w.Press != nil && pressable(rec.Kind) {
		return rec
	}
	return w.words.record(rec)
}

// all gives the records of an aggregate in fold order, at hand from now on.
func (a *aggregate) all() []*event.Record {
	if a.w.Press == nil {
		return a.spread
	}
	a.used = true
	if a.short {
		a.spread, a.short = append(a.read(), a.spread...), false
		a.number()
		a.w.list(a)
	}
	return a.spread
}

// glance gives the records for somebody who looks at very many aggregates.
func (a *aggregate) glance() []*event.Record {
	if a.short {
		return append(a.read(), a.spread...)
	}
	return a.spread
}

// behind adds a record to those of which most are pressed, if it happened after all of
// them; it doesn't look at them.
func (a *aggregate) behind(rec *event.Record) bool {
	if !a.short || rec.Occurred <= a.last || a.inPressed+len(a.spread) >= scanLimit {
		return false
	}
	a.spread = append(a.spread, rec)
	a.note(rec)
	return true
}

// pressAtOnce adds the stored form of a record to an aggregate of which all is pressed, if it
// happened after all of them: who reads a log from its beginning has no use for it spread.
func (a *aggregate) pressAtOnce(rec *event.Record) bool {
	w := a.w
	if !w.reading || rec.Stored == nil || w.Press == nil || !caseKind(rec.Kind) ||
		len(a.spread) > 0 || rec.Occurred <= a.last || a.inPressed >= scanLimit {
		return false
	}
	buf, err := w.Press(w.scratch[:0], rec)
	if w.scratch = buf; err != nil {
		return false
	}
	if need := len(a.pressed) + len(buf); need > cap(a.pressed) {
		a.pressed = append(make([]byte, 0, max(2*len(buf), need+need/2)), a.pressed...)
	}
	a.pressed, a.inPressed = append(a.pressed, buf...), a.inPressed+1
	a.short, a.pressedTo = true, rec.Occurred
	a.note(rec)
	return true
}

// note keeps what is asked of records without a look at them.
func (a *aggregate) note(rec *event.Record) {
	a.newest, a.last = max(a.newest, rec.Occurred, rec.Recorded), max(a.last, rec.Occurred)
	a.top, a.voids = max(a.top, rec.Seq), a.voids || holds[event.Voided](rec.Facts)
	a.ends = a.ends || endsUse(rec.Facts)
	a.ids.add(idOf(rec))
	one, two := formOf(rec)
	a.again = a.forms[0]&one != 0 && a.forms[1]&two != 0
	a.forms[0], a.forms[1] = a.forms[0]|one, a.forms[1]|two
}

// formOf is two bits, the same ones for a record that tells of the same step once more.
func formOf(rec *event.Record) (one, two uint64) {
	h := hashOf(rec.Place)
	for _, f := range rec.Facts {
		h = h*31 + hashOf(f.FactName())
	}
	return 1 << (h >> 58), 1 << (h >> 52 & 63)
}

// ids are the ids of an aggregate, three of 128 bits for each: an id whose bits are not
// all set is not among them.
type ids [2]uint64

func (s *ids) add(id string) {
	for h, n := hashOf(id), 0; n < 3; h, n = h>>7, n+1 {
		s[h>>6&1] |= 1 << (h & 63)
	}
}

func (s *ids) may(id string) bool {
	for h, n := hashOf(id), 0; n < 3; h, n = h>>7, n+1 {
		if s[h>>6&1]&(1<<(h&63)) == 0 {
			return false
		}
	}
	return true
}

// hashOf is the same one in every process: what it gives is part of a snapshot. (FNV-1a, its
// high bits mixed into the low ones.)
func hashOf(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h ^ h>>29
}

// read spreads what is pressed.
func (a *aggregate) read() []*event.Record {
	records, err := a.w.Spread(a.pressed)
	if err != nil || len(records) != a.inPressed {
		// What this process itself pressed can't be read: its memory is not sound.
		panic("custody: the records of " + string(a.self.Key) + " can't be spread out again")
	}
	return records
}

// Kept are the records of an aggregate as they lie in memory.
type Kept struct {
	Pressed []byte          // the first ones in their stored form; read only
	Records []*event.Record // those behind them
	Count   int             // of both
}

// Kept gives the records of an aggregate without spreading them. What it gives stays as it
// is, whatever is applied later.
func (w *World) Kept(t Target) Kept {
	a := w.agg(t.Kind, t.Key)
	if a == nil {
		return Kept{}
	}
	more := a.unpressed()
	return Kept{a.pressed, slices.Clone(more), a.inPressed + len(more)}
}

// unpressed are the records that no pressed form holds.
func (a *aggregate) unpressed() []*event.Record {
	if a.short {
		return a.spread
	}
	return a.spread[a.inPressed:]
}

// unpress forgets the pressed form: the records aren't those any more.
func (a *aggregate) unpress() { a.pressed, a.inPressed = nil, 0 }

// list notes that the records of an aggregate are at hand.
func (w *World) list(a *aggregate) {
	if w.Press != nil && pressable(a.self.Kind) && !a.listed {
		a.listed = true
		w.atHand = append(w.atHand, a)
	}
}

// Tidy presses what nobody has looked at lately while more is at hand than should be: some
// of it at each call. Apply and Fold call it; who only reads very much must.
func (w *World) Tidy() {
	over := len(w.atHand) - w.handed - w.AtHand
	for range max(min(over, 4), over/64) {
		a := w.atHand[w.handed]
		w.atHand[w.handed] = nil
		if w.handed++; 2*w.handed > len(w.atHand) {
			w.atHand = append(w.atHand[:0], w.atHand[w.handed:]...)
			w.handed = 0
		}
		a.listed = false
		if a.gone || len(a.spread) == 0 {
			continue
		}
		if a.used {
			a.used = false
			w.list(a)
			continue
		}
		a.press()
	}
}

// press gives up the records for their stored form. Those that have none stay.
func (a *aggregate) press() {
	if more := a.unpressed(); len(more) > 0 {
		w := a.w
		buf := append(w.scratch[:0], a.pressed...)
		for _, rec := range more {
			var err error
			if buf, err = w.Press(buf, rec); err != nil {
				return
			}
		}
		w.scratch = buf
		a.pressed, a.inPressed = append(make([]byte, 0, len(buf)), buf...), a.inPressed+len(more)
	} else if cap(a.pressed)-len(a.pressed) > len(a.pressed)/8 {
		a.pressed = append(make([]byte, 0, len(a.pressed)), a.pressed...) // the room is not needed now
	}
	a.spread, a.short, a.pressedTo, a.byID = nil, true, a.last, nil
	if a.boxed != nil {
		a.own, a.nests = nil, nil
	}
}
