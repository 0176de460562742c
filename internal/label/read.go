package label

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"specimen.example/custody/internal/event"
)

// reader is one read on its way to a Reading or a Refusal.
type reader struct {
	*Schemes
	Input
	symbology Symbology
	framed    bool // the reader sent a symbology identifier
	data      string
	year      int
}

// Read says what a label identifies. The error is always a *Refusal.
func (s *Schemes) Read(in Input) (Reading, error) {
	r := reader{Schemes: s, Input: in, year: in.At.Time().Year()}
	if in.At == 0 {
		r.year = 2000 // nobody said when: two digits mean this century's first half
	}
	out, refusal := r.read()
	if refusal != nil {
		refusal.Raw = bytes.Clone(in.Raw)
		return Reading{}, refusal
	}
	out.How, out.Symbology, out.Raw = in.How, r.symbology, bytes.Clone(in.Raw)
	return out, nil
}

func refuse(what event.Refusal, say, remedy string) *Refusal {
	return &Refusal{Field: "raw", What: what, Say: say, Remedy: remedy}
}

const scanAgain = "scan it again"

func (r *reader) read() (Reading, *Refusal) {
	if len(r.Raw) > MaxRaw {
		return Reading{}, refuse(event.RefuseUnknownLabel, fmt.Sprintf("the read has %d bytes and at most %d are allowed", len(r.Raw), MaxRaw), "scan one label")
	}
	if r.Separator != 0 && (charset82.has(r.Separator) || r.Separator == ' ') {
		return Reading{}, &Refusal{Field: "separator", What: event.RefuseSeparatorLost, Say: fmt.Sprintf("the reader sends %q for GS, which labels hold themselves", string([]byte{r.Separator})),
			Remedy: "set the reader to send GS (ASCII 29) or a character such as | in its place, and tell it under House"}
	}
	if !utf8.Valid(r.Raw) {
		return Reading{}, refuse(event.RefuseUnknownLabel, "what was read is not text", "scan the label, not another code beside it; if it comes again, have the reader send plain characters")
	}
	// The end of a read is no part of the label.
	r.data = strings.TrimRight(string(r.Raw), "\r\n\t")
	if refusal := r.frame(); refusal != nil {
		return Reading{}, refusal
	}
	if parts := reads(r.data); len(parts) > 1 {
		return Reading{}, runTogether(parts)
	}
	if r.data == "" || strings.Trim(r.data, " "+GS) == "" {
		return Reading{}, refuse(event.RefuseShortRead, "the read is empty", scanAgain)
	}
	switch {
	case r.symbology.GS1:
		return r.gs1()
	case r.symbology.Digits > 0:
		return r.retail()
	default:
		return r.text()
	}
}

// frame takes the symbology identifier off, or uses the one said apart.
func (r *reader) frame() *Refusal {
	inside, rest, ok := splitSymbology(r.data)
	if r.Symbology == "" {
		if ok && r.How != Typed {
			r.symbology, r.data, r.framed = inside, rest, true
			return nil
		}
		if strings.HasPrefix(r.data, "]") && r.How != Typed {
			return r.strangeFrame()
		}
		return nil
	}
	said, known := SymbologyOf(r.Symbology)
	switch {
	case !known:
		return &Refusal{Field: "symbology", What: event.RefuseUnknownLabel, Say: fmt.Sprintf("%q is no symbology identifier that is known here", r.Symbology),
			Remedy: "send it as the reader gives it, for example ]d2, or leave it out"}
	case ok && inside.ID != said.ID:
		return &Refusal{Field: "symbology", What: event.RefuseUnknownLabel, Say: fmt.Sprintf("the identifier is %s and the read begins with %s", said.ID, inside.ID),
			Remedy: "send the identifier once"}
	case ok:
		r.data = rest
	}
	r.symbology, r.framed = said, true
	return nil
}

