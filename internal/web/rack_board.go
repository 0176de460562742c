package web

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/spinload"
)

// rackBoard is the page as words and lines, ready for the template.
type rackBoard struct {
	Site
	board
	Place     string
	PlaceName string
	Places    []RackPlace
	Clock     string
	By        string // who is signed in, empty where the page asks
	SignIn    bool   // people sign in here
	MayPass   bool   // who looks may let pass what the rack stops
	Declared  string // what the place declares of spins that nobody scans
	Failures  []option
	Passes    []option
	Answers   []rackLegend
	Nothing   string // what is missing before anything can be planned
	NothingTo string // address where that is mended, empty where who looks may not
}

// rackLegend is one answer of the five, for the help and for the script.
type rackLegend struct {
	Key, Say, Means string
	Mark            level
}

// rackHead is what stands at the top.
type rackHead struct{ Tubes, First, Waiting, Turning, Aside string }

// rackLine is a tube of a list.
type rackLine struct {
	Site
	RackTube
	URL, Say, Until, UntilMs, LatestSay, LatestMs, WhySay, Where, Here string
	Mark                                                               level
	HoldSay                                                            string
}

// rackGroup is what shares a programme.
type rackGroup struct {
	ID, Name, Say, Count, First string
	None                        bool // no programme is declared for these types
	Tubes                       []rackLine
}

// rackMachineRow is a centrifuge.
type rackMachineRow struct {
	Site
	RackMachine
	Row, Rotor, At, Set, Places, First string
	Mark                               level
	Lines                              []rackPlannedLine
	List                               string // its tubes, with blanks
	Running                            []rackRunLine
	Free                               bool
}

type rackPlannedLine struct{ ID, URL, Latest string }

type rackRunLine struct {
	RackRun
	Row, Say, List, Ended string
	Over                  bool
}

// rackRow is a rack that holds tubes.
type rackRow struct {
	Site
	Row, Rack, Name, Say, First, List string
	G, Minutes                        int64
	Count                             int
	Misfits, Stops                    []rackMisfit
	Mark                              level
}

type rackMisfit struct{ ID, URL, Say string }

// Render writes the page as HTML.
func (p RackPage) Render(w io.Writer, site Site) error {
	b, err := p.board(site)
	if err != nil {
		return err
	}
	f := frame{Site: site, Name: "Rack", Kind: "rack", Sheet: "rack.css", Page: b}
	if p.Place != "" {
		f.Script, f.Refresh = "rack.js", 20
	}
	return f.render(w)
}

func (p RackPage) board(site Site) (rackBoard, error) {
	c := clockOf(p.Now, p.Zone)
	_, seconds := c.now.Zone()
	b := rackBoard{
		Site: site, Place: p.Place, PlaceName: p.PlaceName, Places: p.Places, Clock: c.now.Format("15:04"), Failures: optionsOf(rackFailures), Passes: optionsOf(rackOverrides), Answers: rackLegends(),
		SignIn: site.Who != nil, MayPass: site.Who == nil || slices.ContainsFunc(site.Who.At(p.Place), func(r string) bool { return r == event.RoleScientist }),
		board: board{Seq: p.Seq, NotLive: p.NotLive, NowMs: int64(p.Now), Offset: c.offset(), ZoneMs: int64(seconds) * 1000, Lists: map[string][]boardRow{}},
	}
	if site.Who != nil {
		b.By = site.Who.ID
	}
	if p.WithinMin > 0 {
		b.Declared = fmt.Sprintf("What is accepted here counts as spun %d min later: that is declared under House for this place. Nobody needs to scan here; what is said here goes before it.", p.WithinMin)
	}
	b.Nothing, b.NothingTo = p.nothing(site)
	if p.Place == "" {
		return b, nil
	}
	var err error
	if b.Head, err = part("rack-head", p.head(c)); err != nil {
		return b, err
	}
	add := func(list, name, id string, data any) {
		if err == nil {
			b.Lists[list], err = addRow(b.Lists[list], name, id, data)
		}
	}
	for _, list := range []string{"machines", "racks", "groups", "waits", "coming", "programmes"} {
		b.Lists[list] = nil
	}
	for i := range p.Machines {
		row := p.machineRow(site, c, &p.Machines[i])
		add("machines", "rack-machine", row.Row, row)
	}
	for _, row := range p.rackRows(site, c) {
		add("racks", "rack-rack", row.Row, row)
	}
	groups, waits := p.groups(site, c)
	for _, g := range groups {
		add("groups", "rack-group", g.ID, g)
	}
	for _, l := range waits {
		add("waits", "rack-wait", "wait-"+l.ID, l)
	}
	for _, x := range p.Coming {
		due := c.arrival(x.Due)
		add("coming", "rack-coming", "coming-"+x.ID, struct{ Row, Name, Holds, Due, To string }{"coming-" + x.ID, x.Name, count(x.Tubes, "tube", "tubes"), due, x.To})
	}
	for i := range p.Programmes {
		one := &p.Programmes[i]
		var shares []string
		for j := range p.Programmes {
			if spinload.Share(one.Programme, p.Programmes[j].Programme) {
				shares = append(shares, p.Programmes[j].Name)
			}
		}
		text, jsonErr := json.Marshal(map[string]any{"name": one.Name, "types": one.Types, "shares": shares, "g": one.G, "minutes": one.Minutes})
		if err == nil {
			err = jsonErr
		}
		add("programmes", "rack-programme", fmt.Sprintf("programme-%d", i), struct{ Row, Data string }{fmt.Sprintf("programme-%d", i), string(text)})
	}
	return b, err
}

