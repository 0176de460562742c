package app_test

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/notify"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

const hookSecret = "an invented secret of 32 letters"

// mailbox holds what a receiver has taken, in order: a message's id and its bytes.
type mailbox struct {
	mu  sync.Mutex
	got []letter
}

type letter struct{ id, text string }

func (b *mailbox) put(id, text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.got = append(b.got, letter{id, text})
}

func (b *mailbox) all() []letter {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.got)
}

// told is what a webhook's receiver reads out of a message, by WEBHOOK.md.
type told struct {
	ID    string
	Count int
	Cause struct{ Kind, Name string }
	Tubes []struct{ Tube string }
}

func (l letter) read(t *testing.T) told {
	t.Helper()
	var m told
	if err := json.Unmarshal([]byte(l.text), &m); err != nil {
		t.Fatalf("%v: %s", err, l.text)
	}
	return m
}

// hook is a webhook's other side. It checks the signature as WEBHOOK.md says, and takes
// what refuse, if set, doesn't answer itself.
func hook(t *testing.T, refuse func(w http.ResponseWriter) bool) (string, *mailbox) {
	t.Helper()
	box := &mailbox{}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		at, sum, _ := strings.Cut(strings.TrimPrefix(r.Header.Get(notify.SignatureHeader), "t="), " sha256=")
		mac := hmac.New(sha256.New, []byte(hookSecret))
		_, _ = fmt.Fprintf(mac, "%s.%s", at, body)
		if err != nil || hex.EncodeToString(mac.Sum(nil)) != sum {
			t.Errorf("a body that is not signed: %s %v", r.Header.Get(notify.SignatureHeader), err)
			w.WriteHeader(http.StatusForbidden)
			return
		}
		box.put(strings.Trim(r.Header.Get("Idempotency-Key"), `"`), string(body))
		if refuse == nil || !refuse(w) {
			w.WriteHeader(http.StatusNoContent)
		}
	}))
	t.Cleanup(server.Close)
	return server.URL, box
}

func hookReceiver(t *testing.T, name, url string, to notify.Audience) app.Receiver {
	t.Helper()
	w, err := notify.NewWebhook(notify.WebhookParts{URL: url, Secrets: [][]byte{[]byte(hookSecret)}, Now: app.WallClock().Now})
	if err != nil {
		t.Fatal(err)
	}
	return app.Receiver{Name: name, Channel: w, Audience: to}
}

// letterbox is one session of a mail server, go-smtp's.
type letterbox struct{ box *mailbox }

func (letterbox) Mail(string, *smtp.MailOptions) error { return nil }
func (letterbox) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (letterbox) Reset()                               {}
func (letterbox) Logout() error                        { return nil }

func (s letterbox) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	s.box.put("", string(data))
	return err
}

func mailReceiver(t *testing.T, name string) (app.Receiver, *mailbox) {
	t.Helper()
	box := &mailbox{}
	server := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return letterbox{box}, nil }))
	server.Domain = "mail.example"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(l) }()
	t.Cleanup(func() { _ = server.Close(); <-done })
	m, err := notify.NewMail(notify.MailParts{Server: l.Addr().String(), TLS: notify.NoTLS, From: "custody@lab.example", To: "lena@clinic.example"})
	if err != nil {
		t.Fatal(err)
	}
	return app.Receiver{Name: name, Channel: m}, box
}

// outsideDay is a day on real parts with receivers outside: the embedded log on its
// files, a steered clock, and a house with a ward, a laboratory and the fixture's limits.
type outsideDay struct {
	*line
	bench *rehearse.Bench
	now   time.Time
}

func newOutsideDay(t *testing.T, to ...app.Receiver) *outsideDay {
	t.Helper()
	d := &outsideDay{line: newLine(t, func(p *app.Parts) { p.Receivers = to }), now: time.Date(2026, 11, 24, 7, 0, 0, 0, time.UTC)}
	d.bench = rehearse.New(d.app.Conn(), rehearse.WithContext(t.Context()))
	d.house()
	d.declare(story.Place{ID: "LAB", Kind: "reception", Zone: "UTC", Assumed: event.Range{Low: 2000, High: 2400, Known: true}})
	d.to(8, 0, 0)
	return d
}

func (d *outsideDay) declare(what story.Declared) {
	d.Helper()
	if err := d.bench.Declare(what); err != nil {
		d.Fatal(err)
	}
}

// to moves the clock to a time of the day; the judge has settled then.
func (d *outsideDay) to(hh, mm, ss int) {
	d.Helper()
	d.now = time.Date(2026, 11, 24, hh, mm, ss, 0, time.UTC)
	if err := d.bench.Clock(event.At(d.now)); err != nil {
		d.Fatal(err)
	}
}

