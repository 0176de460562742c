package identity

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
)

// family is a patient with two others merged into it, one over the other, a merge that
// broke off, and a bystander.
type family struct {
	root, child, grandchild, half, apart string
	texts                                map[string]event.Ciphertext
}

func (f *family) kin() []string { return []string{f.root, f.child, f.grandchild} }

func newFamily(t *testing.T, r *rig) *family {
	t.Helper()
	s := r.store(nil)
	f := &family{texts: map[string]event.Ciphertext{}}
	for i, ref := range []*string{&f.root, &f.child, &f.grandchild, &f.half, &f.apart} {
		number := fmt.Sprint("P-", i)
		*ref = write(t, s, Person{Number: number, Family: fmt.Sprint("Invented", i)})
		f.texts[*ref] = seal(t, s, number, fmt.Sprint("text ", i))
	}
	if err := s.Merge(t.Context(), f.child, f.grandchild); err != nil {
		t.Fatal(err)
	}
	if err := s.Merge(t.Context(), f.root, f.child); err != nil {
		t.Fatal(err)
	}
	if err := r.store(&knife{at: 2}).Merge(t.Context(), f.root, f.half); !errors.Is(err, errKilled) {
		t.Fatalf("the merge did not break off: %v", err)
	}
	return f
}

// untouched checks that those who were not erased are readable, and themselves.
func (f *family) untouched(t *testing.T, s *Store) {
	t.Helper()
	shows(t, s, f.half, Person{Number: "P-3", Family: "Invented3"})
	opens(t, s, f.texts[f.half], "text 3")
	shows(t, s, f.apart, Person{Number: "P-4", Family: "Invented4"})
	opens(t, s, f.texts[f.apart], "text 4")
}

// readable tells whether anything of the family can be read, and fails when that
// differs between two of its members or between name and text.
func (f *family) readable(t *testing.T, s *Store) bool {
	t.Helper()
	yes, no := 0, 0
	for _, ref := range f.kin() {
		_, lookErr := s.Look(t.Context(), mira, ref)
		_, openErr := s.Open(t.Context(), f.texts[ref])
		for _, err := range []error{lookErr, openErr} {
			switch {
			case err == nil:
				yes++
			case errors.Is(err, ErrErased):
				no++
			default:
				t.Errorf("%s: %v", ref, err)
			}
		}
	}
	if yes != 0 && no != 0 {
		t.Errorf("half readable: %d yes, %d erased", yes, no)
	}
	return yes > 0
}

// left lists what the shelves still hold of references, but for ACCESS.
func (r *rig) left(refs ...string) []string {
	r.t.Helper()
	var out []string
	for _, name := range []eventlog.ShelfName{eventlog.ShelfKeys, eventlog.ShelfIdentity} {
		err := r.log.Shelf(name).Each(r.t.Context(), func(it eventlog.Item) error {
			for _, ref := range refs {
				if bytes.Contains(it.Data, []byte(ref)) || bytes.Contains([]byte(it.Key), []byte(ref)) {
					out = append(out, string(name)+" "+it.Key+" "+ref)
				}
			}
			return nil
		})
		if err != nil {
			r.t.Fatal(err)
		}
	}
	return out
}

// An erasure is killed at every step. It is never half readable; the next process
// finishes it; nobody else is touched.
func TestErasureKilledAtEveryStep(t *testing.T) {
	atEveryStep(t, func(t *testing.T, k *knife) {
		r := memRig(t)
		f := newFamily(t, r)
		other := r.store(nil)
		if !f.readable(t, other) {
			t.Fatal("the family is not readable to begin with")
		}
		err := r.store(k).Erase(t.Context(), f.child) // by any of its references
		if k.fell != (err != nil) {
			t.Fatalf("fell %v, but %v", k.fell, err)
		}
		if f.readable(t, other) != f.readable(t, r.store(nil)) {
			t.Error("two processes see two things")
		}
		f.untouched(t, other)
		s := r.store(nil)
		if err := s.Tend(t.Context()); err != nil {
			t.Fatal(err)
		}
		if f.readable(t, s) { // killed before the note: nothing was begun
			if len(r.left("ENDING")) != 0 {
				t.Error("begun, and not finished by Tend")
			}
			if err := s.Erase(t.Context(), f.child); err != nil {
				t.Fatal(err)
			}
		}
		if f.readable(t, s) || f.readable(t, other) {
			t.Error("erased, and readable")
		}
		if left := r.left(append(f.kin(), "ENDING")...); len(left) != 0 {
			t.Errorf("left: %v", left)
		}
		f.untouched(t, s)
		for _, ref := range f.kin() {
			if err := s.Erase(t.Context(), ref); err != nil {
				t.Errorf("erased again: %v", err)
			}
		}
		if views, err := s.Views(t.Context(), f.root); err != nil || len(views) == 0 || views[0].By != "mira" {
			t.Errorf("who looked is lost: %v, %v", views, err)
		}
		for i := range 3 {
			k, err := s.Key(t.Context(), fmt.Sprint("P-", i))
			if err != nil || f.texts[k.Reference].Key != "" {
				t.Errorf("the number has the reference %s again, %v", k.Reference, err)
			}
		}
	})
}

