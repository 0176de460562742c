package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"scan": main})
}

// TestScripts runs the scripts of testdata/script, which are the command's manual
// at the same time. Beside testscript's own words they have:
//
//	exits N prog args...   run a program and expect exactly this exit code
//	daemon                 start a daemon in memory and say it as SCAN_SERVER
//	daemon https TOKEN     the same behind TLS, asking for a token; $CERT is its certificate,
//	                       $PLAIN its address without the s
//	clock TIME             set that daemon's clock
func TestScripts(t *testing.T) {
	stories, err := os.ReadDir("../../testdata/stories")
	if err != nil || len(stories) == 0 {
		t.Fatalf("the stories that scripts play are not there: %v", err)
	}
	root, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			env.Setenv("TESTDATA", root+"/../../testdata")
			env.Setenv("EXAMPLE", root+"/../../internal/exchange/specimendefinition/testdata/serum-plasma-r5.xml")
			env.Setenv("TZ", "Europe/Berlin") // times for people are those of the computer
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits, "daemon": daemon, "clock": clock,
		},
	})
}

func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits N prog args...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	var failed *exec.ExitError
	switch {
	case err == nil:
		if want != 0 {
			ts.Fatalf("exit code 0, want %d", want)
		}
	case errors.As(err, &failed):
		if failed.ExitCode() != want {
			ts.Fatalf("exit code %d, want %d", failed.ExitCode(), want)
		}
	default:
		ts.Check(err)
	}
}

// daemon puts a small invented world into a fresh daemon: a ward, a van and a
// laboratory, one box with a logger, one request with two tubes. Its clock stands
// at 2026-11-24 08:00 UTC.
func daemon(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) > 0 && (len(args) != 2 || args[0] != "https") {
		ts.Fatalf("usage: daemon [https TOKEN]")
	}
	memory, err := app.Memory(context.Background())
	ts.Check(err)
	ts.Defer(func() { ts.Check(memory.Close()) })
	bench := rehearse.New(memory.Conn())
	ts.Check(bench.Clock(event.At(time.Date(2026, time.November, 24, 8, 0, 0, 0, time.UTC))))
	room := event.Range{Low: 2000, High: 2400, Known: true}
	for _, d := range []story.Declared{
		story.Place{ID: "WARD-N", Kind: "ward", Zone: "Europe/Berlin", Assumed: room},
		story.Place{ID: "VAN", Kind: "vehicle", Zone: "Europe/Berlin"},
		story.Place{ID: "LAB", Kind: "reception", Zone: "Europe/Berlin", Assumed: room},
		story.Person{ID: "mira", Role: "collector"}, story.Person{ID: "oskar", Role: "courier"}, story.Person{ID: "lena", Role: "scientist"},
		story.Carrier{ID: "B-3", Kind: "box"},
		story.Logger{ID: "LG-1", Every: 5 * time.Minute, Hold: -1, In: "B-3", InKind: event.KindCarrier},
	} {
		ts.Check(bench.Declare(d))
	}
	rules, err := os.ReadFile(ts.Getenv("TESTDATA") + "/stories/fixture.yaml")
	ts.Check(err)
	ts.Check(bench.Adopt("fixture.yaml", rules, event.At(time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)), false, "lena"))
	ts.Check(bench.Declare(story.Request{
		ID: "R-1", Patient: "P-7001", Tests: []string{"K", "GLU"},
		Tubes: []story.RequestTube{{ID: "TB260301", Type: "LIHEP-GEL", Tests: []string{"K", "GLU"}}, {ID: "TB260302", Type: "LIHEP-GEL", Tests: []string{"K"}}},
	}))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	scheme, server := "http", forward(memory.Conn(), nil)
	if len(args) == 2 {
		certificate, err := app.OpenCertificate(app.CertificateOptions{
			Dir: ts.MkAbs("tls"), Names: []string{"127.0.0.1"}, Now: time.Now, Rand: rand.Reader, Logger: slog.New(slog.DiscardHandler),
		})
		ts.Check(err)
		ts.Setenv("CERT", ts.MkAbs("tls/certificate.pem"))
		scheme, server = "https", forward(memory.Conn(), asks(args[1]), grpc.Creds(credentials.NewTLS(certificate.Config())))
	}
	go func() { _ = server.Serve(listener) }() // ends with Stop
	ts.Defer(server.Stop)
	ts.Setenv("PLAIN", "http://"+listener.Addr().String())
	ts.Setenv(serverVariable, scheme+"://"+listener.Addr().String())
}

// asks lets calls in that carry token, in the way of RFC 6750, 2.1; "no-" before it is a
// token without any right.
func asks(token string) func(context.Context) error {
	return func(ctx context.Context) error {
		switch md, _ := metadata.FromIncomingContext(ctx); {
		case slices.Equal(md.Get("authorization"), []string{"Bearer " + token}):
			return nil
		case slices.Equal(md.Get("authorization"), []string{"Bearer no-" + token}):
			return status.Error(codes.PermissionDenied, "no right to scan")
		}
		return status.Error(codes.Unauthenticated, "no token of ours")
	}
}

func clock(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: clock TIME")
	}
	at, err := readTime(args[0])
	ts.Check(err)
	address, opts, err := target(ts.Getenv(serverVariable), trust{token: tokenOf(ts), ca: ts.Getenv(caVariable)})
	ts.Check(err)
	conn, err := grpc.NewClient(address, opts...)
	ts.Check(err)
	defer func() { _ = conn.Close() }()
	ts.Check(rehearse.New(conn).Clock(event.At(at)))
}

