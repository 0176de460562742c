package web

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// groupFrom is the least number of tubes of one cause that share a line in a flood.
const groupFrom = 2

// flooded reports whether more came at once than one person can follow.
func flooded(flags []FlagRow, now event.Instant) bool {
	recent := 0
	for i := range flags {
		if now.Sub(flags[i].Since) <= floodSpan {
			recent++
		}
	}
	return recent > floodCount || len(flags) > 2*floodCount
}

func (f *FlagRow) level() level { return levelOf(f.Verdict, f.Outlook) }

// sortedFlags gives the flags loudest first, then by the time that is left, then by
// age, so that the order changes only when facts do.
func sortedFlags(flags []FlagRow) []FlagRow {
	out := slices.Clone(flags)
	slices.SortStableFunc(out, func(a, b FlagRow) int {
		return cmp.Or(
			cmp.Compare(levelOrder[a.level()], levelOrder[b.level()]),
			cmp.Compare(lastIfZero(a.By), lastIfZero(b.By)),
			cmp.Compare(a.Since, b.Since),
			strings.Compare(a.Tube, b.Tube),
		)
	})
	return out
}

// causeKey names what a flag sounds once for: its cause, else its draw (one needle),
// else the tube itself.
func (f *FlagRow) causeKey() string {
	switch {
	case f.Cause.Kind != event.CauseNone:
		return string(f.Cause.Kind) + "|" + f.Cause.Name
	case f.Draw != "":
		return "draw|" + f.Draw
	}
	return "tube|" + f.Tube
}

// lineKey is what flags must share to share a line. What one person looks after must
// not hide what nobody does.
func (f *FlagRow) lineKey() string {
	return strings.Join([]string{string(f.Cause.Kind), f.Cause.Name, string(f.Mark.State), f.Mark.By}, "|")
}

// gather gives sorted flags as lines, in the order of each line's worst. Only in a
// flood do those of one cause share one.
func gather(flags []FlagRow, flood bool) [][]FlagRow {
	lines := make([][]FlagRow, 0, len(flags))
	if !flood {
		for i := range flags {
			lines = append(lines, flags[i:i+1])
		}
		return lines
	}
	count := map[string]int{}
	for i := range flags {
		if flags[i].Cause.Kind != event.CauseNone {
			count[flags[i].lineKey()]++
		}
	}
	at := map[string]int{}
	for i := range flags {
		key := flags[i].lineKey()
		if count[key] < groupFrom {
			lines = append(lines, flags[i:i+1])
			continue
		}
		n, ok := at[key]
		if !ok {
			n = len(lines)
			at[key] = n
			lines = append(lines, nil)
		}
		lines[n] = append(lines[n], flags[i])
	}
	return lines
}

// flagsLine is a line of one flag, or of several with one cause.
func flagsLine(site Site, c clock, flags []FlagRow) wallRow {
	if len(flags) == 1 {
		return flagLine(site, c, flags[0])
	}
	return groupLine(site, c, flags)
}

// groupLine is the line of several flags, sorted, of one cause. It is as loud as its worst.
func groupLine(site Site, c clock, flags []FlagRow) wallRow {
	worst := &flags[0]
	r := flagLine(site, c, *worst)
	// The id must not depend on the tubes: they come and go.
	r.ID = "group-" + shortHash(worst.lineKey())
	r.Tubes, r.Why, r.Extra, r.by = nil, nil, "", 0
	var oldest event.Instant
	levels := map[level]int{}
	words := map[level]string{}
	where := r.Where
	can := 0
	for i := range flags {
		f := &flags[i]
		r.Tubes = append(r.Tubes, tubeLink{f.Tube, site.TubeURL(f.Tube)})
		if oldest == 0 || f.Since < oldest {
			oldest = f.Since
		}
		if f.By != 0 && (r.by == 0 || f.By < r.by) {
			r.by = f.By
		}
		for _, t := range f.Tests {
			if w := whyOf(t); !slices.ContainsFunc(r.Why, func(o whyLine) bool { return o.Test == w.Test && o.Reason == w.Reason && o.Direction == w.Direction }) {
				w.Used = "" // each tube's own
				r.Why = append(r.Why, w)
			}
		}
		l := f.level()
		levels[l]++
		if words[l] == "" {
			words[l] = headWords(f.Verdict, f.Outlook)
		}
		if f.Irreplaceable {
			can++
		}
		if whereWords(f.Holder, f.Place, f.Box) != where {
			where = ""
		}
	}
	r.ByAt, r.ByIn = "", ""
	if r.by != 0 {
		r.ByAt, r.ByIn = c.at(r.by), c.left(r.by)
	}
	// The first of the line decides whether it is new: a line that stood is not new
	// because one more came, unless it is louder now; that is another sound.
	r.Since = int64(oldest)
	r.Group = fmt.Sprintf("%s %s", count(len(flags), "tube", "tubes"), causeWords(worst))
	if len(levels) > 1 {
		var parts []string
		for _, l := range slices.SortedFunc(keysOf(levels), func(a, b level) int { return levelOrder[a] - levelOrder[b] }) {
			parts = append(parts, fmt.Sprintf("%d %s", levels[l], words[l]))
		}
		r.Split = strings.Join(parts, ", ")
	}
	if r.Where = where; where == "" {
		r.Where = "at several places"
	}
	if can > 0 {
		r.Extra = count(can, "of them can't be drawn again.", "of them can't be drawn again.")
	}
	return r
}

func keysOf[K comparable, V any](m map[K]V) func(func(K) bool) {
	return func(yield func(K) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// causeWords says what flags come from: "in box B-7", "by logger LG-1".
func causeWords(f *FlagRow) string {
	name := f.CauseName
	if name == "" {
		name = f.Cause.Name
	}
	switch f.Cause.Kind {
	case event.CauseBox:
		return "of " + name
	case event.CauseLogger:
		return "by " + name
	case event.CauseRoute:
		return "on " + name
	}
	return ""
}

// markWords says what became of a flag: "taken by mira 10:05".
func markWords(c clock, m FlagMark) string {
	what := ""
	if m.What != "" {
		what = ": " + markWhat(m)
	}
	switch m.State {
	case FlagTaken:
		return fmt.Sprintf("taken by %s %s", m.By, c.at(m.At))
	case FlagDone:
		return fmt.Sprintf("done, still up%s; %s %s", what, m.By, c.at(m.At))
	case FlagAside:
		return fmt.Sprintf("put aside until %s by %s%s", c.at(m.Until), m.By, what)
	case FlagLet:
		return fmt.Sprintf("let pass by %s %s%s", m.By, c.at(m.At), what)
	}
	return "needs hands"
}

func markWhat(m FlagMark) string {
	if m.State == FlagDone {
		return says(actionsDone, event.Action(m.What))
	}
	return saidOf(m.What, asides, deviations)
}
