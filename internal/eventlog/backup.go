package eventlog

import (
	"bufio"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"specimen.example/custody/internal/eventlog/wire"
)

// A backup is a folder:
//
//	manifest.json      what is in it, with a SHA-256 of everything (Manifest)
//	manifest.sha256    the SHA-256 of manifest.json, as sha256sum -c reads it
//	manifest.mac       with a key file only: HMAC-SHA256 of manifest.json under it
//	<stream>.stream    one line of JSON (format, stream, settings), then records in chunks
//	index.key          without a key file only: the secret of the index of patient numbers
//
// A record is what Message.Append writes. A chunk is up to a thousand records; the
// manifest has its place, count and hashes. With a key file each chunk is sealed
// (AES-256-GCM under a key derived from the key file, a salt and the stream's name;
// the nonce is the chunk's number): a store that is encrypted at rest must not leave
// the house in the clear. The hashes find damage; against forgery there is only the
// MAC, so a backup without a key file belongs where nobody else can write.
//
// What it is a copy of: every message up to one end per stream, taken once before
// anything is read, custody first, then readings, then keys. A decision rests only on
// readings and keys that were stored before it, so the cut holds all it needs.
// Writing goes on meanwhile and isn't held up.
//
// KEYS holds, per patient, the random reference and the key of free text, under a
// blind index of the patient's number. Without it a restored log can't tell that a
// returning patient is the same one, and no free text can be read. With it a
// backup brings back the key of a patient who was erased after it was taken: keep
// backups no longer than erasure may take, and erase again after a restore.
//
// IDENTITY holds names and numbers, each encrypted under the key in KEYS, and SIGNIN
// what people, devices and machines sign in with. Both go with KEYS. Keys in KEYS are
// wrapped by a key that is in no backup and is destroyed after some days: from an older
// backup nobody's name can be read.
//
// NOTIFY holds what receivers outside the screens were told of: without it a restored log
// would tell of every open flag once more. It names tubes and nobody, and it is read first,
// because its records are replaced while the backup is made.
//
// LEASE, SESSIONS and PHONES are not in it: a lease is worth six seconds, a session a
// sign-in, and a phone tells again how it stands.
const (
	backupFormat = "custody-backup/1"
	streamFormat = "custody-stream/1"

	manifestFile = "manifest.json"
	sumFile      = "manifest.sha256"
	macFile      = "manifest.mac"

	maxChunkMessages = 1000
	maxChunkBytes    = 4 << 20
	maxManifest      = 256 << 20 // 1000 messages need about 300 bytes of it
)

// Source is where streams are read from: an Operator, or a running daemon through
// its operator socket.
type Source interface {
	Inspect(ctx context.Context) (Inspection, error)
	Read(ctx context.Context, stream string, from, to uint64, take func(*Message) error) error
}

// BackupOptions says what goes into a backup and where it goes.
type BackupOptions struct {
	// To is the folder to make. It is written as To.partial and renamed when it is
	// complete and on the disk.
	To string
	// Volume limits the backup to the two streams of one volume, without KEYS (an
	// archive). Empty: every volume.
	Volume string
	// Keys says whether KEYS is in it; not used for an archive.
	Keys bool
	// Key is the content of the key file; it seals the backup. Empty: in the clear.
	Key string
	// Files are further files by name, stored as they are, mode 0600.
	Files map[string][]byte
	Now   time.Time
	// Progress gets a short sentence every few seconds, and may be nil.
	Progress func(string)
}

// Manifest says what a backup holds.
type Manifest struct {
	Format string    `json:"format"`
	Made   time.Time `json:"made"`
	// Archive is the one volume that an archive holds, "" for a whole backup.
	Archive string   `json:"archive,omitempty"`
	Volumes []string `json:"volumes"`
	// Schema is the highest version of the stored form that may occur.
	Schema int `json:"schema"`
	// Keys reports whether KEYS is in it.
	Keys bool `json:"keys"`
	// Seal is set when the chunks are sealed with the key file.
	Seal    *Seal          `json:"seal,omitempty"`
	Streams []StoredStream `json:"streams"`
	Files   []StoredFile   `json:"files,omitempty"`
	// LeftOut are streams that were there and are not in it.
	LeftOut []string `json:"leftOut,omitempty"`
}

