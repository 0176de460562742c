package live

import (
	"cmp"
	"slices"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// States of a new sample.
const (
	SampleProposed = "proposed" // the flag's last resort; nobody has asked yet
	SampleAsked    = "asked"
	SampleDeclined = "declined"
	SampleDone     = "done"
)

// SampleStates lists the states of a new sample.
func SampleStates() []string {
	return []string{SampleProposed, SampleAsked, SampleDeclined, SampleDone}
}

// Sample is a new sample of one draw: one puncture, however many tubes.
type Sample struct {
	Draw      event.Key
	Place     string // where it was drawn
	Collector string
	DrawnAt   event.Instant
	State     string
	Tubes     []event.Key // for which it is
	Tests     int         // lost with them
	By        string      // who asked, declined or did
	Reason    string
	At        event.Instant
	DrawnUl   int64 // said to be drawn of the patient in the 24 hours before now
	// Needed false: facts that came later leave no test of them lost.
	Needed  bool
	NewDraw event.Key
	Patient string
}

// sampleBack is how long one that was declined or done is still told; asked ones are
// told until somebody answers.
const sampleBack = 48 * time.Hour

// Samples tells the new samples that are proposed or asked for, of draws that were made
// at a place or whose tubes are there; empty place: all. States are those that are kept;
// none: proposed and asked. By state, then oldest first.
func (m *Model) Samples(place string, states ...string) []Sample {
	if len(states) == 0 {
		states = []string{SampleProposed, SampleAsked}
	}
	place = event.Spelled(place)
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.time()
	byDraw := map[event.Key][]event.Key{}
	for key := range m.flagged {
		if t, ok := m.tube(key); ok && t.Flag.Open && t.Flag.Flag.Action == event.AskNewSample && len(t.Asked) == 0 {
			draw := cmp.Or(t.Draw, custody.DrawOf(key))
			byDraw[draw] = append(byDraw[draw], key)
		}
	}
	var out []Sample
	for draw, tubes := range byDraw {
		slices.Sort(tubes)
		out = append(out, m.sample(draw, tubes, SampleProposed, now))
	}
	for _, draw := range m.world.AskedSince(now.Add(-sampleBack)) {
		d, ok := m.world.Draw(draw)
		if !ok || len(d.Asked) == 0 {
			continue
		}
		out = append(out, m.asked(d, now))
	}
	out = slices.DeleteFunc(out, func(s Sample) bool {
		open := s.State == SampleProposed || s.State == SampleAsked
		return !slices.Contains(states, s.State) || !open && s.At < now.Add(-sampleBack) || place != "" && !m.concerns(&s, place)
	})
	slices.SortFunc(out, func(a, b Sample) int {
		return cmp.Or(slices.Index(SampleStates(), a.State)-slices.Index(SampleStates(), b.State), cmp.Compare(a.At, b.At), cmp.Compare(a.Draw, b.Draw))
	})
	patients := map[string]bool{}
	for i := range out {
		out[i].Patient = m.world.Patient(out[i].Patient)
		patients[out[i].Patient] = true
	}
	delete(patients, "")
	if len(patients) == 0 {
		return out // nobody's draws need be looked through
	}
	drawn := m.world.Drawn(patients, now.Add(-custody.DrawnWithin))
	for i := range out {
		out[i].DrawnUl = drawn[out[i].Patient]
	}
	return out
}

// concerns reports whether a place is where it was drawn, or where its tubes are.
func (m *Model) concerns(s *Sample, place string) bool {
	return s.Place == place || slices.ContainsFunc(s.Tubes, func(key event.Key) bool {
		t, ok := m.tube(key)
		return ok && (t.Place == place || t.Holder == place || t.Destination == place)
	})
}

// asked tells how it stands with a draw for which a new sample was asked.
func (m *Model) asked(d *custody.Draw, now event.Instant) Sample {
	last := d.Asked[len(d.Asked)-1]
	var tubes []event.Key
	for _, a := range d.Asked {
		tubes = append(tubes, a.Tubes...)
	}
	if len(tubes) == 0 {
		tubes = slices.Clone(d.Tubes)
	}
	slices.Sort(tubes)
	s := m.sample(d.Key, slices.Compact(tubes), SampleAsked, now)
	s.By, s.At, s.Reason, s.NewDraw = last.Mark.By, last.Mark.At, last.Mark.Reason, d.NewDraw
	for _, end := range []struct {
		mark  custody.Mark
		state string
	}{{d.Declined, SampleDeclined}, {d.Done, SampleDone}} {
		// Asked again after it was declined: it is asked.
		if end.mark.Is() && end.mark.At >= last.Mark.At {
			s.State, s.By, s.At, s.Reason = end.state, end.mark.By, end.mark.At, end.mark.Reason
		}
	}
	return s
}

func (m *Model) sample(draw event.Key, tubes []event.Key, state string, now event.Instant) Sample {
	s := Sample{Draw: draw, Tubes: tubes, State: state}
	if d, ok := m.world.Draw(draw); ok {
		s.Place, s.Collector, s.DrawnAt, s.Patient = event.Spelled(d.Started.Place), d.Started.By, d.Started.At, d.Patient
	}
	for _, key := range tubes {
		t, ok := m.tube(key)
		if !ok {
			continue
		}
		s.Patient = cmp.Or(s.Patient, t.Patient)
		if s.Place == "" {
			s.Place, s.DrawnAt = collectedAt(t), t.Zero.Earliest
		}
		if t.Flag.Open && state == SampleProposed && (s.At == 0 || t.Flag.Since < s.At) {
			s.At = t.Flag.Since
		}
		n := m.lostTests(key, t, now)
		s.Tests += n
		s.Needed = s.Needed || n > 0
	}
	return s
}

// lostTests counts the tests that this tube can't serve any more. A tube that is gone
// serves none.
func (m *Model) lostTests(key event.Key, t *custody.Tube, now event.Instant) int {
	v := m.judge(key, now)
	gone := t.Disposed.Is() || t.Rejected.Is() || t.Lost.Is()
	n := 0
	for i := range v.Tests {
		j := &v.Tests[i].Judgement
		if !j.Run && (gone || j.Verdict == event.PastLimit || j.Verdict == event.WrongTube) {
			n++
		}
	}
	return n
}

// collectedAt is where a tube was filled, as its own collection says.
func collectedAt(t *custody.Tube) string {
	for i := range t.Timeline {
		s := &t.Timeline[i]
		if !s.Voided && slices.ContainsFunc(s.Facts, func(f event.Fact) bool { _, is := f.(event.Collected); return is }) {
			return event.Spelled(s.Record.Place)
		}
	}
	return ""
}
