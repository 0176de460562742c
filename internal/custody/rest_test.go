package custody

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
)

// house is an invented laboratory with a shelf for what rests, and a count of what was
// taken from it.
type house struct {
	*desk
	shelf  shelf
	woken  int
	broken error
}

func newHouse(t *testing.T) *house {
	h := &house{desk: newDesk(t)}
	h.w = dayWorld()
	h.w.Recall = func(ref uint64) ([]*event.Record, error) {
		if h.broken != nil {
			return nil, h.broken
		}
		h.woken++
		return h.shelf.recall(ref)
	}
	return h
}

// scan is one of a phone that was started in the morning and counts on.
func (h *house) scan(at, step string, on Target, by, place string, more ...func(*Scan)) *desk {
	h.t.Helper()
	return h.desk.scan(at, step, on, by, place, append(more, func(s *Scan) {
		s.DeviceTime, s.BootID, s.MonotonicMs = s.Occurred, "boot", int64(s.Occurred-clock(h.t, "04:00"))
	})...)
}

// life is a tube from the needle to the bin, in a box that is emptied; a minute apart from
// hour:00 on.
func (h *house) life(label, hour, box string) Target {
	h.t.Helper()
	x := tube(label)
	at := func(minute int) string { return fmt.Sprintf("%s:%02d", hour, minute) }
	h.fact(at(0), Target{event.KindRequest, event.Key("L-R-" + label)}, event.RequestPlaced{Patient: "P-" + label, Tests: []string{"K"}}, event.TubeAssigned{Tube: x.Key})
	h.scan(at(1), "wristband", Target{event.KindDraw, event.Key("L-D-" + label)}, "mira", "WARD-N", func(s *Scan) { s.Patient = "P-" + label }).ok()
	h.scan(at(2), "collect", x, "mira", "WARD-N", func(s *Scan) { s.Draw = event.Key("L-D-" + label) }).ok()
	h.scan(at(3), "pack", x, "mira", "WARD-N", in(box)).ok()
	h.scan(at(4), "take", carrier(box), "oskar", "WARD-N", from("mira")).ok()
	h.scan(at(30), "receive", carrier(box), "lena", "LAB", from("oskar")).ok()
	h.scan(at(31), "receive", x, "lena", "LAB").ok()
	h.scan(at(32), "empty", carrier(box), "lena", "LAB").ok()
	h.scan(at(33), "measure", x, "lena", "LAB").ok()
	h.scan(at(34), "discard", x, "lena", "LAB").ok()
	return x
}

func (h *house) rest(x Target, before string) bool {
	h.t.Helper()
	all, err := h.w.Rest(x.Key, Terms{Before: clock(h.t, before)}, h.shelf.keep)
	if err != nil {
		h.t.Fatal(err)
	}
	if rests := h.w.AtRest(x); rests != (all != nil) {
		h.t.Fatalf("%s rests: %v, and Rest gave %v", x.Key, rests, all)
	}
	return all != nil
}

// wakes says how many cases f takes from the shelf.
func (h *house) wakes(want int, what string, f func()) {
	h.t.Helper()
	before := h.woken
	f()
	if got := h.woken - before; got != want {
		h.t.Errorf("%s wakes %d cases and should %d", what, got, want)
	}
}

