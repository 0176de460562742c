package web

import (
	"html"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/spinload"
	"specimen.example/custody/internal/web/browsertest"
)

func rackBody(t *testing.T, change func(*RackPage)) string {
	t.Helper()
	return html.UnescapeString(get(t, quiet(Story{spins: func() RackPage {
		p := rackBusy()
		change(&p)
		return p
	}}), "/rack?place=BENCH").Body.String())
}

// wordsIn is a page without its marks, blanks as one.
func wordsIn(body string) string {
	var out strings.Builder
	in := false
	for _, r := range body {
		switch {
		case r == '<':
			in = true
			out.WriteByte(' ')
		case r == '>' && in:
			in = false
		case !in:
			out.WriteRune(r)
		}
	}
	return strings.Join(strings.Fields(out.String()), " ")
}

// What the page says of a busy morning. Turns by the definition of RCF, reckoned by hand:
// 2000 g at 17.2 cm are 3225 per minute, 1500 g at 10 cm 3663.
func TestRackSays(t *testing.T) {
	said := wordsIn(rackBody(t, func(*RackPage) {}))
	for _, want := range []string{
		"10 tubes are ready to spin first start by 10:08 (2 min) 3 wait 1 set aside 1 run is on",
		"Next, now: plasma 3225 per minute for 2000 g, 10 min, 15.0 to 25.0 °C 5 of 24 places; start by 10:12 (6 min)",
		"serum: 4 tubes, rack R-2, since 09:54. Its minutes are over since 10:04: did it end?",
		"Next, at 10:09: coagulation 3663 per minute for 1500 g, 15 min, 15.0 to 25.0 °C 2 of 12 places; start by 10:27 (21 min)",
		"Its rotor is not declared: give places, radius and most turns per minute under House.",
		"R-1 plasma, 2000 g, 10 min, 15.0 to 25.0 °C 3 tubes; start by 10:12 (6 min)",
		"TB260304 doesn’t belong in it: it is spun by coagulation (1500 g, 15 min, 15.0 to 25.0 °C), this rack by plasma.",
		"Run the unspun test first TB260313", "Wait until 10:12 (6 min) TB260311", "Nothing left to save TB260314",
		"TB260302 lithium heparin with gel Spin, but hold glucose start by 10:20 (14 min) goes into large centrifuge next in rack R-1, here since",
		"TB260306 lithium heparin with gel Spin start by 11:26 (1 h 20 min) at the best; a test may be lost already goes into large centrifuge next still in box B-3",
		"TB260303 citrate Spin start by 10:27 (21 min) goes into small centrifuge by the window at 10:09",
		"TB260307 serum with gel Spin start by 11:41 (1 h 35 min) another programme goes first",
		"TB260308 serum with gel Spin start by 10:08 (2 min) no centrifuge is free in time for it",
		"TB260310 lithium heparin with gel Spin it, then talk to the laboratory nothing is known to be due",
		"TB260309 EDTA Spin nothing is known to be due no programme is declared for its type",
		"box B-7 12 tubes, to mainland laboratory; by 10:31 (25 min), 10:46 at the latest",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	if strings.Contains(said, "Start these, not scanned Next") || strings.Count(said, "Start these, not scanned") != 1 {
		t.Error("a list can be started in a centrifuge that turns, or in one without list")
	}
}

// What is missing is said, with what to do about it.
func TestRackSaysWhatIsMissing(t *testing.T) {
	for _, c := range []struct {
		change func(*RackPage)
		want   string
	}{
		{func(p *RackPage) { p.Machines = nil }, `<a href="/house/new/places">No centrifuge is declared for this place.`},
		{func(p *RackPage) { p.Programmes = nil }, `<a href="/house/programmes">No spin programme is declared.`},
		{func(p *RackPage) { p.Tubes, p.Runs = nil, nil }, "<h1>Nothing stands before the centrifuges</h1>"},
		{func(p *RackPage) { p.WithinMin = 20 }, "What is accepted here counts as spun 20 min later"},
		{func(p *RackPage) { p.Place, p.Places = "", nil }, "No bench and no reception is declared yet."},
		{func(p *RackPage) { p.Runs[0].Ends = 0 }, "Nobody said how long it takes."},
		{func(p *RackPage) { p.Runs[0].Ends, p.Machines[1].From = 0, p.Now }, "Next, when that has ended: <b>coagulation</b>"},
		{func(p *RackPage) { p.Runs[0].Ends = ahead(4) }, "It ends at 10:10 (4 min)."},
		{func(p *RackPage) { p.Runs[0].ByTube = true }, "not scanned into a rack"},
	} {
		if body := rackBody(t, c.change); !strings.Contains(body, c.want) {
			t.Errorf("the page doesn't say %q", c.want)
		}
	}
	reception := auth.Principal{Kind: auth.Person, ID: "lena", Roles: []event.RoleAt{{Role: event.RoleReception, Place: "BENCH"}}}
	body := html.UnescapeString(get(t, quiet(Story{as: &reception, spins: func() RackPage {
		p := rackBusy()
		p.Machines = nil
		return p
	}}), "/rack").Body.String())
	if !strings.Contains(body, "The engineer or a scientist does that under House.") || strings.Contains(body, "/house/new/places") {
		t.Error("who may not set up the house is led there")
	}
}

// Only a scientist of this place lets pass.
func TestWhoMayLetPass(t *testing.T) {
	for _, c := range []struct {
		as   *auth.Principal
		want string
	}{
		{nil, "yes"},
		{&auth.Principal{Kind: auth.Person, ID: "oskar", Roles: []event.RoleAt{{Role: event.RoleScientist}}}, "yes"},
		{&auth.Principal{Kind: auth.Person, ID: "oskar", Roles: []event.RoleAt{{Role: event.RoleScientist, Place: "BENCH"}}}, "yes"},
		{&auth.Principal{Kind: auth.Person, ID: "oskar", Roles: []event.RoleAt{{Role: event.RoleScientist, Place: "ELSEWHERE"}, {Role: event.RoleReception}}}, ""},
		{&auth.Principal{Kind: auth.Person, ID: "lena", Roles: []event.RoleAt{{Role: event.RoleReception}}}, ""},
	} {
		body := get(t, quiet(Story{as: c.as, spins: rackBusy}), "/rack").Body.String()
		if !strings.Contains(body, `data-may-pass="`+c.want+`"`) {
			t.Errorf("%+v: not %q", c.as, c.want)
		}
	}
	for _, list := range [][]houseWord{rackFailures, rackOverrides} {
		for _, w := range list {
			if !event.IsReasonWord(w.key) {
				t.Errorf("%q may not stand in the log as it is", w.key)
			}
		}
	}
}

// A rack is set to the programme of most of its tubes, as near as it suits all.
func TestRackIsSetToWhatMostOfItsTubesAsk(t *testing.T) {
	p := rackBusy()
	p.Programmes = []RackProgramme{rackPlasma, rackSerum, rackClot}
	rack := func(programmes ...string) rackRow {
		var tubes []*RackTube
		for i, name := range programmes {
			tubes = append(tubes, &RackTube{ID: string(rune('A' + i)), Programme: name, Answer: event.RackSpin})
		}
		return p.rackRow(Site{}, clockOf(p.Now, p.Zone), "R-9", tubes)
	}
	misfits := func(r rackRow) (out []string) {
		for _, m := range r.Misfits {
			out = append(out, m.ID)
		}
		return out
	}
	if r := rack("plasma", "serum", "serum"); r.Name != "serum" || r.G != 1800 || r.Minutes != 10 || len(r.Misfits) != 0 || r.Say != "1800 g, 10 min, 15.0 to 25.0 °C" {
		t.Errorf("serum and plasma share: %+v", r)
	}
	if r := rack("coagulation", "serum", "serum", ""); r.Name != "serum" || !slices.Equal(misfits(r), []string{"A", "D"}) {
		t.Errorf("another programme and none don't fit: %+v", r)
	}
	if r := rack("", ""); r.Name != "" || r.G != 0 || len(r.Misfits) != 2 {
		t.Errorf("no programme at all: %+v", r)
	}
}

// rackFlow is what the page's own decisions say, in a browser.
func rackFlow(p *browsertest.Page, script string, out any) {
	p.Eval(`(async () => { const f = await import(document.querySelector("script[type=module]").src.replace(/[^/]+$/, "rack-flow.js")); `+script+` })()`, out)
}

// What a read means, what an answer says, and that speed is reckoned as the program does.
func TestRackFlow(t *testing.T) {
	server := httptest.NewServer(Story{spins: rackBusy}.Handler(""))
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	p := browsertest.Open(t, server.URL+"/rack?place=BENCH", browsertest.Look{Width: 1440, Height: 900})
	var turns []int64
	rackFlow(p, `return [[172, 2000], [160, 1500], [100, 1300], [100, 1500], [1, 1], [1000, 1000000]].map(([r, g]) => f.perMin(r, g));`, &turns)
	for i, c := range [][2]int64{{172, 2000}, {160, 1500}, {100, 1300}, {100, 1500}, {1, 1}, {1000, 1_000_000}} {
		if want, err := spinload.PerMin(c[0], c[1]); err != nil || turns[i] != want {
			t.Errorf("%d g at %d mm: the page says %d, the program %d %v", c[1], c[0], turns[i], want, err)
		}
	}
	const bench = `const bench = {machines: [{id: "CF-1"}], racks: [{id: "R-1", programme: "gel"}, {id: "X9"}], tubes: [{id: "A1", type: "L", programme: "gel", rack: "R-1"}],
		programmes: [{name: "gel", types: ["L", "S"], shares: ["gel", "near"]}, {name: "near", types: ["N"], shares: ["gel", "near"]}, {name: "far", types: ["C"], shares: ["far"]}]};
		const schemes = [{id: "T", names: "tube", pattern: "TB##"}, {id: "R", names: "carrier", pattern: "R-#"}, {id: "P", names: "patient", pattern: "PT##"}, {id: "L", names: "logger", pattern: "LG##"}, {id: "C", names: "tube", pattern: "CC###", check: "mod10"}];
		const typed = (text) => ({text, how: "typed"}); `
	for _, c := range []struct{ label, schemes, rack, want string }{
		{"TB12", "schemes", "", "tube TB12"}, {"R-7", "schemes", "", "rack R-7"}, {"cf-1", "schemes", "R-1", "machine CF-1"}, {"PT12", "schemes", "R-1", "wrong "},
		{"LG12", "schemes", "R-1", "wrong "}, {"CC129", "schemes", "R-1", "wrong "}, {"a1", "[]", "", "tube A1"}, {"x9", "[]", "", "rack X9"}, {"Q77", "[]", "", "ask Q77"}, {"Q77", "[]", "R-1", "tube Q77"},
		{"r-1", "[]", "R-1", "rack R-1"}, {" ", "schemes", "", "wrong "},
	} {
		var got string
		rackFlow(p, bench+`const m = f.meaning(typed("`+c.label+`"), `+c.schemes+`, bench, "`+c.rack+`"); return m.kind + " " + m.number;`, &got)
		if got != c.want {
			t.Errorf("%q with the rack %q: %q, want %q", c.label, c.rack, got, c.want)
		}
	}
	for _, c := range []struct{ rack, kind, tube, want string }{
		{"R-1", "L", "B1", ""}, {"R-1", "N", "B1", ""}, {"R-1", "C", "B1", "It doesn’t belong in this rack: it is spun by far, this rack by gel."},
		{"R-1", "E", "B1", "No programme is declared for its type; this rack is spun by gel."}, {"R-1", "", "B1", ""}, {"R-8", "C", "B1", ""}, {"R-1", "C", "A1", ""},
	} {
		var got string
		rackFlow(p, bench+`return f.misfit(bench, "`+c.rack+`", "`+c.kind+`", "`+c.tube+`");`, &got)
		if got != c.want {
			t.Errorf("a tube of type %q for %s: %q, want %q", c.kind, c.rack, got, c.want)
		}
	}
	for _, c := range []struct{ answer, want string }{
		{`undefined`, "kept/Kept here, not sent yet/false"},
		{`{answer: "recorded", tube: {rack: "spin", verdicts: [{verdict: "within-limits", name: "K"}]}}`, "spin/Spin/false"},
		{`{answer: "repeated", tube: {rack: "spin"}}`, "spin/Spin/false"},
		{`{answer: "recorded"}`, "spin/In the rack/false"},
		{`{answer: "recorded", tube: {rack: "spin-hold", verdicts: [{verdict: "past-limit", name: "glucose"}, {verdict: "wrong-tube", assay: "K"}, {verdict: "past-limit", name: "done", endedAt: "2026"}]}}`, "spin-hold/Spin, but hold glucose, K/false"},
		{`{answer: "recorded", tube: {rack: "spin", irreplaceable: true, verdicts: [{verdict: "past-limit", name: "K"}]}}`, "given/Spin it, then talk to the laboratory/false"},
		{`{answer: "refused", refusal: "not-yet-clotted", say: "let it clot first (2026-11-24T09:12:00.000Z)"}`, "wait/Wait until 1795511520000/true"},
		{`{answer: "refused", refusal: "not-yet-clotted", tube: {verdicts: [{waitUntil: "2026-11-24T09:12:00Z"}]}}`, "wait/Wait until 1795511520000/true"},
		{`{answer: "refused", refusal: "run-first"}`, "run-first/Run the unspun test first/true"},
		{`{answer: "refused", refusal: "nothing-left"}`, "nothing-left/Nothing left to save/true"},
		{`{answer: "refused", refusal: "disposed", say: "it was discarded"}`, "/Not taken/false"},
		{`{answer: "id-conflict", say: "another scan"}`, "/Not taken/false"},
		{`{answer: "recorded", tube: {rack: "nothing-left"}}`, "nothing-left/Nothing left to save/false"},
	} {
		var got string
		rackFlow(p, `const s = f.shown(`+c.answer+`, (ms) => String(ms)); return s.key + "/" + s.word + "/" + s.stops;`, &got)
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.answer, got, c.want)
		}
	}
	var more string
	rackFlow(p, `return f.shown({answer: "recorded", tube: {rack: "spin", verdicts: [{verdict: "cannot-say", name: "K"}]}}, String).more;`, &more)
	if more != "It is in the rack. It can’t be said how K stands; that doesn’t stop it." {
		t.Errorf("cannot say: %q", more)
	}
}

