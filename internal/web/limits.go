package web

import (
	"cmp"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// LimitsPage is every limit that is in force or shipped, with who answers for it.
// The sets are read only: they may be shared with the judge.
type LimitsPage struct {
	Seq  uint64         // log sequence the page rests on
	Now  event.Instant  // the handler fills it in when zero
	Zone *time.Location // zone of the reception; nil is UTC
	// InForce is the set by which a tube drawn now is judged; nil: none was adopted.
	InForce *LimitsSet
	// Others were adopted too, by the instant they come in force: those that still
	// judge tubes drawn under them, and those that come later.
	Others  []LimitsSet
	Shipped *stability.Set // the set that comes with the program, in force only if adopted
	People  []string       // names to offer to who adopts
}

// LimitsSet is a set of limits that a person put in force.
type LimitsSet struct {
	Set      *stability.Set
	By       string // who adopted it
	Second   string // who read it too, empty for nobody
	Reason   string // why, in the person's words; may be empty
	Adopted  event.Instant
	InForce  event.Instant // tubes drawn from then on are judged by it
	InFlight bool          // those drawn before, too
	Over     bool          // it judges no tube any more: a later one took all of its
}

// limitsQuery is what somebody looks for.
type limitsQuery struct{ Text, Tube, State string }

func limitsQueryOf(v url.Values) limitsQuery {
	return limitsQuery{strings.TrimSpace(v.Get("q")), strings.TrimSpace(v.Get("tube")), strings.TrimSpace(v.Get("state"))}
}

func (q limitsQuery) empty() bool { return q == limitsQuery{} }

// limitGroup holds the limits that compete for one answer: same test, tubes,
// state, condition, start and end. The one that is used stands first.
type limitGroup struct {
	assay      stability.Assay
	tubes      []string // codes
	tubeNames  []string
	state      stability.State
	conditions []stability.Condition
	limits     []limitEntry
}

// limitEntry is one limit with where it stands.
type limitEntry struct {
	rule    *stability.Rule
	inForce bool
	used    bool
	// own: the laboratory's, not as shipped. shipped is the shipped one of the same
	// id, nil for none; fields are what differs.
	own     bool
	shipped *stability.Rule
	fields  []string
}

// groups sorts all limits into the keys they compete for, by name of the test.
func (p *LimitsPage) groups() []limitGroup {
	entries := p.entries()
	type key struct {
		assay, tube, state, conditions, from, until string
	}
	byKey := map[key][]int{}
	var order []key
	for i, e := range entries {
		r := e.rule
		for _, t := range r.Tubes {
			k := key{r.Assay.Code, t, string(r.State), conditionText(r.Condition), string(r.From), string(r.Until)}
			if byKey[k] == nil {
				order = append(order, k)
			}
			byKey[k] = append(byKey[k], i)
		}
	}
	// Tubes for which the same limits compete share a heading.
	same := map[string]int{}
	var out []limitGroup
	for _, k := range order {
		ids := fmt.Sprint(k.assay, k.state, k.conditions, k.from, k.until, byKey[k])
		at, seen := same[ids]
		if !seen {
			first := entries[byKey[k][0]].rule
			at = len(out)
			same[ids] = at
			g := limitGroup{assay: first.Assay, state: first.State, conditions: first.Condition}
			for _, i := range byKey[k] {
				g.limits = append(g.limits, entries[i])
			}
			g.choose()
			out = append(out, g)
		}
		out[at].tubes = append(out[at].tubes, k.tube)
		out[at].tubeNames = append(out[at].tubeNames, tubeNameIn(out[at].limits[0].rule, k.tube))
	}
	slices.SortStableFunc(out, func(a, b limitGroup) int {
		return cmp.Or(strings.Compare(strings.ToLower(assayNameOf(a.assay)), strings.ToLower(assayNameOf(b.assay))),
			cmp.Compare(stateOrder(a.state), stateOrder(b.state)))
	})
	return out
}

// entries gives the limits in force, then the shipped ones that are not.
func (p *LimitsPage) entries() []limitEntry {
	var out []limitEntry
	shipped := map[string]*stability.Rule{}
	if p.Shipped != nil {
		for i := range p.Shipped.Rules {
			shipped[p.Shipped.Rules[i].ID] = &p.Shipped.Rules[i]
		}
	}
	inForce := map[string]bool{}
	if p.InForce != nil {
		fields := map[string][]string{}
		for _, d := range p.differences() {
			if d.What == "rule" && d.Kind == "changed" {
				fields[d.ID] = d.Fields
			}
		}
		set := p.InForce.Set
		for i := range set.Rules {
			r := &set.Rules[i]
			e := limitEntry{rule: r, inForce: true, shipped: shipped[r.ID], fields: fields[r.ID]}
			e.own = e.shipped == nil || len(e.fields) > 0
			inForce[r.ID] = true
			out = append(out, e)
		}
	}
	if p.Shipped != nil {
		for i := range p.Shipped.Rules {
			if r := &p.Shipped.Rules[i]; !inForce[r.ID] {
				out = append(out, limitEntry{rule: r, shipped: r})
			}
		}
	}
	return out
}

// differences lists what the set in force says otherwise than the shipped one.
func (p *LimitsPage) differences() []stability.Difference {
	if p.InForce == nil || p.Shipped == nil || p.InForce.Set.Hash == p.Shipped.Hash {
		return nil
	}
	return stability.Compare(p.Shipped, p.InForce.Set)
}

// choose puts the limit first that the judge uses: among those in force the
// default, else the first that is neither passed over nor only shown unstable. Where
// there is none, no limit is used. Where none is in force the same holds of the
// shipped ones.
func (g *limitGroup) choose() {
	inForce := slices.ContainsFunc(g.limits, func(e limitEntry) bool { return e.inForce })
	rank := func(e limitEntry) int {
		switch {
		case e.inForce != inForce:
			return 4
		case e.rule.Default:
			return 1
		case !e.rule.OnlyShown() && !e.rule.Passed:
			return 2
		}
		return 3
	}
	slices.SortStableFunc(g.limits, func(a, b limitEntry) int { return cmp.Compare(rank(a), rank(b)) })
	g.limits[0].used = rank(g.limits[0]) < 3
}

// matches reports whether every word that was typed stands somewhere in the group.
func (g *limitGroup) matches(q limitsQuery) bool {
	if q.Tube != "" && !slices.Contains(g.tubes, q.Tube) || q.State != "" && string(g.state) != q.State {
		return false
	}
	words := strings.Fields(strings.ToLower(q.Text))
	if len(words) == 0 {
		return true
	}
	hay := []string{g.assay.Code, g.assay.Name, g.assay.Loinc, plainWord(g.state), conditionText(g.conditions)}
	hay = append(append(hay, g.tubes...), g.tubeNames...)
	for _, e := range g.limits {
		hay = append(hay, e.rule.ID, e.rule.Source.Title, e.rule.Source.Address)
	}
	text := strings.ToLower(strings.Join(hay, "\n"))
	return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(text, w) })
}

