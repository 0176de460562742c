package api_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

func oneScan(id, step, tube, more string) string {
	return fmt.Sprintf(`{"id":%q,"step":%q,"occurredAt":"2026-11-24T11:00:00Z","label":{"text":%q}%s}`, id, step, tube, more)
}

func batch(scans ...string) string { return `{"scans":[` + strings.Join(scans, ",") + `]}` }

type scanAnswers struct {
	Answers []struct{ ID, Answer, Refusal, Say, Sequence, State, Key string }
}

// far is the first whole number that a binary float can't hold: 2^53 + 1 (IEEE 754
// binary64), the number of API-S1.
const far = 9007199254740993

// API-S1: a 64-bit number is text in JSON and comes through whole, in REST and
// gRPC alike.
func TestA64BitNumberComesThroughWhole(t *testing.T) {
	log := memlog.New()
	var stored atomic.Int64
	log.OnAppend = func(d *event.Decision) (bool, error) {
		if d.Kind == event.KindTube {
			stored.Store(d.DeviceSeq)
		}
		return true, nil
	}
	d := start(t, log)
	for _, form := range []string{`"9007199254740993"`, `9007199254740993`} {
		stored.Store(0)
		var got scanAnswers
		id := "s-" + fmt.Sprint(len(form))
		d.rest(http.MethodPost, "/v1/scans", batch(oneScan(id, "see", "T-"+id, `,"deviceSeq":`+form))).into(t, &got)
		if stored.Load() != far {
			t.Errorf("deviceSeq %s was stored as %d", form, stored.Load())
		}
		if got.Answers[0].Sequence == "" {
			t.Errorf("the sequence is no text")
		}
	}
	// No field of the API that large comes back but in words: the range says it.
	a := d.rest(http.MethodPost, "/v1/flags/T1:take", fmt.Sprintf(`{"by":"lena","episode":"%d"}`, far))
	if say := a.violations()["episode"]; a.code != http.StatusBadRequest || !strings.Contains(say, "9007199254740993") {
		t.Errorf("%d %s", a.code, a.body)
	}
	_, err := custodyv1.NewScansClient(d.conn).RecordScans(t.Context(), &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{
		{Id: "s-g", Step: "see", OccurredAt: "2026-11-24T11:30:00Z", Label: &custodyv1.Label{Text: "T-G"}, DeviceSeq: far},
	}})
	if err != nil || stored.Load() != far {
		t.Errorf("gRPC: %v, stored %d", err, stored.Load())
	}
}

// The same answer over both ways: the sequence of REST is the text of gRPC's number.
func TestTheSequenceIsTheSameOverBothWays(t *testing.T) {
	d := start(t, memlog.New())
	d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-1", "collect", "T1", `,"by":"mira"`))).into(t, &scanAnswers{})
	tube, err := custodyv1.NewTubesClient(d.conn).GetTube(t.Context(), &custodyv1.GetTubeRequest{Id: "T1"})
	if err != nil {
		t.Fatal(err)
	}
	var raw map[string]any
	d.rest(http.MethodGet, "/v1/tubes/T1", "").into(t, &raw)
	if got, want := raw["sequence"], any(fmt.Sprint(tube.GetSequence())); got != want {
		t.Errorf("REST says sequence %#v, gRPC %d", got, tube.GetSequence())
	}
}

// The description says of every 64-bit field that it is text.
func TestTheDescriptionSaysThat64BitNumbersAreText(t *testing.T) {
	var doc struct {
		Definitions map[string]struct {
			Properties map[string]struct{ Type, Format string }
		}
	}
	if err := json.Unmarshal(api.OpenAPI, &doc); err != nil {
		t.Fatal(err)
	}
	seen := 0
	for name, def := range doc.Definitions {
		for field, p := range def.Properties {
			if strings.Contains(p.Format, "int64") {
				seen++
				if p.Type != "string" {
					t.Errorf("%s.%s is %s in the description", name, field, p.Type)
				}
			}
		}
	}
	if seen < 20 {
		t.Errorf("only %d fields of 64 bits were found", seen)
	}
}

