package vigil

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
)

const (
	minute = event.Instant(60_000)
	hour   = 60 * minute
	dawn   = event.Instant(1_700_000_000_000)
)

// histories takes the number of histories from the environment; 100,000 are run before a
// release (DEVELOPERS.md).
func histories(t *testing.T) {
	n := os.Getenv("VIGIL_HISTORIES")
	if n == "" {
		n = "3000"
	}
	if err := flag.Set("rapid.checks", n); err != nil {
		t.Fatal(err)
	}
}

// What was said of a tube when it was last judged is what the judge says of it now, judged
// from scratch: by rules of every kind, whatever was read in whatever order, wherever the
// tubes went and whatever was done with them. Only those that the vigil names are judged
// again, and those whose own instant has come. All numbers are invented.
func TestLawWhatWasSaidStands(t *testing.T) {
	histories(t)
	var all tally
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlay(t)
		for range rapid.IntRange(10, 60).Draw(t, "facts") {
			p.fact(t)
			p.name(t)
			if rapid.IntRange(0, 3).Draw(t, "look") == 0 {
				p.compare(t)
			}
		}
		p.compare(t)
		all.add(p.tally)
	})
	t.Logf("%+v", all)
	if t.Failed() {
		return
	}
	for what, n := range map[string]int{
		"tubes named": all.Named, "late readings": all.Late, "series made anew": all.Anew, "tubes judged by their own instant": all.Due,
		"readings after which nobody was named": all.Quiet, "statements changed by a reading": all.Changed, "tubes looked at after their end": all.After,
	} {
		if n == 0 {
			t.Errorf("the histories had no %s: they prove nothing of it", what)
		}
	}
}

type tally struct{ Named, Late, Anew, Due, Quiet, Changed, After, Judged, Readings int }

func (a *tally) add(b tally) {
	a.Named += b.Named
	a.Late += b.Late
	a.Anew += b.Anew
	a.Due += b.Due
	a.Quiet += b.Quiet
	a.Changed += b.Changed
	a.After += b.After
	a.Judged += b.Judged
	a.Readings += b.Readings
}

// play is a world of tubes, loggers and rules with the vigil over it.
type play struct {
	tally
	set    *stability.Set
	now    event.Instant
	series []*thermal.Series
	read   [][]event.Reading // all that was read, by series
	places []thermal.Layer   // without times
	tubes  []*tube
	v      Vigil[int]
}

type tube struct {
	stability.Tube
	assays  []string
	layers  []thermal.Layer
	arrival event.Instant
	said    string
	until   event.Instant
}

func drawPlay(t *rapid.T) *play {
	p := &play{now: dawn, set: drawSet(t)}
	p.v.Bound(rapid.SampledFrom([]int{0, 1, 3}).Draw(t, "bound"))
	for range rapid.IntRange(1, 2).Draw(t, "loggers") {
		s := &thermal.Series{EveryMs: int64(5 * minute), HoldMs: rapid.SampledFrom([]int64{-1, -1, int64(12 * minute)}).Draw(t, "hold")}
		s.UncertaintyC = event.CentiC(rapid.SampledFrom([]int32{0, 0, 50}).Draw(t, "uncertainty"))
		p.series, p.read = append(p.series, s), append(p.read, nil)
	}
	for range rapid.IntRange(1, 4).Draw(t, "places") {
		var l thermal.Layer
		for _, s := range rapid.Permutation(p.series).Draw(t, "which") {
			if rapid.IntRange(0, 2).Draw(t, "logger") > 0 {
				l.Series = append(l.Series, s)
			}
		}
		if rapid.IntRange(0, 2).Draw(t, "assumed") > 0 {
			l.Assumed = event.Range{Low: temperature(t), Known: true}
			l.Assumed.High = l.Assumed.Low + event.CentiC(rapid.SampledFrom([]int32{0, 300, 1200}).Draw(t, "range"))
		}
		if rapid.IntRange(0, 5).Draw(t, "attested") == 0 {
			l.Attested = event.Range{Low: 0, High: 4_00, Known: true}
		}
		p.places = append(p.places, l)
	}
	return p
}

func temperature(t *rapid.T) event.CentiC {
	return event.CentiC(rapid.SampledFrom([]int32{-400, -100, 0, 199, 200, 400, 500, 801, 1000, 1500, 1800, 2100, 2499, 2501, 3000, 4000}).Draw(t, "c"))
}

// fact lets something happen.
func (p *play) fact(t *rapid.T) {
	what := rapid.IntRange(0, 19).Draw(t, "fact")
	if len(p.tubes) == 0 {
		what = 19
	}
	switch {
	case what < 9:
		p.readings(t)
	case what < 13:
		p.pass(t, p.now+event.Instant(rapid.Int64Range(1, int64(40*minute)).Draw(t, "pass")))
	case what < 15:
		p.move(t)
	case what < 17:
		p.step(t)
	case what < 18:
		p.anew(t)
	default:
		if len(p.tubes) < 6 {
			p.draw(t)
		}
	}
}

