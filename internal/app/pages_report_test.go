package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"html"
	"regexp"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/thermal"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// tape is every entry of the log up to a position, read from the log itself and from no
// model.
type tape struct {
	recs []*event.Record
	end  uint64
	full chan struct{}
}

func (t *tape) Decision(rec *event.Record) {
	if rec.Seq > t.end {
		return
	}
	if t.recs = append(t.recs, rec); rec.Seq == t.end {
		close(t.full)
	}
}
func (t *tape) Run(uint64, *event.Run)   {}
func (t *tape) Broken(b eventlog.Broken) { panic(b.Err) }

// logged reads the log up to its end.
func (c *clinic) logged() []*event.Record {
	c.Helper()
	c.told()
	log := c.in.App().parts.Log
	end, err := log.End(c.Context())
	c.must(err)
	ctx, stop := context.WithCancel(c.Context())
	t := &tape{end: end.Custody, full: make(chan struct{})}
	done := make(chan error, 1)
	go func() { done <- log.Follow(ctx, eventlog.Position{}, t) }()
	<-t.full
	stop()
	if err := <-done; err != nil && !errors.Is(err, context.Canceled) {
		c.Fatal(err)
	}
	return t.recs
}

// rendered is a report as HTML, without the escapes.
func (c *clinic) rendered(r web.Report) string {
	c.Helper()
	var out bytes.Buffer
	c.must(r.Render(&out, web.Site{}))
	return html.UnescapeString(out.String())
}

// aDay: two tubes of one draw cross in a box and are received; one is spun, one is
// accepted with a deviation; a step is taken back, a phone's clock is an hour ahead, paper
// tells of a hand-over again, a new sample is asked for and drawn, the box goes back.
func (c *clinic) aDay() {
	c.Helper()
	c.clock(-5)
	_, err := custodyv1.NewRequestsClient(c.in.Conn()).PlaceRequest(c.Context(), &custodyv1.PlaceRequestRequest{
		Id: "RQ-9", Patient: "P-7001", Tests: []string{"K"}, By: "orders", OccurredAt: at(-6), Tubes: []*custodyv1.AssignedTube{{Tube: "TB1", Type: "LIHEP-GEL", Tests: []string{"K"}}},
	})
	c.must(err)
	at1 := func(s *custodyv1.Scan) { s.Draw = "D-1" }
	c.scan(-2, "wristband", "", func(s *custodyv1.Scan) {
		s.Label, s.Patient, s.Draw, s.Details = nil, "P-7001", "D-1", map[string]string{"method": "needle", "site": "left-arm", "checks": "band"}
	})
	c.scan(-1, "note", "", func(s *custodyv1.Scan) {
		s.Label, s.Draw, s.Details = nil, "D-1", map[string]string{"defect": "identity-mismatch"}
	})
	for i, tube := range []string{"TB1", "TB2"} {
		c.scan(i, "collect", tube, func(s *custodyv1.Scan) { at1(s); s.Type, s.Tests = "LIHEP-GEL", []string{"K"} })
	}
	c.scan(2, "end-draw", "", func(s *custodyv1.Scan) {
		s.Label, s.Draw, s.Details = nil, "D-1", map[string]string{"after-care": "pressed-dressing", "adverse-event": "felt-faint"}
	})
	c.scan(3, "see", "TB1", nil)
	_, err = c.scans.VoidFact(c.Context(), &custodyv1.VoidFactRequest{Id: fmt.Sprintf("s-%d", c.made), Kind: "tube", Key: "TB1", By: "mira", Reason: "wrong-step"})
	c.must(err)
	for i, tube := range []string{"TB1", "TB2"} {
		c.scan(5+i, "pack", tube, func(s *custodyv1.Scan) { s.Carrier = "B-3" })
	}
	c.scan(8, "seal", "B-3", func(s *custodyv1.Scan) { s.Details = map[string]string{"seal": "S-1", "count": "2"} })
	c.scan(10, "take", "B-3", func(s *custodyv1.Scan) { s.By, s.From = "oskar", "mira" })
	c.scan(11, "take", "B-3", func(s *custodyv1.Scan) {
		s.By, s.From, s.Device, s.Mode, s.Label.How = "oskar", "mira", "DESK-1", "reported", "paper"
		s.OccurredAt, s.TypedAt = at(11), at(10)
	})
	c.scan(15, "depart", "B-3", func(s *custodyv1.Scan) {
		s.By, s.To, s.Place, s.Details = "oskar", "LAB", "FERRY", map[string]string{"mode": "ferry", "route": "CROSSING"}
	})
	c.read(7, 47, "21.00")
	atLab := func(s *custodyv1.Scan) { s.By, s.Place = "lena", "LAB" }
	c.scan(60, "receive", "B-3", func(s *custodyv1.Scan) { atLab(s); s.From = "oskar" })
	c.scan(62, "receive", "TB1", func(s *custodyv1.Scan) {
		atLab(s)
		s.Device, s.OccurredAt, s.Clock = "PHONE-2", at(122), &custodyv1.Clock{OffsetMs: 3_600_000, UncertaintyMs: 40}
	})
	c.scan(63, "receive", "TB2", atLab)
	c.scan(64, "empty", "B-3", func(s *custodyv1.Scan) { atLab(s); s.Details = map[string]string{"count": "2"} })
	c.scan(65, "attest", "TB2", func(s *custodyv1.Scan) { atLab(s); s.Details = map[string]string{"handling": "on-ice"} })
	c.scan(66, "spin", "TB1", atLab)
	c.scan(76, "end-spin", "TB1", atLab)
	c.scan(80, "accept", "TB2", func(s *custodyv1.Scan) {
		atLab(s)
		s.Reason, s.Details = "result-expected-anyway", map[string]string{"deviation": "yes", "authoriser": "karl", "report": "C-12"}
	})
	c.scan(82, "ask-sample", "", func(s *custodyv1.Scan) {
		atLab(s)
		s.Label, s.Draw, s.Reason, s.Tests = nil, "D-1", "too-cold", []string{"K"}
	})
	c.clock(90)
	done, err := custodyv1.NewTubesClient(c.in.Conn()).SampleDone(c.Context(), &custodyv1.SampleDoneRequest{Id: "D-1", NewDraw: "D-2", By: "mira"})
	c.must(err)
	if done.Answer != "recorded" {
		c.Fatalf("the new sample: %v", done)
	}
	c.scan(100, "take", "B-3", func(s *custodyv1.Scan) { atLab(s); s.By = "oskar" })
	c.clock(103)
}