func rackLegends() []rackLegend {
	means := map[event.RackAnswer]string{
		event.RackSpin:        "it goes in. That releases nothing: where it can't be said how a test stands, it is said so and doesn't stop",
		event.RackSpinHold:    "it goes in; the tests that are named are not to be run from it",
		event.RackWait:        "it still clots; it comes back by itself when its time is over",
		event.RackRunFirst:    "a test needs unspun blood: run it, then scan the tube again",
		event.RackNothingLeft: "every test on it is lost; the tube's page says what to do instead",
	}
	var out []rackLegend
	for _, a := range event.RackAnswers() {
		out = append(out, rackLegend{string(a), rackAnswerWords[a], means[a], rackLevels[a]})
	}
	return append(out, rackLegend{"given", "Spin it, then talk to the laboratory", "nothing is left to save, but it can't be drawn again: it is never given up", levelPast},
		rackLegend{"kept", "Kept here, not sent yet", "nobody answered within 4 s. It goes on as something that happened; nothing is known of the tube just now", levelAbsent})
}

// nothing says what must be declared before runs can be planned.
func (p *RackPage) nothing(site Site) (say, to string) {
	path := ""
	switch {
	case p.Place == "":
		return "", ""
	case len(p.Machines) == 0:
		say, path = "No centrifuge is declared for this place. Tubes are answered all the same; what goes in next can't be said. Declare one as a place of the kind centrifuge, with its rotor.", "/house/new/places"
	case len(p.Programmes) == 0:
		say, path = "No spin programme is declared. Tubes are answered all the same; what goes together can't be said.", "/house/programmes"
	default:
		return "", ""
	}
	if may, err := site.May(path); err == nil && may {
		return say, site.Base + path
	}
	return say + " The engineer or a scientist does that under House.", ""
}

func (p *RackPage) head(c clock) rackHead {
	h := rackHead{Tubes: "Nothing stands before the centrifuges"}
	ready, waiting, aside := 0, 0, 0
	var first event.Instant
	for i := range p.Tubes {
		t := &p.Tubes[i]
		switch {
		case t.Answer == event.RackWait || t.Answer == event.RackRunFirst:
			waiting++
		case t.aside():
			aside++
		default:
			ready++
			if t.Latest != 0 && t.Sure && (first == 0 || t.Latest < first) {
				first = t.Latest
			}
		}
	}
	if ready+waiting+aside > 0 {
		h.Tubes = count(ready, "tube is", "tubes are") + " ready to spin"
	}
	if first != 0 {
		h.First = "first " + c.latest(first, true)
	}
	if waiting > 0 {
		h.Waiting = count(waiting, "waits", "wait")
	}
	if aside > 0 {
		h.Aside = fmt.Sprintf("%d set aside", aside)
	}
	if n := len(p.Runs); n > 0 {
		h.Turning = count(n, "run is on", "runs are on")
	}
	return h
}

// aside tells whether a spin saves nothing of it any more.
func (t *RackTube) aside() bool {
	return !t.Irreplaceable && (t.Answer == event.RackNothingLeft || t.Why == spinload.SetAside && t.Latest == 0)
}

