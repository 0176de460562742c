package app_test

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/web/browsertest"
)

// tab is a tab of a phone.
type tab struct {
	t *testing.T
	*browsertest.Page
}

// begin makes scans of twenty tubes, one after the other, and doesn't wait for them.
// Each is counted once it is on the disk.
func (p tab) begin(from, n int) {
	p.t.Helper()
	p.Eval(fmt.Sprintf(`void (async () => {
		const { start } = await import(document.querySelector("script[type=module]").src.replace(/[^/]+$/, "bar.js"));
		const { outbox } = await start();
		globalThis.done ??= 0;
		for (let i = %d; i < %d; i++) {
			await outbox.record({ id: "s-" + i, step: "attest", label: { text: "TB" + i %% 20 }, details: { handling: "upright" } }, { wait: 2000 });
			globalThis.done++;
		}
	})()`, from, from+n), nil)
}

// did waits until so many scans of this tab are on the disk.
func (p tab) did(n int) {
	p.t.Helper()
	p.WaitFor(apptest.Patience, fmt.Sprintf("globalThis.done === %d", n))
}

// OFF: two hundred scans with a reload, a second tab, flaps, answers that are lost and a
// daemon that is killed: each stands in the log, once, and those of a tube in their order.
func TestTwoHundredScansThroughFlapsAndKills(t *testing.T) {
	dir := t.TempDir()
	d := apptest.NewDaemon(t, "--data", dir, "--log", "warn").Serving()
	code, _, body, err := d.Put(t.Context(), "/v1/places/NORTH", `{"name":"North","zone":"Europe/Berlin","by":"lena"}`)
	if err != nil || code != http.StatusOK {
		t.Fatalf("%d %s %v", code, body, err)
	}
	net := apptest.NewGateway(t, "http://"+d.Address)
	a := tab{t, browsertest.Open(t, net.URL+"/bedside", browsertest.Phone)}
	for _, ask := range [][2]string{{"Staff code", "mira\n"}, {"Code of the place", "north\n"}} {
		a.Wait(fmt.Sprintf(`document.querySelector(".phone-door label")?.textContent.startsWith(%q)`, ask[0]))
		a.Eval(`document.getElementById("door-box").focus()`, nil)
		a.Type(ask[1])
	}
	a.Wait(`document.querySelector(".bar-who")?.textContent === "MIRA · NORTH" && navigator.serviceWorker.controller`)

	a.begin(0, 20)
	a.did(20)
	net.Cut()
	a.begin(20, 50)
	a.did(70)
	a.Navigate(net.URL + "/bedside") // without network
	a.Wait(`document.querySelector(".bar-who")?.textContent === "MIRA · NORTH"`)
	a.begin(70, 40)
	a.did(40)
	b := tab{t, a.Tab(net.URL+"/bedside", browsertest.Phone)}
	b.Wait(`document.querySelector(".bar-who")?.textContent === "MIRA · NORTH"`)
	// Both at once, while the network comes and goes and every third answer is lost.
	net.Lose(func(n int) bool { return n%3 == 1 })
	a.begin(110, 20)
	b.begin(130, 40)
	for range 6 {
		net.Heal()
		time.Sleep(150 * time.Millisecond)
		net.Cut()
		time.Sleep(50 * time.Millisecond)
	}
	a.did(60)
	a.Close()
	net.Heal()
	b.begin(170, 30)
	apptest.Until(t, "some are sent", func(context.Context) (bool, string) {
		var n int
		b.Eval(`Number(document.documentElement.dataset.waiting)`, &n)
		return n < 150, fmt.Sprint(n)
	})
	d.Kill()
	b.did(70)
	d.Start()
	d.Serving()
	b.WaitFor(apptest.Patience, `document.documentElement.dataset.waiting === "0"`)
	var aside int
	b.Eval(`document.querySelector(".bar-state").textContent.includes("set aside") ? 1 : 0`, &aside)
	if aside > 0 {
		t.Error("something was set aside")
	}
	d.Kill()

	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	times, last, order := map[string]int{}, map[event.Key]int64{}, 0
	for _, rec := range readAll(t, log) {
		if rec.Kind != event.KindTube || !strings.HasPrefix(rec.ID, "s-") {
			continue
		}
		times[rec.ID]++
		if rec.DeviceSeq <= last[rec.Key] {
			order++
		}
		last[rec.Key] = rec.DeviceSeq
	}
	missing, doubled := 0, 0
	for i := range 200 {
		switch n := times[fmt.Sprint("s-", i)]; {
		case n == 0:
			missing++
		case n > 1:
			doubled++
		}
	}
	if len(times) != 200 || missing > 0 || doubled > 0 || order > 0 || len(last) != 20 {
		t.Errorf("%d scans of %d tubes: %d missing, %d doubled, %d out of order", len(times), len(last), missing, doubled, order)
	}
}
