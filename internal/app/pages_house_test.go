package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

func form(pairs ...string) url.Values {
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v
}

// post sends a form to the pages.
func (c *clinic) post(path string, v url.Values) *httptest.ResponseRecorder {
	c.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	web.New(c.pages, web.Options{}).ServeHTTP(w, r)
	return w
}

func (c *clinic) house() web.House {
	c.Helper()
	h, err := c.pages.House(c.Context())
	c.must(err)
	return h
}

// saved posts a form that must end at the thing, and gives the page it leads to.
func (c *clinic) saved(path string, v url.Values) string {
	c.Helper()
	w := c.post(path, v)
	if w.Code != http.StatusSeeOther {
		c.Fatalf("%s %v: status %d\n%s", path, v, w.Code, w.Body)
	}
	shown := httptest.NewRecorder()
	web.New(c.pages, web.Options{}).ServeHTTP(shown, httptest.NewRequest(http.MethodGet, w.Header().Get("Location"), nil))
	if shown.Code != http.StatusOK || !strings.Contains(shown.Body.String(), `role="status"`) {
		c.Fatalf("%s leads to %s, which answers %d without saying what was done", path, w.Header().Get("Location"), shown.Code)
	}
	return shown.Body.String()
}

// Each form writes what the API then gives, and the form of the thing begins with it.
func TestHouseFormsReachTheLog(t *testing.T) {
	c := openClinic(t)
	id := func(id string) *custodyv1.GetEntryRequest { return &custodyv1.GetEntryRequest{Id: id} }

	c.saved("/house/places", form("new", "yes", "id", "hatch-1", "name", "hatch at the pier", "kind", "hatch", "zone", "Europe/Berlin", "assumed.low", "-2,5", "assumed.high", "8", "basis", "its alarm",
		"owner", "lena", "review", "2026-12-01", "benchSpinMinutes", "20", "relabel", "yes", "by", "lena"))
	place, err := c.dir.GetPlace(t.Context(), id("HATCH-1"))
	c.must(err)
	if got := fmt.Sprint(place.Name, place.Kind, place.Zone, place.Assumed.Low, place.Assumed.High, place.Basis, place.Owner, place.Review, place.BenchSpinMinutes, place.Relabel); got !=
		fmt.Sprint("hatch at the pier", "hatch", "Europe/Berlin", "-2.50", "8.00", "its alarm", "lena", "2026-11-30T23:00:00.000Z", 20, true) {
		t.Errorf("place: %s", got)
	}
	c.saved("/house/places", form("id", "HATCH-1", "kind", "hatch", "by", "lena")) // described anew, all else is gone
	if place, err = c.dir.GetPlace(t.Context(), id("HATCH-1")); err != nil || place.Assumed != nil || place.Name != "" || place.Relabel {
		t.Errorf("described anew: %v, %v", place, err)
	}

	c.saved("/house/places", form("new", "yes", "id", "cf-1", "kind", "centrifuge", "rotor.slots", "24", "rotor.radiusMm", "172", "rotor.mostPerMinute", "4000", "rotor.holds.low", "4", "rotor.holds.high", "25,5", "rotor.at", "lab", "by", "lena"))
	place, err = c.dir.GetPlace(t.Context(), id("CF-1"))
	c.must(err)
	if r := place.Rotor; place.Kind != "centrifuge" || fmt.Sprintf("%d %d %d %s %s %s", r.GetSlots(), r.GetRadiusMm(), r.GetMostPerMinute(), r.GetHolds().GetLow(), r.GetHolds().GetHigh(), r.GetAt()) != "24 172 4000 4.00 25.50 LAB" {
		t.Errorf("rotor: %v", r)
	}
	if got := c.house().Places; !slices.ContainsFunc(got, func(p web.HousePlace) bool {
		return p.ID == "CF-1" && p.Rotor == web.HouseRotor{Slots: 24, RadiusMm: 172, MostPerMin: 4000, Low: "4.00", High: "25.50", At: "LAB"}
	}) {
		t.Errorf("the form begins with %+v", got)
	}

	c.saved("/house/carriers", form("new", "yes", "id", "G-2", "kind", "bag", "ownClimate", "yes", "assumed.low", "2", "assumed.high", "8", "basis", "ice", "owner", "lena", "by", "lena"))
	carrier, err := c.dir.GetCarrier(t.Context(), id("G-2"))
	c.must(err)
	if carrier.Kind != "bag" || !carrier.OwnClimate || carrier.Assumed.GetHigh() != "8.00" || carrier.Owner != "lena" {
		t.Errorf("carrier: %v", carrier)
	}

	c.saved("/house/routes", form("new", "yes", "id", "NORTH-VAN", "from", "CLINIC", "to", "LAB", "departs", "07:30\r\n16:40", "takesMinutes", "95", "zone", "Europe/Berlin", "by", "lena"))
	route, err := c.dir.GetRoute(t.Context(), id("NORTH-VAN"))
	c.must(err)
	if strings.Join(route.Departs, " ") != "07:30 16:40" || route.TakesMinutes != 95 || route.From != "CLINIC" || route.To != "LAB" {
		t.Errorf("route: %v", route)
	}

	c.saved("/house/people", form("new", "yes", "id", "mira", "role", "collector", "active", "yes", "by", "lena"))
	person, err := c.dir.GetPerson(t.Context(), id("mira"))
	c.must(err)
	if person.Role != "collector" || !person.Active {
		t.Errorf("person: %v", person)
	}
	c.saved("/house/people", form("id", "MIRA", "role", "collector", "roles[1].role", "reception", "roles[1].place", "lab", "by", "lena"))
	if person, err = c.dir.GetPerson(t.Context(), id("mira")); err != nil || len(person.Roles) != 1 || person.Roles[0].Role != "reception" || person.Roles[0].Place != "LAB" {
		t.Errorf("a role at a place: %v, %v", person, err)
	}
	if person, err = c.dir.GetPerson(t.Context(), id("mira")); err != nil || person.Active {
		t.Errorf("not active any more: %v, %v", person, err)
	}

	c.saved("/house/devices", form("new", "yes", "id", "PH-2", "kind", "phone", "place", "CLINIC", "by", "lena"))
	active := func() bool {
		t.Helper()
		d, err := c.dir.GetDevice(t.Context(), id("PH-2"))
		c.must(err)
		if d.Kind != "phone" || d.Place == "" {
			t.Errorf("device: %v", d)
		}
		return d.Active
	}
	if !active() {
		t.Error("a new device may not act")
	}
	c.saved("/house/devices/PH-2/revoke", form("sure", "yes", "by", "lena"))
	c.saved("/house/devices", form("id", "PH-2", "kind", "phone", "place", "LAB", "by", "lena"))
	if active() {
		t.Error("revoked, then moved to another place: it acts again")
	}
	c.saved("/house/devices/PH-2/allow", form("by", "lena"))
	if !active() {
		t.Error("it was let act again")
	}
}