// tokenOf is the file that the script's variable names.
func tokenOf(ts *testscript.TestScript) string {
	if name := ts.Getenv(tokenVariable); name != "" {
		return ts.MkAbs(name)
	}
	return ""
}

// forward is a server on the network that hands every call on to a connection, as
// bytes: the program under test is a process of its own and can't reach a daemon
// that lives in this one. Every call has one request, so streams need no second
// direction.
func forward(conn grpc.ClientConnInterface, allow func(context.Context) error, opts ...grpc.ServerOption) *grpc.Server {
	return grpc.NewServer(append(opts, grpc.ForceServerCodecV2(bytesCodec{}), grpc.UnknownServiceHandler(func(_ any, from grpc.ServerStream) error {
		if allow != nil {
			if err := allow(from.Context()); err != nil {
				return err
			}
		}
		method, _ := grpc.MethodFromServerStream(from)
		to, err := conn.NewStream(from.Context(), &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method, grpc.ForceCodecV2(bytesCodec{}))
		if err != nil {
			return err
		}
		var message []byte
		if err := from.RecvMsg(&message); err != nil {
			return err
		}
		if err := to.SendMsg(&message); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if err := to.CloseSend(); err != nil {
			return err
		}
		for {
			switch err := to.RecvMsg(&message); {
			case errors.Is(err, io.EOF):
				return nil
			case err != nil:
				return err
			}
			if err := from.SendMsg(&message); err != nil {
				return err
			}
		}
	}))...)
}

// bytesCodec passes messages on without reading them.
type bytesCodec struct{}

func (bytesCodec) Name() string { return "proto" }

func (bytesCodec) Marshal(v any) (mem.BufferSlice, error) {
	message, ok := v.(*[]byte)
	if !ok {
		return nil, fmt.Errorf("marshal a %T", v)
	}
	return mem.BufferSlice{mem.SliceBuffer(*message)}, nil
}

func (bytesCodec) Unmarshal(data mem.BufferSlice, v any) error {
	message, ok := v.(*[]byte)
	if !ok {
		return fmt.Errorf("unmarshal into a %T", v)
	}
	*message = data.Materialize()
	return nil
}

func TestTarget(t *testing.T) {
	for _, c := range []struct{ server, want, wrong string }{
		{server: "http://127.0.0.1:8080", want: "dns:///127.0.0.1:8080"},
		{server: "127.0.0.1:9000", want: "dns:///127.0.0.1:9000"},
		{server: "http://localhost:8080/", want: "dns:///localhost:8080"},
		{server: "http://[::1]:8080", want: "dns:///[::1]:8080"},
		{server: "https://custody.example", want: "dns:///custody.example:443"},
		{server: "http://custody.example", want: "dns:///custody.example:80"},
		{server: "ftp://custody.example", wrong: "must begin with http"},
		{server: "http://custody.example/v1", wrong: "is no address"},
		{server: "", wrong: "is no address"},
	} {
		got, _, err := target(c.server, trust{})
		if got != c.want || (err != nil) != (c.wrong != "") {
			t.Errorf("target(%q) = %q, %v; want %q", c.server, got, err, c.want)
		}
		if err != nil {
			var usage coded
			if !errors.As(err, &usage) || usage.code != exitUsage {
				t.Errorf("target(%q): %v is no usage error", c.server, err)
			}
		}
	}
}

// A token goes over https, or to this machine; to no other in the clear.
func TestATokenIsNotSentInTheClear(t *testing.T) {
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("abc.DEF-123==\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for server, sent := range map[string]bool{
		"https://custody.example": true, "https://127.0.0.1:8080": true, "http://127.0.0.1:8080": true, "http://[::1]:8080": true, "http://localhost": true,
		"127.0.0.1:8080": true, "http://custody.example": false, "custody.example:8080": false, "http://10.0.0.7:8080": false, "http://0.0.0.0:8080": false,
		"http://localhost.example": false, "http://127.0.0.1.example": false, "http://127.0.0.1@custody.example": false,
	} {
		address, _, err := target(server, trust{token: token})
		var usage coded
		switch {
		case sent && err != nil:
			t.Errorf("%s: %v", server, err)
		case !sent && (!errors.As(err, &usage) || usage.code != exitUsage || !strings.Contains(err.Error(), "https only") || strings.Contains(err.Error(), "abc")):
			t.Errorf("%s leads to %q: %v", server, address, err)
		}
	}
	// The connection itself wants TLS where the token went over https.
	if _, calls, err := (trust{token: token}).over("custody.example", true); err != nil || !calls.RequireTransportSecurity() {
		t.Errorf("%v", err)
	}
}

// A server that is away for a moment costs a retry, not the scan.
func TestRecordWaitsForTheServer(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	_ = listener.Close()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	server := newFakeServer()
	go func() {
		time.Sleep(300 * time.Millisecond)
		again, err := net.Listen("tcp", address)
		if err != nil {
			return // another process took the port; the test then fails with "not saved"
		}
		_ = server.Serve(again) // ends with Stop
	}()
	defer server.Stop()
	out, errs := &lines{}, &lines{}
	code := run(t.Context(), []string{"record", "see", "TB260301", "--server", "http://" + address, "--timeout", "10s", "--json", "--id", "x-1"}, nil, out, errs)
	if code != exitDone || out.count() != 1 || !out.has(`"id":"x-1","answer":"recorded"`) {
		t.Errorf("exit code %d, output %q, errors %q", code, out, errs)
	}
}
