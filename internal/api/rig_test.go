package api_test

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/identity"
)

// noon is where the clock of every daemon of these tests stands.
var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// daemon is a whole daemon in this process, with a listener.
type daemon struct {
	t    *testing.T
	log  *memlog.Log
	app  *app.App
	conn *grpc.ClientConn
	url  string
}

func start(t *testing.T, log *memlog.Log) *daemon {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	a, err := app.Start(t.Context(), app.Parts{
		Log: log, Clock: app.SteeredClock(event.At(noon)), Secret: []byte("invented fixture"), Ring: identity.MemoryRing(app.WallClock().Now, rand.Reader), Logger: slog.New(slog.DiscardHandler), Listener: l,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Stop(t.Context()); err != nil && t.Context().Err() == nil {
			t.Error(err)
		}
	})
	return &daemon{t: t, log: log, app: a, conn: a.Conn(), url: "http://" + l.Addr().String()}
}

// answer is what REST said.
type answer struct {
	code   int
	header http.Header
	body   []byte
}

func (d *daemon) rest(method, path, body string) answer {
	d.t.Helper()
	var r io.Reader
	if body != "" {
		r = strings.NewReader(body)
	}
	req, err := http.NewRequestWithContext(d.t.Context(), method, d.url+path, r)
	if err != nil {
		d.t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		d.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return answer{resp.StatusCode, resp.Header, data}
}

// violations are the fields that a REST answer names, with what it says of them.
func (a answer) violations() map[string]string {
	var st struct {
		Details []struct {
			FieldViolations []struct{ Field, Description string }
		}
	}
	out := map[string]string{}
	if json.Unmarshal(a.body, &st) != nil {
		return out
	}
	for _, d := range st.Details {
		for _, v := range d.FieldViolations {
			out[v.Field] = v.Description
		}
	}
	return out
}

// into reads an answer that must be 200.
func (a answer) into(t *testing.T, v any) {
	t.Helper()
	if a.code != http.StatusOK {
		t.Fatalf("HTTP %d: %s", a.code, a.body)
	}
	dec := json.NewDecoder(bytes.NewReader(a.body))
	if err := dec.Decode(v); err != nil {
		t.Fatalf("%v: %s", err, a.body)
	}
}

// violationsOf are the fields that a gRPC error names.
func violationsOf(err error) map[string]string {
	out := map[string]string{}
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				out[v.GetField()] = v.GetDescription()
			}
		}
	}
	return out
}
