package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// houseKind is a kind of thing that the house declares: how its list and its form look.
type houseKind struct {
	path      string // below /house
	one, many string
	lead      string
	empty     []string // what to do while there is none
	caution   string   // where the form can hurt
	columns   []string
	fresh     url.Values // what a new one begins with
	// rows gives the list, in the order of numbers.
	rows func(h *House, c clock) []houseRow
	// load gives what the form of a declared thing begins with.
	load func(h *House, i int) url.Values
	// ids are the numbers of all that are declared.
	ids    func(h *House) []string
	groups func(h *House, f *houseSaid, fresh bool) []houseGroup
	// declare reads the form and, when nothing is wrong with it, declares the thing.
	declare func(ctx context.Context, src HouseSource, h *House, f *houseSaid, by string) (id string, err error)
	// facts are what is known of a thing beside what was declared.
	facts func(h *House, i int, c clock) []factWords
	// tables are lists of a thing.
	tables func(h *House, i int, c clock) []houseTable
	// others are the other forms of a declared thing; said and form are those of the
	// one that was sent, if any.
	others func(ctx context.Context, h *House, i int, c clock, sent map[string]*houseSaid) []houseForm
}

// at gives the place of a thing in the lists, -1 when it isn't declared.
func (k *houseKind) at(h *House, id string) int {
	for i, one := range k.ids(h) {
		if strings.EqualFold(one, strings.TrimSpace(id)) {
			return i
		}
	}
	return -1
}

// houseRow is a line of a list.
type houseRow struct {
	ID    string // number, shown
	URL   string
	Say   string // beside the number
	Cells []houseCell
}

// houseCell is a cell of a list; Mark is a shape that stands before its words.
type houseCell struct {
	Label, Say, More string
	Mark             level
}

type houseTable struct {
	Head    string
	Columns []string
	Rows    [][]string
}

// houseColumns puts its column's name on each cell.
func houseColumns(columns []string, rows []houseRow) []houseRow {
	for i := range rows {
		for j := range rows[i].Cells {
			rows[i].Cells[j].Label = columns[j+1]
		}
	}
	return rows
}

// houseWay is a link of the house's own navigation.
type houseWay struct {
	Path, Say string
	Here      bool
}

// houseWays are the pages of the house in the order in which a first start needs them.
func houseWays(here string) []houseWay {
	ways := []houseWay{
		{Path: "", Say: "House"}, {Path: "/places", Say: "Places"}, {Path: "/people", Say: "People"}, {Path: "/schemes", Say: "Numbers"},
		{Path: "/carriers", Say: "Boxes and bags"}, {Path: "/devices", Say: "Devices"}, {Path: "/routes", Say: "Routes"},
		{Path: "/loggers", Say: "Loggers"}, {Path: "/programmes", Say: "Spinning"}, {Path: "/tokens", Say: "Machines"}, {Path: "/identity", Say: "Identity"},
	}
	for i := range ways {
		ways[i].Here = ways[i].Path == here
	}
	return ways
}

// houseFrame is what every page of the house has.
type houseFrame struct {
	Site
	Ways   []houseWay
	Over   string // address above, empty for the house itself
	Up     string // its words
	Head   string
	Lead   string
	Status string // what was just done
	Zone   string
	Now    string
	Seq    uint64
	People []string // staff codes, offered where somebody is named
	Places []string
	Holds  []string // numbers of carriers and places, where a logger can be
}

func (h *House) frame(site Site, here string) houseFrame {
	c := clockOf(h.Now, h.Zone)
	f := houseFrame{
		Site: site, Ways: houseWays(here), Zone: c.offset() + " (" + c.zone.String() + ")", Now: c.now.Format("Mon 2 Jan 2006 15:04"), Seq: h.Seq,
	}
	for _, p := range h.People {
		if p.Active {
			f.People = append(f.People, p.ID)
		}
	}
	for _, p := range h.Places {
		f.Places = append(f.Places, p.ID)
	}
	// A site has thousands of boxes at most; offering them all would make every page of a
	// logger long, so the first stand for the rest.
	const offered = 300
	f.Holds = append(f.Holds, f.Places...)
	for _, c := range h.Carriers[:min(len(h.Carriers), offered)] {
		f.Holds = append(f.Holds, c.ID)
	}
	return f
}

// houseListPage is the list of a kind.
type houseListPage struct {
	houseFrame
	Kind     *houseKindWords
	Rows     []houseRow
	Query    string
	Search   bool
	Count    string
	Caution  string
	Filtered bool
}

type houseKindWords struct {
	Path, One, Many string
	Columns, Empty  []string
}

// Render writes the page as HTML.
func (p houseListPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "house-list", Sheet: "house.css", Page: p}.render(w)
}

