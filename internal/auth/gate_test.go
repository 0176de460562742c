package auth

import (
	"context"
	"errors"
	"testing"
	"time"

	"specimen.example/custody/internal/eventlog"
)

// A daemon that is stopped as it begins to serve has read its sign-ins, and ends well.
func TestWhatWasReadIsReadForOneWhoLeavesToo(t *testing.T) {
	g := &Gate{ready: make(chan struct{})}
	ctx, leave := context.WithCancel(t.Context())
	leave()
	if g.Ready(ctx) == nil {
		t.Error("nothing was read yet")
	}
	close(g.ready)
	for range 64 {
		if err := g.Ready(ctx); err != nil {
			t.Fatal(err)
		}
	}
}

// slowShelf follows like a shelf that is held up: it ends long after it was told to.
type slowShelf struct {
	eventlog.Shelf
	ended chan struct{}
}

func (s slowShelf) Follow(ctx context.Context, _ func(eventlog.Item), ready func()) error {
	defer close(s.ended)
	ready()
	<-ctx.Done()
	time.Sleep(1500 * time.Millisecond)
	return errors.New("ended late")
}

// A shelf that is held up may end after the gate did: the race detector says whether both
// look at the same thing. Whether the gate waited long enough to hear of it is the machine's.
func TestALateShelfDoesNotHoldUpAStop(t *testing.T) {
	signIn, sessions := slowShelf{ended: make(chan struct{})}, slowShelf{ended: make(chan struct{})}
	g := &Gate{opts: Options{SignIn: signIn, Sessions: sessions}, ready: make(chan struct{})}
	g.toRead.Add(2)
	ctx, leave := context.WithCancel(t.Context())
	leave()
	_ = g.Run(ctx)
	<-signIn.ended
	<-sessions.ended
}
