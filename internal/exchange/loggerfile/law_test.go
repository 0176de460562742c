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

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/loggerfile"
	"specimen.example/custody/internal/thermal"
)

// shape is a way to write readings, and what must be told to read it.
type shape struct {
	delimiter, decimal, unit, order, separator, encoding string
	zone                                                 *time.Location
	two, half, offset, quoted, newestFirst, header       bool
	ending                                               string
}

func anyShape(t *rapid.T) shape {
	pick := func(label string, from ...string) string { return rapid.SampledFrom(from).Draw(t, label) }
	flag := func(label string) bool { return rapid.Bool().Draw(t, label) }
	s := shape{
		delimiter: pick("delimiter", ",", ";", "\t", "|"), decimal: pick("decimal", ".", ","), unit: pick("unit", "C", "F", "K"),
		order: pick("order", loggerfile.YearFirst, loggerfile.DayFirst, loggerfile.MonthFirst), separator: pick("separator", "-", "/", "."),
		encoding: pick("encoding", "utf-8", "utf-8 mark", "utf-16 le", "utf-16 le mark", "utf-16 be", "utf-16 be mark", "windows-1252"),
		two:      flag("two columns"), half: flag("half days"), offset: flag("offset in rows"), newestFirst: flag("newest first"), header: flag("header"),
		ending: pick("ending", "\n", "\r\n", "\r"),
		zone:   time.FixedZone("", 900*rapid.IntRange(-48, 56).Draw(t, "zone")),
	}
	s.quoted = flag("quoted") || s.delimiter == s.decimal
	return s
}

func anyReadings(t *rapid.T) []event.Reading {
	at := event.Instant(rapid.Int64Range(1_700_000_000, 1_900_000_000).Draw(t, "start") * 1000)
	step := event.Instant(rapid.SampledFrom([]int64{1, 60, 300, 900, 3600}).Draw(t, "step") * 1000)
	var out []event.Reading
	for range rapid.IntRange(1, 30).Draw(t, "rows") {
		r := event.Reading{At: at, OK: rapid.IntRange(0, 9).Draw(t, "empty") > 0}
		if r.OK || len(out) == 0 {
			r.OK = true
			r.C = event.CentiC(rapid.IntRange(-8999, 12499).Filter(func(c int) bool { return c != 8500 }).Draw(t, "c"))
		}
		out = append(out, r)
		at += step * event.Instant(rapid.IntRange(1, 3).Draw(t, "steps"))
	}
	return out
}

