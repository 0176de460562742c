package live

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/sprec"
	"specimen.example/custody/internal/flags"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/thermal"
)

// View is all that can be said of one tube at one instant. It belongs to the
// caller, except for the records and rules inside, which are read only.
type View struct {
	Tube  *custody.Tube
	Now   event.Instant
	Type  stability.TubeType
	Tests []Test
	// Flag is what the tube's flag says now; Flagged: there is one. Its episode is
	// the open one, or 0 when the log doesn't hold it yet.
	Flag    event.Flag
	Flagged bool
	Rack    event.RackAnswer
	// RackUntil is when the answer "wait" ends.
	RackUntil event.Instant
	Doubts    []custody.OpenDoubt
	Past      []custody.PastDoubt
	Legs      []custody.Leg
	Segments  []thermal.Segment
	By        [4]int64 // ms of the journey by thermal.Evidence
	// Temperature sums the history up and Sprec codes it, both only for a View of one
	// tube. Nothing is judged by them.
	Temperature thermal.Summary
	Sprec       sprec.Result
	Arrival     event.Instant
	Until       event.Instant // earliest instant at which something here can change by itself
	Read        uint64        // sequence of the log it rests on

	due event.Instant // as Until, without what the vigil sees
}

// Test is what is said of one test on the tube.
type Test struct {
	stability.Judgement
	Name    stability.Assay
	Outlook event.Outlook
}

// View gives what can be said of a tube now; false when the log has no such tube.
func (m *Model) View(key event.Key) (View, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	v, ok := m.judged(key)
	if ok {
		m.explain(key, &v, v.Now)
	}
	return v, ok
}

// Judged is View without the doubts and the journey: what a list or a desk asks
// of many tubes.
func (m *Model) Judged(key event.Key) (View, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.judged(key)
}

func (m *Model) judged(key event.Key) (View, bool) {
	if _, ok := m.tube(key); !ok {
		return View{}, false
	}
	v := m.judge(key, m.time())
	v.Segments = slices.Clone(v.Segments)
	return v, true
}

// ViewAt gives what can be said of a tube as of an earlier instant, from the
// facts that occurred up to then.
func (m *Model) ViewAt(key event.Key, at event.Instant) (View, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	t, ok := m.world.TubeAt(key, at)
	if !ok {
		return View{}, false
	}
	v := m.judgeTube(t, m.layersUpTo(key, at), at, nil)
	v.Segments = slices.Clone(v.Segments)
	m.explain(key, &v, at)
	return v, true
}

// explain adds what only a person who looks at the tube needs.
func (m *Model) explain(key event.Key, v *View, at event.Instant) {
	target := custody.Target{Kind: event.KindTube, Key: key}
	upTo := at
	if at >= m.time() {
		upTo = 0
	}
	if upTo == 0 {
		v.Doubts, _ = m.doubtsOf(target, at)
	} else {
		v.Doubts = m.world.DoubtsOf(target, upTo)
	}
	v.Past = m.world.DoubtHistory(target, upTo)
	v.Legs = m.world.Journey(key, at)
	m.sum(v)
}

// Explain gives the minutes that a test's verdict on a tube rests on.
func (m *Model) Explain(key event.Key, assay string, at event.Instant) (stability.Explanation, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if at == 0 {
		at = m.time()
	}
	return m.explainTest(key, assay, at)
}

func (m *Model) explainTest(key event.Key, assay string, at event.Instant) (stability.Explanation, bool) {
	t, ok := m.world.TubeAt(key, at)
	if !ok {
		return stability.Explanation{}, false
	}
	set := m.rulesFor(t, at)
	if set == nil {
		set = &stability.Set{}
	}
	hist := m.history(t, m.layersUpTo(key, at), at)
	ex := set.Explain(m.stabilityTube(t), assay, hist, at)
	return ex, true
}

// judge judges a tube by its cached facts. The view's segments are the model's
// scratch space.
func (m *Model) judge(key event.Key, now event.Instant) View {
	e := m.entry(key)
	t, _ := m.tube(key)
	if e.layers == nil {
		e.layers = m.layersOf(key)
	}
	m.watch.Reset()
	return m.judgeTube(t, e.layers, now, &m.watch)
}

