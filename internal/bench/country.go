package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"runtime/pprof"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
)

// What the country is to hold.
const (
	heapTarget   = 1_200.0 // bytes of live heap a tube
	rereadTarget = 0.7     // of the raw ordered read
	countryTail  = 3.0     // p99 from reading to flag, in p99s of the bare log
)

// countrySettings are those of the part "country".
type countrySettings struct {
	tubes    int
	dir      string
	until    string
	load     time.Duration
	again    bool
	program  string // this one's file, for starts in processes of their own; empty: in this one
	profiles bool
}

func (c *countrySettings) flags() {
	flag.IntVar(&c.tubes, "tubes", 1_000_000, "country: tubes of the generated day")
	flag.StringVar(&c.dir, "dir", "", "country: folder in which the log is made, kept and used again; empty: one that is removed")
	flag.StringVar(&c.until, "until", "11h,30h", "country: hours of the day at which the log is measured, since more or fewer tubes are open then")
	flag.DurationVar(&c.load, "load", time.Minute, "country: length of the measurement from reading to flag; 0: none")
	flag.BoolVar(&c.again, "again", false, "country: only starts from the snapshot that an earlier run left in -dir, and what is measured after one")
	flag.BoolVar(&c.profiles, "profiles", false, "country: write CPU and heap profiles to .bench/country-*.pprof")
}

// stages are the hours of the day at which is measured.
func (c *countrySettings) stages() ([]time.Duration, error) {
	var out []time.Duration
	for text := range strings.SplitSeq(c.until, ",") {
		d, err := time.ParseDuration(strings.TrimSpace(text))
		if err != nil || d <= 0 || len(out) > 0 && d <= out[len(out)-1] {
			return nil, fmt.Errorf("-until: %q is no later hour of the day, such as 11h", text)
		}
		out = append(out, d)
	}
	return out, nil
}

// country makes a log of very many tubes and measures the daemon on it, at some hours of
// the day, each beside the bare thing it is built on.
func country(ctx context.Context, s *settings, t *table) (err error) {
	stages, err := s.country.stages()
	if err != nil {
		return err
	}
	dir := s.country.dir
	if dir == "" {
		if dir, err = os.MkdirTemp("", "custody-country-"); err != nil {
			return err
		}
		defer func() { _ = os.RemoveAll(dir) }()
	} else if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	// The heap may grow to several times what is alive; this machine's memory bounds it.
	debug.SetMemoryLimit(memoryOfMachine() * 8 / 10)
	k, err := readKept(dir)
	if err != nil {
		return err
	}
	if k.Tubes == 0 {
		k.Tubes = s.country.tubes
	}
	if k.Tubes != s.country.tubes {
		return fmt.Errorf("-dir: %s holds a day of %d tubes; say -tubes %d, or name another folder", dir, k.Tubes, k.Tubes)
	}
	plan, err := rehearsal.Plan(rehearsal.Settings{Seed: countrySeed, Tubes: k.Tubes})
	if err != nil {
		return err
	}
	var bare *row
	for _, stage := range stages {
		until := plan.Settings().Day.Add(stage)
		switch {
		case s.country.again && k.Until != until:
			return fmt.Errorf("-again: the log in %s is told until %s, not %s; say -until for that, or make one without -again", dir, k.Until, until)
		case k.Until > until:
			s.tell("country: the log in %s is told until %s already; %s is left out", dir, k.Until, stage)
			continue
		case k.Until < until:
			if err := makeCountry(ctx, s, dir, &k, until); err != nil {
				return err
			}
		}
		c := &countryRun{s: s, t: t, dir: dir, k: &k, hour: stage, stage: fmt.Sprintf("%d tubes, %d open", k.Asked, k.open())}
		if err := c.measure(ctx); err != nil {
			return fmt.Errorf("%s: %w", stage, err)
		}
		if s.country.load <= 0 {
			continue
		}
		if bare == nil {
			if bare, err = bareRow(ctx, s); err != nil {
				return err
			}
			t.add(*bare)
		}
		if err := c.load(ctx, bare); err != nil {
			return fmt.Errorf("%s: %w", stage, err)
		}
	}
	return nil
}

