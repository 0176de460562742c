package api

import (
	"fmt"
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
)

// canAdd answers whether a test can still be run on this tube: by where the tube is and
// what was done with it, by the limits, and by its volume as far as it was said.
func canAdd(t *custody.Tube, m *live.Material, j *stability.Judgement) string {
	switch {
	case t.Disposed.Is():
		return "no: the tube was discarded at " + stamp(t.Disposed.At)
	case t.Lost.Is():
		return "no: the tube was declared lost at " + stamp(t.Lost.At)
	case t.Rejected.Is():
		return "no: the tube was rejected at " + stamp(t.Rejected.At)
	case t.Held:
		return "no: two tubes share this number; split it first"
	case len(t.Parts) > 0:
		return "no: the number was split; ask for one of its parts"
	case t.NewLabel != "":
		return "ask for " + t.NewLabel.Label() + ": the tube has that number now"
	}
	return canRun(j) + enough(t, m, j.Assay)
}

// enough says what is known of the volume, as the end of a sentence; nothing where
// nothing is known.
func enough(t *custody.Tube, m *live.Material, assay string) string {
	need := m.NeedsUl(assay)
	if need == 0 || m.DrawnUl == 0 {
		return ""
	}
	planned := m.PlannedUl
	if slices.Contains(t.Tests, assay) {
		planned -= need
	}
	of := "drawn"
	if m.Nominal {
		of = "the tube is made for"
	}
	left := m.DrawnUl - planned
	say := fmt.Sprintf("it needs %d µl, and of the %d µl %s the other tests need %d", need, m.DrawnUl, of, planned)
	if len(m.Unsaid) > 0 {
		say += fmt.Sprintf(" (not counting %d of which it isn't said)", len(m.Unsaid))
	}
	if len(t.Children) > 0 {
		say += "; what its aliquots took is not known"
	}
	if left < need {
		return "; too little by what was said: " + say
	}
	return "; " + say
}

// counts says how often the material was thawed and spun.
func counts(t *custody.Tube) (thaws, spins int64) {
	for _, c := range t.Changes {
		switch c.What {
		case custody.ThawedOut:
			thaws++
		case custody.Spun, custody.SpunAgain:
			spins++
		}
	}
	return thaws, spins
}
