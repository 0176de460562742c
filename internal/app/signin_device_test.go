package app

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
)

func TestADeviceEnrolsSignsAndIsRevoked(t *testing.T) {
	log := memlog.New()
	a := startAsked(t, log, steered())
	engineer := a.settled()
	engineer.person("oskar", "courier")
	engineer.must(http.MethodPut, "/v1/devices/H-01", `{"kind":"phone","active":true,"place":"VAN-1"}`, nil)
	phone, thief := newDevice(t), newDevice(t)
	code := a.invite(engineer, "H-01")
	anyone := a.browser()
	if g := thief.enrol(anyone, "AAAAAAAAAA"); g.code != http.StatusForbidden {
		t.Errorf("a guessed code: %d %s", g.code, g.body)
	}
	bad := fmt.Sprintf(`{"code":%q,"publicKey":%q,"proof":%q}`, code, b64(phone.spki), b64(thief.sign("enrol "+code)))
	if g := anyone.call(http.MethodPost, "/v1/devices:enrol", bad); g.code != http.StatusBadRequest {
		t.Errorf("a key that somebody else holds: %d %s", g.code, g.body)
	}
	if g := phone.enrol(anyone, code); g.code != http.StatusOK || !strings.Contains(g.body, phone.id) || !strings.Contains(g.body, "VAN-1") {
		t.Fatalf("enrol: %d %s", g.code, g.body)
	}
	if g := thief.enrol(anyone, code); g.code != http.StatusForbidden {
		t.Errorf("the code a second time: %d", g.code)
	}
	stale := a.invite(engineer, "H-01")
	a.later(auth.InviteFor + time.Second)
	if g := thief.enrol(anyone, stale); g.code != http.StatusForbidden {
		t.Errorf("a code that has run out: %d", g.code)
	}

	// A session that the phone's key is bound to.
	b := a.browser()
	ch := b.challenge()
	sig := b64(phone.sign("sign-in " + ch))
	if g := b.signIn("oskar", "device", "H-01", "challenge", ch, "signature", b64(thief.sign("sign-in "+ch))); g.code != http.StatusForbidden {
		t.Errorf("another key's answer: %d", g.code)
	}
	if g := b.signIn("oskar", "device", "H-01", "challenge", ch, "signature", sig); g.code != http.StatusSeeOther {
		t.Fatalf("%d %s", g.code, g.body)
	}
	var me struct{ Device, Place, Until string }
	b.must(http.MethodGet, "/v1/me", "", &me)
	if me.Device != "H-01" || me.Place != "VAN-1" || me.Until != stampOf(a.clock.Now().Add(10*time.Minute)) {
		t.Errorf("a phone's session: %+v", me)
	}
	if g := a.browser().signIn("oskar", "device", "H-01", "challenge", ch, "signature", sig); g.code != http.StatusForbidden || !strings.Contains(g.body, "used already") {
		t.Errorf("the answer replayed: %d %s", g.code, g.body)
	}
	old := b.challenge()
	a.later(11 * time.Minute)
	if g := a.browser().signIn("oskar", "device", "H-01", "challenge", old, "signature", b64(phone.sign("sign-in "+old))); g.code != http.StatusForbidden {
		t.Errorf("an old challenge: %d", g.code)
	}
	forged := strings.Replace(old, ".", ".0", 1)
	if g := a.browser().signIn("oskar", "device", "H-01", "challenge", forged, "signature", b64(phone.sign("sign-in "+forged))); g.code != http.StatusForbidden {
		t.Errorf("a challenge of its own making: %d", g.code)
	}

	// Scans that it signs.
	desk := a.browser()
	desk.signIn("oskar")
	send := func(by *device, scan, private, keyID string) (answer, refusal string, code int) {
		body := fmt.Sprintf(`{"scans":[{"attested":{"scan":%q,"private":%q,"keyId":%q,"signature":%q}}]}`, b64([]byte(scan)), b64([]byte(private)), keyID, b64(by.sign(scan)))
		g := desk.call(http.MethodPost, "/v1/scans", body)
		var resp struct {
			Answers []struct{ Answer, Refusal string }
		}
		_ = json.Unmarshal([]byte(g.body), &resp)
		if len(resp.Answers) == 0 {
			return g.body, "", g.code
		}
		return resp.Answers[0].Answer, resp.Answers[0].Refusal, g.code
	}
	scan := func(id, more string) string {
		return `{"id":"` + id + `","step":"see","occurredAt":"2026-11-24T11:3` + id[2:] + `:00Z","label":{"text":"T1"},"device":"H-01","by":"oskar"` + more + `}`
	}
	if ans, ref, _ := send(phone, scan("s-1", ""), "", phone.id); ans != "recorded" {
		t.Fatalf("a signed scan: %s %s", ans, ref)
	}
	if ans, _, _ := send(phone, scan("s-1", ""), "", phone.id); ans != "recorded" { // the first answer again
		t.Errorf("the same scan again: %s", ans)
	}
	if ans, ref, _ := send(thief, scan("s-2", ""), "", phone.id); ans != "refused" || ref != "not-allowed" {
		t.Errorf("signed by another: %s %s", ans, ref)
	}
	if ans, ref, _ := send(thief, scan("s-2", ""), "", thief.id); ans != "refused" || ref != "not-allowed" {
		t.Errorf("signed with a key that nobody enrolled: %s %s", ans, ref)
	}
	private := `{"salt":"` + b64(bytes.Repeat([]byte{7}, 32)) + `","note":"the label was wet"}`
	sum := sha256.Sum256([]byte(private))
	with := `,"details":{"private":"` + hex.EncodeToString(sum[:]) + `"}`
	if ans, _, _ := send(phone, scan("s-3", with), private, phone.id); ans != "recorded" {
		t.Errorf("a signed scan with a private part: %s", ans)
	}
	for name, c := range map[string][2]string{
		"another private part": {scan("s-4", with), strings.Replace(private, "wet", "dry", 1)},
		"no private part":      {scan("s-4", with), ""},
		"an unbound part":      {scan("s-4", ""), private},
		"the patient in it":    {scan("s-4", `,"patient":"P-1"`), ""},
		"free text in it":      {scan("s-4", `,"reason":"he said so"`), ""},
		"a note in it":         {scan("s-4", `,"details":{"note":"x"}`), ""},
		"an unknown field":     {scan("s-4", `,"colour":"red"`), ""},
		"a scan in it":         {scan("s-4", `,"attested":{"scan":"e30="}`), ""},
		"no JSON":              {"{", ""},
	} {
		if body, _, code := send(phone, c[0], c[1], phone.id); code != http.StatusBadRequest {
			t.Errorf("%s: %d %s", name, code, body)
		}
	}
	plain := func(b *browser) string {
		g := b.call(http.MethodPost, "/v1/scans", `{"scans":[`+scan("s-5", "")+`]}`)
		return g.body
	}
	if body := plain(desk); !strings.Contains(body, "not-allowed") {
		t.Errorf("a desk says that it is the phone: %s", body)
	}
	recs, err := log.History(t.Context(), event.KindTube, "L-T1")
	if err != nil || len(recs) != 2 {
		t.Fatalf("%d records, %v", len(recs), err)
	}
	for _, r := range recs {
		key := &phone.key.PublicKey
		digest := sha256.Sum256(r.Attested)
		if r.KeyID != phone.id || !ecdsa.Verify(key, digest[:], bigOf(r.Signature[:32]), bigOf(r.Signature[32:])) || r.Principal != "OSKAR" || r.Role != "courier" {
			t.Errorf("what stands in the log proves nothing: %+v", r.Envelope)
		}
	}

	// Revoked: its sessions and its signatures count no more; described anew it has no key.
	again := a.browser()
	ch = again.challenge()
	again.signIn("oskar", "device", "H-01", "challenge", ch, "signature", b64(phone.sign("sign-in "+ch)))
	again.must(http.MethodGet, "/v1/me", "", nil)
	engineer.signIn("mira")
	engineer.must(http.MethodPut, "/v1/devices/H-01", `{"kind":"phone","active":false}`, nil)
	if g := again.call(http.MethodGet, "/v1/me", ""); g.code != http.StatusUnauthorized {
		t.Errorf("the session of a revoked device: %d", g.code)
	}
	if ans, ref, _ := send(phone, scan("s-6", ""), "", phone.id); ans != "refused" || ref != "not-allowed" {
		t.Errorf("signed after the revocation: %s %s", ans, ref)
	}
	engineer.must(http.MethodPut, "/v1/devices/H-01", `{"kind":"phone","active":true}`, nil)
	if ans, _, _ := send(phone, scan("s-6", ""), "", phone.id); ans != "refused" {
		t.Errorf("the old key after the device was declared anew: %s", ans)
	}
}

