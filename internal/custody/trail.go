package custody

import (
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

// state is where a thing is and who answers for it.
type state struct {
	place   string
	holder  string
	moving  bool // since a take or departure, until it is known to be somewhere
	byHand  bool // holder is a person, not a place
	mode    string
	route   event.Key
	carrier event.Key   // what it is directly in
	chain   []event.Key // innermost first; chain[0] == carrier
	inSince event.Instant
	// hand is who has the carrier on the way: who packed into it, then who took it.
	hand string

	// What the doubts need to remember:
	released *Step         // given up and not taken yet
	untaken  event.Instant // since when that must have been taken
	reported bool          // a movement was reported since it was last known to be somewhere
	gap      []string      // ids of a reception by box that no leg led to
	anchor   string        // id of the step that gave the place
	received bool          // the laboratory had it by itself
	taken    string        // id of the step by which the holder took it
	was      event.Key     // what it was directly in before it left

	// The arrival that its last departure promised, 0 for none; from where, and by which step.
	due     event.Instant
	dueFrom string
	dueScan string

	// The last place that doesn't move, when it was last known there, and by which step.
	fixed     string
	fixedAt   event.Instant
	fixedScan string
}

// trail is what happened to one thing, its own steps and those of its carriers.
type trail struct {
	own      []Step
	steps    []Step          // in order of time
	in       []event.Instant // per step: since when it was in its carrier then, 0 for not
	states   []state         // per step: the state after it
	findings []finding
}

func (t *trail) last() state {
	if len(t.states) == 0 {
		return state{}
	}
	return t.states[len(t.states)-1]
}

// Boxes in bags in boxes: nobody nests deeper, and a ring of carriers ends here.
const deepest = 6

// walk follows one thing through its own steps and its carriers'.
type walk struct {
	w     *World
	self  Target
	stack []event.Key // carriers that are being followed, so that a ring ends
	to    event.Instant
	st    state
	// cursor is the last own step up to which the carrier's steps are applied.
	cursor *event.Record
	out    *trail
}

// trailOf follows t through its own folded steps up to an instant (0: to the last).
func (w *World) trailOf(t Target, own []Step, to event.Instant, start state) *trail {
	k := &walk{w: w, self: t, to: to, st: start, out: &trail{own: own}}
	if t.Kind == event.KindCarrier {
		k.stack = []event.Key{t.Key}
	}
	k.run(own)
	return k.out
}

// room makes place for n steps and a few inherited ones at once.
func (t *trail) room(n int) {
	n += 4
	t.steps, t.states, t.in = make([]Step, 0, n), make([]state, 0, n), make([]event.Instant, 0, n)
}

func (k *walk) run(own []Step) {
	k.out.room(len(own))
	for i := range own {
		s := &own[i]
		if k.to != 0 && s.At() > k.to {
			break
		}
		if s.Voided {
			k.emit(*s)
			continue
		}
		k.inherit(s.Record)
		k.travel(s, true)
		k.unexpected(s)
		k.contradict(s)
		k.move(s, true)
		if k.st.inSince != s.At() || !holds[event.Packed](s.Facts) {
			k.cursor = s.Record
		}
		k.emit(*s)
	}
	k.inherit(nil)
	k.unclaimed()
	k.overdue()
}

// unclaimed: it was released and nobody took it.
func (k *walk) unclaimed() {
	if r := k.st.released; r != nil && !r.Inherited {
		k.find(event.DoubtOneSidedHandoff, k.st.untaken, idOf(r.Record))
	}
}

func (k *walk) find(doubt event.Doubt, since event.Instant, causes ...string) {
	k.out.findings = append(k.out.findings, finding{doubt: doubt, causes: causes, since: since})
}

func (k *walk) emit(s Step) {
	k.out.steps = append(k.out.steps, s)
	k.out.states = append(k.out.states, k.st)
	k.out.in = append(k.out.in, k.st.inSince)
}

func (k *walk) leave() {
	if k.st.carrier != "" {
		k.st.was = k.st.carrier
	}
	k.st.carrier, k.st.chain, k.st.inSince = "", nil, 0
}

// inherit applies what happened to the carrier since it was entered and before
// the own step next (nil: up to the end). A carrier's step of the very instant
// of packing is inherited, for it can't be told which came first; only emptying
// must be later.
func (k *walk) inherit(next *event.Record) {
	c := k.st.carrier
	if c == "" || len(k.stack) >= deepest || slices.Contains(k.stack, c) {
		return
	}
	from := k.st.inSince
	if k.cursor != nil {
		from = max(from, k.cursor.Occurred)
	}
	events, chains := k.w.carrierTrail(c, from, next, k.to, append(k.stack[:len(k.stack):len(k.stack)], c))
	for i := range events {
		s := events[i]
		emptied := holds[event.Emptied](s.Facts)
		if k.cursor != nil && s.Record.Before(k.cursor) || emptied && s.At() <= k.st.inSince {
			continue
		}
		k.st.chain = chains[i]
		k.travel(&s, false)
		k.move(&s, false)
		out := emptied && s.By == c
		if out {
			k.emptied(&s)
		}
		k.emit(s)
		if out {
			return
		}
	}
}

// emptied: what should have been inside when a person saw nothing left is
// missing. A rack in the laboratory is emptied without a scan of each tube.
func (k *walk) emptied(s *Step) {
	if !k.st.received && k.w.carrierKind(k.st.carrier) != "rack" {
		k.find(event.DoubtMissing, s.At(), idOf(s.Record))
	}
	k.leave()
}

// carrierTrail gives what happened to carrier c, and to what it was in, from an
// instant to a record or an instant, with the chain of carriers after each step.
func (w *World) carrierTrail(c event.Key, from event.Instant, next *event.Record, to event.Instant, stack []event.Key) ([]Step, [][]event.Key) {
	agg := w.logs[event.KindCarrier][c]
	if agg == nil {
		return nil, nil
	}
	own := agg.steps()
	begin := sort.Search(len(own), func(i int) bool { return own[i].At() >= from })
	// A carrier that was packed earlier may still be inside: begin at that pack. One that is
	// packed later may come from where it was before: whether it stays inside hangs on that.
	n := sort.Search(len(agg.nests), func(i int) bool { return agg.nests[i] >= begin })
	for _, n := range []int{n - 1, n} {
		if n >= 0 && n < len(agg.nests) && holds[event.Packed](own[agg.nests[n]].Facts) {
			begin = min(begin, w.settled(agg, n))
		}
	}
	end := len(own)
	if next != nil {
		end = sort.Search(len(own), func(i int) bool { return !own[i].Record.Before(next) })
	}
	if begin > end {
		begin = end
	}
	if next != nil && (to == 0 || next.Occurred < to) {
		to = next.Occurred
	}
	k := &walk{w: w, self: Target{event.KindCarrier, c}, stack: stack, to: to, out: &trail{}}
	k.run(own[begin:end])
	var steps []Step
	var chains [][]event.Key
	for i := range k.out.steps {
		s := k.out.steps[i]
		if s.Voided || s.At() < from || next != nil && !s.Record.Before(next) {
			continue
		}
		if !s.Inherited {
			s.Inherited, s.By = true, c
		}
		steps = append(steps, s)
		chains = append(chains, append([]event.Key{c}, k.out.states[i].chain...))
	}
	return steps, chains
}

// settled is the step from which a carrier must be followed to know what it was in after
// its nest n. Packed at a place that stands still it is known to be there, whatever was
// before; packed on the way, or without a place, it is with whoever had it.
func (w *World) settled(agg *aggregate, n int) int {
	for ; n >= 0; n-- {
		if place := agg.steps()[agg.nests[n]].Record.Place; place != "" && !w.vehicle(place) {
			return agg.nests[n]
		}
	}
	return 0
}

// chainOf gives the carriers around c at an instant, c first.
func (w *World) chainOf(c event.Key, at event.Instant, stack []event.Key) []event.Key {
	agg := w.logs[event.KindCarrier][c]
	chain := []event.Key{c}
	if agg == nil || len(stack) >= deepest || slices.Contains(stack, c) {
		return chain
	}
	own := agg.steps()
	end := sort.Search(len(own), func(i int) bool { return own[i].At() > at })
	n := sort.Search(len(agg.nests), func(i int) bool { return agg.nests[i] >= end })
	if n == 0 || !holds[event.Packed](own[agg.nests[n-1]].Facts) {
		return chain
	}
	k := &walk{w: w, self: Target{event.KindCarrier, c}, stack: append(stack[:len(stack):len(stack)], c), to: at, out: &trail{}}
	k.run(own[w.settled(agg, n-1):end])
	return append(chain, k.st.chain...)
}

// unexpected: it was taken out of a carrier that didn't hold it by what was scanned.
func (k *walk) unexpected(s *Step) {
	for _, fact := range s.Facts {
		var from event.Key
		switch f := fact.(type) {
		case event.Unpacked:
			from = f.Carrier
		case event.Received:
			from = f.Carrier
		}
		if from != "" && from != k.st.was && !slices.Contains(k.st.chain, from) {
			causes := []string{idOf(s.Record)}
			if k.st.carrier != "" && k.st.anchor != "" {
				causes = append(causes, k.st.anchor)
			}
			k.find(event.DoubtExtra, s.At(), causes...)
		}
	}
}

// contradict raises the doubt when an own step can't be true inside the carrier.
func (k *walk) contradict(s *Step) {
	if !k.contradicts(s) {
		return
	}
	causes := []string{idOf(s.Record)}
	if k.st.anchor != "" {
		causes = append(causes, k.st.anchor)
	}
	k.find(event.DoubtNotInCarrier, s.At(), causes...)
	if holds[event.Seen](s.Facts) {
		// Who had it in hand says more than who carried the box it wasn't in.
		k.st.holder, k.st.byHand, k.st.moving = s.Record.Actor, true, false
	}
	k.leave()
}

// contradicts: the thing was scanned by itself at a place, or by hands, where
// its carrier is not. Receiving it or working on it is the ordinary way out of a
// carrier and contradicts nothing: tubes are carried from a hatch to a bench.
func (k *walk) contradicts(s *Step) bool {
	if k.st.carrier == "" || !present(s.Facts) || wayOut(s.Facts) {
		return false
	}
	rec := s.Record
	with := func(person string) bool {
		return person != "" && (rec.Actor == person || rec.OnBehalf == person || rec.Witness == person)
	}
	f, taken := first[event.TakenOver](s.Facts)
	if taken && (f.From != "" && f.From == k.st.holder || k.withCarrier(rec)) {
		return false // handed out of the carrier by who has it, or taken together with it
	}
	if k.st.moving && k.st.hand != "" {
		return !with(k.st.hand) && f.From != k.st.hand
	}
	return rec.Place != "" && k.st.place != "" && rec.Place != k.st.place
}

// present: the scan shows where the thing was; an attestation or a remark may
// be written down anywhere.
func present(facts []event.Fact) bool {
	for _, f := range facts {
		switch f.(type) {
		case event.Packed, event.Collected:
		default:
			if shown(f) {
				return true
			}
		}
	}
	return false
}

// shown: somebody had the thing before them where they scanned it.
func shown(f event.Fact) bool {
	switch f.(type) {
	case event.HandlingAttested, event.DefectNoted:
		return false
	}
	return physical(f)
}

// wayOut: steps at which a tube leaves its carrier in the ordinary way.
func wayOut(facts []event.Fact) bool {
	for _, f := range facts {
		switch f.(type) {
		case event.Received, event.AcceptedForTesting, event.AcceptedWithDeviation, event.Rejected, event.SpinStarted,
			event.SpinEnded, event.Measured, event.FilmMade, event.Opened, event.Disposed, event.Arrived, event.Unpacked,
			event.Found:
			return true
		}
	}
	return false
}

// LastScan is the instant of the last step that a person scanned, up to an instant
// (0: of all), 0 when there is none. That a carrier was emptied then doesn't show what
// wasn't in it.
func LastScan(steps []Step, until event.Instant) event.Instant {
	for i := len(steps) - 1; i >= 0; i-- {
		s := &steps[i]
		if !s.Voided && s.Record.Step != "" && (until == 0 || s.At() <= until && !holds[event.Emptied](s.Facts)) {
			return s.At()
		}
	}
	return 0
}
