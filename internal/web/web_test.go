package web

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"html"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/spinload"
)

var update = flag.Bool("update", false, "write the golden pictures anew")

func get(t *testing.T, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w
}

var (
	assetLinks  = regexp.MustCompile(`(?:href|src)="([^"]*/assets/[^"]*)"`)
	pageLinks   = regexp.MustCompile(`href="(/[^"]*)"`)
	scripts     = regexp.MustCompile(`<script([^>]*)>([^<]*)</script>`)
	inlineThing = regexp.MustCompile(`(?i)<[^>]*\s(style|on[a-z]+)=`)
	ids         = regexp.MustCompile(`\sid="([^"]*)"`)
	headCells   = regexp.MustCompile(`<th[ >][^>]*>?`)
)

// wantStatus names the stories that don't answer 200.
var wantStatus = map[string]int{
	"wall-not-ready": 503, "hatch-not-ready": 503, "tube-not-found": 404, "no-such-page": 404, "broken": 500, "start-missing": 400, "look-back-missing": 400,
	"report-carrier-no-trip": 404, "report-not-found": 404,
	"limits-mistakes": 422, "limits-nothing-sent": 422, "limits-unsigned": 422,
	"house-place-wrong": 422, "house-person-wrong": 422, "house-tokens-wrong": 422, "house-schemes-faults": 422, "house-programmes-wrong": 422,
	"rack-nowhere": 404, "sign-in-fault": 403, "hand-over-fault": 403, "set-up-faults": 400, "set-up-used": 403, "not-for-you": 403,
	"print-tubes-wrong": 422, "print-tubes-narrow": 422, "print-downtime-wrong": 422, "print-manifest-unknown": 404,
}

func TestStories(t *testing.T) {
	for _, s := range Stories() {
		t.Run(s.Name, func(t *testing.T) {
			h := quiet(s)
			w := get(t, h, s.Path)
			if want := max(wantStatus[s.Name], 200); w.Code != want {
				t.Errorf("status %d, want %d", w.Code, want)
			}
			body := w.Body.String()
			want := headersOf(s.Path)
			for name, value := range want {
				if got := w.Header().Get(name); got != value {
					t.Errorf("%s is %q, want %q", name, got, value)
				}
			}
			if got := w.Header().Get("Cache-Control"); got != "no-store" {
				t.Errorf("a page may be stored: %q", got)
			}
			checkMarkup(t, body)
			for _, m := range assetLinks.FindAllStringSubmatch(body, -1) {
				a := get(t, h, m[1])
				if a.Code != 200 || !strings.Contains(a.Header().Get("Cache-Control"), "immutable") || a.Body.Len() == 0 {
					t.Errorf("asset %s: status %d, %q, %d bytes", m[1], a.Code, a.Header().Get("Cache-Control"), a.Body.Len())
				}
			}
			for _, m := range pageLinks.FindAllStringSubmatch(body, -1) {
				if strings.HasPrefix(m[1], "/tubes/") || strings.HasPrefix(m[1], "/openapi") || s.wall == nil && m[1] == "/wall" || s.hatch != nil && s.fault != nil && m[1] == "/hatch" {
					continue // which tubes there are is the source's matter
				}
				if s.form != nil && m[1] == s.Path {
					continue // this story sends its form there
				}
				if got := get(t, h, html.UnescapeString(m[1])); got.Code != 200 {
					t.Errorf("the page links to %s, which answers %d", m[1], got.Code)
				}
			}
			if strings.Contains(body, "must not show") {
				t.Error("a restricted test is shown by its name")
			}
			if s.Demo != strings.Contains(body, "demonstration, invented data") {
				t.Error("the banner of a demonstration is wrong")
			}
			if !strings.Contains(body, "Advises only.") {
				t.Error("the standing caution is missing")
			}
		})
	}
}

// quiet serves a story and keeps its failures out of the test's output.
func quiet(s Story) http.Handler {
	return s.with(Options{
		Demo: s.Demo, OpenAPI: s.docs, Now: func() time.Time { return storyNow.Time() }, Log: slog.New(slog.DiscardHandler),
	})
}

