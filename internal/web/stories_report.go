package web

import (
	"context"
	"fmt"

	"specimen.example/custody/internal/event"
)

// TubeReport is part of ReportSource.
func (s Story) TubeReport(context.Context, string) (Report, error) { return s.reported("tube") }

// DrawReport is part of ReportSource.
func (s Story) DrawReport(context.Context, string) (Report, error) { return s.reported("draw") }

// CarrierReport is part of ReportSource.
func (s Story) CarrierReport(_ context.Context, _, trip string) (Report, error) {
	if trip == "99" {
		return Report{}, ErrNoTrip
	}
	return s.reported("carrier")
}

func (s Story) reported(kind string) (Report, error) {
	if s.report == nil {
		// A page that links to a report of another thing leads to one all the same.
		if s.tube != nil {
			return Report{Seq: 4812, Now: storyNow, Zone: storyZone, Kind: kind, ID: "X", Name: kind + " X"}, s.fault
		}
		return Report{}, ErrNotFound
	}
	r := s.report()
	r.Kind = kind
	return r, s.fault
}

func reportStories() []Story {
	return []Story{
		{Name: "report-tube", About: "a tube with everything: two kinds of evidence, a step taken back, a clock that was off, an accepted deviation", Path: "/tubes/TB260310/report", Demo: true, report: reportTube},
		{Name: "report-tube-bare", alike: "report-tube", About: "a number and nothing else", Path: "/tubes/TB260399/report", report: reportBare},
		{Name: "report-tube-long", alike: "report-tube", About: "a hundred and fifty entries: the head of each table comes again on each sheet", Path: "/tubes/TB260112/report", report: reportLong},
		{Name: "report-draw", About: "three tubes, a near miss, a new sample asked and drawn", Path: "/draws/D-104/report", report: reportDraw},
		{Name: "report-draw-bare", alike: "report-draw", About: "tubes that name a draw of which nothing was told", Path: "/draws/D-105/report", report: func() Report {
			return Report{Seq: 12, Now: storyNow, Zone: storyZone, ID: "D-105", Name: "draw D-105"}
		}},
		{Name: "report-carrier", About: "the second of two trips: seal, counts, a bag inside, a logger whose calibration is over", Path: "/carriers/B-3/report", report: reportCarrier},
		{Name: "report-carrier-empty", alike: "report-carrier", About: "a box that never went anywhere", Path: "/carriers/B-9/report", report: func() Report {
			return Report{Seq: 12, Now: storyNow, Zone: storyZone, ID: "B-9", Name: "box B-9", Facts: []ReportFact{{Name: "Kind", Value: "box"}, {Name: "Seal", Value: "none closed"}}}
		}},
		{Name: "report-carrier-no-trip", About: "a trip that it never made", Path: "/carriers/B-3/report?trip=99", report: reportCarrier},
		{Name: "report-not-found", alike: "tube-not-found", About: "a draw that nobody ever named", Path: "/draws/D-1O4/report"},
	}
}

// entry is an invented entry of the log, told by a phone whose clock is right.
func entry(seq uint64, at event.Instant, step, by, place string) ReportStep {
	return ReportStep{
		Seq: seq, ID: fmt.Sprintf("01936f2a-%04x-7b3c-9d21-5e8f4a10c0de", seq), Occurred: at, Recorded: at + 420, Said: at, PlusMinus: 35, OffsetMin: 60,
		Zoned: true, Told: true, Source: "scanned", Step: step, By: by, Role: "collector", Place: place, Device: "H-09", DeviceSeq: int64(seq), How: "camera.d2.gs1",
	}
}

