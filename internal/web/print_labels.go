package web

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/printing"
)

// printOverview is the page that says what can be printed.
type printOverview struct{}

// Render writes the page as HTML.
func (p printOverview) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Print", Kind: "print", Sheet: "print.css", Page: p}.render(w)
}

func (s *server) printOverview(w http.ResponseWriter, r *http.Request) {
	s.send(w, r, http.StatusOK, printOverview{})
}

// printLabels is a page of labels, one a sheet of paper, with the form that made it.
type printLabels struct {
	Base   string
	Kind   string // tubes, carriers, hatches, self-test, downtime
	Head   string
	Lead   string
	Form   printForm
	Faults printFaults
	Labels []printing.Drawing
	Paper  printing.Size
	Module string   // width of the symbols' modules in words
	Notes  []string // what must be known before they are used
	Known  []printLink
	All    string // address of a page with all that are known
	Wards  bool   // a scheme needs the ward
	Types  bool   // a scheme needs the tube type
	Sheet  string // address of the paper form of the same numbers
}

// printLink is something known that can be printed by one touch.
type printLink struct{ URL, Name, Say string }

// Render writes the page as HTML.
func (p printLabels) Render(w io.Writer, site Site) error {
	f := frame{Site: site, Name: p.Head, Kind: "print-labels", Sheet: "print.css", Script: "print.js", Page: p}
	if len(p.Labels) > 0 {
		f.Paper = p.Paper.String()
	}
	return f.render(w)
}

// DPIs and Sizes are what the form offers.
func (p printLabels) DPIs() []printing.DPI { return printing.DPIs() }

// SymbolChoices are the choices of symbols in words.
func (p printLabels) SymbolChoices() [][2]string {
	return [][2]string{{"both", "Data Matrix and Code 128"}, {"matrix", "Data Matrix alone"}, {"bars", "Code 128 alone"}}
}

// Many says how many labels there are.
func (p printLabels) Many() string { return count(len(p.Labels), "label", "labels") }

func (p *printLabels) status() int {
	if len(p.Faults) > 0 {
		p.Labels = nil // half a set would be taken for the whole
		return http.StatusUnprocessableEntity
	}
	return http.StatusOK
}

// sendLabels finishes a page: an error that is nobody's fault but ours is no page.
func (s *server) sendLabels(w http.ResponseWriter, r *http.Request, p *printLabels, err error) {
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p.Base = s.site.Base
	status := p.status()
	if len(p.Labels) > 0 && len(p.Labels[0].Placed) > 0 && p.Kind != "self-test" {
		var modules []string
		for _, placed := range p.Labels[0].Placed {
			modules = append(modules, fmt.Sprintf("%s of %d dots a module (%s mm)", placed.Name, placed.Module, p.Labels[0].DPI.MM(placed.Module)[:5]))
		}
		p.Module = "The first has " + strings.Join(modules, " and ") + "."
	}
	s.send(w, r, status, *p)
}

// nameNote says why no name is on the labels.
const nameNote = "No patient's name is here: this log keeps none. The name stands top left by CLSI AUTO12-A; write it on the rule, or print over it from the system that knows it. A tube is labelled at the patient, after two identifiers were compared there."

func (s *server) printTubes(w http.ResponseWriter, r *http.Request) {
	p := printLabels{Kind: "tubes", Head: "Tube labels", Lead: "For the tubes of a request, or for numbers that you type.", Notes: []string{nameNote}}
	p.Form = printFormOf(r.URL.Query(), printing.TubeSize, printing.DPI(s.opts.LabelDPI))
	schemes := s.src.Schemes()
	p.needs(schemes, label.Tube)
	paper := p.Form.paper(&p.Faults)
	p.Paper = paper.Size
	tubes, err := s.tubesFor(r, schemes, &p)
	if err == nil && len(p.Faults) == 0 {
		p.draw(schemes, paper, label.Tube, tubes, s.site.Demo)
	}
	s.sendLabels(w, r, &p, err)
}

// needs says which parts of a number the schemes want said.
func (p *printLabels) needs(schemes *label.Schemes, t label.Thing) {
	for _, scheme := range schemes.All() {
		p.Wards = p.Wards || scheme.Names == t && scheme.Ward
		p.Types = p.Types || scheme.Names == t && scheme.TubeType
	}
}

// labelFor is a number with what its label says.
type labelFor struct {
	wanted
	label printing.Label
}

