package app_test

import (
	"context"
	crand "crypto/rand"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/notify"
)

// What the process that is killed is told by its environment.
const (
	tellDir  = "CUSTODY_TELL_DIR"  // its data folder; set: be that process
	tellHook = "CUSTODY_TELL_HOOK" // the receiver's address
	tellTube = "CUSTODY_TELL_TUBE" // the tube whose flag it raises
	tellAt   = "CUSTODY_TELL_AT"   // the crossing at which it kills itself, empty to live on
)

// crossings are what lies between a flag's fact and the mark that it was told, in order,
// with how many messages a kill there leaves: a message is put twice on the receiver's
// desk where it was sent and not marked, and nowhere else.
var crossings = []struct {
	at   string
	want int
}{
	{"before put 1", 1}, // the flag is in the log, and nothing else is
	{"after put 1", 1},  // the plan knows the flag
	{"before put 2", 1}, // the message was decided
	{"after put 2", 1},  // and is kept
	{"before send 1", 1},
	{"after send 1", 2}, // it was taken
	{"before put 3", 2},
	{"after put 3", 1}, // and that is kept
}

// A process is killed by SIGKILL at each step between raising a flag and having told it,
// and another one goes on with what is on the disk. The flag is told at least once; one
// kill gives one repeat at most, under the same id and with the same bytes.
func TestKilledWhileTelling(t *testing.T) {
	if dir := os.Getenv(tellDir); dir != "" {
		beTeller(t, dir)
		return
	}
	t.Parallel()
	for _, c := range crossings {
		t.Run(c.at, func(t *testing.T) {
			t.Parallel()
			url, box := hook(t, nil)
			dir := t.TempDir()
			killed := startTeller(t, dir, url, "FIRST", c.at)
			apptest.Until(t, "the kill", func(context.Context) (bool, string) {
				select {
				case <-killed.ended:
					return true, ""
				default:
					return false, "it lives"
				}
			})
			if status, ok := killed.cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || status.Signal() != syscall.SIGKILL {
				t.Fatalf("it ended otherwise: %v: %s", killed.cmd.ProcessState, killed.said())
			}
			startTeller(t, dir, url, "SECOND", "")
			first, texts := 0, map[string]bool{}
			apptest.Until(t, "both flags told", func(context.Context) (bool, string) {
				seen := map[string]int{}
				for _, l := range box.all() {
					m := l.read(t)
					seen[m.Tubes[0].Tube]++
					if m.Tubes[0].Tube == "FIRST" {
						texts[l.id+l.text] = true
					}
				}
				first = seen["FIRST"]
				return first > 0 && seen["SECOND"] > 0, fmt.Sprint(seen)
			})
			if first != c.want || len(texts) != 1 {
				t.Errorf("told %d times, in %d forms; want %d and 1", first, len(texts), c.want)
			}
		})
	}
}

// teller is a child process.
type teller struct {
	cmd   *exec.Cmd
	ended chan struct{}
	out   *syncText
}

func (p *teller) said() string { return p.out.String() }

type syncText struct {
	mu sync.Mutex
	b  strings.Builder
}

// Write implements io.Writer.
func (s *syncText) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncText) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

func startTeller(t *testing.T, dir, url, tube, at string) *teller {
	t.Helper()
	p := &teller{cmd: exec.Command(os.Args[0], "-test.run=^TestKilledWhileTelling$", "-test.count=1"), ended: make(chan struct{}), out: &syncText{}} //nolint:gosec // this binary
	p.cmd.Env = append(os.Environ(), tellDir+"="+dir, tellHook+"="+url, tellTube+"="+tube, tellAt+"="+at)
	p.cmd.Stdout, p.cmd.Stderr = p.out, p.out
	stdin, err := p.cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { defer close(p.ended); _ = p.cmd.Wait() }()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill()
		<-p.ended
		_ = stdin.Close()
		if t.Failed() {
			t.Logf("the process said: %s", p.said())
		}
	})
	return p
}

// beTeller is the process: a daemon on the folder, with one receiver, that raises a flag.
func beTeller(t *testing.T, dir string) {
	die := func(where string) {
		if where == os.Getenv(tellAt) {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
	}
	secret, err := app.Secret(dir, "")
	if err != nil {
		t.Fatal(err)
	}
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 3})
	if err != nil {
		t.Fatal(err)
	}
	ring, err := identity.OpenRing(filepath.Join(dir, app.RingFile), app.WallClock().Now, crand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	begun := make(chan struct{})
	to := hookReceiver(t, "desk", os.Getenv(tellHook), notify.Audience{})
	to.Channel = &mortalChannel{Channel: to.Channel, die: die}
	a, err := app.Start(t.Context(), app.Parts{
		Log: &mortalLog{Log: log, die: die, begun: sync.OnceFunc(func() { close(begun) })}, Clock: app.WallClock(), Secret: secret, Ring: ring,
		Logger:    slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})),
		Receivers: []app.Receiver{to},
		Pace:      &notify.Pace{Stand: 300 * time.Millisecond, Gather: 50 * time.Millisecond, Many: 10, Window: time.Minute},
	})
	if err != nil {
		t.Fatal(err)
	}
	tube := os.Getenv(tellTube)
	if tube == "FIRST" {
		settle(t, a.Conn())
	}
	<-begun // so that the flag and the message are kept one after the other
	order(t, a.Conn(), "R-"+tube, tube)
	mustSave(t, a.Conn(), collected(tube, time.Now().Add(-time.Minute)))
	_, _ = io.Copy(io.Discard, os.Stdin) // ends with the pipe, when the parent is gone
	os.Exit(1)
}

// mortalChannel has a crossing on both sides of each sending.
type mortalChannel struct {
	notify.Channel
	die func(string)
	n   int
}

// Send implements notify.Channel.
func (c *mortalChannel) Send(ctx context.Context, m notify.Message) error {
	c.n++
	c.die(fmt.Sprint("before send ", c.n))
	err := c.Channel.Send(ctx, m)
	c.die(fmt.Sprint("after send ", c.n))
	return err
}

// mortalLog has a crossing on both sides of each keeping of what a receiver was told.
type mortalLog struct {
	eventlog.Log
	die   func(string)
	begun func()
}

// Shelf implements eventlog.Log.
func (l *mortalLog) Shelf(name eventlog.ShelfName) eventlog.Shelf {
	if name != eventlog.ShelfNotify {
		return l.Log.Shelf(name)
	}
	return &mortalShelf{Shelf: l.Log.Shelf(name), die: l.die, begun: l.begun}
}

type mortalShelf struct {
	eventlog.Shelf
	die   func(string)
	begun func()
	n     int
}

// Get implements eventlog.Shelf.
func (s *mortalShelf) Get(ctx context.Context, key string) ([]byte, uint64, error) {
	defer s.begun()
	return s.Shelf.Get(ctx, key)
}

// Put implements eventlog.Shelf.
func (s *mortalShelf) Put(ctx context.Context, key string, data []byte, after uint64) (uint64, error) {
	s.n++
	s.die(fmt.Sprint("before put ", s.n))
	revision, err := s.Shelf.Put(ctx, key, data, after)
	s.die(fmt.Sprint("after put ", s.n))
	return revision, err
}
