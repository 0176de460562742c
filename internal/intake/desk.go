// Package intake decides every write that people and machines ask for: it
// understands a scan, decides on the live model what facts it gives, makes them
// durable and says what the sender should hear. An answer "recorded" means that
// the facts survive; everything else names what to do.
package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strconv"
	"sync"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/live"
)

// Desk takes scans and readings. Make it with New.
type Desk struct {
	log      eventlog.Log
	model    *live.Model
	now      func() event.Instant
	patients Patients
	logger   *slog.Logger

	clock stamp
	turns turns
	// calls and lines bound the readings on their way, of calls with one answer and of streams.
	calls, lines *room
}

// New gives a desk that decides on model and writes to log.
func New(log eventlog.Log, model *live.Model, now func() event.Instant, patients Patients, logger *slog.Logger) *Desk {
	d := &Desk{
		log: log, model: model, now: now, logger: logger,
		patients: patients, turns: turns{busy: map[custody.Target]*turn{}},
		calls: newRoom(MostValues, MostBatches), lines: newRoom(MostValues, MostBatches),
	}
	d.calls.model, d.lines.model = model, model
	return d
}

// Scan is one scan as it arrives, understood no further than its shape. Empty
// strings and zeros mean "not said".
type Scan struct {
	ID, Label, Step                      string
	Raw                                  []byte
	Symbology, How                       string
	DeviceTime                           event.Instant
	ZoneOffsetMin                        int32
	HasClock                             bool // the device measured its clock against ours
	OffsetMs, UncertaintyMs, MonotonicMs int64
	BootID, Device                       string
	DeviceSeq                            int64
	Place, By, From, To, With, OnBehalf  string
	Carrier, Draw, Patient, Request      string
	Type, Parent, Reason, TypedAt, App   string
	Tests                                []string
	Details                              map[string]string
	Mode                                 event.Mode
	Tubes                                []string
	Kind                                 event.Kind // of what the label names, when the sender knows
	Note                                 string
	Ward                                 string // that gave out the number, where wards do so each for itself
	Row                                  string // reference of a work list's row that a draw is begun from
	// Attested are the exact bytes that a device signed, with its key and signature,
	// verified before.
	Attested, Signature []byte
	KeyID               string
}

// Answer is what the sender of a scan hears.
type Answer struct {
	ID      string
	Answer  event.Answer
	Refusal event.Refusal
	Say     string
	Seq     uint64 // of the decision in the log, 0 when nothing was stored
	Target  custody.Target
	At      event.Instant // instant the sentence speaks of, 0 for none
	// Patients are the references of an identity mismatch: on the band, on the label.
	Patients []string
}

// FieldError names a field of the sender and the remedy.
type FieldError struct{ Field, Say string }

// Error implements error.
func (e *FieldError) Error() string { return e.Field + ": " + e.Say }

func fieldError(field, format string, args ...any) error {
	return &FieldError{Field: field, Say: fmt.Sprintf(format, args...)}
}

// attempts bounds how often a scan is decided anew because others wrote to the
// same aggregate in between; more means something is wrong and the sender retries.
const attempts = 8

// Record decides one scan. The error is a *FieldError when the scan can't be
// understood; whatever else goes wrong is in the answer.
func (d *Desk) Record(ctx context.Context, s Scan) (Answer, error) {
	scan, err := d.understand(ctx, s)
	if err != nil {
		var unread *unreadable
		if errors.As(err, &unread) {
			return Answer{ID: s.ID, Answer: event.AnswerRefused, Refusal: unread.why, Say: unread.say}, nil
		}
		var field *FieldError
		if errors.As(err, &field) {
			return Answer{}, err
		}
		return d.notSaved(s.ID, scan.Target, err), nil
	}
	a, err := d.decideAndAppend(ctx, scan)
	if err == nil && (a.Answer == event.AnswerRecorded || a.Answer == event.AnswerRefused) {
		d.noteClock(ctx, scan.Envelope)
	}
	return a, err
}

