package label

import (
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// MaxNumbers is how many numbers may be asked for at once: twenty sheets.
const MaxNumbers = 500

// NumbersError is why numbers of a scheme can't be given out.
type NumbersError struct {
	Field string // scheme, from or count
	Say   string // with the remedy
}

// Error implements error.
func (e *NumbersError) Error() string { return e.Field + ": " + e.Say }

// Numbers gives count numbers of a scheme in order, check character included, for
// labels that are printed ahead. From is the first: a whole number, one without its
// check character, or the counter alone ("7") where everything else in the pattern
// is fixed. The last run of digits before the check counts up by one; a number whose
// check character the pattern doesn't allow is none and is left out. The error is a
// *NumbersError. Ward and tube type are no part of what is printed.
//
// The id of local numbers gives some of which nothing is declared: whatever ends in
// digits counts up.
func (s *Schemes) Numbers(id, from string, count int) ([]string, error) {
	fail := func(field, format string, args ...any) ([]string, error) {
		return nil, &NumbersError{field, fmt.Sprintf(format, args...)}
	}
	at := slices.IndexFunc(s.all, func(c compiled) bool { return c.ID == id })
	if at < 0 && id != event.Local {
		return fail("scheme", "%q is no number scheme of this site; choose one that is declared", id)
	}
	if count < 1 || count > MaxNumbers {
		return fail("count", "%d is not from 1 to %d; ask for fewer, and again from the next number", count, MaxNumbers)
	}
	c := undeclaredNumbers
	body, say := strings.ToUpper(strings.TrimSpace(from)), ""
	if at >= 0 {
		c = s.all[at]
		body, say = c.body(strings.TrimSpace(from))
	} else if !c.read.matches(body) {
		say = fmt.Sprintf("%q is no number of at most %d letters, digits and signs without blanks; type the first one as it shall stand on the label", body, MaxPattern)
	}
	if say != "" {
		return fail("from", "%s", say)
	}
	head, counter := cutCounter(body)
	if counter == "" {
		return fail("from", "%s holds no digits that could count up; begin with a number that ends in digits", body)
	}
	var out []string
	for more := true; more; counter, more = counted(counter) {
		text := head + counter
		if number, ok := c.completed(text); ok {
			out = append(out, number)
		} else if !c.lacksCheck(text) {
			break
		}
		if len(out) == count {
			return out, nil
		}
	}
	last := body
	if len(out) > 0 {
		last = out[len(out)-1]
	}
	return fail("from", "%s is the last number of %s before its digits run out: %d of %d numbers are left; begin lower or ask for fewer", last, id, len(out), count)
}

// undeclaredNumbers stands for numbers without a scheme.
var undeclaredNumbers = func() compiled {
	p, err := parsePattern("[!-~]{1,40}")
	if err != nil {
		panic("label: local numbers: " + err.Error())
	}
	return compiled{Scheme: Scheme{ID: event.Local}, printed: p, read: p}
}()

// body finds the part of the first number that stands before its check character.
func (c compiled) body(from string) (body, say string) {
	if from == "" {
		return "", "no first number; type the first one that shall be printed"
	}
	if c.Case == CaseFolds {
		from = strings.ToUpper(from)
	}
	if c.read.matches(from) && c.Check.holds(from) {
		if c.Check == NoCheck {
			return from, ""
		}
		return from[:len(from)-1], ""
	}
	if c.Check != NoCheck && c.read.matches(from) && !c.variable() {
		return "", "a character of " + from + " is wrong: its check character says so; leave the last character out, it is worked out"
	}
	if _, ok := c.completed(from); ok || c.lacksCheck(from) {
		return from, ""
	}
	if filled, ok := c.filled(from); ok {
		return filled, ""
	}
	return "", fmt.Sprintf("%s is no number of %s, whose pattern is %s; type the first one as it shall stand on the label", from, c.ID, c.Pattern)
}

// variable tells whether the scheme's numbers differ in length.
func (c compiled) variable() bool { return c.read.optional != 0 }

// completed puts the check character behind a body. ok is false where the whole is
// no number of the scheme.
func (c compiled) completed(body string) (number string, ok bool) {
	if c.Check == NoCheck {
		return body, c.read.matches(body)
	}
	for i := range len(alphabet43) {
		// The alphabet of Mod43 holds those of the others but for the asterisk.
		if number = body + alphabet43[i:i+1]; c.Check.holds(number) {
			return number, c.read.matches(number)
		}
	}
	number = body + "*"
	return number, c.Check.holds(number) && c.read.matches(number)
}

// lacksCheck tells whether a text is a number but for its last character, the check.
func (c compiled) lacksCheck(text string) bool {
	if c.Check == NoCheck {
		return false
	}
	var next states
	for left := c.read.walk(1, text) &^ c.read.end(); left != 0; left &= left - 1 {
		next |= left & -left << 1
	}
	return c.read.closed(next)&c.read.end() != 0
}

// filled makes a number's body of its counter alone: what stands before must be
// fixed characters, and the counter gets leading zeros.
func (c compiled) filled(counter string) (body string, ok bool) {
	if !digits(counter) || c.variable() {
		return "", false
	}
	elements := c.printed.elements
	if c.Check != NoCheck {
		elements = elements[:len(elements)-1]
	}
	free := len(elements)
	for free > 0 && elements[free-1].set == setOf(digitSet) {
		free--
	}
	if len(counter) > len(elements)-free {
		return "", false
	}
	var head strings.Builder
	for _, e := range elements[:free] {
		one := e.set.sample()
		if e.set != setOf(string([]byte{one})) {
			return "", false
		}
		head.WriteByte(one)
	}
	body = head.String() + strings.Repeat("0", len(elements)-free-len(counter)) + counter
	if c.Case == CaseFolds {
		body = strings.ToUpper(body)
	}
	return body, c.read.matches(body) || c.lacksCheck(body)
}

// cutCounter parts a text before its last run of digits.
func cutCounter(text string) (head, counter string) {
	end := len(text)
	for end > 0 && !isDigit(text[end-1]) {
		end--
	}
	if end < len(text) {
		return text, "" // the counter must be last, or numbers would not be in order
	}
	start := end
	for start > 0 && isDigit(text[start-1]) {
		start--
	}
	return text[:start], text[start:]
}

// counted adds one to digits of a fixed length.
func counted(d string) (string, bool) {
	b := []byte(d)
	for i := len(b) - 1; i >= 0; i-- {
		if b[i] != '9' {
			b[i]++
			return string(b), true
		}
		b[i] = '0'
	}
	return "", false
}

// Printed is what stands on the label of an aggregate: the way back from a key.
type Printed struct {
	Scheme Scheme // of a standard's number: with the identifier that holds it
	Number string // as people read it
	Ward   string // where the number was given out, of numbers that depend on it
	// TubeType completes a number that all tubes of a request carry.
	TubeType string
	Turn     string // which use of a number that comes again; empty for the first
}

// Printed gives what stands on the label of a key. ok is false for a key of a scheme
// that the site doesn't declare any more, and for one that no label holds.
func (s *Schemes) Printed(key event.Key) (p Printed, ok bool) {
	id, _, _ := strings.Cut(string(key), "-")
	text := key.Label()
	for _, c := range s.all {
		if c.ID == id {
			return c.printedOf(text)
		}
	}
	p.Scheme = Scheme{ID: id, In: []string{Plain}}
	p.Number = text
	if id == event.Local {
		return p, text != ""
	}
	for _, k := range keys {
		if k.scheme == id && k.scheme != "" {
			p.Scheme.Names, p.Scheme.In, p.Number = k.names, []string{k.code}, unmarked(text)
			return p, true
		}
	}
	return Printed{}, false
}

func (c compiled) printedOf(text string) (p Printed, ok bool) {
	p.Scheme = c.Scheme
	if c.Reuse > 0 {
		if i := strings.LastIndex(text, joinTurn); i >= 0 {
			text, p.Turn = text[:i], text[i+1:]
		}
	}
	if c.Ward {
		i := strings.LastIndex(text, joinWard) // a tube type holds none
		if i < 0 {
			return Printed{}, false
		}
		p.Ward, text = text[:i], text[i+1:]
	}
	if c.TubeType {
		if text, p.TubeType, ok = strings.Cut(text, joinType); !ok {
			return Printed{}, false
		}
	}
	if c.Case == CaseCounts {
		text = unmarked(text)
	}
	p.Number = text
	return p, c.read.matches(text)
}

// unmarked is the way back from marked.
func unmarked(text string) string {
	var b strings.Builder
	small := false
	for i := range len(text) {
		switch c := text[i]; {
		case string([]byte{c}) == smallMark:
			small = true
		case small && isLetter(c):
			b.WriteByte(c - 'A' + 'a')
			small = false
		default:
			b.WriteByte(c)
			small = false
		}
	}
	return b.String()
}
