package label

import (
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Declared compiles schemes as they stand in a fact. The errors are those of Compile.
func Declared(list []event.NumberScheme) (*Schemes, error) {
	schemes := make([]Scheme, len(list))
	for i, s := range list {
		schemes[i] = Scheme{
			ID: s.ID, Issuer: s.Issuer, Names: Thing(s.Names), Pattern: s.Pattern, Check: Check(s.Check), Case: Case(s.Case), Zeros: Zeros(s.Zeros),
			In: s.In, Framed: s.Framed, Ward: s.Ward, TubeType: s.TubeType, Reuse: time.Duration(s.ReuseMs) * time.Millisecond,
		}
	}
	return Compile(schemes)
}

// Fact gives the schemes as they stand in a fact.
func (s *Schemes) Fact() event.SchemesDeclared {
	var out event.SchemesDeclared
	for _, c := range s.all {
		out.Schemes = append(out.Schemes, event.NumberScheme{
			ID: c.ID, Issuer: c.Issuer, Names: string(c.Names), Pattern: c.Pattern, Check: string(c.Check), Case: string(c.Case), Zeros: string(c.Zeros),
			In: c.In, Framed: c.Framed, Ward: c.Ward, TubeType: c.TubeType, ReuseMs: c.Reuse.Milliseconds(),
		})
	}
	return out
}

// Whole gives every key that a text may be the whole value of, as screens show it: a
// number with its ward, type or turn, a number of a scheme that is declared no more
// (ids), or one from before any was declared. Which of them exist, the log says.
func (s *Schemes) Whole(text string, ids []string) []event.Key {
	all := append(reserved(), ids...)
	for _, c := range s.all {
		all = append(all, c.ID)
	}
	var out []event.Key
	for _, id := range all {
		if key, err := event.MakeKey(id, text); err == nil {
			out = append(out, key)
		}
	}
	return out
}

// ByName tells whether a kind of aggregate is found by its name in the directory and
// not by a number: a label of such a thing holds the name.
func ByName(k event.Kind) bool {
	switch k {
	case event.KindPlace, event.KindPerson, event.KindDevice, event.KindRoute, event.KindRules:
		return true
	default:
		return false
	}
}

// IsHow tells whether a word is one of the ways of reading.
func IsHow(word string) bool {
	switch How(word) {
	case Camera, Wedge, Typed, NFC, Told:
		return true
	default:
		return false
	}
}

// Text is what arrived, without the end of read and blanks around it.
func (in *Input) Text() string { return strings.Trim(string(in.Raw), "\r\n\t ") }
