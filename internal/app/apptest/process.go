// Package apptest starts what a laboratory runs as processes of their own, for
// tests that kill, stop, cut off and starve them: nats-server, built from the
// module that go.mod names, in clusters of three; custodyd; and a small proxy that
// is a network which fails. It serves tests only.
package apptest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Patience is how long tests wait for what must come; no test asserts it as a speed.
const Patience = 90 * time.Second

var builds = struct {
	sync.Mutex
	dir  string
	once map[string]func() (string, error)
}{once: map[string]func() (string, error){}}

// Program builds a main package of the module or of one it depends on, once per
// test binary, and gives the program's path.
func Program(tb testing.TB, pkg string) string {
	tb.Helper()
	return built(tb, pkg, ".")
}

// Tool is Program for a main package of tools/go.mod, which the product never sees.
func Tool(tb testing.TB, pkg string) string {
	tb.Helper()
	mod, err := exec.CommandContext(tb.Context(), "go", "env", "GOMOD").Output()
	if err != nil {
		tb.Fatal(err)
	}
	return built(tb, pkg, filepath.Join(filepath.Dir(string(mod)), "tools"))
}

func built(tb testing.TB, pkg, module string) string {
	tb.Helper()
	builds.Lock()
	once := builds.once[pkg]
	if once == nil {
		once = sync.OnceValues(func() (string, error) { return build(pkg, module) })
		builds.once[pkg] = once
	}
	builds.Unlock()
	program, err := once()
	if err != nil {
		tb.Fatal(err)
	}
	return program
}

func build(pkg, module string) (string, error) {
	builds.Lock()
	if builds.dir == "" {
		dir, err := os.MkdirTemp("", "custody-programs-")
		if err != nil {
			builds.Unlock()
			return "", err
		}
		builds.dir = dir
	}
	program := filepath.Join(builds.dir, path.Base(path.Dir(pkg))+"-"+path.Base(pkg))
	builds.Unlock()
	out, err := exec.Command("go", "build", "-C", module, "-o", program, pkg).CombinedOutput() //nolint:gosec,noctx // a package of this module's graph; the build ends by itself
	if err != nil {
		return "", fmt.Errorf("build %s: %w\n%s", pkg, err, out)
	}
	return program, nil
}

// Clean removes the built programs; call it from TestMain.
func Clean() {
	builds.Lock()
	defer builds.Unlock()
	if builds.dir != "" {
		_ = os.RemoveAll(builds.dir)
	}
}

// Process is a running program. It is killed when the test ends.
type Process struct {
	tb   testing.TB
	cmd  *exec.Cmd
	said *said
	done chan struct{} // closed when it has ended
	err  error         // how it ended; read after done
}

// said keeps what a process writes while a test reads it.
type said struct {
	mu    sync.Mutex
	text  bytes.Buffer
	grown chan struct{} // closed and replaced when something was written
}

// Write implements io.Writer.
func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	close(s.grown)
	s.grown = make(chan struct{})
	return s.text.Write(p)
}

func (s *said) now() (string, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String(), s.grown
}

func start(tb testing.TB, program string, args ...string) *Process {
	tb.Helper()
	p := &Process{tb: tb, said: &said{grown: make(chan struct{})}, done: make(chan struct{})}
	p.cmd = exec.Command(program, args...) //nolint:gosec,noctx // a program that the test built, ended by the test
	p.cmd.Stdout, p.cmd.Stderr = p.said, p.said
	if err := p.cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.done)
	}()
	tb.Cleanup(func() {
		_ = p.cmd.Process.Signal(syscall.SIGCONT)
		_ = p.cmd.Process.Kill()
		<-p.done
		if text, _ := p.said.now(); tb.Failed() {
			tb.Logf("%s said:\n%s", filepath.Base(program), last(quiet(text), 4000))
		}
	})
	return p
}

func last(text string, n int) string {
	if len(text) > n {
		return "…" + text[len(text)-n:]
	}
	return text
}

// Said is all that it has written so far.
func (p *Process) Said() string {
	text, _ := p.said.now()
	return text
}

// Kill ends it as SIGKILL does, and waits until it is gone.
func (p *Process) Kill() {
	p.tb.Helper()
	if err := p.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		p.tb.Fatal(err)
	}
	<-p.done
}

// Stop ends it as an operator does, and wants it to end well.
func (p *Process) Stop() {
	p.tb.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		p.tb.Fatalf("%v; %s", err, p.Said())
	}
	if code := p.Wait(); code != 0 {
		p.tb.Fatalf("it ended with %d: %s", code, last(p.Said(), 4000))
	}
}

// Signal sends it a signal.
func (p *Process) Signal(s os.Signal) {
	p.tb.Helper()
	if err := p.cmd.Process.Signal(s); err != nil {
		p.tb.Fatal(err)
	}
}

// Wait waits for its end and gives the exit code, -1 after a signal.
func (p *Process) Wait() int {
	p.tb.Helper()
	select {
	case <-p.done:
		return p.cmd.ProcessState.ExitCode()
	case <-time.After(Patience):
		p.tb.Fatalf("it doesn't end: %s", last(p.Said(), 4000))
		return 0
	}
}

// Ended reports whether it has.
func (p *Process) Ended() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

// heard waits until find has found what it wants in the process's words.
func (p *Process) heard(find func(text string) bool) error {
	timer := time.NewTimer(Patience)
	defer timer.Stop()
	for {
		text, grown := p.said.now()
		if find(text) {
			return nil
		}
		select {
		case <-grown:
		case <-p.done:
			if text, _ := p.said.now(); find(text) {
				return nil
			}
			return fmt.Errorf("it ended with %w: %s", p.err, last(p.Said(), 4000))
		case <-timer.C:
			return fmt.Errorf("it doesn't say what it should: %s", last(p.Said(), 4000))
		}
	}
}

// Until waits until there says that it is so. why is told when it never is.
func Until(tb testing.TB, what string, there func(ctx context.Context) (bool, string)) {
	tb.Helper()
	if ok, why := within(tb, Patience, 20*time.Millisecond, there); !ok {
		tb.Fatalf("%s did not come true: %s", what, why)
	}
}

// within asks again and again, for some time, whether it is so.
func within(tb testing.TB, patience, every time.Duration, there func(ctx context.Context) (bool, string)) (ok bool, why string) {
	tb.Helper()
	ctx, cancel := context.WithTimeout(tb.Context(), patience)
	defer cancel()
	for {
		ok, said := there(ctx)
		if ok {
			return true, ""
		}
		if ctx.Err() == nil || why == "" {
			why = said
		}
		select {
		case <-ctx.Done():
			return false, why
		case <-time.After(every):
		}
	}
}

// FreePorts gives addresses on the loopback that nobody listens on now. They lie
// below the ports that the system gives to whoever asks for any (32768 and up on
// Linux): one of those was taken by another test before its server listened.
func FreePorts(tb testing.TB, n int) []string {
	tb.Helper()
	const lowest, highest, tries = 10_000, 32_000, 1000
	held := make([]net.Listener, 0, n)
	addrs := make([]string, 0, n)
	for range tries {
		if len(addrs) == n {
			break
		}
		port := lowest + rand.IntN(highest-lowest)                     //nolint:gosec // a port, no secret
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port)) //nolint:noctx // at once
		if err != nil {
			continue // somebody listens there
		}
		held, addrs = append(held, l), append(addrs, l.Addr().String())
	}
	for _, l := range held {
		_ = l.Close()
	}
	if len(addrs) < n {
		tb.Fatalf("no %d free ports between %d and %d", n, lowest, highest)
	}
	return addrs
}
