package rehearsal

import (
	"math"
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability/library"
)

// eligible counts what each mistake may happen to, from the rounds themselves.
func eligible(d *Day) (may, planted map[Kind]int) {
	may, planted = map[Kind]int{}, map[Kind]int{}
	for n := range d.sites() {
		may[ClockWrong]++
		if d.site(n).wrongClock {
			planted[ClockWrong]++
		}
	}
	for _, st := range d.schedule() {
		r := d.round(st, d.site(st.site), nil)
		for _, one := range boxRates {
			if r.mayHappenToBox(one.kind) {
				may[one.kind]++
			}
		}
		planted[r.mistake]++
		accepted := map[int32]event.Instant{}
		for _, m := range r.marks {
			if m.verb == "accept" {
				accepted[m.tube] = m.at
			}
		}
		for i := range r.tubes {
			t := &r.tubes[i]
			planted[t.mistake]++
			for _, one := range tubeRates {
				switch {
				case one.kind == SpunEarly:
					at, ok := accepted[int32(i)]
					if free := t.mistake == "" || t.mistake == SpunEarly; ok && free && t.kind().serum && at.Add(2_000_000_000) <= t.collected.Add(tooEarly) {
						may[SpunEarly]++
					}
				case r.mayHappen(t, one.kind):
					may[one.kind]++
				}
			}
		}
	}
	return may, planted
}

// Each mistake is a binomial draw of what it may happen to. Five standard deviations
// and one: by chance a fixed seed would be outside about once in a million.
func TestRates(t *testing.T) {
	for _, often := range []int{1, 5} {
		d, err := Plan(Settings{Seed: 20261124, Tubes: 100_000, Often: often})
		if err != nil {
			t.Fatal(err)
		}
		may, planted := eligible(&d)
		for _, one := range slices.Concat(tubeRates, boxRates, []rate{phoneRate}) {
			n, p := float64(may[one.kind]), float64(one.parts*often)/million
			mean, bound := n*p, 5*math.Sqrt(n*p*(1-p))+1
			if got := float64(planted[one.kind]); math.Abs(got-mean) > bound {
				t.Errorf("often %d: %s planted %v times among %v; want %.1f give or take %.1f", often, one.kind, got, n, mean, bound)
			}
			if may[one.kind] == 0 {
				t.Errorf("%s can happen to nothing", one.kind)
			}
		}
	}
}

// At the highest setting there must still be tubes to which nothing happens.
func TestRatesLeaveOrdinaryTubes(t *testing.T) {
	sum := 0
	for _, one := range tubeRates {
		if one.kind != SpunEarly { // has a draw of its own
			sum += one.parts
		}
	}
	if sum*MostOften > million/2 {
		t.Errorf("at %d times the rates of a tube's mistakes add up to %d in a million", MostOften, sum*MostOften)
	}
}

// What is drawn must be in the starter catalogue, and the tube one that its tests
// are run in.
func TestPanelsAreInTheCatalogue(t *testing.T) {
	lists, err := library.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range panels {
		for _, test := range p.tests {
			if !slices.Contains(lists.Accepts[test], p.kind) {
				t.Errorf("%s isn't run in %s", test, p.kind)
			}
		}
		if wrong := wrongType(p.kind); wrong == p.kind || slices.Contains(lists.Accepts[p.tests[0]], wrong) {
			t.Errorf("%s instead of %s is no wrong container for %s", wrong, p.kind, p.tests[0])
		}
	}
}

func TestBoxTemperatures(t *testing.T) {
	d, err := Plan(Settings{Seed: 5, Tubes: 20_000, Often: 10})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[Kind]int{}
	for _, st := range d.schedule() {
		r := d.round(st, d.site(st.site), nil)
		low, high, last := event.CentiC(math.MaxInt32), event.CentiC(math.MinInt32), event.Instant(0)
		for _, one := range r.readings() {
			if one.OK {
				low, high = min(low, one.C), max(high, one.C)
			}
			if one.At <= last {
				t.Fatalf("box %s: a reading at %s is not later than the one before", r.box(), one.At)
			}
			last = one.At
		}
		seen[r.mistake]++
		switch r.mistake {
		case Sun:
			if high < 2_900 {
				t.Errorf("box %s stands in the sun and comes to %d only", r.box(), high)
			}
		case Ice:
			if low > 900 {
				t.Errorf("box %s lies against ice and comes to %d only", r.box(), low)
			}
		case LoggerDied:
			if last > r.ready {
				t.Errorf("the logger of box %s reads on after its battery ended", r.box())
			}
		default:
			if low < 1_900 || high > 2_300 {
				t.Errorf("box %s has nothing and comes to %d and %d", r.box(), low, high)
			}
		}
	}
	for _, kind := range []Kind{Sun, Ice, LoggerDied, ""} {
		if seen[kind] == 0 {
			t.Errorf("no round with %q", kind)
		}
	}
}
