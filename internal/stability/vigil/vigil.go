// Package vigil decides which tubes must be judged again because of a reading, or because
// time passed. The judge says of each tube once what can change of what it said
// (stability.Watch); the tubes of one thermal source then wait on its ageing clocks and in
// its groups, so a reading touches only those of which something else is to be said. Who
// is named here may turn out to be as before; who isn't named is as it was said: the
// judge, asked again, would say the same. It is pure and for one goroutine.
//
// What it doesn't see: facts of custody, rules, and the instants that the judge names
// itself (Judgement.Until). Whoever keeps the tubes judges them again by these.
package vigil

import (
	"fmt"
	"slices"
	"strconv"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/ageing"
	"specimen.example/custody/internal/thermal"
)

// Vigil watches tubes under the keys of its owner. The zero value watches none.
type Vigil[K comparable] struct {
	engine  ageing.Engine
	curves  map[string]int32
	levels  map[string]int32
	scales  map[string]int32
	sources map[string]int32 // by layer
	series  map[*thermal.Series]*logger
	tubes   map[K][]int32 // numbers in the engine
	keys    []K           // by number
	text    []byte        // scratch
}

// logger is a series as the engine knows it.
type logger struct {
	id int32
	// closed is the latest end of a tube that isn't watched any more and that the series
	// spoke of: a reading up to there may change what was said of it.
	closed event.Instant
}

// Counts are those of the engine.
func (v *Vigil[K]) Counts() ageing.Counts { return v.engine.Counts() }

// Bound says how many accounts may meet a level in one call; see ageing.Engine.Bound.
func (v *Vigil[K]) Bound(n int) { v.engine.Bound(n) }

// Len is the number of tubes that are watched.
func (v *Vigil[K]) Len() int { return len(v.tubes) }

// Look says what of the present to look for, beside what the judge watches.
type Look struct {
	Outside bool // whether the tube stands outside its bands: its flag says what to do about it
	Rate    bool // how fast it ages now: a timetable is held against its due time
}

// Watch watches a tube that was judged at now by its layers; what was watched of it before
// is forgotten. It gives an instant, behind now, at which the tube must be judged again by
// itself, since facts are of this moment or dated ahead; 0 for none.
func (v *Vigil[K]) Watch(key K, w *stability.Watch, layers []thermal.Layer, look Look, now event.Instant) (again event.Instant) {
	v.Drop(key)
	var ids []int32
	look.Rate = look.Rate || w.Several
	for i := range w.Windows {
		x := &w.Windows[i]
		moves, ahead := v.moves(layers, x.From, now)
		again = sooner(again, ahead)
		if len(moves) == 0 {
			continue
		}
		source := moves[len(moves)-1].Source
		for _, m := range moves {
			v.engine.Reach(m.Source, m.At)
		}
		v.engine.Reach(source, now)
		id := v.add(key, x, look, w.Several, source, now)
		ids = append(ids, id)
		if moves[len(moves)-1].At == now {
			again = sooner(again, now+1) // nothing was seen yet of where it stands now
		}
		must(v.engine.Move(id, moves...))
		v.engine.Hush(id) // what it has met is what was just said of it
		if mark := v.engine.Watermark(source); mark > now {
			again = sooner(again, mark) // readings dated ahead were counted
		}
	}
	if ended := v.closing(key, w, layers, now); len(ended) > 0 {
		ids = append(ids, ended...)
	}
	if len(ids) > 0 {
		if v.tubes == nil {
			v.tubes = map[K][]int32{}
		}
		v.tubes[key] = ids
	}
	if len(w.Windows) == 0 {
		v.closed(w.Ends, layers)
	}
	return again
}

// Drop forgets a tube.
func (v *Vigil[K]) Drop(key K) {
	for _, id := range v.tubes[key] {
		must(v.engine.Drop(id))
	}
	delete(v.tubes, key)
}

// Watched reports whether a tube is watched.
func (v *Vigil[K]) Watched(key K) bool { return len(v.tubes[key]) > 0 }

