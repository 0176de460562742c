package stability

import (
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Random rules and histories; all numbers are invented.

func genSide(t *rapid.T, edge event.CentiC, away event.CentiC) *Outside {
	if rapid.Bool().Draw(t, "nothing said") {
		return nil
	}
	o := &Outside{
		AllowMs:   rapid.SampledFrom([]int64{0, 0, int64(7 * minute), int64(hour)}).Draw(t, "allow"),
		GraceMs:   rapid.SampledFrom([]int64{0, 0, int64(3 * minute), int64(12 * minute)}).Draw(t, "grace"),
		TwoValid:  rapid.Bool().Draw(t, "two"),
		Direction: rapid.SampledFrom(event.Directions()).Draw(t, "direction"),
	}
	if rapid.Bool().Draw(t, "threshold") {
		o.At, o.HasAt = edge+away, true
	}
	return o
}

func genRule(t *rapid.T) Rule {
	r := Rule{
		ID: "drawn", Assay: Assay{Code: "A"}, Tubes: []string{"T"}, State: Unspun, From: FromDraw, Default: true,
		Until:     rapid.SampledFrom([]event.Ending{event.EndsSpun, event.EndsMeasured}).Draw(t, "until"),
		Combine:   rapid.SampledFrom([]Combine{Sum, StrictestBand}).Draw(t, "combine"),
		TimeReads: rapid.SampledFrom(event.Directions()).Draw(t, "time"),
		Critical:  rapid.IntRange(0, 4).Draw(t, "critical") == 0,
	}
	if rapid.IntRange(0, 4).Draw(t, "needs") == 0 {
		r.Needs = []Need{rapid.SampledFrom([]Need{NeedsFoil, NeedsIce, NeedsWarmth}).Draw(t, "need")}
	}
	form := rapid.IntRange(0, 4).Draw(t, "form")
	low := event.CentiC(rapid.SampledFrom([]int32{-300, 0, 200, 1500}).Draw(t, "low"))
	for range rapid.IntRange(1, 3).Draw(t, "bands") {
		high := low + event.CentiC(rapid.SampledFrom([]int32{0, 300, 600, 1000}).Draw(t, "width"))
		l := Limit{Low: low, High: high}
		ms := int64(rapid.SampledFrom([]event.Instant{10 * minute, 45 * minute, hour, 3 * hour, 8 * hour}).Draw(t, "limit"))
		switch form {
		case 0, 1:
			l.Ms = ms
		case 2:
			l.GoodMs, l.FirstBad = ms, rapid.SampledFrom([]int64{0, 2 * ms}).Draw(t, "first bad")
		case 3:
			l.FirstBad = ms
		case 4:
			l.RatePerH, l.Criterion = rapid.SampledFrom([]int64{1000, 2000, 3000, 4000, 6000}).Draw(t, "rate"), rapid.Int64Range(1, 9).Draw(t, "criterion")*1000
		}
		r.Limits = append(r.Limits, l)
		low = high + event.CentiC(rapid.SampledFrom([]int32{1, 200, 1000}).Draw(t, "gap"))
	}
	r.Below = genSide(t, r.Limits[0].Low, -event.CentiC(rapid.SampledFrom([]int32{0, 100, 1500}).Draw(t, "down")))
	r.Above = genSide(t, r.Limits[len(r.Limits)-1].High, event.CentiC(rapid.SampledFrom([]int32{0, 100, 800}).Draw(t, "up")))
	return r
}

func genSet(t *rapid.T) *Set {
	s := &Set{Rules: []Rule{genRule(t)}}
	if rapid.Bool().Draw(t, "gel rule") {
		r := genRule(t)
		r.ID, r.State, r.From, r.Until = "gel", SpunOnGel, rapid.SampledFrom([]CountsFrom{FromState, FromDraw}).Draw(t, "from"), event.EndsMeasured
		s.Rules = append(s.Rules, r)
	}
	if err := s.Finish(); err != nil {
		t.Fatal(err)
	}
	return s
}

func genTube(t *rapid.T) *Tube {
	tube := &Tube{Type: "T", TestsKnown: true, Zero: Interval{drawn, drawn}}
	tube.InFoil = rapid.Bool().Draw(t, "foil")
	switch rapid.IntRange(0, 5).Draw(t, "zero") {
	case 0:
		tube.Zero.Earliest = 0
	case 1:
		tube.Zero.Latest += 10 * minute
	}
	if rapid.Bool().Draw(t, "spun") {
		tube.Changes = []Change{{SpunOnGel, drawn + event.Instant(rapid.Int64Range(1, int64(4*hour)).Draw(t, "spin"))}}
	}
	return tube
}

func genHist(t *rapid.T) []thermal.Segment {
	temperature := rapid.Custom(func(t *rapid.T) event.CentiC {
		return event.CentiC(rapid.SampledFrom([]int32{-400, -100, 0, 199, 200, 400, 500, 801, 1000, 1500, 1800, 2100, 2501, 3000, 4000}).Draw(t, "c"))
	})
	s := &thermal.Series{
		EveryMs: int64(5 * minute), HoldMs: -1,
		UncertaintyC: event.CentiC(rapid.SampledFrom([]int32{0, 0, 50}).Draw(t, "uncertainty")),
	}
	last := temperature.Draw(t, "first")
	for i := range event.Instant(rapid.IntRange(0, 60).Draw(t, "readings")) {
		switch rapid.IntRange(0, 9).Draw(t, "what") {
		case 0:
			continue
		case 1, 2, 3:
			last = temperature.Draw(t, "next")
		}
		s.Add(event.Reading{At: drawn + i*5*minute, C: last, OK: true})
	}
	var layers []thermal.Layer
	at := drawn
	for range rapid.IntRange(1, 3).Draw(t, "layers") {
		l := thermal.Layer{From: at, To: at + event.Instant(rapid.Int64Range(1, int64(4*hour)).Draw(t, "length"))}
		if rapid.IntRange(0, 2).Draw(t, "logger") > 0 {
			l.Series = []*thermal.Series{s}
		}
		if rapid.IntRange(0, 3).Draw(t, "assumed") > 0 {
			l.Assumed = event.Range{Low: temperature.Draw(t, "low"), Known: true}
			l.Assumed.High = l.Assumed.Low + event.CentiC(rapid.SampledFrom([]int32{0, 300, 1200}).Draw(t, "range"))
		}
		if rapid.IntRange(0, 5).Draw(t, "attested") == 0 {
			l.Attested = event.Range{Low: 0, High: 4_00, Known: true}
		}
		layers = append(layers, l)
		at = l.To
	}
	return thermal.Build(nil, layers, drawn, at)
}

// Law: with fixed facts used never falls and past-limit never turns back; best
// is at most worst; the explanation sums to used.
func TestLawsOfTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genSet(t), genTube(t), genHist(t)
		tube.Changes = nil
		var before, j Judgement
		length := int64(end(hist) - drawn)
		for i := range int64(9) {
			now := drawn + event.Instant(length*i/8)
			set.Judge(&j, tube, "A", hist, now)
			if before.Rule != nil {
				// Floors of two shares in ms of two bands: one ms of slack.
				if (j.UsedMs+1)*before.LimitMs < before.UsedMs*j.LimitMs {
					t.Fatalf("used fell from %d/%d to %d/%d at %s", before.UsedMs, before.LimitMs, j.UsedMs, j.LimitMs, now)
				}
				if before.Verdict == event.PastLimit && j.Verdict != event.PastLimit {
					t.Fatalf("past limit turned back to %s", j.Verdict)
				}
				if before.Verdict == event.NotStudiedBeyond && rank(j.Verdict) > rank(event.NotStudiedBeyond) {
					t.Fatalf("not studied beyond turned back to %s", j.Verdict)
				}
			}
			if j.BestMs > j.UsedMs {
				t.Fatalf("best %d is more than worst %d", j.BestMs, j.UsedMs)
			}
			var by int64
			for _, ms := range j.By {
				by += ms
			}
			if by != int64(now-drawn) {
				t.Fatalf("evidence covers %d ms of %d", by, now-drawn)
			}
			before = j
		}
	})
}

