package web

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/label"
)

// schemeFields are the fields of a number scheme in the form, as the API calls them; in
// is a list there, and one text of words here.
var schemeFields = []string{
	"id", "issuer", "names", "pattern", "check", "letterCase", "zeros", "in", "framed", "ward", "tubeType", "reuseHours",
}

// houseSchemesPage is the set of number schemes, to be looked at, checked and declared.
type houseSchemesPage struct {
	houseFrame
	Form     houseForm
	Checked  bool // nothing is wrong with what stands in the form
	Changed  string
	Warnings []string
	Tries    []schemeTry
	Standing string
	Empty    bool
}

// schemeTry is what a label would be read as.
type schemeTry struct{ By, Say, Mark string }

// Render writes the page as HTML.
func (p houseSchemesPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "house-schemes", Sheet: "house.css", Page: p}.render(w)
}

func (s *server) houseSchemes(w http.ResponseWriter, r *http.Request) {
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	f := &houseSaid{Values: url.Values{}, key: "set"}
	for n, scheme := range s.src.Schemes().All() {
		f.setScheme(n, scheme)
	}
	p := s.schemesPage(r, &h, f, s.src.Schemes().Warnings())
	p.Status = houseStatus[r.URL.Query().Get("done")]
	s.send(w, r, http.StatusOK, p)
}

func (f *houseSaid) setScheme(n int, s label.Scheme) {
	set := func(name, value string) {
		if value != "" {
			f.Set(fmt.Sprintf("schemes[%d].%s", n, name), value)
		}
	}
	set("id", s.ID)
	set("issuer", s.Issuer)
	set("names", string(s.Names))
	set("pattern", s.Pattern)
	set("check", string(s.Check))
	set("letterCase", string(s.Case))
	set("zeros", string(s.Zeros))
	set("in", strings.Join(s.In, " "))
	for name, on := range map[string]bool{"framed": s.Framed, "ward": s.Ward, "tubeType": s.TubeType} {
		if on {
			set(name, "yes")
		}
	}
	if s.Reuse != 0 {
		set("reuseHours", strconv.FormatInt(int64(s.Reuse/time.Hour), 10))
	}
}

// schemes reads the form's set. Rows that are marked to be left out, and empty ones, are
// gone afterwards, so that faults are counted as the API counts them.
func (f *houseSaid) schemes() []label.Scheme {
	const most = 101
	for n := range most {
		if f.said(fmt.Sprintf("schemes[%d].out", n)) == "yes" {
			for _, name := range schemeFields {
				f.Del(fmt.Sprintf("schemes[%d].%s", n, name))
			}
		}
		f.Del(fmt.Sprintf("schemes[%d].out", n))
	}
	out := make([]label.Scheme, f.compact("schemes", schemeFields...))
	for n := range out {
		get := func(name string) string { return f.said(fmt.Sprintf("schemes[%d].%s", n, name)) }
		out[n] = label.Scheme{
			ID: get("id"), Issuer: get("issuer"), Names: label.Thing(get("names")), Pattern: get("pattern"), Check: label.Check(get("check")),
			Case: label.Case(get("letterCase")), Zeros: label.Zeros(get("zeros")), In: strings.Fields(get("in")),
			Framed: get("framed") == "yes", Ward: get("ward") == "yes", TubeType: get("tubeType") == "yes",
			Reuse: time.Duration(f.whole(fmt.Sprintf("schemes[%d].reuseHours", n), 0)) * time.Hour,
		}
	}
	return out
}

// digestOf names what stands in the rows of a form, so that what is declared is what
// was checked.
func (f *houseSaid) digestOf(list string, fields []string) string {
	sum := sha256.New()
	for n := range 101 {
		for _, name := range fields {
			sum.Write(fmt.Appendf(nil, "%q", f.said(fmt.Sprintf("%s[%d].%s", list, n, name))))
		}
	}
	return hex.EncodeToString(sum.Sum(nil)[:8])
}

