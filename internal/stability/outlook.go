package stability

import (
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// ahead says when the limit will be met and until when j can't change if no new
// fact comes and the last temperature, with its kind of evidence, stays.
func (a *account) ahead(j *Judgement, u *usage, hist []thermal.Segment, said saying) {
	c := &a.rule.compiled
	on := onward(hist, a.now)
	on.From, on.To = a.now, a.now+2
	one, two := *u, *u
	one.add(c, &on, a.now, a.now+1)
	two.add(c, &on, a.now, a.now+2)
	a.due(j, u, &one, &two, said)
	if len(c.shares) > 0 {
		a.nextShare(j, u, &one, &two)
	}

	if c.weigh(a.rule, &one, a.lower) != said || c.eighty(&one, a.lower) != j.Eighty ||
		said.verdict == event.WithinLimits && assumedOnly(&one.by) != assumedOnly(&u.by) {
		j.Until = a.now + 1
		return
	}
	if ms := c.nextChange(&one, &two, a.lower); ms > 0 {
		j.Until = a.now + 1 + event.Instant(ms)
	}
}

// onward gives a segment that begins at now and goes on as the history ends
// there; unknown if the history doesn't reach now.
func onward(hist []thermal.Segment, now event.Instant) thermal.Segment {
	for i := len(hist) - 1; i >= 0; i-- {
		seg := hist[i]
		if seg.From >= now {
			continue
		}
		if seg.To < now {
			break
		}
		if seg.To > now {
			seg, _ = seg.Cut(now)
		}
		return seg.Onward(now + 2)
	}
	return thermal.Segment{From: now, To: now + 2, Series: -1}
}

// due gives the instants at which worst and best use meet the limit. One is u a
// millisecond on, two a further one: from one on all grows evenly.
func (a *account) due(j *Judgement, u, one, two *usage, said saying) {
	c := &a.rule.compiled
	if a.lower || c.shown || said.verdict == event.PastLimit || said.verdict == event.NotStudiedBeyond {
		return
	}
	was, next, last := c.levels(u), c.levels(one), c.levels(two)
	if rate := last.worst - next.worst; was.worst <= next.worstLimit {
		j.Due.Earliest = a.now + event.Instant((next.worstLimit-was.worst)/rate)
	}
	if rate := last.best - next.best; was.best <= next.bestLimit {
		j.Due.Latest = a.now + event.Instant((next.bestLimit-was.best)/rate)
	}
}

// nextChange gives the ms from one on after which the rule first says something
// else, 0 for never. Use grows by the difference of two and one in every ms.
func (c *compiled) nextChange(one, two *usage, lower bool) int64 {
	var first int64
	reach := func(have, grow, want int64) {
		if grow <= 0 || have >= want {
			return
		}
		if ms := ceilDiv(want-have, grow); first == 0 || ms < first {
			first = ms
		}
	}
	l, m := c.levels(one), c.levels(two)
	reach(c.used(one, lower), c.used(two, lower)-c.used(one, lower), fourFifths(l.worstLimit))
	reach(l.worst, m.worst-l.worst, l.worstLimit+1)
	reach(l.best, m.best-l.best, l.bestLimit+1)
	if l.hardLimit > 0 && c.hardAt {
		reach(l.hard, m.hard-l.hard, l.hardLimit)
	} else if l.hardLimit > 0 {
		reach(l.hard, m.hard-l.hard, l.hardLimit+1)
	}
	for k, side := range [2]*side{&c.below, &c.above} {
		a, b := &one.beyond[k], &two.beyond[k]
		if side.allow > 0 {
			reach(a.sure, b.sure-a.sure, side.allow+1)
			reach(a.maybe, b.maybe-a.maybe, side.allow+1)
		} else if side.grace > 0 {
			reach(a.runSure, b.runSure-a.runSure, side.grace)
			reach(a.runMaybe, b.runMaybe-a.runMaybe, side.grace)
		}
	}
	return first
}

var (
	becauseEighty    = bitEightyPercent.list()
	becauseTimetable = bitTimetable.list()
	becauseBoth      = (bitEightyPercent | bitTimetable).list()
)

// Outlook tells whether the test will likely end in time, and why not. Arrival is
// when the timetable lets the tube arrive, 0 when nothing is known of that. The
// list is shared: don't change it.
func (j *Judgement) Outlook(arrival event.Instant) (event.Outlook, []event.Reason) {
	if j.Rule == nil || j.Verdict != event.WithinLimits && j.Verdict != event.Wait {
		return event.OutlookUnknown, nil
	}
	if j.Ended != 0 {
		return event.InTime, nil
	}
	late := arrival != 0 && j.Due.Latest != 0 && arrival > j.Due.Latest
	switch {
	case j.Eighty && late:
		return event.RunningOut, becauseBoth
	case j.Eighty:
		return event.RunningOut, becauseEighty
	case late:
		return event.RunningOut, becauseTimetable
	}
	return event.InTime, nil
}
