package spinload

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/story"
	"specimen.example/custody/internal/thermal"
)

// The bench of all loads: three centrifuges, one of them cold, looked at every 5 min.
// Machines, programmes and paces are assumed, no source.
const (
	tick  = 5 * minute
	dayOf = start - start%(24*60*minute)
)

var (
	room    = event.Range{Low: 1800, High: 2500, Known: true}
	chilled = event.Range{Low: 200, High: 800, Known: true}
	bench   = []Machine{
		{RadiusMm: 172, MostPerMin: 4000, C: room},
		{RadiusMm: 172, MostPerMin: 4000, C: room},
		{RadiusMm: 172, MostPerMin: 4000, C: event.Range{Low: 400, High: 2500, Known: true}},
	}
	// Four that can't share a run. Minutes with handling.
	four = []Programme{
		{Name: "plasma", G: 2000, Within: 100, Ms: int64(15 * minute), C: room},
		{Name: "citrate", G: 1500, Within: 100, Ms: int64(20 * minute), C: room},
		{Name: "chilled", G: 2000, Within: 100, Ms: int64(15 * minute), C: chilled},
		{Name: "serum", G: 1300, Within: 100, Ms: int64(15 * minute), C: room},
	}
)

// policy says which of the waiting tubes are loaded into a machine now.
type policy func(t *testing.T, m Machine, waiting []Tube, now event.Instant) []event.Key

func urgent(t *testing.T, m Machine, waiting []Tube, now event.Instant) []event.Key {
	l, err := Next(m, waiting, now)
	if err != nil {
		t.Fatal(err)
	}
	var out []event.Key
	for _, r := range l.Rows {
		if r.Why == Loaded {
			out = append(out, r.Key)
		}
	}
	return out
}

// fifo is first come, first served: the first that the machine can take opens the run,
// the next of its programme fill it.
func fifo(aside bool) policy {
	return func(_ *testing.T, m Machine, waiting []Tube, now event.Instant) []event.Key {
		var out []event.Key
		var run string
		for i := range waiting { // in order of coming
			w := &waiting[i]
			_, _, left := w.LatestStart(now)
			p := w.Programme
			if w.Ready > now || aside && !left || p.C.Low < chilled.High && m.C == room || run != "" && p.Name != run || len(out) == m.Places {
				continue
			}
			run, out = p.Name, append(out, w.Key)
		}
		return out
	}
}

// play runs a morning to its end and gives how many tests were lost: those of a run
// that ends after their due, and of tubes that were never run.
func play(t *testing.T, tubes []Tube, places int, choose policy) (lost int) {
	var waiting []Tube
	free := make([]event.Instant, len(bench))
	for now, next := tubes[0].Came, 0; ; now += tick {
		for ; next < len(tubes) && tubes[next].Came <= now; next++ {
			waiting = append(waiting, tubes[next])
		}
		for k, m := range bench {
			m.Places = places
			if free[k] > now {
				continue
			}
			keys := choose(t, m, waiting, now)
			if len(keys) == 0 {
				continue
			}
			if len(keys) > m.Places {
				t.Fatalf("%d tubes in %d places", len(keys), m.Places)
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
				t.Fatalf("loaded twice, or what doesn't wait: %v", loaded)
			}
		}
		if next == len(tubes) && now > tubes[next-1].Came+24*60*minute {
			for i := range waiting {
				lost += late(&waiting[i], maxInstant)
			}
			return lost
		}
	}
}

func late(t *Tube, end event.Instant) (n int) {
	for _, due := range t.Alive {
		if due.Earliest != 0 && due.Earliest < end {
			n++
		}
	}
	return n
}

// bound gives how many tubes must be lost whatever is done, everything known ahead: where
// more come and are due within a stretch than there are places in the runs that can
// begin in it. Summed over stretches apart, the best such sum; mixing programmes is
// allowed, so it is loose.
func bound(tubes []Tube, places int) int {
	first, last := tubes[0].Came, tubes[len(tubes)-1].Came+24*60*minute
	n := int((last-first)/tick) + 1
	within := make([][]int, n) // by first and last start, in ticks
	for i := range within {
		within[i] = make([]int, n)
	}
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
			within[from][to]++
		}
	}
	best := make([]int, n+1) // lost for sure before a tick
	for b := range n {
		best[b+1] = best[b]
		inside := 0 // from a on, due by b
		for a := b; a >= 0; a-- {
			for to := a; to <= b; to++ {
				inside += within[a][to]
			}
			runs := len(bench) * ((b-a)/3 + 1) // the shortest takes three ticks
			best[b+1] = max(best[b+1], best[a]+inside-runs*places)
		}
	}
	return lost + best[n]
}

// simulated is a morning of the house's study of the engine: so many tubes in 5 h with a
// peak, in drops of 8 to 67, four programmes in 58, 20, 12 and 10 of a hundred, slack
// when they come of 100 min in the middle and 8 % urgent. It doesn't say the spread, nor
// what urgent is: taken here are a log-normal of sigma 0.5 and 10 to 45 min.
func simulated(seed uint64, tubes int) []Tube {
	r := rand.New(rand.NewPCG(seed, uint64(tubes))) //nolint:gosec // a simulation
	var out []Tube
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
			out = append(out, Tube{Key: event.Key(fmt.Sprint(len(out))), Programme: p, Answer: event.RackSpin, Came: came,
				Alive: []stability.Interval{{Earliest: due, Latest: due}}})
		}
	}
	slices.SortStableFunc(out, func(a, b Tube) int { return cmp.Compare(a.Came, b.Came) })
	return out
}

