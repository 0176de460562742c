package app_test

import (
	"cmp"
	"context"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
)

// logEntry is one message of a log that was: a decision, or a run under its sequence.
type logEntry struct {
	record *event.Record
	run    *event.Run
	seq    uint64
}

func (e *logEntry) recorded() event.Instant {
	if e.record != nil {
		return e.record.Recorded
	}
	return e.run.Recorded
}

// past is a log that was, for a model that only looks: it hands over what it is given, in
// that order, says that it ends there, and takes nothing.
type past struct {
	eventlog.Log // nil: whatever else is asked fails loudly
	entries      chan []logEntry
	begun        chan struct{} // closed when the first entries were handed over

	mu sync.Mutex // guards the fields below
	at eventlog.Position
	of map[custody.Target][]event.Record
}

func newPast() *past {
	return &past{entries: make(chan []logEntry), begun: make(chan struct{}), of: map[custody.Target][]event.Record{}}
}

// give hands entries over, and returns once the model has them.
func (p *past) give(entries []logEntry) {
	p.mu.Lock()
	for _, e := range entries {
		if e.record == nil {
			p.at.Readings = max(p.at.Readings, e.seq)
			continue
		}
		p.at.Custody = max(p.at.Custody, e.record.Seq)
		target := custody.Target{Kind: e.record.Kind, Key: e.record.Key}
		p.of[target] = append(p.of[target], *e.record)
	}
	p.mu.Unlock()
	p.entries <- entries
	p.entries <- nil // taken only once all before it was handed over
	select {
	case <-p.begun:
	default:
		close(p.begun)
	}
}

// Follow implements eventlog.Log.
func (p *past) Follow(ctx context.Context, _ eventlog.Position, sink eventlog.Sink) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case entries := <-p.entries:
			for i := range entries {
				if e := &entries[i]; e.record != nil {
					sink.Decision(e.record)
				} else {
					sink.Run(e.seq, e.run)
				}
			}
		}
	}
}

// End implements eventlog.Log.
func (p *past) End(ctx context.Context) (eventlog.Position, error) {
	select {
	case <-ctx.Done():
		return eventlog.Position{}, ctx.Err()
	case <-p.begun:
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.at, nil
}

// Lease implements eventlog.Log: who only looks appends nothing.
func (p *past) Lease(context.Context, string, string) (bool, error) { return false, nil }

// Release implements eventlog.Log.
func (p *past) Release(context.Context, string, string) error { return nil }

// History implements eventlog.Log.
func (p *past) History(_ context.Context, kind event.Kind, key event.Key) ([]event.Record, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	records := slices.Clone(p.of[custody.Target{Kind: kind, Key: key}])
	slices.SortFunc(records, func(a, b event.Record) int { return cmp.Compare(a.Seq, b.Seq) })
	return records, nil
}

// reader is a model that has read a log that was up to some entry, and stands at an instant.
type reader struct {
	*live.Model
	past *past
	now  atomic.Int64
}

// starter are the shipped limits, which the daemon knows too.
var starter = sync.OnceValues(func() (*stability.Set, error) {
	set, _, err := library.Starter()
	return set, err
})

// newReader gives a reader that has read nothing yet.
func newReader(t *testing.T) *reader {
	t.Helper()
	set, err := starter()
	if err != nil {
		t.Fatal(err)
	}
	r := &reader{past: newPast()}
	r.Model = live.New(r.past, func() event.Instant { return event.Instant(r.now.Load()) },
		live.Lists{Tubes: set.Tubes, Assays: set.Assays}, "reads", slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return r
}

// read reads on, in this order, and then stands at an instant.
func (r *reader) read(t *testing.T, entries []logEntry, now event.Instant) {
	t.Helper()
	r.now.Store(int64(now))
	r.past.give(entries)
	if err := r.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
}
