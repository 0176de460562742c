package identity

import (
	"bytes"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"errors"
	"os"
	"strings"
	"sync"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/eventlog/wire"
)

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// McGrew and Viega, The Galois/Counter Mode of Operation (the submission to NIST that
// SP 800-38D standardises), appendix B, test case 16: AES-256 with additional data.
func TestAES256GCMKnownAnswer(t *testing.T) {
	key := unhex(t, "feffe9928665731c6d6a8f9467308308feffe9928665731c6d6a8f9467308308")
	iv := unhex(t, "cafebabefacedbaddecaf888")
	plain := unhex(t, "d9313225f88406e5a55909c5aff5269a86a7a9531534f7da2e4c303d8a318a721c3c0c95956809532fcf0e2449a6b525b16aedf5aa0de657ba637b39")
	about := unhex(t, "feedfacedeadbeeffeedfacedeadbeefabaddad2")
	want := unhex(t, "522dc1f099567d07f47f37a32a84427d643a8cdcbfe5c0c97598a2bd2555d1aa8cb08e48590dbb3da7b08b1056828838c5f61e6393ba7a0abcc9f662"+
		"76fc6ece0f4e1768cddf8853bb2d551b")
	nonce, box, err := sealed(bytes.NewReader(iv), key, plain, about)
	if err != nil || !bytes.Equal(nonce, iv) || !bytes.Equal(box, want) {
		t.Errorf("sealed %x %x, %v; want %x", nonce, box, err, want)
	}
	if got, err := opened(key, iv, want, about); err != nil || !bytes.Equal(got, plain) {
		t.Errorf("opened %x, %v", got, err)
	}
	if _, err := opened(key, iv, want, about[1:]); err == nil {
		t.Error("it opens with other additional data")
	}
}

