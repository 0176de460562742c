package app

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
)

// 500 flags, answered 2,000 times as fast as they go in: the stream of flags tells each
// change of the log once and in its order, and what it told last is what the list says.
func TestTheStreamOfFlagsMissesNothing(t *testing.T) {
	m := &morning{phoneRig: newPhoneRig(t, morningAt), boxes: map[string][]string{}}
	m.house()
	const tubes, rounds = 500, 4
	var scans []map[string]any
	for i := range tubes {
		s := told("collect", fmt.Sprint("TB28", 1000+i), "08:00:00", "type", "EDTA")
		s["tests"] = []string{"K"}
		scans = append(scans, s)
	}
	m.report(scans)
	m.flagged(tubes)

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, m.url+"/v1/flags:watch", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept", "text/event-stream")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	heard := &flagsHeard{state: map[string]string{}}
	ready := make(chan struct{})
	var reading sync.WaitGroup
	reading.Go(func() { heard.read(resp, ready) })
	<-ready

	before := m.sequence()
	var writing sync.WaitGroup
	for round := range rounds {
		step := []string{"take-flag", "act-flag"}[round%2]
		for part := range slices.Chunk(scans, 125) {
			writing.Go(func() {
				var batch []map[string]any
				for _, s := range part {
					label := s["label"].(map[string]any)["text"].(string)
					one := told(step, label, fmt.Sprintf("09:1%d:00", round), "mode", "live", "place", "LAB", "device", "DESK-1")
					if step == "act-flag" {
						one["details"] = map[string]string{"action": "look-at-tube"}
					}
					batch = append(batch, one)
				}
				text, _ := json.Marshal(map[string]any{"scans": batch}) // maps of texts always have a form
				resp, err := http.Post(m.url+"/v1/scans", "application/json", bytes.NewReader(text))
				if err != nil {
					t.Error(err)
					return
				}
				_ = resp.Body.Close() // what went in is looked for in the log
			})
		}
	}
	writing.Wait()
	want := m.flagChanges(before)
	if len(want) != tubes*rounds {
		t.Fatalf("the log holds %d changes of flags, want %d", len(want), tubes*rounds)
	}
	for deadline := time.Now().Add(time.Minute); heard.last() < want[len(want)-1] && time.Now().Before(deadline); {
		time.Sleep(20 * time.Millisecond)
	}
	stop()
	reading.Wait()
	if got := heard.behind(before); !slices.Equal(got, want) {
		t.Errorf("heard %d changes, the log holds %d; the first that differ: %d", len(got), len(want), firstOther(got, want))
	}
	var list struct {
		Flags []struct{ Tube, State string }
	}
	m.call(http.MethodGet, "/v1/flags", "", &list)
	for _, f := range list.Flags {
		if heard.state[f.Tube] != f.State {
			t.Errorf("%s is %s, and was told as %q", f.Tube, f.State, heard.state[f.Tube])
		}
	}
}

func firstOther(a, b []uint64) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return min(len(a), len(b))
}

func (m *morning) sequence() uint64 {
	m.t.Helper()
	end, err := m.log.End(m.t.Context())
	if err != nil {
		m.t.Fatal(err)
	}
	return end.Custody
}

// flagChanges are the sequences of the log behind one at which somebody answered a flag.
func (m *morning) flagChanges(after uint64) []uint64 {
	m.t.Helper()
	var out []uint64
	for i := range 500 {
		for _, rec := range m.of(fmt.Sprint("TB28", 1000+i)) {
			if rec.Seq > after && slices.ContainsFunc(rec.Facts, func(f event.Fact) bool {
				switch f.(type) {
				case event.FlagTaken, event.FlagActed:
					return true
				}
				return false
			}) {
				out = append(out, rec.Seq)
			}
		}
	}
	slices.Sort(out)
	return out
}

// flagsHeard is what a client of the stream was told.
type flagsHeard struct {
	mu    sync.Mutex
	seqs  []uint64
	state map[string]string
}

func (h *flagsHeard) read(resp *http.Response, ready chan struct{}) {
	lines := bufio.NewReaderSize(resp.Body, 1<<20)
	id := ""
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			return // the test has stopped it
		}
		if text, ok := strings.CutPrefix(line, "id:"); ok {
			id = strings.TrimSpace(text)
		}
		data, ok := strings.CutPrefix(line, "data:")
		if !ok {
			continue
		}
		var change struct {
			Change string
			Flag   *struct{ Tube, State string }
		}
		if json.Unmarshal([]byte(data), &change) != nil {
			continue
		}
		if change.Change == "beat" && ready != nil {
			close(ready) // all that is up was told
			ready = nil
		}
		seq, _ := strconv.ParseUint(id, 10, 64) // 0 counts as before everything
		h.mu.Lock()
		if change.Flag != nil {
			h.seqs = append(h.seqs, seq)
			h.state[change.Flag.Tube] = change.Flag.State
		}
		h.mu.Unlock()
	}
}

func (h *flagsHeard) last() uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.seqs) == 0 {
		return 0
	}
	return h.seqs[len(h.seqs)-1]
}

func (h *flagsHeard) behind(after uint64) []uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	var out []uint64
	for _, s := range h.seqs {
		if s > after {
			out = append(out, s)
		}
	}
	return out
}
