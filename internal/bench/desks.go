package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/stability/library"
)

// takings is how many flags are taken on one desk and awaited on the other.
const (
	takings     = 200
	takeEvery   = 150 * time.Millisecond // more than two people press; a flood is taken in one press
	takenWithin = 200 * time.Millisecond // p99 on the other desk
)

// twoDesks measures how long it takes until a flag that is taken at one desk shows at
// another, whose custodyd is another process on the same cluster of three: on the stream
// of flags, and on the board that the browser draws. Beside it the bare log does the same:
// appended through one connection, followed through the other.
func twoDesks(ctx context.Context, s *settings, t *table) error {
	var failed error
	// Processes are started by the harness of the tests, which wants a testing.TB.
	result := testing.Benchmark(func(b *testing.B) {
		if b.N > 1 || failed != nil {
			return // one measurement, however long it took
		}
		failed = desksOf(ctx, b, s, t)
		time.Sleep(time.Second) // benchmarks of a second are not repeated
	})
	apptest.Clean()
	if failed == nil && result.N == 0 {
		failed = errors.New("the cluster or a daemon did not start; the lines above say why")
	}
	return failed
}

func desksOf(ctx context.Context, b *testing.B, s *settings, t *table) error {
	c := apptest.NewCluster(b)
	here := apptest.NewDaemon(b, apptest.OnCluster(b, c)...).Serving()
	there := apptest.NewDaemon(b, apptest.OnCluster(b, c)...).Serving()
	tubes, err := flagged(ctx, here)
	if err != nil {
		return err
	}
	stream := newArrivals("taken")
	board := newArrivals("mira")
	hearing, stop := context.WithCancel(ctx)
	defer stop()
	var wg sync.WaitGroup
	defer wg.Wait()
	defer stop()
	for _, way := range []struct {
		path string
		into *arrivals
	}{{"/v1/flags:watch", stream}, {"/hatch/stream?place=RECEPTION", board}} {
		wg.Go(func() { way.into.follow(hearing, "http://"+there.Address+way.path) })
		if err := way.into.up(ctx, tubes); err != nil {
			return fmt.Errorf("%s: %w", way.path, err)
		}
	}
	var own sample
	for _, tube := range tubes {
		begin := time.Now()
		stream.send(tube, begin)
		board.send(tube, begin)
		status, _, text, err := here.Post(ctx, "/v1/flags/"+tube+":take", `{"by":"mira"}`)
		if err != nil || status != http.StatusOK || !strings.Contains(text, "recorded") {
			return fmt.Errorf("taking %s: HTTP %d %s: %w", tube, status, text, err)
		}
		own.delays = append(own.delays, time.Since(begin))
		time.Sleep(takeEvery)
	}
	bare, err := bareLogs(ctx, c)
	if err != nil {
		return err
	}
	t.add(row{Part: "desks", What: "bare log of three: append here, follow there", P50: bare.quantile(0.5), P99: bare.quantile(0.99)})
	t.add(row{Part: "desks", What: "taken here: answered here", P50: own.quantile(0.5), P99: own.quantile(0.99)})
	for _, way := range []struct {
		what string
		of   *arrivals
	}{{"taken here: on the other's stream of flags", stream}, {"taken here: on the other's board", board}} {
		got, missing := way.of.wait(ctx)
		r := row{Part: "desks", What: way.what, P50: got.quantile(0.5), P99: got.quantile(0.99)}
		r.Said = fmt.Sprintf("%d of %d; p50 %.1f x bare; p99 wants %d ms", len(got.delays), takings, r.P50/bare.quantile(0.5), takenWithin.Milliseconds())
		r.Missed = missing > 0 || r.P99 > float64(takenWithin.Microseconds())
		t.add(r)
	}
	s.tell("desks: %d flags taken", takings)
	return nil
}

