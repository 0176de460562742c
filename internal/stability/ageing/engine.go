package ageing

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// Ended is the source of a tube whose use no longer grows.
const Ended = -1

// Engine holds sources, curves, tubes and their accounts under small numbers that
// it gives out. What it says of a tube depends on the set of facts and on the
// watermarks alone, never on the order in which facts came. It is for one goroutine.
type Engine struct {
	series   []*thermal.Series
	uses     [][]int32 // sources by series
	sources  []ThermalSource
	curves   []*RateCurve
	levels   []Levels
	tubes    []tube
	accounts []BudgetAccount
	free     map[int][]int32 // dropped tubes by number of accounts

	anchor  Use // value of a clock at its anchor: 0, and near the wrap in tests
	said    []Announcement
	counts  Counts
	round   uint32
	scratch []thermal.Segment
	asking  []int32  // scratch of Read: the sources that ask a series
	windows []window // and when

	most         int     // mostMarks, fewer in tests
	bound, fired int     // accounts that one call may fire, and has
	unfired      []int32 // sources with levels met that the bound left over

	scales     []Scale
	sights     []sight
	freeSights map[int][]int32 // of dropped tubes, by number of sights
	woken      []int32         // tubes of which something else is to be said
	alarms     alarms
	aged       []int32 // sources whose alarm must be worked out again
}

// Counts are what tests and benchmarks hold the engine to.
type Counts struct {
	Segments int64 // segments evaluated, once for each active clock
	Touched  int64 // accounts looked at
	Queued   int64 // entries put into queues and taken out of them
	Looked   int64 // segments added up to look values of clocks up
	Longest  int64 // the most of them for one value
	Extended int64 // checkpoints made before a clock's anchor
}

// tube is a tube with its moves in order of time; the last one says where it is.
type tube struct {
	moves    []Move
	accounts int32 // the first of them
	n        int32
	sights   int32 // the first of them
	ns       int32
	round    uint32 // of the last revision that looked at it
	woken    bool   // stands in Engine.woken
}

// Move says that a tube went into a source, or ended, at an instant: the start of
// a Stay. Of two at one instant the one of the higher source counts, so that the
// order of arrival doesn't.
type Move struct {
	At     event.Instant
	Source int32
}

// Stay is the time of a tube in one source: [From, To). To of the open one is 0.
type Stay struct {
	Source   int32
	From, To event.Instant
}

// Watch is one account to keep for a tube.
type Watch struct{ Curve, Levels int32 }

func (t *tube) source() int32 {
	if len(t.moves) == 0 {
		return Ended
	}
	return t.moves[len(t.moves)-1].Source
}

func (m Move) order(o Move) int {
	return cmp.Or(cmp.Compare(m.At, o.At), cmp.Compare(m.Source, o.Source))
}

// AddSeries takes over a logger's series; only Read adds to it from then on.
func (e *Engine) AddSeries(s *thermal.Series) int32 {
	e.series, e.uses = append(e.series, s), append(e.uses, nil)
	return int32(len(e.series) - 1)
}

// Layer is what a source asks for a temperature: series in order of preference,
// and what is declared where none of them has a value.
type Layer struct {
	Series            []int32
	Attested, Assumed event.Range
}

// AddSource adds a source with the layer that it has until told otherwise.
func (e *Engine) AddSource(l Layer) (int32, error) {
	id := int32(len(e.sources))
	made, newest, err := e.layer(l)
	if err != nil {
		return 0, err
	}
	made.From, made.To = math.MinInt64, math.MaxInt64
	e.sources = append(e.sources, ThermalSource{layers: []thermal.Layer{made}, silent: silentMs, watermark: newest, alarm: never})
	e.ask(id, l)
	return id, nil
}

// layer resolves a layer and gives the newest instant of its series, 0 for none.
func (e *Engine) layer(l Layer) (made thermal.Layer, newest event.Instant, err error) {
	made = thermal.Layer{Attested: l.Attested, Assumed: l.Assumed}
	for _, r := range l.Series {
		if r < 0 || int(r) >= len(e.series) {
			return made, 0, fmt.Errorf("source: series %d is not known; add it first", r)
		}
		made.Series = append(made.Series, e.series[r])
		if at, ok := e.series[r].Newest(); ok {
			newest = max(newest, at)
		}
	}
	return made, newest, nil
}

// ask notes that a source asks the series of a layer.
func (e *Engine) ask(source int32, l Layer) {
	for _, r := range l.Series {
		if !slices.Contains(e.uses[r], source) {
			e.uses[r] = append(e.uses[r], source)
		}
	}
}

// AddCurve adds a curve.
func (e *Engine) AddCurve(c *RateCurve) int32 {
	e.curves = append(e.curves, c)
	return int32(len(e.curves) - 1)
}

