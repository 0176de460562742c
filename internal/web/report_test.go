package web

import (
	"bytes"
	"encoding/hex"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
)

func renderReport(t *testing.T, kind string, r Report) string {
	t.Helper()
	r.Kind = kind
	var out bytes.Buffer
	if err := r.Render(&out, Site{}); err != nil {
		t.Fatal(err)
	}
	return html.UnescapeString(out.String())
}

func TestExactly(t *testing.T) {
	for ms, want := range map[int64]string{
		0: "0 min", 1: "0.001 s", 1000: "1 s", 61_250: "1 min 1.250 s", 3_600_000: "1 h", 3_660_005: "1 h 1 min 0.005 s", 90_000_000: "25 h",
	} {
		if got := exactly(ms); got != want {
			t.Errorf("%d ms: %q, want %q", ms, got, want)
		}
	}
}

func TestHowWords(t *testing.T) {
	for how, want := range map[string]string{
		"": "", "camera.d2.gs1": "camera, ]d2, GS1", "reader.C0.plain": "reader, ]C0, plain", "paper": "paper", "typed.plain": "typed, plain", "nfc.digital-link": "NFC, digital link",
	} {
		if got := howWords(how); got != want {
			t.Errorf("%q: %q, want %q", how, got, want)
		}
	}
}

// An entry's two times stand in the offset that its device gave, with milliseconds.
func TestEntryOf(t *testing.T) {
	c := clockOf(storyNow, storyZone)
	s := entry(7, storyNow, "taken over", "oskar", "ward north")
	s.OffsetMin, s.OffsetMs, s.Said = -210, -90_250, storyNow-90_250 // no zone of the stories
	w := entryOf(c, &s)
	if w.Occurred != "2026-11-24 05:36:00.000 -03:30" || w.Recorded != "2026-11-24 05:36:00.420 -03:30" || w.Mode != "live" ||
		w.Told != "its clock said 2026-11-24 05:34:29.750 -03:30, 1 min 30.250 s behind; ± 0.035 s" {
		t.Errorf("%+v", w)
	}
	if w.Who != "oskar, as collector, at ward north" || w.How != "camera, ]d2, GS1, device H-09 no. 7" || w.Taken != "" || w.Again != "" {
		t.Errorf("%+v", w)
	}
	s = ReportStep{Seq: 8, ID: "x", Occurred: storyNow, Recorded: storyNow + 5, Step: "flag raised", By: "custodyd"}
	if w = entryOf(c, &s); w.Occurred != "2026-11-24 10:06:00.000 +01:00" || w.Mode != "by the program" || w.Told != "" {
		t.Errorf("by the program: %+v", w)
	}
	s.Told, s.Reported, s.Again, s.Voided, s.VoidedBy, s.VoidedFor, s.VoidedSeq = true, true, 3, true, "mira", "wrong step", 9
	if w = entryOf(c, &s); w.Mode != "told later" || w.Again != "the same step as entry 3, told again" || w.Taken != "taken back by mira: wrong step, entry 9" {
		t.Errorf("told again, taken back: %+v", w)
	}
}

// The report's sums are those of its stretches, and it says what it can't.
func TestReportSaysWhatItCant(t *testing.T) {
	r := reportTube()
	r.Temps = append(r.Temps, ReportTemp{From: storyNow, To: storyNow + 250, Evidence: event.EvidenceAssumed, Low: 2000, High: 2400})
	r.Steps[0].PlusMinus = 120_001
	r.Unread = 77
	body := renderReport(t, "tube", r)
	for _, want := range []string{
		"Measured <b>1 h 55 min</b> · Attested <b>16 min</b> · Assumed <b>32 min 0.250 s</b> · Not known <b>27 min</b> · together <b>3 h 10 min 0.250 s</b>",
		"32 min 0.250 s of its temperature are assumed", "Of 27 min no temperature is known", "16 min rest on a person's word",
		"2 entries were told later", "1 entry has a time that is uncertain by more than 2 min", "2 texts that people wrote are sealed",
		"Entries of it up to position 77 could not be read", "this report proves nothing of that", "at position 4812 (readings 1907)", "the log holds no identity",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the report doesn't say %q", want)
		}
	}
	bare := renderReport(t, "tube", reportBare())
	for _, want := range []string{"No doubt is open.", "Its tests are not known.", "None: it isn't known since when it was filled.", "The log has no entry of it."} {
		if !strings.Contains(bare, want) {
			t.Errorf("an empty report doesn't say %q", want)
		}
	}
	for _, bad := range []string{"were told later", "are assumed", "could not be read"} {
		if strings.Contains(bare, bad) {
			t.Errorf("an empty report says %q", bad)
		}
	}
}

