// Package specimendefinition reads an HL7 FHIR SpecimenDefinition (R4 and R5,
// JSON and XML) into a draft rule file. It carries over what the resource says
// of time and temperature, lists what it leaves out, and leaves blank what FHIR
// has no element for: those are the laboratory's to answer.
package specimendefinition

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// Definition is what is read of a resource.
type Definition struct {
	ID, URL, Identifier, Title, Status string // empty: not said (R4 has no URL, title or status)
	Experimental                       bool
	Tested                             []Tested
	// Unused lists every element that has no key in a rule file, in order of place.
	Unused []Unused
}

// Unused is an element that isn't carried over into a rule.
type Unused struct {
	Path  string // FHIRPath
	Value string // on one line, shortened
	Why   string
	Kept  bool // it stands in the draft as a comment
}

// Tested is one kind of specimen that may be tested.
type Tested struct {
	Path       string // SpecimenDefinition.typeTested[0]
	Type       Concept
	Preference string // preferred or alternate
	Derived    string // "true", "false", or "" when not said
	Container  Container
	Rejections []Concept
	Handling   []Handling
}

// Container is what the specimen is to be in.
type Container struct {
	Type          Concept
	Additives     []Concept
	MinimumVolume string // as written, for example 2 mL
	Description   string
}

// Handling is one way of keeping the specimen, with its longest time.
type Handling struct {
	Path        string // SpecimenDefinition.typeTested[0].handling[1]
	Qualifier   Concept
	Instruction string
	// Low and High are the ends of the range, both inside (FHIR, Range); nil: not
	// said, and then not known, not without end.
	Low, High *Temperature
	Max       *Duration // nil: not said
}

// Temperature is one end of a range.
type Temperature struct {
	Given string       // as written, for example 36 °F
	C     event.CentiC // 0.01 °C
	// Exact is false where the value falls between two hundredths of a degree
	// Celsius: 36 °F is 2.222… °C. C is then the hundredth below.
	Exact bool
}

// Duration is a longest time.
type Duration struct {
	Given string // as written, for example 60 min
	Unit  string // UCUM
	Ms    int64
}

// Concept is a coded or written idea.
type Concept struct {
	Text    string
	Codings []Coding
}

// Coding is one code of a Concept.
type Coding struct{ System, Code, Display string }

// String gives the words of a concept, or its code where it has none.
func (c Concept) String() string {
	if c.Text != "" {
		return c.Text
	}
	for _, k := range c.Codings {
		if k.Display != "" {
			return k.Display
		}
	}
	for _, k := range c.Codings {
		if k.Code != "" {
			return k.Code
		}
	}
	return ""
}

// Codes gives the codes with their systems, for example "http://snomed.info/sct 119364003".
func (c Concept) Codes() string {
	var all []string
	for _, k := range c.Codings {
		all = append(all, strings.TrimSpace(k.System+" "+k.Code))
	}
	return strings.Join(all, ", ")
}

// Read reads one SpecimenDefinition of at most MaxBytes, in JSON or XML. An
// error is of type Faults and names every fault with its FHIRPath, place and
// remedy: an element that is not of R4 or R5, a unit that isn't UCUM or isn't
// known, a number that can't be converted exactly.
func Read(data []byte) (*Definition, error) {
	root, err := parse(data)
	if err != nil {
		return nil, err
	}
	root.path = resource
	c := &checker{}
	c.block(root, definitionShape)
	if len(c.found) > 0 {
		return nil, c.bounded()
	}
	r := &reader{checker: c, d: &Definition{}}
	r.definition(root)
	if len(c.found) > 0 {
		return nil, c.bounded()
	}
	return r.d, nil
}