// number writes c exactly in the unit: 0.01 °C is 0.018 °F.
func (s shape) number(c event.CentiC) string {
	n, decimals := int64(c), 2
	switch s.unit {
	case "F":
		n, decimals = 18*n+32_000, 3
	case "K":
		n += 273_15
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	ten := int64(100)
	if decimals == 3 {
		ten = 1000
	}
	return fmt.Sprintf("%s%d%s%0*d", sign, n/ten, s.decimal, decimals, n%ten)
}

func (s shape) row(r event.Reading) string {
	at := time.UnixMilli(int64(r.At)).In(s.zone)
	date := map[string]string{
		loggerfile.YearFirst: "2006" + s.separator + "01" + s.separator + "02", loggerfile.DayFirst: "02" + s.separator + "01" + s.separator + "2006",
		loggerfile.MonthFirst: "1" + s.separator + "2" + s.separator + "2006",
	}[s.order]
	clock := "15:04:05"
	if s.half {
		clock = "3:04:05 PM"
	}
	if s.offset {
		clock += "-07:00"
	}
	fields := []string{at.Format(date) + " " + at.Format(clock)}
	if s.two {
		fields = []string{at.Format(date), at.Format(clock)}
	}
	value := ""
	if r.OK {
		value = s.number(r.C)
	}
	fields = append(fields, value)
	if s.quoted {
		for i, f := range fields {
			fields[i] = `"` + f + `"`
		}
	}
	return strings.Join(fields, s.delimiter)
}

func (s shape) lines(readings []event.Reading) []string {
	var rows []string
	for _, r := range readings {
		rows = append(rows, s.row(r))
	}
	if s.newestFirst {
		slices.Reverse(rows)
	}
	if s.header {
		names := []string{"Zeit", "Temp °" + s.unit}
		if s.unit == "K" {
			names[1] = "Temp (K) geprüft"
		}
		if s.two {
			names = []string{"Datum", "Uhrzeit", names[1]}
		}
		rows = append([]string{strings.Join(names, s.delimiter)}, rows...)
	}
	return rows
}

func (s shape) encode(lines []string) []byte {
	text := strings.Join(lines, s.ending) + s.ending
	name, mark := strings.CutSuffix(s.encoding, " mark")
	if mark {
		text = "\ufeff" + text
	}
	switch name {
	case "windows-1252":
		return []byte(strings.NewReplacer("°", "\xb0", "ü", "\xfc").Replace(text))
	case "utf-8":
		return []byte(text)
	}
	var order binary.AppendByteOrder = binary.LittleEndian
	if name == "utf-16 be" {
		order = binary.BigEndian
	}
	var out []byte
	for _, u := range utf16.Encode([]rune(text)) {
		out = order.AppendUint16(out, u)
	}
	return out
}

// answers tells what the shape leaves open.
func (s shape) answers() loggerfile.Answers {
	var a loggerfile.Answers
	if !s.offset {
		a.Record.Zone = time.Unix(0, 0).In(s.zone).Format("-07:00")
	}
	if !s.header {
		a.Record.Unit = s.unit
	}
	if s.order != loggerfile.YearFirst {
		a.Record.DateOrder = s.order
	}
	return a
}

// bare leaves out the text of each reading.
func bare(readings []event.Reading) []event.Reading {
	out := slices.Clone(readings)
	for i := range out {
		out[i].Raw = ""
	}
	return out
}

// Whatever the shape, what was written is read, and with what is remembered of
// the file it is read again without an answer.
func TestLawReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, want := anyShape(t), anyReadings(t)
		data := s.encode(s.lines(want))
		f := loggerfile.Read(data, s.answers())
		if f.Refused || len(f.Questions) > 0 || len(f.Mistakes) > 0 || !slices.Equal(bare(f.Readings), want) {
			t.Fatalf("%q\nwant %v\ngot  %v\nmistakes %v\nquestions %+v", data, want, f.Readings, f.Mistakes, f.Questions)
		}
		stored, err := json.Marshal(f.Mapping)
		if err != nil {
			t.Fatal(err)
		}
		m, err := loggerfile.ParseMapping(stored)
		if err != nil {
			t.Fatal(err)
		}
		again := loggerfile.Read(data, loggerfile.Answers{Remembered: &m})
		if len(again.Questions) > 0 || !slices.Equal(again.Readings, f.Readings) || again.Hash != f.Hash || !reflect.DeepEqual(again.Mapping, m) {
			t.Fatalf("%q\nremembered %s\nread again: %+v", data, stored, again)
		}
	})
}

func TestLawMarkAndPreambleDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, readings := anyShape(t), anyReadings(t)
		s.header = true
		lines := s.lines(readings)
		want := loggerfile.Read(s.encode(lines), s.answers())
		preamble := rapid.SliceOfN(rapid.SampledFrom([]string{
			"", "Export of a logger", "Serial" + s.delimiter + "123456", "Start time" + s.delimiter + "20 Nov 2026 08:00", "Interval" + s.delimiter + "5 min",
			`Place "7`, "Alarm above" + s.delimiter + "8.0",
		}), 1, 12).Draw(t, "preamble")
		s.encoding = "utf-8 mark"
		got := loggerfile.Read(s.encode(append(preamble, lines...)), s.answers())
		if !slices.Equal(got.Readings, want.Readings) || len(want.Readings) != len(readings) || got.How.Shape != want.How.Shape || got.How.Preamble != len(preamble) || len(got.Mistakes) > 0 {
			t.Fatalf("%q\nwant %+v\ngot  %+v", lines, want, got)
		}
	})
}

