package printing

import (
	"image"
	"image/color"
	"strings"
	"testing"

	"github.com/boombuler/barcode/datamatrix"
	"pgregory.net/rapid"

	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/printing/printtest"
)

// picture draws a symbol with its quiet zone, so many pixels a module.
func picture(s Symbol, pixels int) *image.Gray {
	rows := s.Rows
	if rows == 1 {
		rows = 20
	}
	img := image.NewGray(image.Rect(0, 0, (s.Cols+2*s.Quiet)*pixels, (rows+2*s.Quiet)*pixels))
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			img.SetGray(x, y, color.Gray{Y: 0xff})
			mx, my := x/pixels-s.Quiet, y/pixels-s.Quiet
			if mx >= 0 && my >= 0 && mx < s.Cols && my < rows && s.Dark(mx, my%s.Rows) {
				img.SetGray(x, y, color.Gray{})
			}
		}
	}
	return img
}

func elements(parts ...string) Data {
	var d Data
	for i := 0; i < len(parts); i += 2 {
		d.Elements = append(d.Elements, label.Element{AI: parts[i], Value: parts[i+1]})
	}
	return d
}

func TestSymbolsHoldWhatWasGiven(t *testing.T) {
	for _, c := range []struct {
		data         Data
		matrix, bars string
	}{
		{Data{Text: "TB2601182"}, "]d1", "]C0"},
		{Data{Text: "a b+C-~!\"7"}, "]d1", "]C0"},
		{Data{Text: "12345678901"}, "]d1", "]C0"},
		{elements("00", "106141412345678908"), "]d2", "]C1"},
		{elements("91", "TB-2601182"), "]d2", "]C1"},
		{elements("10", "K7Q2", "91", "7"), "]d2", "]C1"},
		{elements("8003", "00614141008889B7", "91", "7"), "]d2", "]C1"},
	} {
		m, err := Matrix(c.data)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := printtest.Matrix(picture(m, 3)); err != nil || got != (printtest.Read{ID: c.matrix, Sent: c.data.Sent()}) {
			t.Errorf("%s: %+v, %v", c.data.Human(), got, err)
		}
		b, err := Bars(c.data)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := printtest.Bars(picture(b, 3)); err != nil || got != (printtest.Read{ID: c.bars, Sent: c.data.Sent()}) {
			t.Errorf("%s: %+v, %v", c.data.Human(), got, err)
		}
		if gs1 := c.matrix == "]d2"; strings.HasPrefix(m.Name, "GS1") != gs1 || strings.HasPrefix(b.Name, "GS1") != gs1 {
			t.Errorf("%s: named %s and %s", c.data.Human(), m.Name, b.Name)
		}
	}
}

// The silent mistake: the encoder takes the rune U+00E8 in place of the byte without
// a word, and makes a symbol that is no GS1 symbol. If it ever does otherwise, this
// says so; and what Matrix makes is never that.
func TestTheRuneIsNotTheFNC1OfADataMatrix(t *testing.T) {
	d := elements("91", "A7")
	code, err := datamatrix.Encode("\u00e8" + d.Elements.Data())
	if err != nil {
		t.Fatal(err)
	}
	wrong, err := printtest.Matrix(picture(symbolOf(code, Symbol{Quiet: quietMatrix}), 3))
	if err != nil || wrong.ID != "]d1" || wrong.Sent == d.Sent() {
		t.Errorf("the rune gives %+v, %v; it was plain text when this was written", wrong, err)
	}
	s, err := Matrix(d)
	if err != nil {
		t.Fatal(err)
	}
	right, err := printtest.Matrix(picture(s, 3))
	if err != nil || right != (printtest.Read{ID: "]d2", Sent: "91A7"}) {
		t.Errorf("the byte gives %+v, %v", right, err)
	}
}

// Law: whatever ASCII a symbol is given, an independent reader gets back.
func TestLawSymbolsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[ -~]{1,30}`).Draw(t, "text")
		d := Data{Text: text}
		if rapid.Bool().Draw(t, "gs1") {
			d = elements("91", rapid.StringMatching(`[A-Za-z0-9+/_-]{1,20}`).Draw(t, "value"), "92", rapid.StringMatching(`[0-9A-Z]{1,12}`).Draw(t, "second"))
		}
		m, err := Matrix(d)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := printtest.Matrix(picture(m, 4)); err != nil || got.Sent != d.Sent() {
			t.Fatalf("Data Matrix of %q: %+v, %v", d.Sent(), got, err)
		}
		b, err := Bars(d)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := printtest.Bars(picture(b, 2)); err != nil || got.Sent != d.Sent() {
			t.Fatalf("Code 128 of %q: %q, %v", d.Sent(), got, err)
		}
	})
}

func TestTooLongForASymbol(t *testing.T) {
	long := Data{Text: strings.Repeat("A7x", 800)}
	if _, err := Matrix(long); err == nil || !strings.Contains(err.Error(), "number: ") {
		t.Errorf("Data Matrix: %v", err)
	}
	if _, err := Bars(Data{Text: strings.Repeat("A", 49)}); err == nil || !strings.Contains(err.Error(), "symbols: ") {
		t.Errorf("Code 128: %v", err)
	}
}
