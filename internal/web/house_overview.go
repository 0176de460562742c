package web

import (
	"fmt"
	"io"
	"net/http"
)

// houseKinds are the kinds with a list and a form each. Tokens, schemes and identity have
// pages of their own.
var houseKinds = []houseKind{housePlaces, houseCarriers, houseLoggers, houseRoutes, housePeople, houseDevices}

// houseOverviewPage says what is declared and what is missing.
type houseOverviewPage struct {
	houseFrame
	Fresh   bool // nothing is declared at all
	Missing []houseLack
	Soon    []houseLack
	Outside []houseLack // who is told outside the screens
	Lists   []houseSum
	Order   []houseLack
}

// houseLack is something that is missing, with where to mend it.
type houseLack struct {
	Say, Do, URL string
	Mark         level
}

// houseSum is a list in one line.
type houseSum struct{ Say, URL, Many, More string }

// Render writes the page as HTML.
func (p houseOverviewPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "House", Kind: "house", Sheet: "house.css", Page: p}.render(w)
}

func (s *server) houseOverview(w http.ResponseWriter, r *http.Request) {
	if h, ok := s.readHouse(w, r); ok {
		s.send(w, r, http.StatusOK, h.overview(s.site))
	}
}

func (h *House) overview(site Site) houseOverviewPage {
	p := houseOverviewPage{houseFrame: h.frame(site, "")}
	p.Head = "How the house is set up"
	p.Lead = "What this laboratory has declared: its places, people, numbers, boxes, devices and ways. All of it is judged by, so all of it has somebody who answers."
	p.Fresh = len(h.Places)+len(h.People)+len(h.Carriers)+len(h.Devices)+len(h.Routes)+len(h.Loggers)+h.Schemes == 0 && h.Limits == ""
	at := func(path string) string { return site.Base + path }
	p.Missing, p.Soon, p.Outside = h.missing(at), h.soon(at), h.outside()
	p.Order = []houseLack{
		{Say: "The reception as a place, with its time zone", Do: "all screens show times by its clocks", URL: at("/house/new/places")},
		{Say: "Yourself, then who collects and who receives", Do: "by staff code", URL: at("/house/new/people")},
		{Say: "Wards, clinics and vehicles as places, each with a temperature range", Do: "five to ten are enough for a first day without loggers", URL: at("/house/new/places")},
		{Say: "The limits", Do: "read and adopted by a person; without them every test says “no limit adopted”", URL: at("/limits")},
		{Say: "What your numbers look like", Do: "so that a misread label is refused", URL: at("/house/schemes")},
		{Say: "Boxes and bags, devices, routes", Do: "what goes round, what scans, and when it leaves", URL: at("/house/new/carriers")},
		{Say: "Loggers, when you have some", Do: "they replace assumptions by measured minutes", URL: at("/house/new/loggers")},
	}
	active, revoked := 0, 0
	for _, one := range h.People {
		if one.Active {
			active++
		}
	}
	for _, d := range h.Devices {
		if !d.Active {
			revoked++
		}
	}
	ranges := 0
	for _, one := range h.Places {
		if one.Range.declared() {
			ranges++
		}
	}
	more := func(n int, say string) string {
		if n == 0 {
			return ""
		}
		return fmt.Sprintf(say, n)
	}
	limits := h.Limits
	if limits == "" {
		limits = "none in force"
	}
	p.Lists = []houseSum{
		{"Places", at("/house/places"), count(len(h.Places), "place", "places"), more(ranges, "%d with a declared range")},
		{"People", at("/house/people"), count(len(h.People), "person", "people"), more(active, "%d may act")},
		{"Numbers", at("/house/schemes"), count(h.Schemes, "scheme", "schemes"), ""},
		{"Limits", at("/limits"), limits, ""},
		{"Boxes and bags", at("/house/carriers"), count(len(h.Carriers), "declared", "declared"), ""},
		{"Devices", at("/house/devices"), count(len(h.Devices), "device", "devices"), more(revoked, "%d revoked")},
		{"Routes", at("/house/routes"), count(len(h.Routes), "route", "routes"), ""},
		{"Spinning", at("/house/programmes"), count(len(h.Programmes), "programme", "programmes"), more(h.centrifuges(), "%d centrifuges among the places")},
		{"Loggers", at("/house/loggers"), count(len(h.Loggers), "logger", "loggers"), ""},
		{"Machines", at("/house/tokens"), "tokens", ""},
		{"Identity", at("/house/identity"), "who looked, and how old a backup may be", ""},
	}
	return p
}

