package main

import (
	"bytes"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/config"
)

// The texts that people copy commands from, and the root of the module from here.
var readmes = []string{"README.md", "DEVELOPERS.md"}

const moduleRoot = "../.."

// Every command that README and DEVELOPERS show names a target, command, option,
// path, package and test that exist; every rule file, story and setting they show
// is accepted. The commands themselves are not run: some build for minutes.
func TestReadmeCommandsExist(t *testing.T) {
	makefile := readText(t, "Makefile")
	daemonOptions := optionsOfCustodyd(t)
	tests := testNames(t)
	for _, name := range readmes {
		text, shown := readText(t, name), [][]string(nil)
		for _, b := range blocks(text) {
			if b.kind != "sh" {
				continue
			}
			shown = append(shown, commands(b.text)...)
		}
		for _, m := range inText.FindAllStringSubmatch(text, -1) {
			if first, _, more := strings.Cut(m[1], " "); more && slices.Contains([]string{"make", "go", "scan", "custodyd"}, first) {
				shown = append(shown, commands(m[1])...)
			}
		}
		if len(shown) < 5 {
			t.Errorf("found only %d commands in %s; the test reads it wrongly", len(shown), name)
		}
		for _, c := range shown {
			if why := fault(t, c, makefile, daemonOptions, tests); why != "" {
				t.Errorf("%s shows %q: %s", name, strings.Join(c, " "), why)
			}
		}
	}
}

// inText is what a text sets as code within a line.
var inText = regexp.MustCompile("`([^`\n]+)`")

// fault says what in a command does not exist, or "".
func fault(t *testing.T, words []string, makefile string, daemonOptions, tests []string) string {
	t.Helper()
	for _, w := range words {
		// deploy/secrets is what secrets.sh makes.
		if strings.HasPrefix(w, "deploy/") && w != "deploy/secrets" {
			if why := missing(w); why != "" {
				return why
			}
		}
	}
	switch name := strings.TrimPrefix(words[0], ".bin/"); name {
	case "make":
		for _, w := range words[1:] {
			if strings.Contains(w, "=") {
				w, _, _ = strings.Cut(w, "=")
				if !strings.Contains(makefile, "("+w+")") {
					return "the Makefile has no variable " + w
				}
			} else if !strings.Contains(makefile, "\n"+w+":") {
				return "the Makefile has no target " + w
			}
		}
	case "custodyd":
		for _, w := range words[1:] {
			if option, is := strings.CutPrefix(w, "--"); is && !slices.Contains(daemonOptions, option) {
				return "custodyd has no option --" + option
			}
		}
	case "scan":
		return faultOfScan(words[1:])
	case "go":
		return faultOfGo(words[1:], tests)
	case "curl":
		return faultOfPath(t, words[1:])
	case "sudo", "head", "for", "do", "done", "chmod", "docker", "printf", "scp", "sed", "tar":
	default:
		if _, err := os.Stat(filepath.Join(moduleRoot, name)); err != nil || !strings.Contains(name, "/") {
			return "this test doesn't know the command " + name
		}
	}
	return ""
}

func faultOfScan(words []string) string {
	cmd, rest, err := (&tool{}).command().Find(words)
	if err != nil {
		return err.Error()
	}
	if !cmd.Runnable() {
		return "it is no command by itself"
	}
	for _, w := range rest {
		option, is := strings.CutPrefix(w, "--")
		option, _, _ = strings.Cut(option, "=")
		if is && option != "help" && cmd.Flags().Lookup(option) == nil && cmd.InheritedFlags().Lookup(option) == nil {
			return cmd.CommandPath() + " has no option --" + option
		}
	}
	if cmd.Name() == "record" && rest[0] != "--help" && !slices.Contains(strings.Fields(verbsOf(cmd)), rest[0]) {
		return rest[0] + " is no step"
	}
	return missingFile(rest)
}

func verbsOf(cmd *cobra.Command) string {
	_, list, _ := strings.Cut(cmd.Long, "Steps: ")
	return list
}

