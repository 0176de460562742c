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
	in   map[string]bool            // imports that count: their fact is there and was not taken back
}

// addRun puts readings into the series that journeys read. It reports whether they
// count there.
func (m *Model) addRun(run *event.Run) (from event.Instant, after bool) {
	s := m.seriesOf(run.Logger)
	f := m.files[run.Logger]
	if f == nil && run.Import != "" {
		f = &files{sent: apart(s), of: map[string]*thermal.Series{}, in: m.counting(run.Logger)}
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
		if !f.in[run.Import] {
			return 0, false // a file that broke off before its fact was written has not been read in
		}
	}
	return m.vigil.Read(s, run.Readings...)
}

// counting gives the imports of a logger that count. One that was taken back may
// have been read in again.
func (m *Model) counting(logger event.Key) map[string]bool {
	l, _ := m.world.Logger(logger)
	in := map[string]bool{}
	for _, i := range l.Imports {
		in[i.Import] = !i.Voided
	}
	return in
}

// refile builds a logger's series again when an import began to count or ceased to,
// and queues every tube that it may speak of.
func (m *Model) refile(logger event.Key) {
	f := m.files[logger]
	if f == nil {
		return
	}
	in, same := m.counting(logger), true
	for id := range f.of {
		same = same && in[id] == f.in[id]
	}
	f.in = in
	if same {
		return
	}
	s := m.seriesOf(logger)
	fresh := apart(s)
	copyInto(fresh, f.sent)
	for id, one := range f.of {
		if in[id] {
			copyInto(fresh, one)
		}
	}
	*s = *fresh // journeys point to s
	m.vigil.Reread(s)
	l, _ := m.world.Logger(logger)
	m.nearAgain(&l)
}

// nearAgain queues all tubes that a logger ever spoke of.
func (m *Model) nearAgain(l *custody.Logger) {
	if m.fromNothing() {
		return
	}
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
