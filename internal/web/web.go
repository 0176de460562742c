// Package web decides what people see: pages are typed structs that render
// themselves, in the words of the trade, from what a Source tells. It judges
// nothing; every verdict, limit and time arrives with the page.
package web

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/printing"
)

// Errors a Source answers with; pages say what to do about each.
var (
	ErrNotFound = errors.New("nothing is known under this id; check the number on the label")
	ErrNotReady = errors.New("the log is still being read; try again in a moment")
)

// LabelRefused is what a Source answers when what was typed or scanned can't be a
// number of the kind asked for, with what to do.
type LabelRefused struct{ Say, Remedy string }

// Error implements error.
func (l *LabelRefused) Error() string { return l.Say + "; " + l.Remedy }

// Change says that the log has grown and a page may differ.
type Change struct {
	Seq uint64 // log sequence of the change
	// Reset: the position asked for can't be resumed from, so nothing that was
	// sent before it may be kept.
	Reset bool
}

// Source tells what the pages show. Its methods are called from many
// goroutines at once, and what they return belongs to the caller.
type Source interface {
	// Wall gives the wall as of now, or ErrNotReady.
	Wall(ctx context.Context) (WallPage, error)
	// Tube gives a tube by what a person typed or scanned: ErrNotFound when
	// nothing is known of it, or ErrNotReady.
	Tube(ctx context.Context, id string) (TubePage, error)
	// Watch gives a change for what happened after since (0: from now on) until
	// ctx ends; it may fold several into one. It closes the channel when it can't
	// go on; the browser then asks again.
	Watch(ctx context.Context, since uint64) (<-chan Change, error)
	// ReadLabel says what a label names, by the site's schemes and by what the log
	// knows. The error is always a *label.Refusal.
	ReadLabel(in label.Input) (LabelNamed, error)
	// Limits gives the limits in force, those adopted before or for later, and the
	// shipped ones, or ErrNotReady.
	Limits(ctx context.Context) (LimitsPage, error)
	// AdoptLimits puts a set of limits in force in the name of a person. It answers
	// LimitsRefused for what is wrong with the request, ErrNotSaved when it may be
	// sent again under the same id, or ErrNotReady.
	AdoptLimits(ctx context.Context, a LimitsAdoption) (LimitsAdopted, error)
	PrintSource
	ReportSource
	HouseSource
	LookBackSource
	RackSource
	HatchSource
}

// LabelNamed is what a label says, and under which id the pages know it: with its
// ward, its type or its turn where the number alone is not one thing's. It is empty
// for what has no page.
type LabelNamed struct {
	label.Reading
	ID string
}

// Options are the front's settings. The zero value serves under "/", without a
// demonstration banner, on the wall clock.
type Options struct {
	Title   string           // name in the head of each page; empty is "Specimen custody"
	Demo    bool             // says on each page that the data are invented
	Base    string           // path the front is mounted below, "" or "/x" without a last slash
	Now     func() time.Time // clock; nil is time.Now
	OpenAPI []byte           // OpenAPI 2 description for /docs; empty: the page says there is none
	Secure  bool             // served over TLS: cookies go no other way
	Strict  bool             // browsers are told never to come without TLS, and to take no other certificate
	Log     *slog.Logger     // where failures go; nil is slog.Default
	// LabelDPI is how many dots to the inch the site's label printers have; 0 is the
	// first of printing.DPIs.
	LabelDPI int
	// SignIn is how people come in; nil: nobody is asked to sign in.
	SignIn *SignIn
}

//go:embed templates/*.html
var templateFiles embed.FS

var templates = template.Must(template.New("").ParseFS(templateFiles, "templates/*.html"))

// Site is what each page needs beside its own data.
type Site struct {
	Title string
	Demo  bool
	Base  string
	// Who looks at the page; nil where nobody is asked to sign in.
	Who *auth.Principal
	// Here is the page's own address, for coming back after a hand-over.
	Here string
}

// Asset gives the address of an embedded file; it changes with any of them.
func (s Site) Asset(name string) string { return s.Base + "/assets/" + assets.version + "/" + name }

// Build names this program's set of assets; a page of another build is outdated.
func (s Site) Build() string { return assets.version }

// TubeURL gives the address of a tube's page.
func (s Site) TubeURL(id string) string { return s.Base + "/tubes/" + url.PathEscape(id) }

type server struct {
	src  Source
	opts Options
	site Site
	docs docsPage
	log  *slog.Logger
	beat time.Duration
}

// New gives the handler of all pages, their assets and the wall's stream.
func New(src Source, opts Options) http.Handler {
	s := newServer(src, opts)
	return s.headers(s.routes().mux)
}

