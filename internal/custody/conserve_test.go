package custody

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// instants samples a day: some at which something happened, some between, some after all.
func (d *day) instants(n int) []event.Instant {
	var out []event.Instant
	for range n {
		at := d.log[d.below(len(d.log))].Occurred
		switch d.below(4) {
		case 0:
			at += event.Instant(d.below(3_600)) * 1_000
		case 1:
			at--
		}
		out = append(out, at)
	}
	return append(out, d.now+86_400_000)
}

// wasShown reports whether a person had the tube before them by an own step up to at.
func wasShown(w *World, tube event.Key, at event.Instant) bool {
	agg := w.logs[event.KindTube][tube]
	if agg == nil {
		return false
	}
	for _, s := range foldRecords(event.KindTube, upTo(agg.all(), at), agg.voids) {
		if !s.Voided && slices.ContainsFunc(s.Facts, func(f event.Fact) bool {
			switch f.(type) {
			case event.HandlingAttested, event.DefectNoted: // said, not shown
				return false
			}
			return physical(f)
		}) {
			return true
		}
	}
	return false
}

// Conservation: a tube that somebody ever had before them is, at every instant since,
// somewhere or with someone, declared lost, or disposed of.
func TestLawEveryTubeIsSomewhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := aDay(t, 60)
		if len(d.log) == 0 {
			return
		}
		for _, at := range append(d.instants(5), 0) {
			for _, key := range d.w.Keys(event.KindTube) {
				if !wasShown(d.w, key, at) {
					continue
				}
				x, ok := d.w.TubeAt(key, at)
				if !ok {
					t.Fatalf("%s was seen and is unknown at %s", key, at)
				}
				if x.Holder == "" && x.Place == "" && !x.Lost.Is() && !x.Disposed.Is() {
					t.Fatalf("%s is nowhere at %s: %+v", key, at, records(d.w, x.Key))
				}
				legs := d.w.Journey(key, at)
				if len(legs) > 0 && (legs[len(legs)-1].Custodian != x.Holder || legs[len(legs)-1].Place != x.Place) {
					t.Fatalf("the journey of %s ends with %+v, the tube is with %q at %q", key, legs[len(legs)-1], x.Holder, x.Place)
				}
			}
		}
	})
}

func records(w *World, tube event.Key) string {
	out := ""
	for _, r := range w.Records(Target{event.KindTube, tube}) {
		out += fmt.Sprintf("\n%s %s by %s at %q: %T%+v", r.Occurred, r.Step, r.Actor, r.Place, r.Facts[0], r.Facts)
	}
	return out
}

// No tube is in two carriers, and what a carrier holds and where a thing says it is are
// one and the same.
func TestLawCarriersPartition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := aDay(t, 60)
		if len(d.log) == 0 {
			return
		}
		for _, at := range append(d.instants(3), 0) {
			checkPartition(t, d.w, at)
		}
	})
}

func checkPartition(t interface{ Fatalf(string, ...any) }, w *World, at event.Instant) {
	in := map[Target]event.Key{}    // directly
	held := map[string]bool{}       // thing, carrier
	via := map[string][]event.Key{} // thing, carrier
	for i := range 5 {
		c := code(fmt.Sprintf("C%d", i))
		for _, x := range w.Contents(c, at) {
			name := fmt.Sprint(x.Target, c)
			held[name], via[name] = true, x.Via
			if len(x.Via) > 0 {
				continue
			}
			if other, twice := in[x.Target]; twice {
				t.Fatalf("at %s %s is in %s and in %s", at, x.Key, other, c)
			}
			in[x.Target] = c
		}
	}
	check := func(on Target, chain []event.Key) {
		if len(chain) == 0 {
			if c, ok := in[on]; ok {
				t.Fatalf("at %s %s is in nothing, and in %s", at, on.Key, c)
			}
			return
		}
		for i, c := range chain {
			name := fmt.Sprint(on, c)
			if !held[name] {
				t.Fatalf("at %s %s is in %v, and %s doesn't hold it", at, on.Key, chain, c)
			}
			if !slices.Equal(via[name], chain[:i]) {
				t.Fatalf("at %s %s is in %v, and in %s by %v", at, on.Key, chain, c, via[name])
			}
		}
		if c, ok := w.CarrierAt(chain[0], at); ok && !slices.Equal(c.In, chain[1:]) {
			t.Fatalf("at %s %s is in %v, and %s is in %v", at, on.Key, chain, chain[0], c.In)
		}
	}
	for _, key := range w.Keys(event.KindTube) {
		if x, ok := w.TubeAt(key, at); ok && x.NewLabel == "" { // the new number is inside
			check(Target{event.KindTube, key}, x.Carriers)
		}
	}
	for _, key := range w.Keys(event.KindCarrier) {
		if c, ok := w.CarrierAt(key, at); ok {
			check(Target{event.KindCarrier, key}, c.In)
		}
	}
}

