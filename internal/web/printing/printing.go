// Package printing decides what stands on a label and where: the data a symbol must
// hold so that internal/label reads the number back, the symbols, and their geometry
// in whole dots of the printer. It is pure: it draws nothing and prints nothing, a
// page renders what it gives.
package printing

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Error is why something can't be printed as it was asked for.
type Error struct {
	Field string // number, symbols, size, dpi
	Say   string // what is wrong and the remedy
}

// Error implements error.
func (e *Error) Error() string { return e.Field + ": " + e.Say }

func fault(field, format string, args ...any) *Error {
	return &Error{field, fmt.Sprintf(format, args...)}
}

// DPI is how many dots a printer has to the inch of 25.4 mm. Label printers that are
// sold as 203 have 8 dots to the mm, 203.2 to the inch; the difference is 0.05 mm on
// a label of 50 mm.
type DPI int

// DPIs lists the printers that labels can be made for, the first being the default.
func DPIs() []DPI { return []DPI{203, 300, 600} }

// ParseDPI reads a number of dots to the inch; empty is the first of DPIs.
func ParseDPI(text string) (DPI, error) {
	if text == "" {
		return DPIs()[0], nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || !slices.Contains(DPIs(), DPI(n)) {
		return 0, fault("dpi", "%q is none of 203, 300, 600 dots to the inch; the printer's nameplate says which it has", text)
	}
	return DPI(n), nil
}

// inch is 25.4 mm in hundredths of a mm.
const inch = 2540

// dots gives how many whole dots fit into a length in 1/100 mm.
func (d DPI) dots(mm100 int) int { return mm100 * int(d) / inch }

// least gives the fewest dots that are at least a length in 1/100 mm.
func (d DPI) least(mm100 int) int { return (mm100*int(d) + inch - 1) / inch }

// nearest gives the dot nearest to a length in 1/100 mm.
func (d DPI) nearest(mm100 int) int { return (mm100*int(d) + inch/2) / inch }

// MM writes a number of dots as mm for a style or an SVG length: to 0.00001 mm, so
// that no sum of them on a label is off by a hundredth of a dot.
func (d DPI) MM(dots int) string {
	return strconv.FormatFloat(float64(dots)*25.4/float64(d), 'f', 5, 64)
}

// upMM says a number of dots in mm to 0.1, rounded up, for people who buy labels.
func (d DPI) upMM(dots int) string {
	tenths := (dots*254 + int(d) - 1) / int(d)
	return fmt.Sprintf("%d.%d", tenths/10, tenths%10)
}

// Size is a label's size in 1/100 mm.
type Size struct{ Width, Height int }

// Sizes that are offered. CLSI AUTO12-A's standard specimen label is 2 x 1 inch.
var (
	TubeSize    = Size{5080, 2540}
	CarrierSize = Size{10160, 5080}
)

// The least and the largest side of a label in 1/100 mm.
const (
	leastSide = 1000
	mostSide  = 29700
)

// ParseSize reads "50.8x25.4", mm wide and high with at most two decimals.
func ParseSize(text string) (Size, error) {
	w, h, two := strings.Cut(text, "x")
	width, ok1 := hundredths(w)
	height, ok2 := hundredths(h)
	if !two || !ok1 || !ok2 {
		return Size{}, fault("size", "%q is no size; write width x height in mm, such as 50.8x25.4", text)
	}
	for _, side := range []int{width, height} {
		if side < leastSide || side > mostSide {
			return Size{}, fault("size", "%s has a side that is not from 10 to 297 mm; measure the label on the roll, width first", text)
		}
	}
	return Size{width, height}, nil
}

// hundredths reads digits with at most two decimals.
func hundredths(text string) (int, bool) {
	whole, part, point := strings.Cut(text, ".")
	if len(whole) < 1 || len(whole) > 3 || len(part) > 2 || point && part == "" || strings.Trim(whole+part, "0123456789") != "" {
		return 0, false
	}
	n, err := strconv.Atoi(whole + (part + "00")[:2])
	return n, err == nil
}

// String is "50.8x25.4", as ParseSize reads it.
func (s Size) String() string { return side(s.Width) + "x" + side(s.Height) }

// Words is "50.8 x 25.4 mm".
func (s Size) Words() string { return side(s.Width) + " x " + side(s.Height) + " mm" }

func side(mm100 int) string {
	text := strconv.Itoa(mm100 / 100)
	if part := mm100 % 100; part != 0 {
		text += strings.TrimRight(fmt.Sprintf(".%02d", part), "0")
	}
	return text
}

// PageMM gives the sides as mm for a style sheet.
func (s Size) PageMM() (width, height string) { return side(s.Width) + "mm", side(s.Height) + "mm" }
