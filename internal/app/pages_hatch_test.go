package app

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

func (c *clinic) hatch(place, box string) *web.HatchPage {
	c.Helper()
	c.told()
	p, err := c.pages.Hatch(c.Context(), web.HatchAsk{Place: place, Box: box})
	c.must(err)
	if err := p.Render(&bytes.Buffer{}, web.Site{}); err != nil {
		c.Fatal(err)
	}
	// What is kept of boxes from one drawing to the next is what a fresh look finds.
	fresh, err := (&pages{a: c.in.App()}).Hatch(c.Context(), web.HatchAsk{Place: place})
	c.must(err)
	if a, b := fmt.Sprint(p.Boxes), fmt.Sprint(fresh.Boxes); a != b {
		c.Errorf("boxes kept: %s\nfresh: %s", a, b)
	}
	return p
}

func tubesOf(o *web.HatchOpen) map[string]web.HatchTube {
	out := map[string]web.HatchTube{}
	for _, t := range o.Tubes {
		out[t.Tube] = t
	}
	return out
}

func atDesk(s *custodyv1.Scan) { s.By, s.Place, s.Device = "lena", "LAB", "DESK-1" }

// A box is opened at the desk: what it holds by the log, what came out of it, and what
// its logger has not told.
func TestPagesHatchOpensABox(t *testing.T) {
	c := openClinic(t)
	if p := c.hatch("", ""); len(p.Places) != 2 || p.Places[0].Code != "LAB" || p.Place != "" {
		t.Fatalf("places to choose from: %+v", p.Places)
	}
	if p := c.hatch("NOWHERE", ""); p.Place != "" {
		t.Errorf("a desk at a place that nobody declared: %+v", p)
	}
	c.crossing()
	p := c.hatch("lab", "B-3")
	if len(p.Boxes) != 1 || p.Boxes[0].Here || p.Boxes[0].Tubes != 2 || p.Boxes[0].Due.Earliest != instant(65) || p.Boxes[0].From != "oskar" {
		t.Errorf("a box on the way here: %+v", p.Boxes)
	}
	if p.Open.Here || !p.Open.Known || len(p.Open.Tubes) != 2 || p.Name != "mainland laboratory" {
		t.Errorf("opened before it came: %+v", p.Open)
	}

	// One is taken out on the way, which is then taken back.
	c.scan(31, "unpack", "TB2", func(s *custodyv1.Scan) { s.By, s.Carrier, s.Place = "oskar", "B-3", "FERRY" })
	if p = c.hatch("LAB", ""); p.Boxes[0].Tubes != 1 {
		t.Errorf("one was taken out: %+v", p.Boxes)
	}
	unpacked := fmt.Sprintf("s-%d", c.made)
	c.scan(32, "void", "TB2", func(s *custodyv1.Scan) { s.By, s.Details["scan"] = "oskar", unpacked })
	if p = c.hatch("LAB", ""); p.Boxes[0].Tubes != 2 {
		t.Errorf("that was taken back: %+v", p.Boxes)
	}

	from := func(s *custodyv1.Scan) { atDesk(s); s.From = "oskar" }
	c.scan(60, "receive", "B-3", from)
	o := c.hatch("LAB", "B-3").Open
	if !o.Here || o.Arrived != instant(60) || o.By != "lena" || o.Scan == "" || o.From != "" {
		t.Errorf("it is here: %+v", o.HatchBox)
	}
	if len(o.Loggers) != 1 || !o.Loggers[0].Behind || o.Loggers[0].Read != instant(30) {
		t.Errorf("its logger was read up to 09:30, and it came at 10:00: %+v", o.Loggers)
	}
	out := func(s *custodyv1.Scan) { atDesk(s); s.Carrier = "B-3" }
	c.scan(61, "receive", "TB1", out)
	c.scan(62, "receive", "TB9", out)
	c.scan(63, "receive", "", func(s *custodyv1.Scan) { out(s); s.Label, s.Details = nil, map[string]string{"as": "TMP-1"} })
	p = c.hatch("LAB", "B-3")
	got := tubesOf(p.Open)
	if x := got["TB1"]; !x.InBox || x.Received != instant(61) || x.By != "lena" || x.Scan == "" || x.Unknown {
		t.Errorf("received: %+v", x)
	}
	if x := got["TB2"]; !x.InBox || x.Received != 0 {
		t.Errorf("missing: %+v", x)
	}
	if x := got["TB9"]; x.InBox || x.Received != instant(62) || !x.Unknown {
		t.Errorf("extra and unknown: %+v", x)
	}
	if x := got["TMP-1"]; x.InBox || !x.Nameless {
		t.Errorf("without a label: %+v", x)
	}
	if len(p.Boxes) != 1 || !p.Boxes[0].Here || p.Boxes[0].Tubes != 1 {
		t.Errorf("it stands here with one tube in it: %+v", p.Boxes)
	}
	// A program that starts now knows of the extra ones too.
	fresh := &pages{a: c.in.App()}
	again, err := fresh.Hatch(t.Context(), web.HatchAsk{Place: "LAB", Box: "B-3"})
	c.must(err)
	if now := tubesOf(again.Open); len(now) != len(got) {
		t.Errorf("after a start: %+v, before %+v", now, got)
	}

	c.scan(64, "accept", "TB1", func(s *custodyv1.Scan) {
		atDesk(s)
		s.Reason, s.Details = "irreplaceable", map[string]string{"deviation": "yes", "authoriser": "lena"}
	})
	c.scan(65, "note", "TB1", func(s *custodyv1.Scan) { atDesk(s); s.Details["defect"] = "haemolysed" })
	c.scan(66, "reject", "TB9", func(s *custodyv1.Scan) { atDesk(s); s.Reason = "RI" })
	c.read(37, 67, "21.00")
	c.scan(67, "empty", "B-3", func(s *custodyv1.Scan) { atDesk(s); s.Details["count"] = "3" })
	p = c.hatch("LAB", "B-3")
	got = tubesOf(p.Open)
	if x := got["TB1"]; x.Done != "accepted with deviation: it can't be drawn again" || x.DoneScan == "" || !slices.Equal(x.Defects, []string{"haemolysed"}) {
		t.Errorf("accepted: %+v", x)
	}
	if x := got["TB9"]; x.Done != "rejected: identification problem" {
		t.Errorf("rejected: %+v", x)
	}
	if p.Open.Emptied != instant(67) || p.Open.EmptiedBy != "lena" || p.Open.Loggers[0].Behind || len(p.Boxes) != 0 {
		t.Errorf("finished: %+v, boxes %+v", p.Open, p.Boxes)
	}
}

