package web

import (
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
)

// The paper is a style sheet by its address, read strictly: what is no size gets no
// rule.
func TestPrintPaper(t *testing.T) {
	h := quiet(Story{})
	for path, want := range map[string]string{
		"50.8x25.4.css":    "@page { size: 50.8mm 25.4mm; margin: 0 }\n",
		"100x50.css":       "@page { size: 100mm 50mm; margin: 0 }\n",
		"60x40.05.css":     "@page { size: 60mm 40.05mm; margin: 0 }\n",
		"a4-landscape.css": "@page { size: A4 landscape; margin: 9mm 10mm }\n",
	} {
		w := get(t, h, "/print/paper/"+path)
		if w.Code != http.StatusOK || w.Body.String() != want || w.Header().Get("Content-Type") != "text/css; charset=utf-8" || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%s: %d %q, %v", path, w.Code, w.Body, w.Header())
		}
	}
	for _, path := range []string{"50.8x25.4", "50x25}*{x.css", "5x5.css", "1e2x50.css", "50x25x25.css", "a4.css", "a4-landscape", "50,8x25.css", "x.css", ".css", "-50x25.css", "50x999.css"} {
		if w := get(t, h, "/print/paper/"+url.PathEscape(path)); w.Code != http.StatusNotFound {
			t.Errorf("%s: %d %q", path, w.Code, w.Body)
		}
	}
}

// A form that is wrong says which field, why, and what to do, and prints nothing.
// The forms begin with the site's printer, and each print may choose another.
func TestFormsBeginWithTheSitesPrinter(t *testing.T) {
	h := New(Story{}, Options{LabelDPI: 300})
	for path, want := range map[string]string{
		"/print/tubes": "<option selected>300</option>", "/print/tubes?dpi=600": "<option selected>600</option>",
		"/print/carriers": "<option selected>300</option>", "/print/self-test": "<option selected>300</option>",
	} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: %d, no %s", path, w.Code, want)
		}
	}
}

func TestPrintFormsNameTheField(t *testing.T) {
	h := quiet(Story{printed: printSite()})
	many := url.Values{}
	for range mostLabels + 1 {
		many.Add("number", "TB2601182")
	}
	for _, c := range []struct {
		path, field, say string
		status           int
	}{
		{"tubes?number=TB2601183", "numbers", "TB2601183: a character of the number of a tube is wrong", 422},
		{"tubes?number=DT-001", "ward", "say which ward", 422},
		{"tubes?number=XY", "numbers", "no number scheme of this site has such a number", 422},
		{"tubes?request=R-0", "request", "Nothing was ever recorded of the request R-0", 422},
		{"tubes?number=TB2601182&size=50", "size", "write width x height in mm", 422},
		{"tubes?number=TB2601182&dpi=96", "dpi", "none of 203, 300, 600", 422},
		{"tubes?number=TB2601182&symbols=qr", "symbols", "choose one", 422},
		{"tubes?number=TB2601182&size=30x25", "size", "the label is 30 mm wide; take wider labels, print the Data Matrix alone", 422},
		{"tubes?" + many.Encode(), "numbers", "Print them in parts", 422},
		{"carriers?number=%2BA123BJC5D6E71G", "numbers", "product code", 422},
		{"hatches?number=(414)0614141008888", "numbers", "check digit", 422},
		{"self-test?size=12x12", "size", "The self-test needs labels of at least", 422},
		{"downtime?scheme=XX&from=1", "scheme", "Choose one of the list", 422},
		{"downtime?scheme=DT&from=DT-001", "ward", "which ward", 422},
		{"downtime?scheme=DT&from=DT-990&count=20&ward=N", "from", "DT-999 is the last number", 422},
		{"downtime?scheme=DT&from=DT-001&count=many&ward=N", "count", "1 to 500", 422},
		{"downtime?scheme=DT&from=DT-001&count=0&ward=N", "count", "1 to 500", 422},
		{"downtime?scheme=TB&from=DT-001", "from", "no number of TB", 422},
		{"downtime?scheme=DT&from=DT-001&count=3&ward=N&as=labels&size=20x20", "size", "take wider labels", 422},
		{"manifest?carrier=B-99", "carrier", "Nothing was ever recorded of B-99", 404},
		{"packing?carrier=TB2601182", "carrier", "this label is a tube", 422},
	} {
		w := get(t, h, "/print/"+c.path)
		body := html.UnescapeString(w.Body.String())
		if w.Code != c.status || !strings.Contains(body, `role="alert"`) || !strings.Contains(body, c.say) {
			t.Errorf("%s: %d without %q", c.path, w.Code, c.say)
		}
		field, found := "", false
		for _, part := range strings.Split(body, "<") {
			if strings.Contains(part, ` id="`+c.field+`"`) {
				field, found = part, true
			}
		}
		if !found || !strings.Contains(field, `aria-invalid="true"`) {
			t.Errorf("%s: the field %s is not marked: %q", c.path, c.field, field)
		}
		if strings.Contains(body, `<svg class="label"`) || strings.Contains(body, "<tbody") {
			t.Errorf("%s: half of it is printed all the same", c.path)
		}
	}
}

// What is typed once stands on the label in the form in which it can be typed again.
func TestPrintedNumberCanBeTyped(t *testing.T) {
	h := quiet(Story{printed: printSite()})
	for typed, want := range map[string]string{
		"tb2601182": ">TB2601182<", "260114": ">(91)260114<", "(91)260114": ">(91)260114<", " TB2601182 ": ">TB2601182<",
	} {
		w := get(t, h, "/print/tubes?"+url.Values{"number": {typed}}.Encode())
		if body := html.UnescapeString(w.Body.String()); w.Code != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%q: %d without %s", typed, w.Code, want)
		}
	}
	w := get(t, h, "/print/carriers?number=(00)106141412345678908")
	if body := w.Body.String(); w.Code != http.StatusOK || !strings.Contains(body, ">(00)106141412345678908<") {
		t.Errorf("SSCC: %d", w.Code)
	}
}

// The first to run out stands on top, behind what is past and before what is fine.
func TestManifestOrder(t *testing.T) {
	site := Story{printed: printSite()}
	p := manifestOf(site.printed.contents, site.Schemes())
	var got []string
	for _, l := range p.Lines {
		got = append(got, l.Number+" "+l.Head)
	}
	want := "DT-004, NORTH past its limit|TB2601199 running out|(91)260114 cannot say|TB2601205 cannot say|TB2601182 within limits"
	if strings.Join(got, "|") != want {
		t.Errorf("%q\nwant %q", got, want)
	}
	// Of two alike the one that runs out first comes first; one that can't be said last.
	at := func(n string, due event.Instant) PrintRow {
		return PrintRow{PrintTube: PrintTube{Key: storyKey("L", n), Tests: []PrintTest{{Code: "K", Name: "potassium", Verdict: event.WithinLimits, Due: Due{due, due}}}}}
	}
	p = manifestOf(PrintContents{Now: storyNow, Rows: []PrintRow{at("A", 0), at("B", ahead(90)), at("C", ahead(30))}}, site.Schemes())
	if p.Lines[0].Number != "C" || p.Lines[1].Number != "B" || p.Lines[2].Number != "A" || p.Lines[0].Due != "09:36" {
		t.Errorf("%+v", p.Lines)
	}
}
