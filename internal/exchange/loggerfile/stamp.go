package loggerfile

import (
	"fmt"
	"strings"
	"time"
)

// order is a set of orders in which the three parts of a date may stand.
type order uint8

const (
	yearFirst order = 1 << iota
	dayFirst
	monthFirst
)

var orderNames = map[order]string{yearFirst: YearFirst, dayFirst: DayFirst, monthFirst: MonthFirst}

// orderOf gives the order of a name, 0 for none.
func orderOf(name string) order {
	for o, n := range orderNames {
		if n == name {
			return o
		}
	}
	return 0
}

// stamp is a date, a time of day or both, as written.
type stamp struct {
	parts  [3]int16
	orders order // in which the parts are a date of the calendar
	plain  bool  // the form alone says the order: a year of four digits first, or a named month
	date   bool
	clock  bool
	ms     int32 // since midnight
	zoned  bool
	offset int16 // minutes east of UTC
}

// The years of which a date can be. A logger whose clock was never set begins
// at 1970.
const (
	firstYear = 1971
	lastYear  = 2199
)

// latest is the end of the last year, in ms since 1970.
const latest = 7_258_118_400_000

const timeForms = "write for example 2026-11-24 08:00:00, 24.11.2026 08:00 or 11/24/2026 8:00 AM"

// readStamp reads a date, a time of day, or both in either order, with an offset
// behind the time of day or none. It doesn't say which part of a date is which.
func readStamp(text string) (s stamp, ok bool) {
	rest := strings.TrimSpace(text)
	if len(rest) < 4 || len(rest) > 60 {
		return s, false
	}
	for rest != "" {
		n := 0
		if !s.clock {
			n = s.readClock(rest)
		}
		if n == 0 && !s.date {
			n = s.readDate(rest)
		}
		if n == 0 {
			return s, false
		}
		rest = rest[n:]
		cut := strings.TrimLeft(rest, " ,\u00a0")
		if cut == rest && rest != "" {
			if rest[0] != 'T' || !s.date || s.clock {
				return s, false
			}
			cut = rest[1:]
		}
		rest = cut
	}
	return s, s.date || s.clock
}

// readDigits reads at most most digits from the start of text.
func readDigits(text string, most int) (value, n int) {
	for n < len(text) && n < most && text[n] >= '0' && text[n] <= '9' {
		value = value*10 + int(text[n]-'0')
		n++
	}
	return value, n
}

// readClock reads h:mm, hh:mm:ss, with a fraction of the second, AM or PM and an
// offset. It gives the length read, 0 for none.
func (s *stamp) readClock(text string) int {
	h, n := readDigits(text, 2)
	if n == 0 || n >= len(text) || text[n] != ':' {
		return 0
	}
	m, k := readDigits(text[n+1:], 3)
	if k != 2 || m > 59 {
		return 0
	}
	n += 3
	sec, ms := 0, 0
	if n < len(text) && text[n] == ':' {
		if sec, k = readDigits(text[n+1:], 3); k != 2 || sec > 59 {
			return 0
		}
		n += 3
		if n+1 < len(text) && (text[n] == '.' || text[n] == ',') && text[n+1] >= '0' && text[n+1] <= '9' {
			// Finer than a millisecond is cut.
			unit := 100
			for n++; n < len(text) && text[n] >= '0' && text[n] <= '9'; n++ {
				ms += int(text[n]-'0') * unit
				unit /= 10
			}
		}
	}
	half, k := readHalf(text[n:])
	n += k
	switch {
	case half == 0 && h > 23, half != 0 && (h < 1 || h > 12):
		return 0
	case half != 0:
		h %= 12
		if half == 'p' {
			h += 12
		}
	}
	s.clock = true
	s.ms = int32(((h*60+m)*60+sec)*1000 + ms) //nolint:gosec // below 86,400,000
	return n + s.readZone(text[n:])
}

