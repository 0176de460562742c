package label

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// GS1 General Specifications 7.9: weights 3 and 1 find every wrong digit, and every
// exchange of neighbours but of two that differ by 5.
func TestLawMod10FindsWrongDigits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.StringMatching(`[0-9]{1,17}`).Draw(t, "body")
		d, _, _ := CheckDigit(body)
		number := []byte(body + string(d))
		for i := range number {
			for c := byte('0'); c <= '9'; c++ {
				wrong := bytes.Clone(number)
				wrong[i] = c
				if hasCheckDigit(string(wrong)) != (c == number[i]) {
					t.Fatalf("%s for %s: %v", wrong, number, hasCheckDigit(string(wrong)))
				}
			}
			if i == 0 {
				continue
			}
			turned := bytes.Clone(number)
			turned[i-1], turned[i] = turned[i], turned[i-1]
			apart := int(number[i]) - int(number[i-1])
			if same := apart%5 == 0; hasCheckDigit(string(turned)) != same {
				t.Fatalf("%s for %s: %v", turned, number, hasCheckDigit(string(turned)))
			}
		}
	})
}

// ISO/IEC 7064: a pure system with a prime modulus finds every wrong character and
// every exchange of neighbours.
func TestLawMod37FindsWrongCharacters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.StringMatching(`[0-9A-Z]{1,20}`).Draw(t, "body")
		_, c, _ := Mod37(body)
		number := []byte(body + string(c))
		for i := range number {
			for _, other := range []byte(alphabet37) {
				if other == '*' && i < len(number)-1 {
					continue // the asterisk is a check character only
				}
				wrong := bytes.Clone(number)
				wrong[i] = other
				if got := Mod37Two.holds(string(wrong)); got != (other == number[i]) {
					t.Fatalf("%s for %s: %v", wrong, number, got)
				}
			}
			if i == 0 || number[i] == '*' {
				continue
			}
			turned := bytes.Clone(number)
			turned[i-1], turned[i] = turned[i], turned[i-1]
			if got := Mod37Two.holds(string(turned)); got != (number[i] == number[i-1]) {
				t.Fatalf("%s for %s: %v", turned, number, got)
			}
		}
	})
}

// ANSI/HIBC: a plain sum finds every wrong character, and promises nothing of
// exchanged ones.
func TestLawMod43FindsWrongCharacters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.StringOfN(rapid.RuneFrom([]rune(alphabet43)), 1, 20, -1).Draw(t, "body")
		c, _ := Mod43Check(body)
		number := []byte(body + string(c))
		for i := range number {
			for _, other := range []byte(alphabet43) {
				wrong := bytes.Clone(number)
				wrong[i] = other
				if got := Mod43.holds(string(wrong)); got != (other == number[i]) {
					t.Fatalf("%q for %q: %v", wrong, number, got)
				}
			}
		}
	})
}

// Law: what elements become as a reader's data reads back as the same elements, and
// one that drops the separators never reads as others.
func TestLawElementsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		es := drawElements(t)
		back, err := ParseGS1(es.Data())
		if err != nil || back.Text() != es.Text() {
			t.Fatalf("%s came back as %s, %v", es.Text(), back.Text(), err)
		}
		if es.Together() != nil {
			return
		}
		dropped := strings.ReplaceAll(es.Data(), GS, "")
		s, _ := Compile(nil)
		got, err := s.Read(Input{Raw: []byte("]C1" + dropped), How: Wedge, At: at, Want: Things()})
		if err == nil && got.Elements != nil && got.Elements.Text() != es.Text() {
			t.Fatalf("%s without separators was read as %s", es.Text(), got.Elements.Text())
		}
	})
}

func drawElements(t *rapid.T) Elements {
	number := func(n int) string {
		body := rapid.StringMatching(`[0-9]{20}`).Draw(t, "digits")[:n-1]
		d, _, _ := CheckDigit(body)
		return body + string(d)
	}
	free := func(n int) string {
		return rapid.StringOfN(rapid.RuneFrom([]rune(set82)), 1, n, n).Draw(t, "value")
	}
	var es Elements
	used := map[string]bool{}
	for _, code := range rapid.SliceOfN(rapid.SampledFrom([]string{"00", "01", "10", "11", "17", "21", "414", "8003", "8004", "8017", "8018", "90", "91", "99"}), 1, 5).Draw(t, "identifiers") {
		if used[code] {
			continue
		}
		used[code] = true
		value := ""
		switch code {
		case "00", "8017", "8018":
			value = number(18)
		case "01":
			value = number(14)
		case "414":
			value = number(13)
		case "8003":
			value = "0" + number(13) + rapid.SampledFrom([]string{"", "A1", "77"}).Draw(t, "serial")
		case "11", "17":
			value = rapid.SampledFrom([]string{"260131", "270600", "991231"}).Draw(t, "date")
		case "10", "21":
			value = free(20)
		default:
			value = free(30)
		}
		es = append(es, Element{code, value})
	}
	return es
}

