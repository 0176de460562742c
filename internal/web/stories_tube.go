package web

import (
	"specimen.example/custody/internal/event"
)

// flat is a measured stretch at one temperature, or a range by another evidence.
func flat(from, to event.Instant, low, high event.CentiC, e event.Evidence) TempSegment {
	return TempSegment{From: from, To: to, Low0: low, Low1: low, High0: high, High1: high, Evidence: e}
}

// run is a logger's line through values five minutes apart.
func run(from event.Instant, values ...event.CentiC) []TempSegment {
	var out []TempSegment
	for i := 1; i < len(values); i++ {
		a, b := values[i-1], values[i]
		out = append(out, TempSegment{
			From: from + event.Instant(int64(i-1)*5*minuteMs), To: from + event.Instant(int64(i)*5*minuteMs),
			Low0: a, High0: a, Low1: b, High1: b, Evidence: event.EvidenceMeasured,
		})
	}
	return out
}

func tubeWithin() TubePage {
	temps := []TempSegment{flat(ago(95), ago(80), 2000, 2400, event.EvidenceAssumed)}
	temps = append(temps, run(ago(80), 2110, 2110, 2120, 2140, 2150, 2160, 2150, 2150, 2140, 2140, 2130, 2130, 2120, 2120, 2110, 2100, 2100)...)
	return TubePage{
		Seq: 4812, Now: storyNow, Zone: storyZone, ID: "TB260301", Type: "lithium heparin with gel", Draw: "D-104", Request: "R-1",
		Holder: "oskar", Place: "harbour", Box: "box B-3", Mode: "van", To: "mainland laboratory", DueAt: Due{ahead(25), ahead(40)},
		Drawn: Due{ago(95), ago(95)}, FirstAt: ago(95),
		Allowed: []TempBand{{Low: 1800, High: 2500, Label: "potassium"}},
		Lanes: []Lane{
			{Name: "held by", Spans: []LaneSpan{{ago(95), ago(52), "mira", false}, {ago(52), 0, "oskar", false}}},
			{Name: "place", Spans: []LaneSpan{{ago(95), ago(48), "ward north", false}, {ago(48), 0, "on the road, by van", false}}},
			{Name: "inside", Spans: []LaneSpan{{ago(80), 0, "box B-3", false}}},
		},
		Temps: temps,
		Tests: []TestRow{{
			Code: "K", Name: "potassium", Verdict: event.WithinLimits, Outlook: event.InTime, Direction: event.ReadsHigh,
			Rule: "potassium-lih-gel-unspun", Limit: gelPotassium, Evidence: "studied", Source: "structured summary 2018, table 2", SeenAs: "second-hand",
			Because: "longest studied, not contradicted for this tube and temperature",
			UsedMs:  95 * minuteMs, BestMs: 95 * minuteMs, LimitMs: 360 * minuteMs,
			Minutes: []EvidenceTime{{event.EvidenceMeasured, 80 * minuteMs}, {event.EvidenceAssumed, 15 * minuteMs}},
			Due:     Due{ahead(265), ahead(265)}, DueVerb: "spin", Until: ahead(193),
			Explain: []ExplainRow{
				{ago(95), ago(80), event.EvidenceAssumed, "room", 360 * minuteMs, 15 * minuteMs},
				{ago(80), storyNow, event.EvidenceMeasured, "room", 360 * minuteMs, 80 * minuteMs},
			},
			Others: []string{"4 h at 18 to 25 °C, advised by the authors"},
		}},
		Steps: []StepRow{
			{At: ago(95), Step: "collected", By: "mira", Place: "ward north", Device: "H-09"},
			{At: ago(80), Step: "packed into", Carrier: "box B-3", By: "mira", Place: "ward north", Device: "H-09"},
			{At: ago(52), Recorded: ago(20), Step: "taken over", By: "oskar", From: "mira", Place: "ward north", Device: "H-07", Inherited: "box B-3", Reported: true},
			{At: ago(48), Step: "departed", By: "oskar", Place: "ward north", Device: "H-07", Inherited: "box B-3"},
		},
	}
}

