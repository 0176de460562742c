package story

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// DefaultEvery is the interval of a logger for which none was declared.
const DefaultEvery = 5 * time.Minute

// longestSeries is the most readings that one line may make.
const longestSeries = 20_000

// Parse reads a story file. name is used in messages only. zones gives the
// location of an IANA zone; time.LoadLocation is one. Every mistake is told at
// once: the error is then a Mistakes and the story is nil.
func Parse(name string, text []byte, zones func(string) (*time.Location, error)) (*Story, error) {
	p := &parser{story: &Story{Name: name}, zones: zones, every: map[string]time.Duration{}}
	lines := p.lex(text)
	for _, ln := range lines {
		if ln.noted {
			p.story.Comments = append(p.story.Comments, Comment{Line: ln.no, Text: ln.comment})
		}
		p.head(ln)
	}
	for _, ln := range lines {
		p.intervals(ln)
	}
	for _, ln := range lines {
		p.read(ln)
	}
	if len(p.wrong) > 0 {
		slices.SortStableFunc(p.wrong, func(a, b Mistake) int {
			return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
		})
		return nil, p.wrong
	}
	return p.story, nil
}

type parser struct {
	story *Story
	zones func(string) (*time.Location, error)
	cal   calendar
	every map[string]time.Duration // by logger
	last  event.Instant            // of the step above
	line  int
	wrong Mistakes
}

func (p *parser) fail(col int, what, instead string) {
	p.wrong = append(p.wrong, Mistake{File: p.story.Name, Line: p.line, Col: col, What: what, Instead: instead})
}

// head reads the lines that speak of the whole story, wherever they stand.
func (p *parser) head(ln line) {
	p.line = ln.no
	if len(ln.tokens) == 0 || ln.tokens[0].key != "" || ln.tokens[0].quoted || !slices.Contains(heads(), ln.tokens[0].text) {
		return
	}
	word := ln.tokens[0]
	if len(ln.tokens) != 2 || ln.tokens[1].key != "" {
		p.fail(word.col, word.text+" takes one value", "write for example "+headExample(word.text))
		return
	}
	if slices.ContainsFunc(p.story.Heads, func(h Head) bool { return h.Word == word.text }) {
		p.fail(word.col, word.text+" is given twice", "keep one; a time on another day is written 2026-11-25T08:00Z")
		return
	}
	p.story.Heads = append(p.story.Heads, Head{Line: ln.no, Word: word.text})
	value := ln.tokens[1]
	switch word.text {
	case "story":
		p.story.Title = value.text
	case "rules":
		p.story.Rules = value.text
	case "zone":
		p.story.Zone = value.text
		zone, err := p.zones(value.text)
		if err != nil || zone == nil {
			p.fail(value.col, fmt.Sprintf("the zone %q is not known", value.text), "write an IANA zone, for example Europe/Berlin")
			return
		}
		p.cal.zone = zone
	case "day":
		p.story.Day = value.text
		y, m, d, err := readDate(value.text)
		if err != nil {
			p.fail(value.col, err.Error(), "write for example 2026-11-24")
			return
		}
		p.cal.year, p.cal.month, p.cal.day = y, m, d
	}
}

func headExample(word string) string {
	switch word {
	case "story":
		return `story "late van"`
	case "rules":
		return "rules fixture.yaml"
	case "zone":
		return "zone Europe/Berlin"
	default:
		return "day 2026-11-24"
	}
}

// intervals notes the interval of each logger before any series is read.
func (p *parser) intervals(ln line) {
	if len(ln.tokens) < 2 || ln.tokens[0].text != "logger" {
		return
	}
	for _, t := range ln.tokens[2:] {
		if d, err := readDuration(t.text); t.key == "every" && err == nil {
			p.every[ln.tokens[1].text] = d
		}
	}
}

