package custody

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
)

// All people, places and numbers are invented; the cases are those of the
// project's case list (CUS, IDN, TIM, OFF, EVT).

// clock reads "hh:mm" or "hh:mm:ss" of the day of the stories, in UTC.
func clock(t testing.TB, text string) event.Instant {
	t.Helper()
	for _, layout := range []string{"15:04", "15:04:05", "15:04:05.000"} {
		if at, err := time.Parse(layout, text); err == nil {
			day := time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC)
			return event.At(day.Add(time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute +
				time.Duration(at.Second())*time.Second + time.Duration(at.Nanosecond())))
		}
	}
	t.Fatalf("time %q", text)
	return 0
}

// desk records scans in a world as intake would.
type desk struct {
	t    testing.TB
	w    *World
	seq  uint64
	recs []*event.Record
	err  error
	last Decision
}

func newDesk(t testing.TB) *desk { return &desk{t: t, w: NewWorld()} }

func tube(label string) Target    { return Target{event.KindTube, event.Key("L-" + label)} }
func carrier(label string) Target { return Target{event.KindCarrier, event.Key("L-" + label)} }

// scan is one step, live unless the scan says otherwise.
func (d *desk) scan(at, step string, on Target, by, place string, more ...func(*Scan)) *desk {
	d.t.Helper()
	d.seq++
	s := Scan{Target: on}
	s.ID, s.Step, s.Occurred, s.Recorded = fmt.Sprintf("s-%03d", d.seq), step, clock(d.t, at), clock(d.t, at)
	s.Actor, s.Place, s.Mode, s.Device, s.DeviceSeq, s.How = by, place, event.Live, "H-"+by, int64(d.seq), "camera"
	for _, m := range more {
		m(&s)
	}
	d.last, d.err = Decide(d.w, s)
	if len(d.last.Facts) > 0 && d.last.Repeats == "" {
		d.store(d.last.Decision)
	}
	return d
}

func (d *desk) store(dec event.Decision) {
	rec := &event.Record{Seq: d.seq, Decision: dec}
	d.recs = append(d.recs, rec)
	d.w.Apply(rec)
}

// fact stores facts of an aggregate directly.
func (d *desk) fact(at string, on Target, facts ...event.Fact) *desk {
	d.t.Helper()
	d.seq++
	d.store(event.Decision{Envelope: event.Envelope{ID: fmt.Sprintf("s-%03d", d.seq), Kind: on.Kind, Key: on.Key,
		Occurred: clock(d.t, at), Recorded: clock(d.t, at)}, Facts: facts})
	return d
}

func (d *desk) ok() *desk {
	d.t.Helper()
	if d.err != nil {
		d.t.Fatalf("scan failed: %v", d.err)
	}
	return d
}

func (d *desk) refused(why event.Refusal) *desk {
	d.t.Helper()
	r := AsRefused(d.err)
	if r == nil || r.Why != why {
		d.t.Fatalf("got %v, want refused %s", d.err, why)
	}
	return d
}

func (d *desk) doubts(on Target, want ...event.Doubt) *desk {
	d.t.Helper()
	var got []event.Doubt
	for _, o := range d.w.DoubtsOf(on, 0) {
		got = append(got, o.Doubt)
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		d.t.Errorf("doubts of %s: got %v, want %v", on.Key, got, want)
	}
	return d
}

func (d *desk) holder(on Target, want string) *desk {
	d.t.Helper()
	got := ""
	if on.Kind == event.KindTube {
		if t, ok := d.w.Tube(on.Key); ok {
			got = t.Holder
		}
	} else if c, ok := d.w.Carrier(on.Key); ok {
		got = c.Holder
	}
	if got != want {
		d.t.Errorf("holder of %s: got %q, want %q", on.Key, got, want)
	}
	return d
}

func (d *desk) facts(on Target, fact string, want int) *desk {
	d.t.Helper()
	if got := d.w.Facts(on, fact); got != want {
		d.t.Errorf("facts %s of %s: got %d, want %d", fact, on.Key, got, want)
	}
	return d
}

