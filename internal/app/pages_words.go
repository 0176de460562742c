package app

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// names gives places and carriers the names that people know. It reads the world,
// so it lives no longer than one look at it.
type names struct{ w *custody.World }

// place gives the declared name of a place; a person or an undeclared place keeps
// the word it was scanned by.
func (n names) place(code string) string {
	if p, ok := n.w.Place(code); ok && p.Name != "" {
		return p.Name
	}
	return code
}

// carrier gives "box B-3"; a label that says its kind already is enough.
func (n names) carrier(key event.Key) string {
	label, kind := key.Label(), "carrier"
	if c, ok := n.w.Carrier(key); ok && c.CarrierKind != "" {
		kind = c.CarrierKind
	}
	if strings.HasPrefix(strings.ToLower(label), kind) {
		return label
	}
	return kind + " " + label
}

func (n names) outermost(carriers []event.Key) string {
	if len(carriers) == 0 {
		return ""
	}
	return n.carrier(carriers[len(carriers)-1])
}

// inside gives "bag G-2 in box B-3".
func (n names) inside(carriers []event.Key) string {
	words := make([]string, len(carriers))
	for i, c := range carriers {
		words[i] = n.carrier(c)
	}
	return strings.Join(words, " in ")
}

func (n names) tubes(keys []event.Key) string {
	words := make([]string, len(keys))
	for i, k := range keys {
		words[i] = k.Label()
	}
	return strings.Join(words, ", ")
}

// zoneOf gives a declared zone, nil (UTC) for none or one that isn't known here.
func zoneOf(name string) *time.Location {
	if name == "" || name == "Local" {
		return nil
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil
	}
	return zone
}

// plain writes a word of a list as people say it.
func plain(word string) string { return strings.ReplaceAll(word, "-", " ") }

// modeWords says how something is carried.
func modeWords(mode string) string {
	switch mode {
	case "":
		return ""
	case "walk":
		return "on foot"
	default:
		return "by " + plain(mode)
	}
}

// stepWords are the verbs of scans as things that happened.
var stepWords = map[string]string{
	"prepare": "label prepared", "start-draw": "draw started", "wristband": "wristband read", "collect": "collected",
	"fail-collection": "collection failed", "end-draw": "draw ended", "pack": "packed into", "unpack": "taken out of", "seal": "sealed",
	"open": "opened", "empty": "emptied", "release": "left", "take": "taken over", "depart": "departed", "arrive": "arrived",
	"see": "seen", "receive": "received", "accept": "accepted", "reject": "rejected", "note": "noted", "attest": "attested",
	"rack": "put into", "spin": "spin started", "end-spin": "spin ended", "fail-spin": "spin failed", "derive": "made as an aliquot",
	"measure": "run", "film": "film made", "incubate": "incubation started", "end-incubation": "incubation ended", "freeze": "frozen",
	"thaw": "thawed", "store": "put into the store", "retrieve": "taken out of the store", "refer": "sent to another laboratory",
	"discard": "discarded", "relabel": "labelled anew", "reidentify": "given to another patient", "attach": "logger put on", "detach": "logger taken off", "void": "a step taken back",
	"explain": "a doubt explained", "take-flag": "flag taken on", "override": "let pass in spite of its flag", "ask-sample": "new sample asked for",
	"add-test": "test added", "withdraw-test": "test withdrawn", "declare-lost": "declared lost", "find": "found",
	"place-request": "request placed", "cancel-request": "request cancelled", "decline-sample": "new sample declined",
	"sample-done": "new sample drawn", "destine": "destination said", "redirect": "destination changed", "split": "number split",
	"issue-result": "result issued", "act-flag": "flag acted on", "put-aside": "flag put aside", "calibrate": "calibrated",
}

// judgeWords are what the program records by itself, a change of what is declared of a
// carrier while the tube is inside, and what is told of requests without a scan.
var judgeWords = map[string]string{
	event.FlagRaised{}.FactName(): "flag raised", event.FlagChanged{}.FactName(): "flag changed", event.FlagCleared{}.FactName(): "flag cleared",
	event.DoubtRaised{}.FactName(): "doubt raised", event.DoubtClosed{}.FactName(): "doubt settled",
	event.CarrierDescribed{}.FactName(): "declared", event.RequestPlaced{}.FactName(): "request placed", event.TubeAssigned{}.FactName(): "tube named for it",
	event.RequestCancelled{}.FactName(): "request cancelled", event.TestAdded{}.FactName(): "test added", event.TestWithdrawn{}.FactName(): "test withdrawn",
}