// StoredStream is one stream in a backup.
type StoredStream struct {
	Name     string `json:"name"`
	Volume   string `json:"volume,omitempty"`
	File     string `json:"file"`
	Bytes    int64  `json:"bytes"` // of the file
	First    uint64 `json:"first"`
	Last     uint64 `json:"last"`
	Messages uint64 `json:"messages"`
	// Gone are sequences between First and Last that were not there any more.
	Gone     []Span `json:"gone,omitempty"`
	MaxBytes int64  `json:"maxBytes"`
	Closed   bool   `json:"closed,omitempty"`
	// Head is the length of the first line, HeadSHA256 its hash.
	Head       int64   `json:"head"`
	HeadSHA256 string  `json:"headSha256"`
	Chunks     []Chunk `json:"chunks"`
}

// Span is a run of sequences, both ends included.
type Span struct {
	First uint64 `json:"first"`
	Last  uint64 `json:"last"`
}

// Chunk is a run of messages in a stream's file.
type Chunk struct {
	First    uint64 `json:"first"`
	Last     uint64 `json:"last"`
	Messages int    `json:"messages"`
	At       int64  `json:"at"`    // offset in the file
	Bytes    int64  `json:"bytes"` // in the file
	SHA256   string `json:"sha256"`
	// Content is the SHA-256 over sequence, subject, header and data of its messages:
	// what must be the same after a restore.
	Content string `json:"content"`
}

// StoredFile is another file in a backup.
type StoredFile struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Lacks says in words what facts a backup lacks because the log itself lacked them;
// empty when none.
func (m *Manifest) Lacks() []string {
	var out []string
	for _, s := range m.Streams {
		if s.Volume == "" {
			continue // keys are erased on purpose
		}
		for _, g := range s.Gone {
			out = append(out, fmt.Sprintf("%s had no messages %d to %d any more", s.Name, g.First, g.Last))
		}
	}
	return out
}

// Counts says how much of each stream a backup holds, a line each.
func (m *Manifest) Counts() []string {
	out := make([]string, len(m.Streams))
	for i, s := range m.Streams {
		out[i] = fmt.Sprintf("%-16s %d messages, up to %d", s.Name, s.Messages, s.Last)
	}
	return out
}

// Backup copies streams into a new folder while writing goes on. A folder that is
// there already is refused, so is a stream that can't be read wholly.
func Backup(ctx context.Context, src Source, o BackupOptions) (Manifest, error) {
	if _, err := os.Lstat(o.To); err == nil {
		return Manifest{}, fmt.Errorf("backup: %s is there already; a backup is never written over another: give a folder that doesn't exist, for example one named by the time", o.To)
	} else if !errors.Is(err, os.ErrNotExist) {
		return Manifest{}, fmt.Errorf("backup: %w", err)
	}
	in, err := src.Inspect(ctx)
	if err != nil {
		return Manifest{}, fmt.Errorf("backup: %w", err)
	}
	if len(in.Missing) > 0 {
		return Manifest{}, fmt.Errorf("backup: %w", &MissingError{Stream: in.Missing[0]})
	}
	b := &backup{src: src, opts: o, dir: o.To + ".partial", m: Manifest{
		Format: backupFormat, Made: o.Now.UTC(), Archive: o.Volume, Schema: wire.Schema, Keys: o.Keys && o.Volume == "", LeftOut: in.Unknown,
	}}
	if o.Progress == nil {
		b.opts.Progress = func(string) {}
	}
	var take []Stream
	for _, s := range in.Streams {
		switch {
		case s.Name == leaseStream, ShelfName(s.Name).Passing(), o.Volume != "" && s.Volume != o.Volume:
		case isShelf(s.Name) && ShelfName(s.Name).Overwritten() && !o.Keys:
			b.m.LeftOut = append(b.m.LeftOut, s.Name)
		default:
			take = append(take, s)
			if s.Volume != "" && !slices.Contains(b.m.Volumes, s.Volume) {
				b.m.Volumes = append(b.m.Volumes, s.Volume)
			}
		}
	}
	if len(take) == 0 {
		return Manifest{}, fmt.Errorf("backup: there is no stream of the volume %q; custodyd volume list shows which there are", o.Volume)
	}
	if err := os.Mkdir(b.dir, 0o700); err != nil {
		if errors.Is(err, os.ErrExist) {
			return Manifest{}, fmt.Errorf("backup: %s is there: a backup broke off or is running; remove it if none runs", b.dir)
		}
		return Manifest{}, fmt.Errorf("backup: %w", err)
	}
	if err := b.write(ctx, take); err != nil {
		return Manifest{}, errors.Join(fmt.Errorf("backup: %w", err), os.RemoveAll(b.dir))
	}
	return b.m, nil
}