// add gives a window to the engine. Source is where the tube is now.
func (v *Vigil[K]) add(key K, x *stability.Window, look Look, several bool, source int32, now event.Instant) int32 {
	var watches []ageing.Watch
	for _, u := range x.Uses {
		curve := v.curve(u.Curve)
		if i := slices.IndexFunc(watches, func(w ageing.Watch) bool { return w.Curve == curve }); i >= 0 {
			watches[i].Levels = v.joined(watches[i].Levels, u)
			continue
		}
		watches = append(watches, ageing.Watch{Curve: curve, Levels: v.level(u.Upper, u.Lower)})
	}
	id, err := v.engine.AddTube(watches...)
	must(err)
	var stand ageing.Signs
	if look.Outside {
		stand |= stability.StandsOutside
	}
	if look.Rate {
		stand |= stability.StandsAt
	}
	sights := make([]ageing.Sight, len(x.Scales))
	for i, s := range x.Scales {
		sights[i] = ageing.Sight{Scale: v.scale(s.Scale), Again: s.Again, Enter: s.Enter, Stand: stand}
		switch {
		case s.Firm > v.engine.Sealed(source, now):
			sights[i].Again = ^ageing.Signs(0)
		case several: // whatever isn't as it is now changes which is due first
			sights[i].Again |= ^v.engine.Present(source, sights[i].Scale)
		}
	}
	must(v.engine.Look(id, sights...))
	v.name(id, key)
	return id
}

func (v *Vigil[K]) name(id int32, key K) {
	for int(id) >= len(v.keys) {
		var none K
		v.keys = append(v.keys, none)
	}
	v.keys[id] = key
}

// moves tells the way of a tube from an instant to now through the sources of its layers.
// Ahead is when the first layer begins that is dated behind now, 0 for none.
func (v *Vigil[K]) moves(layers []thermal.Layer, from, now event.Instant) (moves []ageing.Move, ahead event.Instant) {
	at := from
	reach := func(to event.Instant, source int32) {
		if n := len(moves); n == 0 || moves[n-1].Source != source {
			moves = append(moves, ageing.Move{At: at, Source: source})
		}
		at = to
	}
	for i := range layers {
		l := &layers[i]
		if l.To <= at {
			continue
		}
		if l.From > now {
			ahead = sooner(ahead, l.From)
			break
		}
		if l.From > at {
			reach(l.From, v.source(&thermal.Layer{}))
		}
		reach(l.To, v.source(l))
	}
	if at <= now {
		reach(now, v.source(&thermal.Layer{}))
	}
	return moves, ahead
}

// closing watches what is over of a tube, while something of it goes on or readings still
// count that are drawn to its end.
func (v *Vigil[K]) closing(key K, w *stability.Watch, layers []thermal.Layer, now event.Instant) (ids []int32) {
	for _, end := range w.Ends {
		if end.At <= end.From {
			continue
		}
		moves, _ := v.moves(layers, end.From, end.At-1)
		covered := len(w.Windows) == 0 || slices.ContainsFunc(w.Windows, func(x stability.Window) bool { return x.From <= end.From })
		if n := len(moves); n == 0 || covered && v.engine.Sealed(moves[n-1].Source, now) >= end.At {
			continue
		}
		id, err := v.engine.AddTube()
		must(err)
		v.name(id, key)
		for _, m := range moves {
			v.engine.Reach(m.Source, m.At)
		}
		must(v.engine.Move(id, append(moves, ageing.Move{At: end.At, Source: ageing.Ended})...))
		ids = append(ids, id)
	}
	return ids
}

// closed notes up to when the series of a tube spoke of it that nothing of it goes on.
func (v *Vigil[K]) closed(ends []stability.End, layers []thermal.Layer) {
	var last event.Instant
	for _, end := range ends {
		last = max(last, end.At)
	}
	for i := range layers {
		if layers[i].From > last {
			break
		}
		for _, s := range layers[i].Series {
			x := v.logger(s)
			x.closed = max(x.closed, min(last, layers[i].To))
		}
	}
}

// Read adds readings to a series. It reports the instant from which on what was read may
// change what was said of tubes that aren't watched any more; ok is false when it can't.
func (v *Vigil[K]) Read(s *thermal.Series, readings ...event.Reading) (from event.Instant, ok bool) {
	if len(readings) == 0 {
		return 0, false
	}
	x := v.logger(s)
	first := readings[0].At
	for _, r := range readings[1:] {
		first = min(first, r.At)
	}
	from, before := s.Before(first)
	if !before {
		from = first
	}
	must(v.engine.Read(x.id, readings...))
	return from, from < x.closed
}

