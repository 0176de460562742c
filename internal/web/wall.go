package web

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// A flood is more than floodCount flags raised within floodSpan (EEMUA 191: more
// than ten alarms in ten minutes is more than one person can follow), or more
// open at once than a wall can show. Then equal causes share a line.
const (
	floodCount = 10
	floodSpan  = 10 * time.Minute
	// whyShown is how many tests of a tube the wall names; its page has all.
	whyShown = 2
)

// wallRow is one line of the wall: a stable id for the stream and the words.
type wallRow struct {
	Site
	ID    string
	Level level
	Head  string // word beside the shape
	Tubes []tubeLink
	Group string // "14 tubes in box B-7"; empty for a single tube
	Split string // of a group: "9 past its limit, 5 running out"
	Do    string
	ByAt  string // clock time, empty for none
	ByIn  string // "34 min", "12 min ago"
	Why   []whyLine
	More  string // "2 more tests", empty when all are shown
	Where string
	Taken string
	// Provisional: readings that are outstanding may change it.
	Provisional string
	Extra       string // what must not be missed: "can't be drawn again"
	Since       int64  // ms; the browser marks rows younger than a minute

	by event.Instant
}

type tubeLink struct{ ID, URL string }

type whyLine struct{ Test, Reason, Direction, Limit, Source, Used string }

// wallBoard is the wall as words and lines, ready for the template.
type wallBoard struct {
	Site
	board
	Place string
	Clock string
}

type wallHead struct {
	Trouble  int
	Soonest  string
	Flood    bool
	Late     int
	Boxes    int
	Next     string
	PutAside int
}

type boxLine struct {
	ID, Name, Holds, Flagged, DueAt, DueIn, Where, To, Temp string
	Over                                                    bool
}

// Render writes the wall as HTML.
func (p WallPage) Render(w io.Writer, site Site) error {
	b, err := p.board(site)
	if err != nil {
		return err
	}
	return frame{Site: site, Name: "Wall", Kind: "wall", Script: "wall.js", Refresh: 20, Page: b}.render(w)
}

func (p WallPage) board(site Site) (wallBoard, error) {
	c := clockOf(p.Now, p.Zone)
	_, seconds := c.now.Zone()
	var flags, lates, ways []boardRow
	b := wallBoard{Site: site, Place: p.Place, Clock: c.now.Format("15:04"), board: board{
		Seq: p.Seq, NotLive: p.NotLive, NowMs: int64(p.Now), Offset: c.offset(), ZoneMs: int64(seconds) * 1000,
	}}
	head := wallHead{Trouble: len(p.Flags), Flood: flooded(p.Flags, p.Now), Late: len(p.Late), Boxes: len(p.Boxes), PutAside: p.PutAside}
	rows := p.flagRows(site, c, head.Flood)
	var soonest event.Instant
	for _, r := range rows {
		if r.by != 0 && (soonest == 0 || r.by < soonest) {
			soonest = r.by
		}
	}
	if soonest != 0 {
		head.Soonest = c.by(soonest)
	}
	boxes := slices.Clone(p.Boxes)
	slices.SortStableFunc(boxes, func(a, b BoxRow) int {
		return cmp.Or(cmp.Compare(lastIfZero(a.Due.first()), lastIfZero(b.Due.first())), strings.Compare(a.ID, b.ID))
	})
	for _, x := range boxes {
		if x.Due.first() >= p.Now {
			head.Next = c.by(x.Due.first())
			break
		}
	}
	late := slices.Clone(p.Late)
	slices.SortStableFunc(late, func(a, b LateRow) int {
		return cmp.Or(cmp.Compare(a.Due, b.Due), strings.Compare(a.ID, b.ID))
	})

	var err error
	if b.Head, err = part("wall-head", head); err != nil {
		return b, err
	}
	for _, r := range rows {
		if flags, err = addRow(flags, "flag-row", r.ID, r); err != nil {
			return b, err
		}
	}
	for _, l := range late {
		line := lateLine(site, c, l)
		if lates, err = addRow(lates, "late-row", line.ID, line); err != nil {
			return b, err
		}
	}
	for _, x := range boxes {
		line := boxLineOf(c, x)
		if ways, err = addRow(ways, "box-row", line.ID, line); err != nil {
			return b, err
		}
	}
	b.Lists = map[string][]boardRow{"flags": flags, "late": lates, "boxes": ways}
	return b, nil
}

// wallStream follows the wall.
func (s *server) wallStream(w http.ResponseWriter, r *http.Request) {
	s.stream(w, r, "wall", func(ctx context.Context) (board, error) {
		p, err := s.readWall(ctx)
		if err != nil {
			return board{}, err
		}
		b, err := p.board(s.site)
		return b.board, err
	})
}

func (d Due) first() event.Instant {
	if d.Earliest != 0 {
		return d.Earliest
	}
	return d.Latest
}

// lastIfZero puts what has no instant behind everything that has one.
func lastIfZero(i event.Instant) event.Instant {
	if i == 0 {
		return event.Instant(1<<62 - 1)
	}
	return i
}

