package eventlog

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// RestoreOptions says which backup is restored and where.
type RestoreOptions struct {
	From string // the backup's folder
	Dir  string // the data directory; it must be empty, and the caller holds its lock
	// Key is the content of the key file: it unseals the backup and encrypts the store.
	Key string
	// MaxStore is the limit of the whole store; 0 is the default.
	MaxStore int64
	Progress func(string)
}

// Restore makes a store out of a backup, in an empty data directory, with the
// sequence numbers that its messages had. It checks every hash of the backup before
// it writes anything. It writes with one flush at the end, starts the server again
// as a daemon does, reads everything back and compares it with the backup.
//
// The streams get the settings of this program, not those that stand in the backup:
// a backup must not bring in a setting that could lose facts. The broker's time of
// storing is that of the restore; nothing reads it. Messages that were gone when the
// backup was made are gone again, under their own sequences.
//
// What breaks off is removed; after a kill the directory is marked, and no daemon
// starts on it.
func Restore(ctx context.Context, o RestoreOptions) (Manifest, error) {
	if o.Progress == nil {
		o.Progress = func(string) {}
	}
	if err := CheckEmpty(o.Dir); err != nil {
		return Manifest{}, err
	}
	o.Progress("checking every hash of the backup")
	m, err := ReadBackup(o.From, o.Key)
	if err != nil {
		return m, err
	}
	var need int64
	for _, s := range m.Streams {
		need += max(s.MaxBytes, 0)
	}
	if limit := (Options{MaxStore: o.MaxStore}).withDefaults().MaxStore; need > limit {
		return m, fmt.Errorf("restore: max-store is %d bytes and the streams of the backup may hold %d; raise max-store in the settings", limit, need)
	}
	marker := filepath.Join(o.Dir, unfinishedFile)
	if err := errors.Join(writeSynced(marker, []byte("a restore was begun here; empty this folder and restore again\n")), syncDir(o.Dir)); err != nil {
		return m, fmt.Errorf("restore: %w", err)
	}
	if err := restore(ctx, &m, o); err != nil {
		return m, errors.Join(fmt.Errorf("restore: %w", err), undo(&m, o.Dir))
	}
	if err := errors.Join(os.Remove(marker), syncDir(o.Dir)); err != nil {
		return m, fmt.Errorf("restore: %w", err)
	}
	return m, nil
}

// CheckEmpty refuses a folder that holds anything but a lock or what a file system
// keeps at its root. A folder that doesn't exist is empty.
func CheckEmpty(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("restore: %w", err)
	}
	for _, e := range entries {
		if e.Name() != "lock" && e.Name() != "lost+found" {
			return fmt.Errorf("restore: %s is not empty (it holds %s); a restore never writes over a store: give an empty folder, or move this one away", dir, e.Name())
		}
	}
	return nil
}

// undo takes away what a restore that failed has made.
func undo(m *Manifest, dir string) error {
	errs := []error{os.RemoveAll(filepath.Join(dir, "store"))}
	for _, name := range []string{"streams.json", "gone.json", unfinishedFile} {
		errs = append(errs, os.RemoveAll(filepath.Join(dir, name)))
	}
	for _, f := range m.Files {
		errs = append(errs, os.RemoveAll(filepath.Join(dir, f.Name)))
	}
	return errors.Join(errs...)
}

