package notify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/notify"
)

// The times and numbers of this file are an invented fixture.
var start = event.At(time.Date(2026, 11, 24, 7, 0, 0, 0, time.UTC))

// bench folds changes and tells, as the loop does.
type bench struct {
	t    *testing.T
	pace notify.Pace
	to   notify.Audience
	plan notify.Plan
	seq  uint64
}

func newBench(t *testing.T) *bench { return &bench{t: t, pace: notify.PaceAsUsual()} }

func raised(tube string, at event.Instant, v event.Verdict) notify.Change {
	return notify.Change{
		Tube: tube, Episode: 1, What: notify.Raised, At: at, Kind: event.FlagBefore, Verdict: v,
		Action: event.AskNewSample, Reasons: []event.Reason{event.ReasonHeat}, Place: "HARBOUR",
	}
}

func inBox(c notify.Change, box string) notify.Change {
	c.Cause = event.Cause{Kind: event.CauseBox, Name: box}
	return c
}

func (b *bench) fold(c notify.Change) {
	b.t.Helper()
	b.seq++
	c.Seq = b.seq
	if err := b.plan.Fold(b.pace, &b.to, c); err != nil {
		b.t.Fatal(err)
	}
}

// until tells at each instant that Next names up to at, and at at.
func (b *bench) until(at event.Instant) []notify.Message {
	b.t.Helper()
	var all []notify.Message
	now := start
	for range 10_000 {
		next := b.plan.Next(b.pace, now)
		if next == 0 || next > at {
			return append(all, b.plan.Tell(b.pace, at)...)
		}
		now = next
		told := b.plan.Tell(b.pace, now)
		if len(told) == 0 {
			b.t.Fatalf("Next named %s, and nothing was told then", now)
		}
		all = append(all, told...)
	}
	b.t.Fatal("it never ends")
	return nil
}

func after(d time.Duration) event.Instant { return start.Add(d) }

func TestAFlagIsToldOnce(t *testing.T) {
	b := newBench(t)
	b.fold(raised("TB1", start, event.PastLimit))
	if early := b.until(after(29 * time.Second)); len(early) != 0 {
		t.Fatalf("told before it stood and gathered: %v", early)
	}
	got := b.until(after(30 * time.Second))
	if len(got) != 1 || got[0].Tubes[0].Tube != "TB1" || got[0].Level != notify.Past {
		t.Fatalf("want TB1 once, got %+v", got)
	}
	again := raised("TB1", after(time.Minute), event.PastLimit)
	again.What, again.Reasons = notify.Changed, []event.Reason{event.ReasonHeat, event.ReasonTime}
	b.fold(again)
	if got := b.until(after(24 * time.Hour)); len(got) != 0 {
		t.Fatalf("the same is told twice: %+v", got)
	}
}

func TestWorseIsToldOnceMore(t *testing.T) {
	b := newBench(t)
	soon := raised("TB1", start, event.WithinLimits)
	soon.Outlook, soon.Action = event.RunningOut, event.LoadNow
	b.fold(soon)
	first := b.until(after(time.Minute))
	worse := raised("TB1", after(2*time.Minute), event.PastLimit)
	worse.What = notify.Changed
	b.fold(worse)
	second := b.until(after(5 * time.Minute))
	if len(first) != 1 || len(second) != 1 || first[0].Level != notify.Soon || second[0].Level != notify.Past || first[0].ID == second[0].ID {
		t.Fatalf("want soon, then past under another id; got %+v, %+v", first, second)
	}
}

func TestWhatNobodyNeedsIsNotTold(t *testing.T) {
	for _, what := range []notify.What{notify.Cleared, notify.Answered} {
		b := newBench(t)
		b.fold(raised("TB1", start, event.PastLimit))
		b.fold(notify.Change{Tube: "TB1", Episode: 1, What: what, At: after(5 * time.Second)})
		if got := b.until(after(24 * time.Hour)); len(got) != 0 {
			t.Errorf("%s: %+v is told", what, got)
		}
	}
	b := newBench(t)
	b.fold(raised("TB1", start, event.PastLimit))
	b.fold(notify.Change{Tube: "TB1", Episode: 1, What: notify.PutAside, At: after(5 * time.Second), Until: after(time.Hour)})
	if got := b.until(after(59 * time.Minute)); len(got) != 0 {
		t.Errorf("told while put aside: %+v", got)
	}
	if got := b.until(after(61 * time.Minute)); len(got) != 1 {
		t.Errorf("want it once it is back, got %+v", got)
	}
}

