package notify

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
)

// Source gives the changes of flags in the order of the log.
type Source interface {
	// After gives at most limit changes behind the sequence seq, the sequence up to
	// which it has looked for them, and whether the log holds more. A ShorterError when
	// the log ends before seq.
	After(ctx context.Context, seq uint64, limit int) (changes []Change, through uint64, more bool, err error)
}

// Store keeps the one record of one channel, durably.
type Store interface {
	// Load gives the record and its revision; no data and what Save expects when there
	// never was one.
	Load(ctx context.Context) (data []byte, revision uint64, err error)
	// Save replaces the revision after and returns its own once the record is durable.
	// ErrOvertaken when another process has replaced it.
	Save(ctx context.Context, data []byte, after uint64) (revision uint64, err error)
}

// ErrOvertaken says that another process delivers for the same channel.
var ErrOvertaken = errors.New("notify: another process delivers for this channel")

// ShorterError says that the log ends before what was read of it: it was restored from a
// backup that is older than the record.
type ShorterError struct{ End uint64 } // its last sequence

func (e *ShorterError) Error() string {
	return fmt.Sprintf("notify: the log ends at %d, before what was read of it", e.End)
}

// Delivery brings the changes of the log to one channel, each message at least once.
//
// Its one record holds what was read, what is known, and the messages that were
// decided and not taken yet. It is durable before a message is sent and again after
// the message was taken. A kill between the two makes the same message go out once
// more, under the same id; at any other point it makes none go out twice.
type Delivery struct {
	Channel  Channel
	Source   Source
	Store    Store
	Audience Audience
	Pace     Pace
	Now      func() event.Instant
	// Wait returns when d is over, when the log may have more, or when ctx ends.
	Wait func(ctx context.Context, d time.Duration)
	// Random gives a number from 0 up to 1, for the spread of tries.
	Random func() float64
	// Report hears of what went wrong, with words of ours and no message's text.
	Report func(Trouble)
	// Stands hears after each step how the delivery stands. Report and Stands may be nil.
	Stands func(State)
	// Grace is how long a step that is under way when Run is to end may go on: a message
	// that was sent and not marked comes once more.
	Grace time.Duration

	record   record
	revision uint64
	loaded   bool
	unstored int // failures of source or store in a row
	fails    int // failures of the channel in a row
	counts   counts
	again    event.Instant   // before it the channel is not tried, 0 while it works
	taken    map[string]bool // ids that were taken, which the store doesn't know yet
}

// Trouble is something that somebody who runs the daemon should see.
type Trouble struct {
	What    TroubleKind
	Message string // its id, if it is about one
	Err     error
	Wait    time.Duration // until it is tried again
}

// TroubleKind is a kind of trouble.
type TroubleKind string

// The kinds of trouble.
const (
	Unreachable TroubleKind = "unreachable" // the channel didn't take it; tried again
	Refused     TroubleKind = "refused"     // this message was refused; the others go on, it is tried again
	LaidDown    TroubleKind = "laid-down"   // refused for longer than a day: not tried any more
	Untold      TroubleKind = "untold"      // a change that can't be told
	Unstored    TroubleKind = "unstored"    // reading the log or keeping the position failed; tried again
	Shorter     TroubleKind = "shorter"     // the log ends before what was read of it; it is read again
)

// record is the durable form.
type record struct {
	Plan  Plan
	Queue []waiting
	// LaidDown counts messages that were given up.
	LaidDown int64
}

// waiting is a decided message that was not taken yet.
type waiting struct {
	Message Message
	Refused event.Instant `json:",omitempty"` // when it was refused first
	Next    event.Instant `json:",omitempty"` // not before
}

const (
	readAtOnce   = 500
	mostWaiting  = 5_000 // flags not told: behind it the log isn't read on
	mostQueued   = 200   // messages not taken: behind it nothing is decided
	firstWait    = time.Second
	longestTry   = 5 * time.Minute
	refusedAgain = 15 * time.Minute
	layDownAfter = 24 * time.Hour
	lookAgain    = 30 * time.Second // when nothing is due and nobody wakes us
)

