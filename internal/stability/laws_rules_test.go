package stability

import (
	"fmt"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Laws over sets of random rules and tubes with random steps. All numbers are invented.

// genWorld draws a whole set, a tube with its steps and a history: rules of every
// state, start, ending and condition, with waits, tests that steps end, and shares.
func genWorld(t *rapid.T) (*Set, *Tube, []thermal.Segment) {
	s := &Set{}
	for i := range rapid.IntRange(1, 4).Draw(t, "rules") {
		r := genRule(t)
		r.ID = fmt.Sprintf("drawn-%d", i)
		r.State = rapid.SampledFrom([]State{Unspun, Unspun, SpunOnGel, SpunAgain, Separated, FrozenAt, ThawedAt}).Draw(t, "state")
		r.Until = rapid.SampledFrom(event.Endings()).Draw(t, "until")
		r.Default = rapid.Bool().Draw(t, "default")
		if r.State != Unspun {
			r.From = rapid.SampledFrom([]CountsFrom{FromDraw, FromState, FromThaw}).Draw(t, "from")
		}
		for _, name := range []string{"x", "y"} {
			if rapid.IntRange(0, 3).Draw(t, "condition") == 0 {
				r.Condition = append(r.Condition, Condition{name, rapid.Bool().Draw(t, name)})
			}
		}
		genShares(t, &r)
		s.Rules = append(s.Rules, r)
	}
	if rapid.IntRange(0, 2).Draw(t, "waits") == 0 {
		s.Waits = []WaitRule{{Tubes: []string{"T"}, AtLeast: int64(30 * minute), Before: "spin"}}
	}
	if rapid.IntRange(0, 3).Draw(t, "ends") == 0 {
		when := rapid.SampledFrom([]string{"spun", "frozen", "thawed"}).Draw(t, "when")
		s.Ends = []EndsTest{{Assay: Assay{Code: "A"}, When: when, Say: "run it before"}}
	}
	if err := s.Finish(); err != nil {
		t.Fatal(err)
	}
	return s, genSteps(t), genHist(t)
}

func genShares(t *rapid.T, r *Rule) {
	for i := range r.Limits {
		at, of := int64(0), int64(40)
		for range rapid.IntRange(0, 2).Draw(t, "shares") {
			at += rapid.Int64Range(1, int64(3*hour)).Draw(t, "share at")
			of -= rapid.Int64Range(1, 19).Draw(t, "share")
			r.Limits[i].Shares = append(r.Limits[i].Shares, Share{AtMs: at, Over: "drawn", Part: 1, Of: of})
		}
	}
}

// genSteps draws a tube with changes of state, endings and conditions.
func genSteps(t *rapid.T) *Tube {
	tube := genTube(t)
	tube.Changes, tube.Conditions = nil, map[string]bool{}
	at := drawn
	for range rapid.IntRange(0, 4).Draw(t, "changes") {
		at += event.Instant(rapid.Int64Range(1, int64(3*hour)).Draw(t, "change"))
		to := rapid.SampledFrom([]State{SpunOnGel, SpunOnGel, Separated, FrozenAt, ThawedAt}).Draw(t, "to")
		tube.Changes = append(tube.Changes, Change{to, at})
	}
	at = drawn
	for range rapid.IntRange(0, 2).Draw(t, "endings") {
		at += event.Instant(rapid.Int64Range(1, int64(6*hour)).Draw(t, "ending"))
		e := Ended{What: rapid.SampledFrom(event.Endings()).Draw(t, "what"), At: at}
		if rapid.Bool().Draw(t, "named") {
			e.Tests = []string{rapid.SampledFrom([]string{"A", "B"}).Draw(t, "test")}
		}
		tube.Ended = append(tube.Ended, e)
	}
	for _, name := range []string{"x", "y"} {
		if rapid.Bool().Draw(t, "stated") {
			tube.Conditions[name] = rapid.Bool().Draw(t, name)
		}
	}
	return tube
}

// known is the tube as it is at now: what comes later isn't told yet.
func known(tube *Tube, now event.Instant) *Tube {
	k := *tube
	k.Changes = slices.DeleteFunc(slices.Clone(k.Changes), func(c Change) bool { return c.At > now })
	k.Ended = slices.DeleteFunc(slices.Clone(k.Ended), func(e Ended) bool { return e.At > now })
	return &k
}

// Law: with fixed facts past-limit never turns back, whatever happens to the tube;
// the use of one rule over one stretch never falls, nor does a share once reached.
func TestLawsOfTimeOverRandomRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genWorld(t)
		var before Judgement
		length := int64(end(hist) + hour - drawn)
		for i := range int64(17) {
			var j Judgement
			now := drawn + event.Instant(length*i/16)
			set.Judge(&j, tube, "A", hist, now)
			if before.Verdict == event.PastLimit && j.Verdict != event.PastLimit {
				t.Fatalf("past limit turned back to %s at %s", j.Verdict, now)
			}
			if j.BestMs > j.UsedMs {
				t.Fatalf("best %d is more than worst %d", j.BestMs, j.UsedMs)
			}
			if before.Rule != nil && before.Rule == j.Rule && before.window.from == j.window.from {
				// Floors of two shares in ms of two bands: one ms of slack.
				if (j.UsedMs+1)*before.LimitMs < before.UsedMs*j.LimitMs {
					t.Fatalf("used fell from %d/%d to %d/%d", before.UsedMs, before.LimitMs, j.UsedMs, j.LimitMs)
				}
				if before.Share.Share != nil && (j.Share.Share == nil || before.Share.Share.larger(j.Share.Share) || before.Share.Surely && before.Share == j.Share && !j.Share.Surely) {
					t.Fatalf("share %+v turned back to %+v", before.Share, j.Share)
				}
			}
			before = j
		}
	})
}

