package live

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
)

// Stretch is a stretch of a tube's temperature history with one kind of evidence and one
// source. Stretches follow one another without hole or overlap.
type Stretch struct {
	From, To  event.Instant
	Evidence  thermal.Evidence
	Low, High event.CentiC // lowest and highest in it; no meaning where nothing is known
	// Held: measured by the last value, which holds for a while, not between two readings.
	Held bool
	// Logger measured it; it was on Around.
	Logger event.Key
	// Around is what the logger was on, or what the assumed range is declared for.
	Around custody.Target
	// Attested are the words of people that the stretch rests on.
	Attested []custody.Handling
}

// Account is what a report of a tube rests on: all of it at one instant and one position
// of the log, so that its sums agree to the millisecond.
type Account struct {
	View
	// Stretches is the history by its sources. By each kind of evidence they last as long
	// as the segments of the view.
	Stretches []Stretch
	// Explained has one explanation for each of the view's tests, the zero value for a
	// test that has no code.
	Explained []stability.Explanation
	Readings  uint64 // position of the readings
}

// Account gives a tube's account as of now; false when the log has no such tube.
func (m *Model) Account(key event.Key) (Account, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	v, ok := m.judged(key)
	if !ok {
		return Account{}, false
	}
	m.explain(key, &v, v.Now)
	a := Account{View: v, Readings: m.at.Readings, Explained: make([]stability.Explanation, len(v.Tests))}
	for i := range v.Tests {
		if assay := v.Tests[i].Assay; assay != "" {
			a.Explained[i], _ = m.explainTest(key, assay, v.Now)
		}
	}
	a.Stretches = m.stretches(key, v.Tube, v.Now)
	return a, true
}

func (m *Model) stretches(key event.Key, t *custody.Tube, now event.Instant) []Stretch {
	from := t.Zero.Earliest
	if from == 0 {
		from = t.Zero.Latest
	}
	if from == 0 || from >= now {
		return nil
	}
	var out []Stretch
	at := from
	if _, ok := m.tube(key); !ok { // worked out again if it was let go of
		return nil
	}
	for _, leg := range m.tubes[key].look.Journey() {
		around := surroundings(m.world, leg)
		for _, layer := range m.legLayers(nil, leg) {
			start, end := max(layer.From, at), min(layer.To, now)
			if start >= end {
				continue
			}
			out = addStretch(out, Stretch{From: at, To: start})
			for _, s := range thermal.Build(nil, []thermal.Layer{layer}, start, end) {
				out = addStretch(out, m.stretch(t, &layer, &s, around, leg.From))
			}
			at = end
		}
	}
	return addStretch(out, Stretch{From: at, To: now})
}

// stretch names the source of a segment. What is assumed is what was declared when the
// leg began.
func (m *Model) stretch(t *custody.Tube, layer *thermal.Layer, s *thermal.Segment, around []custody.Target, began event.Instant) Stretch {
	out := Stretch{
		From: s.From, To: s.To, Evidence: s.Evidence, Held: s.HeldAfterReading,
		Low: min(s.Low0, s.Low1), High: max(s.High0, s.High1),
	}
	switch s.Evidence {
	case thermal.Measured:
		out.Logger = layer.Series[s.Series].Logger
		for _, near := range around {
			if slices.ContainsFunc(m.world.LoggersOf(near), func(a custody.Attachment) bool {
				return a.Logger == out.Logger && a.From <= s.From && (a.Until == 0 || a.Until >= s.To)
			}) {
				out.Around = near
				break
			}
		}
	case thermal.Attested:
		for _, h := range t.Handling {
			if _, says := attestedRange[h.What]; says && h.From <= s.From && (h.Until == 0 || h.Until >= s.To) {
				out.Attested = append(out.Attested, h)
			}
		}
	case thermal.Assumed:
		for _, near := range around {
			if r, ok := m.declaredFor(near, began); ok && r == layer.Assumed {
				out.Around = near
				break
			}
		}
	}
	return out
}

// addStretch appends s, or goes on with the last stretch where the source is the same.
func addStretch(list []Stretch, s Stretch) []Stretch {
	if s.From >= s.To {
		return list
	}
	n := len(list) - 1
	if n < 0 || !list[n].goesOn(&s) {
		return append(list, s)
	}
	list[n].To = s.To
	list[n].Low, list[n].High = min(list[n].Low, s.Low), max(list[n].High, s.High)
	return list
}

func (s *Stretch) goesOn(next *Stretch) bool {
	return s.To == next.From && s.Evidence == next.Evidence && s.Held == next.Held && s.Logger == next.Logger && s.Around == next.Around &&
		slices.Equal(s.Attested, next.Attested) && (s.Evidence == thermal.Measured || s.Low == next.Low && s.High == next.High)
}
