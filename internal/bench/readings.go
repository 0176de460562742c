package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// The shape of the readings that are sent: a gateway's batch of many loggers.
const (
	gateways      = 4
	batchRuns     = 100
	runValues     = 10
	batchReadings = batchRuns * runValues
	aheadOfAnswer = 8      // batches that a stream sends before it waits for an answer
	steadyFlood   = 10_000 // readings a second: what 600,000 loggers of one a minute send
	scansSteady   = 200    // a second, beside the flood
)

// readingsIn measures how fast readings become durable: straight into the log, by stream
// and by call; and what a flood of them does to scans.
func readingsIn(ctx context.Context, s *settings, t *table) error {
	if err := readingsRates(ctx, s, t); err != nil {
		return err
	}
	return scansBesideReadings(ctx, s, t)
}

func readingsRates(ctx context.Context, s *settings, t *table) error {
	dir, log, err := openLog(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = log.Close(); _ = os.RemoveAll(dir) }()
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	p, err := openProduct(ctx, on)
	if err != nil {
		return err
	}
	defer p.close()
	address := on.Addr().String()
	var clocks [3][gateways]int
	list := []contender{
		{"bare log", func(ctx context.Context, n int) (sample, error) {
			return together(ctx, n, func(ctx context.Context, i int) error {
				_, err := log.AppendRuns(ctx, runsAt(i, &clocks[0][i]))
				return err
			})
		}},
		{"gRPC stream", func(ctx context.Context, n int) (sample, error) {
			return streams(ctx, address, n, 0, func(i int) *int { return &clocks[1][i] })
		}},
		{"REST", func(ctx context.Context, n int) (sample, error) {
			return together(ctx, n, func(ctx context.Context, i int) error {
				return postReadings(ctx, "http://"+address, requestAt(gateways+i, &clocks[2][i]))
			})
		}},
	}
	measured := map[string][]sample{}
	for round := range s.rounds + 1 {
		for _, c := range list {
			length := s.round
			if round == 0 {
				length = 500 * time.Millisecond // the first round only warms up
			}
			rctx, cancel := context.WithTimeout(ctx, length)
			before := cpuTime()
			got, err := c.run(rctx, gateways)
			got.cpu = cpuTime() - before
			cancel()
			if err != nil {
				return fmt.Errorf("%s: %w", c.name, err)
			}
			if round > 0 {
				got.done *= batchReadings
				measured[c.name] = append(measured[c.name], got)
			}
		}
		s.tell("readings: round %d of %d", round, s.rounds)
	}
	bare, bareCPU := median(measured["bare log"], (*sample).perSecond), median(measured["bare log"], (*sample).cpuEach)
	for _, c := range list {
		r := row{Part: "readings", What: c.name, Callers: gateways, PerSec: median(measured[c.name], (*sample).perSecond),
			P50: median(measured[c.name], p50), P99: median(measured[c.name], p99)}
		cpu := median(measured[c.name], (*sample).cpuEach)
		r.Said = fmt.Sprintf("batches of %d runs of %d; %.2f of the bare log; %.0f ns of processor each, the sender's too, %.1f x the bare log", batchRuns, runValues, r.PerSec/bare, cpu, cpu/bareCPU)
		t.add(r)
	}
	return nil
}

// scansBesideReadings measures scans at the pace of people alone, beside a steady flow
// of readings and beside as many as go.
func scansBesideReadings(ctx context.Context, s *settings, t *table) error {
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	p, err := openProduct(ctx, on)
	if err != nil {
		return err
	}
	defer p.close()
	crew := newCrew(p, scanners)
	var clocks [gateways]int
	floods := []struct {
		name string
		rate int // readings a second; 0: as many as go; below: none
	}{{"scans alone", -1}, {fmt.Sprintf("scans beside %d readings a second", steadyFlood), steadyFlood}, {"scans beside a flood of readings", 0}}
	measured := map[string][]sample{}
	read := map[string]int{}
	for round := range s.rounds + 1 {
		for _, f := range floods {
			length := 2 * s.round
			if round == 0 {
				length = time.Second // the first round only warms up
			}
			rctx, cancel := context.WithTimeout(ctx, length)
			var flood sync.WaitGroup
			var floodErr error
			if f.rate >= 0 {
				flood.Go(func() {
					got, err := streams(rctx, on.Addr().String(), gateways, f.rate, func(i int) *int { return &clocks[i] })
					floodErr = err
					if round > 0 {
						read[f.name] += got.done * batchReadings
					}
				})
			}
			got, err := crew.paced(rctx, time.Second*scanners/scansSteady)
			cancel()
			flood.Wait()
			if err := errors.Join(err, floodErr); err != nil {
				return fmt.Errorf("%s: %w", f.name, err)
			}
			if round > 0 {
				measured[f.name] = append(measured[f.name], got)
			}
		}
		s.tell("scans beside readings: round %d of %d", round, s.rounds)
	}
	alone := median(measured[floods[0].name], p99)
	for _, f := range floods {
		m := measured[f.name]
		r := row{Part: "readings", What: f.name, Callers: scanners, PerSec: median(m, (*sample).perSecond), P50: median(m, p50), P99: median(m, p99)}
		r.Said = fmt.Sprintf("p99 %.1f x alone; %.0f readings a second", r.P99/alone, float64(read[f.name])/(float64(s.rounds)*2*s.round.Seconds()))
		t.add(r)
	}
	return nil
}

