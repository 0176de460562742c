// Package live folds the log into the one in-memory model that everybody reads:
// custody, temperature, verdicts and flags. Intake decides on it, screens show
// it, the same code runs in the daemon, in rehearsals and in tests. The leader's
// copy also appends flag and doubt facts; nothing else keeps a second truth.
package live

import (
	"context"
	"errors"
	"log/slog"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/snapshot"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/vigil"
	"specimen.example/custody/internal/thermal"
)

// Model is the live model. Make it with New, then call Run.
type Model struct {
	log    eventlog.Log
	now    func() event.Instant
	lists  Lists
	logger *slog.Logger
	id     string // this process, as holder of the lease

	described atomic.Uint64 // grows with each fact of a person or a device

	// mu guards everything below. Applying a record and judging take it whole;
	// views of single tubes do too, since they fill the tubes' caches.
	mu        sync.Mutex
	world     *custody.World
	series    map[event.Key]*thermal.Series
	files     map[event.Key]*files
	adopted   []adoption // by instant of coming in force
	codes     codes      // of the adopted sets and the shipped lists
	tubes     map[event.Key]*entry
	vigil     vigil.Vigil[event.Key]
	watch     stability.Watch  // of the tube that is being judged
	unnamed   bool             // the vigil has more tubes to name
	judgings  uint64           // since the start
	folder    *snapshot.Folder // nil: all stays in memory
	logName   string
	cases     *snapshot.Cases // nil: nothing goes to rest
	restAfter time.Duration
	saveEvery time.Duration
	early     *early // nil: Run reads the snapshot itself
	begun     bool   // Run knows from where it reads the log
	began     eventlog.Position
	last      check // the last decision that was read
	saving    bool
	looks     []event.Key // tubes that were worked out, oldest first from oldest on
	oldest    int
	gone      int         // went to rest since the room of tubes was last looked at
	idle      int         // looks in a row that found nothing that may rest
	late      []event.Key // left for later at the start: at rest, or they look over
	mostAwake int         // see mostAwake
	lateFrom  int         // see lateFrom
	indexed   bool        // the snapshot that was loaded had the world's index
	readFor   string      // traceparent of the readings that came last
	due       dueHeap
	dirty     []event.Key // tubes whose judgement may have changed, each once
	doubtful  map[custody.Target]bool
	doubtAt   map[string]custody.Target // where a doubt that was raised stands
	broken    []eventlog.Broken
	unread    map[custody.Target]uint64 // last sequence of an aggregate's messages that could not be read
	at        eventlog.Position
	ahead     map[uint64]struct{} // runs of readings folded before the log handed them back, by sequence
	recorded  event.Instant       // latest recorded time read from the log
	waiting   []waiter
	busy      bool // the judge is working on tubes it took off dirty
	watchers  map[*Watcher]struct{}
	flagged   map[event.Key]struct{} // tubes with an open flag in the log
	// everFlagged are the tubes that ever had one, for those who look back.
	everFlagged map[event.Key]struct{}
	leading     bool
	judging     bool // the judge has begun: it knows whether this process leads
	caughtUp    bool
	causes      causes
	numbers     numbers
	scratch     []thermal.Segment
	forms       forms                 // reads records that were pressed or at rest
	room        []stability.Judgement // for the judgements of one tube

	poke     chan struct{} // wakes the judge; holds one token
	renewing sync.Mutex    // held while the lease is asked for; taken before mu
}

// entry is what the model keeps of one tube beside the facts.
type entry struct {
	look   *custody.Look   // nil when facts came since it was worked out
	layers []thermal.Layer // of its journey; nil when stale
	until  event.Instant   // earliest instant at which it must be judged again by itself; 0 never
	serves uint64          // what it can serve, see Model.serves
	lost   []string        // its tests that another tube of the draw may serve
	queued bool            // stands in dirty
	busy   bool            // the judge is at it, or what it said is on its way into the log
	idle   chan struct{}   // closed when it is neither queued nor busy; nil while nobody waits
}

// rest wakes those who wait for the judge's word on the tube, if it has spoken.
func (e *entry) rest() {
	if e.idle != nil && !e.queued && !e.busy {
		close(e.idle)
		e.idle = nil
	}
}

