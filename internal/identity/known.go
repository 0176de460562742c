package identity

import (
	"context"
	"errors"
	"strings"
)

// Known gives the reference that a number leads to, without making one and without
// showing anything. Errors: ErrUnknown.
func (s *Store) Known(ctx context.Context, number string) (string, error) {
	k, _, err := s.stored(ctx, s.index(number))
	if err != nil {
		return "", err
	}
	if k.Reference == "" {
		return "", ErrUnknown
	}
	own, err := s.at(ctx, k.Reference)
	if err == nil {
		own, err = s.root(ctx, own)
	}
	if errors.Is(err, ErrErased) {
		return "", ErrUnknown // its key is about to go; the number is as good as new
	}
	return own.ref, err
}

// ForgetText destroys the key of the free text about a thing, if there ever was any.
func (s *Store) ForgetText(ctx context.Context, about string) error {
	ref, err := s.Known(ctx, "text of "+about)
	if errors.Is(err, ErrUnknown) {
		return nil
	}
	if err != nil {
		return err
	}
	return s.Erase(ctx, ref)
}

// LyingAt gives those of the references whose patient lies at a place, in their order.
// It shows nobody anything else of them: who may see them looks with LookAll.
func (s *Store) LyingAt(ctx context.Context, place string, refs []string) ([]string, error) {
	var out []string
	for _, ref := range refs {
		person, err := s.read(ctx, ref)
		if errors.Is(err, ErrErased) || errors.Is(err, ErrUnknown) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if strings.EqualFold(person.Place, place) {
			out = append(out, ref)
		}
	}
	return out, nil
}

// read gives a person to this package alone: nobody is shown, nothing is recorded.
func (s *Store) read(ctx context.Context, ref string) (Person, error) {
	own, err := s.at(ctx, ref)
	if err != nil {
		return Person{}, err
	}
	p, err := s.root(ctx, own)
	if err != nil {
		return Person{}, err
	}
	key, err := s.keyOf(ctx, p)
	if err != nil {
		return Person{}, err
	}
	return opensPerson(p, key)
}
