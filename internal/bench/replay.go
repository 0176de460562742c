package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability/library"
)

// What a start reads is kept as a share of a raw ordered read of the same messages.
const replayTarget = 0.7

// replay measures how fast a start reads readings: the raw stream, the log with what it
// decodes, and the model with what it folds, in runs of several lengths.
func replay(ctx context.Context, s *settings, t *table) error {
	for _, length := range []int{1, 10, 100} {
		if err := replayOf(ctx, s, t, length); err != nil {
			return fmt.Errorf("runs of %d: %w", length, err)
		}
		s.tell("replay: runs of %d", length)
	}
	return nil
}

func replayOf(ctx context.Context, s *settings, t *table, length int) error {
	r, err := openRaw(ctx, nil)
	defer r.close()
	if err != nil {
		return err
	}
	cfg := jetstream.StreamConfig{
		Name: "RAWREADINGS", Subjects: []string{"readings.>"}, Storage: jetstream.FileStorage, Discard: jetstream.DiscardNew,
		MaxBytes: 4 << 30, MaxMsgs: -1, MaxMsgsPerSubject: -1, Replicas: 1, AllowDirect: true, AllowAtomicPublish: true, Compression: jetstream.S2Compression,
	}
	if _, err := r.js.CreateStream(ctx, cfg); err != nil {
		return err
	}
	dir, log, err := openLog(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	number := s.replay / length
	write := func(runs []*event.Run) error {
		msgs := make([]*nats.Msg, len(runs))
		for i, run := range runs {
			data, err := wire.Run(run)
			if err != nil {
				return err
			}
			msgs[i] = nats.NewMsg(event.ReadingsSubject(volume, run.Logger))
			msgs[i].Data = data
		}
		if _, err := jetstreamext.PublishMsgBatch(ctx, r.js, msgs); err != nil {
			return err
		}
		_, err := log.AppendRuns(ctx, runs)
		return err
	}
	if err := eachThousand(number, length, write); err != nil {
		return errors.Join(err, log.Close())
	}
	facts, err := boxesWithTubes(ctx, log)
	if err != nil {
		return errors.Join(err, log.Close())
	}
	if err := log.Close(); err != nil {
		return err
	}
	if log, err = eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: volume, Logger: quiet()}); err != nil {
		return err
	}
	defer func() { _ = log.Close() }()
	// The model reads readings without the facts that put the loggers into boxes, or
	// behind them: then each run has tubes that it speaks of.
	ways := []contender{
		{"raw ordered read", func(ctx context.Context, _ int) (sample, error) { return rawRead(ctx, r, cfg.Name, number) }},
		{"the log, decoded", func(ctx context.Context, _ int) (sample, error) { return logRead(ctx, log, number, facts) }},
		{"the model, folded", func(ctx context.Context, _ int) (sample, error) { return modelRead(ctx, log, number, facts, false) }},
		{"the model with tubes in boxes", func(ctx context.Context, _ int) (sample, error) { return modelRead(ctx, log, number, facts, true) }},
	}
	measured := map[string][]sample{}
	for range s.rounds {
		for _, w := range ways {
			before := cpuTime()
			got, err := w.run(ctx, 1)
			got.cpu = cpuTime() - before
			if err != nil {
				return fmt.Errorf("%s: %w", w.name, err)
			}
			got.done = number * length
			measured[w.name] = append(measured[w.name], got)
		}
	}
	raw, rawCPU := median(measured[ways[0].name], (*sample).perSecond), median(measured[ways[0].name], (*sample).cpuEach)
	for _, w := range ways {
		row := row{Part: "replay", What: fmt.Sprintf("%s, runs of %d", w.name, length), PerSec: median(measured[w.name], (*sample).perSecond)}
		cpu := median(measured[w.name], (*sample).cpuEach)
		row.Said = fmt.Sprintf("%d readings; %.2f of the raw read (want %.1f); %.0f ns of processor each, %.1f x the raw read", number*length, row.PerSec/raw, replayTarget, cpu, cpu/rawCPU)
		row.Missed = row.PerSec < replayTarget*raw
		t.add(row)
	}
	return nil
}

// eachThousand makes runs of two hundred loggers, minute after minute, and writes them
// by the thousand.
func eachThousand(number, length int, write func([]*event.Run) error) error {
	var clocks [loggers]int
	var runs []*event.Run
	for n := range number {
		box := n % loggers
		run := &event.Run{Logger: key(loggerOf(box)), ID: id(), Recorded: clock(), Readings: make([]event.Reading, length)}
		for i := range run.Readings {
			c := celsiusOf(clocks[box], box)
			run.Readings[i] = event.Reading{At: event.At(instantOf(clocks[box])), C: event.CentiC(c), OK: true, Raw: centiText(c)} //nolint:gosec // a few hundred
			clocks[box]++
		}
		if runs = append(runs, run); len(runs) == 1000 || n == number-1 {
			if err := write(runs); err != nil {
				return err
			}
			runs = nil
		}
	}
	return nil
}