// readings come in order or late, singly or as a file.
func (p *play) readings(t *rapid.T) {
	i := rapid.IntRange(0, len(p.series)-1).Draw(t, "series")
	s := p.series[i]
	at := p.now
	if newest, ok := s.Newest(); ok {
		at = min(newest+event.Instant(s.EveryMs), p.now+10*minute)
		if rapid.IntRange(0, 5).Draw(t, "late") == 0 {
			at = max(dawn, newest-event.Instant(rapid.Int64Range(0, int64(3*hour)).Draw(t, "behind")))
			p.Late++
		} else {
			p.pass(t, max(p.now, at+event.Instant(rapid.Int64Range(0, 90_000).Draw(t, "delay"))))
		}
	}
	var batch []event.Reading
	c := temperature(t)
	for range rapid.SampledFrom([]int{1, 1, 1, 1, 7}).Draw(t, "batch") {
		if rapid.IntRange(0, 2).Draw(t, "other") == 0 {
			c = temperature(t)
		}
		batch = append(batch, event.Reading{At: at, C: c, OK: rapid.IntRange(0, 14).Draw(t, "fault") > 0})
		at += event.Instant(rapid.SampledFrom([]int64{int64(minute), int64(5 * minute), int64(5 * minute), int64(25 * minute)}).Draw(t, "next"))
	}
	batch = slices.DeleteFunc(batch, func(r event.Reading) bool { return r.At > p.now })
	if len(batch) == 0 {
		return
	}
	p.Readings += len(batch)
	p.read[i] = append(p.read[i], batch...)
	before := p.Named
	from, after := p.v.Read(s, batch...)
	p.name(t)
	if p.Named == before {
		p.Quiet++
	}
	if after { // what the owner does with those that aren't watched any more
		for k, x := range p.tubes {
			if !p.v.Watched(k) && slices.ContainsFunc(x.layers, func(l thermal.Layer) bool { return l.To > from && slices.Contains(l.Series, s) }) {
				p.After++
				p.judge(k)
			}
		}
	}
}

// anew makes a series again without some of its readings, as when an import is taken back.
func (p *play) anew(t *rapid.T) {
	i := rapid.IntRange(0, len(p.series)-1).Draw(t, "series")
	p.read[i] = slices.DeleteFunc(p.read[i], func(event.Reading) bool { return rapid.IntRange(0, 3).Draw(t, "taken back") == 0 })
	s := p.series[i]
	*s = thermal.Series{EveryMs: s.EveryMs, HoldMs: s.HoldMs, UncertaintyC: s.UncertaintyC}
	s.Add(p.read[i]...)
	p.Anew++
	p.v.Reread(s)
	p.name(t)
	for k, x := range p.tubes {
		if !p.v.Watched(k) && slices.ContainsFunc(x.layers, func(l thermal.Layer) bool { return slices.Contains(l.Series, s) }) {
			p.judge(k)
		}
	}
}

// draw makes a tube.
func (p *play) draw(t *rapid.T) {
	x := &tube{assays: []string{"A"}}
	if rapid.Bool().Draw(t, "two tests") {
		x.assays = append(x.assays, "B")
	}
	x.Type, x.TestsKnown, x.Zero = "T", true, stability.Interval{Earliest: p.now - 5*minute, Latest: p.now}
	if rapid.IntRange(0, 5).Draw(t, "no time") == 0 {
		x.Zero.Earliest = 0
	}
	x.InFoil = rapid.Bool().Draw(t, "foil")
	x.Conditions = map[string]bool{}
	if rapid.Bool().Draw(t, "stated") {
		x.Conditions["x"] = rapid.Bool().Draw(t, "x")
	}
	p.tubes = append(p.tubes, x)
	p.put(t, x, p.now-event.Instant(rapid.Int64Range(0, int64(5*minute)).Draw(t, "put")))
	p.judge(len(p.tubes) - 1)
}

// put lets a tube stand somewhere else from an instant on.
func (p *play) put(t *rapid.T, x *tube, at event.Instant) {
	for len(x.layers) > 0 && x.layers[len(x.layers)-1].From >= at {
		x.layers = x.layers[:len(x.layers)-1]
	}
	if n := len(x.layers); n > 0 {
		x.layers[n-1].To = min(x.layers[n-1].To, at)
	}
	l := rapid.SampledFrom(p.places).Draw(t, "place")
	l.From, l.To = at, 1<<61
	x.layers = append(x.layers, l)
}

