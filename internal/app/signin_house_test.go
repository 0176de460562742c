package app

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/eventlog/memlog"
)

// saved sends a form of the house that must end at the thing.
func (b *browser) saved(path string, v url.Values) {
	b.t.Helper()
	if g := b.form(path, v); g.code != http.StatusSeeOther || !strings.Contains(g.header.Get("Location"), "?done=") {
		b.t.Fatalf("%s %v: %d\n%s", path, v, g.code, g.body)
	}
}

var shownSecret = regexp.MustCompile(`<p class="house-secret[^>]*><code>([^<]+)</code>`)

// The house is set up in its pages alone: from the printed link to somebody else's
// sign-in, a device's key and a machine's token. Nobody is asked who they are twice.
func TestHouseIsSetUpInItsPages(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	mira := a.settled()
	if g := mira.get("/house"); g.code != http.StatusOK || !strings.Contains(g.body, "Missing before the first round") {
		t.Fatalf("the engineer's first page: %d", g.code)
	}
	if g := mira.get("/house/new/places"); g.code != http.StatusOK || strings.Contains(g.body, `name="by"`) {
		t.Errorf("who is signed in is asked who that is: %d", g.code)
	}
	mira.saved("/house/places", form("new", "yes", "id", "LAB", "kind", "reception", "zone", "Europe/Berlin"))
	mira.saved("/house/people", form("new", "yes", "id", "oskar", "role", "collector", "active", "yes"))
	mira.saved("/house/people/oskar/sign-in", form("badge", testBadges["oskar"][0], "pin", testBadges["oskar"][1], "again", testBadges["oskar"][1]))
	if g := mira.get("/house/people/oskar"); !strings.Contains(g.body, "<dt>Badge</dt><dd>set</dd>") || !strings.Contains(g.body, "<dt>PIN</dt><dd>set</dd>") || strings.Contains(g.body, testBadges["oskar"][0]) {
		t.Error("the page doesn't say that badge and PIN are set, or tells the badge")
	}
	// Somebody else's badge is refused at the field, and not given back.
	g := mira.form("/house/people/oskar/sign-in", form("badge", testBadges["mira"][0]))
	if g.code != http.StatusUnprocessableEntity || !regexp.MustCompile(`name="badge"[^>]*aria-invalid="true"`).MatchString(g.body) || strings.Contains(g.body, testBadges["mira"][0]) {
		t.Errorf("a badge that is somebody else's: %d", g.code)
	}

	// Locked out by wrong PINs, seen on the list, released there.
	oskar := a.browser()
	for range 5 {
		oskar.signIn("oskar", "pin", "000001")
	}
	if g := mira.get("/house/people"); !strings.Contains(g.body, "locked until") {
		t.Error("the list doesn't show who is locked out")
	}
	if g := mira.get("/house"); !strings.Contains(g.body, "OSKAR is locked out") {
		t.Error("the house doesn't show who is locked out")
	}
	if g := oskar.signIn("oskar"); g.code != http.StatusForbidden {
		t.Errorf("locked out and in all the same: %d", g.code)
	}
	mira.saved("/house/people/oskar/release", form())
	if g := oskar.signIn("oskar"); g.code != http.StatusSeeOther {
		t.Errorf("released: %d\n%s", g.code, g.body)
	}
	// A collector has no business there, and the page says whose it is.
	for _, path := range []string{"/house", "/house/people", "/house/tokens", "/house/schemes", "/house/identity"} {
		if g := oskar.get(path); g.code != http.StatusForbidden {
			t.Errorf("a collector reads %s: %d", path, g.code)
		}
	}
	for _, path := range []string{"/house/places", "/house/people", "/house/devices/PH-1/invite", "/house/tokens", "/house/schemes"} {
		if g := oskar.form(path, form("id", "X")); g.code != http.StatusForbidden {
			t.Errorf("a collector writes %s: %d", path, g.code)
		}
	}

	// A device: declared, invited, enrolled with a key of its own, revoked.
	mira.saved("/house/devices", form("new", "yes", "id", "PH-1", "kind", "phone", "place", "LAB"))
	g = mira.form("/house/devices/PH-1/invite", form())
	code := shownSecret.FindStringSubmatch(g.body)
	if g.code != http.StatusOK || code == nil {
		t.Fatalf("no code is shown: %d\n%s", g.code, g.body)
	}
	d := newDevice(t)
	if g := d.enrol(a.browser(), code[1]); g.code != http.StatusOK {
		t.Fatalf("enrolling with the code of the page: %d %s", g.code, g.body)
	}
	if g := mira.get("/house/devices/PH-1"); !strings.Contains(g.body, "enrolled, key "+d.id) {
		t.Error("the page doesn't say which key it has")
	}
	if g := d.enrol(a.browser(), code[1]); g.code == http.StatusOK {
		t.Error("the code works twice")
	}
	mira.saved("/house/devices", form("id", "PH-1", "kind", "phone", "place", "LAB")) // described anew it keeps its key
	if g := mira.get("/house/devices/PH-1"); !strings.Contains(g.body, "enrolled, key "+d.id) {
		t.Error("described anew, it lost its key")
	}
	mira.saved("/house/devices/PH-1/revoke", form("sure", "yes"))
	if g := mira.get("/house/devices"); !strings.Contains(g.body, "revoked") {
		t.Error("the list doesn't say that it is revoked")
	}

	// A machine: its secret works, for what it was made for, until it is revoked.
	mira.saved("/house/loggers", form("new", "yes", "id", "LG-1", "everySeconds", "300"))
	g = mira.form("/house/tokens", form("name", "reader", "scope.read", "yes", "days", "3"))
	secret := shownSecret.FindStringSubmatch(g.body)
	if g.code != http.StatusOK || secret == nil {
		t.Fatalf("no secret is shown: %d\n%s", g.code, g.body)
	}
	bearer := []string{"Authorization", "Bearer " + secret[1]}
	machine := a.browser()
	if g := machine.call(http.MethodGet, "/v1/places/LAB", "", bearer...); g.code != http.StatusOK {
		t.Errorf("the token of the page: %d %s", g.code, g.body)
	}
	list := mira.get("/house/tokens").body
	revoke := regexp.MustCompile(`action="(/house/tokens/[^"]+/revoke)"`).FindStringSubmatch(list)
	if revoke == nil || strings.Contains(list, secret[1]) || !strings.Contains(list, "read tubes and flags") {
		t.Fatalf("the list of tokens:\n%s", list)
	}
	mira.saved(revoke[1], form())
	if g := machine.call(http.MethodGet, "/v1/places/LAB", "", bearer...); g.code == http.StatusOK {
		t.Error("revoked, and it works")
	}
	g = mira.form("/house/tokens", form("name", "gateway", "scope.readings", "yes", "loggers", "LG-9 (00)1", "days", "3"))
	if g.code != http.StatusUnprocessableEntity || !regexp.MustCompile(`name="loggers"[^>]*aria-invalid="true"`).MatchString(g.body) {
		t.Errorf("loggers that can't be: %d", g.code)
	}

	// A session that has ended writes nothing, and the person is told.
	a.later(13 * time.Hour)
	if g := mira.form("/house/places", form("id", "LAB", "kind", "ward")); g.code != http.StatusUnauthorized {
		t.Errorf("after the session's end: %d", g.code)
	}
	if strings.Contains(a.logs.String(), testBadges["oskar"][1]) || strings.Contains(a.logs.String(), secret[1]) || strings.Contains(a.logs.String(), code[1]) {
		t.Error("a secret stands in the log file")
	}
}
