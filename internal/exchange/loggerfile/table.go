package loggerfile

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
)

// lines walks over the lines of a text. Lines end in CR LF, LF or, when the text
// has no LF, CR. Fields and lines are parts of the text: nothing is copied.
type lines struct {
	text string
	end  byte
	at   int // where the next line begins
	line int // number of the line given last, from 1
}

func newLines(text string) lines {
	l := lines{text: text, end: '\n'}
	if strings.IndexByte(text, '\n') < 0 {
		l.end = '\r'
	}
	return l
}

func (l *lines) next() (string, bool) {
	if l.at >= len(l.text) {
		return "", false
	}
	l.line++
	rest := l.text[l.at:]
	if i := strings.IndexByte(rest, l.end); i >= 0 {
		rest = rest[:i]
		l.at += i + 1
	} else {
		l.at = len(l.text)
	}
	return strings.TrimSuffix(rest, "\r"), true
}

// mostJoined is how many lines a quoted field may go on: a name of a column may
// have a line break, but a forgotten quote must not swallow the file.
const mostJoined = 8

// record gives the fields of the next line, and of those after it when a quoted
// field goes on there (RFC 4180, section 2, rule 6). broken is a quote that is
// not closed or has text behind it: then the fields are those of the line alone.
//
// encoding/csv would read to the end of the file for the closing quote, and lose
// all rows between.
func (l *lines) record(dst []string, delim byte) (fields []string, line int, broken, ok bool) {
	start := l.at
	text, ok := l.next()
	if !ok {
		return nil, 0, false, false
	}
	line = l.line
	fields, state := split(dst[:0], text, delim)
	if state == whole {
		return fields, line, false, true
	}
	after := *l
	for range mostJoined {
		if state != open {
			break
		}
		added, more := after.next()
		if !more || after.at-start > MaxLine {
			break
		}
		if alone, _ := split(nil, added, delim); newLine(0, 0, alone).score > 0 {
			break // a row of its own
		}
		joined := strings.TrimRight(l.text[start:after.at], "\r\n")
		if fields, state = split(fields[:0], joined, delim); state == whole {
			*l = after
			return fields, line, false, true
		}
	}
	fields, _ = split(fields[:0], text, delim)
	return fields, line, true, true
}

// state is how a line's quotes end.
type state uint8

const (
	whole  state = iota
	open         // a quoted field is not closed
	broken       // something stands behind a closing quote
)

// split gives the fields of a line, without blanks around them and without
// quotes.
func split(dst []string, text string, delim byte) ([]string, state) {
	as := whole
	for {
		begin := strings.TrimLeft(text, " ")
		if !strings.HasPrefix(begin, `"`) {
			i := strings.IndexByte(text, delim)
			if i < 0 {
				return append(dst, strings.TrimSpace(text)), as
			}
			dst, text = append(dst, strings.TrimSpace(text[:i])), text[i+1:]
			continue
		}
		body, doubled, closed := begin[1:], false, -1
		for i := 0; i < len(body); i++ {
			if body[i] != '"' {
				continue
			}
			if i+1 < len(body) && body[i+1] == '"' {
				doubled = true
				i++
				continue
			}
			closed = i
			break
		}
		if closed < 0 {
			return append(dst, strings.TrimSpace(body)), max(as, open)
		}
		field, rest := body[:closed], strings.TrimLeft(body[closed+1:], " ")
		if doubled {
			field = strings.ReplaceAll(field, `""`, `"`)
		}
		dst = append(dst, strings.TrimSpace(field))
		if rest == "" {
			return dst, as
		}
		if rest[0] == delim {
			text = rest[1:]
			continue
		}
		as = broken
		i := strings.IndexByte(rest, delim)
		if i < 0 {
			dst[len(dst)-1] += rest
			return dst, as
		}
		dst[len(dst)-1] += rest[:i]
		text = rest[i+1:]
	}
}

// checkLines refuses what is beyond the bounds, and reads the first line of
// spreadsheets, "sep=;".
func (r *reader) checkLines() bool {
	l := newLines(r.text)
	rows := 0
	for {
		line, ok := l.next()
		if !ok {
			break
		}
		if len(line) > MaxLine {
			r.file.Refused = true
			r.mistake(Mistake{Line: l.line, Field: "row", Problem: fmt.Sprintf("the line has %d bytes and at most %d are read", len(line), MaxLine),
				Remedy: "this is no export of a logger; export it again as CSV"})
			return false
		}
		if strings.TrimSpace(line) != "" {
			rows++
		}
	}
	if rows > MaxRows {
		r.refuse("file", fmt.Sprintf("it has %d rows and at most %d are read", rows, MaxRows), "export a shorter stretch of time, or cut the file into several")
		return false
	}
	r.filled = rows
	if rows == 0 {
		r.refuse("file", "it has no line with text", "export it again")
		return false
	}
	return true
}

