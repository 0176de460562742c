package intake_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability/library"
)

// noon is where the clock of these tests stands at first.
var noon = event.At(time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC))

// rig is some processes on one log: each has a model and a desk of its own.
type rig struct {
	t     *testing.T
	log   *memlog.Log
	now   atomic.Int64
	desks []*intake.Desk
	views []*live.Model
}

func newRig(t *testing.T, log *memlog.Log, processes int) *rig {
	t.Helper()
	lists, err := library.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, log: log}
	r.now.Store(int64(noon))
	clock := func() event.Instant { return event.Instant(r.now.Load()) }
	logger := slog.New(slog.DiscardHandler)
	ctx, cancel := context.WithCancel(t.Context())
	var ended sync.WaitGroup
	t.Cleanup(func() { cancel(); ended.Wait() })
	ring := identity.MemoryRing(clock, rand.Reader)
	for i := range processes {
		m := live.New(log, clock, live.Lists{Tubes: lists.Tubes, Assays: lists.Assays}, fmt.Sprint("process ", i), logger)
		ended.Go(func() { _ = m.Run(ctx) }) // ends with ctx
		r.views = append(r.views, m)
		patients, err := identity.Open(ctx, identity.Options{
			Keys: log.Shelf(eventlog.ShelfKeys), Identity: log.Shelf(eventlog.ShelfIdentity), Access: log.Shelf(eventlog.ShelfAccess),
			Ring: ring, Secret: []byte("invented fixture"), Now: clock, Rand: rand.Reader, Logger: logger,
		})
		if err != nil {
			t.Fatal(err)
		}
		r.desks = append(r.desks, intake.New(log, m, clock, patients, logger))
	}
	return r
}

func (r *rig) record(desk int, s intake.Scan) intake.Answer {
	r.t.Helper()
	a, err := r.desks[desk].Record(r.t.Context(), s)
	if err != nil {
		r.t.Fatalf("%s %s: %v", s.Step, s.Label, err)
	}
	return a
}

// readUp waits until every process has read the whole log.
func (r *rig) readUp() {
	r.t.Helper()
	end, err := r.log.End(r.t.Context())
	if err != nil {
		r.t.Fatal(err)
	}
	for _, m := range r.views {
		if err := m.WaitFor(r.t.Context(), end); err != nil {
			r.t.Fatal(err)
		}
	}
}

func (r *rig) facts(key event.Key, fact string) int {
	n := 0
	r.views[0].World(func(w *custody.World) { n = w.Facts(custody.Target{Kind: event.KindTube, Key: key}, fact) })
	return n
}

func scan(id, step, label string) intake.Scan {
	return intake.Scan{ID: id, Step: step, Label: label, By: "lena", Device: "H-" + id, DeviceTime: noon, Details: map[string]string{}}
}

// EVT-S3: two desks receive and discard one tube in the same second, both on what
// they knew before. Whoever's write comes second is decided anew, and is told what
// happened meanwhile.
func TestTwoDesksActOnOneTubeAtOnce(t *testing.T) {
	for _, first := range []string{"discard", "receive"} {
		t.Run(first+" first", func(t *testing.T) {
			log := memlog.New()
			var racing atomic.Bool
			var bothDecided sync.WaitGroup
			bothDecided.Add(2)
			landed := make(chan struct{})
			seen := map[string]bool{}
			var mu sync.Mutex
			log.OnAppend = func(d *event.Decision) (bool, error) {
				if !racing.Load() || d.Kind != event.KindTube || d.Step == "" {
					return true, nil
				}
				mu.Lock()
				again := seen[d.ID]
				seen[d.ID] = true
				mu.Unlock()
				if again {
					return true, nil
				}
				bothDecided.Done()
				bothDecided.Wait()
				if d.Step != first {
					<-landed
				}
				return true, nil
			}
			r := newRig(t, log, 2)
			r.record(0, scan("s-0", "collect", "T1"))
			r.readUp()
			racing.Store(true)
			answers := make([]intake.Answer, 2)
			var both sync.WaitGroup
			for i, step := range []string{"receive", "discard"} {
				both.Go(func() {
					answers[i] = r.record(i, scan("s-"+step, step, "T1"))
					if step == first {
						close(landed)
					}
				})
			}
			both.Wait()
			r.readUp()
			received, discarded := answers[0], answers[1]
			if discarded.Answer != event.AnswerRecorded || r.facts("L-T1", "Disposed") != 1 {
				t.Errorf("the discarding: %+v", discarded)
			}
			if first == "receive" {
				if received.Answer != event.AnswerRecorded || discarded.Seq <= received.Seq {
					t.Errorf("received first: %+v then %+v", received, discarded)
				}
				return
			}
			if received.Answer != event.AnswerRefused || received.Refusal != event.RefuseDisposed || received.Say == "" || received.At != noon {
				t.Errorf("the desk that came second was told %+v", received)
			}
			if n := r.facts("L-T1", "Received"); n != 0 {
				t.Errorf("%d receipts of a discarded tube", n)
			}
		})
	}
}

