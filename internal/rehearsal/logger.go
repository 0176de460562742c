package rehearsal

import (
	"time"

	"specimen.example/custody/internal/event"
)

const loggerEvery = 5 * time.Minute

// boxLogger is what the logger of a box is like on one round. All values are
// invented; temperatures are in 0.01 °C.
type boxLogger struct {
	own         bool // the box has one
	base, noise int
	drift       int           // per day: it reads this much too warm or cold after one
	slow        time.Duration // its clock is behind by this
	seed        uint64
	harm        event.Instant // sun or ice begins
	peak        int           // what it comes to
	dies        event.Instant // the battery ends, 0 for never
	out         stretch       // it records nothing
	late        time.Duration // how long after the box came it is read
}

// stretch is a time from a first instant up to a last one, that one left out.
type stretch struct{ from, to event.Instant }

func (s stretch) holds(at event.Instant) bool { return s.from <= at && at < s.to }

// harmLasts is how long a box stands in the sun or lies against ice; it comes to the
// full of it within harmRises and back as fast.
const (
	harmLasts = time.Hour
	harmRises = 20 * time.Minute
)

// log decides what the logger of the box is like and when the desk reads it.
func (r *round) log() {
	l := &r.logger
	*l = boxLogger{
		own: l.own, base: r.dice.between(2_020, 2_160), noise: r.dice.between(5, 30), drift: r.dice.between(-20, 20),
		slow: time.Duration(r.dice.between(-90, 90)) * time.Second, seed: r.dice.Uint64(),
	}
	l.harm = r.ready.Add(-harmLasts / 2)
	switch r.mistake {
	case Sun:
		l.peak = r.dice.between(3_000, 3_600)
	case Ice:
		l.peak = r.dice.between(150, 800)
	case LoggerDied:
		l.dies = r.from.Add(r.ready.Sub(r.from) / 4)
	case LoggerForgotten:
		return
	case LoggerLate:
		l.late = time.Duration(r.hard.between(60, 360)) * time.Minute
	}
	if !l.own {
		return
	}
	if r.hard.falls(r.day.often(outageRate)) {
		at := r.from.Add(time.Duration(r.hard.between(0, 90)) * time.Minute)
		l.out = stretch{at, at.Add(time.Duration(r.hard.between(20, 60)) * time.Minute)}
	}
	at := r.readOut()
	r.marks = append(r.marks, mark{at: at, sent: at, does: delivers, tube: -1, draw: -1})
}

// readOut is when the desk reads the logger.
func (r *round) readOut() event.Instant { return r.arrives.Add(30*time.Second + r.logger.late) }

// readings are what the desk reads out: from a while before the round on, by the
// logger's clock.
func (r *round) readings() []event.Reading {
	l := &r.logger
	dice := dice{&splitMix{state: l.seed}}
	var out []event.Reading
	for at := r.from.Add(-2 * loggerEvery); at <= r.readOut(); at = at.Add(loggerEvery) {
		c := l.at(at) + dice.between(-l.noise, l.noise) + l.drift*int(at.Sub(r.from))/int(24*time.Hour)
		gap, fault := dice.falls(gapRate), dice.falls(faultRate)
		one := event.Reading{At: at.Add(-l.slow), C: event.CentiC(c), OK: true} //nolint:gosec // a few thousand at most
		switch {
		case l.dies != 0 && at > l.dies:
			return out
		case gap, l.out.holds(at):
			continue
		case fault:
			one.C, one.OK, one.Raw = 0, false, "fault"
		}
		out = append(out, one)
	}
	return out
}

// at is the box's temperature: on a straight line to the peak, there, and back.
func (l *boxLogger) at(at event.Instant) int {
	if l.peak == 0 || at <= l.harm {
		return l.base
	}
	since := at.Sub(l.harm)
	switch way := l.peak - l.base; {
	case since < harmRises:
		return l.base + way*int(since)/int(harmRises)
	case since < harmLasts:
		return l.peak
	case since < harmLasts+harmRises:
		return l.peak - way*int(since-harmLasts)/int(harmRises)
	default:
		return l.base
	}
}