type backup struct {
	src  Source
	opts BackupOptions
	dir  string
	m    Manifest
	lock *sealer // nil: in the clear
}

func (b *backup) write(ctx context.Context, take []Stream) error {
	if b.opts.Key != "" {
		seal, err := newSeal()
		if err != nil {
			return err
		}
		b.m.Seal = seal
		if b.lock, err = seal.open(b.opts.Key); err != nil {
			return err
		}
		seal.Check = b.lock.check()
	}
	b.m.Streams = make([]StoredStream, len(take))
	for _, first := range []bool{true, false} {
		for i := range take {
			if first != (take[i].Name == string(ShelfNotify)) {
				continue
			}
			stored, err := b.stream(ctx, &take[i])
			if err != nil {
				return err
			}
			b.m.Streams[i] = stored
		}
	}
	for _, name := range slices.Sorted(maps.Keys(b.opts.Files)) {
		data := b.opts.Files[name]
		if err := writeSynced(filepath.Join(b.dir, name), data); err != nil {
			return err
		}
		b.m.Files = append(b.m.Files, StoredFile{Name: name, Bytes: int64(len(data)), SHA256: hashOf(data)})
	}
	manifest, err := json.MarshalIndent(b.m, "", " ")
	if err != nil {
		return err
	}
	sum := hashOf(manifest) + "  " + manifestFile + "\n"
	if err := errors.Join(writeSynced(filepath.Join(b.dir, manifestFile), manifest), writeSynced(filepath.Join(b.dir, sumFile), []byte(sum))); err != nil {
		return err
	}
	if b.lock != nil {
		if err := writeSynced(filepath.Join(b.dir, macFile), []byte(b.lock.mac(manifest)+"\n")); err != nil {
			return err
		}
	}
	if err := syncDir(b.dir); err != nil {
		return err
	}
	if err := os.Rename(b.dir, b.opts.To); err != nil {
		return err
	}
	return syncDir(filepath.Dir(b.opts.To))
}

