package identity

import (
	"context"
	"encoding/json"
	"errors"
	"strings"

	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
)

// endings is the first word of the keys under which IDENTITY notes which erasures were
// begun, so that one that broke off is found without looking through all.
const endings = "ENDING"

// Erase destroys every key and every record of a patient and of all that was merged
// into it. Afterwards ErrErased is all that anybody hears of them; their numbers are
// new if they ever come again; who looked stays on ACCESS. Erasing twice is no error.
// Errors: ErrUnknown, or that of a shelf: then it goes on with Tend, or asked again.
//
// The order, which must stay:
//
//  1. A note (and one of the reference that stays) that the erasure was begun. From here on it will be finished.
//  2. The record that stays is put without the person and says "ending". From here on
//     nobody can read anything of it or of what was merged into it, since every way to
//     a key leads over this record.
//  3. What was listed as merged, but isn't, is put once more as it is: a merge that is
//     under way meets a conflict and finds the ending. Then the list is settled and put.
//  4. The keys go, each only if it is still the erased patient's: the number may have
//     come again meanwhile.
//  5. The records of what was merged go.
//  6. The record that stays goes: it is the list of what is left to do.
//  7. The note goes.
//
// A kill between two steps leaves what is done done, and the rest findable by the note.
func (s *Store) Erase(ctx context.Context, ref string) error {
	if _, err := s.at(ctx, ref); errors.Is(err, ErrErased) {
		return s.rest(ctx, place{ref: ref})
	} else if err != nil {
		return err
	}
	if err := s.note(ctx, ref); err != nil {
		return err
	}
	return s.erase(ctx, ref)
}

// rest removes what is left of a reference whose root is gone.
func (s *Store) rest(ctx context.Context, own place) error {
	if own.rec.Index != "" {
		if err := s.bury(ctx, doomed{own.ref, own.rec.Index}); err != nil {
			return err
		}
	}
	if err := s.identity.Erase(ctx, own.ref); err != nil { // also one that broke off while it was overwritten
		return err
	}
	return s.unnote(ctx, own.ref)
}

func (s *Store) erase(ctx context.Context, ref string) error {
	for range attempts {
		own, err := s.get(ctx, ref)
		p := own
		if err == nil {
			p, err = s.last(ctx, own)
		}
		switch {
		case errors.Is(err, ErrErased):
			own.ref = ref
			return s.rest(ctx, own)
		case errors.Is(err, ErrUnknown):
			return s.unnote(ctx, ref)
		case err != nil:
			return err
		}
		if p.ref != ref {
			if err := s.note(ctx, p.ref); err != nil {
				return err
			}
		}
		if !p.rec.Ending {
			p.rec = record{V: recordVersion, Index: p.rec.Index, Merged: p.rec.Merged, Ending: true}
			if p, err = s.put(ctx, p); errors.Is(err, errAgain) {
				continue
			} else if err != nil {
				return err
			}
		}
		if err = s.end(ctx, p); errors.Is(err, errAgain) {
			continue
		}
		if err == nil && p.ref != ref {
			err = s.unnote(ctx, ref)
		}
		return err
	}
	return eventlog.ErrConflict
}

// end does the steps from 3 on.
func (s *Store) end(ctx context.Context, p place) error {
	defer s.forget()
	if len(p.rec.Doomed) == 0 {
		var err error
		if p, err = s.settle(ctx, p); err != nil {
			return err
		}
	}
	for _, d := range p.rec.Doomed {
		if err := s.bury(ctx, d); err != nil {
			return err
		}
	}
	for _, d := range p.rec.Doomed {
		if d.Reference == p.ref {
			continue
		}
		if err := s.identity.Erase(ctx, d.Reference); err != nil {
			return err
		}
		if err := s.unnote(ctx, d.Reference); err != nil {
			return err
		}
	}
	if err := s.identity.Erase(ctx, p.ref); err != nil {
		return err
	}
	return s.unnote(ctx, p.ref)
}

// settle puts the list of what goes with p.
func (s *Store) settle(ctx context.Context, p place) (place, error) {
	for _, ref := range p.rec.Merged {
		m, err := s.get(ctx, ref)
		if err == nil && m.rec.Into == "" {
			_, err = s.put(ctx, m)
		}
		if err != nil && !errors.Is(err, ErrErased) && !errors.Is(err, ErrUnknown) {
			return p, err
		}
	}
	p.rec.Doomed = []doomed{{p.ref, p.rec.Index}}
	for _, ref := range p.rec.Merged {
		m, err := s.get(ctx, ref)
		var leads place
		if err == nil {
			leads, err = s.last(ctx, m)
		}
		if errors.Is(err, ErrErased) || errors.Is(err, ErrUnknown) {
			continue
		}
		if err != nil {
			return p, err
		}
		if leads.ref == p.ref {
			p.rec.Doomed = append(p.rec.Doomed, doomed{m.ref, m.rec.Index})
		}
	}
	return s.put(ctx, p)
}

// bury destroys a key. It puts a record without reference and key, which overwrites
// what stood there: unlike Erase of a shelf, that expects what it replaces. An empty
// one is put anew, since one that broke off may not have overwritten all.
func (s *Store) bury(ctx context.Context, d doomed) error {
	none, err := wire.Key(wire.PatientKey{Wrapped: true})
	if err != nil {
		return err
	}
	for range attempts {
		k, rev, err := s.stored(ctx, d.Index)
		if err != nil {
			return err
		}
		if rev == 0 || k.Reference != "" && k.Reference != d.Reference {
			return nil
		}
		if _, err = s.keys.Put(ctx, d.Index, none, rev); !errors.Is(err, eventlog.ErrConflict) {
			return err
		}
	}
	return eventlog.ErrConflict
}

func (s *Store) note(ctx context.Context, ref string) error {
	data, err := json.Marshal(struct {
		V int `json:"v"`
	}{recordVersion})
	if err != nil {
		return err
	}
	_, rev, err := s.identity.Get(ctx, endings+"."+ref)
	if err == nil {
		return nil // it stands
	}
	if !errors.Is(err, eventlog.ErrAbsent) {
		return err
	}
	if _, err = s.identity.Put(ctx, endings+"."+ref, data, rev); errors.Is(err, eventlog.ErrConflict) {
		return nil // another process erases it too
	}
	return err
}

func (s *Store) unnote(ctx context.Context, ref string) error {
	return s.identity.Erase(ctx, endings+"."+ref)
}

// endAll finishes the erasures that were begun.
func (s *Store) endAll(ctx context.Context) error {
	var begun []string
	err := s.identity.Under(ctx, endings, func(it eventlog.Item) error {
		begun = append(begun, strings.TrimPrefix(it.Key, endings+"."))
		return nil
	})
	for _, ref := range begun {
		if e := s.erase(ctx, ref); e != nil {
			err = errors.Join(err, e)
		}
	}
	return err
}
