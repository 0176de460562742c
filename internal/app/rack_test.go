package app

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/web/browsertest"
)

// bench is the rack page in a browser in which somebody is signed in.
type bench struct {
	*browsertest.Page
	t *testing.T
}

// benchOf signs somebody in and opens the rack page at an address.
func (a *asked) benchOf(who, url string) bench {
	a.t.Helper()
	p := browsertest.Open(a.t, url+"/sign-in?next=/wall", browsertest.Look{Width: 1440, Height: 900})
	typed(p, who)
	p.Navigate(url + "/rack?place=BENCH")
	b := bench{p, a.t}
	b.ready()
	return b
}

func (b bench) ready() {
	b.t.Helper()
	b.Wait(`document.getElementById("main").dataset.state === "ready" && document.getElementById("live").textContent === "live"`)
}

// bigAnswer is what the page shows big.
func bigAnswer(label, key, word string) string {
	return fmt.Sprintf(`document.getElementById("answer").dataset.tube === %q && document.getElementById("answer").dataset.answer === %q && document.getElementById("answer-word").textContent.startsWith(%q)`, label, key, word)
}

// scan reads a label and waits for its answer.
func (b bench) scan(label, key, word string) {
	b.t.Helper()
	b.Press(browsertest.Keys("]C0"+label+"\n", readerPace)...)
	b.Wait(bigAnswer(label, key, word))
}

func (b bench) key(name string) {
	b.t.Helper()
	b.Press(browsertest.Key{Key: name, Code: name}, browsertest.Key{Key: name, Code: name, Up: true})
}

// shot keeps a picture of the page in the folder RACK_SHOTS, light and dark, for looking at.
func (b bench) shot(name string) {
	b.t.Helper()
	folder := os.Getenv("RACK_SHOTS")
	if folder == "" {
		return
	}
	for _, look := range []browsertest.Look{{Width: 1920, Height: 1080, Dark: true}, {Width: 1440, Height: 900}} {
		b.Look(look)
		if err := os.WriteFile(fmt.Sprintf("%s/%s-%d.png", folder, name, look.Width), b.Screenshot(), 0o600); err != nil {
			b.t.Fatal(err)
		}
	}
}

// act presses the control of that name within an element.
func (b bench) act(name, within string) {
	b.t.Helper()
	selector := fmt.Sprintf(`%s [data-act=%q]`, within, name)
	b.Wait(fmt.Sprintf(`document.querySelector(%q)`, selector))
	b.Eval(fmt.Sprintf(`document.querySelector(%q).click()`, selector), nil)
}

