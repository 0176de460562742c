package label

import (
	"errors"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The schemes here are invented.

func TestCompileRefusesAmbiguity(t *testing.T) {
	for _, c := range []struct {
		name    string
		schemes []Scheme
		field   string
		say     string
	}{
		{"one length", []Scheme{{ID: "A", Names: Tube, Pattern: "TB######"}, {ID: "B", Names: Tube, Pattern: "T*#{6}"}}, "pattern", "TB000000 would be a number of A and of B"},
		{"ranges that touch", []Scheme{{ID: "A", Names: Tube, Pattern: "#{4,8}"}, {ID: "B", Names: Carrier, Pattern: "#{8,10}"}}, "pattern", "00000000 would be"},
		{"case folds", []Scheme{{ID: "A", Names: Tube, Pattern: "tb#"}, {ID: "B", Names: Tube, Pattern: "TB#"}}, "pattern", "TB0 would be"},
		{"case counts in one", []Scheme{{ID: "A", Names: Tube, Pattern: "tb#", Case: CaseCounts}, {ID: "B", Names: Tube, Pattern: "TB#"}}, "pattern", "tb0 would be"},
		{"one place in common", []Scheme{{ID: "A", Names: Tube, Pattern: "##", In: []string{"91", Plain}}, {ID: "B", Names: Carrier, Pattern: "##", In: []string{"92", "91"}}}, "pattern", "00 would be"},
		{"like a product", []Scheme{{ID: "A", Names: Tube, Pattern: "#{16}"}}, "pattern", "0100000000000000 could be a product's GS1 number (01)"},
		{"like an SSCC", []Scheme{{ID: "A", Names: Tube, Pattern: "*{20}"}}, "pattern", "could be a GS1 shipping number"},
		{"like HIBC", []Scheme{{ID: "A", Names: Tube, Pattern: "+A#{6}"}}, "pattern", "an HIBC product code"},
		{"id twice", []Scheme{{ID: "A", Names: Tube, Pattern: "A#"}, {ID: "A", Names: Tube, Pattern: "B#"}}, "id", "twice"},
		{"id taken", []Scheme{{ID: "SSCC", Names: Carrier, Pattern: "A#"}}, "id", "taken"},
		{"id of local numbers", []Scheme{{ID: "L", Names: Carrier, Pattern: "A#"}}, "id", "taken"},
		{"id small", []Scheme{{ID: "a", Names: Carrier, Pattern: "A#"}}, "id", "capital letters"},
		{"no thing", []Scheme{{ID: "A", Names: "bottle", Pattern: "A#"}}, "names", "bottle"},
		{"products are not numbered here", []Scheme{{ID: "A", Names: Product, Pattern: "A#"}}, "names", "product"},
		{"check", []Scheme{{ID: "A", Names: Tube, Pattern: "A#", Check: "luhn"}}, "check", "no check"},
		{"check that can't be", []Scheme{{ID: "A", Names: Tube, Pattern: "###@", Check: Mod10}}, "pattern", "can carry the check"},
		{"case", []Scheme{{ID: "A", Names: Tube, Pattern: "A#", Case: "lower"}}, "case", "lower"},
		{"zeros", []Scheme{{ID: "A", Names: Tube, Pattern: "A#{1,3}", Zeros: ZerosFill}}, "pattern", "all characters are digits"},
		{"zeros word", []Scheme{{ID: "A", Names: Tube, Pattern: "#", Zeros: "x"}}, "zeros", "x"},
		{"reuse", []Scheme{{ID: "A", Names: Tube, Pattern: "A#", Reuse: time.Minute}}, "reuse", "hour"},
		{"reuse of people", []Scheme{{ID: "A", Names: Patient, Pattern: "A#", Reuse: time.Hour}}, "names", "ward, tube type or time"},
		{"join", []Scheme{{ID: "A", Names: Tube, Pattern: "A/#", Ward: true}}, "pattern", "joins"},
		{"join of case", []Scheme{{ID: "A", Names: Tube, Pattern: "a^#", Case: CaseCounts}}, "pattern", "joins"},
		{"tube type of a box", []Scheme{{ID: "A", Names: Carrier, Pattern: "A#", TubeType: true}}, "tubeType", "only a tube"},
		{"request twice", []Scheme{{ID: "A", Names: Tube, Pattern: "(A#)#", TubeType: true}}, "pattern", "declare one"},
		{"place", []Scheme{{ID: "A", Names: Tube, Pattern: "A#", In: []string{"89"}}}, "in", "89"},
		{"framed in an element", []Scheme{{ID: "A", Names: Tube, Pattern: "A#", In: []string{"91"}, Framed: true}}, "framed", "plain"},
		{"identifier", []Scheme{{ID: "A", Names: Tube, Pattern: `\]#`}}, "pattern", "symbology identifier"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Compile(c.schemes)
			var se *SchemeError
			if !errors.As(err, &se) || !strings.Contains(err.Error(), c.say) || !strings.Contains(err.Error(), ", "+c.field+": ") {
				t.Errorf("%v; want an error at %s that says %q", err, c.field, c.say)
			}
		})
	}
}