// Law: the rows of an explanation follow each other and sum to used exactly, for
// rules of every state, start and ending.
func TestExplanationSumsOverRandomRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genWorld(t)
		now := drawn + event.Instant(rapid.Int64Range(0, int64(end(hist)-drawn+hour)).Draw(t, "now"))
		e := set.Explain(tube, "A", hist, now)
		var sum int64
		for i, row := range e.Rows {
			sum += row.UsedMs
			if row.From >= row.To || i > 0 && row.From != e.Rows[i-1].To {
				t.Fatalf("row %d doesn't follow: %v", i, e.Rows)
			}
		}
		if sum != e.Judgement.UsedMs {
			t.Fatalf("rows sum to %d, used is %d: %+v", sum, e.Judgement.UsedMs, e.Rows)
		}
	})
}

// Law: whatever the order in which readings arrive, and in however many parts,
// history and judgement are the same.
func TestAnyOrderOfReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, _ := genWorld(t)
		var readings []event.Reading
		for range rapid.IntRange(1, 30).Draw(t, "readings") {
			readings = append(readings, event.Reading{
				At: drawn + event.Instant(rapid.Int64Range(0, 24).Draw(t, "at"))*5*minute,
				C:  event.CentiC(rapid.SampledFrom([]int32{-400, 0, 200, 500, 1500, 1801, 2100, 2600, 8500}).Draw(t, "c")),
				OK: rapid.IntRange(0, 9).Draw(t, "fault") > 0,
			})
		}
		build := func(all []event.Reading, parts bool) []thermal.Segment {
			s := &thermal.Series{EveryMs: int64(5 * minute), HoldMs: -1}
			for len(all) > 0 {
				n := len(all)
				if parts {
					n = rapid.IntRange(1, len(all)).Draw(t, "part")
				}
				s.Add(all[:n]...)
				all = all[n:]
			}
			layer := thermal.Layer{From: drawn, To: drawn + 3*hour, Series: []*thermal.Series{s}, Assumed: event.Range{Low: 18_00, High: 22_00, Known: true}}
			return thermal.Build(nil, []thermal.Layer{layer}, drawn, drawn+3*hour)
		}
		hist, other := build(readings, false), build(rapid.Permutation(readings).Draw(t, "order"), true)
		if !slices.Equal(hist, other) {
			t.Fatalf("one order gives %+v\nanother       %+v", hist, other)
		}
		now := drawn + event.Instant(rapid.Int64Range(0, int64(3*hour)).Draw(t, "now"))
		if a, b := set.Explain(tube, "A", hist, now), set.Explain(tube, "A", other, now); !reflect.DeepEqual(a, b) {
			t.Fatalf("one order gives %+v\nanother       %+v", a, b)
		}
	})
}

