package loggerfile

import (
	"fmt"
	"slices"
	"strings"
)

// column tells what the fields of a column of the sample look like.
type column struct {
	counts [looksWord + 1]int
	filled int
	sample string // its first field with text
	line   int
}

func (t *table) stats() []column {
	cols := make([]column, t.columns)
	for i := range t.rows {
		row := &t.rows[i]
		for j, k := range row.looks[:min(len(row.looks), t.columns)] {
			c := &cols[j]
			c.counts[k]++
			if k != looksEmpty {
				if c.filled++; c.filled == 1 {
					c.sample, c.line = row.fields[j], row.number
				}
			}
		}
	}
	return cols
}

// mostly tells whether half of the filled fields or more look like one of kinds.
func (c *column) mostly(kinds ...looks) bool {
	n := 0
	for _, k := range kinds {
		n += c.counts[k]
	}
	return n > 0 && 2*n >= c.filled
}

func (s *Said) timeText() string {
	switch {
	case s.TimeColumn == 0:
		return ""
	case s.ClockColumn == 0:
		return fmt.Sprint(s.TimeColumn)
	default:
		return fmt.Sprint(s.TimeColumn, "+", s.ClockColumn)
	}
}

func (s *Said) temperatureText() string {
	if s.TemperatureColumn == 0 {
		return ""
	}
	return fmt.Sprint(s.TemperatureColumn)
}

// chooseColumns decides which columns are the time and the temperature. It is
// false when nothing more can be read.
func (r *reader) chooseColumns() bool {
	cols := r.table.stats()
	choices, found := r.timeChoices(cols)
	d, clash := choose(r.a.Person.timeText(), r.mapped.timeText(), found, true, r.a.Record.timeText())
	switch {
	case !clash && d.Value != "":
	case len(choices) == 0:
		r.refuse("file", "no column has times of readings in most of its rows", "export a date and a time of day with each temperature, or name the column as timeColumn")
		return false
	default:
		q := Question{Field: FieldTime, Text: "Which column is the time of the readings?", Choices: choices}
		for _, c := range choices {
			one, _, _ := cutColumns(c.Value)
			q.Samples = append(q.Samples, Sample{Line: cols[one-1].line, Text: shorten(cols[one-1].sample)})
		}
		r.ask(q)
		return false
	}
	one, two, _ := cutColumns(d.Value)
	how := &r.file.How
	if how.Time = r.column(one, d); two > 0 {
		how.Clock = r.column(two, d)
	}
	if !r.within(one, "timeColumn") || !r.within(two, "clockColumn") {
		return false
	}

	numbers, found := r.temperatureChoices(cols)
	d, clash = choose(r.a.Person.temperatureText(), r.mapped.temperatureText(), found, true, r.a.Record.temperatureText())
	switch {
	case !clash && d.Value != "":
		n, _ := readDigits(d.Value, 4)
		how.Temperature = r.column(n, d)
		if n == one || n == two {
			r.refuse("temperatureColumn", fmt.Sprintf("column %d is that of the time", n), "give the column of the temperature")
			return false
		}
		return r.within(n, "temperatureColumn")
	case len(numbers) == 0:
		r.refuse("file", "no column has numbers beside that of the time", "export the temperature too")
		return false
	}
	q := Question{Field: FieldTemperature, Text: "Which column is the temperature?"}
	for _, i := range numbers {
		c := &cols[i]
		q.Choices = append(q.Choices, Choice{Value: fmt.Sprint(i + 1), Text: fmt.Sprintf("%s, first value %s", r.nameOf(i+1), shorten(c.sample))})
		q.Samples = append(q.Samples, Sample{Line: c.line, Text: shorten(c.sample)})
	}
	r.ask(q)
	return true
}

func (r *reader) column(n int, d Decision) Column {
	c := Column{Number: n, By: d.By, Why: d.Why}
	if n >= 1 && n <= len(r.table.names) {
		c.Name = r.table.names[n-1]
	}
	return c
}

func (r *reader) nameOf(n int) string {
	if name := r.table.names[n-1]; name != "" {
		return fmt.Sprintf("column %d, %q", n, shorten(name))
	}
	return fmt.Sprintf("column %d", n)
}

func (r *reader) within(n int, field string) bool {
	if n <= r.table.columns {
		return true
	}
	r.refuse(field, fmt.Sprintf("there is no column %d: the table has %d", n, r.table.columns), "give the number of a column, counted from 1")
	return false
}

// mostChoices bounds the pairs of columns that are offered.
const mostChoices = 12