func (p *play) move(t *rapid.T) {
	k := rapid.IntRange(0, len(p.tubes)-1).Draw(t, "tube")
	x := p.tubes[k]
	at := p.now
	if rapid.IntRange(0, 3).Draw(t, "late") == 0 {
		at -= event.Instant(rapid.Int64Range(0, int64(hour)).Draw(t, "behind"))
	}
	p.put(t, x, at)
	if rapid.IntRange(0, 2).Draw(t, "timetable") == 0 {
		x.arrival = p.now + event.Instant(rapid.Int64Range(0, int64(4*hour)).Draw(t, "arrival"))
	}
	p.judge(k)
}

// step changes the state of a tube, or ends something.
func (p *play) step(t *rapid.T) {
	k := rapid.IntRange(0, len(p.tubes)-1).Draw(t, "tube")
	x := p.tubes[k]
	at := max(x.Zero.Latest+1, p.now-event.Instant(rapid.Int64Range(0, int64(20*minute)).Draw(t, "behind")))
	if at > p.now {
		return
	}
	if n := len(x.Changes); n > 0 {
		at = max(at, x.Changes[n-1].At+1)
	}
	if at > p.now {
		return
	}
	if rapid.Bool().Draw(t, "change") {
		to := rapid.SampledFrom([]stability.State{stability.SpunOnGel, stability.Separated, stability.FrozenAt, stability.ThawedAt}).Draw(t, "to")
		x.Changes = append(x.Changes, stability.Change{To: to, At: at})
	} else {
		e := stability.Ended{What: rapid.SampledFrom(event.Endings()).Draw(t, "what"), At: at}
		if rapid.Bool().Draw(t, "named") {
			e.Tests = []string{rapid.SampledFrom([]string{"A", "B"}).Draw(t, "test")}
		}
		x.Ended = append(x.Ended, e)
		slices.SortStableFunc(x.Ended, func(a, b stability.Ended) int { return int(a.At - b.At) })
	}
	p.judge(k)
}

// pass lets time go on to an instant; who is due on the way is judged when due.
func (p *play) pass(t *rapid.T, to event.Instant) {
	for turns := 0; ; turns++ {
		if turns > 20_000 {
			t.Fatal("the same instants come again and again")
		}
		next := to
		if at, ok := p.v.Next(); ok {
			next = min(next, max(at, p.now))
		}
		for _, x := range p.tubes {
			if x.until != 0 {
				next = min(next, max(x.until, p.now))
			}
		}
		p.now = next
		p.name(t)
		for k, x := range p.tubes {
			if x.until != 0 && x.until <= p.now {
				p.Due++
				p.judge(k)
			}
		}
		if at, ok := p.v.Next(); p.now == to && (!ok || at > to) {
			return
		}
	}
}

// name judges those that the vigil names.
func (p *play) name(t *rapid.T) {
	for turns := 0; ; turns++ {
		if turns > 20_000 {
			t.Fatal("tubes are named without end")
		}
		p.v.Wake(p.now)
		keys, more := p.v.Named(2)
		for _, k := range keys {
			p.Named++
			before := p.tubes[k].said
			if p.judge(k); p.tubes[k].said != before {
				p.Changed++
			}
		}
		if !more && len(keys) == 0 {
			return
		}
	}
}

// judge judges a tube from scratch and has it watched.
func (p *play) judge(k int) {
	x := p.tubes[k]
	p.Judged++
	var w stability.Watch
	x.said, x.until = p.say(x, &w)
	look := Look{Outside: true, Rate: x.arrival != 0}
	if again := p.v.Watch(k, &w, x.layers, look, p.now); again != 0 && (x.until == 0 || again < x.until) {
		x.until = again
	}
}

// say gives the statement of a tube now, and the instant at which it changes by itself.
func (p *play) say(x *tube, w *stability.Watch) (said string, until event.Instant) {
	from := x.Zero.Earliest
	if from == 0 {
		from = x.Zero.Latest
	}
	var hist []thermal.Segment
	if from < p.now {
		hist = thermal.Build(nil, x.layers, from, p.now)
	}
	for _, assay := range x.assays {
		var j stability.Judgement
		p.set.JudgeAndWatch(&j, &x.Tube, assay, hist, p.now, w)
		outlook, _ := j.Outlook(x.arrival)
		rule := ""
		if j.Rule != nil {
			rule = j.Rule.ID
		}
		said += fmt.Sprint(assay, j.Verdict, j.Reasons, j.Direction, j.Eighty, j.Latched, j.WaitUntil, j.Ended, j.Run, rule, outlook)
		if j.Verdict != event.CannotSay && j.Verdict != event.PastLimit && j.Verdict != event.NoLimitAdopted { // else a flag doesn't ask
			said += fmt.Sprint(" ", j.OutsideNow(hist, 0), j.OutsideNow(hist, stability.SteadyC))
		}
		said += "\n"
		if j.Until != 0 && (until == 0 || j.Until < until) {
			until = j.Until
		}
	}
	return said, until
}

