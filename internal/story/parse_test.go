package story_test

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

func parse(t *testing.T, text string) *story.Story {
	t.Helper()
	s, err := story.Parse("t.story", []byte(text), time.LoadLocation)
	if err != nil {
		t.Fatalf("the story does not parse:\n%v", err)
	}
	return s
}

func utc(t *testing.T, text string) event.Instant {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		t.Fatal(err)
	}
	return event.At(at)
}

func TestTimes(t *testing.T) {
	head := "zone Europe/Berlin\nday 2026-11-24\n"
	for _, c := range []struct{ text, want string }{
		{"08:00Z see T", "2026-11-24T08:00:00Z"},
		{"08:00 see T", "2026-11-24T07:00:00Z"},
		{"08:00:30.250+05:30 see T", "2026-11-24T02:30:30.25Z"},
		{"2026-11-25T00:10-02:00 see T", "2026-11-25T02:10:00Z"},
		{"08:00Z see A\n+1h30m see T", "2026-11-24T09:30:00Z"},
		{"08:00Z see A\n09:00Z expect A holder mira\n+5m see T", "2026-11-24T08:05:00Z"},
		// tz database: Berlin goes to +02:00 on 2026-03-29 at 01:00Z and back on 2026-10-25 at 01:00Z
		{"2026-03-29T01:59 see T", "2026-03-29T00:59:00Z"},
		{"2026-03-29T03:00 see T", "2026-03-29T01:00:00Z"},
		{"2026-10-25T01:59 see T", "2026-10-24T23:59:00Z"},
		{"2026-10-25T03:00 see T", "2026-10-25T02:00:00Z"},
		{"2026-10-25T02:40+02:00 see T", "2026-10-25T00:40:00Z"},
	} {
		s := parse(t, head+c.text)
		if got := s.Steps[len(s.Steps)-1].At; got != utc(t, c.want) {
			t.Errorf("%q is %s, want %s", c.text, got, c.want)
		}
	}
}

func TestMistakesNamePlaceAndRemedy(t *testing.T) {
	for _, c := range []struct{ text, at, want string }{
		{"08:00Z colect T", "1:8", "did you mean collect?"},
		{"08:00Z colect T", "1:1", "add a line day"},
		{"day 2026-11-24\n08:00 see T", "2:1", "add a line zone"},
		{"day 2026-11-24\n08:00Z see T fron=mira", "2:14", "see takes no fron="},
		{"day 2026-11-24\n08:00Z take T fron=mira", "2:15", "did you mean from?"},
		{"day 2026-11-24\n25:00Z see T", "2:1", "no time of day"},
		{"day 2026-11-31", "1:5", "no date of the calendar"},
		{"zone Mars/Base", "1:6", "write an IANA zone"},
		{"place P assumed=24..20C", "1:9", "runs backwards"},
		{"place P assumed=20.001..24C", "1:9", "no temperature"},
		{"place P kind=wrad", "1:9", "did you mean ward?"},
		{"expect T/K within-limit", "1:12", "did you mean within-limits?"},
		{"expect T/K past-limit reason=time,heet", "1:23", "did you mean heat?"},
		{"expect T/K past-limit reason=heat,time", "1:23", "write reason=time,heat"},
		{"expect T facts Colected=0", "1:16", "did you mean Collected?"},
		{"expect answer refused identity-mismach", "1:23", "did you mean identity-mismatch?"},
		{"expect answer refused", "1:15", "refused has no word"},
		{"expect T/K flag none", "1:8", "belongs to the whole tube"},
		{"expect carrier B holds many", "1:24", "no whole number"},
		{"zone Europe/Berlin\n2026-03-29T02:30 see T", "2:1", "skipped it"},
		{"zone Europe/Berlin\n2026-10-25T02:30 see T", "2:1", "twice"},
		{"day 2026-11-24\n09:00Z see T sent=08:00Z", "2:1", "sent= lies before"},
		{"day 2026-11-24\n09:00Z reading L 10:00Z..09:00Z c=20", "2:18", "runs backwards"},
		{"day 2026-11-24\n09:00Z pack T", "2:8", "pack has no in="},
		{"day 2026-11-24\n09:00Z see", "2:8", "at least 1"},
		{"day 2026-11-24\n09:00Z receive", "2:8", "names no tube"},
		{"+5m see T", "1:1", "no step stands before it"},
		{"see T", "1:1", "see has no time"},
		{"plaec P", "1:1", "did you mean place?"},
		{"story \"open", "1:7", "no end"},
		{"place P owner=", "1:9", "has no value"},
		{"place P\nplace P", "2:7", "declared twice, first in line 1"},
		{"day 2026-11-24\n09:00Z expect T/K within-limits used=1.5h", "2:33", "no duration"},
		{"place \x01", "1:7", "control character"},
		{"place \xff", "1:7", "not UTF-8"},
	} {
		s, err := story.Parse("t.story", []byte(c.text), time.LoadLocation)
		var all story.Mistakes
		if !errors.As(err, &all) || s != nil {
			t.Errorf("%q: no mistake found", c.text)
			continue
		}
		if want := "t.story:" + c.at + ": "; !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: got\n%v\nwant %s … %s", c.text, err, want, c.want)
		}
	}
}

