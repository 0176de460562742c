package stability

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

const (
	// maxBands bounds the rows of one rule; use per band is kept in an array.
	maxBands = 16
	// farthestMs is the longest stretch that is ever judged, a hundred years. It
	// bounds weights so that no sum of use leaves int64.
	farthestMs = 100 * 366 * 24 * 3_600_000
)

// compiled is the integer form of a rule. One ms in a band uses budget/limit
// units of the budget, which is a common multiple of the limits, so sums of use
// are exact and a limit that is met exactly is told from one that is passed.
type compiled struct {
	regions []region // the whole scale of temperature, cold to warm
	limits  []int64  // ms by region.band: Ms, GoodMs or the lone FirstBad
	weights []int64  // budget / limits
	hards   []int64  // ms by band after which it is past the limit, 0: never
	names   []string // of the bands
	lowest  int      // index of the region of the coldest band
	highest int      // and of the warmest

	budget, hard  int64 // 0 for hard: nothing is ever past this limit by time
	least, most   int64 // smallest and largest weight
	leastHard     int64
	strictest     int  // band with the shortest limit
	hardAt        bool // past the limit at the hard limit already (first bad), not only after it
	studied       bool // over the soft limit is not-studied-beyond
	shown         bool // shown unstable: nothing says that it is good before
	strictestBand bool // combine by the strictest band visited
	below, above  side
	frozenBelow   bool // the threshold below lies at or under 0 °C
	shares        []mark
	needs         reasons // those given where the demanded handling isn't shown
	watched       watched
}

// side is what is allowed beyond one threshold.
type side struct {
	said      bool
	allow     int64
	grace     int64
	two       bool // latches at the second reading
	direction event.Direction
}

// region is a stretch of the scale of temperature on which a rule says one thing.
// It begins at start/2 (0.01 °C) where start is even, just above it where odd.
type region struct {
	start             int64
	worst, best, hard int64        // units used per ms
	band              int          // whose limit counts at the worst
	visit             bool         // a band, or outside and counted like its nearest band
	unsaid            bool         // the rule doesn't say what holds here
	from, to          event.CentiC // a line within them stays in this one band, free of frost; from > to: none does
	between           bool         // has something said on both sides: a line that only passes is bounded by it
}

func atOrAbove(c event.CentiC) int64 { return 2 * int64(c) }
func justAbove(c event.CentiC) int64 { return 2*int64(c) + 1 }

const coldest = math.MinInt64

// Finish compiles every rule and builds the index by test and tube type. Parse
// calls it; whoever makes a Set by hand calls it before judging.
func (s *Set) Finish() error {
	s.index = make(map[ruleKey][]int)
	for i := range s.Rules {
		r := &s.Rules[i]
		if err := r.compile(); err != nil {
			return err
		}
		for _, tube := range r.Tubes {
			key := ruleKey{r.Assay.Code, tube}
			s.index[key] = append(s.index[key], i)
		}
	}
	return nil
}

// compile fills the integer form. Its error names the rule.
func (r *Rule) compile() error {
	rows := slices.Clone(r.Limits)
	slices.SortFunc(rows, func(a, b Limit) int { return cmp.Compare(a.Low, b.Low) })
	c := compiled{strictestBand: r.Combine == StrictestBand}
	if len(rows) == 0 || len(rows) > maxBands {
		return fmt.Errorf("rule %s: limits has %d rows; give 1 to %d", r.ID, len(rows), maxBands)
	}
	for i, l := range rows {
		switch {
		case l.Low > l.High:
			return fmt.Errorf("rule %s: limits: the band %s is upside down; write the colder edge first", r.ID, bandText(l.Low, l.High))
		case i > 0 && l.Low <= rows[i-1].High:
			return fmt.Errorf("rule %s: limits: the bands %s and %s overlap; both ends of a band are inside", r.ID,
				bandText(rows[i-1].Low, rows[i-1].High), bandText(l.Low, l.High))
		}
		if err := c.row(r, &l, i == 0); err != nil {
			return err
		}
	}
	if err := c.units(r); err != nil {
		return err
	}
	c.below, c.above = makeSide(r.Below), makeSide(r.Above)
	if err := c.scale(r, rows); err != nil {
		return err
	}
	if err := c.marks(r, rows); err != nil {
		return err
	}
	for _, need := range r.Needs {
		why, known := missing[need]
		if !known {
			return fmt.Errorf("rule %s: needs: %q is no handling that is known; use in-foil, on-ice or kept-warm", r.ID, need)
		}
		c.needs |= why
	}
	r.compiled = c
	return r.follow()
}

