package stability

import (
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// usage is what a stretch of a tube's history used of one rule, from below
// (best) and from above (worst), and what was crossed on the way. It is a plain
// value: a copy can be carried on to ask what would be.
type usage struct {
	total       int64 // ms
	worst, best int64 // units of the budget
	hard        int64 // units of the hard budget, best case
	by          [4]int64
	band        [maxBands]int64 // units of the budget by band, worst case
	sure, maybe uint32          // bands visited for certain, and possibly: bit sets

	below, above       int64 // ms possibly outside every band
	beyond             [2]sideUse
	unsaid             int64 // ms certainly where the rule says nothing
	unsaidRead         int64 // ms possibly there by a reading's bounds
	unsaidRange        int64 // ms possibly there by a range that was attested or assumed
	spread             bool  // a range touched bands with different limits
	watchFrost, frozen bool
	dark               bool // the tube was put in foil
	frost              bool // the last reading was below 0 °C
	last               event.Instant
	lastLow, lastHigh  event.CentiC
	region             int           // of the last stretch: the next one is likely in it
	firm               event.Instant // end of the segment by which latches and frost last changed
}

// sideUse is one side: index 0 below, 1 above.
type sideUse struct {
	sure, maybe         int64 // ms past the threshold
	runSure, runMaybe   int64 // the same without a break up to now
	readSure, readMaybe bool  // the last reading stood there
	latched             bool
	perhaps             bool // would have latched at the worst case, by readings
	perhapsRange        bool // or by a range
}

// add counts the part of seg that lies in [from, to).
func (u *usage) add(c *compiled, seg *thermal.Segment, from, to event.Instant) {
	start, end := max(seg.From, from), min(seg.To, to)
	if start >= end {
		return
	}
	if seg.Evidence == thermal.Unknown {
		u.addUnknown(c, int64(end-start))
		return
	}
	if c.regions[u.region].holds(seg) {
		u.addInside(c, seg.Evidence, int64(end-start), seg.Reading0 || seg.Reading1)
		return
	}
	before := u.latches()
	if seg.Reading0 && start == seg.From {
		u.reading(c, seg.From, seg.Low0, seg.High0)
	}
	w := walk(c, seg, seg.Whole(), start, end)
	for w.next() {
		u.stretch(c, w.low, w.high, int64(w.to-w.from), seg.Evidence, w.passing())
	}
	if u.watchFrost && seg.Evidence != thermal.Measured && seg.High0 < 0 && seg.High1 < 0 {
		u.frozen = true // told for certain, no reading can be wrong here
	}
	if seg.Reading1 && end == seg.To {
		u.reading(c, seg.To, seg.Low1, seg.High1)
	}
	u.region = w.high
	if u.latches() != before {
		u.firm = end
	}
}

// latches is what stays once it is so.
func (u *usage) latches() (is [7]bool) {
	is[0] = u.frozen
	for k := range u.beyond {
		b := &u.beyond[k]
		is[1+3*k], is[2+3*k], is[3+3*k] = b.latched, b.perhaps, b.perhapsRange
	}
	return is
}

// addInside counts ms in which the tube stayed in one band, that of u.region: by
// far the most frequent. Read tells that a reading stands in them.
func (u *usage) addInside(c *compiled, ev thermal.Evidence, ms int64, read bool) {
	r := &c.regions[u.region]
	used := ms * r.worst
	u.total += ms
	u.by[ev] += ms
	u.worst += used
	u.best += used
	u.hard += ms * r.hard
	u.band[r.band] += used
	u.sure |= 1 << r.band
	u.maybe |= 1 << r.band
	u.endRuns()
	if read {
		u.frost = false
		u.last = 0
	}
}

// endRuns ends every excursion: the tube was inside.
func (u *usage) endRuns() {
	for k := range u.beyond {
		s := &u.beyond[k]
		s.runSure, s.runMaybe, s.readSure, s.readMaybe = 0, 0, false, false
	}
}

// addUnknown counts minutes of which nothing is known. They neither fire nor
// block a latch; time passes at least as in the most lenient band.
func (u *usage) addUnknown(c *compiled, ms int64) {
	u.total += ms
	u.by[thermal.Unknown] += ms
	u.worst += ms * c.most
	u.best += ms * c.least
	u.hard += ms * c.leastHard
	u.band[c.strictest] += ms * c.most
	u.maybe |= 1 << c.strictest
}

// stretch counts ms between the regions i (lower bound) and j (upper bound).
func (u *usage) stretch(c *compiled, i, j int, ms int64, ev thermal.Evidence, passing bool) {
	u.total += ms
	u.by[ev] += ms
	r := c.regions[i]
	worst, best, hard, band := r.worst, r.best, r.hard, r.band
	unsaid := r.unsaid && (!r.between || !passing)
	if i == j {
		if r.visit {
			u.sure |= 1 << band
		}
		if unsaid {
			u.unsaid += ms
		}
	}
	u.maybe |= 1 << band
	for k := i + 1; k <= j; k++ {
		r := &c.regions[k]
		if r.worst > worst {
			worst, band = r.worst, r.band
		}
		best, hard = min(best, r.best), min(hard, r.hard)
		unsaid = unsaid || r.unsaid && (!r.between || !passing)
		u.maybe |= 1 << r.band
	}
	u.worst += ms * worst
	u.best += ms * best
	u.hard += ms * hard
	u.band[band] += ms * worst
	if i != j {
		u.spread = u.spread || ev != thermal.Measured && worst != best
		switch {
		case !unsaid:
		case ev == thermal.Measured:
			u.unsaidRead += ms
		default:
			u.unsaidRange += ms
		}
	}
	if i < c.lowest {
		u.below += ms
	}
	if j > c.highest {
		u.above += ms
	}
	u.beyond[0].count(&c.below, j == 0, i == 0, ms, ev)
	top := len(c.regions) - 1
	u.beyond[1].count(&c.above, i == top, j == top, ms, ev)
	if i >= c.lowest && j <= c.highest {
		u.endRuns()
	}
}

// count adds ms past a threshold, for certain or perhaps, and latches where a
// grace or a declared range says so.
func (s *sideUse) count(side *side, sure, maybe bool, ms int64, ev thermal.Evidence) {
	if !side.said {
		return
	}
	if !sure {
		s.runSure = 0
	}
	if !maybe {
		s.runMaybe = 0
		return
	}
	s.maybe += ms
	s.runMaybe += ms
	if sure {
		s.sure += ms
		s.runSure += ms
	}
	if side.allow > 0 {
		if !sure && ev != thermal.Measured {
			s.perhapsRange = true // which word to use, should the minutes be too many
		}
		return
	}
	certain := ev != thermal.Measured && side.grace == 0
	if sure && (certain || side.grace > 0 && s.runSure >= side.grace) {
		s.latched = true
	}
	if certain || side.grace > 0 && s.runMaybe >= side.grace {
		s.perhaps = s.perhaps || ev == thermal.Measured
		s.perhapsRange = s.perhapsRange || ev != thermal.Measured
	}
}

// reading takes note of a valid reading with its bounds: two in a row past a
// threshold latch it, two in a row below 0 °C may have frozen the tube.
func (u *usage) reading(c *compiled, at event.Instant, low, high event.CentiC) {
	if at == u.last && low == u.lastLow && high == u.lastHigh {
		return // the end of one segment is the start of the next
	}
	u.last, u.lastLow, u.lastHigh = at, low, high
	i, j := c.regionOf(low), c.regionOf(high)
	top := len(c.regions) - 1
	u.beyond[0].read(&c.below, j == 0, i == 0)
	u.beyond[1].read(&c.above, i == top, j == top)
	if u.watchFrost {
		u.frozen = u.frozen || high < 0 && u.frost
		u.frost = high < 0
	}
}

func (s *sideUse) read(side *side, sure, maybe bool) {
	if side.said && side.two && side.allow == 0 {
		s.latched = s.latched || sure && s.readSure
		s.perhaps = s.perhaps || maybe && s.readMaybe
	}
	s.readSure, s.readMaybe = sure, maybe
}

// walker cuts a segment where its lower or upper line crosses into another
// region. The ms from t to t+1 counts by the exact temperature at t.
type walker struct {
	c         *compiled
	line      thermal.Line
	ev        thermal.Evidence
	from, to  event.Instant
	end       event.Instant
	low, high int // regions of the piece
}

func walk(c *compiled, seg *thermal.Segment, line thermal.Line, from, to event.Instant) walker {
	return walker{c: c, line: line, ev: seg.Evidence, to: from, end: to}
}

// next finds the next piece.
func (w *walker) next() bool {
	if w.to >= w.end {
		return false
	}
	w.from = w.to
	l := &w.line
	length := int64(l.To - l.From)
	at := int64(w.from - l.From)
	var lowFor, highFor int64
	w.low, lowFor = w.c.locate(l.Low0, l.Low1, at, length)
	w.high, highFor = w.c.locate(l.High0, l.High1, at, length)
	w.to = w.end
	if leave := l.From + event.Instant(min(lowFor, highFor)); min(lowFor, highFor) < forEver && leave < w.end {
		w.to = leave
	}
	return true
}

// passing reports whether no reading stands where the rule says nothing: the
// line between two readings only passes there, and what lies around bounds it.
func (w *walker) passing() bool {
	if w.ev != thermal.Measured {
		return false
	}
	l := &w.line
	for k := w.low; k <= w.high; k++ {
		if !w.c.regions[k].between {
			continue
		}
		for _, read := range [...]event.CentiC{l.Low0, l.Low1, l.High0, l.High1} {
			if w.c.regionOf(read) == k {
				return false
			}
		}
	}
	return true
}

const forEver = int64(1) << 62

// locate gives the region at ms `at` of a line from a to b over length ms, and
// the ms at which the line leaves it.
func (c *compiled) locate(a, b event.CentiC, at, length int64) (region int, leaves int64) {
	if a == b {
		return c.regionOf(a), forEver
	}
	rise := int64(b - a)
	here := int64(a)*length + rise*at // exact temperature times length
	i := 0
	for i+1 < len(c.regions) && reached(c.regions[i+1].start, here, length) {
		i++
	}
	if rise > 0 {
		if i+1 == len(c.regions) {
			return i, forEver
		}
		start := c.regions[i+1].start
		way := (start>>1 - int64(a)) * length
		if start&1 == 0 {
			return i, ceilDiv(way, rise)
		}
		return i, floorDiv(way, rise) + 1
	}
	if i == 0 {
		return i, forEver
	}
	start := c.regions[i].start
	way := (int64(a) - start>>1) * length
	if start&1 == 0 {
		return i, floorDiv(way, -rise) + 1
	}
	return i, ceilDiv(way, -rise)
}

// reached reports whether a temperature, times length, lies in a region that
// begins at start, or above it.
func reached(start, here, length int64) bool {
	edge := start >> 1 * length
	if start&1 == 0 {
		return here >= edge
	}
	return here > edge
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

func ceilDiv(a, b int64) int64 {
	q := a / b
	if a%b > 0 {
		q++
	}
	return q
}
