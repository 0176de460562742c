package live

import (
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/sprec"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
)

// TripTemperature sums up a carrier's last trip up to now, by its own loggers, those
// around it and the declared ranges; false when it has none.
func (m *Model) TripTemperature(carrier event.Key) (thermal.Summary, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.time()
	legs := m.world.Trip(carrier, 0)
	if len(legs) == 0 || legs[0].From >= now {
		return thermal.Summary{}, false
	}
	var layers []thermal.Layer
	for _, leg := range legs {
		layers = m.legLayers(layers, leg)
	}
	from, to := legs[0].From, now
	if end := legs[len(legs)-1].To; end != 0 {
		to = min(end, now)
	}
	m.scratch = thermal.Build(m.scratch[:0], layers, from, to)
	return thermal.Summarise(m.scratch, from, to, event.Range{}, thermal.PharmacopoeiaJoulesPerMole), true
}

// sum fills in what a person who looks at one tube wants beside the verdicts.
func (m *Model) sum(v *View) {
	if n := len(v.Segments); n > 0 {
		v.Temperature = thermal.Summarise(v.Segments, v.Segments[0].From, v.Segments[n-1].To, event.Range{}, thermal.PharmacopoeiaJoulesPerMole)
	}
	if h, ok := m.preanalytical(v); ok {
		// A history that the code can't take has no code; the element's reasons say so.
		v.Sprec, _ = sprec.Encode(h)
	}
}

// additives are the words of a catalogue by which an additive with a code is known,
// the longer one first. The colour of a cap is never asked.
var additives = []struct {
	word string
	is   sprec.Additive
}{
	{"lithium heparin", sprec.LithiumHeparin}, {"sodium heparin", sprec.SodiumHeparin}, {"clot activator", sprec.ClotActivator},
	{"acid citrate dextrose", sprec.AcidCitrate}, {"citrate phosphate dextrose", sprec.CitratePhosphate}, {"fluoride", ""},
	{"aprotinin", ""}, {"potassium edta", sprec.PotassiumEDTA}, {"sodium edta", sprec.SodiumEDTA}, {"trisodium citrate", sprec.SodiumCitrate},
	{"sodium citrate", sprec.SodiumCitrate}, {"hirudin", sprec.Hirudin}, {"none", sprec.NoAdditive},
}

func additiveOf(t stability.TubeType) sprec.Additive {
	said := strings.ToLower(t.Additive)
	for _, a := range additives {
		if strings.Contains(said, a.word) {
			return a.is // "": the catalogue doesn't say it as finely as the code asks
		}
	}
	return ""
}

// preanalytical tells the history of a tube as the SPREC code asks for it; false
// before the laboratory has done anything with it: a code of a tube on its way
// would say what nobody knows yet.
func (m *Model) preanalytical(v *View) (sprec.History, bool) {
	t := v.Tube
	var started, ended, stopped, kept event.Instant // first spin, its end; first of what ends the wait without a spin; storage
	var spin event.SpinStarted
	second := sprec.No
	for i := range t.Timeline {
		s := &t.Timeline[i]
		if s.Voided {
			continue
		}
		for _, f := range s.Facts {
			switch f := f.(type) {
			case event.SpinStarted:
				if started == 0 {
					started, spin = s.At(), f
				} else if ended != 0 {
					second = sprec.Yes
				}
			case event.SpinEnded:
				ended = s.At()
			case event.Stored, event.Frozen:
				kept = first(kept, s.At())
			case event.Measured, event.FilmMade:
				stopped = first(stopped, s.At())
			}
		}
	}
	stopped = first(stopped, kept)
	processed := ended
	if ended == 0 {
		processed = stopped
	}
	if processed == 0 || t.Zero.Earliest == 0 {
		return sprec.History{}, false
	}
	h := sprec.History{Material: "BLD", Additive: additiveOf(v.Type), Gel: sprec.No, Store: sprec.Store{Done: sprec.No}}
	if v.Type.Gel {
		h.Gel = sprec.Yes
	}
	if set := m.rulesFor(t, v.Now); set != nil {
		if room, ok := set.Conventions["room"]; ok {
			h.Room = sprec.Range{Known: true, Low: room.Low, High: room.High}
		}
	}
	upTo := first(started, processed)
	h.Before = delay(v, t.Zero, custody.Interval{Earliest: upTo, Latest: upTo})
	h.First.Done, h.Second.Done = sprec.No, sprec.No
	if ended != 0 {
		h.Material = sprec.Plasma
		if h.Additive == sprec.ClotActivator || h.Additive == sprec.NoAdditive {
			h.Material = "SER"
		}
		h.First, h.Second.Done = spun(spin, started, ended), second
		until := v.Now
		if kept != 0 {
			until = kept
		}
		h.After = delay(v, custody.Interval{Earliest: ended, Latest: ended}, custody.Interval{Earliest: until, Latest: until})
	}
	if kept != 0 {
		h.Store.Done = sprec.Yes
		h.Store.Temp = lastRange(v)
	}
	return h, true
}

// first gives the earlier of two instants, of which 0 is none.
func first(a, b event.Instant) event.Instant {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

func spun(s event.SpinStarted, from, to event.Instant) sprec.Spin {
	out := sprec.Spin{Done: sprec.Yes}
	if s.G > 0 {
		out.G = sprec.Exactly(s.G)
	}
	if s.Minutes > 0 {
		out.Ms = sprec.Exactly(s.Minutes * 60_000)
	} else if from != 0 && to > from {
		out.Ms = sprec.Exactly(int64(to - from))
	}
	return out
}

// delay tells the time between two steps with what temperature it was spent at.
func delay(v *View, from, to custody.Interval) sprec.Delay {
	d := sprec.Delay{Ms: sprec.Bounds{
		Known: true, Low: max(int64(to.Earliest-from.Latest), 0), High: max(int64(to.Latest-from.Earliest), 0),
	}}
	for i := range v.Segments {
		s := &v.Segments[i]
		a, b := max(s.From, from.Earliest), min(s.To, to.Latest)
		if a < b {
			d.At = append(d.At, sprec.Stretch{Ms: int64(b - a), Temp: rangeOf(s)})
		}
	}
	return d
}

func rangeOf(s *thermal.Segment) sprec.Range {
	if s.Evidence == thermal.Unknown {
		return sprec.Range{}
	}
	return sprec.Range{Known: true, Low: min(s.Low0, s.Low1), High: max(s.High0, s.High1)}
}

// lastRange is the temperature at the end of the history: that of the store.
func lastRange(v *View) sprec.Range {
	if n := len(v.Segments); n > 0 {
		return rangeOf(&v.Segments[n-1])
	}
	return sprec.Range{}
}