// Saving a logger says anew only what changed: where it is and how sure are facts of
// their own.
func TestHouseLoggerIsAttachedOnce(t *testing.T) {
	c := openClinic(t)
	c.clock(0)
	before := c.house().Loggers[0]
	if before.In != "B-3" || before.Since != instant(-60) || before.HoldSec != -1 {
		t.Fatalf("the clinic's logger: %+v", before)
	}
	c.saved("/house/loggers", form("id", "LG-1", "everySeconds", "600", "holdSeconds", "300", "maxGapSeconds", "900", "uncertainty", "0,5", "in", "b-3", "zone", "+01:00", "by", "lena"))
	l, err := c.dir.GetLogger(t.Context(), &custodyv1.GetEntryRequest{Id: "LG-1"})
	c.must(err)
	if l.EverySeconds != 600 || l.GetHoldSeconds() != 300 || l.MaxGapSeconds != 900 || l.Uncertainty != "0.50" || l.Zone != "+01:00" || l.In != "B-3" {
		t.Errorf("logger: %v", l)
	}
	if got := c.house().Loggers[0]; got.Since != instant(-60) {
		t.Errorf("saved again, it is on the box since %s, was %s", got.Since, instant(-60))
	}
	c.saved("/house/loggers", form("id", "LG-1", "everySeconds", "600", "uncertainty", "0.50", "in", "CLINIC", "occurredAt", "2026-11-24T09:30", "by", "lena"))
	if got := c.house().Loggers[0]; got.In != "CLINIC" || got.InKind != "place" || got.Since != instant(-30) || got.HoldSec != -1 || got.Uncertainty != "0.50" {
		t.Errorf("on a place since 09:30 in Berlin: %+v", got)
	}
}

