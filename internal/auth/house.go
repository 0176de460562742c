package auth

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// HouseOptions say how to ask the house's own sign-in (OpenID Connect Core 1.0, code
// flow with PKCE, RFC 7636).
type HouseOptions struct {
	Issuer string // its address, as in its ID tokens
	Client string // our id there
	Secret string // our secret there, empty for a public client
	Back   string // our address to which it sends people back
	// Claim names the account; empty: sub, the one that a provider never gives to another
	// (OpenID Connect Core 1.0, 5.7). Take another only where nobody can choose it.
	Claim string
	HTTP  *http.Client
	Now   func() time.Time
}

// House is the house's own sign-in. It is asked for its addresses at first use, so that
// a daemon starts without it.
type House struct {
	opts HouseOptions
	gate *Gate

	mu       sync.Mutex
	provider *oidc.Provider
}

// NewHouse gives the sign-in of the house for a gate.
func NewHouse(g *Gate, o HouseOptions) *House {
	if o.HTTP == nil {
		o.HTTP = &http.Client{Timeout: 10 * time.Second}
	}
	return &House{opts: o, gate: g}
}

// Errors of the house's own sign-in.
var (
	// ErrHouse says that it did not vouch for somebody, or its answer isn't to be believed.
	ErrHouse = errors.New("the house's own sign-in did not vouch for you; try again, or sign in with badge and PIN")
	// ErrHouseAway says that it does not answer.
	ErrHouseAway = errors.New("the house's own sign-in does not answer just now; sign in with badge and PIN, or try again later")
)

// Answer is what comes back from the house's sign-in (RFC 6749, 4.1.2).
type Answer struct {
	State string
	Code  string
	Error string // why there is no code
}

// started is what we remember in the browser between sending somebody away and the
// return, under our seal.
type started struct {
	State    string `json:"state"`
	Nonce    string `json:"nonce"`
	Verifier string `json:"verifier"`
	Next     string `json:"next"`
	Until    int64  `json:"until"`
}

// houseFor is how long somebody may take at the house's sign-in.
const houseFor = 10 * time.Minute

func (h *House) config(ctx context.Context) (*oidc.Provider, *oauth2.Config, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.provider == nil {
		// Its keys are asked for later, when this request is over.
		p, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), h.opts.HTTP), h.opts.Issuer)
		if err != nil {
			return nil, nil, fmt.Errorf("%w: %w", ErrHouseAway, err)
		}
		h.provider = p
	}
	return h.provider, &oauth2.Config{
		ClientID: h.opts.Client, ClientSecret: h.opts.Secret, Endpoint: h.provider.Endpoint(), RedirectURL: h.opts.Back,
		Scopes: []string{oidc.ScopeOpenID, "profile"},
	}, nil
}

// Begin gives the address to send somebody to, and what to keep in the browser until
// the return. next is where to go then.
func (h *House) Begin(ctx context.Context, next string) (address, keep string, err error) {
	_, cfg, err := h.config(ctx)
	if err != nil {
		return "", "", err
	}
	s := started{Verifier: oauth2.GenerateVerifier(), Next: next, Until: millis(h.opts.Now().Add(houseFor))}
	for _, at := range []*string{&s.State, &s.Nonce} {
		raw, err := h.gate.random(24)
		if err != nil {
			return "", "", err
		}
		*at = base64.RawURLEncoding.EncodeToString(raw)
	}
	data, err := json.Marshal(s)
	if err != nil {
		return "", "", err
	}
	text := base64.RawURLEncoding.EncodeToString(data)
	keep = text + "." + base64.RawURLEncoding.EncodeToString(h.gate.keyed("house", text))
	return cfg.AuthCodeURL(s.State, oidc.Nonce(s.Nonce), oauth2.S256ChallengeOption(s.Verifier)), keep, nil
}

