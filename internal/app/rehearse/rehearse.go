// Package rehearse plays stories against a daemon through its public API alone:
// what a story declares, does and asks becomes calls of the gRPC services, so a
// rehearsal proves the same way in that a phone or a desk uses. It decides how
// the words of a story are said in the API and how the answers of the API are
// read as what a story expects; it judges nothing itself.
//
// The daemon's clock must be a steered one, and the daemon must be fresh: a story
// sets the clock to its own first instant and never back.
package rehearse

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// author stands where the API wants a person and the story names none.
const author = "story"

// callTimeout bounds one call, settleTimeout the wait for a judgement.
const (
	callTimeout   = 30 * time.Second
	settleTimeout = 10 * time.Second
	pollEvery     = 5 * time.Millisecond
)

// Bench is a story.Bench over gRPC clients. It is for one story and one
// goroutine. The rules it adopted are remembered: the API names a limit but not
// what it counts from.
type Bench struct {
	ctx     context.Context
	restart func(context.Context) (grpc.ClientConnInterface, error)

	scans     custodyv1.ScansClient
	requests  custodyv1.RequestsClient
	tubes     custodyv1.TubesClient
	directory custodyv1.DirectoryClient
	flags     stabilityv1.FlagsClient
	rules     stabilityv1.RulesClient

	now     event.Instant
	counts  map[string]stability.CountsFrom // by id of the limit
	schemes []*custodyv1.NumberScheme       // declared so far: they are declared together
	serial  int                             // of ids made here
}

var _ story.Bench = (*Bench)(nil)

// Option changes a bench.
type Option func(*Bench)

// WithContext bounds every call of the bench: the story's interface has no
// context of its own, and its runner no way to stop.
func WithContext(ctx context.Context) Option {
	return func(b *Bench) { b.ctx = ctx }
}

// WithRestart says how the daemon is killed and opened again over the same store.
// Without it a story with a restart ends with an error.
func WithRestart(restart func(context.Context) (grpc.ClientConnInterface, error)) Option {
	return func(b *Bench) { b.restart = restart }
}

// New gives a bench over a connection to a fresh daemon with a steered clock.
func New(conn grpc.ClientConnInterface, opts ...Option) *Bench {
	b := &Bench{ctx: context.Background(), counts: map[string]stability.CountsFrom{}}
	for _, opt := range opts {
		opt(b)
	}
	b.use(conn)
	return b
}

func (b *Bench) use(conn grpc.ClientConnInterface) {
	b.scans = custodyv1.NewScansClient(conn)
	b.requests = custodyv1.NewRequestsClient(conn)
	b.tubes = custodyv1.NewTubesClient(conn)
	b.directory = custodyv1.NewDirectoryClient(conn)
	b.flags = stabilityv1.NewFlagsClient(conn)
	b.rules = stabilityv1.NewRulesClient(conn)
}

// call runs one call within its time. It is a function, not a method: a method
// can't have type parameters.
func call[Req, Resp any](b *Bench, do func(context.Context, Req, ...grpc.CallOption) (Resp, error), req Req) (Resp, error) {
	ctx, cancel := context.WithTimeout(b.ctx, callTimeout)
	defer cancel()
	return do(ctx, req)
}

// id makes an id for what the story gives none. It depends on nothing but the
// story, so that a failed rehearsal fails alike the next time.
func (b *Bench) id(what string) string {
	b.serial++
	return fmt.Sprintf("story-%s-%d", what, b.serial)
}

// Clock sets the daemon's clock. Deadlines that pass by it are judged by the
// daemon before it answers.
func (b *Bench) Clock(now event.Instant) error {
	_, err := call(b, b.scans.SetClock, &custodyv1.SetClockRequest{Now: now.String()})
	if status.Code(err) == codes.FailedPrecondition {
		return fmt.Errorf("the daemon's clock can't be set; start a fresh custodyd with --clock steered: %w", err)
	}
	if err != nil {
		return Plain(err)
	}
	b.now = now
	return nil
}

// Restart kills and opens the daemon and sets its clock again, which it lost.
func (b *Bench) Restart() error {
	if b.restart == nil {
		return errors.New("this rehearsal can't restart the daemon; leave the line out, or rehearse in memory without --server")
	}
	conn, err := b.restart(b.ctx)
	if err != nil {
		return fmt.Errorf("restart the daemon: %w", err)
	}
	b.use(conn)
	return b.Clock(b.now)
}

// Adopt puts a rule file in force.
func (b *Bench) Adopt(file string, data []byte, inForce event.Instant, inFlight bool, by string) error {
	set, err := stability.Parse(file, data)
	if err != nil {
		return fmt.Errorf("the rule file has mistakes:\n%w", err)
	}
	if by == "" {
		by = author
	}
	resp, err := call(b, b.rules.AdoptRules, &stabilityv1.AdoptRulesRequest{
		File: string(data), By: by, InForce: inForce.String(), InFlight: inFlight, Id: b.id("adopt"),
	})
	if err != nil {
		return Plain(err)
	}
	if a := event.Answer(resp.Answer); a != event.AnswerRecorded && a != event.AnswerRepeated {
		return fmt.Errorf("the rules were not adopted: %s", resp.Answer)
	}
	for i := range set.Rules {
		b.counts[set.Rules[i].ID] = set.Rules[i].From
	}
	return nil
}

// Readings delivers readings of a logger as one run.
func (b *Bench) Readings(logger string, readings []event.Reading, _ bool) error {
	return b.deliver(logger, b.id("readings"), readings)
}

// Import delivers a logger's file. What the step says of it is what a person would
// answer at the preview.
func (b *Bench) Import(file story.ImportFile) (event.Answer, error) {
	id := file.ID
	if id == "" {
		id = b.id("import")
	}
	resp, err := call(b, b.scans.ImportReadings, &custodyv1.ImportReadingsRequest{
		Logger: file.Logger, Name: file.Name, File: file.Data, By: file.By, Id: id, Zone: file.Zone, Unit: file.Unit, DateOrder: file.Order,
	})
	switch {
	case err != nil:
		return "", Plain(err)
	case resp.GetKnown():
		return event.AnswerRepeated, nil
	case resp.GetStored() == 0:
		return event.AnswerNotSaved, nil
	}
	return event.AnswerRecorded, nil
}

func (b *Bench) deliver(logger, id string, readings []event.Reading) error {
	for _, run := range Runs(logger, id, readings) {
		_, err := call(b, b.scans.RecordReadings, &custodyv1.RecordReadingsRequest{Runs: []*custodyv1.Readings{run}})
		if err != nil {
			return Plain(err)
		}
	}
	return nil
}

// Count counts the steps in the whole log that gave the fact.
func (b *Bench) Count(fact string) (int, error) {
	resp, err := call(b, b.scans.CountFacts, &custodyv1.CountFactsRequest{Fact: fact})
	return int(resp.GetCount()), Plain(err)
}