func (p *play) compare(t *rapid.T) {
	for k, x := range p.tubes {
		var w stability.Watch
		if want, _ := p.say(x, &w); want != x.said {
			t.Fatalf("tube %d at %s: the judge says\n%ssaid was\n%s", k, p.now, want, x.said)
		}
	}
}

// drawSet draws rules of every kind.
func drawSet(t *rapid.T) *stability.Set {
	s := &stability.Set{}
	for i := range rapid.IntRange(1, 4).Draw(t, "rules") {
		r := drawRule(t)
		r.ID = fmt.Sprintf("drawn-%d", i)
		s.Rules = append(s.Rules, r)
	}
	if rapid.IntRange(0, 2).Draw(t, "waits") == 0 {
		s.Waits = []stability.WaitRule{{Tubes: []string{"T"}, AtLeast: int64(30 * minute), Before: "spin"}}
	}
	if err := s.Finish(); err != nil {
		t.Fatal(err)
	}
	return s
}

func drawRule(t *rapid.T) stability.Rule {
	r := stability.Rule{
		Assay: stability.Assay{Code: rapid.SampledFrom([]string{"A", "A", "B"}).Draw(t, "assay")}, Tubes: []string{"T"}, From: stability.FromDraw,
		State:     rapid.SampledFrom([]stability.State{stability.Unspun, stability.Unspun, stability.Unspun, stability.SpunOnGel, stability.Separated, stability.FrozenAt, stability.ThawedAt}).Draw(t, "state"),
		Until:     rapid.SampledFrom(event.Endings()).Draw(t, "until"),
		Combine:   rapid.SampledFrom([]stability.Combine{stability.Sum, stability.Sum, stability.StrictestBand}).Draw(t, "combine"),
		TimeReads: rapid.SampledFrom(event.Directions()).Draw(t, "time"),
		Critical:  rapid.IntRange(0, 4).Draw(t, "critical") == 0, Default: rapid.Bool().Draw(t, "default"),
	}
	if r.State != stability.Unspun {
		r.From = rapid.SampledFrom([]stability.CountsFrom{stability.FromDraw, stability.FromState, stability.FromThaw}).Draw(t, "from")
	}
	if rapid.IntRange(0, 4).Draw(t, "condition") == 0 {
		r.Condition = []stability.Condition{{Name: "x", Yes: rapid.Bool().Draw(t, "yes")}}
	}
	if rapid.IntRange(0, 4).Draw(t, "needs") == 0 {
		r.Needs = []stability.Need{rapid.SampledFrom([]stability.Need{stability.NeedsFoil, stability.NeedsIce, stability.NeedsWarmth}).Draw(t, "need")}
	}
	form := rapid.IntRange(0, 4).Draw(t, "form")
	low := event.CentiC(rapid.SampledFrom([]int32{-300, 0, 200, 1500}).Draw(t, "low"))
	for range rapid.IntRange(1, 3).Draw(t, "bands") {
		high := low + event.CentiC(rapid.SampledFrom([]int32{0, 300, 600, 1000}).Draw(t, "width"))
		l := stability.Limit{Low: low, High: high}
		ms := int64(rapid.SampledFrom([]event.Instant{10 * minute, 45 * minute, hour, 3 * hour, 8 * hour}).Draw(t, "limit"))
		switch form {
		case 0, 1:
			l.Ms = ms
		case 2:
			l.GoodMs, l.FirstBad = ms, rapid.SampledFrom([]int64{0, 2 * ms}).Draw(t, "first bad")
		case 3:
			l.FirstBad = ms
		case 4:
			l.RatePerH, l.Criterion = rapid.SampledFrom([]int64{1000, 2000, 3000}).Draw(t, "rate"), rapid.Int64Range(1, 9).Draw(t, "criterion")*1000
		}
		r.Limits = append(r.Limits, l)
		low = high + event.CentiC(rapid.SampledFrom([]int32{1, 200, 1000}).Draw(t, "gap"))
	}
	r.Below = drawSide(t, r.Limits[0].Low, -event.CentiC(rapid.SampledFrom([]int32{0, 100, 1500}).Draw(t, "down")))
	r.Above = drawSide(t, r.Limits[len(r.Limits)-1].High, event.CentiC(rapid.SampledFrom([]int32{0, 100, 800}).Draw(t, "up")))
	return r
}

func drawSide(t *rapid.T, edge, away event.CentiC) *stability.Outside {
	if rapid.Bool().Draw(t, "nothing said") {
		return nil
	}
	o := &stability.Outside{
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
