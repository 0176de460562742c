package web

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"testing"

	"specimen.example/custody/internal/label"
)

// askLabel posts a question and gives the status and the answer.
func askLabel(t *testing.T, h http.Handler, body string, head ...string) (int, string) {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, "/labels/read", strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func question(raw, symbology, how string) string {
	return fmt.Sprintf(`{"raw":%q,"symbology":%q,"how":%q}`, base64.StdEncoding.EncodeToString([]byte(raw)), symbology, how)
}

func TestReadLabel(t *testing.T) {
	h := quiet(Story{})
	for _, c := range []struct {
		name, question string
		want           labelAnswer
	}{
		{"tube", question("TB260118", "]d1", "camera"), labelAnswer{Reading: &labelReading{
			Names: label.Tube, Says: "a tube", Number: "TB260118", ID: "TB260118", Word: "plain", Symbology: labelSymbology{"]d1", "Data Matrix"}, Standard: label.StandardPlain,
		}}},
		{"wristband", question("PT123456", "]C0", "camera"), labelAnswer{Reading: &labelReading{
			Names: label.Patient, Says: "a wristband", Word: "plain", Symbology: labelSymbology{"]C0", "Code 128"}, Standard: label.StandardPlain,
		}}},
		{"product", question("0109521234000174"+"17270131"+"10K7Q2\x1d21S2", "]d2", "camera"), labelAnswer{Reading: &labelReading{
			Names: label.Product, Says: thingWords[label.Product], Number: "09521234000174", Word: "GS1", Symbology: labelSymbology{"]d2", "Data Matrix"}, Standard: label.StandardGS1,
			Elements: []labelElement{{"01", "09521234000174"}, {"17", "270131"}, {"10", "K7Q2"}, {"21", "S2"}},
			Product:  &labelProduct{Number: "09521234000174", Lot: "K7Q2", Serial: "S2", Expiry: "2027-01-31"},
		}}},
		{"typed", question("tb260118", "", "typed"), labelAnswer{Reading: &labelReading{
			Names: label.Tube, Says: "a tube", Number: "TB260118", ID: "TB260118", Word: "plain", Standard: label.StandardPlain,
		}}},
		{"through a reader", question("]C0TB260118\r", "", "reader"), labelAnswer{Reading: &labelReading{
			Names: label.Tube, Says: "a tube", Number: "TB260118", ID: "TB260118", Word: "plain", Symbology: labelSymbology{"]C0", "Code 128"}, Standard: label.StandardPlain,
		}}},
	} {
		status, body := askLabel(t, h, c.question)
		var got labelAnswer
		if err := json.Unmarshal([]byte(body), &got); err != nil || status != 200 || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %d %s (%v)", c.name, status, body, err)
		}
	}
}

// A person's number is never said back, in no field.
func TestReadLabelKeepsPeopleToItself(t *testing.T) {
	for _, raw := range []string{"PT123456", "pt123456", "PT12345", "PT1234567"} {
		for _, how := range []string{"camera", "reader", "typed"} {
			if _, body := askLabel(t, quiet(Story{}), question(raw, "", how)); strings.Contains(body, "12345") {
				t.Errorf("%s by %s: %s", raw, how, body)
			}
		}
	}
}

// What a reader that types sends: separators lost or replaced, another keyboard.
func TestReadLabelOfAReader(t *testing.T) {
	raw := func(s string) string { return base64.StdEncoding.EncodeToString([]byte(s)) }
	for _, c := range []struct {
		name, body string
		want       []string
		never      string
	}{
		{"a tube", `{"raw":"` + raw("]d2010952123400017491TB260118") + `","symbology":"]d2","how":"reader"}`, []string{`"names":"tube"`, `"number":"TB260118"`, `"word":"GS1"`, `"ai":"91"`}, "refusal"},
		{"separators lost", `{"raw":"` + raw("]d2010952123400017410K7Q221998877") + `","how":"reader"}`, []string{`"refusal"`, `"ways":[`, `(10)K7Q2`}, `"reading"`},
		{"separators replaced", `{"raw":"` + raw("]d2010952123400017410K7Q2|21998877") + `","how":"reader","separator":"|","separates":true}`, []string{`"lot":"K7Q2"`, `"serial":"998877"`}, "ways"},
		{"French", `{"raw":"` + raw("TBé-à&&_") + `","how":"reader"}`, []string{`"proposal":"TB260118"`, "keyboard language"}, `"reading"`},
		{"a wristband's number is not given back", `{"raw":"` + raw("]d28018095212340000000013") + `","how":"reader"}`, []string{`"names":"patient"`}, "0952"},
		{"long separator", `{"raw":"` + raw("TB260118") + `","how":"reader","separator":"||"}`, []string{`"field":"separator"`}, `"reading"`},
	} {
		_, got := askLabel(t, quiet(Story{}), c.body)
		for _, w := range c.want {
			if !strings.Contains(got, w) {
				t.Errorf("%s: no %s in %s", c.name, w, got)
			}
		}
		if strings.Contains(got, c.never) {
			t.Errorf("%s: %s is in %s", c.name, c.never, got)
		}
	}
}

func TestReadLabelRefuses(t *testing.T) {
	h := quiet(Story{})
	for _, c := range []struct {
		name, question string
		status         int
		field, say     string
	}{
		{"a part of a number", question("TB26", "]C0", "camera"), 200, "raw", "only a part of a tube"},
		{"an unknown identifier", question("TB260118", "]y9", "camera"), 200, "symbology", "]y9"},
		{"bad check digit", question("0109521234000175", "]d2", "camera"), 200, "raw", "check digit"},
		{"not JSON", `raw=VEIx`, 400, "", "no question about a label"},
		{"empty", ``, 400, "", "no question about a label"},
		{"mistyped field", `{"raw":"VEIyNjAxMTg=","symbol":"]d1","how":"camera"}`, 400, "", `unknown field "symbol"`},
		{"two questions", question("TB260118", "", "typed") + question("TB260118", "", "typed"), 400, "", "behind the question"},
		{"a list", `[]`, 400, "", "no question about a label"},
		{"nothing read", `{"raw":"","how":"camera"}`, 400, "raw", "nothing was read"},
		{"no base64", `{"raw":"TB260118!","how":"camera"}`, 400, "raw", "no base64"},
		{"no way", `{"raw":"VEIyNjAxMTg="}`, 400, "how", "no way of reading"},
		{"a strange way", question("TB260118", "", "guessed"), 400, "how", "guessed"},
		{"too long", question(strings.Repeat("1", mostRead), "", "camera"), 413, "", "longer than 64 kB"},
	} {
		status, body := askLabel(t, h, c.question)
		var got labelAnswer
		if err := json.Unmarshal([]byte(body), &got); err != nil || got.Refusal == nil || got.Reading != nil {
			t.Errorf("%s: %d %s (%v)", c.name, status, body, err)
			continue
		}
		if status != c.status || got.Refusal.Field != c.field || !strings.Contains(got.Refusal.Say, c.say) || got.Refusal.Remedy == "" {
			t.Errorf("%s: %d %s, want %d, field %q, saying %q", c.name, status, body, c.status, c.field, c.say)
		}
	}
	if status, body := askLabel(t, h, question("TB260118", "", "typed"), "Sec-Fetch-Site", "cross-site"); status != 403 || strings.Contains(body, "TB260118") {
		t.Errorf("another site is answered with %d %s", status, body)
	}
}
