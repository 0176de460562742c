package wire

import (
	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

func rotorToProto(r event.Rotor) *eventv1.Rotor {
	if r == (event.Rotor{}) {
		return nil
	}
	return &eventv1.Rotor{Places: r.Places, RadiusMm: r.RadiusMm, MostPerMin: r.MostPerMin, Holds: rangeToProto(r.Holds), At: r.At}
}

func rotorFromProto(m *eventv1.Rotor) event.Rotor {
	return event.Rotor{Places: m.GetPlaces(), RadiusMm: m.GetRadiusMm(), MostPerMin: m.GetMostPerMin(), Holds: rangeFromProto(m.GetHolds()), At: m.GetAt()}
}

func programmesToProto(list []event.SpinProgramme) []*eventv1.SpinProgramme {
	out := make([]*eventv1.SpinProgramme, 0, len(list))
	for _, p := range list {
		out = append(out, &eventv1.SpinProgramme{
			Name: p.Name, Tubes: p.Tubes, G: p.G, WithinG: p.WithinG, Minutes: p.Minutes, HandlingMin: p.HandlingMin, Temperature: rangeToProto(p.C),
		})
	}
	return out
}

func programmesFromProto(list []*eventv1.SpinProgramme) []event.SpinProgramme {
	var out []event.SpinProgramme
	for _, m := range list {
		out = append(out, event.SpinProgramme{
			Name: m.GetName(), Tubes: m.GetTubes(), G: m.GetG(), WithinG: m.GetWithinG(), Minutes: m.GetMinutes(), HandlingMin: m.GetHandlingMin(),
			C: rangeFromProto(m.GetTemperature()),
		})
	}
	return out
}
