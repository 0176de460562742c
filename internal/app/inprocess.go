package app

import (
	"context"
	"crypto/rand"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/grpc"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/identity"
)

// InProcess is a daemon with a steered clock inside this process, for rehearsals
// and tests: the whole graph, without a network.
type InProcess struct {
	open   func(ctx context.Context) (eventlog.Log, error)
	clock  api.Clock
	ring   *identity.Ring // in memory; it outlives restarts
	logger *slog.Logger

	mu  sync.Mutex // guards app
	app *App
}

// Memory starts a daemon on a log in memory.
func Memory(ctx context.Context) (*InProcess, error) {
	log := memlog.New()
	return Inside(ctx, slog.New(slog.DiscardHandler), func(context.Context) (eventlog.Log, error) {
		log.Reopen()
		return log, nil
	})
}

// Inside starts a daemon on the log that open gives; open is called again for
// every restart.
func Inside(ctx context.Context, logger *slog.Logger, open func(ctx context.Context) (eventlog.Log, error)) (*InProcess, error) {
	p := &InProcess{open: open, clock: SteeredClock(0), logger: logger}
	p.ring = identity.MemoryRing(p.clock.Now, rand.Reader)
	return p, p.start(ctx)
}

func (p *InProcess) start(ctx context.Context) error {
	log, err := p.open(ctx)
	if err != nil {
		return err
	}
	app, err := Start(ctx, Parts{Log: log, Clock: p.clock, Secret: []byte("a rehearsal holds nobody's number"), Ring: p.ring, Logger: p.logger})
	if err != nil {
		return err
	}
	p.mu.Lock()
	p.app = app
	p.mu.Unlock()
	return nil
}

// App is the daemon that runs now.
func (p *InProcess) App() *App {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.app
}

// Conn speaks to the daemon; it stays usable across restarts.
func (p *InProcess) Conn() grpc.ClientConnInterface { return (*insideConn)(p) }

// Restart stops the daemon and starts it again on what its log holds.
func (p *InProcess) Restart(ctx context.Context) error {
	if err := p.App().Stop(ctx); err != nil {
		return err
	}
	return p.start(ctx)
}

// Close stops the daemon.
func (p *InProcess) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	return p.App().Stop(ctx)
}

type insideConn InProcess

// Invoke implements grpc.ClientConnInterface.
func (c *insideConn) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	return (*InProcess)(c).App().Conn().Invoke(ctx, method, args, reply, opts...)
}

// NewStream implements grpc.ClientConnInterface.
func (c *insideConn) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return (*InProcess)(c).App().Conn().NewStream(ctx, desc, method, opts...)
}
