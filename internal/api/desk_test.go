package api_test

import (
	"net/http"
	"slices"
	"testing"

	"specimen.example/custody/internal/eventlog/memlog"
)

// The desk's calls by REST: what is declared is said again, a programme is checked by its
// fields, and the next run says what to set, with the turns by RCF = 1.118e-5 r n².
func TestTheDeskIsTold(t *testing.T) {
	r := start(t, memlog.New())
	for path, body := range map[string]string{
		"/v1/places/BENCH":  `{"kind":"bench","zone":"UTC","assumed":{"low":"20","high":"24"},"by":"lena"}`,
		"/v1/places/SPIN-1": `{"kind":"centrifuge","rotor":{"slots":"24","radiusMm":"170","mostPerMinute":"4000","at":"BENCH"},"by":"lena"}`,
		"/v1/programmes":    `{"programmes":[{"name":"gel","tubes":["LIHEP-GEL"],"g":"2000","withinG":"100","minutes":"10","handlingMinutes":"3"}],"by":"lena"}`,
	} {
		if got := r.rest(http.MethodPut, path, body); got.code != http.StatusOK {
			t.Fatalf("%s: %d %s", path, got.code, got.body)
		}
	}
	for body, field := range map[string]string{
		`{"programmes":[{"name":"a","tubes":["LIHEP-GEL"],"g":"2000","minutes":"10"},{"name":"b","tubes":["LIHEP-GEL"],"g":"2000","minutes":"10"}]}`: "programmes[1].tubes[0]",
		`{"programmes":[{"name":"a","tubes":["NO-SUCH"],"g":"2000","minutes":"10"}]}`:                                                                "programmes[0].tubes[0]",
		`{"programmes":[{"name":"a","tubes":["LIHEP-GEL"],"g":"200","withinG":"200","minutes":"10"}]}`:                                               "programmes[0].withinG",
	} {
		if got := r.rest(http.MethodPut, "/v1/programmes", body); got.code != http.StatusBadRequest || got.violations()[field] == "" {
			t.Errorf("%s: %d, the answer names %q, want %s", body, got.code, got.violations(), field)
		}
	}
	if got := r.rest(http.MethodPut, "/v1/places/WARD-9", `{"kind":"ward","rotor":{"slots":"1","radiusMm":"100","mostPerMinute":"100"}}`); got.code != http.StatusBadRequest || got.violations()["rotor"] == "" {
		t.Errorf("a ward with a rotor: %d %q", got.code, got.violations())
	}
	scan := `{"scans":[{"id":"d-1","step":"collect","label":{"text":"TB1"},"occurredAt":"2026-11-24T11:50:00Z","place":"BENCH","by":"mira","device":"H-1","mode":"reported","type":"LIHEP-GEL","tests":["K"]}]}`
	if got := r.rest(http.MethodPost, "/v1/scans", scan); got.code != http.StatusOK {
		t.Fatalf("%d %s", got.code, got.body)
	}
	var spins struct {
		Tubes []struct{ Tube, Answer, Programme string }
		Next  []struct {
			Centrifuge, PerMinute string
			Tubes                 []string
			Programme             struct{ Name, G, Minutes, HandlingMinutes string }
		}
	}
	r.rest(http.MethodGet, "/v1/spins?place=bench", "").into(t, &spins)
	if len(spins.Tubes) != 1 || spins.Tubes[0].Programme != "gel" || len(spins.Next) != 1 || spins.Next[0].PerMinute != "3244" ||
		!slices.Equal(spins.Next[0].Tubes, []string{"TB1"}) || spins.Next[0].Programme.Minutes != "10" || spins.Next[0].Programme.HandlingMinutes != "3" {
		t.Errorf("%+v", spins)
	}
	if got := r.rest(http.MethodGet, "/v1/spins?place=NOWHERE", ""); got.code != http.StatusNotFound {
		t.Errorf("a place that nobody declared: %d", got.code)
	}
	var samples struct{ Samples []any }
	r.rest(http.MethodGet, "/v1/samples?place=BENCH", "").into(t, &samples)
	if len(samples.Samples) != 0 {
		t.Errorf("%+v", samples)
	}
}
