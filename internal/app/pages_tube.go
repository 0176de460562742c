package app

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
	"specimen.example/custody/internal/web"
)

// Tube implements web.Source.
func (p *pages) Tube(ctx context.Context, id string) (web.TubePage, error) {
	key, v, err := p.account(ctx, id)
	if err != nil {
		return web.TubePage{}, err
	}
	page := web.TubePage{
		Seq: v.Read, Now: v.Now, ID: key.Label(), Type: p.typeName(v.Tube.Type), Draw: v.Tube.Draw.Label(), Request: v.Tube.Request.Label(),
		Irreplaceable: v.Tube.Irreplaceable, Drawn: web.Due(v.Tube.Zero), Temps: temps(v.Segments), Allowed: allowed(&v.View),
		Temperature: v.Temperature, Sprec: v.Sprec,
	}
	if len(v.Legs) > 0 {
		page.FirstAt = v.Legs[0].From
	}
	page.Tests = testRows(&v)
	told := p.togetherWith(ctx, key, &v.View)
	page.Kin = told.kin
	p.a.model.World(func(w *custody.World) { told.teller(w).custody(&page, key, &v.View, told) })
	return page, nil
}

// account finds a tube by what a person typed or scanned, as who asks may see it.
func (p *pages) account(ctx context.Context, id string) (event.Key, live.Account, error) {
	key, err := p.find(id, event.KindTube)
	if err != nil {
		return "", live.Account{}, err
	}
	v, ok := p.a.model.Account(key)
	if !ok {
		return "", live.Account{}, web.ErrNotFound
	}
	if !p.mayName(ctx) {
		unnamed(&v.View)
	}
	return key, v, nil
}

// find gives the key of what a person typed or scanned.
func (p *pages) find(id string, kind event.Kind) (event.Key, error) {
	m := p.a.model
	if !m.Ready() {
		return "", web.ErrNotReady
	}
	named, err := m.Find(label.Input{Raw: []byte(id)}, kind)
	var refusal *label.Refusal
	if errors.As(err, &refusal) {
		return "", &web.LabelRefused{Say: refusal.Say, Remedy: refusal.Remedy}
	}
	return named.Key, nil
}

// mayName reports whether who asks may see every test by its name.
func (p *pages) mayName(ctx context.Context) bool {
	return !p.a.parts.SignIn || api.MayNameTests(auth.From(ctx))
}

func (p *pages) typeName(code string) string {
	if kind, ok := p.a.model.TubeType(code); ok && kind.Name != "" {
		return kind.Name
	}
	return code
}

// testRows says what is known of each test, with its explanation.
func testRows(v *live.Account) []web.TestRow {
	var out []web.TestRow
	for i := range v.Tests {
		row := testRow(&v.View, &v.Tests[i])
		if v.Tests[i].Assay != "" {
			explain(&row, &v.Explained[i], v.Tube)
		}
		out = append(out, row)
	}
	return out
}

// custody fills what the page says of who had the tube.
func (n teller) custody(page *web.TubePage, key event.Key, v *live.View, told *together) {
	t := v.Tube
	page.Zone = n.zone
	page.Holder, page.Place, page.Box = n.place(t.Holder), n.place(t.Place), n.outermost(t.Carriers)
	if k := len(t.Carriers); k > 0 {
		page.BoxID = t.Carriers[k-1].Label()
	}
	n.wayTo(page, v)
	page.Closed = n.closed(v, page.Zone)
	if v.Flagged {
		row := n.flag(key, v)
		page.Flag = &row
	}
	page.Doubts = n.doubts(v.Doubts, v.Past, t.Timeline)
	voids := voidsOf(t.Timeline)
	for i := range t.Timeline {
		page.Steps = append(page.Steps, n.step(&t.Timeline[i], voids))
	}
	page.Episodes, page.Decisions = n.episodes(t.Timeline), n.decisions(t.Timeline)
	page.Samples, page.Corrections = n.samples(told.draws), n.corrections(t.Timeline, voids, t)
	page.Lanes = n.lanes(v)
}

// wayTo says where the tube is going: the end of the leg it is on, with the time
// of its timetable, else the laboratory it shall reach.
func (n names) wayTo(page *web.TubePage, v *live.View) {
	t := v.Tube
	if t.Moving {
		page.Mode = t.Mode
		for _, key := range t.Carriers {
			c, ok := n.w.Carrier(key)
			if !ok || !c.Moving || !c.Departed.Is() {
				continue
			}
			page.To = n.place(c.To)
			if r, ok := n.w.Route(c.Route); ok && page.To == "" {
				page.To = n.place(r.To)
			}
			if page.To != "" {
				page.DueAt = web.Due{Earliest: v.Arrival, Latest: v.Arrival}
				return
			}
		}
	}
	if !t.Received.Is() && !t.Accepted.Is() && t.Destination != t.Place {
		page.To = n.place(t.Destination)
	}
}

