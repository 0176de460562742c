package demo

import (
	"context"
	"fmt"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// Centrifuges of the laboratory; the second is cooled.
const (
	spinOne = "SPIN-1"
	spinTwo = "SPIN-2"
)

var atSpinOne = post{lena, "DESK-2", spinOne}

// Rotors and programmes are invented: a laboratory takes them from the makers of its
// tubes and its centrifuges.
var rotors = map[string]*custodyv1.Rotor{
	spinOne: {Slots: 24, RadiusMm: 172, MostPerMinute: 4000, Holds: &custodyv1.Range{Low: "20.0", High: "25.0"}, At: bench},
	spinTwo: {Slots: 16, RadiusMm: 155, MostPerMinute: 4500, Holds: &custodyv1.Range{Low: "4.0", High: "22.0"}, At: bench},
}

var programmes = []*custodyv1.Programme{
	{Name: "gel", Tubes: []string{"LIHEP-GEL", "SERUM-GEL"}, G: 2000, WithinG: 200, Minutes: 10, HandlingMinutes: 2, Temperature: &custodyv1.Range{Low: "18.0", High: "25.0"}},
	{Name: "plain", Tubes: []string{"LIHEP", "SERUM"}, G: 1800, WithinG: 200, Minutes: 10, HandlingMinutes: 2, Temperature: &custodyv1.Range{Low: "18.0", High: "25.0"}},
	{Name: "platelet-poor", Tubes: []string{"CITRATE"}, G: 1500, WithinG: 100, Minutes: 15, HandlingMinutes: 2, Temperature: &custodyv1.Range{Low: "18.0", High: "25.0"}},
	{Name: "cold", Tubes: []string{"EDTA-APROTININ"}, G: 2000, WithinG: 200, Minutes: 10, HandlingMinutes: 2, Temperature: &custodyv1.Range{Low: "2.0", High: "8.0"}},
}

func (s *seeding) centrifuges(ctx context.Context) error {
	for _, id := range []string{spinOne, spinTwo} {
		_, err := s.directory.PutPlace(ctx, &custodyv1.Place{
			Id: id, Name: map[string]string{spinOne: "centrifuge 1", spinTwo: "centrifuge 2, cooled"}[id], Kind: "centrifuge", Zone: zone,
			Assumed: &custodyv1.Range{Low: "20.0", High: "23.5"}, Basis: "set and read at the machine", Owner: lena, Review: s.at(180*24*60, 0), By: author, Rotor: rotors[id],
		})
		if err != nil {
			return fmt.Errorf("centrifuge %s: %w", id, err)
		}
	}
	if _, err := s.desks.PutProgrammes(ctx, &custodyv1.Programmes{Programmes: programmes, By: author}); err != nil {
		return fmt.Errorf("spin programmes: %w", err)
	}
	return nil
}