func (m *Model) judgeTube(t *custody.Tube, layers []thermal.Layer, now event.Instant, w *stability.Watch) View {
	v := View{Tube: t, Now: now, Read: m.at.Custody}
	v.Type, _ = m.tubeType(t.Type)
	st := m.stabilityTube(t)
	hist := m.history(t, layers, now)
	v.Segments = hist
	for _, s := range hist {
		v.By[s.Evidence] += int64(s.To - s.From)
	}
	set := m.rulesFor(t, now)
	if set == nil {
		set = &stability.Set{}
	}
	v.Arrival = m.arrival(t)
	assays := t.Tests
	if len(assays) == 0 {
		assays = []string{""}
	}
	judgements := slices.Grow(m.room[:0], len(assays))[:len(assays)]
	m.room = judgements
	v.Tests = make([]Test, len(assays))
	for i, a := range assays {
		j := &judgements[i]
		set.JudgeAndWatch(j, st, a, hist, now, w)
		outlook, because := j.Outlook(v.Arrival)
		j.Reasons = together(j.Reasons, because)
		v.Tests[i] = Test{Judgement: *j, Outlook: outlook}
		v.Tests[i].Name, _ = m.assay(a)
		v.until(j.Until)
		if v.RackUntil < j.WaitUntil {
			v.RackUntil = j.WaitUntil
		}
	}
	v.Rack = stability.Rack(judgements, t.Irreplaceable)
	v.until(t.Flag.AsideUntil)
	v.due = v.Until
	if n := len(hist); n > 0 && hist[n-1].HeldAfterReading {
		v.until(evidenceEnds(layers, now))
	}
	m.flag(&v, set, st)
	return v
}

func (v *View) until(at event.Instant) {
	if at > v.Now && (v.Until == 0 || at < v.Until) {
		v.Until = at
	}
}

// evidenceEnds is when a value that holds after its reading stops holding: from
// then on the minutes are not measured any more.
func evidenceEnds(layers []thermal.Layer, now event.Instant) event.Instant {
	var next event.Instant
	for i := range layers {
		if layers[i].From > now || layers[i].To <= now {
			continue
		}
		for _, s := range layers[i].Series {
			if end := s.HoldsUntil(); end > now && (next == 0 || end < next) {
				next = end
			}
		}
	}
	if next == 0 {
		return 0
	}
	return next + 1
}

// history gives the temperature of a tube from its clock zero (or the first
// moment it was seen full) to now.
func (m *Model) history(t *custody.Tube, layers []thermal.Layer, now event.Instant) []thermal.Segment {
	from := t.Zero.Earliest
	if from == 0 {
		from = t.Zero.Latest
	}
	if from == 0 || from >= now {
		return nil
	}
	m.scratch = thermal.Build(m.scratch[:0], layers, from, now)
	return m.scratch
}

// layersUpTo is layersOf by the facts that occurred up to an instant.
func (m *Model) layersUpTo(key event.Key, at event.Instant) []thermal.Layer {
	var out []thermal.Layer
	for _, leg := range m.world.Journey(key, at) {
		out = m.legLayers(out, leg)
	}
	return out
}

var stateOf = map[custody.ChangeKind]stability.State{
	custody.SpunAgain: stability.SpunAgain, custody.Separated: stability.Separated,
	custody.Froze: stability.FrozenAt, custody.ThawedOut: stability.ThawedAt,
}

// stabilityTube says of a tube what the judge needs.
func (m *Model) stabilityTube(t *custody.Tube) *stability.Tube {
	kind, _ := m.tubeType(t.Type)
	st := &stability.Tube{
		Type: t.Type, Zero: stability.Interval(t.Zero), TimeConflict: t.TimeConflict, Conditions: t.Conditions,
		CustodyOnly: t.CustodyOnly, TestsKnown: t.TestsKnown, InFoil: t.InFoil, Irreplaceable: t.Irreplaceable, Gel: kind.Gel,
		Unread: m.unread[custody.Target{Kind: event.KindTube, Key: t.Key}] != 0,
	}
	for _, c := range t.Changes {
		state, ok := stateOf[c.What]
		if !ok {
			state = stability.OnCells
			if kind.Gel {
				state = stability.SpunOnGel
			}
		}
		st.Changes = append(st.Changes, stability.Change{To: state, At: c.At})
		if c.What == custody.Spun {
			st.Ended = append(st.Ended, stability.Ended{What: event.EndsSpun, At: c.At})
		}
		if c.What == custody.Froze {
			st.Ended = append(st.Ended, stability.Ended{What: event.EndsFrozen, At: c.At})
		}
	}
	for _, e := range t.Ended {
		st.Ended = append(st.Ended, stability.Ended{What: e.What, At: e.At, Tests: e.Tests})
	}
	slices.SortStableFunc(st.Ended, func(a, b stability.Ended) int { return int(min(max(a.At-b.At, -1), 1)) })
	return st
}

// arrival is when the timetable says the box around a moving tube arrives; 0 when
// no timetable says anything.
func (m *Model) arrival(t *custody.Tube) event.Instant {
	if !t.Moving {
		return 0
	}
	for _, key := range t.Carriers {
		if c, ok := m.world.Carrier(key); ok && c.Moving && c.Due != 0 {
			return c.Due
		}
	}
	return 0
}

