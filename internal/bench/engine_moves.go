package main

import (
	"fmt"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability/ageing"
	"specimen.example/custody/internal/thermal"
)

// step is a move of a tube from one source into another.
type step struct{ tube, from, to int32 }

// moves moves some of the tubes into other sources, half a minute after their last
// reading, and tells them the loop.
func (f *fleet) moves(n, round int) (clocks, naive spent, err error) {
	steps := f.steps(n, round)
	at := f.now + minute/2
	if clocks, err = spend(n, func() error {
		for _, s := range steps {
			if err := f.e.Move(s.tube, ageing.Move{At: at, Source: s.to}); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return clocks, naive, err
	}
	naive, err = spend(n, func() error {
		for _, s := range steps {
			left, entered := f.held(s.from, at), f.held(s.to, at)
			f.loop.move(s.tube, s.from, s.to, &left, &entered, f.curves)
		}
		return nil
	})
	return clocks, naive, err
}

// steps chooses tubes, each once, and where they go.
func (f *fleet) steps(n, round int) []step {
	const stride = 7919 // a prime that divides no number of tubes here
	steps := make([]step, n)
	for k := range steps {
		tube := int32((round*n + k) % f.tubes * stride % f.tubes)
		from := f.in[tube]
		f.in[tube] = (from + 1 + int32(k%(f.sources-1))) % int32(f.sources)
		steps[k] = step{tube, from, f.in[tube]}
	}
	return steps
}

// held is what follows a source's last reading until an instant.
func (f *fleet) held(source int32, until event.Instant) thermal.Segment {
	c := f.readings[source].C
	return thermal.Segment{From: f.now, To: until, Low0: c, High0: c, Low1: c, High1: c, Evidence: thermal.Measured, HeldAfterReading: true}
}

// moveTube measures moves, and what the next readings of the two sources take more to
// settle them: both values were taken after the last reading.
func (r *engineRun) moveTube(fleets []*fleet, plain []spent) error {
	all, naive, settled := make([][]spent, len(fleets)), make([][]spent, len(fleets)), make([][]spent, len(fleets))
	for round := range r.rounds + 1 {
		for i, f := range fleets {
			accounts := int64(r.moved * f.accounts)
			before := f.e.Counts()
			a, b1, err := f.moves(r.moved, round)
			if err != nil {
				return err
			}
			c := f.e.Counts()
			r.count(c.Touched-before.Touched, accounts, "accounts touched by %d moves of tubes with %d", r.moved, f.accounts)
			r.count(c.Queued-before.Queued, 2*accounts, "queue operations for %d moves of tubes with %d accounts", r.moved, f.accounts)
			f.draw()
			before = c
			s, err := spend(f.sources, f.read)
			if err != nil {
				return err
			}
			c = f.e.Counts()
			r.count(c.Touched-before.Touched, 2*accounts, "accounts settled by the readings after %d moves between two sources, %d accounts each", r.moved, f.accounts)
			r.count(c.Queued-before.Queued, 4*accounts, "queue operations to settle %d moves of tubes with %d accounts", r.moved, f.accounts)
			if said := f.e.Announced(); len(said) > 0 {
				return fmt.Errorf("%d tubes, round %d: %d levels met; the levels are too low for these rounds", f.tubes, round, len(said))
			}
			if round == 0 {
				continue
			}
			more := (s.ns - plain[i].ns) * float64(f.sources) / float64(r.moved)
			all[i], naive[i], settled[i] = append(all[i], a), append(naive[i], b1), append(settled[i], spent{ns: a.ns + more})
		}
	}
	for i, f := range fleets {
		a, b1, s := middle(all[i]), middle(naive[i]), middle(settled[i])
		r.add(row{
			Part: "engine", What: fmt.Sprintf("MoveTube, %d tubes", f.tubes), NsOp: a.ns, Allocs: a.allocs, Missed: f.accounts == engineAccounts && s.ns > moveNs,
			Said: fmt.Sprintf("%.1f us with settling, %d accounts; want %d us with %d; loop %s", s.ns/1000, f.accounts, moveNs/1000, engineAccounts, times(b1, a)),
		})
		r.row(b1, "", "MoveTube, %d tubes, naive loop", f.tubes)
	}
	return nil
}

// moveNs is the aim for a move with settling.
const moveNs = 25_000

// moveBox measures a box that goes into another van: a source whose layer changes.
func (r *engineRun) moveBox() error {
	const boxes, curves = 40, 35
	for _, tubes := range r.boxes {
		f, err := newFleet(fleetOf{sources: boxes, tubes: tubes * boxes, curves: curves})
		if err != nil {
			return err
		}
		f.loop = newLoop(f)
		var all, naive, single []spent
		before := f.e.Counts().Touched
		for round := range r.rounds {
			f.draw()
			if err := f.read(); err != nil {
				return err
			}
			at := f.now + minute/2
			s, err := spend(boxes, func() error {
				for b := range boxes {
					if err := f.e.Change(int32(b), at, ageing.Layer{Series: []int32{int32((b + round + 1) % boxes)}}); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
			b1, err := spend(boxes, func() error {
				for b := range boxes {
					seg := f.held(int32(b), at)
					f.loop.add(b, &seg, f.curves)
				}
				return nil
			})
			if err != nil {
				return err
			}
			all, naive = append(all, s), append(naive, b1)
		}
		r.count(f.e.Counts().Touched-before, 0, "accounts touched by boxes with %d tubes that move, and by their readings", tubes)
		for b := range min(r.repeats, boxes) {
			s, err := spend(1, func() error {
				for n := b; n < f.tubes; n += boxes {
					if err := f.e.Move(int32(n), ageing.Move{At: f.now + minute/2, Source: int32((b + 1) % boxes)}); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
			single = append(single, s)
		}
		a, b1 := middle(all), middle(naive)
		r.row(a, fmt.Sprintf("loop %s; each tube moved by itself %s", times(b1, a), times(middle(single), a)), "MoveBox, %d tubes in it", tubes)
		r.row(b1, "", "MoveBox, %d tubes in it, naive loop", tubes)
	}
	return nil
}