func tubePast() TubePage {
	p := tubeWithin()
	p.ID, p.Type, p.Box, p.Mode, p.To, p.DueAt = "TB260310", "lithium heparin with gel", "", "", "", Due{}
	p.Holder, p.Place = "reception", "reception"
	p.Drawn = Due{ago(190), ago(184)}
	p.FirstAt = ago(190)
	p.Lanes = []Lane{
		{Name: "held by", Spans: []LaneSpan{
			{ago(190), ago(150), "mira", false}, {ago(150), ago(141), "", true}, {ago(141), ago(22), "oskar", false}, {ago(22), 0, "lena", false},
		}},
		{Name: "place", Spans: []LaneSpan{{ago(190), ago(150), "island clinic", false}, {ago(141), ago(22), "ferry, then van", false}, {ago(22), 0, "reception", false}}},
		{Name: "inside", Spans: []LaneSpan{{ago(180), ago(22), "box B-7", false}}},
	}
	p.Temps = []TempSegment{flat(ago(190), ago(180), 1800, 2400, event.EvidenceAssumed)}
	p.Temps = append(p.Temps, run(ago(180), 2200, 2230, 2260, 2300, 2410, 2590, 2780, 2940, 3060, 3110, 3120, 3080, 2960, 2800)...)
	p.Temps = append(p.Temps, flat(ago(115), ago(88), 0, 0, event.EvidenceUnknown))
	p.Temps = append(p.Temps, run(ago(88), 2520, 2480, 2440, 2400, 2380, 2360, 2340, 2320, 2310, 2300, 2290)...)
	p.Temps = append(p.Temps, flat(ago(38), ago(22), 2000, 2600, event.EvidenceAttested), flat(ago(22), storyNow, 2000, 2400, event.EvidenceAssumed))
	p.Allowed = []TempBand{{1800, 2500, "potassium"}, {1800, 2500, "glucose"}}
	p.Flag = &FlagRow{
		Tube: p.ID, Episode: 1, Kind: event.FlagBefore, Verdict: event.PastLimit, Action: event.SpinButHold, ActionNote: "glucose",
		Since: ago(70), By: ahead(34), Holder: "lena",
		Tests: []FlagTestRow{{Name: "glucose", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime, event.ReasonHeat}, Direction: event.ReadsLow}},
	}
	p.Tests = pastTests()
	p.Doubts = []DoubtRow{
		{ID: "a1", Doubt: event.DoubtOneSidedHandoff, Note: "oskar took it at 07:45; nobody handed it over.", Since: ago(141)},
		{ID: "a2", Doubt: event.DoubtLegNotReported, Since: ago(141), Closed: ago(20), By: "later scans"},
	}
	p.Steps = []StepRow{
		{At: ago(190), Step: "collected", By: "mira", Place: "island clinic", Device: "H-09"},
		{At: ago(186), Step: "packed into", Carrier: "box B-3", By: "mira", Place: "island clinic", Device: "H-09", Voided: true, VoidedBy: "mira", VoidedFor: "wrong box scanned"},
		{At: ago(180), Step: "packed into", Carrier: "box B-7", By: "mira", Place: "island clinic", Device: "H-09"},
		{At: ago(141), Recorded: ago(60), Step: "taken over", By: "oskar", Place: "south pier", Device: "H-07", Inherited: "box B-7", Reported: true},
		{At: ago(38), Step: "attested", Note: "box was in the shade", By: "oskar", Place: "harbour", Device: "H-07", Inherited: "box B-7"},
		{At: ago(22), Step: "received", By: "lena", From: "oskar", Place: "reception", Device: "W-1"},
	}
	return p
}

func pastTests() []TestRow {
	return []TestRow{
		{
			Code: "GLU", Name: "glucose", Verdict: event.PastLimit, Outlook: event.OutlookUnknown, Direction: event.ReadsLow,
			Reasons: []event.Reason{event.ReasonTime, event.ReasonHeat}, Rule: "glucose-lih-gel-unspun", Limit: "60 min at 18 to 25 °C, unspun",
			Evidence: "policy", Source: "laboratory policy 2026, page 4",
			UsedMs: 190 * minuteMs, BestMs: 184 * minuteMs, LimitMs: 60 * minuteMs, AboveMs: 50 * minuteMs,
			Minutes: []EvidenceTime{{event.EvidenceMeasured, 115 * minuteMs}, {event.EvidenceAttested, 16 * minuteMs}, {event.EvidenceAssumed, 32 * minuteMs}, {event.EvidenceUnknown, 27 * minuteMs}},
			Due:     Due{ago(130), ago(124)}, DueVerb: "spin",
			Explain: []ExplainRow{{ago(190), storyNow, event.EvidenceMeasured, "room", 60 * minuteMs, 190 * minuteMs}},
		},
		{
			Code: "K", Name: "potassium", Verdict: event.WithinLimits, Outlook: event.RunningOut, Direction: event.ReadsHigh,
			Reasons: []event.Reason{event.ReasonEightyPercent}, Rule: "potassium-lih-gel-unspun", Limit: "4 h at 18 to 25 °C, unspun; 60 min above allowed",
			Evidence: "studied", Source: "structured summary 2018, table 2", SeenAs: "second-hand",
			UsedMs: 206 * minuteMs, BestMs: 196 * minuteMs, LimitMs: 240 * minuteMs, AboveMs: 50 * minuteMs,
			Minutes: []EvidenceTime{{event.EvidenceMeasured, 115 * minuteMs}, {event.EvidenceAttested, 16 * minuteMs}, {event.EvidenceAssumed, 32 * minuteMs}, {event.EvidenceUnknown, 27 * minuteMs}},
			Due:     Due{ahead(34), ahead(44)}, DueVerb: "spin", Until: ahead(34),
			Use: []UsePoint{{ago(150), 40 * minuteMs}, {ago(100), 106 * minuteMs}, {storyNow, 206 * minuteMs}},
			Otherwise: &Otherwise{
				Condition: "if the patient is on unfractionated heparin", Verdict: event.CannotSay, Reasons: []event.Reason{event.ReasonNotAdopted},
			},
			Explain: []ExplainRow{{ago(190), storyNow, event.EvidenceMeasured, "room", 240 * minuteMs, 206 * minuteMs}},
		},
		{
			Code: "X", Name: "a name that must not show", Restricted: true, Verdict: event.Wait, Outlook: event.InTime,
			Reasons: []event.Reason{event.ReasonClotting}, WaitUntil: ahead(9), Until: ahead(9),
		},
	}
}

