package eventlog

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// The daemon's own user must not be able to change what the log is. The broker
// answers a denied call with silence, so each attempt is a time-out.
func TestDaemonMayNotChangeStreams(t *testing.T) {
	l, err := Open(context.Background(), Options{Dir: t.TempDir(), Volume: "2026", BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	j, ok := l.(*jet)
	if !ok {
		t.Fatalf("%T", l)
	}
	admin, err := jetstream.New(j.operator)
	if err != nil {
		t.Fatal(err)
	}
	before, err := admin.Stream(context.Background(), "CUSTODY_2026")
	if err != nil {
		t.Fatal(err)
	}
	try := func(what string, f func(ctx context.Context) error) {
		ctx, cancel := context.WithTimeout(context.Background(), 300*time.Millisecond)
		defer cancel()
		if f(ctx) == nil {
			t.Errorf("the daemon's user was allowed to %s", what)
		}
	}
	cfg := before.CachedInfo().Config
	cfg.MaxMsgs = 1
	try("update a stream", func(ctx context.Context) error { _, err := j.js.UpdateStream(ctx, cfg); return err })
	try("delete a stream", func(ctx context.Context) error { return j.js.DeleteStream(ctx, "CUSTODY_2026") })
	try("create a stream", func(ctx context.Context) error {
		_, err := j.js.CreateStream(ctx, jetstream.StreamConfig{Name: "MINE", Subjects: []string{"mine"}})
		return err
	})
	keys, err := j.js.Stream(context.Background(), string(ShelfKeys))
	if err != nil {
		t.Fatal(err)
	}
	try("purge a stream", func(ctx context.Context) error { return keys.Purge(ctx) })
	for _, name := range []string{"CUSTODY_2026", "READINGS_2026", string(ShelfAccess), string(ShelfSessions), string(ShelfPhones), string(ShelfNotify)} {
		stream, err := j.js.Stream(context.Background(), name)
		if err != nil {
			t.Fatal(err)
		}
		try("delete a message of "+name, func(ctx context.Context) error { return stream.SecureDeleteMsg(ctx, 1) })
	}
	after, err := admin.Stream(context.Background(), "CUSTODY_2026")
	if err != nil {
		t.Fatal(err)
	}
	if after.CachedInfo().Config.MaxMsgs != before.CachedInfo().Config.MaxMsgs {
		t.Error("the stream was changed")
	}
}
