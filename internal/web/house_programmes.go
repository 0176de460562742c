package web

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/spinload"
)

// programmeFields are the fields of a spin programme in the form, as the API calls them;
// tubes is a list there, and one text of words here.
var programmeFields = []string{"name", "tubes", "g", "withinG", "minutes", "handlingMinutes", "temperature.low", "temperature.high"}

// houseProgrammesPage is all spin programmes, to be looked at, checked and declared.
type houseProgrammesPage struct {
	houseFrame
	Form     houseForm
	Checked  bool // nothing is wrong with what stands in the form
	Changed  string
	Standing string
	Columns  []string // programme, then each centrifuge
	Runs     []programmeRuns
	Without  []string // tube types that no programme names, in words
	Types    []option // tube types of the limits in force
}

// programmeRuns is what to set on each centrifuge for one programme.
type programmeRuns struct {
	Name, Say string
	Cells     []houseCell
}

// Render writes the page as HTML.
func (p houseProgrammesPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "house-programmes", Sheet: "house.css", Page: p}.render(w)
}

func (s *server) houseProgrammes(w http.ResponseWriter, r *http.Request) {
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	f := &houseSaid{Values: url.Values{}, key: "set"}
	for n, one := range h.Programmes {
		f.setProgramme(n, one)
	}
	f.Set("seen", f.digestOf("programmes", programmeFields))
	p := s.programmesPage(r, &h, f, h.Programmes)
	if r.URL.Query().Get("done") == "declared" {
		p.Status = "Declared. Tubes are planned by these programmes from now on; runs that are on go by what was set."
	}
	s.send(w, r, http.StatusOK, p)
}

func (f *houseSaid) setProgramme(n int, p HouseProgramme) {
	set := func(name, value string) {
		if value != "" && value != "0" {
			f.Set(fmt.Sprintf("programmes[%d].%s", n, name), value)
		}
	}
	whole := func(i int64) string { return strconv.FormatInt(i, 10) }
	set("name", p.Name)
	set("tubes", strings.Join(p.Tubes, " "))
	set("g", whole(p.G))
	set("withinG", whole(p.WithinG))
	set("minutes", whole(p.Minutes))
	set("handlingMinutes", whole(p.HandlingMin))
	if p.Low+p.High != "" {
		f.Set(fmt.Sprintf("programmes[%d].temperature.low", n), trimDegrees(p.Low)) // 0 °C is a temperature
		f.Set(fmt.Sprintf("programmes[%d].temperature.high", n), trimDegrees(p.High))
	}
}

// programmes reads the form's set. Rows that are marked to be left out, and empty ones,
// are gone afterwards, so that faults are counted as the API counts them.
func (f *houseSaid) programmes() []HouseProgramme {
	const most = 101
	for n := range most {
		if f.said(fmt.Sprintf("programmes[%d].out", n)) == "yes" {
			for _, name := range programmeFields {
				f.Del(fmt.Sprintf("programmes[%d].%s", n, name))
			}
		}
		f.Del(fmt.Sprintf("programmes[%d].out", n))
	}
	out := make([]HouseProgramme, f.compact("programmes", programmeFields...))
	for n := range out {
		at := func(name string) string { return fmt.Sprintf("programmes[%d].%s", n, name) }
		get := func(name string) string { return f.said(at(name)) }
		out[n] = HouseProgramme{
			Name: get("name"), Tubes: strings.FieldsFunc(get("tubes"), func(r rune) bool { return r == ',' || r == ' ' || r == ';' }),
			G: f.whole(at("g"), 0), WithinG: f.whole(at("withinG"), 0), Minutes: f.whole(at("minutes"), 0), HandlingMin: f.whole(at("handlingMinutes"), 0),
			Low: decimalPoint(get("temperature.low")), High: decimalPoint(get("temperature.high")),
		}
	}
	return out
}

