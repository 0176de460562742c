package app

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	mathrand "math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/identity"
)

// soul is an invented patient.
type soul struct {
	n                            int
	number, family, given, birth string
	bed, ward                    string
	ref, tube                    string
	night                        *soul // a second number of the same person, merged into this one
	erased                       bool
}

func (p *soul) name() string { return p.family + ", " + p.given }

// gossip is what a careless person types about somebody.
func (p *soul) gossip(what string) string {
	return fmt.Sprintf("%s: %s %s, born %s, number %s", what, p.given, p.family, p.birth, p.number)
}

// souls invents n patients. Each part of a name has ten letters or more of syllables that no
// word of the program has, so that none is found by chance.
func souls(r *mathrand.Rand, n int) []*soul {
	syllables := []string{"zor", "qua", "vyx", "thrö", "mûl", "jek", "wub", "gné", "pfi", "kho", "sxa", "drå", "nuz", "bly", "fæg", "rhi"}
	taken := map[string]bool{}
	fresh := func(first string) string {
		for {
			name := first
			for range 5 {
				name += syllables[r.IntN(len(syllables))]
			}
			if !taken[name] {
				taken[name] = true
				return name
			}
		}
	}
	out := make([]*soul, n)
	for i := range out {
		out[i] = &soul{
			n: i, number: fmt.Sprintf("ZQ%04d%06d", i, r.IntN(1e6)), family: fresh("X"), given: fresh("Y"),
			birth: fmt.Sprintf("%d-%02d-%02d", 1930+r.IntN(95), 1+r.IntN(12), 1+r.IntN(28)), bed: fmt.Sprint(1 + r.IntN(40)),
			ward: []string{"WARD-N", "WARD-S"}[i%2], tube: fmt.Sprintf("TB26%04d", i),
		}
	}
	return out
}

// sinks take what a daemon tells others: its log and its spans.
type sinks struct {
	mu   sync.Mutex
	logs bytes.Buffer
	sent bytes.Buffer
}

// Write takes lines of the log.
func (s *sinks) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.logs.Write(p)
}

// ServeHTTP takes spans.
func (s *sinks) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body) // what came is searched
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sent.Write(body)
}

// site is a daemon on a store of its own folder, neither encrypted nor compressed. It is
// started and stopped more than once; the clock goes on.
type site struct {
	*asked
	dir    string
	log    eventlog.Log
	sinks  *sinks
	flush  func(context.Context) error
	spans  string
	lives  sync.Mutex // of the clock, which many callers move
	tokens map[string]string
	secret []string // badges, PINs and tokens
	// evening is the instant as of which tubes are compared.
	evening event.Instant
}

func newSite(t *testing.T, dir string, clock api.Clock) *site {
	s := &site{asked: &asked{t: t, clock: clock}, dir: dir, sinks: &sinks{}, tokens: map[string]string{}}
	collector := httptest.NewServer(s.sinks)
	t.Cleanup(collector.Close)
	s.spans = collector.URL
	return s
}

func (s *site) start() {
	s.t.Helper()
	if err := s.tryStart(); err != nil {
		s.t.Fatal(err)
	}
}

func (s *site) tryStart() error {
	s.t.Helper()
	logger := slog.New(slog.NewTextHandler(s.sinks, &slog.HandlerOptions{Level: slog.LevelDebug}))
	secret, err := Secret(s.dir, "")
	if err != nil {
		s.t.Fatal(err)
	}
	ring, err := identity.OpenRing(filepath.Join(s.dir, RingFile), s.clock.Now, rand.Reader)
	if err != nil {
		s.t.Fatal(err)
	}
	if s.log, err = eventlog.Open(s.t.Context(), eventlog.Options{Dir: s.dir, Volume: "2026", BreakEven: 8, Logger: logger}); err != nil {
		s.t.Fatal(err)
	}
	provider, flush, err := Traces(s.t.Context(), s.spans, logger)
	if err != nil {
		s.t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.t.Fatal(err)
	}
	s.flush, s.url = flush, "http://"+l.Addr().String()
	a, err := Start(s.t.Context(), Parts{
		Log: s.log, Clock: s.clock, Secret: secret, Ring: ring, Listener: l, SignIn: true, Logger: logger, Tracer: provider,
		PINCost: &auth.Cost{Passes: 1, Kibibytes: 64, Lanes: 1},
	})
	if err != nil {
		return errors.Join(err, l.Close())
	}
	s.app = a
	s.t.Cleanup(func() { _ = a.Stop(context.Background()) })
	return nil
}

