package rehearsal

import (
	"encoding/json"
	"fmt"

	"specimen.example/custody/internal/event"
)

// Answer is one planted mistake. It comes at the moment from which the product
// can know of it, so whoever plays the day looks right then: a doubt may be closed
// by what comes later.
type Answer struct {
	Kind    Kind          `json:"kind"`
	Tubes   []string      `json:"tubes,omitempty"`   // all tubes that it may harm
	Carrier string        `json:"carrier,omitempty"` // box
	Device  string        `json:"device,omitempty"`  // phone
	Scan    string        `json:"scan,omitempty"`    // id of the scan that is the mistake, where it is one
	At      event.Instant `json:"-"`                 // when it happened
	Expect  Expect        `json:"expect"`
}

// Expect is what a mistake should lead to; any one word of a list will do.
type Expect struct {
	What    What           `json:"what"`
	Doubts  []event.Doubt  `json:"doubts,omitempty"`  // one stands on the tube, the box or the phone
	Refusal event.Refusal  `json:"refusal,omitempty"` // the scan is refused, if it is live
	Reasons []event.Reason `json:"reasons,omitempty"` // one stands beside the verdict of a test on one of the tubes
	Fact    string         `json:"fact,omitempty"`    // the tube has it: people saw it, the product keeps it
}

// What says where a mistake should show.
type What string

// The places where a mistake should show.
const (
	Doubt      What = "doubt"
	Refusal    What = "refusal"
	Judged     What = "judged"
	Fact       What = "fact"
	Unmeasured What = "unmeasured" // less than half of the tubes' minutes in the box are measured
	Nothing    What = "nothing"    // neither time nor temperature nor custody can tell
)

// Fate is where a tube's day ends. Each tube has exactly one.
type Fate string

// The fates.
const (
	Tested     Fate = "tested"
	RejectedAt Fate = "rejected"
	NeverSeen  Fate = "lost"
	Found      Fate = "found-and-discarded"
	TooOld     Fate = "too-old-and-discarded"
)

// Fates gives all of them.
func Fates() []Fate { return []Fate{Tested, RejectedAt, NeverSeen, Found, TooOld} }

// Ended says how one tube ended.
type Ended struct {
	Tube string `json:"tube"`
	Fate Fate   `json:"fate"`
}

// Line gives what a step adds to the answer file: one JSON object and a newline for
// a planted mistake ({"kind":...,"at":...}) or for the end of a tube
// ({"tube":...,"fate":...}). It is empty for every other step.
func (s Step) Line() ([]byte, error) {
	var what any
	switch {
	case s.Answer != nil:
		what = struct {
			At   string `json:"at"`
			Look string `json:"look"` // from when the product can know
			*Answer
		}{s.Answer.At.String(), s.At.String(), s.Answer}
	case s.Ended != nil:
		what = s.Ended
	default:
		return nil, nil
	}
	line, err := json.Marshal(what)
	if err != nil {
		return nil, fmt.Errorf("write an answer: %w", err)
	}
	return append(line, '\n'), nil
}