// The most that a programme may ask for. The force is that of spinload; a run of more
// than a day is a slip.
const (
	mostForce    = 1_000_000
	mostSpinning = 24 * 60 // minutes
)

// checkProgrammes names what can't be, at its field.
func (f *houseSaid) checkProgrammes(set []HouseProgramme) {
	names, tubes := map[string]int{}, map[string]string{}
	for n := range set {
		p := &set[n]
		fault := func(field, say string, args ...any) {
			path := fmt.Sprintf("programmes[%d].%s", n, field)
			if !slices.ContainsFunc(f.faults, func(one HouseFault) bool { return one.Field == path }) {
				f.fault(path, fmt.Sprintf(say, args...))
			}
		}
		before, twice := names[strings.ToLower(p.Name)]
		switch {
		case p.Name == "":
			fault("name", "give it the name that people at the centrifuges use")
		case twice:
			fault("name", "programme %d is called so too; give each a name of its own", before+1)
		}
		names[strings.ToLower(p.Name)] = n
		if len(p.Tubes) == 0 {
			fault("tubes", "name the tube types that are spun so, by their codes")
		}
		for _, code := range p.Tubes {
			if other, ok := tubes[code]; ok {
				fault("tubes", "%s stands in %s already; a tube type has one programme", code, other)
			}
			tubes[code] = p.Name
		}
		switch {
		case p.G < 1 || p.G > mostForce:
			fault("g", "give the force in g, 1 to %d", mostForce)
		case p.WithinG < 0 || p.WithinG >= p.G:
			fault("withinG", "give 0 or more, below the force itself")
		}
		if p.Minutes < 1 || p.Minutes > mostSpinning {
			fault("minutes", "give the minutes of the run, 1 to %d", mostSpinning)
		}
		if p.HandlingMin < 0 || p.HandlingMin > mostSpinning {
			fault("handlingMinutes", "give 0 to %d minutes", mostSpinning)
		}
		f.checkDegrees(fmt.Sprintf("programmes[%d].temperature", n), p.Low, p.High)
	}
}

// checkDegrees notes what is wrong with a range of temperatures that may be left out.
func (f *houseSaid) checkDegrees(path, low, high string) {
	if low == "" && high == "" {
		return
	}
	a, err := strconv.ParseFloat(low, 64)
	b, err2 := strconv.ParseFloat(high, 64)
	switch {
	case low == "" || err != nil:
		f.fault(path+".low", "give both ends in °C, for example 18, or none")
	case high == "" || err2 != nil:
		f.fault(path+".high", "give both ends in °C, for example 25, or none")
	case a > b:
		f.fault(path+".low", "the lower end is above the upper one; change them over")
	}
}

func (f *houseSaid) programmeGroup(n int, legend string) houseGroup {
	at := func(name string) string { return fmt.Sprintf("programmes[%d].%s", n, name) }
	return houseGroup{Legend: legend, ID: at("temperature"), Fields: []houseField{
		f.text(at("name"), "Name", "as people at the centrifuges call it"),
		f.text(at("tubes"), "Tube types", "their codes, with blanks; each stands in one programme").from("types"),
		f.number(at("g"), "Force, g", "relative centrifugal force, not turns per minute"),
		f.number(at("withinG"), "More or less, g", "so much above or below will do as well; lets programmes share a run"),
		f.number(at("minutes"), "Minutes", "of the run itself"),
		f.number(at("handlingMinutes"), "Handling, minutes", "loading, balancing, running down, unloading"),
		f.text(at("temperature.low"), "From, °C", "empty: no temperature is asked for"),
		f.text(at("temperature.high"), "To, °C", "both ends belong to it"),
		f.tick(at("out"), "Leave this programme out", "its tube types then have none"),
	}}
}

