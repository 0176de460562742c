package printing

// Widths of the letters of ASCII from the blank on, in thousandths of the font's
// size: those of Helvetica's font metrics, which Liberation Sans and Arial share.
var (
	plainWidths = [...]int{
		278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556,
		1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556,
		333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
	}
	boldWidths = [...]int{
		278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 333, 333, 584, 584, 584, 611,
		975, 722, 722, 722, 722, 667, 611, 778, 722, 278, 556, 722, 611, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 333, 278, 333, 584, 556,
		333, 556, 611, 556, 611, 556, 333, 611, 611, 278, 278, 556, 278, 889, 611, 611, 611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584,
	}
)

// face is how letters are cut.
type face int

const (
	plain face = iota
	bold
	mono // bold, all letters alike
)

// widest stands for letters that the tables lack; hardly one is wider.
const widest = 1000

// wide gives the width of a text in the unit of the font's size, rounded up.
func wide(text string, font int, f face) int {
	sum := 0
	for _, c := range text {
		at := int(c) - ' '
		switch {
		case f == mono:
			sum += 603
		case at < 0 || at >= len(plainWidths):
			sum += widest
		case f == bold:
			sum += boldWidths[at]
		default:
			sum += plainWidths[at]
		}
	}
	return (sum*font + 999) / 1000
}
