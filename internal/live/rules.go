package live

import (
	"container/heap"
	"log/slog"
	"maps"
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/stability"
)

// adoption is a rule set in force, read.
type adoption struct {
	custody.Adoption
	set *stability.Set
}

// readAdoptions reads every adopted rule file again. Adoptions are rare; every
// tube is judged anew afterwards. A file that this program can't read goes on the
// list of broken messages: its tubes then have no limit, they are not called fit.
func (m *Model) readAdoptions() {
	known := map[string]*stability.Set{}
	for _, a := range m.adopted {
		known[a.Hash] = a.set
	}
	m.adopted = m.adopted[:0:0]
	for _, a := range m.world.Adoptions() {
		set := known[a.Hash]
		if set == nil {
			var err error
			if set, err = stability.Parse(a.Name, a.Bytes); err != nil {
				m.broken = append(m.broken, eventlog.Broken{Stream: "rules", Subject: string(a.Key), Err: err})
				m.logger.Error("an adopted rule file can't be read", slog.String("rules", string(a.Key)), slog.Any("error", err))
				continue
			}
		}
		m.adopted = append(m.adopted, adoption{Adoption: a, set: set})
	}
	m.codes = index(m.adopted, m.lists)
	for _, a := range m.adopted {
		if a.InFlight && a.InForce > m.time() {
			heap.Push(&m.due, dueAt{a.InForce, custody.Target{Kind: event.KindRules, Key: a.Key}})
		}
	}
	for key, e := range m.tubes {
		m.mark(key, e)
	}
}

// rulesFor gives the set by which a tube is judged: the one in force at its clock
// zero, unless a later adoption speaks for tubes in flight too. Nil: none adopted.
func (m *Model) rulesFor(t *custody.Tube, now event.Instant) *stability.Set {
	zero := t.Zero.Earliest
	if zero == 0 {
		zero = t.Zero.Latest
	}
	if zero == 0 {
		zero = now
	}
	var set *stability.Set
	for _, a := range m.adopted {
		if a.InForce <= zero || a.InFlight && a.InForce <= now {
			set = a.set
		}
	}
	return set
}

// Adopted is a rule set in force with who put it there.
type Adopted struct {
	custody.Adoption
	Set *stability.Set
}

// Adopted lists the rule sets that were adopted, by the instant they came in force.
func (m *Model) Adopted() []Adopted {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := make([]Adopted, len(m.adopted))
	for i, a := range m.adopted {
		out[i] = Adopted{Adoption: a.Adoption, Set: a.set}
	}
	return out
}

// codes finds tube types and tests by their codes. What was adopted last goes first.
type codes struct {
	tubes      map[string]stability.TubeType
	assays     map[string]stability.Assay // by code and by LOINC
	restricted map[string]bool            // by code and by LOINC
}

func index(adopted []adoption, lists Lists) codes {
	c := codes{tubes: map[string]stability.TubeType{}, assays: map[string]stability.Assay{}, restricted: map[string]bool{}}
	for i := len(adopted) - 1; i >= 0; i-- {
		set := adopted[i].set
		for _, t := range set.Tubes {
			c.tube(t)
		}
		for _, a := range set.Assays {
			c.assay(a)
		}
		for j := range set.Rules {
			c.assay(set.Rules[j].Assay)
		}
	}
	for _, t := range lists.Tubes {
		c.tube(t)
	}
	for _, a := range lists.Assays {
		c.assay(a)
	}
	for code, a := range c.assays { // one of the sets says so, whichever gave the name
		a.Restricted = a.Restricted || c.restricted[code] || c.restricted[a.Code]
		c.assays[code] = a
	}
	return c
}

// types lists the codes of tube types, sorted.
func (c codes) types() []string { return slices.Sorted(maps.Keys(c.tubes)) }

func (c codes) tube(t stability.TubeType) {
	if _, known := c.tubes[t.Code]; !known {
		c.tubes[t.Code] = t
	}
}

func (c codes) assay(a stability.Assay) {
	for _, code := range []string{a.Code, a.Loinc} {
		if a.Restricted && code != "" {
			c.restricted[code] = true
		}
		if _, known := c.assays[code]; !known && code != "" {
			c.assays[code] = a
		}
	}
}

// TubeType looks a tube type up in the adopted sets and the shipped catalogue.
func (m *Model) TubeType(code string) (stability.TubeType, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.tubeType(code)
}

func (m *Model) tubeType(code string) (stability.TubeType, bool) {
	t, ok := m.codes.tubes[code]
	return t, ok
}

// Restricted reports whether a test's name alone tells something of a patient: in any
// adopted set, in any of its rules, or in the shipped list.
func (m *Model) Restricted(code string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.codes.restricted[code]
}

// Assay looks a test up by code or LOINC in the adopted sets, their rules and the
// shipped catalogue.
func (m *Model) Assay(code string) (stability.Assay, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.assay(code)
}

func (m *Model) assay(code string) (stability.Assay, bool) {
	a, ok := m.codes.assays[code]
	return a, ok
}
