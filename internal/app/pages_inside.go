package app

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// inside keeps which tubes are in which carriers, as the world said when somebody last
// asked: to work that out costs a look at each of them, and hundreds of boxes on the way
// are asked about several times a second. Whatever could move a tube drops what is kept
// of its carriers.
type inside struct {
	tubes map[event.Key][]event.Key        // by carrier
	marks map[event.Key][]event.Key        // by carrier: itself and all that is in it
	kept  map[event.Key]map[event.Key]bool // the way back from a mark
}

func newInside() inside {
	return inside{tubes: map[event.Key][]event.Key{}, marks: map[event.Key][]event.Key{}, kept: map[event.Key]map[event.Key]bool{}}
}

// of lists the tubes in a carrier and in what is inside it, sorted.
func (s *inside) of(w *custody.World, carrier event.Key) []event.Key {
	if tubes, ok := s.tubes[carrier]; ok {
		return tubes
	}
	tubes := []event.Key{}
	s.mark(carrier, carrier)
	for _, c := range w.Contents(carrier, 0) {
		s.mark(c.Key, carrier)
		if c.Kind == event.KindTube {
			tubes = append(tubes, c.Key)
		}
	}
	slices.Sort(tubes)
	s.tubes[carrier] = tubes
	return tubes
}

func (s *inside) mark(what, carrier event.Key) {
	if s.kept[what] == nil {
		s.kept[what] = map[event.Key]bool{}
	}
	s.kept[what][carrier] = true
	s.marks[carrier] = append(s.marks[carrier], what)
}

// drop forgets the carriers that are kept with something, and every mark of them.
func (s *inside) drop(what event.Key) {
	for carrier := range s.kept[what] {
		for _, marked := range s.marks[carrier] {
			if delete(s.kept[marked], carrier); len(s.kept[marked]) == 0 {
				delete(s.kept, marked)
			}
		}
		delete(s.marks, carrier)
		delete(s.tubes, carrier)
	}
}

// forget forgets everything.
func (s *inside) forget() { *s = newInside() }

// changed takes in the facts of a tube or a carrier. A carrier that is put into another
// changes what that holds, and all that is around it: those are kept with it.
func (s *inside) changed(what event.Key, facts []event.Fact) {
	for _, f := range facts {
		switch f := f.(type) {
		case event.FlagRaised, event.FlagChanged, event.FlagCleared, event.FlagTaken, event.FlagActed, event.FlagOverridden, event.FlagPutAside,
			event.DoubtRaised, event.DoubtClosed:
			continue
		case event.Voided, event.SplitInto, event.Reidentified, event.TubeAssigned:
			s.forget() // what it takes back may be anything
			return
		case event.Packed:
			s.drop(f.Carrier)
		case event.SameMaterialAs:
			s.drop(f.Tube)
		case event.DerivedFrom:
			s.drop(f.Parent)
		case event.Unpacked:
			s.drop(f.Carrier)
		case event.Received:
			s.drop(f.Carrier)
		}
		s.drop(what)
	}
}
