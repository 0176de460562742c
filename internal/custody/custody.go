// Package custody decides what can be true of tubes, draws, carriers, requests,
// places and loggers: it folds facts into a World and decides what facts a scan
// gives. The fold accepts any order of arrival and gives the same state; it never
// refuses. Deciding may refuse a live scan; it never refuses what already
// happened. Nothing here knows temperature, limits, time of day or the log.
package custody

import (
	"specimen.example/custody/internal/event"
)

// Scan is one thing a person did, as intake understood it: labels are keys,
// the patient is a random reference, times are corrected. See event.Envelope
// for the fields they share.
type Scan struct {
	event.Envelope // Kind and Key are filled by Decide
	// Target is the aggregate named first after the verb.
	Target  Target
	Tubes   []event.Key // further tubes: parts of a split, tubes of a request or of an asked sample
	To      string      // person or place something is left for
	From    string      // person or place something is taken from
	Carrier event.Key
	Draw    event.Key
	Patient string // random reference
	Row     string // reference of the work list's row a draw is begun from
	Request event.Key
	Type    string    // tube type code
	Parent  event.Key // parent of an aliquot, earlier number of a relabelled tube
	Tests   []string
	Note    event.Ciphertext
	Reason  string
	// Rack is the judge's answer for this tube now, filled by intake on rack and
	// spin; empty never stops.
	Rack event.RackAnswer
	// RackUntil is the instant at which the answer "wait" ends, 0 when not known.
	RackUntil event.Instant
	// Known is the tube that Target names, worked out since the last fact that may
	// have changed it; nil: Decide works it out.
	Known *Tube
	// Asked: people sign in here, and Roles are those that the one who signed in has at
	// the scan's place. Without it everybody may do everything.
	Asked bool
	Roles []string
	// Details are the step's own keys (see StepDetails), already checked by intake.
	Details map[string]string
}

// Target names one aggregate: what was scanned.
type Target struct {
	Kind event.Kind
	Key  event.Key
}