func reportTube() Report {
	p := tubeDecided()
	r := Report{
		Seq: p.Seq, Readings: 1907, Now: p.Now, Zone: p.Zone, ID: p.ID, Name: "tube " + p.ID, For: "lena",
		Facts: []ReportFact{
			{Name: "Type", Value: p.Type}, {Name: "Drawn", Value: "2026-11-24 06:56:00 +01:00 to 2026-11-24 07:02:00 +01:00"}, {Name: "Draw", Value: "D-104", Draw: "D-104"},
			{Name: "Request", Value: "R-1"}, {Name: "Held by", Value: "lena"}, {Name: "Last place", Value: "reception"}, {Name: "Inside", Value: "rack 7", Carrier: "R-7"},
			{Name: "Stands", Value: "accepted"}, {Name: "Received", Value: "2026-11-24 09:44:00 +01:00, by lena"}, {Name: "Accepted", Value: "2026-11-24 09:56:00 +01:00, by lena"},
		},
		Doubts: p.Doubts, Tests: p.Tests, Rules: "5be0c31f9a62", Decisions: p.Decisions, Episodes: p.Episodes, Samples: p.Samples, Tubes: p.Kin, Corrections: p.Corrections, Notes: 2,
		Temps: []ReportTemp{
			{From: ago(190), To: ago(180), Evidence: event.EvidenceAssumed, Low: 1800, High: 2400, Source: "declared for island clinic, because: thermometer on the wall, answers for it: mira"},
			{From: ago(180), To: ago(115), Evidence: event.EvidenceMeasured, Low: 2200, High: 3120, Source: "logger LG-4 of box B-7, calibrated 2026-03-02 10:00:00 +01:00, ± 0.3 °C"},
			{From: ago(115), To: ago(88), Evidence: event.EvidenceUnknown, Source: "no logger, no word of a person, nothing declared"},
			{From: ago(88), To: ago(38), Evidence: event.EvidenceMeasured, Low: 2290, High: 2520, Source: "logger LG-4 of box B-7, calibrated 2026-03-02 10:00:00 +01:00, ± 0.3 °C"},
			{From: ago(38), To: ago(22), Evidence: event.EvidenceAttested, Low: 2000, High: 2600, Source: "oskar: box was in the shade"},
			{From: ago(22), To: storyNow, Evidence: event.EvidenceAssumed, Low: 2000, High: 2400, Source: "declared for reception, because: thermometer, to be looked at again by 2027-05-01 00:00:00 +02:00"},
		},
	}
	r.Tests = append([]TestRow(nil), r.Tests...)
	for i, heat := range []int64{0, 16} { // the minutes above the band count more for the second
		r.Tests[i].Explain = nil
		for j, t := range r.Temps {
			row := ExplainRow{From: t.From, To: t.To, Evidence: t.Evidence, Band: "room", LimitMs: r.Tests[i].LimitMs, UsedMs: int64(t.To - t.From)}
			if j == 1 {
				row.Band, row.UsedMs = "above", row.UsedMs+heat*minuteMs
			}
			r.Tests[i].Explain = append(r.Tests[i].Explain, row)
		}
	}
	away := entry(61, ago(186), "packed into", "mira", "island clinic")
	away.Carrier, away.Voided, away.VoidedBy, away.VoidedFor, away.VoidedSeq = "box B-3", true, "mira", "wrong box scanned", 63
	box := entry(80, ago(141), "taken over", "oskar", "island clinic")
	box.Role, box.Device, box.From, box.Inherited, box.Reported, box.Recorded = "courier", "H-07", "mira", "box B-7", true, ago(20)
	box.OffsetMs, box.Said = 5*60*minuteMs, ago(141)+event.Instant(5*60*minuteMs)
	paper := entry(82, ago(140), "taken over", "oskar", "island clinic")
	paper.How, paper.Source, paper.Typed, paper.Recorded, paper.Again, paper.Reported, paper.Device, paper.Inherited = "paper", "typed", ago(140), ago(10), 80, true, "W-2", "box B-7"
	flag := ReportStep{Seq: 91, ID: "9f30c1", Occurred: ago(70), Recorded: ago(70), Step: "flag raised", Note: "past limit, spin but hold", By: "custodyd"}
	accepted := entry(120, ago(10), "accepted", "lena", "reception")
	accepted.Role, accepted.Device, accepted.How, accepted.Note, accepted.Witness = "reception", "W-2", "reader.C1.gs1", "with a deviation, result expected anyway, authorised by karl, text for the report: C-12", "karl"
	r.Steps = []ReportStep{
		entry(60, ago(190), "collected", "mira", "island clinic"), away, entry(63, ago(185), "a step taken back", "mira", "island clinic"),
		box, paper, flag, entry(101, ago(22), "received", "lena", "reception"), accepted,
	}
	start := entry(58, ago(192), "draw started", "mira", "island clinic")
	start.Note = "needle, left arm, checked: band, name stated"
	r.Beside = []ReportStep{{Seq: 20, ID: "5577e1", Occurred: ago(400), Recorded: ago(399), Told: true, Reported: true, Step: "request placed", By: "orders", Note: "potassium, restricted test, routine"}, start}
	return r
}

