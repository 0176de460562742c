package web

import (
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// LimitsAdoption asks to put a set of limits in force.
type LimitsAdoption struct {
	File     []byte        // the rule file; nil: the shipped set
	By       string        // who adopts
	Second   string        // who read it too; may be empty
	Reason   string        // why
	InForce  event.Instant // 0: at once
	InFlight bool          // also for tubes that were drawn before
	ID       string        // of this entry: sent twice, it is one
}

// LimitsAdopted is the set that was adopted.
type LimitsAdopted struct {
	Hash    string // SHA-256 of the file, hex
	InForce event.Instant
}

// LimitsFieldError is one field of an adoption and what to do about it.
type LimitsFieldError struct {
	Field string // as in the API: file, by, second, reason, inForce, inFlight or id; empty for the whole
	Say   string
}

// LimitsRefused says why an adoption was not made. Nothing was recorded.
type LimitsRefused []LimitsFieldError

// Error gives the fields in one line.
func (e LimitsRefused) Error() string {
	words := make([]string, len(e))
	for i, f := range e {
		words[i] = strings.TrimPrefix(f.Field+": "+f.Say, ": ")
	}
	return strings.Join(words, "; ")
}

// ErrNotSaved says that nothing is promised of what was sent; sent again under the same id
// it is recorded once.
var ErrNotSaved = errors.New("it could not be saved just now; send it again")

// mostForm bounds what the forms of limits may send: a rule file as base64, and
// the fields around it.
const mostForm = stability.MaxFileBytes*4/3 + 1<<20

// adoptForm is where an adoption begins: with the shipped set or a file.
type adoptForm struct {
	Site
	ShippedName string
	ShippedIs   bool // it is in force
	Text        string
}

func (p *LimitsPage) form(site Site) adoptForm {
	f := adoptForm{Site: site}
	if p.Shipped != nil {
		f.ShippedName = fmt.Sprintf("%s, %s", setName(p.Shipped), count(len(p.Shipped.Rules), "limit", "limits"))
		f.ShippedIs = p.InForce != nil && p.InForce.Set.Hash == p.Shipped.Hash
	}
	return f
}

// limitsCheck is a rule file looked at before it is adopted: its mistakes, or what
// it would change.
type limitsCheck struct {
	page LimitsPage
	file []byte // nil: the shipped set
	text string // what was pasted, given back for correction
	set  *stability.Set
	// mistakes of the file; then set is nil.
	mistakes stability.Mistakes
	fault    string // why there is nothing to look at
	faults   LimitsRefused
	sign     signForm
	again    string // why it is shown again
}

// signForm is what a person adds to a set to adopt it.
type signForm struct {
	By, Second, Reason, From string
	InFlight                 bool
}

type checkWords struct {
	Site
	Name, Sum, Author string
	Shipped           bool
	Against           string
	Mistakes          []mistakeWords
	MistakesHead      string
	Fault, Again      string
	Form              adoptForm
	Same              bool
	Kinds             []changeKind
	Lost              string // tests that would have no limit
	LostHead          string
	Sign              signForm
	Faults            map[string]string
	FaultList         []LimitsFieldError
	People            []string
	Zone, Offset      string
	File, Base64      string // which file is adopted, and its bytes
	Seen, ID          string
	Seq               uint64
}

type mistakeWords struct {
	Line, Column           int
	Field, Problem, Remedy string
	Text                   string // the line itself
}

type changeKind struct {
	Kind, Head string
	Open       bool
	Rows       []changeWords
}

type changeWords struct{ What, ID, Fields, Old, New string }

// Render writes the page as HTML.
func (k limitsCheck) Render(w io.Writer, site Site) error {
	words := k.words(site)
	return frame{Site: site, Name: "Before you adopt", Kind: "limits-check", Script: "remark.js", Page: words}.render(w)
}

func (k limitsCheck) words(site Site) checkWords {
	c := clockOf(k.page.Now, k.page.Zone)
	w := checkWords{
		Site: site, Fault: k.fault, Again: k.again, Form: k.page.form(site), Sign: k.sign, People: k.page.People, Zone: c.zone.String(), Offset: c.offset(),
		Faults: map[string]string{}, FaultList: k.faults, Seq: k.page.Seq, Shipped: k.file == nil, Against: "Nothing is in force now.",
	}
	w.Form.Text = k.text
	for _, f := range k.faults {
		w.Faults[f.Field] = f.Say
	}
	lines := strings.Split(string(k.file), "\n")
	for _, m := range k.mistakes {
		row := mistakeWords{Line: m.Line, Column: m.Column, Field: m.Field, Problem: closed(m.Problem), Remedy: closed(m.Remedy)}
		if m.Line >= 1 && m.Line <= len(lines) {
			row.Text = clipLine(strings.ToValidUTF8(lines[m.Line-1], "�"))
		}
		w.Mistakes = append(w.Mistakes, row)
	}
	w.MistakesHead = count(len(w.Mistakes), "mistake", "mistakes")
	if k.set == nil {
		return w
	}
	w.Name, w.Sum, w.Author = setName(k.set), k.set.Hash, k.set.Author
	now := &stability.Set{}
	w.Seen = "none"
	if s := k.page.InForce; s != nil {
		now = s.Set
		w.Seen = now.Hash
		w.Against = fmt.Sprintf("Compared with what is in force now: %s, adopted by %s.", setName(now), s.By)
		w.Same = now.Hash == k.set.Hash
	}
	w.Kinds = changes(now, k.set)
	w.Lost, w.LostHead = lostTests(now, k.set)
	w.File = "shipped"
	if k.file != nil {
		w.File, w.Base64 = "own", base64.StdEncoding.EncodeToString(k.file)
	}
	// The id names the file and the state of the log that was looked at, so that the
	// form sent twice is one adoption, and a later look is another.
	w.ID = fmt.Sprintf("limits-%s-%d", k.set.Hash[:16], k.page.Seq)
	return w
}

// closed ends a clause with a full stop, unless it has an end of its own.
func closed(s string) string {
	if strings.HasSuffix(s, "?") || strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}

// clipLine keeps what a list has room for.
func clipLine(s string) string {
	const most = 160
	s = strings.TrimSpace(s)
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// changes sorts the differences by what happens: changed, taken away, added.
func changes(now, then *stability.Set) []changeKind {
	kinds := []changeKind{{Kind: "changed", Head: "changed"}, {Kind: "removed", Head: "taken away"}, {Kind: "added", Head: "new"}}
	for _, d := range stability.Compare(now, then) {
		i := slices.IndexFunc(kinds, func(k changeKind) bool { return k.Kind == d.Kind })
		kinds[i].Rows = append(kinds[i].Rows, changeWords{
			What: plainWord(d.What), ID: d.ID, Fields: strings.Join(d.Fields, ", "), Old: d.Old, New: d.New,
		})
	}
	const openUpTo = 12
	for i := range kinds {
		kinds[i].Open = len(kinds[i].Rows) <= openUpTo
	}
	return slices.DeleteFunc(kinds, func(k changeKind) bool { return len(k.Rows) == 0 })
}

// lostTests names the tests that have a limit now and would have none.
func lostTests(now, then *stability.Set) (names, head string) {
	kept := map[string]bool{}
	for i := range then.Rules {
		kept[then.Rules[i].Assay.Code] = true
	}
	var lost []string
	for i := range now.Rules {
		a := now.Rules[i].Assay
		if !kept[a.Code] {
			kept[a.Code] = true
			lost = append(lost, assayNameOf(a))
		}
	}
	slices.Sort(lost)
	return strings.Join(lost, ", "), count(len(lost), "test then has no limit", "tests then have no limit")
}

// limitsForm reads a form of this page; false when the answer was sent already.
func (s *server) limitsForm(w http.ResponseWriter, r *http.Request) (LimitsPage, bool) {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	p, err := s.readLimits(r)
	if err != nil {
		s.fail(w, r, err)
		return p, false
	}
	// All of it is kept in memory: a file on disk would outlive the request.
	err = r.ParseMultipartForm(mostForm)
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		s.send(w, r, http.StatusRequestEntityTooLarge, limitsCheck{page: p, fault: "The file is too large: a rule file holds at most 1 MiB. Split it."})
		return p, false
	case err != nil && !errors.Is(err, http.ErrNotMultipart):
		s.send(w, r, http.StatusBadRequest, limitsCheck{page: p, fault: "The form arrived incomplete. Send it again."})
		return p, false
	}
	return p, true
}

func (s *server) checkLimits(w http.ResponseWriter, r *http.Request) {
	p, ok := s.limitsForm(w, r)
	if !ok {
		return
	}
	k := limitsCheck{page: p}
	if r.PostFormValue("which") == "shipped" {
		k.set = p.Shipped
		if k.set == nil {
			k.fault = "This program was built without a shipped set. Choose a file."
		}
	} else {
		k.take(r)
	}
	status := http.StatusOK
	if k.set == nil {
		status = http.StatusUnprocessableEntity
	}
	s.send(w, r, status, k)
}

// take reads the file that was chosen or pasted.
func (k *limitsCheck) take(r *http.Request) {
	// A browser sends pasted text with CR LF; the file's hash must not depend on it.
	k.text = strings.ReplaceAll(r.PostFormValue("text"), "\r\n", "\n")
	data, err := uploaded(r)
	switch {
	case err != nil:
		k.fault = "The file could not be read. Choose it again."
	case len(data) > 0 && strings.TrimSpace(k.text) != "":
		k.fault = "A file was chosen and a text pasted. Keep one of the two, so that it is clear which is meant."
	case len(data) > 0:
		k.parse(data)
	case strings.TrimSpace(k.text) != "":
		k.parse([]byte(k.text))
	default:
		k.fault = "No file arrived. Choose a rule file, or paste its text."
	}
}

func uploaded(r *http.Request) ([]byte, error) {
	file, _, err := r.FormFile("file")
	if errors.Is(err, http.ErrMissingFile) || errors.Is(err, http.ErrNotMultipart) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return io.ReadAll(file)
}

func (k *limitsCheck) parse(data []byte) {
	k.file = data
	set, err := stability.Parse("file", data)
	if err != nil {
		if !errors.As(err, &k.mistakes) {
			k.fault = sentence(err.Error())
		}
		return
	}
	k.set = set
}

func (s *server) adoptLimits(w http.ResponseWriter, r *http.Request) {
	p, ok := s.limitsForm(w, r)
	if !ok {
		return
	}
	k := limitsCheck{page: p, sign: signForm{
		By: strings.TrimSpace(r.PostFormValue("by")), Second: strings.TrimSpace(r.PostFormValue("second")),
		Reason: strings.TrimSpace(r.PostFormValue("reason")), From: strings.TrimSpace(r.PostFormValue("from")), InFlight: r.PostFormValue("flight") == "yes",
	}}
	if r.PostFormValue("which") == "shipped" {
		k.set = p.Shipped
	} else if data, err := base64.StdEncoding.DecodeString(r.PostFormValue("bytes")); err == nil && len(data) > 0 {
		k.parse(data)
	}
	if k.set == nil {
		if k.fault == "" && len(k.mistakes) == 0 {
			k.fault = "The set to adopt did not arrive. Choose it again."
		}
		s.send(w, r, http.StatusUnprocessableEntity, k)
		return
	}
	a, faults := k.adoption(r.PostFormValue("id"))
	looked, now := r.PostFormValue("seen"), k.words(s.site).Seen
	switch {
	case len(faults) > 0:
		k.faults = faults
	case looked != now && now == k.set.Hash:
		// The form came twice, or two people had the same thought: it is in force.
		s.showAdopted(w, r, now)
		return
	case looked != now:
		k.again = "What is in force has changed since you looked. Nothing was adopted: read the differences again."
	default:
		s.adopt(w, r, &k, a)
		return
	}
	s.send(w, r, http.StatusUnprocessableEntity, k)
}

// adopt hands a sound form on and answers it.
func (s *server) adopt(w http.ResponseWriter, r *http.Request, k *limitsCheck, a LimitsAdoption) {
	adopted, err := s.src.AdoptLimits(r.Context(), a)
	var refused LimitsRefused
	switch {
	case err == nil:
		s.showAdopted(w, r, adopted.Hash)
	case errors.As(err, &refused):
		k.faults = refused
		s.send(w, r, http.StatusUnprocessableEntity, *k)
	case errors.Is(err, ErrNotSaved):
		k.again = "It was not saved. Nothing is lost: press the button again."
		s.send(w, r, http.StatusServiceUnavailable, *k)
	default:
		s.fail(w, r, fmt.Errorf("adopting limits: %w", err))
	}
}

func (s *server) showAdopted(w http.ResponseWriter, r *http.Request, hash string) {
	http.Redirect(w, r, s.site.Base+"/limits?adopted="+hash[:min(16, len(hash))], http.StatusSeeOther)
}

// adoption checks what was typed, so that every fault is told at once.
func (k *limitsCheck) adoption(id string) (LimitsAdoption, LimitsRefused) {
	a := LimitsAdoption{File: k.file, By: k.sign.By, Second: k.sign.Second, Reason: k.sign.Reason, InFlight: k.sign.InFlight, ID: id}
	var faults LimitsRefused
	if a.By == "" {
		faults = append(faults, LimitsFieldError{"by", "Say who adopts the limits: limits are a person's decision."})
	}
	if a.Second != "" && strings.EqualFold(a.Second, a.By) {
		faults = append(faults, LimitsFieldError{"second", "The second person is somebody else. Leave it empty if nobody else has read them."})
	}
	if a.Reason == "" {
		faults = append(faults, LimitsFieldError{"reason", "Say why, for who reads it in a year: a verification, a change of tube, a first start."})
	}
	if k.sign.From != "" {
		at, err := localInstant(k.sign.From, clockOf(k.page.Now, k.page.Zone).zone)
		if err != nil {
			faults = append(faults, LimitsFieldError{"inForce", err.Error()})
		}
		a.InForce = at
	}
	return a, faults
}

// localInstant reads a date and time of the form's zone. A time that the zone
// skips or has twice is refused: nobody could say which was meant.
func localInstant(text string, zone *time.Location) (event.Instant, error) {
	const layout = "2006-01-02T15:04"
	t, err := time.ParseInLocation(layout, text, zone)
	if err != nil {
		if t, err = time.ParseInLocation(layout+":05", text, zone); err != nil {
			return 0, fmt.Errorf("%q is no date and time; write it as 2026-11-24T10:00", clipLine(text))
		}
	}
	if t.Format(layout) != text[:len(layout)] {
		return 0, fmt.Errorf("the clocks in %s skip %s; choose a time an hour later", zone, t.Format("15:04"))
	}
	for _, hours := range []time.Duration{-1, 1} {
		if other := t.Add(hours * time.Hour); other.Format(layout) == t.Format(layout) {
			return 0, fmt.Errorf("the clocks in %s show %s twice that day; choose a time an hour later", zone, t.Format("15:04"))
		}
	}
	if t.Year() < 1970 || t.Year() > 2200 {
		return 0, fmt.Errorf("%s lies outside the years 1970 to 2200", t.Format("2006-01-02"))
	}
	return event.At(t), nil
}
