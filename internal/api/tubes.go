package api

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/sprec"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// GetTube gives everything that is known of a tube.
func (s *Server) GetTube(ctx context.Context, req *custodyv1.GetTubeRequest) (*custodyv1.Tube, error) {
	k, err := s.key("id", req.GetId(), event.KindTube)
	if err != nil {
		return nil, err
	}
	if req.GetAsOf() == "" {
		s.settle(ctx, 0, k)
		v, ok := s.Model.View(k)
		if !ok {
			return nil, noTube(req.GetId())
		}
		return s.tubeMessage(k, &v, true), nil
	}
	at, err := parseInstant(req.GetAsOf())
	if err != nil {
		return nil, violations(violation{"asOf", err.Error()})
	}
	v, ok := s.Model.ViewAt(k, event.At(at))
	if !ok {
		return nil, noTube(req.GetId())
	}
	return s.tubeMessage(k, &v, true), nil
}

func noTube(id string) error {
	return notFound("no tube %s is known; check the label, or record its collection", clip(id))
}

func (s *Server) tubeMessage(k event.Key, v *live.View, whole bool) *custodyv1.Tube {
	t := v.Tube
	m := &custodyv1.Tube{
		Id: k.Label(), Type: t.Type, Draw: t.Draw.Label(), Request: t.Request.Label(), Holder: t.Holder, Place: t.Place,
		CollectedEarliest: stamp(t.Zero.Earliest), Rack: string(v.Rack), Status: statusOf(t), Held: t.Held, AsOf: stamp(v.Now),
		Sequence: t.Seq, Irreplaceable: t.Irreplaceable, Doubts: doubtMessages(v),
		MeasuredMs: v.By[thermal.Measured], AttestedMs: v.By[thermal.Attested], AssumedMs: v.By[thermal.Assumed], UnknownMs: v.By[thermal.Unknown],
	}
	m.Thaws, m.Spins = counts(t)
	m.DrawnUl, m.ReidentifiedAt = t.DrawnUl, stamp(t.Reidentified.At)
	if t.Zero.Earliest != 0 {
		m.CollectedLatest = stamp(t.Zero.Latest)
	}
	for _, c := range t.Carriers {
		m.Carriers = append(m.Carriers, c.Label())
	}
	for i := range v.Tests {
		m.Verdicts = append(m.Verdicts, s.verdict(&v.Tests[i].Judgement, v.Tests[i].Outlook))
	}
	if v.Flagged {
		m.Flag = s.flagMessage(k, v)
	}
	for _, l := range append(slices.Clone(t.Parts), t.Children...) {
		m.Links = append(m.Links, l.Label())
	}
	for _, l := range []event.Key{t.Parent, t.NewLabel} {
		if l != "" {
			m.Links = append(m.Links, l.Label())
		}
	}
	if !whole {
		return m
	}
	m.Temperature = summaryMessage(&v.Temperature)
	if v.Sprec.Complete {
		m.Sprec = v.Sprec.Code.String()
	}
	for i, e := range v.Sprec.Elements {
		if e.Reason != "" {
			m.SprecReasons = append(m.SprecReasons, sprec.Name(i)+": "+e.Code+": "+e.Reason)
		}
	}
	m.Facts = map[string]int64{}
	for i := range t.Timeline {
		st := &t.Timeline[i]
		m.Timeline = append(m.Timeline, stepMessage(st))
		if st.Voided || st.Inherited {
			continue
		}
		for _, name := range factsOf(st) {
			m.Facts[name]++
		}
	}
	return m
}

// summaryMessage tells a summed-up history; nil where there is none.
func summaryMessage(t *thermal.Summary) *custodyv1.TemperatureSummary {
	if t.To <= t.From {
		return nil
	}
	m := &custodyv1.TemperatureSummary{
		From: stamp(t.From), To: stamp(t.To),
		MeasuredMs: t.By[thermal.Measured], AttestedMs: t.By[thermal.Attested], AssumedMs: t.By[thermal.Assumed], UnknownMs: t.By[thermal.Unknown],
		MeasuredPermille: t.Permille[thermal.Measured], AttestedPermille: t.Permille[thermal.Attested],
		AssumedPermille: t.Permille[thermal.Assumed], UnknownPermille: t.Permille[thermal.Unknown],
	}
	if t.Coldest.Known {
		m.ColdestLow, m.ColdestHigh = celsiusText(t.Coldest.Low), celsiusText(t.Coldest.High)
		m.WarmestLow, m.WarmestHigh = celsiusText(t.Warmest.Low), celsiusText(t.Warmest.High)
	}
	if k := t.Kinetic; k.Known {
		m.MeanKineticLow, m.MeanKineticHigh = celsiusText(k.Low), celsiusText(k.High)
		m.JoulesPerMole, m.MeanCoversPermille = k.JoulesPerMole, k.CoversPermille
	}
	return m
}