// AddLevels adds a list of levels.
func (e *Engine) AddLevels(l Levels) (int32, error) {
	if len(l.At) == 0 || len(l.At) > 255 || len(l.Certain) > 255 {
		return 0, fmt.Errorf("levels: %d and %d of them; give 1 to 255, and at most 255 for certain", len(l.At), len(l.Certain))
	}
	if l.CertainOnly && l.Certain != nil {
		return 0, errors.New("levels: certain-only has one list; give At, or Certain without certain-only")
	}
	for _, list := range [][]int64{l.At, l.Certain} {
		for i, at := range list {
			if at <= 0 || at > MaxLevel || i > 0 && at <= list[i-1] {
				return 0, fmt.Errorf("levels: number %d is %d; give ascending values from 1 to %d", i, at, int64(MaxLevel))
			}
		}
	}
	e.levels = append(e.levels, Levels{At: slices.Clone(l.At), Certain: slices.Clone(l.Certain), CertainOnly: l.CertainOnly})
	return int32(len(e.levels) - 1), nil
}

// LevelsOf gives a list of levels back: of the upper and of the lower clock.
func (e *Engine) LevelsOf(id int32) (upper, lower []int64) {
	l := &e.levels[id]
	if l.CertainOnly {
		return nil, l.At
	}
	return l.At, l.lower()
}

// AddTube adds a tube that is nowhere yet.
func (e *Engine) AddTube(watches ...Watch) (int32, error) {
	for i, w := range watches {
		switch {
		case w.Curve < 0 || int(w.Curve) >= len(e.curves):
			return 0, fmt.Errorf("tube: account %d: curve %d is not known; add it first", i, w.Curve)
		case w.Levels < 0 || int(w.Levels) >= len(e.levels):
			return 0, fmt.Errorf("tube: account %d: levels %d are not known; add them first", i, w.Levels)
		}
	}
	id := int32(len(e.tubes))
	if free := e.free[len(watches)]; len(free) > 0 {
		id, e.free[len(watches)] = free[len(free)-1], free[:len(free)-1]
	} else {
		e.tubes = append(e.tubes, tube{accounts: int32(len(e.accounts)), n: int32(len(watches))})
		e.accounts = append(e.accounts, make([]BudgetAccount, len(watches))...)
	}
	for i, w := range watches {
		a := BudgetAccount{tube: id, curve: w.Curve, levels: w.Levels}
		a.place = [4]int32{nowhere, nowhere, nowhere, nowhere}
		e.accounts[int(e.tubes[id].accounts)+i] = a
	}
	return id, nil
}

// Drop forgets a tube; its number will be given out again. A tube that is needed
// again is added anew and moved as it was.
func (e *Engine) Drop(id int32) error {
	if err := e.knows(id, Ended); err != nil {
		return err
	}
	t := &e.tubes[id]
	e.suspend(id)
	for i := range t.moves {
		e.boundary(id, i, false)
	}
	t.moves = nil
	e.forgetSights(t)
	if e.free == nil {
		e.free = make(map[int][]int32)
	}
	e.free[int(t.n)] = append(e.free[int(t.n)], id)
	return nil
}

// Announced hands over what was announced since the last call, in order.
func (e *Engine) Announced() []Announcement {
	said := e.said
	e.said = nil
	return said
}

// Counts gives what was counted since the engine was made.
func (e *Engine) Counts() Counts { return e.counts }

// State is what an account says at the watermark of its tube's source.
type State struct {
	Use          Use
	Met, Certain int           // levels met by the upper and by the lower clock
	Watermark    event.Instant // of the source, or the instant at which the tube ended
	Provisional  bool          // rests on what is held or declared after a last reading
}

// State gives the state of account n of a tube.
func (e *Engine) State(id int32, n int) (State, error) {
	if err := e.knows(id, Ended); err != nil {
		return State{}, err
	}
	t := &e.tubes[id]
	if n < 0 || n >= int(t.n) {
		return State{}, fmt.Errorf("tube %d: account %d is not known; it has %d", id, n, t.n)
	}
	a := &e.accounts[int(t.accounts)+n]
	st := State{Use: e.use(a), Met: int(a.met), Certain: int(a.certain), Watermark: e.watermarkOf(id)}
	for i, m := range t.moves {
		if m.Source == Ended {
			continue
		}
		to := st.Watermark
		if i+1 < len(t.moves) {
			to = t.moves[i+1].At
		}
		s := &e.sources[m.Source]
		st.Provisional = st.Provisional || m.At < to && s.seal(to) < to
	}
	return st, nil
}

// Sealed gives the instant up to which readings in order change nothing in a source any
// more: all of it up to now where no logger reads.
func (e *Engine) Sealed(source int32, now event.Instant) event.Instant {
	s := &e.sources[source]
	if len(s.layers[len(s.layers)-1].Series) == 0 {
		return now
	}
	return s.seal(0)
}

// Watermark gives the instant up to which the clocks of a source tell.
func (e *Engine) Watermark(source int32) event.Instant { return e.sources[source].watermark }

// Stays gives the stays of a tube.
func (e *Engine) Stays(id int32) []Stay {
	var stays []Stay
	moves := e.tubes[id].moves
	for i, m := range moves {
		if m.Source == Ended {
			continue
		}
		st := Stay{Source: m.Source, From: m.At}
		if i+1 < len(moves) {
			st.To = moves[i+1].At
		}
		stays = append(stays, st)
	}
	return stays
}
