package app

import (
	"context"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/notify"
)

// flagSource gives the changes of flags in the order of the log. What comes while it
// watches the model it has in memory, because a follower more would cost every write of
// a cluster a message; what came before, or was let go of, it reads from the log. Who
// asks says from where, so nothing between two processes is lost.
type flagSource struct {
	model *live.Model
	log   eventlog.Log
	wakes []chan struct{} // one token each: there is something new

	mu      sync.Mutex // guards the fields below
	watcher *live.Watcher
	from    uint64 // all changes behind it, up to through, are in recent
	through uint64
	recent  []notify.Change
}

// mostRecent is how many changes are kept in memory. Who is further behind reads the log.
const mostRecent = 10_000

// lookAtFlags is how often it is looked for changes that nobody asked for: often enough
// beside the seconds that a flag must stand before it is told.
const lookAtFlags = 100 * time.Millisecond

// begin starts watching. What the model has read already is the log's to tell.
func (s *flagSource) begin() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.anew()
}

// anew needs mu.
func (s *flagSource) anew() {
	if s.watcher != nil {
		s.watcher.Stop()
	}
	s.watcher = s.model.Watch()
	s.from = s.model.At().Custody
	s.through, s.recent = s.from, nil
}

// watch takes in what the model folds until ctx ends.
func (s *flagSource) watch(ctx context.Context) {
	tick := time.NewTicker(lookAtFlags)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			s.mu.Lock()
			s.watcher.Stop()
			s.mu.Unlock()
			return
		case <-tick.C:
			s.mu.Lock()
			news := s.drain()
			s.mu.Unlock()
			if news {
				s.wake()
			}
		}
	}
}

// drain takes in what the model has told, all of it, so that who asks for changes misses
// none that the model knows; it reports whether there was one. A watcher that was dropped,
// because nobody drained it in time, is replaced: the log has what it missed. It needs mu.
func (s *flagSource) drain() bool {
	news := false
	for {
		select {
		case c, ok := <-s.watcher.C:
			if !ok {
				s.anew()
				return true
			}
			news = s.take(&c) || news
		default:
			return news
		}
	}
}

// take needs mu.
func (s *flagSource) take(c *live.Change) bool {
	if c.Seq <= s.through {
		return false
	}
	s.through = c.Seq
	if c.Target.Kind != event.KindTube || !slices.ContainsFunc(c.Facts, ofFlag) {
		return false
	}
	found := false
	s.model.WorldOf(c.Target.Key, func(w *custody.World, known *custody.Tube) {
		records := w.Records(c.Target)
		for i := len(records) - 1; i >= 0; i-- {
			// One that isn't there was a second message of an id, which counts nowhere.
			if records[i].Seq != c.Seq {
				continue
			}
			var change notify.Change
			if change, found = notify.FromRecord(records[i], known); found {
				s.recent = append(s.recent, change)
			}
			return
		}
	})
	if len(s.recent) > mostRecent {
		gone := len(s.recent) / 2
		s.from = s.recent[gone-1].Seq
		s.recent = slices.Clone(s.recent[gone:])
	}
	return found
}

// ofFlag tells whether a fact can change a flag by what FromRecord says.
func ofFlag(f event.Fact) bool {
	switch f.(type) {
	case event.FlagRaised, event.FlagChanged, event.FlagCleared, event.FlagTaken, event.FlagActed, event.FlagOverridden, event.FlagPutAside, event.Voided:
		return true
	}
	return false
}

func (s *flagSource) wake() {
	for _, c := range s.wakes {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// After implements notify.Source.
func (s *flagSource) After(ctx context.Context, seq uint64, limit int) ([]notify.Change, uint64, bool, error) {
	s.mu.Lock()
	s.drain()
	from, through := s.from, s.through
	if seq < from {
		s.mu.Unlock()
		return s.read(ctx, seq, from, limit)
	}
	first := sort.Search(len(s.recent), func(i int) bool { return s.recent[i].Seq > seq })
	last := min(first+limit, len(s.recent))
	got := slices.Clone(s.recent[first:last])
	more := last < len(s.recent)
	s.mu.Unlock()
	if seq > through {
		// The process before this one was further, or the log is another one.
		end, err := s.log.End(ctx)
		if err == nil && end.Custody < seq {
			err = &notify.ShorterError{End: end.Custody}
		}
		return nil, seq, false, err
	}
	if more {
		through = got[len(got)-1].Seq
	}
	return got, through, more, nil
}

// read reads the log behind seq up to to, which the model has read.
func (s *flagSource) read(ctx context.Context, seq, to uint64, limit int) ([]notify.Change, uint64, bool, error) {
	reading, stop := context.WithCancel(ctx)
	defer stop()
	r := &flagReading{model: s.model, to: to, limit: limit, at: seq, stop: stop}
	// Readings are of no interest here: from where the model stands there are few.
	err := s.log.Follow(reading, eventlog.Position{Custody: seq, Readings: s.model.At().Readings}, r)
	if err == nil {
		err = ctx.Err()
	}
	return r.got, r.at, r.at < to, err
}

// flagReading is a sink that ends itself.
type flagReading struct {
	model *live.Model
	to    uint64
	limit int
	at    uint64 // how far it came
	got   []notify.Change
	done  bool
	stop  func()
}

// Decision implements eventlog.Sink.
func (r *flagReading) Decision(rec *event.Record) {
	if r.done {
		return
	}
	if rec.Seq <= r.to && rec.Kind == event.KindTube && slices.ContainsFunc(rec.Facts, ofFlag) {
		r.model.WorldOf(rec.Key, func(_ *custody.World, known *custody.Tube) {
			if c, ok := notify.FromRecord(rec, known); ok {
				r.got = append(r.got, c)
			}
		})
	}
	r.passed(rec.Seq)
}

// Broken implements eventlog.Sink. The model lists it; its tube says "cannot say".
func (r *flagReading) Broken(b eventlog.Broken) {
	if !strings.HasPrefix(b.Subject, "readings.") && !r.done {
		r.passed(b.Seq)
	}
}

func (r *flagReading) passed(seq uint64) {
	r.at = max(r.at, min(seq, r.to))
	if r.at >= r.to || len(r.got) >= r.limit {
		r.done = true
		r.stop()
	}
}

// Run implements eventlog.Sink.
func (r *flagReading) Run(uint64, *event.Run) {}
