package rehearse_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// eight is 2026-11-24 08:00 UTC; all times here are invented.
var eight = event.At(time.Date(2026, time.November, 24, 8, 0, 0, 0, time.UTC))

func TestScanInTheWordsOfTheAPI(t *testing.T) {
	base := story.Scan{ID: "x-1", Occurred: eight, DeviceTime: eight.Add(5 * time.Hour), OffsetMs: 18_000_000, Device: "H-07", DeviceSeq: 3, By: "mira", Place: "WARD-N", Mode: event.Reported}
	of := func(change func(*story.Scan)) story.Scan {
		s := base
		s.Details = map[string]string{}
		change(&s)
		return s
	}
	wire := func(change func(*custodyv1.Scan)) *custodyv1.Scan {
		w := &custodyv1.Scan{
			Id: "x-1", OccurredAt: "2026-11-24T13:00:00.000Z", Clock: &custodyv1.Clock{OffsetMs: 18_000_000}, Device: "H-07", DeviceSeq: 3,
			By: "mira", Place: "WARD-N", Mode: "reported",
		}
		change(w)
		return w
	}
	label := func(text string) *custodyv1.Label { return &custodyv1.Label{Text: text} }
	for _, c := range []struct {
		name string
		scan story.Scan
		want *custodyv1.Scan
	}{
		{"a device's clock and its error", of(func(s *story.Scan) { s.Step, s.Label, s.Kind = "see", "TB1", event.KindTube }),
			wire(func(w *custodyv1.Scan) { w.Step, w.Label = "see", label("TB1") })},
		{"without a device there is no clock to measure", of(func(s *story.Scan) { s.Step, s.Label, s.Device, s.DeviceSeq, s.DeviceTime = "see", "TB1", "", 0, eight }),
			wire(func(w *custodyv1.Scan) {
				w.Step, w.Label, w.Clock, w.Device, w.DeviceSeq, w.OccurredAt = "see", label("TB1"), nil, "", 0, "2026-11-24T08:00:00.000Z"
			})},
		{"a wristband has no label", of(func(s *story.Scan) { s.Step, s.Patient, s.Kind = "wristband", "P-7001", event.KindDraw }),
			wire(func(w *custodyv1.Scan) { w.Step, w.Patient = "wristband", "P-7001" })},
		{"a draw is named, not scanned", of(func(s *story.Scan) {
			s.Step, s.Label, s.Kind = "end-draw", "D-1", event.KindDraw
			s.Details["adverse"] = "fainted"
		}),
			wire(func(w *custodyv1.Scan) {
				w.Step, w.Draw, w.Details = "end-draw", "D-1", map[string]string{"adverse-event": "fainted"}
			})},
		{"the new number is scanned", of(func(s *story.Scan) {
			s.Step, s.Label, s.Kind = "relabel", "TB1", event.KindTube
			s.Details["as"] = "TB2"
		}),
			wire(func(w *custodyv1.Scan) { w.Step, w.Label, w.Parent = "relabel", label("TB2"), "TB1" })},
		{"a tube without a label", of(func(s *story.Scan) { s.Step, s.Kind = "receive", event.KindTube; s.Details["as"] = "TMP-1" }),
			wire(func(w *custodyv1.Scan) {
				w.Step, w.Label, w.Details = "receive", label("TMP-1"), map[string]string{"as": "TMP-1"}
			})},
		{"a logger on a box", of(func(s *story.Scan) {
			s.Step, s.Label, s.Kind = "attach", "LG-1", event.KindLogger
			s.Details["in"], s.Details["in-kind"] = "B-3", "carrier"
		}), wire(func(w *custodyv1.Scan) { w.Step, w.Label, w.Carrier = "attach", label("LG-1"), "B-3" })},
		{"a logger in a room", of(func(s *story.Scan) {
			s.Step, s.Label, s.Kind = "attach", "LG-1", event.KindLogger
			s.Details["in"], s.Details["in-kind"] = "LAB", "place"
		}), wire(func(w *custodyv1.Scan) {
			w.Step, w.Label, w.Details = "attach", label("LG-1"), map[string]string{"place": "LAB"}
		})},
		{"put away", of(func(s *story.Scan) {
			s.Step, s.Label, s.Kind = "store", "TB1", event.KindTube
			s.Details["in"], s.Details["in-kind"] = "FRIDGE", "place"
		}), wire(func(w *custodyv1.Scan) {
			w.Step, w.Label, w.Details = "store", label("TB1"), map[string]string{"store": "FRIDGE"}
		})},
		{"a note beside a reason", of(func(s *story.Scan) { s.Step, s.Label, s.Reason, s.Note = "discard", "TB1", "leak", "wet bag" }),
			wire(func(w *custodyv1.Scan) {
				w.Step, w.Label, w.Reason, w.Details = "discard", label("TB1"), "leak", map[string]string{"note": "wet bag"}
			})},
		{"what a reader sent", of(func(s *story.Scan) {
			s.Step, s.Label, s.Raw, s.Kind = "read-label", "\x1dTB1", true, event.KindTube
			s.Details["symbology"] = "]d2"
		}), wire(func(w *custodyv1.Scan) {
			w.Step, w.Label = "see", &custodyv1.Label{Raw: []byte("\x1dTB1"), Symbology: "]d2"}
		})},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := rehearse.Wire(c.scan)
			if len(got.Details) == 0 {
				got.Details = nil
			}
			if !proto.Equal(got, c.want) {
				t.Errorf("got  %v\nwant %v", got, c.want)
			}
		})
	}
}

