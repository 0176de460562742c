package web

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
)

// bedsideBench is the shell of the page without what begins it: the screens are shown by
// testdata/bedside.js.
const bedsideBench = `<!doctype html><html lang="en" data-kind="phone" data-phone="%p"><head><meta charset="utf-8"><title>Bedside</title>
<meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover"><link rel="stylesheet" href="%b"><link rel="stylesheet" href="%c">
<script type="module" src="/bedside.js"></script></head><body class="phone"><header id="bar" class="phone-bar"><div class="bar-line"><div class="bar-said"><p class="bar-who">mira · GULL-CLINIC</p></div></div></header>
<main id="main" data-screen="bedside"></main><footer class="phone-foot"><p>Advises only. Local procedure and licensed staff decide.</p></footer></body></html>`

func bedsidePage(t *testing.T, look browsertest.Look) *browsertest.Page {
	t.Helper()
	mux := http.NewServeMux()
	site := Site{}
	page := strings.NewReplacer("%p", strings.TrimSuffix(site.Asset("phone/ui.js"), "ui.js"), "%b", site.Asset("base.css"), "%c", site.Asset("phone.css")).Replace(bedsideBench)
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", phonePolicy)
		_, _ = w.Write([]byte(page))
	})
	for _, name := range []string{"bedside.js", "bedside.json"} {
		mux.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) { http.ServeFile(w, r, filepath.Join("testdata", name)) })
	}
	mux.Handle("/", quiet(Story{Path: "/"}))
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	p := browsertest.Open(t, server.URL+"/", look)
	p.Wait(`window.ready`)
	return p
}

// said gives what an expression is in the page, as JSON would have it.
func said[T any](p *browsertest.Page, expression string) T {
	var out T
	p.Eval(expression, &out)
	return out
}

