// Package identity decides who a random reference in the log belongs to, who may read
// that and for how long, and that nobody can after it was erased.
//
// A patient's number is found by its blind index only: HMAC-SHA-256 under a secret
// outside the log. Under the index the shelf KEYS holds the patient's reference and
// key; the key is wrapped by a ring of keys outside the log, which rotates, so that
// backups of KEYS age out. Under the reference the shelf IDENTITY holds the index and,
// encrypted under the patient's key, the person. Who looked stands on ACCESS.
package identity

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"hash"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
)

// Errors of a Store. Besides them its methods give those of eventlog.Shelf.
var (
	// ErrErased: the patient's key was destroyed; nobody can read it.
	ErrErased = errors.New("identity: it was erased; nobody can read it")
	// ErrUnknown: nothing is known under the number or the reference.
	ErrUnknown = errors.New("identity: nothing is known of this patient here")
	// ErrNoRingKey: what wrapped the patient's key has left the ring.
	ErrNoRingKey = errors.New("identity: the key that wrapped it is not in the ring; put the ring's last copy back, or take it that the backup is too old")

	errDamaged      = errors.New("identity: a patient's key is damaged; restore the log from a backup")
	errNoRandomness = errors.New("identity: no randomness")
	errAgain        = errors.New("identity: somebody else changed it; look again")
)

// attempts bounds how often a step is begun anew because another process changed the
// same record.
const attempts = 16

// Options of Open. Logger may be nil; the rest must be set but for KeepDays.
type Options struct {
	Keys, Identity, Access eventlog.Shelf
	Ring                   *Ring
	Secret                 []byte // of the blind index; the same for ever
	KeepDays               int    // how long backups of KEYS may be opened; 0 means 30
	Now                    func() event.Instant
	Rand                   io.Reader
	Logger                 *slog.Logger
}

// Store knows the patients. All methods may be called from many goroutines, and from
// many processes on one log.
type Store struct {
	keys, identity, access eventlog.Shelf
	ring                   *Ring
	keep                   time.Duration
	now                    func() event.Instant
	rand                   io.Reader
	logger                 *slog.Logger
	macs                   sync.Pool // of hash.Hash, keyed with the secret
	rotating               sync.Mutex

	mu      sync.Mutex
	known   map[string]*remembered // by blind index
	forgets int                    // how often known was thrown away
}

// Key is a patient's reference and key.
type Key struct {
	Reference string
	key       []byte
}

// What Key remembers is used for a while and a number of times, whichever ends first
// (a rehearsal's clock may stand still); then the shelves are asked again, so another
// process's erasure is noticed. Reading never uses it.
const (
	rememberedFor   = 5 * time.Second
	rememberedTimes = 64
	rememberedMost  = 4096
)

type remembered struct {
	key   Key
	since event.Instant
	uses  int
}