func (s *server) programmesPage(r *http.Request, h *House, f *houseSaid, set []HouseProgramme) houseProgrammesPage {
	p := houseProgrammesPage{houseFrame: h.frame(s.site, "/programmes")}
	p.Over, p.Up, p.Head = "/house", "House", "Spin programmes"
	p.Lead = "How tubes of each type are spun here, all programmes together: the rack page plans runs by them, and says the turns per minute for each centrifuge's rotor."
	p.Standing = count(len(h.Programmes), "programme is in force.", "programmes are in force.")
	if len(h.Programmes) == 0 {
		p.Standing = "No programme is in force: the rack page answers for each tube, and can't say what goes together or what is lost first."
	}
	rows := f.compact("programmes", append([]string{"out"}, programmeFields...)...)
	var groups []houseGroup
	for n := range rows {
		legend := "Programme " + strconv.Itoa(n+1)
		if name := f.said(fmt.Sprintf("programmes[%d].name", n)); name != "" {
			legend = "Programme " + name
		}
		groups = append(groups, f.programmeGroup(n, legend))
	}
	blank := f.programmeGroup(rows, "Another programme")
	blank.Fields = blank.Fields[:len(blank.Fields)-1] // there is nothing to leave out yet
	groups = append(groups, blank, houseGroup{Fields: []houseField{f.kept("checked"), f.kept("seen")}}, f.whoGroup(r.Context(), "who declares the programmes"))
	p.Form = f.form("", s.site.Base+"/house/programmes/check", "Check the programmes", groups...)
	p.Form.Leave = s.site.Base + "/house/programmes"
	for _, t := range h.TubeTypes {
		p.Types = append(p.Types, option{Value: t.Code, Name: t.Name})
		if !slices.ContainsFunc(set, func(p HouseProgramme) bool { return slices.Contains(p.Tubes, t.Code) }) {
			say := t.Code
			if t.Name != "" && t.Name != t.Code {
				say += ", " + t.Name
			}
			p.Without = append(p.Without, say)
		}
	}
	p.Columns, p.Runs = h.programmeRuns(set)
	return p
}

// programmeRuns says what to set on each declared centrifuge.
func (h *House) programmeRuns(set []HouseProgramme) (columns []string, runs []programmeRuns) {
	columns = []string{"Programme"}
	var machines []HousePlace
	for _, p := range h.Places {
		if p.Kind == placeCentrifuge {
			machines = append(machines, p)
			columns = append(columns, p.ID)
		}
	}
	if len(machines) == 0 {
		return nil, nil
	}
	for i := range set {
		p := &set[i]
		row := programmeRuns{Name: p.Name, Say: p.words()}
		for j := range machines {
			row.Cells = append(row.Cells, p.on(&machines[j]))
		}
		runs = append(runs, row)
	}
	return columns, runs
}

// words says a programme in one line.
func (p *HouseProgramme) words() string {
	say := fmt.Sprintf("%d g, %d min", p.G, p.Minutes)
	if p.WithinG > 0 {
		say = fmt.Sprintf("%d ± %d g, %d min", p.G, p.WithinG, p.Minutes)
	}
	if p.Low+p.High != "" {
		say += ", " + HouseRange{Low: p.Low, High: p.High}.words()
	}
	return say
}

// on says how a programme is set on one centrifuge, or why it can't be run there.
func (p *HouseProgramme) on(m *HousePlace) houseCell {
	switch {
	case m.Rotor.RadiusMm == 0 || m.Rotor.MostPerMin == 0:
		return houseCell{Say: "its rotor isn't declared", Mark: levelAbsent}
	case p.Low+p.High != "" && m.Rotor.Low+m.Rotor.High == "":
		return houseCell{Say: "can't: it is not said which temperature it holds", Mark: levelAsk}
	case p.Low+p.High != "" && !degreesMeet(p, m):
		return houseCell{Say: "can't: it doesn't hold this temperature", Mark: levelAsk}
	}
	turns, err := spinload.PerMin(m.Rotor.RadiusMm, p.G)
	if err != nil {
		return houseCell{Say: "can't: " + err.Error(), Mark: levelAsk}
	}
	if turns <= m.Rotor.MostPerMin {
		return houseCell{Say: fmt.Sprintf("%d per minute", turns)}
	}
	if least, err := spinload.PerMin(m.Rotor.RadiusMm, p.G-p.WithinG); err != nil || least > m.Rotor.MostPerMin {
		return houseCell{Say: fmt.Sprintf("can't: it wants %d per minute, the rotor bears %d", turns, m.Rotor.MostPerMin), Mark: levelAsk}
	}
	return houseCell{Say: fmt.Sprintf("%d per minute, its most", m.Rotor.MostPerMin), More: "still within what the programme allows"}
}

