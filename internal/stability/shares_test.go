package stability_test

import (
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/thermal"
)

const (
	minute = event.Instant(60_000)
	drawn  = 29_000_000 * minute // an invented morning
)

// steps is measured at one temperature after the other, each for so many minutes.
func steps(parts ...[2]event.Instant) []thermal.Segment {
	var hist []thermal.Segment
	at := drawn
	for _, p := range parts {
		c := event.CentiC(p[1])
		hist = append(hist, thermal.Segment{
			From: at, To: at + p[0]*minute, Low0: c, Low1: c, High0: c, High1: c,
			Evidence: thermal.Measured, Reading0: true, Reading1: true, Series: -1,
		})
		at += p[0] * minute
	}
	return hist
}

func starter(t testing.TB) *stability.Set {
	t.Helper()
	set, _, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func syringe() *stability.Tube {
	return &stability.Tube{Type: "SYRINGE", TestsKnown: true, Zero: stability.Interval{Earliest: drawn, Latest: drawn}}
}

// Lactate in a syringe, room: good through 45 min, 5 % of samples over the
// criterion by 20 min; in ice slush good through 90 min (Zavorsky and others 2021,
// abstract, doi 10.4187/respcare.08023). Potassium in a syringe on ice slush: mean
// +0.0032 mmol/L/min, 5 % of samples at +0.3 mmol/L or more at 67 min; at 22 to 24 °C
// good through 109 min (Zavorsky and others 2022, abstract, PMID 34448844).
const syringes = `format: stability-rules/1
set: {name: syringes, version: 1, author: test}
conventions: {room: [18.0, 25.0], slush: [0.0, 0.2]}
rules:
  - id: lactate
    assay: {code: LACT, loinc: 2524-7, name: lactate}
    tubes: [SYRINGE]
    state: unspun
    from: draw
    until: measured
    limits:
      - {band: room, good-through: 45m, shares: [{at: 20m, over: "5 %"}]}
      - {band: slush, good-through: 90m}
    evidence: studied
    source: {title: "Zavorsky and others", year: 2021, where: abstract, seen: summary}
  - id: potassium-room
    assay: {code: K, loinc: 2823-3, name: potassium}
    tubes: [SYRINGE]
    state: unspun
    from: draw
    until: measured
    limits: [{band: room, good-through: 109m}]
    outside: {below: {at: 15.0, allow: 0s, direction: high, needs: two-readings}}
    evidence: studied
    source: {title: "Zavorsky and others", year: 2022, where: abstract, seen: summary}
    default: {chosen: true, because: "the longest time studied"}
  - id: potassium-slush
    assay: {code: K, loinc: 2823-3, name: potassium}
    tubes: [SYRINGE]
    state: unspun
    from: draw
    until: measured
    limits: [{band: slush, rate: 0.192, criterion: 0.3, unit: mmol/L, shares: [{at: 67m, over: "5 %"}]}]
    direction: {time: high}
    evidence: rate
    source: {title: "Zavorsky and others", year: 2022, where: abstract, seen: summary}
    default: {chosen: false, because: "a mean rate"}
`

func TestShareOfLactate(t *testing.T) {
	set := mustParse(t, syringes)
	for _, c := range []struct {
		name    string
		parts   [][2]event.Instant // minutes, 0.01 °C
		reached bool
		next    event.Instant // minutes from the draw
	}{
		{"a minute before", [][2]event.Instant{{19, 23_00}}, false, 20},
		{"by 20 min", [][2]event.Instant{{20, 23_00}}, true, 0},
		{"on its way", [][2]event.Instant{{5, 23_00}}, false, 20},
		// 10/45 + 20/90 of the limit is 20/45, the share's own time.
		{"both bands add up", [][2]event.Instant{{10, 23_00}, {20, 10}}, true, 0},
		{"a minute of ice before", [][2]event.Instant{{10, 23_00}, {19, 10}}, false, 30},
		{"half a minute of the room is left", [][2]event.Instant{{20, 10}, {9, 23_00}}, false, 30},
		{"ice alone", [][2]event.Instant{{10, 10}}, false, 40},
	} {
		t.Run(c.name, func(t *testing.T) {
			hist := steps(c.parts...)
			now := hist[len(hist)-1].To
			var j stability.Judgement
			set.Judge(&j, syringe(), "LACT", hist, now)
			if j.Verdict != event.WithinLimits {
				t.Errorf("a share changes no verdict, but it is %s %v", j.Verdict, j.Reasons)
			}
			if got := j.Share.Reached; got != c.reached || got != (j.Share.Share != nil) {
				t.Fatalf("share %+v, want it reached: %t", j.Share, c.reached)
			}
			if c.reached {
				if s := j.Share.Share; s.Text() != "1 in 20" || s.AtMs != int64(20*minute) || !j.Share.Surely || j.NextShare.Share != nil {
					t.Errorf("share %+v %s, next %+v", j.Share, s.Text(), j.NextShare)
				}
				return
			}
			at := drawn + c.next*minute
			if n := j.NextShare; n.Share == nil || n.Share.Text() != "1 in 20" || n.Reached || n.When != (stability.Interval{Earliest: at, Latest: at}) {
				t.Errorf("next share %+v, want it at minute %d", n, c.next)
			}
		})
	}
	e := set.Explain(syringe(), "LACT", steps([2]event.Instant{30, 23_00}), drawn+30*minute)
	if at := drawn + 20*minute; len(e.Shares) != 1 || e.Shares[0].When != (stability.Interval{Earliest: at, Latest: at}) {
		t.Errorf("explained %+v, want minute 20", e.Shares)
	}
}

// The rule for ice isn't the default of its key, so it speaks as another rule.
func TestShareOfPotassiumOnIce(t *testing.T) {
	set := mustParse(t, syringes)
	for _, minutes := range []event.Instant{66, 67} {
		now := drawn + minutes*minute
		e := set.Explain(syringe(), "K", steps([2]event.Instant{minutes, 10}), now)
		i := slices.IndexFunc(e.Others, func(o stability.Other) bool { return o.Rule.ID == "potassium-slush" })
		if i < 0 {
			t.Fatalf("the rule doesn't speak: %+v", e.Others)
		}
		o := &e.Others[i]
		if o.UsedMs != int64(minutes*minute) || o.Verdict != event.WithinLimits || e.Judgement.Verdict != event.PastLimit {
			t.Errorf("after %d min on ice it says %s, used %d; the default says %s", minutes, o.Verdict, o.UsedMs, e.Judgement.Verdict)
		}
		if reached := minutes >= 67; o.Share.Reached != reached || !reached && o.NextShare.When.Earliest != drawn+67*minute {
			t.Errorf("after %d min: share %+v, next %+v", minutes, o.Share, o.NextShare)
		}
	}
}

// An invented fixture: two bands of which the strictest visited counts, with a
// share each. A share of a band that wasn't visited isn't met.
func TestSharesOfTheStrictestBand(t *testing.T) {
	set := &stability.Set{Rules: []stability.Rule{{
		ID: "strict", Assay: stability.Assay{Code: "A"}, Tubes: []string{"SYRINGE"}, State: stability.Unspun, From: stability.FromDraw,
		Until: event.EndsMeasured, Combine: stability.StrictestBand, Default: true,
		Limits: []stability.Limit{
			{Low: 2_00, High: 8_00, Ms: int64(600 * minute), Shares: []stability.Share{{AtMs: int64(100 * minute), Over: "1 %", Part: 1, Of: 100}}},
			{Low: 18_00, High: 25_00, Ms: int64(240 * minute), Shares: []stability.Share{{AtMs: int64(60 * minute), Over: "7 %", Part: 7, Of: 100}}},
		},
	}}}
	if err := set.Finish(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name           string
		parts          [][2]event.Instant
		reached, comes string
		at             event.Instant
	}{
		{"fridge alone", [][2]event.Instant{{90, 5_00}}, "", "1 in 100", 100},
		{"fridge, past the other's time", [][2]event.Instant{{110, 5_00}}, "1 in 100", "", 0},
		{"at once in the room", [][2]event.Instant{{110, 5_00}, {1, 20_00}}, "7 in 100", "", 0},
		{"room", [][2]event.Instant{{30, 20_00}}, "", "7 in 100", 60},
	} {
		t.Run(c.name, func(t *testing.T) {
			hist := steps(c.parts...)
			var j stability.Judgement
			set.Judge(&j, syringe(), "A", hist, hist[len(hist)-1].To)
			if got := text(j.Share); got != c.reached {
				t.Errorf("reached %q, want %q", got, c.reached)
			}
			next := j.NextShare
			if next.When.Earliest == 0 {
				next = stability.ShareUse{} // not at this temperature
			}
			if got := text(next); got != c.comes || c.comes != "" && next.When.Earliest != drawn+c.at*minute {
				t.Errorf("next %q %v, want %q at minute %d", got, next.When, c.comes, c.at)
			}
		})
	}
}

func text(s stability.ShareUse) string {
	if s.Share == nil {
		return ""
	}
	return s.Share.Text()
}

// Judging says shares without allocating.
func TestSharesCostNoAllocation(t *testing.T) {
	set, tube, hist := mustParse(t, syringes), syringe(), steps([2]event.Instant{25, 23_00})
	var j stability.Judgement
	if n := testing.AllocsPerRun(100, func() { set.Judge(&j, tube, "LACT", hist, drawn+25*minute) }); n != 0 || j.Share.Share == nil {
		t.Errorf("%v allocations, share %+v", n, j.Share)
	}
}
