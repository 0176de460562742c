package live_test

import (
	"fmt"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
)

// A reading that says nothing new judges nobody, however many tubes are in the box; one
// that does judges those that it changes. What is flagged is what the judge wants.
func TestAReadingJudgesWhomItChanges(t *testing.T) {
	b := newBench(t)
	p := b.start("a")
	b.world()
	const tubes = 150
	b.put(event.KindLogger, "L-1", "l-1", eight, event.LoggerDescribed{EveryMs: int64(minute), HoldMs: int64(10 * minute), MaxGapMs: int64(10 * minute)})
	b.put(event.KindLogger, "L-1", "l-2", eight, event.LoggerAttached{ToKind: string(event.KindCarrier), To: local(t, "BOX-1")})
	for i := range tubes {
		b.boxed(fmt.Sprintf("T-%d", i), "BOX-1", "K")
	}
	now := eight + 10*minute
	b.move(now, p)
	b.settle(p)
	if got := p.Effort().Watched; got < tubes {
		t.Fatalf("%d tubes are watched, want %d and those of the world", got, tubes)
	}
	read := func(centi event.CentiC) uint64 {
		before := p.Effort().Judgings
		now += minute
		b.move(now, p)
		b.reading("L-1", now, centi)
		b.settle(p)
		return p.Effort().Judgings - before
	}
	read(2000)
	read(2010) // the first line settles what stood before
	for i := range 10 {
		if n := read(event.CentiC(2000 + 10*i)); n > 2 { // the world's own tubes have their own times
			t.Fatalf("reading %d inside the band judged %d tubes", i, n)
		}
	}
	for range 4 {
		read(3500)
	}
	p.wanted(tubes)
	if n := read(3500); n > 2 {
		t.Errorf("after all was said of the heat a further reading judged %d tubes", n)
	}
	p.wanted(tubes)
}

// wanted compares the flags of the log with what the judge wants now.
func (p *process) wanted(tubes int) {
	p.t.Helper()
	for i := range tubes {
		v, ok := p.View(local(p.t, fmt.Sprintf("T-%d", i)))
		if !ok {
			p.t.Fatalf("T-%d is not known", i)
		}
		open := v.Tube.Flag
		if open.Open != v.Flagged || v.Flagged && !flags.Same(open.Flag, v.Flag) {
			p.t.Fatalf("T-%d: the log says %t %+v, the judge wants %t %+v", i, open.Open, open.Flag, v.Flagged, v.Flag)
		}
	}
}
