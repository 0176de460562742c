package web

import "specimen.example/custody/internal/event"

// KinRow is a tube that belongs with another one or with a draw.
type KinRow struct {
	ID      string
	Kin     string // what it is to the other one, in words: "of the same draw"
	Type    string
	State   string // how far it is, in words: "on its way", "discarded"
	Drawn   Due
	Verdict event.Verdict // worst of its tests; empty when nothing is judged any more
	Outlook event.Outlook
	Flagged bool
}

// EpisodeRow is one episode of a tube's flag, with what people answered.
type EpisodeRow struct {
	Episode int64 // 0: an answer before any flag was up
	Kind    event.FlagKind
	Since   event.Instant
	Verdict event.Verdict // as last said
	Action  event.Action
	Cause   string        // what it comes from: "box B-3"; empty where the journey doesn't tell
	Changed int           // how often it was changed in place
	Cleared event.Instant // 0 while it is up
	Reason  string        // why it was cleared, in words; may be empty
	Answers []AnswerRow
}

// AnswerRow is what a person did about a flag.
type AnswerRow struct {
	At     event.Instant
	By     string
	Did    string        // in words: "taken", "let pass"
	Until  event.Instant // when it comes back, for one put aside
	Reason string
}

// DecisionRow is what a person decided about a tube, or saw on it.
type DecisionRow struct {
	At         event.Instant
	By         string
	Place      string
	What       string // in words: "accepted with a deviation"
	Reason     string
	Authoriser string // staff code
	Report     string // code of the text for the report
	Voided     bool
}

// SampleRow is a new sample that was asked for, with what became of it.
type SampleRow struct {
	Draw     string // draw that it stands for
	At       event.Instant
	By       string
	Reason   string
	Tubes    []string
	Tests    []string // names
	Declined bool
	Done     bool
	Answered event.Instant // 0 while it is open
	Answerer string
	Because  string // why it was declined
	NewDraw  string // draw that replaced it
}

// CorrectionRow is a change of what was told before.
type CorrectionRow struct {
	At     event.Instant
	By     string
	What   string
	Reason string
	Seq    uint64 // position of the correction in the log; 0 when it is no entry of its own
	ID     string // of its scan
}
