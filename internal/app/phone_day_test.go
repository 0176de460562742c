package app

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/web/browsertest"
)

// handset is somebody's phone: a browser of its own.
type handset struct {
	*browsertest.Page
	t    *testing.T
	url  string
	who  string
	road bool
}

// pocket gives somebody a phone at a place.
func (a *asked) pocket(t *testing.T, who, place, page string) *handset {
	t.Helper()
	h := &handset{browsertest.Open(t, a.url+page, browsertest.Phone), t, a.url, who, page == "/road"}
	h.answer("Who are you?", who)
	h.answer("Where are you?", place)
	return h
}

// answer fills in the one field of a screen.
func (h *handset) answer(question, text string) {
	h.t.Helper()
	h.Wait(fmt.Sprintf(`document.querySelector("main h1, main h2")?.textContent === %q`, question))
	h.Click("main form input, main input")
	h.Type(text)
	h.Click("main form button")
}

// read is a label read by a hand-held reader, wherever the cursor is.
func (h *handset) read(labels ...string) {
	h.t.Helper()
	for _, l := range labels {
		h.Press(browsertest.Keys("]C0"+l+"\n", 2*time.Millisecond)...)
	}
}

func (h *handset) has(act string) bool {
	var there bool
	h.Eval(`Boolean(document.querySelector('[data-act="`+act+`"]'))`, &there)
	return there
}

// press acts on a key of the screen, by keyboard.
func (h *handset) press(act string) {
	h.t.Helper()
	key := `[data-act="` + act + `"]`
	h.Wait(`document.querySelector('` + key + `')`)
	h.Eval(`{ const b = document.querySelector('`+key+`'); b.closest("details")?.setAttribute("open", ""); b.focus(); } 1`, nil)
	h.Press(browsertest.Keys("\n", 0)...)
}

// on waits for a screen by its question.
func (h *handset) on(question string) {
	h.t.Helper()
	h.Wait(fmt.Sprintf(`document.querySelector("main h1")?.textContent === %q`, question))
}

// said waits for words anywhere on the screen.
func (h *handset) said(words string) {
	h.t.Helper()
	h.Wait(fmt.Sprintf(`document.body.innerText.includes(%q)`, words))
}

// drive presses the first of these that the screen has, again and again, until it has until.
func (h *handset) drive(until string, acts ...string) {
	h.t.Helper()
	for range 60 {
		if h.has(until) {
			return
		}
		for _, act := range acts {
			if !h.has(act) {
				continue
			}
			h.Eval(`window.was = document.querySelector("main h1").textContent; 1`, nil)
			h.press(act)
			h.Wait(`document.querySelector("main h1").textContent !== window.was || !document.querySelector('[data-act="` + act + `"]')`)
			break
		}
	}
	var text string
	h.Eval(`document.body.innerText`, &text)
	h.t.Fatalf("%s never came to %s; the screen says\n%s", h.who, until, text)
}

// draw draws the tubes of whoever was identified.
func (h *handset) draw(tubes ...string) {
	h.t.Helper()
	h.Wait(`!document.querySelector("main .scan")`)
	h.drive("bedside.begin", "bedside.stated-name-yes", "bedside.stated-birth-yes", "bedside.request-yes", "bedside.prepared-yes", "bedside.allergies-none", "bedside.consent-yes",
		"bedside.site.left-elbow", "bedside.method.needle")
	h.press("bedside.begin")
	h.Wait(`document.querySelectorAll("main button").length === 1`)
	for i, tube := range tubes {
		h.read(tube)
		if i+1 < len(tubes) {
			h.said(fmt.Sprintf("%d of %d", i+1, len(tubes)))
		}
	}
	h.drive("bedside.next-patient", "bedside.order-yes", "bedside.discard-yes", "bedside.fill-yes", "bedside.mix-yes", "bedside.handling-yes", "bedside.care.pressed-dressing", "bedside.adverse.none")
	h.press("bedside.next-patient")
}