// settled waits until the model has read what it knows already: the clock jumps here, and
// what was flagged before must not come after.
func (d *outsideDay) settled() {
	d.Helper()
	end, err := d.log.End(d.Context())
	if err == nil {
		err = d.app.Model().WaitFor(d.Context(), end)
	}
	if err != nil {
		d.Fatal(err)
	}
}

// scan records scans of one step, and wants each recorded.
func (d *outsideDay) scan(scans ...*custodyv1.Scan) {
	d.Helper()
	for part := range slices.Chunk(scans, 500) {
		resp, err := custodyv1.NewScansClient(d.app.Conn()).RecordScans(d.Context(), &custodyv1.RecordScansRequest{Scans: part})
		if err != nil {
			d.Fatal(err)
		}
		for i, a := range resp.GetAnswers() {
			if a.GetAnswer() != "recorded" {
				d.Fatalf("%s of %s: %s %s", part[i].GetStep(), part[i].GetLabel().GetText(), a.GetAnswer(), a.GetSay())
			}
		}
	}
}

// step is a scan of a tube now.
func (d *outsideDay) step(step, tube string) *custodyv1.Scan {
	return &custodyv1.Scan{
		Id: step + "-" + tube, Label: &custodyv1.Label{Text: tube}, Step: step, Mode: "reported", Place: "WARD-N", By: "mira", Device: "PHONE-" + tube,
		OccurredAt: event.At(d.now).String(),
	}
}

// glucose collects a tube whose only test is past its 60 minutes at nine.
func (d *outsideDay) glucose(tube string) {
	d.Helper()
	s := d.step("collect", tube)
	s.Patient, s.Type, s.Tests = "P-7001", "LIHEP-GEL", []string{"2345-7"}
	d.scan(s)
}

// arrived waits until so many messages came, and gives all.
func (d *outsideDay) arrived(box *mailbox, want int) []letter {
	d.Helper()
	apptest.Until(d.T, fmt.Sprintf("%d messages", want), func(context.Context) (bool, string) {
		got := box.all()
		return len(got) >= want, fmt.Sprint(len(got), " came")
	})
	return box.all()
}

// nothingWaits waits until the receiver was told of all that is due.
func (d *outsideDay) nothingWaits(receiver string) {
	d.Helper()
	line := fmt.Sprintf("\ncustody_outside_waiting{receiver=%q} 0\n", receiver)
	apptest.Until(d.T, line, func(context.Context) (bool, string) {
		var text string
		d.send(http.MethodGet, "/metrics", "", &text)
		return strings.Contains(text, line), "it still waits"
	})
}

// The flood of the issue: 500 tubes from one warm box are one message for each receiver,
// with all 500 counted, and no word of a patient or a test in it.
func TestAWarmBoxIsToldOnce(t *testing.T) {
	t.Parallel()
	url, hooks := hook(t, nil)
	mail, letters := mailReceiver(t, "night")
	d := newOutsideDay(t, hookReceiver(t, "desk", url, notify.Audience{}), mail)
	d.declare(story.Carrier{ID: "B-1", Kind: "box"})
	d.declare(story.Logger{ID: "LG-1", Every: 5 * time.Minute, Hold: -1, In: "B-1", InKind: event.KindCarrier})
	var collects, packs []*custodyv1.Scan
	for i := range 500 {
		tube := fmt.Sprintf("TB26%04d", i)
		s := d.step("collect", tube)
		s.Patient, s.Type, s.Tests = fmt.Sprintf("P-7%03d", i), "LIHEP-GEL", []string{"2823-3"}
		p := d.step("pack", tube)
		p.Carrier = "B-1"
		collects, packs = append(collects, s), append(packs, p)
	}
	d.scan(collects...)
	d.scan(packs...)
	var warm []event.Reading
	for m := range 5 {
		warm = append(warm, event.Reading{At: event.At(d.now.Add(time.Duration(5*m) * time.Minute)), C: 3100, OK: true})
	}
	d.to(8, 20, 0)
	if err := d.bench.Readings("LG-1", warm, false); err != nil {
		t.Fatal(err)
	}
	apptest.Until(t, "500 flags", func(context.Context) (bool, string) {
		n := len(d.app.Model().Flagged())
		return n == 500, fmt.Sprint(n, " are up")
	})
	d.settled()
	d.to(8, 20, 31) // what stands 20 s is gathered for 10 s
	hooked := d.arrived(hooks, 1)
	mailed := d.arrived(letters, 1)
	d.to(9, 0, 0)
	d.nothingWaits("desk")
	d.nothingWaits("night")
	if len(hooks.all()) != 1 || len(letters.all()) != 1 {
		t.Fatalf("posted %q, mailed %q; want one each", hooks.all(), letters.all())
	}
	if m := hooked[0].read(t); m.Count != 500 || m.Cause.Kind != "box" || m.Cause.Name != "B-1" {
		t.Errorf("told of %d tubes, %s %s", m.Count, m.Cause.Kind, m.Cause.Name)
	}
	if !strings.Contains(mailed[0].text, "500 tubes, box B-1") {
		t.Errorf("the mail: %s", mailed[0].text)
	}
	for _, text := range []string{hooked[0].text, mailed[0].text} {
		for _, word := range []string{"P-7", "mira", "2823", "otassium", `"K"`, "LIHEP"} {
			if strings.Contains(text, word) {
				t.Errorf("%q is told: %s", word, text)
			}
		}
	}
}

