package web

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/printing"
)

// symbolMark is a symbol on white paper in front of the camera.
type symbolMark struct {
	grid   [][]bool // dark modules, by row; one row is a linear symbol
	module int      // pixels a module: whole, as a printer's dots are
	x, y   int      // middle, in pixels
	tilt   float64  // degrees, clockwise
}

// filmBarHeight is the height of a linear symbol in pixels.
const filmBarHeight = 130

// quietZone is the blank margin in modules: Code 128 wants 10 at its ends.
const quietZone = 10

const filmWidth, filmHeight = 1280, 720

// gridOf gives the modules of a symbol as our printing draws it.
func gridOf(t *testing.T, code printing.Symbol, err error) [][]bool {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	grid := make([][]bool, code.Rows)
	for y := range grid {
		grid[y] = make([]bool, code.Cols)
		for x := range grid[y] {
			grid[y][x] = code.Dark(x, y)
		}
	}
	return grid
}

func code128Of(t *testing.T, d printing.Data) [][]bool {
	t.Helper()
	code, err := printing.Bars(d)
	return gridOf(t, code, err)
}

func dataMatrixOf(t *testing.T, d printing.Data) [][]bool {
	t.Helper()
	code, err := printing.Matrix(d)
	return gridOf(t, code, err)
}

func drawnQR(t *testing.T, draw func(string) ([][]bool, error), data string) [][]bool {
	t.Helper()
	grid, err := draw(data)
	if err != nil {
		t.Fatal(err)
	}
	return grid
}

// text and gs1 are data for a symbol.
func text(s string) printing.Data { return printing.Data{Text: s} }

func gs1(t *testing.T, s string) printing.Data {
	t.Helper()
	es, err := label.ParseGS1(s)
	if err != nil {
		t.Fatal(err)
	}
	return printing.Data{Elements: es}
}

// table is the light of marks on a grey table, unsharp as through a poor lens.
func table(marks []symbolMark) []float32 {
	light := make([]float32, filmWidth*filmHeight)
	for i := range light {
		light[i] = 120
	}
	for _, m := range marks {
		m.draw(light)
	}
	return blurred(light)
}

// seen is what a camera makes of the light, noisy from the seed.
func seen(light []float32, seed uint64) *image.YCbCr {
	img := image.NewYCbCr(image.Rect(0, 0, filmWidth, filmHeight), image.YCbCrSubsampleRatio420)
	for i := range img.Cb {
		img.Cb[i], img.Cr[i] = 128, 128
	}
	noise := rand.New(rand.NewPCG(seed, 1))
	for i, v := range light {
		v += float32(noise.NormFloat64() * 7)
		img.Y[i] = uint8(max(0, min(255, v)))
	}
	return img
}

// draw puts the mark into the light, each pixel as the mean of nine points of it.
func (m symbolMark) draw(light []float32) {
	sin, cos := math.Sincos(m.tilt * math.Pi / 180)
	wide := float64(len(m.grid[0]) * m.module)
	high := float64(len(m.grid) * m.module)
	if len(m.grid) == 1 {
		high = filmBarHeight
	}
	edge := float64(quietZone * m.module)
	reach := int(math.Hypot(wide/2+edge, high/2+edge)) + 1
	for y := max(0, m.y-reach); y < min(filmHeight, m.y+reach); y++ {
		for x := max(0, m.x-reach); x < min(filmWidth, m.x+reach); x++ {
			var sum, on float32
			for i := range 9 {
				dx, dy := float64(x-m.x)+float64(i%3-1)/3, float64(y-m.y)+float64(i/3-1)/3
				u, v := dx*cos+dy*sin+wide/2, dy*cos-dx*sin+high/2
				switch {
				case u < -edge || v < -edge || u >= wide+edge || v >= high+edge:
				case u < 0 || v < 0 || u >= wide || v >= high:
					sum, on = sum+235, on+1
				case m.grid[int(v/high*float64(len(m.grid)))][int(u)/m.module]:
					sum, on = sum+30, on+1
				default:
					sum, on = sum+235, on+1
				}
			}
			at := y*filmWidth + x
			light[at] = (sum + light[at]*(9-on)) / 9
		}
	}
}

// blurred spreads each pixel over its neighbours with a deviation of 0.8 pixels.
func blurred(light []float32) []float32 {
	kernel := [5]float32{0.022, 0.228, 0.5, 0.228, 0.022}
	pass := func(in []float32, stride int) []float32 {
		out := make([]float32, len(in))
		for i := range in {
			for k, w := range kernel {
				j := i + (k-2)*stride
				if j < 0 || j >= len(in) {
					j = i
				}
				out[i] += w * in[j]
			}
		}
		return out
	}
	return pass(pass(light, 1), filmWidth)
}

// scene is what a film shows for a while.
type scene struct {
	marks  []symbolMark
	frames int
}

// film writes scenes as a file for the browser's camera, which shows 30 pictures a
// second. Few differ, or drawing them would take longer than the test.
func film(t *testing.T, scenes ...scene) string {
	t.Helper()
	const different = 2
	var all bytes.Buffer
	draw := func(marks []symbolMark, seed int) (drawn [different][]byte) {
		light := table(marks)
		for j := range drawn {
			var one bytes.Buffer
			if err := jpeg.Encode(&one, seen(light, uint64(seed*different+j)), &jpeg.Options{Quality: 80}); err != nil {
				t.Fatal(err)
			}
			drawn[j] = one.Bytes()
		}
		return drawn
	}
	blank := draw(nil, len(scenes))
	for i, s := range scenes {
		drawn := blank
		if len(s.marks) > 0 {
			drawn = draw(s.marks, i)
		}
		for j := range s.frames {
			all.Write(drawn[j%different])
		}
	}
	file := filepath.Join(t.TempDir(), "film.mjpeg")
	if err := os.WriteFile(file, all.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}
