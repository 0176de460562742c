package ageing

import "specimen.example/custody/internal/event"

// Levels are the ascending values of use that are announced for an account: one
// list for every test on its curve, warnings and limits alike.
type Levels struct {
	At []int64
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

// levelsMet gives how many levels a use has met. The lower clock is asked only
// when the upper one has nothing left to say.
func (l *Levels) levelsMet(u Use) (met, certain uint8) {
	if !l.CertainOnly {
		for int(met) < len(l.At) && l.At[met] <= u.Upper {
			met++
		}
		if int(met) < len(l.At) {
			return met, 0
		}
	}
	for int(certain) < len(l.At) && l.At[certain] <= u.Lower {
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
	n := uint8(len(l.At))
	key := func(level uint8) Use { // clock value at which a level is met
		v := l.At[level]
		return Use{v, v}.plus(a.base).minus(a.closed)
	}
	switch {
	case !l.CertainOnly && met < n:
		c.next[0].push(e.accounts, id, key(met).Upper)
	case certain < n:
		c.next[1].push(e.accounts, id, key(certain).Lower)
	}
	if met > 0 {
		c.met[0].push(e.accounts, id, -key(met-1).Upper)
	}
	if certain > 0 {
		c.met[1].push(e.accounts, id, -key(certain-1).Lower)
	}
}

// leave takes an account out of every queue of a clock.
func (e *Engine) leave(c *Clock, id int32) {
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

// fire reassesses the accounts of a clock whose next level its present value has
// met, and those whose last level it no longer meets. Nothing else is touched.
func (e *Engine) fire(c *Clock) {
	for {
		if f, ok := c.next[0].first(); ok && f.key-c.now.Upper <= 0 {
			e.reassess(f.account)
		} else if f, ok := c.next[1].first(); ok && f.key-c.now.Lower <= 0 {
			e.reassess(f.account)
		} else if f, ok := c.met[0].first(); ok && -f.key-c.now.Upper > 0 {
			e.reassess(f.account)
		} else if f, ok := c.met[1].first(); ok && -f.key-c.now.Lower > 0 {
			e.reassess(f.account)
		} else {
			return
		}
	}
}