func TestRestTakesWhatIsOver(t *testing.T) {
	h := newHouse(t)
	x := h.life("T1", "08", "B1")
	if h.rest(x, "08:34") {
		t.Error("it rests before its time")
	}
	h.fact("08:35", x, event.FlagRaised{Flag: event.Flag{Episode: 1}})
	if h.rest(x, "12:00") {
		t.Error("it rests with its flag up")
	}
	h.fact("08:36", x, event.FlagCleared{Episode: 1}).fact("08:37", x, event.DoubtRaised{ID: "one", Doubt: string(event.DoubtMissing)})
	if h.rest(x, "12:00") {
		t.Error("it rests with a doubt that the log hasn't closed")
	}
	h.fact("08:38", x, event.DoubtClosed{ID: "one", By: "facts"})
	all, err := h.w.Rest(x.Key, Terms{Before: clock(t, "12:00"), Needed: func(key event.Key) bool { return key == x.Key }}, h.shelf.keep)
	if all != nil || err != nil {
		t.Errorf("it rests although it is needed: %v %v", all, err)
	}
	full := errors.New("no room")
	if _, err := h.w.Rest(x.Key, Terms{Before: clock(t, "12:00")}, func([]*event.Record) (uint64, error) { return 0, full }); !errors.Is(err, full) || h.w.AtRest(x) {
		t.Errorf("what can't be kept must stay: %v", err)
	}
	all, err = h.w.Rest(x.Key, Terms{Before: clock(t, "12:00")}, h.shelf.keep)
	want := []Target{x, {event.KindDraw, "L-D-T1"}, {event.KindRequest, "L-R-T1"}}
	slices.SortFunc(all, compareTargets)
	slices.SortFunc(want, compareTargets)
	if err != nil || !slices.Equal(all, want) {
		t.Errorf("%v rest, not %v: %v", all, want, err)
	}
	if cases, tubes := h.w.Resting(); cases != 1 || tubes != 1 || h.w.Len(event.KindTube) != 1 || len(h.w.Keys(event.KindDraw)) != 1 || h.w.Count("Collected") != 1 {
		t.Errorf("%d cases, %d tubes, %d of %d known", cases, tubes, len(h.w.Keys(event.KindTube)), h.w.Len(event.KindTube))
	}
	if len(h.w.logs[event.KindTube]) != 0 || len(h.w.byDraw)+len(h.w.byRequest)+len(h.w.assigned) != 0 {
		t.Error("something of it stayed")
	}
	if h.woken != 0 {
		t.Error("counting woke it")
	}
}

// What is not over stays, and what waits to be drawn.
func TestRestLeavesWhatIsOpen(t *testing.T) {
	h := newHouse(t)
	order := Target{event.KindRequest, "L-R1"}
	h.fact("08:00", order, event.RequestPlaced{Patient: "P-1", Tests: []string{"K"}}, event.TubeAssigned{Tube: "L-A"}, event.TubeAssigned{Tube: "L-B"})
	h.scan("08:05", "collect", tube("A"), "mira", "LAB").ok()
	h.scan("08:30", "receive", tube("A"), "lena", "LAB").ok()
	if h.rest(tube("A"), "12:00") {
		t.Error("it rests before it was measured")
	}
	h.scan("08:40", "measure", tube("A"), "lena", "LAB").ok()
	if h.rest(tube("A"), "12:00") {
		t.Error("the order rests while a tube of it waits to be drawn")
	}
	h.fact("09:00", order, event.RequestCancelled{})
	if !h.rest(tube("A"), "12:00") {
		t.Error("nothing is left to do, and it stays")
	}
	if !slices.Equal(h.w.Waiting()["P-1"], nil) {
		t.Error("a cancelled order waits")
	}
	// Who scans at the desk only has orders that wait for ever; they rest all the same.
	h.fact("08:00", Target{event.KindRequest, "L-R2"}, event.RequestPlaced{Patient: "P-2", Tests: []string{"K"}}, event.TubeAssigned{Tube: "L-D"})
	h.scan("08:30", "receive", tube("D"), "lena", "LAB").ok().scan("08:50", "measure", tube("D"), "lena", "LAB").ok()
	waits := h.w.Waiting()
	if !h.rest(tube("D"), "12:00") || !slices.Equal(h.w.Waiting()["P-2"], waits["P-2"]) || len(waits["P-2"]) != 1 {
		t.Errorf("%v waited, and %v", waits, h.w.Waiting())
	}
	// A count that is wrong is asked of all who were in the box then.
	h.scan("13:00", "collect", tube("C"), "mira", "LAB").ok()
	h.scan("13:01", "pack", tube("C"), "mira", "LAB", in("B1")).ok()
	h.scan("13:05", "seal", carrier("B1"), "mira", "LAB", detail("count", "2")).ok()
	h.scan("13:30", "receive", tube("C"), "lena", "LAB").ok()
	h.scan("13:31", "empty", carrier("B1"), "lena", "LAB").ok()
	h.scan("13:40", "discard", tube("C"), "lena", "LAB").ok()
	if h.rest(tube("C"), "18:00") {
		t.Error("it rests while one of its box is looked for")
	}
	h.scan("14:00", "explain", carrier("B1"), "lena", "LAB", detail("doubt", string(event.DoubtExtra))).ok()
	if !h.rest(tube("C"), "18:00") {
		t.Error("the doubt is explained, and it stays")
	}
}