// row adds the limit of one band.
func (c *compiled) row(r *Rule, l *Limit, first bool) error {
	soft, hard := l.Ms, l.Ms
	studied, shown := l.GoodMs > 0, l.GoodMs == 0 && l.FirstBad > 0
	switch {
	case studied:
		soft, hard = l.GoodMs, l.FirstBad
	case shown:
		soft, hard = l.FirstBad, l.FirstBad
	case l.RatePerH > 0:
		if l.Criterion > math.MaxInt64/3600 {
			return fmt.Errorf("rule %s: criterion is too large; use a larger unit", r.ID)
		}
		// A rate is an estimate: its limit is cut to whole seconds, the strict way.
		soft = l.Criterion * 3600 / l.RatePerH * 1000
		hard = soft
	}
	if soft <= 0 {
		return fmt.Errorf("rule %s: limits: the band %s has no time; give limit, good-through, first-bad or rate", r.ID, bandText(l.Low, l.High))
	}
	if !first && (studied != c.studied || shown != c.shown) {
		return fmt.Errorf("rule %s: limits: the rows don't say the same kind of time; split the rule", r.ID)
	}
	c.studied, c.shown, c.hardAt = studied, shown, studied || shown
	c.limits, c.hards = append(c.limits, soft), append(c.hards, hard)
	name := l.BandName
	if name == "" {
		name = bandText(l.Low, l.High)
	}
	c.names = append(c.names, name)
	return nil
}

// units finds the budgets and the weights.
func (c *compiled) units(r *Rule) error {
	var ok bool
	if c.budget, ok = commonMultiple(c.limits); !ok {
		return fmt.Errorf("rule %s: limits: the times have no common measure that can be counted in; choose rounder times", r.ID)
	}
	c.least = math.MaxInt64
	for i, l := range c.limits {
		w := c.budget / l
		c.weights = append(c.weights, w)
		c.least, c.most = min(c.least, w), max(c.most, w)
		if l < c.limits[c.strictest] {
			c.strictest = i
		}
	}
	var some []int64
	for _, h := range c.hards {
		if h > 0 {
			some = append(some, h)
		}
	}
	if c.hard, ok = commonMultiple(some); !ok {
		return fmt.Errorf("rule %s: limits: the first bad times have no common measure that can be counted in; choose rounder times", r.ID)
	}
	return nil
}

func (c *compiled) hardWeight(band int) int64 {
	if c.hards[band] == 0 {
		return 0
	}
	return c.hard / c.hards[band]
}

// commonMultiple gives the least common multiple. ok is false when the use of
// farthestMs could leave int64.
func commonMultiple(all []int64) (lcm int64, ok bool) {
	if len(all) == 0 {
		return 0, true
	}
	lcm = 1
	for _, v := range all {
		part := v / gcd(lcm, v)
		if lcm > math.MaxInt64/2/part {
			return 0, false
		}
		lcm *= part
	}
	return lcm, lcm/slices.Min(all) <= math.MaxInt64/2/farthestMs
}

func makeSide(o *Outside) side {
	if o == nil {
		return side{}
	}
	return side{
		said: true, allow: o.AllowMs, grace: o.GraceMs, two: o.TwoValid || o.GraceMs == 0, direction: o.Direction,
	}
}