var entryCell = regexp.MustCompile(`<tr(?: class="void")?><th scope="row">(\d+)</th>`)

// holds compares the entries of a report, and those that its page shows, with entries of
// the log, in any order.
func (c *clinic) holds(name string, r web.Report, want []uint64) {
	c.Helper()
	var got, shown []uint64
	for _, s := range append(slices.Clone(r.Steps), r.Beside...) {
		got = append(got, s.Seq)
	}
	for _, m := range entryCell.FindAllStringSubmatch(c.rendered(r), -1) {
		var n uint64
		if _, err := fmt.Sscan(m[1], &n); err != nil {
			c.Fatal(err)
		}
		shown = append(shown, n)
	}
	for _, list := range [][]uint64{got, shown, want} {
		slices.Sort(list)
	}
	if !slices.Equal(got, want) || !slices.Equal(shown, want) {
		c.Errorf("%s: the log has %v of it, the report %v, its page %v", name, want, got, shown)
	}
}

// Every entry of the log that is about a thing stands in its report, once: its own, those
// of the box while it was inside, those of its draw. The log's entries are read from the
// log, and what belongs where is said here by subject and time.
func TestReportsHoldEveryEntry(t *testing.T) {
	c := openClinic(t)
	c.aDay()
	recs := c.logged()
	seqs := func(keep func(*event.Record) bool) []uint64 {
		var out []uint64
		for _, r := range recs {
			if keep(r) {
				out = append(out, r.Seq)
			}
		}
		return out
	}
	draw := func(r *event.Record) bool { return r.Kind == event.KindDraw && r.Key == "L-D-1" }
	box := func(r *event.Record) bool { return r.Kind == event.KindCarrier && r.Key == "L-B-3" }
	request := func(r *event.Record, tube string) bool { return r.Kind == event.KindRequest && tube == "TB1" }
	for tube, in := range map[string][2]int{"TB1": {5, 62}, "TB2": {6, 63}} {
		r, err := c.pages.TubeReport(t.Context(), tube)
		c.must(err)
		c.holds(tube, r, seqs(func(r *event.Record) bool {
			inside := r.Occurred >= instant(in[0]) && r.Occurred <= instant(in[1])
			return r.Kind == event.KindTube && r.Key == event.Key("L-"+tube) || box(r) && inside || draw(r) || request(r, tube)
		}))
		if want := seqs(func(*event.Record) bool { return true }); r.Seq != want[len(want)-1] {
			t.Errorf("%s: the report names position %d, the log ends at %d", tube, r.Seq, want[len(want)-1])
		}
	}
	r, err := c.pages.DrawReport(t.Context(), "D-1")
	c.must(err)
	c.holds("draw", r, seqs(draw))
	for trip, keep := range map[string]func(*event.Record) bool{
		"all": box,
		"1":   func(r *event.Record) bool { return box(r) && r.Occurred <= instant(64) },
		"2":   func(r *event.Record) bool { return box(r) && r.Occurred > instant(64) },
		"":    func(r *event.Record) bool { return box(r) && r.Occurred > instant(64) },
	} {
		r, err := c.pages.CarrierReport(t.Context(), "B-3", trip)
		c.must(err)
		c.holds("box, trip "+trip, r, seqs(keep))
	}
	// What each entry says is what the log says.
	r, err = c.pages.TubeReport(t.Context(), "TB1")
	c.must(err)
	page := c.rendered(r)
	for _, rec := range recs {
		i := slices.IndexFunc(r.Steps, func(s web.ReportStep) bool { return s.Seq == rec.Seq })
		if i < 0 {
			continue
		}
		s := r.Steps[i]
		if s.ID != rec.ID || s.Occurred != rec.Occurred || s.Recorded != rec.Recorded || s.By != rec.Actor || s.Device != rec.Device || s.How != rec.How || s.OffsetMs != rec.OffsetMs {
			t.Errorf("entry %d: %+v\nthe log: %+v", rec.Seq, s, rec.Envelope)
		}
		if !strings.Contains(page, rec.ID) || !strings.Contains(page, rec.Recorded.Time().Format("15:04:05.000")) && rec.Step == "" {
			t.Errorf("entry %d: its id or its recorded time is not on the page", rec.Seq)
		}
	}
}