// stream copies one stream into its file.
func (b *backup) stream(ctx context.Context, s *Stream) (StoredStream, error) {
	out := StoredStream{Name: s.Name, Volume: s.Volume, File: s.Name + ".stream", First: s.First, Last: s.Last, MaxBytes: s.MaxBytes, Closed: s.Closed}
	f, err := os.OpenFile(filepath.Join(b.dir, out.File), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return out, err
	}
	defer func() { _ = f.Close() }() // a second close after the one that counts
	head, err := json.Marshal(map[string]any{"format": streamFormat, "stream": s.Name, "settings": s.Settings})
	if err != nil {
		return out, err
	}
	w := &chunkWriter{w: bufio.NewWriterSize(f, 1<<20), stream: s.Name, lock: b.lock, out: &out}
	if err := w.head(append(head, '\n')); err != nil {
		return out, err
	}
	expect := s.First
	said := time.Now()
	take := func(m *Message) error {
		if m.Seq > expect {
			out.Gone = append(out.Gone, Span{expect, m.Seq - 1})
		}
		expect = m.Seq + 1
		if time.Since(said) > 2*time.Second {
			said = time.Now()
			b.opts.Progress(fmt.Sprintf("%s: %d of %d", s.Name, m.Seq, s.Last))
		}
		return w.put(m)
	}
	if err := b.src.Read(ctx, s.Name, max(s.First, 1), s.Last, take); err != nil {
		return out, err
	}
	if s.First > 0 && expect <= s.Last {
		out.Gone = append(out.Gone, Span{expect, s.Last})
	}
	if err := cmp.Or(w.flush(), w.w.Flush(), f.Sync(), f.Close()); err != nil {
		return out, err
	}
	b.opts.Progress(fmt.Sprintf("%s: %d messages, up to %d", s.Name, out.Messages, out.Last))
	return out, nil
}

// chunkWriter cuts records into chunks.
type chunkWriter struct {
	w       *bufio.Writer
	stream  string
	lock    *sealer
	out     *StoredStream
	records []byte
	content []byte // SHA-256 state would do; a chunk is a few megabytes
	chunk   Chunk
}

func (w *chunkWriter) head(line []byte) error {
	w.out.Head, w.out.HeadSHA256, w.out.Bytes = int64(len(line)), hashOf(line), int64(len(line))
	_, err := w.w.Write(line)
	return err
}

func (w *chunkWriter) put(m *Message) error {
	if w.chunk.Messages == 0 {
		w.chunk.First = m.Seq
	}
	w.records = m.Append(w.records)
	w.content = append(w.content, m.content()...)
	w.chunk.Messages++
	w.chunk.Last = m.Seq
	if w.chunk.Messages == maxChunkMessages || len(w.records) >= maxChunkBytes {
		return w.flush()
	}
	return nil
}

func (w *chunkWriter) flush() error {
	if w.chunk.Messages == 0 {
		return nil
	}
	data := w.records
	if w.lock != nil {
		sealed, err := w.lock.seal(w.stream, len(w.out.Chunks), data)
		if err != nil {
			return err
		}
		data = sealed
	}
	w.chunk.At, w.chunk.Bytes, w.chunk.SHA256, w.chunk.Content = w.out.Bytes, int64(len(data)), hashOf(data), hashOf(w.content)
	w.out.Chunks = append(w.out.Chunks, w.chunk)
	w.out.Bytes += int64(len(data))
	w.out.Messages += uint64(w.chunk.Messages) //nolint:gosec // a count
	w.records, w.content, w.chunk = w.records[:0], w.content[:0], Chunk{}
	_, err := w.w.Write(data)
	return err
}

// DamagedError says which file of a backup can't be used and why.
type DamagedError struct {
	File string
	What string
}

// Error names the file, the damage and what to do.
func (e *DamagedError) Error() string {
	return fmt.Sprintf("backup: %s %s. This backup can't be used as it is: copy it again from where it was kept, or take another one. Nothing was written.", e.File, e.What)
}

// ReadBackup reads a backup from its first byte to its last and checks every hash.
// key is the content of the key file, needed when the backup is sealed. What is
// damaged or missing gives a *DamagedError.
func ReadBackup(dir, key string) (Manifest, error) {
	m, lock, err := readManifest(dir, key)
	if err != nil {
		return m, err
	}
	for _, f := range m.Files {
		if _, err := readChecked(dir, f); err != nil {
			return m, err
		}
	}
	for i := range m.Streams {
		if err := readStream(dir, &m.Streams[i], lock, func(*Chunk, []*Message) error { return nil }); err != nil {
			return m, err
		}
	}
	return m, nil
}