func (p *RackPage) line(site Site, c clock, t *RackTube) rackLine {
	l := rackLine{
		Site: site, RackTube: *t, URL: site.TubeURL(t.ID), Say: t.answer(c), Mark: rackLevels[t.Answer], LatestSay: c.latest(t.Latest, t.Sure),
		WhySay: p.why(t, c), HoldSay: strings.Join(t.Hold, ", "),
	}
	if t.Given {
		l.Mark = levelPast
	}
	if t.Answer == event.RackWait && t.WaitUntil != 0 {
		l.Until, l.UntilMs = c.left(t.WaitUntil), fmt.Sprint(int64(t.WaitUntil))
	}
	if t.Latest != 0 {
		l.LatestMs = fmt.Sprint(int64(t.Latest))
	}
	switch {
	case t.Rack != "":
		l.Where = "in rack " + t.Rack
	case t.In != "":
		l.Where = "still in " + t.In
	}
	if t.Since != 0 {
		l.Here = fmt.Sprintf("here since %s (%s)", c.at(t.Since), length(int64(p.Now-t.Since)))
	}
	return l
}

// groups gives what may be spun by programme, the most urgent programme first, and apart
// from it what waits, must be run first or is set aside.
func (p *RackPage) groups(site Site, c clock) (groups []rackGroup, waits []rackLine) {
	at := map[string]int{}
	for i := range p.Tubes {
		t := &p.Tubes[i]
		l := p.line(site, c, t)
		if t.Answer == event.RackWait || t.Answer == event.RackRunFirst || t.aside() {
			waits = append(waits, l)
			continue
		}
		n, known := at[t.Programme]
		if !known {
			n = len(groups)
			at[t.Programme] = n
			g := rackGroup{ID: "group-" + shortHash(t.Programme), Name: t.Programme, None: t.Programme == ""}
			if one := p.programme(t.Programme); one != nil {
				g.Say = programmeLine(one.Programme, one.Minutes)
			}
			if g.None {
				g.Name = "No programme"
			}
			groups = append(groups, g)
		}
		g := &groups[n]
		if len(g.Tubes) == 0 {
			g.First = l.LatestSay
		}
		g.Tubes = append(g.Tubes, l)
		g.Count = count(len(g.Tubes), "tube", "tubes")
	}
	// What has a time comes before what has none, whatever order the source gave.
	slices.SortStableFunc(waits, func(a, b rackLine) int {
		return cmp.Or(cmp.Compare(waitOrder[a.Answer], waitOrder[b.Answer]), cmp.Compare(lastIfZero(a.WaitUntil), lastIfZero(b.WaitUntil)))
	})
	slices.SortStableFunc(groups, func(a, b rackGroup) int {
		if a.None != b.None {
			if a.None {
				return 1
			}
			return -1
		}
		return 0
	})
	return groups, waits
}

var waitOrder = map[event.RackAnswer]int{event.RackRunFirst: 0, event.RackWait: 1, event.RackNothingLeft: 3, event.RackSpin: 2, event.RackSpinHold: 2}

func (p *RackPage) programme(name string) *RackProgramme {
	for i := range p.Programmes {
		if p.Programmes[i].Name == name {
			return &p.Programmes[i]
		}
	}
	return nil
}

func (p *RackPage) machineRow(site Site, c clock, m *RackMachine) rackMachineRow {
	row := rackMachineRow{Site: site, RackMachine: *m, Row: "machine-" + m.ID, Free: m.From <= p.Now, Mark: levelQuiet}
	row.Say = sentence(m.Say)
	if m.Slots > 0 {
		row.Rotor = fmt.Sprintf("%s, radius %d mm, at most %d per minute", count(int(m.Slots), "place", "places"), m.RadiusMm, m.MostPerMin)
	}
	for i := range p.Runs {
		if r := &p.Runs[i]; r.Machine == m.ID {
			row.Running = append(row.Running, p.runLine(c, r))
			row.Free = false
		}
	}
	if len(m.Tubes) == 0 {
		return row
	}
	row.At = "now"
	switch {
	case m.From > p.Now:
		row.At = "at " + c.at(m.From)
	case len(row.Running) > 0: // nobody said how long it takes, or that it ended
		row.At = "when that has ended"
	}
	row.Set = programmeLine(m.Next, m.Minutes)
	row.Places = fmt.Sprintf("%d of %s", len(m.Tubes), count(int(m.Slots), "place", "places"))
	row.First = c.latest(m.Tubes[0].Latest, m.Tubes[0].Sure)
	if m.Tubes[0].Latest != 0 && m.Tubes[0].Latest-p.Now < soonSpin {
		row.Mark = levelSoon
	}
	var ids []string
	for _, t := range m.Tubes {
		ids = append(ids, t.ID)
		row.Lines = append(row.Lines, rackPlannedLine{t.ID, site.TubeURL(t.ID), c.latest(t.Latest, t.Sure)})
	}
	row.List = strings.Join(ids, " ")
	return row
}

