package app

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// What pages keep of the insides of carriers is what the world says, whatever happens to
// tubes, bags and boxes, in any order: it is kept only to be asked less.
func TestInsidesAreWhatTheWorldSays(t *testing.T) {
	for seed := range uint64(4) {
		c := openClinic(t)
		r := rand.New(rand.NewPCG(seed, 7))
		pick := func(of ...string) string { return of[r.IntN(len(of))] }
		tubes, boxes := []string{"T1", "T2", "T3", "T4", "T5"}, []string{"B-3", "B-4", "BAG-1", "BAG-2"}
		for _, tube := range tubes {
			c.scan(-50, "collect", tube, func(s *custodyv1.Scan) { s.Type, s.Tests = "LIHEP-GEL", []string{"K"} })
		}
		var scans []string // of tubes, as id and label
		for n := range 90 {
			minute := -49 + n/2
			label, step := pick(tubes...), pick("pack", "pack", "unpack", "receive", "see", "note", "take-flag")
			if r.IntN(3) == 0 {
				label, step = pick(boxes...), pick("pack", "take", "arrive", "empty", "unpack", "receive", "seal")
			}
			into := pick(boxes...)
			if into == label {
				continue
			}
			id := fmt.Sprintf("i-%d-%d", seed, n)
			switch {
			case r.IntN(9) == 0 && len(scans) > 0:
				of := scans[r.IntN(len(scans))]
				var scan, tube string
				_, _ = fmt.Sscan(of, &scan, &tube)
				c.anything(minute, "void", tube, id, func(s *custodyv1.Scan) { s.Details = map[string]string{"scan": scan} })
			default:
				c.anything(minute, step, label, id, func(s *custodyv1.Scan) {
					if step == "pack" || step == "unpack" || step == "receive" && r.IntN(2) == 0 {
						s.Carrier = into
					}
					if step == "note" {
						s.Details = map[string]string{"defect": "clotted"}
					}
				})
				if slices.Contains(tubes, label) {
					scans = append(scans, id+" "+label)
				}
			}
			c.told()
			c.pages.turn.Lock()
			c.pages.watch.refresh(c.pages.a.model)
			c.pages.a.model.World(func(w *custody.World) {
				for _, box := range boxes {
					key, _ := event.LocalKey(box)
					var want []event.Key
					for _, in := range w.Contents(key, 0) {
						if in.Kind == event.KindTube {
							want = append(want, in.Key)
						}
					}
					slices.Sort(want)
					if got := c.pages.watch.inside.of(w, key); !slices.Equal(got, want) {
						t.Fatalf("seed %d, after %s of %s (%s): %s holds %v, is kept as %v", seed, step, label, into, box, want, got)
					}
				}
			})
			c.pages.turn.Unlock()
		}
	}
}

// anything records what happened, whatever the answer is.
func (c *clinic) anything(minute int, step, label, id string, set func(*custodyv1.Scan)) {
	c.Helper()
	s := &custodyv1.Scan{Id: id, Step: step, Label: &custodyv1.Label{Text: label}, OccurredAt: at(minute), Place: "CLINIC", By: "lena", Device: "PHONE-1", Mode: "reported"}
	set(s)
	_, _ = c.scans.RecordScans(c.Context(), &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{s}}) // one that can't be a step changes nothing
}