// Whatever answers a flag before it is told keeps it from being told; the next flag,
// which nobody answers, shows that the receiver hears.
func TestWhatIsAnsweredIsNotTold(t *testing.T) {
	t.Parallel()
	url, box := hook(t, nil)
	d := newOutsideDay(t, hookReceiver(t, "desk", url, notify.Audience{}))
	for _, tube := range []string{"TAKEN", "ASIDE", "CLEARED", "BACK"} {
		d.glucose(tube)
	}
	d.to(9, 1, 0)
	d.settled()
	d.send(http.MethodPost, "/v1/flags/TAKEN:take", `{"by":"lena"}`, nil)
	d.send(http.MethodPost, "/v1/flags/BACK:take", `{"by":"lena","id":"take-back"}`, nil)
	d.send(http.MethodPost, "/v1/flags/ASIDE:putAside", `{"by":"lena","until":"2026-11-24T09:30:00Z"}`, nil)
	never := d.step("void", "CLEARED")
	never.Details = map[string]string{"scan": "collect-CLEARED"}
	d.scan(never)
	apptest.Until(t, "the end of a flag", func(context.Context) (bool, string) {
		return len(d.app.Model().Flagged()) == 3, fmt.Sprint(d.app.Model().Flagged())
	})
	d.settled()
	d.to(9, 2, 0)
	s := d.step("void", "BACK")
	s.Details = map[string]string{"scan": "take-back"}
	d.scan(s)
	d.settled()
	d.to(9, 3, 0)
	first := d.arrived(box, 1)
	if m := first[0].read(t); m.Tubes[0].Tube != "BACK" || m.Count != 1 {
		t.Errorf("told first: %s", first[0].text)
	}
	d.to(9, 31, 0)
	if second := d.arrived(box, 2); second[1].read(t).Tubes[0].Tube != "ASIDE" {
		t.Errorf("told then: %s", second[1].text)
	}
	d.to(10, 30, 0)
	d.nothingWaits("desk")
	if n := len(box.all()); n != 2 {
		t.Errorf("%d messages, want 2", n)
	}
}

// A receiver that is down: healthz, metrics and House say so without turning red, the
// other receivers go on, and one that asks for other flags hears nothing.
func TestAReceiverIsDown(t *testing.T) {
	t.Parallel()
	url, well := hook(t, nil)
	lost, down := hook(t, func(w http.ResponseWriter) bool { w.WriteHeader(http.StatusBadGateway); return true })
	d := newOutsideDay(t, hookReceiver(t, "desk", url, notify.Audience{}), hookReceiver(t, "night", lost, notify.Audience{}),
		hookReceiver(t, "results", url, notify.Audience{Kinds: []event.FlagKind{event.FlagAfter}}))
	d.glucose("TB1")
	d.to(9, 1, 0)
	d.settled()
	d.to(9, 2, 0)
	d.arrived(well, 1)
	d.arrived(down, 1)
	d.to(9, 20, 0)
	apptest.Until(t, "words about the receiver", func(context.Context) (bool, string) {
		var health, metrics, house string
		d.send(http.MethodGet, "/healthz", "", &health)
		d.send(http.MethodGet, "/metrics", "", &metrics)
		d.send(http.MethodGet, "/house", "", &house)
		for text, words := range map[string][]string{
			health:  {"told outside: night", "1 tubes wait since 2026-11-24T09:0", "answered 502", "nothing is lost"},
			metrics: {`custody_outside_waiting{receiver="night"} 1`, `custody_outside_sent_total{receiver="desk"} 1`, `custody_outside_waiting{receiver="desk"} 0`},
			house:   {"night", "1 tube waits since", "answered 502"},
		} {
			for _, w := range words {
				if !strings.Contains(text, w) {
					return false, fmt.Sprintf("%q is not in %s", w, text)
				}
			}
		}
		return true, ""
	})
	if n := len(well.all()); n != 1 {
		t.Errorf("%d messages came to the receivers that work, want 1", n)
	}
}
