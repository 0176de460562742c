package custody

import (
	"fmt"
	"slices"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// A day is what people really did with tubes and carriers, and what became of their
// scans: phones that go offline and send late or never, clocks that are wrong and are set
// by hand, labels that are forgotten. Its log is what the server decided, in the order
// in which the scans came in. All of it is invented.

const futureHeld = 5_000 // ms; an unmeasured clock further ahead is held to the server's, as intake does

// item is a tube or a carrier as it really is.
type item struct {
	on    Target
	kind  string // of a carrier
	place string
	with  string // person, "" when it lies at the place
	in    *item
	gone  bool // nobody will scan it again
	seals int
}

// root is the outermost carrier of i.
func (i *item) root() *item {
	for i.in != nil {
		i = i.in
	}
	return i
}

// worker is one person with a phone.
type worker struct {
	code, place string

	offline, measured bool
	skew              event.Instant // device minus true
	boots             int
	up                event.Instant // true time of the last start, later by what it slept
	seq               int64
	queue             []Scan
}

type day struct {
	t        *rapid.T
	w        *World // the server's
	log      []*event.Record
	now      event.Instant // true time
	scans    int
	workers  []*worker
	tubes    []*item
	carriers []*item
	draws    []Target
	requests []Target
}

// below draws one of n evenly; the small numbers that rapid prefers would make every day
// begin alike. It shrinks towards 0.
func (d *day) below(n int) int {
	u := rapid.Uint64().Draw(d.t, "n")
	u *= 0x9E3779B97F4A7C15
	u ^= u >> 32
	return int(u % uint64(n))
}

// often is true in so many of a hundred cases.
func (d *day) often(percent int) bool { return d.below(100) >= 100-percent }

func pick[T any](d *day, from []T) (none T) {
	if len(from) == 0 {
		return none
	}
	return from[d.below(len(from))]
}

var dayPlaces = []string{"WARD-N", "WARD-S", "HATCH", "VAN-1", "LAB-1", "LAB-2", "STORE-1"}

// zones knows two zones without a database of the machine.
func zones(name string) (*time.Location, error) {
	switch name {
	case "UTC":
		return time.UTC, nil
	case "Etc/GMT-2":
		return time.FixedZone(name, 2*3600), nil
	}
	return nil, fmt.Errorf("zone %q is not known here", name)
}

// dayWorld is a world before any fact that knows the zones.
func dayWorld() *World {
	w := NewWorld()
	w.Zones = zones
	return w
}

func code(label string) event.Key { return event.Key("L-" + label) }

// newDay opens the doors at 06:00 UTC of an invented day.
func newDay(t *rapid.T) *day {
	d := &day{t: t, w: dayWorld(), now: event.At(time.Date(2026, 11, 24, 6, 0, 0, 0, time.UTC))}
	for i, who := range []string{"mira", "K-07", "oskar", "lena", "K-12"} {
		p := &worker{code: who, place: []string{"WARD-N", "WARD-S", "HATCH", "LAB-1", "LAB-2"}[i], measured: d.often(70), up: d.now - 3_600_000}
		if d.often(30) {
			p.skew = event.Instant(d.below(600)-300) * 1_000
		}
		d.workers = append(d.workers, p)
	}
	for _, c := range []string{"bag", "bag", "rack", "box", "flask"} {
		on := Target{event.KindCarrier, code(fmt.Sprintf("C%d", len(d.carriers)))}
		d.carriers = append(d.carriers, &item{on: on, kind: c, place: pick(d, dayPlaces[:2])})
		if d.often(80) {
			d.fact(on, event.CarrierDescribed{CarrierKind: c})
		}
	}
	for _, place := range dayPlaces {
		if d.often(85) {
			d.declarePlace(place)
		}
	}
	for range d.below(4) {
		d.declareRoute()
	}
	return d
}

// aDay is a whole day with its log.
func aDay(t *rapid.T, actions int) *day {
	d := newDay(t)
	for range actions/2 + d.below(actions/2) {
		d.pass()
		doings[d.below(len(doings))](d)
	}
	for _, p := range d.workers {
		d.online(p)
	}
	return d
}

// pass lets time pass: mostly minutes, now and then nothing at all.
func (d *day) pass() {
	switch d.below(6) {
	case 0:
	case 1:
		d.now += event.Instant(d.below(2_500))
	case 2:
		d.now += event.Instant(d.below(90)) * 60_000
	default:
		d.now += event.Instant(d.below(600)) * 1_000
	}
}

// doings are what may happen next; the frequent ones stand more than once.
var doings = []func(*day){
	(*day).draw, (*day).draw, (*day).draw, (*day).draw, (*day).pack, (*day).pack, (*day).pack, (*day).pack, (*day).nest, (*day).nest,
	(*day).seal, (*day).handOver, (*day).handOver, (*day).handOver, (*day).take, (*day).take, (*day).take, (*day).travel, (*day).travel, (*day).travel,
	(*day).bring, (*day).bring, (*day).bring, (*day).receive, (*day).receive, (*day).receive, (*day).unpack, (*day).unpack, (*day).empty, (*day).empty,
	(*day).work, (*day).work, (*day).work, (*day).aliquot, (*day).see, (*day).see, (*day).loss, (*day).end, (*day).correct, (*day).correct,
	(*day).device, (*day).device, (*day).directory, (*day).order, (*day).lead,
}

// device is what happens to a phone.
func (d *day) device() {
	p := pick(d, d.workers)
	switch d.below(7) {
	case 0, 1:
		p.offline = true
	case 2, 3:
		d.online(p)
	case 4: // set by hand
		p.skew += event.Instant(d.below(1_200)-600) * 1_000
	case 5: // started anew
		p.boots++
		p.up = d.now
	case 6: // slept: the counter stood still
		p.up = min(d.now-1, p.up+event.Instant(d.below(40))*60_000)
	}
}

// online sends what waits on a phone, but for what is lost for ever, and measures its clock.
func (d *day) online(p *worker) {
	p.offline = false
	for _, s := range p.queue {
		if !d.often(5) {
			d.deliver(p, s, event.Reported)
		}
	}
	p.queue = nil
	if wrong := p.skew > clockWrong || p.skew < -clockWrong; p.measured && wrong {
		d.fact(Target{event.KindDevice, placeKey("H-" + p.code)}, event.ClockMeasured{OffsetMs: int64(p.skew)})
	}
}

// scan is one trigger of a person's phone.
func (d *day) scan(p *worker, step string, on Target, more ...func(*Scan)) {
	d.scans++
	p.seq++
	s := Scan{Target: on}
	s.ID, s.Step, s.Actor, s.Device, s.DeviceSeq, s.How = fmt.Sprintf("s-%03d", d.scans), step, p.code, "H-"+p.code, p.seq, "camera"
	s.DeviceTime, s.MonotonicMs, s.BootID = d.now+p.skew, int64(d.now-p.up), fmt.Sprintf("%s-%d", p.code, p.boots)
	s.Place = p.place
	switch d.below(25) {
	case 0:
		s.Place = ""
	case 1:
		s.Place = pick(d, dayPlaces)
	case 2:
		s.How, s.TimeSource, s.BootID = "paper", "typed", ""
	}
	for _, m := range more {
		m(&s)
	}
	if p.offline {
		p.queue = append(p.queue, s)
		return
	}
	if !d.often(3) { // forgotten, or sent into nothing
		d.deliver(p, s, event.Live)
	}
}

// deliver is intake: times are corrected by what is known when the scan comes in.
func (d *day) deliver(p *worker, s Scan, mode event.Mode) {
	s.Mode, s.Recorded, s.Occurred = mode, d.now, s.DeviceTime
	switch {
	case p.measured:
		s.OffsetMs = int64(p.skew)
		s.Occurred -= p.skew
	case s.Occurred > d.now+futureHeld:
		s.OffsetMs, s.UncertaintyMs = int64(s.Occurred-d.now), futureHeld
		s.Occurred = d.now
	}
	dec, err := Decide(d.w, s)
	if refused := AsRefused(err); refused != nil && len(dec.Facts) == 0 && d.often(40) {
		s.Mode = event.Reported // it was done all the same, and is told as done
		dec, err = Decide(d.w, s)
	}
	if dec.Repeats != "" || len(dec.Facts) == 0 || err != nil && AsRefused(err) == nil {
		return
	}
	d.write(dec.Decision)
}

func (d *day) write(dec event.Decision) {
	if d.w.Record(Target{dec.Kind, dec.Key}, dec.ID) != nil {
		return
	}
	rec := &event.Record{Seq: uint64(len(d.log) + 1), Decision: dec}
	d.log = append(d.log, rec)
	d.w.Apply(rec)
}

// fact is written by a desk or by the server itself.
func (d *day) fact(on Target, facts ...event.Fact) {
	d.scans++
	d.write(event.Decision{Facts: facts, Envelope: event.Envelope{ID: fmt.Sprintf("f-%03d", d.scans), Kind: on.Kind, Key: on.Key,
		Occurred: d.now, Recorded: d.now, Actor: "lena"}})
}

// doubtable is everything that doubts can be about.
func doubtable(w *World) []Target {
	var out []Target
	for _, kind := range []event.Kind{event.KindTube, event.KindCarrier, event.KindDraw, event.KindDevice} {
		for _, key := range w.Keys(kind) {
			out = append(out, Target{kind, key})
		}
	}
	for _, who := range []string{"MIRA", "K-07", "OSKAR", "LENA", "K-12"} { // a phone is doubted before anything is declared of it
		if on := (Target{event.KindDevice, code("H-" + who)}); !slices.Contains(out, on) {
			out = append(out, on)
		}
	}
	return out
}
