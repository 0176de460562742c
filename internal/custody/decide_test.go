package custody

import (
	"errors"
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
)

// Both sides of a handoff must be named: a release nobody took, or a take with
// neither a giver nor a release, is a doubt (contracts, section 2).
func TestHandoffs(t *testing.T) {
	hatch := Target{event.KindPlace, "L-HATCH"}
	for _, c := range []struct {
		name  string
		steps func(*desk, Target)
		want  []event.Doubt
		by    string
	}{
		{"released and not taken", func(d *desk, a Target) {
			d.scan("09:00", "release", a, "mira", "WARD", to("oskar")).ok()
		}, []event.Doubt{event.DoubtOneSidedHandoff}, "oskar"},
		{"released and taken", func(d *desk, a Target) {
			d.scan("09:00", "release", a, "mira", "WARD").ok().scan("09:05", "take", a, "oskar", "WARD").ok()
		}, nil, "oskar"},
		{"taken from nobody", func(d *desk, a Target) {
			d.scan("09:05", "take", a, "oskar", "WARD").ok()
		}, []event.Doubt{event.DoubtOneSidedHandoff}, "oskar"},
		{"the release arrives late", func(d *desk, a Target) {
			d.scan("09:05", "take", a, "oskar", "WARD").ok().scan("09:00", "release", a, "mira", "WARD", reported).ok()
		}, nil, "oskar"},
		{"left at a hatch", func(d *desk, a Target) {
			d.scan("09:00", "release", a, "mira", "WARD", to("HATCH")).ok()
		}, nil, "HATCH"},
		{"fetched from a hatch", func(d *desk, a Target) {
			d.scan("09:00", "release", a, "mira", "WARD", to("HATCH")).ok().scan("09:30", "take", a, "oskar", "HATCH").ok()
		}, nil, "oskar"},
		{"stored", func(d *desk, a Target) {
			d.scan("09:00", "store", a, "lena", "STORE-1").ok()
		}, nil, "STORE-1"},
	} {
		a := tube("TB1")
		d := newDesk(t).fact("07:00", hatch, event.PlaceDescribed{PlaceKind: "hatch"})
		d.scan("08:00", "collect", a, "mira", "WARD").ok()
		t.Run(c.name, func(t *testing.T) {
			d.t = t
			c.steps(d, a)
			d.doubts(a, c.want...).holder(a, c.by)
		})
	}
	a := tube("TB2")
	newDesk(t).scan("09:00", "take", a, "mira", "WARD", from("mira")).refused(event.RefuseSameParty).
		scan("09:00", "take", a, "mira", "WARD", from("mira"), reported).ok().doubts(a, event.DoubtOneSidedHandoff)
}

// A count that differs is a doubt until a later one is right or every tube was
// scanned by itself; a second count that is off by as many is no second doubt.
// Common practice, no source.
func TestCount(t *testing.T) {
	a, b, box := tube("TB1"), tube("TB2"), carrier("B-1")
	packed := func() *desk {
		d := newDesk(t)
		for _, x := range []Target{a, b} {
			d.scan("08:00", "collect", x, "mira", "WARD").ok().scan("08:05", "pack", x, "mira", "WARD", in("B-1")).ok()
		}
		return d.scan("08:20", "take", box, "oskar", "WARD", from("mira"), detail("count", "1")).ok().doubts(box, event.DoubtMissing)
	}
	packed().scan("09:00", "receive", box, "lena", "LAB", from("oskar"), detail("count", "2")).ok().doubts(box)
	packed().scan("09:00", "receive", box, "lena", "LAB", from("oskar"), detail("count", "1")).ok().doubts(box, event.DoubtMissing)
	packed().scan("09:00", "receive", box, "lena", "LAB", from("oskar"), detail("count", "3")).ok().doubts(box, event.DoubtExtra)
	packed().scan("09:00", "receive", box, "lena", "LAB", from("oskar")).ok().
		scan("09:05", "receive", a, "lena", "LAB", in("B-1")).ok().doubts(box, event.DoubtMissing).
		scan("09:05", "receive", b, "lena", "LAB", in("B-1")).ok().doubts(box)
}

