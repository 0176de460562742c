package app

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web/browsertest"
)

var phoneMorning = time.Date(2026, 11, 24, 10, 0, 0, 0, time.UTC)

// see is a scan that finds a tube somewhere.
func see(tube string) string { return fmt.Sprintf(`{step: "see", label: {text: %q}}`, tube) }

// queue keeps n scans of tubes PREFIX1, PREFIX2, … one after the other; nobody waits for
// their answers.
func (p phone) queue(n int, prefix string) {
	p.t.Helper()
	p.do(fmt.Sprintf(`for (let i = 1; i <= %d; i++) await outbox.record({ step: "see", label: { text: %q + i } }, { live: false });`, n, prefix), nil)
}

func (r *phoneRig) once(tubes ...string) {
	r.t.Helper()
	for _, tube := range tubes {
		if recs := r.of(tube); len(recs) != 1 {
			r.t.Errorf("%s stands in the log %d times", tube, len(recs))
		}
	}
}

func numbered(prefix string, n int) []string {
	var out []string
	for i := range n {
		out = append(out, fmt.Sprint(prefix, i+1))
	}
	return out
}

// What a screen hears at once, and what stands in the log of it. A scan is stopped live
// while somebody waits for the answer; afterwards it is a fact.
func TestAPhoneRecords(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	p := r.phone()
	if got := p.record(see("TB1")); got.Answer.Answer != "recorded" {
		t.Errorf("%+v", got)
	}
	// A tube that was discarded is stopped while somebody waits, and nothing is kept.
	p.record(`{step: "discard", label: {text: "TB2"}}`)
	if got := p.record(see("TB2")); got.Answer.Refusal != string(event.RefuseDisposed) {
		t.Errorf("a discarded tube: %+v", got)
	}
	p.waits(0)
	if recs := r.of("TB1"); len(recs) != 1 || recs[0].Actor != "MIRA" || recs[0].Place != "NORTH" || recs[0].DeviceSeq != 1 || recs[0].BootID == "" ||
		recs[0].MonotonicMs <= 0 || recs[0].Mode != event.Live || !strings.HasPrefix(recs[0].App, "phone-") {
		t.Errorf("%+v", recs)
	}
	noErrors(t, p.Page)
	// Whoever says that there is no place is taken at their word.
	p.record(`{step: "see", label: {text: "TB3"}, place: ""}`)
	if recs := r.of("TB3"); len(recs) != 1 || recs[0].Place != "" || recs[0].Actor != "MIRA" {
		t.Errorf("without place: %+v", recs)
	}
	// Where counting fails after a scan was kept, it was kept all the same.
	var kept bool
	p.do(`const count = IDBObjectStore.prototype.count;
		IDBObjectStore.prototype.count = () => { throw new Error("no count"); };
		try { return (await outbox.record({ step: "see", label: { text: "TB4" } }, { live: false })).kept; } finally { IDBObjectStore.prototype.count = count; }`, &kept)
	if !kept {
		t.Error("a scan that was kept was said not to be")
	}
	// Counted again, so that what is awaited is the sending: another sender may be at it.
	p.do(`await outbox.refresh(); await outbox.flush();`, nil)
	p.waits(0)
	r.once("TB4")
	// Without network the same is a fact: it is kept, sent later, and recorded with its doubt.
	r.net.Cut()
	if got := p.record(see("TB2")); got.Answer.Answer != "" {
		t.Errorf("an answer without network: %+v", got)
	}
	p.waits(1)
	r.net.Heal()
	p.do(`await outbox.flush();`, nil)
	p.waits(0)
	seen := slices.ContainsFunc(r.of("TB2"), func(rec event.Record) bool { return rec.Step == "see" && rec.Mode == event.Reported })
	if !seen {
		t.Error("what was scanned without network is not in the log")
	}
	for _, url := range p.Requests() {
		if !strings.HasPrefix(url, r.net.URL+"/") {
			t.Errorf("the phone asked another host: %s", url)
		}
	}
}

// OFF-S1: two senders at once, 26 scans: 26 events in order, nothing waits.
func TestAQueueSentTwiceAtOnce(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	p := r.phone()
	p.installed()
	r.net.Cut()
	p.queue(26, "TB")
	p.waits(26)
	other := phone{t, p.Tab(r.net.URL+"/bedside", browsertest.Phone)}
	other.waits(26)
	r.net.Heal()
	p.Eval(`void (async () => { `+outboxOf+`await outbox.flush(); })()`, nil)
	other.Eval(`void (async () => { `+outboxOf+`await outbox.flush(); })()`, nil)
	p.waits(0)
	other.waits(0)
	r.once(numbered("TB", 26)...)
	var before uint64
	for _, tube := range numbered("TB", 26) {
		if rec := r.of(tube)[0]; rec.Seq <= before {
			t.Errorf("%s was sent before the one before it", tube)
		} else {
			before = rec.Seq
		}
	}
}

