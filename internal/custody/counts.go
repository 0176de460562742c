package custody

import (
	"maps"
	"slices"

	"specimen.example/custody/internal/event"
)

// How many tubes were in a carrier when it was counted is asked for each count that it ever
// had. While all of them are awake it is worked out; before some go to rest it is kept, or
// each look at the carrier would wake what was in it years ago.

// settleCounts keeps the numbers of all counts of the carriers that a case was in.
func (w *World) settleCounts(all []Target) {
	if !w.counting {
		return
	}
	for _, carrier := range w.around(all) {
		own := carrier.steps()
		for i := range own {
			s := &own[i]
			if s.Voided || counted(s.Facts) == 0 {
				continue
			}
			if _, known := carrier.inside[s.At()]; known {
				continue
			}
			if carrier.inside == nil {
				carrier.inside = make(map[event.Instant]int32)
			}
			carrier.inside[s.At()] = int32(len(w.tubesIn(carrier.self.Key, s.At()))) //nolint:gosec // tubes of one box
		}
	}
}

// around gives the counted carriers that something of the case was ever packed into,
// directly or not.
func (w *World) around(all []Target) []*aggregate {
	var out, looked []*aggregate
	var outward func(agg *aggregate)
	outward = func(agg *aggregate) {
		if agg == nil || slices.Contains(looked, agg) {
			return
		}
		looked = append(looked, agg)
		for i := range agg.packings {
			if c := w.logs[event.KindCarrier][agg.packings[i].in.carrier]; c != nil {
				if c.counts && !slices.Contains(out, c) {
					out = append(out, c)
				}
				outward(c)
			}
		}
	}
	for _, t := range all {
		if t.Kind == event.KindTube {
			outward(w.logs[t.Kind][t.Key])
		}
	}
	return out
}

func (w *World) tubesIn(carrier event.Key, at event.Instant) []Content {
	return slices.DeleteFunc(w.Contents(carrier, at), func(c Content) bool { return c.Kind != event.KindTube })
}

// uncount forgets the numbers that a record may have changed, where nobody asks what else.
func (w *World) uncount(rec, replaced *event.Record, agg *aggregate) {
	if !w.counting || len(w.asleep.beds) == 0 || w.asleep.loading {
		return // nothing ever rested, so no number is kept
	}
	r := &reach{w: w, seen: make(map[Target]struct{}), at: max(1, agg.reaches(rec, replaced)-oneTaking-repeatOtherSource), rest: nothing}
	from := r.at
	if !caseKind(rec.Kind) && (rec.Kind != event.KindCarrier || describes(rec) || replaced != nil) {
		from = 0
	}
	r.add(agg.self)
	w.recount(r.counts(), rec.Kind, from)
}

// recount forgets the numbers that a record may have changed. A step changes those at it or
// later. What is described may change any, also in carriers of which only what rests tells.
func (w *World) recount(carriers []*aggregate, kind event.Kind, from event.Instant) {
	if w.counting && from <= 0 && (kind == event.KindPlace || kind == event.KindPerson || kind == event.KindRoute || kind == event.KindCarrier) {
		for _, c := range w.logs[event.KindCarrier] {
			c.inside = nil
		}
	}
	for _, c := range carriers {
		maps.DeleteFunc(c.inside, func(at event.Instant, _ int32) bool { return at >= from })
	}
}