func TestSeal(t *testing.T) {
	box := carrier("B-1")
	d := newDesk(t)
	d.scan("08:00", "seal", box, "mira", "WARD", detail("seal", "S1")).ok()
	if c, _ := d.w.Carrier(box.Key); c.Seal != "S1" {
		t.Errorf("seal %q", c.Seal)
	}
	d.scan("09:00", "open", box, "lena", "LAB", detail("seal", "S9")).ok().doubts(box, event.DoubtBrokenSeal)
	d.scan("09:10", "seal", box, "lena", "LAB", detail("seal", "S2")).ok().scan("09:20", "open", box, "lena", "LAB", detail("seal", "S2")).ok()
	d.doubts(box, event.DoubtBrokenSeal).facts(box, "SealBroken", 2)
	a := tube("TB1")
	d.scan("09:30", "open", a, "lena", "LAB").ok().facts(a, "Opened", 1)
}

// Only three answers stop at the rack, live only, and an override lets pass.
func TestRack(t *testing.T) {
	for _, c := range []struct {
		answer event.RackAnswer
		why    event.Refusal
	}{{event.RackSpin, ""}, {event.RackSpinHold, ""}, {"", ""}, {event.RackWait, event.RefuseNotYetClotted},
		{event.RackRunFirst, event.RefuseRunFirst}, {event.RackNothingLeft, event.RefuseNothingLeft}} {
		for _, step := range []string{"rack", "spin"} {
			a := tube("TB1")
			answer := func(s *Scan) { s.Rack, s.RackUntil, s.Carrier = c.answer, clock(t, "10:30"), "L-R-1" }
			d := newDesk(t).scan("10:00", "collect", a, "mira", "WARD").ok().scan("10:12", step, a, "lena", "LAB", answer)
			if c.why == "" {
				d.ok()
				continue
			}
			d.refused(c.why)
			d.scan("10:12", step, a, "lena", "LAB", answer, reported).ok()
			d.scan("10:13", "override", a, "lena", "LAB", because("urgent")).ok().scan("10:14", step, a, "lena", "LAB", answer).ok()
			b := tube("TB2")
			d.scan("10:15", step, b, "lena", "LAB", answer, detail("override", "urgent")).ok().facts(b, "FlagOverridden", 1)
		}
	}
}

func TestOverrideOfAnEpisodeEndsWithIt(t *testing.T) {
	a := tube("TB1")
	raise := func(n int64) event.Fact { return event.FlagRaised{Flag: event.Flag{Episode: n}} }
	d := newDesk(t).scan("08:00", "collect", a, "mira", "WARD").ok().fact("09:00", a, raise(1))
	d.scan("09:05", "take-flag", a, "lena", "LAB").ok().scan("09:06", "override", a, "lena", "LAB", because("urgent")).ok()
	stop := func(s *Scan) { s.Rack = event.RackNothingLeft }
	d.scan("09:07", "spin", a, "lena", "LAB", stop).ok()
	if f := d.tube(a).Flag; f.Taken.By != "lena" || !f.Overridden.Is() || f.LastEpisode != 1 {
		t.Errorf("flag %+v", f)
	}
	d.fact("09:10", a, event.FlagCleared{Episode: 1}).fact("09:20", a, raise(2))
	d.scan("09:21", "spin", a, "lena", "LAB", stop).refused(event.RefuseNothingLeft)
}

