package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web/browsertest"
)

// rush is a source whose 500 flags change all the time. What changes in between is told
// as one, as the daemon does.
type rush struct {
	Story
	mu   sync.Mutex
	page WallPage
	subs map[chan Change]bool
}

const rushRows = 500

func newRush() *rush {
	r := &rush{page: WallPage{Now: event.At(time.Now()), Zone: storyZone}, subs: map[chan Change]bool{}}
	for i := range rushRows {
		r.page.Flags = append(r.page.Flags, FlagRow{
			Tube: fmt.Sprintf("R-%03d", i), Episode: 1, Verdict: event.PastLimit, Action: event.AskNewSample, Since: r.page.Now.Add(-time.Hour), Holder: "0",
			Tests: []FlagTestRow{{Name: "potassium", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime}}},
		})
	}
	return r
}

// change writes a row anew: its holder says how often it was written.
func (r *rush) change(row, n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.page.Seq++
	r.page.Flags[row].Holder = fmt.Sprint(n)
	for c := range r.subs {
		select {
		case <-c: // the one that waits is told with this one
		default:
		}
		c <- Change{Seq: r.page.Seq}
	}
}

func (r *rush) Wall(context.Context) (WallPage, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	p := r.page
	p.Flags = append([]FlagRow(nil), p.Flags...)
	return p, nil
}

func (r *rush) Watch(ctx context.Context, since uint64) (<-chan Change, error) {
	c := make(chan Change, 1)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.subs[c] = true
	if since != r.page.Seq {
		c <- Change{Seq: r.page.Seq}
	}
	context.AfterFunc(ctx, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		delete(r.subs, c)
	})
	return c, nil
}

// 2,000 row updates a second on 500 rows, with the connection cut three times: the board
// never goes back, no row is there twice, and in the end each says the last that was
// written. The counts are exact; no time is asserted.
func TestTwoThousandUpdatesASecond(t *testing.T) {
	r := newRush()
	server := httptest.NewServer(New(r, Options{}))
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	p := browsertest.Open(t, server.URL+"/wall", browsertest.Wall)
	p.Wait(fmt.Sprintf(`document.querySelectorAll("#flags > *").length === %d`, rushRows))
	// Every board that arrives is noted beside the page's own.
	p.Eval(`window.seqs = []; { const follow = (url) => { const s = new EventSource(url); s.addEventListener("board", (e) => seqs.push(Number(e.lastEventId))); };
		follow(document.getElementById("main").dataset.stream + "?since=0"); } 1`, nil)
	const each, seconds = 2000, 4
	last := make([]int, rushRows)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for n := 0; n < each*seconds; {
		<-tick.C
		for range each / 100 {
			row := (n * 37) % rushRows
			last[row] = n
			r.change(row, n)
			n++
		}
		if n == each || n == 2*each || n == 3*each {
			server.CloseClientConnections()
		}
	}
	want := map[string]string{}
	for i := range rushRows {
		want[fmt.Sprintf("R-%03d", i)] = fmt.Sprintf("held by %d", last[i])
	}
	text, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	p.WaitFor(time.Minute, `(() => { const want = `+string(text)+`; return [...document.querySelectorAll("#flags > *")].every((row) => row.querySelector(".where").textContent.includes(want[row.querySelector(".tube-no").textContent])); })()`)
	var got struct {
		Rows, Tubes int
		Back        int
		Boards      int
	}
	p.Eval(`({
		rows: document.querySelectorAll("#flags > *").length,
		tubes: new Set([...document.querySelectorAll("#flags .tube-no")].map((a) => a.textContent)).size,
		back: seqs.filter((s, i) => i > 0 && s < seqs[i - 1]).length, boards: seqs.length,
	})`, &got)
	if got.Rows != rushRows || got.Tubes != rushRows || got.Back != 0 || got.Boards < 3 {
		t.Errorf("%+v", got)
	}
	for _, e := range p.Errors() {
		if !strings.Contains(e, "net::ERR_") { // the cut connections
			t.Error(e)
		}
	}
}
