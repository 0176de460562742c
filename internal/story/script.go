package story

import (
	"fmt"
	"iter"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Told is one act of a script with what is remarked beside it.
type Told struct {
	Act
	Remark string // stands behind a # in front of the act; an empty act is a remark alone
}

// Script writes acts as a story, so that a person can read and change them;
// Format gives its text. rules is the path of the rule file it adopts, empty for
// none. Declarations count from the story's beginning, wherever they were told. An
// error names what no line of a story can say.
func Script(title, rules string, told iter.Seq[Told]) (*Story, error) {
	s := &Story{Title: title, Rules: rules, Heads: []Head{{Line: 1, Word: "story"}}}
	line := 1
	if rules != "" {
		line++
		s.Heads = append(s.Heads, Head{Line: line, Word: "rules"})
	}
	for t := range told {
		if t.Remark != "" {
			line++
			s.Comments = append(s.Comments, Comment{Line: line, Text: " " + t.Remark})
		}
		if t.Declared == nil && t.Scan == nil && t.Logger == "" {
			continue
		}
		if err := t.Check(); err != nil {
			return nil, err
		}
		switch {
		case t.Declared != nil:
			decls, err := declsOf(t.Declared)
			if err != nil {
				return nil, err
			}
			for _, d := range decls {
				line++
				d.Line = line
				s.Decls = append(s.Decls, d)
			}
		case t.Scan != nil:
			st, err := t.Scan.step(t.At)
			if err != nil {
				return nil, err
			}
			line++
			st.Line = line
			s.Steps = append(s.Steps, st)
		default:
			for _, r := range t.Readings {
				line++
				s.Steps = append(s.Steps, readingStep(t.Act, r, line))
			}
		}
	}
	return s, nil
}

func readingStep(a Act, r event.Reading, line int) Step {
	text := "fault"
	if r.OK {
		text = celsius(r.C)
	}
	st := Step{Line: line, When: r.At.String(), At: r.At, Sent: a.At, Late: a.Late, Verb: "reading", IDs: []string{a.Logger}}
	st.Attrs = Attrs{{Key: "c", Text: text, C: r.C, OK: r.OK}}
	if a.Late {
		st.Attrs = append(st.Attrs, Attr{Key: "sent", Text: a.At.String(), Instant: a.At})
	}
	return st
}

// celsius writes a temperature as readCelsius reads it.
func celsius(c event.CentiC) string {
	sign, n := "", int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

// declsOf gives the lines that declare one thing; a request has one for itself
// and one for each of its tubes.
func declsOf(d Declared) ([]Decl, error) {
	var as Attrs
	say := func(key, text string) {
		if text != "" {
			as = append(as, Attr{Key: key, Text: text})
		}
	}
	band := func(r event.Range) {
		if r.Known {
			say("assumed", celsius(r.Low)+".."+celsius(r.High)+"C")
		}
	}
	span := func(key string, d time.Duration) {
		if d > 0 {
			say(key, duration(d.Milliseconds()))
		}
	}
	yes := func(key string, is bool) {
		if is {
			say(key, "yes")
		}
	}
	instant := func(key string, at event.Instant) {
		if at != 0 {
			as = append(as, Attr{Key: key, Text: at.String(), Instant: at})
		}
	}
	switch d := d.(type) {
	case Place:
		say("kind", d.Kind)
		band(d.Assumed)
		say("zone", d.Zone)
		span("bench-spin", d.BenchSpin)
		say("owner", d.Owner)
		say("basis", d.Basis)
		instant("review", d.Review)
		return []Decl{{Kind: "place", ID: d.ID, Attrs: as}}, nil
	case Person:
		say("role", d.Role)
		if d.Inactive {
			say("active", "no")
		}
		return []Decl{{Kind: "person", ID: d.ID, Attrs: as}}, nil
	case Device:
		say("kind", d.Kind)
		if d.Error != 0 {
			sign := "+"
			if d.Error < 0 {
				sign = "-"
			}
			say("error", sign+duration(d.Error.Abs().Milliseconds()))
		}
		if d.Inactive {
			say("active", "no")
		}
		return []Decl{{Kind: "device", ID: d.ID, Attrs: as}}, nil
	case Carrier:
		say("kind", d.Kind)
		yes("own-climate", d.OwnClimate)
		band(d.Assumed)
		say("owner", d.Owner)
		say("basis", d.Basis)
		instant("review", d.Review)
		return []Decl{{Kind: "carrier", ID: d.ID, Attrs: as}}, nil
	case Logger:
		span("every", d.Every)
		if d.Hold >= 0 {
			say("hold", duration(d.Hold.Milliseconds()))
		}
		span("max-gap", d.MaxGap)
		say("in", d.In)
		if d.Uncertainty != 0 {
			say("uncertainty", celsius(d.Uncertainty))
		}
		instant("due", d.Due)
		say("zone", d.Zone)
		return []Decl{{Kind: "logger", ID: d.ID, Attrs: as}}, nil
	case Route:
		say("from", d.From)
		say("to", d.To)
		say("departs", strings.Join(d.Departs, ","))
		span("takes", d.Takes)
		say("zone", d.Zone)
		return []Decl{{Kind: "route", ID: d.ID, Attrs: as}}, nil
	case Request:
		return requestDecls(d), nil
	default:
		return nil, fmt.Errorf("a script can't declare a %T", d)
	}
}

func requestDecls(d Request) []Decl {
	var as Attrs
	for _, one := range []struct{ key, text string }{
		{"patient", d.Patient}, {"condition", strings.Join(d.Conditions, ",")}, {"priority", d.Priority}, {"to", d.To},
	} {
		if one.text != "" {
			as = append(as, Attr{Key: one.key, Text: one.text})
		}
	}
	if d.Irreplaceable {
		as = append(as, Attr{Key: "irreplaceable", Text: "yes"})
	}
	out := []Decl{{Kind: "request", ID: d.ID, Attrs: as}}
	for _, t := range d.Tubes {
		own := Attrs{{Key: "request", Text: d.ID}}
		if t.Type != "" {
			own = append(own, Attr{Key: "type", Text: t.Type})
		}
		if len(t.Tests) > 0 {
			own = append(own, Attr{Key: "tests", Text: strings.Join(t.Tests, ",")})
		}
		out = append(out, Decl{Kind: "tube", ID: t.ID, Attrs: own})
	}
	return out
}
