package eventlog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
)

// ShelfName names a shelf.
type ShelfName string

// The shelves. All but Access can be erased; Access keeps what was put into it, like
// the log.
const (
	ShelfKeys     ShelfName = "KEYS"     // a key per patient, wrapped
	ShelfIdentity ShelfName = "IDENTITY" // names and numbers, encrypted per patient
	ShelfAccess   ShelfName = "ACCESS"   // who looked at identity
	ShelfSignIn   ShelfName = "SIGNIN"   // what people, devices and machines sign in with
	ShelfSessions ShelfName = "SESSIONS" // who is signed in; a day at most
	ShelfPhones   ShelfName = "PHONES"   // when each phone was last heard of, and what it had not sent
	ShelfNotify   ShelfName = "NOTIFY"   // what each receiver outside the screens was told of, and what waits for it
)

// Shelves lists every shelf.
func Shelves() []ShelfName {
	return []ShelfName{ShelfKeys, ShelfIdentity, ShelfAccess, ShelfSignIn, ShelfSessions, ShelfPhones, ShelfNotify}
}

// Passing reports whether the shelf holds only what is soon told anew: it is in no
// backup, and a log that lost it still starts.
func (n ShelfName) Passing() bool { return n == ShelfSessions || n == ShelfPhones }

// Overwritten reports whether what a record replaces is overwritten on the disk: it can
// be somebody's key, name or sign-in. Of such a shelf a backup is asked about.
func (n ShelfName) Overwritten() bool {
	return n == ShelfKeys || n == ShelfIdentity || n == ShelfSignIn
}

// kept is how many records of one key a shelf holds, -1 for all. NOTIFY has more than
// one so that a backup finds one under a sequence that stood when it began.
func (n ShelfName) kept() int64 {
	switch n {
	case ShelfSessions, ShelfPhones:
		return 1
	case ShelfNotify:
		return 8
	default:
		return -1
	}
}

// Shelf holds small records that must not stand in the log, each under a key of
// words of letters, digits, "-" and "_", joined by dots. All methods may be called
// from many goroutines.
type Shelf interface {
	// Get gives the record under key and its revision. Errors: ErrAbsent, whose
	// revision is what Put expects, or ErrUncertain when nobody answered.
	Get(ctx context.Context, key string) (data []byte, revision uint64, err error)
	// Put makes data durable under key in place of the revision after (0: key was
	// never used), and returns its revision. What it replaces is erased as by Erase on a
	// shelf whose records are Overwritten; on the others it goes in its time, or never.
	// Errors: ErrConflict, ErrFull, ErrUncertain.
	Put(ctx context.Context, key string, data []byte, after uint64) (uint64, error)
	// Erase ends the record under key, and overwrites everything that was ever put there
	// on a shelf whose records are Overwritten. ErrKept on a shelf that can't be erased.
	Erase(ctx context.Context, key string) error
	// Each calls f for the record of every key, in the order in which they were put,
	// as of some moment after the call. An error of f ends it.
	Each(ctx context.Context, f func(Item) error) error
	// Under is Each for the keys that begin with the word first and a dot.
	Under(ctx context.Context, first string, f func(Item) error) error
	// Follow calls f for the record of every key, then ready, and then f for each
	// change until ctx ends, never two calls at once. It returns nil when ctx ended.
	Follow(ctx context.Context, f func(Item), ready func()) error
}

// Item is one record of a shelf. Without Data it is the trace of an erased one.
type Item struct {
	Key      string
	Revision uint64
	Data     []byte
}

// Errors of a Shelf.
var (
	ErrAbsent = errors.New("eventlog: there is no such record")
	ErrKept   = errors.New("eventlog: this shelf keeps what it holds")
)

// subject is the first token of the shelf's subjects.
func (n ShelfName) subject() string { return strings.ToLower(string(n)) }

// Erasable reports whether records of the shelf can be erased.
func (n ShelfName) Erasable() bool { return n != ShelfAccess }

