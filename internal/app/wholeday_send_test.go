package app_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability/library"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// wayIn is the way from the senders of a day to the daemon: what gets no answer is sent
// again, word for word, once the daemon is back.
type wayIn struct {
	d *apptest.Daemon
	// up is read by whoever is about to call, and written while the daemon is down.
	up    sync.RWMutex
	again atomic.Int64 // calls that were sent again
	// armed is after how many calls of the next tick the daemon is killed, 0 for no kill.
	// strike counts them down; at 0 struck is closed.
	armed  int64
	strike atomic.Int64
	struck chan struct{}
}

// tries bounds how often one call is sent; more means that the daemon doesn't come back.
const tries = 50

// Invoke implements grpc.ClientConnInterface.
func (w *wayIn) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	ctx = context.WithoutCancel(ctx) // a bench gives a call less time than a start on a long log takes
	var err error
	for try := range tries {
		w.up.RLock()
		conn := w.d.Conn
		w.up.RUnlock()
		if try > 0 {
			w.again.Add(1)
		}
		if w.strike.Load() > 0 && w.strike.Add(-1) == 0 {
			close(w.struck)
		}
		one, cancel := context.WithTimeout(ctx, settledWithin)
		err = conn.Invoke(one, method, args, reply, opts...)
		cancel()
		if code := status.Code(err); code != codes.Unavailable && code != codes.ResourceExhausted {
			return err
		}
		time.Sleep(20 * time.Millisecond)
	}
	return fmt.Errorf("sent %d times in vain: %w", tries, err)
}

// NewStream implements grpc.ClientConnInterface; a day has no streams.
func (w *wayIn) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, errors.New("a day sends no streams")
}

// settledWithin is how long one call may take: judging all tubes of a long day after a
// restart is the longest.
const settledWithin = 10 * time.Minute

// sender plays a whole day on a daemon.
type sender struct {
	*wayIn
	t        *testing.T
	day      *wholeDay
	bench    *rehearse.Bench
	scans    custodyv1.ScansClient
	random   *rand.Rand
	now      event.Instant
	kills    []int           // at which scans of the plan the daemon is killed
	stop     int             // behind which it is stopped as an operator does, and started again
	looks    []event.Instant // at which the log is compared, once all is judged
	answered map[string]event.Answer
	readings int

	mu sync.Mutex // guards answered
}

// daysKills is how often the daemon is killed in a day. Between the first and the second
// it is stopped once, so that the later ones start from what a clean stop left.
const daysKills = 3

// perCall is how many scans of one site go in one call.
const perCall = 40

// tick is how far the clock goes at once: what happened in between is told behind it.
const tick = event.Instant(2 * time.Minute / time.Millisecond)

func newSender(t *testing.T, day *wholeDay, d *apptest.Daemon) *sender {
	s := &sender{
		wayIn: &wayIn{d: d}, t: t, day: day, random: rand.New(rand.NewPCG(day.seed, 1)), //nolint:gosec // moments, no secret
		answered: map[string]event.Answer{},
	}
	s.bench, s.scans = rehearse.New(s.wayIn, rehearse.WithContext(t.Context())), custodyv1.NewScansClient(s.wayIn)
	scans := 0
	for _, one := range day.told {
		scans += len(one.scans)
	}
	for i := range daysKills { // one in the middle of each third of the day's scans
		s.kills = append(s.kills, scans*i/daysKills+scans/daysKills/10+s.random.IntN(1+scans/daysKills*8/10))
	}
	s.stop = s.kills[0] + s.random.IntN(s.kills[1]-s.kills[0]+1)
	return s
}

// play tells the whole day, tick by tick, and leaves the clock at its end.
func (s *sender) play(looks int) {
	_, rules, err := library.Starter()
	if err != nil {
		s.t.Fatal(err)
	}
	s.clock(s.day.begin)
	if err := s.bench.Adopt("rules", rules, s.day.begin-365*dayLong, false, ""); err != nil {
		s.t.Fatal(err)
	}
	look := map[event.Instant]bool{}
	for range looks { // from six o'clock on
		look[s.day.begin+dayLong/4+event.Instant(s.random.Int64N(int64(dayLong/4*3/tick)))*tick] = true
	}
	scans := 0
	for rest := s.day.told; len(rest) > 0; {
		now := (rest[0].at/tick + 1) * tick
		n := slices.IndexFunc(rest, func(one heard) bool { return one.at >= now })
		if n < 0 {
			n = len(rest)
		}
		s.clock(max(now, s.now))
		before := scans
		for _, one := range rest[:n] {
			scans += len(one.scans)
		}
		killed := s.killer(scans, scans-before)
		s.tell(rest[:n])
		killed()
		rest = rest[n:]
		if before < s.stop && s.stop <= scans {
			s.d.Stop()
			s.restart()
		}
		if look[now] && now == s.now {
			s.clock(now) // which waits until all is judged
			s.looks = append(s.looks, now)
		}
	}
	s.clock(s.day.end())
	s.looks = append(s.looks, s.day.end())
}

