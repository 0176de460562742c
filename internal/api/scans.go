package api

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"sync"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/intake"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// RecordScans decides a batch. Scans of one label are decided in order; scans of
// different labels side by side, so that a batch shares its flushes.
func (s *Server) RecordScans(ctx context.Context, req *custodyv1.RecordScansRequest) (*custodyv1.RecordScansResponse, error) {
	var bad []violation
	scans := make([]intake.Scan, len(req.GetScans()))
	for i, m := range req.GetScans() {
		path := "scans[" + strconv.Itoa(i) + "]."
		if signed := m.GetAttested(); signed != nil {
			var vs []violation
			if m, vs = s.attested(signed, path); len(vs) > 0 {
				bad = append(bad, vs...)
				continue
			}
		}
		scan, vs := scanOf(m, path)
		scans[i], bad = scan, append(bad, vs...)
	}
	if len(bad) > 0 {
		return nil, violations(bad...)
	}
	answers := make([]intake.Answer, len(scans))
	errs := make([]error, len(scans))
	var wg sync.WaitGroup
	for _, lane := range lanes(scans) {
		wg.Go(func() {
			for _, i := range lane {
				if say := s.mayCarry(ctx, req.GetScans()[i].GetAttested(), &scans[i]); say != "" {
					answers[i] = intake.Answer{ID: scans[i].ID, Answer: event.AnswerRefused, Refusal: event.RefuseNotAllowed, Say: say}
					continue
				}
				answers[i], errs[i] = s.Desk.Record(ctx, scans[i])
			}
		})
	}
	wg.Wait()
	for i, err := range errs {
		bad = append(bad, fieldOf(err, "scans["+strconv.Itoa(i)+"].")...)
	}
	if len(bad) > 0 && len(bad) >= len(scans) {
		return nil, violations(bad...)
	}
	resp, saved := &custodyv1.RecordScansResponse{}, false
	var last uint64
	for i := range answers {
		if errs[i] != nil {
			answers[i] = intake.Answer{ID: scans[i].ID, Answer: event.AnswerNotSaved, Say: errs[i].Error()}
		}
		saved = saved || answers[i].Answer != event.AnswerNotSaved
		last = max(last, answers[i].Seq)
	}
	if !saved && len(answers) > 0 {
		return nil, notSaved(answers[0].Say)
	}
	var tubes []event.Key
	for i := range answers {
		if answers[i].Target.Kind == event.KindTube {
			tubes = append(tubes, answers[i].Target.Key)
		}
	}
	judged := s.settle(ctx, last, tubes...)
	for i := range answers {
		m := s.answer(&answers[i], judged)
		m.Identities = s.mismatched(ctx, &answers[i])
		resp.Answers = append(resp.Answers, m)
	}
	return resp, nil
}

// lanes groups the positions of scans that must keep their order: those of one
// device's draw, label or nothing named share a lane.
func lanes(scans []intake.Scan) [][]int {
	by := map[string]int{}
	var out [][]int
	for i, s := range scans {
		// A wristband opens the draw that the next scans of its device belong to, and
		// a tube's box must be known before the box moves: a device's scans stay in order.
		lane := "device " + s.Device
		if s.Device == "" {
			lane = "one"
		}
		n, ok := by[lane]
		if !ok {
			n = len(out)
			by[lane] = n
			out = append(out, nil)
		}
		out[n] = append(out[n], i)
	}
	return out
}

func fieldOf(err error, path string) []violation {
	if f, ok := err.(*intake.FieldError); ok { //nolint:errorlint // intake returns it unwrapped
		name := f.Field
		if name == "label" {
			name = "label.text"
		}
		return []violation{{path + name, f.Say}}
	}
	if err != nil {
		return []violation{{strings.TrimSuffix(path, "."), err.Error()}}
	}
	return nil
}

// scanOf gives the scan of a message whose fields have been checked.
func scanOf(m *custodyv1.Scan, path string) (intake.Scan, []violation) {
	at, err := parseInstant(m.GetOccurredAt())
	if err != nil {
		return intake.Scan{}, []violation{{path + "occurredAt", err.Error()}}
	}
	_, offset := at.Zone()
	s := intake.Scan{
		ID: m.GetId(), Step: m.GetStep(), DeviceTime: event.At(at), ZoneOffsetMin: int32(offset / 60), //nolint:gosec // an offset is under a day
		Device: m.GetDevice(), DeviceSeq: m.GetDeviceSeq(), Place: m.GetPlace(), By: m.GetBy(), From: m.GetFrom(), To: m.GetTo(),
		With: m.GetWith(), OnBehalf: m.GetOnBehalfOf(), Carrier: m.GetCarrier(), Draw: m.GetDraw(), Patient: m.GetPatient(),
		Request: m.GetRequest(), Type: m.GetType(), Parent: m.GetParent(), Reason: m.GetReason(), TypedAt: m.GetTypedAt(),
		App: m.GetApp(), Ward: m.GetWard(), Row: m.GetRow(), Tests: m.GetTests(), Details: m.GetDetails(), Mode: event.Mode(m.GetMode()), How: m.GetHow(),
		Label: m.GetLabel().GetText(), Raw: m.GetLabel().GetRaw(), Symbology: m.GetLabel().GetSymbology(),
	}
	if s.Details == nil {
		s.Details = map[string]string{}
	}
	if note := s.Details["note"]; note != "" {
		s.Note = note
		delete(s.Details, "note")
	}
	if s.How == "" {
		s.How = m.GetLabel().GetHow()
	}
	if c := m.GetClock(); c != nil {
		s.HasClock = true
		s.OffsetMs, s.UncertaintyMs, s.MonotonicMs, s.BootID = c.GetOffsetMs(), c.GetUncertaintyMs(), c.GetMonotonicMs(), c.GetBootId()
	}
	return s, nil
}

