package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/snapshot"
)

// started is how a start went.
type started struct {
	log, model   time.Duration     // opening the log; the model after it
	spent        time.Duration     // processor time of the model's reading
	touched      int64             // pages of memory that it touched for the first time
	read         uint64            // messages that the log holds
	before, with float64           // live heap before anything was opened, and with the open log
	began        eventlog.Position // the snapshot's; zero: the whole log was read
}

// modelFolder is where the model keeps its snapshots.
func (c *countryRun) modelFolder() string { return filepath.Join(c.dir, "model") }

// open starts the real daemon on the country's log, which reads its snapshot while it opens
// the log, as custodyd does, or has none.
func (c *countryRun) open(ctx context.Context, fromSnapshot bool) (p *product, st started, err error) {
	c.steer()
	p = &product{}
	defer func() {
		if err != nil {
			p.close()
		}
	}()
	st.before = alive()
	folder, err := snapshot.Open(c.modelFolder(), nil)
	if err != nil {
		return p, st, err
	}
	parts := app.Parts{
		Clock: api.Clock{Now: clock}, Secret: []byte("this day has nobody's number"), Ring: identity.MemoryRing(clock, rand.Reader), Logger: quiet(),
		Keep: &live.Keep{Folder: folder, Log: "country"},
	}
	begun := time.Now()
	if fromSnapshot {
		if err := parts.ReadAhead(); err != nil {
			return p, st, err
		}
	}
	if p.log, err = openCountry(ctx, c.dir, 0); err != nil {
		return p, st, err
	}
	st.log = time.Since(begun)
	if !fromSnapshot {
		st.with = alive()
	}
	parts.Log = p.log
	end, err := p.log.End(ctx)
	if err != nil {
		return p, st, err
	}
	st.read = end.Custody + end.Readings
	begun, st.spent, st.touched = time.Now(), processor(), firstTouches()
	if p.app, err = app.Start(ctx, parts); err != nil {
		return p, st, err
	}
	st.model, st.spent, st.touched = time.Since(begun), processor()-st.spent, firstTouches()-st.touched
	p.model = p.app.Model()
	st.began = p.model.Began()
	p.desk = intake.New(p.log, p.model, clock, p.app.Identity(), quiet())
	return p, st, nil
}

// settle waits until every tube is judged, those at rest too, what the judge says stands in
// the log, and what may rest does.
func (c *countryRun) settle(ctx context.Context, p *product) error {
	begun, told := time.Now(), time.Now()
	done := make(chan error, 1)
	go func() {
		err := p.model.Settled(ctx, p.model.At())
		for e := p.model.Effort(); err == nil; { // what is over goes to rest while nothing else happens
			time.Sleep(2 * time.Second)
			err = p.model.Settled(ctx, p.model.At())
			now := p.model.Effort()
			if e == now && now.Late == 0 {
				break
			}
			e = now
		}
		done <- err
	}()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case err := <-done:
			c.s.tell("country: every tube judged after %s", time.Since(begun).Round(10*time.Millisecond))
			return err
		case <-tick.C:
			if time.Since(told) > 10*time.Second {
				told = time.Now()
				e := p.model.Effort()
				c.s.tell("country: judging, %d judgements of %d tubes so far, %d at rest, %d to come, %d decisions in the log", e.Judgings, e.Tubes, e.Resting, e.Late, p.model.At().Custody)
			}
		}
	}
}

// measure measures one stage: the raw read, a start that reads the whole log, what is
// alive then, and starts with and without the store's index.
func (c *countryRun) measure(ctx context.Context) error {
	if c.s.country.again {
		return c.starts(ctx)
	}
	// What the judge has to say of a day is part of every log but a new one.
	if err := c.judgeOnce(ctx); err != nil {
		return err
	}
	raw, err := c.rawRead(ctx)
	if err != nil {
		return err
	}
	if err := c.decodedRead(ctx, raw); err != nil {
		return err
	}
	if err := c.whole(ctx, raw); err != nil {
		return err
	}
	if c.s.country.program == "" {
		return c.starts(ctx)
	}
	return c.startsElsewhere(ctx)
}