// strangeFrame refuses a read that begins with ] and no known identifier.
func (r *reader) strangeFrame() *Refusal {
	if _, _, ok := splitSymbology(swapped(r.data)); ok {
		return capsLock("")
	}
	return &Refusal{Field: "raw", What: event.RefuseUnknownLabel, Say: "the read begins with ] and no known symbology identifier",
		Remedy: "scan again; if it comes again, set the reader to send the identifiers of ISO/IEC 15424"}
}

// reads gives the reads that arrived as one: an end of read or a symbology
// identifier in the middle begins another.
func reads(data string) []string {
	var out []string
	for line := range strings.FieldsFuncSeq(data, func(c rune) bool { return c == '\r' || c == '\n' || c == '\t' }) {
		for line != "" {
			end := len(line)
			for i := 1; i < len(line); i++ {
				if _, _, ok := splitSymbology(line[i:]); ok {
					end = i
					break
				}
			}
			out = append(out, line[:end])
			line = line[end:]
		}
	}
	return out
}

func runTogether(parts []string) *Refusal {
	return &Refusal{Field: "raw", What: event.RefuseRunTogether, Parts: parts, Say: fmt.Sprintf("%d labels arrived as one read", len(parts)),
		Remedy: "scan each again; set the reader to send Enter behind every read"}
}

func capsLock(proposal string) *Refusal {
	return &Refusal{Field: "raw", What: event.RefuseKeyboardLayout, Proposal: proposal, Say: "caps lock is on at this computer, and small and capital letters are not the same here",
		Remedy: "switch caps lock off and scan again"}
}

func wrongLayout(proposal string) *Refusal {
	return &Refusal{Field: "raw", What: event.RefuseKeyboardLayout, Proposal: proposal, Say: "the scanner's keyboard language does not match this computer",
		Remedy: "set both to the same keyboard language and scan again"}
}

// text reads a label that isn't GS1 by its symbology.
func (r *reader) text() (Reading, *Refusal) {
	if out, refusal, ok := r.scheme(Plain, strings.Trim(r.data, " ")); ok {
		return out, refusal
	}
	if _, ok := isLink(r.data); ok {
		return r.link()
	}
	if strings.HasPrefix(r.data, "+") || strings.HasPrefix(r.data, "*+") {
		if out, refusal, ok := r.hibc(); ok {
			return out, refusal
		}
	}
	if IsDonation(r.data) {
		return r.donation()
	}
	if strings.HasPrefix(r.data, "(") {
		es, err := ParseElementText(r.data)
		if err == nil {
			return r.elements(es, StandardGS1)
		}
		if code, _, ok := strings.Cut(r.data[1:], ")"); ok && table[code] != nil {
			return Reading{}, r.unreadableGS1(err) // else it would be a local number of many things
		}
	}
	if !r.framed {
		if out, refusal, ok := r.bare(); ok {
			return out, refusal
		}
	}
	return r.unmatched()
}

// unmatched finds out how a text was damaged that is nothing by itself. What no
// declared scheme can have damaged may be a local number.
func (r *reader) unmatched() (Reading, *Refusal) {
	text := strings.Trim(r.data, " ")
	for _, c := range r.all {
		if slices.Contains(c.In, Plain) && c.read.matches(text) { // framed, and this read is not
			return Reading{}, refuse(event.RefuseUnknownLabel, fmt.Sprintf("a number of %s was read without symbology identifier, so it could be something else", c.ID),
				"set the reader to send symbology identifiers, or type the number")
		}
	}
	if parts := r.numbers(text); parts != nil && r.isRow(parts) {
		return Reading{}, runTogether(parts)
	}
	if refusal := r.keyboard(text); refusal != nil {
		return Reading{}, refusal
	}
	for _, c := range r.all {
		if slices.Contains(c.In, Plain) && r.wants(c.Names) && r.cutShort(c, text) {
			remedy := "scan it again and hold still until the tone"
			if r.How == Typed {
				remedy = "type it again, every character that stands on the label"
			}
			return Reading{}, refuse(event.RefuseShortRead, fmt.Sprintf("only a part of %s arrived: its number has more characters", words[c.Names]), remedy)
		}
	}
	if strings.Contains(strings.ToLower(text), "://") {
		return Reading{}, refuse(event.RefuseUnknownLabel, "this is a web address and no label", "scan the label")
	}
	return r.local(text)
}