func rawRead(ctx context.Context, r *raw, stream string, number int) (sample, error) {
	start := time.Now()
	cons, err := r.js.OrderedConsumer(ctx, stream, jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy})
	if err != nil {
		return sample{}, err
	}
	left := number
	done := make(chan struct{})
	running, err := cons.Consume(func(jetstream.Msg) {
		if left--; left == 0 {
			close(done)
		}
	}, jetstream.PullMaxMessages(2000))
	if err != nil {
		return sample{}, err
	}
	defer running.Stop()
	select {
	case <-done:
		return sample{took: time.Since(start)}, nil
	case <-ctx.Done():
		return sample{}, ctx.Err()
	}
}

// counter counts runs and drops them.
type counter struct {
	left atomic.Int64
	done chan struct{}
}

func (c *counter) Decision(*event.Record) {}

func (c *counter) Run(uint64, *event.Run) {
	if c.left.Add(-1) == 0 {
		close(c.done)
	}
}

func (c *counter) Broken(eventlog.Broken) {}

func logRead(ctx context.Context, log eventlog.Log, number int, facts uint64) (sample, error) {
	c := &counter{done: make(chan struct{})}
	c.left.Store(int64(number))
	reading, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	start := time.Now()
	go func() { ended <- log.Follow(reading, eventlog.Position{Custody: facts}, c) }()
	select {
	case <-c.done:
	case err := <-ended:
		return sample{}, fmt.Errorf("it ended early: %w", err)
	}
	took := time.Since(start)
	stop()
	return sample{took: took}, <-ended
}

// boxesWithTubes puts the loggers into boxes with tubes, and gives the last sequence of
// that.
func boxesWithTubes(ctx context.Context, log eventlog.Log) (last uint64, err error) {
	append := func(kind event.Kind, label string, at event.Instant, facts ...event.Fact) {
		if err != nil {
			return
		}
		last, err = log.Append(ctx, &event.Decision{
			Envelope: event.Envelope{ID: id(), Kind: kind, Key: key(label), Occurred: at, DeviceTime: at, Recorded: at, Mode: event.Reported, Actor: "mira", Place: "CLINIC"},
			Facts:    facts,
		}, 0)
	}
	at := event.At(instantOf(0))
	for box := range loggers {
		append(event.KindLogger, loggerOf(box), at, event.LoggerDescribed{EveryMs: 60_000, HoldMs: -1}, event.LoggerAttached{To: key(boxOf(box)), ToKind: string(event.KindCarrier)})
		for i := range tubesInBox {
			append(event.KindTube, tubeOf(box, i), at, event.Collected{Type: "LIHEP", Tests: []string{"K"}}, event.Packed{Carrier: key(boxOf(box))})
		}
	}
	return last, err
}

// inOrder reads the facts up to a sequence before the readings, or none of them.
type inOrder struct {
	eventlog.Log
	facts, readings uint64
	first           bool
}

// Follow implements eventlog.Log.
func (l *inOrder) Follow(ctx context.Context, _ eventlog.Position, sink eventlog.Sink) error {
	if l.first {
		reading, stop := context.WithCancel(ctx)
		err := l.Log.Follow(reading, eventlog.Position{Readings: l.readings}, &until{sink, l.facts, stop})
		stop()
		if err != nil {
			return err
		}
	}
	return l.Log.Follow(ctx, eventlog.Position{Custody: l.facts}, sink)
}

type until struct {
	eventlog.Sink
	last uint64
	stop context.CancelFunc
}

// Decision implements eventlog.Sink.
func (u *until) Decision(rec *event.Record) {
	if u.Sink.Decision(rec); rec.Seq == u.last {
		u.stop()
	}
}

// modelRead is a start.
func modelRead(ctx context.Context, log eventlog.Log, number int, facts uint64, first bool) (sample, error) {
	lists, err := library.Catalogue()
	if err != nil {
		return sample{}, err
	}
	m := live.New(&inOrder{Log: log, facts: facts, readings: uint64(number), first: first}, clock, live.Lists{Tubes: lists.Tubes, Assays: lists.Assays}, id(), quiet())
	reading, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	start := time.Now()
	go func() { ended <- m.Run(reading) }()
	if err := m.WaitFor(ctx, eventlog.Position{Readings: uint64(number)}); err != nil { //nolint:gosec // a count
		return sample{}, err
	}
	took := time.Since(start)
	stop()
	return sample{took: took}, <-ended
}
