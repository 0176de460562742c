package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"specimen.example/custody/internal/exchange/specimendefinition"
	"specimen.example/custody/internal/stability"
)

// answersExample is what --help shows of --answers; a test drafts with it.
const answersExample = `  {"set": {"name": "ours", "version": 1, "author": "lena"},
   "tests": [{"code": "GLU", "loinc": "2345-7", "name": "glucose"}],
   "typeTested": [
     {"tubes": ["SERUM-GEL"], "state": "unspun", "from": "draw", "until": "spun",
      "combine": "sum", "condition": {"filled-to-the-mark": true},
      "direction": {"time": "low"}, "evidence": "policy", "critical": false,
      "source": {"title": "our handbook", "year": 2026, "where": "section 4",
                 "address": "http://lab.example/handbook", "seen": "direct"},
      "default": {"chosen": true, "because": "our own policy"},
      "handling": [{}, {"leave-out": "we don't chill it"}]},
     {"leave-out": "no plasma here"}]}`

func (t *tool) draftCommand() *cobra.Command {
	answers, out := "", ""
	cmd := &cobra.Command{
		Use:   "draft FILE",
		Short: "Draft a rule file from a FHIR SpecimenDefinition",
		Long: `Draft a rule file from an HL7 FHIR SpecimenDefinition, R4 or R5, in JSON or XML.
Its temperatures and longest times become limits. What FHIR has no element for stays
blank in the draft and is listed on standard error, with every element that is not
used. Fill the blanks in, in the draft or with --answers, then use scan rules check.
The file is only read; no server is needed.

--answers names a JSON file. Its keys are those of a rule file; every key may be
left out. Items of typeTested and of handling stand in the order of the resource; {}
answers nothing.

` + answersExample + `

An item of handling takes "band": [2.00, 8.00] in degrees C and "limit": "90m" (s, m,
h or d), each only where the resource doesn't give it. "leave-out" says why no limit
is made of an item.

With --json the first line holds the draft, the others a question, an element that is
not used or a mistake in the draft.`,
		Example: `  scan rules draft definition.json --out our-limits.yaml
  scan rules draft definition.xml --answers answers.json --out our-limits.yaml`,
		Args: exactly(1, "one SpecimenDefinition, for example: scan rules draft definition.json"),
		RunE: func(_ *cobra.Command, args []string) error {
			if args[0] == "-" && answers == "-" {
				return usagef("FILE and --answers can't both be standard input; name a file for one of them")
			}
			return t.draftRules(args[0], answers, out)
		},
	}
	cmd.Flags().StringVar(&answers, "answers", "", "JSON file with what the resource doesn't say")
	cmd.Flags().StringVar(&out, "out", "", "file to write the draft to, which must not exist (standard output)")
	return cmd
}

func (t *tool) draftRules(file, answersFile, out string) error {
	data, err := t.read(file)
	if err != nil {
		return err
	}
	said := &answersReader{file: answersFile}
	if answersFile != "" {
		if said.data, err = t.read(answersFile); err != nil {
			return err
		}
	}
	definition, err := specimendefinition.Read(data)
	mistakes := faultsAsMistakes(file, err)
	answers := specimendefinition.Answers{}
	if answersFile != "" {
		answers = said.read()
		mistakes = append(mistakes, said.found...)
	}
	if len(mistakes) > 0 {
		return t.refuseDraft(mistakes)
	}
	draft, err := definition.Draft(answers)
	if err != nil {
		return t.refuseDraft(said.locate(file, faultsAsMistakes(file, err)))
	}
	if out == "" {
		return t.showDraft(file, out, draft)
	}
	if err := writeNew(out, draft.YAML); err != nil {
		return err
	}
	return t.showDraft(file, out, draft)
}

// faultsAsMistakes gives the faults of a resource the form that all mistakes of
// scan rules have.
func faultsAsMistakes(file string, err error) stability.Mistakes {
	var faults specimendefinition.Faults
	if !errors.As(err, &faults) {
		return nil
	}
	out := make(stability.Mistakes, len(faults))
	for i, f := range faults {
		out[i] = stability.Mistake{File: file, Line: f.Line, Column: f.Column, Field: f.Path, Problem: f.Problem, Remedy: f.Remedy}
	}
	return out
}

// refuseDraft tells the mistakes on standard error, because standard output is
// the draft; with --json each is an object on standard output.
func (t *tool) refuseDraft(mistakes stability.Mistakes) error {
	for _, m := range mistakes {
		if !t.json {
			t.sayf("%s", m)
		} else if err := t.object(mistake(m)); err != nil {
			return err
		}
	}
	if !t.json {
		t.sayf("%s; no draft is made", many(len(mistakes), "mistake"))
	}
	return told(exitRefused)
}

