package web

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// openWords is the head of the box in hand.
type openWords struct {
	ID, Label, Name string
	Known, Here     bool
	Say             string // when it came and who noted it
	Scan            string
	From            string
	Count           string // "9 of 12 received"
	All             bool   // nothing is missing
	Missing         []string
	Extra           []string
	Nameless        []string
	Loggers         []loggerWords
	Doubts          []string
	Noted           string
	Seal            string
	Emptied         string
	Of, Got         int
}

type loggerWords struct {
	ID, Say, Zone string
	Behind        bool
}

// drawRow is the tubes of one draw in the box.
type drawRow struct {
	ID, Draw string
	Level    level
	by       event.Instant
	Tubes    []boxTubeWords
}

type boxTubeWords struct {
	ID, Tube, URL, Type, Via string
	Draw                     string
	Level                    level
	Head                     string
	State                    string // missing, received, accepted, rejected, extra
	Say                      string // "received 10:04 by lena"
	Scan                     string // what undo takes back
	Do                       string
	ByAt, ByIn               string
	Why                      []whyLine
	Rest                     string // what the other tests say, in a line
	Notes                    []string
	Wait                     string
	WaitMs                   int64
	Flag                     string // JSON of []handTube, empty without a flag
	Mark                     string
	Tests                    []whyLine // all of them, one click deeper
	by                       event.Instant
}

func (p HatchPage) addOpen(all *lister, site Site, c clock) {
	o := p.Open
	if o == nil {
		return
	}
	w := openWords{
		ID: "open-" + o.ID, Label: o.ID, Name: cmp.Or(o.Name, o.ID), Known: o.Known, Here: o.Here, Scan: o.Scan, From: o.From, Seal: o.Seal,
	}
	switch {
	case !o.Known:
		w.Say = "Nothing was ever recorded of it. What is received out of it is noted as extra."
	case o.Here && o.By != "":
		w.Say = fmt.Sprintf("Here since %s, noted by %s.", c.at(o.Arrived), o.By)
	case o.Here:
		w.Say = fmt.Sprintf("Here since %s.", c.at(o.Arrived))
	default:
		w.Say = "By the log it is still on the way."
	}
	if o.Emptied != 0 {
		w.Emptied = fmt.Sprintf("Finished %s by %s.", c.at(o.Emptied), cmp.Or(o.EmptiedBy, "somebody"))
	}
	for _, l := range o.Loggers {
		x := loggerWords{ID: l.ID, Behind: l.Behind, Zone: l.Zone, Say: "It was never read."}
		if l.Read != 0 {
			x.Say = fmt.Sprintf("%s has not been read since %s: flags are provisional.", l.ID, c.at(l.Read))
			if !l.Behind {
				x.Say = fmt.Sprintf("%s is read up to %s.", l.ID, c.at(l.Read))
			}
		}
		w.Loggers = append(w.Loggers, x)
	}
	if len(o.Noted) > 0 {
		w.Noted = "Noted: " + strings.Join(o.Noted, ", ") + "."
	}
	for _, d := range o.Doubts {
		if d.Closed == 0 {
			w.Doubts = append(w.Doubts, says(doubtWords, d.Doubt))
		}
	}
	rows := map[string]*drawRow{}
	var order []*drawRow
	for i := range o.Tubes {
		t := &o.Tubes[i]
		line := p.tubeLine(site, c, o, t)
		switch {
		case t.Nameless:
			w.Nameless = append(w.Nameless, t.Tube)
		case !t.InBox:
			w.Extra = append(w.Extra, t.Tube)
		case t.Received == 0:
			w.Missing = append(w.Missing, t.Tube)
		}
		if t.InBox {
			w.Of++
			if t.Received != 0 {
				w.Got++
			}
		}
		key := cmp.Or(t.Draw, "tube "+t.Tube)
		r := rows[key]
		if r == nil {
			r = &drawRow{ID: "draw-" + shortHash(key), Draw: t.Draw, Level: levelQuiet}
			rows[key] = r
			order = append(order, r)
		}
		r.Tubes = append(r.Tubes, line)
	}
	w.Count, w.All = fmt.Sprintf("%d of %d received", w.Got, w.Of), w.Got == w.Of
	all.add("box", "open-row", w.ID, w)
	for _, r := range order {
		slices.SortStableFunc(r.Tubes, func(a, b boxTubeWords) int {
			return cmp.Or(cmp.Compare(levelOrder[a.Level], levelOrder[b.Level]), cmp.Compare(lastIfZero(a.by), lastIfZero(b.by)), strings.Compare(a.Tube, b.Tube))
		})
		r.Level, r.by = r.Tubes[0].Level, r.Tubes[0].by
	}
	slices.SortStableFunc(order, func(a, b *drawRow) int {
		return cmp.Or(cmp.Compare(levelOrder[a.Level], levelOrder[b.Level]), cmp.Compare(lastIfZero(a.by), lastIfZero(b.by)), strings.Compare(a.Tubes[0].Tube, b.Tubes[0].Tube))
	})
	for _, r := range order {
		all.add("tubes", "draw-row", r.ID, r)
	}
}