func TestScanAnswers(t *testing.T) {
	f, conn := newFake(t)
	b := rehearse.New(conn)
	scan := story.Scan{ID: "x-1", Step: "see", Label: "TB1", Kind: event.KindTube, Occurred: eight, DeviceTime: eight, Mode: event.Live}

	f.reply("RecordScans", &custodyv1.RecordScansResponse{Answers: []*custodyv1.ScanAnswer{{Answer: "refused", Refusal: "disposed", Say: "it was discarded", State: "judged"}}})
	if a, err := b.Scan(scan); err != nil || a.Answer != event.AnswerRefused || a.Refusal != event.RefuseDisposed || a.Text != "it was discarded" {
		t.Errorf("refused: %+v, %v", a, err)
	}
	f.will("RecordScans", func() (proto.Message, error) { return nil, status.Error(codes.Unavailable, "the store is full") })
	if a, err := b.Scan(scan); err != nil || a.Answer != event.AnswerNotSaved || a.Text != "the store is full" {
		t.Errorf("a server that can't save is an answer: %+v, %v", a, err)
	}
	f.will("RecordScans", func() (proto.Message, error) {
		st, err := status.New(codes.InvalidArgument, "the scan can't be read").WithDetails(&errdetails.BadRequest{
			FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "scans[0].type", Description: "no such tube type"}},
		})
		if err != nil {
			return nil, err
		}
		return nil, st.Err()
	})
	if _, err := b.Scan(scan); err == nil || !strings.Contains(err.Error(), "scans[0].type: no such tube type") || status.Code(err) != codes.InvalidArgument {
		t.Errorf("a scan that can't be read ends the story with its field: %v", err)
	}
}

// A pending answer is waited for until the tube, or for other things the list of
// flags, has reached its place in the log.
func TestPendingIsWaitedFor(t *testing.T) {
	f, conn := newFake(t)
	b := rehearse.New(conn)
	asked := 0
	f.will("GetTube", func() (proto.Message, error) {
		asked++
		return &custodyv1.Tube{Id: "TB1", Sequence: uint64(6 + asked)}, nil
	})
	f.reply("RecordScans", &custodyv1.RecordScansResponse{Answers: []*custodyv1.ScanAnswer{{Answer: "recorded", Sequence: 9, State: "pending", Tube: &custodyv1.Tube{Id: "TB1"}}}})
	if _, err := b.Scan(story.Scan{Step: "see", Label: "TB1", Kind: event.KindTube}); err != nil || asked != 3 {
		t.Errorf("tube: asked %d times, want 3; %v", asked, err)
	}
	listed := 0
	f.will("ListFlags", func() (proto.Message, error) {
		listed++
		return &stabilityv1.ListFlagsResponse{Sequence: uint64(7 + listed)}, nil
	})
	f.reply("RecordScans", &custodyv1.RecordScansResponse{Answers: []*custodyv1.ScanAnswer{{Answer: "recorded", Sequence: 9}}})
	if _, err := b.Scan(story.Scan{Step: "take", Label: "B-3", Kind: event.KindCarrier}); err != nil || listed != 2 {
		t.Errorf("carrier: asked %d times, want 2; %v", listed, err)
	}
}