// arrivals is the log as a reader may get it: in any order, some messages twice, some
// stored twice because a queue sent again what it had corrected anew.
func (d *day) arrivals() []*event.Record {
	list := slices.Clone(d.log)
	for range d.below(6) {
		rec := pick(d, d.log)
		if d.often(50) {
			again := *rec
			again.Seq = uint64(len(list) + 1)
			again.Occurred += event.Instant(d.below(3_000) - 1_500)
			rec = &again
		}
		list = append(list, rec)
	}
	return rapid.Permutation(list).Draw(d.t, "order")
}

// look is all that a reader keeps of an aggregate. The sequence isn't part of it: a
// second message of one id raises it and changes nothing else.
func look(t *rapid.T, w *World, on Target, at event.Instant) string {
	all := []any{w.DoubtsOf(on, at)}
	switch on.Kind {
	case event.KindTube:
		x, _ := w.TubeAt(on.Key, at)
		if x != nil {
			x.Seq, x.Timeline = 0, nil
		}
		all = append(all, x, w.Journey(on.Key, at))
	case event.KindCarrier:
		x, _ := w.CarrierAt(on.Key, at)
		if x != nil {
			x.Seq, x.Timeline = 0, nil
		}
		all = append(all, x)
	}
	text, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Any order of arrival gives the same doubts, at every instant.
func TestLawAnyOrderOfADay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := aDay(t, 50)
		if len(d.log) == 0 {
			return
		}
		list := d.arrivals()
		other := dayWorld()
		for _, rec := range list {
			other.Apply(rec)
		}
		instants := append(d.instants(2), 0)
		for _, on := range doubtable(d.w) {
			for _, at := range instants {
				if want, got := look(t, d.w, on, at), look(t, other, on, at); got != want {
					t.Fatalf("%v at %s depends on the order: %s", on, at, apart(want, got))
				}
			}
		}
		for i := range 5 {
			c := code(fmt.Sprintf("C%d", i))
			if want, got := fmt.Sprint(d.w.Contents(c, 0)), fmt.Sprint(other.Contents(c, 0)); got != want {
				t.Fatalf("contents of %s: %s, another order %s", c, want, got)
			}
		}
	})
}

// Who looks again only at what Apply names as touched has all doubts right, in whatever
// order the day arrives.
func TestLawTouchedOfADay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := aDay(t, 50)
		if len(d.log) == 0 {
			return
		}
		list := d.arrivals()
		if d.often(50) { // in order, but for what is late
			slices.SortStableFunc(list, func(a, b *event.Record) int { return int(a.Seq/8) - int(b.Seq/8) })
		}
		w := dayWorld()
		known := map[Target]string{}
		stale := map[Target]bool{}
		for i, rec := range list {
			for _, on := range w.Apply(rec) {
				stale[on] = true
			}
			if i != len(list)-1 && d.below(12) != 0 {
				continue
			}
			for on := range stale {
				known[on] = look(t, w, on, 0)
			}
			clear(stale)
			for _, on := range doubtable(w) {
				was, ok := known[on]
				if !ok {
					was = look(t, NewWorld(), on, 0)
				}
				if now := look(t, w, on, 0); now != was {
					t.Fatalf("%v changed unsaid, the last was %s %s %T: %s", on, rec.Kind, rec.Key, rec.Facts[0], apart(was, now))
				}
			}
		}
	})
}

