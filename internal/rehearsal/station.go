package rehearsal

import (
	"cmp"
	"container/heap"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

// Loggers of places record as often as those of boxes and send this often.
const sendEvery = 30 * time.Minute

// climate is what a place is like, in 0.01 °C: all of its loggers lie between the two.
type climate struct {
	place     string
	low, high int
}

// labClimates are a laboratory's rooms and its store.
func (s site) labClimates() []climate {
	return []climate{{s.reception(), 2_050, 2_250}, {s.bench(), 2_050, 2_250}, {s.store(), 350, 600}}
}

// climates are a site's rooms and vehicles.
func (s site) climates() []climate {
	out := []climate{{s.place(), 2_000, 2_250}}
	if s.way != byFoot {
		out = append(out, climate{s.vehicle(), 1_950, 2_250})
	}
	if s.way == byFerry {
		out = append(out, climate{s.ferry(), 1_900, 2_200})
	}
	return out
}

// station is a logger that stays at its place and sends what it recorded.
type station struct {
	place       string
	site        int
	number      int           // of all stations: who sends at the same instant sends in this order
	next        event.Instant // reading that is taken next
	send        event.Instant // sending that is next
	out         stretch       // it records nothing
	mute        stretch       // it records, and nothing goes over the air
	base, noise int
	splitMix    splitMix
}

func stationID(place string) string { return "LOG-" + place }

// place puts loggers at places from an instant on, and gives what is declared of them.
func (t *teller) place(at event.Instant, of site, climates []climate) []story.Declared {
	if !t.day.settings.Places {
		return nil
	}
	var out []story.Declared
	for _, c := range climates {
		s := &station{place: c.place, site: of.number, number: t.placed}
		t.placed++
		s.splitMix = *sourceOf(t.day.settings.Seed, ofStation, s.number)
		dice := dice{&s.splitMix}
		s.base, s.noise = dice.between(c.low, c.high), dice.between(5, 20)
		s.next = at.Add(time.Duration(dice.below(int(loggerEvery/time.Second))) * time.Second)
		s.send = s.next.Add(sendEvery)
		if dice.falls(t.day.often(outageRate)) {
			from := at.Add(time.Duration(dice.below(12*60)) * time.Minute)
			s.out = stretch{from, from.Add(time.Duration(dice.between(30, 180)) * time.Minute)}
		}
		if dice.falls(t.day.often(muteRate)) {
			from := at.Add(time.Duration(dice.below(12*60)) * time.Minute)
			s.mute = stretch{from, from.Add(time.Duration(dice.between(60, 360)) * time.Minute)}
		}
		heap.Push(&t.stations, s)
		out = append(out, story.Logger{ID: stationID(c.place), Every: loggerEvery, Hold: -1, In: c.place, InKind: event.KindPlace, Uncertainty: 30})
	}
	return out
}

// send tells what the station sends that is next.
func (t *teller) send() bool {
	s := t.stations[0]
	step := Step{Act: story.Act{At: s.send, Logger: stationID(s.place), Readings: s.take(), Late: true}, Site: s.site}
	s.send = s.send.Add(sendEvery)
	if s.mute.holds(s.send) {
		s.send = s.mute.to
	}
	heap.Fix(&t.stations, 0)
	return len(step.Readings) == 0 || t.yield(step)
}

// take gives what was recorded since the last sending.
func (s *station) take() []event.Reading {
	dice := dice{&s.splitMix}
	out := make([]event.Reading, 0, s.send.Sub(s.next)/loggerEvery+1)
	for ; s.next < s.send; s.next = s.next.Add(loggerEvery) {
		one := event.Reading{At: s.next, C: event.CentiC(s.base + dice.between(-s.noise, s.noise)), OK: true} //nolint:gosec // a few thousand at most
		gap, fault := dice.falls(gapRate), dice.falls(faultRate)
		switch {
		case gap, s.out.holds(s.next):
			continue
		case fault:
			one.C, one.OK, one.Raw = 0, false, "fault"
		}
		out = append(out, one)
	}
	return out
}

// stations is a heap of loggers by what they send next.
type stations []*station

func (s stations) Len() int { return len(s) }
func (s stations) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(s[i].send, s[j].send), cmp.Compare(s[i].number, s[j].number)) < 0
}
func (s stations) Swap(i, j int) { s[i], s[j] = s[j], s[i] }

// Push implements heap.Interface.
func (s *stations) Push(x any) { *s = append(*s, x.(*station)) }

// Pop implements heap.Interface.
func (s *stations) Pop() any { panic("rehearsal: a logger of a place is never taken away") }