func faultOfGo(words, tests []string) string {
	for i, w := range words {
		switch {
		case (w == "-run" || w == "-fuzz" || w == "-bench") && i+1 < len(words):
			top, _, _ := strings.Cut(strings.Trim(words[i+1], "'"), "/")
			want, err := regexp.Compile(top)
			if err != nil {
				return err.Error()
			}
			if top != "^$" && !slices.ContainsFunc(tests, want.MatchString) {
				return "no test is named " + words[i+1]
			}
		case strings.HasPrefix(w, "./"):
			if why := missing(strings.TrimSuffix(w, "/...")); why != "" {
				return why
			}
		}
	}
	return ""
}

// faultOfPath looks the path of a call up in the description of the API, and
// among the paths outside it.
func faultOfPath(t *testing.T, words []string) string {
	t.Helper()
	var described struct {
		Paths map[string]json.RawMessage `json:"paths"`
	}
	if err := json.Unmarshal(api.OpenAPI, &described); err != nil {
		t.Fatal(err)
	}
	outside := []string{"/healthz", "/readyz", "/metrics", "/openapi.json", "/docs", "/wall"}
	for _, w := range words {
		_, address, is := strings.Cut(strings.Trim(w, "'"), "://")
		if !is {
			continue
		}
		_, rest, _ := strings.Cut(address, "/")
		asked, _, _ := strings.Cut("/"+rest, "?")
		if slices.Contains(outside, asked) {
			return ""
		}
		for pattern := range described.Paths {
			if ok, _ := path.Match(regexp.MustCompile(`\{[^}]*\}`).ReplaceAllString(pattern, "*"), asked); ok {
				return ""
			}
		}
		return "the API has no path " + asked
	}
	return "it names no address"
}

func missingFile(words []string) string {
	for _, w := range words {
		if strings.HasPrefix(w, "testdata/") {
			if found, _ := filepath.Glob(filepath.Join(moduleRoot, w)); len(found) == 0 {
				return "there is no " + w
			}
		}
	}
	return ""
}

func missing(name string) string {
	if _, err := os.Stat(filepath.Join(moduleRoot, name)); err != nil {
		return "there is no " + name
	}
	return ""
}

// What the texts name in passing must exist too: files, packages and tests.
func TestReadmeNamesWhatIsThere(t *testing.T) {
	tests := testNames(t)
	aPath := regexp.MustCompile(`^(internal|cmd|proto|deploy|testdata|tools|\.ci)(/[A-Za-z0-9_.*-]+)*/?$`)
	aTest := regexp.MustCompile(`^(Test|Fuzz|Benchmark)[A-Z]\w*$`)
	for _, name := range readmes {
		text := readText(t, name)
		for _, m := range inText.FindAllStringSubmatch(text, -1) {
			switch word := m[1]; {
			case aPath.MatchString(word):
				if found, _ := filepath.Glob(filepath.Join(moduleRoot, word)); len(found) == 0 {
					t.Errorf("%s names %s, which is not there", name, word)
				}
			case aTest.MatchString(word):
				if !slices.Contains(tests, word) {
					t.Errorf("%s names the test %s, which is not there", name, word)
				}
			}
		}
	}
	if text := readText(t, "README.md"); !strings.Contains(text, "`volume`") {
		t.Error("README.md has no table of settings any more")
	} else {
		settings := reflect.TypeFor[config.Settings]()
		for i := range settings.NumField() {
			if key := settings.Field(i).Tag.Get("yaml"); !strings.Contains(text, "`"+key+"`") {
				t.Errorf("README.md doesn't tell of the setting %s", key)
			}
		}
	}
}

