package stability

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
)

// Difference is one thing that two sets say otherwise.
type Difference struct {
	Kind   string   // added, removed or changed
	What   string   // rule, wait, ends-test or accepts
	ID     string   // the rule's id, the wait's tubes, the test's code
	Fields []string // what changed, for a changed rule: names as in the rule file
	Old    string   // plain text of one line, empty when added
	New    string   // plain text of one line, empty when removed
}

// Compare lists what is added, removed and changed from a to b: rules by their
// id in the order of a, then of b; then waits, ends-test and accepts. Names,
// versions and authors of the sets aren't compared, nor is the order of rules.
func Compare(a, b *Set) []Difference {
	var out []Difference
	inB := map[string]*Rule{}
	for i := range b.Rules {
		inB[b.Rules[i].ID] = &b.Rules[i]
	}
	inA := map[string]bool{}
	for i := range a.Rules {
		old := &a.Rules[i]
		inA[old.ID] = true
		now, kept := inB[old.ID]
		if !kept {
			out = append(out, Difference{Kind: "removed", What: "rule", ID: old.ID, Old: Describe(old)})
			continue
		}
		if fields := changed(old, now); len(fields) > 0 {
			out = append(out, Difference{Kind: "changed", What: "rule", ID: old.ID, Fields: fields, Old: Describe(old), New: Describe(now)})
		}
	}
	for i := range b.Rules {
		if now := &b.Rules[i]; !inA[now.ID] {
			out = append(out, Difference{Kind: "added", What: "rule", ID: now.ID, New: Describe(now)})
		}
	}
	out = append(out, compareLines("wait", waitLines(a), waitLines(b))...)
	out = append(out, compareLines("ends-test", endsLines(a), endsLines(b))...)
	return append(out, compareLines("accepts", acceptLines(a), acceptLines(b))...)
}

// changed names the fields in which two rules of one id differ.
func changed(a, b *Rule) []string {
	var fields []string
	for _, f := range []struct {
		name string
		a, b any
	}{
		{"assay", a.Assay, b.Assay}, {"tubes", a.Tubes, b.Tubes}, {"state", a.State, b.State},
		{"condition", a.Condition, b.Condition}, {"from", a.From, b.From}, {"until", a.Until, b.Until},
		{"combine", a.Combine, b.Combine}, {"limits", a.Limits, b.Limits},
		{"outside", [2]*Outside{a.Below, a.Above}, [2]*Outside{b.Below, b.Above}},
		{"direction", a.TimeReads, b.TimeReads}, {"evidence", a.Evidence, b.Evidence}, {"source", a.Source, b.Source},
		{"default", [2]any{a.Default, a.Because}, [2]any{b.Default, b.Because}}, {"critical", a.Critical, b.Critical},
		{"needs", a.Needs, b.Needs},
	} {
		if !reflect.DeepEqual(f.a, f.b) {
			fields = append(fields, f.name)
		}
	}
	return fields
}

func waitLines(s *Set) map[string]string {
	lines := map[string]string{}
	for _, w := range s.Waits {
		for _, t := range w.Tubes {
			lines[t+" before "+w.Before] = fmt.Sprintf("%s waits at least %s before the %s; source: %s", t, durationText(w.AtLeast), w.Before, SourceText(w.Source))
		}
	}
	return lines
}

func endsLines(s *Set) map[string]string {
	lines := map[string]string{}
	for _, e := range s.Ends {
		lines[e.Assay.Code+" when "+e.When] = e.Assay.Code + " ends when " + e.When + ": " + e.Say
	}
	return lines
}

func acceptLines(s *Set) map[string]string {
	lines := map[string]string{}
	for code, tubes := range s.Accepts {
		sorted := slices.Sorted(slices.Values(tubes))
		lines[code] = code + " is run in " + strings.Join(sorted, ", ")
	}
	return lines
}

func compareLines(what string, a, b map[string]string) []Difference {
	all := map[string]bool{}
	for id := range a {
		all[id] = true
	}
	for id := range b {
		all[id] = true
	}
	var out []Difference
	for _, id := range sortedKeys(all) {
		d := Difference{What: what, ID: id, Old: a[id], New: b[id]}
		_, inA := a[id]
		_, inB := b[id]
		switch {
		case !inA:
			d.Kind = "added"
		case !inB:
			d.Kind = "removed"
		case d.Old != d.New:
			d.Kind = "changed"
		default:
			continue
		}
		out = append(out, d)
	}
	return out
}
