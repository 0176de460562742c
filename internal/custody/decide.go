package custody

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
)

// Decision is what a scan gives: facts of exactly one aggregate.
type Decision struct {
	event.Decision
	// Repeats is the id of the record that this scan repeats: the trigger was
	// pressed twice. The answer is "repeated" and nothing is stored.
	Repeats string
}

// Refused stops a live scan. What already happened is never refused.
type Refused struct {
	Why event.Refusal
	// Say is a sentence for the person, without a time: the words get the zone
	// and At outside.
	Say string
	// At is the instant the sentence speaks of: discarded at, wait until; 0 for none.
	At event.Instant
	// Patient is on the band, Expected is the patient of the label (identity mismatch).
	Patient, Expected string
}

// Error implements error.
func (r *Refused) Error() string {
	if r.At == 0 {
		return fmt.Sprintf("refused %s: %s", r.Why, r.Say)
	}
	return fmt.Sprintf("refused %s: %s (%s)", r.Why, r.Say, r.At)
}

// Invalid is a scan that can't be a step: a field is missing or can't be read.
type Invalid struct {
	Field string // name of the field as in the API
	Say   string // remedy in plain words
}

// Error implements error.
func (i *Invalid) Error() string { return i.Field + ": " + i.Say }

func invalid(field, format string, args ...any) error {
	return &Invalid{Field: field, Say: fmt.Sprintf(format, args...)}
}

// deciding is one scan on its way to facts.
type deciding struct {
	w    *World
	s    *Scan
	tube *Tube // of a tube target, or of a tube named where a draw or request is meant; nil when unknown
	into Target
}

// Decide gives the facts of a scan, all of one aggregate, or why there are none:
// *Refused for a live scan that must stop, *Invalid for one that can't be read.
// With an identity mismatch the refusal comes with a decision on the draw, the
// counted near miss, which is to be stored although the scan is refused.
func Decide(w *World, s Scan) (Decision, error) {
	verb, ok := steps[s.Step]
	if !ok {
		return Decision{}, invalid("step", "there is no step %q", s.Step)
	}
	d := &deciding{w: w, s: &s, into: s.Target}
	if err := d.target(verb); err != nil {
		return Decision{}, err
	}
	for key := range s.Details {
		if !slices.Contains(verb.details, key) {
			return Decision{}, invalid("details."+key, "step %s takes no such detail; it takes %v", s.Step, verb.details)
		}
	}
	facts, err := verb.facts(d)
	if err != nil {
		return Decision{}, err
	}
	if s.Mode != event.Reported {
		if id := d.repeats(facts); id != "" {
			return Decision{Decision: d.decision(d.into, facts), Repeats: id}, nil
		}
		if r := d.refuse(); r != nil {
			return d.nearMiss(r), r
		}
	}
	return Decision{Decision: d.decision(d.into, facts)}, nil
}

func (d *deciding) decision(t Target, facts []event.Fact) event.Decision {
	env := d.s.Envelope
	env.Kind, env.Key = t.Kind, t.Key
	return event.Decision{Envelope: env, Facts: facts}
}

// target checks what was named and finds the aggregate the facts belong to.
func (d *deciding) target(verb step) error {
	t := d.s.Target
	if t.Key == "" && slices.Contains(verb.on, event.KindDraw) {
		t = Target{event.KindDraw, d.drawKey()}
	}
	if t.Key == "" {
		return invalid("label", "name what was scanned")
	}
	if !slices.Contains(verb.on, t.Kind) {
		return invalid("label", "step %s can't be done on a %s", d.s.Step, t.Kind)
	}
	d.into = t
	if t.Kind == event.KindTube {
		if d.tube = d.s.Known; d.tube == nil || d.tube.Key != t.Key {
			d.tube, _ = d.w.Tube(t.Key)
		}
		switch {
		case slices.Equal(verb.on, onDrawish):
			d.into = Target{event.KindDraw, d.drawOfTube(t.Key)}
		case slices.Equal(verb.on, onOrder):
			if d.tube == nil || d.tube.Request == "" {
				return invalid("label", "no request is known for this tube; name the request")
			}
			d.into = Target{event.KindRequest, d.tube.Request}
		}
	}
	return nil
}

