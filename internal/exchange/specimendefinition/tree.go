package specimendefinition

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Bounds of what is read.
const (
	// MaxBytes bounds a resource, as a rule file is bounded.
	MaxBytes    = 1 << 20
	maxDepth    = 32
	maxElements = 20_000
)

const (
	fhirSpace  = "http://hl7.org/fhir"
	xhtmlSpace = "http://www.w3.org/1999/xhtml"
	resource   = "SpecimenDefinition"
)

// node is an element of either form: JSON and XML give the same tree.
type node struct {
	name         string
	path         string // FHIRPath, set when the tree is held against its shape
	line, column int
	form         form
	json         bool // read from JSON, where lists and types show
	inList       bool // JSON: stood in an array
	value        string
	kids         []*node
}

// form is what a value was written as.
type form byte

const (
	block   form = iota
	text         // a JSON string
	number       // a JSON number
	boolean      // a JSON true or false
	written      // the value attribute of XML, whose type the shape tells
)

// kid gives the first child of a name, nil for none. Lists are asked with all.
func (n *node) kid(name string) *node {
	for _, k := range n.kids {
		if k.name == name {
			return k
		}
	}
	return nil
}

func (n *node) all(name string) []*node {
	var list []*node
	for _, k := range n.kids {
		if k.name == name {
			list = append(list, k)
		}
	}
	return list
}

// tree reads the bytes; the first fault ends it, because what follows would be
// guessed.
type tree struct {
	*places
	count int
	json  bool
}

func (t *tree) fault(offset int64, problem, remedy string) error {
	line, column := t.at(offset)
	return Faults{{Path: "file", Line: line, Column: column, Problem: problem, Remedy: remedy}}
}

// parse gives the resource's root element.
func parse(data []byte) (*node, error) {
	t := &tree{places: newPlaces(data)}
	switch trimmed := bytes.TrimLeft(data, " \t\r\n"); {
	case len(data) > MaxBytes:
		return nil, t.fault(0, fmt.Sprintf("is %d bytes long", len(data)), "give one SpecimenDefinition of at most 1 MiB")
	case !utf8.Valid(data):
		return nil, t.fault(0, "is not UTF-8", "save it as UTF-8, as FHIR asks")
	case len(trimmed) == 0:
		return nil, t.fault(0, "is empty", "give one SpecimenDefinition in JSON or XML")
	case trimmed[0] == '{':
		return t.readJSON()
	case trimmed[0] == '<':
		return t.readXML()
	}
	return nil, t.fault(0, "is neither JSON nor XML", "give one SpecimenDefinition, without a byte order mark in front")
}

// add makes a node at an offset and counts it.
func (t *tree) add(name string, offset int64, depth int) (*node, error) {
	t.count++
	if t.count > maxElements {
		return nil, t.fault(offset, fmt.Sprintf("has more than %d elements", maxElements), "split the definition")
	}
	if depth > maxDepth {
		return nil, t.fault(offset, fmt.Sprintf("is nested more than %d deep", maxDepth), "take contained resources and extensions out")
	}
	line, column := t.at(offset)
	return &node{name: name, line: line, column: column, json: t.json}, nil
}

func (t *tree) readJSON() (*node, error) {
	t.json = true
	dec := json.NewDecoder(bytes.NewReader(t.data))
	dec.UseNumber()
	nodes, err := t.jsonValue(dec, resource, t.after(0), 0, false)
	if err != nil {
		return nil, t.notJSON(err, dec.InputOffset())
	}
	if rest := t.after(dec.InputOffset()); int(rest) < len(t.data) {
		return nil, t.fault(rest, "has more after the end of the resource", "give one resource")
	}
	root := nodes[0]
	kind := root.kid("resourceType")
	if kind == nil || kind.value != resource || kind.form != text {
		got := "no resourceType"
		if kind != nil {
			got = "resourceType " + quote(kind.value)
		}
		return nil, t.fault(0, "has "+got, "give one "+resource+"; take it out of a Bundle first")
	}
	for i, k := range root.kids {
		if k == kind {
			root.kids = append(root.kids[:i:i], root.kids[i+1:]...)
			break
		}
	}
	return root, nil
}

// notJSON turns the reader's own message into a fault; ours pass.
func (t *tree) notJSON(err error, offset int64) error {
	var ours Faults
	if errors.As(err, &ours) {
		return err
	}
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		// A decoder that goes token by token doesn't count from the start of the file.
		var whole json.RawMessage
		errors.As(json.Unmarshal(t.data, &whole), &syntax)
		offset = max(syntax.Offset-1, 0)
	}
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return t.fault(int64(len(t.data)), "ends too early", "send the whole file")
	}
	return t.fault(offset, "is not JSON: "+plain(err.Error(), 120), "compare the commas, quotes and brackets around")
}