func restore(ctx context.Context, m *Manifest, o RestoreOptions) error {
	j := newJet(Options{Dir: o.Dir, Key: o.Key, MaxStore: o.MaxStore, flushLate: true}.withDefaults())
	if err := j.fill(ctx, m, o); err != nil {
		return err
	}
	if err := syncTree(filepath.Join(o.Dir, "store")); err != nil {
		return err
	}
	j = newJet(Options{Dir: o.Dir, Key: o.Key, MaxStore: o.MaxStore}.withDefaults())
	if err := j.check(ctx, m, o); err != nil {
		return err
	}
	var names []string
	for _, s := range m.Streams {
		names = append(names, s.Name)
	}
	if err := j.writeStreams(names); err != nil {
		return err
	}
	gone := map[string]uint64{}
	for _, s := range m.Streams {
		if s.Volume != "" && s.Last > s.Messages {
			gone[s.Name] = s.Last - s.Messages
		}
	}
	if len(gone) > 0 {
		if err := replaceJSON(j.goneFile(), gone); err != nil {
			return err
		}
	}
	for _, f := range m.Files {
		data, err := readChecked(o.From, f)
		if err != nil {
			return err
		}
		if err := writeSynced(filepath.Join(o.Dir, f.Name), data); err != nil {
			return err
		}
	}
	return nil
}

// fill writes every stream and stops the server again.
func (j *jet) fill(ctx context.Context, m *Manifest, o RestoreOptions) error {
	defer j.shut()
	if err := j.connect(); err != nil {
		return err
	}
	op, err := operator(j, false)
	if err != nil {
		return err
	}
	_, lock, err := readManifest(o.From, o.Key)
	if err != nil {
		return err
	}
	for i := range m.Streams {
		s := &m.Streams[i]
		f, err := op.filling(ctx, s)
		if err != nil {
			return err
		}
		err = readStream(o.From, s, lock, func(_ *Chunk, list []*Message) error { return f.write(ctx, list) })
		if err != nil {
			return err
		}
		if err := f.end(ctx); err != nil {
			return err
		}
		o.Progress(fmt.Sprintf("%s: %d messages written", s.Name, s.Messages))
	}
	return nil
}

// check reads everything back from a server started anew, and closes the volumes
// that were closed. A restored archive stays open: it is a copy to look into.
func (j *jet) check(ctx context.Context, m *Manifest, o RestoreOptions) error {
	defer j.shut()
	if err := j.connect(); err != nil {
		return err
	}
	op, err := operator(j, false)
	if err != nil {
		return err
	}
	in, err := op.Inspect(ctx)
	if err != nil {
		return err
	}
	for _, s := range m.Streams {
		got := in.Stream(s.Name)
		if got == nil {
			return &MissingError{Stream: s.Name}
		}
		if got.Last != s.Last || got.Messages != s.Messages {
			return fmt.Errorf("%s has %d messages up to %d after the restore; the backup has %d up to %d", s.Name, got.Messages, got.Last, s.Messages, s.Last)
		}
	}
	if err := Compare(ctx, op, m, o.Progress); err != nil {
		return err
	}
	for _, s := range m.Streams {
		if s.Closed && m.Archive == "" {
			if err := op.closeStream(ctx, s.Name); err != nil {
				return err
			}
		}
	}
	return nil
}

// filling is one stream while it is restored.
type filling struct {
	js     jetstream.JetStream
	stored *StoredStream
	cfg    jetstream.StreamConfig
	next   uint64
	holes  []uint64 // sequences that hold a placeholder
}

// filling makes the stream. Placeholders for what was gone must be deleted again,
// so such a stream gets its ban on deleting last.
func (o *Operator) filling(ctx context.Context, s *StoredStream) (*filling, error) {
	f := &filling{js: o.js, stored: s, next: max(s.First, 1)}
	switch {
	case isShelf(s.Name):
		f.cfg = shelfStream(ShelfName(s.Name), 1, s.MaxBytes)
	case s.Volume != "" && s.Name == custodyStream(s.Volume):
		f.cfg = factStream(s.Name, "custody."+s.Volume+".>", s.MaxBytes, 1)
	case s.Volume != "" && s.Name == readingsStream(s.Volume):
		f.cfg = factStream(s.Name, "readings."+s.Volume+".>", s.MaxBytes, 1)
	default:
		return nil, fmt.Errorf("the backup holds a stream %q that this program doesn't know; use a newer one", s.Name)
	}
	make := f.cfg
	if s.First > 1 {
		make.FirstSeq = s.First
		f.cfg.FirstSeq = s.First
	}
	if len(s.Gone) > 0 {
		make.DenyDelete = false
	}
	if _, err := o.js.CreateStream(ctx, make); err != nil {
		return nil, fmt.Errorf("create stream %s: %w", s.Name, err)
	}
	return f, nil
}

