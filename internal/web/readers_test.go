package web

import (
	"fmt"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/web/browsertest"
)

func readersStory() Story { return Story{Path: "/readers"} }

func readersPageOpen(t *testing.T, look browsertest.Look) *browsertest.Page {
	t.Helper()
	server := httptest.NewServer(quiet(readersStory()))
	t.Cleanup(server.Close)
	p := browsertest.Open(t, server.URL+"/readers", look)
	p.Wait(`document.getElementById("listening").textContent.startsWith("Listening")`)
	return p
}

// french types as a reader for a US keyboard does on a French one.
func french(text string, gap time.Duration) []browsertest.Key {
	turned := map[string]string{"]": "$", "0": "à", "1": "&", "2": "é", "6": "-", "8": "_"}
	keys := browsertest.Keys(text, gap)
	for i, k := range keys {
		if to, ok := turned[k.Key]; ok {
			keys[i].Key = to
			if !k.Up {
				keys[i].Text = to
			}
		}
	}
	return keys
}

const testCode = "]d2010952123400017410K7Q2%s21998877\n"

func TestReadersSaysWhatToChange(t *testing.T) {
	p := readersPageOpen(t, browsertest.Look{Still: true})
	var url string
	p.Eval(`location.href`, &url)
	typed := func(text string) []browsertest.Key { return browsertest.Keys(text, readerPace) }
	for _, c := range []struct {
		name  string
		setup string
		keys  []browsertest.Key
		head  string
		want  []string // in what is said of the read
		never []string
		axe   bool
	}{
		{name: "well set up", axe: true, keys: typed("]d2010952123400017491TB260118\n"), head: "Whole read",
			want: []string{"Nothing needs to be changed", "]d2, Data Matrix, GS1 data", "a tube, TB260118 (GS1)", "(01)09521234000174 (91)TB260118", "ms at most", "Enter"}},
		{name: "no identifier", keys: typed("TB260118\n"), head: "Whole read, with something to change",
			want: []string{"No symbology identifier came in front", "a tube, TB260118 (plain)"}},
		{name: "no end", axe: true, keys: typed("]C0TB260118"), head: "Incomplete read, not taken", want: []string{"No end came behind the read", "carriage return"}, never: []string{"a tube"}},
		{name: "neither", keys: typed("TB260118"), head: "Incomplete read, not taken", want: []string{"No end came behind the read", "No symbology identifier"}},
		{name: "separators dropped", axe: true, keys: typed(fmt.Sprintf(testCode, "")), head: "Whole read, with something to change",
			want: []string{"GS did not come: the reader drops separators", "It could be", "(10)K7Q221998877"}},
		{name: "GS replaced", keys: typed(fmt.Sprintf(testCode, "|")), head: "Whole read", want: []string{"as |", "Nothing needs to be changed"}},
		{name: "GS replaced by what labels hold", keys: typed(fmt.Sprintf(testCode, "-")), head: "Whole read, with something to change", want: []string{"sends - for GS, which labels hold"}},
		{name: "GS as F8", keys: slices.Concat(typed("]d2010952123400017410K7Q2"), []browsertest.Key{{Key: "F8", Code: "F8"}}, typed("21998877\n")), head: "Whole read",
			want: []string{"GS comes as F8", "a maker's product", "U+001D"}},
		{name: "GS as an unknown key", keys: slices.Concat(typed("]d2010952123400017410K7Q2"), []browsertest.Key{{Key: "F9", Code: "F9"}}, typed("21998877\n")), head: "Incomplete read, not taken",
			want: []string{"The reader sent F9, which is no character"}, never: []string{"drops separators"}},
		// SCN-S1
		{name: "French keyboard", keys: french("TB260118\n", readerPace), head: "Whole read, with something to change",
			want: []string{"keyboard language does not match this computer", "probably sent TB260118; scan again", "U+00E9"}, never: []string{"a tube"}},
		{name: "French keyboard, with identifier", keys: french("]C0TB260118\n", readerPace), head: "Whole read, with something to change",
			want: []string{"keyboard language does not match", "]C0TB260118"}, never: []string{"No symbology identifier came"}},
		{name: "dead key", keys: slices.Concat(typed("]d1TB26"), []browsertest.Key{{Key: "Dead", Code: "BracketLeft"}}, typed("0118\n")), head: "Incomplete read, not taken", want: []string{"keyboard language does not match"}},
		{name: "caps lock", keys: typed("]c0tb260118\n"), head: "Whole read, with something to change", want: []string{"Caps lock is on"}, never: []string{"no symbology identifier that is known"}},
		{name: "no real identifier", keys: typed("]X9TB260118\n"), head: "Whole read, with something to change", want: []string{"]X9 is no symbology identifier that is known here"}},
		{name: "two reads", keys: typed("]C0TB260118]C0TB260125\n"), head: "Whole read, with something to change", want: []string{"Two reads came as one", "labels arrived as one read"}},
		{name: "slow", keys: append(typed("]C0TB260"), late(typed("118\n"), 400*time.Millisecond)...), head: "Whole read, with something to change", want: []string{"It comes slowly"}},
		{name: "in pieces", keys: append(typed("]C0TB260"), late(typed("118\n"), 700*time.Millisecond)...), head: "Incomplete read, not taken",
			want: []string{"came in pieces", "U+005D", "U+0038"}, never: []string{"No end came behind"}},
		{name: "Tab", keys: typed("]C0TB260118\t"), head: "Whole read", want: []string{"It ends with Tab", "Nothing needs"}},
		{name: "only a bracket", keys: typed("]"), head: "Incomplete read, not taken", want: []string{"Only the beginning of a read came"}},
		{name: "own prefix missing", setup: "~", keys: typed("]C0TB260118\n"), head: "Whole read, with something to change", want: []string{"The prefix ~ did not come"}},
		{name: "own prefix", setup: "~", keys: typed("~]C0TB260118\n"), head: "Whole read", want: []string{"~ came", "Nothing needs to be changed"}},
		{name: "a key that repeats", keys: slices.Concat(typed("]C0TB2"), []browsertest.Key{{Key: "2", Text: "2", Code: "Digit2", Held: true}}, typed("60118\n")), head: "Incomplete read, not taken", want: []string{"The key 2 repeated itself"}},
		{name: "a wristband", keys: typed("]d28018095212340000000013\n"), head: "Whole read", want: []string{"a wristband"}},
	} {
		t.Log(c.name) // Wait ends the test without knowing the case
		p.Eval(`localStorage.clear()`, nil)
		p.Navigate(url)
		p.Wait(`document.getElementById("listening").textContent.startsWith("Listening")`)
		if c.setup != "" {
			p.Eval(fmt.Sprintf(`(p => { const f = document.getElementById("prefix"); f.value = p; f.form.requestSubmit(); f.blur(); })(%q)`, c.setup), nil)
			p.Wait(`document.getElementById("kept").textContent === "Kept."`)
		}
		p.Press(c.keys...)
		last := c.want[len(c.want)-1]
		p.Wait(fmt.Sprintf(`!document.getElementById("came").hidden && document.getElementById("came").textContent.includes(%q)`, last))
		var head, said string
		p.Eval(`document.getElementById("came-head").textContent.trim()`, &head)
		p.Eval(`document.getElementById("came").textContent`, &said)
		if head != c.head {
			t.Errorf("%s: it is called %q, want %q", c.name, head, c.head)
		}
		for _, w := range c.want {
			if !strings.Contains(said, w) {
				t.Errorf("%s: nothing says %q in:\n%s", c.name, w, said)
			}
		}
		for _, w := range c.never {
			if strings.Contains(said, w) {
				t.Errorf("%s: it says %q in:\n%s", c.name, w, said)
			}
		}
		if c.axe {
			for _, v := range p.Axe() {
				t.Errorf("%s: %s", c.name, v)
			}
		}
		if errs := p.Errors(); len(errs) > 0 {
			t.Errorf("%s: the page complains: %q", c.name, errs)
		}
	}
}

