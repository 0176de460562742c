// Package story decides what a story file says: a text of declarations, steps,
// readings and expectations on a virtual clock. It reads the text, puts steps
// and expectations into the order in which they run, drives a bench and compares
// what the bench shows with what the story expects. The grammar is section 2 of
// the contracts. The package knows no clock, file or network: zones, files and
// the system under test come in as arguments.
package story

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Story is one story file, understood. Lines are numbered from 1.
type Story struct {
	Name     string // name of the file, for messages
	Title    string
	Rules    string // path of the rule file adopted for the whole story, empty for none
	Zone     string // IANA zone of times written without one, empty for none
	Day      string // yyyy-mm-dd of times written without a date, empty for none
	Decls    []Decl
	Steps    []Step
	Checks   []Check
	Heads    []Head    // where story, rules, zone and day stand
	Comments []Comment // in order of lines
}

// Head is a line that speaks of the whole story.
type Head struct {
	Line int
	Word string // story, rules, zone or day
}

// Comment is the text behind a #, without it.
type Comment struct {
	Line int
	Text string
}

// Decl declares one thing: place, person, device, carrier, logger, request,
// route, scheme or tube.
type Decl struct {
	Line  int
	Kind  string
	ID    string
	Attrs Attrs
}

// Step is one thing that a person, a device or the story's author does.
type Step struct {
	Line  int
	When  string        // as written
	At    event.Instant // true time at which it happened
	Sent  event.Instant // when it reaches the server; equal to At unless sent= was given
	Late  bool          // sent= was given: reported, else live
	Verb  string
	IDs   []string
	Span  Span // time range of reading and attest, zero for none
	Attrs Attrs
	Every time.Duration // interval of the logger, verb reading only
}

// Span is a range of time, both ends inside.
type Span struct {
	Text     string // as written
	From, To event.Instant
}

// Check is one expectation.
type Check struct {
	Line    int
	When    string        // as written; empty: stands directly behind the line above it
	At      event.Instant // 0 when not said
	Kind    CheckKind
	ID      string // tube, carrier or other id; empty for an answer or a count
	Assay   string // empty: the worst of the tube's tests
	Want    string // verdict, outlook, action, rack answer, holder, doubt or answer
	Refusal event.Refusal
	Fact    string
	Count   int
	Attrs   Attrs
}

// CheckKind says what an expectation looks at.
type CheckKind string

// The kinds of expectation.
const (
	OnVerdict CheckKind = "verdict"
	OnOutlook CheckKind = "outlook"
	OnFlag    CheckKind = "flag"
	OnRack    CheckKind = "rack"
	OnHolder  CheckKind = "holder"
	OnDoubt   CheckKind = "doubt"
	OnFacts   CheckKind = "facts"
	OnAnswer  CheckKind = "answer"
	OnHolds   CheckKind = "holds"
	OnCount   CheckKind = "count"
)

// None is the word for no flag, no doubt, no reason.
const None = "none"

// Attr is one key=value. Text is the value as written, without quotes; the
// other fields hold what it means, by the key's shape.
type Attr struct {
	Key      string
	Text     string
	List     []string
	Number   int64
	Duration time.Duration
	Instant  event.Instant
	C        event.CentiC
	OK       bool // a temperature is present, or a yes
	Range    event.Range
}

// Attrs are the attributes of one line, in the order written.
type Attrs []Attr

// Get gives the attribute of that key.
func (as Attrs) Get(key string) (Attr, bool) {
	for _, a := range as {
		if a.Key == key {
			return a, true
		}
	}
	return Attr{}, false
}

// Text gives the value as written, empty when the key is absent.
func (as Attrs) Text(key string) string {
	a, _ := as.Get(key)
	return a.Text
}

// Yes reports whether the key is present and says yes.
func (as Attrs) Yes(key string) bool {
	a, found := as.Get(key)
	return found && a.OK
}

// Mistake is one thing wrong in a story file.
type Mistake struct {
	File      string
	Line, Col int    // from 1; columns count characters
	What      string // what is wrong
	Instead   string // what to write instead, empty when What says it all
}

// Error is file:line:col: what; instead.
func (m Mistake) Error() string {
	text := fmt.Sprintf("%s:%d:%d: %s", m.File, m.Line, m.Col, m.What)
	if m.Instead != "" {
		text += "; " + m.Instead
	}
	return text
}

// Mistakes are all mistakes of one file, in order of position.
type Mistakes []Mistake

// Error gives one line per mistake.
func (ms Mistakes) Error() string {
	lines := make([]string, len(ms))
	for i, m := range ms {
		lines[i] = m.Error()
	}
	return strings.Join(lines, "\n")
}

// kinds tells what an id names: as declared, else as the steps use it, else a
// tube. A holder may be a person or a place, so those two come last.
func (s *Story) kinds() map[string]event.Kind {
	kinds := make(map[string]event.Kind)
	name := func(id string, kind event.Kind) {
		if _, known := kinds[id]; !known && id != "" {
			kinds[id] = kind
		}
	}
	for _, d := range s.Decls {
		if kind := event.Kind(d.Kind); slices.Contains(event.Kinds(), kind) {
			name(d.ID, kind)
		}
	}
	for _, st := range s.Steps {
		for key, kind := range map[string]event.Kind{"on": event.KindDevice, "draw": event.KindDraw, "route": event.KindRoute, "request": event.KindRequest} {
			name(st.Attrs.Text(key), kind)
		}
		if kind := verbs[st.Verb].names; kind != "" {
			for _, id := range st.IDs {
				name(id, kind)
			}
		}
		if takesCarrier(st.Verb) {
			name(st.Attrs.Text("in"), event.KindCarrier)
		}
	}
	for _, st := range s.Steps {
		name(st.Attrs.Text("by"), event.KindPerson)
		name(st.Attrs.Text("with"), event.KindPerson)
		name(st.Attrs.Text("at"), event.KindPlace)
	}
	for _, d := range s.Decls {
		if d.Kind == "logger" {
			name(d.Attrs.Text("in"), event.KindCarrier)
		}
	}
	return kinds
}

// takesCarrier tells the verbs whose in= is a carrier from those whose in= is a
// carrier or a place.
func takesCarrier(verb string) bool {
	return verb == "pack" || verb == "unpack" || verb == "rack" || verb == "receive"
}
