package notify_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/notify"
)

// changes is a log of changes, read as the caller reads it.
type changes []notify.Change

func (c changes) After(_ context.Context, seq uint64, limit int) ([]notify.Change, uint64, bool, error) {
	var got []notify.Change
	for _, x := range c {
		if x.Seq > seq {
			if len(got) == limit {
				return got, got[limit-1].Seq, true, nil
			}
			got, seq = append(got, x), x.Seq
		}
	}
	return got, seq, false, nil
}

// aFlood is 40 tubes of two boxes and two strays: four messages. Sequences have gaps.
func aFlood() changes {
	var log changes
	add := func(c notify.Change) {
		c.Seq = uint64(3 * (len(log) + 1))
		log = append(log, c)
	}
	for i := range 40 {
		add(inBox(raised(fmt.Sprintf("TB%02d", i), start, event.PastLimit), fmt.Sprintf("BOX-%d", i%2)))
	}
	add(raised("STRAY-1", start, event.PastLimit))
	add(raised("STRAY-2", start, event.CannotSay))
	return log
}

var errKilled = errors.New("killed")

// life is one process: it dies at its nth crossing, and does nothing after it.
// Crossings lie before and after everything that reaches outside.
type life struct {
	left int // crossings until it dies; negative lives on
	dead bool
}

func (l *life) cross() error {
	if l.dead || l.left == 0 {
		l.dead = true
		return errKilled
	}
	l.left--
	return nil
}

// mortal puts crossings around a real store, source and channel.
type mortal struct {
	life    *life
	store   notify.Store
	source  notify.Source
	channel notify.Channel
}

func (m mortal) Load(ctx context.Context) ([]byte, uint64, error) {
	if err := m.life.cross(); err != nil {
		return nil, 0, err
	}
	return m.store.Load(ctx)
}

func (m mortal) Save(ctx context.Context, data []byte, after uint64) (uint64, error) {
	if err := m.life.cross(); err != nil {
		return 0, err
	}
	revision, err := m.store.Save(ctx, data, after)
	return revision, errors.Join(err, m.life.cross())
}

func (m mortal) After(ctx context.Context, seq uint64, limit int) ([]notify.Change, uint64, bool, error) {
	if err := m.life.cross(); err != nil {
		return nil, 0, false, err
	}
	return m.source.After(ctx, seq, limit)
}

func (m mortal) Send(ctx context.Context, msg notify.Message) error {
	if err := m.life.cross(); err != nil {
		return err
	}
	err := m.channel.Send(ctx, msg)
	return errors.Join(err, m.life.cross())
}

// clock is a clock that stands but while the loop waits.
type clock struct{ now event.Instant }

func (c *clock) wait(_ context.Context, d time.Duration) { c.now = c.now.Add(d) }

func delivery(l *life, c *clock, log notify.Source, store notify.Store, channel notify.Channel) *notify.Delivery {
	m := mortal{l, store, log, channel}
	return &notify.Delivery{
		Channel: m, Source: m, Store: m, Pace: notify.PaceAsUsual(),
		Now: func() event.Instant { return c.now }, Wait: c.wait, Random: func() float64 { return 0.5 },
	}
}

