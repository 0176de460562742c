package demo

import (
	"context"
	"fmt"
	"time"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// People of the scenario.
const (
	mira  = "mira"  // collector on the islands
	oskar = "oskar" // courier with the van
	lena  = "lena"  // scientist; the laboratory is small, so she also receives
)

// Places. NORTH-SKERRY has a centrifuge, GULL-BAY has none.
const (
	northSkerry = "NORTH-SKERRY"
	gullBay     = "GULL-BAY"
	ferry       = "FERRY"
	harbour     = "HARBOUR"
	van         = "VAN-2"
	reception   = "RECEPTION"
	bloodRoom   = "BLOOD-ROOM"
	bench       = "BENCH"
	storeRoom   = "STORE"
)

// Routes.
const (
	ferryNorth = "FERRY-NORTH" // NORTH-SKERRY to HARBOUR, three times a day
	ferryGull  = "FERRY-GULL"  // GULL-BAY to HARBOUR, a shuttle
	vanLab     = "VAN-LAB"     // HARBOUR to RECEPTION, on demand
)

// Minutes of the crossings and of the drive.
const (
	northTakes = 50
	gullTakes  = 12
	gullEvery  = 24 // there and back
	vanTakes   = 9
)

// post is where somebody works: who, with which device, at which place.
type post struct{ by, device, place string }

var (
	atNorth     = post{mira, "PHONE-1", northSkerry}
	atGull      = post{mira, "PHONE-1", gullBay}
	atHarbour   = post{oskar, "PHONE-2", harbour}
	inVan       = post{oskar, "PHONE-2", van}
	atReception = post{lena, "DESK-1", reception}
	atBlood     = post{lena, "DESK-1", bloodRoom}
	atBench     = post{lena, "DESK-2", bench}
)

// All readings begin five hours back, every five minutes.
const (
	attachedAt   = -300
	everyMinutes = 5
)

var places = []struct {
	id, name, kind string
	low, high      string // assumed range, degrees C
	basis          string
}{
	{northSkerry, "North Skerry clinic", "clinic", "19.0", "24.0", "thermometer on the wall, read daily for a year"},
	{gullBay, "Gull Bay clinic", "clinic", "19.0", "24.0", "thermometer on the wall, read daily for a year"},
	{ferry, "ferry, hold", "vehicle", "11.0", "26.0", "not heated; two weeks of readings in spring"},
	{harbour, "harbour shed", "hatch", "12.0", "27.0", "not heated"},
	{van, "van 2", "vehicle", "12.0", "28.0", "not heated"},
	{reception, "reception of the laboratory", "reception", "20.0", "23.5", "room with air conditioning"},
	{bloodRoom, "blood room beside the laboratory", "ward", "20.0", "23.5", "room with air conditioning"},
	{bench, "bench", "bench", "20.0", "23.5", "room with air conditioning"},
	{storeRoom, "cold store", "store", "2.0", "8.0", "alarmed fridge"},
}

var carriers = []struct {
	id, kind  string
	own       bool   // a climate of its own
	low, high string // assumed inside; empty: as around it
}{
	{"BOX-1", "box", false, "", ""}, {"BOX-2", "box", false, "", ""}, {"BOX-3", "box", false, "", ""},
	{"BOX-4", "box", false, "", ""}, {"BOX-5", "box", false, "", ""}, {"BOX-6", "box", false, "", ""},
	{"BAG-1", "bag", false, "", ""},
	{"ICE-1", "flask", true, "0.0", "8.0"}, {"ICE-2", "flask", true, "0.0", "8.0"},
	{"RACK-N", "rack", false, "", ""}, {"RACK-L", "rack", false, "", ""},
}

// point is a temperature at a minute relative to now, in 0.01 degrees C.
type point struct{ minute, centi int }

// logger is a logger with the line its readings follow. The values are invented.
type logger struct {
	id, in string
	line   []point
	until  int  // minute of the last reading
	live   bool // Live goes on with it
}

// at gives the line's temperature at a minute; before the first and behind the
// last point it stays.
func (l *logger) at(minute int) int {
	if minute <= l.line[0].minute {
		return l.line[0].centi
	}
	for i := 1; i < len(l.line); i++ {
		a, b := l.line[i-1], l.line[i]
		if minute <= b.minute {
			return a.centi + (b.centi-a.centi)*(minute-a.minute)/(b.minute-a.minute)
		}
	}
	return l.line[len(l.line)-1].centi
}

var loggers = []logger{
	{id: "LOG-1", in: "BOX-1", line: []point{{-300, 2080}, {-170, 2060}, {-130, 1950}, {-60, 2120}}},
	// Left in the sun on the quay while the ferry waits for the fog to lift.
	{id: "LOG-2", in: "BOX-2", line: []point{{-115, 2130}, {-105, 2700}, {-95, 3110}, {-80, 3290}, {-65, 2900}, {-45, 2350}}},
	// Put against the ice of its neighbour.
	{id: "LOG-3", in: "BOX-3", line: []point{{-115, 2100}, {-105, 1340}, {-90, 720}, {-70, 560}, {-55, 690}, {-30, 1900}}},
	{id: "LOG-4", in: "BOX-4", line: []point{{-60, 2110}, {-10, 2080}, {0, 2040}}, live: true},
	// Stops on the ferry; nobody sees it before the bag is opened.
	{id: "LOG-5", in: "BAG-1", line: []point{{-190, 2090}, {-150, 1990}}, until: -150},
	{id: "LOG-6", in: "ICE-1", line: []point{{-150, 240}, {-60, 330}}},
	{id: "LOG-7", in: "BOX-5", line: []point{{-60, 2120}}, live: true},
	{id: "LOG-8", in: "BOX-6", line: []point{{-60, 2100}}, live: true},
	{id: "LOG-9", in: storeRoom, line: []point{{-60, 430}}, live: true},
	{id: "LOG-10", in: "ICE-2", line: []point{{-60, 260}}, live: true},
}

// wobble is the small unrest of every logger, the same in every run.
func wobble(minute int) int { return []int{0, 12, -8, 5, -14, 9, 3}[((minute/everyMinutes)%7+7)%7] }

// celsius writes 0.01 degrees C as the API wants it.
func celsius(centi int) string {
	sign := ""
	if centi < 0 {
		sign, centi = "-", -centi
	}
	return fmt.Sprintf("%s%d.%02d", sign, centi/100, centi%100)
}

func (s *seeding) people(ctx context.Context) error {
	for _, p := range []struct{ id, role string }{{mira, "collector"}, {oskar, "courier"}, {lena, "scientist"}} {
		if _, err := s.directory.PutPerson(ctx, &custodyv1.Person{Id: p.id, Role: p.role, Active: true, By: author}); err != nil {
			return fmt.Errorf("person %s: %w", p.id, err)
		}
	}
	return nil
}

// schemes are the numbers of the group: the laboratory's on printed labels, and what
// each clinic writes on while the network is down.
var schemes = []*custodyv1.NumberScheme{
	{Id: "DEMO", Issuer: "the laboratory, with the request", Names: "tube", Pattern: "DEMO-####", In: []string{"plain", "91"}},
	{Id: "PAT", Issuer: "admission, on the wristband", Names: "patient", Pattern: "P-####"},
	{Id: "TEMP", Issuer: "the emergency pack, until the patient is known", Names: "patient", Pattern: "TEMP-###"},
	{Id: "DT", Issuer: "each clinic, from its downtime sheets", Names: "tube", Pattern: "DT-###", Ward: true, ReuseHours: 90 * 24},
}

func (s *seeding) declare(ctx context.Context) error {
	if _, err := s.directory.PutSchemes(ctx, &custodyv1.NumberSchemes{Schemes: schemes, By: author}); err != nil {
		return fmt.Errorf("number schemes: %w", err)
	}
	review := s.at(180*24*60, 0)
	for _, p := range places {
		place := &custodyv1.Place{
			Id: p.id, Name: p.name, Kind: p.kind, Zone: zone, Assumed: &custodyv1.Range{Low: p.low, High: p.high},
			Basis: p.basis, Owner: lena, Review: review, By: author,
		}
		if declare := drawing[p.id]; declare != nil {
			declare(place)
		}
		if _, err := s.directory.PutPlace(ctx, place); err != nil {
			return fmt.Errorf("place %s: %w", p.id, err)
		}
	}
	for _, d := range []struct{ id, kind string }{{"PHONE-1", "phone"}, {"PHONE-2", "phone"}, {"DESK-1", "desk"}, {"DESK-2", "desk"}} {
		if _, err := s.directory.PutDevice(ctx, &custodyv1.Device{Id: d.id, Kind: d.kind, Active: true, By: author}); err != nil {
			return fmt.Errorf("device %s: %w", d.id, err)
		}
	}
	for _, c := range carriers {
		carrier := &custodyv1.Carrier{Id: c.id, Kind: c.kind, OwnClimate: c.own, By: author}
		if c.low != "" {
			carrier.Assumed = &custodyv1.Range{Low: c.low, High: c.high}
			carrier.Basis, carrier.Owner, carrier.Review = "packed with ice as the sheet says", lena, review
		} else if s.bare {
			carrier.Assumed = &custodyv1.Range{Low: "18.0", High: "24.0"}
			carrier.Basis, carrier.Owner, carrier.Review = "insulated, with plates of 21 degrees; four trial runs with a borrowed thermometer", lena, review
		}
		if _, err := s.directory.PutCarrier(ctx, carrier); err != nil {
			return fmt.Errorf("carrier %s: %w", c.id, err)
		}
	}
	if err := s.centrifuges(ctx); err != nil {
		return err
	}
	if err := s.routes(ctx); err != nil || s.bare {
		return err
	}
	for _, l := range loggers {
		// The attachment is older than the first tube.
		logger := &custodyv1.Logger{Id: l.id, EverySeconds: everyMinutes * 60, In: l.in, By: author, OccurredAt: s.at(attachedAt, 0)}
		if _, err := s.directory.PutLogger(ctx, logger); err != nil {
			return fmt.Errorf("logger %s: %w", l.id, err)
		}
	}
	return nil
}

// routes declares timetables that fit the hours replayed: BOX-4 sails to the
// minute, the boats before it didn't.
func (s *seeding) routes(ctx context.Context) error {
	for _, r := range []struct {
		id, from, to string
		takes        int64
		departs      []string
	}{
		{ferryNorth, northSkerry, harbour, northTakes, s.timetable(northPlanned, 8*60)},
		{ferryGull, gullBay, harbour, gullTakes, s.timetable(sails, gullEvery)},
		{vanLab, harbour, reception, vanTakes, nil},
	} {
		route := &custodyv1.Route{Id: r.id, From: r.from, To: r.to, TakesMinutes: r.takes, Departs: r.departs, Zone: zone, By: author}
		if _, err := s.directory.PutRoute(ctx, route); err != nil {
			return fmt.Errorf("route %s: %w", r.id, err)
		}
	}
	return nil
}

// timetable gives the local times of one day at a distance of so many minutes,
// of which one lies at the minute given.
func (s *seeding) timetable(minute, every int) []string {
	first := s.now.Add(time.Duration(minute) * time.Minute)
	of := (first.Hour()*60 + first.Minute()) % every
	var out []string
	for m := of; m < 24*60; m += every {
		out = append(out, fmt.Sprintf("%02d:%02d", m/60, m%60))
	}
	return out
}
