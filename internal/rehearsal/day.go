// Package rehearsal decides what happens on a generated day of a laboratory group:
// who draws what where, how boxes travel, what loggers see, and which mistakes
// people make. The day is made from a seed and a number of tubes alone, and told in
// the words of package story, so that the bench that plays stories plays it too.
// Every planted mistake is told beside it, with what it should lead to.
//
// Nothing in a day is a claim about any laboratory: Day.Assumptions lists what it
// takes for true, each with its source or the words "assumed, no source".
package rehearsal

import (
	"cmp"
	"container/heap"
	"fmt"
	"iter"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

// The fewest and the most tubes of a day.
const (
	FewestTubes = 1
	MostTubes   = 5_000_000
)

// MostOften bounds Settings.Often: above it rates would leave no ordinary tube.
const MostOften = 20

// defaultDay is the day of a day that names none: midnight of 2026-11-24 UTC.
const defaultDay event.Instant = 1_795_478_400_000

// Settings say which day is made.
type Settings struct {
	Seed  uint64
	Tubes int           // FewestTubes to MostTubes
	Often int           // multiplies the rate of every mistake; 0 is 1, the rates as published
	Day   event.Instant // midnight UTC at which the day begins; 0: 24 November 2026

	// BoxLoggers says how many boxes in a hundred have a logger of their own; 0 is all
	// of them, NoBoxLogger none.
	BoxLoggers int
	// Places says that rooms, fridges, vans and ferries have loggers too, which send
	// over the air.
	Places bool
}

// NoBoxLogger is Settings.BoxLoggers of a day on which no box has a logger.
const NoBoxLogger = -1

// Day is a planned day. It holds no steps: Steps makes them, as often as asked.
type Day struct{ settings Settings }

// Plan checks the settings. An error names the setting and the remedy.
func Plan(s Settings) (Day, error) {
	switch {
	case s.Tubes < FewestTubes || s.Tubes > MostTubes:
		return Day{}, fmt.Errorf("tubes: %d is outside %d to %d; give a number between", s.Tubes, FewestTubes, MostTubes)
	case s.Often < 0 || s.Often > MostOften:
		return Day{}, fmt.Errorf("often: %d is outside 1 to %d; give a number between", s.Often, MostOften)
	case s.Day < 0 || s.Day%dayLong != 0:
		return Day{}, fmt.Errorf("day: %s is no midnight UTC; give the beginning of a day", s.Day)
	case s.BoxLoggers < NoBoxLogger || s.BoxLoggers > 100:
		return Day{}, fmt.Errorf("box loggers: %d is outside 1 to 100; give boxes in a hundred, or %d for none", s.BoxLoggers, NoBoxLogger)
	}
	s.Often = max(s.Often, 1)
	s.BoxLoggers = cmp.Or(s.BoxLoggers, 100)
	s.Day = cmp.Or(s.Day, defaultDay)
	return Day{settings: s}, nil
}

const dayLong = event.Instant(24 * time.Hour / time.Millisecond)

// Settings are those that the day was planned with, defaults filled in.
func (d *Day) Settings() Settings { return d.settings }

// Step is one thing of a day: an act that a bench is told, a planted mistake, or
// the end of a tube's day.
type Step struct {
	story.Act
	Answer *Answer // the product can know of this mistake from here on
	Ended  *Ended  // nothing more happens to this tube
	Site   int     // that it is of, from 0
	Round  int     // that it is of, from 1 through the whole day; 0 for none
}

// Steps gives the day in the order in which the server hears of it. Each call
// gives the same. Only rounds that are on the way are held in memory, and what a
// logger of a place has not sent yet isn't: it is drawn when it is sent.
func (d *Day) Steps() iter.Seq[Step] {
	return func(yield func(Step) bool) {
		t := teller{day: d, yield: yield, labs: map[int]bool{}, sites: map[int]bool{}, seqs: map[string]int64{}}
		for _, start := range d.schedule() {
			if !t.until(start.at) || !t.open(start) {
				return
			}
		}
		for len(t.under) > 0 { // the day ends with its last round, not with its loggers
			if !t.until(t.under[0].nextAt() + 1) {
				return
			}
		}
	}
}

// start is a round that has tubes.
type start struct {
	at          event.Instant
	site, round int
	first, n    int // tubes, numbered through the whole day
}

func (d *Day) sites() int { return (d.settings.Tubes + tubesOfSite - 1) / tubesOfSite }

// schedule gives the rounds in order of their beginning. Every tube of the day is
// in exactly one.
func (d *Day) schedule() []start {
	sites := d.sites()
	var out []start
	for s := range sites {
		first := d.settings.Tubes * s / sites
		n := d.settings.Tubes*(s+1)/sites - first
		share := 0
		for r, round := range rounds {
			from := n * share / 100
			share += round.share
			to := n * share / 100
			if from == to {
				continue
			}
			dice := dice{sourceOf(d.settings.Seed, ofRound, s*len(rounds)+r)}
			at := d.settings.Day.Add(time.Duration(round.minute)*time.Minute + time.Duration(dice.below(600))*time.Second)
			out = append(out, start{at: at, site: s, round: r, first: first + from, n: to - from})
		}
	}
	slices.SortFunc(out, func(a, b start) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.site, b.site))
	})
	return out
}

