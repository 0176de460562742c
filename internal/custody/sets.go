package custody

import (
	"maps"
	"slices"

	"specimen.example/custody/internal/event"
)

// keySet is a set of keys, sorted: most have one or two.
type keySet []event.Key

func (s keySet) with(key event.Key) keySet {
	at, known := slices.BinarySearch(s, key)
	if known {
		return s
	}
	if s == nil {
		return keySet{key}
	}
	return slices.Insert(s, at, key)
}

func addTo[K comparable](m map[K]keySet, at K, key event.Key) { m[at] = m[at].with(key) }

// crowd is a set of tubes and carriers. A few are a list; a bench may have all of a day.
type crowd struct {
	few  []*aggregate
	many map[*aggregate]struct{}
}

const fewest = 16 // from so many on a crowd is a map

func addMember(m map[event.Key]*crowd, at event.Key, agg *aggregate) {
	c := m[at]
	if c == nil {
		c = &crowd{}
		m[at] = c
	}
	switch {
	case c.many != nil:
		c.many[agg] = struct{}{}
	case slices.Contains(c.few, agg):
	case len(c.few) < fewest:
		c.few = append(c.few, agg)
	default:
		c.many = make(map[*aggregate]struct{}, 2*fewest)
		for _, o := range c.few {
			c.many[o] = struct{}{}
		}
		c.many[agg], c.few = struct{}{}, nil
	}
}

func dropMember(m map[event.Key]*crowd, at event.Key, agg *aggregate) {
	c := m[at]
	if c == nil {
		return
	}
	c.few = slices.DeleteFunc(c.few, func(o *aggregate) bool { return o == agg })
	if delete(c.many, agg); len(c.few)+len(c.many) == 0 {
		delete(m, at)
	}
}

// list gives who is in it, in no order.
func (c *crowd) list() []*aggregate {
	if c == nil {
		return nil
	}
	if c.many != nil {
		return slices.Collect(maps.Keys(c.many))
	}
	return slices.Clone(c.few)
}
