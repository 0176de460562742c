package loggerfile

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// zoneOf turns wall times of a zone into instants. It keeps the stretch without
// a clock change that it met last.
type zoneOf struct {
	loc      *time.Location
	from, to int64 // ms since 1970, of the stretch; equal for none
	offset   int64 // ms
}

// farther is more than any offset and clock change together, in ms.
const farther = 26 * 3_600_000

// instants gives the instants at which clocks showed a wall time: none when it
// was skipped, one, or two with the earlier first. time.Date and time.Parse would
// move a skipped time and pick one of two without a word.
func (z *zoneOf) instants(w int64) (n int, a, b int64) {
	if at := w - z.offset; at >= z.from+farther && at <= z.to-farther {
		return 1, at, at
	}
	for _, around := range [...]int64{-farther, 0, farther} {
		near := time.UnixMilli(w + around).In(z.loc)
		_, seconds := near.Zone()
		offset := int64(seconds) * 1000
		t := w - offset
		if _, there := time.UnixMilli(t).In(z.loc).Zone(); there != seconds || n > 0 && t == b {
			continue
		}
		if n == 0 {
			a, b = t, t
		} else {
			a, b = min(a, t), max(b, t)
		}
		n++
	}
	if n == 1 {
		z.keep(a)
	}
	return min(n, 2), a, b
}

func (z *zoneOf) keep(at int64) {
	t := time.UnixMilli(at).In(z.loc)
	start, end := t.ZoneBounds()
	_, seconds := t.Zone()
	z.from, z.to, z.offset = math.MinInt64/2, math.MaxInt64/2, int64(seconds)*1000
	if !start.IsZero() {
		z.from = start.UnixMilli()
	}
	if !end.IsZero() {
		z.to = end.UnixMilli()
	}
}

// location gives the zone of a name that was checked, or nil.
func (r *reader) location(name string) *time.Location {
	if loc, ok := fixedZone(name); ok {
		return loc
	}
	if r.a.Zones == nil || name == "" || name == "Local" {
		return nil
	}
	loc, err := r.a.Zones(name)
	if err != nil {
		return nil
	}
	return loc
}

// zoneIn finds UTC or GMT in a text, with an offset behind it or none.
func zoneIn(text string) (*time.Location, bool) {
	upper := strings.ToUpper(text)
	for _, name := range []string{"UTC", "GMT"} {
		i := strings.Index(upper, name)
		if i < 0 {
			continue
		}
		rest := strings.TrimLeft(upper[i+len(name):], " ")
		if rest == "" || rest[0] != '+' && rest[0] != '-' {
			// "Local time (UTC in column 3)" names no zone of its own.
			local := hasWord(text, []string{"local", "lokal", "offset"})
			return time.UTC, !local
		}
		if minutes, n := readOffset(rest, true); n > 0 {
			return fixed(minutes), true
		}
	}
	return nil, false
}

// foundZone gives the zone that the file names, and whether its header does.
func (r *reader) foundZone() (d Decision, inHeader bool) {
	how := &r.file.How
	for _, c := range []Column{how.Clock, how.Time} {
		if loc, ok := zoneIn(c.Name); ok {
			return Decision{Value: loc.String(), By: Found, Why: fmt.Sprintf("the header says so: %q", shorten(c.Name))}, true
		}
	}
	for i := range r.table.preamble {
		l := &r.table.preamble[i]
		text := strings.Join(l.fields, " ")
		if !hasWord(text, []string{"zone", "fuseau", "huso", "=utc", "=gmt"}) {
			continue
		}
		if loc, ok := zoneIn(text); ok && l.timed == "" {
			return Decision{Value: loc.String(), By: Found, Why: fmt.Sprintf("line %d says so: %q", l.number, shorten(text))}, false
		}
	}
	return Decision{}, false
}