// drawKey is the draw said, else the one open on the device.
func (d *deciding) drawKey() event.Key {
	if d.s.Draw != "" {
		return d.s.Draw
	}
	if draw, ok := d.w.OpenDraw(d.s.Device, d.s.Occurred); ok {
		return draw.Key
	}
	return ""
}

// drawOfTube is the draw a tube belongs to. Where none is known, one is named
// after the tube, so that a new sample can be asked for it all the same.
func (d *deciding) drawOfTube(tube event.Key) event.Key {
	if d.tube != nil && d.tube.Draw != "" {
		return d.tube.Draw
	}
	if d.s.Draw != "" {
		return d.s.Draw
	}
	return DrawOf(tube)
}

// DrawOf is the draw that is named after a tube of which none is known.
func DrawOf(tube event.Key) event.Key {
	label := "OF-" + string(tube)
	if len(label) > event.MaxLabel {
		label = label[:event.MaxLabel]
	}
	key, err := event.LocalKey(label)
	if err != nil {
		return tube
	}
	return key
}

// repeats finds the step that a live scan of the same device repeats.
func (d *deciding) repeats(facts []event.Fact) string {
	agg := d.w.agg(d.into.Kind, d.into.Key)
	if agg == nil {
		return ""
	}
	rec := &event.Record{Decision: d.decision(d.into, facts)}
	if !mayRepeat(d.into.Kind, rec) {
		return ""
	}
	records := agg.all()
	for i := len(records) - 1; i >= 0; i-- {
		o := records[i]
		gap := rec.Occurred - o.Occurred
		if gap > repeatSameDevice {
			break
		}
		if gap < -repeatSameDevice || o.Device != rec.Device || o.Place != rec.Place || o.ID == rec.ID || onPaper(o) != onPaper(rec) {
			continue
		}
		if sameFacts(o.Facts, facts) && !voided(records)[idOf(o)] {
			return idOf(o)
		}
	}
	return ""
}

// Steps that are about a tube rather than with it: they are never stopped.
var neverStopped = []string{
	"void", "explain", "note", "take-flag", "act-flag", "put-aside", "override", "issue-result", "ask-sample",
	"decline-sample", "sample-done", "reidentify", "add-test", "withdraw-test", "declare-lost", "destine", "redirect", "end-draw", "fail-collection",
}

// Steps at which a held number may still be touched.
var heldAllows = append([]string{"receive", "see", "split"}, neverStopped...)

// refuse gives why a live scan must stop, nil when it needn't.
func (d *deciding) refuse() *Refused {
	s := d.s
	if r := d.refuseRole(); r != nil {
		return r
	}
	if t := d.tube; t != nil && s.Target.Kind == event.KindTube {
		if t.Disposed.Is() && t.Disposed.At <= s.Occurred && !slices.Contains(neverStopped, s.Step) {
			return &Refused{Why: event.RefuseDisposed, Say: "this tube was discarded", At: t.Disposed.At}
		}
		if t.Held && !slices.Contains(heldAllows, s.Step) {
			return &Refused{Why: event.RefuseHeld, Say: "two tubes share this number; split it first"}
		}
	}
	if parent := s.Parent; parent != "" && (s.Step == "derive" || s.Step == "relabel") {
		if r := d.refuseParent(parent); r != nil {
			return r
		}
	}
	switch s.Step {
	case "take", "receive":
		if s.From != "" && event.Spelled(s.From) == event.Spelled(s.Actor) {
			return &Refused{Why: event.RefuseSameParty, Say: "the same person gives and takes; the other side must be named"}
		}
	case "release":
		if s.To != "" && event.Spelled(s.To) == event.Spelled(s.Actor) {
			return &Refused{Why: event.RefuseSameParty, Say: "the same person gives and takes; the other side must be named"}
		}
	case "collect":
		return d.refuseIdentity()
	case "wristband", "start-draw":
		if draw, ok := d.w.draw(d.into.Key); ok && d.w.others(draw.Patient, s.Patient) {
			return mismatch(s.Patient, draw.Patient, "this wristband belongs to another patient than the draw")
		} else if ok && d.w.others(draw.Meant, s.Patient) {
			return mismatch(s.Patient, draw.Meant, "this wristband belongs to another patient than the one chosen from the list")
		}
		if s.Row != "" && d.w.others(s.Row, s.Patient) {
			return mismatch(s.Patient, s.Row, "this wristband belongs to another patient than the one chosen from the list")
		}
		return d.refuseIdentification()
	case "relabel":
		return d.refuseRelabel()
	case "rack", "spin":
		return d.refuseRack()
	}
	return nil
}

