package app

import (
	"context"
	"slices"
	"sync"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/web"
)

// pages tells the web front what the live model says. It judges nothing.
type pages struct {
	a *App

	// turn is held while a wall is made, so that all who ask meanwhile share it. It
	// guards the fields below.
	turn  sync.Mutex
	watch watching
	took  time.Duration // to make the last wall
	ready time.Time     // when the last wall was ready

	// mu guards kept, which is read without waiting for a turn.
	mu   sync.Mutex
	kept keptWall
	// desks are the made desks of receptions; what they hold is never changed.
	desks map[deskKey]madeDesk
}

// keptWall is the last wall with what it rests on.
type keptWall struct {
	page web.WallPage
	at   eventlog.Position
	now  event.Instant
}

// serves reports whether the wall is as new as somebody who asks at now, with the
// model at that position, may expect: nothing on it is finer than a second.
func (k *keptWall) serves(at eventlog.Position, now event.Instant) bool {
	const second = event.Instant(1000)
	age := now/second - k.now/second
	return k.now != 0 && k.at.Reached(at) && (age == 0 || age == -1)
}

// Making a wall holds up the model, so it takes at most a quarter of the time.
const (
	restFactor  = 3
	longestRest = 500 * time.Millisecond
)

// Wall implements web.Source.
func (p *pages) Wall(ctx context.Context) (web.WallPage, error) {
	if !p.a.model.Ready() {
		return web.WallPage{}, web.ErrNotReady
	}
	at, now := p.a.model.At(), p.a.parts.Clock.Now()
	if page, ok := p.keptFor(at, now); ok {
		return page, nil
	}
	p.turn.Lock()
	defer p.turn.Unlock()
	if page, ok := p.keptFor(at, now); ok {
		return page, nil
	}
	if err := rest(ctx, min(restFactor*p.took, longestRest)-time.Since(p.ready)); err != nil {
		return web.WallPage{}, err
	}
	start := time.Now()
	next := keptWall{at: p.a.model.At(), now: p.a.parts.Clock.Now()}
	next.page = p.makeWall(next.now)
	next.page.Seq = next.at.Custody
	p.ready = time.Now()
	p.took = p.ready.Sub(start)
	p.mu.Lock()
	p.kept = next
	p.mu.Unlock()
	return owned(next.page), nil
}

func (p *pages) keptFor(at eventlog.Position, now event.Instant) (web.WallPage, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.kept.serves(at, now) {
		return web.WallPage{}, false
	}
	return owned(p.kept.page), true
}

// owned copies what many callers share, since a page belongs to its caller.
func owned(w web.WallPage) web.WallPage {
	w.Flags, w.Late, w.Boxes = slices.Clone(w.Flags), slices.Clone(w.Late), slices.Clone(w.Boxes)
	for i := range w.Flags {
		tests := slices.Clone(w.Flags[i].Tests)
		for j := range tests {
			tests[j].Reasons = slices.Clone(tests[j].Reasons)
		}
		w.Flags[i].Tests = tests
	}
	return w
}

func rest(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// foldFor is how long changes are gathered into one after the last was handed on. What
// is taken at one desk is to show at the next within 200 ms, of which this is the largest
// part; making a page is bounded by itself.
const foldFor = 80 * time.Millisecond

// Watch implements web.Source. The channel is closed when ctx ends.
func (p *pages) Watch(ctx context.Context, since uint64) (<-chan web.Change, error) {
	if !p.a.model.Ready() {
		return nil, web.ErrNotReady
	}
	out := make(chan web.Change)
	f := folding{p: p, out: out, w: p.a.model.Watch()}
	// Watching begins before the position is read, so nothing falls between.
	switch seq := p.a.model.At().Custody; {
	case since > seq:
		// The log is shorter than the caller remembers: another log, or an older copy.
		f.note(web.Change{Seq: seq, Reset: true})
	case since != 0 && since < seq:
		f.note(web.Change{Seq: seq})
	}
	go f.run(ctx)
	return out, nil
}
