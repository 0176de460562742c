package apptest

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
)

const custodyd = "specimen.example/custody/cmd/custodyd"

// Daemon is a custodyd in a process of its own.
type Daemon struct {
	*Process
	Address string
	Conn    *grpc.ClientConn // nil until Serving
	tb      testing.TB
	args    []string
}

// NewDaemon starts a custodyd with these options beside --listen, for which it
// takes a free port that it keeps over restarts.
func NewDaemon(tb testing.TB, args ...string) *Daemon {
	tb.Helper()
	d := &Daemon{tb: tb, Address: FreePorts(tb, 1)[0]}
	d.args = append([]string{"--listen", d.Address, "--sign-in", "off"}, args...)
	d.Start()
	return d
}

// OnCluster gives the options of a custodyd on a cluster. All of them share the key
// file, which is how they index the same patients alike, and the keys that wrap theirs.
func OnCluster(tb testing.TB, c *Cluster) []string {
	tb.Helper()
	return []string{"--data", tb.TempDir(), "--nats", c.URL(), "--operator-nats", c.OperatorURL(), "--key-file", KeyFile(tb), "--identity-keys", c.IdentityKeys, "--log", "info"}
}

// KeyFile is a key file for tests; each has the same invented key.
func KeyFile(tb testing.TB) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "key")
	if err := os.WriteFile(path, []byte("an invented key for tests, long enough\n"), 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}

// Start starts it, for the first time or after its end.
func (d *Daemon) Start() {
	d.tb.Helper()
	d.Process = start(d.tb, Program(d.tb, custodyd), d.args...)
}

// Serving waits until it is ready for scans, and opens Conn.
func (d *Daemon) Serving() *Daemon {
	d.tb.Helper()
	if err := d.heard(func(text string) bool { return strings.Contains(text, "serves on http://") }); err != nil {
		d.tb.Fatal(err)
	}
	d.Until("/readyz", http.StatusOK)
	if d.Conn == nil {
		conn, err := grpc.NewClient(d.Address, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			d.tb.Fatal(err)
		}
		d.Conn = conn
		d.tb.Cleanup(func() { _ = conn.Close() })
	}
	return d
}

// Get asks for a path and gives the status, the headers and the body.
func (d *Daemon) Get(ctx context.Context, path string) (int, http.Header, string, error) {
	return d.do(ctx, http.MethodGet, path, "")
}

// Post is Get with a body.
func (d *Daemon) Post(ctx context.Context, path, body string) (int, http.Header, string, error) {
	return d.do(ctx, http.MethodPost, path, body)
}

// Put is Get with a body.
func (d *Daemon) Put(ctx context.Context, path, body string) (int, http.Header, string, error) {
	return d.do(ctx, http.MethodPut, path, body)
}

func (d *Daemon) do(ctx context.Context, method, path, body string) (int, http.Header, string, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://"+d.Address+path, strings.NewReader(body))
	if err != nil {
		return 0, nil, "", err
	}
	resp, err := client.Do(req)
	if err != nil {
		return 0, nil, "", err
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	return resp.StatusCode, resp.Header, string(text), err
}

// Until waits until a path is answered with this status and a body that holds these
// words, and gives the body.
func (d *Daemon) Until(path string, status int, words ...string) string {
	d.tb.Helper()
	var body string
	Until(d.tb, fmt.Sprintf("%d with %q at %s", status, words, path), func(ctx context.Context) (bool, string) {
		if d.Ended() {
			d.tb.Fatalf("custodyd ended: %s", last(d.Said(), 4000))
		}
		code, _, text, err := d.Get(ctx, path)
		if err != nil {
			return false, err.Error()
		}
		for _, w := range words {
			if !strings.Contains(text, w) {
				return false, fmt.Sprint(code, " ", text)
			}
		}
		body = text
		return code == status, fmt.Sprint(code, " ", text)
	})
	return body
}

// Leads reports whether it appends flags now.
func (d *Daemon) Leads(ctx context.Context) bool {
	_, _, text, err := d.Get(ctx, "/metrics")
	return err == nil && strings.Contains(text, "\ncustody_leading 1\n")
}
