// Package app builds the daemon out of its parts, starts them in order and stops
// them in reverse. Everything that can be swapped (log, clock, address) is in Parts,
// so tests and rehearsals run the same graph in their own process.
package app

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/notify"
	"specimen.example/custody/internal/web"
)

// Parts are what an App is built from. Log, Clock, Secret, Ring and Logger must be set.
type Parts struct {
	Log      eventlog.Log
	Clock    api.Clock
	Secret   []byte         // keys the blind index of patient numbers
	Ring     *identity.Ring // wraps the patients' keys
	KeepDays int            // for how long backups of those may be opened; 0 means 30
	Logger   *slog.Logger
	Demo     bool
	// Keep says where the model keeps what it was worked out to be; nil: nowhere, so that a
	// start reads the whole log.
	Keep *live.Keep
	// Tracer, when set, records each request's way to the flag it causes; see Traces.
	Tracer trace.TracerProvider
	// SignIn asks everybody who they are. Without it everything is open to whoever
	// reaches the listener: for rehearsals, demonstrations and tests on the loopback.
	SignIn bool
	// House is the house's own sign-in, nil for none.
	House *auth.HouseOptions
	// PINCost is what a try of a PIN takes; nil is RFC 9106's. Less is for tests.
	PINCost *auth.Cost
	// StrictTLS tells browsers never to come without TLS (RFC 6797). With a certificate
	// made here that would shut out whoever has not been given its next one.
	StrictTLS bool
	// Receivers are told of flags outside the screens, at Pace; nil is as usual, and less
	// is for tests.
	Receivers []Receiver
	Pace      *notify.Pace
	// LabelDPI is what the forms for labels begin with; 0 is the pages' own.
	LabelDPI int
	// Listener serves gRPC, REST and pages; nil serves them in this process only.
	Listener net.Listener
	// TLS, when set, is what Listener speaks; else it is plain HTTP, which is for the
	// loopback alone. See Certificate.
	TLS *tls.Config

	ahead *live.Model // reads its snapshot, see ReadAhead
}

// ReadAhead begins to read what the model kept of itself while the log is still being
// opened. Everything but Log must be set. Without it Start does so itself.
func (p *Parts) ReadAhead() error {
	if p.Keep == nil {
		return nil
	}
	m, err := p.newModel()
	if err != nil {
		return err
	}
	m.ReadAhead()
	p.ahead = m
	return nil
}

func (p *Parts) newModel() (*live.Model, error) {
	shipped, err := shippedLimits()
	if err != nil {
		return nil, fmt.Errorf("app: catalogue: %w", err)
	}
	m := live.New(p.Log, p.Clock.Now, live.Lists{Tubes: shipped.set.Tubes, Assays: shipped.set.Assays}, intake.NewID(), p.Logger)
	if p.Keep != nil {
		m.KeepIn(*p.Keep)
	}
	return m, nil
}

// App is a running daemon.
type App struct {
	parts   Parts
	model   *live.Model
	desk    *intake.Desk
	people  *identity.Store
	grpc    *grpc.Server
	http    *http.Server
	inside  *bufconn.Listener
	conn    *grpc.ClientConn
	cancel  context.CancelFunc
	health  *health
	gate    *auth.Gate
	outside *outside // nil: nobody is told outside the screens

	once    sync.Once
	stopErr error
	failed  chan error // the first part that failed on its own
	ended   sync.WaitGroup
}

