package app_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/identity"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// edge is a daemon in this process that listens on the loopback.
type edge struct {
	address string
	log     *lockedLog
}

// lockedLog is what a daemon logs.
type lockedLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lockedLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lockedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// newEdge starts a daemon on a log in memory; without cfg it speaks plain HTTP.
func newEdge(t *testing.T, cfg *tls.Config) *edge {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	e := &edge{address: listener.Addr().String(), log: &lockedLog{}}
	daemon, err := app.Start(t.Context(), app.Parts{
		Log: memlog.New(), Clock: app.WallClock(), Secret: []byte("a test holds nobody's number"), Ring: identity.MemoryRing(app.WallClock().Now, rand.Reader),
		Logger: slog.New(slog.NewTextHandler(e.log, nil)), Listener: listener, TLS: cfg, StrictTLS: cfg != nil,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := daemon.Stop(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	return e
}

// madeNow is a certificate for the loopback that holds now, and its folder.
func madeNow(t *testing.T) (*app.Certificate, string) {
	t.Helper()
	dir := t.TempDir()
	return open(t, app.CertificateOptions{
		Dir: dir, Names: []string{"localhost", "127.0.0.1"}, Now: time.Now, Rand: rand.Reader, Logger: slog.New(slog.DiscardHandler),
	}), dir
}

func secureEdge(t *testing.T) (*edge, *x509.CertPool, string) {
	t.Helper()
	c, dir := madeNow(t)
	file := filepath.Join(dir, "certificate.pem")
	return newEdge(t, c.Config()), trusting(t, file), file
}

// client speaks HTTP/1.1 or HTTP/2 and trusts roots.
func client(t *testing.T, roots *x509.CertPool, two bool) *http.Client {
	t.Helper()
	protocols := &http.Protocols{}
	protocols.SetHTTP1(!two)
	protocols.SetHTTP2(two)
	transport := &http.Transport{Protocols: protocols, TLSClientConfig: &tls.Config{RootCAs: roots}} //nolint:gosec // the server's least version is what is tested
	t.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Transport: transport}
}

func fetch(t *testing.T, c *http.Client, address string, header http.Header) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, values := range header {
		req.Header[name] = values
	}
	resp, err := c.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(text)
}

// Who trusts the file is let in by every version from 1.2 on, under the names of the
// certificate; nobody else is, and nothing is said in the clear.
func TestTLSOfTheListener(t *testing.T) {
	e, roots, _ := secureEdge(t)
	dial := func(cfg *tls.Config) (tls.ConnectionState, error) {
		conn, err := tls.Dial("tcp", e.address, cfg)
		if err != nil {
			return tls.ConnectionState{}, err
		}
		defer func() { _ = conn.Close() }()
		return conn.ConnectionState(), conn.HandshakeContext(t.Context())
	}
	for _, version := range []uint16{tls.VersionTLS12, tls.VersionTLS13} {
		for _, name := range []string{"localhost", "127.0.0.1"} {
			cfg := &tls.Config{RootCAs: roots, ServerName: name, MinVersion: version, MaxVersion: version, NextProtos: []string{"http/1.1", "h2"}}
			state, err := dial(cfg)
			// The server's order counts: RFC 7301, 3.2.
			if err != nil || state.Version != version || state.NegotiatedProtocol != "h2" || len(state.VerifiedChains) == 0 {
				t.Errorf("%s with %s: %v, %q", tls.VersionName(version), name, err, state.NegotiatedProtocol)
			}
		}
	}
	// RFC 8996 ends 1.0 and 1.1. The server answers protocol_version (RFC 8446, 6.2).
	for _, version := range []uint16{tls.VersionTLS10, tls.VersionTLS11} {
		_, err := dial(&tls.Config{RootCAs: roots, ServerName: "localhost", MinVersion: version, MaxVersion: version}) //nolint:gosec // it must be refused
		if !alerted(err, "protocol version not supported") {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
	}
	var wrong x509.HostnameError
	if _, err := dial(&tls.Config{RootCAs: roots, ServerName: "custody.example", MinVersion: tls.VersionTLS12}); !errors.As(err, &wrong) {
		t.Errorf("another name: %v", err)
	}
	var unknown x509.UnknownAuthorityError
	if _, err := dial(&tls.Config{RootCAs: x509.NewCertPool(), ServerName: "localhost", MinVersion: tls.VersionTLS12}); !errors.As(err, &unknown) {
		t.Errorf("without its file: %v", err)
	}
	// no_application_protocol, RFC 7301, 3.2.
	if _, err := dial(&tls.Config{RootCAs: roots, ServerName: "localhost", MinVersion: tls.VersionTLS12, NextProtos: []string{"gopher"}}); !alerted(err, "no application protocol") {
		t.Errorf("another protocol: %v", err)
	}
	// In the clear nothing is answered but that: no page, no API, no gRPC.
	for _, path := range []string{"/wall", "/v1/flags", "/healthz"} {
		resp, text := fetch(t, http.DefaultClient, "http://"+e.address+path, nil)
		if resp.StatusCode != http.StatusBadRequest || !strings.Contains(text, "HTTPS") || len(text) > 100 {
			t.Errorf("%s in the clear: %d %s", path, resp.StatusCode, text)
		}
	}
	// Failed handshakes are no warning: anybody could fill the log with them.
	if strings.Contains(e.log.String(), "handshake") {
		t.Errorf("%s", e.log)
	}
}

// alerted tells that the other side refused, and with which alert.
func alerted(err error, which string) bool {
	var remote *net.OpError
	return errors.As(err, &remote) && remote.Op == "remote error" && strings.Contains(remote.Err.Error(), which)
}

// REST, pages and streams by both versions of HTTP.
func TestHTTPOverTLS(t *testing.T) {
	e, roots, _ := secureEdge(t)
	for _, two := range []bool{false, true} {
		c := client(t, roots, two)
		for path, want := range map[string]int{"/wall": 200, "/healthz": 200, "/v1/flags": 200, "/openapi.json": 200, "/v1/places/NONE": 404} {
			resp, text := fetch(t, c, "https://"+e.address+path, nil)
			if resp.StatusCode != want || (resp.ProtoMajor == 2) != two {
				t.Errorf("%s by %s: %d %s", path, resp.Proto, resp.StatusCode, text)
			}
			if path == "/wall" && resp.Header.Get("Strict-Transport-Security") == "" {
				t.Errorf("%s by %s does not say that it is never in the clear", path, resp.Proto)
			}
		}
	}
	plain := newEdge(t, nil)
	if resp, _ := fetch(t, http.DefaultClient, "http://"+plain.address+"/wall", nil); resp.StatusCode != 200 || resp.Header.Get("Strict-Transport-Security") != "" {
		t.Errorf("plain: %d, %q", resp.StatusCode, resp.Header.Get("Strict-Transport-Security"))
	}
}

// Server-sent events come at once over HTTP/2 too, and end with whoever listens.
func TestEventsOverHTTP2(t *testing.T) {
	e, roots, _ := secureEdge(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	for path, first := range map[string]string{"/v1/flags:watch": "id: ", "/wall/stream": "retry: "} {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "https://"+e.address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Accept", "text/event-stream")
		resp, err := client(t, roots, true).Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		if resp.ProtoMajor != 2 || !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/event-stream") {
			t.Fatalf("%s: %s %d %s", path, resp.Proto, resp.StatusCode, resp.Header.Get("Content-Type"))
		}
		line, err := bufio.NewReader(resp.Body).ReadString('\n')
		if err != nil || !strings.HasPrefix(line, first) {
			t.Errorf("%s begins with %q, %v", path, line, err)
		}
	}
}

// gRPC by its own client: calls, streams and errors, on the port of the pages.
func TestGRPCOverTLS(t *testing.T) {
	e, roots, _ := secureEdge(t)
	for name, cfg := range map[string]*tls.Config{
		"trusting":      {RootCAs: roots, MinVersion: tls.VersionTLS12},
		"another name":  {RootCAs: roots, ServerName: "custody.example", MinVersion: tls.VersionTLS12},
		"without trust": {MinVersion: tls.VersionTLS12},
	} {
		conn, err := grpc.NewClient(e.address, grpc.WithTransportCredentials(credentials.NewTLS(cfg)))
		if err != nil {
			t.Fatal(err)
		}
		_, err = custodyv1.NewTubesClient(conn).GetTube(t.Context(), &custodyv1.GetTubeRequest{Id: "TB260301"})
		want := codes.NotFound
		if name != "trusting" {
			want = codes.Unavailable
		}
		if status.Code(err) != want {
			t.Errorf("%s: %v", name, err)
		}
		if name == "trusting" {
			ctx, cancel := context.WithCancel(t.Context())
			stream, err := stabilityv1.NewFlagsClient(conn).WatchFlags(ctx, &stabilityv1.WatchFlagsRequest{})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := stream.Header(); err != nil {
				t.Error(err)
			}
			cancel()
		}
		_ = conn.Close()
	}
}

// The program scan, as somebody has it at the bench.
func TestScanOverTLS(t *testing.T) {
	e, _, file := secureEdge(t)
	program := apptest.Program(t, "specimen.example/custody/cmd/scan")
	scan := func(want int, args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), program, args...)
		cmd.Env = []string{"SCAN_SERVER=https://" + e.address}
		out, err := cmd.CombinedOutput()
		if cmd.ProcessState.ExitCode() != want {
			t.Errorf("scan %q: %v, want %d: %s", args, err, want, out)
		}
		return string(out)
	}
	if text := scan(0, "record", "see", "TB260301", "--by", "lena", "--at", "LAB", "--ca", file); !strings.Contains(text, "recorded") {
		t.Errorf("%s", text)
	}
	if text := scan(3, "flags"); !strings.Contains(text, "--ca") || !strings.Contains(text, "unknown authority") {
		t.Errorf("without the file: %s", text)
	}
}

