package web

import (
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
)

// SCN-S4: a scan with the cursor in the remarks.
func TestScanInARemark(t *testing.T) {
	var story Story
	for _, s := range Stories() {
		if s.Name == "limits-first" {
			story = s
		}
	}
	var sent atomic.Int32
	next := story.Handler("/site")
	mux := http.NewServeMux()
	mux.Handle("/site/", http.StripPrefix("/site", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/limits/adopt" {
			sent.Add(1)
		}
		next.ServeHTTP(w, r)
	})))
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	p := browsertest.Open(t, server.URL+"/site"+story.Path, browsertest.Look{})
	p.Wait(`document.querySelector("script[src*='remark.js']")`)
	p.Eval(`document.querySelector("#reason").form.noValidate = true`, nil) // the rest of the form is another test's
	p.Eval(`document.querySelector("#reason").focus()`, nil)

	// Framed, it never gets there.
	p.Press(browsertest.Keys("]C0TB260118\n", readerPace)...)
	p.Wait(`document.getElementById("reason-scan").textContent.startsWith("A label was scanned")`)
	var words string
	if p.Eval(`document.getElementById("reason").value`, &words); words != "" || sent.Load() != 0 {
		t.Errorf("the scan left %q in the words and sent the form %d times", words, sent.Load())
	}
	// Without identifier it can't be told from typing: the form asks first.
	p.Press(browsertest.Keys("TB260118\n", readerPace)...)
	p.Wait(`document.getElementById("reason-scan").textContent.startsWith("TB260118 looks like a number off a label")`)
	if sent.Load() != 0 {
		t.Error("it was sent unasked")
	}
	for _, v := range p.Axe() {
		t.Errorf("%s", v)
	}
	p.Press(browsertest.Keys("\n", 0)...)
	p.Wait(`!document.getElementById("reason-scan")`)
	if sent.Load() != 1 {
		t.Errorf("meant so, it was sent %d times", sent.Load())
	}
}