// cutShort tells whether text is what a reader left of a number of c. Where it may be
// a local number of something else, only a good half of one counts, and nothing that
// was typed.
func (r *reader) cutShort(c compiled, text string) bool {
	if _, ok := r.undeclared(); ok && (r.How == Typed || 2*len(text) < c.read.longest()) {
		return false
	}
	return c.read.shortened(text)
}

// undeclared gives the first thing that is wanted and has no scheme, so that any
// text may be its number; the empty thing where nothing was declared or asked.
func (r *reader) undeclared() (Thing, bool) {
	for _, w := range r.Want {
		if _, aggregate := w.Kind(); !r.Declared(w) && (aggregate || w == Patient) {
			return w, true
		}
	}
	return "", len(r.Want) == 0 && len(r.all) == 0
}

// local gives a number of which the site declared nothing.
func (r *reader) local(text string) (Reading, *Refusal) {
	for i := range len(text) {
		if c := text[i]; c < ' ' || c == 0x7f {
			return Reading{}, refuse(event.RefuseUnknownLabel, fmt.Sprintf("the read holds the control character U+%04X", c), scanAgain)
		}
	}
	names, ok := r.undeclared()
	if !ok {
		return Reading{}, refuse(event.RefuseUnknownLabel, "no number scheme of this site has such a number", "scan the label again; if it is a new kind of label, declare its numbers under House")
	}
	out := Reading{Names: names, Scheme: event.Local, Text: strings.ToUpper(text), Standard: StandardPlain, Check: Unchecked, Folded: strings.ToUpper(text) != text}
	return r.keyed(out, strings.ToUpper(text))
}

// maxRow is the longest text in characters that is taken apart into numbers.
const maxRow = 8 * MaxPattern

// numbers gives the numbers, two at least, that stand in one text without anything
// between; nil when the text is no such row. A longer number goes before a shorter.
func (r *reader) numbers(text string) []string {
	if len(text) > maxRow {
		return nil
	}
	next := make([]int, len(text)+1) // where the number that begins here ends; 0 for none
	next[len(text)] = len(text)
	for i := len(text) - 1; i >= 0; i-- {
		for end := min(i+MaxPattern, len(text)); end > i; end-- {
			if next[end] != 0 && (i > 0 || end < len(text)) && r.isNumber(text[i:end]) {
				next[i] = end
				break
			}
		}
	}
	if len(text) == 0 || next[0] == 0 {
		return nil
	}
	var out []string
	for i := 0; i < len(text); i = next[i] {
		out = append(out, text[i:next[i]])
	}
	return out
}

// isRow tells whether numbers that make up a text are two scans in one. Where the
// text may be a local number of something else, short ones prove nothing, nor does
// what was typed.
func (r *reader) isRow(parts []string) bool {
	if _, ok := r.undeclared(); !ok {
		return true
	}
	return r.How != Typed && !slices.ContainsFunc(parts, func(p string) bool { return len(p) < 3 })
}

// isNumber tells whether text is a plain number of a scheme, check included.
func (r *reader) isNumber(text string) bool {
	return slices.ContainsFunc(r.all, func(c compiled) bool {
		return slices.Contains(c.In, Plain) && c.read.matches(text) && c.Check.holds(text)
	})
}

// keyboard refuses what a keyboard made of a label.
func (r *reader) keyboard(text string) *Refusal {
	if r.How == Camera || r.How == NFC {
		return nil // nothing was typed
	}
	foreign := strings.IndexFunc(text, func(c rune) bool { return c >= utf8.RuneSelf }) >= 0
	for _, back := range turned(text) {
		if _, _, ok := splitSymbology(back); ok || r.isNumber(back) || foreign && labelLike(back) {
			return wrongLayout(back)
		}
	}
	for _, c := range r.all {
		if c.Case == CaseCounts && slices.Contains(c.In, Plain) && c.read.matches(swapped(text)) {
			return capsLock(swapped(text))
		}
	}
	// The symbols on tubes hold no other letters than those of ASCII, so it was the
	// keyboard that made them.
	if foreign && r.How == Wedge {
		return wrongLayout("")
	}
	return nil
}