// looks is what a field looks like.
type looks uint8

const (
	looksText looks = iota
	looksEmpty
	looksBoth // a date and a time of day
	looksDate
	looksClock
	looksNumber
	looksWord // for no reading
)

func look(text string) looks {
	if text == "" {
		return looksEmpty
	}
	if s, ok := readStamp(text); ok {
		switch {
		case s.date && s.clock:
			return looksBoth
		case s.date:
			return looksDate
		default:
			return looksClock
		}
	}
	if _, ok := readNumber(text); ok {
		return looksNumber
	}
	if isNoReading(text) {
		return looksWord
	}
	return looksText
}

// withValue is the weight of a line with a time and a value: lines with a time
// alone, as a preamble has, must never outweigh it.
const withValue = 1000

// line is one record of the part of the file that is looked at for its shape.
type line struct {
	number, at int // at: where it begins in the text
	fields     []string
	looks      []looks
	broken     bool   // a quote is
	timed      string // columns with the time, empty for none
	score      int    // withValue a time and a value, 1 a time and something else
}

func newLine(number, at int, fields []string) line {
	l := line{number: number, at: at, fields: fields, looks: make([]looks, len(fields))}
	both, date, clock, value := -1, -1, -1, false
	for i, f := range fields {
		l.looks[i] = look(f)
		switch l.looks[i] {
		case looksBoth:
			if both < 0 {
				both = i
			}
		case looksDate:
			if date < 0 {
				date = i
			}
		case looksClock:
			if clock < 0 {
				clock = i
			}
		case looksNumber, looksWord:
			value = true
		}
	}
	switch {
	case both >= 0:
		l.timed = fmt.Sprint(both)
	case date >= 0 && clock >= 0:
		l.timed = fmt.Sprint(date, "+", clock)
	default:
		return l
	}
	switch {
	case value:
		l.score = withValue
	case len(fields) > 1:
		l.score = 1
	}
	return l
}

// table is where the rows of the file begin, and what its columns are called.
type table struct {
	delim    byte
	score    int // how much of the sample is a time and a value
	from     int // where the first row begins in the text
	line     int // its number, less one
	first    int // line of the header, 0 for none
	preamble []line
	header   []line
	names    []string
	rows     []line // of the sample
	early    []int  // lines before the header that look like rows
	columns  int
}

// sample gives the table as the delimiter would have it; score 0 for none.
func (r *reader) sample(delim byte) table {
	t := table{delim: delim}
	l := newLines(r.text)
	var all []line
	for len(all) < sampleLines && l.at < sampleBytes {
		at := l.at
		fields, number, broken, ok := l.record(nil, delim)
		if !ok {
			break
		}
		if len(fields) > maxColumns {
			return t
		}
		one := newLine(number, at, fields)
		one.broken = broken
		all = append(all, one)
	}
	timed, counts := "", map[string]int{}
	for i := range all {
		if one := &all[i]; one.score > 0 {
			t.score += one.score
			counts[one.timed] += one.score
			if counts[one.timed] > counts[timed] {
				timed = one.timed
			}
		}
	}
	if t.score == 0 {
		return t
	}
	// Below a header every line with more than words is a row, also one that
	// can't be read: it must not get lost as a line of the header. Above it lines
	// of a preamble may have times; without a header the first row with a value
	// counts, and what stands straight above it in as many columns.
	isRow := func(l line) bool { return l.timed == timed && l.score > 0 }
	hasValue := func(l line) bool { return isRow(l) && l.score == withValue }
	header, first, best := -1, slices.IndexFunc(all, hasValue), 0
	if first < 0 {
		first = slices.IndexFunc(all, isRow)
	}
	for i := range all {
		if header >= 0 && i > first {
			break
		}
		rank := all[i].header()
		if rank == 0 || rank < best || rank == best && rank >= sureHeader {
			continue
		}
		j := i + 1 + slices.IndexFunc(all[i+1:], func(l line) bool { return !l.goesOn(&all[i], timed) })
		if j > i && j < i+4 && slices.ContainsFunc(all[j:min(j+20, len(all))], isRow) {
			header, first, best = i, j, rank
		}
	}
	if header < 0 {
		columns := len(all[first].fields)
		for first > 0 && len(all[first-1].fields) == columns && columns > 1 && !all[first-1].wordsOnly() {
			first--
		}
		header = first
		for header > 0 && first-header < 3 && all[header-1].named(columns) {
			header--
		}
	}
	t.preamble, t.header, t.from, t.line = all[:header], all[header:first], all[first].at, all[first].number-1
	if header < first {
		t.first = all[header].number
	}
	for _, one := range all[first:] {
		if isRow(one) {
			t.rows = append(t.rows, one)
		}
	}
	for _, one := range t.preamble {
		if hasValue(one) {
			t.early = append(t.early, one.number)
		}
	}
	t.name()
	return t
}