// The same race when both only report: nothing is refused, both are kept, and
// neither overwrites the other.
func TestTwoReportsAtOnceAreBothKept(t *testing.T) {
	r := newRig(t, memlog.New(), 2)
	var both sync.WaitGroup
	for i := range 40 {
		both.Go(func() {
			s := scan(fmt.Sprint("s-", i), "see", "T1")
			s.Mode, s.DeviceTime = event.Reported, noon.Add(-time.Duration(i)*time.Hour)
			for {
				// More than a desk's attempts may be needed; the sender sends again.
				if a := r.record(i%2, s); a.Answer == event.AnswerRecorded {
					return
				} else if a.Answer != event.AnswerNotSaved {
					t.Errorf("%+v", a)
					return
				}
			}
		})
	}
	both.Wait()
	r.readUp()
	if n := r.facts("L-T1", "Seen"); n != 40 {
		t.Errorf("%d of 40 scans are there", n)
	}
}

// EVT-S1, EVT-S2: the same id and content gets the first answer, through another
// process too; another content is told.
func TestARepeatGetsTheFirstAnswer(t *testing.T) {
	r := newRig(t, memlog.New(), 2)
	s := scan("s-1", "see", "T1")
	first := r.record(0, s)
	r.readUp()
	again := s
	again.Mode, again.HasClock, again.OffsetMs = event.Reported, true, 400 // what a queue changes when it sends again
	if a := r.record(1, again); a.Answer != event.AnswerRecorded || a.Seq != first.Seq {
		t.Errorf("the first answer was %+v, the repeat's %+v", first, a)
	}
	other := s
	other.Place = "LAB"
	if a := r.record(1, other); a.Answer != event.AnswerIDConflict || a.Say == "" || a.Seq != 0 {
		t.Errorf("another scan under the id: %+v", a)
	}
	if n := r.facts("L-T1", "Seen"); n != 1 {
		t.Errorf("%d steps", n)
	}
}

// A network that lies: the write landed, the answer did not come. The same id
// finds it.
func TestAWriteWhoseAnswerWasLostIsFoundAgain(t *testing.T) {
	log := memlog.New()
	var lies atomic.Int32
	lies.Store(1)
	log.OnAppend = func(*event.Decision) (bool, error) {
		if lies.Add(-1) == 0 {
			return true, eventlog.ErrUncertain
		}
		return true, nil
	}
	r := newRig(t, log, 1)
	if a := r.record(0, scan("s-1", "see", "T1")); a.Answer != event.AnswerNotSaved || a.Say == "" {
		t.Errorf("the uncertain write was answered %+v", a)
	}
	r.readUp()
	if a := r.record(0, scan("s-1", "see", "T1")); a.Answer != event.AnswerRecorded || a.Seq != 1 {
		t.Errorf("sent again: %+v", a)
	}
	if n := r.facts("L-T1", "Seen"); n != 1 {
		t.Errorf("%d steps", n)
	}
}

