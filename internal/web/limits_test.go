package web

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/web/browsertest"
)

func TestLimitsSearch(t *testing.T) {
	p := limitsAdopted()
	for _, x := range []struct {
		query limitsQuery
		want  []string // tests in the order shown
	}{
		{limitsQuery{Text: "ammonia"}, []string{"ammonia"}},
		{limitsQuery{Text: "AMM"}, []string{"ammonia"}},
		{limitsQuery{Text: "16362-6"}, []string{"ammonia"}},
		{limitsQuery{Text: "syringe lactate"}, []string{"lactate"}},
		{limitsQuery{Text: "lactate serum"}, nil},
		{limitsQuery{Text: "harbour"}, []string{"potassium"}},
		{limitsQuery{Text: "unfractionated heparin: yes"}, []string{"aPTT"}},
		{limitsQuery{Tube: "EDTA"}, []string{"ammonia", "blood count"}},
		{limitsQuery{State: "spun-on-gel"}, []string{"potassium"}},
		{limitsQuery{Text: "tsh", Tube: "SERUM-GEL"}, []string{"TSH"}},
		{limitsQuery{Tube: "NOSUCH"}, nil},
	} {
		v := limitsView{LimitsPage: p, query: x.query}
		var got []string
		for _, g := range v.found() {
			got = append(got, assayNameOf(g.assay))
		}
		if !slices.Equal(got, x.want) {
			t.Errorf("%+v finds %q, want %q", x.query, got, x.want)
		}
	}
}

// Each limit of each set stands under each of its tubes exactly once, and one of
// each heading is used.
func TestLimitsAreAllShown(t *testing.T) {
	for name, p := range map[string]LimitsPage{"none": limitsNone(), "adopted": limitsAdopted(), "own": limitsOwn()} {
		seen := map[[2]string]int{}
		for _, g := range p.groups() {
			for _, tube := range g.tubes {
				for _, e := range g.limits {
					seen[[2]string{e.rule.ID, tube}]++
				}
			}
			used := slices.DeleteFunc(slices.Clone(g.limits), func(e limitEntry) bool { return !e.used })
			if len(used) > 1 || len(used) == 1 && !g.limits[0].used || len(used) == 0 && g.limits[0].rule.Default {
				t.Errorf("%s: %s in %s: %d limits are used", name, g.assay.Code, g.in(), len(used))
			}
			for _, e := range g.limits[1:] {
				if e.rule.Default && e.inForce == g.limits[0].inForce {
					t.Errorf("%s: %s is a default and not used", name, e.rule.ID)
				}
			}
		}
		for _, e := range p.entries() {
			for _, tube := range e.rule.Tubes {
				if n := seen[[2]string{e.rule.ID, tube}]; n != 1 {
					t.Errorf("%s: %s in %s stands %d times", name, e.rule.ID, tube, n)
				}
			}
		}
	}
}

