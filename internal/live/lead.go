package live

import (
	"container/heap"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"log/slog"
	"slices"
	"sync"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/flags"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/vigil"
)

// batch bounds one turn of the judge, so that a failed fridge with a thousand
// tubes does not hold up readings and scans.
const batch = 128

// leaseName is the lease for appending what the judge says.
const leaseName = "judge"

// principal is who signs what the judge says.
const principal = "custodyd"

// write is what the judge wants the log to say of one aggregate.
type write struct {
	decision event.Decision
	after    uint64
	cause    string // traceparent of what it was judged for, or empty
}

// judgeLoop judges what became dirty or due. Every process judges; only the one
// that holds the lease appends.
func (m *Model) judgeLoop(ctx context.Context) error {
	lease := time.NewTicker(askEvery)
	defer lease.Stop()
	defer m.giveBack()
	var asked time.Time
	ask := func() {
		if m.Leading() && time.Since(asked) < renewEvery {
			return
		}
		asked = time.Now()
		m.renew(ctx)
	}
	ask()
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		for m.turn(ctx) {
			select {
			case <-lease.C:
				ask()
			default:
			}
		}
		if err := m.failed(); err != nil {
			return err
		}
		timer.Reset(m.untilNext())
		select {
		case <-ctx.Done():
			return nil
		case <-m.poke:
		case <-timer.C:
		case <-lease.C:
			ask()
		}
	}
}

// renew asks for the lease. Who gets it anew looks at every tube again: facts may
// have come while nobody appended. A process that is still reading doesn't ask: it
// would raise flags on half of the facts, and clear them on the other half.
func (m *Model) renew(ctx context.Context) {
	if !m.Ready() {
		return
	}
	// Two askings at once would compete like two processes, and the loser's "no" could
	// be the one that is kept.
	m.renewing.Lock()
	defer m.renewing.Unlock()
	held, err := m.log.Lease(ctx, leaseName, m.id)
	if err != nil && ctx.Err() == nil {
		m.logger.Warn("the lease could not be renewed", slog.Any("error", err))
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if held && !m.leading {
		m.logger.Info("this process appends flags now")
		for key, e := range m.tubes {
			m.mark(key, e)
		}
	}
	m.leading, m.judging = held, true
	m.advance()
}

// giveBack lets another process take over at once after a clean stop.
func (m *Model) giveBack() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := m.log.Release(ctx, leaseName, m.id); err != nil && !errors.Is(err, eventlog.ErrClosed) {
		m.logger.Warn("the lease could not be given back", slog.Any("error", err))
	}
}