// "Accepted at the bench counts as spun within 20 min": the latest instant,
// unless a spin was scanned.
func TestBenchPractice(t *testing.T) {
	a := tube("TB1")
	d := newDesk(t).fact("07:00", Target{event.KindPlace, "L-BENCH"}, event.PlaceDescribed{BenchSpinMin: 20})
	d.scan("08:00", "collect", a, "mira", "WARD").ok().scan("09:00", "accept", a, "lena", "BENCH").ok()
	want := Change{What: Spun, At: clock(t, "09:20"), Earliest: clock(t, "09:00"), Declared: true}
	if got := d.tube(a).Changes; !slices.Equal(got, []Change{want}) {
		t.Errorf("changes %+v", got)
	}
	d.scan("09:05", "end-spin", a, "lena", "BENCH").ok()
	if got := d.tube(a).Changes; len(got) != 1 || got[0].Declared || got[0].At != clock(t, "09:05") {
		t.Errorf("changes %+v", got)
	}
}

// An aliquot begins where its material was and ends "off the cells" on its parent.
func TestAliquot(t *testing.T) {
	a, b := tube("TB1"), tube("TB1-A")
	d := newDesk(t).scan("08:00", "collect", a, "mira", "WARD", ofType("SERUM")).ok().scan("09:00", "receive", a, "lena", "LAB").ok()
	d.scan("09:30", "end-spin", a, "lena", "LAB").ok()
	d.scan("09:40", "derive", b, "lena", "LAB", func(s *Scan) { s.Parent, s.Type, s.Tests = a.Key, "CRYO", []string{"K"} }).ok()
	child, parent := d.tube(b), d.tube(a)
	if child.Zero != parent.Zero || child.Type != "CRYO" || !slices.Equal(child.Tests, []string{"K"}) {
		t.Errorf("child %+v", child)
	}
	if n := len(child.Changes); n != 2 || child.Changes[0].What != Spun || child.Changes[1].What != Separated {
		t.Errorf("changes %+v", child.Changes)
	}
	if e := parent.Ended; len(e) != 2 || e[1].What != event.EndsOffCells || e[1].Tests[0] != "K" {
		t.Errorf("ended %+v", e)
	}
	legs := d.w.Journey(b.Key, clock(t, "10:00"))
	if legs[0].From != clock(t, "08:00") || legs[0].Custodian != "mira" || legs[len(legs)-1].From < clock(t, "09:40") {
		t.Errorf("journey %+v", legs)
	}
	c := tube("NEW1")
	d.scan("10:00", "relabel", c, "lena", "LAB", func(s *Scan) { s.Parent = a.Key }).ok()
	if x := d.tube(c); !x.Relabel || x.Type != "SERUM" || x.Parent != a.Key || len(x.Ended) == 0 || d.tube(a).NewLabel != c.Key {
		t.Errorf("relabelled %+v", x)
	}
}

func TestTests(t *testing.T) {
	a, req := tube("TB1"), Target{event.KindRequest, "L-R1"}
	d := newDesk(t)
	d.scan("07:00", "place-request", req, "mira", "WARD", detail("conditions", "transfused=no"), detail("irreplaceable", "yes"), func(s *Scan) {
		s.Patient, s.Tests, s.Tubes, s.Type = "p-1", []string{"K", "GLU"}, []event.Key{a.Key}, "LIHEP"
	}).ok()
	d.scan("08:00", "collect", a, "mira", "WARD").ok()
	d.scan("08:10", "add-test", req, "lena", "LAB", func(s *Scan) { s.Tests = []string{"NA"} }).ok()
	d.scan("08:20", "withdraw-test", a, "lena", "LAB", func(s *Scan) { s.Tests = []string{"GLU"} }).ok()
	x := d.tube(a)
	if !slices.Equal(x.Tests, []string{"K", "NA"}) || !slices.Equal(x.Added, []string{"NA"}) || !x.TestsKnown || !x.Irreplaceable || x.Type != "LIHEP" {
		t.Errorf("tube %+v", x)
	}
	if yes, said := x.Conditions["transfused"]; yes || !said {
		t.Errorf("conditions %v", x.Conditions)
	}
	if y, _ := d.w.TubeAt(a.Key, clock(t, "08:05")); !slices.Equal(y.Tests, []string{"GLU", "K"}) {
		t.Errorf("as of then: %v", y.Tests)
	}
	d.scan("08:30", "receive", a, "lena", "LAB", ofType("EDTA")).ok()
	if !slices.ContainsFunc(d.w.Doubts(a.Key), func(o OpenDoubt) bool { return o.Doubt == event.DoubtWrongTubeType }) || d.tube(a).Type != "EDTA" {
		t.Error("the type seen at reception counts, with a doubt")
	}
	d.scan("08:40", "cancel-request", req, "lena", "LAB").ok()
	if x := d.tube(a); len(x.Tests) != 0 || !x.CustodyOnly {
		t.Errorf("cancelled: %+v", x.Tests)
	}
	if y := newDesk(t).scan("08:00", "see", tube("TB9"), "mira", "WARD").ok().tube(tube("TB9")); y.TestsKnown {
		t.Error("no tests known")
	}
}

