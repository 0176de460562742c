package stability

import (
	"strings"

	"specimen.example/custody/internal/event"
)

// longestMs bounds every duration of a rule file: ten years with leap days.
// It keeps sums of durations far inside int64.
const longestMs = 3660 * 24 * 60 * 60 * 1000

// unitsMs are the units of durations in milliseconds.
var unitsMs = map[byte]int64{'s': 1000, 'm': 60_000, 'h': 3_600_000, 'd': 86_400_000}

// parseDuration reads a number with one unit, such as 90m or 1.5h, exactly.
// Problem is empty when it could be read.
func parseDuration(text string) (ms int64, problem string) {
	if text == "" {
		return 0, "is empty"
	}
	unit, known := unitsMs[text[len(text)-1]]
	number := text[:len(text)-1]
	if !known {
		return 0, quote(text) + " has no unit that is known"
	}
	value, scale, ok := decimal(number)
	if !ok || value < 0 {
		return 0, quote(text) + " is not a length of time"
	}
	// unit/scale in lowest terms: nothing is rounded and no product overflows.
	common := gcd(unit, scale)
	unit, scale = unit/common, scale/common
	if value%scale != 0 {
		return 0, quote(text) + " is not a whole number of milliseconds"
	}
	if value/scale > longestMs/unit {
		return 0, quote(text) + " is longer than 3660 days"
	}
	ms = value / scale * unit
	return ms, ""
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// decimal reads a plain decimal number of at most 9 digits before the point and
// 6 after it (closing zeros don't count) as value/scale, scale a power of ten.
func decimal(text string) (value, scale int64, ok bool) {
	digits, negative := strings.CutPrefix(text, "-")
	whole, fraction, point := strings.Cut(digits, ".")
	if whole == "" || point && fraction == "" || len(whole) > 9 {
		return 0, 0, false
	}
	fraction = strings.TrimRight(fraction, "0")
	if len(fraction) > 6 {
		return 0, 0, false
	}
	scale = 1
	for i, c := range []byte(whole + fraction) {
		if c < '0' || c > '9' {
			return 0, 0, false
		}
		if i >= len(whole) {
			scale *= 10
		}
		value = value*10 + int64(c-'0')
	}
	if negative {
		value = -value
	}
	return value, scale, true
}

// parseCelsius reads a temperature on the 0.01 degree grid of the log.
func parseCelsius(text string) (c event.CentiC, problem string) {
	value, scale, ok := decimal(text)
	if !ok {
		return 0, quote(text) + " is not a temperature"
	}
	if value*100%scale != 0 {
		return 0, quote(text) + " is off the 0.01 °C grid"
	}
	c100 := value * 100 / scale
	// Nothing colder than liquid nitrogen or hotter than a steriliser holds blood.
	if c100 < -200_00 || c100 > 150_00 {
		return 0, quote(text) + " °C is no temperature of a tube"
	}
	return event.CentiC(c100), ""
}

// parseMicro reads a positive decimal as millionths.
func parseMicro(text string) (micro int64, ok bool) {
	value, scale, ok := decimal(text)
	if !ok || value <= 0 {
		return 0, false
	}
	return value * (1_000_000 / scale), true
}

// isWord reports whether text is made of a-z, 0-9 and single hyphens, as ids
// and names of conditions are.
func isWord(text string) bool {
	return isCode(strings.ToUpper(text)) && text == strings.ToLower(text)
}

// isCode reports whether text is made of A-Z, 0-9 and single hyphens, as codes
// of tests and tube types are: they stand in keys and addresses.
func isCode(text string) bool {
	if text == "" || len(text) > 80 {
		return false
	}
	last := byte('-')
	for _, c := range []byte(text) {
		letter := c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !letter && (c != '-' || last == '-') {
			return false
		}
		last = c
	}
	return last != '-'
}

// isLoinc reports whether text has the shape of a LOINC code and the right
// check digit (modulus 10, as in the LOINC Users' Guide, appendix on check digits).
func isLoinc(text string) bool {
	number, check, found := strings.Cut(text, "-")
	if !found || len(check) != 1 || number == "" || len(number) > 7 {
		return false
	}
	sum := 0
	for i := range len(number) {
		c := number[len(number)-1-i]
		if c < '0' || c > '9' {
			return false
		}
		d := int(c - '0')
		if i%2 == 0 { // every second digit from the right counts twice
			d *= 2
			d = d/10 + d%10
		}
		sum += d
	}
	return int(check[0]-'0') == (10-sum%10)%10
}

// quote shows a piece of the file on one line, shortened where it is long.
func quote(text string) string {
	const longest = 60
	clean := oneLine(text)
	if runes := []rune(clean); len(runes) > longest {
		clean = string(runes[:longest]) + "…"
	}
	return "\"" + clean + "\""
}

// oneLine puts a space in the place of each control character.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, text)
}