func TestCompileAccepts(t *testing.T) {
	for name, schemes := range map[string][]Scheme{
		"none":             nil,
		"prefixes":         {{ID: "A", Names: Tube, Pattern: "TB#{6}"}, {ID: "B", Names: Carrier, Pattern: "B-#{1,3}"}, {ID: "P", Names: Patient, Pattern: "P-####"}},
		"lengths":          {{ID: "A", Names: Tube, Pattern: "#{10}"}, {ID: "B", Names: Carrier, Pattern: "#{5,9}"}},
		"places":           {{ID: "A", Names: Tube, Pattern: "##", In: []string{"91"}}, {ID: "B", Names: Carrier, Pattern: "##", In: []string{"92"}}},
		"framed":           {{ID: "A", Names: Tube, Pattern: "#{16}", Framed: true}},
		"provider label":   {{ID: "A", Names: Tube, Pattern: `+/EU#{6}*`}},
		"donation numbers": {{ID: "A", Names: Tube, Pattern: "=@*{12}##"}},
	} {
		s, err := Compile(schemes)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got := s.All(); len(got) != len(schemes) || len(got) > 0 && got[0].Pattern != schemes[0].Pattern {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// Everything wrong comes at once.
func TestCompileNamesAllFaults(t *testing.T) {
	_, err := Compile([]Scheme{{ID: "a", Names: "x", Pattern: "#{", Check: "y"}, {ID: "B", Names: Tube, Pattern: ""}})
	for _, want := range []string{"scheme 1, id", "scheme 1, names", "scheme 1, check", "scheme 1, pattern: column", "scheme 2, pattern: column 1"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v lacks %q", err, want)
		}
	}
}

func TestPatternMistakes(t *testing.T) {
	for text, want := range map[string]string{
		"": "column 1", "A B": "column 2", "é": "column 1", "A(": "column 3", "(A)(B)": "column 4", ")": "column 1", "()": "column 2", "A{": "column 2",
		"{3}": "column 1", "#{3,1}": "column 2", "#{0}": "column 2", "#{99}": "column 2", "#{x}": "column 2", "#{+1}": "column 2", "#{41}": "column 2",
		"#{20}#{21}": "column", "[": "column 1", "[]": "column 1", "[B-A]": "column 1", `\`: "column 1", "]": "column 1", "}": "column 1",
		"#{0,3}": "empty text", "A#{1,2}(B)": "fixed length", "(A": "without its )",
	} {
		if _, err := parsePattern(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want an error with %q", text, err, want)
		}
	}
}

// A set may be valid and still be dangerous with readers that frame nothing.
func TestWarnings(t *testing.T) {
	for _, c := range []struct {
		schemes []Scheme
		want    string
	}{
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "#{8}"}, {ID: "R", Names: Carrier, Pattern: "#{4}"}}, "leaves of a number of T may read as 0000 of R"},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "#{4}"}, {ID: "R", Names: Carrier, Pattern: "#{8}"}}, "two numbers of T run together may read as 00000000 of R"},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "#{1,8}"}}, "may read as"},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "AB#{4}"}, {ID: "R", Names: Carrier, Pattern: "B#{4}"}}, "may read as B0000 of R"},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "@@####"}}, "of T arrives as"},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "T[YZ]####"}}, "TY1111 of T arrives as TZ1111 where the computer's keyboard is German"},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "@@####", Framed: true}}, ""},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "@@####*", Check: Mod37Two}}, ""},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "TB#{6}"}, {ID: "R", Names: Carrier, Pattern: "R-##"}}, ""},
		{[]Scheme{{ID: "T", Names: Tube, Pattern: "#{8}", Check: Mod10}, {ID: "R", Names: Carrier, Pattern: "#{4}", Check: Mod10}}, ""},
	} {
		got := strings.Join(compile(t, c.schemes...).Warnings(), "; ")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%q; want %q", got, c.want)
		}
	}
}

func TestSchemeRules(t *testing.T) {
	s := compile(t, Scheme{ID: "Z", Names: Carrier, Pattern: "#{1,4}", Zeros: ZerosFill}, Scheme{ID: "F", Names: Tube, Pattern: "#{16}", Framed: true},
		Scheme{ID: "C", Names: Device, Pattern: "[o-z]-[A-Za-z]{2}", Case: CaseCounts}, Scheme{ID: "M", Names: Logger, Pattern: "M*{5}", Check: Mod37Two},
		Scheme{ID: "N", Names: Place, Pattern: `N[A-Z0-9$/\-]{3}`, Check: Mod43})
	for _, c := range []struct {
		in   Input
		key  string
		text string
	}{
		{wedge("12"), "Z-0012", "12"}, {wedge("0012"), "Z-0012", "0012"},
		{wedge("]C00100000000000001"), "F-0100000000000001", "0100000000000001"},
		{Input{Raw: []byte("0109521234000174"), How: Typed, At: at}, "F-0109521234000174", "0109521234000174"},
		{wedge("x-aB"), "C-^X-^AB", "x-aB"}, {wedge("x-AB"), "C-^X-AB", "x-AB"},
	} {
		got, err := s.Read(c.in)
		if err != nil || string(got.Scheme+"-"+got.Key.Label()) != c.key || got.Text != c.text || !got.Key.Valid() {
			t.Errorf("%q is %s %q, %v; want %s", c.in.Raw, got.Key.Label(), got.Text, err, c.key)
		}
	}
	for _, c := range []string{"MA12B", "Mab12"} {
		_, want, _ := Mod37(strings.ToUpper(c))
		if got, err := s.Read(wedge(c + string(want))); err != nil || got.Check != Checked {
			t.Errorf("%+v, %v", got, err)
		}
	}
	want, _ := Mod43Check("N$/")
	if got, err := s.Read(wedge("N$/" + string(want))); isAlphanumeric(want) && (err != nil || got.Check != Checked) {
		t.Errorf("%+v, %v", got, err)
	}
	// The same digits without identifier are a product.
	if r := mustRefuse(t, s, wedge("0109521234000174", Tube)); r.Kept == nil {
		t.Errorf("%s", r)
	}
	if r := mustRefuse(t, s, wedge("9909521234000174", Tube)); !strings.Contains(r.Remedy, "symbology identifiers") {
		t.Errorf("%s", r)
	}
}

// patternOf draws a pattern of up to most parts. One that allows no text at all is
// drawn again.
func patternOf(t *rapid.T, name string, most int, parts ...string) (string, pattern) {
	text := rapid.Map(rapid.SliceOfN(rapid.SampledFrom(parts), 1, most), func(list []string) string { return strings.Join(list, "") }).
		Filter(func(text string) bool { _, err := parsePattern(text); return err == nil }).Draw(t, name)
	p, err := parsePattern(text)
	if err != nil {
		t.Fatal(err)
	}
	return text, p
}

// smallPatterns draws patterns of few characters, whose texts can all be listed.
func smallPatterns(t *rapid.T, name string) (string, pattern) {
	return patternOf(t, name, 4, "A", "B", "[AB]", "[AB1]", "1", "[12]", "A{2}", "[A1]{0,2}", "B{1,3}", "2{0,1}")
}

// texts lists every text of a pattern, the slow way.
func texts(p pattern) []string {
	out := []string{""}
	for _, e := range p.elements {
		var next []string
		for _, head := range out {
			if e.optional {
				next = append(next, head)
			}
			for c := byte(' '); c < 0x7f; c++ {
				if e.set.has(c) {
					next = append(next, head+string([]byte{c}))
				}
			}
		}
		slices.Sort(next)
		out = slices.Compact(next)
	}
	return out
}

// Law: two patterns share a text exactly when their lists do, and the example is in
// both.
func TestLawSharedIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		_, p := smallPatterns(t, "p")
		_, q := smallPatterns(t, "q")
		mine, theirs := texts(p), texts(q)
		want := slices.ContainsFunc(mine, func(s string) bool { return slices.Contains(theirs, s) })
		text, ok := shared(p, q)
		if ok != want {
			t.Fatalf("shared %v (%q), by listing %v", ok, text, want)
		}
		if ok && (!slices.Contains(mine, text) || !slices.Contains(theirs, text)) {
			t.Fatalf("%q is not in both", text)
		}
		var damaged []string
		for _, s := range mine {
			for i := 1; i < len(s); i++ {
				damaged = append(damaged, s[:i], s[i:])
			}
		}
		wantLost := slices.ContainsFunc(damaged, func(s string) bool { return slices.Contains(theirs, s) })
		text, ok = lost(p, q)
		if ok != wantLost || ok && (!slices.Contains(damaged, text) || !slices.Contains(theirs, text)) {
			t.Fatalf("lost %v (%q), by listing %v", ok, text, wantLost)
		}
		for _, s := range append(damaged, theirs...) {
			if want := len(s) > 1 && slices.Contains(damaged, s) && !slices.Contains(mine, s); p.shortened(s) != want {
				t.Fatalf("%q shortened %v, by listing %v", s, p.shortened(s), want)
			}
		}
	})
}

// Law: a pattern matches what the standard library's regular expression of the same
// meaning matches.
func TestLawPatternsMatchLikeRegularExpressions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.SliceOfN(rapid.SampledFrom([][2]string{
			{"#", "[0-9]"}, {"@", "[A-Z]"}, {"*", "[A-Z0-9]"}, {"[A-C5]", "[A-C5]"}, {"-", "-"}, {`\#`, "#"}, {".", `\.`}, {"#{2}", "[0-9]{2}"}, {"@{0,2}", "[A-Z]{0,2}"}, {"*{1,3}", "[A-Z0-9]{1,3}"},
		}), 1, 5).Draw(t, "parts")
		text, re := "#", "[0-9]" // so that some text is allowed
		for _, p := range parts {
			text, re = text+p[0], re+p[1]
		}
		p, err := parsePattern(text)
		if err != nil {
			t.Fatal(err)
		}
		want := regexp.MustCompile("^(?:" + re + ")$")
		for _, s := range []string{
			rapid.StringOfN(rapid.RuneFrom([]rune("ABCZ0159-#.")), 0, 8, -1).Draw(t, "any"),
			rapid.StringMatching(re).Draw(t, "one of them"),
		} {
			if p.matches(s) != want.MatchString(s) {
				t.Fatalf("%s on %q: %v, regular expression %v", text, s, p.matches(s), want.MatchString(s))
			}
		}
	})
}

// Law: what mistyped shows is a number of the pattern before and after, and the
// layout's own keys lead back from one to the other.
func TestLawMistyped(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text, p := patternOf(t, "pattern", 5, "#", "@", "*", "[YZ]", "[-/]", "T", "-", "[A-Z;:,.]", "[!-~]{0,2}")
		for _, l := range layouts {
			sent, arrives, ok := p.mistyped(l.plain, l.shifted)
			if !ok {
				continue
			}
			back, keys := turnBack(arrives, l.plain, l.shifted)
			if sent == arrives || !p.matches(sent) || !p.matches(arrives) || !keys || back != sent {
				t.Fatalf("%s on %s: %q arrives as %q, which leads back to %q", text, l.language, sent, arrives, back)
			}
		}
	})
}
