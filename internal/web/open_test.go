package web

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
)

func TestScanOpensTheTube(t *testing.T) {
	s := Story{Name: "site", Path: "/", tube: tubeWithin, wall: wallEmpty}
	mux := http.NewServeMux()
	mux.Handle("/site/", http.StripPrefix("/site", s.Handler("/site")))
	server := httptest.NewServer(mux)
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	for _, path := range []string{"/", "/wall", "/tubes/TB260310"} {
		p := browsertest.Open(t, server.URL+"/site"+path, browsertest.Look{})
		// The start page has its cursor in the box for a number: it stays clean.
		p.Press(browsertest.Keys("]d2010952123400017410K7Q221998877\n", readerPace)...)
		p.Wait(`document.getElementById("read-said").textContent.includes("drops the separators")`)
		var typed string
		p.Eval(`document.getElementById("number")?.value ?? ""`, &typed)
		if typed != "" {
			t.Errorf("%s: %q landed in the box", path, typed)
		}
		p.Press(browsertest.Keys("]d28018095212340000000013\n", readerPace)...)
		p.Wait(`document.getElementById("read-said").textContent.includes("names a wristband. Scan the label of a tube")`)
		for _, v := range p.Axe() {
			t.Errorf("%s: %s", path, v)
		}
		p.Click("#read-said button")
		p.Wait(`document.getElementById("read-said").hidden`)
		p.Press(browsertest.Keys("]C0TB260", readerPace)...)
		p.Wait(`document.getElementById("read-said").textContent.includes("Incomplete read, not taken: no end came behind it")`)
		p.Press(browsertest.Keys("\n", 0)...)
		p.Press(browsertest.Keys("]C0TB260301\n", readerPace)...)
		p.Wait(`location.pathname === "/site/tubes/TB260301"`)
		if errs := p.Errors(); len(errs) > 0 {
			t.Errorf("%s complains: %q", path, errs)
		}
	}
}
