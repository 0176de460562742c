package eventlog

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// How often the log looks at itself: at its disk, which fills within seconds, and
// at its streams, which an operator changes.
const (
	lookAtDisk    = time.Second
	lookAtStreams = 3 * time.Second
)

// reserve is how much of the disk is kept free: a share, at most so many bytes.
// Below it nothing is stored, so that scans hear at once that there is no room; a
// disk that is really full leaves them without an answer.
const (
	reserveShare = 50 // a fiftieth
	reserveMost  = 64 << 20
)

// nearlyFull is the part of a limit, in percent, from which health is red. A disk is
// nearly full below a tenth as well, or below so many bytes when it is a large one.
const (
	nearlyFull     = 90
	nearlyFullDisk = 4 << 30
)

// restartPause keeps a store that can't be written apart from a server that is
// started again and again.
const restartPause = 10 * time.Second

// LostError says that a stream doesn't hold what it must. A stream of facts is
// never cut nor thinned out: it begins at 1, has no hole, and ends no earlier than
// what was acknowledged.
type LostError struct{ Stream, What string }

// Error says what is missing and what to do.
func (e *LostError) Error() string {
	return fmt.Sprintf("messages of the stream %s are missing: %s. A file of the store was removed or damaged, or the store is an older copy, or another log is meant. "+
		"Restore the store from a backup, or give the right --data or --nats; nothing was written.", e.Stream, e.What)
}

// Finding is what the log saw when it looked at itself.
type Finding struct {
	Check  string // "settings", "content", "room" or "disk", and the stream
	OK     bool
	Stops  bool // nothing is stored while it stands
	Saw    string
	Remedy string
}

// Examined is a log that looks at itself while it runs.
type Examined interface{ Findings() []Finding }

// Roomy is a log whose limits can be raised while it runs. They are never lowered.
type Roomy interface {
	// Raise sets the limit of each stream of facts and of the whole embedded store, in
	// bytes; 0 leaves one as it is.
	Raise(ctx context.Context, maxBytes, maxStore int64) error
}

// guard is what the log knows of its own state.
type guard struct {
	custody, readings atomic.Uint64 // last sequences that were acknowledged to this process

	mu       sync.Mutex // guards the fields below
	disk     []Finding
	streams  []Finding
	restart  time.Time // when the embedded server was started again
	why      error     // nothing is stored while it is set
	diskWhy  error
	logWhy   error
	lost     error // what a follower has read is gone: followers end, and nothing is stored any more
	short    int   // looks in a row at which a cluster's stream lacked what was acknowledged
	reserved int64 // bytes of the disk to keep free; below 0: by reserveShare

	broken chan struct{} // closed when lost is set
}

// lose ends the log for this process: what its model holds the store doesn't.
func (g *guard) lose(err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.lost == nil {
		g.lost = err
		close(g.broken)
	}
}

// gone is the error of lose.
func (g *guard) gone() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.lost
}

// acknowledged keeps the last sequence that somebody was told.
func acknowledged(last *atomic.Uint64, seq uint64) {
	for {
		was := last.Load()
		if seq <= was || last.CompareAndSwap(was, seq) {
			return
		}
	}
}

// may says why nothing is stored, nil while all is well.
func (g *guard) may() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.why
}

// tell says a change of heart once.
func (g *guard) tell(logger *slog.Logger) {
	was := g.why
	g.why = cmp.Or(g.lost, g.diskWhy, g.logWhy)
	switch {
	case g.why != nil && (was == nil || was.Error() != g.why.Error()):
		logger.Error("nothing is stored from now on", slog.Any("error", g.why))
	case was != nil && g.why == nil:
		logger.Info("the log stores again")
	}
}

// Findings implements Examined.
func (j *jet) Findings() []Finding {
	j.guard.mu.Lock()
	defer j.guard.mu.Unlock()
	return append(append([]Finding(nil), j.guard.disk...), j.guard.streams...)
}

// watch looks at the log until it closes.
func (j *jet) watch() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-j.closing:
			cancel()
		case <-ctx.Done():
		}
	}()
	disk, streams := time.NewTicker(lookAtDisk), time.NewTicker(lookAtStreams)
	defer disk.Stop()
	defer streams.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-disk.C:
			if j.server != nil {
				j.lookAtDisk(ctx)
			}
		case <-streams.C:
			j.lookAtStreams(ctx)
			if err := j.rememberEnds(); err != nil {
				j.opts.Logger.Warn("how far the log was acknowledged could not be noted beside the store", slog.Any("error", err))
			}
		}
	}
}

