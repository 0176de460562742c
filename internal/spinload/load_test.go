package spinload

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// Programmes, machines and times here are invented.
const (
	minute = event.Instant(60_000)
	start  = event.Instant(1_795_500_000_000)
)

var (
	plain = Programme{Name: "plain", G: 2000, Within: 200, Ms: int64(10 * minute)}
	cold  = Programme{Name: "cold", G: 1500, Within: 400, Ms: int64(10 * minute), C: event.Range{Low: 200, High: 800, Known: true}}
	soft  = Programme{Name: "soft", G: 1300, Within: 300, Ms: int64(10 * minute)}
	slow  = Programme{Name: "slow", G: 2000, Within: 200, Ms: int64(15 * minute)}
	wide  = Machine{Places: 4, RadiusMm: 172, MostPerMin: 4000, C: event.Range{Low: 400, High: 2500, Known: true}}
)

func due(in ...event.Instant) []stability.Interval {
	var out []stability.Interval
	for _, m := range in {
		out = append(out, stability.Interval{Earliest: start + m*minute, Latest: start + m*minute})
	}
	return out
}

func said(l Load) string {
	var out []string
	for _, r := range l.Rows {
		out = append(out, fmt.Sprintf("%s %s", r.Key, r.Why))
	}
	return strings.Join(out, ", ")
}

func TestNext(t *testing.T) {
	one := func(key event.Key, p Programme, alive []stability.Interval) Tube {
		return Tube{Key: key, Programme: p, Alive: alive, Answer: event.RackSpin, Came: start}
	}
	with := func(t Tube, change func(*Tube)) Tube { change(&t); return t }
	dull := wide
	dull.C = event.Range{}
	weak := wide
	weak.MostPerMin = 2700 // 1401 g at 172 mm
	for _, c := range []struct {
		name    string
		machine Machine
		tubes   []Tube
		want    string
	}{
		{"most urgent first, and fill", wide, []Tube{one("A", plain, due(60)), one("B", slow, due(50)), one("C", slow, due(70))},
			"B loaded, A other-programme, C loaded"},
		{"the programme's minutes count", wide, []Tube{one("A", plain, due(61)), one("B", slow, due(65))}, "B loaded, A other-programme"},
		{"force and temperature that suit both", wide, []Tube{one("A", plain, due(60)), one("B", cold, due(70))}, "A loaded, B loaded"},
		{"no temperature declared", dull, []Tube{one("A", plain, due(60)), one("B", cold, due(50))}, "B other-machine, A loaded"},
		{"too slow for one, enough for another", weak, []Tube{one("A", plain, due(60)), one("B", cold, due(70))}, "A other-machine, B loaded"},
		{"full", Machine{Places: 1, RadiusMm: 172, MostPerMin: 4000}, []Tube{one("A", plain, due(60)), one("B", plain, due(50))}, "B loaded, A no-place"},
		{"ends just at its due", wide, []Tube{one("A", plain, due(10))}, "A loaded"},
		{"a minute later is too late", wide, []Tube{one("A", plain, due(9)), one("B", plain, due(300))}, "B loaded, A set-aside"},
		{"one test lost, the others alive", wide, []Tube{one("A", plain, due(5, 30)), one("B", plain, due(25))}, "B loaded, A loaded"},
		{"only the best bound holds", wide, []Tube{one("A", plain, []stability.Interval{{Earliest: start, Latest: start + 60*minute}}),
			one("B", plain, []stability.Interval{{Earliest: start}}), one("C", plain, due(90)), one("D", plain, nil)}, "C loaded, A loaded, B loaded, D loaded"},
		{"the rack's answers", wide, []Tube{with(one("A", plain, due(60)), func(t *Tube) { t.Answer = event.RackWait }),
			with(one("B", plain, due(61)), func(t *Tube) { t.Answer = event.RackRunFirst }),
			with(one("C", plain, nil), func(t *Tube) { t.Answer, t.Lost = event.RackNothingLeft, 1 }),
			with(one("D", plain, due(62)), func(t *Tube) { t.Answer = event.RackSpinHold }),
			with(one("E", plain, due(20)), func(t *Tube) { t.Ready = start + 1 })}, "E waits, A waits, B run-first, D loaded, C set-aside"},
		{"irreplaceable, with nothing left", wide, []Tube{with(one("A", plain, nil), func(t *Tube) { t.Lost, t.Irreplaceable = 1, true }),
			with(one("B", plain, due(5)), func(t *Tube) { t.Irreplaceable = true }), one("C", plain, nil)}, "C loaded, A loaded, B loaded"},
		{"who came first", wide, []Tube{one("A", plain, due(60)), with(one("B", plain, due(60)), func(t *Tube) { t.Came-- })}, "B loaded, A loaded"},
		{"nobody", wide, nil, ""},
	} {
		l, err := Next(c.machine, c.tubes, start)
		if err != nil || said(l) != c.want {
			t.Errorf("%s: %s, %v; want %s", c.name, said(l), err, c.want)
		}
	}
}