// What was last said of a flag is on every desk of the place, and hides nothing.
func TestPagesHatchFlags(t *testing.T) {
	c := openClinic(t)
	c.crossing()
	c.read(35, 45, "31.00")
	p := c.hatch("LAB", "")
	if len(p.Flags) != 2 || p.Flags[0].Cause != (event.Cause{Kind: event.CauseBox, Name: "B-3"}) || p.Flags[0].CauseName != "box B-3" || p.Flags[0].Mark.State != web.FlagWaits {
		t.Fatalf("flags of a box on the way here: %+v", p.Flags)
	}
	if k := p.Flags[0].Tests[0]; k.LimitMs == 0 || k.UsedMs == 0 {
		t.Errorf("used and limit are not told: %+v", k)
	}
	if other := c.hatch("CLINIC", ""); len(other.Flags) != 0 || other.Elsewhere != 2 {
		t.Errorf("they are of no concern at the clinic: %+v", other)
	}
	c.clock(46)
	_, err := c.flags.TakeFlag(t.Context(), &stabilityv1.TakeFlagRequest{Tube: "TB1", By: "mira"})
	c.must(err)
	_, err = c.flags.PutAsideFlag(t.Context(), &stabilityv1.PutAsideFlagRequest{Tube: "TB2", By: "lena", Until: at(60), Reason: "explained"})
	c.must(err)
	p = c.hatch("LAB", "")
	if m := p.Flags[0].Mark; m.State != web.FlagTaken || m.By != "mira" || m.At != instant(46) || m.Scan == "" {
		t.Errorf("taken: %+v", m)
	}
	aside := p.Flags[1].Mark
	if aside.State != web.FlagAside || aside.Until != instant(60) || aside.What != "explained" {
		t.Errorf("put aside: %+v", aside)
	}
	c.scan(47, "void", "TB2", func(s *custodyv1.Scan) { atDesk(s); s.Details["scan"] = aside.Scan })
	c.scan(48, "act-flag", "TB1", func(s *custodyv1.Scan) { atDesk(s); s.Details["action"] = "hurry" })
	p = c.hatch("LAB", "")
	if m := p.Flags[0].Mark; m.State != web.FlagDone || m.What != "hurry" || m.By != "lena" {
		t.Errorf("done, still up: %+v", m)
	}
	if m := p.Flags[1].Mark; m.State != web.FlagWaits {
		t.Errorf("brought back: %+v", m)
	}
	c.scan(49, "override", "TB2", func(s *custodyv1.Scan) { atDesk(s); s.Reason = "irreplaceable" })
	if m := c.hatch("LAB", "").Flags[1].Mark; m.State != web.FlagLet || m.What != "irreplaceable" {
		t.Errorf("let pass: %+v", m)
	}
}

// Restricted tests have no names for who may not see them.
func TestPagesHatchNamesNoRestrictedTest(t *testing.T) {
	p := web.HatchPage{Place: "LAB", Flags: []web.FlagRow{{Tube: "TB1", Tests: []web.FlagTestRow{{Name: "a name that must not show", Restricted: true}}}}}
	var out bytes.Buffer
	if err := p.Render(&out, web.Site{}); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(out.String(), "must not show") || !strings.Contains(out.String(), "restricted test") {
		t.Error("a restricted test is shown by its name")
	}
}
