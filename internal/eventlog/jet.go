package eventlog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/wire"
)

// Options says where the log lives. The zero value of a field is its default.
type Options struct {
	// Dir is the data directory: the store of the embedded server, and what is noted
	// of the log beside it. With URL it may be empty; then nothing is noted.
	Dir string
	// URL is an external cluster as the daemon's user; OperatorURL the same as the
	// user that may create streams (default: URL). Replicas is 3 there unless set.
	URL, OperatorURL string
	Replicas         int
	// Volume is the period of the log, a subject token such as 2026.
	Volume string
	// MaxBytes is the limit of each fact stream; MaxStore that of the whole store.
	// Keep MaxStore well below the disk: a full store answers, a full disk hangs.
	MaxBytes, MaxStore int64
	// Key encrypts the embedded store at rest; empty: no encryption.
	Key string
	// BreakEven overrides the measured largest group that is published singly.
	BreakEven int
	Logger    *slog.Logger

	flushLate bool // a restore flushes once at its end instead of after each message
}

// Defaults of Options.
const (
	DefaultMaxBytes = 4 << 30
	DefaultMaxStore = 10 << 30
	defaultMaxShelf = 256 << 20
	defaultBreak    = 10
)

// jet is the JetStream form of Log.
type jet struct {
	opts     Options
	server   *embedded // nil with an external cluster
	daemon   *nats.Conn
	operator *nats.Conn
	js       jetstream.JetStream
	line     *line // of daemon
	facts    *committer
	readings *committer

	decisions feed[*event.Decision] // what this process wrote, for its followers
	runs      feed[*event.Run]

	mu     sync.Mutex // guards leases
	leases map[string]uint64

	guard  guard
	noting sync.Mutex // guards ends
	ends   map[string]uint64
	gone   map[string]uint64 // of each stream, what was gone when the store was restored

	watching sync.WaitGroup

	closing chan struct{}
	once    sync.Once
}

// Open starts or joins the log. It refuses a stream that could lose facts
// (*LosingError), a store in which an expected stream is missing (*MissingError),
// and one in which messages are (*LostError); it never recreates what is missing.
func Open(ctx context.Context, o Options) (Log, error) {
	o = o.withDefaults()
	if err := checkVolumeName(o.Volume); err != nil {
		return nil, err
	}
	j := newJet(o)
	if err := j.start(ctx); err != nil {
		j.shut()
		return nil, err
	}
	return j, nil
}

// newJet gives a log that isn't connected yet.
func newJet(o Options) *jet {
	return &jet{opts: o, line: newLine(), leases: map[string]uint64{}, closing: make(chan struct{}), guard: guard{reserved: -1, broken: make(chan struct{})}}
}

func (j *jet) start(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	if j.opts.URL == "" {
		if err := errors.Join(unfinished(j.opts.Dir), j.refuseRemoved(j.opts.Volume)); err != nil {
			return err
		}
	}
	if err := j.connect(); err != nil {
		return err
	}
	admin, err := jetstream.New(j.operator)
	if err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	known, err := j.known()
	if err != nil {
		return err
	}
	if err := j.settle(ctx, func(ctx context.Context) error { return j.refuseUnopened(ctx, admin) }, unsettled); err != nil {
		return err
	}
	if err := j.settle(ctx, func(ctx context.Context) error { return j.ensure(ctx, admin, j.opts.Volume, known) }, gathering); err != nil {
		return err
	}
	if err := j.settle(ctx, func(ctx context.Context) error { return j.whole(ctx, admin) }, lagging); err != nil {
		return err
	}
	if err := j.rememberStreams(known, j.opts.Volume); err != nil {
		return err
	}
	even := j.opts.BreakEven
	if even == 0 {
		even = breakEven(ctx, admin, max(j.opts.Replicas, 1), j.server != nil)
	}
	if j.js, err = jetstream.New(j.daemon, jetstream.WithPublishAsyncMaxPending(4096)); err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	j.facts = newCommitter(j.js, j.line, even)
	j.readings = newCommitter(j.js, j.line, even)
	j.lookAtStreams(ctx)
	if j.server != nil {
		j.lookAtDisk(ctx)
	}
	if err := j.rememberEnds(); err != nil {
		return err
	}
	j.watching.Go(j.watch)
	j.opts.Logger.Info("log open", slog.String("volume", j.opts.Volume), slog.Int("published_singly_up_to", even))
	return nil
}

