package app_test

import (
	"bufio"
	"context"
	crand "crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
	"specimen.example/custody/internal/identity"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// The daemon that is killed is this test binary again: it can be built nowhere
// else with the same flags, the race detector among them.
const (
	killDir      = "CUSTODY_KILL_DIR" // set: be the daemon on this directory
	killCallers  = 8
	killRounds   = 20
	soakRounds   = 200
	patience     = logtest.Patience
	answerWithin = 5 * time.Second
)

// tubeSteps is what every tube of the test goes through, with the fact that each
// step leaves exactly once.
var tubeSteps = []struct{ step, place, fact string }{
	{"collect", "CLINIC", "Collected"},
	{"see", "CLINIC", "Seen"},
	{"receive", "LAB", "Received"},
	{"accept", "LAB", "AcceptedForTesting"},
	{"store", "LAB", "Stored"},
	{"discard", "LAB", "Disposed"},
}

// Every acknowledged scan survives SIGKILL, once: what was acknowledged is in the
// log, and what had no answer is safe to send again under the same id.
func TestSoakAcknowledgedScansSurviveKills(t *testing.T) {
	if dir := os.Getenv(killDir); dir != "" {
		beDaemon(t, dir)
		return
	}
	t.Parallel()
	rounds := killRounds
	if os.Getenv("SOAK") != "" {
		rounds = soakRounds
	}
	seed := uint64(time.Now().UnixNano()) //nolint:gosec // a seed
	if text := os.Getenv("KILL_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatalf("KILL_SEED: %v", err)
		}
	}
	t.Logf("seed %d; run it again with KILL_SEED=%d", seed, seed)
	random := rand.New(rand.NewPCG(seed, 0)) //nolint:gosec // moments, not secrets

	dir := t.TempDir()
	l := newKillLoad()
	var callers sync.WaitGroup
	for i := range killCallers {
		callers.Go(func() { l.call(t.Context(), i) })
	}
	for range rounds {
		d := startDaemon(t, dir)
		l.serve(d.conn)
		before := l.acks.Load()
		time.Sleep(time.Duration(20+random.IntN(400)) * time.Millisecond)
		for deadline := time.Now().Add(patience); l.acks.Load() == before && time.Now().Before(deadline) && l.err() == nil; {
			time.Sleep(time.Millisecond) // a kill before the first answer proves nothing
		}
		d.kill(t)
		if err := l.err(); err != nil {
			t.Fatal(err)
		}
	}
	// What is still unanswered is sent again to the last daemon.
	l.stopping.Store(true)
	d := startDaemon(t, dir)
	l.serve(d.conn)
	callers.Wait()
	if err := l.err(); err != nil {
		t.Fatal(err)
	}
	d.kill(t)

	d = startDaemon(t, dir)
	checkByAPI(t, d.conn, l)
	d.kill(t)
	once(t, l, timesInLog(t, dir)) // the fold would hide a message that stands there twice
	t.Logf("%d kills, %d scans acknowledged, %d sent again after a kill", rounds+2, l.acks.Load(), l.again.Load())
}

// beDaemon serves until it is killed, or until the test that started it is gone.
func beDaemon(t *testing.T, dir string) {
	ctx := t.Context()
	secret, err := app.Secret(dir, "")
	if err != nil {
		t.Fatal(err)
	}
	log, err := eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 3}) // so that both singles and batches are killed
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ring, err := identity.OpenRing(filepath.Join(dir, app.RingFile), app.WallClock().Now, crand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	_, err = app.Start(ctx, app.Parts{
		Log: log, Clock: app.WallClock(), Secret: secret, Ring: ring, Listener: listener,
		Logger: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})),
	})
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("\nserves on %s\n", listener.Addr())
	_, _ = io.Copy(io.Discard, os.Stdin) // ends with the pipe, when the parent is gone
	os.Exit(1)
}

// daemon is a child process that serves.
type daemon struct {
	cmd   *exec.Cmd
	stdin io.Closer
	conn  *grpc.ClientConn
}

func startDaemon(t *testing.T, dir string) *daemon {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestSoakAcknowledgedScansSurviveKills$", "-test.count=1") //nolint:gosec // this binary
	cmd.Env = append(os.Environ(), killDir+"="+dir)
	var said strings.Builder
	cmd.Stderr = &said
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	d := &daemon{cmd: cmd, stdin: stdin}
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	address := make(chan string, 1)
	go func() {
		defer close(address)
		lines := bufio.NewScanner(stdout)
		for lines.Scan() {
			if addr, ok := strings.CutPrefix(lines.Text(), "serves on "); ok {
				address <- addr
			} else if lines.Text() != "" {
				fmt.Println("daemon:", lines.Text())
			}
		}
	}()
	select {
	case addr, ok := <-address:
		if !ok {
			_ = cmd.Wait()
			t.Fatalf("the daemon did not start on what the kill left: %s", said.String())
		}
		if d.conn, err = grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials())); err != nil {
			t.Fatal(err)
		}
	case <-time.After(patience):
		t.Fatalf("the daemon does not serve: %s", said.String())
	}
	return d
}

