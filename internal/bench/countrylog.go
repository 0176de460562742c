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

// underWay is how many writes wait for the log at once: more than a group commit takes,
// so that each flush is a full group.
const underWay = 1_500

// kept says what a folder with a country's log holds.
type kept struct {
	Tubes int           `json:"tubes"` // of the whole day
	Until event.Instant `json:"until"` // the day is told up to here
	Now   event.Instant `json:"now"`   // from here on its clock goes on
	Asked int           `json:"asked"` // tubes that stand in the log
	Ended int           `json:"ended"` // of these
	Made  bool          `json:"made"`  // false: whoever made it was stopped in the middle
	Fleet int           `json:"fleets"`
	// Judged is up to where the judge has said in the log what it has to say.
	Judged event.Instant `json:"judged"`
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

// makersBreakEven keeps the making to groups: what a start measures on a busy machine may
// be so high that everything would be published singly. 0 measures.
const makersBreakEven = 4

// openCountry opens the log of a folder, with limits of half of what the disk has free.
func openCountry(ctx context.Context, dir string, breakEven int) (eventlog.Log, error) {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(dir, &disk); err != nil {
		return nil, fmt.Errorf("look at the disk under %s: %w", dir, err)
	}
	free := int64(disk.Bavail) * disk.Bsize //nolint:gosec // a disk is below 2^63 bytes
	return eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: volume, Logger: quiet(), MaxBytes: free / 4, MaxStore: free/2 + eventlog.DefaultMaxStore, BreakEven: breakEven})
}

// countryMaker writes a day, or what is missing of it, straight into the log.
type countryMaker struct {
	log    eventlog.Log
	k      *kept
	known  map[custody.Target]uint64 // last sequences of what the log held at the beginning
	rounds map[int]*roundFacts       // under way
	last   map[custody.Target]*turn  // of what belongs to no round
	wrong  map[event.Key]bool        // devices whose clock is told
	room   chan struct{}             // a token for each write under way
	failed context.CancelCauseFunc

	going         sync.WaitGroup
	written, runs atomic.Int64
}

// turn is the last write of an aggregate: the next one expects its sequence.
type turn struct {
	done chan struct{}
	seq  uint64 // once done is closed; 0 when it failed
}

func newCountryMaker(log eventlog.Log, k *kept, failed context.CancelCauseFunc) *countryMaker {
	return &countryMaker{log: log, k: k, failed: failed, rounds: map[int]*roundFacts{}, last: map[custody.Target]*turn{}, wrong: map[event.Key]bool{},
		room: make(chan struct{}, underWay)}
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
	log, err := openCountry(ctx, dir, makersBreakEven)
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
	c := newCountryMaker(log, k, failed)
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

// tell writes the steps in their order, many at a time, those of one aggregate one after
// the other. What the log has already only tells what must be known of rounds under way.
func (c *countryMaker) tell(ctx context.Context, s *settings, day *rehearsal.Day, from, until event.Instant) error {
	told := time.Now()
	c.k.Asked, c.k.Ended = 0, 0
	for step := range day.Steps() {
		if step.At >= until || ctx.Err() != nil {
			break
		}
		if err := c.step(ctx, &step, step.At < from); err != nil {
			c.failed(fmt.Errorf("at %s: %w", step.At, err))
		}
		if time.Since(told) > 10*time.Second {
			told = time.Now()
			s.tell("country: at %s of the day, %d of %d tubes asked for, %d decisions and %d runs of readings", step.At.Time().Format(time.TimeOnly),
				c.k.Asked, c.k.Tubes, c.written.Load(), c.runs.Load())
		}
	}
	c.going.Wait()
	return context.Cause(ctx)
}

// step writes one step; known says that the log has it already.
func (c *countryMaker) step(ctx context.Context, step *rehearsal.Step, known bool) error {
	r := c.rounds[step.Round]
	if r == nil && step.Round != 0 {
		r = newRoundFacts()
		c.rounds[step.Round] = r
	}
	c.k.Asked += tubesOf(step)
	switch {
	case step.Answer != nil:
	case step.Ended != nil:
		c.k.Ended++
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
		c.write(ctx, r, d, known)
	case step.Logger != "":
		return c.deliver(ctx, step, known)
	case step.Scan != nil:
		d, err := r.facts(step.Scan, step.At)
		if err != nil {
			return err
		}
		c.write(ctx, r, d, known)
		if d, err = measuredClock(step.Scan, step.At); err != nil || d == nil || c.wrong[d.Key] {
			return err
		}
		c.wrong[d.Key] = true
		c.write(ctx, nil, d, known)
	}
	return nil
}

// begin waits for room and runs a write beside the others.
func (c *countryMaker) begin(ctx context.Context, write func() error) {
	select {
	case c.room <- struct{}{}:
	case <-ctx.Done():
		return
	}
	c.going.Go(func() {
		defer func() { <-c.room }()
		if err := write(); err != nil {
			c.failed(err)
		}
	})
}

// deliver appends what a logger sends.
func (c *countryMaker) deliver(ctx context.Context, step *rehearsal.Step, known bool) error {
	key, err := event.LocalKey(step.Logger)
	if err != nil || known {
		return err
	}
	run := &event.Run{Logger: key, ID: fmt.Sprintf("%s-%d", step.Logger, step.At), Recorded: step.At, Readings: step.Readings}
	c.begin(ctx, func() error {
		c.runs.Add(1)
		for {
			// Twice the same readings are the same readings.
			if _, err := c.log.AppendRun(ctx, run); !errors.Is(err, eventlog.ErrUncertain) || ctx.Err() != nil {
				return err
			}
		}
	})
	return nil
}

// write appends a decision, if there is one, behind what its aggregate has.
func (c *countryMaker) write(ctx context.Context, r *roundFacts, d *event.Decision, known bool) {
	if d == nil || known {
		return
	}
	last := c.last
	if r != nil {
		last = r.last
	}
	t := custody.Target{Kind: d.Kind, Key: d.Key}
	before, mine := last[t], &turn{done: make(chan struct{})}
	last[t] = mine
	after := c.known[t]
	c.begin(ctx, func() (err error) {
		defer close(mine.done)
		if before != nil {
			<-before.done // it was begun earlier, so it needs no room any more
			after = before.seq
		}
		if mine.seq, err = c.append(ctx, d, after); err != nil {
			return fmt.Errorf("%s %s: %w", d.Kind, d.Key, err)
		}
		c.written.Add(1)
		return nil
	})
}

// append is the log's, sent again while no answer comes: a busy machine may take longer
// than the log waits.
func (c *countryMaker) append(ctx context.Context, d *event.Decision, after uint64) (uint64, error) {
	for uncertain := false; ; {
		seq, err := c.log.Append(ctx, d, after)
		uncertain = uncertain || errors.Is(err, eventlog.ErrUncertain)
		conflict := errors.Is(err, eventlog.ErrConflict)
		if err == nil || ctx.Err() != nil || !uncertain || !conflict && !errors.Is(err, eventlog.ErrUncertain) {
			return seq, err
		}
		stored, unread := c.log.History(ctx, d.Kind, d.Key)
		if n := len(stored); unread == nil && n > 0 && stored[n-1].ID == d.ID {
			return stored[n-1].Seq, nil
		}
		if unread == nil && conflict {
			return 0, err
		}
	}
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