// Law: a key follows from what the label says and from nothing else, and two
// numbers never share one.
func TestLawKeys(t *testing.T) {
	s := compile(t, tubes(), Scheme{ID: "W", Names: Tube, Pattern: "W-*{1,6}", Ward: true}, Scheme{ID: "Y", Names: Tube, Pattern: "Y-*{1,4}", TubeType: true, Ward: true, Reuse: 1 << 50},
		Scheme{ID: "C", Names: Device, Pattern: "c-[A-Za-z0-9/+~]{1,4}", Case: CaseCounts})
	name := rapid.StringOfN(rapid.RuneFrom([]rune("AB/+~^-")), 1, 4, -1)
	said := func(t *rapid.T, n string) (string, event.Key) {
		in := Input{How: Typed, At: at, Ward: name.Draw(t, "ward"+n), TubeType: rapid.SampledFrom([]string{"A", "B+", "A+B"}).Draw(t, "type"+n)}
		text := rapid.OneOf(rapid.StringMatching(`TB[0-9]{6}`), rapid.StringMatching(`W-[AB0]{1,6}`), rapid.StringMatching(`Y-[AB0]{1,4}`), rapid.StringMatching(`c-[Aa/+~]{1,4}`)).Draw(t, "text"+n)
		in.Raw = []byte(text)
		got, err := s.Read(in)
		if err != nil {
			t.Fatal(err)
		}
		again, err := s.Read(in)
		if err != nil || again.Key != got.Key || !got.Key.Valid() {
			t.Fatalf("%s and %s, %v", got.Key, again.Key, err)
		}
		identity := got.Scheme + "\x00" + got.Text
		turn := rapid.IntRange(0, 2).Draw(t, "turn"+n)
		key, err := got.Again(turn)
		if err != nil {
			t.Fatal(err)
		}
		if got.Scheme == "W" || got.Scheme == "Y" {
			identity += "\x00" + strings.TrimSpace(in.Ward)
		}
		if got.Scheme == "Y" {
			identity += "\x00" + in.TubeType + "\x00" + string(rune('0'+turn))
		}
		return identity, key
	}
	rapid.Check(t, func(t *rapid.T) {
		a, aKey := said(t, "1")
		b, bKey := said(t, "2")
		if (a == b) != (aKey == bKey) {
			t.Fatalf("%q has key %s, %q has %s", a, aKey.Label(), b, bKey.Label())
		}
	})
}

// accounted says what of a read its reading doesn't account for, "" for nothing: no
// character may be dropped but separators, the frame and blanks around a number.
func accounted(in Input, r Reading) string {
	if !bytes.Equal(r.Raw, in.Raw) {
		return "the raw bytes are changed"
	}
	data := strings.TrimRight(string(in.Raw), "\r\n\t")
	if r.Symbology.ID != "" {
		data = strings.TrimPrefix(data, r.Symbology.ID)
	}
	bare := data
	if in.Separator != 0 {
		bare = strings.ReplaceAll(bare, string([]byte{in.Separator}), GS)
	}
	bare = strings.ReplaceAll(bare, GS, "")
	got := ""
	switch {
	case r.Standard == StandardDigitalLink:
		es, err := ParseDigitalLink(strings.Trim(data, " "))
		if err != nil || es.Text() != r.Elements.Text() {
			return "the address says something else"
		}
		return ""
	case r.Standard == StandardHIBC:
		h, err := ParseHIBC(data, 2026)
		if err != nil || !strings.Contains(data, h.Data) || len(h.Data) < len(data)-4 {
			return "the HIBC label says something else"
		}
		return ""
	case r.Elements != nil && strings.HasPrefix(data, "("):
		got, bare = r.Elements.Text(), data
	case r.Elements != nil:
		got = strings.ReplaceAll(r.Elements.Data(), GS, "")
	case r.Standard == StandardGS1:
		got, bare = r.Product.Number, strings.Repeat("0", 14-len(data))+data
	default:
		got, bare = strings.ToUpper(r.Text), strings.ToUpper(strings.Trim(data, " "))
		if r.Standard == StandardDonation {
			bare = strings.ToUpper(data)
		}
		got, bare = strings.TrimSpace(got), strings.TrimSpace(bare)
	}
	if got != bare {
		return "read " + got + " of " + bare
	}
	return ""
}

