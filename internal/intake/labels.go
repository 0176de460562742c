package intake

import (
	"errors"
	"fmt"
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// unread gives a label's refusal as the answer to a scan. part names the field when
// it isn't the label itself.
func unread(part string, err error) error {
	var r *label.Refusal
	if !errors.As(err, &r) {
		return err
	}
	say := sayOf(r)
	if part != "" {
		say = part + ": " + say
	}
	return &unreadable{r.What, say}
}

// sayOf is what a person is told of a label that can't be read.
func sayOf(err error) string {
	var r *label.Refusal
	if errors.As(err, &r) {
		return r.Words()
	}
	return err.Error()
}

// input is a text of the scan as the package label takes it.
func (out *understanding) input(text string) label.Input {
	in := label.Input{Raw: []byte(text), At: out.Occurred, Ward: out.ward, TubeType: out.said.Type}
	if out.said.How == string(label.Typed) {
		in.How = label.Typed
	}
	return in
}

// understanding is a scan on its way to what custody decides on.
type understanding struct {
	custody.Scan
	said Scan
	ward string // that gave out the numbers
}

// givesNumber are the steps at which a tube gets its number, where it stands.
func givesNumber(step string) bool { return step == "collect" || step == "prepare" }

// keys turns every named thing into its key.
func (d *Desk) keys(out *understanding) error {
	s := out.said
	if out.ward = event.Spelled(s.Ward); s.Ward == "" && givesNumber(s.Step) {
		out.ward = out.Place
	}
	for _, f := range []struct {
		name, text string
		kind       event.Kind
		key        *event.Key
	}{
		{"carrier", s.Carrier, event.KindCarrier, &out.Carrier}, {"draw", s.Draw, event.KindDraw, &out.Draw},
		{"request", s.Request, event.KindRequest, &out.Request}, {"parent", s.Parent, event.KindTube, &out.Parent},
	} {
		if f.text == "" {
			continue
		}
		key, err := d.key(out, f.name, f.text, f.kind)
		if err != nil {
			return err
		}
		*f.key = key
	}
	for i, text := range s.Tubes {
		key, err := d.key(out, fmt.Sprintf("tubes[%d]", i), text, event.KindTube)
		if err != nil {
			return err
		}
		out.Tubes = append(out.Tubes, key)
	}
	return nil
}

func (d *Desk) key(out *understanding, name, text string, kind event.Kind) (event.Key, error) {
	named, err := d.model.Find(out.input(text), kind)
	if err != nil {
		return "", unread(name, err)
	}
	return named.Key, nil
}

// target finds out what the label names, and keeps how it was read.
func (d *Desk) target(out *understanding) error {
	s := out.said
	kinds := custody.StepTargets(s.Step)
	if len(kinds) == 0 {
		return fieldError("step", "%q is no step; it must be one of: %s", s.Step, strings.Join(custody.Verbs(), ", "))
	}
	if s.Step == "wristband" || s.Step == "start-draw" {
		if s.Step == "wristband" && s.Patient == "" {
			return fieldError("patient", "scan the wristband: its number is missing")
		}
		return out.opensDraw()
	}
	if s.Label == "" && len(s.Raw) == 0 {
		return nil // custody finds the draw open on the device, or says what is missing
	}
	if s.Kind != "" {
		kinds = []event.Kind{s.Kind}
	}
	in := out.input(s.Label)
	if len(s.Raw) > 0 {
		in.Raw, in.Symbology = s.Raw, s.Symbology
	}
	if label.IsHow(s.How) {
		in.How = label.How(s.How)
	}
	named, err := d.model.Find(in, kinds...)
	if err != nil {
		return unread("", err)
	}
	if len(s.Raw) > 0 && s.Label != "" {
		if said, err := d.model.Find(out.input(s.Label), kinds...); err != nil || said.Target != named.Target {
			return fieldError("label", "the text %q is not what was read, %q; send the one or the other", s.Label, named.Key.Label())
		}
	}
	out.Target = named.Target
	if label.IsHow(s.How) {
		out.How = named.Reading.Method()
	}
	return nil
}

// opensDraw names the draw that a scan opens: as its sender did, else after the scan.
func (out *understanding) opensDraw() error {
	if out.Draw == "" {
		key, err := event.LocalKey("D-" + out.said.ID)
		if err != nil {
			return fieldError("draw", "%v", err)
		}
		out.Draw = key
	}
	out.Target = custody.Target{Kind: event.KindDraw, Key: out.Draw}
	return nil
}

// patientNumber reads a wristband or a number that was typed. What it says is looked
// up and forgotten; no refusal repeats it.
func (d *Desk) patientNumber(text string) (string, error) {
	r, err := d.model.Schemes().Read(label.Input{Raw: []byte(text), At: d.now(), Want: []label.Thing{label.Patient}})
	if err != nil {
		return "", unread("patient", err)
	}
	return r.Text, nil
}
