package live

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/snapshot"
	"specimen.example/custody/internal/thermal"
)

// keptForm is the form of a snapshot's entries. It changes with them, with the stored form
// of facts and with what the world says of cases at rest: an older one is passed over.
const keptForm = "3"

// Entries of a snapshot.
const (
	keptResting byte = 1 + iota // what the world keeps of cases at rest
	keptStates                  // what is awake of the kinds that are pressed, with its records
	keptRecords                 // records of what else is awake
	keptSeries                  // a logger's readings
	keptFiles                   // a logger's imports
	keptRest                    // all else, as JSON
	keptIndex                   // of the world, behind all that is awake
)

// check names the last decision of a snapshot: the log must hold the same there.
type check struct {
	Kind   event.Kind
	Key    event.Key
	Seq    uint64
	ID     string
	Digest []byte
}

// rest is what a snapshot holds beside records and readings.
type rest struct {
	EverFlagged []event.Key
	DoubtAt     map[string]custody.Target
	Broken      []brokenMessage
	Unread      []unreadOf
	Late        []event.Key // went to rest before anybody judged them
}

type brokenMessage struct {
	Stream, Subject, Err string
	Seq                  uint64
}

type unreadOf struct {
	Of  custody.Target
	Seq uint64
}

// Keep says where snapshots and cases at rest lie, and of which log they are.
type Keep struct {
	Folder *snapshot.Folder
	Log    string
	// RestAfter is how long nothing must have happened to a case that is over before it
	// leaves memory; 0 is as usual.
	RestAfter time.Duration
	// MostAwake is how many tubes a start keeps awake while it reads the log, LateFrom from how
	// many on those that look over are judged after all others; 0 is as usual.
	MostAwake, LateFrom int
	// Every is how often a snapshot is written while anything happens; 0: only at a clean stop.
	Every time.Duration
}

// KeepIn has the model keep what it was worked out to be. Without it all stays in memory,
// and each start reads the whole log. Call it before Run.
func (m *Model) KeepIn(k Keep) {
	m.folder, m.logName, m.restAfter, m.saveEvery = k.Folder, k.Log, cmp.Or(k.RestAfter, restAfter), k.Every
	m.mostAwake, m.lateFrom = cmp.Or(k.MostAwake, m.mostAwake), cmp.Or(k.LateFrom, m.lateFrom)
}

// Began tells from where this process read the log: the zero Position when from its
// beginning.
func (m *Model) Began() eventlog.Position {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.began
}

// early is a snapshot that was read before the log was there.
type early struct {
	done chan struct{} // closed once the rest is set
	head snapshot.Head
	err  error
}

// ReadAhead begins to read the newest snapshot of a model that has no log yet; Run then
// only looks whether it is of the log that Over gave. Call it after KeepIn.
func (m *Model) ReadAhead() {
	e := &early{done: make(chan struct{})}
	m.early = e
	go func() {
		defer close(e.done)
		var r *snapshot.Reader
		if r, e.err = m.folder.Newest(m.claims); e.err == nil {
			e.head = r.Head
			e.err = m.load(r)
			r.Close()
		}
	}()
}

// Over gives a model the log that New didn't have. Call it before Run.
func (m *Model) Over(log eventlog.Log) { m.log = log }

// newest brings the empty model to where the newest snapshot is that fits the log.
func (m *Model) newest(ctx context.Context) error {
	if e := m.early; e != nil {
		<-e.done
		if e.err == nil && m.fits(ctx, e.head) == nil {
			m.use(e.head)
			return nil
		}
		m.mu.Lock()
		m.reset()
		m.mu.Unlock()
	}
	r, err := m.folder.Newest(func(h snapshot.Head) error { return m.fits(ctx, h) })
	if err != nil {
		return err
	}
	defer r.Close()
	if err := m.load(r); err != nil {
		return err
	}
	m.use(r.Head)
	return nil
}

// use says that what was loaded is of this log: from now on the model stands there.
func (m *Model) use(h snapshot.Head) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.at = eventlog.Position{Custody: h.Custody, Readings: h.Readings}
	m.began = m.at
}

