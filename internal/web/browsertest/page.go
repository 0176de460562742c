package browsertest

import (
	"encoding/json"
	"fmt"
	neturl "net/url"
	"strings"
	"sync"
	"testing"
	"time"
)

// waitLimit is how long Wait and Navigate give a page on two busy cores.
const waitLimit = 15 * time.Second

// Look is what a page sees of its screen. The zero value is a desk: 1280 x 800
// CSS pixels, light, one device pixel each.
type Look struct {
	Width, Height int     // CSS pixels
	Scale         float64 // device pixels per CSS pixel
	Dark          bool    // prefers-color-scheme
	Still         bool    // prefers-reduced-motion
	Touch         bool    // a touch screen with a mobile viewport
}

// Phone is a small phone held upright; the page decides light or dark.
var Phone = Look{Width: 360, Height: 740, Scale: 2, Touch: true}

// Wall is a screen on the wall.
var Wall = Look{Width: 1920, Height: 1080}

// Page is one tab in a context of its own. Its methods fail the test when the
// browser can't do what they ask; call them from the test's goroutine.
type Page struct {
	t       testing.TB
	b       *browser
	session string
	target  string
	context string // of the browser: this page's alone, or shared with its tabs
	checked bool   // axe was sent to it

	// mu guards what the events of the browser fill.
	mu       sync.Mutex
	loaded   map[string]bool // loader ids that have finished
	errors   []string
	requests []string
}

// Open opens url in a new page, waits until it has loaded, and closes it with the
// test. An empty url leaves the page blank, for a later Navigate.
func Open(t testing.TB, url string, look Look) *Page {
	t.Helper()
	b, err := theBrowser()
	if err != nil {
		t.Fatal(err)
	}
	return b.open(t, url, look)
}

// Open is the function Open in this browser.
func (b *Browser) Open(t testing.TB, url string, look Look) *Page {
	t.Helper()
	return b.b.open(t, url, look)
}

func (b *browser) open(t testing.TB, url string, look Look) *Page {
	t.Helper()
	var own struct {
		BrowserContextID string `json:"browserContextId"`
	}
	if err := b.call("", "Target.createBrowserContext", struct{}{}, &own); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.call("", "Target.disposeBrowserContext", own, nil); err != nil {
			t.Error(err)
		}
	})
	return b.tab(t, own.BrowserContextID, url, look)
}

// Tab opens url in another tab beside this one, with the same cookies, storage and
// workers. Both end with the test.
func (p *Page) Tab(url string, look Look) *Page {
	p.t.Helper()
	return p.b.tab(p.t, p.context, url, look)
}

// Close closes the tab, as a person does. Nothing may be asked of it afterwards.
func (p *Page) Close() {
	p.t.Helper()
	if err := p.b.call("", "Target.closeTarget", map[string]any{"targetId": p.target}, nil); err != nil {
		p.t.Fatal(err)
	}
	p.b.listen(p.session, nil)
}

// tab opens a tab in a context of the browser.
func (b *browser) tab(t testing.TB, in, url string, look Look) *Page {
	t.Helper()
	p := &Page{t: t, b: b, context: in, loaded: map[string]bool{}}
	t.Cleanup(func() { b.listen(p.session, nil) })
	var target struct {
		TargetID string `json:"targetId"`
	}
	err := b.call("", "Target.createTarget", map[string]any{"url": "about:blank", "browserContextId": in}, &target)
	if err != nil {
		t.Fatal(err)
	}
	p.target = target.TargetID
	var attached struct {
		SessionID string `json:"sessionId"`
	}
	err = b.call("", "Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &attached)
	if err != nil {
		t.Fatal(err)
	}
	p.session = attached.SessionID
	b.listen(p.session, p.event)
	for _, domain := range []string{"Page.enable", "Runtime.enable", "Log.enable", "Network.enable"} {
		p.call(domain, struct{}{}, nil)
	}
	// A worker waits until its requests are listened to.
	p.call("Target.setAutoAttach", map[string]any{"autoAttach": true, "waitForDebuggerOnStart": true, "flatten": true}, nil)
	p.call("Page.setLifecycleEventsEnabled", map[string]any{"enabled": true}, nil)
	p.Look(look)
	if url != "" {
		p.Navigate(url)
	}
	return p
}

// Look changes the screen of an open page.
func (p *Page) Look(look Look) {
	p.t.Helper()
	if look.Width == 0 {
		look.Width = 1280
	}
	if look.Height == 0 {
		look.Height = 800
	}
	if look.Scale == 0 {
		look.Scale = 1
	}
	scheme, motion := "light", "no-preference"
	if look.Dark {
		scheme = "dark"
	}
	if look.Still {
		motion = "reduce"
	}
	p.call("Emulation.setDeviceMetricsOverride", map[string]any{
		"width": look.Width, "height": look.Height, "deviceScaleFactor": look.Scale, "mobile": look.Touch,
	}, nil)
	p.call("Emulation.setTouchEmulationEnabled", map[string]any{"enabled": look.Touch}, nil)
	p.call("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{
		{"name": "prefers-color-scheme", "value": scheme},
		{"name": "prefers-reduced-motion", "value": motion},
	}}, nil)
}

