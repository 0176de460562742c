package intake

import (
	"context"
	"errors"
	"sync"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// ErrBusy says that so many readings are on their way into the log that no more are
// taken; nothing was stored. What is sent as a stream waits instead.
var ErrBusy = errors.New("intake: too many readings are on their way into the log; nothing of these was stored")

// How much of readings may be on its way at once, in values and in batches. A value
// takes about 200 bytes while it is, from the request to the model; a run of its own
// as much as runWeight values. Streams wait for room and calls of one answer don't,
// so each have their own: else a stream that always waits would keep all calls out.
const (
	MostValues  = 400_000
	MostBatches = 1000
	// LineValues and LineBatches are for one stream; it takes several to fill the room.
	LineValues  = 100_000
	LineBatches = 16
	runWeight   = 20
)

// weightOf is what runs take of a room, in values.
func weightOf(runs []event.Run) int {
	n := 0
	for i := range runs {
		n += len(runs[i].Readings) + runWeight
	}
	return n
}

// room bounds what is on its way. It counts, and knows no clock. What is durable keeps
// its place until the model has read it back: a log that is faster than the model
// would else fill the memory between them.
type room struct {
	values, batches int         // how much may be in it
	model           interface { // nil: what was given back is gone at once
		At() eventlog.Position
		WaitFor(ctx context.Context, p eventlog.Position) error
	}

	front chan struct{} // holds a token while nobody waits at the front

	mu    sync.Mutex // guards the fields below
	in    place
	most  place    // that ever were in it
	read  []behind // durable, not yet read by the model; in order of being given back
	freed chan struct{}
}

// place is how much of a room something takes.
type place struct{ values, batches int }

type behind struct {
	seq uint64
	of  place
}

func newRoom(values, batches int) *room {
	r := &room{values: values, batches: batches, front: make(chan struct{}, 1), freed: make(chan struct{})}
	r.front <- struct{}{}
	return r
}

// take waits until there is room for a batch, in order of coming.
func (r *room) take(ctx context.Context, weight int) (place, error) {
	select {
	case <-r.front:
	case <-ctx.Done():
		return place{}, ctx.Err()
	}
	defer func() { r.front <- struct{}{} }()
	for {
		p, ok, freed, seq := r.enter(weight)
		if ok {
			return p, nil
		}
		if seq != 0 {
			if err := r.model.WaitFor(ctx, eventlog.Position{Readings: seq}); err != nil {
				return place{}, err
			}
			continue
		}
		select {
		case <-freed:
		case <-ctx.Done():
			return place{}, ctx.Err()
		}
	}
}

// try is take without waiting.
func (r *room) try(weight int) (place, error) {
	select {
	case <-r.front:
	default:
		return place{}, ErrBusy // somebody waits
	}
	defer func() { r.front <- struct{}{} }()
	p, ok, _, _ := r.enter(weight)
	if !ok {
		return place{}, ErrBusy
	}
	return p, nil
}

// enter takes the place if there is one. Otherwise it says what to wait for: that the
// model has read up to seq, or, where that is 0, that freed is closed.
func (r *room) enter(weight int) (p place, ok bool, freed chan struct{}, seq uint64) {
	p = place{min(weight, r.values), 1} // one that is larger than the room goes in alone
	var at uint64
	if r.model != nil {
		at = r.model.At().Readings
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	kept := r.read[:0]
	for _, b := range r.read {
		if b.seq > at {
			kept = append(kept, b)
			if seq == 0 || b.seq < seq {
				seq = b.seq
			}
			continue
		}
		r.in.values -= b.of.values
		r.in.batches -= b.of.batches
	}
	r.read = kept
	if r.in.values+p.values <= r.values && r.in.batches < r.batches {
		r.in.values += p.values
		r.in.batches++
		r.most = place{max(r.most.values, r.in.values), max(r.most.batches, r.in.batches)}
		return p, true, nil, 0
	}
	return place{}, false, r.freed, seq
}

// give says that a batch is on its way no more; the model has still to read up to seq,
// 0 for nothing.
func (r *room) give(p place, seq uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if seq != 0 && r.model != nil {
		r.read = append(r.read, behind{seq, p})
	} else {
		r.in.values -= p.values
		r.in.batches -= p.batches
	}
	close(r.freed)
	r.freed = make(chan struct{})
}
