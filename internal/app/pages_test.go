package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// nine is when the tests' tubes are drawn; all times, places and values here are
// invented.
var nine = time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)

// clinic is a daemon with two places, a box with a logger and a timetable.
type clinic struct {
	*testing.T
	in    *InProcess
	pages *pages
	scans custodyv1.ScansClient
	dir   custodyv1.DirectoryClient
	flags stabilityv1.FlagsClient
	made  int
}

func openClinic(t *testing.T) *clinic {
	t.Helper()
	in, err := Memory(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := in.Close(); err != nil {
			t.Error(err)
		}
	})
	c := &clinic{
		T: t, in: in, pages: &pages{a: in.App()}, scans: custodyv1.NewScansClient(in.Conn()),
		dir: custodyv1.NewDirectoryClient(in.Conn()), flags: stabilityv1.NewFlagsClient(in.Conn()),
	}
	c.clock(-60)
	room := &custodyv1.Range{Low: "20.0", High: "24.0"}
	_, err = c.dir.PutPerson(t.Context(), &custodyv1.Person{Id: "lena", Role: "scientist", Active: true, By: "lena"})
	c.must(err)
	for _, p := range []*custodyv1.Place{
		{Id: "CLINIC", Name: "north clinic", Kind: "clinic", Zone: "Atlantic/Reykjavik", Assumed: room, Basis: "thermometer", By: "lena"},
		{Id: "LAB", Name: "mainland laboratory", Kind: "reception", Zone: "Europe/Berlin", Assumed: room, Basis: "thermometer", By: "lena"},
		{Id: "FERRY", Name: "ferry, hold", Kind: "vehicle", By: "lena"},
	} {
		_, err = c.dir.PutPlace(t.Context(), p)
		c.must(err)
	}
	_, err = c.dir.PutCarrier(t.Context(), &custodyv1.Carrier{Id: "B-3", Kind: "box", By: "lena"})
	c.must(err)
	_, err = c.dir.PutRoute(t.Context(), &custodyv1.Route{Id: "CROSSING", From: "CLINIC", To: "LAB", TakesMinutes: 50, Zone: "Europe/Berlin", By: "lena"})
	c.must(err)
	_, err = c.dir.PutLogger(t.Context(), &custodyv1.Logger{Id: "LG-1", EverySeconds: 300, In: "B-3", By: "lena", OccurredAt: at(-60)})
	c.must(err)
	rules, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	c.must(err)
	_, err = stabilityv1.NewRulesClient(in.Conn()).AdoptRules(t.Context(), &stabilityv1.AdoptRulesRequest{File: string(rules), By: "lena", InForce: at(-60), Id: "adopt"})
	c.must(err)
	return c
}

func (c *clinic) must(err error) {
	c.Helper()
	if err != nil {
		c.Fatal(err)
	}
}

// at is so many minutes behind nine as the API wants it.
func at(minute int) string { return instant(minute).Time().Format(time.RFC3339) }

func instant(minute int) event.Instant {
	return event.At(nine.Add(time.Duration(minute) * time.Minute))
}

func (c *clinic) clock(minute int) {
	c.Helper()
	_, err := c.scans.SetClock(c.Context(), &custodyv1.SetClockRequest{Now: at(minute)})
	c.must(err)
}

// scan records a step at a minute, with the clock standing there.
func (c *clinic) scan(minute int, step, label string, set func(*custodyv1.Scan)) {
	c.Helper()
	c.clock(minute)
	c.made++
	s := &custodyv1.Scan{
		Id: fmt.Sprintf("s-%d", c.made), Label: &custodyv1.Label{Text: label}, Step: step, OccurredAt: at(minute), Device: "H-09",
		DeviceSeq: int64(c.made), Place: "CLINIC", By: "mira", Mode: "live", Details: map[string]string{},
	}
	if set != nil {
		set(s)
	}
	resp, err := c.scans.RecordScans(c.Context(), &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{s}})
	c.must(err)
	if a := resp.Answers[0]; a.Answer != "recorded" {
		c.Fatalf("%s %s: %s %s %s", step, label, a.Answer, a.Refusal, a.Say)
	}
}