// Run delivers until ctx ends, or another process has taken over (ErrOvertaken).
func (d *Delivery) Run(ctx context.Context) error {
	defer func() { d.loaded = false }() // another process may deliver before the next Run
	work, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(d.Grace, end) })()
	for ctx.Err() == nil {
		wait, err := d.Step(work)
		if d.Stands != nil {
			d.Stands(d.state(d.Now()))
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, ErrOvertaken):
			return err
		case err != nil:
			d.unstored++
			wait = d.backOff(d.unstored)
			d.loaded = false // what was written is not known: read it
			d.report(Trouble{What: Unstored, Err: err, Wait: wait})
		default:
			d.unstored = 0
		}
		if wait > 0 {
			d.Wait(ctx, wait)
		}
	}
	return nil
}

// Step makes one step: it loads the record, sends a message, or reads and decides. It
// gives how long there is nothing to do, 0 for not at all.
func (d *Delivery) Step(ctx context.Context) (time.Duration, error) {
	if !d.loaded {
		if err := d.load(ctx); err != nil {
			return 0, err
		}
	}
	now := d.Now()
	if d.again <= now {
		if i := d.due(now); i >= 0 {
			return 0, d.send(ctx, i)
		}
	}
	moved, err := d.read(ctx)
	if err != nil || moved {
		return 0, err
	}
	wait := lookAgain
	soonest := func(at event.Instant) {
		if at != 0 {
			wait = min(wait, max(at.Sub(now), time.Millisecond))
		}
	}
	for _, w := range d.record.Queue {
		soonest(max(w.Next, d.again))
	}
	if d.decides(&d.record) {
		soonest(d.record.Plan.Next(d.Pace, now))
	}
	return wait, nil
}

// decides tells whether messages are decided now. While the channel doesn't answer,
// none are: flags gather into fewer messages, and what is cleared meanwhile isn't told.
func (d *Delivery) decides(r *record) bool { return d.again == 0 && len(r.Queue) < mostQueued }

// due gives the place of the first message that may be sent, or -1. Messages wait in
// the order in which they were decided.
func (d *Delivery) due(now event.Instant) int {
	return slices.IndexFunc(d.record.Queue, func(w waiting) bool { return w.Next <= now })
}

// send sends one message and keeps what came of it.
func (d *Delivery) send(ctx context.Context, i int) error {
	w := d.record.Queue[i]
	var err error
	if !d.taken[w.Message.ID] {
		err = d.Channel.Send(ctx, w.Message)
	}
	now := d.Now()
	var refusal *Refusal
	var later *Later
	if err != nil && ctx.Err() == nil {
		d.counts.failed++
		d.counts.last = err
	}
	switch {
	case err == nil:
		d.counts.sent++
		d.counts.last, d.fails, d.again = nil, 0, 0
		d.taken = map[string]bool{w.Message.ID: true} // if it can't be kept, only the keeping is tried again
		return d.save(ctx, d.without(i))
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.As(err, &refusal):
		d.fails, d.again = 0, 0
		next := d.without(i)
		if w.Refused == 0 {
			w.Refused = now
		}
		if now.Sub(w.Refused) >= layDownAfter {
			next.LaidDown++
			d.report(Trouble{What: LaidDown, Message: w.Message.ID, Err: err})
			return d.save(ctx, next)
		}
		w.Next = now.Add(refusedAgain)
		next.Queue = append(next.Queue, w)
		d.report(Trouble{What: Refused, Message: w.Message.ID, Err: err, Wait: refusedAgain})
		return d.save(ctx, next)
	default:
		d.fails++
		wait := d.backOff(d.fails)
		if errors.As(err, &later) {
			wait = max(wait, later.For)
		}
		d.again = now.Add(wait)
		d.report(Trouble{What: Unreachable, Message: w.Message.ID, Err: err, Wait: wait})
		return nil
	}
}

// backOff doubles with each failure and is spread over its upper half, so that many
// channels don't come back at once.
func (d *Delivery) backOff(fails int) time.Duration {
	wait := min(time.Duration(float64(firstWait)*math.Pow(2, float64(min(fails-1, 20)))), longestTry)
	return wait/2 + time.Duration(d.Random()*float64(wait/2))
}

