package notify

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
)

// Pace is how much is told and when. The caller gives it; PaceAsUsual is what we use.
type Pace struct {
	// Stand: so long a flag must have stood before it is told (the delay of coming).
	Stand time.Duration
	// Rest: a flag that comes again so soon after the same tube's last was cleared
	// waits for the end of that time, unless it is worse (the delay of going).
	Rest time.Duration
	// Gather: so long the first of a cause waits for others of the same.
	Gather time.Duration
	// More than Many tubes within Window are a flood. In a flood a cause is told once
	// in Window, with all its tubes; what is worse than it was is told at once.
	Many   int
	Window time.Duration
}

// PaceAsUsual has the flood of EEMUA 191 (more than 10 in 10 minutes); the rest is
// common practice, no source.
func PaceAsUsual() Pace {
	return Pace{Stand: 20 * time.Second, Rest: 15 * time.Minute, Gather: 10 * time.Second, Many: 10, Window: 10 * time.Minute}
}

// flag is what is known of a tube's flag.
type flag struct {
	Episode int64         `json:"e"`
	Seq     uint64        `json:"q"`
	Open    bool          `json:"o,omitempty"`
	Level   Level         `json:"n,omitempty"`
	Told    Level         `json:"t,omitempty"` // worst level this episode was told or answered at, 0 for never
	Last    Level         `json:"l,omitempty"` // worst that the episodes before were told at, 0 for never
	Cleared event.Instant `json:"c,omitempty"` // when the episode before ended, or this one
	Since   event.Instant `json:"s,omitempty"`
	Ready   event.Instant `json:"r,omitempty"` // from when it may be told, 0: there is nothing to tell
	// Answered: somebody looks after it; Aside: it was put aside before it was told. Back
	// is the sequence at which an answer was taken back last, 0 for never: what is told
	// then is another message than the one before.
	Answered bool   `json:"a,omitempty"`
	Aside    bool   `json:"d,omitempty"`
	Back     uint64 `json:"b,omitempty"`
	Says     *says  `json:",omitempty"` // what is to be told; nil when there is nothing. Never changed in place
}

// says is what a flag says.
type says struct {
	Tube    string `json:",omitempty"` // the label, empty when it is what names the tube
	Kind    event.FlagKind
	Verdict event.Verdict
	Outlook event.Outlook `json:",omitempty"`
	Action  event.Action
	Reasons []event.Reason `json:",omitempty"`
	Place   string         `json:",omitempty"`
	Cause   event.Cause    `json:",omitzero"`
	Until   event.Instant  `json:",omitempty"`
}

// group is what is told in one message: one kind of flag by one cause.
type group struct {
	Kind  event.FlagKind
	Cause event.Cause
}

// heard is what was told of a group within the window.
type heard struct {
	Group group
	At    event.Instant // of its last message
	Level Level         // the worst that was told within the window
	Tubes []stroke
}

// stroke says that so many tubes were told at an instant.
type stroke struct {
	At event.Instant
	N  int
}

// Plan is what one channel knows: flags that are open or were lately. It is a value
// of its own; the zero value knows nothing. Its fields are for the durable form alone.
type Plan struct {
	Through uint64 // sequence up to which the log was read
	Flags   map[string]flag
	Heard   []heard
}

// remember bounds how many flags that were told and have not ended are kept. The
// oldest are forgotten first: what changes in them is then told once more.
const remember = 10_000

// Waiting is how many flags have not been told and will be.
func (p *Plan) Waiting() int {
	n := 0
	for _, f := range p.Flags {
		if f.Ready != 0 {
			n++
		}
	}
	return n
}

// Fold takes in a change. What it has had is left alone, so a change may come twice.
// A change that can't be told is refused by name and counts as read.
func (p *Plan) Fold(pace Pace, to *Audience, c Change) error {
	if c.Seq <= p.Through {
		return nil
	}
	p.Through = c.Seq
	if err := c.Check(); err != nil {
		return err
	}
	id := c.id()
	f, known := p.Flags[id]
	if known && c.Episode < f.Episode {
		return nil
	}
	if p.Flags == nil {
		p.Flags = map[string]flag{}
	}
	if !known || c.Episode > f.Episode {
		f = flag{Episode: c.Episode, Last: max(f.Told, f.Last), Cleared: f.Cleared, Since: c.At}
	}
	f.Seq = c.Seq
	switch c.What {
	case Cleared:
		f.done()
		if f.Open {
			f.Cleared = c.At
		}
		f.Open = false
	case Answered:
		f.Told, f.Answered = max(f.Told, f.Level), true
		f.done()
	case PutAside:
		if f.Ready != 0 {
			f.Ready, f.Aside = max(f.Ready, c.Until), true
		}
	case Unanswered:
		f.unanswered(pace, to, c, known)
	default:
		f.say(pace, to, c)
	}
	p.Flags[id] = f
	return nil
}

