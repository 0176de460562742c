package web

import (
	"context"
	"errors"
	"fmt"
	"html"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// keeper takes what forms declare and answers as told.
type keeper struct {
	Story
	answer error
	got    []any
	by     string
}

func (k *keeper) take(what any, by string) error {
	k.got, k.by = append(k.got, what), by
	return k.answer
}

func (k *keeper) DeclarePlace(_ context.Context, p HousePlace, by string) (string, error) {
	return strings.ToUpper(p.ID), k.take(p, by)
}

func (k *keeper) DeclareCarrier(_ context.Context, c HouseCarrier, by string) (string, error) {
	return c.ID, k.take(c, by)
}

func (k *keeper) DeclareLogger(_ context.Context, l HouseLogger, by string) (string, error) {
	return l.ID, k.take(l, by)
}

func (k *keeper) DeclareRoute(_ context.Context, r HouseRoute, by string) (string, error) {
	return r.ID, k.take(r, by)
}

func (k *keeper) DeclarePerson(_ context.Context, p HousePerson, by string) (string, error) {
	return p.ID, k.take(p, by)
}

func (k *keeper) DeclareDevice(_ context.Context, d HouseDevice, by string) (string, error) {
	return d.ID, k.take(d, by)
}

func (k *keeper) DeclareSchemes(ctx context.Context, s []label.Scheme, dry bool, by string) ([]string, error) {
	if dry {
		return k.Story.DeclareSchemes(ctx, s, dry, by)
	}
	return nil, k.take(s, by)
}

func (k *keeper) DeclareProgrammes(_ context.Context, all []HouseProgramme, by string) error {
	return k.take(all, by)
}

func (k *keeper) SetSignIn(_ context.Context, person string, s HouseSecrets, by string) error {
	return k.take([2]any{person, s}, by)
}

func (k *keeper) ReleaseLock(_ context.Context, person, by string) error {
	return k.take("release "+person, by)
}

func (k *keeper) RevokeToken(_ context.Context, id, by string) error {
	return k.take("revoke "+id, by)
}

func send(t *testing.T, h http.Handler, path string, form url.Values) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// fieldNamed gives the tag of a form's field, "" when there is none.
func fieldNamed(body, name string) string {
	for _, part := range strings.Split(body, "<") {
		if strings.Contains(part, ` name="`+name+`"`) && !strings.HasPrefix(part, "button") {
			return part
		}
	}
	return ""
}

func values(pairs ...string) url.Values {
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v
}

// Each form says what it means to the source, and ends at the thing.
func TestHouseFormsDeclare(t *testing.T) {
	room := HouseRange{Low: "-2.5", High: "8", Basis: "its alarm", Owner: "lena", Review: event.At(storyNow.Time().Truncate(24*3600e9).AddDate(0, 0, 6).Add(-3600e9))}
	for _, c := range []struct {
		path string
		form url.Values
		want any
		to   string
	}{
		{
			"/house/places", values("new", "yes", "id", "hatch 2", "name", "hatch", "kind", "hatch", "zone", "Europe/Berlin", "assumed.low", "−2,5", "assumed.high", "8", "basis", "its alarm",
				"owner", "lena", "review", "2026-11-30", "benchSpinMinutes", "20", "relabel", "yes"),
			HousePlace{ID: "hatch 2", Name: "hatch", Kind: "hatch", Zone: "Europe/Berlin", Range: room, BenchSpinMin: 20, Relabel: true},
			"/house/places/HATCH%202?done=saved",
		},
		{
			"/house/places", values("new", "yes", "id", "cf-9", "kind", "centrifuge", "rotor.slots", "24", "rotor.radiusMm", "172", "rotor.mostPerMinute", "4000", "rotor.holds.low", "4", "rotor.holds.high", "25,5", "rotor.at", "LAB"),
			HousePlace{ID: "cf-9", Kind: "centrifuge", Rotor: HouseRotor{Slots: 24, RadiusMm: 172, MostPerMin: 4000, Low: "4", High: "25.5", At: "LAB"}}, "/house/places/CF-9?done=saved",
		},
		{"/house/places", values("id", "ferry", "kind", "vehicle"), HousePlace{ID: "ferry", Kind: "vehicle"}, "/house/places/FERRY?done=saved"},
		{"/house/carriers", values("id", "B-7", "kind", "box", "ownClimate", "yes"), HouseCarrier{ID: "B-7", Kind: "box", OwnClimate: true}, "/house/carriers/B-7?done=saved"},
		{
			"/house/loggers", values("id", "LG-2", "everySeconds", "600", "uncertainty", "0,5", "in", "B-3", "occurredAt", "2026-11-24T08:00", "zone", "+01:00"),
			HouseLogger{ID: "LG-2", EverySec: 600, HoldSec: -1, Uncertainty: "0.5", In: "B-3", Since: ago(126), Zone: "+01:00"}, "/house/loggers/LG-2?done=saved",
		},
		{
			"/house/routes", values("new", "yes", "id", "N", "from", "north", "to", "LAB", "departs", "07:30\r\n 16:40 \r\n\r\n", "takesMinutes", "95", "zone", "Europe/Berlin"),
			HouseRoute{ID: "N", From: "north", To: "LAB", Departs: []string{"07:30", "16:40"}, TakesMin: 95, Zone: "Europe/Berlin"}, "/house/routes/N?done=saved",
		},
		{
			"/house/people", values("new", "yes", "id", "k-4", "role", "", "roles[0].role", "", "roles[1].role", "collector", "roles[1].place", "NORTH", "active", "yes"),
			HousePerson{ID: "k-4", Roles: []HouseRoleAt{{"collector", "NORTH"}}, Active: true}, "/house/people/k-4?done=saved",
		},
		{"/house/devices", values("new", "yes", "id", "PH-10", "kind", "phone", "place", "NORTH"), HouseDevice{ID: "PH-10", Kind: "phone", Place: "NORTH", Active: true}, "/house/devices/PH-10?done=saved"},
		// A corrected place lets no revoked device act again.
		{"/house/devices", values("id", "PH-9", "kind", "phone", "place", "LAB"), HouseDevice{ID: "PH-9", Kind: "phone", Place: "LAB"}, "/house/devices/PH-9?done=saved"},
		{
			"/house/people/oskar/sign-in", values("badge", "]C0BADGE 7", "pin", "314159", "again", "314159"),
			[2]any{"oskar", HouseSecrets{Badge: "BADGE 7", PIN: "314159"}}, "/house/people/oskar?done=sign-in",
		},
		{"/house/people/oskar/release", values(), "release oskar", "/house/people/oskar?done=released"},
		{"/house/tokens/TK-4/revoke", values(), "revoke TK-4", "/house/tokens?done=revoked"},
	} {
		k := &keeper{Story: Story{house: fullHouse()}}
		h := New(k, Options{})
		c.form.Set("by", " lena ")
		w := send(t, h, c.path, c.form)
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != c.to {
			t.Errorf("%s: status %d to %q, want 303 to %s\n%s", c.path, w.Code, w.Header().Get("Location"), c.to, alertOf(w.Body.String()))
			continue
		}
		if len(k.got) != 1 || fmt.Sprintf("%+v", k.got[0]) != fmt.Sprintf("%+v", c.want) || k.by != "lena" {
			t.Errorf("%s: declared by %q\n%+v, want\n%+v", c.path, k.by, k.got, c.want)
		}
	}
	d := fullHouse().house.Devices[1]
	k := &keeper{Story: Story{house: fullHouse()}}
	d.Active = false
	w := send(t, New(k, Options{}), "/house/devices/ph-2/revoke", values("sure", "yes", "by", "lena"))
	if w.Code != http.StatusSeeOther || len(k.got) != 1 || fmt.Sprint(k.got[0]) != fmt.Sprint(d) {
		t.Errorf("revoking: %d, %+v", w.Code, k.got)
	}
	for _, done := range slices.Sorted(maps.Keys(houseStatus)) {
		path := "/house/places/LAB?done=" + done
		if body := get(t, New(k, Options{}), path).Body.String(); !strings.Contains(html.UnescapeString(body), houseStatus[done]) {
			t.Errorf("%s doesn't say what was done", path)
		}
	}
}

// Sent twice, a form is one; and nobody overwrites unseen what somebody else has said
// meanwhile.
func TestHouseFormsAreOneAndSeeEachOther(t *testing.T) {
	k := &keeper{Story: Story{house: fullHouse()}}
	h := New(k, Options{})
	seen := func() string {
		_, rest, _ := strings.Cut(get(t, h, "/house/routes/CROSSING").Body.String(), `name="seen" value="`)
		out, _, _ := strings.Cut(rest, `"`)
		return out
	}
	first := seen()
	v := values("id", "crossing", "from", "NORTH", "to", "LAB", "departs", "07:30\r\n12:00", "takesMinutes", "95", "zone", "Atlantic/Reykjavik", "by", "mira", "seen", first)
	if w := send(t, h, "/house/routes", v); w.Code != http.StatusSeeOther || len(k.got) != 1 {
		t.Fatalf("the first: %d, %v", w.Code, k.got)
	}
	k.house.house.Routes[0].Departs = []string{"07:30", "12:00"} // as the log now says
	if w := send(t, h, "/house/routes", v); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/house/routes/CROSSING?done=saved" || len(k.got) != 1 {
		t.Errorf("sent twice: %d, declared %d times", w.Code, len(k.got))
	}
	v.Set("new", "yes")
	v.Del("seen")
	if w := send(t, h, "/house/routes", v); w.Code != http.StatusSeeOther || len(k.got) != 1 {
		t.Errorf("a new one sent twice: %d, declared %d times", w.Code, len(k.got))
	}
	v.Del("new")
	v.Set("seen", first)
	v.Set("departs", "16:40")
	w := send(t, h, "/house/routes", v)
	if w.Code != 422 || len(k.got) != 1 || !strings.Contains(w.Body.String(), "Somebody described it anew") || !strings.Contains(w.Body.String(), ">16:40</textarea>") {
		t.Errorf("opened before somebody else saved: %d, declared %d times", w.Code, len(k.got))
	}
	v.Set("seen", seen())
	if w := send(t, h, "/house/routes", v); w.Code != http.StatusSeeOther || len(k.got) != 2 {
		t.Errorf("saved again: %d, declared %d times", w.Code, len(k.got))
	}
	// What is opened and saved unchanged is meant so.
	v.Set("departs", "07:30\n12:00")
	if w := send(t, h, "/house/routes", v); w.Code != http.StatusSeeOther || len(k.got) != 3 {
		t.Errorf("saved unchanged: %d, declared %d times", w.Code, len(k.got))
	}
}

