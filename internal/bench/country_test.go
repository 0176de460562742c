package main

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"testing"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/story"
)

// heard notes which scans the product stored nothing for.
type heard struct {
	*rehearse.Bench
	refused map[string]bool
}

func (h heard) Scan(s story.Scan) (story.Answer, error) {
	a, err := h.Bench.Scan(s)
	if a.Answer == event.AnswerRefused {
		h.refused[s.ID] = true
	}
	return a, err
}

// What the country's log holds is what a whole daemon writes that is told the same day
// through its API, but for what the judge has to say of it.
func TestTheCountrysFactsAreThoseOfTheProduct(t *testing.T) {
	day, err := rehearsal.Plan(rehearsal.Settings{Seed: 3, Tubes: 240, Often: 2, BoxLoggers: countryBoxLoggers, Places: true})
	if err != nil {
		t.Fatal(err)
	}
	theirs, refused := told(t, day)
	log := memlog.New()
	ctx, failed := context.WithCancelCause(t.Context())
	c := newCountryMaker(log, &kept{Tubes: 240}, failed)
	s := &settings{tell: t.Logf}
	if err := c.tell(ctx, s, &day, 0, day.Settings().Day.Add(36*3600e9)); err != nil {
		t.Fatal(err)
	}
	ours := decisionsOf(t, log)
	patients := map[string]string{} // theirs to ours
	for target, list := range theirs {
		if target.Kind == event.KindRequest && len(ours[target]) > 0 {
			patients[list[0].Facts[0].(event.RequestPlaced).Patient] = ours[target][0].Facts[0].(event.RequestPlaced).Patient
		}
	}
	compared := 0
	for target, list := range theirs {
		mine := slices.DeleteFunc(slices.Clone(ours[target]), func(d event.Decision) bool { return refused[d.ID] })
		if len(mine) != len(list) {
			t.Errorf("%v: %d decisions, the product writes %d", target, len(mine), len(list))
			continue
		}
		for i := range list {
			a, b := said(patients, &list[i], true), said(patients, &mine[i], false)
			if a != b {
				t.Errorf("%v:\n%s\nthe product writes\n%s", target, b, a)
			}
			compared++
		}
	}
	for target := range ours {
		if theirs[target] == nil && !slices.ContainsFunc(ours[target], func(d event.Decision) bool { return refused[d.ID] }) {
			t.Errorf("%v is nothing that the product writes", target)
		}
	}
	if c.k.Asked != 240 || c.k.Ended != 240 || compared < 2_000 {
		t.Errorf("%d tubes asked for, %d ended, %d decisions compared", c.k.Asked, c.k.Ended, compared)
	}
	// The judge stops a rack that the maker of the log lets pass: late boxes, forgotten tubes.
	if len(refused) > 60 {
		t.Errorf("%d scans were refused", len(refused))
	}
	a, b := runsOf(t, log), 0
	for step := range day.Steps() {
		b += len(step.Readings)
	}
	if a != b {
		t.Errorf("%d readings in the log, the day has %d", a, b)
	}
}

// told tells a day to a daemon in memory, and gives what stands in its log.
func told(t *testing.T, day rehearsal.Day) (map[custody.Target][]event.Decision, map[string]bool) {
	t.Helper()
	log := memlog.New()
	daemon, err := app.Inside(t.Context(), slog.New(slog.DiscardHandler), func(context.Context) (eventlog.Log, error) { return log, nil })
	if err != nil {
		t.Fatal(err)
	}
	_, limits, err := library.Starter()
	if err != nil {
		t.Fatal(err)
	}
	h := heard{rehearse.New(daemon.Conn()), map[string]bool{}}
	if _, err := rehearse.Day(t.Context(), day, h, limits, nil, nil); err != nil {
		t.Fatal(err)
	}
	out := decisionsOf(t, log)
	if err := daemon.Close(); err != nil {
		t.Fatal(err)
	}
	return out, h.refused
}

// decisionsOf gives what people and devices made a log say, by aggregate.
func decisionsOf(t *testing.T, log eventlog.Log) map[custody.Target][]event.Decision {
	t.Helper()
	out := map[custody.Target][]event.Decision{}
	if _, err := readAll(t.Context(), log, func(rec *event.Record) {
		if rec.Kind == event.KindRules || rec.Principal == "custodyd" && rec.Kind != event.KindDevice {
			return
		}
		at := custody.Target{Kind: rec.Kind, Key: rec.Key}
		out[at] = append(out[at], rec.Decision)
	}, nil); err != nil {
		t.Fatal(err)
	}
	for _, list := range out {
		slices.SortStableFunc(list, func(a, b event.Decision) int { return cmp.Compare(sortBy(&a), sortBy(&b)) })
	}
	return out
}

// sortBy puts entries of the directory first: their ids are their writer's.
func sortBy(d *event.Decision) string {
	if d.TimeSource == "typed" {
		return ""
	}
	return d.ID
}

func runsOf(t *testing.T, log eventlog.Log) (n int) {
	t.Helper()
	if _, err := readAll(t.Context(), log, nil, func(r *event.Run) { n += len(r.Readings) }); err != nil {
		t.Fatal(err)
	}
	return n
}

// sizes is a sealed text without what is random in it.
func sizes(c event.Ciphertext) event.Ciphertext {
	return event.Ciphertext{Key: fmt.Sprint(len(c.Key)), Nonce: make([]byte, len(c.Nonce)), Box: make([]byte, len(c.Box))}
}

// said is a decision in words that don't depend on who wrote it: entries of the
// directory have ids and instants of their writer, and patients' references are random.
func said(patients map[string]string, d *event.Decision, theirs bool) string {
	env := d.Envelope
	env.Digest, env.App, env.How, env.BootID = nil, "", "", ""
	if d.TimeSource == "typed" {
		env.ID, env.Occurred, env.DeviceTime, env.Recorded, env.DeviceSeq, env.Actor = "", 0, 0, 0, 0, ""
	}
	name := func(p string) string {
		if !theirs || p == "" {
			return p
		}
		return patients[p]
	}
	facts := slices.Clone(d.Facts)
	for i, f := range facts {
		switch f := f.(type) {
		case event.RequestPlaced:
			f.Patient = name(f.Patient)
			facts[i] = f
		case event.DrawStarted:
			f.Patient = name(f.Patient)
			facts[i] = f
		case event.Collected:
			f.Patient = name(f.Patient)
			facts[i] = f
		case event.Rejected:
			f.Note = sizes(f.Note)
			facts[i] = f
		case event.Disposed:
			f.Note = sizes(f.Note)
			facts[i] = f
		case event.IdentityMismatch:
			f.Patient, f.Expected = name(f.Patient), name(f.Expected)
			facts[i] = f
		}
	}
	return fmt.Sprintf("%+v %+v", env, facts)
}
