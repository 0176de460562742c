package web

import (
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/sprec"
	"specimen.example/custody/internal/thermal"
)

// WallPage is the screen on the wall: tubes that need hands, what is late, and
// boxes on the way. The zero value is an empty, quiet wall.
type WallPage struct {
	Seq      uint64         // log sequence the page rests on
	Now      event.Instant  // instant it was judged at; the handler fills it in when zero
	Zone     *time.Location // zone of the reception; nil is UTC
	Place    string         // name of the reception, empty when the wall shows all places
	NotLive  string         // why the page itself is behind, in words; empty when it is not
	Flags    []FlagRow      // open flags in any order; the page sorts them
	Late     []LateRow      // due and not there, in any order
	Boxes    []BoxRow       // on the way, in any order
	PutAside int            // flags a person put aside for a while
}

// FlagRow is one flagged tube on the wall, or the flag of a tube page.
type FlagRow struct {
	Tube          string // id of the tube as in /tubes/{id}
	Episode       int64
	Kind          event.FlagKind
	Verdict       event.Verdict
	Outlook       event.Outlook
	Action        event.Action
	ActionNote    string // what the action needs to be clear: "to 2 to 8 °C", "hold GLU"
	Tests         []FlagTestRow
	Holder        string        // person or place answerable now
	Place         string        // last place known
	Box           string        // outermost carrier by the name on it, empty when it is in none
	Since         event.Instant // when the episode was raised
	By            event.Instant // to when the action helps; 0 for no such instant
	TakenBy       string        // who looks after it, empty for nobody yet
	TakenAt       event.Instant
	Irreplaceable bool

	Draw      string      // draw of the tube, empty when not known
	Cause     event.Cause // what several flags can come from
	CauseName string      // the same in words: "box B-7"
	Mark      FlagMark    // what a person last said of it
	// Provisional says why later readings can still change it: "LG-7 has not been read
	// since 07:10"; empty when nothing is outstanding.
	Provisional string
}

// FlagState says what became of a flag that is up.
type FlagState string

// The states of a flag that is up. None of them hides it.
const (
	FlagWaits FlagState = ""         // needs hands
	FlagTaken FlagState = "taken"    // somebody sees to it
	FlagDone  FlagState = "done"     // something was done, and it is still up
	FlagAside FlagState = "aside"    // put aside until an instant, then back by itself
	FlagLet   FlagState = "let-pass" // the tube passes in spite of it
)

// FlagMark is what a person last said of a flag.
type FlagMark struct {
	State FlagState
	By    string
	At    event.Instant
	What  string        // word of the action or of the reason, empty for one in words of their own
	Until event.Instant // of FlagAside
	Scan  string        // id of the scan, for taking it back
}

// FlagTestRow is one test of a flag.
type FlagTestRow struct {
	Name       string
	Restricted bool // shown as "restricted test", never by its name
	Verdict    event.Verdict
	Outlook    event.Outlook
	Reasons    []event.Reason
	Direction  event.Direction
	Limit      string // the limit in words: "60 min at 18 to 25 °C, unspun"
	Source     string // the limit's source in words

	UsedMs, LimitMs int64 // worst case, of the limit; LimitMs 0 when there is none
	Due             Due   // when the limit will be met
}

// LateRow is something that was due and is not there.
type LateRow struct {
	ID     string // unique among late rows
	Name   string // "box B-7", "tube TB260311"
	Tube   string // id of the tube when it is one, for its link
	Tubes  int    // tubes inside; 0 when it is a tube itself
	Holder string
	Place  string        // last place known
	Seen   event.Instant // when it was last scanned
	Due    event.Instant
}

// BoxRow is a box, bag or rack on the way.
type BoxRow struct {
	ID     string // unique among boxes
	Name   string // as it is called: "box B-3"
	Tubes  int
	Flags  int    // tubes in it that are flagged
	Holder string // person or vehicle answerable now
	Place  string // last place known
	Mode   string // walk, pneumatic-tube, van, ferry or drone; empty when not said
	To     string // where it is going
	Seen   event.Instant
	Due    Due // from the timetable; zero when no timetable says
	Temp   Temp
}

// Due is an instant known to lie between two bounds. Both zero: not known.
// Equal bounds: known.
type Due struct{ Earliest, Latest event.Instant }

// Temp is the last temperature known of something.
type Temp struct {
	At       event.Instant // 0: none known
	C        event.CentiC
	Evidence event.Evidence
}

// TubePage is all that is known of one tube.
type TubePage struct {
	Seq           uint64
	Now           event.Instant  // instant it was judged at; the handler fills it in when zero
	Zone          *time.Location // zone of the place where it is; nil is UTC
	ID            string         // as in /tubes/{id} and on the label
	Type          string         // tube type in words
	Draw          string         // id of the draw, empty when not known
	Request       string         // id of the request, empty when not known
	Irreplaceable bool
	Closed        string // why nothing is due any more: "discarded by lena at 12:10"; empty while open

	Holder  string
	Place   string
	Box     string // "box B-3", empty when it is in none
	BoxID   string // as in its report's address
	Mode    string // transport mode while it is moving
	To      string // laboratory it shall reach
	DueAt   Due    // when it should be there
	Drawn   Due    // when the blood entered the tube
	FirstAt event.Instant

	Flag    *FlagRow // nil when it has none
	Tests   []TestRow
	Doubts  []DoubtRow
	Steps   []StepRow // in order of time, voided ones too
	Lanes   []Lane    // who held it, from outside in
	Temps   []TempSegment
	Allowed []TempBand // the bands of its limits

	Kin         []KinRow        // other tubes of its draw, and of the same material
	Samples     []SampleRow     // asked for its draw
	Decisions   []DecisionRow   // in order of time
	Episodes    []EpisodeRow    // of its flag, in order of time
	Corrections []CorrectionRow // in order of time
	// Temperature sums Temps up; zero for none. Nothing is judged by it.
	Temperature thermal.Summary
	// Sprec is the sample pre-analytical code; zero while there is nothing to code.
	Sprec sprec.Result
}