// A screen on the wall signs in as itself: it sees the wall and nothing of a person's.
func TestAScreenOnTheWall(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	engineer := a.settled()
	engineer.must(http.MethodPut, "/v1/devices/WALL-1", `{"kind":"wall","active":true}`, nil)
	screen := newDevice(t)
	if g := screen.enrol(a.browser(), a.invite(engineer, "WALL-1")); g.code != http.StatusOK {
		t.Fatalf("%d %s", g.code, g.body)
	}
	b := a.browser()
	ch := b.challenge()
	if g := b.form("/sign-in/device", url.Values{"device": {"WALL-1"}, "challenge": {ch}, "signature": {b64(screen.sign("sign-in " + ch))}, "next": {"/wall"}}); g.code != http.StatusSeeOther {
		t.Fatalf("%d %s", g.code, g.body)
	}
	a.later(5 * time.Hour) // nobody touches it
	for path, want := range map[string]int{"/wall": 200, "/v1/flags": 200, "/tubes/T1": 403, "/": 403, "/limits": 403, "/v1/tubes/T1": 403, "/v1/people/mira": 403} {
		if g := b.get(path); g.code != want {
			t.Errorf("%s: %d, want %d", path, g.code, want)
		}
	}
}

// The wall's stream ends with its session.
func TestAStreamEndsWithItsSession(t *testing.T) {
	a := startAsked(t, memlog.New(), steered())
	engineer := a.settled()
	engineer.person("lena", "reception")
	for _, path := range []string{"/wall/stream", "/v1/flags:watch"} {
		b := a.browser()
		b.signIn("lena")
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, a.url+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Accept", "text/event-stream")
		resp, err := b.http.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d", path, resp.StatusCode)
		}
		ended := make(chan struct{})
		go func() {
			_, _ = io.Copy(io.Discard, resp.Body)
			_ = resp.Body.Close()
			close(ended)
		}()
		select {
		case <-ended:
			t.Fatalf("%s ended by itself", path)
		case <-time.After(300 * time.Millisecond):
		}
		b.form("/sign-out", nil)
		select {
		case <-ended:
		case <-time.After(30 * time.Second):
			t.Errorf("%s goes on after the sign-out", path)
		}
	}
}

