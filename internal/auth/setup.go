package auth

import (
	"context"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"sync"

	"specimen.example/custody/internal/event"
)

// setUp is the way in before anybody can sign in: a link that the daemon prints, good
// once, for whoever reads its output.
type setUp struct {
	mu   sync.Mutex
	hash string // of the link's secret; empty: no link is open
}

// ErrSetUp says that the link was used, is another start's, or was never needed.
var ErrSetUp = errors.New("this link is not known or was used already; start the daemon again, or ask custodyd for a new link, to get another")

// Settled reports whether an engineer can sign in: who may do the rest.
func (g *Gate) Settled() bool {
	g.mu.RLock()
	var codes []string
	for _, c := range g.people {
		if c.PIN != "" && c.Badge != "" || c.Account != "" {
			codes = append(codes, c.Code)
		}
	}
	g.mu.RUnlock()
	for _, code := range codes {
		roles, active := g.opts.Directory.Person(code)
		for _, r := range roles {
			if active && r.Role == event.RoleEngineer && r.Place == "" {
				return true
			}
		}
	}
	return false
}

// SetUpLink opens the way in and gives the secret of its link. A link that was open
// before is good no more.
func (g *Gate) SetUpLink() (string, error) {
	raw, err := g.random(32)
	if err != nil {
		return "", err
	}
	secret := base64.RawURLEncoding.EncodeToString(raw)
	g.setUp.mu.Lock()
	g.setUp.hash = hashOf(secret)
	g.setUp.mu.Unlock()
	return secret, nil
}

// SetUpOpen reports whether the secret is that of the open link.
func (g *Gate) SetUpOpen(secret string) bool {
	g.setUp.mu.Lock()
	defer g.setUp.mu.Unlock()
	return g.setUp.hash != "" && subtle.ConstantTimeCompare([]byte(g.setUp.hash), []byte(hashOf(secret))) == 1
}

// SetUp makes the first engineer by an open link, and closes it. describe writes the
// person into the log. When something fails the link stays open.
func (g *Gate) SetUp(ctx context.Context, secret string, n NewSignIn, describe func(context.Context, string) error) error {
	g.setUp.mu.Lock()
	defer g.setUp.mu.Unlock()
	if g.setUp.hash == "" || subtle.ConstantTimeCompare([]byte(g.setUp.hash), []byte(hashOf(secret))) != 1 {
		return ErrSetUp
	}
	switch {
	case n.Badge == "":
		return &FieldError{"badge", "scan or type your badge"}
	case n.PIN == "":
		return &FieldError{"pin", "choose a PIN"}
	}
	if say := CheckPIN(n.PIN); say != "" {
		return &FieldError{"pin", say}
	}
	if _, err := personID(n.Code); err != nil || n.Code == "" {
		return &FieldError{"id", "give your staff code: letters and digits"}
	}
	if err := describe(ctx, n.Code); err != nil {
		return err
	}
	if _, err := g.SetSignIn(ctx, n); err != nil {
		return err
	}
	g.setUp.hash = ""
	return nil
}