// What the API finds wrong is told at the form's field, and nothing is written.
func TestHouseTellsWhatTheAPIFindsWrong(t *testing.T) {
	c := openClinic(t)
	before := c.house()
	for _, x := range []struct {
		path  string
		v     url.Values
		field string
	}{
		{"/house/places", form("new", "yes", "id", "X", "kind", "cellar"), "kind"},
		{"/house/places", form("new", "yes", "id", "X", "kind", "ward", "zone", "Berlin"), "zone"},
		{"/house/places", form("new", "yes", "id", "X", "kind", "ward", "assumed.high", "8", "basis", "b", "owner", "lena"), "assumed.low"},
		{"/house/places", form("new", "yes", "id", "X", "kind", "ward", "assumed.low", "cold", "assumed.high", "8", "basis", "b", "owner", "lena"), "assumed.low"},
		{"/house/places", form("new", "yes", "id", "X", "kind", "ward", "benchSpinMinutes", "9000"), "benchSpinMinutes"},
		{"/house/carriers", form("new", "yes", "id", "X", "kind", "barrel"), "kind"},
		{"/house/loggers", form("new", "yes", "id", "X", "everySeconds", "0"), "everySeconds"},
		{"/house/loggers", form("new", "yes", "id", "X", "everySeconds", "60", "uncertainty", "-1"), "uncertainty"},
		{"/house/loggers", form("new", "yes", "id", "X", "everySeconds", "60", "zone", "here"), "zone"},
		{"/house/routes", form("new", "yes", "id", "X", "from", "CLINIC", "to", "LAB", "takesMinutes", "5", "zone", "Europe/Berlin", "departs", "07:30\nnoon"), "departs"},
		{"/house/routes", form("new", "yes", "id", "X", "from", "CLINIC", "to", "LAB", "takesMinutes", "0"), "takesMinutes"},
		{"/house/people", form("new", "yes", "id", "X", "role", "wizard"), "role"},
		{"/house/people", form("new", "yes", "id", "X", "roles[4].role", "wizard", "roles[4].place", "LAB"), "roles[0].role"},
		{"/house/devices", form("new", "yes", "id", "X", "kind", "toaster"), "kind"},
	} {
		x.v.Set("by", "lena")
		w := c.post(x.path, x.v)
		marked := false
		for _, part := range strings.Split(w.Body.String(), "<") {
			marked = marked || strings.Contains(part, ` name="`+x.field+`"`) && strings.Contains(part, `aria-invalid="true"`)
		}
		if w.Code != http.StatusUnprocessableEntity || !marked {
			t.Errorf("%s %v: status %d, the field %s is marked: %v", x.path, x.v, w.Code, x.field, marked)
		}
	}
	if low := c.post("/house/places", form("new", "yes", "id", "X", "kind", "ward", "assumed.low", "9", "assumed.high", "8", "basis", "b", "owner", "lena", "by", "lena")); low.Code != 422 || !strings.Contains(low.Body.String(), "swap them") {
		t.Errorf("a range upside down: %d", low.Code)
	}
	if after := c.house(); after.Seq != before.Seq {
		t.Errorf("something was written: the log went from %d to %d", before.Seq, after.Seq)
	}
}

