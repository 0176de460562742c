// Package logtest is the test that every form of the log must pass. It lives
// beside the contract it guards; memlog, the embedded server and a cluster of
// three call it.
package logtest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Patience is how long the test waits for what must come; it is not asserted as
// a speed.
const Patience = 60 * time.Second

// Tape keeps what a follower read. Its methods may be called from any goroutine.
type Tape struct {
	mu      sync.Mutex
	records []event.Record
	runs    []event.Run
	broken  []eventlog.Broken
	at      eventlog.Position
	grown   chan struct{}
}

// NewTape gives an empty tape.
func NewTape() *Tape { return &Tape{grown: make(chan struct{})} }

// Decision implements eventlog.Sink.
func (t *Tape) Decision(rec *event.Record) {
	t.keep(func() { t.records = append(t.records, *rec); t.at.Custody = rec.Seq })
}

// Run implements eventlog.Sink.
func (t *Tape) Run(seq uint64, r *event.Run) {
	t.keep(func() { t.runs = append(t.runs, *r); t.at.Readings = seq })
}

// Broken implements eventlog.Sink.
func (t *Tape) Broken(b eventlog.Broken) {
	t.keep(func() { t.broken = append(t.broken, b); t.at.Custody = max(t.at.Custody, b.Seq) })
}

func (t *Tape) keep(f func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	f()
	close(t.grown)
	t.grown = make(chan struct{})
}

// Wait returns once the tape reached p.
func (t *Tape) Wait(tb testing.TB, p eventlog.Position) {
	tb.Helper()
	deadline := time.After(Patience)
	for {
		t.mu.Lock()
		at, grown := t.at, t.grown
		t.mu.Unlock()
		if at.Reached(p) {
			return
		}
		select {
		case <-grown:
		case <-deadline:
			tb.Fatalf("the follower stands at %+v and should have reached %+v", at, p)
		}
	}
}

// Records are the decisions read so far.
func (t *Tape) Records() []event.Record {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]event.Record(nil), t.records...)
}

// Runs gives the runs of readings so far.
func (t *Tape) Runs() []event.Run {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]event.Run(nil), t.runs...)
}

// Broke are the messages that could not be read.
func (t *Tape) Broke() []eventlog.Broken {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]eventlog.Broken(nil), t.broken...)
}

// Whole reads a log to the end it has now. What can't be read fails the test.
func Whole(tb testing.TB, log eventlog.Log) *Tape {
	tb.Helper()
	end, err := log.End(tb.Context())
	if err != nil {
		tb.Fatal(err)
	}
	tape := NewTape()
	ctx, cancel := context.WithCancel(tb.Context())
	followed := make(chan error, 1)
	go func() { followed <- log.Follow(ctx, eventlog.Position{}, tape) }()
	tape.Wait(tb, end)
	cancel()
	if err := <-followed; err != nil {
		tb.Error(err)
	}
	if broken := tape.Broke(); len(broken) > 0 {
		tb.Errorf("%d messages can't be read, the first: %+v", len(broken), broken[0])
	}
	return tape
}

// Decision makes a decision for tube with the given id.
func Decision(tube, id string) *event.Decision {
	key, err := event.LocalKey(tube)
	if err != nil {
		panic(err) // a mistake in the test itself
	}
	return &event.Decision{
		Envelope: event.Envelope{ID: id, Kind: event.KindTube, Key: key, Occurred: 1_764_000_000_000, Recorded: 1_764_000_000_100, Mode: event.Live},
		Facts:    []event.Fact{event.Seen{}},
	}
}

// Run checks the contract on logs that open makes. Each sub-test gets a new log.
func Run(t *testing.T, open func(t *testing.T) eventlog.Log) {
	t.Run("append, follow and history agree", func(t *testing.T) { agree(t, open(t)) })
	t.Run("an expectation that is not met stores nothing", func(t *testing.T) { expectation(t, open(t)) })
	t.Run("of many writers to one aggregate exactly one wins", func(t *testing.T) { oneWins(t, open(t)) })
	t.Run("many callers, every answer true", func(t *testing.T) { many(t, open(t)) })
	t.Run("one stale writer does not poison others", func(t *testing.T) { stale(t, open(t)) })
	t.Run("readings keep presence", func(t *testing.T) { readings(t, open(t)) })
	t.Run("many runs at once, every sequence true", func(t *testing.T) { manyRuns(t, open(t)) })
	t.Run("runs that nobody waits for any more", func(t *testing.T) { runsGivenUp(t, open(t)) })
	t.Run("follow from a position", func(t *testing.T) { resume(t, open(t)) })
	t.Run("shelves", func(t *testing.T) { shelves(t, open(t)) })
	t.Run("a lease has one holder", func(t *testing.T) { lease(t, open(t)) })
	t.Run("no aggregate, no write", func(t *testing.T) { nonsense(t, open(t)) })
}

