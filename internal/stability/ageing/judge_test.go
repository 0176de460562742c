package ageing_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/ageing"
	"specimen.example/custody/internal/thermal"
)

const (
	minute = event.Instant(60_000)
	noon   = event.Instant(1_700_000_000_000)
)

// curvesOf builds a rule's curves from its bands: the use of the budget, and ms
// outside on each side. Nothing is allowed outside, so what lies there counts as
// the nearest band at worst and as the most lenient at best.
func curvesOf(t *rapid.T, bands []stability.Limit) (curves [3]*ageing.RateCurve, budget int64) {
	budget = 1
	for _, b := range bands {
		x, y := budget, b.Ms
		for y != 0 {
			x, y = y, x%y
		}
		budget *= b.Ms / x
	}
	weight := func(i int) int64 { return budget / bands[i].Ms }
	least, most := weight(0), weight(0)
	for i := range bands {
		least, most = min(least, weight(i)), max(most, weight(i))
	}
	last := len(bands) - 1
	steps := []ageing.Step{{Upper: weight(0), Lower: least}}
	for i, b := range bands {
		start := ageing.From(b.Low)
		if i > 0 && b.Low == bands[i-1].High+1 {
			start = ageing.Above(bands[i-1].High)
		} else if i > 0 {
			steps = append(steps, ageing.Step{
				Start: ageing.Above(bands[i-1].High),
				Upper: max(weight(i-1), weight(i)), Lower: min(weight(i-1), weight(i)),
			})
		}
		steps = append(steps, ageing.Step{Start: start, Upper: weight(i), Lower: weight(i)})
	}
	steps = append(steps, ageing.Step{Start: ageing.Above(bands[last].High), Upper: weight(last), Lower: least})
	below := []ageing.Step{{Upper: 1, Lower: 1}, {Start: ageing.From(bands[0].Low)}}
	above := []ageing.Step{{}, {Start: ageing.Above(bands[last].High), Upper: 1, Lower: 1}}
	for i, s := range [][]ageing.Step{steps, below, above} {
		upper, lower := most, least
		if i > 0 {
			upper, lower = 0, 0
		}
		c, err := ageing.NewRateCurve(s, upper, lower)
		if err != nil {
			t.Fatal(err)
		}
		curves[i] = c
	}
	return curves, budget
}

// temperatures lie in the bands more often than not, and on and beside their edges.
var temperatures = []int32{-300, 199, 200, 411, 500, 503, 799, 800, 801, 1400, 1500, 1801, 2000, 2200, 2500, 2501, 3000}

// Invented fixtures.
var bandsOfRules = [][]stability.Limit{
	{{Low: 200, High: 2500, Ms: 25 * 60_000}},
	{{Low: 200, High: 800, Ms: 24 * 3_600_000}},
	{{Low: 200, High: 800, Ms: 72 * 60_000}, {Low: 1500, High: 2500, Ms: 35 * 60_000}},
	{{Low: 200, High: 800, Ms: 40 * 60_000}, {Low: 801, High: 1400, Ms: 25 * 60_000}, {Low: 1800, High: 2500, Ms: 7 * 60_000}},
}