// readHalf reads AM, PM, a.m. or p.m., with a blank before or none.
func readHalf(text string) (half byte, n int) {
	rest := strings.TrimLeft(text, " \u00a0\u202f")
	n = len(text) - len(rest)
	if rest == "" || rest[0]|0x20 != 'a' && rest[0]|0x20 != 'p' {
		return 0, 0
	}
	half = rest[0] | 0x20
	for _, tail := range []string{"m", ".m."} {
		if len(rest) > len(tail) && strings.EqualFold(rest[1:1+len(tail)], tail) {
			return half, n + 1 + len(tail)
		}
	}
	return 0, 0
}

// readZone reads Z, UTC, GMT or an offset behind a time of day.
func (s *stamp) readZone(text string) int {
	rest := strings.TrimLeft(text, " ")
	n := len(text) - len(rest)
	switch {
	case rest == "":
		return 0
	case rest[0] == 'Z' || rest[0] == 'z':
		s.zoned = true
		return n + 1
	}
	named := false
	for _, name := range []string{"UTC", "GMT"} {
		if strings.HasPrefix(rest, name) {
			rest, n, named = rest[3:], n+3, true
		}
	}
	minutes, k := readOffset(rest, named)
	if k == 0 && !named {
		return 0
	}
	s.zoned, s.offset = true, int16(minutes) //nolint:gosec // at most 14 hours
	return n + k
}

// readDate reads three parts with one of - / . or blanks between, of which one
// may be the English name of a month. It gives the length read, 0 for none.
func (s *stamp) readDate(text string) int {
	var digits [3]int
	var between [2]byte
	named := -1
	at := 0
	for i := range 3 {
		if i > 0 {
			next := skipBetween(text[at:])
			if next == 0 {
				return 0
			}
			between[i-1] = text[at]
			at += next
		}
		value, n := readDigits(text[at:], 5)
		switch {
		case n == 0 && named < 0:
			if value, n = readMonth(text[at:]); n == 0 {
				return 0
			}
			named = i
		case n == 0, n == 3, n > 4:
			return 0
		}
		s.parts[i], digits[i] = int16(value), n //nolint:gosec // at most four digits
		at += n
	}
	if named < 0 && (between[0] != between[1] || between[0] == ' ' || between[0] == ',') {
		return 0
	}
	if named >= 0 {
		digits[named] = 2
	}
	if !s.setOrders(digits, named) {
		return 0
	}
	s.date = true
	return at
}

// setOrders finds the orders that the form of a date allows, and of those the
// ones in which it is in the calendar.
func (s *stamp) setOrders(digits [3]int, named int) bool {
	var form order
	switch {
	case digits[1] == 4 || digits[0] == 4 && digits[2] == 4:
		return false
	case digits[0] == 4:
		form, s.plain = yearFirst, true
	case digits[2] == 4:
		form = dayFirst | monthFirst
	default:
		form = yearFirst | dayFirst | monthFirst
		if digits[0] != 2 {
			form &^= yearFirst
		}
		if digits[2] != 2 {
			form &^= dayFirst | monthFirst
		}
	}
	switch named {
	case 0:
		form &= monthFirst
	case 1:
		form &^= monthFirst
	case 2:
		form = 0
	}
	if form == 0 {
		return false
	}
	s.plain = s.plain || form&(form-1) == 0
	for o := yearFirst; o <= monthFirst; o <<= 1 {
		if form&o != 0 && s.in(o) {
			s.orders |= o
		}
	}
	return true
}

// in tells whether the parts in that order are a date of the calendar.
func (s *stamp) in(o order) bool {
	y, m, d := ymd(s.parts, o)
	return y >= firstYear && y <= lastYear && m >= 1 && m <= 12 && d >= 1 && d <= daysIn(y, m)
}

// ymd names the parts of a date. A year of two digits is of this century.
func ymd(p [3]int16, o order) (y, m, d int) {
	switch o {
	case dayFirst:
		y, m, d = int(p[2]), int(p[1]), int(p[0])
	case monthFirst:
		y, m, d = int(p[2]), int(p[0]), int(p[1])
	default:
		y, m, d = int(p[0]), int(p[1]), int(p[2])
	}
	if y < 100 {
		y += 2000
	}
	return y, m, d
}