func (r *reader) timeChoices(cols []column) (choices []Choice, found Decision) {
	var both, date, clock []int
	for i := range cols {
		switch c := &cols[i]; {
		case c.mostly(looksBoth):
			both = append(both, i)
		case c.mostly(looksDate):
			date = append(date, i)
		case c.mostly(looksClock):
			clock = append(clock, i)
		}
	}
	for _, i := range both {
		choices = append(choices, Choice{Value: fmt.Sprint(i + 1), Text: fmt.Sprintf("%s, first value %s", r.nameOf(i+1), shorten(cols[i].sample))})
	}
	for _, i := range date {
		for _, j := range clock {
			choices = append(choices, Choice{Value: fmt.Sprint(i+1, "+", j+1), Text: fmt.Sprintf("%s with %s, first value %s %s",
				r.nameOf(i+1), r.nameOf(j+1), shorten(cols[i].sample), shorten(cols[j].sample))})
		}
	}
	if len(choices) == 1 {
		found = Decision{Value: choices[0].Value, By: Found, Why: "no other column has dates and times of day"}
		if len(both) == 0 {
			found.Why = "no other two columns have dates and times of day"
		}
	}
	return choices[:min(len(choices), mostChoices)], found
}

// temperatureChoices gives the columns of numbers, and the one that is the
// temperature if the names say so or no other is left.
func (r *reader) temperatureChoices(cols []column) (numbers []int, found Decision) {
	how := &r.file.How
	var named, unitNamed, left []int
	for i := range cols {
		if i+1 == how.Time.Number || i+1 == how.Clock.Number || !cols[i].mostly(looksNumber, looksWord) {
			continue
		}
		numbers = append(numbers, i)
		name := r.table.names[i]
		if hasWord(name, otherWords) {
			continue
		}
		left = append(left, i)
		if hasWord(name, temperatureWords) {
			named = append(named, i)
		} else if u, lone := unitIn(name); u != noUnit && !lone {
			unitNamed = append(unitNamed, i)
		}
	}
	if len(numbers) == 0 { // a sensor that failed from the start: the name still tells
		for i, name := range r.table.names {
			if i+1 != how.Time.Number && i+1 != how.Clock.Number && hasWord(name, temperatureWords) && !hasWord(name, otherWords) {
				named = append(named, i)
			}
		}
		numbers = named
	}
	one := func(from []int, why string) Decision {
		return Decision{Value: fmt.Sprint(from[0] + 1), By: Found, Why: why}
	}
	switch {
	case len(named) == 1 && len(unitNamed) == 0:
		return numbers, one(named, fmt.Sprintf("its name is %q", shorten(r.table.names[named[0]])))
	case len(named) > 0:
		return append(named, unitNamed...), Decision{}
	case len(unitNamed) == 1:
		return numbers, one(unitNamed, fmt.Sprintf("its name %q has a unit of temperature", shorten(r.table.names[unitNamed[0]])))
	case len(left) == 1 && len(unitNamed) == 0:
		return numbers, one(left, "no other column of numbers is left")
	}
	return numbers, Decision{}
}

// row is one row of the table as written, before its instant is known.
type row struct {
	raw string // the value
	number
	line   int32
	ms     int32 // since midnight
	parts  [3]int16
	offset int16
	orders order // 0: the row has no time
	kind   kind
	zoned  bool
	plain  bool
}

// decimal counts the decimal marks of the values.
type decimal struct{ points, commas, pointLine, commaLine int }

// units are the units behind values: how many, and the first line.
type units [kelvin + 1]struct{ n, line int }

func (r *reader) scan() bool {
	how, t := &r.file.How, &r.table
	codes := newFaults(slices.Concat(r.a.Person.Faults, r.mapped.Faults, r.a.Record.Faults))
	l := newLines(r.text)
	l.at, l.line = t.from, t.line
	r.rows = make([]row, 0, r.filled)
	var fields []string
	timed := 0
	for {
		before := l
		got, number, broken, ok := l.record(fields, t.delim)
		if !ok {
			break
		}
		if l.line > number && !r.hasTime(got) {
			// What a quote joined is no row: only its first line is lost.
			l, broken = before, true
			text, _ := l.next()
			got, _ = split(got[:0], text, t.delim)
		}
		fields = got
		if !broken && !slices.ContainsFunc(got, func(f string) bool { return f != "" }) {
			how.Blank++
			continue
		}
		if !broken && slices.ContainsFunc(t.header, func(h line) bool { return slices.Equal(h.fields, got) }) {
			how.HeaderAgain++
			continue
		}
		one := row{line: int32(number)} //nolint:gosec // at most 16 Mi lines
		r.readTime(&one, got, broken)
		if one.orders != 0 {
			timed++
		}
		r.readValue(&one, got, broken, &codes)
		r.rows = append(r.rows, one)
		if len(how.Preview) < mostSamples && one.orders != 0 {
			text := got[how.Time.Number-1]
			if how.Clock.Number > 0 {
				text += " " + got[how.Clock.Number-1]
			}
			how.Preview = append(how.Preview, PreviewRow{Line: number, Time: shorten(text), Value: shorten(one.raw)})
		}
	}
	how.Rows = len(r.rows)
	if timed == 0 {
		r.refuse("time", "no row has a date and a time of day that can be read", timeForms)
		return false
	}
	return true
}