// What is decided without a page: the order of draw (vectors OD1 to OD4), the amount
// against what is safe, packs, twins (IDN-S3), and what a label means.
func TestBedsideRules(t *testing.T) {
	p := bedsidePage(t, browsertest.Phone)
	p.Eval(`afresh().then(() => 1)`, nil)
	for expression, want := range map[string]string{
		// OD1 and OD2.
		`plan.outOfOrder([{type: "EDTA", order: 5}, {type: "LIHEP", order: 4}]).map((r) => r.tube.type + " after " + r.after.type).join()`: "LIHEP after EDTA",
		`plan.outOfOrder([2, 3, 4, 5, 6].map((order) => ({order}))).length + ""`:                                                           "0",
		`flow.riskOf({after: {additive: "potassium EDTA"}})`:                                                                               "edta",
		// OD3 is asked with this limit; OD4.
		`plan.CITRATE_FILL + ""`: "90",
		`plan.wantsDiscard("winged", [{additive: "3.2 % trisodium citrate"}]) + " " + plan.wantsDiscard("needle", [{additive: "3.2 % trisodium citrate"}]) + " " + plan.wantsDiscard("winged", [{additive: "sodium fluoride, citrate buffer"}])`: "true false false",
		// 8 kg of an infant hold 600 ml, of which 2.5 % are 15 ml (facts 3.10).
		`(() => { const v = plan.volume({identity: {birthDate: "2026-05-01"}, bloodUlPerKg: "75000", drawnUl: "12000", plan: [{type: "EDTA", volumeUl: "3000"}]}, {id: "W", mostDrawPermille: "25"}, "2026-11-24", 8000); return [v.bloodUl, v.limitUl, v.totalUl, v.over, v.ask].join(" "); })()`: "600000 15000 15000 false true",
		`(() => { const v = plan.volume({identity: {birthDate: "2026-05-01"}, bloodUlPerKg: "75000", drawnUl: "12001", plan: [{type: "EDTA", volumeUl: "3000"}]}, {id: "W", mostDrawPermille: "25"}, "2026-11-24", 8000); return v.over + ""; })()`:                                                "true",
		`(() => { const v = plan.volume({identity: {}, plan: [{type: "EDTA", volumeUl: "3000"}]}, {id: "W", mostDrawPermille: "25"}, "2026-11-24", 8000); return [v.ask, v.over, v.ageKnown, v.limitUl].join(" "); })()`:                                                                           "false false false 0",
		`(() => { const v = plan.volume({identity: {birthDate: "1950-01-01"}, bloodUlPerKg: "65000", plan: [{type: "EDTA", volumeUl: "3000"}]}, {id: "W"}, "2026-11-24"); return v.ask + ""; })()`:                                                                                                 "false",
		`[["2026-11-23", true], ["2026-11-24", false], ["2026-11", false], ["2026-10", true], ["", false]].every(([d, is]) => plan.expired(d, "2026-11-24") === is) + ""`:                                                                                                                          "true",
		`plan.sideBySide(row(phone, "r-okafor-1").identity, row(phone, "r-okafor-2").identity).find((f) => f.field === "name").b.map((x) => x.differs ? "[" + x.text + "]" : x.text).join("")`:                                                                                                     "Okafor, Boy-[2] of Ifeoma",
		`plan.apart("12", "21").map((x) => x.map((y) => (y.differs ? "!" : "") + y.text).join("|")).join(" ")`:                                                                                                                                                                                     "!12 !21",
		`plan.namesakes(phone.work.rows, row(phone, "r-lind-a")).map((r) => r.identity.reference).join()`:                                                                                                                                                                                          "r-lind-b",
		// Twins (IDN-S3): the same family name and birth date.
		`(() => { const [a, b] = ["r-okafor-1", "r-okafor-2"].map((r) => row(phone, r)), x = row(phone, "r-lind-a"); return plan.namesakes(phone.work.rows, a).map((r) => r.identity.reference).join() + " " + [plan.likeness(a, b), plan.likeness(x, row(phone, "r-lind-b")), plan.likeness(a, x)].join(); })()`: "r-okafor-2 twins,same-name,like-name",
		// What the place's own temperature doesn't hold is said, and packs are counted.
		`(() => { const near = { assumed: { low: "18.00", high: "26.00" } }, at = (low, high, handling) => JSON.stringify(plan.keepOf({ keep: { low, high }, handling }, near)?.colder ?? null);
			return [at("15.00", "30.00"), at("2.00", "8.00"), at("36.00", "38.00"), at("0.00", "4.00", ["on-ice"]), plan.keepOf({ keep: { low: "2.00", high: "8.00" } }, {}) + ""].join(); })()`: "null,true,false,null,null",
		`JSON.stringify(plan.tray(phone.work.rows, phone.work.place).packs)`:                                                        `[{"low":2,"high":8,"colder":true,"n":1}]`,
		`plan.dues([{label: "A", at: 0, dueMinutes: "60", keep: {low: "2.00", high: "8.00"}}], phone.work.place)[0].keep.high + ""`: "8",
		// A badge's number and a wristband are no staff code.
		`["B123456", "P-7011", "]C0lena ", "OSKAR"].map((x) => { const s = labels.staff(read(x), phone.work.schemes); return s.not ?? s.code; }).join()`: "badge,wristband,lena,OSKAR",
		`(() => { const s = flow.begin("D-1", row(phone, "r-lind-a"), phone.work.place), about = {place: phone.work.place, row: row(phone, "r-lind-a"), today: "2026-11-24"}; const taken = {...s, tubes: [tube("TB260301", 0)]};
			return [["TB260301", s], ["tb260301", taken], ["TB260310", s], ["TB260399", s], ["TB260109", s], ["TB260288", s], ["TB260398", {...s, tubes: [tube("TB260311", 1), tube("TB260312", 2)]}]].map(([l, x]) => flow.meaning(x, about, phone.work, l).kind).join(); })()`: "planned,duplicate,other,blank,other,collected,nothing-left",
		`(() => { const r = row(phone, "r-lind-a"), s = flow.begin("D-1", r, phone.work.place), about = {place: phone.work.place, row: r, today: "2026-11-24"}; return flow.meaning(s, about, phone.work, "R-2201").choices.join() + " " + flow.meaning(s, about, phone.work, "TB260399").choices.join(); })()`: "0,1,2 1,2",
		`timers.marks("needle").map((m) => m.at + m.mark).join() + " " + timers.marks("capillary").length`:                                                                                                                                                                                                           "30clean,60dry,120tourniquet 2",
		`[0, 29.5, 30, 61, 120].map((s) => { const n = timers.now(timers.marks("winged"), s); return n.mark + n.left; }).join()`:                                                                                                                                                                                     "clean30,clean1,dry30,tourniquet59,done0",
		`["2026-11-24T09:17:59Z", "2026-11-24T09:18:00Z"].map((at) => spin.standOf(phone.work.here[0], Date.parse(at))).join() + spin.standOf({tube: "X"}, 0)`:                                                                                                                                                       "waits,readyunjudged",
		`plan.dues([{label: "A", at: 0, dueMinutes: "60"}, {label: "B", at: 0, dueMinutes: "240", verdicts: [{dueEarliest: "1970-01-01T00:30:00Z", name: "K"}, {dueEarliest: "1970-01-01T00:10:00Z", endedAt: "x"}]}, {label: "C", at: 0}], phone.work.place).map((d) => d.label + d.at / 60000 + d.assumed).join()`: "B30false,A60true,CInfinitytrue",
	} {
		if got := said[string](p, expression); got != want {
			t.Errorf("%s\ngives %q, want %q", expression, got, want)
		}
	}
}