func TestRunSuitsAll(t *testing.T) {
	tubes := []Tube{{Key: "A", Programme: plain, Alive: due(60), Answer: event.RackSpin}, {Key: "B", Programme: cold, Alive: due(70), Answer: event.RackSpin}}
	l, err := Next(wide, tubes, start)
	// 1800 to 1900 g suit both; what is set is the nearest to what the first asks for.
	want := Programme{Name: "plain", G: 1900, Ms: plain.Ms, C: event.Range{Low: 400, High: 800, Known: true}}
	perMin, err2 := PerMin(172, 1900)
	if err != nil || err2 != nil || l.Run != want || l.PerMin != perMin {
		t.Errorf("%+v at %d, %v %v; want %+v at %d", l.Run, l.PerMin, err, err2, want, perMin)
	}
	if latest, sure, left := tubes[0].LatestStart(start); latest != start+50*minute || !sure || !left {
		t.Errorf("latest start %s %v %v, want due minus the programme", latest, sure, left)
	}
	if _, sure, _ := tubes[0].LatestStart(start + 50*minute); !sure {
		t.Error("a run may end just at the due")
	}
	if _, sure, left := tubes[0].LatestStart(start + 50*minute + 1); sure || left {
		t.Error("a millisecond later it can't be saved any more")
	}
	if r := l.Rows[0]; r.Latest != start+50*minute || !r.Sure {
		t.Errorf("row %+v", r)
	}
}

func TestTestsOfJudgements(t *testing.T) {
	in := stability.Interval{Earliest: start, Latest: start + 1}
	alive, lost := Tests([]stability.Judgement{
		{Verdict: event.WithinLimits, Due: in}, {Verdict: event.CannotSay}, {Verdict: event.PastLimit}, {Verdict: event.WrongTube},
		{Verdict: event.WithinLimits, Due: in, Run: true}, {Verdict: event.PastLimit, Ended: start}, {Verdict: event.WithinLimits, Due: in, NeedsUnspun: true},
	})
	if want := []stability.Interval{in, {}}; !reflect.DeepEqual(alive, want) || lost != 2 {
		t.Errorf("alive %v, lost %d; want %v, 2", alive, lost, want)
	}
}