func degreesMeet(p *HouseProgramme, m *HousePlace) bool {
	low, err := strconv.ParseFloat(p.Low, 64)
	high, err2 := strconv.ParseFloat(p.High, 64)
	from, err3 := strconv.ParseFloat(m.Rotor.Low, 64)
	to, err4 := strconv.ParseFloat(m.Rotor.High, 64)
	return errors.Join(err, err2, err3, err4) == nil && max(low, from) <= min(high, to)
}

// checkProgrammes looks at the programmes. Nothing is declared.
func (s *server) checkProgrammes(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "set")
	if !ok {
		return
	}
	if h, ok := s.readHouse(w, r); ok {
		set := f.programmes()
		f.checkProgrammes(set)
		s.lookAtProgrammes(w, r, &h, f, set, http.StatusOK, "")
	}
}

func (s *server) lookAtProgrammes(w http.ResponseWriter, r *http.Request, h *House, f *houseSaid, set []HouseProgramme, status int, changed string) {
	sound := len(f.faults) == 0
	f.Set("checked", "")
	if sound {
		f.Set("checked", f.digestOf("programmes", programmeFields))
	} else if status == http.StatusOK {
		status = http.StatusUnprocessableEntity
	}
	p := s.programmesPage(r, h, f, set)
	p.Checked, p.Changed = sound, changed
	if sound {
		say := "Declare these " + count(len(set), "programme", "programmes")
		if len(set) == 0 {
			say = "Declare that there is no programme"
		}
		p.Form.Buttons = append(p.Form.Buttons, houseButton{Say: say, Action: s.site.Base + "/house/programmes"})
	} else {
		p.Columns, p.Runs, p.Without = nil, nil, nil
	}
	s.send(w, r, status, p)
}

// declareProgrammes puts the programmes in force that were checked before, unless
// somebody else has declared others meanwhile.
func (s *server) declareProgrammes(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "set")
	if !ok {
		return
	}
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	set := f.programmes()
	f.checkProgrammes(set)
	if f.said("checked") != f.digestOf("programmes", programmeFields) {
		s.lookAtProgrammes(w, r, &h, f, set, http.StatusUnprocessableEntity, "The programmes were changed after they were checked. Nothing was declared: read what the check says now, then declare them.")
		return
	}
	now := &houseSaid{Values: url.Values{}}
	for n, one := range h.Programmes {
		now.setProgramme(n, one)
	}
	if in := now.digestOf("programmes", programmeFields); f.said("seen") != in && f.said("checked") != in {
		f.Set("seen", in)
		s.lookAtProgrammes(w, r, &h, f, set, http.StatusUnprocessableEntity, "Somebody declared other programmes since you opened this page. Nothing was declared: compare, then declare yours.")
		return
	}
	by := f.by(r.Context())
	status := http.StatusUnprocessableEntity
	if len(f.faults) == 0 {
		err := s.src.DeclareProgrammes(r.Context(), set, by)
		if err == nil {
			http.Redirect(w, r, s.site.Base+"/house/programmes?done=declared", http.StatusSeeOther)
			return
		}
		if status = s.houseTrouble(w, r, f, err); status == 0 {
			return
		}
	}
	s.lookAtProgrammes(w, r, &h, f, set, status, "")
}

