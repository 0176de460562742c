// Package demo decides what a newcomer sees in the first minutes: an invented
// scenario with every verdict in it, told to a daemon through its public API alone.
// Two clinics on islands, one that can spin and one that can't, a ferry, a van and
// one laboratory on the mainland. Seed declares them and replays the last four
// hours; Live goes on from there. Places, people, patients and numbers of it are
// invented; the limits are the shipped starter set, adopted for the demo only.
package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability/library"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// zone is the time zone of the islands and the mainland.
const zone = "Europe/Berlin"

// author stands where the API wants a person and nobody of the scenario acted.
const author = "demo"

// longestBatch is the most scans of one call; the API takes 500.
const longestBatch = 400

// Shown is one tube of the demo and what it is there to show.
type Shown struct {
	ID string
	// Shows is one sentence: what happened and what the screens should say.
	Shows string
	// Verdict is the worst verdict of its tests right after seeding.
	Verdict event.Verdict
	// Keeps: nobody touches it in Live, so only time changes what it shows.
	Keeps bool
}

// Tubes lists the tubes that Seed tells of, in order of their number. Live adds
// more behind the last one.
func Tubes() []Shown {
	var out []Shown
	for _, d := range draws {
		for _, t := range d.tubes {
			out = append(out, Shown{ID: tubeID(t.number), Shows: t.shows, Verdict: t.verdict, Keeps: t.keeps})
		}
	}
	return out
}

func tubeID(number int) string { return fmt.Sprintf("DEMO-%04d", number) }

// clients are the services that the demo uses.
type clients struct {
	scans     custodyv1.ScansClient
	requests  custodyv1.RequestsClient
	tubes     custodyv1.TubesClient
	directory custodyv1.DirectoryClient
	flags     stabilityv1.FlagsClient
	rules     stabilityv1.RulesClient
	patients  custodyv1.PatientsClient
	desks     custodyv1.DeskClient
}

func dial(conn grpc.ClientConnInterface) clients {
	return clients{
		scans: custodyv1.NewScansClient(conn), requests: custodyv1.NewRequestsClient(conn), tubes: custodyv1.NewTubesClient(conn),
		directory: custodyv1.NewDirectoryClient(conn), flags: stabilityv1.NewFlagsClient(conn), rules: stabilityv1.NewRulesClient(conn),
		patients: custodyv1.NewPatientsClient(conn), desks: custodyv1.NewDeskClient(conn),
	}
}

// Seed declares the scenario and replays the four hours before now as reported
// scans. A daemon that holds the demo's first tube already is left as it is.
// progress gets one short sentence per part and may be nil. An error names the
// part that failed; what was told before it stays in the log.
func Seed(ctx context.Context, conn grpc.ClientConnInterface, now time.Time, progress func(string)) error {
	return seed(ctx, conn, now, false, progress)
}

// SeedWithoutLoggers tells the same hours of a laboratory that has no logger yet:
// for each kind of box a range is declared instead, as on the first day.
func SeedWithoutLoggers(ctx context.Context, conn grpc.ClientConnInterface, now time.Time) error {
	return seed(ctx, conn, now, true, nil)
}

func seed(ctx context.Context, conn grpc.ClientConnInterface, now time.Time, bare bool, progress func(string)) error {
	if progress == nil {
		progress = func(string) {}
	}
	at, err := time.LoadLocation(zone)
	if err != nil {
		return fmt.Errorf("demo: time zone %s: %w; install the time zone data", zone, err)
	}
	s := &seeding{clients: dial(conn), now: now.In(at).Truncate(time.Millisecond), bare: bare}
	_, err = s.tubes.GetTube(ctx, &custodyv1.GetTubeRequest{Id: tubeID(1)})
	switch status.Code(err) {
	case codes.OK:
		progress("the demo is in the log already; it goes on from there")
		return nil
	case codes.NotFound:
	default:
		return fmt.Errorf("demo: look for an earlier demo: %w", err)
	}
	for _, part := range []struct {
		name string
		do   func(context.Context) error
		say  string
	}{
		{"adopt limits", s.adopt, "limits: lena, scientist of the demo, adopts the shipped starter set for this demo only; a laboratory adopts its own"},
		{"declare the islands", s.declare, "two island clinics, a ferry, a van and a laboratory on the mainland are declared"},
		{"place requests", s.order, "requests are placed"},
		{"write who waits to be drawn", s.wait, fmt.Sprintf("%d patients wait in the clinics to be drawn: see Bedside", len(waiting))},
		{"send temperatures", s.measure, "temperatures of the last five hours are in; one logger stopped on the way"},
		{"replay the last hours", s.replay, fmt.Sprintf("%d tubes are on their way or have arrived: %s to %s", len(Tubes()), tubeID(1), tubeID(len(Tubes())))},
	} {
		if err := part.do(ctx); err != nil {
			return fmt.Errorf("demo: %s: %w", part.name, err)
		}
		progress(part.say)
	}
	return nil
}

