package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"specimen.example/custody/internal/app/rehearse"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

func (t *tool) readingsCommand() *cobra.Command {
	req := &custodyv1.ImportReadingsRequest{}
	var sync []string
	cmd := &cobra.Command{
		Use:   "readings FILE",
		Short: "Send the file of a temperature logger",
		Long: `Send the file of a temperature logger: columns of times and temperatures as its
program exports them. The server says how it understood the file. What the file
leaves open is asked; nothing counts before it is answered with the options below,
and the answers are remembered for this logger's next file. --dry-run only shows
how the file would be understood.

The logger is named by --logger, else by the file: LG-1.csv is of LG-1. FILE may be
- for standard input.`,
		Example: `  scan readings LG-1.csv --dry-run
  scan readings export.csv --logger LG-1 --zone Europe/Berlin --date-order day-first`,
		Args: exactly(1, "one file, for example: scan readings LG-1.csv"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return t.readings(cmd.Context(), args[0], req, sync)
		},
	}
	f := cmd.Flags()
	f.StringVar(&req.Logger, "logger", "", "logger that the values are of")
	f.BoolVar(&req.DryRun, "dry-run", false, "show how the file would be understood, but store nothing")
	f.StringVar(&req.By, "by", "", "who sends it")
	f.StringVar(&req.Zone, "zone", "", "zone of its times: Europe/Berlin or +01:00")
	f.StringVar(&req.DateOrder, "date-order", "", "day-first, month-first or year-first")
	f.StringVar(&req.Unit, "unit", "", "C, F or K")
	f.StringVar(&req.Delimiter, "delimiter", "", "comma, semicolon, tab or bar")
	f.StringVar(&req.Decimal, "decimal", "", "point or comma")
	f.Int32Var(&req.TimeColumn, "time-column", 0, "column of the time, or of the date, from 1")
	f.Int32Var(&req.ClockColumn, "clock-column", 0, "column of the time of day, if it has its own")
	f.Int32Var(&req.TemperatureColumn, "temperature-column", 0, "column of the temperature, from 1")
	f.StringSliceVar(&req.Faults, "fault", nil, "a value that means no reading on this logger")
	f.StringVar(&req.DoubledHour, "doubled-hour", "", "first, second or in-turn, where clocks showed a time twice")
	f.StringArrayVar(&sync, "sync", nil, "LOGGER-TIME=TRUE-TIME: what its clock showed beside a true one; up to two")
	f.StringVar(&req.Carrier, "carrier", "", "box whose tubes it is for: readings outside their time are pointed out")
	f.BoolVar(&req.Forget, "forget", false, "don't use how an earlier file of this logger was understood")
	return cmd
}

func (t *tool) readings(ctx context.Context, file string, req *custodyv1.ImportReadingsRequest, sync []string) error {
	if req.Logger == "" {
		if file == "-" {
			return usagef("say which logger it is: --logger LG-1")
		}
		req.Logger = strings.TrimSuffix(filepath.Base(file), filepath.Ext(file))
	}
	for _, s := range sync {
		shown, real, ok := strings.Cut(s, "=")
		if !ok {
			return usagef("--sync %q is no pair of times; write --sync 2026-11-24T08:00:10+01:00=2026-11-24T08:00:00+01:00", s)
		}
		req.Sync = append(req.Sync, &custodyv1.ClockSighting{Logger: shown, TrueTime: real})
	}
	var err error
	if req.File, err = t.read(file); err != nil {
		return err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return fmt.Errorf("make an id: %w", err)
	}
	req.Id, req.Name = id.String(), filepath.Base(file)
	conn, err := t.dial()
	if err != nil {
		return err
	}
	ctx, cancel := t.within(ctx)
	defer cancel()
	resp, err := custodyv1.NewScansClient(conn).ImportReadings(ctx, req)
	if err != nil {
		return rehearse.Plain(err)
	}
	if t.json {
		if err := t.line(resp); err != nil {
			return err
		}
		return ofImport(resp, req.DryRun)
	}
	p := &page{}
	importPage(p, req.Logger, resp)
	if err := t.print(p); err != nil {
		return err
	}
	return ofImport(resp, req.DryRun)
}

