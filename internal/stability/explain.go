package stability

import (
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Explanation sums exactly to the judgement it explains.
type Explanation struct {
	Judgement Judgement
	Rows      []ExplainRow
	// Others are the rules of the same key that were not used, in the order of the
	// set, with what each says: where studies disagree, both are shown.
	Others []Other
	// Shares are all shares of the rule that was used, in the order in which they
	// are met, with the instants at which they were or will be.
	Shares []ShareUse
}

// Other is what a rule that was not used says of the tube at the same instant: the
// answer of the same judge, from the same facts, if the laboratory had chosen that
// rule for its state. Its key is the test, the tube type, the state of the rule
// that was used (where none was: any state that the tube was in) and the
// conditions that were stated. Its window ends where that of the used rule would,
// by its own ending or at a state that has rules; steps (waits, tests that a spin
// ends) count as they do in Judge. A rule that only shows when the test was
// unstable says past-limit from its first bad time on, before that it can't say.
type Other struct {
	Judgement      // Rule is the rule itself, never nil; Other is always nil
	Assumes   bool // the rule asks for a condition that was not stated: the answer holds if it is so
}

// ExplainRow is a stretch of time with one band and one kind of evidence.
type ExplainRow struct {
	From, To event.Instant
	Evidence thermal.Evidence
	Band     string // name of the band, "below", "above", "between" two bands, "unknown"
	LimitMs  int64  // limit of that band, 0 for none
	UsedMs   int64  // what this stretch used, in ms of the governing limit, worst case
}

// Explain judges as Judge does and adds the stretches of time, in order, that
// the answer rests on. Their UsedMs sum exactly to the UsedMs of the judgement.
func (s *Set) Explain(t *Tube, assay string, hist []thermal.Segment, now event.Instant) Explanation {
	var e Explanation
	s.Judge(&e.Judgement, t, assay, hist, now)
	r := e.Judgement.Rule
	if !t.CustodyOnly && e.Judgement.Verdict != event.WrongTube {
		e.Others = s.others(r, t, assay, hist, now)
	}
	if r == nil || e.Judgement.window.from == 0 {
		return e
	}
	x := explainer{c: &r.compiled, window: e.Judgement.window, rows: e.Rows}
	for i := range x.c.shares {
		x.shares = append(x.shares, ShareUse{Share: x.c.shares[i].share})
	}
	x.u.watchFrost = false
	at := x.from
	for i := range hist {
		seg := &hist[i]
		if seg.To <= at || seg.From >= x.to {
			continue
		}
		x.unknown(at, min(seg.From, x.to))
		at = min(seg.To, x.to)
		x.segment(seg)
	}
	x.unknown(at, x.to)
	x.share(e.Judgement.weight())
	e.Rows, e.Shares = x.rows, x.shares
	if e.Judgement.Ended == 0 && !t.Unread {
		x.ahead(hist)
	}
	return e
}

// others judges by each rule of the key that was not used.
func (s *Set) others(used *Rule, t *Tube, assay string, hist []thermal.Segment, now event.Instant) []Other {
	var all []Other
	done := runAt(t, assay, now)
	for _, i := range s.index[ruleKey{assay, t.Type}] {
		r := &s.Rules[i]
		if r == used || used != nil && r.State != used.State {
			continue
		}
		fit, assumes := r.asStated(t)
		if !fit {
			continue
		}
		o := Other{Judgement: Judgement{Assay: assay, Verdict: event.WithinLimits, Direction: event.DirectionUnknown}, Assumes: assumes}
		asFalse, _, _ := r.fits(t, false)
		s.judgeBy(&o.Judgement, t, assay, hist, now, done, !asFalse, i, nil)
		if o.Rule == nil {
			continue // never in that state
		}
		s.step(&o.Judgement, t, now, done)
		o.remark()
		if t.Unread {
			o.unread()
		}
		all = append(all, o)
	}
	return all
}

// ahead fills in when the shares that weren't met yet will be.
func (x *explainer) ahead(hist []thermal.Segment) {
	on := onward(hist, x.to)
	one, two := x.u, x.u
	one.add(x.c, &on, x.to, x.to+1)
	two.add(x.c, &on, x.to, x.to+2)
	for i := range x.shares {
		s := &x.shares[i]
		when := x.c.shares[i].ahead(x.c, &x.u, &one, &two, x.lower, x.to)
		s.When.Earliest = max(s.When.Earliest, when.Earliest) // one of the two is 0
		s.When.Latest = max(s.When.Latest, when.Latest)
	}
}

// explainer writes one row for each piece of history and joins equal neighbours.
type explainer struct {
	c *compiled
	window
	u      usage
	rows   []ExplainRow
	shares []ShareUse
}

func (x *explainer) unknown(from, to event.Instant) {
	if from >= to {
		return
	}
	seg := thermal.Segment{From: from, To: to}
	x.piece(&seg, from, to, "unknown", 0)
}

func (x *explainer) segment(seg *thermal.Segment) {
	from, to := max(seg.From, x.from), min(seg.To, x.to)
	if from >= to {
		return
	}
	if seg.Evidence == thermal.Unknown {
		x.unknown(from, to)
		return
	}
	w := walk(x.c, seg, seg.Whole(), from, to)
	for w.next() {
		name, limit := x.c.name(w.low, w.high)
		x.piece(seg, w.from, w.to, name, limit)
	}
}

// piece adds one row; its UsedMs is in units until share turns it into ms.
func (x *explainer) piece(seg *thermal.Segment, from, to event.Instant, name string, limit int64) {
	was := x.u
	before := x.c.used(&was, x.lower)
	x.u.add(x.c, seg, from, to)
	x.crossed(&was, from, to)
	used := x.c.used(&x.u, x.lower) - before
	if n := len(x.rows); n > 0 {
		last := &x.rows[n-1]
		if last.To == from && last.Band == name && last.Evidence == seg.Evidence {
			last.To = to
			last.UsedMs += used
			return
		}
	}
	x.rows = append(x.rows, ExplainRow{From: from, To: to, Evidence: seg.Evidence, Band: name, LimitMs: limit, UsedMs: used})
}

// share turns units into ms of the governing limit so that the rows sum to the
// ms of the sum: what is lost in one row's rounding shows in a later one.
func (x *explainer) share(weight int64) {
	var sum, shown int64
	for i := range x.rows {
		sum += x.rows[i].UsedMs
		ms := sum / weight
		x.rows[i].UsedMs = ms - shown
		shown = ms
	}
}

// name gives the band of a piece between two regions and its limit: the band
// that counts at the worst, or the side on which it lies outside for certain.
func (c *compiled) name(low, high int) (string, int64) {
	switch {
	case high < c.lowest:
		return "below", 0
	case low > c.highest:
		return "above", 0
	case low == high && c.regions[low].between:
		return "between", 0
	}
	r := &c.regions[low]
	for k := low + 1; k <= high; k++ {
		if o := &c.regions[k]; o.worst > r.worst {
			r = o
		}
	}
	return c.names[r.band], c.limits[r.band]
}
