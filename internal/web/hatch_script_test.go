package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/browsertest"
)

// hatchDesk is a source whose desk a test changes, and an API that keeps what it is sent.
type hatchDesk struct {
	Story
	mu      sync.Mutex
	page    HatchPage
	asked   []HatchAsk
	changes []chan Change
	scans   []hatchScan
	posts   int
	down    bool
	refuse  map[string]string // step: what is said
}

// hatchScan is what of a scan the tests look at.
type hatchScan struct {
	ID      string
	Step    string
	Label   struct{ Text, Raw, How string }
	Place   string
	By      string
	Device  string
	From    string
	Carrier string
	Draw    string
	Reason  string
	Mode    string
	Details map[string]string
}

func (d *hatchDesk) Hatch(_ context.Context, ask HatchAsk) (*HatchPage, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked = append(d.asked, ask)
	p := d.page
	p.Flags = append([]FlagRow(nil), p.Flags...)
	if ask.Box == "" || p.Open == nil || p.Open.ID != ask.Box {
		p.Open = nil
	}
	return &p, nil
}

func (d *hatchDesk) Watch(ctx context.Context, _ uint64) (<-chan Change, error) {
	c := make(chan Change, 8)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.changes = append(d.changes, c)
	return c, nil
}

func (d *hatchDesk) ReadLabel(in label.Input) (LabelNamed, error) {
	text := strings.TrimPrefix(in.Text(), "]C0")
	r := label.Reading{Names: label.Tube, Text: text}
	if strings.HasPrefix(text, "B-") || strings.HasPrefix(text, "G-") {
		r.Names = label.Carrier
	}
	return LabelNamed{Reading: r, ID: text}, nil
}

func (d *hatchDesk) set(change func(*HatchPage)) {
	d.mu.Lock()
	d.page.Seq++
	change(&d.page)
	seq, all := d.page.Seq, append([]chan Change(nil), d.changes...)
	d.mu.Unlock()
	for _, c := range all {
		select {
		case c <- Change{Seq: seq}:
		default: // a stream that was left
		}
	}
}

func (d *hatchDesk) sent() []hatchScan {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]hatchScan(nil), d.scans...)
}