func (d *desk) tube(on Target) *Tube {
	d.t.Helper()
	t, ok := d.w.Tube(on.Key)
	if !ok {
		d.t.Fatalf("no tube %s", on.Key)
	}
	return t
}

func reported(s *Scan) { s.Mode = event.Reported }
func in(c string) func(*Scan) {
	return func(s *Scan) { s.Carrier = event.Key("L-" + c) }
}
func from(who string) func(*Scan) { return func(s *Scan) { s.From = who } }
func ofType(t string) func(*Scan) { return func(s *Scan) { s.Type = t } }
func to(who string) func(*Scan)   { return func(s *Scan) { s.To = who } }
func because(r string) func(*Scan) {
	return func(s *Scan) { s.Reason = r }
}
func detail(k, v string) func(*Scan) {
	return func(s *Scan) {
		if s.Details == nil {
			s.Details = map[string]string{}
		}
		s.Details[k] = v
	}
}

// CUS-S2: receipt reaches the server before the pick-up.
func TestReceiptBeforePickUp(t *testing.T) {
	a, box := tube("TB260410"), carrier("B-3")
	d := newDesk(t)
	d.scan("08:00", "collect", a, "mira", "WARD-N").ok().holder(a, "mira")
	d.scan("08:01", "pack", a, "mira", "WARD-N", in("B-3")).ok().holder(a, "mira")
	d.scan("10:00", "receive", a, "lena", "LAB").ok().holder(a, "LAB").doubts(a, event.DoubtLegNotReported)
	raised := d.w.Doubts(a.Key)[0]
	d.fact("10:00", a, event.DoubtRaised{ID: raised.ID, Doubt: string(raised.Doubt), Causes: raised.Causes})
	d.scan("09:10", "take", box, "oskar", "WARD-N", from("mira"), reported).ok().doubts(a).doubts(box)
	d.fact("10:25", a, event.DoubtClosed{ID: raised.ID, By: "facts"})
	if h := d.w.DoubtHistory(a, 0); len(h) != 1 || h[0].By != "facts" || h[0].ClosedAt == 0 {
		t.Errorf("the gap must stay in history: %+v", h)
	}
	legs := d.w.Journey(a.Key, clock(t, "10:30"))
	var got []string
	for _, l := range legs {
		got = append(got, fmt.Sprintf("%s-%s %s %v", l.From.Time().Format("1504"), l.To.Time().Format("1504"), l.Custodian, l.Carriers))
	}
	want := []string{"0800-0801 mira []", "0801-0910 mira [L-B-3]", "0910-1000 oskar [L-B-3]", "1000-1030 LAB []"}
	if !slices.Equal(got, want) {
		t.Errorf("journey %q, want %q", got, want)
	}
	if !legs[2].Inherited || !legs[2].Moving {
		t.Errorf("the courier's leg is by box and moving: %+v", legs[2])
	}
}

// CUS-S4: a leaking tube was thrown away.
func TestDiscarded(t *testing.T) {
	a := tube("TB260412")
	d := newDesk(t)
	d.scan("08:00", "collect", a, "mira", "WARD-N").ok()
	d.scan("09:20", "discard", a, "lena", "LAB", because("leak")).ok()
	d.scan("09:50", "rack", a, "lena", "LAB", in("R-1")).refused(event.RefuseDisposed).facts(a, "Packed", 0).doubts(a)
	if r := AsRefused(d.err); r.At != clock(t, "09:20") || r.Say != "this tube was discarded" {
		t.Errorf("refusal says %+v", r)
	}
	d.scan("09:55", "ask-sample", a, "lena", "LAB", because("leak")).ok()
	if len(d.tube(a).Asked) != 1 {
		t.Error("the new sample must be known on the tube")
	}
	d.scan("09:52", "spin", a, "lena", "LAB", reported).ok().facts(a, "SpinStarted", 1).doubts(a, event.DoubtAfterDisposal)
}

