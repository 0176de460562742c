package story

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

// Act is one thing that is told to a bench: exactly one of Declared, Scan and
// Logger is set. A story's steps become acts, and so does a generated day.
type Act struct {
	At       event.Instant // of the server's clock; acts are told in order of it
	Declared Declared
	Scan     *Scan
	Logger   string // readings of this logger
	Readings []event.Reading
	Late     bool // the readings come long after they were taken
}

// Do tells one act to the bench. The answer is that of a scan; anything else that
// was done is answered recorded.
func (a Act) Do(b Bench) (Answer, error) {
	switch {
	case a.Declared != nil:
		return Answer{Answer: event.AnswerRecorded}, b.Declare(a.Declared)
	case a.Scan != nil:
		return b.Scan(*a.Scan)
	case a.Logger != "":
		return Answer{Answer: event.AnswerRecorded}, b.Readings(a.Logger, a.Readings, a.Late)
	}
	return Answer{}, errors.New("an act says nothing: set Declared, Scan or Logger")
}

// Check tells what of an act no line of a story could say: a verb or a step's own
// key outside the grammar, a scan without an id, readings out of order, an
// instant missing.
func (a Act) Check() error {
	if a.At == 0 {
		return errors.New("an act has no instant")
	}
	switch {
	case a.Scan != nil:
		return a.Scan.check(a.At)
	case a.Logger != "":
		for i := 1; i < len(a.Readings); i++ {
			if a.Readings[i].At < a.Readings[i-1].At {
				return fmt.Errorf("reading %d of %s lies before the one in front of it", i+1, a.Logger)
			}
		}
		if len(a.Readings) == 0 {
			return fmt.Errorf("logger %s delivers no reading", a.Logger)
		}
	case a.Declared == nil:
		return errors.New("an act says nothing: set Declared, Scan or Logger")
	}
	return nil
}

func (s *Scan) check(at event.Instant) error {
	st, err := s.step(at)
	if err != nil {
		return err
	}
	v := verbs[s.Step]
	if len(st.IDs) < v.min || (v.max >= 0 && len(st.IDs) > v.max) {
		return fmt.Errorf("%s has %d ids; give %s", s.Step, len(st.IDs), howMany(v))
	}
	for _, key := range v.need {
		if st.Attrs.Text(key) == "" {
			return fmt.Errorf("%s has no %s=", s.Step, key)
		}
	}
	for _, a := range st.Attrs {
		if !slices.Contains(everyStep(), a.Key) && !slices.Contains(v.keys, a.Key) {
			return fmt.Errorf("%s takes no %s=", s.Step, a.Key)
		}
		if words := closedWords(s.Step, a.Key); words != nil && !slices.Contains(words, a.Text) {
			return fmt.Errorf("%s: %s=%s is no word of its list", s.Step, a.Key, a.Text)
		}
	}
	return nil
}

// step gives the scan as a step of a story, the way back from what the runner
// makes of one. at is when the scan reaches the server. A key without a value is
// left out; a key that the verb doesn't take stays, for check to find.
func (s *Scan) step(at event.Instant) (Step, error) {
	switch _, known := verbs[s.Step]; {
	case !known:
		return Step{}, fmt.Errorf("%q is no verb", s.Step)
	case s.ID == "":
		return Step{}, fmt.Errorf("a scan of %s has no id", s.Step)
	case s.Occurred == 0 || s.Occurred > at:
		return Step{}, fmt.Errorf("scan %s happened at %s and was sent at %s", s.ID, s.Occurred, at)
	case s.Device != "" && s.DeviceTime.Sub(s.Occurred).Milliseconds() != s.OffsetMs:
		return Step{}, fmt.Errorf("scan %s: the device's time is not the true time and its offset", s.ID)
	case s.Mode == event.Live && s.Occurred != at:
		return Step{}, fmt.Errorf("scan %s is live and was sent later than it happened", s.ID)
	}
	st := Step{When: s.Occurred.String(), At: s.Occurred, Sent: at, Late: s.Mode == event.Reported, Verb: s.Step}
	say := func(key, text string) {
		if text != "" {
			st.Attrs = append(st.Attrs, Attr{Key: key, Text: text})
		}
	}
	draw, patient := s.Draw, s.Patient
	switch id := s.Label; verbs[s.Step].names {
	case patientID:
		st.IDs, patient = append(st.IDs, patient), ""
	case event.KindDraw:
		if draw != "" {
			st.IDs, draw = append(st.IDs, draw), ""
		}
	default:
		if id != "" {
			st.IDs = append(st.IDs, id)
		}
	}
	for _, one := range []struct{ key, text string }{
		{"by", s.By}, {"at", s.Place}, {"on", s.Device}, {"with", s.With}, {"in", s.Carrier}, {"from", s.From}, {"to", s.To},
		{"draw", draw}, {"patient", patient}, {"request", s.Request}, {"type", s.Type}, {"parent", s.Parent}, {"ward", s.Ward},
		{"tests", strings.Join(s.Tests, ",")}, {"typed", s.TypedAt}, {"how", s.How}, {"reason", s.Reason}, {"note", s.Note},
	} {
		say(one.key, one.text)
	}
	for _, key := range slices.Sorted(maps.Keys(s.Details)) {
		if key != "in-kind" {
			say(key, s.Details[key])
		}
	}
	if st.Late {
		st.Attrs = append(st.Attrs, Attr{Key: "sent", Text: at.String(), Instant: at})
	}
	say("id", s.ID)
	if s.DeviceSeq != 0 {
		say("seq", strconv.FormatInt(s.DeviceSeq, 10))
	}
	if s.MonotonicMs != 0 {
		say("mono", strconv.FormatInt(s.MonotonicMs, 10))
	}
	return st, nil
}
