// Package auth decides who asks and what that one may: people by badge and PIN or by
// the house's own sign-in, devices by a key of their own, machines by a token. What
// they sign in with stands on shelves that can be erased, never in the log. It knows
// no web page and no wire code.
package auth

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Kind is what a principal is.
type Kind string

// The kinds. Anyone is everybody where nobody is asked to sign in.
const (
	Nobody  Kind = ""
	Anyone  Kind = "anyone"
	Person  Kind = "person"
	Device  Kind = "device"
	Machine Kind = "machine"
)

// Scope is what a machine's token is good for.
type Scope string

// The scopes.
const (
	ScopeScans     Scope = "scans"
	ScopeReadings  Scope = "readings"
	ScopeRequests  Scope = "requests"
	ScopeIdentity  Scope = "identity"
	ScopeRead      Scope = "read"
	ScopeDirectory Scope = "directory"
	ScopeMetrics   Scope = "metrics"
)

// Scopes lists every scope.
func Scopes() []Scope {
	return []Scope{ScopeScans, ScopeReadings, ScopeRequests, ScopeIdentity, ScopeRead, ScopeDirectory, ScopeMetrics}
}

// Principal is who asks.
type Principal struct {
	Kind    Kind
	ID      string // staff code, device or token
	Roles   []event.RoleAt
	Scopes  []Scope
	Loggers []event.Key // of a machine that may send theirs alone; empty for all
	Device  string      // enrolled device that the session is bound to, empty for none
	Place   string      // where the session is
	Until   time.Time   // when it ends if nothing is done
	session string      // key of its record
}

// Everywhere are the roles that hold everywhere.
func (p *Principal) Everywhere() []string {
	return p.roles(func(r event.RoleAt) bool { return r.Place == "" })
}

// Anywhere are the roles that hold at any place.
func (p *Principal) Anywhere() []string {
	return p.roles(func(event.RoleAt) bool { return true })
}

// At are the roles that hold at a place.
func (p *Principal) At(place string) []string {
	return p.roles(func(r event.RoleAt) bool {
		return r.Place == "" || event.Spelled(r.Place) == event.Spelled(place)
	})
}

func (p *Principal) roles(count func(event.RoleAt) bool) []string {
	var out []string
	for _, r := range p.Roles {
		if count(r) && !slices.Contains(out, r.Role) {
			out = append(out, r.Role)
		}
	}
	return out
}

// Rule says who may call a method or see a page. The zero rule lets nobody in but
// where nobody is asked to sign in.
type Rule struct {
	Open   bool     // without signing in
	Roles  []string // people with one of these roles everywhere
	Here   bool     // or at any place: what is asked for looks at the place itself
	Device bool     // an enrolled device alone, without a person
	Scopes []Scope  // machines with one of these scopes
}

// Errors of signing in and of rules.
var (
	// ErrSignIn: nobody is signed in, or the session ended.
	ErrSignIn = errors.New("sign in first")
	// ErrEnded: there was a session, and it has ended.
	ErrEnded = errors.New("the session has ended; sign in again")
	// ErrRevoked: the token was revoked or has run out.
	ErrRevoked = errors.New("this token is not known, was revoked or has run out; ask the engineer for a new one")
	// ErrWrong: badge or PIN is wrong, or nobody has it. Which of them isn't said.
	ErrWrong = errors.New("badge or PIN is wrong")
	// ErrInactive: the person or the device may not act.
	ErrInactive = errors.New("this person may not act any more; ask the engineer")
	// ErrAccount says that the house vouched for an account that is nobody's here.
	ErrAccount = errors.New("nobody here has this account; ask the engineer to set it at your staff code")
	// ErrTooMany: too many attempts from one address.
	ErrTooMany = errors.New("too many attempts; wait a minute and try again")
	// ErrBusy: the sign-ins can't be read or written just now.
	ErrBusy = errors.New("signing in does not answer just now; try again in a moment")
)

// LockedError says that somebody tried wrong PINs too often.
type LockedError struct{ Until time.Time }

// Error implements error.
func (l *LockedError) Error() string {
	return fmt.Sprintf("locked until %s after too many wrong PINs; wait, or ask the engineer to release it", l.Until.UTC().Format("15:04 UTC"))
}

// NotAllowedError says who may, to somebody who may not.
type NotAllowedError struct{ Rule Rule }

// Error implements error.
func (n *NotAllowedError) Error() string {
	if words := n.Rule.Words(); words != "" {
		return "this is for " + words
	}
	return "this is for nobody"
}

// Words says who may, in words.
func (r Rule) Words() string {
	if r.Open {
		return "anybody"
	}
	var out []string
	if len(r.Roles) == len(event.Roles()) {
		out = append(out, "everybody who has signed in")
	} else if len(r.Roles) > 0 {
		out = append(out, strings.Join(r.Roles, ", "))
	}
	if r.Device {
		out = append(out, "enrolled devices")
	}
	if len(r.Scopes) > 0 {
		words := make([]string, len(r.Scopes))
		for i, s := range r.Scopes {
			words[i] = string(s)
		}
		out = append(out, "machines with the scope "+strings.Join(words, " or "))
	}
	return strings.Join(out, "; ")
}

// Check gives ErrSignIn when nobody is signed in who must be, *NotAllowedError when
// somebody is who may not, else nil.
func (r Rule) Check(p *Principal) error {
	may := false
	switch p.Kind {
	case Anyone:
		return nil
	case Person:
		roles := p.Everywhere()
		if r.Here {
			roles = p.Anywhere()
		}
		may = slices.ContainsFunc(r.Roles, func(role string) bool { return slices.Contains(roles, role) })
	case Machine:
		may = slices.ContainsFunc(r.Scopes, func(s Scope) bool { return slices.Contains(p.Scopes, s) })
	case Device:
		may = r.Device
	}
	switch {
	case may || r.Open:
		return nil
	case p.Kind == Nobody:
		return ErrSignIn
	default:
		return &NotAllowedError{r}
	}
}

type principalKey struct{}

// With gives a context that carries who asks.
func With(ctx context.Context, p *Principal) context.Context {
	return context.WithValue(ctx, principalKey{}, p)
}

// From gives who asks, a principal of nobody when none was put in.
func From(ctx context.Context) *Principal {
	if p, ok := ctx.Value(principalKey{}).(*Principal); ok {
		return p
	}
	return &Principal{}
}
