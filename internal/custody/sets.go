package custody

import (
	"slices"
	"strings"

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

// crowd is a set of tubes and carriers; a bench may have all of a day. Each of them knows in
// which crowds it is, so that a crowd needs no index of its own.
type crowd struct {
	of   event.Key    // the place or route
	way  bool         // it is a route
	list []*aggregate // each once, and those that went to rest since
	gone int          // so many of the latter
}

// entry gives what a map holds of a key; fresh is put there if there is nothing.
func entry[V any](m map[event.Key]*V, key event.Key, fresh V) *V {
	v := m[key]
	if v == nil {
		v = new(V)
		*v = fresh
		m[key] = v
	}
	return v
}

// fitted gives a list without most of the room that what was deleted left.
func fitted[T any](list []T) []T {
	if cap(list) > 2*len(list)+8 {
		return slices.Clone(list)
	}
	return list
}

// spelling is a name of a place or device and its key.
type spelling struct {
	name string
	key  event.Key
}

// spellings is how many names are kept with their keys; a power of two.
const spellings = 1 << 12

// spell is placeKey for who applies records: names are far fewer than records, and need not
// be spelled anew for each.
func (w *World) spell(name string) event.Key {
	n := len(name)
	if n == 0 {
		return ""
	}
	if w.spelled == nil {
		w.spelled = make([]spelling, spellings)
	}
	at := uint(n)
	for _, c := range []byte(name[max(0, n-4):]) { // codes differ at their end
		at = at*37 + uint(c)
	}
	s := &w.spelled[at%spellings]
	if s.name != name {
		*s = spelling{strings.Clone(name), placeKey(name)}
	}
	return s.key
}

// standing is in which crowds a thing is: hardly any is in more than a few.
type standing struct {
	few  [4]*crowd
	more []*crowd
}

func (a *aggregate) join(c *crowd) {
	for i, o := range a.crowds.few {
		if o == nil {
			a.crowds.few[i], c.list = c, append(c.list, a)
			return
		}
		if o == c {
			return
		}
	}
	if !slices.Contains(a.crowds.more, c) {
		a.crowds.more, c.list = append(a.crowds.more, c), append(c.list, a)
	}
}

// all gives the crowds.
func (s *standing) all(yield func(*crowd) bool) {
	for _, c := range s.few {
		if c == nil || !yield(c) {
			return
		}
	}
	for _, c := range s.more {
		if !yield(c) {
			return
		}
	}
}

// leave takes one that goes to rest out of its crowds and carriers.
func (a *aggregate) leave() {
	a.gone = true
	for c := range a.crowds.all {
		if c.gone++; 2*c.gone > len(c.list) {
			c.list, c.gone = filtered(c.list, len(c.list)-c.gone, func(agg *aggregate) bool { return !agg.gone }), 0
		}
	}
	for i := range a.packings {
		a.packings[i].leave()
	}
}

// all gives who is in it, in no order.
func (c *crowd) all(yield func(*aggregate) bool) {
	if c == nil {
		return
	}
	for _, agg := range c.list {
		if !agg.gone && !yield(agg) {
			return
		}
	}
}