// What one client can take has an end.
func TestTheServersLimits(t *testing.T) {
	e, roots, _ := secureEdge(t)
	plain := newEdge(t, nil)
	large := http.Header{"X-Large": {strings.Repeat("a", 70<<10)}}
	fits := http.Header{"X-Large": {strings.Repeat("a", 60<<10)}}
	for address, c := range map[string]*http.Client{"https://" + e.address: client(t, roots, false), "http://" + plain.address: http.DefaultClient} {
		if resp, _ := fetch(t, c, address+"/healthz", large); resp.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
			t.Errorf("70 KiB of headers to %s: %d", address, resp.StatusCode)
		}
		if resp, _ := fetch(t, c, address+"/healthz", fits); resp.StatusCode != http.StatusOK {
			t.Errorf("60 KiB of headers to %s: %d", address, resp.StatusCode)
		}
	}
	conn, err := tls.Dial("tcp", e.address, &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12, NextProtos: []string{"h2"}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	raw, err := net.Dial("tcp", plain.address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = raw.Close() }()
	for name, c := range map[string]net.Conn{"TLS": conn, "plain": raw} {
		settings, err := settingsOf(c)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		// SETTINGS_MAX_CONCURRENT_STREAMS is 3, SETTINGS_MAX_HEADER_LIST_SIZE 6: RFC 9113, 6.5.2.
		if settings[3] != 250 || settings[6] == 0 || settings[6] > 80<<10 {
			t.Errorf("%s: %d streams, %d bytes of headers", name, settings[3], settings[6])
		}
	}
}

