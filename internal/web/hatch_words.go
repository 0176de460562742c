package web

import (
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// choice is a word of a closed list that is stored, with what people read. Key is the
// letter that chooses it, empty for none.
type choice struct{ Key, Code, Say string }

// rejections are the codes of HL7 table 0490, specimen reject reason. The words after
// the code are the table's, shortened; the letters are our own.
var rejections = []choice{
	{"h", "RH", "haemolysed"},
	{"c", "RC", "clotted"},
	{"q", "QS", "quantity not sufficient"},
	{"b", "RB", "broken container"},
	{"l", "RM", "labelling"},
	{"i", "RI", "identification problem"},
	{"r", "RR", "improper storage"},
	{"x", "EX", "expired, too old"},
	{"n", "RN", "contamination"},
	{"d", "RD", "missing collection date"},
	{"a", "RA", "missing patient number"},
	{"e", "RE", "missing patient name"},
	{"s", "RS", "name misspelled"},
	{"p", "RP", "missing collector"},
}

// conditions are those codes of HL7 table 0544, container condition, that a person sees
// on a tube or a box. "Failed to keep at" is said by readings, not by looking.
var conditions = []choice{
	{"s", "SB", "seal broken"},
	{"c", "CC", "container cracked"},
	{"t", "CT", "container torn"},
	{"l", "CL", "container leaking"},
}

// defects are what a person sees in or on a tube, by a letter: common practice, no source.
var defects = []choice{
	{"h", "haemolysed", "haemolysed"},
	{"c", "clotted", "clotted"},
	{"s", "short-fill", "short fill"},
	{"o", "over-filled", "over-filled"},
	{"k", "leak", "leaking"},
	{"b", "broken", "broken"},
	{"x", "CC", "container cracked"},
	{"i", "icteric", "icteric"},
	{"t", "lipaemic", "lipaemic, turbid"},
	{"w", "wrong-tube", "wrong tube"},
	{"u", "unlabelled", "label missing"},
	{"d", "label-printed-twice", "label twice"},
	{"m", "RM", "label hard to read or wrong"},
}

// deviations are why a tube outside policy is accepted.
var deviations = []choice{
	{"i", "irreplaceable", "it can't be drawn again"},
	{"u", "urgent", "urgent"},
	{"o", "too-old", "too old, the report says so"},
	{"w", "too-warm", "too warm, the report says so"},
	{"c", "too-cold", "too cold, the report says so"},
	{"h", "haemolysed", "haemolysed, the report says so"},
	{"s", "short-fill", "short fill, the report says so"},
	{"e", "explained", "explained"},
	{"r", "result-expected-anyway", "the result is wanted anyway"},
}

// asides are why a flag can wait.
var asides = []choice{
	{"d", "doctor-asked", "the doctor was asked"},
	{"e", "explained", "explained, it waits for an answer"},
	{"m", "machine-stopped", "the machine stands still"},
	{"u", "urgent", "something more urgent comes first"},
}

// declines are why no new sample is drawn.
var declines = []choice{
	{"r", "patient-refused", "the patient refused"},
	{"a", "patient-absent", "the patient is gone"},
	{"n", "no-vein", "no vein was found"},
	{"t", "test-not-needed", "the test is not needed any more"},
	{"d", "doctor-asked", "the doctor decided so"},
}

// askings are why a new sample is asked for.
var askings = []choice{
	{"o", "too-old", "its time is used up"},
	{"w", "too-warm", "it was too warm"},
	{"c", "too-cold", "it was too cold"},
	{"h", "haemolysed", "it is haemolysed"},
	{"k", "clotted", "it is clotted"},
	{"s", "short-fill", "it holds too little"},
}

// actionChoices are what can have been done about a flag.
func actionChoices() []choice {
	keys := map[event.Action]string{
		event.UseOtherTube: "o", event.RunNow: "r", event.LoadNow: "l", event.MoveTemperature: "m", event.Hurry: "h",
		event.LookAtTube: "e", event.SpinButHold: "s", event.AskLaboratory: "a", event.AskNewSample: "n",
	}
	var out []choice
	for _, a := range event.Actions() {
		out = append(out, choice{keys[a], string(a), actionsDone[a]})
	}
	return out
}

// actionsDone are the actions as things done.
var actionsDone = map[event.Action]string{
	event.UseOtherTube: "used another tube", event.RunNow: "ran it", event.LoadNow: "loaded it", event.MoveTemperature: "moved it",
	event.Hurry: "hurried it", event.LookAtTube: "looked at the tube", event.SpinButHold: "spun it, held the tests",
	event.AskLaboratory: "asked the laboratory", event.AskNewSample: "asked for a new sample",
}

// ReasonSaid gives the words of a reason as it is stored.
func ReasonSaid(word string) string {
	return saidOf(word, rejections, conditions, defects, asides, declines, deviations, askings)
}

// saidOf gives the words of a reason by the first of the lists that has it.
func saidOf(word string, lists ...[]choice) string {
	for _, list := range lists {
		if i := slices.IndexFunc(list, func(c choice) bool { return c.Code == word }); i >= 0 && word != "" {
			return list[i].Say
		}
	}
	return strings.ReplaceAll(word, "-", " ")
}
