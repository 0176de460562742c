package web

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"testing"

	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/browsertest"
)

// moduleOf makes a module of the phone's page known to a script.
const moduleOf = `const at = (name) => import(document.querySelector("script[type=module]").src.replace(/[^/]+$/, name));`

// The phone reads a label as the server does, as far as it goes: it never names another
// number than the server would.
func TestLabelsAreReadAsTheServerReadsThem(t *testing.T) {
	list := []label.Scheme{
		{ID: "TB", Issuer: "the laboratory", Names: label.Tube, Pattern: "TB######", In: []string{label.Plain, "91"}},
		{ID: "PT", Issuer: "the islands", Names: label.Patient, Pattern: "PT######*", Check: label.Mod37Two},
		{ID: "BX", Issuer: "the couriers", Names: label.Carrier, Pattern: "B-#{1,3}", Zeros: label.ZerosCount},
		{ID: "ST", Issuer: "the house", Names: label.Person, Pattern: "K#####*", Check: label.Mod43},
		{ID: "RQ", Issuer: "the wards", Names: label.Request, Pattern: "9#######", Check: label.Mod10, Framed: true},
		{ID: "CS", Issuer: "the store", Names: label.Logger, Pattern: "Lg@#", Case: label.CaseCounts},
	}
	schemes, err := label.Compile(list)
	if err != nil {
		t.Fatal(err)
	}
	mod37 := func(body string) string { _, c, _ := label.Mod37(body); return body + string(c) }
	mod43 := func(body string) string { c, _ := label.Mod43Check(body); return body + string(c) }
	type read struct{ Raw, Symbology, How string }
	gs := "\x1d"
	digit := func(body string) string { d, _, _ := label.CheckDigit(body); return body + string(d) }
	patient := mod37("PT123456")
	reads := []read{
		{"TB260301", "]C0", "reader"}, {"tb260301", "", "typed"}, {"]d2" + "91TB260301", "", "reader"}, {"]d191TB260301", "", "reader"},
		{patient, "]C0", "camera"}, {patient[:8] + "?", "]C0", "camera"}, {"PT1234567", "]C0", "camera"},
		{"B-7", "", "typed"}, {"B-007", "]Q1", "camera"}, {"B-0007", "]Q1", "camera"},
		{mod43("K00123"), "]C0", "reader"}, {"K001230", "]C0", "reader"},
		{digit("9123456"), "]C0", "reader"}, {digit("9123456"), "", "reader"}, {"91234560", "]C0", "reader"},
		{"LgA1", "]C0", "camera"}, {"lga1", "]C0", "camera"}, {"LgAA", "]C0", "camera"},
		{"01" + digit("0401234500001") + "10LOT7" + gs + "17261231", "]d2", "camera"}, {"01" + digit("0401234500001") + "1726123110LOT7", "]C1", "camera"},
		{"01" + digit("0401234500001") + "10LOT7", "", "reader"}, {"0104012345000010" + "10LOT7", "]d2", "camera"},
		{"00" + digit("10401234500000001"), "]C1", "camera"}, {"00" + digit("10401234500000001"), "", "reader"},
		{"8018" + digit("04012345000000123"), "]d2", "camera"}, {"8017" + digit("04012345000000199"), "]d2", "camera"},
		{"nonsense", "]C0", "camera"}, {"", "]C0", "camera"}, {"10", "]d2", "camera"}, {"17", "]C1", "camera"},
	}
	p := browsertest.Open(t, cameraSite(t)+"/bedside", browsertest.Phone)
	p.Wait(`document.querySelector("main h1")`)
	type saysSo struct{ Names, Number, Wrong string }
	var said []saysSo
	given, err := json.Marshal(reads)
	if err != nil {
		t.Fatal(err)
	}
	type plain struct {
		ID         string   `json:"id"`
		Names      string   `json:"names"`
		Pattern    string   `json:"pattern"`
		Check      string   `json:"check"`
		LetterCase string   `json:"letterCase"`
		In         []string `json:"in"`
		Framed     bool     `json:"framed"`
	}
	var plains []plain
	for _, s := range list {
		plains = append(plains, plain{s.ID, string(s.Names), s.Pattern, string(s.Check), string(s.Case), s.In, s.Framed})
	}
	declared, err := json.Marshal(plains)
	if err != nil {
		t.Fatal(err)
	}
	p.Eval(fmt.Sprintf(`(async () => { %s const labels = await at("labels.js");
		return %s.map((r) => labels.read({ raw: btoa(r.Raw), symbology: r.Symbology, how: r.How }, %s, 2026)); })()`, moduleOf, given, declared), &said)
	named := 0
	for i, in := range reads {
		how := map[string]label.How{"reader": label.Wedge, "camera": label.Camera, "typed": label.Typed}[in.How]
		want, err := schemes.Read(label.Input{Raw: []byte(in.Raw), Symbology: in.Symbology, How: how})
		got := said[i]
		switch {
		case err != nil && (got.Wrong == "" && got.Names != "" && got.Names != string(label.Product)):
			t.Errorf("%q is refused by the server (%v), and the phone says %+v", in.Raw, err, got)
		case err == nil && want.Names != label.Product && want.Scheme != "L" && (got.Names != string(want.Names) || got.Number != want.Text || got.Wrong != ""):
			t.Errorf("%q is %s %s for the server and %+v for the phone", in.Raw, want.Names, want.Text, got)
		case err == nil && want.Scheme != "L":
			named++
		}
	}
	if named < 12 {
		t.Errorf("only %d of %d reads name something", named, len(reads))
	}

	// A wristband names its row by a keyed hash, whatever letters the reader made of it.
	salt := []byte("an invented salt of 32 characters")[:32]
	match := func(number string) string {
		mac := hmac.New(sha256.New, salt)
		mac.Write([]byte(number))
		return base64.StdEncoding.EncodeToString(mac.Sum(nil))
	}
	var rows []any
	p.Eval(fmt.Sprintf(`(async () => { %s const labels = await at("labels.js");
		const work = { salt: %q, schemes: %s, rows: [{ match: %q, who: "one" }, { match: %q, who: "two" }, { who: "no number" }] };
		const out = [];
		for (const text of [%q, %q.toLowerCase(), "PT0000000", ""]) out.push((await labels.matches({ text, how: "typed" }, work)).row?.who ?? "nobody");
		return out; })()`, moduleOf, base64.StdEncoding.EncodeToString(salt), declared, match("PT999999"), match(patient), patient, patient), &rows)
	if fmt.Sprint(rows) != "[two two nobody nobody]" {
		t.Errorf("wristbands name %v", rows)
	}
}

