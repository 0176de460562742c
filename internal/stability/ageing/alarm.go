package ageing

import (
	"container/heap"
	"math"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// never is the alarm of a source in which time alone changes nothing.
const never = event.Instant(math.MaxInt64)

// alarms orders sources by the next instant at which time alone changes something in them.
// An entry whose source has another alarm by now is dropped when it comes up.
type alarms []alarmAt

type alarmAt struct {
	at     event.Instant
	source int32
}

func (h alarms) Len() int           { return len(h) }
func (h alarms) Less(i, j int) bool { return h[i].at < h[j].at }
func (h alarms) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }

// Push implements heap.Interface.
func (h *alarms) Push(x any) { *h = append(*h, x.(alarmAt)) }

// Pop implements heap.Interface.
func (h *alarms) Pop() any {
	old := *h
	last := old[len(old)-1]
	*h = old[:len(old)-1]
	return last
}

// stale notes that the alarm of a source must be worked out again.
func (e *Engine) stale(id int32) {
	if s := &e.sources[id]; !s.aged {
		s.aged, e.aged = true, append(e.aged, id)
	}
}

// Next gives the next instant at which time alone changes something: a level is met, a
// value ceases to be held. ok is false where nothing will.
func (e *Engine) Next() (at event.Instant, ok bool) {
	for _, id := range e.aged {
		s := &e.sources[id]
		s.aged = false
		if at := e.alarmOf(s); at != s.alarm {
			if s.alarm = at; at != never {
				heap.Push(&e.alarms, alarmAt{at, id})
			}
		}
	}
	e.aged = e.aged[:0]
	for len(e.alarms) > 0 {
		if first := e.alarms[0]; e.sources[first.source].alarm == first.at {
			return first.at, true
		}
		heap.Pop(&e.alarms)
	}
	return 0, false
}

// Wake lets time pass up to now where something changes by it. Elsewhere nothing does.
func (e *Engine) Wake(now event.Instant) {
	e.fired = 0
	for {
		at, ok := e.Next()
		if !ok || at > now {
			return
		}
		id := e.alarms[0].source
		heap.Pop(&e.alarms)
		s := &e.sources[id]
		s.alarm = never
		s.dropIdle()
		e.raise(id, now)
		e.stale(id)
	}
}

// Reach lets time pass up to now in one source.
func (e *Engine) Reach(source int32, now event.Instant) {
	e.fired = 0
	e.raise(source, now)
}

// alarmOf gives the next instant at which time alone changes something in a source. From
// its watermark on rates stay as they are until a value ceases to be held, or a reading
// comes that is dated ahead.
func (e *Engine) alarmOf(s *ThermalSource) event.Instant {
	if !s.runs() {
		return never
	}
	at := never
	for _, series := range s.layers[len(s.layers)-1].Series {
		if end := series.HoldsUntil(); end >= s.watermark {
			at = min(at, end+1)
		}
		if next, ok := series.After(s.watermark); ok {
			at = min(at, next)
		}
	}
	segs := e.segments(s, s.watermark, s.watermark+1)
	if len(segs) == 0 {
		return at
	}
	if e.saysMore(s, &segs[0]) {
		return s.watermark + 1
	}
	for k := range s.clocks {
		c := &s.clocks[k]
		rate := e.curves[c.curve].Over(&segs[0])
		for side, r := range [2]int64{rate.Upper, rate.Lower} {
			now := c.now.Upper
			if side == 1 {
				now = c.now.Lower
			}
			if f, ok := c.next[side].first(); ok && r > 0 {
				if ms := -floorDiv(now-f.key, r); ms > 0 && event.Instant(ms) < never-s.watermark {
					at = min(at, s.watermark+event.Instant(ms))
				}
			}
		}
	}
	return at
}

// saysMore reports whether the ms behind the watermark shows what changes what is said:
// a reading counts from its own instant on.
func (e *Engine) saysMore(s *ThermalSource, seg *thermal.Segment) bool {
	for k := range s.views {
		v := &s.views[k]
		scale := e.scales[v.scale]
		sign, standing := scale.Sign(seg), scale.Standing(seg)
		for i := range v.groups {
			g := &v.groups[i]
			if len(g.members) == 0 {
				continue
			}
			if (standing^v.stood)&g.what.Stand != 0 || s.unseen && sign&g.what.Again != 0 || sign&^v.ahead != 0 && scale.Said(g.seen|v.ahead|sign) != g.said {
				return true
			}
		}
	}
	return false
}
