package web

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
)

// bedsideBench is the shell of the page without what begins it: the screens are shown by
// testdata/bedside.js.
const bedsideBench = `<!doctype html><html lang="en" data-kind="phone" data-phone="%p"><head><meta charset="utf-8"><title>Bedside</title>
<meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover"><link rel="stylesheet" href="%b"><link rel="stylesheet" href="%c">
<script type="module" src="/bedside.js"></script></head><body class="phone"><header id="bar" class="phone-bar"><div class="bar-line"><div class="bar-said"><p class="bar-who">mira · GULL-CLINIC</p></div></div></header>
<main id="main" data-screen="bedside"></main><footer class="phone-foot"><p>Advises only. Local procedure and licensed staff decide.</p></footer></body></html>`

func bedsidePage(t *testing.T, look browsertest.Look) *browsertest.Page {
	t.Helper()
	mux := http.NewServeMux()
	site := Site{}
	page := strings.NewReplacer("%p", strings.TrimSuffix(site.Asset("phone/ui.js"), "ui.js"), "%b", site.Asset("base.css"), "%c", site.Asset("phone.css")).Replace(bedsideBench)
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", phonePolicy)
		_, _ = w.Write([]byte(page))
	})
	for _, name := range []string{"bedside.js", "bedside.json"} {
		mux.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) { http.ServeFile(w, r, filepath.Join("testdata", name)) })
	}
	mux.Handle("/", quiet(Story{Path: "/"}))
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	p := browsertest.Open(t, server.URL+"/", look)
	p.Wait(`window.ready`)
	return p
}

func TestShots(t *testing.T) {
	dir := os.Getenv("SHOTS")
	if dir == "" {
		return
	}
	p := bedsidePage(t, browsertest.Look{Width: 390, Height: 844, Still: true})
	var names []string
	p.Eval(`names`, &names)
	for _, lang := range []string{"en", "de"} {
		for _, n := range names {
			if os.Getenv("ONLY") != "" && !strings.Contains(","+os.Getenv("ONLY")+",", ","+n+",") {
				continue
			}
			p.Look(browsertest.Look{Width: 390, Height: 844, Still: true, Dark: lang == "de"})
			p.Eval(`state("`+n+`","`+lang+`").then(() => 1)`, nil)
			var h int
			p.Eval(`document.documentElement.scrollHeight`, &h)
			p.Look(browsertest.Look{Width: 390, Height: min(h, 3000), Still: true, Dark: lang == "de"})
			p.Eval(`settle().then(()=>1)`, nil)
			_ = os.WriteFile(filepath.Join(dir, n+"-"+lang+".png"), p.Screenshot(), 0o600)
		}
	}
	for _, e := range p.Errors() {
		t.Error(e)
	}
}
