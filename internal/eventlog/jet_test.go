package eventlog_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
)

func open(t *testing.T, o eventlog.Options) eventlog.Log {
	t.Helper()
	if o.Dir == "" && o.URL == "" {
		o.Dir = t.TempDir()
	}
	if o.Volume == "" {
		o.Volume = "2026"
	}
	if o.BreakEven == 0 {
		o.BreakEven = 8
	}
	l, err := eventlog.Open(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

func TestEmbeddedKeepsTheContract(t *testing.T) {
	logtest.Run(t, func(t *testing.T) eventlog.Log { return open(t, eventlog.Options{}) })
}

// Single publishes and atomic batches are two ways through the committer; each
// must keep the contract alone.
func TestEmbeddedKeepsTheContractByBatchOnly(t *testing.T) {
	logtest.Run(t, func(t *testing.T) eventlog.Log { return open(t, eventlog.Options{BreakEven: 1}) })
}

func TestEmbeddedSurvivesReopening(t *testing.T) {
	dir := t.TempDir()
	l := open(t, eventlog.Options{Dir: dir})
	seq, err := l.Append(context.Background(), logtest.Decision("TB1", "a"), 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, eventlog.Options{Dir: dir})
	hist, err := l.History(context.Background(), event.KindTube, "L-TB1")
	if err != nil || len(hist) != 1 || hist[0].Seq != seq {
		t.Fatalf("history after reopening: %+v, %v", hist, err)
	}
}

// A wrong key makes the server start with its streams "not found"; so must not
// look like a first start.
func TestWrongKeyStopsTheStart(t *testing.T) {
	dir := t.TempDir()
	l := open(t, eventlog.Options{Dir: dir, Key: "the right key, long enough"})
	if _, err := l.Append(context.Background(), logtest.Decision("SECRETTUBE", "a"), 0); err != nil {
		t.Fatal(err)
	}
	_ = l.Close()
	_, err := eventlog.Open(context.Background(), eventlog.Options{Dir: dir, Volume: "2026", Key: "a wrong key", BreakEven: 8})
	var missing *eventlog.MissingError
	if !errors.As(err, &missing) {
		t.Fatalf("started with a wrong key: %v", err)
	}
	if !strings.Contains(err.Error(), "--key-file") {
		t.Errorf("%q doesn't say what to do", err)
	}
	noPlaintext(t, dir, "SECRETTUBE")
	l = open(t, eventlog.Options{Dir: dir, Key: "the right key, long enough"})
	if hist, err := l.History(context.Background(), event.KindTube, "L-SECRETTUBE"); err != nil || len(hist) != 1 {
		t.Fatalf("with the right key again: %+v, %v", hist, err)
	}
}

func noPlaintext(t *testing.T, dir, word string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		if bytes.Contains(data, []byte(word)) {
			t.Errorf("%s holds %s in the clear", filepath.Base(path), word)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func plainServer(t *testing.T, dir string) (jetstream.JetStream, func()) {
	t.Helper()
	srv, err := server.NewServer(&server.Options{JetStream: true, StoreDir: dir, Port: -1, NoSigs: true, NoLog: true, Host: "127.0.0.1"})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	if !srv.ReadyForConnections(10 * time.Second) {
		t.Fatal("no server")
	}
	nc, err := nats.Connect(srv.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return js, func() { nc.Close(); srv.Shutdown(); srv.WaitForShutdown() }
}

// EVT-S4: a stream that would remove old facts while writes succeed.
func TestRefusesAStreamThatCouldLoseFacts(t *testing.T) {
	for name, change := range map[string]struct {
		cfg  func(*jetstream.StreamConfig)
		word string
	}{
		"max_msgs with the default discard": {func(c *jetstream.StreamConfig) { c.MaxMsgs = 3; c.Discard = jetstream.DiscardOld }, "discard"},
		"age":                               {func(c *jetstream.StreamConfig) { c.MaxAge = time.Hour }, "max_age"},
		"per subject":                       {func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 1 }, "max_msgs_per_subject"},
		"delete":                            {func(c *jetstream.StreamConfig) { c.DenyDelete = false }, "deny_delete"},
		"purge":                             {func(c *jetstream.StreamConfig) { c.DenyPurge = false }, "deny_purge"},
		"ttl":                               {func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true }, "allow_msg_ttl"},
		"memory": {func(c *jetstream.StreamConfig) {
			c.Storage = jetstream.MemoryStorage
			c.Compression = jetstream.NoCompression
		}, "storage"},
	} {
		t.Run(name, func(t *testing.T) {
			js, stop := plainServer(t, t.TempDir())
			defer stop()
			cfg := jetstream.StreamConfig{
				Name: "CUSTODY_2026", Subjects: []string{"custody.2026.>"}, Discard: jetstream.DiscardNew,
				DenyDelete: true, DenyPurge: true, AllowAtomicPublish: true,
			}
			change.cfg(&cfg)
			if _, err := js.CreateStream(context.Background(), cfg); err != nil {
				t.Fatal(err)
			}
			_, err := eventlog.Open(context.Background(), eventlog.Options{URL: js.Conn().ConnectedUrl(), Replicas: 1, Volume: "2026", BreakEven: 8})
			var losing *eventlog.LosingError
			if !errors.As(err, &losing) {
				t.Fatalf("started: %v", err)
			}
			if losing.Stream != "CUSTODY_2026" || !strings.Contains(err.Error(), change.word) {
				t.Errorf("%q doesn't name the stream and %s", err, change.word)
			}
		})
	}
}

func TestAFullStoreAnswersAtOnceAndRecoversByRaisingItsLimit(t *testing.T) {
	dir := t.TempDir()
	l := open(t, eventlog.Options{Dir: dir, MaxBytes: 64 << 10})
	var stored, full int
	for i := range 400 {
		d := logtest.Decision(fmt.Sprint("TB", i), "a")
		d.Attested = bytes.Repeat([]byte{byte(i)}, 1024)
		switch _, err := l.Append(context.Background(), d, 0); {
		case err == nil:
			stored++
		case errors.Is(err, eventlog.ErrFull):
			full++
		default:
			t.Fatal(err)
		}
	}
	if stored == 0 || full == 0 {
		t.Fatalf("%d stored, %d refused as full", stored, full)
	}
	_ = l.Close()
	l = open(t, eventlog.Options{Dir: dir, MaxBytes: 1 << 20})
	if p, err := l.End(context.Background()); err != nil || p.Custody != uint64(stored) {
		t.Fatalf("%d acknowledged, the log ends at %+v, %v", stored, p, err)
	}
	if _, err := l.Append(context.Background(), logtest.Decision("MORE", "a"), 0); err != nil {
		t.Fatalf("after raising the limit: %v", err)
	}
}

func TestMeasuresTheBreakEven(t *testing.T) {
	l, err := eventlog.Open(context.Background(), eventlog.Options{Dir: t.TempDir(), Volume: "2026"})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	if _, err := l.Append(context.Background(), logtest.Decision("TB1", "a"), 0); err != nil {
		t.Fatal(err)
	}
}
