package api

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
)

// Cookies that hold a session's secret: over TLS one that no other host and no plain
// connection can set (RFC 6265bis, 4.1.3.2).
const (
	plainCookie  = "custody-session"
	secureCookie = "__Host-custody-session"
)

// SessionCookie is the name of the cookie that holds a session's secret.
func SessionCookie(secure bool) string {
	if secure {
		return secureCookie
	}
	return plainCookie
}

// sessionHeader carries a session's secret between the pages and the API of one process.
const sessionHeader = "custody-session"

// WithSession gives a context whose calls of this process's API are the session's.
func WithSession(ctx context.Context, secret string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, sessionHeader, secret)
}

// addressHeader carries the address of a browser, put there by our own front alone.
const addressHeader = "custody-address"

// Gate lets calls in by who makes them. Gate nil: nobody is asked to sign in.
type Gate struct {
	Auth *auth.Gate
	// Secure: only the cookie of a secure connection counts.
	Secure bool
	// Restricted reports whether a test is shown by its name only to those who need it.
	Restricted func(code string) bool
}

// credentials reads what came with a call. A call over the network can't bring the
// headers that our own front puts on: the front takes them away.
func (g *Gate) credentials(ctx context.Context) auth.Credentials {
	md, _ := metadata.FromIncomingContext(ctx)
	var c auth.Credentials
	for _, v := range md.Get("authorization") {
		c.Bearer = BearerOf(v)
	}
	for _, v := range md.Get(sessionHeader) {
		c.Session = v
	}
	if c.Session == "" {
		for _, v := range md.Get("grpcgateway-cookie") {
			c.Session = SessionOf(v, g.Secure)
		}
	}
	return c
}

// BearerOf gives the token in an Authorization header (RFC 6750, 2.1), "" for none.
func BearerOf(header string) string {
	scheme, token, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "bearer") {
		return ""
	}
	return strings.TrimSpace(token)
}

// SessionOf gives the session's secret in a Cookie header, "" for none.
func SessionOf(cookies string, secure bool) string {
	list, err := http.ParseCookie(cookies)
	if err != nil {
		return ""
	}
	for _, c := range list {
		if c.Name == SessionCookie(secure) {
			return c.Value
		}
	}
	return ""
}

// FromNetwork takes away from a gRPC call what only our own front may say of one, and
// says where it comes from.
func FromNetwork(r *http.Request) {
	r.Header.Set(addressHeader, HostOf(r.RemoteAddr))
}

// addressOf is where a call comes from, for limits.
func addressOf(ctx context.Context) string {
	if md, ok := metadata.FromIncomingContext(ctx); ok {
		if at := md.Get(addressHeader); len(at) == 1 {
			return at[0]
		}
	}
	if p, ok := peer.FromContext(ctx); ok && p.Addr != nil {
		return HostOf(p.Addr.String())
	}
	return ""
}

// HostOf is an address without its port.
func HostOf(address string) string {
	if at := strings.LastIndexByte(address, ':'); at > 0 {
		return strings.Trim(address[:at], "[]")
	}
	return address
}

// open is whoever asks where nobody is asked to sign in.
var open = &auth.Principal{Kind: auth.Anyone}

// enter finds out who calls, and whether that one may.
func (g *Gate) enter(ctx context.Context, method string) (context.Context, error) {
	if g == nil {
		return auth.With(ctx, open), nil
	}
	rule, known := who[shortMethod(method)]
	if !known {
		return ctx, status.Error(codes.PermissionDenied, "this call is for nobody: it has no rule")
	}
	p, err := g.Auth.Identify(ctx, g.credentials(ctx))
	if err != nil && !rule.Open {
		return ctx, authError(err)
	}
	if err != nil {
		p = &auth.Principal{}
	}
	caller := p.ID
	if p.Kind == auth.Nobody {
		caller = addressOf(ctx)
	}
	if !g.Auth.MayAsk(string(p.Kind) + " " + caller) {
		return ctx, status.Error(codes.ResourceExhausted, "too many requests; send several scans in one request, and wait a moment")
	}
	if err := rule.Check(p); err != nil {
		return ctx, authError(err)
	}
	return intake.WithSigner(auth.With(ctx, p), intake.Signer{
		Asked: true, ID: signerID(p), Person: p.Kind == auth.Person, Roles: p.Roles, Place: p.Place,
	}), nil
}

// signerID is how the log names who asked.
func signerID(p *auth.Principal) string {
	if p.Kind == auth.Machine {
		return "token " + p.ID
	}
	return p.ID
}

