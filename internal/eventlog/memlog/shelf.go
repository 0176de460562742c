package memlog

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"specimen.example/custody/internal/eventlog"
)

// shelf implements eventlog.Shelf. It lives as long as the log, also over Reopen.
type shelf struct {
	name eventlog.ShelfName

	mu    sync.Mutex
	last  uint64
	items map[string]eventlog.Item
	grown chan struct{} // closed and replaced on every change
}

// Shelf implements eventlog.Log.
func (l *Log) Shelf(name eventlog.ShelfName) eventlog.Shelf {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.shelves[name]
	if s == nil {
		s = &shelf{name: name, items: map[string]eventlog.Item{}, grown: make(chan struct{})}
		l.shelves[name] = s
	}
	return s
}

// Get implements eventlog.Shelf.
func (s *shelf) Get(_ context.Context, key string) ([]byte, uint64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	it := s.items[key]
	if len(it.Data) == 0 {
		return nil, it.Revision, eventlog.ErrAbsent
	}
	return bytes.Clone(it.Data), it.Revision, nil
}

// Put implements eventlog.Shelf.
func (s *shelf) Put(_ context.Context, key string, data []byte, after uint64) (uint64, error) {
	if key == "" || strings.ContainsAny(key, " *>") || len(data) == 0 {
		return 0, fmt.Errorf("memlog: nothing can be put under %q", key)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.items[key].Revision != after {
		return 0, eventlog.ErrConflict
	}
	return s.store(key, bytes.Clone(data)), nil
}

func (s *shelf) store(key string, data []byte) uint64 {
	s.last++
	s.items[key] = eventlog.Item{Key: key, Revision: s.last, Data: data}
	close(s.grown)
	s.grown = make(chan struct{})
	return s.last
}

// Erase implements eventlog.Shelf.
func (s *shelf) Erase(_ context.Context, key string) error {
	if !s.name.Erasable() {
		return eventlog.ErrKept
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if it := s.items[key]; len(it.Data) > 0 {
		clear(it.Data)
		s.store(key, nil)
	}
	return nil
}

// behind gives what was changed after a revision, in order, and when that grows.
func (s *shelf) behind(revision uint64) ([]eventlog.Item, chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []eventlog.Item
	for _, it := range slices.SortedFunc(maps.Values(s.items), func(a, b eventlog.Item) int { return cmp.Compare(a.Revision, b.Revision) }) {
		if it.Revision > revision {
			it.Data = bytes.Clone(it.Data)
			out = append(out, it)
		}
	}
	return out, s.grown
}

// Each implements eventlog.Shelf.
func (s *shelf) Each(_ context.Context, f func(eventlog.Item) error) error {
	items, _ := s.behind(0)
	for _, it := range items {
		if len(it.Data) == 0 {
			continue
		}
		if err := f(it); err != nil {
			return err
		}
	}
	return nil
}

// Under implements eventlog.Shelf.
func (s *shelf) Under(ctx context.Context, first string, f func(eventlog.Item) error) error {
	return s.Each(ctx, func(it eventlog.Item) error {
		if !strings.HasPrefix(it.Key, first+".") {
			return nil
		}
		return f(it)
	})
}

// Follow implements eventlog.Shelf.
func (s *shelf) Follow(ctx context.Context, f func(eventlog.Item), ready func()) error {
	var at uint64
	for first := true; ; first = false {
		items, grown := s.behind(at)
		for _, it := range items {
			f(it)
			at = it.Revision
		}
		if first {
			ready()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-grown:
		}
	}
}
