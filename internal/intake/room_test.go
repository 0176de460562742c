package intake

import (
	"context"
	"errors"
	"math/rand/v2"
	"sync"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// reader is a model that reads as far as a test lets it.
type reader struct {
	mu   sync.Mutex
	at   uint64
	grow chan struct{}
}

func newReader() *reader { return &reader{grow: make(chan struct{})} }

func (r *reader) At() eventlog.Position {
	r.mu.Lock()
	defer r.mu.Unlock()
	return eventlog.Position{Readings: r.at}
}

func (r *reader) WaitFor(ctx context.Context, p eventlog.Position) error {
	for {
		r.mu.Lock()
		at, grow := r.at, r.grow
		r.mu.Unlock()
		if at >= p.Readings {
			return nil
		}
		select {
		case <-grow:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (r *reader) read(to uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.at = max(r.at, to)
	close(r.grow)
	r.grow = make(chan struct{})
}

func (r *room) now() place {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.in
}

// Whatever comes, goes and waits, no more than the room holds is in it, and in the end
// it is empty.
func TestARoomHoldsNoMoreThanItsBounds(t *testing.T) {
	model := newReader()
	r := newRoom(1000, 7)
	r.model = model
	var seq uint64
	var mu sync.Mutex
	var all sync.WaitGroup
	for who := range 40 {
		random := rand.New(rand.NewPCG(uint64(who), 9)) //nolint:gosec // weights, not secrets
		all.Go(func() {
			for range 50 {
				p, err := r.take(t.Context(), 1+random.IntN(1200))
				if err != nil {
					t.Error(err)
					return
				}
				if in := r.now(); in.values > 1000 || in.batches > 7 {
					t.Errorf("%+v are in it", in)
				}
				mu.Lock()
				seq++
				mine := seq
				mu.Unlock()
				switch random.IntN(3) {
				case 0:
					r.give(p, 0) // not stored
				case 1:
					r.give(p, mine)
					model.read(mine)
				default:
					model.read(mine) // read before it was told to be durable
					r.give(p, mine)
				}
			}
		})
	}
	all.Wait()
	model.read(seq)
	if _, ok, _, _ := r.enter(1000); !ok {
		t.Errorf("nobody is in it any more, and %+v are", r.now())
	}
	if r.most.values > 1000 || r.most.batches > 7 || r.most.values < 800 {
		t.Errorf("at most %+v were in it", r.most)
	}
}

// What is durable keeps its place until the model has read it: else a log that is
// faster than the model would fill the memory between them.
func TestARoomIsFullUntilTheModelHasRead(t *testing.T) {
	model := newReader()
	r := newRoom(100, 10)
	r.model = model
	p, err := r.take(t.Context(), 80)
	if err != nil {
		t.Fatal(err)
	}
	r.give(p, 5)
	if _, err := r.try(30); !errors.Is(err, ErrBusy) {
		t.Fatalf("durable and not read: %v, want no room", err)
	}
	waited := make(chan error, 1)
	go func() {
		_, err := r.take(t.Context(), 30)
		waited <- err
	}()
	model.read(4)
	select {
	case err := <-waited:
		t.Fatalf("let in before the model has read: %v", err)
	default:
	}
	model.read(5)
	if err := <-waited; err != nil {
		t.Fatal(err)
	}
	if _, err := r.try(70); err != nil {
		t.Errorf("30 of 100 are in it: %v", err)
	}
}

// What is larger than the room goes in alone, and whoever gives up leaves nothing behind.
func TestARoomAndItsEnds(t *testing.T) {
	r := newRoom(100, 10)
	p, err := r.try(5000)
	if err != nil {
		t.Fatal(err)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.take(gone, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("whoever is gone: %v", err)
	}
	r.give(p, 0)
	if in := r.now(); in != (place{}) {
		t.Errorf("%+v are left in it", in)
	}
	if got := weightOf([]event.Run{{Readings: make([]event.Reading, 3)}, {}}); got != 3+2*runWeight {
		t.Errorf("the weight of 3 values in two runs is %d", got)
	}
}
