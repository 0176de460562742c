package app

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"specimen.example/custody/internal/eventlog/memlog"
)

// restrictedRules is a rule file with one test whose name alone tells something of a
// patient; invented fixture.
const restrictedRules = `format: stability-rules/1
set: {name: "restricted test", version: 1, author: "a test"}
tubes: [{code: EDTA, name: EDTA, additive: EDTA, gel: no}]
assays:
  - {code: HIV, name: "HIV-1 RNA", restricted: yes}
  - {code: CBC, name: "blood count"}
rules:
  - id: hiv-fixture
    assay: {code: HIV}
    tubes: [EDTA]
    state: unspun
    from: draw
    until: measured
    combine: sum
    limits: [{band: [0, 40], limit: 30m}]
    evidence: policy
    source: {title: "invented fixture on HIV", seen: direct}
    default: {chosen: true, because: "a test"}
  - id: cbc-fixture
    assay: {code: CBC}
    tubes: [EDTA]
    state: unspun
    from: draw
    until: measured
    combine: sum
    limits: [{band: [0, 40], limit: 30m}]
    evidence: policy
    source: {title: "invented fixture", seen: direct}
    default: {chosen: true, because: "a test"}
`

// A test with a sensitive meaning stands on the wall, on paper and before those who only
// carry as "restricted", by none of the ways in which it is named. Whoever works with
// the result sees it.
func TestSensitiveTestsAreRestricted(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	engineer := a.settled()
	engineer.must(http.MethodPut, "/v1/places/LAB", `{"kind":"reception","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"basis":"a test","owner":"mira"}`, nil)
	engineer.person("lena", "scientist")
	engineer.person("oskar", "courier")
	scientist, courier, screen := a.browser(), a.browser(), a.browser()
	scientist.signIn("lena")
	courier.signIn("oskar")
	engineer.must(http.MethodPut, "/v1/devices/WALL-1", `{"kind":"wall","active":true}`, nil)
	key := newDevice(t)
	key.enrol(a.browser(), a.invite(engineer, "WALL-1"))
	ch := screen.challenge()
	screen.form("/sign-in/device", url.Values{"device": {"WALL-1"}, "challenge": {ch}, "signature": {b64(key.sign("sign-in " + ch))}, "next": {"/wall"}})
	body := `{"inForce":"2026-11-24T00:00:00Z","file":` + quoteJSON(restrictedRules) + `}`
	scientist.must(http.MethodPost, "/v1/rules:adopt", body, nil)
	scientist.must(http.MethodPost, "/v1/requests", `{"id":"RQ-1","patient":"P-1","tests":["HIV","CBC"],"tubes":[{"tube":"T1","type":"EDTA"}]}`, nil)
	scientist.scanned(`{"id":"c1","mode":"reported","step":"collect","occurredAt":"2026-11-24T10:00:00Z","place":"LAB","label":{"text":"T1"},"type":"EDTA","draw":"D-1"}`)
	scientist.scanned(`{"id":"a1","mode":"reported","step":"ask-sample","occurredAt":"2026-11-24T10:01:00Z","place":"LAB","draw":"D-1","tests":["HIV"],"reason":"too-old"}`)
	// A test that is no more on the tube is named by the steps of its past.
	scientist.must(http.MethodPost, "/v1/requests", `{"id":"RQ-2","patient":"P-1","tests":["HIV","CBC"],"tubes":[{"tube":"T2","type":"EDTA","tests":["HIV","CBC"]}]}`, nil)
	scientist.scanned(`{"id":"c2","mode":"reported","step":"collect","occurredAt":"2026-11-24T10:00:00Z","place":"LAB","label":{"text":"T2"},"type":"EDTA","request":"RQ-2"}`)
	scientist.scanned(`{"id":"m2","mode":"reported","step":"measure","occurredAt":"2026-11-24T10:10:00Z","place":"LAB","label":{"text":"T2"},"tests":["HIV"]}`)
	scientist.must(http.MethodPost, "/v1/requests/RQ-2:withdrawTest", `{"id":"RQ-2","test":"HIV"}`, nil)
	named := func(text string) bool { return strings.Contains(strings.ToUpper(text), "HIV") }
	for name, c := range map[string]struct {
		who  *browser
		path string
	}{
		"the wall": {screen, "/wall"}, "the wall to a scientist": {scientist, "/wall"}, "flags to a screen": {screen, "/v1/flags"},
		"flags to a courier": {courier, "/v1/flags"}, "the tube to a courier": {courier, "/v1/tubes/T1"}, "the tube's page to a courier": {courier, "/tubes/T1"},
		"its report to a courier": {courier, "/tubes/T1/report"}, "its draw's report to a courier": {courier, "/draws/D-1/report"},
		"the page of a tube whose test was withdrawn, to a courier": {courier, "/tubes/T2"}, "its report, to a courier": {courier, "/tubes/T2/report"},
		"the request to a courier": {courier, "/v1/requests/RQ-1"}, "labels": {scientist, "/print/tubes?request=RQ-1"},
	} {
		g := c.who.send(http.MethodGet, c.path, "", "")
		if g.code != http.StatusOK || named(g.body) {
			t.Errorf("%s: %d, named %t: %s", name, g.code, named(g.body), g.body)
		}
		if name == "labels" && !strings.Contains(g.body, "CBC") {
			t.Errorf("the labels name no test at all: %s", g.body)
		}
		if name != "labels" && !strings.Contains(g.body, "restricted") {
			t.Errorf("%s doesn't say that a test is restricted: %s", name, g.body)
		}
	}
	if g := courier.call(http.MethodGet, "/v1/tubes/T1/tests/HIV", ""); g.code != http.StatusForbidden || named(g.body) {
		t.Errorf("the explanation to a courier: %d %s", g.code, g.body)
	}
	for _, path := range []string{"/v1/tubes/T1", "/tubes/T1", "/tubes/T1/report", "/draws/D-1/report", "/tubes/T2", "/tubes/T2/report", "/v1/requests/RQ-1", "/v1/flags", "/v1/tubes/T1/tests/HIV"} {
		if g := scientist.get(path); g.code != http.StatusOK || !named(g.body) {
			t.Errorf("%s to a scientist: %d, named %t", path, g.code, named(g.body))
		}
	}
}

func quoteJSON(s string) string {
	return `"` + strings.NewReplacer("\\", `\\`, `"`, `\"`, "\n", `\n`).Replace(s) + `"`
}
