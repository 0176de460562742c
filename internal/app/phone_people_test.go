package app

import (
	"bytes"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/web/browsertest"
)

// Everything that the phone keeps in its database, as far as it can be read: keys that
// can't be taken out are left out.
const everythingKept = `(async () => {
	const text = (v) => v instanceof ArrayBuffer || ArrayBuffer.isView(v) ? Array.from(new Uint8Array(v.buffer ?? v), (b) => String.fromCharCode(b)).join("")
		: v instanceof CryptoKey ? "key" : Array.isArray(v) ? v.map(text).join(" ") : v && typeof v === "object" ? Object.entries(v).map(([k, x]) => k + " " + text(x)).join(" ") : String(v);
	let all = "";
	for (const { name } of await indexedDB.databases()) {
		const db = await new Promise((done) => { const ask = indexedDB.open(name); ask.onsuccess = () => done(ask.result); });
		for (const store of db.objectStoreNames) {
			const ask = db.transaction(store).objectStore(store).getAll();
			await new Promise((done) => { ask.onsuccess = done; });
			all += name + "/" + store + ": " + text(ask.result) + "\n";
		}
		db.close();
	}
	return all + JSON.stringify(localStorage) + JSON.stringify(sessionStorage) + (await Promise.all((await caches.keys()).map(async (k) => (await (await caches.open(k)).keys()).map((r) => r.url).join(" ")))).join(" ");
})()`

// On a phone that was enrolled people sign in and off. What was shown to one is gone for
// the next, what was scanned is sent as the first one's, signed by the phone; neither a
// name nor a number lies open on the phone.
func TestPeopleShareAPhone(t *testing.T) {
	log := memlog.New()
	a := startAsked(t, log, ahead())
	engineer := a.settled()
	engineer.person("oskar", "collector")
	engineer.person("lena", "collector")
	engineer.must(http.MethodPut, "/v1/places/NORTH", `{"name":"North","zone":"Europe/Berlin"}`, nil)
	net := apptest.NewGateway(t, a.url)
	direct := a.url
	a.url = net.URL // the phone comes this way
	p := phone{t, a.enrolled(engineer, "H-01", "phone", browsertest.Phone)}
	signIn := func(who string) {
		p.Navigate(a.url + "/sign-in?next=%2Fbedside")
		p.Wait(`document.documentElement.dataset.device === "H-01" && document.activeElement.id === "badge"`)
		p.Type(testBadges[who][0] + "\n")
		p.Wait(`document.activeElement.id === "pin" && location.pathname === "/sign-in"`)
		p.Type(testBadges[who][1] + "\n")
		p.Wait(`location.pathname === "/bedside" && document.querySelector(".bar-who")?.textContent === "` + strings.ToUpper(who) + ` · NORTH"`)
	}
	p.Navigate(a.url + "/bedside")
	p.Wait(`document.querySelector(".phone-door h1")?.textContent === "Sign in first"`)
	signIn("oskar")
	p.installed()
	p.do(`const vault = await at("vault.js");
		await vault.keepWork("shown", { rows: [{ identity: { family: "Sturmvogel", given: "Asta" } }] });
		return (await vault.readWork("shown")).rows[0].identity.family;`, nil)
	net.Cut()
	p.do(`await outbox.record({ step: "start-draw", draw: "D-ABCDEFGH23", patient: "PT998877", details: { checks: "stated-name,stated-birth-date", note: "asks for Asta Sturmvogel" } }, { live: false });
		await outbox.record({ step: "see", label: { text: "TB1" }, reason: "Sturmvogel said so" }, { live: false });`, nil)
	p.waits(2)
	var kept string
	p.Eval(everythingKept, &kept)
	if !strings.Contains(kept, "custody-phone/queue") || !strings.Contains(kept, "/bedside") {
		t.Fatalf("what is kept can't be read: %s", kept)
	}
	for _, secret := range []string{"Sturmvogel", "Asta", "PT998877"} {
		if strings.Contains(kept, secret) {
			t.Errorf("%s lies open on the phone", secret)
		}
	}
	// Signed off without network: the work is gone, the queue is not.
	p.do(`await session.signOff();`, nil)
	p.Navigate(a.url + "/bedside")
	p.Wait(`document.querySelector(".phone-door h1")?.textContent === "Sign in first"`)
	p.waits(2)
	var after struct {
		Work  any
		Vault []any
	}
	const look = `const vault = await import(document.querySelector("script[type=module]").src.replace(/[^/]+$/, "vault.js"));
		const store = await import(document.querySelector("script[type=module]").src.replace(/[^/]+$/, "store.js"));
		await vault.holdFor("OSKAR");
		return { work: await vault.readWork("shown"), vault: await (await store.database()).getAll("vault") };`
	if p.Eval(`(async () => {`+look+`})()`, &after); after.Work != nil || len(after.Vault) > 0 {
		t.Errorf("after sign-off the phone still has %+v", after)
	}
	// The session that couldn't be ended is ended at the next sight of the server.
	net.Heal()
	p.Navigate(a.url + "/bedside")
	p.Wait(`document.querySelector(".phone-door h1")?.textContent === "Sign in first"`)
	p.Wait(`fetch("/v1/me").then((r) => r.status === 401)`)
	p.waits(2)
	signIn("lena")
	p.waits(0)

	recs, err := log.History(t.Context(), event.KindTube, "L-TB1")
	if err != nil || len(recs) != 1 {
		t.Fatalf("%d records, %v", len(recs), err)
	}
	var signed struct {
		By, Device, Reason string
		Details            map[string]string
	}
	if err := json.Unmarshal(recs[0].Attested, &signed); err != nil || len(recs[0].Signature) != 64 || recs[0].KeyID == "" {
		t.Fatalf("it isn't signed: %v, %+v", err, recs[0])
	}
	if recs[0].Actor != "OSKAR" || recs[0].Principal != "LENA" || recs[0].Device != "H-01" || signed.By != "OSKAR" || signed.Reason != "" || len(signed.Details["private"]) != 64 {
		t.Errorf("%+v, signed %+v", recs[0].Envelope, signed)
	}
	draw, err := log.History(t.Context(), event.KindDraw, "L-D-ABCDEFGH23")
	if err != nil || len(draw) != 1 || draw[0].KeyID == "" || bytes.Contains(draw[0].Attested, []byte("PT998877")) || bytes.Contains(draw[0].Attested, []byte("Sturmvogel")) {
		t.Errorf("the draw: %d records, %v", len(draw), err)
	}
	// A session that ended keeps the queue, and says what to do.
	engineer.must(http.MethodPut, "/v1/people/lena", `{"role":"collector","active":false}`, nil)
	p.do(`await outbox.record({ step: "see", label: { text: "TB2" } }, { live: false }); await outbox.flush();`, nil)
	p.waits(1)
	p.Wait(`document.querySelector(".bar-state").textContent.includes("sign in again to send")`)
	if slices.ContainsFunc(p.Requests(), func(u string) bool { return !strings.HasPrefix(u, net.URL) && !strings.HasPrefix(u, direct) }) {
		t.Errorf("the phone asked another host: %q", p.Requests())
	}
	signIn("oskar")
	p.waits(0)
}

