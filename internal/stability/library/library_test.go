package library_test

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
)

var update = flag.Bool("update", false, "write the golden table anew; read the difference before committing it")

func starter(t *testing.T) *stability.Set {
	t.Helper()
	set, _, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func TestStarterBytesAreOneRuleFile(t *testing.T) {
	set, data, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	again, err := stability.Parse("starter.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	if set.Name != "starter" || set.Hash != again.Hash || len(stability.Compare(set, again)) != 0 {
		t.Errorf("name %q, hash %s and %s", set.Name, set.Hash, again.Hash)
	}
	if len(set.Rules) < 35 {
		t.Errorf("%d rules, want at least 35", len(set.Rules))
	}
}

// Every rule must be traceable: a number without source, year, place, address
// and the temperature as studied can't be checked by the laboratory.
func TestEveryRuleIsTraceable(t *testing.T) {
	for _, r := range starter(t).Rules {
		if s := r.Source; s.Title == "" || s.Year == 0 || s.Where == "" || s.Address == "" {
			t.Errorf("%s: source is incomplete: %+v", r.ID, s)
		}
		// No full paper was on screen, so none may claim it (reference/stability-facts.md, evidence column).
		if r.Source.Seen != "summary" && r.Source.Seen != "second-hand" {
			t.Errorf("%s: seen %q", r.ID, r.Source.Seen)
		}
		if !slices.Contains(event.Directions(), r.TimeReads) {
			t.Errorf("%s: direction %q", r.ID, r.TimeReads)
		}
		if r.Because == "" && r.Evidence != stability.ShownUnstable {
			t.Errorf("%s: no reason for being the default or not", r.ID)
		}
		if r.Default && (r.Evidence == stability.ShownUnstable || r.Evidence == stability.Rate) {
			t.Errorf("%s: %s can't be a default", r.ID, r.Evidence)
		}
		for i, l := range r.Limits {
			if l.AsStudied == "" {
				t.Errorf("%s: row %d doesn't say the temperature as studied", r.ID, i+1)
			}
		}
	}
}

// A limit quoted by others than its authors is a policy, seen second-hand; what
// was read in an abstract or table is a summary.
func TestPolicyIsSecondHand(t *testing.T) {
	for _, r := range starter(t).Rules {
		if r.Evidence == stability.Policy && r.Source.Seen != "second-hand" && r.ID != "esr-unspun-policy" {
			t.Errorf("%s: policy seen %q", r.ID, r.Source.Seen)
		}
	}
}

// The 0.5 h point of a bracket whose next sample came at 4 h (Boyanton 2002)
// is never a default.
func TestFirstPointOfAWideBracketIsNoDefault(t *testing.T) {
	for _, r := range starter(t).Rules {
		for _, l := range r.Limits {
			if r.Default && l.GoodMs > 0 && l.FirstBad >= 4*l.GoodMs {
				t.Errorf("%s: first bad %d ms after good through %d ms", r.ID, l.FirstBad, l.GoodMs)
			}
		}
	}
}

// The 1h rows (WHO/DIL/LAB/99.1) and the rows C32, G09, B10 are from memory:
// nothing may cite their documents.
func TestNoRowFromMemory(t *testing.T) {
	for _, r := range starter(t).Rules {
		for _, word := range []string{"WHO", "99.1", "C46", "memory", "common practice"} {
			if strings.Contains(stability.SourceText(r.Source), word) {
				t.Errorf("%s cites %s: %s", r.ID, word, stability.SourceText(r.Source))
			}
		}
	}
}

func TestDemoHospitalHasADefaultForItsMainTests(t *testing.T) {
	set := starter(t)
	for _, want := range []struct{ assay, tube string }{
		{"K", "LIHEP-GEL"}, {"K", "LIHEP"}, {"K", "SERUM"}, {"K", "SERUM-GEL"}, {"K", "SYRINGE"}, {"GLU", "LIHEP-GEL"}, {"GLU", "FLUORIDE"},
		{"GLU", "FLUORIDE-CITRATE"}, {"LACT", "FLUORIDE"}, {"LACT", "SYRINGE"}, {"AMM", "LIHEP"}, {"PHOS", "SERUM-GEL"}, {"LDH", "LIHEP-GEL"},
		{"PT", "CITRATE"}, {"INR", "CITRATE"}, {"APTT", "CITRATE"}, {"FVIII", "CITRATE"}, {"CBC", "EDTA"}, {"ESR", "EDTA"}, {"PTH", "EDTA"},
		{"ACTH", "EDTA"}, {"TNI", "EDTA"}, {"TNT", "LIHEP-GEL"}, {"PH", "SYRINGE"}, {"NA", "LIHEP-GEL"}, {"CREA", "LIHEP-GEL"},
		{"UREA", "SERUM-GEL"}, {"ALT", "LIHEP-GEL"}, {"CRP", "SERUM-GEL"},
	} {
		if !slices.ContainsFunc(set.Rules, func(r stability.Rule) bool {
			return r.Default && r.Assay.Code == want.assay && r.State == stability.Unspun && slices.Contains(r.Tubes, want.tube)
		}) {
			t.Errorf("no default for %s in %s before the spin", want.assay, want.tube)
		}
	}
	if slices.Contains(set.Accepts["K"], "EDTA") {
		t.Error("potassium in EDTA is the wrong tube")
	}
	lists, err := library.Catalogue()
	if err != nil || len(lists.Tubes) != 9 || len(lists.Assays) != len(lists.Accepts) {
		t.Errorf("catalogue: %d tubes, %d assays, %d accepts, %v", len(lists.Tubes), len(lists.Assays), len(lists.Accepts), err)
	}
}

// Potassium has two opposite failures (reference/stability-facts.md 5.1): the
// cold makes it read high, the heat low at first.
func TestPotassiumBeforeTheSpinHasTwoSides(t *testing.T) {
	for _, r := range starter(t).Rules {
		if r.Assay.Code != "K" || r.State != stability.Unspun || r.Evidence != stability.Studied || slices.Contains(r.Tubes, "SYRINGE") {
			continue
		}
		if r.Below == nil || r.Below.Direction != event.ReadsHigh || r.Below.At != 15_00 || r.Above == nil || r.Above.Direction != event.ReadsLow {
			t.Errorf("%s: below %+v, above %+v", r.ID, r.Below, r.Above)
		}
	}
}

// A changed limit changes what happens to a patient's blood: it must show as a
// line in a review.
func TestGoldenTableOfLimits(t *testing.T) {
	const path = "testdata/library.golden"
	var b strings.Builder
	set := starter(t)
	for i := range set.Rules {
		fmt.Fprintf(&b, "%s | %s\n", set.Rules[i].ID, stability.Describe(&set.Rules[i]))
	}
	for _, w := range set.Waits {
		fmt.Fprintf(&b, "wait | %s | %d ms before %s | %s\n", strings.Join(w.Tubes, ", "), w.AtLeast, w.Before, stability.SourceText(w.Source))
	}
	for _, e := range set.Ends {
		fmt.Fprintf(&b, "ends | %s | %s | %s\n", e.Assay.Code, e.When, e.Say)
	}
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	got, old := strings.Split(b.String(), "\n"), strings.Split(string(want), "\n")
	for i := range max(len(got), len(old)) {
		var g, w string
		if i < len(got) {
			g = got[i]
		}
		if i < len(old) {
			w = old[i]
		}
		if g != w {
			t.Errorf("line %d\n got %s\nwant %s", i+1, g, w)
		}
	}
}
