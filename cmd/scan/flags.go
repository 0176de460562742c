package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

func (t *tool) flagsCommand() *cobra.Command {
	req := &stabilityv1.ListFlagsRequest{}
	follow := false
	cmd := &cobra.Command{
		Use:   "flags",
		Short: "List the tubes that need somebody, worst first",
		Long: `List the flags that are up, worst first. With --follow, go on and print every
change until interrupted; a lost connection is taken up again where it broke.`,
		Example: `  scan flags --place LAB
  scan flags --follow --json`,
		Args: exactly(0, "no argument; --place and --state narrow the list"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if follow && req.State != "" {
				return usagef("--follow shows flags in every state; leave --state out")
			}
			if follow {
				return t.follow(cmd.Context(), req.Place)
			}
			return t.flags(cmd.Context(), req)
		},
	}
	cmd.Flags().StringVar(&req.Place, "place", "", "only tubes at or on their way to this place")
	cmd.Flags().StringVar(&req.State, "state", "", "only flags in this state: open, taken, acted, overridden or aside")
	cmd.Flags().BoolVar(&follow, "follow", false, "go on with every change")
	return cmd
}

func (t *tool) flags(ctx context.Context, req *stabilityv1.ListFlagsRequest) error {
	conn, err := t.dial()
	if err != nil {
		return err
	}
	ctx, cancel := t.within(ctx)
	defer cancel()
	list, err := stabilityv1.NewFlagsClient(conn).ListFlags(ctx, req)
	if err != nil {
		return rehearse.Plain(err)
	}
	p := &page{}
	for _, f := range list.Flags {
		if t.json {
			if err := t.line(f); err != nil {
				return err
			}
			continue
		}
		p.flagged(f)
	}
	if !t.json && len(list.Flags) == 0 {
		p.linef("no flag is up")
	}
	return t.print(p)
}

// flagged prints one flag: what to do first, then why. The list has no instant
// of its own, so times carry their day.
func (p *page) flagged(f *stabilityv1.Flag) {
	var now moment
	p.linef("%s  %s, with %s", f.Tube, flagText(f, now), whereabouts(f.Holder, f.Place, f.Carriers))
	for _, test := range f.Tests {
		text := words(test.Verdict)
		if len(test.Reasons) > 0 {
			text += " (" + wordList(test.Reasons) + ")"
		}
		if test.Outlook == string(event.RunningOut) {
			text += ", running out"
		}
		if test.LimitMs > 0 {
			text += ", used " + span(test.UsedMs) + " of " + span(test.LimitMs)
		}
		p.linef("    %s: %s", test.Assay, text)
		p.rule("        ", test.Rule)
	}
}

// follow prints changes until the context ends. Between two breaks it waits; when
// it can't come back within --timeout it gives up.
func (t *tool) follow(ctx context.Context, place string) error {
	conn, err := t.dial()
	if err != nil {
		return err
	}
	client := stabilityv1.NewFlagsClient(conn)
	after, since := uint64(0), time.Now()
	for {
		heard, err := t.watch(ctx, client, &stabilityv1.WatchFlagsRequest{Place: place, After: after})
		if ctx.Err() != nil {
			return nil // interrupted by the person: this is how it ends
		}
		if err != nil && !lost(err) {
			return rehearse.Plain(err)
		}
		if heard > 0 {
			after, since = heard, time.Now()
			t.sayf("connection lost; trying again")
		}
		if time.Since(since) > t.timeout {
			return cmp.Or(err, errEnded)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// errEnded is a server that ends the stream again and again without a reason.
var errEnded = status.Error(codes.Unavailable, "the server ended the list of changes")

// watch prints one stream's changes and gives the last sequence it heard.
func (t *tool) watch(ctx context.Context, client stabilityv1.FlagsClient, req *stabilityv1.WatchFlagsRequest) (heard uint64, err error) {
	stream, err := client.WatchFlags(ctx, req)
	if err != nil {
		return 0, err
	}
	for {
		change, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return heard, nil
		}
		if err != nil {
			return heard, err
		}
		heard = max(heard, change.Sequence)
		if err := t.change(change); err != nil {
			return heard, err
		}
	}
}

func (t *tool) change(c *stabilityv1.FlagChange) error {
	if t.json {
		return t.line(c)
	}
	p := &page{}
	switch f := c.Flag; {
	case c.Change == "beat":
	case c.Change == "reset":
		p.linef("the list begins anew")
	case f == nil:
		p.linef("%s", words(c.Change))
	case c.Change == "down":
		p.linef("%s  the flag is down", f.Tube)
	default:
		p.flagged(f)
	}
	return t.print(p)
}

func (t *tool) takeFlagCommand() *cobra.Command {
	req := &stabilityv1.TakeFlagRequest{}
	cmd := &cobra.Command{
		Use:     "take-flag ID",
		Short:   "Say who looks after a flagged tube",
		Long:    "Say who looks after a flagged tube, so that others needn't.",
		Example: "  scan take-flag TB260301 --by lena",
		Args:    exactly(1, "one tube, for example: scan take-flag TB260301 --by lena"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if strings.TrimSpace(req.By) == "" {
				return usagef("say who takes it: --by lena")
			}
			req.Tube = args[0]
			return t.takeFlag(cmd.Context(), req)
		},
	}
	cmd.Flags().StringVar(&req.By, "by", "", "who looks after it")
	cmd.Flags().Int64Var(&req.Episode, "episode", 0, "number of the flag's episode (the open one)")
	return cmd
}

func (t *tool) takeFlag(ctx context.Context, req *stabilityv1.TakeFlagRequest) error {
	id, err := uuid.NewV7()
	if err != nil {
		return fmt.Errorf("make an id: %w", err)
	}
	req.Id = id.String()
	conn, err := t.dial()
	if err != nil {
		return err
	}
	ctx, cancel := t.within(ctx)
	defer cancel()
	answer, err := stabilityv1.NewFlagsClient(conn).TakeFlag(ctx, req)
	if err != nil {
		return unknown("tube", req.Tube, err)
	}
	if t.json {
		if err := t.line(answer); err != nil {
			return err
		}
	} else {
		p := &page{}
		text := words(answer.Answer)
		if answer.Refusal != "" {
			text += ": " + words(answer.Refusal)
		}
		p.table("", [][]string{{req.Tube, text, answer.Say}})
		if err := t.print(p); err != nil {
			return err
		}
	}
	return ofAnswer(answer.Answer)
}

// ofAnswer gives the exit code of an answer.
func ofAnswer(answer string) error {
	switch event.Answer(answer) {
	case event.AnswerRecorded, event.AnswerRepeated:
		return nil
	case event.AnswerNotSaved:
		return told(exitUnsaved)
	default:
		return told(exitRefused)
	}
}
