package app_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/story"
)

// child is a custodyd in a process of its own, for one story.
type child struct {
	program, data string
	cmd           *exec.Cmd
	conn          *grpc.ClientConn
	errors        bytes.Buffer
}

// start runs the daemon and connects to the address that it prints once it serves.
func (c *child) start(ctx context.Context) error {
	c.errors.Reset()
	c.cmd = exec.CommandContext(ctx, c.program, "--data", c.data, "--listen", "127.0.0.1:0", "--clock", "steered", "--log", "warn")
	c.cmd.Stderr = &c.errors
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := c.cmd.Start(); err != nil {
		return err
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return fmt.Errorf("the daemon did not say where it serves: %w; %s", c.cmd.Wait(), c.errors.String())
	}
	_, rest, ok := strings.Cut(line, "http://")
	address, _, _ := strings.Cut(rest, " ")
	if !ok || address == "" {
		return fmt.Errorf("the daemon says %q", line)
	}
	c.conn, err = grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	return err
}

// kill ends it as a power cut does: no goodbye.
func (c *child) kill() error {
	if err := c.conn.Close(); err != nil {
		return err
	}
	if err := c.cmd.Process.Kill(); err != nil {
		return err
	}
	if err := c.cmd.Wait(); err == nil {
		return fmt.Errorf("the killed daemon says all was well")
	}
	return nil
}

// end stops it as an operator does.
func (c *child) end() error {
	if err := c.conn.Close(); err != nil {
		return err
	}
	if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	if err := c.cmd.Wait(); err != nil {
		return fmt.Errorf("stopped: %w; %s", err, c.errors.String())
	}
	return nil
}

func (c *child) restart(ctx context.Context) (grpc.ClientConnInterface, error) {
	if err := c.kill(); err != nil {
		return nil, err
	}
	if err := c.start(ctx); err != nil {
		return nil, err
	}
	return c.conn, nil
}

// The stories again, against a daemon of its own in a process of its own, reached
// over the network: what `scan rehearse --server` does. A restart is a kill.
func TestStoriesAgainstADaemon(t *testing.T) {
	program := apptest.Program(t, "specimen.example/custody/cmd/custodyd")
	for _, file := range someStories(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			c := &child{program: program, data: t.TempDir()}
			playOn(t, file, func(ctx context.Context) (story.Bench, func() error, error) {
				if err := c.start(ctx); err != nil {
					return nil, nil, err
				}
				return rehearse.New(c.conn, rehearse.WithContext(ctx), rehearse.WithRestart(c.restart)), c.end, nil
			})
		})
	}
}

// A daemon that is killed in the middle of every story comes to the same end.
func TestStoriesWithAKillInTheMiddle(t *testing.T) {
	program := apptest.Program(t, "specimen.example/custody/cmd/custodyd")
	for _, name := range []string{"contracts-example", "alr-s1-three-reasons-one-tube", "cus-s5-courier-scans-only-the-box", "stb-s7-logger-stopped"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := &child{program: program, data: t.TempDir()}
			file := "../../testdata/stories/" + name + ".story"
			playOn(t, file, func(ctx context.Context) (story.Bench, func() error, error) {
				if err := c.start(ctx); err != nil {
					return nil, nil, err
				}
				bench := rehearse.New(c.conn, rehearse.WithContext(ctx), rehearse.WithRestart(c.restart))
				return &interrupted{Bench: bench, at: half(t, file)}, c.end, nil
			})
		})
	}
}

func playOn(t *testing.T, file string, open func(ctx context.Context) (story.Bench, func() error, error)) {
	t.Helper()
	var out bytes.Buffer
	passed, failed, err := rehearse.Run(t.Context(), []string{file}, open, &out)
	if err != nil || failed > 0 || passed == 0 {
		t.Errorf("%d passed, %v\n%s", passed, err, out.String())
	}
}

// interrupted restarts the store once, before its scan number at.
type interrupted struct {
	story.Bench
	at, scans int
	done      bool
}

func (b *interrupted) Scan(s story.Scan) (story.Answer, error) {
	if b.scans++; b.scans > b.at && !b.done {
		b.done = true
		if err := b.Restart(); err != nil {
			return story.Answer{}, err
		}
	}
	return b.Bench.Scan(s)
}

// suspicious restarts the store before everything that a story asks.
type suspicious struct{ story.Bench }

func (b suspicious) Tube(id string, at event.Instant) (story.TubeView, error) {
	if err := b.Restart(); err != nil {
		return story.TubeView{}, err
	}
	return b.Bench.Tube(id, at)
}

func (b suspicious) Thing(kind event.Kind, id string, at event.Instant) (story.ThingView, error) {
	if err := b.Restart(); err != nil {
		return story.ThingView{}, err
	}
	return b.Bench.Thing(kind, id, at)
}

// half is half the number of a story's scans, counted by playing it.
func half(t *testing.T, file string) int {
	t.Helper()
	counted := &interrupted{at: 1 << 30}
	playOn(t, file, func(ctx context.Context) (story.Bench, func() error, error) {
		in, err := app.Memory(ctx)
		if err != nil {
			return nil, nil, err
		}
		counted.Bench = benchOf(ctx, in)
		return counted, in.Close, nil
	})
	return counted.scans / 2
}

func benchOf(ctx context.Context, in *app.InProcess) *rehearse.Bench {
	restart := func(ctx context.Context) (grpc.ClientConnInterface, error) { return in.Conn(), in.Restart(ctx) }
	return rehearse.New(in.Conn(), rehearse.WithContext(ctx), rehearse.WithRestart(restart))
}

// Everything is rebuilt from the log: a story that is interrupted by a restart in
// its middle, or before each of its questions, has the same end.
func TestStoriesWithRestartsInMemory(t *testing.T) {
	for _, file := range someStories(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			middle := half(t, file)
			playOn(t, file, func(ctx context.Context) (story.Bench, func() error, error) {
				in, err := app.Memory(ctx)
				if err != nil {
					return nil, nil, err
				}
				bench := &interrupted{Bench: benchOf(ctx, in), at: middle}
				return bench, func() error {
					if !bench.done {
						t.Error("it was not interrupted")
					}
					return in.Close()
				}, nil
			})
			playOn(t, file, func(ctx context.Context) (story.Bench, func() error, error) {
				in, err := app.Memory(ctx)
				if err != nil {
					return nil, nil, err
				}
				return suspicious{benchOf(ctx, in)}, in.Close, nil
			})
		})
	}
}

func TestStoriesWithARestartOnJetStream(t *testing.T) {
	for _, file := range someStories(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			dir, middle := t.TempDir(), half(t, file)
			playOn(t, file, func(ctx context.Context) (story.Bench, func() error, error) {
				in, err := app.Inside(ctx, slog.New(slog.DiscardHandler), func(ctx context.Context) (eventlog.Log, error) {
					return eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
				})
				if err != nil {
					return nil, nil, err
				}
				return &interrupted{Bench: benchOf(ctx, in), at: middle}, in.Close, nil
			})
		})
	}
}