func (d *Desk) decideAndAppend(ctx context.Context, scan custody.Scan) (Answer, error) {
	// One scan of an aggregate at a time in this process: the second would only
	// meet the first one's expectation.
	release, err := d.turns.take(ctx, scan.Target)
	if err != nil {
		return d.notSaved(scan.ID, scan.Target, err), nil
	}
	defer release()
	for range attempts {
		decision, after, answer, err := d.decide(scan)
		if err != nil || answer.Answer != "" && decision == nil {
			return answer, err
		}
		decision.Recorded = d.clock.next(d.now())
		target := custody.Target{Kind: decision.Kind, Key: decision.Key}
		seq, err := d.log.Append(ctx, decision, max(after, d.model.Unread(target)))
		switch {
		case err == nil:
			d.model.Written(decision, seq) // before the next scan of this aggregate is decided
			if answer.Answer == "" {
				answer = Answer{ID: scan.ID, Answer: event.AnswerRecorded, Target: target}
			}
			answer.Seq = seq
			return answer, nil
		case errors.Is(err, eventlog.ErrConflict):
			end, eerr := d.log.End(ctx)
			if eerr == nil {
				eerr = d.model.WaitFor(ctx, end)
			}
			if eerr != nil {
				return d.notSaved(scan.ID, target, eerr), nil
			}
		default:
			return d.notSaved(scan.ID, target, err), nil
		}
	}
	return d.notSaved(scan.ID, scan.Target, errors.New("others write to it at the same moment")), nil
}

// decide gives the decision to append and its expectation, or an answer that
// needs nothing appended. A refusal may come with both: the near miss is counted.
func (d *Desk) decide(scan custody.Scan) (decision *event.Decision, after uint64, answer Answer, err error) {
	scan.Rack, scan.RackUntil = d.rackAnswer(scan)
	known := event.Key("")
	if scan.Target.Kind == event.KindTube {
		known = scan.Target.Key
	}
	d.model.WorldOf(known, func(w *custody.World, t *custody.Tube) {
		scan.Known = t
		if rec := firstRecord(w, scan); rec != nil {
			answer = d.again(rec, scan)
			return
		}
		var dec custody.Decision
		dec, err = custody.Decide(w, scan)
		target := custody.Target{Kind: dec.Kind, Key: dec.Key}
		if refused := custody.AsRefused(err); refused != nil {
			err = nil
			answer = Answer{
				ID: scan.ID, Answer: event.AnswerRefused, Refusal: refused.Why, Say: refused.Say, At: refused.At, Target: scan.Target,
			}
			if refused.Patient != "" && refused.Expected != "" {
				answer.Patients = []string{refused.Patient, refused.Expected}
			}
			if len(dec.Facts) == 0 {
				return
			}
			dec.ID = "miss-" + scan.ID // the scan itself was not recorded; sent again it must be decided again
			if w.Record(target, dec.ID) != nil {
				return
			}
			decision, after = &dec.Decision, w.Seq(target)
			return
		}
		var bad *custody.Invalid
		if errors.As(err, &bad) {
			err = fieldError(bad.Field, "%s", bad.Say)
		}
		if err != nil {
			return
		}
		if dec.Repeats != "" {
			answer = Answer{
				ID: scan.ID, Answer: event.AnswerRepeated, Target: target,
				Say: "already recorded a moment ago; nothing was added",
			}
			if rec := w.Record(target, dec.Repeats); rec != nil {
				answer.Seq = rec.Seq
			}
			return
		}
		if rec := w.Record(target, scan.ID); rec != nil {
			answer = d.again(rec, scan)
			return
		}
		decision, after = &dec.Decision, w.Seq(target)
	})
	return decision, after, answer, err
}

// firstRecord finds the record that carries the scan's id in the aggregate it
// names, before anything is decided: an answer may have been lost.
func firstRecord(w *custody.World, scan custody.Scan) *event.Record {
	if scan.Target.Key == "" {
		return nil
	}
	return w.Record(scan.Target, scan.ID)
}

