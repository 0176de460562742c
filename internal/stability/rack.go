package stability

import "specimen.example/custody/internal/event"

// Rack answers at the centrifuge for a tube, from the judgements of its tests.
// Tests that were run already have nothing to lose and don't count. Cannot say
// and no limit never stop. Irreplaceable material is never given up: where
// nothing is left to save it is spun all the same.
func Rack(tests []Judgement, irreplaceable bool) event.RackAnswer {
	alive, lost, wait, first := 0, 0, false, false
	for i := range tests {
		j := &tests[i]
		if j.Run {
			continue
		}
		if j.Verdict == event.PastLimit || j.Verdict == event.WrongTube {
			lost++
			wait = wait || irreplaceable && j.WaitUntil != 0
			continue
		}
		alive++
		wait = wait || j.WaitUntil != 0
		first = first || j.NeedsUnspun
	}
	switch {
	case wait:
		return event.RackWait
	case first:
		return event.RackRunFirst
	case alive == 0 && lost > 0 && !irreplaceable:
		return event.RackNothingLeft
	case alive > 0 && lost > 0:
		return event.RackSpinHold
	default:
		return event.RackSpin
	}
}