// answer adds to what intake said the judged state of the tube, or "pending".
func (s *Server) answer(a *intake.Answer, judged bool) *custodyv1.ScanAnswer {
	m := &custodyv1.ScanAnswer{
		Id: a.ID, Answer: string(a.Answer), Refusal: string(a.Refusal), Say: a.Say, Sequence: a.Seq,
		Kind: string(a.Target.Kind), Key: a.Target.Key.Label(),
	}
	if a.At != 0 {
		m.Say += " (" + stamp(a.At) + ")"
	}
	if a.Target.Kind != event.KindTube || a.Target.Key == "" {
		return m
	}
	m.State = "pending"
	if v, ok := s.Model.View(a.Target.Key); ok {
		if judged {
			m.State = "judged"
			m.Tube = s.tubeMessage(a.Target.Key, &v, false)
		}
		m.Doubts = doubtMessages(&v)
	}
	return m
}

// VoidFact takes a step back.
func (s *Server) VoidFact(ctx context.Context, req *custodyv1.VoidFactRequest) (*custodyv1.ScanAnswer, error) {
	return s.step(ctx, intake.Scan{
		ID: req.GetScanId(), Step: "void", Label: req.GetKey(), Kind: event.Kind(req.GetKind()), By: req.GetBy(), Reason: req.GetReason(),
		Details: map[string]string{"scan": req.GetId()},
	}, "key")
}

// ExplainDoubt closes a doubt.
func (s *Server) ExplainDoubt(ctx context.Context, req *custodyv1.ExplainDoubtRequest) (*custodyv1.ScanAnswer, error) {
	target, ok := s.Model.DoubtTarget(req.GetId())
	if !ok {
		return nil, notFound("there is no open doubt %s", req.GetId())
	}
	return s.step(ctx, intake.Scan{
		ID: req.GetScanId(), Step: "explain", Label: target.Key.Label(), Kind: target.Kind, By: req.GetBy(), Reason: req.GetReason(),
		Details: map[string]string{"doubt": req.GetId()},
	}, "id")
}

// step records what a form asked for, at our own clock. named is the request's
// field that the step's label comes from.
func (s *Server) step(ctx context.Context, scan intake.Scan, named string) (*custodyv1.ScanAnswer, error) {
	if scan.ID == "" {
		scan.ID = newID()
	}
	if scan.Details == nil {
		scan.Details = map[string]string{}
	}
	scan.DeviceTime, scan.Mode = s.Clock.Now(), event.Live
	a, err := s.Desk.Record(ctx, scan)
	if err != nil {
		return nil, logError(formField(err, named))
	}
	if a.Answer == event.AnswerNotSaved {
		return nil, notSaved(a.Say)
	}
	return s.answer(&a, s.settle(ctx, a.Seq, a.Target.Key)), nil
}

// formField gives an error the field's name in the form instead of the scan's.
func formField(err error, named string) error {
	var field *intake.FieldError
	if !errors.As(err, &field) {
		return err
	}
	name := strings.TrimPrefix(field.Field, "details.")
	switch name {
	case "label":
		name = named
	case "scan", "doubt":
		name = "id"
	case "draw", "new-draw":
		name = "newDraw"
	}
	return &intake.FieldError{Field: name, Say: field.Say}
}

// newID is a UUIDv7 (RFC 9562), for callers that bring no id of their own.
func newID() string {
	id, err := uuid.NewV7()
	if err != nil {
		return uuid.NewString()
	}
	return id.String()
}

// CountFacts counts the steps that hold a fact.
func (s *Server) CountFacts(_ context.Context, req *custodyv1.CountFactsRequest) (*custodyv1.CountFactsResponse, error) {
	resp := &custodyv1.CountFactsResponse{}
	s.Model.World(func(w *custody.World) { resp.Count = int64(w.Count(req.GetFact())) })
	return resp, nil
}

// SetClock moves a steered clock.
func (s *Server) SetClock(ctx context.Context, req *custodyv1.SetClockRequest) (*custodyv1.SetClockResponse, error) {
	if s.Clock.Set == nil {
		return nil, status.Error(codes.FailedPrecondition, "this daemon's clock is the wall clock; start it with --clock steered")
	}
	at, err := parseInstant(req.GetNow())
	if err != nil {
		return nil, violations(violation{"now", err.Error()})
	}
	if err := s.Clock.Set(event.At(at)); err != nil {
		return nil, violations(violation{"now", err.Error()})
	}
	s.Model.Poke()
	_ = s.Model.Settled(ctx, eventlog.Position{}) // ends with ctx
	return &custodyv1.SetClockResponse{Now: stamp(s.Clock.Now())}, nil
}

// stamp is an instant as the API writes it; empty for none.
func stamp(i event.Instant) string {
	if i == 0 {
		return ""
	}
	return i.String()
}
