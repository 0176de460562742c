package identity

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Due reports whether the ring must be rotated: the newest key is half as old as keys
// are kept or hasn't wrapped all yet, or a key has outlived its time.
func (s *Store) Due(now event.Instant) bool { return s.ring.due(now, s.keep) }

// BackupsReadableFor is for how many days a backup of KEYS can be opened at the most,
// once it was made: the days that keys are kept, or the age of the oldest in the ring
// where rotation was held up.
func (s *Store) BackupsReadableFor() int {
	const day = 24 * time.Hour
	longest := s.keep
	if made := s.ring.oldest(); made != 0 {
		longest = max(longest, s.now().Sub(made))
	}
	return int((longest + day - 1) / day)
}

// Rotate puts a new key into the ring, wraps every patient's key under it, and lets
// the keys leave that are older than they are kept. One that broke off is gone on
// with. A key leaves only behind a whole round, so nothing becomes unreadable.
func (s *Store) Rotate(ctx context.Context) error { return s.rotate(ctx, true) }

// Tend does what is due: it finishes erasures that broke off and rotates when it is
// time. Call it at the start and every hour; several processes may.
func (s *Store) Tend(ctx context.Context) error {
	err := s.endAll(ctx)
	if s.Due(s.now()) {
		err = errors.Join(err, s.rotate(ctx, false))
	}
	return err
}

func (s *Store) rotate(ctx context.Context, force bool) error {
	s.rotating.Lock()
	defer s.rotating.Unlock()
	id, err := s.ring.begin(s.keep, force)
	if err != nil {
		return err
	}
	wrapped := 0
	err = s.keys.Each(ctx, func(it eventlog.Item) error {
		did, err := s.rewrap(ctx, it.Key, id)
		if did {
			wrapped++
		}
		return err
	})
	if err != nil {
		return err
	}
	s.logger.Info("the patients' keys are wrapped anew", slog.Int("keys", wrapped), slog.String("wrap", id))
	return s.ring.finish(id, s.keep)
}

// rewrap wraps one patient's key under the newest key of the ring, unless it is under
// id already, and makes the record that keys from before there were records lack.
func (s *Store) rewrap(ctx context.Context, index, id string) (bool, error) {
	for range attempts {
		k, rev, err := s.stored(ctx, index)
		if errors.Is(err, errDamaged) {
			s.leftAlone(index, err)
			return false, nil
		}
		if err != nil || k.Reference == "" {
			return false, err
		}
		if _, err := s.get(ctx, k.Reference); errors.Is(err, ErrUnknown) {
			_, err = s.introduce(ctx, k.Reference, index)
			if err != nil && !errors.Is(err, ErrErased) {
				return false, err
			}
		} else if err != nil && !errors.Is(err, ErrErased) {
			return false, err
		}
		if k.Wrapped && k.Wrap == id {
			return false, nil
		}
		key, err := s.unwrapped(k)
		if errors.Is(err, errDamaged) || errors.Is(err, ErrNoRingKey) {
			s.leftAlone(index, err)
			return false, nil
		}
		if err != nil {
			return false, err
		}
		data, err := s.wrapped(k.Reference, key)
		if err != nil {
			return false, err
		}
		if _, err = s.keys.Put(ctx, index, data, rev); !errors.Is(err, eventlog.ErrConflict) {
			return err == nil, err
		}
	}
	return false, eventlog.ErrConflict
}

// leftAlone tells of a key that no key of the ring opens. It must not hold up the
// others for ever, and a key that leaves the ring changes nothing for it.
func (s *Store) leftAlone(index string, err error) {
	s.logger.Error("a patient's key can't be wrapped anew and is left as it is", slog.String("index", index), slog.Any("error", err))
}
