package notify_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/notify"
)

// logged is a log of one tube and what the fold says of it, each fact as it is recorded.
type logged struct {
	t     *testing.T
	world *custody.World
	key   event.Key
	seq   uint64
	bench *bench
}

func newLogged(t *testing.T) *logged {
	return &logged{t: t, world: custody.NewWorld(), key: event.Key("S1-TB1"), bench: newBench(t)}
}

// fact records a fact at an instant under an id, and folds what comes of it.
func (l *logged) fact(id string, at event.Instant, f event.Fact) {
	l.t.Helper()
	l.seq++
	rec := &event.Record{Seq: l.seq, Decision: event.Decision{
		Envelope: event.Envelope{ID: id, Kind: event.KindTube, Key: l.key, Occurred: at, Recorded: at, Place: "HARBOUR", DeviceSeq: int64(l.seq)}, //nolint:gosec // a count
		Facts:    []event.Fact{f},
	}}
	l.world.Apply(rec)
	tube, ok := l.world.Tube(l.key)
	if !ok {
		l.t.Fatal("the fold has no tube")
	}
	c, ok := notify.FromRecord(rec, tube)
	if !ok {
		return
	}
	if err := l.bench.plan.Fold(l.bench.pace, &l.bench.to, c); err != nil {
		l.t.Fatal(err)
	}
}

func flagOf(episode int64, v event.Verdict) event.Flag {
	return event.Flag{
		Episode: episode, Kind: event.FlagBefore, Verdict: v, Action: event.AskNewSample, Until: after(time.Hour),
		Cause: event.Cause{Kind: event.CauseBox, Name: "BOX-7"},
		Tests: []event.FlagTest{
			{Assay: "TSH", Verdict: event.WithinLimits, Outlook: event.RunningOut, Reasons: []event.Reason{event.ReasonTimetable}},
			{Assay: "K", Verdict: v, Reasons: []event.Reason{event.ReasonHeat, event.ReasonTime}},
			{Assay: "GLU", Verdict: v, Reasons: []event.Reason{event.ReasonTime}},
		},
	}
}

func TestAFlagOfTheLogIsTold(t *testing.T) {
	l := newLogged(t)
	l.fact("c", start, event.Collected{Patient: "an invented reference", Tests: []string{"K", "GLU", "TSH"}, Type: "LIHEP-GEL"})
	l.fact("j", start, event.FlagRaised{Flag: flagOf(1, event.PastLimit)})
	got := l.bench.until(after(time.Minute))
	if len(got) != 1 {
		t.Fatalf("want one message, got %d", len(got))
	}
	m := got[0]
	tube := m.Tubes[0]
	if m.Cause.Kind != event.CauseBox || m.Cause.Name != "BOX-7" || tube.Tube != "TB1" || tube.Episode != 1 || tube.Place != "HARBOUR" || tube.Until != after(time.Hour) || m.Level != notify.Past {
		t.Errorf("told %+v", m)
	}
	// Reasons of the worst tests alone, each once, in the order of contracts.md section 1.
	if !slices.Equal(tube.Reasons, []event.Reason{event.ReasonTime, event.ReasonHeat}) || tube.Outlook != event.RunningOut {
		t.Errorf("reasons %q, outlook %q", tube.Reasons, tube.Outlook)
	}
	for _, word := range []string{"an invented reference", "GLU", "TSH", "LIHEP"} {
		if strings.Contains(m.Text(time.UTC)+m.Subject(), word) {
			t.Errorf("%q is told", word)
		}
	}
}

