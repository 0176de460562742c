package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/spinload"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/story"
	"specimen.example/custody/internal/thermal"
)

// The bench of all loads: three centrifuges, one of them cold, looked at every 5 min.
// Machines, programmes and paces are assumed, no source.
const (
	minute = event.Instant(60_000)
	tick   = 5 * minute
	dayOf  = event.Instant(1_795_500_000_000) / (24 * 60 * minute) * (24 * 60 * minute)
	never  = event.Instant(math.MaxInt64)
	// shortest is how many ticks the shortest programme of four takes.
	shortest = 3
)

var (
	room     = event.Range{Low: 1800, High: 2500, Known: true}
	chilled  = event.Range{Low: 200, High: 800, Known: true}
	machines = []spinload.Machine{
		{RadiusMm: 172, MostPerMin: 4000, C: room},
		{RadiusMm: 172, MostPerMin: 4000, C: room},
		{RadiusMm: 172, MostPerMin: 4000, C: event.Range{Low: 400, High: 2500, Known: true}},
	}
	// Four that can't share a run. Minutes with handling.
	four = []spinload.Programme{
		{Name: "plasma", G: 2000, Within: 100, Ms: int64(15 * minute), C: room},
		{Name: "citrate", G: 1500, Within: 100, Ms: int64(20 * minute), C: room},
		{Name: "chilled", G: 2000, Within: 100, Ms: int64(15 * minute), C: chilled},
		{Name: "serum", G: 1300, Within: 100, Ms: int64(15 * minute), C: room},
	}
)

// lossRow is what one load lost in tests under each order, and by the bound at least.
type lossRow struct {
	Load    string `json:"load"`
	Tubes   int    `json:"tubes"`
	First   int    `json:"firstCome"`      // first come, first served
	Aside   int    `json:"firstComeAside"` // the same, without what nothing can save
	Urgent  int    `json:"urgent"`         // the product's order
	Bound   int    `json:"bound"`          // whatever is done
	Asserts bool   `json:"asserts"`        // the aim is set for this load
}

// aim is what the product's order may lose of what first come, first served loses.
const aim = 0.25

func (r *lossRow) ratio() float64 { return float64(r.Urgent) / float64(max(r.First, 1)) }

// fewLost is how many tests first come, first served must lose for a ratio to say anything.
const fewLost = 100

// missed tells whether the aim was set for a load and not met.
func (r *lossRow) missed() bool { return r.Asserts && (r.First < fewLost || r.ratio() > aim) }

// spinOrder measures which tests are lost before the centrifuges by the order of loading.
func spinOrder(_ context.Context, s *settings, t *table) error {
	rows, err := losses()
	t.Losses = rows
	s.tell("spins: %d loads", len(rows))
	return err
}

// losses plays all loads. The aim was set for the simulated mornings of the house's study,
// which measured 0.16, 0.08 and 0.07 there. On the generated days a tube comes with
// three hours left and more, and the full bench has places for all: hardly a test is at
// stake, so the aim says nothing there; it is asserted on the same days at a bench of
// 12 places a machine, which has too few for the rush.
func losses() ([]lossRow, error) {
	set, _, err := library.Starter()
	if err != nil {
		return nil, err
	}
	var rows []lossRow
	for _, size := range []int{1320, 1860, 2400} {
		mornings := make([][]spinload.Tube, 10)
		for seed := range mornings {
			mornings[seed] = simulated(uint64(seed), size) //nolint:gosec // not negative
		}
		row, err := compareOrders(fmt.Sprintf("simulated, %d tubes in 5 h, 40 places, %d mornings", size, len(mornings)), 40, mornings)
		if err != nil {
			return nil, err
		}
		row.Asserts = true
		rows = append(rows, row)
	}
	// Days of which about 1,320, 1,860 and 2,400 tubes come within the first 5 h.
	for _, size := range []int{2683, 3780, 4878} {
		days := make([][]spinload.Tube, 2)
		for seed := range days {
			if days[seed], err = generated(set, uint64(seed), size); err != nil { //nolint:gosec // not negative
				return nil, err
			}
		}
		for _, places := range []int{40, 12} {
			row, err := compareOrders(fmt.Sprintf("generated, %d tubes a day, %d places, %d days", size, places, len(days)), places, days)
			if err != nil {
				return nil, err
			}
			row.Asserts = places == 12
			rows = append(rows, row)
		}
	}
	return rows, nil
}

