package custody

import (
	"encoding/binary"
	"errors"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// pressing has w press what is not looked at, as the daemon does: what is spread out again
// is another value with the same content.
func pressing(w *World, atHand int) *World {
	var kept []*event.Record
	w.Press = func(to []byte, rec *event.Record) ([]byte, error) {
		kept = append(kept, copied([]*event.Record{rec})[0])
		return binary.AppendUvarint(to, uint64(len(kept)-1)), nil
	}
	w.Spread = func(data []byte) (out []*event.Record, err error) {
		for len(data) > 0 {
			i, n := binary.Uvarint(data)
			if n <= 0 || i >= uint64(len(kept)) {
				return nil, errors.New("not what was pressed")
			}
			out, data = append(out, kept[i]), data[n:]
		}
		return copied(out), nil
	}
	w.AtHand = atHand
	return w
}

// isPressed counts the aggregates whose records are not at hand.
func (w *World) isPressed() (n int) {
	for _, logs := range w.logs {
		for _, agg := range logs {
			if agg.short && len(agg.spread) == 0 {
				n++
			}
		}
	}
	return n
}

// The bounds of a stay that were worked out step by step, without what is pressed, are
// those that all the steps give.
func TestLawStaysGoOn(t *testing.T) {
	stepwise := 0
	rapid.Check(t, func(t *rapid.T) {
		w := pressing(NewWorld(), rapid.IntRange(0, 3).Draw(t, "at hand"))
		recs := genRecords(t)
		if rapid.Bool().Draw(t, "in order") {
			slices.SortFunc(recs, func(a, b *event.Record) int {
				if a.Before(b) {
					return -1
				}
				return 1
			})
		}
		reads := rapid.Bool().Draw(t, "reads a log")
		for _, rec := range recs {
			if reads {
				rec.Stored = []byte{0}
				w.Fold(rec)
			} else {
				w.Apply(rec)
			}
			agg := w.logs[rec.Kind][rec.Key]
			if len(agg.packings) > 0 && agg.newStep(rec) {
				stepwise++
			}
			for i := range agg.packings {
				p := &agg.packings[i]
				got := *p
				w.indexStay(agg, p)
				if got.lastIn != p.lastIn || got.inside != p.inside || got.known != p.known || got.lasts != p.lasts || !p.lasts && got.out != p.out {
					t.Fatalf("%s in %s: %+v; from all its steps %+v", rec.Key, p.in.carrier, got, *p)
				}
			}
			if err := w.soundLists(); err != nil {
				t.Fatal(err)
			}
		}
	})
	if stepwise == 0 {
		t.Error("no stay went on by one step")
	}
}

// A second source of a step that is pressed is no step of its own, also for the stays.
func TestARepeatOfAPressedStepDoesNotBeginAStay(t *testing.T) {
	for i, after := range []event.Instant{repeatOtherSource, repeatOtherSource + 1, repeatOtherSource, repeatOtherSource + 1} {
		w := pressing(NewWorld(), 0)
		in := func(seq uint64, at event.Instant, how string) *event.Record {
			return &event.Record{Seq: seq, Decision: event.Decision{
				Envelope: event.Envelope{ID: how, Kind: event.KindTube, Key: "L-T1", Occurred: at, Recorded: at, Device: "H-1", Place: "WARD-N", How: how},
				Facts:    []event.Fact{event.Packed{Carrier: "L-B1"}},
			}}
		}
		w.Apply(in(1, lawStart, "camera"))
		w.Tidy()
		if n := w.isPressed(); n != 1 {
			t.Fatalf("%d are pressed", n)
		}
		if i >= 2 {
			w = restarted(t, w)
		}
		w.Apply(in(2, lawStart+after, "paper"))
		want := lawStart
		if after > repeatOtherSource {
			want += after
		}
		if p := w.logs[event.KindTube]["L-T1"].packed("L-B1"); p.lastIn != want {
			t.Errorf("a repeat %d ms later: inside since %d, want %d", after, p.lastIn, want)
		}
	}
}

// What nobody looks at is pressed, what somebody looks at is not, and another record of a
// tube leaves what was pressed of it as it is when it comes behind.
func TestWhatNobodyLooksAtIsPressed(t *testing.T) {
	w := pressing(NewWorld(), 8)
	presses := 0
	press := w.Press
	w.Press = func(to []byte, rec *event.Record) ([]byte, error) {
		presses++
		return press(to, rec)
	}
	records := 0
	aLife(300, func(rec *event.Record) { w.Apply(rec); records++ })
	if n := w.isPressed(); n < 300 {
		t.Errorf("%d of some 500 aggregates are pressed", n)
	}
	if n := len(w.atHand) - w.handed; n > 64 {
		t.Errorf("%d are at hand, 8 should be", n)
	}
	if presses > 3*records/2 {
		t.Errorf("%d records were pressed %d times", records, presses)
	}
	for range 4 {
		for i, key := range w.Keys(event.KindTube) {
			if x, ok := w.Tube(key); !ok || !x.Disposed.Is() {
				t.Fatalf("tube %d, %s: %+v %v", i, key, x, ok)
			}
		}
	}
}