func TestOwnLimitNamesTheShippedOne(t *testing.T) {
	body := get(t, quiet(storyNamed(t, "limits-own")), "/limits?q=potassium").Body.String()
	for _, want := range []string{
		"Your laboratory&#39;s own limit: it differs in limits.", "The shipped one says 6 h at 15 to 25 °C, first found bad at 8 h (Harbour study 2018).",
		"The shipped one says 4 h at 15 to 25 °C, not tested beyond (Hill clinic study 2016).", "only shipped, not adopted", "replaced, judges no tube any more",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

func storyNamed(t *testing.T, name string) Story {
	t.Helper()
	for _, s := range Stories() {
		if s.Name == name {
			return s
		}
	}
	t.Fatalf("no story %s", name)
	return Story{}
}

// The library changes; whatever it holds must be shown whole.
func TestShippedLimitsAreShown(t *testing.T) {
	set, _, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	p := LimitsPage{Now: storyNow, Shipped: set}
	var register bytes.Buffer
	if err := p.Render(&register, Site{Title: "x"}); err != nil {
		t.Fatal(err)
	}
	checkMarkup(t, register.String())
	for i := range set.Rules {
		var one bytes.Buffer
		v := limitsView{LimitsPage: p, rule: set.Rules[i].ID}
		if err := v.Render(&one, Site{Title: "x"}); err != nil {
			t.Fatal(err)
		}
		checkMarkup(t, one.String())
		if !strings.Contains(one.String(), stability.Describe(&set.Rules[i])[:20]) {
			t.Errorf("the page of %s doesn't describe it", set.Rules[i].ID)
		}
	}
}

// A key of a closed list without words would show as it stands in files.
func TestLimitWordsAreComplete(t *testing.T) {
	set, _, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	for i := range set.Rules {
		r := &set.Rules[i]
		for kind, ok := range map[string]bool{
			"state " + string(r.State): stateWords[r.State] != "", "evidence " + string(r.Evidence): limitEvidenceWords[r.Evidence] != "",
			"seen " + r.Source.Seen: seenWords[r.Source.Seen] != "", "from " + string(r.From): fromWords[r.From] != "",
			"until " + string(r.Until): endingWords[r.Until] != "",
		} {
			if !ok {
				t.Errorf("%s: %s has no words", r.ID, kind)
			}
		}
	}
}

func TestLimitWords(t *testing.T) {
	const h = 3_600_000
	for _, x := range []struct{ got, want string }{
		{shareWords(stability.Share{AtMs: 67 * 60_000, Over: "5 %"}), "1 in 20 over by 67 min"},
		{shareWords(stability.Share{AtMs: 2 * h, Over: "1 %"}), "1 in 100 over by 2 h"},
		{shareWords(stability.Share{AtMs: 2 * h, Over: "7 %"}), "7 % of tubes over by 2 h"},
		{shareWords(stability.Share{AtMs: 2 * h, Over: "few"}), "few of tubes over by 2 h"},
		{limitTime(165 * 60_000), "165 min"},
		{limitTime(48 * h), "48 h"},
		{limitTime(96 * h), "4 d"},
		{limitTime(90_000), "90 s"},
		{limitDegrees(2031), "20.31"},
		{limitDegrees(-500), "−5"},
		{bandOf(400, 400), "4 °C"},
		{sideWords(nil), "nothing is said, so the answer there is “cannot say”"},
		{sideWords(&stability.Outside{AllowMs: 30 * 60_000, Direction: event.ReadsLow}), "30 min allowed; may read low"},
		{sideWords(&stability.Outside{TwoValid: true}), "no time is allowed, counted from the second reading"},
		// 0.4 mmol/L at 0.48 mmol/L an hour is 50 min.
		{keepsOf(&stability.Limit{RatePerH: 480_000, Criterion: 400_000, Unit: "mmol/L"}).Time, "about 50 min"},
	} {
		if x.got != x.want {
			t.Errorf("got %q, want %q", x.got, x.want)
		}
	}
}

// More time is higher and warmer is further right, to the ends of both axes.
func TestLimitPictureScales(t *testing.T) {
	p := &limitPlot{left: 46, width: 300, top: 10, height: 170}
	for i := 1; i < len(plotTicks); i++ {
		if p.y(plotTicks[i]) >= p.y(plotTicks[i-1]) {
			t.Errorf("%s is not above %s", limitTime(plotTicks[i]), limitTime(plotTicks[i-1]))
		}
	}
	for _, x := range []struct{ got, want float64 }{
		{p.x(-500), 46}, {p.x(4000), 346}, {p.x(-8000), 46}, {p.x(9000), 346}, {p.y(1), 180}, {p.y(plotShortest), 180}, {p.y(plotLongest), 10}, {p.y(1 << 60), 10},
	} {
		if x.got != x.want {
			t.Errorf("got %v, want %v", x.got, x.want)
		}
	}
	if x0, x1 := p.column(0, 20); x1-x0 < 4 {
		t.Errorf("a band of 0.2 °C is %v wide", x1-x0)
	}
}

// The drawing has no words that the page lacks, and says what it shows.
func TestLimitPictureSays(t *testing.T) {
	p := limitsAdopted()
	for _, g := range p.groups() {
		svg := string(limitPicture(&g, 1))
		said := pictureSays(&g)
		if !strings.Contains(svg, "<title") || !strings.Contains(svg, "<desc") || strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Errorf("%s: %s", g.assay.Code, svg)
		}
		for i := range g.limits {
			if !strings.Contains(said, mark(i)+", ") {
				t.Errorf("%s: the description lacks %s: %s", g.assay.Code, mark(i), said)
			}
		}
		if !strings.Contains(svg, ">A ") {
			t.Errorf("%s in %s: the limit that is used has no label", g.assay.Code, g.in())
		}
	}
}

func TestStoryHasTheTenMistakes(t *testing.T) {
	file, err := os.ReadFile("../../testdata/rules/ten-mistakes.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if string(file) != storyTenMistakes {
		t.Error("the story's file is not testdata/rules/ten-mistakes.yaml")
	}
	body := get(t, quiet(storyNamed(t, "limits-mistakes")), "/limits/check").Body.String()
	if n := strings.Count(body, "<b>Remedy:</b>"); n != 10 {
		t.Errorf("%d mistakes with a remedy, want 10", n)
	}
	for _, want := range []string{"Line 4, column 49", "did you mean until?", "Nothing was adopted."} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// adopter keeps what was adopted, and answers as it is told.
type adopter struct {
	Story
	answer error
	got    []LimitsAdoption
}

func (a *adopter) AdoptLimits(_ context.Context, x LimitsAdoption) (LimitsAdopted, error) {
	a.got = append(a.got, x)
	return LimitsAdopted{Hash: "0123456789abcdef0123456789abcdef"}, a.answer
}

func postForm(h http.Handler, path string, form url.Values, site string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", site)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestLimitsFormsOfOtherSitesAreRefused(t *testing.T) {
	src := &adopter{Story: Story{limits: limitsNone}}
	h := New(src, Options{})
	form := url.Values{"which": {"shipped"}, "by": {"lena"}, "reason": {"none"}, "seen": {"none"}, "id": {"x"}}
	for _, path := range []string{"/limits/check", "/limits/adopt"} {
		if w := postForm(h, path, form, "cross-site"); w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "another site") {
			t.Errorf("%s: status %d", path, w.Code)
		}
		if w := get(t, h, path); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/limits#adopt" {
			t.Errorf("%s loaded by its address: status %d to %q", path, w.Code, w.Header().Get("Location"))
		}
	}
	if len(src.got) != 0 {
		t.Errorf("adopted: %+v", src.got)
	}
	if w := postForm(h, "/limits/adopt", form, "same-origin"); w.Code != http.StatusSeeOther || len(src.got) != 1 {
		t.Errorf("the own form: status %d, adopted %+v", w.Code, src.got)
	}
}

