package story

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// compare looks at the bench and books the expectation as passed or failed.
func (r *runner) compare(c *Check) error {
	found, err := r.look(c)
	if err != nil {
		return fmt.Errorf("expect %s: %w", c, err)
	}
	if len(found) == 0 {
		r.result.Passed++
		return nil
	}
	r.result.Failures = append(r.result.Failures, Failure{File: r.story.Name, Line: c.Line, Expected: c.String(), Found: strings.Join(found, " ")})
	return nil
}

// look gives what was found otherwise than expected, nil when all is met.
func (r *runner) look(c *Check) ([]string, error) {
	switch c.Kind {
	case OnAnswer:
		return r.answer(c), nil
	case OnCount:
		n, err := r.bench.Count(c.Fact)
		return differs("", c.Fact+"="+strconv.Itoa(n), c.Fact+"="+strconv.Itoa(c.Count)), err
	case OnHolds:
		v, err := r.bench.Thing(event.KindCarrier, c.ID, r.now)
		return differs("holds ", strconv.Itoa(v.Holds), strconv.Itoa(c.Count)), err
	}
	if kind := r.kinds[c.ID]; kind != "" && kind != event.KindTube {
		v, err := r.bench.Thing(kind, c.ID, r.now)
		if err != nil {
			return nil, err
		}
		if found, ok := thing(c, v); ok {
			return found, nil
		}
		return []string{"a " + string(kind) + ", which has no " + string(c.Kind)}, nil
	}
	v, err := r.bench.Tube(c.ID, r.now)
	if err != nil {
		return nil, err
	}
	return tube(c, v), nil
}

// answer compares with what the step above the expectation was answered. With
// several ids every one must have got the answer.
func (r *runner) answer(c *Check) []string {
	line := 0
	for _, st := range r.story.Steps {
		if st.Line < c.Line {
			line = max(line, st.Line)
		}
	}
	answers := r.answers[line]
	if len(answers) == 0 {
		return []string{"no answer yet"}
	}
	for _, a := range answers {
		if string(a.Answer) == c.Want && a.Refusal == c.Refusal {
			continue
		}
		found := "answer " + string(a.Answer)
		if a.Refusal != "" {
			found += " " + string(a.Refusal)
		}
		if a.Text != "" {
			found += " (" + a.Text + ")"
		}
		return []string{found}
	}
	return nil
}

func differs(before, found, want string) []string {
	if found == want {
		return nil
	}
	return []string{before + found}
}

// thing compares what any thing has: holder, doubts, facts.
func thing(c *Check, v ThingView) ([]string, bool) {
	var found []string
	switch c.Kind {
	case OnHolder:
		found = differs("holder ", cmp.Or(v.Holder, "nobody"), c.Want)
	case OnDoubt:
		has := slices.Contains(v.Doubts, event.Doubt(c.Want))
		if c.Want == None {
			has = len(v.Doubts) == 0
		}
		if !has {
			found = []string{"doubt " + words(v.Doubts)}
		}
	case OnFacts:
		found = differs("facts ", c.Fact+"="+strconv.Itoa(v.Facts[c.Fact]), c.Fact+"="+strconv.Itoa(c.Count))
	default:
		return nil, false
	}
	for _, a := range c.Attrs {
		found = append(found, thingAttr(a, v)...)
	}
	return found, true
}

// thingAttr compares one key. link= is how the thing came to its holder, or
// another number of the same material.
func thingAttr(a Attr, v ThingView) []string {
	if a.Key == "link" && a.Text != "direct" && a.Text != "by-box" && a.Text != None {
		if slices.Contains(v.Links, a.Text) {
			return nil
		}
		return []string{"link=" + words(v.Links)}
	}
	has := map[string]string{"from": v.From, "link": v.Link, "at": v.Place, "replaced-by": v.ReplacedBy}[a.Key]
	return differs(a.Key+"=", cmp.Or(has, None), a.Text)
}

func tube(c *Check, v TubeView) []string {
	if !v.Known && (c.Kind == OnVerdict || c.Kind == OnOutlook || c.Kind == OnRack) {
		return []string{"a tube nobody knows"}
	}
	if found, ok := thing(c, v.ThingView); ok {
		return found
	}
	switch c.Kind {
	case OnFlag:
		return flag(c, v.Flag)
	case OnRack:
		return rack(c, v.Rack)
	default:
		return judgement(c, v)
	}
}

func flag(c *Check, f *FlagView) []string {
	if f == nil {
		return differs("flag ", None, c.Want)
	}
	found := differs("flag ", string(f.Action), c.Want)
	for _, a := range c.Attrs {
		switch a.Key {
		case "reason":
			found = append(found, reasons(a, f.Reasons)...)
		case "action":
			found = append(found, differs("action=", string(f.Action), a.Text)...)
		case "kind":
			found = append(found, differs("kind=", string(f.Kind), a.Text)...)
		case "cause":
			found = append(found, differs("cause=", cmp.Or(f.Cause, None), a.Text)...)
		case "at":
			found = append(found, instant("at=", a, f.Until)...)
		}
	}
	return found
}

func rack(c *Check, v RackView) []string {
	found := differs("rack ", string(v.Answer), c.Want)
	for _, a := range c.Attrs {
		switch a.Key {
		case "reason":
			found = append(found, reasons(a, v.Reasons)...)
		case "tests":
			found = append(found, differs("tests=", words(sorted(v.Tests)), words(sorted(a.List)))...)
		case "irreplaceable":
			if a.OK != v.Irreplaceable {
				found = append(found, "irreplaceable="+yesNo(v.Irreplaceable))
			}
		case "at":
			found = append(found, instant("at=", a, v.Until)...)
		}
	}
	return found
}