// turn judges up to batch tubes and appends what follows. It reports whether
// there is more to do. The model is free between two tubes: somebody who scans
// waits for one judgement at most.
func (m *Model) turn(ctx context.Context) bool {
	if ctx.Err() != nil {
		return false
	}
	m.mu.Lock()
	now := m.time()
	m.queueDue(now)
	m.name(now)
	more := m.stirred()
	more = m.rests(restLooks, now) || more
	if len(m.dirty) == 0 {
		m.judgeLate()
	}
	keys := m.takeDirty()
	doubtful := m.takeDoubtful()
	if m.busy = len(keys) > 0 || len(doubtful) > 0; !m.busy {
		more = more || m.unnamed
		m.mu.Unlock()
		return more
	}
	m.mu.Unlock()
	var writes []write
	var written []event.Key
	for _, key := range keys {
		m.mu.Lock()
		e := m.entry(key)
		cause := m.causes.take(custody.Target{Kind: event.KindTube, Key: key})
		if w, ok := m.judgeOne(key, e, now); ok {
			w.cause = cause
			writes, written = append(writes, w), append(written, key)
		} else {
			e.busy = false
			e.rest()
		}
		m.world.Tidy()
		m.mu.Unlock()
	}
	for _, t := range doubtful {
		m.mu.Lock()
		cause := m.causes.take(t)
		facts, next := m.doubtFacts(t, now)
		if next != 0 {
			heap.Push(&m.due, dueAt{next, t})
		}
		if m.leading && len(facts) > 0 {
			w := m.write(t, facts, now)
			w.cause = cause
			writes = append(writes, w)
		}
		m.world.Tidy()
		m.mu.Unlock()
	}
	if len(writes) > 0 {
		m.appendAll(ctx, writes)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.busy = false
	for _, key := range written {
		if e := m.tubes[key]; e != nil {
			e.busy = false
			e.rest()
		}
	}
	m.advance()
	return len(writes) > 0 || len(m.dirty) > 0 || len(m.doubtful) > 0 || m.unnamed || more
}

// takeDoubtful gives what doubts are looked for in one turn.
func (m *Model) takeDoubtful() (some []custody.Target) {
	for t := range m.doubtful {
		if len(some) == 4*batch {
			break
		}
		some = append(some, t)
		delete(m.doubtful, t)
	}
	if len(m.doubtful) == 0 {
		m.doubtful = map[custody.Target]bool{} // a start has all of them in it: that room is not needed again
	}
	return some
}

// takeDirty gives the tubes of one turn. What went to rest meanwhile isn't among them.
func (m *Model) takeDirty() (keys []event.Key) {
	n := 0
	for ; n < len(m.dirty) && len(keys) < batch; n++ {
		if e := m.tubes[m.dirty[n]]; e != nil && e.queued {
			e.queued, e.busy = false, true
			keys = append(keys, m.dirty[n])
		}
	}
	if m.dirty = m.dirty[n:]; len(m.dirty) == 0 {
		m.dirty = nil
	}
	return keys
}

// judgeOne judges a tube and says what the log should be told.
func (m *Model) judgeOne(key event.Key, e *entry, now event.Instant) (write, bool) {
	t, ok := m.tube(key)
	if !ok {
		return write{}, false
	}
	v := m.judge(key, now)
	m.judgings++
	target := custody.Target{Kind: event.KindTube, Key: key}
	facts, next := m.doubtFacts(target, now)
	if e.until = v.due; next != 0 && (e.until == 0 || next < e.until) {
		e.until = next
	}
	serves, next := m.serves(&v, now)
	if next != 0 && (e.until == 0 || next < e.until) {
		e.until = next
	}
	if again := m.watchOver(key, e, &v, now); again != 0 && (e.until == 0 || again < e.until) {
		e.until = again
	}
	m.tellSiblings(key, e, &v, serves)
	if e.until != 0 {
		heap.Push(&m.due, dueAt{e.until, target})
	}
	if !m.leading {
		return write{}, false
	}
	switch f := flags.Reconcile(t.Flag.Flag, t.Flag.Open, t.Flag.LastEpisode, v.Flag, v.Flagged).(type) {
	case nil:
	case event.FlagRaised:
		f.Flag.Cause = m.causeOf(key, &v)
		facts = append(facts, f)
	case event.FlagChanged:
		// What it came from is not unsaid by a change that doesn't tell.
		if f.Flag.Cause = m.causeOf(key, &v); f.Flag.Cause.Kind == event.CauseNone {
			f.Flag.Cause = t.Flag.Flag.Cause
		}
		facts = append(facts, f)
	default:
		facts = append(facts, f)
	}
	if len(facts) == 0 {
		return write{}, false
	}
	return m.write(target, facts, now), true
}

// watchOver has a tube watched for what readings and time can change of what was just said
// of it. It gives when it must be judged again by itself, 0 for never.
func (m *Model) watchOver(key event.Key, e *entry, v *View, now event.Instant) event.Instant {
	t := v.Tube
	if gone := t.Disposed.Is() || t.Rejected.Is() || t.Lost.Is(); gone && !v.Flagged && !t.Flag.Open {
		m.vigil.Drop(key)
		return 0
	}
	look := vigil.Look{Outside: v.Flagged || t.Flag.Open, Rate: v.Arrival != 0}
	return m.vigil.Watch(key, &m.watch, e.layers, look, now)
}

// serves is a sum of the tests that a tube can still serve, as otherTube asks: its own, and
// those that are lost to other tubes of its draw. The latter are watched like its own; next is
// when one of them can change by itself, 0 for never.
func (m *Model) serves(v *View, now event.Instant) (sum uint64, next event.Instant) {
	t := v.Tube
	if t.Disposed.Is() || t.Rejected.Is() || t.Lost.Is() || t.Held {
		return 0, 0
	}
	h := fnv.New64a()
	note := func(j *stability.Judgement) {
		if (j.Verdict == event.WithinLimits || j.Verdict == event.Wait) && j.Ended == 0 {
			_, _ = io.WriteString(h, j.Assay+"\n") // never fails
		}
	}
	for i := range v.Tests {
		note(&v.Tests[i].Judgement)
	}
	set := m.rulesFor(t, now)
	if set == nil || t.Zero.Earliest == 0 || t.Zero.Earliest >= now {
		return h.Sum64(), 0
	}
	for _, assay := range m.lostInDraw(t) {
		var j stability.Judgement
		set.JudgeAndWatch(&j, m.stabilityTube(t), assay, v.Segments, now, &m.watch)
		note(&j)
		if j.Until > now && (next == 0 || j.Until < next) {
			next = j.Until
		}
	}
	return h.Sum64(), next
}

// lostInDraw gives the tests that are lost to the other tubes of a draw and that the tube
// itself wasn't collected for, sorted.
func (m *Model) lostInDraw(t *custody.Tube) []string {
	var lost []string
	for _, other := range m.siblings(t) {
		if e := m.tubes[other]; e != nil {
			lost = append(lost, e.lost...)
		}
	}
	slices.Sort(lost)
	return slices.DeleteFunc(slices.Compact(lost), func(assay string) bool { return slices.Contains(t.Tests, assay) })
}

// siblings are the other tubes of the draw, whether or not the draw has facts of its own.
func (m *Model) siblings(t *custody.Tube) []event.Key {
	if t.Draw == "" {
		return nil
	}
	return slices.DeleteFunc(m.world.TubesOf(t.Draw), func(key event.Key) bool { return key == t.Key })
}

// tellSiblings queues the flagged tubes of a draw when what one of them can serve is
// another, since their flags may propose it; and all of them when other tests are lost to
// it, which they must be watched for.
func (m *Model) tellSiblings(key event.Key, e *entry, v *View, serves uint64) {
	var lost []string
	for i := range v.Tests {
		if j := &v.Tests[i].Judgement; j.Assay != "" && (j.Verdict == event.PastLimit || j.Verdict == event.WrongTube) {
			lost = append(lost, j.Assay)
		}
	}
	asks, tells := !slices.Equal(e.lost, lost), e.serves != serves
	e.lost, e.serves = lost, serves
	if !asks && !tells {
		return
	}
	for _, other := range m.siblings(v.Tube) {
		if _, flagged := m.flagged[other]; asks || flagged {
			m.mark(other, m.entry(other))
		}
	}
}

// write makes the decision for an aggregate. Its id follows from what it says and
// what it stands on, so a crash between judging and appending repeats harmlessly.
func (m *Model) write(t custody.Target, facts []event.Fact, now event.Instant) write {
	after := max(m.world.Seq(t), m.unread[t])
	// What the judge says stands behind what it said before, also when the machine's
	// clock was put back: else a flag that is cleared would stay up in the fold, and be
	// cleared again without end.
	records := m.world.Records(t)
	for i := len(records) - 1; i >= 0; i-- {
		if records[i].Principal == principal {
			now = max(now, records[i].Occurred)
			break
		}
	}
	h := sha256.New()
	_, _ = fmt.Fprintf(h, "%s %s %d %+v", t.Kind, t.Key, after, facts)
	sum := h.Sum(nil)
	return write{after: after, decision: event.Decision{
		Envelope: event.Envelope{
			ID: "judge-" + hex.EncodeToString(sum[:8]), Kind: t.Kind, Key: t.Key, Digest: sum[:16],
			Occurred: now, DeviceTime: now, Recorded: now, TimeSource: "declared", Principal: principal, Mode: event.Reported,
			// Facts of one instant keep the order in which they were judged.
			DeviceSeq: int64(after) + 1, //nolint:gosec // a stream sequence is far below 2^63
		},
		Facts: facts,
	}}
}

// appendAll appends the writes together and folds them. A conflict means that
// facts came in between: their folding queues the tube again.
func (m *Model) appendAll(ctx context.Context, writes []write) {
	var wg sync.WaitGroup
	for i := range writes {
		wg.Go(func() {
			ctx, end := m.causes.judged(ctx, writes[i].cause, &writes[i].decision)
			defer end()
			seq, err := m.log.Append(ctx, &writes[i].decision, writes[i].after)
			if err == nil {
				m.Written(&writes[i].decision, seq)
				return
			}
			if ctx.Err() != nil {
				return
			}
			if !errors.Is(err, eventlog.ErrConflict) {
				m.logger.Error("what the judge says could not be appended; it will be tried again",
					slog.String("key", string(writes[i].decision.Key)), slog.Any("error", err))
				sleep(ctx, time.Second)
			}
			m.again(ctx, &writes[i])
		})
	}
	wg.Wait()
}

// again queues the aggregate of a write that did not land, after what came before
// it has been read.
func (m *Model) again(ctx context.Context, w *write) {
	if end, err := m.log.End(ctx); err == nil {
		_ = m.WaitFor(ctx, eventlog.Position{Custody: end.Custody}) // ends with ctx
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.touch(custody.Target{Kind: w.decision.Kind, Key: w.decision.Key})
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// dueHeap orders aggregates by the instant at which what is said of them can change
// by itself. Entries go stale when a tube is judged again; they are dropped when
// they come up.
type dueHeap []dueAt

type dueAt struct {
	at event.Instant
	of custody.Target
}

func (h dueHeap) Len() int           { return len(h) }
func (h dueHeap) Less(i, j int) bool { return h[i].at < h[j].at }
func (h dueHeap) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }

// Push implements heap.Interface.
func (h *dueHeap) Push(x any) { *h = append(*h, x.(dueAt)) }

// Pop implements heap.Interface.
func (h *dueHeap) Pop() any {
	old := *h
	last := old[len(old)-1]
	*h = old[:len(old)-1]
	return last
}

// queueDue marks those whose time has come.
func (m *Model) queueDue(now event.Instant) {
	for len(m.due) > 0 && m.due[0].at <= now {
		d := heap.Pop(&m.due).(dueAt)
		if d.of.Kind == event.KindRules { // a set comes in force
			for key, e := range m.tubes {
				m.mark(key, e)
			}
		} else if d.of.Kind != event.KindTube {
			m.doubtful[d.of] = true
		} else if e := m.tubes[d.of.Key]; e != nil && e.until == d.at {
			m.mark(d.of.Key, e)
		}
	}
}

// untilNext is how long the judge may sleep. A steered clock doesn't run by
// itself; who moves it pokes the judge.
func (m *Model) untilNext() time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.dirty) > 0 || m.unnamed {
		return 0
	}
	next, ok := m.vigil.Next()
	if len(m.due) > 0 && (!ok || m.due[0].at < next) {
		next, ok = m.due[0].at, true
	}
	if !ok {
		return time.Hour
	}
	return min(max(next.Sub(m.time()), time.Millisecond), time.Hour)
}

// Poke makes the judge look at what is due, after the clock was moved.
func (m *Model) Poke() { m.wake() }
