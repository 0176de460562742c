package printing

import (
	"errors"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// Data are what a symbol holds: a plain text, or GS1 elements.
type Data struct {
	Text     string
	Elements label.Elements // nil for a plain text
}

// GS1 tells whether the symbol must say that its data are GS1 element strings.
func (d Data) GS1() bool { return d.Elements != nil }

// Sent is what a reader sends of the symbol behind its symbology identifier.
func (d Data) Sent() string {
	if d.GS1() {
		return d.Elements.Data()
	}
	return d.Text
}

// Human is how the data stand beside the symbol: (91)TB2601182 or TB2601182.
func (d Data) Human() string {
	if d.GS1() {
		return d.Elements.Text()
	}
	return d.Text
}

// DataOf gives what a symbol must hold so that a site with the scheme reads the
// number back: the plain number, or the element of the first GS1 identifier that the
// scheme names. A scheme for both gets the plain number, unless that counts only
// where the reader says which symbol it read. The number comes whole, check
// character included. The error is an *Error of the field number.
func DataOf(scheme label.Scheme, number string) (Data, error) {
	for _, c := range []byte(number) {
		if c < ' ' || c > '~' {
			return Data{}, fault("number", "%q holds more than the characters of ASCII, which is all that readers are sure to send; give it a number of letters, digits and hyphens", number)
		}
	}
	if number == "" {
		return Data{}, fault("number", "there is no number; type what shall stand on the label")
	}
	out := Data{Text: number}
	ai := slices.IndexFunc(scheme.In, func(in string) bool { return in != label.Plain })
	plain := len(scheme.In) == 0 || slices.Contains(scheme.In, label.Plain)
	if ai >= 0 && (!plain || scheme.Framed) {
		out = Data{Elements: label.Elements{{AI: scheme.In[ai], Value: number}}}
		// A place's number may have its extension behind it, which is an element of its own.
		if gln, extension, two := strings.Cut(number, "/"); two && scheme.In[ai] == "414" {
			out.Elements = label.Elements{{AI: "414", Value: gln}, {AI: "254", Value: extension}}
		}
	}
	return out, readsBack(scheme, number, out)
}

// readsBack reads the data with the scheme alone.
func readsBack(scheme label.Scheme, number string, d Data) error {
	alone, err := label.Compile([]label.Scheme{scheme})
	if err != nil { // a standard's own number, or one of which nothing was declared
		if alone, err = label.Compile(nil); err != nil {
			return err
		}
	}
	r, err := Read(alone, d, scheme.Names, "ward", "type")
	if err != nil {
		return err
	}
	if !strings.EqualFold(r.Text, number) {
		return fault("number", "%s would be read as %s; give it another number", number, r.Text)
	}
	return nil
}

// Read says what a site reads off a symbol with these data by a camera. Want is what
// is scanned, empty for anything. The error is an *Error.
func Read(s *label.Schemes, d Data, want label.Thing, ward, tubeType string) (label.Reading, error) {
	in := label.Input{Raw: []byte(d.Sent()), Symbology: "]d1", How: label.Camera, Ward: ward, TubeType: tubeType}
	if d.GS1() {
		in.Symbology = "]d2"
	}
	if want != "" {
		in.Want = []label.Thing{want}
	}
	r, err := s.Read(in)
	var no *label.Refusal
	if errors.As(err, &no) {
		field := "number"
		if no.Field == "ward" || no.Field == "tubeType" {
			field = no.Field
		}
		return r, fault(field, "%s can't be printed as it would not be read: %s; %s", d.Human(), no.Say, no.Remedy)
	}
	if err != nil {
		return r, err
	}
	if _, aggregate := r.Names.Kind(); aggregate && r.Key == "" {
		return r, fault("number", "%s names nothing that the log can keep; give it another number", d.Human())
	}
	return r, nil
}

// Local is the scheme of a number of which the site declared nothing.
func Local(t label.Thing) label.Scheme {
	return label.Scheme{ID: event.Local, Names: t, In: []string{label.Plain}}
}

// Standard is the scheme of a number that a world's standard gives: an SSCC (00) or
// GRAI (8003) on a carrier, a GLN (414) on a place, a GIAI (8004) on a logger. ok is
// false for any other identifier.
func Standard(id string) (scheme label.Scheme, ok bool) {
	for _, s := range []label.Scheme{
		{ID: "SSCC", Names: label.Carrier, In: []string{"00"}}, {ID: "GRAI", Names: label.Carrier, In: []string{"8003"}},
		{ID: "GIAI", Names: label.Logger, In: []string{"8004"}}, {ID: "GLN", Names: label.Place, In: []string{"414"}},
	} {
		if s.ID == id {
			return s, true
		}
	}
	return label.Scheme{}, false
}

// SchemeOf gives the scheme of a reading: the site's, a standard's, or none declared.
func SchemeOf(s *label.Schemes, r label.Reading) label.Scheme {
	for _, own := range s.All() {
		if own.ID == r.Scheme {
			return own
		}
	}
	if standard, ok := Standard(r.Scheme); ok {
		return standard
	}
	return Local(r.Names)
}
