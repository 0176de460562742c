package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
)

// SignIn is how people and devices come in. Nil in Options: nobody is asked.
type SignIn struct {
	Gate  *auth.Gate
	House *auth.House // the house's own sign-in; nil: there is none
	// Cookie is the name of the cookie that holds a session's secret.
	Cookie string
	// Carry gives a context in which a Source's calls are the session's.
	Carry func(ctx context.Context, secret string) context.Context
	// Badge reads what was scanned off a badge.
	Badge func(text string) (string, error)
	// Describe writes the first engineer into the log.
	Describe func(ctx context.Context, code string) error
}

// Who may see what where people sign in: common practice, no source. A pattern without
// a rule is for nobody, and a test fails.
var (
	seers   = auth.Rule{Roles: event.Roles(), Here: true}
	screens = auth.Rule{Roles: event.Roles(), Here: true, Device: true} // a screen on the wall has no person
	// spinners may do the steps of the rack: custody.StepRoles of rack and spin.
	spinners  = auth.Rule{Roles: []string{event.RoleCollector, event.RoleReception, event.RoleScientist}, Here: true}
	adopters  = auth.Rule{Roles: []string{event.RoleScientist, event.RoleQuality}}
	signers   = auth.Rule{Roles: []string{event.RoleScientist}}
	printers  = auth.Rule{Roles: []string{event.RoleCollector, event.RoleCourier, event.RoleReception, event.RoleScientist, event.RoleEngineer}, Here: true}
	reporters = auth.Rule{Roles: []string{event.RoleReception, event.RoleScientist, event.RoleQuality, event.RoleEngineer}}
	doorstep  = auth.Rule{Open: true}
	// A desk shows what the reception works with; who only looks on has the wall.
	deskRule  = auth.Rule{Roles: []string{event.RoleReception, event.RoleScientist}, Here: true}
	houseRule = auth.Rule{Roles: []string{event.RoleEngineer, event.RoleScientist, event.RoleQuality}}
	// Each page of the house is for those for whom the API's methods behind it are.
	keeperRule = auth.Rule{Roles: []string{event.RoleEngineer}}
	peopleRule = auth.Rule{Roles: []string{event.RoleEngineer, event.RoleQuality}}
	viewRule   = auth.Rule{Roles: []string{event.RoleQuality}}
)

