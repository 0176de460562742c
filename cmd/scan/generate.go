package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/story"
)

// storyTubes bounds --story: a story holds the whole day and is there to be read.
const storyTubes = 5_000

// generated are the settings of a generated day.
type generated struct {
	on      bool
	seed    uint64
	tubes   int
	often   int
	day     string
	boxes   int
	places  bool
	answers string
	story   string
}

func (g *generated) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.BoolVar(&g.on, "generate", false, "make a day from a seed and play it, instead of stories")
	f.Uint64Var(&g.seed, "seed", 1, "seed of the generated day")
	f.IntVar(&g.tubes, "tubes", 1_000, fmt.Sprintf("tubes of the generated day, %d to %d", rehearsal.FewestTubes, rehearsal.MostTubes))
	f.IntVar(&g.often, "often", 1, fmt.Sprintf("make every mistake this many times as often, up to %d", rehearsal.MostOften))
	f.IntVar(&g.boxes, "box-loggers", 100, "boxes in a hundred that have a logger of their own, 0 to 100")
	f.BoolVar(&g.places, "place-loggers", false, "loggers in rooms, fridges, vans and ferries too, which send over the air")
	f.StringVar(&g.day, "day", "2026-11-24", "date of the generated day")
	f.StringVar(&g.answers, "answers", "", "write the planted mistakes and the end of each tube into this file, one JSON object a line")
	f.StringVar(&g.story, "story", "", fmt.Sprintf("write the day as a story into this new file, and its limits beside it, and don't play it; up to %d tubes", storyTubes))
}

// check is the argument check of the command: stories or --generate.
func (g *generated) check(cmd *cobra.Command, args []string) error {
	if !g.on {
		for _, flag := range []string{"seed", "tubes", "often", "day", "box-loggers", "place-loggers", "answers", "story"} {
			if cmd.Flags().Changed(flag) {
				return usagef("--%s is for a generated day; add --generate", flag)
			}
		}
		return some("at least one story, for example: scan rehearse warm-van.story")(cmd, args)
	}
	switch {
	case len(args) > 0:
		return usagef("--generate plays no stories; leave %s out", args[0])
	case g.often < 1:
		return usagef("--often %d is below 1; give 1 to %d", g.often, rehearsal.MostOften)
	case g.boxes < 0 || g.boxes > 100:
		return usagef("--box-loggers %d is outside 0 to 100; give boxes in a hundred", g.boxes)
	case g.story != "" && g.tubes > storyTubes:
		return usagef("--story is for days of up to %d tubes; --tubes says %d", storyTubes, g.tubes)
	case g.story != "" && g.answers != "":
		return usagef("--story has the answers as remarks; leave --answers out")
	}
	if _, err := g.plan(); err != nil {
		return usagef("--%v", err)
	}
	return nil
}

func (g *generated) plan() (rehearsal.Day, error) {
	day, err := time.Parse(time.DateOnly, g.day)
	if err != nil {
		return rehearsal.Day{}, fmt.Errorf("day: %q is no date; write for example 2026-11-24", g.day)
	}
	boxes := g.boxes
	if boxes == 0 {
		boxes = rehearsal.NoBoxLogger
	}
	return rehearsal.Plan(rehearsal.Settings{Seed: g.seed, Tubes: g.tubes, Often: g.often, Day: event.At(day), BoxLoggers: boxes, Places: g.places})
}

// playDay plays a generated day. Mistakes that were not noticed are what one wants
// to know, not a failure.
func (t *tool) playDay(ctx context.Context, g *generated, newBench func(context.Context) (story.Bench, func() error, error)) (err error) {
	day, err := g.plan()
	if err != nil {
		return err
	}
	_, limits, err := library.Starter()
	if err != nil {
		return err
	}
	if g.story != "" {
		return t.writeDay(day, g.story, limits)
	}
	for _, a := range day.Assumptions() {
		if _, err := fmt.Fprintf(t.out, "%s: %s (%s)\n", a.What, a.Value, a.Source); err != nil {
			return err
		}
	}
	var answers io.Writer
	if g.answers != "" {
		file, err := os.Create(g.answers)
		if err != nil {
			return coded{exitUsage, fmt.Errorf("--answers: %w", err)}
		}
		defer func() { err = errors.Join(err, file.Close()) }()
		answers = file
	}
	bench, end, err := newBench(ctx)
	if err != nil {
		return fmt.Errorf("open a bench: %w", err)
	}
	defer func() {
		if failed := end(); failed != nil {
			err = errors.Join(err, fmt.Errorf("close the bench: %w", failed))
		}
	}()
	outcome, err := rehearse.Day(ctx, day, bench, limits, answers, t.progress(g.tubes))
	if _, printed := fmt.Fprint(t.out, "\n"+outcome.Table()); printed != nil {
		err = errors.Join(err, printed)
	}
	return err
}

// writeDay writes a day as a story and the limits that it adopts beside it.
func (t *tool) writeDay(day rehearsal.Day, path string, limits []byte) error {
	rules := path + ".yaml"
	s, err := day.Story(filepath.Base(rules))
	if err != nil {
		return err
	}
	var head bytes.Buffer
	for _, a := range day.Assumptions() {
		fmt.Fprintf(&head, "# %s: %s (%s)\n", a.What, a.Value, a.Source)
	}
	for _, file := range []struct {
		path string
		text []byte
	}{{rules, limits}, {path, append(head.Bytes(), story.Format(s)...)}} {
		if err := writeNew(file.path, file.text); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintf(t.out, "%s\n%s\n", path, rules)
	return err
}

// Progress is told this often on a terminal, and by a plain line for every tenth of
// the tubes elsewhere.
const tellsEvery = 200 * time.Millisecond

// progress tells how many tubes are done, beside the output of the command.
func (t *tool) progress(total int) func(done int) {
	if terminal(t.errs) {
		var last time.Time
		return func(done int) {
			if now := time.Now(); done == total || now.Sub(last) >= tellsEvery {
				last = now
				end := "\r"
				if done == total {
					end = "\n"
				}
				_, _ = fmt.Fprintf(t.errs, "%d / %d tubes%s", done, total, end)
			}
		}
	}
	tenth := max(total/10, 1)
	return func(done int) {
		if done%tenth == 0 || done == total {
			_, _ = fmt.Fprintf(t.errs, "%d / %d tubes\n", done, total)
		}
	}
}

// terminal tells a screen from a file or a pipe.
func terminal(w io.Writer) bool {
	file, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&fs.ModeCharDevice != 0
}
