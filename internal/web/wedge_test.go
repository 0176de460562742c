package web

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/web/browsertest"
)

// wedgeBench is a page with places for the cursor, and what the reader gave.
const wedgeBench = `<!doctype html><html lang="en"><title>bench</title>
<form id="form"><input id="text"><textarea id="area"></textarea><input id="soft" data-wedge inputmode="none"><button>send</button></form><button id="button">press</button>
<script type="module">
import { listen, keep, settings, looksLikeScan } from %q;
import { Framing, LIMIT_MS } from %q;
import * as advice from %q;
Object.assign(window, { keep, settings, looksLikeScan, advice, Framing, LIMIT_MS, reads: [], cuts: [], clicks: 0, sent: 0, seen: "" });
document.getElementById("button").addEventListener("click", () => clicks++);
document.getElementById("form").addEventListener("submit", (e) => { e.preventDefault(); sent++; });
document.addEventListener("keydown", (e) => { if (e.key.length === 1) seen += e.key; });
window.listening = listen({
  read: (r) => reads.push({ text: new TextDecoder().decode(r.bytes), symbology: r.symbology, how: r.how, separator: r.separator, separates: r.separates, end: r.end, framed: r.framed }),
  incomplete: (c) => cuts.push({ text: c.text, why: c.why, what: c.what, end: c.end }),
});
window.ready = true;
</script></html>`

func wedgePage(t *testing.T) *browsertest.Page {
	t.Helper()
	mux := http.NewServeMux()
	site := Site{}
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = fmt.Fprintf(w, wedgeBench, site.Asset("wedge.js"), site.Asset("framing.js"), site.Asset("advice.js"))
	})
	mux.Handle("/", quiet(Story{Path: "/"}))
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	p := browsertest.Open(t, server.URL+"/", browsertest.Look{})
	p.Wait(`window.ready`)
	return p
}

type wedgeRead struct {
	Text, Symbology, How, Separator, End string
	Separates, Framed                    bool
}

type wedgeCut struct{ Text, Why, What, End string }

type wedgeState struct {
	Reads        []wedgeRead
	Cuts         []wedgeCut
	Clicks, Sent int
	Seen         string // characters that reached the page as keys
	Text         string // of the text field
}

func wedgeGot(p *browsertest.Page) wedgeState {
	var s wedgeState
	p.Eval(`({reads, cuts, clicks, sent, seen, text: document.getElementById("text").value})`, &s)
	return s
}

func wedgeAfresh(p *browsertest.Page, focus string) {
	p.Eval(`Object.assign(window, {reads: [], cuts: [], clicks: 0, sent: 0, seen: ""}), document.getElementById("text").value = "", document.activeElement.blur()`, nil)
	if focus != "" {
		p.Eval(fmt.Sprintf(`document.getElementById(%q).focus()`, focus), nil)
	}
}

const readerPace = 4 * time.Millisecond

func TestReadsWhereverTheFocusIs(t *testing.T) {
	p := wedgePage(t)
	for _, focus := range []string{"", "button", "text", "area"} {
		for _, end := range []string{"\n", "\t"} {
			wedgeAfresh(p, focus)
			p.Press(browsertest.Keys("]d2010952123400017491TB260118 x"+end, readerPace)...)
			got := wedgeGot(p)
			want := wedgeRead{Text: "]d2010952123400017491TB260118 x", Symbology: "]d2", How: "reader", End: map[string]string{"\n": "Enter", "\t": "Tab"}[end], Framed: true}
			if len(got.Reads) != 1 || got.Reads[0] != want || len(got.Cuts) != 0 {
				t.Errorf("focus %q, end %q: reads %+v, incomplete %+v", focus, end, got.Reads, got.Cuts)
			}
			if got.Clicks != 0 || got.Sent != 0 || got.Seen != "" || got.Text != "" {
				t.Errorf("focus %q, end %q: it leaked: %+v", focus, end, got)
			}
			var at string
			p.Eval(`document.activeElement.id`, &at)
			if at != focus {
				t.Errorf("focus %q moved to %q", focus, at)
			}
		}
	}
}