// The numbers come again before anybody finished the erasure: what they get then must
// outlive its end.
func TestANumberComesAgainBeforeTheEnd(t *testing.T) {
	atEveryStep(t, func(t *testing.T, k *knife) {
		r := memRig(t)
		f := newFamily(t, r)
		_ = r.store(k).Erase(t.Context(), f.root)
		s := r.store(nil)
		gone := !f.readable(t, s)
		again := map[string]event.Ciphertext{}
		for i := range 3 {
			ref, c, err := s.Patient(t.Context(), fmt.Sprint("P-", i), "again")
			if err != nil {
				t.Fatal(err)
			}
			if _, old := f.texts[ref]; old == gone {
				t.Errorf("erased %v, but the number leads to %s", gone, ref)
			}
			again[ref] = c
		}
		if err := s.Tend(t.Context()); err != nil {
			t.Fatal(err)
		}
		for _, c := range again {
			if gone {
				opens(t, s, c, "again")
			}
		}
		if gone && f.readable(t, s) {
			t.Error("erased, and readable")
		}
		f.untouched(t, s)
	})
}

// A merge that broke off has happened or not; then it can be asked for again.
func TestMergeKilledAtEveryStep(t *testing.T) {
	atEveryStep(t, func(t *testing.T, k *knife) {
		r := memRig(t)
		s := r.store(nil)
		keep, gone := write(t, s, anna), write(t, s, ann2)
		c := seal(t, s, ann2.Number, "text")
		_ = r.store(k).Merge(t.Context(), keep, gone)
		p, err := s.Look(t.Context(), mira, gone)
		if err != nil || p != anna && p != ann2 {
			t.Errorf("%+v, %v", p, err)
		}
		opens(t, s, c, "text")
		if err := s.Merge(t.Context(), keep, gone); err != nil {
			t.Fatal(err)
		}
		shows(t, s, gone, anna)
		if err := s.Erase(t.Context(), keep); err != nil {
			t.Fatal(err)
		}
		erased(t, s, gone, c)
		if left := r.left(keep, gone); len(left) != 0 {
			t.Errorf("left: %v", left)
		}
	})
}

// meddle calls between before the n-th change of a process, once.
type meddle struct {
	eventlog.Shelf
	n       *int
	between func()
}

func (m *meddle) Put(ctx context.Context, key string, data []byte, after uint64) (uint64, error) {
	if *m.n--; *m.n == 0 {
		m.between()
	}
	return m.Shelf.Put(ctx, key, data, after)
}

// An erasure by another process comes between any two steps of a merge or a write, and
// the other way: nothing of the erased stays behind.
func TestErasureBetweenTheStepsOfOthers(t *testing.T) {
	for name, does := range map[string]func(t *testing.T, s *Store, keep, gone string) error{
		"merge": func(t *testing.T, s *Store, keep, gone string) error { return s.Merge(t.Context(), keep, gone) },
		"write": func(t *testing.T, s *Store, _, _ string) error {
			_, err := s.Write(t.Context(), anna.Number, Person{Family: "Lind-Bolt"})
			return err
		},
		"rotate": func(t *testing.T, s *Store, _, _ string) error { return s.Rotate(t.Context()) },
	} {
		for n := 1; n <= 4; n++ {
			r := memRig(t)
			quiet := r.store(nil)
			keep, gone := write(t, quiet, anna), write(t, quiet, ann2)
			text, other := seal(t, quiet, anna.Number, "text"), seal(t, quiet, ann2.Number, "other")
			s, at := r.store(nil), n
			between := func() {
				if err := quiet.Erase(t.Context(), keep); err != nil {
					t.Error(err)
				}
			}
			s.keys, s.identity = &meddle{s.keys, &at, between}, &meddle{s.identity, &at, between}
			err := does(t, s, keep, gone)
			if at > 0 {
				continue // it has fewer steps
			}
			if err != nil && !errors.Is(err, ErrErased) {
				t.Errorf("%s, step %d: %v", name, n, err)
			}
			erased(t, quiet, keep, text)
			if left := r.left(keep); len(left) != 0 {
				t.Errorf("%s, step %d: left %v", name, n, left)
			}
			// Gone is erased too when the merge came first, and untouched when not.
			if _, err := quiet.Look(t.Context(), mira, gone); err == nil {
				opens(t, quiet, other, "other")
			} else {
				erased(t, quiet, gone, other)
				if left := r.left(gone); len(left) != 0 {
					t.Errorf("%s, step %d: left %v", name, n, left)
				}
			}
		}
	}
}

