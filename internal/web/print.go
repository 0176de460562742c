package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/printing"
)

// PrintSource tells what labels and printed lists say. Its methods answer ErrNotReady
// while the log is being read, and ErrNotFound for a key that nothing is known of.
type PrintSource interface {
	// Schemes gives the site's number schemes in force, never nil. They are shared and
	// never change.
	Schemes() *label.Schemes
	// PrintTube gives what the label of a tube says beside its number.
	PrintTube(ctx context.Context, key event.Key) (PrintTube, error)
	// PrintRequest gives the tubes of a request, by key.
	PrintRequest(ctx context.Context, key event.Key) ([]PrintTube, error)
	// PrintCarriers gives all that were declared, and those that hold something, by key.
	PrintCarriers(ctx context.Context) ([]PrintCarrier, error)
	// PrintPlaces gives all declared places, by key.
	PrintPlaces(ctx context.Context) ([]PrintPlace, error)
	// PrintContents gives what is in a carrier now.
	PrintContents(ctx context.Context, key event.Key) (PrintContents, error)
}

// PrintTube is what a label says of a tube. No patient is named: the log has no
// identity.
type PrintTube struct {
	Key           event.Key
	Type          string      // code of its type, empty when not said
	Tests         []PrintTest // in the order of their codes
	Irreplaceable bool
}

// PrintTest is a test on a label or a list.
type PrintTest struct {
	Code, Name string
	Restricted bool // never printed by its name or code
	Verdict    event.Verdict
	Outlook    event.Outlook
	Due        Due
}

// PrintCarrier is a bag, box, rack or flask.
type PrintCarrier struct {
	Key   event.Key
	Kind  string // rack, bag, box or flask; empty when not declared
	Owner string
	Tubes int
}

// PrintPlace is a declared place.
type PrintPlace struct {
	Key              event.Key
	Name, Kind, Zone string
}

// PrintContents is a carrier with all that is in it.
type PrintContents struct {
	Seq      uint64
	Now      event.Instant  // instant it was judged at
	Zone     *time.Location // zone of the place where it is, else of the reception; nil is UTC
	ZoneName string         // in words, empty for UTC
	Carrier  PrintCarrier
	Name     string // "box B-3"
	Holder   string
	Place    string
	To       string
	Due      Due // when it should be there
	Seal     string
	Sealed   event.Instant // 0 while it is open
	Loggers  []string      // numbers of the loggers on it
	Carriers []string      // those inside it: "bag G-2"
	Rows     []PrintRow    // in any order; the page sorts them
}

// PrintRow is a tube in a carrier.
type PrintRow struct {
	PrintTube
	TypeName string // in words
	In       string // carriers between, from the inside out: "bag G-2"
	Flagged  bool
}

// printFault is what is wrong with a field of a form, with the remedy.
type printFault struct{ Field, Say string }

// printFaults are the faults of a form in the order of its fields.
type printFaults []printFault

func (f *printFaults) add(field string, err error) {
	var pe *printing.Error
	var ne *label.NumbersError
	switch {
	case errors.As(err, &pe):
		*f = append(*f, printFault{pe.Field, sentence(pe.Say)})
	case errors.As(err, &ne):
		*f = append(*f, printFault{ne.Field, sentence(ne.Say)})
	default:
		*f = append(*f, printFault{field, sentence(err.Error())})
	}
}

// Of gives what is wrong with one field, for the words beside it.
func (f printFaults) Of(field string) string {
	for _, one := range f {
		if one.Field == field {
			return one.Say
		}
	}
	return ""
}

// printForm is what a form of a label page was sent with.
type printForm struct {
	Request string
	Numbers string // a number a line
	Ward    string
	Type    string
	Scheme  string
	From    string
	Count   string
	Size    string
	DPI     string
	Symbols string
}

func printFormOf(q url.Values, size printing.Size, dpi printing.DPI) printForm {
	get := func(name, otherwise string) string {
		if v := strings.TrimSpace(q.Get(name)); v != "" {
			return v
		}
		return otherwise
	}
	return printForm{
		Request: get("request", ""), Numbers: strings.Join(lines(q["number"]), "\n"), Ward: get("ward", ""), Type: get("type", ""),
		Scheme: get("scheme", ""), From: get("from", ""), Count: get("count", "14"),
		Size: get("size", size.String()), DPI: get("dpi", fmt.Sprint(int(dpi))), Symbols: get("symbols", string(printing.Both)),
	}
}

// lines gives the numbers of all fields, one a line.
func lines(fields []string) []string {
	var out []string
	for _, f := range fields {
		for line := range strings.Lines(f) {
			if line = strings.TrimSpace(line); line != "" {
				out = append(out, line)
			}
		}
	}
	return out
}