func TestSpellingsOfGS(t *testing.T) {
	p := wedgePage(t)
	alt := []browsertest.Key{{Key: "Alt", Code: "AltLeft", Mods: browsertest.Alt}}
	for _, d := range "029" {
		k := browsertest.Key{Key: string(d), Code: "Numpad" + string(d), Mods: browsertest.Alt}
		alt = append(alt, k, browsertest.Key{Key: k.Key, Code: k.Code, Mods: browsertest.Alt, Up: true})
	}
	alt = append(alt, browsertest.Key{Key: "Alt", Code: "AltLeft", Up: true})
	for name, gs := range map[string][]browsertest.Key{
		"Ctrl+]": {
			{Key: "Control", Code: "ControlLeft", Mods: browsertest.Ctrl}, {Key: "]", Code: "BracketRight", Mods: browsertest.Ctrl},
			{Key: "]", Code: "BracketRight", Mods: browsertest.Ctrl, Up: true}, {Key: "Control", Code: "ControlLeft", Up: true},
		},
		"F8":         {{Key: "F8", Code: "F8"}, {Key: "F8", Code: "F8", Up: true}},
		"0x1D":       {{Key: "\x1d", Text: "\x1d"}, {Key: "\x1d", Up: true}},
		"Alt+029":    alt,
		"substitute": browsertest.Keys("|", 0),
	} {
		for _, focus := range []string{"", "text"} {
			wedgeAfresh(p, focus)
			want := wedgeRead{Text: "]d2010952123400017410K7Q2\x1d21998877", Symbology: "]d2", How: "reader", End: "Enter", Framed: true}
			p.Eval(`keep({separator: "", separates: false})`, nil)
			if name == "substitute" {
				// What arrived is kept; label.Read is told what stands for GS.
				p.Eval(`keep({separator: "|", separates: true})`, nil)
				want.Text, want.Separator, want.Separates = strings.ReplaceAll(want.Text, "\x1d", "|"), "|", true
			}
			keys := slices.Concat(browsertest.Keys("]d2010952123400017410K7Q2", readerPace), gs, browsertest.Keys("21998877\n", readerPace))
			p.Press(keys...)
			if got := wedgeGot(p); len(got.Reads) != 1 || got.Reads[0] != want || len(got.Cuts) != 0 || got.Text != "" {
				t.Errorf("%s, focus %q: %+v, want %+v", name, focus, got, want)
			}
		}
	}
}

func TestReadWithoutEndIsIncomplete(t *testing.T) {
	p := wedgePage(t)
	wedgeAfresh(p, "text")
	p.Press(browsertest.Keys("]d2TB260118", readerPace)...)
	p.Wait(`cuts.length === 1`)
	if got := wedgeGot(p); len(got.Reads) != 0 || got.Cuts[0] != (wedgeCut{Text: "]d2TB260118", Why: "end"}) || got.Text != "" {
		t.Errorf("got %+v", got)
	}
	// The next read is whole again, and isn't held against the one that was cut.
	p.Press(browsertest.Keys("]d2TB260125\n", readerPace)...)
	if got := wedgeGot(p); len(got.Reads) != 1 || got.Reads[0].Text != "]d2TB260125" || got.Text != "" {
		t.Errorf("the read after it: %+v", got)
	}
	// The rest of a cut read never counts as a read of its own, nor does it leak.
	wedgeAfresh(p, "button")
	p.Press(append(browsertest.Keys("]d2TB26", readerPace), late(browsertest.Keys("0118 \n", readerPace), 700*time.Millisecond)...)...)
	got := wedgeGot(p)
	if len(got.Reads) != 0 || len(got.Cuts) != 2 || got.Cuts[1] != (wedgeCut{Text: "0118 ", Why: "rest", End: "Enter"}) || got.Clicks != 0 || got.Seen != "" {
		t.Errorf("in two pieces: %+v", got)
	}
}

