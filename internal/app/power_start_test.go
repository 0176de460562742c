package app_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/forgetfs"
	"specimen.example/custody/internal/eventlog/logtest"
)

// A start writes a few files one after the other, and a power cut may fall between any
// two: when the log is set up, and when a limit is raised on a log that holds facts.
// After each such cut the next start works, loses nothing, and what is stored then is
// found by the start after it. The long test tries every moment, the short one a sixth.
func TestSoakEveryCutInAStart(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(1, 2)) //nolint:gosec // which moments, not secrets
	before := []string{"before-0", "before-1", "before-2"}
	for _, c := range []struct {
		name string
		img  forgetfs.Image
		held []string
	}{
		{"set up", forgetfs.Image{}, nil},
		{"raise the limit", holding(t, before), before},
	} {
		t.Run(c.name, func(t *testing.T) {
			whole := forgetfs.NewDisk(forgetfs.Options{}, c.img)
			startAndCut(t, whole, nil)
			counts := whole.Counts()
			moments := counts.Writes + counts.Names
			if moments < 5 {
				t.Fatalf("a start made %d changes; it can't have been one", moments)
			}
			step := int64(1)
			if os.Getenv("SOAK") == "" {
				step = 6
			}
			for n := int64(1); n <= moments; n += step {
				// One start gives all that the cut may leave: what is flushed is the same.
				d := forgetfs.NewDisk(forgetfs.Options{Changes: n}, c.img)
				startAndCut(t, d, d.Out())
				for _, style := range []forgetfs.Style{forgetfs.Drop, forgetfs.Prefix, forgetfs.Names} {
					t.Run(fmt.Sprintf("%s after %d of %d changes", style, n, moments), func(t *testing.T) {
						goesOn(t, d.Cut(style, random), c.held)
					})
				}
			}
		})
	}
}

// holding is a data directory with a small limit that holds scans.
func holding(t *testing.T, ids []string) forgetfs.Image {
	t.Helper()
	dir := t.TempDir()
	if err := emptyInSmallBlocks(t).Write(dir); err != nil {
		t.Fatal(err)
	}
	log := mustOpen(t, eventlog.Options{Dir: dir, Volume: "2026", MaxBytes: smallBlocks, BreakEven: 3})
	for i, id := range ids {
		if _, err := log.Append(t.Context(), logtest.Decision("TB", id), uint64(i)); err != nil { //nolint:gosec // small
			t.Fatal(err)
		}
	}
	if err := log.Close(); err != nil {
		t.Fatal(err)
	}
	img, err := forgetfs.ReadImage(dir)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// startAndCut starts a daemon on the disk and kills it when the power goes, or, when
// that isn't watched, once it serves.
func startAndCut(t *testing.T, disk *forgetfs.Disk, out <-chan struct{}) {
	t.Helper()
	dir := t.TempDir()
	unmount, err := disk.Mount(dir)
	if err != nil {
		t.Fatal(err)
	}
	if out == nil {
		startDaemon(t, dir).kill(t)
	} else {
		cmd := daemonOn(dir)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		served := make(chan struct{})
		go func() {
			_ = cmd.Wait() // ends early when the daemon gave up
			close(served)
		}()
		select {
		case <-out:
		case <-served:
		}
		_ = cmd.Process.Kill()
		disk.Abandon()
		<-served
	}
	if err := unmount(); err != nil {
		t.Fatal(err)
	}
}

// goesOn checks that what a cut left can be used, and holds what it held.
func goesOn(t *testing.T, img forgetfs.Image, held []string) {
	t.Helper()
	dir := t.TempDir()
	if err := img.Write(dir); err != nil {
		t.Fatal(err)
	}
	o := eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 3}
	if _, err := app.Secret(dir, ""); err != nil {
		t.Fatalf("the start after the cut: %v", err)
	}
	log := mustOpen(t, o)
	if _, err := log.Append(t.Context(), logtest.Decision("TB", "after"), uint64(len(held))); err != nil {
		t.Errorf("a scan after the cut: %v", err)
	}
	if err := log.Close(); err != nil {
		t.Error(err)
	}
	log = mustOpen(t, o)
	defer func() { _ = log.Close() }()
	key, err := event.LocalKey("TB")
	if err != nil {
		t.Fatal(err)
	}
	found, err := log.History(t.Context(), event.KindTube, key)
	var ids []string
	for _, rec := range found {
		ids = append(ids, rec.ID)
	}
	if want := append(slices.Clone(held), "after"); err != nil || !slices.Equal(ids, want) {
		t.Errorf("found %q, %v; want %q", ids, err, want)
	}
}

func mustOpen(t *testing.T, o eventlog.Options) eventlog.Log {
	t.Helper()
	log, err := eventlog.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return log
}
