package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/mem"

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
	if neg || len(args) > 0 {
		ts.Fatalf("usage: daemon")
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
	server := forward(memory.Conn())
	go func() { _ = server.Serve(listener) }() // ends with Stop
	ts.Defer(server.Stop)
	ts.Setenv(serverVariable, "http://"+listener.Addr().String())
}

func clock(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: clock TIME")
	}
	at, err := readTime(args[0])
	ts.Check(err)
	address, opts, err := target(ts.Getenv(serverVariable), trust{})
	ts.Check(err)
	conn, err := grpc.NewClient(address, opts...)
	ts.Check(err)
	defer func() { _ = conn.Close() }()
	ts.Check(rehearse.New(conn).Clock(event.At(at)))
}

// forward is a server on the network that hands every call on to a connection, as
// bytes: the program under test is a process of its own and can't reach a daemon
// that lives in this one. Every call has one request, so streams need no second
// direction.
func forward(conn grpc.ClientConnInterface) *grpc.Server {
	return grpc.NewServer(grpc.ForceServerCodecV2(bytesCodec{}), grpc.UnknownServiceHandler(func(_ any, from grpc.ServerStream) error {
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
	}))
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
