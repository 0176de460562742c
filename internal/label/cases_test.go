package label

import (
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
)

// tubes is an invented scheme, as the cases number their tubes.
func tubes() Scheme { return Scheme{ID: "T", Issuer: "laboratory", Names: Tube, Pattern: "TB######"} }

func wedge(raw string, want ...Thing) Input {
	return Input{Raw: []byte(raw), How: Wedge, At: at, Want: want}
}

// SCN-S1: a US scanner on an AZERTY computer.
func TestSCN_S1_FrenchKeyboard(t *testing.T) {
	for name, s := range map[string]*Schemes{"scheme": compile(t, tubes()), "no scheme": compile(t)} {
		for _, how := range []How{Wedge, Told} {
			r := mustRefuse(t, s, Input{Raw: []byte("TBé-à&&_\r"), How: how, At: at, Want: []Thing{Tube}})
			if r.What != event.RefuseKeyboardLayout || r.Proposal != "TB260118" || !strings.Contains(r.Say, "keyboard language does not match this computer") {
				t.Errorf("%s, %s: %+v", name, how, r)
			}
		}
	}
}

// The framed form of SCN-S1: the identifier itself is damaged.
func TestWedge_DamagedIdentifier(t *testing.T) {
	s := compile(t, tubes())
	for raw, proposal := range map[string]string{
		"$C&TBé-à&&_":   "]C1TB260118", // French
		"+C0TB260118":   "]C0TB260118", // German
		"+d2TB260118":   "]d2TB260118", // Italian, too
		"◌C0TB260118":   "",            // a dead key left nothing
		"TBÄÖ0118":      "",
		"TY26011\u00df": "TZ26011-",
	} {
		if r := mustRefuse(t, s, wedge(raw)); r.What != event.RefuseKeyboardLayout || r.Proposal != proposal {
			t.Errorf("%q: %s, proposal %q; want %q", raw, r.What, r.Proposal, proposal)
		}
	}
	for _, raw := range []string{"]c1011231231231233310abc123", "]D2011231231231233310abc123", "]q3011231231231233310abc"} {
		if r := mustRefuse(t, s, wedge(raw)); r.What != event.RefuseKeyboardLayout || !strings.Contains(r.Say, "caps lock") {
			t.Errorf("%q: %+v", raw, r)
		}
	}
}

// SCN-S2: caps lock. Small and capital letters never become two tubes.
func TestSCN_S2_CapsLock(t *testing.T) {
	s := compile(t, tubes())
	small, err := s.Read(wedge("tb260118\r", Tube))
	if err != nil || small.Text != "TB260118" || !small.Folded || string(small.Raw) != "tb260118\r" {
		t.Fatalf("%+v, %v", small, err)
	}
	large, err := s.Read(wedge("TB260118", Tube))
	if err != nil || large.Folded || large.Key != small.Key {
		t.Fatalf("%+v, %v; want the key %s", large, err, small.Key)
	}
	counts := compile(t, Scheme{ID: "A", Names: Device, Pattern: `A-[a-f0-9]{4}`, Case: CaseCounts})
	if r := mustRefuse(t, counts, wedge("a-12AB")); r.What != event.RefuseKeyboardLayout || r.Proposal != "A-12ab" {
		t.Errorf("%+v", r)
	}
}

// SCN-S3: no Enter between two scans.
func TestSCN_S3_TwoScansInOne(t *testing.T) {
	s := compile(t, tubes(), Scheme{ID: "B", Names: Carrier, Pattern: "B-#{1,3}"})
	for raw, parts := range map[string][]string{
		"TB260118TB260125\r":                             {"TB260118", "TB260125"},
		"TB260118\rTB260125\r":                           {"TB260118", "TB260125"},
		"B-3TB260118":                                    {"B-3", "TB260118"},
		"]C0TB260118]C0TB260125":                         {"TB260118", "]C0TB260125"},
		"]C100106141412345678908]C100106141412345678908": {"00106141412345678908", "]C100106141412345678908"},
	} {
		r := mustRefuse(t, s, wedge(raw, Tube))
		if r.What != event.RefuseRunTogether || !slices.Equal(r.Parts, parts) || !strings.Contains(r.Remedy, "Enter") {
			t.Errorf("%q: %s %q", raw, r, r.Parts)
		}
	}
}