// CUS-S5: the courier scans only the box.
func TestOnlyTheBox(t *testing.T) {
	a, b, bag, box := tube("TB260413"), tube("TB260414"), carrier("BG-51"), carrier("B-4")
	d := newDesk(t)
	for _, x := range []Target{a, b} {
		d.scan("08:00", "collect", x, "mira", "SURGERY").ok()
		d.scan("08:05", "pack", x, "mira", "SURGERY", in("BG-51")).ok()
	}
	d.scan("08:10", "pack", bag, "mira", "SURGERY", in("B-4")).ok()
	if n := len(d.w.Contents(box.Key, 0)); n != 3 {
		t.Errorf("box holds %d, want the bag and two tubes", n)
	}
	d.scan("09:00", "take", box, "oskar", "SURGERY", from("mira")).ok()
	for _, x := range []Target{a, b} {
		d.holder(x, "oskar").doubts(x).facts(x, "TakenOver", 0)
		steps := d.tube(x).Timeline
		if s := steps[len(steps)-1]; !s.Inherited || s.By != box.Key {
			t.Errorf("handoff of %s must be by box: %+v", x.Key, s)
		}
	}
	d.scan("09:40", "see", b, "mira", "SURGERY").ok().doubts(b, event.DoubtNotInCarrier).holder(b, "mira").doubts(a)
	if o := d.w.Doubts(b.Key)[0]; o.Since != clock(t, "09:40") || len(o.ID) != 32 {
		t.Errorf("doubt %+v", o)
	}
	if c := d.tube(b).Carriers; len(c) != 0 {
		t.Errorf("still in %v", c)
	}
	if n := len(d.w.Contents(box.Key, 0)); n != 2 {
		t.Errorf("box holds %d, want the bag and one tube", n)
	}
	if c := d.tube(a).Carriers; !slices.Equal(c, []event.Key{bag.Key, box.Key}) {
		t.Errorf("carriers %v, innermost first", c)
	}
	d.scan("10:00", "explain", b, "lena", "LAB", because("left-behind"), detail("doubt", "not-in-carrier")).ok().doubts(b)
	d.scan("10:30", "receive", box, "lena", "LAB").ok().holder(a, "LAB").holder(b, "mira").holder(box, "LAB").doubts(box)
}

// CUS-S1: a tube that should be inside when the bag is empty is missing.
func TestMissing(t *testing.T) {
	a, b, bag := tube("TB260420"), tube("TB260421"), carrier("BG-50")
	d := newDesk(t)
	d.scan("08:30", "pack", a, "mira", "WARD-N", in("BG-50")).ok()
	d.scan("08:30", "pack", b, "mira", "WARD-N", in("BG-50")).ok()
	d.scan("09:00", "take", bag, "oskar", "WARD-N", from("mira")).ok()
	d.scan("10:10", "receive", a, "lena", "LAB").ok()
	d.scan("10:12", "empty", bag, "lena", "LAB").ok().doubts(a).doubts(b, event.DoubtMissing)
	d.scan("10:40", "find", b, "lena", "LAB").ok().doubts(b)
}

// IDN-S2: wristband and label disagree.
func TestOtherPatientsLabel(t *testing.T) {
	a, draw := tube("TB260109"), Target{event.KindDraw, "L-D1"}
	d := newDesk(t)
	d.fact("07:00", Target{event.KindRequest, "L-R2"}, event.RequestPlaced{Patient: "p-7002"}, event.TubeAssigned{Tube: a.Key, Type: "EDTA"})
	d.scan("08:05", "wristband", draw, "mira", "WARD-N", func(s *Scan) { s.Patient = "p-7001" }).ok()
	d.scan("08:06", "collect", a, "mira", "WARD-N").refused(event.RefuseIdentityMismatch).facts(a, "Collected", 0).facts(draw, "IdentityMismatch", 1)
	if d.w.Count("IdentityMismatch") != 1 {
		t.Error("the near miss must be counted")
	}
	d.scan("08:07", "collect", a, "mira", "WARD-N", reported).ok().facts(a, "Collected", 1).doubts(a, event.DoubtIdentityMismatch)
}

