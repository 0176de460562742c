package stability

import (
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Explanation sums exactly to the judgement it explains.
type Explanation struct {
	Judgement Judgement
	Rows      []ExplainRow
	Others    []Rule // rules of the same key that were not used
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
	for _, i := range s.index[ruleKey{assay, t.Type}] {
		if o := &s.Rules[i]; o != r && (r == nil || o.State == r.State) {
			e.Others = append(e.Others, *o)
		}
	}
	if r == nil || e.Judgement.window.from == 0 {
		return e
	}
	x := explainer{c: &r.compiled, window: e.Judgement.window, rows: e.Rows}
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
	e.Rows = x.rows
	return e
}

// explainer writes one row for each piece of history and joins equal neighbours.
type explainer struct {
	c *compiled
	window
	u    usage
	rows []ExplainRow
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
	before := x.c.used(&x.u, x.lower)
	x.u.add(x.c, seg, from, to)
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
