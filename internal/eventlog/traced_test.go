package eventlog_test

import (
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
)

// What caused a message is known to whoever reads it from the stream, also for those
// that went in one batch, and is no part of what is stored of the facts.
func TestATraceTravelsWithItsMessage(t *testing.T) {
	const parent = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01" // the example of W3C Trace Context, section 3.2
	o := eventlog.Options{Dir: t.TempDir(), Volume: "2026", BreakEven: 1}
	log := open(t, o)
	traced, plain := logtest.Decision("TB1", "one"), logtest.Decision("TB2", "one")
	traced.Trace = parent
	errs := make(chan error, 3)
	go func() { _, err := log.Append(t.Context(), traced, 0); errs <- err }()
	go func() { _, err := log.Append(t.Context(), plain, 0); errs <- err }()
	go func() {
		run := &event.Run{Logger: "L-LG1", ID: "run-1", Readings: []event.Reading{{At: 1000, C: 2100}}, Trace: parent}
		_, err := log.AppendRun(t.Context(), run)
		errs <- err
	}()
	for range 3 {
		if err := <-errs; err != nil {
			t.Fatal(err)
		}
	}
	if err := log.Close(); err != nil {
		t.Fatal(err)
	}
	log = open(t, o)
	tape := logtest.Whole(t, log)
	for _, rec := range tape.Records() {
		want := ""
		if rec.Key == traced.Key {
			want = parent
		}
		if rec.Trace != want {
			t.Errorf("%s was caused by %q; want %q", rec.Key, rec.Trace, want)
		}
	}
	for _, run := range tape.Runs() {
		if run.Trace != parent {
			t.Errorf("the readings were caused by %q", run.Trace)
		}
	}
}