// countryRun measures one stage.
type countryRun struct {
	s     *settings
	t     *table
	dir   string
	k     *kept
	hour  time.Duration // of the day
	stage string
}

// steer sets the bench's clock to where the country's day stands.
func (c *countryRun) steer() { ahead = 0; ahead = c.k.Now.Sub(clock()) }

// keepTime notes how far the country's day has come.
func (c *countryRun) keepTime() error {
	c.k.Now = max(c.k.Now, clock())
	return c.k.save(c.dir)
}

// bareRow is the bare log path, on an empty log.
func bareRow(ctx context.Context, s *settings) (*row, error) {
	s.tell("country: the bare log path for %s", s.country.load)
	tr, err := bareTrial(ctx, s.country.load)
	if err != nil {
		return nil, err
	}
	r := flagRow(tr, "bare log: two appends and follow", s.country.load)
	return &r, nil
}

func flagRow(tr *trial, what string, length time.Duration) row {
	got := sample{delays: tr.delays}
	return row{Part: "country", What: what, P50: got.quantile(0.5), P99: got.quantile(0.99),
		Said: fmt.Sprintf("%d of %d arrived beside %.0f readings and %.0f scans a second", len(tr.delays), tr.asked,
			float64(tr.readings.Load())/length.Seconds(), float64(tr.scans.Load())/length.Seconds())}
}

// load measures from reading to flag beside a country's tubes.
func (c *countryRun) load(ctx context.Context, bare *row) (err error) {
	p, _, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer func() { p.close(); err = firstOf(err, c.keepTime()) }()
	if err := c.settle(ctx, p); err != nil {
		return err
	}
	c.k.Fleet++
	fleetMark = fmt.Sprintf("-%d", c.k.Fleet)
	defer func() { fleetMark = "" }()
	if err := c.k.save(c.dir); err != nil {
		return err
	}
	if err := p.write(ctx, target(event.KindPlace, "CLINIC"), event.PlaceDescribed{
		Name: "CLINIC", PlaceKind: "bench", Zone: "UTC", Assumed: event.Range{Low: 1800, High: 2400, Known: true}, Basis: "bench", Owner: "lena",
	}); err != nil {
		return err
	}
	c.s.tell("country: from reading to flag for %s", c.s.country.load)
	end, err := c.profile("load-cpu")
	if err != nil {
		return err
	}
	tr, err := p.watchTrial(ctx, c.s.country.load)
	end()
	if err != nil {
		return err
	}
	r := flagRow(tr, "reading to flag, "+c.stage, c.s.country.load)
	r.Said += fmt.Sprintf("; p50 %.1f x, p99 %.1f x bare (want %.0f)", r.P50/bare.P50, r.P99/bare.P99, countryTail)
	r.Missed = r.P99 > countryTail*bare.P99 || len(tr.delays) < tr.asked
	c.t.add(r)
	return nil
}

// profile begins a CPU profile, if they are asked for, and gives what ends it.
func (c *countryRun) profile(name string) (end func(), err error) {
	if !c.s.country.profiles {
		return func() {}, nil
	}
	f, err := c.profileFile(name)
	if err != nil {
		return nil, err
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		return nil, err // -cpuprofile has one running
	}
	return func() { pprof.StopCPUProfile(); _ = f.Close() }, nil
}

func (c *countryRun) profileFile(name string) (*os.File, error) {
	if err := os.MkdirAll(".bench", 0o755); err != nil {
		return nil, err
	}
	return os.Create(filepath.Join(".bench", fmt.Sprintf("country-%d-open-%s.pprof", c.k.open(), name)))
}

// heapProfile writes what is alive, if profiles are asked for.
func (c *countryRun) heapProfile(name string) error {
	if !c.s.country.profiles {
		return nil
	}
	f, err := c.profileFile(name)
	if err != nil {
		return err
	}
	return firstOf(pprof.WriteHeapProfile(f), f.Close())
}

// alive is the live heap in bytes as the collector marked it; what finalizers let go of is
// gone the second time. What is made and dropped meanwhile, by a judge at work or a store
// that lets its blocks go, isn't in it.
func alive() float64 {
	runtime.GC()
	runtime.GC()
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(live)
	return float64(live[0].Value.Uint64())
}

func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