// read sends the logger's readings, every five minutes of [from, to].
func (c *clinic) read(from, to int, celsius string) {
	c.Helper()
	c.clock(to)
	run := &custodyv1.Readings{Logger: "LG-1", Id: fmt.Sprintf("run-%d", to)}
	for m := from; m <= to; m += 5 {
		run.Readings = append(run.Readings, &custodyv1.Reading{At: at(m), Celsius: &celsius})
	}
	_, err := c.scans.RecordReadings(c.Context(), &custodyv1.RecordReadingsRequest{Runs: []*custodyv1.Readings{run}})
	c.must(err)
	c.clock(to) // moving the clock waits until the model has judged
}

// crossing: two tubes are drawn at nine, packed, and sail at 09:15 for 50 minutes.
func (c *clinic) crossing() {
	c.Helper()
	tubes := []string{"TB1", "TB2"}
	for i, tube := range tubes {
		c.scan(i, "collect", tube, func(s *custodyv1.Scan) { s.Type, s.Tests = "LIHEP-GEL", []string{"K"} })
	}
	for i, tube := range tubes {
		c.scan(5+i, "pack", tube, func(s *custodyv1.Scan) { s.Carrier = "B-3" })
	}
	c.scan(10, "take", "B-3", func(s *custodyv1.Scan) { s.By, s.From = "oskar", "mira" })
	c.scan(15, "depart", "B-3", func(s *custodyv1.Scan) {
		s.By, s.To, s.Place, s.Details = "oskar", "LAB", "FERRY", map[string]string{"mode": "ferry", "route": "CROSSING"}
	})
	c.read(5, 30, "21.00")
}

// told waits until the wall's watch has heard all that is in the log: what the leader
// adds is folded before the log hands it back, and only that tells watchers.
func (c *clinic) told() {
	c.Helper()
	a := c.in.App()
	for {
		end, err := a.parts.Log.End(c.Context())
		c.must(err)
		c.must(a.model.Settled(c.Context(), end))
		after, err := a.parts.Log.End(c.Context())
		c.must(err)
		if after == end {
			return
		}
	}
}

func (c *clinic) wall() web.WallPage {
	c.Helper()
	c.told()
	w, err := c.pages.Wall(c.Context())
	c.must(err)
	if err := w.Render(&bytes.Buffer{}, web.Site{}); err != nil {
		c.Fatal(err)
	}
	return w
}

func (c *clinic) tube(id string) web.TubePage {
	c.Helper()
	p, err := c.pages.Tube(c.Context(), id)
	c.must(err)
	if err := p.Render(&bytes.Buffer{}, web.Site{}); err != nil {
		c.Fatal(err)
	}
	return p
}

func TestPagesWallShowsABoxOnItsWay(t *testing.T) {
	c := openClinic(t)
	if w := c.wall(); len(w.Boxes)+len(w.Flags)+len(w.Late) != 0 {
		t.Fatalf("an empty wall shows %+v", w)
	}
	c.crossing()
	w := c.wall()
	want := web.BoxRow{
		ID: "B-3", Name: "box B-3", Tubes: 2, Holder: "oskar", Place: "ferry, hold", Mode: "ferry", To: "mainland laboratory",
		Seen: instant(15), Due: web.Due{Earliest: instant(65), Latest: instant(65)},
		Temp: web.Temp{At: instant(30), C: 2100, Evidence: event.EvidenceMeasured},
	}
	if len(w.Boxes) != 1 {
		t.Fatalf("boxes: %+v", w.Boxes)
	}
	if got := w.Boxes[0]; got != want {
		t.Errorf("box: got  %+v\nwant %+v", got, want)
	}
	if len(w.Late)+len(w.Flags) != 0 {
		t.Errorf("late %+v, flags %+v", w.Late, w.Flags)
	}
	if w.Zone == nil || w.Zone.String() != "Europe/Berlin" || w.Now != instant(30) || w.Seq == 0 {
		t.Errorf("zone %v, now %s, sequence %d: the reception's zone and now are wanted", w.Zone, w.Now, w.Seq)
	}

	c.clock(66)
	w = c.wall()
	if len(w.Boxes) != 0 || len(w.Late) != 1 || w.Late[0].Name != "box B-3" || w.Late[0].Due != instant(65) || w.Late[0].Tubes != 2 {
		t.Errorf("a box past its time is late and nothing else: %+v, %+v", w.Boxes, w.Late)
	}
	c.scan(70, "receive", "B-3", func(s *custodyv1.Scan) { s.By, s.From, s.Place = "lena", "oskar", "LAB" })
	if w = c.wall(); len(w.Boxes)+len(w.Late) != 0 {
		t.Errorf("a box that was received is neither late nor on the way: %+v, %+v", w.Boxes, w.Late)
	}
}

