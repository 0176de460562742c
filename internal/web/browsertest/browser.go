// Package browsertest decides whether a page works in a real browser: it drives a
// Chromium through its DevTools protocol, in tests only. One browser serves a test
// package and every page has a context of its own, so tests share no cookies, no
// storage and no workers.
//
// A package that opens pages has
//
//	func TestMain(m *testing.M) { os.Exit(browsertest.Main(m)) }
//
// Without a browser these tests fail and name the line that installs one. They
// never skip: a skipped page test looks like a page that works.
package browsertest

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/coder/websocket"
)

const (
	// startLimit is long because a cold start on two busy cores took 4 s when alone.
	startLimit = 60 * time.Second
	// callLimit bounds one DevTools call; the longest is an accessibility check.
	callLimit = 30 * time.Second
	// messageLimit is the size of one DevTools message; a screenshot is the largest.
	messageLimit = 64 << 20
)

// flags keep Chromium quiet, without a window, and away from the network.
var flags = []string{
	"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
	"--disable-background-networking", "--disable-component-update", "--disable-sync",
	"--disable-dev-shm-usage", "--hide-scrollbars", "--remote-debugging-port=0",
	// A page that was left isn't kept: it would cost a process for each that comes after it.
	"--disable-back-forward-cache",
}

// shared is the browser of this test process; mu guards all three.
var shared struct {
	mu      sync.Mutex
	ready   bool // Main is running, so somebody will close the browser
	browser *browser
	err     error
}

// Main runs the tests of a package and closes the browser after them. The browser
// starts with the first page, so a run that opens none pays nothing. It gives the
// exit code.
func Main(m *testing.M) int {
	shared.mu.Lock()
	shared.ready = true
	shared.mu.Unlock()
	code := m.Run()
	shared.mu.Lock()
	defer shared.mu.Unlock()
	shared.ready = false
	if shared.browser == nil {
		return code
	}
	if err := shared.browser.close(); err != nil {
		fmt.Fprintln(os.Stderr, "browsertest:", err)
		return max(code, 1)
	}
	return code
}

// theBrowser gives the running browser and starts it when there is none.
func theBrowser() (*browser, error) {
	shared.mu.Lock()
	defer shared.mu.Unlock()
	if !shared.ready {
		return nil, errors.New("no browser: the package needs func TestMain(m *testing.M) { os.Exit(browsertest.Main(m)) }")
	}
	if shared.browser == nil && shared.err == nil {
		shared.browser, shared.err = start()
	}
	return shared.browser, shared.err
}

// Browser is a Chromium of one test, for flags that the shared one doesn't have. It
// takes seconds to start, so a test opens all its pages in one.
type Browser struct{ b *browser }

// Launch starts a Chromium with these flags beside the usual ones and ends it with
// the test.
func Launch(t testing.TB, flags ...string) *Browser {
	t.Helper()
	b, err := start(flags...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.close(); err != nil {
			t.Error(err)
		}
	})
	return &Browser{b}
}

// Camera gives the flags of a Chromium with a camera that shows a film over and
// over and that no page has to ask for. The film is a file of JPEG pictures one
// behind the other, named *.mjpeg.
func Camera(film string) []string {
	return []string{"--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream", "--use-file-for-fake-video-capture=" + film}
}

// find gives the path of a Chromium: what CHROMIUM names, else the usual program.
func find(getenv func(string) string, look func(string) (string, error)) (string, error) {
	name := getenv("CHROMIUM")
	if name == "" {
		name = "chromium"
	}
	program, err := look(name)
	if err != nil {
		return "", fmt.Errorf("no browser (%w). Run: sudo apt-get update && sudo apt-get install -y chromium", err)
	}
	return program, nil
}

// browser is one Chromium and the connection to it.
type browser struct {
	cmd     *exec.Cmd
	profile string // made by start, removed by close
	conn    *websocket.Conn
	done    chan struct{} // closed when the connection has ended

	// mu guards what follows; never held while waiting.
	mu       sync.Mutex
	nextID   int
	calls    map[int]chan reply
	sessions map[string]func(method string, params json.RawMessage)
}

type reply struct {
	result json.RawMessage
	err    error
}

// message is a DevTools frame: an answer when ID is set, else an event.
type message struct {
	ID        int             `json:"id,omitempty"`
	SessionID string          `json:"sessionId,omitempty"`
	Method    string          `json:"method,omitempty"`
	Params    json.RawMessage `json:"params,omitempty"`
	Result    json.RawMessage `json:"result,omitempty"`
	Error     *struct {
		Message string `json:"message"`
		Data    string `json:"data"`
	} `json:"error,omitempty"`
}

// start starts a Chromium with these flags beside the usual ones.
func start(extra ...string) (*browser, error) {
	program, err := find(os.Getenv, exec.LookPath)
	if err != nil {
		return nil, err
	}
	// Not t.TempDir: Chromium still writes while a test's clean-up would remove it.
	profile, err := os.MkdirTemp("", "browsertest-")
	if err != nil {
		return nil, fmt.Errorf("making a browser profile: %w", err)
	}
	b := &browser{
		profile:  profile,
		done:     make(chan struct{}),
		calls:    map[int]chan reply{},
		sessions: map[string]func(string, json.RawMessage){},
	}
	b.cmd = exec.Command(program, slices.Concat(flags, extra, []string{"--user-data-dir=" + profile, "about:blank"})...)
	stderr, err := b.cmd.StderrPipe()
	if err == nil {
		err = b.cmd.Start()
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("starting %s: %w", program, err), os.RemoveAll(profile))
	}
	address, err := listening(stderr)
	if err == nil {
		err = b.connect(address)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("starting %s: %w", program, err), b.stop())
	}
	return b, nil
}

