package main

import (
	"fmt"
	"math"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability/ageing"
	"specimen.example/custody/internal/thermal"
)

// fleet is an engine with tubes spread evenly over sources in which every curve is
// active. Curves, levels and readings are invented: five steps with edges at 2, 8, 15
// and 25 °C; a reading a minute from each logger, near 5 °C, every tenth at 8.5 °C, so
// that segments cross an edge.
type fleet struct {
	e        ageing.Engine
	curves   []*ageing.RateCurve
	series   []*thermal.Series
	sources  int
	tubes    int
	accounts int // of a tube

	now      event.Instant // of the latest reading of every logger
	round    int
	readings []event.Reading // of the round, by source
	before   []event.Reading // of the round before
	in       []int32         // source of each tube
	calm     bool            // no reading crosses an edge
	never    int32           // levels that are never met
	loop     loop
	hist     []thermal.Segment
}

// history is how many minutes every logger has read before the first tube comes.
const history = 120

// fleetOf says what a fleet is made of.
type fleetOf struct {
	sources, tubes, curves int
	calm                   bool
	// levels gives the list of levels of account n of a tube; nil: one that is never met.
	levels func(f *fleet, tube, n, curve int) (int32, error)
}

// newFleet reads two hours, then places the tubes at the latest reading.
func newFleet(of fleetOf) (*fleet, error) {
	sources, tubes, curves := of.sources, of.tubes, of.curves
	f := &fleet{
		sources: sources, tubes: tubes, accounts: max(engineAccounts, (curves*sources+tubes-1)/tubes), calm: of.calm,
		now: dayOf, readings: make([]event.Reading, sources), before: make([]event.Reading, sources), in: make([]int32, tubes),
	}
	if tubes%sources != 0 {
		return nil, fmt.Errorf("%d tubes don't go evenly into %d sources; give a multiple", tubes, sources)
	}
	for k := range int64(curves) {
		c, err := ageing.NewRateCurve([]ageing.Step{
			{Upper: 3 + k, Lower: 2}, {Start: ageing.From(200), Upper: 1 + k, Lower: 1 + k}, {Start: ageing.Above(800), Upper: 9 + k, Lower: 1},
			{Start: ageing.From(1500), Upper: 5 + k, Lower: 5 + k}, {Start: ageing.Above(2500), Upper: 20 + k, Lower: 1},
		}, 20+k, 1)
		if err != nil {
			return nil, err
		}
		f.curves = append(f.curves, c)
		f.e.AddCurve(c)
	}
	for range sources {
		s := &thermal.Series{EveryMs: int64(minute), HoldMs: -1}
		f.series = append(f.series, s)
		if _, err := f.e.AddSource(ageing.Layer{Series: []int32{f.e.AddSeries(s)}}); err != nil {
			return nil, err
		}
	}
	for range history {
		f.draw()
		if err := f.read(); err != nil {
			return nil, err
		}
	}
	var err error
	f.never, err = f.e.AddLevels(ageing.Levels{At: []int64{ageing.MaxLevel / 2, ageing.MaxLevel}})
	if err != nil {
		return nil, err
	}
	watches := make([]ageing.Watch, f.accounts)
	for n := range tubes {
		for i := range watches {
			watches[i] = ageing.Watch{Curve: int32(f.curve(n/sources, i)), Levels: f.never}
			if of.levels != nil {
				if watches[i].Levels, err = of.levels(f, n, i, int(watches[i].Curve)); err != nil {
					return nil, err
				}
			}
		}
		id, err := f.e.AddTube(watches...)
		if err != nil {
			return nil, err
		}
		f.in[n] = int32(n % sources)
		if err := f.e.Move(id, ageing.Move{At: f.now, Source: f.in[n]}); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// curve gives the curve of account i of the n-th tube of its source.
func (f *fleet) curve(n, i int) int { return (n*f.accounts + i) % len(f.curves) }

// natural are levels at four fifths and at the end of a limit of 100 min to 72 h, as if
// the tube stayed at 5 °C. 64 limits by curve, made when they are first asked for.
func natural() func(f *fleet, tube, n, curve int) (int32, error) {
	const limits = 64
	known := map[[2]int]int32{}
	return func(f *fleet, tube, n, curve int) (int32, error) {
		which := [2]int{curve, (tube/f.sources*31 + n*17 + tube%f.sources) % limits}
		if id, ok := known[which]; ok {
			return id, nil
		}
		minutes := 100 * math.Pow(72*60/100.0, float64(which[1])/(limits-1))
		limit := int64(minutes) * int64(minute) * int64(1+curve)
		id, err := f.e.AddLevels(ageing.Levels{At: []int64{limit - limit/5, limit}})
		known[which] = id
		return id, err
	}
}

// draw makes the next readings, one of each logger.
func (f *fleet) draw() {
	f.now += minute
	f.round++
	f.readings, f.before = f.before, f.readings
	for s := range f.readings {
		r := event.Reading{At: f.now, C: event.CentiC(400 + (s+2*f.round)%7*30), OK: true}
		if !f.calm && (s+3*f.round)%10 == 0 {
			r.C = 850
		}
		f.readings[s] = r
	}
}

// read tells the engine the readings of the round.
func (f *fleet) read() error {
	for s := range f.readings {
		if err := f.e.Read(int32(s), f.readings[s]); err != nil {
			return err
		}
	}
	return nil
}

// naive tells them the loop.
func (f *fleet) naive() error {
	for s := range f.readings {
		seg := f.segment(s)
		f.loop.add(s, &seg, f.curves)
	}
	return nil
}

// segment is what the reading of the round adds to the history of a source.
func (f *fleet) segment(s int) thermal.Segment {
	a, b := &f.before[s], &f.readings[s]
	return thermal.Segment{From: a.At, To: b.At, Low0: a.C, High0: a.C, Low1: b.C, High1: b.C, Evidence: thermal.Measured}
}

// scratch adds up every account of a source from its last two hours, as whoever keeps
// nothing has to. The history is built once for all.
func (f *fleet) scratch(source int) (sum int64) {
	layers := [1]thermal.Layer{{To: f.now, Series: f.series[source : source+1]}}
	f.hist = thermal.Build(f.hist[:0], layers[:], f.now-history*minute, f.now)
	for n := range f.tubes / f.sources {
		for i := range f.accounts {
			c := f.curves[f.curve(n, i)]
			var use ageing.Use
			for k := range f.hist {
				u := c.Over(&f.hist[k])
				use.Upper += u.Upper
				use.Lower += u.Lower
			}
			sum += use.Upper - use.Lower
		}
	}
	return sum
}

// agree compares what the loop has with what the engine says, for some of the tubes.
func (f *fleet) agree() error {
	for n := 0; n < f.tubes; n += 1 + f.tubes/997 {
		for j, got := range f.loop.of(f, int32(n)) {
			st, err := f.e.State(int32(n), j%f.accounts)
			if err != nil {
				return err
			}
			if st.Use != got {
				return fmt.Errorf("tube %d, test %d: the loop has %+v, the clocks %+v", n, j, got, st.Use)
			}
		}
	}
	return nil
}

// announced gives how many accounts a number of readings announced something of.
func announced(said []ageing.Announcement) int64 {
	seen := map[[2]int32]bool{}
	for i := range said {
		seen[[2]int32{said[i].Tube, said[i].Curve}] = true
	}
	return int64(len(seen))
}
