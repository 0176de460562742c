package rehearsal_test

import (
	"crypto/sha256"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/story"
)

func plan(t interface{ Fatal(...any) }, s rehearsal.Settings) rehearsal.Day {
	d, err := rehearsal.Plan(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct {
		settings rehearsal.Settings
		want     string
	}{
		{rehearsal.Settings{}, "tubes: 0 is outside 1 to 5000000; give a number between"},
		{rehearsal.Settings{Tubes: -5}, "tubes: -5 is outside"},
		{rehearsal.Settings{Tubes: 5_000_001}, "tubes: 5000001 is outside"},
		{rehearsal.Settings{Tubes: 1, Often: -1}, "often: -1 is outside 1 to 20; give"},
		{rehearsal.Settings{Tubes: 1, Often: 21}, "often: 21 is outside"},
		{rehearsal.Settings{Tubes: 1, BoxLoggers: -2}, "box loggers: -2 is outside 1 to 100; give boxes in a hundred, or -1 for none"},
		{rehearsal.Settings{Tubes: 1, BoxLoggers: 101}, "box loggers: 101 is outside"},
		{rehearsal.Settings{Tubes: 1, Day: 1_795_478_400_001}, "day: 2026-11-24T00:00:00.001Z is no midnight UTC; give"},
	} {
		if _, err := rehearsal.Plan(c.settings); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: got %v, want %q", c.settings, err, c.want)
		}
	}
	for _, tubes := range []int{1, 5_000_000} {
		plan(t, rehearsal.Settings{Tubes: tubes})
	}
}

// bytesOf writes everything of a day: its assumptions, acts and answers.
func bytesOf(t *testing.T, d rehearsal.Day) string {
	t.Helper()
	hash := sha256.New()
	put := func(format string, args ...any) {
		if _, err := fmt.Fprintf(hash, format, args...); err != nil {
			t.Fatal(err)
		}
	}
	put("%q", d.Assumptions())
	for s := range d.Steps() {
		line, err := s.Line()
		if err != nil {
			t.Fatal(err)
		}
		put("%d %#v %v %v %s\n", s.At, s.Declared, s.Logger, s.Readings, line)
		if s.Scan != nil {
			put("%+v\n", *s.Scan) // maps print in the order of their keys
		}
	}
	return fmt.Sprintf("%x", hash.Sum(nil))
}

func TestSameSeedSameDay(t *testing.T) {
	settings := rehearsal.Settings{Seed: 7, Tubes: 700, Often: 3, BoxLoggers: 60, Places: true}
	day := plan(t, settings)
	first := bytesOf(t, day)
	if again := bytesOf(t, day); again != first {
		t.Error("the second time the same day tells something else")
	}
	if again := bytesOf(t, plan(t, settings)); again != first {
		t.Error("the same settings make another day")
	}
	for _, other := range []rehearsal.Settings{
		{Seed: 8, Tubes: 700, Often: 3, BoxLoggers: 60, Places: true}, {Seed: 7, Tubes: 701, Often: 3, BoxLoggers: 60, Places: true},
		{Seed: 7, Tubes: 700, Often: 4, BoxLoggers: 60, Places: true}, {Seed: 7, Tubes: 700, Often: 3, BoxLoggers: 61, Places: true},
		{Seed: 7, Tubes: 700, Often: 3, BoxLoggers: 60},
	} {
		if bytesOf(t, plan(t, other)) == first {
			t.Errorf("%+v make the same day as %+v", other, settings)
		}
	}
}

// fateOf is where a mistake on a tube ends it; others leave it to be tested.
var fateOf = map[rehearsal.Kind]rehearsal.Fate{
	rehearsal.Lost: rehearsal.NeverSeen, rehearsal.LeftBehind: rehearsal.Found, rehearsal.SpunLate: rehearsal.TooOld,
	rehearsal.WrongContainer: rehearsal.RejectedAt, rehearsal.LabelSeen: rehearsal.RejectedAt, rehearsal.Haemolysed: rehearsal.RejectedAt,
	rehearsal.Clotted: rehearsal.RejectedAt, rehearsal.WrongFill: rehearsal.RejectedAt,
}

