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

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/datamatrix"
	"github.com/boombuler/barcode/qr"
	"github.com/boombuler/barcode/utils"
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

func gridOf(t *testing.T, code barcode.Barcode, err error) [][]bool {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	size := code.Bounds()
	grid := make([][]bool, size.Dy())
	for y := range grid {
		grid[y] = make([]bool, size.Dx())
		for x := range grid[y] {
			r, _, _, _ := code.At(x, y).RGBA()
			grid[y][x] = r < 0x8000
		}
	}
	return grid
}

func code128Of(t *testing.T, data string) [][]bool {
	t.Helper()
	code, err := code128.Encode(data)
	return gridOf(t, code, err)
}

func dataMatrixOf(t *testing.T, data string) [][]bool {
	t.Helper()
	code, err := datamatrix.Encode(data)
	return gridOf(t, code, err)
}

func qrOf(t *testing.T, data string) [][]bool {
	t.Helper()
	code, err := qr.Encode(data, qr.M, qr.Auto)
	return gridOf(t, code, err)
}

// gs1QROf draws a QR symbol of version 3, error correction L, with FNC1 in first
// position (ISO/IEC 18004, 7.4.8), which the library can't; bytes alone, mask 0.
func gs1QROf(t *testing.T, data string) [][]bool {
	t.Helper()
	const size, words, checks = 29, 55, 15
	bits := utils.NewBitList(0)
	bits.AddBits(0b0101, 4) // FNC1 first
	bits.AddBits(0b0100, 4) // bytes
	bits.AddBits(len(data), 8)
	for _, b := range []byte(data) {
		bits.AddByte(b)
	}
	bits.AddBits(0, 4) // end
	for bits.Len()%8 != 0 {
		bits.AddBit(false)
	}
	for pad := byte(0xEC); bits.Len() < words*8; pad ^= 0xEC ^ 0x11 {
		bits.AddByte(pad)
	}
	if bits.Len() != words*8 {
		t.Fatalf("%q is too long for version 3", data)
	}
	coded := make([]int, words)
	for i, b := range bits.GetBytes() {
		coded[i] = int(b)
	}
	coded = append(coded, utils.NewReedSolomonEncoder(utils.NewGaloisField(0x11D, 256, 0)).Encode(coded, checks)...)

	grid, fixed := make([][]bool, size), make([][]bool, size)
	for y := range grid {
		grid[y], fixed[y] = make([]bool, size), make([]bool, size)
	}
	set := func(y, x int, dark bool) {
		if y >= 0 && y < size && x >= 0 && x < size {
			grid[y][x], fixed[y][x] = dark, true
		}
	}
	for i := range size {
		set(6, i, i%2 == 0)
		set(i, 6, i%2 == 0)
	}
	rings := func(y, x, reach int, dark func(ring int) bool) {
		for dy := -reach; dy <= reach; dy++ {
			for dx := -reach; dx <= reach; dx++ {
				set(y+dy, x+dx, dark(max(dy, -dy, dx, -dx)))
			}
		}
	}
	for _, at := range [][2]int{{3, 3}, {3, size - 4}, {size - 4, 3}} {
		rings(at[0], at[1], 4, func(ring int) bool { return ring != 2 && ring != 4 })
	}
	rings(22, 22, 2, func(ring int) bool { return ring != 1 })
	set(size-8, 8, true)
	// Format: error correction L, mask 0, with its BCH bits, masked (table C.1).
	const format = 0b111011111000100
	first := [][2]int{{8, 0}, {8, 1}, {8, 2}, {8, 3}, {8, 4}, {8, 5}, {8, 7}, {8, 8}, {7, 8}, {5, 8}, {4, 8}, {3, 8}, {2, 8}, {1, 8}, {0, 8}}
	for i, at := range first {
		bit := format>>(14-i)&1 == 1
		set(at[0], at[1], bit)
		if i < 7 {
			set(size-1-i, 8, bit)
		} else {
			set(8, size-15+i, bit)
		}
	}
	n := 0
	for right := size - 1; right > 0; right -= 2 {
		if right == 6 {
			right--
		}
		for step := range size {
			y := step
			if (size-1-right)/2%2 == 0 {
				y = size - 1 - step
			}
			for x := right; x > right-2; x-- {
				if fixed[y][x] {
					continue
				}
				dark := n < len(coded)*8 && coded[n/8]>>(7-n%8)&1 == 1
				grid[y][x] = dark != ((x+y)%2 == 0)
				n++
			}
		}
	}
	return grid
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
