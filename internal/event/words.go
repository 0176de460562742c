package event

import "slices"

// Verdict is what the limits say of one assay on one tube now.
type Verdict string

// The verdicts, worst first.
const (
	PastLimit        Verdict = "past-limit"
	WrongTube        Verdict = "wrong-tube"
	NotStudiedBeyond Verdict = "not-studied-beyond"
	CannotSay        Verdict = "cannot-say"
	Wait             Verdict = "wait"
	NoLimitAdopted   Verdict = "no-limit-adopted"
	WithinLimits     Verdict = "within-limits"
)

// Verdicts lists every verdict, worst first.
func Verdicts() []Verdict {
	return []Verdict{PastLimit, WrongTube, NotStudiedBeyond, CannotSay, Wait, NoLimitAdopted, WithinLimits}
}

// Worse reports whether v stands before w in the order of Verdicts.
func (v Verdict) Worse(w Verdict) bool {
	all := Verdicts()
	return slices.Index(all, v) < slices.Index(all, w)
}

// Outlook stands beside the verdict: will it end in time?
type Outlook string

// The outlooks.
const (
	InTime         Outlook = "in-time"
	RunningOut     Outlook = "running-out"
	OutlookUnknown Outlook = "unknown"
)

// Outlooks lists every outlook.
func Outlooks() []Outlook { return []Outlook{InTime, RunningOut, OutlookUnknown} }

// Reason says why a verdict is what it is.
type Reason string

// The reasons.
const (
	ReasonTime             Reason = "time"
	ReasonHeat             Reason = "heat"
	ReasonCold             Reason = "cold"
	ReasonFrozen           Reason = "frozen"
	ReasonLight            Reason = "light"
	ReasonNotOnIce         Reason = "not-on-ice"
	ReasonNotKeptWarm      Reason = "not-kept-warm"
	ReasonClotting         Reason = "clotting"
	ReasonNoCollectionTime Reason = "no-collection-time"
	ReasonTimeConflict     Reason = "time-conflict"
	ReasonNoTemperature    Reason = "no-temperature"
	ReasonOutsideStudied   Reason = "outside-studied"
	ReasonNoTestsKnown     Reason = "no-tests-known"
	ReasonNeedsUnspun      Reason = "needs-unspun"
	ReasonEightyPercent    Reason = "eighty-percent"
	ReasonTimetable        Reason = "timetable"
	ReasonLikelyLate       Reason = "likely-late"
	ReasonCustodyOnly      Reason = "custody-only"
	ReasonNotAdopted       Reason = "not-adopted"
	ReasonAssumedOnly      Reason = "assumed-only"
	ReasonUnreadableFact   Reason = "unreadable-fact"
)

// Reasons lists every reason in the order in which lists of reasons are shown.
func Reasons() []Reason {
	return []Reason{
		ReasonTime, ReasonHeat, ReasonCold, ReasonFrozen, ReasonLight, ReasonNotOnIce, ReasonNotKeptWarm, ReasonClotting,
		ReasonNoCollectionTime, ReasonTimeConflict, ReasonNoTemperature, ReasonOutsideStudied, ReasonNoTestsKnown,
		ReasonNeedsUnspun, ReasonEightyPercent, ReasonTimetable, ReasonLikelyLate, ReasonCustodyOnly, ReasonNotAdopted,
		ReasonAssumedOnly, ReasonUnreadableFact,
	}
}

// Direction says which way a result may be wrong.
type Direction string

// The directions.
const (
	ReadsHigh        Direction = "high"
	ReadsLow         Direction = "low"
	ReadsEither      Direction = "either"
	DirectionUnknown Direction = "unknown"
)

// Directions lists every direction.
func Directions() []Direction { return []Direction{ReadsHigh, ReadsLow, ReadsEither, DirectionUnknown} }

// Action is what a flag proposes.
type Action string

// The actions, in order of preference. A new sample is always the last.
const (
	UseOtherTube    Action = "use-other-tube"
	RunNow          Action = "run-now"
	LoadNow         Action = "load-now"
	MoveTemperature Action = "move-temperature"
	Hurry           Action = "hurry"
	LookAtTube      Action = "look-at-tube"
	SpinButHold     Action = "spin-but-hold"
	AskLaboratory   Action = "ask-laboratory"
	AskNewSample    Action = "ask-new-sample"
)