var whoSees = map[string]auth.Rule{
	"GET /{$}":             seers,
	"GET /wall":            screens,
	"GET /wall/stream":     screens,
	"GET /rack":            spinners,
	"GET /rack/stream":     spinners,
	"GET /hatch":           deskRule,
	"GET /hatch/stream":    deskRule,
	"GET /tubes":           seers,
	"GET /tubes/{id}":      seers,
	"GET /look-back":       reporters,
	"GET /look-back/flags": reporters,
	"GET /limits":          seers,
	"GET /limits/{id}":     seers,
	"GET /limits/check":    seers,
	"GET /limits/adopt":    seers,
	"POST /limits/check":   adopters,
	"POST /limits/adopt":   signers,
	"POST /labels/read":    screens,
	"GET /camera":          screens,
	"GET /readers":         screens,
	"GET /docs":            seers,
	"GET /openapi.json":    seers,

	"GET /tubes/{id}/report":    seers,
	"GET /draws/{id}/report":    seers,
	"GET /carriers/{id}/report": seers,
	"GET /report/paper.css":     seers,

	"GET /print":              printers,
	"GET /print/tubes":        printers,
	"GET /print/carriers":     printers,
	"GET /print/hatches":      printers,
	"GET /print/self-test":    printers,
	"GET /print/downtime":     printers,
	"GET /print/manifest":     printers,
	"GET /print/packing":      printers,
	"GET /print/paper/{name}": printers,

	"GET /house":                      houseRule,
	"GET /house/places":               houseRule,
	"GET /house/places/{id}":          houseRule,
	"GET /house/new/places":           houseRule,
	"POST /house/places":              houseRule,
	"GET /house/carriers":             houseRule,
	"GET /house/carriers/{id}":        houseRule,
	"GET /house/new/carriers":         houseRule,
	"POST /house/carriers":            houseRule,
	"GET /house/loggers":              houseRule,
	"GET /house/loggers/{id}":         houseRule,
	"GET /house/new/loggers":          houseRule,
	"POST /house/loggers":             houseRule,
	"GET /house/routes":               houseRule,
	"GET /house/routes/{id}":          houseRule,
	"GET /house/new/routes":           keeperRule,
	"POST /house/routes":              keeperRule,
	"GET /house/people":               peopleRule,
	"GET /house/people/{id}":          peopleRule,
	"GET /house/new/people":           keeperRule,
	"POST /house/people":              keeperRule,
	"GET /house/devices":              peopleRule,
	"GET /house/devices/{id}":         peopleRule,
	"GET /house/new/devices":          keeperRule,
	"POST /house/devices":             keeperRule,
	"GET /house/people/{id}/sign-in":  keeperRule,
	"POST /house/people/{id}/sign-in": keeperRule,
	"GET /house/people/{id}/release":  keeperRule,
	"POST /house/people/{id}/release": keeperRule,
	"GET /house/devices/{id}/invite":  keeperRule,
	"POST /house/devices/{id}/invite": keeperRule,
	"GET /house/devices/{id}/revoke":  keeperRule,
	"POST /house/devices/{id}/revoke": keeperRule,
	"GET /house/devices/{id}/allow":   keeperRule,
	"POST /house/devices/{id}/allow":  keeperRule,
	"GET /house/tokens":               keeperRule,
	"POST /house/tokens":              keeperRule,
	"GET /house/tokens/{id}/revoke":   keeperRule,
	"POST /house/tokens/{id}/revoke":  keeperRule,
	"GET /house/schemes":              houseRule,
	"GET /house/schemes/check":        houseRule,
	"POST /house/schemes/check":       keeperRule,
	"POST /house/schemes":             keeperRule,
	"GET /house/programmes":           houseRule,
	"GET /house/programmes/check":     houseRule,
	"POST /house/programmes/check":    houseRule,
	"POST /house/programmes":          houseRule,
	"GET /house/identity":             viewRule,
	"POST /house/identity":            viewRule,

	// What is needed to come in, and says nothing of the laboratory.
	"GET /assets/{version}/{name...}": doorstep,
	"GET /favicon.ico":                doorstep,
	"GET /bedside":                    doorstep, // a shell without data, which opens without network
	"GET /road":                       doorstep,
	"GET /phone-worker.js":            doorstep,
	"GET /phone.webmanifest":          doorstep,
	"GET /sign-in":                    doorstep,
	"POST /sign-in":                   doorstep,
	"POST /sign-in/device":            doorstep,
	"GET /sign-in/house":              doorstep,
	"GET /sign-in/back":               doorstep,
	"POST /sign-out":                  doorstep,
	"GET /set-up/{secret}":            doorstep,
	"POST /set-up/{secret}":           doorstep,
	"GET /enrol":                      doorstep,
	"/":                               doorstep, // says that there is no such page
}

// router puts every page behind its rule.
type router struct {
	mux      *http.ServeMux
	s        *server
	patterns []string
}

// Handle is http.ServeMux's, with the pattern's rule before it.
func (r *router) Handle(pattern string, h http.Handler) {
	r.patterns = append(r.patterns, pattern)
	r.mux.Handle(pattern, r.s.admit(whoSees[pattern], h))
}

// HandleFunc is Handle for a function.
func (r *router) HandleFunc(pattern string, h http.HandlerFunc) { r.Handle(pattern, h) }