// begin brings the model to where its newest snapshot is, if one can be used, and gives
// from where the log must be read.
func (m *Model) begin(ctx context.Context) eventlog.Position {
	defer func() {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.begun = true
		m.advance()
	}()
	if m.folder == nil {
		return eventlog.Position{}
	}
	start := time.Now()
	err := m.newest(ctx)
	m.mu.Lock()
	defer m.mu.Unlock()
	if err == nil {
		m.logger.Info("the model starts from its snapshot", slog.Uint64("custody", m.at.Custody), slog.Uint64("readings", m.at.Readings), slog.Duration("took", time.Since(start)))
		return m.at
	}
	if !errors.Is(err, snapshot.ErrNone) {
		m.logger.Warn("the snapshot can't be used", slog.Any("error", err))
	}
	m.logger.Info("the model reads the log from its beginning", slog.Any("why", err))
	m.reset()
	if err := m.beginCases(nil); err != nil {
		m.logger.Error("nothing can be kept in the folder of the model; all stays in memory", slog.Any("error", err))
	}
	return eventlog.Position{}
}

// claims tells whether a snapshot says that it is of this log.
func (m *Model) claims(h snapshot.Head) error {
	if h.Schema != keptForm || h.Log != m.logName {
		return fmt.Errorf("it is of form %q and log %q, not %q and %q", h.Schema, h.Log, keptForm, m.logName)
	}
	return nil
}

// fits tells whether a snapshot is of this log.
func (m *Model) fits(ctx context.Context, h snapshot.Head) error {
	if err := m.claims(h); err != nil {
		return err
	}
	end, err := m.log.End(ctx)
	if err != nil {
		return err
	}
	if !end.Reached(eventlog.Position{Custody: h.Custody, Readings: h.Readings}) {
		return fmt.Errorf("it reaches to %d and %d, the log to %d and %d", h.Custody, h.Readings, end.Custody, end.Readings)
	}
	var c check
	if err := json.Unmarshal(h.Check, &c); err != nil {
		return err
	}
	if c.Seq == 0 {
		return nil
	}
	history, err := m.log.History(ctx, c.Kind, c.Key)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(history, func(r event.Record) bool {
		return r.Seq == c.Seq && r.ID == c.ID && bytes.Equal(r.Digest, c.Digest)
	}) {
		return fmt.Errorf("the log holds another decision at %d", c.Seq)
	}
	return nil
}

// reset takes back what a snapshot gave that turned out to be damaged.
func (m *Model) reset() {
	fresh := New(m.log, m.now, m.lists, m.id, m.logger)
	m.world, m.series, m.files, m.tubes, m.vigil = fresh.world, fresh.series, fresh.files, fresh.tubes, fresh.vigil
	m.adopted, m.codes, m.due, m.dirty = fresh.adopted, fresh.codes, fresh.due, fresh.dirty
	m.doubtful, m.doubtAt, m.broken, m.unread = fresh.doubtful, fresh.doubtAt, fresh.broken, fresh.unread
	m.at, m.ahead, m.recorded, m.flagged, m.everFlagged = fresh.at, fresh.ahead, fresh.recorded, fresh.flagged, fresh.everFlagged
	m.indexed = false
	m.causes, m.numbers, m.late, m.last = fresh.causes, fresh.numbers, nil, check{}
	if m.cases != nil {
		_ = m.cases.Close() // nothing of it counts any more
		m.cases = nil
	}
}

// load reads a snapshot into the empty model, which nobody takes for read up to there before
// use. The first error means that nothing of what was read may be used.
func (m *Model) load(r *snapshot.Reader) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.beginCases(r); err != nil {
		return err
	}
	parts, done := readAhead(r)
	defer done()
	for p := range parts {
		err := p.err
		if err == nil {
			err = m.loadEntry(p)
		}
		if err != nil {
			return err
		}
	}
	if !m.indexed {
		return errCut
	}
	if err := json.Unmarshal(r.Head.Check, &m.last); err != nil {
		return err
	}
	m.readSchemes()
	m.readAdoptions()
	m.recorded = r.Head.Recorded
	for key := range m.series {
		m.describeSeries(key)
	}
	for key, f := range m.files {
		f.in = m.counting(key)
	}
	return nil
}

// part is an entry of a snapshot; its records are read already.
type part struct {
	kind    byte
	data    []byte
	records []*event.Record
	err     error
}

// readAhead reads and decodes the entries of a snapshot while those before them are folded.
// Done waits until nobody reads any more.
func readAhead(r *snapshot.Reader) (parts <-chan part, done func()) {
	out, stop := make(chan part, 4), make(chan struct{})
	var reading sync.WaitGroup
	reading.Go(func() {
		defer close(out)
		f := forms{wire.NewReader()}
		for {
			kind, data, err := r.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			p := part{kind: kind, data: bytes.Clone(data), err: err}
			if err == nil && kind == keptRecords {
				p.records, p.err = f.all(p.data)
			}
			select {
			case out <- p:
			case <-stop:
				return
			}
			if err != nil {
				return
			}
		}
	})
	return out, func() { close(stop); reading.Wait() }
}