func (s *site) stop() {
	s.t.Helper()
	if err := s.app.Stop(s.t.Context()); err != nil {
		s.t.Fatal(err)
	}
	if err := s.flush(s.t.Context()); err != nil {
		s.t.Fatal(err)
	}
}

// tick lets a little time pass, so that no caller meets the limit of requests.
func (s *site) tick() {
	s.lives.Lock()
	defer s.lives.Unlock()
	s.later(10 * time.Millisecond)
}

// caller is somebody who calls the API: a person with a session, or a machine.
type caller struct {
	*browser
	site  *site
	token string
}

// call makes a call in the name of the caller.
func (c *caller) call(method, path string, body any) got {
	c.t.Helper()
	c.site.tick()
	text := ""
	if body != nil {
		data, err := json.Marshal(body)
		if err != nil {
			c.t.Fatal(err)
		}
		text = string(data)
	}
	if c.token != "" {
		return c.browser.call(method, path, text, "Authorization", "Bearer "+c.token)
	}
	return c.browser.call(method, path, text)
}

// must is call for what must be answered with 200.
func (c *caller) must(method, path string, body, into any) {
	c.t.Helper()
	g := c.call(method, path, body)
	if g.code != http.StatusOK {
		c.t.Fatalf("%s %s: %d %s", method, path, g.code, g.body)
	}
	if into != nil {
		if err := json.Unmarshal([]byte(g.body), into); err != nil {
			c.t.Fatal(err)
		}
	}
}

type obj = map[string]any

// staff are the people of the day: badge, PIN and role. PINs are as long as they may be,
// so that none is found by chance.
var staff = map[string][3]string{
	"mira": {"BADGE-71930462", "730581946207", "engineer"}, "lena": {"BADGE-40295713", "402957318640", "collector"},
	"oskar": {"BADGE-91826437", "918264370519", "quality"}, "lena-r": {"BADGE-57190283", "571902836471", "reception"},
	"oskar-s": {"BADGE-36418095", "364180957263", "scientist"},
}

// as signs a person in.
func (s *site) as(who string) *caller {
	s.t.Helper()
	b := s.browser()
	if g := b.form("/sign-in", map[string][]string{"badge": {staff[who][0]}, "pin": {staff[who][1]}, "next": {"/wall"}}); g.code != http.StatusSeeOther {
		s.t.Fatalf("%s can't sign in: %d %s", who, g.code, g.body)
	}
	return &caller{browser: b, site: s}
}

// machine is a caller with a token of one scope.
func (s *site) machine(scope string) *caller {
	return &caller{browser: s.browser(), site: s, token: s.tokens[scope]}
}

