package web

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web/browsertest"
)

func TestMain(m *testing.M) { os.Exit(browsertest.Main(m)) }

// gallery serves every story, each below its name.
func gallery(t *testing.T) string {
	t.Helper()
	mux := http.NewServeMux()
	for _, s := range Stories() {
		base := "/" + s.Name
		mux.Handle(base+"/", http.StripPrefix(base, s.Handler(base)))
	}
	server := httptest.NewServer(mux)
	// A wall's stream has no end of its own.
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	return server.URL
}

// steered is a source whose wall a test changes.
type steered struct {
	Story   // tells all the rest
	mu      sync.Mutex
	page    WallPage
	changes chan Change
}

func (s *steered) set(change func(*WallPage)) {
	s.mu.Lock()
	s.page.Seq++
	change(&s.page)
	seq := s.page.Seq
	s.mu.Unlock()
	s.changes <- Change{Seq: seq}
}

func (s *steered) Wall(context.Context) (WallPage, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.page
	p.Flags = append([]FlagRow(nil), p.Flags...)
	return p, nil
}

func (s *steered) Watch(context.Context, uint64) (<-chan Change, error) { return s.changes, nil }

// The instant is today's, because the browser measures its silence by its own clock.
func steeredWall() *steered {
	p := wallBusy()
	p.Now = event.At(time.Now())
	return &steered{page: p, changes: make(chan Change, 8)}
}