// readManifest reads and checks the manifest; lock is nil for a backup in the clear.
func readManifest(dir, key string) (m Manifest, lock *sealer, err error) {
	data, err := readPart(dir, manifestFile, maxManifest)
	if err != nil {
		return m, nil, err
	}
	sum, err := readPart(dir, sumFile, 1<<10)
	if err != nil {
		return m, nil, err
	}
	if string(sum) != hashOf(data)+"  "+manifestFile+"\n" {
		return m, nil, &DamagedError{manifestFile, "doesn't have the SHA-256 that " + sumFile + " says"}
	}
	if err := json.Unmarshal(data, &m); err != nil {
		return m, nil, &DamagedError{manifestFile, "can't be read: " + err.Error()}
	}
	if m.Format != backupFormat {
		return m, nil, fmt.Errorf("backup: %s has the format %q; this program reads %s: use the program that made it, or a newer one", manifestFile, m.Format, backupFormat)
	}
	if m.Schema > wire.Schema {
		return m, nil, fmt.Errorf("backup: its facts have the stored form %d; this program reads up to %d: use a newer one", m.Schema, wire.Schema)
	}
	if m.Seal == nil {
		if key != "" {
			return m, nil, errors.New("backup: it was made of a store without a key file; leave --key-file out: patient numbers are indexed by the file index.key in it")
		}
		return m, nil, nil
	}
	if key == "" {
		return m, nil, errors.New("backup: it is sealed; give the --key-file of the store it was made of")
	}
	if lock, err = m.Seal.open(key); err != nil {
		return m, nil, err
	}
	if lock.check() != m.Seal.Check {
		return m, nil, errors.New("backup: it is sealed with another key; give the --key-file of the store it was made of")
	}
	mac, err := readPart(dir, macFile, 1<<10)
	if err != nil {
		return m, nil, err
	}
	if string(mac) != lock.mac(data)+"\n" {
		return m, nil, &DamagedError{manifestFile, "was changed: it doesn't have the MAC that " + macFile + " says"}
	}
	return m, lock, nil
}

// readPart reads a small file of a backup.
func readPart(dir, name string, most int64) ([]byte, error) {
	f, err := os.Open(filepath.Join(dir, name))
	if errors.Is(err, os.ErrNotExist) {
		if name == manifestFile {
			return nil, fmt.Errorf("backup: %s holds no %s; give the folder that custodyd backup made, not one that ends in .partial", dir, name)
		}
		return nil, &DamagedError{name, "is missing"}
	}
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	defer func() { _ = f.Close() }()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	if int64(len(data)) > most {
		return nil, &DamagedError{name, fmt.Sprintf("has more than %d bytes", most)}
	}
	return data, nil
}

func readChecked(dir string, f StoredFile) ([]byte, error) {
	if f.Name != filepath.Base(f.Name) {
		return nil, &DamagedError{manifestFile, fmt.Sprintf("names the file %q, which is a path", f.Name)}
	}
	data, err := readPart(dir, f.Name, 1<<20)
	if err != nil {
		return nil, err
	}
	if int64(len(data)) != f.Bytes || hashOf(data) != f.SHA256 {
		return nil, &DamagedError{f.Name, "doesn't have the SHA-256 that the manifest says"}
	}
	return data, nil
}

