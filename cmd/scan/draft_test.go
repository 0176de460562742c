package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/exchange/specimendefinition"
)

// official is the official example of HL7 FHIR; see README.md beside it.
const official = "../../internal/exchange/specimendefinition/testdata/serum-plasma-r5.xml"

// drafted runs scan rules draft on a resource with answers.
func drafted(t *testing.T, resource, answers string, options ...string) (code int, out, errs string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "answers.json")
	if err := os.WriteFile(file, []byte(answers), 0o600); err != nil {
		t.Fatal(err)
	}
	var o, e bytes.Buffer
	code = run(t.Context(), append([]string{"rules", "draft", resource, "--answers", file}, options...), strings.NewReader(""), &o, &e)
	return code, o.String(), strings.ReplaceAll(e.String(), file, "answers.json")
}

// What --help shows of answers is complete: the draft with them has no mistake.
func TestAnswersOfTheHelpHold(t *testing.T) {
	var help bytes.Buffer
	if code := run(t.Context(), []string{"rules", "draft", "--help"}, nil, &help, &help); code != exitDone || !strings.Contains(help.String(), answersExample) {
		t.Fatalf("exit code %d, help %s", code, help.String())
	}
	code, yaml, errs := drafted(t, official, answersExample)
	if code != exitDone || !strings.Contains(errs, "no blank is left; read") {
		t.Fatalf("exit code %d, errors %s", code, errs)
	}
	for _, want := range []string{"id: glu-2364-1", "author: lena", "filled-to-the-mark: yes", "band: [15.00, 25.00]", "limit: 60m", "year: 2026"} {
		if !strings.Contains(yaml, want) {
			t.Errorf("no %q in\n%s", want, yaml)
		}
	}
	for _, want := range []string{"handling[1]: 2 °C to 8 °C; left out by the laboratory: we don't chill it", "typeTested[1]: Plasma specimen; left out by the laboratory: no plasma here"} {
		if !strings.Contains(errs, want) {
			t.Errorf("no %q in\n%s", want, errs)
		}
	}
	file := filepath.Join(t.TempDir(), "draft.yaml")
	if err := os.WriteFile(file, []byte(yaml), 0o600); err != nil {
		t.Fatal(err)
	}
	var checked bytes.Buffer
	if code := run(t.Context(), []string{"rules", "check", file}, nil, &checked, &checked); code != exitDone || !strings.Contains(checked.String(), "set ours version 1 with 1 limit and 0 waits") {
		t.Errorf("exit code %d: %s", code, checked.String())
	}
}

