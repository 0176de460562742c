package flags_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
)

const minute = event.Instant(60_000)

var box = event.Cause{Kind: event.CauseBox, Name: "B-7"}

// A box of 500 tubes is one alarm and no flood; eleven causes in ten minutes are a flood
// until the first of them is ten minutes old (EEMUA 191: more than 10 in 10 minutes).
func TestAFloodIsCountedInLines(t *testing.T) {
	var warm, many []flags.Episode
	for i := range 500 {
		warm = append(warm, flags.Episode{Tube: event.Key(fmt.Sprint("L-", i)), Raised: minute + event.Instant(i*100), Verdict: event.PastLimit, Cause: box})
	}
	r := flags.Sum(warm, 0, 60*minute, 60*minute)
	if r.Episodes != 500 || r.Alarms != 1 || r.FloodMs != 0 || r.Causes[0] != (flags.CauseCount{Cause: box, N: 500}) || r.StillUntaken != 500 {
		t.Errorf("one warm box: %+v", r)
	}
	for i := range 11 {
		many = append(many, flags.Episode{Tube: event.Key(fmt.Sprint("L-", i)), Raised: event.Instant(i) * minute / 2, Verdict: event.PastLimit})
	}
	// The eleventh comes at five minutes; the first is ten minutes old at ten.
	if r := flags.Sum(many, 0, 60*minute, 60*minute); r.Alarms != 11 || r.Peak != 11 || r.FloodMs != int64(5*minute) {
		t.Errorf("eleven in five minutes: %+v", r)
	}
	if r := flags.Sum(many[:10], 0, 60*minute, 60*minute); r.FloodMs != 0 {
		t.Errorf("ten are no flood: %+v", r)
	}
}

// What was done about flags, from the facts of two tubes.
func TestWhatWasDoneAboutFlags(t *testing.T) {
	flag := func(n int64, v event.Verdict, c event.Cause) event.Flag {
		return event.Flag{Episode: n, Verdict: v, Cause: c}
	}
	at := func(m int, f event.Fact) flags.Told { return flags.Told{At: event.Instant(m) * minute, Fact: f} }
	first := flags.Episodes("L-1", []flags.Told{
		at(1, event.FlagRaised{Flag: flag(1, event.WithinLimits, event.Cause{})}), at(3, event.FlagTaken{Episode: 1}), at(5, event.FlagChanged{Flag: flag(1, event.PastLimit, box)}),
		at(9, event.FlagActed{Episode: 1, Action: "ask-new-sample"}), at(11, event.FlagCleared{Episode: 1}),
		at(12, event.FlagOverridden{}), at(20, event.FlagRaised{Flag: flag(2, event.CannotSay, event.Cause{})}), at(21, event.FlagCleared{Episode: 2}),
	})
	if len(first) != 2 || first[0].Verdict != event.PastLimit || first[0].Running || first[0].Taken != 3*minute || first[0].Acted != 9*minute || first[0].Cause != box || first[1].Taken != 0 {
		t.Fatalf("%+v", first)
	}
	second := flags.Episodes("L-2", []flags.Told{at(2, event.FlagRaised{Flag: flag(1, event.WithinLimits, event.Cause{})}), at(7, event.FlagPutAside{Episode: 1})})
	r := flags.Sum(append(first, second...), 0, 30*minute, event.Instant(25*time.Hour.Milliseconds()))
	if r.Episodes != 3 || r.Unanswered != 1 || r.Unacted != 1 || r.Stale != 1 || r.StillOpen != 1 || r.StillUntaken != 0 ||
		r.Taken.N != 2 || r.Taken.MedianMs != int64(2*minute) || r.Taken.LongestMs != int64(5*minute) {
		t.Errorf("%+v", r)
	}
	if r := flags.Sum(first, 10*minute, 30*minute, 30*minute); r.Episodes != 1 {
		t.Errorf("those raised before are not reported again: %+v", r)
	}
}

// The report of any episodes holds together, and their order doesn't matter.
func TestReportLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 60).Draw(t, "n")
		var list, turned []flags.Episode
		for i := range n {
			e := flags.Episode{
				Tube: event.Key(fmt.Sprint("L-", rapid.IntRange(0, 20).Draw(t, "tube"))), Raised: event.Instant(rapid.IntRange(0, 240).Draw(t, "at")) * minute / 2,
				Verdict: rapid.SampledFrom(event.Verdicts()).Draw(t, "verdict"),
			}
			if rapid.Bool().Draw(t, "boxed") {
				e.Cause = event.Cause{Kind: event.CauseBox, Name: fmt.Sprint("B-", i%4)}
			}
			if rapid.Bool().Draw(t, "taken") {
				e.Taken = e.Raised + minute
			}
			list = append(list, e)
			turned = append([]flags.Episode{e}, turned...)
		}
		a, b := flags.Sum(list, 0, 120*minute, 120*minute), flags.Sum(turned, 0, 120*minute, 120*minute)
		if fmt.Sprint(a) != fmt.Sprint(b) {
			t.Fatalf("the order matters:\n%+v\n%+v", a, b)
		}
		levels := 0
		for _, l := range a.Levels {
			levels += l.N
		}
		if a.Alarms > a.Episodes || a.Peak > a.Alarms || levels != a.Episodes || a.FloodMs < 0 || a.FloodMs > int64(130*minute) || a.Taken.MedianMs > a.Taken.P9Ms || a.StillOpen+a.Unanswered < a.StillUntaken {
			t.Fatalf("%+v", a)
		}
	})
}
