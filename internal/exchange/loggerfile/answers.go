package loggerfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Answers are what is known of a file beside its bytes.
type Answers struct {
	Person     Said     // said by a person for this file; goes before everything
	Remembered *Mapping // from an earlier file of the logger, nil for none
	Record     Said     // from the logger's record
	// Zones gives the time zone of an IANA name. Fixed offsets need none; with
	// nil, names are refused.
	Zones func(name string) (*time.Location, error)
	// Offer are zones to be offered if the zone must be asked, for example that
	// of the site.
	Offer []string
	// Sync are no, one or two sightings of the logger's clock beside a true one.
	Sync []Sync
	// Window is the stretch between the scans of the carrier or tube for which
	// the file was uploaded; the zero value is none.
	Window Window
}

// Said is what one source says. The zero value of a field is "not said".
type Said struct {
	Zone      string // IANA name, "UTC" or an offset such as "+01:00"
	DateOrder string // DayFirst, MonthFirst or YearFirst, for dates that leave it open
	Unit      string // Celsius, Fahrenheit or Kelvin
	Delimiter string // ",", ";", "\t" or "|"
	Decimal   string // "." or ","
	// Columns count from 1. ClockColumn is the time of day when TimeColumn has
	// the date alone.
	TimeColumn, ClockColumn, TemperatureColumn int
	// Faults are values that mean "no reading" beyond those that all sensors
	// share, as the file writes them but with a decimal point: "-200", "ERR7".
	Faults []string
	// EveryMs is the logger's interval in ms.
	EveryMs int64
	// DoubledHour says which of two instants a local time means that clocks
	// showed twice: DoubledFirst, DoubledSecond or DoubledInTurn. It is not
	// remembered.
	DoubledHour string
}

// The date orders.
const (
	DayFirst   = "day-first"
	MonthFirst = "month-first"
	YearFirst  = "year-first"
)

// The units of temperature.
const (
	Celsius    = "C"
	Fahrenheit = "F"
	Kelvin     = "K"
)

// What a doubled local time can mean.
const (
	DoubledFirst  = "first"   // as early as the order of the rows allows
	DoubledSecond = "second"  // as late as the order of the rows allows
	DoubledInTurn = "in-turn" // a time that comes twice means each of the two once
)

// Sync is what a logger's clock showed at a true instant. With one, the
// difference moves all readings. With two, the difference runs on a straight
// line through both, also before and behind them; it is rounded to the
// millisecond, halves away from zero.
type Sync struct{ Logger, True event.Instant }

// Window is a stretch of time, both ends inside.
type Window struct{ From, To event.Instant }

func (w Window) known() bool { return w.From != 0 && w.To != 0 }

// Mapping are the decisions for a logger's files of one shape. A file of that
// shape asks nothing that the mapping answers.
type Mapping struct {
	Shape             string   `json:"shape"`
	Delimiter         string   `json:"delimiter"`
	Decimal           string   `json:"decimal,omitempty"`
	DateOrder         string   `json:"dateOrder,omitempty"`
	Unit              string   `json:"unit"`
	Zone              string   `json:"zone,omitempty"`
	TimeColumn        int      `json:"timeColumn"`
	ClockColumn       int      `json:"clockColumn,omitempty"`
	TemperatureColumn int      `json:"temperatureColumn"`
	Faults            []string `json:"faults,omitempty"`
}

// ParseMapping reads what json.Marshal wrote of a Mapping. It refuses unknown
// fields: a decision that this build doesn't know must not be passed over.
func ParseMapping(data []byte) (Mapping, error) {
	var m Mapping
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return Mapping{}, fmt.Errorf("the remembered mapping can't be read; forget it and answer again: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return Mapping{}, fmt.Errorf("the remembered mapping has more behind its end; forget it and answer again")
	}
	if len(m.Shape) != 64 {
		return Mapping{}, fmt.Errorf("the remembered mapping: shape: %q is no hash of a header; forget it and answer again", shorten(m.Shape))
	}
	if m.Unit == "" || m.Delimiter == "" || m.TimeColumn == 0 || m.TemperatureColumn == 0 {
		return Mapping{}, fmt.Errorf("the remembered mapping lacks unit, delimiter, timeColumn or temperatureColumn; forget it and answer again")
	}
	if field, problem, remedy := m.said().check(nil); field != "" {
		return Mapping{}, fmt.Errorf("the remembered mapping: %s: %s; %s", field, problem, remedy)
	}
	return m, nil
}

func (m *Mapping) said() Said {
	return Said{
		Zone: m.Zone, DateOrder: m.DateOrder, Unit: m.Unit, Delimiter: m.Delimiter, Decimal: m.Decimal,
		TimeColumn: m.TimeColumn, ClockColumn: m.ClockColumn, TemperatureColumn: m.TemperatureColumn, Faults: m.Faults,
	}
}

// maxColumns bounds a column number.
const maxColumns = 1000

