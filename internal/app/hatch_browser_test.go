package app

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web/browsertest"
)

// deskPage is a reception's desk in a browser of its own.
type deskPage struct{ *browsertest.Page }

// desk opens a desk that nobody used before, and says who works there.
func (r *phoneRig) desk(staff, place string) deskPage {
	r.t.Helper()
	d := deskPage{browsertest.Open(r.t, r.url+"/hatch?place="+place, browsertest.Look{Width: 1440, Height: 1000})}
	d.Wait(`document.getElementById("live").textContent === "live" && document.querySelector("#who [data-act=who]")`)
	d.Click("#who [data-act=who]")
	d.Wait(`document.getElementById("ask").open`)
	d.Click("#ask-staff")
	d.Type(staff)
	d.Click("[data-act=who-send]")
	d.Wait(fmt.Sprintf(`document.getElementById("who").textContent.includes(%q)`, staff+" works here"))
	return d
}

func (d deskPage) read(label string) { d.Press(browsertest.Keys("]C0"+label+"\n", readerPace)...) }

func (d deskPage) said(words string) {
	d.Wait(fmt.Sprintf(`document.getElementById("said").textContent.includes(%q)`, words))
}

// reported records scans that happened so many minutes ago.
func (r *phoneRig) reported(minutes int, scans ...string) {
	r.t.Helper()
	at := time.Now().Add(-time.Duration(minutes) * time.Minute).UTC()
	for i, s := range scans {
		body := fmt.Sprintf(`{"scans":[{"id":"r-%d-%d","mode":"reported","occurredAt":%q,"device":"PH-1","by":"oskar",%s}]}`, minutes, i, at.Add(time.Duration(i)*time.Second).Format(time.RFC3339), s)
		var out struct {
			Answers []struct{ Answer, Say string }
		}
		r.call(http.MethodPost, "/v1/scans", body, &out)
		if out.Answers[0].Answer != "recorded" {
			r.t.Fatalf("%s: %+v", s, out.Answers)
		}
	}
}