func (p *parser) read(ln line) {
	p.line = ln.no
	if len(ln.tokens) == 0 {
		return
	}
	first := ln.tokens[0]
	switch {
	case first.key != "" || first.quoted:
		p.fail(first.col, fmt.Sprintf("a line can't start with %q", first.written()), "start it with a declaration, a time or expect")
	case slices.Contains(heads(), first.text):
	case first.text == "expect":
		p.check(ln.no, "", 0, ln.tokens)
	case declared[first.text] != nil:
		p.decl(ln)
	case looksLikeTime(first.text):
		p.timed(ln)
	case verbs[first.text].max != 0 || first.text == "restart":
		p.fail(first.col, first.text+" has no time", "write for example 08:00Z "+first.text)
	default:
		words := append(slices.Collect(maps.Keys(declared)), "expect")
		p.fail(first.col, fmt.Sprintf("%q starts no line", first.text), offer(first.text, append(words, heads()...)))
	}
}

func (p *parser) decl(ln line) {
	kind := ln.tokens[0].text
	if len(ln.tokens) < 2 || ln.tokens[1].key != "" || ln.tokens[1].text == "" {
		p.fail(ln.tokens[0].col, kind+" has no id", "write for example "+kind+" X-1")
		return
	}
	id := ln.tokens[1]
	for _, d := range p.story.Decls {
		if d.Kind == kind && d.ID == id.text {
			p.fail(id.col, fmt.Sprintf("%s %s is declared twice, first in line %d", kind, id.text, d.Line), "keep one")
		}
	}
	d := Decl{Line: ln.no, Kind: kind, ID: id.text, Attrs: p.attrs(ln.tokens[2:], kind, declared[kind], 0)}
	if zone, ok := d.Attrs.Get("zone"); ok {
		if loc, err := p.zones(zone.Text); err != nil || loc == nil {
			p.fail(id.col, fmt.Sprintf("the zone %q is not known", zone.Text), "write an IANA zone, for example Europe/Berlin")
		}
	}
	if every, ok := d.Attrs.Get("every"); ok && every.Duration < time.Second {
		p.fail(id.col, "every= is shorter than a second", "write for example every=5m")
	}
	types, _ := d.Attrs.Get("type")
	if tubes, ok := d.Attrs.Get("tube"); ok && strings.Contains(types.Text, ",") && len(strings.Split(types.Text, ",")) != len(tubes.List) {
		p.fail(id.col, "type= names another number of types than tube= names tubes", "give one type, or one for each tube")
	}
	p.story.Decls = append(p.story.Decls, d)
}

// when reads a time, saying what is wrong with it at the token.
func (p *parser) when(t token, text string, base event.Instant) (event.Instant, bool) {
	s, err := readWhen(text)
	if err != nil {
		p.fail(t.col, err.Error(), timeForms)
		return 0, false
	}
	at, err := p.cal.instant(s, base)
	if err != nil {
		remedy := "write the offset, for example " + strings.TrimSuffix(text, "Z") + "+01:00"
		switch {
		case s.isRel:
			remedy = "write the time of day"
		case p.cal.year == 0 && s.year == 0:
			remedy = "add a line day 2026-11-24, or write 2026-11-24T08:00Z"
		case p.cal.zone == nil:
			remedy += ", or add a line zone Europe/Berlin"
		}
		p.fail(t.col, fmt.Sprintf("%s can't be placed: %v", text, err), remedy)
		return 0, false
	}
	return at, true
}

// timed reads a step or a check with a time.
func (p *parser) timed(ln line) {
	first := ln.tokens[0]
	at, ok := p.when(first, first.text, p.last)
	if len(ln.tokens) < 2 {
		p.fail(first.col, "nothing stands behind the time", "write a verb or expect")
		return
	}
	word := ln.tokens[1]
	if word.text == "expect" && word.key == "" && !word.quoted {
		p.check(ln.no, first.text, at, ln.tokens[1:])
		return
	}
	v, known := verbs[word.text]
	if !known || word.key != "" || word.quoted {
		p.fail(word.col, fmt.Sprintf("%q is no verb", word.written()), offer(word.text, append(slices.Collect(maps.Keys(verbs)), "expect")))
		if ok {
			p.last = at
		}
		return
	}
	p.step(ln, v, at)
	if ok {
		p.last = at
	}
}