// ensure makes the streams of a volume, or looks at those that are there.
func (j *jet) ensure(ctx context.Context, admin jetstream.JetStream, volume string, known []string) error {
	maxShelf := int64(defaultMaxShelf)
	if j.server != nil {
		maxShelf = min(maxShelf, j.opts.MaxStore/8/int64(len(Shelves())))
	}
	return ensureStreams(ctx, admin, volume, j.opts.MaxBytes, maxShelf, max(j.opts.Replicas, 1), func(name string) bool { return slices.Contains(known, name) })
}

// whole refuses streams that lack what they must hold.
func (j *jet) whole(ctx context.Context, admin jetstream.JetStream) error {
	for _, name := range []string{custodyStream(j.opts.Volume), readingsStream(j.opts.Volume)} {
		stream, err := admin.Stream(ctx, name)
		if err != nil {
			return fmt.Errorf("eventlog: look at stream %s: %w", name, err)
		}
		if err := sound(stream.CachedInfo(), j.ends[name], j.gone[name]); err != nil {
			return err
		}
	}
	return nil
}

// settle asks again while a cluster may still be electing its leaders: a question to
// a stream that has none is never answered, so each try is short.
func (j *jet) settle(ctx context.Context, ask func(context.Context) error, again func(error) bool) error {
	if j.server != nil {
		return ask(ctx)
	}
	patience := time.Now().Add(2 * electionTime)
	for {
		try, cancel := context.WithTimeout(ctx, answerTime)
		err := ask(try)
		cancel()
		if err == nil || !again(err) || time.Now().After(patience) || !j.pause(ctx) {
			return err
		}
	}
}

// lagging is what a server says that was just elected and has not counted yet what it
// holds.
func lagging(err error) bool {
	var lost *LostError
	return errors.As(err, &lost) || unsettled(err)
}

// gathering is what a cluster says that has just been started: its leader hasn't heard
// yet of as many servers as a stream is to have copies.
func gathering(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.ErrorCode == codeNoPeers || unsettled(err)
}

func (j *jet) connect() error {
	if j.opts.URL == "" {
		server, err := startEmbedded(j.opts.Dir, j.opts.MaxStore, j.opts.Key, j.opts.flushLate, j.opts.Logger)
		if err != nil {
			return err
		}
		j.server = server
		if j.daemon, err = server.connect(daemonUser, nats.DisconnectErrHandler(j.line.broke)); err != nil {
			return fmt.Errorf("eventlog: %w", err)
		}
		if j.operator, err = server.connect(operatorUser); err != nil {
			return fmt.Errorf("eventlog: %w", err)
		}
		return nil
	}
	if j.opts.Replicas == 0 {
		j.opts.Replicas = 3
	}
	var err error
	if j.daemon, err = nats.Connect(j.opts.URL, append(clusterConnection(), nats.Name("custodyd"), nats.DisconnectErrHandler(j.line.broke))...); err != nil {
		return fmt.Errorf("eventlog: connect to the cluster: %w", err)
	}
	operator := j.opts.OperatorURL
	if operator == "" {
		operator = j.opts.URL
	}
	if j.operator, err = nats.Connect(operator, append(clusterConnection(), nats.Name("custodyd operator"))...); err != nil {
		return fmt.Errorf("eventlog: connect to the cluster as operator: %w", err)
	}
	return nil
}

// unsettled tells a cluster that is still electing its leaders from one that says no.
func unsettled(err error) bool {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		return api.Code == 503
	}
	return errors.Is(err, nats.ErrNoResponders) || errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrTimeout)
}

// clusterConnection is how this process keeps up with a cluster: a server that is
// gone without a word is noticed after seconds and another one is tried, and
// nothing is put by while there is none: the sender of a scan keeps it.
func clusterConnection() []nats.Option {
	return []nats.Option{
		nats.MaxReconnects(-1), nats.ReconnectWait(250 * time.Millisecond), nats.ReconnectBufSize(-1),
		nats.PingInterval(2 * time.Second), nats.MaxPingsOutstanding(2),
	}
}

// Append implements Log.
func (j *jet) Append(ctx context.Context, d *event.Decision, after uint64) (uint64, error) {
	if !d.Key.Valid() || !slices.Contains(event.Kinds(), d.Kind) {
		return 0, fmt.Errorf("eventlog: %s %q is no aggregate", d.Kind, d.Key)
	}
	data, err := wire.Decision(d)
	if err != nil {
		return 0, err
	}
	if err := j.guard.may(); err != nil {
		return 0, err
	}
	seq, err := j.facts.append(ctx, &entry{subject: event.Subject(j.opts.Volume, d.Kind, d.Key), data: data, trace: d.Trace, after: after, expect: true})
	if err == nil {
		acknowledged(&j.guard.custody, seq)
		j.decisions.put(seq, d)
	}
	return seq, err
}

