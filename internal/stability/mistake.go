package stability

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Mistake is one thing wrong in a rule file: where, what and what to do.
// Line and Column count from 1; Field is the path of keys, with a rule's id
// in place of its number where it has one.
type Mistake struct {
	File         string
	Line, Column int
	Field        string
	Problem      string
	Remedy       string
}

// String gives "file:line:col: field: problem; remedy".
func (m Mistake) String() string {
	return fmt.Sprintf("%s:%d:%d: %s: %s; %s", m.File, m.Line, m.Column, m.Field, m.Problem, m.Remedy)
}

// Mistakes are all mistakes of a rule file in order of place. A file is either
// read without any or not at all: a rule half read is worse than none.
type Mistakes []Mistake

// Error gives one line per mistake.
func (m Mistakes) Error() string {
	lines := make([]string, len(m))
	for i, one := range m {
		lines[i] = one.String()
	}
	return strings.Join(lines, "\n")
}

// mostMistakes bounds a report: a file of another kind would else give a
// message many times its own size.
const mostMistakes = 500

// bounded cuts a sorted report, saying how much is left out.
func (m Mistakes) bounded() Mistakes {
	if len(m) <= mostMistakes {
		return m
	}
	last := m[mostMistakes]
	last.Field, last.Problem = "file", fmt.Sprintf("has %d more mistakes from here on", len(m)-mostMistakes)
	last.Remedy = "correct those above and read it again"
	return append(m[:mostMistakes:mostMistakes], last)
}

func (m Mistakes) sort() {
	slices.SortStableFunc(m, func(a, b Mistake) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// nearest gives the word of list most like word, or "" when none is like it:
// at most two letters differ, and fewer than half of the word.
func nearest(word string, list []string) string {
	best, found := 3, ""
	for _, w := range list {
		d := distance(word, w)
		if d < best && 2*d < max(len(word), 2) {
			best, found = d, w
		}
	}
	return found
}

// distance is the number of bytes to insert, delete or exchange between two words.
func distance(a, b string) int {
	if len(a) > 40 || len(b) > 40 {
		return 40
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		last := row[0]
		row[0] = i + 1
		for j := range len(b) {
			step := last
			if a[i] != b[j] {
				step++
			}
			last = row[j+1]
			row[j+1] = min(step, row[j]+1, last+1)
		}
	}
	return row[len(b)]
}