// What happens in order wakes nothing, however long a box has been in use.
func TestOrderlyTrafficWakesNothing(t *testing.T) {
	h := newHouse(t)
	h.fact("05:00", Target{event.KindLogger, "L-LG"}, event.LoggerAttached{To: "L-B1", ToKind: "carrier"})
	h.fact("05:00", Target{event.KindPlace, "L-LAB"}, event.PlaceDescribed{PlaceKind: "reception"})
	h.fact("05:00", carrier("B1"), event.CarrierDescribed{CarrierKind: "box"})
	var tubes []Target
	for hour := 6; hour < 16; hour++ {
		h.wakes(0, "a trip of the same box", func() {
			tubes = append(tubes, h.life(fmt.Sprintf("T%d", hour), fmt.Sprintf("%02d", hour), "B1"))
		})
		if h.w.Unread() != 0 {
			t.Errorf("%d cases are stirred by a trip of the same box", h.w.Unread())
		}
		if len(tubes) > 2 && !h.rest(tubes[len(tubes)-2], fmt.Sprintf("%02d:40", hour)) {
			t.Errorf("%s stays", tubes[len(tubes)-2].Key)
		}
	}
	h.wakes(0, "a reading", func() {
		h.w.Near(carrier("B1"), clock(t, "15:00"))
		h.w.Near(Target{event.KindPlace, "L-LAB"}, clock(t, "15:00"))
	})
	h.wakes(0, "a look at the box", func() { h.doubts(carrier("B1")); h.w.Trip("L-B1", 0); h.w.Contents("L-B1", 0) })
	h.wakes(0, "a description from now on", func() {
		h.fact("15:50", Target{event.KindPlace, "L-LAB"}, event.PlaceDescribed{PlaceKind: "reception", Zone: "UTC"})
		h.fact("15:51", carrier("B1"), event.CarrierDescribed{CarrierKind: "box", OwnClimate: true})
		h.w.Stirred(100)
	})
	h.wakes(1, "a reading of the last trip that rests", func() {
		if near := h.w.Near(carrier("B1"), clock(t, "14:10")); !slices.Contains(near, tube("T14").Key) || slices.Contains(near, tube("T13").Key) {
			t.Errorf("near are %v", near)
		}
	})
	h.wakes(3, "a box that was emptied by a late phone", func() {
		// Its tick lies between what T11 and T12 gave, and T12 and T13 came later.
		h.scan("12:20", "empty", carrier("B1"), "lena", "LAB", reported)
		h.w.Stirred(100)
	})
	h.wakes(4, "another kind of box", func() {
		h.fact("15:55", carrier("B1"), event.CarrierDescribed{CarrierKind: "rack"})
		h.w.Stirred(100)
	})
}

