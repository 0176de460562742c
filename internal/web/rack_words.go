package web

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/spinload"
)

// rackAnswerWords say what to do with a tube at the rack; see answerOf for those that
// need a time or a test.
var rackAnswerWords = map[event.RackAnswer]string{
	event.RackSpin:        "Spin",
	event.RackSpinHold:    "Spin, but hold some tests",
	event.RackWait:        "Wait",
	event.RackRunFirst:    "Run the unspun test first",
	event.RackNothingLeft: "Nothing left to save",
}

// rackLevels are the colours of the answers; shape and word say the same.
var rackLevels = map[event.RackAnswer]level{
	event.RackSpin: levelQuiet, event.RackSpinHold: levelHold, event.RackWait: levelSoon, event.RackRunFirst: levelAsk, event.RackNothingLeft: levelPast,
}

// whyWords say why a tube is not in the next run.
var whyWords = map[spinload.Why]string{
	spinload.Loaded:         "goes next",
	spinload.NoPlace:        "the next run is full",
	spinload.OtherProgramme: "another programme goes first",
	spinload.OtherMachine:   "no centrifuge here makes this force or holds this temperature",
	spinload.Waits:          "it still clots",
	spinload.RunFirst:       "an unspun test must be run first",
	spinload.SetAside:       "a spin saves nothing any more",
}

// rackFailures are the reasons of a failed spin, offered in this order: words of
// event.ReasonWords, so that they stand in the log as they are.
var rackFailures = []houseWord{
	{"imbalance", "out of balance"}, {"machine-stopped", "the centrifuge stopped: power, lid or a fault"}, {"wrong-step", "the wrong programme was set"}, {"broken", "a tube broke or leaked"},
}

// rackOverrides are the reasons for which a scientist lets pass what the rack stops, of
// the same list.
var rackOverrides = []houseWord{
	{"urgent", "it is urgent: what can still be told is needed"}, {"test-not-needed", "the test that stops isn’t wanted any more"}, {"irreplaceable", "no other sample can be had"},
	{"result-expected-anyway", "the result is wanted all the same, with a comment"}, {"explained", "it was settled with the laboratory"},
}

// answer says in words what to do with a tube.
func (t *RackTube) answer(c clock) string {
	switch {
	case t.Given:
		return "Spin it, then talk to the laboratory"
	case t.Answer == event.RackWait && t.WaitUntil != 0:
		return "Wait until " + c.at(t.WaitUntil)
	case t.Answer == event.RackSpinHold && len(t.Hold) > 0:
		return "Spin, but hold " + strings.Join(t.Hold, ", ")
	}
	return says(rackAnswerWords, t.Answer)
}

// why says why a tube is not in the next run, or where it goes.
func (p *RackPage) why(t *RackTube, c clock) string {
	switch {
	case t.Programme == "":
		return "no programme is declared for its type"
	case t.Why == spinload.Loaded:
		for i := range p.Machines {
			m := &p.Machines[i]
			if slices.ContainsFunc(m.Tubes, func(n RackPlanned) bool { return n.ID == t.ID }) {
				if m.From > p.Now {
					return fmt.Sprintf("goes into %s at %s", m.called(), c.at(m.From))
				}
				return "goes into " + m.called() + " next"
			}
		}
		return says(whyWords, t.Why)
	case t.Why == "":
		return "no centrifuge is declared that could take it"
	case t.Why == spinload.SetAside && t.Latest >= p.Now:
		return "no centrifuge is free in time for it"
	}
	return says(whyWords, t.Why)
}

func (m *RackMachine) called() string { return cmp.Or(m.Name, m.ID) }

// programmeLine is a programme as it is set: "2000 g, 10 min, 18 to 25 °C".
func programmeLine(p spinload.Programme, minutes int64) string {
	say := fmt.Sprintf("%d g", p.G)
	if minutes > 0 {
		say += fmt.Sprintf(", %d min", minutes)
	}
	if p.C.Known {
		say += ", " + degreesRange(p.C)
	}
	return say
}

func degreesRange(r event.Range) string {
	if r.Low == r.High {
		return degrees(r.Low)
	}
	return strings.TrimSuffix(degrees(r.Low), " °C") + " to " + degrees(r.High)
}

// latest says by when a tube must have begun to spin, and how sure that is.
func (c clock) latest(at event.Instant, sure bool) string {
	switch {
	case at == 0:
		return "nothing is known to be due"
	case at < event.At(c.now):
		return fmt.Sprintf("since %s too late", c.at(at))
	case !sure:
		return fmt.Sprintf("start by %s (%s) at the best; a test may be lost already", c.at(at), c.left(at))
	}
	return fmt.Sprintf("start by %s (%s)", c.at(at), c.left(at))
}

func optionsOf(words []houseWord) []option {
	out := make([]option, len(words))
	for i, w := range words {
		out[i] = option{Value: w.key, Name: w.say}
	}
	return out
}