// clock moves the daemon's clock and returns when all that follows is in the log.
func (s *sender) clock(to event.Instant) {
	if err := s.bench.Clock(to); err != nil {
		s.t.Fatalf("set the clock to %s: %v", to, err)
	}
	s.now = to
}

// killer kills the daemon in the middle of a tick's calls if a kill is due among its n
// scans, of which the last is the given one. The clock goes on while it is down. Who
// calls waits by what it returns until the daemon is back.
func (s *sender) killer(last, n int) func() {
	if len(s.kills) == 0 || n == 0 || last <= s.kills[0] {
		return func() {}
	}
	s.kills = s.kills[1:]
	s.struck = make(chan struct{})
	s.armed = int64(1 + s.random.IntN(4))
	wait := time.Duration(s.random.IntN(2000)) * time.Microsecond
	down := event.Instant(1+s.random.IntN(12)) * tick
	done := make(chan struct{})
	go func() {
		defer close(done)
		<-s.struck
		time.Sleep(wait)
		s.up.Lock()
		defer s.up.Unlock()
		s.d.Kill()
		s.restart()
		s.now += down
		if _, err := custodyv1.NewScansClient(s.d.Conn).SetClock(s.t.Context(), &custodyv1.SetClockRequest{Now: s.now.String()}, grpc.WaitForReady(true)); err != nil {
			s.t.Errorf("set the clock after a kill: %v", err)
		}
	}()
	return func() {
		if s.strike.Swap(0) > 0 {
			close(s.struck) // fewer calls than were waited for
		}
		<-done
	}
}

// restart starts the daemon again, and returns once it can be called.
func (s *sender) restart() {
	s.d.Start()
	s.d.Serving().Conn.ResetConnectBackoff()
}

// tell sends what is told in one tick: first what is declared, then all senders side by side.
func (s *sender) tell(all []heard) {
	var runs []*custodyv1.Readings
	var calls [][]*custodyv1.Scan
	site := map[string]int{}
	now := s.now // a kill moves it on
	for i := range all {
		one := &all[i]
		switch {
		case one.declared != nil:
			if err := s.bench.Declare(one.declared); err != nil {
				s.t.Fatalf("declare %+v: %v", one.declared, err)
			}
		case one.run != nil:
			runs = append(runs, one.run)
			s.readings += len(one.run.GetReadings())
		case len(one.scans) == 1 && one.scans[0].GetStep() != "void":
			n, known := site[one.scans[0].GetDevice()]
			if !known || len(calls[n]) >= perCall {
				n = len(calls)
				calls, site[one.scans[0].GetDevice()] = append(calls, nil), n
			}
			calls[n] = append(calls[n], one.scans[0])
		default:
			calls = append(calls, one.scans)
		}
		if now >= one.at+2*tick { // the daemon was down: who waited for it reports
			for _, scan := range one.scans {
				scan.Mode = string(event.Reported)
			}
		}
	}
	s.strike.Store(s.armed)
	s.armed = 0
	var wg sync.WaitGroup
	for part := range slices.Chunk(runs, 500) {
		wg.Go(func() {
			if _, err := s.scans.RecordReadings(s.t.Context(), &custodyv1.RecordReadingsRequest{Runs: part}); err != nil {
				s.t.Errorf("readings: %v", err)
			}
		})
	}
	for _, scans := range calls {
		wg.Go(func() { s.record(scans) })
	}
	wg.Wait()
	if s.t.Failed() {
		s.t.FailNow()
	}
}

// record sends scans until each has an answer.
func (s *sender) record(scans []*custodyv1.Scan) {
	for range tries {
		resp, err := s.scans.RecordScans(s.t.Context(), &custodyv1.RecordScansRequest{Scans: scans})
		if status.Code(err) == codes.InvalidArgument && scans[0].GetStep() == "void" {
			s.answer(scans[0].GetId(), event.AnswerRefused) // what it takes back was refused
			return
		}
		if err != nil {
			s.t.Errorf("%d scans from %s on: %v", len(scans), scans[0].GetId(), err)
			return
		}
		var rest []*custodyv1.Scan
		for i, a := range resp.GetAnswers() {
			switch answer := event.Answer(a.GetAnswer()); answer {
			case event.AnswerNotSaved:
				rest = append(rest, scans[i])
			case event.AnswerIDConflict:
				s.t.Errorf("scan %s: answered %s (%s)", a.GetId(), answer, a.GetSay())
			default:
				s.answer(a.GetId(), answer)
			}
		}
		if scans = rest; len(scans) == 0 {
			return
		}
	}
	s.t.Errorf("scan %s: %d times not saved", scans[0].GetId(), tries)
}

// answer keeps what was answered to a scan. Sent twice it may be recorded and then repeated.
func (s *sender) answer(id string, answer event.Answer) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.answered[id] != event.AnswerRecorded {
		s.answered[id] = answer
	}
}