func (r *reader) decideZone() {
	how := &r.file.How
	zoned, bare, offset, mixed := 0, 0, int16(0), false
	for i := range r.rows {
		switch one := &r.rows[i]; {
		case one.orders == 0:
		case !one.zoned:
			bare++
		default:
			mixed = mixed || zoned > 0 && one.offset != offset
			offset = one.offset
			zoned++
		}
	}
	said := func() string {
		for _, name := range []string{r.a.Person.Zone, r.mapped.Zone, r.a.Record.Zone} {
			if name != "" {
				return name
			}
		}
		return ""
	}()
	if bare == 0 && zoned > 0 {
		how.Zone = Decision{Value: fixed(int(offset)).String(), By: Found, Why: "every time has its offset"}
		if mixed {
			how.Zone.Value = "as in each row"
		}
		if r.loc = r.location(said); r.loc == nil {
			r.loc = fixed(int(offset))
		}
		r.zone = zoneOf{loc: r.loc}
		return
	}
	found, inHeader := r.foundZone()
	d, clash := choose(r.a.Person.Zone, r.mapped.Zone, found, inHeader, r.a.Record.Zone)
	if clash {
		if agreed := r.zonesAgree(found.Value, said); agreed {
			d, clash = found, false
		}
	}
	if clash {
		how.Zone.Why = fmt.Sprintf("the file says %s (%s), and %s was remembered or recorded", found.Value, found.Why, said)
		return
	}
	if d.Value == "" {
		how.Zone.Why = "neither the file nor the logger's record names a zone, and a time without one is not taken as UTC"
		return
	}
	how.Zone = d
	r.loc = r.location(d.Value)
	r.zone = zoneOf{loc: r.loc}
	if zoned > 0 {
		r.note(fmt.Sprintf("%d rows have an offset of their own, which counts for them.", zoned))
	}
}

// zonesAgree tells whether two zones have one offset at both ends of the file,
// in any order that its dates can have.
func (r *reader) zonesAgree(a, b string) bool {
	one, two := r.location(a), r.location(b)
	if one == nil || two == nil {
		return false
	}
	for _, o := range []order{yearFirst, dayFirst, monthFirst} {
		if r.order != 0 && o != r.order {
			continue
		}
		first, last, _ := r.span(o)
		if first > last {
			continue
		}
		for _, w := range []int64{first, last} {
			_, x := time.UnixMilli(w).In(one).Zone()
			_, y := time.UnixMilli(w).In(two).Zone()
			if x != y {
				return false
			}
		}
	}
	return true
}

func (r *reader) askZone() {
	q := Question{Field: FieldZone, Text: "In which time zone was the logger's clock?", Why: r.file.How.Zone.Why, Open: true}
	r.file.How.Zone = Decision{}
	found, _ := r.foundZone()
	for _, name := range slices.Concat([]string{found.Value, r.mapped.Zone, r.a.Record.Zone}, r.a.Offer, []string{"UTC"}) {
		loc := r.location(name)
		if loc == nil || slices.ContainsFunc(q.Choices, func(c Choice) bool { return c.Value == name }) {
			continue
		}
		c := Choice{Value: name, Text: name}
		first, last, _ := r.span(r.order)
		if r.order != 0 && first <= last {
			z := zoneOf{loc: loc}
			if n, at, _ := z.instants(first); n > 0 {
				c.Text = fmt.Sprintf("%s: %s was %s", name, wallText(first), event.Instant(at))
			}
		}
		r.consequence(&c, r.order, loc)
		q.Choices = append(q.Choices, c)
	}
	for _, p := range r.file.How.Preview {
		q.Samples = append(q.Samples, Sample{Line: p.Line, Text: p.Time})
	}
	r.ask(q)
}

// Drift is how the logger's clock was corrected.
type Drift struct {
	Sightings int   // of the logger's clock beside a true one: 0, 1 or 2
	FirstMs   int64 // what was added to the first reading
	LastMs    int64 // what was added to the last reading
	Why       string
}

// corrected gives the true instant of what the logger's clock showed.
func (r *reader) corrected(x event.Instant) event.Instant {
	switch s := r.a.Sync; len(s) {
	case 0:
		return x
	case 1:
		return x + s[0].True - s[0].Logger
	default:
		first := s[0].True - s[0].Logger
		grown := s[1].True - s[1].Logger - first
		return x + first + event.Instant(scaled(int64(x-s[0].Logger), int64(grown), int64(s[1].Logger-s[0].Logger)))
	}
}