// Actions lists every action in order of preference.
func Actions() []Action {
	return []Action{UseOtherTube, RunNow, LoadNow, MoveTemperature, Hurry, LookAtTube, SpinButHold, AskLaboratory, AskNewSample}
}

// RackAnswer is the answer at the centrifuge's rack.
type RackAnswer string

// The rack answers. Only the last three stop.
const (
	RackSpin        RackAnswer = "spin"
	RackSpinHold    RackAnswer = "spin-hold"
	RackWait        RackAnswer = "wait"
	RackRunFirst    RackAnswer = "run-first"
	RackNothingLeft RackAnswer = "nothing-left"
)

// RackAnswers lists every rack answer.
func RackAnswers() []RackAnswer {
	return []RackAnswer{RackSpin, RackSpinHold, RackWait, RackRunFirst, RackNothingLeft}
}

// FlagKind tells a flag before the tests are run from one after.
type FlagKind string

// The flag kinds.
const (
	FlagBefore FlagKind = "before"
	FlagAfter  FlagKind = "after"
)

// FlagKinds lists every flag kind.
func FlagKinds() []FlagKind { return []FlagKind{FlagBefore, FlagAfter} }

// Doubt names what doesn't fit.
type Doubt string

// The doubts.
const (
	DoubtOneNumberTwoTubes       Doubt = "one-number-two-tubes"
	DoubtTwoPlaces               Doubt = "two-places"
	DoubtReceivedBeforeCollected Doubt = "received-before-collected"
	DoubtNotInCarrier            Doubt = "not-in-carrier"
	DoubtMissing                 Doubt = "missing"
	DoubtExtra                   Doubt = "extra"
	DoubtLegNotReported          Doubt = "leg-not-reported"
	DoubtAfterDisposal           Doubt = "after-disposal"
	DoubtClockWrong              Doubt = "clock-wrong"
	DoubtOneSidedHandoff         Doubt = "one-sided-handoff"
	DoubtCollectionTimeConflict  Doubt = "collection-time-conflict"
	DoubtBrokenSeal              Doubt = "broken-seal"
	DoubtIdentityMismatch        Doubt = "identity-mismatch"
	DoubtSpunBeforeClotted       Doubt = "spun-before-clotted"
	DoubtWrongTubeType           Doubt = "wrong-tube-type"
	DoubtImpossibleTravel        Doubt = "impossible-travel"
	DoubtOverlap                 Doubt = "overlap"
	DoubtUnlabelled              Doubt = "unlabelled"
	DoubtLate                    Doubt = "late"
	DoubtTwoPatients             Doubt = "two-patients"
	DoubtClockJumped             Doubt = "clock-jumped"
)

// Doubts lists every doubt.
func Doubts() []Doubt {
	return []Doubt{
		DoubtOneNumberTwoTubes, DoubtTwoPlaces, DoubtReceivedBeforeCollected, DoubtNotInCarrier, DoubtMissing, DoubtExtra,
		DoubtLegNotReported, DoubtAfterDisposal, DoubtClockWrong, DoubtOneSidedHandoff, DoubtCollectionTimeConflict,
		DoubtBrokenSeal, DoubtIdentityMismatch, DoubtSpunBeforeClotted, DoubtWrongTubeType, DoubtImpossibleTravel,
		DoubtOverlap, DoubtUnlabelled, DoubtLate, DoubtTwoPatients, DoubtClockJumped,
	}
}

// Refusal says why a live scan was stopped or an input could not be read.
type Refusal string

// The refusals. The first group stops live scans only; the second answers
// unreadable input in any mode; the last three of it are for typed times.
const (
	RefuseIdentityMismatch Refusal = "identity-mismatch"
	RefuseDisposed         Refusal = "disposed"
	RefuseHeld             Refusal = "held"
	RefuseNotYetClotted    Refusal = "not-yet-clotted"
	RefuseRunFirst         Refusal = "run-first"
	RefuseNothingLeft      Refusal = "nothing-left"
	RefuseSameParty        Refusal = "same-party"
	RefuseSecondIdentifier Refusal = "second-identifier-wanted"
	RefuseStaleApp         Refusal = "stale-app"
	RefuseNotAllowed       Refusal = "not-allowed"

	RefuseProductCode    Refusal = "product-code"
	RefuseShortRead      Refusal = "short-read"
	RefuseSeparatorLost  Refusal = "separator-lost"
	RefuseKeyboardLayout Refusal = "keyboard-layout"
	RefuseRunTogether    Refusal = "run-together"
	RefuseNoSuchTime     Refusal = "no-such-time"
	RefuseAmbiguousTime  Refusal = "ambiguous-time"
	RefuseNoOffset       Refusal = "no-offset"
	RefuseUnknownLabel   Refusal = "unknown-label"
	RefuseWrongScheme    Refusal = "wrong-scheme"
)

