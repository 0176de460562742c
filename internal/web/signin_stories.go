package web

import (
	"net/http"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
)

// storyChallenge is text of the form that a device signs; nobody sealed this one.
const storyChallenge = "mhx0r2o0.0f3c5a7be1d24968a0b1c2d3e4f50617.aW52ZW50ZWQ"

// signInStories are the pages by which people and devices come in.
func signInStories() []Story {
	nobody := &auth.Principal{}
	mira := &auth.Principal{Kind: auth.Person, ID: "MIRA", Roles: []event.RoleAt{{Role: event.RoleCollector}, {Role: event.RoleReception, Place: "LAB"}}}
	oskar := &auth.Principal{Kind: auth.Person, ID: "OSKAR", Roles: []event.RoleAt{{Role: event.RoleCourier}}}
	lena := &auth.Principal{Kind: auth.Person, ID: "LENA", Roles: []event.RoleAt{{Role: event.RoleEngineer}, {Role: event.RoleQuality}}}
	screen := &auth.Principal{Kind: auth.Device, ID: "WALL-1"}
	fresh := signInPage{Challenge: storyChallenge, Next: "/wall", House: true, Open: true}
	with := func(change func(*signInPage)) signInPage {
		p := fresh
		change(&p)
		return p
	}
	locked := sentence((&auth.LockedError{Until: ahead(15).Time()}).Error())
	return []Story{
		{Name: "sign-in", About: "before badge and PIN, with the house's own sign-in", Path: "/sign-in", as: nobody, shown: fresh, alike: "sign-in-fault"},
		{Name: "sign-in-fault", About: "too many wrong PINs", Path: "/sign-in", as: nobody, code: http.StatusForbidden, shown: with(func(p *signInPage) { p.Fault = locked })},
		{Name: "sign-in-ended", About: "nobody did anything for a while; the house has no sign-in of its own", Path: "/sign-in", as: nobody, shown: with(func(p *signInPage) { p.Ended, p.House = true, false }), alike: "sign-in-fault"},
		{Name: "sign-in-nobody", About: "the laboratory has not been set up", Path: "/sign-in", as: nobody, shown: with(func(p *signInPage) { p.Open = false }), alike: "sign-in-fault"},
		{Name: "hand-over", About: "somebody is signed in and another takes over", Path: "/sign-in", as: oskar, shown: with(func(p *signInPage) { p.Who = "OSKAR" })},
		{Name: "hand-over-fault", About: "the other's badge is not known; the first stays signed in", Path: "/sign-in", as: oskar, code: http.StatusForbidden, shown: with(func(p *signInPage) {
			p.Who, p.Fault = "OSKAR", sentence(auth.ErrWrong.Error())
		}), alike: "hand-over"},
		{Name: "come-in", About: "back from the house's own sign-in, for a moment", Path: "/sign-in/back", as: nobody, shown: comeInPage{To: "/sign-in"}, alike: "sign-in-fault"},
		{Name: "set-up", About: "the link that was printed at the first start", Path: "/set-up/invented", as: nobody, shown: setUpPage{Secret: "invented"}, alike: "set-up-faults"},
		{Name: "set-up-faults", About: "every field is wrong", Path: "/set-up/invented", as: nobody, code: http.StatusBadRequest, shown: setUpPage{Secret: "invented", Code: "mira!", Faults: map[string]string{
			"id": "Give your staff code: letters and digits.", "badge": "Scan or type your badge.", "pin": sentence(auth.CheckPIN("123456")), "again": "The two PINs differ; type the same twice.",
		}}},
		{Name: "set-up-used", About: "the link was used before", Path: "/set-up/invented", as: nobody, code: http.StatusForbidden, shown: noSetUp(), alike: "no-such-page"},
		{Name: "enrol", About: "a device before its code is typed", Path: "/enrol", as: nobody, shown: enrolPage{}},
		{Name: "not-for-you", About: "a page for others, with roles at one place in the head", Path: "/house/people", as: mira, code: http.StatusForbidden, shown: notForYou(&auth.NotAllowedError{Rule: peopleRule}, mira), alike: "no-such-page"},
		{Name: "start-engineer", About: "somebody who may see all is signed in", Path: "/", as: lena, alike: "start"},
		{Name: "start-courier", About: "House and other pages that are not for a courier are not offered", Path: "/", as: oskar, alike: "start"},
		{Name: "wall-screen", About: "a screen on the wall without a person", Path: "/wall", wall: wallBusy, as: screen, alike: "wall-busy"},
	}
}