func TestPastNeverTurnsBackOverASpin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genSet(t), genTube(t), genHist(t)
		past := false
		for i := range int64(17) {
			var j Judgement
			now := drawn + event.Instant(int64(end(hist)-drawn)*i/16)
			set.Judge(&j, tube, "A", hist, now)
			if past && j.Verdict != event.PastLimit {
				t.Fatalf("past limit turned back to %s at %s", j.Verdict, now)
			}
			past = j.Verdict == event.PastLimit
		}
	})
}

// Law: the rows of an explanation follow each other and sum to used exactly.
func TestExplanationSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genSet(t), genTube(t), genHist(t)
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

// Law: cutting a segment anywhere changes nothing.
func TestCuttingIsFree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genSet(t), genTube(t), genHist(t)
		cut := slices.Clone(hist)
		for range rapid.IntRange(1, 8).Draw(t, "cuts") {
			i := rapid.IntRange(0, len(cut)-1).Draw(t, "which")
			if s := cut[i]; s.To-s.From > 1 {
				a, b := s.Cut(s.From + event.Instant(rapid.Int64Range(1, int64(s.To-s.From)-1).Draw(t, "at")))
				cut = slices.Replace(cut, i, i+1, a, b)
			}
		}
		now := drawn + event.Instant(rapid.Int64Range(0, int64(end(hist)-drawn)).Draw(t, "now"))
		var whole, parts Judgement
		set.Judge(&whole, tube, "A", hist, now)
		set.Judge(&parts, tube, "A", cut, now)
		if !reflect.DeepEqual(whole, parts) {
			t.Fatalf("whole %+v\nparts %+v", whole, parts)
		}
	})
}

