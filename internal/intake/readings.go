package intake

import (
	"context"
	"errors"
	"sync"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Readings makes runs of readings durable. It returns the highest sequence of the
// readings stream; an error means that at least one run may not be stored, and
// sending all again is harmless.
func (d *Desk) Readings(ctx context.Context, runs []event.Run) (uint64, error) {
	seqs := make([]uint64, len(runs))
	errs := make([]error, len(runs))
	var wg sync.WaitGroup
	for i := range runs {
		runs[i].Recorded = d.clock.next(d.now())
		wg.Go(func() {
			if seqs[i], errs[i] = d.log.AppendRun(ctx, &runs[i]); errs[i] == nil {
				d.model.WrittenRun(&runs[i], seqs[i])
			}
		})
	}
	wg.Wait()
	var last uint64
	for _, s := range seqs {
		last = max(last, s)
	}
	return last, errors.Join(errs...)
}

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