// flag works out what the tube's one flag says.
func (m *Model) flag(v *View, set *stability.Set, st *stability.Tube) {
	t := v.Tube
	s := flags.Situation{
		AtDesk: t.Received.Is() || t.Accepted.Is(), Irreplaceable: t.Irreplaceable,
		Unspun: !slices.ContainsFunc(st.Changes, func(c stability.Change) bool { return c.To != stability.ThawedAt && c.To != stability.FrozenAt }),
		Gone:   t.Disposed.Is() || t.Rejected.Is() || t.Lost.Is(), Asked: len(t.Asked) > 0,
	}
	findings := make([]flags.Finding, len(v.Tests))
	for i := range v.Tests {
		j := &v.Tests[i].Judgement
		f := flags.Finding{FlagTest: event.FlagTest{
			Assay: j.Assay, Verdict: j.Verdict, Outlook: v.Tests[i].Outlook, Reasons: j.Reasons, Direction: j.Direction,
		}, Due: j.Due.Earliest, Done: j.Run || t.Resulted.Is()}
		if j.Rule != nil {
			f.Rule, f.EndsBySpin = j.Rule.ID, j.Rule.Until == event.EndsSpun
		}
		f.OutsideNow = j.OutsideNow(v.Segments, 0)
		if said, open := openTest(t, f.Assay); open {
			steady(&f, j, said, t.Flag.Flag.Action, v)
		}
		if f.Verdict == event.PastLimit || f.Verdict == event.WrongTube {
			f.OtherTube = m.otherTube(t, j.Assay, v.Now)
		}
		findings[i] = f
	}
	v.Flag, v.Flagged = flags.Want(s, findings)
	v.Flag.Rules = set.Hash
	if v.Flagged && t.Flag.Open {
		v.Flag.Episode, v.Flag.Cause = t.Flag.Flag.Episode, t.Flag.Flag.Cause
	}
}

// How far a test must be back on the right side before a flag that is up says so: a
// tube at the edge would else be raised and cleared by turns. Verdicts know no such
// margin. Common practice (a deadband), no source for the figures.
const (
	steadyC                = stability.SteadyC // 0.3 °C inside the band
	steadyMs event.Instant = 5 * 60 * 1000     // the timetable brings it so much earlier than its limit ends
)

// openTest gives what the open flag says of a test.
func openTest(t *custody.Tube, assay string) (event.FlagTest, bool) {
	if !t.Flag.Open {
		return event.FlagTest{}, false
	}
	i := slices.IndexFunc(t.Flag.Flag.Tests, func(ft event.FlagTest) bool { return ft.Assay == assay })
	if i < 0 {
		return event.FlagTest{}, false
	}
	return t.Flag.Flag.Tests[i], true
}

// steady keeps a finding as the open flag says it while it is only just better.
func steady(f *flags.Finding, j *stability.Judgement, said event.FlagTest, action event.Action, v *View) {
	if action == event.MoveTemperature {
		f.OutsideNow = j.OutsideNow(v.Segments, steadyC)
	}
	if f.Outlook == event.InTime && said.Outlook == event.RunningOut && v.Arrival != 0 {
		if outlook, because := j.Outlook(v.Arrival + steadyMs); outlook == event.RunningOut {
			f.Outlook, f.Reasons = outlook, together(f.Reasons, because)
		}
	}
}

// together gives both lists of reasons in the order in which reasons are shown.
// The judge's lists are shared, so neither is changed.
func together(a, b []event.Reason) []event.Reason {
	if len(b) == 0 {
		return a
	}
	out := slices.Concat(a, b)
	order := event.Reasons()
	slices.SortFunc(out, func(x, y event.Reason) int { return slices.Index(order, x) - slices.Index(order, y) })
	return slices.Compact(out)
}

// otherTube reports whether another tube of the same draw can still serve a test.
func (m *Model) otherTube(t *custody.Tube, assay string, now event.Instant) bool {
	if assay == "" {
		return false
	}
	for _, other := range m.siblings(t) {
		o, ok := m.tube(other)
		if !ok || o.Disposed.Is() || o.Rejected.Is() || o.Lost.Is() || o.Held {
			continue
		}
		set := m.rulesFor(o, now)
		if set == nil {
			continue
		}
		layers := m.layersOf(other)
		from := max(o.Zero.Earliest, 0)
		if from == 0 || from >= now {
			continue
		}
		var j stability.Judgement
		set.Judge(&j, m.stabilityTube(o), assay, thermal.Build(nil, layers, from, now), now)
		if (j.Verdict == event.WithinLimits || j.Verdict == event.Wait) && j.Ended == 0 {
			return true
		}
	}
	return false
}