// Law: judged at now, then at any instant before Until with no new fact: the same.
func TestUntilOverRandomRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genWorld(t)
		now := drawn + event.Instant(rapid.Int64Range(1, int64(end(hist)-drawn)).Draw(t, "now"))
		tube = known(tube, now)
		hist = until(hist, now)
		var j Judgement
		set.Judge(&j, tube, "A", hist, now)
		last := j.Until - 1
		if j.Until == 0 {
			last = now + 400*hour
		}
		if last < now {
			t.Fatalf("until %s is not after now %s", j.Until, now)
		}
		hist = append(hist, hist[len(hist)-1].Onward(last+1))
		for _, at := range []event.Instant{now + 1, now + (last-now)/3, now + (last-now)/2, last} {
			if at <= now || at > last {
				continue
			}
			var k Judgement
			if set.Judge(&k, tube, "A", hist, at); !same(&j, &k) {
				t.Fatalf("at %s, before %s: %s %v %t, was %s %v %t", at, j.Until, k.Verdict, k.Reasons, k.Eighty, j.Verdict, j.Reasons, j.Eighty)
			}
		}
	})
}

// Law: what a rule that was not used says is what the judge says where the
// laboratory chose it: by a set in which no other competes with it.
func TestOthersAreWhatTheJudgeSays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genWorld(t)
		for i := range set.Rules { // rules that compete are rare otherwise
			if r, first := &set.Rules[i], &set.Rules[0]; rapid.Bool().Draw(t, "competes") {
				r.State, r.From, r.Until = first.State, first.From, first.Until
			}
		}
		now := drawn + event.Instant(rapid.Int64Range(0, int64(end(hist)-drawn+hour)).Draw(t, "now"))
		for _, o := range set.Explain(tube, "A", hist, now).Others {
			if o.Other != nil || o.Rule == nil {
				t.Fatalf("other %+v", o)
			}
			chosen := &Set{Rules: slices.Clone(set.Rules), Waits: set.Waits, Ends: set.Ends}
			chosen.Rules = slices.DeleteFunc(chosen.Rules, func(r Rule) bool {
				return r.ID != o.Rule.ID && r.State == o.Rule.State && r.From == o.Rule.From && r.Until == o.Rule.Until
			})
			if err := chosen.Finish(); err != nil {
				t.Fatal(err)
			}
			// Conditions that were not stated are as the rule asks.
			asked := *tube
			asked.Conditions = map[string]bool{"x": false, "y": false}
			for _, name := range o.Rule.Condition {
				asked.Conditions[name.Name] = name.Yes
			}
			for name, yes := range tube.Conditions {
				asked.Conditions[name] = yes
			}
			var j Judgement
			chosen.Judge(&j, &asked, "A", hist, now)
			// Beside it the judge may go by rules of other states, starts and endings.
			beside := slices.ContainsFunc(chosen.Rules, func(r Rule) bool {
				fit, _, _ := r.fits(&asked, false)
				return fit && (r.State != o.Rule.State || r.From != o.Rule.From || r.Until != o.Rule.Until)
			})
			if j.Rule == nil || j.Rule.ID != o.Rule.ID {
				if !beside || rank(j.Verdict) > rank(o.Verdict) {
					t.Fatalf("%s says %s, but where it is chosen the tube is %s", o.Rule.ID, o.Verdict, j.Verdict)
				}
				continue // one of them says worse
			}
			if stages(tube, now) > 1 && (j.window != o.window || j.Ended != o.Ended) {
				continue // other conditions let another rule end it
			}
			want := o.Judgement
			j.Rule, want.Rule = nil, nil
			if beside {
				j.Until, want.Until = 0, 0 // the soonest of all
				if j.Verdict == event.CannotSay {
					j.Reasons, want.Reasons = nil, nil // those of all
				}
			}
			if !reflect.DeepEqual(j, want) {
				t.Fatalf("%s says %+v\nthe judge   %+v", o.Rule.ID, want, j)
			}
		}
	})
}

