package ageing

import (
	"fmt"
	"sort"

	"specimen.example/custody/internal/event"
)

// MetAt gives the first instant at which a level of account n of a tube is met by
// the upper clock, or (certain) by the lower one: in the past, or to come if no
// fact comes any more, when the last value is held and then what is declared
// counts. ok is false where it is never met, or not within a hundred years of the
// watermark. The earliest of the levels that are limits is the tube's SpinBy.
func (e *Engine) MetAt(id int32, n, level int, certain bool) (at event.Instant, ok bool, err error) {
	st, err := e.State(id, n)
	if err != nil {
		return 0, false, err
	}
	t := &e.tubes[id]
	a := &e.accounts[int(t.accounts)+n]
	all := e.levels[a.levels].At
	if certain {
		all = e.levels[a.levels].lower()
	}
	if level < 0 || level >= len(all) {
		return 0, false, fmt.Errorf("tube %d: account %d: level %d is not known; it has %d", id, n, level, len(all))
	}
	side := func(u Use) int64 {
		if certain {
			return u.Lower
		}
		return u.Upper
	}
	left := all[level]
	for i, m := range t.moves {
		if m.Source == Ended {
			continue
		}
		s := &e.sources[m.Source]
		end := st.Watermark + farthestMs
		if i+1 < len(t.moves) {
			end = t.moves[i+1].At
		}
		used := side(e.between(s, a.curve, m.At, end))
		if used < left {
			left -= used
			continue
		}
		ms := sort.Search(int(end-m.At), func(ms int) bool {
			return side(e.between(s, a.curve, m.At, m.At+event.Instant(ms))) >= left
		})
		return m.At + event.Instant(ms), true, nil
	}
	return 0, false, nil
}