// API-S3: a misspelt field and an unknown code of the catalogue store nothing.
func TestAMisspeltFieldAndAnUnknownTubeTypeStoreNothing(t *testing.T) {
	d := start(t, memlog.New())
	for more, field := range map[string]string{
		`,"tubeTyp":"EDTA"`:                   "scans[0].tubeTyp",
		`,"type":"EDTA_K9"`:                   "scans[0].type",
		`,"tests":["K","NO-SUCH"]`:            "scans[0].tests[1]",
		`,"details":{"no-such-detail":"x"}`:   "scans[0].details.no-such-detail",
		`,"type":"EDTA","type":"CITRATE"`:     "scans[0].type",
		`,"clock":{"offsetMs":"1","ofset":1}`: "scans[0].clock.ofset",
	} {
		a := d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-1", "collect", "T1", more)))
		if a.code != http.StatusBadRequest || a.violations()[field] == "" {
			t.Errorf("%s: %d %s", more, a.code, a.body)
		}
	}
	if end, err := d.log.End(t.Context()); err != nil || end.Custody != 0 {
		t.Errorf("%d messages were stored, %v", end.Custody, err)
	}
}

// API-S4: of the four shapes people send only the one with T and zone is taken,
// and it is 09:00Z.
func TestOfFourShapesOfATimeOneIsTaken(t *testing.T) {
	d := start(t, memlog.New())
	for i, shape := range []string{`"2026-11-24T10:00:00"`, `"2026-11-24 10:00:00Z"`, `"1761355800"`} {
		a := d.rest(http.MethodPost, "/v1/scans", fmt.Sprintf(`{"scans":[{"id":"s-%d","step":"see","occurredAt":%s,"label":{"text":"T1"}}]}`, i, shape))
		if say := a.violations()["scans[0].occurredAt"]; a.code != http.StatusBadRequest || !strings.Contains(say, addTheZone) {
			t.Errorf("%s: %d %s", shape, a.code, a.body)
		}
	}
	a := d.rest(http.MethodPost, "/v1/scans", `{"scans":[{"id":"s-9","step":"see","occurredAt":1761355800,"label":{"text":"T1"}}]}`)
	if a.code != http.StatusBadRequest || a.violations()["scans[0].occurredAt"] == "" {
		t.Errorf("a bare number: %d %s", a.code, a.body)
	}
	d.rest(http.MethodPost, "/v1/scans", `{"scans":[{"id":"s-4","step":"see","occurredAt":"2026-11-24T10:00:00+01:00","label":{"text":"T1"}}]}`).into(t, &scanAnswers{})
	var tube struct{ Timeline []struct{ OccurredAt string } }
	d.rest(http.MethodGet, "/v1/tubes/T1", "").into(t, &tube)
	if len(tube.Timeline) != 1 || tube.Timeline[0].OccurredAt != "2026-11-24T09:00:00.000Z" {
		t.Errorf("the timeline is %+v", tube.Timeline)
	}
}

// A refused item is an answer, not an error of the call.
func TestARefusedItemIsAnAnswer(t *testing.T) {
	d := start(t, memlog.New())
	var got scanAnswers
	d.rest(http.MethodPost, "/v1/scans", batch(
		oneScan("s-1", "discard", "T1", `,"by":"lena"`), oneScan("s-2", "receive", "T1", `,"by":"lena"`),
	)).into(t, &got)
	if len(got.Answers) != 2 || got.Answers[0].Answer != "recorded" || got.Answers[1].Answer != "refused" || got.Answers[1].Refusal != "disposed" {
		t.Errorf("%+v", got)
	}
	if got.Answers[1].Say == "" {
		t.Error("the refusal is not said")
	}
	d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-3", "receive", "T1", `,"by":"lena"`))).into(t, &got)
	if len(got.Answers) != 1 || got.Answers[0].Answer != "refused" {
		t.Errorf("a batch of refusals only: %+v", got)
	}
}