func TestPagesWallFlags(t *testing.T) {
	c := openClinic(t)
	c.crossing()
	c.read(35, 45, "31.00") // in the heat no minute is allowed once two readings say it
	w := c.wall()
	if len(w.Flags) != 2 || w.Boxes[0].Flags != 2 {
		t.Fatalf("flags %+v, boxes %+v", w.Flags, w.Boxes)
	}
	f := w.Flags[0]
	if f.Tube != "TB1" || f.Verdict != event.PastLimit || f.Kind != event.FlagBefore || f.Box != "box B-3" || f.Place != "ferry, hold" || f.Episode != 1 || f.Since == 0 || f.TakenBy != "" {
		t.Errorf("flag: %+v", f)
	}
	k := f.Tests[0]
	if k.Name != "potassium" || !slices.Contains(k.Reasons, event.ReasonHeat) || k.Direction != event.ReadsLow ||
		k.Limit != "4 h at 15 to 25 °C, unspun; no time below; no time above" || !strings.Contains(k.Source, "invented fixture") {
		t.Errorf("its test: %+v", k)
	}

	// What a caller does to a page stays with that caller.
	k.Reasons[0], w.Flags[0].Tests[0].Limit, w.Flags[0].Tube = "mine", "mine", "mine"
	if again := c.wall(); again.Flags[0].Tube != "TB1" || again.Flags[0].Tests[0].Limit == "mine" || again.Flags[0].Tests[0].Reasons[0] == "mine" {
		t.Errorf("the page is shared: %+v", again.Flags[0])
	}

	c.clock(46)
	take, err := c.flags.TakeFlag(t.Context(), &stabilityv1.TakeFlagRequest{Tube: "TB1", By: "lena"})
	c.must(err)
	aside, err := c.flags.PutAsideFlag(t.Context(), &stabilityv1.PutAsideFlagRequest{Tube: "TB2", By: "lena", Until: at(60), Reason: "explained"})
	c.must(err)
	if take.Answer != "recorded" || aside.Answer != "recorded" {
		t.Fatalf("answers %v, %v", take, aside)
	}
	w = c.wall()
	if len(w.Flags) != 1 || w.Flags[0].TakenBy != "lena" || w.Flags[0].TakenAt != instant(46) || w.PutAside != 1 {
		t.Errorf("one taken, one put aside: %+v, %d", w.Flags, w.PutAside)
	}
	c.clock(61)
	if w = c.wall(); len(w.Flags) != 2 || w.PutAside != 0 {
		t.Errorf("a flag comes back in time: %+v, %d", w.Flags, w.PutAside)
	}
}

func TestPagesWallShowsWhatIsMissing(t *testing.T) {
	c := openClinic(t)
	c.crossing()
	atLab := func(s *custodyv1.Scan) { s.By, s.From, s.Place = "lena", "oskar", "LAB" }
	c.wall() // the wall must hear of it from here on
	c.scan(60, "receive", "B-3", atLab)
	c.scan(61, "receive", "TB1", atLab)
	c.scan(62, "empty", "B-3", func(s *custodyv1.Scan) { s.By, s.Place = "lena", "LAB" })
	check := func(w web.WallPage) {
		t.Helper()
		if len(w.Late) != 1 || w.Late[0].Tube != "TB2" || w.Late[0].Seen != instant(60) || w.Late[0].Due != instant(62) || w.Late[0].Place != "mainland laboratory" {
			t.Errorf("late: %+v", w.Late)
		}
	}
	check(c.wall())
	fresh := &pages{a: c.in.App()} // a daemon that starts now must know it too
	w, err := fresh.Wall(t.Context())
	c.must(err)
	check(w)
	c.scan(70, "see", "TB2", func(s *custodyv1.Scan) { s.By, s.Place = "lena", "LAB" })
	if w := c.wall(); len(w.Late) != 0 {
		t.Errorf("a tube that was seen is not missing: %+v", w.Late)
	}
}

