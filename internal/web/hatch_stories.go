package web

import (
	"context"
	"fmt"

	"specimen.example/custody/internal/event"
)

// Hatch is part of Source.
func (s Story) Hatch(_ context.Context, _ HatchAsk) (*HatchPage, error) {
	if s.hatch == nil {
		return &HatchPage{Now: storyNow, Places: storyDesks}, nil
	}
	p := s.hatch()
	return &p, s.fault
}

var storyDesks = []HatchPlace{{"LAB", "mainland laboratory", "reception"}, {"HATCH-1", "hatch at the harbour", "hatch"}}

func hatchStories() []Story {
	return []Story{
		{Name: "hatch-place", About: "the browser doesn't know which desk it is", Path: "/hatch"},
		{Name: "hatch-place-none", alike: "hatch-place", About: "no place is declared", Path: "/hatch", hatch: func() HatchPage { return HatchPage{Now: storyNow} }},
		{Name: "hatch-empty", About: "nothing is up, no box is open", Path: "/hatch?place=LAB", hatch: hatchEmpty},
		{Name: "hatch-busy", About: "a flag in each state, a box here and two on the way, new samples", Path: "/hatch?place=LAB", Demo: true, hatch: hatchBusy},
		{Name: "hatch-box", About: "a box in hand: its logger is unread, one tube is missing, one extra, one has no label, one is for elsewhere", Path: "/hatch?place=LAB&box=B-7", Demo: true, hatch: hatchBox},
		{Name: "hatch-box-whole", alike: "hatch-box", About: "all of it received, the logger is read, it is finished", Path: "/hatch?place=LAB&box=G-2", hatch: hatchWhole},
		{Name: "hatch-box-unknown", About: "a box that nothing was ever recorded of", Path: "/hatch?place=LAB&box=B-99", hatch: hatchUnknown},
		{Name: "hatch-flood", About: "thirty flags at once: a line for each cause", Path: "/hatch?place=LAB", hatch: hatchFlood},
		{Name: "hatch-stale", About: "the server itself is behind", Path: "/hatch?place=LAB", hatch: hatchStale, alike: "hatch-busy"},
		{Name: "hatch-not-ready", alike: "wall-not-ready", About: "the log is still being read", Path: "/hatch?place=LAB", hatch: hatchEmpty, fault: ErrNotReady},
	}
}

func hatchEmpty() HatchPage {
	return HatchPage{Seq: 12, Now: storyNow, Zone: storyZone, Place: "LAB", Name: "mainland laboratory", Places: storyDesks}
}

func hatchStale() HatchPage {
	p := hatchBusy()
	p.NotLive = "The program reads the log again since 10:02."
	return p
}

func heated(test string, used, limit int64) FlagTestRow {
	return FlagTestRow{
		Name: test, Verdict: event.PastLimit, Outlook: event.OutlookUnknown, Reasons: []event.Reason{event.ReasonHeat}, Direction: event.ReadsLow,
		Limit: "30 min above 25 °C", Source: starterSet, UsedMs: used * minuteMs, LimitMs: limit * minuteMs,
	}
}

