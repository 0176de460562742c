package loggerfile

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
)

// longestGapMs is the longest stretch that is bridged whatever the interval, as
// in package thermal.
const longestGapMs = 60 * 60_000

// assemble turns the rows into readings, once nothing is left to ask but which
// of two instants a doubled time means.
func (r *reader) assemble() {
	at, ok := r.instants()
	if !ok {
		return
	}
	readings := r.readings(at)
	if len(readings) == 0 {
		r.refuse("file", "no row can be read", "see the mistakes of its rows")
		return
	}
	breaks := r.breaks(at)
	r.sort(&readings)
	r.measure(readings)
	r.intervals(at, readings)
	r.file.How.Breaks = len(breaks)
	if readings = append(readings, breaks...); len(breaks) > 0 {
		slices.SortStableFunc(readings, func(a, b event.Reading) int { return cmp.Compare(a.At, b.At) })
	}
	r.file.Readings = readings
	r.remember()
	if w, how := r.a.Window, &r.file.How; w.known() && (how.Last.At < w.From || how.First.At > w.To) {
		r.note(fmt.Sprintf("All readings lie outside %s to %s, the scans of the carrier: check date order, zone and logger.", w.From, w.To))
	}
}

// instants gives the instant of each row by the logger's clock, 0 for none. It is
// false after a question.
func (r *reader) instants() (at []int64, ok bool) {
	how := &r.file.How
	at = make([]int64, len(r.rows))
	order := make([]int, 0, len(r.rows)) // rows with a time, in the order of the file
	seconds := map[int]double{}          // by row
	ups, downs, last := 0, 0, int64(0)
	for i := range r.rows {
		one := &r.rows[i]
		if one.orders == 0 {
			continue
		}
		w := wall(one.parts, one.orderIn(r.order), one.ms)
		n := 1
		if one.zoned {
			at[i] = w - int64(one.offset)*60_000
		} else {
			var second int64
			if n, at[i], second = r.zone.instants(w); n == 2 {
				seconds[i] = double{at[i], second}
			}
		}
		if n == 0 {
			one.orders, one.kind = 0, isBad
			r.rowMistake(one, how.Time.Number, "time", fmt.Sprintf("clocks in %s never showed %s: they were put forward", r.loc, wallText(w)),
				"correct the time; if the logger's clock was not put forward, give its offset as the zone")
			continue
		}
		switch {
		case len(order) == 0:
		case at[i] > last:
			ups++
		case at[i] < last:
			downs++
		}
		last = at[i]
		order = append(order, i)
	}
	if how.NewestFirst = downs > ups; how.NewestFirst {
		slices.Reverse(order)
	}
	if how.DoubledRows = len(seconds); len(seconds) > 0 {
		sorted, lines, doubles := make([]int64, len(order)), make([]int32, len(order)), make(map[int]double, len(seconds))
		for k, i := range order {
			sorted[k], lines[k] = at[i], r.rows[i].line
			if d, two := seconds[i]; two {
				doubles[k] = d
			}
		}
		if !r.settle(sorted, lines, doubles) {
			return nil, false
		}
		for k, i := range order {
			at[i] = sorted[k]
		}
	}
	for k := 1; k < len(order); k++ {
		if at[order[k]] < at[order[k-1]] {
			how.OutOfOrder++
		}
	}
	for _, i := range order {
		if t := int64(r.corrected(event.Instant(at[i]))); t <= 0 || t > latest {
			one := &r.rows[i]
			one.orders, one.kind, at[i] = 0, isBad, 0
			r.rowMistake(one, how.Time.Number, "time", fmt.Sprintf("with the logger's clock corrected it is no date from %d to %d", firstYear, lastYear), "check the sightings of the logger's clock")
		}
	}
	return at, true
}

