package loggerfile_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/loggerfile"
	"specimen.example/custody/internal/thermal"
)

func instant(t testing.TB, text string) event.Instant {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return event.At(at)
}

// told answers zone and unit, as a logger's record would.
func told(zone, unit string) loggerfile.Answers {
	return loggerfile.Answers{Record: loggerfile.Said{Zone: zone, Unit: unit}, Zones: time.LoadLocation}
}

// show writes readings as "08:00=460 08:05=-", times in UTC.
func show(readings []event.Reading) string {
	var out []string
	for _, r := range readings {
		at, value := r.At.Time().Format("15:04"), "-"
		if r.At%60_000 != 0 {
			at = r.At.Time().Format("15:04:05.000")
		}
		if r.OK {
			value = fmt.Sprint(r.C)
		}
		out = append(out, at+"="+value)
	}
	return strings.Join(out, " ")
}

// asked writes the fields of the questions.
func asked(f loggerfile.File) string {
	var out []string
	for _, q := range f.Questions {
		out = append(out, string(q.Field))
	}
	return strings.Join(out, " ")
}

func read(t testing.TB, text string, a loggerfile.Answers) loggerfile.File {
	t.Helper()
	f := loggerfile.Read([]byte(text), a)
	if f.Refused || len(f.Questions) > 0 {
		t.Fatalf("refused %t, mistakes %v, questions %+v", f.Refused, f.Mistakes, f.Questions)
	}
	return f
}

func choice(t testing.TB, f loggerfile.File, field loggerfile.Field, value string) loggerfile.Choice {
	t.Helper()
	for _, q := range f.Questions {
		for _, c := range q.Choices {
			if q.Field == field && c.Value == value {
				return c
			}
		}
	}
	t.Fatalf("no choice %q of %s in %+v", value, field, f.Questions)
	return loggerfile.Choice{}
}

// https://github.com/asafdav/ng-csv/issues/28 and https://github.com/remcostoeten/dora/pull/232
func TestDecimalCommaAndSemicolonLogS1(t *testing.T) {
	f := read(t, "Time;Temp C\n2026-11-20 08:00:00;4,6\n2026-11-20 08:05:00;4,9\n", told("UTC", ""))
	if got := show(f.Readings); got != "08:00=460 08:05=490" {
		t.Error(got)
	}
	how := f.How
	for _, c := range []struct{ name, got, want string }{
		{"delimiter", how.Delimiter.Value, ";"}, {"decimal", how.Decimal.Value, ","},
		{"decimal why", how.Decimal.Why, "all decimals have a comma, the first in line 2"},
		{"unit", how.Unit.Value, "C"}, {"unit why", how.Unit.Why, `the header says so: "Temp C"`},
		{"order", how.DateOrder.Value, loggerfile.YearFirst}, {"encoding", how.Encoding.Value, "UTF-8"},
		{"zone why", how.Zone.Why, "told by the logger's record"}, {"time", how.Time.Name, "Time"}, {"temperature", how.Temperature.Name, "Temp C"},
		{"preview", fmt.Sprint(how.Preview[1].Line, how.Preview[1].Time, how.Preview[1].Value, how.Preview[1].Reading.C, how.Preview[1].Local),
			fmt.Sprint(3, "2026-11-20 08:05:00", "4,9", 490, "2026-11-20 08:05:00 +00:00")},
		{"raw", f.Readings[0].Raw, "4,6"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %q, want %q", c.name, c.got, c.want)
		}
	}
	if how.Rows != 2 || how.Values != 2 || how.HeaderLine != 1 || how.FoundEveryMs != 300_000 {
		t.Errorf("%+v", how)
	}
}

// https://github.com/dotCMS/core/issues/36508
func TestByteOrderMarkLogS2(t *testing.T) {
	const text = "Time,Temp C\n2026-11-20 08:00:00,4.6\n"
	plain, marked := read(t, text, told("UTC", "")), read(t, "\xef\xbb\xbf"+text, told("UTC", ""))
	if marked.How.Time.Name != "Time" || !slices.Equal(plain.Readings, marked.Readings) || len(plain.Readings) != 1 || plain.How.Shape != marked.How.Shape {
		t.Errorf("with mark %+v, without %+v", marked, plain)
	}
	if plain.Hash == marked.Hash {
		t.Error("two files have one hash")
	}
}

