package specimendefinition

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

// Answers are what the laboratory says beside the resource: FHIR has no element
// for it. What is not answered stays blank in the draft. The words are those of
// a rule file; whoever parses the draft checks them.
type Answers struct {
	Set     string // name of the rule set
	Version int64  // from 1
	Author  string
	// Tests are the tests that the limits shall be for; a SpecimenDefinition names
	// none. Each kind of specimen gives one rule per test.
	Tests  []Test
	Tested map[int]TestedAnswer // by the index of typeTested, from 0
}

// Test is one test in the laboratory's code.
type Test struct{ Code, Loinc, Name string }

// TestedAnswer is what the laboratory says of one typeTested.
type TestedAnswer struct {
	Leave      string   // why no rule is made of it; empty: make one
	Tubes      []string // the laboratory's tube type codes
	State      string   // unspun, spun-on-gel, …
	From       string   // empty: the file's own default, the draw
	Until      string
	Combine    string // empty: the file's own default, sum
	Evidence   string // policy, advised or studied; the longest time of a resource is no rate
	Conditions map[string]bool
	TimeReads  string // direction in which a result goes over time; empty: unknown
	Critical   bool
	Source     Source
	Default    *Default               // nil: not said
	Handling   map[int]HandlingAnswer // by the index of handling, from 0
}

// Source is where the limits come from.
type Source struct {
	Title   string
	Year    int // 0: not said
	Where   string
	Address string
	Seen    string // direct, summary or second-hand
}

// Default says whether a rule is the chosen one of its key.
type Default struct {
	Chosen  bool
	Because string
}

// HandlingAnswer fills in what one handling leaves open.
type HandlingAnswer struct {
	Leave string // why no row is made of it; empty: make one
	// Band, where the resource gives no two ends that can be written in 0.01 °C.
	Band *Band
	Ms   int64 // the longest time, where the resource gives none
}

// Band is a range of temperature in 0.01 °C, both ends inside.
type Band struct{ Low, High event.CentiC }

// Question is something that the resource leaves open.
type Question struct {
	Path   string // FHIRPath of what it is about
	Key    string // key of the rule file, for example rules.k-2364-1.state
	Ask    string
	Blocks bool // the draft is no rule file until it is answered
}

// Draft is a rule file in the making.
type Draft struct {
	YAML      []byte
	Questions []Question
	Unused    []Unused // of the resource, and what answers leave out
}

// Draft writes the draft rule file. An error is of type Faults: an answer that
// belongs to nothing in the resource or contradicts it, or nothing of which a
// rule could be made.
func (d *Definition) Draft(a Answers) (*Draft, error) {
	w := &writer{d: d, draft: &Draft{Unused: slices.Clone(d.Unused)}}
	w.head(a)
	for i := range d.Tested {
		w.tested(i, a)
	}
	for _, i := range slices.Sorted(maps.Keys(a.Tested)) {
		if i < 0 || i >= len(d.Tested) {
			w.fault(fmt.Sprintf("%s.typeTested[%d]", resource, i), "is answered but not in the resource", fmt.Sprintf("it has %d, counted from 0", len(d.Tested)))
		}
	}
	if w.rules == 0 && len(w.found) == 0 {
		w.fault(resource+".typeTested", "has no handling of which a rule could be made", "choose a definition with temperatures and longest times, or leave fewer out")
	}
	if len(w.found) > 0 {
		return nil, w.found
	}
	w.draft.YAML = []byte(w.out.String())
	return w.draft, nil
}

// writer writes YAML by hand: the package stands on the standard library, and
// the comments are half of a draft.
type writer struct {
	d     *Definition
	draft *Draft
	out   strings.Builder
	found Faults
	rules int
}

func (w *writer) fault(path, problem, remedy string) {
	w.found = append(w.found, Fault{Path: path, Problem: problem, Remedy: remedy})
}

func (w *writer) ask(path, key, ask string, blocks bool) {
	w.draft.Questions = append(w.draft.Questions, Question{Path: path, Key: key, Ask: ask, Blocks: blocks})
}

func (w *writer) line(indent int, parts ...string) {
	w.out.WriteString(strings.Repeat(" ", indent))
	w.out.WriteString(strings.TrimRight(strings.Join(parts, ""), " "))
	w.out.WriteByte('\n')
}

// comment writes words of the resource; they are cut to one printable line.
func (w *writer) comment(indent int, parts ...string) {
	if text := plain(strings.Join(parts, ""), 400); text != "" {
		w.line(indent, "# ", text)
	}
}

// field writes a key, blank where nothing was answered; then it asks.
func (w *writer) field(indent int, key, value, path, ruleKey, ask string) {
	if value == "" {
		w.line(indent, key, ":")
		w.ask(path, ruleKey, ask, true)
		return
	}
	w.line(indent, key, ": ", scalar(value))
}