// Where studies disagree each says its own. Limits are an invented fixture.
func TestOthersDisagree(t *testing.T) {
	rule := func(id string, limit Limit, ask ...Condition) Rule {
		limit.Low, limit.High = 18_00, 25_00
		return Rule{ID: id, Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: Unspun, From: FromDraw, Until: event.EndsMeasured, Condition: ask, Limits: []Limit{limit}}
	}
	other := rule("other state", Limit{Ms: int64(hour)})
	other.State = FrozenAt
	set := &Set{
		Rules: []Rule{
			rule("short", Limit{Ms: int64(hour)}), rule("studied", Limit{GoodMs: int64(90 * minute), FirstBad: int64(4 * hour)}),
			rule("used", Limit{Ms: int64(8 * hour)}), rule("bad", Limit{FirstBad: int64(2 * hour)}),
			rule("asks", Limit{Ms: int64(3 * hour)}, Condition{"x", true}), rule("asks otherwise", Limit{Ms: int64(3 * hour)}, Condition{"y", true}), other,
		},
		Waits: []WaitRule{{Tubes: []string{"T"}, AtLeast: int64(3 * hour), Before: "spin"}},
	}
	set.Rules[2].Default = true
	if err := set.Finish(); err != nil {
		t.Fatal(err)
	}
	tube := tube("T")
	tube.Conditions = map[string]bool{"y": false}
	for _, c := range []struct {
		at   event.Instant
		want []string
	}{
		{2*hour - 1, []string{"short past-limit [time] false", "studied not-studied-beyond [time] false", "bad cannot-say [outside-studied] false", "asks wait [clotting] true"}},
		{2 * hour, []string{"short past-limit [time] false", "studied not-studied-beyond [time] false", "bad past-limit [time] false", "asks wait [clotting] true"}},
		{4 * hour, []string{"short past-limit [time] false", "studied past-limit [time] false", "bad past-limit [time] false", "asks past-limit [time] true"}},
	} {
		e := set.Explain(tube, "A", steady(c.at, 20.0), drawn+c.at)
		var got []string
		for _, o := range e.Others {
			got = append(got, fmt.Sprintf("%s %s %v %t", o.Rule.ID, o.Verdict, o.Reasons, o.Assumes))
			if o.UsedMs != int64(c.at) || o.LimitMs != softLimit(o.Rule.Limits[0]) {
				t.Errorf("%s: used %d of %d", o.Rule.ID, o.UsedMs, o.LimitMs)
			}
			if due := drawn + 3*hour; o.Rule.ID == "asks" && c.at < 3*hour && o.Due != (Interval{due, due}) {
				t.Errorf("%s: due %v, want %s", o.Rule.ID, o.Due, due)
			}
		}
		if e.Judgement.Rule.ID != "used" || !slices.Equal(got, c.want) {
			t.Errorf("after %s beside %s: %v, want %v", durationText(int64(c.at)), e.Judgement.Rule.ID, got, c.want)
		}
	}
}

