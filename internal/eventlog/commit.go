package eventlog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// Limits of one atomic batch: the server takes at most 1000 messages, and one
// flush should not hold more than a few megabytes.
const (
	maxGroup      = 1000
	maxGroupBytes = 4 << 20
)

// answerTime is how long one publish or batch may stay without an answer. What was
// sent to a server that is gone is never answered, so waiting through an election
// of ten seconds would only lengthen the gap: the sender sends again, with its id.
const answerTime = 5 * time.Second

// electionTime is how long servers of a cluster may need to agree on a leader.
const electionTime = 10 * time.Second

// entry is one message on its way into the stream.
type entry struct {
	subject string
	data    []byte
	trace   string // W3C traceparent, or empty
	after   uint64
	expect  bool // after is the expected last sequence of subject
	at      int  // place among those that share done
	done    chan outcome
}

type outcome struct {
	at  int // of the entry
	seq uint64
	err error
}

// tell gives the entry's outcome to who waits for it. done has room for all that
// share it.
func (e *entry) tell(seq uint64, err error) { e.done <- outcome{e.at, seq, err} }

// committer makes messages durable. While few are on their way, each caller
// publishes its own: the broker then never waits for us between two of them. More
// than that queue up: whatever is waiting when a flush ends goes into the next one,
// a small group message by message, a larger one as one atomic batch, whichever
// costs less here (see breakEven).
type committer struct {
	js        jetstream.JetStream
	line      *line
	breakEven int // largest number that is published singly

	mu      sync.Mutex // guards the fields below
	alone   int        // callers that publish their own now
	grouped bool       // the loop has the queue
	queue   []*entry
	closed  bool

	wake   chan struct{} // holds one token when the loop is to begin
	quit   chan struct{}
	over   chan struct{} // closed when the loop has ended
	flying sync.WaitGroup
}

func newCommitter(js jetstream.JetStream, line *line, breakEven int) *committer {
	c := &committer{
		js: js, line: line, breakEven: breakEven,
		wake: make(chan struct{}, 1), quit: make(chan struct{}), over: make(chan struct{}),
	}
	go c.loop()
	return c
}

// append makes e durable and gives its sequence. If ctx ends first, the outcome is
// not known.
func (c *committer) append(ctx context.Context, e *entry) (uint64, error) {
	if c.goAlone() {
		return c.alonePublish(ctx, e)
	}
	c.mu.Lock()
	if c.closed {
		c.mu.Unlock()
		return 0, ErrClosed
	}
	e.done = make(chan outcome, 1)
	c.queue = append(c.queue, e)
	if !c.grouped {
		c.grouped = true
		c.wake <- struct{}{} // the loop took the last token before it let go of the queue
	}
	c.mu.Unlock()
	select {
	case o := <-e.done:
		return o.seq, o.err
	case <-ctx.Done():
		return 0, fmt.Errorf("%w: %w", ErrUncertain, ctx.Err())
	}
}

// appendAll makes entries durable that expect nothing of each other, and gives their
// sequences, 0 for those that are not stored for sure, with the first error. When ctx
// ends, what has not left yet is taken back and what has is waited for.
func (c *committer) appendAll(ctx context.Context, all []*entry) ([]uint64, error) {
	seqs := make([]uint64, len(all))
	switch len(all) {
	case 0:
		return seqs, nil
	case 1:
		if c.goAlone() {
			seq, err := c.alonePublish(ctx, all[0])
			seqs[0] = seq
			return seqs, err
		}
	}
	done := make(chan outcome, len(all))
	for i, e := range all {
		e.at, e.done = i, done
	}
	c.mu.Lock()
	if c.closed {
		c.mu.Unlock()
		return seqs, ErrClosed
	}
	c.queue = append(c.queue, all...)
	if !c.grouped {
		c.grouped = true
		c.wake <- struct{}{} // as in append
	}
	c.mu.Unlock()
	var first error
	hear := func(o outcome) {
		seqs[o.at] = o.seq
		if first == nil {
			first = o.err
		}
	}
	gone := ctx.Done()
	for left := len(all); left > 0; {
		select {
		case o := <-done:
			hear(o)
			left--
		case <-gone:
			gone = nil
			left -= c.withdraw(done)
			if first == nil {
				first = fmt.Errorf("%w: %w", ErrUncertain, ctx.Err())
			}
		}
	}
	return seqs, first
}

