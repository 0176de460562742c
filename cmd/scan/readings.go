package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

func (t *tool) readingsCommand() *cobra.Command {
	logger, dryRun := "", false
	cmd := &cobra.Command{
		Use:   "readings FILE",
		Short: "Send the temperatures of a logger from a file",
		Long: `Send the temperatures of one logger. The file has one value a line: a time with
its offset and degrees Celsius, with a comma between; a first line with the names
of the columns may stand above. An empty value or - is no reading, which is not 0
degrees. FILE may be - for standard input.

The logger is named by --logger, else by the file: LG-1.csv is of LG-1.`,
		Example: `  scan readings LG-1.csv --dry-run
  scan readings export.csv --logger LG-1`,
		Args: exactly(1, "one file, for example: scan readings LG-1.csv"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return t.readings(cmd.Context(), args[0], logger, dryRun)
		},
	}
	cmd.Flags().StringVar(&logger, "logger", "", "logger that the values are of")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "read the file and say what is in it, but send nothing")
	return cmd
}

func (t *tool) readings(ctx context.Context, file, logger string, dryRun bool) error {
	if logger == "" {
		if file == "-" {
			return usagef("say which logger it is: --logger LG-1")
		}
		logger = strings.TrimSuffix(filepath.Base(file), filepath.Ext(file))
	}
	data, err := t.read(file)
	if err != nil {
		return err
	}
	readings, err := rehearse.ReadingsFile(file, data, nil)
	if err != nil {
		return err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return fmt.Errorf("make an id: %w", err)
	}
	total := &custodyv1.RecordReadingsResponse{}
	if !dryRun {
		if total, err = t.sendReadings(ctx, rehearse.Runs(logger, id.String(), readings)); err != nil {
			return err
		}
	}
	if t.json {
		return t.line(total) // a dry run stored none
	}
	p := &page{}
	p.linef("%s: %s", logger, summary(readings))
	if dryRun {
		p.linef("nothing was sent (--dry-run)")
	} else {
		p.linef("stored %d, of them %d a logger's sign for no reading", total.Stored, total.Faults)
	}
	return t.print(p)
}

func (t *tool) sendReadings(ctx context.Context, runs []*custodyv1.Readings) (*custodyv1.RecordReadingsResponse, error) {
	conn, err := t.dial()
	if err != nil {
		return nil, err
	}
	client := custodyv1.NewScansClient(conn)
	total := &custodyv1.RecordReadingsResponse{}
	for _, run := range runs {
		ctx, cancel := t.within(ctx)
		resp, err := client.RecordReadings(ctx, &custodyv1.RecordReadingsRequest{Runs: []*custodyv1.Readings{run}})
		cancel()
		if err != nil {
			return nil, rehearse.Plain(err)
		}
		total.Stored += resp.Stored
		total.Faults += resp.Faults
		total.Sequence = max(total.Sequence, resp.Sequence)
	}
	return total, nil
}

func summary(readings []event.Reading) string {
	none := 0
	for _, r := range readings {
		if !r.OK {
			none++
		}
	}
	text := fmt.Sprintf("%d readings from %s to %s", len(readings), readings[0].At, readings[len(readings)-1].At)
	if none > 0 {
		text += fmt.Sprintf(", of them %d without a value", none)
	}
	return text
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
