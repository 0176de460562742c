package live_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/snapshot"
	"specimen.example/custody/internal/stability/library"
)

// startKept starts a model that keeps what it was worked out to be in dir.
func (b *bench) startKept(name, dir string) *process {
	return b.startIn(name, dir, live.Keep{}, false)
}

// startAhead is startKept with the snapshot being read before the log is there.
func (b *bench) startAhead(name, dir string) *process {
	return b.startIn(name, dir, live.Keep{}, true)
}

func (b *bench) startIn(name, dir string, keep live.Keep, ahead bool) *process {
	b.t.Helper()
	lists, err := library.Catalogue()
	if err != nil {
		b.t.Fatal(err)
	}
	folder, err := snapshot.Open(dir, []byte("key of the store"))
	if err != nil {
		b.t.Fatal(err)
	}
	clock := func() event.Instant { return event.Instant(b.now.Load()) }
	var log eventlog.Log
	if !ahead {
		log = b.log
	}
	m := live.New(log, clock, live.Lists{Tubes: lists.Tubes, Assays: lists.Assays}, name, slog.New(slog.DiscardHandler))
	keep.Folder, keep.Log, keep.RestAfter = folder, "custody", time.Hour
	m.KeepIn(keep)
	if ahead {
		m.ReadAhead()
		m.Over(b.log)
	}
	ctx, cancel := context.WithCancel(b.t.Context())
	var ended sync.WaitGroup
	ended.Go(func() {
		if err := m.Run(ctx); err != nil {
			b.t.Errorf("the model ended: %v", err)
		}
	})
	p := &process{Model: m, t: b.t, stop: func() { cancel(); ended.Wait() }}
	b.t.Cleanup(p.stop)
	for !m.Ready() {
		time.Sleep(time.Millisecond)
	}
	return p
}

// lives lets n tubes be drawn, carried by a measured box and run; every fifth stays open.
// Without a process nobody judges them.
func (b *bench) lives(n int, at event.Instant, p *process) {
	for i := range n {
		tube, id := fmt.Sprintf("N-%d-%d", at/minute%100_000, i), fmt.Sprint(at, "-", i)
		b.put(event.KindTube, tube, "c-"+id, at, event.Collected{Type: "LIHEP-GEL", Tests: []string{"K", "GLU"}, Draw: local(b.t, "D-"+id), Request: local(b.t, "R-"+id)})
		b.put(event.KindTube, tube, "p-"+id, at+minute, event.Packed{Carrier: local(b.t, "BOX-1")})
		if i%5 != 0 {
			b.put(event.KindTube, tube, "r-"+id, at+20*minute, event.Received{})
			b.put(event.KindTube, tube, "m-"+id, at+30*minute, event.Measured{})
		}
	}
	var ps []*process
	if p != nil {
		ps = append(ps, p)
	}
	for k := range event.Instant(6) {
		b.move(at+5*k*minute, ps...)
		b.reading("L-1", at+5*k*minute, event.CentiC(2000+50*k))
	}
	b.move(at+40*minute, ps...)
	if p != nil {
		b.settle(p)
	}
}

func (p *process) resting() (tubes int) {
	p.World(func(w *custody.World) { _, tubes = w.Resting() })
	return tubes
}

// same compares all that two models say.
func same(t *testing.T, lived, made *process) {
	t.Helper()
	keys := func(p *process) (keys []event.Key) {
		p.World(func(w *custody.World) { keys = w.Keys(event.KindTube) })
		return keys
	}
	if a, b := keys(lived), keys(made); !slices.Equal(a, b) || len(a) < 10 {
		t.Fatalf("tubes: %v and %v", a, b)
	}
	for _, key := range keys(lived) {
		a, _ := lived.View(key)
		b, _ := made.View(key)
		if x, y := withoutPointers(&a), withoutPointers(&b); !reflect.DeepEqual(x, y) {
			t.Fatalf("%s\nlived %+v\n made %+v", key, x, y)
		}
	}
	if !slices.Equal(lived.Flagged(), made.Flagged()) {
		t.Errorf("flags up: %v and %v", lived.Flagged(), made.Flagged())
	}
	if !slices.Equal(lived.Doubted(), made.Doubted()) {
		t.Errorf("doubted: %v and %v", lived.Doubted(), made.Doubted())
	}
}

