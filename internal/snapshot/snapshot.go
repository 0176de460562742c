// Package snapshot keeps what the model was worked out to be in files on this machine, so
// that a start reads them and the end of the log, not all of it. Nothing in it is truth: a
// file that is missing, damaged, of another log or of another version of the program is
// passed over, and the log is read from its beginning. It knows chunks of bytes and where
// they lie; what they say is the model's.
//
// Every chunk is sealed (AES-256-GCM) under a key drawn from that of the store, or from
// nothing where the store has none: then it only shows damage. A file is written beside
// the last one, flushed, and named last, so a power cut leaves the last one.
package snapshot

import (
	"bufio"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// Head says what a snapshot is of. Two logs never share Log and Check.
type Head struct {
	Schema   string // form of the chunks; another one is passed over
	Log      string // which log
	Custody  uint64 // everything up to here is in it, of each stream
	Readings uint64
	Check    []byte        // digest of the last decision in it: the log must hold the same there
	Recorded event.Instant // latest recorded time in it
	Cases    string        // file of the cases at rest, empty for none
	CasesEnd int64         // and how much of it counts
	Made     event.Instant
}

// ErrNone says that there is no snapshot that can be used; read the log.
var ErrNone = errors.New("snapshot: none that can be used")

const (
	magic      = "CUSTSNP1"
	chunkBytes = 256 << 10
	mostChunk  = 1 << 30 // a longer one is damage; room for the trace of some million tubes at rest
	kept       = 2       // newest snapshots
	suffix     = ".snapshot"
)

// Folder is where snapshots lie.
type Folder struct {
	dir    string
	secret []byte
}

// Open makes the folder if need be. Key is that of the store, nil for none.
func Open(dir string, key []byte) (*Folder, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("snapshot: %w", err)
	}
	return &Folder{dir: dir, secret: slices.Clone(key)}, nil
}

