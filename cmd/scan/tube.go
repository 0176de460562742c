package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app/rehearse"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

func (t *tool) tubeCommand() *cobra.Command {
	var test, asOf string
	cmd := &cobra.Command{
		Use:   "tube ID",
		Short: "Tell who holds a tube, where it is and what it is still good for",
		Long: `Tell who holds a tube, where it is, what the limits say of each test and why, and
what happened to it. With --explain, show which minutes at which temperature used
how much of a test's limit.`,
		Example: `  scan tube TB260301
  scan tube TB260301 --explain K
  scan tube TB260301 --json`,
		Args: exactly(1, "one tube, for example: scan tube TB260301"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if asOf != "" {
				at, err := readTime(asOf)
				if err != nil {
					return usagef("--as-of %q is no time with an offset; write for example 2026-11-24T10:00:00+01:00", asOf)
				}
				asOf = at.Format("2006-01-02T15:04:05.000Z07:00")
			}
			if test != "" {
				return t.explain(cmd.Context(), args[0], test, asOf)
			}
			return t.tube(cmd.Context(), args[0], asOf)
		},
	}
	cmd.Flags().StringVar(&test, "explain", "", "test (code or LOINC) whose minutes to show")
	cmd.Flags().StringVar(&asOf, "as-of", "", "the state at an earlier time, with an offset")
	return cmd
}

func (t *tool) tube(ctx context.Context, id, asOf string) error {
	conn, err := t.dial()
	if err != nil {
		return err
	}
	ctx, cancel := t.within(ctx)
	defer cancel()
	tube, err := custodyv1.NewTubesClient(conn).GetTube(ctx, &custodyv1.GetTubeRequest{Id: id, AsOf: asOf})
	if err != nil {
		return unknown("tube", id, err)
	}
	if t.json {
		return t.line(tube)
	}
	p := &page{}
	now := momentOf(tube.AsOf)
	rows := [][]string{{"tube", strings.TrimSpace(tube.Id + "  " + tube.Type)}, {"as of", now.full()},
		{"with", whereabouts(tube.Holder, tube.Place, tube.Carriers)}, {"status", words(tube.Status)}}
	rows = append(rows, []string{"collected", collected(tube, now)})
	for _, row := range [][]string{{"request", tube.Request}, {"draw", tube.Draw}, {"other numbers", strings.Join(tube.Links, ", ")}, {"at the rack", words(tube.Rack)}} {
		if row[1] != "" {
			rows = append(rows, row)
		}
	}
	if tube.Irreplaceable {
		rows = append(rows, []string{"irreplaceable", "run it, then talk to the laboratory"})
	}
	if tube.Held {
		rows = append(rows, []string{"held", "two tubes share this number; split it first"})
	}
	if text := temperatureText(tube.Temperature); text != "" {
		rows = append(rows, []string{"temperature", text})
	}
	for _, n := range []struct {
		name  string
		times int64
	}{{"spun", tube.Spins}, {"thawed", tube.Thaws}} {
		if n.times > 1 {
			rows = append(rows, []string{n.name, fmt.Sprintf("%d times", n.times)})
		}
	}
	if tube.ReidentifiedAt != "" {
		rows = append(rows, []string{"patient", "corrected at " + momentOf(tube.ReidentifiedAt).seen(now)})
	}
	if tube.Sprec != "" {
		rows = append(rows, []string{"SPREC 2.0", tube.Sprec})
	}
	p.table("", rows)
	p.linef("tests")
	p.verdicts("  ", tube, now)
	p.flag("", tube.Flag, now)
	p.doubts("", tube.Doubts)
	p.settled(tube.Doubts, now)
	p.timeline(tube.Timeline, now)
	return t.print(p)
}

// temperatureText sums a history up in one line. A mean hides cold and short heat,
// so it never stands without the extremes.
func temperatureText(s *custodyv1.TemperatureSummary) string {
	if s == nil {
		return ""
	}
	if s.ColdestLow == "" {
		return "not known"
	}
	text := reach(s.ColdestLow, s.WarmestHigh) + " °C"
	if s.MeanKineticLow != "" {
		text += ", mean kinetic " + reach(s.MeanKineticLow, s.MeanKineticHigh) + " °C"
	}
	for _, e := range []struct {
		ms       int64
		permille int32
		word     string
	}{{s.MeasuredMs, s.MeasuredPermille, "measured"}, {s.AttestedMs, s.AttestedPermille, "attested"}, {s.AssumedMs, s.AssumedPermille, "assumed"}, {s.UnknownMs, s.UnknownPermille, "not known"}} {
		switch {
		case e.ms == 0:
		case e.permille == 0:
			text += ", under 0.1 % " + e.word
		default:
			text += fmt.Sprintf(", %d.%d %% %s", e.permille/10, e.permille%10, e.word)
		}
	}
	return text
}

func reach(low, high string) string {
	if low == high {
		return low
	}
	return low + " to " + high
}

func collected(tube *custodyv1.Tube, now moment) string {
	first, last := momentOf(tube.CollectedEarliest), momentOf(tube.CollectedLatest)
	switch {
	case !first.said() && !last.said():
		return "time not known"
	case !first.said():
		return "before " + last.seen(now) + ", time not known"
	case !last.said() || first == last:
		return first.seen(now)
	default:
		return "between " + first.seen(now) + " and " + last.seen(now)
	}
}