// What is over leaves memory, a start reads a snapshot and the end of the log, and all that
// is said is what a model says that read the whole log and holds all of it.
func TestAStartFromASnapshotSeesTheSame(t *testing.T) {
	b := newBench(t)
	b.world()
	dir := t.TempDir()
	p := b.startKept("one", dir)
	b.put(event.KindLogger, "L-1", "l-1", eight, event.LoggerDescribed{EveryMs: int64(5 * minute), HoldMs: -1})
	b.put(event.KindLogger, "L-1", "l-2", eight, event.LoggerAttached{ToKind: string(event.KindCarrier), To: local(t, "BOX-1")})
	b.lives(15, eight, p)
	b.lives(10, eight+60*minute, p)
	b.move(eight+200*minute, p)
	b.settle(p)
	for range 400 { // the judge looks at some cases in each turn
		if p.resting() == 20 {
			break
		}
		b.put(event.KindTube, "N-AWAKE", fmt.Sprint("s-", b.end()), eight+200*minute, event.Seen{})
		b.settle(p)
	}
	if n := p.resting(); n != 20 {
		t.Fatalf("%d tubes rest, all but the 5 that stay open should", n)
	}
	rested := p.resting()
	p.stop()

	// A start by itself wakes nobody, whatever loggers there are.
	again := b.startKept("again", dir)
	b.settle(again)
	if n := again.resting(); n != rested {
		t.Errorf("%d tubes rested, and %d after a start", rested, n)
	}
	again.stop()

	// While nobody runs: an undone step of a tube at rest, readings that come late for it, a
	// new tube.
	tube := fmt.Sprintf("N-%d-1", eight/minute%100_000)
	b.put(event.KindTube, tube, "v-1", eight+201*minute, event.Voided{Scan: fmt.Sprint("m-", eight, "-1"), Reason: "wrong-tube"})
	b.reading("L-1", eight+12*minute, 3600, 3700, 3800)
	b.put(event.KindTube, "N-NEW", "n-1", eight+202*minute, event.Collected{Type: "LIHEP-GEL", Tests: []string{"K"}})
	b.move(eight + 210*minute)

	second := b.startAhead("two", dir)
	if second.Began() == (eventlog.Position{}) {
		t.Fatal("the second start read the whole log")
	}
	b.settle(second)
	whole := b.start("whole")
	b.settle(whole)
	same(t, second, whole)
	second.stop()

	// A damaged file is passed over, and so are all of another log.
	for _, start := range []func(*bench, string, string) *process{(*bench).startKept, (*bench).startAhead} {
		damage(t, dir)
		third := start(b, "three", dir)
		if third.Began() != (eventlog.Position{}) {
			t.Fatal("a damaged snapshot was used")
		}
		b.settle(third)
		same(t, third, whole)
		third.stop()
	}
	for _, start := range []func(*bench, string, string) *process{(*bench).startKept, (*bench).startAhead} {
		other := newBench(t)
		other.now.Store(b.now.Load())
		other.world()
		fourth := start(other, "four", dir)
		if fourth.Began() != (eventlog.Position{}) {
			t.Fatal("a snapshot of another log was used")
		}
		fresh := other.start("fresh")
		other.settle(fresh)
		other.settle(fourth)
		if !slices.Equal(fourth.Flagged(), fresh.Flagged()) || fourth.Effort().Tubes != fresh.Effort().Tubes {
			t.Errorf("after a snapshot of another log: %v, want %v", fourth.Effort(), fresh.Effort())
		}
		fresh.stop()
		stopUnsaved(t, fourth, dir)
	}
}

