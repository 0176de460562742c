package label

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Thing is what a label identifies.
type Thing string

// The things. Patient and Product are no aggregates of the log: a patient's number
// is looked up and replaced by a reference, a product's code says what a tube is,
// not which.
const (
	Tube     Thing = "tube"
	Patient  Thing = "patient" // a wristband
	Person   Thing = "person"  // a badge
	Carrier  Thing = "carrier"
	Logger   Thing = "logger"
	Place    Thing = "place"
	Device   Thing = "device"
	Request  Thing = "request"
	Draw     Thing = "draw"
	Product  Thing = "product"
	Donation Thing = "donation" // a blood service's label
)

// Things lists every thing.
func Things() []Thing {
	return []Thing{Tube, Patient, Person, Carrier, Logger, Place, Device, Request, Draw, Product, Donation}
}

// Kind is the kind of aggregate that a thing is. ok is false for what has none.
func (t Thing) Kind() (kind event.Kind, ok bool) {
	switch t {
	case Patient, Product, Donation, "":
		return "", false
	default:
		return event.Kind(t), true
	}
}

// ThingOf is the thing of an aggregate's kind. ok is false for a kind that has no
// label.
func ThingOf(k event.Kind) (t Thing, ok bool) {
	t = Thing(k)
	return t, slices.Contains(Things(), t)
}

// words are the things as they stand in a sentence.
var words = map[Thing]string{
	Tube: "a tube", Patient: "a wristband", Person: "a badge", Carrier: "a bag, box or rack", Logger: "a logger", Place: "a place",
	Device: "a device", Request: "a request", Draw: "a draw", Product: "a product code", Donation: "a blood service's label",
}

// Case says what capital and small letters mean in a scheme's numbers.
type Case string

// The rules of case.
const (
	// CaseFolds: letters are read as capitals, whatever a keyboard made of them.
	CaseFolds Case = ""
	// CaseCounts: small and capital letters are different numbers.
	CaseCounts Case = "counts"
)

// Zeros says what leading zeros mean in a scheme's numbers.
type Zeros string

// The rules of leading zeros.
const (
	ZerosCount Zeros = ""     // 0012 and 12 are two numbers
	ZerosFill  Zeros = "fill" // 0012 and 12 are one; only for patterns of digits alone
)

// Plain is the place of a number that is the whole text of a label.
const Plain = "plain"

// Scheme is one of the site's number schemes, as data.
type Scheme struct {
	// ID is the first part of every key of the scheme: A to Z and 0 to 9, at most 8.
	ID string
	// Issuer says in words who gives out the numbers.
	Issuer string
	// Names is what the numbers identify.
	Names Thing
	// Pattern is described at the type pattern: # digit, @ letter, * either.
	Pattern string
	// Check is how the last character guards the others.
	Check Check
	Case  Case
	Zeros Zeros
	// In lists where the number stands: "plain", or a GS1 application identifier whose
	// value it is, such as 91. Empty means plain.
	In []string
	// Framed: a plain label counts only where the reader sent a symbology identifier or
	// a person typed. It keeps such numbers apart from GS1 data read without one.
	Framed bool
	// Ward: the ward is part of the number; DT-001 of two wards are two tubes.
	Ward bool
	// TubeType: one number is printed on all tubes of a request; the tube's type, said
	// with the scan, is part of its number.
	TubeType bool
	// Reuse is after how long a number comes again for other material; 0 for never.
	// See Reading.Again.
	Reuse time.Duration
}

// reserved are the schemes of numbers that the world's standards give, and of
// labels for which the site declared none.
const (
	schemeSSCC = "SSCC" // GS1 00: a logistic unit
	schemeGRAI = "GRAI" // GS1 8003: a returnable asset
	schemeGIAI = "GIAI" // GS1 8004: an individual asset
	schemeGSRN = "GSRN" // GS1 8017: a provider of a service
	schemeGLN  = "GLN"  // GS1 414: a place
	schemeDIN  = "DIN"  // a blood service's label, opaque
)

func reserved() []string {
	return []string{event.Local, schemeSSCC, schemeGRAI, schemeGIAI, schemeGSRN, schemeGLN, schemeDIN}
}

