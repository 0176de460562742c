package rehearsal

import (
	"fmt"
	"strconv"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

// How a group of laboratories grows with the tubes of its day.
const (
	tubesOfSite = 120
	sitesOfLab  = 40
)

// way is how boxes come from a site to the laboratory.
type way uint8

const (
	byFoot  way = iota // a ward in the laboratory's house
	byVan              // a clinic on the mainland
	byFerry            // a clinic on an island: ferry, then van
)

// ways of sites, in turn: two wards, two clinics, one island.
var ways = [...]way{byFoot, byVan, byFoot, byVan, byFerry}

// rounds of collecting of one day: when they begin, in minutes, and their share of
// the site's tubes in a hundred.
var rounds = [...]struct{ minute, share int }{{390, 30}, {495, 25}, {600, 18}, {750, 12}, {900, 10}, {1080, 5}}

// leavesAfter is how long after a round's planned beginning its van or ferry leaves.
const leavesAfter = 95 * time.Minute

// site is where blood is drawn. It is made from its number and the seed alone.
type site struct {
	number     int
	way        way
	skew       time.Duration // of the collector's phone
	wrongClock bool
}

func (d *Day) site(number int) site {
	dice := dice{sourceOf(d.settings.Seed, ofSite, number)}
	s := site{number: number, way: ways[number%len(ways)], skew: time.Duration(dice.between(-2_000, 2_000)) * time.Millisecond}
	if dice.falls(d.often(phoneRate.parts)) {
		s.wrongClock = true
		s.skew = time.Duration(dice.between(5, 300)) * time.Minute
		if dice.below(2) == 0 {
			s.skew = -s.skew
		}
	}
	return s
}

func name(what string, number int) string { return what + "-" + padded(number+1, 4) }

// padded writes a number with zeros in front; a day has millions of names, so it
// doesn't go through fmt.
func padded(number, width int) string {
	text := strconv.Itoa(number)
	if len(text) >= width {
		return text
	}
	return "0000000"[:width-len(text)] + text
}

func (s site) lab() int { return s.number / sitesOfLab }

func (s site) place() string {
	switch s.way {
	case byFoot:
		return name("WARD", s.number)
	case byFerry:
		return name("ISLE", s.number)
	default:
		return name("CLINIC", s.number)
	}
}

func (s site) collector() string { return name("mira", s.number) }
func (s site) courier() string   { return name("oskar", s.number) }
func (s site) phone() string     { return name("PHONE-C", s.number) }
func (s site) onRoad() string    { return name("PHONE-R", s.number) }
func (s site) vehicle() string   { return name("VAN", s.number) }
func (s site) ferry() string     { return name("FERRY", s.number) }
func (s site) harbour() string   { return name("HARBOUR", s.number) }
func (s site) spare() string     { return name("SPARE", s.number) }
func (s site) route() string     { return name("ROUTE", s.number) }

func (s site) reception() string { return name("RECEPTION", s.lab()) }
func (s site) bench() string     { return name("BENCH", s.lab()) }
func (s site) store() string     { return name("STORE", s.lab()) }
func (s site) desk() string      { return name("DESK-R", s.lab()) }
func (s site) benchDesk() string { return name("DESK-B", s.lab()) }
func (s site) lena() string      { return name("lena", s.lab()) }

// takes is how long the way to the laboratory takes by the timetable.
func (s site) takes() time.Duration {
	switch s.way {
	case byFoot:
		return 10 * time.Minute
	case byFerry:
		return 75 * time.Minute
	default:
		return 40 * time.Minute
	}
}

func band(low, high event.CentiC) event.Range { return event.Range{Low: low, High: high, Known: true} }

// zone of all places: a generated day is the same everywhere.
const zone = "UTC"

// declareLab gives a laboratory's things.
func (s site) declareLab() []story.Declared {
	const basis = "invented for a generated day"
	place := func(id, kind string, low, high event.CentiC) story.Declared {
		return story.Place{ID: id, Kind: kind, Zone: zone, Assumed: band(low, high), Owner: s.lena(), Basis: basis}
	}
	return []story.Declared{
		story.Person{ID: s.lena(), Role: "scientist"},
		place(s.reception(), "reception", 2000, 2350), place(s.bench(), "bench", 2000, 2350), place(s.store(), "store", 200, 800),
		story.Device{ID: s.desk(), Kind: "desk"}, story.Device{ID: s.benchDesk(), Kind: "desk"},
	}
}

// declare gives the things of a site.
func (s site) declare() []story.Declared {
	const basis = "invented for a generated day"
	kind := "clinic"
	if s.way == byFoot {
		kind = "ward"
	}
	place := func(id, kind string, low, high event.CentiC) story.Declared {
		return story.Place{ID: id, Kind: kind, Zone: zone, Assumed: band(low, high), Owner: s.lena(), Basis: basis}
	}
	out := []story.Declared{
		place(s.place(), kind, 1900, 2400),
		story.Person{ID: s.collector(), Role: "collector"}, story.Person{ID: s.courier(), Role: "courier"},
		story.Device{ID: s.phone(), Kind: "phone", Error: s.skew}, story.Device{ID: s.onRoad(), Kind: "phone"},
		story.Carrier{ID: s.spare(), Kind: "box"},
	}
	if s.way == byFoot {
		return out
	}
	out = append(out, place(s.vehicle(), "vehicle", 1200, 2800))
	if s.way == byFerry {
		out = append(out, place(s.ferry(), "vehicle", 1100, 2600), place(s.harbour(), "hatch", 1200, 2700))
	}
	route := story.Route{ID: s.route(), From: s.place(), To: s.reception(), Zone: zone, Takes: s.takes()}
	for _, r := range rounds {
		at := time.Duration(r.minute)*time.Minute + leavesAfter
		route.Departs = append(route.Departs, fmt.Sprintf("%02d:%02d", int(at/time.Hour), int(at%time.Hour/time.Minute)))
	}
	return append(out, route)
}