// AppendRun implements Log.
func (j *jet) AppendRun(ctx context.Context, r *event.Run) (uint64, error) {
	seqs, err := j.AppendRuns(ctx, []*event.Run{r})
	if len(seqs) == 0 {
		return 0, err
	}
	return seqs[0], err
}

// AppendRuns implements Log.
func (j *jet) AppendRuns(ctx context.Context, runs []*event.Run) ([]uint64, error) {
	all := make([]*entry, len(runs))
	for i, r := range runs {
		if !r.Logger.Valid() {
			return nil, fmt.Errorf("eventlog: logger %q is no aggregate", r.Logger)
		}
		data, err := wire.Run(r)
		if err != nil {
			return nil, err
		}
		all[i] = &entry{subject: event.ReadingsSubject(j.opts.Volume, r.Logger), data: data, trace: r.Trace}
	}
	if err := j.guard.may(); err != nil {
		return nil, err
	}
	seqs, err := j.readings.appendAll(ctx, all)
	for i, seq := range seqs {
		if seq != 0 {
			acknowledged(&j.guard.readings, seq)
			j.runs.put(seq, runs[i])
		}
	}
	return seqs, err
}

// End implements Log.
func (j *jet) End(ctx context.Context) (Position, error) {
	var p Position
	for _, s := range []struct {
		name string
		seq  *uint64
	}{{custodyStream(j.opts.Volume), &p.Custody}, {readingsStream(j.opts.Volume), &p.Readings}} {
		last, err := lastOf(ctx, j.js, s.name)
		if err != nil {
			return Position{}, err
		}
		*s.seq = last
	}
	return p, nil
}

// Follow implements Log.
func (j *jet) Follow(ctx context.Context, from Position, sink Sink) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var mu sync.Mutex // one call into sink at a time
	one := func(f func()) {
		mu.Lock()
		defer mu.Unlock()
		f()
	}
	custody, readings := custodyStream(j.opts.Volume), readingsStream(j.opts.Volume)
	reader := wire.NewReader() // one message after the other, never two at once
	readDecision := func(m jetstream.Msg, seq uint64) func() {
		rec := &event.Record{Seq: seq, Stored: m.Data()}
		err := reader.Read(rec.Stored, &rec.Decision)
		if err == nil && m.Subject() != event.Subject(j.opts.Volume, rec.Kind, rec.Key) {
			err = fmt.Errorf("eventlog: the message names %s %s but stands on another subject", rec.Kind, rec.Key)
		}
		if err != nil {
			return func() { sink.Broken(Broken{Stream: custody, Seq: seq, Subject: m.Subject(), Err: err}) }
		}
		rec.Trace = m.Headers().Get(traceHeader)
		return func() { sink.Decision(rec) }
	}
	readRun := func(m jetstream.Msg, seq uint64) func() {
		r, err := wire.ReadRun(m.Data())
		if err != nil {
			return func() { sink.Broken(Broken{Stream: readings, Seq: seq, Subject: m.Subject(), Err: err}) }
		}
		r.Trace = m.Headers().Get(traceHeader)
		return func() { sink.Run(seq, &r) }
	}
	errs := make(chan error, 2)
	if j.server == nil {
		broken := func(b Broken) { one(func() { sink.Broken(b) }) }
		at := func(read reading) func(jetstream.Msg, uint64) {
			return func(m jetstream.Msg, seq uint64) { one(read(m, seq)) }
		}
		go func() { errs <- j.keepFollowing(ctx, custody, from.Custody, at(readDecision), broken) }()
		go func() { errs <- j.keepFollowing(ctx, readings, from.Readings, at(readRun), broken) }()
	} else {
		ownDecision := func(seq uint64, d *event.Decision) {
			one(func() { sink.Decision(&event.Record{Seq: seq, Decision: *d}) })
		}
		ownRun := func(seq uint64, r *event.Run) { one(func() { sink.Run(seq, r) }) }
		go func() { errs <- tailing(ctx, j, &j.decisions, custody, from.Custody, ownDecision, readDecision, one) }()
		go func() { errs <- tailing(ctx, j, &j.runs, readings, from.Readings, ownRun, readRun, one) }()
	}
	err := <-errs
	cancel()
	return errors.Join(err, <-errs)
}

