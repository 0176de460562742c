package web

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
)

// phoneModules gives the modules of the phone's screens by name.
func phoneModules(t *testing.T) map[string]string {
	t.Helper()
	found := map[string]string{}
	for name, data := range assets.files {
		if strings.HasPrefix(name, "phone/") && strings.HasSuffix(name, ".js") {
			found[name] = string(data)
		}
	}
	if len(found) < 4 {
		t.Fatalf("found %d modules", len(found))
	}
	return found
}

var (
	placeholder = regexp.MustCompile(`\{[a-zA-Z]+\}`)
	comments    = regexp.MustCompile(`(?m)^\s*(//|/?\*).*$`)
)

// The words of the phone are complete in every language, with the same places to fill
// in; a module says no key that isn't there, and no key is left over.
func TestWordsOfThePhone(t *testing.T) {
	words, err := readCatalogue(wordFiles)
	if err != nil {
		t.Fatal(err)
	}
	for key, texts := range words {
		want := placeholder.FindAllString(texts[languages[0]], -1)
		slices.Sort(want)
		for _, lang := range languages {
			got := placeholder.FindAllString(texts[lang], -1)
			slices.Sort(got)
			if !slices.Equal(got, want) {
				t.Errorf("%s has the places %q in %s and %q in %s", key, want, languages[0], got, lang)
			}
		}
	}
	files, err := filepath.Glob("words/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d files of words: %v", len(files), err)
	}
	var parts []string
	for _, f := range files {
		parts = append(parts, strings.TrimSuffix(filepath.Base(f), ".yaml"))
	}
	said := regexp.MustCompile("[\"'`]((?:" + strings.Join(parts, "|") + `)\.[a-z0-9.-]*)(["'` + "`]|\\$\\{)")
	used := map[string]bool{}
	shell, err := os.ReadFile("templates/phone.html")
	if err != nil {
		t.Fatal(err)
	}
	sources := phoneModules(t)
	sources["phone.html"] = string(shell)
	for name, text := range sources {
		for _, m := range said.FindAllStringSubmatch(comments.ReplaceAllString(text, ""), -1) {
			key, whole := m[1], m[2] != "${"
			found := false
			for have := range words {
				if have == key || have == key+".one" || !whole && strings.HasPrefix(have, key) {
					found, used[have] = true, true
				}
			}
			if !found && key != "phone.css" {
				t.Errorf("%s says %s, which is not in the catalogue", name, key)
			}
		}
	}
	for key := range words {
		if !used[key] {
			t.Errorf("nobody says %s", key)
		}
	}
}

// Each closed word that the API answers has its text, and no other has one.
func TestWordsOfTheAPI(t *testing.T) {
	words, err := readCatalogue(wordFiles)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]bool{}
	add := func(list, word string) { want["api."+list+"."+word] = true }
	for _, w := range event.Refusals() {
		add("refusal", string(w))
	}
	for _, w := range event.Doubts() {
		add("doubt", string(w))
	}
	for _, w := range event.Actions() {
		add("action", string(w))
	}
	for _, w := range event.RackAnswers() {
		add("rack", string(w))
	}
	for _, w := range event.Endings() {
		add("ending", string(w))
	}
	for _, w := range event.Steps() {
		add("step", w)
	}
	for key := range want {
		if words[key] == nil {
			t.Errorf("%s has no text", key)
		}
	}
	for key := range words {
		if strings.HasPrefix(key, "api.") && !want[key] {
			t.Errorf("%s is no word of the API", key)
		}
	}
}

// The files of idb 8.0.4 are as they were published.
func TestVendoredStore(t *testing.T) {
	data := assets.files["vendor/idb/umd.js"]
	if got := fmt.Sprintf("%x", sha256.Sum256(data)); got != "84a1b83a821969a36592964874997757d8bde798dc1b89a5891391bd29e5c08c" {
		t.Errorf("SHA-256 is %s", got)
	}
	if licence := string(assets.files["vendor/idb/LICENSE.txt"]); !strings.Contains(licence, "Copyright (c) 2016, Jake Archibald") || !strings.Contains(licence, "Permission to use, copy, modify") {
		t.Errorf("the licence that goes with it is %q", licence)
	}
}