// unanswered takes in that nobody looks after the flag any more. Whoever was told before
// may have seen that somebody did, so it is told once more, as another message. What
// was neither answered nor put aside stays as it is: something else was taken back.
func (f *flag) unanswered(pace Pace, to *Audience, c Change, known bool) {
	switch {
	case f.Answered || !known || !f.Open:
		f.Told, f.Back, f.Answered = 0, c.Seq, false
		f.say(pace, to, c)
	case f.Aside && f.Ready != 0:
		f.Ready = min(f.Ready, c.At.Add(pace.Stand))
		f.Aside = false
	}
}

// say takes in what the flag says now. Only what is worse than what was told is told.
func (f *flag) say(pace Pace, to *Audience, c Change) {
	was := f.Level
	f.Open = true
	f.Level = levelOf(c.Verdict, c.Outlook)
	label := c.Tube
	if c.ID == "" {
		label = ""
	}
	f.Says = &says{label, c.Kind, c.Verdict, c.Outlook, c.Action, slices.Clone(c.Reasons), c.Place, c.Cause, c.Until}
	switch {
	case !to.wants(f) || f.Level <= f.Told:
		f.done()
	case f.Ready == 0:
		f.Ready = c.At.Add(pace.Stand)
		if f.Last >= f.Level && f.Cleared != 0 {
			f.Ready = max(f.Ready, f.Cleared.Add(pace.Rest))
		}
	case f.Level > max(was, f.Last):
		f.Ready = min(f.Ready, c.At.Add(pace.Stand)) // worse ends a rest, and putting aside
	}
}

// Tell gives the messages that are due at now, worst first, and counts them as told.
// Before it, everything that the log holds should have been folded: a flag that the
// next change clears is then not told.
func (p *Plan) Tell(pace Pace, now event.Instant) []Message {
	p.forget(pace, now)
	var all []Message
	waits := p.waiting()
	for _, g := range groups(waits) {
		tubes := p.ready(waits[g], now)
		if len(tubes) == 0 || p.from(pace, g, tubes, now) > now {
			continue
		}
		var told []Message
		if g.Cause.Kind == event.CauseNone && !p.flood(pace, g, len(tubes)) {
			for _, t := range tubes {
				told = append(told, p.message(g, []string{t}, now))
			}
		} else {
			told = []Message{p.message(g, tubes, now)}
		}
		p.told(g, tubes, now)
		all = append(all, told...)
	}
	slices.SortStableFunc(all, func(a, b Message) int {
		return cmp.Or(cmp.Compare(b.Level, a.Level), compareTubes(a.Tubes[0], b.Tubes[0]), cmp.Compare(a.ID, b.ID))
	})
	return all
}

// Next gives the instant, not before now, at which Tell has something without a new
// change, 0 for never.
func (p *Plan) Next(pace Pace, now event.Instant) event.Instant {
	var next event.Instant
	for g, tubes := range p.waiting() {
		at := p.nextOf(pace, g, tubes, now)
		if next == 0 || at < next {
			next = at
		}
	}
	return next
}

// nextOf is Next for one group and its tubes that wait.
func (p *Plan) nextOf(pace Pace, g group, tubes []string, now event.Instant) event.Instant {
	first := p.Flags[tubes[0]].Ready
	for _, t := range tubes {
		first = min(first, p.Flags[t].Ready)
	}
	at := max(first.Add(pace.Gather), now)
	from := p.from(pace, g, p.ready(tubes, at), at)
	if from <= at {
		return at
	}
	// A flood holds it back; what is worse than was told lets all of it go.
	for _, t := range tubes {
		f := p.Flags[t]
		if f.Ready > at && f.Ready < from && p.held(pace, g, f.Level, pace.Many+1) == 0 {
			from = f.Ready
		}
	}
	return from
}

