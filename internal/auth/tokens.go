package auth

import (
	"context"
	"crypto/subtle"
	"encoding/base64"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// token is what a machine is let in with.
type token struct {
	ID      string   `json:"id"`
	Name    string   `json:"name"`
	Hash    string   `json:"hash"` // of the secret
	Scopes  []Scope  `json:"scopes"`
	Loggers []string `json:"loggers,omitempty"`
	Made    int64    `json:"made"`
	Until   int64    `json:"until"`
	Revoked int64    `json:"revoked,omitempty"`
	By      string   `json:"by"`
}

// Token is a machine's token, without its secret.
type Token struct {
	ID, Name, By string
	Scopes       []Scope
	Loggers      []string
	Made, Until  time.Time
	Revoked      bool
}

func (t *token) shown() Token {
	return Token{ID: t.ID, Name: t.Name, By: t.By, Scopes: slices.Clone(t.Scopes), Loggers: slices.Clone(t.Loggers), Made: fromMillis(t.Made), Until: fromMillis(t.Until), Revoked: t.Revoked != 0}
}

// tokenMark begins every token, so that one that is found lying about is known.
const tokenMark = "custody-token."

// NewToken asks for a token.
type NewToken struct {
	Name, By string
	Scopes   []Scope
	Loggers  []string // keys
	Days     int
}

// mostDays is how long a token may be good for.
const mostDays = 366

// MakeToken makes a token. The secret is given once and kept nowhere.
func (g *Gate) MakeToken(ctx context.Context, n NewToken) (Token, string, error) {
	switch {
	case strings.TrimSpace(n.Name) == "":
		return Token{}, "", &FieldError{"name", "say what the token is for"}
	case len(n.Scopes) == 0:
		return Token{}, "", &FieldError{"scopes", "say what it may do"}
	case n.Days < 1 || n.Days > mostDays:
		return Token{}, "", &FieldError{"days", "a token is good for 1 to 366 days"}
	case len(n.Loggers) > 0 && !slices.Equal(n.Scopes, []Scope{ScopeReadings}):
		return Token{}, "", &FieldError{"loggers", "a logger's token has the scope readings alone"}
	}
	for _, s := range n.Scopes {
		if !slices.Contains(Scopes(), s) {
			return Token{}, "", &FieldError{"scopes", "there is no scope " + string(s)}
		}
	}
	name, err := g.random(8)
	if err != nil {
		return Token{}, "", err
	}
	raw, err := g.random(32)
	if err != nil {
		return Token{}, "", err
	}
	id, secret := strings.ToLower(plainBase32.EncodeToString(name)), base64.RawURLEncoding.EncodeToString(raw)
	now := g.opts.Now()
	t, err := change(ctx, g, g.opts.SignIn, tokenWord+"."+id, func(t *token) error {
		*t = token{
			ID: id, Name: n.Name, Hash: hashOf(secret), Scopes: n.Scopes, Loggers: n.Loggers, By: n.By,
			Made: millis(now), Until: millis(now.AddDate(0, 0, n.Days)),
		}
		return nil
	})
	if err != nil {
		return Token{}, "", err
	}
	g.mu.Lock()
	g.tokens[id] = t
	g.mu.Unlock()
	return t.shown(), tokenMark + id + "." + secret, nil
}

// RevokeToken makes a token worthless for ever.
func (g *Gate) RevokeToken(ctx context.Context, id string) (Token, error) {
	t, err := change(ctx, g, g.opts.SignIn, tokenWord+"."+strings.ToLower(id), func(t *token) error {
		if t.ID == "" {
			return &FieldError{"id", "there is no such token"}
		}
		if t.Revoked == 0 {
			t.Revoked = millis(g.opts.Now())
		}
		return nil
	})
	if err != nil {
		return Token{}, err
	}
	g.mu.Lock()
	g.tokens[t.ID] = t
	g.mu.Unlock()
	return t.shown(), nil
}

// Tokens lists all tokens, the newest first.
func (g *Gate) Tokens() []Token {
	g.mu.RLock()
	defer g.mu.RUnlock()
	var out []Token
	for _, t := range g.tokens {
		out = append(out, t.shown())
	}
	slices.SortFunc(out, func(a, b Token) int {
		if d := b.Made.Compare(a.Made); d != 0 {
			return d
		}
		return strings.Compare(a.ID, b.ID)
	})
	return out
}

// byToken gives the machine that sent a token.
func (g *Gate) byToken(text string) (*Principal, error) {
	rest, ok := strings.CutPrefix(strings.TrimSpace(text), tokenMark)
	id, secret, whole := strings.Cut(rest, ".")
	if !ok || !whole {
		return nil, ErrRevoked
	}
	g.mu.RLock()
	t := g.tokens[id]
	g.mu.RUnlock()
	if t == nil || subtle.ConstantTimeCompare([]byte(t.Hash), []byte(hashOf(secret))) != 1 || t.Revoked != 0 || !g.opts.Now().Before(fromMillis(t.Until)) {
		return nil, ErrRevoked
	}
	p := &Principal{Kind: Machine, ID: t.ID, Scopes: t.Scopes, Until: fromMillis(t.Until)}
	for _, l := range t.Loggers {
		p.Loggers = append(p.Loggers, event.Key(l))
	}
	if slices.Contains(t.Scopes, ScopeScans) {
		// What an ordering system or a sorter reports is what people did there.
		for _, role := range []string{event.RoleCollector, event.RoleCourier, event.RoleReception} {
			p.Roles = append(p.Roles, event.RoleAt{Role: role})
		}
	}
	return p, nil
}