func (d *hatchDesk) api(w http.ResponseWriter, r *http.Request) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.down {
		http.Error(w, "{}", http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	switch r.URL.Path {
	case "/v1/me":
		_, _ = fmt.Fprintf(w, `{"kind":"anyone","now":%q}`, time.Now().UTC().Format("2006-01-02T15:04:05.000Z"))
	case "/v1/scans":
		var in struct{ Scans []hatchScan }
		if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		d.posts++
		type answer struct {
			ID      string `json:"id"`
			Answer  string `json:"answer"`
			Refusal string `json:"refusal,omitempty"`
			Say     string `json:"say,omitempty"`
		}
		var out struct {
			Answers []answer `json:"answers"`
		}
		for _, s := range in.Scans {
			if say, no := d.refuse[s.Step]; no && s.Mode == "live" {
				out.Answers = append(out.Answers, answer{s.ID, "refused", "not-allowed", say})
				continue
			}
			d.scans = append(d.scans, s)
			out.Answers = append(out.Answers, answer{ID: s.ID, Answer: "recorded"})
		}
		_ = json.NewEncoder(w).Encode(out)
	default:
		_, _ = w.Write([]byte("{}"))
	}
}

// openHatch opens the desk in a browser, with lena at work.
func openHatch(t *testing.T, page HatchPage, path string) (*hatchDesk, *browsertest.Page) {
	t.Helper()
	page.Now = event.At(time.Now())
	d := &hatchDesk{page: page, refuse: map[string]string{}}
	mux := http.NewServeMux()
	mux.HandleFunc("/v1/", d.api)
	mux.Handle("/", New(d, Options{}))
	server := httptest.NewServer(mux)
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	p := browsertest.Open(t, server.URL+path, browsertest.Look{Width: 1440, Height: 1000})
	p.Wait(`document.getElementById("live").textContent === "live"`)
	p.Wait(`document.querySelector("#who [data-act=who]")`)
	p.Click("#who [data-act=who]")
	p.Wait(`document.getElementById("ask").open`)
	p.Click("#ask-staff")
	p.Type("lena")
	p.Click("[data-act=who-send]")
	p.Wait(`document.getElementById("who").textContent.includes("lena works here")`)
	return d, p
}

// last waits until so many scans came and gives the newest.
func (d *hatchDesk) last(t *testing.T, n int) hatchScan {
	t.Helper()
	for range 200 {
		if all := d.sent(); len(all) >= n {
			if len(all) > n {
				t.Fatalf("%d scans were sent, %d are wanted: %+v", len(all), n, all)
			}
			return all[n-1]
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("%d scans were sent, %d are wanted", len(d.sent()), n)
	return hatchScan{}
}

func key(p *browsertest.Page, text string) { p.Press(browsertest.Keys(text, 5*time.Millisecond)...) }

func TestHatchOpensABoxByScan(t *testing.T) {
	page := hatchBox()
	page.Boxes = []HatchBox{{ID: "B-7", Name: "box B-7", Tubes: 8, Holder: "oskar", From: "oskar"}}
	d, p := openHatch(t, page, "/hatch?place=LAB")
	p.Wait(`document.querySelector('#boxes [data-box="B-7"]')`)

	// A reader, with the cursor anywhere.
	key(p, "]C0B-7\n")
	s := d.last(t, 1)
	if s.Step != "receive" || s.Place != "LAB" || s.By != "lena" || s.From != "oskar" || s.Mode != "live" || s.Label.How != "reader" || !strings.HasPrefix(s.Device, "DESK-") {
		t.Errorf("the arrival: %+v", s)
	}
	p.Wait(`document.querySelector("#box .box-count")?.textContent === "5 of 6 received"`)
	var first string
	p.Eval(`document.querySelector("#tubes .box-tube").dataset.tube`, &first)
	if first != "TB260301" {
		t.Errorf("the first tube is %s, the worst is TB260301", first)
	}
	p.Wait(`location.search.includes("box=B-7")`)

	key(p, "]C0TB260311\n")
	if s = d.last(t, 2); s.Step != "receive" || s.Carrier != "B-7" {
		t.Errorf("a tube out of the box: %+v", s)
	}
	d.set(func(h *HatchPage) {
		o := *h.Open
		o.Tubes = append([]HatchTube(nil), o.Tubes...)
		for i := range o.Tubes {
			if o.Tubes[i].Tube == "TB260311" {
				o.Tubes[i].Received, o.Tubes[i].By, o.Tubes[i].Scan = h.Now, "lena", "scan-of-reception"
			}
		}
		h.Open = &o
	})
	p.Wait(`document.querySelector("#tube-TB260311[aria-current]")?.dataset.state === "received"`)
	key(p, "]C0TB260311\n")
	p.Wait(`document.getElementById("refused").textContent.includes("scanned before")`)

	// Two keys for a defect, one to accept; letters typed into a field mean nothing else.
	key(p, "a")
	if s = d.last(t, 3); s.Step != "accept" || s.Label.Text != "TB260311" {
		t.Errorf("accepted: %+v", s)
	}
	key(p, "f")
	p.Wait(`document.getElementById("ask").open`)
	key(p, "h")
	if s = d.last(t, 4); s.Step != "note" || s.Details["defect"] != "haemolysed" || s.Label.Text != "TB260311" {
		t.Errorf("defect: %+v", s)
	}
	defect := s.ID
	p.Wait(`!document.getElementById("undo-bar").hidden && document.getElementById("said").textContent.includes("haemolysed")`)
	key(p, "z")
	if s = d.last(t, 5); s.Step != "void" || s.Details["scan"] != defect || s.Label.Text != "TB260311" {
		t.Errorf("undo of %s: %+v", defect, s)
	}
	key(p, "r")
	p.Wait(`document.getElementById("ask").open`)
	key(p, "c")
	if s = d.last(t, 6); s.Step != "reject" || s.Reason != "RC" {
		t.Errorf("rejected: %+v", s)
	}
	p.Wait(`document.getElementById("said").textContent.includes("rejected")`)
	p.Click("#number")
	p.Type("ar")
	p.Eval(`document.getElementById("number").value = ""; document.activeElement.blur(); 1`, nil)
	p.Click("#keys")
	p.Eval(`document.activeElement.blur(); 1`, nil)
	key(p, "a")
	p.Click("#keys")

	// A letter that answers a question means nothing else: r opens the list, r is improper storage.
	p.Eval(`document.querySelector("#tube-TB260311").focus(); 1`, nil)
	key(p, "r")
	p.Wait(`document.getElementById("ask").open`)
	key(p, "r")
	if s = d.last(t, 7); s.Step != "reject" || s.Reason != "RR" {
		t.Errorf("rejected: %+v", s)
	}
	p.Wait(`!document.getElementById("ask").open && document.getElementById("said").textContent.includes("improper storage")`)

	// With a deviation: who allows it must be named.
	p.Click("#tube-TB260303 [data-act=choose]")
	p.Click("#tube-TB260303 [data-act=deviate]")
	p.Click("[data-act=deviate-send]")
	p.Wait(`document.querySelector("#ask .fault").textContent.includes("Name who")`)
	p.Click("#ask-authoriser")
	p.Type("doctor-h")
	p.Click("[data-act=deviate-send]")
	if s = d.last(t, 8); s.Step != "accept" || s.Details["authoriser"] != "doctor-h" || s.Details["deviation"] != "yes" || s.Reason != "irreplaceable" || s.Label.Text != "TB260303" {
		t.Errorf("with a deviation: %+v", s)
	}
	p.Eval(`document.activeElement.blur(); 1`, nil)
	key(p, "u")
	p.Wait(`document.querySelector("[data-act=unlabelled-send]")`)
	p.Click("[data-act=unlabelled-send]")
	if s = d.last(t, 9); s.Step != "receive" || s.Label.Text != "" || !strings.HasPrefix(s.Details["as"], "TMP-") || s.Carrier != "B-7" {
		t.Errorf("without a label: %+v", s)
	}

	// Finishing says what is missing, and notes the count.
	d.set(func(h *HatchPage) {
		o := *h.Open
		o.Tubes = append([]HatchTube(nil), o.Tubes...)
		for i := range o.Tubes {
			if o.Tubes[i].Tube == "TB260311" {
				o.Tubes[i].Received = 0
			}
		}
		h.Open = &o
	})
	p.Wait(`document.querySelector("#box .missing")`)
	p.Click("[data-act=finish]")
	p.Wait(`document.getElementById("ask-body").textContent.includes("Missing: TB260311")`)
	p.Click("[data-act=finish-send]")
	if s = d.last(t, 10); s.Step != "empty" || s.Label.Text != "B-7" || s.Details["count"] != "8" {
		t.Errorf("finished: %+v", s)
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

// warmBox is a flood: so many tubes of one warm box, and a stray.
func warmBox(n int, now event.Instant) []FlagRow {
	var out []FlagRow
	for i := range n {
		out = append(out, FlagRow{
			Tube: fmt.Sprintf("TB%06d", i), Episode: int64(i%3 + 1), Verdict: event.PastLimit, Action: event.AskNewSample, Since: now,
			Cause: event.Cause{Kind: event.CauseBox, Name: "B-7"}, CauseName: "box B-7", Tests: []FlagTestRow{heated("potassium", 38, 30)},
		})
	}
	return out
}

func TestHatchFloodSoundsOnceAndLosesNone(t *testing.T) {
	const tubes = 500
	page := hatchEmpty()
	d, p := openHatch(t, page, "/hatch?place=LAB")
	p.Click("#sound")
	p.Wait(`document.getElementById("silent").textContent === "sound on"`)
	d.set(func(h *HatchPage) { h.Flags = warmBox(tubes, h.Now) })
	p.Wait(`document.querySelectorAll("#hands > li").length === 1 && document.getElementById("sound").dataset.sounded === "1"`)
	p.Wait(`document.getElementById("alarm").textContent.includes("500 tubes of box B-7")`)
	var members int
	p.Eval(`document.querySelectorAll("#hands .member-list li").length`, &members)
	if members != tubes {
		t.Errorf("%d of %d tubes are in the line", members, tubes)
	}
	// More of the same cause: no further sound. Silence, then a new worst cause breaks it.
	d.set(func(h *HatchPage) { h.Flags = warmBox(tubes+1, h.Now) })
	p.Wait(`document.querySelector("#hands h3").textContent.includes("501 tubes")`)
	p.Click("#silence")
	p.Wait(`document.getElementById("silent").textContent.startsWith("sound off until")`)
	quiet := FlagRow{Tube: "TB900001", Episode: 1, Verdict: event.CannotSay, Action: event.LookAtTube, Since: page.Now}
	d.set(func(h *HatchPage) { h.Flags = append(h.Flags, quiet) })
	p.Wait(`document.getElementById("flag-TB900001")`)
	var sounded string
	p.Eval(`document.getElementById("sound").dataset.sounded`, &sounded)
	if sounded != "1" {
		t.Errorf("sounded %s times: once for one cause, and silence holds for what is not the worst", sounded)
	}
	worst := FlagRow{Tube: "TB900002", Episode: 1, Verdict: event.PastLimit, Action: event.RunNow, Since: page.Now}
	d.set(func(h *HatchPage) { h.Flags = append(h.Flags, worst) })
	p.Wait(`document.getElementById("flag-TB900002") && document.getElementById("sound").dataset.sounded === "2" && document.getElementById("silent").textContent === "sound on"`)

	// All of the line at once, none lost, each with its own episode.
	p.Eval(`document.querySelector("#hands .group").closest("li").focus(); 1`, nil)
	key(p, "t")
	d.last(t, tubes+1)
	seen := map[string]bool{}
	for _, s := range d.sent() {
		var n int
		_, _ = fmt.Sscanf(s.Label.Text, "TB%d", &n)
		if s.Step != "take-flag" || s.Details["episode"] != fmt.Sprint(n%3+1) || s.By != "lena" {
			t.Fatalf("taken: %+v", s)
		}
		seen[s.Label.Text] = true
	}
	if len(seen) != tubes+1 {
		t.Errorf("%d of %d tubes were taken", len(seen), tubes+1)
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

func TestHatchFlagsAndHandover(t *testing.T) {
	d, p := openHatch(t, hatchBusy(), "/hatch?place=LAB")
	p.Wait(`document.querySelector("#flag-DEMO-0004 .mark").textContent === "taken by mira 10:05" || document.querySelector("#flag-DEMO-0004 .mark").textContent.startsWith("taken by mira")`)

	p.Click("#flag-DEMO-0009 [data-act=act]")
	p.Wait(`document.querySelector("[data-act=act-h]")`)
	key(p, "l")
	if s := d.last(t, 1); s.Step != "act-flag" || s.Details["action"] != "load-now" || s.Details["episode"] != "2" {
		t.Errorf("acted: %+v", s)
	}
	p.Click("#flag-DEMO-0011 [data-act=aside]")
	p.Wait(`document.querySelector("[data-act=aside-send]")`)
	p.Click("[data-act=aside-send]")
	s := d.last(t, 2)
	until, err := time.Parse(time.RFC3339, s.Details["until"])
	if left := time.Until(until); s.Step != "put-aside" || err != nil || left < 28*time.Minute || left > 31*time.Minute || s.Reason != "doctor-asked" {
		t.Errorf("put aside until %s (%v): %+v", until, left, s)
	}
	p.Eval(`document.getElementById("aside-all").open = true; 1`, nil)
	p.Click("#off-flag-DEMO-0015 [data-act=back]")
	if s = d.last(t, 3); s.Step != "void" || s.Details["scan"] != "s-2" || s.Label.Text != "DEMO-0015" {
		t.Errorf("brought back: %+v", s)
	}
	p.Click(`#held [data-by="lena"] [data-act=take-all]`)
	if s = d.last(t, 4); s.Step != "take-flag" || s.Label.Text != "DEMO-0017" || s.By != "lena" {
		t.Errorf("taken over: %+v", s)
	}
	// A scientist's matter: the server says so, and nothing was done.
	d.mu.Lock()
	d.refuse["override"] = "override here is for: scientist; ask one of them"
	d.mu.Unlock()
	p.Click("#flag-DEMO-0009 [data-act=override]")
	p.Wait(`document.querySelector("[data-act=override-send]")`)
	p.Click("[data-act=override-send]")
	p.Wait(`document.getElementById("refused").textContent.includes("is for: scientist")`)

	p.Click("#samples .sample [data-act=sample-ask]")
	p.Wait(`document.querySelector("[data-act=ask-w]")`)
	key(p, "w")
	for range 2 {
		s = d.last(t, 6)
	}
	if s.Step != "ask-sample" || s.Reason != "too-warm" || s.Label.Text != "DEMO-0024" {
		t.Errorf("asked: %+v", s)
	}
	p.Click(`#samples [data-state="asked"] [data-act=sample-decline]`)
	p.Wait(`document.querySelector("[data-act=decline-r]")`)
	key(p, "r")
	if s = d.last(t, 7); s.Step != "decline-sample" || s.Draw != "D-38" || s.Reason != "patient-refused" {
		t.Errorf("declined: %+v", s)
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

// Work goes on when nothing answers, and the page says how much is not sent.
func TestHatchGoesOnWithoutTheSystem(t *testing.T) {
	d, p := openHatch(t, hatchBusy(), "/hatch?place=LAB")
	p.Wait(`document.getElementById("queue").textContent === "all sent"`)
	d.mu.Lock()
	d.down = true
	d.mu.Unlock()
	p.Click("#number")
	p.Type("TB260399")
	p.Click("[data-act=number]")
	p.Wait(`document.getElementById("queue").textContent.startsWith("not sent yet: 1")`)
	p.Wait(`document.getElementById("said").textContent.includes("Kept here")`)
	d.mu.Lock()
	d.down = false
	d.mu.Unlock()
	p.Wait(`document.getElementById("queue").textContent === "all sent"`)
	if s := d.last(t, 1); s.Step != "receive" || s.Mode != "reported" || s.Label.How != "typed" {
		t.Errorf("sent later: %+v", s)
	}
}

// Nothing moves under the hand: a row with the focus stays, and a new worst comes above it.
func TestHatchKeepsTheFocus(t *testing.T) {
	d, p := openHatch(t, hatchBusy(), "/hatch?place=LAB")
	p.Eval(`document.querySelector("#flag-DEMO-0009 [data-act=take]").focus(); window.row = document.getElementById("flag-DEMO-0009"); 1`, nil)
	fresh := hatchBusy().Flags[0]
	fresh.Tube, fresh.Mark, fresh.By = "DEMO-0099", FlagMark{}, event.At(time.Now())
	d.set(func(h *HatchPage) { h.Flags = append(h.Flags, fresh) })
	p.Wait(`document.querySelector("#hands > li").id === "flag-DEMO-0099"`)
	var same bool
	p.Eval(`document.activeElement.closest("li") === window.row && window.row === document.getElementById("flag-DEMO-0009")`, &same)
	if !same {
		t.Error("the row lost its focus")
	}
	d.set(func(h *HatchPage) { h.Flags[1].Verdict = event.PastLimit; h.Flags[1].By = 1 })
	p.Wait(`document.getElementById("flag-DEMO-0009").classList.contains("is-past")`)
	p.Eval(`document.activeElement.closest("li") === window.row`, &same)
	if !same {
		t.Error("the row was moved under the hand")
	}
	p.Eval(`document.activeElement.blur(); 1`, nil)
	p.Wait(`document.querySelector("#hands > li").id === "flag-DEMO-0009"`)
}
