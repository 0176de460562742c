package eventlog_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
)

// servers gives three servers of one cluster that run in this process once started.
// Those before number known are told of each other only.
func servers(t *testing.T, known int) []*server.Server {
	t.Helper()
	routes := make([]*url.URL, 3)
	ports := make([]int, 3)
	for i, addr := range apptest.FreePorts(t, 3) {
		at, err := net.ResolveTCPAddr("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		ports[i], routes[i] = at.Port, &url.URL{Scheme: "nats-route", Host: addr}
	}
	three := make([]*server.Server, 3)
	for i := range three {
		srv, err := server.NewServer(&server.Options{
			ServerName: fmt.Sprint("n", i), JetStream: true, StoreDir: t.TempDir(), SyncAlways: true, Host: "127.0.0.1", Port: -1,
			NoSigs: true, NoLog: true, Routes: routes[:max(known, i+1)],
			Cluster: server.ClusterOpts{Name: "lab", Host: "127.0.0.1", Port: ports[i]},
		})
		if err != nil {
			t.Fatal(err)
		}
		three[i] = srv
	}
	t.Cleanup(func() {
		for _, s := range three {
			s.Shutdown()
			s.WaitForShutdown()
		}
	})
	return three
}

// cluster starts three servers in this process and gives the address of one.
func cluster(t *testing.T) string {
	t.Helper()
	servers := servers(t, 3)
	for _, s := range servers {
		s.Start()
	}
	nc, err := nats.Connect(servers[0].ClientURL(), nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	// A leader of the cluster is elected within seconds; until a replicated
	// stream can be made, nothing else can.
	deadline := time.Now().Add(logtest.Patience)
	for {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		_, err = js.CreateStream(ctx, jetstream.StreamConfig{Name: "READY", Subjects: []string{"ready"}, Replicas: 3})
		cancel()
		if err == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the cluster of three did not get ready: %v", err)
		}
	}
	return servers[0].ClientURL()
}

// After a power cut servers and daemon start together, and the leader may be asked for
// streams of three copies before it has heard of three servers.
func TestALogWaitsForTheThirdServer(t *testing.T) {
	servers := servers(t, 2)
	servers[0].Start()
	servers[1].Start()
	apptest.Until(t, "a leader of the two", func(context.Context) (bool, string) {
		return servers[0].JetStreamIsLeader() || servers[1].JetStreamIsLeader(), "none yet"
	})
	third := time.AfterFunc(2*time.Second, servers[2].Start)
	defer third.Stop()
	_ = open(t, eventlog.Options{URL: servers[0].ClientURL(), MaxBytes: 64 << 20})
}

func TestClusterOfThreeKeepsTheContract(t *testing.T) {
	addr := cluster(t)
	var volume atomic.Int64 // streams are never purged, so each sub-test has a volume of its own
	logtest.Run(t, func(t *testing.T) eventlog.Log {
		return open(t, opened(t, eventlog.Options{URL: addr, Volume: fmt.Sprint("V", volume.Add(1)), MaxBytes: 64 << 20}))
	})
	t.Run("two daemons race for one aggregate", func(t *testing.T) { raceOfTwo(t, addr) })
}

// raceOfTwo is why every write expects the last sequence of its own literal
// subject: with wildcard or foreign subjects a replicated stream accepted both
// of two conflicting writes 500 times of 500.
func raceOfTwo(t *testing.T, addr string) {
	const rounds = 100
	logs, o := [2]eventlog.Log{}, opened(t, eventlog.Options{URL: addr, Volume: "RACE", MaxBytes: 64 << 20})
	for i := range logs {
		logs[i] = open(t, o)
	}
	for round := range rounds {
		tube := fmt.Sprint("TB", round)
		var errs [2]error
		var wg sync.WaitGroup
		for i := range logs {
			wg.Go(func() {
				_, errs[i] = logs[i].Append(context.Background(), logtest.Decision(tube, fmt.Sprint("desk", i)), 0)
			})
		}
		wg.Wait()
		won := 0
		for _, err := range errs {
			if err == nil {
				won++
			} else if !errors.Is(err, eventlog.ErrConflict) {
				t.Fatal(err)
			}
		}
		if won != 1 {
			t.Fatalf("round %d: %d of two conflicting writes were accepted", round, won)
		}
	}
	hist, err := logs[0].History(context.Background(), event.KindTube, "L-TB7")
	if err != nil || len(hist) != 1 {
		t.Fatalf("history: %+v, %v", hist, err)
	}
}
