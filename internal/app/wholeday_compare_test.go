package app_test

import (
	"cmp"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// comparison holds what a daemon's log says of a whole day against a judgement from
// scratch.
type comparison struct {
	day       *wholeDay
	entries   []logEntry
	keys      map[string]event.Key // of the tubes by label
	raised    int
	differing int // so often two judgements differed
	faults    int
}

// mostTold is how many tubes that differ are told whole.
const mostTold = 3

func newComparison(day *wholeDay, entries []logEntry) *comparison {
	c := &comparison{day: day, entries: entries, keys: map[string]event.Key{}}
	for _, id := range day.tubes {
		key, err := event.LocalKey(id)
		if err != nil {
			panic(err) // a generated number
		}
		c.keys[id] = key
	}
	return c
}

// mostFaults is how many lines of faults a day prints.
const mostFaults = 60

func (c *comparison) wrong(t *testing.T, format string, args ...any) {
	t.Helper()
	switch c.faults++; {
	case c.faults <= mostFaults:
		t.Errorf("seed %d: %s", c.day.seed, fmt.Sprintf(format, args...))
	case c.faults == mostFaults+1:
		t.Errorf("seed %d: and more", c.day.seed)
	}
}

// sent: every scan that was answered recorded stands in the log once, every other one
// not at all, and no reading is lost.
func (c *comparison) sent(t *testing.T, s *sender) {
	t.Helper()
	times := map[string]int{}
	type value struct {
		logger event.Key
		at     event.Instant
		c      event.CentiC
		ok     bool
	}
	readings := map[value]bool{}
	for _, e := range c.entries {
		if e.record != nil {
			times[e.record.ID]++
			continue
		}
		for _, r := range e.run.Readings {
			readings[value{e.run.Logger, r.At, r.C, r.OK}] = true
		}
	}
	for id := range c.day.sent {
		answer := s.answered[id]
		if answer == "" {
			c.wrong(t, "scan %s was never answered", id)
		}
		want := 0
		if answer == event.AnswerRecorded {
			want = 1
		}
		if times[id] != want {
			c.wrong(t, "scan %s was answered %q and stands %d times in the log", id, answer, times[id])
		}
	}
	for _, one := range c.day.told {
		if one.run == nil {
			continue
		}
		key, err := event.LocalKey(one.run.GetLogger())
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range one.values {
			if !readings[value{key, r.At, r.C, r.OK}] {
				c.wrong(t, "reading %+v of %s is not in the log", r, one.run.GetLogger())
			}
		}
	}
}

// counted: of each tube every episode is raised once, they are numbered without a hole, one is up at
// most, and what is up is what the daemon lists.
func (c *comparison) counted(t *testing.T, listed []string, s *sender) {
	t.Helper()
	type count struct {
		raised, cleared int
		open            int64
	}
	of := map[event.Key]*count{}
	changed, cleared := 0, 0
	for _, e := range c.entries {
		if e.record == nil || e.record.Kind != event.KindTube {
			continue
		}
		n := of[e.record.Key]
		if n == nil {
			n = &count{}
			of[e.record.Key] = n
		}
		for _, f := range e.record.Facts {
			var wrong string
			switch f := f.(type) {
			case event.FlagRaised:
				c.raised++
				n.raised++
				if n.open != 0 || f.Flag.Episode != int64(n.raised) {
					wrong = fmt.Sprintf("episode %d is raised while %d is up, after %d", f.Flag.Episode, n.open, n.raised-1)
				}
				n.open = f.Flag.Episode
			case event.FlagChanged:
				changed++
				if n.open != f.Flag.Episode {
					wrong = fmt.Sprintf("episode %d is changed while %d is up", f.Flag.Episode, n.open)
				}
			case event.FlagCleared:
				cleared++
				n.cleared++
				if n.open != f.Episode {
					wrong = fmt.Sprintf("episode %d is cleared while %d is up", f.Episode, n.open)
				}
				n.open = 0
			}
			if wrong != "" {
				c.wrong(t, "tube %s: %s", e.record.Key, wrong)
			}
		}
	}
	recorded := map[string]bool{}
	for _, one := range c.day.told {
		for _, scan := range one.scans {
			if s.answered[scan.GetId()] == event.AnswerRecorded {
				recorded[scan.GetLabel().GetText()] = true
			}
		}
	}
	var open []string
	for _, id := range c.day.tubes {
		n := of[c.keys[id]]
		if n == nil {
			// All its steps may be among those that nobody made, or that were refused.
			if recorded[id] {
				c.wrong(t, "tube %s is not in the log", id)
			}
			continue
		}
		if n.open != 0 {
			open = append(open, id)
		}
		if up := n.raised - n.cleared; up != 0 && up != 1 || (up == 1) != (n.open != 0) {
			c.wrong(t, "tube %s: %d raised, %d cleared", id, n.raised, n.cleared)
		}
	}
	slices.Sort(open)
	slices.Sort(listed)
	if !slices.Equal(open, listed) {
		c.wrong(t, "%d flags are up by the log, %d are listed; only one of them has %v", len(open), len(listed), apart(open, listed))
	}
	t.Logf("%d flags raised, %d changed, %d cleared, %d up at the end", c.raised, changed, cleared, len(open))
	if c.raised == 0 || changed == 0 || cleared == 0 {
		t.Error("a day without a flag that is raised, changed and cleared shows nothing")
	}
}

// apart gives what only one of two lists has.
func apart(a, b []string) []string {
	return append(slices.DeleteFunc(slices.Clone(a), func(s string) bool { return slices.Contains(b, s) }),
		slices.DeleteFunc(slices.Clone(b), func(s string) bool { return slices.Contains(a, s) })...)
}

// flags: at instants at which the daemon had judged all, the flags in its log were those
// that the judge wants by the log up to there. It gives the reader that it asked.
func (c *comparison) flags(t *testing.T, looks []event.Instant) *reader {
	t.Helper()
	m := newReader(t)
	rest := slices.Clone(c.entries)
	slices.SortStableFunc(rest, func(a, b logEntry) int { return cmp.Compare(a.recorded(), b.recorded()) })
	for _, at := range looks {
		n := slices.IndexFunc(rest, func(e logEntry) bool { return e.recorded() > at })
		if n < 0 {
			n = len(rest)
		}
		m.read(t, rest[:n], at)
		rest = rest[n:]
		for _, id := range c.day.tubes {
			v, known := m.Judged(c.keys[id])
			if !known {
				continue // nobody has heard of it yet
			}
			if want, logged := wantedText(&v), loggedText(v.Tube); want != logged {
				c.differ(t, m, id, at, "the flag in the log", logged, "from scratch", want)
			}
		}
	}
	return m
}

// whole: at the end every tube's verdicts as the daemon answered them are those of the
// judge who reads the whole log for the first time, in its order or in another, and so
// are those of the one who read it by and by.
func (c *comparison) whole(t *testing.T, answers map[string]*custodyv1.Tube, byAndBy *reader) {
	t.Helper()
	m, shuffled := newReader(t), newReader(t)
	m.read(t, c.entries, c.day.end())
	other := slices.Clone(c.entries)
	random := rand.New(rand.NewPCG(c.day.seed, 2)) //nolint:gosec // an order, no secret
	random.Shuffle(len(other), func(i, j int) { other[i], other[j] = other[j], other[i] })
	shuffled.read(t, other, c.day.end())
	for _, id := range c.day.tubes {
		key := c.keys[id]
		v, known := m.Judged(key)
		if !known {
			c.wrong(t, "tube %s is unknown from scratch", id)
			continue
		}
		want := viewText(&v)
		then, _ := m.ViewAt(key, c.day.end())
		again, _ := shuffled.Judged(key)
		slowly, _ := byAndBy.Judged(key)
		for _, other := range []struct{ name, text string }{
			{"by the daemon", answerText(answers[id])}, {"from scratch in another order", viewText(&again)},
			{"from scratch as of the end", viewText(&then)}, {"read by and by", viewText(&slowly)},
		} {
			if other.text != want {
				c.differ(t, m, id, c.day.end(), other.name, other.text, "from scratch", want)
			}
		}
		if wanted, logged := wantedText(&v), loggedText(v.Tube); wanted != logged {
			c.differ(t, m, id, c.day.end(), "the flag in the log", logged, "from scratch", wanted)
		}
	}
}

// differ tells of a tube that two judgements differ on, the first few with their story.
func (c *comparison) differ(t *testing.T, m *reader, id string, at event.Instant, oneName, one, otherName, other string) {
	t.Helper()
	c.differing++
	if c.differing > mostTold {
		c.wrong(t, "tube %s differs at %s", id, at)
		return
	}
	c.wrong(t, "tube %s (key %s) differs at %s\n%s:\n%s\n%s:\n%s\nits story:\n%s", id, c.keys[id], at, oneName, one, otherName, other, c.story(m, id, at))
}

// story lists what the log says of a tube, of the other tubes of its draw and the carriers
// that it was in, as it was recorded; then what loggers on those and at its places read.
func (c *comparison) story(m *reader, id string, at event.Instant) string {
	about, loggers := map[custody.Target]bool{{Kind: event.KindTube, Key: c.keys[id]}: true}, map[event.Key]bool{}
	v, _ := m.View(c.keys[id])
	m.World(func(w *custody.World) {
		if draw, ok := w.Draw(v.Tube.Draw); ok {
			for _, key := range draw.Tubes {
				about[custody.Target{Kind: event.KindTube, Key: key}] = true
			}
		}
		for _, leg := range v.Legs {
			around := make([]custody.Target, 0, len(leg.Carriers)+1)
			for _, key := range leg.Carriers {
				around = append(around, custody.Target{Kind: event.KindCarrier, Key: key})
				about[around[len(around)-1]] = true
			}
			if key, err := event.LocalKey(leg.Place); err == nil {
				around = append(around, custody.Target{Kind: event.KindPlace, Key: key})
			}
			for _, one := range around {
				for _, a := range w.LoggersOf(one) {
					loggers[a.Logger] = true
					about[custody.Target{Kind: event.KindLogger, Key: a.Logger}] = true
				}
			}
		}
	})
	var lines []string
	read := map[event.Key]*strings.Builder{}
	for _, e := range c.entries {
		switch {
		case e.recorded() > at:
		case e.record != nil && about[custody.Target{Kind: e.record.Kind, Key: e.record.Key}]:
			lines = append(lines, e.record.Recorded.String()+" "+e.String())
		case e.run != nil && loggers[e.run.Logger]:
			if read[e.run.Logger] == nil {
				read[e.run.Logger] = &strings.Builder{}
			}
			fmt.Fprintf(read[e.run.Logger], " | at %s:%s", e.run.Recorded.Time().Format("15:04"), valuesText(e.run))
		}
	}
	slices.Sort(lines)
	for _, key := range slices.Sorted(maps.Keys(read)) {
		lines = append(lines, string(key)+" told"+read[key].String())
	}
	return strings.Join(lines, "\n")
}

func valuesText(run *event.Run) string {
	var b strings.Builder
	for _, r := range run.Readings {
		fmt.Fprintf(&b, " %s %d", r.At.Time().Format("15:04"), r.C)
		if !r.OK {
			b.WriteString("?")
		}
	}
	return b.String()
}

// String tells an entry in one line.
func (e *logEntry) String() string {
	if e.run != nil {
		return fmt.Sprintf("run %d of %s:%s", e.seq, e.run.Logger, valuesText(e.run))
	}
	r := e.record
	facts := make([]string, len(r.Facts))
	for i, f := range r.Facts {
		facts[i] = fmt.Sprintf("%s%+v", f.FactName(), f)
	}
	return fmt.Sprintf("%d %s %s, occurred %s, %s %s at %s: %s", r.Seq, r.Kind, r.Key, r.Occurred, r.ID, r.Step, r.Place, strings.Join(facts, " "))
}

// answerText is what the daemon says of a tube, viewText what a model does, in the same lines.
func answerText(tube *custodyv1.Tube) string {
	var b strings.Builder
	for _, v := range tube.GetVerdicts() {
		b.WriteString(verdictText(v))
	}
	fmt.Fprintf(&b, "measured %d, attested %d, assumed %d, unknown %d, rack %s\n", tube.GetMeasuredMs(), tube.GetAttestedMs(), tube.GetAssumedMs(), tube.GetUnknownMs(), tube.GetRack())
	if f := tube.GetFlag(); f != nil {
		b.WriteString(flagHead(f.GetEpisode(), f.GetKind(), f.GetVerdict(), f.GetAction()))
		for _, ft := range f.GetTests() {
			b.WriteString(flagTestText(ft.GetAssay(), ft.GetVerdict(), ft.GetOutlook(), ft.GetDirection(), ft.GetReasons(), ft.GetRule().GetId()))
		}
	}
	return b.String()
}

func viewText(v *live.View) string {
	var b strings.Builder
	for i := range v.Tests {
		b.WriteString(verdictText(verdictOf(&v.Tests[i].Judgement, v.Tests[i].Outlook)))
	}
	fmt.Fprintf(&b, "measured %d, attested %d, assumed %d, unknown %d, rack %s\n", v.By[thermal.Measured], v.By[thermal.Attested], v.By[thermal.Assumed], v.By[thermal.Unknown], v.Rack)
	return b.String() + wantedText(v)
}

func verdictText(v *stabilityv1.Verdict) string {
	text := fmt.Sprintf("%s: %s, %s, %s, %v, rule %s, used %d, best %d of %d, below %d, above %d, due %s to %s, until %s, wait %s, ended %s\n",
		v.GetAssay(), v.GetVerdict(), v.GetOutlook(), v.GetDirection(), v.GetReasons(), v.GetRule().GetId(), v.GetUsedMs(), v.GetBestMs(), v.GetLimitMs(),
		v.GetBelowMs(), v.GetAboveMs(), v.GetDueEarliest(), v.GetDueLatest(), v.GetUntil(), v.GetWaitUntil(), v.GetEndedAt())
	if other := v.GetIfConditionHolds(); other != nil {
		text += "  if its condition holds: " + verdictText(other)
	}
	return text
}

// verdictOf gives of a judgement what verdictText tells.
func verdictOf(j *stability.Judgement, outlook event.Outlook) *stabilityv1.Verdict {
	v := &stabilityv1.Verdict{
		Assay: j.Assay, Verdict: string(j.Verdict), Outlook: string(outlook), Reasons: textsOf(j.Reasons), Direction: string(j.Direction), UsedMs: j.UsedMs, BestMs: j.BestMs, LimitMs: j.LimitMs,
		BelowMs: j.BelowMs, AboveMs: j.AboveMs, DueEarliest: saidAt(j.Due.Earliest), DueLatest: saidAt(j.Due.Latest), Until: saidAt(j.Until), WaitUntil: saidAt(j.WaitUntil), EndedAt: saidAt(j.Ended),
	}
	if j.Rule != nil {
		v.Rule = &stabilityv1.RuleText{Id: j.Rule.ID}
	}
	if j.Other != nil {
		v.IfConditionHolds = verdictOf(j.Other, event.OutlookUnknown)
	}
	return v
}

func saidAt(at event.Instant) string {
	if at == 0 {
		return ""
	}
	return at.String()
}

// wantedText is the flag that the judge wants, loggedText the one that is up by the log. To
// when its advice can be followed is left out: it moves with every reading.
func wantedText(v *live.View) string {
	if !v.Flagged {
		return ""
	}
	return flagText(&v.Flag)
}

func loggedText(t *custody.Tube) string {
	if !t.Flag.Open {
		return ""
	}
	return flagText(&t.Flag.Flag)
}

func flagText(f *event.Flag) string {
	var b strings.Builder
	b.WriteString(flagHead(f.Episode, string(f.Kind), string(f.Verdict), string(f.Action)))
	for _, ft := range f.Tests {
		b.WriteString(flagTestText(ft.Assay, string(ft.Verdict), string(ft.Outlook), string(ft.Direction), textsOf(ft.Reasons), ft.Rule))
	}
	return b.String()
}

func flagHead(episode int64, kind, verdict, action string) string {
	return fmt.Sprintf("flag %d: %s, %s, %s\n", episode, kind, verdict, action)
}

func flagTestText(assay, verdict, outlook, direction string, reasons []string, rule string) string {
	return fmt.Sprintf("  %s: %s, %s, %s, %v, rule %s\n", assay, verdict, outlook, direction, reasons, rule)
}

func textsOf[T ~string](words []T) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return out
}
