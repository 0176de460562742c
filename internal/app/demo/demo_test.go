package demo_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/demo"
	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// start is the instant at which the demo is started; invented.
var start = time.Date(2026, 11, 24, 9, 41, 17, 0, time.UTC)

type daemon struct {
	*app.InProcess
	scans custodyv1.ScansClient
	tubes custodyv1.TubesClient
	flags stabilityv1.FlagsClient
}

// seeded gives a daemon that was told the scenario at start.
func seeded(t *testing.T) *daemon {
	t.Helper()
	return seededAt(t, start)
}

func seededAt(t *testing.T, now time.Time) *daemon {
	t.Helper()
	p, err := app.Memory(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	d := &daemon{
		InProcess: p, scans: custodyv1.NewScansClient(p.Conn()), tubes: custodyv1.NewTubesClient(p.Conn()),
		flags: stabilityv1.NewFlagsClient(p.Conn()),
	}
	d.set(t, now)
	parts := 0
	if err := demo.Seed(t.Context(), p.Conn(), now, func(string) { parts++ }); err != nil {
		t.Fatal(err)
	}
	if parts == 0 {
		t.Error("nothing was said of the progress")
	}
	return d
}

func (d *daemon) set(t *testing.T, now time.Time) {
	t.Helper()
	if _, err := d.scans.SetClock(t.Context(), &custodyv1.SetClockRequest{Now: now.Format(time.RFC3339Nano)}); err != nil {
		t.Fatal(err)
	}
}

func (d *daemon) tube(t *testing.T, id string) *custodyv1.Tube {
	t.Helper()
	tube, err := d.tubes.GetTube(t.Context(), &custodyv1.GetTubeRequest{Id: id})
	if err != nil {
		t.Fatalf("%s: %v", id, err)
	}
	return tube
}

func (d *daemon) list(t *testing.T) []*stabilityv1.Flag {
	t.Helper()
	resp, err := d.flags.ListFlags(t.Context(), &stabilityv1.ListFlagsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return resp.Flags
}

func worst(tube *custodyv1.Tube) event.Verdict {
	w := event.WithinLimits
	for _, v := range tube.Verdicts {
		if event.Verdict(v.Verdict).Worse(w) {
			w = event.Verdict(v.Verdict)
		}
	}
	return w
}

func doubts(list []*custodyv1.Doubt) []event.Doubt {
	var out []event.Doubt
	for _, d := range list {
		if d.Open {
			out = append(out, event.Doubt(d.Doubt))
		}
	}
	return out
}

func TestEveryTubeShowsWhatTheTableSays(t *testing.T) {
	for name, now := range map[string]time.Time{
		"on a morning": start,
		// Around midnight of the zone, and in the night in which its clocks go forward
		// at 01:00 UTC and back at 01:00 UTC (directive 2000/84/EC).
		"at midnight":        time.Date(2026, 11, 24, 23, 5, 0, 0, time.UTC),
		"clocks put forward": time.Date(2027, 3, 28, 2, 10, 0, 0, time.UTC),
		"clocks put back":    time.Date(2027, 10, 31, 1, 20, 0, 0, time.UTC),
	} {
		t.Run(name, func(t *testing.T) {
			d := seededAt(t, now)
			seen := map[event.Verdict]bool{}
			for i, shown := range demo.Tubes() {
				tube := d.tube(t, shown.ID)
				got := worst(tube)
				seen[got] = true
				if got != shown.Verdict {
					t.Errorf("%s is %s, want %s: %s; %v", shown.ID, got, shown.Verdict, shown.Shows, tube.Verdicts)
				}
				if len(tube.Verdicts) == 0 || shown.Shows == "" {
					t.Errorf("%s has no verdict or no sentence", shown.ID)
				}
				if want := demo.TubeID(i + 1); shown.ID != want {
					t.Errorf("place %d of the table is %s, want %s", i+1, shown.ID, want)
				}
			}
			for _, v := range event.Verdicts() {
				if !seen[v] {
					t.Errorf("no tube is %s", v)
				}
			}
		})
	}
}

func TestEveryFlagSaysWhy(t *testing.T) {
	d := seeded(t)
	list := d.list(t)
	if len(list) < 3 {
		t.Errorf("%d flags are up, want at least 3", len(list))
	}
	actions := map[string]bool{}
	for _, f := range list {
		actions[f.Action] = true
		if f.Say == "" || f.Episode == 0 || f.Since == "" || len(f.Tests) == 0 {
			t.Errorf("the flag of %s says too little: %v", f.Tube, f)
		}
		for _, test := range f.Tests {
			// The verdict "wrong tube" is its own reason.
			if len(test.Reasons) == 0 && test.Verdict != string(event.WrongTube) {
				t.Errorf("%s/%s: flagged %s without a reason", f.Tube, test.Assay, test.Verdict)
			}
			rule := test.Rule.GetId()
			if judged := test.LimitMs > 0; judged && (rule == "" || test.Rule.GetSource() == "" || test.Rule.GetText() == "") {
				t.Errorf("%s/%s: judged by a limit that isn't named: %v", f.Tube, test.Assay, test.Rule)
			}
		}
	}
	for _, a := range []event.Action{event.UseOtherTube, event.RunNow, event.Hurry, event.SpinButHold, event.AskLaboratory, event.AskNewSample} {
		if !actions[string(a)] {
			t.Errorf("no flag proposes %s", a)
		}
	}
}

func TestBoxOnItsWay(t *testing.T) {
	d := seeded(t)
	c, err := d.tubes.GetContents(t.Context(), &custodyv1.GetContentsRequest{Id: "BOX-4"})
	if err != nil {
		t.Fatal(err)
	}
	due, err := time.Parse(time.RFC3339Nano, c.DueAt)
	if err != nil || !due.After(start) || c.To != "HARBOUR" || c.Holder != "FERRY" {
		t.Errorf("BOX-4 is due %q (%v) at %q with %q, want it on the ferry to HARBOUR, due later than now", c.DueAt, err, c.To, c.Holder)
	}
	if len(c.Contents) < 10 {
		t.Errorf("BOX-4 holds %d things, want at least 10", len(c.Contents))
	}
	if got := doubts(d.tube(t, "DEMO-0012").Doubts); !slices.Contains(got, event.DoubtMissing) {
		t.Errorf("doubts of the tube that never arrived: %v, want %s", got, event.DoubtMissing)
	}
	for _, shown := range demo.Tubes() {
		if got := doubts(d.tube(t, shown.ID).Doubts); len(got) > 0 && shown.ID != "DEMO-0012" {
			t.Errorf("%s has doubts that the scenario doesn't tell of: %v", shown.ID, got)
		}
	}
	if tube := d.tube(t, "DEMO-0011"); !tube.Irreplaceable || tube.Flag.GetAction() != string(event.AskLaboratory) {
		t.Errorf("the irreplaceable tube: %v, flag %v; want %s", tube.Irreplaceable, tube.Flag, event.AskLaboratory)
	}
}

func TestSeedingTwiceChangesNothing(t *testing.T) {
	d := seeded(t)
	before := d.tube(t, "DEMO-0001").Sequence
	if err := demo.Seed(t.Context(), d.Conn(), start.Add(time.Hour), nil); err != nil {
		t.Fatal(err)
	}
	if after := d.tube(t, "DEMO-0001").Sequence; after != before {
		t.Errorf("the first tube's last fact is %d after a second seeding, was %d", after, before)
	}
}

func TestDeterministic(t *testing.T) {
	a, b := seeded(t), seeded(t)
	for _, shown := range demo.Tubes() {
		x, y := a.tube(t, shown.ID), b.tube(t, shown.ID)
		for i := range x.Verdicts {
			if !proto.Equal(x.Verdicts[i], y.Verdicts[i]) {
				t.Errorf("%s: %v, and another time %v", shown.ID, x.Verdicts[i], y.Verdicts[i])
			}
		}
	}
}

// TestLive plays two hours and looks at the wall every ten minutes.
func TestLive(t *testing.T) {
	d := seeded(t)
	now := start
	show, err := demo.Begin(t.Context(), d.Conn(), func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	last, moving, looks := len(demo.Tubes()), 0, 0
	const steps = 2 * 180 // of 20 s
	for step := range steps {
		now = now.Add(20 * time.Second)
		d.set(t, now)
		if step == steps/2 {
			// A restart: daemon and demo find everything in the log.
			if err := d.Restart(t.Context()); err != nil {
				t.Fatal(err)
			}
			if show, err = demo.Begin(t.Context(), d.Conn(), func() time.Time { return now }); err != nil {
				t.Fatal(err)
			}
		}
		if err := show.Look(t.Context()); err != nil {
			t.Fatalf("step %d: %v", step, err)
		}
		if step%30 != 29 {
			continue
		}
		looks++
		last = len(demo.Tubes()) + show.Added()
		if n := len(d.list(t)); n < 3 {
			t.Errorf("after %s %d flags are up, want at least 3", now.Sub(start), n)
		}
		seen := map[event.Verdict]bool{}
		for i := 1; i <= last; i++ {
			seen[worst(d.tube(t, demo.TubeID(i)))] = true
		}
		for _, v := range event.Verdicts() {
			if !seen[v] {
				t.Errorf("after %s no tube is %s", now.Sub(start), v)
			}
		}
		for _, id := range []string{"BOX-4", "BOX-5", "BOX-6"} {
			c, err := d.tubes.GetContents(t.Context(), &custodyv1.GetContentsRequest{Id: id})
			if err != nil {
				t.Fatal(err)
			}
			if c.DueAt != "" {
				moving++
				break
			}
		}
	}
	if moving*3 < looks*2 {
		t.Errorf("a box was on its way at %d of %d looks, want at least two thirds", moving, looks)
	}
	status := map[string]int{}
	facts := map[string]int64{}
	for i := len(demo.Tubes()) + 1; i <= last; i++ {
		tube := d.tube(t, demo.TubeID(i))
		status[tube.Status]++
		for f, n := range tube.Facts {
			facts[f] += n
		}
		if got := doubts(tube.Doubts); len(got) > 0 {
			t.Errorf("%s has doubts that nobody meant: %v", tube.Id, got)
		}
		if v := worst(tube); v != event.WithinLimits && v != event.Wait {
			t.Errorf("%s is %s; Live adds only tubes that do well: %v", tube.Id, v, tube.Verdicts)
		}
	}
	if n := show.Added(); n < 80 || status["accepted"] < n/2 || facts["Stored"] < int64(n/3) {
		t.Errorf("of %d tubes %v were worked on, %v; want 80 or more, half of them accepted and a third stored", n, status, facts)
	}
	if n := facts["FlagRaised"]; n > 0 {
		t.Errorf("the restart raised %d flags; nothing had changed", n)
	}
	taken := 0
	for _, f := range d.list(t) {
		if f.State == "taken" {
			taken++
		}
	}
	if taken == 0 {
		t.Error("nobody took a flag in two hours")
	}
}

func TestLiveIsBounded(t *testing.T) {
	d := seeded(t)
	now := start
	show, err := demo.Begin(t.Context(), d.Conn(), func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	show.SkipTo(demo.MostTubes - 2)
	for range 60 {
		now = now.Add(5 * time.Minute)
		d.set(t, now)
		if err := show.Look(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if show.Added() != demo.MostTubes {
		t.Errorf("Live added %d tubes, want it to stop at %d", show.Added(), demo.MostTubes)
	}
	if n := len(d.list(t)); n < 3 {
		t.Errorf("%d flags are up, want at least 3", n)
	}
}

func TestLiveEndsWithItsContext(t *testing.T) {
	d := seeded(t)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- demo.Live(ctx, d.Conn(), func() time.Time { return start }) }()
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(10 * time.Second):
		t.Error("Live goes on after its context ended")
	}
}

// A laboratory without a logger must be usable on its first day: with ranges declared
// for places and kinds of box, under 10 % of the verdicts are "cannot say" (design,
// section 6). Two tubes of the scenario can't be judged by anybody: nothing is known
// of what to test, or of when they were drawn.
func TestWithoutLoggersFewCannotBeSaid(t *testing.T) {
	p, err := app.Memory(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	d := &daemon{InProcess: p, scans: custodyv1.NewScansClient(p.Conn()), tubes: custodyv1.NewTubesClient(p.Conn())}
	d.set(t, start)
	if err := demo.SeedWithoutLoggers(t.Context(), p.Conn(), start); err != nil {
		t.Fatal(err)
	}
	counts, all := map[string]int{}, 0
	for _, shown := range demo.Tubes() {
		for _, v := range d.tube(t, shown.ID).Verdicts {
			counts[v.Verdict]++
			all++
			if v.MeasuredMs != 0 {
				t.Errorf("%s: %s has measured minutes", shown.ID, v.Assay)
			}
			if v.Verdict == string(event.CannotSay) {
				t.Logf("%s %s: cannot say: %v", shown.ID, v.Assay, v.Reasons)
			}
		}
	}
	share := 100 * float64(counts[string(event.CannotSay)]) / float64(all)
	t.Logf("without loggers: %.1f %% of %d verdicts are cannot-say: %v", share, all, counts)
	if share >= 10 || all < 40 {
		t.Errorf("%.1f %% of %d verdicts are cannot-say, want under 10 %%", share, all)
	}
}
