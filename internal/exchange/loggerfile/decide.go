package loggerfile

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// values gives the rows that have a number, in order of lines.
func (r *reader) values(yield func(*row) bool) {
	for i := range r.rows {
		if one := &r.rows[i]; one.kind == isValue && one.orders != 0 && r.file.How.Temperature.Number > 0 && !yield(one) {
			return
		}
	}
}

func (r *reader) decideDecimal() {
	how, m := &r.file.How, &r.decimal
	if how.Temperature.Number == 0 {
		return
	}
	var found Decision
	switch {
	case m.points+m.commas == 0:
		if how.Decimal, _ = choose(r.a.Person.Decimal, r.mapped.Decimal, found, false, r.a.Record.Decimal); how.Decimal.Value == "" {
			how.Decimal = Decision{By: Found, Why: "no value has decimals"}
		}
		return
	case m.commas == 0:
		found = Decision{Value: ".", By: Found, Why: fmt.Sprintf("all decimals have a point, the first in line %d", m.pointLine)}
	case m.points == 0:
		found = Decision{Value: ",", By: Found, Why: fmt.Sprintf("all decimals have a comma, the first in line %d", m.commaLine)}
	}
	d, clash := choose(r.a.Person.Decimal, r.mapped.Decimal, found, false, r.a.Record.Decimal)
	if clash || d.Value == "" {
		q := Question{Field: FieldDecimal, Text: "Is the decimal mark a point or a comma?"}
		if q.Why = "values have both marks"; clash {
			q.Why = "the file has another decimal mark than was remembered or recorded"
		}
		for _, c := range []struct {
			value, text string
			good, bad   int
		}{{".", "point", m.points, m.commas}, {",", "comma", m.commas, m.points}} {
			q.Choices = append(q.Choices, Choice{Value: c.value, Text: fmt.Sprintf("%s: %d values have it, and %d could not be read", c.text, c.good, c.bad), Implausible: c.bad > c.good})
		}
		for one := range r.values {
			if len(q.Samples) < mostSamples && one.mark != 0 && (len(q.Samples) == 0 || int(one.line) == m.pointLine || int(one.line) == m.commaLine) {
				q.Samples = append(q.Samples, Sample{Line: int(one.line), Text: shorten(one.raw)})
			}
		}
		r.ask(q)
		return
	}
	how.Decimal = d
	for one := range r.values {
		if one.mark != 0 && one.mark != d.Value[0] {
			one.kind = isBad
			r.rowMistake(one, how.Temperature.Number, "temperature", fmt.Sprintf("%q has another decimal mark than %q", shorten(one.raw), d.Value), "write all values with one decimal mark")
		}
	}
}

// channelWords stand before a letter that names a sensor, not a unit.
var channelWords = []string{"sensor", "probe", "channel", "kanal", "fühler", "sonde", "=ch", "zone", "=kanaal", "=input"}

// headerUnit finds the unit in the name of the temperature's column. A letter
// that tells channels apart ("Temp A", "Temp B", "Temp C") is none.
func (r *reader) headerUnit() unit {
	n := r.file.How.Temperature.Number
	name := strings.ToLower(r.table.names[n-1])
	u, lone := unitIn(name)
	if u == noUnit || !lone {
		return u
	}
	if hasWord(name, channelWords) && !strings.ContainsAny(name, "([_/,") {
		return noUnit
	}
	for i, other := range r.table.names {
		other = strings.ToLower(other)
		if i+1 == n || len(other) != len(name) {
			continue
		}
		differ, letter := 0, byte(0)
		for k := range len(name) {
			if name[k] != other[k] {
				differ, letter = differ+1, other[k]
			}
		}
		if differ == 1 && letter >= 'a' && letter <= 'z' && !strings.ContainsRune("cfk", rune(letter)) {
			return noUnit
		}
	}
	return u
}

var unitWords = []string{"unit", "einheit", "unité", "unidad", "eenheid", "enhet", "enhed"}

// foundUnit gives the unit that the file says, and whether its header does.
func (r *reader) foundUnit() (d Decision, inHeader bool) {
	n := r.file.How.Temperature.Number
	in := func(u unit, why string) Decision { return Decision{Value: unitNames[u], By: Found, Why: why} }
	header := r.headerUnit()
	for u := celsius; u <= kelvin; u++ {
		seen := r.units[u]
		switch {
		case seen.n == 0:
		case header != noUnit && header != u, d.Value != "" && d.Value != unitNames[u]:
			return Decision{}, false
		default:
			d = in(u, fmt.Sprintf("it stands behind the values, first in line %d", seen.line))
		}
	}
	switch {
	case header != noUnit:
		return in(header, fmt.Sprintf("the header says so: %q", shorten(r.table.names[n-1]))), true
	case d.Value != "":
		return d, false
	}
	for i := range r.table.preamble {
		l := &r.table.preamble[i]
		text := strings.Join(l.fields, " ")
		if !hasWord(text, unitWords) {
			continue
		}
		if u, _ := unitIn(text); u != noUnit {
			return in(u, fmt.Sprintf("line %d says so: %q", l.number, shorten(text))), false
		}
	}
	return Decision{}, false
}