// Where people sign in, a page without a rule is for nobody.
func TestEveryPageOfTheHouseHasARule(t *testing.T) {
	n := 0
	for _, pattern := range newServer(Story{}, Options{}).routes().patterns {
		if !strings.Contains(pattern, " /house") {
			continue
		}
		n++
		if rule, ok := whoSees[pattern]; !ok || rule.Open || len(rule.Roles) == 0 {
			t.Errorf("%s: nobody is named who may, or everybody", pattern)
		}
	}
	for pattern := range whoSees {
		if strings.Contains(pattern, " /house") {
			n--
		}
	}
	if n != 0 {
		t.Errorf("%d pages more than rules", n)
	}
}

// alertOf gives the words of a page's alert.
func alertOf(body string) string {
	_, rest, _ := strings.Cut(body, `role="alert"`)
	said, _, _ := strings.Cut(rest, "</div>")
	return said
}

// What is wrong is said at its field, what was said is given back, and nothing is
// declared.
func TestHouseFormsNameTheField(t *testing.T) {
	for _, c := range []struct {
		path  string
		form  url.Values
		field string
		say   string
	}{
		{"/house/places", values("new", "yes", "kind", "ward"), "id", "give it the number or code"},
		{"/house/places", values("new", "yes", "id", "lab", "kind", "ward"), "id", "LAB is declared already"},
		{"/house/places", values("new", "yes", "id", "X"), "kind", "choose what kind"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "ward", "assumed.low", "2", "assumed.high", "8"), "owner", "say who answers"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "ward", "assumed.low", "2", "assumed.high", "8", "owner", "lena"), "basis", "say why the range"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "ward", "review", "2026-11-31"), "review", "is no date"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "ward", "benchSpinMinutes", "some"), "benchSpinMinutes", "no whole number"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "centrifuge", "rotor.radiusMm", "172", "rotor.mostPerMinute", "4000"), "rotor.slots", "how many tubes one run takes"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "centrifuge", "rotor.slots", "24", "rotor.radiusMm", "0", "rotor.mostPerMinute", "4000"), "rotor.radiusMm", "give 1 or more"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "centrifuge", "rotor.slots", "24", "rotor.radiusMm", "172"), "rotor.mostPerMinute", "the rotor bears"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "centrifuge", "rotor.slots", "24", "rotor.radiusMm", "172", "rotor.mostPerMinute", "4000", "rotor.holds.high", "9"), "rotor.holds.low", "both ends"},
		{"/house/places", values("new", "yes", "id", "X", "kind", "ward", "rotor.radiusMm", "172"), "rotor.slots", "only a centrifuge"},
		{"/house/programmes/check", values("programmes[0].tubes", "A", "programmes[0].g", "2000", "programmes[0].minutes", "5"), "programmes[0].name", "people at the centrifuges"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].g", "2000", "programmes[0].minutes", "5"), "programmes[0].tubes", "name the tube types"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].tubes", "A B A", "programmes[0].g", "2000", "programmes[0].minutes", "5"), "programmes[0].tubes", "A stands in a already"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].tubes", "A", "programmes[0].g", "2000", "programmes[0].minutes", "5", "programmes[4].name", "A", "programmes[4].tubes", "B", "programmes[4].g", "2000", "programmes[4].minutes", "5"), "programmes[1].name", "programme 1 is called so too"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].tubes", "A", "programmes[0].g", "1000001", "programmes[0].minutes", "5"), "programmes[0].g", "1 to 1000000"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].tubes", "A", "programmes[0].g", "50", "programmes[0].withinG", "50", "programmes[0].minutes", "5"), "programmes[0].withinG", "below the force"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].tubes", "A", "programmes[0].g", "50"), "programmes[0].minutes", "1 to 1440"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].tubes", "A", "programmes[0].g", "50", "programmes[0].minutes", "5", "programmes[0].handlingMinutes", "-1"), "programmes[0].handlingMinutes", "0 to 1440"},
		{"/house/programmes/check", values("programmes[0].name", "a", "programmes[0].tubes", "A", "programmes[0].g", "50", "programmes[0].minutes", "5", "programmes[0].temperature.low", "9", "programmes[0].temperature.high", "8"), "programmes[0].temperature.low", "change them over"},
		{"/house/carriers", values("id", "B-3", "kind", ""), "kind", "choose what it is"},
		{"/house/loggers", values("id", "LG-1"), "everySeconds", "how often"},
		{"/house/loggers", values("id", "LG-1", "everySeconds", "60", "holdSeconds", "-5"), "holdSeconds", "can't be negative"},
		{"/house/loggers", values("id", "LG-1", "everySeconds", "60", "occurredAt", "2026-11-24T08:00"), "in", "say what it is on"},
		{"/house/loggers", values("id", "LG-1", "everySeconds", "60", "in", "B-3", "occurredAt", "yesterday"), "occurredAt", "no date and time"},
		{"/house/routes", values("new", "yes", "id", "R", "from", "NORTH", "to", "MOON", "takesMinutes", "5"), "to", "MOON is no declared place"},
		{"/house/routes", values("new", "yes", "id", "R", "from", "NORTH", "takesMinutes", "5"), "to", "where it ends"},
		{"/house/routes", values("new", "yes", "id", "R", "from", "NORTH", "to", "LAB", "departs", "07:30", "takesMinutes", "5"), "zone", "by whose clocks"},
		{"/house/people", values("new", "yes", "id", "k-4", "active", "yes"), "role", "choose a role"},
		{"/house/people", values("new", "yes", "id", "k-4", "roles[1].place", "NORTH"), "roles[0].role", "say which role"},
		{"/house/devices", values("new", "yes", "id", "PH-10"), "kind", "choose what it is"},
		{"/house/people/oskar/sign-in", values(), "badge", "fill in at least one"},
		{"/house/people/oskar/sign-in", values("pin", "12345", "again", "12345"), "pin", "6 to 12 digits"},
		{"/house/people/oskar/sign-in", values("pin", "123456", "again", "123457"), "again", "differ"},
		{"/house/people/oskar/sign-in", values("account", "o", "again", "123457"), "again", "differ"},
		{"/house/devices/PH-2/revoke", values(), "sure", "unsent scans"},
		{"/house/tokens", values("name", "n", "days", "367", "scope.read", "yes"), "days", "1 to 366"},
		{"/house/tokens", values("name", "n", "days", "", "scope.read", "yes"), "days", "1 to 366"},
		{"/house/tokens", values("days", "5", "scope.read", "yes"), "name", "which machine"},
		{"/house/tokens", values("name", "n", "days", "5", "scope.read", "yes", "loggers", "LG-1"), "loggers", "may not send readings"},
		{"/house/identity", values(), "patient", "only one of them"},
		{"/house/identity", values("patient", "1", "reference", "2"), "patient", "only one of them"},
		{"/house/identity", values("patient", "PT260009"), "patient", "nobody is known"},
	} {
		k := &keeper{Story: Story{house: fullHouse()}}
		h := New(k, Options{})
		c.form.Set("by", "lena")
		w := send(t, h, c.path, c.form)
		body := html.UnescapeString(w.Body.String())
		tag := fieldNamed(body, c.field)
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(alertOf(strings.ToLower(body)), strings.ToLower(c.say)) || !strings.Contains(tag, `aria-invalid="true"`) || len(k.got) != 0 {
			t.Errorf("%s %v: status %d, %q, declared %v\n%s", c.path, c.form, w.Code, tag, k.got, alertOf(body))
		}
		checkMarkup(t, w.Body.String())
		for name, v := range c.form {
			secret := name == "pin" || name == "again" || name == "badge"
			if !secret && name != "by" && name != "sure" && !strings.HasPrefix(name, "scope.") && !strings.HasPrefix(name, "roles") && name != "relabel" && v[0] != "" && !strings.Contains(body, v[0]) {
				t.Errorf("%s: %s=%q was not given back", c.path, name, v[0])
			}
			if secret && strings.Contains(body, v[0]) {
				t.Errorf("%s: %s is given back", c.path, name)
			}
		}
		c.form.Del("by")
		if w := send(t, h, c.path, c.form); c.path != "/house/identity" && c.path != "/house/programmes/check" && !strings.Contains(alertOf(w.Body.String()), "Your staff code</a>: Say who you are") {
			t.Errorf("%s: nobody said who acts, and it isn't asked for", c.path)
		}
	}
}

