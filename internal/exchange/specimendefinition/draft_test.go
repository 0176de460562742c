package specimendefinition_test

import (
	"errors"
	"flag"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	sd "specimen.example/custody/internal/exchange/specimendefinition"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile("testdata/"+name, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want := file(t, name); string(got) != string(want) {
		t.Errorf("%s differs; got\n%s", name, got)
	}
}

func draft(t testing.TB, d *sd.Definition, a sd.Answers) *sd.Draft {
	t.Helper()
	out, err := d.Draft(a)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// answers are invented: what a laboratory might say beside the example.
func answers() sd.Answers {
	answer := func(tube string) sd.TestedAnswer {
		return sd.TestedAnswer{Tubes: []string{tube}, State: "unspun", From: "draw", Until: "spun", Combine: "sum", Evidence: "policy", TimeReads: "low",
			Source:  sd.Source{Title: "Example Specimen Definition for Testing", Where: "typeTested.handling", Address: "http://example.com/specdef/v1/12345", Seen: "direct"},
			Default: &sd.Default{Chosen: true, Because: "the laboratory's own policy"}}
	}
	return sd.Answers{Set: "imported", Version: 1, Author: "lena", Tests: []sd.Test{{Code: "GLU", Loinc: "2345-7", Name: "glucose"}},
		Tested: map[int]sd.TestedAnswer{0: answer("SERUM-GEL"), 1: answer("LIHEP-GEL")}}
}

// What FHIR doesn't say stays blank, and the parser of rule files names each
// blank with its place. Each mistake has a question, and each question that
// blocks has a mistake.
func TestBlanksAreMistakes(t *testing.T) {
	out := draft(t, read(t, file(t, "serum-plasma-r5.xml")), sd.Answers{})
	golden(t, "blank.golden.yaml", out.YAML)
	_, err := stability.Parse("draft.yaml", out.YAML)
	var mistakes stability.Mistakes
	if !errors.As(err, &mistakes) {
		t.Fatalf("%v", err)
	}
	var fields, asked []string
	for _, m := range mistakes {
		fields = append(fields, m.Field)
		if m.Line < 1 || m.Column < 1 {
			t.Errorf("%s has no place", m)
		}
	}
	for _, q := range out.Questions {
		if q.Ask == "" || !strings.HasPrefix(q.Path, "SpecimenDefinition") {
			t.Errorf("%+v", q)
		}
		if q.Blocks {
			asked = append(asked, q.Key)
		}
	}
	want := []string{"set.name", "set.version", "set.author"}
	for _, id := range []string{"2364-1", "2364-2"} {
		for _, key := range []string{"assay", "tubes", "state", "until", "evidence", "source"} {
			want = append(want, "rules."+id+"."+key)
		}
	}
	slices.Sort(want)
	slices.Sort(fields)
	slices.Sort(asked)
	if !slices.Equal(fields, want) || !slices.Equal(asked, want) {
		t.Errorf("mistakes %q\nasked %q\nwant %q", fields, asked, want)
	}
}

// The official example with a laboratory's answers is a rule file without a
// mistake; SD1 of the project's reference: two tube rules of two bands each.
func TestAnsweredExampleParses(t *testing.T) {
	for _, name := range []string{"serum-plasma-r5.xml", "serum-plasma-r5.json"} {
		out := draft(t, read(t, file(t, name)), answers())
		golden(t, "answered.golden.yaml", out.YAML)
		for _, q := range out.Questions {
			if q.Blocks {
				t.Errorf("still asked: %+v", q)
			}
		}
		set, err := stability.Parse("draft.yaml", out.YAML)
		if err != nil {
			t.Fatal(err)
		}
		if len(set.Rules) != 2 {
			t.Fatalf("%d rules", len(set.Rules))
		}
		for _, r := range set.Rules {
			if len(r.Limits) != 2 || r.Limits[0].Low != 15_00 || r.Limits[0].High != 25_00 || r.Limits[0].Ms != 60*60_000 ||
				r.Limits[1].Low != 2_00 || r.Limits[1].High != 8_00 || r.Limits[1].Ms != 8*3_600_000 || r.Assay.Loinc != "2345-7" {
				t.Errorf("%+v", r)
			}
			if got := r.Limits[0].AsStudied; got != "Ambient temperature, 15 °C to 25 °C" {
				t.Errorf("as studied %q", got)
			}
		}
	}
}

// SD2 to SD4 of the project's reference, which follow from the numbers of the
// official example: over the hour at 22 °C, inside the 8 h at 5 °C, no band at
// 12 °C. Over means strictly more.
func TestExampleJudges(t *testing.T) {
	out := draft(t, read(t, file(t, "serum-plasma-r5.xml")), answers())
	set, err := stability.Parse("draft.yaml", out.YAML)
	if err != nil {
		t.Fatal(err)
	}
	const minute, drawn = event.Instant(60_000), event.Instant(29_000_000 * 60_000) // an invented morning
	for _, c := range []struct {
		name    string
		tube    string
		minutes event.Instant
		c       event.CentiC
		want    event.Verdict
	}{
		{"SD2", "SERUM-GEL", 61, 22_00, event.PastLimit},
		{"the hour itself", "SERUM-GEL", 60, 22_00, event.WithinLimits},
		{"SD3", "SERUM-GEL", 61, 5_00, event.WithinLimits},
		{"the eight hours", "LIHEP-GEL", 480, 8_00, event.WithinLimits},
		{"past them", "LIHEP-GEL", 481, 8_00, event.PastLimit},
		{"SD4", "SERUM-GEL", 61, 12_00, event.CannotSay},
	} {
		now := drawn + c.minutes*minute
		tube := &stability.Tube{Type: c.tube, TestsKnown: true, Gel: true, Zero: stability.Interval{Earliest: drawn, Latest: drawn}}
		hist := []thermal.Segment{{From: drawn, To: now, Low0: c.c, Low1: c.c, High0: c.c, High1: c.c, Evidence: thermal.Measured, Reading0: true, Reading1: true, Series: -1}}
		var j stability.Judgement
		set.Judge(&j, tube, "GLU", hist, now)
		if j.Verdict != c.want {
			t.Errorf("%s: %s %v, want %s", c.name, j.Verdict, j.Reasons, c.want)
		}
	}
}

// A range with one end, or with an end between two hundredths, is asked, never
// closed by guessing: a missing end is not known (FHIR, Range.low and .high).
func TestOpenRangesAreAsked(t *testing.T) {
	const low = `"low": {"value": 15, "system": "http://unitsofmeasure.org", "code": "Cel"},`
	const high = `,
                        "high": {"value": 25, "system": "http://unitsofmeasure.org", "code": "Cel"}`
	const max = `,
   "maxDuration": {"value": 60, "system": "http://unitsofmeasure.org", "code": "min"}`
	const path = "SpecimenDefinition.typeTested[0].handling[0]."
	band := func(low, high event.CentiC) sd.HandlingAnswer {
		return sd.HandlingAnswer{Band: &sd.Band{Low: low, High: high}}
	}
	for _, c := range []struct {
		name, old, with string
		path, says      string // of the question
		answer          sd.HandlingAnswer
		row             string // once answered
		wrong           sd.HandlingAnswer
	}{
		{"only high", low, "", path + "temperatureRange", "up to 25 °C", band(2_00, 25_00), "band: [2.00, 25.00]", band(2_00, 24_00)},
		{"only low", high, "", path + "temperatureRange", "from 15 °C", band(15_00, 30_00), "band: [15.00, 30.00]", band(14_00, 30_00)},
		{"36 °F", `"value": 15, "system": "http://unitsofmeasure.org", "code": "Cel"`, `"value": 36, "system": "http://unitsofmeasure.org", "code": "[degF]"`,
			path + "temperatureRange", "between hundredths", band(2_23, 25_00), "band: [2.23, 25.00]", band(1_00, 25_00)},
		{"no time", max, "", path + "maxDuration", "for how long", sd.HandlingAnswer{Ms: 90 * 60_000}, "limit: 90m", sd.HandlingAnswer{Ms: -1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := read(t, change(t, c.old, c.with))
			a := answers()
			var found bool
			for _, q := range draft(t, d, withHandling(a, sd.HandlingAnswer{})).Questions {
				found = found || q.Blocks && q.Path == c.path && strings.Contains(q.Ask, c.says)
			}
			if !found {
				t.Errorf("nothing asks %q at %s", c.says, c.path)
			}
			if _, err := stability.Parse("draft.yaml", draft(t, d, withHandling(a, sd.HandlingAnswer{})).YAML); err == nil {
				t.Error("the blank draft parses")
			}
			full := draft(t, d, withHandling(a, c.answer))
			if _, err := stability.Parse("draft.yaml", full.YAML); err != nil || !strings.Contains(string(full.YAML), c.row) {
				t.Errorf("%v in\n%s", err, full.YAML)
			}
			var f sd.Faults
			if _, err := d.Draft(withHandling(a, c.wrong)); !errors.As(err, &f) || f[0].Path != c.path {
				t.Errorf("a wrong answer gives %v", err)
			}
		})
	}
}

func withHandling(a sd.Answers, h sd.HandlingAnswer) sd.Answers {
	first := a.Tested[0]
	first.Handling = map[int]sd.HandlingAnswer{0: h}
	a.Tested = map[int]sd.TestedAnswer{0: first}
	return a
}

func TestAnswersThatBelongToNothing(t *testing.T) {
	d := read(t, []byte(one))
	for path, a := range map[string]sd.Answers{
		"SpecimenDefinition.typeTested[1]":                              {Tested: map[int]sd.TestedAnswer{1: {}}},
		"SpecimenDefinition.typeTested[0].handling[4]":                  {Tested: map[int]sd.TestedAnswer{0: {Handling: map[int]sd.HandlingAnswer{4: {}}}}},
		"SpecimenDefinition.typeTested[0].handling":                     {Tested: map[int]sd.TestedAnswer{0: {Evidence: "shown-unstable"}}},
		"SpecimenDefinition.typeTested":                                 {Tested: map[int]sd.TestedAnswer{0: {Leave: "not ours"}}},
		"SpecimenDefinition.typeTested[0].handling[0].maxDuration":      withHandling(answers(), sd.HandlingAnswer{Ms: 1}),
		"SpecimenDefinition.typeTested[0].handling[0].temperatureRange": withHandling(answers(), sd.HandlingAnswer{Band: &sd.Band{}}),
	} {
		_, err := d.Draft(a)
		var f sd.Faults
		if !errors.As(err, &f) || len(f) != 1 || f[0].Path != path || f[0].Remedy == "" {
			t.Errorf("%s: %v", path, err)
		}
	}
	if _, err := read(t, []byte(`{"resourceType": "SpecimenDefinition"}`)).Draft(sd.Answers{}); err == nil {
		t.Error("a definition without handling gives a draft")
	}
}

// What an answer leaves out is listed too.
func TestLeftOutIsListed(t *testing.T) {
	a := answers()
	serum := a.Tested[0]
	serum.Handling = map[int]sd.HandlingAnswer{1: {Leave: "we don't chill it"}}
	a.Tested[0], a.Tested[1] = serum, sd.TestedAnswer{Leave: "no plasma here"}
	out := draft(t, read(t, file(t, "serum-plasma-r5.xml")), a)
	set, err := stability.Parse("draft.yaml", out.YAML)
	if err != nil || len(set.Rules) != 1 || len(set.Rules[0].Limits) != 1 {
		t.Fatalf("%v\n%s", err, out.YAML)
	}
	var left []string
	for _, u := range out.Unused {
		if strings.HasPrefix(u.Why, "left out by the laboratory") {
			left = append(left, u.Path+": "+u.Value)
		}
	}
	if want := []string{"SpecimenDefinition.typeTested[0].handling[1]: 2 °C to 8 °C", "SpecimenDefinition.typeTested[1]: Plasma specimen"}; !reflect.DeepEqual(left, want) {
		t.Errorf("%q", left)
	}
}

// A studied time is the last good one; several tests give a rule each; an
// instruction and a status that isn't active are not lost.
func TestStudiedAndSeveralTests(t *testing.T) {
	d := read(t, change(t, `"typeTested": [{"preference": "preferred", "handling": [
  {`, `"status": "retired", "experimental": true, "typeTested": [{"preference": "preferred", "handling": [
  {"instruction": "Protect from light\n- id: x", `))
	a := withHandling(answers(), sd.HandlingAnswer{})
	first := a.Tested[0]
	first.Evidence, first.Conditions, first.Critical = "studied", map[string]bool{"unfractionated-heparin": false}, true
	a.Tested[0], a.Tests = first, []sd.Test{{Code: "NO"}, {Code: "BILI", Name: "bilirubin: \"total\" # 1"}}
	out := draft(t, d, a)
	set, err := stability.Parse("draft.yaml", out.YAML)
	if err != nil {
		t.Fatalf("%v\n%s", err, out.YAML)
	}
	if len(set.Rules) != 2 || set.Rules[0].ID != "no-t-1-1" || set.Rules[1].ID != "bili-t-1-1" || set.Rules[0].Assay.Code != "NO" || set.Rules[1].Assay.Name != "bilirubin: \"total\" # 1" ||
		set.Rules[0].Limits[0].GoodMs != 60*60_000 || !set.Rules[0].Critical || len(set.Rules[0].Condition) != 1 || set.Rules[0].Condition[0].Yes {
		t.Errorf("%+v", set.Rules)
	}
	if !strings.Contains(string(out.YAML), "instruction: Protect from light - id: x\n") {
		t.Errorf("the instruction is missing in\n%s", out.YAML)
	}
	asked := map[string]bool{}
	for _, q := range out.Questions {
		asked[q.Path] = true
	}
	if !asked["SpecimenDefinition.status"] || !asked["SpecimenDefinition.experimental"] {
		t.Errorf("%+v", out.Questions)
	}
}

// Whatever an answer holds, it comes back from the rule file as it was said, or
// the parser refuses it: nothing breaks out of its place.
func TestAnswersStayInTheirPlace(t *testing.T) {
	d := read(t, []byte(one))
	rapid.Check(t, func(t *rapid.T) {
		said := rapid.StringMatching(`[ -~\n\t\x{80}-\x{ffff}]{0,20}`)
		a := withHandling(answers(), sd.HandlingAnswer{})
		first := a.Tested[0]
		first.Source.Title, first.Source.Where = said.Draw(t, "title"), said.Draw(t, "where")
		first.Default = &sd.Default{Chosen: true, Because: said.Draw(t, "because")}
		a.Tested[0], a.Author = first, said.Draw(t, "author")
		out, err := d.Draft(a)
		if err != nil {
			t.Fatal(err)
		}
		set, err := stability.Parse("draft.yaml", out.YAML)
		if err != nil {
			var m stability.Mistakes
			if errors.As(err, &m) {
				for _, one := range m {
					if one.Field == "file" {
						t.Fatalf("%v in\n%s", err, out.YAML)
					}
				}
			}
			return
		}
		clean := func(s string) string {
			return strings.TrimSpace(strings.Map(func(r rune) rune {
				if r < ' ' || r == 0x7f {
					return ' '
				}
				return r
			}, s))
		}
		if len(set.Rules) != 1 || set.Author != clean(a.Author) || set.Rules[0].Source.Title != clean(first.Source.Title) ||
			set.Rules[0].Source.Where != clean(first.Source.Where) || set.Rules[0].Because != clean(first.Default.Because) {
			t.Fatalf("%+v came from\n%s", set.Rules, out.YAML)
		}
	})
}

// Durations keep their length to the millisecond on the way into the file.
func TestDurationsKeepTheirLength(t *testing.T) {
	d := read(t, change(t, `,
   "maxDuration": {"value": 60, "system": "http://unitsofmeasure.org", "code": "min"}`, ""))
	rapid.Check(t, func(t *rapid.T) {
		ms := rapid.Int64Range(1, 3660*86_400_000).Draw(t, "ms") / rapid.SampledFrom([]int64{1, 1000, 60_000, 3_600_000}).Draw(t, "grain")
		ms = max(ms, 1) * rapid.SampledFrom([]int64{1, 1000}).Draw(t, "times")
		ms = min(ms, 3660*86_400_000)
		out, err := d.Draft(withHandling(answers(), sd.HandlingAnswer{Ms: ms}))
		if err != nil {
			t.Fatal(err)
		}
		set, err := stability.Parse("draft.yaml", out.YAML)
		if err != nil || set.Rules[0].Limits[0].Ms != ms {
			t.Fatalf("%d ms: %v in\n%s", ms, err, out.YAML)
		}
	})
}

// Whatever the bytes, Read answers: faults that each name a path and a remedy,
// or a definition whose draft is one that the parser of rule files can read, be
// it with mistakes.
func FuzzRead(f *testing.F) {
	f.Add([]byte(one))
	// Short seeds: the fuzzer spends its time on making long ones shorter.
	for _, seed := range []string{
		`<SpecimenDefinition xmlns="http://hl7.org/fhir"><typeTested><preference value="alternate"/></typeTested></SpecimenDefinition>`,
		`<SpecimenDefinition xmlns="http://hl7.org/fhir"><id value="a"/><typeTested><preference value="preferred"/><handling><temperatureRange><high><value value="8"/>` +
			`<system value="http://unitsofmeasure.org"/><code value="Cel"/></high></temperatureRange><instruction value="dark"/></handling></typeTested></SpecimenDefinition>`,
		`{"resourceType":"SpecimenDefinition","_status":{"extension":[{"url":"u"}]},"typeTested":[{"preference":"alternate","container":{"minimumVolumeString":"2"},"handling":[{"instruction":"# x"}]}]}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := sd.Read(data)
		if err != nil {
			var faults sd.Faults
			if !errors.As(err, &faults) || len(faults) == 0 {
				t.Fatalf("error is %T: %v", err, err)
			}
			for _, one := range faults {
				if one.Path == "" || one.Line < 1 || one.Column < 1 || one.Problem == "" || one.Remedy == "" || strings.Contains(one.String(), "\n") {
					t.Fatalf("%#v", one)
				}
			}
			return
		}
		out, err := d.Draft(sd.Answers{})
		if err != nil {
			return
		}
		_, err = stability.Parse("draft.yaml", out.YAML)
		var mistakes stability.Mistakes
		if !errors.As(err, &mistakes) {
			t.Fatalf("blanks give %v", err)
		}
		for _, m := range mistakes {
			if m.Field == "file" && !strings.Contains(m.Problem, "more mistakes") {
				t.Fatalf("%s in\n%s", m, out.YAML)
			}
		}
	})
}
