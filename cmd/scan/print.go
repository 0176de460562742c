package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// line prints a message as one line of JSON. protojson varies its blanks on
// purpose; compacting makes equal messages equal lines.
func (t *tool) line(m proto.Message) error {
	text, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(m)
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	var b bytes.Buffer
	if err := json.Compact(&b, text); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	b.WriteByte('\n')
	_, err = t.out.Write(b.Bytes())
	return err
}

// page collects what is printed for people, so that a broken pipe is told once.
type page struct{ bytes.Buffer }

func (p *page) linef(format string, args ...any) { _, _ = fmt.Fprintf(p, format+"\n", args...) } // into memory; it can't fail

// table aligns columns that are separated by tabs.
func (p *page) table(indent string, rows [][]string) {
	w := tabwriter.NewWriter(p, 0, 0, 2, ' ', 0)
	for _, row := range rows {
		_, _ = io.WriteString(w, indent+strings.TrimRight(strings.Join(row, "\t"), "\t")+"\n") // into memory; it can't fail
	}
	_ = w.Flush()
}

func (t *tool) print(p *page) error {
	_, err := io.Copy(t.out, &p.Buffer)
	return err
}

// words writes a word of the closed lists as people read it.
func words(word string) string { return strings.ReplaceAll(word, "-", " ") }

func wordList(list []string) string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = words(w)
	}
	return strings.Join(out, ", ")
}

// moment is an instant of the API at the offset of this computer; zero when not
// said. What can't be read is shown as it is, never dropped.
type moment struct {
	at   time.Time
	text string
}

func momentOf(text string) moment {
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return moment{text: text}
	}
	return moment{at: at.Local(), text: text}
}

func (m moment) said() bool { return m.text != "" }

// seen gives hours and minutes, with the day when it isn't the day of now, and
// with the offset too when the page names no instant.
func (m moment) seen(now moment) string {
	switch {
	case m.at.IsZero():
		return m.text
	case now.at.IsZero():
		return m.full()
	case m.at.Format(time.DateOnly) == now.at.Format(time.DateOnly):
		return m.at.Format("15:04")
	default:
		return m.at.Format("2006-01-02 15:04")
	}
}

// by is a time to come with what is left until then: "by 10:40 (34 min)".
func (m moment) by(now moment) string {
	text := m.seen(now)
	if left := m.at.Sub(now.at); !m.at.IsZero() && !now.at.IsZero() && left > 0 {
		text += " (" + span(left.Milliseconds()) + ")"
	}
	return text
}

// full names the zone's offset too, for the head of a page.
func (m moment) full() string {
	if m.at.IsZero() {
		return m.text
	}
	return m.at.Format("2006-01-02 15:04 -07:00")
}

// span writes milliseconds as people say them, cut to the minute above an hour.
func span(ms int64) string {
	d := time.Duration(ms) * time.Millisecond
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 48*time.Hour:
		if rest := d % time.Hour / time.Minute; rest > 0 {
			return fmt.Sprintf("%d h %d min", d/time.Hour, rest)
		}
		return fmt.Sprintf("%d h", d/time.Hour)
	default:
		return fmt.Sprintf("%d d %d h", d/(24*time.Hour), d%(24*time.Hour)/time.Hour)
	}
}

func (t *tool) showAnswer(label string, a *custodyv1.ScanAnswer) error {
	if t.json {
		return t.line(a)
	}
	p := &page{}
	answer := words(a.Answer)
	if a.Refusal != "" {
		answer += ": " + words(a.Refusal)
	}
	head := []string{label, answer, a.Say}
	if label == "" {
		head = head[1:]
	}
	p.table("", [][]string{head})
	p.doubts("  ", a.Doubts)
	switch {
	case a.Tube != nil:
		now := momentOf(a.Tube.AsOf)
		p.linef("  with %s", whereabouts(a.Tube.Holder, a.Tube.Place, a.Tube.Carriers))
		p.verdicts("  ", a.Tube, now)
		p.flag("  ", a.Tube.Flag, now)
	case a.State == "pending":
		p.linef("  not judged yet; ask for it with scan tube")
	}
	return t.print(p)
}

// doubts prints those that are open.
func (p *page) doubts(indent string, doubts []*custodyv1.Doubt) {
	for _, d := range doubts {
		if !d.Open {
			continue
		}
		text := words(d.Doubt)
		if d.Say != "" {
			text += ": " + d.Say
		}
		p.linef("%sdoubt: %s", indent, text)
		if d.LastHolder != "" {
			p.linef("%s  last with %s, seen %s", indent, whereabouts(d.LastHolder, d.LastPlace, nil), momentOf(d.LastSeen).seen(momentOf(d.Since)))
		}
		var look []string
		for _, l := range d.Likely {
			look = append(look, event.Likely(l).Say())
		}
		if len(look) > 0 {
			p.linef("%s  look first: %s", indent, strings.Join(look, "; or "))
		}
	}
}