func TestWhoSignsIsWhoActs(t *testing.T) {
	log := memlog.New()
	a := startAsked(t, log, steered())
	engineer := a.settled()
	engineer.person("lena", "reception")
	engineer.person("oskar", "courier")
	if g := engineer.call(http.MethodPut, "/v1/places/LAB", `{"kind":"reception","zone":"Europe/Berlin","by":"lena"}`); g.code != http.StatusBadRequest || !strings.Contains(g.body, "signed in as MIRA") {
		t.Errorf("in another's name: %d %s", g.code, g.body)
	}
	engineer.must(http.MethodPut, "/v1/places/LAB", `{"kind":"reception","zone":"Europe/Berlin"}`, nil)
	recs, err := log.History(t.Context(), event.KindPlace, "L-LAB")
	if err != nil || len(recs) != 1 || recs[0].Actor != "MIRA" || recs[0].Principal != "MIRA" {
		t.Errorf("%+v, %v", recs, err)
	}
	// A role at one place counts there alone.
	engineer.must(http.MethodPut, "/v1/people/oskar", `{"active":true,"roles":[{"role":"reception","place":"lab"}]}`, nil)
	if g := engineer.call(http.MethodPut, "/v1/people/oskar", `{"active":true}`); g.code != http.StatusBadRequest || !strings.Contains(g.body, `"role"`) {
		t.Errorf("a person without any role: %d %s", g.code, g.body)
	}
	b := a.browser()
	b.signIn("oskar")
	receive := func(place string) string {
		g := b.call(http.MethodPost, "/v1/scans", `{"scans":[{"id":"r-`+place+`","step":"receive","occurredAt":"2026-11-24T11:59:00Z","label":{"text":"T-`+place+`"},"place":"`+place+`"}]}`)
		return g.body
	}
	if body := receive("LAB"); !strings.Contains(body, `"recorded"`) {
		t.Errorf("at the place of the role: %s", body)
	}
	if body := receive("ISLE"); !strings.Contains(body, `"not-allowed"`) || !strings.Contains(body, "reception") {
		t.Errorf("elsewhere: %s", body)
	}
	late := b.call(http.MethodPost, "/v1/scans", `{"scans":[{"id":"late","mode":"reported","step":"receive","occurredAt":"2026-11-24T11:59:00Z","label":{"text":"T-late"},"place":"ISLE"}]}`)
	if !strings.Contains(late.body, `"recorded"`) {
		t.Errorf("what has happened is refused: %s", late.body)
	}
	recs, _ = log.History(t.Context(), event.KindTube, "L-T-LATE")
	if len(recs) == 0 || recs[0].Principal != "OSKAR" || recs[0].Role != "" {
		t.Errorf("%+v", recs)
	}
}
