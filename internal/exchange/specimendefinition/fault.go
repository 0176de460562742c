package specimendefinition

import (
	"bytes"
	"fmt"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Fault is one thing wrong with a resource: where, what and what to do. Path is
// a FHIRPath, such as SpecimenDefinition.typeTested[0].handling[1].maxDuration.code,
// or "file" where the bytes can't be read at all. Line and Column count from 1;
// 0 in faults of answers.
type Fault struct {
	Path         string
	Line, Column int
	Problem      string
	Remedy       string
}

// String gives "path (line l, column c): problem; remedy".
func (f Fault) String() string {
	at := ""
	if f.Line > 0 {
		at = fmt.Sprintf(" (line %d, column %d)", f.Line, f.Column)
	}
	return fmt.Sprintf("%s%s: %s; %s", f.Path, at, f.Problem, f.Remedy)
}

// Faults are the faults of one resource, in order of place.
type Faults []Fault

// Error gives one line per fault.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, one := range f {
		lines[i] = one.String()
	}
	return strings.Join(lines, "\n")
}

// mostFaults bounds a report: a resource of another kind would else give a
// message many times its own size.
const mostFaults = 100

// places turns offsets into lines and columns.
type places struct {
	data  []byte
	lines []int // offset of the first byte of each line
}

func newPlaces(data []byte) *places {
	p := &places{data: data, lines: []int{0}}
	for i, c := range data {
		if c == '\n' {
			p.lines = append(p.lines, i+1)
		}
	}
	return p
}

func (p *places) at(offset int64) (line, column int) {
	o := min(max(int(offset), 0), len(p.data))
	line = sort.SearchInts(p.lines, o+1)
	return line, utf8.RuneCount(p.data[p.lines[line-1]:o]) + 1
}

// after skips what stands between two JSON tokens.
func (p *places) after(offset int64) int64 {
	rest := p.data[min(int(offset), len(p.data)):]
	return offset + int64(len(rest)-len(bytes.TrimLeft(rest, " \t\r\n,:")))
}

// plain is text on one line, with a space in the place of what can't be printed,
// and shortened: for messages and comments.
func plain(text string, longest int) string {
	clean := strings.TrimSpace(strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, text))
	if runes := []rune(clean); len(runes) > longest {
		return string(runes[:longest]) + "…"
	}
	return clean
}

func quote(text string) string { return "\"" + plain(text, 60) + "\"" }