// flagged gives tubes of the reception whose flags are up on the daemon's list.
func flagged(ctx context.Context, d *apptest.Daemon) ([]string, error) {
	_, file, err := library.Starter()
	if err != nil {
		return nil, err
	}
	call := func(method, path string, body any) error {
		text, err := json.Marshal(body)
		if err != nil {
			return err
		}
		do := d.Post
		if method == http.MethodPut {
			do = d.Put
		}
		status, _, answer, err := do(ctx, path, string(text))
		if err == nil && (status != http.StatusOK || strings.Contains(answer, "refused")) {
			err = fmt.Errorf("%s: HTTP %d %s", path, status, answer)
		}
		return err
	}
	at := time.Now().Add(-6 * time.Hour)
	var scans []map[string]any
	var tubes []string
	for i := range takings {
		tube := fmt.Sprintf("DESK-%03d", i)
		tubes = append(tubes, tube)
		scan := func(step string, at time.Time) map[string]any {
			return map[string]any{
				"id": id(), "step": step, "label": map[string]any{"text": tube}, "occurredAt": at.Format(time.RFC3339Nano), "mode": "reported",
				"place": "RECEPTION", "by": "mira", "device": "PHONE-1",
			}
		}
		collect := scan("collect", at.Add(time.Duration(i)*3*time.Second))
		collect["type"], collect["tests"] = "EDTA", []string{"K"} // the wrong tube: flagged wherever it is
		scans = append(scans, collect, scan("receive", at.Add(time.Hour)))
	}
	for _, step := range []struct {
		method, path string
		body         any
	}{
		{http.MethodPost, "/v1/rules:adopt", map[string]any{"file": string(file), "by": "lena", "inForce": at.Add(-time.Hour).Format(time.RFC3339Nano)}},
		{http.MethodPut, "/v1/places/RECEPTION", map[string]any{"name": "reception", "kind": "reception", "zone": "UTC", "assumed": map[string]any{"low": "18.0", "high": "24.0"}, "by": "lena"}},
		{http.MethodPost, "/v1/scans", map[string]any{"scans": scans}},
	} {
		if err := call(step.method, step.path, step.body); err != nil {
			return nil, err
		}
	}
	return tubes, nil
}

// arrivals keeps when each flag was taken and when that was heard of.
type arrivals struct {
	word string // that a row of a taken flag holds

	mu    sync.Mutex
	seen  map[string]bool // tubes that were told at all
	sent  map[string]time.Time
	took  sample
	ended error
}

func newArrivals(word string) *arrivals {
	return &arrivals{word: word, seen: map[string]bool{}, sent: map[string]time.Time{}}
}

func (a *arrivals) send(tube string, at time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.sent[tube] = at
}

// follow reads a stream of events until ctx ends.
func (a *arrivals) follow(ctx context.Context, url string) {
	err := func() error {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
		if err != nil {
			return err
		}
		req.Header.Set("Accept", "text/event-stream")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			text, _ := io.ReadAll(io.LimitReader(resp.Body, 500)) // beside the status
			return fmt.Errorf("HTTP %d: %s", resp.StatusCode, text)
		}
		lines := bufio.NewReaderSize(resp.Body, 1<<20)
		for {
			line, err := lines.ReadBytes('\n')
			if err != nil {
				return err
			}
			if data, ok := bytes.CutPrefix(line, []byte("data: ")); ok {
				a.heard(data)
			}
		}
	}()
	a.mu.Lock()
	defer a.mu.Unlock()
	a.ended = err
}

