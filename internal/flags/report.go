package flags

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
)

// How alarms of one position are judged: EEMUA 191 as its target sheet gives it (a flood
// is more than ten in ten minutes; six to twelve an hour can be managed), ANSI/ISA-18.2
// and IEC 62682 for what a report holds; seen in secondary excerpts.
const (
	FloodMany   = 10
	FloodWithin = 10 * time.Minute
	// StaleAfter is how long a flag may stand before it is old news.
	StaleAfter = 24 * time.Hour
	// chattering is how often a tube is raised in the time reported to count as chattering.
	chattering = 3
	topCauses  = 10
)

// Episode is one episode of one tube's flag: what it said at its worst, and when somebody
// did something about it. Instants are 0 for never.
type Episode struct {
	Tube    event.Key
	Raised  event.Instant
	Taken   event.Instant // first answer of any kind
	Acted   event.Instant // first that was an act, or let it pass
	Cleared event.Instant
	Verdict event.Verdict // worst
	Running bool          // a test of it was only running out
	Cause   event.Cause
}

// Report says how it stands with the flags of a stretch of time. An alarm is a line, as
// the desk hears it: the flags of one cause within ten minutes are one.
type Report struct {
	From, To     event.Instant
	Episodes     int // raised in it
	Alarms       int
	Peak         int   // most alarms in an hour
	FloodMs      int64 // within which there were more than ten in ten minutes
	Levels       []LevelCount
	Causes       []CauseCount // those with most flags, at most ten
	Taken        Spread       // raised to the first answer, of those that were answered
	Unanswered   int          // cleared without any answer
	Unacted      int          // answered, and nothing was done
	Stale        int          // stood for more than a day
	Chattering   int          // tubes raised three times and more
	StillOpen    int
	StillUntaken int
}

// LevelCount is how many episodes had a worst verdict.
type LevelCount struct {
	Verdict event.Verdict
	Running bool // within its limit, running out
	N       int
}

// CauseCount is how many episodes came from something.
type CauseCount struct {
	Cause event.Cause
	N     int
}

// Spread sums up durations in ms.
type Spread struct {
	N              int
	MedianMs, P9Ms int64 // half of them, and nine of ten, took no longer
	LongestMs      int64
}

// Sum reports the episodes that were raised from an instant on, before another. Now is
// when it is asked. Episodes come in any order.
func Sum(episodes []Episode, from, to, now event.Instant) Report {
	r := Report{From: from, To: to}
	in := slices.DeleteFunc(slices.Clone(episodes), func(e Episode) bool { return e.Raised < from || e.Raised >= to })
	slices.SortFunc(in, func(a, b Episode) int { return cmp.Or(cmp.Compare(a.Raised, b.Raised), cmp.Compare(a.Tube, b.Tube)) })
	r.Episodes = len(in)
	alarms := alarmsOf(in)
	r.Alarms, r.Peak, r.FloodMs = len(alarms), peak(alarms), flood(alarms)
	levels, causes, tubes := map[LevelCount]int{}, map[event.Cause]int{}, map[event.Key]int{}
	var took []int64
	for i := range in {
		e := &in[i]
		levels[LevelCount{Verdict: e.Verdict, Running: e.Running}]++
		causes[e.Cause]++
		tubes[e.Tube]++
		end := cmp.Or(e.Cleared, now)
		switch {
		case e.Taken != 0:
			took = append(took, max(int64(e.Taken-e.Raised), 0))
			if e.Acted == 0 {
				r.Unacted++
			}
		case e.Cleared != 0:
			r.Unanswered++
		}
		if end.Sub(e.Raised) > StaleAfter {
			r.Stale++
		}
		if e.Cleared == 0 {
			r.StillOpen++
			if e.Taken == 0 {
				r.StillUntaken++
			}
		}
	}
	for _, n := range tubes {
		if n >= chattering {
			r.Chattering++
		}
	}
	r.Taken = spread(took)
	for l, n := range levels {
		l.N = n
		r.Levels = append(r.Levels, l)
	}
	slices.SortFunc(r.Levels, func(a, b LevelCount) int {
		return cmp.Or(slices.Index(event.Verdicts(), a.Verdict)-slices.Index(event.Verdicts(), b.Verdict), cmp.Compare(b.N, a.N))
	})
	for c, n := range causes {
		if c.Kind != event.CauseNone {
			r.Causes = append(r.Causes, CauseCount{c, n})
		}
	}
	slices.SortFunc(r.Causes, func(a, b CauseCount) int {
		return cmp.Or(cmp.Compare(b.N, a.N), cmp.Compare(a.Cause.Kind, b.Cause.Kind), cmp.Compare(a.Cause.Name, b.Cause.Name))
	})
	r.Causes = r.Causes[:min(len(r.Causes), topCauses)]
	return r
}