// paper reads the fields that say what is printed on.
func (f printForm) paper(faults *printFaults) printing.Paper {
	var p printing.Paper
	var err error
	if p.Size, err = printing.ParseSize(f.Size); err != nil {
		faults.add("size", err)
	}
	if p.DPI, err = printing.ParseDPI(f.DPI); err != nil {
		faults.add("dpi", err)
	}
	if p.Symbols, err = printing.ParseSymbols(f.Symbols); err != nil {
		faults.add("symbols", err)
	}
	return p
}

// mostLabels is how many labels one address gives: a page must stay readable, and
// nobody waits for a roll.
const mostLabels = label.MaxNumbers

// wanted is a number that shall stand on a label.
type wanted struct {
	printed label.Printed
	key     event.Key
}

// typed reads a number as it was typed. A number that the site keeps in a GS1
// element alone may be typed without its identifier.
func typed(s *label.Schemes, want label.Thing, text, ward, tubeType string, now event.Instant) (wanted, error) {
	read := func(text string) (wanted, error) {
		r, err := s.Read(label.Input{Raw: []byte(text), How: label.Typed, At: now, Ward: ward, TubeType: tubeType, Want: []label.Thing{want}})
		if err != nil {
			return wanted{}, err
		}
		return wanted{label.Printed{Scheme: printing.SchemeOf(s, r), Number: r.Text, Ward: ward, TubeType: tubeType}, r.Key}, nil
	}
	out, err := read(text)
	for _, scheme := range s.All() {
		if err == nil {
			break
		}
		if scheme.Names == want && !slices.Contains(scheme.In, label.Plain) {
			if again, e := read("(" + scheme.In[0] + ")" + text); e == nil {
				out, err = again, nil
			}
		}
	}
	var no *label.Refusal
	if errors.As(err, &no) {
		field := "number"
		switch no.Field {
		case "ward":
			field = "ward"
		case "tubeType":
			field = "type"
		}
		return out, &printing.Error{Field: field, Say: fmt.Sprintf("%s: %s; %s", text, no.Say, no.Remedy)}
	}
	return out, err
}

// drawn lays out the label of a number, and makes sure that the site would read the
// symbol as just this number.
func drawn(s *label.Schemes, p printing.Paper, want label.Thing, w wanted, l printing.Label) (printing.Drawing, error) {
	d, err := printing.DataOf(w.printed.Scheme, w.printed.Number)
	if err != nil {
		return printing.Drawing{}, err
	}
	r, err := printing.Read(s, d, want, w.printed.Ward, w.printed.TubeType)
	if err != nil {
		return printing.Drawing{}, err
	}
	if r.Scheme != w.printed.Scheme.ID || w.printed.Turn == "" && r.Key != w.key {
		return printing.Drawing{}, &printing.Error{Field: "number", Say: fmt.Sprintf("%s would be read as another number, %s of %s; the site's number schemes must tell them apart", w.printed.Number, r.Text, r.Scheme)}
	}
	// A GS1 element stands there with its identifier in brackets, which can be typed.
	l.Data, l.Number = d, d.Human()
	return p.Draw(l)
}

// asTyped is a number as it stands on its label and can be typed: one that stands in a
// GS1 element alone comes with its identifier.
func asTyped(p label.Printed) string {
	if d, err := printing.DataOf(p.Scheme, p.Number); err == nil {
		return d.Human()
	}
	return p.Number // what can't be printed is named all the same
}

// printPaper serves the style sheet that sets the paper: @page takes no variable, and
// no page has a style of its own.
func (s *server) printPaper(w http.ResponseWriter, r *http.Request) {
	name, css := strings.CutSuffix(r.PathValue("name"), ".css")
	rule := "@page { size: A4 landscape; margin: 9mm 10mm }\n"
	if name != "a4-landscape" {
		size, err := printing.ParseSize(name)
		if !css || err != nil {
			http.Error(w, "no such paper; write width x height in mm, such as /print/paper/50.8x25.4.css", http.StatusNotFound)
			return
		}
		width, height := size.PageMM()
		rule = fmt.Sprintf("@page { size: %s %s; margin: 0 }\n", width, height)
	}
	if !css {
		http.Error(w, "no such paper", http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", assetTypes[".css"])
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	// A broken connection shows in the browser, which asks again.
	_, _ = w.Write([]byte(rule))
}

// printPages adds the pages that are printed.
func (s *server) printPages(mux *router) {
	mux.HandleFunc("GET /print", s.printOverview)
	mux.HandleFunc("GET /print/tubes", s.printTubes)
	mux.HandleFunc("GET /print/carriers", s.printCarriers)
	mux.HandleFunc("GET /print/hatches", s.printHatches)
	mux.HandleFunc("GET /print/self-test", s.printSelfTest)
	mux.HandleFunc("GET /print/downtime", s.printDowntime)
	mux.HandleFunc("GET /print/manifest", s.printManifest)
	mux.HandleFunc("GET /print/packing", s.printPacking)
	mux.HandleFunc("GET /print/paper/{name}", s.printPaper)
}