// judgement compares one test, or the worst of all when no test is named: its
// verdict is the tube's and its reasons are those of all tests with that verdict.
func judgement(c *Check, v TubeView) []string {
	t := TestView{Verdict: v.Verdict, Outlook: worstOutlook(v.Tests), Reasons: tubeReasons(v)}
	if at := slices.IndexFunc(v.Tests, func(t TestView) bool {
		return t.Assay == c.Assay || (c.Assay == "" && t.Verdict == v.Verdict)
	}); at >= 0 {
		worst := t
		t = v.Tests[at]
		if c.Assay == "" {
			t.Verdict, t.Outlook, t.Reasons = worst.Verdict, worst.Outlook, worst.Reasons
		}
	} else if c.Assay != "" {
		return []string{"no test " + c.Assay + " on " + c.ID}
	}
	var found []string
	if c.Kind == OnOutlook {
		found = differs("", cmp.Or(string(t.Outlook), string(event.OutlookUnknown)), c.Want)
	} else if string(t.Verdict) != c.Want {
		// why it is so is the first thing a reader of the failure wants to know
		found = []string{string(t.Verdict), "reason=" + words(t.Reasons)}
	}
	for _, a := range c.Attrs {
		for _, text := range judgementAttr(a, t, v) {
			if !slices.Contains(found, text) {
				found = append(found, text)
			}
		}
	}
	return found
}

// tubeReasons are the reasons of all tests that have the tube's verdict, in the
// order of their list; of the tube itself when no test has it.
func tubeReasons(v TubeView) []event.Reason {
	var of []event.Reason
	for _, t := range v.Tests {
		if t.Verdict == v.Verdict {
			of = append(of, t.Reasons...)
		}
	}
	if of == nil {
		return v.Reasons
	}
	return slices.DeleteFunc(event.Reasons(), func(r event.Reason) bool { return !slices.Contains(of, r) })
}

// worstOutlook is the outlook of a tube when no test is named: running out if
// one test is, else unknown if one is.
func worstOutlook(tests []TestView) event.Outlook {
	worst := event.InTime
	if len(tests) == 0 {
		worst = event.OutlookUnknown
	}
	for _, t := range tests {
		switch t.Outlook {
		case event.RunningOut:
			return event.RunningOut
		case event.InTime:
		default:
			worst = event.OutlookUnknown
		}
	}
	return worst
}

func judgementAttr(a Attr, t TestView, v TubeView) []string {
	ms := func(found int64) []string {
		if a.Duration.Milliseconds() == found {
			return nil
		}
		return []string{a.Key + "=" + duration(found)}
	}
	switch a.Key {
	case "reason":
		return reasons(a, t.Reasons)
	case "direction":
		return differs("direction=", cmp.Or(string(t.Direction), string(event.DirectionUnknown)), a.Text)
	case "used":
		return ms(t.UsedMs)
	case "limit":
		return ms(t.LimitMs)
	case "below":
		return ms(t.BelowMs)
	case "above":
		return ms(t.AboveMs)
	case "measured", "attested", "assumed", "unknown":
		return ms(t.ByMs[event.Evidence(a.Key)])
	case "rule":
		return differs("rule=", cmp.Or(t.Rule, None), a.Text)
	case "from":
		if a.Instant != 0 {
			return instant("from=", a, t.Since)
		}
		return differs("from=", cmp.Or(t.CountsFrom, None), a.Text)
	case "at":
		if a.Instant != 0 {
			return instant("at=", a, t.Until)
		}
	case "action", "kind":
		has := None
		if v.Flag != nil && a.Key == "action" {
			has = string(v.Flag.Action)
		} else if v.Flag != nil {
			has = string(v.Flag.Kind)
		}
		return differs(a.Key+"=", has, a.Text)
	}
	return thingAttr(a, v.ThingView)
}

func instant(before string, a Attr, found event.Instant) []string {
	if a.Instant == found {
		return nil
	}
	return []string{before + found.String()}
}

func reasons(a Attr, found []event.Reason) []string {
	if a.Text == None && len(found) == 0 {
		return nil
	}
	return differs("reason=", words(found), a.Text)
}

// words joins a list as a story writes it.
func words[T ~string](list []T) string {
	if len(list) == 0 {
		return None
	}
	return strings.Join(texts(list), ",")
}

func sorted(list []string) []string { return slices.Sorted(slices.Values(list)) }

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// duration writes milliseconds as a story does: minutes while they are whole.
func duration(ms int64) string {
	switch {
	case ms%60_000 == 0:
		return strconv.FormatInt(ms/60_000, 10) + "m"
	case ms > 0:
		d := time.Duration(ms) * time.Millisecond
		text := ""
		if m := d / time.Minute; m > 0 {
			text = fmt.Sprintf("%dm", m)
		}
		if s := d % time.Minute / time.Second; s > 0 {
			text += fmt.Sprintf("%ds", s)
		}
		if rest := ms % 1000; rest > 0 {
			text += fmt.Sprintf("%dms", rest)
		}
		return text
	default:
		return strconv.FormatInt(ms, 10) + "ms"
	}
}
