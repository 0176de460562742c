package label

import (
	"fmt"
	"math/bits"
	"strconv"
	"strings"
)

// A pattern says which texts are numbers of a scheme, character by character:
//
//	#        a digit
//	@        a letter
//	*        a letter or a digit
//	[AB0-3]  one of these; ^ inside has no meaning of its own
//	\c       the character c itself
//	{n}      the character before it n times; {m,n}: m to n times
//	( )      once: the part that is the request's number
//	other    itself
//
// There is no "any number of" and no "or": a pattern's texts are a finite set of
// bounded length, so whether two patterns share a text is decided exactly, by
// walking both at once, and never by trying examples.
type pattern struct {
	elements []element
	// group is the part in brackets, as element indexes; from == to means none. All
	// before its end has a fixed length, so that the part can be cut out.
	groupFrom, groupTo int
	optional           states // elements that may be missing
}

// element is one character of a text, which may be missing when optional.
type element struct {
	set      set
	optional bool
}

// set holds characters of ASCII.
type set [2]uint64

func (s *set) add(c byte) { s[c>>6] |= 1 << (c & 63) }

func (s set) has(c byte) bool { return c < 0x80 && s[c>>6]&(1<<(c&63)) != 0 }

func (s set) and(o set) set { return set{s[0] & o[0], s[1] & o[1]} }

func (s set) empty() bool { return s == set{} }

// folded gives s with every letter in both cases.
func (s set) folded() set {
	for c := byte('A'); c <= 'Z'; c++ {
		if s.has(c) || s.has(c+'a'-'A') {
			s.add(c)
			s.add(c + 'a' - 'A')
		}
	}
	return s
}

const (
	digitSet  = "0123456789"
	letterSet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
)

func setOf(text string) set {
	var s set
	for i := 0; i < len(text); i++ {
		s.add(text[i])
	}
	return s
}

// sample gives one character of s that is easily read.
func (s set) sample() byte {
	for _, c := range []byte(digitSet + letterSet) {
		if s.has(c) {
			return c
		}
	}
	for c := byte(0x21); c < 0x7f; c++ {
		if s.has(c) {
			return c
		}
	}
	return 0
}

// MaxPattern is the longest text in characters that a pattern may allow. A key
// must hold the text with what is added to it (ward, tube type).
const MaxPattern = 40

// parsePattern reads a pattern. Its errors name the column, counted from 1.
func parsePattern(text string) (pattern, error) {
	p := pattern{groupFrom: -1}
	open, variable := false, false
	at := 0
	fail := func(format string, args ...any) (pattern, error) {
		return pattern{}, fmt.Errorf("column %d: %s", at+1, fmt.Sprintf(format, args...))
	}
	if text == "" {
		return fail("the pattern is empty; write # for a digit, @ for a letter, other characters as they are")
	}
	for at < len(text) {
		c := text[at]
		if c <= ' ' || c >= 0x7f {
			return fail("a pattern holds visible characters of ASCII only; leave blanks and others out")
		}
		switch c {
		case '(':
			if p.groupFrom >= 0 {
				return fail("a second ( ; one part of a number is the request's")
			}
			open, p.groupFrom = true, len(p.elements)
			at++
			continue
		case ')':
			if !open || len(p.elements) == p.groupFrom {
				return fail("a ) without its ( or with nothing between")
			}
			if variable {
				return fail("the request's part and what stands before it must have a fixed length; use {n} there, not {m,n}")
			}
			open, p.groupTo = false, len(p.elements)
			at++
			continue
		case '{', '}', ']':
			return fail("%q has nothing before it; write \\%c for the character itself", c, c)
		}
		one, next, say := oneSet(text, at)
		if say != "" {
			return fail("%s", say)
		}
		at = next
		low, high := 1, 1
		if at < len(text) && text[at] == '{' {
			end := strings.IndexByte(text[at:], '}')
			if end < 0 {
				return fail("a { without its }")
			}
			var ok bool
			if low, high, ok = times(text[at+1 : at+end]); !ok {
				return fail("write {n} or {m,n} with 0 <= m <= n and 1 <= n <= %d", MaxPattern)
			}
			at += end + 1
		}
		variable = variable || low != high
		for i := range high {
			if i >= low && len(p.elements) < MaxPattern {
				p.optional |= 1 << len(p.elements)
			}
			p.elements = append(p.elements, element{set: one, optional: i >= low})
		}
		if len(p.elements) > MaxPattern {
			return fail("more than %d characters", MaxPattern)
		}
	}
	switch {
	case open:
		return fail("a ( without its )")
	case p.matches(""):
		return fail("an empty text would be a number; say how many characters there are at least")
	}
	if p.groupFrom < 0 {
		p.groupFrom = 0
	}
	return p, nil
}

// oneSet reads the characters that stand at one place.
func oneSet(text string, at int) (s set, next int, say string) {
	switch c := text[at]; c {
	case '#':
		return setOf(digitSet), at + 1, ""
	case '@':
		return setOf(letterSet), at + 1, ""
	case '*':
		return setOf(digitSet + letterSet), at + 1, ""
	case '\\':
		if at+1 == len(text) {
			return set{}, at, "a \\ with nothing behind it"
		}
		if text[at+1] <= ' ' || text[at+1] >= 0x7f {
			return set{}, at, "a pattern holds visible characters of ASCII only; leave blanks and others out"
		}
		return setOf(text[at+1 : at+2]), at + 2, ""
	case '[':
		end := at + 1
		for ; end < len(text) && text[end] != ']'; end++ {
			from := text[end]
			if from == '\\' && end+1 < len(text) {
				end++
				from = text[end]
			}
			to := from
			if end+2 < len(text) && text[end+1] == '-' && text[end+2] != ']' {
				to = text[end+2]
				end += 2
			}
			if from <= ' ' || to >= 0x7f || to < from {
				return set{}, at, "a range must run upwards through visible characters of ASCII"
			}
			for c := from; c <= to; c++ {
				s.add(c)
			}
		}
		if end >= len(text) {
			return set{}, at, "a [ without its ]"
		}
		if s.empty() {
			return set{}, at, "nothing between [ and ]"
		}
		return s, end + 1, ""
	default:
		return setOf(string([]byte{c})), at + 1, ""
	}
}