// Whatever answers a flag before it is told keeps it from being told; what takes the
// answer back has it told, and told anew where it was told before.
func TestAnswersOfTheLog(t *testing.T) {
	raise := func(l *logged) { l.fact("j", start, event.FlagRaised{Flag: flagOf(1, event.PastLimit)}) }
	for name, tc := range map[string]struct {
		do   func(l *logged)
		want int // messages within the next hour
	}{
		"taken": {func(l *logged) { raise(l); l.fact("a", after(time.Second), event.FlagTaken{Episode: 1}) }, 0},
		"acted": {func(l *logged) {
			raise(l)
			l.fact("a", after(time.Second), event.FlagActed{Episode: 1, Action: "run-now"})
		}, 0},
		"overridden": {func(l *logged) { raise(l); l.fact("a", after(time.Second), event.FlagOverridden{Episode: 1}) }, 0},
		"overridden before there was a flag": {func(l *logged) {
			l.fact("a", start, event.FlagOverridden{})
			raise(l)
		}, 1},
		"cleared": {func(l *logged) { raise(l); l.fact("k", after(time.Second), event.FlagCleared{Episode: 1}) }, 0},
		"put aside for long": {func(l *logged) {
			raise(l)
			l.fact("a", after(time.Second), event.FlagPutAside{Episode: 1, Until: after(2 * time.Hour)})
		}, 0},
		"put aside, and back": {func(l *logged) {
			raise(l)
			l.fact("a", after(time.Second), event.FlagPutAside{Episode: 1, Until: after(10 * time.Minute)})
		}, 1},
		"taken, and that taken back": {func(l *logged) {
			raise(l)
			l.fact("a", after(time.Second), event.FlagTaken{Episode: 1})
			l.fact("v", after(2*time.Second), event.Voided{Scan: "a"})
		}, 1},
		"put aside, and that taken back": {func(l *logged) {
			raise(l)
			l.fact("a", after(time.Second), event.FlagPutAside{Episode: 1, Until: after(2 * time.Hour)})
			l.fact("v", after(2*time.Second), event.Voided{Scan: "a"})
		}, 1},
		"taken, and something else taken back": {func(l *logged) {
			l.fact("s", start, event.Seen{})
			raise(l)
			l.fact("a", after(time.Second), event.FlagTaken{Episode: 1})
			l.fact("v", after(2*time.Second), event.Voided{Scan: "s"})
		}, 0},
		"taken twice, and one taken back": {func(l *logged) {
			raise(l)
			l.fact("a", after(time.Second), event.FlagTaken{Episode: 1})
			l.fact("b", after(time.Second), event.FlagActed{Episode: 1, Action: "run-now"})
			l.fact("v", after(2*time.Second), event.Voided{Scan: "a"})
		}, 0},
		"its end taken back": {func(l *logged) {
			raise(l)
			l.fact("k", after(time.Second), event.FlagCleared{Episode: 1})
			l.fact("v", after(2*time.Second), event.Voided{Scan: "k"})
		}, 1},
		"an answer to the episode before": {func(l *logged) {
			raise(l)
			l.fact("k", after(time.Second), event.FlagCleared{Episode: 1})
			l.fact("j2", after(2*time.Second), event.FlagRaised{Flag: flagOf(2, event.PastLimit)})
			l.fact("a", after(3*time.Second), event.FlagTaken{Episode: 1})
		}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			l := newLogged(t)
			tc.do(l)
			if got := l.bench.until(after(time.Hour)); len(got) != tc.want {
				t.Errorf("want %d messages, got %d", tc.want, len(got))
			}
		})
	}
}

// Who was told, and saw that somebody took it, is told once more when that is taken
// back: as another message, or a receiver would drop it as a repeat.
func TestToldAnewWhenAnAnswerIsTakenBack(t *testing.T) {
	l := newLogged(t)
	l.fact("j", start, event.FlagRaised{Flag: flagOf(1, event.PastLimit)})
	first := l.bench.until(after(time.Minute))
	l.fact("a", after(2*time.Minute), event.FlagTaken{Episode: 1})
	if got := l.bench.until(after(30 * time.Minute)); len(first) != 1 || len(got) != 0 {
		t.Fatalf("told %d, then %d", len(first), len(got))
	}
	l.fact("v", after(31*time.Minute), event.Voided{Scan: "a"})
	again := l.bench.until(after(32 * time.Minute))
	if len(again) != 1 || again[0].ID == first[0].ID {
		t.Errorf("want another message, got %+v after %s", again, first[0].ID)
	}
	l.fact("v2", after(33*time.Minute), event.Voided{Scan: "nothing"})
	if got := l.bench.until(after(time.Hour)); len(got) != 0 {
		t.Errorf("what was never an answer has it told: %+v", got)
	}
}

// Two numbers of different schemes look alike: they are two tubes.
func TestNumbersThatLookAlike(t *testing.T) {
	b := newBench(t)
	one, two := raised("77", start, event.PastLimit), raised("77", start, event.PastLimit)
	one.ID, two.ID = "S1-77", "S2-77"
	b.fold(one)
	b.fold(two)
	got := b.until(after(time.Minute))
	if len(got) != 2 || got[0].ID == got[1].ID || got[0].Tubes[0].Tube != "77" || got[1].Tubes[0].Tube != "77" {
		t.Errorf("told %+v", got)
	}
}

// A place that can't be printed keeps no flag from being told.
func TestNamesThatCantBePrinted(t *testing.T) {
	f := flagOf(1, event.PastLimit)
	f.Cause.Name = "BOX\u202e7"
	rec := &event.Record{Seq: 1, Decision: event.Decision{
		Envelope: event.Envelope{Kind: event.KindTube, Key: "L-TB1", Recorded: start}, Facts: []event.Fact{event.FlagRaised{Flag: f}},
	}}
	c, ok := notify.FromRecord(rec, &custody.Tube{Place: "HAR\nBOUR" + strings.Repeat("R", 100)})
	if !ok {
		t.Fatal("no change")
	}
	if err := c.Check(); err != nil {
		t.Error(err)
	}
	if c.Cause.Name != "BOX\ufffd7" || !strings.HasPrefix(c.Place, "HAR\ufffdBOUR") {
		t.Errorf("%q at %q", c.Cause.Name, c.Place)
	}
}