// live steps a process until it dies or until the clock has come to end.
func live(t *testing.T, d *notify.Delivery, l *life, c *clock, end event.Instant) {
	t.Helper()
	for range 10_000 {
		wait, err := d.Step(t.Context())
		if l.dead {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if c.now >= end {
			if wait == 0 {
				continue
			}
			return
		}
		c.wait(t.Context(), wait)
	}
	t.Fatal("it never ends")
}

// channelsOf gives both channels with real servers behind.
func channelsOf(t *testing.T) map[string]struct {
	channel notify.Channel
	box     *inbox
} {
	t.Helper()
	parts, hooks := receiver(t, nil)
	w, err := notify.NewWebhook(parts)
	if err != nil {
		t.Fatal(err)
	}
	p, mailParts := startPost(t, notify.StartTLS)
	m, err := notify.NewMail(mailParts)
	if err != nil {
		t.Fatal(err)
	}
	return map[string]struct {
		channel notify.Channel
		box     *inbox
	}{"webhook": {w, hooks}, "mail": {m, &p.box}}
}

// A process is killed at every crossing, one after another, and followed by one that
// lives. Each message is taken at least once and at most once more than without a kill,
// and a repeat has the same bytes.
func TestKilledAtEachStep(t *testing.T) {
	for name, c := range channelsOf(t) {
		t.Run(name, func(t *testing.T) {
			want, repeats, at := 0, 0, 0
			for ; ; at++ {
				before, _ := c.box.all()
				store := notify.OnShelf(memlog.New().Shelf(eventlog.ShelfNotify), "notify")
				now := &clock{start}
				first := &life{left: at}
				live(t, delivery(first, now, aFlood(), store, c.channel), first, now, after(time.Minute))
				if first.dead {
					second := &life{left: -1}
					live(t, delivery(second, now, aFlood(), store, c.channel), second, now, after(2*time.Minute))
				}
				ids, texts := c.box.all()
				ids, texts = ids[len(before):], texts[len(before):]
				text := map[string]string{}
				for i, id := range ids {
					if was, ok := text[id]; ok && was != texts[i] {
						t.Fatalf("killed at %d: the repeat of %s is another message", at, id)
					}
					text[id] = texts[i]
				}
				if want == 0 {
					want = 4
				}
				if len(text) != want {
					t.Fatalf("killed at %d: %d different messages, want %d", at, len(text), want)
				}
				if len(ids) > want+1 {
					t.Fatalf("killed at %d: one kill, %d repeats", at, len(ids)-want)
				}
				repeats += len(ids) - want
				if !first.dead {
					break
				}
			}
			// Between the sending and the keeping lie two crossings: after the one, before
			// the other. Each of the four messages was caught in both.
			if at < 20 || repeats != 8 {
				t.Errorf("%d crossings gave %d repeats, want 8: the kills miss what they should hit", at, repeats)
			}
			t.Logf("%d kills, %d repeats", at, repeats)
		})
	}
}

// Two processes deliver for one channel: the one that is overtaken ends, nothing is lost.
func TestTheOvertakenEnds(t *testing.T) {
	c := channelsOf(t)["webhook"]
	store := notify.OnShelf(memlog.New().Shelf(eventlog.ShelfNotify), "notify")
	now, other := &clock{start}, &clock{after(time.Minute)}
	old := delivery(&life{left: -1}, now, aFlood(), store, c.channel)
	if _, err := old.Step(t.Context()); err != nil {
		t.Fatal(err)
	}
	l := &life{left: -1}
	live(t, delivery(l, other, aFlood(), store, c.channel), l, other, after(2*time.Minute))
	now.now = after(time.Minute)
	if err := old.Run(t.Context()); !errors.Is(err, notify.ErrOvertaken) {
		t.Fatalf("want ErrOvertaken, got %v", err)
	}
	if ids, _ := c.box.all(); len(slices.Compact(slices.Sorted(slices.Values(ids)))) != 4 || len(ids) > 5 {
		t.Errorf("taken %q", ids)
	}
}

// A receiver that is down: tries spread out, nothing is decided meanwhile, so that what
// comes then is one message a cause; what was cleared isn't told.
func TestAReceiverThatIsDown(t *testing.T) {
	up := false
	parts, box := receiver(t, func(_ int, w http.ResponseWriter, _ *http.Request) bool {
		if !up {
			w.WriteHeader(http.StatusBadGateway)
		}
		return !up
	})
	w, err := notify.NewWebhook(parts)
	if err != nil {
		t.Fatal(err)
	}
	log := changes{raised("FIRST", start, event.PastLimit)}
	log[0].Seq = 1
	now, l := &clock{start}, &life{left: -1}
	d := delivery(l, now, &log, notify.OnShelf(memlog.New().Shelf(eventlog.ShelfNotify), "notify"), w)
	var waits []time.Duration
	d.Report = func(tr notify.Trouble) {
		if tr.What != notify.Unreachable {
			t.Errorf("trouble %+v", tr)
		}
		waits = append(waits, tr.Wait)
	}
	live(t, d, l, now, after(time.Minute))
	for i := range 20 {
		c := inBox(raised(fmt.Sprintf("TB%02d", i), after(time.Duration(2*i)*time.Minute), event.PastLimit), "BOX-7")
		c.Seq = uint64(i + 2)
		log = append(log, c)
		live(t, d, l, now, c.At)
	}
	log = append(log, notify.Change{Seq: 30, Tube: "TB19", Episode: 1, What: notify.Cleared, At: now.now})
	if !slices.IsSorted(waits) || waits[0] != 750*time.Millisecond || waits[len(waits)-1] != 225*time.Second {
		t.Errorf("want tries that double from 0.75 s to 225 s, got %v", waits)
	}
	up = true
	live(t, d, l, now, now.now.Add(10*time.Minute))
	ids, texts := box.all()
	if len(ids) != 2 {
		t.Fatalf("want the first, then one for the box, got %d: %q", len(ids), texts)
	}
}

// A message that is refused keeps nobody waiting, and is laid down after a day.
func TestARefusedMessage(t *testing.T) {
	p, parts := startPost(t, notify.NoTLS)
	m, err := notify.NewMail(parts)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	p.answer = func(stage string) error {
		if stage != "data" {
			return nil
		}
		if n++; n == 1 || len(p.box.ids) == 3 {
			return &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "no"}
		}
		return nil
	}
	now, l := &clock{start}, &life{left: -1}
	d := delivery(l, now, aFlood(), notify.OnShelf(memlog.New().Shelf(eventlog.ShelfNotify), "notify"), m)
	seen := map[notify.TroubleKind]int{}
	d.Report = func(tr notify.Trouble) { seen[tr.What]++ }
	live(t, d, l, now, after(time.Minute))
	if ids, _ := p.box.all(); len(ids) != 3 || seen[notify.Refused] != 1 {
		t.Fatalf("taken %q, trouble %v", ids, seen)
	}
	live(t, d, l, now, after(26*time.Hour))
	if ids, _ := p.box.all(); len(ids) != 3 || seen[notify.LaidDown] != 1 || seen[notify.Refused] != 96 {
		t.Fatalf("taken %q, trouble %v", ids, seen)
	}
}