// shelfStream is the setting of a shelf. They are plain streams: deleting a message
// securely works there and leaves no copy, which it would not in a key-value bucket.
// None is compressed, so that what is deleted is overwritten where it lies.
func shelfStream(name ShelfName, replicas int, maxBytes int64) jetstream.StreamConfig {
	cfg := jetstream.StreamConfig{
		Name: string(name), Subjects: []string{name.subject() + ".>"}, Storage: jetstream.FileStorage, Discard: jetstream.DiscardNew,
		MaxBytes: maxBytes, MaxMsgs: -1, MaxMsgsPerSubject: name.kept(), Replicas: replicas, AllowDirect: true,
	}
	switch name {
	case ShelfAccess:
		cfg.DenyDelete, cfg.DenyPurge = true, true
	case ShelfSessions:
		cfg.MaxAge = sessionsKept
	}
	return cfg
}

// shelf is the JetStream form of Shelf.
type shelf struct {
	j    *jet
	name ShelfName
}

// Shelf implements Log.
func (j *jet) Shelf(name ShelfName) Shelf { return &shelf{j, name} }

func (s *shelf) at(key string) string { return s.name.subject() + "." + key }

func (s *shelf) keyOf(subject string) string {
	return strings.TrimPrefix(subject, s.name.subject()+".")
}

// Get implements Shelf.
func (s *shelf) Get(ctx context.Context, key string) ([]byte, uint64, error) {
	seq, data, err := s.j.stored(ctx, string(s.name), getRequest{LastBySubject: s.at(key)})
	if err != nil {
		return nil, 0, fmt.Errorf("%w: %s: %w", ErrUncertain, s.name, err)
	}
	if len(data) == 0 {
		return nil, seq, ErrAbsent
	}
	return data, seq, nil
}

// Put implements Shelf.
func (s *shelf) Put(ctx context.Context, key string, data []byte, after uint64) (uint64, error) {
	if len(data) == 0 {
		return 0, fmt.Errorf("eventlog: nothing to put under %s of %s", key, s.name)
	}
	return s.put(ctx, key, data, after)
}

func (s *shelf) put(ctx context.Context, key string, data []byte, after uint64) (uint64, error) {
	if !soundKey(key) {
		return 0, fmt.Errorf("eventlog: %q is no key of a shelf", key)
	}
	ack, err := s.j.js.Publish(ctx, s.at(key), data, jetstream.WithExpectLastSequencePerSubject(after))
	if err != nil {
		return 0, classify(err)
	}
	if after != 0 && s.name.Overwritten() {
		if err := s.eraseBefore(ctx, key, ack.Sequence); err != nil {
			return ack.Sequence, err
		}
	}
	return ack.Sequence, nil
}

// Erase implements Shelf. What is erased leaves an empty record, so that those who
// follow hear of it; it is put first.
func (s *shelf) Erase(ctx context.Context, key string) error {
	if !s.name.Erasable() {
		return ErrKept
	}
	for range 5 {
		_, revision, err := s.Get(ctx, key)
		switch {
		case errors.Is(err, ErrAbsent) && (revision == 0 || !s.name.Overwritten()):
			return nil
		case errors.Is(err, ErrAbsent):
			return s.eraseBefore(ctx, key, revision) // one that broke off
		case err != nil:
			return err
		}
		_, err = s.put(ctx, key, nil, revision)
		if errors.Is(err, ErrConflict) {
			continue
		}
		return err
	}
	return ErrConflict
}

// eraseBefore overwrites what stands under key before the revision.
func (s *shelf) eraseBefore(ctx context.Context, key string, revision uint64) error {
	for seq := uint64(1); ; {
		found, _, err := s.j.stored(ctx, string(s.name), getRequest{Seq: seq, NextBySubject: s.at(key)})
		if err != nil {
			return fmt.Errorf("%w: %s: %w", ErrUncertain, s.name, err)
		}
		if found == 0 || found >= revision {
			return nil
		}
		if err := s.deleteMessage(ctx, found); err != nil {
			return err
		}
		seq = found + 1
	}
}

