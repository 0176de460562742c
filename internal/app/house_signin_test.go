package app

import (
	"context"
	"encoding/base64"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
)

// ahead is a clock that goes like the wall's, which a provider of another hand goes by,
// and can be put forward.
func ahead() api.Clock {
	var by atomic.Int64
	return api.Clock{
		Now: func() event.Instant { return event.At(time.Now().Add(time.Duration(by.Load()))) },
		Set: func(to event.Instant) error { by.Store(int64(time.Until(to.Time()))); return nil },
	}
}

// houseRig is a daemon beside the house's own sign-in, which doesn't run yet. Oskar and
// lena have accounts at both, the guest at the house alone.
type houseRig struct {
	*asked
	op     *apptest.Provider
	mira   *browser
	secret []string // what no log may show
}

func startHouse(t *testing.T) *houseRig {
	t.Helper()
	h := &houseRig{}
	clock := ahead()
	h.asked = startAsked(t, memlog.New(), clock, func(p *Parts) {
		back := "http://" + p.Listener.Addr().String() + "/sign-in/back"
		h.op = apptest.NewProvider(t, back, "oskar@isles", "lena@isles", "guest@isles")
		p.House = &auth.HouseOptions{Claim: "preferred_username",
			Issuer: h.op.Issuer, Client: h.op.ID, Secret: h.op.Secret, Back: back,
			Now: func() time.Time { return clock.Now().Time() },
		}
	})
	h.mira = h.settled()
	for who, role := range map[string]string{"oskar": "courier", "lena": "reception"} {
		h.mira.person(who, role)
		h.mira.must(http.MethodPut, "/v1/people/"+who+"/sign-in", fmt.Sprintf(`{"account":"%s@isles"}`, who), nil)
	}
	return h
}

// begin goes to the house's sign-in by the link of our page. change, when set, alters the
// address on the way, as somebody might who sits there.
func (h *houseRig) begin(b *browser, change func(url.Values)) string {
	h.t.Helper()
	page := b.get("/sign-in?next=%2Fwall").body
	link := regexp.MustCompile(`href="(/sign-in/house[^"]*)"`).FindStringSubmatch(page)
	if link == nil {
		h.t.Fatalf("the page has no link to the house's sign-in:\n%s", page)
	}
	g := b.get(html.UnescapeString(link[1]))
	if g.code != http.StatusSeeOther || !strings.HasPrefix(g.header.Get("Location"), h.op.Issuer) {
		h.t.Fatalf("not sent to the house: %d %q %s", g.code, g.header.Get("Location"), g.body)
	}
	to := mustURL(h.t, g.header.Get("Location"))
	q := to.Query()
	for _, name := range []string{"state", "nonce", "code_challenge"} {
		if len(q.Get(name)) < 32 {
			h.t.Errorf("%s is %q", name, q.Get(name))
		}
		h.secret = append(h.secret, q.Get(name))
	}
	if q.Get("code_challenge_method") != "S256" { // RFC 7636, 4.2
		h.t.Errorf("%q", q.Get("code_challenge_method"))
	}
	h.secret = append(h.secret, b.kept())
	if change != nil {
		change(q)
		to.RawQuery = q.Encode()
	}
	return to.String()
}

// kept is what is remembered in the browser meanwhile.
func (b *browser) kept() string { return b.cookie("custody-house") }

func (b *browser) cookie(name string) string {
	for _, c := range b.http.Jar.Cookies(mustURL(b.t, b.url)) {
		if c.Name == name {
			return c.Value
		}
	}
	return ""
}

var loginID = regexp.MustCompile(`name="id" value="([^"]+)"`)

