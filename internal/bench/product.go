package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"time"

	"github.com/google/uuid"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability/library"
)

// volume of the log in every measurement.
const volume = "2026"

// product is a whole daemon on a directory of its own. The desk here is a second
// one on the same model, so that scans can be recorded without the API.
type product struct {
	dir   string
	log   eventlog.Log
	app   *app.App
	model *live.Model
	desk  *intake.Desk
}

// ahead is how far the bench's clock is ahead of the machine's: a generated day goes on
// in its own time. It changes only while no daemon runs.
var ahead time.Duration

func clock() event.Instant { return event.At(time.Now().Add(ahead)) }

func quiet() *slog.Logger {
	return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError}))
}

// openProduct starts a daemon, on a listener or without one, adopts the shipped
// limits and declares the island's places.
func openProduct(ctx context.Context, on net.Listener, more ...func(*app.Parts)) (p *product, err error) {
	p = &product{}
	defer func() {
		if err != nil {
			p.close()
		}
	}()
	if p.dir, p.log, err = openLog(ctx); err != nil {
		return p, err
	}
	secret := make([]byte, 32)
	_, _ = rand.Read(secret) // never fails on the platforms Go supports
	parts := app.Parts{Log: p.log, Clock: app.WallClock(), Secret: secret, Ring: identity.MemoryRing(clock, rand.Reader), Logger: quiet(), Listener: on}
	for _, set := range more {
		set(&parts)
	}
	p.app, err = app.Start(ctx, parts)
	if err != nil {
		return p, err
	}
	p.model = p.app.Model()
	p.desk = intake.New(p.log, p.model, clock, p.app.Identity(), quiet())
	return p, p.declare(ctx)
}

// openLog opens the embedded log in a scratch directory.
func openLog(ctx context.Context) (dir string, log eventlog.Log, err error) {
	if dir, err = os.MkdirTemp("", "custody-bench-"); err != nil {
		return "", nil, err
	}
	log, err = eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: volume, Logger: quiet()})
	return dir, log, err
}

func (p *product) close() {
	switch {
	case p.app != nil:
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_ = p.app.Stop(ctx) // of a scratch directory
	case p.log != nil:
		_ = p.log.Close()
	}
	if p.dir != "" {
		_ = os.RemoveAll(p.dir)
	}
}

// declare adopts the shipped limits and says how warm the places are, as a
// laboratory does before its first tube. The ranges are invented.
func (p *product) declare(ctx context.Context) error {
	set, file, err := library.Starter()
	if err != nil {
		return err
	}
	facts := map[custody.Target]event.Fact{
		target(event.KindRules, set.Name): event.RulesAdopted{Hash: set.Hash, Bytes: file, InForce: 1, InFlight: true, Name: set.Name, Version: set.Version},
	}
	for _, place := range []string{"CLINIC", "RECEPTION"} {
		facts[target(event.KindPlace, place)] = event.PlaceDescribed{
			Name: place, PlaceKind: "bench", Zone: "Europe/Berlin", Assumed: event.Range{Low: 1800, High: 2400, Known: true}, Basis: "bench", Owner: "lena",
		}
	}
	for t, f := range facts {
		if err := p.write(ctx, t, f); err != nil {
			return err
		}
	}
	return nil
}

// longAgo is before every tube of the bench.
func longAgo() event.Instant { return clock().Add(-4 * time.Hour) }

func (p *product) write(ctx context.Context, t custody.Target, f event.Fact) error {
	_, err := p.desk.Write(ctx, intake.Entry{ID: id(), Target: t, Facts: []event.Fact{f}, By: "lena", At: longAgo()})
	return err
}

// record sends one scan and fails unless it was recorded: a refused scan would
// make the product look fast.
func (p *product) record(ctx context.Context, s intake.Scan) (intake.Answer, error) {
	a, err := p.desk.Record(ctx, s)
	if err != nil {
		return a, fmt.Errorf("%s of %s: %w", s.Step, s.Label, err)
	}
	if a.Answer != event.AnswerRecorded {
		return a, fmt.Errorf("%s of %s was answered %s %s: %s", s.Step, s.Label, a.Answer, a.Refusal, a.Say)
	}
	return a, nil
}

func target(kind event.Kind, label string) custody.Target {
	return custody.Target{Kind: kind, Key: key(label)}
}

func key(label string) event.Key {
	k, err := event.LocalKey(label)
	if err != nil {
		panic(err) // a label written in this program
	}
	return k
}

// id is a scan's id as clients make it.
func id() string { return uuid.Must(uuid.NewV7()).String() }

var errNoServer = errors.New("no PostgreSQL server answers")
