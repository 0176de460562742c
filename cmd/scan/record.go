package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// clientName names this client in the log.
const clientName = "scan"

// savingAfter is how long a person waits before being told that it goes on.
// tryFor bounds one try: a server that is gone without a word is asked again, with
// the same id. recordFor is how long a scan is tried unless --timeout says
// otherwise: longer than a cluster needs to put another server in the place of one
// that was lost, which is ten seconds at most.
const (
	savingAfter = time.Second
	tryFor      = 6 * time.Second
	recordFor   = 30 * time.Second
)

// recording is what the flags of record say for every label.
type recording struct {
	scan     *custodyv1.Scan
	at       string
	carrier  string
	occurred string
	details  []string
	id       string
}

func (t *tool) recordCommand() *cobra.Command {
	r := &recording{scan: &custodyv1.Scan{App: clientName}}
	cmd := &cobra.Command{
		Use:   "record STEP [LABEL...]",
		Short: "Record what was done with tubes, boxes or a wristband",
		Long: `Record one step for each label: from the command line, or one a line from
standard input as a scanner sends them. What wristband takes is the number on the
band; start-draw and end-draw take the number of a draw, or none.

A step is live unless --occurred is given: then it happened already and is
recorded as reported, which is never stopped; --mode says otherwise. While the
server can't save, the same scan is sent again until --timeout, 30 s unless said
otherwise, and "saving…" tells how long it has taken.

Steps: ` + strings.Join(event.Steps(), " "),
		Example: `  scan record collect TB260301 TB260302 --by mira --at WARD-N
  scan record take B-3 --by oskar --from mira --at VAN
  scan record attest TB260301 --by mira --detail handling=on-ice
  scan record receive --by lena --at LAB --json < labels.txt`,
		Args: some("a step, for example: scan record receive TB260301 --by lena --at LAB"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("timeout") {
				t.timeout = recordFor
			}
			return t.record(cmd.Context(), r, args[0], args[1:])
		},
		ValidArgsFunction: func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			if len(args) > 0 {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			return event.Steps(), cobra.ShellCompDirectiveNoFileComp
		},
	}
	f := cmd.Flags()
	s := r.scan
	f.StringVar(&r.at, "at", "", "place where it is done; the same as --place")
	f.StringVar(&s.Place, "place", "", "place where it is done")
	f.StringVar(&s.By, "by", "", "who does it")
	f.StringVar(&s.With, "with", "", "second person")
	f.StringVar(&s.From, "from", "", "who or where it comes from")
	f.StringVar(&s.To, "to", "", "who or where it goes to")
	f.StringVar(&r.occurred, "occurred", "", "when it happened, with an offset: 2026-11-24T08:00:00+01:00 (now)")
	f.StringVar(&s.Device, "device", "", "device it is scanned with")
	f.StringVar(&s.Carrier, "carrier", "", "rack, bag or box it goes into or out of")
	f.StringVar(&r.carrier, "in", "", "the same as --carrier")
	f.StringVar(&s.Draw, "draw", "", "draw it belongs to")
	f.StringVar(&s.Patient, "patient", "", "number on the wristband or request")
	f.StringVar(&s.Request, "request", "", "request it belongs to")
	f.StringVar(&s.Type, "type", "", "tube type of the laboratory's catalogue")
	f.StringVar(&s.Parent, "parent", "", "tube that an aliquot or a new label comes from")
	f.StringSliceVar(&s.Tests, "tests", nil, "tests, with commas between")
	f.StringVar(&s.Reason, "reason", "", "word of the reason list, or free text")
	f.StringVar(&s.TypedAt, "typed", "", "a time that a person typed, with an offset or local to the place")
	f.StringVar(&s.How, "how", "", "how the label was read: camera, reader or typed")
	f.StringVar(&s.Ward, "ward", "", "ward that gave out the number, where wards do so each for itself")
	f.StringVar(&s.Mode, "mode", "", "live (may be stopped) or reported (happened already)")
	f.StringArrayVar(&r.details, "detail", nil, "a key of the step's own, as key=value; may be repeated")
	f.StringVar(&r.id, "id", "", "id of the scan, to send the same scan again; for one label")
	return cmd
}

