package custody

import (
	"cmp"

	"specimen.example/custody/internal/event"
)

// A device counts on while it runs, whatever its clock is set to. Between two scans
// of one run its clock and its counter must go on alike. A counter that stands still
// while the device sleeps makes the clock seem to run ahead, so only a clock that went
// back proves anything.

// tick is one scan's reading of a device's clock beside its counter.
type tick struct {
	offset event.Instant // clock less counter, ms
	mono   int64         // ms since the device started
	at     event.Instant // corrected
	scan   string
}

// clockSpan keeps the two ticks between which the clock went back furthest: the
// highest offset, seen first, and the lowest, seen last. It may miss a jump that a
// later one hides; it never makes one up, and it is the same in any order of arrival.
type clockSpan struct{ high, low tick }

// clockBack is by how much a clock must go back to count as set back: network time
// moves it by less. Common practice, no source.
const clockBack = 120_000 // ms

// indexClock notes a record's tick and reports whether it changed what is known.
func (w *World) indexClock(rec *event.Record) bool {
	device := placeKey(rec.Device)
	if device == "" || rec.BootID == "" || rec.MonotonicMs <= 0 || rec.DeviceTime == 0 {
		return false
	}
	t := tick{offset: rec.DeviceTime - event.Instant(rec.MonotonicMs), mono: rec.MonotonicMs, at: rec.Occurred, scan: idOf(rec)}
	boots := w.clocks[device]
	if boots == nil {
		boots = make(map[string]clockSpan)
		w.clocks[device] = boots
	}
	span, known := boots[rec.BootID]
	before := span
	if !known {
		span = clockSpan{t, t}
	}
	if cmp.Or(cmp.Compare(t.offset, span.high.offset), cmp.Compare(span.high.mono, t.mono), cmp.Compare(span.high.scan, t.scan)) > 0 {
		span.high = t
	}
	if cmp.Or(cmp.Compare(span.low.offset, t.offset), cmp.Compare(t.mono, span.low.mono), cmp.Compare(span.low.scan, t.scan)) > 0 {
		span.low = t
	}
	boots[rec.BootID] = span
	return span != before && span.wentBack()
}

func (s clockSpan) wentBack() bool {
	return s.high.mono < s.low.mono && s.high.offset-s.low.offset > clockBack
}

// jumps finds the runs of a device in which its clock was set back.
func (w *World) jumps(device event.Key, until event.Instant) []finding {
	var found []finding
	for _, s := range w.clocks[device] {
		if since := max(s.high.at, s.low.at); s.wentBack() && (until == 0 || since <= until) {
			found = append(found, finding{doubt: event.DoubtClockJumped, causes: []string{s.high.scan, s.low.scan}, since: since})
		}
	}
	return found
}
