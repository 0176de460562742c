package api

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"time"

	"google.golang.org/grpc"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// flagMessage gives a tube's flag as it is now.
func (s *Server) flagMessage(k event.Key, v *live.View) *stabilityv1.Flag {
	t := v.Tube
	m := &stabilityv1.Flag{
		Tube: k.Label(), Episode: v.Flag.Episode, Kind: string(v.Flag.Kind), Verdict: string(v.Flag.Verdict), Action: string(v.Flag.Action),
		Until: stamp(v.Flag.Until), Holder: t.Holder, Place: t.Place, Sequence: t.Seq, Draw: t.Draw.Label(), Since: stamp(t.Flag.Since),
		CauseKind: string(v.Flag.Cause.Kind), Cause: v.Flag.Cause.Name,
	}
	state, by := FlagStateOf(t, v.Now)
	m.State, m.By, m.At = state, by.By, stamp(by.At)
	if state == "aside" {
		m.AsideUntil = stamp(t.Flag.AsideUntil)
	}
	for _, c := range t.Carriers {
		m.Carriers = append(m.Carriers, c.Label())
	}
	for _, ft := range v.Flag.Tests {
		test := &stabilityv1.FlagTest{Assay: ft.Assay, Verdict: string(ft.Verdict), Outlook: string(ft.Outlook), Direction: string(ft.Direction)}
		for _, r := range ft.Reasons {
			test.Reasons = append(test.Reasons, string(r))
		}
		for i := range v.Tests {
			if j := &v.Tests[i].Judgement; j.Assay == ft.Assay {
				test.Rule, test.UsedMs, test.LimitMs, test.Name = ruleText(j.Rule), j.UsedMs, j.LimitMs, v.Tests[i].Name.Name
			}
		}
		m.Tests = append(m.Tests, test)
	}
	m.Say = actionWords[v.Flag.Action]
	return m
}

// FlagStateOf says what people did about the open flag: the step that counts, who and when.
func FlagStateOf(t *custody.Tube, now event.Instant) (state string, by custody.Mark) {
	f := &t.Flag
	switch {
	case !f.Open:
		return "open", custody.Mark{}
	case f.Overridden.Is():
		return "overridden", f.Overridden
	case f.AsideUntil > now:
		return "aside", f.PutAside
	case len(f.Acted) > 0:
		return "acted", f.Acted[len(f.Acted)-1]
	case f.Taken.Is():
		return "taken", f.Taken
	default:
		return "open", custody.Mark{}
	}
}

// actionWords are the actions in plain words.
var actionWords = map[event.Action]string{
	event.UseOtherTube:    "use another tube of the same draw",
	event.RunNow:          "run it now",
	event.LoadNow:         "load it now",
	event.MoveTemperature: "move it into the right temperature",
	event.Hurry:           "hurry it",
	event.LookAtTube:      "look at the tube",
	event.SpinButHold:     "spin it, but hold the tests that are lost",
	event.AskLaboratory:   "ask the laboratory",
	event.AskNewSample:    "ask for a new sample",
}

// ListFlags gives the flags that are up, worst first.
func (s *Server) ListFlags(ctx context.Context, req *stabilityv1.ListFlagsRequest) (*stabilityv1.ListFlagsResponse, error) {
	s.settle(ctx, 0)
	resp := &stabilityv1.ListFlagsResponse{Sequence: s.Model.At().Custody}
	for _, k := range s.Model.Flagged() {
		if m := s.flagAt(k, req.GetPlace()); m != nil && (req.GetState() == "" || m.State == req.GetState()) {
			resp.Flags = append(resp.Flags, m)
		}
	}
	slices.SortStableFunc(resp.Flags, func(a, b *stabilityv1.Flag) int {
		return cmp.Or(rank(a.GetVerdict())-rank(b.GetVerdict()), cmp.Compare(a.GetUntil(), b.GetUntil()), cmp.Compare(a.GetTube(), b.GetTube()))
	})
	return resp, nil
}

func rank(verdict string) int { return slices.Index(event.Verdicts(), event.Verdict(verdict)) }

// flagAt gives the flag of a tube that concerns a place, nil for none.
func (s *Server) flagAt(k event.Key, place string) *stabilityv1.Flag {
	v, ok := s.Model.Judged(k)
	if !ok || !v.Flagged {
		return nil
	}
	if place != "" {
		name := event.Spelled(place)
		if v.Tube.Place != name && v.Tube.Destination != name && v.Tube.Holder != name {
			return nil
		}
	}
	return s.flagMessage(k, &v)
}

// beatEvery is how often a watcher hears that the connection lives.
const beatEvery = 10 * time.Second