// compareOrders adds up what several mornings lose at machines of so many places.
func compareOrders(name string, places int, mornings [][]spinload.Tube) (lossRow, error) {
	row := lossRow{Load: name}
	for n, tubes := range mornings {
		var lost [3]int
		for i, choose := range []policy{fifo(false), fifo(true), urgent} {
			var err error
			if lost[i], err = play(tubes, places, choose); err != nil {
				return row, fmt.Errorf("%s, number %d: %w", name, n, err)
			}
		}
		least := bound(tubes, places)
		if best := min(lost[0], lost[1], lost[2]); least > best {
			return row, fmt.Errorf("%s, number %d: an order lost %d, below the bound %d; the bound is wrong", name, n, best, least)
		}
		row.Tubes += len(tubes)
		row.First, row.Aside, row.Urgent, row.Bound = row.First+lost[0], row.Aside+lost[1], row.Urgent+lost[2], row.Bound+least
	}
	return row, nil
}

// policy says which of the waiting tubes, in order of coming, are loaded into a machine now.
type policy func(m spinload.Machine, waiting []spinload.Tube, now event.Instant) ([]event.Key, error)

// urgent is the product's order.
func urgent(m spinload.Machine, waiting []spinload.Tube, now event.Instant) ([]event.Key, error) {
	l, err := spinload.Next(m, waiting, now)
	var out []event.Key
	for _, r := range l.Rows {
		if r.Why == spinload.Loaded {
			out = append(out, r.Key)
		}
	}
	return out, err
}

// fifo is first come, first served: the first that the machine can take opens the run,
// the next of its programme fill it. aside leaves out what nothing can save.
func fifo(aside bool) policy {
	return func(m spinload.Machine, waiting []spinload.Tube, now event.Instant) ([]event.Key, error) {
		var out []event.Key
		var run string
		for i := range waiting {
			w := &waiting[i]
			_, _, left := w.LatestStart(now)
			p := w.Programme
			if w.Ready > now || aside && !left || p.C.Low < chilled.High && m.C == room || run != "" && p.Name != run || len(out) == m.Places {
				continue
			}
			run, out = p.Name, append(out, w.Key)
		}
		return out, nil
	}
}

// play runs a morning to its end and gives how many tests were lost: those of a run
// that ends after their due, and of tubes that were never run.
func play(tubes []spinload.Tube, places int, choose policy) (lost int, err error) {
	var waiting []spinload.Tube
	free := make([]event.Instant, len(machines))
	for now, next := tubes[0].Came, 0; ; now += tick {
		for ; next < len(tubes) && tubes[next].Came <= now; next++ {
			waiting = append(waiting, tubes[next])
		}
		for k, m := range machines {
			m.Places = places
			if free[k] > now {
				continue
			}
			keys, err := choose(m, waiting, now)
			switch {
			case err != nil:
				return 0, err
			case len(keys) > m.Places:
				return 0, fmt.Errorf("%d tubes for %d places", len(keys), m.Places)
			}
			loaded := map[event.Key]bool{}
			for _, key := range keys {
				loaded[key] = true
			}
			rest := waiting[:0]
			for _, w := range waiting {
				if !loaded[w.Key] {
					rest = append(rest, w)
					continue
				}
				delete(loaded, w.Key)
				free[k] = now + event.Instant(w.Programme.Ms)
				lost += late(&w, free[k])
			}
			if waiting = rest; len(loaded) > 0 {
				return 0, fmt.Errorf("loaded twice, or what doesn't wait: %v", loaded)
			}
		}
		if next == len(tubes) && now > tubes[next-1].Came+24*60*minute {
			for i := range waiting {
				lost += late(&waiting[i], never)
			}
			return lost, nil
		}
	}
}

