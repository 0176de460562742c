package app

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/web/browsertest"
)

// outboxOf makes the page's own queue, clock and vault known to a script.
const outboxOf = `const at = (name) => import(document.querySelector("script[type=module]").src.replace(/[^/]+$/, name));
	const { outbox, session } = await (await at("bar.js")).start();`

// phone is a phone's tab.
type phone struct {
	t *testing.T
	*browsertest.Page
}

// do runs a script with the queue at hand.
func (p phone) do(script string, into any) {
	p.t.Helper()
	p.Eval(`(async () => { `+outboxOf+script+` })()`, into)
}

// scanned is what a screen hears of a scan.
type scanned struct {
	ID     string
	Kept   bool
	Answer struct{ Answer, Refusal string }
}

// record records a scan, as JSON, and gives what the screen hears.
func (p phone) record(scan string) scanned {
	p.t.Helper()
	var got scanned
	p.do(`return outbox.record(`+scan+`);`, &got)
	if !got.Kept || got.ID == "" {
		p.t.Fatalf("%s: %+v", scan, got)
	}
	return got
}

// waits waits until so many scans have not been sent, and the line at the top says so.
func (p phone) waits(n int) {
	p.t.Helper()
	p.WaitFor(time.Minute, fmt.Sprintf(`document.documentElement.dataset.waiting === "%d"`, n))
	want := "everything is sent"
	if n > 0 {
		want = fmt.Sprintf("not sent yet: %d", n)
	}
	p.Wait(fmt.Sprintf(`document.querySelector(".bar-state").textContent.includes(%q)`, want))
}

// phoneRig is a daemon in this process, where nobody is asked to sign in, behind a
// network that fails as it is told. Its clock runs on from a steered instant.
type phoneRig struct {
	t     *testing.T
	log   *memlog.Log
	clock api.Clock
	app   *App
	net   *apptest.Gateway
	url   string
}

func newPhoneRig(t *testing.T, now time.Time) *phoneRig {
	t.Helper()
	r := &phoneRig{t: t, log: memlog.New(), clock: ahead()}
	if err := r.clock.Set(event.At(now)); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r.app, err = Start(t.Context(), Parts{
		Log: r.log, Clock: r.clock, Secret: []byte("an invented secret for tests of phones"), Ring: ringFor(r.log, r.clock), Listener: l,
		Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.app.Stop(context.Background()) })
	r.url = "http://" + l.Addr().String()
	r.net = apptest.NewGateway(t, r.url)
	for _, place := range []string{"NORTH", "LAB"} {
		r.call(http.MethodPut, "/v1/places/"+place, `{"name":"`+place+`","zone":"Europe/Berlin","by":"lena"}`, nil)
	}
	return r
}

func (r *phoneRig) call(method, path, body string, into any) {
	r.t.Helper()
	req, err := http.NewRequestWithContext(r.t.Context(), method, r.url+path, strings.NewReader(body))
	if err != nil {
		r.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		var said struct{ Message string }
		_ = json.NewDecoder(resp.Body).Decode(&said)
		r.t.Fatalf("%s %s: %d %s", method, path, resp.StatusCode, said.Message)
	}
	if into != nil {
		if err := json.NewDecoder(resp.Body).Decode(into); err != nil {
			r.t.Fatal(err)
		}
	}
}

// phone opens a phone that nobody used before, and says who scans where.
func (r *phoneRig) phone() phone {
	r.t.Helper()
	p := phone{r.t, browsertest.Open(r.t, r.net.URL+"/bedside", browsertest.Phone)}
	p.settle()
	return p
}

// settle answers what a phone asks before anything is scanned.
func (p phone) settle() {
	p.t.Helper()
	p.Wait(`document.querySelector(".phone-door label")?.textContent.startsWith("Staff code")`)
	p.Eval(`document.getElementById("door-box").focus()`, nil)
	p.Type("mira\n")
	p.Wait(`document.querySelector(".phone-door label")?.textContent.startsWith("Code of the place")`)
	p.Eval(`document.getElementById("door-box").focus()`, nil)
	p.Type("north\n")
	p.Wait(`document.querySelector(".bar-who")?.textContent === "MIRA · NORTH"`)
}

// installed waits until the phone opens without network.
func (p phone) installed() {
	p.t.Helper()
	p.Wait(`navigator.serviceWorker.controller`)
}

// of gives the records of a tube in the order of the log.
func (r *phoneRig) of(tube string) []event.Record {
	r.t.Helper()
	list, err := r.log.History(r.t.Context(), event.KindTube, event.Key("L-"+tube))
	if err != nil {
		r.t.Fatal(err)
	}
	return list
}

// moved sets a tab's clock by so much, from now on; the counter of the browser goes on.
func (p phone) moved(by time.Duration) {
	p.t.Helper()
	p.Eval(fmt.Sprintf(`(() => {
		globalThis.RealDate ??= Date;
		const real = globalThis.RealDate, by = %d;
		globalThis.Date = class extends real {
			constructor(...a) { a.length ? super(...a) : super(real.now() + by); }
			static now() { return real.now() + by; }
		};
	})()`, by.Milliseconds()), nil)
}
