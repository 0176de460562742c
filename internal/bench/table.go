package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"
)

// row is one measured thing. Durations are microseconds; 0 is "not measured".
type row struct {
	Part    string  `json:"part"`
	What    string  `json:"what"`
	Callers int     `json:"callers,omitempty"`
	PerSec  float64 `json:"perSecond,omitempty"`
	P50     float64 `json:"p50Microseconds,omitempty"`
	P99     float64 `json:"p99Microseconds,omitempty"`
	NsOp    float64 `json:"nsPerOp,omitempty"`
	Allocs  float64 `json:"allocsPerOp,omitempty"`
	Bytes   float64 `json:"bytes,omitempty"`  // alive, for one of what
	Said    string  `json:"said,omitempty"`   // ratio and target in words
	Missed  bool    `json:"missed,omitempty"` // a target was not met
	At      string  `json:"at,omitempty"`     // of an earlier run than the table
	before  string
}

// table is one run of the program.
type table struct {
	At   string `json:"at"`
	Go   string `json:"go"`
	CPUs int    `json:"cpus"`
	Load string `json:"load"` // one-minute load average before and after
	Rows []row  `json:"rows"`
	// Losses compares orders before the centrifuges; they are counts, not times.
	Losses []lossRow `json:"losses,omitempty"`
	// Faults are counters that are not what they must be; they fail the run.
	Faults []string `json:"faults,omitempty"`

	kept       []row // of parts that this run left out
	keptLosses []lossRow
}

func newTable() *table {
	return &table{At: time.Now().UTC().Format(time.RFC3339), Go: runtime.Version(), CPUs: runtime.NumCPU(), Load: load()}
}

func (t *table) add(r row) { t.Rows = append(t.Rows, r) }

// fail notes a fault, each once.
func (t *table) fail(format string, args ...any) {
	if fault := fmt.Sprintf(format, args...); !slices.Contains(t.Faults, fault) {
		t.Faults = append(t.Faults, fault)
	}
}

func (t *table) end() { t.Load += " before, " + load() + " after" }

// load is the machine's one-minute load average: other work on the machine is
// part of every number here.
func load() string {
	data, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	first, _, _ := strings.Cut(string(data), " ")
	return first
}

// speed is what compare compares: things a second, or an inverse time.
func (r *row) speed() float64 {
	switch {
	case r.PerSec > 0:
		return r.PerSec
	case r.NsOp > 0:
		return 1 / r.NsOp
	case r.P99 > 0:
		return 1 / r.P99
	case r.Bytes > 0:
		return 1 / r.Bytes
	}
	return 0
}

// compare notes beside each row how it stands to the run kept in file, and keeps the
// rows of parts that didn't run now.
func (t *table) compare(file string) error {
	data, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	var old table
	if err := json.Unmarshal(data, &old); err != nil {
		return fmt.Errorf("%s can't be read; delete it: %w", file, err)
	}
	for i := range t.Rows {
		r := &t.Rows[i]
		j := slices.IndexFunc(old.Rows, func(o row) bool { return o.Part == r.Part && o.What == r.What && o.Callers == r.Callers })
		if j < 0 {
			continue
		}
		if was, is := old.Rows[j].speed(), r.speed(); was > 0 && is > 0 {
			r.before = fmt.Sprintf("%+.0f %%", (is/was-1)*100)
		}
	}
	for _, o := range old.Rows {
		if !slices.ContainsFunc(t.Rows, func(r row) bool { return r.Part == o.Part }) {
			o.At = cmp.Or(o.At, old.At)
			t.kept = append(t.kept, o)
		}
	}
	if len(t.Losses) == 0 {
		t.keptLosses = old.Losses
	}
	return nil
}

func (t *table) save(file string) error {
	all := *t
	all.Rows = slices.Concat(t.Rows, t.kept)
	all.Losses = slices.Concat(t.Losses, t.keptLosses)
	data, err := json.MarshalIndent(&all, "", "  ")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return err
	}
	return os.WriteFile(file, append(data, '\n'), 0o644)
}

func (t *table) print(w io.Writer) {
	_, _ = fmt.Fprintf(w, "%s, %s, %d CPUs, load %s\n", t.At, t.Go, t.CPUs, t.Load)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintln(tw, "part\twhat\tcallers\tper s\tp50\tp99\tns/op\tallocs\tspeed to last run\tratio and target")
	for i := range t.Rows {
		r := &t.Rows[i]
		said := r.Said
		if r.Missed {
			said += "  MISSED"
		}
		allocs := ""
		if r.NsOp > 0 {
			allocs = fmt.Sprintf("%.2f", r.Allocs)
		}
		_, _ = fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.Part, r.What, number(float64(r.Callers)), number(r.PerSec),
			ms(r.P50), ms(r.P99), number(r.NsOp), allocs, r.before, said)
	}
	_ = tw.Flush() // standard output; nowhere to report a failure to
	if len(t.Losses) > 0 {
		printLosses(w, t.Losses)
	}
	for _, fault := range t.Faults {
		_, _ = fmt.Fprintf(w, "FAULT: %s\n", fault)
	}
}

func printLosses(w io.Writer, rows []lossRow) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintf(tw, "\ntests lost before the centrifuges\ttubes\tfirst come\tbut nothing exhausted\turgent first\tbound\tof first come (want %.2f)\n", aim)
	for i := range rows {
		r := &rows[i]
		ratio := "too few to say"
		if r.First >= fewLost {
			ratio = fmt.Sprintf("%.2f", r.ratio())
		}
		if r.missed() {
			ratio += "  MISSED"
		}
		_, _ = fmt.Fprintf(tw, "%s\t%d\t%d\t%d\t%d\t%d\t%s\n", r.Load, r.Tubes, r.First, r.Aside, r.Urgent, r.Bound, ratio)
	}
	_ = tw.Flush() // standard output
}

func number(v float64) string {
	if v == 0 {
		return ""
	}
	return fmt.Sprintf("%.0f", v)
}

func ms(us float64) string {
	if us == 0 {
		return ""
	}
	return fmt.Sprintf("%.2f ms", us/1000)
}

// sample is what one round measured.
type sample struct {
	took   time.Duration
	cpu    time.Duration // of this process, where it was measured: it doesn't know of other work on the machine
	done   int
	delays []time.Duration
}

// cpuTime is what this process has computed so far.
func cpuTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// cpuEach is the processor's time for one, in ns.
func (s *sample) cpuEach() float64 { return float64(s.cpu) / float64(max(s.done, 1)) }

func (s *sample) perSecond() float64 { return float64(s.done) / s.took.Seconds() }

// quantile is the smallest delay that at least q of all don't exceed, in
// microseconds.
func (s *sample) quantile(q float64) float64 {
	if len(s.delays) == 0 {
		return 0
	}
	slices.Sort(s.delays)
	i := int(q * float64(len(s.delays)))
	return float64(s.delays[min(i, len(s.delays)-1)]) / 1e3
}

// median of the rounds: shared machines make single rounds worthless.
func median(samples []sample, f func(*sample) float64) float64 {
	if len(samples) == 0 {
		return 0
	}
	v := make([]float64, len(samples))
	for i := range samples {
		v[i] = f(&samples[i])
	}
	slices.Sort(v)
	return v[len(v)/2]
}