func hatchBusy() HatchPage {
	p := hatchEmpty()
	p.Seq, p.Elsewhere, p.People = 4812, 2, []string{"doctor-h", "lena"}
	p.Flags = wallBusy().Flags
	for i := range p.Flags {
		p.Flags[i].TakenBy, p.Flags[i].TakenAt = "", 0
	}
	p.Flags[0].Mark = FlagMark{State: FlagTaken, By: "mira", At: ago(1), Scan: "s-1"}
	p.Flags[1].Cause, p.Flags[1].CauseName = event.Cause{Kind: event.CauseBox, Name: "B-7"}, "box B-7"
	p.Flags[1].Tests[0].UsedMs, p.Flags[1].Tests[0].LimitMs, p.Flags[1].Tests[0].Due = 326*minuteMs, 360*minuteMs, Due{ahead(34), ahead(34)}
	p.Flags[3].Mark = FlagMark{State: FlagAside, By: "lena", At: ago(20), What: "doctor-asked", Until: ahead(40), Scan: "s-2"}
	done := p.Flags[0]
	done.Tube, done.Since, done.Mark = "DEMO-0017", ago(31), FlagMark{State: FlagDone, By: "lena", At: ago(9), What: string(event.RunNow), Scan: "s-3"}
	let := p.Flags[0]
	let.Tube, let.Mark = "DEMO-0019", FlagMark{State: FlagLet, By: "doctor-h", At: ago(25), What: "irreplaceable", Scan: "s-4"}
	p.Flags = append(p.Flags, done, let)
	p.Boxes = []HatchBox{
		{ID: "G-4", Name: "bag G-4", Tubes: 3, Here: true, Arrived: ago(18)},
		{ID: "B-7", Name: "box B-7", Tubes: 12, Flags: 1, Due: Due{ahead(25), ahead(40)}, Holder: "oskar", Temp: Temp{At: ago(2), C: 2140, Evidence: event.EvidenceMeasured}},
		{ID: "B-5", Name: "box B-5", Tubes: 9, Due: Due{ago(21), ago(21)}, Holder: "ferry"},
	}
	p.Samples = []HatchSample{
		{Draw: "D-41", Place: "north clinic", Collector: "mira", DrawnAt: ago(190), State: "proposed", Tubes: []string{"DEMO-0023", "DEMO-0024"}, Tests: 3, At: ago(6), DrawnUl: 21_500, Needed: true},
		{Draw: "D-38", Place: "ward north", Collector: "ilse", DrawnAt: ago(320), State: "asked", Tubes: []string{"DEMO-0027"}, Tests: 1, By: "lena", Reason: "too-warm", At: ago(48), Needed: false},
	}
	return p
}