// A snapshot that was read before the log was there counts only once Run has looked
// whether it is of this log.
func TestASnapshotCountsOnceItWasLookedAt(t *testing.T) {
	b := newBench(t)
	b.world()
	dir := t.TempDir()
	p := b.startKept("one", dir)
	b.settle(p)
	p.stop()
	folder, err := snapshot.Open(dir, []byte("key of the store"))
	if err != nil {
		t.Fatal(err)
	}
	m := live.New(nil, func() event.Instant { return event.Instant(b.now.Load()) }, live.Lists{}, "two", slog.New(slog.DiscardHandler))
	m.KeepIn(live.Keep{Folder: folder, Log: "custody", RestAfter: time.Hour})
	m.ReadAhead()
	m.Over(b.log)
	for range 5 { // the snapshot is read in far less
		soon, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		if err := m.WaitFor(soon, eventlog.Position{}); err == nil || m.At() != (eventlog.Position{}) {
			t.Fatalf("it stands at %v before Run", m.At())
		}
		cancel()
	}
	ctx, stop := context.WithCancel(t.Context())
	var ended sync.WaitGroup
	ended.Go(func() {
		if err := m.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	if err := m.WaitFor(t.Context(), eventlog.Position{}); err != nil || m.Began() == (eventlog.Position{}) {
		t.Errorf("it began at %v: %v", m.Began(), err)
	}
	stop()
	ended.Wait()
}

// Whether what is over goes to rest on the way or later, and is judged with all others or
// behind them: a log that nobody ever judged gets the same flags, and the same is at rest.
func TestAStartReadsALongLogLikeAShortOne(t *testing.T) {
	var flagged []event.Key
	for _, keep := range []live.Keep{{}, {MostAwake: 1}, {LateFrom: 1}, {MostAwake: 1, LateFrom: 1}} {
		b := newBench(t)
		b.world()
		b.put(event.KindLogger, "L-1", "l-1", eight, event.LoggerDescribed{EveryMs: int64(5 * minute), HoldMs: -1})
		b.put(event.KindLogger, "L-1", "l-2", eight, event.LoggerAttached{ToKind: string(event.KindCarrier), To: local(t, "BOX-1")})
		b.lives(15, eight, nil)
		b.lives(10, eight+60*minute, nil)
		b.put(event.KindTube, "N-LATE", "late", eight+200*minute, event.Collected{Type: "EDTA", Tests: []string{"K"}})
		b.move(eight + 200*minute)
		p := b.startIn("one", t.TempDir(), keep, false)
		b.settle(p)
		b.move(eight+300*minute, p) // what was flagged just now is quiet again
		for deadline := time.Now().Add(time.Minute); p.Effort().Late > 0 || p.resting() != 20; p.Poke() {
			if time.Now().After(deadline) {
				t.Fatalf("%+v: not all is judged and at rest: %+v", keep, p.Effort())
			}
			time.Sleep(time.Millisecond)
		}
		b.settle(p)
		whole := b.start("whole")
		b.settle(whole)
		same(t, p, whole)
		if flagged == nil {
			flagged = p.Flagged()
		}
		if got := p.Flagged(); !slices.Equal(got, flagged) || len(got) < 5 {
			t.Errorf("%+v: flags up %v, want %v", keep, got, flagged)
		}
		whole.stop()
		p.stop()
	}
}

// stopUnsaved stops a process and takes away what it wrote then.
func stopUnsaved(t *testing.T, p *process, dir string) {
	t.Helper()
	before := snapshots(t, dir)
	kept := map[string][]byte{}
	for _, name := range before {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		kept[name] = data
	}
	p.stop()
	for _, name := range snapshots(t, dir) {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	for name, data := range kept {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func snapshots(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.snapshot"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	return files
}

// damage changes a byte of each snapshot.
func damage(t *testing.T, dir string) {
	t.Helper()
	for _, name := range snapshots(t, dir) {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		data[len(data)*2/3] ^= 1
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
