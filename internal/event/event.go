// Package event decides what can be written into the log: which aggregates
// there are, how they are named on a subject, what a decision carries beside
// its facts, and the closed word lists that stories, the API and the screens
// share. It knows no clock, no network and no stored form.
package event

import "time"

// Instant is a point in time in milliseconds since 1970 UTC. Zero means "not
// said"; no specimen was drawn in 1970.
type Instant int64

// At gives t as an Instant, cut to the millisecond.
func At(t time.Time) Instant { return Instant(t.UnixMilli()) }

// Time gives i in UTC. A zero Instant gives the zero time.
func (i Instant) Time() time.Time {
	if i == 0 {
		return time.Time{}
	}
	return time.UnixMilli(int64(i)).UTC()
}

// Add gives i moved by d, cut to the millisecond.
func (i Instant) Add(d time.Duration) Instant { return i + Instant(d.Milliseconds()) }

// Sub gives i minus j.
func (i Instant) Sub(j Instant) time.Duration { return time.Duration(i-j) * time.Millisecond }

// String is RFC 3339 in UTC with milliseconds, or "-" when nothing was said.
func (i Instant) String() string {
	if i == 0 {
		return "-"
	}
	return i.Time().Format("2006-01-02T15:04:05.000Z")
}

// CentiC is a temperature in 0.01 degrees Celsius.
type CentiC int32

// Range is a temperature range, both ends inside. The zero value, not Known,
// says that nothing was declared.
type Range struct {
	Low, High CentiC
	Known     bool
}

// Reading is one value of a logger. A reading that is not OK is a fault or a
// gap in the series: it has no temperature, which is not the same as 0 degrees.
type Reading struct {
	At  Instant
	C   CentiC
	OK  bool
	Raw string // the text as it arrived, empty when it never was text
}

// Run is one message of a readings stream: readings of one logger.
type Run struct {
	Logger   Key
	ID       string
	Readings []Reading
	Recorded Instant
	Device   string
	Import   string // source of an imported file, empty otherwise
	Trace    string // as of a Decision
}

// Ciphertext is free text under a patient's key. The zero value is no text.
type Ciphertext struct {
	Key   string // reference of the patient whose key opens it
	Nonce []byte
	Box   []byte
}

// Flag is what a tube's one flag says in one episode.
type Flag struct {
	Episode int64
	Kind    FlagKind
	Verdict Verdict
	Action  Action
	Tests   []FlagTest
	Rules   string  // hash of the rule set it rests on
	Until   Instant // to when the advice can be followed, 0 for no such instant
	Cause   Cause   // what it comes from as far as the journey tells; it may be shared with other tubes
}

// FlagTest is one test of a flag.
type FlagTest struct {
	Assay     string
	Verdict   Verdict
	Outlook   Outlook
	Reasons   []Reason
	Direction Direction
	Rule      string // id of the rule, empty when none applies
}

// Mode says whether a scan may still be stopped.
type Mode string

// The two modes of a scan.
const (
	Live     Mode = "live"
	Reported Mode = "reported"
)

// Envelope is what every decision carries beside its facts.
type Envelope struct {
	ID     string // client's scan id, unique within the aggregate
	Kind   Kind
	Key    Key
	Digest []byte // hash of the scan as understood; a repeat must carry the same

	Occurred      Instant // device time corrected by the offset; drives stability
	DeviceTime    Instant // as the device said
	OffsetMs      int64   // device minus true
	UncertaintyMs int64   // half width of the offset
	MonotonicMs   int64   // counter since the device's boot
	BootID        string
	TimeSource    string  // scanned, typed, imported or declared
	ZoneOffsetMin int32   // offset of the place's zone at Occurred
	Typed         Instant // time a person typed beside the scan
	Recorded      Instant // our clock; never decreases within one process

	Actor     string // as declared
	OnBehalf  string
	Witness   string
	Principal string // as authenticated
	Role      string
	Device    string
	DeviceSeq int64
	Place     string

	Mode   Mode
	How    string // read method of the label
	App    string // build of the client
	Import string
	Causes []string
	Step   string // verb of the scan

	Attested  []byte
	KeyID     string
	Signature []byte
}

// Decision is what one scan decided for one aggregate: one message of a
// custody stream.
type Decision struct {
	Envelope
	Facts []Fact
	// Trace is the W3C traceparent of what caused the decision, empty when nobody
	// traces. It travels beside the message, is no part of the stored form and decides
	// nothing.
	Trace string
}

// Record is a decision as it stands in the log.
type Record struct {
	Seq uint64 // stream sequence, 1-based
	Decision
	// Stored is the decision as the log holds it, where that is at hand; nil otherwise. It
	// says nothing that the decision doesn't. Read only.
	Stored []byte `json:"-"`
}

// Before is the fold order of one aggregate: corrected time of occurrence, then
// device, device sequence and id. It is total, so any order of arrival folds alike.
func (r *Record) Before(o *Record) bool {
	switch {
	case r.Occurred != o.Occurred:
		return r.Occurred < o.Occurred
	case r.Device != o.Device:
		return r.Device < o.Device
	case r.DeviceSeq != o.DeviceSeq:
		return r.DeviceSeq < o.DeviceSeq
	case r.ID != o.ID:
		return r.ID < o.ID
	default:
		return r.Seq < o.Seq
	}
}
