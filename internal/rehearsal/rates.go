package rehearsal

import "specimen.example/custody/internal/event"

// Kind is one kind of planted mistake.
type Kind string

// The kinds. What is done in each stands in rates.
const (
	OtherLabel     Kind = "label-of-another-patient"
	WrongContainer Kind = "wrong-container"
	Unscanned      Kind = "collection-not-scanned"
	WrongBox       Kind = "wrong-box-scanned"
	LeftBehind     Kind = "tube-left-behind"
	Lost           Kind = "tube-lost"
	Mislabelled    Kind = "mislabelled-unseen"
	LabelSeen      Kind = "mislabelled-seen"
	Haemolysed     Kind = "haemolysed"
	Clotted        Kind = "clotted"
	WrongFill      Kind = "wrong-fill"
	SpunLate       Kind = "spun-late"
	SpunEarly      Kind = "rack-before-clotted"

	Handoff         Kind = "handoff-not-scanned"
	Delayed         Kind = "round-delayed"
	Sun             Kind = "box-in-sun"
	Ice             Kind = "box-against-ice"
	LoggerForgotten Kind = "logger-forgotten"
	LoggerDied      Kind = "logger-battery-dead"
	LoggerLate      Kind = "logger-read-late"

	ClockWrong Kind = "phone-clock-wrong"
)

// noSource marks a rate that nobody published, or none that was found.
const noSource = "assumed, no source"

// rate says how often a mistake is planted and what it should lead to.
type rate struct {
	kind   Kind
	parts  int // in a million of what it may happen to
	of     string
	what   string
	source string
	expect Expect
}

const (
	survey = "table of preanalytical quality indicators after the IFCC working group, J Lab Med Qual Assur 2024;46:145, median of the survey, indicator "
	ofTube = "tubes"
	ofBox1 = "rounds with a box"
)

// tubeRates are the mistakes of one tube; at most one is planted on a tube.
var tubeRates = []rate{
	{OtherLabel, 511, ofTube, "the label of another patient's tube is scanned after the wristband",
		"Ning 2016, 0.0511 % before bedside bar codes", Expect{What: Refusal, Refusal: event.RefuseIdentityMismatch}},
	{WrongContainer, 140, ofTube, "another type of tube is filled than was asked for",
		survey + "Pre-WroCo", Expect{What: Doubt, Doubts: []event.Doubt{event.DoubtWrongTubeType}}},
	{Unscanned, 3_000, ofTube, "neither collection nor packing is scanned", noSource,
		Expect{What: Judged, Reasons: []event.Reason{event.ReasonNoCollectionTime}}},
	{WrongBox, 1_000, ofTube, "the spare box is scanned, the tube goes into the one that travels", noSource,
		Expect{What: Doubt, Doubts: []event.Doubt{event.DoubtLegNotReported, event.DoubtNotInCarrier}}},
	{LeftBehind, 1_000, ofTube, "scanned into the box and left on the tray; found an hour later and thrown away", noSource,
		Expect{What: Doubt, Doubts: []event.Doubt{event.DoubtMissing}}},
	{Lost, 500, ofTube, "scanned into the box and never seen again", noSource,
		Expect{What: Doubt, Doubts: []event.Doubt{event.DoubtMissing}}},
	{Mislabelled, 3_170, ofTube, "blood of another patient in it, and nobody sees it",
		"Raymond 2024, hidden 3.17 in 1000", Expect{What: Nothing}},
	{LabelSeen, 1_150, ofTube, "the desk sees that the label can't be right and rejects it",
		"Raymond 2024, noticed 1.15 in 1000", Expect{What: Fact, Fact: "Rejected"}},
	{Haemolysed, 3_090, ofTube, "the desk sees haemolysis and rejects it", survey + "Pre-HemV", Expect{What: Fact, Fact: "Rejected"}},
	{Clotted, 2_990, "EDTA tubes", "the bench finds a clot and rejects it", survey + "Pre-Clot", Expect{What: Fact, Fact: "Rejected"}},
	{WrongFill, 430, ofTube, "the desk sees a wrong fill level and rejects it", survey + "Pre-InsV", Expect{What: Fact, Fact: "Rejected"}},
	{SpunLate, 1_000, "tubes that are spun", "received and forgotten on the bench for ten hours", noSource,
		Expect{What: Judged, Reasons: []event.Reason{event.ReasonTime, event.ReasonEightyPercent, event.ReasonOutsideStudied}}},
	{SpunEarly, 20_000, "serum tubes that reach the bench within 29 min of the draw", "brought to the rack before it has clotted", noSource,
		Expect{What: Refusal, Refusal: event.RefuseNotYetClotted}},
}

