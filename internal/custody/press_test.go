package custody

import (
	"encoding/binary"
	"errors"
	"testing"

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