// tubeDecided is tubePast after reception has decided, in a draw with other tubes.
func tubeDecided() TubePage {
	p := tubePast()
	p.BoxID, p.Box, p.Draw = "R-7", "rack 7", "D-104"
	p.Kin = []KinRow{
		{ID: "TB260311", Kin: "of the same draw", Type: "serum with gel", State: "received", Drawn: p.Drawn, Verdict: event.WithinLimits, Outlook: event.InTime},
		{ID: "TB260312", Kin: "of the same draw", Type: "EDTA", State: "rejected", Drawn: p.Drawn},
		{ID: "TB260344", Kin: "made from it", Type: "aliquot", State: "in the store", Drawn: p.Drawn, Verdict: event.CannotSay, Flagged: true},
	}
	p.Decisions = []DecisionRow{
		{At: ago(20), By: "lena", Place: "reception", What: "seen on it: short fill"},
		{At: ago(10), By: "lena", Place: "reception", What: "accepted with a deviation", Reason: "result expected anyway", Authoriser: "karl", Report: "C-12"},
	}
	p.Episodes = []EpisodeRow{
		{Episode: 1, Kind: event.FlagBefore, Since: ago(70), Verdict: event.PastLimit, Action: event.SpinButHold, Cause: "box B-7", Changed: 2, Answers: []AnswerRow{
			{At: ago(60), By: "oskar", Did: "put aside", Until: ago(40), Reason: "explained"}, {At: ago(18), By: "lena", Did: "taken"},
			{At: ago(12), By: "lena", Did: "acted on (spin but hold)"},
		}},
	}
	p.Samples = []SampleRow{{Draw: "D-104", At: ago(9), By: "lena", Reason: "too warm", Tubes: []string{p.ID}, Tests: []string{"glucose"}}}
	p.Corrections = []CorrectionRow{
		{At: ago(185), By: "mira", What: "packed into box B-3 at 07:00: taken back (entry 61)", Reason: "wrong box scanned", Seq: 63, ID: "01936f2a-003f-7b3c-9d21-5e8f4a10c0de"},
		{What: "the clock of H-07 was 5 h ahead: 1 time of it is corrected by as much"},
	}
	return p
}

func reportBare() Report {
	return Report{Seq: 3, Now: storyNow, Zone: storyZone, ID: "TB260399", Name: "tube TB260399", Facts: []ReportFact{{Name: "Drawn", Value: "not said"}, {Name: "Stands", Value: "label prepared"}}}
}

func reportLong() Report {
	p := tubeLong()
	r := Report{Seq: 90_412, Readings: 2881, Now: p.Now, Zone: p.Zone, ID: p.ID, Name: "tube " + p.ID, Tests: p.Tests, Rules: "5be0c31f9a62"}
	start := ago(10 * 24 * 60)
	for i := range 20 {
		from := start + event.Instant(int64(i)*12*60*minuteMs)
		r.Temps = append(r.Temps, ReportTemp{From: from, To: from + event.Instant(12*60*minuteMs), Evidence: event.EvidenceMeasured, Low: 420, High: 509, Source: fmt.Sprintf("logger LG-%d of rack 14, no calibration recorded", i%2+1)})
	}
	for i := range 150 {
		s := entry(uint64(400+7*i), start+event.Instant(int64(i)*90*minuteMs), "seen", "lena", "cold store") //nolint:gosec // a small count
		if i%3 > 0 {
			s.Inherited = "rack 14"
		}
		r.Steps = append(r.Steps, s)
	}
	return r
}

