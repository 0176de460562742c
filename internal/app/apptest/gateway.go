package apptest

import (
	"bytes"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// Gateway is a network between a browser and a daemon that fails as it is told, call by
// call. Browsers take it for the daemon: it keeps its address over the daemon's restarts.
type Gateway struct {
	URL string

	mu      sync.Mutex // guards the fields below
	cut     bool
	lose    func(n int) bool // of the n-th answer to a post of scans, from 1
	posts   int
	refuse  string // posts of scans are answered 503
	renamed [2]string
	seen    []string
}

// NewGateway listens on the loopback before a daemon.
func NewGateway(tb testing.TB, target string) *Gateway {
	tb.Helper()
	to, err := url.Parse(target)
	if err != nil {
		tb.Fatal(err)
	}
	g := &Gateway{}
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(to)
			r.Out.Host = r.In.Host
			r.Out.Header.Del("Accept-Encoding")
		},
		FlushInterval:  -1,
		ModifyResponse: g.answer,
		ErrorHandler:   func(http.ResponseWriter, *http.Request, error) { panic(http.ErrAbortHandler) }, // the daemon is down
		ErrorLog:       log.New(io.Discard, "", 0),
	}
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { g.serve(w, r, proxy) }))
	server.Config.ErrorLog = log.New(io.Discard, "", 0)
	server.Start()
	g.URL = server.URL
	tb.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	return g
}

func (g *Gateway) serve(w http.ResponseWriter, r *http.Request, next http.Handler) {
	scans := r.Method == http.MethodPost && r.URL.Path == "/v1/scans"
	g.mu.Lock()
	cut, refuse, renamed := g.cut, g.refuse, g.renamed
	g.seen = append(g.seen, r.Method+" "+r.URL.Path)
	g.mu.Unlock()
	switch {
	case cut:
		panic(http.ErrAbortHandler)
	case scans && refuse != "":
		http.Error(w, refuse, http.StatusServiceUnavailable)
		return
	case renamed[1] != "":
		r.URL.Path = strings.ReplaceAll(r.URL.Path, renamed[1], renamed[0])
	}
	next.ServeHTTP(w, r)
}

// answer loses an answer that the daemon gave, or changes it.
func (g *Gateway) answer(resp *http.Response) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if resp.Request.Method == http.MethodPost && resp.Request.URL.Path == "/v1/scans" {
		g.posts++
		if g.lose != nil && g.lose(g.posts) {
			panic(http.ErrAbortHandler)
		}
	}
	if g.renamed[0] == "" {
		return nil
	}
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return err
	}
	_ = resp.Body.Close()
	body = bytes.ReplaceAll(body, []byte(g.renamed[0]), []byte(g.renamed[1]))
	resp.Body = io.NopCloser(bytes.NewReader(body))
	resp.Header.Set("Content-Length", strconv.Itoa(len(body)))
	return nil
}

func (g *Gateway) set(change func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	change()
}

// Cut breaks off whatever is asked from now on.
func (g *Gateway) Cut() { g.set(func() { g.cut = true }) }

// Heal is a network that works again. What else was told to fail still does.
func (g *Gateway) Heal() { g.set(func() { g.cut = false }) }

// Lose takes away answers to posts of scans that the daemon has carried out; nil ends it.
func (g *Gateway) Lose(which func(n int) bool) { g.set(func() { g.lose, g.posts = which, 0 }) }

// Refuse answers posts of scans with 503 and these words; "" ends it.
func (g *Gateway) Refuse(say string) { g.set(func() { g.refuse = say }) }

// Rename shows the daemon's build under another name, as an older one; "" ends it.
func (g *Gateway) Rename(build, as string) { g.set(func() { g.renamed = [2]string{build, as} }) }

// Seen gives what was asked for so far, as "GET /v1/me".
func (g *Gateway) Seen() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return append([]string(nil), g.seen...)
}