// flagRows gives the lines of the flags, loudest first.
func (p WallPage) flagRows(site Site, c clock, flood bool) []wallRow {
	lines := gather(sortedFlags(p.Flags), flood)
	rows := make([]wallRow, len(lines))
	for i, flags := range lines {
		rows[i] = flagsLine(site, c, flags).short()
	}
	return rows
}

func flagLine(site Site, c clock, f FlagRow) wallRow {
	r := wallRow{
		Site: site, ID: "flag-" + f.Tube, Level: levelOf(f.Verdict, f.Outlook), Head: headWords(f.Verdict, f.Outlook),
		Tubes: []tubeLink{{f.Tube, site.TubeURL(f.Tube)}}, Do: actionLine(f),
		Where: whereWords(f.Holder, f.Place, f.Box), Since: int64(f.Since), by: f.By,
	}
	if f.Kind == event.FlagAfter {
		r.Extra = "Already run: the result may need a comment."
	}
	if f.Irreplaceable {
		r.Extra = strings.TrimSpace(r.Extra + " It can't be drawn again.")
	}
	if f.By != 0 {
		r.ByAt, r.ByIn = c.at(f.By), c.left(f.By)
	}
	switch {
	case f.Mark.State != FlagWaits:
		r.Taken = sentence(markWords(c, f.Mark))
	case f.TakenBy != "":
		r.Taken = fmt.Sprintf("%s has it since %s", f.TakenBy, c.at(f.TakenAt))
	}
	r.Provisional = f.Provisional
	for _, t := range f.Tests {
		r.Why = append(r.Why, whyOf(t))
	}
	return r
}

// short keeps what a wall has room for.
func (r wallRow) short() wallRow {
	if more := len(r.Why) - whyShown; more > 0 {
		r.Why, r.More = r.Why[:whyShown], "and "+count(more, "more reason", "more reasons")
	}
	return r
}

func whyOf(t FlagTestRow) whyLine {
	l := whyLine{Test: testName(t.Name, t.Restricted), Reason: reasonList(t.Reasons), Limit: t.Limit, Source: t.Source}
	if l.Reason == "" {
		l.Reason = headWords(t.Verdict, t.Outlook)
	}
	if t.Direction != "" && levelOf(t.Verdict, t.Outlook) != levelHold {
		l.Direction = says(directionWords, t.Direction)
	}
	if t.LimitMs > 0 {
		l.Used = fmt.Sprintf("%s of %s used", length(t.UsedMs), length(t.LimitMs))
	}
	return l
}

func actionLine(f FlagRow) string {
	s := says(actionWords, f.Action)
	if f.ActionNote != "" {
		s += " " + f.ActionNote
	}
	return s
}

func whereWords(holder, place, box string) string {
	var parts []string
	if box != "" {
		parts = append(parts, "in "+box)
	}
	if holder != "" {
		parts = append(parts, "held by "+holder)
	}
	if place != "" && place != holder {
		parts = append(parts, "at "+place)
	}
	if len(parts) == 0 {
		return "nobody is known to hold it"
	}
	return strings.Join(parts, ", ")
}

type lateWords struct {
	Site
	ID, Name, URL, Holds, DueAt, Ago, Where string
}

func lateLine(site Site, c clock, l LateRow) lateWords {
	w := lateWords{Site: site, ID: "late-" + l.ID, Name: l.Name, DueAt: c.at(l.Due), Ago: c.left(l.Due)}
	if l.Tube != "" {
		w.URL = site.TubeURL(l.Tube)
	}
	if l.Tubes > 0 {
		w.Holds = count(l.Tubes, "tube", "tubes")
	}
	w.Where = "last seen " + c.at(l.Seen)
	if l.Place != "" {
		w.Where += " at " + l.Place
	}
	if l.Holder != "" && l.Holder != l.Place {
		w.Where += ", held by " + l.Holder
	}
	return w
}

func boxLineOf(c clock, x BoxRow) boxLine {
	l := boxLine{ID: "box-" + x.ID, Name: x.Name, Holds: count(x.Tubes, "tube", "tubes")}
	if x.Flags > 0 {
		l.Flagged = fmt.Sprintf("%d flagged", x.Flags)
	}
	if due := x.Due.first(); due != 0 {
		l.DueAt, l.DueIn, l.Over = c.at(due), c.left(due), due < event.At(c.now)
		if x.Due.Latest > due && c.at(x.Due.Latest) != l.DueAt {
			l.DueIn += ", " + c.at(x.Due.Latest) + " at the latest"
		}
	}
	var where []string
	if x.Holder != "" {
		where = append(where, strings.TrimSpace(x.Holder+" "+says(modeWords, x.Mode)))
	}
	if x.Place != "" && x.Place != x.Holder {
		where = append(where, x.Place)
	}
	l.Where = strings.Join(where, ", ")
	if x.Seen != 0 {
		l.Where = strings.TrimPrefix(l.Where+", last seen "+c.at(x.Seen), ", ")
	}
	if x.To != "" {
		l.To = "to " + x.To
	}
	if x.Temp.At != 0 {
		l.Temp = fmt.Sprintf("%s at %s, %s", degrees(x.Temp.C), c.at(x.Temp.At), says(evidenceWords, x.Temp.Evidence))
	}
	return l
}
