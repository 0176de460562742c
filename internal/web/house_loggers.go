package web

import (
	"context"
	"fmt"
	"net/url"
	"strconv"
	"strings"
)

var houseLoggers = houseKind{
	path: "loggers", one: "logger", many: "loggers",
	lead: "Temperature loggers: how often they read, how far a reading is trusted, and what they are on. A laboratory works without any; what is measured then is assumed.",
	empty: []string{
		"None is needed for a first day: declared ranges stand in for them.",
		"Begin with the box that goes furthest, and with the box that must stay cold.",
	},
	caution: "How long a last value holds and which gap is bridged decide which minutes count as measured. Longer than the maker allows, and a warm hour is never seen.",
	columns: []string{"Logger", "Reads", "Is on", "Uncertainty", "Files read in"},
	ids:     func(h *House) []string { return idsOf(h.Loggers, func(l HouseLogger) string { return l.ID }) },
	rows: func(h *House, c clock) []houseRow {
		rows := make([]houseRow, len(h.Loggers))
		for i := range h.Loggers {
			l := &h.Loggers[i]
			on := houseCell{Say: "nothing", Mark: levelAbsent}
			if l.In != "" {
				on = houseCell{Say: l.In, More: "since " + c.at(l.Since)}
			}
			sure := houseCell{Say: "not said", Mark: levelAbsent}
			if l.Uncertainty != "" {
				sure = houseCell{Say: "± " + trimDegrees(l.Uncertainty) + " °C"}
			}
			files := houseCell{Say: "none"}
			if n := len(l.Imports); n > 0 {
				files = houseCell{Say: count(n, "file", "files"), More: "the last on " + c.at(l.Imports[n-1].At)}
			}
			rows[i] = houseRow{ID: l.ID, Cells: []houseCell{{Say: "every " + secondsWords(l.EverySec)}, on, sure, files}}
		}
		return rows
	},
	load: func(h *House, i int) url.Values {
		l := &h.Loggers[i]
		v := url.Values{
			"id": {l.ID}, "everySeconds": {strconv.FormatInt(l.EverySec, 10)}, "uncertainty": {trimDegrees(l.Uncertainty)}, "zone": {l.Zone}, "in": {l.In},
		}
		if l.HoldSec >= 0 {
			v.Set("holdSeconds", strconv.FormatInt(l.HoldSec, 10))
		}
		if l.MaxGapSec > 0 {
			v.Set("maxGapSeconds", strconv.FormatInt(l.MaxGapSec, 10))
		}
		return v
	},
	groups: func(_ *House, f *houseSaid, fresh bool) []houseGroup {
		what := houseGroup{Legend: "What it reads", Fields: []houseField{
			f.number("everySeconds", "Every, seconds", "its interval: 300 for five minutes"),
			f.text("uncertainty", "Uncertainty, ± °C", "from its calibration; empty leaves what was"),
			f.text("zone", "Zone of its clock", "as in Europe/Berlin, or an offset such as +01:00; for files that don't say it"),
		}}
		what.Fields[0].Required = true
		if fresh {
			what.Fields = append([]houseField{f.must("id", "Number", "as it stands on its label")}, what.Fields...)
		}
		return []houseGroup{what, {Legend: "How far a reading is trusted", Fields: []houseField{
			f.number("holdSeconds", "A last value holds, seconds", "empty: one interval, at most 30 min"),
			f.number("maxGapSeconds", "Longest gap that is bridged, seconds", "empty: twice the interval, at most 60 min"),
		}}, {Legend: "What it is on", Note: "It is taken off by a scan, or here by naming what it is on next.", Fields: []houseField{
			f.text("in", "Box or place", "its number or code").from("holds"),
			f.field("moment", "occurredAt", "Since", "empty: from now on. Readings before that don't count for it"),
		}}}
	},
	declare: func(ctx context.Context, src HouseSource, h *House, f *houseSaid, by string) (string, error) {
		l := HouseLogger{
			ID: f.said("id"), EverySec: f.whole("everySeconds", 0), HoldSec: f.whole("holdSeconds", -1), MaxGapSec: f.whole("maxGapSeconds", 0),
			Uncertainty: decimalPoint(f.said("uncertainty")), Zone: f.said("zone"), In: f.said("in"), Since: f.instant("occurredAt", "", h.Zone),
		}
		f.needs("everySeconds", f.said("everySeconds"), "say how often it reads, in seconds")
		if f.said("holdSeconds") != "" && l.HoldSec < 0 {
			f.fault("holdSeconds", "it can't be negative; leave it empty for one interval")
		}
		if l.Since != 0 && l.In == "" {
			f.fault("in", "say what it is on since then, or leave the time empty")
		}
		if len(f.faults) > 0 {
			return "", nil
		}
		return src.DeclareLogger(ctx, l, by)
	},
	facts: func(h *House, i int, c clock) []factWords {
		on := factWords{"Is on", "nothing: its readings count for no tube"}
		if l := &h.Loggers[i]; l.In != "" {
			on.Say = l.In + ", since " + c.at(l.Since)
		}
		return []factWords{on}
	},
	tables: func(h *House, i int, c clock) []houseTable {
		l := &h.Loggers[i]
		if len(l.Imports) == 0 {
			return nil
		}
		t := houseTable{Head: "Files read in", Columns: []string{"File", "Read in", "Covers", "Values", "Stands"}}
		for n := len(l.Imports) - 1; n >= 0; n-- {
			m := &l.Imports[n]
			stands := "counts"
			if m.Voided {
				stands = "taken back"
			}
			values := strconv.FormatInt(m.Values, 10)
			if m.Faults > 0 {
				values += fmt.Sprintf(" and %d without one", m.Faults)
			}
			t.Rows = append(t.Rows, []string{m.File, c.at(m.At) + " by " + m.By, c.at(m.First) + " to " + c.at(m.Last), values, stands})
		}
		return []houseTable{t}
	},
}

