package eventlog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Operator is the log as the engineer sees it: whole streams, their settings and
// who holds copies. It is connected as the operator's user; the daemon's own user
// may not do half of it. All methods may be called from many goroutines.
type Operator struct {
	log *jet // owned when own, else the running daemon's
	own bool
	js  jetstream.JetStream
	// patience is after how much silence reading a stream fails.
	patience time.Duration
}

// readPatience is an Operator's patience. An election among three servers takes up to
// 10 s.
const readPatience = time.Minute

// OperatorOf gives the operator's view of a log that this process has open. It
// ends with the log.
func OperatorOf(l Log) (*Operator, error) {
	j, ok := l.(*jet)
	if !ok {
		return nil, fmt.Errorf("eventlog: a %T has no streams to look at", l)
	}
	return operator(j, false)
}

// OpenOperator opens the store of a daemon that doesn't run, or joins an external
// cluster as its operator. It makes no stream. The caller holds the lock of the data
// directory, and calls Close.
func OpenOperator(_ context.Context, o Options) (*Operator, error) {
	o = o.withDefaults()
	j := newJet(o)
	if o.URL == "" {
		if _, err := os.Stat(j.streamsFile()); err != nil {
			return nil, fmt.Errorf("eventlog: %s holds no store (no streams.json); give the data folder of a custodyd: %w", o.Dir, err)
		}
		if err := unfinished(o.Dir); err != nil {
			return nil, err
		}
	}
	if err := j.connect(); err != nil {
		j.shut()
		return nil, err
	}
	op, err := operator(j, true)
	if err != nil {
		j.shut()
	}
	return op, err
}

func operator(j *jet, own bool) (*Operator, error) {
	js, err := jetstream.New(j.operator, jetstream.WithPublishAsyncMaxPending(2*maxChunkMessages))
	if err != nil {
		return nil, fmt.Errorf("eventlog: %w", err)
	}
	return &Operator{log: j, own: own, js: js, patience: readPatience}, nil
}

// Close ends what OpenOperator began.
func (o *Operator) Close() {
	if o.own {
		o.log.shut()
	}
}

