package rehearse

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// Tube shows one tube at an instant.
func (b *Bench) Tube(id string, at event.Instant) (story.TubeView, error) {
	req := &custodyv1.GetTubeRequest{Id: id}
	if at != 0 && at != b.now {
		req.AsOf = at.String()
	}
	tube, err := call(b, b.tubes.GetTube, req)
	if status.Code(err) == codes.NotFound {
		return story.TubeView{}, nil
	}
	if err != nil {
		return story.TubeView{}, Plain(err)
	}
	v := story.TubeView{Rack: rackOf(tube)}
	v.ThingView = thingOf(tube.Holder, tube.Place, tube.Doubts, tube.Timeline)
	v.Links, v.Facts = tube.Links, map[string]int{}
	for fact, n := range tube.Facts {
		v.Facts[fact] = int(n)
	}
	if v.ReplacedBy, err = b.replacedBy(tube); err != nil {
		return v, err
	}
	if v.Flag, err = flagOf(tube.Flag); err != nil {
		return v, err
	}
	for _, verdict := range tube.Verdicts {
		word := event.Verdict(verdict.Verdict)
		if v.Verdict == "" || word.Worse(v.Verdict) {
			v.Verdict = word
		}
		if verdict.Assay == "" {
			v.Reasons = wordsOf[event.Reason](verdict.Reasons)
			continue
		}
		test, err := b.test(tube, verdict, req.AsOf)
		if err != nil {
			return v, fmt.Errorf("%s/%s: %w", id, verdict.Assay, err)
		}
		v.Tests = append(v.Tests, test)
	}
	return v, nil
}

func (b *Bench) test(tube *custodyv1.Tube, v *stabilityv1.Verdict, asOf string) (story.TestView, error) {
	t := story.TestView{
		Assay: v.Assay, Verdict: event.Verdict(v.Verdict), Outlook: event.Outlook(v.Outlook), Reasons: wordsOf[event.Reason](v.Reasons),
		Direction: event.Direction(v.Direction), UsedMs: v.UsedMs, LimitMs: v.LimitMs, BelowMs: v.BelowMs, AboveMs: v.AboveMs,
		Rule: v.GetRule().GetId(),
		ByMs: map[event.Evidence]int64{
			event.EvidenceMeasured: v.MeasuredMs, event.EvidenceAttested: v.AttestedMs,
			event.EvidenceAssumed: v.AssumedMs, event.EvidenceUnknown: v.UnknownMs,
		},
	}
	var err error
	if t.Until, err = readInstant("until", first(v.WaitUntil, v.DueEarliest, v.Until)); err != nil {
		return t, err
	}
	from, known := b.counts[t.Rule]
	if known {
		t.CountsFrom = string(from)
	}
	if !known || from == stability.FromDraw {
		t.Since, err = readInstant("collectedEarliest", tube.CollectedEarliest)
		return t, err
	}
	x, err := call(b, b.tubes.ExplainTest, &custodyv1.ExplainTestRequest{Id: tube.Id, Test: v.Assay, AsOf: asOf})
	if err != nil {
		return t, Plain(err)
	}
	if rows := x.Rows; len(rows) > 0 {
		t.Since, err = readInstant("rows.from", rows[0].From)
	}
	return t, err
}

func flagOf(f *stabilityv1.Flag) (*story.FlagView, error) {
	if f == nil || f.Action == "" && f.Verdict == "" {
		return nil, nil
	}
	until, err := readInstant("flag.until", f.Until)
	v := &story.FlagView{Kind: event.FlagKind(f.Kind), Action: event.Action(f.Action), Cause: f.GetCause(), Until: until}
	var reasons []string
	for _, t := range f.Tests {
		reasons = append(reasons, t.Reasons...)
	}
	v.Reasons = inOrder(reasons)
	return v, err
}

// rackOf names beside the answer the tests that it is about: those to wait for,
// those that need unspun blood, or those that are lost.
func rackOf(tube *custodyv1.Tube) story.RackView {
	r := story.RackView{Answer: event.RackAnswer(tube.Rack), Irreplaceable: tube.Irreplaceable}
	var reasons []string
	for _, v := range tube.Verdicts {
		about := false
		switch lost := v.Verdict == string(event.PastLimit) || v.Verdict == string(event.WrongTube); r.Answer {
		case event.RackWait:
			about = v.WaitUntil != ""
		case event.RackRunFirst:
			about = !lost && slices.Contains(v.Reasons, string(event.ReasonNeedsUnspun))
		case event.RackSpinHold, event.RackNothingLeft:
			about = lost
		}
		if !about {
			continue
		}
		reasons = append(reasons, v.Reasons...)
		if v.Assay != "" {
			r.Tests = append(r.Tests, v.Assay)
		}
		// An instant that can't be read is told by the verdict's own test.
		if until, err := readInstant("waitUntil", v.WaitUntil); err == nil && r.Answer == event.RackWait {
			r.Until = max(r.Until, until)
		}
	}
	r.Reasons = inOrder(reasons)
	return r
}

