package custody

import (
	"maps"
	"slices"

	"specimen.example/custody/internal/event"
)

// ways are the declared timetables, kept up to date as they are described: a house has
// hundreds of routes, and a start reads each of them.
type ways struct {
	routes map[event.Key]Route
	from   map[string][]Route // by the place they leave
	// minutes is the shortest way between two places over any others, in either
	// direction; a pair that isn't there has none.
	minutes map[string]map[string]int64
}

func newWays() ways {
	return ways{routes: map[event.Key]Route{}, from: map[string][]Route{}, minutes: map[string]map[string]int64{}}
}

// describe takes what a route says now and gives the places from which some way is
// another one than before.
func (v *ways) describe(key event.Key, r Route, known bool) []string {
	counts := known && r.From != "" && r.To != "" && r.From != r.To && r.TakesMin > 0
	old, had := v.routes[key]
	if had {
		v.from[old.From] = slices.DeleteFunc(v.from[old.From], func(o Route) bool { return o.Key == key })
		delete(v.routes, key)
	}
	if counts {
		v.routes[key] = r
		v.from[r.From] = append(v.from[r.From], r)
	}
	if had && (!counts || r.From != old.From || r.To != old.To || r.TakesMin > old.TakesMin) {
		return v.again()
	}
	if !counts {
		return nil
	}
	changed := map[string]struct{}{}
	v.link(r, changed)
	return slices.Collect(maps.Keys(changed))
}

// again works the shortest ways out anew: something became longer.
func (v *ways) again() []string {
	before := v.minutes
	v.minutes = map[string]map[string]int64{}
	changed := map[string]struct{}{}
	for _, r := range v.routes {
		v.link(r, changed)
	}
	var out []string
	for place := range before {
		changed[place] = struct{}{}
	}
	for place := range changed {
		if !maps.Equal(before[place], v.minutes[place]) {
			out = append(out, place)
		}
	}
	return out
}

// link shortens every way that may lead over r. A shortest way uses r once at most, so
// each is one to an end of r, r, and one from its other end.
func (v *ways) link(r Route, changed map[string]struct{}) {
	if known, ok := v.minutes[r.From][r.To]; ok && known <= r.TakesMin {
		return
	}
	one, other := maps.Clone(v.minutes[r.From]), maps.Clone(v.minutes[r.To])
	for _, end := range []struct {
		row   *map[string]int64
		place string
	}{{&one, r.From}, {&other, r.To}} {
		if *end.row == nil {
			*end.row = map[string]int64{}
		}
		(*end.row)[end.place] = 0
	}
	for a, first := range one {
		for b, last := range other {
			v.shorten(a, b, first+r.TakesMin+last, changed)
		}
	}
}

func (v *ways) shorten(a, b string, minutes int64, changed map[string]struct{}) {
	if known, ok := v.minutes[a][b]; a == b || ok && known <= minutes {
		return
	}
	for _, pair := range [][2]string{{a, b}, {b, a}} {
		if v.minutes[pair[0]] == nil {
			v.minutes[pair[0]] = map[string]int64{}
		}
		v.minutes[pair[0]][pair[1]] = minutes
		changed[pair[0]] = struct{}{}
	}
}
