package web

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// handRow is a line of flags with what can be done about it.
type handRow struct {
	wallRow
	State   FlagState
	Say     string // "taken by mira 10:05"
	Cause   string // what it sounds once for
	Data    string // its tubes for the script: JSON of []handTube
	Members []memberRow
	By      string
}

type handTube struct {
	ID      string `json:"id"`
	Episode int64  `json:"episode,omitempty"`
	Scan    string `json:"scan,omitempty"` // of what was last said, for taking it back
}

type memberRow struct {
	tubeLink
	Level level
	Head  string
	Do    string
	ByAt  string
}

func handRowOf(site Site, c clock, flags []FlagRow) handRow {
	f := &flags[0]
	r := handRow{wallRow: flagsLine(site, c, flags), State: f.Mark.State, Say: markWords(c, f.Mark), Cause: f.causeKey(), By: f.Mark.By}
	r.Taken = ""
	tubes := make([]handTube, len(flags))
	for i := range flags {
		x := &flags[i]
		tubes[i] = handTube{ID: x.Tube, Episode: x.Episode, Scan: x.Mark.Scan}
		if len(flags) > 1 {
			m := memberRow{tubeLink: r.Tubes[i], Level: x.level(), Head: headWords(x.Verdict, x.Outlook), Do: actionLine(*x)}
			if x.By != 0 {
				m.ByAt = c.by(x.By)
			}
			r.Members = append(r.Members, m)
		}
	}
	r.Data = asJSON(tubes)
	return r
}

// asJSON writes what the page's script reads; what it is given can always be written.
func asJSON(v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		return "[]"
	}
	return string(text)
}

// heldRow is what one person has in hand, for the handover.
type heldRow struct {
	ID, By, Say, Data string
	Tubes             []tubeLink
}

type hatchHead struct {
	Hands, Taken, Aside int
	Flood               bool
	Elsewhere           int
	First               string
	Untouched           string // "3 flags nobody has touched, the oldest since 09:40 (26 min)"
}

func (p HatchPage) board(site Site) (hatchWords, error) {
	c := clockOf(p.Now, p.Zone)
	_, seconds := c.now.Zone()
	w := hatchWords{
		Site: site, Place: p.Place, Name: cmp.Or(p.Name, p.Place), People: p.People, Clock: c.now.Format("15:04"), Follow: p.follow(site),
		Choices: map[string][]choice{
			"reject": rejections, "defect": defects, "deviation": deviations, "aside": asides, "decline": declines, "ask": askings,
			"act": actionChoices(), "condition": conditions,
		},
		board: board{Seq: p.Seq, NowMs: int64(p.Now), ZoneMs: int64(seconds) * 1000, Offset: c.offset(), NotLive: p.NotLive, Lists: map[string][]boardRow{}},
	}
	var up, aside []FlagRow
	for _, f := range sortedFlags(p.Flags) {
		if f.Mark.State == FlagAside || f.Mark.State == FlagLet {
			aside = append(aside, f)
			continue
		}
		up = append(up, f)
	}
	head := hatchHead{Flood: flooded(up, p.Now), Elsewhere: p.Elsewhere, Aside: len(aside)}
	var oldest event.Instant
	for i := range up {
		if up[i].Mark.State != FlagWaits {
			head.Taken++
			continue
		}
		head.Hands++
		if oldest == 0 || up[i].Since < oldest {
			oldest = up[i].Since
		}
	}
	if head.Hands > 0 {
		head.Untouched = fmt.Sprintf("%s nobody has touched, the oldest since %s (%s)", count(head.Hands, "flag", "flags"), c.at(oldest), strings.TrimSuffix(c.left(oldest), " ago"))
	}
	all := lister{lists: w.Lists}
	for _, flags := range gather(up, head.Flood) {
		r := handRowOf(site, c, flags)
		if head.First == "" && r.ByAt != "" {
			head.First = c.by(r.by)
		}
		all.add("hands", "hand-row", r.ID, r)
	}
	for _, flags := range gather(aside, flooded(aside, p.Now)) {
		r := handRowOf(site, c, flags)
		r.ID = "off-" + r.ID
		all.add("aside", "aside-row", r.ID, r)
	}
	p.addHeld(&all, site, c, up)
	p.addBoxes(&all, c)
	p.addOpen(&all, site, c)
	p.addSamples(&all, site, c)
	all.none("hands", "aside", "held", "boxes", "box", "tubes", "samples")
	if all.err == nil {
		w.Head, all.err = part("hatch-head", head)
	}
	if p.Open != nil {
		w.Box = p.Open.ID
	}
	return w, all.err
}

// lister renders rows and keeps the first error.
type lister struct {
	lists map[string][]boardRow
	err   error
}

func (l *lister) add(list, template, id string, data any) {
	if l.err == nil {
		l.lists[list], l.err = addRow(l.lists[list], template, id, data)
	}
}

// none makes sure that a list without rows is told as empty.
func (l *lister) none(names ...string) {
	for _, name := range names {
		if l.lists[name] == nil {
			l.lists[name] = []boardRow{}
		}
	}
}

