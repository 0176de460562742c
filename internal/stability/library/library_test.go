package library_test

import (
	"flag"
	"fmt"
	"maps"
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
	if len(set.Rules) < 400 {
		t.Errorf("%d rules, want at least 400", len(set.Rules))
	}
}

func TestDemoHospitalHasADefaultForItsMainTests(t *testing.T) {
	set := starter(t)
	for _, want := range []struct{ assay, tube string }{
		{"K", "LIHEP-GEL"}, {"K", "LIHEP"}, {"K", "SERUM"}, {"K", "SERUM-GEL"}, {"K", "SYRINGE"}, {"GLU", "LIHEP-GEL"}, {"GLU", "FLUORIDE"},
		{"GLU", "FLUORIDE-CITRATE"}, {"LACT", "FLUORIDE"}, {"LACT", "SYRINGE"}, {"AMM", "LIHEP"}, {"PHOS", "SERUM-GEL"}, {"LDH", "LIHEP-GEL"},
		{"PT", "CITRATE"}, {"INR", "CITRATE"}, {"APTT", "CITRATE"}, {"FVIII", "CITRATE"}, {"CBC", "EDTA"}, {"ESR", "EDTA"}, {"PTH", "EDTA"},
		{"ACTH", "EDTA"}, {"TNI", "EDTA"}, {"TNT", "LIHEP-GEL"}, {"PH", "SYRINGE"}, {"NA", "LIHEP-GEL"}, {"CREA", "LIHEP-GEL"},
		{"UREA", "SERUM-GEL"}, {"ALT", "LIHEP-GEL"}, {"CRP", "SERUM-GEL"}, {"PHOS", "LIHEP-GEL"}, {"GLU", "SERUM-GEL"}, {"HIV", "EDTA"},
		{"BC", "BLOOD-CULTURE"}, {"IGRA", "IGRA"}, {"CD4", "EDTA"}, {"RENIN", "EDTA"}, {"CRYO", "SERUM"},
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
	if err != nil || len(lists.Tubes) != 15 || len(lists.Assays) != len(lists.Accepts) {
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

// What is outside the bands is said only where a source says it
// (reference/stability-facts.md, section 2): for these tests and no other.
func TestOutsideIsSaidWhereASourceSaysIt(t *testing.T) {
	below := map[string]event.CentiC{
		"K": 15_00, "RENIN": 15_00, "PT": 8_00, "INR": 8_00, "PFA": 8_00, "IMPA": 8_00, "VEM": 8_00, "LTA": 8_00,
		"BC": 8_00, "IGRA": 8_00, "CD4": 8_00, "CRYO": 35_00,
	}
	seen := map[string]bool{}
	for _, r := range starter(t).Rules {
		at, said := below[r.Assay.Code]
		if r.Below != nil {
			seen[r.Assay.Code] = true
			if !said || r.Below.At != at || !r.Below.TwoValid || r.Below.AllowMs != 0 {
				t.Errorf("%s: below %+v", r.ID, r.Below)
			}
		}
		if r.Above != nil && (r.Assay.Code != "K" || r.Above.Direction != event.ReadsLow) {
			t.Errorf("%s: above %+v", r.ID, r.Above)
		}
		if r.Default && said && r.State == stability.Unspun && r.Below == nil && !slices.Contains(r.Tubes, "LIHEP") {
			t.Errorf("%s: a default without the cold that spoils the test", r.ID)
		}
	}
	if len(seen) != len(below) {
		t.Errorf("the cold is said for %d tests, want %d", len(seen), len(below))
	}
}

// Only what is kept on ice or at 37 °C insists on a measured or attested
// temperature: a hospital without loggers must be usable on day one.
func TestCriticalIsForIceAndBodyTemperature(t *testing.T) {
	critical := 0
	for _, r := range starter(t).Rules {
		if !r.Critical {
			continue
		}
		critical++
		for _, l := range r.Limits {
			if l.High > 4_00 && l.Low < 35_00 {
				t.Errorf("%s: critical in %d to %d", r.ID, l.Low, l.High)
			}
		}
	}
	if critical != 8 {
		t.Errorf("%d critical rules, want 8: glucose, homocysteine and five gut hormones on ice, cryoglobulin", critical)
	}
}

// Individuals exceed a limit far earlier than the mean (reference/stability-facts.md,
// C07, C08, C27, M11 and 5.12).
func TestSharesOfIndividuals(t *testing.T) {
	want := map[string]string{
		"potassium-syringe-iced-rate":        "5 % at 67 min",
		"potassium-syringe-studied":          "1 % at 67 min",
		"lactate-syringe-studied":            "5 % at 20 min",
		"igra-unspun-indeterminate-unstable": "10 % at 360 min, 17.1 % at 720 min",
	}
	for _, r := range starter(t).Rules {
		var got []string
		for _, l := range r.Limits {
			for _, s := range l.Shares {
				got = append(got, fmt.Sprintf("%s at %d min", s.Over, s.AtMs/60_000))
			}
		}
		if text := strings.Join(got, ", "); text != want[r.ID] {
			t.Errorf("%s: shares %q, want %q", r.ID, text, want[r.ID])
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
	all := byKey(set)
	for _, key := range slices.Sorted(maps.Keys(all)) {
		if !slices.ContainsFunc(all[key], func(r *stability.Rule) bool { return r.Default }) {
			fmt.Fprintf(&b, "no default | %s\n", key)
		}
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