func (p *page) timeline(steps []*custodyv1.Step, now moment) {
	if len(steps) == 0 {
		return
	}
	p.linef("what happened")
	var rows [][]string
	for _, s := range steps {
		what := words(s.Step)
		if s.Say != "" {
			what = s.Say
		}
		if s.ByCarrier != "" {
			what += " (by box " + s.ByCarrier + ")"
		}
		if s.Voided {
			what += " (taken back)"
		}
		rows = append(rows, []string{momentOf(s.OccurredAt).seen(now), what, s.By, s.Place})
	}
	p.table("  ", rows)
}

func (t *tool) explain(ctx context.Context, id, test, asOf string) error {
	conn, err := t.dial()
	if err != nil {
		return err
	}
	ctx, cancel := t.within(ctx)
	defer cancel()
	x, err := custodyv1.NewTubesClient(conn).ExplainTest(ctx, &custodyv1.ExplainTestRequest{Id: id, Test: test, AsOf: asOf})
	if err != nil {
		return unknown("tube or test", id+"/"+test, err)
	}
	if t.json {
		return t.line(x)
	}
	p := &page{}
	// A page of one test has no instant of its own; the day is written out.
	var now moment
	if v := x.Verdict; v != nil {
		p.linef("%s on %s: %s", test, id, verdictText(v, now))
		p.rule("  ", v.Rule)
	}
	if x.Answer != "" {
		p.linef("%s", x.Answer)
	}
	rows := [][]string{{"from", "to", "temperature", "band", "limit", "used"}}
	for _, r := range x.Rows {
		rows = append(rows, []string{momentOf(r.From).seen(now), momentOf(r.To).seen(now), r.Evidence, words(r.Band), spanOrNone(r.LimitMs), span(r.UsedMs)})
	}
	p.table("  ", rows)
	for _, s := range x.Shares {
		p.linef("%s", shareText(s, now))
	}
	for _, o := range x.Others {
		p.linef("not used: %s", ruleLine(o.GetVerdict().GetRule()))
		text := "    it would say: " + verdictText(o.GetVerdict(), now)
		if o.Assumes {
			text += " (if a condition holds that nobody stated)"
		}
		p.linef("%s", text)
	}
	return t.print(p)
}

// shareText says when single tubes fail before the mean does.
func shareText(s *stabilityv1.Share, now moment) string {
	switch {
	case s.Reached:
		return s.Over + " is over by now"
	case s.Earliest != "":
		return s.Over + " is over by " + momentOf(s.Earliest).seen(now)
	default:
		return s.Over + " is over after " + span(s.AtMs) + " of this band"
	}
}

func spanOrNone(ms int64) string {
	if ms == 0 {
		return "none"
	}
	return span(ms)
}

// ruleLine is a limit in one line: its text holds its id only in other words.
func ruleLine(r *stabilityv1.RuleText) string {
	text := r.Id
	if r.Text != "" {
		text += ": " + r.Text
	}
	if r.Source != "" && !strings.Contains(text, r.Source) {
		text += "; source: " + r.Source
	}
	return text
}

func (t *tool) carrierCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "carrier ID",
		Short:   "Tell who holds a box, bag or rack and what is in it",
		Long:    "Tell who holds a box, bag or rack, where it is and what is in it, directly or in something else.",
		Example: "  scan carrier B-3",
		Args:    exactly(1, "one box, bag or rack, for example: scan carrier B-3"),
		RunE:    func(cmd *cobra.Command, args []string) error { return t.carrier(cmd.Context(), args[0]) },
	}
}

func (t *tool) carrier(ctx context.Context, id string) error {
	conn, err := t.dial()
	if err != nil {
		return err
	}
	ctx, cancel := t.within(ctx)
	defer cancel()
	c, err := custodyv1.NewTubesClient(conn).GetContents(ctx, &custodyv1.GetContentsRequest{Id: id})
	if err != nil {
		return unknown("carrier", id, err)
	}
	if t.json {
		return t.line(c)
	}
	p := &page{}
	var now moment
	rows := [][]string{{"carrier", c.Id}, {"with", whereabouts(c.Holder, c.Place, nil)}}
	if at := momentOf(c.DepartedAt); at.said() {
		rows = append(rows, []string{"departed", at.seen(now)})
	}
	if c.To != "" {
		rows = append(rows, []string{"to", c.To})
	}
	if at := momentOf(c.DueAt); at.said() {
		rows = append(rows, []string{"due", at.seen(now)})
	}
	if text := temperatureText(c.Temperature); text != "" {
		rows = append(rows, []string{"this trip", text})
	}
	p.table("", rows)
	if len(c.Contents) == 0 {
		p.linef("nothing is known to be in it")
	} else {
		p.linef("in it")
	}
	var inside [][]string
	for _, content := range c.Contents {
		how := "directly"
		if !content.Direct {
			how = "in " + strings.Join(content.Through, " in ")
		}
		inside = append(inside, []string{content.Id, content.Kind, how})
	}
	p.table("  ", inside)
	p.doubts("", c.Doubts)
	p.timeline(c.Timeline, now)
	return t.print(p)
}

// unknown says that the server knows no such thing; other errors stay.
func unknown(what, id string, err error) error {
	if status.Code(err) == codes.NotFound {
		return errUnknown{what, id}
	}
	return rehearse.Plain(err)
}

// errUnknown is a thing of which the log says nothing.
type errUnknown struct{ what, id string }

func (e errUnknown) Error() string {
	return "no " + e.what + " " + e.id + " is known; check the number, or scan it first"
}
