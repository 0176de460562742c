package main

import (
	"fmt"
	"math"
	"runtime"
	"runtime/metrics"
	"time"
)

// inTurns measures what is told of several numbers of tubes on the same fleets, which
// take turns: readings that meet no level, moves, readings that meet some, and with the
// most tubes memory and the steady load.
func (r *engineRun) inTurns() error {
	fleets := make([]*fleet, len(r.tubes))
	for i, tubes := range r.tubes {
		empty := heap()
		f, err := newFleet(fleetOf{sources: r.sources, tubes: tubes, curves: engineCurves, levels: natural()})
		if err != nil {
			return err
		}
		clocks := heap() - empty
		f.loop = newLoop(f)
		naive := heap() - empty - clocks
		if i == len(r.tubes)-1 {
			r.memory(f, clocks/float64(tubes), naive/float64(tubes))
		}
		fleets[i] = f
	}
	plain, err := r.readingAppend(fleets)
	if err != nil {
		return err
	}
	if err := r.moveTube(fleets, plain); err != nil {
		return err
	}
	if err := r.levelsMet(fleets, plain); err != nil {
		return err
	}
	return r.pause(fleets[len(fleets)-1])
}

// Targets of the house's study, bytes alive after the first placement.
const (
	bytesTube = 700
	bytesTest = 110
)

func (r *engineRun) memory(f *fleet, clocks, naive float64) {
	tests := float64(f.loop.tests)
	r.add(row{
		Part: "engine", What: fmt.Sprintf("Memory, %d tubes", f.tubes), Bytes: clocks, Missed: clocks > bytesTube || clocks/tests > bytesTest,
		Said: fmt.Sprintf("%.0f B a tube, %.0f B a test of %d; want %d and %d; readings and clocks of %d sources included", clocks, clocks/tests, f.loop.tests, bytesTube, bytesTest, f.sources),
	})
	r.add(row{Part: "engine", What: fmt.Sprintf("Memory, %d tubes, naive loop", f.tubes), Bytes: naive, Said: fmt.Sprintf("%.0f B a tube, without limits, moves or history", naive)})
}

// readingAppend measures readings in order that meet no level, and gives their price by fleet.
func (r *engineRun) readingAppend(fleets []*fleet) ([]spent, error) {
	const scratch = 20 // sources summed up from scratch in a round
	clocks, naive, again := make([][]spent, len(fleets)), make([][]spent, len(fleets)), make([][]spent, len(fleets))
	var sink int64
	for round := range r.rounds + 1 {
		for i, f := range fleets {
			f.draw()
			if round == 0 { // warms up, and counts each reading
				if err := r.counted(f); err != nil {
					return nil, err
				}
				if err := f.naive(); err != nil {
					return nil, err
				}
				continue
			}
			s, met, err := r.reads(f)
			if err != nil {
				return nil, err
			}
			if met != 0 {
				return nil, fmt.Errorf("%d tubes, round %d: %d levels met; the levels are too low for these rounds", f.tubes, round, met)
			}
			b1, err := spend(f.sources, f.naive)
			if err != nil {
				return nil, err
			}
			b2, err := spend(scratch, func() error {
				for n := range scratch {
					sink += f.scratch((round*scratch + n) % f.sources)
				}
				return nil
			})
			if err != nil {
				return nil, err
			}
			clocks[i], naive[i], again[i] = append(clocks[i], s), append(naive[i], b1), append(again[i], b2)
		}
	}
	runtime.KeepAlive(sink)
	plain := make([]spent, len(fleets))
	for i, f := range fleets {
		if err := f.agree(); err != nil {
			return nil, err
		}
		a, b1, b2 := middle(clocks[i]), middle(naive[i]), middle(again[i])
		plain[i] = a
		r.row(a, fmt.Sprintf("%.1f ns for each of %d clocks; loop %s, from scratch %s", a.ns/engineCurves, engineCurves, times(b1, a), times(b2, a)), "ReadingAppend, %d tubes", f.tubes)
		r.row(b1, "", "ReadingAppend, %d tubes, naive loop", f.tubes)
		r.row(b2, "", "ReadingAppend, %d tubes, from scratch", f.tubes)
	}
	if few, most := 0, len(fleets)-1; most > few {
		ratio := plain[most].ns / plain[few].ns
		at := fmt.Sprintf("ReadingAppend, %d beside %d tubes", fleets[most].tubes, fleets[few].tubes)
		r.add(row{Part: "engine", What: at, Said: fmt.Sprintf("%.2f for a clock, want %.1f at most", ratio, flat), Missed: ratio > flat})
		if r.strict && ratio > flat {
			r.fail("engine: %s: %.2f times for a clock, want %.1f at most", at, ratio, flat)
		}
	}
	return plain, nil
}