// waiter is somebody who waits for the model to move. Only those whose condition
// holds are woken: waking hundreds for every record costs more than folding it.
type waiter struct {
	there func() bool // called under mu
	done  chan struct{}
}

// Lists are the laboratory's catalogues as far as the shipped one goes; adopted
// rule sets add to them.
type Lists struct {
	Tubes  []stability.TubeType
	Assays []stability.Assay
}

// New gives an empty model over log. now is the process's clock.
func New(log eventlog.Log, now func() event.Instant, lists Lists, id string, logger *slog.Logger) *Model {
	m := &Model{
		log: log, now: now, lists: lists, id: id, logger: logger,
		world: custody.NewWorld(), series: map[event.Key]*thermal.Series{}, tubes: map[event.Key]*entry{},
		doubtful: map[custody.Target]bool{}, doubtAt: map[string]custody.Target{}, unread: map[custody.Target]uint64{}, ahead: map[uint64]struct{}{}, files: map[event.Key]*files{}, codes: index(nil, lists), numbers: noNumbers(), watchers: map[*Watcher]struct{}{}, flagged: map[event.Key]struct{}{}, everFlagged: map[event.Key]struct{}{},
		poke: make(chan struct{}, 1), forms: forms{wire.NewReader()},
	}
	m.mostAwake, m.lateFrom = mostAwake(debug.SetMemoryLimit(-1)), lateFrom
	m.world.Zones = zones()
	m.world.Press, m.world.Spread = appendRecord, m.forms.all
	m.vigil.Bound(firesAtOnce)
	return m
}

// Run follows the log and judges until ctx ends. It returns nil then, or the
// error that ended the reading of the log. It judges only from the moment it has
// caught up: half a log would raise flags that the other half answers.
func (m *Model) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	from := m.begin(ctx)
	var lost error
	wg.Go(func() {
		for m.CatchUp(ctx) != nil {
			if sleep(ctx, time.Second); ctx.Err() != nil {
				return
			}
		}
		if lost = m.judgeLoop(ctx); lost != nil {
			cancel()
		}
	})
	if m.folder != nil {
		wg.Go(func() { m.saveNowAndThen(ctx) })
	}
	err := m.log.Follow(ctx, from, sink{m})
	cancel()
	wg.Wait()
	return errors.Join(err, lost)
}

// saveNowAndThen writes a snapshot while anything happens, and one at the end: a start after
// a clean stop has nothing to read.
func (m *Model) saveNowAndThen(ctx context.Context) {
	var saved eventlog.Position
	save := func(ctx context.Context) {
		at := m.At()
		if at == saved {
			return
		}
		if err := m.Save(ctx); err != nil && ctx.Err() == nil {
			m.logger.Error("a snapshot of the model could not be written; a start will take longer", slog.Any("error", err))
			return
		}
		saved = at
	}
	for m.saveEvery > 0 {
		if sleep(ctx, m.saveEvery); ctx.Err() != nil {
			break
		}
		save(ctx)
	}
	<-ctx.Done()
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	save(last)
}

// stopTime is how long a clean stop may take to write its snapshot: less than what the
// daemon gives itself. Without it the next start reads from the one before.
const stopTime = 8 * time.Second

// Decision implements eventlog.Sink.
func (s sink) Decision(rec *event.Record) {
	m := s.Model
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fold(rec)
	if rec.Seq > m.at.Custody {
		m.at.Custody = rec.Seq
		m.last = check{rec.Kind, rec.Key, rec.Seq, rec.ID, rec.Digest}
	}
	if !m.caughtUp && rec.Seq%restLooks == 0 {
		m.rests(restLooks, m.recorded)
	}
	m.tell(rec)
	m.advance()
}

// Written folds a decision that this process has just made durable, before the log
// hands it back: the next scan of the aggregate is then decided on it without a
// round through the broker. The fold is free of order, and what it holds already
// changes nothing when it is read; only the reading moves the position, so a
// watcher still hears everything once and in order.
func (m *Model) Written(d *event.Decision, seq uint64) {
	rec := &event.Record{Seq: seq, Decision: *d}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fold(rec)
	m.wake()
}