// settingsOf begins HTTP/2 by hand and reads the server's SETTINGS (RFC 9113, 3.4, 4.1 and 6.5).
func settingsOf(c net.Conn) (map[uint16]uint32, error) {
	if err := c.SetDeadline(time.Now().Add(30 * time.Second)); err != nil {
		return nil, err
	}
	if _, err := io.WriteString(c, "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\x00\x00\x00\x04\x00\x00\x00\x00\x00"); err != nil {
		return nil, err
	}
	head := make([]byte, 9)
	if _, err := io.ReadFull(c, head); err != nil {
		return nil, err
	}
	if head[3] != 4 {
		return nil, fmt.Errorf("the first frame is of type %d", head[3])
	}
	body := make([]byte, int(head[0])<<16|int(head[1])<<8|int(head[2]))
	if _, err := io.ReadFull(c, body); err != nil {
		return nil, err
	}
	settings := map[uint16]uint32{}
	for ; len(body) >= 6; body = body[6:] {
		settings[binary.BigEndian.Uint16(body)] = binary.BigEndian.Uint32(body[2:])
	}
	return settings, nil
}

// Another certificate of the house is shown to those who come; who is connected stays,
// and what doesn't fit changes nothing.
func TestANewCertificateComesWhileAConnectionIsOpen(t *testing.T) {
	now, h := time.Now(), newHouse(t)
	first := h.put(t, now, "127.0.0.1")
	c := open(t, h.options(&now, new(bytes.Buffer)))
	e := newEdge(t, c.Config())
	roots := func(leaf *x509.Certificate) *x509.CertPool {
		pool := x509.NewCertPool()
		pool.AddCert(leaf)
		return pool
	}
	early := client(t, roots(first), true)
	fetch(t, early, "https://"+e.address+"/healthz", nil)
	second := h.put(t, now, "127.0.0.1")
	c.Look()
	for range 3 {
		if resp, _ := fetch(t, early, "https://"+e.address+"/healthz", nil); !resp.TLS.PeerCertificates[0].Equal(first) {
			t.Error("the open connection was not kept")
		}
	}
	later := client(t, roots(second), true)
	if resp, _ := fetch(t, later, "https://"+e.address+"/healthz", nil); !resp.TLS.PeerCertificates[0].Equal(second) {
		t.Error("who comes later gets the old one")
	}
	early.CloseIdleConnections()
	if resp, err := early.Get("https://" + e.address + "/healthz"); err == nil { //nolint:noctx // it must not answer
		_ = resp.Body.Close()
		t.Error("who trusts the old one alone is still let in")
	}
}
