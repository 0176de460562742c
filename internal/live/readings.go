package live

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/thermal"
)

// Run implements eventlog.Sink.
func (s sink) Run(seq uint64, run *event.Run) {
	m := s.Model
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, folded := m.ahead[seq]; folded {
		delete(m.ahead, seq)
	} else {
		m.foldRun(run)
	}
	m.at.Readings = max(m.at.Readings, seq)
	m.advance()
}

// foldRun needs mu. The tubes that readings change something of are those that the vigil
// names, and of those that it doesn't watch any more the ones that the readings speak of.
func (m *Model) foldRun(run *event.Run) {
	from, after := m.addRun(run)
	m.readFor = run.Trace
	m.name(m.time())
	if after && !m.fromNothing() {
		m.markLogger(run, from)
	}
}

// fromNothing: a snapshot, or the log from its beginning, is being read. Nobody is queued
// for what is read of a logger then: CatchUp looks at all that is awake, and what rests was
// judged by it before, or waits to be judged (judgeLate). Each would be woken for nothing.
func (m *Model) fromNothing() bool { return !m.caughtUp && m.began == (eventlog.Position{}) }

// firesAtOnce bounds how many levels are worked off in one go, namesAtOnce how many tubes
// are queued: a failed fridge with a million tubes doesn't hold up what else is read.
const (
	firesAtOnce = 4096
	namesAtOnce = 4096
)

// name queues the tubes that the vigil names by now.
func (m *Model) name(now event.Instant) {
	m.vigil.Wake(now)
	keys, more := m.vigil.Named(namesAtOnce)
	for _, key := range keys {
		if e := m.tubes[key]; e != nil {
			m.mark(key, e)
			m.causes.note(custody.Target{Kind: event.KindTube, Key: key}, m.readFor)
		}
	}
	m.unnamed = more
}

// markLogger queues the tubes that aren't watched any more and that a logger's readings
// from an instant on speak of: those that were in the carriers and at the places it was on.
func (m *Model) markLogger(run *event.Run, from event.Instant) {
	logger, ok := m.world.Logger(run.Logger)
	if !ok {
		return
	}
	series := m.seriesOf(run.Logger)
	for _, a := range logger.Attached {
		if a.Until != 0 && a.Until < from {
			continue
		}
		for _, key := range m.world.Near(a.To, from) {
			if m.vigil.Watched(key) {
				continue
			}
			if e := m.entry(key); e.layers == nil || reads(e.layers, series, from) {
				m.mark(key, e)
				m.causes.note(custody.Target{Kind: event.KindTube, Key: key}, run.Trace)
			}
		}
	}
}

// reads reports whether a journey takes temperatures from s at or behind an instant.
func reads(layers []thermal.Layer, s *thermal.Series, from event.Instant) bool {
	for i := len(layers) - 1; i >= 0 && layers[i].To >= from; i-- {
		if slices.Contains(layers[i].Series, s) {
			return true
		}
	}
	return false
}

// seriesOf gives the logger's readings so far, an empty series at first. The
// series stays the same object for ever, so that layers can point to it.
func (m *Model) seriesOf(key event.Key) *thermal.Series {
	s := m.series[key]
	if s == nil {
		s = &thermal.Series{Logger: key, HoldMs: -1}
		m.series[key] = s
	}
	return s
}

// describeSeries gives the logger's declared interval, hold and uncertainty to
// its series.
func (m *Model) describeSeries(key event.Key) {
	logger, ok := m.world.Logger(key)
	if !ok {
		return
	}
	s := m.seriesOf(key)
	was := [4]int64{s.EveryMs, s.MaxGapMs, s.HoldMs, int64(s.UncertaintyC)}
	s.EveryMs, s.MaxGapMs, s.HoldMs = logger.EveryMs, logger.MaxGapMs, logger.HoldMs
	s.UncertaintyC = event.CentiC(logger.Calibration.UncertaintyCenti)
	if is := [4]int64{s.EveryMs, s.MaxGapMs, s.HoldMs, int64(s.UncertaintyC)}; is != was && s.Len() > 0 {
		m.vigil.Reread(s)
		m.nearAgain(&logger)
	}
}
