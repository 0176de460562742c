package printing

import (
	"fmt"
	"strings"
)

// Symbols says which symbols a label gets.
type Symbols string

// The choices. Both is the default: readers of one row read the bars, cameras the
// Data Matrix.
const (
	Both       Symbols = "both"
	MatrixOnly Symbols = "matrix"
	BarsOnly   Symbols = "bars"
)

// ParseSymbols reads a choice; empty is Both.
func ParseSymbols(text string) (Symbols, error) {
	switch s := Symbols(text); s {
	case "":
		return Both, nil
	case Both, MatrixOnly, BarsOnly:
		return s, nil
	default:
		return "", fault("symbols", "%q is none of both, matrix, bars; choose one", text)
	}
}

// Paper is what labels are laid out for.
type Paper struct {
	DPI     DPI
	Size    Size
	Symbols Symbols
}

// Label is what one label says.
type Label struct {
	Data   Data
	Number string // the readable characters
	// Head is the word in large letters above all, empty for none.
	Head string
	// Blanks are rows of ruled fields to be filled in by hand, each by its name. The
	// first row stands top left, where CLSI AUTO12-A wants the patient's name.
	Blanks [][]string
	Lines  []Line
	// Demo: the label says that it belongs to invented data.
	Demo bool
}

// Line is a line of words: as many as fit, then how many are left out.
type Line struct {
	Lead  string // in bold
	Words []string
}

// Drawing is a label in dots of the printer: one unit is a dot.
type Drawing struct {
	DPI           DPI
	Width, Height int // whole dots inside the label
	Placed        []Placed
	Texts         []Text
	Boxes         []Box // filled rectangles: rules
	Says          string
}

// Placed is a symbol in its place.
type Placed struct {
	Symbol
	Left, Top    int // of the modules, without the quiet zone
	Module, High int // width of a module, height of a row
}

// Path gives the symbol's modules.
func (p Placed) Path() string { return p.Symbol.Path(p.Left, p.Top, p.Module, p.High) }

// Text is one line of text.
type Text struct {
	X, Y int // of the base line's start
	Size int // of the font
	Bold bool
	Mono bool
	Say  string
}

// Box is a filled rectangle.
type Box struct{ X, Y, Width, Height int }

// WidthMM and HeightMM are the drawing's sides for an SVG, such that a unit is a dot
// exactly.
func (d Drawing) WidthMM() string { return d.DPI.MM(d.Width) + "mm" }

// HeightMM is the drawing's height.
func (d Drawing) HeightMM() string { return d.DPI.MM(d.Height) + "mm" }

// LeastModule is the narrowest module on a tube in 1/100 mm. Narrower ones were not
// read back from prints at 203 dots to the inch.
const LeastModule = 25

// Measures in 1/100 mm. Those of letters are common practice, no source.
const (
	margin      = 100 // printers don't reach the edge
	gap         = 40
	leastBars   = 650 // height of bars
	leastRow    = 240 // of a line to read or to write on
	leastNumber = 190 // font of the number
	fieldFont   = 170
	mostBar     = 51   // module of bars on a small label
	largeFrom   = 4000 // height from which a label is read from afar
	lineFont    = 230
)

// Draw lays a label out. What doesn't fit is refused with an *Error that says what
// would: no symbol is ever scaled. It takes the widest module that fits, up to a
// bound that leaves room for the words.
func (p Paper) Draw(l Label) (Drawing, error) {
	d := Drawing{DPI: p.DPI, Width: p.DPI.dots(p.Size.Width), Height: p.DPI.dots(p.Size.Height)}
	b := board{Drawing: &d, p: p, mm: p.DPI.nearest, edge: p.DPI.least(margin)}
	b.bottom = d.Height - b.edge
	if err := b.number(l.Number); err != nil {
		return Drawing{}, err
	}
	if p.Symbols != MatrixOnly {
		if err := b.bars(l.Data); err != nil {
			return Drawing{}, err
		}
	}
	b.right = d.Width - b.edge
	if p.Symbols != BarsOnly {
		if err := b.matrix(l.Data); err != nil {
			return Drawing{}, err
		}
	}
	if err := b.words(l); err != nil {
		return Drawing{}, err
	}
	var held []string
	for _, s := range d.Placed {
		held = append(held, s.Name)
	}
	d.Says = fmt.Sprintf("Label of %s, %s with %s", strings.TrimSpace(l.Head+" "+l.Number), p.Size.Words(), strings.Join(held, " and "))
	return d, nil
}

