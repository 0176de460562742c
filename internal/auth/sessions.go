package auth

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// session is who is signed in, under the hash of the secret that the browser has.
type session struct {
	Person string `json:"person,omitempty"` // empty: the device alone
	Device string `json:"device,omitempty"`
	KeyID  string `json:"key,omitempty"` // the device's key when it began
	Place  string `json:"place,omitempty"`
	Made   int64  `json:"made"`
	Seen   int64  `json:"seen"` // last time it was noted that something was done
	Idle   int64  `json:"idle"` // ms after which it ends if nothing is done
}

// noteSeen is how often the shelf hears that a session is in use.
const noteSeen = time.Minute

// usedWord begins the keys of challenges that were answered.
const usedWord = "used"

func (g *Gate) takeSession(it eventlog.Item) {
	word, id, _ := strings.Cut(it.Key, ".")
	if word != "session" {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	s := &session{}
	if g.read(it, s) {
		if !g.ended[id] {
			g.sessions[id] = s
		}
		return
	}
	delete(g.sessions, id)
	delete(g.seen, id)
	delete(g.ended, id) // nothing comes behind it
}

// open begins a session of a person, or of a device alone.
func (g *Gate) open(ctx context.Context, code, place string, proof *Proof) (string, *Principal, error) {
	now := g.opts.Now()
	s := &session{Person: code, Place: place, Made: millis(now), Seen: millis(now), Idle: g.opts.Idle.Milliseconds()}
	if code != "" {
		if _, active := g.opts.Directory.Person(code); !active {
			return "", nil, ErrInactive
		}
	}
	if proof != nil {
		device, err := g.proven(ctx, proof)
		if err != nil {
			return "", nil, err
		}
		s.Device, s.KeyID = device.ID, device.KeyID
		if s.Place == "" {
			s.Place = device.Place
		}
		switch {
		case code == "":
			s.Idle = g.opts.Longest.Milliseconds() // a screen on the wall that nobody touches
		case device.Kind == "phone" || device.Kind == "cart":
			s.Idle = g.opts.Shared.Milliseconds()
		}
	}
	secret, err := g.random(32)
	if err != nil {
		return "", nil, err
	}
	token := base64.RawURLEncoding.EncodeToString(secret)
	id := hashOf(token)
	data, err := json.Marshal(s)
	if err != nil {
		return "", nil, err
	}
	if _, err := g.opts.Sessions.Put(ctx, "session."+id, data, 0); err != nil {
		return "", nil, fmt.Errorf("%w: %w", ErrBusy, err)
	}
	g.mu.Lock()
	g.sessions[id], g.seen[id] = s, now
	g.mu.Unlock()
	p, err := g.bySession(ctx, token)
	return token, p, err
}

// bySession gives who has a session's secret: ErrSignIn for a secret that was never
// given out or is long gone, ErrEnded for one that has just ended.
func (g *Gate) bySession(ctx context.Context, token string) (*Principal, error) {
	p, s, err := g.lookSession(token)
	if err == nil {
		p.Until = g.use(ctx, p.session, s, g.opts.Now())
	}
	return p, err
}

// lookSession is bySession without counting as use.
func (g *Gate) lookSession(token string) (*Principal, *session, error) {
	id := hashOf(token)
	now := g.opts.Now()
	g.mu.RLock()
	s := g.sessions[id]
	var seen time.Time
	if s != nil {
		if seen = g.seen[id]; seen.Before(fromMillis(s.Seen)) {
			seen = fromMillis(s.Seen)
		}
	}
	g.mu.RUnlock()
	if s == nil {
		return nil, nil, ErrEnded
	}
	ends := seen.Add(time.Duration(s.Idle) * time.Millisecond)
	if longest := fromMillis(s.Made).Add(g.opts.Longest); longest.Before(ends) {
		ends = longest
	}
	if !now.Before(ends) {
		return nil, nil, ErrEnded
	}
	p := &Principal{Kind: Person, ID: s.Person, Device: s.Device, Place: s.Place, session: id}
	if s.Device != "" {
		if d, ok := g.opts.Directory.Device(s.Device); !ok || !d.Active || d.KeyID != s.KeyID {
			return nil, nil, ErrEnded
		}
	}
	if s.Person == "" {
		p.Kind, p.ID = Device, s.Device
	} else {
		roles, active := g.opts.Directory.Person(s.Person)
		if !active {
			return nil, nil, ErrInactive
		}
		p.Roles = roles
	}
	p.Until = ends
	return p, s, nil
}

// use notes that a session is in use, and gives when it ends if nothing more is done.
func (g *Gate) use(ctx context.Context, id string, s *session, now time.Time) time.Time {
	g.mu.Lock()
	if g.sessions[id] == s {
		g.seen[id] = now
	}
	note := g.sessions[id] == s && now.Sub(fromMillis(s.Seen)) >= noteSeen
	if note {
		fresh := *s
		fresh.Seen = millis(now)
		g.sessions[id] = &fresh
	}
	g.mu.Unlock()
	if note {
		_, err := change(ctx, g, g.opts.Sessions, "session."+id, func(on *session) error {
			if on.Made == 0 {
				return ErrEnded // it was ended elsewhere meanwhile
			}
			on.Seen = max(on.Seen, millis(now))
			return nil
		})
		if err != nil && !errors.Is(err, ErrEnded) {
			g.opts.Logger.Warn("that a session is in use was not noted", slog.Any("error", err))
		}
	}
	ends := now.Add(time.Duration(s.Idle) * time.Millisecond)
	if longest := fromMillis(s.Made).Add(g.opts.Longest); longest.Before(ends) {
		return longest
	}
	return ends
}

// SignOut ends the session of a secret; one that has ended already is no error.
func (g *Gate) SignOut(ctx context.Context, token string) error {
	return g.endSession(ctx, hashOf(token))
}

func (g *Gate) endSession(ctx context.Context, id string) error {
	g.mu.Lock()
	if g.sessions[id] != nil {
		g.ended[id] = true
	}
	delete(g.sessions, id)
	delete(g.seen, id)
	g.mu.Unlock()
	if err := g.opts.Sessions.Erase(ctx, "session."+id); err != nil {
		return fmt.Errorf("%w: %w", ErrBusy, err)
	}
	return nil
}

// endSessionsOf ends all sessions of a person.
func (g *Gate) endSessionsOf(ctx context.Context, code string) {
	var ids []string
	g.mu.RLock()
	for id, s := range g.sessions {
		if event.Spelled(s.Person) == event.Spelled(code) {
			ids = append(ids, id)
		}
	}
	g.mu.RUnlock()
	for _, id := range ids {
		if err := g.endSession(ctx, id); err != nil {
			g.opts.Logger.Error("a session was not ended on all daemons", slog.String("person", code), slog.Any("error", err))
		}
	}
}

// Credentials are what came with a request.
type Credentials struct {
	Session string // secret of a session
	Bearer  string // token of a machine
}

// Identify gives who sent the credentials: nobody without any. The error is ErrEnded,
// ErrInactive or ErrRevoked.
func (g *Gate) Identify(ctx context.Context, c Credentials) (*Principal, error) {
	switch {
	case c.Bearer != "":
		return g.byToken(c.Bearer)
	case c.Session != "":
		return g.bySession(ctx, c.Session)
	default:
		return &Principal{}, nil
	}
}

// Look is Identify without counting as use: a screen that shows itself anew keeps no
// session alive.
func (g *Gate) Look(ctx context.Context, c Credentials) (*Principal, error) {
	if c.Bearer == "" && c.Session != "" {
		p, _, err := g.lookSession(c.Session)
		return p, err
	}
	return g.Identify(ctx, c)
}