// read reads on in the log and decides what is due. It reports whether anything was
// kept.
func (d *Delivery) read(ctx context.Context) (bool, error) {
	next := d.record.clone()
	var shorter *ShorterError
	for next.Plan.Waiting() < mostWaiting && len(next.Queue) < mostQueued {
		changes, through, more, err := d.Source.After(ctx, next.Plan.Through, readAtOnce)
		if errors.As(err, &shorter) && next.Plan.Through > 0 {
			d.report(Trouble{What: Shorter, Err: err})
			next.Plan.again(shorter.End)
			continue
		}
		if err != nil {
			return false, fmt.Errorf("notify: reading the log: %w", err)
		}
		if more && through <= next.Plan.Through {
			return false, fmt.Errorf("notify: reading the log: it has more behind %d and gives none", through)
		}
		for _, c := range changes {
			if err := next.Plan.Fold(d.Pace, &d.Audience, c); err != nil {
				d.report(Trouble{What: Untold, Err: err})
			}
		}
		next.Plan.Through = max(next.Plan.Through, through)
		if !more {
			break
		}
	}
	if d.decides(&next) {
		for _, m := range next.Plan.Tell(d.Pace, d.Now()) {
			next.Queue = append(next.Queue, waiting{Message: m})
		}
	}
	// The position alone isn't worth a write: what lies between holds no change.
	if shorter == nil && len(next.Queue) == len(d.record.Queue) && next.Plan.same(&d.record.Plan) {
		d.record.Plan.Through = next.Plan.Through
		return false, nil
	}
	return true, d.save(ctx, next)
}

// again has a log that ends before what was read be read from its beginning. What
// rests on facts that are gone is forgotten; what was told otherwise isn't told again.
func (p *Plan) again(end uint64) {
	maps.DeleteFunc(p.Flags, func(_ string, f flag) bool { return f.Seq > end })
	p.Through = 0
}

// same tells whether two plans know the same of the same changes.
func (p *Plan) same(o *Plan) bool {
	if len(p.Flags) != len(o.Flags) {
		return false
	}
	for tube, f := range p.Flags {
		if was, ok := o.Flags[tube]; !ok || was.Seq != f.Seq {
			return false
		}
	}
	return true
}

func (r *record) clone() record {
	c := *r
	c.Queue = slices.Clone(r.Queue)
	c.Plan = r.Plan.clone()
	return c
}

func (d *Delivery) without(i int) record {
	next := d.record
	next.Queue = slices.Delete(slices.Clone(next.Queue), i, i+1)
	return next
}

func (d *Delivery) report(t Trouble) {
	if d.Report != nil {
		d.Report(t)
	}
}

func (d *Delivery) load(ctx context.Context) error {
	data, revision, err := d.Store.Load(ctx)
	if err != nil {
		return fmt.Errorf("notify: reading the position: %w", err)
	}
	var r record
	if len(data) > 0 {
		if r, err = decode(data); err != nil {
			return fmt.Errorf("notify: the position can't be read; erase the channel's record to begin anew: %w", err)
		}
	}
	d.record, d.revision, d.loaded = r, revision, true
	return nil
}

func (d *Delivery) save(ctx context.Context, next record) error {
	data, err := next.encode()
	if err != nil {
		return fmt.Errorf("notify: keeping the position: %w", err)
	}
	revision, err := d.Store.Save(ctx, data, d.revision)
	if err != nil {
		d.loaded = false
		return fmt.Errorf("notify: keeping the position: %w", err)
	}
	d.record, d.revision = next, revision
	return nil
}

// encode packs the record, because a message of the store holds 1 MiB at most.
func (r *record) encode() ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	if err != nil {
		return nil, err
	}
	if err := json.NewEncoder(z).Encode(r); err != nil {
		return nil, err
	}
	err = z.Close()
	return b.Bytes(), err
}

func decode(data []byte) (record, error) {
	var r record
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return r, err
	}
	text, err := io.ReadAll(io.LimitReader(z, 256<<20))
	if err != nil {
		return r, err
	}
	return r, json.Unmarshal(text, &r)
}