func follow(t *testing.T, l eventlog.Log, from eventlog.Position) *Tape {
	t.Helper()
	tape := NewTape()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- l.Follow(ctx, from, tape) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil && !errors.Is(err, eventlog.ErrClosed) {
			t.Errorf("follow ended with %v", err)
		}
	})
	return tape
}

func mustAppend(t *testing.T, l eventlog.Log, d *event.Decision, after uint64) uint64 {
	t.Helper()
	seq, err := l.Append(context.Background(), d, after)
	if err != nil {
		t.Fatalf("append %s/%s after %d: %v", d.Key, d.ID, after, err)
	}
	return seq
}

func end(t *testing.T, l eventlog.Log) eventlog.Position {
	t.Helper()
	p, err := l.End(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func agree(t *testing.T, l eventlog.Log) {
	a := mustAppend(t, l, Decision("TB1", "a"), 0)
	mustAppend(t, l, Decision("TB2", "b"), 0)
	c := mustAppend(t, l, Decision("TB1", "c"), a)
	tape := follow(t, l, eventlog.Position{})
	tape.Wait(t, end(t, l))
	var ids string
	for _, r := range tape.Records() {
		ids += r.ID
	}
	if ids != "abc" {
		t.Fatalf("followed %q, want abc", ids)
	}
	hist, err := l.History(context.Background(), event.KindTube, "L-TB1")
	if err != nil {
		t.Fatal(err)
	}
	if len(hist) != 2 || hist[0].Seq != a || hist[1].Seq != c || hist[1].ID != "c" {
		t.Fatalf("history %+v, want sequences %d and %d", hist, a, c)
	}
	if none, err := l.History(context.Background(), event.KindTube, "L-NONE"); err != nil || len(none) != 0 {
		t.Fatalf("history of nothing: %v, %v", none, err)
	}
}

func expectation(t *testing.T, l eventlog.Log) {
	first := mustAppend(t, l, Decision("TB1", "a"), 0)
	for _, wrong := range []uint64{0, first + 1, first + 1000} {
		if _, err := l.Append(context.Background(), Decision("TB1", "b"), wrong); !errors.Is(err, eventlog.ErrConflict) {
			t.Fatalf("after %d: %v, want a conflict", wrong, err)
		}
	}
	if _, err := l.Append(context.Background(), Decision("NEW", "b"), 7); !errors.Is(err, eventlog.ErrConflict) {
		t.Fatalf("a new aggregate with an expectation: %v, want a conflict", err)
	}
	if p := end(t, l); p.Custody != first {
		t.Fatalf("the log ends at %d, want %d", p.Custody, first)
	}
}

// oneWins is the race of EVT-S3: several desks have read the same state.
func oneWins(t *testing.T, l eventlog.Log) {
	const writers, rounds = 8, 12
	for round := range rounds {
		tube := fmt.Sprintf("RACE%d", round)
		first := mustAppend(t, l, Decision(tube, "first"), 0)
		errs := make([]error, writers)
		var wg sync.WaitGroup
		for w := range writers {
			wg.Go(func() { _, errs[w] = l.Append(context.Background(), Decision(tube, fmt.Sprint("w", w)), first) })
		}
		wg.Wait()
		won := 0
		for _, err := range errs {
			switch {
			case err == nil:
				won++
			case !errors.Is(err, eventlog.ErrConflict):
				t.Fatalf("round %d: %v, want a conflict", round, err)
			}
		}
		hist, err := l.History(context.Background(), event.KindTube, event.Key("L-"+tube))
		if err != nil {
			t.Fatal(err)
		}
		if won != 1 || len(hist) != 2 {
			t.Fatalf("round %d: %d writers were told they won and %d decisions are stored, want 1 and 2", round, won, len(hist))
		}
	}
}

func many(t *testing.T, l eventlog.Log) {
	const callers, each = 48, 12
	got := make([]map[uint64]string, callers)
	var wg sync.WaitGroup
	for c := range callers {
		got[c] = map[uint64]string{}
		wg.Go(func() {
			after := uint64(0)
			for i := range each {
				id := fmt.Sprintf("%d-%d", c, i)
				seq, err := l.Append(context.Background(), Decision(fmt.Sprint("TB", c), id), after)
				if err != nil {
					t.Errorf("%s: %v", id, err)
					return
				}
				after, got[c][seq] = seq, id
			}
		})
	}
	wg.Wait()
	tape := follow(t, l, eventlog.Position{})
	tape.Wait(t, end(t, l))
	records := tape.Records()
	if len(records) != callers*each {
		t.Fatalf("%d decisions in the log, %d were acknowledged", len(records), callers*each)
	}
	for _, r := range records {
		var c int
		if _, err := fmt.Sscanf(r.ID, "%d-", &c); err != nil {
			t.Fatal(err)
		}
		if got[c][r.Seq] != r.ID {
			t.Fatalf("sequence %d holds %s; its writer was told %q", r.Seq, r.ID, got[c][r.Seq])
		}
	}
}

func stale(t *testing.T, l eventlog.Log) {
	seqs := map[string]uint64{}
	const n = 40
	for i := range n {
		tube := fmt.Sprint("TB", i)
		seqs[tube] = mustAppend(t, l, Decision(tube, "first"), 0)
	}
	errs := make([]error, n)
	var wg sync.WaitGroup
	for i := range n {
		tube := fmt.Sprint("TB", i)
		after := seqs[tube]
		if i%10 == 3 {
			after = 0 // has not heard of the first decision
		}
		wg.Go(func() { _, errs[i] = l.Append(context.Background(), Decision(tube, "second"), after) })
	}
	wg.Wait()
	for i, err := range errs {
		if i%10 == 3 {
			if !errors.Is(err, eventlog.ErrConflict) {
				t.Errorf("writer %d was stale and heard %v", i, err)
			}
		} else if err != nil {
			t.Errorf("writer %d was right and heard %v", i, err)
		}
	}
}

func readings(t *testing.T, l eventlog.Log) {
	run := &event.Run{Logger: "L-LG1", ID: "r1", Recorded: 5, Readings: []event.Reading{
		{At: 1000, C: 0, OK: true, Raw: "0.0"}, {At: 2000}, {At: 4000, C: -1050, OK: true},
	}}
	if _, err := l.AppendRun(context.Background(), run); err != nil {
		t.Fatal(err)
	}
	tape := follow(t, l, eventlog.Position{})
	tape.Wait(t, end(t, l))
	if len(tape.runs) != 1 || fmt.Sprint(tape.runs[0]) != fmt.Sprint(*run) {
		t.Fatalf("read %+v, want %+v", tape.runs, *run)
	}
}

// runOf is a run that says which it is.
func runOf(sender, n int) *event.Run {
	return &event.Run{Logger: event.Key(fmt.Sprint("L-LG", sender)), ID: fmt.Sprintf("%d-%d", sender, n), Recorded: 5, Readings: []event.Reading{{At: event.Instant(1000 + n), C: 425, OK: true}}}
}

// manyRuns: several senders, lists longer than one group of the committer.
func manyRuns(t *testing.T, l eventlog.Log) {
	const senders, each = 4, 1300
	got := make([][]uint64, senders)
	var again atomic.Uint64 // sent twice, since nobody answered in time: a cluster on a busy machine
	var wg sync.WaitGroup
	for s := range senders {
		wg.Go(func() {
			list := make([]*event.Run, each)
			for i := range list {
				list[i] = runOf(s, i)
			}
			for _, part := range [][]*event.Run{list[:1], list[1:3], list[3:3], list[3:]} {
				seqs, err := l.AppendRuns(context.Background(), part)
				for tries := 0; errors.Is(err, eventlog.ErrUncertain) && tries < 5; tries++ {
					var more []uint64
					n := slices.Index(seqs, 0)       // those behind it are sent again too
					again.Add(uint64(len(part) - n)) //nolint:gosec // a count
					more, err = l.AppendRuns(context.Background(), part[n:])
					seqs = append(seqs[:n], more...)
				}
				if err != nil || len(seqs) != len(part) {
					t.Errorf("sender %d: %d sequences for %d runs, %v", s, len(seqs), len(part), err)
					return
				}
				got[s] = append(got[s], seqs...)
			}
		})
	}
	wg.Wait()
	if t.Failed() {
		return
	}
	all := end(t, l).Readings
	if all < senders*each || all > senders*each+again.Load() {
		t.Fatalf("the log ends at %d after %d runs, %d of them sent again", all, senders*each, again.Load())
	}
	tape := follow(t, l, eventlog.Position{})
	tape.Wait(t, end(t, l))
	runs := tape.Runs()
	for s, seqs := range got {
		for i, seq := range seqs {
			if want := fmt.Sprintf("%d-%d", s, i); seq == 0 || runs[seq-1].ID != want {
				t.Fatalf("%s was told sequence %d, where %q stands", want, seq, runs[max(seq, 1)-1].ID)
			}
		}
	}
	bad := runOf(0, 0)
	bad.Logger = "L-a.b>"
	if _, err := l.AppendRuns(context.Background(), []*event.Run{runOf(0, 0), bad}); err == nil {
		t.Error("a logger that would change the subject was accepted")
	}
	if p := end(t, l); p.Readings != all {
		t.Errorf("beside a run that can't be stored others were: the log ends at %d", p.Readings)
	}
}

// runsGivenUp: whoever goes away is told what is stored, and nothing comes later.
func runsGivenUp(t *testing.T, l eventlog.Log) {
	const senders, each = 8, 1500
	told, errs := make([][]uint64, senders), make([]error, senders)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var wg sync.WaitGroup
	for s := range senders {
		wg.Go(func() {
			list := make([]*event.Run, each)
			for i := range list {
				list[i] = runOf(s, i)
			}
			told[s], errs[s] = l.AppendRuns(ctx, list)
			cancel() // the first that has its answer takes all others away
		})
	}
	wg.Wait()
	at := end(t, l)
	tape := follow(t, l, eventlog.Position{})
	tape.Wait(t, at)
	runs := tape.Runs()
	stored := 0
	for s, seqs := range told {
		for i, seq := range seqs {
			if seq == 0 {
				if errs[s] == nil {
					t.Fatalf("run %d of sender %d has neither sequence nor error", i, s)
				}
				continue
			}
			if stored++; runs[seq-1].ID != fmt.Sprintf("%d-%d", s, i) {
				t.Fatalf("sequence %d holds %s, and %d-%d was told", seq, runs[seq-1].ID, s, i)
			}
		}
		if errs[s] != nil && !errors.Is(errs[s], eventlog.ErrUncertain) {
			t.Errorf("sender %d heard %v", s, errs[s])
		}
	}
	if uint64(stored) != at.Readings { //nolint:gosec // a count
		t.Errorf("%d were told and the log holds %d", stored, at.Readings)
	}
	if _, err := l.AppendRuns(context.Background(), []*event.Run{runOf(9, 0)}); err != nil {
		t.Fatal(err)
	}
	if now := end(t, l); now.Readings != at.Readings+1 {
		t.Errorf("something came later: %d after %d", now.Readings, at.Readings)
	}
}

func resume(t *testing.T, l eventlog.Log) {
	mustAppend(t, l, Decision("TB1", "a"), 0)
	mid := end(t, l)
	mustAppend(t, l, Decision("TB2", "b"), 0)
	tape := follow(t, l, mid)
	tape.Wait(t, end(t, l))
	mustAppend(t, l, Decision("TB3", "c"), 0) // arrives while following
	tape.Wait(t, end(t, l))
	rs := tape.Records()
	if len(rs) != 2 || rs[0].ID != "b" || rs[1].ID != "c" {
		t.Fatalf("followed %d decisions, want b and c", len(rs))
	}
}

func shelves(t *testing.T, l eventlog.Log) {
	for _, name := range eventlog.Shelves() {
		t.Run(string(name), func(t *testing.T) { shelf(t, l.Shelf(name), name.Erasable()) })
	}
}

func shelf(t *testing.T, s eventlog.Shelf, erasable bool) {
	ctx := context.Background()
	if _, rev, err := s.Get(ctx, "A.one"); !errors.Is(err, eventlog.ErrAbsent) || rev != 0 {
		t.Fatalf("an empty shelf gave revision %d, %v", rev, err)
	}
	one, err := s.Put(ctx, "A.one", []byte("1"), 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Put(ctx, "A.one", []byte("other"), 0); !errors.Is(err, eventlog.ErrConflict) {
		t.Fatalf("two put a first record: %v", err)
	}
	if _, err := s.Put(ctx, "A.two", []byte("2"), 0); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Put(ctx, "AB.three", []byte("3"), 0); err != nil {
		t.Fatal(err)
	}
	two, err := s.Put(ctx, "A.one", []byte("1b"), one)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Put(ctx, "A.one", []byte("late"), one); !errors.Is(err, eventlog.ErrConflict) {
		t.Fatalf("a stale revision was taken: %v", err)
	}
	if data, rev, err := s.Get(ctx, "A.one"); err != nil || string(data) != "1b" || rev != two {
		t.Fatalf("got %q, %d, %v; want 1b, %d", data, rev, err, two)
	}
	for _, bad := range []string{"", "a b", "a.*", "a.>"} {
		if _, err := s.Put(ctx, bad, []byte("x"), 0); err == nil {
			t.Errorf("put under %q", bad)
		}
	}
	following, stop := context.WithCancel(ctx)
	defer stop()
	seen, ready, ended := make(chan string, 100), make(chan struct{}), make(chan error, 1)
	go func() {
		ended <- s.Follow(following, func(it eventlog.Item) { seen <- it.Key + "=" + string(it.Data) }, func() { close(ready) })
	}()
	<-ready
	hear := func(want string) {
		t.Helper()
		for {
			select {
			case got := <-seen:
				if got == want {
					return
				}
			case <-time.After(20 * time.Second):
				t.Fatalf("the follower did not hear of %s", want)
			}
		}
	}
	hear("A.one=1b")
	if err := s.Erase(ctx, "A.two"); erasable != (err == nil) || !erasable && !errors.Is(err, eventlog.ErrKept) {
		t.Fatalf("erase: %v", err)
	}
	want := "A.one=1b AB.three=3"
	if erasable {
		hear("A.two=")
		if err := errors.Join(s.Erase(ctx, "A.two"), s.Erase(ctx, "never.was")); err != nil {
			t.Fatalf("erased again: %v", err)
		}
		_, rev, err := s.Get(ctx, "A.two")
		if !errors.Is(err, eventlog.ErrAbsent) || rev == 0 {
			t.Fatalf("an erased record gave revision %d, %v", rev, err)
		}
		if _, err := s.Put(ctx, "A.two", []byte("anew"), rev); err != nil {
			t.Fatal(err)
		}
		hear("A.two=anew")
		want += " A.two=anew"
	} else {
		want = "A.one=1b A.two=2 AB.three=3"
	}
	var all, under []string
	if err := s.Each(ctx, func(it eventlog.Item) error { all = append(all, it.Key+"="+string(it.Data)); return nil }); err != nil {
		t.Fatal(err)
	}
	slices.Sort(all)
	wants := strings.Fields(want)
	slices.Sort(wants)
	if !slices.Equal(all, wants) {
		t.Errorf("the shelf holds %q, want %q", all, wants)
	}
	newest := map[string]string{} // a shelf that keeps all gives older ones too
	if err := s.Under(ctx, "A", func(it eventlog.Item) error { newest[it.Key] = string(it.Data); return nil }); err != nil {
		t.Fatal(err)
	}
	for key, data := range newest {
		under = append(under, key+"="+data)
	}
	slices.Sort(under)
	wants = slices.DeleteFunc(wants, func(s string) bool { return !strings.HasPrefix(s, "A.") })
	if !slices.Equal(under, wants) {
		t.Errorf("under A stand %q, want %q", under, wants)
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func lease(t *testing.T, l eventlog.Log) {
	ctx := context.Background()
	for range 2 {
		if held, err := l.Lease(ctx, "judge", "one"); err != nil || !held {
			t.Fatalf("one: %v, %v", held, err)
		}
	}
	if err := l.Release(ctx, "judge", "one"); err != nil {
		t.Fatal(err)
	}
	if held, err := l.Lease(ctx, "judge", "one"); err != nil || !held {
		t.Fatalf("one again: %v, %v", held, err)
	}
}

func nonsense(t *testing.T, l eventlog.Log) {
	bad := Decision("TB1", "a")
	bad.Key = "L-a.b>"
	if _, err := l.Append(context.Background(), bad, 0); err == nil {
		t.Fatal("a key that would change the subject was accepted")
	}
	bad = Decision("TB1", "a")
	bad.Kind = "nothing"
	if _, err := l.Append(context.Background(), bad, 0); err == nil {
		t.Fatal("an unknown kind was accepted")
	}
}