// goAlone reports whether a caller is to publish its own, by alonePublish.
func (c *committer) goAlone() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed || c.grouped || c.alone >= c.breakEven {
		return false
	}
	c.alone++
	c.flying.Add(1)
	return true
}

func (c *committer) alonePublish(ctx context.Context, e *entry) (uint64, error) {
	defer c.flying.Done()
	seq, err := c.single(ctx, e)
	c.mu.Lock()
	c.alone--
	c.mu.Unlock()
	return seq, err
}

// withdraw takes from the queue what answers to done, and says how many that were.
func (c *committer) withdraw(done chan outcome) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	before := len(c.queue)
	c.queue = slices.DeleteFunc(c.queue, func(e *entry) bool { return e.done == done })
	return before - len(c.queue)
}

// traceHeader carries where a message was caused (W3C Trace Context, traceparent), so
// that whoever judges on it in another process can say so.
const traceHeader = "traceparent"

// single publishes one message and waits for its answer.
func (c *committer) single(ctx context.Context, e *entry) (uint64, error) {
	ctx, cancel := c.line.within(ctx, answerTime)
	defer cancel()
	ack, err := c.js.PublishMsg(ctx, e.msg())
	if err != nil {
		return 0, classify(err)
	}
	return ack.Sequence, nil
}

// close ends the loop after the group under way; what still waits is not stored.
func (c *committer) close() {
	c.mu.Lock()
	already := c.closed
	c.closed = true
	c.mu.Unlock()
	if !already {
		close(c.quit)
	}
	<-c.over
	c.flying.Wait()
}

func (c *committer) loop() {
	defer close(c.over)
	for {
		select {
		case <-c.quit:
			c.refuseRest()
			return
		case <-c.wake:
		}
		last := 0              // size of the last group
		var cost time.Duration // what the last group took
		for {
			group := c.take()
			if len(group) == 0 {
				break
			}
			start := time.Now()
			c.publish(group)
			last, cost = len(group), time.Since(start)
			c.gather(c.waiting(), last, cost)
		}
	}
}

// gather waits a little for callers that the last flush has just answered: they
// come back within microseconds, and a group that leaves without them costs
// everybody a second flush. Who waits already doesn't count as one of them: else
// the callers fall into two halves that wait for each other's flushes. It gives up
// after a quarter of a flush, or half of that without anybody coming.
func (c *committer) gather(already, last int, cost time.Duration) {
	if last <= c.breakEven {
		return // single publishes are answered one by one; nobody is about to come back together
	}
	start := time.Now()
	longest, grown := min(cost/4, 4*time.Millisecond), start
	seen := already
	for all := min(already+last, maxGroup); ; {
		now, n := time.Now(), c.waiting()
		if n > seen {
			seen, grown = n, now
		}
		if n >= all || now.Sub(start) > longest || now.Sub(grown) > longest/2 {
			return
		}
		time.Sleep(50 * time.Microsecond)
	}
}

func (c *committer) waiting() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.queue)
}

// take cuts the next group off the queue: at most one message a subject, since
// the second would need the sequence that the first is about to get. When there is
// none, callers publish their own again.
func (c *committer) take() []*entry {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.queue) == 0 {
		c.grouped = false
		return nil
	}
	var group, rest []*entry
	bytes := 0
	seen := map[string]bool{}
	for i, e := range c.queue {
		if len(group) == maxGroup || bytes+len(e.data) > maxGroupBytes && len(group) > 0 {
			rest = append(rest, c.queue[i:]...)
			break
		}
		if e.expect && seen[e.subject] {
			rest = append(rest, e)
			continue
		}
		if e.expect {
			seen[e.subject] = true
		}
		bytes += len(e.data)
		group = append(group, e)
	}
	c.queue = rest
	return group
}

