package api_test

import (
	"fmt"
	"net/http"
	"slices"
	"testing"

	"specimen.example/custody/internal/eventlog/memlog"
)

// The loop of a new sample through the API, as the desk and the phone of a ward go it:
// asked for by draw, in the ward's list under a number of its own, drawn, and done. Nobody
// but the ward is told whose it is.
func TestANewSampleGoesRound(t *testing.T) {
	d := start(t, memlog.New())
	n := 0
	scan := func(body string) {
		t.Helper()
		n++
		var got struct {
			Answers []struct{ Answer, Say string }
		}
		d.rest("POST", "/v1/scans", fmt.Sprintf(`{"scans":[{"id":"s%d","occurredAt":"2026-11-24T11:%02d:00Z","mode":"reported",%s}]}`, n, n, body)).into(t, &got)
		if got.Answers[0].Answer != "recorded" {
			t.Fatalf("%s: %+v", body, got.Answers)
		}
	}
	for _, step := range [][3]string{
		{"POST", "/v1/rules:adopt", `{"by":"lena"}`},
		{"PUT", "/v1/places/WARD-N", `{"kind":"ward","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"by":"lena"}`},
		{"PUT", "/v1/places/LAB", `{"kind":"reception","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"by":"lena"}`},
		{"POST", "/v1/patients:write", `{"patient":"P-7011","family":"Lind","given":"Anna","birthDate":"1951-03-02","place":"WARD-N","bed":"4","by":"mira"}`},
		{"POST", "/v1/requests", `{"id":"R-1","patient":"P-7011","tests":["K"],"tubes":[{"tube":"TB2","type":"LIHEP-GEL","tests":["K"]}],"by":"mira"}`},
	} {
		if a := d.rest(step[0], step[1], step[2]); a.code != http.StatusOK {
			t.Fatalf("%s: %d %s", step[1], a.code, a.body)
		}
	}
	type work struct {
		Rows []struct {
			Identity struct{ Reference string }
			Plan     []struct {
				Tube, Again string
				Collected   bool
			}
		}
		Samples []struct {
			Draw, Row, State, DrawnUl string
			Tubes                     []string
			Needed                    bool
		}
	}
	list := func() (w work) {
		t.Helper()
		d.rest("POST", "/v1/work:get", `{"place":"WARD-N","by":"mira"}`).into(t, &w)
		return w
	}
	scan(`"step":"wristband","draw":"D-1","patient":"P-7011","place":"WARD-N","by":"mira"`)
	scan(`"step":"collect","label":{"text":"TB2"},"draw":"D-1","request":"R-1","place":"WARD-N","by":"mira","details":{"volume":"4500ul"}`)
	if w := list(); len(w.Rows) != 0 || len(w.Samples) != 0 {
		t.Fatalf("all is drawn: %+v", w)
	}
	scan(`"step":"receive","label":{"text":"TB2"},"place":"LAB","by":"lena"`)
	scan(`"step":"reject","label":{"text":"TB2"},"reason":"RB","place":"LAB","by":"lena"`)
	scan(`"step":"ask-sample","draw":"D-1","reason":"rejected","place":"LAB","by":"lena"`)

	w := list()
	if len(w.Samples) != 1 || w.Samples[0].Draw != "D-1" || w.Samples[0].State != "asked" || !slices.Equal(w.Samples[0].Tubes, []string{"TB2"}) || !w.Samples[0].Needed || w.Samples[0].DrawnUl != "4500" {
		t.Fatalf("the ward is told: %+v", w.Samples)
	}
	if len(w.Rows) != 1 || w.Samples[0].Row != w.Rows[0].Identity.Reference || len(w.Rows[0].Plan) != 1 || w.Rows[0].Plan[0].Again != "TB2" || w.Rows[0].Plan[0].Tube != "" || w.Rows[0].Plan[0].Collected {
		t.Fatalf("the plan: %+v", w.Rows)
	}
	var open struct{ Samples []struct{ Row, Draw string } }
	d.rest(http.MethodGet, "/v1/samples?place=WARD-N&state=asked", "").into(t, &open)
	if len(open.Samples) != 1 || open.Samples[0].Row != "" {
		t.Errorf("whoever looks is told whose it is: %+v", open)
	}
	scan(`"step":"wristband","draw":"D-2","patient":"P-7011","place":"WARD-N","by":"mira"`)
	scan(`"step":"collect","label":{"text":"TB9"},"type":"LIHEP-GEL","tests":["K"],"draw":"D-2","request":"R-1","place":"WARD-N","by":"mira"`)
	scan(`"step":"sample-done","draw":"D-1","details":{"new-draw":"L-D-2"},"place":"WARD-N","by":"mira"`)
	if w := list(); len(w.Rows) != 0 || len(w.Samples) != 0 {
		t.Errorf("it was drawn again: %+v", w)
	}
	var done struct {
		Samples []struct{ Draw, NewDraw, State string }
	}
	d.rest(http.MethodGet, "/v1/samples?state=done", "").into(t, &done)
	if len(done.Samples) != 1 || done.Samples[0].NewDraw != "D-2" {
		t.Errorf("done: %+v", done)
	}
}
