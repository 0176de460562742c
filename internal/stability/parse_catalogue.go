package stability

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

const (
	codeRemedy  = "use capital letters, digits and hyphens"
	loincRemedy = "copy the code with its check digit, for example 2823-3, or leave it out"
)

// catalogue reads the laboratory's own lists: tubes, assays, accepts.
func (p *parser) catalogue(m mapping) {
	for i, n := range m.list("tubes") {
		p.tube(n, "tubes["+strconv.Itoa(i+1)+"]")
	}
	for i, n := range m.list("assays") {
		path := "assays[" + strconv.Itoa(i+1) + "]"
		a, ok := p.assayKeys(n, path)
		if !ok {
			continue
		}
		if slices.ContainsFunc(p.set.Assays, func(b Assay) bool { return a.Code == b.Code }) {
			p.mistake(n, path+".code", quote(a.Code)+" stands twice", "keep one of the two")
			continue
		}
		p.set.Assays = append(p.set.Assays, a)
	}
	for i, n := range m.list("accepts") {
		p.accept(n, "accepts["+strconv.Itoa(i+1)+"]")
	}
}

func (p *parser) tube(n *yaml.Node, path string) {
	m, ok := p.mapping(n, path, "code", "name", "additive", "gel", "volume", "order", "inversions")
	if !ok {
		return
	}
	t := TubeType{
		Code:     m.shaped("code", isCode, codeRemedy),
		Name:     m.needText("name", "name the tube type as people do"),
		Additive: m.needText("additive", "name the additive (none, if there is none), never the colour of the cap"),
	}
	if g := m.need("gel", "say gel: yes or gel: no"); g != nil {
		t.Gel, _ = p.yesNo(g, m.field("gel"))
	}
	t.VolumeUl = m.volume()
	t.Order = m.small("order", "its place in the order of draw, from 1")
	t.Inversions = m.small("inversions", "how often it is turned over to mix")
	if t.Code != "" && slices.Contains(p.tubeCodes(), t.Code) {
		p.mistake(m.get("code"), m.field("code"), quote(t.Code)+" stands twice", "keep one of the two")
		return
	}
	p.set.Tubes = append(p.set.Tubes, t)
}

// small reads an optional whole number from 1 to 99.
func (m mapping) small(key, what string) int {
	n := m.get(key)
	if n == nil {
		return 0
	}
	s, ok := m.r.scalar(n, m.field(key))
	if !ok {
		return 0
	}
	v, err := strconv.Atoi(s)
	if err != nil || v < 1 || v > 99 {
		m.r.mistake(n, m.field(key), quote(s)+" is no number from 1 to 99", "give "+what+", or leave it out")
		return 0
	}
	return v
}

func (p *parser) accept(n *yaml.Node, path string) {
	m, ok := p.mapping(n, path, "assay", "tubes", "volume")
	if !ok {
		return
	}
	code := m.shaped("assay", isCode, codeRemedy)
	tubes := m.codes("tubes", "name the tube types in which the test may be run")
	p.knownTubes(m, tubes)
	if code == "" {
		return
	}
	p.knownAssay(m.get("assay"), m.field("assay"), code)
	if _, twice := p.set.Accepts[code]; twice {
		p.mistake(m.get("assay"), m.field("assay"), quote(code)+" stands twice", "put all its tube types in one line")
		return
	}
	if len(tubes) == 0 { // already reported; nothing may follow from it
		return
	}
	if p.set.Accepts == nil {
		p.set.Accepts = map[string][]string{}
	}
	p.set.Accepts[code] = tubes
	if ul := m.volume(); ul > 0 {
		if p.set.NeedsUl == nil {
			p.set.NeedsUl = map[string]int64{}
		}
		p.set.NeedsUl[code] = ul
	}
}

// volume reads the optional key volume, for example 0.5 mL or 150 µL, as microlitres.
func (m mapping) volume() int64 {
	n := m.get("volume")
	if n == nil {
		return 0
	}
	const remedy = "write it as 3.5 mL or 150 µL, at most 100 mL"
	s, ok := m.r.scalar(n, m.field("volume"))
	if !ok {
		return 0
	}
	ul, ok := microlitres(s)
	if !ok {
		m.r.mistake(n, m.field("volume"), quote(s)+" is no volume", remedy)
	}
	return ul
}