// WrittenRun is Written for readings.
func (m *Model) WrittenRun(run *event.Run, seq uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if seq <= m.at.Readings {
		return // the log was faster
	}
	m.ahead[seq] = struct{}{}
	m.foldRun(run)
	m.wake()
}

// fold needs mu.
func (m *Model) fold(rec *event.Record) {
	t := custody.Target{Kind: rec.Kind, Key: rec.Key}
	nothing := m.fromNothing() // then it isn't held, or changes nothing
	if !nothing && m.world.Holds(t, rec) {
		return
	}
	if !nothing {
		for _, t := range m.world.Apply(rec) {
			m.touch(t)
			m.causes.note(t, rec.Trace)
		}
		m.causes.note(t, rec.Trace)
	} else {
		m.world.Fold(rec)
	}
	if !nothing {
		m.touch(t)
	} else if e := m.tubes[t.Key]; e != nil && t.Kind == event.KindTube {
		e.look, e.layers = nil, nil // CatchUp looks at everything
	}
	if rec.Kind == event.KindPerson || rec.Kind == event.KindDevice {
		m.described.Add(1)
	}
	if rec.Kind == event.KindRules && rec.Key == event.SchemesKey {
		m.readSchemes()
	} else if rec.Kind == event.KindRules {
		m.readAdoptions()
	}
	if rec.Kind == event.KindLogger {
		m.describeSeries(rec.Key)
		m.refile(rec.Key)
	}
	if m.note(rec) && !nothing {
		m.noteFlag(rec.Key)
	}
	m.recorded = max(m.recorded, rec.Recorded)
}

// sink is the model as the log's follower sees it.
type sink struct{ *Model }

// touch notes that what follows from t's facts may have changed.
func (m *Model) touch(t custody.Target) {
	if t.Kind != event.KindTube {
		m.doubtful[t] = true
		return
	}
	e := m.entry(t.Key)
	e.look, e.layers = nil, nil
	m.mark(t.Key, e)
}

// unqueue takes a tube off the judge's list for now.
func (m *Model) unqueue(key event.Key) {
	if e := m.tubes[key]; e != nil {
		e.look, e.layers, e.queued = nil, nil, false // dirty's entry finds nothing
		e.rest()
	}
}

// mark queues a tube for the judge without dropping what is known of its facts.
func (m *Model) mark(key event.Key, e *entry) {
	if !e.queued {
		e.queued = true
		m.dirty = append(m.dirty, key)
	}
}

func (m *Model) entry(key event.Key) *entry {
	e := m.tubes[key]
	if e == nil {
		e = &entry{}
		m.tubes[key] = e
	}
	return e
}

// tube gives the folded tube, worked out once per change of its facts.
func (m *Model) tube(key event.Key) (*custody.Tube, bool) {
	e := m.entry(key)
	if e.look == nil {
		look, ok := m.world.Look(key)
		if !ok {
			e.queued, e.busy = false, false
			e.rest()
			delete(m.tubes, key)
			m.vigil.Drop(key)
			return nil, false
		}
		e.look = &look
		m.looked(key)
	}
	return e.look.Tube(), true
}

// mostLooks is how many tubes stay worked out: one takes some twelve kilobytes, and working
// it out again some tens of microseconds.
const mostLooks = 1 << 13

// looked remembers that a tube was worked out, and lets go of the one that was longest ago.
func (m *Model) looked(key event.Key) {
	if len(m.looks) < mostLooks {
		m.looks = append(m.looks, key)
		return
	}
	old := m.looks[m.oldest]
	m.looks[m.oldest] = key
	m.oldest = (m.oldest + 1) % mostLooks
	if e := m.tubes[old]; e != nil && !e.busy && old != key {
		e.look, e.layers = nil, nil
	}
}

// note keeps where doubts stand and which tubes ever had a flag up. It reports whether a
// flag was raised, changed or cleared.
func (m *Model) note(rec *event.Record) (flag bool) {
	for _, f := range rec.Facts {
		switch f := f.(type) {
		case event.DoubtRaised:
			m.doubtAt[f.ID] = custody.Target{Kind: rec.Kind, Key: rec.Key}
		case event.FlagRaised, event.FlagChanged, event.FlagCleared:
			m.everFlagged[rec.Key], flag = struct{}{}, true
		}
	}
	return flag
}