// boxRates are the mistakes of one box on one round; at most one is planted on it.
var boxRates = []rate{
	{Handoff, 15_000, ofBox1, "one side of a handoff is not scanned", noSource,
		Expect{What: Doubt, Doubts: []event.Doubt{event.DoubtOneSidedHandoff}}},
	{Delayed, 10_000, ofBox1, "the courier comes five hours late", noSource,
		Expect{What: Judged, Reasons: []event.Reason{event.ReasonTime, event.ReasonEightyPercent, event.ReasonTimetable, event.ReasonLikelyLate, event.ReasonOutsideStudied}}},
	{Sun, 5_000, ofBox1, "the box stands in the sun for an hour", noSource,
		Expect{What: Judged, Reasons: []event.Reason{event.ReasonHeat, event.ReasonOutsideStudied}}},
	{Ice, 5_000, ofBox1, "the box lies against ice for an hour", noSource,
		Expect{What: Judged, Reasons: []event.Reason{event.ReasonCold, event.ReasonFrozen, event.ReasonOutsideStudied}}},
	{LoggerForgotten, 10_000, ofBox1, "the logger stays at the site and is not read", noSource, Expect{What: Unmeasured}},
	{LoggerDied, 5_000, ofBox1, "the logger's battery ends early on the round", noSource, Expect{What: Unmeasured}},
	// New kinds come last: the days of a seed then stay as they are but for those.
	{LoggerLate, 10_000, ofBox1, "the logger is read one to six hours after the box was unpacked", noSource, Expect{What: Unmeasured}},
}

// phoneRate is the mistake of one phone on one day.
var phoneRate = rate{ClockWrong, 20_000, "phones", "the clock is wrong by 5 min to 5 h; the phone measures that when it sends", noSource,
	Expect{What: Doubt, Doubts: []event.Doubt{event.DoubtClockWrong}}}

// What is no mistake and makes a day hard all the same, in a million.
const (
	offlineRate = 150_000 // of rounds: a basement without network, or a road
	twiceRate   = 100_000 // of scans that a phone sends late: delivered again, as the answer was lost
	gapRate     = 10_000  // of readings: not there
	faultRate   = 2_000   // of readings: a fault code
	urgentRate  = 80_000  // of draws
	lateRate    = 15_000  // of rounds without another trouble: a phone sends hours late
	outageRate  = 20_000  // of loggers, on a round or a day: nothing is recorded for a while
	muteRate    = 30_000  // of loggers of places, on a day: what is recorded is sent hours late
)

// panel is what is drawn together into one tube type.
type panel struct {
	kind   string // tube type of the starter catalogue
	tests  []string
	share  int // in a hundred draws; several panels may be in one draw
	volume int // µl of an ordinary tube of the kind
	spins  bool
	serum  bool
}

// panels are in the order of draw: coagulation, serum, heparin, EDTA, fluoride.
var panels = []panel{
	{kind: "CITRATE", tests: []string{"INR", "APTT"}, share: 30, volume: 2_700, spins: true},
	{kind: "SERUM-GEL", tests: []string{"NA", "ALB", "TP"}, share: 35, volume: 4_000, spins: true, serum: true},
	{kind: "SERUM", tests: []string{"TSH", "FT4"}, share: 10, volume: 4_000, spins: true, serum: true},
	{kind: "LIHEP-GEL", tests: []string{"K", "NA", "CREA", "CRP"}, share: 60, volume: 4_000, spins: true},
	{kind: "EDTA", tests: []string{"CBC"}, share: 75, volume: 3_000},
	{kind: "FLUORIDE", tests: []string{"GLU"}, share: 20, volume: 2_000, spins: true},
}