// listening reads Chromium's standard error up to the address of its DevTools, and
// goes on reading after it so that Chromium never blocks on a full pipe.
func listening(stderr io.Reader) (string, error) {
	found := make(chan string, 1)
	said := make(chan string, 1)
	go func() {
		var last []string
		lines := bufio.NewScanner(stderr)
		for lines.Scan() {
			if _, address, ok := strings.Cut(lines.Text(), "DevTools listening on "); ok {
				found <- strings.TrimSpace(address)
				break
			}
			last = append(last, lines.Text())
		}
		said <- strings.Join(last[max(0, len(last)-10):], "\n")
		// The pipe ends with the process; a read error says nothing more.
		_, _ = io.Copy(io.Discard, stderr)
	}()
	select {
	case address := <-found:
		return address, nil
	case text := <-said:
		// Both channels may be ready: the address counts.
		select {
		case address := <-found:
			return address, nil
		default:
		}
		return "", fmt.Errorf("it ended before it listened; it said:\n%s", text)
	case <-time.After(startLimit):
		return "", fmt.Errorf("it did not listen within %s", startLimit)
	}
}

func (b *browser) connect(address string) error {
	ctx, cancel := context.WithTimeout(context.Background(), startLimit)
	defer cancel()
	conn, _, err := websocket.Dial(ctx, address, &websocket.DialOptions{CompressionMode: websocket.CompressionDisabled})
	if err != nil {
		return fmt.Errorf("connecting to DevTools: %w", err)
	}
	conn.SetReadLimit(messageLimit)
	b.conn = conn
	go b.read()
	return nil
}

// read hands answers to their callers and events to their pages until the
// connection ends; then every waiting call fails.
func (b *browser) read() {
	defer close(b.done)
	for {
		_, data, err := b.conn.Read(context.Background())
		if err != nil {
			b.failCalls(fmt.Errorf("the browser is gone: %w", err))
			return
		}
		var m message
		if err := json.Unmarshal(data, &m); err != nil {
			b.failCalls(fmt.Errorf("the browser sent what is no DevTools message: %w", err))
			return
		}
		b.mu.Lock()
		answer, event := b.calls[m.ID], b.sessions[m.SessionID]
		delete(b.calls, m.ID)
		b.mu.Unlock()
		switch {
		case m.ID != 0 && answer != nil && m.Error != nil:
			answer <- reply{err: errors.New(strings.TrimSpace(m.Error.Message + " " + m.Error.Data))}
		case m.ID != 0 && answer != nil:
			answer <- reply{result: m.Result}
		case m.ID == 0 && event != nil:
			event(m.Method, m.Params)
		}
	}
}

func (b *browser) failCalls(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for id, answer := range b.calls {
		answer <- reply{err: err}
		delete(b.calls, id)
	}
	b.calls = nil // no call after this one is taken
}

// call sends one DevTools command and decodes its result into out, which may be
// nil. An empty session speaks to the browser itself.
func (b *browser) call(session, method string, params, out any) error {
	answer, err := b.send(session, method, params)
	if err != nil {
		return err
	}
	return await(method, answer, out)
}

// send sends one DevTools command and doesn't wait for its answer.
func (b *browser) send(session, method string, params any) (<-chan reply, error) {
	raw, err := json.Marshal(params)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", method, err)
	}
	answer := make(chan reply, 1)
	b.mu.Lock()
	if b.calls == nil {
		b.mu.Unlock()
		return nil, fmt.Errorf("%s: the browser is gone", method)
	}
	b.nextID++
	id := b.nextID
	b.calls[id] = answer
	b.mu.Unlock()

	frame, err := json.Marshal(message{ID: id, SessionID: session, Method: method, Params: raw})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", method, err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), callLimit)
	defer cancel()
	if err := b.conn.Write(ctx, websocket.MessageText, frame); err != nil {
		return nil, fmt.Errorf("%s: %w", method, err)
	}
	return answer, nil
}

// await waits for the answer to a command and decodes it into out, which may be nil.
func await(method string, answer <-chan reply, out any) error {
	select {
	case r := <-answer:
		if r.err != nil {
			return fmt.Errorf("%s: %w", method, r.err)
		}
		if out == nil {
			return nil
		}
		if err := json.Unmarshal(r.result, out); err != nil {
			return fmt.Errorf("%s: reading the answer: %w", method, err)
		}
		return nil
	case <-time.After(callLimit):
		return fmt.Errorf("%s: no answer within %s", method, callLimit)
	}
}

// listen sends the events of a session to f, which must not block or call back.
// A nil f ends it.
func (b *browser) listen(session string, f func(method string, params json.RawMessage)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if f == nil {
		delete(b.sessions, session)
		return
	}
	b.sessions[session] = f
}

// close ends the browser and removes its profile.
func (b *browser) close() error {
	err := b.stop()
	<-b.done
	return err
}

// stop kills, waits and removes, in this order: Chromium writes to its profile
// until it is gone, and its children for a moment longer.
func (b *browser) stop() error {
	if b.conn != nil {
		// It is killed next; whether it heard the good-bye doesn't matter.
		_ = b.conn.CloseNow()
	}
	if err := b.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("ending the browser: %w", err)
	}
	// A killed process always reports its signal as an error.
	_ = b.cmd.Wait()
	var err error
	for range 20 {
		if err = os.RemoveAll(b.profile); err == nil {
			return nil
		}
		time.Sleep(100 * time.Millisecond)
	}
	return fmt.Errorf("removing the browser profile: %w", err)
}
