package ageing

import (
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// What counts is counted here at small sizes; internal/bench counts the same at full
// ones, with times. Fixtures are invented.
const (
	fleetSources  = 20
	fleetCurves   = 36
	fleetAccounts = 5 // by tube
	fleetMinute   = event.Instant(60_000)
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

func newFleet(t *testing.T, tubes int, at ...int64) *fleet {
	t.Helper()
	f := &fleet{now: 1000 * fleetMinute, uses: make([][]Use, fleetSources), rates: make([][]int32, fleetSources), last: make([]event.CentiC, fleetSources)}
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	for k := range int64(fleetCurves) {
		c, err := NewRateCurve([]Step{{Upper: 3 + k, Lower: 2}, {Start: From(200), Upper: 1 + k, Lower: 1 + k}, {Start: Above(800), Upper: 9 + k, Lower: 1}, {Start: From(1500), Upper: 5 + k, Lower: 5 + k}, {Start: Above(2500), Upper: 20 + k, Lower: 1}}, 20+k, 1)
		must(err)
		f.e.AddCurve(c)
	}
	levels, err := f.e.AddLevels(Levels{At: append(at, MaxLevel/2, MaxLevel)})
	must(err)
	for n := range fleetSources {
		logger := f.e.AddSeries(&thermal.Series{EveryMs: int64(fleetMinute), HoldMs: -1})
		_, err := f.e.AddSource(Layer{Series: []int32{logger}})
		must(err)
		f.last[n] = 500
		must(f.e.Read(logger, event.Reading{At: f.now, C: 500, OK: true}))
	}
	for n := range tubes {
		var watches []Watch
		source := n % fleetSources
		for i := range fleetAccounts {
			c := int32((n/fleetSources*fleetAccounts + i) % fleetCurves)
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

// next gives the next reading: each logger in turn, once a minute; every tenth minute
// of each crosses a band's edge.
func (f *fleet) next() (source int, r event.Reading) {
	source = f.turn % fleetSources
	if source == 0 {
		f.now += fleetMinute
	}
	f.turn++
	r = event.Reading{At: f.now, C: 400 + event.CentiC(f.turn%7)*30, OK: true}
	if (f.turn+f.turn/fleetSources*3)%10 == 0 {
		r.C = 850
	}
	return source, r
}

// naive adds the use of one reading to every account of the source.
func (f *fleet) naive(source int, r event.Reading) {
	var rates [fleetCurves]Use
	seg := &f.seg[0]
	*seg = thermal.Segment{From: r.At - fleetMinute, To: r.At, Low0: f.last[source], High0: f.last[source], Low1: r.C, High1: r.C, Evidence: thermal.Measured}
	f.last[source] = r.C
	for k := range rates {
		rates[k] = f.e.curves[k].Over(seg)
	}
	uses := f.uses[source]
	for i, k := range f.rates[source] {
		uses[i] = uses[i].plus(rates[k])
	}
}

// A reading costs one segment for each active clock, whatever the number of tubes, and no
// tube is touched. The naive loop's sums are a check that both count
// the same.
func TestAReadingTouchesNoTube(t *testing.T) {
	for _, tubes := range []int{200, 4000} {
		f := newFleet(t, tubes)
		before := f.e.Counts()
		const readings = 20 * fleetSources
		for range readings {
			source, r := f.next()
			f.naive(source, r)
			if err := f.e.Read(int32(source), r); err != nil {
				t.Fatal(err)
			}
		}
		c := f.e.Counts()
		if got := c.Segments - before.Segments; got != readings*fleetCurves {
			t.Errorf("%d tubes: %d segments evaluated, want one for each of %d active clocks a reading", tubes, got, fleetCurves)
		}
		if got := c.Touched - before.Touched; got != 0 {
			t.Errorf("%d tubes: %d accounts touched, and no level was met", tubes, got)
		}
		for tube := range tubes {
			for n := range fleetAccounts {
				st, err := f.e.State(int32(tube), n)
				if err != nil {
					t.Fatal(err)
				}
				if want := f.uses[tube%fleetSources][tube/fleetSources*fleetAccounts+n]; st.Use != want {
					t.Fatalf("tube %d account %d: %+v, the naive loop has %+v", tube, n, st.Use, want)
				}
			}
		}
	}
}

// accounts gives how many accounts of other tubes than some were announced.
func (f *fleet) others(some map[int32]bool) (n int64) {
	seen := map[[2]int32]bool{}
	for _, a := range f.e.Announced() {
		if k := [2]int32{a.Tube, a.Curve}; !some[a.Tube] && !seen[k] {
			seen[k] = true
			n++
		}
	}
	return n
}

// While tubes move and meet levels, a reading touches the accounts that meet a level and
// those of tubes that came or went since the reading before, and no other; a move touches
// its tube and what meets a level meanwhile. Each account goes out of a queue and into
// one where no level was met yet.
func TestAReadingTouchesWhatMeetsALevelOrIsSettled(t *testing.T) {
	const tubes, moved = 400, 12
	var met, settled, still int64
	f := newFleet(t, tubes, 20_000_000, 30_000_000)
	in := make([]int32, tubes)
	for n := range in {
		in[n] = int32(n % fleetSources)
	}
	for minute := range 40 {
		provisional := make([]map[int32]bool, fleetSources) // tubes by source
		for k := range moved {
			if minute == 0 {
				break // nothing has been read since the tubes came
			}
			id := int32((minute*moved + k) % tubes)
			from, to := in[id], (in[id]+1+int32(k))%fleetSources
			before := f.e.Counts()
			if err := f.e.Move(id, Move{f.now + fleetMinute/2, to}); err != nil {
				t.Fatal(err)
			}
			in[id] = to
			c := f.e.Counts()
			others := f.others(map[int32]bool{id: true})
			met += others
			if got := c.Touched - before.Touched; got != fleetAccounts+others {
				t.Fatalf("a move touched %d accounts; its tube has %d, and %d others met a level", got, fleetAccounts, others)
			}
			if minute < 8 { // the fastest curve meets its first level in the ninth
				still++
				if got := c.Queued - before.Queued; got != 2*fleetAccounts {
					t.Fatalf("a move of a tube with %d accounts took %d queue operations", fleetAccounts, got)
				}
			}
			for _, s := range []int32{from, to} {
				if provisional[s] == nil {
					provisional[s] = map[int32]bool{}
				}
				provisional[s][id] = true
			}
		}
		for range fleetSources {
			source, r := f.next()
			before := f.e.Counts()
			if err := f.e.Read(int32(source), r); err != nil {
				t.Fatal(err)
			}
			c := f.e.Counts()
			others := f.others(provisional[source])
			settles := int64(len(provisional[source]) * fleetAccounts)
			met, settled = met+others, settled+settles
			if got := c.Touched - before.Touched; got != others+settles {
				t.Fatalf("a reading touched %d accounts; %d were to be settled and %d others met a level", got, settles, others)
			}
			if got := c.Segments - before.Segments; got != fleetCurves {
				t.Fatalf("a reading evaluated %d segments for %d active clocks", got, fleetCurves)
			}
		}
	}
	if met == 0 || settled == 0 || still == 0 {
		t.Errorf("%d levels met, %d accounts settled, %d moves before any level: what never happens proves nothing", met, settled, still)
	}
}

// A box goes into another van: a source whose layer changes. The tubes in it lie there
// since before; neither the change nor the readings after it touch one.
func TestABoxThatMovesTouchesNoTube(t *testing.T) {
	for _, tubes := range []int{10, 200} {
		f := newFleet(t, tubes*fleetSources)
		before := f.e.Counts().Touched
		for turn := range int32(10) {
			for range fleetSources {
				source, r := f.next()
				if err := f.e.Read(int32(source), r); err != nil {
					t.Fatal(err)
				}
			}
			for box := range int32(fleetSources) {
				if err := f.e.Change(box, f.now+fleetMinute/2, Layer{Series: []int32{(box + turn + 1) % fleetSources}}); err != nil {
					t.Fatal(err)
				}
			}
		}
		if got := f.e.Counts().Touched - before; got != 0 {
			t.Errorf("%d tubes in a box: %d accounts touched", tubes, got)
		}
	}
}

// A download of 300 readings of the last two hours touches the tubes that came in the
// middle of them, and none where all were there before.
func TestALateBatchTouchesTheAffected(t *testing.T) {
	const inSource = 100
	for _, affected := range []int{0, 10, inSource} {
		f := newFleet(t, inSource*fleetSources)
		for range 125 * fleetSources {
			source, r := f.next()
			if err := f.e.Read(int32(source), r); err != nil {
				t.Fatal(err)
			}
		}
		for n := range affected { // put down again where it is: one stay ends, another begins
			if err := f.e.Move(int32(n*fleetSources), Move{f.now - 60*fleetMinute, 0}); err != nil {
				t.Fatal(err)
			}
		}
		var batch []event.Reading
		for n := range event.Instant(300) {
			batch = append(batch, event.Reading{At: f.now - 120*fleetMinute + 1000 + n*24_000, C: 450, OK: true})
		}
		before := f.e.Counts().Touched
		if err := f.e.Read(0, batch...); err != nil {
			t.Fatal(err)
		}
		if got := f.e.Counts().Touched - before; got != int64(affected*fleetAccounts) {
			t.Errorf("%d accounts touched; %d tubes with %d came meanwhile", got, affected, fleetAccounts)
		}
	}
}

// A reading after a silence whose worst case had met levels touches the accounts whose
// level it withdraws, and no other.
func TestARetractionTouchesWhatItArmsAgain(t *testing.T) {
	f := newFleet(t, 100*fleetSources, 2_000_000)
	f.e.Advance(f.now + 115_000) // held for 60 s, then nothing is known
	fired := f.others(nil)
	var withdrawn int64
	for source := range int32(fleetSources) {
		before := f.e.Counts().Touched
		if err := f.e.Read(source, event.Reading{At: f.now + 2*fleetMinute, C: 500, OK: true}); err != nil {
			t.Fatal(err)
		}
		said := f.e.Announced()
		for _, a := range said {
			if !a.Retraction {
				t.Fatalf("%+v: the reading can only withdraw", a)
			}
		}
		if got := f.e.Counts().Touched - before; got != int64(len(said)) {
			t.Errorf("%d accounts touched, %d levels withdrawn", got, len(said))
		}
		withdrawn += int64(len(said))
	}
	if withdrawn == 0 || withdrawn >= fired {
		t.Errorf("%d of %d levels withdrawn; want some and not all", withdrawn, fired)
	}
}

// A value of a clock is a checkpoint and at most 16 segments, however long the history.
func TestALateMoveLooksAtFewSegments(t *testing.T) {
	for _, hours := range []int{1, 48} {
		f := newFleet(t, 20*fleetSources)
		placed := f.now
		for range hours * 60 * fleetSources {
			source, r := f.next()
			if err := f.e.Read(int32(source), r); err != nil {
				t.Fatal(err)
			}
		}
		for n := range int32(100) {
			at := placed + 1 + event.Instant(n)*(f.now-placed)/100
			before := f.e.Counts()
			if err := f.e.Move(n, Move{at, (n + 1) % fleetSources}); err != nil {
				t.Fatal(err)
			}
			c := f.e.Counts()
			if got := c.Looked - before.Looked; got == 0 || got > 3*fleetAccounts*every {
				t.Fatalf("%d h: a late move looked at %d segments for three values of %d clocks", hours, got, fleetAccounts)
			}
		}
		if got := f.e.Counts().Longest; got > every {
			t.Errorf("%d h: %d segments were added up for one value", hours, got)
		}
	}
}

// Two loggers of one source that read in turn are in order for each other: no
// reading takes the clocks back to a checkpoint.
func TestTwoLoggersInTurnAreInOrder(t *testing.T) {
	f := newFleet(t, fleetSources)
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
		r := event.Reading{At: f.now + (n+1)*fleetMinute/2, C: 500, OK: true}
		if err := f.e.Read(int32(n%2), r); err != nil {
			t.Fatal(err)
		}
		if got := f.e.Counts().Segments - before; n > 3 && got > 4*fleetAccounts {
			t.Fatalf("reading %d: %d segments for %d clocks", n, got, fleetAccounts)
		}
	}
}
