package eventlog

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// probePrefix begins the names of the streams on which breakEven measures. It gives up
// after probeTime: a cluster that elects answers nothing, and a start must not wait.
const (
	probePrefix = "PROBE"
	probeTime   = 5 * time.Second
)

// breakEven measures, on a stream of its own that it removes again, up to which
// group size single durable publishes cost less than one atomic batch. The stream's
// name is used once: several processes may measure at the same time, unless alone.
func breakEven(ctx context.Context, js jetstream.JetStream, replicas int, alone bool) int {
	ctx, cancel := context.WithTimeout(ctx, probeTime)
	defer cancel()
	id := secret()[:12]
	name := probePrefix + id
	removeOldProbes(ctx, js, alone)
	_, err := js.CreateStream(ctx, jetstream.StreamConfig{
		Name: name, Subjects: []string{"probe." + id + ".>"}, Storage: jetstream.FileStorage, Replicas: replicas, AllowAtomicPublish: true,
	})
	if err != nil {
		return defaultBreak
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), probeTime)
		defer cancel()
		_ = js.DeleteStream(ctx, name) // the next start tries again
	}()
	c := &committer{js: js, line: newLine()}
	time1 := medianOf(5, func() { c.singly(probes(id, 1)) })
	timeN := medianOf(5, func() { c.batch(probes(id, 16)) })
	if time1 <= 0 {
		return defaultBreak
	}
	return int(min(max(timeN/time1, 2), 32))
}

// removeOldProbes removes what a process left that was killed while it measured.
// Where others may be measuring, only what is older than any measuring.
func removeOldProbes(ctx context.Context, js jetstream.JetStream, alone bool) {
	names := js.StreamNames(ctx, jetstream.WithStreamListSubject("probe.>"))
	for name := range names.Name() {
		old, err := js.Stream(ctx, name)
		if err != nil || !strings.HasPrefix(name, probePrefix) {
			continue
		}
		if info := old.CachedInfo(); alone || info.TimeStamp.Sub(info.Created) > 10*time.Minute {
			_ = js.DeleteStream(ctx, name) // tried again at the next start
		}
	}
}

func probes(id string, n int) []*entry {
	es := make([]*entry, n)
	for i := range es {
		es[i] = &entry{subject: fmt.Sprintf("probe.%s.%d", id, i), data: make([]byte, 400), done: make(chan outcome, 1)}
	}
	return es
}

func medianOf(n int, f func()) time.Duration {
	took := make([]time.Duration, n)
	for i := range took {
		start := time.Now()
		f()
		took[i] = time.Since(start)
	}
	slices.Sort(took)
	return took[n/2]
}