// paced is run at the pace of people: each caller waits for its next turn.
func (c *crew) paced(ctx context.Context, each time.Duration) (sample, error) {
	var first []time.Duration
	for i := range c.bundles {
		first = append(first, time.Duration(i)*each/time.Duration(len(c.bundles)))
	}
	var mu sync.Mutex
	var out sample
	t := newTrial()
	work := context.WithoutCancel(ctx)
	var wg sync.WaitGroup
	start := time.Now()
	for i, b := range c.bundles {
		wg.Go(func() {
			t.every(ctx, each, first[i], func(int) error {
				begin := time.Now()
				err := b.next(work)
				mu.Lock()
				defer mu.Unlock()
				out.delays = append(out.delays, time.Since(begin))
				return err
			})
		})
	}
	wg.Wait()
	out.took, out.done = time.Since(start), len(out.delays)
	return out, t.failed
}

// streams sends batches over n streams until ctx ends, at most rate readings a second
// in all unless that is 0. A delay is that of a batch, from sending to its answer.
func streams(ctx context.Context, address string, n, rate int, clock func(i int) *int) (sample, error) {
	var mu sync.Mutex
	var all sample
	errs := make([]error, n)
	var wg sync.WaitGroup
	start := time.Now()
	for i := range n {
		wg.Go(func() {
			delays, err := oneStream(ctx, address, i, rate/n, clock(i))
			mu.Lock()
			defer mu.Unlock()
			errs[i] = err
			all.delays = append(all.delays, delays...)
		})
	}
	wg.Wait()
	all.took, all.done = time.Since(start), len(all.delays)
	return all, errors.Join(errs...)
}

func oneStream(ctx context.Context, address string, number, rate int, clock *int) ([]time.Duration, error) {
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return nil, err
	}
	defer func() { _ = conn.Close() }()
	s, err := custodyv1.NewScansClient(conn).StreamReadings(context.WithoutCancel(ctx))
	if err != nil {
		return nil, err
	}
	var begun sync.Map // batch: when
	var sent atomic.Int64
	ahead := make(chan struct{}, aheadOfAnswer)
	failed := make(chan error, 1)
	go func() {
		defer close(failed)
		start := time.Now()
		for n := 0; ctx.Err() == nil; n++ {
			if rate > 0 {
				select {
				case <-time.After(time.Until(start.Add(time.Duration(n) * batchReadings * time.Second / time.Duration(rate)))):
				case <-ctx.Done():
				}
			}
			req := &custodyv1.StreamReadingsRequest{Batch: fmt.Sprint(n), Runs: requestAt(number, clock).GetRuns()}
			ahead <- struct{}{}
			begun.Store(req.GetBatch(), time.Now())
			sent.Add(1)
			if err := s.Send(req); err != nil {
				return // Recv says why
			}
		}
		failed <- s.CloseSend()
	}()
	var delays []time.Duration
	for {
		a, err := s.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			for range cap(ahead) { // lets the sender see that it is over
				select {
				case <-ahead:
				default:
				}
			}
			return delays, err
		}
		if at, ok := begun.LoadAndDelete(a.GetBatch()); ok {
			delays = append(delays, time.Since(at.(time.Time)))
		}
		<-ahead
	}
	if err := <-failed; err != nil {
		return delays, err
	}
	if int64(len(delays)) != sent.Load() {
		return delays, fmt.Errorf("%d batches were sent and %d answered", sent.Load(), len(delays))
	}
	return delays, nil
}

// A gateway's readings begin long ago and go on minute by minute, so that none is a
// repeat of another.
func instantOf(minute int) time.Time {
	return time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(minute) * time.Minute)
}

func gatewayLogger(number, run int) string { return fmt.Sprintf("GATE%d-%d", number, run) }

func celsiusOf(minute, run int) int { return 400 + (minute*7+run*3)%80 }

// runsAt is a gateway's next batch as the log takes it.
func runsAt(number int, clock *int) []*event.Run {
	out := make([]*event.Run, batchRuns)
	for r := range out {
		run := &event.Run{Logger: key(gatewayLogger(number, r)), ID: id(), Recorded: event.At(time.Now()), Readings: make([]event.Reading, runValues)}
		for i := range run.Readings {
			c := celsiusOf(*clock+i, r)
			run.Readings[i] = event.Reading{At: event.At(instantOf(*clock + i)), C: event.CentiC(c), OK: true, Raw: centiText(c)} //nolint:gosec // a few hundred
		}
		out[r] = run
	}
	*clock += runValues
	return out
}

// requestAt is the same as the API takes it.
func requestAt(number int, clock *int) *custodyv1.RecordReadingsRequest {
	req := &custodyv1.RecordReadingsRequest{}
	for r := range batchRuns {
		run := &custodyv1.Readings{Logger: gatewayLogger(number, r), Id: id()}
		for i := range runValues {
			text := centiText(celsiusOf(*clock+i, r))
			run.Readings = append(run.Readings, &custodyv1.Reading{At: instantOf(*clock + i).Format(time.RFC3339), Celsius: &text})
		}
		req.Runs = append(req.Runs, run)
	}
	*clock += runValues
	return req
}

func centiText(c int) string { return fmt.Sprintf("%d.%02d", c/100, c%100) }

func postReadings(ctx context.Context, base string, req *custodyv1.RecordReadingsRequest) error {
	body, err := json.Marshal(req) // the field names are those of its JSON form
	if err != nil {
		return err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, base+"/v1/readings", bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	said, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("HTTP %d: %s", resp.StatusCode, said)
	}
	return err
}