// routes are all pages, each behind its rule.
func (s *server) routes() *router {
	mux := &router{mux: http.NewServeMux(), s: s}
	mux.HandleFunc("GET /{$}", s.start)
	mux.HandleFunc("GET /wall", s.wall)
	mux.HandleFunc("GET /wall/stream", s.wallStream)
	mux.HandleFunc("GET /tubes", s.findTube)
	mux.HandleFunc("GET /tubes/{id}", s.tube)
	mux.HandleFunc("GET /limits", s.limits)
	mux.HandleFunc("GET /limits/{id}", s.limit)
	// A form that is loaded again by its address begins anew.
	mux.Handle("GET /limits/check", http.RedirectHandler(s.site.Base+"/limits#adopt", http.StatusSeeOther))
	mux.Handle("GET /limits/adopt", http.RedirectHandler(s.site.Base+"/limits#adopt", http.StatusSeeOther))
	// Whoever mounts the pages need not know which of them write.
	own := http.NewCrossOriginProtection()
	own.SetDenyHandler(http.HandlerFunc(s.foreign))
	mux.Handle("POST /limits/check", own.Handler(http.HandlerFunc(s.checkLimits)))
	mux.Handle("POST /limits/adopt", own.Handler(http.HandlerFunc(s.adoptLimits)))
	mux.Handle("POST /labels/read", own.Handler(http.HandlerFunc(s.readLabel)))
	mux.HandleFunc("GET /camera", s.camera)
	mux.HandleFunc("GET /readers", s.readers)
	s.lookBackPages(mux)
	s.hatchPages(mux)
	s.phonePages(mux)
	s.rackPages(mux)
	s.printPages(mux)
	s.reportPages(mux)
	s.housePages(mux, func(path string, h http.HandlerFunc) { mux.Handle("POST "+path, own.Handler(h)) })
	mux.HandleFunc("GET /docs", s.docsPage)
	mux.HandleFunc("GET /openapi.json", s.openAPI)
	mux.HandleFunc("GET /assets/{version}/{name...}", serveAsset)
	mux.HandleFunc("GET /favicon.ico", s.icon)
	mux.HandleFunc("/", s.unknownPage)
	s.signInPages(mux, own)
	return mux
}

func newServer(src Source, opts Options) *server {
	if opts.Title == "" {
		opts.Title = "Specimen custody"
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	if opts.LabelDPI == 0 {
		opts.LabelDPI = int(printing.DPIs()[0])
	}
	opts.Base = strings.TrimSuffix(opts.Base, "/")
	return &server{
		src: src, opts: opts, log: opts.Log, beat: heartbeat,
		site: Site{Title: opts.Title, Demo: opts.Demo, Base: opts.Base},
		docs: readDocs(opts.OpenAPI),
	}
}

// policy lets a page load what this server embeds, and nothing else: no inline
// script or style, no other host, no frame around it.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func (s *server) headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		h.Set("Cache-Control", "no-store")
		if s.opts.Strict {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		next.ServeHTTP(w, r)
	})
}

// page is what renders itself.
type page interface {
	Render(w io.Writer, site Site) error
}

func (s *server) send(w http.ResponseWriter, r *http.Request, status int, p page) {
	var buf bytes.Buffer
	if err := p.Render(&buf, s.siteFor(r)); err != nil {
		s.log.ErrorContext(r.Context(), "page not rendered", "path", r.URL.Path, "error", err)
		http.Error(w, "The page could not be drawn. What was scanned is safe. Try again, then tell the engineer.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	if _, err := buf.WriteTo(w); err != nil {
		s.log.DebugContext(r.Context(), "page not delivered", "path", r.URL.Path, "error", err)
	}
}

func (s *server) now() event.Instant { return event.At(s.opts.Now()) }

func (s *server) start(w http.ResponseWriter, r *http.Request) {
	s.send(w, r, http.StatusOK, startPage{})
}

func (s *server) wall(w http.ResponseWriter, r *http.Request) {
	p, err := s.readWall(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.send(w, r, http.StatusOK, p)
}

func (s *server) readWall(ctx context.Context) (WallPage, error) {
	p, err := s.src.Wall(ctx)
	if err != nil {
		return p, fmt.Errorf("reading the wall: %w", err)
	}
	if p.Now == 0 {
		p.Now = s.now()
	}
	return p, nil
}

func (s *server) tube(w http.ResponseWriter, r *http.Request) {
	id := strings.TrimSpace(r.PathValue("id"))
	p, err := s.src.Tube(r.Context(), id)
	if errors.Is(err, ErrNotFound) {
		s.send(w, r, http.StatusNotFound, noTube(id))
		return
	}
	var refused *LabelRefused
	if errors.As(err, &refused) {
		s.send(w, r, http.StatusNotFound, noNumber(id, refused))
		return
	}
	if err != nil {
		s.fail(w, r, fmt.Errorf("reading tube %s: %w", id, err))
		return
	}
	if p.Now == 0 {
		p.Now = s.now()
	}
	s.send(w, r, http.StatusOK, p)
}

// findTube takes what was typed or scanned on the start page.
func (s *server) findTube(w http.ResponseWriter, r *http.Request) {
	id := strings.TrimSpace(r.URL.Query().Get("number"))
	if id == "" {
		s.send(w, r, http.StatusBadRequest, startPage{Missing: true})
		return
	}
	http.Redirect(w, r, s.site.TubeURL(id), http.StatusSeeOther)
}

func (s *server) docsPage(w http.ResponseWriter, r *http.Request) {
	s.send(w, r, http.StatusOK, s.docs)
}

func (s *server) openAPI(w http.ResponseWriter, r *http.Request) {
	if len(s.opts.OpenAPI) == 0 {
		s.send(w, r, http.StatusNotFound, s.docs)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	// A broken connection shows at the reader.
	_, _ = w.Write(s.opts.OpenAPI)
}

func (s *server) icon(w http.ResponseWriter, r *http.Request) {
	http.Redirect(w, r, s.site.Asset("icon.svg"), http.StatusFound)
}

func (s *server) unknownPage(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		s.send(w, r, http.StatusMethodNotAllowed, onlyRead())
		return
	}
	s.send(w, r, http.StatusNotFound, noPage(r.URL.Path))
}

// foreign answers a form that another site sent in somebody's name.
func (s *server) foreign(w http.ResponseWriter, r *http.Request) {
	s.send(w, r, http.StatusForbidden, fromElsewhere())
}

func (s *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if errors.Is(err, ErrNotReady) {
		w.Header().Set("Retry-After", "5")
		s.send(w, r, http.StatusServiceUnavailable, notReady())
		return
	}
	s.log.ErrorContext(r.Context(), "page not read", "path", r.URL.Path, "error", err)
	s.send(w, r, http.StatusInternalServerError, broken())
}
