package intake_test

import (
	"context"
	"errors"
	"testing"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/exchange/loggerfile"
	"specimen.example/custody/internal/intake"
)

// A file of which the fact could not be written counts nowhere, also where it is read
// in again with other answers: nobody could take its readings back.
func TestAFileThatBrokeOffCountsNowhere(t *testing.T) {
	log := memlog.New()
	full := false
	log.OnAppend = func(d *event.Decision) (bool, error) {
		for _, f := range d.Facts {
			if _, ok := f.(event.LoggerFileImported); ok && full {
				return false, eventlog.ErrFull
			}
		}
		return true, nil
	}
	r := newRig(t, log, 1)
	desk, model := r.desks[0], r.views[0]
	logger, box := custody.Target{Kind: event.KindLogger, Key: "L-LG-1"}, event.Key("L-B-1")
	_, err := desk.Write(t.Context(), intake.Entry{ID: "d-1", Target: logger, By: "lena", At: noon - 3_600_000, Facts: []event.Fact{
		event.LoggerDescribed{EveryMs: 300_000, HoldMs: -1}, event.LoggerAttached{To: box, ToKind: string(event.KindCarrier)},
	}})
	if err != nil {
		t.Fatal(err)
	}
	r.record(0, scan("s-1", "seal", "B-1"))
	file := func(id, zone string) (intake.Imported, error) {
		return desk.Import(context.Background(), intake.LoggerFile{
			ID: id, Logger: "LG-1", Name: "LG-1.csv", By: "lena", Said: loggerfile.Said{Zone: zone},
			Data: []byte("Time,Temp C\n2026-11-24 11:50:00,4.6\n2026-11-24 11:55:00,4.9\n"),
		})
	}
	full = true
	if _, err := file("f-1", "UTC"); !errors.Is(err, eventlog.ErrFull) {
		t.Fatalf("the fact was not to be written: %v", err)
	}
	if at, c, ok := model.LastTemperature(box); ok {
		t.Errorf("readings of a file that broke off count: %d at %s", c, at)
	}
	full = false
	got, err := file("f-2", "UTC")
	if err != nil || got.Stored != 2 {
		t.Fatalf("read in again: %d stored, %v", got.Stored, err)
	}
	if _, c, ok := model.LastTemperature(box); !ok || c != 490 {
		t.Errorf("the file read in again gives %d %t", c, ok)
	}
	void := scan("v-1", "void", "LG-1")
	void.Details = map[string]string{"scan": "f-2"}
	void.Reason = "explained"
	if a := r.record(0, void); a.Answer != event.AnswerRecorded {
		t.Fatalf("taking it back: %+v", a)
	}
	if _, c, ok := model.LastTemperature(box); ok {
		t.Errorf("readings that were taken back count: %d", c)
	}
	r.readUp()
	if _, c, ok := model.LastTemperature(box); ok {
		t.Errorf("read back from the log they count: %d", c)
	}
}
