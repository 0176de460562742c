package web

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"specimen.example/custody/internal/web/browsertest"
	"specimen.example/custody/internal/web/printing"
	"specimen.example/custody/internal/web/printing/printtest"
)

// onPaper prints what is at url by a real browser and gives its sheets as a printer with
// so many dots to the inch puts them on paper: black or white, nothing between.
func onPaper(t *testing.T, browser *browsertest.Page, url string, dpi int) []image.Image {
	t.Helper()
	browser.Afresh(t, url, browsertest.Look{Dark: true})
	return rasterised(t, browser.PDF(), dpi)
}

func rasterised(t *testing.T, pdf []byte, dpi int) []image.Image {
	t.Helper()
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Fatal("pdftoppm is missing; install poppler-utils (make test does)")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "sheets.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), "pdftoppm", "-r", fmt.Sprint(dpi), "-gray", "-png", file, filepath.Join(dir, "p")).CombinedOutput()
	if err != nil {
		t.Fatalf("pdftoppm: %v: %s", err, out)
	}
	names, err := filepath.Glob(filepath.Join(dir, "p*.png"))
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(names) // numbered with leading zeros
	var sheets []image.Image
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		sheets = append(sheets, printtest.OneBit(img))
	}
	return sheets
}

// served is a story's front, as a server.
func served(t *testing.T, s Story) string {
	t.Helper()
	server := httptest.NewServer(New(s, Options{Now: func() time.Time { return storyNow.Time() }}))
	t.Cleanup(server.Close)
	return server.URL
}

// symbolOnPage is a symbol as the page's own markup draws it, in dots.
type symbolOnPage struct {
	zone   image.Rectangle // with its quiet zone
	module int
	bars   bool
}

var (
	labelMarkup  = regexp.MustCompile(`(?s)<svg class="label".*?</svg>`)
	symbolMarkup = regexp.MustCompile(`<path shape-rendering="crispEdges" d="([^"]+)"`)
	moduleMarkup = regexp.MustCompile(`M(\d+) (\d+)h(\d+)v(\d+)`)
)

// symbolsAt finds the symbols of each label of a page in its markup.
func symbolsAt(t *testing.T, url string) [][]symbolOnPage {
	t.Helper()
	resp, err := http.Get(url) //nolint:gosec,noctx // a server of this test
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s answers %d, %v", url, resp.StatusCode, err)
	}
	var out [][]symbolOnPage
	for _, svg := range labelMarkup.FindAllString(string(body), -1) {
		var symbols []symbolOnPage
		for _, path := range symbolMarkup.FindAllStringSubmatch(svg, -1) {
			symbols = append(symbols, symbolIn(t, path[1]))
		}
		out = append(out, symbols)
	}
	return out
}

func symbolIn(t *testing.T, path string) symbolOnPage {
	t.Helper()
	var s symbolOnPage
	rows := map[int]bool{}
	for i, m := range moduleMarkup.FindAllStringSubmatch(path, -1) {
		var n [4]int
		for j := range n {
			v, err := strconv.Atoi(m[j+1])
			if err != nil {
				t.Fatal(err)
			}
			n[j] = v
		}
		if i == 0 {
			s.module = n[2] / 2 // every start character of Code 128 begins with two dark modules
		}
		rows[n[1]] = true
		s.zone = s.zone.Union(image.Rect(n[0], n[1], n[0]+n[2], n[1]+n[3]))
		if len(rows) > 1 {
			s.module = n[3]
		}
	}
	if s.bars = len(rows) == 1; s.bars {
		s.zone.Min.X -= 10 * s.module // ISO/IEC 15417
		s.zone.Max.X += 10 * s.module
	} else {
		s.zone = s.zone.Inset(-s.module) // ISO/IEC 16022
	}
	return s
}

// The proof of the labels: what a real browser prints, in the dots of a printer, is
// read back by a reader that shares no line with what drew it: each symbol of each
// label, byte by byte, with the mark that makes it a GS1 symbol or not.
func TestPrintedLabelsAreReadBack(t *testing.T) {
	site := Story{printed: printSite()}
	base := served(t, site)
	browser := browsertest.Open(t, "", browsertest.Look{})
	type said struct{ matrix, bars printtest.Read }
	plain := func(text string) said {
		return said{printtest.Read{ID: "]d1", Sent: text}, printtest.Read{ID: "]C0", Sent: text}}
	}
	gs1 := func(text string) said {
		return said{printtest.Read{ID: "]d2", Sent: text}, printtest.Read{ID: "]C1", Sent: text}}
	}
	for _, c := range []struct {
		path string
		size string
		want []said
	}{
		{"tubes?request=R-7731", "50.8x25.4", []said{plain("TB2601182"), plain("TB2601199"), gs1("91260114")}},
		{"tubes?number=TB2601182&number=DT-004&number=260114&ward=north", "60x40", []said{plain("TB2601182"), plain("DT-004"), gs1("91260114")}},
		{"carriers?known=all", "101.6x50.8", []said{plain("B-3"), plain("G-2"), gs1("00106141412345678908")}},
		{"carriers?number=(8003)00614141008889B7", "100x50", []said{gs1("800300614141008889B7")}},
		// FNC1 between two elements: the extension of a place behind its number.
		{"hatches?number=HATCH-1&number=(414)0614141008889(254)A7", "101.6x50.8", []said{plain("HATCH-1"), gs1("414061414100888925" + "4A7")}},
		{"downtime?scheme=DT&from=DT-008&count=4&ward=north&as=labels", "50.8x25.4", []said{plain("DT-008"), plain("DT-009"), plain("DT-010"), plain("DT-011")}},
	} {
		for _, dpi := range []printing.DPI{203, 300} {
			t.Run(fmt.Sprintf("%s at %d", c.path, dpi), func(t *testing.T) {
				url := fmt.Sprintf("%s/print/%s&size=%s&dpi=%d", base, c.path, c.size, dpi)
				symbols := symbolsAt(t, url)
				sheets := onPaper(t, browser, url, int(dpi))
				if len(sheets) != len(c.want) || len(symbols) != len(c.want) {
					t.Fatalf("%d labels came out on %d sheets, %d were wanted", len(symbols), len(sheets), len(c.want))
				}
				size, err := printing.ParseSize(c.size)
				if err != nil {
					t.Fatal(err)
				}
				for i, sheet := range sheets {
					if w, h := sheet.Bounds().Dx(), sheet.Bounds().Dy(); off(w, size.Width, dpi) || off(h, size.Height, dpi) {
						t.Errorf("sheet %d is %d x %d dots, the paper %s mm", i+1, w, h, c.size)
					}
					var got said
					for _, s := range symbols[i] {
						part := printtest.Seen(sheet, s.zone)
						if s.bars {
							got.bars, err = printtest.Bars(part)
						} else {
							got.matrix, err = printtest.Matrix(part)
						}
						if err != nil {
							t.Errorf("sheet %d, %d dots a module, bars %v: %v", i+1, s.module, s.bars, err)
						}
						if module := float64(s.module) * 25.4 / float64(dpi); module < 0.25 {
							t.Errorf("sheet %d: a module of %.3f mm, less than 0.25", i+1, module)
						}
					}
					if got != c.want[i] {
						t.Errorf("sheet %d reads %q, want %q", i+1, got, c.want[i])
					}
				}
			})
		}
	}
}

// off tells whether a side is not the paper's, to one dot and the browser's rounding
// to its own pixels.
func off(dots, mm100 int, dpi printing.DPI) bool {
	want := float64(mm100) * float64(dpi) / 2540
	return float64(dots) < want-3 || float64(dots) > want+3
}