// OFF-S2: the answer is lost and the scan sent again eleven minutes later, when no
// broker would know it any more: one event, answered as success.
func TestAnAnswerIsLost(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	p := r.phone()
	r.net.Lose(func(int) bool { return true })
	got := p.record(`{...` + see("TB77") + `, id: "e-77"}`)
	if got.ID != "e-77" || got.Answer.Answer != "" {
		t.Errorf("%+v", got)
	}
	p.waits(1)
	r.once("TB77")
	r.net.Cut()
	r.net.Lose(nil)
	later := event.At(phoneMorning.Add(11 * time.Minute))
	if err := r.clock.Set(later); err != nil {
		t.Fatal(err)
	}
	p.moved(11 * time.Minute)
	r.net.Heal()
	p.do(`outbox.addEventListener("answer", (e) => { globalThis.heard = e.detail.answer; }); await outbox.flush();`, nil)
	p.waits(0)
	var heard struct{ ID, Answer string }
	p.Eval(`globalThis.heard`, &heard)
	if heard.ID != "e-77" || heard.Answer != "recorded" {
		t.Errorf("the repeat was answered %+v", heard)
	}
	r.once("TB77")
	if rec := r.of("TB77")[0]; rec.Recorded > later || rec.Mode != event.Live {
		t.Errorf("not the first event stands in the log: %+v", rec)
	}
}

// OFF-S3: four scans can't be sent, and the phone isn't used for eight days; the browser
// then forgets them. That they were there is known.
func TestAPhoneThatIsNotUsed(t *testing.T) {
	r := newPhoneRig(t, time.Date(2026, 11, 16, 9, 0, 0, 0, time.UTC))
	r.net.Refuse("the store is full")
	p := r.phone()
	p.do(`await session.at("NORTH"); session.device = "H-09";`, nil)
	p.queue(4, "TB")
	p.waits(4)
	// The browser was asked to keep it, didn't promise, and the page says what to do.
	p.Click(".bar-menu")
	p.Wait(`document.getElementById("bar-panel").textContent.includes("doesn't promise to keep") && document.getElementById("bar-panel").textContent.includes("home screen")`)
	type state struct {
		Device, SeenAt, Oldest, By, Place string
		Waiting                           json.Number
		Lasting                           bool
	}
	var h state
	told := func() bool {
		var list struct{ Phones []state }
		r.call(http.MethodGet, "/v1/phones", "", &list)
		i := slices.IndexFunc(list.Phones, func(s state) bool { return s.Device == "H-09" })
		if i >= 0 {
			h = list.Phones[i]
		}
		return h.Waiting == "4"
	}
	p.do(`await outbox.tell();`, nil)
	eventually(t, "the server knows that four scans wait", told)
	p.Close()
	if err := r.clock.Set(event.At(time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC))); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the server knows it eight days later", told)
	if !strings.HasPrefix(h.SeenAt, "2026-11-16T") || !strings.HasPrefix(h.Oldest, "2026-11-16T") || h.By != "MIRA" || h.Place != "NORTH" || h.Lasting {
		t.Errorf("%+v", h)
	}
}

