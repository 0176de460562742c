package printtest

import (
	"fmt"

	"github.com/boombuler/barcode/qr"
	"github.com/boombuler/barcode/utils"
)

// QR draws a plain QR symbol: dark modules, by row. Nothing prints QR; cameras meet it.
func QR(data string) ([][]bool, error) {
	code, err := qr.Encode(data, qr.M, qr.Auto)
	if err != nil {
		return nil, err
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
	return grid, nil
}

// GS1QR draws a QR symbol of version 3, error correction L, with FNC1 in first
// position (ISO/IEC 18004, 7.4.8), which the library can't; bytes alone, mask 0.
func GS1QR(data string) ([][]bool, error) {
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
		return nil, fmt.Errorf("%q is too long for version 3", data)
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
	return grid, nil
}