func TestPagesTube(t *testing.T) {
	c := openClinic(t)
	c.crossing()
	c.read(35, 45, "24.50")
	p := c.tube(" tb1 ")
	if p.ID != "TB1" || p.Type != "lithium heparin gel" || p.Box != "box B-3" || p.Place != "ferry, hold" || p.Mode != "ferry" ||
		p.To != "mainland laboratory" || p.DueAt.Earliest != instant(65) || p.Drawn.Earliest != instant(0) || p.FirstAt != instant(0) || p.Closed != "" || p.Flag != nil {
		t.Errorf("page: %+v", p)
	}
	var names []string
	for _, l := range p.Lanes {
		names = append(names, l.Name)
		for i, s := range l.Spans {
			if i > 0 && l.Name != "inside" && l.Spans[i-1].To != s.From {
				t.Errorf("lane %s has a hole: %+v", l.Name, l.Spans)
			}
		}
	}
	if !slices.Equal(names, []string{"held by", "place", "inside"}) || p.Lanes[2].Spans[0] != (web.LaneSpan{From: instant(5), Label: "box B-3"}) {
		t.Errorf("lanes: %+v", p.Lanes)
	}
	at := p.FirstAt
	for _, s := range p.Temps {
		if s.From != at {
			t.Errorf("the temperatures leave a hole at %s", at)
		}
		at = s.To
	}
	if at != p.Now {
		t.Errorf("the temperatures end at %s, now is %s", at, p.Now)
	}
	if want := (web.TempBand{Low: 1500, High: 2500, Label: "potassium"}); len(p.Allowed) != 1 || p.Allowed[0] != want {
		t.Errorf("allowed: %+v", p.Allowed)
	}
	k := p.Tests[0]
	var used, minutes int64
	for _, r := range k.Explain {
		used += r.UsedMs
	}
	for _, e := range k.Minutes {
		minutes += e.Ms
	}
	const minute = 60_000
	if k.UsedMs != 45*minute || used != k.UsedMs || minutes != 45*minute || k.Use[len(k.Use)-1] != (web.UsePoint{At: p.Now, UsedMs: used}) {
		t.Errorf("used %d, its rows %d, its minutes %d, its points %+v: 45 min each", k.UsedMs, used, minutes, k.Use)
	}
	if k.Verdict != event.WithinLimits || k.DueVerb != "spin" || k.Due.Earliest != instant(240) || k.LimitMs != 240*minute || k.Rule != "k-lihep-gel" ||
		strings.Contains(k.Limit, "source") || k.SeenAs != "direct" || strings.Contains(k.Source, "seen") || k.Because == "" {
		t.Errorf("test: %+v", k)
	}
	var inherited bool
	for _, s := range p.Steps {
		inherited = inherited || s.Step == "departed" && s.Inherited == "box B-3" && s.Note == "to mainland laboratory, by ferry"
	}
	if !inherited || p.Steps[0].Step != "collected" || p.Steps[1].Carrier != "box B-3" {
		t.Errorf("steps: %+v", p.Steps)
	}

	c.scan(50, "collect", "TB9", nil)
	c.scan(51, "see", "TB9", nil)
	_, err := c.scans.VoidFact(t.Context(), &custodyv1.VoidFactRequest{Id: fmt.Sprintf("s-%d", c.made), Kind: "tube", Key: "TB9", By: "mira", Reason: "wrong-step"})
	c.must(err)
	c.scan(55, "discard", "TB9", func(s *custodyv1.Scan) { s.By, s.Reason = "lena", "leak" })
	p = c.tube("TB9")
	if p.Zone == nil || p.Zone.String() != "Atlantic/Reykjavik" || p.Closed != "discarded by lena at 09:55: leak" {
		t.Errorf("zone %v, closed %q", p.Zone, p.Closed)
	}
	i := slices.IndexFunc(p.Steps, func(s web.StepRow) bool { return s.Step == "seen" })
	if i < 0 || !p.Steps[i].Voided || p.Steps[i].VoidedBy != "mira" || p.Steps[i].VoidedFor != "wrong step" {
		t.Errorf("a step that was taken back: %+v", p.Steps)
	}
}

