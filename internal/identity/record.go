package identity

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
)

// record is what IDENTITY holds under a reference. Who a reference was merged into is
// decided by Into alone; Merged of the one that stays lists at least those.
type record struct {
	V      int      `json:"v"`
	Index  string   `json:"index"` // where KEYS holds the key
	Into   string   `json:"into,omitempty"`
	Merged []string `json:"merged,omitempty"`
	// Ending is put first when a patient is erased; Doomed then says what goes.
	Ending bool     `json:"ending,omitempty"`
	Doomed []doomed `json:"doomed,omitempty"`
	Nonce  []byte   `json:"nonce,omitempty"`
	Box    []byte   `json:"box,omitempty"` // the person, under the patient's key
}

type doomed struct {
	Reference string `json:"reference"`
	Index     string `json:"index"`
}

const recordVersion = 1

func parseRecord(data []byte) (record, error) {
	var r record
	if err := json.Unmarshal(data, &r); err != nil {
		return record{}, fmt.Errorf("identity: a stored record is damaged: %w", err)
	}
	if r.V != recordVersion {
		return record{}, fmt.Errorf("identity: a stored record has the form %d, this program knows %d; update it", r.V, recordVersion)
	}
	sound := soundReference(r.Index) && (r.Into == "" || soundReference(r.Into)) && (len(r.Box) == 0 || len(r.Nonce) == nonceSize)
	for _, m := range r.Merged {
		sound = sound && soundReference(m)
	}
	for _, d := range r.Doomed {
		sound = sound && soundReference(d.Reference) && soundReference(d.Index)
	}
	if !sound {
		return record{}, errors.New("identity: a stored record is damaged: it names what can't be")
	}
	return r, nil
}

// soundReference reports whether text can be one word of a shelf's key.
func soundReference(text string) bool {
	if text == "" || len(text) > 64 {
		return false
	}
	return !strings.ContainsFunc(text, func(r rune) bool {
		letter := 'A' <= r && r <= 'Z' || 'a' <= r && r <= 'z'
		return !letter && (r < '0' || r > '9') && r != '-' && r != '_'
	})
}

// place is a record and where it stands.
type place struct {
	ref string
	rec record
	rev uint64
}

// get reads the record of a reference. Errors: ErrErased, ErrUnknown.
func (s *Store) get(ctx context.Context, ref string) (place, error) {
	if !soundReference(ref) {
		return place{}, fmt.Errorf("%w: %q is no reference", ErrUnknown, ref)
	}
	data, rev, err := s.identity.Get(ctx, ref)
	switch {
	case errors.Is(err, eventlog.ErrAbsent) && rev != 0:
		return place{}, ErrErased
	case errors.Is(err, eventlog.ErrAbsent):
		return place{}, ErrUnknown
	case err != nil:
		return place{}, err
	}
	rec, err := parseRecord(data)
	return place{ref, rec, rev}, err
}

// at is get, also for a reference from before there were records.
func (s *Store) at(ctx context.Context, ref string) (place, error) {
	p, err := s.get(ctx, ref)
	if errors.Is(err, ErrUnknown) && soundReference(ref) {
		return s.adopted(ctx, ref)
	}
	return p, err
}

// adopted makes the record of a key from before there were records, by looking through
// KEYS. The first round of a rotation does so for all; from then on there are none.
func (s *Store) adopted(ctx context.Context, ref string) (place, error) {
	if s.ring.roundDone() {
		return place{}, ErrUnknown
	}
	index := ""
	err := s.keys.Each(ctx, func(it eventlog.Item) error {
		if k, err := wire.ReadKey(it.Data); err == nil && k.Reference == ref {
			index = it.Key
		}
		return nil
	})
	if err != nil {
		return place{}, err
	}
	if index == "" {
		return place{}, ErrUnknown
	}
	return s.introduce(ctx, ref, index)
}

// introduce makes the record of a reference that never had one.
func (s *Store) introduce(ctx context.Context, ref, index string) (place, error) {
	p, err := s.put(ctx, place{ref: ref, rec: record{V: recordVersion, Index: index}})
	if errors.Is(err, errAgain) { // another process did
		return s.get(ctx, ref)
	}
	return p, err
}

// put replaces the record of p. It gives errAgain when it isn't the newest.
func (s *Store) put(ctx context.Context, p place) (place, error) {
	data, err := json.Marshal(p.rec)
	if err != nil {
		return p, err
	}
	rev, err := s.identity.Put(ctx, p.ref, data, p.rev)
	if errors.Is(err, eventlog.ErrConflict) {
		return p, errAgain
	}
	if err != nil {
		return p, err
	}
	p.rev = rev
	return p, nil
}

// maxMerges bounds how long a chain of merges may be; longer is a damaged record.
const maxMerges = 1000

// last follows merges to the reference that stays, erased or not.
func (s *Store) last(ctx context.Context, p place) (place, error) {
	for range maxMerges {
		if p.rec.Into == "" {
			return p, nil
		}
		var err error
		if p, err = s.at(ctx, p.rec.Into); err != nil {
			return place{}, err
		}
	}
	return place{}, fmt.Errorf("identity: the merges of %s go in a circle; restore the records", p.ref)
}