// What the API finds wrong stands at the form's field too, and other answers of it are
// told in words.
func TestHouseTellsWhatTheSourceAnswers(t *testing.T) {
	form := values("new", "yes", "id", "k-4", "roles[3].role", "collector", "roles[3].place", "N%", "by", "lena")
	for _, c := range []struct {
		answer error
		status int
		say    string
		field  string
	}{
		{HouseRefused{{"roles[0].place", "it has a character that no key has"}}, 422, "It has a character that no key has.", "roles[0].place"},
		{HouseRefused{{"by", "nobody is declared by it"}}, 422, "Nobody is declared by it.", "by"},
		{HouseRefused{{"", "the volume is closed"}}, 422, "The volume is closed.", ""},
		{HouseRefused{{"else", "it is odd"}}, 422, "else: It is odd.", ""},
		{ErrNotSaved, 503, "press the button again", ""},
		{fmt.Errorf("role: %w", ErrNotAllowed), 403, "Your role doesn't allow it", ""},
		{ErrNotHere, 501, "started without the part", ""},
		{ErrNotFound, 404, "Nothing is declared under this number", ""},
		{ErrNotReady, 503, "Still reading the log", ""},
	} {
		k := &keeper{Story: Story{house: fullHouse()}, answer: c.answer}
		w := send(t, New(k, Options{}), "/house/people", form)
		body := html.UnescapeString(w.Body.String())
		if w.Code != c.status || !strings.Contains(body, c.say) {
			t.Errorf("%v: status %d without %q\n%s", c.answer, w.Code, c.say, alertOf(body))
		}
		if c.field != "" && !strings.Contains(fieldNamed(body, c.field), "aria-invalid") {
			t.Errorf("%v: the field is not marked", c.answer)
		}
		checkMarkup(t, w.Body.String())
	}
}

