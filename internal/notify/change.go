// Package notify decides what of the tubes' flags is told outside the screens, to
// whom, and that it is told at least once. What is told is pure: changes of flags and
// the time in, messages out. What was decided is durable before it is sent, so a
// message that is sent again after a kill is the same message under the same id.
//
// No name of a patient and no name of a test can be told: there is no field for one.
package notify

import (
	"fmt"
	"slices"
	"unicode"
	"unicode/utf8"

	"specimen.example/custody/internal/event"
)

// What is what happened to a flag.
type What string

// What can happen to a flag; the facts of the log by shorter names.
const (
	Raised   What = "raised"
	Changed  What = "changed"
	Cleared  What = "cleared"
	Answered What = "answered" // somebody took it, acted or overrode: nobody need be told any more
	PutAside What = "put-aside"
	// Unanswered: the answer, or the putting aside, was taken back and nobody looks
	// after it again. It says what Changed says.
	Unanswered What = "unanswered"
)

// Whats lists all that can happen to a flag.
func Whats() []What { return []What{Raised, Changed, Cleared, Answered, PutAside, Unanswered} }

// Change is one change of one tube's flag, in the words of the log. The caller makes
// it and leaves out patients and tests.
type Change struct {
	Seq uint64 // of the log; changes come in this order, one for each
	// ID names the tube: numbers of two schemes can look alike. Empty: Tube does.
	ID      string
	Tube    string // the label
	Episode int64
	What    What
	At      event.Instant // when it was recorded

	// The rest is said of Raised, Changed and Unanswered alone, but for Until.
	Kind    event.FlagKind
	Verdict event.Verdict
	Outlook event.Outlook // RunningOut when any test's is
	Action  event.Action
	Reasons []event.Reason // of the worst tests; empty for none
	Place   string         // where the tube was last seen, empty when nobody knows
	Cause   event.Cause
	// Until: to when the advice can be followed (Raised, Changed), or when a flag that
	// was put aside comes back (PutAside). 0 for no such instant.
	Until event.Instant
}

// maxName bounds a tube's, a place's or a cause's label, in characters.
const maxName = event.MaxLabel

// Check names the first field that can't be told, and the remedy.
func (c *Change) Check() error {
	if err := checkName("tube", c.Tube, true); err != nil {
		return err
	}
	if c.Episode <= 0 {
		return fmt.Errorf("notify: episode: %d is none; episodes are numbered from 1", c.Episode)
	}
	if c.At <= 0 {
		return fmt.Errorf("notify: at: say when the change of %s was recorded", c.Tube)
	}
	if !slices.Contains(Whats(), c.What) {
		return wordFault("what", c.What, Whats())
	}
	if c.What != Raised && c.What != Changed && c.What != Unanswered {
		return nil
	}
	if err := checkName("place", c.Place, false); err != nil {
		return err
	}
	if err := checkName("cause.name", c.Cause.Name, c.Cause.Kind != event.CauseNone); err != nil {
		return err
	}
	switch {
	case !slices.Contains(event.FlagKinds(), c.Kind):
		return wordFault("kind", c.Kind, event.FlagKinds())
	case !slices.Contains(event.Verdicts(), c.Verdict):
		return wordFault("verdict", c.Verdict, event.Verdicts())
	case c.Outlook != "" && !slices.Contains(event.Outlooks(), c.Outlook):
		return wordFault("outlook", c.Outlook, event.Outlooks())
	case !slices.Contains(event.Actions(), c.Action):
		return wordFault("action", c.Action, event.Actions())
	case !slices.Contains(event.CauseKinds(), c.Cause.Kind):
		return wordFault("cause.kind", c.Cause.Kind, event.CauseKinds())
	case c.Cause.Kind == event.CauseNone && c.Cause.Name != "":
		return fmt.Errorf("notify: cause.kind: say what %s is, one of %q", c.Cause.Name, event.CauseKinds()[1:])
	}
	for _, r := range c.Reasons {
		if !slices.Contains(event.Reasons(), r) {
			return wordFault("reasons", r, event.Reasons())
		}
	}
	return nil
}

func wordFault[W ~string](field string, is W, may []W) error {
	return fmt.Errorf("notify: %s: %q is no word for it; one of %q", field, string(is), may)
}

// checkName keeps a name to one line of print, because it stands in a mail's header.
func checkName(field, name string, must bool) error {
	switch {
	case name == "" && must:
		return fmt.Errorf("notify: %s: it is empty; give the label", field)
	case !utf8.ValidString(name) || utf8.RuneCountInString(name) > maxName:
		return fmt.Errorf("notify: %s: give a label of at most %d characters", field, maxName)
	}
	for _, r := range name {
		if !unicode.IsPrint(r) {
			return fmt.Errorf("notify: %s: it holds %U, which can't be printed; give the label", field, r)
		}
	}
	return nil
}

// Level is how bad a flag is. Higher is worse.
type Level int

// The levels, as the screens tell them apart.
const (
	Ask  Level = 1 + iota // nobody can say, or it is only advice
	Soon                  // it will be lost, or nobody studied it further
	Past                  // it is lost
)

// id names the tube in the plan.
func (c *Change) id() string {
	if c.ID != "" {
		return c.ID
	}
	return c.Tube
}

// levelOf follows the order that the screens use.
func levelOf(v event.Verdict, o event.Outlook) Level {
	switch {
	case v == event.PastLimit || v == event.WrongTube:
		return Past
	case v == event.NotStudiedBeyond || o == event.RunningOut:
		return Soon
	default:
		return Ask
	}
}

// Audience is whom a channel speaks to: what others are told goes by it.
type Audience struct {
	// Kinds of flags it is told: before the tests are run, after, or both when empty.
	Kinds []event.FlagKind
	// Places whose tubes it is told of; all when empty. A tube whose place nobody
	// knows is told to everybody.
	Places []string
	// Least is the lowest level it is told; 0 is all.
	Least Level
}

func (a *Audience) wants(f *flag) bool {
	return (len(a.Kinds) == 0 || slices.Contains(a.Kinds, f.Says.Kind)) &&
		(len(a.Places) == 0 || f.Says.Place == "" || slices.Contains(a.Places, f.Says.Place)) && f.Level >= a.Least
}
