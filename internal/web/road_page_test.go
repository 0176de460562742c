package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
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
			http.Error(w, "the fixture knows the round as it was alone", http.StatusServiceUnavailable)
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

// forget begins anew.
func (s *roadServer) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.scans = nil
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

// roadStates are the screens, by the way to them: "scan X" or "press Y".
var roadStates = []struct{ name, way, head string }{
	{"round", "", "Your round"},
	{"stop", "scan HARBOUR", "harbour shed"},
	{"box", "press BOX-4", "BOX-4"},
	{"take", "scan BOX-2", "Take over"},
	{"take-counted", "scan BOX-1; scan DEMO-0101; scan DEMO-0102; scan DEMO-0199", "Count BOX-1"},
	{"take-differs", "scan BOX-1; scan DEMO-0101; scan DEMO-0151; press counted-less; scan NORTH-SKERRY", "Take over"},
	{"receipt", "scan BOX-2; scan BOX-2", "Taken over"},
	{"pack-tube-first", "scan DEMO-0151", "Pack"},
	{"pack", "scan DEMO-0151; scan BOX-4", "Pack"},
	{"pack-refused", "scan DEMO-0151; scan BOX-4; scan DEMO-0199", "Pack"},
	{"open", "press HARBOUR; scan DEMO-0151; scan BOX-2", "Open BOX-2"},
	{"seal", "press BOX-4; press seal", "Seal BOX-4"},
	{"logger", "press BOX-4; press logger", "Logger"},
	{"handling", "press BOX-4; press handling", "How is BOX-4 kept?"},
	{"give", "press BOX-4; press give", "Hand over"},
	{"moving", "press leave", "Next stop"},
	{"arrived", "press leave; press arrived", "reception of the laboratory"},
	{"what", "scan Q-17", "What is Q-17?"},
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

// Every screen of the courier: nothing keeps people out, in light and dark, at 320 px and
// with text twice as large; keys are large enough for gloves.
func TestRoadScreens(t *testing.T) {
	s := newRoadServer(t)
	shots := os.Getenv("ROAD_SHOTS") // a folder, for looking at
	for _, c := range roadStates {
		t.Run(c.name, func(t *testing.T) {
			s.forget()
			p := openRoad(t, s, roadLook)
			p.walk(t, c.way, c.head)
			dark := roadLook
			dark.Dark = true
			for name, look := range map[string]browsertest.Look{"light": roadLook, "dark": dark} {
				p.Look(look)
				for _, v := range p.Axe() {
					t.Errorf("%s: %s", name, v)
				}
				if shots != "" {
					tall := look
					var height int
					p.Eval(`document.documentElement.scrollHeight`, &height)
					tall.Height = max(height, look.Height)
					p.Look(tall)
					p.Eval(`scrollTo(0, 0)`, nil)
					if err := os.WriteFile(filepath.Join(shots, c.name+"-"+name+".png"), p.Screenshot(), 0o600); err != nil {
						t.Fatal(err)
					}
				}
			}
			narrow := roadLook
			narrow.Width = 320
			p.Look(narrow)
			var small []string
			p.Eval(`[...document.querySelectorAll("main button, main summary, main a")].filter((e) => e.offsetParent && e.getBoundingClientRect().height < (e.classList.contains("main") ? 96 : 71.5)).map((e) => e.textContent + " " + e.getBoundingClientRect().height)`, &small)
			if len(small) > 0 {
				t.Errorf("too small for a glove: %q", small)
			}
			for _, size := range []string{"100%", "200%"} {
				p.Eval(fmt.Sprintf(`document.documentElement.style.fontSize = %q`, size), nil)
				var wide []string
				p.Eval(`document.documentElement.scrollWidth <= 320 ? [] : [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > 320).map((e) => e.tagName + "." + e.className)`, &wide)
				if len(wide) > 0 {
					t.Errorf("at 320 px and %s it is too wide: %q", size, wide)
				}
				if shots != "" && size == "200%" {
					if err := os.WriteFile(filepath.Join(shots, c.name+"-large.png"), p.Screenshot(), 0o600); err != nil {
						t.Fatal(err)
					}
				}
			}
			if errs := p.Errors(); len(errs) > 0 {
				t.Errorf("the page complains: %q", errs)
			}
		})
	}
}
