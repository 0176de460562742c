package web

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// storyHouse is how the house of a story is set up.
type storyHouse struct {
	house  House
	tokens []HouseToken
	views  []HouseView
	days   int
	refuse error // what every write is answered
}

// House is part of HouseSource.
func (s Story) House(context.Context) (House, error) {
	if s.house == nil {
		return House{Seq: 1, Now: storyNow, Zone: storyZone}, nil
	}
	h := s.house.house
	h.People = slices.Clone(h.People)
	h.Schemes = len(s.Schemes().All())
	return h, s.fault
}

// refused is the answer to every write of a story, which stays as it is.
func (s Story) refused() error {
	if s.house == nil || s.house.refuse == nil {
		return ErrNotSaved
	}
	return s.house.refuse
}

// DeclarePlace is part of HouseSource.
func (s Story) DeclarePlace(_ context.Context, p HousePlace, _ string) (string, error) {
	return p.ID, s.refused()
}

// DeclareCarrier is part of HouseSource.
func (s Story) DeclareCarrier(_ context.Context, c HouseCarrier, _ string) (string, error) {
	return c.ID, s.refused()
}

// DeclareLogger is part of HouseSource.
func (s Story) DeclareLogger(_ context.Context, l HouseLogger, _ string) (string, error) {
	return l.ID, s.refused()
}

// DeclareRoute is part of HouseSource.
func (s Story) DeclareRoute(_ context.Context, r HouseRoute, _ string) (string, error) {
	return r.ID, s.refused()
}

// DeclarePerson is part of HouseSource.
func (s Story) DeclarePerson(_ context.Context, p HousePerson, _ string) (string, error) {
	return p.ID, s.refused()
}

// DeclareDevice is part of HouseSource.
func (s Story) DeclareDevice(_ context.Context, d HouseDevice, _ string) (string, error) {
	return d.ID, s.refused()
}

// DeclareSchemes is part of HouseSource: it looks, as the API does, and puts nothing in
// force.
func (s Story) DeclareSchemes(_ context.Context, schemes []label.Scheme, dry bool, _ string) ([]string, error) {
	set, err := label.Compile(schemes)
	if err == nil {
		if !dry {
			return nil, s.refused()
		}
		return set.Warnings(), nil
	}
	var refused HouseRefused
	var fault *label.SchemeError
	if joined, ok := err.(interface{ Unwrap() []error }); ok { //nolint:errorlint // the form of errors.Join
		for _, one := range joined.Unwrap() {
			if errors.As(one, &fault) {
				refused = append(refused, HouseFault{fmt.Sprintf("schemes[%d].%s", fault.Index, fault.Field), fault.Say})
			}
		}
	}
	return nil, refused
}

// DeclareProgrammes is part of HouseSource.
func (s Story) DeclareProgrammes(context.Context, []HouseProgramme, string) error { return s.refused() }

// SignIn is part of HouseSource.
func (s Story) SignIn(_ context.Context, person string) (HouseSignIn, error) {
	if s.house != nil {
		for _, p := range s.house.house.People {
			if p.ID == person && p.SignIn != nil {
				return *p.SignIn, nil
			}
		}
	}
	return HouseSignIn{}, ErrNotHere
}

// SetSignIn is part of HouseSource.
func (s Story) SetSignIn(context.Context, string, HouseSecrets, string) error { return s.refused() }

// ReleaseLock is part of HouseSource.
func (s Story) ReleaseLock(context.Context, string, string) error { return s.refused() }

// InviteDevice is part of HouseSource.
func (s Story) InviteDevice(context.Context, string, string) (HouseInvitation, error) {
	if s.house == nil {
		return HouseInvitation{}, ErrNotHere
	}
	return HouseInvitation{Code: "K7QF-2MXD", Until: ahead(10)}, nil
}

// Tokens is part of HouseSource.
func (s Story) Tokens(context.Context) ([]HouseToken, error) {
	if s.house == nil {
		return nil, ErrNotHere
	}
	return slices.Clone(s.house.tokens), nil
}

// MakeToken is part of HouseSource.
func (s Story) MakeToken(_ context.Context, t HouseToken, days int64, by string) (HouseToken, string, error) {
	t.ID, t.By, t.Made, t.Until = "TK-5", by, storyNow, ahead(int(days)*24*60)
	return t, "invented-4f9c1b7e0d2a6835c4e1f7a90b3d5c62", nil
}