// phoneDay is a day on a clock that is steered, with what ought to stand in the log.
type phoneDay struct {
	*asked
	want []string
}

func (d *phoneDay) must(method, path, body string) {
	d.t.Helper()
	if got := d.browser().call(method, path, body); got.code != http.StatusOK {
		d.t.Fatalf("%s %s: %d %s", method, path, got.code, got.body)
	}
}

// at moves the clock of the daemon; the phones begin anew and measure theirs by it.
func (d *phoneDay) at(hhmm string, phones ...*handset) {
	d.t.Helper()
	d.must("PUT", "/v1/clock", `{"now":"2026-11-24T`+hhmm+`:00Z"}`)
	for _, h := range phones {
		h.Navigate(h.url + map[bool]string{false: "/bedside", true: "/road"}[h.road])
		h.Wait(`document.querySelector("main h1")`)
	}
}

func (d *phoneDay) expect(lines ...string) { d.want = append(d.want, lines...) }

// stands gives what people did by the log: step, label, and what else was said of it.
func (d *phoneDay) stands() []string {
	var out []string
	d.app.model.World(func(w *custody.World) {
		for _, kind := range []event.Kind{event.KindTube, event.KindDraw, event.KindCarrier, event.KindLogger} {
			for _, key := range w.Keys(kind) {
				label := key.Label()
				if kind == event.KindDraw {
					label = "a draw"
				}
				for _, rec := range w.Records(custody.Target{Kind: kind, Key: key}) {
					if rec.Actor == "" || rec.Actor == "house" {
						continue // declared, or by the leader
					}
					line := rec.Step + " " + label + " by " + rec.Actor
					for _, f := range rec.Facts {
						switch f := f.(type) {
						case event.Collected:
							line += " " + f.Type + " " + f.Request.Label()
						case event.Packed:
							line += " in " + f.Carrier.Label()
						case event.TakenOver:
							line += fmt.Sprintf(" from %s count %d", f.From, f.Count)
						case event.Released:
							line += fmt.Sprintf(" to %s count %d", f.To, f.Count)
						case event.CollectionFailed:
							line += " " + f.Reason
						case event.IdentityMismatch:
							line = "mismatch of " + label + " by " + rec.Actor
						case event.DefectNoted:
							line += " " + f.Defect
						}
					}
					out = append(out, line)
				}
			}
		}
	})
	slices.Sort(out)
	return out
}

