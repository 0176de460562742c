package rehearse_test

import (
	"bytes"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/story"
)

func generated(t *testing.T, s rehearsal.Settings) rehearsal.Day {
	t.Helper()
	day, err := rehearsal.Plan(s)
	if err != nil {
		t.Fatal(err)
	}
	return day
}

func limits(t *testing.T) []byte {
	t.Helper()
	_, data, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// inMemory plays a day against a daemon in memory.
func inMemory(t *testing.T, s rehearsal.Settings) (rehearse.Outcome, string) {
	t.Helper()
	memory, err := app.Memory(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := memory.Close(); err != nil {
			t.Error(err)
		}
	}()
	var answers bytes.Buffer
	done := 0
	outcome, err := rehearse.Day(t.Context(), generated(t, s), rehearse.New(memory.Conn()), limits(t), &answers, func(n int) { done = n })
	if err != nil {
		t.Fatal(err)
	}
	if outcome.Tubes != s.Tubes || done != s.Tubes {
		t.Errorf("%d tubes ended and %d were told; want %d", outcome.Tubes, done, s.Tubes)
	}
	return outcome, answers.String()
}

// A whole day: every scan is taken but those that are planted mistakes, and nobody
// is left in doubt about a tube to which nothing happened.
func TestSoakADayOfManyTubes(t *testing.T) {
	tubes := 250
	if os.Getenv("SOAK") != "" {
		tubes = 1_000
	}
	outcome, answers := inMemory(t, rehearsal.Settings{Seed: 1, Tubes: tubes})
	if len(outcome.Refused) > 0 {
		t.Errorf("refused without a planted mistake:\n%s", strings.Join(outcome.Refused, "\n"))
	}
	for what, n := range outcome.Unplanted {
		if strings.HasPrefix(what, "doubt ") || strings.HasPrefix(what, "refused ") {
			t.Errorf("%s: %d times without a planted mistake", what, n)
		}
	}
	planted := 0
	for _, c := range outcome.Kinds {
		planted += c.Planted
		if c.Noticed+c.Unknowable > c.Planted {
			t.Errorf("%s: %d planted, %d noticed", c.Kind, c.Planted, c.Noticed)
		}
	}
	if got := strings.Count(answers, `"kind":`); got != planted || planted == 0 {
		t.Errorf("the answer file has %d mistakes, %d were planted", got, planted)
	}
	if got := strings.Count(answers, `"fate":`); got != tubes {
		t.Errorf("the answer file ends %d tubes", got)
	}
}

// What custody alone can tell must be noticed each time it is planted.
func TestDayNoticesWhatCustodyTells(t *testing.T) {
	outcome, _ := inMemory(t, rehearsal.Settings{Seed: 2, Tubes: 160, Often: 20})
	seen := 0
	for _, c := range outcome.Kinds {
		switch c.Kind {
		case rehearsal.Lost, rehearsal.LeftBehind, rehearsal.WrongBox, rehearsal.Handoff, rehearsal.WrongContainer, rehearsal.OtherLabel,
			rehearsal.SpunEarly, rehearsal.ClockWrong, rehearsal.Unscanned, rehearsal.Haemolysed:
			seen++
			if c.Noticed != c.Planted {
				t.Errorf("%s: planted %d times, noticed %d times", c.Kind, c.Planted, c.Noticed)
			}
		}
	}
	if seen < 6 {
		t.Errorf("only %d of the kinds were planted", seen)
	}
}

// silent takes every scan and shows nothing; loud refuses every scan of a tube.
type silent struct {
	story.Bench
	loud bool
	fail error
}

func (silent) Clock(event.Instant) error                               { return nil }
func (silent) Declare(story.Declared) error                            { return nil }
func (silent) Adopt(string, []byte, event.Instant, bool, string) error { return nil }
func (silent) Readings(string, []event.Reading, bool) error            { return nil }
func (s silent) Scan(scan story.Scan) (story.Answer, error) {
	if s.loud && scan.Step == "measure" {
		return story.Answer{Answer: event.AnswerRefused, Refusal: event.RefuseHeld}, s.fail
	}
	return story.Answer{Answer: event.AnswerRecorded}, s.fail
}
func (silent) Tube(string, event.Instant) (story.TubeView, error) {
	return story.TubeView{ThingView: story.ThingView{Known: true}, Verdict: event.WithinLimits}, nil
}
func (silent) Thing(event.Kind, string, event.Instant) (story.ThingView, error) {
	return story.ThingView{}, nil
}

// Nothing counts as noticed that isn't shown.
func TestDayOnASilentBench(t *testing.T) {
	day := generated(t, rehearsal.Settings{Seed: 2, Tubes: 500, Often: 20})
	outcome, err := rehearse.Day(t.Context(), day, silent{}, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(outcome.Kinds) < 15 {
		t.Fatalf("only %d kinds of mistakes were planted", len(outcome.Kinds))
	}
	for _, c := range outcome.Kinds {
		if c.Noticed > 0 {
			t.Errorf("%s was noticed %d times by a bench that shows nothing", c.Kind, c.Noticed)
		}
	}
	if len(outcome.Unplanted) > 0 {
		t.Errorf("raised by a bench that shows nothing: %v", outcome.Unplanted)
	}
}

// Refusals that nobody planted are counted and told.
func TestDayOnABenchThatRefuses(t *testing.T) {
	day := generated(t, rehearsal.Settings{Seed: 2, Tubes: 100})
	outcome, err := rehearse.Day(t.Context(), day, silent{loud: true}, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if outcome.Unplanted["refused held"] < 50 || len(outcome.Refused) != 10 {
		t.Errorf("%d refusals counted, %d told; want all and 10", outcome.Unplanted["refused held"], len(outcome.Refused))
	}
	if text := outcome.Table(); !strings.Contains(text, "refused held") || !strings.Contains(text, outcome.Refused[0]) {
		t.Errorf("the table doesn't tell them:\n%s", text)
	}
}

func TestDayStopsAtAnError(t *testing.T) {
	broken := errors.New("the server is gone")
	day := generated(t, rehearsal.Settings{Seed: 2, Tubes: 100})
	outcome, err := rehearse.Day(t.Context(), day, silent{fail: broken}, nil, nil, nil)
	if !errors.Is(err, broken) || !strings.Contains(err.Error(), "wristband") || outcome.Scans != 1 {
		t.Errorf("got %v after %d scans; want the bench's error at the first", err, outcome.Scans)
	}
	if slices.ContainsFunc(outcome.Kinds, func(c rehearse.Counted) bool { return c.Noticed > 0 }) {
		t.Error("something was noticed after the end")
	}
}
