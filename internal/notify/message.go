package notify

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Message is what is told at once: one tube, or the tubes of one cause in a flood. It
// never changes once it was decided, however often it is sent.
type Message struct {
	// ID is made of what is told: tubes, episodes and levels. Two processes that decide
	// the same name it the same.
	ID      string         `json:"id"`
	Decided event.Instant  `json:"decided"` // milliseconds since 1970 UTC
	Kind    event.FlagKind `json:"kind"`
	Level   Level          `json:"level"` // of the worst tube
	Cause   cause          `json:"cause,omitzero"`
	Count   int            `json:"count"` // of all tubes
	// Tubes are the worst ones first, at most maxTubes of them.
	Tubes []Tube        `json:"tubes"`
	Since event.Instant `json:"since"` // of the first of all tubes' flags
}

// cause is event.Cause as it is told.
type cause struct {
	Kind event.CauseKind `json:"kind,omitempty"`
	Name string          `json:"name,omitempty"`
}

// Tube is a tube of a message.
type Tube struct {
	Tube    string         `json:"tube"`
	Episode int64          `json:"episode"`
	Level   Level          `json:"level"`
	Verdict event.Verdict  `json:"verdict"`
	Outlook event.Outlook  `json:"outlook,omitempty"`
	Action  event.Action   `json:"action"`
	Reasons []event.Reason `json:"reasons,omitempty"`
	Place   string         `json:"place,omitempty"`
	Since   event.Instant  `json:"since"`
	Until   event.Instant  `json:"until,omitempty"`
}

// maxTubes is how many tubes a message names; the screens have the rest.
const maxTubes = 20

// compareTubes puts the worst first, then what must be done first.
func compareTubes(a, b Tube) int {
	late := func(t Tube) event.Instant {
		if t.Until == 0 {
			return 1<<63 - 1
		}
		return t.Until
	}
	return cmp.Or(cmp.Compare(b.Level, a.Level), cmp.Compare(late(a), late(b)),
		cmp.Compare(a.Since, b.Since), cmp.Compare(a.Tube, b.Tube))
}

func (p *Plan) message(g group, tubes []string, now event.Instant) Message {
	m := Message{Decided: now, Kind: g.Kind, Cause: cause(g.Cause), Count: len(tubes)}
	id := sha256.New()
	_, _ = fmt.Fprintf(id, "notify 1 %q %q %q\n", g.Kind, g.Cause.Kind, g.Cause.Name)
	for _, name := range tubes { // sorted by name
		f := p.Flags[name]
		_, _ = fmt.Fprintf(id, "%q %d %d %d\n", name, f.Episode, f.Level, f.Back)
		m.Tubes = append(m.Tubes, Tube{
			Tube: cmp.Or(f.Says.Tube, name), Episode: f.Episode, Level: f.Level, Since: f.Since, Verdict: f.Says.Verdict, Outlook: f.Says.Outlook,
			Action: f.Says.Action, Reasons: f.Says.Reasons, Place: f.Says.Place, Until: f.Says.Until,
		})
		m.Level = max(m.Level, f.Level)
		if m.Since == 0 || f.Since < m.Since {
			m.Since = f.Since
		}
	}
	slices.SortFunc(m.Tubes, compareTubes)
	m.Tubes = m.Tubes[:min(len(m.Tubes), maxTubes)]
	m.ID = hex.EncodeToString(id.Sum(nil)[:16])
	return m
}

// Subject is the message in one line.
func (m *Message) Subject() string {
	worst := m.Tubes[0]
	if m.Count == 1 {
		return sentence(head(worst)) + ": tube " + worst.Tube + at(worst.Place)
	}
	return sentence(head(worst)) + ": " + m.who()
}

// who names the tubes of a message by their cause.
func (m *Message) who() string {
	switch {
	case m.Cause.Kind == event.CauseNone:
		return fmt.Sprintf("%d tubes without a common cause", m.Count)
	case m.Count == 1:
		return fmt.Sprintf("1 tube, %s %s", m.Cause.Kind, m.Cause.Name)
	default:
		return fmt.Sprintf("%d tubes, %s %s", m.Count, m.Cause.Kind, m.Cause.Name)
	}
}

