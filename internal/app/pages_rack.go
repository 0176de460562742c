package app

import (
	"cmp"
	"context"
	"slices"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/spinload"
	"specimen.example/custody/internal/web"
)

// comingSoon is how far ahead the rack page tells what is on its way: about as long as a
// run and its loading may still wait for it. Common practice, no source.
const comingSoon = time.Hour

// Rack implements web.RackSource.
func (p *pages) Rack(ctx context.Context, place string) (web.RackPage, error) {
	m := p.a.model
	if !m.Ready() {
		return web.RackPage{}, web.ErrNotReady
	}
	out := web.RackPage{Seq: m.At().Custody, Now: p.a.parts.Clock.Now()}
	who := auth.From(ctx)
	likely := ""
	m.World(func(w *custody.World) { out.Places, likely = spinPlaces(w, who) })
	if place == "" {
		place = likely
	}
	if place == "" {
		return out, nil
	}
	if !m.Placed(event.Spelled(place)) {
		return out, web.ErrNotFound
	}
	spins := m.Spins(place)
	out.Seq, out.Now, out.Place = spins.Read, spins.Now, event.Spelled(place)
	var reception watching
	reception.readZone(m)
	out.Zone = reception.zone
	m.World(func(w *custody.World) { fillRack(&out, w, &spins, api.MayNameTests(who)) })
	wall, err := p.Wall(ctx)
	if err != nil {
		return out, err
	}
	for _, b := range wall.Boxes {
		if due := cmp.Or(b.Due.Earliest, b.Due.Latest); due != 0 && due <= out.Now.Add(comingSoon) {
			out.Coming = append(out.Coming, web.RackComing{ID: b.ID, Name: b.Name, To: b.To, Tubes: b.Tubes, Due: b.Due})
		}
	}
	slices.SortFunc(out.Coming, func(a, b web.RackComing) int {
		return cmp.Or(cmp.Compare(cmp.Or(a.Due.Earliest, a.Due.Latest), cmp.Or(b.Due.Earliest, b.Due.Latest)), cmp.Compare(a.ID, b.ID))
	})
	return out, nil
}

// spinPlaces lists benches and receptions, and which one somebody most likely means: the
// session's, else the only one that has a centrifuge of its own, else the only one.
func spinPlaces(w *custody.World, who *auth.Principal) (all []web.RackPlace, likely string) {
	beside := map[string]bool{}
	for _, name := range w.Places() {
		p, ok := w.Place(name)
		switch {
		case !ok:
		case p.Rotor.At != "":
			beside[p.Rotor.At] = true
		case p.PlaceKind == "bench" || p.PlaceKind == "reception":
			all = append(all, web.RackPlace{ID: p.Key.Label(), Name: cmp.Or(p.Name, p.Key.Label())})
		}
	}
	for name := range beside { // a clinic spins too
		if !slices.ContainsFunc(all, func(p web.RackPlace) bool { return p.ID == name }) {
			if p, ok := w.Place(name); ok {
				all = append(all, web.RackPlace{ID: name, Name: cmp.Or(p.Name, name)})
			}
		}
	}
	slices.SortFunc(all, func(a, b web.RackPlace) int { return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.ID, b.ID)) })
	here := ""
	if who != nil {
		here = event.Spelled(who.Place)
	}
	for _, p := range all {
		if p.ID == here || beside[p.ID] && len(beside) == 1 && likely == "" || len(all) == 1 {
			likely = p.ID
		}
		if p.ID == here {
			break
		}
	}
	return all, likely
}

// fillRack writes what stands before the centrifuges as the page takes it.
func fillRack(out *web.RackPage, w *custody.World, s *live.Spins, byName bool) {
	n := names{w}
	if p, ok := w.Place(out.Place); ok {
		out.PlaceName, out.WithinMin = cmp.Or(p.Name, out.Place), p.BenchSpinMin
		if zone := zoneOf(p.Zone); zone != nil {
			out.Zone = zone
		}
	}
	minutes := map[string]int64{}
	for _, p := range w.Programmes() {
		minutes[p.Name] = p.Minutes
		out.Programmes = append(out.Programmes, web.RackProgramme{
			Programme: spinload.Programme{Name: p.Name, G: p.G, Within: p.WithinG, Ms: (p.Minutes + p.HandlingMin) * 60_000, C: p.C},
			Types:     slices.Clone(p.Tubes), Minutes: p.Minutes,
		})
	}
	for i := range s.Next {
		next := &s.Next[i]
		r := &next.Place.Rotor
		m := web.RackMachine{
			ID: next.Place.Key.Label(), Name: next.Place.Name, Slots: r.Places, RadiusMm: r.RadiusMm, MostPerMin: r.MostPerMin, From: next.From,
			Next: next.Load.Run, Minutes: minutes[next.Load.Run.Name], PerMin: next.Load.PerMin, Say: next.Say,
		}
		for _, row := range next.Load.Rows {
			if row.Why == spinload.Loaded {
				m.Tubes = append(m.Tubes, web.RackPlanned{ID: row.Key.Label(), Latest: row.Latest, Sure: row.Sure})
			}
		}
		out.Machines = append(out.Machines, m)
	}
	for i := range s.Tubes {
		out.Tubes = append(out.Tubes, rackTube(n, &s.Tubes[i], byName))
	}
	for _, r := range s.Running {
		run := web.RackRun{Load: r.Load.Label(), Machine: r.Place, Programme: r.Programme, Started: r.Started, Ends: r.Ends, ByTube: r.ByTube}
		for _, key := range r.Keys {
			run.Tubes = append(run.Tubes, key.Label())
		}
		out.Runs = append(out.Runs, run)
	}
}

func rackTube(n names, t *live.SpinTube, byName bool) web.RackTube {
	row := web.RackTube{
		ID: t.Key.Label(), Type: t.Tube.Type, TypeName: t.Type.Name, Programme: t.Programme, Answer: t.Answer, WaitUntil: t.WaitUntil, Why: t.Why,
		Latest: t.Latest, Sure: t.Sure, Since: t.Since, Irreplaceable: t.Tube.Irreplaceable,
	}
	for _, a := range t.Hold {
		name := cmp.Or(a.Name, a.Code)
		if a.Restricted && !byName {
			name = "a restricted test"
		}
		row.Hold = append(row.Hold, name)
	}
	// The judge never gives up what can't be drawn again: it says spin though all is lost.
	row.Given = row.Irreplaceable && t.Answer == event.RackSpin && len(t.Hold) > 0
	if t.Load == "" {
		return row
	}
	if c, ok := n.w.Carrier(t.Load); !ok || c.CarrierKind == "" || c.CarrierKind == "rack" {
		row.Rack = t.Load.Label()
	} else {
		row.In = n.inside(t.Tube.Carriers)
	}
	return row
}
