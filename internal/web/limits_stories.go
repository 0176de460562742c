package web

import (
	_ "embed" // the stories' limits
	"fmt"
	"net/url"
	"strings"
	"sync"

	"specimen.example/custody/internal/stability"
)

func limitsStories() []Story {
	return []Story{
		{Name: "limits-none", About: "nothing was ever adopted: all that is shipped, as a register", Path: "/limits", limits: limitsNone},
		{Name: "limits-adopted", About: "the shipped set is in force", Path: "/limits?q=potassium&tube=LIHEP-GEL", Demo: true, limits: limitsAdopted},
		{Name: "limits-no-hit", About: "a search that finds nothing", Path: "/limits?q=unobtainium", limits: limitsAdopted},
		{Name: "limits-conflict", About: "five studies of one test and tube that don't agree", Path: "/limits/potassium-lih-unspun-six", limits: limitsAdopted},
		{Name: "limits-syringe", About: "rates, shares of tubes, bands of ice", Path: "/limits?q=syringe+lactate", limits: limitsAdopted},
		{Name: "limits-own", About: "a laboratory's own file is in force, another one comes tomorrow", Path: "/limits?q=potassium", limits: limitsOwn},
		{Name: "limits-mistakes", About: "a file with ten mistakes", Path: "/limits/check", limits: limitsAdopted, form: url.Values{"text": {storyTenMistakes}}},
		{Name: "limits-preview", About: "what the laboratory's own file would change", Path: "/limits/check", limits: limitsAdopted, form: url.Values{"text": {ownFile()}}},
		{Name: "limits-first", alike: "limits-preview", About: "before the first adoption", Path: "/limits/check", limits: limitsNone, form: url.Values{"which": {"shipped"}}},
		{Name: "limits-nothing-sent", alike: "limits-unsigned", About: "neither a file nor a text", Path: "/limits/check", limits: limitsNone, form: url.Values{}},
		{Name: "limits-unsigned", About: "nobody signed", Path: "/limits/adopt", limits: limitsNone, form: url.Values{
			"which": {"shipped"}, "by": {"lena"}, "second": {"Lena"}, "from": {"2026-11-31T08:00"}, "seen": {"none"}, "id": {"limits-story"},
		}},
	}
}

//go:embed limits_stories.yaml
var storyRules string

// storyTenMistakes is testdata/rules/ten-mistakes.yaml; a test compares them.
//
//go:embed limits_mistakes.yaml
var storyTenMistakes string

// storyShipped is what stories take for the shipped set: their pictures must not
// change with the library. It is read once and shared, since pages only read it.
var storyShipped = sync.OnceValue(func() *stability.Set { return storySet(storyRules) })

var storyOwn = sync.OnceValue(func() *stability.Set { return storySet(ownFile()) })

func storySet(text string) *stability.Set {
	set, err := stability.Parse("story", []byte(text))
	if err != nil {
		panic(fmt.Sprintf("the limits of a story: %v", err)) // a broken build
	}
	return set
}

func limitsNone() LimitsPage {
	return LimitsPage{Seq: 12, Now: storyNow, Zone: storyZone, Shipped: storyShipped(), People: []string{"lena", "oskar"}}
}

func limitsAdopted() LimitsPage {
	p := limitsNone()
	p.Seq = 4812
	p.InForce = &LimitsSet{
		Set: p.Shipped, By: "lena", Second: "oskar", Reason: "verified on forty pairs of tubes, report V-7", Adopted: ago(9 * 24 * 60), InForce: ago(8 * 24 * 60),
	}
	return p
}

// ownFile is the shipped set of the stories with a limit changed, one taken away
// and one added.
func ownFile() string {
	text := strings.NewReplacer(
		"{name: shipped-story, version: 1, author: stories}", "{name: mainland, version: 3, author: lena}",
		`{band: mild, good-through: 6h, first-bad: 8h, as-studied: "room temperature, range not stated", widened: true}`,
		`{band: room, good-through: 4h, first-bad: 8h, as-studied: "20 to 24 °C, own tubes", widened: true}`,
		// The shipped choice for plain serum makes room for the laboratory's own.
		"tubes: [SERUM, SERUM-GEL]\n    state: unspun", "tubes: [SERUM-GEL]\n    state: unspun",
	).Replace(storyRules)
	text = withoutRule(withoutRule(text, "potassium-lih-unspun-day"), "co2-unspun")
	return strings.Replace(text, "\nrules:\n", "\nrules:\n"+storyOwnRule, 1)
}

const storyOwnRule = `  - id: potassium-serum-mainland
    assay: {code: K}
    tubes: [SERUM]
    state: unspun
    from: draw
    until: spun
    limits:
      - {band: room, limit: 3h, as-studied: "20 to 24 °C", widened: true}
    outside:
      below: {at: 15.0, allow: 0s, direction: high, needs: two-readings}
      above: {allow: 20m, direction: low}
    direction: {time: high}
    evidence: policy
    source: {title: "mainland laboratory, procedure 12", year: 2026, where: "page 4", seen: direct}
    default: {chosen: true, because: "verified on forty tubes of our own, report V-9"}
    critical: true
`

// withoutRule takes one rule out of a file.
func withoutRule(text, id string) string {
	before, rest, _ := strings.Cut(text, "  - id: "+id+"\n")
	if i := strings.Index(rest, "\n  - id: "); i >= 0 {
		return before + rest[i+1:]
	}
	return before + rest[strings.Index(rest, "\nwaits:")+1:]
}

func limitsOwn() LimitsPage {
	p := limitsNone()
	p.Seq = 5120
	p.InForce = &LimitsSet{Set: storyOwn(), By: "lena", Second: "mira", Reason: "own verification, report V-9", Adopted: ago(3 * 24 * 60), InForce: ago(2 * 24 * 60), InFlight: true}
	before := LimitsSet{Set: p.Shipped, By: "lena", Reason: "first start", Over: true, Adopted: ago(40 * 24 * 60), InForce: ago(40 * 24 * 60)}
	later := *p.InForce
	later.Reason, later.Adopted, later.InForce, later.InFlight = "new tubes from the first of the month", ago(60), ahead(24*60), false
	p.Others = []LimitsSet{before, later}
	return p
}