func TestWallFollows(t *testing.T) {
	src := steeredWall()
	server := httptest.NewServer(New(src, Options{}))
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	p := browsertest.Open(t, server.URL+"/wall", browsertest.Wall)
	p.Wait(`document.getElementById("live").textContent === "live"`)
	p.Eval(`document.querySelector("#flag-DEMO-0004 a").focus(); window.kept = document.querySelector("#flag-DEMO-0004"); 1`, nil)

	src.set(func(w *WallPage) {
		for i := range w.Flags {
			if w.Flags[i].Tube == "DEMO-0004" {
				w.Flags[i].Action = event.RunNow
				w.Flags[i].ActionNote = ""
			}
		}
		fresh := w.Flags[1]
		fresh.Tube, fresh.Since = "DEMO-0021", w.Now
		w.Flags = append(w.Flags, fresh)
		w.Boxes = w.Boxes[1:]
	})
	p.Wait(`document.querySelector("#flag-DEMO-0004 .do").textContent === "Run it now"`)
	p.Wait(`document.querySelector("#flag-DEMO-0021") && !document.querySelector("#flag-DEMO-0021 .fresh").hidden`)
	p.Wait(`!document.getElementById("box-B-7")`)
	var same, focus bool
	p.Eval(`window.kept === document.querySelector("#flag-DEMO-0004")`, &same)
	p.Eval(`document.activeElement === document.querySelector("#flag-DEMO-0004 a")`, &focus)
	if !same || !focus {
		t.Errorf("a change replaced the row (same %v) or took its focus (kept %v)", same, focus)
	}

	p.Click("#hold")
	src.set(func(w *WallPage) { w.Flags = w.Flags[:1] })
	p.Wait(`document.getElementById("hold").textContent.includes("1 changes wait") && document.getElementById("flag-DEMO-0021")`)
	p.Click("#hold")
	p.Wait(`document.querySelectorAll("#flags > li").length === 1`)
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

func TestWallSaysNotLive(t *testing.T) {
	src := steeredWall()
	server := httptest.NewServer(New(src, Options{}))
	p := browsertest.Open(t, "", browsertest.Wall)
	// Time runs a hundred times faster for the page, or the test would take half a minute.
	p.Navigate(server.URL + "/wall")
	p.Wait(`document.getElementById("live").textContent === "live"`)
	p.Eval(`{ const now = performance.now.bind(performance); const t0 = now(); performance.now = () => t0 + (now() - t0) * 100; } 1`, nil)
	server.CloseClientConnections()
	if err := server.Listener.Close(); err != nil {
		t.Fatal(err)
	}
	p.Wait(`document.body.classList.contains("is-stale") && !document.getElementById("stale").hidden`)
	p.Wait(`document.getElementById("live").textContent.startsWith("not live since") && document.title.startsWith("NOT LIVE")`)
	server.Close()
}

// 20 arc minutes at 4 m are 23 mm (ISO 9241-303, from memory: about 20 to 22, at least
// 16): on a wall 1.2 m and 1920 px wide 37 px. Priority, what to do, which tube and by
// when must have that; and more lines than four.
func TestWallIsReadFromFourMetres(t *testing.T) {
	p := wallBusy()
	p.Late, p.Now = nil, event.At(time.Now())
	for i := range 14 {
		f := p.Flags[1]
		f.Tube, f.Box, f.Since = fmt.Sprintf("DEMO-01%02d", i), "", p.Now
		p.Flags = append(p.Flags, f)
	}
	src := &steered{page: p, changes: make(chan Change, 8)}
	server := httptest.NewServer(New(src, Options{}))
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	b := browsertest.Open(t, server.URL+"/wall", browsertest.Wall)
	var low []string
	b.Eval(`(() => {
		const pen = document.createElement("canvas").getContext("2d");
		const out = [];
		for (const q of [".flag h3 a", ".flag .do", ".by-at", ".due-at", ".box-name", "#clock", "h1"]) {
			const e = document.querySelector(q), s = getComputedStyle(e);
			pen.font = s.fontWeight + " " + s.fontSize + " " + s.fontFamily;
			const capital = pen.measureText("H").actualBoundingBoxAscent;
			if (!(capital >= 36.8)) out.push(q + ": " + capital.toFixed(1) + " px");
		}
		for (const e of document.querySelectorAll(".flag .plate .shape")) if (e.getBoundingClientRect().height < 37) out.push("a shape");
		return out;
	})()`, &low)
	if len(low) > 0 {
		t.Errorf("too small for 4 m: %q", low)
	}
	var seen int
	b.Eval(`[...document.querySelectorAll("#flags > li")].filter(r => r.getBoundingClientRect().bottom <= innerHeight).length`, &seen)
	if seen < 7 {
		t.Errorf("%d lines are in view on a wall of 1920 x 1080", seen)
	}
	b.Wait(`!document.getElementById("below").hidden && document.getElementById("below").textContent.includes("more lines below")`)
}

func TestAxe(t *testing.T) {
	base := gallery(t)
	checked := map[string]bool{}
	for _, s := range Stories() {
		checked[s.Name] = s.alike == ""
	}
	p := browsertest.Open(t, "", browsertest.Look{})
	for _, s := range Stories() {
		if s.alike != "" {
			if !checked[s.alike] {
				t.Errorf("%s is said to be like %s, which isn't checked", s.Name, s.alike)
			}
			continue
		}
		t.Run(s.Name, func(t *testing.T) {
			desk := browsertest.Look{Width: 1280, Height: 900, Still: true}
			p.Afresh(t, base+"/"+s.Name+s.Path, desk)
			looks := []browsertest.Look{
				desk,
				{Width: 390, Height: 844, Still: true, Dark: true},
			}
			if s.wall != nil {
				looks = append(looks, browsertest.Look{Width: 1920, Height: 1080, Still: true, Dark: true})
			}
			var rules []string // all of them at first
			for _, look := range looks {
				p.Look(look)
				found := p.Axe(rules...)
				// What another width or colours can break; names and structure stay.
				rules = []string{"color-contrast", "target-size", "scrollable-region-focusable", "link-in-text-block"}
				for _, v := range found {
					t.Errorf("%d wide, dark %v: %s", look.Width, look.Dark, v)
				}
			}
			// WCAG 1.4.10: no sideways scroll at 320 CSS pixels.
			p.Look(browsertest.Look{Width: 320, Height: 640, Touch: true})
			var wide int
			p.Eval(`document.documentElement.scrollWidth`, &wide)
			if wide > 320 {
				t.Errorf("at 320 px the page is %d px wide", wide)
			}
		})
	}
}

// The label of a deadline must not be cut off, whatever the fonts.
func TestPictureHoldsItsTexts(t *testing.T) {
	base := gallery(t)
	p := browsertest.Open(t, "", browsertest.Look{})
	for _, s := range Stories() {
		if s.tube == nil || s.fault != nil {
			continue
		}
		p.Navigate(base + "/" + s.Name + s.Path)
		for _, look := range []browsertest.Look{{}, {Width: 360, Height: 740}} {
			p.Look(look)
			var out []string
			p.Eval(`[...document.querySelectorAll("figure svg text")].filter(e => {
				const svg = e.ownerSVGElement.getBoundingClientRect(), r = e.getBoundingClientRect();
				return r.width > 0 && (r.left < svg.left - 1 || r.right > svg.right + 1 || r.bottom > svg.bottom + 1);
			}).map(e => e.textContent)`, &out)
			if len(out) > 0 {
				t.Errorf("%s at %d px: outside the picture: %q", s.Name, look.Width, out)
			}
		}
	}
}
