// Package custody decides what can be true of tubes, draws, carriers, requests,
// places and loggers: it folds facts into a World and decides what facts a scan
// gives. The fold accepts any order of arrival and gives the same state; it never
// refuses. Deciding may refuse a live scan; it never refuses what already
// happened. Nothing here knows temperature, limits, time of day or the log.
//
// # What rests
//
// Tubes, draws and requests that name each other are one case. A case of which all is over
// (see Over) and quiet may rest: World.Rest or RestSome gives its records to the caller,
// who keeps them in a file, and leaves a trace of some hundred bytes a tube. World.Recall,
// set by the caller, gives them back. Whoever asks for anything at rest, or writes to it,
// wakes it first, so that every answer is that of a world which never rests; two laws say
// so. What only touches a case (its box was emptied by a late phone, its place is described
// anew) is answered by Apply for the first AtOnce cases and by Stirred for the others, so
// that no record costs more than a turn allows: whoever judges again only what Apply names
// calls Stirred until Unread is 0. Near leaves out what was over before a reading.
//
// What it costs. Rest derives each tube of the case twice or three times, some 0.1 ms a
// tube; looking at a tube to which something happened lately costs a glance at its records.
// Waking costs Recall, an Apply without its search for what it touches for each record, and
// that the case is looked at anew by RestSome. While nothing at rest is asked for, each read
// by key costs one look into a table. Orderly traffic wakes nothing, also in boxes, at places
// and on devices with years of traffic. It wakes much when a place or a carrier becomes of
// another kind, a timetable changes or a logger is calibrated (all that was there: through
// Stirred), when AskedDraws lists all (AskedSince doesn't), and when the doubts of a device
// are asked for at an instant (all that was scanned with it).
//
// Rules for the caller: one call at a time, reads too, once something rests. What Rest gave
// back is no longer to be held: a Look or records of it stay true but are not kept up. When
// Failed is set the World has lost records: make another from the log. Keep the first
// message of an id only, as Rest gives it; a case's number isn't used again after a wake.
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