// RevokeToken is part of HouseSource.
func (s Story) RevokeToken(context.Context, string, string) error { return s.refused() }

// IdentityDays is part of HouseSource.
func (s Story) IdentityDays() int {
	if s.house == nil {
		return 0
	}
	return s.house.days
}

// Views is part of HouseSource.
func (s Story) Views(_ context.Context, patient, reference string) ([]HouseView, string, error) {
	switch {
	case s.house == nil:
		return nil, "", ErrNotHere
	case patient+reference == "PT260009":
		return nil, "", ErrNotFound
	}
	return slices.Clone(s.house.views), "P-7f3a09c2", nil
}

// houseStories are the named states of the house. TestAxe looks at each of them in a
// browser, so they are few; the rest of the faults are in house_test.go.
func houseStories() []Story {
	refused := fullHouse()
	refused.refuse = HouseRefused{{"assumed.low", "it is missing; it must be given"}, {"zone", "\"Berlin\" is no time zone; write it as in Europe/Berlin"}}
	schemes := func(set []label.Scheme, more url.Values) url.Values {
		f := &houseSaid{Values: url.Values{"by": {"lena"}}}
		for n, one := range set {
			f.setScheme(n, one)
		}
		for name, v := range more {
			f.Values[name] = v
		}
		return f.Values
	}
	sound := storySchemes.All()
	faulty := append(storySchemes.All(), label.Scheme{ID: "tb", Issuer: "the reception", Names: label.Tube, Pattern: "TB######"}, label.Scheme{ID: "BX", Names: label.Carrier, Pattern: "B{"})
	return []Story{
		{Name: "house-empty", About: "a first start: in which order to begin", Path: "/house"},
		{Name: "house", About: "all is declared; two ranges are overdue, somebody is locked out, a clock is in doubt", Path: "/house", Demo: true, house: fullHouse()},
		{Name: "house-places", alike: "house-people", About: "places with and without a range", Path: "/house/places", house: fullHouse()},
		{Name: "house-place-wrong", About: "faults of the page and of the API at their fields", Path: "/house/places", house: refused, form: url.Values{
			"id": {"HATCH-2"}, "new": {"yes"}, "name": {"hatch behind the kitchen"}, "kind": {"hatch"}, "zone": {"Berlin"}, "assumed.high": {"25"}, "owner": {"oskar"}, "basis": {"a thermometer on the wall"},
			"review": {"2027-03-01"}, "by": {"lena"},
		}},
		{Name: "house-logger", alike: "house-device", About: "a logger with its files, one of them taken back", Path: "/house/loggers/LG-1", house: fullHouse()},
		{Name: "house-people", About: "people, one of them locked out", Path: "/house/people", house: fullHouse()},
		{Name: "house-person-wrong", alike: "house-place-wrong", About: "a person who is locked out; two PINs that differ are not given back", Path: "/house/people/oskar/sign-in", house: fullHouse(), form: url.Values{
			"badge": {"]C0SECRET-BADGE"}, "pin": {"314159"}, "again": {"314158"}, "account": {"oskar@islands"},
		}},
		{Name: "house-device", About: "a device with a doubtful clock, and what revoking it costs", Path: "/house/devices/PH-2", house: fullHouse()},
		{Name: "house-device-code", About: "the code of a device, shown once", Path: "/house/devices/PH-3/invite", house: fullHouse(), form: url.Values{"by": {"lena"}}},
		{Name: "house-tokens-wrong", About: "tokens of machines, and a form with every fault", Path: "/house/tokens", house: fullHouse(), form: url.Values{"days": {"900"}, "loggers": {"LG-1"}}},
		{Name: "house-token-shown", alike: "house-device-code", About: "the secret of a token, shown once", Path: "/house/tokens", house: fullHouse(), form: url.Values{
			"name": {"gateway of the ferry"}, "scope.readings": {"yes"}, "loggers": {"LG-1 LG-2"}, "days": {"180"}, "by": {"lena"},
		}},
		{Name: "house-schemes-faults", About: "a set in which one label could be two things", Path: "/house/schemes/check", house: fullHouse(), form: schemes(faulty, nil)},
		{Name: "house-schemes-warnings", alike: "house-schemes-faults", About: "a sound set with warnings, and a label tried on it", Path: "/house/schemes/check", house: fullHouse(), form: schemes(
			append(sound, label.Scheme{ID: "N", Issuer: "the old system", Names: label.Request, Pattern: "####"}, label.Scheme{ID: "M", Issuer: "the old system", Names: label.Draw, Pattern: "#####"}), url.Values{"try": {"TB260118"}})},
		{Name: "house-programmes", About: "what to set on each centrifuge; a tube type without programme", Path: "/house/programmes", house: fullHouse()},
		{Name: "house-programmes-wrong", About: "programmes with every kind of fault", Path: "/house/programmes/check", house: fullHouse(), form: url.Values{
			"programmes[0].name": {"plasma"}, "programmes[0].tubes": {"LIHEP-GEL CITRATE"}, "programmes[0].g": {"2000"}, "programmes[0].minutes": {"10"},
			"programmes[1].name": {"Plasma"}, "programmes[1].tubes": {"CITRATE"}, "programmes[1].g": {"fast"}, "programmes[1].withinG": {"50"}, "programmes[1].temperature.low": {"25"}, "programmes[1].temperature.high": {"4"}, "by": {"lena"},
		}},
		{Name: "house-programmes-checked", alike: "house-programmes", About: "sound programmes, not declared yet", Path: "/house/programmes/check", house: fullHouse(), form: url.Values{
			"programmes[0].name": {"plasma"}, "programmes[0].tubes": {"LIHEP-GEL, FLUORIDE"}, "programmes[0].g": {"3000"}, "programmes[0].withinG": {"100"}, "programmes[0].minutes": {"7"}, "programmes[0].handlingMinutes": {"4"},
			"programmes[0].temperature.low": {"2"}, "programmes[0].temperature.high": {"8"}, "by": {"lena"},
		}},
		{Name: "house-views", alike: "house-tokens-wrong", About: "who looked at an identity", Path: "/house/identity", house: fullHouse(), form: url.Values{"reference": {"P-7f3a09c2"}}},
	}
}

