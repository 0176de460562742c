package ageing

import "specimen.example/custody/internal/event"

// Levels are the ascending values of use that are announced for an account: one
// list for every test on its curve, warnings and limits alike.
type Levels struct {
	At []int64
	// Certain, where it is given, are levels of the lower clock of their own: both lists
	// are waited for side by side, and levels of the lower clock are announced by their
	// index in this one.
	Certain []int64
	// CertainOnly: only the lower clock counts. Without it a level is announced
	// when the upper clock meets it (it may be met), and once all are, again when
	// the lower clock does (it is met for certain).
	CertainOnly bool
}

// BudgetAccount is the use of one tube on one curve. It stands in exactly one
// queue of its clock while the tube is in a source and a level is still ahead.
type BudgetAccount struct {
	closed       Use // of closed stays
	base         Use // clock value at the start of the open stay
	tube, curve  int32
	levels       int32
	place        [4]int32 // by queue.which
	met, certain uint8    // levels met by the upper and by the lower clock
	open         bool     // the tube is in a source now
	revision     uint32   // counts retractions
}

// Announcement says that a level was met, or (Retraction) that one which was
// announced is not met after all. Level is an index into the account's levels.
type Announcement struct {
	Tube, Curve int32
	Level       int
	Certain     bool
	Retraction  bool
	Revision    uint32        // of the account: how often it was retracted before
	Watermark   event.Instant // the facts up to here are what it rests on
}

// lower gives the levels of the lower clock.
func (l *Levels) lower() []int64 {
	if l.Certain != nil {
		return l.Certain
	}
	return l.At
}

// levelsMet gives how many levels a use has met. With one list the lower clock is
// asked only when the upper one has nothing left to say.
func (l *Levels) levelsMet(u Use) (met, certain uint8) {
	if !l.CertainOnly {
		for int(met) < len(l.At) && l.At[met] <= u.Upper {
			met++
		}
		if l.Certain == nil && int(met) < len(l.At) {
			return met, 0
		}
	}
	lower := l.lower()
	for int(certain) < len(lower) && lower[certain] <= u.Lower {
		certain++
	}
	return met, certain
}

// use is the use of an account up to the watermark of its source.
func (e *Engine) use(a *BudgetAccount) Use {
	if !a.open {
		return a.closed
	}
	s := &e.sources[e.tubes[a.tube].source()]
	return a.closed.plus(s.clocks[s.clockOf[a.curve]].now).minus(a.base)
}

// reassess compares an account with its levels, announces what changed, and puts
// it into the queues where it belongs.
func (e *Engine) reassess(id int32) {
	a := &e.accounts[id]
	e.counts.Touched++
	l := &e.levels[a.levels]
	met, certain := l.levelsMet(e.use(a))
	e.announce(a, met, certain)
	if !a.open {
		return
	}
	s := &e.sources[e.tubes[a.tube].source()]
	c := &s.clocks[s.clockOf[a.curve]]
	e.leave(c, id)
	lower := l.lower()
	key := func(v int64) Use { // clock value at which a level is met
		return Use{v, v}.plus(a.base).minus(a.closed)
	}
	ahead := !l.CertainOnly && int(met) < len(l.At)
	if ahead {
		c.next[0].push(e.accounts, id, key(l.At[met]).Upper)
	}
	if int(certain) < len(lower) && (!ahead || l.Certain != nil) {
		c.next[1].push(e.accounts, id, key(lower[certain]).Lower)
	}
	if met > 0 {
		c.met[0].push(e.accounts, id, -key(l.At[met-1]).Upper)
	}
	if certain > 0 {
		c.met[1].push(e.accounts, id, -key(lower[certain-1]).Lower)
	}
	e.counts.Queued += a.stands()
}

// stands gives the number of queues that an account stands in.
func (a *BudgetAccount) stands() (n int64) {
	for _, i := range a.place {
		if i != nowhere {
			n++
		}
	}
	return n
}

// leave takes an account out of every queue of a clock.
func (e *Engine) leave(c *Clock, id int32) {
	e.counts.Queued += e.accounts[id].stands()
	for side := range c.next {
		c.next[side].remove(e.accounts, id)
		c.met[side].remove(e.accounts, id)
	}
}

func (e *Engine) announce(a *BudgetAccount, met, certain uint8) {
	if met == a.met && certain == a.certain {
		return
	}
	say := func(level uint8, sure, retract bool) {
		e.said = append(e.said, Announcement{
			Tube: a.tube, Curve: a.curve, Level: int(level), Certain: sure, Retraction: retract,
			Revision: a.revision, Watermark: e.watermarkOf(a.tube),
		})
	}
	lost := met < a.met || certain < a.certain
	for a.certain > certain {
		a.certain--
		say(a.certain, true, true)
	}
	for a.met > met {
		a.met--
		say(a.met, false, true)
	}
	if lost {
		a.revision++
	}
	for ; a.met < met; a.met++ {
		say(a.met, false, false)
	}
	for ; a.certain < certain; a.certain++ {
		say(a.certain, true, false)
	}
}

// fireAll reassesses the accounts of a source whose next level its clocks have met, and
// those whose last level they no longer meet. Nothing else is touched. What is beyond the
// bound of a turn waits for Resume.
func (e *Engine) fireAll(id int32) {
	s := &e.sources[id]
	for k := range s.clocks {
		if !e.fire(&s.clocks[k]) {
			if !s.waits {
				s.waits, e.unfired = true, append(e.unfired, id)
			}
			return
		}
	}
}

// fire is fireAll of one clock. It reports whether it came to an end.
func (e *Engine) fire(c *Clock) bool {
	for {
		if e.bound > 0 && e.fired >= e.bound {
			return false
		}
		e.fired++
		if f, ok := c.next[0].first(); ok && f.key-c.now.Upper <= 0 {
			e.reassess(f.account)
		} else if f, ok := c.next[1].first(); ok && f.key-c.now.Lower <= 0 {
			e.reassess(f.account)
		} else if f, ok := c.met[0].first(); ok && -f.key-c.now.Upper > 0 {
			e.reassess(f.account)
		} else if f, ok := c.met[1].first(); ok && -f.key-c.now.Lower > 0 {
			e.reassess(f.account)
		} else {
			e.fired--
			return true
		}
	}
}

// Bound says how many accounts may meet a level, or lose one, in one call; what is left
// waits for Resume. 0, as at the start: no bound. A source that meets a million levels at
// once then holds up nobody else.
func (e *Engine) Bound(n int) { e.bound = n }

// Resume goes on with what the bound of earlier calls has left, and reports whether
// something is left still.
func (e *Engine) Resume() bool {
	e.fired = 0
	sources := e.unfired
	e.unfired = nil
	for _, id := range sources {
		e.sources[id].waits = false
		e.fireAll(id)
	}
	return len(e.unfired) > 0
}