// readings gives what each row with an instant says, and counts.
func (r *reader) readings(at []int64) []event.Reading {
	how := &r.file.How
	out := make([]event.Reading, 0, len(r.rows))
	shown := 0
	for i := range r.rows {
		one := &r.rows[i]
		reading := event.Reading{Raw: one.raw}
		switch {
		case one.orders == 0 || one.kind == isBad:
			how.Unreadable++
		case one.kind == isEmpty:
			how.Empty++
		case one.kind == isFault:
			how.Faults++
		default:
			if reading.C, reading.OK = one.sensed(r.unit); reading.OK {
				how.Values++
			} else {
				reading.C = 0
				how.Faults++
			}
		}
		if one.orders == 0 {
			continue
		}
		reading.At = r.corrected(event.Instant(at[i]))
		out = append(out, reading)
		for shown < len(how.Preview) && how.Preview[shown].Line < int(one.line) {
			shown++
		}
		if shown < len(how.Preview) && how.Preview[shown].Line == int(one.line) {
			p := &how.Preview[shown]
			p.Reading, p.Local = reading, r.local(reading.At)
		}
	}
	if how.Faults > 0 {
		how.FaultSummary = fmt.Sprintf("%d of %d were faults", how.Faults, how.Rows)
	}
	return out
}

// breaks gives a reading without value for each row without a time: 1 ms behind
// the earlier of its neighbours in the file, and behind both where they stand
// against the order of the file. Else a line would be drawn across the row as if
// it had never been.
func (r *reader) breaks(at []int64) []event.Reading {
	var out []event.Reading
	put := func(i int, raw string) {
		out = append(out, event.Reading{At: r.corrected(event.Instant(at[i])) + 1, Raw: raw})
	}
	for lo := 0; lo < len(at); lo++ {
		if at[lo] != 0 {
			continue
		}
		hi := lo + 1
		for hi < len(at) && at[hi] == 0 {
			hi++
		}
		raw, before, behind := r.rows[lo].raw, lo-1, hi
		down := r.file.How.NewestFirst
		switch {
		case before < 0 && behind == len(at):
		case before < 0:
			if down {
				put(behind, raw)
			}
		case behind == len(at):
			if !down {
				put(before, raw)
			}
		case at[before] == at[behind]:
			put(before, raw)
		case (at[before] > at[behind]) != down:
			put(before, raw)
			put(behind, raw)
		case down:
			put(behind, raw)
		default:
			put(before, raw)
		}
		lo = hi
	}
	slices.SortStableFunc(out, func(a, b event.Reading) int { return cmp.Compare(a.At, b.At) })
	return slices.CompactFunc(out, func(a, b event.Reading) bool { return a.At == b.At })
}

// sort puts readings in order of time, leaves out repeats and counts them. Of one
// instant, those with a value come first, the lower before the higher.
func (r *reader) sort(readings *[]event.Reading) {
	how := &r.file.How
	if how.NewestFirst {
		slices.Reverse(*readings)
	}
	compare := func(a, b event.Reading) int {
		if c := cmp.Compare(a.At, b.At); c != 0 || a.OK != b.OK {
			if c == 0 && a.OK {
				return -1
			}
			return cmp.Or(c, 1)
		}
		return cmp.Compare(a.C, b.C)
	}
	if !slices.IsSortedFunc(*readings, compare) {
		slices.SortStableFunc(*readings, compare)
	}
	kept := (*readings)[:1]
	for _, one := range (*readings)[1:] {
		last := &kept[len(kept)-1]
		if last.At == one.At {
			if last.OK == one.OK && last.C == one.C {
				how.Duplicates++
				continue
			}
			how.Conflicting++
		}
		kept = append(kept, one)
	}
	*readings = kept
}

// measure fills ends and extremes.
func (r *reader) measure(readings []event.Reading) {
	how := &r.file.How
	first, last := readings[0].At, readings[len(readings)-1].At
	how.First, how.Last = Moment{first, r.local(first)}, Moment{last, r.local(last)}
	for _, one := range readings {
		if !one.OK {
			continue
		}
		if !how.Lowest.Known || one.C < how.Lowest.C {
			how.Lowest = Extreme{one.C, one.At, true}
		}
		if !how.Highest.Known || one.C > how.Highest.C {
			how.Highest = Extreme{one.C, one.At, true}
		}
	}
}

