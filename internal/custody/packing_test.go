package custody

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// soundLists tells whether the lists of carriers, places and routes hold what their counts
// and those that stand in them say.
func (w *World) soundLists() error {
	for carrier, m := range w.members {
		if err := m.sound(); err != nil || m.carrier != carrier {
			return fmt.Errorf("what was in %s: %w", carrier, err)
		}
	}
	in := map[*crowd]int{}
	for _, logs := range w.logs {
		for _, agg := range logs {
			for c := range agg.crowds.all {
				in[c]++
			}
		}
	}
	for _, crowds := range []map[event.Key]*crowd{w.scannedAt, w.onRoute} {
		for of, c := range crowds {
			all := slices.Collect(c.all)
			if c.of != of || len(all) != in[c] || len(c.list) != len(all)+c.gone || slices.ContainsFunc(all, func(agg *aggregate) bool { return !slices.Contains(slices.Collect(agg.crowds.all), c) }) {
				return fmt.Errorf("who was at %s: %d of %d, %d gone; %d say so", of, len(all), len(c.list), c.gone, in[c])
			}
		}
	}
	for _, m := range w.members {
		for _, agg := range slices.Concat(m.list, m.open) {
			if !agg.gone && w.logs[agg.self.Kind][agg.self.Key] != agg {
				return fmt.Errorf("%s in %s is not the one that is awake", agg.self.Key, m.carrier)
			}
		}
	}
	return nil
}

// sound tells whether the lists of a membership hold what its counts and its members say.
func (m *membership) sound() error {
	gone, left, lasting := 0, 0, 0
	seen := map[*aggregate]bool{}
	for _, agg := range m.list {
		switch {
		case seen[agg]:
			return fmt.Errorf("%s stands in it twice", agg.self.Key)
		case agg.gone:
			gone++
		case !agg.packed(m.carrier).listed:
			return fmt.Errorf("%s doesn't know that it stands in it", agg.self.Key)
		case agg.packed(m.carrier).lasts:
			lasting++
		}
		seen[agg] = true
	}
	clear(seen)
	for _, agg := range m.open {
		switch {
		case seen[agg]:
			return fmt.Errorf("%s is open twice", agg.self.Key)
		case agg.gone || !agg.packed(m.carrier).lasts:
			left++
		default:
			lasting--
		}
		seen[agg] = true
	}
	if gone != m.gone || left != m.left || lasting != 0 {
		return fmt.Errorf("%d gone and %d left, it says %d and %d; %d that last are not open", gone, left, m.gone, m.left, lasting)
	}
	return nil
}

// A box that was emptied before a snapshot ends the stay of a tube of which it is told later
// that it was packed before that.
func TestAStateKnowsWhenABoxWasEmptied(t *testing.T) {
	rec := func(seq uint64, kind event.Kind, key event.Key, at event.Instant, facts ...event.Fact) *event.Record {
		return &event.Record{Seq: seq, Decision: event.Decision{
			Envelope: event.Envelope{ID: fmt.Sprint(seq), Kind: kind, Key: key, Occurred: at, Recorded: at, Device: "H-1", Place: "WARD-N"}, Facts: facts,
		}}
	}
	w := pressing(NewWorld(), 0)
	w.Apply(rec(1, event.KindCarrier, "L-B1", lawStart+600_000, event.Emptied{}))
	again := restarted(t, w)
	for minutes, lasts := range map[event.Instant]bool{5: false, 15: true} {
		key := event.Key(fmt.Sprintf("L-T%d", minutes))
		again.Apply(rec(uint64(10+minutes), event.KindTube, key, lawStart+minutes*60_000, event.Packed{Carrier: "L-B1"})) //nolint:gosec // small
		p := again.logs[event.KindTube][key].packed("L-B1")
		if p.lasts != lasts || !lasts && p.out != lawStart+600_000 {
			t.Errorf("packed after %d minutes, the box emptied after 10: %+v", minutes, *p)
		}
	}
	box := Target{event.KindCarrier, "L-B1"}
	state, kept := w.State(box), w.Kept(box)
	for _, bad := range [][]byte{nil, state[:len(state)-1], append(slices.Clone(state), 0)} {
		if _, err := pressing(NewWorld(), 0).SetState(bad, kept.Pressed, 1); err == nil {
			t.Errorf("%d of %d bytes of a state were taken", len(bad), len(state))
		}
	}
	if _, err := again.SetState(state, kept.Pressed, 1); err == nil {
		t.Error("what is there already was put there again")
	}
}