// A form that another site sends in somebody's name does nothing, whatever it asks for.
func TestHouseRefusesForeignForms(t *testing.T) {
	k := &keeper{Story: Story{house: fullHouse()}}
	h := New(k, Options{})
	paths := []string{
		"/house/tokens", "/house/tokens/TK-4/revoke", "/house/schemes/check", "/house/schemes", "/house/identity", "/house/people/oskar/sign-in",
		"/house/people/oskar/release", "/house/devices/PH-2/invite", "/house/devices/PH-2/revoke", "/house/devices/PH-2/allow",
	}
	for i := range houseKinds {
		paths = append(paths, "/house/"+houseKinds[i].path)
	}
	for _, path := range paths {
		r := httptest.NewRequest(http.MethodPost, path, strings.NewReader("by=lena&id=X&kind=box&role=quality&sure=yes"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "another site") {
			t.Errorf("%s from another site: %d", path, w.Code)
		}
	}
	if len(k.got) != 0 {
		t.Errorf("declared %v", k.got)
	}
	large := send(t, h, "/house/places", values("name", strings.Repeat("x", mostHouseForm+1)))
	if large.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a form too large: %d", large.Code)
	}
}

// Who is told outside the screens stands with what waits; nothing waiting is no praise.
func TestHouseSaysWhatWaitsOutside(t *testing.T) {
	h := House{Now: storyNow, Zone: storyZone, Outside: []HouseOutside{
		{Name: "desk"}, {Name: "night", Waiting: 1, Since: storyNow, Last: "the receiver answered 502", GivenUp: 2},
	}}
	got := h.overview(Site{}).Outside
	if len(got) != 2 || got[0].Do != "nothing waits" || got[0].Mark != levelQuiet {
		t.Fatalf("%+v", got)
	}
	for _, w := range []string{"1 tube waits since", "answered 502", "2 messages were refused"} {
		if !strings.Contains(got[1].Do, w) {
			t.Errorf("%q is not in %q", w, got[1].Do)
		}
	}
	if got[1].Mark != levelSoon {
		t.Errorf("what waits is marked %q", got[1].Mark)
	}
	none := House{Now: storyNow, Zone: storyZone}
	if none.overview(Site{}).Outside != nil {
		t.Error("a house without receivers speaks of them")
	}
}

