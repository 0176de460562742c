package app

import (
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/eventlog/memlog"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

func TestNothingIsOpenBeforeTheSetUpLinkIsUsed(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	b := a.browser()
	for _, path := range []string{"/", "/wall", "/wall/stream", "/tubes/T1", "/limits", "/print", "/camera", "/readers", "/docs", "/openapi.json", "/metrics", "/v1/flags", "/v1/rules", "/v1/me", "/v1/tubes/T1"} {
		g := b.get(path)
		if g.code != http.StatusSeeOther && g.code != http.StatusUnauthorized {
			t.Errorf("%s is open: %d", path, g.code)
		}
	}
	if g := b.call(http.MethodPost, "/v1/scans", `{"scans":[{"id":"s","step":"see","occurredAt":"2026-11-24T11:00:00Z","label":{"text":"T1"}}]}`); g.code != http.StatusUnauthorized {
		t.Errorf("a scan is taken from nobody: %d %s", g.code, g.body)
	}
	if g := b.get("/sign-in"); !strings.Contains(g.body, "has not been set up") {
		t.Errorf("the sign-in doesn't say what is missing: %s", g.body)
	}
	for _, path := range []string{"/healthz", "/readyz"} {
		if g := b.get(path); g.code != http.StatusOK {
			t.Errorf("%s: %d", path, g.code)
		}
	}
	if g := b.get("/set-up/guessed"); g.code != http.StatusForbidden {
		t.Errorf("a guessed link: %d", g.code)
	}
	if g := b.form("/set-up/guessed", url.Values{"code": {"mallory"}, "badge": {"B-1"}, "pin": {"730581"}, "again": {"730581"}}); g.code != http.StatusForbidden {
		t.Errorf("a guessed link sets up: %d", g.code)
	}
	link, err := a.app.SetUpLink(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	older := link
	if link, err = a.app.SetUpLink(t.Context()); err != nil {
		t.Fatal(err)
	}
	if g := b.get(older); g.code != http.StatusForbidden {
		t.Errorf("an older link is still open: %d", g.code)
	}
	for name, v := range map[string]url.Values{
		"pin":   {"code": {"mira"}, "badge": {"B-1001"}, "pin": {"111111"}, "again": {"111111"}},
		"again": {"code": {"mira"}, "badge": {"B-1001"}, "pin": {"730581"}, "again": {"730582"}},
		"badge": {"code": {"mira"}, "badge": {""}, "pin": {"730581"}, "again": {"730581"}},
		"code":  {"code": {""}, "badge": {"B-1001"}, "pin": {"730581"}, "again": {"730581"}},
	} {
		g := b.form(link, v)
		if g.code != http.StatusBadRequest || !strings.Contains(g.body, `id="`+name+`-fault"`) || strings.Contains(g.body, "730581") {
			t.Errorf("%s: %d %s", name, g.code, g.body)
		}
	}
	b = a.settled() // the link before is not open any more
	var me struct{ Kind, ID, Role string }
	b.must(http.MethodGet, "/v1/me", "", &me)
	if me.Kind != "person" || me.ID != "MIRA" || me.Role != "engineer" {
		t.Errorf("%+v", me)
	}
	if again, err := a.app.SetUpLink(t.Context()); again != "" || err != nil {
		t.Errorf("another link although somebody can sign in: %q, %v", again, err)
	}
	if g := b.get(link); g.code != http.StatusForbidden {
		t.Errorf("the used link: %d", g.code)
	}
	if strings.Contains(a.logs.String(), "730581") || strings.Contains(a.logs.String(), "B-1001") {
		t.Error("badge or PIN stands in the log file")
	}
}

func TestLockedOutAndReleased(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	engineer := a.settled()
	engineer.person("oskar", "courier")
	engineer.person("lena", "reception")
	b := a.browser()
	if g := b.signIn("oskar"); g.code != http.StatusSeeOther || g.header.Get("Location") != "/wall" {
		t.Fatalf("the right PIN: %d %s", g.code, g.body)
	}
	b = a.browser()
	for i := range auth.LockAfter {
		g := b.signIn("oskar", "pin", fmt.Sprintf("10293%d", i))
		if want := i == auth.LockAfter-1; g.code != http.StatusForbidden || strings.Contains(g.body, "Locked until") != want {
			t.Fatalf("wrong PIN %d: %d %s", i, g.code, g.body)
		}
	}
	if g := b.signIn("oskar"); g.code != http.StatusForbidden || !strings.Contains(g.body, "Locked until") {
		t.Fatalf("the right PIN while locked: %d", g.code)
	}
	if g := b.signIn("lena"); g.code != http.StatusSeeOther {
		t.Fatalf("somebody else at the same screen: %d %s", g.code, g.body)
	}
	var st struct {
		LockedUntil string
		Failures    int
	}
	engineer.must(http.MethodGet, "/v1/people/oskar/sign-in", "", &st)
	if st.LockedUntil == "" || st.Failures != auth.LockAfter {
		t.Errorf("%+v", st)
	}
	engineer.must(http.MethodPost, "/v1/people/oskar:release", `{}`, nil)
	a.later(time.Minute) // the address may try again too
	if g := a.browser().signIn("oskar"); g.code != http.StatusSeeOther {
		t.Fatalf("after the release: %d %s", g.code, g.body)
	}
	b = a.browser()
	for i := range auth.LockAfter {
		b.signIn("oskar", "pin", fmt.Sprintf("10293%d", i))
	}
	a.later(auth.LockFor + time.Minute)
	if g := a.browser().signIn("oskar"); g.code != http.StatusSeeOther {
		t.Fatalf("after the time: %d %s", g.code, g.body)
	}
}

// Many tries at once get no more than one after another.
func TestManyTriesAtOnce(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	a.settled().person("oskar", "courier")
	const tries = 40
	codes := make(chan string, tries)
	for i := range tries {
		go func() {
			g := a.browser().signIn("oskar", "pin", fmt.Sprintf("1029%02d", i))
			switch {
			case strings.Contains(g.body, "Badge or PIN is wrong"):
				codes <- "wrong"
			case strings.Contains(g.body, "Locked until"):
				codes <- "locked"
			default:
				codes <- fmt.Sprint(g.code)
			}
		}()
	}
	count := map[string]int{}
	for range tries {
		count[<-codes]++
	}
	if count["wrong"] > auth.LockAfter-1 {
		t.Errorf("%d PINs were looked at: %v", count["wrong"], count)
	}
	if g := a.browser().signIn("oskar"); g.code == http.StatusSeeOther {
		t.Error("the right PIN is taken after so many wrong ones")
	}
}

func TestASessionEnds(t *testing.T) {
	log, clock := memlog.New(), steered()
	a := startAsked(t, log, clock)
	other := startAsked(t, log, clock) // a second daemon on the same log
	engineer := a.settled()
	engineer.person("oskar", "courier")
	engineer.person("lena", "reception")
	b := a.browser()
	b.signIn("oskar")
	cookie := b.http.Jar.Cookies(mustURL(t, b.url))[0]
	if !strings.HasPrefix(cookie.Name, "custody-session") || len(cookie.Value) < 40 {
		t.Fatalf("%+v", cookie)
	}
	at := func(d *asked, value string) int {
		return d.browser().call(http.MethodGet, "/v1/me", "", "Cookie", cookie.Name+"="+value).code
	}
	if c := at(a, cookie.Value); c != http.StatusOK {
		t.Fatalf("the session: %d", c)
	}
	eventually(t, "the other daemon knows the session", func() bool { return at(other, cookie.Value) == http.StatusOK })
	for name, forged := range map[string]string{
		"empty": "", "changed": "A" + cookie.Value[1:] + "A", "cut": cookie.Value[:len(cookie.Value)-1], "hash": hexOf(cookie.Value),
	} {
		if c := at(a, forged); c != http.StatusUnauthorized {
			t.Errorf("a forged session (%s): %d", name, c)
		}
	}
	// Handed over at the same screen: lena's session takes the place of oskar's.
	if g := b.signIn("lena"); g.code != http.StatusSeeOther {
		t.Fatalf("%d %s", g.code, g.body)
	}
	if c := at(a, cookie.Value); c != http.StatusUnauthorized {
		t.Errorf("oskar's session after the hand-over: %d", c)
	}
	eventually(t, "the other daemon knows that it ended", func() bool { return at(other, cookie.Value) == http.StatusUnauthorized })
	var me struct{ ID string }
	b.must(http.MethodGet, "/v1/me", "", &me)
	if me.ID != "LENA" {
		t.Errorf("%+v", me)
	}
	// Nobody does anything.
	a.later(29 * time.Minute)
	b.must(http.MethodGet, "/v1/me", "", nil)
	a.later(29 * time.Minute)
	b.must(http.MethodGet, "/v1/me", "", nil)
	a.later(31 * time.Minute)
	if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusUnauthorized || !strings.Contains(g.body, "session has ended") {
		t.Errorf("after 31 idle minutes: %d %s", g.code, g.body)
	}
	if g := b.get("/wall"); g.code != http.StatusSeeOther || !strings.Contains(g.header.Get("Location"), "ended=1") || !strings.Contains(g.header.Get("Location"), "next=%2Fwall") {
		t.Errorf("the wall then: %d %s", g.code, g.header.Get("Location"))
	}
	// A day of work ends it, however busy.
	b.signIn("lena")
	for range 25 {
		a.later(29 * time.Minute)
		if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusOK {
			if a.clock.Now().Time().Sub(signInNoon) < 12*time.Hour {
				t.Errorf("a busy session ended early: %s", g.body)
			}
			break
		}
	}
	if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusUnauthorized {
		t.Errorf("a session of more than 12 hours: %d", g.code)
	}
	// Signed out; a person who may not act any more; a new PIN.
	b.signIn("lena")
	if g := b.form("/sign-out", nil); g.code != http.StatusSeeOther {
		t.Errorf("%d %s", g.code, g.body)
	}
	if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusUnauthorized {
		t.Errorf("signed out: %d", g.code)
	}
	engineer = a.browser()
	engineer.signIn("mira")
	b.signIn("lena")
	engineer.must(http.MethodPut, "/v1/people/lena", `{"role":"reception","active":false}`, nil)
	if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusUnauthorized {
		t.Errorf("not active any more: %d", g.code)
	}
	if g := b.signIn("lena"); g.code != http.StatusForbidden {
		t.Errorf("signs in though not active: %d", g.code)
	}
	engineer.must(http.MethodPut, "/v1/people/lena", `{"role":"reception","active":true}`, nil)
	b.signIn("lena")
	engineer.must(http.MethodPut, "/v1/people/lena/sign-in", `{"pin":"559103"}`, nil)
	if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusUnauthorized {
		t.Errorf("the session of before the new PIN: %d", g.code)
	}
	if g := a.browser().signIn("lena"); g.code != http.StatusForbidden {
		t.Errorf("the old PIN: %d", g.code)
	}
}

// Over TLS the session's cookie goes no other way: its name can be set by this host
// alone and never over a plain connection (RFC 6265bis, 4.1.3.2), no script reads it, no
// other site sends it.
func TestTheSessionsCookie(t *testing.T) {
	certificate, err := OpenCertificate(CertificateOptions{
		Dir: t.TempDir(), Names: []string{"localhost", "127.0.0.1"}, Now: time.Now, Rand: rand.Reader, Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, secure := range []bool{false, true} {
		a := startAsked(t, memlog.New(), steered(), func(p *Parts) {
			if secure {
				p.TLS = certificate.Config()
			}
		})
		b := a.browser()
		if secure {
			b.url = strings.Replace(a.url, "http:", "https:", 1)
			b.http.Transport = &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}} //nolint:gosec // the cookie is looked at, not the certificate
		}
		link, err := a.app.SetUpLink(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		v := url.Values{"code": {"mira"}, "badge": {testBadges["mira"][0]}, "pin": {testBadges["mira"][1]}, "again": {testBadges["mira"][1]}}
		g := b.form(link, v)
		cookie := g.header.Get("Set-Cookie")
		for _, part := range []string{"HttpOnly", "SameSite=Strict", "Path=/"} {
			if !strings.Contains(cookie, part) {
				t.Errorf("TLS %t: %s is not in %q", secure, part, cookie)
			}
		}
		if strings.Contains(cookie, "Secure") != secure || strings.HasPrefix(cookie, "__Host-custody-session=") != secure || strings.Contains(cookie, "Domain") {
			t.Errorf("TLS %t: %q", secure, cookie)
		}
		if g := b.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusOK {
			t.Errorf("TLS %t: %d %s", secure, g.code, g.body)
		}
		if g := b.get("/sign-in"); (g.header.Get("Strict-Transport-Security") != "") || !strings.Contains(g.header.Get("Content-Security-Policy"), "default-src 'none'") {
			t.Errorf("TLS %t: %v", secure, g.header)
		}
		if !secure {
			continue
		}
		// The plain name counts for nothing where TLS is spoken.
		value := strings.SplitN(strings.SplitN(cookie, "=", 2)[1], ";", 2)[0]
		other := a.browser()
		other.url, other.http.Transport = b.url, b.http.Transport
		if g := other.call(http.MethodGet, "/v1/me", "", "Cookie", "custody-session="+value); g.code != http.StatusUnauthorized {
			t.Errorf("by the plain name: %d", g.code)
		}
	}
}

func TestFormsOfOtherSitesAreRefused(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	b := a.settled()
	for _, path := range []string{"/sign-in", "/sign-out", "/sign-in/device", "/set-up/x", "/limits/adopt", "/labels/read", "/v1/tokens"} {
		typ := "application/x-www-form-urlencoded"
		if strings.HasPrefix(path, "/v1/") {
			typ = "application/json"
		}
		if g := b.send(http.MethodPost, path, typ, "{}", "Sec-Fetch-Site", "cross-site", "Origin", "https://elsewhere.example"); g.code != http.StatusForbidden {
			t.Errorf("%s from another site: %d", path, g.code)
		}
	}
	for _, next := range []string{"https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "javascript:alert(1)", "elsewhere", ""} {
		if g := a.browser().signIn("mira", "next", next); g.header.Get("Location") != "/" {
			t.Errorf("next=%q leads to %q", next, g.header.Get("Location"))
		}
	}
}

func TestTokensOfMachines(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	b := a.settled()
	b.must(http.MethodPut, "/v1/loggers/LG-1", `{"everySeconds":"300"}`, nil)
	b.must(http.MethodPut, "/v1/loggers/LG-2", `{"everySeconds":"300"}`, nil)
	make := func(body string) (id, secret string) {
		var tok struct{ ID, Secret string }
		b.must(http.MethodPost, "/v1/tokens", body, &tok)
		return tok.ID, tok.Secret
	}
	id, secret := make(`{"name":"fridge","scopes":["readings"],"loggers":["LG-1"],"days":30}`)
	machine := func(method, path, body, token string) got {
		return a.browser().call(method, path, body, "Authorization", "Bearer "+token)
	}
	run := func(logger string) string {
		return `{"runs":[{"logger":"` + logger + `","readings":[{"at":"2026-11-24T11:00:00Z","celsius":"4.5"}]}]}`
	}
	if g := machine(http.MethodPost, "/v1/readings", run("LG-1"), secret); g.code != http.StatusOK {
		t.Fatalf("its own readings: %d %s", g.code, g.body)
	}
	if g := machine(http.MethodPost, "/v1/readings", run("LG-2"), secret); g.code != http.StatusForbidden {
		t.Errorf("another logger's readings: %d %s", g.code, g.body)
	}
	// In a stream each batch is looked at.
	stream, err := custodyv1.NewScansClient(a.app.Conn()).StreamReadings(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+secret))
	if err != nil {
		t.Fatal(err)
	}
	for _, logger := range []string{"LG-1", "LG-2"} {
		celsius := "4.5"
		err := stream.Send(&custodyv1.StreamReadingsRequest{Batch: "of-" + logger, Runs: []*custodyv1.Readings{
			{Logger: logger, Readings: []*custodyv1.Reading{{At: "2026-11-24T11:05:00Z", Celsius: &celsius}}},
		}})
		if err != nil {
			t.Fatal(err)
		}
	}
	if answer, err := stream.Recv(); err != nil || answer.GetBatch() != "of-LG-1" {
		t.Errorf("its own readings as a stream: %v, %v", answer, err)
	}
	if _, err := stream.Recv(); status.Code(err) != codes.PermissionDenied || !strings.Contains(err.Error(), "of-LG-2") {
		t.Errorf("another logger's readings in a stream: %v", err)
	}
	if g := machine(http.MethodPost, "/v1/readings:import", `{"logger":"LG-2","file":"dGltZQo="}`, secret); g.code != http.StatusForbidden {
		t.Errorf("another logger's file: %d %s", g.code, g.body)
	}
	if g := machine(http.MethodGet, "/v1/flags", "", secret); g.code != http.StatusForbidden {
		t.Errorf("outside its scope: %d", g.code)
	}
	for name, token := range map[string]string{
		"forged": secret[:len(secret)-2] + "AA", "nobody's": "custody-token.aaaaaaaaaaaaa.AAAA", "cut": secret[:30], "no token": "x",
	} {
		if g := machine(http.MethodPost, "/v1/readings", run("LG-1"), token); g.code != http.StatusUnauthorized {
			t.Errorf("%s: %d", name, g.code)
		}
	}
	if list := b.call(http.MethodGet, "/v1/tokens", ""); !strings.Contains(list.body, id) || strings.Contains(list.body, secret) || strings.Contains(list.body, "secret") {
		t.Errorf("the list: %s", list.body)
	}
	b.must(http.MethodPost, "/v1/tokens/"+id+":revoke", `{}`, nil)
	if g := machine(http.MethodPost, "/v1/readings", run("LG-1"), secret); g.code != http.StatusUnauthorized {
		t.Errorf("revoked: %d", g.code)
	}
	_, secret = make(`{"name":"count","scopes":["metrics"],"days":1}`)
	if g := machine(http.MethodGet, "/metrics", "", secret); g.code != http.StatusOK {
		t.Errorf("metrics: %d", g.code)
	}
	a.later(25 * time.Hour)
	if g := machine(http.MethodGet, "/metrics", "", secret); g.code != http.StatusUnauthorized {
		t.Errorf("a token that has run out: %d", g.code)
	}
}