// addHeld lists who has what in hand.
func (p HatchPage) addHeld(all *lister, site Site, c clock, flags []FlagRow) {
	by := map[string][]FlagRow{}
	for i := range flags {
		if who := flags[i].Mark.By; flags[i].Mark.State != FlagWaits && who != "" {
			by[who] = append(by[who], flags[i])
		}
	}
	for _, who := range slices.Sorted(keysOf(by)) {
		held := by[who]
		r := heldRow{ID: "held-" + shortHash(who), By: who}
		since := held[0].Mark.At
		done := 0
		tubes := make([]handTube, len(held))
		for i := range held {
			tubes[i] = handTube{ID: held[i].Tube, Episode: held[i].Episode, Scan: held[i].Mark.Scan}
			r.Tubes = append(r.Tubes, tubeLink{held[i].Tube, site.TubeURL(held[i].Tube)})
			since = min(since, held[i].Mark.At)
			if held[i].Mark.State == FlagDone {
				done++
			}
		}
		r.Say = fmt.Sprintf("%s, the first since %s", count(len(held), "flag", "flags"), c.at(since))
		if done > 0 {
			r.Say += fmt.Sprintf("; %d of them done, still up", done)
		}
		r.Data = asJSON(tubes)
		all.add("held", "held-row", r.ID, r)
	}
}

type hatchBoxLine struct {
	ID, Label, Name, Holds, Flagged, Say, DueAt, DueIn, Temp, From string
	Here, Over                                                     bool
}

func (p HatchPage) addBoxes(all *lister, c clock) {
	boxes := slices.Clone(p.Boxes)
	slices.SortStableFunc(boxes, func(a, b HatchBox) int {
		if a.Here != b.Here {
			return map[bool]int{true: -1, false: 1}[a.Here]
		}
		return cmp.Or(cmp.Compare(a.Arrived, b.Arrived), cmp.Compare(lastIfZero(a.Due.first()), lastIfZero(b.Due.first())), strings.Compare(a.ID, b.ID))
	})
	for i := range boxes {
		x := &boxes[i]
		l := hatchBoxLine{ID: "at-" + x.ID, Label: x.ID, Name: x.Name, Holds: count(x.Tubes, "tube", "tubes"), Here: x.Here, From: x.From}
		if x.Flags > 0 {
			l.Flagged = fmt.Sprintf("%d flagged", x.Flags)
		}
		if x.Here {
			l.Say = fmt.Sprintf("here since %s (%s), not finished", c.at(x.Arrived), strings.TrimSuffix(c.left(x.Arrived), " ago"))
		} else {
			l.Say = "on the way"
			if x.Holder != "" {
				l.Say += ", " + x.Holder + " has it"
			}
			if due := x.Due.first(); due != 0 {
				l.DueAt, l.DueIn, l.Over = c.at(due), c.left(due), due < p.Now
			}
		}
		if x.Temp.At != 0 {
			l.Temp = fmt.Sprintf("%s at %s, %s", degrees(x.Temp.C), c.at(x.Temp.At), says(evidenceWords, x.Temp.Evidence))
		}
		all.add("boxes", "hatch-box-row", l.ID, l)
	}
}

type sampleLine struct {
	HatchSample
	ID, Say, Drawn, Volume, Lost, Data string
	Links                              []tubeLink
	Level                              level
	Mine                               bool
}

func (p HatchPage) addSamples(all *lister, site Site, c clock) {
	for _, x := range p.Samples {
		l := sampleLine{HatchSample: x, ID: "sample-" + shortHash(x.Draw), Level: levelPast}
		for _, t := range x.Tubes {
			l.Links = append(l.Links, tubeLink{t, site.TubeURL(t)})
		}
		l.Drawn = "drawn"
		if x.Place != "" {
			l.Drawn += " at " + x.Place
		}
		if x.Collector != "" {
			l.Drawn += " by " + x.Collector
		}
		if x.DrawnAt != 0 {
			l.Drawn += " " + c.at(x.DrawnAt)
		}
		l.Volume = "The volume drawn in 24 h is not said"
		if x.DrawnUl > 0 {
			l.Volume = fmt.Sprintf("%d.%d ml drawn of this patient in 24 h", x.DrawnUl/1000, x.DrawnUl%1000/100)
		}
		switch x.State {
		case "asked":
			l.Level, l.Say = levelSoon, fmt.Sprintf("asked by %s %s, no answer since %s", x.By, c.at(x.At), strings.TrimSuffix(c.left(x.At), " ago"))
		case "declined":
			l.Level, l.Say = levelQuiet, fmt.Sprintf("declined by %s %s", x.By, c.at(x.At))
		case "done":
			l.Level, l.Say = levelQuiet, fmt.Sprintf("drawn again, said by %s %s", x.By, c.at(x.At))
		default:
			l.Say = "proposed: nothing else is left to do; nobody has asked yet"
		}
		if x.Reason != "" {
			l.Say += ": " + saidOf(x.Reason, askings, declines)
		}
		l.Say = sentence(l.Say)
		l.Lost = count(x.Tests, "test is lost", "tests are lost")
		l.Data = asJSON(map[string]any{"draw": x.Draw, "tubes": x.Tubes, "whole": x.Whole || len(x.Tubes) == 0})
		all.add("samples", "sample-row", l.ID, l)
	}
}