// sureHeader is the rank of a header that names a temperature.
const sureHeader = maxColumns + 1

// header ranks a line with the name of a time and of something else: by its
// names, and before all others one that names a temperature. 0 is no header.
func (l *line) header() int {
	timed, others, sure := false, 0, false
	for i, f := range l.fields {
		switch {
		case l.looks[i] == looksEmpty:
		case l.looks[i] != looksText:
			return 0
		case !timed && hasWord(f, timeWords):
			timed = true
		default:
			others++
			sure = sure || hasWord(f, temperatureWords)
		}
	}
	switch {
	case !timed || others == 0:
		return 0
	case sure:
		return sureHeader + others
	default:
		return others
	}
}

// wordsOnly tells a line without numbers and times.
func (l *line) wordsOnly() bool {
	return !slices.ContainsFunc(l.looks, func(k looks) bool { return k != looksText && k != looksEmpty })
}

// goesOn tells a line that belongs to the header above it: a blank one, or one in
// as many columns that names a unit or has nothing in the column of the time. Any
// other is a row that can't be read, and must be told.
func (l *line) goesOn(header *line, timed string) bool {
	if l.broken || !l.wordsOnly() {
		return false
	}
	at, _ := readDigits(timed, 4)
	blank, unit := true, false
	for _, f := range l.fields {
		u, _ := unitIn(f)
		blank, unit = blank && f == "", unit || u != noUnit
	}
	return blank || len(l.fields) == len(header.fields) && at < len(l.fields) && (unit || l.fields[at] == "")
}

// named tells a line that has as many fields as a row, and only words in them.
func (l *line) named(columns int) bool {
	texts := 0
	for _, k := range l.looks {
		if k == looksText {
			texts++
		}
	}
	return len(l.fields) == columns && texts > 1 && l.wordsOnly()
}

// name joins the lines of the header to one name a column.
func (t *table) name() {
	for _, h := range t.header {
		t.columns = max(t.columns, len(h.fields))
	}
	if len(t.header) == 0 {
		counts := map[int]int{}
		for i := range t.rows {
			n := len(t.rows[i].fields)
			if counts[n]++; counts[n] > counts[t.columns] {
				t.columns = n
			}
		}
	}
	t.names = make([]string, t.columns)
	for _, h := range t.header {
		for i, f := range h.fields {
			t.names[i] = strings.TrimSpace(t.names[i] + " " + strings.Join(strings.Fields(f), " "))
		}
	}
}

