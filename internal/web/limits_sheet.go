package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

func (g *limitGroup) in() string {
	return strings.Join(g.tubeNames, " or ") + ", " + says(stateWords, g.state)
}

func (v *limitsView) line(site Site, g *limitGroup) lineWords {
	first := &g.limits[0]
	l := lineWords{
		Name: assayNameOf(g.assay), URL: limitURL(site, first.rule.ID), In: g.in(), Stands: first.stands(), Mini: miniPicture(g),
		Rests: sourceShort(first.rule.Source),
	}
	if only := conditionText(g.conditions); only != "" {
		l.In += "; " + only
	}
	l.Head = says(standingHead, l.Stands)
	if !first.used {
		l.Stands, l.Head = standsBefore, noneChosen(first.rule)
	}
	var keeps []string
	for i := range first.rule.Limits {
		k := keepsOf(&first.rule.Limits[i])
		keeps = append(keeps, k.Time+" "+k.Band)
	}
	l.Keeps = strings.Join(keeps, "; ")
	if first.own && first.inForce {
		l.Head += ", your own"
	}
	if more := len(g.limits) - 1; more > 0 {
		l.More = count(more, "other, not chosen", "others, not chosen")
	}
	return l
}

func sourceShort(s stability.Source) string {
	if s.Year != 0 {
		return s.Title + " " + strconv.Itoa(s.Year)
	}
	return s.Title
}

func (v *limitsView) sheet(site Site, c clock, g *limitGroup, n int) sheetWords {
	first := &g.limits[0]
	r := first.rule
	s := sheetWords{
		ID: fmt.Sprintf("limit-%d", n), Name: assayNameOf(g.assay), URL: limitURL(site, r.ID), In: g.in(), Code: g.assay.Code,
		Stands: first.stands(), Critical: r.Critical, Picture: limitPicture(g, n),
		Loinc: "no LOINC code is given; map your own",
	}
	if g.assay.Loinc != "" {
		s.Loinc = "LOINC " + g.assay.Loinc + ", " + loincSeen[g.assay.LoincSeen]
	}
	if only := conditionText(g.conditions); only != "" {
		s.Only = "Only if: " + only + "."
	}
	s.Head = says(standingHead, s.Stands)
	if set := v.InForce; first.inForce && set != nil {
		s.Since = fmt.Sprintf("since %s, adopted by %s", c.at(set.InForce), set.By)
	}
	if !first.used {
		s.Stands, s.Head, s.Since = standsBefore, noneChosen(r), ""
	}
	for i := range r.Limits {
		s.Keeps = append(s.Keeps, keepsOf(&r.Limits[i]))
	}
	s.Facts = factsOf(r, first.used)
	s.Own = v.ownWords(g)
	for i := range g.limits[1:] {
		e := &g.limits[i+1]
		s.Others = append(s.Others, otherOf(site, e, i+1, v.rule == e.rule.ID))
	}
	s.Key = pictureKey(g)
	if v.rule != "" {
		for i := range g.limits {
			s.Lines = append(s.Lines, mark(i)+": "+stability.Describe(g.limits[i].rule)+". Rule "+g.limits[i].rule.ID+".")
		}
	}
	return s
}

// noneChosen heads limits of which none is the default. What was seen to be bad is
// still called bad.
func noneChosen(first *stability.Rule) string {
	if first.OnlyShown() {
		return "none chosen; only what was seen to be bad is called past its limit"
	}
	return "none chosen, nothing is judged by these"
}

// loincSeen says how a code was checked.
var loincSeen = map[string]string{
	"official": "from an official release",
	"list":     "seen with its long name in a public copy of the list; check it against an official release",
	"display":  "seen with a fitting name in public code only; check it against an official release",
	"":         "to be checked against an official release",
}

// mark is the letter by which text and picture speak of the same limit.
func mark(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return strconv.Itoa(i + 1)
}