// readStream hands the chunks of a stream's file to take, each checked.
func readStream(dir string, s *StoredStream, lock *sealer, take func(*Chunk, []*Message) error) error {
	if s.File != filepath.Base(s.File) {
		return &DamagedError{manifestFile, fmt.Sprintf("names the file %q, which is a path", s.File)}
	}
	damaged := func(format string, args ...any) error { return &DamagedError{s.File, fmt.Sprintf(format, args...)} }
	f, err := os.Open(filepath.Join(dir, s.File))
	if errors.Is(err, os.ErrNotExist) {
		return damaged("is missing")
	}
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer func() { _ = f.Close() }()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	if info.Size() != s.Bytes {
		return damaged("has %d bytes; the manifest says %d", info.Size(), s.Bytes)
	}
	r := bufio.NewReaderSize(f, 1<<20)
	line := make([]byte, min(max(s.Head, 0), 1<<20))
	if _, err := io.ReadFull(r, line); err != nil || hashOf(line) != s.HeadSHA256 {
		return damaged("doesn't begin with the line whose SHA-256 the manifest says")
	}
	at, total := s.Head, uint64(0)
	for i := range s.Chunks {
		c := &s.Chunks[i]
		where := fmt.Sprintf("chunk %d (messages %d to %d)", i+1, c.First, c.Last)
		if c.At != at || c.Bytes < 0 || c.Bytes > maxChunkBytes+maxRecord {
			return damaged("%s isn't where the manifest says", where)
		}
		data := make([]byte, c.Bytes)
		if _, err := io.ReadFull(r, data); err != nil {
			return damaged("%s can't be read: %v", where, err)
		}
		if hashOf(data) != c.SHA256 {
			return damaged("%s doesn't have the SHA-256 that the manifest says", where)
		}
		if lock != nil {
			if data, err = lock.unseal(s.Name, i, data); err != nil {
				return damaged("%s can't be unsealed", where)
			}
		}
		list, err := records(data)
		if err != nil {
			return damaged("%s holds no records: %v", where, err)
		}
		if len(list) == 0 || len(list) != c.Messages || list[0].Seq != c.First || list[len(list)-1].Seq != c.Last || contentHash(list) != c.Content {
			return damaged("%s holds other messages than the manifest says", where)
		}
		at += c.Bytes
		total += uint64(len(list))
		if err := take(c, list); err != nil {
			return err
		}
	}
	if at != s.Bytes || total != s.Messages {
		return damaged("holds %d messages in %d bytes; the manifest says %d in %d", total, at, s.Messages, s.Bytes)
	}
	return nil
}

func records(data []byte) ([]*Message, error) {
	var list []*Message
	for len(data) > 0 {
		p := parser{b: data}
		m, err := parseMessage(p.blob())
		if err != nil {
			return nil, err
		}
		data = p.b
		list = append(list, m)
	}
	return list, nil
}

func contentHash(list []*Message) string {
	h := sha256.New()
	for _, m := range list {
		_, _ = h.Write(m.content()) // a hash takes everything
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

// Compare reads the streams of a backup from src and checks that each chunk's
// content is the same there. What src has behind the backup's end is not looked at.
func Compare(ctx context.Context, src Source, m *Manifest, progress func(string)) error {
	for i := range m.Streams {
		s := &m.Streams[i]
		next, list := 0, []*Message(nil)
		differs := func(c *Chunk) error {
			return fmt.Errorf("eventlog: %s differs from the backup in the messages %d to %d", s.Name, c.First, c.Last)
		}
		take := func(msg *Message) error {
			if next == len(s.Chunks) {
				return fmt.Errorf("eventlog: %s holds the message %d, which the backup doesn't", s.Name, msg.Seq)
			}
			c := &s.Chunks[next]
			if list = append(list, msg); len(list) < c.Messages {
				return nil
			}
			if contentHash(list) != c.Content {
				return differs(c)
			}
			next++
			list = list[:0]
			return nil
		}
		if err := src.Read(ctx, s.Name, max(s.First, 1), s.Last, take); err != nil {
			return err
		}
		if next < len(s.Chunks) {
			return differs(&s.Chunks[next])
		}
		progress(fmt.Sprintf("%s: %d messages read back, all as in the backup", s.Name, s.Messages))
	}
	return nil
}

func writeSynced(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, werr := f.Write(data)
	return errors.Join(werr, f.Sync(), f.Close())
}
