package stability

import (
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

func judged(s *Set, t *Tube, assay string, hist []thermal.Segment) *Judgement {
	var j Judgement
	s.Judge(&j, t, assay, hist, end(hist))
	return &j
}

func TestSpins(t *testing.T) {
	set := fixture(t)
	spun := func(kind string, after event.Instant, to State) *Tube {
		tube := tube(kind)
		tube.Changes = []Change{{to, drawn + after}}
		return tube
	}
	measured := func(tube *Tube, after event.Instant, tests ...string) *Tube {
		tube.Ended = append(tube.Ended, Ended{event.EndsMeasured, drawn + after, tests})
		return tube
	}
	for _, c := range []struct {
		name    string
		tube    *Tube
		assay   string
		length  event.Instant
		verdict event.Verdict
		reasons []event.Reason
		used    event.Instant
		ended   event.Instant
	}{
		{"spun in time, on the gel counts anew", spun("LIHEP-GEL", 50*minute, SpunOnGel), "GLU", 3 * hour, event.WithinLimits, nil, 130 * minute, 0},
		{"spun too late, the spin heals nothing", spun("LIHEP-GEL", 61*minute, SpunOnGel), "GLU", 3 * hour, event.PastLimit, []event.Reason{event.ReasonTime}, 61 * minute, 61 * minute},
		{"past before and after the spin, the first is shown", spun("LIHEP-GEL", 61*minute, SpunOnGel), "GLU", 30 * hour, event.PastLimit, []event.Reason{event.ReasonTime}, 61 * minute, 61 * minute},
		{"spun in time, no limit after it", spun("LIHEP-GEL", 2*hour, SpunOnGel), "K", 40 * hour, event.WithinLimits, nil, 2 * hour, 2 * hour},
		{"off the gel limit", spun("LIHEP-GEL", 50*minute, SpunOnGel), "GLU", 25*hour + minute, event.PastLimit, []event.Reason{event.ReasonTime}, 24*hour + 11*minute, 0},
		{"run on the gel", measured(spun("LIHEP-GEL", 50*minute, SpunOnGel), 5*hour, "GLU"), "GLU", 60 * hour, event.WithinLimits, nil, 250 * minute, 5 * hour},
		{"another test was run", measured(spun("LIHEP-GEL", 50*minute, SpunOnGel), 5*hour, "K"), "GLU", 60 * hour, event.PastLimit, []event.Reason{event.ReasonTime}, 60*hour - 50*minute, 0},
		{"run before the spin", measured(tube("LIHEP-GEL"), 30*minute), "GLU", 60 * hour, event.WithinLimits, nil, 30 * minute, 30 * minute},
		{"blood count after the spin", spun("EDTA", hour, OnCells), "CBC", 2 * hour, event.PastLimit, []event.Reason{event.ReasonNeedsUnspun}, 2 * hour, 0},
		{"blood count run first", measured(spun("EDTA", hour, OnCells), 30*minute, "CBC"), "CBC", 2 * hour, event.WithinLimits, nil, 30 * minute, 30 * minute},
		{"a spin to come ends nothing", spun("LIHEP-GEL", 4*hour, SpunOnGel), "GLU", hour, event.WithinLimits, nil, hour, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := judged(set, c.tube, c.assay, steady(c.length, 21.0))
			ended := event.Instant(0)
			if c.ended != 0 {
				ended = drawn + c.ended
			}
			if j.Verdict != c.verdict || !slices.Equal(j.Reasons, c.reasons) || j.UsedMs != int64(c.used) || j.Ended != ended {
				t.Errorf("%s %v used %s ended %s, want %s %v used %s ended %s", j.Verdict, j.Reasons, durationText(j.UsedMs), j.Ended,
					c.verdict, c.reasons, durationText(int64(c.used)), ended)
			}
			if j.Ended != 0 && (j.Until != 0 || j.Due != Interval{}) {
				t.Errorf("ended, but due %v and until %s", j.Due, j.Until)
			}
		})
	}
}

