package app_test

import (
	"bufio"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
)

// line is a daemon of real parts: the embedded server with its files, a listener,
// and a steered clock so that minutes need not be waited for.
type line struct {
	*testing.T
	log eventlog.Log
	app *app.App
	url string
}

func newLine(t *testing.T, more ...func(*app.Parts)) *line {
	t.Helper()
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: t.TempDir(), Volume: "2026", BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	start := event.At(time.Date(2026, 11, 24, 7, 0, 0, 0, time.UTC))
	parts := app.Parts{
		Log: log, Clock: app.SteeredClock(start), Secret: []byte("invented fixture"), Ring: identity.MemoryRing(app.WallClock().Now, rand.Reader), Logger: slog.New(slog.DiscardHandler), Listener: l,
	}
	for _, set := range more {
		set(&parts)
	}
	a, err := app.Start(t.Context(), parts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Stop(t.Context()); err != nil && t.Context().Err() == nil {
			t.Error(err)
		}
	})
	return &line{t, log, a, "http://" + l.Addr().String()}
}

// house puts the fixture's rules in force and describes a ward.
func (l *line) house() {
	l.Helper()
	rules, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		l.Fatal(err)
	}
	adopt, err := json.Marshal(map[string]any{"file": string(rules), "by": "lena", "inForce": "2026-11-24T06:00:00Z"})
	if err != nil {
		l.Fatal(err)
	}
	l.send(http.MethodPost, "/v1/rules:adopt", string(adopt), nil)
	l.send(http.MethodPut, "/v1/places/WARD-N", `{"kind":"ward","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"basis":"invented","by":"lena"}`, nil)
}

// send makes a REST call that must succeed and reads its answer into v.
func (l *line) send(method, path, body string, v any) {
	l.Helper()
	req, err := http.NewRequestWithContext(l.Context(), method, l.url+path, strings.NewReader(body))
	if err != nil {
		l.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		l.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		l.Fatal(err)
	}
	if resp.StatusCode != http.StatusOK {
		l.Fatalf("%s %s: HTTP %d: %s", method, path, resp.StatusCode, data)
	}
	if text, ok := v.(*string); ok {
		*text = string(data)
	} else if v != nil {
		if err := json.Unmarshal(data, v); err != nil {
			l.Fatalf("%v: %s", err, data)
		}
	}
}

// sseEvent is one server-sent event.
type sseEvent struct{ id, name, data string }

// watch follows the flags as a browser does.
func (l *line) watch() <-chan sseEvent {
	l.Helper()
	req, err := http.NewRequestWithContext(l.Context(), http.MethodGet, l.url+"/v1/flags:watch", nil)
	if err != nil {
		l.Fatal(err)
	}
	req.Header.Set("Accept", "text/event-stream")
	resp, err := http.DefaultClient.Do(req) //nolint:bodyclose // read to its end below
	if err != nil {
		l.Fatal(err)
	}
	if typ := resp.Header.Get("Content-Type"); resp.StatusCode != http.StatusOK || typ != "text/event-stream" {
		l.Fatalf("the stream answers %d %s", resp.StatusCode, typ)
	}
	out := make(chan sseEvent, 64)
	go func() {
		defer close(out)
		defer func() { _ = resp.Body.Close() }()
		var e sseEvent
		for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
			switch key, value, _ := strings.Cut(lines.Text(), ": "); key {
			case "id":
				e.id = value
			case "event":
				e.name = value
			case "data":
				e.data = value
			case "":
				out <- e
				e = sseEvent{}
			}
		}
	}()
	return out
}

// next waits for the next event that is not a mere sign of life.
func (l *line) next(events <-chan sseEvent) sseEvent {
	l.Helper()
	for {
		select {
		case e, ok := <-events:
			if !ok {
				l.Fatal("the stream ended")
			}
			if e.name != "beat" {
				return e
			}
		case <-time.After(time.Minute):
			l.Fatal("no event came")
		}
	}
}