// IDN-S5: one number on two tubes.
func TestOneNumberTwoTubes(t *testing.T) {
	a := tube("TB260118")
	d := newDesk(t)
	d.fact("07:00", Target{event.KindRequest, "L-R1"}, event.RequestPlaced{Patient: "p-1"}, event.TubeAssigned{Tube: a.Key, Type: "EDTA"})
	d.scan("08:02", "collect", a, "mira", "WARD-N", ofType("EDTA")).ok().doubts(a)
	d.scan("08:03", "collect", a, "mira", "WARD-N", ofType("LIHEP-GEL")).ok().facts(a, "Collected", 2).doubts(a, event.DoubtOneNumberTwoTubes)
	if !d.tube(a).Held {
		t.Error("the number must be held")
	}
	d.scan("08:10", "pack", a, "mira", "WARD-N", in("B-1")).refused(event.RefuseHeld)
	d.scan("08:20", "split", a, "lena", "LAB", func(s *Scan) { s.Tubes = []event.Key{"L-TB1", "L-TB2"} }).ok().doubts(a)
	if d.tube(a).Held {
		t.Error("split ends the hold")
	}
	if z := d.tube(tube("TB1")).Zero; z.Earliest != clock(t, "08:02") || z.Latest != clock(t, "08:03") {
		t.Errorf("a part has the time of both: %+v", z)
	}
}

// TIM-S1: the collection time was never recorded.
func TestNoCollectionTime(t *testing.T) {
	a := tube("TB260201")
	d := newDesk(t)
	d.scan("09:05", "take", a, "oskar", "WARD-N", from("mira")).ok().holder(a, "oskar")
	d.scan("10:20", "receive", a, "lena", "LAB").ok().doubts(a)
	got := d.tube(a)
	if got.Zero != (Interval{0, clock(t, "09:05")}) || got.Collected {
		t.Errorf("zero %+v: pick-up is only the first moment it was seen", got.Zero)
	}
}

// TIM-S3: a phone five hours ahead is doubted, its tubes are not.
func TestClockAhead(t *testing.T) {
	dev, a := Target{event.KindDevice, "L-H-07"}, tube("TB260203")
	d := newDesk(t)
	d.fact("10:05", dev, event.ClockMeasured{OffsetMs: 5 * 3600 * 1000}).doubts(dev, event.DoubtClockWrong)
	d.scan("10:05", "collect", a, "mira", "WARD-N", func(s *Scan) { s.DeviceTime = clock(t, "15:05") }).ok()
	d.scan("10:06", "see", a, "lena", "WARD-N").ok().doubts(a)
	if s := d.tube(a).Timeline; s[1].Record.Step != "see" {
		t.Error("a later scan of a right clock comes after")
	}
	d.fact("10:30", dev, event.ClockMeasured{OffsetMs: 120_000}).doubts(dev)
}

// TIM-S4: received before collected.
func TestReceivedBeforeCollected(t *testing.T) {
	a := tube("TB260204")
	typed := func(s *Scan) { s.Typed, s.TimeSource = clock(t, "09:30"), "typed" }
	d := newDesk(t)
	d.scan("09:12", "receive", a, "lena", "LAB").ok()
	d.scan("09:30", "collect", a, "mira", "WARD-N", typed, reported).ok()
	d.doubts(a, event.DoubtReceivedBeforeCollected)
	if !d.tube(a).TimeConflict {
		t.Error("time conflict")
	}
	d.scan("09:40", "void", a, "lena", "LAB", detail("scan", "s-002"), because("wrong-time")).ok().doubts(a)
	if d.tube(a).TimeConflict || d.tube(a).Collected {
		t.Error("the void takes the collection back")
	}
}

// Scanned in time, but typed as later than the reception.
func TestTypedAfterReception(t *testing.T) {
	a := tube("TB260204")
	d := newDesk(t).scan("09:05", "collect", a, "mira", "WARD-N", func(s *Scan) { s.Typed = clock(t, "09:15") }).ok()
	d.scan("09:12", "receive", a, "mira", "LAB").ok().doubts(a, event.DoubtReceivedBeforeCollected)
	if !d.tube(a).TimeConflict {
		t.Error("time conflict")
	}
}

