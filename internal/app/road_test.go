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

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web/browsertest"
)

// courier is a phone with the round open; what is read is read by a hand-held reader.
type courier struct{ phone }

// read reads a label and waits until the screen says something.
func (c courier) read(label, until string) {
	c.t.Helper()
	c.Press(browsertest.Keys("]C0"+label+"\n", readerPace)...)
	c.Wait(until)
}

// key presses a key of the screen and waits.
func (c courier) key(name, until string) {
	c.t.Helper()
	selector := fmt.Sprintf(`[data-act="road.%s"]`, name)
	c.Wait(fmt.Sprintf(`document.querySelector(%q)`, selector))
	c.Eval(fmt.Sprintf(`document.querySelector(%q).click()`, selector), nil)
	c.Wait(until)
}

func head(text string) string {
	return fmt.Sprintf(`document.querySelector("main h1")?.textContent === %q`, text)
}

func says(text string) string {
	return fmt.Sprintf(`document.body.innerText.includes(%q)`, text)
}

// steps gives what a device recorded of something, in the order of the log.
func (r *phoneRig) steps(kind event.Kind, label, except string) []string {
	r.t.Helper()
	list, err := r.log.History(r.t.Context(), kind, event.Key("L-"+label))
	if err != nil {
		r.t.Fatal(err)
	}
	var out []string
	for _, rec := range list {
		if rec.Device == except || rec.Step == "" {
			continue
		}
		line := rec.Step + " at " + rec.Place + " by " + rec.Actor
		switch f := rec.Facts[0].(type) {
		case event.TakenOver:
			line += fmt.Sprintf(" from %s count %d", f.From, f.Count)
		case event.Released:
			line += fmt.Sprintf(" to %s count %d", f.To, f.Count)
		case event.Departed:
			line += " route " + f.Route.Label()
		case event.Packed:
			line += " into " + f.Carrier.Label()
		}
		out = append(out, line)
	}
	return out
}

