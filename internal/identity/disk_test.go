package identity

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
)

func openJet(t *testing.T, dir string) eventlog.Log {
	t.Helper()
	l, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

// found lists the files of the store that hold the bytes plain, in hex or in base64.
func found(t *testing.T, dir string, want []byte) []string {
	t.Helper()
	var out []string
	forms := [][]byte{want, []byte(hex.EncodeToString(want)), []byte(base64.StdEncoding.EncodeToString(want)), []byte(base64.RawURLEncoding.EncodeToString(want))}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		for _, form := range forms {
			if bytes.Contains(data, form) {
				out = append(out, path)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// On the real log: the files hold no name and no key in the clear at any time, and
// after erasure not even what was encrypted, nor the way from the number.
func TestNothingIsLeftOnTheDisk(t *testing.T) {
	dir := t.TempDir()
	r := newRig(t, openJet(t, dir))
	s := r.store(nil)
	ref, other := write(t, s, anna), write(t, s, Person{Number: "TEMP-9", Family: "Lindqvist"})
	moved := anna
	moved.Bed = "12"
	write(t, s, moved)
	c, kept := seal(t, s, anna.Number, "allergic to plaster"), seal(t, s, boy1.Number, "kept")
	if err := s.Merge(t.Context(), ref, other); err != nil {
		t.Fatal(err)
	}
	if err := s.Tend(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.pass(16 * day)
	if err := s.Tend(t.Context()); err != nil {
		t.Fatal(err)
	}
	shows(t, r.store(nil), other, moved)
	opens(t, r.store(nil), c, "allergic to plaster")

	secrets := map[string][]byte{"number": []byte(anna.Number), "name": []byte("Lindqvist"), "birth": []byte(anna.Birth), "text": []byte("allergic")}
	var wrapped, boxes [][]byte
	for _, ref := range []string{ref, other} {
		p, err := s.get(t.Context(), ref)
		if err != nil {
			t.Fatal(err)
		}
		k, _, err := s.stored(t.Context(), p.rec.Index)
		if err != nil {
			t.Fatal(err)
		}
		key, err := s.unwrapped(k)
		if err != nil {
			t.Fatal(err)
		}
		secrets["key of "+ref] = key
		wrapped, boxes = append(wrapped, k.Key), append(boxes, []byte(base64.StdEncoding.EncodeToString(p.rec.Box)))
	}
	for what, secret := range secrets {
		if files := found(t, filepath.Join(dir, "store"), secret); len(files) != 0 {
			t.Errorf("%s lies in the clear in %v", what, files)
		}
	}
	for i := range wrapped {
		if len(found(t, dir, wrapped[i])) == 0 || len(found(t, dir, boxes[i])) == 0 {
			t.Fatal("what is there is not found; the search is broken")
		}
	}
	if err := s.Erase(t.Context(), other); err != nil {
		t.Fatal(err)
	}
	erased(t, s, ref, c)
	opens(t, s, kept, "kept")
	if err := r.log.Close(); err != nil {
		t.Fatal(err)
	}
	for i := range wrapped {
		for what, secret := range map[string][]byte{"wrapped key": wrapped[i], "person": boxes[i]} {
			if files := found(t, filepath.Join(dir, "store"), secret); len(files) != 0 {
				t.Errorf("the %s is still in %v", what, files)
			}
		}
	}
	for what, secret := range secrets {
		if files := found(t, filepath.Join(dir, "store"), secret); len(files) != 0 {
			t.Errorf("%s lies in the clear in %v", what, files)
		}
	}
	r.log = openJet(t, dir)
	s = r.store(nil)
	erased(t, s, ref, c)
	erased(t, s, other, c)
	opens(t, s, kept, "kept")
	if k, err := s.Key(t.Context(), anna.Number); err != nil || k.Reference == ref {
		t.Errorf("the number leads to %s, %v", k.Reference, err)
	}
	if views, err := s.Views(t.Context(), ref); err != nil || len(views) == 0 {
		t.Errorf("who looked is lost: %v", err)
	}
}

// The steps on the real log: an erasure killed at each of them.
func TestErasureKilledOnJetStream(t *testing.T) {
	r := newRig(t, openJet(t, t.TempDir()))
	for n := 1; ; n++ {
		s := r.store(nil)
		numbers := []string{fmt.Sprint("K-", n), fmt.Sprint("G-", n)}
		keep, gone := write(t, s, Person{Number: numbers[0], Family: "One"}), write(t, s, Person{Number: numbers[1], Family: "Two"})
		c := seal(t, s, numbers[1], "text")
		if err := s.Merge(t.Context(), keep, gone); err != nil {
			t.Fatal(err)
		}
		k := &knife{at: n, after: n%2 == 0}
		err := r.store(k).Erase(t.Context(), keep)
		if !k.fell {
			if err != nil || n < 5 {
				t.Fatalf("it passed at step %d: %v", n, err)
			}
			return
		}
		if err := s.Tend(t.Context()); err != nil {
			t.Fatalf("step %d: %v", n, err)
		}
		if n == 1 { // nothing was begun
			opens(t, s, c, "text")
			continue
		}
		erased(t, s, gone, c)
		erased(t, s, keep, c)
		if left := r.left(keep, gone); len(left) != 0 {
			t.Errorf("step %d: left %v", n, left)
		}
	}
}

func FuzzParseRecord(f *testing.F) {
	whole, err := json.Marshal(record{V: 1, Index: "ABC", Into: "R1", Merged: []string{"R2"}, Ending: true, Doomed: []doomed{{"R1", "ABC"}}, Nonce: make([]byte, nonceSize), Box: []byte{1}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Add([]byte(`{"v":2,"index":"A"}`))
	f.Add([]byte(`[{"id":"W1","made":1,"key":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="}]`))
	f.Fuzz(func(t *testing.T, data []byte) {
		if rec, err := parseRecord(data); err == nil {
			again, err := json.Marshal(rec)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := parseRecord(again); err != nil {
				t.Fatalf("what was read can't be read again: %v", err)
			}
			if _, err := opensPerson(place{ref: "R1", rec: rec}, make([]byte, 32)); err == nil && len(rec.Box) != 0 {
				t.Fatal("a box that nobody sealed opens")
			}
		}
		if keys, err := parseRing(data); err == nil {
			for _, k := range keys {
				if len(k.Key) != 32 || !soundReference(k.ID) {
					t.Fatalf("a ring with the key %+v", k)
				}
			}
		}
		if v, err := parseViewed(data); err == nil && v.V != recordVersion {
			t.Fatalf("a look of form %d", v.V)
		}
		if k, err := wire.ReadKey(data); err == nil && k.Wrapped {
			_, _ = MemoryRing(func() event.Instant { return noon }, bytes.NewReader(nil)).unwrap(k.Reference, k.Wrap, k.Key)
		}
	})
}