// understand checks the command line as far as it can be without a server.
func (r *recording) understand(step string, labels []string, now time.Time) error {
	s := r.scan
	if !slices.Contains(event.Steps(), step) {
		return usagef("%q is no step; write one of: %s", step, strings.Join(event.Steps(), " "))
	}
	s.Step = step
	if _, err := readTime(r.at); r.at != "" && err == nil {
		return usagef("--at names a place; write --occurred %s for a time", r.at)
	}
	for _, twin := range []struct {
		names        string
		value, other *string
	}{{"--at and --place", &s.Place, &r.at}, {"--in and --carrier", &s.Carrier, &r.carrier}} {
		if *twin.value != "" && *twin.other != "" && *twin.value != *twin.other {
			return usagef("%s say %q and %q; keep one", twin.names, *twin.other, *twin.value)
		}
		*twin.value = cmp.Or(*twin.value, *twin.other)
	}
	switch event.Mode(s.Mode) {
	case event.Live, event.Reported:
	case "":
		s.Mode = string(event.Live)
		if r.occurred != "" {
			s.Mode = string(event.Reported)
		}
	default:
		return usagef("--mode %q is neither live nor reported", s.Mode)
	}
	if r.occurred != "" {
		at, err := readTime(r.occurred)
		if err != nil {
			return usagef("--occurred %q is no time with an offset; write for example %s", r.occurred, now.Format(time.RFC3339))
		}
		s.OccurredAt = at.Format(time.RFC3339Nano)
	}
	for _, d := range r.details {
		key, value, found := strings.Cut(d, "=")
		if !found || key == "" {
			return usagef("--detail %q has no =; write key=value, for example handling=on-ice", d)
		}
		if s.Details == nil {
			s.Details = map[string]string{}
		}
		s.Details[key] = value
	}
	if r.id != "" && len(labels) > 1 {
		return usagef("--id names one scan and %d labels are given; leave it out", len(labels))
	}
	return nil
}

// readTime reads a time with an offset; the seconds may be missing.
func readTime(text string) (time.Time, error) {
	if t, err := time.Parse("2006-01-02T15:04Z07:00", text); err == nil {
		return t, nil
	}
	return time.Parse(time.RFC3339Nano, text)
}

func (t *tool) record(ctx context.Context, r *recording, step string, labels []string) error {
	if err := r.understand(step, labels, time.Now()); err != nil {
		return err
	}
	conn, err := t.dial()
	if err != nil {
		return err
	}
	client := custodyv1.NewScansClient(conn)
	code, sent := exitDone, 0
	for label, err := range t.labels(r.scan, labels) {
		if err != nil {
			return err
		}
		sent++
		scan, err := r.of(label, time.Now())
		if err != nil {
			return err
		}
		answer, err := t.save(ctx, client, scan)
		if err != nil {
			return err
		}
		if err := t.showAnswer(label, answer); err != nil {
			return err
		}
		switch event.Answer(answer.Answer) {
		case event.AnswerRecorded, event.AnswerRepeated:
		case event.AnswerNotSaved:
			code = exitUnsaved
		default:
			code = max(code, exitRefused)
		}
		if code == exitUnsaved {
			return t.unsent(labels[min(sent, len(labels)):], label)
		}
	}
	if code != exitDone {
		return told(code)
	}
	return nil
}

// unsent answers the labels of the command line that stand behind one that could
// not be saved: each has its line, and none is tried for another --timeout.
func (t *tool) unsent(labels []string, behind string) error {
	for _, label := range labels {
		answer := &custodyv1.ScanAnswer{Answer: string(event.AnswerNotSaved), Say: "it was not sent, because " + behind + " before it could not be saved"}
		if err := t.showAnswer(label, answer); err != nil {
			return err
		}
	}
	return told(exitUnsaved)
}

// labels gives the labels of the command line, else of standard input, else the
// one empty label of a step that can do without.
func (t *tool) labels(s *custodyv1.Scan, args []string) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		for _, label := range args {
			if !yield(label, nil) {
				return
			}
		}
		if len(args) > 0 {
			return
		}
		if bare(s) {
			yield("", nil)
			return
		}
		lines := bufio.NewScanner(t.in)
		found := false
		for lines.Scan() {
			label := strings.TrimSpace(lines.Text())
			if label == "" {
				continue
			}
			found = true
			if !yield(label, nil) {
				return
			}
		}
		switch err := lines.Err(); {
		case err != nil:
			yield("", fmt.Errorf("read the labels: %w", err))
		case !found:
			yield("", usagef("no label: write it behind the step, or send labels to standard input, one a line"))
		}
	}
}

// bare tells a step that says without a label what it is about.
func bare(s *custodyv1.Scan) bool {
	switch s.Step {
	case "wristband", "fail-collection":
		return s.Patient != "" || s.Draw != ""
	case "start-draw", "end-draw":
		return true
	case "receive":
		return s.Details["as"] != ""
	case "ask-sample", "decline-sample", "sample-done":
		return s.Draw != ""
	}
	return false
}