func TestConditionNotStated(t *testing.T) {
	set := fixture(t)
	j := judged(set, tube("CITRATE"), "APTT", steady(2*hour, 21.0))
	if j.Verdict != event.WithinLimits || j.Rule.ID != "aptt" || j.Other == nil || j.Other.Verdict != event.PastLimit || j.Other.Rule.ID != "aptt-ufh" {
		t.Errorf("not stated: %+v, other %+v", j, j.Other)
	}
	on := tube("CITRATE")
	on.Conditions = map[string]bool{"unfractionated-heparin": true}
	if j := judged(set, on, "APTT", steady(2*hour, 21.0)); j.Verdict != event.PastLimit || j.Other != nil {
		t.Errorf("stated: %s, other %+v", j.Verdict, j.Other)
	}
	e := set.Explain(on, "APTT", steady(2*hour, 21.0), drawn+2*hour)
	if len(e.Others) != 1 || e.Others[0].Rule.ID != "aptt" {
		t.Errorf("others %v", e.Others)
	}
}

func TestDueAndUntil(t *testing.T) {
	set := fixture(t)
	for _, c := range []struct {
		name             string
		tube             *Tube
		assay            string
		hist             []thermal.Segment
		earliest, latest event.Instant // from the draw
		until            event.Instant
		outlook          event.Outlook
		eighty           bool
	}{
		{"four fifths come first", tube("LIHEP"), "K", steady(hour, 21.0), 4 * hour, 4 * hour, 192 * minute, event.InTime, false},
		{"four fifths are used", tube("LIHEP"), "K", steady(192*minute, 21.0), 4 * hour, 4 * hour, 4*hour + 1, event.RunningOut, true},
		{"on the limit", tube("LIHEP"), "K", steady(4*hour, 21.0), 4 * hour, 4 * hour, 4*hour + 1, event.RunningOut, true},
		{"over the limit", tube("LIHEP"), "K", steady(4*hour+1, 21.0), 0, 0, 0, event.OutlookUnknown, true},
		{"two bands", tube("EDTA"), "ESR", steady(2*hour, 21.0), 4 * hour, 4 * hour, 192 * minute, event.InTime, false},
		{"between two bands", tube("EDTA"), "ESR", ranged(thermal.Assumed, hour, 4_00, 20_00), 4 * hour, 24 * hour, 192 * minute, event.OutlookUnknown, false},
		{"the wait", tube("SERUM"), "BRACKET", steady(10*minute, 21.0), 6 * hour, 6 * hour, 30 * minute, event.InTime, false},
		{"the allowed minutes", tube("EDTA"), "ALLOWED", steady(10*minute, 9.0), 5 * hour, 5 * hour, 30*minute + 1, event.InTime, false},
		{"the grace", tube("EDTA"), "ALLOWED", steady(10*minute, 5.0, 2*minute, 1.0), 5 * hour, 5 * hour, 15 * minute, event.InTime, false},
		{"the first bad", tube("SERUM"), "BRACKET", steady(7*hour, 21.0), 0, 0, 8 * hour, event.OutlookUnknown, true},
		{"outside from now on", tube("LIHEP-GEL"), "GLU", append(steady(10*minute-1, 20.0), thermal.Segment{From: drawn + 10*minute - 1, To: drawn + 10*minute,
			Low0: 20_00, High0: 20_00, Low1: 25_01, High1: 25_01, Evidence: thermal.Measured}), hour, hour, 10*minute + 1, event.InTime, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := judged(set, c.tube, c.assay, c.hist)
			after := func(ms event.Instant) event.Instant {
				if ms == 0 {
					return 0
				}
				return drawn + ms
			}
			if want := (Interval{after(c.earliest), after(c.latest)}); j.Due != want {
				t.Errorf("due %v, want %v", j.Due, want)
			}
			if j.Until != after(c.until) {
				t.Errorf("until %s, want %s", j.Until, after(c.until))
			}
			if got, why := j.Outlook(0); got != c.outlook || j.Eighty != c.eighty || (got == event.RunningOut) != slices.Equal(why, becauseEighty) {
				t.Errorf("outlook %s %v eighty %t", got, why, j.Eighty)
			}
		})
	}
	j := judged(set, tube("LIHEP"), "K", steady(hour, 21.0))
	for arrival, want := range map[event.Instant]event.Outlook{0: event.InTime, drawn + 4*hour: event.InTime, drawn + 4*hour + 1: event.RunningOut} {
		if got, _ := j.Outlook(arrival); got != want {
			t.Errorf("arrival %s: %s, want %s", arrival, got, want)
		}
	}
}

