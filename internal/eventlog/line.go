package eventlog

import (
	"context"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
)

// line knows of one connection when it broke. What was sent over it and has no
// answer then gets none: the answer would go to the connection that is gone. Whoever
// waits is told at once and sends again, instead of waiting for answerTime.
type line struct {
	mu   sync.Mutex // guards the fields below
	ctx  context.Context
	lose context.CancelFunc
}

func newLine() *line {
	l := &line{}
	l.ctx, l.lose = context.WithCancel(context.Background())
	return l
}

// broke is the connection's handler of a disconnect.
func (l *line) broke(*nats.Conn, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lose()
	l.ctx, l.lose = context.WithCancel(context.Background())
}

// within bounds a wait for an answer by ctx, by a time, and by the life of the
// connection that the question goes out on.
func (l *line) within(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithTimeout(ctx, d)
	l.mu.Lock()
	conn := l.ctx
	l.mu.Unlock()
	stop := context.AfterFunc(conn, cancel)
	return ctx, func() { stop(); cancel() }
}
