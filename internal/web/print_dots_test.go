package web

import (
	"fmt"
	"image"
	"image/color"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
	"specimen.example/custody/internal/web/printing"
	"specimen.example/custody/internal/web/printing/printtest"
)

func isDark(img image.Image, x, y int) bool {
	g, ok := color.GrayModel.Convert(img.At(x, y)).(color.Gray)
	return ok && g.Y == 0
}

// ink is the smallest rectangle around all that is black in a part of a sheet.
func ink(img image.Image, part image.Rectangle) image.Rectangle {
	var r image.Rectangle
	part = part.Intersect(img.Bounds())
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for x := part.Min.X; x < part.Max.X; x++ {
			if isDark(img, x, y) {
				r = r.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	return r
}

// runs gives how many dots black and white take turns along the middle of the first
// row of modules of a Data Matrix, which is dark and light by turns.
func runs(img image.Image, symbol image.Rectangle) []int {
	var out []int
	last := false
	for x := symbol.Min.X; x < symbol.Max.X; x++ {
		now := isDark(img, x, symbol.Min.Y)
		if len(out) == 0 || now != last {
			out, last = append(out, 0), now
		}
		out[len(out)-1]++
	}
	return out
}

// The self-test: what its label says must be read is read on paper, and each module
// is just so many dots.
func TestSelfTestIsReadBack(t *testing.T) {
	base := served(t, Story{})
	browser := browsertest.Open(t, "", browsertest.Look{})
	for _, dpi := range []printing.DPI{203, 300} {
		url := fmt.Sprintf("%s/print/self-test?dpi=%d", base, dpi)
		symbols := symbolsAt(t, url)
		sheets := onPaper(t, browser, url, int(dpi))
		if len(sheets) != len(dpi.Modules()) || len(symbols) != len(sheets) {
			t.Fatalf("at %d: %d sheets of %d labels", dpi, len(sheets), len(symbols))
		}
		for i, module := range dpi.Modules() {
			for _, s := range symbols[i] {
				if s.module != module {
					t.Errorf("at %d: the label of %d dots draws %d", dpi, module, s.module)
				}
				if !s.bars {
					for _, n := range runs(sheets[i], ink(sheets[i], s.zone)) {
						if n != module {
							t.Errorf("at %d: a module of %d dots came out as %d", dpi, module, n)
						}
					}
				}
				if !dpi.Must(module) {
					continue // may be read or not: nothing rests on it
				}
				read, want := printtest.Matrix, "]d1"
				if s.bars {
					read, want = printtest.Bars, "]C0"
				}
				got, err := read(printtest.Seen(sheets[i], s.zone))
				if err != nil || got != (printtest.Read{ID: want, Sent: dpi.TestWord(module)}) {
					t.Errorf("at %d, %d dots, bars %v: %+v, %v", dpi, module, s.bars, got, err)
				}
			}
		}
	}
}

// Why a module is whole dots: of 2.4 dots some come out as 2 and some as 3, of 2 all
// come out alike. Whether a reader still reads it is luck, so that is not asked.
func TestModulesOfAFractionComeOutUneven(t *testing.T) {
	symbol, err := printing.Matrix(printing.Data{Text: "TB2601182"})
	if err != nil {
		t.Fatal(err)
	}
	browser := browsertest.Open(t, "", browsertest.Look{})
	for _, c := range []struct {
		tenths int // of a dot
		even   bool
	}{{20, true}, {24, false}, {30, true}} {
		page := fmt.Sprintf(`<!doctype html><style>@page { size: 50.8mm 25.4mm; margin: 0 } body { margin: 0 } svg { display: block }</style>
<svg width="%[1]fmm" height="%[1]fmm" viewBox="0 0 %[2]d %[2]d"><path shape-rendering="crispEdges" d="%[3]s"/></svg>`,
			float64((symbol.Cols+8)*c.tenths)/10*25.4/203, symbol.Cols+8, symbol.Path(4, 4, 1, 1))
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/html")
			_, _ = io.WriteString(w, page)
		}))
		sheet := onPaper(t, browser, server.URL, 203)[0]
		server.Close()
		widths := map[int]bool{}
		for _, n := range runs(sheet, ink(sheet, sheet.Bounds())) {
			widths[n] = true
		}
		if (len(widths) == 1) != c.even || c.even && !widths[c.tenths/10] {
			t.Errorf("modules of %d.%d dots come out %v dots wide", c.tenths/10, c.tenths%10, widths)
		}
	}
}