func (w *writer) head(a Answers) {
	d := w.d
	w.line(0, "format: stability-rules/1")
	w.comment(0, "Draft from an HL7 FHIR SpecimenDefinition. Blank keys are what it doesn't say: the laboratory fills them in.")
	for _, c := range [][2]string{{"id", d.ID}, {"url", d.URL}, {"identifier", d.Identifier}, {"title", d.Title}, {"status", d.Status}} {
		if c[1] != "" {
			w.comment(0, c[0], ": ", c[1])
		}
	}
	if d.Status != "" && d.Status != "active" {
		w.ask(resource+".status", "rules", "the definition is marked "+plain(d.Status, 20)+": is it in force?", false)
	}
	if d.Experimental {
		w.comment(0, "experimental: true")
		w.ask(resource+".experimental", "rules", "the definition is marked as not for real use: shall limits rest on it?", false)
	}
	w.line(0, "set:")
	w.field(2, "name", a.Set, resource, "set.name", "what is the rule set called?")
	if a.Version != 0 {
		w.line(2, "version: ", strconv.FormatInt(a.Version, 10))
	} else {
		w.field(2, "version", "", resource, "set.version", "which version of the set is it, counted from 1?")
	}
	w.field(2, "author", a.Author, resource, "set.author", "who answers for these limits?")
	w.line(0, "rules:")
}

func (w *writer) leave(path, value, why string) {
	w.draft.Unused = append(w.draft.Unused, Unused{Path: path, Value: value, Why: why})
}

func (w *writer) tested(i int, a Answers) {
	t, answer := &w.d.Tested[i], a.Tested[i]
	for _, k := range slices.Sorted(maps.Keys(answer.Handling)) {
		if k < 0 || k >= len(t.Handling) {
			w.fault(fmt.Sprintf("%s.handling[%d]", t.Path, k), "is answered but not in the resource", fmt.Sprintf("it has %d, counted from 0", len(t.Handling)))
		}
	}
	switch answer.Evidence {
	case "rate", "shown-unstable":
		w.fault(t.Path+".handling", "a longest time is no evidence of the kind "+answer.Evidence, "answer policy, advised or studied")
		return
	}
	if answer.Leave != "" {
		w.leave(t.Path, t.Type.String(), "left out by the laboratory: "+plain(answer.Leave, 160))
		return
	}
	var made []int
	for k := range t.Handling {
		if why := answer.Handling[k].Leave; why != "" {
			w.leave(t.Handling[k].Path, rangeText(&t.Handling[k]), "left out by the laboratory: "+plain(why, 160))
			continue
		}
		made = append(made, k)
	}
	if len(made) == 0 {
		w.leave(t.Path, t.Type.String(), "no handling, so no limit follows")
		return
	}
	tests := a.Tests
	if len(tests) == 0 {
		tests = []Test{{}}
	}
	for _, test := range tests {
		w.rule(i, made, test, answer)
	}
}

// words gives the words of a concept with its codes.
func words(c Concept) string {
	if codes := c.Codes(); codes != "" && c.String() != "" {
		return c.String() + " (" + codes + ")"
	}
	return c.String()
}

func (w *writer) ruleHead(t *Tested) {
	w.comment(2, t.Path, ": ", words(t.Type), ", ", t.Preference)
	if t.Derived != "" {
		w.comment(2, "isDerived: ", t.Derived, " (true: taken off a primary specimen)")
	}
	c := &t.Container
	for _, say := range [][2]string{{"container: ", words(c.Type)}, {"container: ", c.Description}, {"minimum volume: ", c.MinimumVolume}} {
		if say[1] != "" {
			w.comment(2, say[0], say[1])
		}
	}
	for _, additive := range c.Additives {
		w.comment(2, "additive: ", words(additive))
	}
	for _, criterion := range t.Rejections {
		w.comment(2, "rejected when: ", words(criterion))
	}
}