// seal gives the cipher of one file, by its own salt.
func (f *Folder) seal(salt []byte) (cipher.AEAD, error) {
	key, err := hkdf.Key(sha256.New, append([]byte("custody snapshot "), f.secret...), salt, "chunks", 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

func nonce(n uint64) []byte {
	return binary.BigEndian.AppendUint64(make([]byte, 4, 12), n)
}

// Writer takes the entries of a snapshot in order.
type Writer struct {
	w      *bufio.Writer
	aead   cipher.AEAD
	n      uint64
	buf    []byte
	sealed []byte
	err    error
}

// Entry writes one entry of a kind, which is the caller's.
func (w *Writer) Entry(kind byte, data []byte) {
	w.buf = append(w.buf, kind)
	w.buf = binary.AppendUvarint(w.buf, uint64(len(data)))
	if w.buf = append(w.buf, data...); len(w.buf) >= chunkBytes {
		w.flush()
	}
}

// flush seals what is waiting. An empty chunk is the end.
func (w *Writer) flush() {
	if w.err != nil {
		return
	}
	w.sealed = w.aead.Seal(w.sealed[:0], nonce(w.n), w.buf, nil)
	w.n++
	w.buf = w.buf[:0]
	if _, w.err = w.w.Write(binary.AppendUvarint(nil, uint64(len(w.sealed)))); w.err == nil {
		_, w.err = w.w.Write(w.sealed)
	}
}

// Save writes a snapshot. It is there when Save returns nil, and not at all otherwise.
func (f *Folder) Save(head Head, write func(w *Writer) error) (err error) {
	tmp, err := os.CreateTemp(f.dir, "writing-*")
	if err != nil {
		return fmt.Errorf("snapshot: %w", err)
	}
	defer func() {
		if err != nil {
			_ = tmp.Close()
			_ = os.Remove(tmp.Name())
		}
	}()
	salt := make([]byte, 32)
	_, _ = rand.Read(salt) // never fails on the platforms Go supports
	w := &Writer{w: bufio.NewWriterSize(tmp, 1<<20)}
	if w.aead, err = f.seal(salt); err != nil {
		return fmt.Errorf("snapshot: %w", err)
	}
	about, err := json.Marshal(head)
	if err != nil {
		return fmt.Errorf("snapshot: %w", err)
	}
	_, w.err = w.w.WriteString(magic + string(salt))
	w.Entry(0, about)
	w.flush()
	if err := write(w); err != nil {
		return err
	}
	if len(w.buf) > 0 {
		w.flush()
	}
	w.flush() // the end
	if w.err == nil {
		w.err = w.w.Flush()
	}
	if w.err == nil {
		w.err = tmp.Sync()
	}
	if w.err == nil {
		w.err = tmp.Close()
	}
	if w.err == nil {
		w.err = os.Rename(tmp.Name(), filepath.Join(f.dir, fmt.Sprintf("%020d-%020d%s", head.Custody, head.Readings, suffix)))
	}
	if w.err != nil {
		return fmt.Errorf("snapshot: %w", w.err)
	}
	f.tidy()
	return syncDir(f.dir)
}

// tidy removes all but the newest snapshots and what a crash left half written.
func (f *Folder) tidy() {
	names := f.names()
	for i, name := range names {
		if i >= kept {
			_ = os.Remove(filepath.Join(f.dir, name))
		}
	}
	if half, err := filepath.Glob(filepath.Join(f.dir, "writing-*")); err == nil {
		for _, name := range half {
			_ = os.Remove(name)
		}
	}
}

// names lists the snapshots, newest first.
func (f *Folder) names() (names []string) {
	all, err := os.ReadDir(f.dir)
	if err != nil {
		return nil
	}
	for _, e := range all {
		if strings.HasSuffix(e.Name(), suffix) {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	slices.Reverse(names)
	return names
}

// Clear removes every snapshot: none of them can be used.
func (f *Folder) Clear() {
	for _, name := range f.names() {
		_ = os.Remove(filepath.Join(f.dir, name))
	}
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("snapshot: %w", err)
	}
	err = d.Sync()
	if e := d.Close(); err == nil {
		err = e
	}
	if err != nil {
		return fmt.Errorf("snapshot: %w", err)
	}
	return nil
}

// Reader gives the entries of a snapshot in order.
type Reader struct {
	Head Head
	file *os.File
	r    *bufio.Reader
	aead cipher.AEAD
	n    uint64
	raw  []byte
	open []byte // what is left of the chunk
	end  bool
}

// Newest opens the newest snapshot for which fits says nil. The error is ErrNone, with why
// each was passed over.
func (f *Folder) Newest(fits func(Head) error) (*Reader, error) {
	why := []error{ErrNone}
	for _, name := range f.names() {
		r, err := f.read(name)
		if err == nil {
			if err = fits(r.Head); err == nil {
				return r, nil
			}
			r.Close()
		}
		why = append(why, fmt.Errorf("%s: %w", name, err))
	}
	return nil, errors.Join(why...)
}

var errDamaged = errors.New("damaged, or of another key")

func (f *Folder) read(name string) (*Reader, error) {
	file, err := os.Open(filepath.Join(f.dir, filepath.Base(name)))
	if err != nil {
		return nil, err
	}
	r := &Reader{file: file, r: bufio.NewReaderSize(file, 1<<20)}
	start := make([]byte, len(magic)+32)
	if _, err := io.ReadFull(r.r, start); err != nil || string(start[:len(magic)]) != magic {
		r.Close()
		return nil, errDamaged
	}
	if r.aead, err = f.seal(start[len(magic):]); err != nil {
		r.Close()
		return nil, err
	}
	kind, about, err := r.Next()
	if err == nil && kind != 0 {
		err = errDamaged
	}
	if err == nil {
		err = json.Unmarshal(about, &r.Head)
	}
	if err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

// Next gives the next entry, good until the call after it; io.EOF at the end of a whole
// snapshot. Any other error means that nothing of the snapshot may be used.
func (r *Reader) Next() (kind byte, data []byte, err error) {
	for len(r.open) == 0 {
		if r.end {
			return 0, nil, io.EOF
		}
		if err := r.chunk(); err != nil {
			return 0, nil, err
		}
		r.end = len(r.open) == 0
	}
	kind = r.open[0]
	n, used := binary.Uvarint(r.open[1:])
	if used <= 0 || n > uint64(len(r.open)-1-used) {
		return 0, nil, errDamaged
	}
	data = r.open[1+used : 1+used+int(n)] //nolint:gosec // within the chunk
	r.open = r.open[1+used+int(n):]       //nolint:gosec // within the chunk
	return kind, data, nil
}

func (r *Reader) chunk() error {
	n, err := binary.ReadUvarint(r.r)
	if err != nil || n > mostChunk {
		return errDamaged
	}
	r.raw = slices.Grow(r.raw[:0], int(n))[:n] //nolint:gosec // at most mostChunk
	if _, err := io.ReadFull(r.r, r.raw); err != nil {
		return errDamaged
	}
	if r.open, err = r.aead.Open(r.raw[:0], nonce(r.n), r.raw, nil); err != nil {
		return errDamaged
	}
	r.n++
	return nil
}

// Close closes the file.
func (r *Reader) Close() { _ = r.file.Close() } // only read