func TestReadersLearnsGS(t *testing.T) {
	p := readersPageOpen(t, browsertest.Look{})
	lesson := func(between, words, kept string) {
		t.Helper()
		p.Press(browsertest.Keys(fmt.Sprintf(testCode, between), readerPace)...)
		p.Wait(fmt.Sprintf(`document.getElementById("learned").textContent === %q`, words))
		var got string
		p.Eval(`(s => s.separator + "," + s.separates)(JSON.parse(localStorage.getItem("reader")))`, &got)
		if got != kept {
			t.Errorf("between %q: kept %s, want %s", between, got, kept)
		}
	}
	lesson("|", "Known: the reader sends | for GS.", "|,true")
	lesson("", "Not known yet.", ",false")
	lesson("\x1d", "Known: the reader sends GS itself.", ",true")
	lesson("^", "Known: the reader sends ^ for GS.", "^,true")
	// What was learned is used: the label is read by its parts.
	p.Wait(`document.getElementById("came-facts").textContent.includes("a maker's product")`)
	// A person's number isn't kept on the screen beyond the next read.
	p.Press(browsertest.Keys("]d28018095212340000000013\n", readerPace)...)
	p.Wait(`document.getElementById("came-facts").textContent.includes("a wristband")`)
	p.Press(browsertest.Keys("]C0TB260118\n", readerPace)...)
	p.Wait(`document.getElementById("before-list").textContent.includes("a person's number, whole")`)
	var before string
	p.Eval(`document.getElementById("before-list").textContent`, &before)
	if strings.Contains(before, "8018") {
		t.Errorf("a wristband's number is listed: %s", before)
	}
	p.Click("#forget")
	p.Wait(`document.getElementById("learned").textContent === "Not known yet." && document.getElementById("forget").hidden`)
}