func checkMarkup(t *testing.T, body string) {
	t.Helper()
	for _, m := range scripts.FindAllStringSubmatch(body, -1) {
		if !strings.Contains(m[1], "src=") || strings.TrimSpace(m[2]) != "" {
			t.Errorf("inline script: %s", m[0])
		}
	}
	if m := inlineThing.FindString(body); m != "" || strings.Contains(body, "<style") {
		t.Errorf("inline style or handler: %s", m)
	}
	seen := map[string]bool{}
	for _, m := range ids.FindAllStringSubmatch(body, -1) {
		if seen[m[1]] {
			t.Errorf("id %s stands twice", m[1])
		}
		seen[m[1]] = true
	}
	for _, m := range headCells.FindAllString(body, -1) {
		if !strings.HasPrefix(m, "<thead") && !strings.Contains(m, "scope=") {
			t.Errorf("a head cell without scope: %s", m)
		}
	}
	for _, bad := range []string{"ZgotmplZ", "<no value>", "✓", "✔", "✅", "{{"} {
		if strings.Contains(body, bad) {
			t.Errorf("the page has %q", bad)
		}
	}
}

func TestConcurrentRenderingIsSequential(t *testing.T) {
	var wg sync.WaitGroup
	for _, s := range Stories() {
		h := quiet(s)
		want := get(t, h, s.Path).Body.String()
		for range 8 {
			wg.Go(func() {
				w := httptest.NewRecorder()
				h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, s.Path, nil))
				if w.Body.String() != want {
					t.Errorf("%s: rendered at the same time as others it is another page", s.Name)
				}
			})
		}
	}
	wg.Wait()
}

// Every word of a closed list has words of its own on screens.
func TestWordsAreComplete(t *testing.T) {
	check := func(kind string, key, words string) {
		if words == "" || words == key {
			t.Errorf("%s %s has no words", kind, key)
		}
	}
	for _, v := range event.Verdicts() {
		check("verdict", string(v), verdictWords[v])
	}
	for _, r := range event.Reasons() {
		check("reason", string(r), reasonWords[r])
	}
	for _, d := range event.Directions() {
		check("direction", string(d), directionWords[d])
	}
	for _, a := range event.Actions() {
		check("action", string(a), actionWords[a])
	}
	for _, th := range label.Things() {
		check("thing", string(th), thingWords[th])
	}
	for _, d := range event.Doubts() {
		check("doubt", string(d), doubtWords[d])
	}
	for _, a := range event.RackAnswers() {
		check("rack answer", string(a), rackAnswerWords[a])
	}
	for _, w := range spinload.Whys() {
		check("why of a load list", string(w), whyWords[w])
	}
	for _, e := range event.Evidences() {
		if evidenceWords[e] == "" {
			t.Errorf("evidence %s has no words", e)
		}
	}
}

func TestClockWords(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	at := func(text string) event.Instant {
		v, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return event.At(v)
	}
	c := clockOf(at("2026-11-24T09:06:00Z"), berlin)
	for _, x := range []struct{ got, want string }{
		{c.by(at("2026-11-24T09:40:00Z")), "by 10:40 (34 min)"},
		{c.by(at("2026-11-24T08:54:00Z")), "by 09:54 (12 min ago)"},
		{c.at(at("2026-11-24T23:30:00Z")), "Wed 25 Nov 00:30"},
		{c.at(at("2026-10-24T09:00:00Z")), "Sat 24 Oct 11:00 +02:00"}, // summer time: the offset isn't today's
		{c.at(at("2025-11-24T09:00:00Z")), "24 Nov 2025 10:00"},
		{c.at(0), "not said"},
		{c.due(Due{at("2026-11-24T09:40:00Z"), at("2026-11-24T10:20:00Z")}), "by 10:40 (34 min) at the worst, 11:20 at the best"},
		{c.arrival(Due{at("2026-11-24T09:40:00Z"), at("2026-11-24T10:20:00Z")}), "by 10:40 (34 min), 11:20 at the latest"},
		{length(200 * minuteMs), "3 h 20 min"},
		{length(52 * 60 * minuteMs), "2 d 4 h"},
		{length(30_000), "under 1 min"},
		{degrees(-5), "−0.1 °C"},
		{degrees(2149), "21.5 °C"},
		{percent(59, 60), "98 %"},
		{sourceWords(TestRow{Evidence: "policy"}), "A policy of the laboratory."},
	} {
		if x.got != x.want {
			t.Errorf("got %q, want %q", x.got, x.want)
		}
	}
}