// Start builds and starts an App. It returns once the model has read the log to
// the end it had; a large log is followed by progress in the log file.
func Start(ctx context.Context, p Parts) (*App, error) {
	model := p.ahead
	if model == nil {
		var err error
		if model, err = p.newModel(); err != nil {
			return nil, err
		}
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	a := &App{parts: p, cancel: cancel, failed: make(chan error, 4), inside: bufconn.Listen(1 << 20)}
	if p.Tracer != nil {
		p.Log = eventlog.Traced(p.Log, p.Tracer.Tracer(tracerName))
	}
	if set := p.Clock.Set; set != nil {
		p.Clock.Set = func(to event.Instant) error {
			defer a.outside.poke()
			return set(to)
		}
		a.parts.Clock = p.Clock
	}
	a.model = model
	a.model.Over(p.Log)
	if p.Tracer != nil {
		a.model.TraceBy(p.Tracer.Tracer(tracerName))
	}
	a.health = newHealth(a)
	a.part("model", func() error { return a.model.Run(run) })
	a.gate = a.openGate(run)
	if err := a.openIdentity(ctx); err != nil {
		return nil, errors.Join(err, a.Stop(context.WithoutCancel(ctx)))
	}
	a.desk = intake.New(p.Log, a.model, p.Clock.Now, a.people, p.Logger)
	if err := a.catchUp(ctx); err != nil {
		return nil, errors.Join(err, a.Stop(context.WithoutCancel(ctx)))
	}
	if err := a.gate.Ready(ctx); err != nil {
		return nil, errors.Join(err, a.Stop(context.WithoutCancel(ctx)))
	}
	a.tellOutside(run)
	if err := a.serve(run); err != nil {
		return nil, errors.Join(err, a.Stop(context.WithoutCancel(ctx)))
	}
	return a, nil
}

// catchUp waits for the model, saying how far it is every few seconds.
func (a *App) catchUp(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- a.readLog(ctx) }()
	tick := time.NewTicker(3 * time.Second)
	defer tick.Stop()
	for {
		select {
		case err := <-done:
			if err != nil {
				return fmt.Errorf("app: read the log: %w", err)
			}
			return nil
		case err := <-a.failed:
			return err
		case <-tick.C:
			at := a.model.At()
			a.parts.Logger.Info("reading the log", slog.Uint64("custody", at.Custody), slog.Uint64("readings", at.Readings))
		}
	}
}

// readLog reads the log and only then lets the model judge for all. A steered clock
// goes on from where the log ends: a restart in the middle of a rehearsal must not
// judge its tubes by today.
func (a *App) readLog(ctx context.Context) error {
	var last event.Instant
	err := a.patiently(ctx, func() (err error) {
		last, err = a.model.Replayed(ctx)
		return err
	})
	if err != nil {
		return err
	}
	if a.parts.Clock.Set != nil && last != 0 {
		_ = a.parts.Clock.Set(last) // refused when it stands later already, which is as good
	}
	return a.patiently(ctx, func() error { return a.model.CatchUp(ctx) })
}

