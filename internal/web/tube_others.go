package web

import (
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// otherLimitWords is a limit that was not used, in words.
type otherLimitWords struct {
	Limit, Head, By, Used, Source, If, Why string
	Level                                  level
}

func otherLimitOf(c clock, o *OtherRow) otherLimitWords {
	w := otherLimitWords{
		Limit: o.Limit, Level: levelOf(o.Verdict, event.OutlookUnknown), Head: headWords(o.Verdict, event.OutlookUnknown),
		By: o.by(c), Source: restsOn(o.Evidence, o.Source, o.SeenAs, o.Rule), Why: sentence(o.Why),
	}
	if o.LimitMs > 0 {
		w.Used = fmt.Sprintf("%s of %s used", length(o.UsedMs), length(o.LimitMs))
	}
	if why := o.but(event.ReasonTime); why != "" {
		w.Used = strings.TrimPrefix(w.Used+"; "+why, "; ")
	}
	w.Used = sentence(w.Used)
	if o.If != "" {
		w.If = "Only if a condition holds that nobody stated: " + sentence(o.If)
	}
	return w
}

func (o *OtherRow) by(c clock) string {
	switch {
	case o.EndedAt != 0:
		return "settled at " + c.at(o.EndedAt)
	case o.Verdict == event.PastLimit || o.Verdict == event.WrongTube:
		return ""
	}
	due := c.due(o.Due)
	if due == "" {
		return ""
	}
	return strings.TrimSpace(o.DueVerb + " " + due)
}

// but gives the reasons in words without one.
func (o *OtherRow) but(known event.Reason) string {
	return reasonList(slices.DeleteFunc(slices.Clone(o.Reasons), func(r event.Reason) bool { return r == known }))
}

// firm reports whether a limit may be held against the one that was used: a policy,
// or what a study found. Advice and estimated rates are opinions on such findings; an
// answer for tubes of which something else is true is no answer for this one.
func (o *OtherRow) firm() bool {
	return o.If == "" && (o.Evidence == "policy" || o.Evidence == "studied" || o.Evidence == "shown-unstable")
}

// badness is the place of a verdict in the closed list, worst first.
func badness(v event.Verdict) int { return slices.Index(event.Verdicts(), v) }

// stricter reports whether a limit that was not used says worse of the tube than the
// one that was: over already, or due earlier.
func (o *OtherRow) stricter(x *TestRow) bool {
	still := func(v event.Verdict) bool { return v == event.WithinLimits || v == event.Wait }
	switch {
	case !o.firm():
		return false
	case o.Verdict == event.PastLimit || o.Verdict == event.NotStudiedBeyond:
		return badness(o.Verdict) < badness(x.Verdict)
	case !still(o.Verdict) || !still(x.Verdict) || x.EndedAt != 0 || o.Due.Earliest == 0:
		return false
	}
	return x.Due.Earliest == 0 || o.Due.Earliest < x.Due.Earliest
}

// before reports whether o is the one to be named of two that are stricter: the worse
// one, else the one that is due first, else the one with the shorter time.
func (o *OtherRow) before(p *OtherRow) bool {
	if a, b := badness(o.Verdict), badness(p.Verdict); a != b {
		return a < b
	}
	if o.Due.Earliest != p.Due.Earliest {
		return o.Due.Earliest != 0 && (p.Due.Earliest == 0 || o.Due.Earliest < p.Due.Earliest)
	}
	return o.LimitMs < p.LimitMs
}

// stricterLine says in one line that another source says worse of the tube; empty
// when none does.
func stricterLine(c clock, x TestRow) string {
	var worst *OtherRow
	for i := range x.Others {
		if o := &x.Others[i]; o.stricter(&x) && (worst == nil || o.before(worst)) {
			worst = o
		}
	}
	if worst == nil {
		return ""
	}
	head := "Another source is stricter: "
	if x.Rule == "" {
		head = "No limit was chosen; one source says: "
	}
	s := head + worst.Limit
	if worst.Work != "" {
		s += " (" + worst.Work + ")"
	}
	by := worst.by(c)
	switch {
	case worst.Verdict == event.WithinLimits || worst.Verdict == event.Wait:
		s += ", " + by
	case slices.Contains(worst.Reasons, event.ReasonTime) && worst.LimitMs > 0:
		s += fmt.Sprintf(", %s: %s used", says(verdictWords, worst.Verdict), length(worst.UsedMs))
	default:
		s += ", " + says(verdictWords, worst.Verdict)
	}
	if why := worst.but(event.ReasonTime); why != "" && badness(worst.Verdict) < badness(event.Wait) {
		s += ", " + why
	}
	if worst.EndedAt != 0 {
		s += ", " + by
	}
	return sentence(s)
}

// shareLine says which share of a study's tubes was over after as much time; empty
// when the limit knows none.
func shareLine(c clock, x TestRow) string {
	var parts []string
	if s := x.Share; s.Share != "" {
		parts = append(parts, s.Share+" is over "+c.since(s.When))
	}
	if s := x.NextShare; s.Share != "" && s.When.Earliest != 0 {
		next := s.Share + " is over " + c.due(s.When)
		if s.When.Latest == 0 {
			next += " at the worst"
		}
		parts = append(parts, next)
	}
	if len(parts) == 0 {
		return ""
	}
	line := strings.Join(parts, "; ") + ". So many tubes of a study had changed too much by then; of this one it can't be told."
	if x.Work != "" {
		line += " " + sentence(x.Work)
	}
	return line
}
