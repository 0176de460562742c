package live_test

import (
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
)

// A flag that proposes another tube of the draw hears when that one can't serve the test
// any more, also where the test was never asked of it.
func TestAnotherTubeServesNoMore(t *testing.T) {
	b := newBench(t)
	p := b.start("a")
	b.world()
	b.put(event.KindDraw, "D-1", "d-1", eight, event.DrawStarted{})
	b.put(event.KindTube, "T-A", "a-1", eight, event.Collected{Type: "LIHEP-GEL", Tests: []string{"K"}, Draw: local(t, "D-1")})
	b.put(event.KindTube, "T-B", "b-1", eight+60*minute, event.Collected{Type: "SERUM", Tests: []string{"TSH"}, Draw: local(t, "D-1")})
	for _, label := range []string{"T-A", "T-B"} {
		b.put(event.KindTube, label, "r-"+label, eight+70*minute, event.Received{})
	}
	for _, at := range []event.Instant{80, 245, 290, 310, 400} {
		b.move(eight+at*minute, p)
		b.settle(p)
		v, _ := p.View(local(t, "T-A"))
		want := event.AskNewSample
		if at < 300 {
			want = event.UseOtherTube
		}
		if v.Flagged && v.Flag.Action != want {
			t.Errorf("%d min: the judge wants %s, not %s", at, v.Flag.Action, want)
		}
		if open := v.Tube.Flag; open.Open != v.Flagged || v.Flagged && !flags.Same(open.Flag, v.Flag) {
			t.Errorf("%d min: the log says %t %s, the judge wants %t %s", at, open.Open, open.Flag.Action, v.Flagged, v.Flag.Action)
		}
	}
}