// soonSpin is how near the latest start must be for a load to be marked. Common practice,
// no source: somebody at the bench loads a centrifuge in a few minutes.
const soonSpin = event.Instant(15 * minuteMs)

func (p *RackPage) runLine(c clock, r *RackRun) rackRunLine {
	l := rackRunLine{RackRun: *r, Row: "run-" + shortHash(r.Load+r.Machine)}
	what := "rack " + r.Load
	if r.ByTube {
		what, l.List = "not scanned into a rack", strings.Join(r.Tubes, " ")
	}
	l.Say = fmt.Sprintf("%s: %s, %s, since %s", cmp.Or(r.Programme, "no programme said"), count(len(r.Tubes), "tube", "tubes"), what, c.at(r.Started))
	switch {
	case r.Ends == 0:
		l.Ended = "Nobody said how long it takes."
	case r.Ends <= p.Now:
		l.Over, l.Ended = true, fmt.Sprintf("Its minutes are over since %s: did it end?", c.at(r.Ends))
	default:
		l.Ended = fmt.Sprintf("It ends at %s (%s).", c.at(r.Ends), c.left(r.Ends))
	}
	return l
}

// rackRows gives the racks that hold tubes, the most urgent first. What a rack is set to
// is the programme of most of its tubes.
func (p *RackPage) rackRows(site Site, c clock) []rackRow {
	var order []string
	in := map[string][]*RackTube{}
	for i := range p.Tubes {
		if t := &p.Tubes[i]; t.Rack != "" {
			if in[t.Rack] == nil {
				order = append(order, t.Rack)
			}
			in[t.Rack] = append(in[t.Rack], t)
		}
	}
	var rows []rackRow
	for _, id := range order {
		rows = append(rows, p.rackRow(site, c, id, in[id]))
	}
	return rows
}

func (p *RackPage) rackRow(site Site, c clock, id string, tubes []*RackTube) rackRow {
	row := rackRow{Site: site, Row: "rack-" + id, Rack: id, Count: len(tubes), Mark: levelQuiet}
	many, ids := map[string]int{}, []string(nil)
	for _, t := range tubes {
		many[t.Programme]++
		ids = append(ids, t.ID)
	}
	row.List = strings.Join(ids, " ")
	var base *RackProgramme
	for i := range p.Programmes { // in their order, so that equals are settled
		if one := &p.Programmes[i]; many[one.Name] > 0 && (base == nil || many[one.Name] > many[base.Name]) {
			base = one
		}
	}
	all := []spinload.Programme{}
	if base != nil {
		all = append(all, base.Programme)
		row.Name, row.Minutes = base.Name, base.Minutes
	}
	for _, t := range tubes {
		one := p.programme(t.Programme)
		switch {
		case one == nil:
			row.Misfits = append(row.Misfits, rackMisfit{t.ID, site.TubeURL(t.ID), "no programme is declared for its type"})
		case !spinload.Share(base.Programme, one.Programme):
			row.Misfits = append(row.Misfits, rackMisfit{t.ID, site.TubeURL(t.ID), fmt.Sprintf("it is spun by %s (%s), this rack by %s", one.Name, programmeLine(one.Programme, one.Minutes), base.Name)})
		default:
			all = append(all, one.Programme)
		}
		if t.Answer == event.RackWait || t.Answer == event.RackRunFirst || t.Answer == event.RackNothingLeft {
			row.Stops = append(row.Stops, rackMisfit{t.ID, site.TubeURL(t.ID), t.answer(c)})
		}
	}
	if set, ok := spinload.Together(all); ok {
		row.Say, row.G = programmeLine(set, row.Minutes), set.G
	} else if base != nil { // what fits the base doesn't fit each other: the base is said
		row.Say, row.G = programmeLine(base.Programme, base.Minutes), base.G
	}
	urgent := slices.MinFunc(tubes, func(a, b *RackTube) int { return cmp.Compare(lastIfZero(a.Latest), lastIfZero(b.Latest)) })
	row.First = c.latest(urgent.Latest, urgent.Sure)
	if len(row.Misfits) > 0 {
		row.Mark = levelPast
	}
	return row
}