func TestLimitsAdoption(t *testing.T) {
	src := &adopter{Story: Story{limits: limitsNone}}
	h := New(src, Options{})
	file := strings.Replace(storyRules, "\nformat", "\r\nformat", 1)
	form := url.Values{
		"which": {"own"}, "bytes": {base64.StdEncoding.EncodeToString([]byte(file))}, "by": {" lena "}, "second": {"oskar"}, "reason": {"report V-7"},
		"from": {"2026-11-25T08:00"}, "flight": {"yes"}, "seen": {"none"}, "id": {"limits-1"},
	}
	if w := postForm(h, "/limits/adopt", form, "same-origin"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/limits?adopted=0123456789abcdef" {
		t.Fatalf("status %d to %q:\n%s", w.Code, w.Header().Get("Location"), w.Body)
	}
	got := src.got[0]
	want := event.At(time.Date(2026, 11, 25, 8, 0, 0, 0, storyZone))
	if string(got.File) != file || got.By != "lena" || got.Second != "oskar" || got.Reason != "report V-7" || got.InForce != want || !got.InFlight || got.ID != "limits-1" {
		t.Errorf("asked to adopt %+v", got)
	}

	for _, x := range []struct {
		name   string
		change func(url.Values)
		answer error
		status int
		say    string
		asked  bool
	}{
		{"refused by the log", nil, LimitsRefused{{"by", "nobody of this name may adopt"}}, 422, "nobody of this name may adopt", true},
		{"not saved", nil, errors.Join(ErrNotSaved, errors.New("full")), 503, "press the button again", true},
		{"failed", nil, errors.New("the model has stopped"), 500, "could not be shown", true},
		{"not ready", nil, ErrNotReady, 503, "Still reading the log", true},
		{"another set came", func(f url.Values) { f.Set("seen", "0123") }, nil, 422, "has changed since you looked", false},
		{"nobody", func(f url.Values) { f.Del("by") }, nil, 422, "Say who adopts", false},
		{"no reason", func(f url.Values) { f.Del("reason") }, nil, 422, "Say why", false},
		{"one person twice", func(f url.Values) { f.Set("second", "LENA") }, nil, 422, "somebody else", false},
		{"no date", func(f url.Values) { f.Set("from", "tomorrow") }, nil, 422, "is no date and time", false},
		{"bytes spoiled", func(f url.Values) { f.Set("bytes", "%%%") }, nil, 422, "did not arrive", false},
		{"a file with mistakes", func(f url.Values) { f.Set("bytes", base64.StdEncoding.EncodeToString([]byte(storyTenMistakes))) }, nil, 422, "10 mistakes", false},
	} {
		f := url.Values{}
		for k, v := range form {
			f[k] = slices.Clone(v)
		}
		if x.change != nil {
			x.change(f)
		}
		src.got, src.answer = nil, x.answer
		w := postForm(h, "/limits/adopt", f, "same-origin")
		if w.Code != x.status || !strings.Contains(w.Body.String(), x.say) || (len(src.got) > 0) != x.asked {
			t.Errorf("%s: status %d, asked %v, want %d with %q", x.name, w.Code, len(src.got) > 0, x.status, x.say)
		}
	}
}