// lookAtStreams compares the live streams with what a stream of facts must be. An
// answer that doesn't come says nothing about them: health tells that the log is
// away.
func (j *jet) lookAtStreams(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, lookAtStreams)
	defer cancel()
	var found []Finding
	var stop error
	// A server of a cluster that has just been elected may not have counted what it
	// holds: only what lacks at two looks in a row lacks.
	short, before := false, j.guard.short
	for _, s := range []struct {
		name string
		last *atomic.Uint64
	}{{custodyStream(j.opts.Volume), &j.guard.custody}, {readingsStream(j.opts.Volume), &j.guard.readings}} {
		acked := s.last.Load()
		stream, err := j.js.Stream(ctx, s.name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			err = &MissingError{Stream: s.name}
		} else if err != nil {
			return
		} else {
			info := stream.CachedInfo()
			err = sound(info, acked, j.gone[s.name])
			found = append(found, room(info))
		}
		if err == nil {
			continue
		}
		check := "settings"
		var lost *LostError
		if errors.As(err, &lost) {
			check = "content"
			if short = true; j.server == nil && before == 0 {
				continue
			}
		}
		found = append(found, Finding{Check: check + " of " + s.name, Stops: true, Saw: err.Error(),
			Remedy: "nothing is stored until it is put right; scans are answered not-saved and wait with their senders"})
		stop = errors.Join(stop, fmt.Errorf("%w: %w", ErrUnsafe, err))
	}
	j.guard.mu.Lock()
	defer j.guard.mu.Unlock()
	if j.guard.short++; !short {
		j.guard.short = 0
	}
	j.guard.streams, j.guard.logWhy = found, stop
	j.guard.tell(j.opts.Logger)
}

// sound says what is wrong with a stream of facts: a setting that could lose them,
// or what isn't there any more, beside what was gone when the store was restored.
func sound(info *jetstream.StreamInfo, acked, gone uint64) error {
	name, st := info.Config.Name, info.State
	if why := losing(info.Config); len(why) != 0 {
		return &LosingError{Stream: name, Reasons: why}
	}
	switch {
	case st.LastSeq < acked:
		return &LostError{name, fmt.Sprintf("it ends at %d, and %d was acknowledged", st.LastSeq, acked)}
	case st.Msgs+gone < st.LastSeq:
		return &LostError{name, fmt.Sprintf("it holds %d messages from %d to %d and should hold %d", st.Msgs, st.FirstSeq, st.LastSeq, st.LastSeq-gone)}
	}
	return nil
}

// room says how full a stream is.
func room(info *jetstream.StreamInfo) Finding {
	f := Finding{Check: "room in " + info.Config.Name, OK: true}
	if info.Config.MaxBytes <= 0 {
		f.Saw = fmt.Sprintf("%d bytes, no limit", info.State.Bytes)
		return f
	}
	share := info.State.Bytes * 100 / uint64(info.Config.MaxBytes)
	f.Saw = fmt.Sprintf("%d %% of its limit of %d bytes", share, info.Config.MaxBytes)
	if share >= nearlyFull {
		f.OK = false
		f.Remedy = "raise max-bytes (and max-store, if it is less than the sum of the limits) in the configuration and send custodyd SIGHUP; at 100 % scans are answered not-saved"
	}
	return f
}

// lookAtDisk keeps scans off a disk without room, and starts the embedded server
// again once a disk that was really full has room: it never writes again by itself.
func (j *jet) lookAtDisk(ctx context.Context) {
	free, size, err := space(j.opts.Dir)
	keep := j.guard.keep(size)
	said := j.server.writeError()
	f := Finding{Check: "disk", OK: true, Saw: fmt.Sprintf("%d of %d bytes are free", free, size)}
	var stop error
	switch {
	case err != nil:
		f.OK, f.Saw, f.Remedy = false, "the disk can't be asked how full it is: "+err.Error(), "look at the data folder"
	case said != "":
		stop = fmt.Errorf("%w: the store could not be written: %s", ErrFull, said)
	case free < keep:
		stop = fmt.Errorf("%w: the disk of %s has %d bytes left of %d and keeps %d free", ErrFull, j.opts.Dir, free, size, keep)
	case free-keep < min(size/10, nearlyFullDisk):
		f.OK, f.Remedy = false, "make room on the disk, or move the data folder to a larger one; when it is full scans are answered not-saved"
	}
	j.guard.sawDisk(f, stop, j.opts.Logger)
	if said == "" || err == nil && free < keep || !j.guard.mayRestart() {
		return
	}
	stop = nil
	if err := j.startAgain(ctx); err != nil {
		stop = fmt.Errorf("%w: %w", ErrUnsafe, err)
	}
	j.guard.sawDisk(f, stop, j.opts.Logger)
}

