package stability

import (
	"fmt"
	"slices"
	"strconv"

	"go.yaml.in/yaml/v3"

	"specimen.example/custody/internal/event"
)

// ruleNodes is where a rule stands in the file, for the checks across rules.
type ruleNodes struct {
	path           string
	node           *yaml.Node
	tubes          *yaml.Node
	limits         *yaml.Node
	byDefault      *yaml.Node // nil: the file doesn't say
	keyKnown       bool       // the parts of the key could all be read
	limitsReadable bool
}

// The words of a rule, as they stand in files.
func states() []string {
	return words(Unspun, SpunOnGel, SpunAgain, OnCells, Separated, FrozenAt, ThawedAt)
}
func ruleEvidences() []string { return words(Policy, Studied, Advised, Rate, ShownUnstable) }

func words[S ~string](list ...S) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

const ruleID = "give the rule an id of small letters, digits and hyphens; judgements name it"

func (p *parser) rule(n *yaml.Node, path string) {
	if id := idOf(n); id != "" {
		path = "rules." + id
	}
	m, ok := p.mapping(n, path, "id", "assay", "tubes", "state", "condition", "from", "until", "combine", "limits", "outside",
		"direction", "evidence", "source", "default", "critical", "needs")
	if !ok {
		return
	}
	r := Rule{
		ID:       m.shaped("id", isWord, ruleID),
		Assay:    p.assay(m),
		Tubes:    m.codes("tubes", "name the tube types, for example [LIHEP, LIHEP-GEL]"),
		State:    State(m.word("state", states(), "")),
		From:     CountsFrom(m.word("from", words(FromDraw, FromState, FromThaw), string(FromDraw))),
		Until:    event.Ending(m.word("until", words(event.Endings()...), "")),
		Combine:  Combine(m.word("combine", words(Sum, StrictestBand), string(Sum))),
		Evidence: RuleEvidence(m.word("evidence", ruleEvidences(), "")),
		Source:   p.source(m, "title: …, year: …, where: …, address: …, seen: summary"),
		Critical: m.yes("critical"),
		Line:     n.Line,
	}
	before := len(p.found)
	r.Condition = p.condition(m)
	r.TimeReads = p.timeReads(m)
	p.knownTubes(m, r.Tubes)
	r.TubeNames = p.tubeNames(r.Tubes)

	limitsBefore := len(p.found)
	r.Limits = p.limits(m, r.Evidence)
	readable := limitsBefore == len(p.found) && len(r.Limits) > 0 && len(r.Limits) == len(m.list("limits"))
	r.Below, r.Above = p.outside(m, r.Limits, readable)
	r.Needs = p.needs(m)
	p.chosen(m, &r)

	p.set.Rules = append(p.set.Rules, r)
	p.nodes = append(p.nodes, ruleNodes{
		path: path, node: n, tubes: m.get("tubes"), limits: m.get("limits"), byDefault: m.get("default"),
		keyKnown: r.Assay.Code != "" && len(r.Tubes) > 0 && r.State != "" && r.Until != "" && r.From != "" &&
			r.Evidence != "" && !slices.ContainsFunc(p.found[before:], func(f Mistake) bool { return f.Field == m.field("condition") }),
		limitsReadable: readable,
	})
}

// idOf finds the id of a rule before the rule is read, for messages.
func idOf(n *yaml.Node) string {
	for i := 0; i+1 < len(n.Content) && n.Kind == yaml.MappingNode; i += 2 {
		if n.Content[i].Value == "id" && n.Content[i+1].Kind == yaml.ScalarNode && isWord(n.Content[i+1].Value) {
			return n.Content[i+1].Value
		}
	}
	return ""
}

func (p *parser) tubeNames(codes []string) []string {
	names := slices.Clone(codes)
	for i, code := range codes {
		for _, t := range p.set.Tubes {
			if t.Code == code && t.Name != "" {
				names[i] = t.Name
			}
		}
	}
	return names
}

