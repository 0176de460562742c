package ageing

import (
	"fmt"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

const (
	benchSources  = 100
	benchCurves   = 36
	benchAccounts = 5 // by tube
	benchMinute   = event.Instant(60_000)
)

// fleet is an engine with tubes spread over sources, in each of which every curve
// is active; beside it the naive loop's use of every account, by source.
type fleet struct {
	e     Engine
	now   event.Instant
	turn  int
	uses  [][]Use   // by source and account
	rates [][]int32 // curve of each
	last  []event.CentiC
	seg   [1]thermal.Segment
}

func newFleet(tb testing.TB, tubes int) *fleet {
	tb.Helper()
	f := &fleet{now: 1000 * benchMinute, uses: make([][]Use, benchSources), rates: make([][]int32, benchSources), last: make([]event.CentiC, benchSources)}
	must := func(err error) {
		if err != nil {
			tb.Fatal(err)
		}
	}
	for k := range int64(benchCurves) {
		c, err := NewRateCurve([]Step{{Upper: 3 + k, Lower: 2}, {Start: From(200), Upper: 1 + k, Lower: 1 + k}, {Start: Above(800), Upper: 9 + k, Lower: 1}, {Start: From(1500), Upper: 5 + k, Lower: 5 + k}, {Start: Above(2500), Upper: 20 + k, Lower: 1}}, 20+k, 1)
		must(err)
		f.e.AddCurve(c)
	}
	levels, err := f.e.AddLevels(Levels{At: []int64{MaxLevel / 2, MaxLevel}})
	must(err)
	for n := range benchSources {
		logger := f.e.AddSeries(&thermal.Series{EveryMs: int64(benchMinute), HoldMs: -1})
		_, err := f.e.AddSource(Layer{Series: []int32{logger}})
		must(err)
		f.last[n] = 500
		must(f.e.Read(logger, event.Reading{At: f.now, C: 500, OK: true}))
	}
	for n := range tubes {
		var watches []Watch
		source := n % benchSources
		for i := range benchAccounts {
			c := int32((n/benchSources*benchAccounts + i) % benchCurves)
			watches = append(watches, Watch{c, levels})
			f.rates[source] = append(f.rates[source], c)
		}
		id, err := f.e.AddTube(watches...)
		must(err)
		must(f.e.Move(id, Move{f.now, int32(source)}))
	}
	for n := range f.uses {
		f.uses[n] = make([]Use, len(f.rates[n]))
	}
	return f
}

// next gives the next reading: each logger in turn, once a minute; every tenth of
// them crosses a band's edge.
func (f *fleet) next() (source int, r event.Reading) {
	source = f.turn % benchSources
	if source == 0 {
		f.now += benchMinute
	}
	f.turn++
	r = event.Reading{At: f.now, C: 400 + event.CentiC(f.turn%7)*30, OK: true}
	if f.turn%10 == 0 {
		r.C = 850
	}
	return source, r
}

// naive adds the use of one reading to every account of the source.
func (f *fleet) naive(source int, r event.Reading) {
	var rates [benchCurves]Use
	seg := &f.seg[0]
	*seg = thermal.Segment{From: r.At - benchMinute, To: r.At, Low0: f.last[source], High0: f.last[source], Low1: r.C, High1: r.C, Evidence: thermal.Measured}
	f.last[source] = r.C
	for k := range rates {
		rates[k] = f.e.curves[k].over(seg)
	}
	uses := f.uses[source]
	for i, k := range f.rates[source] {
		uses[i] = uses[i].plus(rates[k])
	}
}

var benchTubes = []int{10_000, 100_000}

// A reading costs the active curves of its source; the naive loop stands beside it.
func BenchmarkReadingAppend(b *testing.B) {
	for _, tubes := range benchTubes {
		b.Run(fmt.Sprintf("tubes=%d/clocks", tubes), func(b *testing.B) {
			f := newFleet(b, tubes)
			before := f.e.Counts()
			b.ReportAllocs()
			for b.Loop() {
				source, r := f.next()
				if err := f.e.Read(int32(source), r); err != nil {
					b.Fatal(err)
				}
			}
			c := f.e.Counts()
			n := int64(b.N)
			if c.Segments-before.Segments != n*benchCurves || c.Touched != before.Touched {
				b.Fatalf("%d readings: %d segments and %d accounts touched", n, c.Segments-before.Segments, c.Touched-before.Touched)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n*benchCurves), "ns/clock")
		})
		b.Run(fmt.Sprintf("tubes=%d/naive", tubes), func(b *testing.B) {
			f := newFleet(b, tubes)
			for b.Loop() {
				f.naive(f.next())
			}
		})
	}
}