// The life of a scan: what happens between a scanner's beep and the wall, hop by
// hop, on real parts. DEVELOPERS.md tells the same hops under the same numbers.
func TestTheLifeOfAScan(t *testing.T) {
	l := newLine(t)
	l.house()
	l.send(http.MethodPut, "/v1/clock", `{"now":"2026-11-24T08:00:00Z"}`, nil)
	events := l.watch()

	// 1. A scan comes in over HTTP: api checks its fields, intake understands it and
	// decides its facts on the live model, the log makes them durable. Only then is
	// it answered "recorded", with its sequence in the log.
	var answered struct {
		Answers []struct {
			Answer, Sequence, State, Kind, Key string
			Tube                               struct {
				Verdicts []struct{ Assay, Verdict string }
			}
		}
	}
	l.send(http.MethodPost, "/v1/scans", `{"scans":[{"id":"scan-1","step":"collect","occurredAt":"2026-11-24T09:00:00+01:00","label":{"text":"tb260301"},
		"device":"H-09","place":"WARD-N","by":"mira","patient":"P-7001","type":"LIHEP-GEL","tests":["2345-7"]}]}`, &answered)
	answer := answered.Answers[0]
	if answer.Answer != "recorded" || answer.Sequence == "" || answer.Sequence == "0" || answer.Key != "TB260301" {
		t.Fatalf("hop 1, the answer: %+v", answer)
	}

	// 2. The message stands on the one subject of its aggregate and holds the facts,
	// with the patient's random reference instead of the number.
	key, err := event.LocalKey("TB260301")
	if err != nil {
		t.Fatal(err)
	}
	if subject := event.Subject("2026", event.KindTube, key); subject != "custody.2026.tube.L-TB260301" {
		t.Errorf("hop 2, the subject is %s", subject)
	}
	history, err := l.log.History(t.Context(), event.KindTube, key)
	if err != nil || len(history) == 0 {
		t.Fatalf("hop 2, %d messages: %v", len(history), err)
	}
	scan := history[0]
	if fmt.Sprint(scan.Seq) != answer.Sequence || scan.ID != "scan-1" || len(scan.Facts) != 1 {
		t.Fatalf("hop 2, the message: %+v", scan)
	}
	collected, ok := scan.Facts[0].(event.Collected)
	if !ok || collected.Type != "LIHEP-GEL" || len(collected.Tests) != 1 || collected.Tests[0] != "GLU" {
		t.Errorf("hop 2, the fact: %#v", scan.Facts[0])
	}
	if collected.Patient == "" || strings.Contains(collected.Patient, "7001") {
		t.Errorf("hop 2, the patient stands as %q", collected.Patient)
	}

	// 3. The model has folded it before the answer went out, and reads it from the log
	// like everybody else.
	l.app.Model().World(func(w *custody.World) {
		if w.Record(custody.Target{Kind: event.KindTube, Key: key}, "scan-1") == nil {
			t.Error("hop 3, the model doesn't know the scan")
		}
	})
	if err := l.app.Model().WaitFor(t.Context(), eventlog.Position{Custody: scan.Seq}); err != nil {
		t.Errorf("hop 3, the model doesn't read the log: %v", err)
	}

	// 4. The one judge has judged the tube by the limits in force; the answer says so.
	if v := answer.Tube.Verdicts; answer.State != "judged" || len(v) != 1 || v[0].Assay != "GLU" || v[0].Verdict != "within-limits" {
		t.Errorf("hop 4, the judgement: %s %+v", answer.State, v)
	}

	// 5. Time passes with no new fact. The fixture gives glucose 60 minutes; at 95 the
	// deadline that the judge kept comes up, and the leader appends a FlagRaised of
	// its own behind the scan.
	l.send(http.MethodPut, "/v1/clock", `{"now":"2026-11-24T09:35:00Z"}`, nil)
	flag := sseEvent{}
	for flag.name != "up" {
		flag = l.next(events)
	}
	if history, err = l.log.History(t.Context(), event.KindTube, key); err != nil {
		t.Fatal(err)
	}
	raised := history[len(history)-1]
	f, ok := raised.Facts[len(raised.Facts)-1].(event.FlagRaised)
	if !ok || raised.Seq <= scan.Seq || raised.Principal != "custodyd" || f.Flag.Verdict != event.PastLimit {
		t.Fatalf("hop 5, the last message of the tube: %+v", raised)
	}

	// 6. The list of flags shows it, with what was used of which limit.
	var listed struct {
		Sequence string
		Flags    []struct {
			Tube, Verdict, Action, State string
			Tests                        []struct{ Assay, UsedMs, LimitMs string }
		}
	}
	l.send(http.MethodGet, "/v1/flags", "", &listed)
	if len(listed.Flags) != 1 || listed.Flags[0].Tube != "TB260301" || listed.Flags[0].Verdict != "past-limit" || listed.Flags[0].State != "open" {
		t.Fatalf("hop 6, the list: %+v", listed)
	}
	if tests := listed.Flags[0].Tests; len(tests) != 1 || tests[0].UsedMs != "5700000" || tests[0].LimitMs != "3600000" {
		t.Errorf("hop 6, used of the limit: %+v", tests)
	}

	// 7. Whoever watches heard of it without asking; the event's id is the sequence in
	// the log, so that a browser which lost the line knows where it was.
	if flag.id != fmt.Sprint(raised.Seq) {
		t.Errorf("hop 7, the event's id is %s, the flag stands at %d", flag.id, raised.Seq)
	}
	if !strings.Contains(flag.data, `"TB260301"`) {
		t.Errorf("hop 7, the event says %s", flag.data)
	}

	// 8. The wall shows the tube.
	var wall string
	l.send(http.MethodGet, "/wall", "", &wall)
	if !strings.Contains(wall, "TB260301") {
		t.Error("hop 8, the wall doesn't show the tube")
	}

	// 9. Reception acts on it: the override is a scan like the first, and whoever
	// watches hears of that too.
	l.send(http.MethodPost, "/v1/flags/TB260301:take", `{"by":"lena"}`, nil)
	if e := l.next(events); e.name != "changed" || !strings.Contains(e.data, `"taken"`) {
		t.Errorf("hop 9, the event is %+v", e)
	}
}
