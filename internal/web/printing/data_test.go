package printing

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/label"
)

// varied are invented schemes of every sort.
var varied = []label.Scheme{
	{ID: "TB", Names: label.Tube, Pattern: "TB#{7}", Check: label.Mod10},
	{ID: "DT", Names: label.Tube, Pattern: "DT-###", Ward: true},
	{ID: "ALL", Names: label.Tube, Pattern: "A#{4}", TubeType: true, Ward: true, Reuse: 1000 * time.Hour},
	{ID: "REQ", Names: label.Tube, Pattern: "(R####)-#"},
	{ID: "IN", Names: label.Tube, Pattern: "#{6}", In: []string{"91"}, Check: label.Mod10},
	{ID: "TWO", Names: label.Tube, Pattern: "Q#{5}", In: []string{"92", label.Plain}},
	{ID: "FRAME", Names: label.Tube, Pattern: "*{2}[0-9]{14}", In: []string{label.Plain}, Framed: true},
	{ID: "FRAMED", Names: label.Carrier, Pattern: "00#{18}", In: []string{label.Plain, "93"}, Framed: true},
	{ID: "LOW", Names: label.Device, Pattern: "d-[A-Za-z]{3}#", Case: label.CaseCounts},
	{ID: "ZERO", Names: label.Carrier, Pattern: "#{1,5}", Zeros: label.ZerosFill, In: []string{"94"}},
	{ID: "BOX", Names: label.Carrier, Pattern: "B-#{1,3}"},
	{ID: "HIB", Names: label.Place, Pattern: `P#@{2}*`, Check: label.Mod43},
	{ID: "WRIST", Names: label.Patient, Pattern: "W#{6}"},
}

// Law: what a symbol is given for a number reads back as the key of that number, for
// schemes of every sort.
func TestLawDataReadsBack(t *testing.T) {
	s, err := label.Compile(varied)
	if err != nil {
		t.Fatal(err)
	}
	number := map[string]*rapid.Generator[string]{
		"DT": rapid.StringMatching(`DT-[0-9]{3}`), "ALL": rapid.StringMatching(`A[0-9]{4}`), "REQ": rapid.StringMatching(`R[0-9]{4}-[0-9]`),
		"TWO": rapid.StringMatching(`[Qq][0-9]{5}`), "FRAME": rapid.StringMatching(`[A-Z]{2}[0-9]{14}`), "FRAMED": rapid.StringMatching(`00[0-9]{18}`),
		"LOW": rapid.StringMatching(`d-[A-Za-z]{3}[0-9]`), "ZERO": rapid.StringMatching(`[0-9]{1,5}`), "BOX": rapid.StringMatching(`B-[0-9]{1,3}`),
		"WRIST": rapid.StringMatching(`W[0-9]{6}`),
	}
	for _, scheme := range s.All() {
		t.Run(scheme.ID, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				text := ""
				switch scheme.ID {
				case "TB", "IN":
					body := rapid.StringMatching(`[0-9]{6}`).Draw(t, "body")
					if scheme.ID == "IN" {
						body = body[1:]
					}
					d, _, _ := label.CheckDigit(body)
					text = strings.TrimPrefix(scheme.Pattern, "#{6}")[:min(2, len(scheme.Pattern)-4)] + body + string(d)
					text = strings.TrimLeft(text, "#{")
				case "HIB":
					body := rapid.StringMatching(`P[0-9][A-Z]{2}`).Draw(t, "body")
					c, _ := label.Mod43Check(body)
					if strings.IndexByte("-. $/+%", c) >= 0 {
						return // the pattern allows letters and digits alone
					}
					text = body + string(c)
				default:
					text = number[scheme.ID].Draw(t, "number")
				}
				typed := label.Input{Raw: []byte(text), How: label.Typed, Ward: "north", TubeType: "EDTA", Want: []label.Thing{scheme.Names}}
				if !slices.Contains(scheme.In, label.Plain) {
					typed.Raw = []byte("(" + scheme.In[0] + ")" + text)
				}
				want, err := s.Read(typed)
				if err != nil {
					t.Fatalf("%s typed: %v", text, err)
				}
				d, err := DataOf(scheme, want.Text)
				if err != nil {
					t.Fatal(err)
				}
				got, err := Read(s, d, scheme.Names, "north", "EDTA")
				if err != nil || got.Key != want.Key || got.Scheme != scheme.ID || got.Text != want.Text {
					t.Fatalf("%s was printed as %s and read as %s %s, %v; want %s", text, d.Human(), got.Scheme, got.Key, err, want.Key)
				}
			})
		})
	}
}

func TestDataOf(t *testing.T) {
	scheme := func(id string) label.Scheme {
		return varied[slices.IndexFunc(varied, func(s label.Scheme) bool { return s.ID == id })]
	}
	standard := func(id string) label.Scheme {
		s, ok := Standard(id)
		if !ok {
			t.Fatal(id)
		}
		return s
	}
	for _, c := range []struct {
		scheme       label.Scheme
		number, want string
	}{
		{scheme("TWO"), "Q12345", "Q12345"},
		{scheme("FRAMED"), "00106141412345678908", "(93)00106141412345678908"},
		{scheme("FRAME"), "AB12345678901234", "AB12345678901234"},
		{standard("SSCC"), "106141412345678908", "(00)106141412345678908"}, // standards.md CD11
		{standard("GRAI"), "00614141008889AB7", "(8003)00614141008889AB7"},
		{standard("GIAI"), "LG-7", "(8004)LG-7"},
		{standard("GLN"), "0614141008889", "(414)0614141008889"}, // standards.md CD12
		{standard("GLN"), "0614141008889/HATCH-2", "(414)0614141008889(254)HATCH-2"},
		{Local(label.Place), "WARD NORTH", "WARD NORTH"},
		{Local(label.Tube), "TB260301", "TB260301"},
	} {
		got, err := DataOf(c.scheme, c.number)
		if err != nil || got.Human() != c.want {
			t.Errorf("%s %s: %s, %v; want %s", c.scheme.ID, c.number, got.Human(), err, c.want)
		}
	}
	for _, c := range []struct {
		scheme      label.Scheme
		number, say string
	}{
		{scheme("TB"), "TB2601183", "check character"},
		{scheme("TB"), "TB26011", "would not be read"},
		{scheme("BOX"), "", "no number"},
		{Local(label.Tube), "TÜ-7", "ASCII"},
		{Local(label.Tube), "A\x1dB", "ASCII"},
		{Local(label.Tube), "+A123BJC5D6E71G", "would not be read"}, // a maker's product code (HIBC)
		{standard("SSCC"), "106141412345678907", "would not be read"},
		{standard("GRAI"), "00614141008889", "what kind of box"},
		{label.Scheme{ID: "LOT", Names: label.Tube, Pattern: "#{4}", In: []string{"21"}}, "1234", "would not be read"}, // (21) needs (01)
	} {
		_, err := DataOf(c.scheme, c.number)
		var pe *Error
		if !errors.As(err, &pe) || pe.Field != "number" || !strings.Contains(pe.Say, c.say) {
			t.Errorf("%s %q: %v; want number: … %s", c.scheme.ID, c.number, err, c.say)
		}
	}
}