func TestRack(t *testing.T) {
	of := func(v event.Verdict) Judgement { return Judgement{Verdict: v} }
	past, alive, wrong := of(event.PastLimit), of(event.WithinLimits), of(event.WrongTube)
	ran, ranLate := Judgement{Verdict: event.WithinLimits, Run: true}, Judgement{Verdict: event.PastLimit, Run: true}
	unspun := Judgement{Verdict: event.WithinLimits, NeedsUnspun: true}
	lostUnspun := Judgement{Verdict: event.PastLimit, NeedsUnspun: true}
	fresh := Judgement{Verdict: event.Wait, WaitUntil: drawn}
	freshUnsure := Judgement{Verdict: event.CannotSay, WaitUntil: drawn}
	freshPast := Judgement{Verdict: event.PastLimit, WaitUntil: drawn}
	for _, c := range []struct {
		name          string
		tests         []Judgement
		irreplaceable bool
		want          event.RackAnswer
	}{
		{"no tests", nil, false, event.RackSpin},
		{"all alive", []Judgement{alive, of(event.CannotSay), of(event.NoLimitAdopted), of(event.NotStudiedBeyond)}, false, event.RackSpin},
		{"one lost", []Judgement{alive, past}, false, event.RackSpinHold},
		{"all lost", []Judgement{past, wrong}, false, event.RackNothingLeft},
		{"all lost, irreplaceable", []Judgement{past, wrong}, true, event.RackSpin},
		{"one lost, irreplaceable", []Judgement{past, alive}, true, event.RackSpinHold},
		{"fresh", []Judgement{fresh, past}, false, event.RackWait},
		{"fresh, temperature not known", []Judgement{freshUnsure}, false, event.RackWait},
		{"fresh and lost", []Judgement{freshPast}, false, event.RackNothingLeft},
		{"fresh, lost, irreplaceable", []Judgement{freshPast}, true, event.RackWait},
		{"run first", []Judgement{unspun, past}, false, event.RackRunFirst},
		{"run first, irreplaceable", []Judgement{unspun}, true, event.RackRunFirst},
		{"too late to run first", []Judgement{lostUnspun, alive}, false, event.RackSpinHold},
		{"what was run has nothing to lose", []Judgement{ran, past}, false, event.RackNothingLeft},
		{"only what was run", []Judgement{ranLate}, false, event.RackSpin},
	} {
		if got := Rack(c.tests, c.irreplaceable); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	set := fixture(t)
	if j := judged(set, tube("EDTA"), "CBC", steady(hour, 21.0)); !j.NeedsUnspun || j.Say == "" {
		t.Errorf("a blood count before the spin: %+v", j)
	}
}

func TestFinishRefuses(t *testing.T) {
	band := func(low, high event.CentiC, ms int64) Limit { return Limit{Low: low, High: high, Ms: ms} }
	for _, c := range []struct {
		name string
		rule Rule
		want string
	}{
		{"no rows", Rule{}, "0 rows"},
		{"no time", Rule{Limits: []Limit{band(0, 1, 0)}}, "has no time"},
		{"upside down", Rule{Limits: []Limit{band(2, 1, 5)}}, "upside down"},
		{"overlap", Rule{Limits: []Limit{band(0, 10, 5), band(10, 20, 5)}}, "overlap"},
		{"two kinds", Rule{Limits: []Limit{band(0, 10, 5), {Low: 11, High: 20, GoodMs: 5}}}, "same kind"},
		{"no common measure", Rule{Limits: []Limit{band(0, 10, 86_399_999), band(11, 20, 43_200_001), band(21, 30, 50_000_017)}}, "common measure"},
		{"threshold inside below", Rule{Limits: []Limit{band(0, 10, 5)}, Below: &Outside{At: 1, HasAt: true}}, "below.at"},
		{"a need that isn't known", Rule{Limits: []Limit{band(0, 10, 5)}, Needs: []Need{"upright"}}, "needs"},
		{"share of no time", Rule{Limits: []Limit{{Low: 0, High: 10, Ms: 5, Shares: []Share{{Part: 1, Of: 20}}}}}, "shares"},
		{"share that isn't a part", Rule{Limits: []Limit{{Low: 0, High: 10, Ms: 5, Shares: []Share{{AtMs: 1, Part: 2, Of: 1}}}}}, "not a part of all tubes"},
		{"threshold inside above", Rule{Limits: []Limit{band(0, 10, 5)}, Above: &Outside{At: 9, HasAt: true}}, "above.at"},
	} {
		c.rule.ID = "some-rule"
		err := (&Set{Rules: []Rule{c.rule}}).Finish()
		if err == nil || !strings.Contains(err.Error(), "rule some-rule") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want it to name the rule and %q", c.name, err, c.want)
		}
	}
}