// root follows merges to the reference that stays. Errors: ErrErased, which comes with
// the place of one that is being erased.
func (s *Store) root(ctx context.Context, p place) (place, error) {
	p, err := s.last(ctx, p)
	if err == nil && p.rec.Ending {
		err = ErrErased
	}
	return p, err
}

// keyOf gives the patient's key of a record. Errors: ErrErased, ErrNoRingKey.
func (s *Store) keyOf(ctx context.Context, p place) ([]byte, error) {
	k, _, err := s.stored(ctx, p.rec.Index)
	if err != nil {
		return nil, err
	}
	if k.Reference != p.ref {
		return nil, ErrErased
	}
	return s.unwrapped(k)
}

// stored reads KEYS; a key without reference is none.
func (s *Store) stored(ctx context.Context, index string) (wire.PatientKey, uint64, error) {
	data, rev, err := s.keys.Get(ctx, index)
	if errors.Is(err, eventlog.ErrAbsent) {
		return wire.PatientKey{}, rev, nil
	}
	if err != nil {
		return wire.PatientKey{}, 0, err
	}
	k, err := wire.ReadKey(data)
	if err != nil {
		return wire.PatientKey{}, rev, fmt.Errorf("%w: %w", errDamaged, err)
	}
	return k, rev, nil
}

// unwrapped gives the key itself. Logs from before there was a ring hold it in the clear.
func (s *Store) unwrapped(k wire.PatientKey) ([]byte, error) {
	if k.Wrapped {
		return s.ring.unwrap(k.Reference, k.Wrap, k.Key)
	}
	if len(k.Key) != 32 {
		return nil, fmt.Errorf("%w: %s has not 32 bytes", errDamaged, k.Reference)
	}
	return k.Key, nil
}

// wrapped gives what KEYS holds for a key.
func (s *Store) wrapped(ref string, key []byte) ([]byte, error) {
	box, id, err := s.ring.wrap(ref, key)
	if err != nil {
		return nil, err
	}
	return wire.Key(wire.PatientKey{Reference: ref, Key: box, Wrapped: true, Wrap: id})
}

// keyAt gives the key of an index and makes it where there is none. It gives errAgain
// when another process was at work there.
func (s *Store) keyAt(ctx context.Context, index string) (Key, error) {
	k, rev, err := s.stored(ctx, index)
	if err != nil {
		return Key{}, err
	}
	if k.Reference == "" {
		return s.makeKey(ctx, index, rev)
	}
	own, err := s.get(ctx, k.Reference)
	switch {
	case errors.Is(err, ErrUnknown): // killed before its record was made, or from before there were records
		own, err = s.introduce(ctx, k.Reference, index)
	case errors.Is(err, ErrErased): // an old copy of KEYS was put back
		if err = s.bury(ctx, doomed{k.Reference, index}); err == nil {
			err = errAgain
		}
	}
	if err != nil {
		return Key{}, err
	}
	p, err := s.root(ctx, own)
	switch {
	case errors.Is(err, ErrErased) && p.rec.Ending: // an erasure that was broken off, or goes on elsewhere
		if err := s.end(ctx, p); err != nil && !errors.Is(err, errAgain) {
			return Key{}, err
		}
		return Key{}, errAgain
	case errors.Is(err, ErrErased):
		if err := s.bury(ctx, doomed{own.ref, index}); err != nil {
			return Key{}, err
		}
		return Key{}, errAgain
	case err != nil:
		return Key{}, err
	}
	var key []byte
	if p.ref == k.Reference {
		key, err = s.unwrapped(k)
	} else {
		key, err = s.keyOf(ctx, p)
	}
	if errors.Is(err, ErrErased) {
		return Key{}, errAgain
	}
	return Key{Reference: p.ref, key: key}, err
}

// makeKey gives a number a reference. The shelf settles which of two processes did.
// The key stands before its record: a record without key would look erased.
func (s *Store) makeKey(ctx context.Context, index string, rev uint64) (Key, error) {
	material := make([]byte, 42)
	if _, err := io.ReadFull(s.rand, material); err != nil {
		return Key{}, fmt.Errorf("%w: %w", errNoRandomness, err)
	}
	k := Key{Reference: "R" + plainBase32.EncodeToString(material[:10]), key: material[10:]}
	data, err := s.wrapped(k.Reference, k.key)
	if err != nil {
		return Key{}, err
	}
	if _, err = s.keys.Put(ctx, index, data, rev); errors.Is(err, eventlog.ErrConflict) {
		return Key{}, errAgain
	}
	if err != nil {
		return Key{}, err
	}
	p, err := s.introduce(ctx, k.Reference, index)
	if err == nil && (p.rec.Ending || p.rec.Into != "") { // somebody was quick
		err = errAgain
	}
	return k, err
}