// storyProgrammes are invented, as is all of the site.
var storyProgrammes = []HouseProgramme{
	{Name: "plasma", Tubes: []string{"LIHEP-GEL", "FLUORIDE"}, G: 2000, WithinG: 200, Minutes: 10, HandlingMin: 4, Low: "15", High: "25"},
	{Name: "serum", Tubes: []string{"SERUM-GEL"}, G: 1800, WithinG: 200, Minutes: 10, HandlingMin: 4},
	{Name: "coagulation", Tubes: []string{"CITRATE"}, G: 1500, Minutes: 15, HandlingMin: 4, Low: "15", High: "25"},
}

// fullHouse is the set-up of the invented site: island clinics, a ferry, a laboratory.
func fullHouse() *storyHouse {
	day := 24 * 60
	room := HouseRange{Low: "19.00", High: "24.00", Basis: "thermometer read twice a day since March", Owner: "lena", Review: ahead(90 * day)}
	h := House{
		Seq: 4812, Now: storyNow, Zone: storyZone, Limits: "starter, version 1, adopted by lena",
		Outside: []HouseOutside{
			{Name: "desk"},
			{Name: "night", Waiting: 12, Since: ago(25), Last: "refused: the mail server answered 550", GivenUp: 1},
		},
		Places: []HousePlace{
			{ID: "CF-1", Name: "large centrifuge", Kind: "centrifuge", Range: room, Rotor: HouseRotor{Slots: 40, RadiusMm: 172, MostPerMin: 4000, Low: "4.00", High: "25.00", At: "LAB"}},
			{ID: "CF-2", Name: "small centrifuge by the window", Kind: "centrifuge", Range: room, Rotor: HouseRotor{Slots: 12, RadiusMm: 100, MostPerMin: 3600}},
			{ID: "FERRY", Name: "ferry, hold", Kind: "vehicle", Range: HouseRange{Low: "8.00", High: "26.50", Basis: "a logger left there for a week in August", Owner: "oskar", Review: ago(21 * day)}},
			{ID: "HATCH-1", Name: "hatch at the pier", Kind: "hatch"},
			{ID: "LAB", Name: "mainland laboratory", Kind: "reception", Zone: "Europe/Berlin", Range: room, BenchSpinMin: 20, Relabel: true},
			{ID: "NORTH", Name: "north clinic", Kind: "clinic", Zone: "Atlantic/Reykjavik", Range: room},
			{ID: "STORE", Name: "cold store", Kind: "store", Range: HouseRange{Low: "2.00", High: "8.00", Basis: "its own alarm, checked yearly", Owner: "lena"}},
		},
		Programmes: storyProgrammes,
		TubeTypes: []HouseTubeType{
			{"CITRATE", "citrate"}, {"EDTA", "EDTA"}, {"FLUORIDE", "fluoride oxalate"}, {"LIHEP-GEL", "lithium heparin with gel"}, {"SERUM-GEL", "serum with gel"},
		},
		Carriers: []HouseCarrier{
			{ID: "B-3", Kind: "box", OwnClimate: true, Range: HouseRange{Low: "15.00", High: "25.00", Basis: "packed with two plates, report V-4", Owner: "lena", Review: ago(2 * day)}},
			{ID: "B-7", Kind: "box", OwnClimate: true}, {ID: "G-2", Kind: "bag"},
		},
		Loggers: []HouseLogger{
			{ID: "LG-1", EverySec: 300, HoldSec: -1, Uncertainty: "0.50", Zone: "+01:00", In: "B-3", InKind: "carrier", Since: ago(9 * day), Imports: []HouseImport{
				{File: "ferry-week-46.csv", At: ago(8 * day), By: "lena", Values: 2016, First: ago(15 * day), Last: ago(8 * day), Voided: true},
				{File: "ferry-week-47.csv", At: ago(30), By: "lena", Values: 1987, Faults: 4, First: ago(8 * day), Last: ago(40)},
			}},
			{ID: "LG-2", EverySec: 600, HoldSec: 600, MaxGapSec: 1200},
		},
		Routes: []HouseRoute{
			{ID: "CROSSING", From: "NORTH", To: "LAB", Zone: "Atlantic/Reykjavik", Departs: []string{"07:30", "11:15", "16:40"}, TakesMin: 95},
			{ID: "PIER", From: "SOUTH", To: "HATCH-1", TakesMin: 12},
		},
		People: []HousePerson{
			{ID: "lena", Role: "quality", Active: true, SignIn: &HouseSignIn{Badge: true, PIN: true, Account: true}},
			{ID: "mira", Role: "collector", Active: true, Roles: []HouseRoleAt{{"reception", "LAB"}}, SignIn: &HouseSignIn{Badge: true, PIN: true}},
			{ID: "oskar", Role: "courier", Active: true, SignIn: &HouseSignIn{Badge: true, PIN: true, LockedUntil: ahead(11), Failures: 5}},
			{ID: "q-17", Role: "scientist", SignIn: &HouseSignIn{}},
			{ID: "s-02", Role: "scientist", Active: true, SignIn: &HouseSignIn{Badge: true, PIN: true}},
		},
		Devices: []HouseDevice{
			{ID: "DESK-1", Kind: "desk", Place: "LAB", Active: true, KeyID: "9c41e7", OffsetMs: 240, Measured: ago(3)},
			{ID: "PH-2", Kind: "phone", Place: "NORTH", Active: true, KeyID: "77a0d2", OffsetMs: -184_000, Measured: ago(14), Doubts: []event.Doubt{event.DoubtClockJumped}},
			{ID: "PH-3", Kind: "phone", Place: "NORTH", Active: true},
			{ID: "PH-9", Kind: "phone", KeyID: "0be311", OffsetMs: 0, Measured: ago(40 * day)},
		},
	}
	return &storyHouse{house: h, days: 30, tokens: []HouseToken{
		{ID: "TK-4", Name: "gateway north clinic", Scopes: []string{"readings"}, Loggers: []string{"LG-2"}, Made: ago(20 * day), Until: ahead(70 * day), By: "lena"},
		{ID: "TK-3", Name: "order system", Scopes: []string{"requests", "identity"}, Made: ago(80 * day), Until: ahead(10 * day), By: "lena"},
		{ID: "TK-1", Name: "order system, trial", Scopes: []string{"requests"}, Made: ago(200 * day), Until: ago(20 * day), Revoked: true, By: "oskar"},
	}, views: []HouseView{
		{At: ago(25), By: "mira", Role: "collector", Device: "PH-2", Place: "NORTH", Why: "bedside", About: "request R-7731"},
		{At: ago(3 * day), By: "lena", Role: "quality", Device: "DESK-1", Place: "LAB", Why: "correction"},
	}}
}
