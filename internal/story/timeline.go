package story

import (
	"cmp"
	"slices"

	"specimen.example/custody/internal/event"
)

// Moment is one thing that happens on the story's clock: a step that reaches
// the server, readings of a series, or an expectation.
type Moment struct {
	At       event.Instant // when it happens on the server's clock
	Line     int
	Step     *Step           // nil for an expectation
	Readings []event.Reading // what arrives at this moment, verb reading only
	First    bool            // the first moment of its line
	Check    *Check          // nil for a step
}

// Timeline puts steps and expectations into the order in which they run.
// Steps run by arrival, then by line. An expectation with a time comes after all
// arrivals of that instant. One without a time stands directly behind the line
// above it, a step or an expectation with a time; behind a series it stands
// before the next line that begins to run. At is then the clock of that place,
// 0 when nothing ran before it.
func (s *Story) Timeline() []Moment {
	moments := s.timedMoments()
	anchors := s.anchors()
	out := make([]Moment, 0, len(moments)+len(s.Checks))
	now := event.Instant(0)
	behind := func(line int) {
		for _, i := range anchors[line] {
			out = append(out, Moment{At: now, Line: s.Checks[i].Line, Check: &s.Checks[i], First: true})
		}
	}
	behind(0)
	ends := ends(moments)
	for i, m := range moments {
		now = m.At
		out = append(out, m)
		if ends[m.Line] == i {
			behind(m.Line)
		}
	}
	return out
}

// timedMoments are all steps and the expectations with a time, in running order.
func (s *Story) timedMoments() []Moment {
	var moments []Moment
	for i := range s.Steps {
		moments = append(moments, s.Steps[i].moments()...)
	}
	for i := range s.Checks {
		if c := &s.Checks[i]; c.When != "" {
			moments = append(moments, Moment{At: c.At, Line: c.Line, Check: c, First: true})
		}
	}
	slices.SortStableFunc(moments, func(a, b Moment) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(rank(a), rank(b)), cmp.Compare(a.Line, b.Line))
	})
	return moments
}

func rank(m Moment) int {
	if m.Check != nil {
		return 1
	}
	return 0
}

// anchors gives, for the line of each step or timed expectation, the
// expectations without a time that stand behind it; 0 is the head of the story.
func (s *Story) anchors() map[int][]int {
	var lines []int
	for _, st := range s.Steps {
		lines = append(lines, st.Line)
	}
	for _, c := range s.Checks {
		if c.When != "" {
			lines = append(lines, c.Line)
		}
	}
	slices.Sort(lines)
	anchors := map[int][]int{}
	for i, c := range s.Checks {
		if c.When != "" {
			continue
		}
		above, _ := slices.BinarySearch(lines, c.Line)
		line := 0
		if above > 0 {
			line = lines[above-1]
		}
		anchors[line] = append(anchors[line], i)
	}
	return anchors
}

// ends gives for each line the index of the moment behind which its untimed
// expectations stand: the last one before another line begins.
func ends(moments []Moment) map[int]int {
	ends := map[int]int{}
	closed := map[int]bool{}
	var open []int
	for i, m := range moments {
		if m.First {
			for _, line := range open {
				closed[line] = true
			}
			open = append(open[:0], m.Line)
		}
		if !closed[m.Line] {
			ends[m.Line] = i
		}
	}
	return ends
}

// moments expands a step: a series arrives reading by reading, each at its own
// instant, unless sent= was given; every other step is one moment.
func (st *Step) moments() []Moment {
	if st.Verb != "reading" {
		return []Moment{{At: st.Sent, Line: st.Line, Step: st, First: true}}
	}
	readings := st.readings()
	if st.Late {
		return []Moment{{At: st.Sent, Line: st.Line, Step: st, Readings: readings, First: true}}
	}
	out := make([]Moment, len(readings))
	for i, r := range readings {
		out[i] = Moment{At: r.At, Line: st.Line, Step: st, Readings: []event.Reading{r}, First: i == 0}
	}
	return out
}

// readings are the values of a reading step: one, or a series with a value at
// both ends and at every interval between.
func (st *Step) readings() []event.Reading {
	c, _ := st.Attrs.Get("c")
	value := func(at event.Instant) event.Reading {
		return event.Reading{At: at, C: c.C, OK: c.OK, Raw: c.Text}
	}
	if st.Span.Text == "" {
		return []event.Reading{value(st.At)}
	}
	var out []event.Reading
	for at := st.Span.From; at < st.Span.To; at = at.Add(st.Every) {
		out = append(out, value(at))
	}
	return append(out, value(st.Span.To))
}
