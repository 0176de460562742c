package ageing

import (
	"flag"
	"math"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// histories sets how many histories rapid draws: 300, or what AGEING_HISTORIES says.
func histories(t *testing.T) {
	n := os.Getenv("AGEING_HISTORIES")
	if n == "" {
		n = "300"
	}
	checks := flag.Lookup("rapid.checks")
	before := checks.Value.String()
	if err := checks.Value.Set(n); err != nil {
		t.Fatalf("AGEING_HISTORIES=%s: %v; give a number of histories", n, err)
	}
	t.Cleanup(func() {
		if err := checks.Value.Set(before); err != nil {
			t.Error(err)
		}
	})
}

// play is a history under way: the engine beside the facts it was told.
type play struct {
	w         world
	e         Engine
	announced map[said]bool   // what stands announced
	once      map[saying]bool // announcements made, by revision
	seen      outcome
}

// outcome counts what the histories brought about, so that the law can't pass by
// drawing nothing of interest.
type outcome struct{ Announced, Retracted, Settled, Late, Gaps, InOrder, Extended, Ahead int }

type said struct {
	tube, curve int32
	level       int
	certain     bool
}

type saying struct {
	said
	retraction bool
	revision   uint32
}

type told struct {
	kind     int // 0 readings, 1 move, 2 unmove, 3 advance, 4 change, 5 unchange, 6 drop
	at       event.Instant
	series   int
	readings []event.Reading
	tube     int
	move     Move
	source   int32
	from     event.Instant
	layer    Layer
}

// temperatures lie on and beside the edges of the curves.
var temperatures = []int32{-300, -1, 0, 199, 200, 201, 400, 799, 800, 801, 1500, 2500, 2501, 4000}

func drawC(t *rapid.T) event.CentiC {
	return event.CentiC(rapid.SampledFrom(temperatures).Draw(t, "temperature"))
}

func drawRange(t *rapid.T, known bool) event.Range {
	if !known {
		return event.Range{}
	}
	a, b := drawC(t), drawC(t)
	return event.Range{Low: min(a, b), High: max(a, b), Known: true}
}

// drawPlay draws loggers, sources, curves, levels and tubes.
func drawPlay(t *rapid.T) *play {
	p := &play{announced: map[said]bool{}, once: map[saying]bool{}}
	near := rapid.SampledFrom([]int64{0, math.MaxInt64 - 700, math.MinInt64 + 300}).Draw(t, "anchor")
	p.e.anchor = Use{near, near}
	series := rapid.IntRange(1, 4).Draw(t, "series")
	for range series {
		f := seriesFacts{
			gap: event.Instant(rapid.SampledFrom([]int64{12, 25}).Draw(t, "gap")), hold: event.Instant(rapid.SampledFrom([]int64{0, 5, 12}).Draw(t, "hold")),
			uncertainty: event.CentiC(rapid.SampledFrom([]int32{0, 0, 50}).Draw(t, "uncertainty")),
		}
		p.w.series = append(p.w.series, f)
		p.e.AddSeries(&thermal.Series{MaxGapMs: int64(f.gap), HoldMs: int64(f.hold), UncertaintyC: f.uncertainty})
	}
	for range rapid.IntRange(1, 4).Draw(t, "sources") {
		l := drawLayer(t, series)
		id, err := p.e.AddSource(l)
		if err != nil {
			t.Fatal(err)
		}
		p.e.sources[id].silent = 60
		p.e.most = 3 // checkpoints are forgotten, and made again
		p.w.sources = append(p.w.sources, sourceFacts{layers: []layerFacts{{0, l}}})
		p.asks(id, l)
	}
	for range 5 {
		p.addCurve(t)
	}
	for range 4 {
		at := rapid.SliceOfNDistinct(rapid.Int64Range(1, 1500), 1, 4, rapid.ID[int64]).Draw(t, "levels")
		slices.Sort(at)
		l := Levels{At: at, CertainOnly: rapid.IntRange(0, 3).Draw(t, "certain only") == 0}
		if _, err := p.e.AddLevels(l); err != nil {
			t.Fatal(err)
		}
		p.w.levels = append(p.w.levels, l)
	}
	for range rapid.IntRange(1, 6).Draw(t, "tubes") {
		var watches []Watch
		for range rapid.IntRange(1, 3).Draw(t, "accounts") {
			watches = append(watches, Watch{rapid.Int32Range(0, 4).Draw(t, "curve"), rapid.Int32Range(0, 3).Draw(t, "level list")})
		}
		slices.SortFunc(watches, func(a, b Watch) int { return int(a.Curve - b.Curve) })
		watches = slices.CompactFunc(watches, func(a, b Watch) bool { return a.Curve == b.Curve })
		if _, err := p.e.AddTube(watches...); err != nil {
			t.Fatal(err)
		}
		p.w.tubes = append(p.w.tubes, tubeFacts{watches: watches})
	}
	return p
}

func drawLayer(t *rapid.T, series int) (l Layer) {
	for _, n := range rapid.SampledFrom([][]int32{{0}, {0}, {1}, {0, 1}, {2, 0}, {3, 1, 2}, {}}).Draw(t, "loggers") {
		if int(n) < series {
			l.Series = append(l.Series, n)
		}
	}
	l.Attested = drawRange(t, rapid.IntRange(0, 4).Draw(t, "attested") == 0)
	l.Assumed = drawRange(t, rapid.IntRange(0, 1).Draw(t, "assumed") == 0)
	return l
}

// asks advances a source to the newest that the series of a new layer have read.
func (p *play) asks(source int32, l Layer) {
	s := &p.w.sources[source]
	for _, n := range l.Series {
		for _, r := range p.w.series[n].readings {
			s.watermark = max(s.watermark, r.At)
		}
	}
}

func (p *play) addCurve(t *rapid.T) {
	rate := func() Use {
		a, b := rapid.Int64Range(0, 9).Draw(t, "rate"), rapid.Int64Range(0, 9).Draw(t, "rate")
		return Use{max(a, b), min(a, b)}
	}
	c := curveFacts{unknown: rate()}
	at := From(-100_00)
	for _, edge := range []int64{at, From(0), From(200), Above(800), Above(801), From(1500), Above(2500)} {
		if edge == at || rapid.Bool().Draw(t, "edge") {
			r := rate()
			c.steps = append(c.steps, Step{edge, r.Upper, r.Lower})
		}
	}
	made, err := NewRateCurve(c.steps, c.unknown.Upper, c.unknown.Lower)
	if err != nil {
		t.Fatal(err)
	}
	p.e.AddCurve(made)
	p.w.curves = append(p.w.curves, c)
}

// drawFacts draws facts in order of time, then the order in which they are told.
func drawFacts(t *rapid.T, p *play) []told {
	const last = dusk - 50
	var facts []told
	for n := range p.w.series {
		batch := rapid.SampledFrom([]int{1, 1, 5, 30}).Draw(t, "batch")
		var now []event.Reading
		flush := func() {
			if len(now) > 0 {
				facts = append(facts, told{at: now[len(now)-1].At, series: n, readings: now})
				now = nil
			}
		}
		for at := dawn + event.Instant(rapid.Int64Range(0, 60).Draw(t, "first")); at < last; {
			now = append(now, event.Reading{At: at, C: drawC(t), OK: rapid.IntRange(0, 14).Draw(t, "fault") > 0})
			if rapid.IntRange(0, 9).Draw(t, "twice") == 0 {
				now = append(now, event.Reading{At: at, C: drawC(t), OK: true})
			}
			if len(now) >= batch {
				flush()
			}
			at += event.Instant(rapid.SampledFrom([]int64{1, 5, 10, 10, 10, 10, 12, 13, 25, 70, 150}).Draw(t, "step"))
		}
		flush()
		if len(facts) > 0 && rapid.Bool().Draw(t, "sent again") {
			facts = append(facts, facts[len(facts)-1])
		}
	}
	for tube := range p.w.tubes {
		for range rapid.IntRange(1, 5).Draw(t, "moves") {
			m := Move{
				At:     dawn + event.Instant(rapid.SampledFrom([]int64{1, 5, 10}).Draw(t, "grid")*rapid.Int64Range(0, 60).Draw(t, "move")),
				Source: rapid.Int32Range(0, int32(len(p.w.sources))-1).Draw(t, "source"),
			}
			if rapid.IntRange(0, 9).Draw(t, "ends") == 0 {
				m.Source = Ended
			}
			facts = append(facts, told{kind: 1, at: m.At, tube: tube, move: m})
			if rapid.IntRange(0, 5).Draw(t, "taken back") == 0 {
				facts = append(facts, told{kind: 2, at: m.At + event.Instant(rapid.Int64Range(0, 200).Draw(t, "when")), tube: tube, move: m})
			}
		}
	}
	for tube := range p.w.tubes {
		if rapid.IntRange(0, 5).Draw(t, "dropped") == 0 {
			facts = append(facts, told{kind: 6, tube: tube, at: dawn + event.Instant(rapid.Int64Range(0, 600).Draw(t, "when"))})
		}
	}
	for source := range p.w.sources {
		for range rapid.IntRange(0, 3).Draw(t, "changes") {
			f := told{kind: 4, source: int32(source), from: dawn + event.Instant(5*rapid.Int64Range(0, 120).Draw(t, "change")), layer: drawLayer(t, len(p.w.series))}
			f.at = f.from
			facts = append(facts, f)
			if rapid.IntRange(0, 5).Draw(t, "taken back") == 0 {
				f.kind, f.at = 5, f.from+event.Instant(rapid.Int64Range(0, 200).Draw(t, "when"))
				facts = append(facts, f)
			}
		}
	}
	for range rapid.IntRange(0, 8).Draw(t, "advances") {
		facts = append(facts, told{kind: 3, at: dawn + event.Instant(rapid.Int64Range(0, int64(dusk-dawn)-1).Draw(t, "now"))})
	}
	order := rapid.SampledFrom([]int64{0, 0, 40, 100, 5000}).Draw(t, "disorder")
	type keyed struct {
		told
		key int64
	}
	var shuffled []keyed
	for _, f := range facts {
		key := int64(f.at)
		if f.kind != 3 && order > 0 {
			key += rapid.Int64Range(0, order).Draw(t, "delay")
		}
		shuffled = append(shuffled, keyed{f, key})
	}
	slices.SortStableFunc(shuffled, func(a, b keyed) int { return int(a.key - b.key) })
	facts = facts[:0]
	for _, k := range shuffled {
		facts = append(facts, k.told)
	}
	return facts
}