// SCN-S6: the tube maker's own code. SCN-S7: a separator is stripped.
func TestSCN_S6_ProductCode(t *testing.T) {
	for name, s := range map[string]*Schemes{"scheme": compile(t, tubes()), "no scheme": compile(t)} {
		for _, raw := range []string{"(01)09521234000174(17)270131(10)K7Q2", "]d2010952123400017417270131" + "10K7Q2", "010952123400017417270131" + "10K7Q2"} {
			r := mustRefuse(t, s, wedge(raw, Tube))
			if r.What != event.RefuseProductCode || r.Say != "this is the tube's product code" || r.Remedy != "scan the patient label" {
				t.Errorf("%s: %+v", name, r)
			}
			if r.Kept == nil || r.Kept.Number != "09521234000174" || r.Kept.Lot != "K7Q2" || r.Kept.Expiry.String() != "2027-01-31" {
				t.Errorf("%s: kept %+v", name, r.Kept)
			}
		}
	}
}

func TestSCN_S7_SeparatorStripped(t *testing.T) {
	for name, s := range map[string]*Schemes{"scheme": compile(t, tubes()), "no scheme": compile(t)} {
		for _, raw := range []string{"10K7Q221998877", "]C110K7Q221998877"} {
			r := mustRefuse(t, s, wedge(raw, Tube, Product))
			if r.What != event.RefuseSeparatorLost || !strings.Contains(r.Remedy, "GS (ASCII 29)") {
				t.Errorf("%s, %q: %s", name, raw, r)
			}
			if !slices.Contains(r.Ways, "(10)K7Q2(21)998877") && len(r.Ways) < 2 {
				t.Errorf("%s, %q: ways %q", name, raw, r.Ways)
			}
		}
	}
	// Printed right and sent whole, it is a product's second symbol.
	if r := mustRefuse(t, compile(t), wedge("]C110K7Q2\x1d21998877")); r.What != event.RefuseUnknownLabel {
		t.Errorf("%s", r)
	}
}

