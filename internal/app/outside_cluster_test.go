package app_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// Two custodyd on one cluster, with the same receiver in their settings: one of them
// tells, and when it is killed the other goes on where it was.
func TestOneOfTwoDaemonsTells(t *testing.T) {
	t.Parallel()
	url, box := hook(t, nil)
	dir := t.TempDir()
	secret, settings := filepath.Join(dir, "secret"), filepath.Join(dir, "settings.yaml")
	text := fmt.Sprintf("clock: steered\nreceivers:\n  - {name: desk, webhook: %q, secret-file: %q}\n", url+"/flags", secret)
	for path, data := range map[string]string{secret: hookSecret + "\n", settings: text} {
		if err := os.WriteFile(path, []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c := apptest.NewCluster(t)
	options := func() []string { return append(apptest.OnCluster(t, c), "--config", settings) }
	a, b := apptest.NewDaemon(t, options()...), apptest.NewDaemon(t, options()...)
	a.Serving()
	b.Serving()
	begin := time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)
	clocks := func(d time.Duration, daemons ...*apptest.Daemon) {
		t.Helper()
		for _, one := range daemons {
			if err := bench(t, one.Conn).Clock(event.At(begin.Add(d))); err != nil {
				t.Fatal(err)
			}
		}
	}
	clocks(0, a, b)
	setUp := bench(t, a.Conn)
	room := event.Range{Low: 2000, High: 2400, Known: true}
	if err := setUp.Declare(story.Place{ID: "CLINIC", Kind: "clinic", Zone: "UTC", Assumed: room}); err != nil {
		t.Fatal(err)
	}
	rules, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := setUp.Adopt("fixture.yaml", rules, event.At(begin.Add(-time.Hour)), false, "lena"); err != nil {
		t.Fatal(err)
	}
	glucose := func(d *apptest.Daemon, tube string, at time.Duration) {
		t.Helper()
		mustSave(t, d.Conn, &custodyv1.Scan{
			Id: tube + "-collected", Label: &custodyv1.Label{Text: tube}, Step: "collect", Mode: "reported", Place: "CLINIC", By: "mira",
			OccurredAt: event.At(begin.Add(at)).String(), Device: "PHONE-1", Patient: "P-7001", Type: "LIHEP-GEL", Tests: []string{"2345-7"},
		})
	}
	raised := func(d *apptest.Daemon, tube string) {
		t.Helper()
		apptest.Until(t, "the flag of "+tube, func(ctx context.Context) (bool, string) {
			got, err := custodyv1.NewTubesClient(d.Conn).GetTube(ctx, &custodyv1.GetTubeRequest{Id: tube})
			if err != nil {
				return false, err.Error()
			}
			return got.GetFacts()["FlagRaised"] > 0, fmt.Sprint(got.GetFacts())
		})
	}
	// came waits until so many tubes were told of, and gives how many messages came again.
	came := func(want int) int {
		t.Helper()
		repeats := 0
		apptest.Until(t, fmt.Sprint(want, " tubes told"), func(context.Context) (bool, string) {
			tubes, ids := map[string]bool{}, map[string]bool{}
			all := box.all()
			for _, l := range all {
				tubes[l.read(t).Tubes[0].Tube] = true
				ids[l.id] = true
			}
			repeats = len(all) - len(ids)
			return len(tubes) >= want, fmt.Sprint(tubes)
		})
		return repeats
	}

	leads, stands := leader(t, a, b)
	glucose(stands, "TB1", 0)
	clocks(61*time.Minute, a, b)
	raised(a, "TB1")
	raised(b, "TB1")
	clocks(62*time.Minute, a, b)
	if n := came(1); n != 0 {
		t.Errorf("two daemons, and %d messages came twice", n)
	}
	leads.Until("/healthz", 200, "told outside: desk", "nothing waits")
	stands.Until("/healthz", 200, "told outside: desk", "nothing waits", "another process tells it")

	// This one is raised before the kill, and due to be told after it.
	glucose(stands, "TB2", 10*time.Minute)
	clocks(71*time.Minute, a, b)
	raised(stands, "TB2")
	leads.Kill()
	apptest.Until(t, "the other leads", func(ctx context.Context) (bool, string) { return stands.Leads(ctx), "it does not" })
	clocks(72*time.Minute, stands)
	if n := came(2); n > 1 {
		t.Errorf("one kill, and %d messages came twice", n)
	}
	glucose(stands, "TB3", 20*time.Minute)
	clocks(81*time.Minute, stands)
	raised(stands, "TB3")
	clocks(82*time.Minute, stands)
	if n := came(3); n > 1 {
		t.Errorf("one kill, and %d messages came twice", n)
	}
	stands.Stop()
}

func bench(t *testing.T, conn grpc.ClientConnInterface) *rehearse.Bench {
	return rehearse.New(conn, rehearse.WithContext(t.Context()))
}
