package api_test

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/eventlog/memlog"
)

// workAnswer is what these tests read of a Work.
type workAnswer struct {
	Place struct {
		ID       string
		Identify []string
	}
	Salt string
	Rows []struct {
		Identity     struct{ Reference, Name, Number, NumberEnds, Bed string }
		Match        string
		DrawnUl      string
		BloodUlPerKg string
		Requests     []struct {
			ID         string
			Conditions []string
		}
		Plan []struct {
			Tube, Request, Type string
			Order, Inversions   int
			Tests               []string
			DueMinutes          string
			DueTest             string
			Collected           bool
			Advice              []string
		}
	}
	Here []struct{ Tube, DueEarliest, Rack string }
}

// A shift of one invented ward: what a phone takes along, and how it follows what is done.
func TestWorkAndRound(t *testing.T) {
	d := start(t, memlog.New())
	do := func(method, path, body string) {
		t.Helper()
		if a := d.rest(method, path, body); a.code != http.StatusOK {
			t.Fatalf("%s %s: %d %s", method, path, a.code, a.body)
		}
	}
	scan := func(body string) {
		t.Helper()
		var got struct {
			Answers []struct{ Answer, Say string }
		}
		d.rest("POST", "/v1/scans", `{"scans":[`+body+`]}`).into(t, &got)
		for _, a := range got.Answers {
			if a.Answer != "recorded" {
				t.Fatalf("%s: %+v", body, a)
			}
		}
	}
	do("POST", "/v1/rules:adopt", `{"by":"lena"}`)
	do("PUT", "/v1/places/WARD-N", `{"kind":"ward","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"identify":["band","stated"],"by":"lena"}`)
	do("PUT", "/v1/places/LAB", `{"kind":"reception","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"by":"lena"}`)
	do("PUT", "/v1/routes/ROUND", `{"from":"WARD-N","to":"LAB","takesMinutes":"30","departs":["13:30"],"zone":"Europe/Berlin","by":"lena"}`)
	do("POST", "/v1/patients:write", `{"patient":"P-7011","family":"Lind","given":"Anna","birthDate":"2025-11-20","place":"WARD-N","bed":"4","by":"mira"}`)
	do("POST", "/v1/requests", `{"id":"R-1","patient":"P-7011","tests":["K","CBC"],"conditions":["fasting=yes"],
		"tubes":[{"tube":"TB1","type":"EDTA","tests":["CBC"]},{"tube":"TB2","type":"LIHEP-GEL","tests":["K"]}],"by":"mira"}`)

	var work workAnswer
	a := d.rest("POST", "/v1/work:get", `{"place":"ward-n","by":"mira"}`)
	a.into(t, &work)
	if bytes.Contains(a.body, []byte("P-7011")) {
		t.Error("the answer holds the patient's number")
	}
	if work.Place.ID != "WARD-N" || len(work.Rows) != 1 || !slices.Equal(work.Place.Identify, []string{"band", "stated"}) {
		t.Fatalf("work: %s", a.body)
	}
	row := work.Rows[0]
	salt, err := base64.StdEncoding.DecodeString(work.Salt)
	if err != nil || len(salt) != 32 {
		t.Fatalf("salt %q: %v", work.Salt, err)
	}
	mac := hmac.New(sha256.New, salt)
	mac.Write([]byte("P-7011"))
	if row.Match != base64.StdEncoding.EncodeToString(mac.Sum(nil)) {
		t.Error("the wristband can't be matched")
	}
	// A year old: 70 mL a kilogram (handbook table).
	if row.Identity.Name != "Lind, Anna" || row.Identity.Bed != "4" || row.BloodUlPerKg != "70000" || !slices.Equal(row.Requests[0].Conditions, []string{"fasting=yes"}) {
		t.Errorf("row: %+v", row)
	}
	// Heparin before EDTA (CLSI GP41, WHO 2010 table 2.3), however the request lists them.
	if len(row.Plan) != 2 || row.Plan[0].Type != "LIHEP-GEL" || row.Plan[0].Tube != "TB2" || row.Plan[1].Type != "EDTA" || row.Plan[0].DueMinutes == "0" || row.Plan[0].DueTest != "K" {
		t.Errorf("plan: %+v", row.Plan)
	}

	scan(`{"id":"s1","step":"wristband","draw":"D-1","patient":"P-7011","row":"` + row.Identity.Reference + `","occurredAt":"2026-11-24T12:00:00Z","place":"WARD-N","by":"mira"}`)
	scan(`{"id":"s2","step":"collect","label":{"text":"TB2"},"draw":"D-1","occurredAt":"2026-11-24T12:00:00Z","place":"WARD-N","by":"mira","details":{"volume":"4500ul","lot":"K7Q2","expiry":"2027-01-31"}}`)
	work = workAnswer{}
	d.rest("POST", "/v1/work:get", `{"place":"WARD-N","by":"mira"}`).into(t, &work)
	row = work.Rows[0]
	if !row.Plan[0].Collected || row.Plan[1].Collected || row.DrawnUl != "4500" {
		t.Errorf("after one tube: %+v", row)
	}
	if len(work.Here) != 1 || work.Here[0].Tube != "TB2" || work.Here[0].DueEarliest == "" || work.Here[0].Rack != "spin" {
		t.Errorf("what waits here: %+v", work.Here)
	}

	scan(`{"id":"s3","step":"collect","label":{"text":"TB1"},"draw":"D-1","occurredAt":"2026-11-24T12:00:00Z","place":"WARD-N","by":"mira"}`)
	scan(`{"id":"s4","step":"pack","label":{"text":"TB2"},"carrier":"B-3","occurredAt":"2026-11-24T12:00:00Z","place":"WARD-N","by":"mira"}`)
	var round struct {
		Stops []struct{ ID, Kind string }
		Boxes []struct {
			ID, Holder, Place, Arrives string
			Tubes                      []struct{ Tube, DueEarliest, DueUntil string }
		}
		Tubes  []struct{ Tube, Arrives string }
		Routes []struct{ Departs []string }
	}
	a = d.rest("GET", "/v1/rounds?by=oskar", "")
	a.into(t, &round)
	if len(round.Boxes) != 1 || round.Boxes[0].ID != "B-3" || len(round.Boxes[0].Tubes) != 1 || round.Boxes[0].Tubes[0].DueEarliest == "" || round.Boxes[0].Tubes[0].DueUntil == "" {
		t.Fatalf("round: %s", a.body)
	}
	// The next departure after noon UTC is 13:30 in Berlin, 12:30 UTC, and takes half an hour.
	if got := round.Boxes[0].Arrives; !strings.HasPrefix(got, "2026-11-24T13:00:00") {
		t.Errorf("the box arrives %s", got)
	}
	if len(round.Tubes) != 1 || round.Tubes[0].Tube != "TB1" || len(round.Routes[0].Departs) != 4 {
		t.Errorf("loose tubes and departures: %s", a.body)
	}
	for _, word := range []string{"Lind", "P-7011", "potassium", row.Identity.Reference} {
		if bytes.Contains(a.body, []byte(word)) {
			t.Errorf("who carries is told %q", word)
		}
	}
	scan(`{"id":"s5","step":"take","label":{"text":"B-3"},"from":"WARD-N","occurredAt":"2026-11-24T12:00:00Z","place":"WARD-N","by":"oskar"}`)
	d.rest("GET", "/v1/rounds?by=oskar", "").into(t, &round)
	if round.Boxes[0].Holder != "oskar" {
		t.Errorf("the box is held by %q", round.Boxes[0].Holder)
	}
}

