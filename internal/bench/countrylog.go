package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/stability/library"
)

// countrySeed is the seed of the country's day. Where rooms, fridges and vans have
// loggers, fewer boxes have one of their own.
const (
	countrySeed       = 20_261_130
	countryBoxLoggers = 40
)

// scribes write the day side by side, each the sites that are its own. They are more
// than a group commit takes, so that each flush is a full group.
const scribes = 1_200

// kept says what a folder with a country's log holds.
type kept struct {
	Tubes int           `json:"tubes"` // of the whole day
	Until event.Instant `json:"until"` // the day is told up to here
	Now   event.Instant `json:"now"`   // from here on its clock goes on
	Asked int           `json:"asked"` // tubes that stand in the log
	Ended int           `json:"ended"` // of these
	Made  bool          `json:"made"`  // false: whoever made it was stopped in the middle
	Fleet int           `json:"fleets"`
}

func (k *kept) open() int { return k.Asked - k.Ended }

func keptFile(dir string) string { return filepath.Join(dir, "country.json") }

func readKept(dir string) (k kept, err error) {
	data, err := os.ReadFile(keptFile(dir))
	if errors.Is(err, os.ErrNotExist) {
		return kept{Made: true}, nil
	}
	if err != nil {
		return k, err
	}
	if err := json.Unmarshal(data, &k); err != nil {
		return k, fmt.Errorf("%s can't be read; delete the folder: %w", keptFile(dir), err)
	}
	if !k.Made {
		return k, fmt.Errorf("the log in %s was not made to its end; delete the folder", dir)
	}
	return k, nil
}

func (k *kept) save(dir string) error {
	data, err := json.MarshalIndent(k, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(keptFile(dir), append(data, '\n'), 0o600)
}

// openCountry opens the log of a folder, with limits of half of what the disk has free.
func openCountry(ctx context.Context, dir string) (eventlog.Log, error) {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(dir, &disk); err != nil {
		return nil, fmt.Errorf("look at the disk under %s: %w", dir, err)
	}
	free := int64(disk.Bavail) * disk.Bsize //nolint:gosec // a disk is below 2^63 bytes
	return eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: volume, Logger: quiet(), MaxBytes: free / 4, MaxStore: free/2 + eventlog.DefaultMaxStore})
}

// countryMaker writes a day, or what is missing of it, straight into the log.
type countryMaker struct {
	log     eventlog.Log
	k       *kept
	known   map[custody.Target]uint64 // last sequences of what the log held at the beginning
	written atomic.Int64              // decisions
	runs    atomic.Int64              // runs of readings
	failed  context.CancelCauseFunc
}

// scribe writes the steps of its sites one after the other.
type scribe struct {
	c      *countryMaker
	steps  chan rehearsal.Step
	rounds map[int]*roundFacts
	last   map[custody.Target]uint64 // of things of sites
	wrong  map[event.Key]bool        // devices whose clock is told
}

// makeCountry tells the day on until an instant of it.
func makeCountry(ctx context.Context, s *settings, dir string, k *kept, until event.Instant) (err error) {
	if k.Until >= until {
		return nil
	}
	day, err := rehearsal.Plan(rehearsal.Settings{Seed: countrySeed, Tubes: k.Tubes, BoxLoggers: countryBoxLoggers, Places: true})
	if err != nil {
		return err
	}
	log, err := openCountry(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, log.Close()) }()
	from := k.Until
	k.Made = false
	if err := k.save(dir); err != nil {
		return err
	}
	ctx, failed := context.WithCancelCause(ctx)
	defer failed(nil)
	c := &countryMaker{log: log, k: k, failed: failed}
	if c.known, err = lastSequences(ctx, log); err != nil {
		return err
	}
	begun := time.Now()
	if from == 0 {
		if err := c.adopt(ctx, day.Settings().Day.Add(-365*24*time.Hour)); err != nil {
			return err
		}
	}
	if err := c.tell(ctx, s, &day, from, until); err != nil {
		return err
	}
	s.tell("country: told until %s: %d tubes asked for, %d ended, %d decisions and %d runs of readings in %s", until, k.Asked, k.Ended,
		c.written.Load(), c.runs.Load(), time.Since(begun).Round(time.Second))
	k.Until, k.Now, k.Made = until, max(k.Now, until), true
	return k.save(dir)
}

// tell hands the steps to the scribes. Those of before only tell them what they need to
// know of the rounds that are under way.
func (c *countryMaker) tell(ctx context.Context, s *settings, day *rehearsal.Day, from, until event.Instant) error {
	list := make([]*scribe, min(scribes, c.k.Tubes))
	var wg sync.WaitGroup
	for i := range list {
		w := &scribe{c: c, steps: make(chan rehearsal.Step, 16), rounds: map[int]*roundFacts{}, last: map[custody.Target]uint64{}, wrong: map[event.Key]bool{}}
		list[i] = w
		wg.Go(func() { w.run(ctx, from) })
	}
	told := time.Now()
	c.k.Asked, c.k.Ended = 0, 0
	for step := range day.Steps() {
		if step.At >= until || ctx.Err() != nil {
			break
		}
		c.k.Asked += tubesOf(&step)
		if step.Ended != nil {
			c.k.Ended++
		}
		select {
		case list[step.Site%len(list)].steps <- step:
		case <-ctx.Done():
		}
		if time.Since(told) > 10*time.Second {
			told = time.Now()
			s.tell("country: at %s of the day, %d of %d tubes asked for, %d decisions and %d runs of readings", step.At.Time().Format(time.TimeOnly),
				c.k.Asked, c.k.Tubes, c.written.Load(), c.runs.Load())
		}
	}
	for _, w := range list {
		close(w.steps)
	}
	wg.Wait()
	return context.Cause(ctx)
}

