package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"specimen.example/custody/internal/app/demo"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// ran runs a command to its end.
func ran(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = run(t.Context(), args, &out, &err)
	return code, out.String(), err.String()
}

// must runs a command that must succeed.
func must(t *testing.T, args ...string) string {
	t.Helper()
	code, out, err := ran(t, args...)
	if code != exitDone {
		t.Fatalf("custodyd %s: exit %d: %s%s", strings.Join(args, " "), code, out, err)
	}
	return out
}

// fails runs a command that must end with code and say every word.
func fails(t *testing.T, code int, say []string, args ...string) {
	t.Helper()
	got, out, err := ran(t, args...)
	if got != code {
		t.Errorf("custodyd %s: exit %d, want %d: %s%s", strings.Join(args, " "), got, code, out, err)
	}
	for _, word := range say {
		if !strings.Contains(err, word) {
			t.Errorf("custodyd %s: %q is not in: %s", strings.Join(args, " "), word, err)
		}
	}
}

// site is a daemon with a steered clock, spoken to by REST.
type site struct {
	*daemon
	url string
}

func newSite(t *testing.T, args ...string) *site {
	t.Helper()
	d := launch(t, append(args, "--listen", "127.0.0.1:0", "--clock", "steered", "--log", "error")...)
	return &site{d, d.address()}
}

// call makes a REST call; the answer is read into v unless it is nil.
func (s *site) call(ctx context.Context, method, path string, body, v any) error {
	text, err := json.Marshal(body)
	if err != nil {
		return err
	}
	if body == nil {
		text = nil
	}
	req, err := http.NewRequestWithContext(ctx, method, s.url+path, bytes.NewReader(text))
	if err != nil {
		return err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		return err
	}
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("%s %s: HTTP %d: %s", method, path, resp.StatusCode, data)
	}
	if v == nil {
		return nil
	}
	return json.Unmarshal(data, v)
}

func (s *site) must(method, path string, body, v any) {
	s.t.Helper()
	if err := s.call(s.t.Context(), method, path, body, v); err != nil {
		s.t.Fatal(err)
	}
}

func (s *site) set(now time.Time) {
	s.t.Helper()
	s.must(http.MethodPut, "/v1/clock", map[string]any{"now": now.Format(time.RFC3339Nano)}, nil)
}

// scans sends scans, each of which must be recorded, and gives their sequences.
func (s *site) scans(ctx context.Context, scans []map[string]any) ([]string, error) {
	var resp struct {
		Answers []struct{ Answer, Sequence, Say string }
	}
	if err := s.call(ctx, http.MethodPost, "/v1/scans", map[string]any{"scans": scans}, &resp); err != nil {
		return nil, err
	}
	var out []string
	for i, a := range resp.Answers {
		if a.Answer != "recorded" {
			return nil, fmt.Errorf("%v: %+v", scans[i], a)
		}
		out = append(out, a.Sequence)
	}
	return out, nil
}

func collected(id, tube, patient string, at time.Time) map[string]any {
	return map[string]any{
		"id": id, "step": "collect", "label": map[string]any{"text": tube}, "by": "mira", "place": "WARD-N", "device": "H-09", "mode": "reported",
		"occurredAt": at.Format(time.RFC3339Nano), "patient": patient, "type": "LIHEP-GEL", "tests": []string{"K", "GLU"}, "app": "test",
	}
}

// many is how many tubes stand beside those of the demo.
const many = 300