func (m *Model) loadEntry(p part) error {
	data := p.data
	switch p.kind {
	case keptResting:
		return m.world.SetTrace(data)
	case keptStates:
		return m.loadStates(data)
	case keptIndex:
		m.indexed = true
		return m.world.SetIndex(data)
	case keptRecords:
		m.loadRecords(p)
		return nil
	case keptSeries:
		key, s, err := readSeries(data)
		if err != nil {
			return err
		}
		*m.seriesOf(key) = *s
		return nil
	case keptFiles:
		return m.loadFile(data)
	case keptRest:
		return m.loadRest(data)
	default:
		return fmt.Errorf("entry of an unknown kind %d", p.kind)
	}
}

// loadRecords folds the records of some aggregates.
func (m *Model) loadRecords(p part) {
	for _, rec := range p.records {
		rec.Stored = nil // one record at hand would keep all of the entry
		m.world.Fold(rec)
		m.touch(custody.Target{Kind: rec.Kind, Key: rec.Key})
	}
}

// loadStates puts aggregates back as they were.
func (m *Model) loadStates(data []byte) error {
	for len(data) > 0 {
		state, left, err := takeText(data)
		if err != nil {
			return err
		}
		n, used := binary.Uvarint(left)
		if used <= 0 {
			return errCut
		}
		records, left, err := takeText(left[used:])
		if err != nil {
			return err
		}
		t, err := m.world.SetState(state, records, int(n)) //nolint:gosec // as it was written
		if err != nil {
			return err
		}
		m.touch(t)
		data = left
	}
	return nil
}

func (m *Model) loadRest(data []byte) error {
	var x rest
	if err := json.Unmarshal(data, &x); err != nil {
		return err
	}
	for _, key := range x.EverFlagged {
		m.everFlagged[key] = struct{}{}
	}
	maps.Copy(m.doubtAt, x.DoubtAt)
	for _, b := range x.Broken {
		m.broken = append(m.broken, eventlog.Broken{Stream: b.Stream, Subject: b.Subject, Seq: b.Seq, Err: errors.New(b.Err)})
	}
	for _, u := range x.Unread {
		m.unread[u.Of] = u.Seq
		m.touch(u.Of)
	}
	m.late = x.Late
	return nil
}

// Save writes a snapshot of the model as it is now. The model is held up only for moments:
// what comes meanwhile is in the log behind the snapshot's position, and reading it twice
// changes nothing.
func (m *Model) Save(ctx context.Context) error {
	m.mu.Lock()
	if m.cases == nil || m.saving || !m.caughtUp {
		m.mu.Unlock()
		return nil
	}
	m.saving = true // nothing goes to rest meanwhile: it would be neither here nor there
	head := snapshot.Head{
		Schema: keptForm, Log: m.logName, Custody: m.at.Custody, Readings: m.at.Readings, Recorded: m.recorded, Made: m.time(),
	}
	resting := m.world.Trace()
	last := m.last
	var keys []custody.Target
	for _, kind := range event.Kinds() {
		for _, key := range m.world.Awake(kind) {
			keys = append(keys, custody.Target{Kind: kind, Key: key})
		}
	}
	loggers := slices.Sorted(maps.Keys(m.series))
	broken, unread := slices.Clone(m.broken), maps.Clone(m.unread) // what is read again says itself what can't be
	m.mu.Unlock()
	defer func() {
		m.mu.Lock()
		m.saving = false
		m.mu.Unlock()
	}()
	var err error
	if head.Cases, head.CasesEnd, err = m.cases.Sync(); err != nil {
		return err
	}
	if head.Check, err = json.Marshal(last); err != nil {
		return fmt.Errorf("live: %w", err)
	}
	return m.folder.Save(head, func(w *snapshot.Writer) error {
		w.Entry(keptResting, resting)
		if err := m.saveRecords(ctx, w, keys); err != nil {
			return err
		}
		for _, key := range loggers {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := m.saveLogger(w, key); err != nil {
				return err
			}
		}
		// These know of all that was written before them; of what came since the head, reading
		// says it again.
		m.mu.Lock()
		index, all := m.world.Index(), m.restOf(broken, unread)
		m.mu.Unlock()
		w.Entry(keptIndex, index)
		data, err := json.Marshal(all)
		w.Entry(keptRest, data)
		return err
	})
}