func tubeUnknown() TubePage {
	p := tubeWithin()
	p.ID, p.Type, p.Holder, p.Place = "TB260322", "citrate", "ferry", "south pier"
	p.Temps = append(run(ago(95), 2110, 2110, 2130, 2150, 2150), flat(ago(75), storyNow, 0, 0, event.EvidenceUnknown))
	p.Allowed = []TempBand{{1800, 2500, "factor VIII"}}
	p.Tests = []TestRow{{
		Code: "FVIII", Name: "factor VIII", Verdict: event.CannotSay, Outlook: event.OutlookUnknown, Direction: event.ReadsLow,
		Reasons: []event.Reason{event.ReasonNoTemperature}, Rule: "fviii-citrate-unspun", Limit: "4 h at 18 to 25 °C, unspun",
		Evidence: "studied", Source: "structured summary", UsedMs: 95 * minuteMs, BestMs: 20 * minuteMs, LimitMs: 240 * minuteMs,
		Minutes: []EvidenceTime{{event.EvidenceMeasured, 20 * minuteMs}, {event.EvidenceUnknown, 75 * minuteMs}},
		Due:     Due{ahead(145), 0}, DueVerb: "spin", Until: ahead(145), Say: "Read the logger of box B-3; that settles it",
	}}
	return p
}

// tubeLong is ten days of readings every five minutes, with one short peak, and
// a hundred and twenty steps.
func tubeLong() TubePage {
	p := tubeWithin()
	const days = 10
	start := ago(days * 24 * 60)
	p.ID, p.Type, p.Box, p.Mode, p.To, p.DueAt = "TB260112", "citrate, separated", "rack 14", "", "", Due{}
	p.Holder, p.Place, p.Irreplaceable = "cold store", "cold store", true
	p.Drawn, p.FirstAt = Due{start, start}, start
	values := make([]event.CentiC, 0, days*24*12+1)
	for i := range days*24*12 + 1 {
		v := event.CentiC(420 + (i*37)%90)
		if i == 1500 {
			v = 1180
		}
		values = append(values, v)
	}
	p.Temps = run(start, values...)
	p.Allowed = []TempBand{{200, 800, "D-dimer"}}
	p.Lanes = []Lane{
		{Name: "held by", Spans: []LaneSpan{{start, start + event.Instant(300*minuteMs), "oskar", false}, {start + event.Instant(300*minuteMs), 0, "cold store", false}}},
		{Name: "inside", Spans: []LaneSpan{{start + event.Instant(300*minuteMs), 0, "rack 14", false}}},
	}
	p.Tests = []TestRow{{
		Code: "DDIM", Name: "D-dimer", Verdict: event.WithinLimits, Outlook: event.InTime, Rule: "ddimer-citrate-separated", Limit: "30 d at 2 to 8 °C, separated",
		Evidence: "advised", Source: "laboratory policy 2026", UsedMs: days * 24 * 60 * minuteMs, BestMs: days * 24 * 60 * minuteMs, LimitMs: 30 * 24 * 60 * minuteMs,
		AboveMs: 10 * minuteMs, Minutes: []EvidenceTime{{event.EvidenceMeasured, days * 24 * 60 * minuteMs}}, Due: Due{ahead(20 * 24 * 60), ahead(20 * 24 * 60)},
	}}
	p.Steps = nil
	for i := range 120 {
		s := StepRow{At: start + event.Instant(int64(i)*120*minuteMs), Step: "seen", By: "lena", Place: "cold store", Device: "W-3", Inherited: "rack 14"}
		if i%40 == 7 {
			s.Voided, s.VoidedBy, s.VoidedFor = true, "lena", "another rack"
		}
		p.Steps = append(p.Steps, s)
	}
	return p
}

func tubeBare() TubePage {
	return TubePage{Seq: 3, Now: storyNow, Zone: storyZone, ID: "TB260399"}
}