// OFF-S3: the house knows what a phone has not sent, and when it was last heard of.
func TestPhonesTellWhatTheyKeep(t *testing.T) {
	d := start(t, memlog.New())
	tell := func(body string) answer { return d.rest("POST", "/v1/phones:tell", body) }
	if a := tell(`{"waiting":"4"}`); a.violations()["device"] == "" {
		t.Errorf("a phone without a name: %d %s", a.code, a.body)
	}
	tell(`{"device":"H-09","waiting":"4","oldest":"2026-11-16T10:00:00Z","app":"b41","by":"mira"}`).into(t, &struct{}{})
	var got struct {
		Phones []struct {
			Device, Waiting, Oldest, SeenAt string
			Lasting                         bool
		}
	}
	d.rest("GET", "/v1/phones", "").into(t, &got)
	if len(got.Phones) != 1 || got.Phones[0].Device != "H-09" || got.Phones[0].Waiting != "4" || got.Phones[0].Oldest != "2026-11-16T10:00:00.000Z" ||
		got.Phones[0].SeenAt != "2026-11-24T12:00:00.000Z" || got.Phones[0].Lasting {
		t.Fatalf("what is known of it: %+v", got.Phones)
	}
	tell(`{"device":"H-09","waiting":"0","app":"b41","by":"mira","lasting":true}`).into(t, &struct{}{})
	got.Phones = nil
	d.rest("GET", "/v1/phones", "").into(t, &got)
	if len(got.Phones) != 1 || got.Phones[0].Waiting != "" || !got.Phones[0].Lasting {
		t.Fatalf("after it has sent them: %+v", got.Phones)
	}
}
