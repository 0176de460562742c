package loggerfile_test

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/loggerfile"
)

// All files below are invented fixtures.

func TestShapes(t *testing.T) {
	person := func(s loggerfile.Said) loggerfile.Answers {
		if s.Zone == "" {
			s.Zone = "UTC"
		}
		return loggerfile.Answers{Person: s, Zones: time.LoadLocation}
	}
	for _, c := range []struct {
		name, text string
		a          loggerfile.Answers
		want       string
	}{
		{"tabs", "Date\tTime\tTemp (°C)\n20.11.2026\t08:00\t4,6\n20.11.2026\t08:05\t4,7\n", told("UTC", ""), "08:00=460 08:05=470"},
		{"bars, no header", "2026-11-20T08:00:00Z|4.6\n2026-11-20T08:05:00Z|4.7\n", told("", "C"), "08:00=460 08:05=470"},
		{"quotes, comma in a value", "\"Time\",\"Temp, °C\"\n\"2026-11-20 08:00\",\"4,6\"\n", told("UTC", ""), "08:00=460"},
		{"line break in a name (RFC 4180, 2.6)", "Time,\"Temp\n(°C)\"\n2026-11-20 08:00,4.6\n", told("UTC", ""), "08:00=460"},
		{"doubled quote in a name (RFC 4180, 2.7)", "Time,\"Temp \"\"in\"\" °C\"\n2026-11-20 08:00,4.6\n", told("UTC", ""), "08:00=460"},
		{"CR alone ends lines", "Time;Temp C\r2026-11-20 08:00;4.6\r2026-11-20 08:05;4.7\r", told("UTC", ""), "08:00=460 08:05=470"},
		{"preamble with a start time and a number", "Serial;123456\nStart;2026-11-20 07:00:00;3\nInterval;5 min\n\nTime;Temp C;Humidity\n2026-11-20 08:00;4,6;50\n2026-11-20 08:05;4,7;51\n", told("UTC", ""), "08:00=460 08:05=470"},
		{"unit in the preamble", "Unit: °F\nTime;Temp\n2026-11-20 08:00;39.2\n", told("UTC", ""), "08:00=400"},
		{"unit below the name", "TIMESTAMP,RECORD,Temp_Avg\nTS,RN,Deg C\n,,Avg\n2026-11-20 08:00:00,1,4.6\n", told("UTC", ""), "08:00=460"},
		{"unit behind values", "Time,Temp\n2026-11-20 08:00,4.6 °C\n2026-11-20 08:05,4.7 °C\n", told("UTC", ""), "08:00=460 08:05=470"},
		{"kelvin", "Time,Temp (K)\n2026-11-20 08:00,277.75\n", told("UTC", ""), "08:00=460"},
		{"half hour noon and midnight", "Time,Temp C\n11/20/2026 12:05:00 AM,4.6\n11/20/2026 12:05:00 PM,4.7\n11/20/2026 1:05 p.m.,4.8\n", told("UTC", ""), "00:05=460 12:05=470 13:05=480"},
		{"named months", "Time,Temp C\n20-Nov-2026 08:00,4.6\n\"Nov 20, 2026 08:05\",4.7\n20 November 2026 08:10,4.8\n", told("UTC", ""), "08:00=460 08:05=470 08:10=480"},
		{"time of day first", "Time,Temp C\n08:00:00 20/11/2026,4.6\n", told("UTC", ""), "08:00=460"},
		{"offset in rows", "Time,Temp C\n2026-11-20T08:00:00+01:00,4.6\n2026-11-20T08:05:00+0100,4.7\n", told("", ""), "07:00=460 07:05=470"},
		{"offset in the header", "\"Date Time, GMT+01:00\",Temp C\n2026-11-20 08:00,4.6\n", told("", ""), "07:00=460"},
		{"offset in the header agrees with the record", "\"Date Time, GMT+01:00\",Temp C\n2026-11-20 08:00,4.6\n", told("Europe/Berlin", ""), "07:00=460"},
		{"zone in the preamble", "Time zone;UTC+2\nTime;Temp C\n2026-11-20 08:00;4.6\n", told("", ""), "06:00=460"},
		{"sep= of spreadsheets", "sep=;\nTime;Temp C\n2026-11-20 08:00;4.6\n", told("UTC", ""), "08:00=460"},
		{"newest first", "Time;Temp C\n2026-11-20 08:05;4.7\n2026-11-20 08:00;4.6\n", told("UTC", ""), "08:00=460 08:05=470"},
		{"header again", "Time;Temp C\n2026-11-20 08:00;4.6\nTime;Temp C\n2026-11-20 08:05;4.7\n", told("UTC", ""), "08:00=460 08:05=470"},
		{"two-digit year, told", "Time;Temp C\n20/11/26 08:00;4.6\n", person(loggerfile.Said{DateOrder: loggerfile.DayFirst}), "08:00=460"},
		{"two-digit year over 31 and day over 12", "Time;Temp C\n20/11/32 08:00;4.6\n", told("UTC", ""), "08:00=460"},
		{"empty and words for no reading", "Time;Temp C\n2026-11-20 08:00;\n2026-11-20 08:05;NaN\n2026-11-20 08:10;0\n", told("UTC", ""), "08:00=- 08:05=- 08:10=0"},
		{"fault codes of this logger", "Time;Temp C\n2026-11-20 08:00;-20,0\n2026-11-20 08:05;e7\n2026-11-20 08:10;4,0\n", person(loggerfile.Said{Faults: []string{"-20", "E7"}}), "08:00=- 08:05=- 08:10=400"},
		{"the column of the temperature is told", "Time;A;B\n2026-11-20 08:00;1.0;2.0\n", person(loggerfile.Said{Unit: "C", TemperatureColumn: 3}), "08:00=200"},
		{"minus of typesetters, plus, no leading digit", "Time;Temp C\n2026-11-20 08:00;−4.5\n2026-11-20 08:05;+4.5\n2026-11-20 08:10;-.5\n", told("UTC", ""), "08:00=-450 08:05=450 08:10=-50"},
		{"halves away from zero", "Time;Temp C\n2026-11-20 08:00;4.605\n2026-11-20 08:05;-4.605\n2026-11-20 08:10;4.6049\n", told("UTC", ""), "08:00=461 08:05=-461 08:10=460"},
		{"Fahrenheit rounds to the nearest", "Time;Temp F\n2026-11-20 08:00;33\n2026-11-20 08:05;31\n2026-11-20 08:10;32.009\n", told("UTC", ""), "08:00=56 08:05=-56 08:10=1"},
		{"both values of one instant are kept, repeats not", "Time;Temp C\n2026-11-20 08:00;4.6\n2026-11-20 08:00;4.60\n2026-11-20 08:00;4.4\n", told("UTC", ""), "08:00=440 08:00=460"},
		{"out of order", "Time;Temp C\n2026-11-20 08:00;4.6\n2026-11-20 08:10;4.8\n2026-11-20 08:05;4.7\n2026-11-20 08:15;4.9\n", told("UTC", ""), "08:00=460 08:05=470 08:10=480 08:15=490"},
		{"German names", "Datum;Uhrzeit;Temperatur [°C];Feuchte [%]\n20.11.2026;08:00:00;4,6;51,0\n", told("UTC", ""), "08:00=460"},
		{"a value that can't be read is no reading", "Time;Temp C\n2026-11-20 08:00;4.6\n2026-11-20 08:05;warm\n2026-11-20 08:10;4.8\n", told("UTC", ""), "08:00=460 08:05=- 08:10=480"},
		{"a time that can't be read breaks the line", "Time;Temp C\n2026-11-20 08:00;4.6\n2026-11-20 8h;4.7\n2026-11-20 08:10;4.8\n", told("UTC", ""), "08:00=460 08:00:00.001=- 08:10=480"},
		{"and newest first", "Time;Temp C\n2026-11-20 08:10;4.8\n2026-11-20 8h;4.7\n2026-11-20 08:00;4.6\n", told("UTC", ""), "08:00=460 08:00:00.001=- 08:10=480"},
		{"the last row too", "Time;Temp C\n2026-11-20 08:00;4.6\n2026-11-20 8h;4.7\n", told("UTC", ""), "08:00=460 08:00:00.001=-"},
		{"a forgotten quote costs its row alone", "Time;Temp C\n2026-11-20 08:00;4.6\n\"2026-11-20 08:05;4.7\n2026-11-20 08:10;4.8\n2026-11-20 08:15;4.9\n", told("UTC", ""), "08:00=460 08:00:00.001=- 08:10=480 08:15=490"},
		{"a start with number and time of the same form as rows", "No;Time;Temp C\n1;2026-11-20 08:00;4.6\n", told("UTC", ""), "08:00=460"},
		{"and with a start of that form", "Start;2026-11-20 07:00\nNo;Time;Temp C\n1;2026-11-20 08:00;4.6\n", told("UTC", ""), "08:00=460"},
		{"a column of numbers has no name", "Time;;Note\n2026-11-20 08:00;4.6;ok\n", told("UTC", "C"), "08:00=460"},
		{"no value in the first rows, no name for the temperature", "Time;A\n2026-11-20 08:00;\n2026-11-20 08:05;oops\n2026-11-20 08:10;4\n", told("UTC", "C"), "08:00=- 08:05=- 08:10=400"},
		{"a first row without a time", "Time;Temp C\n2026-11-20 8h;4.5\n2026-11-20 9h;4.5\n2026-11-20 9h;4.5\n2026-11-20 9h;4.5\n2026-11-20 08:00;4.6\n", told("UTC", ""), "08:00=460"},
		{"no header and a first row without value", "2026-11-20 08:00;\n2026-11-20 08:05;4\n", told("UTC", "C"), "08:00=- 08:05=400"},
		{"a note with a line break", "Time;Temp C;Note\n2026-11-20 08:00;4.6;\"by\nlena\"\n2026-11-20 08:05;4.7;\n", told("UTC", ""), "08:00=460 08:05=470"},
		{"a sensor that failed from the start", "Time;Temp C\n2026-11-20 08:00;oops\n2026-11-20 08:05;\n2026-11-20 08:10;oops\n", told("UTC", ""), "08:00=- 08:05=- 08:10=-"},
		{"years of a logger that was never set", "Time;Temp C\n1970-01-01 00:05;4.6\n2026-11-20 08:00;4.7\n", told("UTC", ""), "08:00=470"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := read(t, c.text, c.a)
			if got := show(f.Readings); got != c.want {
				t.Errorf("got %s\nwant %s\n%+v", got, c.want, f)
			}
		})
	}
}

