package ageing

import (
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

func TestWrongInputNamesTheFault(t *testing.T) {
	curve := func(steps []Step, upper, lower int64) error {
		_, err := NewRateCurve(steps, upper, lower)
		return err
	}
	var e Engine
	flat, err := NewRateCurve([]Step{{Upper: 1, Lower: 1}}, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	c := e.AddCurve(flat)
	levels := func(at ...int64) (int32, error) { return e.AddLevels(Levels{At: at}) }
	l, err := levels(1, 2)
	if err != nil {
		t.Fatal(err)
	}
	tube, err := e.AddTube(Watch{c, l})
	if err != nil {
		t.Fatal(err)
	}
	logger := e.AddSeries(&thermal.Series{})
	source, err := e.AddSource(Layer{Series: []int32{logger}})
	if err != nil {
		t.Fatal(err)
	}
	metAt := func(n, level int) error {
		_, _, err := e.MetAt(tube, n, level, false)
		return err
	}
	second := func(_ any, err error) error { return err }
	for _, f := range []struct {
		name, want string
		err        error
	}{
		{"no steps", "steps is empty", curve(nil, 1, 1)},
		{"upside down", "step 0: rates 1 and 2", curve([]Step{{Upper: 1, Lower: 2}}, 1, 1)},
		{"negative", "step 0: rates 1 and -1", curve([]Step{{Upper: 1, Lower: -1}}, 1, 1)},
		{"too fast", "unknown: rates", curve([]Step{{}}, MaxRate+1, 1)},
		{"out of order", "from cold to warm", curve([]Step{{}, {Start: From(800)}, {Start: From(800)}}, 1, 1)},
		{"no temperature", "no temperature", curve([]Step{{}, {Start: 1 << 40}}, 1, 1)},
		{"no levels", "give 1 to 255", second(levels())},
		{"level twice", "number 1 is 5", second(levels(5, 5))},
		{"level too high", "number 0 is", second(levels(MaxLevel + 1))},
		{"unknown curve", "curve 9", second(e.AddTube(Watch{9, l}))},
		{"unknown levels", "levels 9", second(e.AddTube(Watch{c, 9}))},
		{"unknown series", "series 9", second(e.AddSource(Layer{Series: []int32{9}}))},
		{"reading of an unknown series", "series 9", e.Read(9, event.Reading{})},
		{"no readings", "give at least one", e.Read(logger)},
		{"move of an unknown tube", "tube 9", e.Move(9, Move{1, source})},
		{"move to an unknown source", "source 9", e.Move(tube, Move{1, 9})},
		{"no such move", "no such move", e.Unmove(tube, Move{1, source})},
		{"change of an unknown source", "source 9", e.Change(9, 1, Layer{})},
		{"change to an unknown series", "series 9", e.Change(source, 1, Layer{Series: []int32{9}})},
		{"unchange of an unknown source", "source 9", e.Unchange(9, 1)},
		{"no such change", "no change at 1", e.Unchange(source, 1)},
		{"state of an unknown account", "account 4", second(e.State(tube, 4))},
		{"instant of an unknown level", "level 7", metAt(0, 7)},
		{"instant of an unknown account", "account 4", metAt(4, 0)},
		{"drop of an unknown tube", "tube 9", e.Drop(9)},
	} {
		if f.err == nil || !strings.Contains(f.err.Error(), f.want) {
			t.Errorf("%s: %v; want %q", f.name, f.err, f.want)
		}
	}
}

// A history small enough to add up by hand; invented fixture. The curve uses 3
// units per ms from 8.01 °C on and 1 below, 5 to 0 where nothing is known.
func TestAHistoryByHand(t *testing.T) {
	curve, err := NewRateCurve([]Step{{Upper: 1, Lower: 1}, {Start: Above(800), Upper: 3, Lower: 3}}, 5, 0)
	if err != nil {
		t.Fatal(err)
	}
	var e Engine
	logger := e.AddSeries(&thermal.Series{MaxGapMs: 20, HoldMs: 10})
	box, err := e.AddSource(Layer{Series: []int32{logger}})
	if err != nil {
		t.Fatal(err)
	}
	l, err := e.AddLevels(Levels{At: []int64{20, 30}})
	if err != nil {
		t.Fatal(err)
	}
	tube, err := e.AddTube(Watch{e.AddCurve(curve), l})
	if err != nil {
		t.Fatal(err)
	}
	step := 0
	state := func(err error, upper, lower int64, met, certain int, provisional bool) {
		t.Helper()
		step++
		if err != nil {
			t.Fatal(err)
		}
		got, err := e.State(tube, 0)
		if err != nil {
			t.Fatal(err)
		}
		if got.Use != (Use{upper, lower}) || got.Met != met || got.Certain != certain || got.Provisional != provisional {
			t.Errorf("step %d: %+v", step, got)
		}
	}
	read := func(at event.Instant, c event.CentiC) error {
		return e.Read(logger, event.Reading{At: at, C: c, OK: true})
	}
	at := func(now event.Instant) error { e.Advance(now); return nil }
	state(read(100, 700), 0, 0, 0, 0, false)
	state(e.Move(tube, Move{100, box}), 0, 0, 0, 0, false)
	state(at(104), 4, 4, 0, 0, true)               // held
	state(read(110, 900), 18, 18, 0, 0, false)     // 8.00 °C at 105 still uses 1: 6*1 + 4*3
	state(at(111), 21, 21, 1, 0, true)             // held at 9 °C
	state(at(125), 18+30+25, 48, 2, 2, true)       // held 10 ms, then 5 ms of which nothing is known
	state(read(120, 700), 18+20+5, 43, 2, 2, true) // late: 8.00 °C at 115, so 5*3 + 5*1, then held to 125
	said := e.Announced()
	if len(said) != 4 {
		t.Errorf("announced: %+v", said)
	}
	state(e.Unmove(tube, Move{100, box}), 0, 0, 0, 0, false)
	if said := e.Announced(); len(said) != 4 || !said[0].Retraction {
		t.Errorf("retracted: %+v", said)
	}
	if err := e.Drop(tube); err != nil {
		t.Fatal(err)
	}
	again, err := e.AddTube(Watch{0, l})
	if err != nil || again != tube || len(e.tubes) != 1 {
		t.Errorf("the number of a dropped tube wasn't given out again: %d %v", again, err)
	}
}

// Clocks that nothing runs on are dropped, and what was taken from them stays.
func TestIdleClocksAreDropped(t *testing.T) {
	curve, err := NewRateCurve([]Step{{Upper: 2, Lower: 1}}, 2, 1)
	if err != nil {
		t.Fatal(err)
	}
	var e Engine
	l, err := e.AddLevels(Levels{At: []int64{100}})
	if err != nil {
		t.Fatal(err)
	}
	c := e.AddCurve(curve)
	for range 2 {
		if _, err := e.AddSource(Layer{Assumed: event.Range{Low: 400, High: 500, Known: true}}); err != nil {
			t.Fatal(err)
		}
	}
	tube, err := e.AddTube(Watch{c, l})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.Move(tube, Move{10, 0}, Move{20, 1}); err != nil {
		t.Fatal(err)
	}
	e.Advance(30)
	if a, b := len(e.sources[0].clocks), len(e.sources[1].clocks); a != 0 || b != 1 {
		t.Errorf("%d and %d clocks; want none where nobody is, and one", a, b)
	}
	if st, err := e.State(tube, 0); err != nil || st.Use != (Use{40, 20}) {
		t.Errorf("use %+v %v", st, err)
	}
	if err := e.Move(tube, Move{15, 1}); err != nil { // a late move asks the dropped clock
		t.Fatal(err)
	}
	if st, err := e.State(tube, 0); err != nil || st.Use != (Use{40, 20}) {
		t.Errorf("use after a late move %+v %v", st, err)
	}
}
