package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/eventlog/memlog"
)

const siteSchemes = `{"by":"lena","schemes":[
	{"id":"TB","issuer":"the laboratory","names":"tube","pattern":"TB26####"},
	{"id":"DT","issuer":"the wards, on paper","names":"tube","pattern":"DT-###","ward":true},
	{"id":"BX","issuer":"the laboratory","names":"carrier","pattern":"B-#{1,3}"}]}`

func (d *daemon) scans(t *testing.T, scans ...string) scanAnswers {
	t.Helper()
	var out scanAnswers
	d.rest(http.MethodPost, "/v1/scans", `{"scans":[`+strings.Join(scans, ",")+`]}`).into(t, &out)
	return out
}

// A set in which one label could be two things is refused with an example, and the
// schemes before it stay in force.
func TestAnAmbiguousSchemeIsRefusedAtSetUp(t *testing.T) {
	d := start(t, memlog.New())
	if a := d.rest(http.MethodPut, "/v1/schemes", siteSchemes); a.code != http.StatusOK {
		t.Fatalf("%d %s", a.code, a.body)
	}
	a := d.rest(http.MethodPut, "/v1/schemes", `{"schemes":[{"id":"A","names":"tube","pattern":"TB26####"},{"id":"B","names":"carrier","pattern":"TB######"}]}`)
	if a.code != http.StatusBadRequest || !strings.Contains(a.violations()["schemes[1].pattern"], "would be a number of A and of B") {
		t.Errorf("%d %s", a.code, a.body)
	}
	a = d.rest(http.MethodPut, "/v1/schemes", `{"schemes":[{"id":"low","names":"shoe","pattern":"#"},{"id":"C","names":"tube","pattern":"C#{"}]}`)
	if got := a.violations(); a.code != http.StatusBadRequest || got["schemes[0].names"] == "" {
		t.Errorf("%d %s", a.code, a.body)
	}
	if a := d.rest(http.MethodPut, "/v1/schemes", `{"dryRun":true,"schemes":[{"id":"Z","names":"tube","pattern":"Z#"}]}`); a.code != http.StatusOK {
		t.Errorf("%d %s", a.code, a.body)
	}
	var got struct {
		Schemes []struct{ ID, Pattern string }
	}
	d.rest(http.MethodGet, "/v1/schemes", "").into(t, &got)
	if len(got.Schemes) != 3 || got.Schemes[0].ID != "TB" || got.Schemes[1].Pattern != "DT-###" {
		t.Errorf("%+v", got)
	}
}

// A tube keeps its number when the site declares schemes later, and again when they
// change: the key under which it was begun is found.
func TestATubeIsFoundWhateverSchemesCome(t *testing.T) {
	d := start(t, memlog.New())
	see := func(id, at, label string) string {
		return `{"id":"` + id + `","step":"see","occurredAt":"2026-11-24T` + at + `:00Z","label":{"text":"` + label + `"}}`
	}
	d.scans(t, see("a", "11:00", "TB260001"), see("b", "11:00", "OLD-7"))
	d.rest(http.MethodPut, "/v1/schemes", siteSchemes)
	for _, a := range d.scans(t, see("c", "12:00", "tb260001"), see("d", "12:00", "OLD-7"), see("e", "12:00", "TB260002")).Answers {
		if a.Answer != "recorded" {
			t.Errorf("%+v", a)
		}
	}
	if a := d.scans(t, see("f", "12:00", "NEW-8")).Answers[0]; a.Refusal != "unknown-label" {
		t.Errorf("%+v", a)
	}
	d.rest(http.MethodPut, "/v1/schemes", `{"schemes":[{"id":"T2","names":"tube","pattern":"TB#{6}"}]}`)
	for _, number := range []string{"TB260001", "OLD-7", "TB260002"} {
		var tube struct{ Timeline []struct{ ScanID string } }
		if a := d.rest(http.MethodGet, "/v1/tubes/"+number, ""); a.code != http.StatusOK {
			t.Errorf("%s: %d %s", number, a.code, a.body)
		} else if a.into(t, &tube); number != "TB260002" && len(tube.Timeline) != 2 {
			t.Errorf("%s: %+v", number, tube)
		}
	}
}

// Routes have no labels: no scheme says what their names look like.
func TestARouteIsFoundByItsName(t *testing.T) {
	d := start(t, memlog.New())
	d.rest(http.MethodPut, "/v1/schemes", siteSchemes)
	d.rest(http.MethodPut, "/v1/routes/FERRY", `{"from":"ISLE","to":"LAB","departs":["07:30"],"takesMinutes":"45","zone":"Europe/Berlin"}`)
	if a := d.rest(http.MethodGet, "/v1/routes/ferry", ""); a.code != http.StatusOK {
		t.Errorf("%d %s", a.code, a.body)
	}
}

