package label

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// The schemes here are invented.
func ahead(t *testing.T) *Schemes {
	return compile(t,
		Scheme{ID: "DT", Names: Tube, Pattern: "DT-###", Ward: true},
		Scheme{ID: "TB", Names: Tube, Pattern: "TB#{7}", Check: Mod10},
		Scheme{ID: "M37", Names: Tube, Pattern: "M#{3}*", Check: Mod37Two},
		Scheme{ID: "REQ", Names: Tube, Pattern: "(R####)-#"},
		Scheme{ID: "ALL", Names: Tube, Pattern: "A#{4}", TubeType: true, Ward: true, Reuse: 1000 * time.Hour},
		Scheme{ID: "IN", Names: Tube, Pattern: "#{6}", In: []string{"91"}, Check: Mod10},
		Scheme{ID: "LOW", Names: Tube, Pattern: "low@##", Case: CaseCounts},
		Scheme{ID: "LEN", Names: Carrier, Pattern: "B-#{1,3}"},
		Scheme{ID: "ODD", Names: Carrier, Pattern: "ODD-[A-C]{2}"})
}

func TestNumbers(t *testing.T) {
	s := ahead(t)
	for _, c := range []struct {
		id, from string
		count    int
		want     string
	}{
		{"DT", "DT-007", 4, "DT-007 DT-008 DT-009 DT-010"},
		{"DT", "7", 2, "DT-007 DT-008"},
		{"DT", "dt-998", 2, "DT-998 DT-999"},
		{"TB", "TB2601182", 2, "TB2601182 TB2601199"}, // check digits by GS1 General Specifications 7.9
		{"TB", "TB260118", 2, "TB2601182 TB2601199"},
		{"TB", "260118", 1, "TB2601182"},
		{"REQ", "R0007-1", 3, "R0007-1 R0007-2 R0007-3"},
		{"LOW", "lowK08", 3, "lowK08 lowK09 lowK10"},
		{"LEN", "B-8", 2, "B-8 B-9"},
		{"L", "north-099", 2, "NORTH-099 NORTH-100"},
	} {
		got, err := s.Numbers(c.id, c.from, c.count)
		if err != nil || strings.Join(got, " ") != c.want {
			t.Errorf("%s from %s: %q, %v; want %s", c.id, c.from, got, err, c.want)
		}
	}
	for _, c := range []struct {
		id, from   string
		count      int
		field, say string
	}{
		{"XX", "1", 1, "scheme", "no number scheme"},
		{"DT", "DT-007", 0, "count", "from 1 to 500"},
		{"DT", "DT-007", 501, "count", "from 1 to 500"},
		{"DT", "", 1, "from", "no first number"},
		{"DT", "DX-007", 1, "from", "pattern is DT-###"},
		{"DT", "1000", 1, "from", "pattern is DT-###"},
		{"DT", "DT-998", 3, "from", "DT-999 is the last number of DT before its digits run out: 2 of 3"},
		{"TB", "TB2601184", 1, "from", "check character"},
		{"REQ", "7", 1, "from", "pattern is"},
		{"LEN", "B-9", 2, "from", "B-9 is the last"},
		{"L", "north", 2, "from", "no digits"},
		{"L", "no rth-1", 2, "from", "without blanks"},
		{"L", "N9", 2, "from", "N9 is the last"},
		{"ODD", "ODD-AB", 2, "from", "no digits"},
	} {
		_, err := s.Numbers(c.id, c.from, c.count)
		var ne *NumbersError
		if !errors.As(err, &ne) || ne.Field != c.field || !strings.Contains(ne.Say, c.say) {
			t.Errorf("%s from %q, %d: %v; want %s: %s", c.id, c.from, c.count, err, c.field, c.say)
		}
	}
}

// Law: numbers given out ahead come in order, none twice, and each reads back as a
// number of its scheme whose key leads back to the same label.
func TestLawNumbersReadBack(t *testing.T) {
	s := ahead(t)
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.OneOf(rapid.StringMatching(`DT-[0-8][0-9]{2}`), rapid.StringMatching(`TB[0-8][0-9]{5}`), rapid.StringMatching(`M[0-8][0-9]{2}`),
			rapid.StringMatching(`A[0-8][0-9]{3}`), rapid.StringMatching(`[0-8][0-9]{4}`), rapid.StringMatching(`low[A-Z][0-8][0-9]`)).Draw(t, "from")
		id := map[byte]string{'D': "DT", 'T': "TB", 'M': "M37", 'A': "ALL", 'l': "LOW"}[from[0]]
		if id == "" {
			id = "IN"
		}
		count := rapid.IntRange(1, 10).Draw(t, "count")
		got, err := s.Numbers(id, from, count)
		if err != nil || len(got) != count {
			t.Fatalf("%s from %s: %q, %v", id, from, got, err)
		}
		if !slices.IsSorted(got) || len(slices.Compact(slices.Clone(got))) != count {
			t.Fatalf("not in order, or twice: %q", got)
		}
		for _, number := range got {
			in := Input{Raw: []byte(number), How: Typed, At: at, Ward: "N/7+", TubeType: "EDTA+2", Want: []Thing{Tube}}
			if id == "IN" {
				in.Raw = []byte("(91)" + number)
			}
			r, err := s.Read(in)
			if err != nil || r.Scheme != id || r.Text != number {
				t.Fatalf("%s of %s was read as %s %s, %v", number, id, r.Scheme, r.Text, err)
			}
			again, err := r.Again(rapid.IntRange(0, 2).Draw(t, "turn"))
			if err != nil {
				t.Fatal(err)
			}
			for _, key := range []event.Key{r.Key, again} {
				p, ok := s.Printed(key)
				if !ok || p.Number != number || p.Scheme.ID != id || p.Scheme.Ward && p.Ward != "N/7+" || p.Scheme.TubeType && p.TubeType != "EDTA+2" {
					t.Fatalf("%s leads back to %+v, %v; want %s", key, p, ok, number)
				}
			}
		}
	})
}

func TestPrintedOfStandards(t *testing.T) {
	s := ahead(t)
	for _, c := range []struct{ raw, in, number string }{
		{"]C100106141412345678908", "00", "106141412345678908"},
		{"]d2800300614141008889ab-7", "8003", "00614141008889ab-7"},
		{"]d28004LG-7", "8004", "LG-7"},
	} {
		r, err := s.Read(Input{Raw: []byte(c.raw), How: Camera, At: at, Want: Things()})
		if err != nil {
			t.Fatal(c.raw, err)
		}
		if p, ok := s.Printed(r.Key); !ok || p.Number != c.number || !slices.Equal(p.Scheme.In, []string{c.in}) {
			t.Errorf("%s leads to %s and back to %+v, %v", c.raw, r.Key, p, ok)
		}
	}
	local, err := event.LocalKey("ward north 3")
	if err != nil {
		t.Fatal(err)
	}
	if p, ok := s.Printed(local); !ok || p.Number != "WARD NORTH 3" || p.Scheme.ID != event.Local {
		t.Errorf("%+v, %v", p, ok)
	}
	gone, err := event.MakeKey("OLD", "7")
	if err != nil {
		t.Fatal(err)
	}
	if p, ok := s.Printed(gone); ok {
		t.Errorf("a scheme that is declared no more gives %+v", p)
	}
}
