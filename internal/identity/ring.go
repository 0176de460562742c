package identity

import (
	"crypto/aes"
	"crypto/cipher"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sync"
	"syscall"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Ring holds the keys that wrap the patients' keys. It is a file outside the log: who
// has the log alone, or a backup of it, opens nothing, and what a key that left the
// ring had wrapped can't be opened again. The newest wraps, every one unwraps.
//
// The processes of one site share the file. It is changed under a lock of the file
// beside it (flock(2)) and replaced as a whole, so a reader sees the old or the new.
//
// What "destroyed" means: the file is written anew without the key, flushed, and put
// in place of the old. Nothing of ours holds the key then. But the blocks of the old
// file are only free: until the filesystem or the flash of an SSD uses them again, who
// has the bare device may read them, and a snapshot of the filesystem or a copy of the
// file keeps the key for as long as it is kept. Encrypt the disk, and copy the ring
// only over its last copy. Memory is given back by the collector, not overwritten.
type Ring struct {
	path string // "" keeps it in memory
	now  func() event.Instant
	rand io.Reader
	save func(path string, data []byte) error

	mu   sync.Mutex
	keys []ringKey
	seen os.FileInfo // of the file that keys came from
}

// ringKey is one key. The order in the file is the order of making; clocks may go back.
type ringKey struct {
	ID   string        `json:"id"`
	Made event.Instant `json:"made"`
	Key  []byte        `json:"key"`
	// All says that every patient's key was seen to be wrapped by this key or a later one.
	All bool `json:"all,omitempty"`
}

// successor is how long a key stays after it was replaced, whatever its age: another
// process may have wrapped with it a moment ago.
const successor = time.Hour

// OpenRing reads the ring of a file. The file is made when the first key is wrapped.
func OpenRing(path string, now func() event.Instant, rand io.Reader) (*Ring, error) {
	if path == "" {
		return nil, errors.New("identity-keys: name the file of the keys that wrap the patients' keys")
	}
	r := &Ring{path: path, now: now, rand: &lockedReader{r: rand}, save: eventlog.WriteDurably}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r, r.read()
}

// MemoryRing is a ring that ends with the process, for a log that does so too.
func MemoryRing(now func() event.Instant, rand io.Reader) *Ring {
	return &Ring{now: now, rand: &lockedReader{r: rand}}
}

// read takes what the file says now. Without a file there are no keys.
func (r *Ring) read() error {
	if r.path == "" {
		return nil
	}
	f, err := os.Open(r.path)
	if errors.Is(err, os.ErrNotExist) {
		if len(r.keys) > 0 {
			return fmt.Errorf("identity-keys: %s was there and is gone; put it back before the daemon ends, it can't be made again", r.path)
		}
		return nil
	}
	if err != nil {
		return fmt.Errorf("identity-keys: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("identity-keys: %w", err)
	}
	if info.Mode().Perm()&0o007 != 0 {
		return fmt.Errorf("identity-keys: everybody may read %s; take that right away: chmod o= %s", r.path, r.path)
	}
	data, err := io.ReadAll(f)
	if err != nil {
		return fmt.Errorf("identity-keys: %w", err)
	}
	keys, err := parseRing(data)
	if err != nil {
		return fmt.Errorf("identity-keys: %s is damaged (%w); put its last copy back", r.path, err)
	}
	r.keys, r.seen = keys, info
	return nil
}

func parseRing(data []byte) ([]ringKey, error) {
	var keys []ringKey
	if err := json.Unmarshal(data, &keys); err != nil {
		return nil, err
	}
	if len(keys) == 0 {
		return nil, errors.New("it holds no key")
	}
	ids := map[string]bool{}
	for i, k := range keys {
		if !soundReference(k.ID) || ids[k.ID] {
			return nil, fmt.Errorf("key %d has the id %q", i+1, k.ID)
		}
		if len(k.Key) != 32 {
			return nil, fmt.Errorf("key %s has %d bytes, not 32", k.ID, len(k.Key))
		}
		ids[k.ID] = true
	}
	return keys, nil
}

// refresh reads the file again when it is another one than before.
func (r *Ring) refresh() error {
	if r.path == "" {
		return nil
	}
	info, err := os.Stat(r.path)
	if err == nil && r.seen != nil && os.SameFile(info, r.seen) && info.ModTime().Equal(r.seen.ModTime()) && info.Size() == r.seen.Size() {
		return nil
	}
	return r.read()
}

// change gives f the keys as they are now, and keeps what it returns.
func (r *Ring) change(f func([]ringKey) ([]ringKey, error)) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.path == "" {
		keys, err := f(slices.Clone(r.keys))
		if err == nil {
			r.keys = keys
		}
		return err
	}
	lock, err := os.OpenFile(r.path+".lock", os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("identity-keys: %w", err)
	}
	defer lock.Close()                                                     // which unlocks it
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX); err != nil { //nolint:gosec // a file descriptor
		return fmt.Errorf("identity-keys: lock %s: %w", lock.Name(), err)
	}
	if err := r.read(); err != nil {
		return err
	}
	keys, err := f(slices.Clone(r.keys))
	if err != nil || slices.EqualFunc(keys, r.keys, func(a, b ringKey) bool { return a.ID == b.ID && a.All == b.All }) {
		return err
	}
	data, err := json.Marshal(keys)
	if err != nil {
		return err
	}
	if err := r.save(r.path, data); err != nil {
		return fmt.Errorf("identity-keys: %w", err)
	}
	return r.read()
}