func times(text string) (low, high int, ok bool) {
	first, second, ranged := strings.Cut(text, ",")
	if !ranged {
		second = first
	}
	if len(first) > 2 || len(second) > 2 || !digits(first) || !digits(second) {
		return 0, 0, false
	}
	low, _ = strconv.Atoi(first)
	high, _ = strconv.Atoi(second)
	return low, high, low <= high && high >= 1 && high <= MaxPattern
}

// folded gives p with every letter in both cases.
func (p pattern) folded() pattern {
	out := p
	out.elements = make([]element, len(p.elements))
	for i, e := range p.elements {
		out.elements[i] = element{set: e.set.folded(), optional: e.optional}
	}
	return out
}

// some tells whether a text of p may hold one of the characters.
func (p pattern) some(chars string) bool {
	for _, e := range p.elements {
		if !e.set.and(setOf(chars)).empty() {
			return true
		}
	}
	return false
}

// longest is the length of the longest text.
func (p pattern) longest() int { return len(p.elements) }

// states is a set of places in a pattern: bit i means that i elements are done.
// MaxPattern keeps it in one word.
type states uint64

// closed adds what is reached by leaving optional characters out.
func (p *pattern) closed(s states) states {
	for left := p.optional; left != 0; left &= left - 1 { // from the first on
		if one := left & -left; s&one != 0 {
			s |= one << 1
		}
	}
	return s
}

func (p *pattern) walk(s states, text string) states {
	s = p.closed(s)
	for i := 0; i < len(text) && s != 0; i++ {
		var next states
		for left := s &^ p.end(); left != 0; left &= left - 1 {
			j := bits.TrailingZeros64(uint64(left))
			if p.elements[j].set.has(text[i]) {
				next |= 1 << (j + 1)
			}
		}
		s = p.closed(next)
	}
	return s
}

// end is the state in which a text is complete.
func (p *pattern) end() states { return 1 << len(p.elements) }

// matches tells whether text is one of the pattern's texts.
func (p *pattern) matches(text string) bool { return p.walk(1, text)&p.end() != 0 }

// shortened tells whether text is what is left of one of the pattern's texts when
// the head or the tail is lost. A single character proves nothing.
func (p *pattern) shortened(text string) bool {
	if len(text) < 2 || p.matches(text) {
		return false
	}
	head := p.walk(1, text) &^ p.end()
	tail := p.walk(p.end()-2, text) & p.end() // begun anywhere but at the start
	return head != 0 || tail != 0
}

// group gives the request's part of a text that matches.
func (p pattern) group(text string) string {
	if p.groupFrom == p.groupTo {
		return ""
	}
	return text[p.groupFrom:p.groupTo]
}

// followed gives the pattern of a text of p with one of q behind it.
func (p pattern) followed(q pattern) pattern {
	return pattern{elements: append(append([]element(nil), p.elements...), q.elements...)}
}

// shared gives the shortest text that both patterns have. ok is false when they
// have none.
func shared(p, q pattern) (text string, ok bool) {
	return meet(p, q, []int{0}, func(i int) bool { return i == len(p.elements) })
}

// lost gives a text of q that is what remains of a text of p whose head or tail is
// lost.
func lost(p, q pattern) (text string, ok bool) {
	n := len(p.elements)
	// Tail lost: q is complete while p still has characters to come.
	if text, ok := meet(p, q, []int{0}, func(i int) bool { return i > 0 && i < n }); ok {
		return text, true
	}
	var starts []int
	for i := 1; i < n; i++ {
		starts = append(starts, i)
	}
	return meet(p, q, starts, func(i int) bool { return i == n })
}

// meet walks both patterns at once, in order of the text's length, p from starts
// and q from its beginning, until q is complete and p is in a place that done
// accepts.
func meet(p, q pattern, starts []int, done func(int) bool) (string, bool) {
	type place struct{ i, j int }
	type step struct {
		place
		text string
	}
	seen := map[place]bool{}
	var queue []step
	var push func(i, j int, text string)
	push = func(i, j int, text string) {
		at := place{i, j}
		if seen[at] {
			return
		}
		seen[at] = true
		queue = append(queue, step{at, text})
		if i < len(p.elements) && p.elements[i].optional {
			push(i+1, j, text)
		}
		if j < len(q.elements) && q.elements[j].optional {
			push(i, j+1, text)
		}
	}
	for _, i := range starts {
		push(i, 0, "")
	}
	for len(queue) > 0 {
		s := queue[0]
		queue = queue[1:]
		if s.j == len(q.elements) && done(s.i) {
			return s.text, true
		}
		if s.i == len(p.elements) || s.j == len(q.elements) {
			continue
		}
		if both := p.elements[s.i].set.and(q.elements[s.j].set); !both.empty() {
			push(s.i+1, s.j+1, s.text+string([]byte{both.sample()}))
		}
	}
	return "", false
}
