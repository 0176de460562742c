package rehearsal

import (
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

// Paces at the laboratory.
const (
	receivesEvery = 8 * time.Second
	worksEvery    = 5 * time.Second
	spinTakes     = 10 * time.Minute
	clots         = 36 * time.Minute // serum is racked no sooner; limits ask for 30 min
	tooEarly      = 29 * time.Minute // a rack before this is told to wait
	forgotten     = 10 * time.Hour
)

// unpack: the desk takes the tubes out of the box and tells that it is empty.
func (r *round) unpack() {
	at := r.arrives.Add(time.Minute)
	for i := range r.tubes {
		t := &r.tubes[i]
		if t.mistake == Lost || t.mistake == LeftBehind {
			continue
		}
		at = at.Add(receivesEvery)
		t.received = at
		r.scan(desk, at, "receive", i, nil)
		look := at.Add(2 * time.Second)
		switch t.mistake {
		case Mislabelled:
			r.plant(Answer{Kind: Mislabelled, Tubes: []string{r.id(i)}, At: t.collected}, look)
		case Unscanned, WrongBox:
			r.plant(Answer{Kind: t.mistake, Tubes: []string{r.id(i)}, At: t.collected}, look)
		case WrongContainer, LabelSeen, Haemolysed, WrongFill:
			if t.mistake == WrongContainer {
				r.plant(Answer{Kind: WrongContainer, Tubes: []string{r.id(i)}, At: t.collected}, look)
			}
			r.reject(desk, i, at.Add(3*time.Second))
		}
	}
	if look := at.Add(4 * time.Second); r.mistake == Delayed || r.mistake == Sun || r.mistake == Ice || r.mistake == LoggerForgotten || r.mistake == LoggerDied || r.mistake == LoggerLate {
		r.plant(Answer{Kind: r.mistake, Carrier: r.box(), Tubes: r.all(), At: r.harmed()}, look)
	}
	r.opened = at.Add(15 * time.Second)
	r.scan(desk, r.opened, "empty", -1, nil)
	for i := range r.tubes {
		t := &r.tubes[i]
		switch t.mistake {
		case Lost:
			r.plant(Answer{Kind: Lost, Tubes: []string{r.id(i)}, At: r.leaves}, r.opened.Add(time.Second))
			r.end(i, NeverSeen, r.opened.Add(2*time.Second))
		case LeftBehind:
			r.plant(Answer{Kind: LeftBehind, Tubes: []string{r.id(i)}, At: r.ready}, r.opened.Add(time.Second))
			found := r.opened.Add(time.Duration(r.dice.between(50, 70)) * time.Minute)
			r.scan(collector, found, "find", i, nil)
			r.scan(collector, found.Add(time.Minute), "discard", i, func(s *story.Scan) { s.Reason = "left-behind" })
			r.end(i, Found, found.Add(time.Minute+time.Second))
		}
	}
}

// harmed is when the box's mistake began.
func (r *round) harmed() event.Instant {
	switch r.mistake {
	case Delayed:
		return r.leaves.Add(-5 * time.Hour)
	case Sun, Ice:
		return r.logger.harm
	default:
		return r.from
	}
}

// reject: somebody saw what was wrong, which is the mistake's own answer except for
// a wrong container.
func (r *round) reject(who actor, i int, at event.Instant) {
	kind := r.tubes[i].mistake
	r.scan(who, at, "reject", i, func(s *story.Scan) { s.Reason = string(kind) })
	if kind != WrongContainer {
		r.plant(Answer{Kind: kind, Tubes: []string{r.id(i)}, At: at}, at.Add(time.Second))
	}
	r.end(i, RejectedAt, at.Add(2*time.Second))
}

func (r *round) end(i int, fate Fate, at event.Instant) {
	r.tubes[i].fate, r.tubes[i].ended = fate, at
	r.marks = append(r.marks, mark{at: at, sent: at, does: ends, tube: int32(i), draw: -1}) //nolint:gosec // a round has few tubes
}

// work: accepted, spun, measured and stored. Serum waits until it has clotted, in a
// rack of its own; a blood count is run unspun.
func (r *round) work() {
	at := r.opened.Add(time.Duration(r.dice.between(60, 240)) * time.Second)
	var plasma, serum, whole []int
	var clotted event.Instant
	for i := range r.tubes {
		t := &r.tubes[i]
		if t.fate != "" {
			continue
		}
		at = at.Add(worksEvery)
		r.scan(bench, at, "accept", i, nil)
		switch {
		case t.mistake == SpunLate:
			late := t.received.Add(forgotten)
			r.plant(Answer{Kind: SpunLate, Tubes: []string{r.id(i)}, At: at}, late)
			r.scan(bench, late.Add(time.Minute), "discard", i, func(s *story.Scan) { s.Reason = "too-old" })
			r.end(i, TooOld, late.Add(2*time.Minute))
		case t.mistake == Clotted:
			r.reject(bench, i, at.Add(3*time.Second))
		case t.kind().serum:
			serum = append(serum, i)
			clotted = max(clotted, t.collected.Add(clots))
			r.early(i, at.Add(2*time.Second))
		case t.kind().spins:
			plasma = append(plasma, i)
		default:
			whole = append(whole, i)
		}
	}
	at = at.Add(30 * time.Second)
	r.measure(whole, at.Add(3*time.Minute))
	r.spin(plasma, false, at)
	r.spin(serum, true, max(at.Add(4*time.Minute), clotted))
}

// early: somebody brings a serum tube to the rack before it has clotted. Reported
// later it would be a step that was done; at a desk it is asked live.
func (r *round) early(i int, at event.Instant) {
	t := &r.tubes[i]
	if t.mistake != "" || at > t.collected.Add(tooEarly) || !r.dice.falls(r.day.often(parts(SpunEarly))) {
		return
	}
	t.mistake = SpunEarly
	m := r.scan(bench, at, "rack", i, nil)
	r.plant(Answer{Kind: SpunEarly, Tubes: []string{r.id(i)}, Scan: r.scanID(r.marks[m].id), At: at}, at.Add(time.Second))
}

// parts is how often a mistake of a tube is made, in a million.
func parts(kind Kind) int {
	for i := range tubeRates {
		if tubeRates[i].kind == kind {
			return tubeRates[i].parts
		}
	}
	return 0
}

func (r *round) spin(tubes []int, serum bool, at event.Instant) {
	if len(tubes) == 0 {
		return
	}
	for _, i := range tubes {
		at = at.Add(worksEvery)
		r.scan(bench, at, "rack", i, nil)
	}
	at = at.Add(time.Minute)
	r.scan(bench, at, "spin", -1, func(s *story.Scan) {
		s.Label, s.Details = r.rack(serum), map[string]string{"programme": "2000 g, 10 min", "g": "2000", "minutes": "10"}
	})
	at = at.Add(spinTakes)
	r.scan(bench, at, "end-spin", -1, func(s *story.Scan) { s.Label = r.rack(serum) })
	r.measure(tubes, at.Add(3*time.Minute))
}

func (r *round) measure(tubes []int, at event.Instant) {
	for _, i := range tubes {
		at = at.Add(worksEvery)
		r.scan(bench, at, "measure", i, nil)
		stored := at.Add(30 * time.Minute)
		r.scan(bench, stored, "store", i, nil)
		r.end(i, Tested, stored.Add(time.Second))
	}
}