func TestHouseSaysWhatIsMissing(t *testing.T) {
	says := func(h House) (missing, soon []string) {
		h.Now, h.Zone = storyNow, storyZone
		p := h.overview(Site{})
		for _, l := range p.Missing {
			missing = append(missing, l.Say)
		}
		for _, l := range p.Soon {
			soon = append(soon, l.Say)
		}
		return missing, soon
	}
	missing, _ := says(House{})
	want := []string{"No place is declared", "No limits are adopted", "Nobody may collect", "Nobody may receive", "Nobody may adopt limits"}
	if !slices.Equal(missing, want) {
		t.Errorf("an empty house lacks %q, want %q", missing, want)
	}
	missing, soon := says(fullHouse().house)
	if len(missing) != 0 {
		t.Errorf("a full house lacks %q", missing)
	}
	want = []string{
		"The range of FERRY should have been looked at again", "The range of box B-3 should have been looked at again", "oskar is locked out",
		"The clock of device PH-2 is in doubt", "1 place has no declared range", "No number schemes are declared",
	}
	if !slices.Equal(soon, want) {
		t.Errorf("to be looked at: %q, want %q", soon, want)
	}
	// Who is not active any more, or has the role elsewhere only, doesn't count twice.
	h := fullHouse().house
	for i := range h.People {
		h.People[i].Active = h.People[i].Role != "collector"
	}
	if missing, _ = says(h); !slices.Equal(missing, []string{"Nobody may collect", "Nobody may receive"}) {
		t.Errorf("without the collector: %q", missing)
	}
	r := HouseRange{Low: "2.00", High: "8.00", Review: storyNow}
	if !r.overdue(storyNow) || r.overdue(storyNow-1) || (HouseRange{Review: 1}).overdue(storyNow) {
		t.Error("a review is overdue from its day on, and only where a range is declared")
	}
}