// Law: a share counts as reached from the instant on that the explanation names,
// and not before.
func TestSharesAreReachedWhenSaid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genWorld(t)
		set = &Set{Rules: set.Rules[:1]}
		r := &set.Rules[0]
		r.State, r.From, r.Until, r.Condition = Unspun, FromDraw, event.EndsSpun, nil
		if err := set.Finish(); err != nil {
			t.Fatal(err)
		}
		tube.Changes, tube.Ended = nil, nil
		now := drawn + event.Instant(rapid.Int64Range(1, int64(end(hist)-drawn)).Draw(t, "now"))
		hist = until(hist, now)
		e := set.Explain(tube, "A", hist, now)
		on := append(slices.Clone(hist), hist[len(hist)-1].Onward(now+100_000*hour))
		for i, s := range e.Shares {
			at := func(instant event.Instant) ShareUse { return set.Explain(tube, "A", on, instant).Shares[i] }
			if s.When.Earliest != 0 && (!at(s.When.Earliest).Reached || at(s.When.Earliest-1).Reached) {
				t.Fatalf("%+v is not reached at %s first", s, s.When.Earliest)
			}
			if s.When.Latest != 0 && (!at(s.When.Latest).Surely || at(s.When.Latest-1).Surely) {
				t.Fatalf("%+v is not surely reached at %s first", s, s.When.Latest)
			}
			if s.Surely && !s.Reached || s.Reached != (s.When.Earliest != 0 && s.When.Earliest <= now) {
				t.Fatalf("at %s: %+v", now, s)
			}
		}
		var largest *Share
		for _, s := range e.Shares {
			if s.Reached && s.Share.larger(largest) {
				largest = s.Share
			}
		}
		j := &e.Judgement
		if j.Share.Share != largest {
			t.Fatalf("the largest share reached is %+v, not %+v", largest, j.Share.Share)
		}
		if n := j.NextShare; n.Share != nil {
			for _, s := range e.Shares {
				if s.Share == n.Share && s.When != n.When || n.When.Earliest != 0 && !s.Reached && s.Share.larger(largest) && s.When.Earliest != 0 && s.When.Earliest < n.When.Earliest {
					t.Fatalf("next is %+v, explained %+v", n, s)
				}
			}
		}
	})
}

// Law: of a tube with a fact that could not be read nothing is said but that, and
// what is bad already.
func TestUnreadFact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genWorld(t)
		now := drawn + event.Instant(rapid.Int64Range(0, int64(end(hist)-drawn)).Draw(t, "now"))
		var read, j Judgement
		set.Judge(&read, tube, "A", hist, now)
		tube.Unread = true
		set.Judge(&j, tube, "A", hist, now)
		reasons := []event.Reason{event.ReasonUnreadableFact}
		bad := read.Verdict == event.PastLimit || read.Verdict == event.WrongTube
		if read.Verdict == event.CannotSay || bad {
			reasons = append(slices.Clone(read.Reasons), reasons...)
		}
		if bad {
			read.Reasons = reasons
			if j.Verdict != read.Verdict || !slices.Equal(j.Reasons, reasons) || j.Due != read.Due {
				t.Fatalf("what is bad by what was read doesn't stay bad: %+v, read %+v", j, read)
			}
			return
		}
		if j.Verdict != event.CannotSay || !slices.Equal(j.Reasons, reasons) || j.Direction != event.DirectionUnknown || j.Due != (Interval{}) || j.Other != nil {
			t.Fatalf("%+v, read %+v", j, read)
		}
		if outlook, _ := j.Outlook(now); outlook != event.OutlookUnknown {
			t.Fatalf("outlook %s", outlook)
		}
		if j.Rule != read.Rule || j.UsedMs != read.UsedMs || j.LimitMs != read.LimitMs || j.By != read.By || j.WaitUntil != read.WaitUntil {
			t.Fatalf("numbers changed from %+v to %+v", read, j)
		}
		for _, o := range set.Explain(tube, "A", hist, now).Others {
			if o.Verdict != event.CannotSay && o.Verdict != event.PastLimit || !slices.Contains(o.Reasons, event.ReasonUnreadableFact) {
				t.Fatalf("another rule says %+v", o)
			}
		}
	})
	for _, tube := range []*Tube{{CustodyOnly: true, Unread: true}, {Unread: true}, {Type: "LIHEP-GEL", TestsKnown: true, Zero: Interval{drawn, drawn}, Unread: true}} {
		if j := judged(fixture(t), tube, "K", steady(hour, 21.0)); j.Verdict != event.CannotSay || !slices.Contains(j.Reasons, event.ReasonUnreadableFact) {
			t.Errorf("%+v: %s %v", tube, j.Verdict, j.Reasons)
		}
	}
}