func (c *committer) refuseRest() {
	c.mu.Lock()
	rest := c.queue
	c.queue = nil
	c.mu.Unlock()
	for _, e := range rest {
		e.tell(0, ErrClosed)
	}
}

func (c *committer) publish(group []*entry) {
	if len(group) <= c.breakEven {
		c.singly(group)
		return
	}
	c.batch(group)
}

// singly publishes every message on its own, all in flight together.
func (c *committer) singly(group []*entry) {
	futures := make([]jetstream.PubAckFuture, len(group))
	for i, e := range group {
		f, err := c.js.PublishMsgAsync(e.msg())
		if err != nil {
			e.tell(0, fmt.Errorf("%w: %w", ErrUncertain, err))
			continue
		}
		futures[i] = f
	}
	ctx, cancel := c.line.within(context.Background(), answerTime)
	defer cancel()
	for i, f := range futures {
		if f == nil {
			continue
		}
		select {
		case ack := <-f.Ok():
			group[i].tell(ack.Sequence, nil)
		case err := <-f.Err():
			group[i].tell(0, classify(err))
		case <-ctx.Done():
			group[i].tell(0, ErrUncertain)
		}
	}
}

// batch publishes the group as one atomic batch with one flush. The server says
// of a refused batch only that somebody in it was wrong: halves are tried until
// the wrong one stands alone.
func (c *committer) batch(group []*entry) {
	msgs := make([]*nats.Msg, len(group))
	for i, e := range group {
		msgs[i] = e.msg()
	}
	ctx, cancel := c.line.within(context.Background(), answerTime)
	defer cancel()
	ack, err := jetstreamext.PublishMsgBatch(ctx, c.js, msgs, jetstreamext.BatchFlowControl{AckFirst: true, AckTimeout: answerTime})
	if err == nil {
		first := ack.Sequence - uint64(len(group)) + 1
		for i, e := range group {
			e.tell(first+uint64(i), nil)
		}
		return
	}
	kind := classify(err)
	if errors.Is(kind, ErrUncertain) || errors.Is(kind, ErrFull) {
		for _, e := range group {
			e.tell(0, kind)
		}
		return
	}
	if len(group) == 1 {
		group[0].tell(0, kind)
		return
	}
	half := len(group) / 2
	c.publish(group[:half])
	c.publish(group[half:])
}

func (e *entry) msg() *nats.Msg {
	m := nats.NewMsg(e.subject)
	m.Data = e.data
	if e.expect {
		m.Header.Set(jetstream.ExpectedLastSubjSeqHeader, strconv.FormatUint(e.after, 10))
	}
	if e.trace != "" {
		m.Header.Set(traceHeader, e.trace)
	}
	return m
}

// Error codes of the server that are not in the client's list.
const (
	codeReplicatedConflict = 10164 // the conflict of a replicated stream; it carries no sequence
	codeStreamFull         = 10077 // max bytes reached and discard is new
	codeNoSpace            = 10047 // account or server storage exhausted
	codeInsufficient       = 10023 // insufficient resources
	codeNoPeers            = 10005 // too few servers for the copies of a stream
)

// classify tells what an error of the broker means for the message: a conflict,
// no room, a refusal, or no knowledge.
func classify(err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		switch api.ErrorCode {
		case jetstream.JSErrCodeStreamWrongLastSequence, codeReplicatedConflict:
			return ErrConflict
		case codeStreamFull, codeNoSpace, codeInsufficient:
			return fmt.Errorf("%w: %s", ErrFull, api.Description)
		}
		return fmt.Errorf("eventlog: the log refused the message: %w", err)
	}
	return fmt.Errorf("%w: %w", ErrUncertain, err)
}