// The examples of stories and rule files in the texts hold.
func TestReadmeExamplesHold(t *testing.T) {
	dir := t.TempDir()
	fixture := readText(t, "testdata/stories/fixture.yaml")
	if err := os.WriteFile(filepath.Join(dir, "fixture.yaml"), []byte(fixture), 0o600); err != nil {
		t.Fatal(err)
	}
	stories, rules := 0, 0
	for _, b := range blocks(readText(t, "README.md")) {
		file := filepath.Join(dir, "readme."+b.kind)
		args := []string{"rehearse", file}
		switch b.kind {
		case "story":
			stories++
		case "yaml":
			rules++
			args = []string{"rules", "check", file}
		default:
			continue
		}
		if err := os.WriteFile(file, []byte(b.text), 0o600); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if code := run(t.Context(), args, strings.NewReader(""), &out, &out); code != exitDone {
			t.Errorf("scan %s ends with %d:\n%s\n%s", strings.Join(args[:len(args)-1], " "), code, out.String(), b.text)
		}
	}
	if stories == 0 || rules == 0 {
		t.Errorf("README.md shows %d stories and %d rule files; the test reads it wrongly", stories, rules)
	}
}

// block is a fenced block of a text.
type block struct{ kind, text string }

func blocks(text string) []block {
	var out []block
	for _, m := range regexp.MustCompile("(?ms)^```([a-z]+)\n(.*?)^```$").FindAllStringSubmatch(text, -1) {
		out = append(out, block{m[1], m[2]})
	}
	return out
}

// commands cuts a shell block into commands of words. A line that ends in a
// backslash goes on; comments and variables set in front are dropped.
func commands(text string) [][]string {
	var out [][]string
	for line := range strings.Lines(strings.ReplaceAll(text, "\\\n", " ")) {
		line, _, _ = strings.Cut(line, " #")
		line, _, _ = strings.Cut(line, " | ")
		words := strings.Fields(line)
		for len(words) > 0 && regexp.MustCompile(`^[A-Z_]+=`).MatchString(words[0]) {
			words = words[1:]
		}
		if len(words) > 0 && !strings.HasPrefix(words[0], "#") {
			out = append(out, words)
		}
	}
	return out
}

// optionsOfCustodyd reads the options from the source of another program: of the daemon
// and of its commands.
func optionsOfCustodyd(t *testing.T) []string {
	t.Helper()
	options := []string{"help"}
	for _, name := range []string{"settings", "backup", "restore", "doctor", "volume"} {
		file, err := parser.ParseFile(token.NewFileSet(), name, readText(t, "cmd/custodyd/"+name+".go"), 0)
		if err != nil {
			t.Fatal(err)
		}
		before := len(options)
		ast.Inspect(file, func(n ast.Node) bool {
			if call, is := n.(*ast.CallExpr); is {
				options = append(options, optionOf(call)...)
			}
			return true
		})
		if len(options) == before {
			t.Fatalf("found no option in cmd/custodyd/%s.go", name)
		}
	}
	return options
}

// optionOf gives the option that a call of package flag declares: its name is the first
// argument of fs.String and its like, the second of fs.StringVar and its like.
func optionOf(call *ast.CallExpr) []string {
	fun, is := call.Fun.(*ast.SelectorExpr)
	if !is || len(call.Args) < 3 || len(call.Args) > 4 {
		return nil
	}
	at := 0
	if strings.HasSuffix(fun.Sel.Name, "Var") {
		at = 1
	}
	name, is := call.Args[at].(*ast.BasicLit)
	if !is || name.Kind != token.STRING || !slices.Contains([]string{"String", "Bool", "Duration"}, strings.TrimSuffix(fun.Sel.Name, "Var")) {
		return nil
	}
	option, err := strconv.Unquote(name.Value)
	if err != nil {
		return nil
	}
	return []string{option}
}

// testNames are the tests, fuzz targets and benchmarks of the module.
func testNames(t *testing.T) []string {
	t.Helper()
	var names []string
	heading := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz|Benchmark)\w*)\(`)
	for _, top := range []string{"internal", "cmd", "deploy"} {
		err := fs.WalkDir(os.DirFS(moduleRoot), top, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(name, "_test.go") {
				return err
			}
			for _, m := range heading.FindAllStringSubmatch(readText(t, name), -1) {
				names = append(names, m[1])
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return names
}

func readText(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(moduleRoot, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}