// Every choice that the forms offer is one that the API takes.
func TestHouseOffersWhatTheAPITakes(t *testing.T) {
	c := openClinic(t)
	front := web.New(c.pages, web.Options{})
	for _, x := range []struct{ kind, field, more string }{{"places", "kind", ""}, {"carriers", "kind", ""}, {"people", "role", ""}, {"devices", "kind", ""}} {
		w := httptest.NewRecorder()
		front.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/house/new/"+x.kind, nil))
		_, rest, _ := strings.Cut(w.Body.String(), ` name="`+x.field+`"`)
		list, _, _ := strings.Cut(rest, "</select>")
		words := strings.Split(list, `<option value="`)[1:]
		if len(words) < 4 {
			t.Fatalf("%s offers %d words", x.kind, len(words))
		}
		for n, word := range words {
			word, _, _ = strings.Cut(word, `"`)
			if word == "" {
				continue
			}
			v := form("new", "yes", "id", fmt.Sprintf("W-%d", n), x.field, word, "by", "lena")
			if word == "centrifuge" {
				maps.Copy(v, form("rotor.slots", "24", "rotor.radiusMm", "172", "rotor.mostPerMinute", "4000"))
			}
			c.saved("/house/"+x.kind, v)
		}
	}
}

func TestHouseSchemesReachTheLog(t *testing.T) {
	c := openClinic(t)
	v := form("schemes[0].id", "TB", "schemes[0].issuer", "the laboratory", "schemes[0].names", "tube", "schemes[0].pattern", "TB######", "schemes[0].in", "plain 91", "schemes[0].check", "mod37-2",
		"schemes[2].id", "DT", "schemes[2].issuer", "the wards", "schemes[2].names", "tube", "schemes[2].pattern", "DT-###", "schemes[2].ward", "yes", "schemes[2].reuseHours", "720", "by", "lena")
	look := c.post("/house/schemes/check", v)
	_, after, found := strings.Cut(look.Body.String(), `name="checked" value="`)
	if look.Code != http.StatusOK || !found || len(c.pages.Schemes().All()) != 0 {
		t.Fatalf("the check: status %d, %d schemes in force\n%s", look.Code, len(c.pages.Schemes().All()), look.Body)
	}
	checked, _, _ := strings.Cut(after, `"`)
	v.Set("checked", checked)
	c.saved("/house/schemes", v)
	got, err := c.dir.GetSchemes(t.Context(), &custodyv1.GetSchemesRequest{})
	c.must(err)
	if len(got.Schemes) != 2 || got.Schemes[0].Check != "mod37-2" || !slices.Equal(got.Schemes[0].In, []string{"plain", "91"}) || !got.Schemes[1].Ward || got.Schemes[1].ReuseHours != 720 {
		t.Errorf("schemes: %v", got)
	}
	if h := c.house(); h.Schemes != 2 {
		t.Errorf("the house knows %d schemes", h.Schemes)
	}
	// One label that could be two things is refused, at its path.
	_, err = c.pages.DeclareSchemes(t.Context(), []label.Scheme{
		{ID: "A", Issuer: "x", Names: label.Tube, Pattern: "####"}, {ID: "B", Issuer: "x", Names: label.Request, Pattern: "####"},
	}, true, "")
	var refused web.HouseRefused
	if !errors.As(err, &refused) || !strings.HasPrefix(refused[0].Field, "schemes[") {
		t.Errorf("one label, two things: %v", err)
	}
	_, err = c.pages.DeclareSchemes(t.Context(), []label.Scheme{{ID: "A", Issuer: "x", Names: label.Tube, Pattern: "A{", Reuse: -3600e9}}, true, "")
	fields := ""
	if errors.As(err, &refused) {
		for _, f := range refused {
			fields += f.Field + " "
		}
	}
	if !strings.Contains(fields, "schemes[0].") {
		t.Errorf("faults of a scheme: %v", err)
	}
}