// Nothing saved is 503, so that a phone keeps its queue; something saved is 200.
func TestNothingSavedIs503(t *testing.T) {
	log := memlog.New()
	broken := map[event.Key]error{"L-T1": eventlog.ErrFull, "L-T2": errors.New("the disk is gone"), "L-T4": eventlog.ErrUncertain}
	var full atomic.Bool
	log.OnAppend = func(d *event.Decision) (bool, error) {
		if full.Load() {
			return false, eventlog.ErrFull
		}
		err := broken[d.Key]
		return err == nil || errors.Is(err, eventlog.ErrUncertain), err
	}
	d := start(t, log)
	a := d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-1", "see", "T1", ""), oneScan("s-2", "see", "T2", "")))
	if a.code != http.StatusServiceUnavailable || a.header.Get("Retry-After") == "" {
		t.Errorf("nothing saved: %d %s", a.code, a.body)
	}
	if !strings.Contains(string(a.body), "the store is full") {
		t.Errorf("a full store is not named: %s", a.body)
	}
	_, err := custodyv1.NewScansClient(d.conn).RecordScans(t.Context(), &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{
		{Id: "s-1", Step: "see", OccurredAt: "2026-11-24T11:00:00Z", Label: &custodyv1.Label{Text: "T1"}},
	}})
	if status.Code(err) != codes.Unavailable {
		t.Errorf("gRPC: %v", err)
	}
	var got scanAnswers
	d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-3", "see", "T1", ""), oneScan("s-4", "see", "T3", ""))).into(t, &got)
	if len(got.Answers) != 2 || got.Answers[0].Answer != "not-saved" || got.Answers[1].Answer != "recorded" {
		t.Errorf("one saved: %+v", got)
	}
	// The answer of the log is lost though it stored the scan: sent again with the
	// same id it is recorded, once.
	if a := d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-5", "see", "T4", ""))); a.code != http.StatusServiceUnavailable {
		t.Errorf("an answer that was lost: %d %s", a.code, a.body)
	}
	d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-5", "see", "T4", ""))).into(t, &got)
	var tube struct{ Facts map[string]string }
	d.rest(http.MethodGet, "/v1/tubes/T4", "").into(t, &tube)
	if got.Answers[0].Answer != "recorded" || tube.Facts["Seen"] != "1" {
		t.Errorf("sent again: %+v, facts %v", got, tube.Facts)
	}
	full.Store(true)
	for path, body := range map[string]string{
		"/v1/draws/D-1:askSample": `{"by":"lena","tubes":["T1"]}`,
		"/v1/places/LAB":          `{"kind":"reception"}`,
	} {
		verb := http.MethodPost
		if strings.HasPrefix(path, "/v1/places") {
			verb = http.MethodPut
		}
		if a := d.rest(verb, path, body); a.code != http.StatusServiceUnavailable {
			t.Errorf("%s: %d %s", path, a.code, a.body)
		}
	}
}

func TestABodyThatIsNoJSONIs400(t *testing.T) {
	d := start(t, memlog.New())
	for _, body := range []string{`{`, `[]`, `nonsense`, `{"scans":{}}`, `{"scans":[5]}`, `{"scans":[]}`, `{}`} {
		a := d.rest(http.MethodPost, "/v1/scans", body)
		if a.code != http.StatusBadRequest || len(a.violations()) == 0 {
			t.Errorf("%s: %d %s", body, a.code, a.body)
		}
	}
}

// A label may hold what an address may not: its escapes are undone, whatever the
// character.
func TestALabelOfAnyCharacterIsFoundByItsAddress(t *testing.T) {
	d := start(t, memlog.New())
	for i, label := range []string{"A=99 12", "A+B", "A/B", "A%2FB", "A:TAKE", "TÜB-1", "A?B&C"} {
		text, err := json.Marshal(label)
		if err != nil {
			t.Fatal(err)
		}
		d.rest(http.MethodPost, "/v1/scans", fmt.Sprintf(`{"scans":[{"id":"s-%d","step":"see","occurredAt":"2026-11-24T11:00:00Z","label":{"text":%s}}]}`, i, text)).into(t, &scanAnswers{})
		var tube struct{ ID string }
		a := d.rest(http.MethodGet, "/v1/tubes/"+url.PathEscape(label), "")
		if a.code != http.StatusOK {
			t.Errorf("%q: %d %s", label, a.code, a.body)
			continue
		}
		if a.into(t, &tube); tube.ID != label {
			t.Errorf("asked for %q, got %q", label, tube.ID)
		}
	}
}