func TestRequestsGoTheirOwnWay(t *testing.T) {
	f, conn := newFake(t)
	f.reply("AddTest", &custodyv1.Request{})
	b := rehearse.New(conn)
	if err := b.Clock(eight); err != nil {
		t.Fatal(err)
	}
	place := story.Scan{
		ID: "x-1", Step: "place-request", Label: "R-1", Kind: event.KindRequest, Patient: "P-1", Tests: []string{"K", "GLU"}, Type: "LIHEP-GEL,EDTA", By: "mira",
		Details: map[string]string{"tube": "TB1,TB2,TB3", "condition": "transfused=no", "irreplaceable": "yes"},
	}
	if a, err := b.Scan(place); err != nil || a.Answer != event.AnswerRecorded {
		t.Fatalf("%+v, %v", a, err)
	}
	got := last[*custodyv1.PlaceRequestRequest](t, f)
	want := &custodyv1.PlaceRequestRequest{
		Id: "R-1", Patient: "P-1", Tests: []string{"K", "GLU"}, Conditions: []string{"transfused=no"}, Irreplaceable: true, By: "mira",
		OccurredAt: "2026-11-24T08:00:00.000Z", ScanId: "x-1", Tubes: []*custodyv1.AssignedTube{
			{Tube: "TB1", Type: "LIHEP-GEL", Tests: []string{"K", "GLU"}}, {Tube: "TB2", Type: "EDTA", Tests: []string{"K", "GLU"}}, {Tube: "TB3", Type: "EDTA", Tests: []string{"K", "GLU"}},
		},
	}
	if !proto.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if _, err := b.Scan(story.Scan{ID: "x-2", Step: "add-test", Label: "R-1", Kind: event.KindRequest, Tests: []string{"CRP", "LDH"}, Occurred: eight}); err != nil {
		t.Fatal(err)
	}
	if add := last[*custodyv1.ChangeTestRequest](t, f); add.Test != "LDH" || add.ScanId != "x-2-2" {
		t.Errorf("the second of two tests is a scan of its own: %v", add)
	}
}

func TestDeclare(t *testing.T) {
	f, conn := newFake(t)
	b := rehearse.New(conn)
	if err := b.Clock(eight); err != nil {
		t.Fatal(err)
	}
	declare := func(d story.Declared) {
		t.Helper()
		if err := b.Declare(d); err != nil {
			t.Fatalf("%+v: %v", d, err)
		}
	}
	declare(story.Place{ID: "FRIDGE", Kind: "store", Zone: "Europe/Berlin", Assumed: event.Range{Low: -50, High: 805, Known: true}, BenchSpin: 20 * time.Minute})
	if p := last[*custodyv1.Place](t, f); p.Assumed.Low != "-0.5" || p.Assumed.High != "8.05" || p.BenchSpinMinutes != 20 || p.Review != "" {
		t.Errorf("place: %v", p)
	}
	declare(story.Place{ID: "VAN", Kind: "vehicle"})
	if p := last[*custodyv1.Place](t, f); p.Assumed != nil {
		t.Errorf("a place without a range says none: %v", p)
	}
	declare(story.Logger{ID: "LG-1", Every: 5 * time.Minute, Hold: -1, In: "B-3", InKind: event.KindCarrier})
	if l := last[*custodyv1.Logger](t, f); l.HoldSeconds != nil || l.EverySeconds != 300 || l.OccurredAt != "2026-11-24T08:00:00.000Z" {
		t.Errorf("logger: %v", l)
	}
	declare(story.Logger{ID: "LG-2", Every: time.Minute, Hold: 0})
	if l := last[*custodyv1.Logger](t, f); l.HoldSeconds == nil || *l.HoldSeconds != 0 {
		t.Errorf("a hold of nothing is not the default: %v", l)
	}
	declare(story.Request{ID: "R-1", Tests: []string{"K"}})
	if r := last[*custodyv1.PlaceRequestRequest](t, f); r.Patient != "OF-R-1" {
		t.Errorf("a request of no named patient has one of its own: %v", r)
	}
	declare(story.Tube{ID: "TB1", Type: "EDTA", Patient: "P-1", Tests: []string{"CBC"}})
	if s := last[*custodyv1.RecordScansRequest](t, f).Scans[0]; s.Step != "prepare" || s.Label.Text != "TB1" || s.Type != "EDTA" || s.Patient != "P-1" {
		t.Errorf("tube: %v", s)
	}
	declare(story.Tube{ID: "TB2", Type: "CSF", Irreplaceable: true})
	if r := last[*custodyv1.PlaceRequestRequest](t, f); r.Id != "OF-TB2" || !r.Irreplaceable || r.Tubes[0].Tube != "TB2" {
		t.Errorf("an irreplaceable tube: %v", r)
	}
	declare(story.Scheme{ID: "TB", Names: "tube", Pattern: "TB######"})
	declare(story.Scheme{ID: "DT", Names: "tube", Pattern: "DT-###", Ward: true, Reuse: 48 * time.Hour})
	if m := last[*custodyv1.NumberSchemes](t, f); len(m.Schemes) != 2 || m.Schemes[0].Id != "TB" || !m.Schemes[1].Ward || m.Schemes[1].ReuseHours != 48 {
		t.Errorf("schemes are declared together: %v", m)
	}
}

