package web

import (
	"context"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
)

// FlagsOf implements LookBackSource for stories.
func (s Story) FlagsOf(_ context.Context, days int) (FlagsPage, error) {
	p := FlagsPage{Seq: 12, Now: storyNow, Zone: storyZone, Days: days}
	if s.back != nil {
		p.Report = flags.Sum(s.back(), ago(days*24*60), storyNow, storyNow)
	} else {
		p.Report = flags.Sum(nil, ago(days*24*60), storyNow, storyNow)
	}
	return p, s.fault
}

func lookBackStories() []Story {
	return []Story{
		{Name: "look-back", About: "where reports begin", Path: "/look-back"},
		{Name: "look-back-missing", alike: "look-back", About: "the form was sent empty", Path: "/look-back?of=tube&number="},
		{Name: "look-back-flags", About: "a week with one warm box and a flood", Path: "/look-back/flags", back: aWeek},
		{Name: "look-back-flags-none", About: "nothing was raised", Path: "/look-back/flags?days=1"},
	}
}

func minutesOf(n int) time.Duration { return time.Duration(n) * time.Minute }

func aWeek() []flags.Episode {
	var out []flags.Episode
	add := func(minutes, n int, v event.Verdict, c event.Cause, taken, cleared int) {
		for i := range n {
			e := flags.Episode{
				Tube: event.Key("L-" + string(rune('A'+i%26)) + string(rune('A'+len(out)%26))), Raised: ago(minutes - i), Verdict: v, Cause: c,
				Running: v == event.WithinLimits,
			}
			if taken > 0 {
				e.Taken = e.Raised.Add(minutesOf(taken + i%7))
			}
			if cleared > 0 {
				e.Cleared, e.Acted = e.Raised.Add(minutesOf(cleared)), e.Taken
			}
			out = append(out, e)
		}
	}
	add(4000, 38, event.PastLimit, event.Cause{Kind: event.CauseBox, Name: "B-7"}, 4, 40)
	add(2600, 14, event.WithinLimits, event.Cause{Kind: event.CauseRoute, Name: "FERRY-GULL"}, 2, 25)
	add(1500, 6, event.CannotSay, event.Cause{}, 0, 12)
	add(300, 3, event.PastLimit, event.Cause{Kind: event.CauseLogger, Name: "LOG-9"}, 0, 0)
	add(3000, 2, event.NotStudiedBeyond, event.Cause{}, 30, 0)
	return out
}
