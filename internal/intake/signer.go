package intake

import (
	"context"
	"slices"

	"specimen.example/custody/internal/event"
)

// Signer is who asks for a write, as sign-in knows it. The zero value is a daemon where
// nobody is asked to sign in.
type Signer struct {
	Asked bool   // people sign in here
	ID    string // staff code, device or token
	// Person: ID is a staff code, and acts where a scan names nobody.
	Person bool
	Roles  []event.RoleAt
	Place  string // where the session is, for scans that name no place
}

type signerKey struct{}

// WithSigner gives a context in which all that is written is s's.
func WithSigner(ctx context.Context, s Signer) context.Context {
	return context.WithValue(ctx, signerKey{}, s)
}

// signerOf gives who asks.
func signerOf(ctx context.Context) Signer {
	s, _ := ctx.Value(signerKey{}).(Signer)
	return s
}

// rolesAt are the roles at a place: those that hold everywhere, and its own.
func (s *Signer) rolesAt(place string) []string {
	var out []string
	for _, r := range s.Roles {
		if (r.Place == "" || place != "" && event.Spelled(r.Place) == event.Spelled(place)) && !slices.Contains(out, r.Role) {
			out = append(out, r.Role)
		}
	}
	return out
}

// act puts into an envelope who asks, and who acts where nobody is named.
func (s *Signer) act(env *event.Envelope) {
	env.Principal = s.ID
	if env.Actor == "" && s.Person {
		env.Actor = s.ID
	}
}
