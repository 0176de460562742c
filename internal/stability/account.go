package stability

import (
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// account is one rule applied to one tube.
type account struct {
	rule  *Rule
	tube  *Tube
	now   event.Instant
	state State
	window
	ended event.Instant // the window is closed, 0 while it goes on
}

// bound finds the window of the rule in stage k: from its start to its own
// ending, to the run of the test, or to a later state that has rules of its own;
// a state without rules doesn't end the limit of the one before.
func (a *account) bound(s *Set, rules []int, k int, done event.Instant, held bool) {
	r, t := a.rule, a.tube
	a.from = start(t)
	switch r.From {
	case FromState:
		a.from = stageAt(t, k).from
	case FromThaw:
		a.from = 0
		for _, c := range t.Changes[:k] {
			if c.To == ThawedAt {
				a.from = c.At
			}
		}
	}
	// Without a collection time only what counts from the draw is a lower bound.
	a.lower = t.Zero.Earliest == 0 && (r.From == FromDraw || r.From == FromState && k == 0)
	a.ended = sooner(endOf(r, t, k, a.now), done)
	for n := k + 1; n < stages(t, a.now); n++ {
		next := stageAt(t, n)
		if a.ended != 0 && a.ended <= next.from {
			break
		}
		if s.hasRule(rules, next.state, t, held) {
			a.ended = sooner(a.ended, next.from)
			break
		}
	}
	a.to = a.now
	if a.ended != 0 {
		a.to = max(a.ended, a.from)
	}
}

func (s *Set) hasRule(rules []int, state State, t *Tube, held bool) bool {
	for _, i := range rules {
		if r := &s.Rules[i]; r.State == state {
			if fit, _, _ := r.fits(t, held); fit {
				return true
			}
		}
	}
	return false
}

// judge says into j what the rule holds of its window.
func (a *account) judge(j *Judgement, hist []thermal.Segment, w *Watch) {
	c := &a.rule.compiled
	*j = Judgement{Verdict: event.CannotSay, Direction: event.DirectionUnknown, Rule: a.rule, Ended: a.ended}
	j.LimitMs = c.limits[c.strictest]
	switch {
	case a.tube.TimeConflict:
		j.settle(event.CannotSay, bitTimeConflict)
		return
	case a.from == 0:
		j.settle(event.CannotSay, bitNoCollectionTime)
		return
	}
	j.window = a.window
	var u usage
	u.watchFrost = a.state == Unspun || isSpun(a.state)
	u.region, u.dark = c.lowest, a.tube.InFoil
	a.run(&u, hist)

	said := c.weigh(a.rule, &u, a.lower)
	j.Verdict, j.Reasons, j.Latched = said.verdict, said.why.list(), said.latched
	j.Direction = c.direction(a.rule, said)
	j.Eighty = c.eighty(&u, a.lower)
	lv := c.levels(&u)
	band := c.governing(&u)
	weight := c.weights[band]
	j.LimitMs = c.limits[band]
	if c.strictestBand {
		weight, j.LimitMs = 1, lv.worstLimit
	}
	j.UsedMs, j.BestMs = c.used(&u, a.lower)/weight, lv.best/weight
	j.BelowMs, j.AboveMs, j.By = u.below, u.above, u.by
	if len(c.shares) > 0 {
		a.shares(j, &u)
	}
	if a.ended == 0 {
		a.ahead(j, &u, hist, said)
	}
	if w != nil {
		w.note(a, &u)
	}
}

// run adds the history of the window; what it doesn't cover is unknown.
func (a *account) run(u *usage, hist []thermal.Segment) {
	c, at := &a.rule.compiled, a.from
	for i := 0; i < len(hist); i++ {
		seg := &hist[i]
		if seg.To <= at {
			continue
		}
		if max(seg.From, at) >= a.to {
			break
		}
		if seg.From > at {
			u.addUnknown(c, int64(seg.From-at))
			at = seg.From
		}
		if n, read := c.regions[u.region].along(hist[i:], a.to); n > 0 {
			i += n - 1
			u.addInside(c, seg.Evidence, int64(min(hist[i].To, a.to)-at), read)
		} else {
			u.add(c, seg, a.from, a.to)
		}
		at = hist[i].To
	}
	if at < a.to {
		u.addUnknown(c, int64(a.to-at))
	}
}

// along gives how many segments from the first on follow each other inside the
// region with one kind of evidence and begin before to, and whether a reading
// stands in them. Use grows evenly there, so they count as one.
func (r *region) along(hist []thermal.Segment, to event.Instant) (n int, read bool) {
	ev, at := hist[0].Evidence, hist[0].From
	if ev == thermal.Unknown {
		return 0, false
	}
	for n = range hist {
		seg := &hist[n]
		if seg.From != at || seg.From >= to || seg.Evidence != ev || !r.holds(seg) {
			return n, read
		}
		read = read || seg.Reading0 || seg.Reading1
		at = seg.To
	}
	return len(hist), read
}

// weight is the units of one ms of the governing limit.
func (j *Judgement) weight() int64 {
	c := &j.Rule.compiled
	if c.strictestBand {
		return 1
	}
	for i, l := range c.limits {
		if l == j.LimitMs {
			return c.weights[i]
		}
	}
	return 1
}

// levels are the uses and the limits that they are held against, in one unit.
type levels struct {
	worst, worstLimit int64
	best, bestLimit   int64
	hard, hardLimit   int64 // hardLimit 0: no time makes it past the limit
}

func (c *compiled) levels(u *usage) levels {
	if !c.strictestBand {
		return levels{u.worst, c.budget, u.best, c.budget, u.hard, c.hard}
	}
	lv := levels{worst: u.total, best: u.total, hard: u.total}
	lv.worstLimit = strictest(c.limits, u.maybe, c.limits[c.strictest])
	lv.bestLimit = strictest(c.limits, u.sure, longest(c.limits))
	lv.hardLimit = strictest(c.hards, u.sure, 0)
	if u.sure == 0 {
		lv.hardLimit = longest(c.hards)
	}
	return lv
}

// strictest gives the shortest of the limits whose bands were visited, which is
// fallback when there is none. A limit of 0 is none.
func strictest(limits []int64, visited uint32, fallback int64) int64 {
	var least int64
	for i, l := range limits {
		if visited&(1<<i) != 0 && l > 0 && (least == 0 || l < least) {
			least = l
		}
	}
	if least == 0 {
		return fallback
	}
	return least
}

// longest gives the longest limit, 0 if one of them is none.
func longest(limits []int64) int64 {
	var most int64
	for _, l := range limits {
		if l == 0 {
			return 0
		}
		most = max(most, l)
	}
	return most
}

// used is the use that is shown: the worst case, or the best where nothing but a
// lower bound is known.
func (c *compiled) used(u *usage, lower bool) int64 {
	switch {
	case c.strictestBand:
		return u.total
	case lower:
		return u.best
	default:
		return u.worst
	}
}

// governing gives the band in which most was used, the strictest while nothing was.
func (c *compiled) governing(u *usage) int {
	band := c.strictest
	for i := range c.limits {
		if u.band[i] > u.band[band] {
			band = i
		}
	}
	return band
}

// eighty reports whether four fifths of the limit are used.
func (c *compiled) eighty(u *usage, lower bool) bool {
	lv := c.levels(u)
	return c.used(u, lower) >= fourFifths(lv.worstLimit)
}

// fourFifths rounds up; it needs no product that could leave int64.
func fourFifths(limit int64) int64 { return limit - limit/5 }

// saying is what a rule says of a usage.
type saying struct {
	verdict event.Verdict
	why     reasons
	latched bool
}

// weigh uses the bounds first: past even at best is past, inside even at worst
// is inside, between the two nothing can be said.
func (c *compiled) weigh(r *Rule, u *usage, lower bool) saying {
	lv := c.levels(u)
	var s saying
	if lv.hardLimit > 0 && (lv.hard > lv.hardLimit || c.hardAt && lv.hard == lv.hardLimit) {
		s.why |= bitTime
	}
	for k, side := range [2]*side{&c.below, &c.above} {
		b := &u.beyond[k]
		s.latched = s.latched || b.latched
		if b.latched || side.said && side.allow > 0 && b.sure > side.allow {
			s.why |= c.sideReason(k)
		}
	}
	if s.why != 0 {
		s.verdict = event.PastLimit
	} else if c.studied && lv.best > lv.bestLimit {
		s.verdict, s.why = event.NotStudiedBeyond, bitTime
	}
	if s.why != 0 {
		if u.frozen {
			s.why |= bitFrozen
		}
		return s
	}
	if s.why = c.unsure(r, u, &lv); lower {
		s.why |= bitNoCollectionTime
	}
	s.verdict = event.WithinLimits
	if s.why != 0 {
		s.verdict = event.CannotSay
	}
	return s
}

// unsure gives every reason for which the rule can't clear the tube.
func (c *compiled) unsure(r *Rule, u *usage, lv *levels) reasons {
	var why reasons
	if u.by[thermal.Unknown] > 0 {
		why |= bitNoTemperature
	}
	if u.unsaid > 0 || u.unsaidRead > 0 || c.shown {
		why |= bitOutsideStudied
	}
	if u.unsaidRange > 0 || r.Critical && u.by[thermal.Assumed] > 0 {
		why |= bitAssumedOnly
	}
	if !c.shown && lv.worst > lv.worstLimit && u.by[thermal.Unknown] == 0 {
		if u.spread {
			why |= bitAssumedOnly
		} else {
			why |= bitNoTemperature // readings that disagree, or a line between two bands
		}
	}
	for k, side := range [2]*side{&c.below, &c.above} {
		b := &u.beyond[k]
		read, ranged := b.perhaps, b.perhapsRange
		if side.allow > 0 {
			many := b.maybe > side.allow
			read, ranged = many && !b.perhapsRange, many && b.perhapsRange
		}
		if read {
			why |= c.sideReason(k)
		}
		if ranged {
			why |= bitAssumedOnly
		}
	}
	if u.frozen {
		why |= bitFrozen
	}
	if c.needs != 0 && !u.dark {
		why |= c.needs & bitLight
	}
	if c.needs != 0 && u.total > 0 && u.by[thermal.Measured]+u.by[thermal.Attested] == 0 {
		why |= c.needs & (bitNotOnIce | bitNotKeptWarm)
	}
	return why
}

// sideReason is cold, frozen or heat.
func (c *compiled) sideReason(k int) reasons {
	switch {
	case k == 1:
		return bitHeat
	case c.frozenBelow:
		return bitFrozen
	default:
		return bitCold
	}
}

// direction joins the directions of what the verdict rests on.
func (c *compiled) direction(r *Rule, s saying) event.Direction {
	if s.verdict == event.WithinLimits {
		return event.DirectionUnknown
	}
	var joined event.Direction
	join := func(d event.Direction) {
		if d == "" {
			d = event.DirectionUnknown
		}
		if joined != "" && joined != d {
			d = event.ReadsEither
		}
		joined = d
	}
	if s.why&bitTime != 0 {
		join(r.TimeReads)
	}
	if s.why&bitHeat != 0 {
		join(c.above.direction)
	}
	if s.why&bitCold != 0 || s.why&bitFrozen != 0 && c.frozenBelow {
		join(c.below.direction)
	}
	if joined == "" {
		return event.DirectionUnknown
	}
	return joined
}