// Reads by a hand-held reader, wherever the cursor is.
func readLabels(p *browsertest.Page, labels ...string) {
	for _, l := range labels {
		p.Press(browsertest.Keys("]C0"+l+"\n", readerPace)...)
	}
}

// IDN-S4: both rows of one name are marked, and a name that is touched identifies nobody.
// IDN-S2 and IDN-S3: a band or a label of somebody else is refused with both records, with
// network and without; no tube is collected, and the near miss is told.
func TestBedsideIdentity(t *testing.T) {
	p := bedsidePage(t, browsertest.Phone)
	p.Eval(`state("patients").then(() => 1)`, nil)
	rows := said[[]string](p, `[...document.querySelectorAll("[data-row^=r-lind]")].map((b) => b.textContent)`)
	if len(rows) != 2 {
		t.Fatalf("%d rows of that name", len(rows))
	}
	for i, want := range [][]string{{"Same name", "1951-03-02", "7011", "bed 4"}, {"Same name", "1978-10-19", "7012", "bed 11"}} {
		for _, w := range want {
			if !strings.Contains(rows[i], w) {
				t.Errorf("row %q lacks %q", rows[i], w)
			}
		}
	}
	p.Click(`[data-row="r-lind-b"]`)
	p.Wait(`document.querySelector("h1").textContent === "Who lies here?"`)
	if n := said[int](p, `phone.sent.length`); n != 0 {
		t.Errorf("touching a name sent %d scans", n)
	}
	// Without network the keyed hash of the list decides.
	p.Eval(`phone.wires = false`, nil)
	readLabels(p, "P-7011")
	p.Wait(`document.querySelector("h1").textContent === "Not the same patient"`)
	if got := said[string](p, `[...document.querySelectorAll(".beside mark")].map((m) => m.textContent).join(" ")`); !strings.Contains(got, "51") || !strings.Contains(got, "78") {
		t.Errorf("marked is %q", got)
	}
	got := said[string](p, `phone.sent.map((s) => s.step + (s.details?.scan ?? "") + s.live).join()`)
	if want := "wristbandtrue,voidS1false"; got != want {
		t.Errorf("sent %q, want %q", got, want)
	}
	// The number of the next try is another one: the last one's band was somebody else's.
	p.Click(`[data-act="bedside.mismatch-again"]`)
	readLabels(p, "P-7012")
	p.Wait(`document.querySelector("h1").textContent === "Does the person say this name?"`)
	if got := said[bool](p, `phone.sent[0].draw !== phone.sent[2].draw && phone.sent[2].row === "r-lind-b"`); !got {
		t.Error("the right band went under the wrong band's draw")
	}

	// An answer that comes after a draw was left shows nothing of it.
	p.Eval(`state("patients").then(() => { const was = phone.record, wait = {}; phone.answers = wait; phone.record = async (scan, how) => { const out = await was(scan, how); if (scan.step === "wristband") await new Promise((go) => (wait.go = go)); return out; }; })`, nil)
	readLabels(p, "P-7011")
	p.Wait(`phone.answers.go`)
	p.Eval(`draw.Run.now.leave().then(() => { phone.answers.go(); return settle(); })`, nil)
	if got := said[string](p, `document.querySelector("h1").textContent + " " + phone.kept`); got != "Whose blood now? null" {
		t.Errorf("a draw that was left came back: %s", got)
	}
	// A wristband on the tray is named as one.
	p.Eval(`state("tray").then(() => 1)`, nil)
	readLabels(p, "P-7011")
	p.Wait(`document.getElementById("refused").textContent.includes("wristband")`)
	if got := said[string](p, `document.getElementById("main").textContent`); !strings.Contains(got, "Cold packs, for 2 to 8 °C") {
		t.Errorf("the tray takes no cold packs: %s", got)
	}

	// The server refuses a twin's band and gives both records.
	p.Eval(`state("identify").then(() => { runs({}, "r-okafor-1"); phone.answer = () => ({answer: "refused", refusal: "identity-mismatch", identities: [
		{reference: "b", marked: [{field: "given", parts: [{text: "Boy-"}, {text: "2", differs: true}]}]}, {reference: "a", marked: [{field: "given", parts: [{text: "Boy-"}, {text: "1", differs: true}]}]}]}); })`, nil)
	readLabels(p, "P-7102")
	p.Wait(`document.querySelector("h1").textContent === "Not the same patient"`)
	if got := said[string](p, `document.querySelector(".beside tbody").textContent + phone.sent.length`); got != "Given nameBoy-1Boy-21" {
		t.Errorf("it shows %q", got)
	}

	// A label of another patient: without network nothing of it is collected.
	p.Eval(`state("label").then(() => { phone.wires = false; })`, nil)
	readLabels(p, "TB260310")
	p.Wait(`document.querySelector("h1").textContent === "Not the same patient"`)
	if got := said[string](p, `phone.sent.map((s) => s.step + ":" + s.details.defect).join() + document.querySelector(".beside").textContent.includes("1978-10-19") + run.s.tubes.length`); got != "note:identity-mismatchtrue0" {
		t.Errorf("sent and shown: %q", got)
	}
	// With network it is the server's to refuse and to count.
	p.Eval(`state("label").then(() => { phone.answer = (s) => s.step === "collect" ? {answer: "refused", refusal: "identity-mismatch"} : {answer: "recorded"}; })`, nil)
	readLabels(p, "TB260310")
	p.Wait(`document.querySelector("h1").textContent === "Not the same patient"`)
	if got := said[string](p, `phone.sent.map((s) => s.step + s.live).join() + run.s.tubes.length`); got != "collecttrue0" {
		t.Errorf("sent %q", got)
	}
}

