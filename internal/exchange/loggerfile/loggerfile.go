// Package loggerfile decides what the bytes of a temperature logger's export
// say: which readings, and how that was understood. It never guesses in silence:
// each decision carries its reason, what can't be decided is a question, and
// while a question is open the file gives no readings that count.
//
// It reads text with commas, semicolons, tabs or bars between columns, in UTF-8,
// UTF-16 or Windows-1252, with a preamble or without. Times are a date and a time
// of day, in one column or in two; numbers since an epoch are not read.
package loggerfile

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"specimen.example/custody/internal/event"
)

// Bounds of what is read. A file beyond one of them is refused whole.
const (
	MaxBytes = 16 << 20 // of the file as uploaded
	MaxLine  = 64 << 10 // bytes of a line, as UTF-8
	MaxRows  = 2_000_000
)

// Bounds of what is told; the counts beside them are exact.
const (
	mostMistakes = 500
	mostGaps     = 500
	mostSamples  = 5
	mostPreamble = 200 // lines before the first row of the table
	// Lines and bytes looked at to find the shape of the table.
	sampleLines = 400
	sampleBytes = 1 << 20
)

// File is what a logger's export says.
type File struct {
	// Hash is SHA-256 of the bytes in lower-case hexadecimal: a file that comes
	// again has the same.
	Hash string
	// Refused says that nothing of the file can be used; Mistakes say why.
	Refused bool
	How     Understanding
	// Questions must be answered before the file counts. They are independent
	// of each other: all can be answered at once, but answers may lead to more.
	Questions []Question
	// Mistakes are rows that can't be read, in order of lines: at most 500, and
	// one that counts the rest.
	Mistakes []Mistake
	// Readings are in order of time, without repeats, and empty while there is a
	// question. A reading that is not OK is a fault, an empty value, a value that
	// can't be read, or stands 1 ms behind the row before a row whose time can't
	// be read, so that no line is drawn across that row. Raw is a part of the
	// file's text: who keeps readings long clones it.
	Readings []event.Reading
	// Mapping are the decisions to remember for the logger; the zero value while
	// there is a question.
	Mapping Mapping
}

// Understanding is how a file was understood, to be shown before it counts.
// Counts of faults, gaps and extremes are those of the readings: they stand at
// zero while a question is open.
type Understanding struct {
	Encoding, Delimiter, Decimal, DateOrder, Unit, Zone Decision
	// Clock is the second column of a date and a time of day in two columns;
	// Number 0 when one column has both.
	Time, Clock, Temperature Column
	// Doubled says how local times were told apart that clocks showed twice.
	Doubled Decision
	Drift   Drift
	// Remembered says what became of the remembered mapping, empty without one.
	Remembered string

	Preamble    int      // lines before the header, blank ones included
	HeaderLine  int      // first line of the header, 0 for none
	HeaderLines int      // lines of the header
	Headers     []string // name of each column, the lines of the header joined by a blank
	Shape       string   // hash of the header; a mapping holds for one shape

	Rows        int // rows below the header that are neither blank nor the header again
	Values      int // rows that gave a temperature
	Faults      int // rows with a fault code or a word for "no reading"
	Empty       int // rows with a time and no value
	Unreadable  int // rows with a mistake
	Breaks      int // readings without value that stand for rows without a time
	Duplicates  int // rows that repeat instant and value of another
	Conflicting int // rows with another value for an instant; all are kept
	OutOfOrder  int // rows that run against the order of the file
	Blank       int // blank lines below the header
	HeaderAgain int // lines below the header that repeat it
	DoubledRows int // rows with a local time that clocks showed twice
	NewestFirst bool

	FoundEveryMs int64 // median step between neighbouring instants of the logger's clock, 0 for none
	EveryMs      int64 // interval that counts: as told, else as found
	Gaps         []Gap // at most 500
	GapCount     int
	First, Last  Moment
	Lowest       Extreme
	Highest      Extreme
	FaultSummary string // "2 of 5 were faults", empty for none
	Preview      []PreviewRow
	Notes        []string // what a person should see beside the decisions
}

// Source says where a decision comes from.
type Source string

// The sources of a decision, the strongest first.
const (
	Asked      Source = "asked"      // a person said so for this file
	Remembered Source = "remembered" // from an earlier file of the same shape
	Found      Source = "found"      // the file itself says so
	Record     Source = "record"     // told by the logger's record
)