func TestAllMistakesAtOnce(t *testing.T) {
	_, err := story.Parse("t.story", []byte("day 2026-11-24\n08:00Z colect T\nplace P kind=x\nexpect T wrong\n"), time.LoadLocation)
	var all story.Mistakes
	if !errors.As(err, &all) || len(all) != 3 {
		t.Fatalf("want three mistakes, got %v", err)
	}
}

func TestTypedTimesAreKept(t *testing.T) {
	s := parse(t, "zone Europe/Berlin\nday 2026-03-29\n09:00Z collect T typed=02:30\n09:01Z collect T typed=\"half past two\"\n")
	if got := s.Steps[0].Attrs.Text("typed"); got != "02:30" {
		t.Errorf("typed=%q", got)
	}
	if got := s.Steps[1].Attrs.Text("typed"); got != "half past two" {
		t.Errorf("typed=%q", got)
	}
}

func TestStringsAndComments(t *testing.T) {
	s := parse(t, "# head\nday 2026-11-24\n08:00Z read-label \"A\\x1dB#1\" note=\"two words\" # tail\n08:01Z see T#1\n")
	st := s.Steps[0]
	if st.IDs[0] != "A\x1dB#1" || st.Attrs.Text("note") != "two words" || s.Steps[1].IDs[0] != "T#1" {
		t.Errorf("got %q %q %q", st.IDs, st.Attrs, s.Steps[1].IDs)
	}
	if len(s.Comments) != 2 || s.Comments[1].Text != " tail" {
		t.Errorf("comments %v", s.Comments)
	}
}

func TestFaultIsNotZero(t *testing.T) {
	s := parse(t, "day 2026-11-24\n08:00Z reading L c=0.0\n08:00Z reading L c=fault\n08:00Z reading L c=-0.5C\n")
	zero, _ := s.Steps[0].Attrs.Get("c")
	fault, _ := s.Steps[1].Attrs.Get("c")
	frost, _ := s.Steps[2].Attrs.Get("c")
	if !zero.OK || zero.C != 0 || fault.OK || frost.C != -50 {
		t.Errorf("got %+v %+v %+v", zero, fault, frost)
	}
}

const stories = "../../testdata/stories"

func storyFiles(t testing.TB) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(stories, "*.story"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no story found in %s: %v", stories, err)
	}
	return files
}

// Every story of the repository parses, and writing it back changes nothing.
func TestStoriesOfTheRepository(t *testing.T) {
	for _, file := range storyFiles(t) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		s, err := story.Parse(filepath.Base(file), text, time.LoadLocation)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		again(t, s)
		if s.Title == "" || s.Rules != "fixture.yaml" || len(s.Checks) == 0 || len(s.Comments) == 0 {
			t.Errorf("%s has no title, rules, expectation or comment that names its case", file)
		}
	}
}

func again(t *testing.T, s *story.Story) {
	t.Helper()
	text := story.Format(s)
	back, err := story.Parse(s.Name, text, time.LoadLocation)
	if err != nil {
		t.Fatalf("what Format wrote does not parse: %v\n%s", err, text)
	}
	if !reflect.DeepEqual(s, back) {
		t.Fatalf("Format changed the story:\n%s\n%+v\n%+v", text, s, back)
	}
}

func FuzzParse(f *testing.F) {
	for _, file := range storyFiles(f) {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte("day 2026-11-24\n08:00Z see \"a=b\" \"x..y\" note=\"\\xff\" # c\nexpect \"answer\" holder \"\\\"\"\n+5m expect \"a/b\" facts Seen=1 at=\"08:00Z\""))
	f.Add([]byte("zone Europe/Berlin\nday 2026-03-29\nroute R departs=09:10,13:40 takes=1h\n03:10 reading L 03:10..+1h c=fault"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := story.Parse("f.story", text, time.LoadLocation)
		if err != nil {
			var all story.Mistakes
			if !errors.As(err, &all) || len(all) == 0 {
				t.Fatalf("an error that is no mistake: %v", err)
			}
			for _, m := range all {
				if m.Line < 1 || m.Col < 1 || m.What == "" {
					t.Fatalf("a mistake without a place or words: %+v", m)
				}
			}
			return
		}
		again(t, s)
		if len(text) < 2000 {
			s.Timeline()
		}
	})
}
