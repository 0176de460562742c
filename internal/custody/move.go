package custody

import (
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

// move changes holder, place and carrier by one step. Direct steps are the
// thing's own; the others happened to a carrier it was in.
func (k *walk) move(s *Step, direct bool) {
	rec := s.Record
	for _, fact := range s.Facts {
		switch f := fact.(type) {
		case event.Collected:
			k.stand(s, rec.Place)
			k.hold(rec.Actor, true)
			k.st.reported = false
		case event.Packed:
			if direct {
				k.enter(f.Carrier, rec)
				k.st.received = k.st.received && !k.transport() // it is sent on
			}
			k.stand(s, rec.Place)
		case event.Unpacked:
			if direct {
				k.leave()
			}
			k.stand(s, rec.Place)
		case event.Released:
			k.release(s, f)
		case event.TakenOver:
			k.take(s, f)
		case event.Departed:
			k.note(s, rec.Place)
			k.st.moving, k.st.reported, k.st.mode, k.st.route = true, true, f.Mode, f.Route
			if direct {
				k.await(s, rec.Place, f.To, f.Route, true)
			}
			if r := k.st.released; r != nil && rec.Actor != r.Record.Actor {
				k.st.untaken = min(k.st.untaken, s.At()) // who leaves with it has it
			}
		case event.Received:
			k.receive(s, f.From)
			if direct {
				k.st.received = true
				k.leave()
			}
		case event.AcceptedForTesting, event.AcceptedWithDeviation:
			k.stand(s, rec.Place)
			if rec.Place != "" {
				k.hold(rec.Place, false)
			}
			k.st.released, k.st.reported = nil, false
			k.st.received = k.st.received || direct
		case event.Stored:
			place := f.Place
			keepFirst(&place, rec.Place)
			k.stand(s, place)
			if place != "" {
				k.hold(place, false)
			}
			k.st.released, k.st.reported = nil, false
			if direct {
				k.leave()
			}
		case event.Retrieved, event.Found, event.DerivedFrom:
			k.stand(s, rec.Place)
			if _, derived := fact.(event.DerivedFrom); derived && k.st.holder != "" && rec.Place == "" {
				break
			}
			if rec.Place != "" {
				k.hold(rec.Place, false)
			} else {
				k.hold(rec.Actor, true)
			}
		case event.Disposed:
			k.stand(s, rec.Place)
			k.st.due = 0
			if direct {
				k.leave()
			}
		case event.DeclaredLost:
			k.st.due = 0
		case event.Arrived:
			k.st.due = 0
			if !holds[event.TakenOver](s.Facts) {
				k.stand(s, rec.Place)
				k.st.reported = true
			}
		case event.Referred:
			k.note(s, rec.Place)
			k.st.reported = true
		case event.HandlingAttested, event.DefectNoted:
			// said, not shown: they may be written down anywhere
		default:
			if physical(fact) {
				k.stand(s, rec.Place)
			}
		}
	}
	if direct && present(s.Facts) && k.inLaboratory(rec.Place) {
		k.st.received = true
	}
	if direct && k.st.holder == "" && k.st.place == "" && slices.ContainsFunc(s.Facts, shown) {
		k.hold(rec.Actor, true) // seen for the first time, and nobody said where: with whom it was
	}
	if direct && k.st.carrier != "" && wayOut(s.Facts) && !holds[event.Arrived](s.Facts) && k.transport() {
		k.leave()
	}
}

// transport: tubes are worked on outside a box, bag or flask, but in a rack.
func (k *walk) transport() bool {
	switch k.w.carrierKind(k.st.carrier) {
	case "box", "bag", "flask":
		return true
	}
	return false
}

func (k *walk) enter(c event.Key, rec *event.Record) {
	if !enterable(k.self, c) {
		return
	}
	k.st.carrier, k.st.inSince, k.st.hand, k.cursor = c, rec.Occurred, rec.Actor, nil
	k.st.chain = k.w.chainOf(c, rec.Occurred, k.stack)
}

// hold names who answers for it.
func (k *walk) hold(who string, person bool) {
	if who == "" {
		return
	}
	k.st.holder, k.st.byHand, k.st.hand = who, person, ""
	if person {
		k.st.hand = who
	}
}

// note remembers a place without saying that it stands there.
func (k *walk) note(s *Step, place string) {
	if place != "" {
		k.st.place, k.st.anchor = place, idOf(s.Record)
	}
}

// stand: it is known to be at a place. In a vehicle it is known to be on the way.
func (k *walk) stand(s *Step, place string) {
	if place == "" {
		return
	}
	k.note(s, place)
	if k.st.moving && k.w.vehicle(place) {
		return
	}
	k.st.moving = false
	k.arrived(place)
}

func (w *World) vehicle(place string) bool {
	p, ok := w.Place(place)
	return ok && p.PlaceKind == "vehicle"
}

// inLaboratory: who scans it there has it in hand, so no box can have lost it.
func (k *walk) inLaboratory(place string) bool {
	p, _ := k.w.Place(place)
	switch p.PlaceKind {
	case "reception", "bench", "store":
		return true
	}
	return false
}

// onBoard: handed over on the way, which promises no other arrival.
func (k *walk) onBoard(place string) bool {
	return k.st.due != 0 && k.st.moving && (place == "" || k.w.vehicle(place))
}

// release: left for a place, the place answers (a hatch label hands over to the
// hatch); left for a person, the place where it lies does until it is taken.
func (k *walk) release(s *Step, f event.Released) {
	rec := s.Record
	k.stand(s, rec.Place)
	k.unclaimed()
	k.st.reported, k.st.mode, k.st.released, k.st.untaken = true, f.Mode, s, s.At()+oneTaking
	if f.Mode == "" && rec.Place != "" && !k.w.vehicle(rec.Place) {
		k.st.due = 0 // it lies there until it is taken
	}
	switch {
	case f.To != "" && k.w.placed(f.To):
		k.stand(s, f.To)
		k.hold(f.To, false)
		k.st.moving, k.st.released = f.Mode != "", nil
	case f.To != "" && !k.w.person(f.To):
		k.hold(f.To, false) // not declared: name it, and wait for the take
	case rec.Place != "":
		k.hold(rec.Place, false)
	}
}

// take: the actor answers. A carrier's reception is a take by the place.
func (k *walk) take(s *Step, f event.TakenOver) {
	rec := s.Record
	if holds[event.Arrived](s.Facts) {
		k.receive(s, f.From)
		if !s.Inherited {
			k.leave()
		}
		return
	}
	// What is taken with its carrier was given with it. Who names himself as the other
	// side names one side only.
	together := !s.Inherited && k.st.carrier != "" && k.withCarrier(rec)
	if !s.Inherited && !together && (f.From == "" || f.From == rec.Actor) && k.st.released == nil && !k.atHatch() && k.st.holder != rec.Actor {
		k.find(event.DoubtOneSidedHandoff, rec.Occurred, idOf(rec))
	}
	if !s.Inherited {
		k.overlap(rec, f.From)
	}
	k.note(s, rec.Place)
	if !s.Inherited && k.st.carrier != "" && !together {
		k.leave()
	}
	if !s.Inherited && !k.onBoard(rec.Place) {
		k.await(s, rec.Place, "", "", false)
	}
	k.hold(rec.Actor, true)
	k.st.taken = idOf(rec)
	k.st.released, k.st.moving, k.st.reported, k.st.mode = nil, true, true, f.Mode
}

// overlap: somebody has it on the way, and another gives it away.
func (k *walk) overlap(rec *event.Record, from string) {
	if from != "" && k.st.moving && k.st.byHand && from != k.st.holder && rec.Actor != k.st.holder && !k.w.placed(from) && k.st.taken != "" {
		k.find(event.DoubtOverlap, rec.Occurred, idOf(rec), k.st.taken)
	}
}

// atHatch: it was released to a place that is known, and that place still holds it.
func (k *walk) atHatch() bool {
	return !k.st.byHand && k.st.reported && k.w.placed(k.st.holder)
}

// A courier scans the tubes and then their box, or the box and then its tubes.
const oneTaking = 900_000 // ms

// withCarrier: whoever takes the tube takes its carrier too, so it stays inside.
func (k *walk) withCarrier(rec *event.Record) bool {
	if k.st.moving && k.st.hand == rec.Actor && rec.Actor != "" {
		return true
	}
	agg := k.w.logs[event.KindCarrier][k.st.carrier]
	if agg == nil {
		return false
	}
	own := agg.steps()
	for i := sort.Search(len(own), func(i int) bool { return own[i].At() >= rec.Occurred-oneTaking }); i < len(own); i++ {
		s := &own[i]
		if s.At() > rec.Occurred+oneTaking || k.to != 0 && s.At() > k.to {
			break
		}
		if !s.Voided && s.Record.Actor == rec.Actor && holds[event.TakenOver](s.Facts) {
			return true
		}
	}
	return false
}

// receive: the laboratory's reception answers; both sides are named by it. If
// nothing told how it came from where it was, the leg is missing, unless who
// held it brought it.
func (k *walk) receive(s *Step, from string) {
	rec := s.Record
	at := rec.Place
	if !s.Inherited {
		k.overlap(rec, from)
	}
	k.st.due = 0
	brought := k.st.byHand && (from == k.st.holder || rec.Actor == k.st.holder)
	// What was left at a hatch and is received elsewhere was carried by somebody, unless
	// the hatch is in the receiver's own wall: no route is declared between them then.
	way := k.atHatch() && from != k.st.holder && k.w.ways.minutes[k.st.place][at] > 0
	if !brought && at != "" && k.st.place != "" && at != k.st.place && (way || !k.st.reported) {
		k.st.gap = []string{idOf(rec)}
		if k.st.anchor != "" {
			k.st.gap = append(k.st.gap, k.st.anchor)
		}
	}
	if !s.Inherited && len(k.st.gap) > 0 {
		k.find(event.DoubtLegNotReported, rec.Occurred, k.st.gap...)
		k.st.gap = nil
	}
	k.note(s, at)
	if at != "" {
		k.hold(at, false)
	} else {
		k.hold(rec.Actor, true)
	}
	k.st.released, k.st.moving, k.st.reported, k.st.mode, k.st.route = nil, false, false, "", ""
}