// TestRow is the judgement of one test, with its explanation. Durations are
// milliseconds.
type TestRow struct {
	Code       string
	Name       string
	Restricted bool
	Verdict    event.Verdict
	Outlook    event.Outlook
	Reasons    []event.Reason
	Direction  event.Direction

	Rule     string // id of the rule, empty when none applies
	Limit    string // the rule in words
	Evidence string // what the limit rests on: policy, studied, advised, rate, shown-unstable
	Source   string // title, year and where, in words
	Work     string // title and year alone
	SeenAs   string // how the source was read: direct, summary, second-hand
	Because  string // why this limit was chosen among others

	UsedMs     int64 // worst case, of LimitMs
	BestMs     int64 // best case
	LimitMs    int64 // 0 when there is no limit
	BelowMs    int64 // below the bands
	AboveMs    int64
	BelowReads event.Direction // which way a result goes below; empty when the limit says nothing of it
	AboveReads event.Direction
	Minutes    []EvidenceTime

	Due       Due    // when the limit will be met; zero when it can't be said
	DueVerb   string // what must be done by then: "spin", "measure"; empty is "run"
	Until     event.Instant
	WaitUntil event.Instant
	EndedAt   event.Instant // when a step closed the limit; the verdict is then final
	Say       string        // sentence of a rule about the order of work

	Otherwise *Otherwise // the answer if something that was not stated holds
	Use       []UsePoint // growth of UsedMs over time, for the picture; may be empty
	Explain   []ExplainRow
	Others    []OtherRow // limits of the same key that were not used
	Share     ShareRow   // the largest share that is reached
	NextShare ShareRow   // the next larger one, which will be
}

// OtherRow is a limit of the same key that was not used, and what it would have said
// of this tube now.
type OtherRow struct {
	Rule     string // id
	Limit    string // in a few words: "4 h at 18 to 25 °C, unspun"
	Evidence string // as in TestRow
	Source   string
	Work     string
	SeenAs   string
	Why      string // why it was not chosen, one reason
	If       string // the conditions it asks for and nobody stated, in words; empty when there is none

	Verdict event.Verdict
	Reasons []event.Reason
	UsedMs  int64 // worst case, of LimitMs
	LimitMs int64
	Due     Due
	DueVerb string
	EndedAt event.Instant
}

// ShareRow is a share of the tubes of a study that was over its criterion after as
// much time as this tube has used, or will have. It says nothing of this tube.
type ShareRow struct {
	Share string // "1 in 20"; empty for none
	When  Due    // since when, or from when on: at the worst and at the best
}

// EvidenceTime is how long one kind of evidence held.
type EvidenceTime struct {
	Evidence event.Evidence
	Ms       int64
}

// Otherwise is the answer if a condition that nobody stated holds.
type Otherwise struct {
	Condition string // in words: "if it is on unfractionated heparin"
	Verdict   event.Verdict
	Reasons   []event.Reason
}

// UsePoint is how much of a limit was used at an instant.
type UsePoint struct {
	At     event.Instant
	UsedMs int64
}

// ExplainRow is a stretch of time with one band and one kind of evidence.
type ExplainRow struct {
	From, To event.Instant
	Evidence event.Evidence
	Band     string // name of the band, or below, above, unknown
	LimitMs  int64  // limit of that band, 0 for none
	UsedMs   int64  // what the stretch used, in milliseconds of the governing limit
}

// DoubtRow is something that doesn't fit.
type DoubtRow struct {
	ID     string
	Doubt  event.Doubt
	Note   string // what exactly, in words; may be empty
	Since  event.Instant
	Closed event.Instant // 0 while open
	By     string        // who closed it
	Reason string        // what the person said
	Likely []event.Likely
}

// StepRow is one step of a tube's story.
type StepRow struct {
	At        event.Instant
	Recorded  event.Instant
	Step      string // in words: "taken over"
	By        string
	From      string // other party of a handover
	Place     string
	Carrier   string
	Device    string
	Label     string // GS1 or plain, where it is known how the label was read
	Inherited string // carrier it was inherited from, shown as "by box B-3"
	Reported  bool   // told later, not scanned live
	Note      string
	Voided    bool
	VoidedBy  string
	VoidedFor string // reason
}

// Lane is one row of the picture: who or what held the tube.
type Lane struct {
	Name  string // "held by", "inside"
	Spans []LaneSpan
}

// LaneSpan is a stretch in a lane. To 0 means until now.
type LaneSpan struct {
	From, To event.Instant
	Label    string
	Unknown  bool // nobody is known to have had it
}

// TempSegment is a stretch with one kind of evidence; between its ends the
// temperature runs on a straight line between the bounds. An unknown segment
// carries no temperature.
type TempSegment struct {
	From, To     event.Instant
	Low0, Low1   event.CentiC
	High0, High1 event.CentiC
	Evidence     event.Evidence
}

// TempBand is a range that a limit allows, both ends inside.
type TempBand struct {
	Low, High event.CentiC
	Label     string // whose band it is: "potassium"
}