func (g *limitGroup) holds(id string) bool {
	return slices.ContainsFunc(g.limits, func(e limitEntry) bool { return e.rule.ID == id })
}

// limitsView is the page as somebody asked for it.
type limitsView struct {
	LimitsPage
	query   limitsQuery
	rule    string // one limit in full; empty for the register
	adopted string // start of the hash of a set that was adopted just now
}

// Render writes the register without a search as HTML.
func (p LimitsPage) Render(w io.Writer, site Site) error {
	return limitsView{LimitsPage: p}.Render(w, site)
}

// Render writes the page as HTML.
func (v limitsView) Render(w io.Writer, site Site) error {
	words := v.words(site)
	name := "Limits"
	if words.One != "" {
		name = words.One
	} else if v.query.Text != "" {
		name = "Limits: " + v.query.Text
	}
	return frame{Site: site, Name: name, Kind: "limits", Script: "limits.js", Page: words}.render(w)
}

// found gives the groups that are shown.
func (v *limitsView) found() []limitGroup { return v.among(v.groups()) }

// among keeps of all groups those that are shown, in their place.
func (v *limitsView) among(all []limitGroup) []limitGroup {
	return slices.DeleteFunc(all, func(g limitGroup) bool {
		if v.rule != "" {
			return !g.holds(v.rule)
		}
		return !g.matches(v.query)
	})
}

func (s *server) readLimits(r *http.Request) (LimitsPage, error) {
	p, err := s.src.Limits(r.Context())
	if err != nil {
		return p, fmt.Errorf("reading the limits: %w", err)
	}
	if p.Now == 0 {
		p.Now = s.now()
	}
	return p, nil
}

func (s *server) limits(w http.ResponseWriter, r *http.Request) {
	p, err := s.readLimits(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := r.URL.Query()
	s.send(w, r, http.StatusOK, limitsView{LimitsPage: p, query: limitsQueryOf(q), adopted: q.Get("adopted")})
}

func (s *server) limit(w http.ResponseWriter, r *http.Request) {
	p, err := s.readLimits(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v := limitsView{LimitsPage: p, rule: r.PathValue("id")}
	if len(v.found()) == 0 {
		s.send(w, r, http.StatusNotFound, noLimit(v.rule))
		return
	}
	s.send(w, r, http.StatusOK, v)
}

func noLimit(id string) plainPage {
	return plainPage{
		Head: "No limit has this name",
		Said: []string{fmt.Sprintf("Neither the set in force nor the shipped one holds a limit named %q.", id)},
		Do: []string{
			"Search for the test on the page of limits; each limit links to its own page.",
			"A limit of a set that is no longer in force stands in the log, not here.",
		},
	}
}

// limitURL gives the address of one limit in full.
func limitURL(site Site, id string) string { return site.Base + "/limits/" + url.PathEscape(id) }
