package notify

import (
	"slices"
	"strings"
	"unicode"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// FromRecord gives what a record of the log changes in a tube's flag, if anything. tube
// is what the log says of it now, nil when that isn't known; it says where the tube is,
// and what stands after something was taken back. Whom it belongs to and what it is
// tested for are left out here, and nothing below has a field for them.
func FromRecord(rec *event.Record, tube *custody.Tube) (Change, bool) {
	c := Change{Seq: rec.Seq, ID: string(rec.Key), Tube: printable(rec.Key.Label()), At: rec.Recorded}
	if rec.Kind != event.KindTube {
		return c, false
	}
	found := false
	for _, f := range rec.Facts {
		found = c.take(f, tube) || found
	}
	return c, found
}

// take takes in one fact, and reports whether it is of the flag. Of several the last
// counts; the judge and the scans write one a record.
func (c *Change) take(fact event.Fact, tube *custody.Tube) bool {
	switch f := fact.(type) {
	case event.FlagRaised:
		c.say(Raised, &f.Flag, tube)
	case event.FlagChanged:
		c.say(Changed, &f.Flag, tube)
	case event.FlagCleared:
		c.What, c.Episode = Cleared, f.Episode
	case event.FlagTaken:
		return c.answer(Answered, f.Episode)
	case event.FlagActed:
		return c.answer(Answered, f.Episode)
	case event.FlagOverridden:
		return c.answer(Answered, f.Episode)
	case event.FlagPutAside:
		c.Until = f.Until
		return c.answer(PutAside, f.Episode)
	case event.Voided:
		return c.voided(tube)
	default:
		return false
	}
	return true
}

// answer takes in what a person said of an episode. Without one it answers no flag: such
// an override lets a tube pass before there is one.
func (c *Change) answer(what What, episode int64) bool {
	c.What, c.Episode = what, episode
	return episode != 0
}

// voided says what stands after something of the tube was taken back. What it was isn't
// looked up: the fold knows, and it says the same in any order of arrival. An answer
// that is given back by taking a taking back back says nothing: the flag is told then.
func (c *Change) voided(tube *custody.Tube) bool {
	if tube == nil || tube.Flag.LastEpisode == 0 {
		return false
	}
	s := &tube.Flag
	switch {
	case !s.Open:
		c.What, c.Episode = Cleared, s.LastEpisode
	case s.Taken.Is() || len(s.Acted) > 0 || s.Overridden.Is() && !s.Beforehand || s.PutAside.Is() && s.AsideUntil > c.At:
		return false
	default:
		c.say(Unanswered, &s.Flag, tube)
	}
	return true
}

// say takes in what a flag says.
func (c *Change) say(what What, f *event.Flag, tube *custody.Tube) {
	c.What, c.Episode, c.Until = what, f.Episode, f.Until
	c.Kind, c.Verdict, c.Action, c.Outlook = f.Kind, f.Verdict, f.Action, ""
	worst := Level(0)
	var reasons []event.Reason
	for i := range f.Tests {
		t := &f.Tests[i]
		switch level := levelOf(t.Verdict, t.Outlook); {
		case level > worst:
			worst, reasons = level, slices.Clone(t.Reasons)
		case level == worst:
			reasons = append(reasons, t.Reasons...)
		}
		if t.Outlook == event.RunningOut {
			c.Outlook = event.RunningOut
		}
	}
	order := event.Reasons()
	slices.SortFunc(reasons, func(a, b event.Reason) int { return slices.Index(order, a) - slices.Index(order, b) })
	c.Reasons = slices.Compact(reasons)
	if c.Cause = f.Cause; c.Cause.Kind != event.CauseNone {
		if c.Cause.Name = printable(c.Cause.Name); c.Cause.Name == "" {
			c.Cause = event.Cause{}
		}
	}
	if c.Place = ""; tube != nil {
		c.Place = printable(tube.Place)
	}
}

// printable gives a label on one line of print, and no longer than a label is: a name
// that can't be told whole mustn't keep the flag from being told.
func printable(name string) string {
	name = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return unicode.ReplacementChar
		}
		return r
	}, name)
	if runes := []rune(name); len(runes) > maxName {
		name = string(runes[:maxName])
	}
	return name
}