func (p *parser) condition(m mapping) []Condition {
	n := m.get("condition")
	if n == nil {
		return nil
	}
	c, ok := p.mapping(n, m.field("condition"))
	if !ok {
		return nil
	}
	var all []Condition
	for _, name := range sortedKeys(c.values) {
		value := c.values[name]
		if !isWord(name) {
			p.mistake(value, m.field("condition"), show(name)+" is not the name of a condition", "use small letters and hyphens, for example unfractionated-heparin: yes")
			continue
		}
		if yes, ok := p.yesNo(value, m.field("condition")); ok {
			all = append(all, Condition{Name: name, Yes: yes})
		}
	}
	return all
}

// needs reads the handling that a rule demands, each word once.
func (p *parser) needs(m mapping) []Need {
	known := words(NeedsFoil, NeedsIce, NeedsWarmth)
	var all []Need
	for _, n := range m.list("needs") {
		s, ok := p.scalar(n, m.field("needs"))
		need := Need(s)
		switch {
		case !ok:
		case !slices.Contains(known, s):
			p.mistake(n, m.field("needs"), quote(s)+" is not a known word", oneOf("use one of", known, s))
		case slices.Contains(all, need):
			p.mistake(n, m.field("needs"), s+" stands twice", "keep one of the two")
		case need == NeedsIce && slices.Contains(all, NeedsWarmth), need == NeedsWarmth && slices.Contains(all, NeedsIce):
			p.mistake(n, m.field("needs"), "asks for ice and for warmth", "keep one of the two, or split the rule by its bands")
		default:
			all = append(all, need)
		}
	}
	if n := m.get("needs"); n != nil && n.Kind == yaml.SequenceNode && len(n.Content) == 0 {
		p.mistake(n, m.field("needs"), "is empty", oneOf("leave it out, or use one of", known))
	}
	return all
}

func (p *parser) timeReads(m mapping) event.Direction {
	n := m.get("direction")
	if n == nil {
		return event.DirectionUnknown
	}
	d, ok := p.mapping(n, m.field("direction"), "time")
	if !ok {
		return event.DirectionUnknown
	}
	return event.Direction(d.word("time", words(event.Directions()...), ""))
}

// noSource is the title that ends-test alone may carry: where nothing is
// measured against a number, practice is honest enough.
const noSource = "common practice, no source"

func (p *parser) source(m mapping, example string) Source {
	n := m.need("source", "say where the number comes from: {"+example+"}")
	if n == nil {
		return Source{}
	}
	return p.sourceKeys(n, m.field("source"), false)
}

func (p *parser) sourceKeys(n *yaml.Node, path string, practice bool) Source {
	s, ok := p.mapping(n, path, "title", "year", "where", "address", "seen")
	if !ok {
		return Source{}
	}
	out := Source{
		Title:   s.needText("title", "name the source"),
		Where:   s.text("where"),
		Address: s.text("address"),
	}
	if out.Title == noSource && !practice {
		p.mistake(s.get("title"), s.field("title"), "a limit can't rest on common practice", "find the number in a source, or leave the rule out")
	}
	if y := s.get("year"); y != nil {
		text, ok := p.scalar(y, s.field("year"))
		value, scale, number := decimal(text)
		if ok && (!number || scale != 1 || value < 1900 || value > 2200) {
			p.mistake(y, s.field("year"), quote(text)+" is not a year", "write the year of the source, for example 2018")
		}
		out.Year = int(value)
	}
	if seen := s.get("seen"); seen != nil && seen.Value == "memory" {
		p.mistake(seen, s.field("seen"), "memory is no source", "look the number up, then say direct, summary or second-hand")
		return out
	}
	out.Seen = s.word("seen", []string{"direct", "summary", "second-hand"}, "")
	return out
}

func (p *parser) chosen(m mapping, r *Rule) {
	n := m.get("default")
	if n == nil {
		return
	}
	d, ok := p.mapping(n, m.field("default"), "chosen", "because")
	if !ok {
		return
	}
	if c := d.need("chosen", "say chosen: true or chosen: false"); c != nil {
		said := false
		r.Default, said = p.yesNo(c, d.field("chosen"))
		r.Passed = said && !r.Default
	}
	r.Because = d.text("because")
	if r.Default && r.Because == "" {
		p.mistake(n, d.field("because"), "is missing", "write the one reason why this limit is the default")
	}
	if r.Default && r.Evidence == ShownUnstable {
		p.mistake(n, d.field("chosen"), "a time by which the test was shown unstable is no limit", "say chosen: false; the true limit lies somewhere earlier")
	}
}

