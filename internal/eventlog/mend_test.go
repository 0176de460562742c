package eventlog_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
)

// What a cut between a stream's settings and their checksum leaves is completed;
// settings that aren't those of the stream are not made good by a new checksum.
func TestInterruptedSettings(t *testing.T) {
	for _, key := range []string{"", "a key of the laboratory"} {
		for _, c := range []struct {
			name  string
			spoil func(dir string) error
			mends bool
		}{
			{"checksum missing", func(dir string) error { return os.Remove(dir + "/meta.sum") }, true},
			{"checksum of other settings", func(dir string) error { return os.WriteFile(dir+"/meta.sum", []byte("0123456789abcdef"), 0o600) }, true},
			{"settings damaged", func(dir string) error {
				meta, err := os.ReadFile(dir + "/meta.inf")
				if err != nil {
					return err
				}
				meta[len(meta)/2] ^= 1
				meta[3] ^= 1
				return os.WriteFile(dir+"/meta.inf", meta, 0o600)
			}, false},
		} {
			t.Run(c.name+map[bool]string{true: ", encrypted"}[key != ""], func(t *testing.T) {
				o := eventlog.Options{Dir: t.TempDir(), Volume: "2026", BreakEven: 3, Key: key}
				log := open(t, o)
				mustStore(t, log, "one", 0)
				_ = log.Close()
				dirs, err := filepath.Glob(o.Dir + "/store/jetstream/*/streams/*")
				if err != nil || len(dirs) < 3 {
					t.Fatalf("streams in %q, %v", dirs, err)
				}
				for _, dir := range dirs {
					if err := c.spoil(dir); err != nil {
						t.Fatal(err)
					}
				}
				log, err = eventlog.Open(t.Context(), o)
				if !c.mends {
					if err == nil || !strings.Contains(err.Error(), "can't be found") {
						t.Fatalf("opened with %v", err)
					}
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				defer func() { _ = log.Close() }()
				mustStore(t, log, "two", 1)
				if found, err := log.History(t.Context(), event.KindTube, "L-TB1"); err != nil || len(found) != 2 {
					t.Errorf("found %v, %v", found, err)
				}
			})
		}
	}
}

// An index written while the stream was empty must not hide what was stored since,
// though a cut left the last block grown by zeros.
func TestStaleIndexOfAnEmptyStream(t *testing.T) {
	o := eventlog.Options{Dir: t.TempDir(), Volume: "2026", BreakEven: 3}
	if err := open(t, o).Close(); err != nil { // writes the index of an empty stream
		t.Fatal(err)
	}
	index := o.Dir + "/store/jetstream/LAB/streams/CUSTODY_2026/msgs/index.db"
	empty, err := os.ReadFile(index)
	if err != nil {
		t.Fatal(err)
	}
	log := open(t, o)
	mustStore(t, log, "one", 0)
	if err := log.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(index, empty, 0o600); err != nil {
		t.Fatal(err)
	}
	block, err := os.OpenFile(filepath.Dir(index)+"/1.blk", os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := block.Write(make([]byte, 300)); err != nil {
		t.Fatal(err)
	}
	if err := block.Close(); err != nil {
		t.Fatal(err)
	}
	log = open(t, o)
	defer func() { _ = log.Close() }()
	mustStore(t, log, "two", 1)
	if found, err := log.History(t.Context(), event.KindTube, "L-TB1"); err != nil || len(found) != 2 {
		t.Errorf("found %v, %v", found, err)
	}
}

func mustStore(t *testing.T, log eventlog.Log, id string, after uint64) {
	t.Helper()
	if _, err := log.Append(t.Context(), logtest.Decision("TB1", id), after); err != nil {
		t.Fatal(err)
	}
}
