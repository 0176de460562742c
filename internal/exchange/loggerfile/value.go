package loggerfile

import (
	"fmt"
	"math"
	"strings"
	"unicode"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// unit is a unit of temperature, 0 for none.
type unit uint8

const (
	noUnit unit = iota
	celsius
	fahrenheit
	kelvin
)

var unitNames = [...]string{"", Celsius, Fahrenheit, Kelvin}

func unitOf(name string) unit {
	for i, n := range unitNames {
		if n == name {
			return unit(i) //nolint:gosec // three units
		}
	}
	return noUnit
}

// number is a decimal number as written: mant / 10^scale.
type number struct {
	mant  int64
	scale uint8
	mark  byte // decimal mark, 0 for none
	unit  unit // written behind it
}

// Bounds of a number: what no sensor writes is no number.
const (
	mostDigits   = 12
	mostDecimals = 9
)

var tens = [...]int64{1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000, 1_000_000_000}

// readNumber reads -4.6, 4,6 or +39.2 °F. Two marks, as in 1.234,5, are none.
func readNumber(text string) (n number, ok bool) {
	rest := text
	negative := false
	switch {
	case strings.HasPrefix(rest, "-"):
		negative, rest = true, rest[1:]
	case strings.HasPrefix(rest, "+"):
		rest = rest[1:]
	case strings.HasPrefix(rest, "−"):
		negative, rest = true, rest[len("−"):]
	}
	digits := 0
	for rest != "" {
		c := rest[0]
		if c == '.' || c == ',' {
			if n.mark != 0 {
				return n, false
			}
			n.mark = c
		} else if c >= '0' && c <= '9' {
			if digits++; digits > mostDigits {
				return n, false
			}
			n.mant = n.mant*10 + int64(c-'0')
			if n.mark != 0 {
				if n.scale++; n.scale > mostDecimals {
					return n, false
				}
			}
		} else {
			break
		}
		rest = rest[1:]
	}
	if digits == 0 || n.mark != 0 && n.scale == 0 {
		return n, false
	}
	if negative {
		n.mant = -n.mant
	}
	if rest != "" {
		n.unit = unitWord(strings.TrimSpace(rest))
		return n, n.unit != noUnit
	}
	return n, true
}

// isSign tells the signs that exports write for a degree.
func isSign(c rune) bool { return c == '°' || c == 'º' || c == '˚' }

// unitWord reads a unit that stands alone.
func unitWord(word string) unit {
	word = strings.ToLower(strings.TrimSpace(strings.TrimLeftFunc(strings.TrimSpace(word), isSign)))
	word = strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(word, "degrees"), "deg"))
	word = strings.TrimPrefix(word, ".")
	word = strings.TrimSpace(word)
	switch word {
	case "c", "celsius", "℃":
		return celsius
	case "f", "fahrenheit", "℉":
		return fahrenheit
	case "k", "kelvin":
		return kelvin
	}
	return noUnit
}

// unitIn finds a unit among the words of a name, such as "Temp_C" or
// "Temperature (°F)". Two that differ are none. lone says that it is a bare
// letter, which may be the letter of a channel too.
func unitIn(name string) (u unit, lone bool) {
	word := func(w string, sign bool) bool {
		one := unitWord(w)
		if one == noUnit || u != noUnit && u != one {
			return one == noUnit
		}
		u, lone = one, len(w) == 1 && !sign
		return true
	}
	start, sign := -1, false
	for i, c := range name + " " {
		if unicode.IsLetter(c) || c == '℃' || c == '℉' {
			if start < 0 {
				start = i
			}
			continue
		}
		if start >= 0 {
			if !word(name[start:i], sign) {
				return noUnit, false
			}
			start, sign = -1, false
		}
		sign = sign && c == ' ' || isSign(c)
	}
	return u, lone
}

// centi turns a number of a unit into 0.01 °C, exactly, then rounded to the
// nearest, halves away from zero: 39.2 °F is 4.00 °C. fits is false beyond what
// 0.01 °C can hold, which no sensor measures.
//
// C = (F - 32) / 1.8 and C = K - 273.15, both exact: NIST SP 811 (2008), B.8.
func (n number) centi(u unit) (c event.CentiC, fits bool) {
	ten := tens[n.scale]
	num, den := n.mant*100, ten
	switch u {
	case fahrenheit:
		num, den = (n.mant-32*ten)*500, 9*ten
	case kelvin:
		num = n.mant*100 - 27315*ten
	}
	half := den / 2 // den is even, or 1 or 9, where no half can occur
	if num < 0 {
		half = -half
	}
	v := (num + half) / den
	if v > math.MaxInt32 || v < math.MinInt32 {
		return 0, false
	}
	return event.CentiC(v), true
}

// kind is what a row's value is.
type kind uint8

const (
	isValue kind = iota
	isEmpty
	isFault // a word for "no reading", or a code of this logger
	isBad   // can't be read
)

// noReading are words that exports write in place of a value. Common practice,
// no source.
var noReading = map[string]bool{
	"-": true, "--": true, "---": true, "----": true, "nan": true, "n/a": true, "na": true, "null": true, "none": true,
	"err": true, "error": true, "fault": true, "fail": true, "open": true, "short": true, "inf": true, "-inf": true,
	"#n/a": true, "invalid": true, "no data": true, "nodata": true, "out of range": true, "****": true, "*": true,
}

func isNoReading(text string) bool {
	if len(text) > 12 {
		return false
	}
	if noReading[text] {
		return true
	}
	return noReading[strings.ToLower(text)]
}

// faults are the further fault codes of a logger.
type faults struct {
	numbers []number
	words   []string
}

func newFaults(codes []string) faults {
	var f faults
	for _, c := range codes {
		c = strings.TrimSpace(c)
		if n, ok := readNumber(c); ok {
			f.numbers = append(f.numbers, n)
		} else if c != "" {
			f.words = append(f.words, c)
		}
	}
	return f
}

// same tells whether two numbers are equal, whatever their marks and decimals.
func (n number) same(m number) bool {
	n.trim()
	m.trim()
	return n.mant == m.mant && n.scale == m.scale
}

func (n *number) trim() {
	for n.scale > 0 && n.mant%10 == 0 {
		n.mant, n.scale = n.mant/10, n.scale-1
	}
}

func (f *faults) number(n number) bool {
	for _, one := range f.numbers {
		if one.same(n) {
			return true
		}
	}
	return false
}

func (f *faults) word(text string) bool {
	for _, one := range f.words {
		if strings.EqualFold(one, text) {
			return true
		}
	}
	return false
}

// sensed gives the temperature of a number, and whether a sensor can have
// measured it.
func (n number) sensed(u unit) (event.CentiC, bool) {
	c, fits := n.centi(u)
	return c, fits && !thermal.IsFault(c)
}

// degrees writes 0.01 °C as text.
func degrees(c event.CentiC) string {
	sign, n := "", int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d °C", sign, n/100, n%100)
}