func (p HatchPage) tubeLine(site Site, c clock, o *HatchOpen, t *HatchTube) boxTubeWords {
	l := boxTubeWords{
		ID: "tube-" + t.Tube, Tube: t.Tube, URL: site.TubeURL(t.Tube), Type: t.Type, Via: t.Via, Draw: t.Draw, Level: levelQuiet,
		State: "missing", Say: "not scanned yet", Scan: cmp.Or(t.DoneScan, t.Scan),
	}
	if t.Received != 0 {
		l.State, l.Say = "received", fmt.Sprintf("received %s by %s", c.at(t.Received), cmp.Or(t.By, "somebody"))
	}
	if t.Done != "" {
		l.State, l.Say = "decided", fmt.Sprintf("%s %s by %s", t.Done, c.at(t.DoneAt), cmp.Or(t.DoneBy, "somebody"))
	}
	flagged := map[string]bool{}
	if f := t.Flag; f != nil {
		l.Level, l.Head, l.Do, l.by = f.level(), headWords(f.Verdict, f.Outlook), actionLine(*f), f.By
		if f.By != 0 {
			l.ByAt, l.ByIn = c.at(f.By), c.left(f.By)
		}
		for _, x := range f.Tests {
			l.Why = append(l.Why, whyOf(x))
			flagged[x.Name] = true
		}
		l.Flag = asJSON([]handTube{{ID: f.Tube, Episode: f.Episode, Scan: f.Mark.Scan}})
		l.Mark = markWords(c, f.Mark)
		if f.Provisional != "" {
			l.Notes = append(l.Notes, "Provisional: "+f.Provisional+".")
		}
	}
	rest := map[string]int{}
	var kinds []string
	for _, x := range t.Tests {
		words := headWords(x.Verdict, x.Outlook)
		row := FlagTestRow{Name: x.Name, Restricted: x.Restricted, Verdict: x.Verdict, Outlook: x.Outlook, Reasons: x.Reasons, Direction: x.Direction,
			Limit: x.Limit, Source: x.Source, UsedMs: x.UsedMs, LimitMs: x.LimitMs, Due: x.Due}
		why := whyOf(row)
		if due := c.due(x.Due); due != "" && why.Used != "" && x.EndedAt == 0 && x.Verdict != event.PastLimit {
			why.Used += ", " + due
		}
		if why.Reason != words {
			why.Reason = words + ", " + why.Reason
		}
		l.Tests = append(l.Tests, why)
		if flagged[x.Name] {
			continue
		}
		if rest[words] == 0 {
			kinds = append(kinds, words)
		}
		rest[words]++
	}
	for i, k := range kinds {
		kinds[i] = count(rest[k], "test", "tests") + " " + k
	}
	l.Rest = strings.Join(kinds, ", ")
	if len(t.Tests) > 0 && len(t.Tests) > len(flagged) && len(flagged) > 0 && l.Rest != "" {
		l.Rest = "beside them " + l.Rest
	}
	if t.WaitUntil > p.Now {
		l.Wait, l.WaitMs = fmt.Sprintf("clots until %s", c.at(t.WaitUntil)), int64(t.WaitUntil)
	}
	switch {
	case t.Nameless:
		l.Notes = append(l.Notes, "It came without a label. This number is temporary.")
	case t.Unknown:
		l.Notes = append(l.Notes, "Nothing was known of this tube before it was scanned here.")
	case !t.InBox && o.Known:
		l.Notes = append(l.Notes, "Extra: by the log it was not in "+cmp.Or(o.Name, o.ID)+".")
	}
	if t.For != "" {
		l.Notes = append(l.Notes, "It is for "+t.For+". Send it on.")
	}
	if t.Irreplaceable {
		l.Notes = append(l.Notes, "It can't be drawn again.")
	}
	if len(t.Defects) > 0 {
		l.Notes = append(l.Notes, "Noted: "+strings.Join(t.Defects, ", ")+".")
	}
	for _, d := range t.Doubts {
		if d.Closed == 0 && d.Doubt != event.DoubtExtra && d.Doubt != event.DoubtUnlabelled {
			l.Notes = append(l.Notes, says(doubtWords, d.Doubt))
		}
	}
	return l
}
