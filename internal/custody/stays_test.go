package custody

import (
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
)

// A box makes two trips; in the second a tube rides in a bag inside it and is taken out
// before the end. Common practice, no source.
func TestTripsAndStays(t *testing.T) {
	d := newDesk(t)
	a, b, box, bag := tube("TB1"), tube("TB2"), carrier("B-1"), carrier("G-1")
	d.fact("07:00", box, event.CarrierDescribed{CarrierKind: "box"})
	d.fact("07:00", bag, event.CarrierDescribed{CarrierKind: "bag"})
	if trips := d.w.Trips(box.Key); len(trips) != 0 {
		t.Errorf("a box that was only declared has made %v", trips)
	}
	d.scan("08:00", "collect", a, "mira", "WARD").ok().scan("08:05", "pack", a, "mira", "WARD", in("B-1")).ok()
	d.scan("08:30", "take", box, "oskar", "WARD", from("mira")).ok()
	d.scan("09:00", "receive", box, "lena", "LAB", from("oskar")).ok().scan("09:05", "empty", box, "lena", "LAB").ok()
	d.scan("10:00", "collect", b, "mira", "WARD").ok().scan("10:05", "pack", b, "mira", "WARD", in("G-1")).ok()
	d.scan("10:10", "pack", bag, "mira", "WARD", in("B-1")).ok().scan("10:20", "take", box, "oskar", "WARD", from("mira")).ok()
	d.scan("10:40", "receive", b, "lena", "LAB", from("oskar")).ok()

	at := func(s string) event.Instant { return clock(t, s) }
	if got, want := d.w.Trips(box.Key), []Interval{{at("08:30"), at("09:05")}, {at("10:20"), 0}}; !slices.Equal(got, want) {
		t.Errorf("trips: got %v, want %v", got, want)
	}
	last := d.w.Trip(box.Key, 0)
	if trips := d.w.Trips(box.Key); last[0].From != trips[len(trips)-1].Earliest {
		t.Errorf("the last trip begins at %s by Trip, at %s by Trips", last[0].From, trips[len(trips)-1].Earliest)
	}
	if s := d.w.Stays(a.Key, box.Key); len(s) != 1 || s[0].In != at("08:05") || s[0].Out != at("09:05") || len(s[0].Via) != 0 {
		t.Errorf("the tube of the first trip: %+v", s)
	}
	if s := d.w.Stays(b.Key, box.Key); len(s) != 1 || s[0].In != at("10:10") || s[0].Out != at("10:40") || !slices.Equal(s[0].Via, []event.Key{bag.Key}) {
		t.Errorf("the tube in the bag: %+v", s)
	}
	if s := d.w.Stays(b.Key, bag.Key); len(s) != 1 || s[0].In != at("10:05") || s[0].Out != at("10:40") {
		t.Errorf("the tube and its bag: %+v", s)
	}
	if got := d.w.Guests(box.Key, 0); !slices.Equal(got, []event.Key{a.Key}) {
		t.Errorf("packed into the box itself: %v", got)
	}
	if got := d.w.Guests(box.Key, at("10:00")); len(got) != 0 {
		t.Errorf("in the box after ten: %v", got)
	}
	if got := d.w.Nested(box.Key); !slices.Equal(got, []event.Key{bag.Key}) {
		t.Errorf("carriers in the box: %v", got)
	}
	var did []string
	for _, s := range d.w.Steps(box) {
		did = append(did, s.Record.Step)
	}
	if !slices.Equal(did, []string{"", "take", "receive", "empty", "take"}) {
		t.Errorf("its own steps: %q", did)
	}
}