// Stretches of a story last as long as the minutes of each of its tests.
func TestReportStoryAddsUp(t *testing.T) {
	r := reportTube()
	sums := map[event.Evidence]int64{}
	for _, s := range r.Temps {
		sums[s.Evidence] += int64(s.To - s.From)
	}
	for _, x := range r.Tests {
		for _, m := range x.Minutes {
			if sums[m.Evidence] != m.Ms {
				t.Errorf("%s: %d ms %s, the stretches have %d", x.Name, m.Ms, m.Evidence, sums[m.Evidence])
			}
		}
		used := int64(0)
		for _, e := range x.Explain {
			used += e.UsedMs
		}
		if len(x.Explain) > 0 && used != x.UsedMs {
			t.Errorf("%s: its rows sum up to %d of %d", x.Name, used, x.UsedMs)
		}
	}
}

func TestReportOfARestrictedTest(t *testing.T) {
	r := reportTube()
	for i := range r.Tests {
		r.Tests[i].Restricted = true
	}
	r.Samples, r.Steps, r.Beside = nil, nil, nil
	body := strings.ToLower(renderReport(t, "tube", r))
	for _, bad := range []string{"potassium", "glucose", "structured summary", "laboratory policy", "must not show", "longest studied", "clinic study"} {
		if strings.Contains(body, bad) {
			t.Errorf("the report of restricted tests says %q", bad)
		}
	}
	if strings.Count(body, "<h3>restricted test") != 3 {
		t.Error("the tests are not there at all")
	}
}

// Trips are led to by number; without more than one there is nothing to choose.
func TestReportTrips(t *testing.T) {
	body := renderReport(t, "carrier", reportCarrier())
	for _, want := range []string{`href="/carriers/B-3/report?trip=1"`, `href="/carriers/B-3/report?trip=all"`, "<b>Trip 2 of 2, since it was emptied", "which is over", "3 files read in, 1 taken back"} {
		if !strings.Contains(body, want) {
			t.Errorf("the report of a box doesn't have %q", want)
		}
	}
	if strings.Contains(body, `trip=2"`) {
		t.Error("the trip that is told of is a link to itself")
	}
	if body = renderReport(t, "carrier", Report{Now: storyNow, Name: "box B-9"}); !strings.Contains(body, "It has made no trip yet.") || strings.Contains(body, "trip=") {
		t.Error("a box that never went anywhere offers trips")
	}
	if body = renderReport(t, "tube", reportTube()); strings.Contains(body, "trip") {
		t.Error("a tube has trips")
	}
}

var cssContent = regexp.MustCompile(`@bottom-left \{ content: "([^"\n]*)";`)

// The foot comes by a style sheet whose words are ours; what is put in stays a string
// whatever it holds (CSS Syntax Level 3, section 4.3.5 and 4.3.7).
func TestReportPaper(t *testing.T) {
	h := quiet(Story{})
	ask := func(of, position, at string) (int, string) {
		w := get(t, h, "/report/paper.css?"+url.Values{"of": {of}, "position": {position}, "at": {at}}.Encode())
		return w.Code, w.Body.String()
	}
	const at = "2026-11-24T09:06:00.000Z"
	for _, of := range []string{"tube TB260301", `"; } body { display: none } @page { x: "`, "box \\ Ü-3\n</style>", "a\"b'c"} {
		code, css := ask(of, "4812", at)
		m := cssContent.FindStringSubmatch(css)
		if code != http.StatusOK || m == nil || strings.Count(css, "{") != strings.Count(css, "}") || strings.Count(css, "{") != 3 {
			t.Fatalf("%q: %d %s", of, code, css)
		}
		if got, want := unescapeCSS(t, m[1]), of+" · log position 4812 · 2026-11-24 09:06:00 UTC · advises only"; got != want {
			t.Errorf("%q is printed as %q", want, got)
		}
	}
	for _, bad := range [][3]string{{"", "1", at}, {strings.Repeat("x", 201), "1", at}, {"tube 1", "-1", at}, {"tube 1", "1; }", at}, {"tube 1", "1", "now"}} {
		if code, css := ask(bad[0], bad[1], bad[2]); code != http.StatusNotFound || strings.Contains(css, "@page") {
			t.Errorf("%q: %d %s", bad, code, css)
		}
	}
}

