package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/story"
)

// clotted is when serum may be racked: before, the rack page says "wait". The judge
// isn't asked while the log is made.
const clotted = 30 * time.Minute

// clockOff is from where on a device's wrong clock is a fact of its own (intake).
const clockOff = 2 * time.Minute

// roundFacts is what must be known of one round to decide its scans as intake would:
// who was drawn in which draw, what was asked for, and what was sent before.
type roundFacts struct {
	world *custody.World // its requests and the beginnings of its draws
	sent  map[string]struct{}
	drawn map[event.Key]event.Instant // serum tubes
	last  map[custody.Target]*turn
	left  int // tubes that have not ended
}

func newRoundFacts() *roundFacts {
	return &roundFacts{world: custody.NewWorld(), sent: map[string]struct{}{}, drawn: map[event.Key]event.Instant{}, last: map[custody.Target]*turn{}}
}

// over lets go of what nobody asks for any more: only scans of the box by a late phone
// are still to come.
func (r *roundFacts) over() {
	carriers := map[custody.Target]*turn{}
	for t, last := range r.last {
		if t.Kind == event.KindCarrier {
			carriers[t] = last
		}
	}
	r.world, r.drawn, r.last = custody.NewWorld(), nil, carriers
}

// facts gives what the log is to say of a scan, none when intake would write nothing.
func (r *roundFacts) facts(s *story.Scan, at event.Instant) (*event.Decision, error) {
	if s.Mode == event.Reported {
		if _, twice := r.sent[s.ID]; twice {
			return nil, nil
		}
		r.sent[s.ID] = struct{}{}
	}
	scan, err := understood(s)
	if err != nil {
		return nil, err
	}
	serum := s.Type == "SERUM" || s.Type == "SERUM-GEL"
	switch {
	case s.Step == "collect" && serum:
		r.drawn[scan.Target.Key] = s.Occurred
	case s.Step == "rack" && r.drawn[scan.Target.Key] != 0 && s.Occurred.Sub(r.drawn[scan.Target.Key]) < clotted:
		scan.Rack = event.RackWait
	}
	dec, err := custody.Decide(r.world, scan)
	if refused := custody.AsRefused(err); refused != nil {
		if len(dec.Facts) == 0 {
			return nil, nil
		}
		dec.ID, err = "miss-"+dec.ID, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", s.Step, s.Label, err)
	}
	if dec.Repeats != "" {
		return nil, nil
	}
	dec.Recorded = at
	if _, begins := dec.Facts[0].(event.DrawStarted); begins {
		r.world.Apply(&event.Record{Seq: 1, Decision: dec.Decision})
	}
	return &dec.Decision, nil
}

// understood is a scan as intake hands it on: labels are keys, patients references.
func understood(s *story.Scan) (custody.Scan, error) {
	out := custody.Scan{
		Envelope: event.Envelope{
			ID: s.ID, Digest: digest(s.ID), Step: s.Step, Mode: s.Mode, Occurred: s.Occurred, DeviceTime: s.DeviceTime, OffsetMs: s.OffsetMs,
			TimeSource: "scanned", Actor: s.By, Device: s.Device, DeviceSeq: s.DeviceSeq, Place: event.Spelled(s.Place), How: s.How,
		},
		From: s.From, To: s.To, Type: s.Type, Tests: s.Tests, Reason: s.Reason, Details: s.Details, Patient: reference(s.Patient),
	}
	var errs [4]error
	named := func(i int, label string) (k event.Key) {
		if label != "" {
			k, errs[i] = event.LocalKey(label)
		}
		return k
	}
	out.Draw, out.Carrier, out.Request = named(0, s.Draw), named(1, s.Carrier), named(2, s.Request)
	switch s.Kind {
	case event.KindDraw:
		out.Target = custody.Target{Kind: event.KindDraw, Key: out.Draw}
	default:
		out.Target = custody.Target{Kind: s.Kind, Key: named(3, s.Label)}
		// Nothing of what the log says of it bears on what these scans give.
		out.Known = &custody.Tube{Key: out.Target.Key}
	}
	if s.Reason != "" && !event.IsReasonWord(s.Reason) {
		out.Reason, out.Note = "", sealed(s.ID, s.Reason)
	}
	if s.Step == "store" {
		out.Details = maps.Clone(s.Details)
		out.Details["store"] = out.Details["in"]
		delete(out.Details, "in")
		delete(out.Details, "in-kind")
	}
	return out, errors.Join(errs[:]...)
}

func digest(of string) []byte {
	sum := sha256.Sum256([]byte(of))
	return sum[:16]
}

