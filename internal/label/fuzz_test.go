package label

import (
	"errors"
	"strings"
	"testing"
)

func FuzzParseGS1(f *testing.F) {
	for _, s := range samples() {
		f.Add(strings.TrimPrefix(strings.TrimPrefix(s, "]d2"), "]C1"))
	}
	f.Add("0112345678901231\x1d")
	f.Add("10ABC\x1d\x1d21X")
	f.Fuzz(func(t *testing.T, data string) {
		es, err := ParseGS1(data)
		if err != nil {
			return
		}
		if got := strings.ReplaceAll(es.Data(), GS, ""); got != strings.ReplaceAll(data, GS, "") {
			t.Errorf("%q was shortened to %q", data, got)
		}
		back, err := ParseGS1(es.Data())
		if err != nil || back.Text() != es.Text() {
			t.Errorf("%s came back as %s, %v", es.Text(), back.Text(), err)
		}
		if es.compatible() == nil && cuts(data, func(Elements) bool { return true }) == 0 {
			t.Errorf("%q can be read and not be cut", data)
		}
	})
}

func FuzzParseElementText(f *testing.F) {
	f.Add("(01)09521234000174(17)270131(10)K7Q2")
	f.Add("(10)A(B)C(21)")
	f.Fuzz(func(t *testing.T, text string) {
		if es, err := ParseElementText(text); err == nil && es.Text() != text {
			t.Errorf("%q was read as %q", text, es.Text())
		}
	})
}

func FuzzParseDigitalLink(f *testing.F) {
	for _, s := range []string{"https://a/00/006141411234567890", "https://a/01/12312312312333/22/ABC%2d1?99=A+B&98=X%2f9#f", "http://a/01/x/10/%", "https://a/8018/123456789012345675/8019/1?&&=&1=2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, uri string) {
		es, err := ParseDigitalLink(uri)
		if err != nil {
			return
		}
		if len(es) == 0 || !table[es[0].AI].key {
			t.Fatalf("%q gave %s", uri, es.Text())
		}
		back, err := ParseGS1(es.Data())
		if err != nil || back.Text() != es.Text() {
			t.Errorf("%s came back as %s, %v", es.Text(), back.Text(), err)
		}
	})
}

func FuzzParseHIBC(f *testing.F) {
	for _, s := range []string{"+A123BJC5D6E71G", "+A99912345/$$52001510X3/16D20111212/S77DEFG457", "*+J123AQ3451/$$3231231BC34567/S4012R*", "+$$52001510X3GC", "+/EU720060FF0A", "+A999Z065 "} {
		f.Add(s, 2026)
	}
	f.Fuzz(func(t *testing.T, text string, year int) {
		if year < 1900 || year > 2200 {
			return
		}
		h, err := ParseHIBC(text, year)
		if err != nil {
			return
		}
		if want, _ := Mod43Check("+" + h.Data); want != h.Check || !strings.Contains(text, "+"+h.Data+string(h.Check)) {
			t.Errorf("%q was read as %+v", text, h)
		}
		for _, part := range []string{h.Labeler + h.Product + h.Unit, h.Lot, h.Serial, h.Quantity, h.Link} {
			if !strings.Contains(text, part) {
				t.Errorf("%q does not hold %q", text, part)
			}
		}
	})
}

func FuzzRead(f *testing.F) {
	for i, s := range samples() {
		f.Add([]byte(s), "", byte(i), byte(0), i%2 == 0)
		f.Add([]byte(s), "]d2", byte(i), byte('|'), i%2 == 0)
	}
	full, none := site(f), compile(f)
	hows := []How{Camera, Wedge, Typed, NFC, Told}
	wants := [][]Thing{nil, {Tube}, {Tube, Carrier}, {Patient}, Things()}
	f.Fuzz(func(t *testing.T, raw []byte, symbology string, pick, separator byte, declared bool) {
		if separator >= 0x80 {
			separator = 0
		}
		in := Input{Raw: raw, Symbology: symbology, How: hows[int(pick)%5], Want: wants[int(pick/5)%5], Separator: separator, Separates: pick > 200, At: at, Ward: "N"}
		s := none
		if declared {
			s = full
		}
		got, err := s.Read(in)
		say := ""
		if err != nil {
			say = soundRefusal(err)
		} else {
			say = accounted(in, got)
			if got.Key != "" && !got.Key.Valid() {
				say = "the key is not valid"
			}
		}
		if say != "" {
			t.Errorf("%s: %+v, %v", say, got, err)
		}
	})
}

func FuzzCompile(f *testing.F) {
	f.Add("TB######", "T*#{6}", "TB260118", true, false)
	f.Add("#{4,8}", "(26##)[A-C-]{0,3}", "2600", false, true)
	f.Add(`\#[\]\-]`, "@{2}", "ab", true, true)
	f.Fuzz(func(t *testing.T, p, q, text string, counts, ward bool) {
		schemes := []Scheme{{ID: "P", Names: Tube, Pattern: p, Ward: ward}, {ID: "Q", Names: Carrier, Pattern: q}}
		if counts {
			schemes[1].Case = CaseCounts
		}
		s, err := Compile(schemes)
		if err != nil {
			var se *SchemeError
			if !errors.As(err, &se) || se.Say == "" {
				t.Errorf("%v names no scheme", err)
			}
			return
		}
		if s.all[0].read.matches(text) && s.all[1].read.matches(text) {
			t.Errorf("%q is a number of both %q and %q", text, p, q)
		}
		in := Input{Raw: []byte(text), How: Typed, At: at, Ward: "N"}
		if got, err := s.Read(in); err == nil {
			if say := accounted(in, got); say != "" {
				t.Errorf("%q: %s", text, say)
			}
		}
	})
}
