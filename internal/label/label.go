// Package label decides what a label says: raw bytes off a reader, with the
// symbology identifier where the reader sends one, become either a Reading (what is
// identified, under which key, by which standard, how it was read) or a Refusal that
// says what happened and what to do. It reads GS1 element strings and Digital Link,
// HIBC, and the site's own number schemes, which are data. It looks nothing up, and
// no reading is ever shorter than what arrived: what can't be accounted for to the
// last character is refused.
package label

import (
	"fmt"
	"strings"

	"specimen.example/custody/internal/event"
)

// How says by what a label was read.
type How string

// The ways of reading. Camera and NFC deliver the symbol's bytes; a wedge types them
// on the computer's keyboard, and what the keyboard has no key for gets lost.
const (
	Camera How = "camera"
	Wedge  How = "reader"
	Typed  How = "typed"
	NFC    How = "nfc"
	// Told: another program said it, as text.
	Told How = ""
)

// Input is one read.
type Input struct {
	// Raw is what arrived, with the symbology identifier in front where the reader
	// sends it and the end of read (Enter, Tab) behind.
	Raw []byte
	// Symbology is the identifier where it is said apart ("]d2"), else empty.
	Symbology string
	How       How
	// Separator is the character this reader sends for GS, from its calibration; 0
	// when it sends GS itself or isn't calibrated.
	Separator byte
	// Separates: calibration has shown that separators arrive from this reader.
	Separates bool
	// At is when it was read: it places years of two digits.
	At event.Instant
	// Ward is where a number that depends on its ward was given out; empty when not
	// known.
	Ward string
	// TubeType is the type said with the scan, for numbers that are completed by it.
	TubeType string
	// Want is what may be named here; empty for anything that a scheme names.
	Want []Thing
}

// MaxRaw is the longest read in bytes. A GS1 Data Matrix holds less.
const MaxRaw = 3200

// Reading is what a label says.
type Reading struct {
	Names Thing
	// Scheme is the site's scheme or the standard's: GRAI, SSCC, … L for a local number
	// of which nothing was declared.
	Scheme string
	// Key is the aggregate's key; empty for what is none. It follows from the label,
	// the site's schemes, the ward and the tube type alone.
	Key event.Key
	// Text is the number as people read it.
	Text string
	// Request is the request's part of a number that holds one, else empty.
	Request string
	// Standard is how the data are laid out.
	Standard  Standard
	Symbology Symbology
	How       How
	Elements  Elements // of a GS1 label
	Product   *ProductCode
	Check     CheckState
	// Folded: letters arrived small or with caps lock on and were read as capitals, or
	// leading zeros were filled in. Raw has what arrived.
	Folded bool
	// Reuse is after how long the number comes again, 0 for never.
	Reuse int64 // ms
	Raw   []byte

	value string // canonical, without what Again adds
}

// Standard is how a label's data are laid out.
type Standard string

// The standards. A site's own number stands in any of them.
const (
	StandardPlain       Standard = "plain"
	StandardGS1         Standard = "gs1"
	StandardDigitalLink Standard = "digital-link"
	StandardHIBC        Standard = "hibc"
	StandardDonation    Standard = "donation"
)

// Word says for a screen how the label was read: "GS1" or "plain".
func (r Reading) Word() string {
	return WordOf(string(r.Standard))
}

// Method is how the label was read, for the fact: the way, the symbology identifier
// without its bracket and the standard, as in "camera.d2.gs1".
func (r Reading) Method() string {
	var parts []string
	for _, p := range []string{string(r.How), strings.TrimPrefix(r.Symbology.ID, "]"), string(r.Standard)} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, ".")
}

// WordOf says for a screen what Method put into a fact: "GS1" or "plain", "" when
// nothing was said of how the label was read.
func WordOf(method string) string {
	parts := strings.Split(method, ".")
	switch Standard(parts[len(parts)-1]) {
	case StandardGS1, StandardDigitalLink:
		return "GS1"
	case StandardPlain, StandardHIBC, StandardDonation:
		return "plain"
	default:
		return ""
	}
}

// Private tells whether the text and the raw bytes must not be kept: a wristband's
// or badge's number is looked up and forgotten.
func (r Reading) Private() bool { return r.Names == Patient || r.Names == Person }

// Again gives the key of a number that comes again after its reuse period: turn 0
// is Key, turn 1 its first use again. Which turn a label is in follows from the log:
// the newest one that was begun less than Reuse before the reading.
func (r Reading) Again(turn int) (event.Key, error) {
	if turn == 0 || r.Reuse == 0 {
		return r.Key, nil
	}
	return event.MakeKey(r.Scheme, fmt.Sprintf("%s%s%d", r.value, joinTurn, turn))
}

// ProductCode is what a maker's code says of the tube it stands on.
type ProductCode struct {
	Number string // GTIN of 14 digits, or labeler and product number of HIBC
	Lot    string
	Serial string
	Expiry Date // day open where the label leaves it open
	Made   Date
}

// Refusal is why a read names nothing, with what to do.
type Refusal struct {
	// Field is the part of the input: raw, symbology, ward, tubeType.
	Field string
	What  event.Refusal
	// Say is what happened and Remedy what to do, each a plain sentence without a
	// full stop. Neither holds a number off a label that may be a person's.
	Say, Remedy string
	// Kept is what a product's code said; lot and expiry may be noted for the tube.
	Kept *ProductCode
	// Parts are the labels that ran together, in order.
	Parts []string
	// Proposal is what the reader probably sent. It may be shown and must be confirmed
	// by another read.
	Proposal string
	// Ways are the readings of data whose separators are lost, as people write them;
	// those with a person's number are left out.
	Ways []string
	Raw  []byte
}

// Error implements error.
func (r *Refusal) Error() string { return string(r.What) + ": " + r.Words() }

// Words are what happened and what to do, for a person.
func (r *Refusal) Words() string { return r.Say + "; " + r.Remedy }