func TestQuestions(t *testing.T) {
	for _, c := range []struct {
		name, text string
		a          loggerfile.Answers
		want, why  string
	}{
		{"zone, unit and date at once", "Time,Temp\n03/04/2026 08:00,4.6\n", loggerfile.Answers{}, "unit date-order zone", ""},
		{"two temperatures", "Time;Temp 1 °C;Temp 2 °C\n2026-11-20 08:00;4.6;5.6\n", told("UTC", ""), "temperature-column", ""},
		{"nameless columns of numbers", "2026-11-20 08:00;4.6;50\n2026-11-20 08:05;4.7;51\n", told("UTC", "C"), "temperature-column", ""},
		{"local, beside UTC", "Local time (UTC in column 3);Temp C;UTC offset\n2026-11-20 08:00;4.6;x\n", loggerfile.Answers{}, "zone", ""},
		{"two times", "Time (logger);Time (upload);Temp C\n2026-11-20 08:00;2026-11-20 09:00;4.6\n", told("UTC", ""), "time-column", ""},
		{"both decimal marks", "Time;Temp C\n2026-11-20 08:00;4,6\n2026-11-20 08:05;4.6\n", told("UTC", ""), "decimal", "both marks"},
		{"a letter among channels is no unit", "Time;Temp A;Temp B;Temp C\n2026-11-20 08:00;1.0;2.0;3.0\n",
			loggerfile.Answers{Person: loggerfile.Said{Zone: "UTC", TemperatureColumn: 4}}, "unit", ""},
		{"probe C", "Time;Probe C\n2026-11-20 08:00;1.0\n", told("UTC", ""), "unit", ""},
		{"header against values", "Time;Temp °C\n2026-11-20 08:00;39.2 °F\n", told("UTC", ""), "unit", ""},
		{"header against record, unit", "Time;Temp °F\n2026-11-20 08:00;39.2\n", told("UTC", "C"), "unit", "not what was remembered or recorded"},
		{"header against record, zone", "Time (UTC);Temp °C\n2026-11-20 08:00;4.6\n", told("Europe/Berlin", ""), "zone", "the file says UTC"},
		{"value against record, date", "Time;Temp °C\n23/04/2026 08:00;4.6\n",
			loggerfile.Answers{Record: loggerfile.Said{Zone: "UTC", DateOrder: loggerfile.MonthFirst}}, "date-order", "value 23 in line 2"},
		{"dates that contradict", "Time;Temp °C\n23/04/2026 08:00;4.6\n04/23/2026 08:05;4.6\n", told("UTC", ""), "date-order", "in line 2 is not month-first"},
		{"a year of two digits", "Time;Temp °C\n26/11/20 08:00;4.6\n", told("UTC", ""), "date-order", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := loggerfile.Read([]byte(c.text), c.a)
			if asked(f) != c.want || f.Readings != nil || f.Refused {
				t.Fatalf("asked %q, want %q; %+v", asked(f), c.want, f)
			}
			if !strings.Contains(f.Questions[0].Why, c.why) {
				t.Errorf("why %q", f.Questions[0].Why)
			}
			// Answered with first choices, whatever they are, it asks no more.
			for range 3 {
				for _, q := range f.Questions {
					var ok bool
					if c.a.Person, ok = c.a.Person.Answer(q.Field, q.Choices[0].Value); !ok {
						t.Fatalf("choice %q is no answer to %s", q.Choices[0].Value, q.Field)
					}
				}
				c.a.Zones = time.LoadLocation
				f = loggerfile.Read([]byte(c.text), c.a)
			}
			if len(f.Questions) > 0 || f.Refused || len(f.Readings) == 0 {
				t.Errorf("still asked %q, mistakes %v", asked(f), f.Mistakes)
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	row := "2026-11-20 08:00;4.6\n"
	for _, c := range []struct {
		name, text, want string
		a                loggerfile.Answers
	}{
		{"empty", "", "file: it is empty; ", told("UTC", "C")},
		{"blank", " \n\n", "file: it has no line with text", told("UTC", "C")},
		{"zero bytes", "a\x00\x00b\x00\x00c", "zero bytes", told("UTC", "C")},
		{"UTF-32", "\xff\xfe\x00\x00T\x00\x00\x00", "UTF-32", told("UTC", "C")},
		{"half a character", "\xff\xfeT\x00i", "ends within a character", told("UTC", "C")},
		{"half a pair", "\xff\xfe\x00\xd8T\x00", "half of a character", told("UTC", "C")},
		{"no encoding", "T\x81\n", "(81) is neither UTF-8 nor Windows-1252", told("UTC", "C")},
		{"prose", "this is no export\n", `no line has a time and a value with a comma, semicolon, tab or bar between; line 1 is "this is no export"`, told("UTC", "C")},
		{"header alone", "Time;Temp C\n", "no line has a time and a value", told("UTC", "C")},
		{"no numbers", "Time;Name\n2026-11-20 08:00;mira\n", "no column has numbers", told("UTC", "C")},
		{"too long", strings.Repeat(" ", loggerfile.MaxBytes) + row, "at most 16777216 are read; export a shorter stretch", told("UTC", "C")},
		{"a long line", row + strings.Repeat("x", loggerfile.MaxLine+1), "line 2: row: the line has 65537 bytes", told("UTC", "C")},
		{"many rows", strings.Repeat("1\n", loggerfile.MaxRows+1), "it has 2000001 rows and at most 2000000", told("UTC", "C")},
		{"no such zone", row, "logger's record: zone: \"Europe/Nowhere\" is no time zone", told("Europe/Nowhere", "C")},
		{"the zone of this machine", row, "\"Local\" is no time zone", told("Local", "C")},
		{"no such unit", row, "logger's record: unit: \"R\" is none of its values", told("UTC", "R")},
		{"no such column", row, "there is no column 5: the table has 2", loggerfile.Answers{Person: loggerfile.Said{Zone: "UTC", Unit: "C", TemperatureColumn: 5}}},
		{"one column twice", row, "column 1 is that of the time", loggerfile.Answers{Person: loggerfile.Said{Zone: "UTC", Unit: "C", TemperatureColumn: 1}}},
		{"wrong delimiter told", row, "with a comma between", loggerfile.Answers{Person: loggerfile.Said{Zone: "UTC", Unit: "C", Delimiter: ","}}},
		{"three sightings", row, "there are 3 sightings", loggerfile.Answers{Sync: make([]loggerfile.Sync, 3)}},
		{"a sighting without instant", row, "lacks an instant", loggerfile.Answers{Sync: make([]loggerfile.Sync, 1)}},
		{"sightings in no order", row, "not behind the first", loggerfile.Answers{Sync: []loggerfile.Sync{{Logger: 9e11, True: 9e11}, {Logger: 8e11, True: 8e11}}}},
		{"a clock twice as fast", row, "no clock runs twice", loggerfile.Answers{Sync: []loggerfile.Sync{{Logger: 8e11, True: 8e11}, {Logger: 9e11, True: 8.4e11}}}},
		{"every row is skipped time", "Time;Temp C\n2026-03-29 02:30;4.6\n", "no row can be read", told("Europe/Berlin", "")},
		{"decimal comma between commas", "Time,Temp C\n2026-11-20 08:00:00,4,6\n", "line 2, column 2: row: it has 3 columns and the table has 2; if a decimal comma", told("UTC", "")},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := loggerfile.Read([]byte(c.text), c.a)
			var all []string
			for _, m := range f.Mistakes {
				all = append(all, m.String())
			}
			got := strings.Join(all, "\n")
			if !strings.Contains(got, c.want) || f.Readings != nil && c.name != "decimal comma between commas" {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestMistakes(t *testing.T) {
	f := read(t, "Time;Temp C;Note\n"+
		"2026-11-20 08:00;4.6\n"+ // 2: fine, a missing last column is none of our business
		"2026-11-20 08:05;warm;\n"+
		"31.11.2026 08:10;4.7;\n"+
		";4.7;\n"+
		"2026-11-20;4.7;\n"+
		"\"2026-11-20 08:15\"x;4.7;\n"+
		"2026-11-20 08:20;4.7;;9\n"+
		"2026-11-20 08:25\n"+
		"2026-11-20 08:30;39.2 F\n"+
		"2026-11-20 08:35;4,7\n"+
		"2026-11-20 24:00;4.7\n"+
		"2026-11-20 08:40;4.7\n"+
		"2026-11-20 08:45;4.8\n"+
		"\n;;\n", loggerfile.Answers{Person: loggerfile.Said{Zone: "UTC", Unit: "C", Decimal: "."}})
	want := []string{
		`line 3, column 2: temperature: "warm" is no temperature; `,
		`line 4, column 1: time: "31.11.2026 08:10" is no date of the calendar from 1971 to 2199; `,
		`line 5, column 1: time: it is empty; `,
		`line 6, column 1: time: "2026-11-20" lacks the date or the time of day; `,
		`line 7: row: a quote is not closed or has text behind it; `,
		`line 8, column 2: row: it has 4 columns and the table has 3; `,
		`line 9, column 2: row: it has 1 columns and the temperature is in column 2; `,
		`line 10, column 2: temperature: "39.2 F" has another unit than the column, which is C; `,
		`line 11, column 2: temperature: "4,7" has another decimal mark than "."; `,
		`line 12, column 1: time: "2026-11-20 24:00" is no time that can be read; `,
	}
	for i, m := range f.Mistakes {
		if i >= len(want) || !strings.HasPrefix(m.String(), want[i]) || m.Remedy == "" {
			t.Errorf("mistake %d: %s", i, m)
		}
	}
	how := f.How
	if len(f.Mistakes) != len(want) || how.Unreadable != 10 || how.Values != 3 || how.Rows != 13 || how.Blank != 2 || how.Breaks != 2 {
		t.Errorf("%d mistakes, %+v", len(f.Mistakes), how)
	}
}

func TestRowsBeforeTheHeaderAreTold(t *testing.T) {
	f := read(t, "2026-11-20 07:00;1\nTime;Temp C\n2026-11-20 08:00;4.6\n", told("UTC", ""))
	if len(f.Mistakes) != 1 || !strings.Contains(f.Mistakes[0].String(), "line 1: row: it stands before the header in line 2") || show(f.Readings) != "08:00=460" {
		t.Errorf("%v, %s", f.Mistakes, show(f.Readings))
	}
	for text, lines := range map[string]int{
		"Time;Temp C\n2026-11-20 8h;4.5\n2026-11-20 8h;4.5\n2026-11-20 8h;4.5\n2026-11-20 8h;4.5\n2026-11-20 08:00;4.6\n": 4,
		"2026-11-20 8h;4.5\n2026-11-20 08:00;4.6\n": 1,
	} {
		if f := read(t, text, told("UTC", "C")); len(f.Mistakes) != lines || f.How.Unreadable != lines {
			t.Errorf("%q: %v", text, f.Mistakes)
		}
	}
	// A second header of another wording isn't the beginning of the table.
	f = read(t, "Time;Temp C\n2026-11-20 08:00;4.6\nTime;Temp 1 C\n2026-11-20 08:05;4.7\n", told("UTC", ""))
	if len(f.Mistakes) != 1 || f.Mistakes[0].Line != 3 || len(f.Readings) != 3 {
		t.Errorf("%v, %s", f.Mistakes, show(f.Readings))
	}
}

func TestManyMistakesAreCounted(t *testing.T) {
	f := read(t, "Time;Temp C\n2026-11-20 08:00;4.6\n"+strings.Repeat("x;y\n", 700), told("UTC", ""))
	if n := len(f.Mistakes); n != 501 || f.How.Unreadable != 700 || !strings.Contains(f.Mistakes[0].String()+f.Mistakes[n-1].String(), "there are 200 more mistakes") {
		t.Errorf("%d mistakes, %d unreadable, %s", n, f.How.Unreadable, f.Mistakes[n-1])
	}
}

func TestEncodings(t *testing.T) {
	const text = "Zeit;Temp °C\n2026-11-20 08:00;4,6\n"
	wide := func(order binary.AppendByteOrder, mark bool) string {
		var out []byte
		if mark {
			out = order.AppendUint16(out, 0xfeff)
		}
		for _, u := range utf16.Encode([]rune(text)) {
			out = order.AppendUint16(out, u)
		}
		return string(out)
	}
	for _, c := range []struct{ data, name, why string }{
		{text, "UTF-8", "all bytes are UTF-8; no byte-order mark"},
		{"\ufeff" + text, "UTF-8", "byte-order mark"},
		{wide(binary.LittleEndian, true), "UTF-16 LE", "byte-order mark"},
		{wide(binary.BigEndian, true), "UTF-16 BE", "byte-order mark"},
		{wide(binary.LittleEndian, false), "UTF-16 LE", "no byte-order mark; the second byte of most pairs is zero"},
		{wide(binary.BigEndian, false), "UTF-16 BE", "no byte-order mark; the first byte of most pairs is zero"},
		// B0 is the degree sign: https://encoding.spec.whatwg.org/index-windows-1252.txt
		{strings.ReplaceAll(text, "°", "\xb0"), "Windows-1252", "line 1 holds the byte B0, which is no UTF-8"},
	} {
		f := read(t, c.data, told("UTC", ""))
		if f.How.Encoding.Value != c.name || f.How.Encoding.Why != c.why || show(f.Readings) != "08:00=460" || f.How.Temperature.Name != "Temp °C" {
			t.Errorf("%s: %+v, %q", c.name, f.How.Encoding, f.How.Temperature.Name)
		}
	}
}

// Europe/Berlin changed its clocks on 2026-03-29 and 2026-10-25 at 01:00 UTC, by the
// zone data of IANA. That Go's parser moves a skipped time: golang/go issue 63345.
func TestClockChange(t *testing.T) {
	rows := func(times ...string) string {
		var b strings.Builder
		b.WriteString("Time;Temp C\n")
		for i, at := range times {
			fmt.Fprintf(&b, "2026-10-25 %s;%d.0\n", at, i+1)
		}
		return b.String()
	}
	every := func(minutes int, from, to string) (out []string) {
		a, _ := time.Parse("15:04", from)
		b, _ := time.Parse("15:04", to)
		for ; !a.After(b); a = a.Add(time.Duration(minutes) * time.Minute) {
			out = append(out, a.Format("15:04"))
		}
		return out
	}
	berlin := told("Europe/Berlin", "")
	night := slices.Concat(every(15, "01:30", "02:45"), every(15, "02:00", "03:15"))
	f := read(t, rows(night...), berlin)
	if f.How.Doubled.Value != "by order" || f.How.DoubledRows != 8 || f.How.GapCount != 0 || f.How.FoundEveryMs != 15*60_000 {
		t.Errorf("a whole night: %+v", f.How)
	}
	if got := f.Readings[2]; got.At != instant(t, "2026-10-25T00:00:00Z") || got.C != 300 {
		t.Errorf("third reading %+v", got)
	}
	slices.Reverse(night)
	g := read(t, rows(night...), berlin)
	if g.How.Doubled.Value != "by order" || !g.How.NewestFirst || g.Readings[2].At != f.Readings[2].At {
		t.Errorf("newest first: %+v", g.How)
	}

	f = read(t, rows("00:00", "01:00", "02:00", "02:00", "03:00", "04:00"), berlin)
	if got := show(f.Readings[2:4]); f.How.Doubled.Value != "by interval" || got != "00:00=300 01:00=400" {
		t.Errorf("hourly: %+v, %s", f.How.Doubled, got)
	}

	once := rows(every(15, "01:30", "03:15")...)
	f = loggerfile.Read([]byte(once), berlin)
	if asked(f) != "doubled-hour" || f.Readings != nil {
		t.Fatalf("the hour comes once: asked %q", asked(f))
	}
	if c := choice(t, f, loggerfile.FieldDoubled, loggerfile.DoubledSecond); c.First != instant(t, "2026-10-25T01:00:00Z") || c.FirstLocal != "2026-10-25 02:00:00 +01:00" {
		t.Errorf("%+v", c)
	}
	for value, at := range map[string]string{loggerfile.DoubledFirst: "2026-10-25T00:00:00Z", loggerfile.DoubledSecond: "2026-10-25T01:00:00Z"} {
		a := berlin
		a.Person.DoubledHour = value
		if f := read(t, once, a); f.Readings[2].At != instant(t, at) || f.How.Doubled.By != loggerfile.Asked {
			t.Errorf("%s: %s, %+v", value, f.Readings[2].At, f.How.Doubled)
		}
	}

	f = read(t, strings.ReplaceAll(rows("01:45", "02:00", "02:15", "03:00"), "10-25", "03-29"), berlin)
	if len(f.Mistakes) != 2 || f.Mistakes[0].Line != 3 || !strings.Contains(f.Mistakes[0].Problem, "clocks in Europe/Berlin never showed 2026-03-29 02:00:00") {
		t.Errorf("skipped: %v", f.Mistakes)
	}
	if got := show(f.Readings); got != "00:45=100 00:45:00.001=- 01:00=400" || f.How.Unreadable != 2 {
		t.Errorf("skipped: %s, %d", got, f.How.Unreadable)
	}
}

func TestDrift(t *testing.T) {
	at := func(s string) event.Instant { return instant(t, "2026-11-20T"+s+"Z") }
	text := "Time;Temp C\n2026-11-20 08:00:00;1\n2026-11-20 09:00:00;2\n2026-11-20 10:00:00;3\n2026-11-20 11:00:00;4\n"
	for _, c := range []struct {
		name string
		sync []loggerfile.Sync
		want []event.Instant
	}{
		{"one sighting", []loggerfile.Sync{{Logger: at("07:00:00"), True: at("07:01:30")}}, []event.Instant{at("08:01:30"), at("09:01:30"), at("10:01:30"), at("11:01:30")}},
		// The clock lost 60 s in 3 h: a third of that each hour, and further on.
		{"two sightings", []loggerfile.Sync{{Logger: at("07:00:00"), True: at("07:00:00")}, {Logger: at("10:00:00"), True: at("10:01:00")}},
			[]event.Instant{at("08:00:20"), at("09:00:40"), at("10:01:00"), at("11:01:20")}},
		{"before the first", []loggerfile.Sync{{Logger: at("09:00:00"), True: at("08:59:00")}, {Logger: at("10:00:00"), True: at("09:59:30")}},
			[]event.Instant{at("07:58:30"), at("08:59:00"), at("09:59:30"), at("11:00:00")}},
		// 1 ms in 2 h: half a millisecond at 09:00 goes away from zero.
		{"halves away from zero", []loggerfile.Sync{{Logger: at("08:00:00"), True: at("08:00:00")}, {Logger: at("10:00:00"), True: at("10:00:00") + 1}},
			[]event.Instant{at("08:00:00"), at("09:00:00") + 1, at("10:00:00") + 1, at("11:00:00") + 2}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := told("UTC", "")
			a.Sync = c.sync
			f := read(t, text, a)
			var got []event.Instant
			for _, r := range f.Readings {
				got = append(got, r.At)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
			if d := f.How.Drift; d.Sightings != len(c.sync) || d.FirstMs != int64(c.want[0]-at("08:00:00")) || d.LastMs != int64(c.want[3]-at("11:00:00")) || f.How.FoundEveryMs != 3_600_000 {
				t.Errorf("%+v", f.How)
			}
		})
	}
}

func TestMapping(t *testing.T) {
	const first = "Time,A,B\n03/04/2026 08:00,39.2,50\n"
	a := loggerfile.Answers{Zones: time.LoadLocation, Person: loggerfile.Said{
		Zone: "Europe/Berlin", Unit: "F", DateOrder: loggerfile.DayFirst, TemperatureColumn: 2, Faults: []string{"-99"}}}
	f := read(t, first, a)
	text, err := json.Marshal(f.Mapping)
	if err != nil {
		t.Fatal(err)
	}
	m, err := loggerfile.ParseMapping(text)
	if err != nil || !reflect.DeepEqual(m, f.Mapping) {
		t.Fatalf("%v: %+v, want %+v", err, m, f.Mapping)
	}
	again := loggerfile.Answers{Remembered: &m, Zones: time.LoadLocation}
	next := read(t, "Time,A,B\n05/04/2026 08:00,41,50\n05/04/2026 08:05,-99,50\n", again)
	if got := show(next.Readings); got != "06:00=500 06:05=-" || next.How.Unit.By != loggerfile.Remembered || !strings.HasPrefix(next.How.Remembered, "used") {
		t.Errorf("%s, %+v", got, next.How)
	}
	if !reflect.DeepEqual(next.Mapping, m) {
		t.Errorf("mapping %+v, want %+v", next.Mapping, m)
	}
	other := loggerfile.Read([]byte("Time,B,A\n05/04/2026 08:00,50,41\n"), again)
	if asked(other) != "temperature-column date-order zone" || !strings.HasPrefix(other.How.Remembered, "not used") || len(other.How.Notes) != 1 {
		t.Errorf("another shape: asked %q, %+v", asked(other), other.How)
	}
	against := loggerfile.Read([]byte("Time,A,B\n04/23/2026 08:00,41,50\n"), again)
	if asked(against) != "date-order" || !strings.Contains(against.Questions[0].Why, "value 23 in line 2") {
		t.Errorf("against its dates: asked %q, %+v", asked(against), against.Questions)
	}
	for _, c := range []struct{ text, want string }{
		{strings.Replace(string(text), `"unit"`, `"units"`, 1), `unknown field "units"`},
		{string(text) + "{}", "more behind its end"},
		{strings.Replace(string(text), `"F"`, `"R"`, 1), `unit: "R" is none of its values`},
		{strings.Replace(string(text), m.Shape, "x", 1), "shape:"},
		{`{"shape":"` + m.Shape + `"}`, "lacks unit"},
		{"", "can't be read"},
	} {
		if _, err := loggerfile.ParseMapping([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.text, err, c.want)
		}
	}
	// Names that are stored stay.
	want := fmt.Sprintf(`{"shape":%q,"delimiter":",","decimal":".","dateOrder":"day-first","unit":"F","zone":"Europe/Berlin","timeColumn":1,"temperatureColumn":2,"faults":["-99"]}`, m.Shape)
	if string(text) != want {
		t.Errorf("stored as %s\nwant %s", text, want)
	}
}

// FIPS 180-2, appendix B.1: SHA-256 of "abc".
func TestHash(t *testing.T) {
	if got := loggerfile.Read([]byte("abc"), loggerfile.Answers{}).Hash; got != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Error(got)
	}
}

func TestEveryFieldCanBeAnswered(t *testing.T) {
	values := map[loggerfile.Field]string{
		loggerfile.FieldDelimiter: ";", loggerfile.FieldTime: "1+2", loggerfile.FieldTemperature: "3", loggerfile.FieldDecimal: ",",
		loggerfile.FieldUnit: "C", loggerfile.FieldDateOrder: loggerfile.DayFirst, loggerfile.FieldZone: "UTC", loggerfile.FieldDoubled: loggerfile.DoubledFirst,
	}
	for _, f := range loggerfile.Fields() {
		if said, ok := (loggerfile.Said{}).Answer(f, values[f]); !ok || reflect.DeepEqual(said, loggerfile.Said{}) {
			t.Errorf("%s: %+v", f, said)
		}
		if _, ok := (loggerfile.Said{}).Answer(f, "x"); ok && f != loggerfile.FieldZone {
			t.Errorf("%s takes x", f)
		}
	}
}
