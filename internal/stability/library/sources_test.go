package library_test

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// addresses are the forms of an address: a doi, a number in a public index, a
// page, or a journal with volume and first page.
var addresses = regexp.MustCompile(`^(doi 10\.\d{4,9}/\S+|PMID \d{5,8}|PMC\d{4,8}|[a-z0-9-]+(\.[a-z0-9-]+)+(/\S*)?|[A-Z][A-Za-z ]+ \d+:\d+)$`)

// noYear are the sources on whose page no year was seen.
var noYear = []string{
	"Effects of anticoagulant and time of plasma separation, technical note",
	"J Med Biochem, article 27945",
	"glycohaemoglobin storage study",
	"HbA1c by immunoassay, original research",
	"PTH in EDTA blood kept for 48 h",
	"stability of catecholamines and metanephrines for phaeochromocytoma",
	"validated method, as quoted in a later protocol",
	"J Clin Microbiol, six tube types",
	"Arch Dis Child Educ Pract Ed, technical tips",
}

// Every rule must be traceable: a number without source, year, place, address,
// what of it was seen, its condition and the temperature as studied can't be
// checked by the laboratory.
func TestEveryRuleIsTraceable(t *testing.T) {
	left := slices.Clone(noYear)
	for _, r := range starter(t).Rules {
		s := r.Source
		if s.Title == "" || s.Where == "" {
			t.Errorf("%s: source is incomplete: %+v", r.ID, s)
		}
		if !addresses.MatchString(s.Address) {
			t.Errorf("%s: address %q has no form that leads anywhere", r.ID, s.Address)
		}
		switch exempt := slices.Contains(noYear, s.Title); {
		case exempt && s.Year != 0 || !exempt && s.Year < 1980:
			t.Errorf("%s: year %d of %q", r.ID, s.Year, s.Title)
		case exempt:
			left = slices.DeleteFunc(left, func(title string) bool { return title == s.Title })
		}
		// No full paper was on screen, so none may claim it (reference/stability-facts.md, evidence column).
		if s.Seen != "summary" && s.Seen != "second-hand" {
			t.Errorf("%s: seen %q", r.ID, s.Seen)
		}
		if !slices.Contains(event.Directions(), r.TimeReads) {
			t.Errorf("%s: direction %q", r.ID, r.TimeReads)
		}
		if len(r.Because) < 10 {
			t.Errorf("%s: no reason for being the default or not", r.ID)
		}
		if r.Default && (r.Evidence == stability.ShownUnstable || r.Evidence == stability.Rate) {
			t.Errorf("%s: %s can't be a default", r.ID, r.Evidence)
		}
	}
	for _, title := range left {
		t.Errorf("%q is excused from a year and isn't there", title)
	}
}

// asStudied is how a row may give its temperature: in degrees, or in the words of its source.
var asStudied = regexp.MustCompile(`°C|room temperature|ambient|benchtop|refrigerated|frozen|on (crushed )?ice|cold packs|no temperature given`)

var span = regexp.MustCompile(`(-?\d+(?:\.\d+)?) to (-?\d+(?:\.\d+)?) °C`)

// A declared band that is wider than what was studied says so: a single
// temperature, several of them or a word never cover a band.
func TestWidenedIsMarked(t *testing.T) {
	for _, r := range starter(t).Rules {
		for i, l := range r.Limits {
			if !asStudied.MatchString(l.AsStudied) {
				t.Errorf("%s: row %d: %q says no temperature", r.ID, i+1, l.AsStudied)
			}
			covered := false
			if m := span.FindStringSubmatch(l.AsStudied); m != nil {
				covered = centi(t, m[1]) <= int64(l.Low) && int64(l.High) <= centi(t, m[2])
			}
			if l.Widened == covered {
				t.Errorf("%s: row %d: band %d to %d, studied at %q, widened %t", r.ID, i+1, l.Low, l.High, l.AsStudied, l.Widened)
			}
		}
	}
}

