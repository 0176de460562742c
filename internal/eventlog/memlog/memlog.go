// Package memlog is the log in memory, with the contract of eventlog.Log and the
// stored form of the real one. Rehearsals and tests use it where durability is
// not the question; OnAppend lets a test see what happens when a network lies.
package memlog

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
)

// Log implements eventlog.Log. The zero value is not usable; see New.
type Log struct {
	// OnAppend, when set before use, decides for each decision whether the write
	// lands and what the caller hears. The two may differ: networks do that.
	OnAppend func(d *event.Decision) (land bool, err error)
	// OnRuns is OnAppend for runs of readings: how many of them land, the first ones, and
	// of how many of these the caller hears. It may take its time: a slow log does.
	OnRuns func(ctx context.Context, runs []*event.Run) (land, told int, err error)

	mu       sync.Mutex
	custody  []message
	readings []message
	last     map[string]uint64 // subject -> sequence of its last custody message
	shelves  map[eventlog.ShelfName]*shelf
	leases   map[string]string
	grown    chan struct{} // closed and replaced on every append
	closed   bool
}

type message struct {
	subject string
	data    []byte
}

const volume = "MEM"

// New gives an empty log.
func New() *Log {
	return &Log{last: map[string]uint64{}, shelves: map[eventlog.ShelfName]*shelf{}, leases: map[string]string{}, grown: make(chan struct{})}
}

// Reopen makes a closed log usable again with all it held, as a restart does.
func (l *Log) Reopen() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = false
	l.leases = map[string]string{}
	l.grown = make(chan struct{})
}

// Append implements eventlog.Log.
func (l *Log) Append(ctx context.Context, d *event.Decision, after uint64) (uint64, error) {
	if err := ctx.Err(); err != nil {
		return 0, fmt.Errorf("%w: %w", eventlog.ErrUncertain, err)
	}
	if !d.Key.Valid() || !slices.Contains(event.Kinds(), d.Kind) {
		return 0, fmt.Errorf("memlog: %s %q is no aggregate", d.Kind, d.Key)
	}
	data, err := wire.Decision(d)
	if err != nil {
		return 0, err
	}
	land, hear := true, error(nil)
	if l.OnAppend != nil {
		land, hear = l.OnAppend(d)
	}
	if !land {
		return 0, hear
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return 0, eventlog.ErrClosed
	}
	subject := event.Subject(volume, d.Kind, d.Key)
	if l.last[subject] != after {
		return 0, eventlog.ErrConflict
	}
	l.custody = append(l.custody, message{subject, data})
	seq := uint64(len(l.custody))
	l.last[subject] = seq
	l.grow()
	return seq, hear
}

// AppendRun implements eventlog.Log.
func (l *Log) AppendRun(ctx context.Context, r *event.Run) (uint64, error) {
	seqs, err := l.AppendRuns(ctx, []*event.Run{r})
	if len(seqs) == 0 {
		return 0, err
	}
	return seqs[0], err
}

// AppendRuns implements eventlog.Log.
func (l *Log) AppendRuns(ctx context.Context, runs []*event.Run) ([]uint64, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("%w: %w", eventlog.ErrUncertain, err)
	}
	all := make([]message, len(runs))
	for i, r := range runs {
		if !r.Logger.Valid() {
			return nil, fmt.Errorf("memlog: logger %q is no aggregate", r.Logger)
		}
		data, err := wire.Run(r)
		if err != nil {
			return nil, err
		}
		all[i] = message{event.ReadingsSubject(volume, r.Logger), data}
	}
	land, told, hear := len(all), len(all), error(nil)
	if l.OnRuns != nil {
		land, told, hear = l.OnRuns(ctx, runs)
	}
	seqs := make([]uint64, len(runs))
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return seqs, eventlog.ErrClosed
	}
	for i, m := range all[:land] {
		l.readings = append(l.readings, m)
		if i < told {
			seqs[i] = uint64(len(l.readings))
		}
	}
	if land > 0 {
		l.grow()
	}
	return seqs, hear
}

func (l *Log) grow() {
	close(l.grown)
	l.grown = make(chan struct{})
}

// Raw puts bytes into the custody stream as they are, for tests of what a reader
// does with a message it can't understand.
func (l *Log) Raw(subject string, data []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.custody = append(l.custody, message{subject, data})
	l.last[subject] = uint64(len(l.custody))
	l.grow()
}

// Follow implements eventlog.Log.
func (l *Log) Follow(ctx context.Context, from eventlog.Position, sink eventlog.Sink) error {
	reader := wire.NewReader()
	for {
		l.mu.Lock()
		custody, readings := l.custody[from.Custody:], l.readings[from.Readings:]
		grown, closed := l.grown, l.closed
		l.mu.Unlock()
		for _, m := range custody {
			if ctx.Err() != nil {
				return nil
			}
			from.Custody++
			d, err := reader.Decision(m.data)
			if err != nil {
				sink.Broken(eventlog.Broken{Stream: "CUSTODY_" + volume, Seq: from.Custody, Subject: m.subject, Err: err})
				continue
			}
			sink.Decision(&event.Record{Seq: from.Custody, Decision: d})
		}
		for _, m := range readings {
			if ctx.Err() != nil {
				return nil
			}
			from.Readings++
			r, err := wire.ReadRun(m.data)
			if err != nil {
				sink.Broken(eventlog.Broken{Stream: "READINGS_" + volume, Seq: from.Readings, Subject: m.subject, Err: err})
				continue
			}
			sink.Run(from.Readings, &r)
		}
		if len(custody)+len(readings) > 0 {
			continue
		}
		if closed {
			return eventlog.ErrClosed
		}
		select {
		case <-ctx.Done():
			return nil
		case <-grown:
		}
	}
}

// End implements eventlog.Log.
func (l *Log) End(context.Context) (eventlog.Position, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return eventlog.Position{Custody: uint64(len(l.custody)), Readings: uint64(len(l.readings))}, nil
}

// History implements eventlog.Log.
func (l *Log) History(_ context.Context, kind event.Kind, key event.Key) ([]event.Record, error) {
	subject := event.Subject(volume, kind, key)
	l.mu.Lock()
	custody := l.custody
	l.mu.Unlock()
	var out []event.Record
	for i, m := range custody {
		if m.subject != subject {
			continue
		}
		d, err := wire.ReadDecision(m.data)
		if err != nil {
			return nil, err
		}
		out = append(out, event.Record{Seq: uint64(i + 1), Decision: d})
	}
	return out, nil
}

// Lease implements eventlog.Log. In memory a lease lapses only by Release or Reopen.
func (l *Log) Lease(_ context.Context, name, holder string) (bool, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return false, eventlog.ErrClosed
	}
	if l.leases[name] == "" {
		l.leases[name] = holder
	}
	return l.leases[name] == holder, nil
}

// Release implements eventlog.Log.
func (l *Log) Release(_ context.Context, name, holder string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.leases[name] == holder {
		delete(l.leases, name)
	}
	return nil
}

// Close implements eventlog.Log.
func (l *Log) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.closed {
		l.closed = true
		l.grow()
	}
	return nil
}