// fresh gives a new key.
func (r *Ring) fresh() (ringKey, error) {
	k := ringKey{ID: "W" + random(r.rand, 10), Made: r.now(), Key: make([]byte, 32)}
	if k.ID == "W" {
		return k, errNoRandomness
	}
	if _, err := io.ReadFull(r.rand, k.Key); err != nil {
		return k, fmt.Errorf("%w: %w", errNoRandomness, err)
	}
	return k, nil
}

// empty reports whether no key was ever made.
func (r *Ring) empty() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.keys) == 0
}

// newest gives the key that wraps, and makes the first.
func (r *Ring) newest() (ringKey, error) {
	for range 2 {
		r.mu.Lock()
		err := r.refresh()
		var k ringKey
		if n := len(r.keys); n > 0 {
			k = r.keys[n-1]
		}
		r.mu.Unlock()
		if err != nil || k.ID != "" {
			return k, err
		}
		err = r.change(func(keys []ringKey) ([]ringKey, error) {
			if len(keys) > 0 {
				return keys, nil // another process was first
			}
			k, err := r.fresh()
			return append(keys, k), err
		})
		if err != nil {
			return k, err
		}
	}
	return ringKey{}, fmt.Errorf("identity-keys: %s holds no key", r.path)
}

// wrap encrypts a patient's key and says by which key.
func (r *Ring) wrap(reference string, key []byte) (box []byte, id string, err error) {
	k, err := r.newest()
	if err != nil {
		return nil, "", err
	}
	nonce, box, err := sealed(r.rand, k.Key, key, []byte(reference))
	return append(nonce, box...), k.ID, err
}

// unwrap opens what wrap made. Errors: ErrNoRingKey.
func (r *Ring) unwrap(reference, id string, box []byte) ([]byte, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for again := false; ; again = true {
		i := slices.IndexFunc(r.keys, func(k ringKey) bool { return k.ID == id })
		if i >= 0 {
			if len(box) < nonceSize {
				return nil, fmt.Errorf("%w: %s is too short", errDamaged, reference)
			}
			key, err := opened(r.keys[i].Key, box[:nonceSize], box[nonceSize:], []byte(reference))
			if err == nil && len(key) != 32 {
				err = errors.New("it has not 32 bytes")
			}
			if err != nil {
				return nil, fmt.Errorf("%w: %s: %w", errDamaged, reference, err)
			}
			return key, nil
		}
		if again {
			return nil, fmt.Errorf("%w: %s is not in it", ErrNoRingKey, id)
		}
		if err := r.refresh(); err != nil { // another process may have made it
			return nil, err
		}
	}
}