// Each wrong answer is told with its line, column, field and remedy, and no
// draft is made.
func TestWrongAnswersAreNamed(t *testing.T) {
	for _, c := range []struct{ name, answers, want string }{
		{"nothing", "", "answers.json:1:1: answers: is not JSON: unexpected end of JSON input"},
		{"half", `{"set": {`, "answers.json:1:9: answers: is not JSON: unexpected end"},
		{"not JSON", "{\n \"set\": yes}", "answers.json:2:9: answers: is not JSON"},
		{"no comma", `{"tests": [] "set": {}}`, "answers.json:1:14: answers: is not JSON"},
		{"no object", "[]", "answers.json:1:1: answers: is no object; write keys"},
		{"two", "{}\n{}", "answers.json:2:1: answers: is not JSON: invalid character"},
		{"not UTF-8", "{\"set\": {\"name\": \"\xff\"}}", "answers.json:1:1: answers: is not UTF-8"},
		{"unknown key", "{\n  \"sets\": {\"name\": [1, {}]}}", "answers.json:2:3: sets: is no key of the answers; use one of set, tests, typeTested"},
		{"unprintable key", `{"\u001b[2J": 1}`, `"\x1b[2J": is no key`},
		{"deep unknown key", `{"typeTested": [{}, {"source": {"titel": "x"}}]}`, "answers.json:1:33: typeTested[1].source.titel: is no key of the answers; use one of address, seen, title, where, year"},
		{"twice", `{"set": {"name": "a",` + "\n" + `"name": "b"}}`, "answers.json:2:1: set.name: stands twice"},
		{"number as text", `{"set": {"name": 7}}`, "answers.json:1:18: set.name: is no text; write it in quotes"},
		{"null", `{"set": {"author": null}}`, "answers.json:1:20: set.author: is no text"},
		{"object as text", `{"set": {"author": {"name": ["lena"]}}}`, "answers.json:1:20: set.author: is no text"},
		{"version 0", `{"set": {"version": 0}}`, "answers.json:1:21: set.version: is no whole number from 1"},
		{"version as text", `{"set": {"version": "1"}}`, "set.version: is no whole number from 1"},
		{"version 1.5", `{"set": {"version": 1.5}}`, "set.version: is no whole number from 1"},
		{"year", `{"typeTested": [{"source": {"year": 20266}}]}`, "typeTested[0].source.year: is no whole number from 1; write 1 to 9999"},
		{"no list", `{"tests": {"code": "K"}}`, "answers.json:1:11: tests: is no list; write it in square brackets"},
		{"tube", `{"typeTested": [{"tubes": ["A", 1]}]}`, "answers.json:1:33: typeTested[0].tubes[1]: is no text"},
		{"blank reason", `{"typeTested": [{"leave-out": " "}]}`, "typeTested[0].leave-out: is blank; say why"},
		{"condition", `{"typeTested": [{"condition": {"on-ice": "yes"}}]}`, "typeTested[0].condition.on-ice: is neither true nor false"},
		{"not chosen", `{"typeTested": [{"default": {"because": "x"}}]}`, "answers.json:1:29: typeTested[0].default.chosen: is missing"},
		{"time", `{"typeTested": [{"handling": [{"limit": "90"}]}]}`, "answers.json:1:41: typeTested[0].handling[0].limit: is no length of time"},
		{"no time", `{"typeTested": [{"handling": [{"limit": "0s"}]}]}`, "limit: is no length of time"},
		{"two units", `{"typeTested": [{"handling": [{"limit": "1mh"}]}]}`, "limit: is no length of time"},
		{"ten years", `{"typeTested": [{"handling": [{"limit": "3661d"}]}]}`, "limit: is no length of time"},
		{"time as number", `{"typeTested": [{"handling": [{"limit": 90}]}]}`, "limit: is no length of time"},
		{"one end", `{"typeTested": [{"handling": [{"band": [2]}]}]}`, "answers.json:1:40: typeTested[0].handling[0].band: doesn't have two ends"},
		{"off the grid", `{"typeTested": [{"handling": [{"band": [2, 8.005]}]}]}`, "answers.json:1:44: typeTested[0].handling[0].band[1]: is no temperature of a tube"},
		{"exponent", `{"typeTested": [{"handling": [{"band": [2, 8e0]}]}]}`, "band[1]: is no temperature of a tube"},
		{"too hot", `{"typeTested": [{"handling": [{"band": [2, 150.01]}]}]}`, "band[1]: is no temperature of a tube"},
		{"two mistakes", `{"set": {"name": 7}, "tests": 1}`, "2 mistakes; no draft is made"},

		// Sound JSON that doesn't go with the resource is placed too.
		{"a third specimen", "{\"typeTested\": [{}, {},\n  {}]}", "answers.json:2:3: SpecimenDefinition.typeTested[2]: is answered but not in the resource"},
		{"a third handling", `{"typeTested": [{"handling": [{}, {}, {}]}]}`, "answers.json:1:39: SpecimenDefinition.typeTested[0].handling[2]: is answered but not"},
		{"a time that is given", `{"typeTested": [{"handling": [{"limit": "90m"}]}]}`, "answers.json:1:32: SpecimenDefinition.typeTested[0].handling[0].maxDuration: is in the resource and answered too"},
		{"a range that is given", `{"typeTested": [{"handling": [{}, {"band": [2, 8]}]}]}`, "answers.json:1:36: SpecimenDefinition.typeTested[0].handling[1].temperatureRange: is in the resource and answered too"},
		{"a rate", `{"typeTested": [{"evidence": "rate"}]}`, "answers.json:1:17: SpecimenDefinition.typeTested[0].handling: a longest time is no evidence"},
		{"nothing left", `{"typeTested": [{"leave-out": "x"}, {"leave-out": "x"}]}`, "serum-plasma-r5.xml:1:1: SpecimenDefinition.typeTested: has no handling"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, out, errs := drafted(t, official, c.answers)
			if code != exitRefused || out != "" || !strings.Contains(errs, c.want) || !strings.Contains(errs, "no draft is made") {
				t.Errorf("exit code %d, output %q, errors %s\nwant %s", code, out, errs, c.want)
			}
		})
	}
}