// tubesFor finds the tubes that the form asks for.
func (s *server) tubesFor(r *http.Request, schemes *label.Schemes, p *printLabels) ([]labelFor, error) {
	var out []labelFor
	if p.Form.Request != "" {
		request, err := typed(schemes, label.Request, p.Form.Request, p.Form.Ward, "", s.now())
		if err != nil {
			p.Faults = append(p.Faults, printFault{"request", sentence(reason(err))})
			return nil, nil
		}
		tubes, err := s.src.PrintRequest(r.Context(), request.key)
		if errors.Is(err, ErrNotFound) {
			p.Faults = append(p.Faults, printFault{"request", fmt.Sprintf("Nothing was ever recorded of the request %s. Compare the number with the order, or type the numbers of its tubes below.", p.Form.Request)})
			return nil, nil
		}
		if err != nil {
			return nil, fmt.Errorf("reading request %s: %w", p.Form.Request, err)
		}
		if len(tubes) == 0 {
			p.Faults = append(p.Faults, printFault{"request", fmt.Sprintf("The request %s has no tubes yet. Type the numbers that its tubes shall get below.", p.Form.Request)})
		}
		for _, tube := range tubes {
			printed, ok := schemes.Printed(tube.Key)
			if !ok {
				p.Faults = append(p.Faults, printFault{"request", fmt.Sprintf("The number %s is of a scheme that the site declares no more. Declare it again, or print this tube's label from the old roll.", tube.Key.Label())})
				continue
			}
			out = append(out, labelFor{wanted{printed, tube.Key}, labelWords(tube)})
		}
	}
	for i, text := range lines([]string{p.Form.Numbers}) {
		if i >= mostLabels {
			p.Faults = append(p.Faults, printFault{"number", fmt.Sprintf("More than %d numbers. Print them in parts.", mostLabels)})
			break
		}
		w, err := typed(schemes, label.Tube, text, p.Form.Ward, p.Form.Type, s.now())
		if err != nil {
			p.Faults.add("number", err)
			continue
		}
		tube, err := s.src.PrintTube(r.Context(), w.key)
		if err != nil && !errors.Is(err, ErrNotFound) { // a label may be printed before its tube is known
			return nil, fmt.Errorf("reading tube %s: %w", text, err)
		}
		if tube.Type == "" {
			tube.Type = p.Form.Type
		}
		out = append(out, labelFor{w, labelWords(tube)})
	}
	return out, nil
}

// reason is an error of a form without its field.
func reason(err error) string {
	var pe *printing.Error
	if errors.As(err, &pe) {
		return pe.Say
	}
	return err.Error()
}

// labelWords is what the label of a tube says beside its number. CLSI AUTO12-A wants
// name, number and birth date of the patient, date and time of collection, and who
// collected.
func labelWords(tube PrintTube) printing.Label {
	l := printing.Label{Blanks: [][]string{{"Name"}, {"Born", "Patient no."}, {"Drawn on", "at", "by"}}}
	line := printing.Line{Lead: tube.Type}
	restricted := 0
	for _, t := range tube.Tests {
		if t.Restricted {
			restricted++
			continue
		}
		line.Words = append(line.Words, t.Code)
	}
	if restricted > 0 {
		line.Words = append(line.Words, fmt.Sprintf("+%d", restricted))
	}
	if tube.Irreplaceable {
		line.Words = slices.Insert(line.Words, 0, "irreplaceable")
	}
	if line.Lead == "" && len(line.Words) == 0 {
		l.Blanks = slices.Insert(l.Blanks, 2, []string{"Tube", "Tests"})
		return l
	}
	l.Lines = []printing.Line{line}
	return l
}

// draw lays out all labels, and says what is wrong with each.
func (p *printLabels) draw(schemes *label.Schemes, paper printing.Paper, want label.Thing, all []labelFor, demo bool) {
	if len(all) > mostLabels {
		p.Faults = append(p.Faults, printFault{"number", fmt.Sprintf("%d labels at once are more than %d. Print them in parts.", len(all), mostLabels)})
		return
	}
	for _, one := range all {
		one.label.Demo = demo
		d, err := drawn(schemes, paper, want, one.wanted, one.label)
		if err != nil {
			p.Faults.add("number", err)
			if len(p.Faults) >= 5 {
				break // the same is wrong with all of them
			}
			continue
		}
		p.Labels = append(p.Labels, d)
	}
}

func (s *server) printCarriers(w http.ResponseWriter, r *http.Request) {
	p := printLabels{
		Kind: "carriers", Head: "Labels of bags, boxes and racks", Lead: "One label each, to be scanned at packing, at each handover, and at unpacking.",
		Notes: []string{"This label is no mark of dangerous goods. What a box must carry for the road or the air stands on the packing checklist."},
	}
	carriers, err := s.src.PrintCarriers(r.Context())
	known := map[event.Key]printing.Label{}
	var links []knownThing
	for _, c := range carriers {
		known[c.Key] = carrierWords(c)
		say := c.Kind
		if c.Owner != "" {
			say += ", of " + c.Owner
		}
		links = append(links, knownThing{c.Key, "", strings.TrimPrefix(say, ", ")})
	}
	s.printThings(w, r, &p, label.Carrier, known, links, carrierWords(PrintCarrier{}), err)
}

