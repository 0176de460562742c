package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/config"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/live"
)

// The operator's door. A running daemon holds the lock of its data folder, and its
// server has no listener: so the commands come in by a Unix socket in that folder.
// Only its owner may connect (mode 0600), it speaks nothing but the calls below, and
// none of them writes a file or takes a path: whoever runs the command writes, with
// that person's rights. It is HTTP, since streaming, cancelling and errors are solved
// there.
//
//	GET  /operator/state                      inspection, and how the daemon is
//	GET  /operator/streams/NAME?from=&to=     records of a stream (eventlog.Message)
//	POST /operator/set-up                     a link by which an engineer comes in
//	POST /operator/volumes/NAME/close
//	POST /operator/volumes/NAME/remove        body: the manifest of its archive
const doorFile = "operator.sock"

// trailComplete is sent behind the last record; a reader that doesn't find it has
// read only a part. trailError says why.
const (
	trailComplete = "Custody-Complete"
	trailError    = "Custody-Error"
)

// maxSocketPath is what the system takes as a socket's path (sun_path), less one.
const maxSocketPath = 107

// running says how a running daemon is.
type running struct {
	Started     time.Time         `json:"started"`
	Ready       bool              `json:"ready"`
	Leading     bool              `json:"leading"`
	Read        eventlog.Position `json:"read"`
	End         eventlog.Position `json:"end"`
	Unread      []unreadable      `json:"unreadable,omitempty"`
	MemoryLimit int64             `json:"memoryLimit"` // bytes; 0: none
	// SecretCheck tells whether a key file is the daemon's; it gives nothing else away.
	SecretCheck string `json:"secretCheck"`
}

type unreadable struct {
	Stream  string `json:"stream"`
	Seq     uint64 `json:"sequence"`
	Subject string `json:"subject"`
	Why     string `json:"why"`
}

type state struct {
	Inspection eventlog.Inspection `json:"inspection"`
	Running    running             `json:"running"`
}

// operated is a log as a command reaches it: in this process, on a cluster, or
// through the door of a running daemon.
type operated interface {
	eventlog.Source
	OpenVolume(ctx context.Context, name string) error
	CloseVolume(ctx context.Context, name string) error
	RemoveVolume(ctx context.Context, name string, archive *eventlog.Manifest) error
}

// secretCheck is the same for the same secret.
func secretCheck(secret []byte) string {
	mac := hmac.New(sha256.New, secret)
	_, _ = mac.Write([]byte("which key")) // a hash takes everything
	return hex.EncodeToString(mac.Sum(nil)[:8])
}

// operatorCalls answers at the door.
type operatorCalls struct {
	log     eventlog.Log
	model   *live.Model
	secret  []byte
	started time.Time
	setUp   func() (link string, err error) // opens a way in
}

// openDoor serves calls until the function it returns is called.
func openDoor(dir string, calls *operatorCalls) (shut func(), err error) {
	op, err := eventlog.OperatorOf(calls.log)
	if err != nil {
		return nil, err
	}
	// The socket is made in a folder of its own, gets its mode there and is then put
	// in place: at no moment may others connect, and the socket of a killed process
	// is replaced.
	tmp, err := os.MkdirTemp(dir, ".door-") // mode 0700
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doorFile, err)
	}
	defer func() { _ = os.RemoveAll(tmp) }()
	var l *net.UnixListener
	err = atSocket(filepath.Join(tmp, "s"), func(path string) (err error) {
		l, err = net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doorFile, err)
	}
	l.SetUnlinkOnClose(false)
	path := filepath.Join(dir, doorFile)
	if err := errors.Join(os.Chmod(filepath.Join(tmp, "s"), 0o600), os.Rename(filepath.Join(tmp, "s"), path)); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", doorFile, err), l.Close())
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /operator/state", func(w http.ResponseWriter, r *http.Request) { calls.state(w, r, op) })
	mux.HandleFunc("GET /operator/streams/{name}", func(w http.ResponseWriter, r *http.Request) { sendStream(w, r, op) })
	mux.HandleFunc("POST /operator/volumes/{name}/close", func(w http.ResponseWriter, r *http.Request) {
		answer(w, op.CloseVolume(r.Context(), r.PathValue("name")))
	})
	mux.HandleFunc("POST /operator/volumes/{name}/remove", func(w http.ResponseWriter, r *http.Request) {
		var m eventlog.Manifest
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			http.Error(w, "the manifest can't be read: "+err.Error(), http.StatusBadRequest)
			return
		}
		answer(w, op.RemoveVolume(r.Context(), r.PathValue("name"), &m))
	})
	mux.HandleFunc("POST /operator/set-up", func(w http.ResponseWriter, _ *http.Request) {
		link, err := calls.setUp()
		if err != nil {
			answer(w, err)
			return
		}
		_, _ = io.WriteString(w, link) // a broken connection shows at the reader
	})
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	served := make(chan struct{})
	go func() {
		defer close(served)
		_ = server.Serve(l) // ends with ErrServerClosed
	}()
	return func() {
		_ = os.Remove(path)
		_ = server.Close()
		<-served
	}, nil
}

