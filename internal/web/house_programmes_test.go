package web

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"
)

// Programmes are declared only as they were checked, by somebody, and not over what
// somebody else declared meanwhile.
func TestProgrammesAreDeclaredAsChecked(t *testing.T) {
	k := &keeper{Story: Story{house: fullHouse()}}
	h := New(k, Options{})
	hidden := func(body, name string) string {
		_, after, _ := strings.Cut(body, `name="`+name+`" value="`)
		out, _, _ := strings.Cut(after, `"`)
		return out
	}
	f := &houseSaid{Values: url.Values{"by": {"lena"}, "seen": {hidden(get(t, h, "/house/programmes").Body.String(), "seen")}}}
	set := []HouseProgramme{storyProgrammes[0], {Name: "cold", Tubes: []string{"EDTA"}, G: 1500, WithinG: 100, Minutes: 12, Low: "0", High: "8"}}
	for n, p := range set {
		f.setProgramme(n, p)
	}
	f.Set("programmes[4].name", "gone") // a row marked to be left out, behind empty ones
	f.Set("programmes[4].out", "yes")
	if w := send(t, h, "/house/programmes", f.Values); w.Code != 422 || len(k.got) != 0 || !strings.Contains(w.Body.String(), "changed after they were checked") {
		t.Fatalf("unchecked: %d, %v", w.Code, k.got)
	}
	look := send(t, h, "/house/programmes/check", f.Values)
	body := html.UnescapeString(look.Body.String())
	if look.Code != 200 || !strings.Contains(body, "Declare these 2 programmes") || strings.Contains(body, "gone") {
		t.Fatalf("checked: %d\n%s", look.Code, alertOf(body))
	}
	f.Set("checked", hidden(body, "checked"))
	f.Set("programmes[0].g", "1999")
	if w := send(t, h, "/house/programmes", f.Values); w.Code != 422 || len(k.got) != 0 {
		t.Errorf("changed after the check: %d, %v", w.Code, k.got)
	}
	f.Set("programmes[0].g", "2000")
	k.house.house.Programmes = storyProgrammes[:1] // somebody else was quicker
	w := send(t, h, "/house/programmes", f.Values)
	if w.Code != 422 || len(k.got) != 0 || !strings.Contains(w.Body.String(), "Somebody declared other programmes") {
		t.Errorf("declared over what somebody else declared: %d, %v", w.Code, k.got)
	}
	f.Set("seen", hidden(w.Body.String(), "seen"))
	w = send(t, h, "/house/programmes", f.Values)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/house/programmes?done=declared" || len(k.got) != 1 || fmt.Sprint(k.got[0]) != fmt.Sprint(set) || k.by != "lena" {
		t.Errorf("declared: %d, by %q\n%v\n%v", w.Code, k.by, k.got, set)
	}
	if body := get(t, h, w.Header().Get("Location")).Body.String(); !strings.Contains(body, "Tubes are planned by these programmes from now on") {
		t.Error("it isn't said what was done")
	}
	k.answer = HouseRefused{{"programmes[1].tubes", "EDTA is no tube type of yours"}}
	w = send(t, h, "/house/programmes", f.Values)
	if tag := fieldNamed(w.Body.String(), "programmes[1].tubes"); w.Code != 422 || !strings.Contains(tag, "aria-invalid") {
		t.Errorf("refused by the API: %d, %q", w.Code, tag)
	}
}

// Turns per minute by the definition of RCF, reckoned by hand: n is the root of
// g / (1.118e-5 r), r in cm. 2000 g at 17.2 cm are 3225, 1800 g at 10 cm are 4012.5.
func TestProgrammesSayWhatToSet(t *testing.T) {
	body := html.UnescapeString(get(t, quiet(Story{house: fullHouse()}), "/house/programmes").Body.String())
	for _, want := range []string{
		"3225 per minute", // plasma on the large one
		"can't: it is not said which temperature it holds",      // plasma on the small one
		"can't: it wants 4013 per minute, the rotor bears 3600", // serum on the small one: 1600 g want 3783
		"1 tube type has no programme", "<li>EDTA</li>",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	p, m := HouseProgramme{G: 1500, WithinG: 200}, HousePlace{Rotor: HouseRotor{RadiusMm: 100, MostPerMin: 3600}}
	for _, c := range []struct {
		change func()
		want   string
	}{
		{func() {}, "3600 per minute, its most"}, // 3663 for 1500 g, 3410 for 1300 g
		{func() { p.WithinG = 0 }, "can't: it wants 3663 per minute, the rotor bears 3600"},
		{func() { p.G, p.Low, p.High = 1000, "2", "8" }, "can't: it is not said which temperature it holds"},
		{func() { m.Rotor.Low, m.Rotor.High = "8.00", "25.00" }, "2991 per minute"},
		{func() { m.Rotor.Low = "8.01" }, "can't: it doesn't hold this temperature"},
		{func() { m.Rotor.MostPerMin = 0 }, "its rotor isn't declared"},
	} {
		c.change()
		if got := p.on(&m); got.Say != c.want {
			t.Errorf("%+v on %+v: %q, want %q", p, m.Rotor, got.Say, c.want)
		}
	}
}