// The offset of a scan is worked out when it is sent: from what was measured before and
// after it, and from the counter that goes on while the clock is moved.
func TestTheOffsetOfAScan(t *testing.T) {
	p := browsertest.Open(t, cameraSite(t)+"/bedside", browsertest.Phone)
	p.Wait(`document.querySelector("main h1")`)
	for name, tc := range map[string]struct{ at, now, want string }{
		"measured after it, the clock left alone":         {`{wall: 1000000, mono: 5000, boot: "A"}`, `{offset: 300, error: 5, wall: 1060000, mono: 65000, boot: "A"}`, `{"error":5,"offset":300}`},
		"the clock was set back by an hour after it":      {`{wall: 9000000, mono: 5000, boot: "A"}`, `{offset: 0, error: 5, wall: 5460000, mono: 65000, boot: "A"}`, `{"error":5,"offset":3600000}`},
		"set ahead after it, and measured before":         {`{wall: 1000000, mono: 5000, boot: "A", then: {offset: 7, error: 4, wall: 999000, mono: 4000, boot: "A"}}`, `{offset: 3600007, error: 5, wall: 4660000, mono: 65000, boot: "A"}`, `{"error":4,"offset":7}`},
		"the phone slept, or was set ahead; nothing else": {`{wall: 1000000, mono: 5000, boot: "A"}`, `{offset: 7, error: 5, wall: 4660000, mono: 65000, boot: "A"}`, `{"error":3600005,"offset":7}`},
		"another run of the page, the same offset":        {`{wall: 1000000, mono: 5000, boot: "A", then: {offset: 40, error: 4, wall: 1, mono: 1, boot: "0"}}`, `{offset: 50, error: 5, wall: 4660000, mono: 65000, boot: "B"}`, `{"error":4,"offset":40}`},
		"another run, and the clock was moved":            {`{wall: 1000000, mono: 5000, boot: "A", then: {offset: 0, error: 4, wall: 1, mono: 1, boot: "0"}}`, `{offset: 60000, error: 5, wall: 4660000, mono: 65000, boot: "B"}`, `{"error":58004,"offset":0}`},
		"never measured before":                           {`{wall: 1000000, mono: 5000, boot: "A"}`, `{offset: 50, error: 5, wall: 4660000, mono: 65000, boot: "B"}`, `{"error":5,"offset":50}`},
		"never measured at all":                           {`{wall: 1000000, mono: 5000, boot: "A"}`, `undefined`, `null`},
	} {
		var got any
		p.Eval(fmt.Sprintf(`(async () => { %s return (await at("clock.js")).offsetAt(%s, %s) ?? null; })()`, moduleOf, tc.at, tc.now), &got)
		if text, err := json.Marshal(got); err != nil || string(text) != tc.want {
			t.Errorf("%s: %s, want %s", name, text, tc.want)
		}
	}
	// Of eight answers the quickest counts, and the way there and back is halved.
	var measured struct{ Offset, Error float64 }
	p.Eval(`(async () => { `+moduleOf+` const clock = await at("clock.js"); let n = 0;
		const fast = [30, 30, 5, 30, 30, 30, 30, 30];
		return clock.measure(async () => { const ms = fast[n++]; await new Promise((d) => setTimeout(d, ms)); const now = new Date(Date.now() + 37000).toISOString(); await new Promise((d) => setTimeout(d, ms)); return { status: 200, body: { now } }; }); })()`, &measured)
	if off := measured.Offset + 37_000; off > measured.Error || off < -measured.Error || measured.Error < 5 {
		t.Errorf("measured %+v, the truth is -37000", measured)
	}
	var ids []string
	p.Eval(`(async () => { `+moduleOf+` const { uuid7 } = await at("store.js"); return [uuid7(0x017F22E279B0), uuid7(0x017F22E279B0), uuid7(0x017F22E279B1)]; })()`, &ids)
	// RFC 9562 appendix A.6 has this instant.
	if len(ids) != 3 || ids[0][:15] != "017f22e2-79b0-7" || ids[0] == ids[1] || ids[2] <= ids[0] || ids[0][19] < '8' || ids[0][19] > 'b' && ids[0][19] < 'a' {
		t.Errorf("ids %q", ids)
	}
}
