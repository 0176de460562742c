package main

import (
	"context"
	"errors"
	"io/fs"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/story"
)

// memoryBench opens a daemon of its own in this process, with a steered clock and
// a log in memory, and gives a bench over it and how to end it.
var memoryBench = func(ctx context.Context) (story.Bench, func() error, error) {
	memory, err := app.Memory(ctx)
	if err != nil {
		return nil, nil, err
	}
	restart := func(ctx context.Context) (grpc.ClientConnInterface, error) {
		if err := memory.Restart(ctx); err != nil {
			return nil, err
		}
		return memory.Conn(), nil
	}
	return rehearse.New(memory.Conn(), rehearse.WithContext(ctx), rehearse.WithRestart(restart)), memory.Close, nil
}

func (t *tool) rehearseCommand() *cobra.Command {
	var g generated
	cmd := &cobra.Command{
		Use:   "rehearse FILE... | rehearse --generate",
		Short: "Play stories and tell which expectations fail, or play a generated day",
		Long: `Play story files on a clock of their own and tell each expectation that fails,
with file and line. Rule files are looked for beside the story.

With --generate, a day of a laboratory group is made from a seed and played: what
it assumes is told first, then how many of the planted mistakes the product
noticed, and what it raised without one. The same seed and number of tubes make
the same day. The starter limits are adopted for it.

Stories are played in memory and touch no server. With --server, one story or
day is played against a daemon; it must be fresh and have been started with
--clock steered. The variable ` + serverVariable + ` doesn't count here.`,
		Example: `  scan rehearse testdata/stories/*.story
  scan rehearse --server http://127.0.0.1:8081 warm-van.story
  scan rehearse --generate --seed 7 --tubes 1000 --answers day-7.jsonl`,
		Args: func(cmd *cobra.Command, args []string) error { return g.check(cmd, args) },
		RunE: func(cmd *cobra.Command, args []string) error {
			bench := memoryBench
			if cmd.Flags().Changed("server") {
				if len(args) > 1 {
					return usagef("--server plays one story at a time, each on a fresh daemon; %d are given", len(args))
				}
				bench = t.serverBench
			}
			if g.on {
				return t.playDay(cmd.Context(), &g, bench)
			}
			return t.rehearse(cmd.Context(), args, bench)
		},
	}
	g.flags(cmd)
	return cmd
}

func (t *tool) serverBench(ctx context.Context) (story.Bench, func() error, error) {
	conn, err := t.dial()
	if err != nil {
		return nil, nil, err
	}
	return rehearse.New(conn, rehearse.WithContext(ctx)), func() error { return nil }, nil
}

func (t *tool) rehearse(ctx context.Context, files []string, bench func(context.Context) (story.Bench, func() error, error)) error {
	_, failed, err := rehearse.Run(ctx, files, bench, t.out)
	if errors.Is(err, fs.ErrNotExist) {
		return coded{exitUsage, err}
	}
	if err == nil && failed > 0 {
		return told(exitRefused)
	}
	return err
}