func TestReadersByKeyboard(t *testing.T) {
	p := readersPageOpen(t, browsertest.Look{})
	// Tab goes from one thing to the next as everywhere.
	var at []string
	for range 8 {
		p.Press(browsertest.Keys("\t", 0)...)
		var id string
		p.Eval(`document.activeElement.id || document.activeElement.textContent`, &id)
		at = append(at, id)
	}
	if !slices.Contains(at, "on") || !slices.Contains(at, "prefix") {
		t.Errorf("Tab goes over %q", at)
	}
	// A prefix that would take what people type is refused in words.
	p.Eval(`document.getElementById("prefix").value = "", document.getElementById("prefix").focus()`, nil)
	p.Press(browsertest.Keys("TB\n", 130*time.Millisecond)...)
	p.Wait(`document.getElementById("kept").textContent.startsWith("Begin with a sign")`)
	// Off, nothing is taken here either.
	p.Eval(`document.getElementById("prefix").value = "]", document.getElementById("on").focus()`, nil)
	p.Press(browsertest.Keys(" ", 0)...)
	p.Eval(`document.getElementById("set").requestSubmit()`, nil)
	p.Wait(`document.getElementById("listening").textContent.startsWith("Not listening")`)
	p.Press(browsertest.Keys("]C0TB260118\n", readerPace)...)
	var hidden bool
	p.Eval(`document.getElementById("came").hidden`, &hidden)
	if !hidden {
		t.Error("a read was taken while reads are off")
	}
}

func TestLooksLikeScan(t *testing.T) {
	p := wedgePage(t)
	for _, c := range []struct {
		text     string
		patterns string
		want     string
	}{
		{"haemolysed, TB260118 too", `["@@######"]`, "TB260118"},
		{"tb260118", `["@@######"]`, "tb260118"},
		{"drawn at 08:30 by mira", `["@@######"]`, ""},
		{"ward 12, bed 3", `["@@######"]`, ""},
		{"see B-7", `["B-#{1,2}"]`, "B-7"},
		{"X1", `["[XY^]\\*"]`, ""},
		{"X*", `["[XY^]\\*"]`, "X*"},
		{"S123-04", `["S(###)-##"]`, "S123-04"},
		{"]d2TB1", `[]`, "]d2TB1"},
		{"TB260118", `[]`, "TB260118"},
		{"HAEMOLYSED", `[]`, ""},
		{"a] b", `[]`, ""},
	} {
		var got string
		p.Eval(fmt.Sprintf(`looksLikeScan(%q, %s)`, c.text, c.patterns), &got)
		if got != c.want {
			t.Errorf("%q by %s: %q, want %q", c.text, c.patterns, got, c.want)
		}
	}
}