// The symbols in the rows of a downtime sheet are read off the paper of an office
// printer, in order; all rows stand on one sheet.
func TestDowntimeSheetIsReadBack(t *testing.T) {
	base := served(t, Story{printed: printSite()})
	const dpi = 600
	sheets := onPaper(t, browsertest.Open(t, "", browsertest.Look{}), base+"/print/downtime?scheme=DT&from=DT-001&count=14&ward=north", dpi)
	if len(sheets) != 1 {
		t.Fatalf("14 rows take %d sheets", len(sheets))
	}
	mm := func(n float64) int { return int(n * dpi / 25.4) }
	// The symbols stand in the first column, left of the numbers; they have 12 rows of
	// modules of 9 dots (0.38 mm).
	strip := image.Rect(mm(10.6), 0, mm(18), sheets[0].Bounds().Dy())
	var got []string
	top := -1
	for y := 0; y <= strip.Max.Y; y++ {
		dark := false
		for x := strip.Min.X; x < strip.Max.X && y < strip.Max.Y && !dark; x++ {
			dark = isDark(sheets[0], x, y)
		}
		if dark && top < 0 {
			top = y
		}
		if dark || top < 0 {
			continue
		}
		if high := y - top; high >= 12*9-2 && high <= 12*9+2 {
			r, err := printtest.Matrix(printtest.Crop(sheets[0], image.Rect(strip.Min.X, top, strip.Max.X, y), 20))
			if err != nil {
				t.Errorf("row %d: %v", len(got)+1, err)
			}
			got = append(got, r.Sent)
		}
		top = -1
	}
	var want []string
	for i := range 14 {
		want = append(want, fmt.Sprintf("DT-%03d", i+1))
	}
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("the sheet reads %q", got)
	}
}

// Lists keep their words on paper: long ones repeat their head, and dark screens print
// black on white.
func TestListsOnPaper(t *testing.T) {
	site := printSite()
	row := site.contents.Rows[0]
	for i := range 60 {
		row.Key = storyKey("L", fmt.Sprintf("LONG-%02d", i))
		site.contents.Rows = append(site.contents.Rows, row)
	}
	base := served(t, Story{printed: site})
	p := browsertest.Open(t, base+"/print/manifest?carrier=B-3", browsertest.Look{Dark: true})
	sheets := rasterised(t, p.PDF(), 60)
	if len(sheets) < 2 {
		t.Fatalf("65 tubes on %d sheet", len(sheets))
	}
	for i, sheet := range sheets {
		b := sheet.Bounds()
		if b.Dx() < 494 || b.Dx() > 498 { // A4 is 210 mm
			t.Errorf("sheet %d is %d dots wide", i+1, b.Dx())
		}
		dark := 0
		for y := range b.Dy() {
			for x := range b.Dx() {
				if isDark(sheet, x, y) {
					dark++
				}
			}
		}
		if part := dark * 100 / (b.Dx() * b.Dy()); part > 20 {
			t.Errorf("sheet %d: %d %% are black", i+1, part)
		}
	}
}

// No letter of a label lies on a symbol, with the letters the browser has.
func TestLettersKeepOffTheSymbols(t *testing.T) {
	base := served(t, Story{printed: printSite()})
	p := browsertest.Open(t, "", browsertest.Look{})
	for _, path := range []string{"/print/tubes?request=R-7731", "/print/tubes?request=R-7731&dpi=600", "/print/carriers?known=all", "/print/self-test", "/print/hatches?number=HATCH-1&number=NO-NAME-1"} {
		p.Navigate(base + path)
		var bad []string
		p.Eval(`[...document.querySelectorAll("svg.label")].flatMap(svg => {
			const all = svg.getBoundingClientRect(), symbols = [...svg.querySelectorAll("path")].map(e => e.getBoundingClientRect());
			return [...svg.querySelectorAll("text")].filter(e => {
				const r = e.getBoundingClientRect(), deep = r.bottom - r.height * 0.22;
				return r.left < all.left || r.right > all.right + 0.5 || deep > all.bottom ||
					symbols.some(s => r.left < s.right && r.right > s.left && r.top + r.height * 0.2 < s.bottom && deep > s.top);
			}).map(e => svg.getAttribute("aria-label") + ": " + e.textContent);
		})`, &bad)
		if len(bad) > 0 {
			t.Errorf("%s: %q", path, bad)
		}
	}
}
