package demo

import (
	"context"
	"fmt"
	"slices"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// waiting are patients who lie in the clinics and wait to be drawn: what a newcomer sees
// at the bedside. Their labels are made; nobody has drawn them. Twins and two of the same
// name are among them. All of it is invented.
var waiting = []struct {
	number        int // of the request
	patient       string
	family, given string
	birth, sex    string
	place, bed    string
	priority      string
	conditions    []string
	irreplaceable bool
	tubes         []tube
}{
	{201, "P-7201", "Lind", "Anna", "1951-03-02", "female", northSkerry, "1", "", []string{"fasting=yes"}, false, []tube{
		{number: 5001, kind: "LIHEP-GEL", tests: "K CREA CRP"}, {number: 5002, kind: "FLUORIDE", tests: "GLU"},
	}},
	{202, "P-7202", "Lind", "Anna", "1978-10-19", "female", northSkerry, "4", "", nil, false, []tube{
		{number: 5003, kind: "EDTA", tests: "CBC"}, {number: 5004, kind: "CITRATE", tests: "INR APTT"},
	}},
	{203, "P-7203", "Okafor", "Boy-1 of Ifeoma", "2026-11-20", "male", northSkerry, "2", "urgent", nil, false, []tube{
		{number: 5005, kind: "LIHEP", tests: "BILI"},
	}},
	{204, "P-7204", "Okafor", "Boy-2 of Ifeoma", "2026-11-20", "male", northSkerry, "2", "urgent", nil, false, []tube{
		{number: 5006, kind: "LIHEP", tests: "BILI"},
	}},
	{205, "P-7205", "Bolt", "Ivo", "1966-07-08", "male", northSkerry, "5", "", []string{"unfractionated-heparin=yes"}, false, []tube{
		{number: 5007, kind: "CITRATE", tests: "APTT"}, {number: 5008, kind: "EDTA", tests: "ACTH"}, {number: 5009, kind: "LIHEP", tests: "AMM"},
	}},
	{206, "P-7206", "Anders", "Mira", "1990-01-30", "female", northSkerry, "7", "", nil, true, []tube{
		{number: 5010, kind: "SERUM-GEL", tests: "NA ALB TP"}, {number: 5011, kind: "EDTA", tests: "GS"},
	}},
	{207, "P-7207", "Sund", "Erik", "1944-05-11", "male", gullBay, "A", "", nil, false, []tube{
		{number: 5012, kind: "LIHEP-GEL", tests: "K NA CREA"}, {number: 5013, kind: "EDTA", tests: "CBC"},
	}},
	{208, "P-7208", "Holm", "Tove", "2021-02-14", "female", gullBay, "B", "", nil, false, []tube{
		{number: 5014, kind: "EDTA", tests: "CBC"}, {number: 5015, kind: "SERUM-GEL", tests: "CRP ALB"},
	}},
}

// drawing is what the clinics have declared for drawing blood.
var drawing = map[string]func(*custodyv1.Place){
	northSkerry: func(p *custodyv1.Place) {
		p.Identify, p.Spins, p.MostDrawPermille = []string{"band", "stated", "temporary"}, true, 25
	},
	gullBay: func(p *custodyv1.Place) { p.Identify, p.MostDrawPermille = []string{"band", "temporary"}, 25 },
}

// wait writes who lies in the clinics and what was ordered for them.
func (s *seeding) wait(ctx context.Context) error {
	for i := range waiting {
		w := &waiting[i]
		_, err := s.patients.WritePatient(ctx, &custodyv1.WritePatientRequest{
			Patient: w.patient, Family: w.family, Given: w.given, BirthDate: w.birth, Sex: w.sex, Place: w.place, Bed: w.bed, By: author,
			ScanId: "demo-" + w.patient,
		})
		if err != nil {
			return fmt.Errorf("patient %s: %w", w.patient, err)
		}
		req := &custodyv1.PlaceRequestRequest{
			Id: fmt.Sprintf("REQ-%d", w.number), Patient: w.patient, Priority: w.priority, Conditions: w.conditions, Destination: reception,
			Irreplaceable: w.irreplaceable, By: author, OccurredAt: s.at(-30, 0), ScanId: fmt.Sprintf("demo-REQ-%d", w.number),
		}
		if req.Priority == "" {
			req.Priority = "routine"
		}
		for _, t := range w.tubes {
			req.Tubes = append(req.Tubes, &custodyv1.AssignedTube{Tube: tubeID(t.number), Type: t.kind, Tests: t.list()})
			for _, test := range t.list() {
				if !slices.Contains(req.Tests, test) {
					req.Tests = append(req.Tests, test)
				}
			}
		}
		if _, err := s.requests.PlaceRequest(ctx, req); err != nil {
			return fmt.Errorf("request %s: %w", req.Id, err)
		}
	}
	return nil
}