// A full store is said as such, and nothing is there.
func TestAFullStoreIsSaid(t *testing.T) {
	log := memlog.New()
	log.OnAppend = func(*event.Decision) (bool, error) { return false, eventlog.ErrFull }
	r := newRig(t, log, 1)
	if a := r.record(0, scan("s-1", "see", "T1")); a.Answer != event.AnswerNotSaved || !strings.Contains(a.Say, "full") {
		t.Errorf("%+v", a)
	}
	if _, err := r.desks[0].Write(t.Context(), intake.Entry{ID: "e-1", Target: custody.Target{Kind: event.KindPlace, Key: "L-LAB"},
		Facts: []event.Fact{event.PlaceDescribed{Name: "Laboratory"}}}); !errors.Is(err, eventlog.ErrFull) {
		t.Errorf("an entry of the directory: %v", err)
	}
	if a := r.record(0, scan("s-1", "see", "T1")); a.Answer != event.AnswerNotSaved {
		t.Errorf("the second attempt: %+v", a)
	}
}

// everyByte is what reached the log.
func everyByte(t *testing.T, log *memlog.Log) []byte {
	t.Helper()
	var out bytes.Buffer
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	end, err := log.End(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := log.Follow(ctx, eventlog.Position{}, &reader{t: t, out: &out, end: end, done: cancel}); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

type reader struct {
	t    *testing.T
	out  *bytes.Buffer
	end  eventlog.Position
	done func()
}

func (r *reader) Decision(rec *event.Record) {
	data, err := wire.Decision(&rec.Decision)
	if err != nil {
		r.t.Error(err)
	}
	r.out.Write(data)
	if rec.Seq >= r.end.Custody {
		r.done()
	}
}
func (r *reader) Run(uint64, *event.Run)   {}
func (r *reader) Broken(b eventlog.Broken) { r.t.Error(b.Err) }

// A message that can't be read does not end the writing about its tube, its device
// or its place: facts are not refused.
func TestATubeWithAPoisonMessageStillTakesScans(t *testing.T) {
	log := memlog.New()
	r := newRig(t, log, 1)
	r.record(0, scan("s-1", "see", "T1"))
	for _, subject := range []string{"tube.L-T1", "tube.L-T2", "place.L-LAB", "device.L-H-S-4"} {
		log.Raw("custody.MEM."+subject, []byte("no message of ours"))
	}
	r.readUp()
	for i, label := range []string{"T1", "T2", "T3"} {
		s := scan(fmt.Sprint("s-", 2+i), "see", label)
		s.HasClock, s.OffsetMs, s.DeviceTime = true, time.Hour.Milliseconds(), noon.Add(time.Hour)
		if a := r.record(0, s); a.Answer != event.AnswerRecorded {
			t.Errorf("%s: %+v", label, a)
		}
	}
	var offset int64
	r.views[0].World(func(w *custody.World) {
		if d, ok := w.Device("L-H-S-4"); ok {
			offset = d.OffsetMs
		}
	})
	if offset != time.Hour.Milliseconds() {
		t.Errorf("the device's offset is kept as %d ms", offset)
	}
	_, err := r.desks[0].Write(t.Context(), intake.Entry{ID: "e-1", Target: custody.Target{Kind: event.KindPlace, Key: "L-LAB"},
		Facts: []event.Fact{event.PlaceDescribed{Name: "Laboratory"}}})
	if err != nil {
		t.Errorf("an entry of the directory: %v", err)
	}
}

// No identity in the log: neither a patient's number nor what a person wrote stands
// there as it was said; two numbers alike give one reference.
func TestNoIdentityReachesTheLog(t *testing.T) {
	log := memlog.New()
	r := newRig(t, log, 1)
	collect := scan("s-1", "collect", "T1")
	collect.Patient, collect.Reason = "PATIENT-7001", "her sister said so"
	r.record(0, collect)
	note := scan("s-2", "note", "T2")
	note.Reason, note.Note = "leak", "the daughter wiped it up"
	r.record(0, note)
	stored := everyByte(t, log)
	for _, secret := range []string{"7001", "sister", "daughter"} {
		if bytes.Contains(stored, []byte(secret)) {
			t.Errorf("%q stands in the log", secret)
		}
	}
	if !bytes.Contains(stored, []byte("leak")) {
		t.Error("a word of the reason list is not kept as it is")
	}
	a, err := r.desks[0].Reference(t.Context(), " patient-7001 ")
	if err != nil {
		t.Fatal(err)
	}
	b, err := r.desks[0].Reference(t.Context(), "PATIENT-7001")
	if err != nil || a != b || a == "" {
		t.Errorf("references %q and %q, %v", a, b, err)
	}
	if c, _ := r.desks[0].Reference(t.Context(), "PATIENT-7002"); c == a {
		t.Error("two patients share a reference")
	}
}

// Two processes that meet a patient at the same time agree on one reference.
func TestTwoProcessesAgreeOnAPatient(t *testing.T) {
	r := newRig(t, memlog.New(), 2)
	got := make([]string, 20)
	var all sync.WaitGroup
	for i := range got {
		all.Go(func() { got[i], _ = r.desks[i%2].Reference(t.Context(), "P-1") })
	}
	all.Wait()
	for _, g := range got {
		if g == "" || g != got[0] {
			t.Fatalf("references %q", got)
		}
	}
}

// recorded never decreases within a process, whatever its clock does.
func TestRecordedNeverDecreases(t *testing.T) {
	r := newRig(t, memlog.New(), 1)
	for i, shift := range []time.Duration{0, time.Hour, -time.Hour, time.Minute} {
		r.now.Store(int64(noon.Add(shift)))
		s := scan(fmt.Sprint("s-", i), "see", fmt.Sprint("T", i))
		s.Mode = event.Reported
		r.record(0, s)
	}
	var last event.Instant
	for i := range 4 {
		history, err := r.log.History(t.Context(), event.KindTube, event.Key(fmt.Sprint("L-T", i)))
		if err != nil || len(history) == 0 {
			t.Fatal(err)
		}
		if at := history[0].Recorded; at < last {
			t.Errorf("scan %d was recorded at %s, the one before at %s", i, at, last)
		} else {
			last = at
		}
	}
}

// A measured offset moves the time; an unmeasured clock that runs ahead is held to
// ours; a late one is believed.
func TestTimesAreCorrected(t *testing.T) {
	for name, tc := range map[string]struct {
		device   time.Duration // device time against ours
		measured bool
		offset   time.Duration
		want     time.Duration // occurred against ours
	}{
		"measured five hours ahead": {5 * time.Hour, true, 5 * time.Hour, 0},
		"measured, sent late":       {4 * time.Hour, true, 5 * time.Hour, -time.Hour},
		"unmeasured and ahead":      {5 * time.Hour, false, 0, 0},
		"unmeasured and a bit":      {time.Minute, false, 0, time.Minute},
		"unmeasured and behind":     {-time.Hour, false, 0, -time.Hour},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, memlog.New(), 1)
			s := scan("s-1", "see", "T1")
			s.DeviceTime, s.HasClock, s.OffsetMs = noon.Add(tc.device), tc.measured, tc.offset.Milliseconds()
			r.record(0, s)
			history, err := r.log.History(t.Context(), event.KindTube, "L-T1")
			if err != nil || len(history) != 1 {
				t.Fatalf("%d records, %v", len(history), err)
			}
			if got := history[0].Occurred.Sub(noon); got != tc.want {
				t.Errorf("occurred %s after ours, want %s", got, tc.want)
			}
			if history[0].DeviceTime != s.DeviceTime {
				t.Error("what the device said is not kept")
			}
			device, err := r.log.History(t.Context(), event.KindDevice, "L-H-S-1")
			measured := 0
			for _, rec := range device {
				for _, f := range rec.Facts {
					if _, ok := f.(event.ClockMeasured); ok { // the leader may have raised a doubt beside it
						measured++
					}
				}
			}
			if wrong := tc.device > time.Hour; err != nil || (measured == 1) != wrong {
				t.Errorf("%d measurements of the device's clock, %v", measured, err)
			}
		})
	}
}

