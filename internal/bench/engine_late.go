package main

import (
	"fmt"
	"math/rand/v2"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability/ageing"
	"specimen.example/custody/internal/thermal"
)

// lateBatch measures a download of 300 readings of the last two hours into a source
// whose tubes were there before, but for some that came in the middle of it.
func (r *engineRun) lateBatch() error {
	const batch, every = 300, 24_000 // ms
	var none spent
	for _, affected := range r.affected {
		f, err := newFleet(fleetOf{sources: r.repeats, tubes: r.lateTubes * r.repeats, curves: engineCurves})
		if err != nil {
			return err
		}
		f.loop = newLoop(f)
		for range history + 5 {
			f.draw()
			if err := f.read(); err != nil {
				return err
			}
		}
		for s := range f.sources {
			for n := range affected { // put down again where they are, which ends one stay and begins another
				if err := f.e.Move(int32(s+n*f.sources), ageing.Move{At: f.now - history/2*minute, Source: int32(s)}); err != nil {
					return err
				}
			}
		}
		from := f.now - history*minute + every/2
		readings := make([]event.Reading, batch)
		for n := range readings {
			readings[n] = event.Reading{At: from + event.Instant(n*every), C: 450, OK: true}
		}
		var all, naive []spent
		for s := range f.sources {
			before := f.e.Counts().Touched
			a, err := spend(1, func() error { return f.e.Read(int32(s), readings...) })
			if err != nil {
				return err
			}
			r.count(f.e.Counts().Touched-before, int64(affected*f.accounts), "accounts touched by a late batch that changes %d tubes of %d", affected, r.lateTubes)
			b1, err := spend(1, func() error {
				for n := range readings {
					seg := thermal.Segment{From: readings[n].At, To: readings[n].At + every, Low0: 450, High0: 450, Low1: 450, High1: 450, Evidence: thermal.Measured}
					f.loop.add(s, &seg, f.curves)
				}
				return nil
			})
			if err != nil {
				return err
			}
			all, naive = append(all, a), append(naive, b1)
		}
		a, b1 := middle(all), middle(naive)
		said := fmt.Sprintf("loop %s", times(b1, a))
		if affected == 0 {
			none = a
		} else {
			said = fmt.Sprintf("%.1f us more for each; ", (a.ns-none.ns)/float64(affected)/1000) + said
		}
		r.row(a, said, "LateBatch, %d of %d tubes affected", affected, r.lateTubes)
		r.row(b1, "", "LateBatch, %d of %d tubes affected, naive loop", affected, r.lateTubes)
	}
	return nil
}

// mostSegments is how many segments lie between two checkpoints: more are never added
// up for one value of a clock.
const mostSegments = 16

// lateMove measures moves that are told late, by the history that lies behind them.
func (r *engineRun) lateMove() error {
	const tubes, moves = 200, 100
	for _, hours := range r.hours {
		f, err := newFleet(fleetOf{sources: 2, tubes: 2 * tubes, curves: engineCurves})
		if err != nil {
			return err
		}
		f.loop = newLoop(f)
		placed := f.now
		for range hours * 60 {
			f.draw()
			if err := f.read(); err != nil {
				return err
			}
		}
		rnd := rand.New(rand.NewPCG(1, uint64(hours)))
		at := make([]event.Instant, moves)
		for n := range at {
			at[n] = placed + 1 + event.Instant(rnd.Int64N(int64(f.now-placed)-1))
		}
		// Each is of a tube of the first source that went into the second one.
		before := f.e.Counts()
		a, err := spend(moves, func() error {
			for n := range at {
				if err := f.e.Move(int32(2*n), ageing.Move{At: at[n], Source: 1}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		c := f.e.Counts()
		lookups := int64(moves * f.accounts * 3) // both ends of the first stay, the start of the second
		each := float64(c.Looked-before.Looked) / float64(lookups)
		if c.Longest > mostSegments || each > mostSegments {
			r.fail("engine: a late move in %d h added up %d segments for a value, %.1f in the mean; want %d at most", hours, c.Longest, each, mostSegments)
		}
		r.count(c.Touched-before.Touched, int64(moves*f.accounts), "accounts touched by %d late moves", moves)
		b1, err := spend(moves, func() error {
			for n := range at {
				for source := range 2 { // taken back where the tube was not, added where it was
					layers := [1]thermal.Layer{{To: f.now, Series: f.series[source : source+1]}}
					f.hist = thermal.Build(f.hist[:0], layers[:], at[n], f.now)
					for k := range f.hist {
						f.loop.one(int32(2*n), 0, &f.hist[k], f.curves)
					}
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		r.row(a, fmt.Sprintf("%.1f segments a value, %d at most; loop %s", each, c.Longest, times(b1, a)), "LateMove, %d h of history", hours)
		r.row(b1, "", "LateMove, %d h of history, naive loop", hours)
	}
	return nil
}

// retract measures a reading after a silence whose worst case had met levels: it shows
// that they are not met, and arms them again.
func (r *engineRun) retract() error {
	for _, fired := range r.fired {
		// The first account of so many tubes of a source has a level that the worst case
		// meets in 115 s without a reading, of which 60 are held, and 2 min at 5 °C don't.
		low := map[int]int32{}
		f, err := newFleet(fleetOf{sources: r.repeats, tubes: r.firedTubes * r.repeats, curves: engineCurves, calm: true,
			levels: func(f *fleet, tube, n, curve int) (int32, error) {
				if n > 0 || tube/f.sources >= fired {
					return f.never, nil
				}
				if id, ok := low[curve]; ok {
					return id, nil
				}
				k := int64(curve)
				id, err := f.e.AddLevels(ageing.Levels{At: []int64{((1+k)*120_000 + (1+k)*60_000 + (20+k)*55_000) / 2}})
				low[curve] = id
				return id, err
			}})
		if err != nil {
			return err
		}
		f.loop = newLoop(f)
		f.e.Announced()
		f.e.Advance(f.now + 115_000)
		r.count(announced(f.e.Announced()), int64(fired*f.sources), "accounts whose worst case met a level")
		var all, naive []spent
		for s := range f.sources {
			before := f.e.Counts().Touched
			reading := event.Reading{At: f.now + 2*minute, C: 500, OK: true}
			a, err := spend(1, func() error { return f.e.Read(int32(s), reading) })
			if err != nil {
				return err
			}
			r.count(f.e.Counts().Touched-before, int64(fired), "accounts touched by a reading that withdraws %d levels of %d tubes", fired, r.firedTubes)
			said := f.e.Announced()
			var back int64
			for i := range said {
				if said[i].Retraction {
					back++
				}
			}
			r.count(back, int64(fired), "levels withdrawn")
			b1, err := spend(1, func() error {
				seg := thermal.Segment{From: f.now, To: reading.At, Low0: 500, High0: 500, Low1: 500, High1: 500, Evidence: thermal.Measured}
				f.loop.add(s, &seg, f.curves)
				return nil
			})
			if err != nil {
				return err
			}
			all, naive = append(all, a), append(naive, b1)
		}
		a, b1 := middle(all), middle(naive)
		r.row(a, fmt.Sprintf("%.2f us for each; loop %s", a.ns/float64(fired)/1000, times(b1, a)), "Retract, %d of %d tubes armed again", fired, r.firedTubes)
		r.row(b1, "", "Retract, %d of %d tubes armed again, naive loop", fired, r.firedTubes)
	}
	return nil
}
