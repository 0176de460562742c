package app

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/notify"
)

// Receiver is somebody outside the screens who is told of flags.
type Receiver struct {
	// Name is what the house calls it: letters, digits, "-" and "_". What it was told of
	// is kept under it, so another name is told of all open flags.
	Name     string
	Channel  notify.Channel
	Audience notify.Audience
}

const (
	// leadEvery is how often it is looked whether this process still appends flags.
	leadEvery = 250 * time.Millisecond
	// lastWord is how long a message that is on its way may take when the process stops:
	// sent and not marked, it would come once more.
	lastWord = 3 * time.Second
	// lateAfter is when waiting messages are worth a look (common practice, no source).
	lateAfter = 10 * time.Minute
)

// outside tells the receivers, in the process that appends the flags: the others follow
// and would tell the same. Two that believe to append are kept apart by the revision of
// each receiver's record.
type outside struct {
	a         *App
	source    *flagSource
	receivers []*receiver
	cancel    context.CancelFunc
	ended     chan struct{}
}

// receiver is a Receiver and how it stands here.
type receiver struct {
	Receiver
	delivery *notify.Delivery
	wake     chan struct{} // holds one token

	mu    sync.Mutex // guards state
	state notify.State
}

// tellOutside starts telling. It needs a model that has read the log.
func (a *App) tellOutside(run context.Context) {
	if len(a.parts.Receivers) == 0 {
		return
	}
	run, cancel := context.WithCancel(run)
	o := &outside{a: a, cancel: cancel, ended: make(chan struct{}), source: &flagSource{model: a.model, log: a.parts.Log}}
	pace := notify.PaceAsUsual()
	if a.parts.Pace != nil {
		pace = *a.parts.Pace
	}
	shelf := a.parts.Log.Shelf(eventlog.ShelfNotify)
	for _, to := range a.parts.Receivers {
		r := &receiver{Receiver: to, wake: make(chan struct{}, 1)}
		r.delivery = &notify.Delivery{
			Channel: to.Channel, Source: o.source, Store: notify.OnShelf(shelf, to.Name), Audience: to.Audience, Pace: pace,
			Now: a.parts.Clock.Now, Wait: r.wait, Random: rand.Float64, Grace: lastWord,
			Report: func(t notify.Trouble) { a.trouble(to.Name, t) }, Stands: r.stands,
		}
		o.receivers = append(o.receivers, r)
		o.source.wakes = append(o.source.wakes, r.wake)
	}
	a.outside = o
	go o.run(run)
}

// stop ends the telling and returns once what was on its way has been marked, or lastWord
// is over. It is for a nil outside too.
func (o *outside) stop() {
	if o != nil {
		o.cancel()
		<-o.ended
	}
}

func (o *outside) run(ctx context.Context) {
	defer close(o.ended)
	for ctx.Err() == nil {
		if o.leads() {
			o.term(ctx)
		}
		_ = rest(ctx, leadEvery) // the loop asks the context
	}
}

func (o *outside) leads() bool { return o.a.model.Leading() }

// term delivers for as long as this process appends the flags.
func (o *outside) term(ctx context.Context) {
	ctx, end := context.WithCancel(ctx)
	defer end()
	o.a.parts.Logger.Info("this process tells the receivers outside", slog.Int("receivers", len(o.receivers)))
	var parts sync.WaitGroup
	o.source.begin()
	parts.Go(func() { o.source.watch(ctx) })
	for _, r := range o.receivers {
		parts.Go(func() {
			for ctx.Err() == nil {
				if err := r.delivery.Run(ctx); err != nil { // ErrOvertaken alone
					o.a.parts.Logger.Warn("another process tells this receiver; this one stands back", slog.String("receiver", r.Name), slog.Any("error", err))
					_ = rest(ctx, eventlog.LeaseTime) // the loop asks the context
				}
			}
		})
	}
	for ctx.Err() == nil && o.leads() {
		_ = rest(ctx, leadEvery) // the loop asks the context
	}
	end()
	parts.Wait()
	for _, r := range o.receivers {
		r.rest()
	}
}

// poke has every receiver looked at, after the clock was moved. It is for a nil outside too.
func (o *outside) poke() {
	if o != nil {
		o.source.wake()
	}
}

// wait implements notify.Delivery's Wait.
func (r *receiver) wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	case <-r.wake:
	}
}

func (r *receiver) stands(s notify.State) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.state = s
}

// rest forgets what waits: another process knows that from now on.
func (r *receiver) rest() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.state.Waiting, r.state.Since, r.state.Last = 0, 0, ""
}

func (r *receiver) now() notify.State {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.state
}

// trouble writes what went wrong into the log file. A receiver that is down says so
// each time it is tried, which becomes rare by itself.
func (a *App) trouble(receiver string, t notify.Trouble) {
	log := a.parts.Logger.Warn
	if t.What == notify.LaidDown || t.What == notify.Untold {
		log = a.parts.Logger.Error
	}
	say := map[notify.TroubleKind]string{
		notify.Unreachable: "a receiver did not take a message; it is tried again",
		notify.Refused:     "a receiver refused a message; the others go on, and it is tried again",
		notify.LaidDown:    "a receiver has refused a message for a day; it is not tried any more. The screens show its flags",
		notify.Untold:      "a flag can't be told outside; the screens show it",
		notify.Unstored:    "what a receiver was told of could not be kept or read; it is tried again",
		notify.Shorter:     "the log is shorter than what a receiver was told of; it is read again from its beginning",
	}[t.What]
	log(say, slog.String("receiver", receiver), slog.String("message", t.Message), slog.Duration("again-in", t.Wait), slog.Any("error", t.Err))
}

// standing is how a receiver stands, as far as this process can tell.
type receiverStands struct {
	Name  string
	State notify.State
	Here  bool // this process tells it
}

// standings tells how every receiver stands; where another process tells them, by what
// it has kept. It is for a nil outside too.
func (o *outside) standings(ctx context.Context) ([]receiverStands, error) {
	if o == nil {
		return nil, nil
	}
	var errs []error
	here := o.leads()
	out := make([]receiverStands, len(o.receivers))
	for i, r := range o.receivers {
		if out[i] = (receiverStands{Name: r.Name, State: r.now(), Here: here}); here {
			continue
		}
		state, err := o.kept(ctx, r.Name)
		errs = append(errs, err)
		out[i].State = state
	}
	return out, errors.Join(errs...)
}

func (o *outside) kept(ctx context.Context, name string) (notify.State, error) {
	data, _, err := o.a.parts.Log.Shelf(eventlog.ShelfNotify).Get(ctx, name)
	if err != nil && !errors.Is(err, eventlog.ErrAbsent) {
		return notify.State{}, err
	}
	return notify.StateOf(data, o.a.parts.Clock.Now())
}

// age is how long the oldest has waited.
func age(s notify.State, now event.Instant) time.Duration {
	if s.Since == 0 {
		return 0
	}
	return max(now.Sub(s.Since), 0)
}
