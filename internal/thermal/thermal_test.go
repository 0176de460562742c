package thermal

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

const (
	minute = event.Instant(60_000)
	eight  = 29_000_000 * minute // an invented morning
)

func read(at event.Instant, c event.CentiC) event.Reading {
	return event.Reading{At: at, C: c, OK: true}
}

// logger has an interval of 5 min and holds a last value so long.
func logger(readings ...event.Reading) *Series {
	s := &Series{EveryMs: int64(5 * minute), HoldMs: -1}
	s.Add(readings...)
	return s
}

func TestFaults(t *testing.T) {
	for _, c := range []struct {
		c    event.CentiC
		want bool
	}{
		{85_00, true}, {84_99, false}, {85_01, false}, {-127_00, true}, {-90_00, false}, {-90_01, true},
		{125_00, false}, {125_01, true}, {0, false},
	} {
		if got := IsFault(c.c); got != c.want {
			t.Errorf("IsFault(%d) = %t, want %t", c.c, got, c.want)
		}
	}
}

func TestBuild(t *testing.T) {
	type part struct {
		minutes   event.Instant
		evidence  Evidence
		low, high event.CentiC // at its start
	}
	room := event.Range{Low: 20_00, High: 24_00, Known: true}
	ice := event.Range{Low: 0, High: 4_00, Known: true}
	wide := &Series{EveryMs: int64(5 * minute), HoldMs: -1, UncertaintyC: 50}
	wide.Add(read(eight, 25_10), read(eight+5*minute, 25_10))
	noHold := &Series{EveryMs: int64(5 * minute)}
	noHold.Add(read(eight, 21_00), read(eight+10*minute, 21_00))
	for _, c := range []struct {
		name  string
		layer Layer
		want  []part
	}{
		{"nothing known", Layer{}, []part{{20, Unknown, 0, 0}}},
		{"assumed", Layer{Assumed: room}, []part{{20, Assumed, 20_00, 24_00}}},
		{"attested before assumed", Layer{Attested: ice, Assumed: room}, []part{{20, Attested, 0, 4_00}}},
		{"zero is a temperature, a fault is none (API-S2)",
			Layer{Series: []*Series{logger(read(eight, 0), event.Reading{At: eight + 5*minute}, read(eight+10*minute, 2_00))}},
			[]part{{5, Measured, 0, 0}, {5, Unknown, 0, 0}, {5, Measured, 2_00, 2_00}, {5, Unknown, 0, 0}}},
		{"a fault code is a fault", Layer{Series: []*Series{logger(read(eight, 4_00), read(eight+5*minute, 85_00), read(eight+10*minute, 4_00))}},
			[]part{{5, Measured, 4_00, 4_00}, {5, Unknown, 0, 0}, {5, Measured, 4_00, 4_00}, {5, Unknown, 0, 0}}},
		{"bridged up to twice the interval", Layer{Series: []*Series{logger(read(eight, 20_00), read(eight+10*minute, 30_00))}},
			[]part{{10, Measured, 20_00, 20_00}, {5, Measured, 30_00, 30_00}, {5, Unknown, 0, 0}}},
		{"never drawn across a longer gap", Layer{Assumed: room, Series: []*Series{logger(read(eight, 20_00), read(eight+11*minute, 30_00))}},
			[]part{{5, Measured, 20_00, 20_00}, {6, Assumed, 20_00, 24_00}, {5, Measured, 30_00, 30_00}, {4, Assumed, 20_00, 24_00}}},
		{"nothing before the first reading, no hold where none is set",
			Layer{Series: []*Series{{EveryMs: int64(5 * minute), points: []point{{eight + 15*minute, 1, 1, true}}}, noHold}},
			[]part{{10, Measured, 21_00, 21_00}, {10, Unknown, 0, 0}}},
		{"the nearer logger first", Layer{Series: []*Series{logger(read(eight+5*minute, 5_00)), logger(read(eight, 21_00), read(eight+10*minute, 21_00), read(eight+20*minute, 21_00))}},
			[]part{{5, Measured, 21_00, 21_00}, {5, Measured, 5_00, 5_00}, {10, Measured, 21_00, 21_00}}},
		{"two values of one instant bound it", Layer{Series: []*Series{logger(read(eight, 5_00), read(eight, 9_00), read(eight+10*minute, 7_00), read(eight+20*minute, 7_00))}},
			[]part{{10, Measured, 5_00, 9_00}, {10, Measured, 7_00, 7_00}}},
		{"uncertainty widens", Layer{Series: []*Series{wide}}, []part{{5, Measured, 24_60, 25_60}, {5, Measured, 24_60, 25_60}, {10, Unknown, 0, 0}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.layer.From, c.layer.To = eight, eight+20*minute
			var got []part
			for _, s := range Build(nil, []Layer{c.layer}, eight, eight+20*minute) {
				for got != nil && s.From == eight { // never twice
					t.Fatalf("two segments at the start")
				}
				got = append(got, part{(s.To - s.From) / minute, s.Evidence, s.Low0, s.High0})
			}
			// Neighbouring unknown or assumed stretches may come in pieces.
			got = joined(got, func(a, b part) bool {
				return a.evidence != Measured && a.evidence == b.evidence && a.low == b.low && a.high == b.high
			}, func(a, b part) part { a.minutes += b.minutes; return a })
			if !slices.Equal(got, c.want) {
				t.Errorf("got  %v\nwant %v", got, c.want)
			}
		})
	}
}

