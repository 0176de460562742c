package identity

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Person is who a patient is. Empty fields were not said.
type Person struct {
	Number string `json:"number,omitempty"` // of the patient, whole
	Family string `json:"family,omitempty"`
	Given  string `json:"given,omitempty"`
	Birth  string `json:"birth,omitempty"` // ISO 8601: 1951-03-02, 1951-03 or 1951
	Sex    string `json:"sex,omitempty"`   // a word of HL7 FHIR R4 AdministrativeGender
	Place  string `json:"place,omitempty"`
	Bed    string `json:"bed,omitempty"`
}

// Name is the person's name as lists show it.
func (p Person) Name() string {
	if p.Family == "" || p.Given == "" {
		return p.Family + p.Given
	}
	return p.Family + ", " + p.Given
}

// The fields of a Person by name, in the order in which records are set side by side.
const (
	FieldNumber = "number"
	FieldFamily = "family"
	FieldGiven  = "given"
	FieldBirth  = "birth"
	FieldSex    = "sex"
	FieldPlace  = "place"
	FieldBed    = "bed"
)

type field struct {
	name string
	of   func(*Person) *string
}

var fields = [...]field{
	{FieldNumber, func(p *Person) *string { return &p.Number }},
	{FieldFamily, func(p *Person) *string { return &p.Family }},
	{FieldGiven, func(p *Person) *string { return &p.Given }},
	{FieldBirth, func(p *Person) *string { return &p.Birth }},
	{FieldSex, func(p *Person) *string { return &p.Sex }},
	{FieldPlace, func(p *Person) *string { return &p.Place }},
	{FieldBed, func(p *Person) *string { return &p.Bed }},
}

// FieldError names a field and the remedy.
type FieldError struct{ Field, Say string }

// Error implements error.
func (e *FieldError) Error() string { return e.Field + ": " + e.Say }

// maxField is the longest text of a field in bytes.
const maxField = 200

// checked gives p with its fields trimmed, or a *FieldError.
func (p Person) checked() (Person, error) {
	for _, f := range fields {
		text := f.of(&p)
		*text = strings.TrimSpace(*text)
		if say := unsound(*text, maxField); say != "" {
			return p, &FieldError{f.name, say}
		}
	}
	if p.Birth != "" && !soundBirth(p.Birth) {
		return p, &FieldError{FieldBirth, "write it as 1951-03-02, or 1951-03 or 1951 when that is all that is known"}
	}
	switch p.Sex {
	case "", "male", "female", "other", "unknown":
	default:
		return p, &FieldError{FieldSex, "it must be male, female, other or unknown"}
	}
	return p, nil
}

// unsound says why text can't be one line of a record, or "".
func unsound(text string, most int) string {
	switch {
	case len(text) > most:
		return fmt.Sprintf("it has %d bytes; %d is the most", len(text), most)
	case strings.ToValidUTF8(text, "") != text:
		return "it is not UTF-8; send it as UTF-8"
	case strings.ContainsFunc(text, unicode.IsControl):
		return "it holds a control character; send one line of text"
	}
	return ""
}

func soundBirth(text string) bool {
	for _, form := range []string{time.DateOnly, "2006-01", "2006"} {
		if _, err := time.Parse(form, text); err == nil {
			return true
		}
	}
	return false
}

// Written is what Write did.
type Written struct {
	Reference string
	Changed   []string // names of fields that are other than before
}

// Write keeps who a patient's number belongs to. What was typed is kept; whether it
// is another text than before is asked in Unicode NFC (UAX 15). The record shows the
// number under which it was begun: one that was merged into it leads here, and stays
// in its own record. Errors: *FieldError.
func (s *Store) Write(ctx context.Context, number string, person Person) (Written, error) {
	person.Number = number
	person, err := person.checked()
	if err != nil {
		return Written{}, err
	}
	if person.Number == "" {
		return Written{}, &FieldError{FieldNumber, "there is none; scan or type the patient's number"}
	}
	for range attempts {
		w, err := s.write(ctx, person)
		if !errors.Is(err, errAgain) {
			return w, err
		}
		s.forget()
	}
	return Written{}, eventlog.ErrConflict
}