func (f *houseSaid) rotorGroup() houseGroup {
	g := houseGroup{Legend: "Its rotor", Note: "For a centrifuge: what it can do with the rotor that it has now.", ID: "rotor", RareSay: "Places for tubes, radius, turns, temperatures: of a centrifuge alone", Rare: []houseField{
		f.number("rotor.slots", "Tubes of one run", "places in the rotor with the inserts that are used"),
		f.number("rotor.radiusMm", "Radius, mm", "from the axis to where the house reckons force: the tubes' bottom, or their middle, as its programmes do"),
		f.number("rotor.mostPerMinute", "Most turns per minute", "as the maker allows for this rotor"),
		f.text("rotor.holds.low", "Holds from, °C", "the coldest it can hold; empty: it doesn't cool or heat"),
		f.text("rotor.holds.high", "Holds to, °C", "the warmest it can hold"),
		f.text("rotor.at", "Takes the tubes of", "code of the bench or the reception that it stands beside; empty: of every place").from("places"),
	}}
	for _, field := range g.Rare {
		g.RareOpen = g.RareOpen || field.Fault != "" || field.Value != ""
	}
	g.RareOpen = g.RareOpen || f.said("kind") == placeCentrifuge
	return g
}

func (f *houseSaid) rotor() HouseRotor {
	return HouseRotor{
		Slots: f.whole("rotor.slots", 0), RadiusMm: f.whole("rotor.radiusMm", 0), MostPerMin: f.whole("rotor.mostPerMinute", 0),
		Low: decimalPoint(f.said("rotor.holds.low")), High: decimalPoint(f.said("rotor.holds.high")), At: f.said("rotor.at"),
	}
}

// checkRotor notes what is missing: a centrifuge without a rotor can't be planned for, and
// nothing else has one.
func (f *houseSaid) checkRotor(kind string, r HouseRotor) {
	if kind != placeCentrifuge {
		if r != (HouseRotor{}) {
			f.fault("rotor.slots", "only a centrifuge has a rotor; choose that kind of place, or leave these fields empty")
		}
		return
	}
	for _, one := range []struct {
		field string
		value int64
		say   string
	}{
		{"rotor.slots", r.Slots, "say how many tubes one run takes"},
		{"rotor.radiusMm", r.RadiusMm, "give the radius in mm; without it no force can be turned into turns per minute"},
		{"rotor.mostPerMinute", r.MostPerMin, "give the most turns per minute that the rotor bears"},
	} {
		if one.value < 1 && f.said(one.field) == "" {
			f.fault(one.field, one.say)
		} else if one.value < 1 && !slices.ContainsFunc(f.faults, func(x HouseFault) bool { return x.Field == one.field }) {
			f.fault(one.field, "give 1 or more")
		}
	}
	f.checkDegrees("rotor.holds", r.Low, r.High)
}

func (r HouseRotor) set(v url.Values) {
	for name, n := range map[string]int64{"rotor.slots": r.Slots, "rotor.radiusMm": r.RadiusMm, "rotor.mostPerMinute": r.MostPerMin} {
		if n != 0 {
			v.Set(name, strconv.FormatInt(n, 10))
		}
	}
	v.Set("rotor.at", r.At)
	if r.Low+r.High != "" {
		v.Set("rotor.holds.low", trimDegrees(r.Low))
		v.Set("rotor.holds.high", trimDegrees(r.High))
	}
}

func (r HouseRotor) words() string {
	if r == (HouseRotor{}) {
		return "its rotor isn't declared"
	}
	say := fmt.Sprintf("%s, radius %d mm, at most %d per minute", count(int(r.Slots), "tube", "tubes"), r.RadiusMm, r.MostPerMin)
	if r.Low+r.High != "" {
		say += ", holds " + HouseRange{Low: r.Low, High: r.High}.words()
	}
	if r.At != "" {
		say += ", for " + r.At
	}
	return say
}
