// Package api translates: requests of gRPC and REST become calls of intake and
// live, what they say becomes messages, and every error becomes one code with the
// fields it concerns. It decides nothing about specimens itself.
package api

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// Clock is the process's clock. Set is nil when the clock can't be steered.
type Clock struct {
	Now func() event.Instant
	Set func(event.Instant) error
}

// Server implements every service. All fields must be set before use.
type Server struct {
	custodyv1.UnimplementedScansServer
	custodyv1.UnimplementedRequestsServer
	custodyv1.UnimplementedTubesServer
	custodyv1.UnimplementedDirectoryServer
	custodyv1.UnimplementedSignInsServer
	custodyv1.UnimplementedPatientsServer
	custodyv1.UnimplementedPhonesServer
	custodyv1.UnimplementedDeskServer
	stabilityv1.UnimplementedFlagsServer
	stabilityv1.UnimplementedRulesServer

	Desk    *intake.Desk
	Model   *live.Model
	Clock   Clock
	Starter func() ([]byte, error) // bytes of the shipped rule set
	Logger  *slog.Logger
	Auth    *auth.Gate
	// Identity says who a reference belongs to.
	Identity *identity.Store
}

// Register puts every service on g.
func (s *Server) Register(g *grpc.Server) {
	custodyv1.RegisterScansServer(g, s)
	custodyv1.RegisterRequestsServer(g, s)
	custodyv1.RegisterTubesServer(g, s)
	custodyv1.RegisterDirectoryServer(g, s)
	custodyv1.RegisterSignInsServer(g, s)
	custodyv1.RegisterPatientsServer(g, s)
	custodyv1.RegisterPhonesServer(g, s)
	custodyv1.RegisterDeskServer(g, s)
	stabilityv1.RegisterFlagsServer(g, s)
	stabilityv1.RegisterRulesServer(g, s)
}

// judgedWithin is how long an answer waits for the judge before it says
// "pending". Silence must never read as fit.
const judgedWithin = 300 * time.Millisecond

// judgedInRehearsal is the same with a steered clock, where nobody stands at a
// bedside: an expectation must not depend on how busy the machine is.
const judgedInRehearsal = 20 * time.Second

// settle waits until everything up to seq is judged, and says whether it was.
// With tubes named it waits for those only, but in a rehearsal for all: what a tube's
// scan changed of its box is asked next.
func (s *Server) settle(ctx context.Context, seq uint64, tubes ...event.Key) bool {
	limit := judgedWithin
	if s.Clock.Set != nil {
		limit = judgedInRehearsal
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	if len(tubes) > 0 && s.Clock.Set == nil {
		return s.Model.SettledTubes(ctx, tubes...) == nil
	}
	return s.Model.Settled(ctx, eventlog.Position{Custody: seq}) == nil
}

// logError turns an error of the log into a status.
func logError(err error) error {
	var field *intake.FieldError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &field):
		return violations(violation{field.Field, field.Say})
	case errors.Is(err, intake.ErrBusy):
		return status.Error(codes.ResourceExhausted, "too many readings are on their way into the log and nothing of these was stored; send all of it again in a moment, or use the stream of StreamReadings, which waits by itself")
	case errors.Is(err, eventlog.ErrFull):
		return notSaved("the store is full; send it again later, and tell the engineer to make room or raise the limit")
	default:
		return notSaved("not saved; send it again with the same id")
	}
}
