package identity

import (
	"slices"
	"strings"
	"testing"
)

// shown writes a field's parts with the differing ones in brackets.
func shown(parts []Part) string {
	var out strings.Builder
	for _, p := range parts {
		if p.Differs {
			out.WriteString("[" + p.Text + "]")
		} else {
			out.WriteString(p.Text)
		}
	}
	return out.String()
}

func compared(a, b Person) []string {
	var out []string
	for _, m := range Compare(a, b) {
		out = append(out, m.Field+" "+shown(m.A)+" | "+shown(m.B))
	}
	return out
}

func TestCompare(t *testing.T) {
	for name, c := range map[string]struct {
		a, b Person
		want []string
	}{
		// Case IDN-S3 with its data.
		"newborn twins": {boy1, boy2, []string{
			"number P-710[1] | P-710[2]", "family Okafor | Okafor", "given Boy-[1] of Ifeoma | Boy-[2] of Ifeoma", "birth 2026-11-20 | 2026-11-20",
		}},
		// Case IDN-S4 with its data.
		"same name": {anna, ann2, []string{
			"number P-701[1] | P-701[2]", "family Lind | Lind", "given Anna | Anna", "birth 19[51]-[03]-[02] | 19[78]-[10]-[19]", "bed [4] | [11]",
		}},
		"digits that changed places": {Person{Birth: "1951-03-02"}, Person{Birth: "1951-03-20"}, []string{"birth 1951-03-[02] | 1951-03-[20]"}},
		"a missing letter":           {Person{Family: "Lindt"}, Person{Family: "Lind"}, []string{"family Lind[t] | Lind"}},
		"one that is in the middle":  {Person{Given: "Marta"}, Person{Given: "Martha"}, []string{"given Marta | Mart[h]a"}},
		"composed and decomposed":    {Person{Given: "Bj\u00f6rn"}, Person{Given: "Bjo\u0308rn"}, []string{"given Bj\u00f6rn | Bjo\u0308rn"}},
		"an accent":                  {Person{Given: "Rene"}, Person{Given: "Rene\u0301"}, []string{"given Ren[e] | Ren[e\u0301]"}},
		"only one says it":           {Person{Sex: "female"}, Person{}, []string{"sex [female] | "}},
	} {
		if got := compared(c.a, c.b); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", name, got, c.want)
		}
	}
}

func TestSameNames(t *testing.T) {
	list := []Person{
		anna, ann2, // case IDN-S4
		{Number: "P-1", Family: "LIND  Anna"}, {Number: "P-2", Family: "Lind", Given: "Ann\u00e1"},
		boy1, boy2, // twins, case IDN-S3
		{Number: "P-8", Family: "Bolt", Given: "Eva", Birth: "1970"}, {Number: "P-9", Family: "Bolt", Given: "Ada", Birth: "1970"}, // a year says nothing
		{Number: "P-3", Family: "Bolt", Given: "Ivo"}, {Number: " p-3", Family: "BOLT", Given: "Ivo"}, // one patient, two draws
		{Number: "P-4"}, {Number: "P-5"},
		{Number: "P-6", Family: "Gro\u00df"}, {Number: "P-7", Family: "GROSS"},
		{Family: "S\u00f8rensen"}, {Family: "Sorensen"}, // no number: they may be two
	}
	want := []bool{true, true, true, true, true, true, false, false, false, false, false, false, true, true, true, true}
	if got := SameNames(list); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestEnds(t *testing.T) {
	for number, want := range map[string]string{
		"P-7011": "7011", "P-7012": "7012", "1234567890": "7890", "1234": "234", "12": "2", "7": "", "": "", " P-7011 ": "7011", "12-34-5": "2-34-5", "--": "",
	} {
		if got := Ends(number); got != want {
			t.Errorf("%q: %q, want %q", number, got, want)
		}
	}
}

func FuzzCompare(f *testing.F) {
	f.Add("Boy-1 of Ifeoma", "Boy-2 of Ifeoma")
	f.Add("Bjo\u0308rk", "Bj\u00f6rk")
	f.Add("", "\u0308\u200d")
	f.Fuzz(func(t *testing.T, a, b string) {
		pa, pb := apart(a, b)
		for _, c := range []struct {
			parts []Part
			want  string
		}{{pa, a}, {pb, b}} {
			whole := ""
			for i, p := range c.parts {
				whole += p.Text
				if p.Text == "" || i > 0 && p.Differs == c.parts[i-1].Differs {
					t.Fatalf("%q | %q: parts %+v", a, b, c.parts)
				}
			}
			if whole != c.want {
				t.Fatalf("%q became %q", c.want, whole)
			}
		}
		if ends, whole := Ends(a), strings.TrimSpace(a); ends != "" && (ends == whole || !strings.HasSuffix(whole, ends)) {
			t.Fatalf("Ends of %q is %q", a, ends)
		}
		SameNames([]Person{{Family: a}, {Family: b}})
	})
}