// What was taken and can't be kept is not sent again and again while the log is full.
func TestAStoreThatIsFull(t *testing.T) {
	c := channelsOf(t)["webhook"]
	full := &fullStore{Store: notify.OnShelf(memlog.New().Shelf(eventlog.ShelfNotify), "notify"), saves: 1, fails: 10}
	now := &clock{start}
	ctx, cancel := context.WithCancel(t.Context())
	d := delivery(&life{left: -1}, now, aFlood(), full, c.channel)
	d.Wait = func(_ context.Context, w time.Duration) {
		now.now = now.now.Add(w)
		if now.now > after(time.Hour) {
			cancel()
		}
	}
	unstored := 0
	d.Report = func(tr notify.Trouble) {
		if tr.What == notify.Unstored {
			unstored++
		}
	}
	if err := d.Run(ctx); err != nil {
		t.Fatal(err)
	}
	if ids, _ := c.box.all(); len(ids) != 4 || unstored != 10 {
		t.Errorf("taken %q, %d times not kept", ids, unstored)
	}
}

// fullStore keeps some saves, then fails some, then keeps again.
type fullStore struct {
	notify.Store
	saves, fails int
}

func (s *fullStore) Save(ctx context.Context, data []byte, after uint64) (uint64, error) {
	if s.saves--; s.saves < 0 && s.fails > 0 {
		s.fails--
		return 0, eventlog.ErrFull
	}
	return s.Store.Save(ctx, data, after)
}

