// Package internal_test guards the layers of the module: who may import whom, and
// what the core may not see. It reads the sources itself, because a test that asks
// the go command would pass from the test cache after a forbidden import came in.
package internal_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "specimen.example/custody"

// layers lists the packages bottom up, named below internal/ (cmd/ by its full
// path). A package may import only from lines above its own in this list;
// neighbours on one line don't know each other, but for what neighbours says.
// "x/..." stands for the subpackages of x.
var layers = [][]string{
	{"event"},
	{"label", "custody", "thermal"},
	{"stability", "stability/library", "stability/ageing", "stability/vigil", "flags", "proof", "exchange/..."},
	{"story", "rehearsal", "spinload"},
	// Core line: above it in this list packages are pure.
	{"eventlog", "eventlog/...", "snapshot"},
	{"live", "intake"},
	{"seal", "notify"},
	{"auth", "identity"},
	{"web/printing"},
	{"api", "web"},
	{"app/rehearse", "config"},
	{"app"},
	{"app/demo"},
	{"cmd/custodyd", "cmd/scan", "bench", "web/gallery"},
}

// coreLayers is how many lines of layers lie above the core line.
const coreLayers = 4

// neighbours are the pairs of one line that may know each other: importer, imported.
var neighbours = [][2]string{
	{"stability/library", "stability"},
	{"stability", "stability/ageing"}, // rules tell what is followed on the clocks
	{"stability/vigil", "stability"},
	{"stability/vigil", "stability/ageing"},
	{"eventlog", "eventlog/..."},
	{"eventlog/...", "eventlog"},
	{"eventlog/...", "eventlog/..."},
	{"intake", "live"},
	{"rehearsal", "story"}, // a generated day speaks the story's words, so one bench plays both
}

// inTests are the pairs of which only tests may: what is drafted is read by the
// parser of rules, the judge is measured with the whole library, and the ageing
// clocks are held against the judge.
var inTests = [][2]string{
	{"exchange/specimendefinition", "stability"},
	{"stability", "stability/library"},
	{"stability/ageing", "stability"},
}

// measures are not products: like tests they start processes of what is measured.
var measures = []string{"bench"}

// testOnly packages stand outside the layers: tests of any package may import
// them, and nothing else may.
var testOnly = []string{"app/apptest", "eventlog/forgetfs", "eventlog/logtest", "web/browsertest", "web/printing/printtest"}

// world is what the core may not see: it gets facts and the time as arguments.
var world = []string{
	"context", "log", "log/slog", "math/rand", "math/rand/v2", "net", "net/http", "os",
	"sync", "sync/atomic", "unsafe",
}

// clock is what of package time would bring the wall clock or a timer into the core.
var clock = []string{
	"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker",
}

// fences say which packages alone may import what starts with a path.
var fences = []struct {
	prefix string
	only   []string
	say    string
}{
	{"github.com/nats-io", []string{"eventlog", "eventlog/...", "bench"}, "only eventlog talks to the stream; bench measures the raw limit beside it"},
	{"github.com/synadia-io", []string{"eventlog", "eventlog/...", "bench"}, "only eventlog talks to the stream; bench measures the raw limit beside it"},
	{module + "/proto/event", []string{"eventlog", "eventlog/...", "bench"}, "facts are Go types outside eventlog"},
	{module + "/proto/custody", []string{"api", "app", "app/...", "cmd/scan", "bench"}, "the API's messages end at its edge"},
	{module + "/proto/stability", []string{"api", "app", "app/...", "cmd/scan", "bench"}, "the API's messages end at its edge"},
	{"go.opentelemetry.io", []string{"eventlog", "live", "app"}, "a trace passes through the log and the judge; what sends it is app's"},
	{"github.com/boombuler", []string{"web/printing", "web/printing/..."}, "symbols are made in one place, whose tests read them back"},
	{"go.yaml.in/yaml", []string{"stability", "config", "web"}, "rule files, settings and the words of pages are the only YAML"},
}

func TestLayers(t *testing.T) {
	sources, err := readSources("..")
	if err != nil {
		t.Fatal(err)
	}
	if len(sources) < 10 {
		t.Fatalf("found only %d Go files under internal and cmd; the walk is broken", len(sources))
	}
	for _, fault := range check(sources) {
		t.Error(fault)
	}
}