func TestGoldenPictures(t *testing.T) {
	for name, p := range map[string]TubePage{"tube-within": tubeWithin(), "tube-past": tubePast()} {
		pic := newPicture(p, clockOf(p.Now, p.Zone))
		for _, d := range []drawing{wideShape, narrowShape} {
			got := []byte(pic.draw(d) + "\n")
			file := filepath.Join("testdata", name+"-"+d.name+".svg")
			if *update {
				if err := os.WriteFile(file, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s is not what it was; look at it in the gallery, then run the test with -update", file)
			}
		}
	}
}

// At most two points for each pixel, and no extreme is lost.
func TestThinKeepsExtremes(t *testing.T) {
	var in []pt
	low, high := math.Inf(1), math.Inf(-1)
	for i := range 20_000 {
		y := math.Sin(float64(i)/300)*50 + float64((i*7919)%13)
		if i == 7777 {
			y = 500 // one reading only
		}
		in = append(in, pt{float64(i) / 25, y})
		low, high = min(low, y), max(high, y)
	}
	out := thin(in)
	perPixel := map[int]int{}
	gotLow, gotHigh := math.Inf(1), math.Inf(-1)
	for i, p := range out {
		if perPixel[int(p.x)]++; perPixel[int(p.x)] > 2 {
			t.Fatalf("more than two points in pixel %d", int(p.x))
		}
		if i > 0 && p.x < out[i-1].x {
			t.Fatalf("point %d goes back in time", i)
		}
		gotLow, gotHigh = min(gotLow, p.y), max(gotHigh, p.y)
	}
	if gotLow != low || gotHigh != high {
		t.Errorf("extremes %v %v became %v %v", low, high, gotLow, gotHigh)
	}
}

// A line is never drawn across a hole, declared or left open by the segments.
func TestPictureLeavesHolesOpen(t *testing.T) {
	p := tubeUnknown()
	p.Temps = append(run(ago(95), 2100, 2110), run(ago(60), 2100, 2110)...)
	svg := string(newPicture(p, clockOf(p.Now, p.Zone)).draw(wideShape))
	if n := strings.Count(svg, `class="measured"`); n != 2 {
		t.Errorf("two measured stretches with a hole between became %d lines", n)
	}
	if !strings.Contains(svg, "not known</text>") {
		t.Error("the hole is not called unknown")
	}
}

func TestWallOrderAndFlood(t *testing.T) {
	p := wallFlood()
	b, err := p.board(Site{})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Lists["flags"]) != 6 {
		t.Errorf("30 flags of two causes and four strays are %d lines, want 6", len(b.Lists["flags"]))
	}
	all := 0
	last := 0
	for _, r := range p.flagRows(Site{}, clockOf(p.Now, p.Zone), true) {
		all += len(r.Tubes)
		if levelOrder[r.Level] < last {
			t.Errorf("%s stands below a quieter line", r.ID)
		}
		last = levelOrder[r.Level]
	}
	if all != len(p.Flags) {
		t.Errorf("%d of %d tubes are on the wall", all, len(p.Flags))
	}
	reversed := p
	reversed.Flags = nil
	for i := range p.Flags {
		reversed.Flags = append(reversed.Flags, p.Flags[len(p.Flags)-1-i])
	}
	c, err := reversed.board(Site{})
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(b.Lists["flags"]) != fmt.Sprint(c.Lists["flags"]) {
		t.Error("the order of the source shows on the wall")
	}
}

func TestNumberIsEscaped(t *testing.T) {
	s := Story{Path: "/"}
	h := quiet(s)
	w := get(t, h, `/tubes/%3Cscript%3Ealert(1)%3C%2Fscript%3E`)
	if w.Code != 404 || strings.Contains(w.Body.String(), "<script>") {
		t.Errorf("status %d:\n%s", w.Code, w.Body)
	}
	if w := get(t, h, "/tubes?number=+TB%2F1+"); w.Header().Get("Location") != "/tubes/TB%2F1" {
		t.Errorf("sent to %q", w.Header().Get("Location"))
	}
}