// DWN-S2: two wards start at DT-001.
func TestDWN_S2_TemporaryNumbers(t *testing.T) {
	s := compile(t, tubes(), Scheme{ID: "DT", Names: Tube, Pattern: "DT-###", Ward: true, Reuse: 30 * 24 * time.Hour})
	read := func(ward string) Reading {
		t.Helper()
		got, err := s.Read(Input{Raw: []byte("DT-001"), How: Typed, At: at, Ward: ward, Want: []Thing{Tube}})
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	n, south := read("WARD-N"), read("WARD-S")
	if n.Key == south.Key || n.Key != read("ward-n ").Key || n.Text != "DT-001" || n.Key.Label() != "WARD-N/DT-001" {
		t.Errorf("keys %s (%s) and %s", n.Key, n.Key.Label(), south.Key)
	}
	r := mustRefuse(t, s, Input{Raw: []byte("DT-001"), How: Wedge, At: at, Want: []Thing{Tube}})
	if r.Field != "ward" || r.What != event.RefuseSecondIdentifier {
		t.Errorf("without a ward: %+v", r)
	}
	again, err := n.Again(1)
	if err != nil || again == n.Key || !again.Valid() || n.Reuse != (30*24*time.Hour).Milliseconds() {
		t.Errorf("the next use is %s, %v", again, err)
	}
	if zero, _ := n.Again(0); zero != n.Key {
		t.Errorf("turn 0 is %s, want %s", zero, n.Key)
	}
	if plain, _ := s.Read(wedge("TB260118")); plain.Reuse != 0 {
		t.Error("a number that never comes again has a reuse period")
	} else if same, _ := plain.Again(3); same != plain.Key {
		t.Error("a number that never comes again has a second use")
	}
}

// A compound id: number and container in one label, or the tube's type said beside.
func TestCompoundNumbers(t *testing.T) {
	s := compile(t, Scheme{ID: "C", Names: Tube, Pattern: "(26######)-##"}, Scheme{ID: "R", Names: Tube, Pattern: "R#{8}", TubeType: true})
	got, err := s.Read(wedge("26001234-02", Tube))
	if err != nil || got.Request != "26001234" || got.Text != "26001234-02" || got.Key != "C-26001234-02" {
		t.Errorf("%+v, %v", got, err)
	}
	in := wedge("R00001234", Tube)
	if r := mustRefuse(t, s, in); r.Field != "tubeType" || r.What != event.RefuseSecondIdentifier {
		t.Errorf("%+v", r)
	}
	keys := map[event.Key]bool{}
	for _, kind := range []string{"EDTA", "LIHEP-GEL", "CITRATE"} {
		in.TubeType = kind
		got, err := s.Read(in)
		if err != nil || got.Request != "R00001234" || got.Text != "R00001234" {
			t.Errorf("%s: %+v, %v", kind, got, err)
		}
		keys[got.Key] = true
	}
	if len(keys) != 3 {
		t.Errorf("three tubes have %d keys", len(keys))
	}
	in.TubeType = "A/B"
	if r := mustRefuse(t, s, in); r.Field != "tubeType" {
		t.Errorf("%+v", r)
	}
}

// What GS1 numbers name: GS1 General Specifications 2.2 to 2.6; numbers invented
// around the check digits of the vectors.
func TestGS1_WhatItNames(t *testing.T) {
	s := compile(t, tubes(), Scheme{ID: "I", Names: Tube, Pattern: "TN######", In: []string{"91", Plain}},
		Scheme{ID: "F", Names: Device, Pattern: "950110153FR###", In: []string{"8004"}})
	for _, c := range []struct {
		raw   string
		names Thing
		key   event.Key
		text  string
	}{
		{"]C100106141412345678908", Carrier, "SSCC-106141412345678908", "106141412345678908"},
		{"]d2800302112345678900BOX7", Carrier, "GRAI-02112345678900BOX7", "02112345678900BOX7"},
		{"]d28004950110153LG001", Logger, "GIAI-950110153LG001", "950110153LG001"},
		{"]d28004950110153FR001", Device, "F-950110153FR001", "950110153FR001"},
		{"]d28018123456789012345675\x1d801901", Patient, "", "123456789012345675"},
		{"]d28017123456789012345675", Person, "GSRN-123456789012345675", "123456789012345675"},
		{"]C14140614141008889", Place, "GLN-0614141008889", "0614141008889"},
		{"]d291TN260118", Tube, "I-TN260118", "TN260118"},
		{"]d2010952123400017491tn260118", Tube, "I-TN260118", "TN260118"},
		{"TN260118", Tube, "I-TN260118", "TN260118"},
		{"]Q1https://id.example/8018/123456789012345675/8019/123", Patient, "", "123456789012345675"},
		{"]Q1https://id.example/00/106141412345678908", Carrier, "SSCC-106141412345678908", "106141412345678908"},
		{"00106141412345678908", Carrier, "SSCC-106141412345678908", "106141412345678908"},
		{"(00)106141412345678908", Carrier, "SSCC-106141412345678908", "106141412345678908"},
		{"\x1d00106141412345678908", Carrier, "SSCC-106141412345678908", "106141412345678908"},
	} {
		got, err := s.Read(wedge(c.raw))
		if err != nil || got.Names != c.names || got.Key != c.key || got.Text != c.text {
			t.Errorf("%q is %s %q with key %q, %v; want %s %q %q", c.raw, got.Names, got.Text, got.Key, err, c.names, c.text, c.key)
		}
		if got.Private() != (c.names == Patient || c.names == Person) {
			t.Errorf("%q: private %v", c.raw, got.Private())
		}
	}
	// Small letters are other assets in GS1, and stay apart in the key.
	a, _ := s.Read(wedge("]d280049501abc"))
	b, _ := s.Read(wedge("]d280049501ABC"))
	if a.Key == b.Key || a.Text != "9501abc" || !a.Key.Valid() {
		t.Errorf("keys %s and %s", a.Key, b.Key)
	}
	ext, err := s.Read(wedge("]C14140614141008889254A12"))
	if err != nil || ext.Names != Place || ext.Key.Label() != "0614141008889/A12" {
		t.Errorf("%+v, %v", ext, err)
	}
	for raw, what := range map[string]event.Refusal{
		"]d2800302112345678900":                 event.RefuseProductCode,  // a kind of box, not a box
		"]C14100614141008889":                   event.RefuseUnknownLabel, // ship-to names nothing
		"]d221ABC":                              event.RefuseUnknownLabel,
		"]C100106141412345678907":               event.RefuseUnknownLabel, // check digit
		"]Q1https://example.com/health":         event.RefuseUnknownLabel,
		"https://example.com/health":            event.RefuseUnknownLabel,
		"HtTps://example.com/01/12312312312333": event.RefuseUnknownLabel,
	} {
		if r := mustRefuse(t, s, wedge(raw)); r.What != what {
			t.Errorf("%q: %s, want %s", raw, r, what)
		}
	}
}

// The wrong label for the step is named and refused, whatever it holds.
func TestWrongScheme(t *testing.T) {
	s := compile(t, tubes(), Scheme{ID: "P", Names: Patient, Pattern: "P-####"}, Scheme{ID: "B", Names: Carrier, Pattern: "B-##"})
	for raw, say := range map[string]string{
		"P-7001": "this label is a wristband", "B-03": "this label is a bag, box or rack", "]d28018123456789012345675": "this label is a wristband",
		"]d28017123456789012345675": "this label is a badge",
	} {
		r := mustRefuse(t, s, wedge(raw, Tube, Logger))
		if r.What != event.RefuseWrongScheme || r.Say != say || r.Remedy != "scan the label of a tube or a logger" {
			t.Errorf("%q: %s", raw, r)
		}
		if strings.Contains(r.Error(), "7001") || strings.Contains(r.Error(), "12345678") {
			t.Errorf("the refusal holds the number: %s", r)
		}
	}
	got, err := s.Read(wedge("P-7001", Tube, Patient))
	if err != nil || got.Names != Patient || got.Key != "" {
		t.Errorf("%+v, %v", got, err)
	}
}

// Damaged and unknown plain labels.
func TestPlainRefusals(t *testing.T) {
	checked := compile(t, Scheme{ID: "T", Names: Tube, Pattern: "TB#{7}", Check: Mod10}, Scheme{ID: "B", Names: Carrier, Pattern: "[BG]-##"})
	for raw, what := range map[string]event.Refusal{
		"TB26011":                     event.RefuseShortRead, // the tail is lost
		"60118":                       event.RefuseShortRead, // the head is lost
		"":                            event.RefuseShortRead,
		"\r\n":                        event.RefuseShortRead,
		"]C0":                         event.RefuseShortRead,
		"]C0 ":                        event.RefuseShortRead,
		"]E0211234567":                event.RefuseShortRead,
		"TB2601181":                   event.RefuseUnknownLabel, // check digit
		"XY-12345":                    event.RefuseUnknownLabel,
		"TB\x002601":                  event.RefuseUnknownLabel,
		"\xff\xfe":                    event.RefuseUnknownLabel,
		strings.Repeat("x", MaxRaw+1): event.RefuseUnknownLabel,
	} {
		if r := mustRefuse(t, checked, wedge(raw, Tube)); r.What != what || r.Say == "" || r.Remedy == "" || string(r.Raw) != raw {
			t.Errorf("%q: %s, want %s", clip(raw, 20), r, what)
		}
	}
	body := "260118"
	d, _, _ := CheckDigit(body)
	if got, err := checked.Read(wedge("TB"+body+string(d), Tube)); err != nil || got.Check != Checked {
		t.Errorf("%+v, %v", got, err)
	}
	if r := mustRefuse(t, checked, Input{Raw: []byte("TB2601180"), Symbology: "]X9", How: Camera}); r.Field != "symbology" {
		t.Errorf("%+v", r)
	}
	if r := mustRefuse(t, checked, Input{Raw: []byte("]C0TB2601180"), Symbology: "]d1", How: Camera}); r.Field != "symbology" {
		t.Errorf("%+v", r)
	}
	if got, err := checked.Read(Input{Raw: []byte("]C0TB" + body + string(d)), Symbology: "]C0", How: Camera}); err != nil || got.Method() != "camera.C0.plain" {
		t.Errorf("%+v, %v", got, err)
	}
}

// Where nothing was declared any text is a local number, as before there were
// schemes; where a scheme was, only its numbers are.
func TestLocalNumbers(t *testing.T) {
	none := compile(t)
	for _, text := range []string{"TB260118", "B-3", "küche 1", "Demo-0001", "R.17/b"} {
		got, err := none.Read(Input{Raw: []byte(text), How: Typed, At: at})
		want, _ := event.LocalKey(text)
		if err != nil || got.Key != want || got.Scheme != event.Local || got.Word() != "plain" {
			t.Errorf("%q is %+v, %v; want the key %s", text, got, err, want)
		}
	}
	some := compile(t, tubes())
	if got, err := some.Read(wedge("B-3", Tube, Carrier)); err != nil || got.Names != Carrier || got.Key != "L-B-3" {
		t.Errorf("%+v, %v", got, err)
	}
	if r := mustRefuse(t, some, wedge("B-3", Tube)); r.What != event.RefuseUnknownLabel {
		t.Errorf("%s", r)
	}
	if r := mustRefuse(t, some, wedge("TB2601", Tube, Carrier)); r.What != event.RefuseShortRead {
		t.Errorf("a damaged number of a declared scheme became something else: %s", r)
	}
	if got, err := some.Read(Input{Raw: []byte("7001"), How: Typed, At: at, Want: []Thing{Patient}}); err != nil || got.Names != Patient || got.Key != "" || got.Text != "7001" {
		t.Errorf("%+v, %v", got, err)
	}
	short := compile(t, Scheme{ID: "R", Names: Carrier, Pattern: "#{1,4}"})
	if got, err := short.Read(wedge("12345", Carrier, Place)); err != nil || got.Names != Place || got.Key != "L-12345" {
		t.Errorf("%+v, %v; want a local place", got, err)
	}
	if r := mustRefuse(t, short, wedge("12345", Carrier)); r.What != event.RefuseRunTogether {
		t.Errorf("%s", r)
	}
	long := strings.Repeat("A", event.MaxLabel+1)
	if r := mustRefuse(t, none, wedge(long)); r.What != event.RefuseUnknownLabel {
		t.Errorf("%s", r)
	}
}

// A reader's stand-in for GS can't be a character that labels hold.
func TestSeparatorMustBeForeign(t *testing.T) {
	in := wedge("]C10112345678901231" + "10A-17270630")
	in.Separator = '-'
	if r := mustRefuse(t, compile(t), in); r.Field != "separator" || r.What != event.RefuseSeparatorLost {
		t.Errorf("%+v", r)
	}
}

// A maker's second symbol keeps its lot and expiry and names nothing.
func TestHIBC_SecondSymbol(t *testing.T) {
	body := "+$$52001510X3G"
	check, _ := Mod43Check(body)
	for _, want := range [][]Thing{{Tube}, {Product}} {
		if r := mustRefuse(t, compile(t), wedge(body+string(check), want...)); r.What != event.RefuseProductCode || r.Kept.Lot != "10X3" || r.Kept.Expiry.String() != "2020-01-15" {
			t.Errorf("%+v", r)
		}
	}
}

// The word for the screen comes back from what the fact keeps.
func TestMethod(t *testing.T) {
	s := compile(t)
	for raw, want := range map[string][2]string{
		"]d291A":                  {"", ""}, // refused: names nothing
		"]C0TB1":                  {"camera.C0.plain", "plain"},
		"TB1":                     {"camera.plain", "plain"},
		"]C100106141412345678908": {"camera.C1.gs1", "GS1"},
		"]Q1https://id.example/00/106141412345678908": {"camera.Q1.digital-link", "GS1"},
		"]C0+A123BJC5D6E71G":                          {"camera.C0.hibc", "plain"},
	} {
		got, err := s.Read(anything(raw))
		if err != nil {
			got = Reading{}
		}
		if m := got.Method(); m != want[0] || WordOf(m) != want[1] || err == nil && got.Word() != want[1] {
			t.Errorf("%q: %q is %q, want %q", raw, m, WordOf(m), want)
		}
	}
	for method, want := range map[string]string{"": "", "typed": "", "camera": "", "reader.gs1": "GS1"} {
		if got := WordOf(method); got != want {
			t.Errorf("%q is %q, want %q", method, got, want)
		}
	}
}

func BenchmarkRead(b *testing.B) {
	s := site(b)
	for name, raw := range map[string]string{"plain": "TB2601185\r", "gs1": "]d2010952123400017417270131" + "91TB2601185", "unknown": "XY-12345"} {
		b.Run(name, func(b *testing.B) {
			in := wedge(raw, Tube)
			for b.Loop() {
				_, _ = s.Read(in)
			}
		})
	}
}
