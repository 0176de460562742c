package live_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"reflect"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
)

// eight is when the blood of these tests is drawn; the clock starts there.
var eight = event.At(time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC))

const minute = event.Instant(60_000)

// bench is a log with the clock that every model on it reads.
type bench struct {
	t   *testing.T
	log *memlog.Log
	now atomic.Int64
	// read is the log as models see it; nil for log itself.
	read eventlog.Log
}

func newBench(t *testing.T) *bench {
	b := &bench{t: t, log: memlog.New()}
	b.now.Store(int64(eight))
	return b
}

// process is one model with the way to end it.
type process struct {
	*live.Model
	t    *testing.T
	stop func()
}

func (b *bench) start(name string) *process {
	b.t.Helper()
	lists, err := library.Catalogue()
	if err != nil {
		b.t.Fatal(err)
	}
	clock := func() event.Instant { return event.Instant(b.now.Load()) }
	var log eventlog.Log = b.log
	if b.read != nil {
		log = b.read
	}
	m := live.New(log, clock, live.Lists{Tubes: lists.Tubes, Assays: lists.Assays}, name, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(b.t.Context())
	var ended sync.WaitGroup
	ended.Go(func() { _ = m.Run(ctx) }) // ends with ctx
	p := &process{Model: m, t: b.t, stop: func() { cancel(); ended.Wait() }}
	b.t.Cleanup(p.stop)
	if err := m.CatchUp(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
	return p
}

// settle waits until p has read and judged all that is in the log, with what came
// of that.
func (b *bench) settle(p *process) {
	b.t.Helper()
	for {
		end, err := b.log.End(b.t.Context())
		if err == nil {
			err = p.Settled(b.t.Context(), end)
		}
		if err != nil {
			b.t.Fatal(err)
		}
		if after, _ := b.log.End(b.t.Context()); after == end {
			return
		}
	}
}

func (b *bench) move(to event.Instant, ps ...*process) {
	b.now.Store(int64(to))
	for _, p := range ps {
		p.Poke()
	}
}

// put appends a decision as intake would.
func (b *bench) put(kind event.Kind, label, id string, at event.Instant, facts ...event.Fact) {
	b.t.Helper()
	key, err := event.LocalKey(label)
	if err != nil {
		b.t.Fatal(err)
	}
	for {
		var after uint64
		history, err := b.log.History(b.t.Context(), kind, key)
		if err != nil {
			b.t.Fatal(err)
		}
		if n := len(history); n > 0 {
			after = history[n-1].Seq
		}
		d := event.Decision{Envelope: event.Envelope{
			ID: id, Kind: kind, Key: key, Occurred: at, DeviceTime: at, Recorded: at, Mode: event.Live, Actor: "mira", Place: "WARD-N", Device: "H-09",
		}, Facts: facts}
		if _, err := b.log.Append(b.t.Context(), &d, after); err == nil {
			return
		} // the judge came between
	}
}

// world gives the log the fixture's rules, a ward whose temperature is assumed,
// and one tube of each kind that these tests need.
func (b *bench) world() {
	b.t.Helper()
	data, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		b.t.Fatal(err)
	}
	set, err := stability.Parse("fixture", data)
	if err != nil {
		b.t.Fatal(err)
	}
	b.put(event.KindRules, set.Hash[:32], "rules-1", eight-60*minute, event.RulesAdopted{Hash: set.Hash, Bytes: data, InForce: eight - 60*minute, Name: set.Name, Version: 1})
	b.put(event.KindPlace, "WARD-N", "place-1", eight-60*minute, event.PlaceDescribed{
		PlaceKind: "ward", Assumed: event.Range{Low: 2000, High: 2400, Known: true}, Zone: "Europe/Berlin",
	})
	b.put(event.KindTube, "T-GLU", "c-1", eight, event.Collected{Type: "LIHEP-GEL", Tests: []string{"K", "GLU"}})
	b.put(event.KindTube, "T-SERUM", "c-2", eight, event.Collected{Type: "SERUM", Tests: []string{"K"}})
	b.put(event.KindTube, "T-PLAIN", "c-3", eight, event.Collected{Type: "LIHEP-GEL"})
}

func (b *bench) end() uint64 {
	b.t.Helper()
	end, err := b.log.End(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	return end.Custody
}

func (b *bench) facts(label, fact string) int {
	b.t.Helper()
	key, err := event.LocalKey(label)
	if err != nil {
		b.t.Fatal(err)
	}
	history, err := b.log.History(b.t.Context(), event.KindTube, key)
	if err != nil {
		b.t.Fatal(err)
	}
	n := 0
	for _, rec := range history {
		for _, f := range rec.Facts {
			if f.FactName() == fact {
				n++
			}
		}
	}
	return n
}

func (p *process) verdict(label, assay string) event.Verdict {
	p.t.Helper()
	key, _ := event.LocalKey(label)
	v, ok := p.View(key)
	if !ok {
		p.t.Fatalf("no tube %s", label)
	}
	for i := range v.Tests {
		if v.Tests[i].Assay == assay {
			return v.Tests[i].Verdict
		}
	}
	p.t.Fatalf("%s has no test %s", label, assay)
	return ""
}

// What the judge said is in the log; judging again, for whatever reason, adds
// nothing. The fixture's limit for glucose is 60 minutes.
func TestJudgingAgainAppendsNothing(t *testing.T) {
	b := newBench(t)
	b.world()
	p := b.start("one")
	b.settle(p)
	b.move(eight+61*minute, p)
	b.settle(p)
	if n := b.facts("T-GLU", "FlagRaised"); n != 1 {
		t.Fatalf("%d flags were raised", n)
	}
	end := b.end()
	for range 3 {
		p.Poke()
		b.settle(p)
	}
	b.move(eight+62*minute, p)
	b.settle(p)
	p.stop()
	again := b.start("two")
	b.settle(again)
	if !again.Leading() {
		t.Error("the process that started anew doesn't lead")
	}
	if got := b.end(); got != end {
		t.Errorf("the log grew from %d to %d messages though nothing happened", end, got)
	}
}

// A model made from the log anew sees every tube as the one that lived through it.
func TestAModelFromScratchSeesTheSame(t *testing.T) {
	b := newBench(t)
	b.world()
	p := b.start("one")
	b.settle(p)
	b.put(event.KindCarrier, "B-3", "box-1", eight, event.CarrierDescribed{CarrierKind: "box"})
	b.put(event.KindLogger, "LG-1", "log-1", eight, event.LoggerDescribed{EveryMs: 300_000, HoldMs: -1})
	b.put(event.KindLogger, "LG-1", "log-2", eight, event.LoggerAttached{To: "L-B-3", ToKind: "carrier"})
	b.put(event.KindTube, "T-GLU", "p-1", eight+minute, event.Packed{Carrier: "L-B-3"})
	for i := range event.Instant(13) {
		at := eight + i*5*minute
		b.move(at, p)
		run := event.Run{Logger: "L-LG-1", ID: fmt.Sprint("run-", int64(i)), Readings: []event.Reading{{At: at, C: event.CentiC(2100 + 50*i), OK: true}}}
		if _, err := b.log.AppendRun(t.Context(), &run); err != nil {
			t.Fatal(err)
		}
		b.settle(p)
	}
	b.put(event.KindTube, "T-SERUM", "r-2", eight+40*minute, event.Received{})
	b.put(event.KindTube, "T-SERUM", "r-1", eight-5*minute, event.Received{}) // before it was collected: a doubt
	b.put(event.KindTube, "T-PLAIN", "d-1", eight+50*minute, event.Disposed{})
	b.put(event.KindTube, "T-PLAIN", "s-1", eight+55*minute, event.Seen{})
	b.move(eight+70*minute, p)
	b.settle(p)
	p.stop()
	anew := b.start("anew")
	b.settle(anew)
	var keys []event.Key
	p.World(func(w *custody.World) { keys = w.Keys(event.KindTube) })
	if len(keys) != 3 {
		t.Fatalf("%d tubes", len(keys))
	}
	for _, key := range keys {
		lived, _ := p.View(key)
		made, _ := anew.View(key)
		if !reflect.DeepEqual(withoutPointers(&lived), withoutPointers(&made)) {
			t.Errorf("%s\n lived %+v\n  made %+v", key, withoutPointers(&lived), withoutPointers(&made))
		}
	}
	if !slices.Equal(p.Flagged(), anew.Flagged()) || len(anew.Flagged()) == 0 {
		t.Errorf("flags up: lived %v, made anew %v", p.Flagged(), anew.Flagged())
	}
	if !slices.Equal(p.Doubted(), anew.Doubted()) || len(anew.Doubted()) == 0 {
		t.Errorf("doubted: lived %v, made anew %v", p.Doubted(), anew.Doubted())
	}
}

// withoutPointers leaves out the rules, which each model parsed for itself, the log
// position, which the two may have read in another order of streams, and the stored form of
// records, which is at hand or not.
func withoutPointers(v *live.View) live.View {
	out := *v
	out.Tests = slices.Clone(v.Tests)
	for i := range out.Tests {
		j := &out.Tests[i].Judgement
		if j.Rule != nil {
			out.Tests[i].Name.Name += " by " + j.Rule.ID
		}
		j.Rule, j.Other = nil, nil
	}
	if v.Tube == nil {
		return out
	}
	tube := *v.Tube
	out.Tube, tube.Timeline = &tube, slices.Clone(v.Tube.Timeline)
	for i := range tube.Timeline {
		step := &tube.Timeline[i]
		step.Record = withoutStored(step.Record)
		step.Repeats = slices.Clone(step.Repeats)
		for k, rec := range step.Repeats {
			step.Repeats[k] = withoutStored(rec)
		}
	}
	return out
}

func withoutStored(rec *event.Record) *event.Record {
	out := *rec
	out.Stored = nil
	return &out
}

// Only the process with the lease appends; when it ends, the other one takes over
// and says what is due.
func TestTheFollowerTakesOver(t *testing.T) {
	b := newBench(t)
	b.world()
	first := b.start("first")
	b.settle(first)
	second := b.start("second")
	b.settle(second)
	if !first.Leading() || second.Leading() {
		t.Fatalf("leading: first %v, second %v", first.Leading(), second.Leading())
	}
	first.stop()
	// The second process is not told; it finds the lease free when it next asks. In
	// the meantime a limit passes and nobody says so.
	end := b.end()
	b.move(eight + 61*minute)
	if second.Leading() {
		b.settle(second) // it asked already
	} else if got := b.end(); got != end {
		t.Errorf("a follower appended %d messages", got-end)
	}
	for !second.Leading() {
		if err := t.Context().Err(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond) // until it asks for the lease again
	}
	second.Poke()
	b.settle(second)
	if n := b.facts("T-GLU", "FlagRaised"); n != 1 {
		t.Errorf("%d flags were raised after the change", n)
	}
}

// A follower judges like the leader, for its own screens, but appends nothing.
func TestAFollowerAppendsNothing(t *testing.T) {
	b := newBench(t)
	if held, err := b.log.Lease(t.Context(), "judge", "somebody else"); err != nil || !held {
		t.Fatal(err)
	}
	b.world()
	p := b.start("follower")
	b.settle(p)
	end := b.end()
	b.move(eight+61*minute, p)
	b.settle(p)
	if got := p.verdict("T-GLU", "GLU"); got != event.PastLimit {
		t.Errorf("the follower's screen says %s", got)
	}
	if v, _ := p.View("L-T-GLU"); !v.Flagged {
		t.Error("the follower's screen shows no flag")
	}
	if got := b.end(); got != end || p.Leading() {
		t.Errorf("%d messages were appended; leading %v", got-end, p.Leading())
	}
}

// EVT-S6: a message that can't be read goes on the visible list, and what comes
// after it is read all the same.
func TestAPoisonMessageIsListedAndTheRestGoesOn(t *testing.T) {
	b := newBench(t)
	b.world()
	p := b.start("one")
	b.settle(p)
	b.log.Raw("custody.MEM.tube.L-T-GLU", []byte("no message of ours"))
	poison := b.end()
	b.put(event.KindTube, "T-SERUM", "s-1", eight+minute, event.Seen{})
	b.settle(p)
	broken := p.BrokenMessages()
	if len(broken) != 1 || broken[0].Seq != poison || broken[0].Subject != "custody.MEM.tube.L-T-GLU" || broken[0].Err == nil {
		t.Fatalf("the list holds %+v, want message %d", broken, poison)
	}
	p.World(func(w *custody.World) {
		if w.Facts(custody.Target{Kind: event.KindTube, Key: "L-T-SERUM"}, "Seen") != 1 {
			t.Error("what came after it was not read")
		}
	})
	if at := p.At().Custody; at < poison+1 {
		t.Errorf("the model stands at %d", at)
	}
	b.move(eight+31*minute, p)
	b.settle(p)
	if got := p.verdict("T-SERUM", "K"); got != event.WithinLimits {
		t.Errorf("the other tube is judged %s", got)
	}
	if p.stop(); len(b.start("anew").BrokenMessages()) != 1 {
		t.Error("after a restart it is not on the list")
	}
}

// The tube of a message that can't be read is not called fit on the rest of its
// facts.
func TestTheTubeOfAPoisonMessageIsNotCalledFit(t *testing.T) {
	b := newBench(t)
	b.world()
	p := b.start("one")
	b.settle(p)
	b.log.Raw("custody.MEM.tube.L-T-GLU", []byte("no message of ours"))
	b.settle(p)
	b.move(eight+10*minute, p)
	b.settle(p)
	if got := p.verdict("T-GLU", "GLU"); got != event.CannotSay {
		t.Errorf("it is judged %s though a message about it could not be read", got)
	}
	ex, ok := p.Explain("L-T-GLU", "GLU", 0)
	if !ok || ex.Judgement.Verdict != event.CannotSay || !slices.Contains(ex.Judgement.Reasons, event.ReasonUnreadableFact) {
		t.Errorf("the explanation says %s %v", ex.Judgement.Verdict, ex.Judgement.Reasons)
	}
	b.move(eight+61*minute, p)
	b.settle(p)
	if got := p.verdict("T-GLU", "GLU"); got != event.PastLimit {
		t.Errorf("past its limit by what could be read, it is judged %s", got)
	}
	if v, _ := p.View("L-T-GLU"); !v.Tube.Flag.Open {
		t.Error("and its flag didn't reach the log")
	}
}

// poisonReading is a log whose readings hold, before all others, some that can't be
// read, as they would come from a newer program.
type poisonReading struct{ *memlog.Log }

const poisoned = 40

func (l poisonReading) End(ctx context.Context) (eventlog.Position, error) {
	end, err := l.Log.End(ctx)
	end.Readings += poisoned
	return end, err
}

func (l poisonReading) Follow(ctx context.Context, from eventlog.Position, sink eventlog.Sink) error {
	for seq := range uint64(poisoned) {
		sink.Broken(eventlog.Broken{Stream: "READINGS_MEM", Seq: seq + 1, Subject: "readings.MEM.L-LG-9", Err: context.Canceled})
	}
	return l.Log.Follow(ctx, from, sink)
}

// A reading that can't be read moves the position of the readings, not that of the
// facts: start-up waits for one and answers wait for the other.
func TestAPoisonReadingMovesItsOwnStream(t *testing.T) {
	b := newBench(t)
	b.read = poisonReading{b.log}
	b.world()
	p := b.start("one") // waits until all readings are read
	if at := p.At(); at.Readings != poisoned || at.Custody != b.end() {
		t.Errorf("the model stands at %+v, the facts end at %d", at, b.end())
	}
	if n := len(p.BrokenMessages()); n != poisoned {
		t.Errorf("%d on the list", n)
	}
}