// write publishes the messages of a chunk and waits for their sequences.
func (f *filling) write(ctx context.Context, list []*Message) error {
	for len(list) > 0 {
		n, until := 0, f.next+maxChunkMessages
		var batch []*nats.Msg
		for ; f.next < until && n < len(list); f.next++ {
			if f.next < list[n].Seq {
				batch = append(batch, f.placeholder())
				f.holes = append(f.holes, f.next)
				continue
			}
			if f.next > list[n].Seq {
				return &DamagedError{f.stored.File, fmt.Sprintf("has the message %d behind %d", list[n].Seq, f.next-1)}
			}
			batch = append(batch, f.message(list[n]))
			n++
		}
		list = list[n:]
		if err := f.publish(ctx, f.next-uint64(len(batch)), batch); err != nil {
			return err
		}
	}
	return nil
}

func (f *filling) placeholder() *nats.Msg {
	return nats.NewMsg(strings.TrimSuffix(f.cfg.Subjects[0], ">") + "restore.gone")
}

// message is m as it is published: without the name of the batch it came in. The
// sequence that its subject had to have stays, and the server checks it again; where
// messages are gone it can't hold any more.
func (f *filling) message(m *Message) *nats.Msg {
	out := nats.NewMsg(m.Subject)
	out.Data = m.Data
	for name, values := range maps.All(m.Header) {
		if onlyForTheBroker(name) && (name != jetstream.ExpectedLastSubjSeqHeader || len(f.stored.Gone) > 0) {
			continue
		}
		out.Header[name] = values
	}
	return out
}

func (f *filling) publish(ctx context.Context, first uint64, batch []*nats.Msg) error {
	futures := make([]jetstream.PubAckFuture, len(batch))
	for i, m := range batch {
		future, err := f.js.PublishMsgAsync(m)
		if err != nil {
			return fmt.Errorf("write %s: %w", f.stored.Name, err)
		}
		futures[i] = future
	}
	for i, future := range futures {
		want := first + uint64(i)
		select {
		case ack := <-future.Ok():
			if ack.Sequence != want {
				return fmt.Errorf("%s: the message %d came to stand at %d", f.stored.Name, want, ack.Sequence)
			}
		case err := <-future.Err():
			return fmt.Errorf("%s: the message %d was not stored: %w", f.stored.Name, want, classify(err))
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return nil
}

// end brings the stream to its last sequence and its final settings.
func (f *filling) end(ctx context.Context) error {
	for f.next <= f.stored.Last && f.stored.First > 0 && f.stored.First <= f.stored.Last {
		if err := f.publish(ctx, f.next, []*nats.Msg{f.placeholder()}); err != nil {
			return err
		}
		f.holes = append(f.holes, f.next)
		f.next++
	}
	if len(f.holes) == 0 {
		return nil
	}
	s, err := f.js.Stream(ctx, f.cfg.Name)
	if err != nil {
		return err
	}
	for _, seq := range f.holes {
		if err := s.SecureDeleteMsg(ctx, seq); err != nil {
			return fmt.Errorf("%s: delete the placeholder %d: %w", f.cfg.Name, seq, err)
		}
	}
	if _, err := f.js.UpdateStream(ctx, f.cfg); err != nil {
		return fmt.Errorf("%s: final settings: %w", f.cfg.Name, err)
	}
	return nil
}

// syncTree makes every file and folder below dir durable.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if !d.IsDir() && !d.Type().IsRegular() {
			return nil
		}
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	})
}
