package app

import (
	"context"
	"fmt"

	"github.com/prometheus/client_golang/prometheus"

	"specimen.example/custody/internal/web"
)

// findings says how each receiver stands. They turn nothing red: a mail server that is
// down is no reason to start the daemon again, and no scan waits for it.
func (o *outside) findings(ctx context.Context) []finding {
	all, err := o.standings(ctx)
	if err != nil {
		return []finding{{Check: "told outside", told: true, Saw: "what was told can't be read: " + err.Error(), Remedy: "look at the log's findings"}}
	}
	var fs []finding
	for i := range all {
		s := &all[i]
		f := finding{Check: "told outside: " + s.Name, OK: true, told: true, Saw: s.say()}
		if age(s.State, o.a.parts.Clock.Now()) > lateAfter {
			f.OK, f.Remedy = false, "look whether the receiver works and can be reached; nothing is lost, and the screens show every flag"
		}
		fs = append(fs, f)
	}
	return fs
}

// say is a receiver's standing in words.
func (s *receiverStands) say() string {
	text := "nothing waits"
	if s.State.Waiting > 0 {
		text = fmt.Sprintf("%d tubes wait since %s", s.State.Waiting, s.State.Since)
	}
	if s.State.Last != "" {
		text += "; the last try failed: " + s.State.Last
	}
	if s.State.LaidDown > 0 {
		text += fmt.Sprintf("; %d messages were refused for a day and given up", s.State.LaidDown)
	}
	if !s.Here {
		text += "; another process tells it"
	}
	return text
}

// outside adds how those stand who are told outside the screens.
func (p *pages) outside(ctx context.Context, out *web.House) error {
	all, err := p.a.outside.standings(ctx)
	for _, s := range all {
		out.Outside = append(out.Outside, web.HouseOutside{
			Name: s.Name, Waiting: s.State.Waiting, Since: s.State.Since, GivenUp: s.State.LaidDown, Last: s.State.Last,
		})
	}
	return err
}

// outsideCounts are the metrics of the receivers, by their names in the settings. A
// process that doesn't tell them shows that nothing waits.
type outsideCounts struct{ o *outside }

func outsideDesc(name, help string) *prometheus.Desc {
	return prometheus.NewDesc("custody_outside_"+name, help, []string{"receiver"}, nil)
}

var (
	outsideWaiting  = outsideDesc("waiting", "Tubes whose flag a receiver should have been told of by now.")
	outsideOldest   = outsideDesc("oldest_seconds", "For how long the first of them has waited.")
	outsideSent     = outsideDesc("sent_total", "Messages that a receiver took.")
	outsideFailed   = outsideDesc("failed_total", "Tries of a message that a receiver did not take.")
	outsideLaidDown = outsideDesc("given_up_total", "Messages that a receiver refused for a day.")
)

// Describe implements prometheus.Collector.
func (c outsideCounts) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{outsideWaiting, outsideOldest, outsideSent, outsideFailed, outsideLaidDown} {
		to <- d
	}
}

// Collect implements prometheus.Collector.
func (c outsideCounts) Collect(to chan<- prometheus.Metric) {
	now := c.o.a.parts.Clock.Now()
	for _, r := range c.o.receivers {
		s := r.now()
		gauge := func(d *prometheus.Desc, v float64) {
			to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, r.Name)
		}
		counter := func(d *prometheus.Desc, v int64) {
			to <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), r.Name)
		}
		gauge(outsideWaiting, float64(s.Waiting))
		gauge(outsideOldest, age(s, now).Seconds())
		counter(outsideSent, s.Sent)
		counter(outsideFailed, s.Failed)
		counter(outsideLaidDown, s.LaidDown)
	}
}