// rackPage opens the busy bench, behind which no API answers, and says who scans.
func rackPage(t *testing.T) *browsertest.Page {
	t.Helper()
	server := httptest.NewServer(Story{spins: rackBusy}.Handler(""))
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	p := browsertest.Open(t, server.URL+"/rack?place=BENCH", browsertest.Look{Width: 1440, Height: 900, Still: true})
	p.Wait(`document.getElementById("main").dataset.state === "ready"`)
	p.Click(`[data-act="who"]`)
	p.Wait(`document.activeElement.id === "ask-by"`)
	p.Type("lena\n")
	p.Wait(`document.getElementById("who").textContent === "LENA scans here." && !document.getElementById("ask").open`)
	return p
}

// Questions are answered by one key that comes alone. A reader that sends no frame types
// many at once, with Enter behind: it chooses nothing and presses nothing.
func TestRackQuestions(t *testing.T) {
	p := rackPage(t)
	recorded := func() (n int) {
		p.Eval(`Number(document.documentElement.dataset.waiting)`, &n)
		return n
	}
	opened := func() (open bool) {
		p.Eval(`document.getElementById("ask").open`, &open)
		return open
	}
	p.Eval(`document.querySelector('[data-act="fail-spin"]').click()`, nil)
	p.Wait(`document.getElementById("ask").open && document.activeElement.id === "ask-not"`)
	p.Press(browsertest.Keys("2134\n", 4*time.Millisecond)...)
	p.Press(browsertest.Keys("x", 400*time.Millisecond)...) // later than any digit would count
	if !opened() || recorded() != 0 {
		t.Errorf("a reader without frame answers the question: open %v, %d recorded", opened(), recorded())
	}
	for _, found := range p.Axe() {
		t.Errorf("a question: %s", found)
	}
	// A framed read goes before the question, which changes nothing.
	p.Press(browsertest.Keys("]C0TB260311\n", 4*time.Millisecond)...)
	p.Wait(`!document.getElementById("ask").open && document.getElementById("answer").dataset.tube === "TB260311"`)
	var answer, more string
	p.Eval(`document.getElementById("answer").dataset.answer`, &answer)
	p.Eval(`document.getElementById("answer-more").textContent`, &more)
	if answer != "wait" || recorded() != 0 {
		t.Errorf("a tube without a rack is answered %q, %d recorded: %s", answer, recorded(), more)
	}
	key := func(name string) {
		p.Press(browsertest.Key{Key: name, Code: name, Before: 300 * time.Millisecond}, browsertest.Key{Key: name, Code: name, Up: true})
	}
	key("F4")
	p.Wait(`document.getElementById("answer-word").textContent === "Scan a rack first"`)
	p.Eval(`document.querySelector('[data-act="fail-spin"]').click()`, nil)
	p.Wait(`document.getElementById("ask").open`)
	key("Escape")
	p.Wait(`!document.getElementById("ask").open`)
	p.Eval(`document.querySelector('[data-act="fail-spin"]').click()`, nil)
	p.Wait(`document.getElementById("ask").open`)
	p.Press(browsertest.Keys("2", 300*time.Millisecond)...)
	p.Wait(`document.getElementById("answer-word").textContent === "R-2 failed" && document.getElementById("undo-what").textContent === "end of R-2"`)
	p.Wait(`document.getElementById("unsent").textContent.startsWith("Not sent yet: 1.")`)
	// A run that was started by a list is told tube by tube: one that comes while the
	// question stands is of this run too.
	run := `document.querySelector('[data-act="fail-spin"]')`
	p.Eval(run+`.dataset.tubes = "TB260401"; `+run+`.click()`, nil)
	p.Wait(`document.getElementById("ask").open`)
	p.Eval(run+`.dataset.tubes = "TB260401 TB260402"`, nil)
	p.Press(browsertest.Keys("2", 300*time.Millisecond)...)
	p.Wait(`document.getElementById("unsent").textContent.startsWith("Not sent yet: 3.")`)
}

// Every answer can be read in light and dark.
func TestRackAnswersCanBeRead(t *testing.T) {
	p := rackPage(t)
	for _, dark := range []bool{false, true} {
		p.Look(browsertest.Look{Width: 1440, Height: 900, Still: true, Dark: dark})
		for _, level := range []level{levelQuiet, levelHold, levelSoon, levelAsk, levelPast, levelAbsent} {
			p.Eval(`for (const id of ["pass", "undo", "answer-fit"]) document.getElementById(id).hidden = false;
				document.getElementById("answer-fit").textContent = "It doesn't belong in this rack.";
				document.getElementById("answer").className = "answer is-`+string(level)+`"; 1`, nil)
			for _, found := range p.Axe("color-contrast", "target-size") {
				t.Errorf("level %s, dark %v: %s", level, dark, found)
			}
		}
	}
}
