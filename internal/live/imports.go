package live

import (
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// files keeps a logger's readings apart by where they came from, so that a file
// that was read in the wrong zone can be taken back. Only loggers with files have
// it.
type files struct {
	sent *thermal.Series            // what no file brought
	of   map[string]*thermal.Series // by import
	void map[string]bool            // imports that were taken back
}

// addRun puts readings into the series that journeys read. It reports whether they
// count there.
func (m *Model) addRun(run *event.Run) bool {
	s := m.seriesOf(run.Logger)
	f := m.files[run.Logger]
	if f == nil && run.Import != "" {
		f = &files{sent: apart(s), of: map[string]*thermal.Series{}, void: m.taken(run.Logger)}
		copyInto(f.sent, s)
		m.files[run.Logger] = f
	}
	switch {
	case f == nil:
	case run.Import == "":
		f.sent.Add(run.Readings...)
	default:
		if f.of[run.Import] == nil {
			f.of[run.Import] = apart(s)
		}
		f.of[run.Import].Add(run.Readings...)
		if f.void[run.Import] {
			return false
		}
	}
	s.Add(run.Readings...)
	return true
}

// taken gives the imports of a logger that were taken back. The very import may
// have been read in again.
func (m *Model) taken(logger event.Key) map[string]bool {
	l, _ := m.world.Logger(logger)
	void := map[string]bool{}
	for _, i := range l.Imports {
		void[i.Import] = i.Voided
	}
	return void
}

// refile builds a logger's series again when an import was taken back or given
// back, and queues every tube that it may speak of.
func (m *Model) refile(logger event.Key) {
	f := m.files[logger]
	if f == nil {
		return
	}
	void, same := m.taken(logger), true
	for id := range f.of {
		same = same && void[id] == f.void[id]
	}
	f.void = void
	if same {
		return
	}
	s := m.seriesOf(logger)
	fresh := apart(s)
	copyInto(fresh, f.sent)
	for id, one := range f.of {
		if !void[id] {
			copyInto(fresh, one)
		}
	}
	*s = *fresh // journeys point to s
	l, _ := m.world.Logger(logger)
	for _, a := range l.Attached {
		for _, key := range m.world.Near(a.To, a.From) {
			m.mark(key, m.entry(key))
		}
	}
}

// apart is an empty series with the properties of another.
func apart(s *thermal.Series) *thermal.Series {
	return &thermal.Series{Logger: s.Logger, EveryMs: s.EveryMs, MaxGapMs: s.MaxGapMs, HoldMs: s.HoldMs, UncertaintyC: s.UncertaintyC}
}

func copyInto(to, from *thermal.Series) {
	var all []event.Reading
	for r := range from.All {
		all = append(all, r)
	}
	to.Add(all...)
}

// LoggerOf gives what is known of a logger.
func (m *Model) LoggerOf(key event.Key) (custody.Logger, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.world.Logger(key)
}
