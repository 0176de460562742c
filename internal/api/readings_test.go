package api_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/thermal"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

type readingsStream = grpc.BidiStreamingClient[custodyv1.StreamReadingsRequest, custodyv1.StreamReadingsResponse]

// overNetwork speaks to the daemon's listener, as a gateway of loggers does.
func (d *daemon) overNetwork() custodyv1.ScansClient {
	d.t.Helper()
	conn, err := grpc.NewClient(strings.TrimPrefix(d.url, "http://"), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { _ = conn.Close() })
	return custodyv1.NewScansClient(conn)
}

func (d *daemon) stream(c custodyv1.ScansClient) readingsStream {
	d.t.Helper()
	s, err := c.StreamReadings(d.t.Context())
	if err != nil {
		d.t.Fatal(err)
	}
	return s
}

// batchOf is one run of values a minute apart; "" is no reading.
func batchOf(name, logger string, first int, values ...string) *custodyv1.StreamReadingsRequest {
	run := &custodyv1.Readings{Logger: logger, Id: name}
	for i, v := range values {
		r := &custodyv1.Reading{At: noon.Add(time.Duration(first+i) * time.Minute).Format(time.RFC3339)}
		if v != "" {
			r.Celsius = &v
		}
		run.Readings = append(run.Readings, r)
	}
	return &custodyv1.StreamReadingsRequest{Batch: name, Runs: []*custodyv1.Readings{run}}
}

func mustSend(t *testing.T, s readingsStream, batches ...*custodyv1.StreamReadingsRequest) {
	t.Helper()
	for _, b := range batches {
		if err := s.Send(b); err != nil {
			t.Fatal(err)
		}
	}
}

func TestEachBatchOfAStreamIsAnswered(t *testing.T) {
	log := memlog.New()
	d := start(t, log)
	s := d.stream(d.overNetwork())
	mustSend(t, s, batchOf("b-1", "LG-1", 0, "4.1", "", "85"), batchOf("b-2", "LG-2", 0, "4.2"), batchOf("b-3", "LG-1", 3, "4.3", "4.4"))
	if err := s.CloseSend(); err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for range 3 {
		a, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		got[a.GetBatch()] = fmt.Sprint(a.GetStored(), " stored, ", a.GetFaults(), " faults")
		runs := logtest.Whole(t, log).Runs()
		if seq := a.GetSequence(); seq == 0 || seq > uint64(len(runs)) || runs[seq-1].ID != a.GetBatch() {
			t.Errorf("%s is said to stand at %d of %d", a.GetBatch(), seq, len(runs))
		}
	}
	if _, err := s.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("behind the last answer: %v", err)
	}
	for name, want := range map[string]string{"b-1": "3 stored, 2 faults", "b-2": "1 stored, 0 faults", "b-3": "2 stored, 0 faults"} {
		if got[name] != want {
			t.Errorf("%s: %q, want %q", name, got[name], want)
		}
	}
}

// batchNamed is the batch that an error speaks of.
func batchNamed(err error) string {
	for _, d := range status.Convert(err).Details() {
		if r, ok := d.(*errdetails.ResourceInfo); ok && r.GetResourceType() == "batch" {
			return r.GetResourceName()
		}
	}
	return ""
}

// What came before a wrong batch is stored and answered; then the stream ends with the
// batch and the field.
func TestAWrongBatchEndsItsStream(t *testing.T) {
	log := memlog.New()
	d := start(t, log)
	s := d.stream(d.overNetwork())
	mustSend(t, s, batchOf("b-1", "LG-1", 0, "4.1"), batchOf("b-2", "LG-1", 1, "4.1", "4,2"), batchOf("b-3", "LG-1", 2, "4.3"))
	a, err := s.Recv()
	if err != nil || a.GetBatch() != "b-1" {
		t.Fatalf("%v, %v", a, err)
	}
	_, err = s.Recv()
	if status.Code(err) != codes.InvalidArgument || batchNamed(err) != "b-2" || !strings.HasPrefix(status.Convert(err).Message(), "batch b-2: ") {
		t.Errorf("the wrong batch: %v", err)
	}
	mustName(t, "stream", "runs[0].readings[1].celsius", violationsOf(err))
	if runs := logtest.Whole(t, log).Runs(); len(runs) != 1 || runs[0].ID != "b-1" {
		t.Errorf("the log holds %+v", runs)
	}
}

// The log's troubles have the codes that a single call gives.
func TestAStreamSaysWhatTheLogCant(t *testing.T) {
	for _, trouble := range []error{eventlog.ErrFull, eventlog.ErrUncertain, eventlog.ErrUnsafe} {
		log := memlog.New()
		log.OnRuns = func(_ context.Context, runs []*event.Run) (int, int, error) {
			if runs[0].ID == "b-2" {
				return 0, 0, trouble
			}
			return len(runs), len(runs), nil
		}
		d := start(t, log)
		c := d.overNetwork()
		b := batchOf("b-2", "LG-1", 1, "4.2")
		_, single := c.RecordReadings(t.Context(), &custodyv1.RecordReadingsRequest{Runs: b.GetRuns()})
		s := d.stream(c)
		mustSend(t, s, batchOf("b-1", "LG-1", 0, "4.1"))
		if a, err := s.Recv(); err != nil || a.GetBatch() != "b-1" {
			t.Fatalf("%v, %v", a, err)
		}
		mustSend(t, s, b)
		_, err := s.Recv()
		if status.Code(single) != codes.Unavailable || status.Code(err) != codes.Unavailable || batchNamed(err) != "b-2" ||
			status.Convert(err).Message() != "batch b-2: "+status.Convert(single).Message() {
			t.Errorf("%v: the stream says %v, a call %v", trouble, err, single)
		}
	}
}