func TestPagesTubeHidesThePatient(t *testing.T) {
	c := openClinic(t)
	c.scan(0, "wristband", "", func(s *custodyv1.Scan) { s.Label, s.Patient, s.Draw = nil, "P-7001", "D-1" })
	c.scan(1, "collect", "TB1", func(s *custodyv1.Scan) { s.Draw = "D-1" })
	v, ok := c.in.App().Model().View("L-TB1")
	if !ok || v.Tube.Patient == "" {
		t.Fatal("the tube must have a patient for this test")
	}
	var out bytes.Buffer
	p := c.tube("TB1")
	c.must(p.Render(&out, web.Site{}))
	if all := out.String() + fmt.Sprintf("%+v", p); strings.Contains(all, v.Tube.Patient) || strings.Contains(all, "P-7001") {
		t.Error("the page names the patient")
	}
}

func TestPagesUnknownTube(t *testing.T) {
	c := openClinic(t)
	if _, err := c.pages.Tube(t.Context(), "TB404"); !errors.Is(err, web.ErrNotFound) {
		t.Errorf("a number nobody scanned: %v", err)
	}
	// What can't be a number is said, with what to do.
	for _, id := range []string{"", strings.Repeat("X", 99), "a\x00b", "(01)09521234000174"} {
		var refused *web.LabelRefused
		if _, err := c.pages.Tube(t.Context(), id); !errors.As(err, &refused) || refused.Say == "" || refused.Remedy == "" {
			t.Errorf("%q: %v", id, err)
		}
	}
}

// heard waits for one change.
func heard(t *testing.T, ch <-chan web.Change) web.Change {
	t.Helper()
	select {
	case c, ok := <-ch:
		if !ok {
			t.Fatal("the channel was closed")
		}
		return c
	case <-time.After(5 * time.Second):
		t.Fatal("no change came")
	}
	return web.Change{}
}

func TestPagesWatch(t *testing.T) {
	c := openClinic(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ch, err := c.pages.Watch(ctx, 0)
	c.must(err)
	for i := range 20 { // far more than a screen wants to hear of one by one
		c.scan(i, "collect", fmt.Sprintf("TB%d", i), nil)
	}
	seq, n := c.in.App().Model().At().Custody, 0
	for got := (web.Change{}); got.Seq < seq; n++ {
		got = heard(t, ch)
		if got.Reset {
			t.Error("nothing was lost, so nothing is reset")
		}
	}
	if n >= 20 {
		t.Errorf("%d changes for 20 scans: they should be folded", n)
	}

	late, err := c.pages.Watch(ctx, 1)
	c.must(err)
	if got := heard(t, late); got.Seq < seq || got.Reset {
		t.Errorf("who was away hears at once that there is more: %+v", got)
	}
	foreign, err := c.pages.Watch(ctx, 1_000_000)
	c.must(err)
	if got := heard(t, foreign); !got.Reset {
		t.Errorf("a position behind the log's end can't be gone on from: %+v", got)
	}
	cancel()
	for range ch { //nolint:revive // drained until it is closed
	}
}

func TestPagesSayEveryStep(t *testing.T) {
	for _, verb := range event.Steps() {
		if stepWords[verb] == "" {
			t.Errorf("the step %s has no words", verb)
		}
	}
	for _, end := range event.Endings() {
		if dueVerbs[end] == "" {
			t.Errorf("the ending %s has no verb", end)
		}
	}
}

// Many viewers at once get one answer, and none that is older than its question.
func TestPagesWallIsShared(t *testing.T) {
	c := openClinic(t)
	c.crossing()
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 5 {
				at := c.in.App().Model().At().Custody
				w, err := c.pages.Wall(t.Context())
				if err != nil || w.Seq < at || len(w.Boxes) != 1 {
					t.Errorf("%v: sequence %d, asked at %d, %d boxes", err, w.Seq, at, len(w.Boxes))
				}
			}
		})
	}
	c.scan(31, "see", "TB1", func(s *custodyv1.Scan) { s.By, s.Place = "oskar", "FERRY" })
	wg.Wait()
}