// closed says why nothing is due of the tube any more.
func (n names) closed(v *live.View, zone *time.Location) string {
	t := v.Tube
	say := func(what string, m custody.Mark) string {
		if m.By != "" {
			what += " by " + n.place(m.By)
		}
		what += " " + whenWords(m.At, v.Now, zone)
		if m.Reason != "" {
			what += ": " + plain(m.Reason)
		}
		return what
	}
	switch {
	case t.Disposed.Is():
		return say("discarded", t.Disposed)
	case t.Rejected.Is():
		return say("rejected", t.Rejected)
	case t.Lost.Is():
		return say("declared lost", t.Lost)
	case len(t.Parts) > 0:
		return "its number was split into " + n.tubes(t.Parts)
	case t.NewLabel != "":
		return "it carries the number " + t.NewLabel.Label() + " now"
	}
	return ""
}

// testRow says what is known of one test, without its explanation.
func testRow(v *live.View, t *live.Test) web.TestRow {
	j := &t.Judgement
	row := web.TestRow{
		Code: t.Assay, Name: assayName(v, t.Assay), Restricted: isUnnamed(t.Name), Verdict: j.Verdict, Outlook: t.Outlook, Reasons: slices.Clone(j.Reasons), Direction: j.Direction,
		UsedMs: j.UsedMs, BestMs: j.BestMs, LimitMs: j.LimitMs, BelowMs: j.BelowMs, AboveMs: j.AboveMs,
		Due: web.Due(j.Due), Until: j.Until, WaitUntil: j.WaitUntil, EndedAt: j.Ended, Say: j.Say,
	}
	for _, e := range []thermal.Evidence{thermal.Measured, thermal.Attested, thermal.Assumed, thermal.Unknown} {
		if j.By[e] > 0 {
			row.Minutes = append(row.Minutes, web.EvidenceTime{Evidence: e.Word(), Ms: j.By[e]})
		}
	}
	if r := j.Rule; r != nil {
		row.Rule, row.Limit, row.Evidence, row.Because = r.ID, ruleWords(r), string(r.Evidence), chosenBecause(r)
		row.Source, row.Work, row.SeenAs, row.DueVerb = sourceWords(r.Source), workWords(r.Source), r.Source.Seen, dueVerbs[r.Until]
		if r.Below != nil {
			row.BelowReads = r.Below.Direction
		}
		if r.Above != nil {
			row.AboveReads = r.Above.Direction
		}
	}
	if o := j.Other; o != nil {
		row.Otherwise = &web.Otherwise{Condition: conditionWords(v.Tube, o.Rule, j.Rule), Verdict: o.Verdict, Reasons: slices.Clone(o.Reasons)}
	}
	return row
}

// conditionWords names the conditions on which the other answer rests and which
// nobody stated.
func conditionWords(t *custody.Tube, rules ...*stability.Rule) string {
	var open []string
	for _, r := range rules {
		if r == nil {
			continue
		}
		for _, c := range r.Condition {
			if _, stated := t.Conditions[c.Name]; !stated && !slices.Contains(open, plain(c.Name)) {
				open = append(open, plain(c.Name))
			}
		}
	}
	if len(open) == 0 {
		return "if a condition holds that nobody stated"
	}
	return "if this holds, which nobody stated: " + strings.Join(open, ", ")
}

// explain adds the minutes that a test's answer rests on, what other limits would
// have said, and the shares of the one that was used.
func explain(row *web.TestRow, ex *stability.Explanation, t *custody.Tube) {
	var used int64
	for i, r := range ex.Rows {
		row.Explain = append(row.Explain, web.ExplainRow{
			From: r.From, To: r.To, Evidence: r.Evidence.Word(), Band: r.Band, LimitMs: r.LimitMs, UsedMs: r.UsedMs,
		})
		if i == 0 {
			row.Use = append(row.Use, web.UsePoint{At: r.From})
		}
		used += r.UsedMs
		row.Use = append(row.Use, web.UsePoint{At: r.To, UsedMs: used})
	}
	for i := range ex.Others {
		row.Others = append(row.Others, otherRow(&ex.Others[i], t))
	}
	j := &ex.Judgement
	for _, s := range ex.Shares {
		if s.Share == j.Share.Share {
			row.Share = web.ShareRow{Share: s.Share.Text(), When: web.Due(s.When)}
		}
	}
	if n := j.NextShare; n.Share != nil && n.When.Earliest != 0 {
		row.NextShare = web.ShareRow{Share: n.Share.Text(), When: web.Due(n.When)}
	}
}