// DWN-S2 over the API: a scan of a number that two wards gave out asks which, and
// says which are known.
func TestANumberOfTwoWardsIsAskedAbout(t *testing.T) {
	d := start(t, memlog.New())
	d.rest(http.MethodPut, "/v1/schemes", siteSchemes)
	for _, ward := range []string{"WARD-N", "WARD-S"} {
		d.rest(http.MethodPut, "/v1/places/"+ward, `{"kind":"ward"}`)
	}
	collect := func(id, place string) string {
		return `{"id":"` + id + `","step":"collect","occurredAt":"2026-11-24T11:00:00Z","label":{"text":"DT-001"},"type":"EDTA","place":"` + place + `","by":"mira"}`
	}
	got := d.scans(t, collect("n", "WARD-N"), collect("s", "WARD-S"))
	if got.Answers[0].Key != "WARD-N/DT-001" || got.Answers[1].Key != "WARD-S/DT-001" {
		t.Errorf("%+v", got)
	}
	receive := `{"id":"r","step":"receive","occurredAt":"2026-11-24T11:30:00Z","label":{"text":"DT-001"},"place":"LAB","by":"lena"`
	a := d.scans(t, receive+`}`).Answers[0]
	if a.Refusal != "second-identifier-wanted" || !strings.Contains(a.Say, "WARD-N (WARD-N/DT-001), WARD-S (WARD-S/DT-001)") {
		t.Errorf("%+v", a)
	}
	if a := d.scans(t, receive+`,"ward":"ward-n"}`).Answers[0]; a.Answer != "recorded" || a.Key != "WARD-N/DT-001" {
		t.Errorf("%+v", a)
	}
	if a := d.rest(http.MethodGet, "/v1/tubes/WARD-N%2FDT-001", ""); a.code != http.StatusOK {
		t.Errorf("%d %s", a.code, a.body)
	}
	if a := d.rest(http.MethodGet, "/v1/tubes/DT-001", ""); a.code != http.StatusBadRequest || !strings.Contains(a.violations()["id"], "which ward") {
		t.Errorf("%d %s", a.code, a.body)
	}
}

// What a reader sent is read by the rules of its standard, and how is kept.
func TestALabelIsReadByItsStandard(t *testing.T) {
	d := start(t, memlog.New())
	d.rest(http.MethodPut, "/v1/schemes", `{"schemes":[{"id":"TB","names":"tube","pattern":"TB26####","in":["plain","91"]},{"id":"PA","names":"patient","pattern":"P-####"}]}`)
	read := func(body string) (out struct {
		Reading struct {
			Names, Number, Key, Word, Method, SymbologyName string
			Known                                           bool
		}
		Refusal struct {
			Refusal, Say, Remedy string
			Product              struct{ Lot, Expiry string }
		}
	}) {
		d.rest(http.MethodPost, "/v1/labels:read", body).into(t, &out)
		return out
	}
	// XWQyOTFUQjI2MDExOA== is ]d291TB260118.
	if got := read(`{"label":{"raw":"XWQyOTFUQjI2MDExOA==","how":"camera"}}`).Reading; got.Key != "TB260118" || got.Word != "GS1" || got.Method != "camera.d2.gs1" || got.SymbologyName != "Data Matrix" || got.Known {
		t.Errorf("%+v", got)
	}
	if got := read(`{"label":{"text":"P-7001"}}`).Reading; got.Names != "patient" || got.Number != "" || got.Key != "" {
		t.Errorf("a wristband's number is not repeated: %+v", got)
	}
	got := read(`{"label":{"text":"(01)09521234000174(17)270131(10)K7Q2"}}`).Refusal
	if got.Refusal != "product-code" || got.Product.Lot != "K7Q2" || got.Product.Expiry != "2027-01-31" {
		t.Errorf("%+v", got)
	}
	a := d.scans(t, `{"id":"x","step":"collect","occurredAt":"2026-11-24T11:00:00Z","label":{"raw":"XWQyOTFUQjI2MDExOA==","how":"camera"},"type":"EDTA","by":"mira","place":"WARD-N"}`).Answers[0]
	if a.Answer != "recorded" || a.Key != "TB260118" {
		t.Errorf("%+v", a)
	}
	var tube struct{ Timeline []struct{ How string } }
	d.rest(http.MethodGet, "/v1/tubes/TB260118", "").into(t, &tube)
	if !slices.ContainsFunc(tube.Timeline, func(s struct{ How string }) bool { return s.How == "camera.d2.gs1" }) {
		t.Errorf("%+v", tube)
	}
}