func TestHouseSearchAndLists(t *testing.T) {
	h := quiet(Story{house: fullHouse()})
	for query, want := range map[string]string{"": "7 places", "hatch": "1 place of 7", "LENA thermometer": "4 places of 7", "moon": "0 places of 7", "overdue": "1 place of 7", "4000": "1 place of 7"} {
		w := get(t, h, "/house/places?q="+url.QueryEscape(query))
		if !strings.Contains(w.Body.String(), ">"+want) {
			t.Errorf("%q doesn't find %s", query, want)
		}
	}
	long := fullHouse()
	for n := range searchFrom {
		long.house.Carriers = append(long.house.Carriers, HouseCarrier{ID: fmt.Sprintf("B-%d", 100+n), Kind: "box"})
	}
	if strings.Contains(get(t, h, "/house/carriers").Body.String(), `type="search"`) || !strings.Contains(get(t, quiet(Story{house: long}), "/house/carriers").Body.String(), `type="search"`) {
		t.Error("a long list can be searched, a short one needn't")
	}
	empty := quiet(Story{})
	for i := range houseKinds {
		k := &houseKinds[i]
		body := html.UnescapeString(get(t, empty, "/house/"+k.path).Body.String())
		if !strings.Contains(body, k.empty[0]) {
			t.Errorf("the empty list of %s doesn't say what to do", k.many)
		}
		if w := get(t, empty, "/house/"+k.path+"/X"); w.Code != http.StatusNotFound {
			t.Errorf("%s: a thing that isn't declared: %d", k.path, w.Code)
		}
		for _, id := range k.ids(&fullHouse().house) {
			w := get(t, h, Site{}.houseURL(k.path, id))
			if w.Code != 200 {
				t.Errorf("%s %s: %d", k.path, id, w.Code)
			}
			checkMarkup(t, w.Body.String())
		}
		checkMarkup(t, get(t, h, "/house/new/"+k.path).Body.String())
	}
	if w := get(t, quiet(Story{house: fullHouse(), fault: errors.New("the model has stopped")}), "/house"); w.Code != http.StatusInternalServerError {
		t.Errorf("a house that can't be read: %d", w.Code)
	}
}