func late(keys []browsertest.Key, by time.Duration) []browsertest.Key {
	keys[0].Before = by
	return keys
}

func TestTwoReadsWithoutEndBetween(t *testing.T) {
	p := wedgePage(t)
	wedgeAfresh(p, "")
	p.Press(browsertest.Keys("]C0TB260118]C0TB260125\n", readerPace)...)
	// As one, whole: label.Read refuses it as labels that ran together (SCN-S3).
	if got := wedgeGot(p); len(got.Reads) != 1 || got.Reads[0].Text != "]C0TB260118]C0TB260125" {
		t.Errorf("got %+v", got)
	}
}

// A page that is busy for 0.8 s finds keys waiting. Each read comes whole or is
// reported, whenever the block begins and however the reader goes on meanwhile.
func TestBlockedPage(t *testing.T) {
	p := wedgePage(t)
	exact := 0
	for i, pace := range []time.Duration{2 * time.Millisecond, 8 * time.Millisecond, 30 * time.Millisecond, 45 * time.Millisecond, 2 * time.Millisecond, 30 * time.Millisecond} {
		wedgeAfresh(p, []string{"text", "button"}[i%2])
		p.Eval(fmt.Sprintf(`setTimeout(() => { const end = performance.now() + 800; while (performance.now() < end); }, %d), 1`, 20+i*40), nil)
		p.Press(browsertest.Keys("]d2010952123400017491TB260118\n", pace)...)
		p.Wait(`reads.length + cuts.length > 0`)
		got := wedgeGot(p)
		switch {
		case len(got.Reads) == 1 && got.Reads[0].Text == "]d2010952123400017491TB260118":
			exact++
		case len(got.Reads) != 0 || len(got.Cuts) == 0:
			t.Errorf("pace %s: %+v", pace, got)
		}
		if got.Text != "" || got.Clicks != 0 || got.Seen != "" {
			t.Errorf("pace %s: it leaked: %+v", pace, got)
		}
	}
	t.Logf("%d of 6 whole", exact)
	// Keys have the time at which they came, not at which the page had time: judged by a
	// clock, most of these would be cut.
	if exact < 4 {
		t.Errorf("only %d of 6 reads that waited came whole", exact)
	}
}

func TestTypingStaysTyping(t *testing.T) {
	p := wedgePage(t)
	for _, focus := range []string{"text", "area"} {
		for _, text := range []string{"a[1] = b]", "two clotted] tubes", "]", "]]d", "]d", "Room 2].", "] x"} {
			wedgeAfresh(p, focus)
			p.Eval(`document.getElementById("area").value = ""`, nil)
			p.Press(browsertest.Keys(text, 120*time.Millisecond)...)
			p.Wait(fmt.Sprintf(`document.getElementById(%q).value === %q`, focus, text))
			if got := wedgeGot(p); len(got.Reads)+len(got.Cuts) != 0 {
				t.Errorf("%q in %s: %+v", text, focus, got)
			}
		}
	}
	// In the middle of a text, with a key that repeats, and one held for longer than a read
	// may rest.
	wedgeAfresh(p, "text")
	p.Eval(`document.getElementById("text").value = "ab", document.getElementById("text").setSelectionRange(1, 1)`, nil)
	p.Press(late(browsertest.Keys("]", 0), 0)...)
	p.Wait(`document.getElementById("text").value === "a]b"`)
	down := browsertest.Keys("]", 0)[:1]
	held := down[0]
	held.Held = true
	p.Press(down[0], held, held, browsertest.Keys("]", 0)[1])
	p.Wait(`document.getElementById("text").value === "a]]]]b"`)
	// What is held goes where the cursor was, before a click moves it.
	wedgeAfresh(p, "text")
	p.Press(browsertest.Keys("x]", 20*time.Millisecond)...)
	p.Click("#area")
	p.Wait(`document.getElementById("text").value === "x]" && document.activeElement.id === "area"`)
	// Enter behind it sends the form with it.
	wedgeAfresh(p, "text")
	p.Press(browsertest.Keys("y]\n", 20*time.Millisecond)...)
	if got := wedgeGot(p); got.Text != "y]" || got.Sent != 1 {
		t.Errorf("Enter behind a bracket: %+v", got)
	}
}

