// Package spinload decides which tubes go into a centrifuge first, so that the fewest
// tests are lost: programmes that can share a run, the latest start of a tube, and the
// load list of the next run. It is advice: what may be spun at all is the judge's answer.
//
// The policy is "most urgent first, fill with the same programme, set exhausted aside":
// earliest due date with fill. To lose as few as possible is NP-hard where runs are
// bounded and programmes can't be mixed (Brucker and others, Scheduling a batching machine,
// 1998). On the simulated mornings of the house's study of the engine this rule lost 82 to
// 89 % less than first come, first served, both without what is exhausted; setting that
// aside was worth a factor of 4 at overload, and waiting for full buckets was a loss.
// Looking three starts ahead lost less still, but nobody at a rack can check it; this
// rule is explained by the first tube of the list. TestSpinOrder in internal/bench measures it again.
//
// Three things that the policy leaves open are decided here. Due is the worst bound; where
// only the best bound still holds, the tube comes after all that can surely be saved.
// What has no due (no limit, or it can't be said) comes after those: waiting loses nothing
// that is known. It may wait long behind others, so the screen should show since when.
// Irreplaceable material with nothing left to save is spun all the same, in places that
// nothing else wants.
package spinload

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// Programme is what a tube asks of its run. Two programmes can share a run when they
// take the same time and some force and temperature suits both.
type Programme struct {
	Name   string
	G      int64       // relative centrifugal force in g, above 0
	Within int64       // so many g more or less will do as well; at least 0, below G
	Ms     int64       // from load to end in ms, with the handling that the house counts; above 0
	C      event.Range // temperatures that will do; not Known: none is asked for
}

// Machine is one centrifuge with the rotor that it has now.
type Machine struct {
	Places     int   // at least 1
	RadiusMm   int64 // of the rotor
	MostPerMin int64 // turns per minute that the rotor bears
	// C are temperatures that it can hold. Not Known: only programmes that ask for
	// none are run on it; silence doesn't read as fit.
	C event.Range
}

// Tube is a tube that stands before the centrifuges.
type Tube struct {
	Key       event.Key
	Programme Programme
	// Alive are the tests that are not lost yet, each with the interval in which it
	// will be if it isn't spun, as the judge gives it (Judgement.Due; zero: never, or
	// it can't be said). Lost counts the others. Tests gives both.
	Alive []stability.Interval
	Lost  int
	// Irreplaceable: never given up.
	Irreplaceable bool
	// Answer is what stability.Rack says now. Only spin and spin-hold are loaded.
	Answer event.RackAnswer
	Ready  event.Instant // not loaded before, as for clotting; 0: no wait
	Came   event.Instant // first here goes first, where nothing else tells them apart
}

// Tests gives what a load must know of a tube's judgements. Tests that were run, or
// whose limit has ended, have nothing to lose. A test that needs unspun blood isn't
// saved by a spin either.
func Tests(judged []stability.Judgement) (alive []stability.Interval, lost int) {
	for i := range judged {
		j := &judged[i]
		switch {
		case j.Run || j.Ended != 0 || j.NeedsUnspun:
		case j.Verdict == event.PastLimit || j.Verdict == event.WrongTube:
			lost++
		default:
			alive = append(alive, j.Due)
		}
	}
	return alive, lost
}

// Why says what becomes of a tube in a load list.
type Why string

// The answers for one tube.
const (
	Loaded         Why = "loaded"
	NoPlace        Why = "no-place"        // the run is full
	OtherProgramme Why = "other-programme" // can't share this run
	OtherMachine   Why = "other-machine"   // this one is too slow, or doesn't hold its temperature
	Waits          Why = "waits"           // not before Ready
	RunFirst       Why = "run-first"       // an unspun test must be run first
	SetAside       Why = "set-aside"       // exhausted: nothing that a spin could save
)

// Whys lists every answer.
func Whys() []Why {
	return []Why{Loaded, NoPlace, OtherProgramme, OtherMachine, Waits, RunFirst, SetAside}
}

// Row is one tube of a load list.
type Row struct {
	Key event.Key
	Why Why
	// Latest is the latest start at which no further test is lost, 0 where none is
	// due. Sure: by the worst bound; otherwise a test may be lost already.
	Latest event.Instant
	Sure   bool
}

