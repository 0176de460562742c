package printing

import (
	"fmt"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/datamatrix"

	"specimen.example/custody/internal/label"
)

// Symbol is a bar code in modules.
type Symbol struct {
	Name string // "Data Matrix", "GS1 DataMatrix", "Code 128", "GS1-128"
	Data Data
	// Cols and Rows are the modules without the quiet zone; a row of bars is one row.
	Cols, Rows int
	// Quiet is the empty zone on each side in modules. Of bars it is left and right alone.
	Quiet int
	dark  []bool // row by row
}

// The quiet zones in modules. ISO/IEC 16022 wants 1 around a Data Matrix; readers
// are less picky with 2 (common practice, no source). ISO/IEC 15417 wants 10 beside
// Code 128.
const (
	quietMatrix = 2
	quietBars   = 10
)

// Matrix gives the Data Matrix symbol (ECC 200) of data. The error is an *Error.
func Matrix(d Data) (Symbol, error) {
	name, text := "Data Matrix", d.Text
	if d.GS1() {
		// The byte, not the rune of this value: the encoder takes the rune for two bytes of
		// text, and the symbol then reads as plain without any error.
		const fnc1 = string("\xe8")
		name, text = "GS1 DataMatrix", fnc1+strings.ReplaceAll(d.Elements.Data(), label.GS, fnc1)
	}
	code, err := datamatrix.Encode(text)
	if err != nil {
		return Symbol{}, fault("number", "%s is too long for a Data Matrix: %v; give it a shorter number", clip(d.Human()), err)
	}
	return symbolOf(code, Symbol{Name: name, Data: d, Quiet: quietMatrix}), nil
}

// mostBars is the longest text in characters that goes into one row of bars.
const mostBars = 48

// Bars gives the Code 128 symbol of data. The error is an *Error.
func Bars(d Data) (Symbol, error) {
	name, text := "Code 128", d.Text
	if d.GS1() {
		// Here it is the rune: the encoder walks runes.
		fnc1 := string(code128.FNC1)
		name, text = "GS1-128", fnc1+strings.ReplaceAll(d.Elements.Data(), label.GS, fnc1)
	}
	if len(d.Sent()) > mostBars { // GS1 General Specifications: 48 characters in GS1-128
		return Symbol{}, fault("symbols", "%s is too long for Code 128, which holds %d characters; print the Data Matrix alone", clip(d.Human()), mostBars)
	}
	code, err := code128.Encode(text)
	if err != nil {
		return Symbol{}, fault("symbols", "%s does not go into Code 128: %v; print the Data Matrix alone", clip(d.Human()), err)
	}
	return symbolOf(code, Symbol{Name: name, Data: d, Quiet: quietBars}), nil
}

func symbolOf(code barcode.Barcode, s Symbol) Symbol {
	b := code.Bounds()
	s.Cols, s.Rows = b.Dx(), b.Dy()
	s.dark = make([]bool, s.Cols*s.Rows)
	for y := range s.Rows {
		for x := range s.Cols {
			r, g, blue, _ := code.At(b.Min.X+x, b.Min.Y+y).RGBA()
			s.dark[y*s.Cols+x] = r+g+blue == 0
		}
	}
	return s
}

// Dark tells whether a module is printed.
func (s Symbol) Dark(x, y int) bool { return s.dark[y*s.Cols+x] }

// Path gives the printed modules as the path of an SVG whose unit is a dot, each
// module so many dots wide. High is the height of a row in dots: the module's own
// for a matrix, the bars' for bars.
func (s Symbol) Path(left, top, module, high int) string {
	var b strings.Builder
	for y := range s.Rows {
		for x := 0; x < s.Cols; x++ {
			if !s.Dark(x, y) {
				continue
			}
			from := x
			for x < s.Cols && s.Dark(x, y) {
				x++
			}
			fmt.Fprintf(&b, "M%d %dh%dv%dh-%dz", left+from*module, top+y*high, (x-from)*module, high, (x-from)*module)
		}
	}
	return b.String()
}

// clip shortens a long number for a sentence.
func clip(text string) string {
	const most = 40
	if len(text) <= most {
		return text
	}
	return text[:most] + "…"
}