// refuseRelabel: a tube that came without a label gets the number of a patient only
// where the laboratory allows it, by two persons who say why (Arch Pathol Lab Med
// 2008;132:1617: what sites allow differs).
func (d *deciding) refuseRelabel() *Refused {
	s := d.s
	parent, ok := d.w.Tube(s.Parent)
	if !ok || !slices.ContainsFunc(parent.Timeline, func(step Step) bool {
		f, noted := first[event.DefectNoted](step.Facts)
		return noted && !step.Voided && f.Defect == string(event.DoubtUnlabelled)
	}) {
		return nil
	}
	place, _ := d.w.PlaceAt(s.Place, s.Occurred)
	switch {
	case !place.Relabel:
		return &Refused{Why: event.RefuseNotAllowed, Say: "it came without a label, and at this place no tube gets a patient's number afterwards; a new sample is the way"}
	case s.Witness == "" || event.Spelled(s.Witness) == event.Spelled(s.Actor):
		return &Refused{Why: event.RefuseNotAllowed, Say: "it came without a label: a second person must name the number too"}
	case s.Reason == "" && len(s.Note.Box) == 0:
		return &Refused{Why: event.RefuseNotAllowed, Say: "it came without a label: say by what it is known whose it is"}
	}
	return nil
}

func (d *deciding) refuseParent(parent event.Key) *Refused {
	t, ok := d.w.Tube(parent)
	switch {
	case !ok:
		return nil
	case t.Disposed.Is() && t.Disposed.At <= d.s.Occurred:
		return &Refused{Why: event.RefuseDisposed, Say: "the tube it comes from was discarded", At: t.Disposed.At}
	case t.Held:
		return &Refused{Why: event.RefuseHeld, Say: "two tubes share the number it comes from; split it first"}
	}
	return nil
}

func mismatch(band, label, say string) *Refused {
	return &Refused{Why: event.RefuseIdentityMismatch, Say: say, Patient: band, Expected: label}
}

// refuseIdentity: the label was made for somebody else than the band at hand.
func (d *deciding) refuseIdentity() *Refused {
	if draw, ok := d.w.draw(d.drawKey()); ok && draw.Meant != "" && draw.Patient == "" && d.s.Patient == "" {
		return &Refused{Why: event.RefuseSecondIdentifier, Say: "a name chosen from a list identifies nobody; scan the wristband first"}
	}
	patient := d.bandPatient()
	label := d.labelPatient()
	if d.w.others(patient, label) {
		return mismatch(patient, label, "this label belongs to another patient")
	}
	return nil
}

// Checks by which a patient who has no band is identified: both are stated by the patient.
const (
	checkName  = "stated-name"
	checkBirth = "stated-birth-date"
)

// stated reports whether the draw is of the patient of a list's row, who stated both.
func (d *deciding) stated() bool {
	checks := commaList(d.detail("checks"))
	return d.s.Row != "" && d.s.Patient == "" && slices.Contains(checks, checkName) && slices.Contains(checks, checkBirth)
}

