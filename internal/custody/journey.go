package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Leg is a stretch of a tube's journey in which nothing about its surroundings
// changed by what is known.
type Leg struct {
	From, To  event.Instant // To 0: still so (only when the journey has no end)
	Carriers  []event.Key   // innermost first
	Place     string        // last place known, "" for none
	Moving    bool          // on the way: the place is where it was last known, or the vehicle
	Custodian string
	Mode      string // transport mode, "" when not said
	Route     event.Key
	Inherited bool     // by box: a step of a carrier began it
	Handling  []string // attested then, sorted
	Scan      string   // id of the step that began it
}

// Journey gives where a tube was from the moment it was filled (or first seen)
// up to an instant (0: no end), without hole or overlap. An aliquot's and a new
// label's journey begins with that of their material.
func (w *World) Journey(tube event.Key, upTo event.Instant) []Leg {
	d := w.derive(tube, upTo, nil)
	if d == nil {
		return nil
	}
	return d.journey(upTo)
}

func (d *derived) journey(upTo event.Instant) []Leg {
	legs := d.legs()
	if len(legs) == 0 || upTo != 0 && legs[0].From >= upTo {
		return nil
	}
	legs[len(legs)-1].To = upTo
	return legs
}

// legs gives the journey of the whole material; the last leg has no end.
func (d *derived) legs() []Leg {
	var legs []Leg
	begin := d.tube.Zero.Earliest
	if begin == 0 {
		begin = d.first
	}
	if d.parent != nil && len(d.trail.own) > 0 {
		legs = d.parent.legs()
		begin = max(begin, d.branch())
		legs = cutLegs(legs, begin)
	}
	if begin == 0 {
		return legs
	}
	own := d.trail.legs(begin)
	for i := range own {
		own[i].To = 0
		if i+1 < len(own) {
			own[i].To = own[i+1].From
		}
	}
	return append(legs, d.splitByHandling(own)...)
}

// branch is the instant at which this tube left its parent.
func (d *derived) branch() event.Instant {
	if d.split != 0 {
		return d.split
	}
	for i := range d.trail.own {
		s := &d.trail.own[i]
		if !s.Voided && (holds[event.DerivedFrom](s.Facts) || holds[event.SameMaterialAs](s.Facts)) {
			return s.At()
		}
	}
	return 0
}

func cutLegs(legs []Leg, end event.Instant) []Leg {
	for i := range legs {
		if legs[i].From >= end {
			legs = legs[:i]
			break
		}
	}
	if n := len(legs); n > 0 {
		legs[n-1].To = end
	}
	return legs
}

// legs gives one leg per change of surroundings, the first from begin; the ends
// are left open.
func (t *trail) legs(begin event.Instant) []Leg {
	var legs []Leg
	for i := range t.steps {
		s, st := &t.steps[i], &t.states[i]
		if s.Voided {
			continue
		}
		leg := Leg{From: max(begin, s.At()), Carriers: st.chain, Place: st.place, Moving: st.moving, Custodian: st.holder,
			Mode: st.mode, Route: st.route, Inherited: s.Inherited, Scan: idOf(s.Record)}
		n := len(legs)
		switch {
		case n == 0:
			leg.From = begin
			legs = append(legs, leg)
		case legs[n-1].From == leg.From:
			leg.Inherited = leg.Inherited && legs[n-1].Inherited
			legs[n-1] = leg
		case !sameSurroundings(legs[n-1], leg):
			legs = append(legs, leg)
		}
	}
	return legs
}

func sameSurroundings(a, b Leg) bool {
	return a.Place == b.Place && a.Moving == b.Moving && a.Custodian == b.Custodian && a.Mode == b.Mode &&
		a.Route == b.Route && slices.Equal(a.Carriers, b.Carriers)
}

// splitByHandling cuts legs where an attestation begins or ends.
func (d *derived) splitByHandling(legs []Leg) []Leg {
	if len(d.tube.Handling) == 0 {
		return legs
	}
	var cuts []event.Instant
	for _, h := range d.tube.Handling {
		cuts = append(cuts, h.From, h.Until)
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	var out []Leg
	for _, leg := range legs {
		for _, cut := range cuts {
			if cut > leg.From && (leg.To == 0 || cut < leg.To) {
				head := leg
				head.To = cut
				out = append(out, head)
				leg.From = cut
			}
		}
		out = append(out, leg)
	}
	for i := range out {
		for _, h := range d.tube.Handling {
			if h.From <= out[i].From && (h.Until == 0 || h.Until > out[i].From) && !slices.Contains(out[i].Handling, h.What) {
				out[i].Handling = append(out[i].Handling, h.What)
			}
		}
		slices.Sort(out[i].Handling)
	}
	return out
}

// Trip gives where a carrier was on its last trip: from what was done with it after
// it was last emptied (or first done with it at all), up to an instant (0: no end). A
// carrier that stands emptied has the trip that ended so.
func (w *World) Trip(carrier event.Key, upTo event.Instant) []Leg {
	agg := w.logs[event.KindCarrier][carrier]
	if agg == nil {
		return nil
	}
	t := w.trailOf(Target{event.KindCarrier, carrier}, foldSteps(event.KindCarrier, agg), upTo, state{})
	var begin, end event.Instant
	for i := range t.steps {
		s := &t.steps[i]
		if s.Voided || upTo != 0 && s.At() > upTo {
			continue
		}
		if (begin == 0 || end != 0) && anyPhysical(s.Facts) { // a description moves nothing
			begin, end = s.At(), 0
		}
		if !s.Inherited && holds[event.Emptied](s.Facts) {
			end = s.At()
		}
	}
	if begin == 0 {
		return nil
	}
	var out []Leg
	legs := t.legs(0)
	for i, leg := range legs {
		leg.To = end
		if end == 0 {
			leg.To = upTo
		}
		if i+1 < len(legs) && (leg.To == 0 || legs[i+1].From < leg.To) {
			leg.To = legs[i+1].From
		}
		leg.From = max(leg.From, begin)
		if leg.To != 0 && leg.To <= leg.From {
			continue
		}
		leg.Carriers = append([]event.Key{carrier}, leg.Carriers...)
		out = append(out, leg)
	}
	return out
}
