package custody

import (
	"testing"
	"time"

	"specimen.example/custody/internal/event"
)

// onTheIsland is a desk with a ferry at 10:00 that takes an hour, and a box with one
// tube that was packed at 08:05. Common practice, no source.
func onTheIsland(t *testing.T) (*desk, Target, Target) {
	t.Helper()
	a, box := tube("TB1"), carrier("B-1")
	d := newDesk(t)
	d.w.Zones = func(string) (*time.Location, error) { return time.UTC, nil }
	d.fact("07:00", Target{event.KindPlace, "L-FERRY"}, event.PlaceDescribed{PlaceKind: "vehicle"})
	d.fact("07:00", Target{event.KindPlace, "L-ISLE"}, event.PlaceDescribed{PlaceKind: "clinic"})
	d.fact("07:00", Target{event.KindPlace, "L-LAB"}, event.PlaceDescribed{PlaceKind: "reception"})
	d.fact("07:00", Target{event.KindRoute, "L-F1"},
		event.RouteDescribed{From: "ISLE", To: "QUAY", Departs: []string{"10:00"}, TakesMin: 60, Zone: "UTC"})
	d.fact("07:00", box, event.CarrierDescribed{CarrierKind: "box"})
	d.scan("08:00", "collect", a, "mira", "ISLE").ok().scan("08:05", "pack", a, "mira", "ISLE", in("B-1")).ok()
	return d, a, box
}

// standing are the doubts that stand at an instant.
func (d *desk) standing(on Target, at string, want ...event.Doubt) {
	d.t.Helper()
	now, _ := Standing(d.w.DoubtsOf(on, 0), clock(d.t, at))
	if len(now) != len(want) {
		d.t.Fatalf("doubts of %s at %s: got %v, want %v", on.Key, at, now, want)
	}
	for i := range now {
		if now[i].Doubt != want[i] {
			d.t.Errorf("doubts of %s at %s: got %v, want %v", on.Key, at, now, want)
		}
	}
}

func TestHandedOverOnBoardIsPromisedStill(t *testing.T) {
	d, _, box := onTheIsland(t)
	d.scan("09:50", "take", box, "oskar", "ISLE", from("mira")).ok()
	d.scan("10:30", "take", box, "lena", "FERRY", from("oskar")).ok()
	d.standing(box, "11:14")
	d.standing(box, "11:16", event.DoubtLate)
	d.scan("11:30", "arrive", box, "lena", "QUAY").ok().doubts(box)
}

func TestGivenBackIsNotPromised(t *testing.T) {
	d, _, box := onTheIsland(t)
	d.scan("09:50", "take", box, "oskar", "ISLE", from("mira")).ok()
	d.scan("10:10", "release", box, "oskar", "ISLE", to("ISLE")).ok().doubts(box)
}

func TestNewLabelInTheBox(t *testing.T) {
	d, a, box := onTheIsland(t)
	b := tube("TB2")
	renamed := func(s *Scan) { s.Parent = a.Key }
	d.scan("08:06", "relabel", b, "mira", "ISLE", renamed, because("label-torn")).ok()
	for _, again := range []bool{false, true} { // it stays in the box, and a second pack changes nothing
		if again {
			d.scan("08:07", "pack", b, "mira", "ISLE", in("B-1")).ok()
		}
		if c := d.w.Contents(box.Key, 0); len(c) != 1 || c[0].Target != b {
			t.Errorf("the box holds %v, want %s", c, b.Key)
		}
	}
	d.scan("09:00", "take", box, "oskar", "ISLE", from("mira"), detail("count", "1")).ok().standing(box, "09:00")
	d.scan("12:00", "empty", box, "lena", "LAB").ok().doubts(a).doubts(b, event.DoubtMissing)
}

func TestSeenInTheLaboratory(t *testing.T) {
	d, a, box := onTheIsland(t)
	d.scan("09:00", "take", box, "oskar", "ISLE", from("mira")).ok()
	d.scan("11:00", "receive", box, "lena", "LAB", from("oskar")).ok()
	d.scan("11:01", "see", a, "lena", "LAB").ok().scan("11:02", "empty", box, "lena", "LAB").ok().doubts(a)
	// It is sent on, and that box can lose it.
	next := carrier("B-2")
	d.fact("07:00", next, event.CarrierDescribed{CarrierKind: "box"})
	d.scan("12:00", "pack", a, "lena", "LAB", in("B-2")).ok().scan("12:10", "take", next, "oskar", "LAB", from("lena")).ok()
	d.scan("13:00", "empty", next, "mira", "CENTRAL").ok().doubts(a, event.DoubtMissing)
}