func soundRefusal(err error) string {
	var r *Refusal
	switch {
	case !errors.As(err, &r):
		return "the error is no refusal"
	case r.Field == "" || r.Say == "" || r.Remedy == "" || r.What == "":
		return "the refusal lacks a part"
	}
	return ""
}

// site is an invented hospital's set.
func site(t testing.TB) *Schemes {
	return compile(t, Scheme{ID: "T", Names: Tube, Pattern: "TB#{7}", Check: Mod10, In: []string{Plain, "91"}}, Scheme{ID: "DT", Names: Tube, Pattern: "DT-###", Ward: true},
		Scheme{ID: "P", Names: Patient, Pattern: "P-####"}, Scheme{ID: "B", Names: Carrier, Pattern: "B-#{1,3}"}, Scheme{ID: "D", Names: Device, Pattern: "d-[a-z]{3}", Case: CaseCounts})
}

func samples() []string {
	return []string{
		"TB2601185\r", "DT-001", "P-7001", "B-3", "d-abc", "]C0TB2601185", "]d291TB2601185", "(91)TB2601185",
		"]d2010952123400017417270131" + "10K7Q2", "]C100106141412345678908", "]d2800302112345678900BOX7\x1d99X", "]d28004950110153LG001", "]d28018123456789012345675\x1d80191",
		"]E02112345678900", "]E402345673", "]Q1https://id.example/01/12312312312333/10/A?17=270131", "+A123BJC5D6E71/$$52001510X3C", "*+J123AQ3451/$$3231231BC34567/S4012R*",
		"=A99971234567800", "011234567890123110ABC17270630", "011234567890123110ABC|17270630", "TBé-à&&_", "]c1011231231231233310abc", "]C1011231231231233310ABC123\x1d99TESTING",
	}
}

// Ten thousand reads, sound and damaged: each is a reading that accounts for every
// character, or a refusal with a remedy.
func TestNoReadIsShortened(t *testing.T) {
	const reads = 10_000
	random := rand.New(rand.NewPCG(1, 2)) //nolint:gosec // the same damage in every run
	sets := []*Schemes{site(t), compile(t)}
	pool := samples()
	wants := [][]Thing{nil, {Tube}, {Tube, Carrier}, {Patient}, Things()}
	read := 0
	for n := range reads {
		raw := []byte(pool[random.IntN(len(pool))])
		for range random.IntN(4) {
			i := random.IntN(len(raw) + 1)
			switch random.IntN(6) {
			case 0:
				raw = raw[i:]
			case 1:
				raw = raw[:i]
			case 2:
				raw = append(raw[:i:i], append([]byte{byte(random.IntN(256))}, raw[i:]...)...)
			case 3:
				raw = append(bytes.Clone(raw), pool[random.IntN(len(pool))]...)
			case 4:
				raw = []byte(swapped(string(raw)))
			case 5:
				raw = bytes.ReplaceAll(raw, []byte(GS), []byte{'|'})
			}
		}
		in := Input{Raw: raw, How: []How{Camera, Wedge, Typed, NFC, Told}[random.IntN(5)], At: at, Ward: "N", Want: wants[random.IntN(len(wants))]}
		if random.IntN(3) == 0 {
			in.Separator = '|'
		}
		got, err := sets[n%2].Read(in)
		say := ""
		if err != nil {
			say = soundRefusal(err)
		} else {
			read++
			say = accounted(in, got)
		}
		if say != "" {
			t.Errorf("%q (%s): %s: %+v", raw, in.How, say, got)
		}
	}
	if read < reads/20 {
		t.Errorf("only %d of %d were readings; the damage leaves nothing to test", read, reads)
	}
}

// Law: what is left of a label's number when its head or tail is lost never reads as
// a number, where length or check digit can tell.
func TestLawShortenedNumbersAreRefused(t *testing.T) {
	s := site(t)
	for _, label := range []string{"TB2601185", "]C0TB2601185", "]d291TB2601185", "DT-001", "]C100106141412345678908", "]d28018123456789012345675", "]E02112345678900", "]C14140614141008889"} {
		for i := 1; i < len(label); i++ {
			for _, part := range []string{label[:i], label[i:]} {
				if part == "TB2601185" {
					continue
				}
				if part == label[min(3, len(label)):] && label[0] == ']' {
					continue // the number is whole, only the frame is lost
				}
				got, err := s.Read(Input{Raw: []byte(part), How: Wedge, At: at, Ward: "N", Want: []Thing{Tube, Carrier, Patient, Place}})
				if err == nil && got.Scheme != event.Local {
					t.Errorf("%q of %q was read as %s %s", part, label, got.Names, got.Text)
				}
			}
		}
	}
}