// noteFlag keeps whether the flag of a tube is up.
func (m *Model) noteFlag(tube event.Key) {
	if m.world.FlagUp(tube) {
		m.flagged[tube] = struct{}{}
	} else {
		delete(m.flagged, tube)
	}
}

// Broken implements eventlog.Sink: the message goes on a list that health and
// the house page show, and its tube can't be judged on it.
func (s sink) Broken(b eventlog.Broken) {
	m := s.Model
	m.mu.Lock()
	defer m.mu.Unlock()
	m.broken = append(m.broken, b)
	if strings.HasPrefix(b.Stream, "READINGS") || strings.HasPrefix(b.Subject, "readings.") { // a hole in the stream has no subject
		m.at.Readings = max(m.at.Readings, b.Seq)
	} else {
		m.at.Custody = max(m.at.Custody, b.Seq)
	}
	if t, ok := aggregateOf(b.Subject); ok {
		m.unread[t] = max(m.unread[t], b.Seq)
		m.touch(t)
	}
	m.logger.Error("a message of the log could not be processed", slog.String("stream", b.Stream), slog.Uint64("seq", b.Seq), slog.Any("error", b.Err))
	m.advance()
}

// time is the clock by which the model judges. A steered clock that was not set
// yet stands where the log ends: facts must not be judged at an instant that the
// rehearsal has not reached. It needs mu.
func (m *Model) time() event.Instant {
	if now := m.now(); now != 0 {
		return now
	}
	return m.recorded
}

// advance wakes those for whom the model has moved far enough, and the judge.
func (m *Model) advance() {
	if len(m.waiting) > 0 {
		m.waiting = slices.DeleteFunc(m.waiting, func(w waiter) bool {
			if !w.there() {
				return false
			}
			close(w.done)
			return true
		})
	}
	m.wake()
}

// wake wakes the judge if there is something for it.
func (m *Model) wake() {
	select {
	case m.poke <- struct{}{}:
	default:
	}
}

// BrokenMessages lists the messages that could not be read.
func (m *Model) BrokenMessages() []eventlog.Broken {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.broken)
}

// At is how far the model has read.
func (m *Model) At() eventlog.Position {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.at
}

// WaitFor returns once the model has read up to p.
func (m *Model) WaitFor(ctx context.Context, p eventlog.Position) error {
	return m.wait(ctx, func() bool { return m.begun && m.at.Reached(p) })
}

// Settled returns once the model has read up to p, every tube that this touched
// is judged, and the flag facts that came of it (if this process leads) are read
// back: what a screen shows then is the last word.
func (m *Model) Settled(ctx context.Context, p eventlog.Position) error {
	m.mu.Lock()
	now := m.time()
	m.queueDue(now)
	m.name(now)
	m.mu.Unlock()
	m.wake()
	return m.wait(ctx, func() bool {
		return m.judging && m.at.Reached(p) && len(m.dirty) == 0 && !m.unnamed && !m.busy && len(m.doubtful) == 0 && m.world.Unread() == 0
	})
}

