package stability

import (
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability/ageing"
	"specimen.example/custody/internal/thermal"
)

// Watch is what time and temperature can still change of what was said of a tube: the uses
// to follow on ageing clocks, and the signs to look for. JudgeAndWatch fills it.
type Watch struct {
	Windows []Window
	Ends    []End // of windows that don't go on
	// Several: a test goes on under several rules. Of equal verdicts the one that is due
	// first is shown, and that depends on how fast the tube ages.
	Several bool

	of   string // the test whose rules were noted last
	open int    // how many of them go on
}

// End is a stretch of a tube's history that is over: readings in it still count. Of all
// that begin at one instant it is the longest.
type End struct{ From, At event.Instant }

// Reset empties w for another tube.
func (w *Watch) Reset() { *w = Watch{Windows: w.Windows[:0], Ends: w.Ends[:0]} }

// Window is what is watched of one stretch of a tube's history, which begins at From and
// goes on.
type Window struct {
	From   event.Instant
	Uses   []WatchedUse
	Scales []WatchedScale
}

// WatchedUse is a use on a curve, with the ascending values at which something else is to
// be said: of its upper bound, and of its lower.
type WatchedUse struct {
	Curve        *Curve
	Upper, Lower []int64
}

// WatchedScale is a scale to look at, see ageing.Sight.
type WatchedScale struct {
	Scale        *Scale
	Again, Enter ageing.Signs
	// Firm is the end of the segment by which a latch, or frost, last came to be; 0: none
	// did. Where readings may still be drawn to before it, they can unsay that.
	Firm event.Instant
}

// Curve is a rate curve under a name: curves of one name are the same.
type Curve struct {
	Rates *ageing.RateCurve
	Name  string
}

// watched is what a rule has watched, made once.
type watched struct {
	use   WatchedUse
	bound WatchedUse // use, where no collection time is known: only the lower bound counts
	more  []WatchedUse
	calm  *Scale // of a state in which frost isn't watched for
	frost *Scale
}

// follow makes what a rule has watched.
func (r *Rule) follow() error {
	c := &r.compiled
	w := &c.watched
	var err error
	curve := func(rate func(*region) (upper, lower int64), upper, lower int64) *Curve {
		steps := make([]ageing.Step, len(c.regions))
		for i := range c.regions {
			steps[i].Start = c.regions[i].start
			steps[i].Upper, steps[i].Lower = rate(&c.regions[i])
		}
		rates, e := ageing.NewRateCurve(steps, upper, lower)
		if e != nil && err == nil {
			err = fmt.Errorf("rule %s: %w", r.ID, e)
		}
		return &Curve{rates, fmt.Sprint(steps, upper, lower)}
	}
	if c.strictestBand {
		passing := curve(func(*region) (int64, int64) { return 1, 1 }, 1, 1)
		var at []int64
		for i, l := range c.limits {
			at = append(at, fourFifths(l), l+1, max(c.hards[i], 1), c.hards[i]+1)
		}
		w.use = WatchedUse{Curve: passing, Upper: ascending(at)}
		w.bound = w.use
	} else {
		common := gcd(c.most, c.least)
		for i := range c.regions {
			common = gcd(common, gcd(c.regions[i].worst, c.regions[i].best))
		}
		in := func(at int64) int64 { return ceilDiv(at, common) }
		use := curve(func(r *region) (int64, int64) { return r.worst / common, r.best / common }, c.most/common, c.least/common)
		eighty, over := in(fourFifths(c.budget)), in(c.budget+1)
		w.use = WatchedUse{use, ascending([]int64{eighty, over}), []int64{over}}
		w.bound = WatchedUse{use, []int64{over}, ascending([]int64{eighty, over})}
		if c.hard > 0 && (c.hard != c.budget || c.hardAt || c.leastHard != c.least) {
			at := c.hard + 1
			if c.hardAt {
				at = c.hard
			}
			hard := curve(func(r *region) (int64, int64) { return r.hard, r.hard }, c.leastHard, c.leastHard)
			w.more = append(w.more, WatchedUse{hard, nil, []int64{at}})
		}
	}
	top := len(c.regions) - 1
	for k, side := range [2]*side{&c.below, &c.above} {
		if !side.said || side.allow <= 0 {
			continue
		}
		edge := &c.regions[k*top]
		beyond := curve(func(r *region) (int64, int64) {
			if r == edge {
				return 1, 1
			}
			return 0, 0
		}, 0, 0)
		w.more = append(w.more, WatchedUse{beyond, []int64{side.allow + 1}, []int64{side.allow + 1}})
	}
	w.calm, w.frost = newScale(r, false), newScale(r, true)
	return err
}

