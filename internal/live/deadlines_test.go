package live_test

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability/library"
)

// A wait ends by waiting: with no new fact, at the millisecond it is due. The
// fixture lets serum clot for 30 minutes.
func TestAWaitEndsByItself(t *testing.T) {
	b := newBench(t)
	b.world()
	p := b.start("one")
	b.move(eight+30*minute-1, p)
	b.settle(p)
	if got := p.verdict("T-SERUM", "K"); got != event.Wait {
		t.Errorf("a millisecond before: %s", got)
	}
	b.move(eight+30*minute, p)
	b.settle(p)
	if got := p.verdict("T-SERUM", "K"); got != event.WithinLimits {
		t.Errorf("at its end: %s", got)
	}
}

// Deadlines are not stored: a process that starts works them out again from the
// facts, and one that slept through one finds it passed.
func TestDeadlinesSurviveARestart(t *testing.T) {
	for name, restartAt := range map[string]event.Instant{"before it passes": 10 * minute, "after it passed": 70 * minute} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.world()
			p := b.start("one")
			b.move(eight+5*minute, p)
			b.settle(p)
			p.stop()
			if n := b.facts("T-GLU", "FlagRaised"); n != 0 {
				t.Fatalf("%d flags after five minutes", n)
			}
			b.move(eight + restartAt)
			again := b.start("two")
			b.settle(again)
			b.move(eight+70*minute, again)
			b.settle(again)
			if n := b.facts("T-GLU", "FlagRaised"); n != 1 {
				t.Errorf("%d flags after the limit", n)
			}
		})
	}
}

// Every deadline of many tubes is met in its turn, whatever the order they came in.
func TestEveryDeadlineIsMet(t *testing.T) {
	b := newBench(t)
	b.world()
	p := b.start("one")
	const tubes = 300 // more than the judge takes in one turn
	for i := range event.Instant(tubes) {
		at := eight - (i*7%tubes)*1000 // some seconds apart, out of order
		b.put(event.KindTube, fmt.Sprint("M-", int64(i)), "c", at, event.Collected{Type: "LIHEP-GEL", Tests: []string{"GLU"}})
	}
	b.settle(p)
	for step := range event.Instant(6) {
		now := eight + 55*minute + step*minute
		b.move(now, p)
		b.settle(p)
		want := 0
		for i := range event.Instant(tubes) {
			if now-(eight-(i*7%tubes)*1000) > 60*minute {
				want++
			}
		}
		past := 0
		for i := range tubes {
			if p.verdict(fmt.Sprint("M-", i), "GLU") == event.PastLimit {
				past++
			}
		}
		if past != want {
			t.Errorf("at %s %d tubes are past their limit, want %d", now, past, want)
		}
	}
	if n := len(p.Flagged()); n < tubes {
		t.Errorf("%d of %d flags are up", n, tubes)
	}
}

// The judge's write that met another's is made anew on what came between: a flag is
// neither lost nor raised twice.
func TestAFlagThatMeetsAScanIsRaisedOnce(t *testing.T) {
	b := newBench(t)
	var p *process
	var between atomic.Bool
	b.log.OnAppend = func(d *event.Decision) (bool, error) {
		if d.Principal == "custodyd" && d.Kind == event.KindTube && between.CompareAndSwap(false, true) {
			b.put(event.KindTube, "T-GLU", "s-between", eight+61*minute, event.Seen{})
		}
		return true, nil
	}
	b.world()
	p = b.start("one")
	b.settle(p)
	between.Store(false)
	b.move(eight+61*minute, p)
	b.settle(p)
	if !between.Load() {
		t.Fatal("nothing came between")
	}
	if n := b.facts("T-GLU", "FlagRaised"); n != 1 {
		t.Errorf("%d flags were raised", n)
	}
	if seen := b.facts("T-GLU", "Seen"); seen == 0 {
		t.Error("the scan between is lost")
	}
}

// A clock that is put back, as a machine's can be, doesn't make the judge say the
// same thing without end: it says once what is true now.
func TestAClockThatIsPutBackEndsInPeace(t *testing.T) {
	b := newBench(t)
	b.world()
	p := b.start("one")
	b.move(eight+90*minute, p)
	b.settle(p)
	if n := b.facts("T-GLU", "FlagRaised"); n != 1 {
		t.Fatalf("%d flags at the later hour", n)
	}
	b.move(eight+10*minute, p)
	b.put(event.KindTube, "T-GLU", "s-1", eight+10*minute, event.Seen{}) // makes the judge look again
	for range 20 {
		p.Poke()
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		_ = p.Settled(ctx, eventlog.Position{Custody: b.end()}) // whether it rests is counted below
		cancel()
	}
	if n := b.facts("T-GLU", "FlagCleared"); n != 1 {
		t.Errorf("the flag was cleared %d times", n)
	}
	b.move(eight+90*minute, p)
	b.settle(p)
	if n := b.facts("T-GLU", "FlagRaised"); n != 2 {
		t.Errorf("%d flags when the hour came again", n)
	}
}