// readSources gives the Go files below internal/ and cmd/ of the module at root,
// by their path from there.
func readSources(root string) (map[string]string, error) {
	sources := map[string]string{}
	tree := os.DirFS(root)
	for _, top := range []string{"internal", "cmd"} {
		err := fs.WalkDir(tree, top, func(name string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if d.IsDir() && d.Name() == "testdata" {
				return fs.SkipDir
			}
			if d.IsDir() || path.Ext(name) != ".go" || path.Dir(name) == "internal" {
				return nil
			}
			text, err := fs.ReadFile(tree, name)
			sources[name] = string(text)
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("reading sources: %w", err)
		}
	}
	return sources, nil
}

// check gives one sentence for each thing in sources that the layers forbid, in
// the order of the file names.
func check(sources map[string]string) []string {
	var faults []string
	for _, name := range slices.Sorted(maps.Keys(sources)) {
		from := strings.TrimPrefix(path.Dir(name), "internal/")
		file, err := parser.ParseFile(token.NewFileSet(), name, sources[name], parser.SkipObjectResolution)
		if err != nil {
			faults = append(faults, fmt.Sprintf("%s: %v", name, err))
			continue
		}
		if level(from) < 0 && !slices.Contains(testOnly, from) {
			faults = append(faults, fmt.Sprintf("%s: %s has no place in the layers; add it to the list in layers_test.go", name, from))
			continue
		}
		test := strings.HasSuffix(name, "_test.go")
		for _, spec := range file.Imports {
			to, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				faults = append(faults, fmt.Sprintf("%s: %v", name, err))
				continue
			}
			if why := forbidden(from, to, test); why != "" {
				faults = append(faults, fmt.Sprintf("%s: %s must not import %s: %s", name, from, to, why))
			}
		}
		if core(from) && !test {
			for _, what := range impure(file) {
				faults = append(faults, fmt.Sprintf("%s: %s must not use %s: the core gets the time as an argument and starts nothing", name, from, what))
			}
		}
	}
	return faults
}

// forbidden says why from may not import to, or "".
func forbidden(from, to string, test bool) string {
	for _, f := range fences {
		if within(to, f.prefix) && !slices.ContainsFunc(f.only, func(p string) bool { return matches(p, from) }) {
			return f.say
		}
	}
	if own, ok := strings.CutPrefix(to, module+"/"); ok {
		if strings.HasPrefix(own, "proto/") {
			return ""
		}
		return direction(from, strings.TrimPrefix(own, "internal/"), test)
	}
	if !core(from) || test {
		return ""
	}
	switch {
	case slices.Contains(world, to):
		return "the core sees no clock, network, goroutine or file"
	case to == "embed" && from != "stability/library":
		return "only the library of rules ships files"
	case strings.Contains(strings.Split(to, "/")[0], ".") && !within(to, "go.yaml.in/yaml"):
		return "the core stands on the standard library alone"
	}
	return ""
}

// direction says why one package of the module may not import another, or "".
func direction(from, to string, test bool) string {
	if from == to {
		return "" // an external test of its own package
	}
	if slices.Contains(testOnly, to) {
		if test || slices.Contains(testOnly, from) || slices.Contains(measures, from) {
			return ""
		}
		return "it serves tests only"
	}
	if slices.Contains(testOnly, from) && level(from) < 0 {
		return "" // browser tests and the like may use what they serve
	}
	below, at := level(to), level(from)
	switch {
	case below < 0:
		return "it has no place in the layers"
	case below < at:
		return ""
	case below > at && test && !core(from):
		return "" // a test above the core line may start the whole daemon
	case below > at:
		return "it lies in a higher layer"
	}
	pairs := neighbours
	if test {
		pairs = slices.Concat(neighbours, inTests)
	}
	for _, pair := range pairs {
		if matches(pair[0], from) && matches(pair[1], to) {
			return ""
		}
	}
	return "neighbours of one layer don't know each other"
}

// impure gives the clock calls and goroutines of a file.
func impure(file *ast.File) []string {
	var found []string
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			found = append(found, "a goroutine")
		case *ast.SelectorExpr:
			if pkg, ok := n.X.(*ast.Ident); ok && pkg.Name == "time" && slices.Contains(clock, n.Sel.Name) {
				found = append(found, "time."+n.Sel.Name)
			}
		}
		return true
	})
	return found
}

func core(pkg string) bool {
	l := level(pkg)
	return l >= 0 && l < coreLayers
}

// level is pkg's line in layers, or -1.
func level(pkg string) int {
	return slices.IndexFunc(layers, func(line []string) bool {
		return slices.ContainsFunc(line, func(p string) bool { return matches(p, pkg) })
	})
}