// A tube goes to another source and back; settling at the next reading included.
func BenchmarkMoveTube(b *testing.B) {
	for _, tubes := range benchTubes {
		b.Run(fmt.Sprintf("tubes=%d", tubes), func(b *testing.B) {
			f := newFleet(b, tubes)
			tube := int32(0)
			for b.Loop() {
				source, r := f.next()
				if err := f.e.Read(int32(source), r); err != nil {
					b.Fatal(err)
				}
				tube = (tube + 7919) % int32(tubes)
				if err := f.e.Move(tube, Move{f.now, int32(f.turn*31) % benchSources}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A download of 300 readings of the last two hours, into a source with a thousand
// tubes, some of which came in the middle of them. Only those are touched.
func BenchmarkLateBatch(b *testing.B) {
	for _, affected := range []int{0, 10, 100, 1000} {
		b.Run(fmt.Sprintf("affected=%d", affected), func(b *testing.B) {
			f := newFleet(b, 100_000)
			for range 125 * benchSources {
				source, r := f.next()
				if err := f.e.Read(int32(source), r); err != nil {
					b.Fatal(err)
				}
			}
			for n := range affected {
				if err := f.e.Move(int32(n*benchSources), Move{f.now - 60*benchMinute, 0}); err != nil {
					b.Fatal(err)
				}
			}
			var batch []event.Reading
			for n := range event.Instant(300) {
				batch = append(batch, event.Reading{At: f.now - 120*benchMinute + n*24_000, C: 450, OK: true})
			}
			before := f.e.Counts().Touched
			for b.Loop() {
				if err := f.e.Read(0, batch...); err != nil {
					b.Fatal(err)
				}
			}
			if got := f.e.Counts().Touched - before; got != int64(b.N*affected*benchAccounts) {
				b.Fatalf("%d accounts touched in %d batches with %d tubes that came meanwhile", got, b.N, affected)
			}
		})
	}
}

// A box goes into another van; the tubes in it lie there since before.
func BenchmarkMoveBox(b *testing.B) {
	for _, tubes := range []int{1, 10, 50, 500} {
		b.Run(fmt.Sprintf("tubes=%d", tubes), func(b *testing.B) {
			f := newFleet(b, tubes*benchSources)
			before := f.e.Counts().Touched
			for b.Loop() {
				f.now += benchMinute
				f.turn++
				if err := f.e.Change(0, f.now, Layer{Series: []int32{int32(f.turn) % benchSources}}); err != nil {
					b.Fatal(err)
				}
			}
			if got := f.e.Counts().Touched - before; got != 0 {
				b.Fatalf("%d accounts touched", got)
			}
		})
	}
}

// The counters of the benchmark at two sizes, and the naive loop's sums as a check
// that both count the same.
func TestAReadingTouchesNoTube(t *testing.T) {
	for _, tubes := range []int{1000, 8000} {
		f := newFleet(t, tubes)
		before := f.e.Counts()
		const readings = 20 * benchSources
		for range readings {
			source, r := f.next()
			f.naive(source, r)
			if err := f.e.Read(int32(source), r); err != nil {
				t.Fatal(err)
			}
		}
		c := f.e.Counts()
		if got := c.Segments - before.Segments; got != readings*benchCurves {
			t.Errorf("%d tubes: %d segments evaluated, want one for each of %d active clocks a reading", tubes, got, benchCurves)
		}
		if got := c.Touched - before.Touched; got != 0 {
			t.Errorf("%d tubes: %d accounts touched, and no level was met", tubes, got)
		}
		for tube := range tubes {
			for n := range benchAccounts {
				st, err := f.e.State(int32(tube), n)
				if err != nil {
					t.Fatal(err)
				}
				if want := f.uses[tube%benchSources][tube/benchSources*benchAccounts+n]; st.Use != want {
					t.Fatalf("tube %d account %d: %+v, the naive loop has %+v", tube, n, st.Use, want)
				}
			}
		}
	}
}

// Two loggers of one source that read in turn are in order for each other: no
// reading takes the clocks back to a checkpoint.
func TestTwoLoggersInTurnAreInOrder(t *testing.T) {
	f := newFleet(t, benchSources)
	own, room := int32(0), int32(1)
	source, err := f.e.AddSource(Layer{Series: []int32{own, room}})
	if err != nil {
		t.Fatal(err)
	}
	if err := f.e.Drop(1); err != nil { // no clock runs where the second logger is at home
		t.Fatal(err)
	}
	f.e.Advance(f.now + 1)
	if err := f.e.Move(0, Move{f.now + 1, source}); err != nil {
		t.Fatal(err)
	}
	f.e.Advance(f.now + 2)
	for n := range event.Instant(100) {
		before := f.e.Counts().Segments
		r := event.Reading{At: f.now + (n+1)*benchMinute/2, C: 500, OK: true}
		if err := f.e.Read(int32(n%2), r); err != nil {
			t.Fatal(err)
		}
		if got := f.e.Counts().Segments - before; n > 3 && got > 4*benchAccounts {
			t.Fatalf("reading %d: %d segments for %d clocks", n, got, benchAccounts)
		}
	}
}
