package web

import (
	"cmp"
	"encoding/json"
	"io"
	"maps"
	"slices"
	"strings"
)

// docsPage is the API description as a page. Fault says why there is none.
type docsPage struct {
	Fault  string
	About  []string
	Groups []docsGroup
	Shapes []docsShape
}

type docsGroup struct {
	ID, Name, Say string
	Methods       []docsMethod
}

type docsMethod struct {
	ID, Verb, Path, Say string
	Params              []docsParam
	Answer              docsKind
}

type docsParam struct {
	Name, In, Say string
	Required      bool
	Kind          docsKind
}

type docsShape struct {
	ID, Name, Say string
	Fields        []docsParam
}

// docsKind is a type in words; Link is the anchor of its shape, if it is one.
type docsKind struct{ Text, Link string }

// Render writes the page as HTML.
func (p docsPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "API", Kind: "docs", Page: p}.render(w)
}

// openAPI is what the page reads of an OpenAPI 2.0 description.
type openAPI struct {
	Info struct {
		Description string `json:"description"`
	} `json:"info"`
	Tags []struct {
		Name        string `json:"name"`
		Description string `json:"description"`
	} `json:"tags"`
	Paths       map[string]map[string]openMethod `json:"paths"`
	Definitions map[string]openSchema            `json:"definitions"`
}

type openMethod struct {
	Summary     string   `json:"summary"`
	Description string   `json:"description"`
	OperationID string   `json:"operationId"`
	Tags        []string `json:"tags"`
	Parameters  []struct {
		Name        string      `json:"name"`
		In          string      `json:"in"`
		Description string      `json:"description"`
		Required    bool        `json:"required"`
		Schema      *openSchema `json:"schema"`
		openSchema
	} `json:"parameters"`
	Responses map[string]struct {
		Schema *openSchema `json:"schema"`
	} `json:"responses"`
}

type openSchema struct {
	Ref         string                `json:"$ref"`
	Type        string                `json:"type"`
	Format      string                `json:"format"`
	Title       string                `json:"title"`
	Description string                `json:"description"`
	Enum        []string              `json:"enum"`
	Items       *openSchema           `json:"items"`
	Properties  map[string]openSchema `json:"properties"`
	// Extra is a schema, or a bare true or false.
	Extra json.RawMessage `json:"additionalProperties"`
}

func readDocs(data []byte) docsPage {
	if len(data) == 0 {
		return docsPage{Fault: "This program was built without a description of its API."}
	}
	var api openAPI
	if err := json.Unmarshal(data, &api); err != nil {
		return docsPage{Fault: "The description of the API can't be read: " + err.Error() + ". Tell the engineer."}
	}
	p := docsPage{}
	if api.Info.Description != "" {
		p.About = strings.Split(oneLine(api.Info.Description), "\n")
	}
	for _, t := range api.Tags {
		p.Groups = append(p.Groups, docsGroup{ID: "group-" + t.Name, Name: t.Name, Say: oneLine(t.Description)})
	}
	for _, path := range slices.Sorted(maps.Keys(api.Paths)) {
		for _, verb := range slices.Sorted(maps.Keys(api.Paths[path])) {
			p.add(path, verb, api.Paths[path][verb])
		}
	}
	p.Groups = slices.DeleteFunc(p.Groups, func(g docsGroup) bool { return len(g.Methods) == 0 })
	for _, name := range slices.Sorted(maps.Keys(api.Definitions)) {
		p.Shapes = append(p.Shapes, shapeOf(name, api.Definitions[name]))
	}
	return p
}

func (p *docsPage) add(path, verb string, m openMethod) {
	method := docsMethod{ID: m.OperationID, Verb: strings.ToUpper(verb), Path: path, Say: oneLine(cmp.Or(m.Summary, m.Description))}
	for _, x := range m.Parameters {
		schema := &x.openSchema
		if x.Schema != nil {
			schema = x.Schema
		}
		method.Params = append(method.Params, docsParam{
			Name: x.Name, In: x.In, Required: x.Required, Kind: kindOf(schema), Say: oneLine(x.Description),
		})
	}
	if ok, found := m.Responses["200"]; found && ok.Schema != nil {
		method.Answer = kindOf(ok.Schema)
	}
	group := "Other"
	if len(m.Tags) > 0 {
		group = m.Tags[0]
	}
	i := slices.IndexFunc(p.Groups, func(g docsGroup) bool { return g.Name == group })
	if i < 0 {
		i = len(p.Groups)
		p.Groups = append(p.Groups, docsGroup{ID: "group-" + group, Name: group})
	}
	p.Groups[i].Methods = append(p.Groups[i].Methods, method)
}

func shapeOf(name string, s openSchema) docsShape {
	shape := docsShape{ID: "shape-" + name, Name: name, Say: oneLine(cmp.Or(s.Description, s.Title))}
	for _, field := range slices.Sorted(maps.Keys(s.Properties)) {
		f := s.Properties[field]
		shape.Fields = append(shape.Fields, docsParam{Name: field, Kind: kindOf(&f), Say: oneLine(cmp.Or(f.Description, f.Title))})
	}
	return shape
}

func kindOf(s *openSchema) docsKind {
	switch {
	case s.Ref != "":
		name := strings.TrimPrefix(s.Ref, "#/definitions/")
		return docsKind{Text: name, Link: "shape-" + name}
	case s.Type == "array" && s.Items != nil:
		k := kindOf(s.Items)
		k.Text = "list of " + k.Text
		return k
	case len(s.Enum) > 0:
		return docsKind{Text: "one of " + strings.Join(s.Enum, ", ")}
	case len(s.Extra) > 0 && s.Extra[0] == '{':
		return mapKind(s.Extra)
	case s.Title != "" && s.Type == "object":
		return docsKind{Text: s.Title}
	case s.Format == "int64" || s.Format == "uint64":
		return docsKind{Text: "64-bit number as text"}
	case s.Format != "":
		return docsKind{Text: s.Type + ", " + s.Format}
	}
	return docsKind{Text: cmp.Or(s.Type, "any")}
}

func mapKind(raw json.RawMessage) docsKind {
	var value openSchema
	if err := json.Unmarshal(raw, &value); err != nil {
		return docsKind{Text: "map"}
	}
	k := kindOf(&value)
	k.Text = "map to " + k.Text
	return k
}

// oneLine undoes the line breaks of a comment and keeps those between paragraphs.
func oneLine(s string) string {
	paragraphs := strings.Split(strings.TrimSpace(s), "\n\n")
	for i := range paragraphs {
		paragraphs[i] = strings.Join(strings.Fields(paragraphs[i]), " ")
	}
	return strings.Join(paragraphs, "\n")
}
