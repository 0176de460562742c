package identity

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/eventlog/wire"
)

// wraps counts the patients' keys by the id of what wraps them.
func (r *rig) wraps() map[string]int {
	r.t.Helper()
	out := map[string]int{}
	err := r.log.Shelf(eventlog.ShelfKeys).Each(r.t.Context(), func(it eventlog.Item) error {
		k, err := wire.ReadKey(it.Data)
		if k.Reference != "" {
			out[k.Wrap]++
		}
		return err
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return out
}

func (r *rig) ringKeys() []ringKey {
	r.t.Helper()
	data, err := os.ReadFile(r.path)
	if err != nil {
		r.t.Fatal(err)
	}
	keys, err := parseRing(data)
	if err != nil {
		r.t.Fatal(err)
	}
	return keys
}

// A rotation is killed at every step and gone on with by the next process: all stays
// readable all the time, in the end all is under the new key and the outlived is gone.
func TestRotationKilledAtEveryStep(t *testing.T) {
	atEveryStep(t, func(t *testing.T, k *knife) {
		r := memRig(t)
		s := r.store(nil)
		var texts []event.Ciphertext
		for i := range 4 {
			texts = append(texts, seal(t, s, fmt.Sprint("P-", i), fmt.Sprint("text ", i)))
		}
		if err := s.Tend(t.Context()); err != nil {
			t.Fatal(err)
		}
		first := r.ringKeys()[0].ID
		r.pass(16 * day)
		if err := s.Rotate(t.Context()); err != nil {
			t.Fatal(err)
		}
		r.pass(16 * day)
		other := r.store(nil) // has the ring in memory as it is now
		if !other.Due(r.clock()) {
			t.Fatal("a key of 16 days is not due")
		}
		if err := r.store(k).Tend(t.Context()); k.fell != (err != nil) {
			t.Fatalf("fell %v, but %v", k.fell, err)
		}
		for _, s := range []*Store{other, r.store(nil)} {
			for i, c := range texts {
				opens(t, s, c, fmt.Sprint("text ", i))
			}
		}
		s = r.store(nil)
		if err := s.Tend(t.Context()); err != nil {
			t.Fatal(err)
		}
		keys := r.ringKeys()
		for _, key := range keys {
			if key.ID == first {
				t.Error("a key of 32 days is still in the ring")
			}
		}
		newest := keys[len(keys)-1]
		if n := r.wraps()[newest.ID]; n != 4 || !newest.All || s.Due(r.clock()) {
			t.Errorf("%d of 4 under the newest key %+v", n, r.wraps())
		}
		for i, c := range texts {
			opens(t, s, c, fmt.Sprint("text ", i))
			opens(t, other, c, fmt.Sprint("text ", i))
		}
	})
}

// A backup of KEYS from before two rotations can't be opened once keep days are over,
// and one of today can.
func TestBackupsOfKeysAgeOut(t *testing.T) {
	r := memRig(t)
	s := r.store(nil)
	c := seal(t, s, "P-1", "allergic to plaster")
	copyOf := func() eventlog.Log {
		copied := memlog.New()
		for _, name := range []eventlog.ShelfName{eventlog.ShelfKeys, eventlog.ShelfIdentity} {
			err := r.log.Shelf(name).Each(t.Context(), func(it eventlog.Item) error {
				_, err := copied.Shelf(name).Put(t.Context(), it.Key, bytes.Clone(it.Data), 0)
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		return copied
	}
	backup := copyOf()
	hours := 0
	for ; hours <= 30*24; hours++ { // as the daemon does
		if err := s.Tend(t.Context()); err != nil {
			t.Fatal(err)
		}
		r.pass(time.Hour)
	}
	if n := s.BackupsReadableFor(); n > 31 {
		t.Errorf("it says %d days after a month of care", n)
	}
	if err := s.Tend(t.Context()); err != nil {
		t.Fatal(err)
	}
	opens(t, s, c, "allergic to plaster")
	today := copyOf()
	live := r.log
	r.log = backup
	if text, err := r.store(nil).Open(t.Context(), c); !errors.Is(err, ErrNoRingKey) || text != "" {
		t.Errorf("the backup of %d hours ago gives %q, %v", hours, text, err)
	}
	r.log = today
	opens(t, r.store(nil), c, "allergic to plaster")
	r.log = live
	if n := s.BackupsReadableFor(); n != 30 {
		t.Errorf("it says %d days", n)
	}
	r.pass(50 * day) // nobody rotated
	if n := s.BackupsReadableFor(); n < 65 {
		t.Errorf("rotation was held up, and it says %d days", n)
	}
}

// After a long rest a key is older than it may be and was the newest a moment ago:
// another process may just have wrapped with it, so it stays for an hour.
func TestANewestKeyDoesNotLeaveAtOnce(t *testing.T) {
	r := memRig(t)
	late := r.store(nil)
	seal(t, late, "P-0", "first")
	r.pass(400 * day)
	if err := r.store(nil).Tend(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := len(r.ringKeys()); n != 2 {
		t.Fatalf("%d keys in the ring, want the old and the new", n)
	}
	c := seal(t, late, "P-1", "second") // notices the new file
	if n := r.wraps()[r.ringKeys()[1].ID]; n != 2 {
		t.Errorf("%v: a process wraps by the old key", r.wraps())
	}
	r.pass(61 * time.Minute)
	if !late.Due(r.clock()) {
		t.Error("an outlived key is not due")
	}
	if err := late.Tend(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := len(r.ringKeys()); n != 1 {
		t.Errorf("%d keys in the ring, want 1", n)
	}
	opens(t, r.store(nil), c, "second")
}

// Keys are made, rotated and erased by several processes at the same time.
func TestRotationBesideOthers(t *testing.T) {
	r := memRig(t)
	s := r.store(nil)
	var wait sync.WaitGroup
	var mu sync.Mutex
	texts, gone := map[string]event.Ciphertext{}, map[string]event.Ciphertext{}
	for p := range 3 {
		s := r.store(nil)
		wait.Go(func() {
			for i := range 30 {
				number := fmt.Sprint("P-", p, "-", i)
				_, c, err := s.Patient(t.Context(), number, number)
				if err != nil {
					t.Error(err)
					return
				}
				if i%3 == 0 {
					err = s.Erase(t.Context(), c.Key)
				}
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				if i%3 == 0 {
					gone[number] = c
				} else {
					texts[number] = c
				}
				mu.Unlock()
			}
		})
	}
	for range 2 {
		s := r.store(nil)
		wait.Go(func() {
			for range 10 {
				if err := s.Rotate(t.Context()); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wait.Wait()
	if err := s.Rotate(t.Context()); err != nil {
		t.Fatal(err)
	}
	for number, c := range texts {
		opens(t, s, c, number)
	}
	for number, c := range gone {
		if _, err := s.Open(t.Context(), c); !errors.Is(err, ErrErased) {
			t.Errorf("%s: %v", number, err)
		}
	}
	if n := r.wraps()[r.ringKeys()[len(r.ringKeys())-1].ID]; n != len(texts) {
		t.Errorf("%d of %d under the newest key", n, len(texts))
	}
}

// A key that no key of the ring opens, or that is damaged, holds up nobody.
func TestAKeyThatCannotBeOpenedIsLeftAlone(t *testing.T) {
	r := memRig(t)
	s := r.store(nil)
	c := seal(t, s, "P-1", "kept")
	keys := r.log.Shelf(eventlog.ShelfKeys)
	alien, err := wire.Key(wire.PatientKey{Reference: "RALIEN", Key: bytes.Repeat([]byte{7}, 60), Wrapped: true, Wrap: "WGONE"})
	if err != nil {
		t.Fatal(err)
	}
	torn, err := wire.Key(wire.PatientKey{Reference: "RTORN", Key: bytes.Repeat([]byte{7}, 60), Wrapped: true, Wrap: r.ringKeys()[0].ID})
	if err != nil {
		t.Fatal(err)
	}
	for index, data := range map[string][]byte{"ALIEN": alien, "TORN": torn, "NOISE": {0xff, 0xff}} {
		if _, err := keys.Put(t.Context(), index, data, 0); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Rotate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if s.Due(r.clock()) {
		t.Error("the round did not end")
	}
	opens(t, s, c, "kept")
	if text, err := s.Open(t.Context(), event.Ciphertext{Key: "RALIEN", Nonce: make([]byte, nonceSize), Box: []byte{1}}); !errors.Is(err, ErrNoRingKey) || text != "" {
		t.Errorf("%q, %v", text, err)
	}
}
