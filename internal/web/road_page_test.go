package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/web/browsertest"
)

// roadServer is the page with what it needs of the API: one round, whose times are
// brought to today, and scans that are taken unless they name what is refused.
type roadServer struct {
	*httptest.Server
	mu    sync.Mutex
	scans []map[string]any // all that came, in order
	away  bool             // no answer comes
}

var roundTimes = regexp.MustCompile(`2026-11-24T\d\d:\d\d:00Z`)

func newRoadServer(t *testing.T) *roadServer {
	t.Helper()
	text, err := os.ReadFile("testdata/round.json")
	if err != nil {
		t.Fatal(err)
	}
	// The minute at which the fixture is looked at is now.
	shift := time.Since(time.Date(2026, 11, 24, 8, 11, 0, 0, time.UTC))
	round := roundTimes.ReplaceAllFunc(text, func(at []byte) []byte {
		when, err := time.Parse(time.RFC3339, string(at))
		if err != nil {
			t.Error(err)
		}
		return []byte(when.Add(shift).Format(time.RFC3339))
	})
	s := &roadServer{}
	mux := http.NewServeMux()
	mux.Handle("/", quiet(Story{}))
	answer := func(w http.ResponseWriter, body any) {
		s.mu.Lock()
		away := s.away
		s.mu.Unlock()
		if away {
			panic(http.ErrAbortHandler)
		}
		w.Header().Set("Content-Type", "application/json")
		if err := json.NewEncoder(w).Encode(body); err != nil {
			t.Error(err)
		}
	}
	mux.HandleFunc("GET /v1/me", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, map[string]any{"kind": "person", "id": "OSKAR", "role": "courier", "place": "HARBOUR", "now": time.Now().UTC().Format("2006-01-02T15:04:05.000Z")})
	})
	mux.HandleFunc("GET /v1/rounds", func(w http.ResponseWriter, _ *http.Request) {
		s.mu.Lock()
		moved := len(s.scans) > 0
		s.mu.Unlock()
		if moved {
			w.WriteHeader(http.StatusNoContent) // the fixture knows the round only as it was
			return
		}
		answer(w, json.RawMessage(round))
	})
	mux.HandleFunc("POST /v1/phones:tell", func(w http.ResponseWriter, _ *http.Request) { answer(w, map[string]any{}) })
	mux.HandleFunc("POST /v1/scans", func(w http.ResponseWriter, r *http.Request) {
		var ask struct{ Scans []map[string]any }
		if err := json.NewDecoder(r.Body).Decode(&ask); err != nil {
			t.Error(err)
		}
		var answers []any
		s.mu.Lock()
		for _, scan := range ask.Scans {
			if s.away {
				continue
			}
			s.scans = append(s.scans, scan)
			a := map[string]any{"id": scan["id"], "answer": "recorded", "state": "pending"}
			if scan["step"] == "pack" && scan["mode"] != "reported" && strings.Contains(fmt.Sprint(scan["label"]), "DEMO-0199") {
				a["answer"], a["refusal"], a["say"] = "refused", "disposed", "This tube was discarded at 07:40."
			}
			if strings.Contains(fmt.Sprint(scan["label"]), "DEMO-0197") {
				a["answer"], a["refusal"] = "refused", "held" // also of what already happened
			}
			if scan["step"] == "release" && fmt.Sprint(scan["details"]) != "" && strings.Contains(fmt.Sprint(scan["details"]), "count") {
				a["doubts"] = []any{map[string]any{"doubt": "missing"}}
			}
			answers = append(answers, a)
		}
		s.mu.Unlock()
		answer(w, map[string]any{"answers": answers})
	})
	s.Server = httptest.NewServer(mux)
	t.Cleanup(func() { s.CloseClientConnections(); s.Close() })
	return s
}

func (s *roadServer) stayAway(away bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.away = away
}

// roadPage does what a courier does.
type roadPage struct{ *browsertest.Page }

