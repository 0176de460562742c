package intake

import (
	"context"
	"errors"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Readings makes runs of readings durable and waits for room if it must. It returns
// the highest sequence of the readings stream; an error means that at least one run
// may not be stored, and sending all again is harmless.
func (d *Desk) Readings(ctx context.Context, runs []event.Run) (uint64, error) {
	p, err := d.calls.take(ctx, weightOf(runs))
	if err != nil {
		return 0, err
	}
	return d.store(ctx, runs, d.calls, p)
}

// ReadingsNow is Readings for somebody who can be told to come again: without room it
// stores nothing and says ErrBusy.
func (d *Desk) ReadingsNow(ctx context.Context, runs []event.Run) (uint64, error) {
	p, err := d.calls.try(weightOf(runs))
	if err != nil {
		return 0, err
	}
	return d.store(ctx, runs, d.calls, p)
}

// store writes runs and gives their place in the room back.
func (d *Desk) store(ctx context.Context, runs []event.Run, r *room, p place) (last uint64, err error) {
	defer func() { r.give(p, last) }()
	list := make([]*event.Run, len(runs))
	for i := range runs {
		runs[i].Recorded = d.clock.next(d.now())
		list[i] = &runs[i]
	}
	seqs, err := d.log.AppendRuns(ctx, list)
	for i, seq := range seqs {
		if seq != 0 {
			d.model.WrittenRun(list[i], seq)
			last = max(last, seq)
		}
	}
	return last, err
}

// Line is one sender's stream of batches. It has a room of its own within the desk's,
// so that no single sender fills that, and one that doesn't hear its answers stops
// only itself.
type Line struct {
	d   *Desk
	own *room
}

// Line begins a stream.
func (d *Desk) Line() *Line { return &Line{d, newRoom(LineValues, LineBatches)} }

// Admit waits until there is room for a batch, in the line and at the desk. Whoever
// waits reads no further from the sender.
func (l *Line) Admit(ctx context.Context, runs []event.Run) (*Batch, error) {
	b := &Batch{line: l, runs: runs}
	var err error
	if b.own, err = l.own.take(ctx, weightOf(runs)); err != nil {
		return nil, err
	}
	if b.all, err = l.d.lines.take(ctx, weightOf(runs)); err != nil {
		l.own.give(b.own, 0)
		return nil, err
	}
	return b, nil
}

// Batch is what of a stream was admitted: Refuse, or Store and then Answered, must be
// called, but for Answered on a stream that has ended.
type Batch struct {
	line     *Line
	runs     []event.Run
	own, all place
}

// Store makes the batch durable, as Desk.Readings does.
func (b *Batch) Store(ctx context.Context) (uint64, error) {
	runs := b.runs
	b.runs = nil // the answer may wait for the sender; the values need not
	return b.line.d.store(ctx, runs, b.line.d.lines, b.all)
}

// Refuse gives up a batch that was admitted and is not to be stored.
func (b *Batch) Refuse() {
	b.line.d.lines.give(b.all, 0)
	b.line.own.give(b.own, 0)
}

// Answered says that the sender was told.
func (b *Batch) Answered() { b.line.own.give(b.own, 0) }

// Entry is a change of the directory, or another decision that no scan made.
type Entry struct {
	ID     string
	Target custody.Target
	Facts  []event.Fact
	By     string
	At     event.Instant // when it holds from; 0 now
}

// Write makes an entry durable. The same id with the same content is answered by
// its first sequence. The error is eventlog's, or a *FieldError on "id" when the
// id belongs to another entry.
func (d *Desk) Write(ctx context.Context, e Entry) (uint64, error) {
	release, err := d.turns.take(ctx, e.Target)
	if err != nil {
		return 0, err
	}
	defer release()
	signer := signerOf(ctx)
	for range attempts {
		now := d.now()
		dec := event.Decision{
			Envelope: event.Envelope{
				ID: e.ID, Kind: e.Target.Kind, Key: e.Target.Key, Occurred: e.At, DeviceTime: e.At, TimeSource: "typed",
				Recorded: d.clock.next(now), Actor: e.By, Mode: event.Reported, Digest: d.digestOf(e),
			},
			Facts: e.Facts,
		}
		signer.act(&dec.Envelope)
		if e.At == 0 {
			dec.Occurred, dec.DeviceTime = now, now
		}
		var known *event.Record
		var after uint64
		d.model.World(func(w *custody.World) {
			known, after = w.Record(e.Target, e.ID), w.Seq(e.Target)
		})
		if known != nil {
			if string(known.Digest) != string(dec.Digest) {
				return 0, fieldError("scanId", "another entry was recorded under this id; give this one an id of its own")
			}
			return known.Seq, nil
		}
		dec.DeviceSeq = int64(after) + 1 //nolint:gosec // a stream sequence is far below 2^63
		seq, err := d.log.Append(ctx, &dec, max(after, d.model.Unread(e.Target)))
		switch {
		case err == nil:
			d.model.Written(&dec, seq)
			return seq, nil
		case !errors.Is(err, eventlog.ErrConflict):
			return 0, err
		}
		end, err := d.log.End(ctx)
		if err == nil {
			err = d.model.WaitFor(ctx, end)
		}
		if err != nil {
			return 0, err
		}
	}
	return 0, eventlog.ErrConflict
}