func daysIn(y, m int) int {
	switch m {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if y%4 == 0 && (y%100 != 0 || y%400 == 0) {
			return 29
		}
		return 28
	default:
		return 31
	}
}

// skipBetween gives the length of what stands between two parts of a date.
func skipBetween(text string) int {
	n := 0
	for n < len(text) && n < 3 && (text[n] == ' ' || text[n] == ',') {
		n++
	}
	if n == 0 && text != "" && (text[0] == '-' || text[0] == '/' || text[0] == '.') {
		n = 1
		for n < len(text) && n < 3 && text[n] == ' ' {
			n++
		}
	}
	return n
}

var months = [12]string{
	"january", "february", "march", "april", "may", "june",
	"july", "august", "september", "october", "november", "december",
}

// readMonth reads the name of a month or its first three letters.
func readMonth(text string) (month, n int) {
	for n < len(text) && (text[n]|0x20 >= 'a' && text[n]|0x20 <= 'z') {
		n++
	}
	if n < 3 {
		return 0, 0
	}
	word := strings.ToLower(text[:n])
	for i, name := range months {
		if word == name || word == name[:3] || word == "sept" && i == 8 {
			return i + 1, n
		}
	}
	return 0, 0
}

// wall gives the date in order o and the time of day as ms since 1970, as if the
// clock were UTC.
func wall(parts [3]int16, o order, ms int32) int64 {
	y, m, d := ymd(parts, o)
	// Days since 1970-03-01 in years that begin in March, so that a leap day is
	// the last of its year.
	if m <= 2 {
		y, m = y-1, m+12
	}
	days := 365*y + y/4 - y/100 + y/400 + (153*(m-3)+2)/5 + d - 1 - 719468
	return int64(days)*86_400_000 + int64(ms)
}

const wallForm = "2006-01-02 15:04:05"

// wallText writes a wall time.
func wallText(ms int64) string {
	form := wallForm
	if ms%1000 != 0 {
		form += ".000"
	}
	return time.UnixMilli(ms).UTC().Format(form)
}

// dates is what the dates of a column allow together.
type dates struct {
	open    order // orders that all dates whose form leaves it open allow
	loose   int   // how many such dates there are
	samples []Sample
	out     [3]struct { // what closed an order: by number of its bit
		line int
		text string
		part int16
	}
}

// add takes a date whose form leaves its order open and that some order allows.
func (d *dates) add(s *stamp, line int, text string) {
	if d.loose == 0 {
		d.open = yearFirst | dayFirst | monthFirst
	}
	if d.loose++; d.loose <= mostSamples {
		d.samples = append(d.samples, Sample{Line: line, Text: shorten(text)})
	}
	if d.open&^s.orders == 0 {
		return
	}
	for i := range d.out {
		o := order(1) << i
		if d.open&o == 0 || s.orders&o != 0 {
			continue
		}
		out := &d.out[i]
		out.line, out.text, out.part = line, text, 0
		if p := s.parts[monthAt(o)]; p > 12 {
			out.part = p
		}
	}
	d.open &= s.orders
}

func monthAt(o order) int {
	if o == monthFirst {
		return 0
	}
	return 1
}

// why says what decided for order o.
func (d *dates) why(o order) string {
	best := -1
	for i := range d.out {
		if order(1)<<i != o && d.out[i].line > 0 && (best < 0 || d.out[i].part > 12 && d.out[best].part <= 12) {
			best = i
		}
	}
	if best < 0 {
		return "the form of the dates"
	}
	out := &d.out[best]
	if out.part > 12 {
		return fmt.Sprintf("decided by value %d in line %d (%s)", out.part, out.line, shorten(out.text))
	}
	return fmt.Sprintf("decided by %s in line %d", shorten(out.text), out.line)
}