// of makes the scan of one label. Its id carries a time, so that ids of one
// client sort as they were made.
func (r *recording) of(label string, now time.Time) (*custodyv1.Scan, error) {
	s := &custodyv1.Scan{
		Id: r.id, App: r.scan.App, Step: r.scan.Step, OccurredAt: cmp.Or(r.scan.OccurredAt, now.Format("2006-01-02T15:04:05.000Z07:00")),
		Device: r.scan.Device, Place: r.scan.Place, By: r.scan.By, From: r.scan.From, To: r.scan.To, With: r.scan.With,
		Carrier: r.scan.Carrier, Draw: r.scan.Draw, Patient: r.scan.Patient, Request: r.scan.Request, Type: r.scan.Type,
		Parent: r.scan.Parent, Tests: r.scan.Tests, Details: r.scan.Details, Mode: r.scan.Mode, TypedAt: r.scan.TypedAt,
		How: r.scan.How, Ward: r.scan.Ward, Reason: r.scan.Reason,
	}
	if s.Id == "" {
		id, err := uuid.NewV7()
		if err != nil {
			return nil, fmt.Errorf("make an id for the scan: %w", err)
		}
		s.Id = id.String()
	}
	switch {
	case label == "" && s.Details["as"] != "":
		s.Label = &custodyv1.Label{Text: s.Details["as"], How: s.How}
	case label == "":
	case s.Step == "wristband" || s.Step == "fail-collection":
		s.Patient = label
	case s.Step == "start-draw" || s.Step == "end-draw":
		s.Draw = label
	default:
		s.Label = labelOf(label, s.How)
	}
	return s, nil
}

// save sends a scan, again with the same id while the server can't save it. The
// answer says so when it gave up; an error is what can't be told per label.
func (t *tool) save(ctx context.Context, client custodyv1.ScansClient, scan *custodyv1.Scan) (*custodyv1.ScanAnswer, error) {
	ctx, cancel := t.within(ctx)
	defer cancel()
	type outcome struct {
		answer *custodyv1.ScanAnswer
		err    error
	}
	done := make(chan outcome, 1)
	go func() {
		answer, err := t.again(ctx, client, scan)
		done <- outcome{answer, err}
	}()
	saving := time.NewTimer(savingAfter)
	defer saving.Stop()
	for waited := savingAfter; ; waited *= 2 {
		select {
		case o := <-done:
			return o.answer, o.err
		case <-saving.C:
			t.sayf("saving… %d s", waited/time.Second)
			saving.Reset(waited)
		}
	}
}

// again sends until the server says something that will not change by itself.
func (t *tool) again(ctx context.Context, client custodyv1.ScansClient, scan *custodyv1.Scan) (*custodyv1.ScanAnswer, error) {
	pause := 100 * time.Millisecond
	var last error
	for {
		answer, err := once(ctx, client, scan)
		if err == nil || !lost(err) {
			return answer, err
		}
		if do := distrust(err); do != "" {
			return &custodyv1.ScanAnswer{
				Id: scan.Id, Answer: string(event.AnswerNotSaved),
				Say: fmt.Sprintf("tried %s (%s); %s. Then send it again with --id %s", t.server, why(err), do, scan.Id),
			}, nil
		}
		if status.Code(err) != codes.DeadlineExceeded || last == nil {
			last = err
		}
		select {
		case <-ctx.Done():
			return &custodyv1.ScanAnswer{
				Id: scan.Id, Answer: string(event.AnswerNotSaved),
				Say: fmt.Sprintf("tried %s for %s (%s); check that custodyd runs there, then send it again with --id %s", t.server, t.timeout, why(last), scan.Id),
			}, nil
		case <-time.After(pause):
			pause = min(2*pause, time.Second)
		}
	}
}

// errNotSaved is the server's own word that it could not save.
func errNotSaved(say string) error { return status.Error(codes.Unavailable, say) }

func once(ctx context.Context, client custodyv1.ScansClient, scan *custodyv1.Scan) (*custodyv1.ScanAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, tryFor)
	defer cancel()
	resp, err := client.RecordScans(ctx, &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{scan}})
	switch {
	case status.Code(err) == codes.InvalidArgument:
		// A scan that can't be read is this label's own; the next may be good.
		return &custodyv1.ScanAnswer{Id: scan.Id, Answer: string(event.AnswerRefused), Say: rehearse.Plain(err).Error()}, nil
	case err != nil:
		return nil, err
	case len(resp.Answers) != 1:
		return nil, errors.New("the server gave no answer for the scan; its version doesn't fit this program's")
	case resp.Answers[0].Answer == string(event.AnswerNotSaved):
		return nil, errNotSaved(cmp.Or(resp.Answers[0].Say, "the server could not save it"))
	}
	return resp.Answers[0], nil
}