// again answers a scan whose id is in the log: the first answer again when the
// content is the same, however late it comes.
func (d *Desk) again(rec *event.Record, scan custody.Scan) Answer {
	a := Answer{ID: scan.ID, Answer: event.AnswerRecorded, Seq: rec.Seq, Target: custody.Target{Kind: rec.Kind, Key: rec.Key}}
	if string(rec.Digest) != string(scan.Digest) {
		a.Answer, a.Seq = event.AnswerIDConflict, 0
		a.Say = "another scan was recorded under this id; give this one an id of its own"
	}
	return a
}

// rackAnswer asks the one judge before a tube goes into the centrifuge.
func (d *Desk) rackAnswer(scan custody.Scan) (event.RackAnswer, event.Instant) {
	if scan.Mode == event.Reported || scan.Target.Kind != event.KindTube || scan.Step != "rack" && scan.Step != "spin" {
		return "", 0
	}
	v, ok := d.model.Judged(scan.Target.Key)
	if !ok {
		return "", 0
	}
	return v.Rack, v.RackUntil
}

func (d *Desk) notSaved(id string, t custody.Target, err error) Answer {
	say := "not saved; keep it and send it again with the same id"
	switch {
	case errors.Is(err, eventlog.ErrFull):
		say = "not saved: the store is full; keep it, send it again later, and tell the engineer to make room or raise the limit"
	case errors.Is(err, eventlog.ErrUnsafe):
		say = "not saved: the log is not in order; keep it, send it again later, and call the engineer"
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		say = "no answer in time; it may be saved or not; send it again with the same id"
	}
	d.logger.Warn("a scan was not saved", slog.String("key", string(t.Key)), slog.Any("error", err))
	return Answer{ID: id, Answer: event.AnswerNotSaved, Target: t, Say: say}
}

// clockTolerance is how far a device's clock may be off before that is a fact of
// its own; clockMoved is how far it must move to be told again.
const (
	clockTolerance = 2 * time.Minute
	clockMoved     = 5 * time.Second
)

// noteClock keeps what was learned of a device's clock. It is best effort: the
// scan that brought it carries its own offset.
func (d *Desk) noteClock(ctx context.Context, env event.Envelope) {
	key, err := event.LocalKey(env.Device)
	if env.Device == "" || err != nil {
		return
	}
	target := custody.Target{Kind: event.KindDevice, Key: key}
	offset := time.Duration(env.OffsetMs) * time.Millisecond
	release, err := d.turns.take(ctx, target)
	if err != nil {
		return
	}
	defer release()
	var known custody.Device
	d.model.World(func(w *custody.World) { known, _ = w.Device(key) })
	wrong := offset.Abs() > clockTolerance
	was := time.Duration(known.OffsetMs) * time.Millisecond
	if !wrong && was.Abs() <= clockTolerance || (offset-was).Abs() < clockMoved {
		return
	}
	dec := event.Decision{
		Envelope: event.Envelope{
			ID: "clock-" + env.ID, Kind: event.KindDevice, Key: key, Occurred: env.Occurred, DeviceTime: env.DeviceTime,
			OffsetMs: env.OffsetMs, UncertaintyMs: env.UncertaintyMs, Recorded: d.clock.next(d.now()), TimeSource: "scanned",
			Principal: "custodyd", Device: env.Device, DeviceSeq: env.DeviceSeq, Mode: event.Reported, Causes: []string{env.ID},
		},
		Facts: []event.Fact{event.ClockMeasured{OffsetMs: env.OffsetMs, UncertaintyMs: env.UncertaintyMs}},
	}
	seq, err := d.log.Append(ctx, &dec, max(known.Seq, d.model.Unread(target)))
	if err != nil {
		d.logger.Warn("a device's clock offset was not kept", slog.String("device", string(key)), slog.Any("error", err))
		return
	}
	d.model.Written(&dec, seq)
}

