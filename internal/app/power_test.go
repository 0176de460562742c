package app_test

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/forgetfs"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

const (
	powerCallers = 24 // more than the singles that beDaemon allows: most scans go in groups
	powerFlush   = 2 * time.Millisecond
	// smallBlocks is the limit of a stream up to which the server cuts it into files of
	// 32 kB (FileStoreMinBlkSize of its source): each cut then falls among many files.
	smallBlocks = 100_000
)

// life is what happens to one data directory: cuts in a row, each on what the last
// one left.
type life struct {
	style forgetfs.Style
	small bool // begins on an empty log in small blocks; else on nothing, the first cut while it is set up
	cuts  int
}

// lives gives 50 cuts in the long test, 10 in each style, and 3 in the short one.
func lives(long bool) []life {
	if !long {
		return []life{{forgetfs.Torn, false, 1}, {forgetfs.Drop, true, 1}, {forgetfs.Scattered, true, 1}}
	}
	var all []life
	for _, style := range forgetfs.Styles() {
		all = append(all, life{style, false, 5})
		for range 5 {
			all = append(all, life{style, true, 1})
		}
	}
	return all
}

// tally is what came of the cuts in one style.
type tally struct {
	cuts, acked, missing, doubled int
	failed                        []string
	disk                          forgetfs.Counts
}

// Every acknowledged scan survives a power cut, once, on a disk that keeps what was
// flushed and as much of the rest as it likes. The filesystem is a journalling one, as
// ext4 and XFS are; POWER_RULES=posix takes the least that POSIX promises instead.
func TestSoakAcknowledgedScansSurvivePowerCuts(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano()) //nolint:gosec // a seed
	if text := os.Getenv("POWER_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatalf("POWER_SEED: %v", err)
		}
	}
	rules := forgetfs.Journal
	if os.Getenv("POWER_RULES") == forgetfs.POSIX.String() {
		rules = forgetfs.POSIX
	}
	t.Logf("seed %d, %s rules; run it again with POWER_SEED=%d", seed, rules, seed)
	random := rand.New(rand.NewPCG(seed, 0)) //nolint:gosec // moments, not secrets
	small := emptyInSmallBlocks(t)
	tallies := map[forgetfs.Style]*tally{}
	for _, style := range forgetfs.Styles() {
		tallies[style] = &tally{}
	}
	for i, l := range lives(os.Getenv("SOAK") != "") {
		t.Run(fmt.Sprintf("%s-%d", l.style, i), func(t *testing.T) {
			img := forgetfs.Image{}
			if l.small {
				img = small
			}
			l.live(t, rules, img, random, tallies[l.style])
		})
	}
	for _, style := range forgetfs.Styles() {
		if s := tallies[style]; s.cuts > 0 {
			t.Logf("%-9s %d cuts: %d scans acknowledged, %d missing, %d doubled, %d starts refused %q; %d writes, %d flushes",
				style, s.cuts, s.acked, s.missing, s.doubled, len(s.failed), s.failed, s.disk.Writes, s.disk.Flushes+s.disk.DirFlushes)
		}
	}
}

// emptyInSmallBlocks is a data directory after its first start. The next start raises
// the limit of the streams and keeps their small blocks.
func emptyInSmallBlocks(t *testing.T) forgetfs.Image {
	t.Helper()
	dir := t.TempDir()
	if _, err := app.Secret(dir, ""); err != nil {
		t.Fatal(err)
	}
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", MaxBytes: smallBlocks, BreakEven: 3})
	if err != nil {
		t.Fatal(err)
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

func (l life) live(t *testing.T, rules forgetfs.Rules, img forgetfs.Image, random *rand.Rand, s *tally) {
	load := newKillLoad()
	ctx, cancel := context.WithCancel(t.Context())
	var callers sync.WaitGroup
	defer callers.Wait()
	defer cancel()
	defer func() {
		if t.Failed() {
			t.Logf("what the last cut left is kept in %s", keep(t, img))
		}
	}()
	for i := range powerCallers {
		callers.Go(func() { load.call(ctx, i) })
	}
	for n := range l.cuts {
		disk := forgetfs.NewDisk(forgetfs.Options{Rules: rules, FlushTime: powerFlush}, img)
		dir := t.TempDir()
		unmount, err := disk.Mount(dir)
		if err != nil {
			t.Fatal(err)
		}
		cut := func() forgetfs.Image { return disk.Cut(l.style, random) }
		if n == 0 && !l.small {
			img = cutInTheStart(t, dir, time.Duration(random.IntN(600))*time.Millisecond, cut, disk.Abandon)
		} else {
			d := startDaemon(t, dir)
			load.serve(d.conn)
			before := load.acks.Load()
			time.Sleep(time.Duration(50+random.IntN(1500)) * time.Millisecond)
			for deadline := time.Now().Add(patience); load.acks.Load() == before && time.Now().Before(deadline) && load.err() == nil; {
				time.Sleep(time.Millisecond) // a cut before the first answer proves nothing
			}
			img = cut()
			// The process waits on the disk: it dies when the disk lets it go, and runs no further.
			_ = d.cmd.Process.Kill()
			disk.Abandon()
			d.kill(t)
		}
		if err := unmount(); err != nil {
			t.Fatal(err)
		}
		if err := load.err(); err != nil {
			t.Fatal(err)
		}
		counts := disk.Counts()
		s.cuts++
		s.disk.Writes, s.disk.Flushes, s.disk.DirFlushes = s.disk.Writes+counts.Writes, s.disk.Flushes+counts.Flushes, s.disk.DirFlushes+counts.DirFlushes
		if n == l.cuts-1 {
			cancel()
			callers.Wait()
		}
		acked := load.answered()
		if n == l.cuts-1 {
			for _, ids := range acked {
				s.acked += len(ids)
			}
		}
		if len(acked) > 0 && !bytes.Equal(img["index.key"].Data, disk.Now()["index.key"].Data) {
			t.Errorf("cut %d: the key that patients are indexed by is gone", n)
		}
		if !audit(t, img, acked, s) {
			t.Fatalf("cut %d: what the cut left is not what was acknowledged", n)
		}
	}
}

// cutInTheStart cuts the power while a daemon starts, or just after.
func cutInTheStart(t *testing.T, dir string, after time.Duration, cut func() forgetfs.Image, abandon func()) forgetfs.Image {
	t.Helper()
	cmd := daemonOn(dir)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after)
	img := cut()
	_ = cmd.Process.Kill()
	abandon()
	_ = cmd.Wait() // "signal: killed"
	return img
}

func daemonOn(dir string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], "-test.run=^TestSoakAcknowledgedScansSurviveKills$", "-test.count=1") //nolint:gosec // this binary
	cmd.Env = append(os.Environ(), killDir+"="+dir)
	return cmd
}