// The use of an account, its bounds, its ms outside, four fifths of the limit and
// the verdict by time are what stability.Judge says of the same tube: the clocks
// count in its units, to the last one.
func TestClocksCountAsTheJudge(t *testing.T) {
	var used, apart, eighty, pasts, outside int // what the histories brought about
	rapid.Check(t, func(t *rapid.T) {
		bands := rapid.SampledFrom(bandsOfRules).Draw(t, "bands")
		set := stability.Set{Rules: []stability.Rule{{
			ID: "r", Assay: stability.Assay{Code: "X"}, Tubes: []string{"T"}, State: stability.Unspun,
			From: stability.FromDraw, Combine: stability.Sum, Limits: bands, Evidence: stability.Policy, Default: true,
		}}}
		if err := set.Finish(); err != nil {
			t.Fatal(err)
		}
		curves, budget := curvesOf(t, bands)

		var e ageing.Engine
		var watches []ageing.Watch
		for i, c := range curves {
			l := ageing.Levels{At: []int64{budget - budget/5, budget, budget + 1}}
			if i > 0 {
				l.At = []int64{1}
			}
			id, err := e.AddLevels(l)
			if err != nil {
				t.Fatal(err)
			}
			watches = append(watches, ageing.Watch{Curve: e.AddCurve(c), Levels: id})
		}
		tube, err := e.AddTube(watches...)
		if err != nil {
			t.Fatal(err)
		}

		// Two loggers and three places, one of which nobody measures.
		layers := make([]thermal.Layer, 3)
		var loggers [2]*thermal.Series
		for i := range loggers {
			loggers[i] = &thermal.Series{EveryMs: int64(5 * minute), HoldMs: -1, UncertaintyC: event.CentiC(rapid.SampledFrom([]int32{0, 0, 50}).Draw(t, "uncertainty"))}
			e.AddSeries(loggers[i])
		}
		layers[0].Series, layers[1].Series = loggers[:1], []*thermal.Series{loggers[1], loggers[0]}
		for i, ids := range [][]int32{{0}, {1, 0}, nil} {
			if rapid.Bool().Draw(t, "assumed") {
				layers[i].Assumed = event.Range{Low: 200, High: event.CentiC(rapid.SampledFrom([]int32{800, 2500}).Draw(t, "high")), Known: true}
			}
			if _, err := e.AddSource(ageing.Layer{Series: ids, Assumed: layers[i].Assumed}); err != nil {
				t.Fatal(err)
			}
		}
		var moves []ageing.Move
		for at := noon; at < noon+40*minute; at += event.Instant(rapid.Int64Range(1, int64(20*minute)).Draw(t, "stay")) {
			m := ageing.Move{At: at, Source: rapid.Int32Range(0, 2).Draw(t, "source")}
			moves = append(moves, m)
			if err := e.Move(tube, m); err != nil {
				t.Fatal(err)
			}
		}
		for n := range loggers {
			at := noon - 10*minute
			for range rapid.IntRange(0, 12).Draw(t, "readings") {
				at += event.Instant(rapid.Int64Range(1, int64(12*minute)).Draw(t, "step"))
				r := event.Reading{At: at, C: event.CentiC(rapid.SampledFrom(temperatures).Draw(t, "temperature")), OK: rapid.IntRange(0, 9).Draw(t, "fault") > 0}
				if err := e.Read(int32(n), r); err != nil {
					t.Fatal(err)
				}
			}
		}
		st, err := e.State(tube, 0)
		if err != nil {
			t.Fatal(err)
		}
		now := st.Watermark
		for i := range moves {
			end := now
			if i+1 < len(moves) {
				end = moves[i+1].At
			}
			l := layers[moves[i].Source]
			l.From, l.To = moves[i].At, end
			layers = append(layers, l)
		}
		hist := thermal.Build(nil, layers[3:], noon, now)

		var j stability.Judgement
		set.Judge(&j, &stability.Tube{Type: "T", Zero: stability.Interval{Earliest: noon, Latest: noon}, TestsKnown: true}, "X", hist, now)
		weight := budget / j.LimitMs
		if j.UsedMs != st.Use.Upper/weight || j.BestMs != st.Use.Lower/weight || j.Eighty != (st.Met > 0) {
			t.Fatalf("judge: used %d, best %d, eighty %v; clocks: %+v in units of %d", j.UsedMs, j.BestMs, j.Eighty, st, weight)
		}
		past := j.Verdict == event.PastLimit && slices.Contains(j.Reasons, event.ReasonTime)
		if past != (st.Certain == 3) {
			t.Fatalf("judge: %s %v; clocks: %+v of %d", j.Verdict, j.Reasons, st, budget)
		}
		for n, ms := range []int64{j.BelowMs, j.AboveMs} {
			st, err := e.State(tube, n+1)
			if err != nil || st.Use.Upper != ms {
				t.Fatalf("judge: %d ms outside on side %d; clock %+v %v", ms, n, st, err)
			}
			outside += count(ms > 0)
		}
		used += count(j.BestMs > 0)
		apart += count(j.UsedMs != j.BestMs)
		eighty += count(j.Eighty)
		pasts += count(past)
	})
	t.Logf("used %d, bounds apart %d, eighty percent %d, past %d, outside %d", used, apart, eighty, pasts, outside)
	if !t.Failed() && (used == 0 || apart == 0 || eighty == 0 || pasts == 0 || outside == 0) {
		t.Errorf("used %d, bounds apart %d, eighty percent %d, past %d, outside %d: what never happens proves nothing", used, apart, eighty, pasts, outside)
	}
}

func count(is bool) int {
	if is {
		return 1
	}
	return 0
}