// begin gives the key under which all are to be wrapped: a new one when the newest is
// half as old as keep, or when forced and the newest has done its round.
func (r *Ring) begin(keep time.Duration, force bool) (string, error) {
	id := ""
	err := r.change(func(keys []ringKey) ([]ringKey, error) {
		now := r.now()
		if n := len(keys); n == 0 || now.Sub(keys[n-1].Made) > keep/2 || force && keys[n-1].All {
			k, err := r.fresh()
			if err != nil {
				return nil, err
			}
			keys = append(keys, k)
		}
		id = keys[len(keys)-1].ID
		return keys, nil
	})
	return id, err
}

// finish is called when every patient's key is wrapped under the key id: the keys that
// are older than keep leave. Another process that began with a newer one finishes it.
func (r *Ring) finish(id string, keep time.Duration) error {
	return r.change(func(keys []ringKey) ([]ringKey, error) {
		last := len(keys) - 1
		if last < 0 || keys[last].ID != id {
			return keys, nil
		}
		keys[last].All = true
		return outlived(keys, r.now(), keep), nil
	})
}

// outlived gives the keys without those that are older than keep and not in use.
func outlived(keys []ringKey, now event.Instant, keep time.Duration) []ringKey {
	var left []ringKey
	for i, k := range keys {
		if i < len(keys)-1 && now.Sub(k.Made) > keep && now.Sub(keys[i+1].Made) > successor {
			continue
		}
		left = append(left, k)
	}
	return left
}

// due reports whether a rotation has something to do: there is no key, the newest is half as old as
// keep or hasn't done its round, or a key has outlived keep.
func (r *Ring) due(now event.Instant, keep time.Duration) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	_ = r.refresh() // what stands in memory is enough; begin says what is wrong with the file
	n := len(r.keys)
	return n == 0 || !r.keys[n-1].All || now.Sub(r.keys[n-1].Made) > keep/2 || len(outlived(r.keys, now, keep)) < n
}

// roundDone reports whether any key has done its round over all patients.
func (r *Ring) roundDone() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.ContainsFunc(r.keys, func(k ringKey) bool { return k.All })
}

// oldest is when the oldest key was made, 0 for none.
func (r *Ring) oldest() event.Instant {
	r.mu.Lock()
	defer r.mu.Unlock()
	_ = r.refresh()
	if len(r.keys) == 0 {
		return 0
	}
	return r.keys[0].Made
}

// nonceSize is the 96 bits of NIST SP 800-38D section 8.2 in bytes. Nonces are random
// (8.2.2): a key of ours never seals near the 2^32 texts that section 8.3 allows.
const nonceSize = 12

// sealed encrypts text by AES-256-GCM (NIST SP 800-38D).
func sealed(rand io.Reader, key, text, about []byte) (nonce, box []byte, err error) {
	aead, err := gcm(key)
	if err != nil {
		return nil, nil, err
	}
	nonce = make([]byte, nonceSize)
	if _, err := io.ReadFull(rand, nonce); err != nil {
		return nil, nil, fmt.Errorf("%w: %w", errNoRandomness, err)
	}
	return nonce, aead.Seal(nil, nonce, text, about), nil
}

func opened(key, nonce, box, about []byte) ([]byte, error) {
	aead, err := gcm(key)
	if err != nil {
		return nil, err
	}
	if len(nonce) != nonceSize {
		return nil, errors.New("its nonce is damaged")
	}
	return aead.Open(nil, nonce, box, about)
}

func gcm(key []byte) (cipher.AEAD, error) {
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

// lockedReader lets many goroutines read.
type lockedReader struct {
	mu sync.Mutex
	r  io.Reader
}

func (l *lockedReader) Read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.r.Read(p)
}
