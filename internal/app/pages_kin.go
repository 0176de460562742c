package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/web"
)

// together is what belongs with a tube: its draws, its request, other tubes.
type together struct {
	tests  map[string]string
	now    event.Instant
	zone   *time.Location
	draws  []*custody.Draw // in which a new sample may have been asked for it
	beside []custody.Step  // steps of its own draw and of its request, in order of time
	kin    []web.KinRow
}

func (t *together) teller(w *custody.World) teller {
	return teller{names: names{w}, tests: t.tests, now: t.now, zone: t.zone}
}

// togetherWith gathers what belongs with a tube.
func (p *pages) togetherWith(ctx context.Context, key event.Key, v *live.View) *together {
	t := v.Tube
	out := &together{now: v.Now}
	type relative struct {
		key event.Key
		kin string
	}
	var kin []relative
	add := func(k event.Key, word string) {
		if k != "" && k != key && !slices.ContainsFunc(kin, func(r relative) bool { return r.key == k }) {
			kin = append(kin, relative{k, word})
		}
	}
	p.a.model.World(func(w *custody.World) {
		out.zone = zoneAt(w, t.Place, t.Holder)
		add(t.NewLabel, "its number now")
		word := "it was made from this"
		if t.Relabel {
			word = "its number before"
		}
		add(t.Parent, word)
		for _, k := range t.Parts {
			add(k, "its number was split into this")
		}
		for _, k := range t.Children {
			add(k, "made from it")
		}
		for _, k := range append([]event.Key{t.Draw}, t.Asked...) {
			if d, ok := w.Draw(k); ok && !slices.ContainsFunc(out.draws, func(o *custody.Draw) bool { return o.Key == k }) {
				out.draws = append(out.draws, d)
			}
		}
		if t.Draw != "" {
			for _, k := range w.TubesOf(t.Draw) {
				add(k, "of the same draw")
			}
			out.beside = append(out.beside, w.Steps(custody.Target{Kind: event.KindDraw, Key: t.Draw})...)
		}
		if t.Request != "" {
			out.beside = append(out.beside, w.Steps(custody.Target{Kind: event.KindRequest, Key: t.Request})...)
		}
		slices.SortStableFunc(out.beside, byTime)
	})
	asked := make([]custody.Step, 0, len(out.draws))
	for _, d := range out.draws {
		for _, a := range d.Asked {
			asked = append(asked, custody.Step{Facts: []event.Fact{a.RecollectionAsked}})
		}
	}
	out.tests = p.testNames(ctx, t.Timeline, out.beside, asked)
	for _, k := range kin {
		out.kin = append(out.kin, p.kinRow(k.key, k.kin))
	}
	return out
}

// byTime is the order of steps of several aggregates.
func byTime(a, b custody.Step) int {
	return cmp.Or(cmp.Compare(a.Record.Occurred, b.Record.Occurred), cmp.Compare(a.Record.Seq, b.Record.Seq))
}

// zoneAt is the zone of the first of some places that has one.
func zoneAt(w *custody.World, places ...string) *time.Location {
	for _, code := range places {
		if place, ok := w.Place(code); ok {
			if zone := zoneOf(place.Zone); zone != nil {
				return zone
			}
		}
	}
	return nil
}

// kinRow says where a tube that belongs with another stands.
func (p *pages) kinRow(key event.Key, kin string) web.KinRow {
	row := web.KinRow{ID: key.Label(), Kin: kin, State: "never scanned"}
	v, ok := p.a.model.Judged(key)
	if !ok {
		return row
	}
	t := v.Tube
	row.Type, row.Drawn, row.Flagged = p.typeName(t.Type), web.Due(t.Zero), v.Flagged
	over := false
	if row.State, over = tubeState(t); over {
		return row
	}
	for i := range v.Tests {
		j := &v.Tests[i]
		worse := row.Verdict == "" || j.Verdict.Worse(row.Verdict) || j.Verdict == row.Verdict && j.Outlook == event.RunningOut
		if worse {
			row.Verdict, row.Outlook = j.Verdict, j.Outlook
		}
	}
	return row
}