func TestReasonBits(t *testing.T) {
	if all := reasons(bitUnreadableFact<<1 - 1).list(); !slices.Equal(all, event.Reasons()) {
		t.Errorf("the bits don't follow event.Reasons: %v", all)
	}
	for i, v := range event.Verdicts() {
		if rank(v) != i {
			t.Errorf("rank of %s is %d, not %d", v, rank(v), i)
		}
	}
}

func TestStatesThatFollow(t *testing.T) {
	rule := func(id string, state State, from CountsFrom, until event.Ending, limit event.Instant) Rule {
		return Rule{ID: id, Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: state, From: from, Until: until, Default: true,
			Limits: []Limit{{Low: -30_00, High: 25_00, Ms: int64(limit)}}}
	}
	for _, c := range []struct {
		name    string
		rules   []Rule
		changes []Change
		length  event.Instant
		rule    string
		verdict event.Verdict
		used    event.Instant
	}{
		{"on the cells the limit goes on until the tube is off them", []Rule{rule("cells", Unspun, FromDraw, event.EndsOffCells, 2*hour)},
			[]Change{{OnCells, drawn + hour}}, 2*hour + 1, "cells", event.PastLimit, 2*hour + 1},
		{"off the cells it has ended", []Rule{rule("cells", Unspun, FromDraw, event.EndsOffCells, 2*hour)},
			[]Change{{OnCells, drawn + hour}, {Separated, drawn + 2*hour}}, 9 * hour, "cells", event.WithinLimits, 2 * hour},
		{"a gel parts the cells at the spin", []Rule{rule("cells", Unspun, FromDraw, event.EndsOffCells, 2*hour)},
			[]Change{{SpunOnGel, drawn + hour}}, 9 * hour, "cells", event.WithinLimits, hour},
		{"a second spin is spun again", []Rule{rule("gel", SpunOnGel, FromState, event.EndsMeasured, hour), rule("again", SpunAgain, FromState, event.EndsMeasured, 3*hour)},
			[]Change{{SpunOnGel, drawn + hour}, {SpunOnGel, drawn + 2*hour}}, 5 * hour, "again", event.WithinLimits, 3 * hour},
		{"from the draw in a later state", []Rule{rule("gel", SpunOnGel, FromDraw, event.EndsMeasured, 4*hour)},
			[]Change{{SpunOnGel, drawn + hour}}, 4*hour + 1, "gel", event.PastLimit, 4*hour + 1},
		{"thawed counts from the thaw", []Rule{rule("thawed", ThawedAt, FromThaw, event.EndsMeasured, hour)},
			[]Change{{Separated, drawn + hour}, {FrozenAt, drawn + 2*hour}, {ThawedAt, drawn + 9*hour}}, 10 * hour, "thawed", event.WithinLimits, hour},
		{"frozen in time", []Rule{rule("off", Separated, FromState, event.EndsFrozen, hour)},
			[]Change{{Separated, drawn + hour}, {FrozenAt, drawn + 2*hour}}, 90 * hour, "off", event.WithinLimits, hour},
		{"frozen too late", []Rule{rule("off", Separated, FromState, event.EndsFrozen, hour)},
			[]Change{{Separated, drawn + hour}, {FrozenAt, drawn + 2*hour + 1}}, 90 * hour, "off", event.PastLimit, hour + 1},
		{"no rule for the state it is in, none before", []Rule{rule("off", Separated, FromState, event.EndsFrozen, hour)},
			nil, hour, "", event.NoLimitAdopted, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			set := &Set{Rules: c.rules}
			if err := set.Finish(); err != nil {
				t.Fatal(err)
			}
			tube := tube("T")
			tube.Changes = c.changes
			j := judged(set, tube, "A", steady(c.length, 20.0))
			id := ""
			if j.Rule != nil {
				id = j.Rule.ID
			}
			if id != c.rule || j.Verdict != c.verdict || j.UsedMs != int64(c.used) {
				t.Errorf("rule %q %s %v used %s, want %q %s %s", id, j.Verdict, j.Reasons, durationText(j.UsedMs), c.rule, c.verdict, durationText(int64(c.used)))
			}
		})
	}
}

