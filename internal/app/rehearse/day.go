package rehearse

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/story"
)

// adoptedBefore is how long before a generated day its limits came into force.
const adoptedBefore = 365 * 24 * time.Hour

// Counted is how often one kind of mistake was planted and how often the product
// showed what it should lead to.
type Counted struct {
	Kind             rehearsal.Kind
	Planted, Noticed int
	Unknowable       int // planted, and nothing that the product knows of can tell
}

// Outcome is what playing a generated day gave.
type Outcome struct {
	Tubes, Scans, Readings int // ended tubes, scans told, readings told
	Kinds                  []Counted
	Fates                  map[rehearsal.Fate]int
	// Unplanted counts by what the product raised without a planted mistake: tubes
	// under "doubt X" that stands at their end, "flag" at any time, "verdict X of
	// test, reasons" at their end, and scans under "refused X".
	Unplanted map[string]int
	// Refused are scans that were refused without a planted mistake on their tube,
	// as sentences; no more than a few are kept.
	Refused []string
}

// keptRefusals is how many unplanted refusals are told one by one.
const keptRefusals = 10

// Day plays a generated day on a bench: the rule file is adopted, every step told,
// and at each planted mistake the bench is asked whether it shows. answers gets the
// answer file, nil for none; progress hears of every tube that ended, nil for
// nobody. An error is something that the bench could not do; the outcome then says
// what was counted before it.
func Day(ctx context.Context, day rehearsal.Day, bench story.Bench, rules []byte, answers io.Writer, progress func(done int)) (Outcome, error) {
	p := &player{bench: bench, refused: map[string]event.Refusal{}, planted: map[string]bool{}, kinds: map[rehearsal.Kind]*Counted{},
		out: Outcome{Fates: map[rehearsal.Fate]int{}, Unplanted: map[string]int{}}}
	if answers == nil {
		answers = io.Discard
	}
	lines := bufio.NewWriter(answers)
	err := p.play(ctx, day, rules, lines, progress)
	if flushed := lines.Flush(); flushed != nil {
		err = errors.Join(err, fmt.Errorf("write the answers: %w", flushed))
	}
	for _, kind := range slices.Sorted(maps.Keys(p.kinds)) {
		p.out.Kinds = append(p.out.Kinds, *p.kinds[kind])
	}
	return p.out, err
}

type player struct {
	bench   story.Bench
	now     event.Instant
	refused map[string]event.Refusal // by id of the scan; few are
	planted map[string]bool          // tubes that a mistake may harm, until they end
	kinds   map[rehearsal.Kind]*Counted
	out     Outcome
	pending []refusal // not yet known to be planted
}

// refusal is a refused scan of a tube, until the tube ends.
type refusal struct{ tube, text, word string }

func (p *player) play(ctx context.Context, day rehearsal.Day, rules []byte, answers io.Writer, progress func(int)) error {
	begin := day.Settings().Day
	if err := p.clock(begin); err != nil {
		return err
	}
	if err := p.bench.Adopt("rules", rules, begin.Add(-adoptedBefore), false, ""); err != nil {
		return fmt.Errorf("adopt the limits: %w", err)
	}
	for s := range day.Steps() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := p.clock(s.At); err != nil {
			return err
		}
		line, err := s.Line()
		if err == nil {
			_, err = answers.Write(line)
		}
		if err != nil {
			return fmt.Errorf("write the answers: %w", err)
		}
		switch {
		case s.Answer != nil:
			err = p.look(s.Answer)
		case s.Ended != nil:
			err = p.end(s.Ended)
			if progress != nil {
				progress(p.out.Tubes)
			}
		default:
			err = p.do(s.Act)
		}
		if err != nil {
			return fmt.Errorf("at %s: %w", s.At, err)
		}
	}
	for _, r := range p.pending { // of boxes and draws, which don't end
		p.unplanted(r)
	}
	return nil
}

func (p *player) unplanted(r refusal) {
	p.out.Unplanted["refused "+r.word]++
	if len(p.out.Refused) < keptRefusals {
		p.out.Refused = append(p.out.Refused, r.text)
	}
}

func (p *player) clock(at event.Instant) error {
	if at == p.now {
		return nil
	}
	p.now = at
	if err := p.bench.Clock(at); err != nil {
		return fmt.Errorf("set the clock to %s: %w", at, err)
	}
	return nil
}

func (p *player) do(act story.Act) error {
	answer, err := act.Do(p.bench)
	p.out.Readings += len(act.Readings)
	if act.Scan == nil {
		return err
	}
	p.out.Scans++
	if err != nil {
		return fmt.Errorf("%s %s: %w", act.Scan.Step, act.Scan.Label, err)
	}
	switch answer.Answer {
	case event.AnswerRefused:
		p.refused[act.Scan.ID] = answer.Refusal
		p.pending = append(p.pending, refusal{tube: act.Scan.Label, word: string(answer.Refusal),
			text: fmt.Sprintf("%s %s %s: %s (%s)", act.At, act.Scan.Step, act.Scan.Label, answer.Refusal, answer.Text)})
	case event.AnswerNotSaved, event.AnswerIDConflict:
		return fmt.Errorf("%s %s: answered %s (%s)", act.Scan.Step, act.Scan.Label, answer.Answer, answer.Text)
	}
	return nil
}

