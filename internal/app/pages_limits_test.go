package app

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"

	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/web"
)

func (c *clinic) limits() web.LimitsPage {
	c.Helper()
	p, err := c.pages.Limits(c.Context())
	c.must(err)
	return p
}

func TestLimitsPageSaysWhatIsInForce(t *testing.T) {
	c := openClinic(t)
	p := c.limits()
	if p.InForce == nil || p.InForce.Set.Name != "fixture" || p.InForce.By != "lena" || p.InForce.InForce != instant(-60) {
		t.Fatalf("in force is %+v, want the fixture by lena since %s", p.InForce, instant(-60))
	}
	if len(p.Others) != 0 || p.Shipped == nil || p.Shipped.Hash == p.InForce.Set.Hash {
		t.Errorf("others %v, shipped %v", p.Others, p.Shipped)
	}
	if p.Zone == nil || p.Zone.String() != "Europe/Berlin" {
		t.Errorf("zone %v, want that of the reception", p.Zone)
	}
	if len(p.People) != 1 || p.People[0] != "LENA" {
		t.Errorf("people %q, want the declared scientist", p.People)
	}

	// The shipped set, from the next hour on and for tubes in flight.
	done, err := c.pages.AdoptLimits(t.Context(), web.LimitsAdoption{By: "lena", InForce: instant(0), InFlight: true, ID: "limits-test"})
	c.must(err)
	if done.Hash != p.Shipped.Hash || done.InForce != instant(0) {
		t.Errorf("adopted %+v", done)
	}
	if p = c.limits(); p.InForce.Set.Name != "fixture" || len(p.Others) != 1 || p.Others[0].InForce != instant(0) || p.Others[0].Over {
		t.Errorf("before its time it is in force: %+v, others %+v", p.InForce, p.Others)
	}
	c.clock(0)
	if p = c.limits(); p.InForce.Set.Hash != p.Shipped.Hash || len(p.Others) != 1 || !p.Others[0].Over {
		t.Errorf("at its instant it is not in force, or the one before still judges: %+v, others %+v", p.InForce, p.Others)
	}

	// The same entry again is one adoption; other content under its id is refused.
	_, err = c.pages.AdoptLimits(t.Context(), web.LimitsAdoption{By: "lena", InForce: instant(0), InFlight: true, ID: "limits-test"})
	c.must(err)
	_, err = c.pages.AdoptLimits(t.Context(), web.LimitsAdoption{By: "oskar", InForce: instant(0), InFlight: true, ID: "limits-test"})
	var refused web.LimitsRefused
	if !errors.As(err, &refused) || refused[0].Field != "id" {
		t.Errorf("another content under the same id: %v", err)
	}
	if n := len(c.limits().Others); n != 1 {
		t.Errorf("%d other sets after a repeat, want 1", n)
	}
	_, err = c.pages.AdoptLimits(t.Context(), web.LimitsAdoption{ID: "limits-nobody"})
	if !errors.As(err, &refused) || refused[0].Field != "by" {
		t.Errorf("nobody adopted: %v", err)
	}
}

// Which set judges what, as live judges: the set in force at a tube's
// zero, unless a later one speaks for tubes in flight too.
func TestStandingOfSets(t *testing.T) {
	c := openClinic(t)
	file, err := os.ReadFile("../../testdata/rules/example.yaml")
	c.must(err)
	adopt := func(id string, minute int, flight bool) {
		t.Helper()
		_, err := c.pages.AdoptLimits(t.Context(), web.LimitsAdoption{File: file, By: "lena", InForce: instant(minute), InFlight: flight, ID: id})
		c.must(err)
	}
	adopt("a", -60, false) // at the fixture's own instant: no tube was drawn under the fixture
	adopt("b", -30, false)
	c.clock(0)
	p := c.limits()
	if p.InForce.InForce != instant(-30) || len(p.Others) != 2 {
		t.Fatalf("in force %+v, others %+v", p.InForce, p.Others)
	}
	if over := [2]bool{p.Others[0].Over, p.Others[1].Over}; over[0] == over[1] {
		t.Errorf("of two sets with one instant one judges the tubes drawn then: over %v", over)
	}
}

var hidden = regexp.MustCompile(`name="(which|bytes|seen|id)" value="([^"]*)"`)

// A laboratory's own file from the form to the judge.
func TestLimitsAreAdoptedOnThePage(t *testing.T) {
	c := openClinic(t)
	c.clock(0)
	h := web.New(c.pages, web.Options{})
	post := func(path string, form url.Values) *httptest.ResponseRecorder {
		t.Helper()
		r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	file, err := os.ReadFile("../../testdata/rules/example.yaml")
	c.must(err)
	look := post("/limits/check", url.Values{"text": {strings.ReplaceAll(string(file), "\n", "\r\n")}})
	if look.Code != http.StatusOK || !strings.Contains(look.Body.String(), "tests then have no limit") {
		t.Fatalf("status %d:\n%s", look.Code, look.Body)
	}
	form := url.Values{"by": {"lena"}, "second": {"oskar"}, "reason": {"own verification"}, "flight": {"yes"}}
	for _, m := range hidden.FindAllStringSubmatch(look.Body.String(), -1) {
		form.Set(m[1], strings.ReplaceAll(m[2], "&#43;", "+"))
	}
	done := post("/limits/adopt", form)
	if done.Code != http.StatusSeeOther {
		t.Fatalf("status %d:\n%s", done.Code, done.Body)
	}
	want, err := stability.Parse("example", file)
	c.must(err)
	p := c.limits()
	if p.InForce.Set.Hash != want.Hash || p.InForce.By != "lena" || !p.InForce.InFlight || p.InForce.InForce != instant(0) {
		t.Errorf("in force is %+v, want the file byte for byte", p.InForce)
	}
	if p.InForce.Second != "oskar" || p.InForce.Reason != "own verification" {
		t.Errorf("read by %q because %q", p.InForce.Second, p.InForce.Reason)
	}
	shown := httptest.NewRecorder()
	h.ServeHTTP(shown, httptest.NewRequest(http.MethodGet, done.Header().Get("Location"), nil))
	if !strings.Contains(shown.Body.String(), "Adopted: example, version 1, by lena") {
		t.Error("the page doesn't say that it was adopted")
	}
	before := len(p.Others)
	if again := post("/limits/adopt", form); again.Code != http.StatusSeeOther || len(c.limits().Others) != before {
		t.Errorf("the form sent twice: status %d, %d other sets", again.Code, len(c.limits().Others))
	}
	// Looked at before the adoption, signed after it.
	form.Set("seen", want.Hash[:8])
	form.Set("which", "shipped")
	if late := post("/limits/adopt", form); late.Code != http.StatusUnprocessableEntity || !strings.Contains(late.Body.String(), "has changed since you looked") {
		t.Errorf("a look at another set: status %d", late.Code)
	}
	if c.limits().InForce.Set.Hash != want.Hash {
		t.Error("it was adopted nevertheless")
	}
}