const (
	quoteProblem = "a quote is not closed or has text behind it"
	quoteRemedy  = "close the quote, or remove it"
)

func (r *reader) rowMistake(one *row, column int, field, problem, remedy string) {
	r.mistake(Mistake{Line: int(one.line), Column: column, Field: field, Problem: problem, Remedy: remedy})
}

// hasTime tells whether the fields of a row have a date where it should be.
func (r *reader) hasTime(fields []string) bool {
	n := r.file.How.Time.Number
	if n > len(fields) {
		return false
	}
	s, ok := readStamp(fields[n-1])
	return ok && s.date
}

func (r *reader) readTime(one *row, fields []string, broken bool) {
	date, clock := r.file.How.Time.Number, r.file.How.Clock.Number
	if broken && !r.hasTime(fields) {
		r.rowMistake(one, 0, "row", quoteProblem, quoteRemedy)
		return
	}
	if date > len(fields) || clock > len(fields) {
		r.rowMistake(one, 0, "row", fmt.Sprintf("it has %d columns and the time is in column %d", len(fields), max(date, clock)), "complete the row or remove it")
		return
	}
	text := fields[date-1]
	s, ok := readStamp(text)
	if clock > 0 {
		c, good := readStamp(fields[clock-1])
		ok = ok && good && s.date && !s.clock && c.clock && !c.date
		s.clock, s.ms, s.zoned, s.offset = c.clock, c.ms, c.zoned, c.offset
		text += " " + fields[clock-1]
	}
	switch {
	case strings.TrimSpace(text) == "":
		r.rowMistake(one, date, "time", "it is empty", "give the time of the reading")
	case !ok:
		r.rowMistake(one, date, "time", fmt.Sprintf("%q is no time that can be read", shorten(text)), timeForms)
	case !s.date || !s.clock:
		r.rowMistake(one, date, "time", fmt.Sprintf("%q lacks the date or the time of day", shorten(text)), timeForms)
	case s.orders == 0:
		r.rowMistake(one, date, "time", fmt.Sprintf("%q is no date of the calendar from %d to %d", shorten(text), firstYear, lastYear), "correct the date")
	default:
		one.parts, one.orders, one.plain = s.parts, s.orders, s.plain
		one.ms, one.zoned, one.offset = s.ms, s.zoned, s.offset
		if !s.plain {
			r.dates.add(&s, int(one.line), text)
		}
	}
}

func (r *reader) readValue(one *row, fields []string, broken bool, codes *faults) {
	n := r.file.How.Temperature.Number
	bad := func(field, problem, remedy string) {
		one.kind = isBad
		if one.orders != 0 { // a row is told once
			r.rowMistake(one, n, field, problem, remedy)
		}
	}
	if n >= 1 && n <= len(fields) {
		one.raw = fields[n-1]
	}
	extra := len(fields) > r.table.columns && slices.ContainsFunc(fields[r.table.columns:], func(f string) bool { return f != "" })
	switch {
	case broken:
		bad("row", quoteProblem, quoteRemedy)
	case extra:
		bad("row", fmt.Sprintf("it has %d columns and the table has %d", len(fields), r.table.columns),
			"if a decimal comma stands between commas, export with semicolons or with a decimal point")
	case n == 0:
		return
	case n > len(fields):
		bad("row", fmt.Sprintf("it has %d columns and the temperature is in column %d", len(fields), n), "complete the row; a missing value is written as an empty column")
	case one.raw == "":
		one.kind = isEmpty
	case codes.word(one.raw):
		one.kind = isFault
	default:
		value, ok := readNumber(one.raw)
		if !ok && isNoReading(one.raw) {
			one.kind = isFault
			return
		}
		if !ok {
			bad("temperature", fmt.Sprintf("%q is no temperature", shorten(one.raw)), "write a number such as 4.6, or name the value as a fault code of the logger")
			return
		}
		one.number = value
		switch d := &r.decimal; value.mark {
		case '.':
			if d.points++; d.points == 1 {
				d.pointLine = int(one.line)
			}
		case ',':
			if d.commas++; d.commas == 1 {
				d.commaLine = int(one.line)
			}
		}
		if u := &r.units[value.unit]; u.n == 0 {
			u.n, u.line = 1, int(one.line)
		} else {
			u.n++
		}
		if codes.number(value) {
			one.kind = isFault
		}
	}
}