// shortMethod is "Service/Method" of "/package.Service/Method".
func shortMethod(full string) string {
	service, method, _ := strings.Cut(strings.TrimPrefix(full, "/"), "/")
	return service[strings.LastIndexByte(service, '.')+1:] + "/" + method
}

// Unary is the interceptor of calls with one answer. It comes before the check of
// fields: who may not call learns nothing about fields, and "by" is filled in.
func (g *Gate) Unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	ctx, err := g.enter(ctx, info.FullMethod)
	if err != nil {
		return nil, err
	}
	if m, ok := req.(proto.Message); ok && g != nil {
		if err := sayBy(auth.From(ctx), m, actsForOthers[shortMethod(info.FullMethod)]); err != nil {
			return nil, err
		}
		if !MayNameTests(auth.From(ctx)) {
			return g.unnamed(ctx, m, next)
		}
	}
	return next(ctx, req)
}

// unnamed answers without the names of restricted tests.
func (g *Gate) unnamed(ctx context.Context, req proto.Message, next grpc.UnaryHandler) (any, error) {
	if asksRestricted(req, g.Restricted) {
		return nil, status.Error(codes.PermissionDenied, "this test is not shown to you")
	}
	resp, err := next(ctx, req)
	if m, ok := resp.(proto.Message); ok && err == nil {
		restrict(m, g.Restricted)
	}
	return resp, err
}

// Stream is Unary for streams.
func (g *Gate) Stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	ctx, err := g.enter(ss.Context(), info.FullMethod)
	if err != nil {
		return err
	}
	if g == nil {
		return next(srv, entered{ss, ctx, nil})
	}
	// A stream that outlives its session ends: a revoked screen must not go on.
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	go g.Auth.EndWith(ctx, g.credentials(ctx), who[shortMethod(info.FullMethod)], func() { cancel(errEnded) })
	on := entered{ss, ctx, nil}
	if !MayNameTests(auth.From(ctx)) {
		on.restricted = g.Restricted
	}
	err = next(srv, on)
	if cause := context.Cause(ctx); err != nil && errors.Is(cause, errEnded) {
		return authError(auth.ErrEnded)
	}
	return err
}

// errEnded is why a stream ends whose session did.
var errEnded = errors.New("the session ended")

type entered struct {
	grpc.ServerStream
	ctx        context.Context
	restricted func(code string) bool // nil: every test is named
}

// SendMsg implements grpc.ServerStream.
func (e entered) SendMsg(m any) error {
	if p, ok := m.(proto.Message); ok && e.restricted != nil {
		restrict(p, e.restricted)
	}
	return e.ServerStream.SendMsg(m)
}

// Context implements grpc.ServerStream.
func (e entered) Context() context.Context { return e.ctx }

// sayBy fills in who acts, from who is signed in; another name is refused where one
// signs with it.
func sayBy(p *auth.Principal, m proto.Message, others bool) error {
	r := m.ProtoReflect()
	fd := r.Descriptor().Fields().ByName("by")
	if fd == nil || p.Kind != auth.Person || fd.Kind() != protoreflect.StringKind {
		return nil
	}
	switch said := r.Get(fd).String(); {
	case said == "":
		r.Set(fd, protoreflect.ValueOfString(p.ID))
	case !others && event.Spelled(said) != event.Spelled(p.ID):
		return violations(violation{"by", "you are signed in as " + p.ID + "; leave it out, or let the other sign in"})
	}
	return nil
}

// authError turns what sign-in says into a code.
func authError(err error) error {
	var not *auth.NotAllowedError
	var locked *auth.LockedError
	var field *auth.FieldError
	switch {
	case errors.As(err, &not):
		return status.Error(codes.PermissionDenied, not.Error())
	case errors.As(err, &field):
		return violations(violation{field.Field, field.Say})
	case errors.As(err, &locked):
		return status.Error(codes.Unauthenticated, locked.Error())
	case errors.Is(err, auth.ErrTooMany):
		return status.Error(codes.ResourceExhausted, err.Error())
	case errors.Is(err, auth.ErrBusy):
		return status.Error(codes.Unavailable, auth.ErrBusy.Error())
	case errors.Is(err, auth.ErrSignIn), errors.Is(err, auth.ErrEnded), errors.Is(err, auth.ErrRevoked), errors.Is(err, auth.ErrInactive):
		return status.Error(codes.Unauthenticated, err.Error())
	case errors.Is(err, auth.ErrCode), errors.Is(err, auth.ErrProof), errors.Is(err, auth.ErrReplayed), errors.Is(err, auth.ErrDevice):
		return status.Error(codes.PermissionDenied, err.Error())
	default:
		return err
	}
}