func (s *Store) write(ctx context.Context, person Person) (Written, error) {
	k, err := s.Key(ctx, person.Number)
	if err != nil {
		return Written{}, err
	}
	p, err := s.get(ctx, k.Reference)
	if err == nil && (p.rec.Into != "" || p.rec.Ending) || errors.Is(err, ErrErased) {
		return Written{}, errAgain // since Key remembered it
	}
	if err != nil {
		return Written{}, err
	}
	old, err := opensPerson(p, k.key)
	if err != nil {
		return Written{}, err
	}
	if old.Number != "" && p.rec.Index != s.index(person.Number) {
		person.Number = old.Number
	}
	w := Written{Reference: p.ref}
	for _, f := range fields {
		if norm.NFC.String(*f.of(&old)) != norm.NFC.String(*f.of(&person)) {
			w.Changed = append(w.Changed, f.name)
		}
	}
	if len(w.Changed) == 0 {
		return w, nil
	}
	text, err := json.Marshal(person)
	if err != nil {
		return Written{}, err
	}
	if p.rec.Nonce, p.rec.Box, err = sealed(s.rand, k.key, text, personOf(p.ref)); err != nil {
		return Written{}, fmt.Errorf("identity: seal: %w", err)
	}
	_, err = s.put(ctx, p)
	return w, err
}

// personOf is the additional data of a person's box, so that no box opens as another's
// or as free text.
func personOf(ref string) []byte { return []byte("person " + ref) }

// opensPerson reads the person of a record; nobody when none was written.
func opensPerson(p place, key []byte) (Person, error) {
	var person Person
	if len(p.rec.Box) == 0 {
		return person, nil
	}
	text, err := opened(key, p.rec.Nonce, p.rec.Box, personOf(p.ref))
	if err == nil {
		err = json.Unmarshal(text, &person)
	}
	if err != nil {
		return Person{}, fmt.Errorf("identity: the record of %s is damaged: %w", p.ref, err)
	}
	return person, nil
}

// View says who looks at identity, and why. It holds no identity itself.
type View struct {
	By        string `json:"by,omitempty"`        // as declared
	Principal string `json:"principal,omitempty"` // as signed in
	Role      string `json:"role,omitempty"`
	Device    string `json:"device,omitempty"`
	Place     string `json:"place,omitempty"`
	Why       string `json:"why"`             // a word: small letters and hyphens
	About     string `json:"about,omitempty"` // kind and key: "tube L-TB260118"
}

// Viewed is one look of the past.
type Viewed struct {
	View
	ID    string        `json:"-"`
	At    event.Instant `json:"at"`
	Asked string        `json:"asked,omitempty"` // the reference that was asked for, when it leads to this one
	V     int           `json:"v"`
}

func (v View) check() error {
	for _, f := range []struct{ name, text string }{
		{"by", v.By}, {"principal", v.Principal}, {"role", v.Role}, {"device", v.Device}, {"place", v.Place},
	} {
		if say := unsound(f.text, 100); say != "" {
			return &FieldError{f.name, say}
		}
	}
	if v.By == "" && v.Principal == "" {
		return &FieldError{"by", "say who looks"}
	}
	if v.Why == "" || len(v.Why) > 40 || strings.Trim(v.Why, "abcdefghijklmnopqrstuvwxyz-") != "" {
		return &FieldError{"why", "say in one word of small letters why, for example collect"}
	}
	if v.About == "" {
		return nil
	}
	kind, key, two := strings.Cut(v.About, " ")
	for _, k := range event.Kinds() {
		if two && string(k) == kind && event.Key(key).Valid() {
			return nil
		}
	}
	return &FieldError{"about", "name what it is about by kind and key, for example tube L-TB260118"}
}