func late(t *spinload.Tube, end event.Instant) (n int) {
	for _, due := range t.Alive {
		if due.Earliest != 0 && due.Earliest < end {
			n++
		}
	}
	return n
}

// bound gives how many tests must be lost whatever is done, everything known ahead. Take
// a stretch of ticks from a to b. A tube that comes in it and whose latest start lies in
// it is saved only by a run that begins in it. A machine begins at most
// (b-a)/shortest + 1 runs there, a run is of one programme, and only the cold machine runs
// the chilled one; so of the tubes of the stretch no more are saved than by giving
// that many runs to the programmes in the best way. What is over is lost, one test a
// tube at least. Stretches apart have no tube and no run in common, so their losses add
// up; the best sum over stretches apart is the bound.
//
// It relaxes much: runs of other stretches never stand in the way, every programme
// takes as long as the shortest, a run may take tubes that come after its start within the
// stretch, and the machines but for the cold one are one. So it is loose.
func bound(tubes []spinload.Tube, places int) int {
	first, last := tubes[0].Came, tubes[len(tubes)-1].Came+24*60*minute
	n := int((last-first)/tick) + 1
	type counts [4]int                  // by programme, in the order of four
	starts := make([]map[int]counts, n) // by first tick, then by last
	lost := 0
	for i := range tubes {
		latest, _, left := tubes[i].LatestStart(tubes[i].Came)
		from := int((max(tubes[i].Came, tubes[i].Ready) - first + tick - 1) / tick)
		to := int((latest - first) / tick)
		switch {
		case latest == 0 && left || to >= n:
		case !left || to < from:
			lost++
		default:
			if starts[from] == nil {
				starts[from] = map[int]counts{}
			}
			c := starts[from][to]
			c[slices.IndexFunc(four, func(p spinload.Programme) bool { return p.Name == tubes[i].Programme.Name })]++
			starts[from][to] = c
		}
	}
	best := make([]int, n+1)    // lost for sure from a tick on
	within := make([]counts, n) // tubes of the stretch from a to b, by b
	for a := n - 1; a >= 0; a-- {
		for to, c := range starts[a] {
			for b := to; b < n; b++ {
				for k := range c {
					within[b][k] += c[k]
				}
			}
		}
		best[a] = best[a+1]
		for b := a; b < n; b++ {
			runs := (b-a)/shortest + 1
			best[a] = max(best[a], best[b+1]+over(within[b], runs, places))
		}
	}
	return lost + best[0]
}

// over gives how many tubes by programme find no place in so many runs of each machine.
func over(tubes [4]int, runs, places int) int {
	const cold = 2 // the chilled programme in four
	out, most := 0, runs*len(machines)
	var rests []int // of runs that aren't filled
	for k, n := range tubes {
		full, rest := n/places, n%places
		if k == cold && full >= runs {
			full, rest = runs, 0
		}
		out += n
		for range full {
			rests = append(rests, places)
		}
		rests = append(rests, rest)
	}
	slices.SortFunc(rests, func(a, b int) int { return b - a })
	for _, n := range rests[:min(most, len(rests))] {
		out -= n
	}
	return out
}