// writeNew writes a file that is not there yet: a rule file or a story may hold work
// that a draft must not replace.
func writeNew(name string, data []byte) error {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	switch {
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s is there already and stays as it is; name another file", name)
	case err != nil:
		return coded{exitUsage, err}
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(name)) // half a draft would look like a whole one
	}
	return nil
}

// The lines of JSON that a draft gives.
type (
	draftLine struct {
		Kind string `json:"kind"` // draft
		File string `json:"file"`
		Out  string `json:"out,omitempty"`
		YAML string `json:"yaml"`
	}
	questionLine struct {
		Kind   string `json:"kind"` // question
		Path   string `json:"path"`
		Key    string `json:"key"`
		Ask    string `json:"ask"`
		Blocks bool   `json:"blocks"`
	}
	unusedLine struct {
		Kind  string `json:"kind"` // unused
		Path  string `json:"path"`
		Value string `json:"value"`
		Why   string `json:"why"`
		Kept  bool   `json:"kept"`
	}
	mistakeLine struct {
		Kind string `json:"kind"` // mistake
		mistake
	}
)

func (t *tool) showDraft(file, out string, draft *specimendefinition.Draft) error {
	mistakes := mistakesOf(cmp.Or(out, "draft"), draft)
	if t.json {
		lines := []any{draftLine{"draft", file, out, string(draft.YAML)}}
		for _, q := range draft.Questions {
			lines = append(lines, questionLine{"question", q.Path, q.Key, q.Ask, q.Blocks})
		}
		for _, u := range draft.Unused {
			lines = append(lines, unusedLine{"unused", u.Path, u.Value, u.Why, u.Kept})
		}
		for _, m := range mistakes {
			lines = append(lines, mistakeLine{"mistake", mistake(m)})
		}
		for _, line := range lines {
			if err := t.object(line); err != nil {
				return err
			}
		}
		return nil
	}
	if out == "" {
		if _, err := t.out.Write(draft.YAML); err != nil {
			return err
		}
	}
	p := &page{}
	draftPage(p, out, draft, mistakes)
	_, err := io.Copy(t.errs, &p.Buffer)
	return err
}

// mistakesOf gives what the reader of rule files finds in a draft, but for the
// blanks, which the questions name.
func mistakesOf(name string, draft *specimendefinition.Draft) stability.Mistakes {
	_, err := stability.Parse(name, draft.YAML)
	var found, out stability.Mistakes
	if !errors.As(err, &found) {
		return nil
	}
	var blanks []string
	for _, q := range draft.Questions {
		if q.Blocks {
			blanks = append(blanks, q.Key)
		}
	}
	for _, m := range found {
		if !slices.ContainsFunc(blanks, func(key string) bool { return isBlank(m.Field, key) }) {
			out = append(out, m)
		}
	}
	return out
}

// isBlank tells whether a field of the reader of rule files is a blank key. A row
// has no number in a key, and a row without its time is named as a whole:
// limits[1].band is limits.band, limits[2] may be limits.limit.
func isBlank(field, key string) bool {
	before, rest, row := strings.Cut(field, "[")
	if !row {
		return field == key
	}
	_, after, _ := strings.Cut(rest, "]")
	return key == before+after || after == "" && strings.HasPrefix(key, before+".")
}

// draftPage tells people what a draft leaves out, asks and holds wrongly; what is
// to be done stands last, where a terminal shows it.
func draftPage(p *page, out string, draft *specimendefinition.Draft, mistakes stability.Mistakes) {
	line := func(head, text string) { p.linef("%-9s%s", head, text) }
	for _, u := range draft.Unused {
		if u.Kept {
			line("comment", u.Path+": "+u.Value)
		}
	}
	for _, u := range draft.Unused {
		if !u.Kept {
			line("unused", u.Path+": "+u.Value+"; "+u.Why)
		}
	}
	blanks := 0
	for _, q := range draft.Questions {
		head := "open"
		if q.Blocks {
			head = "blank"
			blanks++
		}
		line(head, q.Key+": "+q.Ask+" ("+q.Path+")")
	}
	for _, m := range mistakes {
		line("mistake", m.String())
	}
	where := cmp.Or(out, "the draft")
	if out != "" {
		p.linef("the draft stands in %s", out)
	}
	switch {
	case blanks > 0:
		p.linef("%s: fill them in, in %s or with --answers; scan rules check will name each", many(blanks, "blank"), where)
	case len(mistakes) > 0:
		p.linef("no blank is left, but %s: correct the answers or %s", many(len(mistakes), "mistake"), where)
	default:
		p.linef("no blank is left; read %s, then try it with scan rules check", where)
	}
}
