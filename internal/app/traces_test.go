package app_test

import (
	"bytes"
	"encoding/hex"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"

	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	otlp "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/app"
)

// spans is a collector that keeps what it is sent.
type spans struct {
	mu   sync.Mutex
	list []*otlp.Span
	raw  bytes.Buffer
}

func (s *spans) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	var sent collector.ExportTraceServiceRequest
	if err == nil {
		err = proto.Unmarshal(body, &sent)
	}
	if err != nil || r.URL.Path != "/v1/traces" {
		http.Error(w, "no spans", http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.raw.Write(body)
	for _, of := range sent.GetResourceSpans() {
		for _, scope := range of.GetScopeSpans() {
			s.list = append(s.list, scope.GetSpans()...)
		}
	}
}

// below gives the spans of a name whose parent is one of those.
func (s *spans) below(name string, parents ...[]byte) []*otlp.Span {
	var out []*otlp.Span
	for _, span := range s.list {
		if span.GetName() == name && slices.ContainsFunc(parents, func(id []byte) bool { return bytes.Equal(id, span.GetParentSpanId()) }) {
			out = append(out, span)
		}
	}
	return out
}

// A scan that comes too late is followed from the caller's own span (W3C Trace
// Context, traceparent) through the log and the judge to the flag in the log; the
// spans tell of no tube, person or patient. The messages are those of OTLP's own
// published schema.
func TestATraceLeadsFromTheScanToTheFlag(t *testing.T) {
	sent := &spans{}
	server := httptest.NewServer(sent)
	defer server.Close()
	provider, flush, err := app.Traces(t.Context(), server.URL, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	l := newLine(t, func(p *app.Parts) { p.Tracer = provider })
	l.house()
	l.send(http.MethodPut, "/v1/clock", `{"now":"2026-11-25T08:00:00Z"}`, nil)
	events := l.watch()
	const trace, caller = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7" // the example of the W3C recommendation, section 3.2
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, l.url+"/v1/scans", strings.NewReader(
		`{"scans":[{"id":"scan-1","step":"collect","occurredAt":"2026-11-24T09:00:00+01:00","label":{"text":"TB260301"},
		"device":"H-09","place":"WARD-N","by":"mira","patient":"P-7001","type":"LIHEP-GEL","tests":["2345-7"]}]}`))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("traceparent", "00-"+trace+"-"+caller+"-01")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if err := resp.Body.Close(); err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("HTTP %d, %v", resp.StatusCode, err)
	}
	if e := l.next(events); !strings.Contains(e.data, "TB260301") {
		t.Fatalf("the flag: %+v", e)
	}
	if err := l.app.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := flush(t.Context()); err != nil {
		t.Fatal(err)
	}

	sent.mu.Lock()
	defer sent.mu.Unlock()
	sent.list = slices.DeleteFunc(sent.list, func(s *otlp.Span) bool { return hex.EncodeToString(s.GetTraceId()) != trace })
	parents := [][]byte{unhex(t, caller)}
	for _, name := range []string{"RecordScans", "log append", "judge", "log append"} {
		found := sent.below(name, parents...)
		if len(found) == 0 {
			t.Fatalf("no span %q under the one before, of %d spans of the trace", name, len(sent.list))
		}
		parents = nil
		for _, s := range found {
			parents = append(parents, s.GetSpanId())
		}
	}
	raised := slices.ContainsFunc(sent.list, func(s *otlp.Span) bool { return strings.Contains(s.String(), "FlagRaised") })
	if !raised {
		t.Error("no span says that a flag was raised")
	}
	for _, word := range []string{"TB260301", "7001", "mira", "H-09"} {
		if bytes.Contains(sent.raw.Bytes(), []byte(word)) {
			t.Errorf("the spans tell of %s", word)
		}
	}
}

func TestTracesNeedAnAddress(t *testing.T) {
	for _, endpoint := range []string{"127.0.0.1:4318", "ftp://127.0.0.1", "http://", "://"} {
		if _, _, err := app.Traces(t.Context(), endpoint, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "traces") || !strings.Contains(err.Error(), "4318") {
			t.Errorf("%q: %v", endpoint, err)
		}
	}
}

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	data, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return data
}