func (w *writer) rule(i int, made []int, test Test, answer TestedAnswer) {
	t := &w.d.Tested[i]
	id := w.id(test.Code, i)
	key := func(name string) string { return "rules." + id + "." + name }
	w.rules++
	w.ruleHead(t)
	w.line(2, "- id: ", id)
	if test == (Test{}) {
		w.field(4, "assay", "", resource, key("assay"), "for which test are these limits? A SpecimenDefinition names none")
	} else {
		w.line(4, "assay:")
		w.field(6, "code", test.Code, resource, key("assay.code"), "what is the laboratory's code of the test?")
		w.optional(6, "loinc", test.Loinc)
		w.optional(6, "name", test.Name)
	}
	w.tubes(answer.Tubes)
	if len(answer.Tubes) == 0 {
		w.ask(t.Path+".container.type", key("tubes"), "which of the laboratory's tube types is meant"+of(t.Container.Type)+"?", true)
	}
	w.field(4, "state", answer.State, t.Path+".isDerived", key("state"), "is the material unspun, spun on gel, separated, …"+of(t.Type)+"?")
	if len(answer.Conditions) > 0 {
		w.line(4, "condition:")
		for _, name := range slices.Sorted(maps.Keys(answer.Conditions)) {
			w.line(6, scalar(name), ": ", map[bool]string{true: "yes", false: "no"}[answer.Conditions[name]])
		}
	}
	w.optional(4, "from", answer.From)
	if answer.From == "" {
		w.ask(t.Path+".handling", key("from"), "from when does the longest time count? It counts from the draw while this isn't said", false)
	}
	w.field(4, "until", answer.Until, t.Path+".handling", key("until"), "which step ends the limit: the spin, the measurement, …?")
	w.optional(4, "combine", answer.Combine)
	if answer.Combine == "" && len(made) > 1 {
		w.ask(t.Path+".handling", key("combine"), "does time in one band use up the other's? It does, by shares, while this isn't said", false)
	}
	w.line(4, "limits:")
	for _, k := range made {
		w.row(&t.Handling[k], answer.Handling[k], answer.Evidence, key("limits"))
	}
	w.ask(t.Path+".handling", key("outside"), "how long may the specimen be outside these temperatures? It can't be judged there while this isn't said", false)
	if answer.TimeReads != "" {
		w.line(4, "direction: {time: ", scalar(answer.TimeReads), "}")
	} else {
		w.ask(t.Path+".handling", key("direction"), "does the result read high or low over time?", false)
	}
	w.field(4, "evidence", answer.Evidence, t.Path+".handling", key("evidence"), "do these times rest on the laboratory's policy, on advice or on a study?")
	w.source(answer.Source, t.Path, key)
	if answer.Default != nil {
		w.line(4, "default:")
		w.line(6, "chosen: ", strconv.FormatBool(answer.Default.Chosen))
		w.optional(6, "because", answer.Default.Because)
	}
	if answer.Critical {
		w.line(4, "critical: true")
	}
}

func (w *writer) tubes(codes []string) {
	if len(codes) == 0 {
		w.line(4, "tubes:")
		return
	}
	list := make([]string, len(codes))
	for i, code := range codes {
		list[i] = scalar(code)
	}
	w.line(4, "tubes: [", strings.Join(list, ", "), "]")
}

func of(c Concept) string {
	if s := plain(c.String(), 120); s != "" {
		return " for " + s
	}
	return ""
}

func (w *writer) optional(indent int, key, value string) {
	if value != "" {
		w.line(indent, key, ": ", scalar(value))
	}
}

func (w *writer) source(s Source, path string, key func(string) string) {
	if s == (Source{}) {
		w.field(4, "source", "", path, key("source"), "where do these numbers come from, and what of it was seen?")
		return
	}
	w.line(4, "source:")
	w.field(6, "title", s.Title, path, key("source.title"), "what is the source called?")
	if s.Year != 0 {
		w.line(6, "year: ", strconv.Itoa(s.Year))
	}
	w.optional(6, "where", s.Where)
	w.optional(6, "address", s.Address)
	w.field(6, "seen", s.Seen, path, key("source.seen"), "was the source seen direct, as a summary or second-hand?")
}

// row writes one row of limits.
func (w *writer) row(h *Handling, answer HandlingAnswer, evidence, key string) {
	if h.Instruction != "" {
		w.comment(6, h.Path, ".instruction: ", h.Instruction)
	}
	band, exact := w.band(h, answer)
	if band == "" {
		ask := "at which temperatures does the longest time hold" + of(h.Qualifier) + "? The resource says " + rangeText(h)
		if !exact {
			ask += ", which is between hundredths of a degree Celsius"
		}
		w.comment(6, "the resource says ", rangeText(h))
		w.line(6, "- band:")
		w.ask(h.Path+".temperatureRange", key+".band", ask, true)
	} else {
		w.line(6, "- band: ", band)
	}
	form := "limit"
	if evidence == "studied" {
		form = "good-through"
	}
	switch {
	case h.Max != nil && answer.Ms != 0:
		w.fault(h.Path+".maxDuration", "is in the resource and answered too", "take the answer out; change the draft if the laboratory decides otherwise")
	case h.Max != nil:
		w.line(8, form, ": ", duration(h.Max.Ms, h.Max.Unit))
	case answer.Ms > 0:
		w.line(8, form, ": ", duration(answer.Ms, ""))
	case answer.Ms < 0:
		w.fault(h.Path+".maxDuration", "is answered with a negative time", "give milliseconds")
	default:
		w.line(8, form, ":")
		w.ask(h.Path+".maxDuration", key+"."+form, "for how long may it be kept so"+of(h.Qualifier)+"?", true)
	}
	said := rangeText(h)
	if q := h.Qualifier.String(); q != "" {
		said = q + ", " + said
	}
	w.line(8, "as-studied: ", scalar(plain(said, 200)))
}

