package app

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/identity"
)

// shown is an identity as the API shows it.
type shown struct {
	Reference, Number, NumberEnds, Name, BirthDate, Place, Bed string
	SameName, Erased                                           bool
	Requests                                                   []string
	Marked                                                     []struct {
		Field string
		Parts []struct {
			Text    string
			Differs bool
		}
	}
}

// marks gives a field with its differing characters in brackets.
func (s *shown) marks(field string) string {
	var out strings.Builder
	for _, m := range s.Marked {
		if m.Field != field {
			continue
		}
		for _, p := range m.Parts {
			if p.Differs {
				out.WriteString("[" + p.Text + "]")
			} else {
				out.WriteString(p.Text)
			}
		}
	}
	return out.String()
}

type answered struct {
	Answers []struct {
		Answer, Refusal, Say string
		Identities           []shown
	}
}

// scanned sends one scan and gives its answer.
func (b *browser) scanned(scan string) answered {
	b.t.Helper()
	var out answered
	b.must(http.MethodPost, "/v1/scans", `{"scans":[`+scan+`]}`, &out)
	if len(out.Answers) != 1 {
		b.t.Fatalf("%+v", out)
	}
	return out
}

// ward is a ward with a collector and the tubes of cases IDN-S3 and IDN-S4 of the
// project's cases, with their very data.
func ward(t *testing.T, log *memlog.Log) (a *asked, collector, quality *browser) {
	t.Helper()
	a = startAsked(t, log, steered())
	engineer := a.settled()
	engineer.must(http.MethodPut, "/v1/places/WARD-N", `{"kind":"ward","zone":"Europe/Berlin"}`, nil)
	engineer.person("lena", "collector")
	engineer.person("oskar", "quality")
	collector, quality = a.browser(), a.browser()
	collector.signIn("lena")
	quality.signIn("oskar")
	write := func(number, family, given, birth, bed string) {
		collector.must(http.MethodPost, "/v1/patients:write", fmt.Sprintf(`{"patient":%q,"family":%q,"given":%q,"birthDate":%q,"place":"ward-n","bed":%q}`, number, family, given, birth, bed), nil)
	}
	write("P-7101", "Okafor", "Boy-1 of Ifeoma", "2026-11-20", "2a")
	write("P-7102", "Okafor", "Boy-2 of Ifeoma", "2026-11-20", "2b")
	write("P-7011", "Lind", "Anna", "1951-03-02", "4")
	write("P-7012", "Lind", "Anna", "1978-10-19", "11")
	for i, number := range []string{"P-7101", "P-7102", "P-7011", "P-7012"} {
		collector.must(http.MethodPost, "/v1/requests", fmt.Sprintf(`{"id":"RQ-%d","patient":%q,"tests":["K"],"tubes":[{"tube":"TB26014%d","type":"LIHEP-GEL"}]}`, i+1, number, i), nil)
	}
	return a, collector, quality
}

// IDN-S3: newborn twins. Adelman 2019 (https://pmc.ncbi.nlm.nih.gov/articles/PMC6714004)
// is the case's source.
func TestTwinsAreSetSideBySide(t *testing.T) {
	_, collector, quality := ward(t, memlog.New())
	collector.scanned(`{"id":"w1","step":"wristband","occurredAt":"2026-11-24T11:50:00Z","device":"PH-1","patient":"P-7101"}`)
	got := collector.scanned(`{"id":"c1","step":"collect","occurredAt":"2026-11-24T11:51:00Z","device":"PH-1","label":{"text":"TB260141"},"type":"LIHEP-GEL"}`).Answers[0]
	if got.Answer != "refused" || got.Refusal != "identity-mismatch" || len(got.Identities) != 2 {
		t.Fatalf("%+v", got)
	}
	band, label := got.Identities[0], got.Identities[1]
	for field, want := range map[string][2]string{
		"number": {"P-710[1]", "P-710[2]"}, "given": {"Boy-[1] of Ifeoma", "Boy-[2] of Ifeoma"}, "family": {"Okafor", "Okafor"},
		"birthDate": {"2026-11-20", "2026-11-20"}, "bed": {"2[a]", "2[b]"},
	} {
		if a, b := band.marks(field), label.marks(field); a != want[0] || b != want[1] {
			t.Errorf("%s: %q beside %q, want %q beside %q", field, a, b, want[0], want[1])
		}
	}
	var views struct {
		Views []struct{ By, Why, About string }
	}
	quality.must(http.MethodPost, "/v1/views:list", `{"patient":"P-7102"}`, &views)
	last := views.Views[len(views.Views)-1]
	if last.By != "LENA" || last.Why != "mismatch" || last.About != "tube L-TB260141" {
		t.Errorf("that they were shown is not recorded: %+v", views.Views)
	}
	// The right twin's label goes through; a name and a birth date alone match nothing.
	if got := collector.scanned(`{"id":"c2","step":"collect","occurredAt":"2026-11-24T11:52:00Z","device":"PH-1","label":{"text":"TB260140"},"type":"LIHEP-GEL"}`).Answers[0]; got.Answer != "recorded" || len(got.Identities) != 0 {
		t.Errorf("%+v", got)
	}
	var n struct{ Count string }
	collector.must(http.MethodGet, "/v1/facts?fact=IdentityMismatch", "", &n)
	if n.Count != "1" {
		t.Errorf("%s near misses were counted", n.Count)
	}
}

