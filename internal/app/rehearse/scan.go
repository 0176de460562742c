package rehearse

import (
	"context"
	"fmt"
	"maps"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// judged is the state of an answer whose consequences are all worked out.
const judged = "judged"

// Scan sends one scan and waits until what it changed is judged. A server that
// can't save is an answer, as it would be for a phone; a scan that the API can't
// read is an error.
func (b *Bench) Scan(s story.Scan) (story.Answer, error) {
	if s.Kind == event.KindRequest {
		return b.order(s)
	}
	resp, err := call(b, b.scans.RecordScans, &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{Wire(s)}})
	if status.Code(err) == codes.Unavailable {
		return story.Answer{Answer: event.AnswerNotSaved, Text: status.Convert(err).Message()}, nil
	}
	if err != nil {
		return story.Answer{}, Plain(err)
	}
	if len(resp.Answers) != 1 {
		return story.Answer{}, fmt.Errorf("one scan was sent and %d answers came back", len(resp.Answers))
	}
	a := resp.Answers[0]
	if err := b.settle(s, a); err != nil {
		return story.Answer{}, err
	}
	return story.Answer{Answer: event.Answer(a.Answer), Refusal: event.Refusal(a.Refusal), Text: a.Say}, nil
}

// Wire says a story's scan in the API's words.
func Wire(s story.Scan) *custodyv1.Scan {
	w := &custodyv1.Scan{
		Id: s.ID, Step: s.Step, OccurredAt: s.DeviceTime.String(), Device: s.Device, DeviceSeq: s.DeviceSeq, Place: s.Place,
		By: s.By, From: s.From, With: s.With, Carrier: s.Carrier, Draw: s.Draw, Patient: s.Patient, Type: s.Type, Parent: s.Parent,
		Details: maps.Clone(s.Details), Mode: string(s.Mode), TypedAt: typed(s.TypedAt), How: s.How, Reason: s.Reason, Tests: s.Tests, To: s.To,
		Request: s.Request, Ward: s.Ward,
	}
	if s.Device != "" {
		w.Clock = &custodyv1.Clock{OffsetMs: s.OffsetMs, MonotonicMs: s.MonotonicMs, BootId: s.BootID}
	}
	details := details{w}
	details.put("note", s.Note)
	switch {
	case s.Raw:
		// Reading a label is seeing the tube; the API has no step of its own for it.
		w.Step = "see"
		w.Label = &custodyv1.Label{Raw: []byte(s.Label), Symbology: details.take("symbology"), How: s.How}
	case s.Kind == event.KindDraw:
		w.Draw = first(w.Draw, s.Label)
	case s.Label != "":
		w.Label = &custodyv1.Label{Text: s.Label, How: s.How}
	}
	details.own(s)
	return w
}

// typed adds the seconds that the API wants in a time with an offset, as a form
// does. A local time stays as it was typed: it may have to be refused.
func typed(text string) string {
	if t, err := time.Parse("2006-01-02T15:04Z07:00", text); err == nil {
		return t.Format(time.RFC3339)
	}
	return text
}

// details moves the keys of a story's step to where the API has them.
type details struct{ *custodyv1.Scan }

func (d details) take(key string) string {
	value := d.Details[key]
	delete(d.Details, key)
	return value
}

func (d details) put(key, value string) {
	if value == "" {
		return
	}
	if d.Details == nil {
		d.Details = map[string]string{}
	}
	d.Details[key] = value
}

func (d details) own(s story.Scan) {
	in, kind := d.take("in"), event.Kind(d.take("in-kind"))
	switch s.Step {
	case "attach":
		if kind == event.KindPlace {
			d.put("place", in)
		} else {
			d.Carrier = in
		}
	case "store":
		d.put("store", in)
	case "end-draw":
		d.put("adverse-event", d.take("adverse"))
	case "relabel":
		// The new number is what is scanned; the old one is what it comes from.
		d.Label, d.Parent = &custodyv1.Label{Text: d.take("as"), How: s.How}, s.Label
	case "receive":
		// An unlabelled tube is scanned by the temporary number it gets.
		if s.Label == "" && d.Details["as"] != "" {
			d.Label = &custodyv1.Label{Text: d.Details["as"], How: s.How}
		}
	case "sample-done":
		if s.Label != "" && s.Kind == event.KindDraw && s.Draw != s.Label {
			d.put("new-draw", s.Draw)
			d.Draw = s.Label
		}
	}
}

