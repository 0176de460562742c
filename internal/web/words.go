package web

import (
	"fmt"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// thingWords say what a label names.
var thingWords = map[label.Thing]string{
	"":             "a number of which this site hasn't said what it is",
	label.Tube:     "a tube",
	label.Patient:  "a wristband",
	label.Person:   "a badge",
	label.Carrier:  "a box, bag or rack",
	label.Logger:   "a temperature logger",
	label.Place:    "a place",
	label.Device:   "a device",
	label.Request:  "a request",
	label.Draw:     "a draw",
	label.Product:  "a maker's product, which is no tube's own number",
	label.Donation: "a blood service's label",
}

// verdictWords are plain words; a wait gets its clock time from waitWords.
var verdictWords = map[event.Verdict]string{
	event.PastLimit:        "past its limit",
	event.WrongTube:        "wrong tube for this test",
	event.NotStudiedBeyond: "not studied beyond",
	event.CannotSay:        "cannot say",
	event.Wait:             "let it clot",
	event.NoLimitAdopted:   "no limit adopted",
	event.WithinLimits:     "within limits",
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

var directionWords = map[event.Direction]string{
	event.ReadsHigh:   "may read high",
	event.ReadsLow:    "may read low",
	event.ReadsEither: "may read either way",
	// An unknown direction is said too: silence would read as no effect.
	event.DirectionUnknown: "which way it may read is not known",
}

var actionWords = map[event.Action]string{
	event.UseOtherTube:    "Use another tube",
	event.RunNow:          "Run it now",
	event.LoadNow:         "Load it now",
	event.MoveTemperature: "Move it",
	event.Hurry:           "Hurry it",
	event.LookAtTube:      "Look at the tube",
	event.SpinButHold:     "Spin it, but hold",
	event.AskLaboratory:   "Ask the laboratory",
	event.AskNewSample:    "Ask for a new sample",
}

var doubtWords = map[event.Doubt]string{
	event.DoubtOneNumberTwoTubes:       "Two tubes carry this number.",
	event.DoubtTwoPlaces:               "It was scanned at two places at once.",
	event.DoubtReceivedBeforeCollected: "It was received before it was drawn.",
	event.DoubtNotInCarrier:            "It was not in the box that should hold it.",
	event.DoubtMissing:                 "It should be here and was not found.",
	event.DoubtExtra:                   "It was here and nobody expected it.",
	event.DoubtLegNotReported:          "Nobody reported how it came here.",
	event.DoubtAfterDisposal:           "It was scanned after it was discarded.",
	event.DoubtClockWrong:              "The device's clock is wrong.",
	event.DoubtOneSidedHandoff:         "Only one side of a handover was recorded.",
	event.DoubtCollectionTimeConflict:  "Two different collection times were told.",
	event.DoubtBrokenSeal:              "Its seal was broken.",
	event.DoubtIdentityMismatch:        "Label and wristband belong to different patients.",
	event.DoubtSpunBeforeClotted:       "It was spun before it had clotted.",
	event.DoubtWrongTubeType:           "The tube type is not the one that was said.",
	event.DoubtImpossibleTravel:        "It can't have travelled so far in that time.",
	event.DoubtOverlap:                 "Two people held it at the same time.",
	event.DoubtUnlabelled:              "It came without a label.",
	event.DoubtLate:                    "It was due and has not come.",
	event.DoubtTwoPatients:             "Two patients are named for it.",
	event.DoubtClockJumped:             "The device's clock was changed.",
}

var evidenceWords = map[event.Evidence]string{
	event.EvidenceMeasured: "measured",
	event.EvidenceAttested: "attested by a person",
	event.EvidenceAssumed:  "assumed, not measured",
	event.EvidenceUnknown:  "not known",
}

// ruleEvidenceWords name what a limit rests on; the keys are those of rule files.
var ruleEvidenceWords = map[string]string{
	"policy":         "a policy of the laboratory",
	"studied":        "studied",
	"advised":        "advised by the authors",
	"rate":           "an estimated rate",
	"shown-unstable": "shown unstable",
}

var modeWords = map[string]string{
	"walk": "on foot", "pneumatic-tube": "by pneumatic tube", "van": "by van", "ferry": "by ferry", "drone": "by drone",
}

// says gives the words of a key of a closed list. A key without words is shown
// as it is: an unknown word must not vanish from a screen.
func says[K ~string](words map[K]string, key K) string {
	if w, ok := words[key]; ok {
		return w
	}
	return string(key)
}

// level is how loud a row is: three priorities and the quiet rest.
type level string

// The levels, loudest first, and the two that are no alarm.
const (
	levelPast   level = "past" // a limit or the tube choice is already wrong
	levelSoon   level = "soon" // can still be saved, or the laboratory must decide
	levelAsk    level = "ask"  // something is missing to say more
	levelHold   level = "hold" // waiting is the right thing to do
	levelAbsent level = "none" // nothing to judge by
	levelQuiet  level = "quiet"
)

var levelOrder = map[level]int{levelPast: 1, levelSoon: 2, levelAsk: 3, levelHold: 4, levelAbsent: 5, levelQuiet: 6}

func levelOf(v event.Verdict, o event.Outlook) level {
	switch {
	case v == event.PastLimit || v == event.WrongTube:
		return levelPast
	case v == event.NotStudiedBeyond || o == event.RunningOut:
		return levelSoon
	case v == event.CannotSay:
		return levelAsk
	case v == event.Wait:
		return levelHold
	case v == event.NoLimitAdopted:
		return levelAbsent
	}
	return levelQuiet
}

// headWords is the word beside the shape: what the verdict and outlook come to.
func headWords(v event.Verdict, o event.Outlook) string {
	if o == event.RunningOut && v != event.PastLimit && v != event.WrongTube && v != event.NotStudiedBeyond {
		return "running out"
	}
	return says(verdictWords, v)
}

// reasonList joins reasons to a clause: "it was too warm, and its time is used up".
func reasonList(reasons []event.Reason) string {
	words := make([]string, len(reasons))
	for i, r := range reasons {
		words[i] = says(reasonWords, r)
	}
	return strings.Join(words, ", and ")
}

func testName(name string, restricted bool) string {
	if restricted {
		return "restricted test"
	}
	return name
}

func sentence(s string) string {
	if s == "" {
		return ""
	}
	head, rest := s[:1], s[1:]
	s = strings.ToUpper(head) + rest
	if strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}

// clock writes instants in one zone, seen from one now. The day is written when
// it isn't today's, the offset when it isn't that of now.
type clock struct {
	now  time.Time
	zone *time.Location
	// seconds: instants are written with their day, year and seconds.
	seconds bool
}

func clockOf(now event.Instant, zone *time.Location) clock {
	if zone == nil {
		zone = time.UTC
	}
	return clock{now: now.Time().In(zone), zone: zone}
}

func (c clock) at(i event.Instant) string {
	if i == 0 {
		return "not said"
	}
	t := i.Time().In(c.zone)
	if c.seconds {
		return t.Format(exactLayout(t))
	}
	s := t.Format("15:04")
	if t.YearDay() != c.now.YearDay() || t.Year() != c.now.Year() {
		s = t.Format("Mon 2 Jan 15:04")
		if t.Year() != c.now.Year() {
			s = t.Format("2 Jan 2006 15:04")
		}
	}
	if offset := t.Format("-07:00"); offset != c.offset() {
		s += " " + offset
	}
	return s
}

// exactLayout leaves out milliseconds that are nought.
func exactLayout(t time.Time) string {
	if t.Nanosecond() != 0 {
		return "2006-01-02 15:04:05.000 -07:00"
	}
	return "2006-01-02 15:04:05 -07:00"
}

func (c clock) offset() string { return c.now.Format("-07:00") }

// left says how long it is from now to i: "34 min", "12 min ago".
func (c clock) left(i event.Instant) string {
	d := i.Time().Sub(c.now)
	if d < 0 {
		return length((-d).Milliseconds()) + " ago"
	}
	return length(d.Milliseconds())
}

func (c clock) by(i event.Instant) string { return fmt.Sprintf("by %s (%s)", c.at(i), c.left(i)) }

// due writes a bounded instant with its uncertainty in words.
func (c clock) due(d Due) string {
	switch {
	case d.Earliest == 0 && d.Latest == 0:
		return ""
	case d.Earliest == 0:
		return c.by(d.Latest) + " at the latest"
	case d.Latest == 0 || d.Latest == d.Earliest:
		return c.by(d.Earliest)
	}
	return fmt.Sprintf("%s at the worst, %s at the best", c.by(d.Earliest), c.at(d.Latest))
}

// since writes from when on something holds, with its uncertainty in words.
func (c clock) since(d Due) string {
	switch {
	case d.Earliest == 0:
		return "already"
	case d.Latest == d.Earliest:
		return "since " + c.at(d.Earliest)
	case d.Latest == 0:
		return "since " + c.at(d.Earliest) + " at the worst"
	}
	return fmt.Sprintf("since %s at the worst, %s at the best", c.at(d.Earliest), c.at(d.Latest))
}

// arrival writes when something should be there: its first bound is the good one.
func (c clock) arrival(d Due) string {
	first := d.first()
	if first == 0 {
		return ""
	}
	s := c.by(first)
	if d.Latest > first && c.at(d.Latest) != c.at(first) {
		s += ", " + c.at(d.Latest) + " at the latest"
	}
	return s
}

func (c clock) between(d Due) string {
	switch {
	case d.Earliest == 0 && d.Latest == 0:
		return "not said"
	case d.Earliest == 0:
		return "not said, before " + c.at(d.Latest)
	case d.Latest == 0 || c.at(d.Latest) == c.at(d.Earliest):
		return c.at(d.Earliest)
	}
	return c.at(d.Earliest) + " to " + c.at(d.Latest)
}

// length writes milliseconds to the minute: "34 min", "3 h 20 min", "2 d 4 h".
// Below a minute it says so rather than 0.
func length(ms int64) string {
	minutes := ms / 60_000
	switch {
	case ms == 0:
		return "0 min"
	case minutes < 1:
		return "under 1 min"
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	case minutes < 48*60:
		if minutes%60 == 0 {
			return fmt.Sprintf("%d h", minutes/60)
		}
		return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
	}
	if hours := minutes / 60 % 24; hours != 0 {
		return fmt.Sprintf("%d d %d h", minutes/60/24, hours)
	}
	return fmt.Sprintf("%d d", minutes/60/24)
}

// degrees writes 0.01 °C to one decimal, rounded half away from zero.
func degrees(c event.CentiC) string {
	sign := ""
	if c < 0 {
		sign, c = "−", -c
	}
	c = (c + 5) / 10
	return fmt.Sprintf("%s%d.%d °C", sign, c/10, c%10)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// percent rounds down, so that 100 % is said only when the limit is used up.
func percent(used, limit int64) string {
	if limit <= 0 {
		return ""
	}
	return fmt.Sprintf("%d %%", used*100/limit)
}
