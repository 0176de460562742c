package web

import (
	"encoding/base64"
	"errors"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"specimen.example/custody/internal/auth"
)

// signInPage takes badge and PIN. It holds a challenge, by which an enrolled device
// says that it is here.
type signInPage struct {
	Challenge string
	Next      string
	House     bool   // the house has a sign-in of its own
	Who       string // who is signed in already: this is a hand-over
	Ended     bool
	Open      bool // somebody can sign in at all
	Fault     string
}

// Render writes the page as HTML.
func (p signInPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Sign in", Kind: "sign-in", Script: "signin.js", Page: p}.render(w)
}

// setUpPage makes the first engineer.
type setUpPage struct {
	Secret, Code string
	Faults       map[string]string
}

// Render writes the page as HTML.
func (p setUpPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Set up", Kind: "set-up", Page: p}.render(w)
}

// enrolPage makes a device's key and hands in its public half.
type enrolPage struct{}

// Render writes the page as HTML.
func (p enrolPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Enrol this device", Kind: "enrol", Script: "enrol.js", Page: p}.render(w)
}

// comeInPage leads on, as a page of our own, who comes back from the house's sign-in.
type comeInPage struct{ To string }

// Render writes the page as HTML.
func (p comeInPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Signing in", Kind: "come-in", Onward: p.To, Page: p}.render(w)
}

// houseCookie holds what is remembered while somebody is at the house's own sign-in.
const houseCookie = "custody-house"

// most a form of signing in may send.
const mostSignIn = 16 << 10

func (s *server) signInPages(mux *router, own *http.CrossOriginProtection) {
	mux.HandleFunc("GET /sign-in", s.signIn)
	mux.Handle("POST /sign-in", own.Handler(http.HandlerFunc(s.takeSignIn)))
	mux.Handle("POST /sign-in/device", own.Handler(http.HandlerFunc(s.takeDevice)))
	mux.HandleFunc("GET /sign-in/house", s.toHouse)
	mux.HandleFunc("GET /sign-in/back", s.fromHouse)
	mux.Handle("POST /sign-out", own.Handler(http.HandlerFunc(s.signOut)))
	mux.HandleFunc("GET /set-up/{secret}", s.setUp)
	mux.Handle("POST /set-up/{secret}", own.Handler(http.HandlerFunc(s.takeSetUp)))
	mux.HandleFunc("GET /enrol", s.enrol)
}

// without tells where nobody is asked to sign in, and reports whether it did.
func (s *server) without(w http.ResponseWriter, r *http.Request) bool {
	if s.opts.SignIn != nil {
		return false
	}
	s.send(w, r, http.StatusOK, plainPage{
		Head: "Nobody signs in here",
		Said: []string{"This daemon shows and takes everything for everybody who reaches it. That is meant for demonstrations and rehearsals, and it listens to this machine alone."},
		Do:   []string{"Go to the start page.", "For a laboratory start it without --demo and without --sign-in off."},
	})
	return true
}

// onward is where to go after signing in: a page of this site alone.
func (s *server) onward(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.Contains(next, "\\") || !strings.HasPrefix(u.Path, s.site.Base+"/") {
		return s.site.Base + "/"
	}
	return u.RequestURI()
}

func (s *server) signIn(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) {
		return
	}
	p := signInPage{Next: s.onward(r.URL.Query().Get("next")), Ended: r.URL.Query().Get("ended") != ""}
	s.sendSignIn(w, r, http.StatusOK, p)
}

func (s *server) sendSignIn(w http.ResponseWriter, r *http.Request, code int, p signInPage) {
	in := s.opts.SignIn
	p.Next = s.onward(p.Next)
	var err error
	if p.Challenge, err = in.Gate.Challenge(); err != nil {
		s.fail(w, r, err)
		return
	}
	p.House, p.Open, p.Who = in.House != nil, in.Gate.Settled(), ActorOf(r.Context())
	s.send(w, r, code, p)
}

// proofOf reads a device's answer to the challenge; nil when the browser isn't one that
// was enrolled.
func proofOf(f url.Values) (*auth.Proof, error) {
	if f.Get("device") == "" {
		return nil, nil //nolint:nilnil // no device is no error
	}
	sig, err := base64.StdEncoding.DecodeString(f.Get("signature"))
	if err != nil {
		return nil, auth.ErrProof
	}
	return &auth.Proof{Device: f.Get("device"), Challenge: f.Get("challenge"), Signature: sig}, nil
}

func (s *server) form(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, mostSignIn)
	if err := r.ParseForm(); err != nil {
		s.send(w, r, http.StatusBadRequest, plainPage{Head: "The form could not be read", Said: []string{"Nothing was done."}, Do: []string{"Load the page again and fill it in anew."}})
		return false
	}
	return true
}