func (r *reader) decideUnit() {
	how := &r.file.How
	if how.Temperature.Number == 0 {
		return
	}
	found, inHeader := r.foundUnit()
	d, clash := choose(r.a.Person.Unit, r.mapped.Unit, found, inHeader, r.a.Record.Unit)
	if clash || d.Value == "" {
		r.askUnit(clash, found)
		return
	}
	how.Unit, r.unit = d, unitOf(d.Value)
	for one := range r.values {
		if one.unit != noUnit && one.unit != r.unit {
			one.kind = isBad
			r.rowMistake(one, how.Temperature.Number, "temperature", fmt.Sprintf("%q has another unit than the column, which is %s", shorten(one.raw), d.Value), "write all values in one unit")
		}
	}
}

func (r *reader) askUnit(clash bool, found Decision) {
	q := Question{Field: FieldUnit, Text: "In which unit are the temperatures?", Why: "the file names no unit, or more than one"}
	if clash {
		q.Why = "the file says " + found.Value + " (" + found.Why + "), which is not what was remembered or recorded"
	}
	type sum struct {
		low, high event.CentiC
		good, bad int
	}
	sums := [kelvin + 1]sum{}
	for u := celsius; u <= kelvin; u++ {
		sums[u].low, sums[u].high = math.MaxInt32, math.MinInt32
	}
	lowest, highest := number{}, number{}
	at := [2]int32{}
	for one := range r.values {
		for u := celsius; u <= kelvin; u++ {
			s := &sums[u]
			c, ok := one.sensed(u)
			if !ok {
				s.bad++
				continue
			}
			s.good++
			if u == celsius && c < s.low {
				lowest, at[0] = one.number, one.line
			}
			if u == celsius && c > s.high {
				highest, at[1] = one.number, one.line
			}
			s.low, s.high = min(s.low, c), max(s.high, c)
		}
		if len(q.Samples) < mostSamples-2 {
			q.Samples = append(q.Samples, Sample{Line: int(one.line), Text: shorten(one.raw)})
		}
	}
	for i, n := range []number{lowest, highest} {
		line := int(at[i])
		if line > 0 && !slices.ContainsFunc(q.Samples, func(s Sample) bool { return s.Line == line }) {
			q.Samples = append(q.Samples, Sample{Line: line, Text: n.String()})
		}
	}
	for u, name := range []string{"", "°C", "°F", "K"} {
		s := sums[u]
		if u == 0 {
			continue
		}
		c := Choice{Value: unitNames[u], Implausible: s.bad > s.good}
		if s.good > 0 {
			c.Text = fmt.Sprintf("%s: the values run from %s to %s", name, degrees(s.low), degrees(s.high))
		} else {
			c.Text = name + ": no value would be a temperature"
		}
		if s.bad > 0 {
			c.Text += fmt.Sprintf("; %d of %d would be faults or beyond what a sensor measures", s.bad, s.good+s.bad)
		}
		q.Choices = append(q.Choices, c)
	}
	r.ask(q)
}

// String writes the number with a decimal point.
func (n number) String() string {
	sign, m := "", n.mant
	if m < 0 {
		sign, m = "-", -m
	}
	if n.scale == 0 {
		return fmt.Sprintf("%s%d", sign, m)
	}
	return fmt.Sprintf("%s%d.%0*d", sign, m/tens[n.scale], int(n.scale), m%tens[n.scale])
}