// What will stand stands when its time comes, if nothing further happens, and not before.
func TestLawStandingIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := aDay(t, 40)
		if len(d.log) == 0 {
			return
		}
		end := d.instants(1)[0]
		w := dayWorld()
		for _, rec := range d.log {
			if rec.Occurred <= end {
				w.Apply(rec)
			}
		}
		for _, on := range doubtable(w) {
			all := w.DoubtsOf(on, 0)
			now, next := Standing(all, end)
			if got := w.DoubtsOf(on, end); fmt.Sprint(got) != fmt.Sprint(now) {
				t.Fatalf("%v at %s: %v, of all %v", on, end, got, now)
			}
			for _, o := range all {
				if o.Since <= end {
					continue
				}
				if next == 0 || next > o.Since {
					t.Fatalf("%v: the next is %s, and %s stands at %s", on, next, o.Doubt, o.Since)
				}
				stands := func(at event.Instant) bool {
					return slices.ContainsFunc(w.DoubtsOf(on, at), func(p OpenDoubt) bool { return p.ID == o.ID && p.Since == o.Since })
				}
				if !stands(o.Since) || !stands(o.Since+86_400_000) || stands(o.Since-1) {
					t.Fatalf("%v: %s since %s stands before %v, then %v, a day after %v", on, o.Doubt, o.Since,
						stands(o.Since-1), stands(o.Since), stands(o.Since+86_400_000))
				}
			}
		}
	})
}

// Rings of carriers, of new numbers and of aliquots end, in every question.
func TestLawRingsEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := dayWorld()
		tubes, carriers := []event.Key{"L-T1", "L-T2", "L-T3"}, []event.Key{"L-C0", "L-C1", "L-C2"}
		n := rapid.IntRange(6, 40).Draw(t, "records")
		for i := range n {
			on := Target{event.KindCarrier, rapid.SampledFrom(carriers).Draw(t, "carrier")}
			var fact event.Fact = event.Packed{Carrier: rapid.SampledFrom(carriers).Draw(t, "in")}
			switch rapid.IntRange(0, 9).Draw(t, "fact") {
			case 0:
				fact = event.Emptied{}
			case 1:
				fact = event.TakenOver{From: "mira", Count: int64(rapid.IntRange(0, 3).Draw(t, "count"))}
			case 2, 3:
				on = Target{event.KindTube, rapid.SampledFrom(tubes).Draw(t, "tube")}
			case 4:
				on = Target{event.KindTube, rapid.SampledFrom(tubes).Draw(t, "tube")}
				parent := rapid.SampledFrom(tubes).Draw(t, "parent")
				fact = rapid.SampledFrom([]event.Fact{event.DerivedFrom{Parent: parent}, event.SameMaterialAs{Tube: parent}, event.SplitInto{Tubes: tubes}}).Draw(t, "line")
			}
			w.Apply(&event.Record{Seq: uint64(i + 1), Decision: event.Decision{Facts: []event.Fact{fact}, Envelope: event.Envelope{ID: fmt.Sprint(i),
				Kind: on.Kind, Key: on.Key, Occurred: lawStart + event.Instant(rapid.IntRange(0, 8).Draw(t, "minute"))*60_000, Actor: "mira", Place: "WARD"}}})
		}
		for _, at := range []event.Instant{0, lawStart + 200_000} {
			for _, on := range doubtable(w) {
				w.DoubtsOf(on, at)
			}
			for _, c := range carriers {
				for _, x := range w.Contents(c, at) {
					if len(x.Via) > deepest {
						t.Fatalf("%s holds %s by %v", c, x.Key, x.Via)
					}
				}
				w.Trip(c, at)
			}
		}
	})
}

