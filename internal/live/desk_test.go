package live_test

import (
	"fmt"
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/spinload"
)

func local(t *testing.T, label string) event.Key {
	t.Helper()
	key, err := event.LocalKey(label)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// boxed collects a tube at eight, packs it, and lets its box leave on a route.
func (b *bench) boxed(tube, box string, tests ...string) {
	b.put(event.KindTube, tube, "c-"+tube, eight, event.Collected{Type: "LIHEP-GEL", Tests: tests, Draw: local(b.t, "D-"+tube)})
	b.put(event.KindTube, tube, "p-"+tube, eight+minute, event.Packed{Carrier: local(b.t, box)})
}

func (b *bench) reading(logger string, at event.Instant, centi ...event.CentiC) {
	b.t.Helper()
	run := event.Run{Logger: local(b.t, logger), ID: fmt.Sprint(logger, at)}
	for i, c := range centi {
		run.Readings = append(run.Readings, event.Reading{At: at + event.Instant(i)*5*minute, C: c, OK: true})
	}
	if _, err := b.log.AppendRun(b.t.Context(), &run); err != nil {
		b.t.Fatal(err)
	}
}

func (p *process) flag(label string) event.Flag {
	p.t.Helper()
	v, ok := p.View(local(p.t, label))
	if !ok || !v.Tube.Flag.Open {
		p.t.Fatalf("%s has no open flag", label)
	}
	return v.Tube.Flag.Flag
}

// What flags come from: the warm box, the route on which the time went, the logger of a
// room, or nothing that others share. The fixture lets potassium have 15 to 25 °C.
func TestAFlagSaysWhatItComesFrom(t *testing.T) {
	b := newBench(t)
	b.world()
	b.put(event.KindLogger, "LG-1", "l-1", eight-minute, event.LoggerDescribed{EveryMs: 300_000, HoldMs: -1}, event.LoggerAttached{To: local(t, "B-7"), ToKind: "carrier"})
	b.put(event.KindLogger, "LG-2", "l-2", eight-minute, event.LoggerDescribed{EveryMs: 300_000, HoldMs: -1}, event.LoggerAttached{To: local(t, "WARD-N"), ToKind: "place"})
	b.put(event.KindCarrier, "B-9", "b-9", eight-minute, event.CarrierDescribed{CarrierKind: "box", OwnClimate: true, Assumed: event.Range{Low: 2000, High: 2200, Known: true}})
	b.put(event.KindRoute, "FERRY", "r-1", eight-minute, event.RouteDescribed{From: "WARD-N", To: "LAB", TakesMin: 30, Zone: "UTC"})
	b.boxed("T-WARM", "B-7", "K")
	b.boxed("T-LATE", "B-9", "GLU")
	b.put(event.KindTube, "T-ROOM", "c-room", eight, event.Collected{Type: "LIHEP-GEL", Tests: []string{"K"}})
	b.put(event.KindCarrier, "B-9", "dep", eight+2*minute, event.Departed{Route: local(t, "FERRY"), To: "LAB"})
	b.reading("LG-1", eight, 2100, 2100, 3100, 3100, 3100)
	b.reading("LG-2", eight, 2100, 2100, 2100, 2100, 2100, 2900, 2900, 2900)
	p := b.start("one")
	b.move(eight+61*minute, p)
	b.settle(p)
	for tube, want := range map[string]event.Cause{
		"T-WARM": {Kind: event.CauseBox, Name: "B-7"}, "T-LATE": {Kind: event.CauseRoute, Name: "FERRY"},
		"T-ROOM": {Kind: event.CauseLogger, Name: "LG-2"}, "T-GLU": {Kind: event.CauseLogger, Name: "LG-2"},
	} {
		if got := p.flag(tube).Cause; got != want {
			t.Errorf("%s comes from %+v, want %+v", tube, got, want)
		}
	}
	// What it came from stays when the tube is taken out of its box.
	b.put(event.KindTube, "T-WARM", "u", eight+62*minute, event.Unpacked{Carrier: local(t, "B-7")})
	b.settle(p)
	if got := p.flag("T-WARM").Cause.Name; got != "B-7" {
		t.Errorf("out of the box it comes from %q", got)
	}
}

// A tube at the edge isn't raised and cleared by turns: three minutes won or lost on a
// timetable don't change what is said once it was said.
func TestAFlagIsSteadyAtTheEdge(t *testing.T) {
	b := newBench(t)
	b.world()
	b.put(event.KindRoute, "FERRY", "r-1", eight-minute, event.RouteDescribed{From: "WARD-N", To: "LAB", TakesMin: 62, Zone: "UTC"})
	b.boxed("T-1", "B-9", "GLU")
	b.put(event.KindCarrier, "B-9", "dep", eight+minute, event.Departed{Route: local(t, "FERRY"), To: "LAB"})
	b.move(eight + 5*minute) // before the start: what it raises first is said at this time
	p := b.start("one")
	b.settle(p)
	if p.flag("T-1").Action != event.Hurry {
		t.Fatalf("by the timetable it comes three minutes late: %+v", p.flag("T-1"))
	}
	for i, takes := range []int64{57, 61, 58, 60} {
		b.put(event.KindRoute, "FERRY", fmt.Sprint("r-", i+2), eight+event.Instant(i+5)*minute, event.RouteDescribed{From: "WARD-N", To: "LAB", TakesMin: takes, Zone: "UTC"})
		b.settle(p)
	}
	if n := b.facts("T-1", "FlagCleared") + b.facts("T-1", "FlagChanged"); n != 0 {
		t.Errorf("%d changes of the flag at the edge", n)
	}
	b.put(event.KindRoute, "FERRY", "r-9", eight+20*minute, event.RouteDescribed{From: "WARD-N", To: "LAB", TakesMin: 40, Zone: "UTC"})
	b.settle(p)
	if n := b.facts("T-1", "FlagCleared"); n != 1 {
		t.Errorf("cleared %d times when the boat is twenty minutes faster", n)
	}
}

// What stands before the centrifuges: what is lost first in front, by programme; a tube
// that has nothing left is set aside, one that clots waits; a run is told until its end.
func TestWhatStandsBeforeTheCentrifuges(t *testing.T) {
	b := newBench(t)
	b.world()
	b.put(event.KindPlace, "SPIN-1", "s-1", eight-minute, event.PlaceDescribed{
		PlaceKind: "centrifuge", Rotor: event.Rotor{Places: 2, RadiusMm: 170, MostPerMin: 4000, At: "WARD-N"},
	})
	b.put(event.KindPlace, "SPIN-2", "s-2", eight-minute, event.PlaceDescribed{PlaceKind: "centrifuge", Rotor: event.Rotor{At: "ELSEWHERE"}})
	b.put(event.KindRules, "SPIN-PROGRAMMES", "pr", eight-minute, event.ProgrammesDeclared{Programmes: []event.SpinProgramme{
		{Name: "gel", Tubes: []string{"LIHEP-GEL", "SERUM"}, G: 2000, WithinG: 100, Minutes: 10, HandlingMin: 2},
	}})
	for tube, test := range map[string]string{"T-A": "K", "T-B": "GLU", "T-C": "GLU"} {
		b.put(event.KindTube, tube, "c-"+tube, eight+minute, event.Collected{Type: "LIHEP-GEL", Tests: []string{test}})
	}
	b.put(event.KindTube, "T-OLD", "c-old", eight-59*minute, event.Collected{Type: "LIHEP-GEL", Tests: []string{"GLU"}})
	p := b.start("one")
	b.move(eight+20*minute, p)
	b.settle(p)
	s := p.Spins("ward-n")
	var order []string
	why := map[string]spinload.Why{}
	for _, row := range s.Tubes {
		order, why[row.Key.Label()] = append(order, row.Key.Label()), row.Why
	}
	// T-GLU and T-B lose glucose an hour after the draw, less the twelve minutes of a run.
	if want := []string{"T-GLU", "T-B", "T-C", "T-SERUM", "T-A"}; !slices.Equal(order[:5], want) {
		t.Errorf("in front stand %v, want %v", order, want)
	}
	if s.Tubes[0].Latest != eight+48*minute || !s.Tubes[0].Sure {
		t.Errorf("its latest start: %s, sure %v", s.Tubes[0].Latest, s.Tubes[0].Sure)
	}
	for tube, want := range map[string]spinload.Why{"T-GLU": spinload.Loaded, "T-B": spinload.Loaded, "T-C": spinload.NoPlace, "T-OLD": spinload.SetAside, "T-SERUM": spinload.Waits} {
		if why[tube] != want {
			t.Errorf("%s: %q, want %q", tube, why[tube], want)
		}
	}
	// RCF = 1.118e-5 r n²: 2000 g at 17 cm are 3244 turns a minute.
	if len(s.Next) != 1 || s.Next[0].Load.PerMin != 3244 || s.Next[0].Load.Run.Name != "gel" {
		t.Errorf("next: %+v", s.Next)
	}
	// Its load turns: it stands among the runs until somebody says that it ended.
	for i, tube := range []string{"T-GLU", "T-B"} {
		b.put(event.KindTube, tube, fmt.Sprint("rack-", i), eight+21*minute, event.Packed{Carrier: local(t, "R-1")})
	}
	b.put(event.KindCarrier, "R-1", "spin", eight+22*minute, event.SpinStarted{Load: local(t, "R-1"), Programme: "gel", G: 2000, Minutes: 10})
	b.move(eight+40*minute, p)
	b.settle(p)
	s = p.Spins("WARD-N")
	if len(s.Running) != 1 || s.Running[0].Tubes != 2 || s.Running[0].Ends != eight+32*minute || s.Running[0].Programme != "gel" ||
		s.Running[0].ByTube || !slices.Equal(s.Running[0].Keys, []event.Key{local(t, "T-B"), local(t, "T-GLU")}) {
		t.Errorf("turning: %+v", s.Running)
	}
	b.put(event.KindCarrier, "R-1", "end", eight+41*minute, event.SpinEnded{Load: local(t, "R-1")})
	b.settle(p)
	if s = p.Spins("WARD-N"); len(s.Running) != 0 || slices.ContainsFunc(s.Tubes, func(r live.SpinTube) bool { return r.Key.Label() == "T-GLU" }) {
		t.Errorf("after its end: %+v", s.Running)
	}
	// Nobody scanned these into a rack: their run is known by its name, and each ends by itself.
	for i, tube := range []string{"T-A", "T-C"} {
		b.put(event.KindTube, tube, fmt.Sprint("list-", i), eight+42*minute, event.SpinStarted{Load: local(t, "RUN-1"), Programme: "gel", Minutes: 10})
	}
	b.move(eight+43*minute, p)
	b.settle(p)
	if s = p.Spins("WARD-N"); len(s.Running) != 1 || s.Running[0].Load != local(t, "RUN-1") || !s.Running[0].ByTube || !slices.Equal(s.Running[0].Keys, []event.Key{local(t, "T-A"), local(t, "T-C")}) {
		t.Errorf("by a list: %+v", s.Running)
	}
}

// The loop of a new sample: proposed last and once a draw, asked, no longer needed when
// late facts clear it, done.
func TestNewSamples(t *testing.T) {
	b := newBench(t)
	b.world()
	draw := local(t, "D-9")
	b.put(event.KindDraw, "D-9", "d-9", eight-55*minute, event.DrawStarted{Patient: "RAAAAAAAAAAAAAAAA", Site: "left arm"})
	for _, tube := range []string{"T-X", "T-Y"} {
		b.put(event.KindTube, tube, "c-"+tube, eight-55*minute, event.Collected{Type: "LIHEP-GEL", Tests: []string{"GLU"}, Draw: draw, VolumeUl: 4000})
	}
	p := b.start("one")
	b.move(eight+6*minute, p)
	b.settle(p)
	one := func(state string) live.Sample {
		t.Helper()
		list := p.Samples("WARD-N")
		if len(list) != 1 || list[0].State != state || list[0].Draw != draw {
			t.Fatalf("want one %s sample of the draw: %+v", state, list)
		}
		return list[0]
	}
	if s := one(live.SampleProposed); s.Tests != 2 || len(s.Tubes) != 2 || !s.Needed || s.Place != "WARD-N" || s.DrawnUl != 8000 {
		t.Errorf("%+v", s)
	}
	if got := p.Samples("ELSEWHERE"); len(got) != 0 {
		t.Errorf("told to another place: %+v", got)
	}
	b.put(event.KindDraw, "D-9", "ask", eight+6*minute, event.RecollectionAsked{Tubes: []event.Key{local(t, "T-X"), local(t, "T-Y")}, Reason: "past-limit"})
	b.settle(p)
	if s := one(live.SampleAsked); s.By != "mira" || !s.Needed {
		t.Errorf("%+v", s)
	}
	// The phone's clock had been wrong: they were drawn a quarter of an hour ago.
	for _, tube := range []string{"T-X", "T-Y"} {
		b.put(event.KindTube, tube, "v-"+tube, eight+7*minute, event.Voided{Scan: "c-" + tube, Reason: "clock"})
		b.put(event.KindTube, tube, "c2-"+tube, eight-15*minute, event.Collected{Type: "LIHEP-GEL", Tests: []string{"GLU"}, Draw: draw, VolumeUl: 4000})
	}
	b.settle(p)
	if s := one(live.SampleAsked); s.Needed {
		t.Errorf("late facts leave no test lost: %+v", s)
	}
	b.put(event.KindDraw, "D-9", "no", eight+8*minute, event.RecollectionDeclined{Reason: "not-needed"})
	b.settle(p)
	if got := p.Samples("WARD-N"); len(got) != 0 {
		t.Errorf("declined and still open: %+v", got)
	}
	if got := p.Samples("", live.SampleDeclined); len(got) != 1 || got[0].Reason != "not-needed" {
		t.Errorf("declined: %+v", got)
	}
}