// A logger that was on a box all along says something of all that was in it; put there
// later, only of what came later.
func TestLoggersStirWhatTheyMeasured(t *testing.T) {
	for _, c := range []struct {
		at   string
		fact event.Fact
		want int
	}{
		{"10:00", event.LoggerAttached{To: "L-B1", ToKind: "carrier"}, 1},
		{"08:20", event.LoggerAttached{To: "L-LAB", ToKind: "place"}, 3},
		{"13:00", event.LoggerCalibrated{UncertaintyCenti: 50}, 4},
		{"13:00", event.LoggerFileImported{First: 1}, 4},
		{"13:00", event.LoggerDetached{}, 0},
	} {
		h := newHouse(t)
		logger := Target{event.KindLogger, "L-LG"}
		h.fact("05:00", logger, event.LoggerAttached{To: "L-B1", ToKind: "carrier"})
		var tubes []Target
		for hour := 7; hour < 12; hour++ {
			x := h.life(fmt.Sprintf("T%d", hour), fmt.Sprintf("%02d", hour), "B1")
			if tubes = append(tubes, x); hour < 11 && !h.rest(x, "12:00") {
				t.Fatal("it stays")
			}
		}
		h.w.AtOnce = 1
		h.wakes(min(c.want, 1), fmt.Sprintf("%T at once", c.fact), func() { h.fact(c.at, logger, c.fact) })
		if h.w.Unread() != max(0, c.want-1) {
			t.Errorf("%T leaves %d cases to be looked at, not %d", c.fact, h.w.Unread(), c.want-1)
		}
		h.wakes(max(0, c.want-1), fmt.Sprintf("%T", c.fact), func() {
			for h.w.Unread() > 0 {
				if said := h.w.Stirred(1); len(said) == 0 {
					t.Errorf("%T stirs a case of nothing", c.fact)
				}
			}
		})
		for i, x := range tubes[:4] {
			if rests := h.w.AtRest(x); rests != (i < 4-c.want) {
				t.Errorf("%T: %s rests: %v", c.fact, x.Key, rests)
			}
		}
	}
}

// A timetable that is declared later tells when a tube should have come that left on it,
// from wherever that was, and a person when somebody is a person.
func TestDirectoryStirs(t *testing.T) {
	for _, c := range []struct {
		what string
		on   Target
		fact event.Fact
		want bool
	}{
		{"a route", Target{event.KindRoute, "L-RT-9"}, event.RouteDescribed{From: "FAR", To: "AWAY", TakesMin: 10}, true},
		{"another route", Target{event.KindRoute, "L-RT-8"}, event.RouteDescribed{From: "FAR", To: "AWAY", TakesMin: 10}, false},
		{"who it was left for", Target{event.KindPerson, "L-OSKAR"}, event.PersonDescribed{Active: true}, true},
		{"somebody else", Target{event.KindPerson, "L-K-12"}, event.PersonDescribed{Active: true}, false},
		{"where it was", Target{event.KindPlace, "L-WARD-N"}, event.PlaceDescribed{PlaceKind: "vehicle"}, true},
		{"one person", Target{event.KindPatient, "L-P-1"}, event.IdentityMerged{Into: "P-2"}, true},
		{"another person", Target{event.KindPatient, "L-P-3"}, event.IdentityMerged{Into: "P-2"}, false},
	} {
		h := newHouse(t)
		x := tube("T1")
		h.fact("08:00", x, event.Collected{Patient: "P-1"})
		h.scan("08:05", "release", x, "mira", "WARD-N", to("oskar")).ok()
		h.fact("08:10", x, event.Departed{Route: "L-RT-9"})
		if !h.shelf.force(h.w, x.Key) {
			t.Fatal("it stays")
		}
		before := h.woken
		h.fact("12:00", c.on, c.fact)
		if stirred := h.woken > before; stirred != c.want {
			t.Errorf("%s stirs it: %v", c.what, stirred)
		}
		h.w.AtOnce = 0
		if h.w.Unread() != 0 {
			t.Errorf("%s leaves something to be said", c.what)
		}
	}
}