// answered gives the scans that were acknowledged so far, by tube.
func (l *killLoad) answered() map[string][]string {
	l.mu.Lock()
	defer l.mu.Unlock()
	acked := maps.Clone(l.acked)
	for tube, ids := range acked {
		acked[tube] = slices.Clone(ids)
	}
	return acked
}

// audit opens what a cut left with a fresh process and looks for every acknowledged
// scan, on its tube's timeline and in the log.
func audit(t *testing.T, img forgetfs.Image, acked map[string][]string, s *tally) bool {
	t.Helper()
	dir := t.TempDir()
	if err := img.Write(dir); err != nil {
		t.Fatal(err)
	}
	if why := refuses(t, dir); why != "" {
		s.failed = append(s.failed, why)
		for _, ids := range acked {
			s.missing += len(ids)
		}
		t.Errorf("the daemon does not start on what the cut left: %s", why)
		return false
	}
	d := startDaemon(t, dir)
	tubes := custodyv1.NewTubesClient(d.conn)
	shown := map[string]int{}
	for tube := range acked {
		got, err := tubes.GetTube(t.Context(), &custodyv1.GetTubeRequest{Id: tube})
		if err != nil {
			t.Errorf("tube %s: %v", tube, err)
			continue
		}
		for _, step := range got.GetTimeline() {
			shown[step.GetId()]++
		}
	}
	d.kill(t)
	stored := timesInLog(t, dir)
	missing, doubled := 0, 0
	for _, times := range stored {
		if times > 1 {
			doubled++
		}
	}
	for tube, ids := range acked {
		for _, id := range ids {
			if stored[id] == 0 {
				missing++
			}
			if stored[id] != 1 || shown[id] != 1 {
				t.Errorf("the acknowledged scan %s stands %d times in the log and %d times on the timeline of %s", id, stored[id], shown[id], tube)
			}
		}
	}
	s.missing += missing
	s.doubled += doubled
	if doubled > 0 {
		t.Errorf("%d scans stand in the log more than once", doubled)
	}
	return !t.Failed()
}

// refuses gives the reason for which the log can't be opened, or "". It works on a
// copy: opening writes.
func refuses(t *testing.T, dir string) string {
	t.Helper()
	copied := t.TempDir()
	img, err := forgetfs.ReadImage(dir)
	if err == nil {
		err = img.Write(copied)
	}
	if err != nil {
		t.Fatal(err)
	}
	if _, err := app.Secret(copied, ""); err != nil {
		return err.Error()
	}
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: copied, Volume: "2026", BreakEven: 3})
	if err != nil {
		return err.Error()
	}
	_ = log.Close()
	return ""
}

// timesInLog reads the log to its end and counts how often each scan stands there.
func timesInLog(t *testing.T, dir string) map[string]int {
	t.Helper()
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	times := map[string]int{}
	for _, rec := range readAll(t, log) {
		times[rec.ID]++
	}
	return times
}

// keep writes an image where it outlives the test.
func keep(t *testing.T, img forgetfs.Image) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "power-"+strings.ReplaceAll(t.Name(), "/", "-")+"-")
	if err == nil {
		err = img.Write(dir)
	}
	if err != nil {
		t.Fatal(err)
	}
	return dir
}
