package app_test

import (
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	mrand "math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/thermal"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

const (
	gateways       = 4
	gatewayBatches = 24 // that a gateway keeps open
	gatewayRuns    = 6  // of a batch, one each of so many loggers
)

// gateway is the sender of some loggers' readings: it keeps each batch until that is
// answered.
type gateway struct {
	number int
	next   int // batch
	open   []*custodyv1.StreamReadingsRequest
	sent   map[string]map[event.Instant]event.CentiC // by logger, of all batches
	acked  []*custodyv1.StreamReadingsRequest
	again  int // batches that were sent more than once
}

func newGateway(number int) *gateway {
	return &gateway{number: number, sent: map[string]map[event.Instant]event.CentiC{}}
}

// began is when the first reading of every logger is of.
var began = time.Date(2026, 11, 24, 6, 0, 0, 0, time.UTC)

// fill makes new batches.
func (g *gateway) fill() {
	for len(g.open) < gatewayBatches {
		req := &custodyv1.StreamReadingsRequest{Batch: fmt.Sprintf("g%d-%d", g.number, g.next)}
		for r := range gatewayRuns {
			logger := fmt.Sprintf("LG-%d-%d", g.number, r)
			if g.sent[logger] == nil {
				g.sent[logger] = map[event.Instant]event.CentiC{}
			}
			run := &custodyv1.Readings{Logger: logger, Id: req.GetBatch()}
			for i := range 3 {
				at := began.Add(time.Duration(g.next*3+i) * time.Minute)
				c := 200 + (g.next*7+i*13+r)%600
				text := fmt.Sprintf("%d.%02d", c/100, c%100)
				run.Readings = append(run.Readings, &custodyv1.Reading{At: at.Format(time.RFC3339), Celsius: &text})
				g.sent[logger][event.At(at)] = event.CentiC(c) //nolint:gosec // a few hundred
			}
			req.Runs = append(req.Runs, run)
		}
		g.next++
		g.open = append(g.open, req)
	}
}

// deliver sends what is open over one stream and takes answers until the stream ends.
// It gives what ended it, nil when all was answered.
func (g *gateway) deliver(ctx context.Context, address string, answered func()) error {
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s, err := custodyv1.NewScansClient(conn).StreamReadings(ctx)
	if err != nil {
		return err
	}
	sending := slices.Clone(g.open)
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		for _, b := range sending {
			if s.Send(b) != nil {
				return // Recv says why
			}
		}
	}()
	defer func() { cancel(); <-sent }()
	for len(g.open) > 0 {
		a, err := s.Recv()
		if err != nil {
			g.again += len(g.open)
			return err
		}
		i := slices.IndexFunc(g.open, func(b *custodyv1.StreamReadingsRequest) bool { return b.GetBatch() == a.GetBatch() })
		if i < 0 {
			return fmt.Errorf("%s was answered and is not open", a.GetBatch())
		}
		g.acked = append(g.acked, g.open[i])
		g.open = slices.Delete(g.open, i, i+1)
		answered()
	}
	return nil
}

// checkGateways looks for every answered batch in the log, and that all that was sent
// is there once in what the model folds.
func checkGateways(t *testing.T, log eventlog.Log, all []*gateway, whole bool) {
	t.Helper()
	runs := map[string]int{}
	series := map[string]*thermal.Series{}
	for _, r := range logtest.Whole(t, log).Runs() {
		logger := r.Logger.Label()
		runs[r.ID+" "+logger]++
		if series[logger] == nil {
			series[logger] = &thermal.Series{}
		}
		series[logger].Add(r.Readings...)
	}
	for _, g := range all {
		for _, b := range g.acked {
			for _, r := range b.GetRuns() {
				if runs[b.GetBatch()+" "+r.GetLogger()] == 0 {
					t.Errorf("batch %s was answered, and its run of %s is not in the log", b.GetBatch(), r.GetLogger())
				}
			}
		}
		for logger, want := range g.sent {
			n := 0
			if s := series[logger]; s != nil {
				for v := range s.All {
					if n++; want[v.At] != v.C {
						t.Errorf("%s at %s: %d, sent was %d", logger, v.At, v.C, want[v.At])
					}
				}
			}
			if whole && n != len(want) {
				t.Errorf("%s has %d readings and was sent %d", logger, n, len(want))
			}
		}
	}
}