// startsElsewhere has the starts from the snapshot measured by a process of their own: a
// start is the first thing a process does, not what it does with a heap that held all awake.
func (c *countryRun) startsElsewhere(ctx context.Context) error {
	dir, err := os.MkdirTemp("", "custody-country-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	debug.FreeOSMemory()
	out := filepath.Join(dir, "rows.json")
	cmd := exec.CommandContext(ctx, c.s.country.program, "-only", "country", "-again", "-load", "0s", "-tubes", strconv.Itoa(c.k.Tubes), //nolint:gosec // this program
		"-dir", c.dir, "-until", c.hour.String(), "-out", out, fmt.Sprintf("-profiles=%t", c.s.country.profiles))
	cmd.Stderr = os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("starts from the snapshot: %w", err)
	}
	data, err := os.ReadFile(out)
	if err != nil {
		return err
	}
	var got table
	if err := json.Unmarshal(data, &got); err != nil {
		return err
	}
	c.t.Rows = append(c.t.Rows, got.Rows...)
	k, err := readKept(c.dir)
	if err == nil {
		*c.k = k
	}
	return err
}

func (c *countryRun) judgeOnce(ctx context.Context) (err error) {
	if c.k.Judged >= c.k.Until {
		return nil
	}
	c.s.tell("country: the judge has its first say on %s", c.stage)
	p, _, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer func() { p.close(); err = firstOf(err, c.keepTime()) }()
	if err := c.settle(ctx, p); err != nil {
		return err
	}
	c.k.Judged = c.k.Until
	return nil
}

// whole is a start without snapshot and with the store's index.
func (c *countryRun) whole(ctx context.Context, raw pace) (err error) {
	if err := os.RemoveAll(c.modelFolder()); err != nil {
		return err
	}
	c.touch("by replay", replayTouches)
	end, err := c.profile("start-cpu")
	if err != nil {
		return err
	}
	p, st, err := c.open(ctx, false)
	end()
	if err != nil {
		return err
	}
	defer func() { p.close(); err = firstOf(err, c.keepTime()) }()
	if st.began != (eventlog.Position{}) {
		return errors.New("the model began from a snapshot although they were removed")
	}
	got := pace{perSecond: float64(st.read) / st.model.Seconds(), spent: float64(st.spent.Nanoseconds()) / float64(st.read)}
	c.t.add(row{Part: "country", What: "start by replay, " + c.stage, PerSec: got.perSecond, Missed: got.perSecond < rereadTarget*raw.perSecond,
		Said: fmt.Sprintf("%s (want %.1f); %s to open the log, %s to read it with %.1f million first touches of a page", got.beside(raw), rereadTarget, brief(st.log), brief(st.model), float64(st.touched)/1e6)})
	c.s.tell("country: start by replay: %.0f a second, %s", got.perSecond, got.beside(raw))
	c.heap("live heap once the log is read, "+c.stage, p, st)
	if err := c.heapProfile("heap-read"); err != nil {
		return err
	}
	if err := c.settle(ctx, p); err != nil {
		return err
	}
	c.heap("live heap once all is judged, "+c.stage, p, st)
	if err := c.heapProfile("heap"); err != nil {
		return err
	}
	// A clean stop has only seconds for it; here it is to be there whatever it takes.
	begun := time.Now()
	if err := p.model.Save(ctx); err != nil {
		return err
	}
	c.t.add(row{Part: "country", What: "snapshot written, " + c.stage, P50: float64(time.Since(begun).Microseconds()), Said: sizeOf(c.modelFolder())})
	return nil
}

// About as much memory as a start takes for a tube of the log, rubbish included.
const (
	replayTouches   = 12 << 10
	snapshotTouches = 5 << 10
)

// touch has the machine give this process the memory that a start will take. A host that
// lends memory to many machines hands it out page by page when it is touched for the first
// time, at 15 us a page where this was written, and takes it back when it is free: that says
// nothing of what is measured here, and raw reading takes no memory.
func (c *countryRun) touch(start string, perTube int64) {
	begun := time.Now()
	size := min(int64(c.k.Asked)*perTube, memoryOfMachine()/2)
	var parts [][]byte
	for ; size > 0; size -= 1 << 26 {
		part := make([]byte, 1<<26)
		for i := 0; i < len(part); i += os.Getpagesize() {
			part[i] = 1
		}
		parts = append(parts, part)
	}
	c.t.add(row{Part: "country", What: "first touch of memory for a start " + start + ", " + c.stage, P50: float64(time.Since(begun).Microseconds()), Said: fmt.Sprintf("%d MB, before the start is measured", 64*len(parts))})
	clear(parts)
	runtime.GC()
}

