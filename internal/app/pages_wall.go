package app

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/web"
)

// makeWall makes the wall as of now. The caller holds the turn.
func (p *pages) makeWall(now event.Instant) web.WallPage {
	m := p.a.model
	p.watch.refresh(m)
	page := web.WallPage{Now: now, Zone: p.watch.zone}
	views := map[event.Key]live.View{}
	for _, key := range m.Flagged() {
		if v, ok := m.View(key); ok && v.Flagged {
			unnamed(&v) // anybody passes a wall
			views[key] = v
		}
	}
	onWay := p.boxes(func(tube event.Key) bool { _, up := views[tube]; return up })
	m.World(func(w *custody.World) {
		n := names{w}
		for key, v := range views {
			if v.Tube.Flag.Open && v.Tube.Flag.AsideUntil > now {
				page.PutAside++
				continue
			}
			page.Flags = append(page.Flags, n.flag(key, &v))
		}
		for key := range p.watch.missing {
			if row, ok := n.missing(key); ok {
				page.Late = append(page.Late, row)
			} else if !openMissing(w, key) {
				delete(p.watch.missing, key)
			}
		}
	})
	for key, row := range onWay {
		// What is overdue stands once, among what is late.
		if row.Due.Latest != 0 && row.Due.Latest < now {
			page.Late = append(page.Late, web.LateRow{
				ID: row.ID, Name: row.Name, Tubes: row.Tubes, Holder: row.Holder, Place: row.Place, Seen: row.Seen, Due: row.Due.Latest,
			})
			continue
		}
		if at, c, ok := m.LastTemperature(key); ok {
			row.Temp = web.Temp{At: at, C: c, Evidence: event.EvidenceMeasured}
		}
		page.Boxes = append(page.Boxes, row)
	}
	slices.SortFunc(page.Flags, func(a, b web.FlagRow) int { return strings.Compare(a.Tube, b.Tube) })
	slices.SortFunc(page.Boxes, func(a, b web.BoxRow) int { return strings.Compare(a.ID, b.ID) })
	slices.SortFunc(page.Late, func(a, b web.LateRow) int { return cmp.Or(cmp.Compare(a.Due, b.Due), strings.Compare(a.ID, b.ID)) })
	return page
}

// boxesAtOnce bounds how many boxes are looked through under one hold of the
// model's lock: each of their tubes is folded.
const boxesAtOnce = 16

// boxes gives the carriers on the way.
func (p *pages) boxes(flagged func(event.Key) bool) map[event.Key]web.BoxRow {
	rows := make(map[event.Key]web.BoxRow, len(p.watch.moving))
	for part := range slices.Chunk(slices.Collect(maps.Keys(p.watch.moving)), boxesAtOnce) {
		p.a.model.World(func(w *custody.World) {
			for _, key := range part {
				if row, ok := (names{w}).box(key, p.watch.inside.of(w, key), flagged); ok {
					rows[key] = row
				}
			}
		})
	}
	return rows
}

// box gives a carrier on the way; false for an empty one that nobody waits for.
func (n names) box(key event.Key, inside []event.Key, flagged func(event.Key) bool) (web.BoxRow, bool) {
	c, ok := n.w.Carrier(key)
	if !ok {
		return web.BoxRow{}, false
	}
	row := web.BoxRow{
		ID: key.Label(), Name: n.carrier(key), Holder: n.place(c.Holder), Place: n.place(c.Place), Mode: c.Mode, To: n.place(c.To),
	}
	for _, tube := range inside {
		row.Tubes++
		if flagged(tube) {
			row.Flags++
		}
	}
	if row.Tubes == 0 && c.Emptied.Is() {
		return row, false
	}
	row.Seen = custody.LastScan(c.Timeline, 0)
	if r, ok := n.w.Route(c.Route); ok && c.Departed.Is() {
		if row.To == "" {
			row.To = n.place(r.To)
		}
		row.Due = web.Due{Earliest: c.Due, Latest: c.Due}
	}
	// A declared range is no temperature unless it is one value.
	if a := c.Assumed; a.Known && a.Low == a.High {
		row.Temp = web.Temp{At: row.Seen, C: a.Low, Evidence: event.EvidenceAssumed}
	}
	return row, true
}