// missing is what must be there before the first round.
func (h *House) missing(at func(string) string) []houseLack {
	var out []houseLack
	lack := func(is bool, say, do, path string) {
		if is {
			out = append(out, houseLack{say, do, at(path), levelPast})
		}
	}
	reception := false
	for _, p := range h.Places {
		reception = reception || p.Kind == "reception"
	}
	lack(len(h.Places) == 0, "No place is declared", "declare the reception first, then where blood is drawn", "/house/new/places")
	lack(len(h.Places) > 0 && !reception, "No place is the reception", "declare it, with its time zone", "/house/new/places")
	lack(h.Limits == "", "No limits are adopted", "read the shipped set or your own, and adopt it in your name", "/limits")
	for _, need := range []struct{ role, say, do string }{
		{"collector", "Nobody may collect", "declare a person with the role collector"},
		{"reception", "Nobody may receive", "declare a person with the role reception"},
		{"scientist", "Nobody may adopt limits", "declare a person with the role scientist, who may override at the rack too"},
	} {
		has := false
		for i := range h.People {
			has = has || h.People[i].may(need.role)
		}
		lack(!has, need.say, need.do, "/house/new/people")
	}
	return out
}

// soon is what hurts later: a range nobody looked at again, a place nothing is said of.
func (h *House) soon(at func(string) string) []houseLack {
	var out []houseLack
	c := clockOf(h.Now, h.Zone)
	note := func(m level, say, do, url string) { out = append(out, houseLack{say, do, url, m}) }
	thing := func(path, id string) string { return Site{Base: at("")}.houseURL(path, id) }
	review := func(what, path, id string, r HouseRange) {
		if r.overdue(h.Now) {
			note(levelSoon, "The range of "+what+" should have been looked at again", "overdue since "+houseDay(c, r.Review)+"; "+r.Owner+" answers for it", thing(path, id))
		}
	}
	for _, p := range h.Places {
		review(p.ID, "places", p.ID, p.Range)
	}
	for _, b := range h.Carriers {
		review(b.Kind+" "+b.ID, "carriers", b.ID, b.Range)
	}
	for i := range h.People {
		if p := &h.People[i]; p.SignIn != nil && p.SignIn.LockedUntil > h.Now {
			note(levelSoon, p.ID+" is locked out", "until "+c.at(p.SignIn.LockedUntil)+"; ask who tried", thing("people", p.ID))
		}
	}
	for i := range h.Devices {
		if d := &h.Devices[i]; d.Active && len(d.Doubts) > 0 {
			note(levelAsk, "The clock of device "+d.ID+" is in doubt", says(doubtWords, d.Doubts[0]), thing("devices", d.ID))
		}
	}
	bare := 0
	for _, p := range h.Places {
		if !p.Range.declared() {
			bare++
		}
	}
	if bare > 0 {
		note(levelAbsent, count(bare, "place has", "places have")+" no declared range", "what waits there without a logger is judged “cannot say”", at("/house/places"))
	}
	for _, p := range h.Places {
		if p.Kind == placeCentrifuge && p.Rotor == (HouseRotor{}) {
			note(levelAbsent, "The rotor of centrifuge "+p.ID+" isn't declared", "nothing can be said of what goes into it next", thing("places", p.ID))
		}
	}
	if h.centrifuges() > 0 && len(h.Programmes) == 0 {
		note(levelAbsent, "No spin programme is declared", "the rack page can't say what goes together and what is lost first", at("/house/programmes"))
	}
	if h.Schemes == 0 && len(h.Places) > 0 {
		note(levelAbsent, "No number schemes are declared", "a misread number can't be told from a right one", at("/house/schemes"))
	}
	if len(h.Routes) == 0 && len(h.Places) > 1 {
		note(levelAbsent, "No route is declared", "nothing is ever late, and no tube is warned of by a timetable", at("/house/new/routes"))
	}
	return out
}

func (h *House) centrifuges() (n int) {
	for _, p := range h.Places {
		if p.Kind == placeCentrifuge {
			n++
		}
	}
	return n
}