func reportDraw() Report {
	start := entry(58, ago(192), "draw started", "mira", "island clinic")
	start.Note = "needle, left arm, checked: band, name stated"
	miss := entry(59, ago(191), "wristband read", "mira", "island clinic")
	miss.Note = "a label of somebody else than the band, TB260412"
	end := entry(66, ago(180), "draw ended", "mira", "island clinic")
	end.Note = "pressed dressing, adverse event: felt faint"
	ask, done := entry(121, ago(9), "new sample asked for", "lena", "reception"), entry(130, ago(2), "new sample drawn", "mira", "island clinic")
	ask.Note, done.Note = "too warm, for TB260310, tests: glucose", "draw D-118"
	p := tubeDecided()
	return Report{
		Seq: 4812, Readings: 1907, Now: storyNow, Zone: storyZone, ID: "D-104", Name: "draw D-104",
		Facts: []ReportFact{
			{Name: "Started", Value: "2026-11-24 06:54:00 +01:00, by mira, at island clinic"}, {Name: "Device", Value: "H-09"}, {Name: "Method", Value: "needle"}, {Name: "Site", Value: "left arm"},
			{Name: "Checked", Value: "band, name stated"}, {Name: "Ended", Value: "2026-11-24 07:06:00 +01:00, by mira"}, {Name: "After-care", Value: "pressed dressing"}, {Name: "Adverse event", Value: "felt faint"},
		},
		Misses: 1, Tubes: append([]KinRow{{ID: "TB260310", Kin: "collected in it", Type: p.Type, State: "accepted", Drawn: p.Drawn, Verdict: event.PastLimit, Flagged: true}}, p.Kin[:2]...),
		Samples: []SampleRow{{Draw: "D-104", At: ago(9), By: "lena", Reason: "too warm", Tubes: []string{"TB260310"}, Tests: []string{"glucose"}, Done: true, Answered: ago(2), Answerer: "mira", NewDraw: "D-118"}},
		Doubts:  []DoubtRow{{ID: "c3", Doubt: event.DoubtIdentityMismatch, Note: "wristband read by mira, island clinic, at 06:55", Since: ago(191), Closed: ago(160), By: "karl", Reason: "explained"}},
		Steps:   []ReportStep{start, miss, end, ask, done},
	}
}

func reportCarrier() Report {
	pack, sealed := entry(70, ago(100), "packed into", "mira", "ward north"), entry(72, ago(95), "sealed", "mira", "ward north")
	pack.Carrier, sealed.Note = "box B-20", "seal S-771, 12 counted"
	take, gone := entry(80, ago(52), "taken over", "oskar", "ward north"), entry(81, ago(48), "departed", "oskar", "ward north")
	take.From, take.Note, take.Role, gone.Note, gone.Role = "mira", "12 counted, seal S-771", "courier", "to mainland laboratory, by van, timetable NOON", "courier"
	noted := entry(90, ago(30), "seen", "oskar", "north road")
	noted.Voided, noted.VoidedBy, noted.VoidedFor, noted.VoidedSeq = true, "oskar", "wrong place", 92
	return Report{
		Seq: 4812, Readings: 1907, Now: storyNow, Zone: storyZone, ID: "B-3", Name: "box B-3",
		Facts: []ReportFact{
			{Name: "Kind", Value: "box"}, {Name: "Owner", Value: "island clinics"}, {Name: "Assumed inside", Value: "18 to 24 °C, because: trial with loggers in May"}, {Name: "Held by", Value: "oskar"},
			{Name: "Last place", Value: "harbour"}, {Name: "On its way", Value: "by van"}, {Name: "Goes to", Value: "mainland laboratory"}, {Name: "Due", Value: "2026-11-24 10:31:00 +01:00"},
			{Name: "Inside", Value: "box B-20", Carrier: "B-20"}, {Name: "Seal", Value: "S-771, 2026-11-24 08:31:00 +01:00, by mira"},
		},
		Trips: []ReportTrip{{0, ago(1500)}, {ago(1500), 0}}, Trip: 2,
		Contents: []ReportContent{
			{Tube: "TB260301", In: ago(103), Out: 0}, {Tube: "TB260302", In: ago(102), Out: ago(60)}, {Tube: "TB260303", In: ago(100), Out: 0, Via: "bag G-2"},
		},
		Loggers:     []ReportLogger{{ID: "LG-4", On: "box B-3", From: ago(4000), Calibrated: ago(500_000), Uncertainty: 30, Next: ago(2000), Files: 3, TakenBack: 1}},
		Doubts:      []DoubtRow{{ID: "d1", Doubt: event.DoubtOneSidedHandoff, Note: "taken over by oskar, ward north, at 09:14", Since: ago(52), Likely: event.LikelyCauses(event.DoubtOneSidedHandoff)}},
		Corrections: []CorrectionRow{{At: ago(29), By: "oskar", What: "seen at 09:36: taken back (entry 90)", Reason: "wrong place", Seq: 92}},
		Steps:       []ReportStep{pack, sealed, take, gone, noted},
	}
}
