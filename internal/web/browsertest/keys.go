package browsertest

import (
	"strings"
	"time"
)

// Modifiers of a key, as DevTools counts them.
const (
	Alt = 1 << iota
	Ctrl
	Meta
	Shift
)

// Key is a press or a release of one key.
type Key struct {
	Key  string // as KeyboardEvent.key: "a", "Enter", "Shift"
	Code string // as KeyboardEvent.code: the place on a US keyboard; may be empty
	Text string // what it types, empty for nothing
	Mods int    // Alt, Ctrl, Meta, Shift that are held
	Up   bool   // released, else pressed
	Held bool   // pressed for so long that it repeats
	// Before is how long after the key before it comes.
	Before time.Duration
}

// shifted are the characters of a US keyboard with shift, and those of the same keys
// without.
const (
	shifted = `~!@#$%^&*()_+{}|:"<>?`
	plain   = "`1234567890-=[]\\;',./"
)

var places = map[rune]string{
	'`': "Backquote", '-': "Minus", '=': "Equal", '[': "BracketLeft", ']': "BracketRight", '\\': "Backslash", ';': "Semicolon",
	'\'': "Quote", ',': "Comma", '.': "Period", '/': "Slash", ' ': "Space", '\n': "Enter", '\t': "Tab",
}

// Keys gives the presses and releases by which a US keyboard types text; a line break
// is Enter. gap is the time between one press and the next.
func Keys(text string, gap time.Duration) []Key {
	var out []Key
	for _, r := range text {
		k := Key{Key: string(r), Text: string(r), Before: gap}
		under := r
		if i := strings.IndexRune(shifted, r); i >= 0 {
			under = rune(plain[i])
		}
		switch r {
		case '\n':
			k.Key, k.Text = "Enter", "\r"
		case '\t':
			k.Key, k.Text = "Tab", ""
		}
		switch {
		case under >= 'a' && under <= 'z' || under >= 'A' && under <= 'Z':
			k.Code = "Key" + strings.ToUpper(string(under))
		case under >= '0' && under <= '9':
			k.Code = "Digit" + string(under)
		default:
			k.Code = places[under]
		}
		up := Key{Key: k.Key, Code: k.Code, Up: true}
		if under != r || r >= 'A' && r <= 'Z' {
			shift := Key{Key: "Shift", Code: "ShiftLeft", Mods: Shift, Before: gap}
			k.Mods, k.Before, up.Mods = Shift, 0, Shift
			out = append(out, shift, k, up, Key{Key: "Shift", Code: "ShiftLeft", Up: true})
			continue
		}
		out = append(out, k, up)
	}
	return out
}

// quick is a rest that nobody waits for: the key only says that it came so much later.
// A test that is held up for a moment then doesn't become a reader that stops.
const quick = 5 * time.Millisecond

// Press sends keys and waits until the page has had them. The page sees each at its
// time, Before after the one before it, counted from now. None waits for the page: one
// that is busy finds them waiting, as it finds those of a real keyboard.
func (p *Page) Press(keys ...Key) {
	p.t.Helper()
	at := time.Now()
	var answers []<-chan reply
	for _, k := range keys {
		at = at.Add(k.Before)
		if k.Before > quick {
			time.Sleep(time.Until(at))
		}
		answer, err := p.b.send(p.session, "Input.dispatchKeyEvent", k.params(at))
		if err != nil {
			p.t.Fatal(err)
		}
		answers = append(answers, answer)
	}
	for _, answer := range answers {
		if err := await("Input.dispatchKeyEvent", answer, nil); err != nil {
			p.t.Fatal(err)
		}
	}
}

// virtual are the numbers of keys that act by themselves in a page.
var virtual = map[string]int{"Enter": 13, "Tab": 9, "Backspace": 8, "Escape": 27, " ": 32, "F8": 119, "F9": 120, "Shift": 16, "Control": 17, "Alt": 18}

func (k Key) params(at time.Time) map[string]any {
	kind := "rawKeyDown"
	switch {
	case k.Up:
		kind = "keyUp"
	case k.Text != "":
		kind = "keyDown"
	}
	out := map[string]any{
		"type": kind, "key": k.Key, "code": k.Code, "modifiers": k.Mods, "autoRepeat": k.Held,
		"timestamp": float64(at.UnixMicro()) / 1e6,
	}
	if k.Text != "" {
		out["text"] = k.Text
	}
	if n := virtual[k.Key]; n != 0 {
		out["windowsVirtualKeyCode"] = n
	}
	return out
}

// Insert puts text where the cursor is without any key, as a soft keyboard does.
func (p *Page) Insert(text string) {
	p.t.Helper()
	p.together([]command{inserted(text)})
}

// Soft types text as a soft keyboard does that gives its keys no names.
func (p *Page) Soft(text string) {
	p.t.Helper()
	var all []command
	for _, r := range text {
		all = append(all, command{"Input.dispatchKeyEvent", Key{Key: "Unidentified"}.params(time.Now())}, inserted(string(r)))
	}
	p.together(all)
}

// Compose types as an input method does: each step stands in place of the one before,
// and the last stays.
func (p *Page) Compose(steps ...string) {
	p.t.Helper()
	var all []command
	for _, s := range steps {
		all = append(all, command{"Input.imeSetComposition", map[string]any{"text": s, "selectionStart": len(s), "selectionEnd": len(s)}})
	}
	p.together(append(all, inserted(steps[len(steps)-1])))
}

type command struct {
	method string
	params map[string]any
}

func inserted(text string) command {
	return command{"Input.insertText", map[string]any{"text": text}}
}

// together sends commands without waiting between them.
func (p *Page) together(all []command) {
	p.t.Helper()
	var answers []<-chan reply
	for _, c := range all {
		answer, err := p.b.send(p.session, c.method, c.params)
		if err != nil {
			p.t.Fatal(err)
		}
		answers = append(answers, answer)
	}
	for i, answer := range answers {
		if err := await(all[i].method, answer, nil); err != nil {
			p.t.Fatal(err)
		}
	}
}