// A file of another kind gives a bounded report.
func TestWrongAnswersAreBounded(t *testing.T) {
	_, _, errs := drafted(t, official, `{"tests": [`+strings.Repeat("1,", 5000)+`1]}`)
	if got := strings.Count(errs, "\n"); got != mostAnswerMistakes+1 {
		t.Errorf("%d lines", got)
	}
	if code, _, errs := drafted(t, official, strings.Repeat(" ", specimendefinition.MaxBytes)+"{}"); code != exitRefused || !strings.Contains(errs, "give answers of at most 1 MiB") {
		t.Errorf("exit code %d, errors %s", code, errs)
	}
}

// A band and a time that the resource leaves open come from the answers.
func TestAnswersFillARow(t *testing.T) {
	text, err := os.ReadFile(strings.TrimSuffix(official, "xml") + "json")
	if err != nil {
		t.Fatal(err)
	}
	var resource map[string]any
	if err := json.Unmarshal(text, &resource); err != nil {
		t.Fatal(err)
	}
	handling := resource["typeTested"].([]any)[0].(map[string]any)["handling"].([]any)
	delete(handling[0].(map[string]any), "temperatureRange")
	delete(handling[1].(map[string]any), "maxDuration")
	file := filepath.Join(t.TempDir(), "open.json")
	if text, err = json.Marshal(resource); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	open := strings.Replace(answersExample, `[{}, {"leave-out": "we don't chill it"}]`, `[{}, {}]`, 1)
	if code, _, errs := drafted(t, file, open); code != exitDone || !strings.Contains(errs, "\n2 blanks: ") || strings.Contains(errs, "mistake") {
		t.Errorf("exit code %d, errors %s", code, errs)
	}
	filled := strings.Replace(open, `[{}, {}]`, `[{"band": [15.25, 25]}, {"limit": "1.5h"}]`, 1)
	code, yaml, errs := drafted(t, file, filled)
	if code != exitDone || !strings.Contains(errs, "no blank is left; read") || !strings.Contains(yaml, "band: [15.25, 25.00]") || !strings.Contains(yaml, "limit: 90m") {
		t.Errorf("exit code %d, errors %s, draft %s", code, errs, yaml)
	}
}

// A word that no rule file knows is told with its place in the draft.
func TestWrongWordsAreMistakesOfTheDraft(t *testing.T) {
	answers := strings.Replace(answersExample, `"unspun"`, `"unspunn"`, 1)
	code, _, errs := drafted(t, official, answers)
	if code != exitDone || !strings.Contains(errs, "mistake  draft:") || !strings.Contains(errs, "rules.glu-2364-1.state") || !strings.Contains(errs, "no blank is left, but 1 mistake") {
		t.Errorf("exit code %d, errors %s", code, errs)
	}
	code, out, errs := drafted(t, official, answers, "--json")
	if code != exitDone || errs != "" || !strings.Contains(out, `{"kind":"mistake","file":"draft",`) {
		t.Errorf("exit code %d, output %s, errors %s", code, out, errs)
	}
}

// Whatever the bytes, reading ends with answers or with mistakes that each name
// a place, a field and a remedy on one line.
func TestAnswersNeverBreak(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := []byte(answersExample)
		for range rapid.IntRange(1, 4).Draw(t, "changes") {
			at := rapid.IntRange(0, len(data)-1).Draw(t, "at")
			piece := rapid.SampledFrom([]string{"", "{", "}", "[", "]", "\"", ",", ":", "null", "1e9", "\\", "\n", "\x00", "ü", "{\"a\":[{}]}"}).Draw(t, "piece")
			until := min(at+rapid.IntRange(0, 12).Draw(t, "cut"), len(data))
			data = append(append(append([]byte{}, data[:at]...), piece...), data[until:]...)
			if len(data) == 0 {
				break
			}
		}
		r := &answersReader{file: "a", data: data}
		r.read()
		if len(r.found) == 0 && !json.Valid(data) {
			t.Fatalf("%q is read without a mistake", data)
		}
		for _, m := range r.found {
			if m.Line < 1 || m.Column < 1 || m.Field == "" || m.Problem == "" || m.Remedy == "" || strings.ContainsAny(m.String(), "\n\x00") {
				t.Fatalf("%#v", m)
			}
		}
	})
}