// seeding tells the scenario once.
type seeding struct {
	clients
	now  time.Time // in the scenario's zone
	bare bool      // no logger is there
	day  []told
}

// instant is so many minutes and seconds from now; before it they are negative.
func (s *seeding) instant(minute, second int) time.Time {
	return s.now.Add(time.Duration(minute)*time.Minute + time.Duration(second)*time.Second)
}

// at is instant as the API wants it.
func (s *seeding) at(minute, second int) string { return stamp(s.instant(minute, second)) }

func stamp(t time.Time) string { return t.Format(time.RFC3339Nano) }

func (s *seeding) adopt(ctx context.Context) error {
	// Who adopts must be known first, as a scientist.
	if err := s.people(ctx); err != nil {
		return err
	}
	file, err := islandsLimits()
	if err != nil {
		return err
	}
	_, err = s.rules.AdoptRules(ctx, &stabilityv1.AdoptRulesRequest{By: lena, InForce: s.at(-24*60, 0), Id: "demo-adopt", File: file})
	return err
}

// volumes are the sizes of tube that the islands draw, in mL: invented, since they are each
// laboratory's own data.
var volumes = map[string]string{
	"LIHEP": "4", "LIHEP-GEL": "4.5", "SERUM": "6", "SERUM-GEL": "5", "EDTA": "2.7", "CITRATE": "3", "FLUORIDE": "2", "ESR-CITRATE": "2", "SYRINGE": "2", "BLOOD-CULTURE": "10",
}

// islandsLimits is the shipped set with these volumes.
func islandsLimits() (string, error) {
	_, data, err := library.Starter()
	if err != nil {
		return "", err
	}
	text := strings.Replace(string(data), "{name: starter,", "{name: starter of the islands,", 1)
	for code, ml := range volumes {
		text = strings.Replace(text, "{code: "+code+", name: ", "{code: "+code+", volume: "+ml+" mL, name: ", 1)
	}
	return text, nil
}

func (s *seeding) order(ctx context.Context) error {
	for _, d := range draws {
		req := &custodyv1.PlaceRequestRequest{
			Id: d.request(), Patient: d.patient, Priority: d.priority, Conditions: d.conditions, Destination: reception,
			Irreplaceable: d.irreplaceable, By: author, OccurredAt: s.at(d.at-60, 0), ScanId: "demo-" + d.request(),
		}
		if d.priority == "" {
			req.Priority = "routine"
		}
		for _, t := range d.tubes {
			req.Tubes = append(req.Tubes, &custodyv1.AssignedTube{Tube: tubeID(t.number), Type: t.kind, Tests: t.list()})
			for _, test := range t.list() {
				if !slices.Contains(req.Tests, test) {
					req.Tests = append(req.Tests, test)
				}
			}
		}
		if len(req.Tests) == 0 {
			continue // nobody told what to test
		}
		if _, err := s.requests.PlaceRequest(ctx, req); err != nil {
			return fmt.Errorf("request %s: %w", req.Id, err)
		}
	}
	return nil
}

func (s *seeding) measure(ctx context.Context) error {
	if s.bare {
		return nil
	}
	req := &custodyv1.RecordReadingsRequest{}
	for _, l := range loggers {
		run := &custodyv1.Readings{Logger: l.id, Id: "demo-" + l.id}
		for minute := attachedAt; minute <= l.until; minute += everyMinutes {
			text := celsius(l.at(minute) + wobble(minute))
			run.Readings = append(run.Readings, &custodyv1.Reading{At: s.at(minute, 0), Celsius: &text})
		}
		req.Runs = append(req.Runs, run)
	}
	_, err := s.scans.RecordReadings(ctx, req)
	return err
}

// send records what was gathered, in batches.
func (c clients) send(ctx context.Context, scans []*custodyv1.Scan) error {
	for len(scans) > 0 {
		n := min(len(scans), longestBatch)
		resp, err := c.scans.RecordScans(ctx, &custodyv1.RecordScansRequest{Scans: scans[:n]})
		if err != nil {
			return err
		}
		for i, a := range resp.GetAnswers() {
			if a.GetAnswer() != string(event.AnswerRecorded) && a.GetAnswer() != string(event.AnswerRepeated) {
				return &answerError{scan: scans[i], answer: a}
			}
		}
		scans = scans[n:]
	}
	return nil
}

// answerError is a scan that was not recorded.
type answerError struct {
	scan   *custodyv1.Scan
	answer *custodyv1.ScanAnswer
}

// Error implements error.
func (e *answerError) Error() string {
	return fmt.Sprintf("%s %s (%s): answered %s %s: %s", e.scan.GetStep(), e.scan.GetLabel().GetText(), e.scan.GetId(),
		e.answer.GetAnswer(), e.answer.GetRefusal(), e.answer.GetSay())
}