func TestAFlickeringFlagRests(t *testing.T) {
	b := newBench(t)
	var told []notify.Message
	for i := range 5 { // comes and goes every three minutes
		at := after(time.Duration(3*i) * time.Minute)
		c := raised("TB1", at, event.PastLimit)
		c.Episode = int64(i + 1)
		b.fold(c)
		told = append(told, b.until(at.Add(2*time.Minute))...)
		b.fold(notify.Change{Tube: "TB1", Episode: int64(i + 1), What: notify.Cleared, At: at.Add(2 * time.Minute)})
	}
	if len(told) != 1 {
		t.Fatalf("told %d times", len(told))
	}
	// One that stays is told at the end of the rest: nothing is lost by it.
	c := raised("TB1", after(15*time.Minute), event.PastLimit)
	c.Episode = 6
	b.fold(c)
	if got := b.until(after(28 * time.Minute)); len(got) != 0 {
		t.Fatalf("told within the rest: %+v", got)
	}
	if got := b.until(after(30 * time.Minute)); len(got) != 1 {
		t.Fatalf("want it after the rest, got %+v", got)
	}
}

func TestAFloodFromOneBox(t *testing.T) {
	b := newBench(t)
	for i := range 500 { // within a minute and a half
		v := event.NotStudiedBeyond
		if i == 99 {
			v = event.PastLimit
		}
		b.fold(inBox(raised(fmt.Sprintf("TB%03d", i), after(time.Duration(i)*180*time.Millisecond), v), "BOX-7"))
	}
	b.fold(raised("STRAY", after(time.Second), event.PastLimit))
	got := b.until(after(8 * time.Minute))
	var box []notify.Message
	for _, m := range got {
		if m.Cause.Name == "BOX-7" {
			box = append(box, m)
		} else if m.Tubes[0].Tube != "STRAY" || m.Count != 1 {
			t.Errorf("what is this: %+v", m)
		}
	}
	if len(got)-len(box) != 1 || len(box) != 1 && len(box) != 2 {
		t.Fatalf("want the stray, and the box once (twice: the late one is worse), got %d and %d", len(got)-len(box), len(box))
	}
	rest := b.until(after(time.Hour))
	told := 0
	for _, m := range append(box, rest...) {
		told += m.Count
		if m.Count > 1 && m.Tubes[0].Level != m.Level {
			t.Errorf("the worst does not stand first: %+v", m.Tubes[0])
		}
	}
	if told != 500 || len(rest) > 1 {
		t.Fatalf("told %d of 500 in %d later messages", told, len(rest))
	}
	if b.plan.Waiting() != 0 {
		t.Errorf("%d wait for ever", b.plan.Waiting())
	}
}

func TestTheFloodAtOnceIsOneMessage(t *testing.T) {
	b := newBench(t)
	for i := range 500 {
		v := event.NotStudiedBeyond
		if i == 99 {
			v = event.PastLimit
		}
		b.fold(inBox(raised(fmt.Sprintf("TB%03d", i), after(time.Duration(i)*10*time.Millisecond), v), "BOX-7"))
	}
	got := b.until(after(24 * time.Hour))
	if len(got) != 1 || got[0].Count != 500 || got[0].Tubes[0].Tube != "TB099" || len(got[0].Tubes) != 20 {
		t.Fatalf("want one message of 500 with TB099 first, got %+v", got)
	}
	if want := "Past its limit: 500 tubes, box BOX-7"; got[0].Subject() != want {
		t.Errorf("subject %q, want %q", got[0].Subject(), want)
	}
	text := got[0].Text(time.FixedZone("", 3600))
	for _, want := range []string{
		"500 tubes, box BOX-7, since 2026-11-24 08:00 +01:00. The worst first.",
		"Tube TB099 at HARBOUR: past its limit, because it was too warm. Ask for a new sample. Flagged at 2026-11-24 08:00 +01:00.",
		"And 480 more.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the text lacks %q:\n%s", want, text)
		}
	}
}

func TestWorstFirst(t *testing.T) {
	b := newBench(t)
	ask := raised("ASK", start, event.CannotSay)
	late, early := raised("LATE", start, event.NotStudiedBeyond), raised("EARLY", start, event.NotStudiedBeyond)
	late.Until, early.Until = after(2*time.Hour), after(time.Hour)
	for _, c := range []notify.Change{ask, late, early, raised("PAST", start, event.WrongTube)} {
		b.fold(c)
	}
	var got []string
	for _, m := range b.until(after(time.Minute)) {
		got = append(got, m.Tubes[0].Tube)
	}
	if want := []string{"PAST", "EARLY", "LATE", "ASK"}; !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
}

func TestWhoIsTold(t *testing.T) {
	b := newBench(t)
	b.to = notify.Audience{Kinds: []event.FlagKind{event.FlagBefore}, Places: []string{"HARBOUR"}, Least: notify.Soon}
	elsewhere, run, nowhere := raised("ELSEWHERE", start, event.PastLimit), raised("RUN", start, event.PastLimit), raised("NOWHERE", start, event.PastLimit)
	elsewhere.Place, run.Kind, nowhere.Place = "HILL", event.FlagAfter, ""
	for _, c := range []notify.Change{elsewhere, run, nowhere, raised("ASK", start, event.CannotSay), raised("OURS", start, event.PastLimit)} {
		b.fold(c)
	}
	var got []string
	for _, m := range b.until(after(time.Minute)) {
		got = append(got, m.Tubes[0].Tube)
	}
	slices.Sort(got)
	if want := []string{"NOWHERE", "OURS"}; !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
}