// withDefaults fills what was not said. The embedded store holds two streams of facts
// and the shelves: two fifths of it for each of the first leave room for those.
func (o Options) withDefaults() Options {
	if o.MaxStore == 0 {
		o.MaxStore = max(DefaultMaxStore, o.MaxBytes/2*5)
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = DefaultMaxBytes
		if o.URL == "" {
			o.MaxBytes = min(DefaultMaxBytes, o.MaxStore/5*2)
		}
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return o
}

// Stream is one stream as it stands now. Sequences run from First to Last; Messages
// is less than that span when some are gone.
type Stream struct {
	Name     string          `json:"name"`
	Volume   string          `json:"volume,omitempty"` // "" for a stream that has none
	Settings json.RawMessage `json:"settings"`         // as the broker has them
	First    uint64          `json:"first"`
	Last     uint64          `json:"last"`
	Messages uint64          `json:"messages"`
	Bytes    uint64          `json:"bytes"`
	MaxBytes int64           `json:"maxBytes"`
	Closed   bool            `json:"closed,omitempty"` // sealed: it takes nothing more
	// Losing says in words which settings could lose facts; streams of facts only.
	Losing []string `json:"losing,omitempty"`
	// Lost is how many messages the server says it lost to damaged files.
	Lost     int    `json:"lost,omitempty"`
	Replicas int    `json:"replicas"` // wanted copies
	Leader   string `json:"leader,omitempty"`
	Peers    []Peer `json:"peers,omitempty"` // the copies beside the leader's; empty on one server
	Updated  string `json:"updated,omitempty"`
}

// Facts reports whether the stream holds facts, which must never go.
func (s *Stream) Facts() bool { return s.Volume != "" }

// Peer is one copy of a stream beside the leader's.
type Peer struct {
	Name    string `json:"name"`
	Current bool   `json:"current"`
	Offline bool   `json:"offline,omitempty"`
	Lag     uint64 `json:"lag,omitempty"` // operations behind the leader
}

// Offset is how far a server's clock is ahead of this process's, give or take.
type Offset struct {
	Server   string `json:"server"`
	AheadMs  int64  `json:"aheadMs"`
	WithinMs int64  `json:"withinMs"`
}

// Inspection is what an Operator sees at one moment.
type Inspection struct {
	Embedded bool     `json:"embedded"`
	Streams  []Stream `json:"streams"`
	// Missing are streams that were on this data directory before and can't be found;
	// Unknown those that this program doesn't know.
	Missing []string `json:"missing,omitempty"`
	Unknown []string `json:"unknown,omitempty"`
	// Writes is the volume that the daemon writes, "" when none runs here.
	Writes string `json:"writes,omitempty"`
	// StoreBytes is what all streams use, StoreLimit what they may (0: not known here).
	StoreBytes uint64 `json:"storeBytes"`
	StoreLimit int64  `json:"storeLimit"`
	// Clocks are the servers' clocks; empty with the embedded server, which has ours.
	Clocks []Offset `json:"clocks,omitempty"`
}

// Stream finds a stream by its name, nil when there is none.
func (in *Inspection) Stream(name string) *Stream {
	for i := range in.Streams {
		if in.Streams[i].Name == name {
			return &in.Streams[i]
		}
	}
	return nil
}

// volumeOf gives the volume in the name of a stream of facts, "" for another.
func volumeOf(stream string) string {
	for _, prefix := range []string{custodyStream(""), readingsStream("")} {
		if v, ok := strings.CutPrefix(stream, prefix); ok {
			return v
		}
	}
	return ""
}

// Inspect looks at every stream. Streams of facts come first, by volume, then KEYS,
// then LEASE.
func (o *Operator) Inspect(ctx context.Context) (Inspection, error) {
	j := o.log
	in := Inspection{Embedded: j.server != nil}
	if !o.own {
		in.Writes = j.opts.Volume
	}
	if in.Embedded {
		in.StoreLimit = j.opts.MaxStore
	}
	known, err := j.knownStreams()
	if err != nil {
		return in, err
	}
	list := o.js.ListStreams(ctx)
	best := map[string]Offset{}
	names := []string{}
	for info := range list.Info() {
		names = append(names, info.Config.Name)
	}
	if err := list.Err(); err != nil {
		return in, fmt.Errorf("eventlog: list the streams: %w", err)
	}
	for _, name := range names {
		if volumeOf(name) == "" && !withoutVolume(name) {
			if !strings.HasPrefix(name, probePrefix) {
				in.Unknown = append(in.Unknown, name)
			}
			continue
		}
		asked := time.Now()
		live, err := o.js.Stream(ctx, name)
		answered := time.Now()
		if err != nil {
			return in, fmt.Errorf("eventlog: look at stream %s: %w", name, err)
		}
		info := live.CachedInfo()
		s, err := seen(info)
		if err != nil {
			return in, err
		}
		in.Streams = append(in.Streams, s)
		in.StoreBytes += s.Bytes
		if !in.Embedded && !info.TimeStamp.IsZero() {
			off := offset(s.Leader, asked, answered, info.TimeStamp)
			if had, ok := best[off.Server]; !ok || off.WithinMs < had.WithinMs {
				best[off.Server] = off
			}
		}
	}
	for _, off := range best {
		in.Clocks = append(in.Clocks, off)
	}
	slices.SortFunc(in.Clocks, func(a, b Offset) int { return strings.Compare(a.Server, b.Server) })
	slices.SortFunc(in.Streams, func(a, b Stream) int { return strings.Compare(rank(a), rank(b)) })
	slices.Sort(in.Unknown)
	for _, name := range known {
		if in.Stream(name) == nil {
			in.Missing = append(in.Missing, name)
		}
	}
	return in, nil
}

// rank orders streams: custody before readings before keys, so that an end taken
// later covers everything that an end taken earlier rests on.
func rank(s Stream) string {
	switch {
	case strings.HasPrefix(s.Name, custodyStream("")):
		return "1" + s.Volume
	case s.Facts():
		return "2" + s.Volume
	case isShelf(s.Name):
		return "3" + s.Name
	}
	return "4" + s.Name
}

func seen(info *jetstream.StreamInfo) (Stream, error) {
	cfg := info.Config
	settings, err := json.Marshal(cfg)
	if err != nil {
		return Stream{}, fmt.Errorf("eventlog: settings of stream %s: %w", cfg.Name, err)
	}
	s := Stream{
		Name: cfg.Name, Volume: volumeOf(cfg.Name), Settings: settings,
		First: info.State.FirstSeq, Last: info.State.LastSeq, Messages: info.State.Msgs, Bytes: info.State.Bytes,
		MaxBytes: cfg.MaxBytes, Closed: cfg.Sealed, Replicas: cfg.Replicas,
	}
	if s.Facts() {
		s.Losing = losing(cfg)
	}
	if info.State.Lost != nil {
		s.Lost = len(info.State.Lost.Msgs)
	}
	if !info.State.LastTime.IsZero() && info.State.Msgs > 0 {
		s.Updated = info.State.LastTime.UTC().Format(time.RFC3339)
	}
	if info.Cluster != nil {
		s.Leader = info.Cluster.Leader
		for _, p := range info.Cluster.Replicas {
			s.Peers = append(s.Peers, Peer{Name: p.Name, Current: p.Current, Offline: p.Offline, Lag: p.Lag})
		}
	}
	return s, nil
}

// offset compares a server's time with the middle of the call that asked for it; the
// answer may have been made at any moment of the call.
func offset(server string, asked, answered, theirs time.Time) Offset {
	trip := answered.Sub(asked)
	middle := asked.Add(trip / 2)
	return Offset{Server: server, AheadMs: theirs.Sub(middle).Milliseconds(), WithinMs: trip.Milliseconds()/2 + 1}
}

// Read hands every message of a stream from the sequence from to the sequence to,
// both included, to take, in order. It ends only at to, or when the stream itself
// says that what is left up to there is gone: a copy that lags says "nothing more"
// too early.
func (o *Operator) Read(ctx context.Context, stream string, from, to uint64, take func(*Message) error) error {
	if to < from || to == 0 {
		return nil
	}
	s, err := o.js.Stream(ctx, stream)
	if err != nil {
		return fmt.Errorf("eventlog: read %s: %w", stream, err)
	}
	left := func(read uint64) (uint64, error) { // messages behind read up to to
		info, err := s.Info(ctx, jetstream.WithDeletedDetails(true))
		if err != nil {
			return 0, fmt.Errorf("eventlog: read %s: %w", stream, err)
		}
		after := max(read, info.State.FirstSeq-min(info.State.FirstSeq, 1))
		if after >= to {
			return 0, nil
		}
		n := to - after
		for _, gone := range info.State.Deleted {
			if gone > after && gone <= to {
				n--
			}
		}
		return n, nil
	}
	read := from - 1
	heard := time.Now()
	for {
		n, err := left(read)
		if err != nil || n == 0 {
			return err
		}
		reading, stop := context.WithCancel(ctx)
		var refused error
		err = o.log.follow(reading, o.js, stream, read, func(m jetstream.Msg, seq uint64) {
			if seq <= read || reading.Err() != nil {
				return
			}
			if seq <= to {
				meta, err := m.Metadata()
				if err == nil {
					err = take(&Message{Seq: seq, Stored: meta.Timestamp.UnixNano(), Subject: m.Subject(), Header: m.Headers(), Data: m.Data()})
				}
				if refused = err; err != nil {
					stop()
					return
				}
				read, heard = seq, time.Now()
			}
			if seq >= to {
				read = to
				stop()
			}
		})
		stop()
		// A copy that came behind sends nothing and says nothing: the next consumer is
		// put on any of them.
		switch {
		case refused != nil:
			return refused
		case ctx.Err() != nil:
			return fmt.Errorf("eventlog: read %s: %w", stream, context.Cause(ctx))
		case errors.Is(err, ErrClosed):
			return err
		case read < to && time.Since(heard) > o.patience:
			return fmt.Errorf("eventlog: read %s: nothing came behind %d for %s though %d more should be there up to %d; look at the servers and try again: %w", stream, read, o.patience, n, to, err)
		case read < to:
			o.log.pause(ctx)
		}
	}
}

// unfinishedFile marks a data directory that a restore hasn't finished.
const unfinishedFile = "restore-unfinished"

// unfinished refuses a data directory whose restore broke off.
func unfinished(dir string) error {
	path := filepath.Join(dir, unfinishedFile)
	switch _, err := os.Stat(path); {
	case err == nil:
		return fmt.Errorf("eventlog: a restore into %s was begun and not finished; empty the folder and restore again", dir)
	case !errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("eventlog: %w", err)
	}
	return nil
}