// microlitres reads "3.5 mL" and "150 µL" (also uL), whole microlitres only.
func microlitres(text string) (ul int64, ok bool) {
	for _, unit := range []struct {
		name  string
		scale int64
		most  int
	}{{"mL", 1000, 3}, {"µL", 1, 0}, {"uL", 1, 0}} {
		number, found := strings.CutSuffix(text, unit.name)
		if !found {
			continue
		}
		whole, part, _ := strings.Cut(strings.TrimSpace(number), ".")
		if len(part) > unit.most || whole == "" || len(whole) > 6 {
			return 0, false
		}
		n, err := strconv.ParseInt(whole+part, 10, 64)
		for range unit.most - len(part) {
			n *= 10
		}
		return n, err == nil && n > 0 && n <= 100_000
	}
	return 0, false
}

func (p *parser) tubeCodes() []string {
	var codes []string
	for _, t := range p.set.Tubes {
		codes = append(codes, t.Code)
	}
	return codes
}

// knownTubes holds the "tubes" of m against the catalogue, if there is one.
func (p *parser) knownTubes(m mapping, tubes []string) {
	known := p.tubeCodes()
	if len(known) == 0 {
		return
	}
	for _, n := range m.list("tubes") {
		if slices.Contains(tubes, n.Value) && !slices.Contains(known, n.Value) {
			p.mistake(n, m.field("tubes"), quote(n.Value)+" is not in the file's list of tubes", oneOf("use one of", known, n.Value))
		}
	}
}

// knownAssay holds a code against the catalogue, if there is one.
func (p *parser) knownAssay(n *yaml.Node, field, code string) (Assay, bool) {
	var known []string
	for _, a := range p.set.Assays {
		if a.Code == code {
			return a, true
		}
		known = append(known, a.Code)
	}
	if len(known) > 0 {
		p.mistake(n, field, quote(code)+" is not in the file's list of assays", oneOf("add it there, or use one of", known, code))
	}
	return Assay{}, false
}

// assayKeys reads {code, loinc, name}; only the code must be there.
func (p *parser) assayKeys(n *yaml.Node, path string) (Assay, bool) {
	m, ok := p.mapping(n, path, "code", "loinc", "loinc-seen", "name", "restricted")
	if !ok {
		return Assay{}, false
	}
	a := Assay{Code: m.shaped("code", isCode, codeRemedy), Name: m.text("name")}
	if m.get("loinc") != nil {
		a.Loinc = m.shaped("loinc", isLoinc, loincRemedy)
	}
	if seen := m.get("loinc-seen"); seen != nil {
		a.LoincSeen = m.word("loinc-seen", []string{"official", "list", "display"}, "")
		if m.get("loinc") == nil {
			p.mistake(seen, m.field("loinc-seen"), "there is no LOINC code to speak of", "add the code as loinc, or leave this out")
		}
	}
	if r := m.get("restricted"); r != nil {
		a.Restricted, _ = p.yesNo(r, m.field("restricted"))
	}
	return a, a.Code != ""
}

// assay reads the assay of a rule and fills in what the catalogue says of it.
func (p *parser) assay(m mapping) Assay {
	n := m.need("assay", "name the test, for example {code: K}")
	if n == nil {
		return Assay{}
	}
	field := m.field("assay")
	a, ok := p.assayKeys(n, field)
	if !ok {
		return Assay{}
	}
	listed, ok := p.knownAssay(n, field, a.Code)
	if !ok {
		return a
	}
	if a.Loinc != "" && listed.Loinc != "" && a.Loinc != listed.Loinc {
		p.mistake(n, field+".loinc", quote(a.Loinc)+" differs from "+listed.Loinc+" in the file's list of assays", "leave it out here")
	}
	if a.Loinc == "" {
		a.Loinc, a.LoincSeen = listed.Loinc, listed.LoincSeen
	}
	if a.Name == "" {
		a.Name = listed.Name
	}
	a.Restricted = a.Restricted || listed.Restricted
	return a
}