// The laws above find these by chance; here each has its smallest day.
func TestKeptInAnyOrder(t *testing.T) {
	at := func(minute int, seq uint64, on Target, place string, facts ...event.Fact) *event.Record {
		return &event.Record{Seq: seq, Decision: event.Decision{Facts: facts, Envelope: event.Envelope{ID: fmt.Sprintf("s-%d", seq), Kind: on.Kind, Key: on.Key,
			Occurred: lawStart + event.Instant(minute)*60_000, Actor: "mira", Place: place}}}
	}
	a, b, bag, box := tube("T1"), tube("T2"), carrier("C0"), carrier("C3")
	route := Target{event.KindRoute, "L-RT-9"}
	for _, c := range []struct {
		name  string
		first []*event.Record
		then  *event.Record
		about Target
	}{
		{"a tube in a bag in a counted box", []*event.Record{at(0, 1, bag, "WARD", event.Packed{Carrier: box.Key}), at(5, 2, box, "WARD", event.Sealed{Count: 2}),
			at(1, 3, a, "WARD", event.Packed{Carrier: bag.Key})}, at(2, 4, b, "WARD", event.Packed{Carrier: bag.Key}), box},
		{"a bag that left a counted box", []*event.Record{at(0, 1, a, "WARD", event.Packed{Carrier: bag.Key}), at(1, 2, bag, "WARD", event.Packed{Carrier: box.Key}),
			at(5, 3, box, "WARD", event.Sealed{Count: 1})}, at(4, 4, bag, "WARD", event.Unpacked{}), box},
		{"a route it didn't leave from", []*event.Record{at(0, 1, a, "HOME", event.Departed{Route: route.Key})},
			at(9, 2, route, "", event.RouteDescribed{From: "WARD", To: "LAB", TakesMin: 30}), a},
		{"a way that became shorter between", []*event.Record{at(0, 1, Target{event.KindRoute, "L-RT-1"}, "", event.RouteDescribed{From: "WARD", To: "HUB-1", TakesMin: 60}),
			at(0, 2, Target{event.KindRoute, "L-RT-2"}, "", event.RouteDescribed{From: "HUB-2", To: "LAB", TakesMin: 60}),
			at(10, 3, a, "WARD", event.Seen{}), at(12, 4, a, "LAB", event.Seen{})},
			at(20, 5, route, "", event.RouteDescribed{From: "HUB-1", To: "HUB-2", TakesMin: 60}), a},
		{"another request", []*event.Record{at(0, 1, a, "WARD", event.Collected{}), at(1, 2, a, "LAB", event.Reidentified{Patient: "p-2", Request: "L-R2"})},
			at(2, 3, Target{event.KindRequest, "L-R2"}, "", event.RequestPlaced{Tests: []string{"K"}}), a},
		{"the courier's scan of the box", []*event.Record{at(0, 1, a, "WARD", event.Packed{Carrier: box.Key}), at(10, 2, a, "WARD", event.TakenOver{From: "lena"}),
			at(12, 3, a, "LAB", event.Received{})}, at(20, 4, box, "WARD", event.TakenOver{From: "lena"}), a},
	} {
		w := fold(c.first)
		show := func() string {
			d := w.DoubtsOf(c.about, 0)
			x, _ := w.Tube(c.about.Key)
			return fmt.Sprint(d, x, w.Journey(c.about.Key, 0))
		}
		before := show()
		touched := w.Apply(c.then)
		if show() == before {
			t.Errorf("%s: nothing changed, so it shows nothing", c.name)
		}
		if !slices.Contains(touched, c.about) {
			t.Errorf("%s: touched %v, not %v", c.name, touched, c.about)
		}
	}
}

// A bag that the courier had before it was packed, in a box that departed: the bag and
// its tube are in the same box, or out of it together.
func TestBagPackedOnTheWay(t *testing.T) {
	a, bag, box := tube("T1"), carrier("C2"), carrier("C3")
	for _, place := range []string{"WARD", "", "VAN-1"} {
		d := newDesk(t).fact("07:00", Target{event.KindPlace, "L-VAN-1"}, event.PlaceDescribed{PlaceKind: "vehicle"})
		d.scan("07:30", "take", bag, "oskar", "WARD", from("mira")).ok().scan("09:00", "pack", bag, "oskar", place, in("C3")).ok()
		d.scan("09:30", "pack", a, "mira", "HATCH", in("C2")).ok().scan("10:00", "depart", box, "lena", "WARD").ok()
		d.scan("10:30", "take", bag, "oskar", "HATCH").ok()
		checkPartition(t, d.w, 0)
		if c := d.tube(a).Carriers; !slices.Equal(c, []event.Key{bag.Key, box.Key}) {
			t.Errorf("packed at %q: the tube is in %v", place, c)
		}
	}
}