func joined[T any](list []T, same func(a, b T) bool, join func(a, b T) T) []T {
	var out []T
	for _, x := range list {
		if n := len(out); n > 0 && same(out[n-1], x) {
			out[n-1] = join(out[n-1], x)
			continue
		}
		out = append(out, x)
	}
	return out
}

func TestReadingsAndCuts(t *testing.T) {
	s := logger(read(eight, 20_00), read(eight+10*minute, 30_00))
	l := []Layer{{From: eight, To: eight + 30*minute, Series: []*Series{s}}}
	got := Build(nil, l, eight+1, eight+10*minute)
	if len(got) != 1 || got[0].Reading0 || !got[0].Reading1 || got[0].Whole().From != eight {
		t.Errorf("cut at the start: %+v", got)
	}
	got = Build(nil, l, eight, eight+3*minute)
	if len(got) != 1 || !got[0].Reading0 || got[0].Reading1 || got[0].Low1 != 23_00 {
		t.Errorf("cut at the end: %+v", got)
	}
	if on := got[0].Onward(eight + 4*minute); on.Reading0 || on.Low0 != 23_00 || on.From != eight+3*minute {
		t.Errorf("onward: %+v", on)
	}
	if at := s.HoldsUntil(); at != eight+15*minute {
		t.Errorf("held until %s", at)
	}
}

func TestBetweenRounds(t *testing.T) {
	for _, c := range []struct {
		a, b, want  event.CentiC
		part, whole int64
	}{{0, 1, 1, 1, 2}, {0, 1, 0, 49, 100}, {0, -1, 0, 1, 2}, {0, -1, -1, 51, 100}, {-3, 3, 0, 1, 2}, {5, 5, 5, 1, 3}} {
		if got := between(c.a, c.b, c.part, c.whole); got != c.want {
			t.Errorf("between(%d, %d, %d/%d) = %d, want %d", c.a, c.b, c.part, c.whole, got, c.want)
		}
	}
}

func genReadings(t *rapid.T) []event.Reading {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) event.Reading {
		return event.Reading{
			At: eight + event.Instant(rapid.Int64Range(0, 40).Draw(t, "slot"))*2*minute,
			C:  event.CentiC(rapid.SampledFrom([]int32{-300, 0, 400, 2100, 2500, 2501, 8500, -12700}).Draw(t, "c")),
			OK: rapid.IntRange(0, 9).Draw(t, "fault") > 0,
		}
	}), 0, 40).Draw(t, "readings")
}

func genSeries(t *rapid.T) *Series {
	s := &Series{
		EveryMs:      int64(rapid.SampledFrom([]event.Instant{0, 2, 5, 40}).Draw(t, "every") * minute),
		HoldMs:       rapid.SampledFrom([]int64{-1, 0, 60_000, 7_200_000}).Draw(t, "hold"),
		MaxGapMs:     rapid.SampledFrom([]int64{0, 240_000, 239_999}).Draw(t, "gap"),
		UncertaintyC: event.CentiC(rapid.SampledFrom([]int32{0, 50}).Draw(t, "uncertainty")),
	}
	s.Add(genReadings(t)...)
	return s
}

func genLayers(t *rapid.T) []Layer {
	var layers []Layer
	at := eight + event.Instant(rapid.Int64Range(0, 5).Draw(t, "late"))*minute
	for range rapid.IntRange(0, 4).Draw(t, "layers") {
		end := at + event.Instant(rapid.Int64Range(1, 40).Draw(t, "length"))*minute
		l := Layer{From: at, To: end}
		for range rapid.IntRange(0, 2).Draw(t, "loggers") {
			l.Series = append(l.Series, genSeries(t))
		}
		l.Attested = event.Range{Low: 0, High: 4_00, Known: rapid.IntRange(0, 5).Draw(t, "attested") == 0}
		l.Assumed = event.Range{Low: 20_00, High: 24_00, Known: rapid.Bool().Draw(t, "assumed")}
		layers = append(layers, l)
		at = end + event.Instant(rapid.SampledFrom([]int64{0, 0, 3}).Draw(t, "hole"))*minute
	}
	return layers
}

// Law: the segments cover the time exactly, in order, without overlap or hole.
func TestCoverageIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := eight + event.Instant(rapid.Int64Range(-5, 60).Draw(t, "from"))*minute
		to := from + event.Instant(rapid.Int64Range(0, int64(90*minute)).Draw(t, "to"))
		at := from
		for _, s := range Build(nil, genLayers(t), from, to) {
			if s.From != at || s.To <= s.From {
				t.Fatalf("segment %+v does not begin at %s", s, at)
			}
			if s.Evidence == Measured && (s.Low0 > s.High0 || s.Low1 > s.High1) {
				t.Fatalf("bounds crossed: %+v", s)
			}
			at = s.To
		}
		if at != to {
			t.Fatalf("covered until %s, not %s", at, to)
		}
	})
}