// Text is the message in plain words. Times are in zone.
func (m *Message) Text(zone *time.Location) string {
	var b strings.Builder
	if m.Kind == event.FlagAfter {
		b.WriteString("The tests were run already. A result may need a comment.\n\n")
	}
	if m.Count > 1 {
		fmt.Fprintf(&b, "%s, since %s. The worst first.\n\n", sentence(m.who()), clock(m.Since, zone))
	} else if m.Cause.Kind != event.CauseNone {
		fmt.Fprintf(&b, "It comes with %s %s.\n\n", m.Cause.Kind, m.Cause.Name)
	}
	for _, t := range m.Tubes {
		fmt.Fprintf(&b, "Tube %s%s: %s", t.Tube, at(t.Place), head(t))
		for i, r := range t.Reasons {
			b.WriteString(map[bool]string{true: ", because ", false: ", and "}[i == 0] + reasonWords[r])
		}
		b.WriteString(". " + actionWords[t.Action])
		if t.Until != 0 {
			b.WriteString(", by " + clock(t.Until, zone))
		}
		fmt.Fprintf(&b, ". Flagged at %s.\n", clock(t.Since, zone))
	}
	if more := m.Count - len(m.Tubes); more > 0 {
		fmt.Fprintf(&b, "And %d more.\n", more)
	}
	b.WriteString("\nThe screens have the rest, and who has taken it. Nobody needs to answer this message.\n")
	return b.String()
}

func at(place string) string {
	if place == "" {
		return ""
	}
	return " at " + place
}

// clock gives an instant to the minute, with its zone, so that nobody takes it for
// another.
func clock(i event.Instant, zone *time.Location) string {
	return i.Time().In(zone).Format("2006-01-02 15:04 -07:00")
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// head is what the verdict and the outlook come to.
func head(t Tube) string {
	if t.Outlook == event.RunningOut && t.Level == Soon && t.Verdict != event.NotStudiedBeyond {
		return "running out"
	}
	return verdictWords[t.Verdict]
}

// The words are those of the screens, which lie in a layer above and don't lend them.
var verdictWords = map[event.Verdict]string{
	event.PastLimit:        "past its limit",
	event.WrongTube:        "wrong tube for a test",
	event.NotStudiedBeyond: "longer than anybody studied",
	event.CannotSay:        "cannot say",
	event.Wait:             "let it clot",
	event.NoLimitAdopted:   "no limit adopted",
	event.WithinLimits:     "within limits",
}

var actionWords = map[event.Action]string{
	event.UseOtherTube:    "Use another tube of the draw",
	event.RunNow:          "Run it now",
	event.LoadNow:         "Load it now",
	event.MoveTemperature: "Move it to the right temperature",
	event.Hurry:           "Hurry it",
	event.LookAtTube:      "Look at the tube",
	event.SpinButHold:     "Spin it, but hold what the screen names",
	event.AskLaboratory:   "Ask the laboratory",
	event.AskNewSample:    "Ask for a new sample",
}

var reasonWords = map[event.Reason]string{
	event.ReasonTime:             "its time is used up",
	event.ReasonHeat:             "it was too warm",
	event.ReasonCold:             "it was too cold",
	event.ReasonFrozen:           "it may have frozen",
	event.ReasonLight:            "it was not kept from light",
	event.ReasonNotOnIce:         "it was not kept on ice",
	event.ReasonNotKeptWarm:      "it was not kept warm",
	event.ReasonClotting:         "it has to clot first",
	event.ReasonNoCollectionTime: "nobody said when it was drawn",
	event.ReasonTimeConflict:     "the times told contradict each other",
	event.ReasonNoTemperature:    "its temperature is not known",
	event.ReasonOutsideStudied:   "it was outside the temperatures that were studied",
	event.ReasonNoTestsKnown:     "its tests are not known yet",
	event.ReasonNeedsUnspun:      "the test needs unspun blood",
	event.ReasonEightyPercent:    "80 % or more of its limit is used",
	event.ReasonTimetable:        "by the timetable it arrives too late",
	event.ReasonLikelyLate:       "it will likely be late",
	event.ReasonCustodyOnly:      "only its custody is tracked",
	event.ReasonNotAdopted:       "the laboratory has adopted no limit for it",
	event.ReasonAssumedOnly:      "its temperature is only assumed, and a measured one is needed to say",
	event.ReasonUnreadableFact:   "a message about this tube could not be read",
}
