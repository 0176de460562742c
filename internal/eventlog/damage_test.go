package eventlog_test

import (
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
)

// smallBlocks is the limit of a stream up to which the server cuts it into files of
// 32 kB (FileStoreMinBlkSize of its source).
const smallBlocks = 100_000

// A file of the store that is missing, cut short or spoilt while the daemon is down
// stops the next start with words. Without that the server itself starts with whatever
// is left, and the log of a laboratory would be shorter than it was.
func TestAStoreThatLacksFilesStopsTheStart(t *testing.T) {
	whole := t.TempDir()
	acked := blocksOf(t, whole)
	for _, c := range []struct {
		name string
		harm func(t *testing.T, blocks []string)
	}{
		{"the first block is missing", func(t *testing.T, b []string) { remove(t, b[0]) }},
		{"a middle block is missing", func(t *testing.T, b []string) { remove(t, b[1]) }},
		{"the last block is missing", func(t *testing.T, b []string) { remove(t, b[len(b)-1]) }},
		{"all blocks are missing", func(t *testing.T, b []string) { remove(t, b...) }},
		{"a middle block is cut short", func(t *testing.T, b []string) { halve(t, b[1]) }},
		{"the last block is cut short", func(t *testing.T, b []string) { halve(t, b[len(b)-1]) }},
		{"the last block is empty", func(t *testing.T, b []string) { cutTo(t, b[len(b)-1]) }},
		{"a byte of the middle block is another", func(t *testing.T, b []string) { spoil(t, b[1]) }},
		{"a byte of the last block is another", func(t *testing.T, b []string) { spoil(t, b[len(b)-1]) }},
		{"the stream's folder is missing", func(t *testing.T, b []string) {
			if err := os.RemoveAll(filepath.Dir(filepath.Dir(b[0]))); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		for _, index := range []string{"index kept", "index gone"} {
			t.Run(c.name+", "+index, func(t *testing.T) {
				dir := t.TempDir()
				if err := os.CopyFS(dir, os.DirFS(whole)); err != nil {
					t.Fatal(err)
				}
				blocks := blockFiles(t, dir)
				if index == "index gone" {
					remove(t, filepath.Join(filepath.Dir(blocks[0]), "index.db"))
				}
				c.harm(t, blocks)
				l, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", MaxBytes: smallBlocks, BreakEven: 8})
				if err == nil { // the server trusts its index: whoever reads the log finds it
					defer func() { _ = l.Close() }()
					tape := logtest.NewTape()
					err = l.Follow(t.Context(), eventlog.Position{}, tape)
					if n := len(tape.Records()); err == nil || n >= acked {
						t.Fatalf("read %d of %d acknowledged decisions, %v", n, acked, err)
					}
				}
				var lost *eventlog.LostError
				var missing *eventlog.MissingError
				if !errors.As(err, &lost) && !errors.As(err, &missing) || !strings.Contains(err.Error(), "CUSTODY_2026") || !strings.Contains(err.Error(), "backup") {
					t.Errorf("refused, and not in words that help: %v", err)
				}
			})
		}
	}
}

// A copy of the store that is older than what was acknowledged through this folder is
// refused.
func TestAnOlderCopyOfTheStoreStopsTheStart(t *testing.T) {
	dir, old := t.TempDir(), t.TempDir()
	l := open(t, eventlog.Options{Dir: dir})
	for i := range 10 {
		if _, err := l.Append(t.Context(), logtest.Decision(fmt.Sprint("TB", i), "a"), 0); err != nil {
			t.Fatal(err)
		}
		if i == 4 {
			_ = l.Close()
			if err := os.CopyFS(old, os.DirFS(filepath.Join(dir, "store"))); err != nil {
				t.Fatal(err)
			}
			l = open(t, eventlog.Options{Dir: dir})
		}
	}
	_ = l.Close()
	if err := errors.Join(os.RemoveAll(filepath.Join(dir, "store")), os.CopyFS(filepath.Join(dir, "store"), os.DirFS(old))); err != nil {
		t.Fatal(err)
	}
	_, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
	var lost *eventlog.LostError
	if !errors.As(err, &lost) || !strings.Contains(err.Error(), "ends at 5") || !strings.Contains(err.Error(), "10 was acknowledged") {
		t.Errorf("an older copy: %v", err)
	}
}

// blocksOf makes a store with several files of decisions and gives how many there are.
func blocksOf(t *testing.T, dir string) int {
	t.Helper()
	l := open(t, eventlog.Options{Dir: dir, MaxBytes: smallBlocks})
	acked := 0
	for i := 0; ; i++ {
		d := logtest.Decision(fmt.Sprint("TB", i), "a")
		d.Attested = make([]byte, 2048)
		_, _ = rand.Read(d.Attested) // compression must not make one block of it
		_, err := l.Append(t.Context(), d, 0)
		if errors.Is(err, eventlog.ErrFull) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		acked++
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if n := len(blockFiles(t, dir)); n < 3 {
		t.Fatalf("%d decisions stand in %d blocks; three are needed", acked, n)
	}
	return acked
}

// blockFiles gives the files of the decisions, oldest first.
func blockFiles(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "store", "jetstream", "*", "streams", "CUSTODY_2026", "msgs", "*.blk"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no blocks of the stream: %v", err)
	}
	slices.SortFunc(files, func(a, b string) int { return len(a) - len(b) + strings.Compare(a, b) })
	return files
}

func remove(t *testing.T, paths ...string) {
	t.Helper()
	for _, path := range paths {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}

func halve(t *testing.T, path string) {
	t.Helper()
	info, err := os.Stat(path)
	if err == nil {
		err = os.Truncate(path, info.Size()/2)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// spoil changes one byte in the middle of a file.
func spoil(t *testing.T, path string) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err == nil {
		data[len(data)/2] ^= 0x55
		err = os.WriteFile(path, data, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}
