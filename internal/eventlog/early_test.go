package eventlog_test

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
)

// A laboratory run once reported 2,112 of 17,875 acknowledged messages missing: its
// check had ended at the first message that came with "nothing pending", read from a
// server that had just been started again and lagged. This does what that run did:
// a server of three is killed and started again under load, and nine readers open on
// it at that moment, beside three of our own logs. However early anybody hears
// "nothing pending", who reads on to the last sequence by the stream's leader misses
// nothing.
func TestCatchingUpIsTheLastSequence(t *testing.T) {
	const tries, readers, own, down = 3, 9, 3, 2500
	c := apptest.NewCluster(t)
	log := open(t, eventlog.Options{URL: c.URL(), OperatorURL: c.OperatorURL()})
	var acked atomic.Int64
	ctx, stop := context.WithCancel(t.Context())
	var callers sync.WaitGroup
	for i := range 32 {
		callers.Go(func() {
			for n := 0; ctx.Err() == nil; n++ {
				tube := fmt.Sprintf("TB%d-%d", i, n)
				for ctx.Err() == nil {
					if _, err := log.Append(ctx, logtest.Decision(tube, tube), 0); err == nil {
						acked.Add(1)
						break
					}
					// The answer may have been lost while the message was stored: its own
					// conflict then. Either way the next tube is a new one.
					break
				}
			}
		})
	}
	wait := func(more int64) {
		want := acked.Load() + more
		apptest.Until(t, "more acknowledged messages", func(context.Context) (bool, string) {
			return acked.Load() >= want, fmt.Sprint(acked.Load())
		})
	}
	wait(500)
	for try := range tries {
		n := c.Follower("CUSTODY_2026")
		n.Kill()
		wait(down) // so that it has something to catch up with
		n.Start()
		seen := make([]logtest.Early, readers)
		var reading sync.WaitGroup
		for i := range seen {
			reading.Go(func() { seen[i] = logtest.NewOperator(t, c.OperatorURL(n)).ReadEarly("CUSTODY_2026") })
		}
		for range own {
			reading.Go(func() { readsAll(t, c, n) })
		}
		reading.Wait()
		early, worst := 0, uint64(0)
		for _, e := range seen {
			if e.Pending0 != 0 && e.Pending0 < e.End {
				early++
				worst = max(worst, e.End-e.Pending0)
			}
			if e.Last < e.End || e.Holes > 0 {
				t.Errorf("try %d: read to %d of %d with %d holes", try, e.Last, e.End, e.Holes)
			}
		}
		t.Logf("try %d: %d of %d readers heard \"nothing pending\" before the end, at most %d messages early; none missed a message", try, early, readers, worst)
		n.Healthy()
	}
	stop()
	callers.Wait()
	// What was acknowledged is there, by the leader's count and by reading.
	messages, _, last := logtest.NewOperator(t, c.OperatorURL()).State("CUSTODY_2026")
	if int64(messages) < acked.Load() || messages != last {
		t.Errorf("%d acknowledged, the stream holds %d messages up to %d", acked.Load(), messages, last)
	}
	t.Logf("%d acknowledged, %d in the stream", acked.Load(), messages)
}

// readsAll opens our own log on a server and follows it to its end.
func readsAll(t *testing.T, c *apptest.Cluster, n *apptest.Node) {
	var log eventlog.Log
	apptest.Until(t, "the log opens on "+n.Name, func(ctx context.Context) (bool, string) {
		var err error
		log, err = eventlog.Open(ctx, eventlog.Options{URL: c.URL(n), OperatorURL: c.OperatorURL(n), Volume: "2026", BreakEven: 8})
		return err == nil, fmt.Sprint(err)
	})
	defer func() { _ = log.Close() }()
	end, err := log.End(t.Context())
	if err != nil {
		t.Error(err)
		return
	}
	tape := logtest.NewTape()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- log.Follow(ctx, eventlog.Position{}, tape) }()
	tape.Wait(t, end)
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	for i, r := range tape.Records() {
		if r.Seq != uint64(i+1) {
			t.Errorf("our own log read %d in the place of %d", r.Seq, i+1)
			return
		}
	}
	if b := tape.Broke(); len(b) > 0 {
		t.Errorf("%d messages could not be read, the first: %+v", len(b), b[0])
	}
}