// A row that can't be read is told, costs no other row, and nothing is measured
// where it stood.
func TestLawNoRowDisappears(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, readings := anyShape(t), anyReadings(t)
		s.header = true
		lines := s.lines(readings)
		if s.newestFirst {
			slices.Reverse(readings)
		}
		spoilt, quoted := map[int]bool{}, false
		for range rapid.IntRange(1, 4).Draw(t, "spoilt") {
			i := rapid.IntRange(0, len(readings)-1).Draw(t, "row")
			spoilt[i] = true
			texts := []string{"###;1", "9", "2026-13-45 08:00" + s.delimiter + "4", s.delimiter + s.delimiter + "5"}
			if !quoted { // two lines with a mark each can be one row of two lines
				texts = append(texts, `"`+lines[i+1], `"`+s.delimiter+s.delimiter+"5")
			}
			lines[i+1] = rapid.SampledFrom(texts).Draw(t, "text")
			quoted = quoted || strings.HasPrefix(lines[i+1], `"`)
		}
		if len(spoilt) == len(readings) {
			return
		}
		f := loggerfile.Read(s.encode(lines), s.answers())
		how := f.How
		if f.Refused || len(f.Questions) > 0 { // too few rows were left to find a column
			return
		}
		if how.Rows != len(readings) || how.Unreadable < len(spoilt) || how.Values+how.Faults+how.Empty+how.Unreadable != how.Rows || len(f.Mistakes) != how.Unreadable {
			t.Fatalf("%q: %+v\n%v", lines, how, f.Mistakes)
		}
		series := thermal.Series{EveryMs: how.EveryMs, HoldMs: -1}
		series.Add(f.Readings...)
		for i, r := range readings {
			if !spoilt[i] {
				if r.OK && !slices.ContainsFunc(f.Readings, func(o event.Reading) bool { return o.At == r.At && o.C == r.C && o.OK }) {
					t.Fatalf("%q: lost %v in %v", lines, r, f.Readings)
				}
				continue
			}
			for _, seg := range thermal.Build(nil, []thermal.Layer{{From: r.At, To: r.At + 1, Series: []*thermal.Series{&series}}}, r.At, r.At+1) {
				if seg.Evidence == thermal.Measured {
					t.Fatalf("%q: measured at %s, where row %d was spoilt: %v", lines, r.At, i, f.Readings)
				}
			}
		}
	})
}

