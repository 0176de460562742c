package app

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/live"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// health explains itself: every check says what it saw and what to do.
type health struct {
	a        *App
	stopping atomic.Bool
}

func newHealth(a *App) *health { return &health{a: a} }

type finding struct {
	Check  string `json:"check"`
	OK     bool   `json:"ok"`
	Saw    string `json:"saw"`
	Remedy string `json:"remedy,omitempty"`
	warns  bool   // somebody must act, and scans are still taken
	told   bool   // it turns nothing red
}

// live says whether somebody must act: it is red before a store is full, too.
func (h *health) live(w http.ResponseWriter, r *http.Request) {
	h.answer(w, h.findings(r.Context()), func(f finding) bool { return f.OK || f.told })
}

// ready says whether the process may get scans: it has read the log and the log
// takes writes.
func (h *health) ready(w http.ResponseWriter, r *http.Request) {
	fs := h.findings(r.Context())
	if h.stopping.Load() {
		fs = append(fs, finding{Check: "stopping", Saw: "the process is stopping", Remedy: "send to another process, or wait for the restart"})
	}
	h.answer(w, fs, func(f finding) bool { return f.OK || f.told || f.warns })
}

func (h *health) findings(ctx context.Context) []finding {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	m := h.a.model
	at := m.At()
	fs := []finding{{Check: "model", OK: m.Ready(), Saw: fmt.Sprintf("read up to %d, readings up to %d", at.Custody, at.Readings)}}
	if !m.Ready() {
		fs[0].Remedy = "the log is being read; wait"
	}
	end, err := h.a.parts.Log.End(ctx)
	if err != nil {
		fs = append(fs, finding{
			Check: "log", Saw: "the log does not answer: " + err.Error(),
			Remedy: "look at the disk, or at the cluster's servers, and at the log file; scans are answered not-saved until it does",
		})
	} else {
		behind := int64(end.Custody-at.Custody) + int64(end.Readings-at.Readings) //nolint:gosec // far below 2^63
		fs = append(fs, finding{Check: "log", OK: true, Saw: fmt.Sprintf("ends at %d, readings at %d, %d not yet read", end.Custody, end.Readings, behind)})
	}
	if log, ok := h.a.parts.Log.(eventlog.Examined); ok {
		for _, f := range log.Findings() {
			fs = append(fs, finding{Check: f.Check, OK: f.OK, Saw: f.Saw, Remedy: f.Remedy, warns: !f.Stops})
		}
	}
	if n := len(m.BrokenMessages()); n > 0 {
		fs = append(fs, finding{Check: "could not process", told: true, Saw: strconv.Itoa(n) + " messages of the log", Remedy: "their tubes say \"cannot say\"; see the log file for subject and sequence, and call the engineer"})
	}
	fs = append(fs, h.a.outside.findings(ctx)...)
	role := "follows; another process appends flags"
	if m.Leading() {
		role = "appends flags"
	}
	return append(fs, finding{Check: "role", OK: true, Saw: role})
}

func (h *health) answer(w http.ResponseWriter, fs []finding, good func(finding) bool) {
	code := http.StatusOK
	for _, f := range fs {
		if !good(f) {
			code = http.StatusServiceUnavailable
		}
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	_ = enc.Encode(map[string]any{"ok": code == http.StatusOK, "checks": fs})
}

// counts are the daemon's metrics. No label holds a specimen's or person's id.
type counts struct {
	answers  *prometheus.CounterVec
	calls    *prometheus.CounterVec
	duration *prometheus.HistogramVec
}

func newCounts(r *prometheus.Registry, m *live.Model, o *outside) *counts {
	c := &counts{
		answers: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "custody_scan_answers_total", Help: "Answers to scans by word.",
		}, []string{"answer"}),
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "custody_calls_total", Help: "Calls of the API by method and code.",
		}, []string{"method", "code"}),
		duration: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "custody_call_duration_seconds", Help: "Time to answer a call of the API.", Buckets: prometheus.ExponentialBuckets(0.0005, 2, 15),
		}, []string{"method"}),
	}
	if o != nil {
		r.MustRegister(outsideCounts{o})
	}
	r.MustRegister(c.answers, c.calls, c.duration,
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "custody_log_read_sequence", Help: "Sequence of the custody stream that the model has read."},
			func() float64 { return float64(m.At().Custody) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "custody_flags_up", Help: "Tubes whose flag is up."},
			func() float64 { return float64(len(m.Flagged())) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "custody_messages_not_processed", Help: "Messages of the log that could not be processed."},
			func() float64 { return float64(len(m.BrokenMessages())) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "custody_tubes", Help: "Tubes of the log."},
			func() float64 { return float64(m.Effort().Tubes) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "custody_tubes_resting", Help: "Tubes of which all is over, out of memory."},
			func() float64 { return float64(m.Effort().Resting) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "custody_tubes_watched", Help: "Tubes of which readings or time can still change something."},
			func() float64 { return float64(m.Effort().Watched) }),
		prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "custody_judgings_total", Help: "Judgements of tubes about which something may have changed."},
			func() float64 { return float64(m.Effort().Judgings) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "custody_leading", Help: "1 when this process appends flags."},
			func() float64 {
				if m.Leading() {
					return 1
				}
				return 0
			}),
	)
	return c
}

func (c *counts) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	start := time.Now()
	resp, err := next(ctx, req)
	c.duration.WithLabelValues(info.FullMethod).Observe(time.Since(start).Seconds())
	c.calls.WithLabelValues(info.FullMethod, status.Code(err).String()).Inc()
	if r, ok := resp.(*custodyv1.RecordScansResponse); ok && err == nil {
		for _, a := range r.GetAnswers() {
			c.answers.WithLabelValues(a.GetAnswer()).Inc()
		}
	}
	return resp, err
}

func (c *counts) handler(r *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{})
}