// The laws of a day, for any settings: every act can be said in a story, in order of
// time; every tube is asked for, ends once, and ends as its mistake says; scans have
// ids of their own, but for those that come twice, which come unchanged.
func TestLawsOfADay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tubes := rapid.IntRange(1, 400).Draw(t, "tubes")
		day := plan(t, rehearsal.Settings{
			Seed: rapid.Uint64().Draw(t, "seed"), Tubes: tubes, Often: rapid.IntRange(1, rehearsal.MostOften).Draw(t, "often"),
			BoxLoggers: rapid.IntRange(rehearsal.NoBoxLogger, 100).Draw(t, "box loggers"), Places: rapid.Bool().Draw(t, "places"),
		})
		var last event.Instant
		asked, ended, scans := map[string]bool{}, map[string]rehearsal.Fate{}, map[string]story.Scan{}
		expected := map[string]rehearsal.Fate{}
		declared, lastOf := map[string]bool{}, map[string]event.Instant{}
		for s := range day.Steps() {
			if s.At < last {
				t.Fatalf("a step at %s comes after one at %s", s.At, last)
			}
			last = s.At
			switch {
			case s.Answer != nil:
				if s.Answer.At > s.At || s.Answer.Expect.What == "" || s.Answer.Kind == "" {
					t.Fatalf("answer %+v at %s", *s.Answer, s.At)
				}
				for _, id := range s.Answer.Tubes {
					if !asked[id] || ended[id] != "" {
						t.Fatalf("%s of answer %s isn't under way", id, s.Answer.Kind)
					}
					if fate, ok := fateOf[s.Answer.Kind]; ok {
						expected[id] = fate
					}
				}
				continue
			case s.Ended != nil:
				if ended[s.Ended.Tube] != "" {
					t.Fatalf("%s ends twice", s.Ended.Tube)
				}
				ended[s.Ended.Tube] = s.Ended.Fate
				continue
			}
			if err := s.Check(); err != nil {
				t.Fatal(err)
			}
			if s.Declared != nil {
				note(t, s.Declared, declared, asked)
			}
			if s.Logger != "" {
				sent(t, &s, declared, lastOf)
			}
			if s.Scan == nil {
				continue
			}
			if s.Scan.Kind == event.KindTube && (!asked[s.Scan.Label] || ended[s.Scan.Label] != "") {
				t.Fatalf("%s of %s, which isn't under way", s.Scan.Step, s.Scan.Label)
			}
			for kind, id := range map[string]string{"Place": s.Scan.Place, "Person": s.Scan.By, "Device": s.Scan.Device, "Carrier": s.Scan.Carrier} {
				if id != "" && !declared[kind+" "+id] {
					t.Fatalf("%s %s of a scan is not declared", kind, id)
				}
			}
			if before, twice := scans[s.Scan.ID]; twice && !reflect.DeepEqual(before, *s.Scan) {
				t.Fatalf("scan %s comes again as another:\n%+v\n%+v", s.Scan.ID, before, *s.Scan)
			} else if twice && s.Scan.Mode != event.Reported {
				t.Fatalf("scan %s is live and comes twice", s.Scan.ID)
			}
			scans[s.Scan.ID] = *s.Scan
		}
		if len(asked) != tubes || len(ended) != tubes {
			t.Fatalf("%d tubes were asked for and %d ended; want %d", len(asked), len(ended), tubes)
		}
		for id, fate := range ended {
			want := rehearsal.Tested
			if expected[id] != "" {
				want = expected[id]
			}
			if fate != want {
				t.Fatalf("%s ends as %s, want %s", id, fate, want)
			}
		}
	})
}

