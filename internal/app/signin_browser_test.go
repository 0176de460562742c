package app

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/web/browsertest"
)

// readerPace is how fast a hand-held reader that is a keyboard types.
const readerPace = 4 * time.Millisecond

// enrolled opens a browser of its own that becomes a device, as a person would do it:
// the code is typed in small letters and in two pieces.
func (a *asked) enrolled(engineer *browser, id, kind string, look browsertest.Look) *browsertest.Page {
	a.t.Helper()
	engineer.must(http.MethodPut, "/v1/devices/"+id, fmt.Sprintf(`{"kind":%q,"active":true,"place":"NORTH"}`, kind), nil)
	code := strings.ToLower(a.invite(engineer, id))
	p := browsertest.Open(a.t, a.url+"/enrol", look)
	p.Wait(`document.activeElement.id === "code"`)
	p.Type(code[:5] + " " + code[5:] + "\n")
	p.Wait(fmt.Sprintf(`document.getElementById("enrol-said").textContent.includes("This device is %s now")`, id))
	return p
}

// typed signs somebody in on a page as it is done at a desk: the reader types the badge
// and Enter, the person the PIN.
func typed(p *browsertest.Page, who string) {
	p.Wait(`document.activeElement.id === "badge"`)
	p.Press(browsertest.Keys(testBadges[who][0]+"\n", readerPace)...)
	p.Wait(`document.activeElement.id === "pin" && location.pathname === "/sign-in"`)
	p.Press(browsertest.Keys(testBadges[who][1]+"\n", 20*time.Millisecond)...)
	p.Wait(`location.pathname === "/wall" && document.querySelector(".who")`)
}

type whoIsIt struct{ Kind, ID, Device, Place string }

func whoIs(p *browsertest.Page) whoIsIt {
	var me whoIsIt
	p.Eval(`fetch("/v1/me").then(r => r.json())`, &me)
	return me
}

func headOf(p *browsertest.Page) string {
	var text string
	p.Eval(`document.querySelector(".who").innerText`, &text)
	return strings.Join(strings.Fields(text), " ")
}

func noErrors(t *testing.T, p *browsertest.Page) {
	t.Helper()
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the pages complain: %q", errs)
	}
}

// withKey makes the device's key and the page's own module for it known to a script.
const withKey = `const at = document.querySelector("link[rel=stylesheet]").href.replace("base.css", "devicekey.js");
	const key = await import(at), device = await key.known();`

func TestADeviceAndPeopleInABrowser(t *testing.T) {
	log := memlog.New()
	a := startAsked(t, log, ahead())
	engineer := a.settled()
	engineer.person("oskar", "courier")
	engineer.person("lena", "reception")
	p := a.enrolled(engineer, "H-01", "phone", browsertest.Phone)

	// The key is the browser's alone: no script gets it out, also ours doesn't.
	var key struct {
		KeyID       string
		Got         []string
		Extractable bool
		Usages      []string
	}
	p.Eval(`(async () => { `+withKey+`
		const got = [];
		for (const form of ["pkcs8", "jwk", "raw", "spki"]) {
			try { await crypto.subtle.exportKey(form, device.pair.privateKey); got.push(form); } catch { /* as it should be */ }
		}
		const { extractable, usages } = device.pair.privateKey;
		return { keyId: device.keyId, got, extractable, usages };
	})()`, &key)
	var known struct{ KeyID string }
	engineer.must(http.MethodGet, "/v1/devices/H-01", "", &known)
	if len(key.Got) > 0 || key.Extractable || !slices.Equal(key.Usages, []string{"sign"}) || key.KeyID == "" || key.KeyID != known.KeyID {
		t.Errorf("%+v, the daemon knows %+v", key, known)
	}

	// A session that is the device's.
	p.Navigate(a.url + "/sign-in?next=%2Fwall")
	p.Wait(`document.documentElement.dataset.device === "H-01"`)
	typed(p, "oskar")
	if me := whoIs(p); me != (whoIsIt{"person", "OSKAR", "H-01", "NORTH"}) {
		t.Errorf("%+v", me)
	}
	if head := headOf(p); !strings.HasPrefix(head, "OSKAR · courier") {
		t.Errorf("the head says %q", head)
	}
	var cookies string
	if p.Eval(`document.cookie`, &cookies); cookies != "" {
		t.Errorf("a script reads %q", cookies)
	}

	// What it scans is signed over exact bytes: order, spaces and all.
	now := a.clock.Now()
	text := func(id string) string {
		return `{ "id":"` + id + `",  "label":{"text":"T1"}, "step":"see", "by":"oskar","device":"H-01", "occurredAt":"` + now.Time().Format(time.RFC3339) + `" }`
	}
	send := func(signed, sent string) string {
		var answer struct {
			Answers []struct{ Answer, Refusal string }
		}
		said, _ := json.Marshal([]string{signed, sent})
		p.Eval(`(async () => { `+withKey+`
			const [signed, sent] = `+string(said)+`;
			const signature = key.base64(await key.sign(device.pair.privateKey, signed));
			const scan = key.base64(new TextEncoder().encode(sent));
			return (await fetch("/v1/scans", { method: "POST", headers: { "Content-Type": "application/json" },
				body: JSON.stringify({ scans: [{ attested: { scan, keyId: device.keyId, signature } }] }) })).json();
		})()`, &answer)
		if len(answer.Answers) != 1 {
			t.Fatalf("%+v", answer)
		}
		return strings.TrimSpace(answer.Answers[0].Answer + " " + answer.Answers[0].Refusal)
	}
	if got := send(text("b-1"), text("b-1")); got != "recorded" {
		t.Errorf("a scan that the browser signed: %s", got)
	}
	if got := send(text("b-2"), text("b-2")+" "); got != "refused not-allowed" {
		t.Errorf("one byte more than was signed: %s", got)
	}
	recs, err := log.History(t.Context(), event.KindTube, "L-T1")
	if err != nil || len(recs) != 1 || string(recs[0].Attested) != text("b-1") || recs[0].KeyID != known.KeyID {
		t.Errorf("%+v, %v", recs, err)
	}

	// Lena takes over at the same screen, and signs out.
	p.Click(".who a")
	p.Wait(`document.querySelector("h1")?.textContent === "Hand over" && document.documentElement.dataset.device === "H-01"`)
	typed(p, "lena")
	if me := whoIs(p); me != (whoIsIt{"person", "LENA", "H-01", "NORTH"}) {
		t.Errorf("after the hand-over: %+v", me)
	}
	p.Click(".who a")
	p.Wait(`document.querySelector("h1")?.textContent === "Hand over"`)
	p.Click(`form[action$="/sign-out"] button`)
	p.Wait(`document.querySelector("h1")?.textContent === "Sign in" && !document.querySelector(".who")`)
	p.Navigate(a.url + "/wall")
	p.Wait(`location.pathname === "/sign-in"`)
	noErrors(t, p)
}