// Load is the next run of one machine.
type Load struct {
	Run    Programme // what to set, with the name of its most urgent tube's; zero: nothing to load
	PerMin int64     // turns per minute for it
	Rows   []Row     // every tube that was asked about, most urgent first
}

// LatestStart gives the latest instant at which a programme of ms may begin so that a
// tube loses no test that can still be saved at now, and whether that is sure: by the worst
// bound. 0: nothing is due. Left is false when a spin that begins now saves nothing.
//
// At its due a test is still within its limit (over means strictly more), so a run may
// end just then.
func (t *Tube) LatestStart(now event.Instant) (latest event.Instant, sure, left bool) {
	s := t.standing(now)
	return s.latest, s.rank == inTime, s.rank != nothing
}

// rank orders what a tube has to lose.
type rank uint8

const (
	inTime  rank = iota // a test that is surely saved if it starts by latest
	perhaps             // only by the best bound
	noDue
	nothing
)

type standing struct {
	*Tube
	rank   rank
	latest event.Instant
}

func (t *Tube) standing(now event.Instant) standing {
	s := standing{Tube: t, rank: nothing}
	if len(t.Alive) == 0 && t.Lost == 0 {
		s.rank = noDue // its tests aren't told
	}
	ms := event.Instant(t.Programme.Ms)
	for _, due := range t.Alive {
		first, last := cmp.Or(due.Earliest, due.Latest), due.Latest
		switch {
		case first == 0:
			s.least(noDue, 0)
		case first-ms >= now:
			s.least(inTime, first-ms)
		case last == 0: // by the best bound it never is lost
			s.least(perhaps, maxInstant)
		case last-ms >= now:
			s.least(perhaps, last-ms)
		}
	}
	if s.latest == maxInstant {
		s.latest = 0
	}
	return s
}

const maxInstant = event.Instant(1<<63 - 1)

// least keeps the more urgent of what stands and what one test says.
func (s *standing) least(r rank, latest event.Instant) {
	if r < s.rank || r == s.rank && latest < s.latest {
		s.rank, s.latest = r, latest
	}
}

// order is most urgent first, and total: keys differ.
func order(a, b standing) int {
	end := func(s standing) event.Instant { return cmp.Or(s.latest, maxInstant) }
	return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(end(a), end(b)), cmp.Compare(a.Came, b.Came), cmp.Compare(a.Key, b.Key))
}

// Next gives the load list of a machine that is free at now. The most urgent tube that
// it can run opens the run; the others that can share it follow in their order while
// there are places. It doesn't wait for full buckets. The order in which tubes are given
// doesn't matter. An error names the field and the remedy.
func Next(m Machine, tubes []Tube, now event.Instant) (Load, error) {
	most, err := m.check()
	if err != nil {
		return Load{}, err
	}
	if err := check(tubes); err != nil {
		return Load{}, err
	}
	all := make([]standing, len(tubes))
	for i := range tubes {
		all[i] = tubes[i].standing(now)
	}
	slices.SortFunc(all, order)
	var run shared
	load, places := Load{Rows: make([]Row, 0, len(all))}, m.Places
	for _, s := range all {
		why := s.held(now)
		if why == "" {
			alone, fits := m.takes(s.Programme, most)
			switch {
			case !fits:
				why = OtherMachine
			case places == m.Places: // nothing is loaded yet
				run, load.Run.Name, load.Run.G, why = alone, s.Programme.Name, s.Programme.G, Loaded
			default:
				why = run.join(alone, places)
			}
		}
		if why == Loaded {
			places--
		}
		load.Rows = append(load.Rows, Row{Key: s.Key, Why: why, Latest: s.latest, Sure: s.rank == inTime})
	}
	if places == m.Places {
		return load, nil
	}
	load.Run = run.set(load.Run.Name, load.Run.G)
	load.PerMin, err = PerMin(m.RadiusMm, load.Run.G)
	return load, err
}

// held says why a tube is not for any run now, or nothing.
func (s standing) held(now event.Instant) Why {
	switch {
	case s.Answer == event.RackNothingLeft:
		return SetAside
	case s.Answer == event.RackRunFirst:
		return RunFirst
	case s.Answer == event.RackWait || s.Ready > now:
		return Waits
	case s.rank == nothing && !s.Irreplaceable:
		return SetAside // the judge's answer changes only at the due; a run would end after it
	}
	return ""
}

