package stability

import (
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Demanded handling that nobody attested or measured: the limit can't say, unless
// time proves it past. Limits are an invented fixture.
func TestNeeds(t *testing.T) {
	dark := tube("T")
	dark.InFoil = true
	cold, warm := [2]event.CentiC{0, 4_00}, [2]event.CentiC{20_00, 24_00}
	at := func(ev thermal.Evidence, length event.Instant, c [2]event.CentiC) []thermal.Segment {
		return ranged(ev, length, c[0], c[1])
	}
	for _, c := range []struct {
		name    string
		needs   []Need
		tube    *Tube
		hist    []thermal.Segment
		verdict event.Verdict
		reasons []event.Reason
	}{
		{"in foil", []Need{NeedsFoil}, dark, at(thermal.Attested, hour, cold), event.WithinLimits, nil},
		{"foil not attested", []Need{NeedsFoil}, tube("T"), at(thermal.Attested, hour, cold), event.CannotSay, []event.Reason{event.ReasonLight}},
		{"in the light, but too old", []Need{NeedsFoil}, tube("T"), at(thermal.Attested, 5*hour, cold), event.PastLimit, []event.Reason{event.ReasonTime}},
		{"ice attested", []Need{NeedsIce}, tube("T"), at(thermal.Attested, hour, cold), event.WithinLimits, nil},
		{"ice measured", []Need{NeedsIce}, tube("T"), at(thermal.Measured, hour, cold), event.WithinLimits, nil},
		{"ice assumed", []Need{NeedsIce}, tube("T"), at(thermal.Assumed, hour, cold), event.CannotSay, []event.Reason{event.ReasonNotOnIce}},
		{"ice not known", []Need{NeedsIce}, tube("T"), steady(hour, nil), event.CannotSay, []event.Reason{event.ReasonNotOnIce, event.ReasonNoTemperature}},
		{"a logger tells that it was no ice", []Need{NeedsIce}, tube("T"), at(thermal.Measured, hour, warm), event.PastLimit, []event.Reason{event.ReasonHeat}},
		{"warmth assumed", []Need{NeedsWarmth}, tube("T"), at(thermal.Assumed, hour, cold), event.CannotSay, []event.Reason{event.ReasonNotKeptWarm}},
		{"in foil on ice", []Need{NeedsFoil, NeedsIce}, tube("T"), at(thermal.Assumed, hour, cold), event.CannotSay, []event.Reason{event.ReasonLight, event.ReasonNotOnIce}},
	} {
		t.Run(c.name, func(t *testing.T) {
			set := &Set{Rules: []Rule{{
				ID: "r", Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: Unspun, From: FromDraw, Until: event.EndsMeasured, Default: true,
				Limits: []Limit{{Low: 0, High: 4_00, Ms: int64(4 * hour)}}, Above: &Outside{GraceMs: int64(minute)}, Needs: c.needs,
			}}}
			if err := set.Finish(); err != nil {
				t.Fatal(err)
			}
			if j := judged(set, c.tube, "A", c.hist); j.Verdict != c.verdict || !slices.Equal(j.Reasons, c.reasons) {
				t.Errorf("%s %v, want %s %v", j.Verdict, j.Reasons, c.verdict, c.reasons)
			}
		})
	}
}
