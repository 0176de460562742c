package custody

import (
	"cmp"
	"slices"

	"specimen.example/custody/internal/event"
)

// A device counts on while it runs, whatever its clock is set to. Between two scans
// of one run its clock and its counter must go on alike. A counter that stands still
// while the device sleeps makes the clock seem to run ahead, so only a clock that went
// back proves anything.

// tick is one scan's reading of a device's clock beside its counter.
type tick struct {
	mono   int64         // ms since the device started
	offset event.Instant // clock less counter, ms
	at     event.Instant // corrected
	scan   string
}

func compareTicks(a, b tick) int {
	return cmp.Or(cmp.Compare(a.mono, b.mono), cmp.Compare(a.offset, b.offset), cmp.Compare(a.at, b.at), cmp.Compare(a.scan, b.scan))
}

// clockBack is by how much a clock must go back to count as set back: network time
// moves it by less. Common practice, no source.
const clockBack = 120_000 // ms

// setBack: the clock went back between two scans that follow each other in one run.
// Only neighbours are compared: over a long run the many small corrections of network
// time add up to more than clockBack.
func setBack(a, b tick) bool { return a.mono < b.mono && a.offset-b.offset > clockBack }

// tickOf reads a record's tick; false when it has none.
func (w *World) tickOf(rec *event.Record) (device event.Key, t tick, ok bool) {
	device = w.spell(rec.Device)
	if device == "" || rec.BootID == "" || rec.MonotonicMs <= 0 || rec.DeviceTime == 0 {
		return "", tick{}, false
	}
	return device, tick{offset: rec.DeviceTime - event.Instant(rec.MonotonicMs), mono: rec.MonotonicMs, at: rec.Occurred, scan: idOf(rec)}, true
}

// indexClock keeps the ticks of each run in the order of its counter, without that of
// the record that was replaced, and names the devices of which another jump is known now.
func (w *World) indexClock(rec, replaced *event.Record) []event.Key {
	var moved []event.Key
	if replaced != nil {
		if device, t, ok := w.tickOf(replaced); ok {
			ticks := w.clocks[device][replaced.BootID]
			if i, known := slices.BinarySearchFunc(ticks, t, compareTicks); known {
				if jumpsBeside(ticks, i, t, i+1) {
					moved = append(moved, device)
				}
				w.clocks[device][replaced.BootID] = slices.Delete(ticks, i, i+1)
			}
		}
	}
	device, t, ok := w.tickOf(rec)
	if !ok {
		return moved
	}
	boots := w.clocks[device]
	if boots == nil {
		boots = make(map[string][]tick)
		w.clocks[device] = boots
	}
	ticks := boots[rec.BootID]
	i, _ := slices.BinarySearchFunc(ticks, t, compareTicks)
	if jumpsBeside(ticks, i, t, i) && !slices.Contains(moved, device) {
		moved = append(moved, device)
	}
	boots[rec.BootID] = slices.Insert(ticks, i, t)
	return moved
}

// jumpsBeside reports whether t between the tick before i and the one at next makes or
// hides a jump.
func jumpsBeside(ticks []tick, i int, t tick, next int) bool {
	before, after := i > 0, next < len(ticks)
	return before && setBack(ticks[i-1], t) || after && setBack(t, ticks[next]) || before && after && setBack(ticks[i-1], ticks[next])
}

// jumps finds where a device's clock was set back, by the scans up to an instant (0: all).
func (w *World) jumps(device event.Key, until event.Instant) []finding {
	if until != 0 {
		w.wakeClock(device) // what rests is thinned for the question of all scans
	}
	var found []finding
	for _, ticks := range w.clocks[device] {
		last := -1
		for i, t := range ticks {
			if until != 0 && t.at > until {
				continue
			}
			if last >= 0 && setBack(ticks[last], t) {
				found = append(found, finding{doubt: event.DoubtClockJumped, causes: []string{ticks[last].scan, t.scan}, since: max(ticks[last].at, t.at)})
			}
			last = i
		}
	}
	return found
}

// wakeClock wakes all whose ticks a device gave.
func (w *World) wakeClock(device event.Key) {
	if w.asleep.resting == 0 {
		return
	}
	var cases []uint32
	for key := range w.asleep.traces {
		if key.kind == traceClock && key.name == string(device) {
			cases = w.asleep.since(cases, key, 0)
		}
	}
	w.wakeAll(cases)
}