func TestRealAPIDescription(t *testing.T) {
	data, err := os.ReadFile("../api/openapi.swagger.json")
	if err != nil {
		t.Fatal(err)
	}
	p := readDocs(data)
	var buf bytes.Buffer
	if err := p.Render(&buf, Site{Title: "x"}); err != nil {
		t.Fatal(err)
	}
	methods := 0
	for _, g := range p.Groups {
		methods += len(g.Methods)
	}
	if methods < 20 || len(p.Shapes) < 20 || p.Fault != "" {
		t.Errorf("%d methods, %d shapes, fault %q", methods, len(p.Shapes), p.Fault)
	}
	anchors := map[string]bool{}
	for _, m := range ids.FindAllStringSubmatch(buf.String(), -1) {
		anchors[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`href="#([^"]*)"`).FindAllStringSubmatch(buf.String(), -1) {
		if !anchors[m[1]] {
			t.Errorf("the page points to #%s, which it doesn't have", m[1])
		}
	}
	checkMarkup(t, buf.String())
}

func TestStream(t *testing.T) {
	src := steeredWall()
	s := newServer(src, Options{Log: slog.New(slog.DiscardHandler)})
	s.beat = 50 * time.Millisecond
	server := httptest.NewServer(http.HandlerFunc(s.wallStream))
	defer server.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Last-Event-ID", "4800")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if got := res.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Fatalf("content type %q", got)
	}
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 1<<20)
	next := func() boardEvent {
		t.Helper()
		for lines.Scan() {
			if data, ok := strings.CutPrefix(lines.Text(), "data: {\"seq\""); ok {
				var e boardEvent
				if err := json.Unmarshal([]byte("{\"seq\""+data), &e); err != nil {
					t.Fatal(err)
				}
				return e
			}
		}
		t.Fatalf("the stream ended: %v", lines.Err())
		return boardEvent{}
	}
	first := next()
	if !first.Full || first.Head == nil || len(first.Lists["flags"].Rows) != 4 {
		t.Errorf("the first board is not whole: %+v", first)
	}
	if beat := next(); beat.Full || beat.Head != nil || len(beat.Lists) != 0 {
		t.Errorf("a heartbeat carries what didn't change: %+v", beat)
	}
	src.set(func(w *WallPage) { w.Late = nil })
	for e := next(); ; e = next() {
		if late, ok := e.Lists["late"]; ok {
			if len(late.Order) != 0 || len(e.Lists) != 1 || e.Seq != 4813 {
				t.Errorf("the change is %+v", e)
			}
			break
		}
	}
	src.changes <- Change{Seq: 5000, Reset: true}
	for !next().Full {
	}

	bad := httptest.NewRecorder()
	s.wallStream(bad, httptest.NewRequest(http.MethodGet, "/wall/stream?since=x", nil))
	if bad.Code != 400 {
		t.Errorf("a position that is no number: %d", bad.Code)
	}
}

// WCAG 2 relative luminance and contrast; 7:1 is level AAA (SC 1.4.6).
func TestPaletteContrast(t *testing.T) {
	css := string(assets.files["base.css"])
	schemes := map[string][2]string{}
	for _, m := range regexp.MustCompile(`--([a-z-]+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\)`).FindAllStringSubmatch(css, -1) {
		schemes[m[1]] = [2]string{m[2], m[3]}
	}
	for _, name := range []string{"ink", "soft", "past", "soon", "ask", "hold", "link"} {
		c, ok := schemes[name]
		if !ok {
			t.Fatalf("no colour --%s", name)
		}
		for i, scheme := range []string{"light", "dark"} {
			if r := contrast(t, c[i], schemes["ground"][i]); r < 7 {
				t.Errorf("--%s on the %s ground is %.2f to 1", name, scheme, r)
			}
		}
	}
	for _, on := range []string{"sheet", "fill-band"} {
		for i := range 2 {
			if r := contrast(t, schemes["soft"][i], schemes[on][i]); r < 7 {
				t.Errorf("--soft on --%s is %.2f to 1", on, r)
			}
		}
	}
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	la, lb := luminance(t, a), luminance(t, b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	var sum float64
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		v := float64(n) / 255
		if v <= 0.04045 {
			v /= 12.92
		} else {
			v = math.Pow((v+0.055)/1.055, 2.4)
		}
		sum += weight * v
	}
	return sum
}
