package web

import (
	"context"
	"fmt"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/spinload"
)

// Rack is part of RackSource.
func (s Story) Rack(_ context.Context, place string) (RackPage, error) {
	switch {
	case s.spins == nil: // a house that has declared nothing
		return RackPage{Seq: 1, Now: storyNow, Zone: storyZone}, nil
	case place == "NOWHERE":
		return RackPage{}, ErrNotFound
	}
	return s.spins(), s.fault
}

// rackStories are the named states of the rack page.
func rackStories() []Story {
	desk := &auth.Principal{Kind: auth.Person, ID: "lena", Roles: []event.RoleAt{{Role: event.RoleReception}}}
	return []Story{
		{Name: "rack-busy", About: "every answer; a run that is over, a tube in the wrong rack, something on its way", Path: "/rack?place=BENCH", Demo: true, spins: rackBusy},
		{Name: "rack-reception", alike: "rack-busy", About: "the same for a person who may not let anything pass", Path: "/rack?place=BENCH", spins: rackBusy, as: desk},
		{Name: "rack-empty", About: "nothing stands here", Path: "/rack?place=BENCH", spins: func() RackPage {
			p := rackBusy()
			p.Tubes, p.Runs, p.Coming = nil, nil, nil
			for i := range p.Machines {
				m := &p.Machines[i]
				m.Tubes, m.Next, m.PerMin, m.From = nil, spinload.Programme{}, 0, p.Now
			}
			return p
		}},
		{Name: "rack-no-centrifuge", About: "no centrifuge and no programme is declared; accepted counts as spun", Path: "/rack?place=BENCH", spins: func() RackPage {
			p := rackBusy()
			p.Machines, p.Runs, p.Programmes, p.WithinMin = nil, nil, nil, 20
			for i := range p.Tubes {
				t := &p.Tubes[i]
				t.Programme, t.Why, t.Latest, t.Rack = "", "", 0, ""
			}
			return p
		}},
		{Name: "rack-choose", About: "which bench?", Path: "/rack", spins: func() RackPage {
			p := rackBusy()
			return RackPage{Seq: p.Seq, Now: p.Now, Zone: p.Zone, Places: p.Places}
		}},
		{Name: "rack-nowhere", alike: "rack-choose", About: "a place that nobody declared", Path: "/rack?place=NOWHERE", spins: rackBusy},
		{Name: "rack-stale", alike: "rack-busy", About: "the server itself is behind", Path: "/rack?place=BENCH", spins: func() RackPage {
			p := rackBusy()
			p.NotLive = "The program reads the log again since 10:02."
			return p
		}},
	}
}

var (
	rackPlasma = RackProgramme{Types: []string{"LIHEP-GEL", "FLUORIDE"}, Minutes: 10, Programme: spinload.Programme{Name: "plasma", G: 2000, Within: 200, Ms: 14 * minuteMs, C: event.Range{Low: 1500, High: 2500, Known: true}}}
	rackSerum  = RackProgramme{Types: []string{"SERUM-GEL"}, Minutes: 10, Programme: spinload.Programme{Name: "serum", G: 1800, Within: 200, Ms: 14 * minuteMs}}
	rackClot   = RackProgramme{Types: []string{"CITRATE"}, Minutes: 15, Programme: spinload.Programme{Name: "coagulation", G: 1500, Ms: 19 * minuteMs, C: event.Range{Low: 1500, High: 2500, Known: true}}}
)