// Law: if the history goes on as it ends, nothing changes before Until; what is
// within limits does change at it.
func TestUntilIsSoundAndTight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, tube, hist := genSet(t), genTube(t), genHist(t)
		if rapid.Bool().Draw(t, "waits") {
			set.Waits = []WaitRule{{Tubes: []string{"T"}, AtLeast: int64(30 * minute)}}
		}
		now := drawn + event.Instant(rapid.Int64Range(1, int64(end(hist)-drawn)).Draw(t, "now"))
		tube.Changes = slices.DeleteFunc(tube.Changes, func(c Change) bool { return c.At > now }) // facts to come
		var whole, j Judgement
		set.Judge(&whole, tube, "A", hist, now)
		hist = until(hist, now)
		if set.Judge(&j, tube, "A", hist, now); !reflect.DeepEqual(whole, j) {
			t.Fatalf("what comes after now changes %+v to %+v", j, whole)
		}
		if j.Until != 0 && j.Until <= now {
			t.Fatalf("until %s is not after now %s", j.Until, now)
		}
		last := j.Until - 1
		if j.Until == 0 {
			last = now + 400*hour
		}
		on := hist[len(hist)-1].Onward(max(last, j.Until) + 1)
		hist = append(hist, on)
		for _, at := range []event.Instant{now + 1, now + (last-now)/2, last} {
			if at <= now || at > last {
				continue
			}
			var k Judgement
			if set.Judge(&k, tube, "A", hist, at); !same(&j, &k) {
				t.Fatalf("at %s, before %s: %s %v %t, was %s %v %t", at, j.Until, k.Verdict, k.Reasons, k.Eighty, j.Verdict, j.Reasons, j.Eighty)
			}
		}
		if j.Until != 0 && j.Verdict == event.WithinLimits && len(set.Rules) == 1 {
			var k Judgement
			if set.Judge(&k, tube, "A", hist, j.Until); same(&j, &k) {
				t.Fatalf("nothing changes at %s: %s %v", j.Until, k.Verdict, k.Reasons)
			}
		}
	})
}

func same(j, k *Judgement) bool {
	return j.Verdict == k.Verdict && slices.Equal(j.Reasons, k.Reasons) && j.Eighty == k.Eighty && j.Latched == k.Latched &&
		j.Direction == k.Direction && j.WaitUntil == k.WaitUntil
}

