package stability

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// reader collects the mistakes of one file. Each of its methods reports what is
// wrong and goes on with the zero value, so that one reading finds everything.
type reader struct {
	file  string
	found Mistakes
}

func (r *reader) mistake(n *yaml.Node, field, problem, remedy string) {
	r.found = append(r.found, Mistake{File: r.file, Line: n.Line, Column: n.Column, Field: field, Problem: problem, Remedy: remedy})
}

// plain refuses what makes a YAML file say more than it shows: aliases, anchors
// (they can blow a small file up) and tags.
func (r *reader) plain(n *yaml.Node) {
	switch {
	case n.Kind == yaml.AliasNode:
		r.mistake(n, "file", "an alias ("+quote(n.Value)+") is not allowed", "write the value out")
	case n.Anchor != "":
		r.mistake(n, "file", "an anchor ("+quote(n.Anchor)+") is not allowed", "take the anchor out and write each value where it is used")
	case n.Style&yaml.TaggedStyle != 0:
		r.mistake(n, "file", "a tag ("+quote(n.Tag)+") is not allowed", "take the tag out; put text in quotes")
	}
	for _, c := range n.Content {
		r.plain(c)
	}
}

// mapping is one "key: value" block. Empty values count as not given.
type mapping struct {
	r      *reader
	node   *yaml.Node
	path   string
	values map[string]*yaml.Node
}

// mapping reads a block and reports keys that aren't known or stand twice.
// No known keys: every key is allowed.
func (r *reader) mapping(n *yaml.Node, path string, known ...string) (mapping, bool) {
	m := mapping{r: r, node: n, path: path, values: map[string]*yaml.Node{}}
	if n.Kind != yaml.MappingNode {
		r.mistake(n, whole(path), "is not a block of \"key: value\"", oneOf("write the keys", known))
		return m, false
	}
	lines := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if key.Kind != yaml.ScalarNode {
			r.mistake(key, whole(path), "has a key that is not a word", oneOf("use the keys", known))
			continue
		}
		name := key.Value
		if line, twice := lines[name]; twice {
			r.mistake(key, m.field(show(name)), fmt.Sprintf("the key stands twice, first in line %d", line), "keep one of the two")
			continue
		}
		lines[name] = key.Line
		if len(known) > 0 && !slices.Contains(known, name) {
			r.mistake(key, m.field(show(name)), "the key is not known", oneOf("use one of", known, name))
			continue
		}
		if !isNull(value) {
			m.values[name] = value
		}
	}
	return m, true
}

// whole names the block at the top of the file, which has no path.
func whole(path string) string {
	if path == "" {
		return "file"
	}
	return path
}

// show is a key as it may stand in a path.
func show(key string) string {
	if q := quote(key); key == "" || q != "\""+key+"\"" {
		return q
	}
	return key
}

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" }

func (m mapping) field(key string) string {
	if m.path == "" {
		return key
	}
	return m.path + "." + key
}

func (m mapping) get(key string) *yaml.Node { return m.values[key] }

// need gives the value of a key that must be there.
func (m mapping) need(key, remedy string) *yaml.Node {
	n := m.values[key]
	if n == nil {
		m.r.mistake(m.node, m.field(key), "is missing", remedy)
	}
	return n
}

// scalar gives the text of a node, which must be one value.
func (r *reader) scalar(n *yaml.Node, field string) (string, bool) {
	if n.Kind != yaml.ScalarNode || isNull(n) {
		r.mistake(n, field, "is not one value", "write a single value")
		return "", false
	}
	return n.Value, true
}

// text gives the text of an optional key on one line, without space at its ends.
func (m mapping) text(key string) string {
	n := m.get(key)
	if n == nil {
		return ""
	}
	s, _ := m.r.scalar(n, m.field(key))
	return strings.TrimSpace(oneLine(s))
}

// needText gives the text of a key that must be there and say something.
func (m mapping) needText(key, remedy string) string {
	n := m.need(key, remedy)
	if n == nil {
		return ""
	}
	s, ok := m.r.scalar(n, m.field(key))
	if s = strings.TrimSpace(oneLine(s)); ok && s == "" {
		m.r.mistake(n, m.field(key), "is empty", remedy)
	}
	return s
}