// Law: readings may arrive in any order, in any batches, more than once.
func TestOrderOfArrivalIsFree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := genReadings(t)
		var once, mixed Series
		once.Add(readings...)
		again := rapid.Permutation(slices.Concat(readings, readings)).Draw(t, "order")
		for len(again) > 0 {
			n := rapid.IntRange(1, len(again)).Draw(t, "batch")
			mixed.Add(again[:n]...)
			again = again[n:]
		}
		if !slices.Equal(once.points, mixed.points) {
			t.Fatalf("in one go  %v\nmixed      %v", once.points, mixed.points)
		}
	})
}

// Law: covering [a, c) is covering [a, b) and [b, c), minute by minute.
func TestSplittingIsFree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		layers := genLayers(t)
		length := rapid.Int64Range(1, int64(100*minute)).Draw(t, "length")
		a, c := eight, eight+event.Instant(length)
		b := a + event.Instant(rapid.Int64Range(0, length).Draw(t, "b"))
		whole, parts := evidence(Build(nil, layers, a, c)), evidence(Build(Build(nil, layers, a, b), layers, b, c))
		if whole != parts {
			t.Fatalf("whole %v, in two parts %v", whole, parts)
		}
	})
}

func evidence(segments []Segment) (ms [4]event.Instant) {
	for _, s := range segments {
		ms[s.Evidence] += s.To - s.From
	}
	return ms
}

// Law: no line joins two readings further apart than the longest gap or with a
// fault between them, and no held value passes the next point.
// Law: a line taken whole is the line drawn point by point.
func TestWholeLinesAreDrawnLines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := genSeries(t)
		from := eight + event.Instant(rapid.Int64Range(-5, 60).Draw(t, "from"))*minute
		to := from + event.Instant(rapid.Int64Range(0, int64(90*minute)).Draw(t, "to"))
		at := from
		for _, seg := range Build(nil, []Layer{{From: from, To: to, Series: []*Series{s}}}, from, to) {
			if seg.From != at || seg.From >= seg.To {
				t.Fatalf("segment %+v doesn't follow %s", seg, at)
			}
			at = seg.To
			if seg.Evidence != Measured {
				continue
			}
			i := s.before(seg.From)
			want := Segment{From: seg.From, To: seg.To, Evidence: Measured}
			end, held := s.lineEnd(i, s.maxGap(), s.hold())
			want.HeldAfterReading = held
			s.draw(&want, i, s.maxGap(), s.hold())
			if seg.To > end || seg.Whole() != want.Whole() {
				t.Fatalf("line %+v to %s, want %+v to %s", seg.Whole(), seg.To, want.Whole(), end)
			}
			if seg.Line, want.Line = (Line{}), (Line{}); seg != want {
				t.Fatalf("segment %+v, want %+v", seg, want)
			}
		}
	})
}

func TestNeverDrawnAcross(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := genSeries(t)
		layer := Layer{From: eight, To: eight + 200*minute, Series: []*Series{s}}
		for _, seg := range Build(nil, []Layer{layer}, layer.From, layer.To) {
			if seg.Evidence != Measured {
				continue
			}
			l := seg.Whole()
			if !seg.HeldAfterReading && l.To-l.From > s.maxGap() {
				t.Fatalf("line of %d min", (l.To-l.From)/minute)
			}
			for _, p := range s.points {
				if p.at > l.From && p.at < l.To {
					t.Fatalf("a line from %s to %s passes the point %+v", l.From, l.To, p)
				}
			}
		}
	})
}

func TestBuildReusesItsRoom(t *testing.T) {
	layers, to := day(144)
	room := Build(nil, layers, eight, to)
	if n := testing.AllocsPerRun(10, func() { room = Build(room[:0], layers, eight, to) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// day is n readings of one logger, 10 min apart.
func day(n int) ([]Layer, event.Instant) {
	s := &Series{EveryMs: int64(10 * minute), HoldMs: -1}
	for i := range n {
		s.Add(read(eight+event.Instant(i)*10*minute, event.CentiC(20_00+i%7*30)))
	}
	to := eight + event.Instant(n)*10*minute
	return []Layer{{From: eight, To: to, Series: []*Series{s}}}, to
}

func BenchmarkBuild144(b *testing.B) {
	layers, to := day(144)
	var room []Segment
	b.ReportAllocs()
	for b.Loop() {
		room = Build(room[:0], layers, eight, to)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(room)), "ns/segment")
}

func BenchmarkAddInOrder(b *testing.B) {
	var s Series
	at := eight
	b.ReportAllocs()
	for b.Loop() {
		at += minute
		s.Add(read(at, 21_00))
	}
}