// A process that is still reading the log appends nothing: it knows half of the
// facts. Here the readings, which come last, say that all was well.
func TestNothingIsAppendedBeforeTheLogIsRead(t *testing.T) {
	b := newBench(t)
	b.world()
	hold := heldReading{Log: b.log, release: make(chan struct{})}
	b.read = hold
	b.now.Store(int64(eight + 61*minute))
	lists, err := library.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	m := live.New(hold, func() event.Instant { return event.Instant(b.now.Load()) }, live.Lists{Tubes: lists.Tubes, Assays: lists.Assays}, "one", slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	var ended sync.WaitGroup
	ended.Go(func() { _ = m.Run(ctx) }) // ends with ctx
	defer func() { cancel(); ended.Wait() }()
	p := &process{Model: m, t: t}
	end := b.end()
	if err := m.WaitFor(t.Context(), eventlog.Position{Custody: end}); err != nil {
		t.Fatal(err)
	}
	if b.end() != end || m.Leading() || m.Ready() {
		t.Errorf("%d messages were appended before the readings were read; leading %v", b.end()-end, m.Leading())
	}
	close(hold.release)
	if err := m.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.settle(p)
	if n := b.facts("T-GLU", "FlagRaised"); n != 1 || !m.Leading() {
		t.Errorf("%d flags once it was read; leading %v", n, m.Leading())
	}
}

// heldReading is a log whose readings come late.
type heldReading struct {
	*memlog.Log
	release chan struct{}
}

func (l heldReading) End(ctx context.Context) (eventlog.Position, error) {
	end, err := l.Log.End(ctx)
	end.Readings++
	return end, err
}

func (l heldReading) Follow(ctx context.Context, from eventlog.Position, sink eventlog.Sink) error {
	late := &lateSink{Sink: sink}
	go func() {
		select {
		case <-l.release:
			late.mu.Lock()
			defer late.mu.Unlock()
			sink.Run(1, &event.Run{Logger: "L-LG-1", Readings: []event.Reading{{At: eight, C: 2100, OK: true}}})
		case <-ctx.Done():
		}
	}()
	return l.Log.Follow(ctx, from, late)
}

// lateSink keeps the two streams' calls apart.
type lateSink struct {
	mu sync.Mutex
	eventlog.Sink
}

func (s *lateSink) Decision(rec *event.Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.Sink.Decision(rec)
}

// What can't be appended is tried again; it is not forgotten.
func TestAFlagThatCouldNotBeSavedComesLater(t *testing.T) {
	b := newBench(t)
	var refuse atomic.Int32
	b.log.OnAppend = func(d *event.Decision) (bool, error) {
		if d.Principal == "custodyd" && refuse.Add(-1) >= 0 {
			return false, eventlog.ErrFull
		}
		return true, nil
	}
	b.world()
	p := b.start("one")
	b.settle(p)
	refuse.Store(1)
	b.move(eight+61*minute, p)
	b.settle(p)
	if n := b.facts("T-GLU", "FlagRaised"); n != 1 || refuse.Load() >= 0 {
		t.Errorf("%d flags were raised; refused so often: %d", n, 1-refuse.Load())
	}
}

// A watcher hears every decision once and in order; one that does not keep up is
// told by the end of its channel and holds nobody up.
func TestWatchers(t *testing.T) {
	b := newBench(t)
	p := b.start("one")
	w, slow := p.Watch(), p.Watch()
	defer w.Stop()
	const many = 5000 // more than a watcher's room
	var heard []uint64
	var done sync.WaitGroup
	done.Go(func() {
		for c := range w.C {
			if heard = append(heard, c.Seq); c.Seq == many {
				return
			}
		}
	})
	for i := range many {
		d := event.Decision{Envelope: event.Envelope{ID: "s", Kind: event.KindPerson, Key: event.Key(fmt.Sprint("L-P", i)), Occurred: eight, Recorded: eight, Mode: event.Live},
			Facts: []event.Fact{event.PersonDescribed{Role: "courier"}}}
		if _, err := b.log.Append(t.Context(), &d, 0); err != nil {
			t.Fatal(err)
		}
		if i%100 == 0 {
			b.settle(p) // the reader keeps up
		}
	}
	b.settle(p)
	done.Wait()
	for i, seq := range heard {
		if seq != uint64(i+1) { //nolint:gosec // small
			t.Fatalf("message %d was heard as %d", i+1, seq)
		}
	}
	n := 0
	for range slow.C {
		n++
	}
	if n == 0 || n >= many {
		t.Errorf("the slow watcher heard %d before it was dropped", n)
	}
	slow.Stop() // a second end is harmless
}