// WatchFlags gives the flags that are up and then every change.
func (s *Server) WatchFlags(req *stabilityv1.WatchFlagsRequest, stream grpc.ServerStreamingServer[stabilityv1.FlagChange]) error {
	ctx := stream.Context()
	w := s.Model.Watch()
	defer w.Stop()
	seq := s.Model.At().Custody
	if after := req.GetAfter(); after != 0 && after != seq {
		// What came and went in between is not replayed, and a log that is shorter than
		// the caller remembers is another log: what the caller holds must go.
		if err := stream.Send(&stabilityv1.FlagChange{Sequence: seq, Change: "reset"}); err != nil {
			return err
		}
	}
	for _, k := range s.Model.Flagged() {
		if m := s.flagAt(k, req.GetPlace()); m != nil {
			if err := stream.Send(&stabilityv1.FlagChange{Sequence: seq, Change: "up", Flag: m}); err != nil {
				return err
			}
		}
	}
	if err := stream.Send(&stabilityv1.FlagChange{Sequence: seq, Change: "beat"}); err != nil {
		return err
	}
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-beat.C:
			if err := stream.Send(&stabilityv1.FlagChange{Sequence: s.Model.At().Custody, Change: "beat"}); err != nil {
				return err
			}
		case c, ok := <-w.C:
			if !ok {
				return stream.Send(&stabilityv1.FlagChange{Sequence: s.Model.At().Custody, Change: "reset"})
			}
			if err := s.sendChange(stream, c, req.GetPlace()); err != nil {
				return err
			}
		}
	}
}

func (s *Server) sendChange(stream grpc.ServerStreamingServer[stabilityv1.FlagChange], c live.Change, place string) error {
	change := ""
	for _, f := range c.Facts {
		switch f := f.(type) {
		case event.FlagRaised:
			change = "up"
		case event.FlagChanged, event.FlagTaken, event.FlagOverridden, event.FlagActed, event.FlagPutAside:
			change = "changed"
		case event.FlagCleared:
			return stream.Send(&stabilityv1.FlagChange{
				Sequence: c.Seq, Change: "down", Flag: &stabilityv1.Flag{Tube: c.Target.Key.Label(), Episode: f.Episode, Sequence: c.Seq},
			})
		}
	}
	if change == "" {
		return nil
	}
	m := s.flagAt(c.Target.Key, place)
	if m == nil {
		return nil
	}
	return stream.Send(&stabilityv1.FlagChange{Sequence: c.Seq, Change: change, Flag: m})
}

// flagStep records an answer to a flag.
func (s *Server) flagStep(ctx context.Context, tube string, episode int64, scan intake.Scan) (*stabilityv1.FlagAnswer, error) {
	if episode != 0 {
		scan.Details["episode"] = strconv.FormatInt(episode, 10)
	}
	scan.Label, scan.Kind = tube, event.KindTube
	a, err := s.step(ctx, scan, "tube")
	if err != nil {
		return nil, err
	}
	return &stabilityv1.FlagAnswer{Answer: a.GetAnswer(), Refusal: a.GetRefusal(), Say: a.GetSay(), Flag: a.GetTube().GetFlag()}, nil
}

// TakeFlag says who looks after a flag.
func (s *Server) TakeFlag(ctx context.Context, req *stabilityv1.TakeFlagRequest) (*stabilityv1.FlagAnswer, error) {
	return s.flagStep(ctx, req.GetTube(), req.GetEpisode(), intake.Scan{ID: req.GetId(), Step: "take-flag", By: req.GetBy(), Details: map[string]string{}})
}

// OverrideFlag lets a tube pass.
func (s *Server) OverrideFlag(ctx context.Context, req *stabilityv1.OverrideFlagRequest) (*stabilityv1.FlagAnswer, error) {
	return s.flagStep(ctx, req.GetTube(), req.GetEpisode(), intake.Scan{
		ID: req.GetId(), Step: "override", By: req.GetBy(), Reason: req.GetReason(), Details: map[string]string{},
	})
}

// ActFlag says what was done.
func (s *Server) ActFlag(ctx context.Context, req *stabilityv1.ActFlagRequest) (*stabilityv1.FlagAnswer, error) {
	return s.flagStep(ctx, req.GetTube(), req.GetEpisode(), intake.Scan{
		ID: req.GetId(), Step: "act-flag", By: req.GetBy(), Details: map[string]string{"action": req.GetAction()},
	})
}

// PutAsideFlag hides a flag for a while.
func (s *Server) PutAsideFlag(ctx context.Context, req *stabilityv1.PutAsideFlagRequest) (*stabilityv1.FlagAnswer, error) {
	return s.flagStep(ctx, req.GetTube(), req.GetEpisode(), intake.Scan{
		ID: req.GetId(), Step: "put-aside", By: req.GetBy(), Reason: req.GetReason(), Details: map[string]string{"until": req.GetUntil()},
	})
}