func TestKeysThatAreNoCharacters(t *testing.T) {
	p := wedgePage(t)
	for name, c := range map[string]struct {
		key browsertest.Key
		cut wedgeCut
	}{
		"a function key": {browsertest.Key{Key: "F9", Code: "F9"}, wedgeCut{Text: "]d2AB", Why: "key", What: "F9", End: "Enter"}},
		"a dead key":     {browsertest.Key{Key: "Dead", Code: "BracketLeft"}, wedgeCut{Text: "]d2AB", Why: "key", What: "Dead", End: "Enter"}},
		"no name":        {browsertest.Key{Key: "Unidentified"}, wedgeCut{Text: "]d2AB", Why: "key", What: "Unidentified", End: "Enter"}},
		"a repeat":       {browsertest.Key{Key: "A", Text: "A", Code: "KeyA", Held: true}, wedgeCut{Text: "]d2AAB", Why: "repeat", What: "A", End: "Enter"}},
		"Backspace":      {browsertest.Key{Key: "Backspace", Code: "Backspace"}, wedgeCut{Text: "]d2AB", Why: "key", What: "Backspace", End: "Enter"}},
		"a command":      {browsertest.Key{Key: "b", Code: "KeyB", Mods: browsertest.Ctrl}, wedgeCut{Text: "]d2AB", Why: "key", What: "Ctrl+b", End: "Enter"}},
	} {
		wedgeAfresh(p, "text")
		p.Press(slices.Concat(browsertest.Keys("]d2A", readerPace), []browsertest.Key{c.key}, browsertest.Keys("B\n", readerPace))...)
		if got := wedgeGot(p); len(got.Reads) != 0 || len(got.Cuts) != 1 || got.Cuts[0] != c.cut || got.Text != "" {
			t.Errorf("%s: %+v", name, got)
		}
	}
	// AltGr makes the bracket on many keyboards; Windows says Ctrl and Alt with it.
	wedgeAfresh(p, "")
	bracket := browsertest.Key{Key: "]", Code: "Digit9", Text: "]", Mods: browsertest.Ctrl | browsertest.Alt}
	p.Press(append([]browsertest.Key{bracket}, browsertest.Keys("d2AB\n", readerPace)...)...)
	if got := wedgeGot(p); len(got.Reads) != 1 || got.Reads[0].Text != "]d2AB" {
		t.Errorf("AltGr: %+v", got)
	}
}

func TestSoftKeyboard(t *testing.T) {
	p := wedgePage(t)
	wedgeAfresh(p, "soft")
	p.Soft("]d2TB260118")
	p.Press(browsertest.Keys("\n", 0)...)
	if got := wedgeGot(p); len(got.Reads) != 1 || got.Reads[0].Text != "]d2TB260118" || !got.Reads[0].Framed || got.Sent != 0 {
		t.Errorf("key by key: %+v", got)
	}
	// An input method shows the word as it grows.
	wedgeAfresh(p, "soft")
	p.Compose("]d2T", "]d2TB26", "]d2TB260118")
	p.Press(browsertest.Keys("\n", 0)...)
	if got := wedgeGot(p); len(got.Reads) != 1 || got.Reads[0].Text != "]d2TB260118" || got.Sent != 0 {
		t.Errorf("composed: %+v", got)
	}
	// One that corrects the word hasn't got what the reader sent.
	wedgeAfresh(p, "soft")
	p.Compose("]d2TB2601", "]d2Tb2601", "]d2Tb260118")
	p.Press(browsertest.Keys("\n", 0)...)
	if got := wedgeGot(p); len(got.Reads) != 0 || len(got.Cuts) != 1 || got.Sent != 0 {
		t.Errorf("corrected: %+v", got)
	}
	wedgeAfresh(p, "soft")
	p.Insert("]d2TB260125")
	p.Wait(`document.getElementById("soft").value === "]d2TB260125"`)
	p.Wait(`cuts.length === 1 && document.getElementById("soft").value === ""`)
	if got := wedgeGot(p); len(got.Reads) != 0 || got.Cuts[0].Why != "end" {
		t.Errorf("without end: %+v", got)
	}
	// A hardware reader types into the same field.
	p = wedgePage(t)
	wedgeAfresh(p, "soft")
	p.Press(browsertest.Keys("]d2TB260118\n", readerPace)...)
	p.Press(browsertest.Keys("TB260125\n", readerPace)...)
	if got := wedgeGot(p); len(got.Reads) != 2 || got.Reads[0].Text != "]d2TB260118" || got.Reads[1].Text != "TB260125" || got.Reads[1].Framed || got.Sent != 0 {
		t.Errorf("by a keyboard: %+v", got)
	}
}