// A clock that was set back stays doubted when the phone then slept, and a message that
// was stored twice says nothing else when the second came first.
func TestClockSetBack(t *testing.T) {
	at := func(id string, seq uint64, clock, mono, occurred event.Instant) *event.Record {
		return &event.Record{Seq: seq, Decision: event.Decision{Facts: []event.Fact{event.Seen{}}, Envelope: event.Envelope{ID: id, Kind: event.KindTube, Key: "L-T1",
			Occurred: lawStart + occurred*60_000, DeviceTime: lawStart + clock*60_000, MonotonicMs: int64(mono) * 60_000, BootID: "b", Device: "H-1", Actor: "mira", Place: "WARD"}}}
	}
	device := Target{event.KindDevice, "L-H-1"}
	recs := []*event.Record{at("s-1", 1, 10, 10, 10), at("s-2", 2, 5, 20, 20), at("s-3", 3, 65, 30, 80)}
	var want string
	for i, order := range [][]int{{0, 1, 2}, {2, 1, 0}, {1, 2, 0}} {
		w := NewWorld()
		for n, k := range order {
			touched := w.Apply(recs[k])
			if n == 2 && order[2] == 0 && !slices.Contains(touched, device) {
				t.Errorf("order %v: the last made the jump known and touched %v", order, touched)
			}
		}
		twice := *recs[1]
		twice.Seq, twice.Occurred = 9, twice.Occurred-1_000
		w.Apply(&twice)
		got := fmt.Sprint(w.DoubtsOf(device, 0))
		if d := w.DoubtsOf(device, 0); len(d) != 1 || d[0].Doubt != event.DoubtClockJumped || !slices.Equal(d[0].Causes, []string{"s-1", "s-2"}) {
			t.Errorf("order %v: %s", order, got)
		}
		if i == 0 {
			want = got
		}
		late := NewWorld()
		for _, r := range []*event.Record{&twice, recs[2], recs[0], recs[1]} {
			late.Apply(r)
		}
		if again := fmt.Sprint(late.DoubtsOf(device, 0)); got != want || again != want {
			t.Errorf("order %v: %s, the second message first: %s, want %s", order, got, again, want)
		}
		if d := w.DoubtsOf(device, lawStart+15*60_000); len(d) != 0 {
			t.Errorf("before the second scan: %v", d)
		}
	}
}

// A box that was known to be at one place, then put into another without a place and scanned
// by itself elsewhere, is not in that one; nor is what lies in it (found by the law above).
func TestWhatLiesInABoxLeavesWithIt(t *testing.T) {
	w := NewWorld()
	seq := uint64(0)
	put := func(kind event.Kind, key event.Key, at event.Instant, place string, fact event.Fact) {
		seq++
		w.Apply(&event.Record{Seq: seq, Decision: event.Decision{
			Envelope: event.Envelope{ID: fmt.Sprint("s-", seq), Kind: kind, Key: key, Occurred: at, Recorded: at, Actor: "mira", Device: "H-1", Place: place},
			Facts:    []event.Fact{fact},
		}})
	}
	put(event.KindCarrier, "L-C4", lawStart, "WARD-S", event.Emptied{})
	put(event.KindTube, "L-T1", lawStart+1_000, "", event.Collected{Type: "EDTA"})
	put(event.KindTube, "L-T1", lawStart+2_000, "", event.Packed{Carrier: "L-C4"})
	put(event.KindCarrier, "L-C3", lawStart+1_800_000, "HATCH", event.Emptied{})
	put(event.KindCarrier, "L-C4", lawStart+3_600_000, "", event.Packed{Carrier: "L-C3"})
	if x, _ := w.Tube("L-T1"); !slices.Equal(x.Carriers, []event.Key{"L-C4", "L-C3"}) {
		t.Errorf("it is in %v", x.Carriers)
	}
	put(event.KindCarrier, "L-C4", lawStart+7_200_000, "HATCH", event.Sealed{Seal: "Z1"})
	if x, _ := w.Tube("L-T1"); !slices.Equal(x.Carriers, []event.Key{"L-C4"}) {
		t.Errorf("it is in %v after its box was scanned elsewhere", x.Carriers)
	}
	if in := w.Contents("L-C3", 0); len(in) != 0 {
		t.Errorf("the other box holds %v", in)
	}
}