func TestHouseReadsTheModel(t *testing.T) {
	c := openClinic(t)
	h := c.house()
	if len(h.Places) != 3 || h.Places[0].ID != "CLINIC" || h.Places[0].Range.Low != "20.00" || h.Places[0].Range.Basis != "thermometer" || h.Places[1].Range.Low != "" ||
		h.Zone.String() != "Europe/Berlin" || h.Now != instant(-60) || h.Seq == 0 {
		t.Errorf("house: %+v", h)
	}
	if len(h.Carriers) != 1 || len(h.Loggers) != 1 || len(h.Routes) != 1 || len(h.People) != 1 || len(h.Devices) != 0 || !strings.HasPrefix(h.Limits, "fixture, version") {
		t.Errorf("house: %+v", h)
	}
	// A box and a device that were only scanned are not declared.
	c.scan(0, "collect", "TB1", func(s *custodyv1.Scan) { s.Type, s.Tests = "LIHEP-GEL", []string{"K"} })
	c.scan(1, "pack", "TB1", func(s *custodyv1.Scan) { s.Carrier = "B-99" })
	if h = c.house(); len(h.Carriers) != 1 || len(h.Devices) != 0 {
		t.Errorf("only scanned: %+v, %+v", h.Carriers, h.Devices)
	}
	for _, path := range []string{"/house", "/house/places", "/house/carriers", "/house/loggers", "/house/routes", "/house/people", "/house/devices", "/house/tokens", "/house/schemes", "/house/identity", "/house/people/lena", "/house/loggers/lg-1"} {
		w := httptest.NewRecorder()
		web.New(c.pages, web.Options{}).ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code != http.StatusOK {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	// A caller that went away writes nothing.
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := c.pages.DeclarePlace(gone, web.HousePlace{ID: "X", Kind: "ward"}, "lena"); err == nil {
		t.Error("declared in the name of a request that was over")
	}
}

// Programmes reach the log as the form says them, and the form begins with them; what the
// API finds wrong stands at its field.
func TestProgrammesReachTheLog(t *testing.T) {
	c := openClinic(t)
	hidden := func(body, name string) string {
		_, after, _ := strings.Cut(body, `name="`+name+`" value="`)
		out, _, _ := strings.Cut(after, `"`)
		return out
	}
	first := httptest.NewRecorder()
	web.New(c.pages, web.Options{}).ServeHTTP(first, httptest.NewRequest(http.MethodGet, "/house/programmes", nil))
	all := c.house().TubeTypes
	if len(all) < 2 {
		t.Fatalf("the clinic's limits have the tube types %v", all)
	}
	v := form("programmes[0].name", "plasma", "programmes[0].tubes", all[0].Code+", "+all[1].Code, "programmes[0].g", "2000", "programmes[0].withinG", "100",
		"programmes[0].minutes", "10", "programmes[0].handlingMinutes", "4", "programmes[0].temperature.low", "0", "programmes[0].temperature.high", "25,5", "by", "lena", "seen", hidden(first.Body.String(), "seen"))
	look := c.post("/house/programmes/check", v)
	v.Set("checked", hidden(look.Body.String(), "checked"))
	c.saved("/house/programmes", v)
	got := c.house().Programmes
	want := web.HouseProgramme{Name: "plasma", Tubes: []string{all[0].Code, all[1].Code}, G: 2000, WithinG: 100, Minutes: 10, HandlingMin: 4, Low: "0.00", High: "25.50"}
	if len(got) != 1 || fmt.Sprint(got[0]) != fmt.Sprint(want) {
		t.Errorf("in force: %+v, want %+v", got, want)
	}
	v.Set("programmes[0].tubes", all[0].Code+" NOSUCH")
	v.Set("seen", v.Get("checked"))
	look = c.post("/house/programmes/check", v)
	v.Set("checked", hidden(look.Body.String(), "checked"))
	v.Set("seen", hidden(c.post("/house/programmes", v).Body.String(), "seen"))
	w := c.post("/house/programmes", v)
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "NOSUCH in the catalogue") {
		t.Errorf("a type that nobody knows: %d\n%s", w.Code, w.Body)
	}
}
