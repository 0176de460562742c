package rehearsal

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

// actor is who makes a scan, with which device.
type actor uint8

const (
	nobody actor = iota
	collector
	courier
	desk
	bench
)

// mark is one step of a round while the round is made.
type mark struct {
	sent, at event.Instant
	set      func(*story.Scan) // what is special, nil for nothing
	answer   *Answer
	verb     string
	tube     int32 // of the round, -1 for none
	draw     int32
	id       int32 // of the scan; the same when it is delivered again
	seq      int32 // of the phone
	who      actor
	does     doing
}

// doing is what a mark is.
type doing uint8

const (
	scans doing = iota
	delivers
	answers
	ends
)

// tube is one tube of a round.
type tube struct {
	mistake   Kind
	fate      Fate
	panel     int8
	draw      int32
	collected event.Instant
	received  event.Instant
	ended     event.Instant
}

func (t *tube) kind() *panel { return &panels[t.panel] }

// round is one round of collecting at one site, with the box that it fills.
type round struct {
	day  *Day
	site site
	dice dice
	no   int // of the site
	from event.Instant
	// first is the number of the first tube in the whole day.
	first   int
	tubes   []tube
	draws   int
	urgent  []bool // by draw
	mistake Kind   // of the box
	offline actor  // whose phone has no network

	gap                            time.Duration // between two draws
	ready, leaves, arrives, opened event.Instant // the box: full, on its way, at the desk, empty
	marks                          []mark        // while it is made; then short and special
	short                          []shortMark   // in the order in which the server hears of them
	special                        []special     // of the few marks that have something special
	scanned                        int32
	next                           int // of short
	logger                         boxLogger
	hard                           dice // what is no mistake: draws of its own, so that they move nothing else
	late                           bool // offline is for long, on a phone of this round alone
}

// round makes a round; buffer is room for its marks.
func (d *Day) round(st start, s site, buffer []mark) *round {
	number := st.site*len(rounds) + st.round
	r := &round{day: d, site: s, no: st.round, from: st.at, first: st.first, marks: buffer,
		dice: dice{sourceOf(d.settings.Seed, ofBox, number)}, hard: dice{sourceOf(d.settings.Seed, ofHardness, number)}}
	r.logger.own = r.hard.below(100) < d.settings.BoxLoggers
	r.fill(st.n)
	r.mistake = r.pick(boxRates, r.mayHappenToBox)
	switch r.mistake {
	case "", LoggerForgotten, LoggerDied, LoggerLate:
		if r.dice.falls(offlineRate) {
			r.offline = collector + actor(r.dice.below(2)) //nolint:gosec // collector or courier
		}
	}
	r.sendLate()
	for i := range r.tubes {
		t := &r.tubes[i]
		t.mistake = r.pick(tubeRates, func(k Kind) bool { return r.mayHappen(t, k) })
	}
	r.collect()
	r.travel()
	r.log()
	r.unpack()
	r.work()
	r.tell()
	r.shorten()
	return r
}

// sendLate decides whether a phone of this round sends long after: people who left a
// phone in a pocket go on with another one, so this round has a phone of its own.
func (r *round) sendLate() {
	if r.mistake != "" || r.offline != nobody || r.site.wrongClock || !r.hard.falls(r.day.often(lateRate)) {
		return
	}
	r.late, r.offline = true, collector+actor(r.hard.below(2)) //nolint:gosec // collector or courier
}

// fill orders panels for one patient after the other until the round has its tubes.
func (r *round) fill(n int) {
	for len(r.tubes) < n {
		before := len(r.tubes)
		for p := range panels {
			if len(r.tubes) < n && r.dice.below(100) < panels[p].share {
				r.tubes = append(r.tubes, tube{panel: int8(p), draw: int32(r.draws)}) //nolint:gosec // both are small
			}
		}
		if len(r.tubes) > before {
			r.draws++
			r.urgent = append(r.urgent, r.dice.falls(urgentRate))
		}
	}
	r.gap = min(5*time.Minute, 75*time.Minute/time.Duration(r.draws)).Truncate(time.Second)
}

