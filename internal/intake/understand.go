package intake

import (
	"context"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// unreadable is input that no mode can accept.
type unreadable struct {
	why event.Refusal
	say string
}

// Error implements error.
func (u *unreadable) Error() string { return string(u.why) + ": " + u.say }

// futureTolerance is how far a scan may lie ahead of us before its device's clock
// must be wrong: no tube lives in the future.
const futureTolerance = 2 * time.Minute

// understand turns what arrived into what custody decides on: labels become keys,
// the patient number a random reference, times corrected instants, free text
// ciphertext.
func (d *Desk) understand(ctx context.Context, s Scan) (custody.Scan, error) {
	if s.Mode == "" {
		s.Mode = event.Live
	}
	sum := d.digest(s)
	s.Details = maps.Clone(s.Details)
	rename(&s)
	out := understanding{said: s, Scan: custody.Scan{
		Envelope: event.Envelope{
			ID: s.ID, Digest: sum, Step: s.Step, Mode: s.Mode,
			DeviceTime: s.DeviceTime, OffsetMs: s.OffsetMs, UncertaintyMs: s.UncertaintyMs, MonotonicMs: s.MonotonicMs,
			BootID: s.BootID, ZoneOffsetMin: s.ZoneOffsetMin, TimeSource: "scanned",
			Actor: s.By, OnBehalf: s.OnBehalf, Witness: s.With, Device: s.Device, DeviceSeq: s.DeviceSeq,
			Place: event.Spelled(s.Place), How: s.How, App: s.App,
			Attested: s.Attested, KeyID: s.KeyID, Signature: s.Signature,
		},
		From: party(s.From, d.model.Placed), To: party(s.To, d.model.Placed), Type: s.Type, Tests: d.codes(s.Tests), Details: s.Details, Row: s.Row,
	}}
	signer := signerOf(ctx)
	signer.act(&out.Envelope)
	if out.Asked = signer.Asked; out.Asked {
		if out.Place == "" {
			out.Place = event.Spelled(signer.Place)
		}
		out.Roles = signer.rolesAt(out.Place)
		out.Role = custody.AsRole(s.Step, out.Roles)
	}
	d.times(&out.Scan, s)
	if err := d.typed(&out.Scan, s); err != nil {
		return out.Scan, err
	}
	if err := d.catalogue(s); err != nil {
		return out.Scan, err
	}
	if err := d.keys(&out); err != nil {
		return out.Scan, err
	}
	if err := d.target(&out); err != nil {
		return out.Scan, err
	}
	return out.Scan, d.private(ctx, &out.Scan, s)
}

// rename brings the spellings of stories and forms to the names custody knows.
func rename(s *Scan) {
	take := func(key string) string {
		v := s.Details[key]
		delete(s.Details, key)
		return v
	}
	switch s.Step {
	case "relabel":
		if as := s.Details["as"]; as != "" {
			take("as")
			s.Parent, s.Label = s.Label, as
		}
	case "split":
		for part := range strings.SplitSeq(take("into"), ",") {
			if part = strings.TrimSpace(part); part != "" {
				s.Tubes = append(s.Tubes, part)
			}
		}
	case "attach":
		in, kind := take("in"), take("in-kind")
		if in != "" && kind == string(event.KindPlace) {
			s.Details["place"] = event.Spelled(in)
		} else if in != "" {
			s.Carrier = in
		}
	case "receive":
		if s.Label == "" {
			s.Label = s.Details["as"]
		}
	case "void":
		if tube := take("tube"); tube != "" && s.Label == "" {
			s.Label = tube
		}
	}
	if tube := s.Details["tube"]; tube != "" && s.Label == "" {
		s.Label = take("tube")
	}
}

// times corrects the device's time. Only a measured offset moves a time back; an
// unmeasured clock that runs ahead is held to ours, since nothing has happened yet
// that is still to come.
func (d *Desk) times(out *custody.Scan, s Scan) {
	if s.HasClock {
		out.Occurred = s.DeviceTime - event.Instant(s.OffsetMs)
		return
	}
	out.Occurred = s.DeviceTime
	if ahead := s.DeviceTime.Sub(d.now()); ahead > futureTolerance {
		out.OffsetMs, out.UncertaintyMs = ahead.Milliseconds(), futureTolerance.Milliseconds()
		out.Occurred = d.now()
	}
}

// typed reads a time that a person typed. A local time that the clock change
// skipped or doubled is not guessed.
func (d *Desk) typed(out *custody.Scan, s Scan) error {
	if s.TypedAt == "" {
		return nil
	}
	for _, form := range []string{time.RFC3339, "2006-01-02T15:04Z07:00"} { // people type minutes
		if t, err := time.Parse(form, s.TypedAt); err == nil {
			out.Typed = event.At(t)
			return nil
		}
	}
	var zone string
	d.model.World(func(w *custody.World) {
		if p, ok := w.Place(out.Place); ok {
			zone = p.Zone
		}
	})
	if zone == "" {
		return &unreadable{event.RefuseNoOffset, fmt.Sprintf("the time %q has no zone and the place has none declared; add the zone, for example +01:00", s.TypedAt)}
	}
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return fmt.Errorf("intake: zone of %s: %w", out.Place, err)
	}
	at, err := local(s.TypedAt, loc)
	if err != nil {
		return err
	}
	out.Typed = event.At(at)
	return nil
}