// shape is the hash of what makes two files alike: delimiter, names and number of
// columns, and without a header what the columns of the first row look like.
func (t *table) shape() string {
	text := fmt.Sprintf("%q %d %q", t.delim, t.columns, t.names)
	if len(t.header) == 0 && len(t.rows) > 0 {
		text += " " + t.rows[0].timed
	}
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// Words in the names of columns, lower case: English and its neighbours. Common
// practice, no source.
var (
	timeWords = []string{"time", "date", "datum", "zeit", "uhr", "heure", "fecha", "hora", "tijd", "tidspunkt", "klokke",
		"=data", "=tid", "=dato", "=ora", "=czas", "=aika"}
	temperatureWords = []string{"temp", "lämpö", "celsius", "fahrenheit", "kelvin"}
	// Columns of numbers that are no temperature, also when nothing else is left.
	otherWords = []string{"humid", "feucht", "hygro", "%", "=rh", "=no", "=nr", "=id", "#", "index", "record", "batter", "volt", "=lux",
		"light", "press", "hpa", "dew", "taupunkt", "rosée", "count", "=lfd", "serial", "=alarm", "=event", "=lat", "=lon", "latitude", "longitude"}
)

// hasWord tells whether a name holds one of the words; one with "=" before it
// must stand alone.
func hasWord(name string, words []string) bool {
	name = strings.ToLower(name)
	for _, w := range words {
		alone, ok := strings.CutPrefix(w, "=")
		if !ok {
			if strings.Contains(name, w) {
				return true
			}
			continue
		}
		if slices.Contains(strings.FieldsFunc(name, func(c rune) bool { return c < 'a' || c > 'z' }), alone) {
			return true
		}
	}
	return false
}

var delimiters = []byte{';', '\t', ',', '|'}

var delimiterNames = map[string]string{";": "semicolon", "\t": "tab", ",": "comma", "|": "bar"}

// findTable decides the delimiter and where the table is.
func (r *reader) findTable() bool {
	how := &r.file.How
	if m := r.a.Remembered; m != nil {
		same := false
		if m.Delimiter != "" && (r.a.Person.Delimiter == "" || r.a.Person.Delimiter == m.Delimiter) {
			t := r.sample(m.Delimiter[0])
			same = t.score > 0 && t.shape() == m.Shape
		}
		if same {
			r.mapped = m.said()
			how.Remembered = "used: the file has the shape that was remembered"
		} else {
			how.Remembered = "not used: the columns of this file are not those that were remembered"
			r.note("The remembered decisions were not used: the columns of this file are not those of the earlier one.")
		}
	}
	var tables []table
	for _, d := range delimiters {
		if t := r.sample(d); t.score > 0 {
			tables = append(tables, t)
		}
	}
	slices.SortStableFunc(tables, func(a, b table) int { return b.score - a.score })
	var found Decision
	if hint, ok := r.hint(); ok {
		found = Decision{Value: hint, By: Found, Why: "line 1 says sep="}
	} else if len(tables) == 1 || len(tables) > 1 && tables[0].score > tables[1].score {
		t := &tables[0]
		found = Decision{Value: string(t.delim), By: Found,
			Why: fmt.Sprintf("it alone gives a time and a value in most lines, the first in line %d", t.line+1)}
	}
	d, clash := choose(r.a.Person.Delimiter, r.mapped.Delimiter, found, false, r.a.Record.Delimiter)
	if clash || d.Value == "" {
		return r.askDelimiter(tables)
	}
	how.Delimiter = d
	r.table = r.sample(d.Value[0])
	t := &r.table
	if t.score == 0 {
		r.noTable(delimiterNames[d.Value])
		return false
	}
	if t.line >= mostPreamble+mostJoined {
		r.refuse("file", fmt.Sprintf("the first row with a time and a value is line %d; at most %d lines may stand before it", t.line+1, mostPreamble), "remove what stands before the header")
		return false
	}
	how.Preamble, how.HeaderLine, how.Shape = t.line, t.first, t.shape()
	for _, n := range t.early {
		r.mistake(Mistake{Line: n, Field: "row", Problem: fmt.Sprintf("it stands before the header in line %d and is not read", t.first),
			Remedy: "if it is a reading, put it below the header"})
	}
	if t.first > 0 {
		how.Preamble, how.HeaderLines, how.Headers = t.first-1, t.line+1-t.first, t.names
	}
	return true
}

func (r *reader) hint() (string, bool) {
	l := newLines(r.text)
	first, _ := l.next()
	d, ok := strings.CutPrefix(strings.ToLower(strings.Trim(first, ` "`)), "sep=")
	return d, ok && delimiterNames[d] != ""
}

func (r *reader) askDelimiter(tables []table) bool {
	if len(tables) == 0 {
		r.noTable("comma, semicolon, tab or bar")
		return false
	}
	q := Question{Field: FieldDelimiter, Text: "Which character stands between the columns?"}
	for i := range tables {
		t := &tables[i]
		row := &t.rows[0]
		q.Choices = append(q.Choices, Choice{Value: string(t.delim), Text: fmt.Sprintf("%s: line %d is %d columns, %s",
			delimiterNames[string(t.delim)], row.number, len(row.fields), shorten(strings.Join(row.fields, " · ")))})
		q.Samples = append(q.Samples, Sample{Line: row.number, Text: shorten(strings.Join(row.fields, string(t.delim)))})
	}
	r.ask(q)
	return false
}

func (r *reader) noTable(delimiter string) {
	first, l := "", newLines(r.text)
	for {
		text, ok := l.next()
		if !ok || strings.TrimSpace(text) != "" {
			first = strings.TrimSpace(text)
			break
		}
	}
	r.refuse("file", fmt.Sprintf("no line has a time and a value with a %s between; line %d is %q", delimiter, l.line, shorten(first)), timeForms+", a delimiter and a temperature")
}
