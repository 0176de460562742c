package stability

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// State is the state of the material that a rule speaks of.
type State string

// The states of material.
const (
	Unspun    State = "unspun"
	SpunOnGel State = "spun-on-gel"
	SpunAgain State = "spun-again"
	OnCells   State = "on-cells"
	Separated State = "separated"
	FrozenAt  State = "frozen"
	ThawedAt  State = "thawed"
)

// RuleEvidence is what a limit rests on.
type RuleEvidence string

// The kinds of evidence of a rule.
const (
	Policy        RuleEvidence = "policy"
	Studied       RuleEvidence = "studied"
	Advised       RuleEvidence = "advised"
	Rate          RuleEvidence = "rate"
	ShownUnstable RuleEvidence = "shown-unstable"
)

// Rule is one stability limit: assay x tube type x state x condition. It comes
// from a rule file and is not changed afterwards.
type Rule struct {
	ID        string
	Assay     Assay
	Tubes     []string // tube type codes
	TubeNames []string // the names of Tubes in the file's catalogue, the code where it has none
	State     State
	Condition []Condition // all must hold; empty: no condition
	From      CountsFrom
	Until     event.Ending
	Combine   Combine
	Limits    []Limit  // at least one; bands don't overlap
	Below     *Outside // what is allowed below every band; nil: nothing said
	Above     *Outside
	TimeReads event.Direction // which way a result goes when time runs over
	Evidence  RuleEvidence
	Source    Source
	Default   bool   // the chosen one of its key
	Passed    bool   // the file says that it is not the one to judge by, also where none is
	Because   string // the one written reason
	Critical  bool   // measured or attested evidence only
	Needs     []Need // handling without which nothing can be said
	Line      int    // line in the file, for messages

	compiled compiled // integer form, filled when the rule is checked
}

// OnlyShown reports whether the rule says of no temperature how long the test is
// good, only by when it was seen to be bad.
func (r *Rule) OnlyShown() bool {
	return !slices.ContainsFunc(r.Limits, func(l Limit) bool { return l.FirstBad == 0 || l.GoodMs > 0 })
}

// Assay names a laboratory test.
type Assay struct {
	Code  string // the laboratory's code, as in stories
	Loinc string
	// LoincSeen says how the LOINC code was checked: official (in a release of the
	// table), list (with its long name in a public copy), display (with a fitting
	// name in public code). Empty: nobody said.
	LoincSeen string
	Name      string
	// Restricted: its name alone tells something of the patient; screens that anybody
	// passes show it as "restricted test".
	Restricted bool
}

// Condition is one precondition of a rule, for example unfractionated-heparin=yes.
type Condition struct {
	Name string
	Yes  bool
}

// Need is handling that a rule demands. Where it isn't shown the rule can't say,
// with the reason light, not-on-ice or not-kept-warm; what is past its limit all
// the same is past.
type Need string

// The kinds of handling. NeedsFoil is shown where a person recorded it. NeedsIce
// and NeedsWarmth are shown where a minute of the limit's time was attested or
// measured: whether it was cold or warm enough, and for how long, the bands tell.
const (
	NeedsFoil   Need = "in-foil"
	NeedsIce    Need = "on-ice"
	NeedsWarmth Need = "kept-warm"
)

// CountsFrom says which instant starts the count.
type CountsFrom string

// What a limit counts from.
const (
	FromDraw  CountsFrom = "draw"
	FromState CountsFrom = "state"
	FromThaw  CountsFrom = "thaw"
)

// Combine says how minutes in several bands add up.
type Combine string

// The two ways of combining bands.
const (
	Sum           Combine = "sum"
	StrictestBand Combine = "strictest-band"
)

// Limit is one row of a rule. Durations are milliseconds.
type Limit struct {
	BandName  string // name of the band in the file's conventions, empty when given by numbers
	Low, High event.CentiC
	// Exactly one form is set:
	Ms        int64 // limit (policy, advised): more is past-limit
	GoodMs    int64 // good-through (studied): more is not-studied-beyond
	FirstBad  int64 // first-bad: at it and after it past-limit; 0 for none. Alone (GoodMs 0): shown unstable
	RatePerH  int64 // rate in 1e-6 of the unit per hour, with Criterion in 1e-6 of the unit
	Criterion int64
	Unit      string

	AsStudied string // the temperature as the source gave it
	Widened   bool   // the declared band is wider than what was studied
	Shares    []Share
}

// Share is the part of tubes that is over its criterion at a time.
type Share struct {
	AtMs     int64  // ms in the band of its row
	Over     string // as the file says it, for example "5 %"
	Part, Of int64  // the same as a fraction in lowest terms: 1 of 20
}

// Outside says how many minutes outside the bands are allowed on one side.
type Outside struct {
	At        event.CentiC // threshold; the band's edge when not given
	HasAt     bool
	AllowMs   int64
	GraceMs   int64 // a latch needs so long, or two readings
	TwoValid  bool  // needs: two-readings
	Direction event.Direction
}

// Source is where a limit comes from.
type Source struct {
	Title   string
	Year    int
	Where   string // table, abstract, section
	Address string
	Seen    string // direct, summary or second-hand; never memory
}

// WaitRule is a minimum time before a step, such as clotting before the spin.
type WaitRule struct {
	Tubes   []string
	AtLeast int64 // ms
	Before  string
	Source  Source
}

// EndsTest says that a step ends a test: run it first.
type EndsTest struct {
	Assay  Assay
	When   string // a state change, for example spun
	Say    string
	Source Source // optional here alone: it may be common practice without a source
}

// TubeType is one row of a file's catalogue of tube types. The additive comes
// from the catalogue, never from a closure's colour: colours differ by maker.
type TubeType struct {
	Code       string
	Name       string
	Additive   string
	Gel        bool  // a spin separates (spun-on-gel, not on-cells)
	VolumeUl   int64 // nominal draw volume in microlitres, 0 when not said
	Order      int   // place in the order of draw, from 1; 0 when not said
	Inversions int   // how often it is turned over to mix, 0 when not said
}

// Set is one rule file, checked and ready to judge by.
type Set struct {
	Name    string
	Version int64
	Author  string
	Hash    string // SHA-256 of the bytes, hex
	// Conventions are the bands that the file names, such as room.
	Conventions map[string]event.Range
	Rules       []Rule
	Waits       []WaitRule
	Ends        []EndsTest
	// Accepts lists the tube types in which an assay (by code) may be run. A tube
	// of another type is the wrong tube. An assay that isn't here is not checked.
	Accepts map[string][]string
	// NeedsUl is the sample volume in microlitres that a test needs, by assay code:
	// the laboratory's own data. An assay that isn't here says nothing.
	NeedsUl map[string]int64
	Tubes   []TubeType // the file's own catalogue of tubes, may be empty
	Assays  []Assay    // the file's own catalogue of tests, may be empty

	index map[ruleKey][]int // filled when the set is checked
}

type ruleKey struct{ assay, tube string }