// look asks whether the product shows what a mistake should lead to.
func (p *player) look(a *rehearsal.Answer) error {
	counted := p.kinds[a.Kind]
	if counted == nil {
		counted = &Counted{Kind: a.Kind}
		p.kinds[a.Kind] = counted
	}
	counted.Planted++
	for _, id := range a.Tubes {
		p.planted[id] = true
	}
	if a.Expect.What == rehearsal.Nothing {
		counted.Unknowable++
		return nil
	}
	shown, err := p.shows(a)
	if shown {
		counted.Noticed++
	}
	return err
}

func (p *player) shows(a *rehearsal.Answer) (bool, error) {
	if a.Expect.What == rehearsal.Refusal {
		return p.refused[a.Scan] == a.Expect.Refusal, nil
	}
	if a.Expect.What == rehearsal.Doubt {
		for _, one := range []struct {
			kind event.Kind
			id   string
		}{{event.KindCarrier, a.Carrier}, {event.KindDevice, a.Device}} {
			if one.id == "" {
				continue
			}
			thing, err := p.bench.Thing(one.kind, one.id, p.now)
			if err != nil || anyOf(thing.Doubts, a.Expect.Doubts) {
				return err == nil, err
			}
		}
	}
	for _, id := range a.Tubes {
		tube, err := p.bench.Tube(id, p.now)
		if err != nil {
			return false, err
		}
		if shownBy(&tube, &a.Expect) {
			return true, nil
		}
	}
	return false, nil
}

func shownBy(tube *story.TubeView, want *rehearsal.Expect) bool {
	switch want.What {
	case rehearsal.Doubt:
		return anyOf(tube.Doubts, want.Doubts)
	case rehearsal.Fact:
		return tube.Facts[want.Fact] > 0
	case rehearsal.Judged:
		return anyOf(tube.Reasons, want.Reasons) || slices.ContainsFunc(tube.Tests, func(t story.TestView) bool { return anyOf(t.Reasons, want.Reasons) })
	case rehearsal.Unmeasured:
		return slices.ContainsFunc(tube.Tests, func(t story.TestView) bool {
			var sum int64
			for _, ms := range t.ByMs {
				sum += ms
			}
			return sum > 0 && 2*t.ByMs[event.EvidenceMeasured] < sum
		})
	}
	return false
}

func anyOf[T comparable](have, want []T) bool {
	return slices.ContainsFunc(have, func(one T) bool { return slices.Contains(want, one) })
}

// end counts a tube whose day is over, and what was raised on it for nothing.
func (p *player) end(e *rehearsal.Ended) error {
	p.out.Tubes++
	p.out.Fates[e.Fate]++
	raised := map[string]bool{}
	planted := p.planted[e.Tube]
	p.pending = slices.DeleteFunc(p.pending, func(r refusal) bool {
		if r.tube != e.Tube {
			return false
		}
		if !planted {
			p.unplanted(r)
		}
		return true
	})
	if !planted {
		tube, err := p.bench.Tube(e.Tube, p.now)
		if err != nil {
			return err
		}
		for _, d := range tube.Doubts {
			raised["doubt "+string(d)] = true
		}
		if tube.Facts["FlagRaised"] > 0 || tube.Flag != nil {
			raised["flag"] = true
		}
		for _, t := range tube.Tests {
			if t.Verdict == event.WithinLimits {
				continue
			}
			what := fmt.Sprintf("verdict %s of %s", t.Verdict, t.Assay)
			for _, r := range t.Reasons {
				what += ", " + string(r)
			}
			raised[what] = true
		}
	}
	for what := range raised {
		p.out.Unplanted[what]++
	}
	delete(p.planted, e.Tube)
	return nil
}

// Table prints an outcome for people.
func (o Outcome) Table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d tubes, %d scans, %d readings\n\n", o.Tubes, o.Scans, o.Readings)
	fmt.Fprintf(&b, "%-26s %8s %8s %12s\n", "planted mistake", "planted", "noticed", "not noticed")
	for _, c := range o.Kinds {
		if c.Unknowable > 0 {
			fmt.Fprintf(&b, "%-26s %8d %8s %12s\n", c.Kind, c.Planted, "-", "can't know")
			continue
		}
		fmt.Fprintf(&b, "%-26s %8d %8d %12d\n", c.Kind, c.Planted, c.Noticed, c.Planted-c.Noticed)
	}
	if len(o.Kinds) == 0 {
		b.WriteString("none\n")
	}
	b.WriteString("\nraised without a planted mistake, tubes (scans where refused):\n")
	for _, what := range slices.Sorted(maps.Keys(o.Unplanted)) {
		fmt.Fprintf(&b, "%-40s %8d\n", what, o.Unplanted[what])
	}
	if len(o.Unplanted) == 0 {
		b.WriteString("nothing\n")
	}
	for _, line := range o.Refused {
		b.WriteString("  " + line + "\n")
	}
	b.WriteString("\nhow tubes ended:\n")
	for _, fate := range rehearsal.Fates() {
		fmt.Fprintf(&b, "%-26s %8d\n", fate, o.Fates[fate])
	}
	return b.String()
}