// patiently asks the log again until ctx ends: a cluster that elects a leader doesn't
// say where the log ends.
func (a *App) patiently(ctx context.Context, ask func() error) error {
	for {
		err := ask()
		if err == nil || ctx.Err() != nil || errors.Is(err, eventlog.ErrClosed) {
			return err
		}
		a.parts.Logger.Warn("the log does not answer; the start waits for it", slog.Any("error", err))
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

// part runs f on its own; when it fails the App is told.
func (a *App) part(name string, f func() error) {
	a.ended.Go(func() {
		if err := f(); err != nil {
			select {
			case a.failed <- fmt.Errorf("app: %s: %w", name, err):
			default:
			}
		}
	})
}

func (a *App) serve(run context.Context) error {
	registry := prometheus.NewRegistry()
	counts := newCounts(registry, a.model, a.outside)
	gate := a.callGate()
	unary := []grpc.UnaryServerInterceptor{counts.unary, gate.Unary, api.Unary}
	if a.parts.Tracer != nil {
		unary = append([]grpc.UnaryServerInterceptor{traceUnary(a.parts.Tracer.Tracer(tracerName))}, unary...)
	}
	a.grpc = grpc.NewServer(
		grpc.ChainUnaryInterceptor(unary...), grpc.ChainStreamInterceptor(gate.Stream, api.Stream),
		grpc.MaxRecvMsgSize(api.MaxBody),
	)
	server := &api.Server{Desk: a.desk, Model: a.model, Clock: a.parts.Clock, Logger: a.parts.Logger, Auth: a.gate, Identity: a.people, Starter: func() ([]byte, error) {
		shipped, err := shippedLimits()
		return bytes.Clone(shipped.file), err
	}}
	server.Register(a.grpc)
	a.part("patients' keys", func() error { a.tendIdentity(run, server.EraseIdentity); return nil })
	a.part("in-process API", func() error { return a.grpc.Serve(a.inside) })
	var err error
	a.conn, err = grpc.NewClient("passthrough:///inside",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return a.inside.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20), grpc.MaxCallSendMsgSize(api.MaxBody)))
	if err != nil {
		return fmt.Errorf("app: %w", err)
	}
	if a.parts.Listener == nil {
		return nil
	}
	rest, err := api.REST(run, a.conn)
	if err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.Handle("/v1/", rest)
	mux.HandleFunc("GET /healthz", a.health.live)
	mux.HandleFunc("GET /readyz", a.health.ready)
	mux.Handle("GET /metrics", a.onlyFor(metricsRule, counts.handler(registry)))
	mux.Handle("/", web.New(&pages{a: a}, web.Options{
		Demo: a.parts.Demo, Now: func() time.Time { return a.parts.Clock.Now().Time() }, OpenAPI: api.OpenAPI, Log: a.parts.Logger,
		LabelDPI: a.parts.LabelDPI, SignIn: a.door(server), Secure: a.secure(), Strict: a.parts.StrictTLS,
	}))
	guarded := http.NewCrossOriginProtection().Handler(mux)
	a.http = a.newHTTP(run, guarded)
	a.part("listener", a.accept)
	return nil
}

// Conn speaks to the daemon's own services without a network.
func (a *App) Conn() *grpc.ClientConn { return a.conn }

// Model is the live model, for tests that look behind the API.
func (a *App) Model() *live.Model { return a.model }

// Identity is the store of the patients.
func (a *App) Identity() *identity.Store { return a.people }

// Gate knows who may come in, for tests that look behind the pages.
func (a *App) Gate() *auth.Gate { return a.gate }

// Failed hears the first error of a part that ended on its own.
func (a *App) Failed() <-chan error { return a.failed }

// Stop ends everything in reverse order of starting. It is idempotent, and waits
// no longer than ctx for requests under way. The log is closed last.
func (a *App) Stop(ctx context.Context) error {
	a.once.Do(func() {
		var errs []error
		a.health.stopping.Store(true)
		a.outside.stop()
		if a.http != nil {
			// Streams end with their context, so the listener need not wait for them.
			a.cancel()
			if err := a.http.Shutdown(ctx); err != nil {
				errs = append(errs, a.http.Close())
			}
		}
		if a.conn != nil {
			errs = append(errs, a.conn.Close())
		}
		if a.grpc != nil {
			a.grpc.Stop()
		}
		a.cancel()
		a.ended.Wait()
		errs = append(errs, a.parts.Log.Close())
		a.stopErr = errors.Join(errs...)
	})
	return a.stopErr
}

// WallClock is the clock of a daemon that serves people.
func WallClock() api.Clock {
	return api.Clock{Now: func() event.Instant { return event.At(time.Now()) }}
}

// SteeredClock is the clock of a rehearsal: it stands at start (0: not set) until
// it is told, then moves only when it is told, and never back.
func SteeredClock(start event.Instant) api.Clock {
	var mu sync.Mutex
	now := start
	return api.Clock{
		Now: func() event.Instant {
			mu.Lock()
			defer mu.Unlock()
			return now
		},
		Set: func(to event.Instant) error {
			mu.Lock()
			defer mu.Unlock()
			if to < now {
				return fmt.Errorf("the clock stands at %s and never goes back", now)
			}
			now = to
			return nil
		},
	}
}