// settle sets the site up: people, wards, number schemes, limits, machines.
func (s *site) settle() {
	s.t.Helper()
	link, err := s.app.SetUpLink(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	b := s.browser()
	if g := b.form(link, map[string][]string{"code": {"mira"}, "badge": {staff["mira"][0]}, "pin": {staff["mira"][1]}, "again": {staff["mira"][1]}}); g.code != http.StatusSeeOther {
		s.t.Fatalf("set up: %d %s", g.code, g.body)
	}
	engineer := &caller{browser: b, site: s}
	for who, p := range staff {
		s.secret = append(s.secret, p[0], p[1])
		if who != "mira" {
			engineer.must(http.MethodPut, "/v1/people/"+who, obj{"role": p[2], "active": true}, nil)
			engineer.must(http.MethodPut, "/v1/people/"+who+"/sign-in", obj{"badge": p[0], "pin": p[1]}, nil)
		}
	}
	for place, kind := range map[string]string{"WARD-N": "ward", "WARD-S": "ward", "LAB": "reception"} {
		engineer.must(http.MethodPut, "/v1/places/"+place, obj{"kind": kind, "zone": "Europe/Berlin", "assumed": obj{"low": "20", "high": "24"}, "basis": "invented"}, nil)
	}
	engineer.must(http.MethodPut, "/v1/schemes", obj{"schemes": []obj{
		{"id": "TB", "issuer": "the laboratory", "names": "tube", "pattern": "TB26####"},
		{"id": "PA", "issuer": "the hospital", "names": "patient", "pattern": "ZQ##########"},
	}}, nil)
	s.as("oskar-s").must(http.MethodPost, "/v1/rules:adopt", obj{"inForce": "2026-11-24T06:00:00Z"}, nil)
	for _, scope := range []string{"read", "metrics", "identity", "requests"} {
		var token struct{ Secret string }
		engineer.must(http.MethodPost, "/v1/tokens", obj{"name": scope, "scopes": []string{scope}, "days": 366}, &token)
		s.tokens[scope] = token.Secret
		s.secret = append(s.secret, token.Secret)
	}
}

// messages gives every message of every stream, as it is stored and as it is decoded,
// and the free texts that the log holds sealed.
func (s *site) messages() (streams map[string][]byte, counts map[string]int, texts []event.Ciphertext) {
	s.t.Helper()
	op, err := eventlog.OperatorOf(s.log)
	if err != nil {
		s.t.Fatal(err)
	}
	in, err := op.Inspect(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	streams, counts = map[string][]byte{}, map[string]int{}
	for _, st := range in.Streams {
		err := op.Read(s.t.Context(), st.Name, 1, st.Last, func(m *eventlog.Message) error {
			head := fmt.Sprintf("\n%d %s %v ", m.Seq, m.Subject, m.Header)
			streams[st.Name] = append(append(streams[st.Name], head...), m.Data...)
			counts[st.Name]++
			if !strings.HasPrefix(st.Name, "CUSTODY_") {
				return nil
			}
			d, err := wire.ReadDecision(m.Data)
			if err != nil {
				return err
			}
			texts = append(texts, sealedIn(reflect.ValueOf(d.Facts))...)
			decoded, err := json.Marshal(d)
			name := st.Name + " decoded"
			streams[name] = append(append(streams[name], fmt.Sprintf("%s %+v %s %s", head, d.Facts, d.Attested, d.Signature)...), decoded...)
			return err
		})
		if err != nil {
			s.t.Fatal(err)
		}
	}
	return streams, counts, texts
}

// sealedIn collects ciphertexts, wherever they stand in a fact.
func sealedIn(v reflect.Value) (out []event.Ciphertext) {
	switch v.Kind() {
	case reflect.Interface, reflect.Pointer:
		if !v.IsNil() {
			return sealedIn(v.Elem())
		}
	case reflect.Slice:
		for i := range v.Len() {
			out = append(out, sealedIn(v.Index(i))...)
		}
	case reflect.Struct:
		if c, ok := v.Interface().(event.Ciphertext); ok {
			if len(c.Box) > 0 {
				out = append(out, c)
			}
			return out
		}
		for i := range v.NumField() {
			out = append(out, sealedIn(v.Field(i))...)
		}
	}
	return out
}

// backup copies the store into a new folder, as custodyd backup does without a key file.
func (s *site) backup(to string) {
	s.t.Helper()
	op, err := eventlog.OperatorOf(s.log)
	if err != nil {
		s.t.Fatal(err)
	}
	index, err := os.ReadFile(filepath.Join(s.dir, "index.key"))
	if err != nil {
		s.t.Fatal(err)
	}
	m, err := eventlog.Backup(s.t.Context(), op, eventlog.BackupOptions{To: to, Keys: true, Files: map[string][]byte{"index.key": index}, Now: s.clock.Now().Time()})
	if err != nil || !m.Keys {
		s.t.Fatalf("%+v, %v", m, err)
	}
}

// copyOf copies a whole data folder while no daemon runs on it.
func copyOf(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{RingFile, "index.key"} { // CopyFS gives files its own rights
		if err := os.Chmod(filepath.Join(to, name), 0o600); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
	return to
}
