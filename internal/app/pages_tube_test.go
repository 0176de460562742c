package app

import (
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// disagreeing are four invented limits of one key: what was adopted holds four hours,
// one study ends after thirty minutes, one would be past if a condition held, and one
// is advice. Of the used one's tubes 5 % are over by 40 min, 10 % by 100 min.
const disagreeing = `format: stability-rules/1
set: {name: disagreeing, version: 1, author: tests}
conventions: {bench: [15.0, 25.0]}
tubes: [{code: LIHEP-GEL, name: lithium heparin gel, additive: lithium heparin, gel: yes}]
assays: [{code: K, loinc: 2823-3, name: potassium}]
rules:
  - id: k-used
    assay: {code: K}
    tubes: [LIHEP-GEL]
    state: unspun
    from: draw
    until: spun
    limits: [{band: bench, good-through: 240m, shares: [{at: 40m, over: "5 %"}, {at: 100m, over: "10 %"}]}]
    outside: {above: {allow: 60m, direction: low, needs: two-readings}}
    direction: {time: high}
    evidence: studied
    source: {title: "invented long study", year: 2018, where: table 2, seen: summary}
    default: {chosen: true, because: "the longest time studied"}
  - id: k-short
    assay: {code: K}
    tubes: [LIHEP-GEL]
    state: unspun
    from: draw
    until: spun
    limits: [{band: bench, good-through: 30m}]
    outside: {above: {allow: 60m, direction: low, needs: two-readings}}
    direction: {time: high}
    evidence: studied
    source: {title: "invented short study", year: 2016, where: table 3, seen: direct}
    default: {chosen: false, because: "a later study goes on for longer"}
  - id: k-count
    assay: {code: K}
    tubes: [LIHEP-GEL]
    state: unspun
    condition: {high-count: yes}
    from: draw
    until: spun
    limits: [{band: bench, limit: 20m}]
    outside: {above: {allow: 60m, direction: low, needs: two-readings}}
    direction: {time: high}
    evidence: policy
    source: {title: "invented policy", year: 2020, where: page 1, seen: direct}
    default: {chosen: true, because: "the policy for high counts"}
  - id: k-advice
    assay: {code: K}
    tubes: [LIHEP-GEL]
    state: unspun
    from: draw
    until: spun
    limits: [{band: bench, limit: 300m}]
    outside: {above: {allow: 60m, direction: low, needs: two-readings}}
    direction: {time: high}
    evidence: advised
    source: {title: "invented letter", year: 2011, where: page 2, seen: second-hand}
    default: {chosen: false, because: "advice without numbers"}
`

func TestPagesTubeSaysWhatOthersWouldHaveSaid(t *testing.T) {
	c := openClinic(t)
	_, err := stabilityv1.NewRulesClient(c.in.Conn()).AdoptRules(t.Context(), &stabilityv1.AdoptRulesRequest{File: disagreeing, By: "lena", InForce: at(-30), Id: "disagree"})
	c.must(err)
	c.crossing()
	const minute = 60_000
	p := c.tube("TB1")
	k := p.Tests[0]
	if k.Rule != "k-used" || k.Because != "the longest time studied" || k.Work != "invented long study 2018" || k.AboveReads != event.ReadsLow || k.BelowReads != "" {
		t.Errorf("the limit that was used: %+v", k)
	}
	if k.Share != (web.ShareRow{}) || k.NextShare != (web.ShareRow{Share: "1 in 20", When: web.Due{Earliest: instant(40), Latest: instant(40)}}) {
		t.Errorf("at minute 30: share %+v, next %+v", k.Share, k.NextShare)
	}

	c.read(35, 45, "24.50")
	p = c.tube("TB1")
	k = p.Tests[0]
	if k.Share != (web.ShareRow{Share: "1 in 20", When: web.Due{Earliest: instant(40), Latest: instant(40)}}) ||
		k.NextShare != (web.ShareRow{Share: "1 in 10", When: web.Due{Earliest: instant(100), Latest: instant(100)}}) {
		t.Errorf("at minute 45: share %+v, next %+v", k.Share, k.NextShare)
	}
	others := map[string]web.OtherRow{}
	for _, o := range k.Others {
		others[o.Rule] = o
	}
	if len(k.Others) != 3 {
		t.Fatalf("%d others, want 3: %+v", len(k.Others), k.Others)
	}
	if o := others["k-short"]; o.Verdict != event.NotStudiedBeyond || o.If != "" || o.Why != "a later study goes on for longer" || o.UsedMs != 45*minute ||
		o.LimitMs != 30*minute || o.Work != "invented short study 2016" || o.Source != "invented short study 2016, table 3" || o.Limit != "30 min at 15 to 25 °C, not tested beyond, unspun; 60 min above allowed" {
		t.Errorf("the short study: %+v", o)
	}
	if o := others["k-count"]; o.Verdict != event.PastLimit || o.If != "high count: yes" || o.Why != "" {
		t.Errorf("the policy for high counts: %+v", o)
	}
	if o := others["k-advice"]; o.Verdict != event.WithinLimits || o.Due.Earliest != instant(300) || o.DueVerb != "spin" || o.SeenAs != "second-hand" {
		t.Errorf("the letter: %+v", o)
	}
	// Drawn at nine, in the box with the logger from 09:05 on.
	s := p.Temperature
	if s.From != instant(0) || s.To != instant(45) || s.By[thermal.Measured] != 40*minute || s.By[thermal.Assumed] != 5*minute || s.Warmest.High != 2450 || s.Band.Known {
		t.Errorf("in sum: %+v", s)
	}
	if p.Sprec.Complete {
		t.Errorf("a tube on its way has a code: %+v", p.Sprec)
	}

	atLab := func(s *custodyv1.Scan) { s.By, s.Place = "lena", "LAB" }
	c.scan(50, "receive", "TB1", atLab)
	c.scan(52, "spin", "TB1", atLab)
	c.scan(62, "end-spin", "TB1", atLab)
	c.clock(70)
	p = c.tube("TB1")
	if e := p.Sprec.Elements; !p.Sprec.Complete || e[0].Code != "PL1" || e[1].Code != "LHG" || e[2].Reason == "" {
		t.Errorf("spun: %+v", p.Sprec)
	}
	if k = p.Tests[0]; k.EndedAt == 0 || k.NextShare != (web.ShareRow{}) || k.Share.Share != "1 in 20" {
		t.Errorf("settled: ended %s, share %+v, next %+v", k.EndedAt, k.Share, k.NextShare)
	}
}
