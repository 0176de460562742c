package story

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

// check reads an expectation; tokens start with the word expect.
func (p *parser) check(no int, when string, at event.Instant, tokens []token) {
	c := Check{Line: no, When: when, At: at}
	rest := tokens[1:]
	if len(rest) == 0 || rest[0].key != "" {
		p.fail(tokens[0].col, "expect names nothing", "write for example expect TB260301/K within-limits, expect answer recorded, or expect count Collected=1")
		return
	}
	var ok bool
	switch first := rest[0]; {
	case first.text == "answer" && !first.quoted:
		rest, ok = p.answer(&c, rest)
	case first.text == "carrier" && !first.quoted:
		rest, ok = p.holds(&c, rest)
	case first.text == "count" && !first.quoted:
		c.Kind = OnCount
		rest, ok = p.fact(&c, rest[0], rest[1:])
	default:
		rest, ok = p.about(&c, rest)
	}
	if !ok {
		return
	}
	base := at
	if when == "" {
		base = p.last
	}
	c.Attrs = p.attrs(rest, "expect", expected[c.Kind], base)
	p.story.Checks = append(p.story.Checks, c)
}

func (p *parser) answer(c *Check, rest []token) ([]token, bool) {
	c.Kind = OnAnswer
	word, ok := p.wordOf(rest[0], rest[1:], "answer", texts(event.Answers()))
	if !ok {
		return nil, false
	}
	c.Want = word
	if event.Answer(word) != event.AnswerRefused {
		return rest[2:], true
	}
	refusal, ok := p.wordOf(rest[1], rest[2:], "refused", texts(event.Refusals()))
	if !ok {
		return nil, false
	}
	c.Refusal = event.Refusal(refusal)
	return rest[3:], true
}

// wordOf takes the next token as a word of a closed list.
func (p *parser) wordOf(before token, rest []token, what string, words []string) (string, bool) {
	if len(rest) == 0 || rest[0].key != "" {
		p.fail(before.col, what+" has no word behind it", offer("", words))
		return "", false
	}
	if !slices.Contains(words, rest[0].text) {
		p.fail(rest[0].col, fmt.Sprintf("%q is no word of the list of %s", rest[0].text, what), offer(rest[0].text, words))
		return "", false
	}
	return rest[0].text, true
}

func (p *parser) holds(c *Check, rest []token) ([]token, bool) {
	c.Kind = OnHolds
	if len(rest) < 4 || rest[1].key != "" || rest[1].text == "" || rest[2].text != "holds" || rest[2].key != "" || rest[3].key != "" {
		p.fail(rest[0].col, "the expectation on a carrier is not complete", "write for example expect carrier B-3 holds 2")
		return nil, false
	}
	c.ID = rest[1].text
	n, ok := digits(rest[3].text)
	if !ok || rest[3].text == "" {
		p.fail(rest[3].col, fmt.Sprintf("%q is no whole number", rest[3].text), "write how many tubes it holds")
		return nil, false
	}
	c.Count = n
	return rest[4:], true
}

// fact reads Collected=1, which is one token.
func (p *parser) fact(c *Check, before token, rest []token) ([]token, bool) {
	if len(rest) == 0 || rest[0].key == "" {
		p.fail(before.col, "no fact and number follow", "write for example Collected=1")
		return nil, false
	}
	t := rest[0]
	if !slices.Contains(factNames(), t.key) {
		p.fail(t.col, fmt.Sprintf("%q is no fact", t.key), offer(t.key, factNames()))
		return nil, false
	}
	n, ok := digits(t.text)
	if !ok || t.text == "" {
		p.fail(t.col, fmt.Sprintf("%q is no whole number", t.text), "write for example "+t.key+"=1")
		return nil, false
	}
	c.Fact, c.Count = t.key, n
	return rest[1:], true
}

// about reads an expectation on a tube, or on another thing that has a holder,
// doubts or facts.
func (p *parser) about(c *Check, rest []token) ([]token, bool) {
	id := rest[0]
	c.ID = id.text
	if before, after, found := strings.Cut(id.text, "/"); found && !id.quoted {
		c.ID, c.Assay = before, after
		if after == "" {
			p.fail(id.col, "no test follows the stroke", "write for example "+before+"/K, or leave the stroke out")
			return nil, false
		}
	}
	if c.ID == "" {
		p.fail(id.col, "the id is empty", "write the id of a tube")
		return nil, false
	}
	if len(rest) < 2 || rest[1].key != "" {
		p.fail(id.col, "nothing is expected of "+c.ID, "write a verdict, an outlook, flag, rack, holder, doubt or facts")
		return nil, false
	}
	word, ok := rest[1].text, true
	after := rest[2:]
	switch {
	case slices.Contains(texts(event.Verdicts()), word):
		c.Kind, c.Want = OnVerdict, word
		return after, true
	case slices.Contains(texts(event.Outlooks()), word):
		c.Kind, c.Want = OnOutlook, word
		return after, true
	case word == "flag":
		c.Kind = OnFlag
		c.Want, ok = p.wordOf(rest[1], after, word, append(texts(event.Actions()), None))
	case word == "rack":
		c.Kind = OnRack
		c.Want, ok = p.wordOf(rest[1], after, word, texts(event.RackAnswers()))
	case word == "doubt":
		c.Kind = OnDoubt
		c.Want, ok = p.wordOf(rest[1], after, word, append(texts(event.Doubts()), None))
	case word == "facts":
		c.Kind = OnFacts
		return p.fact(c, rest[1], after)
	case word == "holder":
		c.Kind = OnHolder
		if len(after) == 0 || after[0].key != "" || after[0].text == "" {
			p.fail(rest[1].col, "holder names nobody", "write who holds it")
			return nil, false
		}
		c.Want = after[0].text
	default:
		words := slices.Concat(texts(event.Verdicts()), texts(event.Outlooks()), []string{"flag", "rack", "holder", "doubt", "facts"})
		p.fail(rest[1].col, fmt.Sprintf("%q can't be expected", word), offer(word, words))
		return nil, false
	}
	if !ok {
		return nil, false
	}
	if c.Assay != "" {
		p.fail(id.col, word+" belongs to the whole tube", "leave /"+c.Assay+" out")
		return nil, false
	}
	return after[1:], true
}

// String gives the expectation as it is written in a story.
func (c Check) String() string {
	var b strings.Builder
	switch c.Kind {
	case OnAnswer:
		b.WriteString("answer " + c.Want)
		if c.Refusal != "" {
			b.WriteString(" " + string(c.Refusal))
		}
	case OnHolds:
		b.WriteString("carrier " + idText(c.ID) + " holds " + strconv.Itoa(c.Count))
	case OnCount:
		b.WriteString("count " + c.Fact + "=" + strconv.Itoa(c.Count))
	default:
		b.WriteString(c.subject())
		switch c.Kind {
		case OnVerdict, OnOutlook:
			b.WriteString(" " + c.Want)
		case OnFacts:
			b.WriteString(" facts " + c.Fact + "=" + strconv.Itoa(c.Count))
		default:
			b.WriteString(" " + string(c.Kind) + " " + idText(c.Want))
		}
	}
	b.WriteString(c.Attrs.String())
	return b.String()
}

// subject is the tube, with its test when one is named.
func (c Check) subject() string {
	if c.Assay != "" {
		return c.ID + "/" + c.Assay
	}
	if strings.Contains(c.ID, "/") || slices.Contains([]string{"answer", "carrier", "count"}, c.ID) {
		return strconv.Quote(c.ID)
	}
	return idText(c.ID)
}