// sent looks at what a logger sends: it is declared, and nothing comes twice or before
// it was taken; a box's clock is up to 90 s wrong.
func sent(t *rapid.T, s *rehearsal.Step, declared map[string]bool, lastOf map[string]event.Instant) {
	if !declared["Logger "+s.Logger] {
		t.Fatalf("readings of logger %s, which is not declared", s.Logger)
	}
	for _, one := range s.Readings {
		if one.At > s.At.Add(90*time.Second) || one.At <= lastOf[s.Logger] {
			t.Fatalf("logger %s sends at %s a reading of %s after one of %s", s.Logger, s.At, one.At, lastOf[s.Logger])
		}
		lastOf[s.Logger] = one.At
	}
}

func note(t *rapid.T, d story.Declared, declared, asked map[string]bool) {
	what := reflect.TypeOf(d).Name() + " " + reflect.ValueOf(d).FieldByName("ID").String()
	if declared[what] {
		t.Fatalf("%s is declared twice", what)
	}
	declared[what] = true
	if r, ok := d.(story.Request); ok {
		for _, tube := range r.Tubes {
			if asked[tube.ID] {
				t.Fatalf("tube %s is asked for twice", tube.ID)
			}
			asked[tube.ID] = true
		}
	}
}

// told notes what a bench is told.
type told struct {
	story.Bench // the rest isn't used: a call would crash
	scans       []story.Scan
	readings    []string
}

func (b *told) Clock(event.Instant) error                               { return nil }
func (b *told) Declare(story.Declared) error                            { return nil }
func (b *told) Adopt(string, []byte, event.Instant, bool, string) error { return nil }
func (b *told) Readings(logger string, rs []event.Reading, late bool) error {
	for _, r := range rs {
		b.readings = append(b.readings, fmt.Sprintf("%s %s %d %t late=%t", logger, r.At, r.C, r.OK, late))
	}
	return nil
}

func (b *told) Scan(s story.Scan) (story.Answer, error) {
	s.Line = 0
	b.scans = append(b.scans, s)
	return story.Answer{Answer: event.AnswerRecorded}, nil
}

// A day written as a story, read again and run, tells a bench the same.
func TestStoryOfADay(t *testing.T) {
	day := plan(t, rehearsal.Settings{Seed: 3, Tubes: 150, Often: 20, BoxLoggers: 70, Places: true})
	written, err := day.Story("rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := story.Format(written)
	read, err := story.Parse("day.story", text, time.LoadLocation)
	if err != nil {
		t.Fatal(err)
	}
	var direct, fromText told
	for s := range day.Steps() {
		if s.Answer != nil || s.Ended != nil {
			continue
		}
		if _, err := s.Do(&direct); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := story.Run(read, &fromText, func(string) ([]byte, error) { return nil, nil }); err != nil {
		t.Fatal(err)
	}
	if len(direct.scans) < 500 || len(direct.scans) != len(fromText.scans) {
		t.Fatalf("the day tells %d scans, its story %d", len(direct.scans), len(fromText.scans))
	}
	for i := range direct.scans {
		if !reflect.DeepEqual(direct.scans[i], fromText.scans[i]) {
			t.Fatalf("scan %d of the day and of its story:\n%+v\n%+v", i, direct.scans[i], fromText.scans[i])
		}
	}
	if !slices.Equal(direct.readings, fromText.readings) {
		t.Error("the day and its story tell other readings")
	}
	if again := story.Format(read); string(again) != string(text) {
		t.Error("the story isn't written back as it was read")
	}
}

func TestAssumptionsNameTheirSource(t *testing.T) {
	day := plan(t, rehearsal.Settings{Seed: 1, Tubes: 1_000})
	assumptions := day.Assumptions()
	for _, a := range assumptions {
		if a.What == "" || a.Value == "" || a.Source == "" {
			t.Errorf("%+v has a blank", a)
		}
	}
	// The quality indicators' table: misfilled 0.043 %, wrong container 0.014 %.
	for _, want := range []string{"0.043 % of tubes", "0.014 % of tubes", "0.309 % of tubes", "0.0511 % of tubes"} {
		if !slices.ContainsFunc(assumptions, func(a rehearsal.Assumption) bool { return strings.HasPrefix(a.Value, want+":") }) {
			t.Errorf("no assumption says %s", want)
		}
	}
}