// vouched fills in the form of the house's sign-in, and gives the path that it sends
// the browser to.
func (h *houseRig) vouched(b *browser, address, account string) string {
	h.t.Helper()
	there := &http.Client{Jar: b.http.Jar, CheckRedirect: func(r *http.Request, _ []*http.Request) error {
		if strings.HasPrefix(r.URL.String(), h.url) {
			return http.ErrUseLastResponse
		}
		return nil
	}}
	send := func(method, to string, v url.Values) (string, string) {
		req, err := http.NewRequestWithContext(h.t.Context(), method, to, strings.NewReader(v.Encode()))
		if err != nil {
			h.t.Fatal(err)
		}
		if v != nil {
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		resp, err := there.Do(req)
		if err != nil {
			h.t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			h.t.Fatal(err)
		}
		return string(text), resp.Header.Get("Location")
	}
	form, _ := send(http.MethodGet, address, nil)
	id := loginID.FindStringSubmatch(form)
	if id == nil {
		h.t.Fatalf("the house shows no form:\n%s", form)
	}
	text, to := send(http.MethodPost, h.op.Issuer+"login/username", url.Values{"id": {id[1]}, "username": {account}, "password": {apptest.ProviderPassword}})
	back, ok := strings.CutPrefix(to, h.url)
	if !ok {
		h.t.Fatalf("the house doesn't send %s back: %q\n%s", account, to, text)
	}
	if code := mustURL(h.t, back).Query().Get("code"); code != "" {
		h.secret = append(h.secret, code)
	}
	return back
}

var leadsOn = regexp.MustCompile(`http-equiv="refresh" content="0;url=([^"]+)"`)

// back comes back to us, over the page that leads on.
func (b *browser) back(path string) got {
	b.t.Helper()
	g := b.get(path)
	on := leadsOn.FindStringSubmatch(g.body)
	if g.code != http.StatusOK || on == nil {
		b.t.Fatalf("no page that leads on: %d\n%s", g.code, g.body)
	}
	return b.get(html.UnescapeString(on[1]))
}

func (b *browser) nobody(what string) {
	b.t.Helper()
	if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusUnauthorized {
		b.t.Errorf("%s: somebody is signed in: %d %s", what, g.code, g.body)
	}
}

// logged stops the daemon and looks for what none of its lines may show.
func (h *houseRig) logged() {
	h.t.Helper()
	if err := h.app.Stop(context.Background()); err != nil {
		h.t.Error(err)
	}
	log := h.logs.String()
	for _, s := range append(h.secret, h.op.Secret, apptest.ProviderPassword, "eyJ") { // so begins every JWT (RFC 7519, 3.1)
		if s != "" && strings.Contains(log, s) {
			h.t.Errorf("the log shows %q", s)
		}
	}
}

func TestTheHousesOwnSignIn(t *testing.T) {
	h := startHouse(t)
	// It is away: we start and work without it, and the link says so.
	b := h.browser()
	if g := b.get("/sign-in/house?next=%2Fwall"); g.code != http.StatusServiceUnavailable || !strings.Contains(g.body, "does not answer just now") || !strings.Contains(g.body, `name="badge"`) {
		t.Errorf("the house is away: %d %s", g.code, g.body)
	}
	if g := b.signIn("lena"); g.code != http.StatusSeeOther {
		t.Fatalf("badge and PIN while the house is away: %d %s", g.code, g.body)
	}
	before := b.cookie(api.SessionCookie(false))

	// It is there: oskar takes over from lena.
	h.op.Start()
	if g := b.back(h.vouched(b, h.begin(b, nil), "oskar@isles")); g.code != http.StatusSeeOther || g.header.Get("Location") != "/wall" {
		t.Fatalf("%d %q %s", g.code, g.header.Get("Location"), g.body)
	}
	var me struct{ Kind, ID, Role string }
	b.must(http.MethodGet, "/v1/me", "", &me)
	if me.Kind != "person" || me.ID != "OSKAR" || me.Role != "courier" {
		t.Errorf("%+v", me)
	}
	if b.kept() != "" {
		t.Error("what was remembered stays in the browser")
	}
	h.secret = append(h.secret, before, b.cookie(api.SessionCookie(false)))
	lena := h.browser()
	if g := lena.call(http.MethodGet, "/v1/me", "", "Cookie", api.SessionCookie(false)+"="+before); g.code != http.StatusUnauthorized {
		t.Errorf("lena's session goes on after the hand-over: %d %s", g.code, g.body)
	}

	// Whom the house knows and we don't.
	guest := h.browser()
	if g := guest.back(h.vouched(guest, h.begin(guest, nil), "guest@isles")); g.code != http.StatusForbidden || !strings.Contains(g.body, "Nobody here has this account") {
		t.Errorf("an account of nobody: %d %s", g.code, g.body)
	}
	guest.nobody("an account of nobody")
	h.mira.must(http.MethodPut, "/v1/people/lena", `{"role":"reception","active":false}`, nil)
	if g := lena.back(h.vouched(lena, h.begin(lena, nil), "lena@isles")); g.code != http.StatusForbidden || !strings.Contains(g.body, "may not act any more") {
		t.Errorf("somebody who has left: %d %s", g.code, g.body)
	}
	lena.nobody("somebody who has left")

	// It goes away in the middle, and comes again.
	address := h.vouched(guest, h.begin(guest, nil), "oskar@isles")
	h.op.Kill()
	if g := guest.back(address); g.code != http.StatusServiceUnavailable || !strings.Contains(g.body, "does not answer just now") {
		t.Errorf("away on the way back: %d %s", g.code, g.body)
	}
	guest.nobody("away on the way back")
	h.op.Start()
	if g := guest.back(h.vouched(guest, h.begin(guest, nil), "oskar@isles")); g.code != http.StatusSeeOther {
		t.Errorf("after it came again, with other keys: %d %s", g.code, g.body)
	}
	h.logged()
}

func TestTheHousesAnswerCountsOnceAndForWhomItWasAsked(t *testing.T) {
	h := startHouse(t)
	h.op.Start()
	refused := func(what string, b *browser, g got) {
		t.Helper()
		if g.code != http.StatusForbidden || !strings.Contains(g.body, "did not vouch for you") || strings.Contains(g.body, "invented") {
			t.Errorf("%s: %d %s", what, g.code, g.body)
		}
		b.nobody(what)
	}
	keep := func(b *browser, kept string) {
		b.http.Jar.SetCookies(mustURL(t, b.url), []*http.Cookie{{Name: "custody-house", Value: kept, Path: "/"}})
	}

	b := h.browser()
	address := h.begin(b, nil)
	kept := b.kept()
	path := h.vouched(b, address, "oskar@isles")
	thief := h.browser()
	refused("in a browser that didn't ask", thief, thief.back(path))
	if g := b.back(path); g.code != http.StatusSeeOther {
		t.Fatalf("%d %s", g.code, g.body)
	}
	b.form("/sign-out", nil)
	refused("the answer a second time", b, b.back(path))
	keep(b, kept)
	refused("a code a second time, with what was kept", b, b.back(path))

	first := h.vouched(b, h.begin(b, nil), "oskar@isles")
	second := h.vouched(b, h.begin(b, nil), "oskar@isles")
	kept = b.kept()
	refused("the answer to another attempt", b, b.back(first))
	keep(b, kept)
	q := mustURL(t, second).Query()
	q.Set("code", mustURL(t, first).Query().Get("code"))
	refused("the code of another attempt", b, b.back("/sign-in/back?"+q.Encode())) // PKCE: another verifier

	for what, change := range map[string]func(q url.Values){
		"a nonce of another attempt":      func(q url.Values) { q.Set("nonce", "an-invented-nonce-of-somebody-else") },
		"a code for somebody else's code": func(q url.Values) { q.Set("code_challenge", strings.Repeat("A", 43)) },
		"a state that isn't ours":         func(q url.Values) { q.Set("state", strings.Repeat("A", 32)) },
	} {
		refused(what, b, b.back(h.vouched(b, h.begin(b, change), "oskar@isles")))
	}
	for what, change := range map[string]func(url.Values){
		"it says no":        func(q url.Values) { q.Set("error", "access_denied") },
		"it says only no":   func(q url.Values) { q.Del("code"); q.Set("error", "access_denied") },
		"no code":           func(q url.Values) { q.Del("code") },
		"a code of nobody":  func(q url.Values) { q.Set("code", "invented") },
		"no state":          func(q url.Values) { q.Del("state") },
		"an empty state":    func(q url.Values) { q.Set("state", "") },
		"nothing but a key": func(q url.Values) { clear(q) },
	} {
		q := mustURL(t, h.vouched(b, h.begin(b, nil), "oskar@isles")).Query()
		change(q)
		refused(what, b, b.back("/sign-in/back?"+q.Encode()))
	}
	for what, change := range map[string]func(text, seal string) string{
		"nothing kept": func(string, string) string { return "" },
		"another seal": func(text, _ string) string {
			return text + "." + base64.RawURLEncoding.EncodeToString(make([]byte, 32))
		},
		"no seal":       func(text, _ string) string { return text },
		"an empty seal": func(text, _ string) string { return text + "." },
		"another aim": func(text, seal string) string {
			said, err := base64.RawURLEncoding.DecodeString(text)
			forged := strings.Replace(string(said), `"/wall"`, `"/house"`, 1)
			if err != nil || forged == string(said) {
				t.Fatalf("%q, %v", said, err)
			}
			return base64.RawURLEncoding.EncodeToString([]byte(forged)) + "." + seal
		},
	} {
		path := h.vouched(b, h.begin(b, nil), "oskar@isles")
		text, seal, _ := strings.Cut(b.kept(), ".")
		keep(b, change(text, seal))
		refused(what, b, b.back(path))
	}
	path = h.vouched(b, h.begin(b, nil), "oskar@isles")
	h.later(11 * time.Minute)
	refused("after more than ten minutes", b, b.back(path))
	h.logged()
}