// Three phones play a day of invented islands: two collectors with their trays and six
// patients, a courier with two hatches and a ferry that is late. The log holds what was
// done, and nothing else.
func TestThreePhonesPlayADay(t *testing.T) {
	log := memlog.New()
	start := time.Date(2026, 11, 24, 7, 0, 0, 0, time.UTC)
	d := &phoneDay{asked: startAsked(t, log, SteeredClock(event.At(start)), func(p *Parts) { p.SignIn = false })}
	d.must("POST", "/v1/rules:adopt", `{"by":"house","inForce":"2026-11-01T00:00:00Z"}`)
	for id, rest := range map[string]string{
		"CLINIC": `"kind":"clinic","identify":["band"]`, "WARD": `"kind":"ward","identify":["stated","band"]`,
		"PIER": `"kind":"hatch"`, "QUAY": `"kind":"hatch"`, "FERRY": `"kind":"vehicle"`, "LAB": `"kind":"reception"`,
	} {
		d.must("PUT", "/v1/places/"+id, `{`+rest+`,"name":"`+strings.ToLower(id)+`","zone":"Europe/Berlin","assumed":{"low":"19","high":"24"},"by":"house"}`)
	}
	d.must("PUT", "/v1/routes/BOAT", `{"from":"PIER","to":"QUAY","takesMinutes":"40","departs":["09:30","13:00"],"zone":"Europe/Berlin","by":"house"}`) // 08:30 and 12:00 UTC
	d.must("PUT", "/v1/routes/VAN", `{"from":"QUAY","to":"LAB","takesMinutes":"15","zone":"Europe/Berlin","by":"house"}`)
	d.must("PUT", "/v1/schemes", `{"by":"house","schemes":[{"id":"TB","issuer":"the laboratory","names":"tube","pattern":"TB26####"},
		{"id":"PAT","issuer":"admission","names":"patient","pattern":"P-####"},{"id":"BX","issuer":"the laboratory","names":"carrier","pattern":"BOX-#"}]}`)
	people := []struct{ number, name, place string }{
		{"P-7001", "Anders", "CLINIC"}, {"P-7002", "Bolt", "CLINIC"}, {"P-7003", "Okafor", "CLINIC"}, {"P-7004", "Holm", "CLINIC"},
		{"P-7005", "Lind", "WARD"}, {"P-7006", "Sund", "WARD"},
	}
	for i, p := range people {
		d.must("POST", "/v1/patients:write", fmt.Sprintf(`{"patient":%q,"family":%q,"given":"Kim","birthDate":"196%d-03-02","place":%q,"bed":"%d","by":"house"}`, p.number, p.name, i, p.place, i+1))
		d.must("POST", "/v1/requests", fmt.Sprintf(`{"id":"R-%d","patient":%q,"tests":["K","CBC"],"by":"house",
			"tubes":[{"tube":"TB26%d1","type":"EDTA","tests":["CBC"]},{"tube":"TB26%d0","type":"LIHEP-GEL","tests":["K"]}]}`, i+1, p.number, 100+i, 100+i))
	}
	tubes := func(i int) (heparin, edta string) { return fmt.Sprintf("TB26%d0", 99+i), fmt.Sprintf("TB26%d1", 99+i) }
	drawn := func(by string, i int) {
		heparin, edta := tubes(i)
		d.expect("collect "+heparin+" by "+by+" LIHEP-GEL R-"+fmt.Sprint(i), "collect "+edta+" by "+by+" EDTA R-"+fmt.Sprint(i), "end-draw a draw by "+by)
	}

	// The first collector: a tray for four, a band of the wrong bed, a patient who can't be drawn.
	mira := d.pocket(t, "mira", "CLINIC", "/bedside")
	mira.said("Take along for 4 patients")
	mira.press("bedside.to-patients")
	mira.on("Whose blood now?")
	mira.read("P-7001")
	heparin, edta := tubes(1)
	mira.draw(heparin, edta)
	d.expect("wristband a draw by MIRA", "start-draw a draw by MIRA", "start-draw a draw by MIRA")
	drawn("MIRA", 1)

	mira.on("Whose blood now?")
	mira.Eval(`[...document.querySelectorAll("[data-row]")].find((b) => b.textContent.includes("Bolt")).click()`, nil)
	mira.on("Who lies here?")
	mira.read("P-7003") // the next bed's
	mira.on("Not the same patient")
	d.expect("mismatch of a draw by MIRA")
	mira.press("bedside.mismatch-again")
	mira.on("Who lies here?")
	mira.read("P-7002")
	heparin, edta = tubes(2)
	mira.draw(heparin, edta)
	d.expect("wristband a draw by MIRA", "start-draw a draw by MIRA", "start-draw a draw by MIRA")
	drawn("MIRA", 2)

	mira.on("Whose blood now?")
	mira.read("P-7003")
	heparin, edta = tubes(3)
	mira.draw(heparin, edta)
	d.expect("wristband a draw by MIRA", "start-draw a draw by MIRA", "start-draw a draw by MIRA")
	drawn("MIRA", 3)

	mira.on("Whose blood now?")
	mira.Eval(`[...document.querySelectorAll("[data-row]")].find((b) => b.textContent.includes("Holm")).click()`, nil)
	mira.on("Who lies here?")
	mira.press("bedside.not-drawn")
	mira.press("bedside.failure.patient-absent")
	mira.on("Whose blood now?")
	d.expect("fail-collection a draw by MIRA patient-absent")

	// The second collector, on a ward where patients state who they are.
	lena := d.pocket(t, "lena", "WARD", "/bedside")
	lena.said("Take along for 2 patients")
	lena.press("bedside.to-patients")
	for i, name := range []string{"Lind", "Sund"} {
		lena.on("Whose blood now?")
		lena.Eval(`[...document.querySelectorAll("[data-row]")].find((b) => b.textContent.includes("`+name+`")).click()`, nil)
		lena.on("What is the name?")
		heparin, edta = tubes(5 + i)
		lena.draw(heparin, edta)
		d.expect("start-draw a draw by LENA", "start-draw a draw by LENA", "start-draw a draw by LENA")
		drawn("LENA", 5+i)
	}

	// Both pack, and leave their boxes at the hatch on the pier.
	mira.road, lena.road = true, true
	d.at("07:50", mira, lena)
	pack := func(h *handset, by, box string, draws ...int) {
		h.on("Your round")
		first := true
		for _, n := range draws {
			heparin, edta := tubes(n)
			for _, tube := range []string{heparin, edta} {
				h.read(tube)
				if first {
					h.said(tube)
					h.read(box)
					first = false
				}
				h.said(tube + " is in " + box)
				d.expect("pack " + tube + " by " + by + " in " + box)
			}
		}
		h.press("road.done")
	}
	pack(mira, "MIRA", "BOX-1", 1, 2, 3)
	pack(lena, "LENA", "BOX-2", 5, 6)
	for h, box := range map[*handset]string{mira: "BOX-1", lena: "BOX-2"} {
		h.on(box)
		h.press("road.give")
		h.on("Hand over")
		h.read("PIER")
		h.said("To pier")
		h.press("road.give-now")
		h.on("Handed over")
		h.said("Sent")
	}
	d.expect("release BOX-1 by MIRA to PIER count 0", "release BOX-2 by LENA to PIER count 0")

	// The courier takes both from the first hatch, and counts one of them.
	d.at("08:20")
	oskar := d.pocket(t, "oskar", "PIER", "/road")
	oskar.on("Your round")
	oskar.said("2 boxes, 10 tubes")
	oskar.read("PIER")
	oskar.on("pier")
	oskar.read("BOX-1")
	oskar.on("Take over")
	oskar.press("road.count-box")
	oskar.on("Count BOX-1")
	for n := 1; n <= 3; n++ {
		heparin, edta := tubes(n)
		for j, tube := range []string{heparin, edta} {
			oskar.read(tube)
			oskar.said(fmt.Sprintf("%d of 6", 2*(n-1)+j+1))
			d.expect("see " + tube + " by OSKAR")
		}
	}
	oskar.press("road.counted")
	oskar.on("Take over")
	oskar.read("BOX-2")
	oskar.said("BOX-2")
	oskar.press("road.take-now")
	oskar.on("Taken over")
	oskar.said("Sent")
	d.expect("take BOX-1 by OSKAR from PIER count 6", "take BOX-2 by OSKAR from PIER count 0")
	oskar.press("road.go-on")
	oskar.on("pier")

	// The ferry leaves in time and comes late: it should be there at 09:10, and 15 minutes
	// may pass over that.
	late := func() bool {
		return strings.Contains(d.browser().get("/v1/carriers/BOX-1/contents").body, string(event.DoubtLate))
	}
	d.at("08:30", oskar)
	oskar.press("road.leave")
	oskar.on("Next stop")
	oskar.said("quay")
	d.expect("depart BOX-1 by OSKAR", "depart BOX-2 by OSKAR")
	d.at("09:24")
	if late() {
		t.Error("the ferry is called late before it is")
	}
	d.at("09:40", oskar)
	oskar.on("Next stop")
	if !late() {
		t.Error("nobody is told that the ferry is late")
	}
	oskar.press("road.arrived")
	oskar.on("quay")
	d.expect("arrive BOX-1 by OSKAR", "arrive BOX-2 by OSKAR")
	give := func(place string) {
		oskar.press("road.give")
		oskar.on("Hand over")
		oskar.read("BOX-1", "BOX-2")
		oskar.said("BOX-2")
		oskar.press("road.give-now")
		oskar.on("Handed over")
		oskar.said("Sent")
		oskar.press("road.go-on")
		oskar.Wait(`document.querySelector("main h1").textContent !== "Handed over"`)
		d.expect("release BOX-1 by OSKAR to "+place+" count 0", "release BOX-2 by OSKAR to "+place+" count 0")
	}
	give("QUAY")

	// From the second hatch to the laboratory by van.
	d.at("09:50", oskar)
	oskar.on("quay")
	oskar.read("BOX-1")
	oskar.on("Take over")
	oskar.read("BOX-2")
	oskar.said("BOX-2")
	oskar.press("road.take-now")
	oskar.on("Taken over")
	oskar.said("Sent")
	oskar.press("road.go-on")
	d.expect("take BOX-1 by OSKAR from QUAY count 0", "take BOX-2 by OSKAR from QUAY count 0")
	oskar.press("road.leave")
	oskar.on("Next stop")
	oskar.said("lab")
	d.at("10:04", oskar)
	oskar.press("road.arrived")
	oskar.on("lab")
	d.expect("depart BOX-1 by OSKAR", "depart BOX-2 by OSKAR", "arrive BOX-1 by OSKAR", "arrive BOX-2 by OSKAR")
	give("LAB")

	// The reception takes every tube out; what the ferry did is settled.
	d.at("10:10")
	var scans []string
	for i, label := range []string{"BOX-1", "BOX-2"} {
		scans = append(scans, fmt.Sprintf(`{"id":"r-%d","step":"receive","label":{"text":%q},"occurredAt":"2026-11-24T10:10:00Z","place":"LAB","from":"OSKAR","by":"house"}`, i, label))
	}
	for _, n := range []int{1, 2, 3, 5, 6} {
		heparin, edta := tubes(n)
		for _, tube := range []string{heparin, edta} {
			scans = append(scans, fmt.Sprintf(`{"id":"r-%s","step":"receive","label":{"text":%q},"occurredAt":"2026-11-24T10:10:00Z","place":"LAB","by":"house"}`, tube, tube))
		}
	}
	d.must("POST", "/v1/scans", `{"scans":[`+strings.Join(scans, ",")+`]}`)
	for _, label := range []string{"BOX-1", "BOX-2"} {
		if got := d.browser().get("/v1/carriers/" + label + "/contents").body; strings.Contains(got, `"open":true`) {
			t.Errorf("a doubt about %s is open at the end: %s", label, got)
		}
	}
	for _, n := range []int{1, 2, 3, 5, 6} {
		heparin, edta := tubes(n)
		for _, tube := range []string{heparin, edta} {
			got := d.browser().get("/v1/tubes/" + tube).body
			if strings.Contains(got, `"open":true`) || !strings.Contains(got, `"status":"received"`) {
				t.Errorf("%s is not received, or a doubt about it is open: %s", tube, got)
			}
		}
	}

	got := d.stands()
	slices.Sort(d.want)
	if strings.Join(got, "\n") != strings.Join(d.want, "\n") {
		t.Errorf("the log holds\n%s\n\nand was to hold\n%s", strings.Join(got, "\n"), strings.Join(d.want, "\n"))
	}
	for _, h := range []*handset{mira, lena, oskar} {
		if errs := h.Errors(); len(errs) > 0 {
			t.Errorf("%s's phone complains: %q", h.who, errs)
		}
	}
}