// ofImport is the exit code of an import: 1 while the file does not count.
func ofImport(r *custodyv1.ImportReadingsResponse, dryRun bool) error {
	open := len(r.Questions) > 0 || r.Counts.GetValues()+r.Counts.GetFaults() == 0
	if r.Known || r.Stored > 0 || dryRun && !open {
		return nil
	}
	return told(exitRefused)
}

// importPage shows how a file was understood, what is asked, and what became of it.
func importPage(p *page, logger string, r *custodyv1.ImportReadingsResponse) {
	p.linef("%s: %s", logger, r.Say)
	var rows [][]string
	for _, d := range r.Understood {
		rows = append(rows, []string{d.Field, d.Value, d.Why})
	}
	p.table("  ", rows)
	for _, q := range r.Questions {
		p.linef("? %s: %s", q.Field, q.Text)
		if q.Why != "" {
			p.linef("    %s", q.Why)
		}
		if len(q.Samples) > 0 {
			p.linef("    for example %s", strings.Join(q.Samples, "; "))
		}
		for _, c := range q.Choices {
			p.linef("    %s   %s", choiceOption(q.Field, c.Value), choiceText(c))
		}
	}
	const most = 20
	for i, m := range r.Mistakes {
		if i == most {
			p.linef("! and %d more", len(r.Mistakes)-most)
			break
		}
		p.linef("! %s", mistakeText(m))
	}
	if c := r.Counts; c.GetValues()+c.GetFaults() > 0 {
		p.linef("  %d rows: %d values, %d without one, %d twice, %d that disagree, %d unreadable", c.Rows, c.Values, c.Faults+c.Empty, c.Duplicates, c.Conflicting, c.Unreadable)
		p.linef("  from %s to %s, every %s, %s to %s °C", momentOf(c.First).full(), momentOf(c.Last).full(), time.Duration(c.EveryMs)*time.Millisecond, c.Lowest, c.Highest)
	}
	for i, g := range r.Gaps {
		if i == most {
			p.linef("  and %d more gaps", int(r.Counts.GetGaps())-most)
			break
		}
		p.linef("  gap: nothing from %s to %s", momentOf(g.From).full(), momentOf(g.To).full())
	}
	for _, n := range r.Notes {
		p.linef("  note: %s", n)
	}
	if r.Fact != "" && !r.Known {
		p.linef("  to take it back: scan record void %s --detail scan=%s --reason explained --by NAME", logger, r.Fact)
	}
}

// choiceOption is the option that gives an answer. Date and time of day in two
// columns are said as "1+2".
func choiceOption(field, value string) string {
	if date, clock, both := strings.Cut(value, "+"); field == "time-column" && both {
		return "--time-column " + date + " --clock-column " + clock
	}
	return "--" + field + " " + value
}

func choiceText(c *custodyv1.ImportChoice) string {
	text := c.Text
	if c.First != "" {
		text += ": " + momentOf(c.First).full() + " to " + momentOf(c.Last).full()
	}
	if c.Outside {
		text += " (outside the time of its tubes)"
	}
	if c.Implausible {
		text += " (hardly possible)"
	}
	return text
}

func mistakeText(m *custodyv1.ImportMistake) string {
	where := ""
	if m.Line > 0 {
		where = fmt.Sprintf("line %d: ", m.Line)
		if m.Column > 0 {
			where = fmt.Sprintf("line %d, column %d: ", m.Line, m.Column)
		}
	}
	return where + m.Field + ": " + m.Problem + "; " + m.Remedy
}

// read gives a file's bytes; - is standard input. A file that isn't there is a
// mistake of the command line.
func (t *tool) read(file string) ([]byte, error) {
	if file == "-" {
		data, err := io.ReadAll(t.in)
		if err != nil {
			return nil, fmt.Errorf("read standard input: %w", err)
		}
		return data, nil
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, coded{exitUsage, err}
	}
	return data, nil
}