// tubeState says how far a tube is, and whether nothing is judged of it any more.
func tubeState(t *custody.Tube) (state string, over bool) {
	switch {
	case t.Disposed.Is():
		return "discarded", true
	case t.Rejected.Is():
		return "rejected", true
	case t.Lost.Is():
		return "declared lost", true
	case t.NewLabel != "":
		return "it has another number", true
	case len(t.Parts) > 0:
		return "its number was split", true
	case t.Referred.Is():
		return "sent to another laboratory", false
	case t.Stored.Is():
		return "in the store", false
	case t.Accepted.Is():
		return "accepted", false
	case t.Received.Is():
		return "received", false
	case t.Moving:
		return "on its way", false
	case t.Collected || t.Zero.Latest != 0:
		return "drawn", false
	}
	return "label prepared", false
}

// episodes gives the flag's episodes with what people answered. An answer belongs to the
// episode that it names, wherever it sorts.
func (n teller) episodes(steps []custody.Step) []web.EpisodeRow {
	var out []web.EpisodeRow
	of := func(episode int64) *web.EpisodeRow {
		i := slices.IndexFunc(out, func(e web.EpisodeRow) bool { return e.Episode == episode })
		if i < 0 {
			out = append(out, web.EpisodeRow{Episode: episode})
			i = len(out) - 1
		}
		return &out[i]
	}
	for i := range steps {
		s := &steps[i]
		if s.Voided {
			continue
		}
		answer := func(episode int64, did string, until event.Instant, reason string) {
			e := of(episode)
			e.Answers = append(e.Answers, web.AnswerRow{At: s.At(), By: s.Record.Actor, Did: did, Until: until, Reason: plain(reason)})
		}
		for _, f := range s.Facts {
			switch f := f.(type) {
			case event.FlagRaised:
				e := of(f.Flag.Episode)
				e.Kind, e.Since, e.Verdict, e.Action, e.Cause = f.Flag.Kind, s.At(), f.Flag.Verdict, f.Flag.Action, causeWords(f.Flag.Cause)
			case event.FlagChanged:
				e := of(f.Flag.Episode)
				e.Kind, e.Verdict, e.Action, e.Cause = f.Flag.Kind, f.Flag.Verdict, f.Flag.Action, causeWords(f.Flag.Cause)
				e.Changed++
			case event.FlagCleared:
				e := of(f.Episode)
				e.Cleared, e.Reason = s.At(), plain(f.Reason)
			case event.FlagTaken:
				answer(f.Episode, "taken", 0, "")
			case event.FlagActed:
				answer(f.Episode, "acted on ("+plain(f.Action)+")", 0, "")
			case event.FlagPutAside:
				answer(f.Episode, "put aside", f.Until, f.Reason)
			case event.FlagOverridden:
				answer(f.Episode, "let pass", 0, f.Reason)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b web.EpisodeRow) int { return cmp.Compare(a.Episode, b.Episode) })
	return out
}

// causeWords names what a flag comes from; a label that says its kind is enough.
func causeWords(c event.Cause) string {
	if c.Kind == event.CauseNone || strings.HasPrefix(strings.ToLower(c.Name), string(c.Kind)) {
		return c.Name
	}
	return string(c.Kind) + " " + c.Name
}

// decisions gives what people decided about the tube or saw on it.
func (n teller) decisions(steps []custody.Step) []web.DecisionRow {
	var out []web.DecisionRow
	for i := range steps {
		s := &steps[i]
		row := web.DecisionRow{At: s.At(), By: s.Record.Actor, Place: n.place(s.Record.Place), Voided: s.Voided}
		for _, f := range s.Facts {
			switch f := f.(type) {
			case event.AcceptedForTesting:
				row.What = "accepted"
			case event.AcceptedWithDeviation:
				row.What, row.Reason, row.Authoriser, row.Report = "accepted with a deviation", plain(f.Reason), f.Authoriser, f.ReportText
			case event.Rejected:
				row.What, row.Reason = "rejected", plain(f.Reason)
			case event.DefectNoted:
				row.What = "seen on it: " + plain(f.Defect)
			default:
				continue
			}
			out = append(out, row)
		}
	}
	return out
}

// samples gives the new samples that were asked for. What was declined or done after a
// question answers it.
func (n teller) samples(draws []*custody.Draw) []web.SampleRow {
	var out []web.SampleRow
	for _, d := range draws {
		for _, a := range d.Asked {
			row := web.SampleRow{Draw: d.Key.Label(), At: a.Mark.At, By: a.Mark.By, Reason: plain(a.Reason)}
			for _, k := range a.Tubes {
				row.Tubes = append(row.Tubes, k.Label())
			}
			for _, code := range a.Tests {
				row.Tests = append(row.Tests, n.test(code))
			}
			switch {
			case d.Done.Is() && d.Done.At >= a.Mark.At:
				row.Done, row.Answered, row.Answerer, row.NewDraw = true, d.Done.At, d.Done.By, d.NewDraw.Label()
			case d.Declined.Is() && d.Declined.At >= a.Mark.At:
				row.Declined, row.Answered, row.Answerer, row.Because = true, d.Declined.At, d.Declined.By, plain(d.Declined.Reason)
			}
			out = append(out, row)
		}
	}
	return out
}

// clockApart is from when on a device's clock is told as corrected: below it the
// correction is within what a person reads off a clock. Common practice, no source.
const clockApart = 1000 // ms

// corrections gives what was changed of what was told before. voids are those of the whole
// aggregate; t is nil but for tubes.
func (n teller) corrections(steps []custody.Step, voids map[string]*custody.Step, t *custody.Tube) []web.CorrectionRow {
	var out []web.CorrectionRow
	type skew struct {
		device string
		ms     int64
		n      int
	}
	var clocks []skew
	for i := range steps {
		s := &steps[i]
		r := s.Record
		for _, rec := range append([]*event.Record{r}, s.Repeats...) {
			if rec.OffsetMs >= clockApart || rec.OffsetMs <= -clockApart {
				i := slices.IndexFunc(clocks, func(c skew) bool { return c.device == rec.Device && c.ms == rec.OffsetMs })
				if i < 0 {
					clocks = append(clocks, skew{device: rec.Device, ms: rec.OffsetMs})
					i = len(clocks) - 1
				}
				clocks[i].n++
			}
		}
		if s.Voided {
			row := web.CorrectionRow{What: fmt.Sprintf("%s: taken back (entry %d)", listedStep(stepName(s), n.facts(s.Facts).carrier, whenWords(s.At(), n.now, n.zone)), r.Seq)}
			if by := voids[recordID(r)]; by != nil {
				row.At, row.By, row.Reason, row.Seq, row.ID = by.At(), by.Record.Actor, voidReason(by), by.Record.Seq, by.Record.ID
			}
			out = append(out, row)
			continue
		}
		row := web.CorrectionRow{At: s.At(), By: r.Actor, Seq: r.Seq, ID: r.ID}
		if len(s.Repeats) > 0 {
			both := row
			both.By, both.What = "", fmt.Sprintf("%s was told %d times and counts once", stepName(s), len(s.Repeats)+1)
			out = append(out, both)
		}
		for _, f := range s.Facts {
			switch f := f.(type) {
			case event.Reidentified:
				row.What, row.Reason = "given to another patient", plain(f.Reason)
			case event.SameMaterialAs:
				row.What, row.Reason = "labelled anew: it was "+f.Tube.Label(), plain(f.Reason)
			case event.SplitInto:
				row.What, row.Reason = "its number was split into "+n.tubes(f.Tubes), ""
			default:
				continue
			}
			out = append(out, row)
		}
	}
	if t != nil && t.NewLabel != "" {
		row := web.CorrectionRow{What: "it carries the number " + t.NewLabel.Label() + " now"}
		for _, s := range n.w.Steps(custody.Target{Kind: event.KindTube, Key: t.NewLabel}) {
			for _, f := range s.Facts {
				if f, ok := f.(event.SameMaterialAs); ok && !s.Voided && f.Tube == t.Key {
					row.At, row.By, row.Reason = s.At(), s.Record.Actor, plain(f.Reason)
				}
			}
		}
		out = append(out, row)
	}
	slices.SortStableFunc(out, func(a, b web.CorrectionRow) int { return cmp.Compare(a.At, b.At) })
	for _, c := range clocks {
		side, ms := "ahead", c.ms
		times := "1 time of it is"
		if c.n > 1 {
			times = fmt.Sprintf("%d times of it are", c.n)
		}
		if ms < 0 {
			side, ms = "behind", -ms
		}
		out = append(out, web.CorrectionRow{What: fmt.Sprintf("the clock of %s was %s %s: %s corrected by as much", cmp.Or(c.device, "a device"), duration(ms), side, times)})
	}
	return out
}

// listedStep names a step by what was done, in what, and when.
func listedStep(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), " ")
}
