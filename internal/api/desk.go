package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/spinload"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// PutProgrammes declares the laboratory's spin programmes.
func (s *Server) PutProgrammes(ctx context.Context, m *custodyv1.Programmes) (*custodyv1.Programmes, error) {
	var fact event.ProgrammesDeclared
	var bad []violation
	names, types := map[string]bool{}, map[string]string{}
	for i, p := range m.GetProgrammes() {
		at := fmt.Sprintf("programmes[%d].", i)
		c, err := rangeOf(p.GetTemperature(), at+"temperature")
		if err != nil {
			return nil, err
		}
		if names[p.GetName()] {
			bad = append(bad, violation{at + "name", "another programme has this name; give each its own"})
		}
		names[p.GetName()] = true
		if p.GetWithinG() >= p.GetG() {
			bad = append(bad, violation{at + "withinG", "it allows more than the force itself; give less than g"})
		}
		if len(p.GetTubes()) == 0 {
			bad = append(bad, violation{at + "tubes", "it must be given; name the tube types that are spun so"})
		}
		for j, t := range p.GetTubes() {
			field := fmt.Sprintf("%stubes[%d]", at, j)
			if other, twice := types[t]; twice {
				bad = append(bad, violation{field, "programme " + clip(other) + " is for this tube type too; a type has one"})
			} else if _, known := s.Model.TubeType(t); !known {
				bad = append(bad, violation{field, "there is no tube type " + clip(t) + " in the catalogue"})
			}
			types[t] = p.GetName()
		}
		fact.Programmes = append(fact.Programmes, event.SpinProgramme{
			Name: p.GetName(), Tubes: p.GetTubes(), G: p.GetG(), WithinG: p.GetWithinG(), Minutes: p.GetMinutes(), HandlingMin: p.GetHandlingMinutes(), C: c,
		})
	}
	if len(bad) > 0 {
		return nil, violations(bad...)
	}
	_, err := s.Desk.Write(ctx, intake.Entry{
		ID: newID(), Target: custody.Target{Kind: event.KindRules, Key: event.ProgrammesKey}, Facts: []event.Fact{fact}, By: m.GetBy(),
	})
	return m, logError(err)
}

// GetProgrammes gives the spin programmes in force.
func (s *Server) GetProgrammes(context.Context, *custodyv1.GetProgrammesRequest) (*custodyv1.Programmes, error) {
	m := &custodyv1.Programmes{}
	s.Model.World(func(w *custody.World) {
		for _, p := range w.Programmes() {
			m.Programmes = append(m.Programmes, &custodyv1.Programme{
				Name: p.Name, Tubes: p.Tubes, G: p.G, WithinG: p.WithinG, Minutes: p.Minutes, HandlingMinutes: p.HandlingMin, Temperature: rangeMessage(p.C),
			})
		}
	})
	return m, nil
}

// GetSpins gives what stands before the centrifuges of a place.
func (s *Server) GetSpins(ctx context.Context, req *custodyv1.GetSpinsRequest) (*custodyv1.Spins, error) {
	name := event.Spelled(req.GetPlace())
	if name == "" {
		return nil, violations(violation{"place", "name the bench or the reception"})
	}
	if !s.Model.Placed(name) {
		return nil, notDeclared("place", req.GetPlace())
	}
	s.settle(ctx, 0)
	spins := s.Model.Spins(name)
	m := &custodyv1.Spins{Place: name, AsOf: stamp(spins.Now), Sequence: spins.Read}
	byName := MayNameTests(auth.From(ctx))
	for i := range spins.Tubes {
		m.Tubes = append(m.Tubes, spinTubeMessage(&spins.Tubes[i], byName))
	}
	var programmes []event.SpinProgramme
	s.Model.World(func(w *custody.World) { programmes = w.Programmes() })
	for i := range spins.Next {
		m.Next = append(m.Next, nextRunMessage(&spins.Next[i], programmes))
	}
	for _, r := range spins.Running {
		m.Running = append(m.Running, &custodyv1.Run{
			Load: r.Load.Label(), Centrifuge: r.Place, Programme: r.Programme, Started: stamp(r.Started), Ends: stamp(r.Ends), Tubes: int64(r.Tubes),
			Over: r.Ends != 0 && r.Ends <= spins.Now,
		})
	}
	return m, nil
}

