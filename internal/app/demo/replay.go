package demo

import (
	"context"
	"fmt"
	"slices"
	"time"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// The sailings of the scenario, as planned by the timetable.
const (
	northPlanned = -182 // left at -170
	gullPlanned  = -104 // left at -80: fog
	sails        = -8   // to the minute
)

// trip is one way of carriers to the laboratory, minute by minute.
type trip struct {
	boxes          []string
	from           post
	route          string
	packed, sails  int
	lands, arrives int // at HARBOUR, at RECEPTION; positive: not yet
	emptied        int
}

var trips = []trip{
	{[]string{"BOX-1", "BAG-1"}, atNorth, ferryNorth, -187, -170, -120, -108, -96},
	{[]string{"BOX-2", "BOX-3", "ICE-1"}, atGull, ferryGull, -116, -80, -68, -56, -44},
	{[]string{"BOX-4"}, atGull, ferryGull, -13, sails, sails + gullTakes, sails + gullTakes + 12, 60},
}

// The day at the clinic's rack and at the bench.
const (
	northRacked, northSpins, northSpun = -204, -200, -190
	accepts, benchSpins, benchSpun     = -92, -86, -76
	measures, stores                   = -68, -62
)

// told is a scan with the instant it happened.
type told struct {
	*custodyv1.Scan
	when time.Time
}

// scan gathers one scan. Set adds what the step needs beside its label.
func (s *seeding) scan(minute, second int, p post, step, label string, set func(*custodyv1.Scan)) {
	scan := newScan(fmt.Sprintf("demo-%s-%s-%d", label, step, len(s.day)), p, step, label)
	scan.OccurredAt, scan.Mode = s.at(minute, second), "reported"
	if set != nil {
		set(scan)
	}
	s.day = append(s.day, told{scan, s.instant(minute, second)})
}

func newScan(id string, p post, step, label string) *custodyv1.Scan {
	scan := &custodyv1.Scan{Id: id, Step: step, Device: p.device, Place: p.place, By: p.by, How: "camera", App: "demo"}
	if label != "" {
		scan.Label = &custodyv1.Label{Text: label, How: "camera"}
	}
	return scan
}

func into(carrier string) func(*custodyv1.Scan) {
	return func(scan *custodyv1.Scan) { scan.Carrier = carrier }
}

func from(party string) func(*custodyv1.Scan) {
	return func(scan *custodyv1.Scan) { scan.From = party }
}

func sailing(route, to string) func(*custodyv1.Scan) {
	return func(scan *custodyv1.Scan) {
		scan.To, scan.Place, scan.Details = to, ferry, map[string]string{"mode": "ferry", "route": route}
	}
}

func driving(scan *custodyv1.Scan) {
	scan.To, scan.Details = reception, map[string]string{"mode": "van", "route": vanLab}
}

func aboard(scan *custodyv1.Scan) {
	scan.To, scan.Details = ferry, map[string]string{"mode": "ferry"}
}

// replay tells the scans in the order in which they happened.
func (s *seeding) replay(ctx context.Context) error {
	for i := range draws {
		s.drawing(&draws[i])
	}
	for i := range trips {
		s.travel(&trips[i])
	}
	s.clinic()
	s.bench()
	slices.SortStableFunc(s.day, func(a, b told) int { return a.when.Compare(b.when) })
	made := map[string]int64{}
	scans := make([]*custodyv1.Scan, len(s.day))
	for i, t := range s.day {
		// A device numbers its scans in the order in which it made them.
		made[t.Device]++
		t.DeviceSeq, scans[i] = made[t.Device], t.Scan
	}
	return s.send(ctx, scans)
}

// drawing: the wristband, the tubes, the end, and each tube into its carrier.
func (s *seeding) drawing(d *draw) {
	if d.unscanned {
		return
	}
	s.scan(d.at, -40, d.by, "wristband", "", func(scan *custodyv1.Scan) {
		scan.Patient, scan.Draw, scan.Details = d.patient, d.id(), map[string]string{"site": "left-arm", "method": "needle"}
	})
	for i := range d.tubes {
		t := &d.tubes[i]
		s.scan(d.at, 12*i, d.by, "collect", tubeID(t.number), func(scan *custodyv1.Scan) {
			scan.Draw, scan.Type = d.id(), t.kind
			if t.tests != "" {
				scan.Request, scan.Tests = d.request(), t.list()
			}
		})
	}
	s.scan(d.at, 90, d.by, "end-draw", "", func(scan *custodyv1.Scan) { scan.Draw = d.id() })
	if d.by == atBlood {
		for i := range d.tubes {
			s.scan(d.at+6, 10*i, atReception, "receive", tubeID(d.tubes[i].number), from(bloodRoom))
		}
	}
}

// travel: packing, the ferry, the van, and what comes out of the box.
func (s *seeding) travel(t *trip) {
	for i, box := range t.boxes {
		s.load(t, box, i)
		s.scan(t.packed, 40+3*i, t.from, "seal", box, func(scan *custodyv1.Scan) {
			scan.Details = map[string]string{"seal": fmt.Sprintf("S-%04d", 4100-t.packed+i)}
		})
		s.scan(t.sails-2, 3*i, t.from, "release", box, aboard)
		s.scan(t.sails, 3*i, t.from, "depart", box, sailing(t.route, harbour))
		if t.lands > 0 {
			continue
		}
		s.scan(t.lands, 3*i, atHarbour, "arrive", box, nil)
		s.scan(t.lands+1, 3*i, atHarbour, "take", box, from(ferry))
		s.scan(t.arrives-vanTakes, 3*i, inVan, "depart", box, driving)
		s.scan(t.arrives, 3*i, atReception, "receive", box, from(oskar))
		s.unload(t, box, i)
		s.scan(t.emptied, 3*i, atReception, "empty", box, nil)
	}
	if t.lands <= 0 {
		return
	}
	// The ice pouch goes inside the box, and the next box is being filled.
	for _, next := range []string{"ICE-2", "BOX-5"} {
		s.load(t, next, 3)
	}
	s.scan(t.packed, 30, t.from, "pack", "ICE-2", into(t.boxes[0]))
}

// load packs the tubes that travel in a carrier: right after the draw, or before
// the sailing where they were spun first.
func (s *seeding) load(t *trip, box string, turn int) {
	for i := range draws {
		d := &draws[i]
		for j := range d.tubes {
			tube := &d.tubes[j]
			if tube.in != box {
				continue
			}
			minute := d.at + 3
			if tube.early {
				minute = t.packed
			}
			s.scan(minute, 5*j+turn, d.by, "pack", tubeID(tube.number), into(box))
		}
	}
}

func (s *seeding) unload(t *trip, box string, turn int) {
	second := 60 + 10*turn
	for i := range draws {
		for j := range draws[i].tubes {
			tube := &draws[i].tubes[j]
			if tube.in != box || tube.fate == lost {
				continue
			}
			s.scan(t.arrives, second, atReception, "receive", tubeID(tube.number), from(oskar))
			second += 25
		}
	}
	if box == t.boxes[len(t.boxes)-1] && t.route == ferryGull {
		for i := range draws {
			if d := &draws[i]; d.unscanned {
				for j := range d.tubes {
					s.scan(t.arrives+7, 10*j, atReception, "receive", tubeID(d.tubes[j].number), from(oskar))
				}
			}
		}
	}
}

// clinic: North Skerry spins what it can before the box is closed.
func (s *seeding) clinic() {
	second := 0
	for i := range draws {
		for j := range draws[i].tubes {
			if t := &draws[i].tubes[j]; t.early {
				s.scan(northRacked, second, atNorth, "rack", tubeID(t.number), into("RACK-N"))
				second += 4
			}
		}
	}
	s.scan(northSpins, 0, atNorth, "spin", "RACK-N", spinning)
	s.scan(northSpun, 0, atNorth, "end-spin", "RACK-N", nil)
}

func spinning(scan *custodyv1.Scan) {
	scan.Details = map[string]string{"programme": "gel", "g": "2000", "minutes": "10"}
}

// bench: what came with the first trip is accepted, spun, measured and stored.
func (s *seeding) bench() {
	second, spun := 0, false
	for i := range draws {
		for j := range draws[i].tubes {
			t := &draws[i].tubes[j]
			id, late := tubeID(t.number), 0
			if draws[i].by == atGull {
				late = 52 // the second trip of the day
			}
			if t.fate != atWork && t.fate != finished {
				continue
			}
			s.scan(accepts+late, second, atBench, "accept", id, nil)
			second += 7
			if t.fate == atWork {
				continue
			}
			if spins(t.kind) && !t.early {
				s.scan(benchSpins-1, second, atBench, "rack", id, into("RACK-L"))
				spun = true
			}
			s.scan(measures, second, atBench, "measure", id, nil)
			s.scan(stores, second, atBench, "store", id, func(scan *custodyv1.Scan) {
				scan.Details = map[string]string{"store": storeRoom}
			})
		}
	}
	if spun {
		s.scan(benchSpins, 30, atSpinOne, "spin", "RACK-L", spinning)
		s.scan(benchSpun, 30, atSpinOne, "end-spin", "RACK-L", nil)
	}
}