// atSocket calls f with a path for the socket that the system takes: where the path
// is too long, one by way of the open folder.
func atSocket(path string, f func(path string) error) error {
	if len(path) <= maxSocketPath {
		return f(path)
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer func() { _ = dir.Close() }()
	return f(fmt.Sprintf("/proc/self/fd/%d/%s", dir.Fd(), filepath.Base(path)))
}

func answer(w http.ResponseWriter, err error) {
	if err != nil {
		http.Error(w, err.Error(), http.StatusConflict)
	}
}

func (c *operatorCalls) state(w http.ResponseWriter, r *http.Request, op *eventlog.Operator) {
	in, err := op.Inspect(r.Context())
	if err != nil {
		answer(w, err)
		return
	}
	s := state{Inspection: in, Running: running{
		Started: c.started, Ready: c.model.Ready(), Leading: c.model.Leading(), Read: c.model.At(), SecretCheck: secretCheck(c.secret),
	}}
	if s.Running.End, err = c.log.End(r.Context()); err != nil {
		answer(w, err)
		return
	}
	for _, b := range c.model.BrokenMessages() {
		s.Running.Unread = append(s.Running.Unread, unreadable{b.Stream, b.Seq, b.Subject, b.Err.Error()})
	}
	if limit := debug.SetMemoryLimit(-1); limit != math.MaxInt64 {
		s.Running.MemoryLimit = limit
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(s) // a reader that went away needs no answer
}

func sendStream(w http.ResponseWriter, r *http.Request, op *eventlog.Operator) {
	from, err1 := strconv.ParseUint(r.FormValue("from"), 10, 64)
	to, err2 := strconv.ParseUint(r.FormValue("to"), 10, 64)
	if err := errors.Join(err1, err2); err != nil || from == 0 {
		http.Error(w, "from and to must be sequences", http.StatusBadRequest)
		return
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Trailer", trailComplete+", "+trailError)
	out := bufio.NewWriterSize(w, 256<<10)
	var record []byte
	err := op.Read(r.Context(), r.PathValue("name"), from, to, func(m *eventlog.Message) error {
		record = m.Append(record[:0])
		_, err := out.Write(record)
		return err
	})
	if err = errors.Join(err, out.Flush()); err != nil {
		w.Header().Set(trailError, strings.ReplaceAll(err.Error(), "\n", " "))
		return
	}
	w.Header().Set(trailComplete, "yes")
}

// remote is a running daemon, reached through its door.
type remote struct {
	http *http.Client
	path string
}

func newRemote(dir string) *remote {
	path := filepath.Join(dir, doorFile)
	return &remote{path: path, http: &http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (c net.Conn, err error) {
			err = atSocket(path, func(path string) (err error) {
				var d net.Dialer
				c, err = d.DialContext(ctx, "unix", path)
				return err
			})
			return c, err
		},
	}}}
}

// call makes a call and gives the body of an answer that is no error.
func (r *remote) call(ctx context.Context, method, path string, body []byte) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://custodyd"+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	resp, err := r.http.Do(req)
	if err != nil {
		return nil, fmt.Errorf("a custodyd runs on this folder and doesn't answer at %s (is it starting, or another command at work?): %w", r.path, err)
	}
	if resp.StatusCode != http.StatusOK {
		defer func() { _ = resp.Body.Close() }()
		said, err := io.ReadAll(io.LimitReader(resp.Body, 64<<10))
		return nil, errors.Join(errors.New(strings.TrimSpace(string(said))), err)
	}
	return resp, nil
}

