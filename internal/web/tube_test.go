package web

import (
	"bytes"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/sprec"
	"specimen.example/custody/internal/thermal"
)

// All numbers are invented; what is checked is which source is named, and how.
func TestStricterLine(t *testing.T) {
	c := clockOf(storyNow, storyZone) // 10:06
	overtime := []event.Reason{event.ReasonTime}
	other := func(change func(*OtherRow)) OtherRow {
		o := OtherRow{Limit: "2 h at room", Evidence: "studied", Work: "clinic study 2016", Verdict: event.WithinLimits, UsedMs: 60 * minuteMs, LimitMs: 120 * minuteMs, DueVerb: "spin", Due: Due{ahead(34), ahead(34)}}
		change(&o)
		return o
	}
	past := func(o *OtherRow) {
		o.Verdict, o.Reasons, o.Due, o.UsedMs = event.PastLimit, overtime, Due{}, 130*minuteMs
	}
	within := TestRow{Rule: "used", Verdict: event.WithinLimits, Due: Due{ahead(60), ahead(60)}}
	with := func(x TestRow, others ...OtherRow) TestRow { x.Others = others; return x }
	const earlier = "Another source is stricter: 2 h at room (clinic study 2016), spin by 10:40 (34 min)."
	const worse = "Another source is stricter: 2 h at room (clinic study 2016), past its limit: 2 h 10 min used."
	for _, x := range []struct {
		name string
		row  TestRow
		want string
	}{
		{"no other", within, ""},
		{"due earlier", with(within, other(func(*OtherRow) {})), earlier},
		{"due at the same time", with(within, other(func(o *OtherRow) { o.Due = within.Due })), ""},
		{"due later", with(within, other(func(o *OtherRow) { o.Due = Due{ahead(61), ahead(61)} })), ""},
		{"the used one is never due", with(TestRow{Rule: "used", Verdict: event.WithinLimits}, other(func(*OtherRow) {})), earlier},
		{"past", with(within, other(past)), worse},
		{"one line, of the worse one", with(within, other(func(*OtherRow) {}), other(past)), worse},
		{"not studied beyond", with(within, other(func(o *OtherRow) { past(o); o.Verdict = event.NotStudiedBeyond })),
			"Another source is stricter: 2 h at room (clinic study 2016), not studied beyond: 2 h 10 min used."},
		{"too warm", with(within, other(func(o *OtherRow) { past(o); o.Reasons = []event.Reason{event.ReasonHeat} })),
			"Another source is stricter: 2 h at room (clinic study 2016), past its limit, it was too warm."},
		{"both past", with(TestRow{Rule: "used", Verdict: event.PastLimit}, other(past)), ""},
		{"can't say, and another is past", with(TestRow{Rule: "used", Verdict: event.CannotSay}, other(past)), worse},
		{"can't say, and another is due", with(TestRow{Rule: "used", Verdict: event.CannotSay}, other(func(*OtherRow) {})), ""},
		{"another can't say", with(within, other(func(o *OtherRow) { o.Verdict = event.CannotSay })), ""},
		{"advice", with(within, other(func(o *OtherRow) { past(o); o.Evidence = "advised" })), ""},
		{"a rate", with(within, other(func(o *OtherRow) { past(o); o.Evidence = "rate" })), ""},
		{"only under a condition", with(within, other(func(o *OtherRow) { past(o); o.If = "high count: yes" })), ""},
		{"settled, due is over", with(TestRow{Rule: "used", Verdict: event.WithinLimits, EndedAt: ago(10)}, other(func(*OtherRow) {})), ""},
		{"settled, it was past", with(TestRow{Rule: "used", Verdict: event.WithinLimits, EndedAt: ago(10)}, other(func(o *OtherRow) { past(o); o.EndedAt = ago(10) })),
			"Another source is stricter: 2 h at room (clinic study 2016), past its limit: 2 h 10 min used, settled at 09:56."},
		{"none chosen", with(TestRow{Verdict: event.NoLimitAdopted}, other(past)),
			"No limit was chosen; one source says: 2 h at room (clinic study 2016), past its limit: 2 h 10 min used."},
	} {
		if got := stricterLine(c, x.row); got != x.want {
			t.Errorf("%s:\ngot  %q\nwant %q", x.name, got, x.want)
		}
	}
	// What is not due by a time has no verb alone.
	o := other(past)
	o.Verdict = event.NotStudiedBeyond
	if w := otherLimitOf(c, &o); w.By != "" || w.Used != "2 h 10 min of 2 h used." {
		t.Errorf("by %q, used %q", w.By, w.Used)
	}
}

