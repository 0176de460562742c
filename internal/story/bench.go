package story

import (
	"time"

	"specimen.example/custody/internal/event"
)

// Bench is the system under a story. Its clock stands still between calls of
// Clock. An error ends the story; what a scan is answered is not an error.
// Queries answer for the bench's clock and wait until all that was accepted
// before is judged.
type Bench interface {
	// Declare makes one thing known. A thing is declared once.
	Declare(d Declared) error
	// Clock sets the bench's clock; it never goes back within a story.
	Clock(now event.Instant) error
	// Scan sends one scan of one label.
	Scan(scan Scan) (Answer, error)
	// Readings delivers readings of one logger, in order of time.
	Readings(logger string, readings []event.Reading, late bool) error
	// Import delivers the file of a logger. One that can't be read, or leaves a
	// question open, is answered not-saved; one that came before, repeated.
	Import(file ImportFile) (event.Answer, error)
	// Adopt puts a rule file in force; inFlight also for tubes already drawn.
	Adopt(file string, data []byte, inForce event.Instant, inFlight bool, by string) error
	// Restart kills and reopens the store.
	Restart() error
	// Tube shows one tube at an instant; a tube nobody knows has Known false.
	Tube(id string, at event.Instant) (TubeView, error)
	// Thing shows anything else: carrier, device, place, person, draw, request.
	Thing(kind event.Kind, id string, at event.Instant) (ThingView, error)
	// Count counts the steps in the whole log that gave the fact.
	Count(fact string) (int, error)
}

// Scan mirrors a scan of the API. Empty strings and zeros are not said.
type Scan struct {
	ID    string
	Step  string // verb of the story
	Label string // what was scanned, as text; empty for a step without a label
	Kind  event.Kind
	Raw   bool // Label is raw scanner input, verb read-label

	Occurred    event.Instant // true time
	DeviceTime  event.Instant // what the device's clock showed
	OffsetMs    int64         // device minus true; measured when the device sends
	MonotonicMs int64
	BootID      string // from which start of the device it counts
	Device      string
	DeviceSeq   int64

	Place   string
	By      string
	With    string
	From    string
	To      string
	Carrier string
	Draw    string
	Patient string
	Request string
	Type    string
	Parent  string
	Ward    string // that gave out the number
	Tests   []string
	Mode    event.Mode
	TypedAt string // as typed; a date is put before a bare time of day
	How     string
	Reason  string
	Note    string
	// Details are the step's own keys. Times are RFC 3339 in UTC, everything
	// else is as written.
	Details map[string]string
	Line    int // of the story, for messages
}

// Answer is what the sender of a scan hears.
type Answer struct {
	Answer  event.Answer
	Refusal event.Refusal // set when refused
	Text    string        // for people, shown beside a failed expectation
}

// ImportFile is a logger's file as it comes from the logger's program.
type ImportFile struct {
	Name   string
	Data   []byte
	Logger string
	Zone   string // zone of times without one, empty for the logger's own
	Unit   string // C, F or K, empty when not said
	Order  string // day-first, month-first or year-first, empty when not said
	ID     string // empty for a fresh one
	By     string
}

// TubeView is what expectations may ask of a tube.
type TubeView struct {
	ThingView
	Verdict event.Verdict  // the worst of the tests; also set when it has none
	Reasons []event.Reason // of a tube without tests; else those of the tests are read
	Tests   []TestView
	Flag    *FlagView // nil when none is raised
	Rack    RackView
}

// TestView is the judgement of one test. Durations are in milliseconds.
type TestView struct {
	Assay      string
	Verdict    event.Verdict
	Outlook    event.Outlook
	Reasons    []event.Reason // in the order of event.Reasons
	Direction  event.Direction
	UsedMs     int64
	LimitMs    int64
	BelowMs    int64
	AboveMs    int64
	ByMs       map[event.Evidence]int64
	Rule       string
	CountsFrom string        // draw, state or thaw
	Since      event.Instant // instant from which the limit counts
	Until      event.Instant // when it may change with no new fact: end of a wait, spin by
}

// FlagView is the tube's one flag.
type FlagView struct {
	Kind    event.FlagKind
	Action  event.Action
	Cause   string         // label of the box, logger or route it comes from, empty for none
	Reasons []event.Reason // of all its tests, in the order of event.Reasons
	Until   event.Instant
}

// RackView is what a scan at the rack would be answered.
type RackView struct {
	Answer        event.RackAnswer
	Tests         []string // to hold, or to run first
	Reasons       []event.Reason
	Irreplaceable bool
	Until         event.Instant // end of a wait
}

// ThingView is what any thing can be asked for.
type ThingView struct {
	Known      bool
	Holder     string   // person or place answerable now
	From       string   // who held it before
	Link       string   // how it came to its holder: direct or by-box
	Links      []string // other numbers of the same material
	Place      string
	Doubts     []event.Doubt  // open ones
	Facts      map[string]int // steps by fact
	ReplacedBy string
	Holds      int // tubes inside a carrier, at any depth
}

// Declared is one of the declarations below.
type Declared interface{ declared() }

// Place declares a place.
type Place struct {
	ID, Kind, Zone string
	Assumed        event.Range
	BenchSpin      time.Duration // accepted here counts as spun within it, 0 for no
	Relabel        bool          // a tube that came without a label may get a number here
	Owner, Basis   string
	Review         event.Instant
	Identify       []string // event.Identifyings
	SecondPerson   bool
	Spins          bool
	MostDraw       int64 // permille
}

// Person declares a person.
type Person struct {
	ID, Role string
	Inactive bool
}

// Device declares a device; Error is its clock minus true time.
type Device struct {
	ID, Kind string
	Error    time.Duration
	Inactive bool
}

// Carrier declares a carrier.
type Carrier struct {
	ID, Kind     string
	OwnClimate   bool
	Assumed      event.Range
	Owner, Basis string
	Review       event.Instant
}

// Logger declares a logger and what it hangs in.
type Logger struct {
	ID          string
	Every       time.Duration
	Hold        time.Duration // -1: the default
	MaxGap      time.Duration // 0: the default
	In          string        // carrier or place, empty for nothing yet
	InKind      event.Kind
	Uncertainty event.CentiC
	Due         event.Instant // next calibration
	Zone        string        // that its clock shows, empty when not said
}

// Request declares what was ordered, with the tubes that shall carry it.
type Request struct {
	ID, Patient   string
	Tubes         []RequestTube
	Tests         []string
	Conditions    []string // name=yes or name=no
	Priority, To  string
	Irreplaceable bool
}

// RequestTube is one tube of a request.
type RequestTube struct {
	ID, Type string
	Tests    []string
}

// Tube declares a prepared label that belongs to no declared request.
type Tube struct {
	ID, Type, Patient, Request string
	Tests                      []string
	Conditions                 []string
	Irreplaceable              bool
}

// Route declares a timetable.
type Route struct {
	ID, From, To, Zone string
	Departs            []string // local times
	Takes              time.Duration
}

// Scheme declares a scheme of numbers.
type Scheme struct {
	ID, Pattern, Names string
	Check, Case, Zeros string
	In                 []string
	Framed             bool
	Ward               bool // wards give out the numbers each for itself
	PerType            bool // the tube's type completes the number
	Reuse              time.Duration
}

func (Place) declared()   {}
func (Person) declared()  {}
func (Device) declared()  {}
func (Carrier) declared() {}
func (Logger) declared()  {}
func (Request) declared() {}
func (Tube) declared()    {}
func (Route) declared()   {}
func (Scheme) declared()  {}