// stepName says what a step was.
func stepName(s *custody.Step) string {
	if w, ok := stepWords[s.Record.Step]; ok {
		return w
	}
	if s.Record.Step != "" {
		return plain(s.Record.Step)
	}
	var words []string
	for _, f := range s.Facts {
		w, ok := judgeWords[f.FactName()]
		if !ok {
			w = f.FactName()
		}
		if !slices.Contains(words, w) {
			words = append(words, w)
		}
	}
	return strings.Join(words, ", ")
}

// limitWords is a rule in a few words: "6 h at 18 to 25 °C, unspun; 30 min above allowed".
func limitWords(r *stability.Rule) string {
	rows := make([]string, len(r.Limits))
	for i, l := range r.Limits {
		rows[i] = limitLength(l) + " at " + bandWords(l.Low, l.High)
		if l.GoodMs > 0 && l.FirstBad == 0 {
			rows[i] += ", not tested beyond"
		}
	}
	text := strings.Join(rows, "; ") + ", " + plain(string(r.State))
	for _, side := range []struct {
		word string
		o    *stability.Outside
	}{{"below", r.Below}, {"above", r.Above}} {
		if side.o == nil {
			continue
		}
		where := side.word
		if side.o.HasAt {
			where += " " + bandWords(side.o.At, side.o.At)
		}
		if side.o.AllowMs == 0 {
			text += "; no time " + where
		} else {
			text += "; " + duration(side.o.AllowMs) + " " + where + " allowed"
		}
	}
	return text
}

func limitLength(l stability.Limit) string {
	switch {
	case l.Ms > 0:
		return duration(l.Ms)
	case l.GoodMs > 0:
		return duration(l.GoodMs)
	case l.FirstBad > 0:
		return "bad by " + duration(l.FirstBad)
	case l.RatePerH > 0:
		const minute = 60_000
		return "about " + duration(l.Criterion*60/l.RatePerH*minute)
	default:
		return "no time"
	}
}

// duration writes milliseconds in the largest unit that says them exactly; hours
// begin at two and days at four, as people speak of limits.
func duration(ms int64) string {
	const s, min, h, d = 1000, 60_000, 3_600_000, 86_400_000
	switch {
	case ms >= 4*d && ms%d == 0:
		return strconv.FormatInt(ms/d, 10) + " d"
	case ms >= 2*h && ms%h == 0:
		return strconv.FormatInt(ms/h, 10) + " h"
	case ms%min == 0:
		return strconv.FormatInt(ms/min, 10) + " min"
	default:
		return strconv.FormatInt(ms/s, 10) + " s"
	}
}

func bandWords(low, high event.CentiC) string {
	if low == high {
		return degrees(low) + " °C"
	}
	return degrees(low) + " to " + degrees(high) + " °C"
}

// degrees writes 0.01 °C without closing zeros.
func degrees(c event.CentiC) string {
	sign := ""
	if c < 0 {
		sign, c = "−", -c
	}
	text := fmt.Sprintf("%s%d.%02d", sign, c/100, c%100)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// ruleWords is the whole rule but for its source, which pages show beside it.
func ruleWords(r *stability.Rule) string {
	text, _, _ := strings.Cut(stability.Describe(r), "; source: ")
	return text
}

// sourceWords is a source without how it was seen, which pages show beside it.
func sourceWords(s stability.Source) string {
	return strings.TrimSuffix(stability.SourceText(s), " (seen: "+s.Seen+")")
}

// dueVerbs are what must be done before a limit ends.
var dueVerbs = map[event.Ending]string{
	event.EndsMeasured: "measure", event.EndsSetUp: "set up", event.EndsFilmMade: "make the film", event.EndsIncubated: "incubate",
	event.EndsOffCells: "take it off the cells", event.EndsSpun: "spin", event.EndsFrozen: "freeze", event.EndsTested: "test",
	event.EndsTransfused: "transfuse",
}

// whenWords writes an instant as seen from now, in a zone.
func whenWords(at, now event.Instant, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	t, n := at.Time().In(zone), now.Time().In(zone)
	switch {
	case t.Year() != n.Year():
		return t.Format("on 2 Jan 2006 at 15:04")
	case t.YearDay() != n.YearDay():
		return t.Format("on 2 Jan at 15:04")
	default:
		return t.Format("at 15:04")
	}
}

// fullWords writes an instant with its day, seconds and offset, as reports do.
func fullWords(at event.Instant, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	return at.Time().In(zone).Format("2006-01-02 15:04:05 -07:00")
}