// A whole draw with a reader and a keyboard: nothing is touched, and what was said is what
// was done.
func TestBedsideDraw(t *testing.T) {
	p := bedsidePage(t, browsertest.Phone)
	p.Eval(`state("patients").then(() => 1)`, nil)
	at := func(head string) {
		t.Helper()
		p.Wait(`document.querySelector("h1").textContent === ` + "`" + head + "`")
	}
	enter := func(act string) {
		t.Helper()
		p.Eval(`document.querySelector('[data-act="`+act+`"]').focus()`, nil)
		p.Press(browsertest.Keys("\n", 0)...)
	}
	readLabels(p, "P-7011")
	at("Does the person say this name?")
	enter("bedside.stated-name-yes")
	at("A second person looks too")
	readLabels(p, "MIRA")
	p.Wait(`document.querySelector("#refused").textContent.includes("your own code")`)
	readLabels(p, "LENA")
	at("Is this the request?")
	enter("bedside.prepared-yes")
	at("Ask about allergies")
	enter("bedside.allergies-yes")
	at("Use something else")
	enter("bedside.allergic-done")
	at("Does the person agree?")
	enter("bedside.consent-yes")
	at("How much does the patient weigh?")
	p.Eval(`document.querySelector(".keys input").focus()`, nil)
	p.Press(browsertest.Keys("61,5\n", 0)...)
	at("Where do you draw?")
	enter("bedside.site.left-elbow")
	at("How do you draw?")
	enter("bedside.method.winged")
	at("Tubes in this order")
	if got := said[string](p, `document.querySelector(".amount").textContent`); !strings.Contains(got, "14.4 ml together") || !strings.Contains(got, "99.9 ml") {
		t.Errorf("of the amount it says %q", got)
	}
	enter("bedside.begin")
	at("Hands free: touch nothing here")
	if n := said[int](p, `document.querySelectorAll("main button").length`); n != 1 {
		t.Errorf("%d keys while the hands are full, want the one of the sharps bin", n)
	}
	// The first tube says that the needle is in the bin. It is scanned out of order.
	readLabels(p, "TB260301")
	p.Wait(`document.querySelector(".huge")?.textContent === "1 of 3"`)
	readLabels(p, "TB260301")
	p.Wait(`document.querySelector("#refused").textContent.includes("scanned already")`)
	readLabels(p, "TB260312")
	at("Which tube has this label?")
	p.Eval(`[...document.querySelectorAll("main .act")].find((b) => b.textContent.includes("EDTA")).focus()`, nil)
	p.Press(browsertest.Keys("\n", 0)...)
	p.Wait(`document.querySelector(".huge")?.textContent === "2 of 3"`)
	// Taken back, and again: both stay.
	enter("ui.undo")
	p.Wait(`document.querySelector(".huge")?.textContent === "1 of 3"`)
	readLabels(p, "TB260312")
	at("Which tube has this label?")
	p.Eval(`[...document.querySelectorAll("main .act")].find((b) => b.textContent.includes("EDTA")).focus()`, nil)
	p.Press(browsertest.Keys("\n", 0)...)
	p.Wait(`document.querySelector(".huge")?.textContent === "2 of 3"`)
	readLabels(p, "TB260311")
	at("Drawn in this order?")
	enter("bedside.order-scanned")
	at("Was a discard tube drawn first?")
	if got := said[string](p, `document.querySelector("#refused").textContent`); !strings.Contains(got, "potassium may read high") {
		t.Errorf("of the order it says %q", got)
	}
	enter("bedside.discard-yes")
	at("Each filled to its mark?")
	enter("bedside.fill-no")
	at("Which are short?")
	p.Eval(`document.querySelector("main .act").focus()`, nil)
	p.Press(browsertest.Keys("\n", 0)...)
	enter("bedside.pick-done")
	at("Each turned over at once?")
	enter("bedside.mix-yes")
	at("Is it where it must be?")
	enter("bedside.handling-yes")
	at("How was the site cared for?")
	enter("bedside.care.pressed-dressing")
	at("Did anything happen?")
	enter("bedside.adverse.felt-faint")
	at("What is due first")
	if got := said[string](p, `document.querySelector("main .huge").textContent`); got != "by 11:00 GMT+1, 60\u00a0min" {
		t.Errorf("due is %q", got)
	}
	got := said[[]string](p, `phone.sent.map((s) => [s.step, s.label?.text, s.patient, s.row, s.with, s.type, s.request, s.tests?.join("+"), s.reason, Object.entries(s.details ?? {}).map(([k, v]) => k + "=" + v).join(" "), s.live ? "live" : ""].filter(Boolean).join(" "))`)
	want := []string{
		"wristband P-7011 r-lind-a live",
		"start-draw LENA checks=stated-name,second-person,request,preparation,allergies,consent,site-avoided site=left-elbow method=winged",
		"collect TB260301 CITRATE R-2201 APTT volume=2700ul live",
		"collect TB260312 EDTA R-2201 AMM volume=2700ul live",
		"void TB260312 wrong-step scan=S4",
		"collect TB260312 EDTA R-2201 AMM volume=2700ul live",
		"collect TB260311 LIHEP-GEL R-2201 K+GLU volume=4500ul live",
		"note TB260311 defect=out-of-order",
		"note TB260301 defect=short-fill",
		"attest TB260312 handling=on-ice",
		"end-draw after-care=pressed-dressing adverse-event=felt-faint",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("sent\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if n := said[int](p, `new Set(phone.sent.map((s) => s.draw)).size`); n != 1 {
		t.Errorf("%d draw numbers in one draw", n)
	}
	for _, e := range p.Errors() {
		t.Error(e)
	}
}

// The loop of a new sample at the bedside: it is told, drawn once, and the end of the draw
// says that it is done; what isn't drawn gets a reason. One that later readings cleared
// can't be begun from here.
func TestBedsideDrawsAgain(t *testing.T) {
	p := bedsidePage(t, browsertest.Phone)
	p.Eval(`state("patients-again").then(() => 1)`, nil)
	p.Click(`[data-act="bedside.to-again"]`)
	p.Wait(`document.querySelector("h1").textContent === "2 new samples are asked for"`)
	if n := said[int](p, `document.querySelectorAll('[data-act="bedside.again-draw"]').length`); n != 1 {
		t.Errorf("%d of two can be begun; later readings cleared one", n)
	}
	p.Eval(`phone.went.length = 0, samples.drawn(phone, {row: "r-lind-a", draw: "D-NEW", tubes: [tube("TB269999", 1)]}, row(phone, "r-lind-a")).then(() => 1)`, nil)
	p.Eval(`state("again-why").then(() => 1)`, nil)
	p.Eval(`phone.sent.length = 0`, nil)
	p.Click(`[data-act="bedside.fail-not"]`)
	p.Click(`[data-draw="D-FAR"] [data-act="bedside.again-decline"]`)
	p.Eval(`[...document.querySelectorAll("main .act")].find((b) => b.textContent === "No longer wanted").click()`, nil)
	p.Wait(`phone.sent.length === 1 && document.querySelector("h1").textContent === "1 new sample is asked for"`)
	p.Eval(`samples.drawn(phone, {row: "r-lind-a", draw: "D-NEW", tubes: [tube("TB269999", 1)]}, row(phone, "r-lind-a")).then(() => 1)`, nil)
	got := said[[]string](p, `phone.sent.map((s) => [s.step, s.draw, s.reason, s.details?.["new-draw"]].filter(Boolean).join(" "))`)
	if want := []string{"decline-sample D-FAR no-longer-wanted", "sample-done D-OLD L-D-NEW"}; !slices.Equal(got, want) {
		t.Errorf("sent %q, want %q", got, want)
	}
}

// Every screen in both languages: accessible in light and dark, no wider than a narrow
// phone, also with letters of twice the size, and its keys are for gloves.
func TestBedsideScreens(t *testing.T) {
	p := bedsidePage(t, browsertest.Look{Width: 390, Height: 844, Still: true})
	for _, name := range said[[]string](p, `names`) {
		phone, narrow := browsertest.Look{Width: 390, Height: 844, Still: true}, browsertest.Look{Width: 320, Height: 640, Still: true, Dark: true}
		p.Look(phone)
		p.Eval(`document.documentElement.style.fontSize = "", state("`+name+`").then(() => 1)`, nil)
		bedsideShot(t, p, name, phone)
		// Names and structure are looked at once for screens of one build; contrast on each.
		if !said[bool](p, `alike.includes("`+name+`")`) {
			for _, v := range p.Axe() {
				t.Errorf("%s: %s", name, v)
			}
		}
		p.Look(narrow)
		for _, v := range p.Axe("color-contrast") {
			t.Errorf("%s, dark: %s", name, v)
		}
		for _, look := range []struct{ lang, size string }{{"de", ""}, {"de", "200%"}} {
			p.Eval(`document.documentElement.style.fontSize = "`+look.size+`", state("`+name+`", "`+look.lang+`").then(() => 1)`, nil)
			bedsideShot(t, p, name+"-"+look.lang+strings.TrimSuffix(look.size, "%"), narrow)
			if wide := said[int](p, `document.documentElement.scrollWidth`); wide > 320 {
				t.Errorf("%s in %s with letters of %q is %d px wide at 320 px", name, look.lang, look.size, wide)
			}
			if raw := said[[]string](p, `[document.title, ...document.querySelectorAll("main *")].map((e) => e.textContent ?? e).filter((x) => /bedside\.[a-z]|\{[a-z]+\}|undefined|NaN/.test(x)).slice(0, 1)`); len(raw) > 0 {
				t.Errorf("%s in %s says %q", name, look.lang, raw)
			}
		}
		small := said[[]string](p, `[...document.querySelectorAll("main button, main summary")].filter((b) => b.getBoundingClientRect().height < (b.classList.contains("main") ? 96 : 72)).map((b) => b.textContent)`)
		if len(small) > 0 {
			t.Errorf("%s: too low for gloves: %q", name, small)
		}
	}
	for _, e := range p.Errors() {
		t.Error(e)
	}
}

// bedsideShot writes a picture of the screen as it stands, whole, where SHOTS names a folder.
func bedsideShot(t *testing.T, p *browsertest.Page, name string, look browsertest.Look) {
	t.Helper()
	dir := os.Getenv("SHOTS")
	if dir == "" {
		return
	}
	tall := look
	tall.Height = max(look.Height, said[int](p, `document.documentElement.scrollHeight`))
	p.Look(tall)
	if err := os.WriteFile(filepath.Join(dir, "bedside-"+name+".png"), p.Screenshot(), 0o600); err != nil {
		t.Fatal(err)
	}
	p.Look(look)
}

// A screen of the bedside with all that it loads, also later, is small as it is sent.
func TestBedsideScriptIsSmall(t *testing.T) {
	all := func(start string) []string {
		todo := []string{start}
		for i := 0; i < len(todo); i++ {
			for _, m := range atOnce.FindAllStringSubmatch(string(assets.files[todo[i]]), -1) {
				if name := filepath.ToSlash(filepath.Join(filepath.Dir(todo[i]), m[1])); !slices.Contains(todo, name) {
					todo = append(todo, name)
				}
			}
		}
		return todo
	}
	for _, screen := range []string{"list", "draw", "spin"} {
		modules := slices.Concat(all("phone/bedside.js"), all("phone/bedside-"+screen+".js"))
		slices.Sort(modules)
		size := 0
		for _, name := range slices.Compact(modules) {
			size += len(packed(name))
		}
		t.Logf("%s: %d bytes", screen, size)
		if size >= mostScript {
			t.Errorf("%s loads %d bytes of script", screen, size)
		}
	}
}

// Files go packed to whoever takes that, and are the same.
func TestAssetsArePacked(t *testing.T) {
	h := quiet(Story{Path: "/"})
	for accept, want := range map[string]string{"gzip, br": "gzip", "br;q=1, gzip;q=0.5": "gzip", "gzip;q=0": "", "gzip; q=0.0": "", "": "", "identity": ""} {
		r := httptest.NewRequest(http.MethodGet, (Site{}).Asset("base.css"), nil)
		r.Header.Set("Accept-Encoding", accept)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if got := w.Header().Get("Content-Encoding"); got != want || w.Header().Get("Vary") != "Accept-Encoding" {
			t.Errorf("%q is answered with %q, want %q", accept, got, want)
		}
		var body io.Reader = w.Body
		if want == "gzip" {
			unpacked, err := gzip.NewReader(w.Body)
			if err != nil {
				t.Fatal(err)
			}
			body = unpacked
		}
		if data, err := io.ReadAll(body); err != nil || !bytes.Equal(data, assets.files["base.css"]) {
			t.Errorf("%q gets %d bytes: %v", accept, len(data), err)
		}
	}
}
