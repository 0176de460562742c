package web

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"specimen.example/custody/internal/label"
)

// A set is declared only as it was checked, and by somebody.
func TestSchemesAreDeclaredAsChecked(t *testing.T) {
	k := &keeper{Story: Story{house: fullHouse()}}
	h := New(k, Options{})
	f := &houseSaid{Values: url.Values{"by": {"lena"}}}
	set := append(storySchemes.All(), label.Scheme{ID: "BX", Issuer: "the laboratory", Names: label.Carrier, Pattern: "BX##", In: []string{label.Plain}, Framed: true, Reuse: 48 * 3600e9})
	for n, s := range set {
		f.setScheme(n, s)
	}
	f.Set("schemes[3].out", "yes") // a row marked to be left out, behind an empty one
	f.Set("schemes[3].id", "GONE")
	unchecked := send(t, h, "/house/schemes", f.Values)
	if unchecked.Code != 422 || len(k.got) != 0 || !strings.Contains(unchecked.Body.String(), "changed after it was checked") {
		t.Fatalf("unchecked: %d, %v", unchecked.Code, k.got)
	}
	f.Set("try", "]C0TB260118")
	look := send(t, h, "/house/schemes/check", f.Values)
	body := html.UnescapeString(look.Body.String())
	if look.Code != 200 || !strings.Contains(body, "Declare these 3 schemes") || strings.Contains(body, "GONE") {
		t.Fatalf("checked: %d\n%s", look.Code, alertOf(body))
	}
	if n := strings.Count(body, "with the number TB260118"); n != 2 {
		t.Errorf("the label is told %d times, want by what is in force and by the set", n)
	}
	_, after, _ := strings.Cut(body, `name="checked" value="`)
	checked, _, _ := strings.Cut(after, `"`)
	f.Set("checked", checked)
	f.Set("schemes[2].pattern", "BX###")
	if w := send(t, h, "/house/schemes", f.Values); w.Code != 422 || len(k.got) != 0 {
		t.Errorf("changed after the check: %d, %v", w.Code, k.got)
	}
	f.Set("schemes[2].pattern", "BX##")
	w := send(t, h, "/house/schemes", f.Values)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/house/schemes?done=declared" || len(k.got) != 1 || fmt.Sprint(k.got[0]) != fmt.Sprint(set) || k.by != "lena" {
		t.Errorf("declared: %d, by %q\n%v\n%v", w.Code, k.by, k.got, set)
	}
	f.Del("by")
	if w := send(t, h, "/house/schemes", f.Values); w.Code != 422 || len(k.got) != 1 || !strings.Contains(fieldNamed(w.Body.String(), "by"), "aria-invalid") {
		t.Errorf("declared by nobody: %d", w.Code)
	}
	// A person's number is a thing to try, and isn't shown again.
	f.Set("try", "PT260009")
	if body := send(t, h, "/house/schemes/check", f.Values).Body.String(); strings.Contains(body, "PT260009") || !strings.Contains(body, "such a number is not shown") {
		t.Error("the number of a wristband is given back, or not told to be one")
	}
	// Faults stand under the API's paths, counted without empty rows.
	faulty := send(t, h, "/house/schemes/check", values("schemes[0].id", "A", "schemes[0].names", "tube", "schemes[0].pattern", "A##", "schemes[5].id", "b", "schemes[5].names", "tube", "schemes[5].pattern", "B##"))
	if tag := fieldNamed(faulty.Body.String(), "schemes[1].id"); faulty.Code != 422 || !strings.Contains(tag, "aria-invalid") || strings.Contains(faulty.Body.String(), "Declare these") {
		t.Errorf("a set with a fault: %d, %q", faulty.Code, tag)
	}
}

// Secrets are shown in the answer to a form and nowhere else.
func TestSecretsAreShownOnce(t *testing.T) {
	h := quiet(Story{house: fullHouse()})
	code := send(t, h, "/house/devices/PH-3/invite", values("by", "lena"))
	if body := code.Body.String(); code.Code != 200 || !strings.Contains(body, "K7QF-2MXD") || !strings.Contains(body, "10:16 (10 min)") || code.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("the code: %d\n%s", code.Code, body)
	}
	token := send(t, h, "/house/tokens", values("name", "gateway", "scope.readings", "yes", "days", "5", "by", "lena"))
	if token.Code != 200 || !strings.Contains(token.Body.String(), "invented-4f9c1b7e") {
		t.Errorf("the token: %d", token.Code)
	}
	for _, path := range []string{"/house/devices/PH-3", "/house/tokens"} {
		if body := get(t, h, path).Body.String(); strings.Contains(body, "K7QF-2MXD") || strings.Contains(body, "invented-") {
			t.Errorf("%s shows a secret again", path)
		}
	}
	for path, to := range map[string]string{
		"/house/devices/PH-3/invite": "/house/devices/PH-3", "/house/people/oskar/sign-in": "/house/people/oskar",
		"/house/tokens/TK-4/revoke": "/house/tokens", "/house/schemes/check": "/house/schemes",
	} {
		if w := get(t, h, path); w.Code != http.StatusSeeOther || w.Header().Get("Location") != to {
			t.Errorf("%s by its address: %d to %q", path, w.Code, w.Header().Get("Location"))
		}
	}
	body := get(t, h, "/house/people/oskar").Body.String()
	for _, name := range []string{"pin", "again"} {
		if tag := fieldNamed(body, name); !strings.Contains(tag, `type="password"`) || !strings.Contains(tag, `autocomplete="off"`) || strings.Contains(tag, "value=") {
			t.Errorf("the field %s: %q", name, tag)
		}
	}
}
