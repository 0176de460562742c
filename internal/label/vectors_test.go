package label

import (
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
)

// The vectors come from the open standards named in each test, by the numbers that
// the project's list of vectors gives them.

// at is an instant in 2026, invented; it only places two-digit years.
var at = event.At(time.Date(2026, time.November, 24, 8, 0, 0, 0, time.UTC))

func compile(t testing.TB, schemes ...Scheme) *Schemes {
	t.Helper()
	s, err := Compile(schemes)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// anything is a site that wants whatever a label may name.
func anything(raw string) Input {
	return Input{Raw: []byte(raw), How: Camera, At: at, Want: Things()}
}

func mustRefuse(t *testing.T, s *Schemes, in Input) *Refusal {
	t.Helper()
	got, err := s.Read(in)
	if err == nil {
		t.Fatalf("%q was read as %s %q; it must be refused", in.Raw, got.Names, got.Text)
	}
	return err.(*Refusal) //nolint:errorlint // Read's contract
}

// ISO/IEC 15424 symbology identifiers: ]C1, ]d2, ]Q3, ]e0 as in the GS1 syntax
// engine (Apache-2.0), the others as in readers' manuals.
func TestISO15424_SymbologyIdentifiers(t *testing.T) {
	for id, want := range map[string]Symbology{
		"]C0": {Name: "Code 128"}, "]C1": {Name: "Code 128", GS1: true}, "]C2": {Name: "Code 128"},
		"]d1": {Name: "Data Matrix"}, "]d2": {Name: "Data Matrix", GS1: true}, "]d3": {Name: "Data Matrix"},
		"]d4": {Name: "Data Matrix"}, "]d6": {Name: "Data Matrix"},
		"]Q1": {Name: "QR"}, "]Q3": {Name: "QR", GS1: true}, "]e0": {Name: "GS1 DataBar", GS1: true},
		"]E0": {Name: "EAN-13", Digits: 13}, "]E4": {Name: "EAN-8", Digits: 8},
		"]A0": {Name: "Code 39"}, "]A7": {Name: "Code 39"}, "]F0": {Name: "Codabar"}, "]I0": {Name: "Interleaved 2 of 5"},
		"]L0": {Name: "PDF417"}, "]z0": {Name: "Aztec"},
	} {
		want.ID = id
		if got, ok := SymbologyOf(id); !ok || got != want {
			t.Errorf("%s is %+v, want %+v", id, got, want)
		}
	}
}

// GS1 General Specifications 7.9, check digits; vectors of the GS1 syntax
// dictionary's lint_csum (Apache-2.0), CD11 and CD12 computed.
func TestGS1_CheckDigit(t *testing.T) {
	for _, c := range []struct {
		id, good, bad string
	}{
		{"CD1", "02345673", ""}, {"CD2", "", "12345673"}, {"CD3", "416000336108", "416000336109"}, {"CD4", "1234567890128", "1234567890129"},
		{"CD5", "12345678901231", "12345678901232"}, {"CD6", "123456789012345675", "123456789012345670"},
		{"CD7", "24012345678905", "24012345678909"}, {"CD8", "2112233789657", "2112233789658"},
		{"CD11", "106141412345678908", ""}, {"CD12", "0614141008889", ""},
	} {
		t.Run(c.id, func(t *testing.T) {
			if c.good != "" && !hasCheckDigit(c.good) {
				t.Errorf("%s must be valid", c.good)
			}
			if c.bad != "" && hasCheckDigit(c.bad) {
				t.Errorf("%s must be invalid", c.bad)
			}
		})
	}
	t.Run("CD7 right digit", func(t *testing.T) {
		if d, _, ok := CheckDigit("2401234567890"); !ok || d != '5' {
			t.Errorf("check digit %c, want 5", d)
		}
	})
	t.Run("CD9", func(t *testing.T) {
		if _, at, ok := CheckDigit("12345678 012345675"); ok || at != 8 {
			t.Errorf("non-digit at %d, %v; want index 8, refused", at, ok)
		}
	})
	t.Run("CD10", func(t *testing.T) {
		if _, _, ok := CheckDigit(""); ok || hasCheckDigit("") || hasCheckDigit("0") {
			t.Error("an empty number has no check digit")
		}
	})
	t.Run("CD11 body", func(t *testing.T) {
		if d, _, _ := CheckDigit("10614141234567890"); d != '8' {
			t.Errorf("check digit %c, want 8", d)
		}
	})
	t.Run("CD12 body", func(t *testing.T) {
		if d, _, _ := CheckDigit("061414100888"); d != '9' {
			t.Errorf("check digit %c, want 9", d)
		}
	})
}

// GS1 General Specifications, scan data; vectors of the GS1 syntax engine's
// scandata.c (Apache-2.0).
func TestGS1_ScanData(t *testing.T) {
	s := compile(t)
	for _, c := range []struct{ id, raw, text string }{
		{"SC1", "]d2011231231231233310ABC123\x1d99TESTING", "(01)12312312312333(10)ABC123(99)TESTING"},
		{"SC2", "]C1011231231231233310ABC123\x1d99TESTING", "(01)12312312312333(10)ABC123(99)TESTING"},
		{"SC3", "]Q3011231231231233310ABC123\x1d99TESTING", "(01)12312312312333(10)ABC123(99)TESTING"},
		{"SC5", "]e0011231231231233310ABC123\x1d1199122598TESTING\x1d97XYZ", "(01)12312312312333(10)ABC123(11)991225(98)TESTING(97)XYZ"},
		{"SC10", "]Q1https://example.com/01/12312312312333?99=TEST", "(01)12312312312333(99)TEST"},
		{"SC10 capitals", "]Q1HTTPS://example.com/01/12312312312333?99=TEST", "(01)12312312312333(99)TEST"},
	} {
		t.Run(c.id, func(t *testing.T) {
			got, err := s.Read(anything(c.raw))
			if err != nil || got.Elements.Text() != c.text || got.Word() != "GS1" {
				t.Errorf("%q is %s by %s, %v; want %s by GS1", c.raw, got.Elements.Text(), got.Word(), err, c.text)
			}
		})
	}
	for _, raw := range []string{"]Q1TESTING", "]d1TESTING"} {
		t.Run("SC4 "+raw[:3], func(t *testing.T) {
			got, err := s.Read(anything(raw))
			if err != nil || got.Text != "TESTING" || got.Elements != nil || got.Word() != "plain" {
				t.Errorf("%+v, %v; want plain data TESTING", got, err)
			}
		})
	}
	for _, raw := range []string{"ABC", "]", "]X", "]XX"} {
		t.Run("SC6 "+raw, func(t *testing.T) {
			if id, _, ok := splitSymbology(raw); ok {
				t.Errorf("%q has identifier %s", raw, id.ID)
			}
			if raw[0] == ']' {
				if r := mustRefuse(t, s, anything(raw)); r.What != event.RefuseUnknownLabel {
					t.Errorf("refused with %s", r.What)
				}
			}
		})
	}
	for _, raw := range []string{"]d2", "]C1", "]Q3", "]e0"} {
		t.Run("SC7 "+raw, func(t *testing.T) {
			if _, err := ParseGS1(raw[3:]); err == nil {
				t.Error("empty GS1 data were read")
			}
			if r := mustRefuse(t, s, anything(raw)); r.What != event.RefuseShortRead {
				t.Errorf("refused with %s", r.What)
			}
		})
	}
	for _, c := range []struct{ id, good, number, bad string }{
		{"SC8", "]E02112345678900", "02112345678900", "]E02112345678901"},
		{"SC9", "]E402345673", "00000002345673", "]E402345674"},
	} {
		t.Run(c.id, func(t *testing.T) {
			if got, err := s.Read(anything(c.good)); err != nil || got.Names != Product || got.Product.Number != c.number {
				t.Errorf("%+v, %v; want product %s", got, err, c.number)
			}
			if r := mustRefuse(t, s, anything(c.bad)); !strings.Contains(r.Say, "check digit") {
				t.Errorf("%s: %s", c.bad, r)
			}
		})
	}
	t.Run("SC10 mixed", func(t *testing.T) {
		if _, err := ParseDigitalLink("HtTps://example.com/01/12312312312333?99=TEST"); err != ErrNoLink { //nolint:errorlint // the sentinel itself
			t.Errorf("mixed case gave %v; it is plain text", err)
		}
	})
}

// GS1 General Specifications, element strings; vectors of the GS1 syntax engine's
// ai.c (Apache-2.0). ^ is FNC1: first it is implied by the symbology, later it is GS.
func TestGS1_ElementStrings(t *testing.T) {
	for _, c := range []struct{ id, data, want, fault string }{
		{"EL1", "^0112345678901231", "(01)12345678901231", ""},
		{"EL2", "^0112345678901234", "", "check digit"},
		{"EL3", "^011234567890123", "", "too short"},
		{"EL4", "^0112345678901231^", "(01)12345678901231", ""},
		{"EL5", "^0112345678901231991234", "(01)12345678901231(99)1234", ""},
		{"EL6", "^01123456789012312", "", "no application identifier"},
		{"EL7", "^891234", "", "no application identifier"},
		{"EL8", "^99~ABC", "", "character set"},
		{"EL9", "^2421234567", "", "too long"},
		// further vectors of the same file
		{"long, separator", "^01123456789012345^991234", "", "check digit"},
		{"fixed with separator", "^0112345678901231^991234", "(01)12345678901231(99)1234", ""},
		{"242 at its limit", "^242123456^10ABC123", "(242)123456(10)ABC123", ""},
		{"8111 short", "^8111123", "", "too short"},
		{"8111 long", "^811112345", "", "too long"},
		{"8001", "^800112341234512398", "(8001)12341234512398", ""},
		{"7007 with end", "^7007211225211231", "(7007)211225211231", ""},
		{"7007 without", "^7007211225", "(7007)211225", ""},
		{"7007 odd", "^7007211225211", "", "too short"},
		{"8003", "^800302112345678900ABC", "(8003)02112345678900ABC", ""},
		{"8003 check", "^800302112345678901ABC", "", "check digit"},
		{"8003 no serial", "^800302112345678900^10ABC123", "(8003)02112345678900(10)ABC123", ""},
		{"8003 longest", "^800302112345678900ABCDEFGHIJKLMNOP", "(8003)02112345678900ABCDEFGHIJKLMNOP", ""},
		{"8003 too long", "^800302112345678900ABCDEFGHIJKLMNOPQ", "", "too long"},
		{"8003 zero", "^800312112345678900", "", "begin with 0"},
		{"7230 short", "^723012", "", "too short"},
		{"4321", "^43212", "", "neither 0 nor 1"},
		{"4324 hour", "^43242012252400", "", "hour"},
		{"4324 minute", "^43242012252360", "", "minute"},
		{"4326 day", "^4326201200", "", "day 00"},
		{"8026 piece", "^8026123456789012310302", "", "piece"},
		{"8030", "^8030ABC:123", "", "character set"},
		{"EL16", "^4330000000X", "", "hyphen"},
	} {
		t.Run(c.id, func(t *testing.T) {
			data, ok := strings.CutPrefix(c.data, "^")
			if !ok {
				t.Fatal("the vector has no FNC1 in front")
			}
			es, err := ParseGS1(strings.ReplaceAll(data, "^", GS))
			switch {
			case c.fault == "" && (err != nil || es.Text() != c.want):
				t.Errorf("%s, %v; want %s", es.Text(), err, c.want)
			case c.fault != "" && (err == nil || !strings.Contains(err.Error(), c.fault)):
				t.Errorf("%s, %v; want an error that says %q", es.Text(), err, c.fault)
			}
		})
	}
	t.Run("EL10", func(t *testing.T) {
		got, err := compile(t).Read(Input{Raw: []byte("991234"), How: Wedge, At: at})
		if err != nil || got.Elements != nil || got.Standard != StandardPlain {
			t.Errorf("%+v, %v; without FNC1 these are no GS1 data", got, err)
		}
	})
	for _, c := range []struct{ id, text, fault string }{
		{"EL11", "(21)ABC123", "needs one of"},
		{"EL12", "(01)12345678901231(21)XYZ999", ""},
		{"EL13 same", "(400)ABC(400)ABC", ""},
		{"EL13 other", "(400)ABC(400)XYZ", "twice"},
		{"EL14", "(01)12345678901231(37)123", "must not stand beside"},
		{"EL15", "(01)95012345678903(11)131313", "month 13"},
		{"EL16", "(4330)000000X", "hyphen"},
		// standards of the same table: what needs or excludes what
		{"21 and 235", "(01)12345678901231(21)A(235)B", "must not stand beside"},
		{"254 alone", "(254)A", "needs one of"},
		{"254", "(414)0614141008889(254)A", ""},
		{"7241", "(8018)123456789012345675(7241)01(7242)A", ""},
		{"7242 alone", "(7242)A", "needs one of"},
		{"8017 and 8018", "(8017)123456789012345675(8018)123456789012345675", "must not stand beside"},
		{"8019 alone", "(8019)1", "needs one of"},
		{"8030 alone", "(8030)AB", "needs one of"},
		{"4330", "(00)123456789012345675(4330)000000-", ""},
		{"4330 and 4331", "(00)123456789012345675(4330)000000(4331)000000", "must not stand beside"},
		{"7003", "(01)12345678901231(7003)2611301530", ""},
		{"value in brackets", "(01)12345678901231(10)A(B)", ""},
		{"empty value", "(10)(11)987654", "no value"},
		{"no identifier", "(1A)12345", "no application identifier"},
		{"not 7990217", "(17)9(90)217", "too short"},
	} {
		t.Run(c.id, func(t *testing.T) {
			es, err := ParseElementText(c.text)
			if err == nil {
				err = es.Together()
			}
			switch {
			case c.fault == "" && (err != nil || es.Text() != c.text):
				t.Errorf("%s, %v; want %s", es.Text(), err, c.text)
			case c.fault != "" && (err == nil || !strings.Contains(err.Error(), c.fault)):
				t.Errorf("%v; want an error that says %q", err, c.fault)
			}
		})
	}
}

// Which identifiers have a predefined length, from the two digits they begin with:
// GS1 General Specifications figure 7.8.5-2, as in the syntax engine's ai.c.
func TestGS1_PredefinedLengths(t *testing.T) {
	lengths := map[string]int{"00": 18, "01": 14, "02": 14, "03": 14, "04": 16, "20": 2, "41": 13}
	for n := 11; n <= 19; n++ {
		lengths["1"+string(rune('0'+n-10))] = 6
	}
	for _, p := range []string{"31", "32", "33", "34", "35", "36"} {
		lengths[p] = 6
	}
	for code, one := range table {
		low, high := one.bounds()
		want, fixed := lengths[code[:2]]
		if fixed != one.fixed || fixed && (low != want || high != want) {
			t.Errorf("(%s) has %d to %d characters, predefined %v; want %d, %v", code, low, high, one.fixed, want, fixed)
		}
		if codeLength[code[:2]] != len(code) {
			t.Errorf("(%s) and another that begins alike differ in length", code)
		}
	}
	// standards.md names these as needed here.
	for _, code := range strings.Fields("00 01 10 11 17 21 410 414 416 417 254 4321 4324 4325 4326 4330 4331 4332 4333 7003 7241 7242 8003 8004 8017 8018 8019 8030 90 91 99 7020 7021 7022") {
		if table[code] == nil {
			t.Errorf("(%s) is missing", code)
		}
	}
}

// GS1 General Specifications 7.12, century; the days of lint_yymmd0 (Apache-2.0).
func TestGS1_Dates(t *testing.T) {
	for _, c := range []struct{ id, text, want string }{
		{"DT1", "200600", "2020-06"}, {"DT2", "200229", "2020-02-29"}, {"DT3 00", "000229", "2000-02-29"},
		{"DT3 04", "040229", "2004-02-29"}, {"DT3 96", "960229", "1996-02-29"},
	} {
		t.Run(c.id, func(t *testing.T) {
			if d, err := GS1Date(c.text, 2026); err != nil || d.String() != c.want {
				t.Errorf("%s is %s, %v; want %s", c.text, d, err, c.want)
			}
		})
	}
	for text, fault := range map[string]string{"210229": "day", "200230": "day", "200431": "day", "201310": "month", "200010": "month"} {
		t.Run("DT2 "+text, func(t *testing.T) {
			if d, err := GS1Date(text, 2026); err == nil || !strings.Contains(err.Error(), fault) {
				t.Errorf("%s is %s, %v; want an error about its %s", text, d, err, fault)
			}
		})
	}
	for _, c := range []struct {
		id                string
		current, yy, want int
	}{
		{"DT4", 2026, 76, 2076}, {"DT4", 2026, 77, 1977}, {"DT4", 2026, 99, 1999}, {"DT4", 2026, 0, 2000}, {"DT4", 2026, 75, 2075},
		{"DT5", 2051, 1, 2101}, {"DT5", 2051, 2, 2002}, {"DT5", 2099, 49, 2149}, {"DT5", 2099, 50, 2050},
	} {
		if got := Century(c.yy, c.current); got != c.want {
			t.Errorf("%s: in %d %02d is %d, want %d", c.id, c.current, c.yy, got, c.want)
		}
	}
	// An expiry whose day is open is good to the end of its month; GS1 General
	// Specifications 3.4.7, from memory.
	if d := (Date{2028, 2, 0}).Last(); d.String() != "2028-02-29" {
		t.Errorf("the last day is %s", d)
	}
}

// ISO/IEC 15417 Code 128: modulo 103.
func TestISO15417_Code128Check(t *testing.T) {
	text := func(set int, s string) (values []int) {
		for _, c := range []byte(s) {
			values = append(values, int(c)-' ')
		}
		return append([]int{set}, values...)
	}
	a, b := text(103, "PJJ123C"), text(104, "A1B2C3D4")
	for id, c := range map[string]struct{ got, want int }{
		"C128-1": {Code128Check(a[0], a[1:]...), 54},
		"C128-2": {Code128Check(b[0], b[1:]...), 16},
		"C128-3": {Code128Check(105, 102, 0, 10, 61, 41, 41, 23, 45, 67, 89, 8), 47},
	} {
		if c.got != c.want {
			t.Errorf("%s: check value %d, want %d", id, c.got, c.want)
		}
	}
}

// ISO/IEC 7064 MOD 37-2; vectors of the UK transfusion guidelines, annex 2.
func TestISO7064_Mod37_2(t *testing.T) {
	for _, c := range []struct {
		id, body string
		value    int
		char     byte
	}{{"M37-1", "G123498654321", 17, 'H'}, {"M37-2", "G123498654312", 19, 'J'}} {
		v, char, ok := Mod37(c.body)
		if !ok || v != c.value || char != c.char || v+60 != c.value+60 {
			t.Errorf("%s: %s has check %d %c, want %d %c", c.id, c.body, v, char, c.value, c.char)
		}
	}
	if Mod37Two.holds("G123498654312H") {
		t.Error("M37-2: swapped digits with the old check character were accepted")
	}
	if !Mod37Two.holds("G123498654321H") {
		t.Error("M37-1: the right check character was refused")
	}
	if _, _, ok := Mod37("g1"); ok {
		t.Error("small letters have no value")
	}
}

// ANSI/HIBC: modulo 43.
func TestHIBC_CheckCharacter(t *testing.T) {
	for _, c := range []struct {
		id, body string
		want     byte
	}{{"H1", "+A123BJC5D6E71", 'G'}, {"H2", "+A1234BJC5D6E71", 'K'}, {"H3", "07000503", 'F'}, {"H4", "+A123BJC5D6E71/$$52001510X3", 'C'}} {
		if got, ok := Mod43Check(c.body); !ok || got != c.want {
			t.Errorf("%s: %s has check %c, want %c", c.id, c.body, got, c.want)
		}
	}
}

// HIBC supplier labels. The first two are from the project's vectors; the others are
// the standard's own examples as open-source decoders' tests reproduce them.
func TestHIBC_SupplierLabels(t *testing.T) {
	for _, c := range []struct {
		text, number, lot, serial, expiry, made, quantity string
	}{
		{text: "+A123BJC5D6E71G", number: "A123BJC5D6E7"},
		{text: "+A123BJC5D6E71/$$52001510X3C", number: "A123BJC5D6E7", lot: "10X3", expiry: "2020-01-15"},
		{text: "+A99912345/$$52001510X33", number: "A9991234", lot: "10X3", expiry: "2020-01-15"},
		{text: "+A99912345/$$52001510X3/16D20111212/S77DEFG457", number: "A9991234", lot: "10X3", serial: "77DEFG45", expiry: "2020-01-15", made: "2011-12-12"},
		{text: "+A99912345/$10X3/16D20111231/14D202001313", number: "A9991234", lot: "10X3", expiry: "2020-01-31", made: "2011-12-31"},
		{text: "+A99912349/$10X3/16D20111231/14D20200131/Q500Z", number: "A9991234", lot: "10X3", expiry: "2020-01-31", made: "2011-12-31", quantity: "500"},
		{text: "*+J123AQ3451/$$3231231BC34567/S4012R*", number: "J123AQ345", lot: "BC34567", serial: "4012", expiry: "2023-12-31"},
	} {
		h, err := ParseHIBC(c.text, 2026)
		if err != nil {
			t.Errorf("%s: %v", c.text, err)
			continue
		}
		got := []string{h.Labeler + h.Product, h.Lot, h.Serial, h.Expiry.String(), h.Made.String(), h.Quantity}
		if want := []string{c.number, c.lot, c.serial, c.expiry, c.made, c.quantity}; strings.Join(got, "|") != strings.Join(want, "|") {
			t.Errorf("%s is %q, want %q", c.text, got, want)
		}
	}
	for _, bad := range []string{"+A99912345/$$52001510X34", "+A99912345/$$52001510X3/16D20111212/S77DEFG45Z", "+A99", "+J123AQ3451/$$3231231BC34567/S4012Z", "A99912345C"} {
		if h, err := ParseHIBC(bad, 2026); err == nil {
			t.Errorf("%s was read as %+v", bad, h)
		}
	}
}

// The date forms of HIBC's secondary part; common practice of open-source decoders,
// the check character computed by the rule above.
func TestHIBC_DateForms(t *testing.T) {
	for data, want := range map[string]string{
		"$$0127LOT": "2027-01 LOT ", "$$1227LOT": "2027-12 LOT ", "$$2013127LOT": "2027-01-31 LOT ", "$$3270131LOT": "2027-01-31 LOT ",
		"$$427013123LOT": "2027-01-31 LOT ", "$$527031LOT": "2027-01-31 LOT ", "$$62703123LOT": "2027-01-31 LOT ", "$$7LOT": " LOT ",
		"27031LOT": "2027-01-31 LOT ", "$LOT": " LOT ", "$+SER": "  SER", "$$+3270131SER": "2027-01-31  SER", "$$812527031LOT": "2027-01-31 LOT ",
		"$$9000457LOT": " LOT ",
	} {
		body := "+A99912345/" + data
		check, _ := Mod43Check(body)
		h, err := ParseHIBC(body+string(check), 2026)
		if got := h.Expiry.String() + " " + h.Lot + " " + h.Serial; err != nil || got != want {
			t.Errorf("%s is %q, %v; want %q", data, got, err, want)
		}
	}
	// A blank is a legal check character (project's list, from memory): nothing is cut
	// off before checking.
	const body = "+A999Z065"
	if check, _ := Mod43Check(body); check != ' ' {
		t.Fatalf("the check of %s is %q; the case needs a blank", body, string(check))
	}
	if r := mustRefuse(t, compile(t), Input{Raw: []byte(body + " \r"), How: Wedge, At: at}); r.What != event.RefuseProductCode || r.Kept.Number != "A999Z06" {
		t.Errorf("%q was refused with %s", body+" ", r)
	}
}

// ISBT 128 data identifiers as a layout only; the number is taken as a whole.
func TestISBT128_IsOpaque(t *testing.T) {
	s := compile(t)
	for _, text := range []string{"=A99971234567800", "=<E0382V00", "=%5100", "=>0260123", "&>0260123235", "=*0260123"} {
		if r := mustRefuse(t, s, Input{Raw: []byte("]C0" + text), How: Camera, At: at, Want: []Thing{Tube}}); r.What != event.RefuseWrongScheme {
			t.Errorf("%s was refused with %s", text, r.What)
		}
		if got, err := s.Read(anything("]C0" + text)); err != nil || got.Names != Donation || got.Text != text || got.Key != "" {
			t.Errorf("%s is %+v, %v", text, got, err)
		}
	}
	for _, text := range []string{"=O9997123456780", "A9997123456780", "&A9997123456780", "=A"} {
		if IsDonation(text) {
			t.Errorf("%s was taken for a blood service's label", text)
		}
	}
}

// Keyboard-wedge readers; KW1 to KW3 computed from the rules for separators.
func TestWedge_Separators(t *testing.T) {
	s := compile(t)
	t.Run("KW1", func(t *testing.T) {
		got, err := s.Read(Input{Raw: []byte("0112345678901231" + "17270630" + "10ABC\r"), How: Wedge, At: at, Want: []Thing{Product}})
		if err != nil || got.Elements.Text() != "(01)12345678901231(17)270630(10)ABC" || got.Product.Expiry.String() != "2027-06-30" {
			t.Errorf("%s, %v", got.Elements.Text(), err)
		}
	})
	for _, raw := range []string{"011234567890123110ABC17270630", "]C1011234567890123110ABC17270630"} {
		t.Run("KW2", func(t *testing.T) {
			r := mustRefuse(t, s, Input{Raw: []byte(raw), How: Wedge, At: at, Want: []Thing{Product}})
			if r.What != event.RefuseSeparatorLost || len(r.Ways) < 2 || r.Kept != nil {
				t.Errorf("%+v", r)
			}
		})
	}
	t.Run("KW3", func(t *testing.T) {
		got, err := s.Read(Input{Raw: []byte("011234567890123110ABC|17270630"), How: Wedge, Separator: '|', At: at, Want: []Thing{Product}})
		if err != nil || got.Elements.Text() != "(01)12345678901231(10)ABC(17)270630" {
			t.Errorf("%s, %v", got.Elements.Text(), err)
		}
	})
	t.Run("a reader that is known to separate", func(t *testing.T) {
		got, err := s.Read(Input{Raw: []byte("]C1011234567890123110ABC17270630"), How: Wedge, Separates: true, At: at, Want: []Thing{Product}})
		if err != nil || got.Product.Lot != "ABC17270630" {
			t.Errorf("%+v, %v", got.Product, err)
		}
	})
}

// What HIBC labels with a right check character may still have wrong.
func TestHIBC_Faults(t *testing.T) {
	for data, fault := range map[string]string{
		"A99912345/$$3271331LOT":         "is no YYMMDD",
		"A99912345/$$527366LOT":          "is no YYJJJ",
		"A99912345/$$3LOT":               "of 6 digits",
		"A99912345/$$8X":                 "quantity",
		"A99912345/$1234567890123456789": "at most 18",
		"A99912345/$LOT/14D20271331":     "is no YYYYMMDD",
		"A9991234X":                      "unit of measure",
		"A999":                           "no labeler",
		"A9991234567890123456789015":     "no labeler",
		"A9991-2345":                     "no labeler",
		"A99912345/LOT":                  "of 5 digits",
	} {
		check, _ := Mod43Check("+" + data)
		if h, err := ParseHIBC("+"+data+string(check), 2026); err == nil || !strings.Contains(err.Error(), fault) {
			t.Errorf("%s is %+v, %v; want an error that says %q", data, h, err, fault)
		}
	}
	if _, err := ParseHIBC("+A999é345", 2026); err == nil || !strings.Contains(err.Error(), "Code 39") {
		t.Errorf("%v", err)
	}
	body := "+A99912345/$LOT/25DXYZ"
	check, _ := Mod43Check(body)
	if h, err := ParseHIBC(body+string(check), 2026); err != nil || strings.Join(h.Other, "|") != "25DXYZ" {
		t.Errorf("%+v, %v; what isn't understood must be kept", h, err)
	}
	body = "+/EU720060FF0"
	check, _ = Mod43Check(body)
	if h, err := ParseHIBC(body+string(check), 2026); err != nil || !h.Provider {
		t.Errorf("%+v, %v", h, err)
	}
	if r := mustRefuse(t, compile(t), anything(body+string(check))); r.What != event.RefuseUnknownLabel || !strings.Contains(r.Remedy, "declare") {
		t.Errorf("%s", r)
	}
	own := compile(t, Scheme{ID: "V", Names: Tube, Pattern: "+/EU#{6}*{3}[0-9A-Z$/+%.-]", Check: Mod43})
	if got, err := own.Read(anything(body + string(check))); err != nil || got.Names != Tube || got.Check != Checked {
		t.Errorf("%+v, %v; a site may declare a provider's label", got, err)
	}
}

func TestThings(t *testing.T) {
	for _, one := range Things() {
		kind, ok := one.Kind()
		if back, named := ThingOf(kind); ok && (!named || back != one) {
			t.Errorf("%s is kind %s, which is %s", one, kind, back)
		}
		if words[one] == "" {
			t.Errorf("%s has no words", one)
		}
	}
	for _, k := range event.Kinds() {
		if _, ok := ThingOf(k); ok == (k == event.KindRoute || k == event.KindRules) {
			t.Errorf("kind %s has a label: %v", k, ok)
		}
	}
}