// kill ends the process as a power cut would, as far as a process can.
func (d *daemon) kill(t *testing.T) {
	t.Helper()
	if err := d.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = d.cmd.Wait() // "signal: killed"
	_ = d.stdin.Close()
	_ = d.conn.Close()
}

// killLoad is the callers and what they were told.
type killLoad struct {
	acks, again atomic.Int64
	stopping    atomic.Bool

	mu     sync.Mutex // guards the fields below
	conn   *grpc.ClientConn
	acked  map[string][]string // scan ids by tube
	failed error
}

func newKillLoad() *killLoad { return &killLoad{acked: map[string][]string{}} }

func (l *killLoad) serve(conn *grpc.ClientConn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.conn = conn
}

func (l *killLoad) err() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.failed
}

func (l *killLoad) fail(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.failed = errors.Join(l.failed, err)
}

// call takes one tube after another through its steps, and sends each scan until
// it is answered.
func (l *killLoad) call(ctx context.Context, caller int) {
	for n := 0; ; n++ {
		tube := fmt.Sprintf("KT%d-%d", caller, n)
		for i, step := range tubeSteps {
			scan := &custodyv1.Scan{
				Id: fmt.Sprintf("%s-%d", tube, i), Label: &custodyv1.Label{Text: tube}, Step: step.step, Mode: "reported",
				OccurredAt: event.At(time.Now()).String(), Device: fmt.Sprintf("PHONE-%d", caller),
				DeviceSeq: int64(n*len(tubeSteps) + i + 1), Place: step.place, By: "mira",
			}
			if !l.send(ctx, tube, scan) {
				return
			}
		}
	}
}

// send reports whether the caller goes on.
func (l *killLoad) send(ctx context.Context, tube string, scan *custodyv1.Scan) bool {
	for try := 0; ctx.Err() == nil && l.err() == nil; try++ {
		l.mu.Lock()
		conn := l.conn
		l.mu.Unlock()
		if conn == nil {
			time.Sleep(time.Millisecond)
			continue
		}
		if try == 1 {
			l.again.Add(1)
		}
		tctx, cancel := context.WithTimeout(ctx, answerWithin)
		resp, err := custodyv1.NewScansClient(conn).RecordScans(tctx, &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{scan}})
		cancel()
		if err != nil {
			time.Sleep(5 * time.Millisecond) // killed, or not up again
			continue
		}
		switch a := resp.GetAnswers()[0]; event.Answer(a.GetAnswer()) {
		case event.AnswerRecorded:
			l.mu.Lock()
			l.acked[tube] = append(l.acked[tube], scan.GetId())
			l.mu.Unlock()
			l.acks.Add(1)
			return !l.stopping.Load()
		case event.AnswerNotSaved:
		default:
			l.fail(fmt.Errorf("scan %s was answered %s %s: %s", scan.GetId(), a.GetAnswer(), a.GetRefusal(), a.GetSay()))
			return false
		}
	}
	return false
}

// checkByAPI looks for every acknowledged scan on its tube's timeline and counts
// the facts of the whole log.
func checkByAPI(t *testing.T, conn *grpc.ClientConn, l *killLoad) {
	t.Helper()
	want := map[string]int64{}
	tubes := custodyv1.NewTubesClient(conn)
	for tube, ids := range l.acked {
		got, err := tubes.GetTube(t.Context(), &custodyv1.GetTubeRequest{Id: tube})
		if err != nil {
			t.Fatalf("tube %s: %v", tube, err)
		}
		times := map[string]int{}
		for _, step := range got.GetTimeline() {
			times[step.GetId()]++
		}
		for i, id := range ids {
			want[tubeSteps[i].fact]++
			if times[id] != 1 {
				t.Errorf("the acknowledged scan %s stands %d times on its tube's timeline", id, times[id])
			}
		}
	}
	for _, step := range tubeSteps {
		got, err := custodyv1.NewScansClient(conn).CountFacts(t.Context(), &custodyv1.CountFactsRequest{Fact: step.fact})
		if err != nil {
			t.Fatal(err)
		}
		if got.GetCount() != want[step.fact] {
			t.Errorf("%d steps hold %s, and %d were acknowledged", got.GetCount(), step.fact, want[step.fact])
		}
	}
}
