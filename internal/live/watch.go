package live

import (
	"maps"
	"slices"
	"sync"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// Change tells a watcher that the log grew.
type Change struct {
	Seq    uint64
	Target custody.Target
	Facts  []event.Fact
}

// Watcher hears every decision as the model folds it. One that does not keep up
// is told so and dropped; it never holds up the model.
type Watcher struct {
	// C carries the changes. It is closed when the watcher was dropped or stopped.
	C    <-chan Change
	c    chan Change
	m    *Model
	once sync.Once
}

// watcherRoom is how many changes a watcher may lag behind.
const watcherRoom = 4096

// Watch starts a watcher. Stop it after use.
func (m *Model) Watch() *Watcher {
	c := make(chan Change, watcherRoom)
	w := &Watcher{C: c, c: c, m: m}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.watchers[w] = struct{}{}
	return w
}

// Stop ends the watcher.
func (w *Watcher) Stop() {
	w.m.mu.Lock()
	defer w.m.mu.Unlock()
	w.drop()
}

// drop needs the model's lock.
func (w *Watcher) drop() {
	w.once.Do(func() {
		delete(w.m.watchers, w)
		close(w.c)
	})
}

// tell hands a record to every watcher.
func (m *Model) tell(rec *event.Record) {
	for w := range m.watchers {
		select {
		case w.c <- Change{Seq: rec.Seq, Target: custody.Target{Kind: rec.Kind, Key: rec.Key}, Facts: rec.Facts}:
		default:
			w.drop()
		}
	}
}

// Flagged lists the tubes whose flag is up by the log, sorted by key.
func (m *Model) Flagged() []event.Key {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Sorted(maps.Keys(m.flagged))
}