func TestShareLine(t *testing.T) {
	c := clockOf(storyNow, storyZone) // 10:06
	const apart = ". So many tubes of a study had changed too much by then; of this one it can't be told. Clinic study 2016."
	due := func(earliest, latest int) Due { return Due{ahead(earliest), ahead(latest)} }
	for _, x := range []struct {
		share, next ShareRow
		want        string
	}{
		{ShareRow{}, ShareRow{}, ""},
		{ShareRow{}, ShareRow{Share: "1 in 20"}, ""}, // it won't be, or can't be said
		{ShareRow{}, ShareRow{"1 in 20", due(34, 34)}, "1 in 20 is over by 10:40 (34 min)" + apart},
		{ShareRow{}, ShareRow{"1 in 20", Due{ahead(34), 0}}, "1 in 20 is over by 10:40 (34 min) at the worst" + apart},
		{ShareRow{"1 in 20", due(-6, -6)}, ShareRow{}, "1 in 20 is over since 10:00" + apart},
		{ShareRow{"1 in 20", due(-6, 4)}, ShareRow{}, "1 in 20 is over since 10:00 at the worst, 10:10 at the best" + apart},
		{ShareRow{"1 in 20", Due{}}, ShareRow{"1 in 10", due(34, 34)}, "1 in 20 is over already; 1 in 10 is over by 10:40 (34 min)" + apart},
	} {
		if got := shareLine(c, TestRow{Share: x.share, NextShare: x.next, Work: "clinic study 2016"}); got != x.want {
			t.Errorf("got  %q\nwant %q", got, x.want)
		}
	}
}

func TestSumWords(t *testing.T) {
	for _, x := range []struct {
		permille  int32
		ms, whole int64
		want      string
	}{
		{0, 0, 9_000_000, "none"},
		{0, 1, 9_000_000, "less than 0.1 %"},
		{1, 9_000, 9_000_000, "0.1 %"},
		{605, 605, 1000, "60.5 %"},
		{1000, 8_999_999, 9_000_000, "more than 99.9 %"},
		{1000, 9_000_000, 9_000_000, "100 %"},
	} {
		if got := shareOf(x.permille, x.ms, x.whole); got != x.want {
			t.Errorf("%d thousandths, %d of %d ms: got %q, want %q", x.permille, x.ms, x.whole, got, x.want)
		}
	}
	if sumOf(&thermal.Summary{}) != nil {
		t.Error("what was not summed up is shown")
	}
	dark := summed([]TempSegment{flat(ago(60), storyNow, 0, 0, event.EvidenceUnknown)})
	if w := sumOf(&dark); w.Coldest != "not known" || w.Mean != "" || w.MeanOf != "Not known: no minute has a temperature." || w.Parts[3].Share != "100 %" {
		t.Errorf("an hour of which nothing is known: %+v", w)
	}
	bounded := summed([]TempSegment{flat(ago(60), storyNow, 1800, 2400, event.EvidenceAssumed)})
	// At a constant temperature the mean kinetic one is that temperature (USP chapter 1160, by its formula).
	if w := sumOf(&bounded); w.Coldest != "between 18.0 °C and 24.0 °C" || w.Mean != "between 18.0 °C and 24.0 °C" ||
		!strings.HasPrefix(w.MeanOf, "for an activation energy of 83.144 kJ/mol, the pharmacopoeia's value for drugs, over 100 % of the time.") {
		t.Errorf("an hour between two bounds: %+v", w)
	}
}

func TestCodeIsShownOnlyWhole(t *testing.T) {
	if codeOf(&sprec.Result{}) != nil {
		t.Error("a code is shown while there is nothing to code")
	}
	whole, open := tubeLong().Sprec, tubeStored().Sprec
	if w := codeOf(&whole); w.Code != whole.Code.String() || !strings.HasPrefix(w.Code, "PL2-SCI-") || len(w.Rows) != 7 {
		t.Errorf("a whole code: %+v", w)
	}
	w := codeOf(&open)
	if w.Code != "" || w.Rows[0].Code != "none" || w.Rows[1].Code != "SCI" || w.Rows[1].Reason != "Sodium citrate." {
		t.Errorf("a code without a type of sample: %+v", w)
	}
	body := renderTube(t, tubeStored())
	if strings.Contains(body, `id="code-head"`) || !strings.Contains(body, "Why it has no sample pre-analytical code (SPREC 2.0)") {
		t.Error("a code that is not whole stands on the page, or its reasons don't")
	}
}

// A limit names its test in its words, its source and its id.
func TestRestrictedTestHasNoLimitShown(t *testing.T) {
	p := tubePast()
	p.Tests = p.Tests[1:2]
	p.Tests[0].Restricted = true
	p.Flag, p.Allowed = nil, nil
	body := renderTube(t, p)
	for _, bad := range []string{"potassium", "structured summary", "clinic study", "longest studied"} {
		if strings.Contains(strings.ToLower(body), bad) {
			t.Errorf("the page of a restricted test says %q", bad)
		}
	}
	if !strings.Contains(body, "1 in 20 is over") {
		t.Error("its share is gone")
	}
}

func renderTube(t *testing.T, p TubePage) string {
	t.Helper()
	var out bytes.Buffer
	if err := p.Render(&out, Site{}); err != nil {
		t.Fatal(err)
	}
	return out.String()
}
