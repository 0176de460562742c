package event_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// A key must never change the subject it stands on, must give back the label it
// came from, and two labels that differ in more than case never share a key.
func TestKeysAreSafeAndReversible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		key, err := event.LocalKey(text)
		if err != nil {
			return
		}
		if strings.ContainsAny(string(key), ". *>\t\n") || !key.Valid() {
			t.Fatalf("%q became %q", text, key)
		}
		if want := strings.ToUpper(strings.TrimSpace(text)); key.Label() != want {
			t.Fatalf("%q became %q and came back as %q", text, key, key.Label())
		}
	})
}

func TestKeyRefusals(t *testing.T) {
	for _, text := range []string{"", "  ", strings.Repeat("A", 65), "TB\x1d1", "\xff"} {
		if key, err := event.LocalKey(text); err == nil {
			t.Errorf("%q became the key %q", text, key)
		}
	}
	for _, key := range []event.Key{"", "TB1", "L-", "-TB1", "L-tb1", "L-TB.1", "L-_NOTBASE32!", "L-_IFAQ"} {
		if key.Valid() {
			t.Errorf("%q counts as a key", key)
		}
	}
}

func TestFoldOrderIsTotal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) *event.Record {
			return &event.Record{Seq: rapid.Uint64Range(1, 3).Draw(t, name+"seq"), Decision: event.Decision{Envelope: event.Envelope{
				Occurred: event.Instant(rapid.Int64Range(0, 2).Draw(t, name+"at")), Device: rapid.SampledFrom([]string{"", "H-07"}).Draw(t, name+"dev"),
				DeviceSeq: rapid.Int64Range(0, 1).Draw(t, name+"n"), ID: rapid.SampledFrom([]string{"a", "b"}).Draw(t, name+"id"),
			}}}
		}
		a, b := draw("a"), draw("b")
		same := a.Occurred == b.Occurred && a.Device == b.Device && a.DeviceSeq == b.DeviceSeq && a.ID == b.ID && a.Seq == b.Seq
		if same == (a.Before(b) || b.Before(a)) || a.Before(b) && b.Before(a) {
			t.Fatalf("%+v %+v", a, b)
		}
	})
}