// Law: use along a stretch in one band is what its segments use one by one.
func TestAlongIsOneByOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, hist := genRule(t), genHist(t)
		if err := r.compile(); err != nil {
			t.Fatal(err)
		}
		length := int64(end(hist) - drawn)
		a := account{rule: &r}
		a.from = drawn + event.Instant(rapid.Int64Range(0, length).Draw(t, "from"))
		a.to = a.from + event.Instant(rapid.Int64Range(0, length).Draw(t, "to"))
		c := &r.compiled
		along, one := usage{region: c.lowest, watchFrost: true}, usage{region: c.lowest, watchFrost: true}
		a.run(&along, hist)
		at := a.from
		for i := range hist {
			one.add(c, &hist[i], a.from, a.to)
			at = max(at, min(hist[i].To, a.to))
		}
		if at < a.to {
			one.addUnknown(c, int64(a.to-at))
		}
		if along != one {
			t.Fatalf("along %+v\none by one %+v", along, one)
		}
	})
}

// Two bands that touch: what stands on the colder one's warm edge is in the colder
// one, also right after the warmer one. Limits are an invented fixture.
func TestEdgeOfTouchingBands(t *testing.T) {
	set := &Set{Rules: []Rule{{
		ID: "r", Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: Unspun, From: FromDraw, Until: event.EndsMeasured, Default: true, Combine: Sum,
		Limits: []Limit{{Low: 2_00, High: 8_00, Ms: int64(8 * hour)}, {Low: 8_01, High: 25_00, Ms: int64(4 * hour)}},
	}}}
	if err := set.Finish(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		edge float64
		used event.Instant // of the 4 h of the warmer band, in which most is used
	}{{8.00, 90 * minute}, {8.01, 2 * hour}} {
		if j := judged(set, tube("T"), "A", steady(hour, 20.0, hour, c.edge)); j.UsedMs != int64(c.used) || j.LimitMs != int64(4*hour) {
			t.Errorf("at %.2f °C used %s of %s, want %s", c.edge, durationText(j.UsedMs), durationText(j.LimitMs), durationText(int64(c.used)))
		}
	}
}

// What ended past its limit is shown until a rule that stands before it, and goes
// on, is past its own: Until says when that is. Limits are an invented fixture.
func TestUntilOfTwoEndings(t *testing.T) {
	rule := func(id string, until event.Ending, limit event.Instant, above *Outside) Rule {
		return Rule{ID: id, Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: Unspun, From: FromDraw, Until: until, Default: true,
			Limits: []Limit{{Low: 18_00, High: 25_00, Ms: int64(limit)}}, Above: above}
	}
	set := &Set{Rules: []Rule{
		rule("goes on", event.EndsMeasured, 10*hour, &Outside{AllowMs: int64(100 * hour)}),
		rule("ended", event.EndsSetUp, 4*hour, &Outside{GraceMs: int64(minute)}),
	}}
	if err := set.Finish(); err != nil {
		t.Fatal(err)
	}
	tube := tube("T")
	tube.Ended = []Ended{{What: event.EndsSetUp, At: drawn + hour}}
	j := judged(set, tube, "A", steady(2*hour, 30.0))
	if j.Rule.ID != "ended" || j.Verdict != event.PastLimit || j.Until != drawn+8*hour {
		t.Errorf("%s %s until %s, want four fifths of the other limit", j.Rule.ID, j.Verdict, j.Until)
	}
	j = judged(set, tube, "A", steady(10*hour+1, 30.0))
	if j.Rule.ID != "goes on" || j.Verdict != event.PastLimit {
		t.Errorf("%s %s, want the one that stands first", j.Rule.ID, j.Verdict)
	}
}
