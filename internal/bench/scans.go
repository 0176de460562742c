package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/intake"
)

// Targets of the durable scans, as shares of what the raw broker does with
// groups of the same size in the same run.
const (
	fewTarget  = 0.9 // up to fewCallers, of the better of single and batch
	manyTarget = 0.8 // above, of the batch
	fewCallers = 16
	tailTarget = 4.0 // p99 of a scan, in medians of the raw batch
)

// contender makes things durable for n callers until ctx ends.
type contender struct {
	name string
	run  func(ctx context.Context, n int) (sample, error)
}

// scans measures durable scans beside raw publishes and beside a relational
// database, round by round in turns.
func scans(ctx context.Context, s *settings, t *table) error {
	db, err := openPostgres(ctx)
	if err != nil && !errors.Is(err, errNoServer) {
		return err
	}
	if db != nil {
		defer db.close()
	}
	for _, n := range s.callers {
		if err := scansAt(ctx, s, t, n, db); err != nil {
			return err
		}
	}
	if db == nil {
		t.add(row{Part: "scans", What: "PostgreSQL", Said: errNoServer.Error()})
	}
	return nil
}

func scansAt(ctx context.Context, s *settings, t *table, n int, db *postgres) error {
	p, err := openProduct(ctx, nil)
	if err != nil {
		return err
	}
	defer p.close()
	crew := newCrew(p, n)
	payload, err := p.payload(ctx)
	if err != nil {
		return err
	}
	raw, err := openRaw(ctx, payload)
	if err != nil {
		return err
	}
	defer raw.close()
	list := []contender{{"scan", crew.run}, {"raw batch", raw.batches}, {"raw single", raw.singles}}
	if db != nil {
		list = append(list, contender{"PostgreSQL row", func(ctx context.Context, n int) (sample, error) { return db.rows(ctx, n, payload) }})
	}
	if len(s.systems) > 0 {
		list = slices.DeleteFunc(list, func(c contender) bool { return !slices.Contains(s.systems, c.name) })
	}
	measured := map[string][]sample{}
	for round := range s.rounds + 1 {
		for _, c := range list {
			length := s.round
			if round == 0 {
				length = 300 * time.Millisecond // the first round only warms up
			}
			rctx, cancel := context.WithTimeout(ctx, length)
			got, err := c.run(rctx, n)
			cancel()
			if err != nil {
				return fmt.Errorf("%s, %d callers: %w", c.name, n, err)
			}
			if round > 0 {
				measured[c.name] = append(measured[c.name], got)
			}
		}
		s.tell("scans: %d callers, round %d of %d", n, round, s.rounds)
	}
	for _, c := range list {
		r := row{Part: "scans", What: c.name, Callers: n, PerSec: median(measured[c.name], (*sample).perSecond),
			P50: median(measured[c.name], p50), P99: median(measured[c.name], p99)}
		if c.name == "scan" && len(s.systems) == 0 {
			compareScans(&r, n, measured, len(payload))
		}
		t.add(r)
	}
	return nil
}

func p50(s *sample) float64 { return s.quantile(0.5) }
func p99(s *sample) float64 { return s.quantile(0.99) }

// compareScans says how the scans stand to their targets.
func compareScans(r *row, n int, measured map[string][]sample, bytes int) {
	batch, single := median(measured["raw batch"], (*sample).perSecond), median(measured["raw single"], (*sample).perSecond)
	beside, name, want := batch, "raw batch", manyTarget
	if n <= fewCallers {
		name, want = "better raw", fewTarget
		beside = max(batch, single)
	}
	tail := r.P99 / median(measured["raw batch"], p50)
	r.Said = fmt.Sprintf("%.2f of %s (want %.1f); p99 %.1f x batch median (want %.0f); raw %d B", r.PerSec/beside, name, want, tail, tailTarget, bytes)
	r.Missed = r.PerSec < want*beside || tail > tailTarget
}

// payload is a real decision in its stored form, for the raw contenders.
func (p *product) payload(ctx context.Context) ([]byte, error) {
	b := &bundle{p: p, caller: 999_999}
	if err := b.next(ctx); err != nil { // collects its first tube
		return nil, err
	}
	hist, err := p.log.History(ctx, event.KindTube, key(b.label(0)))
	if err != nil || len(hist) == 0 {
		return nil, fmt.Errorf("the first tube has no history: %w", err)
	}
	return wire.Decision(&hist[0].Decision)
}