// scale lays the regions along the scale of temperature: what is below every
// band (and, past the threshold, allowed or not), the bands, what lies between.
func (c *compiled) scale(r *Rule, rows []Limit) error {
	bottom, top := rows[0].Low, rows[len(rows)-1].High
	last := len(rows) - 1
	c.leastHard = c.hardWeight(0)
	for i := range rows {
		c.leastHard = min(c.leastHard, c.hardWeight(i))
	}
	outside := func(start int64, band int, said bool) {
		out := region{start: start, worst: c.weights[band], best: c.least, hard: c.leastHard, band: band, visit: said, unsaid: !said}
		if said {
			out.best, out.hard = c.weights[band], c.hardWeight(band)
		}
		c.regions = append(c.regions, out)
	}
	outside(coldest, 0, c.below.said)
	threshold := bottom
	if c.below.said && r.Below.HasAt {
		threshold = r.Below.At
	}
	if threshold > bottom {
		return fmt.Errorf("rule %s: outside.below.at lies above the coldest band; put it at the edge or colder", r.ID)
	}
	c.frozenBelow = c.below.said && threshold <= 0
	if threshold < bottom {
		outside(atOrAbove(threshold), 0, false)
		c.regions[1].between = true
	}
	c.lowest = len(c.regions)
	for i, l := range rows {
		start := atOrAbove(l.Low)
		if i > 0 && l.Low == rows[i-1].High+1 {
			start = justAbove(rows[i-1].High) // nothing on the grid lies between
		} else if i > 0 {
			c.gap(justAbove(rows[i-1].High), i)
		}
		c.regions = append(c.regions, region{
			start: start, worst: c.weights[i], best: c.weights[i], hard: c.hardWeight(i), band: i, visit: true,
		})
	}
	c.highest = len(c.regions) - 1
	threshold = top
	if c.above.said && r.Above.HasAt {
		threshold = r.Above.At
	}
	if threshold < top {
		return fmt.Errorf("rule %s: outside.above.at lies below the warmest band; put it at the edge or warmer", r.ID)
	}
	if threshold > top {
		outside(justAbove(top), last, false)
		c.regions[len(c.regions)-1].between = true
	}
	outside(justAbove(threshold), last, c.above.said)
	for i := range c.regions {
		c.regions[i].within(c.end(i), i >= c.lowest && i <= c.highest)
	}
	return nil
}

// within fills from and to: the temperatures on the grid that lie in the region,
// none where it isn't a band, and none below 0 °C, where frost is watched for.
func (r *region) within(end int64, band bool) {
	if r.from, r.to = 1, 0; band && !r.unsaid {
		r.from = event.CentiC(max((r.start+1)>>1, 0))
		r.to = event.CentiC(min((end-1)>>1, math.MaxInt32))
	}
}

// holds reports whether the whole line of seg stays within from and to.
func (r *region) holds(seg *thermal.Segment) bool {
	if min(seg.Low0, seg.Low1) < r.from || max(seg.High0, seg.High1) > r.to {
		return false
	}
	l := &seg.Line
	return l.From == l.To || min(l.Low0, l.Low1) >= r.from && max(l.High0, l.High1) <= r.to
}

// gap is the region between band i-1 and band i: its two neighbours bound it.
func (c *compiled) gap(start int64, i int) {
	g := region{start: start, band: i, unsaid: true, between: true}
	if c.weights[i-1] > c.weights[i] {
		g.band = i - 1
	}
	g.worst, g.best = max(c.weights[i-1], c.weights[i]), min(c.weights[i-1], c.weights[i])
	g.hard = min(c.hardWeight(i-1), c.hardWeight(i))
	c.regions = append(c.regions, g)
}

// end gives the start of the region after i.
func (c *compiled) end(i int) int64 {
	if i+1 < len(c.regions) {
		return c.regions[i+1].start
	}
	return math.MaxInt64
}

// regionOf gives the region of a temperature on the grid.
func (c *compiled) regionOf(t event.CentiC) int {
	return c.regionOver(2*int64(t), 0)
}

// regionOver gives the region of a doubled temperature on the grid, looking from i on.
func (c *compiled) regionOver(g int64, i int) int {
	for g >= c.end(i) {
		i++
	}
	for g < c.regions[i].start {
		i--
	}
	return i
}