// Every answered batch of readings survives SIGKILL and broken connections, and what is
// sent again until it is answered leaves each reading once.
func TestSoakAcknowledgedReadingsSurviveKills(t *testing.T) {
	t.Parallel()
	rounds := 6
	if os.Getenv("SOAK") != "" {
		rounds = 100
	}
	seed := uint64(time.Now().UnixNano()) //nolint:gosec // a seed
	if text := os.Getenv("KILL_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatalf("KILL_SEED: %v", err)
		}
	}
	t.Logf("seed %d; run it again with KILL_SEED=%d", seed, seed)
	random := mrand.New(mrand.NewPCG(seed, 0)) //nolint:gosec // moments, not secrets
	dir := t.TempDir()
	var address atomic.Pointer[string]
	var acks atomic.Int64
	var stopping atomic.Bool
	all := make([]*gateway, gateways)
	var senders sync.WaitGroup
	for i := range all {
		all[i] = newGateway(i)
		senders.Go(func() {
			for g := all[i]; t.Context().Err() == nil; {
				if !stopping.Load() {
					g.fill()
				} else if len(g.open) == 0 {
					return
				}
				if to := address.Load(); to != nil {
					ctx, cancel := context.WithTimeout(t.Context(), patience)
					_ = g.deliver(ctx, *to, func() { acks.Add(1) }) // killed, cut off, or not up again
					cancel()
				}
				time.Sleep(time.Millisecond)
			}
		})
	}
	serve := func() (*daemon, *apptest.Proxy) {
		d := startDaemon(t, dir)
		p := apptest.NewProxy(t, d.conn.Target())
		address.Store(&p.Address)
		return d, p
	}
	cuts := 0
	for range rounds {
		d, p := serve()
		before := acks.Load()
		time.Sleep(time.Duration(20+random.IntN(200)) * time.Millisecond)
		for deadline := time.Now().Add(patience); acks.Load() == before && time.Now().Before(deadline); {
			time.Sleep(time.Millisecond) // a kill before the first answer proves nothing
		}
		if random.IntN(2) == 0 {
			p.Cut()
			p.Heal()
			cuts++
			time.Sleep(time.Duration(random.IntN(100)) * time.Millisecond)
		}
		d.kill(t)
	}
	stopping.Store(true)
	d, _ := serve()
	senders.Wait()
	d.kill(t)
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	checkGateways(t, log, all, true)
	again := 0
	for _, g := range all {
		if again += g.again; len(g.open) != 0 {
			t.Errorf("gateway %d still holds %d batches", g.number, len(g.open))
		}
	}
	t.Logf("%d kills, %d cuts, %d batches answered, %d sent again", rounds+1, cuts, acks.Load(), again)
	if acks.Load() == 0 || again == 0 {
		t.Error("nothing was answered, or nothing had to be sent again: this proves nothing")
	}
}

// A store that gets full answers what it has stored and says so of the rest, which is
// sent again once there is room.
func TestAFullStoreKeepsWhatItAnswered(t *testing.T) {
	dir := t.TempDir()
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", MaxBytes: 300_000, MaxStore: 3_000_001, BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	ring, err := identity.OpenRing(filepath.Join(dir, app.RingFile), app.WallClock().Now, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	a, err := app.Start(t.Context(), app.Parts{
		Log: log, Clock: app.WallClock(), Secret: []byte("invented fixture"), Ring: ring, Listener: l, Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = a.Stop(context.WithoutCancel(t.Context())) })
	g := newGateway(0)
	for err = nil; err == nil; {
		g.fill()
		err = g.deliver(t.Context(), l.Addr().String(), func() {})
	}
	if status.Code(err) != codes.Unavailable {
		t.Fatalf("the full store says %v", err)
	}
	t.Logf("full after %d batches: %v", len(g.acked), err)
	if len(g.acked) < 50 {
		t.Errorf("only %d batches were answered before", len(g.acked))
	}
	checkGateways(t, log, []*gateway{g}, false)
	if err := log.(eventlog.Roomy).Raise(t.Context(), 64<<20, 256<<20); err != nil {
		t.Fatal(err)
	}
	if err := g.deliver(t.Context(), l.Addr().String(), func() {}); err != nil {
		t.Fatal(err)
	}
	checkGateways(t, log, []*gateway{g}, true)
}