func ascending(at []int64) []int64 {
	at = slices.DeleteFunc(at, func(v int64) bool { return v <= 0 || v > ageing.MaxLevel })
	slices.Sort(at)
	return slices.Compact(at)
}

// The signs of a scale.
const (
	signUnknown ageing.Signs = 1 << iota
	signAssumed
	signFelt // measured or attested
	signUnsaid
	signUnsaidRead
	signUnsaidRange
	signSpread
	signFrozen
	signFrost
	signSides // six for each side from here on
)

const (
	sideMaybe ageing.Signs = 1 << iota
	sideSure
	sideLatched
	sidePerhaps
	sidePerhapsRange
	sideRange // possibly, by a range that was declared: a run by readings goes on as another kind
	sideSigns = 6
)

// signBands is where the bands that were visited begin: possibly, then for certain.
const signBands = 22

func sideSign(k int, s ageing.Signs) ageing.Signs { return s * signSides << (sideSigns * k) }

// The signs of the present: which the caller looks for depends on what it says of a tube.
const (
	// StandsOutside: the tube stands outside every band, or would by the margin.
	StandsOutside ageing.Signs = 3
	// StandsAt: the part of the scale in which it stands, which decides how fast it ages.
	StandsAt ageing.Signs = ^StandsOutside
)

// SteadyC is the margin inside a band that a tube must have before a flag that is up
// says that it is better, 0.01 °C. Common practice (a deadband), no source for the figure.
const SteadyC event.CentiC = 30

// Scale tells the signs of a rule, see ageing.Scale.
type Scale struct {
	Name string // scales of one name are the same
	rule *Rule
	cold bool // frost is watched for
}

func newScale(r *Rule, cold bool) *Scale {
	c := &r.compiled
	var b strings.Builder
	_, _ = fmt.Fprint(&b, cold, r.Critical, c.strictestBand, c.below.key(), c.above.key())
	for i := range c.regions {
		g := &c.regions[i]
		_, _ = fmt.Fprint(&b, " ", g.start, g.worst != g.best, g.band, g.visit, g.unsaid, g.between)
	}
	for i := range r.Limits {
		_, _ = fmt.Fprint(&b, " ", r.Limits[i].Low, r.Limits[i].High)
	}
	// Whether ranges differ in use shows by the weights of the bands alone.
	for _, w := range c.weights {
		_, _ = fmt.Fprint(&b, " ", w == c.weights[0])
	}
	return &Scale{Name: b.String(), rule: r, cold: cold}
}

func (s *side) key() string { return fmt.Sprint(s.said, s.allow > 0, s.grace, s.two) }