func (s *server) takeSignIn(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) || !s.form(w, r) {
		return
	}
	in := s.opts.SignIn
	page := signInPage{Next: s.onward(r.PostForm.Get("next"))}
	proof, err := proofOf(r.PostForm)
	var badge, secret string
	if err == nil {
		badge, err = in.Badge(r.PostForm.Get("badge"))
	}
	if err == nil && (badge == "" || r.PostForm.Get("pin") == "") {
		err = &auth.FieldError{Field: "badge", Say: "scan your badge, then type your PIN"}
	}
	if err == nil {
		secret, _, err = in.Gate.ByBadge(r.Context(), badge, r.PostForm.Get("pin"), r.PostForm.Get("place"), fromAddress(r), proof)
	}
	if err != nil {
		var code int
		code, page.Fault = s.whyNot(r, err)
		s.sendSignIn(w, r, code, page)
		return
	}
	s.begin(w, r, secret, page.Next)
}

// begin ends the session that was, which is the hand-over of a shared phone, and gives
// the browser the new one.
func (s *server) begin(w http.ResponseWriter, r *http.Request, secret, next string) {
	if old := s.sessionOf(r); old != "" {
		if err := s.opts.SignIn.Gate.SignOut(r.Context(), old); err != nil {
			s.log.WarnContext(r.Context(), "the session before was not ended", "error", err)
		}
	}
	s.setCookie(w, s.opts.SignIn.Cookie, secret, http.SameSiteStrictMode, 0)
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// setCookie gives the browser a cookie that no script reads and, over TLS, no plain
// connection carries. An empty value takes it away.
func (s *server) setCookie(w http.ResponseWriter, name, value string, site http.SameSite, age time.Duration) {
	c := &http.Cookie{Name: name, Value: value, Path: "/", HttpOnly: true, Secure: s.opts.Secure, SameSite: site, MaxAge: int(age / time.Second)}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// whyNot gives the code and the sentence of a refused sign-in.
func (s *server) whyNot(r *http.Request, err error) (int, string) {
	var field *auth.FieldError
	var locked *auth.LockedError
	switch {
	case errors.As(err, &field):
		return http.StatusBadRequest, sentence(field.Say)
	case errors.As(err, &locked):
		return http.StatusForbidden, sentence(locked.Error())
	case errors.Is(err, auth.ErrTooMany):
		return http.StatusTooManyRequests, sentence(err.Error())
	case errors.Is(err, auth.ErrBusy):
		s.log.WarnContext(r.Context(), "somebody could not sign in", "error", err)
		return http.StatusServiceUnavailable, sentence(auth.ErrBusy.Error())
	case errors.Is(err, auth.ErrHouseAway):
		s.log.WarnContext(r.Context(), "the house's sign-in does not answer", "error", err)
		return http.StatusServiceUnavailable, sentence(auth.ErrHouseAway.Error())
	case errors.Is(err, auth.ErrHouse):
		s.log.WarnContext(r.Context(), "the house's sign-in did not vouch for somebody", "error", err)
		return http.StatusForbidden, sentence(auth.ErrHouse.Error())
	case errors.Is(err, auth.ErrWrong), errors.Is(err, auth.ErrInactive), errors.Is(err, auth.ErrAccount), errors.Is(err, auth.ErrProof), errors.Is(err, auth.ErrReplayed), errors.Is(err, auth.ErrDevice), errors.Is(err, auth.ErrSetUp):
		return http.StatusForbidden, sentence(err.Error())
	default:
		s.log.ErrorContext(r.Context(), "somebody could not sign in", "error", err)
		return http.StatusInternalServerError, "Something failed inside the program; try again, then tell the engineer."
	}
}

// takeDevice signs in a device without a person: a screen on the wall. A script asks.
func (s *server) takeDevice(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) || !s.form(w, r) {
		return
	}
	proof, err := proofOf(r.PostForm)
	if err == nil && proof == nil {
		err = auth.ErrDevice
	}
	var secret string
	if err == nil {
		secret, _, err = s.opts.SignIn.Gate.ByDevice(r.Context(), *proof, fromAddress(r))
	}
	if err != nil {
		code, say := s.whyNot(r, err)
		s.sendSignIn(w, r, code, signInPage{Next: s.onward(r.PostForm.Get("next")), Fault: say})
		return
	}
	s.begin(w, r, secret, s.onward(r.PostForm.Get("next")))
}

func (s *server) toHouse(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) {
		return
	}
	if s.opts.SignIn.House == nil {
		s.unknownPage(w, r)
		return
	}
	next := s.onward(r.URL.Query().Get("next"))
	address, keep, err := s.opts.SignIn.House.Begin(r.Context(), next)
	if err != nil {
		code, say := s.whyNot(r, err)
		s.sendSignIn(w, r, code, signInPage{Next: next, Fault: say})
		return
	}
	s.setCookie(w, houseCookie, keep, http.SameSiteStrictMode, 10*time.Minute)
	http.Redirect(w, r, address, http.StatusSeeOther)
}