func TestHandling(t *testing.T) {
	a := tube("TB1")
	d := newDesk(t).scan("08:00", "collect", a, "mira", "WARD").ok()
	d.scan("08:00:30", "attest", a, "mira", "WARD", detail("handling", "on-ice")).ok().scan("09:00", "receive", a, "lena", "LAB").ok()
	var got []string
	for _, l := range d.w.Journey(a.Key, clock(t, "10:00")) {
		got = append(got, l.From.Time().Format("15:04:05"))
		got = append(got, l.Handling...)
	}
	if want := []string{"08:00:00", "08:00:30", "on-ice", "09:00:00"}; !slices.Equal(got, want) {
		t.Errorf("legs %v, want %v", got, want)
	}
}

func TestLoggers(t *testing.T) {
	lg := Target{event.KindLogger, "L-LG-1"}
	d := newDesk(t)
	d.scan("08:00", "attach", lg, "mira", "WARD", in("B-3")).ok().scan("09:00", "attach", lg, "mira", "LAB", detail("place", "LAB")).ok()
	d.scan("10:00", "detach", lg, "mira", "LAB").ok().scan("10:01", "calibrate", lg, "mira", "LAB", detail("uncertainty", "0.25")).ok()
	got := d.w.LoggersOf(carrier("B-3"))
	if len(got) != 1 || got[0].From != clock(t, "08:00") || got[0].Until != clock(t, "09:00") {
		t.Errorf("on the box: %+v", got)
	}
	if l, _ := d.w.Logger(lg.Key); l.Calibration.UncertaintyCenti != 25 || len(l.Attached) != 2 || l.HoldMs != -1 {
		t.Errorf("logger %+v", l)
	}
}

func TestTwoPlaces(t *testing.T) {
	a := tube("TB260411")
	d := newDesk(t).scan("09:00", "receive", a, "lena", "LAB").ok().scan("09:05", "receive", a, "oskar", "SOUTH").ok()
	if !slices.ContainsFunc(d.w.Doubts(a.Key), func(o OpenDoubt) bool { return o.Doubt == event.DoubtTwoPlaces }) {
		t.Error("two places")
	}
	newDesk(t).scan("09:00", "receive", a, "lena", "LAB").ok().scan("09:10", "take", a, "oskar", "LAB", from("lena")).ok().
		scan("10:05", "receive", a, "mira", "SOUTH").ok().doubts(a)
}

// A draw is open on a device until it ends or the next band is read there.
func TestOpenDraw(t *testing.T) {
	d1, d2 := Target{event.KindDraw, "L-D1"}, Target{event.KindDraw, "L-D2"}
	band := func(p string) func(*Scan) { return func(s *Scan) { s.Patient = p } }
	d := newDesk(t).scan("08:00", "wristband", d1, "mira", "WARD", band("p-1")).ok().scan("08:10", "wristband", d2, "mira", "WARD", band("p-2")).ok()
	for at, want := range map[string]event.Key{"07:59": "", "08:05": "L-D1", "08:10": "L-D2"} {
		got := event.Key("")
		if x, ok := d.w.OpenDraw("H-mira", clock(t, at)); ok {
			got = x.Key
		}
		if got != want {
			t.Errorf("at %s: %q, want %q", at, got, want)
		}
	}
	a := tube("TB1")
	d.scan("08:11", "collect", a, "mira", "WARD").ok()
	if x := d.tube(a); x.Draw != "L-D2" || x.Patient != "p-2" {
		t.Errorf("draw %s of %s", x.Draw, x.Patient)
	}
	d.scan("08:20", "end-draw", Target{}, "mira", "WARD").ok().facts(d2, "DrawEnded", 1)
	if _, ok := d.w.OpenDraw("H-mira", clock(t, "08:30")); ok {
		t.Error("the draw was ended")
	}
	d.scan("08:40", "wristband", d1, "mira", "WARD", band("p-3")).refused(event.RefuseIdentityMismatch).facts(d1, "IdentityMismatch", 1)
}