// matches tells whether pkg is meant by pattern, which may end in "/...".
func matches(pattern, pkg string) bool {
	if below, ok := strings.CutSuffix(pattern, "/..."); ok {
		return strings.HasPrefix(pkg, below+"/")
	}
	return pattern == pkg
}

// within tells whether an import path is prefix or lies below it.
func within(importPath, prefix string) bool {
	return importPath == prefix || strings.HasPrefix(importPath, prefix+"/")
}

// The guard itself must bite: each source breaks one rule, or none.
func TestCheckBites(t *testing.T) {
	const own = module + "/internal/"
	for _, c := range []struct {
		name, file, imports, body, want string
	}{
		{"core sees files", "internal/custody/a.go", "os", "", "no clock, network"},
		{"core sees locks", "internal/flags/a.go", "sync/atomic", "", "no clock, network"},
		{"core's test may", "internal/custody/a_test.go", "os", "", ""},
		{"core leaves the module", "internal/label/a.go", "golang.org/x/text/width", "", "standard library alone"},
		{"core's test may leave it", "internal/label/a_test.go", "pgregory.net/rapid", "", ""},
		{"stability reads YAML", "internal/stability/a.go", "go.yaml.in/yaml/v3", "", ""},
		{"another reads YAML", "internal/custody/a.go", "go.yaml.in/yaml/v3", "", "the only YAML"},
		{"library embeds", "internal/stability/library/a.go", "embed", "", ""},
		{"another embeds", "internal/story/a.go", "embed", "", "ships files"},
		{"clock in the core", "internal/thermal/a.go", "time", "var x = time.Now", "time.Now"},
		{"goroutine in the core", "internal/thermal/a.go", "time", "func f() { go f() }", "a goroutine"},
		{"time as a value", "internal/thermal/a.go", "time", "var x time.Time", ""},
		{"clock above the core", "internal/live/a.go", "time", "var x = time.Now", ""},
		{"upwards", "internal/event/a.go", own + "custody", "", "higher layer"},
		{"upwards in a test", "internal/event/a_test.go", own + "custody", "", "higher layer"},
		{"downwards", "internal/flags/a.go", own + "thermal", "", ""},
		{"neighbours", "internal/api/a.go", own + "web", "", "neighbours"},
		{"neighbours that may", "internal/intake/a.go", own + "live", "", ""},
		{"and not back", "internal/live/a.go", own + "intake", "", "neighbours"},
		{"library knows stability", "internal/stability/library/a.go", own + "stability", "", ""},
		{"but in a test", "internal/stability/a_test.go", own + "stability/library", "", ""},
		{"stability ignores library", "internal/stability/a.go", own + "stability/library", "", "neighbours"},
		{"a family", "internal/eventlog/memlog/a.go", own + "eventlog/wire", "", ""},
		{"test package in a test", "internal/web/a_test.go", own + "web/browsertest", "", ""},
		{"test package in a program", "internal/web/a.go", own + "web/browsertest", "", "serves tests only"},
		{"conformance test below", "internal/story/a_test.go", own + "eventlog/logtest", "", ""},
		{"stream outside eventlog", "internal/live/a.go", "github.com/nats-io/nats.go", "", "talks to the stream"},
		{"stream inside", "internal/eventlog/a.go", "github.com/nats-io/nats.go", "", ""},
		{"stored form outside", "internal/live/a_test.go", module + "/proto/event/v1", "", "Go types outside"},
		{"API messages inside", "internal/intake/a.go", module + "/proto/custody/v1", "", "at its edge"},
		{"API messages at the edge", "cmd/scan/a.go", module + "/proto/stability/v1", "", ""},
		{"unlisted", "internal/util/a.go", "fmt", "", "no place"},
		{"unlisted subpackage", "internal/web/parts/a.go", "fmt", "", "no place"},
		{"unlisted import", "internal/app/a.go", own + "util", "", "no place"},
		{"commands know all", "cmd/custodyd/a.go", own + "app", "", ""},
		{"nobody knows commands", "internal/app/a.go", module + "/cmd/scan", "", "higher layer"},
		{"not Go", "internal/event/a.go", "fmt", "func (", "expected"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := fmt.Sprintf("package p\nimport _ %q\n%s\n", c.imports, c.body)
			got := check(map[string]string{c.file: text})
			switch {
			case c.want == "" && len(got) > 0:
				t.Errorf("want no fault, got %q", got)
			case c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want)):
				t.Errorf("want one fault with %q, got %q", c.want, got)
			}
		})
	}
}
