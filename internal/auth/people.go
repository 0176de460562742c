package auth

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// After so many wrong PINs in a row somebody is locked out for so long. Every try is
// counted before it is looked at, on the shelf, so that many at once get no more.
const (
	LockAfter = 5
	LockFor   = 15 * time.Minute
)

// credentials are what a person signs in with.
type credentials struct {
	Code     string `json:"code"`
	Badge    string `json:"badge,omitempty"` // blind index of the badge's number
	PIN      string `json:"pin,omitempty"`   // argon2id over the peppered PIN
	Account  string `json:"account,omitempty"`
	Failures int    `json:"failures,omitempty"` // in a row, since the last success
	Locked   int64  `json:"locked,omitempty"`   // until, ms
}

// SignInState says how somebody can sign in, never with what.
type SignInState struct {
	Code                string
	Badge, PIN, Account bool
	LockedUntil         time.Time // zero: not locked
	Failures            int
}

func (g *Gate) stateOf(c *credentials) SignInState {
	s := SignInState{Code: c.Code, Badge: c.Badge != "", PIN: c.PIN != "", Account: c.Account != "", Failures: c.Failures}
	if until := fromMillis(c.Locked); until.After(g.opts.Now()) {
		s.LockedUntil = until
	}
	return s
}

// takePerson keeps what the shelf says of a person. g.mu is held.
func (g *Gate) takePerson(id string, it eventlog.Item) {
	c := &credentials{}
	if !g.read(it, c) {
		c = nil
	}
	g.keepPerson(id, c)
}

// keepPerson puts c in place of what was known of a person; nil: nothing is. g.mu is held.
func (g *Gate) keepPerson(id string, c *credentials) {
	if old := g.people[id]; old != nil {
		delete(g.badges, old.Badge)
		delete(g.accounts, old.Account)
		delete(g.people, id)
	}
	if c == nil {
		return
	}
	g.people[id] = c
	if c.Badge != "" {
		g.badges[c.Badge] = c.Code
	}
	if c.Account != "" {
		g.accounts[c.Account] = c.Code
	}
}

// personID is the last word of a person's key on the shelf.
func personID(code string) (string, error) {
	key, err := event.LocalKey(code)
	if err != nil {
		return "", &FieldError{"id", err.Error()}
	}
	return string(key), nil
}

// FieldError names a field of the caller and the remedy.
type FieldError struct{ Field, Say string }

// Error implements error.
func (f *FieldError) Error() string { return f.Field + ": " + f.Say }

func (g *Gate) badgeIndex(badge string) string {
	return hex.EncodeToString(g.keyed("badge", strings.ToUpper(strings.TrimSpace(badge)))[:20])
}

func (g *Gate) peppered(code, pin string) []byte {
	return g.keyed("pin", event.Spelled(code)+"\x00"+pin)
}

// NewSignIn is what is set of a person's sign-in; empty leaves what was.
type NewSignIn struct{ Code, Badge, PIN, Account string }

// SetSignIn sets how a person signs in. A new PIN or badge ends that person's sessions
// and takes away a lock. The error is a *FieldError or ErrBusy.
func (g *Gate) SetSignIn(ctx context.Context, n NewSignIn) (SignInState, error) {
	id, err := personID(n.Code)
	if err != nil {
		return SignInState{}, err
	}
	if n.Badge == "" && n.PIN == "" && n.Account == "" {
		return SignInState{}, &FieldError{"badge", "say what is set: badge, pin or account"}
	}
	var hash, badge string
	if n.PIN != "" {
		if say := CheckPIN(n.PIN); say != "" {
			return SignInState{}, &FieldError{"pin", say}
		}
		if hash, err = hashPIN(g.peppered(n.Code, n.PIN), g.cost, g.opts.Rand); err != nil {
			return SignInState{}, err
		}
	}
	if n.Badge != "" {
		badge = g.badgeIndex(n.Badge)
	}
	g.mu.RLock()
	other, account := g.badges[badge], g.accounts[n.Account]
	g.mu.RUnlock()
	switch spelled := event.Spelled(n.Code); {
	case badge != "" && other != "" && other != spelled:
		return SignInState{}, &FieldError{"badge", "somebody else signs in with this badge; scan another"}
	case n.Account != "" && account != "" && account != spelled:
		return SignInState{}, &FieldError{"account", "somebody else has this account"}
	}
	c, err := change(ctx, g, g.opts.SignIn, personWord+"."+id, func(c *credentials) error {
		c.Code = event.Spelled(n.Code)
		if badge != "" {
			c.Badge = badge
		}
		if hash != "" {
			c.PIN, c.Failures, c.Locked = hash, 0, 0
		}
		if n.Account != "" {
			c.Account = n.Account
		}
		return nil
	})
	if err != nil {
		return SignInState{}, err
	}
	g.hold(id, c)
	g.endSessionsOf(ctx, c.Code)
	return g.stateOf(c), nil
}