func TestCaptureIsSwitchedOff(t *testing.T) {
	p := wedgePage(t)
	p.Eval(`keep({on: false})`, nil)
	wedgeAfresh(p, "text")
	p.Press(browsertest.Keys("]d2TB260118\n", readerPace)...)
	if got := wedgeGot(p); len(got.Reads)+len(got.Cuts) != 0 || got.Text != "]d2TB260118" || got.Sent != 1 {
		t.Errorf("off: %+v", got)
	}
	p.Eval(`keep({on: true, prefix: "~"})`, nil)
	wedgeAfresh(p, "")
	p.Press(browsertest.Keys("~]d2TB260118\n", readerPace)...)
	if got := wedgeGot(p); len(got.Reads) != 1 || got.Reads[0].Text != "]d2TB260118" || got.Reads[0].Symbology != "]d2" {
		t.Errorf("own prefix: %+v", got)
	}
	wedgeAfresh(p, "text")
	p.Press(browsertest.Keys("]d2TB260118\n", readerPace)...)
	if got := wedgeGot(p); len(got.Reads) != 0 || got.Text != "]d2TB260118" {
		t.Errorf("without the own prefix: %+v", got)
	}
	// The choice stays with the browser, and nonsense there is as good as nothing.
	var kept string
	p.Eval(`settings().prefix`, &kept)
	if kept != "~" {
		t.Errorf("kept %q", kept)
	}
	p.Eval(`localStorage.setItem("reader", '{"prefix":"TB","separator":7,"on":"no"}')`, nil)
	p.Eval(`JSON.stringify(settings())`, &kept)
	if want := `{"on":true,"prefix":"]","separator":"","separates":false}`; kept != want {
		t.Errorf("nonsense in the browser gave %s, want %s", kept, want)
	}
}

func TestTenThousandReads(t *testing.T) {
	script, err := os.ReadFile("testdata/reads.js")
	if err != nil {
		t.Fatal(err)
	}
	p := wedgePage(t)
	seed := rand.Uint32()
	t.Logf("seed %d", seed)
	code, err := json.Marshal(string(script))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Faults                                       []string
		Exact, Cut, Joined, Untouched, Clean, Humans int
	}
	p.Eval(fmt.Sprintf(`import(URL.createObjectURL(new Blob([%s], {type: "text/javascript"}))).then(m => m.run(Framing, LIMIT_MS, %d, 10000))`, code, seed), &got)
	t.Logf("%d exact, %d run together, %d reported, %d keys untouched; %d had nothing wrong, %d times a person typed", got.Exact, got.Joined, got.Cut, got.Untouched, got.Clean, got.Humans)
	for _, f := range got.Faults {
		t.Errorf("seed %d: %s", seed, f)
	}
	if got.Clean < 4000 || got.Cut < 1000 || got.Joined < 50 || got.Humans < 200 {
		t.Errorf("the reads aren't what they should be: %+v", got)
	}
}