// A catalogue that lacks something is refused with the key's name.
func TestWordsThatLackSomething(t *testing.T) {
	for text, want := range map[string]string{
		`shell.a: {en: "yes"}`:                      `shell.a has no text in "de"`,
		`shell.a: {en: "yes", de: "ja", fr: "oui"}`: "other languages",
		`road.a: {en: "yes", de: "ja"}`:             `must begin with "shell."`,
		"shell.a: {en: yes, de: ja}\nshell.a: {}":   "already defined",
		`shell.a: "yes"`:                            "cannot unmarshal",
	} {
		_, err := readCatalogue(fstest.MapFS{"words/shell.yaml": {Data: []byte(text)}})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

// The shell says nothing of who asks: a phone keeps it, and hands it to the next.
func TestThePhonesShellHoldsNoData(t *testing.T) {
	mira := &auth.Principal{Kind: auth.Person, ID: "MIRA", Roles: []event.RoleAt{{Role: event.RoleCollector}}}
	for _, path := range []string{"/bedside", "/road"} {
		var bodies []string
		for _, who := range []*auth.Principal{nil, {}, mira} {
			w := get(t, quiet(Story{Path: path, as: who}), path)
			if w.Code != http.StatusOK {
				t.Fatalf("%s: %d", path, w.Code)
			}
			bodies = append(bodies, w.Body.String())
		}
		if bodies[0] != bodies[1] || bodies[0] != bodies[2] || strings.Contains(bodies[2], "MIRA") {
			t.Errorf("%s is another page for another person", path)
		}
	}
}

// What the service worker keeps is there, is all that a screen loads, and is of one version.
func TestThePhonesShellIsWhole(t *testing.T) {
	h := quiet(Story{})
	w := get(t, h, "/phone-worker.js")
	line, program, _ := strings.Cut(w.Body.String(), "\n")
	var shell phoneShell
	if err := json.Unmarshal([]byte(strings.TrimSuffix(strings.TrimPrefix(line, "self.SHELL = "), ";")), &shell); err != nil {
		t.Fatalf("%v: %s", err, line)
	}
	if w.Header().Get("Content-Type") != assetTypes[".js"] || w.Header().Get("Content-Security-Policy") != cameraPolicy || program != string(assets.files[workerBody]) {
		t.Errorf("the worker is sent with %v", w.Header())
	}
	for _, path := range append(shell.Pages, shell.Files...) {
		if got := get(t, h, path); got.Code != http.StatusOK {
			t.Errorf("the shell names %s, which answers %d", path, got.Code)
		}
	}
	for _, name := range []string{"phone/bedside.js", "phone/words.js", "phone/words.de.json", "base.css", "phone.css"} {
		if !slices.Contains(shell.Files, Site{}.Asset(name)) {
			t.Errorf("the shell lacks %s", name)
		}
	}
	for _, page := range shell.Pages {
		for _, m := range assetLinks.FindAllStringSubmatch(get(t, h, page).Body.String(), -1) {
			if !slices.Contains(shell.Files, m[1]) {
				t.Errorf("%s needs %s, which the shell lacks", page, m[1])
			}
		}
	}
}

// Both screens can be installed.
func TestThePhonesManifest(t *testing.T) {
	for query, want := range map[string]string{"": "/x/bedside", "?screen=bedside": "/x/bedside", "?screen=road": "/x/road", "?screen=wall": "/x/bedside"} {
		h := New(Story{}, Options{Base: "/x"})
		w := get(t, h, "/phone.webmanifest"+query)
		var m webManifest
		if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil {
			t.Fatal(err)
		}
		if m.StartURL != want || m.ID != want || m.Scope != "/x/" || m.Display != "standalone" || w.Header().Get("Content-Type") != "application/manifest+json" {
			t.Errorf("%q gives %+v", query, m)
		}
		if icon := get(t, h, strings.TrimPrefix(m.Icons[0].Src, "/x")); icon.Code != http.StatusOK {
			t.Errorf("the icon %s answers %d", m.Icons[0].Src, icon.Code)
		}
	}
}

// mostScript is how many bytes of script a screen may load before it shows, without the
// decoder of the camera and without words.
const mostScript = 60 << 10

// What is served has no comments, and each line stands where it stood.
func TestModulesAreServedWithoutComments(t *testing.T) {
	const source = "// @ts-check\n/** one */\n/**\n * @param {string} a\n */\nexport const f = (a) => a + \"//\"; // kept\n\t// gone\nconst t = /** @type {any} */ (f);\n/* x */ f();\n"
	const want = "\n\n\n\n\nexport const f = (a) => a + \"//\"; // kept\n\nconst t = (f);\n/* x */ f();\n"
	if got := string(bare([]byte(source))); got != want {
		t.Errorf("got %q", got)
	}
	files := 0
	err := fs.WalkDir(assetFiles, "assets", func(file string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || path.Ext(file) != ".js" || strings.Contains(file, "/vendor/") {
			return err
		}
		files++
		data, err := fs.ReadFile(assetFiles, file)
		if err != nil {
			return err
		}
		served := string(assets.files[strings.TrimPrefix(file, "assets/")])
		lines := strings.Split(string(data), "\n")
		for i, line := range strings.Split(served, "\n") {
			if line == lines[i] || line == "" {
				continue
			}
			if line != types.ReplaceAllString(lines[i], "") {
				t.Errorf("%s:%d is served as %q", file, i+1, line)
			}
		}
		return nil
	})
	if err != nil || files < 20 {
		t.Errorf("%d modules: %v", files, err)
	}
}

var atOnce = regexp.MustCompile(`(?m)^(?:import|export)\b[^;"]*"(\.[^"]+)";`)

func TestAScreensScriptIsSmall(t *testing.T) {
	for _, screen := range []string{screenBedside, screenRoad} {
		size, todo := 0, []string{"phone/" + screen + ".js"}
		for i := 0; i < len(todo); i++ {
			text, ok := assets.files[todo[i]]
			if !ok {
				t.Errorf("%s: there is no %s", screen, todo[i])
			}
			size += len(text)
			for _, m := range atOnce.FindAllStringSubmatch(string(text), -1) {
				if name := filepath.ToSlash(filepath.Join(filepath.Dir(todo[i]), m[1])); !slices.Contains(todo, name) {
					todo = append(todo, name)
				}
			}
		}
		t.Logf("%s: %d bytes in %d modules", screen, size, len(todo))
		if size >= mostScript {
			t.Errorf("%s loads %d bytes of script: %q", screen, size, todo)
		}
	}
}