// New samples that were asked for are listed, those of long ago only for who asks for all.
func TestAskedDrawsAtRest(t *testing.T) {
	h := newHouse(t)
	x := h.life("T1", "08", "B1")
	draw := Target{event.KindDraw, "L-D-T1"}
	h.fact("08:40", draw, event.RecollectionAsked{Tubes: []event.Key{x.Key}})
	if h.rest(x, "12:00") {
		t.Error("it rests while a new sample is asked for")
	}
	h.fact("08:50", draw, event.RecollectionDone{NewDraw: "L-D-T2"})
	if !h.rest(x, "12:00") {
		t.Fatal("it stays")
	}
	h.wakes(0, "what was asked lately", func() {
		if got := h.w.AskedSince(clock(t, "09:00")); len(got) != 0 {
			t.Errorf("asked lately: %v", got)
		}
	})
	h.wakes(1, "all that was asked", func() {
		if got := h.w.AskedDraws(); !slices.Equal(got, []event.Key{draw.Key}) {
			t.Errorf("asked: %v", got)
		}
	})
}

// What a record names is awake when it comes: the new number of a tube is where the old one
// lies, and who counted that box must hear of it.
func TestWhatIsNamedWakes(t *testing.T) {
	h := newHouse(t)
	x, box := tube("T1"), carrier("B1")
	h.scan("08:00", "collect", x, "mira", "WARD-N").ok()
	h.scan("08:01", "pack", x, "mira", "WARD-N", in("B1")).ok()
	h.scan("08:02", "seal", box, "mira", "WARD-N", detail("count", "1")).ok()
	if !h.shelf.force(h.w, x.Key) {
		t.Fatal("it stays")
	}
	h.doubts(box)
	if h.woken != 0 {
		t.Error("a count that was told before wakes who was counted")
	}
	rec := &event.Record{Seq: 99, Decision: event.Decision{Facts: []event.Fact{event.SameMaterialAs{Tube: x.Key}}, Envelope: event.Envelope{
		ID: "s-new", Kind: event.KindTube, Key: "L-T2", Occurred: clock(t, "08:01:30"), Actor: "mira", Place: "WARD-N"}}}
	if touched := h.w.Apply(rec); !slices.Contains(touched, box) || !slices.Contains(touched, x) || h.w.AtRest(x) {
		t.Errorf("touched are %v", touched)
	}
}

// What can't be fetched is said, and nobody is told half of it.
func TestRecallFails(t *testing.T) {
	h := newHouse(t)
	x := h.life("T1", "08", "B1")
	if !h.rest(x, "12:00") {
		t.Fatal("it stays")
	}
	h.broken = errors.New("the disk is gone")
	if _, ok := h.w.Tube(x.Key); ok || !errors.Is(h.w.Failed(), h.broken) {
		t.Errorf("known %v, failed %v", ok, h.w.Failed())
	}
}

// A world without Recall never rests.
func TestNobodyTakesTheRecords(t *testing.T) {
	h := newHouse(t)
	h.w.Recall = nil
	x := h.life("T1", "08", "B1")
	if h.rest(x, "12:00") {
		t.Error("it rests, and nobody can wake it")
	}
}

// RestSome looks at all in turn, and comes back to those that stayed.
func TestRestSomeGoesRound(t *testing.T) {
	h := newHouse(t)
	for hour := 6; hour < 14; hour++ {
		h.life(fmt.Sprintf("T%d", hour), fmt.Sprintf("%02d", hour), "B1")
	}
	for _, c := range []struct {
		before string
		want   int
	}{{"05:00", 0}, {"09:40", 4}, {"09:40", 4}, {"13:35", 8}} {
		for range 4 {
			if _, err := h.w.RestSome(2, Terms{Before: clock(t, c.before)}, h.shelf.keep); err != nil {
				t.Fatal(err)
			}
		}
		if _, tubes := h.w.Resting(); tubes != c.want {
			t.Errorf("before %s %d tubes rest, not %d", c.before, tubes, c.want)
		}
	}
	h.tube(tube("T7"))
	if _, err := h.w.RestSome(100, Terms{Before: clock(t, "13:35")}, h.shelf.keep); err != nil {
		t.Fatal(err)
	}
	if _, tubes := h.w.Resting(); tubes != 8 {
		t.Error("what was woken doesn't rest again")
	}
}