// generated is what stands before the centrifuges on a generated day, all laboratories
// as one, with the starter limits at 20.2 to 21.6 °C since the draw.
func generated(t *testing.T, set *stability.Set, seed uint64, tubes int) []Tube {
	programmes := map[string]Programme{"CITRATE": four[1], "SERUM": four[3], "SERUM-GEL": four[3], "LIHEP-GEL": four[0], "FLUORIDE": four[2]}
	day, err := rehearsal.Plan(rehearsal.Settings{Seed: seed, Tubes: tubes, Day: dayOf})
	if err != nil {
		t.Fatal(err)
	}
	asked, drawn := map[string]story.RequestTube{}, map[string]event.Instant{}
	var out []Tube
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
			out = append(out, Tube{Key: event.Key(id), Programme: p, Answer: event.RackSpin, Came: at})
		default:
			zero := drawn[id]
			judge := stability.Tube{Type: asked[id].Type, TestsKnown: true, Zero: stability.Interval{Earliest: zero, Latest: zero},
				Conditions: map[string]bool{"unfractionated-heparin": false}, Gel: p.Name != "citrate" && asked[id].Type != "SERUM" && p.Name != "chilled"}
			hist := []thermal.Segment{{From: zero, To: at, Low0: 2020, Low1: 2020, High0: 2160, High1: 2160, Evidence: thermal.Assumed, Series: -1}}
			judged := make([]stability.Judgement, len(asked[id].Tests))
			for i, assay := range asked[id].Tests {
				set.Judge(&judged[i], &judge, assay, hist, at)
			}
			tube := Tube{Key: event.Key(id), Programme: p, Answer: event.RackSpin, Came: at}
			tube.Alive, tube.Lost = Tests(judged)
			tube.Ready, _ = set.Spinnable(judge.Type, zero)
			if len(tube.Alive) > 0 { // else the rack answers that nothing is left
				out = append(out, tube)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Tube) int { return cmp.Compare(a.Came, b.Came) })
	return out
}

// TestSpinPlan prints what is lost under each policy, and by the bound at least.
//
// The aim is a quarter of what first come, first served loses. It was set for the
// simulated mornings of the house's study, which measured 0.16, 0.08 and 0.07 there, and
// is asserted on them. Against a first come, first served that sets the exhausted
// aside too the highest load doesn't meet it (0.3), so there less than half is asserted.
//
// On the generated days a tube comes with three hours left and more, and the full bench
// has places for all: hardly a test is at stake, so the aim says nothing there. What
// holds is that urgent first loses no more. The aim is asserted on the same days at a bench of 12
// places a machine, which has too few for the rush.
func TestSpinPlan(t *testing.T) {
	set, _, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	table := fmt.Sprintf("\n%-34s %6s %6s %6s %6s %6s %6s\n", "tests lost", "tubes", "fifo", "aside", "urgent", "bound", "ratio")
	// measure adds up so many mornings.
	measure := func(name string, places, mornings int, morning func(seed uint64) []Tube) (first, aside, ours int) {
		tubes, least := 0, 0
		for seed := range uint64(mornings) { //nolint:gosec // a few
			list := morning(seed)
			a, b, c, d := play(t, list, places, fifo(false)), play(t, list, places, fifo(true)), play(t, list, places, urgent), bound(list, places)
			if d > min(a, b, c) {
				t.Errorf("%s, seed %d: a policy lost %d, below the bound %d", name, seed, min(a, b, c), d)
			}
			first, aside, ours, least, tubes = first+a, aside+b, ours+c, least+d, tubes+len(list)
		}
		table += fmt.Sprintf("%-34s %6d %6d %6d %6d %6d %6.2f\n", name, tubes, first, aside, ours, least, float64(ours)/float64(max(first, 1)))
		return first, aside, ours
	}
	aim := func(name string, first, ours int) {
		if first < 100 || 4*ours > first {
			t.Errorf("%s: urgent first lost %d, first come, first served %d; want 100 there at least, and a quarter of it at most", name, ours, first)
		}
	}
	for _, size := range []int{1320, 1860, 2400} {
		name := fmt.Sprintf("simulated, %d tubes, 40 places", size)
		first, aside, ours := measure(name, 40, 10, func(seed uint64) []Tube { return simulated(seed, size) })
		aim(name, first, ours)
		if 2*ours > aside {
			t.Errorf("%s: urgent first lost %d, first come with the exhausted set aside %d; want half at most", name, ours, aside)
		}
	}
	// Days of which about 1,320, 1,860 and 2,400 tubes come within the first 5 h.
	for _, size := range []int{2683, 3780, 4878} {
		days := make([][]Tube, 2)
		for seed := range days {
			days[seed] = generated(t, set, uint64(seed), size) //nolint:gosec // not negative
		}
		day := func(seed uint64) []Tube { return days[seed] }
		name := fmt.Sprintf("generated, day of %d, 40 places", size)
		if first, aside, ours := measure(name, 40, len(days), day); ours > min(first, aside) {
			t.Errorf("%s: urgent first lost %d, first come, first served %d and %d", name, ours, first, aside)
		}
		name = fmt.Sprintf("generated, day of %d, 12 places", size)
		first, aside, ours := measure(name, 12, len(days), day)
		aim(name, first, ours)
		aim(name+", exhausted set aside", aside, ours)
	}
	t.Log(table)
}
