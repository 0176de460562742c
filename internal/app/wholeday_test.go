package app_test

import (
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// How many tubes a whole day has, and at how many moments within it the log is compared
// with a judgement from scratch.
const (
	wholeDayTubes     = 2_000
	wholeDaySoakTubes = 50_000
	wholeDayLooks     = 12
)

// wholeDaySettings reads DAY_TUBES and DAY_SEED, for one day again.
func wholeDaySettings(t *testing.T) (tubes int, seed uint64) {
	t.Helper()
	tubes, seed = wholeDayTubes, uint64(time.Now().UnixNano()) //nolint:gosec // a seed
	if os.Getenv("SOAK") != "" {
		tubes = wholeDaySoakTubes
	}
	var err error
	if text := os.Getenv("DAY_TUBES"); text != "" {
		if tubes, err = strconv.Atoi(text); err != nil {
			t.Fatalf("DAY_TUBES: %v", err)
		}
	}
	if text := os.Getenv("DAY_SEED"); text != "" {
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatalf("DAY_SEED: %v", err)
		}
	}
	return tubes, seed
}

// Twenty-four hours of a laboratory group on a daemon that is killed three times and stopped once: loggers
// with outages, some read out hours late, phones that send hours later, out of order and
// twice. At the end, and at moments before it, what the daemon says of every tube is what
// the judge says who reads the whole log for the first time, in its order and in another;
// every scan that was taken stands in the log once; and the flags in the log, raised by
// whatever woke the daemon's judge, are those that this judge wants, each raised once.
func TestSoakADayWithKills(t *testing.T) {
	t.Parallel()
	tubes, seed := wholeDaySettings(t)
	t.Logf("seed %d; run it again with DAY_TUBES=%d DAY_SEED=%d", seed, tubes, seed)
	day := planDay(t, seed, tubes)
	dir := t.TempDir()
	d := apptest.NewDaemon(t, "--data", dir, "--clock", "steered", "--log", "error").Serving()
	began := time.Now()
	s := newSender(t, day, d)
	s.play(wholeDayLooks)
	played := time.Since(began)

	answers, flagged := askAll(t, day, d)
	d.Kill()
	entries := readEntries(t, dir)
	// Who starts on this log looks at every tube again, and has nothing to add.
	s.restart()
	s.clock(day.end())
	d.Kill()
	if more := readEntries(t, dir); len(more) != len(entries) {
		for _, e := range more[len(entries):] {
			t.Errorf("seed %d: a start adds to the log: %s", seed, e.String())
		}
	}
	asked := time.Since(began)

	c := newComparison(day, entries)
	c.sent(t, s)
	c.counted(t, flagged, s)
	c.whole(t, answers, c.flags(t, s.looks))
	t.Logf("%d tubes, %d scans, %d readings, %d entries, %d flags raised; %d phones offline, %d loggers read late, %d outages, %d loggers moved, %d steps voided, %d tubes forgotten; %d calls sent again",
		len(day.tubes), len(s.answered), s.readings, len(entries), c.raised, day.offline, day.late, day.outages, day.moved, day.voided, day.forgotten, s.again.Load())
	t.Logf("played in %s, asked and started again in %s, compared in %s", played.Round(time.Second), (asked - played).Round(time.Second), (time.Since(began) - asked).Round(time.Second))
}

// askAll asks for every tube, and for the tubes with a flag.
func askAll(t *testing.T, day *wholeDay, d *apptest.Daemon) (answers map[string]*custodyv1.Tube, flagged []string) {
	t.Helper()
	answers = make(map[string]*custodyv1.Tube, len(day.tubes))
	ids := make(chan string)
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for id := range ids {
				tube, err := custodyv1.NewTubesClient(d.Conn).GetTube(t.Context(), &custodyv1.GetTubeRequest{Id: id})
				if err != nil {
					t.Errorf("tube %s: %v", id, err)
					continue
				}
				mu.Lock()
				answers[id] = tube
				mu.Unlock()
			}
		})
	}
	for _, id := range day.tubes {
		ids <- id
	}
	close(ids)
	wg.Wait()
	list, err := stabilityv1.NewFlagsClient(d.Conn).ListFlags(t.Context(), &stabilityv1.ListFlagsRequest{}, grpc.MaxCallRecvMsgSize(64<<20)) // 9 MB were seen of 50,000 tubes
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list.GetFlags() {
		flagged = append(flagged, f.GetTube())
	}
	return answers, flagged
}

// readEntries reads the store of a daemon that is gone: decisions in their order, then runs.
func readEntries(t *testing.T, dir string) []logEntry {
	t.Helper()
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	tape := logtest.Whole(t, log)
	records, runs := tape.Records(), tape.Runs()
	entries := make([]logEntry, 0, len(records)+len(runs))
	for i := range records {
		entries = append(entries, logEntry{record: &records[i]})
	}
	for i := range runs {
		entries = append(entries, logEntry{run: &runs[i], seq: uint64(i + 1)}) //nolint:gosec // an index
	}
	return entries
}