// shaped gives the text of a key that must be there and pass a test of its shape.
func (m mapping) shaped(key string, shape func(string) bool, remedy string) string {
	n := m.need(key, remedy)
	if n == nil {
		return ""
	}
	s, ok := m.r.scalar(n, m.field(key))
	if ok && !shape(s) {
		m.r.mistake(n, m.field(key), quote(s)+" can't be used here", remedy)
		return ""
	}
	return s
}

// word gives one word of a closed list; absent gives absent, and is a mistake
// when that is "".
func (m mapping) word(key string, list []string, absent string) string {
	n := m.get(key)
	if n == nil {
		if absent == "" {
			m.r.mistake(m.node, m.field(key), "is missing", oneOf("say one of", list))
		}
		return absent
	}
	s, ok := m.r.scalar(n, m.field(key))
	if !ok {
		return ""
	}
	if !slices.Contains(list, s) {
		m.r.mistake(n, m.field(key), quote(s)+" is not a known word", oneOf("use one of", list, s))
		return ""
	}
	return s
}

// yes reads yes or no (true or false); absent is no.
func (m mapping) yes(key string) bool {
	n := m.get(key)
	if n == nil {
		return false
	}
	yes, _ := m.r.yesNo(n, m.field(key))
	return yes
}

func (r *reader) yesNo(n *yaml.Node, field string) (yes, ok bool) {
	s, ok := r.scalar(n, field)
	if !ok {
		return false, false
	}
	switch s {
	case "yes", "true":
		return true, true
	case "no", "false":
		return false, true
	}
	r.mistake(n, field, quote(s)+" is neither yes nor no", "write yes or no")
	return false, false
}

const durationRemedy = "write a number and one unit, s, m, h or d, for example 90m"

// duration reads a length of time in milliseconds; ok is false when the key is
// absent or can't be read.
func (m mapping) duration(key string) (ms int64, ok bool) {
	n := m.get(key)
	if n == nil {
		return 0, false
	}
	s, ok := m.r.scalar(n, m.field(key))
	if !ok {
		return 0, false
	}
	ms, problem := parseDuration(s)
	if problem != "" {
		m.r.mistake(n, m.field(key), problem, durationRemedy)
		return 0, false
	}
	return ms, true
}

// positive is duration for limits, where none at all can't be meant.
func (m mapping) positive(key string) (ms int64, ok bool) {
	ms, ok = m.duration(key)
	if ok && ms == 0 {
		m.r.mistake(m.get(key), m.field(key), "is no time at all", "for \"never\" use outside with allow: 0s, or leave the band out")
		return 0, false
	}
	return ms, ok
}

// list gives the items of a list; a key that is absent gives none.
func (m mapping) list(key string) []*yaml.Node {
	n := m.get(key)
	if n == nil {
		return nil
	}
	if n.Kind != yaml.SequenceNode {
		m.r.mistake(n, m.field(key), "is not a list", "write a list, for example [A, B], or lines that begin with a hyphen")
		return nil
	}
	return n.Content
}

// codes gives a list of codes that must be there, have an item and name none twice.
func (m mapping) codes(key, remedy string) []string {
	n := m.need(key, remedy)
	if n == nil {
		return nil
	}
	items := m.list(key)
	if n.Kind == yaml.SequenceNode && len(items) == 0 {
		m.r.mistake(n, m.field(key), "is empty", remedy)
	}
	var codes []string
	for _, item := range items {
		s, ok := m.r.scalar(item, m.field(key))
		switch {
		case !ok:
		case !isCode(s):
			m.r.mistake(item, m.field(key), quote(s)+" is not a code", "use capital letters, digits and hyphens")
		case slices.Contains(codes, s):
			m.r.mistake(item, m.field(key), quote(s)+" stands twice", "keep one of the two")
		default:
			codes = append(codes, s)
		}
	}
	return codes
}

// oneOf builds a remedy: the most likely word first where one is near.
func oneOf(lead string, list []string, like ...string) string {
	if len(like) > 0 {
		if w := nearest(like[0], list); w != "" {
			return "did you mean " + w + "?"
		}
	}
	return lead + " " + strings.Join(list, ", ")
}
