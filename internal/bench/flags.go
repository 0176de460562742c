package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// The fleet whose readings and scans are the load.
const (
	loggers       = 200
	tubesInBox    = 5
	readingEvery  = 200 * time.Millisecond // per logger: 1,000 a second in all
	scanners      = 50
	scanEvery     = 250 * time.Millisecond // per scanner: 200 a second in all
	probeEvery    = 50 * time.Millisecond  // a box that gets cold
	flagTail      = 3.0                    // p99, in p99s of the bare log
	flagWithin    = 50 * time.Millisecond
	comfortable   = event.CentiC(2100)
	tooCold       = event.CentiC(200) // potassium is past its limit at once (shipped limits)
	waitForStrays = 3 * time.Second
)

// readingToFlag measures the time from sending the reading that makes a tube's
// limit be past to the arrival of its flag: on the bare log, on the model's own
// watch, and on a client of the event stream.
func readingToFlag(ctx context.Context, s *settings, t *table) error {
	var bare float64
	for _, way := range []struct {
		name string
		run  func(context.Context, time.Duration) (*trial, error)
	}{{"bare log: two appends and follow", bareTrial}, {"flag on the model's watch", watchTrial}, {"flag on an SSE client", streamTrial}} {
		tr, err := way.run(ctx, s.flags)
		if err != nil {
			return fmt.Errorf("%s: %w", way.name, err)
		}
		got := sample{delays: tr.delays}
		r := row{Part: "flags", What: way.name, P50: got.quantile(0.5), P99: got.quantile(0.99)}
		r.Said = fmt.Sprintf("%d of %d arrived beside %.0f readings and %.0f scans a second", len(tr.delays), tr.asked,
			float64(tr.readings.Load())/s.flags.Seconds(), float64(tr.scans.Load())/s.flags.Seconds())
		if bare == 0 {
			bare = r.P99
		} else {
			r.Said += fmt.Sprintf("; p99 %.1f x bare (want %.0f and %d ms)", r.P99/bare, flagTail, flagWithin.Milliseconds())
			r.Missed = r.P99 > flagTail*bare || r.P99 > float64(flagWithin.Microseconds()) || len(tr.delays) < tr.asked
		}
		t.add(r)
		s.tell("flags: %s", way.name)
	}
	return nil
}

// trial keeps when each tube's reading was sent and how long its flag took.
type trial struct {
	readings, scans atomic.Int64

	mu     sync.Mutex // guards the fields below
	sent   map[string]time.Time
	asked  int
	delays []time.Duration
	failed error
}

func newTrial() *trial { return &trial{sent: map[string]time.Time{}} }

// ask notes that the readings of a box's tubes are sent now.
func (t *trial) ask(box int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range tubesInBox {
		t.sent[tubeOf(box, i)] = time.Now()
		t.asked++
	}
}

// arrived notes the first flag of a tube.
func (t *trial) arrived(tube string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if at, ok := t.sent[tube]; ok {
		t.delays = append(t.delays, time.Since(at))
		delete(t.sent, tube)
	}
}

func (t *trial) fail(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.failed == nil {
		t.failed = err
	}
}

func (t *trial) open() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.sent)
}

// loads is what a trial needs of a contender.
type loads struct {
	reading func(ctx context.Context, r event.Run) error
	scan    func(ctx context.Context, tube string, scanner, n int) error
	probe   func(ctx context.Context, r event.Run) error
}