func carrierWords(c PrintCarrier) printing.Label {
	l := printing.Label{Head: "Carrier", Lines: []printing.Line{
		{Lead: "Scan it", Words: strings.Fields("at packing, handover, unpacking")},
	}}
	if c.Kind != "" {
		l.Head = strings.ToUpper(c.Kind[:1]) + c.Kind[1:]
	}
	if c.Owner != "" {
		l.Lines = append(l.Lines, printing.Line{Lead: "Belongs to", Words: []string{c.Owner}})
	}
	return l
}

func (s *server) printHatches(w http.ResponseWriter, r *http.Request) {
	p := printLabels{Kind: "hatches", Head: "Labels of hatches and other places", Lead: "To be put up where tubes are left and taken; whoever does scans it."}
	places, err := s.src.PrintPlaces(r.Context())
	known := map[event.Key]printing.Label{}
	var links []knownThing
	for _, c := range places {
		known[c.Key] = placeWords(c)
		links = append(links, knownThing{c.Key, c.Name, c.Kind})
	}
	s.printThings(w, r, &p, label.Place, known, links, placeWords(PrintPlace{}), err)
}

func placeWords(c PrintPlace) printing.Label {
	l := printing.Label{Head: c.Name, Lines: []printing.Line{{Lead: "Scan it", Words: strings.Fields("when you leave or take tubes")}}}
	if c.Name == "" {
		l.Head = "Place"
	}
	if c.Kind != "" {
		l.Lines = append([]printing.Line{{Words: []string{c.Kind}}}, l.Lines...)
	}
	return l
}

// knownThing is a carrier or place with its words in a list.
type knownThing struct {
	key       event.Key
	name, say string
}

// printThings is what the labels of carriers and of places have in common.
func (s *server) printThings(w http.ResponseWriter, r *http.Request, p *printLabels, want label.Thing, known map[event.Key]printing.Label, links []knownThing, unknown printing.Label, err error) {
	q := r.URL.Query()
	p.Form = printFormOf(q, printing.CarrierSize, printing.DPI(s.opts.LabelDPI))
	schemes := s.src.Schemes()
	p.needs(schemes, want)
	paper := p.Form.paper(&p.Faults)
	p.Paper = paper.Size
	var all []labelFor
	for _, one := range links {
		printed, ok := schemes.Printed(one.key)
		if !ok {
			continue
		}
		printed.Scheme.Names = want
		number := asTyped(printed)
		name := one.name
		if name == "" {
			name = number
		}
		address := url.Values{"number": {number}}
		if printed.Ward != "" {
			address.Set("ward", printed.Ward)
		}
		p.Known = append(p.Known, printLink{s.site.Base + r.URL.Path + "?" + address.Encode(), name, one.say})
		if q.Get("known") == "all" {
			all = append(all, labelFor{wanted{printed, one.key}, known[one.key]})
		}
	}
	if len(p.Known) > 1 {
		p.All = s.site.Base + r.URL.Path + "?known=all"
	}
	for _, text := range lines([]string{p.Form.Numbers}) {
		one, err := typed(schemes, want, text, p.Form.Ward, "", s.now())
		if err != nil {
			p.Faults.add("number", err)
			continue
		}
		words, ok := known[one.key]
		if !ok {
			words = unknown
		}
		all = append(all, labelFor{one, words})
	}
	if err == nil && len(p.Faults) == 0 {
		p.draw(schemes, paper, want, all, s.site.Demo)
	}
	s.sendLabels(w, r, p, err)
}

func (s *server) printSelfTest(w http.ResponseWriter, r *http.Request) {
	p := printLabels{Kind: "self-test", Head: "Self-test of a label printer", Lead: "Labels with modules of 1, 2, 3 … dots. They show what this printer, its ribbon and your readers can do."}
	p.Form = printFormOf(r.URL.Query(), printing.TubeSize, printing.DPI(s.opts.LabelDPI))
	paper := p.Form.paper(&p.Faults)
	p.Paper = paper.Size
	if len(p.Faults) == 0 {
		var err error
		if p.Labels, err = paper.SelfTest(); err != nil {
			p.Faults.add("size", err)
		}
		least := 0
		for _, n := range paper.DPI.Modules() {
			if paper.DPI.Must(n) && least == 0 {
				least = n
			}
		}
		p.Notes = []string{
			fmt.Sprintf("Scan both symbols of each label into any text field. From %d dots a module on (%s mm) both must read, as the word in bold: %s and so on. Fewer dots may fail.", least, paper.DPI.MM(least)[:4], paper.DPI.TestWord(least)),
			"Lay a ruler of steel along the marks. If 40 mm are not 40 mm to a hair, the browser or the driver scales: print at 100 %, without margins, headers and “fit to page”, and set the paper to the label's size.",
			"If the ruler is right and a symbol that must read does not, look at it with a lens: bars that touch mean too much heat or speed too high, bars with gaps too little heat or a dirty head. Clean the head, print again (common practice, no source).",
			"If edges are grey or teeth show, the printer has another number of dots than was chosen here: its nameplate says which.",
			"What must read and doesn't, by any reader, means: no tube label from this printer today.",
		}
	}
	s.sendLabels(w, r, &p, nil)
}