// stamp gives recorded times that never decrease within this process, whatever
// the machine's clock does.
type stamp struct {
	mu   sync.Mutex
	last event.Instant
}

func (s *stamp) next(now event.Instant) event.Instant {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last = max(s.last, now)
	return s.last
}

// turns lets the scans of one aggregate through one at a time, in order of coming.
type turns struct {
	mu   sync.Mutex
	busy map[custody.Target]*turn
}

type turn struct {
	waiting int
	free    chan struct{} // holds one token while nobody has the turn
}

// take waits for the turn and gives the function that passes it on.
func (t *turns) take(ctx context.Context, target custody.Target) (func(), error) {
	t.mu.Lock()
	tn := t.busy[target]
	if tn == nil {
		tn = &turn{free: make(chan struct{}, 1)}
		tn.free <- struct{}{}
		t.busy[target] = tn
	}
	tn.waiting++
	t.mu.Unlock()
	leave := func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if tn.waiting--; tn.waiting == 0 {
			delete(t.busy, target)
		}
	}
	select {
	case <-tn.free:
		return func() { tn.free <- struct{}{}; leave() }, nil
	case <-ctx.Done():
		leave()
		return nil, ctx.Err()
	}
}

// digest is the hash by which a repeat is known from another scan under one id.
// It covers what the sender said, not what was made of it: a repeat may be decided
// in another state of the world. It is keyed: a bare hash of a patient number could
// be found by trying numbers.
func (d *Desk) digest(s Scan) []byte {
	// The clock's offset is left out, since it is measured anew each time the device
	// sends; so is the mode: a queue sends as reported what was tried live.
	all := make(said, 0, 512)
	for _, f := range [...]struct{ name, value string }{
		{"id", s.ID}, {"label", s.Label}, {"step", s.Step}, {"raw", string(s.Raw)}, {"symbology", s.Symbology}, {"how", s.How},
		{"boot", s.BootID}, {"device", s.Device}, {"place", s.Place}, {"by", s.By}, {"from", s.From}, {"to", s.To}, {"with", s.With},
		{"on behalf", s.OnBehalf}, {"carrier", s.Carrier}, {"draw", s.Draw}, {"patient", s.Patient}, {"request", s.Request},
		{"type", s.Type}, {"parent", s.Parent}, {"reason", s.Reason}, {"typed", s.TypedAt}, {"app", s.App}, {"kind", string(s.Kind)}, {"note", s.Note}, {"ward", s.Ward}, {"row", s.Row},
	} {
		all.text(f.name, f.value)
	}
	all.number("time", int64(s.DeviceTime))
	all.number("zone", int64(s.ZoneOffsetMin))
	all.number("monotonic", s.MonotonicMs)
	all.number("sequence", s.DeviceSeq)
	for _, t := range s.Tests {
		all.text("test", t)
	}
	for _, t := range s.Tubes {
		all.text("tube", t)
	}
	if len(s.Details) > 0 {
		for _, k := range slices.Sorted(maps.Keys(s.Details)) {
			all.text("detail "+k, s.Details[k])
		}
	}
	return d.patients.Keyed(all)[:16]
}

// said collects what a sender said, each thing with its name and length. What was
// not said leaves no trace: a field that a later version adds changes no digest of
// before, so a queue that outlives an upgrade still repeats itself.
type said []byte

func (d *said) text(name, value string) {
	if value != "" {
		*d = append(append(*d, name...), ' ')
		*d = append(strconv.AppendInt(*d, int64(len(value)), 10), ' ')
		*d = append(*d, value...)
	}
}

func (d *said) number(name string, n int64) {
	if n != 0 {
		d.text(name, strconv.FormatInt(n, 10))
	}
}

// digestOf is digest for an entry.
func (d *Desk) digestOf(e Entry) []byte {
	return d.patients.Keyed(fmt.Appendf(nil, "%#v %s %d", e.Facts, e.By, e.At))[:16]
}
