package main

import (
	"strings"
	"testing"
	"time"

	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

func TestSpan(t *testing.T) {
	for _, c := range []struct {
		d    time.Duration
		want string
	}{
		{0, "0 s"}, {59 * time.Second, "59 s"}, {34 * time.Minute, "34 min"}, {95 * time.Minute, "1 h 35 min"},
		{4 * time.Hour, "4 h"}, {24 * time.Hour, "24 h"}, {75 * time.Hour, "3 d 3 h"},
	} {
		if got := span(c.d.Milliseconds()); got != c.want {
			t.Errorf("span(%s) = %q, want %q", c.d, got, c.want)
		}
	}
}

// inBerlin runs a test on a computer whose zone is one hour ahead of UTC in winter.
func inBerlin(t *testing.T) {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	before := time.Local
	time.Local = zone
	t.Cleanup(func() { time.Local = before })
}

// A time is shown at the computer's offset, with its day when that differs.
func TestMoment(t *testing.T) {
	inBerlin(t)
	now := momentOf("2026-11-24T10:06:00+01:00")
	for _, c := range []struct{ text, want string }{
		{"2026-11-24T10:40:00+01:00", "10:40 (34 min)"},
		{"2026-11-24T09:40:00Z", "10:40 (34 min)"},
		{"2026-11-24T09:00:00+01:00", "09:00"},
		{"2026-11-25T00:06:00+01:00", "2026-11-25 00:06 (14 h)"},
		{"tomorrow", "tomorrow"},
	} {
		if got := momentOf(c.text).by(now); got != c.want {
			t.Errorf("%s: %q, want %q", c.text, got, c.want)
		}
	}
	if got, want := momentOf("2026-11-24T09:40:00Z").seen(moment{}), "2026-11-24 10:40 +01:00"; got != want {
		t.Errorf("without a page's instant: %q, want %q", got, want)
	}
}

func TestVerdictsInWords(t *testing.T) {
	inBerlin(t)
	now := momentOf("2026-11-24T10:06:00+01:00")
	rule := &stabilityv1.RuleText{Id: "k", Text: "potassium, 4 h at 15 to 25 °C", Source: "house rule"}
	for _, c := range []struct {
		verdict *stabilityv1.Verdict
		want    []string
	}{
		{&stabilityv1.Verdict{Assay: "K", Verdict: "within-limits", Outlook: "in-time", UsedMs: 5_700_000, LimitMs: 14_400_000, DueEarliest: "2026-11-24T10:40:00+01:00", MeasuredMs: 5_700_000, Rule: rule},
			[]string{"K: within limits, used 1 h 35 min of 4 h, by 10:40 (34 min); temperature: 1 h 35 min measured", "limit: potassium, 4 h at 15 to 25 °C", "source: house rule"}},
		{&stabilityv1.Verdict{Assay: "GLU", Verdict: "past-limit", Reasons: []string{"time"}, Direction: "low", UsedMs: 5_700_000, LimitMs: 3_600_000},
			[]string{"GLU: past limit (time), used 1 h 35 min of 1 h, may read low"}},
		{&stabilityv1.Verdict{Assay: "K", Verdict: "wait", Reasons: []string{"clotting"}, WaitUntil: "2026-11-24T10:30:00+01:00"},
			[]string{"K: let it clot until 10:30 (24 min) (clotting)"}},
		{&stabilityv1.Verdict{Assay: "AMM", Verdict: "cannot-say", Reasons: []string{"no-temperature", "no-collection-time"}, UnknownMs: 60_000},
			[]string{"AMM: cannot say (no temperature, no collection time); temperature: 1 min unknown"}},
		{&stabilityv1.Verdict{Assay: "K", Verdict: "within-limits", Outlook: "running-out", EndedAt: "2026-11-24T10:00:00+01:00", DueEarliest: "2026-11-24T10:40:00+01:00"},
			[]string{"K: within limits, final since 10:00, running out"}},
	} {
		p := &page{}
		p.verdicts("", &custodyv1.Tube{Verdicts: []*stabilityv1.Verdict{c.verdict}}, now)
		for _, want := range c.want {
			if !strings.Contains(p.String(), want) {
				t.Errorf("%s: no %q", p, want)
			}
		}
	}
	p := &page{}
	p.verdicts("", &custodyv1.Tube{}, now)
	if !strings.Contains(p.String(), "not judged") {
		t.Errorf("a tube without verdicts reads %q; silence never reads as fit", p)
	}
}