// Who holds a tube may bring it: then no leg is missing.
func TestBroughtByTheCollector(t *testing.T) {
	a := tube("TB260415")
	newDesk(t).scan("08:00", "collect", a, "mira", "HOME-1").ok().scan("09:00", "receive", a, "lena", "LAB", from("mira")).ok().doubts(a)
	newDesk(t).scan("08:00", "collect", a, "mira", "HOME-1").ok().scan("09:00", "receive", a, "lena", "LAB").ok().doubts(a, event.DoubtLegNotReported)
}

// A tube received after its box: nobody took either, so the leg is missing until the take arrives.
func TestBoxReceivedWithoutALeg(t *testing.T) {
	a, box := tube("TB260416"), carrier("B-5")
	d := newDesk(t).scan("08:00", "collect", a, "mira", "WARD").ok().scan("08:01", "pack", a, "mira", "WARD", in("B-5")).ok()
	d.scan("09:00", "receive", box, "lena", "LAB").ok().holder(a, "LAB").doubts(a)
	d.scan("09:05", "receive", a, "lena", "LAB").ok().doubts(a, event.DoubtLegNotReported)
	d.scan("08:30", "take", box, "oskar", "WARD", from("mira"), reported).ok().doubts(a)
}

// A courier who scans tubes and box takes both; a tube taken alone left its box.
func TestTubesAndBoxTaken(t *testing.T) {
	a, box := tube("TB260417"), carrier("B-6")
	d := newDesk(t).scan("08:00", "collect", a, "mira", "WARD").ok().scan("08:01", "pack", a, "mira", "WARD", in("B-6")).ok()
	d.scan("09:00", "take", a, "oskar", "WARD", from("mira")).ok().doubts(a)
	if len(d.tube(a).Carriers) != 0 {
		t.Error("taken alone")
	}
	d.scan("09:01", "take", box, "oskar", "WARD", from("mira")).ok().doubts(a)
	if !slices.Equal(d.tube(a).Carriers, []event.Key{box.Key}) {
		t.Error("taken with its box")
	}
	// The box stood on the ward, and he scans in his van.
	b := tube("TB260418")
	d.scan("10:00", "collect", b, "mira", "WARD").ok().scan("10:01", "pack", b, "mira", "WARD", in("B-7")).ok()
	d.scan("11:00", "take", b, "oskar", "VAN", from("mira")).ok().doubts(b)
	d.scan("11:01", "take", carrier("B-7"), "oskar", "VAN", from("mira")).ok().doubts(b)
	if !slices.Equal(d.tube(b).Carriers, []event.Key{"L-B-7"}) {
		t.Error("taken with its box into the van")
	}
	// Who gave is said once, with the box.
	c := tube("TB260419")
	d.scan("12:00", "collect", c, "mira", "WARD").ok().scan("12:01", "pack", c, "mira", "WARD", in("B-8")).ok()
	d.scan("13:00", "take", c, "oskar", "VAN").ok().doubts(c, event.DoubtNotInCarrier, event.DoubtOneSidedHandoff)
	d.scan("13:01", "take", carrier("B-8"), "oskar", "VAN", from("mira")).ok().doubts(c).doubts(carrier("B-8"))
}

func TestTypedTime(t *testing.T) {
	for _, c := range []struct {
		typed, scanned string
		doubt          bool
	}{{"08:00", "08:15", false}, {"08:00", "08:15:01", true}, {"08:20", "08:10", false}} {
		a := tube("TB1")
		d := newDesk(t).scan(c.scanned, "collect", a, "mira", "WARD-N", func(s *Scan) { s.Typed = clock(t, c.typed) }).ok()
		z := d.tube(a).Zero
		x, y := clock(t, c.typed), clock(t, c.scanned)
		if z != (Interval{min(x, y), max(x, y)}) {
			t.Errorf("typed %s scanned %s: zero %+v", c.typed, c.scanned, z)
		}
		if c.doubt {
			d.doubts(a, event.DoubtCollectionTimeConflict)
		} else {
			d.doubts(a)
		}
	}
}