// board is a label while it is laid out: from the bottom up, then from the right.
type board struct {
	*Drawing
	p             Paper
	mm            func(mm100 int) int
	edge          int
	bottom, right int // what is still free ends there
}

// large tells whether a label is read from afar: of a box, of a place.
func (b *board) large() bool { return b.p.Size.Height >= largeFrom }

func (b *board) text(x, y, font int, f face, say string) {
	b.Texts = append(b.Texts, Text{X: x, Y: y, Size: font, Bold: f != plain, Mono: f == mono, Say: say})
}

// number puts the readable characters at the bottom.
func (b *board) number(number string) error {
	font := max(b.mm(280), b.Height/9)
	if b.large() {
		font = b.Height / 6
	}
	room := b.Width - 2*b.edge
	if w := wide(number, font, mono); w > room {
		font = font * room / w
	}
	if font < b.mm(leastNumber) {
		least := wide(number, b.mm(leastNumber), mono) + 2*b.edge
		return fault("size", "the %d characters of %s need a label at least %s mm wide to be read, and this one has %s; take wider labels or shorter numbers",
			len(number), clip(number), b.DPI.upMM(least), side(b.p.Size.Width))
	}
	b.text(max(b.edge, (b.Width-wide(number, font, mono))/2), b.bottom-font/8, font, mono, number)
	b.bottom -= font + b.mm(gap)/2
	return nil
}

// bars puts the Code 128 above the number.
func (b *board) bars(data Data) error {
	s, err := Bars(data)
	if err != nil {
		return err
	}
	least := b.DPI.least(LeastModule)
	modules := s.Cols + 2*s.Quiet
	module := min(b.Width/modules, max(least, b.mm(mostBar)))
	if b.large() {
		module = min(b.Width/modules, b.mm(2*mostBar))
	}
	if module < least {
		return fault("size", "the %s of %s needs %s mm with bars of %s mm, the least that is read back, and the label is %s mm wide; take wider labels, print the Data Matrix alone, or give shorter numbers",
			s.Name, clip(data.Human()), b.DPI.upMM(modules*least), b.DPI.MM(least)[:4], side(b.p.Size.Width))
	}
	high := max(b.mm(leastBars), b.Height*3/10)
	if high > b.bottom-b.edge {
		return fault("size", "a label %s mm high leaves no room for bars of %s mm beside the number; take higher labels or print the Data Matrix alone", side(b.p.Size.Height), side(leastBars))
	}
	left := (b.Width - s.Cols*module) / 2
	b.Placed = append(b.Placed, Placed{Symbol: s, Left: left, Top: b.bottom - high, Module: module, High: high})
	b.bottom -= high + b.mm(gap)
	return nil
}

// matrix puts the Data Matrix at the top right.
func (b *board) matrix(data Data) error {
	s, err := Matrix(data)
	if err != nil {
		return err
	}
	least := b.DPI.least(LeastModule)
	cols, rows := s.Cols+2*s.Quiet, s.Rows+2*s.Quiet
	// A third of the width, or the words would have no room.
	most := max(least, b.Height/60)
	if b.large() {
		most = b.Height / 30
	}
	module := min(b.bottom/rows, b.Width/3/cols, most)
	if module < least {
		return fault("size", "the %s of %s needs %s mm in height above the rest and %s mm in width with modules of %s mm, the least that is read back; take larger labels, leave the bars out, or give shorter numbers",
			s.Name, clip(data.Human()), b.DPI.upMM(rows*least), b.DPI.upMM(3*cols*least), b.DPI.MM(least)[:4])
	}
	quiet := s.Quiet * module
	left := b.Width - quiet - s.Cols*module
	// The quiet zone may be the label's edge, but printers don't reach it.
	left, top := min(left, b.Width-b.edge-s.Cols*module), max(b.edge, quiet)
	b.Placed = append(b.Placed, Placed{Symbol: s, Left: left, Top: top, Module: module, High: module})
	b.right = left - quiet
	return nil
}