// deleteMessage overwrites one message on the disk. The client's own call wants the
// right to look at the stream's settings first; this asks for the one thing.
func (s *shelf) deleteMessage(ctx context.Context, seq uint64) error {
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	ask, err := json.Marshal(map[string]uint64{"seq": seq}) // without no_erase: overwritten
	if err != nil {
		return err
	}
	msg, err := s.j.daemon.RequestWithContext(ctx, "$JS.API.STREAM.MSG.DELETE."+string(s.name), ask)
	if err != nil {
		return fmt.Errorf("%w: erase in %s: %w", ErrUncertain, s.name, err)
	}
	var answer struct {
		Error *jetstream.APIError `json:"error"`
	}
	if err := json.Unmarshal(msg.Data, &answer); err != nil {
		return fmt.Errorf("eventlog: erase in %s: %w", s.name, err)
	}
	if answer.Error != nil && answer.Error.ErrorCode != jetstream.JSErrCodeMessageNotFound && !strings.Contains(answer.Error.Description, "no message found") {
		return fmt.Errorf("eventlog: erase in %s: %w", s.name, answer.Error)
	}
	return nil
}

// Each implements Shelf.
func (s *shelf) Each(ctx context.Context, f func(Item) error) error {
	end, err := lastOf(ctx, s.j.js, string(s.name))
	if err != nil || end == 0 {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var order []string
	newest := map[string]Item{}
	done := false
	err = s.j.follow(ctx, s.j.js, string(s.name), 0, func(m jetstream.Msg, seq uint64) {
		if done {
			return
		}
		key := s.keyOf(m.Subject())
		if _, ok := newest[key]; !ok {
			order = append(order, key)
		}
		newest[key] = Item{Key: key, Revision: seq, Data: m.Data()}
		if seq >= end {
			done = true
			cancel()
		}
	})
	if err != nil {
		return err
	}
	if !done {
		return ctx.Err()
	}
	for _, key := range order {
		if it := newest[key]; len(it.Data) > 0 {
			if err := f(it); err != nil {
				return err
			}
		}
	}
	return nil
}

// Under implements Shelf.
func (s *shelf) Under(ctx context.Context, first string, f func(Item) error) error {
	if !soundKey(first) {
		return fmt.Errorf("eventlog: %q is no key of a shelf", first)
	}
	for seq := uint64(1); ; {
		found, subject, data, err := s.j.storedUnder(ctx, string(s.name), getRequest{Seq: seq, NextBySubject: s.at(first) + ".>"})
		if err != nil {
			return fmt.Errorf("%w: %s: %w", ErrUncertain, s.name, err)
		}
		if found == 0 {
			return nil
		}
		if len(data) > 0 {
			if err := f(Item{Key: s.keyOf(subject), Revision: found, Data: data}); err != nil {
				return err
			}
		}
		seq = found + 1
	}
}

// Follow implements Shelf.
func (s *shelf) Follow(ctx context.Context, f func(Item), ready func()) error {
	told := false
	at := uint64(0)
	for {
		end, err := lastOf(ctx, s.j.js, string(s.name))
		if err == nil {
			if !told && end <= at {
				told = true
				ready()
			}
			err = s.j.follow(ctx, s.j.js, string(s.name), at, func(m jetstream.Msg, seq uint64) {
				if seq <= at {
					return
				}
				at = seq
				f(Item{Key: s.keyOf(m.Subject()), Revision: seq, Data: m.Data()})
				if !told && at >= end {
					told = true
					ready()
				}
			})
		}
		if ctx.Err() != nil {
			return nil
		}
		if errors.Is(err, ErrClosed) {
			return err
		}
		s.j.opts.Logger.Warn("a shelf is read again from where it was lost", slog.String("shelf", string(s.name)), slog.Any("error", err))
		if !s.j.pause(ctx) {
			return s.j.ended(ctx, nil)
		}
	}
}

const keyLetters = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz-_"

// soundKey reports whether key can be part of a subject and nothing else.
func soundKey(key string) bool {
	if key == "" || len(key) > 200 {
		return false
	}
	for word := range strings.SplitSeq(key, ".") {
		if word == "" || strings.ContainsFunc(word, func(r rune) bool {
			return !strings.ContainsRune(keyLetters, r)
		}) {
			return false
		}
	}
	return true
}