// admit lets in who may see a page, and gives the handler who that is.
func (s *server) admit(rule auth.Rule, next http.Handler) http.Handler {
	in := s.opts.SignIn
	if in == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secret := s.sessionOf(r)
		p, err := in.Gate.Identify(r.Context(), auth.Credentials{Session: secret})
		if err != nil {
			p = &auth.Principal{}
		}
		if denied := rule.Check(p); denied != nil {
			s.turnAway(w, r.WithContext(auth.With(r.Context(), p)), denied, err)
			return
		}
		ctx := auth.With(r.Context(), p)
		if p.Kind != auth.Nobody {
			ctx = in.Carry(ctx, secret)
		}
		if strings.HasSuffix(r.URL.Path, "/stream") {
			var end context.CancelFunc
			ctx, end = context.WithCancel(ctx)
			defer end()
			go in.Gate.EndWith(ctx, auth.Credentials{Session: secret}, rule, end)
		}
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// siteFor is the site as who asks may see it.
func (s *server) siteFor(r *http.Request) Site {
	site := s.site
	if s.opts.SignIn == nil {
		return site
	}
	site.Who, site.Here = auth.From(r.Context()), s.site.Base+"/"
	if r.Method == http.MethodGet {
		site.Here = s.onward(r.URL.RequestURI())
	}
	return site
}

// SignedIn reports whether a person or a device is, by name.
func (s Site) SignedIn() bool {
	return s.Who != nil && (s.Who.Kind == auth.Person || s.Who.Kind == auth.Device)
}

// Screen reports whether a device without a person looks: nobody holds it in the hand.
func (s Site) Screen() bool { return s.Who != nil && s.Who.Kind == auth.Device }

// Acts says as what: "courier; reception at LAB".
func (s Site) Acts() string {
	if s.Who.Kind == auth.Device {
		return "this screen, without a person"
	}
	words := []string{strings.Join(s.Who.Everywhere(), ", ")}
	if words[0] == "" {
		words = nil
	}
	for _, r := range s.Who.Roles {
		if r.Place != "" {
			words = append(words, r.Role+" at "+r.Place)
		}
	}
	return strings.Join(words, "; ")
}

// May reports whether who looks at the page may go to the page of a path.
func (s Site) May(path string) (bool, error) {
	rule, ok := whoSees["GET "+path]
	if !ok {
		return false, fmt.Errorf("there is no page %s", path)
	}
	return s.Who == nil || rule.Check(s.Who) == nil, nil
}

func (s *server) sessionOf(r *http.Request) string {
	c, err := r.Cookie(s.opts.SignIn.Cookie)
	if err != nil {
		return ""
	}
	return c.Value
}

// turnAway says why somebody can't see a page. Who asked for a page to read is led to
// the sign-in and back.
func (s *server) turnAway(w http.ResponseWriter, r *http.Request, denied, ended error) {
	var not *auth.NotAllowedError
	switch {
	case errors.As(denied, &not):
		s.send(w, r, http.StatusForbidden, notForYou(not, auth.From(r.Context())))
	case r.Method == http.MethodGet && !strings.HasSuffix(r.URL.Path, "/stream") && strings.Contains(r.Header.Get("Accept"), "text/html"):
		q := url.Values{"next": {r.URL.RequestURI()}}
		if errors.Is(ended, auth.ErrEnded) {
			q.Set("ended", "1")
		}
		http.Redirect(w, r, s.site.Base+"/sign-in?"+q.Encode(), http.StatusSeeOther)
	default:
		s.send(w, r, http.StatusUnauthorized, signInFirst())
	}
}

func notForYou(not *auth.NotAllowedError, p *auth.Principal) plainPage {
	page := plainPage{Head: "This page is not for you", Said: []string{sentence("It is for " + not.Rule.Words())}}
	if roles := not.Rule.Roles; len(roles) > 0 && len(roles) < len(event.Roles()) {
		page.Said = []string{"It is for whoever has the role " + strings.Join(roles, " or ") + "."}
	}
	switch {
	case p.Kind == auth.Device:
		page.Said = append(page.Said, "This screen is signed in without a person.")
		page.Do = []string{"Sign in with your badge; the link stands at the top."}
		return page
	case slices.ContainsFunc(not.Rule.Roles, func(role string) bool { return slices.Contains(p.Anywhere(), role) }):
		page.Said = append(page.Said, "You have such a role at one place, and this page shows all places.")
	}
	page.Do = []string{"Ask one of them.", "If it should be for you, ask the engineer to give you the role."}
	return page
}

func signInFirst() plainPage {
	return plainPage{
		Head: "Nobody is signed in",
		Said: []string{"Nothing was done."},
		Do:   []string{"Go to the start page and sign in. What you were filling in must be filled in again."},
	}
}

// ActorOf gives the staff code of who is signed in, "" where nobody is asked.
func ActorOf(ctx context.Context) string {
	if p := auth.From(ctx); p.Kind == auth.Person {
		return p.ID
	}
	return ""
}