// labelLike tells whether text is of capital letters, digits and hyphens, with a
// digit, as numbers on labels are.
func labelLike(text string) bool {
	return strings.ContainsAny(text, digitSet) && strings.Trim(text, digitSet+letterSet+"-") == ""
}

// scheme reads a text as a number of the site's schemes. ok is false when none has
// it in this place.
func (r *reader) scheme(in, text string) (Reading, *Refusal, bool) {
	for _, c := range r.all {
		if !slices.Contains(c.In, in) || !c.read.matches(text) {
			continue
		}
		if in == Plain && c.Framed && !r.framed && r.How != Typed {
			continue
		}
		out, refusal := r.number(c, text)
		return out, refusal, true
	}
	return Reading{}, nil, false
}

func (r *reader) number(c compiled, text string) (Reading, *Refusal) {
	out := Reading{Names: c.Names, Scheme: c.ID, Text: strings.ToUpper(text), Standard: StandardPlain, Check: Unchecked, Reuse: c.Reuse.Milliseconds()}
	if c.Case == CaseCounts {
		out.Text = text
	}
	if !c.Check.holds(text) {
		return Reading{}, refuse(event.RefuseUnknownLabel, fmt.Sprintf("a character of the number of %s is wrong: its check character says so", words[c.Names]),
			"scan it again; if it was typed, compare every character")
	}
	if c.Check != NoCheck {
		out.Check = Checked
	}
	value := c.canonical(text)
	out.Folded = value != text && c.Case == CaseFolds
	out.Request = c.printed.group(out.Text)
	if !r.wants(c.Names) {
		return Reading{}, r.wrong(c.Names)
	}
	if c.Ward {
		ward := strings.TrimSpace(r.Ward)
		if ward == "" {
			return Reading{}, &Refusal{Field: "ward", What: event.RefuseSecondIdentifier, Say: "wards give out this number each for itself", Remedy: "say which ward's number it is"}
		}
		value = ward + joinWard + value
	}
	if c.TubeType {
		kind := strings.TrimSpace(r.TubeType)
		if kind == "" {
			return Reading{}, &Refusal{Field: "tubeType", What: event.RefuseSecondIdentifier, Say: "all tubes of a request carry this number", Remedy: "say which tube it is by its type"}
		}
		if strings.ContainsAny(kind, joinWard+joinTurn) {
			return Reading{}, &Refusal{Field: "tubeType", What: event.RefuseUnknownLabel, Say: "the tube type holds / or ~, which join the parts of a key", Remedy: "say the type by its code in the catalogue"}
		}
		out.Request = out.Text
		value += joinType + kind
	}
	return r.keyed(out, value)
}

// keyed gives the reading its key, where what it names is an aggregate.
func (r *reader) keyed(out Reading, value string) (Reading, *Refusal) {
	out.value = value
	if out.Names == Patient || out.Names == Product {
		return out, nil
	}
	key, err := event.MakeKey(out.Scheme, value)
	if err != nil {
		say, _, _ := strings.Cut(err.Error(), ";")
		return Reading{}, refuse(event.RefuseUnknownLabel, say, "scan the label, not another code beside it")
	}
	out.Key = key
	return out, nil
}

// wants tells whether a thing may be named here.
func (r *reader) wants(t Thing) bool { return len(r.Want) == 0 || slices.Contains(r.Want, t) }

// wrong refuses a label that is sound and names something else.
func (r *reader) wrong(t Thing) *Refusal {
	var wanted []string
	for _, w := range r.Want {
		wanted = append(wanted, words[w])
	}
	return refuse(event.RefuseWrongScheme, fmt.Sprintf("this label is %s", words[t]), "scan the label of "+strings.Join(wanted, " or "))
}
