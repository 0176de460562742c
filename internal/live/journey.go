package live

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// What a person's word for the handling means in degrees, 0.01 °C. Ice water is
// 0 to 4 °C; a heated flask is kept at 37 ± 2 °C (facts section 2, handbooks).
var attestedRange = map[string]event.Range{
	"on-ice":   {Low: 0, High: 400, Known: true},
	"flask-37": {Low: 3500, High: 3900, Known: true},
}

// layersOf turns a tube's journey into what its temperature may come from, in
// order of time: for each stretch the loggers from the inside out, what was
// attested, and the range declared for the innermost thing that has one.
func (m *Model) layersOf(key event.Key) []thermal.Layer {
	var out []thermal.Layer
	if _, ok := m.tube(key); !ok {
		return nil
	}
	for _, leg := range m.tubes[key].look.Journey() {
		out = m.legLayers(out, leg)
	}
	return out
}

// forever stands for the end of a leg that lasts.
const forever = event.Instant(1 << 61)

func (m *Model) legLayers(out []thermal.Layer, leg custody.Leg) []thermal.Layer {
	if leg.To == 0 {
		leg.To = forever
	}
	around := surroundings(m.world, leg)
	cuts := []event.Instant{leg.From, leg.To}
	var attached []custody.Attachment
	for _, t := range around {
		for _, a := range m.world.LoggersOf(t) {
			if a.Until == 0 {
				a.Until = forever
			}
			if a.From < leg.To && a.Until > leg.From {
				attached = append(attached, a)
				cuts = append(cuts, max(a.From, leg.From), min(a.Until, leg.To))
			}
		}
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	assumed := m.assumedIn(around, leg.From)
	var attestedC event.Range
	for _, h := range leg.Handling {
		if r, ok := attestedRange[h]; ok {
			attestedC = r
		}
	}
	for i := 0; i+1 < len(cuts); i++ {
		layer := thermal.Layer{From: cuts[i], To: cuts[i+1], Attested: attestedC, Assumed: assumed}
		for _, a := range attached { // inside out already, by the order of around
			if a.From <= layer.From && a.Until >= layer.To {
				layer.Series = append(layer.Series, m.seriesOf(a.Logger))
			}
		}
		out = append(out, layer)
	}
	return out
}

// surroundings lists what was around the tube in a leg, from the inside out. A
// carrier with its own climate ends the list: it takes nothing from outside.
func surroundings(w *custody.World, leg custody.Leg) []custody.Target {
	var out []custody.Target
	for _, c := range leg.Carriers {
		t := custody.Target{Kind: event.KindCarrier, Key: c}
		out = append(out, t)
		if carrier, ok := w.Carrier(c); ok && carrier.OwnClimate {
			return out
		}
	}
	if key, err := event.LocalKey(leg.Place); err == nil {
		out = append(out, custody.Target{Kind: event.KindPlace, Key: key})
	}
	return out
}

func (m *Model) assumedIn(around []custody.Target, at event.Instant) event.Range {
	for _, t := range around {
		if r, ok := m.declaredFor(t, at); ok {
			return r
		}
	}
	return event.Range{}
}

// declaredFor is the range that is declared for a carrier or a place.
func (m *Model) declaredFor(t custody.Target, at event.Instant) (event.Range, bool) {
	if t.Kind == event.KindPlace {
		p, ok := m.world.PlaceAt(t.Key.Label(), at)
		return p.Assumed, ok && p.Assumed.Known
	}
	c, ok := m.world.Carrier(t.Key)
	if !ok {
		return event.Range{}, false
	}
	return c.Assumed, c.Assumed.Known
}