// play runs the load for a while and cools one box after the other.
func (t *trial) play(ctx context.Context, length time.Duration, l loads) error {
	pctx, cancel := context.WithTimeout(ctx, length)
	defer cancel()
	work := context.WithoutCancel(ctx)
	var wg sync.WaitGroup
	// A box that got cold stays cold. Its own turn sends the reading that says so:
	// two values of one instant would bound the temperature, not tell it.
	var cold [loggers]atomic.Bool
	for box := range loggers {
		wg.Go(func() {
			asked := false
			t.every(pctx, readingEvery, time.Duration(box)*readingEvery/loggers, func(int) error {
				t.readings.Add(1)
				switch {
				case !cold[box].Load():
					return l.reading(work, runOf(box, comfortable, 0))
				case asked:
					return l.reading(work, runOf(box, tooCold, 0))
				}
				asked = true
				run := runOf(box, tooCold, 10*time.Millisecond)
				t.ask(box)
				return l.probe(work, run)
			})
		})
	}
	for scanner := range scanners {
		wg.Go(func() {
			const boxes = loggers / scanners
			t.every(pctx, scanEvery, time.Duration(scanner)*scanEvery/scanners, func(n int) error {
				t.scans.Add(1)
				return l.scan(work, tubeOf(scanner*boxes+n%boxes, n/boxes%tubesInBox), scanner, n)
			})
		})
	}
	wg.Go(func() {
		// In a long measurement boxes get cold all the time, not in its first seconds alone.
		t.every(pctx, max(probeEvery, (length-2*time.Second)/loggers), time.Second, func(n int) error {
			if n < loggers {
				cold[n].Store(true)
			}
			return nil
		})
	})
	wg.Wait()
	for deadline := time.Now().Add(waitForStrays); t.open() > 0 && time.Now().Before(deadline); {
		time.Sleep(10 * time.Millisecond)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.failed
}

// every does f at a fixed rate until ctx ends; a turn that lasted too long is not
// made up for.
func (t *trial) every(ctx context.Context, each, first time.Duration, f func(n int) error) {
	select {
	case <-time.After(first):
	case <-ctx.Done():
		return
	}
	tick := time.NewTicker(each)
	defer tick.Stop()
	for n := 0; ; n++ {
		if err := f(n); err != nil {
			t.fail(err)
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// runOf is a logger's value of now; with a gap there is one so long before as
// well, since a limit may need two.
func runOf(box int, c event.CentiC, gap time.Duration) event.Run {
	now := clock()
	r := event.Run{Logger: key(loggerOf(box)), ID: id(), Device: loggerOf(box)}
	if gap > 0 {
		r.Readings = append(r.Readings, event.Reading{At: now.Add(-gap), C: c, OK: true})
	}
	r.Readings = append(r.Readings, event.Reading{At: now, C: c, OK: true})
	return r
}

// bareTrial does what the product must do at least: the reading made durable and
// read back, the flag made durable and read back.
func bareTrial(ctx context.Context, length time.Duration) (*trial, error) {
	dir, log, err := openLog(ctx)
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	t := newTrial()
	b := &bareSink{t: t, log: log, seqs: map[event.Key]uint64{}}
	ended := make(chan error, 1)
	follow, stop := context.WithCancel(ctx)
	go func() { ended <- log.Follow(follow, eventlog.Position{}, b) }()
	err = t.play(ctx, length, loads{
		reading: func(ctx context.Context, r event.Run) error { _, err := log.AppendRun(ctx, &r); return err },
		scan: func(ctx context.Context, tube string, _, n int) error {
			return b.append(ctx, "S-"+tube, event.Seen{})
		},
		probe: func(ctx context.Context, r event.Run) error { _, err := log.AppendRun(ctx, &r); return err },
	})
	stop()
	b.wg.Wait()
	return t, errors.Join(err, <-ended, log.Close())
}

// bareSink answers each cold reading by five flags.
type bareSink struct {
	t   *trial
	log eventlog.Log
	wg  sync.WaitGroup

	mu   sync.Mutex
	seqs map[event.Key]uint64
}

func (b *bareSink) append(ctx context.Context, label string, f event.Fact) error {
	k := key(label)
	b.mu.Lock()
	after := b.seqs[k]
	b.mu.Unlock()
	seq, err := b.log.Append(ctx, &event.Decision{
		Envelope: event.Envelope{ID: id(), Kind: event.KindTube, Key: k, Occurred: clock(), Recorded: clock(), Digest: make([]byte, 16), Mode: event.Live},
		Facts:    []event.Fact{f},
	}, after)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.seqs[k] = seq
	return err
}

// Decision implements eventlog.Sink.
func (b *bareSink) Decision(rec *event.Record) {
	if _, ok := rec.Facts[0].(event.FlagRaised); ok {
		b.t.arrived(rec.Key.Label())
	}
}

// Run implements eventlog.Sink.
func (b *bareSink) Run(_ uint64, r *event.Run) {
	if r.Readings[0].C != tooCold || len(r.Readings) < 2 {
		return
	}
	var box int
	if _, err := fmt.Sscanf(r.Logger.Label(), "LOG%d", &box); err != nil {
		b.t.fail(err)
		return
	}
	for i := range tubesInBox {
		b.wg.Go(func() {
			flag := event.FlagRaised{Flag: event.Flag{Episode: 1, Kind: event.FlagBefore, Verdict: event.PastLimit, Action: event.AskNewSample,
				Tests: []event.FlagTest{{Assay: "K", Verdict: event.PastLimit}}}}
			if err := b.append(context.Background(), tubeOf(box, i), flag); err != nil {
				b.t.fail(err)
			}
		})
	}
}

// Broken implements eventlog.Sink.
func (b *bareSink) Broken(x eventlog.Broken) { b.t.fail(x.Err) }

// watchTrial hears flags in this process.
func watchTrial(ctx context.Context, length time.Duration) (*trial, error) {
	p, err := openProduct(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer p.close()
	return p.watchTrial(ctx, length)
}

// watchTrial declares a fleet and hears its flags on the model's watch.
func (p *product) watchTrial(ctx context.Context, length time.Duration) (*trial, error) {
	if err := p.fleet(ctx); err != nil {
		return nil, err
	}
	t := newTrial()
	w := p.model.Watch()
	heard := make(chan struct{})
	go func() {
		defer close(heard)
		for c := range w.C {
			for _, f := range c.Facts {
				if _, ok := f.(event.FlagRaised); ok {
					t.arrived(c.Target.Key.Label())
				}
			}
		}
	}()
	err := t.play(ctx, length, loads{reading: p.reading, scan: p.see, probe: p.reading})
	w.Stop()
	<-heard
	return t, err
}

// streamTrial sends readings to the REST API and hears flags as a screen does.
func streamTrial(ctx context.Context, length time.Duration) (*trial, error) {
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p, err := openProduct(ctx, on)
	if err != nil {
		return nil, err
	}
	defer p.close()
	if err := p.fleet(ctx); err != nil {
		return nil, err
	}
	base := "http://" + on.Addr().String()
	t := newTrial()
	hearing, stop := context.WithCancel(ctx)
	defer stop()
	heard := make(chan error, 1)
	ready := make(chan struct{})
	go func() { heard <- t.hear(hearing, base, ready) }()
	select {
	case <-ready:
	case err := <-heard:
		return nil, fmt.Errorf("the stream of flags ended at once: %w", err)
	}
	err = t.play(ctx, length, loads{reading: p.reading, scan: p.see, probe: func(ctx context.Context, r event.Run) error { return post(ctx, base, r) }})
	stop()
	<-heard //nolint:errcheck // an error by design: its context was cancelled
	return t, err
}

// hear reads server-sent events; each event's data is one line of JSON.
func (t *trial) hear(ctx context.Context, base string, ready chan<- struct{}) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/v1/flags:watch", nil)
	if err != nil {
		return err
	}
	req.Header.Set("Accept", "text/event-stream")
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("%s", resp.Status)
	}
	close(ready)
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		data, ok := strings.CutPrefix(lines.Text(), "data:")
		if !ok {
			continue
		}
		var change struct {
			Change string
			Flag   struct{ Tube string }
		}
		if err := json.Unmarshal([]byte(data), &change); err != nil {
			return fmt.Errorf("event %q: %w", data, err)
		}
		if change.Flag.Tube != "" {
			t.arrived(change.Flag.Tube)
		}
	}
	return lines.Err()
}

// client keeps its connections, as gateways and screens do.
var client = &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 64}}

// post sends a run of readings as a gateway of loggers does.
func post(ctx context.Context, base string, r event.Run) error {
	type value struct {
		At      string `json:"at"`
		Celsius string `json:"celsius"`
	}
	type run struct {
		Logger   string  `json:"logger"`
		ID       string  `json:"id"`
		Readings []value `json:"readings"`
	}
	out := run{Logger: r.Logger.Label(), ID: r.ID}
	for _, v := range r.Readings {
		out.Readings = append(out.Readings, value{v.At.String(), fmt.Sprintf("%d.%02d", v.C/100, v.C%100)})
	}
	body, err := json.Marshal(map[string][]run{"runs": {out}})
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, base+"/v1/readings", bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		return fmt.Errorf("readings were answered %s: %s %w", resp.Status, answer, err)
	}
	return nil
}