// fill seeds the demo and many tubes more, in boxes with loggers; it gives their ids.
// All of it is invented.
func (s *site) fill(now time.Time) []string {
	s.t.Helper()
	s.set(now)
	conn, err := grpc.NewClient(strings.TrimPrefix(s.url, "http://"), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		s.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if err := demo.Seed(s.t.Context(), conn, now, nil); err != nil {
		s.t.Fatal(err)
	}
	// The numbers of this test are none of the demo's.
	s.must(http.MethodPut, "/v1/schemes", map[string]any{"by": "lena"}, nil)
	s.must(http.MethodPut, "/v1/places/WARD-N", map[string]any{
		"kind": "ward", "zone": "Europe/Berlin", "assumed": map[string]any{"low": "20", "high": "24"}, "basis": "invented", "owner": "lena", "by": "lena",
	}, nil)
	var ids []string
	for _, shown := range demo.Tubes() {
		ids = append(ids, shown.ID)
	}
	var scans []map[string]any
	for i := range many {
		tube, box := fmt.Sprintf("TB%06d", i), fmt.Sprintf("B-%d", i%5)
		at := now.Add(-time.Duration(many-i) * time.Minute) // the oldest are past their limits, the last are fresh
		ids = append(ids, tube)
		scans = append(scans, collected("c-"+tube, tube, fmt.Sprint("P-", i/3), at), map[string]any{
			"id": "p-" + tube, "step": "pack", "label": map[string]any{"text": tube}, "by": "mira", "carrier": box, "device": "H-09", "mode": "reported",
			"occurredAt": at.Add(30 * time.Second).Format(time.RFC3339Nano),
		})
	}
	for len(scans) > 0 {
		n := min(len(scans), 200)
		if _, err := s.scans(s.t.Context(), scans[:n]); err != nil {
			s.t.Fatal(err)
		}
		scans = scans[n:]
	}
	for box := range 5 {
		logger := fmt.Sprint("LG-9", box)
		if _, err := s.scans(s.t.Context(), []map[string]any{{
			"id": "a-" + logger, "step": "attach", "label": map[string]any{"text": logger}, "by": "mira", "carrier": fmt.Sprint("B-", box), "device": "H-09", "mode": "reported",
			"occurredAt": now.Add(-5 * time.Hour).Format(time.RFC3339Nano),
		}}); err != nil {
			s.t.Fatal(err)
		}
		var readings []map[string]any
		for m := range 60 {
			readings = append(readings, map[string]any{
				"at": now.Add(time.Duration(5*m-300) * time.Minute).Format(time.RFC3339Nano), "celsius": fmt.Sprintf("%d.%d", 6+5*box, m%10),
			})
		}
		s.must(http.MethodPost, "/v1/readings", map[string]any{"runs": []map[string]any{{"logger": logger, "id": "r-" + logger, "readings": readings}}}, nil)
	}
	return ids
}

// told is everything that a daemon says of a tube: state, timeline, doubts, verdicts,
// flag, and how each verdict came about.
func (s *site) told(id string) map[string]any {
	s.t.Helper()
	var tube map[string]any
	s.must(http.MethodGet, "/v1/tubes/"+url.PathEscape(id), nil, &tube)
	verdicts, _ := tube["verdicts"].([]any)
	for _, v := range verdicts {
		test, _ := v.(map[string]any)["assay"].(string)
		if test == "" {
			continue // no tests are known: there is nothing to explain
		}
		var why map[string]any
		s.must(http.MethodGet, "/v1/tubes/"+url.PathEscape(id)+"/tests/"+url.PathEscape(test), nil, &why)
		tube["explanation of "+test] = why
	}
	return tube
}

// settled waits until the daemon appends flags, and until all that the instant asks
// for is judged, appended and read back: that is when setting the clock is answered.
func (s *site) settled(now time.Time) {
	s.t.Helper()
	for deadline := time.Now().Add(time.Minute); ; {
		var ready struct{ Checks []struct{ Check, Saw string } }
		s.must(http.MethodGet, "/readyz", nil, &ready)
		for _, c := range ready.Checks {
			if c.Check == "role" && c.Saw == "appends flags" {
				s.set(now)
				return
			}
		}
		if time.Now().After(deadline) {
			s.t.Fatal("it doesn't come to append flags")
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func indented(t *testing.T, v any) string {
	t.Helper()
	text, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// firstDifference shows where two texts part.
func firstDifference(a, b string) string {
	as, bs := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(as), len(bs)) {
		if as[i] != bs[i] {
			return fmt.Sprintf("line %d: %s, restored: %s", i+1, as[i], bs[i])
		}
	}
	return fmt.Sprintf("%d lines, restored: %d", len(as), len(bs))
}

// A backup made while scans go on, restored into an empty folder, is the same log: at
// the same instant a daemon on it says the same of every tube, to the last letter.
// What was acknowledged before the backup began is in it.
func TestARestoredBackupSaysTheSameOfEveryTube(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	data, work := t.TempDir(), t.TempDir()
	first := newSite(t, "--data", data)
	ids := first.fill(now)
	first.settled(now)

	// Scans of other tubes go on; each remembers what it got.
	ctx, stop := context.WithCancel(t.Context())
	var mu sync.Mutex
	var acked []string // busy tubes in the order of their acknowledgement
	var busy sync.WaitGroup
	some := make(chan struct{}, 1)
	for desk := range 3 {
		busy.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				tube := fmt.Sprintf("BUSY%d%05d", desk, i)
				if _, err := first.scans(ctx, []map[string]any{collected("c-"+tube, tube, "P-9"+tube, now)}); err != nil {
					if ctx.Err() == nil {
						t.Error(err)
					}
					return
				}
				mu.Lock()
				acked = append(acked, tube)
				if len(acked) == 20 {
					some <- struct{}{}
				}
				mu.Unlock()
			}
		})
	}
	<-some
	mu.Lock()
	before := append([]string(nil), acked...)
	mu.Unlock()
	to := filepath.Join(work, "monday")
	out := must(t, "backup", "--data", data, "--to", to)
	mu.Lock()
	during := len(acked) - len(before)
	mu.Unlock()
	stop()
	busy.Wait()
	if !strings.Contains(out, "CUSTODY_2026") || !strings.Contains(out, "KEYS") {
		t.Errorf("it prints no counts: %s", out)
	}
	t.Logf("%d scans before the backup, %d during it", len(before), during)
	fails(t, exitFailed, []string{"is there already", "doesn't exist"}, "backup", "--data", data, "--to", to)

	restored := filepath.Join(work, "restored")
	out = must(t, "restore", "--from", to, "--data", restored)
	if !strings.Contains(out, "read back and compared") || !strings.Contains(out, "--volume 2026") {
		t.Errorf("it says: %s", out)
	}
	// What wraps the patients' keys is in no backup: it comes from its own copy.
	if d := launch(t, "--data", restored, "--listen", "127.0.0.1:0"); d.ended() != exitFailed || !strings.Contains(d.err.String(), "identity.keys") {
		t.Errorf("it started without identity.keys: %s", d.err)
	}
	copyRing(t, data, restored)
	second := newSite(t, "--data", restored)
	later := now.Add(20 * time.Minute)
	for _, s := range []*site{first, second} {
		s.settled(later)
	}
	verdicts, flagged := map[string]int{}, 0
	for _, id := range ids {
		a, b := first.told(id), second.told(id)
		// The place of a flag that time raised after the backup is each log's own.
		dropSequences(a)
		dropSequences(b)
		x, y := indented(t, a), indented(t, b)
		if x != y {
			t.Errorf("%s: %s", id, firstDifference(x, y))
		}
		list, _ := a["verdicts"].([]any)
		for _, v := range list {
			verdicts[fmt.Sprint(v.(map[string]any)["verdict"])]++
		}
		if a["flag"] != nil {
			flagged++
		}
	}
	if len(ids) != many+len(demo.Tubes()) || len(verdicts) < 4 || flagged < 20 {
		t.Errorf("%d tubes, %d of them flagged, verdicts %v: too little to compare", len(ids), flagged, verdicts)
	}
	for _, tube := range before {
		var got map[string]any
		if err := second.call(t.Context(), http.MethodGet, "/v1/tubes/"+tube, nil, &got); err != nil {
			t.Errorf("acknowledged before the backup and not in it: %v", err)
		}
	}
	var rulesA, rulesB map[string]any
	first.must(http.MethodGet, "/v1/rules", nil, &rulesA)
	second.must(http.MethodGet, "/v1/rules", nil, &rulesB)
	if x, y := indented(t, rulesA), indented(t, rulesB); x != y {
		t.Errorf("the limits: %s", firstDifference(x, y))
	}
	// A further tube of a patient gets the reference that the patient had: the secret of
	// the index and the patients' keys came along.
	for _, s := range []*site{first, second} {
		if _, err := s.scans(t.Context(), []map[string]any{collected("c-again", "TB900000", "P-0", later)}); err != nil {
			t.Fatal(err)
		}
	}
	first.end()
	second.end()
	had, got := patientOf(t, data, "L-TB000000"), patientOf(t, restored, "L-TB900000")
	if had == "" || had != got || had != patientOf(t, data, "L-TB900000") {
		t.Errorf("the patient was %q and is %q", had, got)
	}
}

// patientOf is the reference of the patient whom the first fact of a tube names.
func patientOf(t *testing.T, data string, tube event.Key) string {
	t.Helper()
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: data, Volume: "2026", BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	history, err := log.History(t.Context(), event.KindTube, tube)
	if err != nil || len(history) == 0 {
		t.Fatalf("%s: %d decisions, %v", tube, len(history), err)
	}
	for _, f := range history[0].Facts {
		if c, ok := f.(event.Collected); ok {
			return c.Patient
		}
	}
	return ""
}

// dropSequences takes out where in the log something stands.
func dropSequences(v any) {
	switch v := v.(type) {
	case map[string]any:
		delete(v, "sequence")
		for _, inner := range v {
			dropSequences(inner)
		}
	case []any:
		for _, inner := range v {
			dropSequences(inner)
		}
	}
}

// copyRing puts the copy of the keys that wrap the patients' keys beside a store.
func copyRing(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(from, "identity.keys"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(to, "identity.keys"), data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// A sealed store gives a sealed backup, stopped or running, and never with another key.
func TestAStoreWithAKeyFileIsBackedUpSealed(t *testing.T) {
	data, work := t.TempDir(), t.TempDir()
	key, other := file(t, "an invented key for tests, long enough"), file(t, "another invented key, as long as it")
	s := newSite(t, "--data", data, "--key-file", key)
	s.set(time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC))
	if _, err := s.scans(t.Context(), []map[string]any{collected("c-1", "TB000001", "P-7001", time.Date(2026, 11, 24, 11, 0, 0, 0, time.UTC))}); err != nil {
		t.Fatal(err)
	}
	fails(t, exitFailed, []string{"key-file", "give it"}, "backup", "--data", data, "--to", filepath.Join(work, "a"))
	fails(t, exitFailed, []string{"key-file", "another one"}, "backup", "--data", data, "--to", filepath.Join(work, "a"), "--key-file", other)
	running, stopped := filepath.Join(work, "running"), filepath.Join(work, "stopped")
	must(t, "backup", "--data", data, "--to", running, "--key-file", key)
	s.end()
	must(t, "backup", "--data", data, "--to", stopped, "--key-file", key)
	for _, dir := range []string{running, stopped} {
		if _, err := os.Stat(filepath.Join(dir, "index.key")); err == nil {
			t.Errorf("%s holds a secret in the clear", filepath.Base(dir))
		}
	}
	into := filepath.Join(work, "into")
	fails(t, exitFailed, []string{"--key-file"}, "restore", "--from", running, "--data", into)
	fails(t, exitFailed, []string{"another key"}, "restore", "--from", running, "--data", into, "--key-file", other)
	must(t, "restore", "--from", running, "--data", into, "--key-file", key)
	copyRing(t, data, into)
	again := newSite(t, "--data", into, "--key-file", key)
	var tube map[string]any
	again.must(http.MethodGet, "/v1/tubes/TB000001", nil, &tube)
	again.end()
}

func TestWrongUsageOfCommands(t *testing.T) {
	for name, tc := range map[string]struct {
		args []string
		say  []string
	}{
		"backup to nowhere":       {[]string{"backup"}, []string{"--to"}},
		"backup with some keys":   {[]string{"backup", "--to", "x", "--keys", "some"}, []string{"include", "leave-out"}},
		"restore of nothing":      {[]string{"restore"}, []string{"--from"}},
		"restore into a cluster":  {[]string{"restore", "--from", "x", "--nats", "nats://127.0.0.1:1"}, []string{"nats", "cluster"}},
		"a word":                  {[]string{"doctor", "please"}, []string{`"please"`}},
		"an option of the daemon": {[]string{"doctor", "--demo"}, []string{"-demo"}},
		"no verb":                 {[]string{"volume"}, []string{"list, open, close, archive or remove"}},
		"another verb":            {[]string{"volume", "begin", "2027"}, []string{`"begin"`}},
		"no name":                 {[]string{"volume", "close"}, []string{"NAME"}},
		"closed without again":    {[]string{"volume", "close", "2025"}, []string{"can't be taken back", "--again 2025"}},
		"another name again":      {[]string{"volume", "close", "2025", "--again", "2026"}, []string{"--again 2025"}},
		"removed unarchived":      {[]string{"volume", "remove", "2025", "--again", "2025"}, []string{"--archive"}},
		"removed without again":   {[]string{"volume", "remove", "2025", "--archive", "x"}, []string{"--again 2025"}},
		"archived nowhere":        {[]string{"volume", "archive", "2025"}, []string{"--to"}},
	} {
		t.Run(name, func(t *testing.T) { fails(t, exitUsage, append(tc.say, "--help"), tc.args...) })
	}
	for _, c := range commands {
		if code, _, err := ran(t, c.name, "--help"); code != exitDone || !strings.Contains(err, "custodyd "+c.name) || !strings.Contains(err, "-data") {
			t.Errorf("%s --help: exit %d, %s", c.name, code, err)
		}
		if _, _, err := ran(t, "--help"); !strings.Contains(err, "custodyd "+c.name) {
			t.Errorf("--help doesn't tell of %s", c.name)
		}
	}
}

func TestACommandSaysWhereThereIsNoLog(t *testing.T) {
	empty := t.TempDir()
	fails(t, exitFailed, []string{"data", "--data"}, "doctor", "--data", filepath.Join(empty, "none"))
	fails(t, exitFailed, []string{"holds no store"}, "doctor", "--data", empty)
	fails(t, exitFailed, []string{"manifest.json", ".partial"}, "restore", "--from", empty, "--data", filepath.Join(empty, "to"))
	// A folder that is held by something without a door.
	unlock, err := lock(empty)
	if err != nil {
		t.Fatal(err)
	}
	defer unlock()
	fails(t, exitFailed, []string{"doesn't answer", "operator.sock", "starting"}, "doctor", "--data", empty)
}