func (p *parser) limits(m mapping, evidence RuleEvidence) []Limit {
	n := m.need("limits", "give at least one row, for example - {band: room, limit: 4h}")
	if n == nil {
		return nil
	}
	rows := m.list("limits")
	if n.Kind == yaml.SequenceNode && len(rows) == 0 {
		p.mistake(n, m.field("limits"), "is empty", "give at least one row, for example - {band: room, limit: 4h}")
	}
	var all []Limit
	for i, row := range rows {
		path := m.field("limits") + "[" + strconv.Itoa(i+1) + "]"
		before := len(p.found)
		l, ok := p.limit(row, path, evidence)
		if !ok || len(p.found) > before {
			continue
		}
		for j, other := range all {
			if l.Low <= other.High && other.Low <= l.High {
				p.mistake(row, path+".band", fmt.Sprintf("overlaps the band of row %d (%s); both ends of a band are inside", j+1, bandText(other.Low, other.High)),
					"let each temperature stand in one band, for example up to 25.00 and from 25.01")
				break
			}
		}
		all = append(all, l)
	}
	return all
}

func (p *parser) limit(n *yaml.Node, path string, evidence RuleEvidence) (Limit, bool) {
	m, ok := p.mapping(n, path, "band", "limit", "good-through", "first-bad", "rate", "criterion", "unit", "as-studied", "widened", "shares")
	if !ok {
		return Limit{}, false
	}
	l := Limit{AsStudied: m.text("as-studied"), Widened: m.yes("widened")}
	known := p.band(m, &l)
	if l.Widened && l.AsStudied == "" {
		p.mistake(n, m.field("widened"), "doesn't say from what", "add as-studied with the temperature as the source gives it")
	}
	p.form(m, &l, evidence)
	p.shares(m, &l)
	return l, known
}

const shareRemedy = "say how many tubes are over, above 0 and up to 100 %, for example \"5 %\""

// shares reads the shares of a row, in any order of their times.
func (p *parser) shares(m mapping, l *Limit) {
	for i, s := range m.list("shares") {
		sm, ok := p.mapping(s, m.field("shares")+"["+strconv.Itoa(i+1)+"]", "at", "over")
		if !ok {
			continue
		}
		sm.need("at", "say after how long, for example at: 2h")
		at, timed := sm.positive("at")
		share := Share{AtMs: at, Over: sm.needText("over", shareRemedy)}
		if share.Over == "" {
			continue
		}
		var problem string
		if share.Part, share.Of, problem = parseShare(share.Over); problem != "" {
			p.mistake(sm.get("over"), sm.field("over"), problem, shareRemedy)
			continue
		}
		for _, o := range l.Shares {
			if timed && !share.follows(&o) && !o.follows(&share) {
				p.mistake(s, sm.path, "doesn't go with "+o.Over+" at "+durationText(o.AtMs), "more tubes are over as time passes: give a later time to a larger share")
				break
			}
		}
		if timed {
			l.Shares = append(l.Shares, share)
		}
	}
}

// band fills in the edges; false when they aren't known.
func (p *parser) band(m mapping, l *Limit) bool {
	n := m.need("band", "name a band of the conventions or "+bandRemedy)
	if n == nil {
		return false
	}
	if n.Kind == yaml.SequenceNode {
		b := p.numbers(n, m.field("band"))
		l.Low, l.High = b.low, b.high
		return b.ok
	}
	name, ok := p.scalar(n, m.field("band"))
	if !ok {
		return false
	}
	b, known := p.bands[name]
	if !known {
		p.mistake(n, m.field("band"), quote(name)+" is not a band of the conventions", oneOf("write [lowest, highest] in °C, or use one of", sortedKeys(p.bands), name))
	}
	l.BandName, l.Low, l.High = name, b.low, b.high
	return b.ok
}

// formOf is the form of row that each kind of evidence asks for.
var formOf = map[RuleEvidence]string{Policy: "limit", Advised: "limit", Studied: "good-through", Rate: "rate", ShownUnstable: "first-bad"}