func TestNextRefuses(t *testing.T) {
	good := Tube{Key: "A", Programme: plain, Answer: event.RackSpin}
	for _, c := range []struct {
		change func(*Machine, *Tube)
		want   string
	}{
		{func(m *Machine, _ *Tube) { m.Places = 0 }, "places: 0 is no number of places; give 1 or more"},
		{func(m *Machine, _ *Tube) { m.RadiusMm = 0 }, "centrifuge: radius in mm: 0"},
		{func(m *Machine, _ *Tube) { m.MostPerMin = -1 }, "centrifuge: turns per minute: -1"},
		{func(m *Machine, _ *Tube) { m.C.Low = 9000 }, "temperatures of the centrifuge"},
		{func(_ *Machine, t *Tube) { t.Key = "B" }, "tube B stands twice"},
		{func(_ *Machine, t *Tube) { t.Answer = "" }, `tube A: answer "" is none of the rack`},
		{func(_ *Machine, t *Tube) { t.Programme.Ms = 0 }, `programme "plain" takes 0 ms`},
		{func(_ *Machine, t *Tube) { t.Programme.G = 0 }, "asks for 0 g"},
		{func(_ *Machine, t *Tube) { t.Programme.Within = 2000 }, "allows 2000 g more or less of 2000 g"},
		{func(_ *Machine, t *Tube) { t.Programme.C = event.Range{Low: 1, Known: true} }, "lowest temperature above the highest"},
	} {
		m, a, b := wide, good, good
		b.Key = "B"
		c.change(&m, &a)
		if _, err := Next(m, []Tube{a, b}, start); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
}

func genTubes(t *rapid.T) []Tube {
	var out []Tube
	instant := rapid.Custom(func(t *rapid.T) event.Instant {
		return start + event.Instant(rapid.IntRange(-10, 60).Draw(t, "minutes"))*minute
	})
	for i := range rapid.IntRange(0, 14).Draw(t, "tubes") {
		tube := Tube{Key: event.Key(fmt.Sprintf("TB%02d", i)), Programme: rapid.SampledFrom([]Programme{plain, cold, soft, slow}).Draw(t, "programme"),
			Lost: rapid.IntRange(0, 2).Draw(t, "lost"), Irreplaceable: rapid.IntRange(0, 3).Draw(t, "irreplaceable") == 0,
			Answer: rapid.SampledFrom(append(event.RackAnswers(), event.RackSpin, event.RackSpin, event.RackSpin)).Draw(t, "answer"), Came: start}
		for range rapid.IntRange(0, 2).Draw(t, "alive") {
			one := stability.Interval{Earliest: instant.Draw(t, "earliest")}
			one.Latest = one.Earliest + event.Instant(rapid.IntRange(0, 30).Draw(t, "wide"))*minute
			if rapid.IntRange(0, 4).Draw(t, "none") == 0 {
				one.Latest = 0
			}
			if rapid.IntRange(0, 4).Draw(t, "never") == 0 {
				one = stability.Interval{}
			}
			tube.Alive = append(tube.Alive, one)
		}
		if rapid.IntRange(0, 4).Draw(t, "waits") == 0 {
			tube.Ready = instant.Draw(t, "ready")
		}
		out = append(out, tube)
	}
	return out
}

// saves tells the slow way whether a run that begins now can still save a test of a
// tube, or nothing says that it can't.
func saves(t *Tube) bool {
	if len(t.Alive)+t.Lost == 0 {
		return true
	}
	return slices.ContainsFunc(t.Alive, func(d stability.Interval) bool {
		return d.Latest == 0 || d.Latest >= start+event.Instant(t.Programme.Ms)
	})
}

func TestLawLoad(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tubes, machine := genTubes(t), wide
		machine.Places = rapid.IntRange(1, 6).Draw(t, "places")
		machine.MostPerMin = rapid.SampledFrom([]int64{2700, 2900, 4000}).Draw(t, "most")
		machine.C.Known = rapid.Bool().Draw(t, "temperature known")
		got, err := Next(machine, tubes, start)
		if err != nil {
			t.Fatal(err)
		}
		again, err := Next(machine, rapid.Permutation(tubes).Draw(t, "order"), start)
		if err != nil || !reflect.DeepEqual(got, again) {
			t.Fatalf("another order of the tubes gives another load:\n%+v\n%+v %v", got, again, err)
		}
		byKey := map[event.Key]*Tube{}
		for i := range tubes {
			byKey[tubes[i].Key] = &tubes[i]
		}
		loaded, hopeless, saved, left, other := 0, false, false, false, false
		for _, r := range got.Rows {
			tube := byKey[r.Key]
			delete(byKey, r.Key)
			ready := tube.Ready <= start && (tube.Answer == event.RackSpin || tube.Answer == event.RackSpinHold)
			if r.Why == Loaded {
				loaded++
				if !ready {
					t.Fatalf("%s is loaded before its time or against the rack's answer", r.Key)
				}
				p := tube.Programme
				if p.Ms != got.Run.Ms || got.Run.G < p.G-p.Within || got.Run.G > p.G+p.Within ||
					p.C.Known && (!got.Run.C.Known || got.Run.C.Low < p.C.Low || got.Run.C.High > p.C.High) {
					t.Fatalf("%s asks for %+v and is in a run of %+v", r.Key, p, got.Run)
				}
				if !saves(tube) {
					hopeless = true
					if !tube.Irreplaceable {
						t.Fatalf("%s is loaded, with nothing left to save", r.Key)
					}
				}
			}
			if !ready && (r.Why == NoPlace || r.Why == OtherProgramme) || ready && saves(tube) && (r.Why == Waits || r.Why == RunFirst || r.Why == SetAside) {
				t.Fatalf("%s: %s", r.Key, r.Why)
			}
			if ready && saves(tube) {
				saved = saved || r.Why == Loaded
				left = left || r.Why == NoPlace
				other = other || r.Why == OtherProgramme
			}
			if r.Why == NoPlace && loaded < machine.Places {
				t.Fatalf("%s finds no place among %d, of which %d are taken", r.Key, machine.Places, loaded)
			}
		}
		if hopeless && (left || other && !saved) {
			t.Fatalf("a tube that nothing can save has the place, or the run, of one that can be saved:\n%+v", got.Rows)
		}
		if loaded > machine.Places || len(byKey) > 0 || (loaded == 0) != (got.Run == Programme{}) {
			t.Fatalf("%d loaded into %d places, %d tubes not answered, run %+v", loaded, machine.Places, len(byKey), got.Run)
		}
		if most, err := RCF(machine.RadiusMm, machine.MostPerMin); err != nil || got.Run.G*1000 > most {
			t.Fatalf("%d g, the rotor bears %d thousandths", got.Run.G, most)
		}
	})
}