// https://github.com/wireservice/csvkit/issues/280 and https://github.com/nyblnet/bento/pull/230
func TestDayOrMonthFirstLogS3(t *testing.T) {
	const open = "Time,Temp C\n03/04/2026 08:00,4.8\n03/04/2026 10:00,4.9\n03/04/2026 12:00,5.1\n"
	a := told("UTC", "")
	a.Window = loggerfile.Window{From: instant(t, "2026-04-03T07:00:00Z"), To: instant(t, "2026-04-03T13:00:00Z")}
	f := loggerfile.Read([]byte(open), a)
	if asked(f) != "date-order" || f.Readings != nil {
		t.Fatalf("asked %q, readings %v", asked(f), f.Readings)
	}
	day, month := choice(t, f, loggerfile.FieldDateOrder, loggerfile.DayFirst), choice(t, f, loggerfile.FieldDateOrder, loggerfile.MonthFirst)
	if day.First != instant(t, "2026-04-03T08:00:00Z") || day.Last != instant(t, "2026-04-03T12:00:00Z") || day.Outside {
		t.Errorf("day first: %+v", day)
	}
	if month.First != instant(t, "2026-03-04T08:00:00Z") || !month.Outside || !strings.Contains(month.Text, "outside 2026-04-03T07:00:00.000Z to 2026-04-03T13:00:00.000Z") {
		t.Errorf("month first: %+v", month)
	}
	if s := f.Questions[0].Samples; len(s) != 3 || s[0] != (loggerfile.Sample{Line: 2, Text: "03/04/2026 08:00"}) {
		t.Errorf("samples %v", s)
	}

	a.Person.DateOrder = loggerfile.DayFirst
	if f := read(t, open, a); f.How.DateOrder.Why != "asked" || f.How.First.At != day.First {
		t.Errorf("%+v", f.How)
	}
	a.Person.DateOrder = ""
	f = read(t, open+"23/04/2026 08:00,5.0\n", a)
	if f.How.DateOrder.Value != loggerfile.DayFirst || f.How.DateOrder.Why != "decided by value 23 in line 5 (23/04/2026 08:00)" {
		t.Errorf("%+v", f.How.DateOrder)
	}
	f = read(t, "Time,Temp C\n04/23/2026 08:00,5.0\n03/04/2026 08:00,4.8\n", a)
	if f.How.DateOrder.Value != loggerfile.MonthFirst || f.How.DateOrder.Why != "decided by value 23 in line 2 (04/23/2026 08:00)" {
		t.Errorf("%+v", f.How.DateOrder)
	}
	f = read(t, "Time,Temp C\n04/23/2026 08:00,5.0\n", a) // decided, and yet not this trip
	if len(f.How.Notes) != 1 || !strings.Contains(f.How.Notes[0], "outside 2026-04-03T07:00:00.000Z to") {
		t.Errorf("notes %q", f.How.Notes)
	}
}

// https://github.com/patrickvorgers/Home-Assistant-Import-Energy-Data/issues/134
func TestNoZoneInTheFileLogS4(t *testing.T) {
	const text = "Time;Temp C\n2026-11-24 09:00:00;4,6\n"
	f := loggerfile.Read([]byte(text), loggerfile.Answers{Offer: []string{"Europe/Berlin"}, Zones: time.LoadLocation})
	if asked(f) != "zone" || f.Readings != nil || !f.Questions[0].Open {
		t.Fatalf("asked %q, readings %v", asked(f), f.Readings)
	}
	if c := choice(t, f, loggerfile.FieldZone, "Europe/Berlin"); c.First != instant(t, "2026-11-24T08:00:00Z") || c.FirstLocal != "2026-11-24 09:00:00" {
		t.Errorf("%+v", c)
	}
	if c := choice(t, f, loggerfile.FieldZone, "UTC"); c.First != instant(t, "2026-11-24T09:00:00Z") {
		t.Errorf("%+v", c)
	}
	for _, c := range []struct {
		a       loggerfile.Answers
		why, at string
	}{
		{told("+01:00", ""), "told by the logger's record", "2026-11-24T08:00:00Z"},
		{told("Europe/Berlin", ""), "told by the logger's record", "2026-11-24T08:00:00Z"},
		// Corrected later: the same bytes with another answer give other instants.
		{loggerfile.Answers{Person: loggerfile.Said{Zone: "+02:00"}, Record: loggerfile.Said{Zone: "+01:00"}}, "asked", "2026-11-24T07:00:00Z"},
	} {
		f := read(t, text, c.a)
		if f.How.Zone.Why != c.why || f.Readings[0].At != instant(t, c.at) {
			t.Errorf("%+v: zone %+v, at %s", c.a, f.How.Zone, f.Readings[0].At)
		}
	}
}