// A whole round through the page: taken over, counted, driven, packed; without network
// from the hatch to the laboratory, with a reload on the way. The log holds exactly what
// was done.
func TestARoundOnTheRoad(t *testing.T) {
	r := newPhoneRig(t, time.Now())
	for id, body := range map[string]string{
		"NORTH": `{"name":"north clinic","kind":"clinic","zone":"UTC","by":"lena"}`, "HARBOUR": `{"name":"harbour shed","kind":"hatch","zone":"UTC","by":"lena"}`,
		"LAB": `{"name":"mainland laboratory","kind":"reception","zone":"UTC","by":"lena"}`,
	} {
		r.call(http.MethodPut, "/v1/places/"+id, body, nil)
	}
	r.call(http.MethodPut, "/v1/routes/CROSSING", `{"from":"NORTH","to":"HARBOUR","takesMinutes":"50","zone":"UTC","by":"lena"}`, nil)
	r.call(http.MethodPut, "/v1/routes/VAN", `{"from":"HARBOUR","to":"LAB","takesMinutes":"9","zone":"UTC","by":"lena"}`, nil)
	for _, id := range []string{"B-1", "B-2"} {
		r.call(http.MethodPut, "/v1/carriers/"+id, `{"kind":"box","by":"lena"}`, nil)
	}
	rules, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		t.Fatal(err)
	}
	adopt, err := json.Marshal(map[string]string{"file": string(rules), "by": "lena", "inForce": time.Now().Add(-3 * time.Hour).UTC().Format(time.RFC3339), "id": "adopt"})
	if err != nil {
		t.Fatal(err)
	}
	r.call(http.MethodPost, "/v1/rules:adopt", string(adopt), nil)
	n := 0
	mira := func(minutes int, step, label, place, more string) {
		n++
		at := time.Now().Add(-time.Duration(minutes) * time.Minute).UTC().Format(time.RFC3339)
		r.call(http.MethodPost, "/v1/scans", fmt.Sprintf(`{"scans":[{"id":"m-%d","label":{"text":%q},"step":%q,"occurredAt":%q,"device":"H-09","deviceSeq":%d,"place":%q,"by":"mira","mode":"reported"%s}]}`,
			n, label, step, at, n, place, more), nil)
	}
	for tube, place := range map[string]string{"T1": "NORTH", "T2": "NORTH", "T3": "HARBOUR", "T4": "HARBOUR"} {
		mira(60, "collect", tube, place, `,"type":"LIHEP-GEL","tests":["K"]`)
	}
	mira(50, "pack", "T1", "NORTH", `,"carrier":"B-1"`)
	mira(50, "pack", "T2", "NORTH", `,"carrier":"B-1"`)
	mira(40, "release", "B-1", "NORTH", `,"to":"NORTH"`)
	mira(40, "pack", "T3", "HARBOUR", `,"carrier":"B-2"`)
	mira(30, "release", "B-2", "HARBOUR", `,"to":"HARBOUR"`)
	mira(30, "release", "T4", "HARBOUR", `,"to":"HARBOUR"`)

	c := courier{phone{t, browsertest.Open(t, r.net.URL+"/road", browsertest.Phone)}}
	c.Wait(`document.querySelector(".phone-door label")?.textContent.startsWith("Staff code")`)
	c.Eval(`document.getElementById("door-box").focus()`, nil)
	c.Type("oskar\n")
	c.Wait(`document.querySelector(".phone-door label")?.textContent.startsWith("Code of the place")`)
	c.Eval(`document.getElementById("door-box").focus()`, nil)
	c.Type("north\n")
	c.Wait(head("Your round") + " && " + says("Waits: 1 box, 2 tubes"))
	c.installed()

	// At the clinic: the box, each tube in it, the box again for "all are there", once more for yes.
	c.read("B-1", head("Take over")+" && "+says("From north clinic"))
	c.read("T1", head("Count B-1")+" && "+says("1 of 2"))
	c.read("T2", says("2 of 2, all are there."))
	c.read("B-1", head("Take over")+" && "+says("2 of 2"))
	c.read("B-1", head("Taken over")+" && "+says("Sent"))
	c.key("go-on", head("north clinic"))
	c.key("leave", head("Next stop")+" && "+says("harbour shed"))
	c.read("HARBOUR", head("harbour shed")+" && "+says("Arrived at harbour shed."))

	// Without network from here on.
	r.net.Cut()
	c.read("B-2", head("Take over")+" && "+says("From harbour shed"))
	c.read("B-2", head("Taken over")+" && "+says("Kept on this phone, not sent yet"))
	c.read("T4", head("Pack")+" && "+says("In your hand: T4"))
	c.read("B-2", says("T4 is in B-2."))
	c.Navigate(r.net.URL + "/road")
	c.Wait(head("Pack") + " && " + says("Into B-2"))
	c.key("done", head("B-2")+" && "+says("2 tubes"))
	c.key("back", head("harbour shed"))
	c.key("leave", head("Next stop")+" && "+says("mainland laboratory"))
	c.Navigate(r.net.URL + "/road")
	c.Wait(head("Next stop") + " && " + says("mainland laboratory"))
	c.read("LAB", head("mainland laboratory"))
	c.key("give", head("Hand over")+" && "+says("To mainland laboratory"))
	c.read("B-1", says("B-1"))
	c.read("B-2", `document.querySelectorAll("main .row .code").length === 2`)
	c.read("B-2", head("Handed over")+" && "+says("Kept on this phone, not sent yet"))
	if got := r.steps(event.KindCarrier, "B-2", "H-09"); len(got) != 0 {
		t.Errorf("without network the log already holds %q", got)
	}
	r.net.Heal()
	c.Eval(`dispatchEvent(new Event("online"))`, nil)
	c.waits(0)
	c.Wait(says("Sent"))

	for _, want := range []struct {
		kind  event.Kind
		label string
		steps []string
	}{
		{event.KindCarrier, "B-1", []string{
			"take at NORTH by OSKAR from NORTH count 2", "depart at NORTH by OSKAR route CROSSING", "arrive at HARBOUR by OSKAR",
			"depart at HARBOUR by OSKAR route VAN", "arrive at LAB by OSKAR", "release at LAB by OSKAR to LAB count 0",
		}},
		{event.KindCarrier, "B-2", []string{
			"take at HARBOUR by OSKAR from HARBOUR count 0", "depart at HARBOUR by OSKAR route VAN", "arrive at LAB by OSKAR", "release at LAB by OSKAR to LAB count 0",
		}},
		{event.KindTube, "T1", []string{"see at NORTH by OSKAR"}},
		{event.KindTube, "T2", []string{"see at NORTH by OSKAR"}},
		{event.KindTube, "T3", nil},
		{event.KindTube, "T4", []string{"pack at HARBOUR by OSKAR into B-2"}},
	} {
		if got := r.steps(want.kind, want.label, "H-09"); !slices.Equal(got, want.steps) {
			t.Errorf("of %s the log holds\n  %s, want\n  %s", want.label, strings.Join(got, "\n  "), strings.Join(want.steps, "\n  "))
		}
	}
	var round struct {
		Boxes []struct{ ID, Holder, Place string }
	}
	r.call(http.MethodGet, "/v1/rounds?by=oskar", "", &round)
	for _, b := range round.Boxes {
		if b.Holder != "LAB" || b.Place != "LAB" {
			t.Errorf("afterwards %+v", b)
		}
	}
	if len(round.Boxes) != 2 {
		t.Errorf("afterwards the round holds %+v", round.Boxes)
	}
}
