package story

import (
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// shape is the kind of value that a key takes.
type shape uint8

const (
	aWord   shape = iota // one word or a string
	aList                // words with commas between
	aNumber              // a whole number, 0 or more
	aDuration
	anOffset  // a duration that may be negative
	anInstant // a time; +5m counts from the line's own time
	aCelsius  // 0.01 degrees C; fault or none for a sensor fault
	aBand     // 20..24C
	yesOrNo
	aMoment // a time or a word
	localTimes
	aRaw // kept as typed
)

// verb is what a step may say. max -1 is any number of ids.
type verb struct {
	min, max int
	names    event.Kind // what its ids name; empty: tube or carrier, as known
	span     bool       // takes a time range
	need     []string
	keys     []string
}

// everyStep are the keys that any step takes.
func everyStep() []string {
	return []string{"by", "at", "on", "with", "typed", "sent", "id", "seq", "mono", "boot", "how", "ward", "reason", "note"}
}

// verbs is a table that nothing changes. The order of ids and the own keys of a
// verb extend the contracts where they are silent.
var verbs = map[string]verb{
	"prepare":         {1, -1, event.KindTube, false, nil, []string{"type", "tests", "request", "patient"}},
	"start-draw":      {0, 1, event.KindDraw, false, nil, []string{"draw", "patient", "site", "method", "checks"}},
	"wristband":       {1, 1, patientID, false, nil, []string{"draw"}},
	"collect":         {1, -1, event.KindTube, false, nil, []string{"type", "tests", "request", "patient", "draw", "volume", "lot", "expiry", "site", "method"}},
	"fail-collection": {0, 1, patientID, false, nil, []string{"draw", "patient"}},
	"end-draw":        {0, 1, event.KindDraw, false, nil, []string{"draw", "after-care", "adverse"}},
	"pack":            {1, -1, "", false, []string{"in"}, []string{"in"}},
	"unpack":          {1, -1, "", false, nil, []string{"in"}},
	"seal":            {1, -1, event.KindCarrier, false, nil, []string{"seal", "count"}},
	"open":            {1, -1, "", false, nil, []string{"seal"}},
	"empty":           {1, -1, event.KindCarrier, false, nil, []string{"count"}},
	"release":         {1, -1, "", false, nil, []string{"to", "mode", "count", "seal"}},
	"take":            {1, -1, "", false, nil, []string{"from", "mode", "count", "seal", "condition"}},
	"depart":          {1, -1, event.KindCarrier, false, nil, []string{"route", "to", "mode"}},
	"arrive":          {1, -1, event.KindCarrier, false, nil, nil},
	"see":             {1, -1, "", false, nil, nil},
	"receive":         {0, -1, "", false, nil, []string{"from", "as", "type", "condition", "in", "count", "seal"}},
	"accept":          {1, -1, event.KindTube, false, nil, []string{"deviation", "authoriser", "report"}},
	"reject":          {1, -1, event.KindTube, false, nil, nil},
	"note":            {1, -1, event.KindTube, false, nil, []string{"defect"}},
	"attest":          {1, -1, "", true, []string{"handling"}, []string{"handling", "until"}},
	"rack":            {1, -1, event.KindTube, false, nil, []string{"in"}},
	"spin":            {1, -1, "", false, nil, []string{"load", "programme", "g", "minutes"}},
	"end-spin":        {1, -1, "", false, nil, []string{"load"}},
	"fail-spin":       {1, -1, "", false, nil, []string{"load"}},
	"derive":          {1, -1, event.KindTube, false, []string{"parent"}, []string{"parent", "type", "tests"}},
	"measure":         {1, -1, event.KindTube, false, nil, []string{"what", "tests"}},
	"film":            {1, -1, event.KindTube, false, nil, nil},
	"incubate":        {1, -1, event.KindTube, false, nil, []string{"tests"}},
	"end-incubation":  {1, -1, event.KindTube, false, nil, []string{"tests"}},
	"freeze":          {1, -1, event.KindTube, false, nil, nil},
	"thaw":            {1, -1, event.KindTube, false, nil, nil},
	"store":           {1, -1, event.KindTube, false, nil, []string{"in"}},
	"retrieve":        {1, -1, event.KindTube, false, nil, []string{"from"}},
	"refer":           {1, -1, event.KindTube, false, []string{"to"}, []string{"to", "due"}},
	"discard":         {1, -1, event.KindTube, false, nil, nil},
	"relabel":         {1, 1, event.KindTube, false, []string{"as"}, []string{"as", "type"}},
	"reidentify":      {1, 1, event.KindTube, false, []string{"patient", "reason"}, []string{"patient", "request"}},
	"split":           {1, 1, event.KindTube, false, []string{"into"}, []string{"into"}},
	"attach":          {1, 1, event.KindLogger, false, []string{"in"}, []string{"in"}},
	"detach":          {1, 1, event.KindLogger, false, nil, nil},
	"calibrate":       {1, 1, event.KindLogger, false, nil, []string{"uncertainty", "due"}},
	"reading":         {1, 1, event.KindLogger, true, []string{"c"}, []string{"c"}},
	"import":          {1, 1, fileID, false, []string{"logger"}, []string{"logger", "zone", "unit", "order"}},
	"read-label":      {1, 1, rawID, false, nil, []string{"symbology"}},
	"void":            {1, 1, scanID, false, nil, []string{"tube", "carrier", "logger"}},
	"explain":         {1, 1, "", false, []string{"doubt"}, []string{"doubt"}},
	"take-flag":       {1, -1, event.KindTube, false, nil, nil},
	"override":        {1, -1, event.KindTube, false, nil, nil},
	"act-flag":        {1, -1, event.KindTube, false, []string{"action"}, []string{"action"}},
	"put-aside":       {1, -1, event.KindTube, false, []string{"until"}, []string{"until"}},
	"ask-sample":      {1, 1, "", false, nil, []string{"tests", "draw"}},
	"decline-sample":  {1, 1, "", false, nil, []string{"draw"}},
	"sample-done":     {1, 1, "", false, nil, []string{"draw"}},
	"add-test":        {1, 1, "", false, []string{"tests"}, []string{"tests"}},
	"withdraw-test":   {1, 1, "", false, []string{"tests"}, []string{"tests"}},
	"declare-lost":    {1, -1, event.KindTube, false, nil, nil},
	"find":            {1, -1, event.KindTube, false, nil, nil},
	"place-request":   {1, 1, event.KindRequest, false, nil, requestKeys()},
	"cancel-request":  {1, 1, event.KindRequest, false, nil, nil},
	"destine":         {1, -1, event.KindTube, false, []string{"to"}, []string{"to"}},
	"redirect":        {1, -1, event.KindTube, false, []string{"to"}, []string{"to"}},
	"issue-result":    {1, -1, event.KindTube, false, nil, []string{"tests"}},
	"adopt":           {1, 1, fileID, false, nil, []string{"in-flight"}},
	"restart":         {0, 0, "", false, nil, nil},
}

// What ids may name beside aggregates.
const (
	patientID event.Kind = "patient"
	fileID    event.Kind = "file"
	rawID     event.Kind = "raw text"
	scanID    event.Kind = "scan"
)

func requestKeys() []string {
	return []string{"patient", "tube", "type", "tests", "condition", "irreplaceable", "priority", "to"}
}

// declared lists what can be declared and with which keys.
var declared = map[string][]string{
	"place":   {"assumed", "kind", "zone", "bench-spin", "relabel", "owner", "basis", "review", "identify", "second-person", "spins", "most-draw"},
	"person":  {"role", "active"},
	"device":  {"error", "kind", "active"},
	"carrier": {"kind", "own-climate", "assumed", "owner", "basis", "review"},
	"logger":  {"every", "hold", "max-gap", "in", "uncertainty", "due", "zone"},
	"request": requestKeys(),
	"route":   {"from", "to", "departs", "takes", "zone"},
	"scheme":  {"pattern", "names", "check", "case", "zeros", "stands-in", "framed", "ward", "per-type", "reuse"},
	"tube":    {"type", "tests", "request", "patient", "condition", "irreplaceable"},
}

// heads are the lines that speak of the whole story.
func heads() []string { return []string{"story", "rules", "zone", "day"} }

// expected lists the keys of each kind of expectation.
var expected = map[CheckKind][]string{
	OnVerdict: judged(),
	OnOutlook: judged(),
	OnFlag:    {"reason", "action", "kind", "at", "cause"},
	OnRack:    {"reason", "tests", "irreplaceable", "at"},
	OnHolder:  {"from", "link", "at", "replaced-by"},
	OnDoubt:   {"link", "at", "replaced-by"},
	OnFacts:   {"link", "at", "replaced-by"},
}

func judged() []string {
	return []string{"reason", "direction", "used", "limit", "from", "measured", "attested", "assumed", "unknown",
		"below", "above", "rule", "action", "kind", "replaced-by", "link", "at"}
}

var shapes = map[string]shape{
	"sent": anInstant, "due": anInstant, "until": anInstant, "review": anInstant,
	"typed": aRaw, "seq": aNumber, "mono": aNumber,
	"tests": aList, "tube": aList, "condition": aList, "into": aList, "checks": aList, "departs": localTimes,
	"volume": aNumber, "count": aNumber, "g": aNumber, "minutes": aNumber,
	"every": aDuration, "hold": aDuration, "max-gap": aDuration, "takes": aDuration, "reuse": aDuration, "bench-spin": aDuration,
	"error": anOffset, "c": aCelsius, "uncertainty": aCelsius, "assumed": aBand,
	"irreplaceable": yesOrNo, "own-climate": yesOrNo, "relabel": yesOrNo, "second-person": yesOrNo, "spins": yesOrNo, "identify": aList, "most-draw": aNumber, "in-flight": yesOrNo, "deviation": yesOrNo, "active": yesOrNo, "framed": yesOrNo, "per-type": yesOrNo, "stands-in": aList,
}

// expectShapes are the shapes that differ in an expectation.
var expectShapes = map[string]shape{
	"used": aDuration, "limit": aDuration, "below": aDuration, "above": aDuration,
	"measured": aDuration, "attested": aDuration, "assumed": aDuration, "unknown": aDuration,
	"from": aMoment, "at": aMoment, "reason": aList,
}

// closedWords gives the list from which a word must come; nil when any will do.
// where is the verb, the kind of declaration, or "expect".
func closedWords(where, key string) []string {
	switch key {
	case "direction":
		return texts(event.Directions())
	case "action":
		if where == "expect" {
			return append(texts(event.Actions()), None)
		}
		return texts(event.Actions())
	case "doubt":
		return texts(event.Doubts())
	case "handling":
		return []string{"on-ice", "in-foil", "flask-37", "upright"}
	case "mode":
		return []string{"walk", "pneumatic-tube", "van", "ferry", "drone"}
	case "method":
		return []string{"needle", "winged", "catheter", "line", "capillary"}
	case "role":
		return []string{"collector", "courier", "reception", "scientist", "quality", "engineer"}
	case "ward": // of a step it is a place
		if where == "scheme" {
			return []string{"yes", "no"}
		}
	case "what":
		return []string{"measured", "set-up", "tested", "transfused"}
	case "kind":
		switch where {
		case "place":
			return []string{"ward", "home", "clinic", "hatch", "vehicle", "reception", "bench", "centrifuge", "store"}
		case "carrier":
			return []string{"rack", "bag", "box", "flask"}
		case "device":
			return []string{"phone", "cart", "desk", "service"}
		case "expect":
			return texts(event.FlagKinds())
		}
	case "reason":
		if where == "expect" {
			return append(texts(event.Reasons()), None)
		}
	}
	return nil
}

func texts[T ~string](words []T) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return out
}

func factNames() []string {
	var names []string
	for _, f := range event.Examples() {
		names = append(names, f.FactName())
	}
	return names
}

// offer proposes the nearest word, or names them all when none is near.
func offer(got string, words []string) string {
	best, least := "", len(got)/3+2
	for _, w := range slices.Sorted(slices.Values(words)) {
		if d := distance(strings.ToLower(got), strings.ToLower(w)); d < least {
			best, least = w, d
		}
	}
	if best != "" {
		return "did you mean " + best + "?"
	}
	if len(words) > 24 {
		return "see the story grammar for the words that may stand here"
	}
	return "write one of: " + strings.Join(words, " ")
}

// distance counts the letters to insert, remove or replace. Long texts are no
// misspelt word; they count as far away.
func distance(a, b string) int {
	if len(a) > 40 || len(b) > 40 {
		return 1 << 20
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := corner
			if a[i] != b[j] {
				change++
			}
			corner = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