// Characters that join what is added to a number inside its key. A scheme that adds
// something can't have them in its numbers, so that no two numbers share a key.
const (
	joinWard  = "/" // before the number
	joinType  = "+" // behind it
	joinTurn  = "~" // behind all: which use of a number that comes again
	smallMark = "^" // before a letter that is small where case counts
)

// Schemes are the number schemes of a site, known not to be ambiguous.
type Schemes struct {
	all      []compiled
	warnings []string
}

type compiled struct {
	Scheme
	printed pattern // as written
	read    pattern // what is accepted: letters in both cases where case folds
}

// SchemeError is one thing that is wrong with a set of schemes.
type SchemeError struct {
	Index int    // of the scheme in the list, from 0
	Field string // "pattern"
	Say   string // with the remedy
}

// Error implements error.
func (e *SchemeError) Error() string {
	return fmt.Sprintf("scheme %d, %s: %s", e.Index+1, e.Field, e.Say)
}

// Compile checks a site's number schemes. It refuses a set in which one text could
// be a number of two schemes, with such a text as example, so that nobody has to
// choose at the bedside. Everything that is wrong comes at once, joined, each a
// *SchemeError. No schemes at all is a valid set: labels are then local numbers.
func Compile(schemes []Scheme) (*Schemes, error) {
	out := &Schemes{}
	var faults []error
	sound := make([]bool, len(schemes))
	for i, s := range schemes {
		c, own := compileOne(i, s)
		for _, other := range schemes[:i] {
			if other.ID == s.ID {
				own = append(own, &SchemeError{i, "id", fmt.Sprintf("%q stands there twice; every scheme needs an id of its own", s.ID)})
				break
			}
		}
		sound[i] = len(own) == 0
		faults = append(faults, own...)
		out.all = append(out.all, c)
	}
	for i := range out.all {
		for j := range out.all[:i] {
			if sound[i] && sound[j] {
				faults = append(faults, ambiguous(out.all, j, i)...)
			}
		}
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	out.warnings = out.warn()
	return out, nil
}

// compileOne checks a scheme by itself.
func compileOne(i int, s Scheme) (compiled, []error) {
	var faults []error
	fault := func(field, format string, args ...any) {
		faults = append(faults, &SchemeError{i, field, fmt.Sprintf(format, args...)})
	}
	if s.ID == "" || len(s.ID) > 8 || keep(s.ID, isAlphanumeric) != s.ID || strings.ToUpper(s.ID) != s.ID {
		fault("id", "%q must be 1 to 8 capital letters and digits", s.ID)
	} else if slices.Contains(reserved(), s.ID) {
		fault("id", "%q is taken for numbers of a standard; choose another", s.ID)
	}
	if !slices.Contains(Things(), s.Names) || s.Names == Product || s.Names == Donation {
		fault("names", "%q is nothing that a number scheme can name; it must be one of tube, patient, person, carrier, logger, place, device, request, draw", s.Names)
	}
	if !slices.Contains(Checks(), s.Check) {
		fault("check", "%q is no check; it must be empty or one of mod10, mod37-2, mod43", s.Check)
	}
	if s.Case != CaseFolds && s.Case != CaseCounts {
		fault("case", "%q must be empty (small letters are read as capitals) or counts", s.Case)
	}
	if s.Zeros != ZerosCount && s.Zeros != ZerosFill {
		fault("zeros", "%q must be empty (leading zeros count) or fill", s.Zeros)
	}
	if s.Reuse < 0 || s.Reuse > 0 && s.Reuse < time.Hour {
		fault("reuse", "%s must be at least an hour, or 0 for numbers that never come again", s.Reuse)
	}
	if (s.TubeType || s.Ward || s.Reuse > 0) && (s.Names == Patient || s.Names == Person) {
		fault("names", "a number of %s can't depend on ward, tube type or time", words[s.Names])
	}
	if s.TubeType && s.Names != Tube {
		fault("tubeType", "only a tube's number can be completed by its type")
	}
	if len(s.In) == 0 {
		s.In = []string{Plain}
	}
	for _, in := range s.In {
		if in != Plain && table[in] == nil {
			fault("in", "%q is neither plain nor a GS1 application identifier", in)
		}
	}
	if s.Framed && !slices.Contains(s.In, Plain) {
		fault("framed", "only a plain label can be framed; add plain to in or leave framed out")
	}
	p, err := parsePattern(s.Pattern)
	if err != nil {
		fault("pattern", "%v", err)
		return compiled{Scheme: s}, faults
	}
	c := compiled{Scheme: s, printed: p, read: p}
	if s.Case == CaseFolds {
		c.read = p.folded()
	}
	for _, f := range c.patternFaults() {
		fault("pattern", "%s", f)
	}
	return c, faults
}

// patternFaults says what a pattern can't be beside the rest of its scheme.
func (c compiled) patternFaults() []string {
	var out []string
	joins := ""
	for _, one := range []struct {
		on   bool
		char string
	}{{c.Ward, joinWard}, {c.TubeType, joinType}, {c.Reuse > 0, joinTurn}, {c.Case == CaseCounts, smallMark}} {
		if one.on {
			joins += one.char
		}
	}
	if joins != "" && c.read.some(joins) {
		out = append(out, fmt.Sprintf("its numbers may hold one of %s, which joins what this scheme adds to a number; leave the character out", joins))
	}
	if c.read.some("]") {
		out = append(out, "its numbers may hold ], which begins a symbology identifier; leave it out")
	}
	if c.Zeros == ZerosFill && c.read.some(notDigits) {
		out = append(out, "leading zeros can only be filled in where all characters are digits")
	}
	if c.printed.groupFrom != c.printed.groupTo && c.Names != Tube {
		out = append(out, "only a tube's number has a part that is the request's; leave the brackets out")
	}
	if c.printed.groupFrom != c.printed.groupTo && c.TubeType {
		out = append(out, "the request's part in brackets and the tube type say the same twice; declare one")
	}
	if c.printed.groupFrom != c.printed.groupTo && c.Zeros == ZerosFill {
		out = append(out, "a number with a request's part has a fixed length; leave zeros out")
	}
	if c.Case == CaseCounts && c.read.longest() > MaxPattern*3/4 {
		out = append(out, fmt.Sprintf("numbers in which case counts may have at most %d characters", MaxPattern*3/4))
	}
	if c.Check != NoCheck && !c.checkable() {
		out = append(out, fmt.Sprintf("no number of it can carry the check %s in its last character", c.Check))
	}
	if slices.Contains(c.In, Plain) {
		for _, f := range foreign {
			if f.gs1 && c.Framed {
				continue
			}
			if text, ok := shared(c.read, f.pattern); ok {
				out = append(out, fmt.Sprintf("%s could be %s as well; %s", text, f.say, f.remedy))
			}
		}
	}
	return out
}

// checkable tells whether the last character of some number may be a check.
func (c compiled) checkable() bool {
	allowed := digitSet
	switch c.Check {
	case Mod37Two:
		allowed = alphabet37
	case Mod43:
		allowed = strings.ReplaceAll(alphabet43, " ", "")
	}
	for i := len(c.read.elements) - 1; i >= 0; i-- {
		e := c.read.elements[i]
		if !e.set.and(setOf(allowed)).empty() {
			return true
		}
		if !e.optional {
			return false
		}
	}
	return false
}

var notDigits = func() string {
	var b strings.Builder
	for c := byte(0x21); c < 0x7f; c++ {
		if !isDigit(c) {
			b.WriteByte(c)
		}
	}
	return b.String()
}()

// foreign are forms that standards have given a meaning. A site's plain numbers
// must not look like them.
var foreign = func() []struct {
	pattern     pattern
	gs1         bool
	say, remedy string
} {
	const framed = "set framed, so that it counts only where the reader sends a symbology identifier, or where it is typed"
	type form = struct {
		pattern     pattern
		gs1         bool
		say, remedy string
	}
	var out []form
	for _, f := range []struct {
		text, say, remedy string
		gs1               bool
	}{
		{"01#{14}", "a product's GS1 number (01) read without symbology identifier", framed, true},
		{"00#{18}", "a GS1 shipping number (00) read without symbology identifier", framed, true},
		{"414#{13}", "a GS1 place (414) read without symbology identifier", framed, true},
		{"801[78]#{18}", "a GS1 wristband or badge (8018, 8017) read without symbology identifier", framed, true},
		{"80030#{13}*{0,16}", "a GS1 returnable box (8003) read without symbology identifier", framed, true},
		{"+@*{4,35}", "an HIBC product code", "begin the numbers with another character than +", false},
	} {
		p, err := parsePattern(f.text)
		if err != nil {
			panic("label: foreign form: " + err.Error())
		}
		out = append(out, form{p.folded(), f.gs1, f.say, f.remedy})
	}
	return out
}()

// ambiguous gives the faults of two schemes together.
func ambiguous(all []compiled, i, j int) []error {
	a, b := all[i], all[j]
	if !slices.ContainsFunc(a.In, func(in string) bool { return slices.Contains(b.In, in) }) {
		return nil
	}
	text, ok := shared(a.read, b.read)
	if !ok {
		return nil
	}
	return []error{&SchemeError{j, "pattern", fmt.Sprintf(
		"%s would be a number of %s and of %s; give one of them a prefix, a length or characters that the other hasn't", text, a.ID, b.ID)}}
}

// warn says what is not ambiguous but can go wrong with a reader that sends neither
// symbology identifier nor end of read.
func (s *Schemes) warn() []string {
	var out []string
	for _, a := range s.all {
		if !slices.Contains(a.In, Plain) || a.Check != NoCheck || a.Framed {
			continue
		}
		for _, l := range layouts {
			if sent, arrives, ok := a.printed.mistyped(l.plain, l.shifted); ok {
				out = append(out, fmt.Sprintf("%s of %s arrives as %s where the computer's keyboard is %s and the reader's is not; a check character or readers that send symbology identifiers prevent it",
					sent, a.ID, arrives, l.language))
				break
			}
		}
	}
	for _, a := range s.all {
		for _, b := range s.all {
			if !slices.Contains(a.In, Plain) || !slices.Contains(b.In, Plain) || b.Check != NoCheck {
				continue
			}
			if text, ok := lost(a.read, b.read); ok {
				out = append(out, fmt.Sprintf("what a reader leaves of a number of %s may read as %s of %s; a check character on %s, or readers that frame what they send, prevent it",
					a.ID, text, b.ID, b.ID))
			}
			if text, ok := shared(a.read.followed(a.read), b.read); ok {
				out = append(out, fmt.Sprintf("two numbers of %s run together may read as %s of %s; readers must send Enter behind each read", a.ID, text, b.ID))
			}
		}
	}
	return out
}

// Warnings are what people should know of a set that is valid: how a damaged read
// of one scheme could be a whole number of another.
func (s *Schemes) Warnings() []string { return slices.Clone(s.warnings) }

// All gives the schemes in their order, as they were declared.
func (s *Schemes) All() []Scheme {
	out := make([]Scheme, len(s.all))
	for i, c := range s.all {
		out[i] = c.Scheme
	}
	return out
}

// Declared tells whether a thing has a scheme of its own, in any place.
func (s *Schemes) Declared(t Thing) bool {
	return slices.ContainsFunc(s.all, func(c compiled) bool { return c.Names == t })
}

// canonical gives a number as it stands in keys.
func (c compiled) canonical(text string) string {
	if c.Case == CaseCounts {
		return marked(text)
	}
	text = strings.ToUpper(text)
	if c.Zeros == ZerosFill {
		text = strings.Repeat("0", c.read.longest()-len(text)) + text
	}
	return text
}

// marked keeps small letters apart in a key, which holds capitals only.
func marked(text string) string {
	var b strings.Builder
	for i := 0; i < len(text); i++ {
		if text[i] >= 'a' && text[i] <= 'z' {
			b.WriteString(smallMark)
		}
		b.WriteByte(text[i])
	}
	return strings.ToUpper(b.String())
}