// A file keeps its bytes through the preview; pasted text has the ends of lines of
// Unix, whatever the browser sends.
func TestLimitsFileKeepsItsBytes(t *testing.T) {
	h := New(&adopter{Story: Story{limits: limitsNone}}, Options{})
	carried := regexp.MustCompile(`name="bytes" value="([^"]*)"`)
	bytesOf := func(body string) string {
		t.Helper()
		m := carried.FindStringSubmatch(body)
		if m == nil {
			t.Fatalf("no bytes are carried:\n%s", body)
		}
		data, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(m[1], "&#43;", "+"))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	dos := strings.ReplaceAll(storyRules, "\n", "\r\n")
	send := func(file, text string) *httptest.ResponseRecorder {
		t.Helper()
		var body bytes.Buffer
		form := multipart.NewWriter(&body)
		part, err := form.CreateFormFile("file", "limits.yaml")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := part.Write([]byte(file)); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(form.WriteField("text", text), form.Close()); err != nil {
			t.Fatal(err)
		}
		r := httptest.NewRequest(http.MethodPost, "/limits/check", &body)
		r.Header.Set("Content-Type", form.FormDataContentType())
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	if got := bytesOf(send(dos, "").Body.String()); got != dos {
		t.Error("an uploaded file lost its line ends")
	}
	if got := bytesOf(send("", dos).Body.String()); got != storyRules {
		t.Error("a pasted text has the browser's line ends")
	}
	if w := send(dos, dos); w.Code != 422 || !strings.Contains(w.Body.String(), "Keep one of the two") {
		t.Errorf("a file and a text: status %d", w.Code)
	}
	if w := send(strings.Repeat("#", stability.MaxFileBytes+1), ""); w.Code != 422 || !strings.Contains(w.Body.String(), "at most 1 MiB") {
		t.Errorf("a file of more than 1 MiB: status %d", w.Code)
	}
	if w := send(strings.Repeat("#", mostForm), ""); w.Code != 413 || !strings.Contains(w.Body.String(), "at most 1 MiB") {
		t.Errorf("a form of more than it may be: status %d", w.Code)
	}
}

// Europe/Berlin put its clocks forward on 29 March 2026 at 02:00 and back on 25
// October 2026 at 03:00 (IANA time zone database).
func TestLimitsInForceFrom(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"2026-11-24T10:00":    "2026-11-24T09:00:00Z",
		"2026-07-01T10:00:00": "2026-07-01T08:00:00Z",
		"2026-10-25T03:00":    "2026-10-25T02:00:00Z",
		"2026-10-25T02:30":    "show 02:30 twice",
		"2026-10-25T02:00":    "show 02:00 twice",
		"2026-03-29T02:30":    "skip",
		"2026-11-31T08:00":    "is no date and time",
		"9026-11-30T08:00":    "outside the years",
		"":                    "is no date and time",
	} {
		at, err := localInstant(text, berlin)
		got := at.Time().UTC().Format(time.RFC3339)
		if err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, want) {
			t.Errorf("%q is %q, want %q", text, got, want)
		}
	}
}