// OFF-S4: five scans wait when the pages are updated. The old pages stay whole until the
// new ones are asked for; the scans are sent as the old version's.
func TestPagesAreUpdatedWithAFullQueue(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	var build string
	p := phone{t, browsertest.Open(t, "", browsertest.Phone)}
	p.Navigate(r.net.URL + "/bedside")
	p.Eval(`document.documentElement.dataset.build`, &build)
	old := "00000000000041" + build[:2]
	p = phone{t, browsertest.Open(t, "", browsertest.Phone)} // a phone that never saw the new one
	r.net.Rename(build, old)
	p.Navigate(r.net.URL + "/bedside")
	p.settle()
	p.installed()
	r.net.Refuse("no room")
	p.queue(5, "TB")
	p.waits(5)
	is := func(want string) string {
		return fmt.Sprintf(`document.documentElement.dataset.build === %q && [...document.querySelectorAll("script[src], link[href*='/assets/']")].every((e) => (e.src || e.href).includes(%q))`, want, want)
	}
	r.net.Rename("", "")
	p.Navigate(r.net.URL + "/bedside")
	p.Wait(is(old))
	p.waits(5)
	p.Wait(`document.querySelector(".bar-state").textContent.includes("new version ready")`)
	// What the old page loads only now is still its own.
	p.Click(".bar-menu")
	p.Wait(`document.getElementById("bar-panel").textContent.includes("Load the new version")`)
	p.Wait(fmt.Sprintf(`performance.getEntriesByType("resource").filter((e) => e.name.includes("/assets/")).every((e) => e.name.includes(%q))`, old))
	p.Eval(`[...document.querySelectorAll("#bar-panel button")].find((b) => b.textContent === "Load the new version").click()`, nil)
	p.WaitFor(time.Minute, is(build))
	p.waits(5)
	r.net.Refuse("")
	p.do(`await outbox.flush();`, nil)
	p.waits(0)
	for _, tube := range numbered("TB", 5) {
		recs := r.of(tube)
		if len(recs) != 1 || recs[0].App != "phone-"+old {
			t.Errorf("%s: %d events, of %q", tube, len(recs), recs[0].App)
		}
	}
}

// One that the server can't read, in the middle of others, blocks none of them, and is
// kept and shown until somebody has seen to it.
func TestABadScanInTheMiddle(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	p := r.phone()
	p.installed()
	r.net.Cut()
	p.queue(30, "TA")
	p.do(`await outbox.record({ step: "juggle", label: { text: "TX1" } }, { live: false });`, nil)
	p.queue(30, "TB")
	p.waits(61)
	r.net.Heal()
	p.do(`await outbox.flush();`, nil)
	p.waits(0)
	r.once(append(numbered("TA", 30), numbered("TB", 30)...)...)
	p.Wait(`document.querySelector(".bar-state").textContent.includes("set aside: 1")`)
	p.Navigate(r.net.URL + "/bedside") // also over a reload
	p.Wait(`document.querySelector(".bar-state")?.textContent.includes("set aside: 1")`)
	p.Click(".bar-menu")
	p.Wait(`document.querySelector(".bar-aside li")?.textContent.includes("TX1") && document.querySelector(".bar-aside li").textContent.includes("juggle")`)
	p.Click(".bar-aside button")
	p.Wait(`!document.querySelector(".bar-aside") && !document.querySelector(".bar-state").textContent.includes("set aside")`)
	// Live, the screen hears it.
	if got := p.record(`{step: "juggle", label: {text: "TX2"}}`); got.Answer.Answer != "unreadable" {
		t.Errorf("%+v", got)
	}
}

// TIM-S3: a phone five hours ahead, online. Both times are kept, the corrected one counts,
// the phone is flagged, and a later scan of a right device stands after it.
func TestAPhoneFiveHoursAhead(t *testing.T) {
	now := time.Date(2026, 11, 24, 10, 5, 2, 0, time.UTC)
	r := newPhoneRig(t, now)
	p := r.phone()
	p.moved(time.Until(now.Add(5*time.Hour - 2*time.Second)))
	p.do(`const clock = await at("clock.js"); await clock.measure(); session.dispatchEvent(new Event("session"));`, nil)
	p.Wait(`document.querySelector(".bar-state").textContent.includes("clock fast by 5 h 0 min")`)
	if got := p.record(see("TB1")); got.Answer.Answer != "recorded" {
		t.Fatalf("%+v", got)
	}
	rec := r.of("TB1")[0]
	ahead := time.Duration(rec.OffsetMs) * time.Millisecond
	if ahead.Round(time.Minute) != 5*time.Hour || rec.DeviceTime.Sub(rec.Occurred) != ahead || rec.DeviceTime.Sub(event.At(now)).Round(time.Hour) != 5*time.Hour {
		t.Errorf("device %s, occurred %s, offset %s", rec.DeviceTime, rec.Occurred, ahead)
	}
	if rec.Occurred > r.clock.Now() || rec.Occurred < event.At(now)-60_000 {
		t.Errorf("it happened at %s, and it is %s", rec.Occurred, r.clock.Now())
	}
	eventually(t, "the device's clock is known to be wrong", func() bool {
		list, err := r.log.History(t.Context(), event.KindDevice, event.Key("L-"+rec.Device))
		return err == nil && slices.ContainsFunc(list, func(d event.Record) bool {
			return slices.ContainsFunc(d.Facts, func(f event.Fact) bool { m, ok := f.(event.ClockMeasured); return ok && m.OffsetMs == rec.OffsetMs })
		})
	})
	right := r.phone()
	right.moved(time.Until(r.clock.Now().Time()))
	right.do(`const clock = await at("clock.js"); await clock.measure();`, nil)
	if got := right.record(see("TB1")); got.Answer.Answer != "recorded" {
		t.Fatalf("%+v", got)
	}
	list := r.of("TB1")
	if len(list) != 2 || !list[0].Before(&list[1]) || list[1].Occurred <= list[0].Occurred || list[1].OffsetMs > 60_000 {
		t.Errorf("the right device's scan doesn't stand after it: %+v", list)
	}
}

