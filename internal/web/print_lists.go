package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// printChoice asks for the carrier of a list.
type printChoice struct {
	Base   string
	Path   string // of the list: manifest or packing
	Head   string
	Lead   string
	Asked  string
	Faults printFaults
	Known  []printLink
}

// Render writes the page as HTML.
func (p printChoice) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "print-choice", Sheet: "print.css", Page: p}.render(w)
}

// contentsFor reads the carrier that a list is asked for. ok is false when the answer
// was sent already.
func (s *server) contentsFor(w http.ResponseWriter, r *http.Request, p printChoice) (PrintContents, bool) {
	p.Base = s.site.Base
	p.Asked = strings.TrimSpace(r.URL.Query().Get("carrier"))
	schemes := s.src.Schemes()
	status := http.StatusOK
	if p.Asked != "" {
		one, err := typed(schemes, label.Carrier, p.Asked, strings.TrimSpace(r.URL.Query().Get("ward")), "", s.now())
		if err == nil {
			contents, e := s.src.PrintContents(r.Context(), one.key)
			if e == nil {
				if contents.Now == 0 {
					contents.Now = s.now()
				}
				return contents, true
			}
			if !errors.Is(e, ErrNotFound) {
				s.fail(w, r, fmt.Errorf("reading carrier %s: %w", p.Asked, e))
				return contents, false
			}
			p.Faults, status = printFaults{{"carrier", fmt.Sprintf("Nothing was ever recorded of %s. Compare the number with the one on the box, or scan it.", p.Asked)}}, http.StatusNotFound
		} else {
			p.Faults, status = printFaults{{"carrier", sentence(reason(err))}}, http.StatusUnprocessableEntity
		}
	}
	known, err := s.knownCarriers(r.Context(), schemes, p.Path)
	if err != nil {
		s.fail(w, r, fmt.Errorf("reading the carriers: %w", err))
		return PrintContents{}, false
	}
	p.Known = known
	s.send(w, r, status, p)
	return PrintContents{}, false
}

func (s *server) knownCarriers(ctx context.Context, schemes *label.Schemes, path string) ([]printLink, error) {
	carriers, err := s.src.PrintCarriers(ctx)
	if err != nil {
		return nil, err
	}
	var out []printLink
	for _, c := range carriers {
		printed, ok := schemes.Printed(c.Key)
		if !ok {
			continue
		}
		printed.Scheme.Names = label.Carrier
		number := asTyped(printed)
		q := url.Values{"carrier": {number}}
		if printed.Ward != "" {
			q.Set("ward", printed.Ward)
		}
		out = append(out, printLink{s.site.Base + "/print/" + path + "?" + q.Encode(), strings.TrimSpace(c.Kind + " " + number), count(c.Tubes, "tube", "tubes")})
	}
	return out, nil
}

// printManifest is what is in a carrier now, to go with it on paper.
type printManifest struct {
	PrintContents
	When, Zone string
	Lines      []manifestLine
	ArrivesBy  string
	SealedAt   string
}

type manifestLine struct {
	N            int
	Number, Type string
	In           string
	Tests        string
	Level        level
	Head         string // word of the worst test
	Worst        string // which test that is
	Due          string // of the first test to run out
	Alone        bool   // irreplaceable
	Flagged      bool
}

// Render writes the page as HTML.
func (p printManifest) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Manifest of " + p.Name, Kind: "print-manifest", Sheet: "print.css", Script: "print.js", Page: p}.render(w)
}

// Tubes says how many there are.
func (p printManifest) Tubes() string { return count(len(p.Rows), "tube", "tubes") }

// Others are the carriers inside.
func (p printManifest) Others() string { return strings.Join(p.Carriers, ", ") }

func (s *server) printManifest(w http.ResponseWriter, r *http.Request) {
	contents, ok := s.contentsFor(w, r, printChoice{Path: "manifest", Head: "Manifest", Lead: "What is in a box now, to go with it on paper: every tube, the first to run out on top."})
	if ok {
		s.send(w, r, http.StatusOK, manifestOf(contents, s.src.Schemes()))
	}
}