// scaled gives a*b/whole rounded to the nearest, halves away from zero; whole is
// positive and at least |b|.
func scaled(a, b, whole int64) int64 {
	negative := (a < 0) != (b < 0)
	hi, lo := bits.Mul64(magnitude(a), magnitude(b))
	lo, carry := bits.Add64(lo, uint64(whole)/2, 0) //nolint:gosec // positive
	q, _ := bits.Div64(hi+carry, lo, uint64(whole)) //nolint:gosec // positive
	if negative {
		return -int64(q) //nolint:gosec // at most |a|
	}
	return int64(q) //nolint:gosec // at most |a|
}

func magnitude(a int64) uint64 {
	if a < 0 {
		return uint64(-a) //nolint:gosec // far from the ends
	}
	return uint64(a)
}

// checkSync refuses sightings that no clock gives.
func (r *reader) checkSync() {
	const field = "answer: sync"
	s := r.a.Sync
	if len(s) > 2 {
		r.refuse(field, fmt.Sprintf("there are %d sightings of the clock", len(s)), "give the first and the last")
		return
	}
	for _, one := range s {
		if one.Logger <= 0 || one.True <= 0 || one.Logger > latest || one.True > latest {
			r.refuse(field, "a sighting lacks an instant", "give what the logger's clock showed and the true time")
			return
		}
	}
	if len(s) < 2 {
		return
	}
	ran, passed := s[1].Logger-s[0].Logger, s[1].True-s[0].True
	switch {
	case ran <= 0 || passed <= 0:
		r.refuse(field, "the second sighting of the clock is not behind the first", "give the earlier sighting first, or one alone")
	case passed > 2*ran || ran > 2*passed:
		r.refuse(field, fmt.Sprintf("the logger's clock ran %s in %s", ran.Sub(0), passed.Sub(0)), "check both sightings: no clock runs twice or half as fast as it should")
	}
}

// double is a row whose local time clocks showed twice.
type double struct{ first, second int64 }

// settle decides which of two instants each doubled row means, by the order of
// the rows around it, else by the interval, else as answered. It is false after
// a question.
//
// at holds instants in ms in the order of time that the file has, doubles the
// other reading by its place in at.
func (r *reader) settle(at []int64, lines []int32, doubles map[int]double) bool {
	how := &r.file.How
	var every int64
	byOrder, byStep, asked := 0, 0, 0
	for lo := 0; lo < len(at); lo++ {
		if _, ok := doubles[lo]; !ok {
			continue
		}
		hi := lo + 1
		for ; hi < len(at); hi++ {
			if _, ok := doubles[hi]; !ok {
				break
			}
		}
		s := stretch{rows: make([]double, 0, hi-lo), before: math.MinInt64, after: math.MaxInt64}
		for i := lo; i < hi; i++ {
			s.rows = append(s.rows, doubles[i])
		}
		if lo > 0 {
			s.before = at[lo-1]
		}
		if hi < len(at) {
			s.after = at[hi]
		}
		early, late, turn := s.early(false), s.late(), s.early(true)
		var chosen []int64
		if early != nil && slices.Equal(early, late) {
			chosen = early
			byOrder += len(chosen)
		} else {
			if every == 0 {
				every = r.everyAround(at, doubles)
			}
			var regular [][]int64
			for _, one := range [][]int64{early, late, turn} {
				if one != nil && s.regular(one, every) && !slices.ContainsFunc(regular, func(o []int64) bool { return slices.Equal(o, one) }) {
					regular = append(regular, one)
				}
			}
			switch said := r.a.Person.DoubledHour; {
			case said != "":
				chosen = s.answered(said, early, late, turn)
				asked += len(chosen)
			case len(regular) == 1:
				chosen = regular[0]
				byStep += len(chosen)
			default:
				r.askDoubled(&s, lines[lo], early, late, turn)
				return false
			}
		}
		copy(at[lo:], chosen)
		lo = hi
	}
	switch {
	case asked > 0:
		how.Doubled = Decision{Value: r.a.Person.DoubledHour, By: Asked, Why: fmt.Sprintf("asked, for %d of %d rows", asked, how.DoubledRows)}
	case byStep > 0:
		how.Doubled = Decision{Value: "by interval", By: Found, Why: fmt.Sprintf("only one reading keeps the step of %s", time.Duration(every)*time.Millisecond)}
	case byOrder > 0:
		how.Doubled = Decision{Value: "by order", By: Found, Why: "only one reading keeps the order of the rows"}
	}
	return true
}