// scan types a label into the field that is on every screen.
func (p roadPage) scan(label string) {
	p.Wait(`document.querySelector("#scan-typed")`)
	p.Eval(fmt.Sprintf(`{ const f = document.querySelector("#scan-typed"); f.value = %q; f.form.requestSubmit(); window.before = document.querySelector("main").firstElementChild; } 1`, label), nil)
	p.Wait(`document.querySelector("main").firstElementChild !== window.before || document.querySelector(".tell")`)
}

// press presses a key by its text in the catalogue, or a row by its label.
func (p roadPage) press(key string) {
	selector := fmt.Sprintf(`[data-act="road.%s"], [data-id="%s"]`, key, key)
	p.Wait(fmt.Sprintf(`document.querySelector(%q)`, selector))
	p.Eval(fmt.Sprintf(`window.before = document.querySelector("main").firstElementChild; document.querySelector(%q).click(); 1`, selector), nil)
	p.Wait(`document.querySelector("main").firstElementChild !== window.before`)
}

// roadTour leads through every screen of the courier, in one go: "scan X" or "press Y",
// then what the heading says there.
var roadTour = []struct{ name, way, head string }{
	{"round", "", "Your round"},
	{"stop", "scan HARBOUR", "harbour shed"},
	{"box", "press BOX-4", "BOX-4"},
	{"handling", "press handling", "How is BOX-4 kept?"},
	{"logger", "press back; press logger", "Logger"},
	{"seal", "press back; press seal", "Seal BOX-4"},
	{"give", "press back; press give", "Hand over"},
	{"what", "press back; scan Q-17", "What is Q-17?"},
	{"take", "press back; scan BOX-2", "Take over"},
	{"receipt", "scan BOX-2", "Taken over"},
	{"pack-tube-first", "press go-on; scan DEMO-0151", "Pack"},
	{"open", "scan BOX-2", "Open BOX-2"},
	{"pack", "press back; scan BOX-4", "Pack"},
	{"pack-refused", "scan DEMO-0199", "Pack"},
	{"count", "press done; press back; scan NORTH-SKERRY; scan BOX-1; scan DEMO-0101; scan DEMO-0102; scan DEMO-0198", "Count BOX-1"},
	{"take-differs", "press counted-less", "Take over"},
	{"moving", "press back; press leave", "Next stop"},
	{"arrived", "press arrived", "harbour shed"},
}

func (p roadPage) walk(t *testing.T, way, head string) {
	t.Helper()
	for _, step := range strings.Split(way, "; ") {
		what, arg, _ := strings.Cut(step, " ")
		switch what {
		case "scan":
			p.scan(arg)
		case "press":
			p.press(arg)
		}
	}
	p.Wait(fmt.Sprintf(`[...document.querySelectorAll("main h1")].some((h) => h.textContent === %q)`, head))
}

func openRoad(t *testing.T, s *roadServer, look browsertest.Look) roadPage {
	t.Helper()
	p := roadPage{browsertest.Open(t, s.URL+"/road", look)}
	p.Wait(`document.querySelector("[data-id='BOX-4']")`)
	return p
}

var roadLook = browsertest.Look{Width: 390, Height: 844, Scale: 1, Touch: true}

// tall is a look as high as the page.
func tall(p roadPage, look browsertest.Look) browsertest.Look {
	var height int
	p.Eval(`document.documentElement.scrollHeight`, &height)
	look.Height = max(height, look.Height)
	return look
}