// IDN-S4: the same name on one ward. The case's source is
// https://psnet.ahrq.gov/webmm/case/142/.
func TestTheSameNameOnAWard(t *testing.T) {
	_, collector, quality := ward(t, memlog.New())
	var list struct{ Rows []shown }
	collector.must(http.MethodPost, "/v1/patients:list", `{"place":"WARD-N"}`, &list)
	if len(list.Rows) != 4 {
		t.Fatalf("%+v", list.Rows)
	}
	byBed := map[string]shown{}
	for _, r := range list.Rows {
		byBed[r.Bed] = r
		if r.Number != "" {
			t.Errorf("a list shows the whole number %s", r.Number)
		}
		if len(r.Requests) != 1 {
			t.Errorf("%s waits for %v", r.Name, r.Requests)
		}
	}
	for bed, want := range map[string]shown{
		"4":  {Name: "Lind, Anna", BirthDate: "1951-03-02", NumberEnds: "7011", SameName: true},
		"11": {Name: "Lind, Anna", BirthDate: "1978-10-19", NumberEnds: "7012", SameName: true},
		"2a": {Name: "Okafor, Boy-1 of Ifeoma", BirthDate: "2026-11-20", NumberEnds: "7101", SameName: true}, // its twin lies beside it
	} {
		r := byBed[bed]
		if r.Name != want.Name || r.BirthDate != want.BirthDate || r.NumberEnds != want.NumberEnds || r.SameName != want.SameName {
			t.Errorf("bed %s: %+v", bed, r)
		}
	}
	// Tapping a name begins a draw and identifies nobody.
	row := byBed["4"].Reference
	if got := collector.scanned(`{"id":"d1","step":"start-draw","occurredAt":"2026-11-24T11:50:00Z","device":"PH-1","row":"` + row + `"}`).Answers[0]; got.Answer != "recorded" {
		t.Fatalf("%+v", got)
	}
	collect := func(id string) string {
		got := collector.scanned(`{"id":"` + id + `","step":"collect","occurredAt":"2026-11-24T11:52:00Z","device":"PH-1","label":{"text":"TB260142"},"type":"LIHEP-GEL"}`).Answers[0]
		return got.Answer + " " + got.Refusal
	}
	if got := collect("c1"); got != "refused second-identifier-wanted" {
		t.Errorf("a tapped name collects: %s", got)
	}
	other := collector.scanned(`{"id":"w1","step":"wristband","occurredAt":"2026-11-24T11:51:00Z","device":"PH-1","draw":"D-d1","patient":"P-7012"}`).Answers[0]
	if other.Refusal != "identity-mismatch" || len(other.Identities) != 2 || other.Identities[0].marks("birthDate") == other.Identities[1].marks("birthDate") {
		t.Errorf("the other Anna's wristband: %+v", other)
	}
	if got := collector.scanned(`{"id":"w2","step":"wristband","occurredAt":"2026-11-24T11:51:30Z","device":"PH-1","draw":"D-d1","patient":"P-7011"}`).Answers[0]; got.Answer != "recorded" {
		t.Errorf("%+v", got)
	}
	if got := collect("c2"); got != "recorded " {
		t.Errorf("after the wristband: %s", got)
	}
	collector.must(http.MethodPost, "/v1/patients:list", `{"place":"WARD-N"}`, &list)
	if len(list.Rows) != 3 {
		t.Errorf("%d wait after one was drawn", len(list.Rows))
	}
	var views struct{ Views []struct{ By, Why string } }
	quality.must(http.MethodPost, "/v1/views:list", `{"reference":"`+row+`"}`, &views)
	why := map[string]int{}
	for _, v := range views.Views {
		why[v.By+" "+v.Why]++
	}
	if why["LENA work-list"] != 1 { // the second list had this patient no more
		t.Errorf("views: %v", why)
	}
}