// heap adds what is alive now, by the tubes of the log.
func (c *countryRun) heap(what string, p *product, st started) {
	now := alive()
	per := (now - st.before) / float64(c.k.Asked)
	said := fmt.Sprintf("%.0f B a tube (want %.0f), of it %.0f the log's own index", per, heapTarget, (st.with-st.before)/float64(c.k.Asked))
	if open := c.k.open(); open > 0 {
		said += fmt.Sprintf("; %.0f B an open tube", (now-st.before)/float64(open))
	}
	e := p.model.Effort()
	said += fmt.Sprintf("; %d of %d tubes rest", e.Resting, e.Tubes)
	c.t.add(row{Part: "country", What: what, Bytes: per, Said: said, Missed: per > heapTarget})
	c.s.tell("country: %s: %s", what, said)
}

// starts starts as a daemon does that was stopped, with the store's index and without.
func (c *countryRun) starts(ctx context.Context) error {
	for _, index := range []bool{true, false} {
		what := "with the store's index"
		if !index {
			what = "without the store's index"
			if err := dropIndexes(c.dir); err != nil {
				return err
			}
		}
		c.touch(what, snapshotTouches)
		profile := "again-cpu"
		if !index {
			profile = "again-no-index-cpu"
		}
		done, err := c.profile(profile)
		if err != nil {
			return err
		}
		p, st, err := c.open(ctx, true)
		done()
		if err != nil {
			return err
		}
		r := row{Part: "country", What: fmt.Sprintf("start as after a stop %s, %s", what, c.stage),
			Said: fmt.Sprintf("no snapshot; %s to open the log, %s to read it", brief(st.log), brief(st.model))}
		if st.began != (eventlog.Position{}) {
			tail := st.read - st.began.Custody - st.began.Readings
			r.Said = fmt.Sprintf("from a snapshot and %d messages behind it; %s to open the log with the snapshot being read beside it, %s more for the model (want 3 s in all, with the index)", tail, brief(st.log), brief(st.model))
			r.Missed = index && st.log+st.model > 3*time.Second
		}
		r.P50 = float64((st.log + st.model).Microseconds())
		c.t.add(r)
		c.s.tell("country: %s: %s", r.What, r.Said)
		p.close()
		if err := c.keepTime(); err != nil {
			return err
		}
	}
	return nil
}

// dropIndexes removes what the store keeps beside its blocks, as after a power cut.
func dropIndexes(dir string) error {
	return filepath.WalkDir(filepath.Join(dir, "store"), func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Name() == "index.db" {
			return os.Remove(path)
		}
		return err
	})
}

// pace is how fast messages were read: by the clock, and by the processor's time, which
// other work on the machine hardly moves.
type pace struct{ perSecond, spent float64 } // spent: ns a message

type pacing struct {
	at    time.Time
	spent time.Duration
}

func beginPace() pacing { return pacing{time.Now(), processor()} }

func (p pacing) end(n int64) pace {
	return pace{perSecond: float64(n) / time.Since(p.at).Seconds(), spent: float64((processor() - p.spent).Nanoseconds()) / float64(max(n, 1))}
}

func (p pace) beside(raw pace) string {
	return fmt.Sprintf("%.2f of the raw ordered read; %.1f x its time of the processor, %.0f ns each", p.perSecond/raw.perSecond, p.spent/raw.spent, p.spent)
}

// processor is the processor time of this process.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0 // can't fail for oneself
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// firstTouches is how many pages of memory the machine has given to this process so far.
func firstTouches() int64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0 // can't fail for oneself
	}
	return u.Minflt
}