func TestAChangeThatCantBeToldIsNamed(t *testing.T) {
	for want, spoil := range map[string]func(*notify.Change){
		"tube":       func(c *notify.Change) { c.Tube = "TB1\r\nBcc: lena" },
		"episode":    func(c *notify.Change) { c.Episode = 0 },
		"at":         func(c *notify.Change) { c.At = 0 },
		"what":       func(c *notify.Change) { c.What = "shouted" },
		"kind":       func(c *notify.Change) { c.Kind = "" },
		"verdict":    func(c *notify.Change) { c.Verdict = "bad" },
		"outlook":    func(c *notify.Change) { c.Outlook = "bad" },
		"action":     func(c *notify.Change) { c.Action = "run" },
		"place":      func(c *notify.Change) { c.Place = strings.Repeat("x", 65) },
		"cause.name": func(c *notify.Change) { c.Cause.Kind = event.CauseBox },
		"cause.kind": func(c *notify.Change) { c.Cause = event.Cause{Name: "BOX-7"} },
		"reasons":    func(c *notify.Change) { c.Reasons = []event.Reason{"lena"} },
	} {
		c := raised("TB1", start, event.PastLimit)
		c.Seq = 1
		spoil(&c)
		var p notify.Plan
		err := p.Fold(notify.PaceAsUsual(), &notify.Audience{}, c)
		if err == nil || !strings.HasPrefix(err.Error(), "notify: "+want+":") {
			t.Errorf("%s: %v", want, err)
		}
		if p.Through != 1 {
			t.Errorf("%s: it would be read for ever", want)
		}
	}
}

// Whatever comes, in whatever pieces it is read: each episode is told at each level at
// most once, and each that stands and nobody answered is told at its level.
func TestLawNothingLostNothingTwice(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t)
		now := start
		type state struct {
			episode int64
			open    bool
			worst   notify.Level
			// answered is the level at which somebody took it.
			answered notify.Level
		}
		tubes := map[string]*state{}
		told := map[string]bool{}
		best := map[string]notify.Level{}
		take := func(ms []notify.Message) {
			for _, m := range ms {
				for _, tb := range m.Tubes {
					key := fmt.Sprint(tb.Tube, " ", tb.Episode, " ", tb.Level)
					if told[key] {
						rt.Fatalf("%s told twice", key)
					}
					told[key] = true
					id := fmt.Sprint(tb.Tube, " ", tb.Episode)
					best[id] = max(best[id], tb.Level)
				}
			}
		}
		for range rapid.IntRange(1, 60).Draw(rt, "n") {
			now = now.Add(time.Duration(rapid.IntRange(0, 300).Draw(rt, "wait")) * time.Second)
			name := rapid.SampledFrom([]string{"A", "B", "C", "D", "E", "F"}).Draw(rt, "tube")
			s := tubes[name]
			if s == nil {
				s = &state{}
				tubes[name] = s
			}
			verdict := rapid.SampledFrom([]event.Verdict{event.PastLimit, event.NotStudiedBeyond, event.CannotSay}).Draw(rt, "verdict")
			level := map[event.Verdict]notify.Level{event.PastLimit: notify.Past, event.NotStudiedBeyond: notify.Soon, event.CannotSay: notify.Ask}[verdict]
			c := raised(name, now, verdict)
			if rapid.Bool().Draw(rt, "box") {
				c = inBox(c, "BOX")
			}
			switch {
			case !s.open:
				*s = state{episode: s.episode + 1, open: true, worst: level}
			case rapid.IntRange(0, 3).Draw(rt, "what") == 0:
				c = notify.Change{Tube: name, What: notify.Cleared, At: now}
				s.open = false
			case rapid.IntRange(0, 3).Draw(rt, "answer") == 0:
				c = notify.Change{Tube: name, What: notify.Answered, At: now}
				s.answered = max(s.answered, s.worst)
			default:
				c.What = notify.Changed
				s.worst = level
			}
			c.Episode = s.episode
			b.fold(c)
			if rapid.Bool().Draw(rt, "tell") {
				take(b.plan.Tell(b.pace, now))
			}
		}
		for range 100 {
			next := b.plan.Next(b.pace, now)
			if next == 0 {
				break
			}
			now = next
			ms := b.plan.Tell(b.pace, now)
			if len(ms) == 0 {
				rt.Fatalf("Next named %s, and nothing was told then", now)
			}
			take(ms)
		}
		for name, s := range tubes {
			id := fmt.Sprint(name, " ", s.episode)
			if s.open && best[id] < s.worst && s.answered < s.worst {
				rt.Fatalf("%s stands at level %d and was told at %d", id, s.worst, best[id])
			}
		}
	})
}