// rackBusy is an invented morning before two centrifuges.
func rackBusy() RackPage {
	tube := func(n int, programme *RackProgramme, answer event.RackAnswer, why spinload.Why, latest int) RackTube {
		t := RackTube{ID: fmt.Sprintf("TB2603%02d", n), Answer: answer, Why: why, Since: ago(20 + n%7), Sure: true}
		if programme != nil {
			t.Programme, t.Type = programme.Name, programme.Types[0]
		}
		if latest != 0 {
			t.Latest = ahead(latest)
		}
		t.TypeName = map[string]string{"LIHEP-GEL": "lithium heparin with gel", "SERUM-GEL": "serum with gel", "CITRATE": "citrate"}[t.Type]
		return t
	}
	with := func(t RackTube, change func(*RackTube)) RackTube { change(&t); return t }
	p := RackPage{
		Seq: 4812, Now: storyNow, Zone: storyZone, Place: "BENCH", PlaceName: "spin bench", Places: []RackPlace{{"LAB", "mainland laboratory"}, {"BENCH", "spin bench"}},
		Programmes: []RackProgramme{rackPlasma, rackSerum, rackClot},
		Machines: []RackMachine{
			{ID: "CF-1", Name: "large centrifuge", Slots: 24, RadiusMm: 172, MostPerMin: 4000, From: storyNow, Next: rackPlasma.Programme, Minutes: 10, PerMin: 3225},
			{ID: "CF-2", Name: "small centrifuge by the window", Slots: 12, RadiusMm: 100, MostPerMin: 4200, From: ahead(3), Next: rackClot.Programme, Minutes: 15, PerMin: 3663},
			{ID: "CF-3", Name: "old centrifuge", From: storyNow, Say: "its rotor is not declared: give places, radius and most turns per minute under House"},
		},
		Runs: []RackRun{{Load: "R-2", Machine: "CF-2", Programme: "serum", Started: ago(12), Ends: ago(2), Tubes: []string{"TB260270", "TB260271", "TB260272", "TB260273"}}},
		Coming: []RackComing{
			{ID: "B-7", Name: "box B-7", Tubes: 12, To: "mainland laboratory", Due: Due{ahead(25), ahead(40)}},
		},
		Tubes: []RackTube{
			with(tube(1, &rackPlasma, event.RackSpin, spinload.Loaded, 6), func(t *RackTube) { t.Rack = "R-1" }),
			with(tube(2, &rackPlasma, event.RackSpinHold, spinload.Loaded, 14), func(t *RackTube) { t.Rack, t.Hold = "R-1", []string{"glucose"} }),
			tube(3, &rackClot, event.RackSpin, spinload.Loaded, 21),
			with(tube(4, &rackClot, event.RackSpin, spinload.Loaded, 33), func(t *RackTube) { t.Rack = "R-1" }),
			tube(5, &rackPlasma, event.RackSpin, spinload.Loaded, 48),
			with(tube(6, &rackPlasma, event.RackSpin, spinload.Loaded, 80), func(t *RackTube) { t.Sure, t.In = false, "box B-3" }),
			tube(7, &rackSerum, event.RackSpin, spinload.OtherProgramme, 95),
			tube(8, &rackSerum, event.RackSpin, spinload.SetAside, 2),
			with(tube(9, nil, event.RackSpin, "", 0), func(t *RackTube) { t.Type, t.TypeName = "EDTA", "EDTA" }),
			with(tube(10, &rackPlasma, event.RackSpin, spinload.Loaded, 0), func(t *RackTube) { t.Given, t.Irreplaceable, t.Hold = true, true, []string{"ammonia"} }),
			with(tube(11, &rackSerum, event.RackWait, spinload.Waits, 70), func(t *RackTube) { t.WaitUntil = ahead(6) }),
			with(tube(12, &rackSerum, event.RackWait, spinload.Waits, 90), func(t *RackTube) { t.WaitUntil = ahead(19) }),
			tube(13, &rackPlasma, event.RackRunFirst, spinload.RunFirst, 40),
			with(tube(14, &rackPlasma, event.RackNothingLeft, spinload.SetAside, 0), func(t *RackTube) { t.Hold = []string{"glucose", "lactate"} }),
		},
	}
	for _, t := range p.Tubes {
		if t.Why == spinload.Loaded {
			m := &p.Machines[0]
			if t.Programme == rackClot.Name {
				m = &p.Machines[1]
			}
			m.Tubes = append(m.Tubes, RackPlanned{t.ID, t.Latest, t.Sure})
		}
	}
	return p
}