// check gives what is wrong with the first wrong field, field "" for nothing.
// With nil zones the names of zones are not looked up.
func (s Said) check(zones func(string) (*time.Location, error)) (field, problem, remedy string) {
	for _, one := range []struct {
		field, value string
		allowed      []string
	}{
		{"dateOrder", s.DateOrder, []string{DayFirst, MonthFirst, YearFirst}},
		{"unit", s.Unit, []string{Celsius, Fahrenheit, Kelvin}},
		{"delimiter", s.Delimiter, []string{",", ";", "\t", "|"}},
		{"decimal", s.Decimal, []string{".", ","}},
		{"doubledHour", s.DoubledHour, []string{DoubledFirst, DoubledSecond, DoubledInTurn}},
	} {
		if one.value != "" && !slices.Contains(one.allowed, one.value) {
			return one.field, fmt.Sprintf("%q is none of its values", shorten(one.value)), fmt.Sprintf("give one of %q", one.allowed)
		}
	}
	for _, one := range []struct {
		field string
		n     int
	}{{"timeColumn", s.TimeColumn}, {"clockColumn", s.ClockColumn}, {"temperatureColumn", s.TemperatureColumn}} {
		if one.n < 0 || one.n > maxColumns {
			return one.field, fmt.Sprintf("%d is no column", one.n), fmt.Sprintf("give its number, counted from 1, at most %d", maxColumns)
		}
	}
	if s.ClockColumn != 0 && (s.TimeColumn == 0 || s.ClockColumn == s.TimeColumn) {
		return "clockColumn", "it is the second of two columns", "give the column of the date as timeColumn"
	}
	if s.TemperatureColumn != 0 && (s.TemperatureColumn == s.TimeColumn || s.TemperatureColumn == s.ClockColumn) {
		return "temperatureColumn", fmt.Sprintf("column %d is that of the time", s.TemperatureColumn), "give the column of the temperature"
	}
	if s.EveryMs < 0 {
		return "interval", "it is negative", "give the logger's interval in milliseconds"
	}
	if s.Zone != "" {
		if _, fixed := fixedZone(s.Zone); !fixed && zones != nil {
			// "Local" would be the zone of whatever machine reads the file.
			if loc, err := zones(s.Zone); err != nil || loc == nil || s.Zone == "Local" {
				return "zone", fmt.Sprintf("%q is no time zone", shorten(s.Zone)), "give an IANA name such as Europe/Berlin, or an offset such as +01:00"
			}
		}
	}
	return "", "", ""
}

func (r *reader) checkAnswers() bool {
	zones := r.a.Zones
	if zones == nil {
		zones = func(name string) (*time.Location, error) {
			return nil, fmt.Errorf("no zones to look up %q", name)
		}
	}
	sources := []struct {
		name string
		said Said
	}{{"answer", r.a.Person}, {"logger's record", r.a.Record}}
	if m := r.a.Remembered; m != nil {
		sources = append(sources, struct {
			name string
			said Said
		}{"remembered mapping", m.said()})
	}
	for _, s := range sources {
		if field, problem, remedy := s.said.check(zones); field != "" {
			r.refuse(s.name+": "+field, problem, remedy)
		}
	}
	r.checkSync()
	return !r.file.Refused
}

// fixedZone reads UTC, Z, +01:00, -0330 and UTC+1.
func fixedZone(text string) (*time.Location, bool) {
	rest := strings.ToUpper(strings.TrimSpace(text))
	named := false
	for _, p := range []string{"UTC", "GMT"} {
		if after, ok := strings.CutPrefix(rest, p); ok {
			rest, named = strings.TrimSpace(after), true
			break
		}
	}
	if rest == "Z" || named && rest == "" {
		return time.UTC, true
	}
	minutes, n := readOffset(rest, named)
	if n == 0 || n != len(rest) {
		return nil, false
	}
	return fixed(minutes), true
}

// fixed gives the zone of an offset in minutes, named like "+01:00".
func fixed(minutes int) *time.Location {
	if minutes == 0 {
		return time.UTC
	}
	sign, m := '+', minutes
	if m < 0 {
		sign, m = '-', -m
	}
	return time.FixedZone(fmt.Sprintf("%c%02d:%02d", sign, m/60, m%60), minutes*60)
}

// readOffset reads +hh:mm, +hhmm or +hh (with loose also +h) at the start of
// text. It gives minutes and the length read, 0 for none.
func readOffset(text string, loose bool) (minutes, n int) {
	if text == "" || text[0] != '+' && text[0] != '-' {
		return 0, 0
	}
	run := func(from int) (value, end int) {
		for end = from; end < len(text) && end-from < 5 && text[end] >= '0' && text[end] <= '9'; end++ {
			value = value*10 + int(text[end]-'0')
		}
		return value, end
	}
	h, end := run(1)
	m := 0
	switch digits := end - 1; {
	case digits == 4:
		h, m = h/100, h%100
	case digits == 2 || digits == 1 && loose:
		if end < len(text) && text[end] == ':' {
			v, after := run(end + 1)
			if after-end != 3 {
				return 0, 0
			}
			m, end = v, after
		}
	default:
		return 0, 0
	}
	if h > 14 || m > 59 { // the offsets in use lie between -12:00 and +14:00
		return 0, 0
	}
	minutes = h*60 + m
	if text[0] == '-' {
		minutes = -minutes
	}
	return minutes, end
}

// choose gives the value that counts, by the strength of its source. found is
// what the file says; inHeader says that it stands in the header, where a
// remembered answer was given in its sight. clash says that sources disagree and
// a person must choose.
func choose(person, remembered string, found Decision, inHeader bool, record string) (d Decision, clash bool) {
	switch {
	case person != "":
		d = Decision{Value: person, By: Asked, Why: "asked"}
		if found.Value != "" && found.Value != person {
			d.Why += "; the file says otherwise: " + found.Why
		}
		return d, false
	case remembered != "":
		if found.Value != "" && found.Value != remembered && !inHeader {
			return Decision{}, true
		}
		return Decision{Value: remembered, By: Remembered, Why: "remembered from an earlier file of this shape"}, false
	case found.Value != "":
		return found, record != "" && record != found.Value
	case record != "":
		return Decision{Value: record, By: Record, Why: "told by the logger's record"}, false
	default:
		return Decision{}, false
	}
}