func (r *remote) state(ctx context.Context) (state, error) {
	var s state
	resp, err := r.call(ctx, http.MethodGet, "/operator/state", nil)
	if err != nil {
		return s, err
	}
	defer func() { _ = resp.Body.Close() }()
	return s, json.NewDecoder(resp.Body).Decode(&s)
}

// Inspect implements eventlog.Source.
func (r *remote) Inspect(ctx context.Context) (eventlog.Inspection, error) {
	s, err := r.state(ctx)
	return s.Inspection, err
}

// Read implements eventlog.Source.
func (r *remote) Read(ctx context.Context, stream string, from, to uint64, take func(*eventlog.Message) error) error {
	if to < from || to == 0 {
		return nil
	}
	resp, err := r.call(ctx, http.MethodGet, fmt.Sprintf("/operator/streams/%s?from=%d&to=%d", url.PathEscape(stream), from, to), nil)
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	in := bufio.NewReaderSize(resp.Body, 256<<10)
	for {
		m, err := eventlog.ReadMessage(in)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fmt.Errorf("the daemon stopped sending %s: %w", stream, err)
		}
		if err := take(m); err != nil {
			return err
		}
	}
	if resp.Trailer.Get(trailComplete) == "" {
		return fmt.Errorf("the daemon could not send %s wholly: %s", stream, resp.Trailer.Get(trailError))
	}
	return nil
}

// OpenVolume implements operated: a running daemon refuses, since it would not know
// the tubes of the volume.
func (r *remote) OpenVolume(_ context.Context, name string) error {
	return fmt.Errorf("volume: a custodyd runs on %s and knows only the tubes of its own volume; stop it, open %s, and start it with --volume %s", filepath.Dir(r.path), name, name)
}

// CloseVolume implements operated.
func (r *remote) CloseVolume(ctx context.Context, name string) error {
	return r.order(ctx, "/operator/volumes/"+url.PathEscape(name)+"/close", nil)
}

// RemoveVolume implements operated.
func (r *remote) RemoveVolume(ctx context.Context, name string, archive *eventlog.Manifest) error {
	body, err := json.Marshal(archive)
	if err != nil {
		return err
	}
	return r.order(ctx, "/operator/volumes/"+url.PathEscape(name)+"/remove", body)
}

func (r *remote) order(ctx context.Context, path string, body []byte) error {
	resp, err := r.call(ctx, http.MethodPost, path, body)
	if err != nil {
		return err
	}
	return resp.Body.Close()
}

// reached is the log that the settings mean, and how it was reached.
type reached struct {
	operated
	remote *remote // set when a daemon runs on the data folder
	key    string  // content of the key file
	close  func()
}

// reach finds the log: the cluster as its operator, else the daemon that runs on the
// data folder, else the store in it, which stays locked until close.
func reach(ctx context.Context, s config.Settings) (*reached, error) {
	key, err := s.Key()
	if err != nil {
		return nil, err
	}
	url, operatorURL, err := s.Cluster()
	if err != nil {
		return nil, err
	}
	o := eventlog.Options{
		Dir: s.Data, URL: url, OperatorURL: operatorURL, Replicas: s.Replicas, Volume: s.Volume, MaxBytes: s.MaxBytes, MaxStore: s.MaxStore, Key: key,
	}
	unlock := func() {}
	if s.NATS == "" {
		if _, err := os.Stat(s.Data); err != nil {
			return nil, fmt.Errorf("data: %w; give the data folder of a custodyd with --data", err)
		}
		unlock, err = lock(s.Data)
		if errors.Is(err, errInUse) {
			r := newRemote(s.Data)
			return &reached{operated: r, remote: r, key: key, close: r.http.CloseIdleConnections}, nil
		}
		if err != nil {
			return nil, err
		}
	}
	op, err := eventlog.OpenOperator(ctx, o)
	if err != nil {
		unlock()
		return nil, err
	}
	return &reached{operated: op, key: key, close: func() { op.Close(); unlock() }}, nil
}
