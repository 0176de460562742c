package web

import (
	"fmt"
	"html/template"
	"maps"
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// inFull is the most headings that are shown in full at once; more are a register,
// one line each.
const inFull = 8

// limitsWords is the page in words, ready for the template.
type limitsWords struct {
	Site
	One       string // name of the one limit that is shown; empty on the register
	Query     limitsQuery
	Filtered  bool // something was searched for
	Tubes     []option
	States    []option
	Standing  standingWords
	Count     string // how much is shown, for the live region
	Full      []sheetWords
	Lines     []lineWords
	Beside    []string // waits and the order of work
	Adopted   string   // what was adopted just now
	Form      adoptForm
	Zone, Now string
	Seq       uint64
}

type option struct {
	Value, Name string
	Chosen      bool
}

// standing is where a limit or a set stands, by shape, word and colour.
type standing string

const (
	standsInForce standing = "force"
	standsShipped standing = "none" // the dashed ring of "no limit adopted"
	standsComing  standing = "coming"
	standsBefore  standing = "quiet"
)

const overHead = "replaced, judges no tube any more"

var standingHead = map[standing]string{
	standsInForce: "in force", standsShipped: "only shipped, not adopted", standsComing: "adopted, not yet in force",
	standsBefore: "judges tubes drawn before",
}

// standingWords says what is in force at all.
type standingWords struct {
	Stands  standing
	Head    string
	Say     []string
	Differs string
	History []setWords
}

type setWords struct {
	Stands                                            standing
	Head, Name, From, Flight, By, Second, Reason, Sum string
}

// lineWords is a group on one line of the register.
type lineWords struct {
	Name, URL, In, Keeps, Rests, More string
	Stands                            standing
	Head                              string
	Mini                              template.HTML
}

// sheetWords is a group in full.
type sheetWords struct {
	ID, Name, URL, In, Only, Code, Loinc string
	Stands                               standing
	Head, Since                          string
	Keeps                                []keepsWords
	Facts                                []factWords
	Own                                  []string
	Critical                             bool
	Picture                              template.HTML
	Key                                  string
	Others                               []otherWords
	Lines                                []string // the rules in one line each, on the page of one limit
}

// keepsWords is how long it keeps in one band.
type keepsWords struct{ Band, Time, Then string }

type factWords struct{ Tag, Say string }

type otherWords struct {
	Mark, URL, ID, Rests, Source, Why string
	Stands                            standing
	Head                              string
	Keeps                             []keepsWords
	Studied                           string
	This                              bool // the limit that was asked for
}

var stateWords = map[stability.State]string{
	stability.Unspun: "unspun", stability.SpunOnGel: "spun, on its gel", stability.SpunAgain: "spun again", stability.OnCells: "spun, still on the cells",
	stability.Separated: "separated", stability.FrozenAt: "frozen", stability.ThawedAt: "thawed",
}

var limitEvidenceWords = map[stability.RuleEvidence]string{
	stability.Policy:        "a policy or guideline",
	stability.Studied:       "a study that found it good so long",
	stability.Advised:       "advice of a study's authors",
	stability.Rate:          "an estimated rate of change",
	stability.ShownUnstable: "a study that found it bad by then; how long it is good was not found",
}

var seenWords = map[string]string{
	"direct":      "the work itself was read",
	"summary":     "only a summary was read, not the whole work",
	"second-hand": "second-hand: read in another work that tells it",
}

var fromWords = map[stability.CountsFrom]string{
	stability.FromDraw: "the draw", stability.FromState: "the change of state", stability.FromThaw: "thawing",
}

var endingWords = map[event.Ending]string{
	event.EndsMeasured: "it is measured", event.EndsSetUp: "it is set up", event.EndsFilmMade: "the film is made", event.EndsIncubated: "it is incubated",
	event.EndsOffCells: "it is off the cells", event.EndsSpun: "it is spun", event.EndsFrozen: "it is frozen", event.EndsTested: "it is tested",
	event.EndsTransfused: "blood is transfused by it",
}

// plainWord writes a word of a closed list as people say it.
func plainWord[K ~string](word K) string { return strings.ReplaceAll(string(word), "-", " ") }

func stateOrder(s stability.State) int {
	return slices.Index([]stability.State{
		stability.Unspun, stability.OnCells, stability.SpunOnGel, stability.SpunAgain, stability.Separated, stability.FrozenAt, stability.ThawedAt,
	}, s)
}

func conditionText(cs []stability.Condition) string {
	words := make([]string, len(cs))
	for i, c := range cs {
		answer := "no"
		if c.Yes {
			answer = "yes"
		}
		words[i] = plainWord(c.Name) + ": " + answer
	}
	return strings.Join(words, ", ")
}

func assayNameOf(a stability.Assay) string {
	if a.Name == "" {
		return a.Code
	}
	return a.Name
}

func tubeNameIn(r *stability.Rule, code string) string {
	if i := slices.Index(r.Tubes, code); i >= 0 && i < len(r.TubeNames) {
		return r.TubeNames[i]
	}
	return code
}

// limitTime writes milliseconds of a limit in one unit, where that is exact; days
// begin at four, as people speak of limits.
func limitTime(ms int64) string {
	const min, h = 60_000, 3_600_000
	switch {
	case ms >= 96*h && ms%(24*h) == 0:
		return strconv.FormatInt(ms/(24*h), 10) + " d"
	case ms%h == 0 && ms != 0:
		return strconv.FormatInt(ms/h, 10) + " h"
	case ms%min == 0:
		return strconv.FormatInt(ms/min, 10) + " min"
	}
	return strconv.FormatInt(ms/1000, 10) + " s"
}

// limitDegrees writes 0.01 °C without closing zeros.
func limitDegrees(c event.CentiC) string {
	sign := ""
	if c < 0 {
		sign, c = "−", -c
	}
	text := fmt.Sprintf("%s%d.%02d", sign, c/100, c%100)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

func bandOf(low, high event.CentiC) string {
	if low == high {
		return limitDegrees(low) + " °C"
	}
	return limitDegrees(low) + " to " + limitDegrees(high) + " °C"
}

// rateMs is how long a rate takes to reach its criterion, to whole minutes below.
func rateMs(l *stability.Limit) int64 {
	const minutes, ms = 60, 60_000
	if l.RatePerH <= 0 || l.Criterion > 1<<56 {
		return 0
	}
	return l.Criterion * minutes / l.RatePerH * ms
}

// limitMs is the time of a limit that the picture draws to.
func limitMs(l *stability.Limit) int64 {
	switch {
	case l.Ms > 0:
		return l.Ms
	case l.GoodMs > 0:
		return l.GoodMs
	case l.FirstBad > 0:
		return l.FirstBad
	}
	return rateMs(l)
}

func keepsOf(l *stability.Limit) keepsWords {
	k := keepsWords{Band: "at " + bandOf(l.Low, l.High)}
	switch {
	case l.Ms > 0:
		k.Time, k.Then = limitTime(l.Ms), ""
	case l.GoodMs > 0 && l.FirstBad > 0:
		k.Time, k.Then = limitTime(l.GoodMs), "first found bad at "+limitTime(l.FirstBad)
	case l.GoodMs > 0:
		k.Time, k.Then = limitTime(l.GoodMs), "not tested beyond"
	case l.FirstBad > 0:
		k.Time, k.Then = "bad by "+limitTime(l.FirstBad), ""
	default:
		k.Time = "about " + limitTime(rateMs(l))
		k.Then = fmt.Sprintf("it changes by %s %s an hour, and %s %s is too much", micro(l.RatePerH), l.Unit, micro(l.Criterion), l.Unit)
	}
	for _, s := range l.Shares {
		k.Then = strings.TrimPrefix(k.Then+"; "+shareWords(s), "; ")
	}
	return k
}

func micro(v int64) string {
	text := fmt.Sprintf("%d.%06d", v/1_000_000, v%1_000_000)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// shareWords says a part of tubes as people count them: "1 in 20 over by 20 min".
func shareWords(s stability.Share) string {
	number, percent := strings.CutSuffix(s.Over, "%")
	n, err := strconv.Atoi(strings.TrimSpace(number))
	over := s.Over + " of tubes over"
	if percent && err == nil && n > 0 && 100%n == 0 {
		over = fmt.Sprintf("1 in %d over", 100/n)
	}
	return over + " by " + limitTime(s.AtMs)
}

// studiedAt says the temperature as the source gave it, for each band.
func studiedAt(r *stability.Rule) string {
	var parts []string
	for _, l := range r.Limits {
		switch {
		case l.Widened:
			parts = append(parts, bandOf(l.Low, l.High)+" is widened from "+l.AsStudied)
		case l.AsStudied != "":
			parts = append(parts, bandOf(l.Low, l.High)+" as studied: "+l.AsStudied)
		default:
			parts = append(parts, bandOf(l.Low, l.High)+" as given")
		}
	}
	return strings.Join(parts, "; ")
}

func sideWords(o *stability.Outside) string {
	if o == nil {
		return "nothing is said, so the answer there is “cannot say”"
	}
	s := "no time is allowed"
	if o.AllowMs > 0 {
		s = limitTime(o.AllowMs) + " allowed"
	}
	switch {
	case o.TwoValid:
		s += ", counted from the second reading"
	case o.GraceMs > 0:
		s += ", counted after " + limitTime(o.GraceMs)
	}
	if o.Direction != "" {
		s += "; " + says(directionWords, o.Direction)
	}
	return s
}

// sideEdge is where a side begins: its own threshold, else the band's edge.
func sideEdge(o *stability.Outside, edge event.CentiC) event.CentiC {
	if o != nil && o.HasAt {
		return o.At
	}
	return edge
}

// edges are the coldest and the warmest temperature of a rule's bands.
func edges(r *stability.Rule) (low, high event.CentiC) {
	low, high = r.Limits[0].Low, r.Limits[0].High
	for _, l := range r.Limits {
		low, high = min(low, l.Low), max(high, l.High)
	}
	return low, high
}

func sourceText(s stability.Source) string {
	text := strings.TrimSuffix(stability.SourceText(s), " (seen: "+s.Seen+")")
	return text + " (" + says(seenWords, s.Seen) + ")"
}

func (e *limitEntry) stands() standing {
	if e.inForce {
		return standsInForce
	}
	return standsShipped
}

// words makes the page.
func (v limitsView) words(site Site) limitsWords {
	c := clockOf(v.Now, v.Zone)
	all := v.groups()
	tubes, states := v.options(all)
	found := v.among(all)
	w := limitsWords{
		Site: site, Query: v.query, Filtered: !v.query.empty(), Standing: v.standing(c), Form: v.form(site), Seq: v.Seq,
		Zone: c.offset() + " (" + c.zone.String() + ")", Now: c.now.Format("Mon 2 Jan 2006 15:04"),
	}
	w.Tubes, w.States = tubes, states
	competing := 0
	for _, g := range found {
		competing += len(g.limits)
	}
	switch {
	case v.rule != "":
		w.One = v.rule
	case len(found) == 0:
		w.Count = "Nothing found."
	default:
		w.Count = fmt.Sprintf("%s under %s.", count(competing, "limit", "limits"), count(len(found), "heading", "headings"))
	}
	full := v.rule != "" || len(found) <= inFull
	for i := range found {
		if full {
			w.Full = append(w.Full, v.sheet(site, c, &found[i], i+1))
		} else {
			w.Lines = append(w.Lines, v.line(site, &found[i]))
		}
	}
	if !w.Filtered && v.rule == "" {
		w.Beside = v.beside()
	}
	if set := v.InForce; v.adopted != "" {
		for _, s := range append(slices.Clone(v.Others), LimitsSet{}) {
			if s.Set == nil && set != nil {
				s = *set
			}
			if s.Set != nil && strings.HasPrefix(s.Set.Hash, v.adopted) && len(v.adopted) >= 8 {
				w.Adopted = fmt.Sprintf("Adopted: %s, by %s, in force from %s.", setName(s.Set), s.By, c.at(s.InForce))
			}
		}
	}
	return w
}

func setName(s *stability.Set) string { return fmt.Sprintf("%s, version %d", s.Name, s.Version) }

func (p *LimitsPage) standing(c clock) standingWords {
	w := standingWords{Stands: standsShipped, Head: "No limit is in force"}
	if p.InForce == nil {
		w.Say = append(w.Say, "Each test says “no limit adopted” until a named person has adopted limits. What stands below is only shipped.")
	} else {
		s := p.InForce
		w.Stands = standsInForce
		w.Head = setName(s.Set) + ", is in force"
		say := fmt.Sprintf("%s, since %s, adopted by %s", count(len(s.Set.Rules), "limit", "limits"), c.at(s.InForce), s.By)
		if s.Second != "" {
			say += ", with " + s.Second
		}
		if s.Reason != "" {
			say += ": " + s.Reason
		}
		w.Say = append(w.Say, sentence(say))
		if s.InFlight {
			w.Say = append(w.Say, "It also judges tubes that were drawn before.")
		}
		switch differ := len(p.differences()); {
		case p.Shipped == nil:
		case s.Set.Hash == p.Shipped.Hash || differ == 0:
			w.Differs = "It is the shipped set, unchanged."
		default:
			w.Differs = fmt.Sprintf("It is the laboratory's own: it differs from the shipped set in %s. Each limit below says so.", count(differ, "place", "places"))
		}
	}
	sets := slices.Clone(p.Others)
	if p.InForce != nil && len(sets) > 0 {
		sets = append(sets, *p.InForce)
		slices.SortStableFunc(sets, func(a, b LimitsSet) int { return int(min(max(a.InForce-b.InForce, -1), 1)) })
	}
	slices.Reverse(sets)
	for i := range sets {
		w.History = append(w.History, p.setWords(c, &sets[i]))
	}
	return w
}

func (p *LimitsPage) setWords(c clock, s *LimitsSet) setWords {
	w := setWords{
		Name: setName(s.Set), From: c.at(s.InForce), By: s.By, Second: s.Second, Reason: s.Reason, Sum: s.Set.Hash[:min(12, len(s.Set.Hash))],
		Flight: "tubes drawn from then on", Stands: standsBefore,
	}
	if s.InFlight {
		w.Flight = "tubes drawn before, too"
	}
	switch {
	case s.InForce > p.Now:
		w.Stands = standsComing
	case p.InForce != nil && s.Set == p.InForce.Set && s.InForce == p.InForce.InForce:
		w.Stands = standsInForce
	}
	w.Head = says(standingHead, w.Stands)
	if s.Over {
		w.Head = overHead
	}
	return w
}

func (v *limitsView) options(all []limitGroup) (tubes, states []option) {
	names := map[string]string{}
	known := map[string]bool{}
	for _, g := range all {
		for i, t := range g.tubes {
			names[t] = g.tubeNames[i]
		}
		known[string(g.state)] = true
	}
	for _, code := range slices.Sorted(maps.Keys(names)) {
		name := names[code]
		if name != code {
			name += " (" + code + ")"
		}
		tubes = append(tubes, option{code, name, code == v.query.Tube})
	}
	keys := slices.SortedFunc(maps.Keys(known), func(a, b string) int {
		return stateOrder(stability.State(a)) - stateOrder(stability.State(b))
	})
	for _, s := range keys {
		states = append(states, option{s, says(stateWords, stability.State(s)), s == v.query.State})
	}
	return tubes, states
}

// beside are the rules that are no limits: what has to wait, what comes first.
func (p *LimitsPage) beside() []string {
	set, say := p.Shipped, "only shipped: "
	if p.InForce != nil {
		set, say = p.InForce.Set, ""
	}
	if set == nil {
		return nil
	}
	tube := func(code string) string {
		for _, t := range set.Tubes {
			if t.Code == code {
				return t.Name
			}
		}
		return code
	}
	var out []string
	for _, x := range set.Waits {
		names := make([]string, len(x.Tubes))
		for i, t := range x.Tubes {
			names[i] = tube(t)
		}
		out = append(out, sentence(fmt.Sprintf("%s%s: wait at least %s before the %s. Source: %s", say, strings.Join(names, " or "), limitTime(x.AtLeast), x.Before, sourceText(x.Source))))
	}
	for _, x := range set.Ends {
		s := fmt.Sprintf("%s%s ends when the tube is %s: %s", say, assayNameOf(x.Assay), x.When, x.Say)
		if x.Source.Title != "" {
			s += ". Source: " + sourceText(x.Source)
		} else {
			s += ". Common practice, no source"
		}
		out = append(out, sentence(s))
	}
	return out
}