// alarmsOf gives when the desk heard something: the first of a cause, and again when the
// last was ten minutes ago. A tube that stands for itself is a cause of its own.
func alarmsOf(in []Episode) []event.Instant {
	last := map[event.Cause]event.Instant{}
	var out []event.Instant
	for i := range in {
		e := &in[i]
		c := e.Cause
		if c.Kind == event.CauseNone {
			c.Name = string(e.Tube)
		}
		if at, heard := last[c]; !heard || e.Raised.Sub(at) >= FloodWithin {
			out = append(out, e.Raised)
			last[c] = e.Raised
		}
	}
	return out
}

// peak is the most alarms within an hour.
func peak(alarms []event.Instant) int {
	most, first := 0, 0
	for i, at := range alarms {
		for at.Sub(alarms[first]) >= time.Hour {
			first++
		}
		most = max(most, i-first+1)
	}
	return most
}

// flood is how long there were more than ten alarms in the ten minutes before.
func flood(alarms []event.Instant) int64 {
	var ms int64
	var until event.Instant
	for i := FloodMany; i < len(alarms); i++ {
		if alarms[i].Sub(alarms[i-FloodMany]) >= FloodWithin {
			continue
		}
		// From the eleventh on, until the first of them is ten minutes old.
		end := alarms[i-FloodMany].Add(FloodWithin)
		ms += int64(max(end-max(alarms[i], until), 0))
		until = max(until, end)
	}
	return ms
}

func spread(ms []int64) Spread {
	if len(ms) == 0 {
		return Spread{}
	}
	slices.Sort(ms)
	at := func(permille int) int64 { return ms[(len(ms)*permille+999)/1000-1] }
	return Spread{N: len(ms), MedianMs: at(500), P9Ms: at(900), LongestMs: ms[len(ms)-1]}
}

// Episodes reads the episodes of one tube's flag from its records in the order of facts.
// Voided steps are left out by the caller.
func Episodes(tube event.Key, steps []Told) []Episode {
	by := map[int64]*Episode{}
	episode := func(n int64) *Episode {
		if by[n] == nil {
			by[n] = &Episode{Tube: tube, Verdict: event.WithinLimits}
		}
		return by[n]
	}
	worse := func(e *Episode, f event.Flag) {
		if f.Verdict.Worse(e.Verdict) {
			e.Verdict = f.Verdict
		}
		e.Running = e.Verdict == event.WithinLimits || e.Verdict == event.Wait
		if f.Cause.Kind != event.CauseNone {
			e.Cause = f.Cause
		}
	}
	answered := func(n int64, at event.Instant, acted bool) {
		if n == 0 {
			return // an override before any flag
		}
		e := episode(n)
		if e.Taken == 0 || at < e.Taken {
			e.Taken = at
		}
		if acted && (e.Acted == 0 || at < e.Acted) {
			e.Acted = at
		}
	}
	for _, s := range steps {
		switch f := s.Fact.(type) {
		case event.FlagRaised:
			e := episode(f.Flag.Episode)
			e.Raised = s.At
			worse(e, f.Flag)
		case event.FlagChanged:
			worse(episode(f.Flag.Episode), f.Flag)
		case event.FlagCleared:
			episode(f.Episode).Cleared = s.At
		case event.FlagTaken:
			answered(f.Episode, s.At, false)
		case event.FlagActed:
			answered(f.Episode, s.At, true)
		case event.FlagOverridden:
			answered(f.Episode, s.At, true)
		case event.FlagPutAside:
			answered(f.Episode, s.At, false)
		}
	}
	var out []Episode
	for _, n := range slices.Sorted(maps.Keys(by)) {
		if by[n].Raised != 0 {
			out = append(out, *by[n])
		}
	}
	return out
}

// Told is one fact with when it occurred.
type Told struct {
	At   event.Instant
	Fact event.Fact
}