// reads tells a fleet the readings of the round and counts: one segment for each active
// clock, and no account touched but those that announce something.
func (r *engineRun) reads(f *fleet) (s spent, met int64, err error) {
	f.e.Announced()
	before := f.e.Counts()
	if s, err = spend(f.sources, f.read); err != nil {
		return s, 0, err
	}
	c := f.e.Counts()
	met = announced(f.e.Announced())
	r.count(c.Segments-before.Segments, int64(f.sources*len(f.curves)), "segments for %d readings with %d active clocks each", f.sources, len(f.curves))
	r.count(c.Touched-before.Touched, met, "accounts touched by %d readings of %d tubes", f.sources, f.tubes)
	return s, met, nil
}

// counted is reads, reading by reading.
func (r *engineRun) counted(f *fleet) error {
	f.e.Announced()
	for s := range f.readings {
		before := f.e.Counts()
		if err := f.e.Read(int32(s), f.readings[s]); err != nil {
			return err
		}
		c := f.e.Counts()
		r.count(c.Segments-before.Segments, int64(len(f.curves)), "segments for a reading with %d active clocks", len(f.curves))
		r.count(c.Touched-before.Touched, announced(f.e.Announced()), "accounts touched by a reading, %d tubes", f.tubes)
	}
	return nil
}

// levelsMet measures readings while levels are met.
func (r *engineRun) levelsMet(fleets []*fleet, plain []spent) error {
	all, met := make([][]spent, len(fleets)), make([]int64, len(fleets))
	for i, f := range fleets {
		for f.round < history+85 { // minutes: the first levels are met by now
			f.draw()
			if _, _, err := r.reads(f); err != nil {
				return err
			}
		}
		for range r.rounds {
			f.draw()
			s, n, err := r.reads(f)
			if err != nil {
				return err
			}
			all[i], met[i] = append(all[i], s), met[i]+n
		}
	}
	for i, f := range fleets {
		if met[i] == 0 {
			return fmt.Errorf("%d tubes: no level was met; nothing was measured", f.tubes)
		}
		s, each := middle(all[i]), float64(met[i])/float64(r.rounds*f.sources)
		r.row(s, fmt.Sprintf("%.2f levels met at each, about %.0f ns more for one", each, (s.ns-plain[i].ns)/each), "ReadingAppend, %d tubes, some meet a level", f.tubes)
	}
	return nil
}

// Targets of the steady load on an idle machine.
const (
	pauseP99  = time.Millisecond
	pauseStop = 10 * time.Millisecond
)

// pause measures each reading while tubes move and the collector runs, and what it costs
// to let time pass in every source.
func (r *engineRun) pause(f *fleet) error {
	var clocks, naive sample
	var sweeps []spent
	before := stops()
	collected := make(chan struct{}, 1)
	for round := range r.pauses {
		if round%4 == 0 {
			go func() { runtime.GC(); collected <- struct{}{} }()
		}
		if _, _, err := f.moves(r.moved, round); err != nil {
			return err
		}
		f.draw()
		for s := range f.readings {
			start := time.Now()
			if err := f.e.Read(int32(s), f.readings[s]); err != nil {
				return err
			}
			clocks.delays = append(clocks.delays, time.Since(start))
		}
		for s := range f.readings {
			start := time.Now()
			seg := f.segment(s)
			f.loop.add(s, &seg, f.curves)
			naive.delays = append(naive.delays, time.Since(start))
		}
		if round%4 == 0 {
			<-collected
		}
		f.e.Announced()
		touched := f.e.Counts().Touched
		s, err := spend(f.sources, func() error { f.e.Advance(f.now + minute/4); return nil })
		if err != nil {
			return err
		}
		r.count(f.e.Counts().Touched-touched, announced(f.e.Announced()), "accounts touched by time that passes")
		sweeps = append(sweeps, s)
	}
	stop, n := longest(before, stops())
	p99 := clocks.quantile(0.99)
	r.add(row{
		Part: "engine", What: fmt.Sprintf("Pause, %d tubes, %d move a minute", f.tubes, r.moved), P50: clocks.quantile(0.5), P99: p99,
		Missed: p99 > float64(pauseP99.Microseconds()) || stop > pauseStop,
		Said:   fmt.Sprintf("the collector stopped %d times, at most %v; want p99 %v and %v on an idle machine; loop p99 %.1f x", n, stop, pauseP99, pauseStop, naive.quantile(0.99)/p99),
	})
	r.add(row{Part: "engine", What: fmt.Sprintf("Pause, %d tubes, naive loop", f.tubes), P50: naive.quantile(0.5), P99: naive.quantile(0.99)})
	s := middle(sweeps)
	r.row(s, fmt.Sprintf("%.1f ms for all %d sources, as often as levels are to be met between readings", s.ns*float64(f.sources)/1e6, f.sources), "Time passes in a source, %d tubes", f.tubes)
	return nil
}