// What one person was shown is kept twelve hours, for that one.
func TestTheVaultOfASession(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	p := r.phone()
	var got map[string]any
	// The page asks who is signed in when it opens, says so to the vault, and keeps its list
	// there: not meanwhile, and its key is older than this test's.
	p.Wait(`document.querySelector("#main h1")?.textContent === "Nobody is to be drawn here"`)
	p.do(`while (!session.fresh) await new Promise((done) => setTimeout(done, 20));
		const vault = await at("vault.js"), h = 3600e3, now = Date.now(), out = {};
		await vault.holdFor("MIRA");
		await vault.wipe();
		await vault.keepWork("work", { n: 1 }, now);
		out.own = (await vault.readWork("work", now + 12 * h - 1))?.n;
		out.other = await (await vault.holdFor("LENA"), vault.readWork("work", now)) ?? "nothing";
		out.again = await (await vault.holdFor("MIRA"), vault.readWork("work", now)) ?? "nothing";
		await vault.keepWork("work", { n: 2 }, now);
		out.old = await vault.readWork("work", now + 12 * h) ?? "nothing";
		await vault.keepWork("work", { n: 3 }, now);
		out.future = await vault.readWork("work", now - 1) ?? "nothing";
		await vault.keepWork("work", { n: 4 }, now);
		const { database } = await at("store.js"), { key } = await (await database()).get("vault", "lock");
		out.extractable = key.extractable;
		await vault.wipe();
		await Promise.all(["a", "b", "c"].map((x) => vault.keepWork(x, x, now)));
		out.atOnce = (await Promise.all(["a", "b", "c"].map((x) => vault.readWork(x, now)))).join("");
		await vault.holdFor("");
		await vault.keepWork("work", { n: 5 }, now);
		out.nobody = await vault.readWork("work", now) ?? "nothing";
		return out;`, &got)
	want := map[string]any{"own": 1.0, "other": "nothing", "again": "nothing", "old": "nothing", "future": "nothing", "extractable": false, "atOnce": "abc", "nobody": "nothing"}
	for k, v := range want {
		if got[k] != v {
			t.Errorf("%s: %v, want %v", k, got[k], v)
		}
	}
}

// One tab works: a second one asks, and takes what was begun; the first then asks. What one
// person began isn't shown to the next, whichever tab they sign in with.
func TestTwoTabsOfAPhone(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	p := r.phone()
	heading := func(of phone, want string) {
		of.Wait(`document.querySelector("#main h1")?.textContent === "` + want + `"`)
	}
	heading(p, "Nobody is to be drawn here")
	p.Click(`[data-act="bedside.emergency"]`)
	heading(p, "Temporary number")
	other := phone{t, p.Tab(r.net.URL+"/bedside", browsertest.Phone)}
	heading(other, "This page is open in another tab")
	other.Click(`[data-act="shell.here"]`)
	heading(other, "Temporary number")
	heading(p, "This page is open in another tab")
	p.do(`await session.as("OSKAR");`, nil)
	other.Wait(`document.querySelector(".bar-who")?.textContent === "OSKAR · NORTH"`)
	heading(other, "Nobody is to be drawn here")
}
