// Package eventlog decides when a fact is safe: a decision is answered only
// after it is durable, and only if nobody else decided for the same aggregate
// in the meantime. It holds the one contract (Log), its JetStream form and the
// embedded server; no other package talks to the broker.
package eventlog

import (
	"context"
	"errors"
	"fmt"
	"time"

	"specimen.example/custody/internal/event"
)

// Log is the log of one volume. All methods may be called from many goroutines.
type Log interface {
	// Append makes d durable if the last message of d's aggregate has the sequence
	// after (0: the aggregate is new), and returns the sequence it got. Errors:
	// ErrConflict, ErrFull, ErrUncertain, or a plain error when nothing was stored.
	// Followers may be handed d itself: it must not be changed afterwards.
	Append(ctx context.Context, d *event.Decision, after uint64) (uint64, error)
	// AppendRun makes readings durable. It carries no expectation: repeats of a
	// reading are harmless. Errors: ErrFull, ErrUncertain, or a plain error. r must
	// not be changed afterwards.
	AppendRun(ctx context.Context, r *event.Run) (uint64, error)
	// AppendRuns is AppendRun for many at once, without a caller for each. It gives
	// each run's sequence, 0 where it isn't known to be stored; an error means that
	// there is such a one, and is the first. A run that can't be stored at all keeps all
	// of them out. When it returns, nothing of it is on its way any more: who counts
	// what is in flight counts right, also when ctx ended.
	AppendRuns(ctx context.Context, runs []*event.Run) ([]uint64, error)
	// Follow hands everything behind from to sink, in order within each stream,
	// never two calls at once, until ctx ends or the log closes. It returns nil
	// when ctx ended.
	Follow(ctx context.Context, from Position, sink Sink) error
	// End is the position of the last message of each stream now. Having read up
	// to it is what "caught up" means.
	End(ctx context.Context) (Position, error)
	// History gives all decisions of one aggregate in order of sequence.
	History(ctx context.Context, kind event.Kind, key event.Key) ([]event.Record, error)
	// Shelf gives a shelf of records that are not facts and may be erased.
	Shelf(name ShelfName) Shelf
	// Lease asks for or renews the named lease and reports whether holder has it
	// now. It lapses after LeaseTime without renewal. The lease only spares work:
	// what fences two writers is the expectation of Append.
	Lease(ctx context.Context, name, holder string) (bool, error)
	// Release gives the lease back at once.
	Release(ctx context.Context, name, holder string) error
	// Close ends followers and connections.
	Close() error
}

// LeaseTime is how long a lease holds without renewal.
const LeaseTime = 6 * time.Second

// Position is how far the streams were read. Zero means nothing was.
type Position struct{ Custody, Readings uint64 }

// Reached reports whether p is at or behind q in both streams.
func (p Position) Reached(q Position) bool { return p.Custody >= q.Custody && p.Readings >= q.Readings }

// Sink takes what Follow reads.
type Sink interface {
	Decision(rec *event.Record)
	Run(seq uint64, r *event.Run)
	// Broken is told of a message that could not be read. It must keep it on a
	// visible list; the follower goes on.
	Broken(b Broken)
}

// Broken is a message that could not be read.
type Broken struct {
	Stream  string
	Seq     uint64
	Subject string
	Err     error
}

// Errors of Append and AppendRun.
var (
	// ErrConflict: somebody else wrote to the aggregate first. Read on, look for
	// your own id, decide again.
	ErrConflict = errors.New("eventlog: another decision for this aggregate came first")
	// ErrFull: the store's limit is reached; nothing was stored. Raise the limit
	// or free the disk; the sender keeps the scan.
	ErrFull = errors.New("eventlog: the store is full")
	// ErrUncertain: no answer came; the decision may be stored or not. Sending it
	// again with the same id is safe.
	ErrUncertain = errors.New("eventlog: no answer from the log; send again with the same id")
	// ErrUnsafe: the log looked at itself and stores nothing, because what it would
	// acknowledge could get lost; see Finding.
	ErrUnsafe = errors.New("eventlog: the log stores nothing until it is put right")
	// ErrClosed: the log was closed.
	ErrClosed = errors.New("eventlog: the log is closed")
)

// LosingError says that a stream is set so that it could lose facts.
type LosingError struct {
	Stream  string
	Reasons []string
}

// Error names every setting that would lose facts and what to do.
func (e *LosingError) Error() string {
	s := fmt.Sprintf("the stream %s is set so that it could lose facts:", e.Stream)
	for _, r := range e.Reasons {
		s += "\n  - " + r
	}
	return s + "\nSet it back as operator, or start on another data directory; nothing was written."
}

// MissingError says that a stream which existed before can't be found.
type MissingError struct{ Stream string }

// Error says what it usually means: a wrong key looks like an empty store.
func (e *MissingError) Error() string {
	return fmt.Sprintf("the stream %s existed on this data directory and can't be found. "+
		"Usually the key file is wrong or missing, or the store was moved. "+
		"Start with the right --key-file (on a cluster: look whether --nats names the right one), or restore the store from a backup; it is never recreated by itself.", e.Stream)
}