// Two desks of one reception: what one does is on the other, and nothing is hidden (case
// ALR-S3). A box is opened by a reader, its logger's file read in, and it is finished.
func TestHatchTwoDesks(t *testing.T) {
	r := newPhoneRig(t, time.Now())
	r.call(http.MethodPut, "/v1/places/LAB", `{"name":"mainland laboratory","kind":"reception","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"owner":"lena","basis":"thermometer","by":"lena"}`, nil)
	r.call(http.MethodPut, "/v1/places/NORTH", `{"name":"north clinic","kind":"clinic","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"owner":"lena","basis":"thermometer","by":"lena"}`, nil)
	r.call(http.MethodPut, "/v1/carriers/B-7", `{"kind":"box","by":"lena"}`, nil)
	r.call(http.MethodPut, "/v1/loggers/LG-7", `{"everySeconds":300,"in":"B-7","by":"lena","occurredAt":"`+time.Now().Add(-3*time.Hour).UTC().Format(time.RFC3339)+`"}`, nil)
	rules, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		t.Fatal(err)
	}
	adopt, err := json.Marshal(map[string]string{"file": string(rules), "by": "lena", "id": "adopt", "inForce": time.Now().Add(-4 * time.Hour).UTC().Format(time.RFC3339)})
	if err != nil {
		t.Fatal(err)
	}
	r.call(http.MethodPost, "/v1/rules:adopt", string(adopt), nil)
	var collected []string
	for _, tube := range []string{"TB1", "TB2", "TB3"} {
		tests := `["K"]`
		if tube == "TB2" {
			tests = `["GLU"]` // 60 min in the fixture: past its limit by now
		}
		collected = append(collected, fmt.Sprintf(`"step":"collect","label":{"text":%q},"place":"NORTH","type":"LIHEP-GEL","tests":%s`, tube, tests))
	}
	r.reported(90, collected...)
	r.reported(80, `"step":"pack","label":{"text":"TB1"},"carrier":"B-7","place":"NORTH"`, `"step":"pack","label":{"text":"TB2"},"carrier":"B-7","place":"NORTH"`, `"step":"pack","label":{"text":"TB3"},"carrier":"B-7","place":"NORTH"`)
	r.reported(70, `"step":"take","label":{"text":"B-7"},"place":"NORTH","from":"mira"`)
	r.reported(60, `"step":"depart","label":{"text":"B-7"},"to":"LAB","details":{"mode":"van"}`)

	one, two := r.desk("lena", "LAB"), r.desk("mira", "LAB")
	one.Wait(`document.querySelector('#boxes [data-box="B-7"]')?.textContent.includes("on the way")`)
	one.read("B-7")
	one.Wait(`document.querySelector("#box .box-count")?.textContent === "0 of 3 received" && document.querySelector("#box .open").dataset.here === "yes"`)
	two.Wait(`document.querySelector('#boxes [data-box="B-7"]')?.dataset.here === "yes"`)

	// Its logger was never read: it is asked for first, and every flag says provisional.
	one.Wait(`document.querySelector('#box .logger.is-behind') && document.querySelector("#flag-TB2 .provisional")?.textContent.includes("LG-7 was never read")`)
	one.Click("[data-act=read-logger]")
	one.Wait(`document.getElementById("ask-file")`)
	var csv strings.Builder
	csv.WriteString("time;temperature (C)\n")
	for m := 100; m >= 0; m -= 5 {
		fmt.Fprintf(&csv, "%s;21.5\n", time.Now().Add(-time.Duration(m)*time.Minute).UTC().Format("2006-01-02T15:04:05Z"))
	}
	one.Eval(fmt.Sprintf(`(() => { const d = new DataTransfer(); d.items.add(new File([%q], "lg-7.csv")); document.getElementById("ask-file").files = d.files; })()`, csv.String()), nil)
	one.Click("[data-act=logger-send]")
	one.Wait(`document.querySelector("[data-act=logger-read-in]")`)
	one.Click("[data-act=logger-read-in]")
	one.Wait(`document.querySelector('#box .logger') && !document.querySelector('#box .logger.is-behind') && !document.querySelector("#flag-TB2 .provisional")`)

	one.read("TB1")
	one.said("TB1 received")
	one.Wait(`document.querySelector("#box .box-count").textContent === "1 of 3 received"`)
	one.Press(browsertest.Keys("a", readerPace)...)
	one.said("TB1 accepted")
	one.Wait(`document.querySelector("#tube-TB1 .tube-state").textContent.includes("accepted")`)
	one.read("TB2")
	one.said("TB2 received")
	one.read("TB9")
	one.said("extra")
	one.Wait(`document.querySelector("#box .extra")?.textContent.includes("TB9")`)
	one.Press(browsertest.Keys("u", readerPace)...)
	one.Wait(`document.querySelector("[data-act=unlabelled-send]")`)
	one.Click("[data-act=unlabelled-send]")
	one.Wait(`document.querySelector("#box").textContent.includes("Without a label: TMP-")`)

	// The flag of TB2 is taken at the other desk, and says so here.
	two.Wait(`document.getElementById("flag-TB2")`)
	two.Eval(`document.getElementById("flag-TB2").focus()`, nil)
	two.Press(browsertest.Keys("t", readerPace)...)
	one.Wait(`document.querySelector("#flag-TB2 .mark")?.textContent.startsWith("taken by mira ")`)
	one.Click(`#held [data-by="mira"] [data-act=take-all]`)
	two.Wait(`document.querySelector("#flag-TB2 .mark")?.textContent.startsWith("taken by lena ")`)
	two.Click("#flag-TB2 [data-act=undo]")
	two.Wait(`document.querySelector("#flag-TB2 .mark")?.textContent.startsWith("taken by mira ")`)

	one.Click("[data-act=finish]")
	one.Wait(`document.getElementById("ask-body").textContent.includes("Missing: TB3")`)
	one.Click("[data-act=finish-send]")
	one.said("B-7 finished")
	one.Wait(`document.querySelector("#box").textContent.includes("Finished")`)
	var missing struct {
		Doubts []struct{ Doubt string }
	}
	r.call(http.MethodGet, "/v1/tubes/TB3", "", &missing)
	if len(missing.Doubts) == 0 || missing.Doubts[0].Doubt != string(event.DoubtMissing) {
		t.Errorf("TB3 is missing by nobody's word: %+v", missing)
	}

	// A new sample is the last thing left for TB2: asked at one desk, declined at the other.
	one.Wait(`document.querySelector('#samples [data-state="proposed"]')?.textContent.includes("TB2")`)
	one.Eval(`document.querySelector('#samples [data-act=sample-ask]').click()`, nil)
	one.Wait(`document.querySelector("[data-act=ask-o]")`)
	one.Press(browsertest.Keys("o", readerPace)...)
	two.Wait(`document.querySelector('#samples [data-state="asked"]')?.textContent.includes("Asked by lena")`)
	two.Eval(`document.querySelector('#samples [data-act=sample-decline]').click()`, nil)
	two.Wait(`document.querySelector("[data-act=decline-r]")`)
	two.Press(browsertest.Keys("r", readerPace)...)
	one.Wait(`document.querySelector('#samples [data-state="declined"]')?.textContent.includes("the patient refused")`)
	two.Wait(`document.querySelector('#samples [data-act=sample-ask]')`)
	two.Eval(`document.querySelector('#samples [data-act=sample-ask]').click()`, nil)
	two.Wait(`document.querySelector("[data-act=ask-o]")`)
	two.Press(browsertest.Keys("o", readerPace)...)
	two.Wait(`document.querySelector('#samples [data-act=sample-done]')`)
	two.Eval(`document.querySelector('#samples [data-act=sample-done]').click()`, nil)
	one.Wait(`document.querySelector('#samples [data-state="done"]')`)
	two.Wait(`document.getElementById("refused").textContent === ""`)
	for _, p := range []deskPage{one, two} {
		if errs := p.Errors(); len(errs) > 0 {
			t.Errorf("the page complains: %q", errs)
		}
	}
}
