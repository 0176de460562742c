package label

import (
	"fmt"
	"strconv"
	"time"
)

// Date is a calendar date on a label. Day 0 says that the label leaves it open.
type Date struct {
	Year, Month, Day int
}

// String is 2027-01-31, or 2027-01 when the day is left open.
func (d Date) String() string {
	if d == (Date{}) {
		return ""
	}
	if d.Day == 0 {
		return fmt.Sprintf("%04d-%02d", d.Year, d.Month)
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// Last gives d with the last day of its month where the day is left open, which is
// how an expiry without a day is read.
func (d Date) Last() Date {
	if d.Day == 0 && d != (Date{}) {
		d.Day = daysIn(d.Year, d.Month)
	}
	return d
}

// Century gives the year of two digits as GS1 General Specifications has it: the
// one that is less than 50 years ahead of or at most 50 behind the current year.
func Century(yy, current int) int {
	century := current / 100 * 100
	switch ahead := yy - current%100; {
	case ahead >= 51:
		century -= 100
	case ahead <= -50:
		century += 100
	}
	return century + yy
}

// GS1Date reads YYMMDD in the current year's window. Day 00 is left open.
func GS1Date(text string, current int) (Date, error) {
	if len(text) != 6 || !digits(text) {
		return Date{}, fmt.Errorf("the date %q is not of six digits YYMMDD", text)
	}
	d := Date{Year: Century(number(text[:2]), current), Month: number(text[2:4]), Day: number(text[4:])}
	if say := d.fault(true); say != "" {
		return Date{}, fmt.Errorf("the date %q %s", text, say)
	}
	return d, nil
}

func (d Date) fault(open bool) string {
	switch {
	case d.Month < 1 || d.Month > 12:
		return fmt.Sprintf("has month %02d", d.Month)
	case d.Day == 0 && !open, d.Day > daysIn(d.Year, d.Month):
		return fmt.Sprintf("has day %02d", d.Day)
	}
	return ""
}

// dateFault says what is wrong with YYMMDD whatever the century: 1900 and 2100 are
// no leap years, but two digits don't say so, and 00 is read as 2000 from 1950 on.
func dateFault(text string, open bool) string {
	return Date{Year: 2000 + number(text[:2]), Month: number(text[2:4]), Day: number(text[4:6])}.fault(open)
}

func clockFault(text string) string {
	if text[:2] > "23" {
		return "has hour " + text[:2]
	}
	if text[2:] > "59" {
		return "has minute " + text[2:]
	}
	return ""
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// number reads digits that are known to be digits.
func number(text string) int {
	n, _ := strconv.Atoi(text)
	return n
}
