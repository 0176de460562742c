package custody

import (
	"fmt"
	"slices"
	"strconv"

	"specimen.example/custody/internal/event"
)

// What people do in a day; see day.

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
	for _, on := range doubtable(d.w) {
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
