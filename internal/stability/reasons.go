package stability

import (
	"math/bits"

	"specimen.example/custody/internal/event"
)

// reasons is a set of event.Reason, one bit each in the order of event.Reasons.
type reasons uint32

const (
	bitTime reasons = 1 << iota
	bitHeat
	bitCold
	bitFrozen
	bitLight
	bitNotOnIce
	bitNotKeptWarm
	bitClotting
	bitNoCollectionTime
	bitTimeConflict
	bitNoTemperature
	bitOutsideStudied
	bitNoTestsKnown
	bitNeedsUnspun
	bitEightyPercent
	bitTimetable
	bitLikelyLate
	bitCustodyOnly
	bitNotAdopted
	bitAssumedOnly
	bitUnreadableFact
)

// missing is the reason that is given where a need isn't shown.
var missing = map[Need]reasons{NeedsFoil: bitLight, NeedsIce: bitNotOnIce, NeedsWarmth: bitNotKeptWarm}

// reasonList is read only. A single reason is given as a part of it, so that the
// common answers cost no allocation and nobody's list changes under another's.
var reasonList = event.Reasons()

// list gives the reasons in the order of event.Reasons, nil for none.
func (r reasons) list() []event.Reason {
	if r == 0 {
		return nil
	}
	first := bits.TrailingZeros32(uint32(r))
	if r&(r-1) == 0 {
		return reasonList[first : first+1 : first+1]
	}
	out := make([]event.Reason, 0, bits.OnesCount32(uint32(r)))
	for i, reason := range reasonList {
		if r&(1<<i) != 0 {
			out = append(out, reason)
		}
	}
	return out
}

func reasonsOf(list []event.Reason) reasons {
	var r reasons
	for _, one := range list {
		for i, reason := range reasonList {
			if one == reason {
				r |= 1 << i
			}
		}
	}
	return r
}
