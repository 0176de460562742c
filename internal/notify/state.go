package notify

import (
	"fmt"
	"strings"

	"specimen.example/custody/internal/event"
)

// State is how a delivery stands.
type State struct {
	Waiting  int           // tubes whose flags should have been told by now
	Since    event.Instant // since when the first of them waits, 0 for none
	LaidDown int64         // messages that were given up, ever
	Sent     int64         // messages that were taken, by this process
	Failed   int64         // tries that failed, by this process
	Last     string        // why the last try failed, empty when it didn't
}

// counts is what a process knows of its own tries.
type counts struct {
	sent, failed int64
	last         error
}

func (d *Delivery) state(now event.Instant) State {
	s := d.record.state(now)
	s.Sent, s.Failed = d.counts.sent, d.counts.failed
	if d.counts.last != nil {
		s.Last = strings.TrimPrefix(d.counts.last.Error(), "notify: ")
	}
	return s
}

// state counts what was decided and not taken, and what should have been decided.
func (r *record) state(now event.Instant) State {
	s := State{LaidDown: r.LaidDown}
	since := func(at event.Instant) {
		if s.Since == 0 || at < s.Since {
			s.Since = at
		}
	}
	for i := range r.Queue {
		m := &r.Queue[i].Message
		s.Waiting += m.Count
		since(m.Decided)
	}
	for _, f := range r.Plan.Flags {
		if f.Ready != 0 && f.Ready <= now {
			s.Waiting++
			since(f.Ready)
		}
	}
	return s
}

// StateOf reads how a delivery stands from the record that it keeps, for a process that
// doesn't deliver itself. No data is a delivery that never began.
func StateOf(data []byte, now event.Instant) (State, error) {
	if len(data) == 0 {
		return State{}, nil
	}
	r, err := decode(data)
	if err != nil {
		return State{}, fmt.Errorf("notify: the record can't be read: %w", err)
	}
	return r.state(now), nil
}
