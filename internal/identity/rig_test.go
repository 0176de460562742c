package identity

import (
	"context"
	"crypto/rand"
	"errors"

	"log/slog"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
)

const (
	day  = 24 * time.Hour
	noon = event.Instant(1764000000000) // invented fixture
)

// rig is a log with a clock and a ring file; stores on it are processes.
type rig struct {
	t    *testing.T
	log  eventlog.Log
	path string
	now  atomic.Int64
	keep int
}

func newRig(t *testing.T, log eventlog.Log) *rig {
	r := &rig{t: t, log: log, path: filepath.Join(t.TempDir(), "identity.keys"), keep: 30}
	r.now.Store(int64(noon))
	return r
}

func memRig(t *testing.T) *rig { return newRig(t, memlog.New()) }

func (r *rig) clock() event.Instant { return event.Instant(r.now.Load()) }

func (r *rig) pass(d time.Duration) { r.now.Add(d.Milliseconds()) }

// store starts a process; with a knife it is killed by it.
func (r *rig) store(k *knife) *Store {
	r.t.Helper()
	ring, err := OpenRing(r.path, r.clock, rand.Reader)
	if err != nil {
		r.t.Fatal(err)
	}
	shelf := func(name eventlog.ShelfName) eventlog.Shelf { return r.log.Shelf(name) }
	if k != nil {
		save := ring.save
		ring.save = func(path string, data []byte) error { return k.cut(func() error { return save(path, data) }) }
		shelf = func(name eventlog.ShelfName) eventlog.Shelf { return &cutShelf{r.log.Shelf(name), k} }
	}
	s, err := Open(r.t.Context(), Options{
		Keys: shelf(eventlog.ShelfKeys), Identity: shelf(eventlog.ShelfIdentity), Access: shelf(eventlog.ShelfAccess),
		Ring: ring, Secret: []byte("invented fixture"), KeepDays: r.keep, Now: r.clock, Rand: rand.Reader, Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return s
}

var errKilled = errors.New("killed")

// knife ends a process at its n-th change of something durable: before it happened,
// or behind it and before it was heard of. Nothing is changed by it afterwards.
type knife struct {
	mu    sync.Mutex
	at    int
	after bool
	fell  bool
}

func (k *knife) cut(change func() error) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.fell {
		return errKilled
	}
	k.at--
	if k.at > 0 {
		return change()
	}
	k.fell = true
	if k.after {
		_ = change() // it landed; the process doesn't hear of it
	}
	return errKilled
}

// cutShelf is a real shelf in the hands of a process that is killed.
type cutShelf struct {
	eventlog.Shelf
	k *knife
}

func (s *cutShelf) Put(ctx context.Context, key string, data []byte, after uint64) (rev uint64, err error) {
	kill := s.k.cut(func() error { rev, err = s.Shelf.Put(ctx, key, data, after); return nil })
	if kill != nil {
		return 0, kill
	}
	return rev, err
}

func (s *cutShelf) Erase(ctx context.Context, key string) (err error) {
	kill := s.k.cut(func() error { err = s.Shelf.Erase(ctx, key); return nil })
	return errors.Join(kill, err)
}

// atEveryStep runs f with a knife at each step until one run passes whole.
func atEveryStep(t *testing.T, f func(t *testing.T, k *knife)) {
	t.Helper()
	for _, after := range []bool{false, true} {
		for n := 1; ; n++ {
			k := &knife{at: n, after: after}
			f(t, k)
			if t.Failed() {
				t.Fatalf("the knife fell at step %d, after the change: %v", n, after)
			}
			if !k.fell {
				if n < 3 {
					t.Fatalf("only %d steps; the knife cuts nothing", n-1)
				}
				break
			}
			if n > 500 {
				t.Fatal("it never passes whole")
			}
		}
	}
}

var mira = View{By: "mira", Why: "collect", About: "tube L-TB260140"}

// One person of the cases file each.
var (
	boy1 = Person{Number: "P-7101", Family: "Okafor", Given: "Boy-1 of Ifeoma", Birth: "2026-11-20"}
	boy2 = Person{Number: "P-7102", Family: "Okafor", Given: "Boy-2 of Ifeoma", Birth: "2026-11-20"}
	anna = Person{Number: "P-7011", Family: "Lind", Given: "Anna", Birth: "1951-03-02", Bed: "4"}
	ann2 = Person{Number: "P-7012", Family: "Lind", Given: "Anna", Birth: "1978-10-19", Bed: "11"}
)

func write(t *testing.T, s *Store, p Person) string {
	t.Helper()
	w, err := s.Write(t.Context(), p.Number, p)
	if err != nil {
		t.Fatalf("write %s: %v", p.Number, err)
	}
	return w.Reference
}

func seal(t *testing.T, s *Store, number, text string) event.Ciphertext {
	t.Helper()
	_, c, err := s.Patient(t.Context(), number, text)
	if err != nil {
		t.Fatalf("seal for %s: %v", number, err)
	}
	return c
}

func opens(t *testing.T, s *Store, c event.Ciphertext, want string) {
	t.Helper()
	if text, err := s.Open(t.Context(), c); err != nil || text != want {
		t.Errorf("the text of %s is %q, %v; want %q", c.Key, text, err, want)
	}
}

func shows(t *testing.T, s *Store, ref string, want Person) {
	t.Helper()
	if p, err := s.Look(t.Context(), mira, ref); err != nil || p != want {
		t.Errorf("%s is %+v, %v; want %+v", ref, p, err, want)
	}
}

func erased(t *testing.T, s *Store, ref string, c event.Ciphertext) {
	t.Helper()
	if p, err := s.Look(t.Context(), mira, ref); !errors.Is(err, ErrErased) || p != (Person{}) {
		t.Errorf("%s is %+v, %v; want ErrErased", ref, p, err)
	}
	if text, err := s.Open(t.Context(), c); !errors.Is(err, ErrErased) || text != "" {
		t.Errorf("the text of %s is %q, %v; want ErrErased", c.Key, text, err)
	}
}
