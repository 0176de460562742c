package custody

import (
	"testing"
	"time"

	"specimen.example/custody/internal/event"
)

// Howie 2011 and a paediatrician's page give these volumes a kilogram; the totals are of
// the table in the handbook notes (3.5 kg x 80 = 280 mL, 8 x 75 = 600, 14 x 70 = 980, 30 x 65 = 1950).
func TestBloodByAge(t *testing.T) {
	for _, c := range []struct {
		months  int
		kg10    int64
		wantMl  int64
		comment string
	}{{0, 35, 280, "newborn"}, {6, 80, 600, "infant"}, {24, 140, 980, "two years"}, {120, 300, 1950, "ten years"}, {-1, 35, 0, "not born"}} {
		if got := BloodUlPerKg(c.months) * c.kg10 / 10 / 1000; got != c.wantMl {
			t.Errorf("%s: %d mL, want %d", c.comment, got, c.wantMl)
		}
	}
}

// Invented timetable: two ferries and a van without hours.
func TestArrives(t *testing.T) {
	d := newDesk(t)
	d.w.Zones = time.LoadLocation
	place := func(id, kind string) {
		d.fact("06:00", Target{event.KindPlace, event.Key("L-" + id)}, event.PlaceDescribed{PlaceKind: kind, Zone: "UTC"})
	}
	route := func(id, from, to string, takes int64, departs ...string) {
		d.fact("06:00", Target{event.KindRoute, event.Key("L-" + id)}, event.RouteDescribed{From: from, To: to, TakesMin: takes, Departs: departs, Zone: "UTC"})
	}
	place("ISLE", "clinic")
	place("PIER", "hatch")
	place("LAB", "reception")
	place("FAR", "clinic")
	place("QUAY", "hatch")
	route("UNSAID", "QUAY", "LAB", 0)
	route("SLOW", "ISLE", "PIER", 50, "07:00", "09:00", "11:00")
	route("FAST", "ISLE", "PIER", 20, "10:30")
	route("VAN", "PIER", "LAB", 10)
	at := func(hm string) event.Instant {
		day, err := time.Parse("2006-01-02 15:04", "2026-11-24 "+hm)
		if err != nil {
			t.Fatal(err)
		}
		return event.At(day)
	}
	for _, c := range []struct{ from, to, at, want string }{
		{"ISLE", "", "08:00", "10:00"}, // 09:00 + 50 + 10
		{"ISLE", "LAB", "09:00", "10:00"},
		{"ISLE", "", "09:01", "11:00"}, // the fast one at 10:30 is there before the slow one
		{"PIER", "", "09:01", "09:11"},
	} {
		if got := d.w.Arrives(c.from, c.to, at(c.at)); got != at(c.want) {
			t.Errorf("from %s at %s: %v, want %s", c.from, c.at, got, c.want)
		}
	}
	for _, from := range []string{"FAR", "QUAY"} {
		if got := d.w.Arrives(from, "", at("08:00")); got != 0 {
			t.Errorf("no timetable leads away from %s, and it arrives %v", from, got)
		}
	}
	r, _ := d.w.Route("L-SLOW")
	if got := d.w.Departures(r, at("09:00"), 4); len(got) != 4 || got[0] != at("09:00") || got[1] != at("11:00") || got[2] != at("07:00")+24*3_600_000 {
		t.Errorf("departures: %v", got)
	}
}

// What a place says of identification binds live draws; what happened is recorded.
func TestPlacesSayHowPatientsAreIdentified(t *testing.T) {
	d := newDesk(t)
	declare := func(id string, p event.PlaceDescribed) {
		d.fact("06:00", Target{event.KindPlace, event.Key("L-" + id)}, p)
	}
	declare("HOME", event.PlaceDescribed{PlaceKind: "home", Identify: []string{event.ByStating}})
	declare("WARD", event.PlaceDescribed{PlaceKind: "ward"})
	declare("TRANSFUSION", event.PlaceDescribed{PlaceKind: "ward", SecondPerson: true})
	both := "stated-name,stated-birth-date"
	chosen := func(checks string) func(*Scan) {
		return func(s *Scan) { s.Row = "p-9"; s.Details = map[string]string{"checks": checks} }
	}
	draw := func(id string) Target { return Target{event.KindDraw, event.Key("L-" + id)} }

	d.scan("08:00", "start-draw", draw("D1"), "mira", "HOME", chosen("stated-name")).refused(event.RefuseSecondIdentifier)
	d.scan("08:01", "start-draw", draw("D1"), "mira", "HOME", chosen(both)).ok()
	if got, _ := d.w.Draw("L-D1"); got.Patient != "p-9" {
		t.Errorf("the draw of who stated both is of %q, want the row's", got.Patient)
	}
	d.scan("08:02", "start-draw", draw("D2"), "mira", "WARD", chosen(both)).refused(event.RefuseSecondIdentifier)
	d.scan("08:03", "start-draw", draw("D2"), "mira", "WARD", chosen("")).ok() // begun from a list: waits for the band
	d.scan("08:04", "wristband", draw("D3"), "mira", "TRANSFUSION", func(s *Scan) { s.Patient = "p-1" }).refused(event.RefuseSecondIdentifier)
	d.scan("08:05", "wristband", draw("D3"), "mira", "TRANSFUSION", func(s *Scan) { s.Patient, s.Witness = "p-1", "mira" }).refused(event.RefuseSecondIdentifier)
	d.scan("08:06", "wristband", draw("D3"), "mira", "TRANSFUSION", func(s *Scan) { s.Patient, s.Witness = "p-1", "lena" }).ok()
	// From a row of the list, with another patient's band (IDN-S2).
	d.scan("08:07", "wristband", draw("D4"), "mira", "WARD", func(s *Scan) { s.Patient, s.Row = "p-1", "p-2" }).refused(event.RefuseIdentityMismatch)
}

// A near miss that a phone without network saw counts too (Ning 2016: that they are
// counted is what lowers them).
func TestNearMissesWithoutNetworkCount(t *testing.T) {
	d := newDesk(t)
	draw := Target{event.KindDraw, "L-D1"}
	d.scan("08:00", "wristband", draw, "mira", "WARD", func(s *Scan) { s.Patient = "p-1" }).ok()
	d.scan("08:01", "note", draw, "mira", "WARD", reported, detail("defect", "identity-mismatch")).ok()
	d.scan("08:02", "note", draw, "mira", "WARD", reported, detail("defect", "failed-attempt")).ok()
	if got, _ := d.w.Draw("L-D1"); len(got.Mismatches) != 1 {
		t.Errorf("%d near misses, want 1", len(got.Mismatches))
	}
}
