package web

import (
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/printing"
)

// printDowntime is the sheet on which collections are written while no screen works.
type printDowntime struct {
	Base    string
	Form    printForm
	Faults  printFaults
	Schemes []downtimeScheme
	Chosen  downtimeScheme
	Rows    []downtimeRow
	Labels  string // address of the labels with the same numbers
	Next    string // first number of the next sheet, empty where there is none
	NextURL string
}

type downtimeScheme struct {
	ID, Say     string
	Ward, Types bool
}

type downtimeRow struct {
	Number string // as it stands on the label
	number string // without the identifier of an element
	Symbol printing.Drawing
}

// Render writes the page as HTML.
func (p printDowntime) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Downtime sheet", Kind: "print-downtime", Sheet: "print.css", Script: "print.js", Paper: "a4-landscape", Page: p}.render(w)
}

// DPIs are what the form offers.
func (p printDowntime) DPIs() []printing.DPI { return printing.DPIs() }

// sheetModule is the width of a module on a sheet of paper in 1/100 mm: paper lies
// flat, and office printers spread more than label printers (common practice, no
// source).
const sheetModule = 38

// sheetDPI is what office printers have.
const sheetDPI = printing.DPI(600)

func downtimeSchemes(s *label.Schemes) []downtimeScheme {
	var out []downtimeScheme
	for _, scheme := range s.All() {
		if scheme.Names == label.Tube {
			say := scheme.ID + ": " + scheme.Pattern
			if scheme.Issuer != "" {
				say += ", given out by " + scheme.Issuer
			}
			out = append(out, downtimeScheme{scheme.ID, say, scheme.Ward, scheme.TubeType})
		}
	}
	if len(out) == 0 {
		out = []downtimeScheme{{ID: event.Local, Say: "no scheme is declared: any number that ends in digits"}}
	}
	return out
}

func (s *server) printDowntime(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	schemes := s.src.Schemes()
	labels := q.Get("as") == "labels"
	dpi := sheetDPI
	if labels {
		dpi = printing.DPI(s.opts.LabelDPI)
	}
	form := printFormOf(q, printing.TubeSize, dpi)
	p := printDowntime{Base: s.site.Base, Form: form, Schemes: downtimeSchemes(schemes)}
	if p.Form.Scheme == "" {
		p.Form.Scheme = p.Schemes[0].ID
	}
	paper := p.Form.paper(&p.Faults)
	if !labels && p.Form.From == "" {
		s.send(w, r, statusOf(p.Faults), p) // nothing was asked for yet
		return
	}
	all := p.numbers(schemes, s.now())
	if labels {
		l := printLabels{
			Kind: "downtime", Head: "Downtime labels", Lead: "The labels of a downtime sheet, in its order.", Notes: []string{nameNote},
			Form: p.Form, Faults: p.Faults, Paper: paper.Size, Sheet: s.site.Base + "/print/downtime?" + downtimeQuery(p.Form, p.Form.From, false),
		}
		if len(l.Faults) == 0 {
			l.draw(schemes, paper, label.Tube, all, s.site.Demo)
		}
		s.sendLabels(w, r, &l, nil)
		return
	}
	for _, one := range all {
		row, err := downtimeLine(schemes, paper.DPI, one)
		if err != nil {
			p.Faults.add("from", err)
			break
		}
		p.Rows = append(p.Rows, row)
	}
	if len(p.Faults) > 0 {
		p.Rows = nil
	} else {
		p.Labels = s.site.Base + "/print/downtime?" + downtimeQuery(p.Form, p.Form.From, true)
		p.next(schemes, s.site)
	}
	s.send(w, r, statusOf(p.Faults), p)
}

func statusOf(f printFaults) int {
	if len(f) > 0 {
		return http.StatusUnprocessableEntity
	}
	return http.StatusOK
}

// downtimeQuery is the address of a sheet or of its labels, from a number on.
func downtimeQuery(f printForm, from string, labels bool) string {
	q := url.Values{"scheme": {f.Scheme}, "from": {from}, "count": {f.Count}}
	if f.Ward != "" {
		q.Set("ward", f.Ward)
	}
	if f.Type != "" {
		q.Set("type", f.Type)
	}
	if labels {
		q.Set("as", "labels")
	}
	return q.Encode()
}

// numbers gives the numbers that the form asks for.
func (p *printDowntime) numbers(schemes *label.Schemes, now event.Instant) []labelFor {
	at := slices.IndexFunc(p.Schemes, func(s downtimeScheme) bool { return s.ID == p.Form.Scheme })
	if at < 0 {
		p.Faults = append(p.Faults, printFault{"scheme", "This is no number scheme of tubes here. Choose one of the list."})
		return nil
	}
	p.Chosen = p.Schemes[at]
	if p.Chosen.Ward && p.Form.Ward == "" {
		p.Faults = append(p.Faults, printFault{"ward", "Wards give out these numbers each for itself. Say which ward's sheet it is."})
	}
	if p.Chosen.Types && p.Form.Type == "" {
		p.Faults = append(p.Faults, printFault{"type", "All tubes of a request carry such a number. Say the tube type of this sheet."})
	}
	n, ok := wholeNumber(p.Form.Count)
	if !ok {
		p.Faults = append(p.Faults, printFault{"count", "Write how many numbers as digits, 1 to 500."})
		return nil
	}
	numbers, err := schemes.Numbers(p.Form.Scheme, p.Form.From, n)
	if err != nil {
		p.Faults.add("from", err)
		return nil
	}
	var out []labelFor
	for _, number := range numbers {
		w, err := typed(schemes, label.Tube, number, p.Form.Ward, p.Form.Type, now)
		if err != nil {
			p.Faults.add("from", err)
			return nil
		}
		words := labelWords(PrintTube{Type: p.Form.Type})
		if p.Chosen.Ward && p.Form.Ward != "" {
			words.Lines = append(words.Lines, printing.Line{Lead: p.Form.Ward})
		}
		out = append(out, labelFor{w, words})
	}
	return out
}

func wholeNumber(text string) (n int, ok bool) {
	if text == "" || len(text) > 4 {
		return 0, false
	}
	for _, c := range text {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// downtimeLine is a row of the sheet; its symbol is checked as a label's is.
func downtimeLine(schemes *label.Schemes, dpi printing.DPI, one labelFor) (downtimeRow, error) {
	// A label that has room for anything: only what it holds is looked at.
	if _, err := drawn(schemes, printing.Paper{DPI: dpi, Size: printing.CarrierSize, Symbols: printing.MatrixOnly}, label.Tube, one.wanted, printing.Label{}); err != nil {
		return downtimeRow{}, err
	}
	d, err := printing.DataOf(one.printed.Scheme, one.printed.Number)
	if err != nil {
		return downtimeRow{}, err
	}
	symbol, err := dpi.Alone(d, sheetModule)
	return downtimeRow{d.Human(), one.printed.Number, symbol}, err
}

// next offers the sheet that comes after this one.
func (p *printDowntime) next(schemes *label.Schemes, site Site) {
	more, err := schemes.Numbers(p.Form.Scheme, p.Rows[len(p.Rows)-1].number, 2)
	var ne *label.NumbersError
	if errors.As(err, &ne) {
		return
	}
	p.Next = more[1]
	p.NextURL = site.Base + "/print/downtime?" + downtimeQuery(p.Form, p.Next, false)
}