func (f *houseSaid) schemeGroup(n int, legend string) houseGroup {
	at := func(name string) string { return fmt.Sprintf("schemes[%d].%s", n, name) }
	names := f.pick(at("names"), "Names", "", "", schemeNames)
	names.Required = false // an empty row is no scheme
	g := houseGroup{Legend: legend, Fields: []houseField{
		f.text(at("id"), "Id", "A to Z and 0 to 9, at most 8; first part of every key, so it stays for ever"),
		names,
		f.text(at("pattern"), "Pattern", "# a digit, @ a letter, * either, [AB] a choice, {3,5} how often"),
		f.text(at("issuer"), "Given out by", "in words"),
		f.pick(at("check"), "Last character guards the others by", "", "no check", schemeChecks),
		f.tick(at("out"), "Leave this scheme out", "its labels aren't read any more; keys that stand in the log stay"),
	}, Rare: []houseField{
		f.text(at("in"), "Stands in", "plain, or a GS1 identifier such as 91; several with blanks; empty: plain"),
		f.pick(at("letterCase"), "Small and capital letters", "", "are read alike", []houseWord{{"counts", "are different numbers"}}),
		f.pick(at("zeros"), "Leading zeros", "", "count", []houseWord{{"fill", "0012 and 12 are one number"}}),
		f.number(at("reuseHours"), "Comes again after, hours", "for numbers that are given out again; empty: never"),
		f.tick(at("framed"), "Only with a symbology identifier", "or typed: keeps it apart from GS1 data of a reader that sends none"),
		f.tick(at("ward"), "Each ward gives them out for itself", "DT-001 of two wards are two tubes"),
		f.tick(at("tubeType"), "One number for all tubes of a request", "the tube's type completes it"),
	}}
	g.RareSay = "Where it stands, letters, zeros, wards, tube types, numbers that come again"
	var said []string
	for _, field := range g.Rare {
		g.RareOpen = g.RareOpen || field.Fault != ""
		if field.Value != "" && (field.Name != at("in") || field.Value != label.Plain) {
			said = append(said, strings.ToLower(field.Label[:1])+strings.TrimSuffix(field.Label[1:]+" "+field.chosen(), " "))
		}
	}
	if len(said) > 0 {
		g.RareSay = "Also: " + strings.Join(said, "; ")
	}
	return g
}

// chosen is what a field says, in words: its text, or the word that was picked.
func (h houseField) chosen() string {
	switch h.Kind {
	case "tick":
		return ""
	case "pick":
		for _, o := range h.Options {
			if o.Chosen {
				return o.Name
			}
		}
	}
	return h.Value
}

func (s *server) schemesPage(r *http.Request, h *House, f *houseSaid, warnings []string) houseSchemesPage {
	p := houseSchemesPage{houseFrame: h.frame(s.site, "/schemes"), Warnings: slices.Clone(warnings)}
	p.Over, p.Up, p.Head = "/house", "House", "Number schemes"
	for i, w := range warnings {
		p.Warnings[i] = sentence(w)
	}
	p.Lead = "What the numbers on your labels look like, all of them together: whether a label can be mistaken for another follows from the whole set."
	p.Standing = count(h.Schemes, "scheme is in force.", "schemes are in force.")
	if p.Empty = h.Schemes == 0; p.Empty {
		p.Standing = "No scheme is in force: every number is taken as it stands on the label, and a misread one can't be told from a right one."
	}
	rows := f.compact("schemes", append([]string{"out"}, schemeFields...)...)
	var groups []houseGroup
	for n := range rows {
		legend := "Scheme " + strconv.Itoa(n+1)
		if id := f.said(fmt.Sprintf("schemes[%d].id", n)); id != "" {
			legend = "Scheme " + id
		}
		groups = append(groups, f.schemeGroup(n, legend))
	}
	blank := f.schemeGroup(rows, "Another scheme")
	blank.Fields = blank.Fields[:len(blank.Fields)-1] // there is nothing to leave out yet
	try := f.text("try", "Try a label on it", "typed, or scanned into this field; the check says what it names").wide()
	groups = append(groups, blank, houseGroup{Fields: []houseField{try, f.kept("checked")}}, f.whoGroup(r.Context(), "who declares the set"))
	p.Form = f.form("", s.site.Base+"/house/schemes/check", "Check the set", groups...)
	p.Form.Leave = s.site.Base + "/house/schemes"
	return p
}