// houseThingPage is one thing, or the form of a new one.
type houseThingPage struct {
	houseFrame
	Facts  []factWords
	Tables []houseTable
	Forms  []houseForm
	Say    string // under the head
	Mark   level
}

// Render writes the page as HTML.
func (p houseThingPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "house-thing", Sheet: "house.css", Page: p}.render(w)
}

func (s *server) readHouse(w http.ResponseWriter, r *http.Request) (House, bool) {
	h, err := s.src.House(r.Context())
	if err != nil {
		s.houseFail(w, r, err)
		return h, false
	}
	if h.Now == 0 {
		h.Now = s.now()
	}
	return h, true
}

// searchFrom is how long a list is before it can be searched.
const searchFrom = 10

func (s *server) houseList(w http.ResponseWriter, r *http.Request, k *houseKind) {
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	p := houseListPage{
		houseFrame: h.frame(s.site, "/"+k.path), Kind: &houseKindWords{Path: k.path, One: k.one, Many: k.many, Columns: k.columns, Empty: k.empty},
		Query: clipLine(r.URL.Query().Get("q")),
	}
	p.Over, p.Up, p.Head, p.Lead = "/house", "House", sentenceHead(k.many), k.lead
	all := houseColumns(k.columns, k.rows(&h, clockOf(h.Now, h.Zone)))
	for _, row := range all {
		row.URL = s.site.houseURL(k.path, row.ID)
		if row.holds(p.Query) {
			p.Rows = append(p.Rows, row)
		}
	}
	p.Filtered = p.Query != ""
	p.Search = p.Filtered || len(all) >= searchFrom
	p.Count = count(len(p.Rows), k.one, k.many)
	if p.Filtered {
		p.Count += fmt.Sprintf(" of %d", len(all))
	}
	s.send(w, r, http.StatusOK, p)
}

// holds tells whether every word of a search stands somewhere in the row.
func (row *houseRow) holds(query string) bool {
	text := row.ID + " " + row.Say
	for _, c := range row.Cells {
		text += " " + c.Say + " " + c.More
	}
	text = strings.ToLower(text)
	for word := range strings.FieldsSeq(strings.ToLower(query)) {
		if !strings.Contains(text, word) {
			return false
		}
	}
	return true
}

func (s Site) houseURL(path, id string) string {
	return s.Base + "/house/" + path + "/" + url.PathEscape(id)
}