// often is a rate as the settings want it.
func (d *Day) often(parts int) int { return min(parts*d.settings.Often, million) }

// teller tells the steps of the rounds under way in order.
type teller struct {
	day         *Day
	yield       func(Step) bool
	under       underway
	stations    stations
	placed      int              // stations so far
	buffer      []mark           // of one round while it is made
	labs, sites map[int]bool     // declared
	seqs        map[string]int64 // scans so far of each device at the laboratory
}

// open declares what a round needs and puts it under way.
func (t *teller) open(st start) bool {
	s := t.day.site(st.site)
	var needed []story.Declared
	if !t.labs[s.lab()] {
		t.labs[s.lab()] = true
		needed = append(needed, s.declareLab()...)
		needed = append(needed, t.place(st.at, s, s.labClimates())...)
	}
	if !t.sites[st.site] {
		t.sites[st.site] = true
		needed = append(needed, s.declare()...)
		needed = append(needed, t.place(st.at, s, s.climates())...)
	}
	r := t.day.round(st, s, t.buffer)
	t.buffer, r.marks = r.marks[:0], nil
	for _, what := range needed {
		if !t.yield(Step{Act: story.Act{At: st.at, Declared: what}, Site: st.site}) {
			return false
		}
	}
	for _, what := range r.declare() {
		if !t.yield(r.of(Step{Act: story.Act{At: st.at, Declared: what}})) {
			return false
		}
	}
	heap.Push(&t.under, r)
	return true
}

// until tells everything that the server hears before an instant.
func (t *teller) until(at event.Instant) bool {
	for {
		sends := len(t.stations) > 0 && t.stations[0].send < at
		tells := len(t.under) > 0 && t.under[0].nextAt() < at
		switch {
		case sends && (!tells || t.stations[0].send < t.under[0].nextAt()):
			if !t.send() {
				return false
			}
			continue
		case !tells:
			return true
		}
		r := t.under[0]
		m := r.told(r.next)
		if !t.yield(r.of(r.step(&m, t.seqs))) {
			return false
		}
		r.next++
		if r.next == len(r.short) {
			heap.Pop(&t.under)
			continue
		}
		heap.Fix(&t.under, 0)
	}
}

// underway is a heap of rounds by what they tell next.
type underway []*round

func (u underway) Len() int { return len(u) }
func (u underway) Less(i, j int) bool {
	a, b := u[i], u[j]
	return cmp.Or(cmp.Compare(a.nextAt(), b.nextAt()), cmp.Compare(a.site.number, b.site.number), cmp.Compare(a.no, b.no)) < 0
}
func (u underway) Swap(i, j int) { u[i], u[j] = u[j], u[i] }

// Push implements heap.Interface.
func (u *underway) Push(x any) { *u = append(*u, x.(*round)) }

// Pop implements heap.Interface.
func (u *underway) Pop() any {
	old := *u
	r := old[len(old)-1]
	old[len(old)-1] = nil
	*u = old[:len(old)-1]
	return r
}

// Story writes a day as a story that Format can print: its steps with a remark at
// each planted mistake. It holds the whole day, so it is for small ones. rules is the
// path of the rule file that the story adopts.
func (d *Day) Story(rules string) (*story.Story, error) {
	title := fmt.Sprintf("generated day, seed %d, %d tubes", d.settings.Seed, d.settings.Tubes)
	return story.Script(title, rules, func(yield func(story.Told) bool) {
		for s := range d.Steps() {
			told := story.Told{Act: s.Act}
			if s.Answer != nil {
				told.Remark = fmt.Sprintf("planted at %s: %s %v%s%s", s.Answer.At, s.Answer.Kind, s.Answer.Tubes, s.Answer.Carrier, s.Answer.Device)
			}
			if s.Ended != nil {
				told.Remark = fmt.Sprintf("%s: %s", s.Ended.Tube, s.Ended.Fate)
			}
			if !yield(told) {
				return
			}
		}
	})
}
