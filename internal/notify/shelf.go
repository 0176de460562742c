package notify

import (
	"context"
	"errors"

	"specimen.example/custody/internal/eventlog"
)

// OnShelf keeps a channel's record under key on a shelf of the log.
func OnShelf(shelf eventlog.Shelf, key string) Store { return &onShelf{shelf, key} }

type onShelf struct {
	shelf eventlog.Shelf
	key   string
}

// Load implements Store.
func (s *onShelf) Load(ctx context.Context) ([]byte, uint64, error) {
	data, revision, err := s.shelf.Get(ctx, s.key)
	if errors.Is(err, eventlog.ErrAbsent) {
		err = nil
	}
	return data, revision, err
}

// Save implements Store.
func (s *onShelf) Save(ctx context.Context, data []byte, after uint64) (uint64, error) {
	revision, err := s.shelf.Put(ctx, s.key, data, after)
	if errors.Is(err, eventlog.ErrConflict) {
		err = errors.Join(ErrOvertaken, err)
	}
	return revision, err
}