func manifestOf(c PrintContents, schemes *label.Schemes) printManifest {
	at := clockOf(c.Now, c.Zone)
	p := printManifest{PrintContents: c, When: at.now.Format("Mon 2 Jan 2006 15:04"), Zone: zoneWords(c, at), ArrivesBy: at.arrival(c.Due)}
	if c.Sealed != 0 {
		p.SealedAt = at.at(c.Sealed)
	}
	type sorted struct {
		manifestLine
		order int
		due   event.Instant
	}
	var rows []sorted
	for _, r := range c.Rows {
		row := sorted{manifestLine: manifestLine{Type: cmp.Or(r.TypeName, r.Type, "not said"), In: r.In, Alone: r.Irreplaceable, Flagged: r.Flagged, Number: numberOf(schemes, r.Key)}, order: levelOrder[levelQuiet]}
		row.Level, row.Head = levelQuiet, "within limits"
		if len(r.Tests) == 0 {
			row.Level, row.Head, row.order = levelAsk, says(verdictWords, event.CannotSay), levelOrder[levelAsk]
			row.Worst = "its tests are not known"
		}
		var names []string
		for i, t := range r.Tests {
			names = append(names, testName(t.Name, t.Restricted))
			if l := levelOf(t.Verdict, t.Outlook); i == 0 || levelOrder[l] < row.order {
				row.Level, row.Head, row.order, row.Worst = l, headWords(t.Verdict, t.Outlook), levelOrder[l], testName(t.Name, t.Restricted)
			}
			if first := t.Due.first(); first != 0 && (row.due == 0 || first < row.due) {
				row.due = first
			}
		}
		row.Tests = strings.Join(names, ", ")
		if len(r.Tests) == 1 {
			row.Worst = "" // the column beside it says which
		}
		if row.due != 0 {
			row.Due = at.at(row.due)
		}
		rows = append(rows, row)
	}
	slices.SortFunc(rows, func(a, b sorted) int {
		return cmp.Or(cmp.Compare(a.order, b.order), cmp.Compare(lastIfZero(a.due), lastIfZero(b.due)), strings.Compare(a.Number, b.Number))
	})
	for i := range rows {
		rows[i].N = i + 1
		p.Lines = append(p.Lines, rows[i].manifestLine)
	}
	return p
}

// numberOf is a tube's number as it stands on its label, with what completes it.
func numberOf(schemes *label.Schemes, key event.Key) string {
	p, ok := schemes.Printed(key)
	if !ok {
		return key.Label()
	}
	p.Scheme.Names = label.Tube
	out := asTyped(p)
	for _, more := range []string{p.Ward, p.TubeType} {
		if more != "" {
			out += ", " + more
		}
	}
	return out
}

// zoneWords names the zone of all times on a sheet.
func zoneWords(c PrintContents, at clock) string {
	name := c.ZoneName
	if name == "" {
		name = at.now.Location().String()
	}
	return name + " (" + at.offset() + ")"
}

// printPacking is a checklist for packing biological substances of category B.
type printPacking struct {
	PrintContents
	When, Zone string
	Parts      []packingPart
}

type packingPart struct {
	Head  string
	Lines []packingLine
}

// packingLine is one thing to look at.
type packingLine struct {
	Say    string
	Known  string // what the log knows of it, empty for nothing
	Fill   string // what is to be written beside it, empty for a tick alone
	Clause string
	// Seen says how we know the clause: nobody here has read the regulations themselves.
	Seen string
}

// The sources of the packing checklist and how they were seen. The paragraphs inside
// P650 and PI 650 were not seen, so that none is named.
const (
	packAll  = "IATA PI 650; ADR P650; 49 CFR 173.199"
	packAir  = "IATA PI 650"
	packCFR  = "49 CFR 173.199(a)(9)"
	packIce  = "IATA PI 650; 49 CFR 173.199; UN1845"
	seenBy   = "second hand"
	seenNone = "from memory"
	seenNo   = "common practice, no source"
)

// Render writes the page as HTML.
func (p printPacking) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Packing checklist of " + p.Name, Kind: "print-packing", Sheet: "print.css", Script: "print.js", Page: p}.render(w)
}

