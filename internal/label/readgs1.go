package label

import (
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// gs1 reads the data behind a GS1 symbology identifier.
func (r *reader) gs1() (Reading, *Refusal) {
	data := r.separated(r.data)
	if data == "" {
		return Reading{}, refuse(event.RefuseShortRead, "the read is empty", scanAgain)
	}
	es, err := ParseGS1(data)
	if refusal := r.lostSeparator(data, es, err); refusal != nil {
		return Reading{}, refusal
	}
	if err != nil {
		if refusal := r.keyboard(r.data); refusal != nil {
			return Reading{}, refusal
		}
		return Reading{}, r.unreadableGS1(err)
	}
	return r.elements(es, StandardGS1)
}

// separated puts GS where the reader sends something else for it, and takes off one
// that some readers send for the FNC1 in front.
func (r *reader) separated(data string) string {
	if r.Separator != 0 {
		data = strings.ReplaceAll(data, string([]byte{r.Separator}), GS)
	}
	return strings.TrimPrefix(data, GS)
}

func (r *reader) unreadableGS1(err error) *Refusal {
	return refuse(event.RefuseUnknownLabel, "the GS1 label can't be read: "+err.Error(), "scan it again; if it comes again, the label is printed wrong")
}

// lostSeparator refuses data that could be cut in another way if the reader drops
// separators. Camera and NFC deliver them; a wedge is believed once it has sent one
// or its calibration has shown it does.
func (r *reader) lostSeparator(data string, es Elements, err error) *Refusal {
	whole := err == nil && es.Together() == nil
	trusted := r.How == Camera || r.How == NFC || r.Separates || strings.Contains(data, GS)
	if trusted && err == nil {
		return nil
	}
	fits := func(es Elements) bool { return es.compatible() == nil }
	if whole {
		fits = func(es Elements) bool { return es.Together() == nil }
	}
	var ways []string
	n := cuts(data, func(es Elements) bool {
		if !fits(es) {
			return false
		}
		if es.Value("8017") == "" && es.Value("8018") == "" { // a badge's or wristband's number is not said back
			ways = append(ways, es.Text())
		}
		return true
	})
	// A sound parse is one of the ways. One that isn't sound has lost its separator if
	// putting one back makes it so.
	if n > 1 || n == 1 && err != nil {
		out := refuse(event.RefuseSeparatorLost, "the reader drops the separators between the parts of this label, so they can't be told apart",
			"set the reader to send GS (ASCII 29) or a character in its place, and tell it under House; then scan again")
		out.Ways = ways
		return out
	}
	return nil
}

// bare reads GS1 data that came without symbology identifier. They count when they
// hold a check digit that is right, or a separator; ok is false where nothing says
// that they are GS1 data at all.
func (r *reader) bare() (Reading, *Refusal, bool) {
	data := r.separated(r.data)
	if r.How == Typed || data == "" || !isDigit(data[0]) {
		return Reading{}, nil, false
	}
	marked := strings.Contains(data, GS) || data != r.data
	es, err := ParseGS1(data)
	guarded := slices.ContainsFunc(es, func(e Element) bool {
		return slices.ContainsFunc(table[e.AI].parts, func(p part) bool { return p.rule == 'c' })
	})
	if err != nil && !marked {
		// With a separator put back it may be one that begins with a guarded number.
		guarded = cuts(data, func(es Elements) bool {
			return es.compatible() == nil && slices.ContainsFunc(table[es[0].AI].parts, func(p part) bool { return p.rule == 'c' })
		}) > 0
	}
	switch {
	case marked || guarded:
		if refusal := r.lostSeparator(data, es, err); refusal != nil {
			return Reading{}, refusal, true
		}
		if err != nil {
			return Reading{}, r.unreadableGS1(err), true
		}
		out, refusal := r.elements(es, StandardGS1)
		return out, refusal, true
	case err == nil && table[es[0].AI].trade() && keep(data, isDigit) != data:
		// Lot or serial alone, with letters: the second symbol of a product's label, or
		// one whose separators are lost. A number of digits alone may be a local one.
		if refusal := r.lostSeparator(data, es, nil); refusal != nil {
			return Reading{}, refusal, true
		}
	}
	return Reading{}, nil, false
}

// trade tells whether an identifier speaks of a product and means nothing alone.
func (a *ai) trade() bool {
	return slices.Contains([]string{"10", "11", "13", "15", "16", "17", "21", "240", "241"}, a.code)
}

// link reads a web address.
func (r *reader) link() (Reading, *Refusal) {
	es, err := ParseDigitalLink(strings.Trim(r.data, " "))
	if err != nil {
		return Reading{}, refuse(event.RefuseUnknownLabel, "this is a web address and no label: "+err.Error(), "scan the label")
	}
	return r.elements(es, StandardDigitalLink)
}

// keys are the GS1 numbers that identify by themselves, in the order in which they
// speak for a label that has several.
var keys = []struct {
	code   string
	names  Thing
	scheme string
}{
	{"8018", Patient, ""}, {"8017", Person, schemeGSRN}, {"00", Carrier, schemeSSCC}, {"8003", Carrier, schemeGRAI},
	{"8004", Logger, schemeGIAI}, {"414", Place, schemeGLN},
}

// elements decides what a set of elements names: a number of the site's first, then
// what the standard says, then a product.
func (r *reader) elements(es Elements, standard Standard) (Reading, *Refusal) {
	if err := es.Together(); err != nil {
		if parts := es.severalThings(); parts != nil {
			return Reading{}, runTogether(parts)
		}
		return Reading{}, r.unreadableGS1(err)
	}
	finish := func(out Reading, refusal *Refusal) (Reading, *Refusal) {
		if refusal == nil {
			out.Elements, out.Standard, out.Product = es, standard, product(es, r.year)
		}
		return out, refusal
	}
	var elsewhere *Refusal
	for _, e := range es {
		out, refusal, ok := r.scheme(e.AI, e.Value)
		if !ok {
			continue
		}
		if refusal == nil || refusal.What != event.RefuseWrongScheme {
			return finish(out, refusal)
		}
		elsewhere = refusal // another element may name what is wanted
	}
	for _, k := range keys {
		value := es.Value(k.code)
		if value == "" {
			continue
		}
		if k.code == "8003" && len(value) == 14 {
			return Reading{}, refuse(event.RefuseProductCode, "this code says what kind of box it is, not which one: it has no serial number", "scan the box's own label")
		}
		if k.code == "414" && es.Value("254") != "" {
			value += joinWard + es.Value("254")
		}
		if !r.wants(k.names) {
			elsewhere = r.wrong(k.names)
			continue
		}
		out := Reading{Names: k.names, Scheme: k.scheme, Text: value, Check: Checked}
		if k.code == "8004" {
			out.Check = Unchecked
		}
		return finish(r.keyed(out, marked(value)))
	}
	if elsewhere != nil {
		return Reading{}, elsewhere
	}
	if p := product(es, r.year); p != nil {
		return finish(r.product(*p, standard))
	}
	return Reading{}, refuse(event.RefuseUnknownLabel, "this GS1 label names nothing that is handled here", "scan the label of the thing itself")
}

// severalThings cuts elements where a key comes again with another value: that is the
// next label. nil when none does.
func (es Elements) severalThings() []string {
	var out []string
	from := 0
	for i, e := range es {
		if v := es[from:i].Value(e.AI); v != "" && v != e.Value && table[e.AI].key {
			out = append(out, es[from:i].Text())
			from = i
		}
	}
	if from == 0 {
		return nil
	}
	return append(out, es[from:].Text())
}

// retail reads EAN-13 and EAN-8, which hold a product's number alone.
func (r *reader) retail() (Reading, *Refusal) {
	if len(r.data) != r.symbology.Digits || !digits(r.data) {
		if _, err := ParseGS1(r.data); err == nil && strings.HasPrefix(r.data, "01") {
			return Reading{}, capsLock("") // ]e0 came out as ]E0
		}
		return Reading{}, refuse(event.RefuseShortRead, fmt.Sprintf("%s has %d digits and %d characters arrived", r.symbology.Name, r.symbology.Digits, len(r.data)), scanAgain)
	}
	if !hasCheckDigit(r.data) {
		return Reading{}, refuse(event.RefuseUnknownLabel, "a digit of the product's number is wrong: its check digit says so", scanAgain)
	}
	number := strings.Repeat("0", 14-len(r.data)) + r.data
	return r.product(ProductCode{Number: number}, StandardGS1)
}

// product refuses a maker's code where a label is wanted, and keeps what it says.
func (r *reader) product(p ProductCode, standard Standard) (Reading, *Refusal) {
	if !slices.Contains(r.Want, Product) || p.Number == "" { // a second symbol names nothing alone
		out := refuse(event.RefuseProductCode, "this is the maker's product code", "scan the label beside it")
		if r.wants(Tube) {
			out.Say, out.Remedy = "this is the tube's product code", "scan the patient label"
		}
		out.Kept = &p
		return Reading{}, out
	}
	return Reading{Names: Product, Text: p.Number, Standard: standard, Product: &p, Check: Checked}, nil
}

// product gives what elements say of a product, nil when they name none.
func product(es Elements, year int) *ProductCode {
	p := ProductCode{Lot: es.Value("10"), Serial: es.Value("21")}
	for _, code := range []string{"01", "02", "8006", "8026"} {
		if v := es.Value(code); v != "" {
			p.Number = v[:14]
			break
		}
	}
	if p.Number == "" {
		p.Number = es.Value("8010") + es.Value("8013")
	}
	if p.Number == "" {
		return nil
	}
	for _, d := range []struct {
		code string
		into *Date
	}{{"17", &p.Expiry}, {"7003", &p.Expiry}, {"11", &p.Made}} {
		if v := es.Value(d.code); v != "" {
			if date, err := GS1Date(v[:6], year); err == nil {
				*d.into = date
			}
		}
	}
	return &p
}

// hibc reads a label that begins with +. ok is false where it may be another that a
// keyboard has damaged.
func (r *reader) hibc() (Reading, *Refusal, bool) {
	data := r.data
	h, err := ParseHIBC(data, r.year)
	if err != nil {
		if r.keyboard(data) != nil {
			return Reading{}, nil, false
		}
		return Reading{}, refuse(event.RefuseUnknownLabel, "the HIBC label can't be read: "+err.Error(), scanAgain), true
	}
	if h.Provider {
		return Reading{}, refuse(event.RefuseUnknownLabel, "this is a provider's HIBC label, and the site has no number scheme for it", "declare its numbers under House, the whole text as pattern, or scan another label"), true
	}
	out, refusal := r.product(ProductCode{Number: h.Labeler + h.Product, Lot: h.Lot, Serial: h.Serial, Expiry: h.Expiry, Made: h.Made}, StandardHIBC)
	return out, refusal, true
}

// donation takes a blood service's label as an opaque number.
func (r *reader) donation() (Reading, *Refusal) {
	if !slices.Contains(r.Want, Donation) {
		return Reading{}, r.foreignLabel()
	}
	return Reading{Names: Donation, Scheme: schemeDIN, Text: r.data, Standard: StandardDonation, Check: Unchecked}, nil
}

func (r *reader) foreignLabel() *Refusal {
	return refuse(event.RefuseWrongScheme, "this is a blood service's label", "scan the label of the thing itself; to use such labels as numbers, declare them under House")
}