// Decision is one thing that was decided, and why. An empty Value is a thing not
// decided (yet).
type Decision struct {
	Value string
	By    Source
	Why   string // for example "decided by 23 in line 7"
}

// Column is a column of the table, counted from 1; Number 0 is none.
type Column struct {
	Number int
	Name   string // as in the header, empty without one
	By     Source
	Why    string
}

// Moment is an instant, and what the clocks of the file's zone showed.
type Moment struct {
	At    event.Instant
	Local string // "2026-11-24 09:00:00 +01:00"
}

// Extreme is the lowest or highest temperature and its first instant. Known is
// false when no row had a value.
type Extreme struct {
	C     event.CentiC
	At    event.Instant
	Known bool
}

// Gap is a stretch without any row that is longer than twice the interval, or
// than 60 min: the rule by which no line is drawn across it.
type Gap struct{ From, To event.Instant }

// PreviewRow is one row as it stood and as it was understood.
type PreviewRow struct {
	Line        int
	Time, Value string // as in the file
	Reading     event.Reading
	Local       string
}

// Mistake is a row or a file that can't be read. Line counts from 1; Column is
// the column of the table, 0 for the whole row; Line 0 is the whole file.
type Mistake struct {
	Line, Column int
	Field        string // "time", "temperature", "row", "file", or the answer
	Problem      string
	Remedy       string
}

// String gives "line 7, column 2: temperature: problem; remedy".
func (m Mistake) String() string {
	where := ""
	if m.Line > 0 {
		where = fmt.Sprintf("line %d: ", m.Line)
		if m.Column > 0 {
			where = fmt.Sprintf("line %d, column %d: ", m.Line, m.Column)
		}
	}
	return fmt.Sprintf("%s%s: %s; %s", where, m.Field, m.Problem, m.Remedy)
}

// reader is one reading of one file.
type reader struct {
	file File
	a    Answers
	data []byte
	text string

	filled int // lines with text
	table  table
	mapped Said // the remembered mapping, empty when its shape is another
	rows   []row
	decimal
	order order
	unit  unit
	loc   *time.Location
	zone  zoneOf
	units units // units seen behind values
	dates dates // what the dates of the column allow

	mistakes int // all of them, also those not told
}

// Read reads the export of a temperature logger. It is a function of its
// arguments. What is wrong with the file or the answers stands in the File, in
// words for a person; there is no other error.
func Read(data []byte, a Answers) File {
	sum := sha256.Sum256(data)
	r := &reader{a: a, data: data}
	r.file.Hash = hex.EncodeToString(sum[:])
	r.read()
	if r.file.Refused || len(r.file.Questions) > 0 {
		r.file.Readings, r.file.Mapping = nil, Mapping{}
	}
	r.boundMistakes()
	return r.file
}

func (r *reader) read() {
	if len(r.data) > MaxBytes {
		r.refuse("file", fmt.Sprintf("it has %d bytes and at most %d are read", len(r.data), MaxBytes),
			"export a shorter stretch of time, or cut the file into several")
		return
	}
	if !r.checkAnswers() || !r.decode() || !r.checkLines() || !r.findTable() {
		return
	}
	if !r.chooseColumns() || !r.scan() {
		return
	}
	r.decideDecimal()
	r.decideUnit()
	r.decideOrder()
	r.decideZone()
	if r.order == 0 {
		r.askOrder()
	}
	if r.loc == nil {
		r.askZone()
	}
	if len(r.file.Questions) > 0 {
		return
	}
	r.assemble()
}

func (r *reader) refuse(field, problem, remedy string) {
	r.file.Refused = true
	r.mistake(Mistake{Field: field, Problem: problem, Remedy: remedy})
}

// mistake keeps what can be told. Rows are counted by whoever meets them.
func (r *reader) mistake(m Mistake) {
	r.mistakes++
	if len(r.file.Mistakes) < mostMistakes || m.Line == 0 {
		r.file.Mistakes = append(r.file.Mistakes, m)
	}
}

func (r *reader) ask(q Question) { r.file.Questions = append(r.file.Questions, q) }

func (r *reader) note(text string) { r.file.How.Notes = append(r.file.How.Notes, text) }

// shorten keeps what is quoted of a file readable.
func shorten(text string) string {
	const most = 60
	n := 0
	for i := range text {
		if n++; n > most {
			return text[:i] + "…"
		}
	}
	return text
}