// stops gives the collector's stops of the world so far.
func stops() *metrics.Float64Histogram {
	s := []metrics.Sample{{Name: "/sched/pauses/total/gc:seconds"}}
	metrics.Read(s)
	return s[0].Value.Float64Histogram()
}

// longest gives how many stops were made between two looks, and the upper end of the
// bucket of the longest.
func longest(before, after *metrics.Float64Histogram) (d time.Duration, n uint64) {
	for i, c := range after.Counts {
		more := c - before.Counts[i]
		n += more
		if end := after.Buckets[i+1]; more > 0 && !math.IsInf(end, 1) {
			d = time.Duration(end * float64(time.Second)).Round(time.Microsecond)
		}
	}
	return d, n
}

// byCurves measures readings by the number of active curves.
func (r *engineRun) byCurves() error {
	fleets := make([]*fleet, len(r.curves))
	for i, curves := range r.curves {
		f, err := newFleet(fleetOf{sources: r.sources, tubes: r.curveTubes, curves: curves})
		if err != nil {
			return err
		}
		f.loop = newLoop(f)
		fleets[i] = f
	}
	all, naive := make([][]spent, len(fleets)), make([][]spent, len(fleets))
	for range r.rounds {
		for i, f := range fleets {
			f.draw()
			s, _, err := r.reads(f)
			if err != nil {
				return err
			}
			b1, err := spend(f.sources, f.naive)
			if err != nil {
				return err
			}
			all[i], naive[i] = append(all[i], s), append(naive[i], b1)
		}
	}
	for i := range fleets {
		a, b1 := middle(all[i]), middle(naive[i])
		r.row(a, fmt.Sprintf("%.1f ns for a clock; loop %s", a.ns/float64(r.curves[i]), times(b1, a)), "ReadingAppendCurves, %d curves", r.curves[i])
		r.row(b1, "", "ReadingAppendCurves, %d curves, naive loop", r.curves[i])
	}
	return nil
}

// bigSource measures readings of one source by the number of its tubes.
func (r *engineRun) bigSource() error {
	const readings = 500 // in a round
	for _, tubes := range r.big {
		f, err := newFleet(fleetOf{sources: 1, tubes: tubes, curves: engineCurves})
		if err != nil {
			return err
		}
		f.loop = newLoop(f)
		var all, naive []spent
		for range r.rounds {
			before := f.e.Counts()
			s, err := spend(readings, func() error {
				for range readings {
					f.draw()
					if err := f.read(); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
			c := f.e.Counts()
			r.count(c.Segments-before.Segments, readings*engineCurves, "segments for %d readings of one source", readings)
			r.count(c.Touched-before.Touched, 0, "accounts touched by readings of a source with %d tubes", tubes)
			b1, err := spend(1, f.naive)
			if err != nil {
				return err
			}
			all, naive = append(all, s), append(naive, b1)
		}
		var sink int64
		b2, err := spend(1, func() error { sink = f.scratch(0); return nil })
		if err != nil {
			return err
		}
		runtime.KeepAlive(sink)
		a, b1 := middle(all), middle(naive)
		r.row(a, fmt.Sprintf("loop %s, from scratch %s", times(b1, a), times(b2, a)), "ReadingBigSource, %d tubes", tubes)
		r.row(b1, "", "ReadingBigSource, %d tubes, naive loop", tubes)
		r.row(b2, "", "ReadingBigSource, %d tubes, from scratch", tubes)
	}
	return nil
}
