package app

import (
	"context"
	"errors"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// programmes are the spin programmes in force, none where whoever looks may not know
// them.
func (p *pages) programmes(ctx context.Context) ([]web.HouseProgramme, error) {
	resp, err := custodyv1.NewDeskClient(p.a.conn).GetProgrammes(ctx, &custodyv1.GetProgrammesRequest{})
	switch err = houseError(err); {
	case errors.Is(err, web.ErrNotAllowed), errors.Is(err, web.ErrNotHere):
		return nil, nil
	case err != nil:
		return nil, err
	}
	var out []web.HouseProgramme
	for _, m := range resp.GetProgrammes() {
		out = append(out, web.HouseProgramme{
			Name: m.GetName(), Tubes: m.GetTubes(), G: m.GetG(), WithinG: m.GetWithinG(), Minutes: m.GetMinutes(), HandlingMin: m.GetHandlingMinutes(),
			Low: m.GetTemperature().GetLow(), High: m.GetTemperature().GetHigh(),
		})
	}
	return out, nil
}

// DeclareProgrammes implements web.HouseSource.
func (p *pages) DeclareProgrammes(ctx context.Context, all []web.HouseProgramme, by string) error {
	req := &custodyv1.Programmes{By: by}
	for _, one := range all {
		m := &custodyv1.Programme{Name: one.Name, Tubes: one.Tubes, G: one.G, WithinG: one.WithinG, Minutes: one.Minutes, HandlingMinutes: one.HandlingMin}
		if one.Low+one.High != "" {
			m.Temperature = &custodyv1.Range{Low: one.Low, High: one.High}
		}
		req.Programmes = append(req.Programmes, m)
	}
	_, err := custodyv1.NewDeskClient(p.a.conn).PutProgrammes(ctx, req)
	return houseError(err)
}

func houseRotor(r event.Rotor) web.HouseRotor {
	out := web.HouseRotor{Slots: r.Places, RadiusMm: r.RadiusMm, MostPerMin: r.MostPerMin, At: r.At}
	if r.Holds.Known {
		out.Low, out.High = celsius(r.Holds.Low), celsius(r.Holds.High)
	}
	return out
}

// rotorRequest is nil for what is no centrifuge.
func rotorRequest(r web.HouseRotor) *custodyv1.Rotor {
	if r == (web.HouseRotor{}) {
		return nil
	}
	out := &custodyv1.Rotor{Slots: r.Slots, RadiusMm: r.RadiusMm, MostPerMinute: r.MostPerMin, At: r.At}
	if r.Low+r.High != "" {
		out.Holds = &custodyv1.Range{Low: r.Low, High: r.High}
	}
	return out
}