// crew is the callers of the desk. Each goes on in the next round where it
// stopped.
type crew struct {
	p       *product
	bundles []*bundle
}

func newCrew(p *product, n int) *crew {
	c := &crew{p: p}
	for i := range n {
		c.bundles = append(c.bundles, &bundle{p: p, caller: i})
	}
	return c
}

func (c *crew) run(ctx context.Context, _ int) (sample, error) {
	return together(ctx, len(c.bundles), func(ctx context.Context, i int) error { return c.bundles[i].next(ctx) })
}

// together lets n callers do one thing after another until ctx ends. What a
// caller began is finished, so that nothing is left half done; it counts.
func together(ctx context.Context, n int, do func(ctx context.Context, i int) error) (sample, error) {
	var mu sync.Mutex
	var all sample
	var wg sync.WaitGroup
	errs := make([]error, n)
	work := context.WithoutCancel(ctx)
	start := time.Now()
	for i := range n {
		wg.Go(func() {
			var delays []time.Duration
			for ctx.Err() == nil && errs[i] == nil {
				begin := time.Now()
				errs[i] = do(work, i)
				delays = append(delays, time.Since(begin))
			}
			mu.Lock()
			defer mu.Unlock()
			all.delays = append(all.delays, delays...)
		})
	}
	wg.Wait()
	all.took, all.done = time.Since(start), len(all.delays)
	return all, errors.Join(errs...)
}

// bundle is one caller's work: the tubes of one draw after another, each step
// done to one tube after the other as a person does it.
type bundle struct {
	p      *product
	caller int
	draw   int // number of the draw at hand
	step   int // 0 to len(journey)-1
	tube   int // 0 to tubesPerDraw-1
}

const tubesPerDraw = 3

// journey is a tube's way from the arm to the bench, without a hand-over that is
// one-sided for a moment: its doubt would be a write of the judge's own.
var journey = []struct{ step, device, place, by string }{
	{"collect", "PHONE", "CLINIC", "mira"},
	{"see", "PHONE", "CLINIC", "mira"},
	{"receive", "DESK", "RECEPTION", "lena"},
	{"accept", "DESK", "RECEPTION", "lena"},
	{"pack", "DESK", "RECEPTION", "lena"},
	{"see", "DESK", "RECEPTION", "lena"},
}

// What each tube of a draw is and is for: tests of the shipped catalogue.
var drawn = [tubesPerDraw]struct {
	kind  string
	tests []string
}{
	{"LIHEP", []string{"K", "NA", "CREA", "CRP", "ALT"}},
	{"EDTA", []string{"CBC"}},
	{"CITRATE", []string{"PT", "APTT"}},
}

func (b *bundle) label(tube int) string { return fmt.Sprintf("T%d-%d-%d", b.caller, b.draw, tube) }

// next does one scan.
func (b *bundle) next(ctx context.Context) error {
	j := journey[b.step]
	s := intake.Scan{
		ID: id(), Label: b.label(b.tube), Step: j.step, Kind: event.KindTube, How: "camera", Symbology: "]C1", DeviceTime: clock(), ZoneOffsetMin: 60,
		HasClock: true, OffsetMs: 20, UncertaintyMs: 40, MonotonicMs: int64(clock()) % 1e9, BootID: "a3f1", App: "bench 1",
		Device: fmt.Sprintf("%s-%d", j.device, b.caller), DeviceSeq: int64(b.draw*100 + b.step*tubesPerDraw + b.tube + 1),
		Place: j.place, By: j.by, Mode: event.Live,
	}
	switch j.step {
	case "collect":
		s.Patient, s.Draw = fmt.Sprintf("P%d", b.caller), fmt.Sprintf("D%d-%d", b.caller, b.draw)
		s.Type, s.Tests = drawn[b.tube].kind, drawn[b.tube].tests
	case "receive":
		s.From = "mira"
	case "pack":
		s.Carrier = fmt.Sprintf("RACK%d-%d", b.caller, b.draw/10)
	}
	if b.tube++; b.tube == tubesPerDraw {
		b.tube = 0
		if b.step++; b.step == len(journey) {
			b.step = 0
			b.draw++
		}
	}
	_, err := b.p.record(ctx, s)
	return err
}