// A clock that is set back while there is no network is caught: the counter of the browser
// says how much time has passed, and the server keeps that the clock jumped.
func TestAClockIsMovedWithoutNetwork(t *testing.T) {
	r := newPhoneRig(t, phoneMorning)
	p := r.phone()
	p.moved(time.Until(phoneMorning))
	p.do(`const clock = await at("clock.js"); await clock.measure();`, nil)
	r.net.Cut()
	p.queue(1, "TA")
	p.moved(time.Until(phoneMorning) - time.Hour)
	p.queue(1, "TB")
	r.net.Heal()
	p.do(`await outbox.flush();`, nil)
	p.waits(0)
	a, b := r.of("TA1")[0], r.of("TB1")[0]
	if b.DeviceTime >= a.DeviceTime || b.Occurred < a.Occurred || b.Occurred.Sub(a.Occurred) > 5*time.Minute || a.Occurred < event.At(phoneMorning)-60_000 || b.Occurred > r.clock.Now() {
		t.Errorf("device %s then %s, occurred %s then %s", a.DeviceTime, b.DeviceTime, a.Occurred, b.Occurred)
	}
	eventually(t, "the server keeps that the clock jumped", func() bool {
		list, err := r.log.History(t.Context(), event.KindDevice, event.Key("L-"+a.Device))
		return err == nil && slices.ContainsFunc(list, func(d event.Record) bool {
			return slices.ContainsFunc(d.Facts, func(f event.Fact) bool {
				x, ok := f.(event.DoubtRaised)
				return ok && x.Doubt == string(event.DoubtClockJumped)
			})
		})
	})
}

// What was measured of a clock before it was moved is believed of nothing after it: neither
// where the network comes back too late for a measurement and in time for the scan, nor
// where a measurement was under way when the clock was moved.
func TestAClockIsMovedAsItIsMeasured(t *testing.T) {
	for name, trouble := range map[string]struct {
		before, over string
	}{
		"no answer to it": {
			before: `const real = fetch; globalThis.fetch = (url, how) => String(url).endsWith("/v1/me") ? Promise.reject(new TypeError("cut")) : real(url, how); globalThis.heal = () => { globalThis.fetch = real; };`,
			over:   `globalThis.heal(); await outbox.flush();`,
		},
		"under way": {
			before: `const clock = await at("clock.js"), real = fetch; let n = 0;
				const held = new Promise((on) => {
					globalThis.fetch = async (url, how) => {
						if (!String(url).endsWith("/v1/me") || n++ !== 1) return real(url, how);
						await new Promise((heal) => { globalThis.heal = heal; on(); });
						throw new TypeError("cut");
					};
				});
				void clock.measure(); await held;`,
			over: `globalThis.heal(); await outbox.flush();`,
		},
	} {
		t.Run(name, func(t *testing.T) {
			r := newPhoneRig(t, phoneMorning)
			p := r.phone()
			p.moved(time.Until(phoneMorning))
			p.do(`const clock = await at("clock.js"); await clock.measure();`, nil)
			p.queue(1, "TA")
			p.waits(0)
			p.do(trouble.before, nil)
			p.moved(time.Until(phoneMorning) - time.Hour)
			p.queue(1, "TB")
			p.waits(1)
			p.do(trouble.over, nil)
			p.waits(0)
			a, b := r.of("TA1")[0], r.of("TB1")[0]
			if b.DeviceTime >= a.DeviceTime || b.Occurred < a.Occurred || b.Occurred > r.clock.Now() {
				t.Errorf("device %s then %s, occurred %s then %s", a.DeviceTime, b.DeviceTime, a.Occurred, b.Occurred)
			}
		})
	}
}
