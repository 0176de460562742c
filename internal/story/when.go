package story

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// stamp is a time as written, before it is known what it means.
type stamp struct {
	relative time.Duration // +5m
	isRel    bool
	year     int // 0: the story's day
	month    time.Month
	day      int
	clock    time.Duration // since midnight
	zoned    bool
	offset   int // seconds east of UTC
}

// longest is the longest duration that a story may speak of.
const longest = 10 * 366 * 24 * time.Hour

const timeForms = "write 08:00Z, 08:00+01:00, 08:00:30.500Z, 2026-11-24T08:00Z or +5m"

// looksLikeTime reports whether a person who wrote text meant a time.
func looksLikeTime(text string) bool {
	if strings.HasPrefix(text, "+") {
		return true
	}
	digits := strings.IndexFunc(text, func(r rune) bool { return r < '0' || r > '9' })
	return digits > 0 && (text[digits] == ':' || (text[digits] == '-' && digits == 4 && strings.Contains(text, "T")))
}

// readWhen reads the grammar's when.
func readWhen(text string) (stamp, error) {
	var s stamp
	if rest, ok := strings.CutPrefix(text, "+"); ok {
		d, err := readDuration(rest)
		return stamp{relative: d, isRel: true}, err
	}
	if date, clock, ok := strings.Cut(text, "T"); ok {
		y, m, d, err := readDate(date)
		if err != nil {
			return s, err
		}
		s.year, s.month, s.day = y, m, d
		text = clock
	}
	clock := text
	if rest, ok := strings.CutSuffix(text, "Z"); ok {
		clock, s.zoned = rest, true
	} else if at := strings.IndexAny(text, "+-"); at >= 0 {
		h, m, ok := twoPairs(text[at+1:])
		if !ok || h > 14 || m > 59 {
			return s, fmt.Errorf("the offset %q is not one", text[at:])
		}
		s.zoned, s.offset, clock = true, h*3600+m*60, text[:at]
		if text[at] == '-' {
			s.offset = -s.offset
		}
	}
	var err error
	s.clock, err = readClock(clock)
	return s, err
}

func readDate(text string) (int, time.Month, int, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1971 || t.Year() > 2199 {
		return 0, 0, 0, fmt.Errorf("%q is no date of the calendar, from 1971 to 2199", text)
	}
	return t.Year(), t.Month(), t.Day(), nil
}

func twoPairs(text string) (int, int, bool) {
	if len(text) != 5 || text[2] != ':' {
		return 0, 0, false
	}
	h, ok1 := digits(text[:2])
	m, ok2 := digits(text[3:])
	return h, m, ok1 && ok2
}

func digits(text string) (int, bool) {
	for _, r := range text {
		if r < '0' || r > '9' {
			return 0, false
		}
	}
	n, err := strconv.Atoi(text)
	return n, err == nil
}

// readClock reads hh:mm[:ss[.mmm]].
func readClock(text string) (time.Duration, error) {
	bad := fmt.Errorf("%q is no time of day", text)
	head, rest := text, ""
	if len(text) > 5 {
		head, rest = text[:5], text[5:]
	}
	h, m, ok := twoPairs(head)
	if !ok || h > 23 || m > 59 {
		return 0, bad
	}
	d := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
	if rest == "" {
		return d, nil
	}
	if rest[0] != ':' || len(rest) < 3 {
		return 0, bad
	}
	sec, ok := digits(rest[1:3])
	if !ok || sec > 59 {
		return 0, bad
	}
	d += time.Duration(sec) * time.Second
	if rest = rest[3:]; rest == "" {
		return d, nil
	}
	ms, ok := digits(rest[1:])
	if rest[0] != '.' || len(rest) != 4 || !ok {
		return 0, fmt.Errorf("%q is no time of day: milliseconds have three digits", text)
	}
	return d + time.Duration(ms)*time.Millisecond, nil
}

// readDuration reads 95m, 1h30m, 2d, 500ms: whole numbers, largest unit first.
func readDuration(text string) (time.Duration, error) {
	units := []struct {
		name string
		d    time.Duration
	}{{"d", 24 * time.Hour}, {"h", time.Hour}, {"m", time.Minute}, {"s", time.Second}, {"ms", time.Millisecond}}
	var sum time.Duration
	rest, next := text, 0
	for rest != "" {
		cut := strings.IndexFunc(rest, func(r rune) bool { return r < '0' || r > '9' })
		if cut <= 0 {
			return 0, fmt.Errorf("%q is no duration", text)
		}
		n, ok := digits(rest[:cut])
		end := cut + strings.IndexFunc(rest[cut:]+"0", func(r rune) bool { return r >= '0' && r <= '9' })
		unit := -1
		for i := next; i < len(units); i++ {
			if units[i].name == rest[cut:end] {
				unit = i
			}
		}
		if !ok || unit < 0 || n > int(longest/units[unit].d) {
			return 0, fmt.Errorf("%q is no duration, or too long", text)
		}
		sum += time.Duration(n) * units[unit].d
		rest, next = rest[end:], unit+1
	}
	if text == "" || sum > longest {
		return 0, fmt.Errorf("%q is no duration, or too long", text)
	}
	return sum, nil
}

// calendar turns stamps into instants.
type calendar struct {
	year  int // 0: the story has no day
	month time.Month
	day   int
	zone  *time.Location // nil: the story has no zone
}

// instant resolves s; base is what +5m counts from, 0 when nothing came before.
func (c calendar) instant(s stamp, base event.Instant) (event.Instant, error) {
	if s.isRel {
		if base == 0 {
			return 0, fmt.Errorf("no step stands before it from which to count")
		}
		return base.Add(s.relative), nil
	}
	if s.year == 0 {
		if c.year == 0 {
			return 0, fmt.Errorf("it has no date and the story has no day")
		}
		s.year, s.month, s.day = c.year, c.month, c.day
	}
	utc := time.Date(s.year, s.month, s.day, 0, 0, 0, 0, time.UTC).Add(s.clock)
	if s.zoned {
		return event.At(utc.Add(-time.Duration(s.offset) * time.Second)), nil
	}
	if c.zone == nil {
		return 0, fmt.Errorf("it has no offset and the story has no zone")
	}
	return wallTime(utc, c.zone)
}

// wallTime finds the one instant at which clocks in zone showed wall (given as
// if it were UTC). time.Date would move a skipped time without an error and pick
// one of a doubled pair, so the offsets before and after are both tried.
func wallTime(wall time.Time, zone *time.Location) (event.Instant, error) {
	var found []event.Instant
	for _, around := range []time.Duration{-26 * time.Hour, 0, 26 * time.Hour} {
		_, offset := wall.Add(around).In(zone).Zone()
		t := wall.Add(-time.Duration(offset) * time.Second)
		_, there := t.In(zone).Zone()
		if there != offset {
			continue
		}
		if at := event.At(t); len(found) == 0 || found[len(found)-1] != at {
			found = append(found, at)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return 0, fmt.Errorf("clocks in %s skipped it", zone)
	default:
		return 0, fmt.Errorf("clocks in %s showed it twice", zone)
	}
}
