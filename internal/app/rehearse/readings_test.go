package rehearse_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
)

func TestReadingsFile(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, text string
		zone       *time.Location
		want       string // instants after 08:00 UTC in ms, with the value; - for none
		wrong      string
	}{
		{name: "commas", text: "time,celsius\n2026-11-24T08:00:00Z,21.5\n2026-11-24T08:05Z,-3.25\n", want: "0=2150 300000=-325"},
		{name: "semicolons, quotes, a mark at the head", text: "\ufeff\"time\";\"celsius\"\r\n\"2026-11-24T08:00:00Z\";\"21.5\"\r\n", want: "0=2150"},
		{name: "blanks and notes", text: "# by lena\n\n2026-11-24T09:00:00+01:00   +4\n", want: "0=400"},
		{name: "nought is no gap", text: "2026-11-24T08:00:00Z,0\n2026-11-24T08:01:00Z,-\n2026-11-24T08:02:00Z,\n", want: "0=0 60000=- 120000=-"},
		{name: "newest first", text: "2026-11-24T08:01:00Z,2\n2026-11-24T08:00:00Z,1\n", want: "0=100 60000=200"},
		{name: "a zone is given", text: "2026-11-24T09:00:00,1\n", zone: berlin, want: "0=100"},
		{name: "no zone", text: "2026-11-24T09:00:00,1\n", wrong: "f:1: the time \"2026-11-24T09:00:00\" has no zone"},
		{name: "a skipped time", text: "2026-03-29T02:30:00,1\n", zone: berlin, wrong: "the clocks skip it"},
		{name: "a doubled time", text: "2026-10-25T02:30:00,1\n", zone: berlin, wrong: "there are two"},
		{name: "decimal comma after semicolon", text: "2026-11-24T08:00:00Z;21,5\n", wrong: "f:1: \"21,5\" has a decimal comma; write a point, for example 21.5"},
		{name: "decimal comma after comma", text: "2026-11-24T08:00:00Z,21,5\n", wrong: "decimal comma"},
		{name: "a date of another form", text: "24.11.2026 08:00,21.5\n", wrong: "f:1: \"24.11.2026\" is no time"},
		{name: "hundredths at most", text: "2026-11-24T08:00:00Z,21.555\n", wrong: "more than two decimals"},
		{name: "words", text: "2026-11-24T08:00:00Z,warm\n", wrong: "is no temperature"},
		{name: "a unit", text: "2026-11-24T08:00:00Z,21.5C\n", wrong: "is no temperature"},
		{name: "one column", text: "2026-11-24T08:00:00Z\n", wrong: "no temperature column"},
		{name: "many columns", text: "1,2026-11-24T08:00:00Z,21.5,40\n", wrong: "4 columns"},
		{name: "nothing", text: "time,celsius\n", wrong: "there is no reading in it"},
		{name: "no text", text: "\xff\xfe2\x00", wrong: "not a text file"},
		{name: "all mistakes at once", text: "2026-11-24T08:00:00Z,a\n2026-11-24T08:00:00Z,b\n", wrong: "f:2: \"b\""},
	} {
		t.Run(c.name, func(t *testing.T) {
			readings, err := rehearse.ReadingsFile("f", []byte(c.text), c.zone)
			if c.wrong != "" {
				if err == nil || !strings.Contains(err.Error(), c.wrong) {
					t.Fatalf("error %v, want %q", err, c.wrong)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, r := range readings {
				value := "-"
				if r.OK {
					value = fmt.Sprint(int32(r.C))
				}
				got = append(got, fmt.Sprintf("%d=%s", r.At-eight, value))
			}
			if text := strings.Join(got, " "); text != c.want {
				t.Errorf("got %s, want %s", text, c.want)
			}
		})
	}
}

// Every temperature survives being written and read.
func TestCelsiusIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := event.CentiC(rapid.Int32Range(-99_999, 99_999).Draw(t, "c"))
		readings, err := rehearse.ReadingsFile("f", []byte("2026-11-24T08:00:00Z,"+rehearse.Celsius(c)), nil)
		if err != nil || len(readings) != 1 || readings[0].C != c || !readings[0].OK {
			t.Fatalf("%d is written %s and read %v, %v", c, rehearse.Celsius(c), readings, err)
		}
	})
}

// A file of any content is read or refused with a reason, never half read.
func FuzzReadingsFile(f *testing.F) {
	f.Add("time,celsius\n2026-11-24T08:00:00Z,21.5\n")
	f.Add("2026-11-24T08:00:00Z;21,5")
	f.Add("# \n\t;,\"")
	f.Fuzz(func(t *testing.T, text string) {
		readings, err := rehearse.ReadingsFile("f", []byte(text), nil)
		if (err == nil) != (len(readings) > 0) {
			t.Fatalf("%d readings and the error %v", len(readings), err)
		}
		for i := 1; i < len(readings); i++ {
			if readings[i].At < readings[i-1].At {
				t.Fatal("not in order of time")
			}
		}
	})
}

func TestLongFilesAreCutIntoRuns(t *testing.T) {
	readings := make([]event.Reading, 10_001)
	runs := rehearse.Runs("LG-1", "x", readings)
	if len(runs) != 2 || len(runs[0].Readings) != 10_000 || len(runs[1].Readings) != 1 || runs[0].Id != "x" || runs[1].Id != "x-2" {
		t.Errorf("%d runs", len(runs))
	}
}
