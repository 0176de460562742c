package deploy_test

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write LICENCES.md anew")

const licencesFile = "LICENCES.md"

// What Apache-2.0 can live with in a program, and beside it in tests.
var (
	inPrograms = []string{"Apache-2.0", "MIT", "BSD-3-Clause", "BSD-2-Clause", "ISC"}
	inTests    = append(slices.Clone(inPrograms), "MPL-2.0")
)

// module is one dependency with what its licence files say.
type module struct {
	Path, Version, Dir string
	Main               bool
	licence            string
	texts              []text
}

// text is one licence or notice of a module, as it stands in its file.
type text struct{ file, body string }

// licenceOf names the licences in a text by the words that only they have, as SPDX
// identifiers joined with "and".
func licenceOf(body string) (string, error) {
	words := strings.ToLower(strings.Join(strings.Fields(body), " "))
	has := func(s string) bool { return strings.Contains(words, s) }
	var found []string
	add := func(is bool, name string) {
		if is {
			found = append(found, name)
		}
	}
	redistribution := has("redistribution and use in source and binary forms")
	endorsement := has("neither the name") || has("names of its contributors may be used to endorse")
	add(has("permission is hereby granted, free of charge, to any person obtaining a copy of this software"), "MIT")
	add(has("apache license version 2.0") || has("apache license, version 2.0"), "Apache-2.0")
	add(redistribution && endorsement, "BSD-3-Clause")
	add(redistribution && !endorsement, "BSD-2-Clause")
	add(has("permission to use, copy, modify, and distribute this software for any purpose with or without fee") ||
		has("permission to use, copy, modify, and/or distribute this software for any purpose with or without fee"), "ISC")
	mpl := has("mozilla public license version 2.0") || has("mozilla public license, version 2.0")
	add(mpl, "MPL-2.0")
	// The Mozilla text names the others as secondary licences.
	add(!mpl && (has("gnu general public license") || has("gnu lesser general public license") || has("gnu affero general public license")), "GPL")
	if len(found) == 0 {
		return "", errors.New("no licence that this test knows; read it")
	}
	return strings.Join(found, " and "), nil
}

// The reader of licences must tell them apart. The texts are the distinguishing
// sentences of the SPDX licence list.
func TestLicenceOf(t *testing.T) {
	const use = "Redistribution and use in source and binary forms, with or without modification, are permitted"
	for body, want := range map[string]string{
		"Permission is hereby granted, free of charge, to any\nperson obtaining a copy of this software and": "MIT",
		"                Apache License\n          Version 2.0, January 2004":                                "Apache-2.0",
		use + "\n * Neither the name of the copyright holder":                                                "BSD-3-Clause",
		use: "BSD-2-Clause",
		"Permission to use, copy, modify, and/or distribute this software for any purpose\nwith or without fee is": "ISC",
		"Mozilla Public License Version 2.0\n\"Secondary License\" means either the GNU General Public License":    "MPL-2.0",
		"GNU GENERAL PUBLIC LICENSE\nVersion 2, June 1991":                                                         "GPL",
		"GNU LESSER GENERAL PUBLIC LICENSE":                                                                        "GPL",
		"All rights reserved.":                                                                                     "",
		"":                                                                                                         "",
	} {
		if got, err := licenceOf(body); got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v, want %q", body, got, err, want)
		}
	}
}