// unescapeCSS reads a string of CSS: a backslash, hex digits and one space are a
// character, all else is itself.
func unescapeCSS(t *testing.T, s string) string {
	t.Helper()
	var out strings.Builder
	for s != "" {
		if s[0] != '\\' {
			out.WriteByte(s[0])
			s = s[1:]
			continue
		}
		number, rest, ok := strings.Cut(s[1:], " ")
		if len(number)%2 == 1 {
			number = "0" + number
		}
		bytes, err := hex.DecodeString(number)
		if !ok || err != nil {
			t.Fatalf("%q is no escape", s)
		}
		var r rune
		for _, b := range bytes {
			r = r<<8 | rune(b)
		}
		out.WriteRune(r)
		s = rest
	}
	return out.String()
}

// What a tube's page leads with is what is to be done; then come the picture, the tests
// and the story.
func TestOrderOfTheTubesPage(t *testing.T) {
	body := renderTube(t, tubeDecided())
	var at []int
	for _, id := range []string{`class="tube-top"`, `class="flag flag-alone`, "asked-head", "doubts-head", "decided-head", "kin-head", "picture-head", "tests-head", "steps-head", "episodes-head", "corrected-head", "closed-head"} {
		at = append(at, strings.Index(body, id))
	}
	if !slices.IsSorted(at) || at[0] < 0 {
		t.Errorf("out of order, or missing: %v", at)
	}
	body = html.UnescapeString(body)
	for _, want := range []string{
		`href="/tubes/TB260310/report"`, `href="/draws/D-104/report"`, `href="/carriers/R-7/report"`, `href="/tubes/TB260311"`, "authorised by karl", "text for the report: C-12",
		"Put aside by oskar 09:06, until 09:26: explained.", "Acted on (spin but hold) by lena 09:54.", "made from it, aliquot, in the store: <b>cannot say</b>, flagged", "wrong box scanned",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	bare := renderTube(t, tubeBare())
	for _, id := range []string{"asked-head", "decided-head", "kin-head", "episodes-head", "corrected-head"} {
		if strings.Contains(bare, id) {
			t.Errorf("a bare tube has a section %s", id)
		}
	}
}

func TestEpisodeWords(t *testing.T) {
	c := clockOf(storyNow, storyZone)
	for _, x := range []struct {
		in   EpisodeRow
		want episodeWords
	}{
		{EpisodeRow{Episode: 2, Kind: event.FlagAfter, Since: ago(10), Verdict: event.PastLimit, Action: event.AskLaboratory},
			episodeWords{Name: "Flag 2", When: "since 09:56", End: "still up", Said: "It says: past its limit, ask the laboratory, after it was run.", Answers: []string{"Nobody answered it."}}},
		{EpisodeRow{Episode: 1, Kind: event.FlagBefore, Since: ago(20), Cleared: ago(10), Reason: "settled", Verdict: event.WithinLimits, Action: event.Hurry, Cause: "box B-3", Changed: 1,
			Answers: []AnswerRow{{At: ago(15), By: "lena", Did: "let pass", Reason: "urgent"}}},
			episodeWords{Name: "Flag 1", When: "09:46 to 09:56", End: "cleared: settled", Said: "It said last: within limits, hurry it, because of box B-3 (changed 1 time).", Answers: []string{"Let pass by lena 09:51: urgent."}}},
		{EpisodeRow{Answers: []AnswerRow{{At: ago(15), By: "lena", Did: "let pass"}}}, episodeWords{Name: "Before any flag", Answers: []string{"Let pass by lena 09:51."}}},
	} {
		got := episodeOf(c, &x.in)
		if got.Name != x.want.Name || got.When != x.want.When || got.End != x.want.End || got.Said != x.want.Said || !slices.Equal(got.Answers, x.want.Answers) {
			t.Errorf("got  %+v\nwant %+v", got, x.want)
		}
	}
}
