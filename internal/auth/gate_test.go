package auth

import (
	"context"
	"testing"
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
