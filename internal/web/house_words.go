package web

import (
	"fmt"
	"strings"

	"specimen.example/custody/internal/event"
)

// houseWord is a word of a closed list as the API takes it, and as people say it.
type houseWord struct{ key, say string }

// placeCentrifuge is the kind of place that has a rotor.
const placeCentrifuge = "centrifuge"

var placeKinds = []houseWord{
	{"ward", "ward"}, {"clinic", "clinic"}, {"home", "a patient's home"}, {"hatch", "hatch or drop point"}, {"vehicle", "van, ferry or other vehicle"},
	{"reception", "reception of the laboratory"}, {"bench", "bench"}, {placeCentrifuge, "centrifuge"}, {"store", "store, refrigerator or freezer"},
}

// identifyings are the ways that a place may declare, in the order in which a phone offers
// them: words of event.Identifyings.
var identifyings = []houseWord{
	{"band,temporary", "the wristband, or a temporary number in an emergency"},
	{"stated", "name and birth date, stated by the patient"},
	{"stated,band", "name and birth date, or the wristband"},
	{"band,stated", "the wristband, or name and birth date"},
	{"band,stated,temporary", "all three ways, the wristband first"},
}

var carrierKinds = []houseWord{{"box", "box"}, {"bag", "bag"}, {"rack", "rack"}, {"flask", "flask"}}

var houseRoles = []houseWord{
	{"collector", "collector: draws and hands over"}, {"courier", "courier: carries"}, {"reception", "reception: receives and sorts"},
	{"scientist", "scientist: adopts limits, overrides at the rack"}, {"quality", "quality: answers for ranges, sees who looked at an identity, erases"},
	{"engineer", "engineer: sets up people, devices, machines, numbers, routes"},
}

// roleShort are the roles where there is room for a word.
var roleShort = map[string]string{"": "no role everywhere"}

var deviceKinds = []houseWord{
	{"phone", "phone"}, {"cart", "cart or trolley"}, {"desk", "desk"}, {"wall", "screen on the wall"}, {"service", "machine without a person"},
}

var tokenScopes = []houseWord{
	{"scans", "send scans"}, {"readings", "send readings of loggers"}, {"requests", "send requests"}, {"identity", "write identities"},
	{"read", "read tubes and flags"}, {"directory", "set up the house"}, {"metrics", "read metrics"},
}

// viewWords say why somebody looked at an identity.
var viewWords = map[string]string{
	"bedside": "at the bedside", "reception": "at the reception", "mismatch": "numbers didn't match", "result": "to tell a result",
	"correction": "to correct it", "complaint": "after a complaint", "audit": "for an audit",
}

var schemeNames = []houseWord{
	{"tube", "a tube"}, {"patient", "a wristband"}, {"person", "a badge"}, {"carrier", "a bag, box or rack"}, {"logger", "a logger"},
	{"place", "a place"}, {"device", "a device"}, {"request", "a request"}, {"draw", "a draw"},
}

var schemeChecks = []houseWord{{"mod10", "mod 10 (GS1)"}, {"mod37-2", "mod 37,2 (ISO 7064)"}, {"mod43", "mod 43 (Code 39)"}}

// wordOf gives what people say for a word of a list; an unknown one is shown as it is.
func wordOf(list []houseWord, key string) string {
	for _, w := range list {
		if w.key == key {
			return w.say
		}
	}
	return key
}

// identifyingOf is the key of identifyings for what a place declares: nothing is the band.
func identifyingOf(ways []string) string {
	if len(ways) == 1 && ways[0] == event.ByBand {
		return ""
	}
	return strings.Join(ways, ",")
}

func commaParts(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(text, ",")
}

// percentOf writes permille as percent: 25 is "2.5 %".
func percentOf(permille int64) string {
	return trimDegrees(fmt.Sprintf("%d.%d", permille/10, permille%10)) + " %"
}
