package auth

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Directory tells what the log says of people and devices.
type Directory interface {
	// Person gives the roles of a staff code, and whether that one may act.
	Person(code string) (roles []event.RoleAt, active bool)
	// Device gives a device.
	Device(id string) (Enrolled, bool)
}

// Enrolled is a device as the log knows it.
type Enrolled struct {
	ID, Kind, Place, KeyID string
	PublicKey              []byte // SubjectPublicKeyInfo
	Active                 bool
}

// Options make a Gate. All but Rand and the times must be set.
type Options struct {
	SignIn, Sessions eventlog.Shelf
	Directory        Directory
	Secret           []byte // on no shelf and not in the log; the same for ever
	Now              func() time.Time
	Logger           *slog.Logger
	Rand             io.Reader // nil: crypto/rand
	Cost             *Cost     // of a PIN; nil: RFC 9106
	// Idle ends a session in which nobody did anything, Shared one on a phone or a cart
	// that goes from hand to hand, Longest any. 0: 30 min, 10 min, 12 h.
	Idle, Shared, Longest time.Duration
}

// Gate knows what people, devices and machines sign in with, and who is signed in. It
// reads the shelves into memory and follows them, so that several daemons agree; what
// counts guesses is decided on the shelf itself.
type Gate struct {
	opts Options
	cost Cost
	// trying bounds how many PINs are tried at once: each takes its memory.
	trying chan struct{}

	mu       sync.RWMutex // guards the maps
	people   map[string]*credentials
	badges   map[string]string // blind index of a badge: staff code
	accounts map[string]string // account at the house's sign-in: staff code
	tokens   map[string]*token
	sessions map[string]*session
	invites  map[string]*invite // by hash of the code
	seen     map[string]time.Time
	// revisions of the sign-ins that this process wrote, and sessions that it ended: the
	// shelf brings what was before them later, and that must not count again.
	revisions map[string]uint64
	ended     map[string]bool

	limits  *limits
	setUp   setUp
	ready   chan struct{}
	toRead  sync.WaitGroup
	nobodys func() (string, error) // the PIN that nobody has
}

// New gives a Gate; Run makes it read.
func New(o Options) *Gate {
	if o.Rand == nil {
		o.Rand = rand.Reader
	}
	for _, d := range []struct {
		at   *time.Duration
		into time.Duration
	}{{&o.Idle, 30 * time.Minute}, {&o.Shared, 10 * time.Minute}, {&o.Longest, 12 * time.Hour}} {
		if *d.at == 0 {
			*d.at = d.into
		}
	}
	g := &Gate{
		opts: o, cost: pinCost, trying: make(chan struct{}, 2),
		people: map[string]*credentials{}, badges: map[string]string{}, accounts: map[string]string{}, tokens: map[string]*token{},
		sessions: map[string]*session{}, invites: map[string]*invite{}, seen: map[string]time.Time{},
		revisions: map[string]uint64{}, ended: map[string]bool{},
		limits: newLimits(o.Now), ready: make(chan struct{}),
	}
	if o.Cost != nil {
		g.cost = *o.Cost
	}
	g.nobodys = sync.OnceValues(func() (string, error) { return hashPIN(g.keyed("nobody", ""), g.cost, g.opts.Rand) })
	g.toRead.Add(2)
	return g
}

// Run follows the shelves until ctx ends.
func (g *Gate) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	var mu sync.Mutex // guards ended: a shelf may end after Run did
	var ended error
	end := func(err error) {
		mu.Lock()
		defer mu.Unlock()
		ended = errors.Join(ended, err)
	}
	wg.Go(func() { end(g.opts.SignIn.Follow(ctx, g.takeSignIn, g.toRead.Done)) })
	wg.Go(func() { end(g.opts.Sessions.Follow(ctx, g.takeSession, g.toRead.Done)) })
	wg.Go(func() {
		g.toRead.Wait()
		close(g.ready)
	})
	done := make(chan struct{})
	go func() { wg.Wait(); close(done) }()
	select {
	case <-done:
	case <-ctx.Done():
		select { // a shelf that never answered leaves its wait behind
		case <-done:
		case <-time.After(time.Second):
		}
	}
	mu.Lock()
	defer mu.Unlock()
	return ended
}

// Ready waits until everything that stood on the shelves is known.
func (g *Gate) Ready(ctx context.Context) error {
	select {
	case <-g.ready:
		return nil
	default: // of two that are ready select takes any
	}
	select {
	case <-g.ready:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("auth: the sign-ins were not read: %w", ctx.Err())
	}
}

