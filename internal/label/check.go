package label

import "strings"

// Check names how the last character of a number guards the others.
type Check string

// The checks that a number scheme may use.
const (
	NoCheck  Check = ""
	Mod10    Check = "mod10"   // GS1 General Specifications: weights 3 and 1, over the digits alone
	Mod37Two Check = "mod37-2" // ISO/IEC 7064 MOD 37-2, over the letters and digits
	Mod43    Check = "mod43"   // Code 39 order as in ANSI/HIBC, over every character
)

// Checks lists every check that a scheme may name.
func Checks() []Check { return []Check{NoCheck, Mod10, Mod37Two, Mod43} }

// CheckState says what a label's own check said. A label whose check failed is
// never a Reading.
type CheckState string

// The states of a check.
const (
	Unchecked CheckState = "none"   // the number carries no check
	Checked   CheckState = "passed" // the number's check character is right
)

// CheckDigit gives the GS1 check digit of a body of digits: weights 3, 1, 3, 1
// from the right, then what is missing to the next ten. ok is false when body is
// empty or holds another character; at is then that character's index, or 0.
func CheckDigit(body string) (digit byte, at int, ok bool) {
	if body == "" {
		return 0, 0, false
	}
	sum, weight := 0, 3
	for i := len(body) - 1; i >= 0; i-- {
		if !isDigit(body[i]) {
			return 0, strings.IndexFunc(body, func(r rune) bool { return r < '0' || r > '9' }), false
		}
		sum += weight * int(body[i]-'0')
		weight = 4 - weight
	}
	return byte('0' + (10-sum%10)%10), 0, true
}

// hasCheckDigit tells whether number ends in the GS1 check digit of the rest.
func hasCheckDigit(number string) bool {
	if len(number) < 2 {
		return false
	}
	want, _, ok := CheckDigit(number[:len(number)-1])
	return ok && number[len(number)-1] == want
}

const alphabet37 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"

// Mod37 gives the ISO/IEC 7064 MOD 37-2 value of a body of digits and capital
// letters, 0 to 36, and its character (36 is an asterisk). The flag printed beside
// a blood donation's number is the value plus 60. ok is false for another character.
func Mod37(body string) (value int, character byte, ok bool) {
	sum := 0
	for i := 0; i < len(body); i++ {
		v := strings.IndexByte(alphabet37[:36], body[i])
		if v < 0 {
			return 0, 0, false
		}
		sum = (sum + v) * 2 % 37
	}
	value = (38 - sum%37) % 37
	return value, alphabet37[value], body != ""
}

// alphabet43 is the order of Code 39; a character's place is its value.
const alphabet43 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"

// Mod43Check gives the check character of ANSI/HIBC: the sum of all characters'
// values modulo 43. It may be a blank. ok is false for another character.
func Mod43Check(body string) (character byte, ok bool) {
	sum := 0
	for i := 0; i < len(body); i++ {
		v := strings.IndexByte(alphabet43, body[i])
		if v < 0 {
			return 0, false
		}
		sum += v
	}
	return alphabet43[sum%43], body != ""
}

// Code128Check gives the check value of a Code 128 symbol: the start character's
// value plus each value times its place, modulo 103. Readers strip it; whoever
// draws a symbol needs it.
func Code128Check(start int, values ...int) int {
	sum := start
	for i, v := range values {
		sum += (i + 1) * v
	}
	return sum % 103
}

// holds tells whether number's last character is the check of the rest. A number
// that can't carry the check doesn't.
func (c Check) holds(number string) bool {
	if c == NoCheck {
		return true
	}
	if number == "" {
		return false
	}
	body, last := number[:len(number)-1], upper(number[len(number)-1])
	var want byte
	var ok bool
	switch c {
	case Mod10:
		want, _, ok = CheckDigit(keep(body, isDigit))
	case Mod37Two:
		_, want, ok = Mod37(keep(strings.ToUpper(body), isAlphanumeric))
	case Mod43:
		want, ok = Mod43Check(strings.ToUpper(body))
	}
	return ok && last == want
}

func keep(s string, ok func(byte) bool) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if ok(s[i]) {
			b.WriteByte(s[i])
		}
	}
	return b.String()
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isLetter(c byte) bool { return upper(c) >= 'A' && upper(c) <= 'Z' }

func isAlphanumeric(c byte) bool { return isDigit(c) || isLetter(c) }

func upper(c byte) byte {
	if c >= 'a' && c <= 'z' {
		return c - 'a' + 'A'
	}
	return c
}

func digits(s string) bool {
	for i := 0; i < len(s); i++ {
		if !isDigit(s[i]) {
			return false
		}
	}
	return s != ""
}