// Sign implements ageing.Scale.
func (s *Scale) Sign(seg *thermal.Segment) ageing.Signs {
	c := &s.rule.compiled
	var u usage
	u.watchFrost, u.region = s.cold, c.lowest
	u.add(c, seg, seg.From, seg.To)
	var out ageing.Signs
	set := func(is bool, sign ageing.Signs) {
		if is {
			out |= sign
		}
	}
	set(u.by[thermal.Unknown] > 0, signUnknown)
	set(u.by[thermal.Assumed] > 0, signAssumed)
	set(u.by[thermal.Attested]+u.by[thermal.Measured] > 0, signFelt)
	set(u.unsaid > 0, signUnsaid)
	set(u.unsaidRead > 0, signUnsaidRead)
	set(u.unsaidRange > 0, signUnsaidRange)
	set(u.spread, signSpread)
	set(u.frozen, signFrozen)
	set(s.cold && seg.Evidence == thermal.Measured && min(seg.High0, seg.High1) < 0, signFrost)
	for k := range u.beyond {
		b := &u.beyond[k]
		set(b.maybe > 0 || b.readMaybe, sideSign(k, sideMaybe))
		set(b.sure > 0 || b.readSure, sideSign(k, sideSure))
		set(b.latched, sideSign(k, sideLatched))
		set(b.perhaps, sideSign(k, sidePerhaps))
		set(b.perhapsRange, sideSign(k, sidePerhapsRange))
		set(b.maybe > 0 && seg.Evidence != thermal.Measured, sideSign(k, sideRange))
	}
	return out | ageing.Signs(u.maybe)<<signBands | ageing.Signs(u.sure)<<(signBands+maxBands)
}

// Said implements ageing.Scale. Beside minutes that were measured or not known, assumed
// ones change nothing where the limit doesn't insist; which bands were visited counts
// where the strictest one does.
func (s *Scale) Said(seen ageing.Signs) ageing.Signs {
	if !s.rule.compiled.strictestBand {
		seen &= 1<<signBands - 1
	}
	if !s.rule.Critical && seen&(signUnknown|signFelt) != 0 {
		seen |= signAssumed
	}
	return seen
}

// Standing implements ageing.Scale.
func (s *Scale) Standing(seg *thermal.Segment) ageing.Signs {
	if seg.Evidence == thermal.Unknown {
		return 1 << 2
	}
	var out ageing.Signs
	if s.rule.outside(seg, 0) {
		out |= 1
	}
	if s.rule.outside(seg, SteadyC) {
		out |= 2
	}
	c := &s.rule.compiled
	return out | ageing.Signs(c.regionOf(seg.Low1))<<3 | ageing.Signs(c.regionOf(seg.High1))<<19
}

// note adds what a rule has watched of a window.
func (w *Watch) note(a *account, u *usage) {
	if a.ended != 0 {
		i := slices.IndexFunc(w.Ends, func(e End) bool { return e.From == a.from })
		if i < 0 {
			i = len(w.Ends)
			w.Ends = append(w.Ends, End{From: a.from})
		}
		w.Ends[i].At = max(w.Ends[i].At, a.to)
		return
	}
	if w.of != a.rule.Assay.Code {
		w.of, w.open = a.rule.Assay.Code, 0
	}
	w.open++
	w.Several = w.Several || w.open > 1
	c := &a.rule.compiled
	i := slices.IndexFunc(w.Windows, func(x Window) bool { return x.From == a.from })
	if i < 0 {
		i = len(w.Windows)
		w.Windows = append(w.Windows, Window{From: a.from})
	}
	x := &w.Windows[i]
	use := c.watched.use
	if a.lower {
		use = c.watched.bound
	}
	x.Uses = append(append(x.Uses, use), c.watched.more...)
	sight := WatchedScale{Scale: c.watched.calm, Firm: u.firm}
	if u.watchFrost {
		sight.Scale = c.watched.frost
		if !u.frozen {
			sight.Again |= signFrost
		}
	}
	for k, side := range [2]*side{&c.below, &c.above} {
		b := &u.beyond[k]
		if !side.said || side.allow > 0 || b.latched {
			continue
		}
		// A run without a break is no sum: a line that is drawn at last over a stretch that
		// was guessed may lengthen it at any reading.
		show := sideSign(k, sideSure)
		if !b.perhaps || side.grace > 0 && !b.perhapsRange {
			show |= sideSign(k, sideMaybe)
		}
		sight.Again |= show
		if side.grace > 0 {
			sight.Enter |= show | sideSign(k, sideRange)
		}
	}
	for _, have := range x.Scales {
		if have == sight {
			return
		}
	}
	x.Scales = append(x.Scales, sight)
}