// rawRead reads both streams by ordered consumers of a broker that does nothing else, and
// gives messages a second.
func (c *countryRun) rawRead(ctx context.Context) (raw pace, err error) {
	opts := &server.Options{}
	conf := fmt.Sprintf("server_name: custody\nmax_payload: 8MB\njetstream { store_dir: %q, max_file_store: %d, max_memory_store: 16777216, sync_interval: always }\n"+
		"accounts { LAB { jetstream: enabled, users: [ {user: raw, password: raw} ] } }", filepath.Join(c.dir, "store"), int64(1)<<40)
	if err := opts.ProcessConfigString(conf); err != nil {
		return raw, err
	}
	opts.DontListen, opts.NoSigs, opts.NoLog = true, true, true
	srv, err := server.NewServer(opts)
	if err != nil {
		return raw, err
	}
	srv.Start()
	defer func() { srv.Shutdown(); srv.WaitForShutdown() }()
	if !srv.ReadyForConnections(time.Minute) {
		return raw, errors.New("the raw broker did not start")
	}
	nc, err := nats.Connect("", nats.InProcessServer(srv), nats.UserInfo("raw", "raw"))
	if err != nil {
		return raw, err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return raw, err
	}
	begun := beginPace()
	var n atomic.Int64
	var wg sync.WaitGroup
	var errs [2]error
	for i, name := range []string{"CUSTODY_" + volume, "READINGS_" + volume} {
		wg.Go(func() { errs[i] = rawStream(ctx, js, name, &n) })
	}
	wg.Wait()
	raw = begun.end(n.Load())
	c.t.add(row{Part: "country", What: "raw ordered read, " + c.stage, PerSec: raw.perSecond, Said: fmt.Sprintf("%d messages, %s of store, %.0f ns of the processor each", n.Load(), sizeOf(c.dir), raw.spent)})
	c.s.tell("country: raw ordered read: %d messages, %.0f a second", n.Load(), raw.perSecond)
	return raw, errors.Join(errs[:]...)
}

// rawStream reads a stream to its end, with as much in flight as the product's follower.
func rawStream(ctx context.Context, js jetstream.JetStream, name string, n *atomic.Int64) error {
	stream, err := js.Stream(ctx, name)
	if err != nil {
		return err
	}
	left := stream.CachedInfo().State.Msgs
	if left == 0 {
		return nil
	}
	cons, err := js.OrderedConsumer(ctx, name, jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy})
	if err != nil {
		return err
	}
	done := make(chan struct{})
	running, err := cons.Consume(func(jetstream.Msg) {
		n.Add(1)
		if left--; left == 0 {
			close(done)
		}
	}, jetstream.PullMaxMessages(2000))
	if err != nil {
		return err
	}
	defer running.Stop()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// decodedRead reads the log through the product's follower and keeps nothing.
func (c *countryRun) decodedRead(ctx context.Context, raw pace) (err error) {
	log, err := openCountry(ctx, c.dir, 0)
	if err != nil {
		return err
	}
	defer func() { err = firstOf(err, log.Close()) }()
	begun := beginPace()
	n, err := readAll(ctx, log, nil, nil)
	if err != nil {
		return err
	}
	got := begun.end(int64(n))
	c.t.add(row{Part: "country", What: "the log's follower alone, " + c.stage, PerSec: got.perSecond, Said: got.beside(raw)})
	c.s.tell("country: the log's follower alone: %.0f a second", got.perSecond)
	return nil
}

func brief(d time.Duration) string { return d.Round(10 * time.Millisecond).String() }

// sizeOf is how much a folder's files hold.
func sizeOf(dir string) string {
	var sum int64
	_ = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error { // only told, never decided on
		if err == nil && d.Type().IsRegular() {
			if info, err := d.Info(); err == nil {
				sum += info.Size()
			}
		}
		return nil
	})
	return fmt.Sprintf("%.2f GB", float64(sum)/1e9)
}

// memoryOfMachine is what the machine has, in bytes.
func memoryOfMachine() int64 {
	var info syscall.Sysinfo_t
	if err := syscall.Sysinfo(&info); err != nil {
		return 8 << 30
	}
	return int64(info.Totalram) * int64(info.Unit) //nolint:gosec // below 2^63 bytes
}
