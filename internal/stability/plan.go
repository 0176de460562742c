package stability

import (
	"cmp"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Advice is what a plan says beside a tube.
type Advice string

// The pieces of advice.
const (
	// OppositeHandling: tests of this tube can't be kept alike; those in Apart want
	// another tube of the same type.
	OppositeHandling Advice = "opposite-handling"
	// NoTubeKnown: no limit and no list of the laboratory names a tube for these tests.
	NoTubeKnown Advice = "no-tube-known"
	// SeveralTubesFit: the laboratory's rules allow other types too.
	SeveralTubesFit Advice = "several-tubes-fit"
)

// Ordered is a part of a request that a tube was assigned to, or not (Tube and Type
// empty).
type Ordered struct {
	Tube  string
	Type  string
	Tests []string
}

// Planned is one tube to draw.
type Planned struct {
	Tube     string // label that was made before, empty for none
	Type     TubeType
	Tests    []string // assay codes
	Handling []Need   // in the order of their names
	// Keep is where all tests keep: as it is assumed to be, where they do; else where they
	// keep longest. Not Known when nothing says. More time alone is no reason to chill a
	// tube: handling can harm.
	Keep event.Range
	// WaitMs before it may be spun.
	WaitMs int64
	// DueMs is after how long the first limit ends, kept as assumed; of which test, and
	// what ends it. 0: no limit says, or nothing is assumed.
	DueMs    int64
	DueTest  string
	DueUntil event.Ending
	Advice   []Advice
	Apart    []string // tests that go into another tube for opposite handling
}

// Plan gives the tubes to draw for what was ordered, in the order of draw. Assumed is the
// temperature that the tubes will likely see; conditions are those of the request. It
// asks the one judge of a tube filled at this moment, so it says of a limit what the
// judge will say. Types gives what a code of a type means; a catalogue wider than the set
// may be asked.
func (s *Set) Plan(ordered []Ordered, conditions map[string]bool, assumed event.Range, types func(code string) (TubeType, bool)) []Planned {
	p := planner{set: s, conditions: conditions, assumed: assumed, types: types}
	var out []Planned
	for _, o := range ordered {
		switch {
		case o.Type != "":
			out = append(out, p.fill(o.Tube, o.Type, o.Tests)...)
		default:
			out = append(out, p.choose(o)...)
		}
	}
	slices.SortStableFunc(out, func(a, b Planned) int {
		return cmp.Or(cmp.Compare(last(a.Type.Order), last(b.Type.Order)), cmp.Compare(a.Type.Code, b.Type.Code))
	})
	return out
}

// last puts what has no place in the order of draw behind the rest.
func last(order int) int {
	if order == 0 {
		return 1 << 30
	}
	return order
}

type planner struct {
	set        *Set
	conditions map[string]bool
	assumed    event.Range
	types      func(string) (TubeType, bool)
}

// freshAt is an instant far from the ends of time at which the planned tube is filled.
const freshAt = event.Instant(1 << 42)

// judge says what the limits hold of a test on a tube of the type that was filled just
// now. A test that doesn't keep as assumed is asked about as it must be kept.
func (p *planner) judge(code, assay string) Judgement {
	j := p.judgeAt(code, assay, p.assumed)
	if j.Rule != nil && j.Due.Earliest == 0 {
		if best := bestOf(j.Rule.ranges()); best.Known {
			if k := p.judgeAt(code, assay, best.Range); k.Due.Earliest != 0 {
				return k
			}
		}
	}
	return j
}

func (p *planner) judgeAt(code, assay string, assumed event.Range) Judgement {
	kind, _ := p.types(code)
	now := freshAt + 1
	tube := &Tube{
		Type: code, Zero: Interval{freshAt, freshAt}, TestsKnown: true, Conditions: p.conditions, Gel: kind.Gel, InFoil: true,
	}
	seg := thermal.Segment{From: freshAt, To: now, Series: -1, Evidence: thermal.Unknown}
	if assumed.Known {
		// Attested: a limit that demands handling is asked as if it were kept.
		seg.Evidence = thermal.Attested
		seg.Low0, seg.Low1, seg.High0, seg.High1 = assumed.Low, assumed.Low, assumed.High, assumed.High
	}
	var j Judgement
	p.set.Judge(&j, tube, assay, []thermal.Segment{seg}, now)
	return j
}

// kept is a range in which tests keep, and how long the shortest does.
type kept struct {
	event.Range
	ms int64
}

// most bounds how many ranges are followed; a rule has a handful of bands.
const most = 64

// ranges are those in which a rule's test keeps.
func (r *Rule) ranges() []kept {
	var out []kept
	for _, l := range r.Limits {
		ms := max(l.Ms, l.GoodMs)
		if l.RatePerH > 0 {
			ms = l.Criterion * 3_600_000 / l.RatePerH
		}
		if ms > 0 {
			out = append(out, kept{event.Range{Low: l.Low, High: l.High, Known: true}, ms})
		}
	}
	return out
}

// meet are the ranges in which both sides keep. Nil stands for everywhere.
func meet(a, b []kept) []kept {
	if a == nil {
		return b
	}
	out := []kept{}
	for _, x := range a {
		for _, y := range b {
			low, high := max(x.Low, y.Low), min(x.High, y.High)
			if low <= high && len(out) < most {
				out = append(out, kept{event.Range{Low: low, High: high, Known: true}, min(x.ms, y.ms)})
			}
		}
	}
	return out
}

// filling is a tube that tests are put into one after the other.
type filling struct {
	Planned
	where []kept
}

// add puts a test into the tube, unless it can't be kept as the others must.
func (f *filling) add(assay string, j Judgement) bool {
	where, handling := f.where, f.Handling
	if j.Rule != nil {
		if ranges := j.Rule.ranges(); len(ranges) > 0 {
			if where = meet(f.where, ranges); len(where) == 0 {
				return false
			}
		}
		for _, n := range j.Rule.Needs {
			if n == NeedsIce && slices.Contains(handling, NeedsWarmth) || n == NeedsWarmth && slices.Contains(handling, NeedsIce) {
				return false
			}
			if !slices.Contains(handling, n) {
				handling = append(slices.Clone(handling), n)
			}
		}
	}
	slices.Sort(handling)
	f.where, f.Handling = where, handling
	f.Tests = append(f.Tests, assay)
	if due := int64(j.Due.Earliest - freshAt); j.Due.Earliest != 0 && due > 0 && (f.DueMs == 0 || due < f.DueMs) {
		f.DueMs, f.DueTest, f.DueUntil = due, assay, j.Rule.Until
	}
	if wait := int64(j.WaitUntil - freshAt); j.WaitUntil != 0 {
		f.WaitMs = max(f.WaitMs, wait)
	}
	return true
}

func (f *filling) done(assumed event.Range) Planned {
	f.Keep = bestOf(f.where).Range
	if assumed.Known {
		around := slices.DeleteFunc(slices.Clone(f.where), func(k kept) bool { return k.Low > assumed.Low || k.High < assumed.High })
		if best := bestOf(around); best.Known && !slices.Contains(f.Handling, NeedsIce) && !slices.Contains(f.Handling, NeedsWarmth) {
			f.Keep = best.Range
		}
	}
	return f.Planned
}

// bestOf is where tests keep longest; of equals the wider, which is easier to keep.
func bestOf(all []kept) kept {
	best := kept{}
	for _, k := range all {
		if k.ms > best.ms || k.ms == best.ms && k.High-k.Low > best.High-best.Low {
			best = k
		}
	}
	return best
}

// fill puts tests into tubes of one type: one, unless they can't be kept alike.
func (p *planner) fill(label, code string, tests []string) []Planned {
	kind, known := p.types(code)
	if !known {
		kind = TubeType{Code: code, Name: code}
	}
	var out []Planned
	for rest := tests; ; label = "" {
		f := filling{Planned: Planned{Tube: label, Type: kind}}
		var apart []string
		for _, assay := range rest {
			if !f.add(assay, p.judge(code, assay)) {
				apart = append(apart, assay)
			}
		}
		done := f.done(p.assumed)
		if len(apart) > 0 {
			done.Advice, done.Apart = append(done.Advice, OppositeHandling), apart
		}
		out = append(out, done)
		if rest = apart; len(rest) == 0 {
			return out
		}
	}
}

// candidates are the types in which a test may be run: by the laboratory's list, else
// those that a rule speaks of for fresh blood.
func (s *Set) candidates(assay string) []string {
	if list, said := s.Accepts[assay]; said {
		return list
	}
	var out []string
	for key, rules := range s.index {
		if key.assay == assay && slices.ContainsFunc(rules, func(i int) bool { return s.Rules[i].State == Unspun && !s.Rules[i].silent() }) {
			out = append(out, key.tube)
		}
	}
	slices.Sort(out)
	return out
}

// choose gives tubes for tests that nobody assigned: as few as serve all.
func (p *planner) choose(o Ordered) []Planned {
	fits := map[string][]string{} // tests by type, in their order
	var nowhere []string
	several := false
	for _, assay := range o.Tests {
		types := p.set.candidates(assay)
		if len(types) == 0 {
			nowhere = append(nowhere, assay)
		}
		several = several || len(types) > 1
		for _, code := range types {
			fits[code] = append(fits[code], assay)
		}
	}
	var out []Planned
	for left := len(o.Tests) - len(nowhere); left > 0; {
		best := ""
		for _, code := range sortedKeys(fits) {
			if best == "" || len(fits[code]) > len(fits[best]) || len(fits[code]) == len(fits[best]) && p.order(code) < p.order(best) {
				best = code
			}
		}
		tests := slices.Clone(fits[best])
		for _, tube := range p.fill("", best, tests) {
			if several {
				tube.Advice = append(tube.Advice, SeveralTubesFit)
			}
			out = append(out, tube)
		}
		left -= len(tests)
		for code, list := range fits {
			fits[code] = slices.DeleteFunc(list, func(t string) bool { return slices.Contains(tests, t) })
		}
	}
	if len(nowhere) > 0 {
		out = append(out, Planned{Tests: nowhere, Advice: []Advice{NoTubeKnown}})
	}
	return out
}

func (p *planner) order(code string) int {
	kind, _ := p.types(code)
	return last(kind.Order)
}
