package custody

import (
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// NoTests in a test list says that nothing shall be tested: the tube is only moved.
const NoTests = "none"

// orders works out the tests from what was said of the tube and of its requests.
func (d *derived) orders(w *World, t event.Instant) {
	tube := &d.tube
	named := make(map[string]bool)
	said := false
	say := func(tests []string) {
		for _, test := range tests {
			named[test] = true
		}
		said = said || len(tests) > 0
	}
	for i := range d.trail.own {
		s := &d.trail.own[i]
		if s.Voided {
			continue
		}
		for _, fact := range s.Facts {
			switch f := fact.(type) {
			case event.TubePrepared:
				say(f.Tests)
			case event.Collected:
				say(f.Tests)
			case event.DerivedFrom:
				say(f.Tests)
			}
		}
	}
	if d.parent != nil && tube.Relabel && d.parent.tube.TestsKnown {
		say(d.parent.tube.Tests)
		said = true
	}
	requests := d.requests(w, t)
	d.orderedBy = requests
	whole := make([]string, 0)
	for _, req := range requests {
		for _, a := range req.Assigned {
			if a.Tube == tube.Key {
				say(a.Tests)
				keepFirst(&tube.Type, a.Type)
				keepFirst(&d.assigned, a.Type)
			}
		}
		whole = append(whole, req.Ordered...)
	}
	if !said {
		say(whole) // the request names no tube for its tests: each may carry them
	}
	for _, req := range requests {
		keepFirst(&tube.Request, req.Key)
		keepFirst(&tube.Patient, req.Patient)
		d.apply(req, named, &said)
	}
	tube.CustodyOnly = said && named[NoTests] || tube.Cancelled
	delete(named, NoTests)
	tube.TestsKnown = said || tube.Cancelled
	if tube.Cancelled {
		clear(named)
	}
	for test := range named {
		tube.Tests = append(tube.Tests, test)
	}
	slices.Sort(tube.Tests)
	tube.Added = slices.DeleteFunc(tube.Added, func(s string) bool { return !named[s] })
	slices.Sort(tube.Added)
	tube.Added = slices.Compact(tube.Added)
}

// apply folds one request into what the tube is to be tested for.
func (d *derived) apply(req *Request, named map[string]bool, said *bool) {
	tube := &d.tube
	tube.Irreplaceable = tube.Irreplaceable || req.Irreplaceable
	keepFirst(&tube.Priority, req.Priority)
	keepFirst(&tube.Destination, req.Destination)
	tube.Cancelled = tube.Cancelled || req.Cancelled
	for name, yes := range req.Conditions {
		if tube.Conditions == nil {
			tube.Conditions = make(map[string]bool)
		}
		tube.Conditions[name] = yes
	}
	for _, test := range req.Added {
		if !named[test] {
			tube.Added = append(tube.Added, test)
		}
		named[test], *said = true, true
	}
	for _, test := range req.Withdrawn {
		delete(named, test)
	}
}

// requests gives the requests of the tube: those it names and those that name
// it. An aliquot is judged for its own tests, with its parent's conditions.
func (d *derived) requests(w *World, t event.Instant) []*Request {
	keys := slices.Clone(w.assigned[d.tube.Key])
	if d.tube.Request != "" {
		keys = keys.with(d.tube.Request)
	}
	var out []*Request
	for _, key := range keys {
		req, ok := w.requestAt(key, t)
		if ok && (key == d.tube.Request || slices.ContainsFunc(req.Assigned, func(a Assignment) bool { return a.Tube == d.tube.Key })) {
			out = append(out, req)
		}
	}
	return out
}

// conditions reads "name=yes" and "name=no"; anything else states nothing.
func conditions(list []string) map[string]bool {
	out := make(map[string]bool)
	for _, c := range list {
		name, value, ok := strings.Cut(c, "=")
		if ok && (value == "yes" || value == "no") {
			out[name] = value == "yes"
		}
	}
	return out
}

func mark(s *Step, reason string, note event.Ciphertext) Mark {
	place := s.Record.Place
	return Mark{At: s.At(), By: s.Record.Actor, Place: place, Reason: reason, Note: note, Scan: idOf(s.Record)}
}

// life reads the changes, endings and marks of the tube, its own and by box.
func (d *derived) life(w *World, until event.Instant) {
	t := &d.tube
	spins := 0
	for _, c := range t.Changes {
		if c.What == Spun || c.What == SpunAgain {
			spins++
		}
	}
	var bench Change
	for i := range d.trail.steps {
		s := &d.trail.steps[i]
		if s.Voided {
			continue
		}
		at := s.At()
		if d.first == 0 && anyPhysical(s.Facts) {
			d.first = at
		}
		for _, fact := range s.Facts {
			switch f := fact.(type) {
			case event.SpinStarted:
				t.Spinning = mark(s, f.Programme, event.Ciphertext{})
			case event.SpinFailed:
				t.Spinning = Mark{}
			case event.SpinEnded:
				t.Spinning = Mark{}
				t.Changes = append(t.Changes, Change{What: spun(spins), At: at, Earliest: at})
				t.Ended = append(t.Ended, Ended{What: event.EndsSpun, At: at})
				spins++
			case event.AcceptedForTesting:
				bench = d.accepted(w, s, bench)
			case event.AcceptedWithDeviation:
				bench = d.accepted(w, s, bench)
			case event.DerivedFrom:
				if spins > 0 && !s.Inherited {
					t.Changes = append(t.Changes, Change{What: Separated, At: at, Earliest: at})
				}
			default:
				d.ending(s, fact)
				d.marks(s, fact)
			}
		}
	}
	d.benchSpin(bench, spins, until)
	if !t.Collected && t.Zero.Latest == 0 {
		t.Zero.Latest = d.first
	}
	d.handling()
}

func spun(before int) ChangeKind {
	if before > 0 {
		return SpunAgain
	}
	return Spun
}

// accepted marks the acceptance and gives the declared practice of the bench.
func (d *derived) accepted(w *World, s *Step, bench Change) Change {
	if !d.tube.Accepted.Is() {
		d.tube.Accepted = mark(s, "", event.Ciphertext{})
	}
	place, ok := w.PlaceAt(s.Record.Place, s.At())
	if ok && place.BenchSpinMin > 0 && bench.At == 0 {
		bench = Change{What: Spun, At: s.At() + event.Instant(place.BenchSpinMin)*60_000, Earliest: s.At(), Declared: true}
	}
	return bench
}

// benchSpin: where the laboratory declared "accepted at the bench counts as spun
// within so many minutes", its latest instant stands in for a spin scan. A spin
// that was scanned says more and wins.
func (d *derived) benchSpin(bench Change, spins int, until event.Instant) {
	if bench.At == 0 || spins > 0 || until != 0 && bench.At > until {
		return
	}
	t := &d.tube
	t.Changes = insertBy(t.Changes, bench, func(c Change) event.Instant { return c.At })
	t.Ended = insertBy(t.Ended, Ended{What: event.EndsSpun, At: bench.At}, func(e Ended) event.Instant { return e.At })
}

func insertBy[T any](list []T, item T, at func(T) event.Instant) []T {
	i := len(list)
	for i > 0 && at(list[i-1]) > at(item) {
		i--
	}
	return slices.Insert(list, i, item)
}

// ending reads what ends limits or changes the material.
func (d *derived) ending(s *Step, fact event.Fact) {
	t, at := &d.tube, s.At()
	end := func(what event.Ending, tests []string) {
		t.Ended = append(t.Ended, Ended{What: what, At: at, Tests: tests})
	}
	switch f := fact.(type) {
	case event.Measured:
		switch f.What {
		case "set-up":
			end(event.EndsSetUp, f.Tests)
		case "tested":
			end(event.EndsTested, f.Tests)
		case "transfused":
			end(event.EndsTransfused, f.Tests)
		default:
			end(event.EndsMeasured, f.Tests)
		}
	case event.FilmMade:
		end(event.EndsFilmMade, nil)
	case event.IncubationStarted:
		end(event.EndsIncubated, f.Tests)
	case event.Frozen:
		t.Changes = append(t.Changes, Change{What: Froze, At: at, Earliest: at})
		end(event.EndsFrozen, nil)
	case event.Thawed:
		t.Changes = append(t.Changes, Change{What: ThawedOut, At: at, Earliest: at})
	}
}

// marks reads the steps that a person asks for by name.
func (d *derived) marks(s *Step, fact event.Fact) {
	t := &d.tube
	switch f := fact.(type) {
	case event.Received:
		if !t.Received.Is() {
			t.Received = mark(s, "", event.Ciphertext{})
		}
	case event.Rejected:
		t.Rejected = mark(s, f.Reason, f.Note)
	case event.Disposed:
		if !t.Disposed.Is() {
			t.Disposed = mark(s, f.Reason, f.Note)
		}
	case event.DeclaredLost:
		t.Lost = mark(s, f.Reason, f.Note)
	case event.Found:
		t.Lost = Mark{}
	case event.Stored:
		t.Stored = mark(s, "", event.Ciphertext{})
		keepFirst(&t.Stored.Place, f.Place)
	case event.Retrieved:
		t.Stored = Mark{}
	case event.Referred:
		t.Referred, t.Due = mark(s, "", event.Ciphertext{}), f.Due
		t.Referred.Reason = f.To
	case event.ResultIssued:
		t.Resulted = mark(s, "", event.Ciphertext{})
	case event.Destined:
		t.Destination = f.Place
	case event.Redirected:
		t.Destination = f.Place
	case event.SplitInto:
		t.Parts = append(t.Parts, f.Tubes...)
	}
}

// handling reads attestations. What was attested of a carrier holds for the
// tube while it was inside. Kept cold or warm ends, if nobody said when, where
// somebody next had the tube in hand to work on it; foil ends when it is opened.
func (d *derived) handling() {
	t := &d.tube
	for i := range d.trail.steps {
		s := &d.trail.steps[i]
		if s.Voided {
			continue
		}
		for _, fact := range s.Facts {
			f, ok := fact.(event.HandlingAttested)
			if !ok {
				d.endHandling(s, fact)
				continue
			}
			h := Handling{What: f.Handling, From: f.From, Until: f.Until, By: s.Record.Actor, Inherited: s.Inherited}
			if h.From == 0 || s.Inherited && h.From < d.trail.in[i] {
				h.From = max(s.At(), d.trail.in[i])
				if f.From != 0 {
					h.From = max(f.From, d.trail.in[i])
				}
			}
			if h.Until != 0 && h.Until <= h.From {
				continue
			}
			t.Handling = append(t.Handling, h)
		}
	}
	for _, h := range t.Handling {
		t.InFoil = t.InFoil || h.What == "in-foil" && h.Until == 0
	}
}

func (d *derived) endHandling(s *Step, fact event.Fact) {
	var opened, handled bool
	switch fact.(type) {
	case event.Opened, event.Disposed, event.Measured:
		opened, handled = true, true
	case event.Received, event.SpinStarted, event.Unpacked, event.AcceptedForTesting:
		handled = true
	}
	if s.Inherited {
		return
	}
	for i := range d.tube.Handling {
		h := &d.tube.Handling[i]
		if h.Until == 0 && (opened || handled && h.What != "in-foil" && h.What != "upright" || handled && h.Inherited) {
			h.Until = max(h.From, s.At())
		}
	}
}

// offCells: an aliquot ends, on its parent, the limits that run until the
// material is off the cells.
func (d *derived) offCells(w *World, until event.Instant) {
	t := &d.tube
	for _, child := range w.children[t.Key] {
		agg := w.agg(event.KindTube, child)
		if agg == nil {
			continue
		}
		for _, s := range foldRecords(event.KindTube, upTo(agg.all(), until), agg.voids) {
			if s.Voided {
				continue
			}
			if f, ok := first[event.DerivedFrom](s.Facts); ok && f.Parent == t.Key {
				t.Children = append(t.Children, child)
				t.Ended = insertBy(t.Ended, Ended{What: event.EndsOffCells, At: s.At(), Tests: f.Tests},
					func(e Ended) event.Instant { return e.At })
				break
			}
			if f, ok := first[event.SameMaterialAs](s.Facts); ok && f.Tube == t.Key {
				t.NewLabel = child
				d.relabelled = (f.Reason != "" || len(f.Note.Box) > 0) && s.Record.Witness != "" && s.Record.Witness != s.Record.Actor
				break
			}
		}
	}
	for _, draw := range w.asked[t.Key] {
		if w.asksFor(draw, t.Key, until) {
			t.Asked = append(t.Asked, draw)
		}
	}
}

// flags folds the one flag of the tube and what people answered.
func (d *derived) flags(own []Step) {
	fs := &d.tube.Flag
	var answers []answer
	for i := range own {
		s := &own[i]
		if s.Voided {
			continue
		}
		for _, fact := range s.Facts {
			if n := answered(fact); n != 0 {
				answers = append(answers, answer{s, fact, n})
				continue
			}
			fs.apply(s, fact)
		}
	}
	for _, a := range answers {
		if fs.Open && a.episode == fs.Flag.Episode {
			fs.apply(a.step, a.fact)
		}
	}
}

// FlagUp reports whether the flag of a tube is up, by the tube's own steps. It says no of
// what rests, whose flags are down, and wakes nothing.
func (w *World) FlagUp(tube event.Key) bool {
	agg := w.logs[event.KindTube][tube]
	if agg == nil {
		return false
	}
	var d derived
	d.flags(foldRecords(event.KindTube, agg.glance(), agg.voids))
	return d.tube.Flag.Open
}

// answer is what a person said about an episode of the flag. It counts for that
// episode wherever it sorts: a phone whose clock is a little slow takes a flag
// "before" the judge raised it.
type answer struct {
	step    *Step
	fact    event.Fact
	episode int64
}

// answered gives the episode that a fact answers, 0 when it is no answer or names none.
func answered(fact event.Fact) int64 {
	switch f := fact.(type) {
	case event.FlagTaken:
		return f.Episode
	case event.FlagActed:
		return f.Episode
	case event.FlagPutAside:
		return f.Episode
	case event.FlagOverridden:
		return f.Episode
	default:
		return 0
	}
}

func (fs *FlagState) apply(s *Step, fact event.Fact) {
	mine := func(episode int64) bool { return fs.Open && (episode == 0 || episode == fs.Flag.Episode) }
	switch f := fact.(type) {
	case event.FlagRaised:
		before := *fs
		*fs = FlagState{Open: true, Flag: f.Flag, Since: s.At(), LastEpisode: max(fs.LastEpisode, f.Flag.Episode)}
		if before.Beforehand {
			fs.Overridden, fs.Beforehand = before.Overridden, true
		}
	case event.FlagChanged:
		if mine(f.Flag.Episode) {
			fs.Flag = f.Flag
		}
	case event.FlagCleared:
		if mine(f.Episode) {
			fs.Open, fs.Cleared = false, mark(s, f.Reason, event.Ciphertext{})
		}
	case event.FlagTaken:
		if mine(f.Episode) {
			fs.Taken = mark(s, "", event.Ciphertext{})
		}
	case event.FlagActed:
		if mine(f.Episode) {
			fs.Acted = append(fs.Acted, mark(s, f.Action, event.Ciphertext{}))
		}
	case event.FlagPutAside:
		if mine(f.Episode) {
			fs.PutAside, fs.AsideUntil = mark(s, f.Reason, event.Ciphertext{}), f.Until
		}
	case event.FlagOverridden:
		if f.Episode == 0 || mine(f.Episode) {
			fs.Overridden, fs.Beforehand = mark(s, f.Reason, f.Note), f.Episode == 0
		}
	}
}