// settled prints the doubts that were closed, and by whom.
func (p *page) settled(doubts []*custodyv1.Doubt, now moment) {
	for _, d := range doubts {
		if d.Open {
			continue
		}
		by := "later scans"
		if d.ClosedByPerson != "" {
			by = d.ClosedByPerson
		}
		if d.Reason != "" {
			by += ": " + words(d.Reason)
		}
		p.linef("settled: %s, from %s to %s, by %s", words(d.Doubt), momentOf(d.Since).seen(now), momentOf(d.ClosedAt).seen(now), by)
	}
}

func whereabouts(holder, place string, carriers []string) string {
	text := holder
	if text == "" {
		text = "nobody known"
	}
	if place != "" && place != holder {
		text += ", " + place
	}
	if len(carriers) > 0 {
		text += ", in " + strings.Join(carriers, " in ")
	}
	return text
}

// verdicts prints each test with its verdict and, below, the limit's source.
func (p *page) verdicts(indent string, tube *custodyv1.Tube, now moment) {
	if len(tube.Verdicts) == 0 {
		p.linef("%snot judged: no test is known for it", indent)
	}
	for _, v := range tube.Verdicts {
		name := v.Assay
		if v.Name != "" && v.Name != v.Assay {
			name += " " + v.Name
		}
		if name == "" {
			name = "whole tube"
		}
		p.linef("%s%s: %s", indent, name, verdictText(v, now))
		p.rule(indent+"    ", v.Rule)
		if also := v.IfConditionHolds; also != nil {
			p.linef("%s    if the condition that nobody stated holds: %s", indent, verdictText(also, now))
			p.rule(indent+"    ", also.Rule)
		}
	}
}

func verdictText(v *stabilityv1.Verdict, now moment) string {
	text := words(v.Verdict)
	switch event.Verdict(v.Verdict) {
	case event.Wait:
		text = "let it clot"
		if until := momentOf(v.WaitUntil); until.said() {
			text += " until " + until.by(now)
		}
	case event.CannotSay:
		text = "cannot say"
	}
	parts := []string{text}
	if len(v.Reasons) > 0 {
		parts[0] += " (" + wordList(v.Reasons) + ")"
	}
	if v.LimitMs > 0 {
		parts = append(parts, "used "+span(v.UsedMs)+" of "+span(v.LimitMs))
	}
	if v.BelowMs > 0 {
		parts = append(parts, span(v.BelowMs)+" too cold")
	}
	if v.AboveMs > 0 {
		parts = append(parts, span(v.AboveMs)+" too warm")
	}
	ended, due := momentOf(v.EndedAt), momentOf(v.DueEarliest)
	switch {
	case ended.said():
		parts = append(parts, "final since "+ended.seen(now))
	case due.said():
		parts = append(parts, "by "+due.by(now))
	}
	if v.Outlook == string(event.RunningOut) {
		parts = append(parts, "running out")
	}
	switch event.Direction(v.Direction) {
	case event.ReadsHigh, event.ReadsLow:
		if v.Verdict != string(event.WithinLimits) {
			parts = append(parts, "may read "+v.Direction)
		}
	case event.ReadsEither:
		if v.Verdict != string(event.WithinLimits) {
			parts = append(parts, "may read either way")
		}
	}
	return strings.Join(parts, ", ") + evidenceText(v)
}

// evidenceText says how the minutes are known, unless all were measured.
func evidenceText(v *stabilityv1.Verdict) string {
	var parts []string
	for _, e := range []struct {
		ms   int64
		word event.Evidence
	}{{v.MeasuredMs, event.EvidenceMeasured}, {v.AttestedMs, event.EvidenceAttested}, {v.AssumedMs, event.EvidenceAssumed}, {v.UnknownMs, event.EvidenceUnknown}} {
		if e.ms > 0 {
			parts = append(parts, span(e.ms)+" "+string(e.word))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return "; temperature: " + strings.Join(parts, ", ")
}

func (p *page) rule(indent string, r *stabilityv1.RuleText) {
	if r == nil || r.Id == "" && r.Text == "" {
		return
	}
	text := r.Text
	if text == "" {
		text = r.Id
	}
	p.linef("%slimit: %s", indent, text)
	if r.Source != "" && !strings.Contains(text, r.Source) {
		p.linef("%ssource: %s", indent, r.Source)
	}
}

func (p *page) flag(indent string, f *stabilityv1.Flag, now moment) {
	if f == nil || f.Action == "" && f.Verdict == "" {
		return
	}
	p.linef("%sflag: %s", indent, flagText(f, now))
}

func flagText(f *stabilityv1.Flag, now moment) string {
	text := words(f.Action)
	if f.Say != "" {
		text += ": " + f.Say
	}
	if until := momentOf(f.Until); until.said() {
		text += ", by " + until.by(now)
	}
	if f.Kind == string(event.FlagAfter) {
		text += ", already run: the result may need a comment"
	}
	if f.By != "" {
		text += ", " + words(f.State) + " by " + f.By
	}
	return text
}
