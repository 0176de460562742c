package web

import (
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/sprec"
	"specimen.example/custody/internal/thermal"
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

// summed sums the temperatures of a story up as those of a real tube are.
func summed(temps []TempSegment) thermal.Summary {
	var hist []thermal.Segment
	for _, s := range temps {
		g := thermal.Segment{From: s.From, To: s.To, Low0: s.Low0, Low1: s.Low1, High0: s.High0, High1: s.High1, Series: -1}
		for _, e := range []thermal.Evidence{thermal.Assumed, thermal.Attested, thermal.Measured} {
			if e.Word() == s.Evidence {
				g.Evidence = e
			}
		}
		hist = append(hist, g)
	}
	return thermal.Summarise(hist, temps[0].From, temps[len(temps)-1].To, event.Range{}, thermal.PharmacopoeiaJoulesPerMole)
}

// coded gives the code of an invented history.
func coded(h sprec.History) sprec.Result {
	r, err := sprec.Encode(h)
	if err != nil {
		panic("stories: " + err.Error())
	}
	return r
}

// potassiumOthers are invented limits beside the one that is used.
func potassiumOthers(used int64, strict event.Verdict, why []event.Reason, due Due) []OtherRow {
	return []OtherRow{
		{
			Rule: "potassium-lih-gel-2016", Limit: "2 h at 18 to 25 °C, not tested beyond, unspun", Evidence: "studied", Source: "clinic study 2016, table 3", Work: "clinic study 2016",
			SeenAs: "summary", Why: "a later study of more tubes goes on for longer", Verdict: strict, Reasons: why, UsedMs: used, LimitMs: 120 * minuteMs, Due: due, DueVerb: "spin",
		},
		{
			Rule: "potassium-lih-gel-advice", Limit: "90 min at 18 to 25 °C, unspun", Evidence: "advised", Source: "letter on transport 2011, page 2", Work: "letter on transport 2011",
			SeenAs: "direct", Why: "advice without numbers of its own", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime}, UsedMs: used, LimitMs: 90 * minuteMs,
		},
		{
			Rule: "potassium-lih-gel-high-count", Limit: "60 min at 18 to 25 °C, unspun", Evidence: "studied", Source: "ward study 2019, abstract", Work: "ward study 2019",
			SeenAs: "summary", If: "high white cell count: yes", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime}, UsedMs: used, LimitMs: 60 * minuteMs,
		},
	}
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
		Temps: temps, Temperature: summed(temps),
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
			Work:      "structured summary 2018",
			Others:    potassiumOthers(95*minuteMs, event.WithinLimits, nil, Due{ahead(25), ahead(25)}),
			NextShare: ShareRow{Share: "1 in 20", When: Due{ahead(145), ahead(145)}},
		}},
		Steps: []StepRow{
			{At: ago(95), Step: "collected", By: "mira", Place: "ward north", Device: "H-09", Label: "GS1"},
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
	p.Temperature = summed(p.Temps)
	p.Allowed = []TempBand{{1800, 2500, "potassium"}, {1800, 2500, "glucose"}}
	p.Flag = &FlagRow{
		Tube: p.ID, Episode: 1, Kind: event.FlagBefore, Verdict: event.PastLimit, Action: event.SpinButHold, ActionNote: "glucose",
		Since: ago(70), By: ahead(34), Holder: "lena",
		Tests: []FlagTestRow{{Name: "glucose", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime, event.ReasonHeat}, Direction: event.ReadsLow}},
	}
	p.Tests = pastTests()
	p.Doubts = []DoubtRow{
		{ID: "a1", Doubt: event.DoubtOneSidedHandoff, Note: "oskar took it at 07:45; nobody handed it over.", Since: ago(141),
			Likely: event.LikelyCauses(event.DoubtOneSidedHandoff)},
		{ID: "a2", Doubt: event.DoubtLegNotReported, Since: ago(141), Closed: ago(20), By: "lena", Reason: "explained"},
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
			UsedMs: 190 * minuteMs, BestMs: 184 * minuteMs, LimitMs: 60 * minuteMs, AboveMs: 50 * minuteMs, AboveReads: event.ReadsLow,
			Because: "the policy that the laboratory adopted",
			Minutes: []EvidenceTime{{event.EvidenceMeasured, 115 * minuteMs}, {event.EvidenceAttested, 16 * minuteMs}, {event.EvidenceAssumed, 32 * minuteMs}, {event.EvidenceUnknown, 27 * minuteMs}},
			Due:     Due{ago(130), ago(124)}, DueVerb: "spin",
			Explain: []ExplainRow{{ago(190), storyNow, event.EvidenceMeasured, "room", 60 * minuteMs, 190 * minuteMs}},
		},
		{
			Code: "K", Name: "potassium", Verdict: event.WithinLimits, Outlook: event.RunningOut, Direction: event.ReadsHigh,
			Reasons: []event.Reason{event.ReasonEightyPercent}, Rule: "potassium-lih-gel-unspun", Limit: "4 h at 18 to 25 °C, unspun; 60 min above allowed",
			Evidence: "studied", Source: "structured summary 2018, table 2", SeenAs: "second-hand",
			Because: "longest studied, not contradicted for this tube and temperature", Work: "structured summary 2018",
			UsedMs: 206 * minuteMs, BestMs: 196 * minuteMs, LimitMs: 240 * minuteMs, AboveMs: 50 * minuteMs, AboveReads: event.ReadsLow,
			Others:    potassiumOthers(206*minuteMs, event.NotStudiedBeyond, []event.Reason{event.ReasonTime}, Due{}),
			Share:     ShareRow{Share: "1 in 20", When: Due{ago(26), ago(16)}},
			NextShare: ShareRow{Share: "1 in 10", When: Due{ahead(14), ahead(24)}},
			Minutes:   []EvidenceTime{{event.EvidenceMeasured, 115 * minuteMs}, {event.EvidenceAttested, 16 * minuteMs}, {event.EvidenceAssumed, 32 * minuteMs}, {event.EvidenceUnknown, 27 * minuteMs}},
			Due:       Due{ahead(34), ahead(44)}, DueVerb: "spin", Until: ahead(34),
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
	p.Temperature = summed(p.Temps)
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

// tubeStored was spun in time by one source and too late by another; a few seconds of
// its days are not known, and nobody said how often its plasma was spun.
func tubeStored() TubePage {
	p := tubeWithin()
	drawn, spun := ago(3*24*60), ago(3*24*60-200)
	p.ID, p.Type, p.Box, p.Mode, p.To, p.DueAt = "TB260287", "citrate", "", "", "", Due{}
	p.Holder, p.Place = "cold store", "cold store"
	p.Drawn, p.FirstAt = Due{drawn, drawn}, drawn
	unknown := drawn + 45_000
	p.Temps = []TempSegment{
		flat(drawn, unknown, 0, 0, event.EvidenceUnknown), flat(unknown, spun, 1800, 2400, event.EvidenceAssumed),
		flat(spun, spun+event.Instant(30*minuteMs), 1900, 2300, event.EvidenceAttested), flat(spun+event.Instant(30*minuteMs), storyNow, -2210, -2210, event.EvidenceMeasured),
	}
	p.Temperature = summed(p.Temps)
	p.Allowed = []TempBand{{1800, 2500, "aPTT"}}
	p.Lanes = []Lane{{Name: "held by", Spans: []LaneSpan{{drawn, spun, "mira", false}, {spun, 0, "cold store", false}}}}
	p.Sprec = coded(sprec.History{
		Material: sprec.Plasma, Additive: sprec.SodiumCitrate, Gel: sprec.No,
		Before: sprec.Delay{Ms: sprec.Exactly(200 * minuteMs), At: []sprec.Stretch{{Ms: 200 * minuteMs, Temp: sprec.Range{Known: true, Low: 1800, High: 2400}}}},
		First:  sprec.Spin{Done: sprec.Yes}, Second: sprec.Spin{Done: sprec.Unknown}, Store: sprec.Store{Done: sprec.Yes},
	})
	p.Tests = []TestRow{
		{
			Code: "APTT", Name: "aPTT", Verdict: event.WithinLimits, Outlook: event.InTime, Rule: "aptt-citrate-unspun", Limit: "4 h at 18 to 25 °C, unspun",
			Reasons: []event.Reason{event.ReasonAssumedOnly}, Evidence: "policy", Source: "laboratory policy 2026, page 7", Work: "laboratory policy 2026",
			Because: "the policy that the laboratory adopted", UsedMs: 200 * minuteMs, BestMs: 200 * minuteMs, LimitMs: 240 * minuteMs, EndedAt: spun, DueVerb: "spin",
			Minutes: []EvidenceTime{{event.EvidenceAssumed, 200*minuteMs - 45_000}, {event.EvidenceUnknown, 45_000}},
			Explain: []ExplainRow{{drawn, spun, event.EvidenceAssumed, "room", 240 * minuteMs, 200 * minuteMs}},
			Others: []OtherRow{{
				Rule: "aptt-citrate-2014", Limit: "2 h at 18 to 25 °C, unspun", Evidence: "studied", Source: "island study 2014, table 1", Work: "island study 2014",
				Why: "the laboratory's policy goes before it", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime}, UsedMs: 200 * minuteMs, LimitMs: 120 * minuteMs, EndedAt: spun,
			}},
			Share: ShareRow{Share: "3 in 40", When: Due{spun - event.Instant(20*minuteMs), 0}},
		},
		{
			Code: "PS", Name: "protein S", Verdict: event.NoLimitAdopted, Outlook: event.OutlookUnknown, Reasons: []event.Reason{event.ReasonNotAdopted},
			Others: []OtherRow{{
				Rule: "ps-citrate-2017", Limit: "bad by 3 h at 18 to 25 °C, unspun", Evidence: "shown-unstable", Source: "harbour study 2017", Work: "harbour study 2017",
				Why: "it says only when the result was bad, not how long it is good", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime},
				UsedMs: 200 * minuteMs, LimitMs: 180 * minuteMs, EndedAt: spun,
			}},
		},
	}
	p.Steps = []StepRow{
		{At: drawn, Step: "collected", By: "mira", Place: "island clinic", Device: "H-09"},
		{At: spun, Step: "spin started", By: "lena", Place: "cold store", Device: "W-3"},
		{At: spun + event.Instant(30*minuteMs), Step: "put into the store", By: "lena", Place: "cold store", Device: "W-3"},
	}
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
	p.Temperature = summed(p.Temps)
	p.Sprec = coded(sprec.History{
		Material: sprec.Plasma, Additive: sprec.SodiumCitrate, Gel: sprec.No,
		Before: sprec.Delay{Ms: sprec.Exactly(80 * minuteMs), At: []sprec.Stretch{{Ms: 80 * minuteMs, Temp: sprec.Range{Known: true, Low: 420, High: 509}}}},
		First:  sprec.Spin{Done: sprec.Yes, G: sprec.Exactly(1500), Ms: sprec.Exactly(15 * minuteMs), Temp: sprec.Range{Known: true, Low: 400, High: 400}, Brake: sprec.No},
		Second: sprec.Spin{Done: sprec.Yes},
		After:  sprec.Delay{Ms: sprec.Exactly(100 * minuteMs), At: []sprec.Stretch{{Ms: 100 * minuteMs, Temp: sprec.Range{Known: true, Low: 420, High: 509}}}},
		Store:  sprec.Store{Done: sprec.Yes, Temp: sprec.Range{Known: true, Low: 420, High: 509}},
	})
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
