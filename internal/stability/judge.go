// Package stability decides whether a test can still be run on a tube: limits
// are data with a source, time and temperature come in as arguments, and every
// answer can be explained to the minute. It is the one judge; nothing else in
// the program compares an age with a limit.
package stability

import (
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Tube is what the judge must know of a tube. The caller derives it from the
// folded facts; it carries no identity.
type Tube struct {
	Type string
	// Zero is the interval in which blood entered the tube. Limits count from
	// Earliest, waits from Latest. Earliest 0: the collection time is not known;
	// Latest is then the first moment the full tube was seen (0: never seen).
	Zero Interval
	// TimeConflict: the times told contradict each other (received before collected).
	TimeConflict bool
	// Changes are changes of state in order of time; before the first the tube is unspun.
	Changes []Change
	// Ended are the steps that end limits (see event.Ending), in order of time.
	Ended []Ended
	// Conditions by name; absent: not stated, then both answers are shown.
	Conditions map[string]bool
	// Custody: the tube has no tests because it is only moved (custody only).
	CustodyOnly bool
	// TestsKnown false: what shall be tested was not told.
	TestsKnown bool
	// Handling attested on ice / kept warm is in the thermal history already.
	// InFoil: protected from light.
	InFoil bool
	// Irreplaceable material is never given up.
	Irreplaceable bool
	// Gel: the tube type has a gel, so a spin separates (spun-on-gel, not on-cells).
	Gel bool
	// Unread: a fact of this tube could not be read. It may void any other or change
	// the state, so nothing is said to be fit; what is bad by the facts that were read
	// stays bad.
	Unread bool
}

// Interval is a stretch of time, both ends inside.
type Interval struct{ Earliest, Latest event.Instant }

// Change is a change of state.
type Change struct {
	To State
	At event.Instant
}

// Ended is an ending step for some tests (none named: all).
type Ended struct {
	What  event.Ending
	At    event.Instant
	Tests []string
}

// Judgement is what the limits say of one assay on one tube at one instant.
// Durations are milliseconds.
type Judgement struct {
	Assay     string
	Verdict   event.Verdict
	Reasons   []event.Reason // in the order of event.Reasons; nil when within limits without remark
	Direction event.Direction
	Rule      *Rule // nil when none applies

	UsedMs  int64 // use of the limit below, worst case, in milliseconds of that limit's band
	BestMs  int64 // the same, best case
	LimitMs int64 // limit of the governing band; 0 when there is none
	BelowMs int64 // minutes below the bands (worst case)
	AboveMs int64
	By      [4]int64 // ms by thermal.Evidence, from zero to now or to the ending

	// Due is the interval in which the limit will be met: Earliest at the worst
	// bound, Latest at the best. 0: it won't, or it can't be said.
	Due Interval
	// Until is the earliest instant at which the verdict or outlook can change with no new
	// fact; 0: never. It is the whole scheduler: earliest Until wins.
	Until event.Instant
	// WaitUntil is set while the tube waits for its spin, also where the verdict
	// is a worse one than wait.
	WaitUntil event.Instant
	// Ended is set when an ending step closed the limit; the verdict is then final
	// for the time of that step.
	Ended event.Instant
	// Eighty: eighty percent or more of the limit is used.
	Eighty bool
	// Latched: a band edge was crossed where no minute is allowed.
	Latched bool
	// Other is the answer if a condition that was not stated holds; nil when it doesn't matter.
	Other *Judgement
	// Share is the largest share of tubes that is over its criterion by the use so
	// far (its When is not filled in: Explain tells it); NextShare is the first
	// larger one to come if nothing changes. Neither changes verdict or Until.
	Share, NextShare ShareUse
	// Say is the sentence of an ends-test rule.
	Say string
	// NeedsUnspun: a spin will end this test, which was not run yet.
	NeedsUnspun bool
	// Run: the test was run; the verdict is final for that moment.
	Run bool

	window window // what Explain must add up again
}

// window is the stretch of history that a judgement rests on.
type window struct {
	from, to event.Instant
	lower    bool // no collection time: only the lower bound is known
}

// Judge says into dst what the set holds of one test on one tube at now. An
// empty assay asks for a tube of which no test is told. Hist is the thermal
// history from Zero.Earliest (Zero.Latest when that is not known) to now; what it
// doesn't cover counts as unknown. The set must be finished.
//
// Of a tube with Unread set every verdict is cannot-say, with the reason
// unreadable-fact (and those for which it couldn't be said anyway), unless it is
// past its limit or the wrong tube by the facts that were read. Numbers, rule and
// waits are those of these facts; nothing is due.
func (s *Set) Judge(dst *Judgement, t *Tube, assay string, hist []thermal.Segment, now event.Instant) {
	s.JudgeAndWatch(dst, t, assay, hist, now, nil)
}

// JudgeAndWatch is Judge, and adds to w what readings and time can change of what it says.
func (s *Set) JudgeAndWatch(dst *Judgement, t *Tube, assay string, hist []thermal.Segment, now event.Instant, w *Watch) {
	s.judge(dst, t, assay, hist, now, w)
	if t.Unread {
		dst.unread()
	}
}

func (s *Set) judge(dst *Judgement, t *Tube, assay string, hist []thermal.Segment, now event.Instant, w *Watch) {
	*dst = Judgement{Assay: assay, Verdict: event.WithinLimits, Direction: event.DirectionUnknown}
	switch {
	case t.CustodyOnly:
		dst.settle(event.NoLimitAdopted, bitCustodyOnly)
		return
	case assay == "":
		dst.settle(event.CannotSay, bitNoTestsKnown)
		return
	}
	if tubes, said := s.Accepts[assay]; said && t.Type != "" && !slices.Contains(tubes, t.Type) {
		dst.settle(event.WrongTube, 0)
		return
	}
	done := runAt(t, assay, now)
	open := s.judgeBy(dst, t, assay, hist, now, done, false, everyRule, w)
	if open {
		var other Judgement
		other.Assay, other.Direction = assay, event.DirectionUnknown
		s.judgeBy(&other, t, assay, hist, now, done, true, everyRule, w)
		s.step(&other, t, now, done)
		s.step(dst, t, now, done)
		dst.Until = sooner(dst.Until, other.Until)
		if other.Rule != dst.Rule && (other.Verdict != dst.Verdict || other.Due != dst.Due || other.Eighty != dst.Eighty) {
			kept := other
			dst.Other = &kept
		}
	} else {
		s.step(dst, t, now, done)
	}
	dst.remark()
}

// everyRule asks judgeBy to choose among all rules.
const everyRule = -1

// judgeBy judges by the rules of every state that the tube was in and keeps the
// worst: no spin heals what was past its limit before. With held it takes every
// condition that was not stated as true. open reports whether a rule depends on
// one. With equal verdicts what still goes on stands before what has ended.
// Only is the index of the one rule to judge by, chosen or not, or everyRule.
func (s *Set) judgeBy(dst *Judgement, t *Tube, assay string, hist []thermal.Segment, now, done event.Instant, held bool, only int, w *Watch) (open bool) {
	found := false
	rules := s.index[ruleKey{assay, t.Type}]
	var until, earlier event.Instant // of all, and of those that stand before the worst
	for k := range stages(t, now) {
		stage := stageAt(t, k)
		if done != 0 && k > 0 && stage.from >= done {
			break
		}
		for n, i := range rules {
			r := &s.Rules[i]
			if r.State != stage.state || only != everyRule && only != i {
				continue
			}
			fit, depends, special := r.fits(t, held)
			open = open || depends
			if only == everyRule && (!fit || r.silent() || s.beaten(rules, n, special, t, held)) {
				continue
			}
			var j Judgement
			a := account{rule: r, tube: t, now: now, state: stage.state}
			a.bound(s, rules, k, done, held)
			a.judge(&j, hist, w)
			j.Assay = assay
			both := reasons(0)
			if found && j.Verdict == event.CannotSay && dst.Verdict == event.CannotSay {
				both = reasonsOf(j.Reasons) | reasonsOf(dst.Reasons)
			}
			if !found || j.before(dst) {
				*dst, earlier = j, until
			}
			until = sooner(until, j.Until)
			if both != 0 {
				dst.Reasons = both.list()
			}
			found = true
		}
	}
	if !found {
		dst.settle(event.NoLimitAdopted, bitNotAdopted)
	}
	if dst.Until = until; dst.Verdict == event.PastLimit && dst.Ended != 0 {
		dst.Until = earlier // nothing that stands after it can be worse
	}
	return open
}

// before reports whether j counts rather than k, which stands earlier: the worse
// one, else the one that goes on or ended last, else the one that is due first.
// What is past its limit first stays the one that is shown.
func (j *Judgement) before(k *Judgement) bool {
	switch a, b := rank(j.Verdict), rank(k.Verdict); {
	case a != b:
		return a < b
	case j.Verdict == event.PastLimit:
		return false
	case j.Ended != k.Ended:
		return j.Ended == 0 || k.Ended != 0 && j.Ended > k.Ended
	case j.Due.Earliest != k.Due.Earliest:
		return k.Due.Earliest == 0 || j.Due.Earliest != 0 && j.Due.Earliest < k.Due.Earliest
	}
	return false
}

// step adds what the steps of the tube say beside time and temperature: tests
// that a spin ends, and the wait before it.
func (s *Set) step(dst *Judgement, t *Tube, now, done event.Instant) {
	dst.Run = done != 0
	spun := firstSpin(t, now)
	for i := range s.Ends {
		e := &s.Ends[i]
		if e.Assay.Code != dst.Assay {
			continue
		}
		at := spun
		if e.When != string(event.EndsSpun) {
			at = firstChange(t, State(e.When), now)
		}
		switch {
		case at != 0 && (done == 0 || done > at):
			dst.Say = e.Say
			dst.worsen(event.PastLimit, bitNeedsUnspun)
		case at == 0 && done == 0:
			dst.Say, dst.NeedsUnspun = e.Say, true
		}
	}
	if spun != 0 || done != 0 {
		return
	}
	if ready, waits := s.Spinnable(t.Type, t.Zero.Latest); waits && t.Zero.Latest == 0 {
		dst.worsen(event.CannotSay, bitNoCollectionTime)
	} else if waits && now < ready {
		dst.WaitUntil = ready
	}
	if dst.WaitUntil != 0 {
		dst.worsen(event.Wait, bitClotting)
		dst.Until = sooner(dst.Until, dst.WaitUntil)
	}
}

// Spinnable gives from when a tube of a type that was filled at an instant, the latest
// that it may have been, may be spun, and whether it must wait at all.
func (s *Set) Spinnable(tube string, filled event.Instant) (from event.Instant, waits bool) {
	for i := range s.Waits {
		if w := &s.Waits[i]; slices.Contains(w.Tubes, tube) {
			from, waits = max(from, filled+event.Instant(w.AtLeast)), true
		}
	}
	return from, waits
}

// remark says beside "within limits" that no minute of it was measured or
// attested: it rests on what was declared alone.
func (j *Judgement) remark() {
	if j.Verdict == event.WithinLimits && assumedOnly(&j.By) {
		j.Reasons = (reasonsOf(j.Reasons) | bitAssumedOnly).list()
	}
}

func assumedOnly(by *[4]int64) bool {
	return by[thermal.Assumed] > 0 && by[thermal.Measured]+by[thermal.Attested]+by[thermal.Unknown] == 0
}

// unread takes back what was said from facts of which one is missing. What is bad
// by the facts that were read stays bad: a flag must not vanish because a message
// can't be read.
func (j *Judgement) unread() {
	why := bitUnreadableFact
	switch j.Verdict {
	case event.PastLimit, event.WrongTube:
		j.Reasons = (why | reasonsOf(j.Reasons)).list()
		return
	case event.CannotSay:
		why |= reasonsOf(j.Reasons)
	}
	j.settle(event.CannotSay, why)
	j.Direction, j.Due, j.Other, j.NextShare.When = event.DirectionUnknown, Interval{}, nil, Interval{}
}

// settle gives j a verdict with its reasons.
func (j *Judgement) settle(v event.Verdict, why reasons) {
	j.Verdict, j.Reasons = v, why.list()
}

// worsen gives j a verdict if it is the worse one, and joins the reasons of equals.
func (j *Judgement) worsen(v event.Verdict, why reasons) {
	switch a, b := rank(v), rank(j.Verdict); {
	case a < b:
		j.settle(v, why)
	case a == b:
		j.settle(v, why|reasonsOf(j.Reasons))
	}
}

// rank is the place of a verdict in event.Verdicts, worst first.
func rank(v event.Verdict) int {
	switch v {
	case event.PastLimit:
		return 0
	case event.WrongTube:
		return 1
	case event.NotStudiedBeyond:
		return 2
	case event.CannotSay:
		return 3
	case event.Wait:
		return 4
	case event.NoLimitAdopted:
		return 5
	default:
		return 6
	}
}

// sooner gives the earlier of two instants, of which 0 means never.
func sooner(a, b event.Instant) event.Instant {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}
