package web

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
)

// doorBook is what is known of people and devices at the door of these tests.
type doorBook struct {
	roles  map[string][]event.RoleAt
	screen auth.Enrolled
}

func (d *doorBook) Person(code string) ([]event.RoleAt, bool) {
	r, ok := d.roles[code]
	return r, ok
}

func (d *doorBook) Device(id string) (auth.Enrolled, bool) { return d.screen, id == d.screen.ID }

// doorGate is a gate with somebody for each word of the table, who signs in by it.
func doorGate(t *testing.T) (*auth.Gate, map[string]func() string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	public, err := x509.MarshalPKIXPublicKey(&key.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	book := &doorBook{roles: map[string][]event.RoleAt{}, screen: auth.Enrolled{ID: "SCREEN", Kind: "wall", KeyID: auth.KeyID(public), PublicKey: public, Active: true}}
	log := memlog.New()
	g := auth.New(auth.Options{
		SignIn: log.Shelf(eventlog.ShelfSignIn), Sessions: log.Shelf(eventlog.ShelfSessions), Directory: book,
		Secret: []byte("invented fixture"), Now: time.Now, Logger: slog.New(slog.DiscardHandler),
	})
	ctx, end := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- g.Run(ctx) }()
	t.Cleanup(func() {
		end()
		if err := <-done; err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	if err := g.Ready(ctx); err != nil {
		t.Fatal(err)
	}
	in := map[string]func() string{"nobody": func() string { return "" }}
	for _, role := range event.Roles() {
		for word, at := range map[string]string{role: "", role + "@": "CLINIC"} {
			code := strings.ToUpper(strings.ReplaceAll("P-"+word, "@", "-here"))
			book.roles[code] = []event.RoleAt{{Role: role, Place: at}}
			if _, err := g.SetSignIn(ctx, auth.NewSignIn{Code: code, Account: code + "@isles"}); err != nil {
				t.Fatal(err)
			}
			in[word] = func() string {
				secret, _, err := g.ByAccount(ctx, code+"@isles", "", nil)
				if err != nil {
					t.Fatal(err)
				}
				return secret
			}
		}
	}
	in["device"] = func() string {
		challenge, err := g.Challenge()
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256([]byte("sign-in " + challenge))
		r, s, err := ecdsa.Sign(rand.Reader, key, sum[:])
		if err != nil {
			t.Fatal(err)
		}
		signature := make([]byte, 64)
		r.FillBytes(signature[:32])
		s.FillBytes(signature[32:])
		secret, _, err := g.ByDevice(ctx, auth.Proof{Device: "SCREEN", Challenge: challenge, Signature: signature}, "")
		if err != nil {
			t.Fatal(err)
		}
		return secret
	}
	return g, in
}

// pageTable reads who may see what.
func pageTable(t *testing.T) map[string][]string {
	t.Helper()
	data, err := os.ReadFile("testdata/who.txt")
	if err != nil {
		t.Fatal(err)
	}
	table := map[string][]string{}
	for line := range strings.Lines(string(data)) {
		f := strings.Fields(line)
		if len(f) == 0 || strings.HasPrefix(f[0], "#") {
			continue
		}
		var who []string
		for _, word := range f[2:] {
			base, both := strings.CutSuffix(word, "+")
			roles := []string{base}
			if base == "all" {
				roles = event.Roles()
			}
			for _, role := range roles {
				who = append(who, role)
				if both {
					who = append(who, role+"@")
				}
			}
		}
		slices.Sort(who)
		table[strings.TrimPrefix(f[0]+" "+f[1], "ANY ")] = who
	}
	return table
}

var wildcard = regexp.MustCompile(`\{[a-z]+(\.\.\.)?\}`)

// Every page and form by everybody there can be, beside a table that was written by
// hand: a rule that is lost or loosened in the program must not be lost here too.
func TestPageMatrix(t *testing.T) {
	gate, in := doorGate(t)
	const cookie = "door"
	front := newServer(Stories()[0], Options{Log: slog.New(slog.DiscardHandler), SignIn: &SignIn{
		Gate: gate, Cookie: cookie,
		Carry:    func(ctx context.Context, _ string) context.Context { return ctx },
		Badge:    func(text string) (string, error) { return text, nil },
		Describe: func(context.Context, string) error { return errors.New("nobody is described here") },
	}})
	routes := front.routes()
	want := pageTable(t)
	for _, pattern := range routes.patterns {
		if _, ok := whoSees[pattern]; !ok {
			t.Errorf("%s has no rule", pattern)
		}
		method, path, ok := strings.Cut(pattern, " ")
		if !ok {
			method, path = http.MethodGet, pattern+"nowhere"
		}
		path = wildcard.ReplaceAllString(strings.TrimSuffix(path, "{$}"), "x")
		var let []string
		for word, signIn := range in {
			ctx, end := context.WithCancel(t.Context())
			if strings.HasSuffix(path, "/stream") {
				end() // a stream has no end of its own
			}
			r := httptest.NewRequestWithContext(ctx, method, path, nil)
			r.Header.Set("Accept", "text/html")
			if _, found := routes.mux.Handler(r); found != pattern {
				t.Fatalf("%s %s is taken for %s", method, path, found)
			}
			if secret := signIn(); secret != "" {
				r.AddCookie(&http.Cookie{Name: cookie, Value: secret})
			}
			w := httptest.NewRecorder()
			routes.mux.ServeHTTP(w, r)
			end()
			switch to := w.Header().Get("Location"); {
			case w.Code == http.StatusUnauthorized, w.Code == http.StatusSeeOther && strings.HasPrefix(to, "/sign-in?next="):
				if word != "nobody" {
					t.Errorf("%s: %s has signed in and is asked to", pattern, word)
				}
			case w.Code == http.StatusForbidden && strings.Contains(w.Body.String(), "This page is not for you"):
				if word == "nobody" {
					t.Errorf("%s: nobody is told that it is for others, not how to come in", pattern)
				}
			default:
				let = append(let, word)
			}
		}
		slices.Sort(let)
		if !slices.Equal(let, want[pattern]) {
			t.Errorf("%s lets in\n  %s\nand the table says\n  %s", pattern, strings.Join(let, " "), strings.Join(want[pattern], " "))
		}
		delete(want, pattern)
	}
	for pattern := range want {
		t.Errorf("the table speaks of %s, which is no page", pattern)
	}
	for pattern := range whoSees {
		if !slices.Contains(routes.patterns, pattern) {
			t.Errorf("there is a rule for %s, which is no page", pattern)
		}
	}
}

// A link in the frame or on the start page is there for whom its page is, and alone.
func TestLinksAreForWhoMayFollowThem(t *testing.T) {
	for _, role := range event.Roles() {
		who := &auth.Principal{Kind: auth.Person, ID: "P-1", Roles: []event.RoleAt{{Role: role}}}
		s := Story{Name: role, Path: "/", as: who}
		body := get(t, s.with(Options{}), "/").Body.String()
		if !strings.Contains(body, "<strong>P-1</strong> · "+role) || !strings.Contains(body, `href="/sign-in?next=%2f"`) {
			t.Errorf("%s: the head doesn't say who is signed in", role)
		}
		for pattern, rule := range whoSees {
			path, ok := strings.CutPrefix(pattern, "GET ")
			if !ok || rule.Check(who) == nil {
				continue
			}
			if strings.Contains(body, `href="`+path+`"`) {
				t.Errorf("%s is led to %s and turned away", role, path)
			}
		}
		if engineer := role == event.RoleEngineer; engineer && strings.Count(body, `href="/house"`) != 2 {
			t.Error("the engineer doesn't find the house")
		}
	}
	nobody := get(t, Story{Path: "/enrol", as: &auth.Principal{}, shown: enrolPage{}}.with(Options{}), "/enrol").Body.String()
	if strings.Contains(nobody, "<nav") || strings.Contains(nobody, `class="who`) {
		t.Error("nobody is offered pages")
	}
	if free := get(t, Story{Path: "/"}.with(Options{}), "/").Body.String(); strings.Contains(free, `class="who`) || strings.Count(free, `href="/house"`) != 2 {
		t.Error("where nobody is asked, pages are hidden or a name is shown")
	}
}

// Who is turned away is told why: a role at one place, or a screen that nobody stands at.
func TestTurnedAwayInWords(t *testing.T) {
	not := &auth.NotAllowedError{Rule: peopleRule}
	for want, p := range map[string]*auth.Principal{
		"It is for whoever has the role engineer or quality.": {Kind: auth.Person, Roles: []event.RoleAt{{Role: event.RoleCourier}}},
		"at one place, and this page shows all places":        {Kind: auth.Person, Roles: []event.RoleAt{{Role: event.RoleQuality, Place: "LAB"}}},
		"This screen is signed in without a person.":          {Kind: auth.Device},
	} {
		page := notForYou(not, p)
		for other, q := range map[string]bool{
			"at one place, and this page shows all places": len(p.Roles) > 0 && p.Roles[0].Place != "", "This screen is signed in without a person.": p.Kind == auth.Device,
		} {
			if said := strings.Join(page.Said, " "); strings.Contains(said, other) != q || !strings.Contains(said, want) {
				t.Errorf("%+v is told %q", p, said)
			}
		}
	}
}