func TestAnIdentityIsCorrectedMergedAndErased(t *testing.T) {
	log := memlog.New()
	a, collector, quality := ward(t, log)
	if g := collector.call(http.MethodPost, "/v1/patients:write", `{"patient":"P-7011","family":"Lindt","given":"Anna","birthDate":"1951-03-02","place":"WARD-N","bed":"4"}`); g.code != http.StatusBadRequest || !strings.Contains(g.body, `"reason"`) || strings.Contains(g.body, "Lindt") {
		t.Errorf("a correction without a reason: %d %s", g.code, g.body)
	}
	var m struct {
		Reference string
		Changed   []string
	}
	collector.must(http.MethodPost, "/v1/patients:write", `{"patient":"P-7011","family":"Lindt","given":"Anna","birthDate":"1951-03-02","place":"WARD-N","bed":"4","reason":"typing-mistake"}`, &m)
	if len(m.Changed) != 1 || m.Changed[0] != "family" {
		t.Errorf("%+v", m)
	}
	recs, err := log.History(t.Context(), event.KindPatient, event.Key("L-"+m.Reference))
	if err != nil || len(recs) != 2 || recs[1].Principal != "LENA" {
		t.Fatalf("%d facts of the correction, %v", len(recs), err)
	}
	if f, ok := recs[1].Facts[0].(event.IdentityWritten); !ok || f.Reason != "typing-mistake" || fmt.Sprint(f.Fields) != "[family]" {
		t.Errorf("%+v", recs[1].Facts)
	}
	// A number of the night and the own one are one person: tubes under both agree.
	collector.must(http.MethodPost, "/v1/patients:write", `{"patient":"NIGHT-1","family":"Lindt"}`, nil)
	collector.must(http.MethodPost, "/v1/requests", `{"id":"RQ-9","patient":"NIGHT-1","tests":["K"],"tubes":[{"tube":"TB260149","type":"LIHEP-GEL"}]}`, nil)
	draw := func(id string) string {
		collector.scanned(`{"id":"w` + id + `","step":"wristband","occurredAt":"2026-11-24T11:5` + id + `:00Z","device":"PH-` + id + `","patient":"P-7011"}`)
		got := collector.scanned(`{"id":"c` + id + `","step":"collect","occurredAt":"2026-11-24T11:5` + id + `:30Z","device":"PH-` + id + `","label":{"text":"TB260149"},"type":"LIHEP-GEL"}`).Answers[0]
		return got.Answer + " " + got.Refusal
	}
	if got := draw("1"); got != "refused identity-mismatch" {
		t.Errorf("before the merge: %s", got)
	}
	if g := quality.call(http.MethodPost, "/v1/patients:merge", `{"keep":"P-7011","gone":"NIGHT-1"}`); g.code != http.StatusBadRequest {
		t.Errorf("a merge without a reason: %d", g.code)
	}
	quality.must(http.MethodPost, "/v1/patients:merge", `{"keep":"P-7011","gone":"NIGHT-1","reason":"one-person"}`, nil)
	if got := draw("2"); got != "recorded " {
		t.Errorf("after the merge: %s", got)
	}
	if got := collector.scanned(`{"id":"n1","step":"note","occurredAt":"2026-11-24T11:58:00Z","label":{"text":"TB260149"},"details":{"defect":"haemolysed","note":"the vein of Anna Lindt rolled"}}`).Answers[0]; got.Answer != "recorded" {
		t.Fatalf("%+v", got)
	}
	texts := recordsWithText(t, log)
	if len(texts) != 1 {
		t.Fatalf("%d texts", len(texts))
	}
	if text, err := a.app.people.Open(t.Context(), texts[0]); err != nil || !strings.Contains(text, "Lindt rolled") {
		t.Fatalf("%q, %v", text, err)
	}
	var who shown
	collector.must(http.MethodPost, "/v1/patients:look", `{"tube":"TB260149","why":"result"}`, &who)
	if who.Name != "Lindt, Anna" || who.Number != "P-7011" {
		t.Errorf("%+v", who)
	}
	// Erased: by no way anybody any more, and the tube keeps its story.
	before := tubeStory(t, collector, "TB260149")
	for name, body := range map[string]string{"free text": `{"patient":"P-7011","reason":"she asked for it"}`, "no reason": `{"patient":"P-7011"}`, "nobody": `{"reason":"patient-asked"}`} {
		if g := quality.call(http.MethodPost, "/v1/patients:erase", body); g.code != http.StatusBadRequest {
			t.Errorf("%s: %d %s", name, g.code, g.body)
		}
	}
	if g := collector.call(http.MethodPost, "/v1/patients:erase", `{"patient":"P-7011","reason":"patient-asked"}`); g.code != http.StatusForbidden {
		t.Errorf("a collector erases: %d", g.code)
	}
	var erased struct{ Reference, BackupsDays string }
	quality.must(http.MethodPost, "/v1/patients:erase", `{"patient":"P-7011","reason":"patient-asked"}`, &erased)
	if erased.BackupsDays != "30" {
		t.Errorf("%+v", erased)
	}
	for _, body := range []string{`{"tube":"TB260149","why":"result"}`, `{"patient":"P-7011","why":"result"}`, `{"patient":"NIGHT-1","why":"result"}`, `{"reference":"` + erased.Reference + `","why":"result"}`} {
		if g := collector.call(http.MethodPost, "/v1/patients:look", body); g.code != http.StatusNotFound || strings.Contains(g.body, "Lind") {
			t.Errorf("%s: %d %s", body, g.code, g.body)
		}
	}
	if after := tubeStory(t, collector, "TB260149"); after != before {
		t.Errorf("the tube tells another story:\n%s\nand told\n%s", after, before)
	}
	var views struct{ Views []struct{ By string } }
	quality.must(http.MethodPost, "/v1/views:list", `{"reference":"`+erased.Reference+`"}`, &views)
	if len(views.Views) == 0 {
		t.Error("who looked is gone with it")
	}
	if text, err := a.app.people.Open(t.Context(), texts[0]); !errors.Is(err, identity.ErrErased) {
		t.Errorf("the text: %q, %v", text, err)
	}
	quality.must(http.MethodPost, "/v1/patients:erase", `{"reference":"`+erased.Reference+`","reason":"patient-asked"}`, nil) // again
}