// record puts a look on ACCESS. The id begins with the time, so that looks stand in
// order; the rest is random.
func (s *Store) record(ctx context.Context, v View, ref, asked string) error {
	now := s.now()
	seen := Viewed{View: v, At: now, V: recordVersion}
	if asked != ref {
		seen.Asked = asked
	}
	data, err := json.Marshal(seen)
	if err != nil {
		return err
	}
	tail := random(s.rand, 10)
	if tail == "" {
		return errNoRandomness
	}
	if _, err := s.access.Put(ctx, fmt.Sprintf("%s.%012X-%s", ref, uint64(max(now, 0)), tail), data, 0); err != nil { //nolint:gosec // not negative
		return fmt.Errorf("identity: nothing is shown, because who looks can't be recorded: %w", err)
	}
	return nil
}

// Look shows who a reference belongs to, once it is recorded who looks. Errors:
// ErrErased, ErrUnknown, ErrNoRingKey, *FieldError.
func (s *Store) Look(ctx context.Context, v View, ref string) (Person, error) {
	if err := v.check(); err != nil {
		return Person{}, err
	}
	own, err := s.at(ctx, ref)
	if err != nil {
		return Person{}, err
	}
	p, err := s.root(ctx, own)
	if err != nil {
		return Person{}, err
	}
	if err := s.record(ctx, v, p.ref, ref); err != nil {
		return Person{}, err
	}
	key, err := s.keyOf(ctx, p)
	if err != nil {
		return Person{}, err
	}
	person, err := opensPerson(p, key)
	if err == nil && person == (Person{}) {
		err = ErrUnknown
	}
	return person, err
}

// Looked is one answer of LookAll.
type Looked struct {
	Reference string
	Person    Person
	Err       error // nil, ErrErased or ErrUnknown
}

// lookers is how many looks of one list go on at the same time.
const lookers = 8

// LookAll is Look for a list. When one of them can't be recorded, none is shown.
func (s *Store) LookAll(ctx context.Context, v View, refs []string) ([]Looked, error) {
	out := make([]Looked, len(refs))
	var wait sync.WaitGroup
	places := make(chan struct{}, lookers)
	for i, ref := range refs {
		places <- struct{}{}
		wait.Go(func() {
			defer func() { <-places }()
			out[i].Reference = ref
			out[i].Person, out[i].Err = s.Look(ctx, v, ref)
		})
	}
	wait.Wait()
	for _, l := range out {
		if l.Err != nil && !errors.Is(l.Err, ErrErased) && !errors.Is(l.Err, ErrUnknown) {
			return nil, l.Err
		}
	}
	return out, nil
}

// Find is Look by the patient's whole number; it makes nothing. It gives the reference
// also where nothing but the number was written.
func (s *Store) Find(ctx context.Context, v View, number string) (string, Person, error) {
	if err := v.check(); err != nil {
		return "", Person{}, err
	}
	k, _, err := s.stored(ctx, s.index(number))
	if err != nil {
		return "", Person{}, err
	}
	if k.Reference == "" {
		return "", Person{}, ErrUnknown
	}
	own, err := s.at(ctx, k.Reference)
	if err == nil {
		own, err = s.root(ctx, own)
	}
	if errors.Is(err, ErrErased) {
		return "", Person{}, ErrUnknown // its key is about to go; the number is as good as new
	}
	if err != nil {
		return "", Person{}, err
	}
	person, err := s.Look(ctx, v, own.ref)
	return own.ref, person, err
}

// Views lists who looked at a reference, oldest first, also after it was erased.
func (s *Store) Views(ctx context.Context, ref string) ([]Viewed, error) {
	if !soundReference(ref) {
		return nil, fmt.Errorf("%w: %q is no reference", ErrUnknown, ref)
	}
	var out []Viewed
	err := s.access.Under(ctx, ref, func(it eventlog.Item) error {
		v, err := parseViewed(it.Data)
		v.ID = strings.TrimPrefix(it.Key, ref+".")
		out = append(out, v)
		return err
	})
	return out, err
}

func parseViewed(data []byte) (Viewed, error) {
	var v Viewed
	if err := json.Unmarshal(data, &v); err != nil {
		return v, fmt.Errorf("identity: a stored look is damaged: %w", err)
	}
	if v.V != recordVersion {
		return v, fmt.Errorf("identity: a stored look has the form %d, this program knows %d; update it", v.V, recordVersion)
	}
	return v, nil
}