// jsonValue reads one value; an array gives its items, each marked.
func (t *tree) jsonValue(dec *json.Decoder, name string, offset int64, depth int, inList bool) ([]*node, error) {
	token, err := dec.Token()
	if err != nil {
		return nil, err
	}
	n, err := t.add(name, offset, depth)
	if err != nil {
		return nil, err
	}
	n.inList = inList
	switch v := token.(type) {
	case string:
		n.form, n.value = text, v
	case json.Number:
		n.form, n.value = number, v.String()
	case bool:
		n.form, n.value = boolean, fmt.Sprint(v)
	case nil:
		// A list of values with extensions may hold a null; nothing else may.
		if !inList {
			return nil, t.fault(offset, name+" is null", "leave the element out")
		}
	case json.Delim:
		if v == '[' {
			return t.jsonList(dec, n, depth, inList)
		}
		return []*node{n}, t.jsonBlock(dec, n, depth)
	}
	return []*node{n}, nil
}

func (t *tree) jsonList(dec *json.Decoder, list *node, depth int, inList bool) ([]*node, error) {
	start := t.after(dec.InputOffset())
	if inList {
		return nil, t.fault(start, list.name+" is a list of lists", "write one list")
	}
	var items []*node
	for dec.More() {
		more, err := t.jsonValue(dec, list.name, t.after(dec.InputOffset()), depth+1, true)
		if err != nil {
			return nil, err
		}
		items = append(items, more...)
	}
	if _, err := dec.Token(); err != nil {
		return nil, err
	}
	if len(items) == 0 {
		return nil, t.fault(start, list.name+" is an empty list", "leave the element out")
	}
	return items, nil
}

func (t *tree) jsonBlock(dec *json.Decoder, n *node, depth int) error {
	seen := map[string]bool{}
	for dec.More() {
		offset := t.after(dec.InputOffset())
		token, err := dec.Token()
		if err != nil {
			return err
		}
		key, ok := token.(string)
		if !ok || key == "" {
			return t.fault(offset, "an element has no name", "name it")
		}
		if seen[key] {
			return t.fault(offset, quote(key)+" stands twice in one block", "keep one of the two")
		}
		seen[key] = true
		kids, err := t.jsonValue(dec, key, offset, depth+1, false)
		if err != nil {
			return err
		}
		n.kids = append(n.kids, kids...)
	}
	_, err := dec.Token()
	return err
}

func (t *tree) readXML() (*node, error) {
	dec := xml.NewDecoder(bytes.NewReader(t.data))
	var root *node
	var open []*node
	for {
		offset := dec.InputOffset()
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, t.fault(dec.InputOffset(), "is not XML: "+plain(err.Error(), 120), "compare the tags and quotes around")
		}
		switch v := token.(type) {
		case xml.Directive:
			return nil, t.fault(offset, "has a document type or entity declaration", "take it out: FHIR forbids it")
		case xml.CharData:
			if len(bytes.TrimSpace(v)) > 0 {
				return nil, t.fault(offset, "has text between elements", "write it as a value attribute")
			}
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.StartElement:
			n, err := t.xmlElement(v, offset, len(open))
			if err != nil {
				return nil, err
			}
			switch {
			case len(open) > 0:
				open[len(open)-1].kids = append(open[len(open)-1].kids, n)
			case root != nil:
				return nil, t.fault(offset, "has a second root element", "give one resource")
			case v.Name.Space != fhirSpace || v.Name.Local != resource:
				return nil, t.fault(offset, "begins with "+quote(v.Name.Local)+" of namespace "+quote(v.Name.Space),
					"give one "+resource+" of namespace "+fhirSpace+"; take it out of a Bundle first")
			default:
				root = n
			}
			if v.Name.Space == xhtmlSpace { // the narrative of text: its words are not data
				if err := dec.Skip(); err != nil {
					return nil, t.fault(dec.InputOffset(), "is not XML: "+plain(err.Error(), 120), "compare the tags and quotes around")
				}
				continue
			}
			open = append(open, n)
		}
	}
	if root == nil {
		return nil, t.fault(0, "has no element", "give one "+resource)
	}
	return root, nil
}

func (t *tree) xmlElement(v xml.StartElement, offset int64, depth int) (*node, error) {
	n, err := t.add(v.Name.Local, offset, depth)
	if err != nil {
		return nil, err
	}
	if v.Name.Space != fhirSpace && v.Name.Space != xhtmlSpace {
		return nil, t.fault(offset, quote(v.Name.Local)+" is of namespace "+quote(v.Name.Space), "use namespace "+fhirSpace)
	}
	for _, a := range v.Attr {
		switch {
		case v.Name.Space == xhtmlSpace, a.Name.Space == "xmlns", a.Name.Local == "xmlns", strings.HasSuffix(a.Name.Space, "XMLSchema-instance"):
		case a.Name.Space == "" && a.Name.Local == "value":
			n.form, n.value = written, a.Value
		case a.Name.Space == "" && (a.Name.Local == "id" || a.Name.Local == "url"):
			k, err := t.add(a.Name.Local, offset, depth+1)
			if err != nil {
				return nil, err
			}
			k.form, k.value = written, a.Value
			n.kids = append(n.kids, k)
		default:
			return nil, t.fault(offset, quote(v.Name.Local)+" has an attribute "+quote(a.Name.Local), "use value, id or url only")
		}
	}
	return n, nil
}