func (p *parser) step(ln line, v verb, at event.Instant) {
	first, word := ln.tokens[0], ln.tokens[1]
	st := Step{Line: ln.no, When: first.text, At: at, Sent: at, Verb: word.text}
	rest := ln.tokens[2:]
	for len(rest) > 0 && rest[0].key == "" {
		t := rest[0]
		switch {
		case !t.quoted && strings.Contains(t.text, ".."):
			p.span(&st, v, t)
		case st.Span.Text != "":
			p.fail(t.col, fmt.Sprintf("%q stands behind the range", t.text), "put ids before the range")
		case t.text == "":
			p.fail(t.col, "the id is empty", "write the id")
		default:
			st.IDs = append(st.IDs, t.text)
		}
		rest = rest[1:]
	}
	if len(st.IDs) < v.min || (v.max >= 0 && len(st.IDs) > v.max) {
		p.fail(word.col, fmt.Sprintf("%s has %d ids", word.text, len(st.IDs)), "give "+howMany(v))
	}
	st.Attrs = p.attrs(rest, word.text, append(everyStep(), v.keys...), at)
	for _, key := range v.need {
		if !slices.ContainsFunc(rest, func(t token) bool { return t.key == key }) {
			p.fail(word.col, word.text+" has no "+key+"=", "add "+key+"=")
		}
	}
	if sent, ok := st.Attrs.Get("sent"); ok {
		st.Sent, st.Late = sent.Instant, true
		if sent.Instant < at {
			p.fail(first.col, "sent= lies before the time of the step", "what has not happened can't be sent")
		}
	}
	p.series(&st, first)
	if word.text == "receive" && len(st.IDs) == 0 && st.Attrs.Text("as") == "" {
		p.fail(word.col, "receive names no tube", "name it, or give as= for a tube without a label")
	}
	p.story.Steps = append(p.story.Steps, st)
}

func howMany(v verb) string {
	switch {
	case v.max == 0:
		return "none"
	case v.min == v.max:
		return "exactly " + strconv.Itoa(v.min)
	case v.max < 0:
		return "at least " + strconv.Itoa(v.min)
	default:
		return "at most " + strconv.Itoa(v.max)
	}
}

// span reads the time range of a step.
func (p *parser) span(st *Step, v verb, t token) {
	if !v.span {
		p.fail(t.col, st.Verb+" takes no range", "leave it out; an id with two dots is written as a string")
		return
	}
	if st.Span.Text != "" {
		p.fail(t.col, "a second range", "keep one")
		return
	}
	from, to, _ := strings.Cut(t.text, "..")
	st.Span.Text = t.text
	var ok1, ok2 bool
	st.Span.From, ok1 = p.when(t, from, st.At)
	if !ok1 {
		return
	}
	st.Span.To, ok2 = p.when(t, to, st.Span.From)
	if ok2 && st.Span.To < st.Span.From {
		p.fail(t.col, "the range runs backwards", "write the earlier end first")
	}
}

// series checks that a series of readings stays small enough to be run.
func (p *parser) series(st *Step, first token) {
	if st.Verb != "reading" || len(st.IDs) != 1 {
		return
	}
	st.Every = DefaultEvery
	if d, ok := p.every[st.IDs[0]]; ok && d >= time.Second {
		st.Every = d
	}
	if st.Span.To.Sub(st.Span.From)/st.Every > longestSeries {
		p.fail(first.col, fmt.Sprintf("the series would have more than %d readings", longestSeries), "shorten it or declare a longer every=")
	}
}
