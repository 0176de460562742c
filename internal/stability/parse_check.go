package stability

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

func (p *parser) wait(n *yaml.Node, path string) {
	m, ok := p.mapping(n, path, "tubes", "at-least", "before", "source")
	if !ok {
		return
	}
	w := WaitRule{
		Tubes:  m.codes("tubes", "name the tube types, for example [SERUM]"),
		Before: m.word("before", []string{"spin"}, ""),
		Source: p.source(m, "title: …, seen: second-hand"),
	}
	p.knownTubes(m, w.Tubes)
	m.need("at-least", "say how long at least, for example 30m")
	w.AtLeast, _ = m.positive("at-least")
	for _, t := range w.Tubes {
		if w.Before != "" && slices.ContainsFunc(p.set.Waits, func(o WaitRule) bool { return o.Before == w.Before && slices.Contains(o.Tubes, t) }) {
			p.mistake(m.get("tubes"), m.field("tubes"), t+" has a wait before the "+w.Before+" already", "keep one of the two")
		}
	}
	p.set.Waits = append(p.set.Waits, w)
	p.waits = append(p.waits, m.get("at-least"))
}

func (p *parser) endsTest(n *yaml.Node, path string) {
	m, ok := p.mapping(n, path, "assay", "when", "say", "source")
	if !ok {
		return
	}
	e := EndsTest{
		Assay: p.assay(m),
		When:  m.word("when", []string{"spun", "frozen", "thawed"}, ""),
		Say:   m.needText("say", "write what people shall read, for example \"needs unspun blood\""),
	}
	if s := m.get("source"); s != nil {
		e.Source = p.sourceKeys(s, m.field("source"), true)
	}
	if e.Assay.Code != "" && slices.ContainsFunc(p.set.Ends, func(o EndsTest) bool { return o.Assay.Code == e.Assay.Code && o.When == e.When }) {
		p.mistake(n, path, e.Assay.Code+" ends when "+e.When+" already", "keep one of the two")
	}
	p.set.Ends = append(p.set.Ends, e)
}

// across holds rules against each other, against waits and against accepts.
func (p *parser) across() {
	p.uniqueIDs()
	p.accepted()
	p.possible()
	p.defaults()
}

func (p *parser) uniqueIDs() {
	first := map[string]int{}
	for i, r := range p.set.Rules {
		if r.ID == "" {
			continue
		}
		if j, twice := first[r.ID]; twice {
			p.mistake(p.nodes[i].node, p.nodes[i].path+".id", fmt.Sprintf("the id stands twice, first in line %d", p.nodes[j].node.Line), "give each rule an id of its own")
			continue
		}
		first[r.ID] = i
	}
}

// accepted reports a rule for a tube in which the test may not be run.
func (p *parser) accepted() {
	for i, r := range p.set.Rules {
		tubes, said := p.set.Accepts[r.Assay.Code]
		if !said {
			continue
		}
		for _, t := range r.Tubes {
			if !slices.Contains(tubes, t) {
				p.mistake(p.nodes[i].tubes, p.nodes[i].path+".tubes", t+" is not accepted for "+r.Assay.Code, "add it to accepts, or take it out of the rule")
			}
		}
	}
}

// possible reports a limit that ends before its tube may be spun: no such tube
// could ever be in time.
func (p *parser) possible() {
	for i, r := range p.set.Rules {
		at := p.nodes[i]
		if !at.limitsReadable || r.State != Unspun || r.From != FromDraw || r.Until != "spun" && r.Until != "off-cells" {
			continue
		}
		longest := int64(0)
		for _, l := range r.Limits {
			longest = max(longest, l.Ms, l.GoodMs, l.FirstBad)
		}
		for k, w := range p.set.Waits {
			shared := slices.ContainsFunc(w.Tubes, func(t string) bool { return slices.Contains(r.Tubes, t) })
			if longest > 0 && w.AtLeast > longest && shared && r.Evidence != ShownUnstable {
				p.mistake(at.limits, at.path+".limits", fmt.Sprintf("no band holds longer than %s, but the tube must wait %s before the spin (line %d)",
					durationText(longest), durationText(w.AtLeast), p.waits[k].Line), "correct the limit or the wait")
				break
			}
		}
	}
}

// keysOf gives the keys of a rule, one for each of its tube types.
func (r *Rule) keysOf() []string {
	condition := make([]string, len(r.Condition))
	for i, c := range r.Condition { // sorted by name when read
		condition[i] = fmt.Sprintf("%s=%t", c.Name, c.Yes)
	}
	keys := make([]string, len(r.Tubes))
	for i, t := range r.Tubes {
		keys[i] = strings.Join([]string{r.Assay.Code, t, string(r.State), strings.Join(condition, ","), string(r.From), string(r.Until)}, " ")
	}
	return keys
}

// defaults sees to it that each key has one default at most, and says so where
// a file leaves it open. A rule that doesn't say is the default if it is the
// only candidate of its key; shown-unstable rules are no candidates.
func (p *parser) defaults() {
	candidates := map[string][]int{}
	for i := range p.set.Rules {
		r := &p.set.Rules[i]
		if !p.nodes[i].keyKnown || r.Evidence == ShownUnstable {
			continue
		}
		for _, key := range r.keysOf() {
			candidates[key] = append(candidates[key], i)
		}
	}
	for i := range p.set.Rules {
		r, at := &p.set.Rules[i], p.nodes[i]
		if !at.keyKnown || r.Evidence == ShownUnstable {
			continue
		}
		if at.byDefault == nil {
			p.implied(r, at, candidates)
			continue
		}
		if r.Default {
			p.chosenOnce(i, candidates)
		}
	}
}

func (p *parser) chosenOnce(i int, candidates map[string][]int) {
	at := p.nodes[i]
	for k, key := range p.set.Rules[i].keysOf() {
		for _, j := range candidates[key] {
			if j < i && p.set.Rules[j].Default && p.nodes[j].byDefault != nil {
				p.mistake(at.byDefault, at.path+".default", fmt.Sprintf("is a second default for %s in %s; the first is in line %d",
					p.set.Rules[i].Assay.Code, p.set.Rules[i].Tubes[k], p.nodes[j].node.Line), "choose one of the two")
				return
			}
		}
	}
}

func (p *parser) implied(r *Rule, at ruleNodes, candidates map[string][]int) {
	alone, open := 0, ""
	keys := r.keysOf()
	for k, key := range keys {
		if len(candidates[key]) == 1 {
			alone++
			continue
		}
		chosen := slices.ContainsFunc(candidates[key], func(j int) bool { return p.nodes[j].byDefault != nil && p.set.Rules[j].Default })
		if !chosen && open == "" {
			open = r.Tubes[k]
		}
	}
	switch {
	case alone == len(keys):
		r.Default, r.Because = true, "the only limit for this test, tube and state"
	case open != "":
		p.mistake(at.node, at.path+".default", "is missing, and no other limit for "+r.Assay.Code+" in "+open+" is the default",
			"add default: {chosen: true, because: …} to one of them, chosen: false to the others")
	case alone > 0:
		p.mistake(at.node, at.path+".default", "is missing; the rule is the only one for some of its tubes and not for others",
			"say chosen: true or chosen: false, or split the tubes")
	}
}
