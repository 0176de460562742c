package live_test

import (
	"fmt"
	"log/slog"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/live"
)

// numberSets are schemes that a site may declare one after another; in some the same
// texts are numbers of another kind.
var numberSets = [][]event.NumberScheme{
	nil,
	{{ID: "TB", Names: "tube", Pattern: "TB####"}},
	{{ID: "T2", Names: "tube", Pattern: "TB#{4,6}"}, {ID: "BX", Names: "carrier", Pattern: "B-#"}},
	{{ID: "RQ", Names: "tube", Pattern: "TB####", TubeType: true}},
	{{ID: "WD", Names: "tube", Pattern: "TB####", Ward: true}},
	{{ID: "WT", Names: "tube", Pattern: "@@####", Ward: true, TubeType: true, In: []string{"plain", "91"}}},
}

// A tube that was begun under a number is found by it and by what screens show of it,
// whatever schemes are declared afterwards; and what two wards or two types tell apart
// is never one tube.
func TestLawATubeStaysFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		now := eight
		m := live.New(memlog.New(), func() event.Instant { return now }, live.Lists{}, "law", slog.New(slog.DiscardHandler))
		var seq uint64
		fold := func(kind event.Kind, key event.Key, fact event.Fact) {
			seq++
			now += minute
			m.Written(&event.Decision{
				Envelope: event.Envelope{ID: fmt.Sprint("x-", seq), Kind: kind, Key: key, Occurred: now, DeviceTime: now, Recorded: now, DeviceSeq: int64(seq), Mode: event.Live},
				Facts:    []event.Fact{fact},
			}, seq)
		}
		text := rapid.SampledFrom([]string{"TB0001", "tb0001", "TB0002", "TB000003", "OLD-7", "(91)TB0001"})
		ward := rapid.SampledFrom([]string{"", "N", "S"})
		kind := rapid.SampledFrom([]string{"", "EDTA", "CITRATE"})
		begun := map[event.Key]label.Input{}
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			if rapid.IntRange(0, 3).Draw(t, "what") == 0 {
				set := rapid.SampledFrom(numberSets).Draw(t, "schemes")
				fold(event.KindRules, event.SchemesKey, event.SchemesDeclared{Schemes: set})
				continue
			}
			in := label.Input{Raw: []byte(text.Draw(t, "label")), Ward: ward.Draw(t, "ward"), TubeType: kind.Draw(t, "type"), At: now}
			named, err := m.Find(in, event.KindTube)
			if err != nil {
				continue // refused at set-up's word: nothing is begun
			}
			if first, ok := begun[named.Key]; ok && !named.Known {
				t.Fatalf("%s was begun by %q and is not known", named.Key, first.Raw)
			}
			begun[named.Key] = in
			fold(event.KindTube, named.Key, event.Seen{})
			if again, err := m.Find(in, event.KindTube); err != nil || !again.Known || again.Key != named.Key {
				t.Fatalf("%q gives %s, then %s known %t (%v)", in.Raw, named.Key, again.Key, again.Known, err)
			}
		}
		for key := range begun {
			shown, err := m.Find(label.Input{Raw: []byte(key.Label()), Ward: "N", TubeType: "EDTA", At: now}, event.KindTube)
			if err != nil || !shown.Known {
				t.Fatalf("%s is shown as %s, and that is not found: %s known %t (%v)", key, key.Label(), shown.Key, shown.Known, err)
			}
		}
	})
}
