package identity

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"specimen.example/custody/internal/eventlog"
)

// Merge says that two references are one person. From now on the numbers of gone lead
// to keep; what was sealed under gone stays readable, and erasing keep erases both.
// Asked again it does nothing. Errors: ErrErased, ErrUnknown.
//
// The order: keep lists gone first, then gone says that it leads to keep. Only the
// second decides, so a merge that breaks off in between has not happened.
func (s *Store) Merge(ctx context.Context, keep, gone string) error {
	for range attempts {
		err := s.merge(ctx, keep, gone)
		if !errors.Is(err, errAgain) {
			return err
		}
	}
	return eventlog.ErrConflict
}

func (s *Store) merge(ctx context.Context, keep, gone string) error {
	// What leaves is read before what stays is changed: two merges against each other
	// can't both pass, whatever their order.
	leaves, err := s.reached(ctx, gone)
	if err != nil {
		return fmt.Errorf("%s: %w", gone, err)
	}
	stays, err := s.reached(ctx, keep)
	if err != nil {
		return fmt.Errorf("%s: %w", keep, err)
	}
	if stays.ref == leaves.ref {
		return nil
	}
	for _, ref := range append([]string{leaves.ref}, leaves.rec.Merged...) {
		if !slices.Contains(stays.rec.Merged, ref) {
			stays.rec.Merged = append(stays.rec.Merged, ref)
		}
	}
	if _, err := s.put(ctx, stays); err != nil { // also when the list has it: others must see a change
		return err
	}
	leaves.rec.Into = stays.ref
	if _, err := s.put(ctx, leaves); err != nil {
		return err
	}
	s.forget()
	return nil
}

func (s *Store) reached(ctx context.Context, ref string) (place, error) {
	p, err := s.at(ctx, ref)
	if err != nil {
		return p, err
	}
	return s.root(ctx, p)
}
