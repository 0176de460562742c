package eventlog

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
)

// A disk that is really full: the server's store never writes again by itself, so it
// is started again once there is room. Nothing acknowledged is lost, and a follower
// goes on where it was.
func TestTheServerIsStartedAgainAfterARealOutOfSpace(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Fatal("this test mounts a small disk of its own and must run as root")
	}
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=24m"); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) }()
	l, err := Open(t.Context(), Options{Dir: dir, Volume: "2026", BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	j := l.(*jet)
	defer func() { _ = l.Close() }()
	j.guard.mu.Lock()
	j.guard.reserved = 0 // the reserve would keep writes off before the disk is full
	j.guard.mu.Unlock()

	write := func(id string) (uint64, error) {
		key, _ := event.LocalKey(id)
		return l.Append(t.Context(), &event.Decision{
			Envelope: event.Envelope{ID: id, Kind: event.KindTube, Key: key, Occurred: 1_764_000_000_000, Recorded: 1_764_000_000_100, Mode: event.Live, Attested: random(16 << 10)},
			Facts:    []event.Fact{event.Seen{}},
		}, 0)
	}
	var acked uint64
	store := func(i int) error {
		seq, err := write(fmt.Sprint("TB", i))
		if err == nil {
			acked = seq
		}
		return err
	}
	const before = 20
	for i := range before {
		if err := store(i); err != nil {
			t.Fatal(err)
		}
	}
	// The disk gets full in the middle of the writing, with no reserve left to warn.
	filler := filepath.Join(dir, "filler")
	fill(t, filler, 256<<10)
	for i := before; ; i++ {
		err := store(i)
		if err == nil {
			continue
		}
		if !errors.Is(err, ErrFull) && !errors.Is(err, ErrUncertain) {
			t.Fatal(err)
		}
		break
	}
	j.guard.mu.Lock()
	j.guard.reserved = 4 << 20 // the server is started again when there is so much
	j.guard.mu.Unlock()
	t.Logf("%d acknowledged, %d of them while the disk ran full", acked, acked-before)
	patience := time.Now().Add(time.Minute)
	for !errors.Is(j.guard.may(), ErrFull) {
		if time.Now().After(patience) {
			t.Fatal("the full disk was not noticed")
		}
		time.Sleep(10 * time.Millisecond)
	}
	start := time.Now()
	if _, err := write("AT-ONCE"); !errors.Is(err, ErrFull) {
		t.Fatalf("on a full disk: %v", err)
	}
	t.Logf("a write on the full disk was answered after %v", time.Since(start))
	if f := j.Findings(); len(f) == 0 || f[0].OK || !f[0].Stops {
		t.Errorf("health says %+v", f)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	for {
		seq, err := write("AFTERWARDS")
		if err == nil {
			if seq != acked+1 {
				t.Errorf("after %d came %d", acked, seq)
			}
			break
		}
		if time.Now().After(patience) {
			t.Fatalf("with room again: %v", err)
		}
		time.Sleep(10 * time.Millisecond)
	}
	if j.guard.mayRestart() {
		t.Error("the server went on without a restart; then this repair is not needed")
	}
	for i := range acked { // every one is found, once
		hist, err := l.History(t.Context(), event.KindTube, event.Key(fmt.Sprint("L-TB", i)))
		if err != nil || len(hist) != 1 {
			t.Errorf("the acknowledged decision of TB%d: %d found, %v", i, len(hist), err)
		}
	}
	if held, err := l.Lease(t.Context(), "flags", "me"); err != nil || !held {
		t.Errorf("the lease after the restart: %v, %v", held, err)
	}
}

// random is data that the stream's compression can't make small.
func random(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails; crypto/rand aborts instead
	return b
}

// fill takes the disk but for the last bytes.
func fill(t *testing.T, path string, leave int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	defer func() {
		at, err := f.Seek(0, io.SeekEnd)
		if err == nil {
			err = f.Truncate(max(at-int64(leave), 0))
		}
		if err != nil {
			t.Fatal(err)
		}
	}()
	for size := 1 << 20; size > 0; {
		if _, err := f.Write(make([]byte, size)); err == nil {
			continue
		} else if !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
		size /= 2
	}
}