func tubeStory(t *testing.T, b *browser, id string) string {
	t.Helper()
	g := b.call(http.MethodGet, "/v1/tubes/"+id, "")
	if g.code != http.StatusOK {
		t.Fatalf("%d %s", g.code, g.body)
	}
	var m map[string]any
	if err := json.Unmarshal([]byte(g.body), &m); err != nil {
		t.Fatal(err)
	}
	delete(m, "asOf")
	out, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// recordsWithText are the sealed texts of the tube's records.
func recordsWithText(t *testing.T, log *memlog.Log) []event.Ciphertext {
	t.Helper()
	recs, err := log.History(t.Context(), event.KindTube, "L-TB260149")
	if err != nil {
		t.Fatal(err)
	}
	var out []event.Ciphertext
	for _, r := range recs {
		for _, f := range r.Facts {
			if c, ok := f.(event.DefectNoted); ok && len(c.Note.Box) > 0 {
				out = append(out, c.Note)
			}
		}
	}
	return out
}

// What the log says is erased is erased by the next start: a kill between the fact and
// the erasing, or keys that came back with a backup.
func TestAStartErasesWhatTheLogSays(t *testing.T) {
	log := memlog.New()
	a, collector, _ := ward(t, log)
	var who shown
	collector.must(http.MethodPost, "/v1/patients:look", `{"patient":"P-7011","why":"bedside"}`, &who)
	key, err := event.LocalKey(who.Reference)
	if err != nil {
		t.Fatal(err)
	}
	recs, err := log.History(t.Context(), event.KindPatient, key)
	if err != nil || len(recs) == 0 {
		t.Fatalf("%d facts, %v", len(recs), err)
	}
	d := &event.Decision{
		Envelope: event.Envelope{ID: "erased", Kind: event.KindPatient, Key: key, Occurred: a.clock.Now(), Recorded: a.clock.Now(), Mode: event.Reported},
		Facts:    []event.Fact{event.IdentityErased{Reason: "patient-asked"}},
	}
	if _, err := log.Append(t.Context(), d, recs[len(recs)-1].Seq); err != nil {
		t.Fatal(err)
	}
	collector.must(http.MethodPost, "/v1/patients:look", `{"patient":"P-7011","why":"bedside"}`, nil) // nobody has erased it yet
	again := startAsked(t, log, a.clock)
	b := again.browser()
	b.signIn("lena")
	eventually(t, "the start has erased it", func() bool {
		g := b.call(http.MethodPost, "/v1/patients:look", `{"reference":"`+who.Reference+`","why":"bedside"}`)
		return g.code == http.StatusNotFound && strings.Contains(g.body, "erased")
	})
	b.must(http.MethodPost, "/v1/patients:look", `{"patient":"P-7012","why":"bedside"}`, nil)
}