// The record of the most that is kept must fit a message of the store, 1 MiB.
func TestTheRecordFitsTheStore(t *testing.T) {
	var log changes
	for i := range 16_000 {
		c := inBox(raised(fmt.Sprintf("TB%08d", i*7919%100_000_000), start.Add(time.Duration(i)*time.Second), event.PastLimit), fmt.Sprintf("BOX-%d", i%40))
		c.Seq, c.Until = uint64(i+1), start.Add(time.Duration(i*i%100_000)*time.Second)
		log = append(log, c)
	}
	parts, _ := receiver(t, nil)
	w, err := notify.NewWebhook(parts)
	if err != nil {
		t.Fatal(err)
	}
	sized := &sizedStore{Store: notify.OnShelf(memlog.New().Shelf(eventlog.ShelfNotify), "notify")}
	now, l := &clock{after(5 * time.Hour)}, &life{left: -1}
	d := delivery(l, now, log, sized, w)
	live(t, d, l, now, after(6*time.Hour))
	if sized.most > 1<<20 || sized.most < 10_000 {
		t.Errorf("the record took %d bytes", sized.most)
	}
	t.Logf("at most %d bytes", sized.most)
}

// restored is a log that was restored from a backup older than what was told: it ends
// earlier, and goes on with other facts under the same sequences.
type restored struct {
	changes
	end uint64
}

func (r *restored) After(ctx context.Context, seq uint64, limit int) ([]notify.Change, uint64, bool, error) {
	if seq > r.end {
		return nil, seq, false, &notify.ShorterError{End: r.end}
	}
	got, _, more, err := r.changes.After(ctx, seq, limit)
	return got, r.end, more, err
}

// What came behind the end of a restored log is told anew, what came before it isn't.
func TestALogThatWasRestored(t *testing.T) {
	parts, box := receiver(t, nil)
	w, err := notify.NewWebhook(parts)
	if err != nil {
		t.Fatal(err)
	}
	before := changes{raised("KEPT", start, event.PastLimit), raised("GONE", start, event.PastLimit)}
	before[0].Seq, before[1].Seq = 10, 20
	store := notify.OnShelf(memlog.New().Shelf(eventlog.ShelfNotify), "desk")
	now, l := &clock{start}, &life{left: -1}
	live(t, delivery(l, now, before, store, w), l, now, after(time.Minute))
	after2 := raised("LATER", after(time.Minute), event.PastLimit)
	after2.Seq = 12
	log := &restored{changes{before[0], after2}, 12}
	d := delivery(l, now, log, store, w)
	var seen []notify.TroubleKind
	d.Report = func(tr notify.Trouble) { seen = append(seen, tr.What) }
	live(t, d, l, now, after(time.Hour))
	gone := raised("GONE", now.now, event.PastLimit) // the judge flags it again, as another fact
	gone.Seq = 15
	log.changes, log.end = append(log.changes, gone), 15
	live(t, delivery(l, now, log, store, w), l, now, after(2*time.Hour))
	_, texts := box.all()
	count := map[string]int{}
	for _, text := range texts {
		for _, tube := range []string{"KEPT", "GONE", "LATER"} {
			if strings.Contains(text, `"tube":"`+tube+`"`) {
				count[tube]++
			}
		}
	}
	if count["KEPT"] != 1 || count["LATER"] != 1 || count["GONE"] != 2 || len(seen) != 1 || seen[0] != notify.Shorter {
		t.Errorf("told %v, trouble %v", count, seen)
	}
}

type sizedStore struct {
	notify.Store
	most int
}

func (s *sizedStore) Save(ctx context.Context, data []byte, after uint64) (uint64, error) {
	s.most = max(s.most, len(data))
	return s.Store.Save(ctx, data, after)
}