// The kinds of records on the shelf of sign-ins: the first word of their keys.
const (
	personWord = "person"
	tokenWord  = "token"
	inviteWord = "invite"
)

func (g *Gate) takeSignIn(it eventlog.Item) {
	word, id, _ := strings.Cut(it.Key, ".")
	g.mu.Lock()
	defer g.mu.Unlock()
	if it.Revision < g.revisions[it.Key] {
		return
	}
	delete(g.revisions, it.Key)
	switch word {
	case personWord:
		g.takePerson(id, it)
	case tokenWord:
		t := &token{}
		if g.read(it, t) {
			g.tokens[id] = t
		} else {
			delete(g.tokens, id)
		}
	case inviteWord:
		in := &invite{}
		if g.read(it, in) {
			g.invites[id] = in
		} else {
			delete(g.invites, id)
		}
	}
}

// read decodes a record; false for one that was erased or can't be read.
func (g *Gate) read(it eventlog.Item, into any) bool {
	if len(it.Data) == 0 {
		return false
	}
	if err := json.Unmarshal(it.Data, into); err != nil {
		g.opts.Logger.Error("a record of the sign-ins can't be read", slog.String("kind", strings.SplitN(it.Key, ".", 2)[0]), slog.Any("error", err))
		return false
	}
	return true
}

// change reads a record, lets f change it and puts it back; again when another was
// faster. f gives an error to leave it as it is.
func change[T any](ctx context.Context, g *Gate, s eventlog.Shelf, key string, f func(*T) error) (*T, error) {
	for range 20 {
		data, revision, err := s.Get(ctx, key)
		record := new(T)
		if err != nil && !errors.Is(err, eventlog.ErrAbsent) {
			return nil, fmt.Errorf("%w: %w", ErrBusy, err)
		}
		if err == nil {
			if err := json.Unmarshal(data, record); err != nil {
				return nil, fmt.Errorf("auth: a record of the sign-ins can't be read: %w", err)
			}
		}
		if err := f(record); err != nil {
			return record, err
		}
		if data, err = json.Marshal(record); err != nil {
			return nil, err
		}
		revision, err = s.Put(ctx, key, data, revision)
		switch {
		case err == nil:
			if s == g.opts.SignIn {
				g.wrote(key, revision)
			}
			return record, nil
		case errors.Is(err, eventlog.ErrConflict):
		default:
			return nil, fmt.Errorf("%w: %w", ErrBusy, err)
		}
	}
	return nil, ErrBusy
}

// wrote notes what this process put, so that what was before it counts no more.
func (g *Gate) wrote(key string, revision uint64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.revisions[key] = max(g.revisions[key], revision)
}

// keyed is the HMAC-SHA-256 of text for a purpose, under the secret.
func (g *Gate) keyed(purpose, text string) []byte {
	mac := hmac.New(sha256.New, g.opts.Secret)
	_, _ = fmt.Fprintf(mac, "sign-in\x00%s\x00%s", purpose, text)
	return mac.Sum(nil)
}

func (g *Gate) random(n int) ([]byte, error) {
	b := make([]byte, n)
	if _, err := io.ReadFull(g.opts.Rand, b); err != nil {
		return nil, fmt.Errorf("auth: no randomness: %w", err)
	}
	return b, nil
}

var plainBase32 = base32.StdEncoding.WithPadding(base32.NoPadding)

// hashOf is under what a long random secret is kept: nobody finds 256 bits by trying.
func hashOf(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

func millis(t time.Time) int64 { return t.UnixMilli() }

func fromMillis(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

func equal(a, b []byte) bool { return hmac.Equal(a, b) }

func cutLast(s string, sep byte) (before, after string, found bool) {
	at := strings.LastIndexByte(s, sep)
	if at < 0 {
		return s, "", false
	}
	return s[:at], s[at+1:], true
}

// EndWith calls end when whoever sent the credentials may not see any more what a rule
// guards: a stream must not outlive its session. It returns when ctx ends.
func (g *Gate) EndWith(ctx context.Context, c Credentials, rule Rule, end func()) {
	tick := time.NewTicker(lookAgain)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			p, err := g.Look(ctx, c)
			if err != nil || rule.Check(p) != nil {
				end()
				return
			}
		}
	}
}

// lookAgain is how often a stream asks whether its session still stands.
const lookAgain = 2 * time.Second