// Typed times: a local time of the place is read in its zone; what the clock change
// skipped or doubled is refused. Europe/Berlin changed on 29 March and 25 October
// 2026 (IANA time zone database).
func TestTypedTimesAreReadInTheZoneOfThePlace(t *testing.T) {
	r := newRig(t, memlog.New(), 1)
	if _, err := r.desks[0].Write(t.Context(), intake.Entry{ID: "e-1", Target: custody.Target{Kind: event.KindPlace, Key: "L-LAB"},
		Facts: []event.Fact{event.PlaceDescribed{Zone: "Europe/Berlin"}}}); err != nil {
		t.Fatal(err)
	}
	for i, tc := range []struct {
		typed, place string
		refusal      event.Refusal
		want         string
	}{
		{"2026-11-24 08:30", "LAB", "", "2026-11-24T07:30:00.000Z"},
		{"2026-07-24T08:30", "lab", "", "2026-07-24T06:30:00.000Z"},
		{"2026-11-24T08:30:00+05:00", "NOWHERE", "", "2026-11-24T03:30:00.000Z"},
		{"2026-03-29 02:30", "LAB", event.RefuseNoSuchTime, ""},
		{"2026-10-25 02:30", "LAB", event.RefuseAmbiguousTime, ""},
		{"2026-10-25T02:30+01:00", "LAB", "", "2026-10-25T01:30:00.000Z"},
		{"2026-11-24 08:30", "NOWHERE", event.RefuseNoOffset, ""},
	} {
		s := scan(fmt.Sprint("s-", i), "see", fmt.Sprint("T", i))
		s.TypedAt, s.Place = tc.typed, tc.place
		a := r.record(0, s)
		if a.Refusal != tc.refusal || tc.refusal != "" && a.Say == "" {
			t.Errorf("%s at %s: %+v", tc.typed, tc.place, a)
		}
		history, err := r.log.History(t.Context(), event.KindTube, event.Key(fmt.Sprint("L-T", i)))
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case tc.want == "" && len(history) != 0:
			t.Errorf("%s was stored though it is refused", tc.typed)
		case tc.want != "" && (len(history) != 1 || history[0].Typed.String() != tc.want):
			t.Errorf("%s is stored as %v, want %s", tc.typed, history, tc.want)
		}
	}
	s := scan("s-x", "see", "TX")
	s.TypedAt, s.Place = "half past eight", "LAB"
	var field *intake.FieldError
	if _, err := r.desks[0].Record(t.Context(), s); !errors.As(err, &field) || field.Field != "typedAt" {
		t.Errorf("%v", err)
	}
}