func spinTubeMessage(t *live.SpinTube, byName bool) *custodyv1.SpinTube {
	m := &custodyv1.SpinTube{
		Tube: t.Key.Label(), Type: t.Tube.Type, TypeName: t.Type.Name, Draw: t.Tube.Draw.Label(), Answer: string(t.Answer), WaitUntil: stamp(t.WaitUntil),
		Programme: t.Programme, Latest: stamp(t.Latest), Sure: t.Sure, Carrier: t.Load.Label(), Since: stamp(t.Since), Irreplaceable: t.Tube.Irreplaceable,
	}
	for _, a := range t.Hold {
		if a.Restricted && !byName {
			a.Name = restrictedWord
		}
		m.Hold = append(m.Hold, cmp.Or(a.Name, a.Code))
	}
	return m
}

// nextRunMessage says what to set: the minutes of the programme, without those that the
// house counts for handling.
func nextRunMessage(n *live.NextRun, programmes []event.SpinProgramme) *custodyv1.NextRun {
	m := &custodyv1.NextRun{
		Centrifuge: n.Place.Key.Label(), Name: n.Place.Name, Slots: n.Place.Rotor.Places, PerMinute: n.Load.PerMin, Say: n.Say,
	}
	for _, r := range n.Load.Rows {
		if r.Why != spinload.Loaded {
			continue
		}
		if m.Latest == "" {
			m.Latest, m.Sure = stamp(r.Latest), r.Sure
		}
		m.Tubes = append(m.Tubes, r.Key.Label())
	}
	if len(m.GetTubes()) > 0 {
		run := n.Load.Run
		m.Programme = &custodyv1.Programme{Name: run.Name, G: run.G, WithinG: run.Within, Minutes: run.Ms / 60_000, Temperature: rangeMessage(run.C)}
		if i := slices.IndexFunc(programmes, func(p event.SpinProgramme) bool { return p.Name == run.Name }); i >= 0 {
			m.Programme.Minutes, m.Programme.HandlingMinutes = programmes[i].Minutes, programmes[i].HandlingMin
		}
	} else if m.GetSay() == "" {
		m.Say = "nothing here can go into it now"
	}
	return m
}

// ListSamples gives the new samples that are proposed or asked for.
func (s *Server) ListSamples(ctx context.Context, req *custodyv1.ListSamplesRequest) (*custodyv1.Samples, error) {
	if state := req.GetState(); state != "" && !slices.Contains(live.SampleStates(), state) {
		return nil, violations(violation{"state", fmt.Sprintf("%q is none; one of %q", clip(state), live.SampleStates())})
	}
	s.settle(ctx, 0)
	m := &custodyv1.Samples{Sequence: s.Model.At().Custody}
	var states []string // none: what is open
	if state := req.GetState(); state != "" {
		states = append(states, state)
	}
	for _, sample := range s.Model.Samples(req.GetPlace(), states...) {
		m.Samples = append(m.Samples, sampleMessage(&sample))
	}
	return m, nil
}

// sampleMessage leaves out whose it is: only the work list of the place tells that.
func sampleMessage(s *live.Sample) *custodyv1.Sample {
	m := &custodyv1.Sample{
		Draw: s.Draw.Label(), Place: s.Place, State: s.State, Tests: int64(s.Tests), By: s.By, At: stamp(s.At), Reason: s.Reason,
		Collector: s.Collector, DrawnAt: stamp(s.DrawnAt), DrawnUl: s.DrawnUl, Needed: s.Needed, NewDraw: s.NewDraw.Label(), Say: sampleSay(s),
	}
	for _, t := range s.Tubes {
		m.Tubes = append(m.Tubes, t.Label())
	}
	return m
}

func sampleSay(s *live.Sample) string {
	switch {
	case s.State == live.SampleProposed:
		return "nothing else helps any more; ask for one new sample of the draw, or say why not"
	case s.State == live.SampleAsked && !s.Needed:
		return "facts that came later leave no test lost; ask the laboratory before anybody is drawn"
	case s.State == live.SampleAsked:
		return "draw once for all its tubes, then say that it is done, or say why it is declined"
	case s.State == live.SampleDeclined:
		return "nobody is drawn again for it"
	}
	return "it was drawn again"
}
