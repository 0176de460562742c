package stability

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// stage is a time in one state of the material. Stage 0 is unspun, from zero on;
// stage k begins with the tube's change number k-1.
type stage struct {
	state State
	from  event.Instant
}

// stages is the number of stages begun by now.
func stages(t *Tube, now event.Instant) int {
	n := 1
	for _, c := range t.Changes {
		if c.At > now {
			break
		}
		n++
	}
	return n
}

func stageAt(t *Tube, k int) stage {
	if k == 0 {
		return stage{Unspun, start(t)}
	}
	c := t.Changes[k-1]
	if c.To == SpunOnGel && slices.ContainsFunc(t.Changes[:k-1], func(b Change) bool { return b.To == SpunOnGel }) {
		return stage{SpunAgain, c.At}
	}
	return stage{c.To, c.At}
}

// start is where the count of limits begins: the earliest the blood can have
// entered the tube; without one, when the full tube was first seen.
func start(t *Tube) event.Instant {
	if t.Zero.Earliest != 0 {
		return t.Zero.Earliest
	}
	return t.Zero.Latest
}

func isSpun(s State) bool { return s == SpunOnGel || s == SpunAgain || s == OnCells }

// firstSpin gives the instant of the first spin by now, 0 for none.
func firstSpin(t *Tube, now event.Instant) event.Instant {
	return spinAfter(t, 0, now)
}

// spinAfter gives the first spin by now, leaving out the first k changes.
func spinAfter(t *Tube, k int, now event.Instant) event.Instant {
	for _, c := range t.Changes[k:] {
		if c.At <= now && isSpun(c.To) {
			return c.At
		}
	}
	return 0
}

func firstChange(t *Tube, to State, now event.Instant) event.Instant {
	for _, c := range t.Changes {
		if c.To == to && c.At <= now {
			return c.At
		}
	}
	return 0
}

// runAt gives the instant at which the test was run, 0 when it wasn't by now:
// measured, or set up, filmed, incubated, tested or transfused by its name.
func runAt(t *Tube, assay string, now event.Instant) event.Instant {
	for _, e := range t.Ended {
		if e.At > now {
			continue
		}
		named := slices.Contains(e.Tests, assay)
		switch e.What {
		case event.EndsMeasured:
			if named || len(e.Tests) == 0 {
				return e.At
			}
		case event.EndsSetUp, event.EndsFilmMade, event.EndsIncubated, event.EndsTested, event.EndsTransfused:
			if named {
				return e.At
			}
		}
	}
	return 0
}

// endOf gives the instant by now at which a rule of stage k ended by its own
// ending, 0 when it didn't.
func endOf(r *Rule, t *Tube, k int, now event.Instant) event.Instant {
	var end event.Instant
	from := stageAt(t, k).from
	for _, e := range t.Ended {
		begun := e.At > from || k == 0 && e.At == from
		if e.What == r.Until && begun && e.At <= now && (len(e.Tests) == 0 || slices.Contains(e.Tests, r.Assay.Code)) {
			end = sooner(end, e.At)
		}
	}
	for _, c := range t.Changes[k:] {
		if c.At > now {
			break
		}
		if r.endsBy(c.To) {
			return sooner(end, c.At)
		}
	}
	return end
}

// endsBy reports whether a change of state is the rule's ending. A gel parts the
// cells at the spin.
func (r *Rule) endsBy(to State) bool {
	switch r.Until {
	case event.EndsSpun:
		return isSpun(to)
	case event.EndsOffCells:
		return to == Separated || to == SpunOnGel || to == SpunAgain
	case event.EndsFrozen:
		return to == FrozenAt
	default:
		return false
	}
}

// fits reports whether the tube's conditions allow the rule. A condition that
// was not stated counts as false, with held as true; depends tells that one was
// not stated. Special grows with what the rule asks beyond others: a stated
// condition speaks for it, one that is only taken as false speaks against it.
func (r *Rule) fits(t *Tube, held bool) (fit, depends bool, special int) {
	fit = true
	for _, c := range r.Condition {
		yes, stated := t.Conditions[c.Name]
		special++
		if !stated {
			depends, yes = true, held
			if !held {
				special -= 2
			}
		}
		fit = fit && yes == c.Yes
	}
	return fit, depends, special
}

// asStated reports whether every condition that was stated is as the rule asks,
// and whether it asks for one that was not stated.
func (r *Rule) asStated(t *Tube) (fit, assumes bool) {
	fit = true
	for _, c := range r.Condition {
		yes, stated := t.Conditions[c.Name]
		fit = fit && (!stated || yes == c.Yes)
		assumes = assumes || !stated
	}
	return fit, assumes
}

// silent reports whether a rule says nothing by itself: the file passes it over. A
// time by which the test was shown unstable is never the limit, but speaks where no
// other does: what was seen to be bad is bad.
func (r *Rule) silent() bool { return r.Passed && !r.compiled.shown }

// beaten reports whether another rule of the same state, start and ending is
// chosen before rules[n]: the one with the more special condition, the default,
// one that isn't only shown unstable, the first.
func (s *Set) beaten(rules []int, n, special int, t *Tube, held bool) bool {
	r := &s.Rules[rules[n]]
	for m, i := range rules {
		o := &s.Rules[i]
		if m == n || o.State != r.State || o.From != r.From || o.Until != r.Until {
			continue
		}
		fit, _, its := o.fits(t, held)
		switch {
		case !fit, o.silent():
		case its != special:
			if its > special {
				return true
			}
		case o.Default != r.Default:
			if o.Default {
				return true
			}
		case o.compiled.shown != r.compiled.shown:
			if r.compiled.shown {
				return true
			}
		case m < n:
			return true
		}
	}
	return false
}