func statusOf(t *custody.Tube) string {
	switch {
	case t.Disposed.Is():
		return "disposed"
	case t.Lost.Is():
		return "lost"
	case t.Rejected.Is():
		return "rejected"
	case t.Accepted.Is():
		return "accepted"
	case t.Received.Is():
		return "received"
	case t.Collected || t.Zero.Latest != 0:
		return "on-the-way"
	default:
		return "prepared"
	}
}

// factsOf are the names of a step's facts, each once.
func factsOf(st *custody.Step) []string {
	var names []string
	for _, f := range st.Facts {
		if n := f.FactName(); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	return names
}

func stepMessage(st *custody.Step) *custodyv1.Step {
	r := st.Record
	m := &custodyv1.Step{
		Id: r.ID, OccurredAt: stamp(r.Occurred), RecordedAt: stamp(r.Recorded), Step: r.Step, By: r.Actor, Place: r.Place,
		Device: r.Device, Mode: string(r.Mode), ByCarrier: st.By.Label(), How: r.How, Voided: st.Voided, Sequence: r.Seq,
		Facts: factsOf(st), Sources: int32(1 + len(st.Repeats)), //nolint:gosec // a handful
	}
	if m.Step == "" {
		m.Step = strings.Join(m.Facts, ", ")
	}
	return m
}

func doubtMessages(v *live.View) []*custodyv1.Doubt {
	var out []*custodyv1.Doubt
	open := map[string]bool{}
	for _, d := range v.Doubts {
		open[d.ID] = true
		out = append(out, openDoubt(d, whereabouts{v.Tube.Holder, v.Tube.Place, v.Tube.Timeline}))
	}
	for _, p := range v.Past {
		if !open[p.ID] && p.ClosedAt != 0 {
			out = append(out, closedDoubt(p))
		}
	}
	return out
}

func closedDoubt(p custody.PastDoubt) *custodyv1.Doubt {
	m := &custodyv1.Doubt{
		Id: p.ID, Doubt: string(p.Doubt), Causes: p.Causes, ClosedBy: p.By, Say: doubtWords[p.Doubt],
		Since: stamp(p.RaisedAt), ClosedAt: stamp(p.ClosedAt), Reason: p.Reason,
	}
	if p.By != "facts" {
		m.ClosedByPerson = p.Actor
	}
	return m
}

// whereabouts is where a thing was last known.
type whereabouts struct {
	holder, place string
	steps         []custody.Step
}

func openDoubt(d custody.OpenDoubt, last whereabouts) *custodyv1.Doubt {
	m := &custodyv1.Doubt{Id: d.ID, Doubt: string(d.Doubt), Causes: d.Causes, Open: true, Say: doubtWords[d.Doubt], Since: stamp(d.Since)}
	for _, l := range event.LikelyCauses(d.Doubt) {
		m.Likely = append(m.Likely, string(l))
	}
	if d.Doubt == event.DoubtMissing || d.Doubt == event.DoubtLate {
		m.LastHolder, m.LastPlace, m.LastSeen = last.holder, last.place, stamp(custody.LastScan(last.steps, d.Since))
	}
	return m
}

// carrierDoubts gives the doubts that stand about a carrier now, and those that were
// settled.
func carrierDoubts(w *custody.World, c *custody.Carrier, now event.Instant) []*custodyv1.Doubt {
	target := custody.Target{Kind: event.KindCarrier, Key: c.Key}
	standing, _ := custody.Standing(w.DoubtsOf(target, 0), now)
	var out []*custodyv1.Doubt
	open := map[string]bool{}
	for _, d := range standing {
		open[d.ID] = true
		out = append(out, openDoubt(d, whereabouts{c.Holder, c.Place, c.Timeline}))
	}
	for _, p := range w.DoubtHistory(target, 0) {
		if !open[p.ID] && p.ClosedAt != 0 {
			out = append(out, closedDoubt(p))
		}
	}
	return out
}

// doubtWords are doubts in plain words.
var doubtWords = map[event.Doubt]string{
	event.DoubtOneNumberTwoTubes:       "two tubes share this number",
	event.DoubtTwoPlaces:               "it was seen at two places and nobody moved it",
	event.DoubtReceivedBeforeCollected: "it was received before it was collected, by the times told",
	event.DoubtNotInCarrier:            "it was scanned outside the box that should hold it",
	event.DoubtMissing:                 "it should have been in the box and was not scanned",
	event.DoubtExtra:                   "it was in a box that should not hold it",
	event.DoubtLegNotReported:          "nobody reported the way here yet",
	event.DoubtAfterDisposal:           "something was done with it after it was discarded",
	event.DoubtClockWrong:              "the device's clock is wrong",
	event.DoubtOneSidedHandoff:         "only one side of the handover was told",
	event.DoubtCollectionTimeConflict:  "two collection times were told",
	event.DoubtBrokenSeal:              "the seal is not the one that was put on",
	event.DoubtIdentityMismatch:        "the label belongs to another patient than the band",
	event.DoubtSpunBeforeClotted:       "it was spun before it could clot",
	event.DoubtWrongTubeType:           "the tube is of another type than was ordered",
	event.DoubtImpossibleTravel:        "nobody can have come here so fast",
	event.DoubtOverlap:                 "two people had it at the same time",
	event.DoubtUnlabelled:              "it came without a label",
	event.DoubtLate:                    "it should have arrived by now",
	event.DoubtTwoPatients:             "two patients were named for it",
	event.DoubtClockJumped:             "the device's clock jumped",
}

func ruleText(r *stability.Rule) *stabilityv1.RuleText {
	if r == nil {
		return nil
	}
	return &stabilityv1.RuleText{
		Id: r.ID, Text: stability.Describe(r), Evidence: string(r.Evidence), Source: stability.SourceText(r.Source), Because: r.Because,
		Until: string(r.Until),
	}
}

// shareMessage tells a share of tubes; nil for none.
func shareMessage(s *stability.ShareUse) *stabilityv1.Share {
	if s.Share == nil {
		return nil
	}
	return &stabilityv1.Share{Over: s.Share.Text(), AtMs: s.Share.AtMs, Reached: s.Reached, Earliest: stamp(s.When.Earliest), Latest: stamp(s.When.Latest)}
}

func (s *Server) verdict(j *stability.Judgement, outlook event.Outlook) *stabilityv1.Verdict {
	m := &stabilityv1.Verdict{
		Assay: j.Assay, Verdict: string(j.Verdict), Outlook: string(outlook), Direction: string(j.Direction), UsedMs: j.UsedMs,
		BestMs: j.BestMs, LimitMs: j.LimitMs, BelowMs: j.BelowMs, AboveMs: j.AboveMs,
		MeasuredMs: j.By[thermal.Measured], AttestedMs: j.By[thermal.Attested], AssumedMs: j.By[thermal.Assumed], UnknownMs: j.By[thermal.Unknown],
		DueEarliest: stamp(j.Due.Earliest), DueLatest: stamp(j.Due.Latest), Until: stamp(j.Until), WaitUntil: stamp(j.WaitUntil),
		EndedAt: stamp(j.Ended), Rule: ruleText(j.Rule), Say: Say(j),
	}
	if a, ok := s.Model.Assay(j.Assay); ok {
		m.Loinc, m.Name = a.Loinc, a.Name
	}
	m.Share, m.NextShare = shareMessage(&j.Share), shareMessage(&j.NextShare)
	for _, r := range j.Reasons {
		m.Reasons = append(m.Reasons, string(r))
	}
	if j.Other != nil {
		m.IfConditionHolds = s.verdict(j.Other, event.OutlookUnknown)
	}
	return m
}

// Say gives a judgement in one plain sentence. It claims no more than time and
// temperature can tell.
func Say(j *stability.Judgement) string {
	used := fmt.Sprintf("%s of %s used", minutes(j.UsedMs), minutes(j.LimitMs))
	switch j.Verdict {
	case event.PastLimit:
		say := "past its limit"
		if j.LimitMs > 0 && slices.Contains(j.Reasons, event.ReasonTime) {
			say += ": " + used
		}
		switch {
		case slices.Contains(j.Reasons, event.ReasonCold):
			say += "; it was too cold"
		case slices.Contains(j.Reasons, event.ReasonHeat):
			say += "; it was too warm"
		case slices.Contains(j.Reasons, event.ReasonNeedsUnspun):
			say = "it was spun and the test needs unspun blood"
			if j.Say != "" {
				say = j.Say
			}
		}
		return say + direction(j.Direction)
	case event.WrongTube:
		return "this test can't be run on this type of tube"
	case event.NotStudiedBeyond:
		return "longer than was studied (" + used + "); ask the laboratory"
	case event.CannotSay:
		return "cannot say: " + because(j.Reasons)
	case event.Wait:
		return "let it clot until " + stamp(j.WaitUntil)
	case event.NoLimitAdopted:
		if slices.Contains(j.Reasons, event.ReasonCustodyOnly) {
			return "only moved, not to be tested"
		}
		return "no limit is adopted for this test and tube"
	default:
		say := "within limits"
		if j.LimitMs > 0 {
			say += "; " + used
		}
		if j.By[thermal.Measured] == 0 && j.By[thermal.Assumed] > 0 {
			say += "; the temperature is assumed, not measured"
		}
		return say
	}
}

func direction(d event.Direction) string {
	switch d {
	case event.ReadsHigh:
		return "; the result may read high"
	case event.ReadsLow:
		return "; the result may read low"
	case event.ReadsEither:
		return "; the result may read high or low"
	default:
		return ""
	}
}

func because(rs []event.Reason) string {
	words := map[event.Reason]string{
		event.ReasonNoCollectionTime: "nobody recorded when it was collected",
		event.ReasonTimeConflict:     "the times told contradict each other",
		event.ReasonNoTemperature:    "its temperature is not known for part of the time",
		event.ReasonOutsideStudied:   "it was outside the temperatures that were studied",
		event.ReasonNoTestsKnown:     "nobody said what shall be tested",
		event.ReasonFrozen:           "it may have frozen; look at the tube",
		event.ReasonAssumedOnly:      "its temperature is only assumed, and a measured one is needed to say",
		event.ReasonUnreadableFact:   "a message about it could not be read",
	}
	var out []string
	for _, r := range rs {
		if w := words[r]; w != "" {
			out = append(out, w)
		}
	}
	if len(out) == 0 {
		return "not enough is known"
	}
	return strings.Join(out, "; ")
}

// minutes never rounds a time that is over down to its limit.
func minutes(ms int64) string {
	d := time.Duration(ms) * time.Millisecond
	if d%time.Minute != 0 {
		return d.Round(time.Second).String()
	}
	return strings.TrimSuffix(strings.TrimSuffix(d.String(), "0s"), "0m")
}

// ExplainTest shows what a verdict rests on.
func (s *Server) ExplainTest(ctx context.Context, req *custodyv1.ExplainTestRequest) (*stabilityv1.Explanation, error) {
	var at event.Instant
	if req.GetAsOf() != "" {
		t, err := parseInstant(req.GetAsOf())
		if err != nil {
			return nil, violations(violation{"asOf", err.Error()})
		}
		at = event.At(t)
	}
	a, ok := s.Model.Assay(req.GetTest())
	if !ok {
		return nil, violations(violation{"test", fmt.Sprintf("%q is no test of the catalogue; use the laboratory's code or LOINC", clip(req.GetTest()))})
	}
	k, err := s.key("id", req.GetId(), event.KindTube)
	if err != nil {
		return nil, err
	}
	s.settle(ctx, 0, k)
	ex, ok := s.Model.Explain(k, a.Code, at)
	if !ok {
		return nil, noTube(req.GetId())
	}
	material, tube, ok := s.Model.MaterialOf(k, at)
	if !ok {
		return nil, noTube(req.GetId())
	}
	m := &stabilityv1.Explanation{Verdict: s.verdict(&ex.Judgement, event.OutlookUnknown), Answer: canAdd(tube, &material, &ex.Judgement)}
	for _, r := range ex.Rows {
		m.Rows = append(m.Rows, &stabilityv1.Row{
			From: stamp(r.From), To: stamp(r.To), Evidence: string(r.Evidence.Word()), Band: r.Band, LimitMs: r.LimitMs, UsedMs: r.UsedMs,
		})
	}
	for i := range ex.Others {
		o := &ex.Others[i]
		m.Others = append(m.Others, &stabilityv1.Other{Verdict: s.verdict(&o.Judgement, event.OutlookUnknown), Assumes: o.Assumes})
	}
	for i := range ex.Shares {
		m.Shares = append(m.Shares, shareMessage(&ex.Shares[i]))
	}
	return m, nil
}

// canRun answers whether the test can still be run, and until when.
func canRun(j *stability.Judgement) string {
	switch j.Verdict {
	case event.WithinLimits:
		if j.Due.Earliest != 0 {
			return "yes, until " + stamp(j.Due.Earliest) + " if it stays as it is"
		}
		return "yes, by what is known now"
	case event.Wait:
		return "yes, but not before " + stamp(j.WaitUntil)
	case event.PastLimit, event.WrongTube:
		return "no: " + Say(j)
	default:
		return "ask the laboratory: " + Say(j)
	}
}

// GetDraw gives a draw.
func (s *Server) GetDraw(_ context.Context, req *custodyv1.GetDrawRequest) (*custodyv1.Draw, error) {
	k, err := s.key("id", req.GetId(), event.KindDraw)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Draw
	s.Model.World(func(w *custody.World) {
		d, ok := w.Draw(k)
		if !ok {
			return
		}
		m = &custodyv1.Draw{
			Id: d.Key.Label(), StartedAt: stamp(d.Started.At), EndedAt: stamp(d.Ended.At), Mismatches: int64(len(d.Mismatches)), Sequence: d.Seq,
		}
		for _, t := range d.Tubes {
			m.Tubes = append(m.Tubes, t.Label())
		}
		switch {
		case d.Done.Is():
			m.Sample = "done"
		case d.Declined.Is():
			m.Sample = "declined"
		case len(d.Asked) > 0:
			m.Sample = "asked"
		}
	})
	if m == nil {
		return nil, notFound("no draw %s is known", clip(req.GetId()))
	}
	return m, nil
}

// AskSample asks for a new sample.
func (s *Server) AskSample(ctx context.Context, req *custodyv1.AskSampleRequest) (*custodyv1.ScanAnswer, error) {
	return s.step(ctx, intake.Scan{
		ID: req.GetScanId(), Step: "ask-sample", Label: req.GetId(), Kind: event.KindDraw, By: req.GetBy(), Reason: req.GetReason(),
		Tubes: req.GetTubes(), Tests: req.GetTests(),
	}, "id")
}

// DeclineSample answers that no new sample will be drawn.
func (s *Server) DeclineSample(ctx context.Context, req *custodyv1.DeclineSampleRequest) (*custodyv1.ScanAnswer, error) {
	return s.step(ctx, intake.Scan{
		ID: req.GetScanId(), Step: "decline-sample", Label: req.GetId(), Kind: event.KindDraw, By: req.GetBy(), Reason: req.GetReason(),
	}, "id")
}

// SampleDone names the draw that replaced the asked one.
func (s *Server) SampleDone(ctx context.Context, req *custodyv1.SampleDoneRequest) (*custodyv1.ScanAnswer, error) {
	return s.step(ctx, intake.Scan{
		ID: req.GetScanId(), Step: "sample-done", Label: req.GetId(), Kind: event.KindDraw, By: req.GetBy(), Draw: req.GetNewDraw(),
	}, "id")
}

// GetContents lists what a carrier holds.
func (s *Server) GetContents(_ context.Context, req *custodyv1.GetContentsRequest) (*custodyv1.Contents, error) {
	k, err := s.key("id", req.GetId(), event.KindCarrier)
	if err != nil {
		return nil, err
	}
	var m *custodyv1.Contents
	now := s.Model.Now()
	s.Model.World(func(w *custody.World) {
		c, ok := w.Carrier(k)
		inside := w.Contents(k, 0)
		if !ok && len(inside) == 0 {
			return
		}
		if !ok {
			c = &custody.Carrier{Key: k} // nobody scanned it itself; it is known by what went in
		}
		m = &custodyv1.Contents{Id: k.Label(), Holder: c.Holder, Place: c.Place, DepartedAt: stamp(c.Departed.At), To: c.To}
		m.DueAt = stamp(c.Due)
		for _, in := range inside {
			item := &custodyv1.Content{Kind: string(in.Kind), Id: in.Key.Label(), Direct: len(in.Via) == 0}
			for _, v := range in.Via {
				item.Through = append(item.Through, v.Label())
			}
			m.Contents = append(m.Contents, item)
		}
		m.Doubts = carrierDoubts(w, c, now)
		for i := range c.Timeline {
			m.Timeline = append(m.Timeline, stepMessage(&c.Timeline[i]))
		}
	})
	if m == nil {
		return nil, notFound("no carrier %s is known; declare it, or pack something into it", clip(req.GetId()))
	}
	if t, ok := s.Model.TripTemperature(k); ok {
		m.Temperature = summaryMessage(&t)
	}
	return m, nil
}
