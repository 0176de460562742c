package eventlog

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// lookEvery is how often a follower of the embedded log asks whether the stream holds
// more than this process knows of: what was stored although no answer came, or
// what an operator wrote.
const lookEvery = 250 * time.Millisecond

// feed hands on what this process has made durable in one stream, without a round
// through the broker: a consumer on the stream costs every write about as much
// again. It serves the embedded log, where hardly anybody else writes; what is not
// its own a follower reads from the stream.
type feed[T any] struct {
	mu    sync.Mutex
	tails map[*tail[T]]struct{}
}

// tail is one follower's place in the stream.
type tail[T any] struct {
	mu    sync.Mutex
	next  uint64       // sequence that is handed on next
	ahead map[uint64]T // durable and not handed on yet
	wake  chan struct{}
}

func (f *feed[T]) follow() *tail[T] {
	t := &tail[T]{ahead: map[uint64]T{}, wake: make(chan struct{}, 1)}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.tails == nil {
		f.tails = map[*tail[T]]struct{}{}
	}
	f.tails[t] = struct{}{}
	return t
}

func (f *feed[T]) leave(t *tail[T]) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.tails, t)
}

// read is the last sequence that a follower has handed on.
func (f *feed[T]) read() uint64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	var last uint64
	for t := range f.tails {
		last = max(last, t.behind())
	}
	return last
}

// put tells every follower of a durable message.
func (f *feed[T]) put(seq uint64, v T) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for t := range f.tails {
		t.put(seq, v)
	}
}

func (t *tail[T]) put(seq uint64, v T) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if seq < t.next {
		return // read from the stream already
	}
	t.ahead[seq] = v
	if seq != t.next {
		return
	}
	select {
	case t.wake <- struct{}{}:
	default:
	}
}

// from moves the place behind what was read from the stream.
func (t *tail[T]) from(read uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.next = read + 1
	for seq := range t.ahead {
		if seq < t.next {
			delete(t.ahead, seq)
		}
	}
}

// take gives what follows without a hole, and the sequence of the first.
func (t *tail[T]) take() (first uint64, list []T) {
	t.mu.Lock()
	defer t.mu.Unlock()
	first = t.next
	for {
		v, ok := t.ahead[t.next]
		if !ok {
			return first, list
		}
		delete(t.ahead, t.next)
		list = append(list, v)
		t.next++
	}
}

// behind is the last sequence that was handed on.
func (t *tail[T]) behind() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return max(t.next, 1) - 1 // 0 until the stream was read for the first time
}

// tailing follows one stream of the embedded log in order: what this process wrote
// through f, everything else from the stream itself.
func tailing[T any](ctx context.Context, j *jet, f *feed[T], stream string, from uint64, own func(uint64, T), read reading, one func(func())) error {
	t := f.follow()
	defer f.leave(t)
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		var err error
		from, err = j.readToEnd(ctx, stream, from, read, one)
		var lost *LostError
		if errors.As(err, &lost) || errors.Is(err, ErrClosed) || ctx.Err() != nil {
			return err
		} else if err != nil {
			// The server is being started again, or the disk holds it up; health says so.
			if !j.pause(ctx) {
				return j.ended(ctx, nil)
			}
			continue
		}
		t.from(from)
		stood := uint64(0) // where the follower stood at the last look, plus one
		for missing := false; !missing; {
			for first, list := t.take(); len(list) > 0; first, list = t.take() {
				for i, v := range list {
					own(first+uint64(i), v)
				}
			}
			select {
			case <-ctx.Done():
				return nil
			case <-j.closing:
				return ErrClosed
			case <-j.guard.broken:
				return j.guard.gone()
			case <-t.wake:
			case <-look.C:
				before := t.behind()
				end, err := lastOf(ctx, j.js, stream)
				if err != nil {
					if err = j.ended(ctx, err); err == nil || errors.Is(err, ErrClosed) {
						return err
					}
					continue
				}
				// What is durable comes through the feed a moment later: only what is
				// still missing at the next look is a hole.
				missing = end > before && stood == before+1
				stood = before + 1
			}
		}
		from = t.behind()
	}
}

// pause waits until it is worth trying again, and reports whether it is.
func (j *jet) pause(ctx context.Context) bool {
	t := time.NewTimer(lookEvery)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-j.closing:
		return false
	case <-t.C:
		return true
	}
}

// reading decodes a message and gives what then tells the follower of it.
type reading func(m jetstream.Msg, seq uint64) (tell func())

// How many messages are handed from the one who decodes to the one who tells at a time,
// and how many such parts may wait: a start decodes what comes next while the follower
// folds what came last.
const (
	partOf       = 256
	partsWaiting = 32
)

// readToEnd reads a stream up to the end that it has now. What it has read was told when it
// returns. One calls a function while no other one is called.
func (j *jet) readToEnd(ctx context.Context, stream string, from uint64, read reading, one func(func())) (uint64, error) {
	end, err := lastOf(ctx, j.js, stream)
	if err != nil {
		return from, j.ended(ctx, err)
	}
	if end <= from {
		return from, nil
	}
	parts, told := make(chan []func(), partsWaiting), make(chan struct{})
	go func() {
		defer close(told)
		for part := range parts {
			for _, tell := range part {
				one(tell)
			}
		}
	}()
	following, stop := context.WithCancel(ctx)
	defer stop()
	hole := false
	var part []func()
	err = j.follow(following, j.js, stream, from, func(m jetstream.Msg, seq uint64) {
		if seq > end || seq <= from || hole {
			return // behind what was asked for: the feed or the next reading brings it
		}
		if hole = seq > from+1 && j.gone[stream] == 0; hole {
			stop()
			return
		}
		part = append(part, read(m, seq))
		if from = seq; len(part) == partOf || seq == end {
			parts <- part
			part = nil
		}
		if seq == end {
			stop()
		}
	})
	parts <- part // nobody adds to it any more
	close(parts)
	<-told
	var still *stillError
	if hole || errors.As(err, &still) {
		err = j.unreadable(ctx, stream, from+1, err)
	}
	return from, err
}

// unreadable tells a message that isn't there from one that was not sent: the server
// passes over what it can't read any more, or sends nothing from there on.
func (j *jet) unreadable(ctx context.Context, stream string, seq uint64, why error) error {
	s, err := j.js.Stream(ctx, stream)
	if err != nil {
		return j.ended(ctx, err)
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	_, err = s.GetMsg(ctx, seq)
	var api *jetstream.APIError
	if errors.Is(err, jetstream.ErrMsgNotFound) || errors.As(err, &api) {
		return &LostError{stream, fmt.Sprintf("the message %d can't be read", seq)}
	}
	if err == nil && why == nil {
		why = fmt.Errorf("eventlog: the message %d of %s was passed over", seq, stream)
	}
	return cmp.Or(err, why)
}

// lastOf is the last sequence of a stream.
func lastOf(ctx context.Context, js jetstream.JetStream, stream string) (uint64, error) {
	s, err := js.Stream(ctx, stream)
	if err != nil {
		return 0, fmt.Errorf("eventlog: %w", err)
	}
	return s.CachedInfo().State.LastSeq, nil
}

// ended is nil when a follower was told to end, ErrClosed when the log was.
func (j *jet) ended(ctx context.Context, err error) error {
	select {
	case <-j.closing:
		return ErrClosed
	default:
	}
	if ctx.Err() != nil {
		return nil
	}
	return err
}