// otherRow says what a limit that was not used would have said.
func otherRow(o *stability.Other, t *custody.Tube) web.OtherRow {
	r := o.Rule
	row := web.OtherRow{
		Rule: r.ID, Limit: limitWords(r), Evidence: string(r.Evidence), Source: sourceWords(r.Source), Work: workWords(r.Source), SeenAs: r.Source.Seen,
		Why: passedBecause(o), Verdict: o.Verdict, Reasons: slices.Clone(o.Reasons), UsedMs: o.UsedMs, LimitMs: o.LimitMs,
		Due: web.Due(o.Due), DueVerb: dueVerbs[r.Until], EndedAt: o.Ended,
	}
	if o.Assumes {
		row.If = openWords(t, r)
	}
	return row
}

// openWords names the conditions of a rule that nobody stated, with the answer it
// asks for.
func openWords(t *custody.Tube, r *stability.Rule) string {
	var open []string
	for _, c := range r.Condition {
		if _, stated := t.Conditions[c.Name]; stated {
			continue
		}
		answer := "no"
		if c.Yes {
			answer = "yes"
		}
		open = append(open, plain(c.Name)+": "+answer)
	}
	return strings.Join(open, ", ")
}

// chosenBecause is the one reason why a rule was used.
func chosenBecause(r *stability.Rule) string {
	switch {
	case r.Default:
		return r.Because
	case r.OnlyShown():
		return "no limit was chosen here, and what was seen to be bad is bad"
	default:
		return "no limit was chosen here; this one stands first"
	}
}

// passedBecause is the one reason why a rule was not used.
func passedBecause(o *stability.Other) string {
	r := o.Rule
	switch {
	case r.Default && o.Assumes:
		return "" // the condition is the reason
	case r.Default:
		return "chosen for tubes of which less was stated; a more special limit goes before it"
	case r.Because != "":
		return r.Because
	case r.OnlyShown():
		return "it says only when the result was bad, not how long it is good"
	default:
		return "no reason is written"
	}
}

// workWords is the title of a source with its year.
func workWords(s stability.Source) string {
	return sourceWords(stability.Source{Title: s.Title, Year: s.Year, Seen: s.Seen})
}

func temps(segments []thermal.Segment) []web.TempSegment {
	out := make([]web.TempSegment, len(segments))
	for i, s := range segments {
		out[i] = web.TempSegment{
			From: s.From, To: s.To, Low0: s.Low0, Low1: s.Low1, High0: s.High0, High1: s.High1, Evidence: s.Evidence.Word(),
		}
	}
	return out
}

// allowed gives the bands of the limits that are used, each once.
func allowed(v *live.View) []web.TempBand {
	var out []web.TempBand
	for i := range v.Tests {
		t := &v.Tests[i]
		if t.Rule == nil {
			continue
		}
		for _, l := range t.Rule.Limits {
			if b := (web.TempBand{Low: l.Low, High: l.High, Label: assayName(v, t.Assay)}); !slices.Contains(out, b) {
				out = append(out, b)
			}
		}
	}
	return out
}

// lanes draws who held the tube, where, and in what.
func (n names) lanes(v *live.View) []web.Lane {
	held, place, inside := web.Lane{Name: "held by"}, web.Lane{Name: "place"}, web.Lane{Name: "inside"}
	for _, leg := range v.Legs {
		to := leg.To
		if to == v.Now {
			to = 0
		}
		span := func(l *web.Lane, label string) {
			if k := len(l.Spans) - 1; k >= 0 && l.Spans[k].To == leg.From && l.Spans[k].Label == label {
				l.Spans[k].To = to
				return
			}
			l.Spans = append(l.Spans, web.LaneSpan{From: leg.From, To: to, Label: label})
		}
		span(&held, n.place(leg.Custodian))
		if leg.Custodian == "" {
			held.Spans[len(held.Spans)-1].Unknown = true
		}
		if where := n.where(&leg); where != "" {
			span(&place, where)
		}
		if len(leg.Carriers) > 0 {
			span(&inside, n.inside(leg.Carriers))
		}
	}
	var out []web.Lane
	for _, l := range []web.Lane{held, place, inside} {
		if len(l.Spans) > 0 {
			out = append(out, l)
		}
	}
	return out
}

func (n names) where(leg *custody.Leg) string {
	where := n.place(leg.Place)
	if !leg.Moving {
		return where
	}
	way := strings.TrimSpace("on the way " + modeWords(leg.Mode))
	if where == "" {
		return way
	}
	return where + ", " + way
}