// hold keeps at once what this process has just written.
func (g *Gate) hold(id string, c *credentials) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.keepPerson(id, c)
}

// SignInOf tells how somebody can sign in.
func (g *Gate) SignInOf(code string) SignInState {
	id, err := personID(code)
	if err != nil {
		return SignInState{Code: code}
	}
	g.mu.RLock()
	defer g.mu.RUnlock()
	if c := g.people[id]; c != nil {
		return g.stateOf(c)
	}
	return SignInState{Code: event.Spelled(code)}
}

// Release takes away a lock.
func (g *Gate) Release(ctx context.Context, code string) (SignInState, error) {
	id, err := personID(code)
	if err != nil {
		return SignInState{}, err
	}
	c, err := change(ctx, g, g.opts.SignIn, personWord+"."+id, func(c *credentials) error {
		if c.Code == "" {
			return &FieldError{"id", "this person has no sign-in to release"}
		}
		c.Failures, c.Locked = 0, 0
		return nil
	})
	if err != nil {
		return SignInState{}, err
	}
	g.hold(id, c)
	return g.stateOf(c), nil
}

// try counts a try of a PIN, and then looks at it. The error is ErrWrong, *LockedError
// or ErrBusy.
func (g *Gate) try(ctx context.Context, code, pin string) error {
	id, err := personID(code)
	if err != nil {
		return ErrWrong
	}
	var kept string
	now := g.opts.Now()
	c, err := change(ctx, g, g.opts.SignIn, personWord+"."+id, func(c *credentials) error {
		if kept = c.PIN; kept == "" {
			return ErrWrong
		}
		if until := fromMillis(c.Locked); until.After(now) {
			return &LockedError{until}
		}
		if c.Locked != 0 { // it has run out
			c.Locked, c.Failures = 0, 0
		}
		c.Failures++
		if c.Failures >= LockAfter {
			c.Locked = millis(now.Add(LockFor))
		}
		return nil
	})
	if err != nil {
		return err
	}
	g.hold(id, c)
	right, err := g.rightPIN(ctx, kept, code, pin)
	if err != nil {
		return err
	}
	if !right {
		if c.Failures >= LockAfter {
			g.opts.Logger.Warn("somebody is locked out after wrong PINs", slog.String("person", code), slog.Time("until", fromMillis(c.Locked)))
			return &LockedError{fromMillis(c.Locked)}
		}
		return ErrWrong
	}
	c, err = change(ctx, g, g.opts.SignIn, personWord+"."+id, func(c *credentials) error {
		c.Failures, c.Locked = 0, 0
		return nil
	})
	if err == nil {
		g.hold(id, c)
	}
	return err
}

// rightPIN looks at a PIN, a few at a time.
func (g *Gate) rightPIN(ctx context.Context, kept, code, pin string) (bool, error) {
	select {
	case g.trying <- struct{}{}:
		defer func() { <-g.trying }()
	case <-ctx.Done():
		return false, fmt.Errorf("%w: %w", ErrBusy, ctx.Err())
	}
	return samePIN(kept, g.peppered(code, pin))
}

// nobodysPIN takes as long as a real one: how long an answer takes says nothing about
// which badges there are.
func (g *Gate) nobodysPIN(ctx context.Context, pin string) {
	kept, err := g.nobodys()
	if err == nil {
		_, err = g.rightPIN(ctx, kept, "", pin)
	}
	if err != nil && !errors.Is(err, ErrBusy) {
		g.opts.Logger.Error("a PIN of nobody was not tried", slog.Any("error", err))
	}
}

// Proof is a device's signature over a challenge, by which a session is bound to it.
type Proof struct {
	Device, Challenge string
	Signature         []byte
}

// ByBadge signs a person in: who carries the badge and knows the PIN. from is the
// address it comes from. The token is the session's secret, for the caller alone.
func (g *Gate) ByBadge(ctx context.Context, badge, pin, place, from string, proof *Proof) (token string, p *Principal, err error) {
	if !g.limits.may(from) {
		return "", nil, ErrTooMany
	}
	g.mu.RLock()
	code := g.badges[g.badgeIndex(badge)]
	g.mu.RUnlock()
	if code == "" {
		g.nobodysPIN(ctx, pin)
		return "", nil, g.limits.failed(from, ErrWrong)
	}
	if err := g.try(ctx, code, pin); err != nil {
		return "", nil, g.limits.failed(from, err)
	}
	token, p, err = g.open(ctx, code, place, proof)
	return token, p, g.limits.failed(from, err)
}

// ByAccount signs in the person whom the house's own sign-in has vouched for.
func (g *Gate) ByAccount(ctx context.Context, account, place string, proof *Proof) (token string, p *Principal, err error) {
	g.mu.RLock()
	code := g.accounts[account]
	g.mu.RUnlock()
	if account == "" || code == "" {
		return "", nil, ErrAccount
	}
	return g.open(ctx, code, place, proof)
}