var licenceName = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents)(\.(txt|md))?$`)

// modules gives what "go list -deps" names, by path, for the platform that images
// are built for.
func modules(t *testing.T, args ...string) map[string]module {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-deps", "-json=Module"}, args...)...) //nolint:gosec // our own arguments
	cmd.Dir = ".."
	cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=amd64", "CGO_ENABLED=0")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list %q: %v", args, err)
	}
	found := map[string]module{}
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct{ Module *module }
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return found
		} else if err != nil {
			t.Fatal(err)
		}
		if p.Module != nil && !p.Module.Main {
			found[p.Module.Path] = *p.Module
		}
	}
}

// read fills in what the module's files say.
func (m *module) read(t *testing.T) {
	t.Helper()
	entries, err := os.ReadDir(m.Dir)
	if err != nil {
		t.Fatalf("%s: %v", m.Path, err)
	}
	for _, e := range entries {
		if e.IsDir() || !licenceName.MatchString(e.Name()) {
			continue
		}
		body := readFile(t, filepath.Join(m.Dir, e.Name()))
		m.texts = append(m.texts, text{e.Name(), strings.TrimSpace(strings.ReplaceAll(body, "\r\n", "\n"))})
		if upper := strings.ToUpper(e.Name()); strings.HasPrefix(upper, "NOTICE") || strings.HasPrefix(upper, "PATENTS") {
			continue
		}
		licence, err := licenceOf(body)
		if err != nil {
			t.Fatalf("%s: %s: %v", m.Path, e.Name(), err)
		}
		if m.licence != "" {
			licence = m.licence + " and " + licence
		}
		m.licence = licence
	}
	if m.licence == "" {
		t.Fatalf("%s has no licence file", m.Path)
	}
}

// vendored is what the pages serve that no module brings.
var vendored = []module{
	{Path: "idb (JavaScript)", Version: "8.0.4", Dir: "../internal/web/assets/vendor/idb"},
	{Path: "zxing-wasm (JavaScript and WebAssembly)", Version: "3.1.4", Dir: "../internal/web/assets/vendor/zxing"},
}

// LICENCES.md lists what the programs are made of, with the texts that must go with
// them, and what only tests use. Every licence is one that we can live with.
func TestLicences(t *testing.T) {
	// Read here, so that a change of them makes the test run again.
	readFile(t, "../go.mod")
	readFile(t, "../go.sum")
	linked := modules(t, "./cmd/...", "github.com/nats-io/nats-server/v2")
	others := modules(t, "-test", "./...")
	for path := range linked {
		delete(others, path)
	}
	for _, v := range vendored {
		linked[v.Path] = v
	}
	if len(linked) < 20 || len(others) < 3 {
		t.Fatalf("found %d and %d modules", len(linked), len(others))
	}
	licences := map[string]string{}
	check := func(set map[string]module, allowed []string) []module {
		var sorted []module
		for _, path := range slices.Sorted(maps.Keys(set)) {
			m := set[path]
			m.read(t)
			for _, one := range strings.Split(m.licence, " and ") {
				if !slices.Contains(allowed, one) {
					t.Errorf("%s is under %s, which is not one of %q", m.Path, one, allowed)
				}
			}
			licences[m.Path] = m.licence
			sorted = append(sorted, m)
		}
		return sorted
	}
	got := list(check(linked, inPrograms), check(others, inTests))
	if *update {
		if err := os.WriteFile(licencesFile, []byte(got), 0o644); err != nil { //nolint:gosec // everybody may read it
			t.Fatal(err)
		}
	}
	if want, err := os.ReadFile(licencesFile); err != nil || string(want) != got {
		t.Errorf("%s is not what go.mod gives (%v); run: go test ./deploy -run 'TestLicences$' -update", licencesFile, err)
	}
	agree(t, licences)
}

// list is the text of LICENCES.md.
func list(linked, others []module) string {
	var b strings.Builder
	b.WriteString("# Licences of what custodyd, scan and the nats-server image are made of\n\n" +
		"Written by `go test ./deploy -run 'TestLicences$' -update` from `go list` and the files of the modules; don't edit it.\n" +
		"The programs also hold the standard library of Go, under BSD-3-Clause in the words of golang.org/x/sys below.\n")
	table := func(title string, ms []module) {
		fmt.Fprintf(&b, "\n## %s\n\n| module | version | licence |\n|---|---|---|\n", title)
		for _, m := range ms {
			fmt.Fprintf(&b, "| %s | %s | %s |\n", m.Path, m.Version, m.licence)
		}
	}
	table("In the programs", linked)
	table("Only in tests and benchmarks", others)
	b.WriteString("\n## Texts of those in the programs\n")
	// One text that many share stands once.
	var order []string
	users := map[string][]string{}
	for _, m := range linked {
		for _, x := range m.texts {
			if users[x.body] == nil {
				order = append(order, x.body)
			}
			users[x.body] = append(users[x.body], m.Path+" ("+x.file+")")
		}
	}
	for _, body := range order {
		fmt.Fprintf(&b, "\n### %s\n\n~~~text\n%s\n~~~\n", strings.Join(users[body], ", "), body)
	}
	return b.String()
}

// agree compares with the table of direct dependencies that people keep by hand.
func agree(t *testing.T, licences map[string]string) {
	rows := 0
	for line := range strings.Lines(readFile(t, "../DEVELOPERS.md")) {
		cells := strings.Split(line, "|")
		if len(cells) != 5 {
			continue
		}
		path, _, _ := strings.Cut(strings.TrimSpace(cells[1]), ",")
		if licence, ok := licences[path]; ok {
			rows++
			if said := strings.TrimSpace(cells[3]); said != licence {
				t.Errorf("DEVELOPERS.md says %s of %s, its files %s", said, path, licence)
			}
		}
	}
	if rows < 10 {
		t.Errorf("found only %d dependencies in DEVELOPERS.md", rows)
	}
}