// Finish gives the account that the house vouches for. kept is what Begin said to keep.
// The error is ErrHouse or ErrHouseAway, with why.
func (h *House) Finish(ctx context.Context, kept string, a Answer) (account, next string, err error) {
	s, err := h.open(kept)
	if err != nil {
		return "", "", err
	}
	switch {
	case a.State == "" || a.State != s.State:
		return "", "", fmt.Errorf("%w: the answer belongs to another attempt", ErrHouse)
	case a.Error != "":
		return "", "", fmt.Errorf("%w: it answered %.80q", ErrHouse, a.Error)
	case a.Code == "":
		return "", "", fmt.Errorf("%w: it sent no code", ErrHouse)
	}
	provider, cfg, err := h.config(ctx)
	if err != nil {
		return "", "", err
	}
	ctx = oidc.ClientContext(ctx, h.opts.HTTP)
	got, err := cfg.Exchange(ctx, a.Code, oauth2.VerifierOption(s.Verifier))
	var refused *oauth2.RetrieveError
	switch {
	case errors.As(err, &refused) && refused.Response.StatusCode < http.StatusInternalServerError:
		// Its own words aren't kept: whoever answers may put anything into them.
		return "", "", fmt.Errorf("%w: it refused the code with %d %.80q", ErrHouse, refused.Response.StatusCode, refused.ErrorCode)
	case errors.As(err, &refused):
		return "", "", fmt.Errorf("%w: it answered the code with %d", ErrHouseAway, refused.Response.StatusCode)
	case err != nil:
		return "", "", fmt.Errorf("%w: %w", ErrHouseAway, err)
	}
	raw, ok := got.Extra("id_token").(string)
	if !ok {
		return "", "", fmt.Errorf("%w: it sent no ID token", ErrHouse)
	}
	token, err := provider.VerifierContext(ctx, &oidc.Config{ClientID: h.opts.Client, Now: h.opts.Now}).Verify(ctx, raw)
	if err != nil {
		return "", "", fmt.Errorf("%w: %w", ErrHouse, err)
	}
	if token.Nonce != s.Nonce { // OpenID Connect Core 1.0, 3.1.3.7 no. 11
		return "", "", fmt.Errorf("%w: the ID token belongs to another attempt", ErrHouse)
	}
	if h.opts.Claim == "" || h.opts.Claim == "sub" {
		return token.Subject, s.Next, nil
	}
	claims := map[string]any{}
	if err := token.Claims(&claims); err != nil {
		return "", "", fmt.Errorf("%w: %w", ErrHouse, err)
	}
	if account, _ = claims[h.opts.Claim].(string); account == "" {
		if account, err = h.asked(ctx, provider, got, token.Subject); err != nil {
			return "", "", err
		}
	}
	return account, s.Next, nil
}

// asked gets the claim from the provider where the ID token doesn't hold it.
func (h *House) asked(ctx context.Context, p *oidc.Provider, got *oauth2.Token, subject string) (string, error) {
	info, err := p.UserInfo(ctx, oauth2.StaticTokenSource(got))
	if err != nil {
		return "", fmt.Errorf("%w: it told no claims: %w", ErrHouseAway, err)
	}
	claims := map[string]any{}
	if err := info.Claims(&claims); err != nil || info.Subject != subject { // OpenID Connect Core 1.0, 5.3.2: it must be the same
		return "", fmt.Errorf("%w: its claims are another's", ErrHouse)
	}
	account, _ := claims[h.opts.Claim].(string)
	if account == "" {
		return "", fmt.Errorf("%w: it tells no claim %s", ErrHouse, h.opts.Claim)
	}
	return account, nil
}

func (h *House) open(kept string) (started, error) {
	var s started
	text, seal, _ := cutLast(kept, '.')
	sum, err := base64.RawURLEncoding.DecodeString(seal)
	if err != nil || !equal(sum, h.gate.keyed("house", text)) {
		return s, fmt.Errorf("%w: it was not begun here", ErrHouse)
	}
	data, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return s, fmt.Errorf("%w: it was not begun here", ErrHouse)
	}
	if err := json.Unmarshal(data, &s); err != nil {
		return s, fmt.Errorf("%w: it was not begun here", ErrHouse)
	}
	if !h.opts.Now().Before(fromMillis(s.Until)) {
		return s, fmt.Errorf("%w: it took too long", ErrHouse)
	}
	return s, nil
}