// Programmes that share two by two share all: a load of one tube of each takes them all.
func TestLawShare(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all []Programme
		var tubes []Tube
		for i := range rapid.IntRange(1, 5).Draw(t, "programmes") {
			low := event.CentiC(rapid.IntRange(2, 25).Draw(t, "low")) * 100
			p := Programme{
				Name: fmt.Sprint(i), G: rapid.Int64Range(1300, 2200).Draw(t, "g"), Within: rapid.Int64Range(0, 600).Draw(t, "within"), Ms: rapid.SampledFrom([]int64{600_000, 900_000}).Draw(t, "ms"),
				C: event.Range{Low: low, High: low + event.CentiC(rapid.IntRange(0, 12).Draw(t, "wide"))*100, Known: rapid.Bool().Draw(t, "asks")},
			}
			all = append(all, p)
			tubes = append(tubes, Tube{Key: event.Key(p.Name), Programme: p, Answer: event.RackSpin, Came: start})
		}
		want := true
		for _, a := range all {
			for _, b := range all {
				if Share(a, b) != Share(b, a) {
					t.Fatalf("%+v shares with %+v one way only", a, b)
				}
				want = want && Share(a, b)
			}
		}
		m := Machine{Places: 9, RadiusMm: 172, MostPerMin: 9000, C: event.Range{Low: 0, High: 4000, Known: true}}
		l, err := Next(m, tubes, start)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Count(said(l), "loaded") == len(all); got != want {
			t.Fatalf("two by two they share: %v, all together: %v\n%s", want, got, said(l))
		}
	})
}