// centi reads degrees with at most two decimals as hundredths.
func centi(t *testing.T, degrees string) int64 {
	t.Helper()
	whole, part, _ := strings.Cut(strings.TrimPrefix(degrees, "-"), ".")
	n, err := strconv.ParseInt(whole+(part + "00")[:2], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	if strings.HasPrefix(degrees, "-") {
		n = -n
	}
	return n
}

// What the reader could fill in by itself must stand in the file: who reads a
// row must not have to know what is implied.
func TestEveryRuleIsWrittenOut(t *testing.T) {
	for name, rules := range byFile(t) {
		for _, text := range rules {
			for _, key := range []string{"\n    state: ", "\n    from: ", "\n    until: ", "as-studied: ", "\n    direction: {time: ", "\n    evidence: ", "default: {chosen: "} {
				if !strings.Contains(text, key) {
					t.Errorf("%s: rule %.60q has no %q", name, text, strings.TrimSpace(key))
				}
			}
		}
	}
}

// byFile gives the text of each rule by the name of its file.
func byFile(t *testing.T) map[string][]string {
	t.Helper()
	names, err := filepath.Glob("*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	all := map[string][]string{}
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if lines := strings.Count(string(data), "\n"); lines >= 700 {
			t.Errorf("%s has %d lines; a file has less than 700", name, lines)
		}
		_, rules, found := strings.Cut(string(data), "\nrules:\n")
		if found {
			all[name] = strings.Split(strings.TrimPrefix(rules, "  - id: "), "\n  - id: ")
		}
	}
	return all
}

// One reason per key: a sentence may stand for many tests of one paper, not for
// papers that have nothing in common but the order of choice.
func TestReasonsAreNotBoilerplate(t *testing.T) {
	ofOrder := []string{"a policy figure stands before a study", "a guideline figure stands before a study", "longest studied before the spin"}
	sources := map[string]map[string]bool{}
	for _, r := range starter(t).Rules {
		if sources[r.Because] == nil {
			sources[r.Because] = map[string]bool{}
		}
		sources[r.Because][r.Source.Title] = true
	}
	for because, titles := range sources {
		if len(titles) > 1 && !slices.Contains(ofOrder, because) {
			t.Errorf("one reason for %d sources: %q", len(titles), because)
		}
	}
}

// A policy is quoted by others than those who made it, so it was seen
// second-hand; what was read in an abstract or table is a summary.
func TestPolicyIsSecondHand(t *testing.T) {
	own := map[string]string{
		"catecholamines-unspun-policy": "the authors' own figure, in their abstract",
		"hiv-rna-acd-unspun-policy":    "the table was on screen",
	}
	for _, r := range starter(t).Rules {
		if _, is := own[r.ID]; r.Evidence == stability.Policy && (r.Source.Seen == "summary") != is {
			t.Errorf("%s: policy seen %q", r.ID, r.Source.Seen)
		}
	}
}

// The 1h rows (WHO/DIL/LAB/99.1) and the rows C32, G09, B10 and M07 are from
// memory: nothing may cite their documents. Nor may a limit rest on a rate or
// grid cell of which the number was not seen.
func TestNoRowFromMemory(t *testing.T) {
	for _, r := range starter(t).Rules {
		for _, word := range []string{"WHO", "99.1", "C46", "memory", "common practice", "Kift"} {
			if strings.Contains(stability.SourceText(r.Source), word) {
				t.Errorf("%s cites %s: %s", r.ID, word, stability.SourceText(r.Source))
			}
		}
		if strings.Contains(r.Source.Title, "horses") && r.Default {
			t.Errorf("%s: animals are no default for people", r.ID)
		}
	}
}

// Every code must have been seen somewhere, and the file says where.
func TestEveryLoincCodeWasSeen(t *testing.T) {
	data, err := os.ReadFile("testdata/loinc.golden")
	if err != nil {
		t.Fatal(err)
	}
	how := map[string]string{}
	for line := range strings.Lines(string(data)) {
		f := strings.Fields(line)
		if strings.HasPrefix(line, "#") {
			continue
		}
		if len(f) != 3 || f[2] != "list" && f[2] != "display" || how[f[1]] != "" {
			t.Errorf("line %q: want a code, a test and list or display, once", line)
			continue
		}
		how[f[1]] = f[0]
	}
	for _, a := range starter(t).Assays {
		if a.Loinc != how[a.Code] {
			t.Errorf("%s: LOINC %q in the catalogue, %q among the codes that were seen", a.Code, a.Loinc, how[a.Code])
		}
		delete(how, a.Code)
	}
	for code := range how {
		t.Errorf("%s: a code for a test that the catalogue doesn't have", code)
	}
}

// disciplines of the library: files of one discipline begin with its name. After
// says whether the facts have rows for the time after the spin, or frozen.
var disciplines = []struct {
	name  string
	least int
	after bool
}{
	{"chemistry", 150, true}, {"coagulation", 40, true}, {"haematology", 35, true}, {"endocrine", 70, true}, {"cardiac", 10, true},
	{"drugs", 5, true}, {"bloodgas", 18, false}, {"molecular", 12, true}, {"microbiology", 3, false}, {"immune", 15, true},
}

func TestEveryDisciplineBeforeAndAfterTheSpin(t *testing.T) {
	set := starter(t)
	files := byFile(t)
	total := 0
	for _, d := range disciplines {
		var unspun, after, chosen int
		for _, file := range slices.Sorted(maps.Keys(files)) {
			if name := strings.TrimSuffix(file, ".yaml"); name != d.name && !strings.HasPrefix(name, d.name+"-") {
				continue
			}
			for _, text := range files[file] {
				id, _, _ := strings.Cut(text, "\n")
				i := slices.IndexFunc(set.Rules, func(r stability.Rule) bool { return r.ID == id })
				if i < 0 {
					t.Fatalf("%s: rule %q is not in the set", file, id)
				}
				if set.Rules[i].State == stability.Unspun {
					unspun++
				} else {
					after++
				}
				if set.Rules[i].Default {
					chosen++
				}
			}
		}
		t.Logf("%-12s %3d rules: %3d unspun, %3d after, %3d defaults", d.name, unspun+after, unspun, after, chosen)
		if unspun == 0 || (after > 0) != d.after || unspun+after < d.least {
			t.Errorf("%s: %d rules unspun, %d after", d.name, unspun, after)
		}
		total += unspun + after
	}
	if total != len(set.Rules) {
		t.Errorf("%d rules in the disciplines, %d in the set", total, len(set.Rules))
	}
}

// Every row of the facts is a rule, or says why it is none; every rule comes from
// a row, or was read beside one.
func TestEveryRowOfTheFacts(t *testing.T) {
	data, err := os.ReadFile("testdata/rows.txt")
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	rows := map[string]bool{}
	for line := range strings.Lines(string(data)) {
		f := strings.Fields(line)
		switch {
		case strings.HasPrefix(line, "#"):
			continue
		case len(f) < 2 || f[1] == "-" && len(f) < 3:
			t.Errorf("%q names neither rule nor reason", line)
			continue
		case f[0] != "beyond" && rows[f[0]]:
			t.Errorf("row %s stands twice", f[0])
		}
		rows[f[0]] = true
		if f[1] == "-" {
			continue
		}
		for _, id := range f[1:] {
			named[id] = true
		}
	}
	// The tables have so many rows: 1a C, 1b A, 1c H, 1d B, 1e E, 1f G, 1g M.
	for table, last := range map[string]int{"C": 90, "A": 35, "H": 14, "B": 26, "E": 38, "G": 10, "M": 16} {
		for i := 1; i <= last; i++ {
			if row := fmt.Sprintf("%s%02d", table, i); !rows[row] {
				t.Errorf("row %s is forgotten", row)
			}
		}
	}
	for _, r := range starter(t).Rules {
		if !named[r.ID] {
			t.Errorf("%s comes from no row", r.ID)
		}
		delete(named, r.ID)
	}
	for id := range named {
		t.Errorf("there is no rule %s", id)
	}
}

// Every key of the rule file (contracts, section 3, and the catalogue that a file
// may carry) stands in the example for readers, and the example has no mistake.
func TestEveryKeyStandsInTheExample(t *testing.T) {
	data, err := os.ReadFile("../../../testdata/rules/every-key.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stability.Parse("every-key.yaml", data); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{
		"format", "set", "name", "version", "author", "conventions", "tubes", "code", "additive", "gel", "assays", "loinc", "accepts", "assay",
		"rules", "id", "state", "condition", "from", "until", "combine", "limits", "band", "limit", "good-through", "first-bad", "rate",
		"criterion", "unit", "as-studied", "widened", "shares", "at", "over", "outside", "below", "above", "allow", "direction", "needs",
		"grace", "time", "evidence", "source", "title", "year", "where", "address", "seen", "default", "chosen", "because", "critical",
		"waits", "at-least", "before", "ends-test", "when", "say",
	} {
		if !regexp.MustCompile(`(?m)(^|[\s{])`+key+`: `).Match(data) && !regexp.MustCompile(`(?m)^\s*`+key+`:$`).Match(data) {
			t.Errorf("no key %s", key)
		}
	}
}