// SettledTubes is Settled for what the model holds of some tubes: the rest of a
// busy laboratory doesn't hold up one answer.
func (m *Model) SettledTubes(ctx context.Context, keys ...event.Key) error {
	if err := m.wait(ctx, func() bool { return m.judging }); err != nil {
		return err
	}
	for _, key := range keys {
		m.mu.Lock()
		e := m.tubes[key]
		var idle chan struct{}
		if e != nil && (e.queued || e.busy) {
			if e.idle == nil {
				e.idle = make(chan struct{})
			}
			idle = e.idle
		}
		m.mu.Unlock()
		if idle == nil {
			continue
		}
		select {
		case <-idle:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

func (m *Model) wait(ctx context.Context, there func() bool) error {
	m.mu.Lock()
	if there() {
		m.mu.Unlock()
		return nil
	}
	done := make(chan struct{})
	m.waiting = append(m.waiting, waiter{there, done})
	m.mu.Unlock()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		m.mu.Lock()
		defer m.mu.Unlock()
		m.waiting = slices.DeleteFunc(m.waiting, func(w waiter) bool { return w.done == done })
		return ctx.Err()
	}
}

// World lets f read the folded facts. f must not keep or change them, nor call
// the model.
func (m *Model) World(f func(w *custody.World)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f(m.world)
	m.world.Tidy()
}

// Effort is what judging took so far, and what the model holds.
type Effort struct {
	Judgings uint64 // tubes judged because something about them may have changed
	Watched  int    // tubes of which readings or time can still change something
	Tubes    int    // of the log
	Resting  int    // of them, out of memory
	Late     int    // left for later at the start, and not judged yet
}

// Effort gives what judging took since the start.
func (m *Model) Effort() Effort {
	m.mu.Lock()
	defer m.mu.Unlock()
	_, resting := m.world.Resting()
	return Effort{m.judgings, m.vigil.Len(), m.world.Len(event.KindTube), resting, len(m.late)}
}

// Described grows with each fact of a person or a device: what was read of them before
// may be old.
func (m *Model) Described() uint64 { return m.described.Load() }

// Now is the instant by which the model judges.
func (m *Model) Now() event.Instant {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.time()
}

// WorldOf is World with the tube that the model has worked out already, nil when
// the log has no such tube. It is read only.
func (m *Model) WorldOf(key event.Key, f func(w *custody.World, known *custody.Tube)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	known, _ := m.tube(key)
	f(m.world, known)
	m.world.Tidy()
}

// Placed reports whether a place of that name was declared.
func (m *Model) Placed(name string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	_, ok := m.world.Place(name)
	return ok
}

// DoubtTarget gives what a doubt speaks of, by the doubt's id.
func (m *Model) DoubtTarget(id string) (custody.Target, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	t, ok := m.doubtAt[id]
	return t, ok
}

// Replayed waits until the model has read what the log held when it was called, and
// gives the recorded time of the last message, 0 for an empty log. Only the stream's
// last sequence says how far that is: a consumer's "nothing pending" was seen to come
// too early.
func (m *Model) Replayed(ctx context.Context) (event.Instant, error) {
	end, err := m.log.End(ctx)
	if err != nil {
		return 0, err
	}
	if err := m.WaitFor(ctx, end); err != nil {
		return 0, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.recorded, nil
}

// CatchUp waits until the model has read what the log held when it was called. From
// then on it may lead.
func (m *Model) CatchUp(ctx context.Context) error {
	if _, err := m.Replayed(ctx); err != nil {
		return err
	}
	m.mu.Lock()
	if !m.caughtUp {
		m.caughtUp = true
		m.lookAtAll()
	}
	m.mu.Unlock()
	m.renew(ctx)
	return nil
}

// lookAtAll drops what was worked out while the log was read, and queues all that is awake.
// Where that is very much, those tubes wait that look over: flags of the others come first.
func (m *Model) lookAtAll() {
	later := func(event.Key) bool { return false }
	if m.cases != nil && m.world.AwakeTubes() >= m.lateFrom {
		before := m.recorded.Add(-m.restAfter)
		known := make(map[event.Key]struct{}, len(m.late))
		for _, key := range m.late {
			known[key] = struct{}{}
		}
		later = func(tube event.Key) bool {
			if !m.world.LooksOver(tube, before) {
				return false
			}
			if _, waits := known[tube]; !waits {
				m.late = append(m.late, tube)
			}
			return true
		}
	}
	for _, kind := range event.Kinds() {
		for _, key := range m.world.Awake(kind) {
			if kind == event.KindTube && later(key) {
				m.unqueue(key)
				continue
			}
			m.touch(custody.Target{Kind: kind, Key: key})
		}
	}
	for key := range m.everFlagged {
		m.noteFlag(key)
	}
	m.world.Tidy()
}

// Ready reports whether the model has caught up since it started.
func (m *Model) Ready() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.caughtUp
}

// Leading reports whether this process appends the flag facts now.
func (m *Model) Leading() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.leading
}

// renewEvery is how often the lease is renewed: often enough to miss one. askEvery is
// how often a process without it asks, so that a lease that was given back is taken
// at once.
const (
	renewEvery = eventlog.LeaseTime / 3
	askEvery   = 250 * time.Millisecond
)
