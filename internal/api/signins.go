package api

import (
	"context"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/label"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// timeText is an instant of sign-in as the API writes it.
func timeText(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return stamp(event.At(t))
}

func roleMessages(roles []event.RoleAt) []*custodyv1.RoleAt {
	var out []*custodyv1.RoleAt
	for _, r := range roles {
		out = append(out, &custodyv1.RoleAt{Role: r.Role, Place: r.Place})
	}
	return out
}

// WhoAmI tells who asks.
func (s *Server) WhoAmI(ctx context.Context, _ *custodyv1.WhoAmIRequest) (*custodyv1.WhoAmIResponse, error) {
	p := auth.From(ctx)
	m := &custodyv1.WhoAmIResponse{Kind: string(p.Kind), Id: p.ID, Device: p.Device, Place: p.Place, Until: timeText(p.Until), Now: stamp(s.Clock.Now())}
	for _, r := range p.Roles {
		if r.Place == "" && m.Role == "" {
			m.Role = r.Role
			continue
		}
		m.Roles = append(m.Roles, &custodyv1.RoleAt{Role: r.Role, Place: r.Place})
	}
	for _, scope := range p.Scopes {
		m.Scopes = append(m.Scopes, string(scope))
	}
	return m, nil
}

func signInMessage(st auth.SignInState) *custodyv1.SignIn {
	return &custodyv1.SignIn{
		Id: st.Code, Badge: st.Badge, Pin: st.PIN, Account: st.Account, LockedUntil: timeText(st.LockedUntil), Failures: int32(st.Failures), //nolint:gosec // a few
	}
}

// declaredPerson refuses a staff code that nobody declared.
func (s *Server) declaredPerson(id string) error {
	k, err := s.key("id", id, event.KindPerson)
	if err != nil {
		return err
	}
	known := false
	s.Model.World(func(w *custody.World) { _, known = w.Person(k) })
	if !known {
		return notDeclared("person", id)
	}
	return nil
}

// badgeNumber reads what a badge's label says, as any other label.
func badgeNumber(s *label.Schemes, text string, now event.Instant) (string, error) {
	if text == "" {
		return "", nil
	}
	r, err := s.Read(label.Input{Raw: []byte(text), At: now, Want: []label.Thing{label.Person}})
	if err != nil {
		// What it says is not repeated.
		return "", &auth.FieldError{Field: "badge", Say: "it can't be a badge here; scan it again, or have the badges' number scheme looked at"}
	}
	return r.Text, nil
}

// BadgeNumber reads what was scanned off a badge.
func (s *Server) BadgeNumber(text string) (string, error) {
	return badgeNumber(s.Model.Schemes(), text, s.Clock.Now())
}

// SetSignIn sets how a person signs in.
func (s *Server) SetSignIn(ctx context.Context, req *custodyv1.SetSignInRequest) (*custodyv1.SignIn, error) {
	if err := s.declaredPerson(req.GetId()); err != nil {
		return nil, err
	}
	badge, err := s.BadgeNumber(req.GetBadge())
	if err != nil {
		return nil, authError(err)
	}
	st, err := s.Auth.SetSignIn(ctx, auth.NewSignIn{Code: req.GetId(), Badge: badge, PIN: req.GetPin(), Account: req.GetAccount()})
	if err != nil {
		return nil, authError(err)
	}
	return signInMessage(st), nil
}

// GetSignIn tells how a person can sign in.
func (s *Server) GetSignIn(_ context.Context, req *custodyv1.GetSignInRequest) (*custodyv1.SignIn, error) {
	if err := s.declaredPerson(req.GetId()); err != nil {
		return nil, err
	}
	return signInMessage(s.Auth.SignInOf(req.GetId())), nil
}

// ReleaseLock takes away a lock.
func (s *Server) ReleaseLock(ctx context.Context, req *custodyv1.ReleaseLockRequest) (*custodyv1.SignIn, error) {
	st, err := s.Auth.Release(ctx, req.GetId())
	if err != nil {
		return nil, authError(err)
	}
	return signInMessage(st), nil
}

// InviteDevice makes a device's code.
func (s *Server) InviteDevice(ctx context.Context, req *custodyv1.InviteDeviceRequest) (*custodyv1.InviteDeviceResponse, error) {
	code, until, err := s.Auth.Invite(ctx, req.GetId(), req.GetBy())
	if err != nil {
		return nil, authError(err)
	}
	return &custodyv1.InviteDeviceResponse{Id: event.Spelled(req.GetId()), Code: code, Until: timeText(until)}, nil
}

// EnrolDevice takes a device's key. The code lets it in; the engineer who made the code
// stands in the log for it.
func (s *Server) EnrolDevice(ctx context.Context, req *custodyv1.EnrolDeviceRequest) (*custodyv1.EnrolDeviceResponse, error) {
	d, err := s.Auth.Enrol(ctx, req.GetCode(), req.GetPublicKey(), req.GetProof(), addressOf(ctx), func(ctx context.Context, d auth.Enrolled, by string) error {
		ctx = intake.WithSigner(ctx, intake.Signer{Asked: true, ID: by, Person: true})
		return s.put(ctx, event.KindDevice, d.ID, by, atOurClock, event.DeviceEnrolled{
			DeviceKind: d.Kind, Active: true, Place: d.Place, KeyID: d.KeyID, PublicKey: d.PublicKey,
		})
	})
	if err != nil {
		return nil, authError(err)
	}
	return &custodyv1.EnrolDeviceResponse{Device: d.ID, KeyId: d.KeyID, Kind: d.Kind, Place: d.Place}, nil
}

func tokenMessage(t auth.Token) *custodyv1.Token {
	m := &custodyv1.Token{Id: t.ID, Name: t.Name, By: t.By, Made: timeText(t.Made), Until: timeText(t.Until), Revoked: t.Revoked}
	for _, scope := range t.Scopes {
		m.Scopes = append(m.Scopes, string(scope))
	}
	for _, l := range t.Loggers {
		m.Loggers = append(m.Loggers, event.Key(l).Label())
	}
	return m
}

// MakeToken makes a machine's token.
func (s *Server) MakeToken(ctx context.Context, req *custodyv1.MakeTokenRequest) (*custodyv1.Token, error) {
	n := auth.NewToken{Name: req.GetName(), By: req.GetBy(), Days: int(req.GetDays())}
	for _, scope := range req.GetScopes() {
		n.Scopes = append(n.Scopes, auth.Scope(scope))
	}
	for _, l := range req.GetLoggers() {
		key, err := s.key("loggers", l, event.KindLogger)
		if err != nil {
			return nil, err
		}
		n.Loggers = append(n.Loggers, string(key))
	}
	t, secret, err := s.Auth.MakeToken(ctx, n)
	if err != nil {
		return nil, authError(err)
	}
	m := tokenMessage(t)
	m.Secret = secret
	return m, nil
}

// ListTokens lists the tokens of machines.
func (s *Server) ListTokens(context.Context, *custodyv1.ListTokensRequest) (*custodyv1.ListTokensResponse, error) {
	m := &custodyv1.ListTokensResponse{}
	for _, t := range s.Auth.Tokens() {
		m.Tokens = append(m.Tokens, tokenMessage(t))
	}
	return m, nil
}

// RevokeToken makes a token worthless.
func (s *Server) RevokeToken(ctx context.Context, req *custodyv1.RevokeTokenRequest) (*custodyv1.Token, error) {
	t, err := s.Auth.RevokeToken(ctx, req.GetId())
	if err != nil {
		return nil, authError(err)
	}
	return tokenMessage(t), nil
}
