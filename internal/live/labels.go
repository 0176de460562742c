package live

import (
	"errors"
	"fmt"
	"log/slog"
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/label"
)

// numbers are the site's number schemes, compiled, and the ids of all that ever were.
type numbers struct {
	*label.Schemes
	ever []string
}

// noNumbers is what a site has that declared none: every label is a local number.
func noNumbers() numbers {
	s, err := label.Compile(nil)
	if err != nil {
		panic("live: no number schemes: " + err.Error()) // a set without schemes has no faults
	}
	return numbers{Schemes: s}
}

// readSchemes compiles the schemes in force. A set that this program can't compile
// was checked by another one: labels are read by the last good set, and health says so.
func (m *Model) readSchemes() {
	now, ever := m.world.Schemes()
	s, err := label.Declared(now.Schemes)
	if err != nil {
		m.broken = append(m.broken, eventlog.Broken{Stream: "rules", Subject: string(event.SchemesKey), Err: err})
		m.logger.Error("the number schemes can't be read", slog.Any("error", err))
		s = m.numbers.Schemes
	}
	m.numbers = numbers{Schemes: s, ever: ever}
}

// Schemes are the site's number schemes in force.
func (m *Model) Schemes() *label.Schemes {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.numbers.Schemes
}

// Named is what a label names.
type Named struct {
	custody.Target
	Known   bool // the log has something of it
	Reading label.Reading
}

// Find reads a label and says which aggregate of one of the kinds, or of any, it
// names. What was written under a number stays found by it when the site's schemes
// change, and a number is found by the form in which screens show it. The error is
// always a *label.Refusal.
func (m *Model) Find(in label.Input, kinds ...event.Kind) (Named, error) {
	for _, k := range kinds {
		if t, ok := label.ThingOf(k); ok {
			in.Want = append(in.Want, t)
		}
	}
	if len(kinds) == 0 {
		kinds = event.Kinds()
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(in.Want) == 0 && label.ByName(kinds[0]) { // a route has a name and no label
		key, err := event.LocalKey(in.Text())
		if err != nil {
			return Named{}, &label.Refusal{Field: "raw", What: event.RefuseUnknownLabel, Say: err.Error(), Remedy: "write its name"}
		}
		t := custody.Target{Kind: kinds[0], Key: key}
		return Named{Target: t, Known: m.knows(t)}, nil
	}
	r, err := m.numbers.Read(in)
	named := Named{Reading: r}
	if err == nil {
		if named = m.named(r, in.At, kinds); named.Known {
			return named, nil
		}
	}
	var refusal *label.Refusal
	if errors.As(err, &refusal) && refusal.What == event.RefuseSecondIdentifier {
		m.offer(refusal, in, kinds)
	}
	for _, key := range m.numbers.Whole(in.Text(), m.numbers.ever) {
		// Half a number that was whole before the ward or the type belonged to it is
		// asked about all the same: it may be another thing's.
		if refusal != nil && refusal.What == event.RefuseSecondIdentifier && strings.HasPrefix(string(key), event.Local+"-") {
			continue
		}
		if err == nil && key == r.Key && r.Reuse > 0 {
			continue // the number comes again, and this is its first use
		}
		for _, k := range kinds {
			if t := (custody.Target{Kind: k, Key: key}); m.knows(t) {
				thing, _ := label.ThingOf(k)
				how := label.Reading{Names: thing, Key: key, Text: key.Label(), Standard: label.StandardPlain, How: in.How, Raw: in.Raw}
				return Named{Target: t, Known: true, Reading: how}, nil
			}
		}
	}
	return named, err
}

// named gives the aggregate of a reading. A local number may be of any of the kinds:
// it is what the log knows under it, else the first kind of which no numbers are
// declared.
func (m *Model) named(r label.Reading, at event.Instant, kinds []event.Kind) Named {
	kind, ok := r.Names.Kind()
	if !ok {
		kind = kinds[0]
	}
	first := custody.Target{Kind: kind, Key: m.useOf(r, kind, at)}
	if r.Scheme != event.Local {
		return Named{Target: first, Known: m.knows(first), Reading: r}
	}
	for _, k := range kinds {
		if t := (custody.Target{Kind: k, Key: r.Key}); m.knows(t) {
			r.Names, _ = label.ThingOf(k)
			return Named{Target: t, Known: true, Reading: r}
		}
	}
	return Named{Target: first, Reading: r}
}

// knows reports whether the log has something of t.
func (m *Model) knows(t custody.Target) bool {
	return m.world.Knows(t) || t.Kind == event.KindLogger && m.series[t.Key] != nil
}

// useOf gives the key of a reading: which use of a number that comes again is meant at
// an instant (0: now), follows from when each was begun. What stands in the directory
// is found by its name.
func (m *Model) useOf(r label.Reading, kind event.Kind, at event.Instant) event.Key {
	if label.ByName(kind) {
		if key, err := event.LocalKey(r.Text); err == nil {
			return key
		}
	}
	if at == 0 {
		at = m.now()
	}
	last := r.Key
	for turn := 0; r.Reuse > 0; turn++ {
		key, err := r.Again(turn)
		if err != nil {
			break
		}
		begun := m.world.Begun(custody.Target{Kind: kind, Key: key})
		if begun == 0 { // never used in this turn: the one before is over, or there is none
			if turn == 0 || at.Sub(m.world.Begun(custody.Target{Kind: kind, Key: last})).Milliseconds() >= r.Reuse {
				return key
			}
			break
		}
		if turn > 0 && begun > at {
			break
		}
		last = key
	}
	return last
}

// offer adds to a refusal for want of a ward or tube type what the log knows under
// the number, so that a person can choose.
func (m *Model) offer(r *label.Refusal, in label.Input, kinds []event.Kind) {
	var choices []string
	try := func(word string, in label.Input) {
		got, err := m.numbers.Read(in)
		if err == nil && m.named(got, in.At, kinds).Known {
			choices = append(choices, fmt.Sprintf("%s (%s)", word, got.Key.Label()))
		}
	}
	switch r.Field {
	case "ward":
		for _, place := range m.world.Places() {
			in.Ward = place
			try(place, in)
		}
	case "tubeType":
		for _, t := range m.codes.types() {
			in.TubeType = t
			try(t, in)
		}
	}
	if len(choices) > 0 {
		r.Remedy += "; known: " + strings.Join(choices, ", ")
	}
}