// A log that has stopped, and senders that have not: what is in flight stays within the
// bounds, what is beyond them stays with the senders, a call is told to come again with
// nothing of it stored, and in the end every batch is there once.
func TestASlowLogHoldsTheSendersBack(t *testing.T) {
	const senders, batches, values = 4, 120, 2000
	log := memlog.New()
	goOn := make(chan struct{})
	var inLog, most, arrived atomic.Int64
	log.OnRuns = func(_ context.Context, runs []*event.Run) (int, int, error) {
		arrived.Add(1)
		for now := inLog.Add(1); ; {
			was := most.Load()
			if now <= was || most.CompareAndSwap(was, now) {
				break
			}
		}
		<-goOn
		inLog.Add(-1)
		return len(runs), len(runs), nil
	}
	d := start(t, log)
	row := make([]string, values)
	for i := range row {
		row[i] = fmt.Sprintf("%d.%02d", 2+i%6, i%100)
	}
	var sent atomic.Int64
	var all sync.WaitGroup
	for n := range senders {
		s := d.stream(d.overNetwork())
		all.Go(func() {
			for i := range batches {
				if err := s.Send(batchOf(fmt.Sprintf("b-%d", i), fmt.Sprint("LG-", n), i*values, row...)); err != nil {
					t.Error(err)
					return
				}
				sent.Add(1)
			}
			if err := s.CloseSend(); err != nil {
				t.Error(err)
			}
		})
		all.Go(func() {
			for range batches {
				if _, err := s.Recv(); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	// Until nothing moves any more: the senders are held back, or, were that lost, through.
	for still, before := 0, int64(-1); still < 20; {
		time.Sleep(20 * time.Millisecond)
		if now := sent.Load() + arrived.Load(); now != before {
			before, still = now, 0
		} else {
			still++
		}
	}
	if n := arrived.Load(); n != senders*intake.LineBatches {
		t.Errorf("%d batches are in the log and %d fit", n, senders*intake.LineBatches)
	}
	size := int64(proto.Size(batchOf("b-0", "LG-0", 0, row...)))
	// Beside what is in the log: one read ahead in each stream, and what two windows of
	// flow control and the buffers of a connection hold.
	if most := senders * (intake.LineBatches + 2 + 1<<20/size); sent.Load() > most {
		t.Errorf("%d of %d batches of %d bytes were taken from the senders, and at most %d should be", sent.Load(), senders*batches, size, most)
	}
	// A call is not held up by streams: it has room of its own. That filled, it is refused.
	whole := &custodyv1.RecordReadingsRequest{}
	for i := range intake.MostValues / 10_000 {
		whole.Runs = append(whole.Runs, batchOf("w", fmt.Sprint("WHOLE-", i), 0, make([]string, 10_000)...).GetRuns()...)
	}
	before := arrived.Load()
	all.Go(func() {
		if _, err := custodyv1.NewScansClient(d.conn).RecordReadings(t.Context(), whole); err != nil {
			t.Error(err)
		}
	})
	for arrived.Load() == before {
		time.Sleep(time.Millisecond)
	}
	body, err := protojson.Marshal(&custodyv1.RecordReadingsRequest{Runs: batchOf("late", "LATE", 0, "4.1").GetRuns()})
	if err != nil {
		t.Fatal(err)
	}
	a := d.rest(http.MethodPost, "/v1/readings", string(body))
	if a.code != http.StatusTooManyRequests || a.header.Get("Retry-After") == "" || !strings.Contains(string(a.body), "nothing of these was stored; send all of it again") {
		t.Errorf("beyond the bound: %d %v %s", a.code, a.header, a.body)
	}
	close(goOn)
	all.Wait()
	if n := most.Load(); n > senders*intake.LineBatches+1 {
		t.Errorf("%d batches were in the log at once", n)
	}
	var stored int
	for _, r := range logtest.Whole(t, log).Runs() {
		if stored += len(r.Readings); r.Logger == "L-LATE" {
			t.Error("what was refused is stored")
		}
	}
	if want := senders*batches*values + intake.MostValues; stored != want {
		t.Errorf("%d values are stored and %d were answered", stored, want)
	}
	if a := d.rest(http.MethodPost, "/v1/readings", string(body)); a.code != http.StatusOK {
		t.Errorf("sent again: %d %s", a.code, a.body)
	}
}

// Whatever the log does and wherever the connection breaks: what was answered is
// stored, and sending the rest again until all is answered leaves each reading once.
func TestWhatIsAnsweredIsStoredAndTheRestIsSentAgain(t *testing.T) {
	seed := uint64(time.Now().UnixNano()) //nolint:gosec // a seed
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0)) //nolint:gosec // moments, not secrets
	var mu sync.Mutex
	dice := func(n int) int {
		mu.Lock()
		defer mu.Unlock()
		return random.IntN(n)
	}
	log := memlog.New()
	var wild atomic.Bool
	wild.Store(true)
	log.OnRuns = func(_ context.Context, runs []*event.Run) (int, int, error) {
		if n := len(runs); wild.Load() {
			switch dice(6) {
			case 0:
				return dice(n + 1), 0, eventlog.ErrUncertain // the answer was lost
			case 1:
				part := dice(n)
				return part, part, eventlog.ErrFull // the store got full in the middle
			case 2:
				return 0, 0, eventlog.ErrFull
			}
		}
		return len(runs), len(runs), nil
	}
	d := start(t, log)
	const gateways, batches, runsEach = 3, 40, 4
	want := make([]map[event.Instant]event.CentiC, gateways*runsEach)
	var all sync.WaitGroup
	for g := range gateways {
		var open []*custodyv1.StreamReadingsRequest
		for b := range batches {
			req := &custodyv1.StreamReadingsRequest{Batch: fmt.Sprintf("g%d-%d", g, b)}
			for r := range runsEach {
				logger := g*runsEach + r
				if want[logger] == nil {
					want[logger] = map[event.Instant]event.CentiC{}
				}
				var values []string
				for i := range 1 + dice(5) {
					c := 200 + dice(600)
					values = append(values, fmt.Sprintf("%d.%02d", c/100, c%100))
					want[logger][event.At(noon.Add(time.Duration(b*10+i)*time.Minute))] = event.CentiC(c) //nolint:gosec // a few hundred
				}
				req.Runs = append(req.Runs, batchOf(req.Batch, fmt.Sprint("LG-", logger), b*10, values...).GetRuns()...)
			}
			open = append(open, req)
		}
		all.Go(func() {
			for tries := 0; len(open) > 0 && t.Context().Err() == nil; tries++ {
				if tries == 60 {
					wild.Store(false)
				}
				cut := dice(2 * len(open)) // the connection breaks behind so many answers, or not
				answered := d.sendOnce(open, cut)
				runs := logtest.Whole(t, log).Runs()
				for _, name := range answered {
					i := slices.IndexFunc(open, func(b *custodyv1.StreamReadingsRequest) bool { return b.GetBatch() == name })
					if i < 0 {
						t.Errorf("%s was answered twice, or never sent", name)
						return
					}
					for _, r := range open[i].GetRuns() {
						if !slices.ContainsFunc(runs, func(s event.Run) bool { return s.ID == name && s.Logger.Label() == r.GetLogger() }) {
							t.Errorf("%s was answered, and its run of %s is not in the log", name, r.GetLogger())
						}
					}
					open = slices.Delete(open, i, i+1)
				}
				mu.Lock()
				random.Shuffle(len(open), func(i, j int) { open[i], open[j] = open[j], open[i] }) // order doesn't matter
				mu.Unlock()
			}
		})
	}
	all.Wait()
	series := map[string]*thermal.Series{}
	for _, r := range logtest.Whole(t, log).Runs() {
		s := series[r.Logger.Label()]
		if s == nil {
			s = &thermal.Series{}
			series[r.Logger.Label()] = s
		}
		s.Add(r.Readings...)
	}
	for logger, values := range want {
		got := map[event.Instant]event.CentiC{}
		n := 0
		for v := range series[fmt.Sprint("LG-", logger)].All {
			got[v.At] = v.C
			n++
		}
		if n != len(values) || len(got) != len(values) {
			t.Errorf("LG-%d has %d readings and was sent %d", logger, n, len(values))
		}
		for at, c := range values {
			if got[at] != c {
				t.Errorf("LG-%d at %s: %d, sent was %d", logger, at, got[at], c)
			}
		}
	}
}

// sendOnce sends batches over one stream, breaks it off behind so many answers, and
// gives the names of those that were answered.
func (d *daemon) sendOnce(batches []*custodyv1.StreamReadingsRequest, cut int) (answered []string) {
	ctx, cancel := context.WithCancel(d.t.Context())
	defer cancel()
	conn, err := grpc.NewClient(strings.TrimPrefix(d.url, "http://"), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		d.t.Error(err)
		return nil
	}
	defer func() { _ = conn.Close() }()
	s, err := custodyv1.NewScansClient(conn).StreamReadings(ctx)
	if err != nil {
		d.t.Error(err)
		return nil
	}
	sending := slices.Clone(batches)
	go func() {
		for _, b := range sending {
			if s.Send(b) != nil {
				return // Recv says why
			}
		}
		_ = s.CloseSend()
	}()
	for len(answered) < cut {
		a, err := s.Recv()
		if err != nil {
			return answered
		}
		answered = append(answered, a.GetBatch())
	}
	return answered
}