// Open gives the store of a log. It refuses a log whose ring is missing.
func Open(ctx context.Context, o Options) (*Store, error) {
	if o.KeepDays == 0 {
		o.KeepDays = 30
	}
	if o.KeepDays < 1 {
		return nil, fmt.Errorf("identity-keep-days: %d must be 1 or more", o.KeepDays)
	}
	if o.Keys == nil || o.Identity == nil || o.Access == nil || o.Ring == nil || len(o.Secret) == 0 || o.Now == nil || o.Rand == nil {
		return nil, errors.New("identity: shelves, ring, secret, clock and randomness must be given")
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Store{
		keys: o.Keys, identity: o.Identity, access: o.Access, ring: o.Ring, keep: time.Duration(o.KeepDays) * 24 * time.Hour,
		now: o.Now, rand: &lockedReader{r: o.Rand}, logger: o.Logger, known: map[string]*remembered{},
		macs: sync.Pool{New: func() any { return hmac.New(sha256.New, o.Secret) }},
	}
	if s.ring.empty() {
		return s, s.neverWrapped(ctx)
	}
	return s, nil
}

// neverWrapped makes sure that an empty ring is a new one and not a lost one.
func (s *Store) neverWrapped(ctx context.Context) error {
	return s.keys.Each(ctx, func(it eventlog.Item) error {
		k, err := wire.ReadKey(it.Data)
		if err == nil && k.Wrapped && k.Reference != "" {
			return fmt.Errorf("identity-keys: the patients' keys of this log are wrapped and %s is missing; put its last copy there. Without it no name and no free text of this log can be read", s.ring.path)
		}
		return nil
	})
}

var plainBase32 = base32.StdEncoding.WithPadding(base32.NoPadding)

// random is n random bytes as a word, "" when there is no randomness.
func random(rand io.Reader, n int) string {
	b := make([]byte, n)
	if _, err := io.ReadFull(rand, b); err != nil {
		return ""
	}
	return plainBase32.EncodeToString(b)
}

// Keyed is the HMAC-SHA-256 (RFC 2104) of text under the secret.
func (s *Store) Keyed(text []byte) []byte {
	mac := s.macs.Get().(hash.Hash)
	defer s.macs.Put(mac)
	mac.Reset()
	mac.Write(text)
	return mac.Sum(nil)
}

// index is where KEYS holds a number. Logs depend on it: it must not change.
func (s *Store) index(number string) string {
	return plainBase32.EncodeToString(s.Keyed([]byte(strings.ToUpper(strings.TrimSpace(number))))[:20])
}

// Key gives the reference and key of a patient's number, making them at first use.
func (s *Store) Key(ctx context.Context, number string) (Key, error) {
	if strings.TrimSpace(number) == "" {
		return Key{}, errors.New("identity: number: there is none; scan or type the patient's number")
	}
	index := s.index(number)
	k, forgets, ok := s.recall(index)
	if ok {
		return k, nil
	}
	for range attempts {
		k, err := s.keyAt(ctx, index)
		if errors.Is(err, errAgain) {
			continue
		}
		if err == nil {
			s.remember(index, k, forgets)
		}
		return k, err
	}
	return Key{}, eventlog.ErrConflict
}

// TextKey gives the key for free text about a thing of which no patient is known, so
// that the text can be erased alone. about is for example "tube L-TB260118".
func (s *Store) TextKey(ctx context.Context, about string) (Key, error) {
	return s.Key(ctx, "text of "+about)
}

// Patient gives the reference of a patient's number and, sealed under its key, text;
// without text the ciphertext is empty.
func (s *Store) Patient(ctx context.Context, number, text string) (string, event.Ciphertext, error) {
	k, err := s.Key(ctx, number)
	if err != nil || text == "" {
		return k.Reference, event.Ciphertext{}, err
	}
	c, err := s.Seal(k, text)
	return k.Reference, c, err
}

// Text seals what is said about a thing of which no patient is known.
func (s *Store) Text(ctx context.Context, about, text string) (event.Ciphertext, error) {
	k, err := s.TextKey(ctx, about)
	if err != nil {
		return event.Ciphertext{}, err
	}
	return s.Seal(k, text)
}

// Seal encrypts text under a key that Key or TextKey gave.
func (s *Store) Seal(k Key, text string) (event.Ciphertext, error) {
	nonce, box, err := sealed(s.rand, k.key, []byte(text), []byte(k.Reference))
	if err != nil {
		return event.Ciphertext{}, fmt.Errorf("identity: seal: %w", err)
	}
	return event.Ciphertext{Key: k.Reference, Nonce: nonce, Box: box}, nil
}

// Open reads what Seal made. Errors: ErrErased, ErrUnknown, ErrNoRingKey.
func (s *Store) Open(ctx context.Context, c event.Ciphertext) (string, error) {
	own, err := s.at(ctx, c.Key)
	if err != nil {
		return "", err
	}
	if _, err := s.root(ctx, own); err != nil {
		return "", err
	}
	key, err := s.keyOf(ctx, own)
	if err != nil {
		return "", err
	}
	text, err := opened(key, c.Nonce, c.Box, []byte(c.Key))
	if err != nil {
		return "", fmt.Errorf("identity: the text of %s is damaged: %w", c.Key, err)
	}
	return string(text), nil
}

func (s *Store) recall(index string) (k Key, forgets int, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.known[index]
	if r == nil {
		return Key{}, s.forgets, false
	}
	r.uses++
	if age := s.now().Sub(r.since); age < 0 || age > rememberedFor || r.uses > rememberedTimes {
		delete(s.known, index)
		return Key{}, s.forgets, false
	}
	return r.key, s.forgets, true
}

// remember keeps k unless all was forgotten since it was asked for.
func (s *Store) remember(index string, k Key, forgets int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.forgets != forgets {
		return
	}
	for old := range s.known {
		if len(s.known) < rememberedMost {
			break
		}
		delete(s.known, old) // any one: maps are walked at random
	}
	s.known[index] = &remembered{key: k, since: s.now()}
}

func (s *Store) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.forgets++
	clear(s.known)
}
