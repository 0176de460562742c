package live

import (
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/snapshot"
)

// restAfter is how long nothing must have happened to a case that is over before it leaves
// memory. Most loggers and phones are not that late; what they touch later is read again.
const restAfter = 2 * time.Hour

const (
	restLooks  = 32 // cases looked at in one turn of the judge
	stirsATime = 16 // cases that facts touched, read again in one turn
	lateLooks  = 8  // tubes that were left for later at the start, judged in one turn
	// mostIdle is how many looks in a row may find nothing that may rest before the judge only
	// looks again when something else happens: most looks are a glance.
	mostIdle = 4_096
)

// lateFrom is from how many awake tubes on a start judges first those that may still be
// waited for, and those later that look over.
const lateFrom = 1 << 15

// mostAwake is how many tubes a start keeps awake while it reads the log. To put one to rest
// takes as long as folding its records several times, so it is done later, unless memory is
// wanted: in a heap profile of a million tubes just read, one with its draw and request had
// some 3 KB, and 16 KB of the limit are there for each.
func mostAwake(limit int64) int { return int(min(limit/(16<<10), 1<<20)) }

// rests puts cases to rest that are over, and reports whether it found some lately: then there
// may be more. It needs mu.
func (m *Model) rests(looks int, now event.Instant) (more bool) {
	if m.cases == nil || m.saving {
		return false
	}
	if room := m.world.AwakeTubes() <= m.mostAwake; room && (!m.caughtUp || len(m.late) > 0) {
		return false // what is left for later would be woken for its judgement
	}
	terms := custody.Terms{
		Before: now.Add(-m.restAfter),
		Needed: func(tube event.Key) bool {
			_, flagged := m.flagged[tube]
			e := m.tubes[tube]
			return flagged || e != nil && (e.busy || m.judging && e.queued)
		},
	}
	rested, err := m.world.RestSome(looks, terms, m.keep)
	if err != nil {
		m.logger.Error("what is over can't be kept in the folder of the model; it stays in memory", slog.Any("error", err))
	}
	for _, t := range rested {
		delete(m.doubtful, t)
		if t.Kind != event.KindTube {
			continue
		}
		m.vigil.Drop(t.Key)
		e := m.tubes[t.Key]
		if m.fromNothing() || e != nil && e.queued {
			m.late = append(m.late, t.Key) // dirty's entry finds nothing
		}
		if e != nil {
			e.queued = false
			e.rest()
			delete(m.tubes, t.Key)
		}
	}
	if m.gone += len(rested); m.gone > 4_096+len(m.tubes) {
		m.tubes, m.gone = custody.Again(m.tubes), 0 // what was deleted leaves its room
	}
	if len(rested) > 0 {
		m.idle = 0
	} else if m.idle < mostIdle {
		m.idle += looks
	}
	return m.idle < mostIdle
}

// stirred reads cases again that facts touched while they rested. It reports whether there
// are more. It needs mu.
func (m *Model) stirred() bool {
	if m.cases == nil || m.world.Unread() == 0 {
		return false
	}
	for _, t := range m.world.Stirred(stirsATime) {
		m.touch(t)
	}
	return m.world.Unread() > 0
}

// judgeLate queues tubes that a start left for later, or that went to rest before anybody
// judged them: whoever led before may have died before it spoke.
func (m *Model) judgeLate() {
	for n := 0; n < lateLooks && len(m.late) > 0; n++ {
		key := m.late[len(m.late)-1]
		if m.late = m.late[:len(m.late)-1]; len(m.late) == 0 {
			m.late = nil
		}
		if _, ok := m.world.Look(key); ok {
			m.mark(key, m.entry(key))
		}
	}
}

// keep writes the records of a case into the file of cases.
func (m *Model) keep(records []*event.Record) (uint64, error) {
	var buf []byte
	for _, rec := range records {
		var err error
		if buf, err = appendRecord(buf, rec); err != nil {
			return 0, err
		}
	}
	return m.cases.Add(buf)
}

// recall reads a case again.
func (m *Model) recall(ref uint64) ([]*event.Record, error) {
	data, err := m.cases.Get(ref)
	if err != nil {
		return nil, err
	}
	return m.forms.all(data)
}

// forms reads what appendRecord wrote, for one at a time: the model's needs mu.
type forms struct{ reader *wire.Reader }

// all reads records one behind the other.
func (f forms) all(data []byte) (records []*event.Record, err error) {
	for len(data) > 0 {
		var rec *event.Record
		if rec, data, err = f.take(data); err != nil {
			return nil, err
		}
		records = append(records, rec)
	}
	return records, nil
}

// appendRecord adds a record: sequence, length, stored form, as it stands in the log if that
// is at hand.
func appendRecord(to []byte, rec *event.Record) ([]byte, error) {
	to = binary.AppendUvarint(to, rec.Seq)
	at := len(to)
	to = append(to, 0, 0) // its length, which most records have in two bytes
	if rec.Stored != nil {
		to = append(to, rec.Stored...)
	} else {
		var err error
		if to, err = wire.AppendDecision(to, &rec.Decision); err != nil {
			return nil, fmt.Errorf("sequence %d: %w", rec.Seq, err)
		}
	}
	size := len(to) - at - 2
	if size < 1<<14 {
		to[at], to[at+1] = byte(size)|0x80, byte(size>>7) //nolint:gosec // the seven low bits and the others
		return to, nil
	}
	return slices.Replace(to, at, at+2, binary.AppendUvarint(nil, uint64(size))...), nil
}

var errCut = errors.New("cut short")

// take reads the first record and gives what stands behind it.
func (f forms) take(data []byte) (*event.Record, []byte, error) {
	seq, n := binary.Uvarint(data)
	if n <= 0 {
		return nil, nil, errCut
	}
	data = data[n:]
	size, n := binary.Uvarint(data)
	if n <= 0 || size > uint64(len(data)-n) {
		return nil, nil, errCut
	}
	end := n + int(size) //nolint:gosec // within data
	rec := &event.Record{Seq: seq, Stored: data[n:end:end]}
	if err := f.reader.Read(data[n:end], &rec.Decision); err != nil {
		return nil, nil, fmt.Errorf("sequence %d: %w", seq, err)
	}
	return rec, data[end:], nil
}

// failed is why the model can't go on: a case that rests can't be read again. Whoever runs
// it starts anew from the log.
func (m *Model) failed() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.cases == nil {
		return nil
	}
	if err := m.world.Failed(); err != nil {
		m.folder.Clear()
		return fmt.Errorf("live: a case at rest can't be read again; the log is read from its beginning at the next start: %w", err)
	}
	return nil
}

// beginCases opens the file of cases that a snapshot names, or begins one.
func (m *Model) beginCases(r *snapshot.Reader) error {
	var err error
	if r != nil && r.Head.Cases != "" {
		m.cases, err = m.folder.OpenCases(r.Head.Cases, r.Head.CasesEnd)
	} else {
		m.cases, err = m.folder.NewCases(m.folder.Cases()...)
	}
	if err != nil {
		m.cases = nil
		return err
	}
	m.world.Recall = m.recall
	return nil
}