func TestReadingsAreSentAsTheyAre(t *testing.T) {
	f, conn := newFake(t)
	b := rehearse.New(conn)
	if err := b.Readings("LG-1", []event.Reading{{At: eight, C: 0, OK: true}, {At: eight + 1, Raw: "fault"}}, false); err != nil {
		t.Fatal(err)
	}
	run := last[*custodyv1.RecordReadingsRequest](t, f).Runs[0]
	if r := run.Readings; r[0].Celsius == nil || *r[0].Celsius != "0" || r[1].Celsius != nil || r[1].At != "2026-11-24T08:00:00.001Z" {
		t.Errorf("nought is a temperature and a fault is none: %v", run)
	}
}

func TestTubeIsRead(t *testing.T) {
	f, conn := newFake(t)
	b := rehearse.New(conn)
	if err := b.Clock(eight); err != nil {
		t.Fatal(err)
	}
	if v, err := b.Tube("TB9", eight); err != nil || v.Known {
		t.Errorf("a tube nobody knows: %+v, %v", v, err)
	}
	f.reply("GetTube", &custodyv1.Tube{
		Id: "TB1", Holder: "oskar", Place: "VAN", Rack: "spin-hold", CollectedEarliest: "2026-11-24T08:00:00Z", Facts: map[string]int64{"Collected": 1},
		Doubts: []*custodyv1.Doubt{{Doubt: "late", Open: true}, {Doubt: "missing"}},
		Verdicts: []*stabilityv1.Verdict{
			{Assay: "K", Verdict: "within-limits", Outlook: "in-time", UsedMs: 5_700_000, LimitMs: 14_400_000, MeasuredMs: 5_700_000, DueEarliest: "2026-11-24T12:00:00Z"},
			{Assay: "GLU", Verdict: "past-limit", Outlook: "in-time", Reasons: []string{"heat", "time"}},
		},
		Flag: &stabilityv1.Flag{Kind: "before", Action: "spin-but-hold", Tests: []*stabilityv1.FlagTest{{Reasons: []string{"heat"}}, {Reasons: []string{"time", "heat"}}}},
		Timeline: []*custodyv1.Step{
			{By: "mira", Facts: []string{"Collected"}}, {By: "lena", Facts: []string{"TakenOver"}, Voided: true}, {By: "oskar", Facts: []string{"TakenOver"}, ByCarrier: "B-3"},
		},
	})
	v, err := b.Tube("TB1", eight)
	if err != nil {
		t.Fatal(err)
	}
	if v.Verdict != event.PastLimit || v.Holder != "oskar" || v.From != "mira" || v.Link != "by-box" || v.Facts["Collected"] != 1 {
		t.Errorf("%+v", v)
	}
	if !slices.Equal(v.Doubts, []event.Doubt{event.DoubtLate}) {
		t.Errorf("only open doubts count: %v", v.Doubts)
	}
	if !slices.Equal(v.Flag.Reasons, []event.Reason{event.ReasonTime, event.ReasonHeat}) {
		t.Errorf("reasons of all tests, in their order: %v", v.Flag.Reasons)
	}
	if !slices.Equal(v.Rack.Tests, []string{"GLU"}) {
		t.Errorf("the tests to hold: %v", v.Rack.Tests)
	}
	k := v.Tests[0]
	if k.Since != eight || k.Until != eight.Add(4*time.Hour) || k.ByMs[event.EvidenceMeasured] != 5_700_000 {
		t.Errorf("%+v", k)
	}
	if req := last[*custodyv1.GetTubeRequest](t, f); req.AsOf != "" {
		t.Errorf("as of is asked for another instant than the clock's only: %v", req)
	}
	if _, err := b.Tube("TB1", eight-60_000); err != nil {
		t.Fatal(err)
	}
	if req := last[*custodyv1.GetTubeRequest](t, f); req.AsOf != "2026-11-24T07:59:00.000Z" {
		t.Errorf("as of: %v", req)
	}
}

func TestRestartSetsTheClockAgain(t *testing.T) {
	_, conn := newFake(t)
	if err := rehearse.New(conn).Restart(); err == nil {
		t.Error("a restart that nobody can do is no error")
	}
	again, other := newFake(t)
	b := rehearse.New(conn, rehearse.WithRestart(func(context.Context) (grpc.ClientConnInterface, error) { return other, nil }))
	if err := errors.Join(b.Clock(eight), b.Restart()); err != nil {
		t.Fatal(err)
	}
	if req := last[*custodyv1.SetClockRequest](t, again); req.Now != eight.String() {
		t.Errorf("clock after the restart: %v", req)
	}
}

func TestAClockThatCannotBeSet(t *testing.T) {
	f, conn := newFake(t)
	f.will("SetClock", func() (proto.Message, error) { return nil, status.Error(codes.FailedPrecondition, "wall clock") })
	if err := rehearse.New(conn).Clock(eight); err == nil || !strings.Contains(err.Error(), "--clock steered") {
		t.Errorf("%v", err)
	}
}
