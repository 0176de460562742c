package logtest

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Operator is somebody with the rights of an operator who changes a cluster behind
// the daemons' backs, and a reader of what the cluster itself says.
type Operator struct {
	tb testing.TB
	js jetstream.JetStream
}

// NewOperator connects as the user that url names.
func NewOperator(tb testing.TB, url string) *Operator {
	tb.Helper()
	nc, err := nats.Connect(url, nats.MaxReconnects(-1), nats.RetryOnFailedConnect(true))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		tb.Fatal(err)
	}
	return &Operator{tb: tb, js: js}
}

// persist repeats what a cluster that elects a leader doesn't answer.
func (o *Operator) persist(what string, f func(ctx context.Context) error) {
	o.tb.Helper()
	deadline := time.Now().Add(Patience)
	for {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		err := f(ctx)
		cancel()
		if err == nil {
			return
		}
		if time.Now().After(deadline) {
			o.tb.Fatalf("%s: %v", what, err)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func (o *Operator) change(stream string, f func(*jetstream.StreamConfig)) {
	o.tb.Helper()
	o.persist("change "+stream, func(ctx context.Context) error {
		s, err := o.js.Stream(ctx, stream)
		if err != nil {
			return err
		}
		cfg := s.CachedInfo().Config
		f(&cfg)
		_, err = o.js.UpdateStream(ctx, cfg)
		return err
	})
}

// MaxAge lets messages of a stream be removed when they are older; 0: never.
func (o *Operator) MaxAge(stream string, age time.Duration) {
	o.tb.Helper()
	o.change(stream, func(c *jetstream.StreamConfig) { c.MaxAge = age })
}

// DiscardOld lets a full stream remove its oldest messages, or no longer.
func (o *Operator) DiscardOld(stream string, old bool) {
	o.tb.Helper()
	o.change(stream, func(c *jetstream.StreamConfig) {
		c.Discard = jetstream.DiscardNew
		if old {
			c.Discard = jetstream.DiscardOld
		}
	})
}

// Publish puts a message into the log past every daemon.
func (o *Operator) Publish(subject string, data []byte) uint64 {
	o.tb.Helper()
	var seq uint64
	o.persist("publish "+subject, func(ctx context.Context) error {
		ack, err := o.js.Publish(ctx, subject, data)
		if err == nil {
			seq = ack.Sequence
		}
		return err
	})
	return seq
}

// State is what a stream's leader says it holds: the number of messages and the
// first and last sequence.
func (o *Operator) State(stream string) (messages, first, last uint64) {
	o.tb.Helper()
	o.persist("look at "+stream, func(ctx context.Context) error {
		s, err := o.js.Stream(ctx, stream)
		if err == nil {
			st := s.CachedInfo().State
			messages, first, last = st.Msgs, st.FirstSeq, st.LastSeq
		}
		return err
	})
	return messages, first, last
}

// Early is what one reader of a stream saw.
type Early struct {
	Pending0 uint64 // sequence at which it first heard "nothing pending"
	End      uint64 // last sequence by the stream's leader, asked before it began
	Last     uint64 // what it read in the end
	Holes    int    // sequences that were left out on the way
}

// ReadEarly opens an ordered reader now, notes where it first hears that nothing is
// pending, and reads on to the end that the leader named.
func (o *Operator) ReadEarly(stream string) Early {
	o.tb.Helper()
	var e Early
	_, _, e.End = o.State(stream)
	var cons jetstream.Consumer
	o.persist("read "+stream, func(ctx context.Context) (err error) {
		cons, err = o.js.OrderedConsumer(ctx, stream, jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy})
		return err
	})
	done := make(chan struct{})
	ended := false
	running, err := cons.Consume(func(m jetstream.Msg) {
		meta, err := m.Metadata()
		if err != nil || ended {
			return
		}
		if meta.Sequence.Stream != e.Last+1 {
			e.Holes++
		}
		e.Last = meta.Sequence.Stream
		if meta.NumPending == 0 && e.Pending0 == 0 {
			e.Pending0 = e.Last
		}
		if e.Last >= e.End {
			ended = true
			close(done)
		}
	})
	if err != nil {
		o.tb.Error(err)
		return e
	}
	defer running.Stop()
	select {
	case <-done:
	case <-time.After(Patience):
		o.tb.Errorf("a reader of %s stands at %d and should have reached %d", stream, e.Last, e.End)
	}
	return e
}
