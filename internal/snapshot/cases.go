package snapshot

import (
	"crypto/cipher"
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
)

// Cases is the file of the cases at rest. What was added stays where it is: its reference
// is its place. It counts only as far as a snapshot says; the rest is written again.
type Cases struct {
	mu   sync.Mutex // guards the fields below
	file *os.File
	aead cipher.AEAD
	name string
	end  int64
	salt []byte
}

const casesSuffix = ".cases"

// mostCase bounds one entry; a longer one is damage.
const mostCase = 256 << 20

// NewCases begins a file. Those that no snapshot names are removed.
func (f *Folder) NewCases(inUse ...string) (*Cases, error) {
	if old, err := filepath.Glob(filepath.Join(f.dir, "*"+casesSuffix)); err == nil {
		for _, path := range old {
			used := false
			for _, name := range inUse {
				used = used || filepath.Base(path) == name
			}
			if !used {
				_ = os.Remove(path)
			}
		}
	}
	salt := make([]byte, 32)
	_, _ = rand.Read(salt) // never fails on the platforms Go supports
	name := hex.EncodeToString(salt[:8]) + casesSuffix
	file, err := os.OpenFile(filepath.Join(f.dir, name), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, fmt.Errorf("cases: %w", err)
	}
	c := &Cases{file: file, name: name, salt: salt}
	if c.aead, err = f.seal(salt); err == nil {
		_, err = file.WriteAt(salt, 0)
	}
	if err != nil {
		_ = file.Close()
		return nil, fmt.Errorf("cases: %w", err)
	}
	c.end = int64(len(salt))
	return c, nil
}

// OpenCases opens a file that a snapshot names, as far as it says.
func (f *Folder) OpenCases(name string, end int64) (*Cases, error) {
	if name != filepath.Base(name) || !strings.HasSuffix(name, casesSuffix) {
		return nil, fmt.Errorf("cases: %q is no file of cases", name)
	}
	file, err := os.OpenFile(filepath.Join(f.dir, name), os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("cases: %w", err)
	}
	c := &Cases{file: file, name: name, salt: make([]byte, 32), end: end}
	info, err := file.Stat()
	if err == nil && (info.Size() < end || end < int64(len(c.salt))) {
		err = errDamaged
	}
	if err == nil {
		_, err = io.ReadFull(io.NewSectionReader(file, 0, int64(len(c.salt))), c.salt)
	}
	if err == nil {
		c.aead, err = f.seal(c.salt)
	}
	if err == nil {
		err = file.Truncate(end)
	}
	if err != nil {
		_ = file.Close()
		return nil, fmt.Errorf("cases: %w", err)
	}
	return c, nil
}

// Add writes an entry and gives its reference. It is safe from a power cut after Sync.
// Each has a nonce of its own by chance: a place that no snapshot names is written again.
func (c *Cases) Add(data []byte) (ref uint64, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	at := c.end
	fresh := make([]byte, 12)
	_, _ = rand.Read(fresh)                                                           // never fails on the platforms Go supports
	buf := binary.LittleEndian.AppendUint32(nil, uint32(len(data)+c.aead.Overhead())) //nolint:gosec // a case is far smaller
	buf = append(buf, fresh...)
	buf = c.aead.Seal(buf, fresh, data, binary.BigEndian.AppendUint64(nil, uint64(at))) //nolint:gosec // a place in a file
	if _, err := c.file.WriteAt(buf, at); err != nil {
		return 0, fmt.Errorf("cases: %w", err)
	}
	c.end += int64(len(buf))
	return uint64(at), nil //nolint:gosec // a place in a file
}

// Get gives an entry back.
func (c *Cases) Get(ref uint64) ([]byte, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	head := make([]byte, 16)
	if ref > uint64(c.end) { //nolint:gosec // a place in a file
		return nil, errDamaged
	}
	at := int64(ref) //nolint:gosec // within the file
	if _, err := c.file.ReadAt(head, at); err != nil {
		return nil, fmt.Errorf("cases: %w", err)
	}
	n := binary.LittleEndian.Uint32(head)
	if n > mostCase || at+16+int64(n) > c.end {
		return nil, errDamaged
	}
	body := make([]byte, n)
	if _, err := c.file.ReadAt(body, at+16); err != nil {
		return nil, fmt.Errorf("cases: %w", err)
	}
	data, err := c.aead.Open(body[:0], head[4:], body, binary.BigEndian.AppendUint64(nil, ref))
	if err != nil {
		return nil, errDamaged
	}
	return data, nil
}

// Sync makes what was added safe, and gives the file's name and how much of it counts.
func (c *Cases) Sync() (name string, end int64, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.file.Sync(); err != nil {
		return "", 0, fmt.Errorf("cases: %w", err)
	}
	return c.name, c.end, nil
}

// Close closes the file.
func (c *Cases) Close() error { return c.file.Close() }

// Cases lists the files of cases that a snapshot names.
func (f *Folder) Cases() (names []string) {
	for _, name := range f.names() {
		if r, err := f.read(name); err == nil {
			if r.Head.Cases != "" {
				names = append(names, r.Head.Cases)
			}
			r.Close()
		}
	}
	return names
}