// rangeText is the range as the resource gives it.
func rangeText(h *Handling) string {
	switch {
	case h.Low != nil && h.High != nil:
		return h.Low.Given + " to " + h.High.Given
	case h.Low != nil:
		return "from " + h.Low.Given + ", the other end not known"
	case h.High != nil:
		return "up to " + h.High.Given + ", the other end not known"
	}
	return "no range of temperature"
}

// band gives the band of a row; "" where it must be asked. Exact is false when
// an end is said but can't be written in 0.01 °C.
func (w *writer) band(h *Handling, answer HandlingAnswer) (text string, exact bool) {
	exact = (h.Low == nil || h.Low.Exact) && (h.High == nil || h.High.Exact)
	whole := h.Low != nil && h.High != nil && exact
	switch b := answer.Band; {
	case b == nil && whole:
		return "[" + celsius(h.Low.C) + ", " + celsius(h.High.C) + "]", true
	case b == nil:
		return "", exact
	case whole:
		w.fault(h.Path+".temperatureRange", "is in the resource and answered too", "take the answer out; change the draft if the laboratory decides otherwise")
	case !keeps(h.Low, b.Low), !keeps(h.High, b.High):
		w.fault(h.Path+".temperatureRange", fmt.Sprintf("is answered with %s to %s °C, which is not the end that the resource gives (%s)", celsius(b.Low), celsius(b.High), rangeText(h)),
			"keep the end that is given, and narrow one between hundredths of a degree by no more than half a degree")
	case b.Low > b.High:
		w.fault(h.Path+".temperatureRange", "is answered with the warmer end first", "give the colder end first")
	default:
		return "[" + celsius(b.Low) + ", " + celsius(b.High) + "]", exact
	}
	return "", exact
}

// keeps tells whether an answered end agrees with one that the resource gives:
// the same, or within half a degree of one that falls between hundredths.
func keeps(given *Temperature, answered event.CentiC) bool {
	if given == nil || given.Exact && given.C == answered {
		return true
	}
	return !given.Exact && answered >= given.C-50 && answered <= given.C+51
}

func celsius(c event.CentiC) string {
	sign, n := "", int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

// duration writes milliseconds with one unit of a rule file: the resource's own
// where it has one, else the largest that fits without a rest.
func duration(ms int64, unit string) string {
	short := map[string]string{"d": "d", "h": "h", "min": "m", "s": "s"}
	for _, u := range []string{unit, "d", "h", "min", "s"} {
		if short[u] != "" && ms%timeUnits[u] == 0 {
			return strconv.FormatInt(ms/timeUnits[u], 10) + short[u]
		}
	}
	return strings.TrimRight(fmt.Sprintf("%d.%03d", ms/1000, ms%1000), "0") + "s"
}

// id makes the id of a rule of small letters, digits and hyphens.
func (w *writer) id(code string, i int) string {
	parts := []string{}
	for _, s := range []struct {
		text    string
		longest int
	}{{code, 30}, {w.d.ID, 40}} {
		if slug := slug(s.text, s.longest); slug != "" {
			parts = append(parts, slug)
		}
	}
	if len(parts) == 0 {
		parts = append(parts, "specimen")
	}
	return strings.Join(parts, "-") + "-" + strconv.Itoa(i+1)
}

func slug(text string, longest int) string {
	var b strings.Builder
	hyphen := false
	for _, c := range strings.ToLower(text) {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' {
			if hyphen && b.Len() > 0 {
				b.WriteByte('-')
			}
			hyphen = false
			b.WriteRune(c)
		} else {
			hyphen = true
		}
		if b.Len() >= longest {
			break
		}
	}
	return b.String()
}

// scalar writes a value of YAML. Only what can't be read as anything but text
// stands bare; the rest is quoted, with escapes that YAML and JSON share.
func scalar(text string) string {
	bare := text != "" && len(text) < 80
	for i, c := range []byte(text) {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
		bare = bare && (letter || i > 0 && (c >= '0' && c <= '9' || c == '-'))
	}
	switch strings.ToLower(text) {
	case "y", "n", "yes", "no", "on", "off", "true", "false", "null":
		bare = false
	}
	if bare {
		return text
	}
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range strings.ToValidUTF8(text, "\uFFFD") {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f || r > 0x7f && plain(string(r), 1) == "":
			fmt.Fprintf(&b, "\\U%08X", r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