// What a form begins with, sent unchanged, declares what was.
func TestHouseFormsKeepWhatTheyDontChange(t *testing.T) {
	house := fullHouse().house
	for i := range houseKinds {
		k := &houseKinds[i]
		for n, id := range k.ids(&house) {
			if id == "PIER" {
				continue // one of its ends is no declared place, which its form refuses
			}
			keep := &keeper{Story: Story{house: fullHouse()}}
			v := k.load(&house, n)
			v.Set("by", "lena")
			if w := send(t, New(keep, Options{}), "/house/"+k.path, v); w.Code != http.StatusSeeOther {
				t.Errorf("%s %s unchanged: %d\n%s", k.path, id, w.Code, alertOf(w.Body.String()))
				continue
			}
			again := house
			switch was := keep.got[0].(type) {
			case HousePlace:
				again.Places = []HousePlace{was}
			case HouseCarrier:
				again.Carriers = []HouseCarrier{was}
			case HouseLogger:
				again.Loggers = []HouseLogger{was}
			case HouseRoute:
				again.Routes = []HouseRoute{was}
			case HousePerson:
				again.People = []HousePerson{was}
			case HouseDevice:
				again.Devices = []HouseDevice{was}
			}
			v.Del("by")
			// Reviews of the stories lie within a day; a form speaks of days.
			if got := k.load(&again, 0); got.Encode() != v.Encode() {
				t.Errorf("%s %s: declared\n%v, was\n%v", k.path, id, got, v)
			}
		}
	}
}