// done says that there is nothing to tell.
func (f *flag) done() { f.Ready, f.Says = 0, nil }

func (f *flag) group() group { return group{f.Says.Kind, f.Says.Cause} }

// waiting gives the tubes that have something to tell, by group, in a fixed order.
func (p *Plan) waiting() map[group][]string {
	by := map[group][]string{}
	for tube, f := range p.Flags {
		if f.Ready != 0 {
			by[f.group()] = append(by[f.group()], tube)
		}
	}
	for _, tubes := range by {
		slices.Sort(tubes)
	}
	return by
}

// groups gives the groups of by in a fixed order.
func groups(by map[group][]string) []group {
	return slices.SortedFunc(maps.Keys(by), func(a, b group) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Cause.Kind, b.Cause.Kind), cmp.Compare(a.Cause.Name, b.Cause.Name))
	})
}

// ready gives those of the tubes that may be told at now.
func (p *Plan) ready(tubes []string, now event.Instant) []string {
	var may []string
	for _, t := range tubes {
		if p.Flags[t].Ready <= now {
			may = append(may, t)
		}
	}
	return may
}

// from gives the instant from which the tubes of a group are told together.
func (p *Plan) from(pace Pace, g group, tubes []string, now event.Instant) event.Instant {
	first, worst := now, Level(0)
	for _, t := range tubes {
		f := p.Flags[t]
		first, worst = min(first, f.Ready), max(worst, f.Level)
	}
	return max(first.Add(pace.Gather), p.held(pace, g, worst, len(tubes)))
}

// held gives the instant up to which a group says no more: in a flood, a window after
// its last message, unless it has become worse.
func (p *Plan) held(pace Pace, g group, level Level, more int) event.Instant {
	i := slices.IndexFunc(p.Heard, func(h heard) bool { return h.Group == g })
	if i < 0 || level > p.Heard[i].Level || !p.flood(pace, g, more) {
		return 0
	}
	return p.Heard[i].At.Add(pace.Window)
}

// flood tells whether more tubes of a group, with those told within the window, are
// too many to be told one by one.
func (p *Plan) flood(pace Pace, g group, more int) bool {
	for _, h := range p.Heard {
		if h.Group == g {
			for _, s := range h.Tubes {
				more += s.N
			}
		}
	}
	return more > pace.Many
}

// told keeps that the tubes of a group were told at now.
func (p *Plan) told(g group, tubes []string, now event.Instant) {
	i := slices.IndexFunc(p.Heard, func(h heard) bool { return h.Group == g })
	if i < 0 {
		i = len(p.Heard)
		p.Heard = append(p.Heard, heard{Group: g})
	}
	h := &p.Heard[i]
	h.At = now
	h.Tubes = append(h.Tubes, stroke{now, len(tubes)})
	for _, t := range tubes {
		f := p.Flags[t]
		f.Told = f.Level
		f.done()
		h.Level = max(h.Level, f.Level)
		p.Flags[t] = f
	}
}

// forget lets go of what can't change a message any more.
func (p *Plan) forget(pace Pace, now event.Instant) {
	for i := range p.Heard {
		p.Heard[i].Tubes = slices.DeleteFunc(p.Heard[i].Tubes, func(s stroke) bool { return s.At.Add(pace.Window) <= now })
	}
	p.Heard = slices.DeleteFunc(p.Heard, func(h heard) bool { return len(h.Tubes) == 0 })
	maps.DeleteFunc(p.Flags, func(_ string, f flag) bool { return !f.Open && f.Cleared.Add(pace.Rest) <= now })
	var quiet []string
	for tube, f := range p.Flags {
		if f.Ready == 0 {
			quiet = append(quiet, tube)
		}
	}
	if len(quiet) <= remember {
		return
	}
	slices.SortFunc(quiet, func(a, b string) int { return cmp.Compare(p.Flags[a].Seq, p.Flags[b].Seq) })
	for _, tube := range quiet[:len(quiet)-remember] {
		delete(p.Flags, tube)
	}
}

func (p *Plan) clone() Plan {
	c := Plan{Through: p.Through, Flags: maps.Clone(p.Flags), Heard: slices.Clone(p.Heard)}
	for i := range c.Heard {
		c.Heard[i].Tubes = slices.Clone(c.Heard[i].Tubes)
	}
	return c
}