// Refusals lists every refusal.
func Refusals() []Refusal {
	return []Refusal{
		RefuseIdentityMismatch, RefuseDisposed, RefuseHeld, RefuseNotYetClotted, RefuseRunFirst, RefuseNothingLeft,
		RefuseSameParty, RefuseSecondIdentifier, RefuseStaleApp, RefuseNotAllowed, RefuseProductCode, RefuseShortRead,
		RefuseSeparatorLost, RefuseKeyboardLayout, RefuseRunTogether, RefuseNoSuchTime, RefuseAmbiguousTime,
		RefuseNoOffset, RefuseUnknownLabel, RefuseWrongScheme,
	}
}

// Answer is what the sender of a scan hears.
type Answer string

// The answers to a scan.
const (
	AnswerRecorded   Answer = "recorded"
	AnswerRepeated   Answer = "repeated"
	AnswerIDConflict Answer = "id-conflict"
	AnswerRefused    Answer = "refused"
	AnswerNotSaved   Answer = "not-saved"
)

// Answers lists every answer.
func Answers() []Answer {
	return []Answer{AnswerRecorded, AnswerRepeated, AnswerIDConflict, AnswerRefused, AnswerNotSaved}
}

// Evidence says how the temperature of a minute is known.
type Evidence string

// The kinds of evidence of a minute, best first.
const (
	EvidenceMeasured Evidence = "measured"
	EvidenceAttested Evidence = "attested"
	EvidenceAssumed  Evidence = "assumed"
	EvidenceUnknown  Evidence = "unknown"
)

// Evidences lists the kinds of evidence of a minute, best first.
func Evidences() []Evidence {
	return []Evidence{EvidenceMeasured, EvidenceAttested, EvidenceAssumed, EvidenceUnknown}
}

// Ending is what ends a limit.
type Ending string

// The endings.
const (
	EndsMeasured   Ending = "measured"
	EndsSetUp      Ending = "set-up"
	EndsFilmMade   Ending = "film-made"
	EndsIncubated  Ending = "incubated"
	EndsOffCells   Ending = "off-cells"
	EndsSpun       Ending = "spun"
	EndsFrozen     Ending = "frozen"
	EndsTested     Ending = "tested"
	EndsTransfused Ending = "transfused"
)

// Endings lists every ending.
func Endings() []Ending {
	return []Ending{EndsMeasured, EndsSetUp, EndsFilmMade, EndsIncubated, EndsOffCells, EndsSpun, EndsFrozen, EndsTested, EndsTransfused}
}

// Steps lists the verbs of stories that a scan's step may be.
func Steps() []string {
	return []string{
		"prepare", "start-draw", "wristband", "collect", "fail-collection", "end-draw", "pack", "unpack", "seal", "open",
		"empty", "release", "take", "depart", "arrive", "see", "receive", "accept", "reject", "note", "attest", "rack", "spin",
		"end-spin", "fail-spin", "derive", "measure", "film", "incubate", "freeze", "thaw", "store", "retrieve", "refer",
		"discard", "relabel", "reidentify", "attach", "detach", "void", "explain", "take-flag", "override", "ask-sample", "add-test",
		"withdraw-test", "declare-lost", "find", "place-request", "cancel-request", "decline-sample", "sample-done",
		"destine", "redirect", "end-incubation", "split", "issue-result", "act-flag", "put-aside", "calibrate",
	}
}

// The roles of people, everywhere or at a place.
const (
	RoleCollector = "collector"
	RoleCourier   = "courier"
	RoleReception = "reception"
	RoleScientist = "scientist"
	RoleQuality   = "quality"
	RoleEngineer  = "engineer"
)

// Roles lists every role.
func Roles() []string {
	return []string{RoleCollector, RoleCourier, RoleReception, RoleScientist, RoleQuality, RoleEngineer}
}
