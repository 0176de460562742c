package api

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/loggerfile"
	"specimen.example/custody/internal/intake"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// Words of the request for characters that are hard to type in JSON or a shell.
var (
	delimiters = map[string]string{"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
	decimals   = map[string]string{"point": ".", "comma": ","}
)

// previewRows is how many rows of a file are shown as they were understood.
const previewRows = 20

// ImportReadings reads a logger's file.
func (s *Server) ImportReadings(ctx context.Context, req *custodyv1.ImportReadingsRequest) (*custodyv1.ImportReadingsResponse, error) {
	f := intake.LoggerFile{
		ID: req.GetId(), Logger: req.GetLogger(), Name: req.GetName(), By: req.GetBy(), Data: req.GetFile(), Carrier: req.GetCarrier(),
		Forget: req.GetForget(), DryRun: req.GetDryRun(), Said: loggerfile.Said{
			Zone: req.GetZone(), DateOrder: req.GetDateOrder(), Unit: req.GetUnit(), Delimiter: delimiters[req.GetDelimiter()],
			Decimal: decimals[req.GetDecimal()], TimeColumn: int(req.GetTimeColumn()), ClockColumn: int(req.GetClockColumn()),
			TemperatureColumn: int(req.GetTemperatureColumn()), Faults: req.GetFaults(), DoubledHour: req.GetDoubledHour(),
		},
	}
	if f.ID == "" {
		f.ID = newID()
	}
	key, err := s.key("logger", f.Logger, event.KindLogger)
	if err != nil {
		return nil, err
	}
	if err := mayReport(ctx, key); err != nil {
		return nil, err
	}
	for _, c := range req.GetSync() {
		f.Sync = append(f.Sync, loggerfile.Sync{Logger: optionalInstant(c.GetLogger()), True: optionalInstant(c.GetTrueTime())})
	}
	got, err := s.Desk.Import(ctx, f)
	var field *intake.FieldError
	switch {
	case errors.As(err, &field) && field.Field == "scanId":
		return nil, violations(violation{"id", field.Say})
	case err != nil:
		return nil, logError(err)
	}
	if got.Stored > 0 {
		s.settle(ctx, got.Seq)
	}
	return importMessage(&got, f), nil
}

func importMessage(got *intake.Imported, f intake.LoggerFile) *custodyv1.ImportReadingsResponse {
	how := &got.How
	m := &custodyv1.ImportReadingsResponse{
		Stored: int64(got.Stored), Hash: got.Hash, Understood: decisions(how), Notes: append(got.Notes, how.Notes...), Sequence: got.Seq,
		Counts: &custodyv1.ImportCounts{
			Rows: int64(how.Rows), Values: int64(how.Values), Faults: int64(how.Faults), Empty: int64(how.Empty),
			Unreadable: int64(how.Unreadable), Duplicates: int64(how.Duplicates), Conflicting: int64(how.Conflicting),
			OutOfOrder: int64(how.OutOfOrder), Gaps: int64(how.GapCount), EveryMs: how.EveryMs, First: stamp(how.First.At), Last: stamp(how.Last.At),
		},
	}
	if how.Lowest.Known {
		m.Counts.Lowest, m.Counts.Highest = celsiusText(how.Lowest.C), celsiusText(how.Highest.C)
	}
	for _, q := range got.Questions {
		m.Questions = append(m.Questions, questionMessage(&q))
	}
	for _, w := range got.Mistakes {
		m.Mistakes = append(m.Mistakes, &custodyv1.ImportMistake{
			Line: int32(w.Line), Column: int32(w.Column), Field: w.Field, Problem: w.Problem, Remedy: w.Remedy, //nolint:gosec // a file has under 2^31 lines
		})
	}
	for _, r := range how.Preview[:min(len(how.Preview), previewRows)] {
		row := &custodyv1.ImportRow{Line: int32(r.Line), Text: r.Time + "  " + r.Value, At: stamp(r.Reading.At), Local: r.Local} //nolint:gosec // as above
		if r.Reading.OK {
			c := celsiusText(r.Reading.C)
			row.Celsius = &c
		}
		m.Preview = append(m.Preview, row)
	}
	for _, g := range how.Gaps {
		m.Gaps = append(m.Gaps, &custodyv1.ImportGap{From: stamp(g.From), To: stamp(g.To)})
	}
	if got.Stored > 0 {
		m.Fact = f.ID
	}
	m.Say = importSay(got, f)
	if got.Known != nil {
		m.Known, m.Fact = true, got.Known.Scan
	}
	return m
}

// importSay is the outcome in one sentence, with what to do.
func importSay(got *intake.Imported, f intake.LoggerFile) string {
	how := &got.How
	switch {
	case got.Known != nil:
		zone := ""
		if got.Known.Zone != "" {
			zone = ", its times read as " + got.Known.Zone
		}
		return fmt.Sprintf("this file was read in before (%s%s); nothing was stored. To read it otherwise, take that import back first: scan record void %s --detail scan=%s --reason explained --by NAME",
			stamp(got.Known.At), zone, f.Logger, got.Known.Scan)
	case got.Refused:
		return "the file can't be read; nothing was stored"
	case len(got.Questions) > 0:
		return "nothing was stored yet: answer " + fields(got.Questions) + " and send the file again"
	case len(got.Readings) == 0:
		return "the file holds no reading; nothing was stored"
	}
	n := "1 reading"
	if how.Values != 1 {
		n = fmt.Sprintf("%d readings", how.Values)
	}
	if how.FaultSummary != "" {
		n += " (" + how.FaultSummary + ")"
	}
	if got.Stored == 0 {
		return "dry run: " + n + " would be stored"
	}
	return n + " stored"
}

func fields(qs []loggerfile.Question) string {
	names := make([]string, len(qs))
	for i, q := range qs {
		names[i] = string(q.Field)
	}
	return strings.Join(names, ", ")
}

func questionMessage(q *loggerfile.Question) *custodyv1.ImportQuestion {
	m := &custodyv1.ImportQuestion{Field: string(q.Field), Text: q.Text, Why: q.Why, Open: q.Open}
	for _, c := range q.Choices {
		m.Choices = append(m.Choices, &custodyv1.ImportChoice{
			Value: sayable(q.Field, c.Value), Text: c.Text, First: stamp(c.First), Last: stamp(c.Last), Outside: c.Outside, Implausible: c.Implausible,
		})
	}
	for _, s := range q.Samples {
		m.Samples = append(m.Samples, fmt.Sprintf("line %d: %s", s.Line, s.Text))
	}
	return m
}

// sayable gives a choice in the word by which the request takes it.
func sayable(field loggerfile.Field, value string) string {
	words := map[loggerfile.Field]map[string]string{loggerfile.FieldDelimiter: delimiters, loggerfile.FieldDecimal: decimals}[field]
	for word, v := range words {
		if v == value {
			return word
		}
	}
	return value
}

// decisions lists how the file was understood, a line each.
func decisions(how *loggerfile.Understanding) []*custodyv1.ImportDecision {
	var out []*custodyv1.ImportDecision
	add := func(field, value, why string) {
		if value != "" {
			out = append(out, &custodyv1.ImportDecision{Field: field, Value: value, Why: why})
		}
	}
	column := func(field string, c loggerfile.Column) {
		if c.Number > 0 {
			add(field, strings.TrimSpace(strconv.Itoa(c.Number)+" "+c.Name), c.Why)
		}
	}
	add("encoding", how.Encoding.Value, how.Encoding.Why)
	add("delimiter", sayable(loggerfile.FieldDelimiter, how.Delimiter.Value), how.Delimiter.Why)
	add("decimal", sayable(loggerfile.FieldDecimal, how.Decimal.Value), how.Decimal.Why)
	column("time-column", how.Time)
	column("clock-column", how.Clock)
	column("temperature-column", how.Temperature)
	add("date-order", how.DateOrder.Value, how.DateOrder.Why)
	add("zone", how.Zone.Value, how.Zone.Why)
	add("unit", how.Unit.Value, how.Unit.Why)
	add("doubled-hour", how.Doubled.Value, how.Doubled.Why)
	if how.Drift.Sightings > 0 {
		add("drift", fmt.Sprintf("%+d ms at the first reading, %+d ms at the last", how.Drift.FirstMs, how.Drift.LastMs), how.Drift.Why)
	}
	add("mapping", how.Remembered, "")
	return out
}

// fileMessages lists the files of a logger that were read in, for GetLogger.
func fileMessages(l *custody.Logger) []*custodyv1.LoggerFile {
	var out []*custodyv1.LoggerFile
	for _, i := range l.Imports {
		out = append(out, &custodyv1.LoggerFile{
			Id: i.Scan, Name: i.File, Hash: i.Hash, Zone: i.Zone, Values: i.Values, Faults: i.Faults, First: stamp(i.First), Last: stamp(i.Last),
			By: i.By, At: stamp(i.At), Voided: i.Voided,
		})
	}
	return out
}