// Local times of a night with a clock change are read as they were, or asked.
func TestLawClockChange(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		night := rapid.SampledFrom([]string{"2026-10-24T20:00:00Z", "2026-03-28T20:00:00Z"}).Draw(t, "night")
		begin, err := time.Parse(time.RFC3339, night)
		if err != nil {
			t.Fatal(err)
		}
		at := event.At(begin) + event.Instant(rapid.IntRange(0, 300).Draw(t, "minute"))*60_000
		step := event.Instant(rapid.SampledFrom([]int64{1, 5, 15, 30, 60, 120}).Draw(t, "step")) * 60_000
		var b strings.Builder
		b.WriteString("Time;Temp C\n")
		var want []event.Reading
		for i := range rapid.IntRange(1, 400).Draw(t, "rows") {
			want = append(want, event.Reading{At: at, C: event.CentiC(i), OK: true})
			fmt.Fprintf(&b, "%s;%d.%02d\n", at.Time().In(berlin).Format("2006-01-02 15:04:05"), i/100, i%100)
			at += step
		}
		f := loggerfile.Read([]byte(b.String()), told("Europe/Berlin", ""))
		if asked(f) == "doubled-hour" {
			return
		}
		if f.Refused || len(f.Questions) > 0 || len(f.Mistakes) > 0 || !slices.Equal(bare(f.Readings), want) {
			t.Fatalf("want %v\ngot  %v\n%v", want, f.Readings, f.Mistakes)
		}
	})
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"", "Time;Temp C\n2026-11-20 08:00:00;4,6\n2026-11-20 08:05:00;4,9\n", "\ufeffTime,Temp\n03/04/2026 08:00,4.8\n03/04/2026 12:00,5.1\n",
		"\xff\xfeT\x00;\x00C\x00\n\x00", "Zeit;Temp \xb0C\n20.11.26 08:00;4,6\n", "\"Date Time, GMT+01:00\",\"Temp, °F\"\n11/20/2026 8:00:00 AM,39.2\n",
		"Time;Temp C\n2026-10-25 02:30;1\n2026-10-25 02:15;2\n2026-03-29 02:30;1\n", "sep=;\nDate;Time;A;B\n2026-11-20;08:00;85.0;-127\n",
		"2026-11-20T08:00:00Z|4.6|5\n2026-11-20T08:00:00Z|4.6|6\n", "Time;Temp C\n\"2026-11-20 08:00;4.6\nx;y\n;;\n2026-11-20 08:10;1,0\n2026-11-20 08:15;1.0\n",
		"Unit: K\nTime\tTemp\r\n20 Nov 2026 08:00\t277.15\r\n", "Time;Temp A;Temp B\n2026-11-20 08:05;1 °C;2\n2026-11-20 08:00;1 °F;2\n",
	} {
		f.Add([]byte(s), "Europe/Berlin", "C", "day-first", int64(0))
		f.Add([]byte(s), "+01:00", "", "", int64(1))
		f.Add([]byte(s), "", "F", "", int64(-3_600_000))
	}
	f.Fuzz(func(t *testing.T, data []byte, zone, unit, order string, off int64) {
		a := loggerfile.Answers{Record: loggerfile.Said{Zone: zone, Unit: unit, DateOrder: order}, Zones: time.LoadLocation, Window: loggerfile.Window{From: 1, To: 2}}
		if off != 0 {
			a.Sync = []loggerfile.Sync{{Logger: 1_700_000_000_000, True: 1_700_000_000_000 + event.Instant(off%1_000_000_000)}, {Logger: 1_800_000_000_000, True: 1_800_000_000_000}}
		}
		got := loggerfile.Read(data, a)
		if got.Refused || len(got.Questions) > 0 {
			if got.Readings != nil || !reflect.DeepEqual(got.Mapping, loggerfile.Mapping{}) {
				t.Fatalf("readings or a mapping beside questions or a refusal: %+v", got)
			}
			if got.Refused && len(got.Mistakes) == 0 {
				t.Fatal("refused without a word")
			}
			for _, q := range got.Questions {
				if !slices.Contains(loggerfile.Fields(), q.Field) || q.Text == "" || len(q.Choices) == 0 {
					t.Fatalf("question %+v", q)
				}
				for _, c := range q.Choices {
					if _, ok := (loggerfile.Said{}).Answer(q.Field, c.Value); !ok {
						t.Fatalf("%q is no answer to %s", c.Value, q.Field)
					}
				}
			}
			return
		}
		how := got.How
		if how.Values+how.Faults+how.Empty+how.Unreadable != how.Rows || len(got.Readings) > how.Rows+how.Breaks {
			t.Fatalf("%d readings: %+v", len(got.Readings), how)
		}
		for i, r := range got.Readings {
			if !r.OK && r.C != 0 || r.OK && thermal.IsFault(r.C) || i > 0 && r.At < got.Readings[i-1].At || r.At <= 0 {
				t.Fatalf("reading %d: %+v", i, r)
			}
		}
		for _, m := range got.Mistakes {
			if m.Field == "" || m.Problem == "" || m.Remedy == "" {
				t.Fatalf("mistake %+v", m)
			}
		}
		a.Remembered = &got.Mapping
		if again := loggerfile.Read(data, a); len(again.Questions) > 0 || !slices.Equal(again.Readings, got.Readings) {
			t.Fatalf("remembered %+v\nread again %+v\nfirst %+v", got.Mapping, again, got)
		}
	})
}

// A week of a logger at six seconds: 100,000 rows, each with a local time.
func BenchmarkRead(b *testing.B) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		b.Fatal(err)
	}
	a := loggerfile.Answers{Record: loggerfile.Said{Zone: "Europe/Berlin"}, Zones: func(string) (*time.Location, error) { return berlin, nil }}
	var text strings.Builder
	text.WriteString("Nr;Zeit;Temp °C;Feuchte %\n")
	at := time.Date(2026, 11, 16, 0, 0, 0, 0, berlin)
	for i := range 100_000 {
		fmt.Fprintf(&text, "%d;%s;%d,%02d;51,0\n", i+1, at.Format("02.01.2006 15:04:05"), i%30, i%100)
		at = at.Add(6 * time.Second)
	}
	data := []byte(text.String())
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if f := loggerfile.Read(data, a); len(f.Readings) != 100_000 {
			b.Fatalf("%d readings, %v", len(f.Readings), f.Questions)
		}
	}
}