func (s *server) fromHouse(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) {
		return
	}
	in := s.opts.SignIn
	if in.House == nil {
		s.unknownPage(w, r)
		return
	}
	q := r.URL.Query()
	if !q.Has("here") {
		// The browser comes from another site and keeps our strict cookies back, also from
		// where it is sent on to. Asked again by our own page it brings them.
		q.Set("here", "1")
		s.send(w, r, http.StatusOK, comeInPage{To: s.site.Base + "/sign-in/back?" + q.Encode()})
		return
	}
	kept := ""
	if c, err := r.Cookie(houseCookie); err == nil {
		kept = c.Value
	}
	s.setCookie(w, houseCookie, "", http.SameSiteStrictMode, 0) // an answer counts once
	account, next, err := in.House.Finish(r.Context(), kept, auth.Answer{State: q.Get("state"), Code: q.Get("code"), Error: q.Get("error")})
	var secret string
	if err == nil {
		secret, _, err = in.Gate.ByAccount(r.Context(), account, "", nil)
	}
	if err != nil {
		code, say := s.whyNot(r, err)
		s.sendSignIn(w, r, code, signInPage{Next: s.onward(next), Fault: say})
		return
	}
	s.begin(w, r, secret, s.onward(next))
}

func (s *server) signOut(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) {
		return
	}
	if err := s.opts.SignIn.Gate.SignOut(r.Context(), s.sessionOf(r)); err != nil {
		code, say := s.whyNot(r, err)
		s.sendSignIn(w, r, code, signInPage{Fault: say})
		return
	}
	s.setCookie(w, s.opts.SignIn.Cookie, "", http.SameSiteStrictMode, 0)
	http.Redirect(w, r, s.site.Base+"/sign-in", http.StatusSeeOther)
}

func (s *server) setUp(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) {
		return
	}
	if !s.opts.SignIn.Gate.SetUpOpen(r.PathValue("secret")) {
		s.send(w, r, http.StatusForbidden, noSetUp())
		return
	}
	s.send(w, r, http.StatusOK, setUpPage{Secret: r.PathValue("secret")})
}

func noSetUp() plainPage {
	return plainPage{
		Head: "This link is not open",
		Said: []string{"It was used already, belongs to an earlier start, or is not whole."},
		Do:   []string{"If somebody has set up this laboratory, sign in.", "Else start custodyd again and take the link that it prints."},
	}
}

func (s *server) takeSetUp(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) || !s.form(w, r) {
		return
	}
	in, secret := s.opts.SignIn, r.PathValue("secret")
	if !in.Gate.SetUpOpen(secret) {
		s.send(w, r, http.StatusForbidden, noSetUp())
		return
	}
	page := setUpPage{Secret: secret, Code: strings.TrimSpace(r.PostForm.Get("code")), Faults: map[string]string{}}
	badge, err := in.Badge(r.PostForm.Get("badge"))
	if err == nil && r.PostForm.Get("pin") != r.PostForm.Get("again") {
		err = &auth.FieldError{Field: "again", Say: "the two PINs differ; type the same twice"}
	}
	var token string
	if err == nil {
		n := auth.NewSignIn{Code: page.Code, Badge: badge, PIN: r.PostForm.Get("pin")}
		err = in.Gate.SetUp(r.Context(), secret, n, in.Describe)
	}
	if err == nil {
		// Whoever has just chosen badge and PIN need not type them again.
		token, _, err = in.Gate.ByBadge(r.Context(), badge, r.PostForm.Get("pin"), "", fromAddress(r), nil)
	}
	if err != nil {
		var field *auth.FieldError
		code := http.StatusBadRequest
		if errors.As(err, &field) {
			page.Faults[field.Field] = sentence(field.Say)
		} else {
			code, page.Faults[""] = s.whyNot(r, err)
		}
		s.send(w, r, code, page)
		return
	}
	s.begin(w, r, token, s.site.Base+"/house")
}

func (s *server) enrol(w http.ResponseWriter, r *http.Request) {
	if s.without(w, r) {
		return
	}
	s.send(w, r, http.StatusOK, enrolPage{})
}

// fromAddress is the browser's address, for limits.
func fromAddress(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}