// pick draws at most one mistake of those that may happen here.
func (r *round) pick(rates []rate, may func(Kind) bool) Kind {
	at := r.dice.below(million)
	for i := range rates {
		parts := r.day.often(rates[i].parts)
		if at < parts {
			if may(rates[i].kind) {
				return rates[i].kind
			}
			return ""
		}
		at -= parts
	}
	return ""
}

// mayHappenToBox: without a logger of its own nothing of it can go wrong, and nobody
// knows how warm the box was.
func (r *round) mayHappenToBox(k Kind) bool {
	switch k {
	case Sun, Ice, LoggerForgotten, LoggerDied, LoggerLate:
		return r.logger.own
	}
	return true
}

func (r *round) mayHappen(t *tube, k Kind) bool {
	switch k {
	case OtherLabel:
		// Reported later it is a doubt on a tube that is rightly collected as well.
		return r.offline != collector && r.draws > 1
	case Clotted:
		return t.kind().kind == "EDTA"
	case SpunLate:
		return t.kind().spins
	case SpunEarly:
		return false // told by the clock: see work
	}
	return true
}

func (r *round) id(i int) string       { return "TB" + padded(r.first+i+1, 7) }
func (r *round) drawID(i int32) string { return r.numbered("DRAW") + "-" + strconv.Itoa(int(i)+1) }
func (r *round) request(i int32) string {
	return r.numbered("REQ") + "-" + strconv.Itoa(int(i)+1)
}
func (r *round) patient(i int32) string {
	return r.numbered("P") + "-" + strconv.Itoa(int(i)+1)
}
func (r *round) box() string      { return r.numbered("BOX") }
func (r *round) loggerID() string { return r.numbered("LOG") }
func (r *round) rack(serum bool) string {
	if serum {
		return r.numbered("RACK-S")
	}
	return r.numbered("RACK-P")
}
func (r *round) numbered(what string) string {
	return name(what, r.site.number) + "-" + strconv.Itoa(r.no+1)
}

// declare gives what only this round uses: its box, logger, racks and requests.
func (r *round) declare() []story.Declared {
	out := []story.Declared{
		story.Carrier{ID: r.box(), Kind: "box"},
		story.Carrier{ID: r.rack(false), Kind: "rack"}, story.Carrier{ID: r.rack(true), Kind: "rack"},
	}
	if r.logger.own {
		out = append(out, story.Logger{ID: r.loggerID(), Every: loggerEvery, Hold: -1, In: r.box(), InKind: event.KindCarrier, Uncertainty: 30})
	}
	if r.late {
		out = append(out, story.Device{ID: r.phoneOf(r.offline), Kind: "phone"})
	}
	for d := range int32(r.draws) { //nolint:gosec // a round has few draws
		req := story.Request{ID: r.request(d), Patient: r.patient(d), Priority: "routine", To: r.site.reception()}
		if r.urgent[d] {
			req.Priority = "urgent"
		}
		for i := range r.tubes {
			t := &r.tubes[i]
			if t.draw != d {
				continue
			}
			if t.kind().kind == "CITRATE" {
				req.Conditions = []string{"unfractionated-heparin=no"}
			}
			req.Tubes = append(req.Tubes, story.RequestTube{ID: r.id(i), Type: t.kind().kind, Tests: t.kind().tests})
			for _, test := range t.kind().tests {
				if !slices.Contains(req.Tests, test) {
					req.Tests = append(req.Tests, test)
				}
			}
		}
		out = append(out, req)
	}
	return out
}

// scan notes a scan and gives its place in marks.
func (r *round) scan(who actor, at event.Instant, verb string, tube int, set func(*story.Scan)) int {
	r.scanned++
	m := mark{at: at, sent: at, who: who, verb: verb, tube: int32(tube), draw: -1, id: r.scanned, set: set} //nolint:gosec // a round has few tubes
	if tube >= 0 {
		m.draw = r.tubes[tube].draw
	}
	r.marks = append(r.marks, m)
	return len(r.marks) - 1
}