// missing gives a tube that should have been in a carrier and wasn't; false when
// it was found, declared lost or explained.
func (n names) missing(key event.Key) (web.LateRow, bool) {
	for _, d := range n.w.DoubtsOf(custody.Target{Kind: event.KindTube, Key: key}, 0) {
		if d.Doubt != event.DoubtMissing {
			continue
		}
		t, ok := n.w.Tube(key)
		if !ok || t.Lost.Is() {
			return web.LateRow{}, false
		}
		return web.LateRow{
			ID: "tube-" + key.Label(), Name: "tube " + key.Label(), Tube: key.Label(), Holder: n.place(t.Holder), Place: n.place(t.Place),
			Seen: custody.LastScan(t.Timeline, d.Since), Due: d.Since,
		}, true
	}
	return web.LateRow{}, false
}

// flag gives the flag of a tube in a view.
func (n names) flag(key event.Key, v *live.View) web.FlagRow {
	t := v.Tube
	row := web.FlagRow{
		Tube: key.Label(), Episode: v.Flag.Episode, Kind: v.Flag.Kind, Verdict: v.Flag.Verdict, Outlook: event.OutlookUnknown,
		Action: v.Flag.Action, ActionNote: actionNote(v), Holder: n.place(t.Holder), Place: n.place(t.Place), Box: n.outermost(t.Carriers),
		By: v.Flag.Until, Irreplaceable: t.Irreplaceable,
	}
	if t.Flag.Open {
		taken := lookedAfter(&t.Flag)
		row.Since, row.TakenBy, row.TakenAt = t.Flag.Since, taken.By, taken.At
		row.Mark = flagMark(&t.Flag, v.Now)
	}
	row.Draw, row.Cause = t.Draw.Label(), v.Flag.Cause
	row.CauseName = n.cause(v.Flag.Cause)
	for _, ft := range v.Flag.Tests {
		if ft.Outlook == event.RunningOut {
			row.Outlook = event.RunningOut
		}
		test := web.FlagTestRow{
			UsedMs: testOf(v, ft.Assay).UsedMs, LimitMs: testOf(v, ft.Assay).LimitMs, Due: web.Due(testOf(v, ft.Assay).Due),
			Name: assayName(v, ft.Assay), Verdict: ft.Verdict, Outlook: ft.Outlook, Reasons: slices.Clone(ft.Reasons), Direction: ft.Direction,
		}
		if r := testOf(v, ft.Assay).Rule; r != nil && !unnamedIn(v, ft.Assay) {
			test.Limit, test.Source = limitWords(r), stability.SourceText(r.Source)
		}
		test.Restricted = unnamedIn(v, ft.Assay)
		row.Tests = append(row.Tests, test)
	}
	return row
}

// lookedAfter is who last said that they see to a flag, or let it pass.
func lookedAfter(f *custody.FlagState) custody.Mark {
	switch {
	case f.Overridden.Is():
		return f.Overridden
	case len(f.Acted) > 0 && !f.Taken.Is():
		return f.Acted[len(f.Acted)-1]
	}
	return f.Taken
}

// flagMark is what a person last said of a flag that is up.
func flagMark(f *custody.FlagState, now event.Instant) web.FlagMark {
	made := func(state web.FlagState, m custody.Mark) web.FlagMark {
		return web.FlagMark{State: state, By: m.By, At: m.At, What: m.Reason, Scan: m.Scan}
	}
	var last web.FlagMark
	if f.Taken.Is() {
		last = made(web.FlagTaken, f.Taken)
		last.What = ""
	}
	if n := len(f.Acted); n > 0 && f.Acted[n-1].At >= last.At {
		last = made(web.FlagDone, f.Acted[n-1])
	}
	if f.PutAside.Is() && f.AsideUntil > now {
		last = made(web.FlagAside, f.PutAside)
		last.Until = f.AsideUntil
	}
	if f.Overridden.Is() && f.Overridden.At >= last.At {
		last = made(web.FlagLet, f.Overridden)
	}
	return last
}