// keepFollowing follows one stream of a cluster for as long as it is asked to:
// servers come and go under it. A stream of facts has no holes, so a sequence that
// jumps means that the reading lost something; it begins again behind what it has,
// and when the same is missing again, that is told as what could not be read.
func (j *jet) keepFollowing(ctx context.Context, stream string, from uint64, take func(jetstream.Msg, uint64), broken func(Broken)) error {
	var hole uint64 // sequence that was missing at the last attempt
	for {
		reading, stop := context.WithCancel(ctx)
		err := j.follow(reading, j.js, stream, from, func(m jetstream.Msg, seq uint64) {
			if seq <= from || reading.Err() != nil {
				return
			}
			if seq > from+1 && hole != from+1 {
				hole = from + 1
				stop()
				return
			}
			if seq > from+1 {
				broken(Broken{Stream: stream, Seq: seq - 1, Subject: "", Err: fmt.Errorf("eventlog: the messages %d to %d are not there", from+1, seq-1)})
			}
			take(m, seq)
			from = seq
		})
		stop()
		if ctx.Err() != nil || errors.Is(err, ErrClosed) {
			return j.ended(ctx, err)
		}
		j.opts.Logger.Warn("the log is read again from where it was lost", slog.String("stream", stream), slog.Uint64("from", from+1), slog.Any("error", err))
		if !j.pause(ctx) {
			return j.ended(ctx, nil)
		}
	}
}

// stillError says that a reading got no further though the stream does.
type stillError struct {
	stream  string
	at, end uint64
}

func (e *stillError) Error() string {
	return fmt.Sprintf("eventlog: the reading of %s stands at %d, and the stream ends at %d", e.stream, e.at, e.end)
}

// lookStill is how often a reading looks whether it stands still. A server whose file
// is damaged sends nothing and says nothing.
const lookStill = 2 * time.Second

func (j *jet) follow(ctx context.Context, js jetstream.JetStream, stream string, from uint64, take func(jetstream.Msg, uint64)) error {
	cons, err := js.OrderedConsumer(ctx, stream, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from + 1,
	})
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return fmt.Errorf("eventlog: follow %s: %w", stream, err)
	}
	failed := make(chan error, 1)
	var at atomic.Uint64
	at.Store(from)
	// The client may call once more after it says that it is closed; whoever asked for
	// the reading is not told any more then.
	var turn sync.Mutex
	over := false
	running, err := cons.Consume(func(m jetstream.Msg) {
		turn.Lock()
		defer turn.Unlock()
		if over {
			return
		}
		meta, err := m.Metadata()
		if err != nil {
			select {
			case failed <- fmt.Errorf("eventlog: follow %s: %w", stream, err):
			default:
			}
			return
		}
		take(m, meta.Sequence.Stream)
		at.Store(meta.Sequence.Stream)
	}, jetstream.PullMaxMessages(2000))
	if err != nil {
		return fmt.Errorf("eventlog: follow %s: %w", stream, err)
	}
	defer func() {
		running.Stop()
		<-running.Closed()
		turn.Lock()
		defer turn.Unlock()
		over = true
	}()
	look := time.NewTicker(lookStill)
	defer look.Stop()
	stood, end := from, from // at the last look
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-j.closing:
			return ErrClosed
		case <-running.Closed():
			return fmt.Errorf("eventlog: the broker ended the reading of %s", stream)
		case err := <-failed:
			return err
		case <-look.C:
			now := at.Load()
			if now == stood && end > now {
				return &stillError{stream, now, end}
			}
			stood = now
			if last, err := lastOf(ctx, js, stream); err == nil {
				end = last
			}
		}
	}
}

// History implements Log. It reads message by message to the aggregate's last
// sequence: a batch read was seen to come back short without an error.
func (j *jet) History(ctx context.Context, kind event.Kind, key event.Key) ([]event.Record, error) {
	subject := event.Subject(j.opts.Volume, kind, key)
	var out []event.Record
	for seq := uint64(1); ; {
		found, data, err := j.stored(ctx, custodyStream(j.opts.Volume), getRequest{Seq: seq, NextBySubject: subject})
		if err != nil {
			return nil, fmt.Errorf("eventlog: history: %w", err)
		}
		if found == 0 {
			return out, nil
		}
		d, err := wire.ReadDecision(data)
		if err != nil {
			return nil, err
		}
		out = append(out, event.Record{Seq: found, Decision: d})
		seq = found + 1
	}
}

// getRequest asks for the first message of a subject from a sequence on, or for
// the last one. The names are those of the JetStream API.
type getRequest struct {
	Seq           uint64 `json:"seq,omitempty"`
	NextBySubject string `json:"next_by_subj,omitempty"`
	LastBySubject string `json:"last_by_subj,omitempty"`
}