// simulated is a morning of the house's study of the engine: so many tubes in 5 h with a
// peak, in drops of 8 to 67, four programmes in 58, 20, 12 and 10 of a hundred, slack
// when they come of 100 min in the middle and 8 % urgent. It doesn't say the spread, nor
// what urgent is: taken here are a log-normal of sigma 0.5 and 10 to 45 min.
func simulated(seed uint64, tubes int) []spinload.Tube {
	r := rand.New(rand.NewPCG(seed, uint64(tubes))) //nolint:gosec // a simulation
	var out []spinload.Tube
	for len(out) < tubes {
		// The mean of two even draws peaks in the middle of the 5 h.
		came := dayOf + 8*60*minute + event.Instant((r.Float64()+r.Float64())*150*float64(minute))
		for range min(8+r.IntN(60), tubes-len(out)) {
			slack := 100 * math.Exp(0.5*r.NormFloat64())
			if r.IntN(100) < 8 {
				slack = 10 + 35*r.Float64()
			}
			p := four[0]
			switch share := r.IntN(100); {
			case share >= 90:
				p = four[3]
			case share >= 78:
				p = four[2]
			case share >= 58:
				p = four[1]
			}
			due := came + event.Instant(slack*float64(minute)) + event.Instant(p.Ms)
			out = append(out, spinload.Tube{Key: event.Key(fmt.Sprint(len(out))), Programme: p, Answer: event.RackSpin, Came: came,
				Alive: []stability.Interval{{Earliest: due, Latest: due}}})
		}
	}
	slices.SortStableFunc(out, func(a, b spinload.Tube) int { return cmp.Compare(a.Came, b.Came) })
	return out
}

// generated is what stands before the centrifuges on a generated day, all laboratories
// as one, with the starter limits at 20.2 to 21.6 °C since the draw.
func generated(set *stability.Set, seed uint64, tubes int) ([]spinload.Tube, error) {
	programmes := map[string]spinload.Programme{"CITRATE": four[1], "SERUM": four[3], "SERUM-GEL": four[3], "LIHEP-GEL": four[0], "FLUORIDE": four[2]}
	day, err := rehearsal.Plan(rehearsal.Settings{Seed: seed, Tubes: tubes, Day: dayOf})
	if err != nil {
		return nil, err
	}
	asked, drawn := map[string]story.RequestTube{}, map[string]event.Instant{}
	var out []spinload.Tube
	for s := range day.Steps() {
		if req, ok := s.Declared.(story.Request); ok {
			for _, tube := range req.Tubes {
				asked[tube.ID] = tube
			}
		}
		if s.Scan == nil {
			continue
		}
		id, at := s.Scan.Label, s.Scan.Occurred
		p, spins := programmes[asked[id].Type]
		switch {
		case s.Scan.Step == "collect":
			drawn[id] = at
		case s.Scan.Step != "accept" || !spins:
		case drawn[id] == 0: // nobody scanned its draw; nothing can be said
			out = append(out, spinload.Tube{Key: event.Key(id), Programme: p, Answer: event.RackSpin, Came: at})
		default:
			zero := drawn[id]
			judge := stability.Tube{Type: asked[id].Type, TestsKnown: true, Zero: stability.Interval{Earliest: zero, Latest: zero},
				Conditions: map[string]bool{"unfractionated-heparin": false}, Gel: p.Name != "citrate" && asked[id].Type != "SERUM" && p.Name != "chilled"}
			hist := []thermal.Segment{{From: zero, To: at, Low0: 2020, Low1: 2020, High0: 2160, High1: 2160, Evidence: thermal.Assumed, Series: -1}}
			judged := make([]stability.Judgement, len(asked[id].Tests))
			for i, assay := range asked[id].Tests {
				set.Judge(&judged[i], &judge, assay, hist, at)
			}
			tube := spinload.Tube{Key: event.Key(id), Programme: p, Answer: event.RackSpin, Came: at}
			tube.Alive, tube.Lost = spinload.Tests(judged)
			tube.Ready, _ = set.Spinnable(judge.Type, zero)
			if len(tube.Alive) > 0 { // else the rack answers that nothing is left
				out = append(out, tube)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b spinload.Tube) int { return cmp.Compare(a.Came, b.Came) })
	return out, nil
}
