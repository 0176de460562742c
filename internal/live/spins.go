package live

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/spinload"
	"specimen.example/custody/internal/stability"
)

// Spins is what stands before the centrifuges of a place, and what they do.
type Spins struct {
	Now     event.Instant
	Read    uint64
	Tubes   []SpinTube // what is lost first in front
	Next    []NextRun  // of each centrifuge, those that are free first
	Running []Run      // by the end of their minutes
}

// SpinTube is a tube that stands before the centrifuges.
type SpinTube struct {
	Key       event.Key
	Tube      *custody.Tube
	Type      stability.TubeType
	Answer    event.RackAnswer
	WaitUntil event.Instant
	Hold      []stability.Assay // tests that are not to be run from it
	Programme string            // empty where none is declared for its type
	Why       spinload.Why      // Loaded in one of Next, or why not; empty without a programme or a centrifuge
	Latest    event.Instant     // start at which no further test is lost, 0: none is due
	Sure      bool              // by the worst bound
	Load      event.Key         // the carrier it was scanned into, empty for none
	Since     event.Instant     // it is here
}

// NextRun is what one centrifuge takes next.
type NextRun struct {
	Place custody.Place
	From  event.Instant // now, or when its run is over
	Load  spinload.Load
	Say   string // why nothing can be said of it; empty otherwise
}

// Run is a centrifuge at work.
type Run struct {
	Load      event.Key // or the tube, where each was started by itself
	Place     string
	Programme string
	Started   event.Instant
	Ends      event.Instant // 0: nobody said how long it takes
	Tubes     int
	Keys      []event.Key // its tubes, in their order
	// ByTube: it was said of each tube by itself, so its end is said so too.
	ByTube bool
}

// spinBack is how far back a tube may have come to a place and still stand before its
// centrifuges; older ones are found by their flags.
const spinBack = 48 * time.Hour

// Spins tells what stands before the centrifuges of a place.
func (m *Model) Spins(place string) Spins {
	place = event.Spelled(place)
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.time()
	out := Spins{Now: now, Read: m.at.Custody}
	machines := m.centrifuges(place)
	programmes := map[string]event.SpinProgramme{}
	for _, p := range m.world.Programmes() {
		for _, t := range p.Tubes {
			programmes[t] = p
		}
	}
	runs := map[event.Key]*Run{}
	var loads []spinload.Tube
	for _, key := range m.standing(place, machines, now) {
		t, ok := m.tube(key)
		if !ok {
			continue
		}
		if t.Spinning.Is() {
			m.running(runs, t)
			continue
		}
		if t.Place != place || t.Moving {
			continue
		}
		v := m.judge(key, now)
		p, known := programmes[t.Type]
		if !beforeSpin(&v, known) {
			continue
		}
		row, load := m.spinTube(key, &v, p, known)
		if known {
			loads = append(loads, load)
		}
		out.Tubes = append(out.Tubes, row)
	}
	for _, r := range runs {
		out.Running = append(out.Running, *r)
	}
	slices.SortFunc(out.Running, func(a, b Run) int { return cmp.Or(cmp.Compare(a.Ends, b.Ends), cmp.Compare(a.Load, b.Load)) })
	out.next(machines, loads)
	slices.SortFunc(out.Tubes, func(a, b SpinTube) int {
		return cmp.Or(cmp.Compare(lost(&a), lost(&b)), cmp.Compare(cmp.Or(a.Latest, forever), cmp.Or(b.Latest, forever)), cmp.Compare(a.Key, b.Key))
	})
	return out
}

// lost orders what can surely be saved first, what nobody can save last.
func lost(t *SpinTube) int {
	switch {
	case t.Why == spinload.SetAside:
		return 3
	case t.Latest != 0 && t.Sure:
		return 0
	case t.Latest != 0:
		return 1
	}
	return 2
}