// keep is how much of a disk of this size is kept free.
func (g *guard) keep(size int64) int64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.reserved >= 0 {
		return g.reserved
	}
	return min(size/reserveShare, reserveMost)
}

// sawDisk keeps what was seen of the disk; with stop nothing is stored.
func (g *guard) sawDisk(f Finding, stop error, logger *slog.Logger) {
	if stop != nil {
		f.OK, f.Stops, f.Saw = false, true, stop.Error()
		f.Remedy = "make room on the disk; custodyd goes on by itself once there is, and until then scans are answered not-saved"
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.disk, g.diskWhy = []Finding{f}, stop
	g.tell(logger)
}

// mayRestart reports whether the last restart was long enough ago, and takes note.
func (g *guard) mayRestart() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if time.Since(g.restart) < restartPause {
		return false
	}
	g.restart = time.Now()
	return true
}

// startAgain starts the embedded server on its store again. Nothing is stored in
// the meantime. What a follower has read must still be there: a message that was
// read and never reached the disk would be one that only the model knows, and then
// this process has to end and read the log anew.
func (j *jet) startAgain(ctx context.Context) error {
	j.opts.Logger.Warn("the embedded server is started again, because its store could not be written")
	j.server.stop()
	if err := j.server.start(); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	for _, s := range []struct {
		name string
		read uint64
	}{
		{custodyStream(j.opts.Volume), max(j.guard.custody.Load(), j.decisions.read())},
		{readingsStream(j.opts.Volume), max(j.guard.readings.Load(), j.runs.read())},
	} {
		for {
			stream, err := j.js.Stream(ctx, s.name)
			if err == nil {
				if err := sound(stream.CachedInfo(), s.read, j.gone[s.name]); err != nil {
					j.guard.lose(fmt.Errorf("%w: %w", ErrUnsafe, err))
					return err
				}
				break
			}
			if errors.Is(err, jetstream.ErrStreamNotFound) {
				err := &MissingError{Stream: s.name}
				j.guard.lose(fmt.Errorf("%w: %w", ErrUnsafe, err))
				return err
			}
			// The connection has not found the new server yet.
			select {
			case <-ctx.Done():
				return fmt.Errorf("the embedded server doesn't answer after its restart: %w", err)
			case <-time.After(20 * time.Millisecond):
			}
		}
	}
	return nil
}

// space gives the free bytes of the disk that holds dir, as far as this user may
// write them, and its size.
func space(dir string) (free, size int64, err error) {
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil {
		return 0, 0, err
	}
	return int64(fs.Bavail) * fs.Bsize, int64(fs.Blocks) * fs.Bsize, nil //nolint:gosec // bytes of a disk are below 2^63
}

// Raise implements Roomy.
func (j *jet) Raise(ctx context.Context, maxBytes, maxStore int64) error {
	if j.server != nil && maxStore > 0 {
		if err := j.server.raise(maxStore); err != nil {
			return err
		}
	}
	if maxBytes <= 0 {
		return nil
	}
	admin, err := jetstream.New(j.operator)
	if err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	for _, name := range []string{custodyStream(j.opts.Volume), readingsStream(j.opts.Volume)} {
		stream, err := admin.Stream(ctx, name)
		if err != nil {
			return fmt.Errorf("eventlog: raise the limit of stream %s: %w", name, err)
		}
		cfg := stream.CachedInfo().Config
		if cfg.MaxBytes >= maxBytes {
			continue
		}
		cfg.MaxBytes = maxBytes
		if _, err := admin.UpdateStream(ctx, cfg); err != nil {
			return fmt.Errorf("eventlog: raise the limit of stream %s: %w", name, err)
		}
	}
	return nil
}