func TestAScreenOnTheWallInABrowser(t *testing.T) {
	a := startAsked(t, memlog.New(), ahead())
	engineer := a.settled()
	p := a.enrolled(engineer, "WALL-1", "wall", browsertest.Wall)
	p.Navigate(a.url + "/sign-in?next=%2Fwall")
	p.Wait(`!document.getElementById("alone").hidden`)
	p.Click("#alone button")
	p.Wait(`location.pathname === "/wall" && document.getElementById("live")?.textContent === "live"`)
	if me := whoIs(p); me != (whoIsIt{Kind: "device", ID: "WALL-1", Device: "WALL-1", Place: "NORTH"}) {
		t.Errorf("%+v", me)
	}
	if head := headOf(p); !strings.HasPrefix(head, "WALL-1 · this screen, without a person") {
		t.Errorf("the head says %q", head)
	}
	var links []string
	p.Eval(`[...document.querySelectorAll(".foot a")].map(a => a.textContent)`, &links)
	if !slices.Equal(links, []string{"Wall", "Readers"}) {
		t.Errorf("a screen is led to %q", links)
	}
	noErrors(t, p)
	p.Navigate(a.url + "/house")
	p.Wait(`document.querySelector("h1").textContent === "This page is not for you"`)
}

// A code that is wrong is said beside the field, and the next may be typed.
func TestEnrollingSaysWhatIsWrong(t *testing.T) {
	a := startAsked(t, memlog.New(), ahead())
	engineer := a.settled()
	engineer.must(http.MethodPut, "/v1/devices/H-02", `{"kind":"desk","active":true}`, nil)
	code := a.invite(engineer, "H-02")
	p := browsertest.Open(t, a.url+"/enrol", browsertest.Look{})
	p.Type("AAAAAAAAAA\n")
	p.Wait(`document.getElementById("enrol-said").textContent.includes("is not known, was used already or has run out") && !document.querySelector("#enrol button").disabled`)
	p.Eval(`document.getElementById("code").select()`, nil)
	p.Type(code + "\n")
	p.Wait(`document.getElementById("enrol-said").textContent.includes("This device is H-02 now")`)
}

// The house's sign-in is another site: what its answer leads to must come with cookies
// that no other site's link brings along.
func TestTheHousesOwnSignInInABrowser(t *testing.T) {
	h := startHouse(t)
	h.op.Start()
	p := browsertest.Open(t, h.url+"/sign-in?next=%2Fwall", browsertest.Look{})
	typed(p, "lena")
	p.Click(".who a")
	p.Wait(`document.querySelector("h1")?.textContent === "Hand over"`)
	p.Click(`a[href*="/sign-in/house"]`)
	p.Wait(`location.hostname === "localhost" && document.getElementById("username")`)
	noErrors(t, p)
	p.Click("#username")
	p.Type("oskar@isles\t" + apptest.ProviderPassword + "\n")
	p.Wait(`location.pathname === "/wall" && document.querySelector(".who")`)
	if head := headOf(p); !strings.HasPrefix(head, "OSKAR · courier") {
		t.Errorf("the head says %q", head)
	}
	var address string
	if p.Eval(`location.href`, &address); address != h.url+"/wall" {
		t.Errorf("it ends at %s", address)
	}
}