// https://github.com/timofurrer/w1thermsensor/issues/46
func TestSensorFaultsLogS5(t *testing.T) {
	f := read(t, "Time;Temp C\n2026-11-20 08:00;85.0\n2026-11-20 08:05;4.8\n2026-11-20 08:10;4.9\n2026-11-20 08:15;-127.0\n2026-11-20 08:20;5.0\n", told("UTC", ""))
	if got := show(f.Readings); got != "08:00=- 08:05=480 08:10=490 08:15=- 08:20=500" {
		t.Error(got)
	}
	if f.How.FaultSummary != "2 of 5 were faults" || f.How.Faults != 2 || f.How.Lowest.C != 480 || f.How.Highest.C != 500 {
		t.Errorf("%+v", f.How)
	}
	if f.Readings[0].Raw != "85.0" {
		t.Errorf("the fault's text is lost: %+v", f.Readings[0])
	}
}

// Common practice, no source. The pair -127 °C and -196.6 °F of one fault is from
// https://github.com/Gbertaz/NonBlockingDallas/pull/2
func TestFahrenheitLogS6(t *testing.T) {
	rows := "2026-11-20 08:00,39.2\n2026-11-20 08:05,71.6\n"
	f := read(t, "Time,Temperature (F)\n"+rows, told("UTC", ""))
	if got := show(f.Readings); got != "08:00=400 08:05=2200" || f.How.Unit.Value != loggerfile.Fahrenheit {
		t.Error(got, f.How.Unit)
	}
	f = loggerfile.Read([]byte("Time,Temperature\n"+rows), told("UTC", ""))
	if asked(f) != "unit" || f.Readings != nil {
		t.Fatalf("asked %q, readings %v", asked(f), f.Readings)
	}
	for _, c := range []struct {
		unit, text  string
		implausible bool
	}{
		{"C", "°C: the values run from 39.20 °C to 71.60 °C", false},
		{"F", "°F: the values run from 4.00 °C to 22.00 °C", false},
		{"K", "K: no value would be a temperature; 2 of 2 would be faults or beyond what a sensor measures", true},
	} {
		if got := choice(t, f, loggerfile.FieldUnit, c.unit); got.Text != c.text || got.Implausible != c.implausible {
			t.Errorf("%+v", got)
		}
	}
	f = read(t, "Time,Temperature °F\n2026-11-20 08:00,-196.6\n2026-11-20 08:05,185\n2026-11-20 08:10,85\n", told("UTC", ""))
	if got := show(f.Readings); got != "08:00=- 08:05=- 08:10=2944" {
		t.Error(got)
	}
}

// Common practice, no source; what lies unknown is the rule of package thermal.
func TestGapLogS7(t *testing.T) {
	var b strings.Builder
	b.WriteString("Time;Temp C\n")
	at := instant(t, "2026-11-20T08:00:00Z")
	for m := event.Instant(0); m <= 240; m += 5 {
		if m <= 70 || m >= 220 {
			fmt.Fprintf(&b, "%s;4.%d\n", (at + m*60_000).Time().Format("2006-01-02 15:04:05"), m%10)
		}
	}
	f := read(t, b.String(), told("UTC", ""))
	from, to := instant(t, "2026-11-20T09:10:00Z"), instant(t, "2026-11-20T11:40:00Z")
	if !slices.Equal(f.How.Gaps, []loggerfile.Gap{{From: from, To: to}}) || f.How.GapCount != 1 || f.How.EveryMs != 300_000 {
		t.Errorf("gaps %v of %d ms", f.How.Gaps, f.How.EveryMs)
	}
	s := &thermal.Series{EveryMs: f.How.EveryMs, HoldMs: -1}
	s.Add(f.Readings...)
	var unknown []string
	for _, seg := range thermal.Build(nil, []thermal.Layer{{From: at, To: at + 240*60_000, Series: []*thermal.Series{s}}}, at, at+240*60_000) {
		if seg.Evidence == thermal.Unknown {
			unknown = append(unknown, seg.From.Time().Format("15:04")+"-"+seg.To.Time().Format("15:04"))
		}
	}
	if got := strings.Join(unknown, " "); got != "09:15-11:40" { // less one sampling step
		t.Errorf("unknown %s", got)
	}
}