// stored gives a message and its sequence, 0 when there is none. It asks the leader
// of the stream: a direct get, which the client would take, is answered by any copy,
// also by one that hasn't got yet what was acknowledged.
func (j *jet) stored(ctx context.Context, stream string, request getRequest) (uint64, []byte, error) {
	seq, _, data, err := j.storedUnder(ctx, stream, request)
	return seq, data, err
}

// storedUnder is stored with the message's subject, for a request with a wildcard.
func (j *jet) storedUnder(ctx context.Context, stream string, request getRequest) (uint64, string, []byte, error) {
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	ask, err := json.Marshal(request)
	if err != nil {
		return 0, "", nil, err
	}
	msg, err := j.daemon.RequestWithContext(ctx, "$JS.API.STREAM.MSG.GET."+stream, ask)
	if err != nil {
		return 0, "", nil, err
	}
	var answer struct {
		Error   *jetstream.APIError `json:"error"`
		Message struct {
			Seq     uint64 `json:"seq"`
			Subject string `json:"subject"`
			Data    []byte `json:"data"`
		} `json:"message"`
	}
	if err := json.Unmarshal(msg.Data, &answer); err != nil {
		return 0, "", nil, err
	}
	if answer.Error != nil {
		if answer.Error.ErrorCode == jetstream.JSErrCodeMessageNotFound {
			return 0, "", nil, nil
		}
		return 0, "", nil, answer.Error
	}
	return answer.Message.Seq, answer.Message.Subject, answer.Message.Data, nil
}

// Lease implements Log. The stream drops a lease that was not renewed in time;
// an empty one was given back and may be taken at once.
func (j *jet) Lease(ctx context.Context, name, holder string) (bool, error) {
	j.mu.Lock()
	after := j.leases[name]
	j.mu.Unlock()
	if after != 0 {
		if held, err := j.takeLease(ctx, name, holder, after); held || err != nil {
			return held, err
		}
	}
	// Without one the sequence is 0, which is what taking a new one expects.
	request := getRequest{LastBySubject: "lease." + name}
	last, other, err := j.stored(ctx, leaseStream, request)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if err = j.makeLeases(ctx); err == nil {
			last, other, err = j.stored(ctx, leaseStream, request)
		}
	}
	if err != nil {
		return false, fmt.Errorf("eventlog: lease: %w", err)
	}
	if len(other) != 0 && string(other) != holder { // its own: taken, and the answer was lost
		return false, nil
	}
	return j.takeLease(ctx, name, holder, last)
}

// makeLeases makes the stream of leases again: it is in memory, and gone when the
// embedded server was started again while this process runs.
func (j *jet) makeLeases(ctx context.Context) error {
	admin, err := jetstream.New(j.operator)
	if err != nil {
		return err
	}
	_, err = admin.CreateOrUpdateStream(ctx, leases(max(j.opts.Replicas, 1)))
	return err
}

func (j *jet) takeLease(ctx context.Context, name, holder string, after uint64) (bool, error) {
	ack, err := j.js.Publish(ctx, "lease."+name, []byte(holder), jetstream.WithExpectLastSequencePerSubject(after))
	j.mu.Lock()
	defer j.mu.Unlock()
	if err == nil {
		j.leases[name] = ack.Sequence
		return true, nil
	}
	delete(j.leases, name)
	if err = classify(err); errors.Is(err, ErrConflict) {
		return false, nil
	}
	return false, err
}

// Release implements Log. An empty lease is written over: the daemon's user may
// not delete, and a holder without a name counts as nobody.
func (j *jet) Release(ctx context.Context, name, _ string) error {
	j.mu.Lock()
	after, held := j.leases[name]
	delete(j.leases, name)
	j.mu.Unlock()
	if !held {
		return nil
	}
	_, err := j.js.Publish(ctx, "lease."+name, nil, jetstream.WithExpectLastSequencePerSubject(after))
	if err != nil {
		return classify(err)
	}
	return nil
}

// Close implements Log.
func (j *jet) Close() error {
	j.shut()
	return nil
}

func (j *jet) shut() {
	j.once.Do(func() {
		close(j.closing)
		j.watching.Wait()
		if j.js != nil {
			if err := j.rememberEnds(); err != nil {
				j.opts.Logger.Warn("how far the log was acknowledged could not be noted beside the store", slog.Any("error", err))
			}
		}
		for _, c := range []*committer{j.facts, j.readings} {
			if c != nil {
				c.close()
			}
		}
		for _, nc := range []*nats.Conn{j.daemon, j.operator} {
			if nc != nil {
				nc.Close()
			}
		}
		if j.server != nil {
			j.server.stop()
		}
	})
}