// OFF-S2, EVT-S2: a second message of one id changes nothing but the sequence.
func TestSecondMessageOfOneID(t *testing.T) {
	a := tube("TB260301")
	d := newDesk(t).scan("10:00", "collect", a, "mira", "WARD-N").ok()
	again := *d.recs[0]
	again.Seq = 9
	if touched := d.w.Apply(&again); touched != nil {
		t.Errorf("touched %v", touched)
	}
	d.facts(a, "Collected", 1)
	if d.w.Seq(a) != 9 || d.w.Record(a, "s-001").Seq != 1 {
		t.Errorf("seq %d, first answer %d", d.w.Seq(a), d.w.Record(a, "s-001").Seq)
	}
}

// EVT-S3: after losing the race the second desk decides again on what happened.
func TestTwoDesks(t *testing.T) {
	a := tube("TB260302")
	d := newDesk(t).scan("10:00", "collect", a, "mira", "WARD-N").ok()
	before := d.w.Seq(a)
	d.scan("10:30:00.100", "discard", a, "lena", "LAB").ok()
	if d.w.Seq(a) == before {
		t.Error("the second write's expectation must fail")
	}
	d.scan("10:30:00.900", "receive", a, "oskar", "LAB").refused(event.RefuseDisposed)
}

// SCN-S5 and the rule for paper beside phone.
func TestRepeats(t *testing.T) {
	a := tube("TB260118")
	d := newDesk(t).scan("08:00:00.100", "collect", a, "mira", "WARD-N").ok()
	d.scan("08:00:00.380", "collect", a, "mira", "WARD-N").ok().facts(a, "Collected", 1)
	if d.last.Repeats != "s-001" {
		t.Errorf("repeats %q", d.last.Repeats)
	}
	paper := func(s *Scan) { s.How, s.Device, s.Mode = "paper", "DESK", event.Reported }
	d.scan("08:04", "collect", a, "mira", "WARD-N", paper, ofType("EDTA")).ok().facts(a, "Collected", 1).doubts(a)
	if x := d.tube(a); x.Type != "EDTA" || len(x.Timeline) != 1 || len(x.Timeline[0].Repeats) != 1 {
		t.Errorf("one step with two sources: %+v", x.Timeline)
	}
	d.scan("08:05", "see", a, "mira", "WARD-N").ok().scan("08:05:03", "see", a, "mira", "WARD-N").ok().facts(a, "Seen", 2)
}

// A trip begins with what was done after the box was last emptied; a description in
// between moves nothing, and what was around the box is around it still.
func TestTrip(t *testing.T) {
	d := newDesk(t)
	d.fact("06:00", carrier("B-1"), event.CarrierDescribed{CarrierKind: "box"})
	d.scan("08:00", "seal", carrier("B-1"), "mira", "WARD-N")
	d.scan("09:00", "empty", carrier("B-1"), "lena", "LAB")
	legs := d.w.Trip("L-B-1", 0)
	if len(legs) == 0 || legs[0].From != clock(t, "08:00") || legs[len(legs)-1].To != clock(t, "09:00") {
		t.Errorf("the first trip: %+v", legs)
	}
	d.fact("09:30", carrier("B-1"), event.CarrierDescribed{CarrierKind: "box"})
	if legs := d.w.Trip("L-B-1", 0); len(legs) == 0 || legs[len(legs)-1].To != clock(t, "09:00") {
		t.Errorf("a description began a trip: %+v", legs)
	}
	d.scan("10:00", "seal", carrier("B-1"), "mira", "WARD-N")
	legs = d.w.Trip("L-B-1", 0)
	if len(legs) != 1 || legs[0].From != clock(t, "10:00") || legs[0].To != 0 || legs[0].Place != "WARD-N" || legs[0].Carriers[0] != "L-B-1" {
		t.Errorf("the second trip: %+v", legs)
	}
	if legs := d.w.Trip("L-B-2", 0); legs != nil {
		t.Errorf("a box of which nothing is known: %+v", legs)
	}
}