// form reads the one form of a row and holds it against the kind of evidence.
func (p *parser) form(m mapping, l *Limit, evidence RuleEvidence) {
	var given []string
	for _, key := range []string{"limit", "good-through", "rate", "first-bad"} {
		if m.get(key) != nil {
			given = append(given, key)
		}
	}
	bracket := slices.Equal(given, []string{"good-through", "first-bad"})
	switch {
	case len(given) == 0:
		p.mistake(m.node, m.path, "says no time", oneOf("give", formsOf(evidence)))
		return
	case len(given) > 1 && !bracket:
		p.mistake(m.node, m.path, "says more than one kind of time", "keep one: limit, good-through (with first-bad), first-bad alone, or rate")
		return
	}
	if want := formOf[evidence]; want != "" && want != given[0] {
		p.mistake(m.node, m.field(given[0]), "doesn't go with evidence: "+string(evidence), "use "+want+", or correct the evidence")
		return
	}
	l.Ms, _ = m.positive("limit")
	l.GoodMs, _ = m.positive("good-through")
	l.FirstBad, _ = m.positive("first-bad")
	if bracket && l.GoodMs > 0 && l.FirstBad > 0 && l.FirstBad <= l.GoodMs {
		p.mistake(m.get("first-bad"), m.field("first-bad"), "is not after good-through", "the first bad time is later than the last good one")
	}
	p.rate(m, l)
}

// formsOf lists the forms that a row may take under a kind of evidence.
func formsOf(evidence RuleEvidence) []string {
	if want := formOf[evidence]; want != "" {
		return []string{want}
	}
	return []string{"limit", "good-through", "first-bad", "rate"}
}

func (p *parser) rate(m mapping, l *Limit) {
	if m.get("rate") == nil {
		for _, key := range []string{"criterion", "unit"} {
			if n := m.get(key); n != nil {
				p.mistake(n, m.field(key), "stands without a rate", "take it out, or give the rate")
			}
		}
		return
	}
	l.Unit = m.needText("unit", "name the unit of the criterion, for example mmol/L; the rate is in it per hour")
	for key, into := range map[string]*int64{"rate": &l.RatePerH, "criterion": &l.Criterion} {
		n := m.need(key, "say how much change is too much: a limit follows from criterion ÷ rate")
		if n == nil {
			continue
		}
		s, ok := p.scalar(n, m.field(key))
		micro, number := parseMicro(s)
		if ok && !number {
			p.mistake(n, m.field(key), quote(s)+" is not a number above 0 with at most 6 decimals", "the direction tells which way it goes")
		}
		*into = micro
	}
}

func (p *parser) outside(m mapping, limits []Limit, readable bool) (below, above *Outside) {
	n := m.get("outside")
	if n == nil {
		return nil, nil
	}
	o, ok := p.mapping(n, m.field("outside"), "below", "above")
	if !ok {
		return nil, nil
	}
	below, above = p.side(o, "below"), p.side(o, "above")
	if !readable {
		return below, above
	}
	low, high := limits[0].Low, limits[0].High
	for _, l := range limits {
		low, high = min(low, l.Low), max(high, l.High)
	}
	if below != nil && below.HasAt && below.At > low {
		p.mistake(o.get("below"), o.field("below")+".at", "lies above the lowest band's edge "+celsiusText(low), "put it at the edge or colder")
	}
	if above != nil && above.HasAt && above.At < high {
		p.mistake(o.get("above"), o.field("above")+".at", "lies below the highest band's edge "+celsiusText(high), "put it at the edge or warmer")
	}
	return below, above
}

func (p *parser) side(o mapping, key string) *Outside {
	n := o.get(key)
	if n == nil {
		return nil
	}
	m, ok := p.mapping(n, o.field(key), "at", "allow", "direction", "needs", "grace")
	if !ok {
		return nil
	}
	out := &Outside{Direction: event.Direction(m.word("direction", words(event.Directions()...), string(event.DirectionUnknown)))}
	if at := m.get("at"); at != nil {
		out.At, out.HasAt = p.celsius(at, m.field("at"))
	}
	m.need("allow", "say how long is allowed there, for example allow: 0s; leave the side out to say nothing")
	out.AllowMs, _ = m.duration("allow")
	out.GraceMs, _ = m.duration("grace")
	if m.get("needs") != nil {
		out.TwoValid = m.word("needs", []string{"two-readings"}, "") != ""
	}
	return out
}
