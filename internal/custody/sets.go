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

// whereabouts gives the crowd of a place, a new one if there is none.
func (w *World) whereabouts(place event.Key) *crowd {
	c := w.scannedAt[place]
	if c == nil {
		c = &crowd{of: place}
		w.scannedAt[place] = c
	}
	return c
}

// travellers gives the crowd of a route, a new one if there is none.
func (w *World) travellers(route event.Key) *crowd {
	c := w.onRoute[route]
	if c == nil {
		c = &crowd{of: route, way: true}
		w.onRoute[route] = c
	}
	return c
}

// spelling is a name of a place or device and its key.
type spelling struct {
	name string
	key  event.Key
}

// spellings is how many names are kept with their keys; a power of two.
const spellings = 1 << 12

// spell is placeKey for who applies records: names are far fewer than records, and to spell
// one takes longer than all else that is done with it.
func (w *World) spell(name string) event.Key {
	n := len(name)
	if n == 0 {
		return ""
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