// hatchBox is a box in hand with one of each trouble.
func hatchBox() HatchPage {
	p := hatchBusy()
	up := FlagRow{
		Tube: "TB260301", Episode: 1, Kind: event.FlagBefore, Verdict: event.PastLimit, Outlook: event.OutlookUnknown, Action: event.UseOtherTube,
		Holder: "mainland laboratory", Place: "mainland laboratory", Since: ago(4), Tests: []FlagTestRow{heated("potassium", 38, 30)}, Draw: "D-51",
		Cause: event.Cause{Kind: event.CauseBox, Name: "B-7"}, CauseName: "box B-7", Provisional: "LG-7 has not been read since 09:10",
	}
	soon := up
	soon.Tube, soon.Verdict, soon.Outlook, soon.Action, soon.By = "TB260302", event.WithinLimits, event.RunningOut, event.RunNow, ahead(24)
	soon.Tests = []FlagTestRow{{
		Name: "glucose", Verdict: event.WithinLimits, Outlook: event.RunningOut, Reasons: []event.Reason{event.ReasonEightyPercent}, Direction: event.ReadsLow,
		Limit: "2 h at 18 to 25 °C, unspun", Source: starterSet, UsedMs: 96 * minuteMs, LimitMs: 120 * minuteMs, Due: Due{ahead(24), ahead(24)},
	}}
	within := TestRow{Name: "sodium", Verdict: event.WithinLimits, Outlook: event.InTime, Limit: "24 h at 18 to 25 °C", UsedMs: 120 * minuteMs, LimitMs: 1440 * minuteMs, Due: Due{ahead(1320), ahead(1320)}}
	past := TestRow{Name: "potassium", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonHeat}, Direction: event.ReadsLow, Limit: "30 min above 25 °C", UsedMs: 38 * minuteMs, LimitMs: 30 * minuteMs}
	p.Flags = append(p.Flags, up, soon)
	p.Boxes = p.Boxes[:1]
	p.Open = &HatchOpen{
		HatchBox: HatchBox{ID: "B-7", Name: "box B-7", Tubes: 8, Here: true, Arrived: ago(3)}, Known: true, By: "lena", Scan: "s-10", Seal: "88121",
		Noted:   []string{"container torn"},
		Loggers: []HatchLogger{{ID: "LG-7", Read: ago(56), Behind: true, Zone: "+01:00"}},
		Tubes: []HatchTube{
			{Tube: "TB260301", Type: "heparin gel", Draw: "D-51", InBox: true, Received: ago(2), By: "lena", Scan: "s-11", Flag: &up, Tests: []TestRow{past, within}},
			{Tube: "TB260302", Type: "fluoride", Draw: "D-51", InBox: true, Received: ago(2), By: "lena", Scan: "s-12", Flag: &soon, Tests: []TestRow{{Name: "glucose", Verdict: event.WithinLimits, Outlook: event.RunningOut, Reasons: []event.Reason{event.ReasonEightyPercent}}}},
			{Tube: "TB260303", Type: "serum gel", Draw: "D-51", InBox: true, Received: ago(1), By: "lena", Scan: "s-13", WaitUntil: ahead(12), Tests: []TestRow{within}},
			{Tube: "TB260310", Type: "citrate", Draw: "D-52", InBox: true, Received: ago(1), By: "lena", Scan: "s-14", Done: "accepted with deviation: it can't be drawn again", DoneAt: ago(1), DoneBy: "lena", DoneScan: "s-15", Irreplaceable: true, Tests: []TestRow{within}},
			{Tube: "TB260311", Type: "EDTA", Draw: "D-52", InBox: true, Tests: []TestRow{within}},
			{Tube: "TB260312", Type: "EDTA", Draw: "D-53", InBox: true, Received: ago(1), By: "lena", Scan: "s-16", For: "island hospital", Defects: []string{"haemolysed"}, Tests: []TestRow{within}},
			{Tube: "TB260377", Type: "serum gel", Draw: "D-60", Received: ago(1), By: "lena", Scan: "s-17", Tests: []TestRow{within}},
			{Tube: "TMP-4K7Q", Received: ago(0), By: "lena", Scan: "s-18", Nameless: true},
			{Tube: "TB269999", Received: ago(0), By: "lena", Scan: "s-19", Unknown: true},
		},
		Doubts: []DoubtRow{{ID: "d-1", Doubt: event.DoubtBrokenSeal, Since: ago(3)}},
	}
	return p
}

func hatchWhole() HatchPage {
	p := hatchBox()
	p.Flags = p.Flags[:2]
	o := *p.Open
	o.HatchBox = HatchBox{ID: "G-2", Name: "bag G-2", Here: true, Arrived: ago(9)}
	o.Seal, o.Doubts, o.Emptied, o.EmptiedBy = "", nil, ago(1), "lena"
	o.Loggers = []HatchLogger{{ID: "LG-2", Read: ago(8)}}
	o.Tubes = nil
	for i := range 4 {
		o.Tubes = append(o.Tubes, HatchTube{
			Tube: fmt.Sprintf("TB2605%02d", i), Type: "serum gel", Draw: "D-70", InBox: true, Received: ago(7 - i), By: "lena", Scan: fmt.Sprintf("s-%d", 30+i),
			Done: "accepted", DoneAt: ago(2), DoneBy: "lena", DoneScan: fmt.Sprintf("s-%d", 40+i),
			Tests: []TestRow{{Name: "sodium", Verdict: event.WithinLimits, Outlook: event.InTime, UsedMs: 60 * minuteMs, LimitMs: 1440 * minuteMs}},
		})
	}
	p.Open = &o
	return p
}

func hatchUnknown() HatchPage {
	p := hatchEmpty()
	p.Open = &HatchOpen{HatchBox: HatchBox{ID: "B-99", Name: "B-99"}}
	return p
}

// hatchFlood is the wall's flood at the desk, its causes in the facts.
func hatchFlood() HatchPage {
	p := hatchBusy()
	p.Flags = append(p.Flags, wallFlood().Flags[4:]...)
	return p
}
