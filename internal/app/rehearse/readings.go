package rehearse

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// longestRun is the most values that the API takes in one run.
const longestRun = 10_000

// mostMistakes bounds what is told of one file.
const mostMistakes = 20

// ReadingsFile reads the values of one logger: one a line, a time and degrees
// Celsius with a comma, a semicolon, a tab or blanks between. A first line that
// names its columns, empty lines and lines that begin with # are passed over. An
// empty value or "-" is no reading, which is not 0 degrees. Values come back in
// order of time; equal instants keep their order.
//
// Times are RFC 3339. zone is used for times without an offset; with a nil zone
// they are refused, because the same file would else mean other instants on
// another computer. A decimal comma and more than two decimals are refused too.
// The error names each line and what to do.
func ReadingsFile(name string, data []byte, zone *time.Location) ([]event.Reading, error) {
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if !utf8.Valid(data) {
		return nil, fmt.Errorf("%s: this is not a text file; export the logger as CSV in UTF-8", name)
	}
	var out []event.Reading
	var wrong []error
	begun := false
	for i, line := range strings.Split(string(data), "\n") {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if !begun && header(line) {
			begun = true
			continue
		}
		begun = true
		r, err := reading(line, zone)
		if err != nil {
			wrong = append(wrong, fmt.Errorf("%s:%d: %w", name, i+1, err))
		}
		out = append(out, r)
	}
	if len(wrong) > mostMistakes {
		rest := len(wrong) - mostMistakes
		wrong = append(wrong[:mostMistakes], fmt.Errorf("%s: and %d more lines", name, rest))
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s: there is no reading in it; each line is a time and a temperature, for example 2026-11-24T08:00:00Z,21.5", name)
	}
	slices.SortStableFunc(out, func(a, b event.Reading) int { return cmp.Compare(a.At, b.At) })
	return out, nil
}

// header tells a line of column names: it has letters and no digit.
func header(line string) bool {
	return strings.ContainsFunc(line, unicode.IsLetter) && !strings.ContainsFunc(line, unicode.IsDigit)
}

func reading(line string, zone *time.Location) (event.Reading, error) {
	fields := columns(line)
	if len(fields) > 3 {
		return event.Reading{}, fmt.Errorf("%q has %d columns; keep the time and the temperature, for example 2026-11-24T08:00:00Z,21.5", line, len(fields))
	}
	at, err := instant(fields[0], zone)
	if err != nil {
		return event.Reading{}, err
	}
	value := ""
	switch len(fields) {
	case 1:
		return event.Reading{}, fmt.Errorf("%q has no temperature column; write the time, a comma and the temperature, or a comma and - for no reading", line)
	case 2:
		value = fields[1]
	case 3:
		if digitsOnly(fields[2]) {
			value = fields[1] + "," + fields[2] // a decimal comma between commas
		} else {
			return event.Reading{}, fmt.Errorf("%q has 3 columns; keep the time and the temperature, for example 2026-11-24T08:00:00Z,21.5", line)
		}
	}
	r := event.Reading{At: at, Raw: value}
	if value == "" || value == "-" {
		return r, nil
	}
	r.C, err = centi(value)
	r.OK = err == nil
	return r, err
}

// columns splits a line at the first separator that it has.
func columns(line string) []string {
	var fields []string
	switch {
	case strings.ContainsRune(line, '\t'):
		fields = strings.Split(line, "\t")
	case strings.ContainsRune(line, ';'):
		fields = strings.Split(line, ";")
	case strings.ContainsRune(line, ',') && !strings.ContainsAny(strings.TrimSpace(strings.SplitN(line, ",", 2)[0]), " "):
		fields = strings.Split(line, ",")
	default:
		fields = strings.Fields(line)
	}
	for i, f := range fields {
		fields[i] = strings.Trim(strings.TrimSpace(f), `"`)
	}
	return fields
}

func instant(text string, zone *time.Location) (event.Instant, error) {
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(layout, text); err == nil {
			return event.At(t), nil
		}
	}
	for _, layout := range []string{"2006-01-02T15:04:05.999999999", "2006-01-02T15:04"} {
		wall, err := time.Parse(layout, text)
		if err != nil {
			continue
		}
		if zone == nil {
			return 0, fmt.Errorf("the time %q has no zone; write its offset behind it, for example %sZ or %s+01:00", text, text, text)
		}
		return wallTime(wall, zone)
	}
	return 0, fmt.Errorf("%q is no time; write date and time with an offset, for example 2026-11-24T08:00:00+01:00", text)
}

// wallTime finds the one instant at which clocks of the zone show a time. When
// clocks change there are none or two.
func wallTime(wall time.Time, zone *time.Location) (event.Instant, error) {
	text := wall.Format("2006-01-02T15:04:05")
	var found []event.Instant
	for _, shift := range []time.Duration{-24 * time.Hour, 24 * time.Hour} {
		_, offset := wall.Add(shift).In(zone).Zone()
		at := wall.Add(-time.Duration(offset) * time.Second)
		if at.In(zone).Format("2006-01-02T15:04:05") == text && !slices.Contains(found, event.At(at)) {
			found = append(found, event.At(at))
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return 0, fmt.Errorf("there is no %s in %s, the clocks skip it; write its offset behind it", text, zone)
	default:
		return 0, fmt.Errorf("there are two %s in %s, when the clocks go back; write its offset behind it", text, zone)
	}
}

// centi reads degrees as an exact number of hundredths.
func centi(text string) (event.CentiC, error) {
	if strings.ContainsRune(text, ',') {
		return 0, fmt.Errorf("%q has a decimal comma; write a point, for example %s", text, strings.ReplaceAll(text, ",", "."))
	}
	digits, negative := strings.CutPrefix(text, "-")
	if !negative {
		digits = strings.TrimPrefix(digits, "+")
	}
	whole, frac, point := strings.Cut(digits, ".")
	if !digitsOnly(whole) || point && !digitsOnly(frac) || len(whole) > 4 {
		return 0, fmt.Errorf("%q is no temperature; write degrees Celsius as 21.5, or - for no reading", text)
	}
	if len(frac) > 2 {
		return 0, fmt.Errorf("%q has more than two decimals; round it to hundredths of a degree", text)
	}
	n, err := strconv.ParseInt(whole+(frac + "00")[:2], 10, 32)
	if err != nil {
		return 0, fmt.Errorf("%q is no temperature; write degrees Celsius as 21.5: %w", text, err)
	}
	if negative {
		n = -n
	}
	return event.CentiC(n), nil
}

func digitsOnly(text string) bool {
	return text != "" && !strings.ContainsFunc(text, func(r rune) bool { return r < '0' || r > '9' })
}

// Celsius writes hundredths of a degree as decimal text of the API.
func Celsius(c event.CentiC) string {
	sign, n := "", int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	text := fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
	return strings.TrimSuffix(strings.TrimSuffix(text, "0"), ".0")
}

// Runs cuts readings of a logger into runs as long as the API takes; id is the
// id of the first, the others are numbered behind it.
func Runs(logger, id string, readings []event.Reading) []*custodyv1.Readings {
	var runs []*custodyv1.Readings
	for part := range slices.Chunk(readings, longestRun) {
		run := &custodyv1.Readings{Logger: logger, Id: id}
		if n := len(runs); n > 0 {
			run.Id = fmt.Sprintf("%s-%d", id, n+1)
		}
		for _, r := range part {
			one := &custodyv1.Reading{At: r.At.String()}
			if r.OK {
				text := Celsius(r.C)
				one.Celsius = &text
			}
			run.Readings = append(run.Readings, one)
		}
		runs = append(runs, run)
	}
	return runs
}