// What is put is what is got, and what can't be put is not given back as if it were.
func TestTheDirectoryGivesBackWhatWasPut(t *testing.T) {
	d := start(t, memlog.New())
	for path, body := range map[string]string{
		"/v1/places/LAB":   `{"id":"LAB","kind":"reception","zone":"Europe/Berlin","assumed":{"low":"-20.50","high":"24.00"},"basis":"measured in May","owner":"lena","benchSpinMinutes":"20"}`,
		"/v1/carriers/B-1": `{"id":"B-1","kind":"box","ownClimate":true,"assumed":{"low":"2.00","high":"8.00"},"owner":"oskar"}`,
		"/v1/people/LENA":  `{"id":"LENA","role":"reception","active":true}`,
		"/v1/devices/H-01": `{"id":"H-01","kind":"desk","active":true}`,
		"/v1/routes/FERRY": `{"id":"FERRY","from":"ISLE","to":"LAB","departs":["07:30","15:00"],"takesMinutes":"45","zone":"Europe/Berlin"}`,
		"/v1/loggers/LG-1": `{"id":"LG-1","everySeconds":"300","holdSeconds":"0","maxGapSeconds":"900","uncertainty":"0.30","in":"B-1"}`,
	} {
		var put, got, want map[string]any
		if err := json.Unmarshal([]byte(body), &want); err != nil {
			t.Fatal(err)
		}
		d.rest(http.MethodPut, path, body).into(t, &put)
		d.rest(http.MethodGet, path, "").into(t, &got)
		if a, b := compact(t, got), compact(t, want); a != b {
			t.Errorf("%s gives %s, put %s", path, a, b)
		}
	}
	var got map[string]any
	d.rest(http.MethodPut, "/v1/devices/H-01", `{"kind":"desk","offsetMs":"5000","doubts":[{"doubt":"clock-wrong","open":true}]}`).into(t, &got)
	if got["offsetMs"] != nil || got["doubts"] != nil {
		t.Errorf("read-only fields come back: %v", got)
	}
	if a := d.rest(http.MethodPut, "/v1/places/LAB", `{"assumed":{"low":"24","high":"20"}}`); a.violations()["assumed"] == "" {
		t.Errorf("a range upside down: %d %s", a.code, a.body)
	}
	for _, path := range []string{"places/X", "carriers/X", "people/X", "devices/X", "routes/X", "loggers/X", "tubes/X", "draws/X", "requests/X", "carriers/X/contents"} {
		if a := d.rest(http.MethodGet, "/v1/"+path, ""); a.code != http.StatusNotFound {
			t.Errorf("%s: %d %s", path, a.code, a.body)
		}
	}
}

func compact(t *testing.T, v any) string {
	t.Helper()
	data, err := json.Marshal(v) // maps come out sorted
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// The clock of a rehearsal moves by its call and never back.
func TestASteeredClockNeverGoesBack(t *testing.T) {
	d := start(t, memlog.New())
	d.rest(http.MethodPut, "/v1/clock", `{"now":"2026-11-24T13:00:00+01:00"}`).into(t, &struct{}{})
	if a := d.rest(http.MethodPut, "/v1/clock", `{"now":"2026-11-24T11:59:59Z"}`); a.code != http.StatusBadRequest || a.violations()["now"] == "" {
		t.Errorf("%d %s", a.code, a.body)
	}
}

// An answer to a flag that is not up names the tube, the field of that form.
func TestAnAnswerToNoFlagNamesTheTube(t *testing.T) {
	d := start(t, memlog.New())
	d.rest(http.MethodPost, "/v1/scans", batch(oneScan("s-1", "see", "T1", ""))).into(t, &scanAnswers{})
	a := d.rest(http.MethodPost, "/v1/flags/T1:take", `{"by":"lena"}`)
	if names := a.violations(); a.code != http.StatusBadRequest || names["tube"] == "" {
		t.Errorf("%d %s", a.code, a.body)
	}
	a = d.rest(http.MethodPost, "/v1/draws/D-1:sampleDone", `{"by":"lena","newDraw":"D-1"}`)
	if a.code == http.StatusBadRequest && !slices.Contains([]string{"newDraw", "id"}, one(a.violations())) {
		t.Errorf("%d %s", a.code, a.body)
	}
}

func one(m map[string]string) string {
	for k := range m {
		return k
	}
	return ""
}
