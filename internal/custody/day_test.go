package custody

import (
	"fmt"
	"slices"
	"strconv"
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

func (d *day) directory() {
	switch d.below(5) {
	case 0:
		d.declarePlace(pick(d, dayPlaces))
	case 1, 2:
		d.declareRoute()
	case 3:
		c := pick(d, d.carriers)
		d.fact(c.on, event.CarrierDescribed{CarrierKind: pick(d, []string{c.kind, "box", "rack"})})
	case 4:
		d.fact(Target{event.KindPerson, code(pick(d, []string{"OSKAR", "HATCH", "K-12"}))}, event.PersonDescribed{Role: "courier", Active: true})
	}
}

func (d *day) declarePlace(place string) {
	kind := map[string]string{"HATCH": "hatch", "VAN-1": "vehicle", "LAB-1": "reception", "LAB-2": "reception", "STORE-1": "store"}[place]
	d.fact(Target{event.KindPlace, code(place)}, event.PlaceDescribed{PlaceKind: kind, Zone: "UTC", Relabel: d.often(50)})
}

func (d *day) declareRoute() {
	r := event.RouteDescribed{From: pick(d, dayPlaces), To: pick(d, dayPlaces), TakesMin: int64(d.below(60)), Zone: pick(d, []string{"UTC", "Etc/GMT-2", "nowhere"})}
	for range d.below(3) {
		r.Departs = append(r.Departs, fmt.Sprintf("%02d:%02d", 6+d.below(10), d.below(60)))
	}
	d.fact(Target{event.KindRoute, code(pick(d, []string{"RT-1", "RT-2", "RT-3"}))}, r)
}

func (d *day) newTube() *item {
	i := &item{on: Target{event.KindTube, code(fmt.Sprintf("T%02d", len(d.tubes)))}}
	d.tubes = append(d.tubes, i)
	return i
}

func (d *day) worker(place string) *worker {
	return pick(d, slices.DeleteFunc(slices.Clone(d.workers), func(p *worker) bool { return p.place != place }))
}

// meet gives a worker beside i: whoever has it, or somebody who went there.
func (d *day) meet(i *item) *worker {
	r := i.root()
	for _, p := range d.workers {
		if p.code == r.with && d.often(90) {
			return p
		}
	}
	p := pick(d, d.workers)
	p.place = r.place
	return p
}

// any is one that isn't gone; nil when there is none.
func (d *day) any(list []*item, keep func(*item) bool) *item {
	return pick(d, slices.DeleteFunc(slices.Clone(list), func(i *item) bool { return i.gone || keep != nil && !keep(i) }))
}

// near are those of the list that lie where p is, or that p has.
func (d *day) near(p *worker, list []*item, keep func(*item) bool) []*item {
	var out []*item
	for _, i := range list {
		if r := i.root(); !i.gone && (r.with == p.code || r.with == "" && r.place == p.place) && (keep == nil || keep(i)) {
			out = append(out, i)
		}
	}
	return out
}

// inside are the tubes in c, directly or not.
func (d *day) inside(c *item) []*item {
	var out []*item
	for _, i := range d.tubes {
		for o := i.in; o != nil; o = o.in {
			if o == c && !i.gone {
				out = append(out, i)
			}
		}
	}
	return out
}

func (d *day) order() {
	on := Target{event.KindRequest, code(fmt.Sprintf("R%d", len(d.requests)))}
	d.requests = append(d.requests, on)
	i := d.newTube()
	i.place = "WARD-N"
	d.fact(on, event.RequestPlaced{Patient: pick(d, []string{"p-1", "p-2"}), Tests: []string{"K"}}, event.TubeAssigned{Tube: i.on.Key, Type: "EDTA"})
	if d.often(50) {
		d.scan(d.workers[0], "prepare", i.on, func(s *Scan) { s.Type, s.Request = "EDTA", on.Key })
	}
}

func (d *day) draw() {
	p := d.workers[d.below(2)]
	on := Target{event.KindDraw, code(fmt.Sprintf("D%d", len(d.draws)))}
	if len(d.draws) > 3 {
		on = pick(d, d.draws)
	}
	d.draws = append(d.draws, on)
	p.place = pick(d, dayPlaces[:2])
	d.scan(p, "wristband", on, func(s *Scan) { s.Patient = pick(d, []string{"p-1", "p-1", "p-1", "p-1", "p-1", "p-2"}) })
	for range 1 + d.below(3) {
		var i *item
		switch {
		case d.often(4):
			i = d.any(d.tubes, nil) // the number is used once more
		case len(d.tubes) < 10:
			i = d.newTube()
		}
		if i == nil {
			return
		}
		i.place, i.with, i.in = p.place, p.code, nil
		d.now += event.Instant(d.below(40)) * 1_000
		d.scan(p, "collect", i.on, func(s *Scan) { s.Type, s.Draw = pick(d, []string{"EDTA", "EDTA", "SERUM"}), on.Key })
	}
}

func (d *day) pack() {
	c := d.any(d.carriers, func(i *item) bool { return i.kind != "box" || d.often(30) })
	p := d.meet(c)
	if i := d.any(d.tubes, nil); i != nil && d.often(60) {
		p = d.meet(i) // the carrier comes to the tube
		c.in, c.place, c.with = nil, p.place, p.code
	}
	for range 1 + d.below(4) {
		i := d.any(d.near(p, d.tubes, nil), nil)
		if i == nil {
			return
		}
		i.in = c
		d.now += event.Instant(d.below(3)) * 1_000
		step := "pack"
		if c.kind == "rack" {
			step = "rack"
		}
		d.scan(p, step, i.on, func(s *Scan) { s.Carrier = c.on.Key })
	}
}

// nest puts a bag, rack or flask into the box.
func (d *day) nest() {
	box := d.carriers[3]
	c := d.any(d.carriers, func(i *item) bool { return i != box && i.in == nil })
	if c == nil {
		return
	}
	p := d.meet(c)
	if c.in = box; d.often(60) {
		box.place, box.with = c.place, c.with
	}
	d.scan(p, "pack", c.on, func(s *Scan) { s.Carrier = box.on.Key })
}

// count is how many are inside by a person's count, which may be wrong by one.
func (d *day) count(s *Scan, c *item) {
	if d.often(60) {
		put(s, "count", strconv.Itoa(max(0, len(d.inside(c))+d.below(4)/3)))
	}
}

func put(s *Scan, key, value string) {
	if s.Details == nil {
		s.Details = map[string]string{}
	}
	s.Details[key] = value
}

func (d *day) seal() {
	c := pick(d, d.carriers)
	p := d.meet(c)
	switch {
	case d.often(70):
		c.seals++
		d.scan(p, "seal", c.on, func(s *Scan) { put(s, "seal", fmt.Sprintf("Z%d", c.seals)); d.count(s, c) })
	default:
		d.scan(p, "open", c.on, func(s *Scan) { put(s, "seal", fmt.Sprintf("Z%d", c.seals+d.below(5)/4)) })
	}
}

// loose is a carrier or a tube that may be moved as one piece.
func (d *day) loose() *item {
	free := func(i *item) bool { return i.in == nil || d.often(10) }
	if i := d.any(d.tubes, free); i != nil && d.often(40) {
		return i
	}
	return d.carriers[3-d.below(2)*d.below(4)].root()
}

func (d *day) handOver() {
	i := d.loose()
	p := d.meet(i)
	i.in, i.with = nil, ""
	d.scan(p, "release", i.on, func(s *Scan) {
		switch d.below(4) {
		case 0:
			s.To, i.place = "HATCH", "HATCH"
		case 1:
			s.To = pick(d, d.workers).code
		}
		if i.on.Kind == event.KindCarrier {
			d.count(s, i)
		}
	})
}

func (d *day) take() {
	p := pick(d, d.workers)
	i := pick(d, slices.DeleteFunc(append(slices.Clone(d.carriers), d.tubes...), func(i *item) bool { return i.gone || i.in != nil && i.kind != "" }))
	if i == nil {
		return
	}
	p.place = i.root().place
	from := i.root().with
	if i.in != nil && d.often(50) {
		i = i.in
	}
	take := func(i *item) {
		d.scan(p, "take", i.on, func(s *Scan) {
			if from != p.code && d.often(70) {
				s.From = from
			}
			if i.on.Kind == event.KindCarrier {
				d.count(s, i)
			}
		})
	}
	if i.on.Kind == event.KindCarrier && d.often(30) { // the tubes first, or after
		for _, x := range d.inside(i) {
			take(x)
		}
		d.now += event.Instant(d.below(20)) * 60_000
	}
	i.in, i.with, i.place = nil, p.code, p.place
	take(i)
}

func (d *day) travel() {
	p := d.workers[2]
	if d.often(15) {
		p = pick(d, d.workers)
	}
	p.place = pick(d, dayPlaces)
	for _, i := range append(slices.Clone(d.carriers), d.tubes...) {
		if i.with == p.code {
			i.place = p.place
		}
	}
}

// bring departs with what p has, or arrives with it.
func (d *day) bring() {
	i := d.loose()
	p := d.meet(i)
	if d.often(60) {
		d.scan(p, "depart", i.on, func(s *Scan) {
			if d.often(50) {
				put(s, "route", pick(d, []string{"RT-1", "RT-2", "RT-3"}))
			}
			if d.often(40) {
				s.To = pick(d, dayPlaces)
			}
		})
		return
	}
	d.scan(p, "arrive", i.on)
}

func (d *day) receive() {
	p := d.workers[3+d.below(2)]
	if p.place != "LAB-1" && p.place != "LAB-2" {
		p.place = pick(d, dayPlaces[4:6])
	}
	i := pick(d, append(slices.Clone(d.carriers), d.tubes...))
	if i.gone {
		return
	}
	was, from := i.in, i.root().with
	i.in, i.with, i.place = nil, "", p.place
	d.scan(p, "receive", i.on, func(s *Scan) {
		if d.often(50) && from != p.code {
			s.From = from
		}
		if was != nil && d.often(60) && i.on.Kind == event.KindTube {
			s.Carrier = was.on.Key
		}
		if i.on.Kind == event.KindCarrier {
			d.count(s, i)
		}
	})
}

func (d *day) unpack() {
	i := d.any(append(slices.Clone(d.tubes), d.carriers...), func(i *item) bool { return i.in != nil })
	if i == nil {
		return
	}
	p, c := d.meet(i), i.in
	i.in, i.place, i.with = nil, p.place, ""
	d.scan(p, "unpack", i.on, func(s *Scan) { s.Carrier = c.on.Key })
}

func (d *day) empty() {
	c := pick(d, d.carriers)
	p := d.meet(c)
	for _, i := range d.inside(c) {
		i.in, i.place, i.with = nil, p.place, ""
		if d.often(40) {
			d.scan(p, "see", i.on)
		}
	}
	d.scan(p, "empty", c.on)
}

func (d *day) work() {
	i := d.any(d.tubes, nil)
	if i == nil {
		return
	}
	p := d.meet(i)
	step := pick(d, []string{"accept", "spin", "end-spin", "measure", "film", "store", "retrieve", "refer", "attest", "note", "freeze", "reject", "open"})
	if step == "spin" && i.in != nil && d.often(60) {
		i = i.in // the whole rack
	}
	d.scan(p, step, i.on, func(s *Scan) {
		switch step {
		case "store":
			put(s, "store", pick(d, dayPlaces))
			i.in = nil
		case "refer":
			s.To = "LAB-2"
			if d.often(50) {
				put(s, "due", (d.now + event.Instant(d.below(180))*60_000).String())
			}
		case "attest":
			put(s, "handling", "on-ice")
		case "note":
			s.Reason = pick(d, []string{"leak", string(event.DoubtUnlabelled)})
		}
	})
}

func (d *day) aliquot() {
	parent := d.any(d.tubes, nil)
	if parent == nil || len(d.tubes) > 13 {
		return
	}
	p := d.meet(parent)
	child := d.newTube()
	child.place, child.with = p.place, p.code
	switch d.below(4) {
	case 0, 1:
		d.scan(p, "derive", child.on, func(s *Scan) { s.Parent, s.Type = parent.on.Key, "ALIQUOT" })
	case 2:
		child.in = parent.in
		parent.gone = true
		d.scan(p, "relabel", child.on, func(s *Scan) { s.Parent, s.Reason, s.Witness = parent.on.Key, "label-damaged", "K-07" })
	case 3:
		other := d.newTube()
		other.place, other.with = p.place, p.code
		parent.gone = true
		d.scan(p, "split", parent.on, func(s *Scan) { s.Tubes = []event.Key{child.on.Key, other.on.Key} })
	}
}

// see: somebody scans a tube that may lie anywhere.
func (d *day) see() {
	p := pick(d, d.workers)
	i := pick(d, append(slices.Clone(d.tubes), d.carriers...))
	if i.gone {
		return
	}
	if i.root().place != p.place {
		i.in, i.place, i.with = nil, p.place, ""
	}
	d.scan(p, "see", i.on)
}

func (d *day) loss() {
	p := pick(d, d.workers)
	if i := pick(d, d.tubes); i != nil {
		d.scan(p, pick(d, []string{"declare-lost", "find"}), i.on)
	}
}

func (d *day) end() {
	if i := d.any(d.tubes, nil); i != nil {
		p := d.meet(i)
		i.gone = d.often(70)
		d.scan(p, "discard", i.on, func(s *Scan) { s.Reason = "leak" })
	}
}

// correct takes back or explains what was recorded.
func (d *day) correct() {
	p := pick(d, d.workers)
	if len(d.log) == 0 {
		return
	}
	rec := pick(d, d.log)
	on := Target{rec.Kind, rec.Key}
	switch d.below(4) {
	case 0, 1:
		d.scan(p, "void", on, func(s *Scan) { put(s, "scan", rec.ID) })
	case 2:
		if doubts := d.w.DoubtsOf(on, 0); len(doubts) > 0 {
			d.scan(p, "explain", on, func(s *Scan) { put(s, "doubt", pick(d, doubts).ID) })
		}
	case 3:
		if i := pick(d, d.tubes); i != nil {
			d.scan(p, "reidentify", i.on, func(s *Scan) { s.Patient, s.Request, s.Reason = "p-2", pick(d, d.requests).Key, "wrong-label" })
		}
	}
}

// lead is the leader: it raises what stands now and closes what no longer does.
func (d *day) lead() {
	for _, on := range d.everything() {
		now, _ := Standing(d.w.DoubtsOf(on, 0), d.now)
		for _, p := range d.w.DoubtHistory(on, 0) {
			if p.ClosedAt == 0 && !slices.ContainsFunc(now, func(o OpenDoubt) bool { return o.ID == p.ID }) {
				d.fact(on, event.DoubtClosed{ID: p.ID, By: "facts"})
			}
			now = slices.DeleteFunc(now, func(o OpenDoubt) bool { return o.ID == p.ID && p.ClosedAt == 0 })
		}
		for _, o := range now {
			d.fact(on, event.DoubtRaised{ID: o.ID, Doubt: string(o.Doubt), Causes: o.Causes})
		}
	}
}

// everything that doubts can be about, by the log.
func (d *day) everything() []Target { return doubtable(d.w) }

func doubtable(w *World) []Target {
	var out []Target
	for _, kind := range []event.Kind{event.KindTube, event.KindCarrier, event.KindDraw, event.KindDevice} {
		for _, key := range w.Keys(kind) {
			out = append(out, Target{kind, key})
		}
	}
	if devices := w.Keys(event.KindDevice); true {
		for _, who := range []string{"MIRA", "K-07", "OSKAR", "LENA", "K-12"} {
			if key := code("H-" + who); !slices.Contains(devices, key) {
				out = append(out, Target{event.KindDevice, key})
			}
		}
	}
	return out
}