func sentenceHead(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func (s *server) houseNew(w http.ResponseWriter, r *http.Request, k *houseKind) {
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	f := &houseSaid{Values: url.Values{}, key: "new"}
	for name, v := range k.fresh {
		f.Values[name] = v
	}
	if id := r.URL.Query().Get("id"); id != "" {
		f.Set("id", id)
	}
	f.Set("new", "yes")
	s.send(w, r, http.StatusOK, s.housePage(r.Context(), k, &h, -1, f, nil))
}

// houseStatus are the words for what was just done, by the word in the address.
var houseStatus = map[string]string{
	"saved":    "Saved. It counts from now on. To undo it, describe it anew: what was said before stays in the log.",
	"sign-in":  "Saved. What was left empty is as it was.",
	"released": "The lock is released. Nothing else was changed: the PIN is as it was.",
	"revoked":  "Revoked. Its key and its sessions count no more from now on.",
	"allowed":  "It may act again.",
	"declared": "Declared. Labels are read by this set from now on.",
}

func (s *server) houseThing(w http.ResponseWriter, r *http.Request, k *houseKind) {
	h, i, ok := s.findThing(w, r, k)
	if !ok {
		return
	}
	p := s.housePage(r.Context(), k, &h, i, nil, nil)
	p.Status = houseStatus[r.URL.Query().Get("done")]
	s.send(w, r, http.StatusOK, p)
}

func (s *server) findThing(w http.ResponseWriter, r *http.Request, k *houseKind) (h House, i int, ok bool) {
	if h, ok = s.readHouse(w, r); !ok {
		return h, -1, false
	}
	if i = k.at(&h, r.PathValue("id")); i < 0 {
		s.houseFail(w, r, ErrNotFound)
		return h, i, false
	}
	return h, i, true
}

// housePage is the page of a thing with all its forms; i is below 0 for a new one. f is
// its main form as it was sent, nil to begin with what is declared; sent are other forms.
func (s *server) housePage(ctx context.Context, k *houseKind, h *House, i int, f *houseSaid, sent map[string]*houseSaid) houseThingPage {
	p := houseThingPage{houseFrame: h.frame(s.site, "/"+k.path)}
	p.Over, p.Up = "/house/"+k.path, sentenceHead(k.many)
	c := clockOf(h.Now, h.Zone)
	fresh := i < 0
	if f == nil {
		f = &houseSaid{Values: k.load(h, i), key: "as"}
	}
	head, button := "", "Save"
	if fresh {
		p.Head, head, button = "Declare a "+k.one, "What it is", "Declare the "+k.one
		p.Lead = k.lead
	} else {
		row := k.rows(h, c)[i]
		p.Head = sentenceHead(k.one) + " " + row.ID
		head = "Describe " + row.ID + " anew"
		p.Say = row.Say
		if k.facts != nil {
			p.Facts = k.facts(h, i, c)
		}
		if k.tables != nil {
			p.Tables = k.tables(h, i, c)
		}
	}
	groups := k.groups(h, f, fresh)
	what := houseGroup{Fields: []houseField{f.kept("new")}}
	if !fresh {
		f.Set("seen", saidDigest(k.load(h, i)))
		what = houseGroup{Fields: []houseField{f.kept("id"), f.kept("seen")}}
	}
	groups = append(groups, what, f.whoGroup(ctx, "stands beside this in the log"))
	form := f.form(head, s.site.Base+"/house/"+k.path, button, groups...)
	form.Caution = k.caution
	form.Leave = s.site.Base + "/house/" + k.path
	if !fresh {
		form.Lead = "Nothing is deleted. What you save counts from now on; to undo it, describe it anew."
	}
	p.Forms = append(p.Forms, form)
	if !fresh && k.others != nil {
		for _, other := range k.others(ctx, h, i, c, sent) {
			other.Action = s.site.houseURL(k.path, k.ids(h)[i]) + other.Action
			p.Forms = append(p.Forms, other)
		}
		// What waits for an answer stands on top: a form with faults, else a lock.
		slices.SortStableFunc(p.Forms, func(a, b houseForm) int { return b.rank() - a.rank() })
	}
	return p
}

func (s *server) houseDeclare(w http.ResponseWriter, r *http.Request, k *houseKind) {
	f, ok := s.houseForm(w, r, "as")
	if !ok {
		return
	}
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	i, fresh := k.at(&h, f.said("id")), f.said("new") == "yes"
	switch {
	case f.said("id") == "":
		f.fault("id", "give it the number or code that stands on its label")
	case i >= 0 && f.sentAgain(k.load(&h, i)):
		// The form came twice, or two people said the same: it is declared.
		http.Redirect(w, r, s.site.houseURL(k.path, k.ids(&h)[i])+"?done=saved", http.StatusSeeOther)
		return
	case fresh && i >= 0:
		f.fault("id", fmt.Sprintf("%s is declared already; open it in the list and describe it anew", k.ids(&h)[i]))
	case !fresh && i < 0:
		s.houseFail(w, r, ErrNotFound)
		return
	}
	if !fresh && i >= 0 && f.outdated(k.load(&h, i)) {
		f.fault("", "somebody described it anew since you opened this form; compare what is declared now in the list, then save again")
	}
	by := f.by(r.Context())
	id, err := k.declare(r.Context(), s.src, &h, f, by)
	status := http.StatusUnprocessableEntity
	switch {
	case err != nil:
		if status = s.houseTrouble(w, r, f, err); status == 0 {
			return
		}
	case len(f.faults) == 0:
		http.Redirect(w, r, s.site.houseURL(k.path, id)+"?done=saved", http.StatusSeeOther)
		return
	}
	if fresh {
		i, f.key = -1, "new"
	}
	s.send(w, r, status, s.housePage(r.Context(), k, &h, i, f, nil))
}

// outdated tells whether a thing was described anew since the form was opened.
func (f *houseSaid) outdated(now url.Values) bool {
	seen := f.said("seen")
	return seen != "" && seen != saidDigest(now)
}

// sentAgain tells whether a form says just what is declared already, though it was opened
// before that. Saved unchanged, a form that knows what is declared is meant so.
func (f *houseSaid) sentAgain(now url.Values) bool {
	return (f.outdated(now) || f.said("new") == "yes") && saidDigest(f.Values) == saidDigest(now)
}

// saidDigest names what a form says of its thing.
func saidDigest(v url.Values) string {
	sum := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(v)) {
		text := strings.TrimSpace(strings.ReplaceAll(v.Get(name), "\r\n", "\n"))
		switch name {
		case "seen", "new", "by", "occurredAt":
			continue
		case "id":
			text = strings.ToUpper(text)
		}
		if text != "" {
			sum.Write(fmt.Appendf(nil, "%q=%q ", name, text))
		}
	}
	return hex.EncodeToString(sum.Sum(nil)[:8])
}

// houseDay writes the day of an instant.
func houseDay(c clock, i event.Instant) string {
	return i.Time().In(c.zone).Format("2 Jan 2006")
}

// houseDate writes the day as a form's date field wants it.
func houseDate(zone *time.Location, i event.Instant) string {
	if i == 0 {
		return ""
	}
	return i.Time().In(clockOf(0, zone).zone).Format("2006-01-02")
}