func (w *scribe) run(ctx context.Context, from event.Instant) {
	for step := range w.steps {
		if ctx.Err() != nil {
			continue // the channel is emptied
		}
		if err := w.step(ctx, &step, step.At < from); err != nil {
			w.c.failed(fmt.Errorf("at %s: %w", step.At, err))
		}
	}
}

// step writes one step; known says that the log has it already.
func (w *scribe) step(ctx context.Context, step *rehearsal.Step, known bool) error {
	r := w.rounds[step.Round]
	if r == nil && step.Round != 0 {
		r = newRoundFacts()
		w.rounds[step.Round] = r
	}
	switch {
	case step.Answer != nil:
	case step.Ended != nil:
		if r.left--; r.left == 0 {
			r.over()
		}
	case step.Declared != nil:
		d, err := declaredFacts(step.Declared, step.At)
		if err != nil {
			return err
		}
		if n := tubesOf(step); n > 0 {
			r.left += n
			r.world.Apply(&event.Record{Seq: 1, Decision: *d})
		}
		return w.write(ctx, r, d, known)
	case step.Logger != "":
		if known {
			return nil
		}
		key, err := event.LocalKey(step.Logger)
		if err != nil {
			return err
		}
		w.c.runs.Add(1)
		_, err = w.c.log.AppendRun(ctx, &event.Run{Logger: key, ID: fmt.Sprintf("%s-%d", step.Logger, step.At), Recorded: step.At, Readings: step.Readings})
		return err
	case step.Scan != nil:
		d, err := r.facts(step.Scan, step.At)
		if err != nil {
			return err
		}
		if d != nil {
			if err := w.write(ctx, r, d, known); err != nil {
				return err
			}
		}
		d, err = measuredClock(step.Scan, step.At)
		if err != nil || d == nil || w.wrong[d.Key] {
			return err
		}
		w.wrong[d.Key] = true
		return w.write(ctx, nil, d, known)
	}
	return nil
}

// write appends a decision behind what its aggregate has.
func (w *scribe) write(ctx context.Context, r *roundFacts, d *event.Decision, known bool) error {
	if known {
		return nil
	}
	last := w.last
	if r != nil {
		last = r.last
	}
	t := custody.Target{Kind: d.Kind, Key: d.Key}
	after, ok := last[t]
	if !ok {
		after = w.c.known[t]
	}
	seq, err := w.c.log.Append(ctx, d, after)
	if err != nil {
		return fmt.Errorf("%s %s: %w", d.Kind, d.Key, err)
	}
	last[t] = seq
	w.c.written.Add(1)
	return nil
}

// adopt puts the shipped limits in force.
func (c *countryMaker) adopt(ctx context.Context, at event.Instant) error {
	set, file, err := library.Starter()
	if err != nil {
		return err
	}
	d := entry(target(event.KindRules, set.Name), at, event.RulesAdopted{Hash: set.Hash, Bytes: file, InForce: at, Name: set.Name, Version: set.Version})
	_, err = c.log.Append(ctx, d, 0)
	return err
}

// lastSequences reads what each aggregate's next write must expect.
func lastSequences(ctx context.Context, log eventlog.Log) (map[custody.Target]uint64, error) {
	out := map[custody.Target]uint64{}
	_, err := readAll(ctx, log, func(rec *event.Record) { out[custody.Target{Kind: rec.Kind, Key: rec.Key}] = rec.Seq }, nil)
	return out, err
}

// reader counts what Follow hands it, until it has all that the log held.
type reader struct {
	decision func(*event.Record)
	run      func(*event.Run)
	at, end  eventlog.Position
	n        int
	whole    func()
	broken   error
}

// Decision implements eventlog.Sink.
func (r *reader) Decision(rec *event.Record) {
	if r.decision != nil {
		r.decision(rec)
	}
	r.at.Custody = rec.Seq
	r.count()
}

// Run implements eventlog.Sink.
func (r *reader) Run(seq uint64, run *event.Run) {
	if r.run != nil {
		r.run(run)
	}
	r.at.Readings = seq
	r.count()
}

// Broken implements eventlog.Sink.
func (r *reader) Broken(b eventlog.Broken) {
	r.broken = errors.Join(r.broken, b.Err)
	r.whole()
}

func (r *reader) count() {
	if r.n++; r.at.Reached(r.end) {
		r.whole()
	}
}

// readAll reads the log to the end that it has, and gives how many messages it read.
func readAll(ctx context.Context, log eventlog.Log, decision func(*event.Record), run func(*event.Run)) (int, error) {
	end, err := log.End(ctx)
	if err != nil || end == (eventlog.Position{}) {
		return 0, err
	}
	reading, stop := context.WithCancel(ctx)
	defer stop()
	r := &reader{decision: decision, run: run, end: end, whole: stop}
	if err := log.Follow(reading, eventlog.Position{}, r); err != nil {
		return r.n, err
	}
	return r.n, errors.Join(r.broken, ctx.Err())
}