func TestJudgeAllocatesNothing(t *testing.T) {
	set, tube, hist := fixture(t), tube("LIHEP"), steady(95*minute, 21.0)
	var j Judgement
	if n := testing.AllocsPerRun(100, func() { set.Judge(&j, tube, "K", hist, end(hist)) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// A latch takes two readings of one excursion: minutes inside between them make
// two excursions of it, unknown minutes neither fire nor block.
func TestReadingsApart(t *testing.T) {
	set := fixture(t)
	part := func(from, to event.Instant, ev thermal.Evidence, low, high event.CentiC) thermal.Segment {
		return thermal.Segment{From: drawn + from, To: drawn + to, Evidence: ev, Low0: low, Low1: low, High0: high, High1: high,
			Reading0: ev == thermal.Measured, HeldAfterReading: ev == thermal.Measured}
	}
	cold := func(from event.Instant) thermal.Segment {
		return part(from, from+5*minute, thermal.Measured, 5_00, 5_00)
	}
	apart := []thermal.Segment{cold(0), part(5*minute, hour, thermal.Assumed, 20_00, 24_00), cold(hour)}
	if j := judged(set, tube("LIHEP"), "K", apart); j.Verdict != event.WithinLimits || j.Latched {
		t.Errorf("apart: %s %v", j.Verdict, j.Reasons)
	}
	hidden := []thermal.Segment{cold(0), part(5*minute, hour, thermal.Unknown, 0, 0), cold(hour)}
	if j := judged(set, tube("LIHEP"), "K", hidden); j.Verdict != event.PastLimit || !j.Latched {
		t.Errorf("nothing known between: %s %v", j.Verdict, j.Reasons)
	}
	graced := []thermal.Segment{
		part(0, 4*minute, thermal.Attested, 1_00, 5_00), part(4*minute, 5*minute, thermal.Attested, 5_00, 5_00), part(5*minute, 9*minute, thermal.Attested, 1_00, 5_00),
	}
	if j := judged(set, tube("EDTA"), "ALLOWED", graced); j.Verdict != event.WithinLimits {
		t.Errorf("grace: %s %v", j.Verdict, j.Reasons)
	}
}

func TestReadingBeforeTheWindow(t *testing.T) {
	set := &Set{Rules: []Rule{{ID: "gel", Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: SpunOnGel, From: FromState, Until: event.EndsMeasured, Default: true,
		Limits: []Limit{{Low: 2_00, High: 25_00, Ms: int64(hour)}}, Below: &Outside{TwoValid: true}}}}
	if err := set.Finish(); err != nil {
		t.Fatal(err)
	}
	tube := tube("T")
	tube.Changes = []Change{{SpunOnGel, drawn + 30*minute}}
	if j := judged(set, tube, "A", steady(hour, 1.0)); j.Latched || j.BelowMs != int64(30*minute) {
		t.Errorf("a reading before the spin counts after it: %+v", j)
	}
}

func TestConditionTakenAsFalseGivesWay(t *testing.T) {
	rule := func(id string, limit event.Instant, condition ...Condition) Rule {
		return Rule{ID: id, Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true,
			Condition: condition, Limits: []Limit{{Low: 2_00, High: 25_00, Ms: int64(limit)}}}
	}
	set := &Set{Rules: []Rule{rule("no", 4*hour, Condition{"rare", false}), rule("any", 2*hour), rule("yes", hour, Condition{"rare", true})}}
	if err := set.Finish(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		stated map[string]bool
		want   string
	}{{nil, "any"}, {map[string]bool{"rare": false}, "no"}, {map[string]bool{"rare": true}, "yes"}} {
		tube := tube("T")
		tube.Conditions = c.stated
		j := judged(set, tube, "A", steady(hour, 20.0))
		if j.Rule.ID != c.want || (c.stated == nil) != (j.Other != nil) {
			t.Errorf("stated %v: rule %s, want %s; other %v", c.stated, j.Rule.ID, c.want, j.Other)
		}
	}
}

// A limit that the file passes over says nothing, also where the key has no default
// (design section 7: a studied limit that is contradicted is no default). A time by
// which the test was shown unstable speaks, and a stated condition goes before the
// default. Invented limits.
func TestPassedOverAndConditional(t *testing.T) {
	parsed := func(text string) *Set {
		t.Helper()
		set, err := Parse("f", []byte("format: stability-rules/1\nset: {name: f, version: 1, author: a}\nconventions: {room: [18.0, 25.0]}\nrules:\n"+text))
		if err != nil {
			t.Fatal(err)
		}
		return set
	}
	rule := func(id, more, limit, evidence string) string {
		return "  - {id: " + id + ", assay: {code: K}, tubes: [EDTA], state: unspun, from: draw, until: spun, limits: [{band: room, " + limit +
			`, as-studied: "room"}], direction: {time: high}, evidence: ` + evidence +
			`, source: {title: t, year: 2020, where: w, address: "doi 10.1/x", seen: summary}` + more + "}\n"
	}
	passed := rule("passed", `, default: {chosen: false, because: "contradicted"}`, "good-through: 8h", "studied")
	other := rule("other", `, default: {chosen: false, because: "contradicted too"}`, "good-through: 6h", "studied")
	shown := rule("shown", `, default: {chosen: false, because: "seen to be bad"}`, "first-bad: 2h", "shown-unstable")
	chosen := rule("chosen", `, default: {chosen: true, because: "longest"}`, "good-through: 4h", "studied")
	bubble := rule("bubble", `, condition: {air: yes}, default: {chosen: false, because: "seen to be bad"}`, "first-bad: 30m", "shown-unstable")
	for _, c := range []struct {
		name, rules string
		air         bool
		after       event.Instant
		want        event.Verdict
		by          string
	}{
		{"none is chosen", passed + other, false, hour, event.NoLimitAdopted, ""},
		{"none is chosen, one was seen to be bad, before that", passed + shown, false, hour, event.CannotSay, "shown"},
		{"none is chosen, one was seen to be bad, after that", passed + shown, false, 3 * hour, event.PastLimit, "shown"},
		{"the condition does not hold", chosen + bubble, false, hour, event.WithinLimits, "chosen"},
		{"the condition holds", chosen + bubble, true, hour, event.PastLimit, "bubble"},
	} {
		tube := &Tube{Type: "EDTA", TestsKnown: true, Zero: Interval{drawn, drawn}, Conditions: map[string]bool{"air": c.air}}
		var j Judgement
		parsed(c.rules).Judge(&j, tube, "K", steady(c.after, 21.0), drawn+c.after)
		by := ""
		if j.Rule != nil {
			by = j.Rule.ID
		}
		if j.Verdict != c.want || by != c.by {
			t.Errorf("%s: %s by %q, want %s by %q", c.name, j.Verdict, by, c.want, c.by)
		}
	}
}
