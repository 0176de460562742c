package stability

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"specimen.example/custody/internal/event"
)

// fileFormat is the first line of every rule file.
const fileFormat = "stability-rules/1"

// MaxFileBytes bounds a rule file; it travels whole in a RulesAdopted fact.
const MaxFileBytes = 1 << 20

// Parse reads one rule file. The name stands in messages only. An error is of
// type Mistakes and holds every mistake of the file, or one for a file that
// isn't YAML at all.
//
// Beside rules, waits and ends-test a file may carry a laboratory's catalogue,
// so that it is complete by itself. Where a list is given, it binds: a rule may
// then only name what stands in it.
//
//	tubes:   [{code: LIHEP, name: lithium heparin, additive: lithium heparin, gel: no}]
//	assays:  [{code: K, loinc: 2823-3, name: potassium}]     # a rule may then say only {code: K}
//	         [{code: HIV, name: HIV-1 RNA, restricted: yes}] # shown as "restricted test" where anybody passes
//	accepts: [{assay: K, tubes: [LIHEP, SERUM]}]             # any other tube type is the wrong tube
//
// A rate is per hour, in the unit of its criterion. A rule may demand handling,
// needs: [in-foil], [on-ice] or [kept-warm]: see Need.
func Parse(name string, data []byte) (*Set, error) {
	p := parser{reader: reader{file: name}, set: &Set{}}
	root := p.document(data)
	if root != nil && len(p.found) == 0 {
		p.top(root)
	}
	if len(p.found) > 0 {
		p.found.sort()
		return nil, p.found.bounded()
	}
	sum := sha256.Sum256(data)
	p.set.Hash = hex.EncodeToString(sum[:])
	if err := p.set.Finish(); err != nil {
		return nil, Mistakes{{File: name, Line: 1, Column: 1, Field: "rules", Problem: "can't be judged by: " + err.Error(),
			Remedy: "choose rounder limits, or split the rule"}}
	}
	return p.set, nil
}

// parser fills a set. It keeps beside each rule what the checks across rules need.
type parser struct {
	reader
	set   *Set
	bands map[string]band
	nodes []ruleNodes // one per rule of set.Rules
	waits []*yaml.Node
}

// band is a named band; one that could not be read is known but not ok, so that
// its rows don't add mistakes that follow from it.
type band struct {
	low, high event.CentiC
	ok        bool
}

// document gives the one block of the file, or reports why there is none.
func (p *parser) document(data []byte) *yaml.Node {
	start := &yaml.Node{Line: 1, Column: 1}
	if len(data) > MaxFileBytes {
		p.mistake(start, "file", fmt.Sprintf("is %d bytes long", len(data)), "split it: a rule file holds at most 1 MiB")
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc yaml.Node
	err := dec.Decode(&doc)
	if errors.Is(err, io.EOF) {
		p.mistake(start, "file", "is empty", "begin with format: "+fileFormat)
		return nil
	}
	if err != nil {
		p.notYAML(err, data)
		return nil
	}
	var second yaml.Node
	switch err := dec.Decode(&second); {
	case err == nil:
		p.mistake(&second, "file", "holds more than one document", "take the line --- out, or make two files")
		return nil
	case !errors.Is(err, io.EOF):
		p.notYAML(err, data)
		return nil
	}
	if p.plain(&doc); len(p.found) > 0 || len(doc.Content) == 0 {
		return nil
	}
	return doc.Content[0]
}

// notYAML turns the reader's own message into a mistake with its line.
func (p *parser) notYAML(err error, data []byte) {
	at := &yaml.Node{Line: 1, Column: 1}
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	if rest, found := strings.CutPrefix(text, "line "); found {
		number, problem, _ := strings.Cut(rest, ": ")
		if line, err := strconv.Atoi(number); err == nil {
			at.Line, text = max(line, 1), problem
		}
	}
	remedy := "compare the indentation, colons and quotes with the lines around"
	if bytes.Contains(data, []byte("\t")) {
		remedy = "use spaces, not tabs, to indent"
	}
	p.mistake(at, "file", "is not YAML: "+oneLine(text), remedy)
}

func (p *parser) top(root *yaml.Node) {
	m, ok := p.mapping(root, "", "format", "set", "conventions", "tubes", "assays", "accepts", "rules", "waits", "ends-test")
	if !ok {
		return
	}
	if n := m.need("format", "begin with format: "+fileFormat); n != nil {
		if s, ok := p.scalar(n, "format"); ok && s != fileFormat {
			p.mistake(n, "format", quote(s)+" is not a format that is known", "write "+fileFormat)
		}
	}
	p.header(m)
	p.conventions(m)
	p.catalogue(m)

	rules := m.list("rules")
	if n := m.get("rules"); n == nil || n.Kind == yaml.SequenceNode && len(rules) == 0 {
		p.mistake(root, "rules", "there are no rules", "give at least one rule")
	}
	for i, n := range rules {
		p.rule(n, "rules["+strconv.Itoa(i+1)+"]")
	}
	for i, n := range m.list("waits") {
		p.wait(n, "waits["+strconv.Itoa(i+1)+"]")
	}
	for i, n := range m.list("ends-test") {
		p.endsTest(n, "ends-test["+strconv.Itoa(i+1)+"]")
	}
	p.across()
}

func (p *parser) header(m mapping) {
	n := m.need("set", "write set: {name: …, version: 1, author: …}")
	if n == nil {
		return
	}
	h, ok := p.mapping(n, "set", "name", "version", "author")
	if !ok {
		return
	}
	p.set.Name = h.needText("name", "give the set a name")
	p.set.Author = h.needText("author", "say who answers for these limits")
	if v := h.need("version", "count versions from 1"); v != nil {
		s, ok := p.scalar(v, "set.version")
		value, scale, number := decimal(s)
		if ok && (!number || scale != 1 || value < 1) {
			p.mistake(v, "set.version", quote(s)+" is not a whole number from 1", "count versions from 1")
		}
		p.set.Version = value
	}
}

func (p *parser) conventions(m mapping) {
	p.bands = map[string]band{}
	n := m.get("conventions")
	if n == nil {
		return
	}
	c, ok := p.mapping(n, "conventions")
	if !ok {
		return
	}
	for _, name := range sortedKeys(c.values) {
		p.bands[name] = p.numbers(c.values[name], c.field(name))
		if b := p.bands[name]; b != (band{}) {
			if p.set.Conventions == nil {
				p.set.Conventions = map[string]event.Range{}
			}
			p.set.Conventions[name] = event.Range{Low: b.low, High: b.high, Known: true}
		}
	}
}

const bandRemedy = "write [lowest, highest] in °C with at most two decimals, for example [15.0, 25.0]"

// numbers reads a band of two temperatures, both ends inside.
func (p *parser) numbers(n *yaml.Node, field string) band {
	if n.Kind != yaml.SequenceNode || len(n.Content) != 2 {
		p.mistake(n, field, "is not a band", bandRemedy)
		return band{}
	}
	low, okLow := p.celsius(n.Content[0], field)
	high, okHigh := p.celsius(n.Content[1], field)
	if !okLow || !okHigh {
		return band{}
	}
	if low > high {
		p.mistake(n, field, "the first edge is warmer than the second", "write the colder edge first")
		return band{}
	}
	return band{low, high, true}
}

func (p *parser) celsius(n *yaml.Node, field string) (event.CentiC, bool) {
	s, ok := p.scalar(n, field)
	if !ok {
		return 0, false
	}
	c, problem := parseCelsius(s)
	if problem != "" {
		p.mistake(n, field, problem, "give °C with at most two decimals")
		return 0, false
	}
	return c, true
}