func (s *server) printPacking(w http.ResponseWriter, r *http.Request) {
	contents, ok := s.contentsFor(w, r, printChoice{Path: "packing", Head: "Packing checklist, UN3373", Lead: "For a box with biological substances of category B. It asks for what a box must have, each line with its clause."})
	if ok {
		s.send(w, r, http.StatusOK, packingOf(contents))
	}
}

func packingOf(c PrintContents) printPacking {
	at := clockOf(c.Now, c.Zone)
	seal := ""
	if c.Seal != "" {
		seal = "seal " + c.Seal + " by the log, since " + at.at(c.Sealed)
	}
	logger := ""
	if len(c.Loggers) > 0 {
		logger = "logger " + strings.Join(c.Loggers, ", ") + " by the log"
	}
	return printPacking{PrintContents: c, When: at.now.Format("Mon 2 Jan 2006 15:04"), Zone: zoneWords(c, at), Parts: []packingPart{
		{"Three layers", []packingLine{
			{Say: "Every tube (primary) is closed and doesn't leak", Known: count(len(c.Rows), "tube", "tubes") + " by the log", Fill: "counted", Clause: packAll, Seen: seenBy},
			{Say: "Tubes that break are wrapped one by one or kept apart", Clause: packAll, Seen: seenBy},
			{Say: "The second packaging doesn't leak and is closed", Clause: packAll, Seen: seenBy},
			{Say: "What absorbs all of the liquid lies between tube and second packaging", Clause: packAll, Seen: seenBy},
			{Say: "The outer packaging is rigid", Clause: packAll, Seen: seenBy},
		}},
		{"By air besides", []packingLine{
			{Say: "No tube holds more than 1 L of liquid", Clause: packAir, Seen: seenBy},
			{Say: "The outer packaging holds at most 4 kg of solids, ice not counted", Clause: packAir, Seen: seenBy},
			{Say: "The outer packaging holds at most 4 L of liquid, ice not counted", Clause: packAir, Seen: seenNone},
			{Say: "Tube or second packaging withstands 95 kPa", Clause: packAir, Seen: seenBy},
			{Say: "One outer face is at least 100 x 100 mm", Clause: packAir, Seen: seenBy},
			{Say: "The packaging has passed a drop from 1.2 m", Clause: packAir, Seen: seenNone},
		}},
		{"Marks and papers", []packingLine{
			{Say: "Square on its point, side at least 50 mm, line at least 2 mm, with UN3373 in letters of at least 6 mm", Clause: packAll, Seen: seenBy},
			{Say: "“Biological substance, category B” stands beside the mark", Clause: packAll, Seen: seenBy},
			{Say: "Name and telephone of a responsible person, on the box or its paper", Fill: "name, telephone", Clause: packAll, Seen: seenBy},
			{Say: "An overpack is marked “Overpack”, and the marks stand on it again", Clause: packAll, Seen: seenBy},
			{Say: "Arrows up are not needed where no tube holds more than 50 mL", Clause: packAll, Seen: seenBy},
			{Say: "No shipper's declaration is needed", Clause: packAll, Seen: seenBy},
		}},
		{"Cold", []packingLine{
			{Say: "Ice or dry ice lies outside the second packaging", Fill: "kind and kg", Clause: packIce, Seen: seenBy},
			{Say: "Supports hold the second packaging in place when the ice is gone", Clause: packIce, Seen: seenBy},
			{Say: "Dry ice: the gas can get out", Clause: packIce, Seen: seenBy},
			{Say: "Dry ice: it has marks of its own, UN1845", Clause: packIce, Seen: seenNone},
			{Say: "At most 30 mL or 30 g of preservative in an inner packaging", Clause: packCFR, Seen: seenBy},
		}},
		{"For the log", []packingLine{
			{Say: "Logger in the box and running", Known: logger, Fill: "number", Clause: "", Seen: seenNo},
			{Say: "Seal closed", Known: seal, Fill: "number", Clause: "", Seen: seenNo},
		}},
	}}
}
