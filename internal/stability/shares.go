package stability

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"specimen.example/custody/internal/event"
)

// ShareUse is one share of a rule held against the use of a tube: how many of
// such tubes are over their criterion by then. It stands beside the verdict and
// never changes it.
//
// The time of a share is counted in ms of its own row's band. Where bands add up,
// minutes of other bands count towards it as they do towards the limit: a share at
// a ms of a row that holds for l ms is met when a/l of the limit is used, whichever
// bands used it. Where the strictest band counts, a share is met a ms into the
// count, once its own band was visited.
type ShareUse struct {
	Share   *Share // a row's own, not to be changed; nil for none
	Reached bool   // at the worst case: the use is at its time, or past it
	Surely  bool   // reached at the best case too
	// When holds the first instants at which it counts as reached: Earliest at the
	// worst case, Latest at the best; 0: it won't be, or it can't be said.
	When Interval
}

// Text says the share as "1 in 20", or "3 in 40" where it doesn't divide.
func (s *Share) Text() string {
	return strconv.FormatInt(s.Part, 10) + " in " + strconv.FormatInt(s.Of, 10)
}

// larger reports whether s is the larger part of all tubes.
func (s *Share) larger(o *Share) bool { return o == nil || s.Part*o.Of > o.Part*s.Of }

// follows reports whether s is the larger part at the later time.
func (s *Share) follows(o *Share) bool { return s.AtMs > o.AtMs && s.larger(o) }

// mostOf bounds Share.Of, so that two shares can be compared in int64.
const mostOf = 1_000_000_000

// parseShare reads "5 %" as 1 of 20. Problem is empty when it could be read.
func parseShare(text string) (part, of int64, problem string) {
	n := len(text) - len("%")
	if n < 0 || text[n:] != "%" {
		return 0, 0, quote(text) + " has no % at its end"
	}
	if n > 0 && text[n-1] == ' ' {
		n--
	}
	value, scale, ok := decimal(text[:n])
	switch {
	case !ok:
		return 0, 0, quote(text) + " is not a number of percent"
	case value <= 0 || value > 100*scale:
		return 0, 0, quote(text) + " is not a part of all tubes"
	}
	common := gcd(value, 100*scale)
	return value / common, 100 * scale / common, ""
}

// mark is a share in its compiled form. At is in units of the budget, or in ms
// where the strictest band counts.
type mark struct {
	share *Share
	at    int64
	band  int
}

// marks fills c.shares in the order in which they are met.
func (c *compiled) marks(r *Rule, rows []Limit) error {
	for i := range rows {
		for k := range rows[i].Shares {
			s := &rows[i].Shares[k]
			if s.AtMs <= 0 || s.AtMs > farthestMs {
				return fmt.Errorf("rule %s: shares: the time of %q is not within 100 years; give the time after which so many tubes are over", r.ID, s.Over)
			}
			if s.Part <= 0 || s.Of < s.Part || s.Of > mostOf {
				return fmt.Errorf("rule %s: shares: %d of %d is not a part of all tubes; give it in percent", r.ID, s.Part, s.Of)
			}
			m := mark{share: s, at: s.AtMs, band: i}
			if !c.strictestBand {
				m.at *= c.weights[i]
			}
			c.shares = append(c.shares, m)
		}
	}
	slices.SortStableFunc(c.shares, func(a, b mark) int { return cmp.Compare(a.at, b.at) })
	return nil
}

// met reports whether a use reaches the mark: at the worst case, or at the best.
func (m *mark) met(c *compiled, u *usage, lower, best bool) bool {
	visited, used := u.maybe, c.used(u, lower)
	if best {
		visited, used = u.sure, c.levels(u).best
	}
	return used >= m.at && (!c.strictestBand || visited&(1<<m.band) != 0)
}

// hold gives m as it stands at a use.
func (m *mark) hold(c *compiled, u *usage, lower bool) ShareUse {
	return ShareUse{Share: m.share, Reached: m.met(c, u, lower, false), Surely: m.met(c, u, lower, true)}
}

// ahead gives the instants after now at which the mark will be met. One is u a
// millisecond on, two a further one; from u on use grows evenly.
func (m *mark) ahead(c *compiled, u, one, two *usage, lower bool, now event.Instant) (when Interval) {
	if !lower && !m.met(c, u, lower, false) && (!c.strictestBand || one.maybe&(1<<m.band) != 0) {
		when.Earliest = now + steps(c.used(u, lower), c.used(two, lower)-c.used(one, lower), m.at)
	}
	if !lower && !m.met(c, u, lower, true) && (!c.strictestBand || one.sure&(1<<m.band) != 0) {
		best := c.levels(u).best
		when.Latest = now + steps(best, c.levels(two).best-c.levels(one).best, m.at)
	}
	return when
}

// steps gives the ms, at least one, after which a use that grows by so much in
// each reaches want.
func steps(have, grow, want int64) event.Instant {
	return event.Instant(max(ceilDiv(want-have, grow), 1))
}

// shares says in j which share is reached and which comes next.
func (a *account) shares(j *Judgement, u *usage) {
	c := &a.rule.compiled
	for i := range c.shares {
		m := &c.shares[i]
		if m.share.larger(j.Share.Share) && m.met(c, u, a.lower, false) {
			j.Share = m.hold(c, u, a.lower)
		}
	}
}

// nextShare says in j which share larger than the one reached comes first.
func (a *account) nextShare(j *Judgement, u, one, two *usage) {
	c := &a.rule.compiled
	for i := range c.shares {
		m := &c.shares[i]
		if !m.share.larger(j.Share.Share) || m.met(c, u, a.lower, false) {
			continue
		}
		when := m.ahead(c, u, one, two, a.lower, a.now)
		if n := &j.NextShare; n.Share == nil || when.Earliest != 0 && (n.When.Earliest == 0 || when.Earliest < n.When.Earliest) {
			*n = ShareUse{Share: m.share, When: when}
		}
	}
}

// crossed notes in each share the instant within [from, to) of one piece of
// history at which it was met. Before is the use at from; use grows evenly.
func (x *explainer) crossed(before *usage, from, to event.Instant) {
	for i := range x.c.shares {
		m, s := &x.c.shares[i], &x.shares[i]
		length := int64(to - from)
		if !s.Reached && m.met(x.c, &x.u, x.lower, false) {
			had := x.c.used(before, x.lower)
			s.Reached, s.When.Earliest = true, from+steps(had, (x.c.used(&x.u, x.lower)-had)/length, m.at)
		}
		if !s.Surely && m.met(x.c, &x.u, x.lower, true) {
			had := x.c.levels(before).best
			s.Surely, s.When.Latest = true, from+steps(had, (x.c.levels(&x.u).best-had)/length, m.at)
		}
	}
}
