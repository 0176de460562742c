package app_test

import (
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"sync/atomic"
	"testing"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// A server's clock that jumps, forward and back and over a restart, loses no scan,
// lets no record of one process say it was recorded before the one that came first,
// and says what follows from the new time once: a judge that looks at every tube anew
// clears the flag of one that isn't due yet, and raises it again when it is.
func TestAClockThatJumps(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	var ahead atomic.Int64 // of the true time, in ms
	clock := api.Clock{Now: func() event.Instant { return event.At(time.Now()) + event.Instant(ahead.Load()) }}
	ring := identity.MemoryRing(clock.Now, rand.Reader) // outlives the daemon here
	start := func() *app.App {
		log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
		if err != nil {
			t.Fatal(err)
		}
		a, err := app.Start(t.Context(), app.Parts{Log: log, Clock: clock, Secret: []byte("a secret for tests"), Ring: ring, Logger: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	flags := func(a *app.App, raised, cleared int64) {
		t.Helper()
		apptest.Until(t, "the flag", func(ctx context.Context) (bool, string) {
			got, err := custodyv1.NewTubesClient(a.Conn()).GetTube(ctx, &custodyv1.GetTubeRequest{Id: "JUMP1"})
			if err != nil {
				return false, err.Error()
			}
			facts := got.GetFacts()
			return facts["FlagRaised"] == raised && facts["FlagCleared"] == cleared, fmt.Sprint(got.GetFacts())
		})
	}
	jump := func(a *app.App, by time.Duration, id string) {
		t.Helper()
		ahead.Add(by.Milliseconds())
		mustSave(t, a.Conn(), see("JUMP2", id))
	}
	a := start()
	settle(t, a.Conn())
	order(t, a.Conn(), "R-JUMP", "JUMP1")
	mustSave(t, a.Conn(), collected("JUMP1", time.Now().Add(time.Hour)))
	flags(a, 0, 0)
	jump(a, 2*time.Hour, "forward") // past the time at which the tube is due
	flags(a, 1, 0)
	jump(a, -6*time.Hour, "back")
	jump(a, 0, "and-on")
	if err := a.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	a = start()
	jump(a, 0, "after-a-restart")
	jump(a, 5*time.Hour, "forward-again")
	jump(a, 0, "last")
	flags(a, 2, 1)
	if err := a.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	records := readAll(t, log)
	key, err := event.LocalKey("JUMP1")
	if err != nil {
		t.Fatal(err)
	}
	if n := flagsRaised(records)[key]; n != 2 {
		t.Errorf("the flag was raised %d times", n)
	}
	times, recorded := map[string]int{}, map[string]event.Instant{}
	for _, r := range records {
		times[r.ID]++
		recorded[r.ID] = r.Recorded
	}
	ids := []string{"forward", "back", "and-on", "after-a-restart", "forward-again", "last"}
	for i, id := range ids {
		if times[id] != 1 {
			t.Errorf("the scan %s stands %d times in the log", id, times[id])
		}
		if i > 0 && id != "after-a-restart" && recorded[id] < recorded[ids[i-1]] {
			t.Errorf("%s says it was recorded before %s, by the same process", id, ids[i-1])
		}
	}
}