func TestLimitsSearchWhileTyping(t *testing.T) {
	base := gallery(t) + "/limits-adopted"
	p := browsertest.Open(t, base+"/limits", browsertest.Look{})
	p.Eval(`document.activeElement.blur(); 1`, nil)
	p.Type("/")
	p.Wait(`document.activeElement.id === "q"`)
	p.Eval(`window.same = true; window.depth = history.length; 1`, nil)
	p.Type("lactate")
	p.Wait(`document.getElementById("count").textContent.includes("1 heading") && location.search === "?q=lactate"`)
	p.Wait(`document.title.startsWith("Limits: lactate")`)
	var kept bool
	p.Eval(`window.same && document.activeElement.id === "q" && document.activeElement.value === "lactate" && history.length === window.depth`, &kept)
	if !kept {
		t.Error("typing loaded the page anew, lost the focus or filled the history")
	}
	p.Eval(`{ const s = document.getElementById("tube"); s.value = "SERUM"; s.dispatchEvent(new Event("input", {bubbles: true})); } 1`, nil)
	p.Wait(`document.getElementById("count").textContent.includes("Nothing found") && location.search === "?q=lactate&tube=SERUM"`)

	// The key can be switched off (WCAG 2.1.4), and the choice outlives the page.
	p.Click("#slash")
	p.Eval(`document.activeElement.blur(); 1`, nil)
	p.Type("/")
	var there bool
	p.Eval(`document.activeElement.id === "q"`, &there)
	if there {
		t.Error("the key still works after it was switched off")
	}
	p.Navigate(base + "/limits")
	p.Wait(`!document.getElementById("slash").checked`)
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

// What the picture writes stays inside it, whatever the fonts.
func TestLimitPictureHoldsItsTexts(t *testing.T) {
	base := gallery(t)
	p := browsertest.Open(t, "", browsertest.Look{})
	for _, name := range []string{"limits-conflict", "limits-syringe", "limits-own"} {
		s := storyNamed(t, name)
		p.Navigate(base + "/" + s.Name + s.Path)
		for _, look := range []browsertest.Look{{}, {Width: 360, Height: 740}} {
			p.Look(look)
			var out []string
			p.Eval(`[...document.querySelectorAll("figure svg text")].filter(e => {
				const svg = e.ownerSVGElement.getBoundingClientRect(), r = e.getBoundingClientRect();
				return r.width > 0 && (r.left < svg.left - 1 || r.right > svg.right + 1 || r.bottom > svg.bottom + 1 || r.top < svg.top - 1);
			}).map(e => e.textContent)`, &out)
			if len(out) > 0 {
				t.Errorf("%s at %d px: outside the picture: %q", s.Name, look.Width, out)
			}
		}
	}
}