// order sends what concerns a request through the requests of the API.
func (b *Bench) order(s story.Scan) (story.Answer, error) {
	at := s.Occurred.String()
	var err error
	switch s.Step {
	case "place-request":
		err = b.placeRequest(requestOf(s), s.By, s.ID)
	case "cancel-request":
		_, err = call(b, b.requests.CancelRequest, &custodyv1.CancelRequestRequest{Id: s.Label, By: s.By, Reason: first(s.Reason, s.Note), OccurredAt: at, ScanId: s.ID})
	case "add-test", "withdraw-test":
		change := b.requests.AddTest
		if s.Step == "withdraw-test" {
			change = b.requests.WithdrawTest
		}
		for i, test := range s.Tests {
			req := &custodyv1.ChangeTestRequest{Id: s.Label, Test: test, By: s.By, OccurredAt: at, ScanId: s.ID}
			if i > 0 {
				req.ScanId = fmt.Sprintf("%s-%d", s.ID, i+1)
			}
			if _, err = call(b, change, req); err != nil {
				break
			}
		}
	default:
		return story.Answer{}, fmt.Errorf("the step %s can't be done on a request", s.Step)
	}
	switch status.Code(err) {
	case codes.OK:
		return story.Answer{Answer: event.AnswerRecorded}, nil
	case codes.Unavailable:
		return story.Answer{Answer: event.AnswerNotSaved, Text: status.Convert(err).Message()}, nil
	case codes.AlreadyExists:
		return story.Answer{Answer: event.AnswerIDConflict, Text: status.Convert(err).Message()}, nil
	default:
		return story.Answer{}, Plain(err)
	}
}

// requestOf reads a request from the step that places it.
func requestOf(s story.Scan) story.Request {
	d := s.Details
	r := story.Request{
		ID: s.Label, Patient: s.Patient, Tests: s.Tests, Conditions: list(d["condition"]), Priority: d["priority"], To: s.To,
		Irreplaceable: d["irreplaceable"] == "yes",
	}
	types := list(s.Type)
	for i, id := range list(d["tube"]) {
		tube := story.RequestTube{ID: id, Tests: s.Tests}
		if len(types) > 0 {
			tube.Type = types[min(i, len(types)-1)]
		}
		r.Tubes = append(r.Tubes, tube)
	}
	return r
}

func list(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(text, ",")
}

// settle waits until the daemon has judged what an answer stored. Only the
// daemon knows its log, so the wait ends when a tube, or else the list of flags,
// is true up to the answer's place in it.
func (b *Bench) settle(s story.Scan, a *custodyv1.ScanAnswer) error {
	if a.State == judged || a.Sequence == 0 {
		return nil
	}
	return b.until(fmt.Sprintf("scan %s to be judged", a.Id), func() (bool, error) {
		if s.Kind == event.KindTube && !s.Raw && a.Tube != nil {
			tube, err := call(b, b.tubes.GetTube, &custodyv1.GetTubeRequest{Id: a.Tube.Id})
			return tube.GetSequence() >= a.Sequence, err
		}
		flags, err := call(b, b.flags.ListFlags, &stabilityv1.ListFlagsRequest{})
		return flags.GetSequence() >= a.Sequence, err
	})
}

// until asks again and again until the answer is yes.
func (b *Bench) until(what string, ask func() (bool, error)) error {
	ctx, cancel := context.WithTimeout(b.ctx, settleTimeout)
	defer cancel()
	for {
		done, err := ask()
		if err != nil || done {
			return err
		}
		select {
		case <-ctx.Done():
			if err := b.ctx.Err(); err != nil {
				return err
			}
			return fmt.Errorf("waited %s in vain for %s", settleTimeout, what)
		case <-time.After(pollEvery):
		}
	}
}

func first(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}