// checkSchemes looks at a set and tries a label on it. Nothing is declared.
func (s *server) checkSchemes(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "set")
	if !ok {
		return
	}
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	s.lookAtSchemes(w, r, &h, f, http.StatusOK, "")
}

func (s *server) lookAtSchemes(w http.ResponseWriter, r *http.Request, h *House, f *houseSaid, status int, changed string) {
	set := f.schemes()
	f.Set("checked", "")
	var warnings []string
	if len(f.faults) == 0 {
		var err error
		warnings, err = s.src.DeclareSchemes(r.Context(), set, true, ActorOf(r.Context()))
		if err != nil {
			if status = s.houseTrouble(w, r, f, err); status == 0 {
				return
			}
		}
	}
	sound := len(f.faults) == 0
	if sound {
		f.Set("checked", f.digestOf("schemes", schemeFields))
	} else if status == http.StatusOK {
		status = http.StatusUnprocessableEntity
	}
	tries := s.tryLabel(f.said("try"), set, sound)
	if len(tries) > 0 {
		f.Del("try") // what was scanned may be a person's number: it isn't given back
	}
	p := s.schemesPage(r, h, f, warnings)
	p.Checked, p.Changed, p.Tries = sound, changed, tries
	if sound {
		p.Form.Buttons = append(p.Form.Buttons, houseButton{Say: "Declare these " + count(len(set), "scheme", "schemes"), Action: s.site.Base + "/house/schemes"})
		if len(set) == 0 {
			p.Form.Buttons[1].Say = "Declare that there is no scheme"
		}
	}
	s.send(w, r, status, p)
}

// tryLabel says what a label names by what is in force, and by a sound set.
func (s *server) tryLabel(text string, set []label.Scheme, sound bool) []schemeTry {
	if text == "" {
		return nil
	}
	in := label.Input{Raw: []byte(text), How: label.Typed, At: s.now()}
	if aimPrefix.MatchString(text) {
		in = label.Input{Raw: []byte(text[3:]), Symbology: text[:3], How: label.Wedge, At: s.now()}
	}
	out := []schemeTry{trying("By the schemes in force", s.answerLabel(in))}
	if compiled, err := label.Compile(set); sound && err == nil {
		out = append(out, trying("By the set below", answerOf(in, func(in label.Input) (LabelNamed, error) {
			got, err := compiled.Read(in)
			return LabelNamed{Reading: got}, err
		})))
	}
	return out
}

func trying(by string, a labelAnswer) schemeTry {
	if a.Refusal != nil {
		return schemeTry{by, sentence(a.Refusal.Say) + " " + sentence(a.Refusal.Remedy), string(levelSoon)}
	}
	got := a.Reading
	say := got.Says
	switch {
	case got.Number != "":
		say += " with the number " + got.Number
	case got.Names == label.Patient || got.Names == label.Person:
		say += "; such a number is not shown"
	}
	if say == "" || got.Names == "" {
		say = "some number, " + got.Number + ": what it names isn't declared"
	}
	return schemeTry{by, sentence(say), string(levelQuiet)}
}

// declareSchemes puts the set in force that was checked before.
func (s *server) declareSchemes(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "set")
	if !ok {
		return
	}
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	set := f.schemes()
	if f.said("checked") != f.digestOf("schemes", schemeFields) {
		s.lookAtSchemes(w, r, &h, f, http.StatusUnprocessableEntity, "The set was changed after it was checked. Nothing was declared: read what the check says now, then declare it.")
		return
	}
	by := f.by(r.Context())
	if len(f.faults) == 0 {
		_, err := s.src.DeclareSchemes(r.Context(), set, false, by)
		if err == nil {
			http.Redirect(w, r, s.site.Base+"/house/schemes?done=declared", http.StatusSeeOther)
			return
		}
		var refused HouseRefused
		if !errors.As(err, &refused) && !errors.Is(err, ErrNotSaved) {
			s.houseFail(w, r, err)
			return
		}
		status := s.houseTrouble(w, r, f, err)
		s.lookAtSchemes(w, r, &h, f, status, "")
		return
	}
	s.lookAtSchemes(w, r, &h, f, http.StatusUnprocessableEntity, "")
}