// secondsWords writes an interval in the unit in which it is whole.
func secondsWords(s int64) string {
	switch {
	case s > 0 && s%3600 == 0:
		return fmt.Sprintf("%d h", s/3600)
	case s > 0 && s%60 == 0:
		return fmt.Sprintf("%d min", s/60)
	}
	return fmt.Sprintf("%d s", s)
}

var houseRoutes = houseKind{
	path: "routes", one: "route", many: "routes",
	lead: "Timetables of vans, ferries and walks. A box that left on a route is late by it, and so tubes are warned of in time. Where no route is declared, nothing is ever late.",
	empty: []string{
		"Declare both ends as places first.",
		"Then a route for each way a box goes by a timetable: when it leaves, how long it takes.",
	},
	columns: []string{"Route", "From and to", "Leaves", "Takes"},
	ids:     func(h *House) []string { return idsOf(h.Routes, func(r HouseRoute) string { return r.ID }) },
	rows: func(h *House, _ clock) []houseRow {
		rows := make([]houseRow, len(h.Routes))
		for i, r := range h.Routes {
			leaves := houseCell{Say: strings.Join(r.Departs, ", "), More: r.Zone}
			if len(r.Departs) == 0 {
				leaves = houseCell{Say: "when somebody goes"}
			}
			way := houseCell{Say: r.From + " to " + r.To}
			for _, end := range []string{r.From, r.To} {
				if housePlaces.at(h, end) < 0 {
					way.Mark, way.More = levelAsk, end+" is no declared place"
				}
			}
			rows[i] = houseRow{ID: r.ID, Cells: []houseCell{way, leaves, {Say: length(r.TakesMin * 60_000)}}}
		}
		return rows
	},
	load: func(h *House, i int) url.Values {
		r := &h.Routes[i]
		return url.Values{
			"id": {r.ID}, "from": {r.From}, "to": {r.To}, "departs": {strings.Join(r.Departs, "\n")},
			"takesMinutes": {strconv.FormatInt(r.TakesMin, 10)}, "zone": {r.Zone},
		}
	},
	groups: func(_ *House, f *houseSaid, fresh bool) []houseGroup {
		way := houseGroup{Legend: "The way", Fields: []houseField{
			f.must("from", "From", "code of a place").from("places"), f.must("to", "To", "code of a place").from("places"),
			f.number("takesMinutes", "Minutes on the way", "as the timetable says; a quarter more, at least 15 min, is late"),
		}}
		way.Fields[2].Required = true
		if fresh {
			way.Fields = append([]houseField{f.must("id", "Code", "for example FERRY-NORTH")}, way.Fields...)
		}
		times := f.field("area", "departs", "Leaves at", "a time of day a line, such as 07:30; empty: whenever somebody goes")
		times.Rows = 5
		return []houseGroup{way, {Legend: "The timetable", Fields: []houseField{times, f.text("zone", "Time zone of these times", "as in Europe/Berlin")}}}
	},
	declare: func(ctx context.Context, src HouseSource, h *House, f *houseSaid, by string) (string, error) {
		r := HouseRoute{ID: f.said("id"), From: f.said("from"), To: f.said("to"), Departs: lines(f.Values["departs"]), TakesMin: f.whole("takesMinutes", 0), Zone: f.said("zone")}
		f.needs("from", r.From, "say where it begins")
		f.needs("to", r.To, "say where it ends")
		f.needs("takesMinutes", f.said("takesMinutes"), "say how long it takes, in minutes")
		if len(r.Departs) > 0 && r.Zone == "" {
			f.fault("zone", "say by whose clocks it leaves, as in Europe/Berlin: a ferry an hour wrong makes every box late")
		}
		for field, end := range map[string]string{"from": r.From, "to": r.To} {
			if end != "" && housePlaces.at(h, end) < 0 {
				f.fault(field, fmt.Sprintf("%s is no declared place; declare it first, or correct its code", clipLine(end)))
			}
		}
		if len(f.faults) > 0 {
			return "", nil
		}
		return src.DeclareRoute(ctx, r, by)
	},
}