// Its stretches last as long, by evidence, as the minutes that the judge counted, to the
// millisecond: on a clock that stands between two seconds.
func TestReportSumsAsTheJudge(t *testing.T) {
	c := openClinic(t)
	c.aDay()
	_, err := c.scans.SetClock(t.Context(), &custodyv1.SetClockRequest{Now: "2026-11-24T10:47:33.777Z"})
	c.must(err)
	c.told()
	for _, tube := range []string{"TB1", "TB2"} {
		r, err := c.pages.TubeReport(t.Context(), tube)
		c.must(err)
		ex, ok := c.in.App().Model().Explain(event.Key("L-"+tube), "K", r.Now)
		if !ok || len(ex.Rows) == 0 {
			t.Fatalf("%s: nothing to compare with", tube)
		}
		// The judge counts until the test's ending; the history goes on.
		from, to := ex.Rows[0].From, ex.Rows[len(ex.Rows)-1].To
		judge, report := map[event.Evidence]int64{}, map[event.Evidence]int64{}
		for _, row := range ex.Rows {
			judge[row.Evidence.Word()] += int64(row.To - row.From)
		}
		at := from
		for _, s := range r.Temps {
			if s.To > to && s.From >= to {
				continue
			}
			if s.From != at && s.From > from {
				t.Errorf("%s: a hole or an overlap at %s", tube, s.From)
			}
			at = s.To
			report[s.Evidence] += int64(min(s.To, to) - max(s.From, from))
		}
		if fmt.Sprint(judge) != fmt.Sprint(report) {
			t.Errorf("%s: the judge counted %v, the report says %v", tube, judge, report)
		}
		var all, used int64
		for _, m := range r.Tests[0].Minutes {
			all += m.Ms
			if judge[m.Evidence] != m.Ms {
				t.Errorf("%s: %d ms %s beside its test, the judge counted %d", tube, m.Ms, m.Evidence, judge[m.Evidence])
			}
		}
		for _, e := range r.Tests[0].Explain {
			used += e.UsedMs
		}
		if used != ex.Judgement.UsedMs || all != int64(to-from) {
			t.Errorf("%s: used %d of the judge's %d; evidence for %d of %d ms", tube, used, ex.Judgement.UsedMs, all, to-from)
		}
		v, _ := c.in.App().Model().View(event.Key("L-" + tube))
		var whole [4]int64
		for _, s := range r.Temps {
			for e := range whole {
				if thermal.Evidence(e).Word() == s.Evidence { //nolint:gosec // four of them
					whole[e] += int64(s.To - s.From)
				}
			}
		}
		if whole != v.By || v.Now != r.Now {
			t.Errorf("%s: by evidence the report says %v, the model %v", tube, whole, v.By)
		}
		if last := r.Temps[len(r.Temps)-1]; last.To != r.Now || r.Now%1000 != 777 {
			t.Errorf("%s: the history ends at %s, now is %s", tube, last.To, r.Now)
		}
	}
}