// heard notes the rows of an event: one flag, or the changed rows of a board.
func (a *arrivals) heard(data []byte) {
	now := time.Now()
	var e struct {
		Flag  *struct{ Tube, State string }
		Lists map[string]struct{ Rows map[string]string }
	}
	if json.Unmarshal(data, &e) != nil {
		return // a beat, or another kind of event
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if e.Flag != nil {
		a.row(e.Flag.Tube, e.Flag.State == a.word, now)
	}
	for _, list := range e.Lists {
		for _, markup := range list.Rows {
			for i := range takings {
				tube := fmt.Sprintf("DESK-%03d", i)
				if strings.Contains(markup, tube) {
					a.row(tube, strings.Contains(markup, a.word), now)
				}
			}
		}
	}
}

func (a *arrivals) row(tube string, taken bool, now time.Time) {
	a.seen[tube] = true
	if at, ok := a.sent[tube]; ok && taken {
		a.took.delays = append(a.took.delays, now.Sub(at))
		delete(a.sent, tube)
	}
}

// up waits until all tubes were told.
func (a *arrivals) up(ctx context.Context, tubes []string) error {
	for deadline := time.Now().Add(apptest.Patience); ; time.Sleep(20 * time.Millisecond) {
		a.mu.Lock()
		n, err := len(a.seen), a.ended
		a.mu.Unlock()
		switch {
		case n >= len(tubes):
			return nil
		case err != nil, ctx.Err() != nil:
			return errors.Join(err, ctx.Err())
		case time.Now().After(deadline):
			return fmt.Errorf("%d of %d flags were told", n, len(tubes))
		}
	}
}

// wait gives the times, and how many are missing after a while.
func (a *arrivals) wait(ctx context.Context) (*sample, int) {
	for deadline := time.Now().Add(waitForStrays); ; time.Sleep(20 * time.Millisecond) {
		a.mu.Lock()
		open := len(a.sent)
		a.mu.Unlock()
		if open == 0 || ctx.Err() != nil || time.Now().After(deadline) {
			a.mu.Lock()
			defer a.mu.Unlock()
			return &sample{delays: a.took.delays}, open
		}
	}
}

// bareLogs appends through one connection and follows through another, as the two
// daemons do, with nothing between.
func bareLogs(ctx context.Context, c *apptest.Cluster) (*sample, error) {
	var logs [2]eventlog.Log
	for i := range logs {
		dir, err := os.MkdirTemp("", "custody-bench-")
		if err != nil {
			return nil, err
		}
		defer func() { _ = os.RemoveAll(dir) }()
		logs[i], err = eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: volume, URL: c.URL(), OperatorURL: c.OperatorURL(), Logger: quiet()})
		if err != nil {
			return nil, fmt.Errorf("bare log: %w", err)
		}
		defer func() { _ = logs[i].Close() }()
	}
	sink := &heardSink{at: map[string]time.Time{}}
	follow, stop := context.WithCancel(ctx)
	defer stop()
	go func() { _ = logs[1].Follow(follow, eventlog.Position{}, sink) }() // ends with its context
	var got sample
	for i := range takings {
		d := event.Decision{Envelope: event.Envelope{
			ID: id(), Kind: event.KindTube, Key: key(fmt.Sprintf("BARE-%03d", i)), Occurred: clock(), DeviceTime: clock(), Recorded: clock(), Mode: event.Live,
		}, Facts: []event.Fact{event.Seen{}}}
		begin := time.Now()
		if _, err := logs[0].Append(ctx, &d, 0); err != nil {
			return nil, err
		}
		for deadline := time.Now().Add(waitForStrays); ; time.Sleep(100 * time.Microsecond) {
			if at, ok := sink.heard(d.ID); ok {
				got.delays = append(got.delays, at.Sub(begin))
				break
			}
			if time.Now().After(deadline) {
				return nil, errors.New("bare log: what was appended did not come")
			}
		}
	}
	return &got, nil
}

// heardSink notes when each decision came.
type heardSink struct {
	mu sync.Mutex
	at map[string]time.Time
}

func (h *heardSink) heard(id string) (time.Time, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	at, ok := h.at[id]
	return at, ok
}

// Decision implements eventlog.Sink.
func (h *heardSink) Decision(rec *event.Record) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.at[rec.ID] = time.Now()
}

// Run implements eventlog.Sink.
func (*heardSink) Run(uint64, *event.Run) {}

// Broken implements eventlog.Sink.
func (*heardSink) Broken(eventlog.Broken) {}