// until gives the history up to now.
func until(hist []thermal.Segment, now event.Instant) []thermal.Segment {
	var out []thermal.Segment
	for _, s := range hist {
		if s.From >= now {
			break
		}
		if s.To > now {
			s, _ = s.Cut(now)
		}
		out = append(out, s)
	}
	return out
}

// Law: minutes by region are what asking at every millisecond gives. The oracle
// compares 2 x temperature x length with the region's start, nothing else.
func TestWalkAgainstEveryMillisecond(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := genRule(t)
		if err := r.compile(); err != nil {
			t.Fatal(err)
		}
		c := &r.compiled
		celsius := rapid.Int32Range(-500, 4500)
		line := thermal.Line{From: drawn, To: drawn + event.Instant(rapid.Int64Range(1, 60).Draw(t, "length"))}
		a, b := event.CentiC(celsius.Draw(t, "a")), event.CentiC(celsius.Draw(t, "b"))
		wide := event.CentiC(rapid.SampledFrom([]int32{0, 0, 50, 900}).Draw(t, "wide"))
		line.Low0, line.Low1, line.High0, line.High1 = a, b, a+wide, b+wide
		seg := thermal.Segment{From: line.From, To: line.To, Line: line, Evidence: thermal.Measured}
		oracle := func(a, b event.CentiC, at event.Instant) int {
			length := int64(line.To - line.From)
			twice := 2 * (int64(a)*length + int64(b-a)*int64(at-line.From))
			i := 0
			for k := 1; k < len(c.regions); k++ {
				edge := c.regions[k].start
				if edge%2 == 0 && twice >= edge*length || edge%2 != 0 && twice > (edge-1)*length {
					i = k
				}
			}
			return i
		}
		at := line.From
		for w := walk(c, &seg, line, line.From, line.To); w.next(); {
			if w.from != at || w.to <= w.from {
				t.Fatalf("piece from %d to %d, expected it at %d", w.from, w.to, at)
			}
			for ; at < w.to; at++ {
				if i, j := oracle(line.Low0, line.Low1, at), oracle(line.High0, line.High1, at); w.low != i || w.high != j {
					t.Fatalf("at ms %d: regions %d to %d, want %d to %d (line %+v)", at-line.From, w.low, w.high, i, j, line)
				}
			}
		}
		if at != line.To {
			t.Fatalf("pieces end at %d of %d", at-line.From, line.To-line.From)
		}
	})
}

// Whatever a reused judgement held before, it holds nothing of it after.
func TestReusedJudgementForgets(t *testing.T) {
	set := fixture(t)
	var used, fresh Judgement
	set.Judge(&used, tube("CITRATE"), "APTT", steady(5*hour, 21.0), drawn+5*hour)
	set.Judge(&used, tube("LIHEP"), "K", steady(hour, 21.0), drawn+hour)
	set.Judge(&fresh, tube("LIHEP"), "K", steady(hour, 21.0), drawn+hour)
	if !reflect.DeepEqual(used, fresh) {
		t.Errorf("reused %+v\nfresh  %+v", used, fresh)
	}
}

func BenchmarkJudge(b *testing.B) {
	set := fixture(b)
	s := &thermal.Series{EveryMs: int64(minute), HoldMs: -1}
	for i := range event.Instant(144) {
		s.Add(event.Reading{At: drawn + i*minute, C: event.CentiC(20_00 + i%7*30), OK: true})
	}
	now := drawn + 144*minute
	hist := thermal.Build(nil, []thermal.Layer{{From: drawn, To: now, Series: []*thermal.Series{s}}}, drawn, now)
	tube := tube("LIHEP")
	var j Judgement
	b.ReportAllocs()
	for b.Loop() {
		set.Judge(&j, tube, "K", hist, now)
	}
	if len(hist) != 144 || j.Verdict != event.WithinLimits {
		b.Fatalf("%d segments, %s", len(hist), j.Verdict)
	}
}