func TestReportOfATube(t *testing.T) {
	c := openClinic(t)
	c.aDay()
	take, err := c.flags.TakeFlag(t.Context(), &stabilityv1.TakeFlagRequest{Tube: "TB2", By: "lena"})
	c.must(err)
	if take.Answer != "recorded" {
		t.Fatalf("the flag of a tube on ice was not taken: %v", take)
	}
	c.told()
	r, err := c.pages.TubeReport(t.Context(), " tb2 ")
	c.must(err)
	if i := slices.IndexFunc(r.Decisions, func(d web.DecisionRow) bool { return d.What == "accepted with a deviation" }); i < 0 ||
		r.Decisions[i].Authoriser != "karl" || r.Decisions[i].Report != "C-12" || r.Decisions[i].Reason != "result expected anyway" || r.Decisions[i].By != "lena" {
		t.Errorf("decisions: %+v", r.Decisions)
	}
	if len(r.Episodes) != 1 || r.Episodes[0].Since == 0 || len(r.Episodes[0].Answers) != 1 || r.Episodes[0].Answers[0].By != "lena" || r.Episodes[0].Answers[0].Did != "taken" {
		t.Errorf("episodes: %+v", r.Episodes)
	}
	if len(r.Samples) != 1 || !r.Samples[0].Done || r.Samples[0].NewDraw != "D-2" || !slices.Equal(r.Samples[0].Tests, []string{"potassium"}) || r.Samples[0].Reason != "too cold" {
		t.Errorf("samples: %+v", r.Samples)
	}
	if len(r.Tubes) != 1 || r.Tubes[0].ID != "TB1" || r.Tubes[0].Kin != "of the same draw" || r.Tubes[0].State != "received" || r.Tubes[0].Verdict == "" {
		t.Errorf("other tubes: %+v", r.Tubes)
	}
	var sources []string
	for _, s := range r.Temps {
		sources = append(sources, string(s.Evidence)+": "+s.Source)
	}
	all := strings.Join(sources, "\n")
	for _, want := range []string{
		"assumed: declared for north clinic, because: thermometer", "measured: logger LG-1 of box B-3, no calibration recorded", "attested: lena: on ice",
		"unknown: no logger, no word of a person, nothing declared",
	} {
		if !strings.Contains(all, want) {
			t.Errorf("no stretch says %q:\n%s", want, all)
		}
	}

	r, err = c.pages.TubeReport(t.Context(), "TB1")
	c.must(err)
	var corrected []string
	for _, k := range r.Corrections {
		corrected = append(corrected, k.What+"|"+k.By+"|"+k.Reason)
	}
	said := strings.Join(corrected, "\n")
	for _, want := range []string{"seen at 10:03: taken back (entry", "|mira|wrong step", "taken over was told 2 times and counts once", "the clock of PHONE-2 was 60 min ahead: 1 time of it is corrected by as much"} {
		if !strings.Contains(said, want) {
			t.Errorf("no correction says %q:\n%s", want, said)
		}
	}
	i := slices.IndexFunc(r.Steps, func(s web.ReportStep) bool { return s.Again != 0 })
	if i < 0 || r.Steps[i].Device != "DESK-1" || !r.Steps[i].Reported || r.Steps[i].Inherited != "box B-3" || r.Steps[i].Typed != instant(10) {
		t.Errorf("the hand-over on paper: %+v", r.Steps)
	}
	if i = slices.IndexFunc(r.Beside, func(s web.ReportStep) bool { return s.By == "orders" }); i < 0 || !r.Beside[i].Told || !strings.HasPrefix(r.Beside[i].Step, "request placed") ||
		!strings.Contains(r.Beside[i].Note, "potassium") {
		t.Errorf("the request: %+v", r.Beside)
	}
	if i = slices.IndexFunc(r.Steps, func(s web.ReportStep) bool { return !s.Told }); i >= 0 && (r.Steps[i].By != "" || r.Steps[i].Principal != "" || !strings.HasPrefix(r.Steps[i].Step, "flag")) {
		t.Errorf("by the program: %+v", r.Steps[i])
	}
	page := c.rendered(r)
	for _, want := range []string{"its clock said 2026-11-24 11:02:00.000 +00:00, 1 h ahead", "What this report can't say", "1 entry was told later", "signed checkpoints are not made yet"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	if strings.Contains(page, "P-7001") {
		t.Error("the report names the patient")
	}
	if v, ok := c.in.App().Model().View("L-TB1"); !ok || v.Tube.Patient == "" || strings.Contains(page, v.Tube.Patient) {
		t.Error("the report names the patient's reference, or there is none to look for")
	}
}

func TestReportOfADrawAndABox(t *testing.T) {
	c := openClinic(t)
	c.aDay()
	d, err := c.pages.DrawReport(t.Context(), "D-1")
	c.must(err)
	facts := map[string]string{}
	for _, f := range d.Facts {
		facts[f.Name] = f.Value
	}
	if d.Misses != 1 || len(d.Tubes) != 2 || facts["Method"] != "needle" || facts["Site"] != "left arm" || facts["Checked"] != "wristband, band" ||
		facts["After-care"] != "pressed dressing" || facts["Adverse event"] != "felt faint" || !strings.Contains(facts["Started"], "by mira") {
		t.Errorf("draw: %d misses, tubes %+v, facts %v", d.Misses, d.Tubes, facts)
	}
	if page := c.rendered(d); strings.Contains(page, "P-7001") {
		t.Error("the report of a draw names the patient")
	}
	b, err := c.pages.CarrierReport(t.Context(), "B-3", "1")
	c.must(err)
	if want := []web.ReportContent{{Tube: "TB1", In: instant(5), Out: instant(62)}, {Tube: "TB2", In: instant(6), Out: instant(63)}}; !slices.Equal(b.Contents, want) {
		t.Errorf("inside: %+v", b.Contents)
	}
	if len(b.Trips) != 2 || b.Trips[0].To != instant(64) || len(b.Loggers) != 1 || b.Loggers[0].ID != "LG-1" {
		t.Errorf("trips %+v, loggers %+v", b.Trips, b.Loggers)
	}
	page := c.rendered(b)
	for _, want := range []string{"seal S-1, 2 counted", "2 taken out", "Trip 1 of 2"} {
		if !strings.Contains(page, want) {
			t.Errorf("the box's page doesn't say %q", want)
		}
	}
	if b, err = c.pages.CarrierReport(t.Context(), "B-3", ""); err != nil || b.Trip != 2 || len(b.Contents) != 0 {
		t.Errorf("the last trip, empty: %v, trip %d, %+v", err, b.Trip, b.Contents)
	}
	for _, trip := range []string{"0", "3", "-1", "x"} {
		if _, err := c.pages.CarrierReport(t.Context(), "B-3", trip); !errors.Is(err, web.ErrNoTrip) {
			t.Errorf("trip %q: %v", trip, err)
		}
	}
	// Tubes may name a draw of which nothing was told; a box may be known by a pack alone.
	c.scan(110, "collect", "TB8", func(s *custodyv1.Scan) { s.Draw = "D-8" })
	c.scan(111, "pack", "TB8", func(s *custodyv1.Scan) { s.Carrier = "B-8" })
	if d, err := c.pages.DrawReport(t.Context(), "D-8"); err != nil || len(d.Tubes) != 1 {
		t.Errorf("a draw that only a tube names: %v %+v", err, d.Tubes)
	}
	if b, err := c.pages.CarrierReport(t.Context(), "B-8", ""); err != nil || len(b.Contents) != 1 || len(b.Trips) != 0 {
		t.Errorf("a box that only a tube names: %v %+v", err, b.Contents)
	}
	for _, ask := range []func() error{
		func() error { _, err := c.pages.TubeReport(t.Context(), "TB404"); return err },
		func() error { _, err := c.pages.DrawReport(t.Context(), "D-404"); return err },
		func() error { _, err := c.pages.CarrierReport(t.Context(), "B-404", ""); return err },
	} {
		if err := ask(); !errors.Is(err, web.ErrNotFound) {
			t.Errorf("what nobody scanned: %v", err)
		}
	}
}
