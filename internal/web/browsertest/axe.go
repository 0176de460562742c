package browsertest

import (
	_ "embed" // the checker below
	"fmt"
	"strings"
)

// axeSource is axe-core 4.14.1, MPL-2.0; its licence lies beside it. It is
// injected into pages under test and is part of no program.
//
//go:embed testdata/axe.min.js
var axeSource string

// Violation is one rule of accessibility that a page breaks.
type Violation struct {
	ID      string   // the checker's name of the rule
	Impact  string   // minor, moderate, serious or critical
	Help    string   // the rule in a sentence
	Targets []string // selectors of the elements at fault
}

func (v Violation) String() string {
	return fmt.Sprintf("%s (%s): %s: %s", v.ID, v.Impact, v.Help, strings.Join(v.Targets, ", "))
}

// Axe checks the page as it stands against the rules of WCAG 2.0, 2.1 and 2.2,
// levels A and AA, and gives what it breaks; with rules named, against those alone.
// It can't judge reading order, wording or targets for gloves.
func (p *Page) Axe(rules ...string) []Violation {
	p.t.Helper()
	var there bool
	p.Eval(`typeof axe !== "undefined"`, &there)
	if !there {
		p.Eval(axeSource+"\n;undefined", nil)
		// A tab that goes on to other pages has it there too: it is half a megabyte to send.
		if p.checked {
			p.call("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": axeSource}, nil)
		}
		p.checked = true
	}
	only := `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]`
	if len(rules) > 0 {
		only = fmt.Sprintf(`{type: "rule", values: ["%s"]}`, strings.Join(rules, `", "`))
	}
	var found []Violation
	// Style sheets are fetched anew for no rule that is asked here; sound and film for one.
	p.Eval(`axe.run(document, {
		preload: Boolean(document.querySelector("audio, video")),
		runOnly: `+only+`,
		resultTypes: ["violations"],
	}).then(r => r.violations.map(v => ({
		id: v.id, impact: v.impact, help: v.help,
		targets: v.nodes.map(n => n.target.flat().join(" ")),
	})))`, &found)
	return found
}