func (c *checker) bounded() error {
	slices.SortStableFunc(c.found, func(a, b Fault) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	if len(c.found) <= mostFaults {
		return c.found
	}
	last := c.found[mostFaults]
	last.Path, last.Problem = "file", fmt.Sprintf("has %d more faults from here on", len(c.found)-mostFaults)
	last.Remedy = "correct those above and read it again"
	return append(c.found[:mostFaults:mostFaults], last)
}

// reader takes the values out of a tree that has its shape.
type reader struct {
	*checker
	d *Definition
}

func (r *reader) value(n *node, name string) string {
	if k := n.kid(name); k != nil {
		return strings.TrimSpace(k.value)
	}
	return ""
}

// unused lists an element. A sister _x in JSON is x with extensions only.
func (r *reader) unused(n *node, why string, kept bool) {
	u := Unused{Path: n.path, Value: leaves(n), Why: why, Kept: kept}
	if strings.HasPrefix(n.name, "_") {
		u.Path += ".extension"
	}
	r.d.Unused = append(r.d.Unused, u)
}

const (
	noKey     = "a rule file has no key for it"
	commentOf = "a rule file has no key for it; it stands in the draft as a comment"
)

// reasons say more than noKey where there is more to say.
var reasons = map[string]string{
	"cap":           "the colour of a cap doesn't tell the additive",
	"retentionTime": "how long a specimen is kept afterwards is no limit of a test",
	"text":          "the narrative repeats the elements",
	"extension":     "what an extension means is agreed between its parties only",
}

// rest lists what of n was neither carried over nor kept, and the extensions
// below what was carried over.
func (r *reader) rest(n *node, carried, kept []string) {
	for _, k := range n.kids {
		switch {
		case slices.Contains(kept, k.name):
			r.unused(k, commentOf, true)
		case slices.Contains(carried, k.name):
			for _, x := range k.kids {
				if x.name == "extension" && k.form == written {
					r.unused(x, reasons["extension"], false)
				}
			}
		default:
			why := reasons[k.name]
			if why == "" {
				why = noKey
			}
			if strings.HasPrefix(k.name, "_") {
				why = reasons["extension"]
			}
			r.unused(k, why, false)
		}
	}
}

// leaves shows the values below an element on one line.
func leaves(n *node) string {
	var all []string
	var walk func(n *node)
	walk = func(n *node) {
		if n.value != "" && len(all) < 8 {
			all = append(all, plain(n.value, 120))
		}
		for _, k := range n.kids {
			walk(k)
		}
	}
	walk(n)
	return plain(strings.Join(all, ", "), 160)
}

func (r *reader) definition(n *node) {
	d := r.d
	d.ID, d.URL, d.Title, d.Status = r.value(n, "id"), r.value(n, "url"), r.value(n, "title"), r.value(n, "status")
	d.Experimental = r.value(n, "experimental") == "true"
	if i := n.kid("identifier"); i != nil {
		if v := i.kid("value"); v != nil {
			d.Identifier = v.value
		}
	}
	if s := n.kid("status"); s != nil && !slices.Contains([]string{"draft", "active", "retired", "unknown"}, d.Status) {
		r.fault(s, s.path, quote(d.Status)+" is not a status", "write draft, active, retired or unknown")
	}
	r.rest(n, []string{"typeTested"}, []string{"id", "url", "identifier", "title", "status", "experimental"})
	for _, k := range n.all("typeTested") {
		r.tested(k)
	}
}

func (r *reader) tested(n *node) {
	t := Tested{Path: n.path, Preference: r.value(n, "preference"), Derived: r.value(n, "isDerived")}
	t.Type = r.concept(n.kid("type"))
	switch p := n.kid("preference"); {
	case p == nil:
		r.fault(n, n.path+".preference", "is missing", "write preferred or alternate: FHIR asks for it")
	case t.Preference != "preferred" && t.Preference != "alternate":
		r.fault(p, p.path, quote(t.Preference)+" is not a preference", "write preferred or alternate")
	}
	for _, k := range n.all("rejectionCriterion") {
		t.Rejections = append(t.Rejections, r.concept(k))
	}
	r.rest(n, []string{"handling", "container"}, []string{"type", "preference", "isDerived", "rejectionCriterion"})
	if k := n.kid("container"); k != nil {
		t.Container = r.container(k)
	}
	for _, k := range n.all("handling") {
		t.Handling = append(t.Handling, r.handling(k))
	}
	r.d.Tested = append(r.d.Tested, t)
}

func (r *reader) container(n *node) Container {
	c := Container{Type: r.concept(n.kid("type")), Description: r.value(n, "description"), MinimumVolume: r.value(n, "minimumVolumeString")}
	quantity, words := n.kid("minimumVolumeQuantity"), n.kid("minimumVolumeString")
	if quantity != nil && words != nil {
		r.fault(words, n.path+".minimumVolume", "is given both as a quantity and in words", "keep one of the two")
	}
	if quantity != nil {
		unit := r.value(quantity, "code")
		if unit == "" {
			unit = r.value(quantity, "unit")
		}
		c.MinimumVolume = strings.TrimSpace(r.value(quantity, "comparator") + " " + r.value(quantity, "value") + " " + unit)
	}
	for _, k := range n.all("additive") {
		if a := k.kid("additiveCodeableConcept"); a != nil {
			c.Additives = append(c.Additives, r.concept(a))
		}
	}
	r.rest(n, nil, []string{"type", "description", "minimumVolumeQuantity", "minimumVolumeString", "additive"})
	return c
}

func (r *reader) handling(n *node) Handling {
	h := Handling{Path: n.path, Qualifier: r.concept(n.kid("temperatureQualifier")), Instruction: r.value(n, "instruction")}
	r.rest(n, []string{"temperatureQualifier", "temperatureRange", "maxDuration"}, []string{"instruction"})
	if k := n.kid("temperatureQualifier"); k != nil {
		r.rest(k, []string{"text", "coding"}, nil)
		for _, c := range k.all("coding") {
			r.rest(c, []string{"system", "version", "code", "display", "userSelected"}, nil)
		}
	}
	if k := n.kid("temperatureRange"); k != nil {
		h.Low, h.High = r.temperature(k.kid("low")), r.temperature(k.kid("high"))
		r.rest(k, []string{"low", "high"}, nil)
		if h.Low != nil && h.High != nil && h.Low.C > h.High.C {
			r.fault(k, k.path, "its low end is warmer than its high end", "exchange the two (FHIR, rng-2)")
		}
	}
	h.Max = r.duration(n.kid("maxDuration"))
	return h
}

func (r *reader) concept(n *node) Concept {
	if n == nil {
		return Concept{}
	}
	c := Concept{Text: r.value(n, "text")}
	for _, k := range n.all("coding") {
		c.Codings = append(c.Codings, Coding{System: r.value(k, "system"), Code: r.value(k, "code"), Display: r.value(k, "display")})
	}
	return c
}

// quantity reads a number with its UCUM unit; the unit must be one of units.
func (r *reader) quantity(n *node, units string, known func(string) bool) (*big.Rat, string, bool) {
	before := len(r.found)
	r.rest(n, []string{"value", "unit", "system", "code", "comparator"}, nil)
	if k := n.kid("comparator"); k != nil {
		r.fault(k, k.path, quote(k.value)+" makes the number a bound of a bound", "give the number without a comparator")
	}
	var number *big.Rat
	if k := n.kid("value"); k == nil {
		r.fault(n, n.path+".value", "is missing", "give the number")
	} else if v, ok := decimal(k.value); ok {
		number = v
	} else {
		r.fault(k, k.path, quote(k.value)+" is not a decimal number that can be read", "write at most 15 digits, and 12 after the point")
	}
	switch k := n.kid("system"); {
	case k == nil:
		r.fault(n, n.path+".system", "is missing", "write "+ucum+": a unit without its system can't be relied on (FHIR, qty-3)")
	case k.value != ucum:
		r.fault(k, k.path, quote(k.value)+" is not UCUM", "write "+ucum)
	}
	code := n.kid("code")
	switch {
	case code == nil:
		r.fault(n, n.path+".code", "is missing", "give the unit as a UCUM code: "+units+"; unit is for people only")
	case !known(code.value):
		r.fault(code, code.path, quote(code.value)+" is not a unit that is known here", "use one of "+units+", in exactly these letters")
	}
	if len(r.found) > before {
		return nil, "", false
	}
	return number, code.value, true
}

func (r *reader) temperature(n *node) *Temperature {
	if n == nil {
		return nil
	}
	number, unit, ok := r.quantity(n, "Cel, K, [degF]", func(u string) bool { _, ok := temperatureUnits[u]; return ok })
	if !ok {
		return nil
	}
	c, exact, problem := hundredths(number, unit)
	if problem != "" {
		r.fault(n, n.path+".value", quote(r.value(n, "value")+" "+unit)+" "+problem, "correct the number or the unit")
		return nil
	}
	name := map[string]string{"Cel": "°C", "[degF]": "°F", "K": "K"}[unit]
	return &Temperature{Given: r.value(n, "value") + " " + name, C: c, Exact: exact}
}

func (r *reader) duration(n *node) *Duration {
	if n == nil {
		return nil
	}
	number, unit, ok := r.quantity(n, "min, h, d, wk, mo, a, s, ms", func(u string) bool { return timeUnits[u] > 0 })
	if !ok {
		return nil
	}
	ms, problem := milliseconds(number, unit)
	if problem != "" {
		r.fault(n, n.path+".value", quote(r.value(n, "value")+" "+unit)+" "+problem, "give a time that can be a limit")
		return nil
	}
	return &Duration{Given: r.value(n, "value") + " " + unit, Unit: unit, Ms: ms}
}