// A void that is voided gives its scan back.
func TestVoidOfAVoid(t *testing.T) {
	a := tube("TB1")
	d := newDesk(t).scan("08:00", "collect", a, "mira", "WARD").ok().scan("08:10", "void", a, "mira", "WARD", detail("scan", "s-001")).ok()
	d.facts(a, "Collected", 0)
	if s := d.tube(a).Timeline; len(s) != 2 || !s[0].Voided {
		t.Errorf("a voided step stays readable: %+v", s)
	}
	d.scan("08:20", "void", a, "mira", "WARD", detail("scan", "s-002")).ok().facts(a, "Collected", 1)
}

func TestInvalid(t *testing.T) {
	for _, c := range []struct {
		step  string
		on    Target
		field string
		more  func(*Scan)
	}{
		{"fly", tube("A"), "step", nil},
		{"collect", carrier("B"), "label", nil},
		{"collect", Target{Kind: event.KindTube}, "label", nil},
		{"pack", tube("A"), "carrier", nil},
		{"pack", carrier("B"), "carrier", in("B")},
		{"collect", tube("A"), "details.colour", detail("colour", "red")},
		{"collect", tube("A"), "details.volume", detail("volume", "much")},
		{"attest", tube("A"), "details.handling", detail("handling", "warm")},
		{"attest", tube("A"), "details.from", func(s *Scan) { s.Details = map[string]string{"handling": "on-ice", "from": "9:00"} }},
		{"measure", tube("A"), "details.what", detail("what", "guessed")},
		{"split", tube("A"), "tubes", nil},
		{"derive", tube("A"), "parent", nil},
		{"relabel", tube("A"), "parent", func(s *Scan) { s.Parent = "L-A" }},
		{"refer", tube("A"), "to", nil},
		{"void", tube("A"), "details.scan", nil},
		{"explain", tube("A"), "details.doubt", detail("doubt", "late")},
		{"take-flag", tube("A"), "label", nil},
		{"override", tube("A"), "reason", nil},
		{"act-flag", tube("A"), "details.action", func(s *Scan) { s.Details = map[string]string{"episode": "1", "action": "pray"} }},
		{"calibrate", Target{event.KindLogger, "L-G"}, "details.uncertainty", detail("uncertainty", "0.255")},
		{"add-test", tube("A"), "label", nil},
	} {
		more := c.more
		if more == nil {
			more = func(*Scan) {}
		}
		d := newDesk(t).scan("08:00", c.step, c.on, "mira", "WARD", more)
		var bad *Invalid
		if !errors.As(d.err, &bad) || bad.Field != c.field {
			t.Errorf("%s: got %v, want field %s", c.step, d.err, c.field)
		}
	}
	if n, err := microlitres("4.5 ml"); err != nil || n != 4500 {
		t.Errorf("4.5 ml is %d, %v", n, err)
	}
}

func TestUnlabelled(t *testing.T) {
	a := tube("TMP-1")
	d := newDesk(t).scan("10:00", "receive", a, "lena", "LAB", ofType("EDTA"), detail("as", "TMP-1")).ok().doubts(a, event.DoubtUnlabelled)
	d.facts(a, "Received", 1).facts(a, "DefectNoted", 1)
}