var localForms = []string{"2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02T15:04:05"}

// local reads a wall-clock time of a zone. Go moves a time that does not exist;
// here it is refused, and so is one that existed twice.
func local(text string, loc *time.Location) (time.Time, error) {
	for _, form := range localForms {
		wall, err := time.Parse(form, text)
		if err != nil {
			continue
		}
		y, mo, day := wall.Date()
		h, mi, sec := wall.Clock()
		t := time.Date(y, mo, day, h, mi, sec, 0, loc)
		if t.Hour() != h || t.Minute() != mi || t.Day() != day {
			return time.Time{}, &unreadable{event.RefuseNoSuchTime, fmt.Sprintf("%s did not exist in %s: the clock was put forward; type the time that the clock showed", text, loc)}
		}
		for _, shift := range []time.Duration{-time.Hour, time.Hour} {
			o := t.Add(shift)
			if o.Hour() == h && o.Minute() == mi && o.Day() == day {
				return time.Time{}, &unreadable{event.RefuseAmbiguousTime, fmt.Sprintf("%s existed twice in %s: the clock was put back; add the offset, for example +01:00 or +02:00", text, loc)}
			}
		}
		return t, nil
	}
	return time.Time{}, fieldError("typedAt", "%q is no time; write 2026-11-24 08:30 or 2026-11-24T08:30:00+01:00", text)
}

// catalogue refuses codes that the laboratory doesn't have: a tube of an unknown
// type would never be judged.
func (d *Desk) catalogue(s Scan) error {
	if s.Type != "" {
		if _, ok := d.model.TubeType(s.Type); !ok {
			return fieldError("type", "%q is no tube type of the catalogue; see the rules page for the codes", s.Type)
		}
	}
	for _, key := range worded {
		form := detailForm
		if key == "checks" {
			form = checksForm
		}
		if v := s.Details[key]; v != "" && !form.MatchString(v) {
			return fieldError("details."+key, "use a code or a word of small letters and hyphens; own words belong into details.note, which is sealed")
		}
	}
	for i, t := range s.Tests {
		if _, ok := d.model.Assay(t); !ok && t != "none" {
			return fieldError(fmt.Sprintf("tests[%d]", i), "%q is no test of the catalogue; use the laboratory's code or LOINC", t)
		}
	}
	return nil
}

// worded are the details that stand in the log as they are: words and codes, never
// sentences, in which somebody's name could be.
var (
	worded     = []string{"defect", "after-care", "adverse-event", "site", "method", "condition", "report", "authoriser", "seal", "mode", "checks", "lot", "expiry"}
	detailForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._,/:-]{0,79}$`)
	// A draw may have many checks, each of them a word.
	checksForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}(,[a-z0-9][a-z0-9-]{0,39}){0,19}$`)
)

// private replaces what must not stand in the log: the patient number by its
// reference, free text by ciphertext.
func (d *Desk) private(ctx context.Context, out *custody.Scan, s Scan) error {
	text := s.Note
	if s.Reason != "" {
		if event.IsReasonWord(s.Reason) {
			out.Reason = s.Reason
		} else {
			text = strings.TrimSpace(s.Reason + "\n" + s.Note)
		}
	}
	if reason := out.Details["override"]; reason != "" && !event.IsReasonWord(reason) {
		out.Details["override"] = "explained"
		text = strings.TrimSpace(text + "\n" + reason)
	}
	if s.Patient != "" {
		number, err := d.patientNumber(s.Patient)
		if err != nil {
			return err
		}
		out.Patient, out.Note, err = d.patients.Patient(ctx, number, text)
		return err
	}
	if text == "" {
		return nil
	}
	// No patient is known here: the text gets a key that belongs to the thing it
	// speaks of, so that it can be erased alone.
	var err error
	out.Note, err = d.patients.Text(ctx, string(out.Target.Kind)+" "+string(out.Target.Key), text)
	return err
}

// party gives a person or place that something comes from or goes to; a place is
// spelled as the directory does.
func party(text string, placed func(string) bool) string {
	if name := event.Spelled(text); text != "" && placed(name) {
		return name
	}
	return text
}

// codes gives tests by the laboratory's code where they were said by LOINC.
func (d *Desk) codes(tests []string) []string {
	out := slices.Clone(tests)
	for i, t := range out {
		if a, ok := d.model.Assay(t); ok {
			out[i] = a.Code
		}
	}
	return out
}