func (r *reader) decideOrder() {
	how, seen := &r.file.How, &r.dates
	if seen.loose == 0 {
		r.order = yearFirst
		how.DateOrder = Decision{By: Found, Why: "the form of every date says it"}
		for i := range r.rows {
			if r.rows[i].orders != 0 {
				how.DateOrder.Value = orderNames[r.rows[i].orders]
				break
			}
		}
		return
	}
	var found Decision
	if o := seen.open; o != 0 && o&(o-1) == 0 {
		found = Decision{Value: orderNames[o], By: Found, Why: seen.why(o)}
	}
	d, clash := choose(r.a.Person.DateOrder, r.mapped.DateOrder, found, false, r.a.Record.DateOrder)
	if d.By != Asked && d.Value != "" && seen.open&orderOf(d.Value) == 0 {
		clash = true
	}
	if !clash && d.Value != "" {
		how.DateOrder, r.order = d, orderOf(d.Value)
		r.dropDates()
		return
	}
	switch {
	case clash && found.Value != "":
		how.DateOrder.Why = "the dates are " + found.Value + " (" + found.Why + "), which is not what was remembered or recorded"
	case clash:
		how.DateOrder.Why = "the dates can't stand in the order that was remembered or recorded"
	case seen.open == 0:
		how.DateOrder.Why = "some dates are possible only in one order, others only in another: " + r.contradiction()
	default:
		how.DateOrder.Why = "no value says which part is the day and which the month"
	}
}

func (r *reader) contradiction() string {
	var parts []string
	for i := range r.dates.out {
		if out := &r.dates.out[i]; out.line > 0 {
			parts = append(parts, fmt.Sprintf("%s in line %d is not %s", shorten(out.text), out.line, orderNames[order(1)<<i]))
		}
	}
	return strings.Join(parts, ", ")
}

// orderIn gives the order of a row's date when the column's is o, 0 when the date
// is none in it.
func (one *row) orderIn(o order) order {
	if one.plain {
		return one.orders
	}
	return one.orders & o
}

// dropDates tells the rows whose date is none in the order that counts.
func (r *reader) dropDates() {
	for i := range r.rows {
		one := &r.rows[i]
		if one.orders != 0 && one.orderIn(r.order) == 0 {
			r.rowMistake(one, r.file.How.Time.Number, "time", fmt.Sprintf("the date is none when read %s", orderNames[r.order]), "correct the date, or answer another date order")
			one.orders, one.kind = 0, isBad
		}
	}
}

// span gives the least and greatest wall time of the file in order o, and how
// many rows have none.
func (r *reader) span(o order) (first, last int64, without int) {
	first, last = math.MaxInt64, math.MinInt64
	for i := range r.rows {
		one := &r.rows[i]
		in := one.orderIn(o)
		switch {
		case one.orders == 0:
			continue
		case in == 0:
			without++
			continue
		}
		w := wall(one.parts, in, one.ms)
		first, last = min(first, w), max(last, w)
	}
	return first, last, without
}

// consequence fills what would follow of an order and a zone; either may be
// unknown: order 0, zone nil. Offsets in the rows are left aside: the choice is
// told to the person to the day.
func (r *reader) consequence(c *Choice, o order, loc *time.Location) {
	if o == 0 {
		return
	}
	first, last, _ := r.span(o)
	if first > last {
		return
	}
	c.FirstLocal, c.LastLocal = wallText(first), wallText(last)
	if loc == nil {
		return
	}
	z := zoneOf{loc: loc}
	at := func(w int64) event.Instant {
		n, a, _ := z.instants(w)
		if n == 0 {
			return 0
		}
		return r.corrected(event.Instant(a))
	}
	c.First, c.Last = at(first), at(last)
	if w := r.a.Window; w.known() && c.First != 0 && c.Last != 0 && (c.Last < w.From || c.First > w.To) {
		c.Outside = true
		c.Text += fmt.Sprintf("; all readings would lie outside %s to %s, the scans of the carrier", w.From, w.To)
	}
}

func (r *reader) askOrder() {
	q := Question{Field: FieldDateOrder, Text: "In which order do day, month and year stand in the dates?", Why: r.file.How.DateOrder.Why}
	r.file.How.DateOrder = Decision{}
	open := r.dates.open
	if open&(open-1) == 0 { // none or one: what contradicts it must be on offer
		for i := range r.rows {
			if !r.rows[i].plain {
				open |= r.rows[i].orders
			}
		}
		for _, s := range []string{r.mapped.DateOrder, r.a.Record.DateOrder} {
			open |= orderOf(s)
		}
	}
	for _, o := range []order{dayFirst, monthFirst, yearFirst} {
		if open&o == 0 {
			continue
		}
		first, last, without := r.span(o)
		c := Choice{Value: orderNames[o], Implausible: 2*without > len(r.rows)}
		if first > last {
			c.Text = orderNames[o] + ": no date can be read"
		} else {
			c.Text = fmt.Sprintf("%s: the readings run from %s to %s", orderNames[o], wallText(first), wallText(last))
		}
		if without > 0 {
			c.Text += fmt.Sprintf("; %d rows could not be read", without)
		}
		r.consequence(&c, o, r.loc)
		q.Choices = append(q.Choices, c)
	}
	q.Samples = r.dates.samples
	r.ask(q)
}