// plant notes a mistake: what the product can know from look on.
func (r *round) plant(a Answer, look event.Instant) {
	for _, list := range [][]rate{tubeRates, boxRates, {phoneRate}} {
		for _, one := range list {
			if one.kind == a.Kind {
				a.Expect = one.expect
			}
			if a.Expect.What == Unmeasured && r.day.settings.Places {
				a.Expect = Expect{What: Nothing} // the loggers around the box measure on
			}
		}
	}
	r.marks = append(r.marks, mark{at: look, sent: look, does: answers, answer: &a, tube: -1, draw: -1})
}

// all are the tubes that have not ended yet.
func (r *round) all() []string {
	var out []string
	for i := range r.tubes {
		if r.tubes[i].fate == "" {
			out = append(out, r.id(i))
		}
	}
	return out
}

// collect: wristband, tubes, end, and each tube into the box.
func (r *round) collect() {
	next := 0
	for d := range int32(r.draws) { //nolint:gosec // a round has few draws
		at := r.from.Add(time.Duration(d) * r.gap).Add(time.Duration(r.dice.below(20)) * time.Second)
		r.marks[r.scan(collector, at, "wristband", -1, nil)].draw = d
		begin := next
		for ; next < len(r.tubes) && r.tubes[next].draw == d; next++ {
			t := &r.tubes[next]
			at = at.Add(time.Duration(r.dice.between(6, 10)) * time.Second)
			t.collected = at
			if t.mistake == OtherLabel {
				r.otherLabel(next, at.Add(-3*time.Second))
			}
			if t.mistake == Unscanned {
				continue
			}
			var set func(*story.Scan)
			if t.mistake == WrongContainer {
				other := wrongType(t.kind().kind)
				set = func(s *story.Scan) { s.Type = other }
			}
			r.scan(collector, at, "collect", next, set)
		}
		at = at.Add(8 * time.Second)
		r.marks[r.scan(collector, at, "end-draw", -1, nil)].draw = d
		for i := begin; i < next; i++ {
			at = at.Add(4 * time.Second)
			switch r.tubes[i].mistake {
			case Unscanned:
			case WrongBox:
				r.scan(collector, at, "pack", i, func(s *story.Scan) { s.Carrier = r.site.spare() })
			default:
				r.scan(collector, at, "pack", i, nil)
			}
		}
	}
	r.ready = r.from.Add(time.Duration(r.draws)*r.gap + 2*time.Minute)
	r.scan(collector, r.ready, "seal", -1, nil)
}

// wrongType is the tube that is filled by mistake.
func wrongType(kind string) string {
	if kind == "EDTA" {
		return "CITRATE"
	}
	return "EDTA"
}

// otherLabel: before the right label that of another draw's tube is scanned.
func (r *round) otherLabel(i int, at event.Instant) {
	other := 0
	if r.tubes[i].draw == 0 {
		other = len(r.tubes) - 1
	}
	draw, kind := r.tubes[i].draw, r.tubes[i].kind().kind
	m := r.scan(collector, at, "collect", other, func(s *story.Scan) {
		s.Draw, s.Type, s.Request, s.Tests = r.drawID(draw), kind, "", nil
	})
	r.plant(Answer{Kind: OtherLabel, Tubes: []string{r.id(other)}, Scan: r.scanID(r.marks[m].id), At: at}, at.Add(time.Second))
}