// An entry of the directory under one id twice is one entry; another content is told.
func TestAnEntryIsWrittenOnce(t *testing.T) {
	r := newRig(t, memlog.New(), 1)
	e := intake.Entry{ID: "e-1", Target: custody.Target{Kind: event.KindPlace, Key: "L-LAB"}, Facts: []event.Fact{event.PlaceDescribed{Name: "Laboratory"}}, By: "lena"}
	first, err := r.desks[0].Write(t.Context(), e)
	if err != nil {
		t.Fatal(err)
	}
	r.now.Add(int64(time.Hour / time.Millisecond))
	if seq, err := r.desks[0].Write(t.Context(), e); err != nil || seq != first {
		t.Errorf("the repeat got %d, %v; the first %d", seq, err, first)
	}
	e.Facts = []event.Fact{event.PlaceDescribed{Name: "Cellar"}}
	var field *intake.FieldError
	if _, err := r.desks[0].Write(t.Context(), e); !errors.As(err, &field) {
		t.Errorf("another entry under the id: %v", err)
	}
	if end, _ := r.log.End(t.Context()); end.Custody != 1 {
		t.Errorf("%d messages", end.Custody)
	}
}

// Readings sent twice are harmless; a run that can't be stored fails the call.
func TestReadingsAreStoredAndRepeatsAreHarmless(t *testing.T) {
	r := newRig(t, memlog.New(), 1)
	run := func() []event.Run {
		return []event.Run{{Logger: "L-LG-1", ID: "run-1", Readings: []event.Reading{{At: noon, C: 2100, OK: true}}}}
	}
	for want := uint64(1); want <= 2; want++ {
		if seq, err := r.desks[0].Readings(t.Context(), run()); err != nil || seq != want {
			t.Errorf("sequence %d, %v; want %d", seq, err, want)
		}
	}
	if _, err := r.desks[0].Readings(t.Context(), append(run(), event.Run{Logger: "no key"})); err == nil {
		t.Error("a run of no logger is stored")
	}
}