func (r *reader) toldEvery() int64 {
	if e := r.a.Person.EveryMs; e > 0 {
		return e
	}
	return r.a.Record.EveryMs
}

// intervals finds the interval by the logger's own clock, then the gaps between
// corrected instants, as they will be judged.
func (r *reader) intervals(at []int64, readings []event.Reading) {
	how := &r.file.How
	sorted := make([]int64, 0, len(at))
	for _, t := range at {
		if t != 0 {
			sorted = append(sorted, t)
		}
	}
	slices.Sort(sorted)
	if n := len(sorted); n > 0 && len(r.a.Sync) > 0 {
		first, last := event.Instant(sorted[0]), event.Instant(sorted[n-1])
		how.Drift = Drift{Sightings: len(r.a.Sync), FirstMs: int64(r.corrected(first) - first), LastMs: int64(r.corrected(last) - last)}
		how.Drift.Why = fmt.Sprintf("one sighting of the logger's clock: all times moved by %s", ms(how.Drift.FirstMs))
		if s := r.a.Sync; len(s) == 2 {
			how.Drift.Why = fmt.Sprintf("two sightings of the logger's clock: it was off by %s and by %s; times moved by %s at the first reading to %s at the last",
				ms(int64(s[0].Logger-s[0].True)), ms(int64(s[1].Logger-s[1].True)), ms(how.Drift.FirstMs), ms(how.Drift.LastMs))
		}
	}
	sorted = slices.Compact(sorted)
	for i := len(sorted) - 1; i > 0; i-- {
		sorted[i] -= sorted[i-1]
	}
	if len(sorted) > 1 {
		how.FoundEveryMs = median(sorted[1:])
	}
	how.EveryMs = how.FoundEveryMs
	if told := r.toldEvery(); told > 0 {
		if how.EveryMs = told; how.FoundEveryMs > 0 && how.FoundEveryMs != told {
			r.note(fmt.Sprintf("The interval was told as %s and most steps are %s.", ms(told), ms(how.FoundEveryMs)))
		}
	}
	if how.EveryMs == 0 {
		return
	}
	longest := event.Instant(longestGapMs)
	if how.EveryMs < longestGapMs/2 {
		longest = event.Instant(2 * how.EveryMs)
	}
	for i := 1; i < len(readings); i++ {
		if from, to := readings[i-1].At, readings[i].At; to-from > longest {
			if how.GapCount++; how.GapCount <= mostGaps {
				how.Gaps = append(how.Gaps, Gap{from, to})
			}
		}
	}
}

func ms(n int64) time.Duration { return time.Duration(n) * time.Millisecond }

// remember keeps the decisions for the next file of this shape. A zone that the
// file itself named is left out: the next one names its own.
func (r *reader) remember() {
	how := &r.file.How
	m := Mapping{
		Shape: how.Shape, Delimiter: how.Delimiter.Value, Decimal: how.Decimal.Value, Unit: how.Unit.Value,
		TimeColumn: how.Time.Number, ClockColumn: how.Clock.Number, TemperatureColumn: how.Temperature.Number,
	}
	// What this file left open stays as it was remembered.
	if m.DateOrder = r.mapped.DateOrder; r.dates.loose > 0 {
		m.DateOrder = how.DateOrder.Value
	}
	if m.Zone = r.mapped.Zone; how.Zone.By != Found {
		m.Zone = how.Zone.Value
	}
	for _, f := range slices.Concat(r.mapped.Faults, r.a.Person.Faults) {
		if !slices.Contains(m.Faults, f) {
			m.Faults = append(m.Faults, f)
		}
	}
	r.file.Mapping = m
}

// boundMistakes puts mistakes in order and says how many are not told.
func (r *reader) boundMistakes() {
	m := r.file.Mistakes
	slices.SortStableFunc(m, func(a, b Mistake) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	if rest := r.mistakes - len(m); rest > 0 {
		m = append(m, Mistake{Field: "file", Problem: fmt.Sprintf("there are %d more mistakes", rest), Remedy: "correct those above and read it again"})
	}
	r.file.Mistakes = m
}
