package app

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/identity"
)

// The people of these tests, invented: badge and PIN.
var testBadges = map[string][2]string{
	"mira": {"B-1001", "730581"}, "oskar": {"B-1002", "918264"}, "lena": {"B-1003", "402957"},
}

// asked is a daemon in this process where people sign in.
type asked struct {
	t     *testing.T
	app   *App
	url   string
	clock api.Clock
	logs  *bytes.Buffer
}

var signInNoon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// startAsked starts a daemon on log. Daemons on one log share a clock.
func startAsked(t *testing.T, log *memlog.Log, clock api.Clock, more ...func(*Parts)) *asked {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	logs := &bytes.Buffer{}
	parts := Parts{
		Log: log, Clock: clock, Secret: []byte("an invented secret for tests of sign-in"), Ring: ringFor(log, clock), Listener: l, SignIn: true,
		Logger: slog.New(slog.NewTextHandler(&locked{w: logs}, nil)), PINCost: &auth.Cost{Passes: 1, Kibibytes: 64, Lanes: 1},
	}
	for _, f := range more {
		f(&parts)
	}
	a, err := Start(t.Context(), parts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = a.Stop(context.Background()) })
	return &asked{t: t, app: a, url: "http://" + l.Addr().String(), clock: clock, logs: logs}
}

// rings are the keys of the patients' keys, one ring for all daemons on a log.
var rings sync.Map // *memlog.Log: *identity.Ring

func ringFor(log *memlog.Log, clock api.Clock) *identity.Ring {
	ring, _ := rings.LoadOrStore(log, identity.MemoryRing(clock.Now, rand.Reader))
	return ring.(*identity.Ring)
}

// locked is a log file that several write to.
type locked struct {
	mu sync.Mutex
	w  io.Writer
}

// Write implements io.Writer.
func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(p)
}

// browser is one browser with its cookies.
type browser struct {
	*asked
	http *http.Client
}

func (a *asked) browser() *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		a.t.Fatal(err)
	}
	return &browser{a, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// got is an answer.
type got struct {
	code   int
	body   string
	header http.Header
}

func (b *browser) send(method, path, typ, body string, headers ...string) got {
	b.t.Helper()
	req, err := http.NewRequestWithContext(b.t.Context(), method, b.url+path, strings.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	if typ != "" {
		req.Header.Set("Content-Type", typ)
	}
	req.Header.Set("Accept", "text/html")
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := b.http.Do(req)
	if err != nil {
		b.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return got{resp.StatusCode, string(text), resp.Header}
}

func (b *browser) get(path string) got { return b.send(http.MethodGet, path, "", "") }

func (b *browser) form(path string, v url.Values) got {
	return b.send(http.MethodPost, path, "application/x-www-form-urlencoded", v.Encode())
}

// call makes a call of the API with the browser's session.
func (b *browser) call(method, path, body string, headers ...string) got {
	return b.send(method, path, "application/json", body, headers...)
}

// must is call for what must be answered with 200.
func (b *browser) must(method, path, body string, into any) {
	b.t.Helper()
	g := b.call(method, path, body)
	if g.code != http.StatusOK {
		b.t.Fatalf("%s %s: %d %s", method, path, g.code, g.body)
	}
	if into != nil {
		if err := json.Unmarshal([]byte(g.body), into); err != nil {
			b.t.Fatal(err)
		}
	}
}

// signIn signs in a person of the tests.
func (b *browser) signIn(who string, more ...string) got {
	v := url.Values{"badge": {testBadges[who][0]}, "pin": {testBadges[who][1]}, "next": {"/wall"}}
	for i := 0; i+1 < len(more); i += 2 {
		v.Set(more[i], more[i+1])
	}
	return b.form("/sign-in", v)
}

// settled sets the laboratory up by the printed link: mira becomes its engineer.
func (a *asked) settled() *browser {
	a.t.Helper()
	link, err := a.app.SetUpLink(a.t.Context())
	if err != nil || link == "" {
		a.t.Fatalf("no link: %q, %v", link, err)
	}
	b := a.browser()
	if g := b.get(link); g.code != http.StatusOK || !strings.Contains(g.body, "first engineer") {
		a.t.Fatalf("the link shows %d %s", g.code, g.body)
	}
	g := b.form(link, url.Values{"code": {"mira"}, "badge": {testBadges["mira"][0]}, "pin": {testBadges["mira"][1]}, "again": {testBadges["mira"][1]}})
	if g.code != http.StatusSeeOther {
		a.t.Fatalf("set up: %d %s", g.code, g.body)
	}
	return b
}

// person declares a person and gives badge and PIN.
func (b *browser) person(who, role string) {
	b.t.Helper()
	b.must(http.MethodPut, "/v1/people/"+who, fmt.Sprintf(`{"role":%q,"active":true}`, role), nil)
	b.must(http.MethodPut, "/v1/people/"+who+"/sign-in", fmt.Sprintf(`{"badge":%q,"pin":%q}`, testBadges[who][0], testBadges[who][1]), nil)
}

func steered() api.Clock { return SteeredClock(event.At(signInNoon)) }

// later moves the clock.
func (a *asked) later(d time.Duration) {
	a.t.Helper()
	if err := a.clock.Set(a.clock.Now().Add(d)); err != nil {
		a.t.Fatal(err)
	}
}

// device is a browser's key.
type device struct {
	key  *ecdsa.PrivateKey
	spki []byte
	id   string
}

func newDevice(t *testing.T) *device {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	spki, err := x509.MarshalPKIXPublicKey(&key.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	return &device{key: key, spki: spki, id: auth.KeyID(spki)}
}

// sign signs as browsers do.
func (d *device) sign(text string) []byte {
	sum := sha256.Sum256([]byte(text))
	r, s, err := ecdsa.Sign(rand.Reader, d.key, sum[:])
	if err != nil {
		panic(err)
	}
	out := make([]byte, 64)
	r.FillBytes(out[:32])
	s.FillBytes(out[32:])
	return out
}

func b64(b []byte) string { return base64.StdEncoding.EncodeToString(b) }

func (d *device) enrol(b *browser, code string) got {
	body := fmt.Sprintf(`{"code":%q,"publicKey":%q,"proof":%q}`, code, b64(d.spki), b64(d.sign("enrol "+code)))
	return b.call(http.MethodPost, "/v1/devices:enrol", body)
}

func (a *asked) invite(engineer *browser, id string) string {
	var in struct{ Code, Until string }
	engineer.must(http.MethodPost, "/v1/devices/"+id+":invite", `{}`, &in)
	return in.Code
}

var challengeIn = regexp.MustCompile(`name="challenge" value="([^"]+)"`)

// challenge is what the sign-in page asks a device to sign.
func (b *browser) challenge() string {
	b.t.Helper()
	m := challengeIn.FindStringSubmatch(b.get("/sign-in").body)
	if m == nil {
		b.t.Fatal("the page has no challenge")
	}
	return m[1]
}

func stampOf(i event.Instant) string { return i.String() }

func bigOf(b []byte) *big.Int { return new(big.Int).SetBytes(b) }

func hexOf(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}

func mustURL(t *testing.T, s string) *url.URL {
	t.Helper()
	u, err := url.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// eventually waits for what another daemon hears by itself.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("not so after 20 s: %s", what)
		}
	}
}