// One process erases; the other stops reading at once, and stops using the key for
// what is new within its bound, also under a clock that stands.
func TestAnotherProcessStops(t *testing.T) {
	r := memRig(t)
	a, b := r.store(nil), r.store(nil)
	ref, c := write(t, a, anna), seal(t, a, anna.Number, "text")
	opens(t, b, c, "text")
	if k, err := b.Key(t.Context(), anna.Number); err != nil || k.Reference != ref {
		t.Fatal(k.Reference, err)
	}
	if err := a.Erase(t.Context(), ref); err != nil {
		t.Fatal(err)
	}
	erased(t, b, ref, c)
	uses := 0
	for ; uses <= rememberedTimes+1; uses++ {
		k, err := b.Key(t.Context(), anna.Number)
		if err != nil {
			t.Fatal(err)
		}
		if k.Reference != ref {
			break
		}
	}
	if uses > rememberedTimes {
		t.Errorf("it still used the erased key after %d times", uses)
	}
	again := write(t, a, anna)
	if k, _ := b.Key(t.Context(), anna.Number); k.Reference != again {
		t.Errorf("%s, and %s in the other process", again, k.Reference)
	}
	if err := a.Erase(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	r.pass(rememberedFor + 1e6)
	if k, err := b.Key(t.Context(), anna.Number); err != nil || k.Reference == again {
		t.Errorf("after %v: %s, %v", rememberedFor, k.Reference, err)
	}
	if w, err := b.Write(t.Context(), anna.Number, anna); err != nil || w.Reference == again {
		t.Errorf("written under an erased reference: %+v, %v", w, err)
	}
}

// Whatever is written, merged and erased in any order by two processes: a reference is
// readable if and only if it was not erased, and shows what was written last to it or
// to what it was merged into.
func TestLawReadableUnlessErased(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, memlog.New())
		stores := []*Store{r.store(nil), r.store(nil)}
		into := map[string]string{}   // merged
		gone := map[string]bool{}     // erased
		beds := map[string]string{}   // last written, by root
		number := map[string]string{} // current reference of a number
		texts := map[string]event.Ciphertext{}
		root := func(ref string) string {
			for into[ref] != "" {
				ref = into[ref]
			}
			return ref
		}
		var refs []string
		for range rapid.IntRange(1, 25).Draw(rt, "steps") {
			s := stores[rapid.IntRange(0, 1).Draw(rt, "process")]
			r.pass(rememberedFor + 1e6) // what others erased is noticed
			switch op := rapid.IntRange(0, 3).Draw(rt, "op"); {
			case op <= 1 || len(refs) == 0:
				no, bed := rapid.SampledFrom([]string{"P-1", "P-2", "P-3", "P-4"}).Draw(rt, "number"), fmt.Sprint(len(refs), "-", rapid.IntRange(0, 99).Draw(rt, "bed"))
				w, err := s.Write(t.Context(), no, Person{Family: "Invented", Bed: bed})
				if err != nil {
					rt.Fatal(err)
				}
				if was := number[no]; was != "" && !gone[root(was)] {
					if w.Reference != root(was) {
						rt.Fatalf("%s leads to %s, not %s", no, w.Reference, root(was))
					}
				} else {
					number[no] = w.Reference
					refs = append(refs, w.Reference)
					_, c, err := s.Patient(t.Context(), no, w.Reference)
					if err != nil {
						rt.Fatal(err)
					}
					texts[w.Reference] = c
				}
				beds[w.Reference] = bed
			case op == 2:
				keep, leave := rapid.SampledFrom(refs).Draw(rt, "keep"), rapid.SampledFrom(refs).Draw(rt, "gone")
				err := s.Merge(t.Context(), keep, leave)
				if gone[root(keep)] || gone[root(leave)] {
					if !errors.Is(err, ErrErased) {
						rt.Fatalf("merged what was erased: %v", err)
					}
				} else if err != nil {
					rt.Fatal(err)
				} else if root(keep) != root(leave) {
					into[root(leave)] = root(keep)
				}
			default:
				ref := rapid.SampledFrom(refs).Draw(rt, "erased")
				if err := s.Erase(t.Context(), ref); err != nil {
					rt.Fatal(err)
				}
				gone[root(ref)] = true
			}
			for _, ref := range refs {
				p, err := s.Look(t.Context(), mira, ref)
				text, terr := s.Open(t.Context(), texts[ref])
				if gone[root(ref)] {
					if !errors.Is(err, ErrErased) || !errors.Is(terr, ErrErased) {
						rt.Fatalf("%s was erased and is readable: %+v, %v, %q, %v", ref, p, err, text, terr)
					}
					continue
				}
				if err != nil || terr != nil || text != ref || p.Bed != beds[root(ref)] {
					rt.Fatalf("%s: %+v, %v, %q, %v; want bed %s", ref, p, err, text, terr, beds[root(ref)])
				}
			}
		}
	})
}

// An erasure, and the number's coming again, fall between the record of a look and
// what it would have shown.
func TestErasureWhileSomebodyLooks(t *testing.T) {
	for _, again := range []bool{false, true} {
		r := memRig(t)
		quiet, s := r.store(nil), r.store(nil)
		ref, at := write(t, quiet, anna), 1
		s.access = &meddle{s.access, &at, func() {
			if err := quiet.Erase(t.Context(), ref); err != nil {
				t.Error(err)
			}
			if again {
				write(t, quiet, anna)
			}
		}}
		if p, err := s.Look(t.Context(), mira, ref); !errors.Is(err, ErrErased) || p != (Person{}) {
			t.Errorf("it shows %+v, %v", p, err)
		}
	}
}