// standing lists the tubes that may stand at a place or turn in its centrifuges.
func (m *Model) standing(place string, machines []custody.Place, now event.Instant) []event.Key {
	since := now.Add(-spinBack)
	names := []string{place}
	for i := range machines {
		names = append(names, machines[i].Key.Label())
	}
	var out []event.Key
	for _, name := range names {
		if key, err := event.LocalKey(name); err == nil {
			out = append(out, m.world.Near(custody.Target{Kind: event.KindPlace, Key: key}, since)...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// centrifuges are those that take the tubes of a place, by name.
func (m *Model) centrifuges(place string) []custody.Place {
	var out []custody.Place
	for _, name := range m.world.Places() {
		if p, ok := m.world.Place(name); ok && p.PlaceKind == "centrifuge" && (p.Rotor.At == "" || event.Spelled(p.Rotor.At) == place) {
			out = append(out, p)
		}
	}
	return out
}

// beforeSpin reports whether a spin still lies ahead of a tube.
func beforeSpin(v *View, programme bool) bool {
	t := v.Tube
	if !t.Collected && t.Zero.Latest == 0 || t.Disposed.Is() || t.Rejected.Is() || t.Lost.Is() || t.Held || t.NewLabel != "" || t.Referred.Is() {
		return false
	}
	if len(t.Changes) > 0 {
		return false
	}
	return programme || slices.ContainsFunc(v.Tests, func(j Test) bool { return j.Rule != nil && j.Rule.Until == event.EndsSpun && !j.Run })
}

func (m *Model) spinTube(key event.Key, v *View, p event.SpinProgramme, known bool) (SpinTube, spinload.Tube) {
	t := v.Tube
	row := SpinTube{Key: key, Tube: t, Type: v.Type, Answer: v.Rack, Since: arrivedHere(t)}
	if v.Rack == event.RackWait {
		row.WaitUntil = v.RackUntil
	}
	if len(t.Carriers) > 0 {
		row.Load = t.Carriers[0]
	}
	judged := make([]stability.Judgement, len(v.Tests))
	for i := range v.Tests {
		judged[i] = v.Tests[i].Judgement
		if j := &judged[i]; !j.Run && (j.Verdict == event.PastLimit || j.Verdict == event.WrongTube) {
			row.Hold = append(row.Hold, v.Tests[i].Name)
		}
	}
	if !known {
		return row, spinload.Tube{}
	}
	row.Programme = p.Name
	load := spinload.Tube{
		Key: key, Programme: programmeOf(p), Irreplaceable: t.Irreplaceable, Answer: v.Rack, Ready: row.WaitUntil, Came: row.Since,
	}
	load.Alive, load.Lost = spinload.Tests(judged)
	row.Latest, row.Sure, _ = load.LatestStart(v.Now)
	return row, load
}

func programmeOf(p event.SpinProgramme) spinload.Programme {
	return spinload.Programme{Name: p.Name, G: p.G, Within: p.WithinG, Ms: (p.Minutes + p.HandlingMin) * 60_000, C: p.C}
}

// arrivedHere is when a tube came to where it is: its last step that says so.
func arrivedHere(t *custody.Tube) event.Instant {
	if t.Received.Is() && t.Received.Place == t.Place {
		return t.Received.At
	}
	for i := range t.Timeline {
		if s := &t.Timeline[i]; !s.Voided && event.Spelled(s.Record.Place) == t.Place {
			return s.At()
		}
	}
	return 0
}

// running counts a turning tube to its run.
func (m *Model) running(runs map[event.Key]*Run, t *custody.Tube) {
	r := Run{Load: t.Key, Place: t.Spinning.Place, Programme: t.Spinning.Reason, Started: t.Spinning.At, Tubes: 1, Keys: []event.Key{t.Key}}
	if len(t.Carriers) > 0 {
		r.Load = t.Carriers[0]
	}
	for i := len(t.Timeline) - 1; i >= 0; i-- {
		s := &t.Timeline[i]
		for _, f := range s.Facts {
			if f, ok := f.(event.SpinStarted); ok && !s.Voided && s.At() == t.Spinning.At {
				if r.ByTube = s.Record.Kind == event.KindTube; f.Load != "" {
					r.Load = f.Load
				}
				if f.Minutes > 0 {
					r.Ends = r.Started + event.Instant(f.Minutes)*60_000
				}
			}
		}
	}
	if known := runs[r.Load]; known != nil {
		known.Tubes++
		known.Keys = append(known.Keys, t.Key)
		return
	}
	runs[r.Load] = &r
}

// next makes the load list of each centrifuge: those that are free first, then by the
// end of their run. A tube stands in one list.
func (s *Spins) next(machines []custody.Place, loads []spinload.Tube) {
	for i := range machines {
		n := NextRun{Place: machines[i], From: s.Now}
		for _, r := range s.Running {
			if r.Place == machines[i].Key.Label() {
				n.From = max(n.From, r.Ends)
			}
		}
		s.Next = append(s.Next, n)
	}
	slices.SortStableFunc(s.Next, func(a, b NextRun) int { return cmp.Compare(a.From, b.From) })
	at := map[event.Key]int{}
	for i := range s.Tubes {
		at[s.Tubes[i].Key] = i
	}
	for i := range s.Next {
		n := &s.Next[i]
		rotor := &n.Place.Rotor
		if rotor.Places < 1 || rotor.RadiusMm < 1 || rotor.MostPerMin < 1 {
			n.Say = "its rotor is not declared: give places, radius and most turns per minute under House"
			continue
		}
		load, err := spinload.Next(spinload.Machine{
			Places: int(rotor.Places), RadiusMm: rotor.RadiusMm, MostPerMin: rotor.MostPerMin, C: rotor.Holds,
		}, loads, n.From)
		if err != nil {
			n.Say = fmt.Sprintf("no load can be planned: %v", err)
			continue
		}
		n.Load = load
		took := map[event.Key]bool{}
		for _, r := range load.Rows {
			t := &s.Tubes[at[r.Key]]
			if t.Why != spinload.Loaded {
				t.Why = r.Why
			}
			took[r.Key] = r.Why == spinload.Loaded
		}
		loads = slices.DeleteFunc(loads, func(t spinload.Tube) bool { return took[t.Key] })
	}
}