// Navigate goes to url and waits for its load event.
func (p *Page) Navigate(url string) {
	p.t.Helper()
	var went struct {
		LoaderID  string `json:"loaderId"`
		ErrorText string `json:"errorText"`
	}
	p.call("Page.navigate", map[string]any{"url": url}, &went)
	if went.ErrorText != "" {
		p.t.Fatalf("opening %s: %s", url, went.ErrorText)
	}
	if went.LoaderID == "" {
		return // a move within the same document loads nothing
	}
	p.until("the load of "+url, func() bool {
		p.mu.Lock()
		defer p.mu.Unlock()
		return p.loaded[went.LoaderID]
	})
}

// Afresh goes to url for another test than the page was opened for, a part of that one.
// What sites left in the browser is forgotten. A page of its own for each would cost a
// process, and every style sheet and script again.
func (p *Page) Afresh(t testing.TB, url string, look Look) {
	t.Helper()
	p.t = t
	at, err := neturl.Parse(url)
	if err != nil {
		t.Fatal(err)
	}
	p.call("Storage.clearDataForOrigin", map[string]any{"origin": at.Scheme + "://" + at.Host, "storageTypes": "all"}, nil)
	p.Look(look)
	p.Navigate(url)
}

// AnswerCamera answers for the person before the screen, now and later, whether a
// page may use the camera.
func (p *Page) AnswerCamera(may bool) {
	p.t.Helper()
	setting := "denied"
	if may {
		setting = "granted"
	}
	err := p.b.call("", "Browser.setPermission", map[string]any{
		"permission": map[string]string{"name": "camera"}, "setting": setting, "browserContextId": p.context,
	}, nil)
	if err != nil {
		p.t.Fatal(err)
	}
}

// Eval evaluates an expression of JavaScript, waits for it if it is a promise, and
// decodes its JSON into out, which may be nil. An exception fails the test.
func (p *Page) Eval(expression string, out any) {
	p.t.Helper()
	raw, err := p.eval(expression)
	if err != nil {
		p.t.Fatal(err)
	}
	if out == nil {
		return
	}
	if len(raw) == 0 {
		raw = json.RawMessage("null") // undefined has no JSON
	}
	if err := json.Unmarshal(raw, out); err != nil {
		p.t.Fatalf("evaluating %s: %v", short(expression), err)
	}
}

// Wait evaluates a condition until it is true, and fails the test after 15 s. A
// condition that throws counts as false: its element may not be there yet.
func (p *Page) Wait(condition string) {
	p.t.Helper()
	p.WaitFor(waitLimit, condition)
}

// WaitFor is Wait with a limit of its own.
func (p *Page) WaitFor(limit time.Duration, condition string) {
	p.t.Helper()
	var last error
	ok := p.poll(limit, func() bool {
		raw, err := p.eval("Boolean(" + condition + ")")
		last = err
		return err == nil && string(raw) == "true"
	})
	if !ok {
		var text string
		p.Eval("document.body ? document.body.innerText.slice(0, 600) : ''", &text)
		p.t.Fatalf("waited %s for %s (last error: %v); the page says:\n%s", limit, condition, last, text)
	}
}

// Click clicks the middle of the first element that selector finds, as a pointer
// does: what covers the element gets the click.
func (p *Page) Click(selector string) {
	p.t.Helper()
	quoted, err := json.Marshal(selector)
	if err != nil {
		p.t.Fatal(err)
	}
	var at []float64
	p.Eval(fmt.Sprintf(`(() => {
		const e = document.querySelector(%s);
		if (!e) return null;
		e.scrollIntoView({block: "center", behavior: "instant"});
		const r = e.getBoundingClientRect();
		return [r.x + r.width / 2, r.y + r.height / 2];
	})()`, quoted), &at)
	if len(at) != 2 {
		p.t.Fatalf("nothing to click: no element is %s", selector)
	}
	for _, kind := range []string{"mousePressed", "mouseReleased"} {
		p.call("Input.dispatchMouseEvent", map[string]any{
			"type": kind, "x": at[0], "y": at[1], "button": "left", "clickCount": 1,
		}, nil)
	}
}

// Type sends text as single key presses to what has the focus, as fast as a
// scanner that is a keyboard; a line break is the Enter key, a tab is Tab.
func (p *Page) Type(text string) {
	p.t.Helper()
	for _, r := range text {
		key := map[string]any{"key": string(r), "text": string(r)}
		switch r {
		case '\n', '\r':
			key = map[string]any{"key": "Enter", "code": "Enter", "text": "\r", "windowsVirtualKeyCode": 13}
		case '\t':
			key = map[string]any{"key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9}
		}
		for _, kind := range []string{"keyDown", "keyUp"} {
			key["type"] = kind
			if kind == "keyUp" {
				delete(key, "text")
			}
			p.call("Input.dispatchKeyEvent", key, nil)
		}
	}
}

// Screenshot gives the viewport as PNG, in device pixels.
func (p *Page) Screenshot() []byte {
	p.t.Helper()
	var shot struct {
		Data []byte `json:"data"`
	}
	p.call("Page.captureScreenshot", map[string]any{"format": "png"}, &shot)
	return shot.Data
}

// PDF prints the page as somebody would who leaves headers out and the scale alone:
// the page's own style sheet says what paper it is for.
func (p *Page) PDF() []byte {
	p.t.Helper()
	var printed struct {
		Data []byte `json:"data"`
	}
	p.call("Page.printToPDF", map[string]any{"preferCSSPageSize": true, "displayHeaderFooter": false}, &printed)
	return printed.Data
}

// Errors gives what the page complained of so far: console errors, uncaught
// exceptions, and resources that failed.
func (p *Page) Errors() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.errors...)
}