// What was put back goes to rest like what was read.
func TestWhatWasPutBackGoesToRest(t *testing.T) {
	var s shelf
	w := s.world()
	w.Apply(&event.Record{Seq: 1, Decision: event.Decision{
		Envelope: event.Envelope{ID: "a", Kind: event.KindTube, Key: "L-T1", Occurred: lawStart, Recorded: lawStart, Device: "H-1", Place: "LAB"},
		Facts:    []event.Fact{event.Rejected{Reason: "clotted"}},
	}})
	again := putBack(t, w, s.world())
	if _, err := again.RestSome(10, Terms{Before: lawStart + 24*3_600_000}, s.keep); err != nil {
		t.Fatal(err)
	}
	if _, tubes := again.Resting(); tubes != 1 {
		t.Errorf("%d tubes rest, want 1", tubes)
	}
}

// restarted gives a world that was put back as another one is.
func restarted(t interface{ Fatal(...any) }, w *World) *World {
	return putBack(t, w, pressing(NewWorld(), w.AtHand))
}

func putBack(t interface{ Fatal(...any) }, w, again *World) *World {
	if err := again.SetTrace(w.Trace()); err != nil {
		t.Fatal(err)
	}
	for _, kind := range event.Kinds() {
		for _, key := range w.Awake(kind) {
			on := Target{kind, key}
			state := w.State(on)
			var data []byte
			for _, rec := range w.Records(on) {
				if state == nil {
					again.Fold(rec)
					continue
				}
				data, _ = again.Press(data, rec) // never fails here
			}
			if state == nil {
				continue
			}
			if got, err := again.SetState(state, data, len(w.Records(on))); err != nil || got != on {
				t.Fatal(got, err)
			}
		}
	}
	if err := again.SetIndex(w.Index()); err != nil {
		t.Fatal(err)
	}
	return again
}

// Whoever reads a log, in whatever order its messages come and with whatever pressed, has
// each aggregate's records in fold order.
func TestLawALogIsReadInFoldOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		recs := genRecords(t)
		for i, rec := range recs {
			rec.ID, rec.Stored = fmt.Sprintf("id-%d", rapid.IntRange(0, len(recs)).Draw(t, "id")), []byte{0}
			rec.Seq = uint64(i + 1) //nolint:gosec // small
		}
		w, plain := pressing(NewWorld(), rapid.IntRange(0, 3).Draw(t, "at hand")), NewWorld()
		for _, rec := range rapid.Permutation(recs).Draw(t, "order") {
			other := *rec
			plain.Apply(rec)
			w.Fold(&other)
			if rapid.IntRange(0, 5).Draw(t, "restarts") == 0 {
				w = restarted(t, w)
			}
		}
		for _, kind := range event.Kinds() {
			for _, key := range plain.Keys(kind) {
				on := Target{kind, key}
				got, want := w.Records(on), plain.Records(on)
				if !slices.EqualFunc(got, want, func(a, b *event.Record) bool { return a.Seq == b.Seq && a.ID == b.ID }) || w.Seq(on) != plain.Seq(on) {
					t.Fatalf("%v: %d records up to %d, want %d up to %d, or another order", on, len(got), w.Seq(on), len(want), plain.Seq(on))
				}
			}
		}
	})
}