// refuseIdentification: a draw is begun in a way that isn't the place's. Two identifiers
// are wanted wherever no band is read; which ways there are is the place's policy.
func (d *deciding) refuseIdentification() *Refused {
	s := d.s
	place, _ := d.w.Place(s.Place)
	checks := commaList(d.detail("checks"))
	says := slices.Contains(checks, checkName) || slices.Contains(checks, checkBirth)
	switch {
	case says && s.Patient == "" && !d.stated():
		return &Refused{Why: event.RefuseSecondIdentifier, Say: "one identifier is not enough; let the patient state name and birth date, and choose the row of the list"}
	case d.stated() && !slices.Contains(place.Identify, event.ByStating):
		return &Refused{Why: event.RefuseSecondIdentifier, Say: "at this place a stated name and birth date are not enough; scan the wristband"}
	case (s.Patient != "" || d.stated()) && place.SecondPerson && (s.Witness == "" || event.Spelled(s.Witness) == event.Spelled(s.Actor)):
		return &Refused{Why: event.RefuseSecondIdentifier, Say: "at this place two persons identify the patient; a second person must say so too"}
	}
	return nil
}

func (d *deciding) bandPatient() string {
	if d.s.Patient != "" {
		return d.s.Patient
	}
	if draw, ok := d.w.draw(d.drawKey()); ok {
		return draw.Patient
	}
	return ""
}

// labelPatient is the patient the label was prepared or assigned for.
func (d *deciding) labelPatient() string {
	if dv := d.w.derive(d.s.Target.Key, 0, nil); dv != nil {
		if p, ok := dv.labelPatient(dv.trail.own); ok {
			return p
		}
		if dv.tube.Patient != "" {
			return dv.tube.Patient
		}
	}
	if req, ok := d.w.Request(d.s.Request); ok {
		return req.Patient
	}
	return ""
}

// refuseRack: only these three answers stop, and an override given before lets
// the tube pass.
func (d *deciding) refuseRack() *Refused {
	if t := d.tube; t != nil && t.Flag.Overridden.Is() && (t.Flag.Open || t.Flag.Beforehand) || d.detail("override") != "" {
		return nil
	}
	switch d.s.Rack {
	case event.RackWait:
		return &Refused{Why: event.RefuseNotYetClotted, Say: "let it clot first", At: d.s.RackUntil}
	case event.RackRunFirst:
		return &Refused{Why: event.RefuseRunFirst, Say: "run the test that needs unspun blood first"}
	case event.RackNothingLeft:
		return &Refused{Why: event.RefuseNothingLeft, Say: "every test on this tube is past its limit"}
	}
	return nil
}

// nearMiss is the fact that a refused identity leaves on the draw.
func (d *deciding) nearMiss(r *Refused) Decision {
	if r.Why != event.RefuseIdentityMismatch {
		return Decision{}
	}
	key := d.drawKey()
	if key == "" && d.into.Kind == event.KindDraw {
		key = d.into.Key
	}
	if key == "" {
		key = d.drawOfTube(d.s.Target.Key)
	}
	miss := event.IdentityMismatch{Patient: r.Patient, Expected: r.Expected}
	if d.s.Target.Kind == event.KindTube {
		miss.Tube = d.s.Target.Key
	}
	return Decision{Decision: d.decision(Target{event.KindDraw, key}, []event.Fact{miss})}
}

// AsRefused gives the refusal in err, nil when it is none.
func AsRefused(err error) *Refused {
	var r *Refused
	if errors.As(err, &r) {
		return r
	}
	return nil
}

func (d *deciding) detail(key string) string { return d.s.Details[key] }

func (d *deciding) firstOf(values ...string) string {
	for _, v := range values {
		if v != "" {
			return v
		}
	}
	return ""
}

// instant reads a detail as RFC 3339 with offset; absent is 0.
func (d *deciding) instant(key string) (event.Instant, error) {
	text := d.detail(key)
	if text == "" {
		return 0, nil
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return 0, invalid("details."+key, "give a date and time with offset, such as 2026-11-24T09:30:00Z")
	}
	return event.At(t), nil
}