// words fills what is left: the head, ruled fields, lines.
func (b *board) words(l Label) error {
	top := b.edge
	if l.Head != "" {
		font := b.mm(550)
		if w := wide(l.Head, font, bold); w > b.right-b.edge {
			font = max(b.mm(leastRow), font*(b.right-b.edge)/w)
		}
		b.text(b.edge, top+font*4/5, font, bold, cut(l.Head, font, bold, b.right-b.edge))
		top += font + b.mm(gap)
	}
	lines := l.Lines
	if l.Demo {
		lines = append([]Line{{Lead: "demonstration, invented data"}}, lines...)
	}
	rows := len(l.Blanks) + len(lines)
	if rows == 0 {
		return nil
	}
	high := min((b.bottom-top)/rows, b.mm(500))
	if high < b.mm(leastRow) {
		need := b.Height - (b.bottom - top) + rows*b.mm(leastRow)
		return fault("size", "a label %s mm high has no room for the lines it needs; take labels at least %s mm high, or leave the bars out", side(b.p.Size.Height), b.DPI.upMM(need))
	}
	row := func() int { top += high; return top - high/4 }
	put := func(fields []string) {
		y, x := row(), b.edge
		for i, name := range fields {
			font := min(b.mm(fieldFont), high*2/3)
			b.text(x, y, font, plain, name)
			end := b.edge + (b.right-b.edge)*(i+1)/len(fields)
			from := x + wide(name, font, plain) + b.mm(gap)
			b.Boxes = append(b.Boxes, Box{from, y, max(end-b.mm(gap)-from, 0), max(1, b.mm(12))})
			x = end
		}
	}
	// All but the last row of fields come before the lines, the last behind them.
	first := min(max(len(l.Blanks)-1, 1), len(l.Blanks))
	for _, fields := range l.Blanks[:first] {
		put(fields)
	}
	for _, line := range lines {
		b.line(row(), min(b.mm(lineFont+b.lines()), high*4/5), line)
	}
	for _, fields := range l.Blanks[first:] {
		put(fields)
	}
	return nil
}

// lines makes letters larger on large labels, in 1/100 mm.
func (b *board) lines() int { return max(0, min(b.p.Size.Height-TubeSize.Height, 1500)/10) }

func (b *board) line(y, font int, line Line) {
	x := b.edge
	if line.Lead != "" {
		lead := cut(line.Lead, font, bold, b.right-x)
		b.text(x, y, font, bold, lead)
		x += wide(lead, font, bold) + font/2
	}
	text := ""
	for i, word := range line.Words {
		next := strings.TrimPrefix(text+" "+word, " ")
		rest := ""
		if left := len(line.Words) - i - 1; left > 0 {
			rest = fmt.Sprintf(" +%d", left)
		}
		if x+wide(next+rest, font, plain) > b.right {
			text = strings.TrimPrefix(text+fmt.Sprintf(" +%d", len(line.Words)-i), " ")
			break
		}
		text = next
	}
	if text != "" {
		b.text(x, y, font, plain, text)
	}
}

// cut shortens a text to a width, and says so by a sign.
func cut(text string, font int, f face, room int) string {
	r := []rune(text)
	if wide(text, font, f) <= room {
		return text
	}
	for len(r) > 0 && wide(string(r)+"…", font, f) > room {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// Alone gives the Data Matrix of data with its quiet zone, for a row of a list: its
// module is the fewest whole dots that make at least so many 1/100 mm. The error is
// an *Error.
func (d DPI) Alone(data Data, least int) (Drawing, error) {
	s, err := Matrix(data)
	if err != nil {
		return Drawing{}, err
	}
	module := d.least(least)
	out := Drawing{DPI: d, Width: (s.Cols + 2*s.Quiet) * module, Height: (s.Rows + 2*s.Quiet) * module, Says: s.Name + " of " + data.Human()}
	out.Placed = []Placed{{Symbol: s, Left: s.Quiet * module, Top: s.Quiet * module, Module: module, High: module}}
	return out, nil
}
