package app_test

import (
	"fmt"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/eventlog/logtest"
)

const (
	clusterRounds     = 10
	clusterSoakRounds = 100
	duePerRound       = 3
)

// Every acknowledged scan survives SIGKILL of whatever runs in a cluster, once, and
// no flag is missed or raised twice. Daemons and servers are killed in turns under
// load; a client waits and sends again. The longest time without an acknowledged
// scan is printed for each kind of victim: it is what the person with the scanner
// sees as "saving…".
func TestSoakClusterSurvivesKills(t *testing.T) {
	t.Parallel()
	rounds := clusterRounds
	if os.Getenv("SOAK") != "" {
		rounds = clusterSoakRounds
	}
	begun := time.Now()
	c := apptest.NewCluster(t)
	a, b := apptest.NewDaemon(t, apptest.OnCluster(t, c)...), apptest.NewDaemon(t, apptest.OnCluster(t, c)...)
	a.Serving()
	b.Serving()
	conn := both(t, a, b)
	settle(t, a.Conn)
	tubes := make([]string, rounds*duePerRound)
	for i := range tubes {
		tubes[i] = fmt.Sprintf("DUE%03d", i)
	}
	for group := range slices.Chunk(tubes, 30) {
		order(t, conn, "R-"+group[0], group...)
	}

	l := newKillLoad()
	l.serve(conn)
	var callers sync.WaitGroup
	for i := range killCallers {
		callers.Go(func() { l.call(t.Context(), i) })
	}
	gaps := newGaps(l)
	revived := 0
	// Daemons and servers take turns, so that one kind comes back while the other is hit;
	// of each kind one at a time is down.
	daemon := func(which func() *apptest.Daemon) func() func() {
		return func() func() {
			a.Serving()
			b.Serving()
			d := which()
			d.Kill()
			return d.Start
		}
	}
	server := func(which func(string) *apptest.Node) func() func() {
		return func() func() {
			revived += c.Revive()
			n := which(custodyStream)
			n.Kill()
			return n.Start
		}
	}
	victims := []struct {
		name string
		kill func() (again func())
	}{
		{"the standby custodyd", daemon(func() *apptest.Daemon { _, d := leader(t, a, b); return d })},
		{"a server that follows", server(c.Follower)},
		{"the custodyd that appends flags", daemon(func() *apptest.Daemon { d, _ := leader(t, a, b); return d })},
		{"the server that leads the stream", server(c.Leader)},
	}
	for round := range rounds {
		v := victims[round%len(victims)]
		// These fall due while the victim is down, or while it comes back.
		start := time.Now().Add(time.Second)
		for i := range duePerRound {
			tube := tubes[round*duePerRound+i]
			mustSave(t, conn, collected(tube, start.Add(time.Duration(i)*1500*time.Millisecond)))
			l.acknowledge(tube, tube+"-collected")
		}
		again := v.kill()
		gaps.begin(v.name)
		progress(t, l, 50) // with the victim down
		again()
		progress(t, l, 50)
	}
	l.stopping.Store(true)
	callers.Wait()
	gaps.stop()
	revived += c.Revive()
	a.Serving()
	b.Serving()
	if err := l.err(); err != nil {
		t.Fatal(err)
	}
	flaggedOnce(t, c, conn, tubes)
	for _, d := range []*apptest.Daemon{a, b} {
		checkByAPI(t, d.Conn, l)
	}
	records := joined(t, c)
	times := map[string]int{}
	for _, rec := range records {
		times[rec.ID]++
	}
	once(t, l, times)
	messages, first, last := logtest.NewOperator(t, c.OperatorURL()).State(custodyStream)
	if first != 1 || messages != last || uint64(len(records)) != last {
		t.Errorf("the stream holds %d messages from %d to %d, and %d were read", messages, first, last, len(records))
	}
	t.Logf("%d kills in %v, %d scans acknowledged, %d sent again, %d flags, %d servers stayed unhealthy after a kill until they were started again", rounds, time.Since(begun).Round(time.Second), l.acks.Load(), l.again.Load(), len(tubes), revived)
	gaps.print(t)
	if revived > 0 {
		t.Errorf("%d servers didn't serve their copies after a kill until they were started again", revived)
	}
}

// acknowledge counts a scan that was sent beside the load as part of it.
func (l *killLoad) acknowledge(tube, id string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.acked[tube] = append(l.acked[tube], id)
}

// progress waits until so many more scans were acknowledged.
func progress(t *testing.T, l *killLoad, n int64) {
	t.Helper()
	want := l.acks.Load() + n
	for deadline := time.Now().Add(patience); l.acks.Load() < want; time.Sleep(time.Millisecond) {
		if err := l.err(); err != nil {
			t.Fatal(err)
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d scans of %d were acknowledged in %v", l.acks.Load()-want+n, n, patience)
		}
	}
}

// gaps watches for the longest time without an acknowledged scan after each kill.
type gaps struct {
	quit, over chan struct{}

	mu   sync.Mutex // guards the fields below
	name string
	all  map[string][]time.Duration
}

func newGaps(l *killLoad) *gaps {
	g := &gaps{quit: make(chan struct{}), over: make(chan struct{}), all: map[string][]time.Duration{}}
	go func() {
		defer close(g.over)
		acks, since := l.acks.Load(), time.Now()
		for {
			select {
			case <-g.quit:
				return
			case <-time.After(2 * time.Millisecond):
			}
			now := l.acks.Load()
			g.mu.Lock()
			if list := g.all[g.name]; len(list) > 0 {
				last := &list[len(list)-1]
				*last = max(*last, time.Since(since))
			}
			g.mu.Unlock()
			if now != acks {
				acks, since = now, time.Now()
			}
		}
	}()
	return g
}

func (g *gaps) begin(name string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.name = name
	g.all[name] = append(g.all[name], 0)
}

func (g *gaps) stop() {
	close(g.quit)
	<-g.over
}

func (g *gaps) print(t *testing.T) {
	t.Helper()
	for name, list := range g.all {
		slices.Sort(list)
		t.Logf("longest time without an acknowledged scan after a kill of %s: median %v, most %v (%d kills)",
			name, list[len(list)/2].Round(time.Millisecond), list[len(list)-1].Round(time.Millisecond), len(list))
	}
}
