package api_test

import (
	"encoding/json"
	"net/http"
	"os"
	"strings"
	"testing"

	"specimen.example/custody/internal/eventlog/memlog"
)

// Whether a test can still be run on a tube is answered from its history, its limits,
// its volume as far as it was said, and where it is. Volumes are an invented fixture.
func TestWhetherATestCanBeAdded(t *testing.T) {
	d := start(t, memlog.New())
	file, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		t.Fatal(err)
	}
	rules := string(file)
	for _, volume := range [][2]string{
		{"{assay: K, tubes: [LIHEP, LIHEP-GEL, SERUM, SERUM-GEL]}", "{assay: K, tubes: [LIHEP, LIHEP-GEL, SERUM, SERUM-GEL], volume: 0.2 mL}"},
		{"{assay: GLU, tubes: [LIHEP, LIHEP-GEL]}", "{assay: GLU, tubes: [LIHEP, LIHEP-GEL], volume: 900 µL}"},
	} {
		if !strings.Contains(rules, volume[0]) {
			t.Fatalf("the fixture has no line %s", volume[0])
		}
		rules = strings.Replace(rules, volume[0], volume[1], 1)
	}
	adopt, err := json.Marshal(map[string]any{"file": rules, "by": "lena", "inForce": "2026-11-24T06:00:00Z"})
	if err != nil {
		t.Fatal(err)
	}
	ok := func(method, path, body string) {
		t.Helper()
		if a := d.rest(method, path, body); a.code != http.StatusOK {
			t.Fatalf("%s %s: %d %s", method, path, a.code, a.body)
		}
	}
	ok(http.MethodPost, "/v1/rules:adopt", string(adopt))
	ok(http.MethodPut, "/v1/places/WARD-N", `{"kind":"ward","zone":"UTC","assumed":{"low":"20","high":"24"},"basis":"invented","by":"lena"}`)
	scan := func(id, step, label, more string) {
		t.Helper()
		ok(http.MethodPost, "/v1/scans", `{"scans":[{"id":"`+id+`","step":"`+step+`","occurredAt":"2026-11-24T11:50:00Z","label":{"text":"`+label+`"},
			"device":"H-09","place":"WARD-N","by":"mira"`+more+`}]}`)
	}
	scan("s-1", "collect", "TB1", `,"patient":"P-7001","type":"LIHEP-GEL","tests":["K"],"details":{"volume":"1ml"}`)
	scan("s-2", "collect", "TB2", `,"patient":"P-7001","type":"LIHEP-GEL","tests":["K"]`)
	answer := func(tube, test string) string {
		t.Helper()
		var got struct{ Answer string }
		d.rest(http.MethodGet, "/v1/tubes/"+tube+"/tests/"+test, "").into(t, &got)
		return got.Answer
	}
	for _, c := range []struct{ tube, test, want string }{
		{"TB1", "K", "yes, until"},
		{"TB1", "K", "it needs 200 µl, and of the 1000 µl drawn the other tests need 0"},
		{"TB1", "GLU", "too little by what was said: it needs 900 µl, and of the 1000 µl drawn the other tests need 200"},
		{"TB1", "CBC", "no: "},       // another tube type
		{"TB2", "GLU", "yes, until"}, // nobody said how much there is
	} {
		if got := answer(c.tube, c.test); !strings.Contains(got, c.want) {
			t.Errorf("%s on %s: %q does not say %q", c.test, c.tube, got, c.want)
		}
	}
	if got := answer("TB2", "GLU"); strings.Contains(got, "µl") {
		t.Errorf("a volume that nobody said: %q", got)
	}
	scan("s-3", "discard", "TB2", `,"reason":"leak"`)
	if got := answer("TB2", "K"); got != "no: the tube was discarded at 2026-11-24T11:50:00.000Z" {
		t.Error(got)
	}
	scan("s-4", "declare-lost", "TB1", "")
	if got := answer("TB1", "K"); !strings.Contains(got, "declared lost") {
		t.Error(got)
	}
}