// Every screen of the courier: nothing keeps people out, in light and dark, at 320 px and
// with text twice as large; keys are large enough for gloves.
func TestRoadScreens(t *testing.T) {
	s := newRoadServer(t)
	shots := os.Getenv("ROAD_SHOTS") // a folder, for looking at
	dark, narrow := roadLook, roadLook
	dark.Dark, narrow.Width = true, 320
	p := openRoad(t, s, roadLook)
	looked := map[string]bool{}
	shoot := func(name string, look browsertest.Look) {
		if shots == "" {
			return
		}
		p.Look(tall(p, look))
		if err := os.WriteFile(filepath.Join(shots, name+".png"), p.Screenshot(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for i, c := range roadTour {
		p.Look(roadLook)
		p.walk(t, c.way, c.head)
		// As tall as the screen is: what the main key covers while one scrolls is no fault.
		p.Look(tall(p, roadLook))
		// Elements that were looked at on a screen before are not looked at again.
		var kinds []string
		p.Eval(`[...document.querySelectorAll("body *")].map((e) => [e.tagName, e.className.baseVal ?? e.className, e.parentElement.className].join(" "))`, &kinds)
		fresh := slices.ContainsFunc(kinds, func(k string) bool { return !looked[k] })
		for _, k := range kinds {
			looked[k] = true
		}
		if fresh {
			for _, v := range p.Axe() {
				t.Errorf("%s: %s", c.name, v)
			}
		}
		shoot(fmt.Sprintf("%02d-%s-light", i, c.name), roadLook)
		p.Look(tall(p, dark))
		if fresh {
			for _, v := range p.Axe("color-contrast") {
				t.Errorf("%s, dark: %s", c.name, v)
			}
		}
		shoot(fmt.Sprintf("%02d-%s-dark", i, c.name), dark)
		p.Look(narrow)
		var small []string
		p.Eval(`[...document.querySelectorAll("main button, main summary, main a")].filter((e) => e.offsetParent && e.getBoundingClientRect().height < (e.classList.contains("main") ? 96 : 71.5)).map((e) => e.textContent + " " + e.getBoundingClientRect().height)`, &small)
		if len(small) > 0 {
			t.Errorf("%s: too small for a glove: %q", c.name, small)
		}
		for _, size := range []string{"200%", "100%"} {
			p.Eval(fmt.Sprintf(`document.documentElement.style.fontSize = %q`, size), nil)
			var wide []string
			p.Eval(`document.documentElement.scrollWidth <= 320 ? [] : [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > 320).map((e) => e.tagName + "." + e.className)`, &wide)
			if len(wide) > 0 {
				t.Errorf("%s: at 320 px and %s it is too wide: %q", c.name, size, wide)
			}
			if size == "200%" {
				shoot(fmt.Sprintf("%02d-%s-large", i, c.name), narrow)
			}
		}
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

// What was kept and is refused afterwards counts no more, and is said until somebody has
// understood it; whoever drives hears of it when they have arrived.
func TestRoadSaysWhatWasRefusedLate(t *testing.T) {
	s := newRoadServer(t)
	p := openRoad(t, s, roadLook)
	s.stayAway(true)
	p.walk(t, "scan DEMO-0197; press is-tube; scan BOX-4; press done", "BOX-4")
	p.Wait(`document.querySelector("main").innerText.includes("3 tubes")`)
	p.walk(t, "press back; press leave", "Next stop")
	s.stayAway(false)
	p.Eval(`dispatchEvent(new Event("online"))`, nil)
	p.Wait(`document.documentElement.dataset.waiting === "0"`)
	p.Wait(`document.querySelector(".bar-state").textContent.includes("everything is sent") && !document.querySelector(".road-notice")`)
	p.walk(t, "press arrived", "reception of the laboratory")
	// The tube that hurries first, as it came first.
	var notices []string
	for range 2 {
		var text string
		p.Wait(`document.querySelector(".road-notice")`)
		p.Eval(`document.querySelector(".road-notice p").textContent`, &text)
		notices = append(notices, strings.TrimSpace(text))
		p.press("understood")
	}
	p.Wait(`!document.querySelector(".road-notice")`)
	all := strings.Join(notices, "\n")
	if !strings.Contains(all, "DEMO-0197: a scan of yours was not taken afterwards") || !strings.Contains(all, "BOX-4: hurry") {
		t.Errorf("it says %q", notices)
	}
	p.walk(t, "press BOX-4", "BOX-4")
	p.Wait(`document.querySelector("main").innerText.includes("2 tubes")`)
}