// Reread tells that a series was made anew, or is drawn in another way than before.
func (v *Vigil[K]) Reread(s *thermal.Series) { must(v.engine.Reread(v.logger(s).id)) }

// Next gives the next instant at which Wake has something to say with no new fact.
func (v *Vigil[K]) Next() (event.Instant, bool) { return v.engine.Next() }

// Wake lets time pass up to now.
func (v *Vigil[K]) Wake(now event.Instant) { v.engine.Wake(now) }

// Named gives tubes that must be judged again, about n of them, and whether there may be
// more. Readings count from their own instant on, so time goes first: Wake up to now, then
// ask.
func (v *Vigil[K]) Named(n int) (keys []K, more bool) {
	more = v.engine.Resume()
	for _, a := range v.engine.Announced() {
		v.engine.WakeTube(a.Tube)
	}
	ids := v.engine.Woken(n)
	for _, id := range ids {
		keys = append(keys, v.keys[id])
	}
	return keys, more || len(ids) == n
}

func (v *Vigil[K]) logger(s *thermal.Series) *logger {
	x := v.series[s]
	if x == nil {
		if v.series == nil {
			v.series = map[*thermal.Series]*logger{}
		}
		x = &logger{id: v.engine.AddSeries(s)}
		v.series[s] = x
	}
	return x
}

// source gives the source of a layer. Tubes that share loggers and what is declared share
// it, whatever box or place they are in.
func (v *Vigil[K]) source(l *thermal.Layer) int32 {
	ids := make([]int32, len(l.Series))
	v.text = v.text[:0]
	for i, s := range l.Series {
		ids[i] = v.logger(s).id
		v.text = append(strconv.AppendInt(v.text, int64(ids[i]), 10), ' ')
	}
	v.text = fmt.Append(v.text, l.Attested, l.Assumed)
	if id, ok := v.sources[string(v.text)]; ok {
		return id
	}
	id, err := v.engine.AddSource(ageing.Layer{Series: ids, Attested: l.Attested, Assumed: l.Assumed})
	must(err)
	return remember(&v.sources, string(v.text), id)
}

func (v *Vigil[K]) curve(c *stability.Curve) int32 {
	if id, ok := v.curves[c.Name]; ok {
		return id
	}
	return remember(&v.curves, c.Name, v.engine.AddCurve(c.Rates))
}

func (v *Vigil[K]) scale(s *stability.Scale) int32 {
	if id, ok := v.scales[s.Name]; ok {
		return id
	}
	return remember(&v.scales, s.Name, v.engine.AddScale(s))
}

func (v *Vigil[K]) level(upper, lower []int64) int32 {
	v.text = v.text[:0]
	for _, at := range upper {
		v.text = append(strconv.AppendInt(v.text, at, 10), ' ')
	}
	v.text = append(v.text, '/')
	for _, at := range lower {
		v.text = append(strconv.AppendInt(v.text, at, 10), ' ')
	}
	name := string(v.text)
	if id, ok := v.levels[name]; ok {
		return id
	}
	l := ageing.Levels{At: upper, Certain: lower}
	if len(upper) == 0 {
		l = ageing.Levels{At: lower, CertainOnly: true}
	} else if l.Certain == nil {
		l.Certain = []int64{}
	}
	id, err := v.engine.AddLevels(l)
	must(err)
	return remember(&v.levels, name, id)
}

// joined gives the levels of two uses of one curve.
func (v *Vigil[K]) joined(id int32, u stability.WatchedUse) int32 {
	upper, lower := v.engine.LevelsOf(id)
	return v.level(merged(upper, u.Upper), merged(lower, u.Lower))
}

func merged(a, b []int64) []int64 {
	all := slices.Concat(a, b)
	slices.Sort(all)
	return slices.Compact(all)
}

func remember(in *map[string]int32, name string, id int32) int32 {
	if *in == nil {
		*in = map[string]int32{}
	}
	(*in)[name] = id
	return id
}

// sooner gives the earlier of two instants, of which 0 means never.
func sooner(a, b event.Instant) event.Instant {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

// must holds what this package alone can get wrong: numbers that the engine gave out.
func must(err error) {
	if err != nil {
		panic("vigil: " + err.Error())
	}
}