// cause gives what flags come from by the name that people know.
func (n names) cause(c event.Cause) string {
	switch c.Kind {
	case event.CauseBox:
		if key, err := event.LocalKey(c.Name); err == nil {
			return n.carrier(key)
		}
		return "box " + c.Name
	case event.CauseLogger:
		return "logger " + c.Name
	case event.CauseRoute:
		return "route " + c.Name
	}
	return ""
}

// testOf gives what a view says of a test; the zero judgement when it has none.
func testOf(v *live.View, assay string) *stability.Judgement {
	for i := range v.Tests {
		if v.Tests[i].Assay == assay {
			return &v.Tests[i].Judgement
		}
	}
	return &stability.Judgement{}
}

// restrictedName stands for a test whose name alone tells something of a patient.
const restrictedName = "restricted test"

// unnamed takes the names of restricted tests out of a view. The view's tests are its
// own afterwards.
func unnamed(v *live.View) {
	v.Tests = slices.Clone(v.Tests)
	for i := range v.Tests {
		if a := &v.Tests[i].Name; a.Restricted {
			*a = stability.Assay{Name: restrictedName, Restricted: true}
		}
	}
}

func unnamedIn(v *live.View, assay string) bool {
	return slices.ContainsFunc(v.Tests, func(t live.Test) bool { return t.Assay == assay && isUnnamed(t.Name) })
}

// isUnnamed reports whether unnamed took a test's name away.
func isUnnamed(a stability.Assay) bool { return a.Restricted && a.Code == "" }

func assayName(v *live.View, assay string) string {
	for i := range v.Tests {
		if t := &v.Tests[i]; t.Assay == assay && t.Name.Name != "" {
			return t.Name.Name
		}
	}
	if assay == "" {
		return "any test"
	}
	return assay
}

// actionNote is what an action needs to be clear: which tests are held, into
// which temperature it goes.
func actionNote(v *live.View) string {
	switch v.Flag.Action {
	case event.SpinButHold:
		var lost []string
		for _, t := range v.Flag.Tests {
			if t.Verdict == event.PastLimit || t.Verdict == event.WrongTube {
				lost = append(lost, assayName(v, t.Assay))
			}
		}
		return strings.Join(lost, ", ")
	case event.MoveTemperature:
		if bands := goodBands(v); len(bands) > 0 {
			words := make([]string, len(bands))
			for i, b := range bands {
				words[i] = bandWords(b.Low, b.High)
			}
			return "to " + strings.Join(words, " or ")
		}
	}
	return ""
}

// goodBands are the temperatures in which every flagged test that is not lost may
// stand; where they have none in common, those of the first.
func goodBands(v *live.View) []event.Range {
	var good []event.Range
	for _, t := range v.Flag.Tests {
		j := testOf(v, t.Assay)
		if t.Verdict == event.PastLimit || t.Verdict == event.WrongTube || !j.OutsideNow(v.Segments, 0) {
			continue
		}
		var bands []event.Range
		for _, l := range j.Rule.Limits {
			bands = append(bands, event.Range{Low: l.Low, High: l.High, Known: true})
		}
		if good == nil {
			good = bands
			continue
		}
		var both []event.Range
		for _, a := range good {
			for _, b := range bands {
				if low, high := max(a.Low, b.Low), min(a.High, b.High); low <= high {
					both = append(both, event.Range{Low: low, High: high, Known: true})
				}
			}
		}
		if len(both) > 0 {
			good = both
		}
	}
	return good
}
