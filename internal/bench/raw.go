package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// raw is the bare broker with the settings that the log gives it: the same
// stream, sync always, in process. It is what the product may cost at most.
type raw struct {
	dir     string
	srv     *server.Server
	nc      *nats.Conn
	js      jetstream.JetStream
	payload []byte
	slots   []slot // one per caller
}

// slot is the aggregate that a caller writes to. After some messages it goes on
// with a new one, as scans of one tube after another do.
type slot struct {
	number, messages int
	after            uint64
}

func openRaw(ctx context.Context, payload []byte) (r *raw, err error) {
	r = &raw{payload: payload, slots: make([]slot, 1024)}
	defer func() {
		if err != nil {
			r.close()
		}
	}()
	if r.dir, err = os.MkdirTemp("", "custody-raw-"); err != nil {
		return r, err
	}
	opts := &server.Options{}
	conf := fmt.Sprintf("server_name: raw\nmax_payload: 8MB\njetstream { store_dir: %q, max_file_store: 10737418240, max_memory_store: 16777216, sync_interval: always }",
		filepath.Join(r.dir, "store"))
	if err := opts.ProcessConfigString(conf); err != nil {
		return r, err
	}
	opts.DontListen, opts.NoSigs, opts.NoLog = true, true, true
	if r.srv, err = server.NewServer(opts); err != nil {
		return r, err
	}
	r.srv.Start()
	if !r.srv.ReadyForConnections(time.Minute) {
		return r, errors.New("the raw broker did not start")
	}
	if r.nc, err = nats.Connect("", nats.InProcessServer(r.srv)); err != nil {
		return r, err
	}
	if r.js, err = jetstream.New(r.nc, jetstream.WithPublishAsyncMaxPending(4096)); err != nil {
		return r, err
	}
	_, err = r.js.CreateStream(ctx, jetstream.StreamConfig{
		Name: "RAW", Subjects: []string{"custody." + volume + ".>"}, Storage: jetstream.FileStorage, Discard: jetstream.DiscardNew,
		MaxBytes: 4 << 30, MaxMsgs: -1, MaxMsgsPerSubject: -1, Replicas: 1, DenyDelete: true, DenyPurge: true,
		AllowDirect: true, AllowAtomicPublish: true, Compression: jetstream.S2Compression,
	})
	return r, err
}

func (r *raw) close() {
	if r.nc != nil {
		r.nc.Close()
	}
	if r.srv != nil {
		r.srv.Shutdown()
		r.srv.WaitForShutdown()
	}
	if r.dir != "" {
		_ = os.RemoveAll(r.dir)
	}
}

// message is the next of a slot, with its expectation.
func (r *raw) message(i int) *nats.Msg {
	s := &r.slots[i]
	if s.messages == len(journey) {
		*s = slot{number: s.number + 1}
	}
	s.messages++
	m := nats.NewMsg(fmt.Sprintf("custody.%s.tube.L-T%d-%d", volume, i, s.number))
	m.Data = r.payload
	m.Header.Set(jetstream.ExpectedLastSubjSeqHeader, strconv.FormatUint(s.after, 10))
	return m
}

// batches publishes atomic batches of n, one after the other. A delay is that
// of a batch: each of its messages waits so long.
func (r *raw) batches(ctx context.Context, n int) (sample, error) {
	var out sample
	start := time.Now()
	for ctx.Err() == nil {
		begin := time.Now()
		msgs := make([]*nats.Msg, n)
		for i := range msgs {
			msgs[i] = r.message(i)
		}
		ack, err := jetstreamext.PublishMsgBatch(context.WithoutCancel(ctx), r.js, msgs)
		if err != nil {
			return out, err
		}
		for i := range msgs {
			r.slots[i].after = ack.Sequence - uint64(n-1-i) //nolint:gosec // i < n
		}
		out.delays = append(out.delays, time.Since(begin))
		out.done += n
	}
	out.took = time.Since(start)
	return out, nil
}

// singles lets n callers publish one message after another, each waiting for
// its answer.
func (r *raw) singles(ctx context.Context, n int) (sample, error) {
	return together(ctx, n, func(ctx context.Context, i int) error {
		ack, err := r.js.PublishMsg(ctx, r.message(i)) // each caller has a slot of its own
		if err != nil {
			return err
		}
		r.slots[i].after = ack.Sequence
		return nil
	})
}
