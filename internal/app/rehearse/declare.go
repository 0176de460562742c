package rehearse

import (
	"fmt"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// Declare makes one thing known by the directory or the requests of the API. A
// device's clock error is the story's own affair: it comes with each scan.
func (b *Bench) Declare(d story.Declared) error {
	switch d := d.(type) {
	case story.Place:
		_, err := call(b, b.directory.PutPlace, &custodyv1.Place{
			Id: d.ID, Name: d.ID, Kind: d.Kind, Zone: d.Zone, Assumed: bandOf(d.Assumed), Basis: d.Basis, Owner: d.Owner,
			Review: said(d.Review), BenchSpinMinutes: int64(d.BenchSpin / time.Minute), Relabel: d.Relabel, By: author,
			Identify: d.Identify, SecondPerson: d.SecondPerson, Spins: d.Spins, MostDrawPermille: d.MostDraw,
		})
		return Plain(err)
	case story.Person:
		_, err := call(b, b.directory.PutPerson, &custodyv1.Person{Id: d.ID, Role: d.Role, Active: !d.Inactive, By: author})
		return Plain(err)
	case story.Device:
		_, err := call(b, b.directory.PutDevice, &custodyv1.Device{Id: d.ID, Kind: d.Kind, Active: !d.Inactive, By: author})
		return Plain(err)
	case story.Carrier:
		_, err := call(b, b.directory.PutCarrier, &custodyv1.Carrier{
			Id: d.ID, Kind: d.Kind, OwnClimate: d.OwnClimate, Assumed: bandOf(d.Assumed), Basis: d.Basis, Owner: d.Owner,
			Review: said(d.Review), By: author,
		})
		return Plain(err)
	case story.Logger:
		return b.logger(d)
	case story.Route:
		_, err := call(b, b.directory.PutRoute, &custodyv1.Route{
			Id: d.ID, From: d.From, To: d.To, Departs: d.Departs, TakesMinutes: int64(d.Takes / time.Minute), Zone: d.Zone, By: author,
		})
		return Plain(err)
	case story.Request:
		return b.request(d)
	case story.Tube:
		return b.tube(d)
	case story.Scheme:
		return b.scheme(d)
	default:
		return fmt.Errorf("a rehearsal can't declare a %T", d)
	}
}

// scheme declares a number scheme beside those that the story declared before it.
func (b *Bench) scheme(d story.Scheme) error {
	b.schemes = append(b.schemes, &custodyv1.NumberScheme{
		Id: d.ID, Names: d.Names, Pattern: d.Pattern, Check: d.Check, LetterCase: d.Case, Zeros: d.Zeros, In: d.In,
		Framed: d.Framed, Ward: d.Ward, TubeType: d.PerType, ReuseHours: int64(d.Reuse / time.Hour),
	})
	_, err := call(b, b.directory.PutSchemes, &custodyv1.NumberSchemes{Schemes: b.schemes, By: author})
	return Plain(err)
}

func (b *Bench) logger(d story.Logger) error {
	logger := &custodyv1.Logger{
		Id: d.ID, EverySeconds: int64(d.Every / time.Second), MaxGapSeconds: int64(d.MaxGap / time.Second), In: d.In, Zone: d.Zone,
		OccurredAt: b.now.String(), By: author,
	}
	if d.Hold >= 0 {
		hold := int64(d.Hold / time.Second)
		logger.HoldSeconds = &hold
	}
	if d.Uncertainty != 0 {
		logger.Uncertainty = Celsius(d.Uncertainty)
	}
	if _, err := call(b, b.directory.PutLogger, logger); err != nil || d.Due == 0 {
		return Plain(err)
	}
	return b.mustRecord(story.Scan{
		ID: b.id("calibrate"), Step: "calibrate", Label: d.ID, Kind: event.KindLogger, Occurred: b.now, DeviceTime: b.now,
		Mode: event.Live, By: author, Details: map[string]string{"uncertainty": Celsius(d.Uncertainty), "due": d.Due.String()},
	})
}

// request places what was ordered. The API wants a patient for every request; one
// of whom the story says nothing has a patient of its own.
func (b *Bench) request(d story.Request) error {
	return b.placeRequest(d, author, b.id("request"))
}

func (b *Bench) placeRequest(d story.Request, by, id string) error {
	req := &custodyv1.PlaceRequestRequest{
		Id: d.ID, Patient: first(d.Patient, "OF-"+d.ID), Tests: d.Tests, Priority: d.Priority, Conditions: d.Conditions, Destination: d.To,
		Irreplaceable: d.Irreplaceable, By: by, OccurredAt: b.now.String(), ScanId: id,
	}
	for _, t := range d.Tubes {
		req.Tubes = append(req.Tubes, &custodyv1.AssignedTube{Tube: t.ID, Type: t.Type, Tests: t.Tests})
	}
	_, err := call(b, b.requests.PlaceRequest, req)
	return Plain(err)
}

// tube prepares a label. Conditions and "irreplaceable" are said of a request
// in the API, so a tube that has them gets a request of its own.
func (b *Bench) tube(d story.Tube) error {
	if len(d.Conditions) > 0 || d.Irreplaceable {
		id := d.Request
		if id == "" {
			id = "OF-" + d.ID
		}
		return b.request(story.Request{
			ID: id, Patient: d.Patient, Tests: d.Tests, Conditions: d.Conditions, Irreplaceable: d.Irreplaceable,
			Tubes: []story.RequestTube{{ID: d.ID, Type: d.Type, Tests: d.Tests}},
		})
	}
	return b.mustRecord(story.Scan{
		ID: b.id("tube"), Step: "prepare", Label: d.ID, Kind: event.KindTube, Occurred: b.now, DeviceTime: b.now, Mode: event.Live,
		By: author, Type: d.Type, Patient: d.Patient, Request: d.Request, Tests: d.Tests,
	})
}

// mustRecord sends a scan that is part of a declaration.
func (b *Bench) mustRecord(s story.Scan) error {
	answer, err := b.Scan(s)
	if err != nil {
		return err
	}
	if answer.Answer != event.AnswerRecorded && answer.Answer != event.AnswerRepeated {
		return fmt.Errorf("declare %s: answered %s %s (%s)", s.Label, answer.Answer, answer.Refusal, answer.Text)
	}
	return nil
}

// said is an instant as the API wants it: empty when nothing was said.
func said(at event.Instant) string {
	if at == 0 {
		return ""
	}
	return at.String()
}

func bandOf(r event.Range) *custodyv1.Range {
	if !r.Known {
		return nil
	}
	return &custodyv1.Range{Low: Celsius(r.Low), High: Celsius(r.High)}
}