// travel: from hand to hand, and away.
func (r *round) travel() {
	s := r.site
	switch s.way {
	case byFoot:
		r.leaves = r.ready.Add(time.Duration(r.dice.between(3, 8)) * time.Minute)
	default:
		planned := r.day.settings.Day.Add(time.Duration(rounds[r.no].minute)*time.Minute + leavesAfter)
		r.leaves = max(planned, r.ready.Add(4*time.Minute)).Add(time.Duration(r.dice.between(0, 240)) * time.Second)
	}
	if r.mistake == Delayed {
		r.leaves = r.leaves.Add(5 * time.Hour)
	}
	r.arrives = r.leaves.Add(s.takes() + time.Duration(r.dice.between(-120, 420))*time.Second)
	half := r.mistake == Handoff && r.dice.below(2) == 0
	give, take := r.leaves.Add(-2*time.Minute), r.leaves.Add(-time.Minute)
	switch {
	case r.mistake == Handoff && half:
		r.scan(courier, take, "take", -1, func(s *story.Scan) { s.From = "" })
		r.plant(Answer{Kind: Handoff, Carrier: r.box(), Tubes: r.all(), At: give}, take.Add(30*time.Second))
	case r.mistake == Handoff:
		r.scan(collector, give, "release", -1, nil)
		r.plant(Answer{Kind: Handoff, Carrier: r.box(), Tubes: r.all(), At: take}, r.leaves.Add(30*time.Second)) // who leaves with it has it
	default:
		r.scan(collector, give, "release", -1, nil)
		r.scan(courier, take, "take", -1, nil)
	}
	switch s.way {
	case byFoot:
		r.scan(courier, r.leaves, "depart", -1, nil)
	case byVan:
		r.scan(courier, r.leaves, "depart", -1, func(one *story.Scan) {
			one.Place, one.Details = s.vehicle(), map[string]string{"mode": "van", "route": s.route()}
		})
	case byFerry:
		lands := r.arrives.Add(-25 * time.Minute)
		r.scan(courier, r.leaves, "depart", -1, func(one *story.Scan) {
			one.Place, one.Details = s.ferry(), map[string]string{"mode": "ferry", "route": s.route()}
		})
		r.scan(courier, lands, "arrive", -1, func(one *story.Scan) { one.Place = s.harbour() })
		r.scan(courier, lands.Add(8*time.Minute), "depart", -1, func(one *story.Scan) {
			one.Place, one.Details = s.vehicle(), map[string]string{"mode": "van"}
		})
	}
	r.scan(desk, r.arrives, "receive", -1, nil)
	if s.wrongClock && r.no == r.day.firstRound(s.number) {
		r.plant(Answer{Kind: ClockWrong, Device: s.phone(), At: r.from}, r.arrives)
	}
}

// firstRound is the first round of a site that has tubes.
func (d *Day) firstRound(number int) int {
	sites := d.sites()
	n := d.settings.Tubes*(number+1)/sites - d.settings.Tubes*number/sites
	share := 0
	for i, r := range rounds {
		share += r.share
		if n*share/100 > 0 {
			return i
		}
	}
	return len(rounds) - 1
}

// tell puts the marks into the order in which the server hears of them. A phone
// without network keeps its scans in order and sends them together; some reach the server
// twice.
func (r *round) tell() {
	var phones []int
	for i := range r.marks {
		if m := &r.marks[i]; m.does == scans && (m.who == collector || m.who == courier) {
			phones = append(phones, i)
		}
	}
	slices.SortStableFunc(phones, func(a, b int) int { return cmp.Compare(r.marks[a].at, r.marks[b].at) })
	// The collector comes up from the basement with the box; the courier finds a
	// network only when the desk has begun.
	back := map[actor]event.Instant{collector: r.ready.Add(30 * time.Second), courier: r.arrives.Add(4 * time.Minute)}
	if r.late {
		// What was drawn must be known before the desk begins; a box may be known late.
		back[collector] = max(back[collector], r.arrives.Add(-30*time.Second))
		back[courier] = r.arrives.Add(time.Duration(r.hard.between(60, 240)) * time.Minute)
	}
	var again []mark
	made := map[actor]int32{}
	for _, i := range phones {
		m := &r.marks[i]
		made[m.who]++
		m.seq = int32(r.no)*2_000 + made[m.who] //nolint:gosec // a site has few rounds
		if m.who == r.offline && m.at < back[m.who] {
			m.sent = back[m.who] + event.Instant(made[m.who])*200
			if r.dice.falls(twiceRate) {
				twin := *m
				twin.sent += event.Instant(r.dice.between(2_000, 20_000))
				again = append(again, twin)
			}
		}
	}
	r.marks = append(r.marks, again...)
	slices.SortStableFunc(r.marks, func(a, b mark) int { return cmp.Compare(a.sent, b.sent) })
}
