package stability

import (
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

const (
	second = event.Instant(1000)
	minute = 60 * second
	hour   = 60 * minute
	drawn  = 29_000_000 * minute // an invented morning
)

// The fixture: invented limits for testing, the same as the acceptance cases use.
func fixture(t testing.TB) *Set {
	t.Helper()
	latch := func(at event.CentiC, d event.Direction) *Outside {
		return &Outside{At: at, HasAt: true, TwoValid: true, Direction: d}
	}
	s := &Set{
		Rules: []Rule{
			{ID: "k", Assay: Assay{Code: "K"}, Tubes: []string{"LIHEP", "LIHEP-GEL"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true,
				Limits: []Limit{{Low: 15_00, High: 25_00, Ms: int64(240 * minute)}}, TimeReads: event.ReadsHigh,
				Below: latch(15_00, event.ReadsHigh), Above: latch(25_00, event.ReadsLow)},
			{ID: "glu", Assay: Assay{Code: "GLU"}, Tubes: []string{"LIHEP-GEL"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true,
				Limits: []Limit{{Low: 15_00, High: 25_00, Ms: int64(60 * minute)}}, TimeReads: event.ReadsLow},
			{ID: "fviii", Assay: Assay{Code: "FVIII"}, Tubes: []string{"CITRATE"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true,
				Limits: []Limit{{Low: 18_00, High: 25_00, Ms: int64(240 * minute)}}, Below: latch(15_00, event.ReadsLow)},
			{ID: "cbc", Assay: Assay{Code: "CBC"}, Tubes: []string{"EDTA"}, State: Unspun, From: FromDraw, Until: event.EndsMeasured, Default: true,
				Limits: []Limit{{Low: 2_00, High: 25_00, Ms: int64(24 * hour)}}, Below: latch(0, event.DirectionUnknown)},
			// ACTH and ESR: the limits of stability-facts 3.6, vectors BB-1, BB-2, BB-7, BB-8.
			{ID: "acth", Assay: Assay{Code: "ACTH"}, Tubes: []string{"EDTA"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true, Combine: Sum,
				Limits: []Limit{{BandName: "room", Low: 18_00, High: 25_00, Ms: int64(6 * hour)}, {BandName: "fridge", Low: 2_00, High: 8_00, Ms: int64(8 * hour)}}},
			{ID: "esr", Assay: Assay{Code: "ESR"}, Tubes: []string{"EDTA"}, State: Unspun, From: FromDraw, Until: event.EndsSetUp, Default: true, Combine: Sum,
				Limits: []Limit{{BandName: "room", Low: 18_00, High: 25_00, Ms: int64(4 * hour)}, {BandName: "fridge", Low: 2_00, High: 8_00, Ms: int64(24 * hour)}}},
			{ID: "esr-strict", Assay: Assay{Code: "ESR-STRICT"}, Tubes: []string{"EDTA"}, State: Unspun, From: FromDraw, Until: event.EndsSetUp, Default: true, Combine: StrictestBand,
				Limits: []Limit{{BandName: "room", Low: 18_00, High: 25_00, Ms: int64(4 * hour)}, {BandName: "fridge", Low: 2_00, High: 8_00, Ms: int64(24 * hour)}}},
			// aPTT: 4 h, on unfractionated heparin 1 h (BB-3, BB-4).
			{ID: "aptt", Assay: Assay{Code: "APTT"}, Tubes: []string{"CITRATE"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true,
				Limits: []Limit{{Low: 18_00, High: 25_00, Ms: int64(4 * hour)}}},
			{ID: "aptt-ufh", Assay: Assay{Code: "APTT"}, Tubes: []string{"CITRATE"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true,
				Condition: []Condition{{"unfractionated-heparin", true}}, Limits: []Limit{{Low: 18_00, High: 25_00, Ms: int64(hour)}}},
			{ID: "bracket", Assay: Assay{Code: "BRACKET"}, Tubes: []string{"SERUM"}, State: Unspun, From: FromDraw, Until: event.EndsSpun, Default: true, Evidence: Studied,
				Limits: []Limit{{Low: 15_00, High: 25_00, GoodMs: int64(6 * hour), FirstBad: int64(8 * hour)}}},
			{ID: "gel", Assay: Assay{Code: "GLU"}, Tubes: []string{"LIHEP-GEL"}, State: SpunOnGel, From: FromState, Until: event.EndsMeasured, Default: true,
				Limits: []Limit{{Low: 2_00, High: 25_00, Ms: int64(24 * hour)}}},
			{ID: "allowed", Assay: Assay{Code: "ALLOWED"}, Tubes: []string{"EDTA"}, State: Unspun, From: FromDraw, Until: event.EndsMeasured, Default: true, Critical: true,
				Limits: []Limit{{Low: 2_00, High: 8_00, RatePerH: 20_000, Criterion: 100_000, Unit: "mmol/L"}},
				Above:  &Outside{AllowMs: int64(30 * minute), Direction: event.ReadsLow}, Below: &Outside{GraceMs: int64(5 * minute)}},
		},
		Waits: []WaitRule{{Tubes: []string{"SERUM", "SERUM-GEL"}, AtLeast: int64(30 * minute), Before: "spin"}},
		Ends:  []EndsTest{{Assay: Assay{Code: "CBC"}, When: "spun", Say: "needs unspun blood"}},
		Accepts: map[string][]string{
			"K": {"LIHEP", "LIHEP-GEL", "SERUM", "SERUM-GEL"},
		},
	}
	if err := s.Finish(); err != nil {
		t.Fatal(err)
	}
	return s
}

func tube(kind string) *Tube {
	return &Tube{Type: kind, Zero: Interval{drawn, drawn}, TestsKnown: true}
}

// steady is measured at one temperature, part after part; nil: nothing is known,
// two values: readings that disagree.
func steady(parts ...any) []thermal.Segment {
	var hist []thermal.Segment
	at := drawn
	for i := 0; i < len(parts); i += 2 {
		to := at + parts[i].(event.Instant)
		seg := thermal.Segment{From: at, To: to, Series: -1}
		bounds, known := parts[i+1].([2]float64)
		if c, one := parts[i+1].(float64); one {
			bounds, known = [2]float64{c, c}, true
		}
		if known {
			low, high := event.CentiC(bounds[0]*100), event.CentiC(bounds[1]*100)
			seg.Low0, seg.Low1, seg.High0, seg.High1 = low, low, high, high
			seg.Evidence, seg.Reading0, seg.Reading1 = thermal.Measured, true, true
		}
		hist = append(hist, seg)
		at = to
	}
	return hist
}

func ranged(ev thermal.Evidence, length event.Instant, low, high event.CentiC) []thermal.Segment {
	return []thermal.Segment{{From: drawn, To: drawn + length, Low0: low, Low1: low, High0: high, High1: high, Evidence: ev, Series: -1}}
}

// logged is measured by a logger with readings every 5 min.
func logged(until event.Instant, uncertainty event.CentiC, celsius ...float64) []thermal.Segment {
	s := &thermal.Series{EveryMs: int64(5 * minute), HoldMs: -1, UncertaintyC: uncertainty}
	for i, c := range celsius {
		s.Add(event.Reading{At: drawn + event.Instant(i)*5*minute, C: event.CentiC(c * 100), OK: c != fault})
	}
	return thermal.Build(nil, []thermal.Layer{{From: drawn, To: until, Series: []*thermal.Series{s}}}, drawn, until)
}

const fault = 999.0

func end(hist []thermal.Segment) event.Instant { return hist[len(hist)-1].To }

func TestVectors(t *testing.T) {
	set := fixture(t)
	unfractionated := func(yes bool) *Tube {
		tube := tube("CITRATE")
		tube.Conditions = map[string]bool{"unfractionated-heparin": yes}
		return tube
	}
	unknownZero := &Tube{Type: "LIHEP", TestsKnown: true, Zero: Interval{Latest: drawn}}
	conflict := tube("LIHEP")
	conflict.TimeConflict = true
	for _, c := range []struct {
		name        string
		tube        *Tube
		assay       string
		hist        []thermal.Segment
		verdict     event.Verdict
		reasons     []event.Reason
		direction   event.Direction
		used, limit event.Instant // 0: not checked
	}{
		// stability-facts 3.6
		{"BB-1", tube("EDTA"), "ACTH", steady(2*hour, 21.0, 4*hour, 5.0), event.WithinLimits, nil, "", 6*hour + 40*minute, 8 * hour},
		{"BB-2 reached exactly is inside", tube("EDTA"), "ACTH", steady(2*hour, 21.0, 4*hour, 5.0, hour, 21.0), event.WithinLimits, nil, "", 6 * hour, 6 * hour},
		{"BB-2 the instant after", tube("EDTA"), "ACTH", steady(2*hour, 21.0, 4*hour, 5.0, hour+1, 21.0), event.PastLimit, []event.Reason{event.ReasonTime}, "", 6*hour + 1, 6 * hour},
		{"BB-3 3:59", unfractionated(false), "APTT", steady(4*hour-minute, 21.0), event.WithinLimits, nil, "", 4*hour - minute, 4 * hour},
		{"BB-3 4:00", unfractionated(false), "APTT", steady(4*hour, 21.0), event.WithinLimits, nil, "", 4 * hour, 4 * hour},
		{"BB-3 4:01", unfractionated(false), "APTT", steady(4*hour+minute, 21.0), event.PastLimit, []event.Reason{event.ReasonTime}, "", 4*hour + minute, 4 * hour},
		{"BB-4", unfractionated(true), "APTT", steady(30*minute, 21.0), event.WithinLimits, nil, "", 30 * minute, hour},
		{"BB-4 without", unfractionated(false), "APTT", steady(30*minute, 21.0), event.WithinLimits, nil, "", 30 * minute, 4 * hour},
		{"BB-5 one reading does not latch", tube("LIHEP"), "K", logged(drawn+15*minute, 0, 21, 21, 21, 5), event.WithinLimits, nil, "", 15 * minute, 0},
		{"BB-5 the second reading latches", tube("LIHEP"), "K", logged(drawn+20*minute, 0, 21, 21, 21, 5, 5), event.PastLimit, []event.Reason{event.ReasonCold}, event.ReadsHigh, 20 * minute, 0},
		{"BB-5 a spike does not latch", tube("LIHEP"), "K", logged(drawn+20*minute, 0, 21, 21, 5, 21, 21), event.WithinLimits, nil, "", 0, 0},
		{"BB-7, both bands equally used: the stricter is shown", tube("EDTA"), "ESR", steady(2*hour, 21.0, 12*hour, 4.0), event.WithinLimits, nil, "", 4 * hour, 4 * hour},
		{"BB-7 the instant after", tube("EDTA"), "ESR", steady(2*hour, 21.0, 12*hour+1, 4.0), event.PastLimit, []event.Reason{event.ReasonTime}, "", 0, 0},
		{"BB-8 commutes", tube("EDTA"), "ESR", steady(12*hour, 4.0, 2*hour, 21.0), event.WithinLimits, nil, "", 0, 0},
		{"BB-8 the instant after", tube("EDTA"), "ESR", steady(12*hour, 4.0, 2*hour+1, 21.0), event.PastLimit, []event.Reason{event.ReasonTime}, "", 0, 0},
		{"strictest band", tube("EDTA"), "ESR-STRICT", steady(12*hour, 4.0), event.WithinLimits, nil, "", 12 * hour, 24 * hour},
		{"strictest band visited", tube("EDTA"), "ESR-STRICT", steady(12*hour, 4.0, minute, 21.0), event.PastLimit, []event.Reason{event.ReasonTime}, "", 12*hour + minute, 4 * hour},

		// Acceptance cases
		{"STB-S1 glucose", tube("LIHEP-GEL"), "GLU", steady(95*minute, 21.0), event.PastLimit, []event.Reason{event.ReasonTime}, event.ReadsLow, 95 * minute, 60 * minute},
		{"STB-S1 potassium", tube("LIHEP-GEL"), "K", steady(95*minute, 21.0), event.WithinLimits, nil, "", 95 * minute, 240 * minute},
		{"STB-S2", tube("LIHEP-GEL"), "K", steady(20*minute, 22.0, 90*minute, 31.0), event.PastLimit, []event.Reason{event.ReasonHeat}, event.ReadsLow, 110 * minute, 240 * minute},
		{"STB-S3", tube("LIHEP-GEL"), "K", steady(120*minute, 4.0), event.PastLimit, []event.Reason{event.ReasonCold}, event.ReadsHigh, 120 * minute, 0},
		{"STB-S4", tube("CITRATE"), "FVIII", steady(180*minute, 2.0), event.PastLimit, []event.Reason{event.ReasonCold}, event.ReadsLow, 0, 0},
		{"STB-S6 239:59", tube("LIHEP"), "K", steady(240*minute-second, 21.0), event.WithinLimits, nil, "", 0, 0},
		{"STB-S6 240:00", tube("LIHEP"), "K", steady(240*minute, 21.0), event.WithinLimits, nil, "", 240 * minute, 0},
		{"STB-S6 240:01", tube("LIHEP"), "K", steady(240*minute+second, 21.0), event.PastLimit, []event.Reason{event.ReasonTime}, event.ReadsHigh, 0, 0},
		{"STB-S6 25.0", tube("LIHEP"), "K", logged(drawn+10*minute, 0, 25, 25, 25), event.WithinLimits, nil, "", 0, 0},
		{"STB-S6 25.1", tube("LIHEP"), "K", logged(drawn+10*minute, 0, 25, 25.1, 25.1), event.PastLimit, []event.Reason{event.ReasonHeat}, event.ReadsLow, 0, 0},
		{"STB-S6 25.1 with an uncertain logger", tube("LIHEP"), "K", logged(drawn+10*minute, 20, 25, 25.1, 25.1), event.CannotSay, []event.Reason{event.ReasonHeat}, event.ReadsLow, 0, 0},
		{"STB-S7", tube("LIHEP"), "K", steady(110*minute, 21.0, 70*minute, nil), event.CannotSay, []event.Reason{event.ReasonNoTemperature}, event.DirectionUnknown, 180 * minute, 0},
		{"STB-S7 but surely too old", tube("LIHEP"), "K", steady(110*minute, 21.0, 131*minute, nil), event.PastLimit, []event.Reason{event.ReasonTime}, event.ReadsHigh, 0, 0},
		{"TIM-S1", unknownZero, "K", steady(75*minute, 21.0), event.CannotSay, []event.Reason{event.ReasonNoCollectionTime}, event.DirectionUnknown, 75 * minute, 0},
		{"TIM-S1 but surely too old", unknownZero, "K", steady(241*minute, 21.0), event.PastLimit, []event.Reason{event.ReasonTime}, event.ReadsHigh, 241 * minute, 0},
		{"TIM-S1 never seen", &Tube{Type: "LIHEP", TestsKnown: true}, "K", nil, event.CannotSay, []event.Reason{event.ReasonNoCollectionTime}, event.DirectionUnknown, 0, 0},
		{"TIM-S4", conflict, "K", steady(75*minute, 21.0), event.CannotSay, []event.Reason{event.ReasonTimeConflict}, event.DirectionUnknown, 0, 0},
		{"API-S2 zero degrees is below 2 to 25", tube("EDTA"), "CBC", logged(drawn+10*minute, 0, 0, 0, 0), event.CannotSay, []event.Reason{event.ReasonOutsideStudied}, event.DirectionUnknown, 0, 0},
		{"API-S2 a fault is unknown", tube("EDTA"), "CBC", logged(drawn+10*minute, 0, fault, fault, fault), event.CannotSay, []event.Reason{event.ReasonNoTemperature}, event.DirectionUnknown, 0, 0},
		{"blood count below 0 may have frozen", tube("EDTA"), "CBC", logged(drawn+10*minute, 0, 1, -1, -1), event.PastLimit, []event.Reason{event.ReasonFrozen}, event.DirectionUnknown, 0, 0},
		{"one reading below 0 has frozen nothing", tube("LIHEP-GEL"), "GLU", logged(drawn+10*minute, 0, 20, -1, 20), event.CannotSay, []event.Reason{event.ReasonOutsideStudied}, event.DirectionUnknown, 0, 0},
		{"glucose below 0 may have frozen", tube("LIHEP-GEL"), "GLU", steady(10*minute, -1.0), event.CannotSay, []event.Reason{event.ReasonFrozen, event.ReasonOutsideStudied}, event.DirectionUnknown, 0, 0},

		// Bounds, waits, words
		{"outside with nothing said", tube("LIHEP-GEL"), "GLU", steady(10*minute, 4.0), event.CannotSay, []event.Reason{event.ReasonOutsideStudied}, event.DirectionUnknown, 0, 0},
		{"assumed inside", tube("LIHEP"), "K", ranged(thermal.Assumed, hour, 18_00, 25_00), event.WithinLimits, []event.Reason{event.ReasonAssumedOnly}, "", hour, 0},
		{"assumed partly outside", tube("LIHEP"), "K", ranged(thermal.Assumed, hour, 14_00, 25_00), event.CannotSay, []event.Reason{event.ReasonAssumedOnly}, event.DirectionUnknown, 0, 0},
		{"assumed wholly outside latches", tube("LIHEP"), "K", ranged(thermal.Assumed, hour, 26_00, 30_00), event.PastLimit, []event.Reason{event.ReasonHeat}, event.ReadsLow, 0, 0},
		{"assumed over two bands, both inside", tube("EDTA"), "ESR", ranged(thermal.Assumed, hour, 2_00, 8_00), event.WithinLimits, []event.Reason{event.ReasonAssumedOnly}, "", 0, 0},
		{"passing between two bands", tube("EDTA"), "ACTH", logged(drawn+10*minute, 0, 21, 21, 5), event.WithinLimits, nil, "", 0, 0},
		{"two readings of one instant in two bands", tube("EDTA"), "ACTH", steady(10*minute, 21.0, 5*minute, [2]float64{5, 21}), event.WithinLimits, nil, "", 0, 0},
		{"staying between band and threshold", tube("CITRATE"), "FVIII", logged(drawn+10*minute, 0, 20, 16, 20), event.CannotSay, []event.Reason{event.ReasonOutsideStudied}, event.DirectionUnknown, 0, 0},
		{"passing between band and threshold", tube("CITRATE"), "FVIII", logged(drawn+10*minute, 0, 20, 14, 20), event.WithinLimits, nil, "", 0, 0},
		{"staying between two bands", tube("EDTA"), "ACTH", logged(drawn+10*minute, 0, 21, 12, 5), event.CannotSay, []event.Reason{event.ReasonOutsideStudied}, event.DirectionUnknown, 0, 0},
		{"good through", tube("SERUM"), "BRACKET", steady(6*hour, 20.0), event.WithinLimits, nil, "", 6 * hour, 6 * hour},
		{"not studied beyond", tube("SERUM"), "BRACKET", steady(6*hour+1, 20.0), event.NotStudiedBeyond, []event.Reason{event.ReasonTime}, event.DirectionUnknown, 0, 0},
		{"at the first bad", tube("SERUM"), "BRACKET", steady(8*hour, 20.0), event.PastLimit, []event.Reason{event.ReasonTime}, event.DirectionUnknown, 8 * hour, 6 * hour},
		{"STB-S5", tube("SERUM"), "BRACKET", steady(12*minute, 21.0), event.Wait, []event.Reason{event.ReasonClotting}, event.DirectionUnknown, 0, 0},
		{"STB-S5 without a limit", tube("SERUM"), "ANY", steady(12*minute, 21.0), event.Wait, []event.Reason{event.ReasonClotting}, event.DirectionUnknown, 0, 0},
		{"STB-S5 over", tube("SERUM"), "BRACKET", steady(30*minute, 21.0), event.WithinLimits, nil, "", 0, 0},
		{"wait loses to cannot say", tube("SERUM"), "BRACKET", steady(12*minute, nil), event.CannotSay, []event.Reason{event.ReasonNoTemperature}, event.DirectionUnknown, 0, 0},
		{"wrong tube", tube("EDTA"), "K", steady(hour, 21.0), event.WrongTube, nil, event.DirectionUnknown, 0, 0},
		{"accepted, no limit", tube("SERUM"), "K", steady(hour, 21.0), event.NoLimitAdopted, []event.Reason{event.ReasonNotAdopted}, event.DirectionUnknown, 0, 0},
		{"custody only", &Tube{Type: "EDTA", CustodyOnly: true}, "", nil, event.NoLimitAdopted, []event.Reason{event.ReasonCustodyOnly}, event.DirectionUnknown, 0, 0},
		{"tests not known", &Tube{Type: "EDTA"}, "", nil, event.CannotSay, []event.Reason{event.ReasonNoTestsKnown}, event.DirectionUnknown, 0, 0},
		{"allowed minutes, at the end", tube("EDTA"), "ALLOWED", steady(30*minute, 9.0), event.WithinLimits, nil, "", 30 * minute, 5 * hour},
		{"allowed minutes, over", tube("EDTA"), "ALLOWED", steady(30*minute+1, 9.0), event.PastLimit, []event.Reason{event.ReasonHeat}, event.ReadsLow, 0, 0},
		{"grace, not yet", tube("EDTA"), "ALLOWED", steady(hour, 5.0, 5*minute-1, 1.0), event.WithinLimits, nil, "", 0, 0},
		{"grace, over", tube("EDTA"), "ALLOWED", steady(hour, 5.0, 5*minute, 1.0), event.PastLimit, []event.Reason{event.ReasonCold}, event.DirectionUnknown, 0, 0},
		{"grace, broken by minutes inside", tube("EDTA"), "ALLOWED", steady(hour, 5.0, 3*minute, 1.0, minute, 5.0, minute, 6.0, 3*minute, 1.0), event.WithinLimits, nil, "", 0, 0},
		{"critical on an assumption", tube("EDTA"), "ALLOWED", ranged(thermal.Assumed, hour, 3_00, 5_00), event.CannotSay, []event.Reason{event.ReasonAssumedOnly}, event.DirectionUnknown, 0, 0},
		{"critical, attested", tube("EDTA"), "ALLOWED", ranged(thermal.Attested, hour, 3_00, 5_00), event.WithinLimits, nil, "", 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			now := drawn
			if len(c.hist) > 0 {
				now = end(c.hist)
			}
			var j Judgement
			set.Judge(&j, c.tube, c.assay, c.hist, now)
			if j.Verdict != c.verdict || !slices.Equal(j.Reasons, c.reasons) {
				t.Errorf("%s %v, want %s %v", j.Verdict, j.Reasons, c.verdict, c.reasons)
			}
			if c.direction != "" && j.Direction != c.direction {
				t.Errorf("reads %s, want %s", j.Direction, c.direction)
			}
			if c.used != 0 && j.UsedMs != int64(c.used) {
				t.Errorf("used %s, want %s", durationText(j.UsedMs), durationText(int64(c.used)))
			}
			if c.limit != 0 && j.LimitMs != int64(c.limit) {
				t.Errorf("limit %s, want %s", durationText(j.LimitMs), durationText(int64(c.limit)))
			}
			var sum int64
			for _, row := range set.Explain(c.tube, c.assay, c.hist, now).Rows {
				sum += row.UsedMs
			}
			if sum != j.UsedMs {
				t.Errorf("explanation sums to %d, used is %d", sum, j.UsedMs)
			}
		})
	}
}