// sealed is as long as what a text is encrypted to, and holds nothing of it.
func sealed(id, text string) event.Ciphertext {
	sum := sha256.Sum256([]byte(id))
	box := make([]byte, len(text)+16)
	for i := range box {
		box[i] = sum[i%len(sum)]
	}
	return event.Ciphertext{Key: fmt.Sprintf("R%X", sum[:8]), Nonce: sum[:12], Box: box}
}

// reference stands for a patient: nobody's number is in the log.
func reference(patient string) string {
	if patient == "" {
		return ""
	}
	return fmt.Sprintf("ref-%x", digest(patient))
}

// declaredFacts gives what the directory or the requests of the API would write.
func declaredFacts(d story.Declared, at event.Instant) (*event.Decision, error) {
	var kind event.Kind
	var id string
	var facts []event.Fact
	switch d := d.(type) {
	case story.Place:
		kind, id = event.KindPlace, d.ID
		facts = []event.Fact{event.PlaceDescribed{Name: d.ID, PlaceKind: d.Kind, Zone: d.Zone, Assumed: d.Assumed, Basis: d.Basis, Owner: d.Owner}}
	case story.Person:
		kind, id = event.KindPerson, d.ID
		facts = []event.Fact{event.PersonDescribed{Role: d.Role, Active: !d.Inactive}}
	case story.Device:
		kind, id = event.KindDevice, d.ID
		facts = []event.Fact{event.DeviceEnrolled{DeviceKind: d.Kind, Active: !d.Inactive}}
	case story.Carrier:
		kind, id = event.KindCarrier, d.ID
		facts = []event.Fact{event.CarrierDescribed{CarrierKind: d.Kind, OwnClimate: d.OwnClimate, Assumed: d.Assumed, Basis: d.Basis, Owner: d.Owner}}
	case story.Route:
		kind, id = event.KindRoute, d.ID
		facts = []event.Fact{event.RouteDescribed{From: d.From, To: d.To, Departs: d.Departs, TakesMin: int64(d.Takes / time.Minute), Zone: d.Zone}}
	case story.Logger:
		in, err := event.LocalKey(d.In)
		if err != nil {
			return nil, err
		}
		kind, id = event.KindLogger, d.ID
		facts = []event.Fact{event.LoggerDescribed{EveryMs: d.Every.Milliseconds(), HoldMs: -1},
			event.LoggerCalibrated{UncertaintyCenti: int64(d.Uncertainty)}, event.LoggerAttached{To: in, ToKind: string(d.InKind)}}
	case story.Request:
		kind, id = event.KindRequest, d.ID
		facts = []event.Fact{event.RequestPlaced{Patient: reference(d.Patient), Tests: d.Tests, Priority: d.Priority, Conditions: d.Conditions, Destination: d.To}}
		for _, t := range d.Tubes {
			k, err := event.LocalKey(t.ID)
			if err != nil {
				return nil, err
			}
			facts = append(facts, event.TubeAssigned{Tube: k, Type: t.Type, Tests: t.Tests})
		}
	default:
		return nil, fmt.Errorf("a generated day declares a %T, which this benchmark can't write", d)
	}
	key, err := event.LocalKey(id)
	return entry(custody.Target{Kind: kind, Key: key}, at, facts...), err
}

// entry is a decision that no scan made.
func entry(t custody.Target, at event.Instant, facts ...event.Fact) *event.Decision {
	id := "put-" + string(t.Kind) + "-" + string(t.Key)
	return &event.Decision{Envelope: event.Envelope{
		ID: id, Kind: t.Kind, Key: t.Key, Occurred: at, DeviceTime: at, Recorded: at, TimeSource: "typed", Actor: "story", Mode: event.Reported,
		Digest: digest(id), DeviceSeq: 1,
	}, Facts: facts}
}

// measuredClock is what intake writes of a device whose clock is wrong, nil for others.
func measuredClock(s *story.Scan, at event.Instant) (*event.Decision, error) {
	if s.Device == "" || time.Duration(s.OffsetMs)*time.Millisecond <= clockOff && time.Duration(-s.OffsetMs)*time.Millisecond <= clockOff {
		return nil, nil
	}
	key, err := event.LocalKey(s.Device)
	return &event.Decision{Envelope: event.Envelope{
		ID: "clock-" + s.ID, Kind: event.KindDevice, Key: key, Occurred: s.Occurred, DeviceTime: s.DeviceTime, OffsetMs: s.OffsetMs, Recorded: at,
		TimeSource: "scanned", Principal: "custodyd", Device: s.Device, DeviceSeq: s.DeviceSeq, Mode: event.Reported, Causes: []string{s.ID},
	}, Facts: []event.Fact{event.ClockMeasured{OffsetMs: s.OffsetMs}}}, err
}

// tubesOf are the tubes that a step asks for.
func tubesOf(s *rehearsal.Step) int {
	if d, ok := s.Declared.(story.Request); ok {
		return len(d.Tubes)
	}
	return 0
}