func factsOf(r *stability.Rule, used bool) []factWords {
	low, high := edges(r)
	coldAt, warmAt := sideEdge(r.Below, low), sideEdge(r.Above, high)
	facts := []factWords{
		{"Below " + limitDegrees(coldAt) + " °C", sideWords(r.Below)},
		{"Above " + limitDegrees(warmAt) + " °C", sideWords(r.Above)},
	}
	if r.TimeReads != "" {
		facts = append(facts, factWords{"Too long", says(directionWords, r.TimeReads)})
	} else {
		facts = append(facts, factWords{"Too long", directionWords[event.DirectionUnknown]})
	}
	facts = append(facts, factWords{"Counts", fmt.Sprintf("from %s until %s", says(fromWords, r.From), says(endingWords, r.Until))})
	if len(r.Limits) > 1 {
		how := "minutes in each band add up"
		if r.Combine == stability.StrictestBand {
			how = "the strictest band it was in counts for all"
		}
		facts = append(facts, factWords{"Bands", how})
	}
	facts = append(facts,
		factWords{"Temperature", studiedAt(r)},
		factWords{"Rests on", says(limitEvidenceWords, r.Evidence)},
		factWords{"Source", sourceText(r.Source)},
	)
	why := "nobody chose it: it is used because no limit under this heading was made the default"
	switch {
	case r.Default:
		why = r.Because
	case !used:
		why = "no limit under this heading is chosen. This one stands first. " + sentence(r.Because)
	}
	return append(facts, factWords{"Why this", why})
}

// ownWords says where the laboratory's limit and the shipped one part.
func (p *LimitsPage) ownWords(g *limitGroup) []string {
	first := &g.limits[0]
	if !first.inForce || !first.own {
		return nil
	}
	if first.shipped != nil {
		return []string{
			"Your laboratory's own limit: it differs in " + strings.Join(first.fields, ", ") + ".",
			"The shipped one says " + shippedSays(first.shipped) + ".",
		}
	}
	if p.Shipped != nil {
		for i := range p.Shipped.Rules {
			if r := &p.Shipped.Rules[i]; r.Default && g.speaksOf(r) {
				return []string{"Your laboratory's own limit.", "The shipped one says " + shippedSays(r) + "."}
			}
		}
	}
	return []string{"Your laboratory's own limit. The shipped set chose none for this."}
}

// speaksOf reports whether a rule answers the same question as the group.
func (g *limitGroup) speaksOf(r *stability.Rule) bool {
	used := g.limits[0].rule
	return r.Assay.Code == g.assay.Code && r.State == g.state && r.From == used.From && r.Until == used.Until &&
		conditionText(r.Condition) == conditionText(g.conditions) &&
		slices.ContainsFunc(g.tubes, func(t string) bool { return slices.Contains(r.Tubes, t) })
}

func shippedSays(r *stability.Rule) string {
	var parts []string
	for i := range r.Limits {
		k := keepsOf(&r.Limits[i])
		text := k.Time + " " + k.Band
		if k.Then != "" {
			text += ", " + k.Then
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ") + " (" + sourceShort(r.Source) + ")"
}

func otherOf(site Site, e *limitEntry, i int, this bool) otherWords {
	r := e.rule
	o := otherWords{
		Mark: mark(i), URL: limitURL(site, r.ID), ID: r.ID, Rests: says(limitEvidenceWords, r.Evidence), Source: sourceText(r.Source),
		Stands: e.stands(), Studied: studiedAt(r), This: this,
	}
	for j := range r.Limits {
		o.Keeps = append(o.Keeps, keepsOf(&r.Limits[j]))
	}
	o.Head = says(standingHead, o.Stands)
	if e.inForce {
		// It came into force with its set, but no tube is judged by it.
		o.Stands, o.Head = standsBefore, "adopted with its set, not used"
	}
	switch {
	case r.Default && !e.inForce:
		o.Why = "the shipped set chose it: " + r.Because
	case r.Because != "":
		o.Why = r.Because
	case r.OnlyShown():
		o.Why = "it says only when the result was bad, not how long it is good"
	default:
		o.Why = "no reason is written"
	}
	o.Why = sentence(o.Why)
	return o
}