// restOf needs mu.
func (m *Model) restOf(broken []eventlog.Broken, unread map[custody.Target]uint64) rest {
	x := rest{EverFlagged: slices.Sorted(maps.Keys(m.everFlagged)), DoubtAt: maps.Clone(m.doubtAt), Late: slices.Clone(m.late)}
	for _, b := range broken {
		x.Broken = append(x.Broken, brokenMessage{Stream: b.Stream, Subject: b.Subject, Seq: b.Seq, Err: b.Err.Error()})
	}
	for t, seq := range unread {
		x.Unread = append(x.Unread, unreadOf{t, seq})
	}
	slices.SortFunc(x.Unread, func(a, b unreadOf) int { return cmp.Compare(a.Seq, b.Seq) })
	return x
}

// saveRecords writes what was awake, some aggregates at a time.
func (m *Model) saveRecords(ctx context.Context, w *snapshot.Writer, keys []custody.Target) error {
	var states, records, form []byte
	for part := range slices.Chunk(keys, 256) {
		if err := ctx.Err(); err != nil {
			return err
		}
		state, kept := make([][]byte, len(part)), make([]custody.Kept, len(part))
		m.mu.Lock()
		for i, t := range part {
			state[i], kept[i] = m.world.State(t), m.world.Kept(t)
		}
		m.mu.Unlock()
		states, records = states[:0], records[:0]
		for i, k := range kept {
			form = append(form[:0], k.Pressed...)
			for _, rec := range k.Records {
				var err error
				if form, err = appendRecord(form, rec); err != nil {
					return err
				}
			}
			if state[i] == nil {
				records = append(records, form...)
				continue
			}
			states = appendText(states, state[i])
			states = appendText(binary.AppendUvarint(states, uint64(k.Count)), form) //nolint:gosec // a count
		}
		if len(states) > 0 {
			w.Entry(keptStates, states)
		}
		if len(records) > 0 {
			w.Entry(keptRecords, records)
		}
	}
	return nil
}

func (m *Model) saveLogger(w *snapshot.Writer, key event.Key) error {
	m.mu.Lock()
	s := m.series[key].Copy()
	var files []byte
	f := m.files[key]
	if f != nil {
		files = appendFile(nil, key, "", f.sent)
		for _, id := range slices.Sorted(maps.Keys(f.of)) {
			files = appendFile(files, key, id, f.of[id])
		}
	}
	m.mu.Unlock()
	w.Entry(keptSeries, appendSeries(nil, key, s))
	if f != nil {
		w.Entry(keptFiles, files)
	}
	return nil
}

// appendSeries adds a logger's readings: key, number of points, and each by its
// difference from the one before.
func appendSeries(to []byte, key event.Key, s *thermal.Series) []byte {
	to = appendText(to, string(key))
	return s.Append(to)
}

func readSeries(data []byte) (event.Key, *thermal.Series, error) {
	key, data, err := takeText(data)
	if err != nil {
		return "", nil, err
	}
	s := &thermal.Series{Logger: event.Key(key), HoldMs: -1}
	left, err := s.Read(data)
	if err == nil && len(left) > 0 {
		err = errCut
	}
	return event.Key(key), s, err
}

func appendFile(to []byte, key event.Key, id string, s *thermal.Series) []byte {
	to = appendText(appendText(to, string(key)), id)
	return s.Append(to)
}

// loadFile reads the imports of a logger.
func (m *Model) loadFile(data []byte) error {
	for len(data) > 0 {
		key, left, err := takeText(data)
		if err != nil {
			return err
		}
		id, left, err := takeText(left)
		if err != nil {
			return err
		}
		s := &thermal.Series{Logger: event.Key(key), HoldMs: -1}
		if data, err = s.Read(left); err != nil {
			return err
		}
		f := m.files[event.Key(key)]
		if f == nil {
			f = &files{of: map[string]*thermal.Series{}}
			m.files[event.Key(key)] = f
		}
		if len(id) == 0 {
			f.sent = s
		} else {
			f.of[string(id)] = s
		}
	}
	return nil
}

func appendText[T ~string | ~[]byte](to []byte, s T) []byte {
	return append(binary.AppendUvarint(to, uint64(len(s))), s...)
}

// takeText gives what appendText wrote, as a part of data, and what stands behind it.
func takeText(data []byte) (text, left []byte, err error) {
	n, used := binary.Uvarint(data)
	if used <= 0 || n > uint64(len(data)-used) {
		return nil, nil, errCut
	}
	end := used + int(n) //nolint:gosec // within data
	return data[used:end], data[end:], nil
}