// RFC 4231 test cases 1 and 2 (PV1 and PV2 of reference/standards.md, section 8).
func TestKeyedKnownAnswers(t *testing.T) {
	for _, c := range []struct{ key, text, want string }{
		{strings.Repeat("\x0b", 20), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{"Jefe", "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
	} {
		log := memlog.New()
		s, err := Open(t.Context(), Options{
			Keys: log.Shelf(eventlog.ShelfKeys), Identity: log.Shelf(eventlog.ShelfIdentity), Access: log.Shelf(eventlog.ShelfAccess),
			Ring: MemoryRing(func() event.Instant { return noon }, rand.Reader), Secret: []byte(c.key), Now: func() event.Instant { return noon }, Rand: rand.Reader,
		})
		if err != nil {
			t.Fatal(err)
		}
		if got := hex.EncodeToString(s.Keyed([]byte(c.text))); got != c.want {
			t.Errorf("%q: %s, want %s", c.text, got, c.want)
		}
	}
}

// A log from before there was a ring: the key lies in the clear, there is no record.
func TestALogFromBeforeGoesOn(t *testing.T) {
	r := memRig(t)
	mac := hmac.New(sha256.New, []byte("invented fixture"))
	mac.Write([]byte("P-7101"))
	index := base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(mac.Sum(nil)[:20])
	key := bytes.Repeat([]byte{7}, 32)
	data, err := wire.Key(wire.PatientKey{Reference: "ROLD", Key: key})
	if err != nil {
		t.Fatal(err)
	}
	keys := r.log.Shelf(eventlog.ShelfKeys)
	if _, err := keys.Put(t.Context(), index, data, 0); err != nil {
		t.Fatal(err)
	}
	nonce, box, err := sealed(rand.Reader, key, []byte("fasting"), []byte("ROLD"))
	if err != nil {
		t.Fatal(err)
	}
	old := event.Ciphertext{Key: "ROLD", Nonce: nonce, Box: box}

	s := r.store(nil)
	opens(t, s, old, "fasting") // found by looking through KEYS
	s = r.store(nil)
	if ref := write(t, s, Person{Number: " p-7101 ", Family: "Okafor"}); ref != "ROLD" {
		t.Errorf("the number leads to %s, not to the reference it had", ref)
	}
	if err := s.Tend(t.Context()); err != nil {
		t.Fatal(err)
	}
	now, _, err := keys.Get(t.Context(), index)
	if err != nil || bytes.Contains(now, key) {
		t.Errorf("after the first round the key lies in the clear: %x, %v", now, err)
	}
	opens(t, r.store(nil), old, "fasting")
}

func TestWriteAndLook(t *testing.T) {
	r := memRig(t)
	s := r.store(nil)
	w, err := s.Write(t.Context(), boy1.Number, boy1)
	if err != nil || strings.Join(w.Changed, " ") != "number family given birth" {
		t.Fatalf("%+v, %v", w, err)
	}
	shows(t, s, w.Reference, boy1)
	moved := boy1
	moved.Bed, moved.Family = "3", " Okafor "
	if w, err = s.Write(t.Context(), boy1.Number, moved); err != nil || strings.Join(w.Changed, " ") != "bed" {
		t.Errorf("%+v, %v", w, err)
	}
	ref, p, err := s.Find(t.Context(), mira, "p-7101")
	if err != nil || ref != w.Reference || p.Bed != "3" || p.Family != "Okafor" {
		t.Errorf("found %s %+v, %v", ref, p, err)
	}
	if _, _, err := s.Find(t.Context(), mira, "P-7102"); !errors.Is(err, ErrUnknown) {
		t.Errorf("an unknown number: %v", err)
	}
	// Only the whole number finds, never name and birth date.
	if other := write(t, s, boy2); other == w.Reference {
		t.Error("two numbers share a reference")
	}
	views, err := s.Views(t.Context(), w.Reference)
	if err != nil || len(views) != 2 || views[0].By != "mira" || views[0].Why != "collect" || views[0].About != mira.About || views[0].At != noon {
		t.Errorf("views: %+v, %v", views, err)
	}
	if views[0].ID >= views[1].ID && views[0].ID[:12] != views[1].ID[:12] {
		t.Errorf("looks are not in order of time: %s, %s", views[0].ID, views[1].ID)
	}
}

// A name that is typed composed and decomposed is one name; what was typed is kept.
func TestNamesAreComparedInNFC(t *testing.T) {
	s := memRig(t).store(nil)
	composed, decomposed := "Bj\u00f6rk", "Bjo\u0308rk"
	ref := write(t, s, Person{Number: "P-1", Family: decomposed})
	w, err := s.Write(t.Context(), "P-1", Person{Family: composed})
	if err != nil || len(w.Changed) != 0 {
		t.Errorf("%+v, %v", w, err)
	}
	shows(t, s, ref, Person{Number: "P-1", Family: decomposed})
}

func TestWrongFieldsAreNamed(t *testing.T) {
	s := memRig(t).store(nil)
	for field, p := range map[string]Person{
		"birth":  {Number: "P-1", Birth: "2.3.1951"},
		"sex":    {Number: "P-1", Sex: "M"},
		"family": {Number: "P-1", Family: "Li\x00nd"},
		"given":  {Number: "P-1", Given: strings.Repeat("a", 201)},
		"place":  {Number: "P-1", Place: "\xff"},
		"number": {Number: "  "},
	} {
		var bad *FieldError
		if _, err := s.Write(t.Context(), p.Number, p); !errors.As(err, &bad) || bad.Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	ref := write(t, s, anna)
	for field, v := range map[string]View{
		"by": {Why: "collect"}, "why": {By: "mira"}, "about": {By: "mira", Why: "collect", About: "Lind, Anna"}, "place": {By: "mira", Why: "collect", Place: "a\nb"},
	} {
		var bad *FieldError
		if p, err := s.Look(t.Context(), v, ref); !errors.As(err, &bad) || bad.Field != field || p != (Person{}) {
			t.Errorf("%s: %+v, %v", field, p, err)
		}
	}
	if p, err := s.Look(t.Context(), mira, "*"); !errors.Is(err, ErrUnknown) || p != (Person{}) {
		t.Errorf("a reference that can't be: %v", err)
	}
}

// Nothing is shown when it can't be recorded who looks.
func TestNothingIsShownUnrecorded(t *testing.T) {
	r := memRig(t)
	ref, other := write(t, r.store(nil), anna), write(t, r.store(nil), ann2)
	for _, after := range []bool{false, true} {
		if p, err := r.store(&knife{at: 1, after: after}).Look(t.Context(), mira, ref); !errors.Is(err, errKilled) || p != (Person{}) {
			t.Errorf("shown %+v, %v", p, err)
		}
		if list, err := r.store(&knife{at: 2, after: after}).LookAll(t.Context(), mira, []string{ref, other}); !errors.Is(err, errKilled) || list != nil {
			t.Errorf("shown %+v, %v", list, err)
		}
	}
	list, err := r.store(nil).LookAll(t.Context(), mira, []string{other, "RNOBODY", ref})
	if err != nil || len(list) != 3 || list[0].Person != ann2 || list[2].Person != anna || !errors.Is(list[1].Err, ErrUnknown) {
		t.Errorf("%+v, %v", list, err)
	}
}

func TestTextsOfAThingHaveTheirOwnKey(t *testing.T) {
	s := memRig(t).store(nil)
	c, err := s.Text(t.Context(), "tube L-TB260140", "spilled on the way")
	if err != nil {
		t.Fatal(err)
	}
	opens(t, s, c, "spilled on the way")
	mine := seal(t, s, "P-1", "kept")
	if c.Key == mine.Key {
		t.Error("a text and a patient share a key")
	}
	forged := c
	forged.Key = mine.Key
	if text, err := s.Open(t.Context(), forged); err == nil {
		t.Errorf("a text opens under another reference: %q", text)
	}
	if err := s.Erase(t.Context(), c.Key); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Open(t.Context(), c); !errors.Is(err, ErrErased) {
		t.Errorf("after erasure: %v", err)
	}
	opens(t, s, mine, "kept")
}

func TestMerge(t *testing.T) {
	r := memRig(t)
	s := r.store(nil)
	keep, gone := write(t, s, anna), write(t, s, Person{Number: "TEMP-9", Family: "Unknown"})
	note := seal(t, s, "TEMP-9", "found at the ferry")
	if _, err := s.Key(t.Context(), "TEMP-9"); err != nil {
		t.Fatal(err)
	}
	if err := s.Merge(t.Context(), keep, gone); err != nil {
		t.Fatal(err)
	}
	for _, s := range []*Store{s, r.store(nil)} {
		if k, err := s.Key(t.Context(), "temp-9"); err != nil || k.Reference != keep {
			t.Errorf("the number leads to %s, %v", k.Reference, err)
		}
		opens(t, s, note, "found at the ferry")
		shows(t, s, gone, anna)
		if err := s.Merge(t.Context(), gone, keep); err != nil {
			t.Errorf("merged again the other way: %v", err)
		}
	}
	if w, err := s.Write(t.Context(), "TEMP-9", Person{Family: "Lind", Given: "Anna", Birth: "1951-03-02", Bed: "5"}); err != nil || w.Reference != keep || strings.Join(w.Changed, " ") != "bed" {
		t.Errorf("written by the other number: %+v, %v", w, err)
	}
	views, err := s.Views(t.Context(), keep)
	if err != nil || len(views) != 2 || views[0].Asked != gone {
		t.Errorf("views: %+v, %v", views, err)
	}
	third := write(t, s, ann2)
	if err := s.Merge(t.Context(), third, gone); err != nil {
		t.Fatal(err)
	}
	shows(t, s, gone, ann2)
	if err := s.Erase(t.Context(), gone); err != nil { // any of them erases all
		t.Fatal(err)
	}
	for _, ref := range []string{keep, gone, third} {
		erased(t, s, ref, note)
	}
	if err := s.Merge(t.Context(), keep, write(t, s, boy1)); !errors.Is(err, ErrErased) {
		t.Errorf("merged into what was erased: %v", err)
	}
}

// Merges against each other must never make a circle.
func TestMergesAgainstEachOther(t *testing.T) {
	for range 50 {
		r := memRig(t)
		s := r.store(nil)
		refs := []string{write(t, s, anna), write(t, s, ann2), write(t, s, boy1)}
		var wait sync.WaitGroup
		for i := range refs {
			s := r.store(nil)
			wait.Go(func() {
				if err := s.Merge(t.Context(), refs[i], refs[(i+1)%3]); err != nil && !errors.Is(err, eventlog.ErrConflict) {
					t.Error(err)
				}
			})
		}
		wait.Wait()
		for _, ref := range refs {
			if _, err := s.Look(t.Context(), mira, ref); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// Many processes give one number one reference, while keys rotate.
func TestOneNumberOneReference(t *testing.T) {
	r := memRig(t)
	write(t, r.store(nil), boy1) // makes the ring
	var wait sync.WaitGroup
	refs := make([]string, 16)
	for i := range refs {
		s := r.store(nil)
		wait.Go(func() {
			k, err := s.Key(t.Context(), "P-1")
			if err != nil {
				t.Error(err)
			}
			refs[i] = k.Reference
		})
		if i%4 == 0 {
			wait.Go(func() {
				if err := s.Rotate(t.Context()); err != nil {
					t.Error(err)
				}
			})
		}
	}
	wait.Wait()
	for _, ref := range refs {
		if ref != refs[0] {
			t.Fatalf("one number has the references %v", refs)
		}
	}
}

func TestARingThatCannotBe(t *testing.T) {
	r := memRig(t)
	write(t, r.store(nil), anna)
	info, err := os.Stat(r.path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the ring's file is %v, %v; want 0600", info.Mode(), err)
	}
	whole, err := os.ReadFile(r.path)
	if err != nil {
		t.Fatal(err)
	}
	open := func() error {
		ring, err := OpenRing(r.path, r.clock, rand.Reader)
		if err != nil {
			return err
		}
		_, err = Open(t.Context(), Options{
			Keys: r.log.Shelf(eventlog.ShelfKeys), Identity: r.log.Shelf(eventlog.ShelfIdentity), Access: r.log.Shelf(eventlog.ShelfAccess),
			Ring: ring, Secret: []byte("invented fixture"), Now: r.clock, Rand: rand.Reader,
		})
		return err
	}
	for _, c := range []struct {
		say  string
		data []byte
	}{
		{"missing", nil}, {"damaged", whole[:len(whole)/2]}, {"damaged", []byte("[]")}, {"damaged", []byte(`[{"id":"W1","made":1,"key":"AAAA"}]`)},
	} {
		if err := os.WriteFile(r.path, c.data, 0o600); err != nil {
			t.Fatal(err)
		}
		if c.data == nil {
			if err := os.Remove(r.path); err != nil {
				t.Fatal(err)
			}
		}
		if err := open(); err == nil || !strings.Contains(err.Error(), c.say) || !strings.Contains(err.Error(), r.path) {
			t.Errorf("%q: %v", c.data, err)
		}
	}
	if _, err := os.Stat(r.path); err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	if err := os.WriteFile(r.path, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(r.path, 0o604); err != nil {
		t.Fatal(err)
	}
	if err := open(); err == nil || !strings.Contains(err.Error(), "chmod") {
		t.Errorf("a ring that everybody may read: %v", err)
	}
	if err := os.Chmod(r.path, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := open(); err != nil {
		t.Error(err)
	}
}