// rackHouse is a laboratory with two centrifuges and three programmes, and twelve tubes
// at its bench, now.
func rackHouse(t *testing.T) (a *asked, log *memlog.Log, engineer *browser) {
	t.Helper()
	log = memlog.New()
	clock := ahead()
	now := time.Now()
	if err := clock.Set(event.At(now)); err != nil {
		t.Fatal(err)
	}
	a = startAsked(t, log, clock)
	engineer = a.settled()
	engineer.person("lena", event.RoleReception)
	engineer.person("oskar", event.RoleScientist)
	room := `"assumed":{"low":"19","high":"23"},"basis":"a thermometer","owner":"mira","zone":"UTC"`
	for id, body := range map[string]string{
		"NORTH": `{"name":"north clinic","kind":"clinic",` + room + `}`, "BENCH": `{"name":"spin bench","kind":"bench",` + room + `}`,
		"SPIN-1": `{"name":"large centrifuge","kind":"centrifuge",` + room + `,"rotor":{"slots":24,"radiusMm":172,"mostPerMinute":4000,"holds":{"low":"18","high":"25"},"at":"BENCH"}}`,
		"SPIN-2": `{"name":"small centrifuge","kind":"centrifuge",` + room + `,"rotor":{"slots":6,"radiusMm":100,"mostPerMinute":3900,"at":"BENCH"}}`,
	} {
		engineer.must(http.MethodPut, "/v1/places/"+id, body, nil)
	}
	engineer.must(http.MethodPut, "/v1/schemes", `{"schemes":[{"id":"TB","issuer":"the laboratory","names":"tube","pattern":"TB######"},{"id":"RK","issuer":"the laboratory","names":"carrier","pattern":"R-##"}]}`, nil)
	engineer.must(http.MethodPut, "/v1/carriers/R-01", `{"kind":"rack"}`, nil)
	rules, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		t.Fatal(err)
	}
	scientist := a.browser()
	if g := scientist.signIn("oskar"); g.code != http.StatusSeeOther {
		t.Fatalf("oskar doesn't come in: %d %s", g.code, g.body)
	}
	adopt, err := json.Marshal(map[string]any{"file": string(rules), "inForce": now.Add(-24 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	scientist.must(http.MethodPost, "/v1/rules:adopt", string(adopt), nil)
	scientist.must(http.MethodPut, "/v1/programmes", `{"programmes":[{"name":"gel","tubes":["LIHEP-GEL","SERUM-GEL"],"g":"2000","withinG":"200","minutes":"10","handlingMinutes":"2"},
		{"name":"coagulation","tubes":["CITRATE"],"g":"1500","withinG":"100","minutes":"15","handlingMinutes":"2"},{"name":"blood","tubes":["EDTA"],"g":"1800","minutes":"8"}]}`, nil)

	var scans []map[string]any
	for n, tube := range rackTubes {
		at := now.Add(-time.Duration(tube.ago) * time.Minute)
		scan := func(step, place string, at time.Time, more map[string]any) {
			s := map[string]any{
				"id": fmt.Sprintf("%s-%d", step, n), "step": step, "label": map[string]string{"text": tube.id, "how": "typed"}, "occurredAt": at.Format(time.RFC3339Nano),
				"device": "PH-1", "place": place, "mode": "reported",
			}
			for k, v := range more {
				s[k] = v
			}
			scans = append(scans, s)
		}
		scan("collect", "NORTH", at, map[string]any{"type": tube.typ, "tests": strings.Split(tube.tests, ","), "draw": "D-" + tube.id})
		scan("receive", "BENCH", now.Add(-3*time.Minute), map[string]any{"from": "NORTH"})
	}
	body, err := json.Marshal(map[string]any{"scans": scans})
	if err != nil {
		t.Fatal(err)
	}
	var resp struct {
		Answers []struct{ Answer, Say string }
	}
	scientist.must(http.MethodPost, "/v1/scans", string(body), &resp)
	for i, ans := range resp.Answers {
		if ans.Answer != "recorded" {
			t.Fatalf("%v: %+v", scans[i], ans)
		}
	}
	return a, log, engineer
}

// rackTubes are drawn so many minutes ago. By the fixture's limits glucose in gel has an
// hour, potassium four, a serum tube clots for half an hour and a blood count needs
// unspun blood.
var rackTubes = []struct {
	id, typ, tests string
	ago            int
	key, word      string // what the rack answers
}{
	{"TB000001", "LIHEP-GEL", "K", 60, "spin", "Spin"},
	{"TB000002", "LIHEP-GEL", "K", 90, "spin", "Spin"},
	{"TB000003", "LIHEP-GEL", "K", 30, "spin", "Spin"},
	{"TB000004", "LIHEP-GEL", "K,GLU", 75, "spin-hold", "Spin, but hold glucose"},
	{"TB000005", "SERUM-GEL", "K", 45, "spin", "Spin"},
	{"TB000006", "SERUM-GEL", "K", 50, "spin", "Spin"},
	{"TB000007", "SERUM-GEL", "K", 20, "wait", "Wait until "},
	{"TB000008", "LIHEP-GEL", "GLU", 95, "nothing-left", "Nothing left to save"},
	{"TB000009", "EDTA", "CBC", 30, "run-first", "Run the unspun test first"},
	{"TB000010", "CITRATE", "APTT", 20, "spin", "Spin"},
	{"TB000011", "CITRATE", "APTT", 25, "spin", "Spin"},
	{"TB000012", "LIHEP-GEL", "TSH", 20, "spin", "Spin"}, // no limit adopted: that doesn't stop it
}

// history gives what people at the rack recorded of something, in the order of the log.
func rackHistory(t *testing.T, log *memlog.Log, kind event.Kind, key event.Key) (out []string) {
	t.Helper()
	list, err := log.History(t.Context(), kind, key)
	if err != nil {
		t.Fatal(err)
	}
	for _, rec := range list {
		if rec.Device == "PH-1" || rec.Step == "" {
			continue
		}
		line := fmt.Sprintf("%s by %s at %s %s", rec.Step, rec.Actor, rec.Place, rec.Mode)
		for _, f := range rec.Facts {
			switch f := f.(type) {
			case event.Packed:
				line += " into " + f.Carrier.Label()
			case event.FlagOverridden:
				line += " because " + f.Reason
			case event.SpinStarted:
				line += fmt.Sprintf(" %s %d g %d min", f.Programme, f.G, f.Minutes)
			}
		}
		if rec.How == "list" || rec.How == "chosen" { // all else is how a label was read
			line += " " + rec.How
		}
		out = append(out, line)
	}
	return out
}

// A morning before the centrifuges through the page, twelve tubes of three programmes:
// each is answered, three are stopped, who may let pass does and who may not can't, what
// doesn't belong in the rack is said and taken out, the rack turns and ends. The log
// holds exactly that.
func TestARackIsSpunThroughThePage(t *testing.T) {
	a, log, _ := rackHouse(t)
	lena := a.benchOf("lena", a.url)
	lena.scan("R-01", "", "Fill R-01")
	for _, tube := range rackTubes {
		lena.scan(tube.id, tube.key, tube.word)
		lena.shot("answer-" + tube.id)
		misfits := tube.typ == "CITRATE"
		var fit string
		lena.Eval(`document.getElementById("answer-fit").textContent`, &fit)
		if misfits != strings.Contains(fit, "it is spun by coagulation, this rack by gel") {
			t.Errorf("%s: said of its fit: %q", tube.id, fit)
		}
		if tube.key == "nothing-left" {
			// Reception can't let it pass: neither the page nor the program lets it.
			lena.Wait(`document.getElementById("pass").hidden && document.getElementById("answer-more").textContent.includes("A scientist may let it pass")`)
			lena.key("F2")
			lena.Wait(`!document.getElementById("ask").open && document.getElementById("answer-word").textContent === "Not taken"`)
			var answer struct {
				Answers []struct{ Answer, Refusal string }
			}
			lena.Eval(`fetch("/v1/scans", {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify({scans: [{id: "by-hand", step: "rack", label: {text: "TB000008", how: "typed"},
				occurredAt: new Date().toISOString(), device: "DESK-X", place: "BENCH", carrier: "R-01", details: {override: "urgent"}}]})}).then(r => r.json())`, &answer)
			if len(answer.Answers) != 1 || answer.Answers[0].Refusal != string(event.RefuseNotAllowed) {
				t.Errorf("a reception lets pass by hand: %+v", answer)
			}
		}
	}
	// Both citrate tubes stand in the rack and are said there; they are taken out again.
	lena.scan("TB000010", "spin", "Spin")
	lena.Wait(`document.querySelectorAll("#racks .misfit").length === 2`)
	lena.scan("TB000012", "spin", "Spin")
	for range 3 { // the last three that went in: TB000012, and the two before it
		lena.key("F8")
		lena.Wait(`document.getElementById("answer-word").textContent === "Taken back"`)
		lena.Eval(`document.getElementById("answer-word").textContent = ""`, nil)
	}
	held := `document.querySelector('#racks [data-rack="R-01"]').dataset.tubes.split(" ").length`
	lena.Wait(`document.querySelectorAll("#racks .misfit").length === 0 && ` + held + ` === 6`)
	// Read twice at once it is one step, and one key takes it back.
	lena.Press(browsertest.Keys("]C0TB000012\n]C0TB000012\n", readerPace)...)
	lena.Wait(held + ` === 7 && ` + bigAnswer("TB000012", "spin", "Spin"))
	lena.key("F8")
	lena.Wait(`document.getElementById("answer-word").textContent === "Taken back" && ` + held + ` === 6`)

	oskar := a.benchOf("oskar", a.url)
	oskar.scan("R-01", "", "Fill R-01")
	oskar.scan("TB000008", "nothing-left", "Nothing left to save")
	oskar.key("F2")
	oskar.Wait(`document.getElementById("ask").open`)
	oskar.shot("pass")
	oskar.Press(browsertest.Keys("3", 300*time.Millisecond)...)
	oskar.Wait(`document.getElementById("answer-word").textContent === "Let pass" && document.getElementById("undo-what").textContent === "TB000008"`)
	oskar.Wait(`document.querySelector('#racks [data-rack="R-01"]').dataset.tubes.split(" ").length === 7`)
	oskar.key("F4")
	oskar.Wait(`document.getElementById("ask").open && document.getElementById("ask-told").textContent.startsWith("Set 3225 per minute in large centrifuge")`)
	oskar.shot("start")
	oskar.Press(browsertest.Keys("\n", 300*time.Millisecond)...)
	oskar.Wait(`document.getElementById("answer-word").textContent === "R-01 turns" && document.querySelector("#machine-SPIN-1 .run")`)
	// Seen at the other desk too; there it ends.
	lena.Wait(`document.querySelector("#machine-SPIN-1 .run")?.textContent.includes("gel: 7 tubes, rack R-01")`)
	lena.shot("turning")
	lena.act("end-spin", "#machine-SPIN-1")
	lena.Wait(`document.getElementById("answer-word").textContent === "R-01 ended" && !document.querySelector("#machines .run")`)

	packed := "rack by LENA at BENCH live into R-01"
	want := map[string][]string{
		"TB000001": {packed}, "TB000002": {packed}, "TB000003": {packed}, "TB000004": {packed}, "TB000005": {packed}, "TB000006": {packed},
		"TB000007": nil, "TB000008": {"rack by OSKAR at BENCH live into R-01 because irreplaceable"}, "TB000009": nil,
		"TB000010": {packed, "void by LENA at BENCH live chosen"}, "TB000011": {packed, "void by LENA at BENCH live chosen"}, "TB000012": {packed, "void by LENA at BENCH live chosen", packed, "void by LENA at BENCH live chosen"},
	}
	for id, lines := range want {
		if got := rackHistory(t, log, event.KindTube, event.Key("TB-"+id)); !slices.Equal(got, lines) {
			t.Errorf("%s: the log holds %q, want %q", id, got, lines)
		}
	}
	if got, lines := rackHistory(t, log, event.KindCarrier, "RK-R-01"), []string{"spin by OSKAR at SPIN-1 live gel 2000 g 10 min chosen", "end-spin by LENA at SPIN-1 live chosen"}; !slices.Equal(got, lines) {
		t.Errorf("the rack: the log holds %q, want %q", got, lines)
	}
	noErrors(t, lena.Page)
	noErrors(t, oskar.Page)
}

// Where nobody scans each tube, a list is started whole and marked so; it fails, and its
// tubes come back. Without network nothing stops: what is scanned is kept and sent as
// what happened.
func TestAListIsStartedWholeAndARackWithoutNetwork(t *testing.T) {
	a, log, _ := rackHouse(t)
	net := apptest.NewGateway(t, a.url)
	lena := a.benchOf("lena", net.URL)
	lena.Wait(`document.querySelector('#machine-SPIN-1 [data-act="start-list"]')`)
	var list []string
	lena.Eval(`document.querySelector('#machine-SPIN-1 [data-act="start-list"]').dataset.tubes.split(" ")`, &list)
	lena.act("start-list", "#machine-SPIN-1")
	lena.Wait(`document.getElementById("ask").open`)
	lena.act("do", "#ask")
	lena.Wait(fmt.Sprintf(`document.getElementById("answer-word").textContent === "%d tubes turn" && document.querySelector("#machine-SPIN-1 .run")`, len(list)))
	// The answers come before the row that holds all of them.
	lena.Wait(fmt.Sprintf(`document.querySelector('#machine-SPIN-1 .run [data-act="fail-spin"]').dataset.tubes.split(" ").length === %d`, len(list)))
	lena.act("fail-spin", "#machine-SPIN-1 .run")
	lena.Wait(`document.getElementById("ask").open`)
	lena.Press(browsertest.Keys("1", 300*time.Millisecond)...)
	lena.Wait(`document.getElementById("answer-word").textContent.endsWith("failed") && !document.querySelector("#machines .run")`)
	lena.Wait(fmt.Sprintf(`document.querySelector('#groups [data-tube=%q]')`, list[0]))
	for _, id := range list {
		got := rackHistory(t, log, event.KindTube, event.Key("TB-"+id))
		if len(got) != 2 || !strings.HasPrefix(got[0], "spin by LENA at SPIN-1 live ") || !strings.HasSuffix(got[0], " list") || got[1] != "fail-spin by LENA at BENCH live list" {
			t.Errorf("%s: the log holds %q", id, got)
		}
	}

	lena.scan("R-01", "", "Fill R-01")
	net.Cut()
	lena.scan("TB000001", "kept", "Kept here, not sent yet")
	lena.scan("TB000007", "kept", "Kept here, not sent yet") // it clots, and nobody is there to say so
	lena.Wait(`document.getElementById("unsent").textContent.includes("Not sent yet: 2")`)
	lena.shot("kept")
	// The rack is started all the same.
	lena.key("F4")
	lena.Wait(`document.getElementById("ask").open && document.getElementById("ask-body").textContent.includes("2 tubes, gel.")`)
	lena.act("do", "#ask")
	lena.Wait(`document.getElementById("answer-word").textContent === "R-01 turns" && document.getElementById("answer-more").textContent.includes("not sent yet")`)
	net.Heal()
	lena.WaitFor(time.Minute, `document.getElementById("unsent").textContent === "Everything is sent."`)
	for _, id := range []string{"TB000001", "TB000007"} {
		got := rackHistory(t, log, event.KindTube, event.Key("TB-"+id))
		if len(got) == 0 || got[len(got)-1] != "rack by LENA at BENCH reported into R-01" {
			t.Errorf("%s: the log holds %q", id, got)
		}
	}
	if got := rackHistory(t, log, event.KindCarrier, "RK-R-01"); !slices.Equal(got, []string{"spin by LENA at SPIN-1 reported gel 2000 g 10 min chosen"}) {
		t.Errorf("the rack: the log holds %q", got)
	}
}