// shared is what all tubes of a run can bear.
type shared struct {
	low, high int64 // g
	ms        int64
	c         event.Range
}

// join narrows a run for one more tube, if it can be shared and a place is left.
func (r *shared) join(o shared, places int) Why {
	c, fits := meet(r.c, o.c)
	low, high := max(r.low, o.low), min(r.high, o.high)
	if !fits || r.ms != o.ms || low > high {
		return OtherProgramme
	}
	if places == 0 {
		return NoPlace
	}
	r.low, r.high, r.c = low, high, c
	return Loaded
}

// Share tells whether two programmes can stand in one run: tubes of both fit each other.
// Where each two of some programmes can, all of them can: forces and temperatures are
// intervals, and intervals that meet two by two have a point in common (Helly).
func Share(a, b Programme) bool {
	_, ok := Together([]Programme{a, b})
	return ok
}

// Together gives what suits all of some programmes, with the name of the first and a force
// as near as can be to that of the first; false when they can't stand in one run.
func Together(all []Programme) (Programme, bool) {
	var run shared
	for i, p := range all {
		alone := shared{low: p.G - p.Within, high: p.G + p.Within, ms: p.Ms, c: p.C}
		if i == 0 {
			run = alone
		} else if run.join(alone, 1) != Loaded {
			return Programme{}, false
		}
	}
	if len(all) == 0 {
		return Programme{}, false
	}
	return run.set(all[0].Name, all[0].G), true
}

// set is what to set for a run, near a force.
func (r *shared) set(name string, g int64) Programme {
	g = min(max(g, r.low), r.high)
	return Programme{Name: name, G: g, Within: min(g-r.low, r.high-g), Ms: r.ms, C: r.c}
}

// meet gives the temperatures that suit both; whoever asks for none takes any.
func meet(a, b event.Range) (event.Range, bool) {
	if !a.Known || !b.Known {
		if b.Known {
			a = b
		}
		return a, true
	}
	out := event.Range{Low: max(a.Low, b.Low), High: min(a.High, b.High), Known: true}
	return out, out.Low <= out.High
}

// takes says in which bounds the machine, whose force is most g, can run a programme.
func (m *Machine) takes(p Programme, most int64) (shared, bool) {
	out := shared{low: p.G - p.Within, high: min(p.G+p.Within, most), ms: p.Ms}
	if out.low > out.high {
		return out, false
	}
	if !p.C.Known {
		return out, true
	}
	c, fits := meet(p.C, m.C)
	out.c = c
	return out, fits && m.C.Known
}

// check gives the most g that the machine makes.
func (m *Machine) check() (most int64, err error) {
	if m.Places < 1 {
		return 0, fmt.Errorf("places: %d is no number of places; give 1 or more", m.Places)
	}
	if m.C.Known && m.C.Low > m.C.High {
		return 0, errors.New("temperatures of the centrifuge: the lowest is above the highest; change them over")
	}
	milli, err := RCF(m.RadiusMm, m.MostPerMin)
	if err != nil {
		return 0, fmt.Errorf("centrifuge: %w", err)
	}
	return milli / 1000, nil
}

func check(tubes []Tube) error {
	seen := make(map[event.Key]bool, len(tubes))
	for i := range tubes {
		t := &tubes[i]
		p := &t.Programme
		switch {
		case seen[t.Key]:
			return fmt.Errorf("tube %s stands twice in the list; give it once", t.Key)
		case !slices.Contains(event.RackAnswers(), t.Answer):
			return fmt.Errorf("tube %s: answer %q is none of the rack; give what the judge says", t.Key, t.Answer)
		case p.Ms <= 0:
			return fmt.Errorf("tube %s: programme %q takes %d ms; give more than 0", t.Key, p.Name, p.Ms)
		case p.G <= 0 || p.G > mostG:
			return fmt.Errorf("tube %s: programme %q asks for %d g; give 1 to %d", t.Key, p.Name, p.G, mostG)
		case p.Within < 0 || p.Within >= p.G:
			return fmt.Errorf("tube %s: programme %q allows %d g more or less of %d g; give 0 or more, below it", t.Key, p.Name, p.Within, p.G)
		case p.C.Known && p.C.Low > p.C.High:
			return fmt.Errorf("tube %s: programme %q has its lowest temperature above the highest; change them over", t.Key, p.Name)
		}
		seen[t.Key] = true
	}
	return nil
}