// Requests gives the addresses the page and its workers asked for so far, in order;
// those of a service worker are not the page's.
func (p *Page) Requests() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.requests...)
}

func (p *Page) call(method string, params, out any) {
	p.t.Helper()
	if err := p.b.call(p.session, method, params, out); err != nil {
		p.t.Fatal(err)
	}
}

func (p *Page) eval(expression string) (json.RawMessage, error) {
	var got struct {
		Result struct {
			Value json.RawMessage `json:"value"`
		} `json:"result"`
		Exception *exception `json:"exceptionDetails"`
	}
	err := p.b.call(p.session, "Runtime.evaluate", map[string]any{
		"expression": expression, "awaitPromise": true, "returnByValue": true, "userGesture": true,
	}, &got)
	if err != nil {
		return nil, fmt.Errorf("evaluating %s: %w", short(expression), err)
	}
	if got.Exception != nil {
		return nil, fmt.Errorf("evaluating %s: %s", short(expression), got.Exception)
	}
	return got.Result.Value, nil
}

// poll asks until done says yes or the limit has passed.
func (p *Page) poll(limit time.Duration, done func() bool) bool {
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if done() {
			return true
		}
	}
	return done()
}

func (p *Page) until(what string, done func() bool) {
	p.t.Helper()
	if !p.poll(waitLimit, done) {
		p.t.Fatalf("waited %s for %s; errors so far: %q", waitLimit, what, p.Errors())
	}
}

// event keeps what the browser tells of this page. The reader of the connection
// calls it, so it must not call the browser.
func (p *Page) event(method string, params json.RawMessage) {
	var e struct {
		Name     string `json:"name"`
		LoaderID string `json:"loaderId"`
		Type     string `json:"type"`
		Args     []struct {
			Value       json.RawMessage `json:"value"`
			Description string          `json:"description"`
		} `json:"args"`
		Exception *exception `json:"exceptionDetails"`
		Entry     struct {
			Level string `json:"level"`
			Text  string `json:"text"`
			URL   string `json:"url"`
		} `json:"entry"`
		Request struct {
			URL string `json:"url"`
		} `json:"request"`
		SessionID string `json:"sessionId"` // of a worker
	}
	if err := json.Unmarshal(params, &e); err != nil {
		return // an event of a shape that none of the cases below has
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	switch method {
	case "Target.attachedToTarget":
		go p.worker(e.SessionID)
	case "Page.lifecycleEvent":
		if e.Name == "load" {
			p.loaded[e.LoaderID] = true
		}
	case "Runtime.consoleAPICalled":
		if e.Type == "error" || e.Type == "assert" {
			var words []string
			for _, a := range e.Args {
				words = append(words, strings.Trim(string(a.Value), `"`)+a.Description)
			}
			p.errors = append(p.errors, strings.Join(words, " "))
		}
	case "Runtime.exceptionThrown":
		p.errors = append(p.errors, e.Exception.String())
	case "Log.entryAdded":
		if e.Entry.Level == "error" {
			p.errors = append(p.errors, strings.TrimSpace(e.Entry.Text+" "+e.Entry.URL))
		}
	case "Network.requestWillBeSent":
		if !strings.HasPrefix(e.Request.URL, "data:") {
			p.requests = append(p.requests, e.Request.URL)
		}
	}
}

// worker listens to a worker of the page and lets it begin. A worker that ended
// meanwhile, or with its page, has nothing to tell. A service worker answers nothing
// before it runs, so no answer is waited for.
func (p *Page) worker(session string) {
	p.b.listen(session, p.event)
	for _, method := range []string{"Runtime.enable", "Network.enable", "Runtime.runIfWaitingForDebugger"} {
		if _, err := p.b.send(session, method, struct{}{}); err != nil {
			p.b.listen(session, nil)
			return
		}
	}
}

// exception is DevTools' account of an uncaught exception.
type exception struct {
	Text      string `json:"text"`
	Exception struct {
		Description string `json:"description"`
	} `json:"exception"`
}

func (e *exception) String() string {
	if e == nil {
		return "exception without details"
	}
	return strings.TrimSpace(e.Text + " " + e.Exception.Description)
}

// short cuts a script for an error text.
func short(script string) string {
	const limit = 120
	if len(script) <= limit {
		return script
	}
	return script[:limit] + "…"
}
