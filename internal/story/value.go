package story

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

// attrs reads key=value tokens. where is the verb, the kind of declaration or
// "expect"; base is what +5m counts from.
func (p *parser) attrs(tokens []token, where string, keys []string, base event.Instant) Attrs {
	var out Attrs
	for _, t := range tokens {
		switch _, twice := out.Get(t.key); {
		case t.key == "":
			p.fail(t.col, fmt.Sprintf("%q stands behind key=value", t.text), "put ids and ranges before the first key=value")
		case !slices.Contains(keys, t.key):
			p.fail(t.col, fmt.Sprintf("%s takes no %s=", where, t.key), offerKey(t.key, where, keys))
		case twice:
			p.fail(t.col, t.key+"= is given twice", "keep one")
		default:
			if a, ok := p.value(t, where, base); ok {
				out = append(out, a)
			}
		}
	}
	return out
}

func offerKey(key, where string, keys []string) string {
	if len(keys) == 0 {
		return "it takes no key=value at all"
	}
	own := slices.DeleteFunc(slices.Clone(keys), func(k string) bool {
		return where != "expect" && where != "" && distance(key, k) >= len(key)/3+2 && slices.Contains(everyStep(), k)
	})
	if len(own) == 0 {
		own = keys
	}
	return offer(key, own)
}

func shapeOf(where, key string) shape {
	if where == "expect" {
		if s, ok := expectShapes[key]; ok {
			return s
		}
	}
	if where == "void" && key == "tube" { // one, where other lines take a list
		return aWord
	}
	return shapes[key]
}

// value reads one value by the shape of its key.
func (p *parser) value(t token, where string, base event.Instant) (Attr, bool) {
	a := Attr{Key: t.key, Text: t.text}
	ok := true
	var err error
	hint := ""
	switch shapeOf(where, t.key) {
	case aWord:
		ok = p.closed(t, where, []string{t.text})
	case aList:
		a.List = strings.Split(t.text, ",")
		if slices.Contains(a.List, "") {
			err, hint = fmt.Errorf("a word of the list is empty"), "write words with one comma between, for example tests=K,GLU"
			break
		}
		ok = p.closed(t, where, a.List) && p.inOrder(t, where, a.List)
	case aNumber:
		a.Number, err = strconv.ParseInt(t.text, 10, 64)
		if err != nil || a.Number < 0 {
			err, hint = fmt.Errorf("%q is no whole number", t.text), "write a number from 0 up"
		}
	case aDuration:
		a.Duration, err = readDuration(t.text)
		hint = "write whole numbers and units, for example 95m or 1h35m"
	case anOffset:
		bare := strings.TrimLeft(t.text, "+-")
		if len(t.text)-len(bare) > 1 {
			err = fmt.Errorf("%q is no offset", t.text)
		} else {
			a.Duration, err = readDuration(bare)
		}
		if strings.HasPrefix(t.text, "-") {
			a.Duration = -a.Duration
		}
		hint = "write for example +5h or -90s"
	case anInstant:
		a.Instant, ok = p.when(t, t.text, base)
	case aMoment:
		if looksLikeTime(t.text) && !t.quoted {
			a.Instant, ok = p.when(t, t.text, base)
		}
	case aCelsius:
		if t.text == "fault" || t.text == None {
			break
		}
		a.C, err = readCelsius(strings.TrimSuffix(t.text, "C"))
		a.OK = err == nil
		hint = "write degrees Celsius with at most two decimals, for example 21.0, or fault"
	case aBand:
		a.Range, err = readBand(t.text)
		hint = "write for example 20..24C, low end first"
	case yesOrNo:
		a.OK = t.text == "yes"
		if !a.OK && t.text != "no" {
			err, hint = fmt.Errorf("%q is neither yes nor no", t.text), "write yes or no"
		}
	case localTimes:
		a.List = strings.Split(t.text, ",")
		for _, one := range a.List {
			if _, e := readClock(one); e != nil {
				err, hint = e, "write local times, for example departs=09:10,13:40"
			}
		}
	case aRaw:
		// kept as typed: the product answers for what a person types
	}
	if err != nil {
		p.fail(t.col, fmt.Sprintf("%s=: %v", t.key, err), hint)
		return a, false
	}
	return a, ok
}

// closed checks words against the closed list of a key.
func (p *parser) closed(t token, where string, words []string) bool {
	allowed := closedWords(where, t.key)
	for _, w := range words {
		if allowed != nil && !slices.Contains(allowed, w) {
			p.fail(t.col, fmt.Sprintf("%s=%s is no word of its list", t.key, w), offer(w, allowed))
			return false
		}
	}
	return true
}

// inOrder checks that several reasons stand in the order in which they are shown.
func (p *parser) inOrder(t token, where string, words []string) bool {
	if where != "expect" || t.key != "reason" {
		return true
	}
	order := texts(event.Reasons())
	sorted := slices.Clone(words)
	slices.SortFunc(sorted, func(a, b string) int { return slices.Index(order, a) - slices.Index(order, b) })
	sorted = slices.Compact(sorted)
	if !slices.Equal(sorted, words) || (len(words) > 1 && slices.Contains(words, None)) {
		p.fail(t.col, "the reasons are not in the order of their list", "write reason="+strings.Join(sorted, ","))
		return false
	}
	return true
}

// readCelsius reads a temperature on the grid of 0.01 degrees, without a float.
func readCelsius(text string) (event.CentiC, error) {
	bad := fmt.Errorf("%q is no temperature", text)
	bare, negative := strings.CutPrefix(text, "-")
	whole, part, hasPart := strings.Cut(bare, ".")
	if hasPart && (part == "" || len(part) > 2) {
		return 0, bad
	}
	n, ok1 := digits(whole)
	f, ok2 := digits((part + "00")[:2])
	if whole == "" || len(whole) > 4 || !ok1 || !ok2 {
		return 0, bad
	}
	c := event.CentiC(n*100 + f)
	if negative {
		c = -c
	}
	return c, nil
}

// readBand reads 20..24C.
func readBand(text string) (event.Range, error) {
	low, high, found := strings.Cut(text, "..")
	if !found {
		return event.Range{}, fmt.Errorf("%q is no range", text)
	}
	a, err := readCelsius(strings.TrimSuffix(low, "C"))
	if err != nil {
		return event.Range{}, err
	}
	b, err := readCelsius(strings.TrimSuffix(high, "C"))
	if err != nil {
		return event.Range{}, err
	}
	if a > b {
		return event.Range{}, fmt.Errorf("%q runs backwards", text)
	}
	return event.Range{Low: a, High: b, Known: true}, nil
}