// everyAround gives the interval: as told, else the median step between
// neighbours that are not doubled.
func (r *reader) everyAround(at []int64, doubles map[int]double) int64 {
	if e := r.toldEvery(); e > 0 {
		return e
	}
	var steps []int64
	for i := 1; i < len(at); i++ {
		a, one := doubles[i-1]
		b, two := doubles[i]
		step := at[i] - at[i-1]
		if one && two {
			step = b.first - a.first
		}
		if one == two && step > 0 {
			steps = append(steps, step)
		}
	}
	return median(steps)
}

// stretch are doubled rows without another row between, and the instants before
// and behind them.
type stretch struct {
	rows          []double
	before, after int64
}

// early gives each row the earlier instant that isn't before the row ahead of it
// (strictly: that is behind it), or nil when there is none.
func (s *stretch) early(strictly bool) []int64 {
	out, last := make([]int64, 0, len(s.rows)), s.before
	for _, d := range s.rows {
		switch {
		case d.first > last || d.first == last && !strictly:
			last = d.first
		case d.second > last || d.second == last && !strictly:
			last = d.second
		default:
			return nil
		}
		out = append(out, last)
	}
	if last > s.after {
		return nil
	}
	return out
}

// late is early from behind.
func (s *stretch) late() []int64 {
	out, next := make([]int64, len(s.rows)), s.after
	for i, d := range slices.Backward(s.rows) {
		switch {
		case d.second <= next:
			next = d.second
		case d.first <= next:
			next = d.first
		default:
			return nil
		}
		out[i] = next
	}
	if next < s.before {
		return nil
	}
	return out
}

// regular tells whether all steps are nearer to the interval than half of it.
func (s *stretch) regular(at []int64, every int64) bool {
	last := s.before
	for _, t := range append(slices.Clone(at), s.after) {
		if last != math.MinInt64 && t != math.MaxInt64 {
			if step := t - last; 2*step <= every || 2*step >= 3*every {
				return false
			}
		}
		last = t
	}
	return every > 0
}

func (s *stretch) answered(said string, early, late, turn []int64) []int64 {
	out := map[string][]int64{DoubledFirst: early, DoubledSecond: late, DoubledInTurn: turn}[said]
	if out != nil {
		return out
	}
	for _, d := range s.rows { // the rows are in no order
		if said == DoubledSecond {
			out = append(out, d.second)
		} else {
			out = append(out, d.first)
		}
	}
	return out
}

func (r *reader) askDoubled(s *stretch, line int32, early, late, turn []int64) {
	q := Question{
		Field: FieldDoubled,
		Text:  "Clocks were put back and showed some times of the file twice. Which of the two do the rows mean?",
		Why: fmt.Sprintf("neither the order of the rows nor their step decides for the %d rows from line %d on; "+
			"if the logger's clock was not put back, give its offset as the zone instead", len(s.rows), line),
		Samples: []Sample{{Line: int(line), Text: wallText(r.wallOf(s.rows[0].first))}},
	}
	for _, c := range []struct {
		value, text string
		at          []int64
	}{{DoubledFirst, "the first time, as far as the order allows", early}, {DoubledSecond, "the second time, as far as the order allows", late},
		{DoubledInTurn, "a time that comes twice means each once", turn}} {
		if c.value == DoubledInTurn && c.at == nil {
			continue
		}
		at := s.answered(c.value, early, late, turn)
		first, last := event.Instant(at[0]), event.Instant(at[len(at)-1])
		q.Choices = append(q.Choices, Choice{
			Value: c.value, First: r.corrected(first), Last: r.corrected(last), FirstLocal: r.local(first), LastLocal: r.local(last),
			Text: fmt.Sprintf("%s: these rows run from %s to %s", c.text, r.local(first), r.local(last)),
		})
	}
	r.ask(q)
}

// wallOf gives what clocks of the zone showed at an instant.
func (r *reader) wallOf(at int64) int64 {
	_, seconds := time.UnixMilli(at).In(r.loc).Zone()
	return at + int64(seconds)*1000
}

func (r *reader) local(at event.Instant) string {
	return time.UnixMilli(int64(at)).In(r.loc).Format(wallForm + " -07:00")
}

// median gives the middle of the steps, the lower of two. It sorts them.
func median(steps []int64) int64 {
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[(len(steps)-1)/2]
}
