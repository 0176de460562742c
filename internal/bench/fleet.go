package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
)

// fleetMark stands behind the names of a fleet on a log that has had another one. It is
// set before a fleet is declared.
var fleetMark string

func boxOf(box int) string     { return fmt.Sprintf("BOX%d%s", box, fleetMark) }
func loggerOf(box int) string  { return fmt.Sprintf("LOG%d%s", box, fleetMark) }
func tubeOf(box, i int) string { return fmt.Sprintf("F%d-%d%s", box, i, fleetMark) }

// fleet declares the loggers, boxes and tubes of a trial.
func (p *product) fleet(ctx context.Context) error {
	const hands = 32
	errs := make([]error, hands)
	var wg sync.WaitGroup
	for h := range hands {
		wg.Go(func() {
			for box := h; box < loggers && errs[h] == nil; box += hands {
				errs[h] = p.box(ctx, box)
			}
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		return err
	}
	return p.model.Settled(ctx, p.model.At())
}

// box puts a logger and tubes of ten minutes ago into a box, all within limits.
func (p *product) box(ctx context.Context, box int) error {
	if err := p.write(ctx, target(event.KindLogger, loggerOf(box)), event.LoggerDescribed{EveryMs: 60_000, HoldMs: -1}); err != nil {
		return err
	}
	past := event.Run{Logger: key(loggerOf(box)), ID: id()}
	for at := clock().Add(-15 * time.Minute); at < clock(); at = at.Add(time.Minute) {
		past.Readings = append(past.Readings, event.Reading{At: at, C: comfortable, OK: true})
	}
	if _, err := p.desk.Readings(ctx, []event.Run{past}); err != nil {
		return err
	}
	attach := fleetScan("attach", loggerOf(box), clock().Add(-14*time.Minute), box)
	attach.Kind, attach.Carrier = event.KindLogger, boxOf(box)
	todo := []intake.Scan{attach}
	for i := range tubesInBox {
		collect := fleetScan("collect", tubeOf(box, i), clock().Add(-10*time.Minute), box)
		collect.Type, collect.Tests = "LIHEP", []string{"K", "NA"}
		pack := fleetScan("pack", tubeOf(box, i), clock().Add(-10*time.Minute+time.Second), box)
		pack.Carrier = boxOf(box)
		todo = append(todo, collect, pack)
	}
	for _, s := range todo {
		if _, err := p.record(ctx, s); err != nil {
			return err
		}
	}
	return nil
}

func fleetScan(step, label string, at event.Instant, device int) intake.Scan {
	return intake.Scan{ID: id(), Label: label, Step: step, Kind: event.KindTube, DeviceTime: at, HasClock: true, UncertaintyMs: 40,
		Device: fmt.Sprintf("PHONE-%d", device), Place: "CLINIC", By: "mira", Mode: event.Reported}
}

func (p *product) see(ctx context.Context, tube string, scanner, n int) error {
	s := fleetScan("see", tube, clock(), 1000+scanner)
	s.DeviceSeq = int64(n + 1)
	_, err := p.record(ctx, s)
	return err
}

func (p *product) reading(ctx context.Context, r event.Run) error {
	_, err := p.desk.Readings(ctx, []event.Run{r})
	return err
}