// inOrder gives each reason once, in the order of their list.
func inOrder(reasons []string) []event.Reason {
	return slices.DeleteFunc(event.Reasons(), func(r event.Reason) bool { return !slices.Contains(reasons, string(r)) })
}

// replacedBy is the later number of the same tube: of all its other numbers the
// one that was made of this one, and thus later than it.
func (b *Bench) replacedBy(tube *custodyv1.Tube) (string, error) {
	own := len(tube.Timeline) > 0 && slices.Contains(tube.Timeline[0].Facts, "SameMaterialAs")
	for _, id := range tube.Links {
		other, err := call(b, b.tubes.GetTube, &custodyv1.GetTubeRequest{Id: id})
		if status.Code(err) == codes.NotFound {
			continue
		}
		if err != nil {
			return "", Plain(err)
		}
		made := relabelled(other.Timeline)
		if made != "" && (!own || made > relabelled(tube.Timeline)) {
			return id, nil
		}
	}
	return "", nil
}

// relabelled is when a tube got its number from another, as text that sorts.
func relabelled(timeline []*custodyv1.Step) string {
	for _, s := range timeline {
		if slices.Contains(s.Facts, "SameMaterialAs") && !s.Voided {
			at, err := readInstant("occurredAt", s.OccurredAt)
			if err != nil {
				return s.OccurredAt
			}
			return at.String()
		}
	}
	return ""
}

// Thing shows anything else that has a state in the API.
func (b *Bench) Thing(kind event.Kind, id string, _ event.Instant) (story.ThingView, error) {
	var v story.ThingView
	var err error
	switch kind {
	case event.KindCarrier:
		var c *custodyv1.Contents
		if c, err = call(b, b.tubes.GetContents, &custodyv1.GetContentsRequest{Id: id}); err == nil {
			v = thingOf(c.Holder, c.Place, c.Doubts, c.Timeline)
			for _, content := range c.Contents {
				if content.Kind == string(event.KindTube) {
					v.Holds++
				}
			}
		}
	case event.KindDraw:
		var d *custodyv1.Draw
		if d, err = call(b, b.tubes.GetDraw, &custodyv1.GetDrawRequest{Id: id}); err == nil {
			v = thingOf("", "", nil, d.Timeline)
		}
	case event.KindDevice:
		var d *custodyv1.Device
		if d, err = call(b, b.directory.GetDevice, &custodyv1.GetEntryRequest{Id: id}); err == nil {
			v = thingOf("", "", d.Doubts, nil)
		}
	default:
		return v, fmt.Errorf("the API shows no state of a %s; expect something of a tube, a carrier, a draw or a device", kind)
	}
	if status.Code(err) == codes.NotFound {
		return story.ThingView{}, nil
	}
	return v, Plain(err)
}

// handsOver are the facts that say who answers for a thing from then on.
var handsOver = []string{"Collected", "Released", "TakenOver", "Received", "AcceptedForTesting", "AcceptedWithDeviation", "Stored", "Retrieved", "Found", "DerivedFrom"}

// thingOf reads what every thing has. From whom and how it came to its holder
// is told by the steps of its timeline.
func thingOf(holder, place string, doubts []*custodyv1.Doubt, timeline []*custodyv1.Step) story.ThingView {
	v := story.ThingView{Known: true, Holder: holder, Place: place, Facts: map[string]int{}}
	for _, d := range doubts {
		if d.Open {
			v.Doubts = append(v.Doubts, event.Doubt(d.Doubt))
		}
	}
	last := ""
	for _, s := range timeline {
		if s.Voided {
			continue
		}
		for i, fact := range s.Facts {
			if s.ByCarrier == "" && !slices.Contains(s.Facts[:i], fact) {
				v.Facts[fact]++
			}
		}
		if !slices.ContainsFunc(s.Facts, func(f string) bool { return slices.Contains(handsOver, f) }) {
			continue
		}
		v.Link = "direct"
		if s.ByCarrier != "" {
			v.Link = "by-box"
		}
		if s.By != "" && s.By != last {
			v.From, last = last, s.By
		}
	}
	if last != holder && last != "" {
		v.From = last // it was left at a place, which is who answers for it now
	}
	return v
}

func wordsOf[T ~string](texts []string) []T {
	var out []T
	for _, t := range texts {
		out = append(out, T(t))
	}
	return out
}

// readInstant reads an instant of the API; empty is not said.
func readInstant(field, text string) (event.Instant, error) {
	if text == "" {
		return 0, nil
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return 0, fmt.Errorf("the server's %s is %q, which is no RFC 3339 time: %w", field, text, err)
	}
	return event.At(t), nil
}
