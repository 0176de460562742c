package label

import (
	"fmt"
	"slices"
	"strings"
)

// GS is how a separator (FNC1 past the first position) arrives, ASCII 29.
const GS = "\x1d"

// Element is one GS1 element: an application identifier and its value.
type Element struct {
	AI    string // "01"
	Value string
}

// Elements are the elements of one label in the order of the label.
type Elements []Element

// Value gives the value of an identifier, "" when it isn't there.
func (es Elements) Value(code string) string {
	for _, e := range es {
		if e.AI == code {
			return e.Value
		}
	}
	return ""
}

// has tells whether an identifier is there. An entry may end in n for any digit.
func (es Elements) has(entry string, but string) bool {
	return slices.ContainsFunc(es, func(e Element) bool { return e.AI != but && names(entry, e.AI) })
}

// Text is how people write the elements: (01)09521234000174(10)K7Q2.
func (es Elements) Text() string {
	var b strings.Builder
	for _, e := range es {
		b.WriteString("(" + e.AI + ")" + e.Value)
	}
	return b.String()
}

// Data is what a reader sends for the elements, without symbology identifier: a
// separator behind each element that isn't last and has no predefined length.
func (es Elements) Data() string {
	var b strings.Builder
	for i, e := range es {
		b.WriteString(e.AI + e.Value)
		if one := table[e.AI]; i < len(es)-1 && (one == nil || !one.fixed) {
			b.WriteString(GS)
		}
	}
	return b.String()
}

// ParseGS1 reads element strings as a reader sends them behind a GS1 symbology
// identifier: FNC1 first is implied, later ones are GS. A separator behind a fixed
// length or at the end is tolerated. The error names the element. What elements
// demand of each other is Elements.Together.
func ParseGS1(data string) (Elements, error) {
	if data == "" {
		return nil, fmt.Errorf("no GS1 data behind the symbology identifier")
	}
	var out Elements
	for rest := data; rest != ""; {
		one, ok := identifierAt(rest)
		if !ok {
			return nil, fmt.Errorf("no application identifier begins with %q", clip(rest, 4))
		}
		rest = rest[len(one.code):]
		value, behind, separated := strings.Cut(rest, GS)
		if one.fixed {
			_, length := one.bounds()
			if len(value) > length {
				value, behind, separated = rest[:length], rest[length:], false
			}
		}
		if say := one.check(value); say != "" {
			return nil, fmt.Errorf("(%s) %s", one.code, say)
		}
		out = append(out, Element{one.code, value})
		if separated && strings.HasPrefix(behind, GS) {
			return nil, fmt.Errorf("two separators behind (%s)", one.code)
		}
		rest = behind
	}
	return out, nil
}

// ParseElementText reads elements as people write them, with brackets around the
// identifiers.
func ParseElementText(text string) (Elements, error) {
	var out Elements
	for rest := text; rest != ""; {
		code, behind, ok := bracketed(rest)
		if !ok {
			return nil, fmt.Errorf("%q is no application identifier in brackets", clip(rest, 6))
		}
		end := len(behind)
		for i := range behind {
			if _, _, ok := bracketed(behind[i:]); ok {
				end = i
				break
			}
		}
		if say := table[code].check(behind[:end]); say != "" {
			return nil, fmt.Errorf("(%s) %s", code, say)
		}
		out = append(out, Element{code, behind[:end]})
		rest = behind[end:]
	}
	if out == nil {
		return nil, fmt.Errorf("no elements")
	}
	return out, nil
}

func bracketed(text string) (code, behind string, ok bool) {
	if !strings.HasPrefix(text, "(") {
		return "", "", false
	}
	code, behind, ok = strings.Cut(text[1:], ")")
	if !ok || table[code] == nil {
		return "", "", false
	}
	return code, behind, true
}

// Together says what the elements of one label may not be without or beside each
// other, nil when nothing is wrong. One identifier twice is fine with one value.
func (es Elements) Together() error {
	if err := es.compatible(); err != nil {
		return err
	}
	for _, e := range es {
		for _, list := range table[e.AI].needs { // known: compatible has looked
			if !slices.ContainsFunc(list, func(entry string) bool { return es.has(entry, e.AI) }) {
				return fmt.Errorf("(%s) needs one of %s on the same label", e.AI, brackets(list))
			}
		}
	}
	return nil
}

// compatible is Together without what is missing: that may stand in a second
// symbol on the same thing.
func (es Elements) compatible() error {
	for i, e := range es {
		for _, other := range es[i+1:] {
			if e.AI == other.AI && e.Value != other.Value {
				return fmt.Errorf("(%s) stands there twice with different values", e.AI)
			}
		}
		one := table[e.AI]
		if one == nil {
			return fmt.Errorf("(%s) is no application identifier", e.AI)
		}
		for _, bar := range one.bars {
			if es.has(bar, e.AI) {
				return fmt.Errorf("(%s) must not stand beside (%s)", e.AI, bar)
			}
		}
	}
	return nil
}

func brackets(codes []string) string { return "(" + strings.Join(codes, "), (") + ")" }

// maxCuts bounds the work of cuts: past it the data count as ambiguous.
const maxCuts = 5_000

// cuts counts in how many ways data can be cut into elements when separators may
// be missing behind any element of variable length, as far as 2. fits says which
// cuts count.
func cuts(data string, fits func(Elements) bool) int {
	found, work := 0, 0
	var es Elements
	var cut func(rest string)
	cut = func(rest string) {
		if work++; found > 1 || work > maxCuts {
			return
		}
		if rest == "" {
			if fits(es) {
				found++
			}
			return
		}
		one, ok := identifierAt(rest)
		if !ok {
			return
		}
		rest = rest[len(one.code):]
		value, _, _ := strings.Cut(rest, GS)
		low, high := one.bounds()
		for n := min(high, len(value)); n >= max(low, 1); n-- {
			if one.check(value[:n]) != "" {
				continue
			}
			es = append(es, Element{one.code, value[:n]})
			cut(strings.TrimPrefix(rest[n:], GS))
			es = es[:len(es)-1]
		}
	}
	cut(data)
	if work > maxCuts {
		return 2
	}
	return found
}

// clip gives the head of a text for a message.
func clip(text string, n int) string {
	if len(text) <= n {
		return text
	}
	return text[:n]
}
