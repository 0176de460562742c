package printing

import (
	"fmt"
)

// Modules are the widths in dots that a self-test prints for a printer: 1 to 4, and
// on finer ones those that reach the width that is used on tubes.
func (d DPI) Modules() []int {
	if d >= 600 {
		return []int{1, 2, 3, 4, 6, 8}
	}
	return []int{1, 2, 3, 4}
}

// TestWord is what both symbols of a self-test label hold: the printer's dots to the
// inch and the module's width in dots. Digits alone make the bars short enough for
// 4 dots a module on a label of 2 inches.
func (d DPI) TestWord(module int) string { return fmt.Sprintf("%d%d", int(d), module) }

// Must tells whether modules of so many dots must be read: those of at least 0.25 mm.
func (d DPI) Must(module int) bool { return module >= d.least(LeastModule) }

// SelfTest gives the self-test labels of a paper: one for each width of module, with
// both symbols, the word that they hold, and a ruler. The error is an *Error.
func (p Paper) SelfTest() ([]Drawing, error) {
	var out []Drawing
	for _, module := range p.DPI.Modules() {
		d, err := p.selfTest(module)
		if err != nil {
			return nil, err
		}
		out = append(out, d)
	}
	return out, nil
}

func (p Paper) selfTest(module int) (Drawing, error) {
	word := p.DPI.TestWord(module)
	d := Drawing{DPI: p.DPI, Width: p.DPI.dots(p.Size.Width), Height: p.DPI.dots(p.Size.Height)}
	b := board{Drawing: &d, p: p, mm: p.DPI.nearest, edge: p.DPI.least(margin)}
	matrix, err := Matrix(Data{Text: word})
	if err != nil {
		return d, err
	}
	bars, err := Bars(Data{Text: word})
	if err != nil {
		return d, err
	}
	b.ruler()
	wantWidth := (bars.Cols + 2*bars.Quiet) * module
	high := b.mm(500)
	side := (matrix.Rows + 2*matrix.Quiet) * module
	wantHeight := b.edge + side + high + d.Height - b.bottom
	if wantWidth > d.Width || wantHeight > d.Height {
		return d, fault("size", "the self-test needs labels of at least %s x %s mm; take larger ones for it", p.DPI.upMM(wantWidth), p.DPI.upMM(wantHeight))
	}
	d.Placed = append(d.Placed,
		Placed{Symbol: bars, Left: (d.Width - bars.Cols*module) / 2, Top: b.bottom - high, Module: module, High: high},
		Placed{Symbol: matrix, Left: d.Width - b.edge - matrix.Cols*module, Top: max(b.edge, matrix.Quiet*module), Module: module, High: module})
	b.right = d.Width - side - b.edge
	says := "must read"
	if !p.DPI.Must(module) {
		says = "may fail"
	}
	top := b.edge
	for _, line := range []Line{
		{Lead: word},
		{Lead: says, Words: []string{"both", "as", word}},
		{Words: []string{dotsWord(module), "a", "module,", p.DPI.MM(module)[:5], "mm"}},
		{Words: []string{"printer", "of", fmt.Sprint(int(p.DPI)), "dpi"}},
	} {
		font := b.mm(230)
		top += font * 6 / 5
		b.line(top, font, line)
	}
	d.Says = fmt.Sprintf("Self-test label: Data Matrix and Code 128 of %s, %s a module at %d dots to the inch, %s", word, dotsWord(module), int(p.DPI), says)
	return d, nil
}

func dotsWord(n int) string {
	if n == 1 {
		return "1 dot"
	}
	return fmt.Sprintf("%d dots", n)
}

// ruler draws a scale in mm along the lower edge: each mark lies on the dot nearest
// to it.
func (b *board) ruler() {
	from := b.edge
	whole := (b.p.Size.Width - 2*margin) / 100
	thick := max(1, b.mm(12))
	for mm := 0; mm <= whole; mm++ {
		high := b.mm(100)
		switch {
		case mm%10 == 0:
			high = b.mm(200)
			b.text(from+b.mm(mm*100)+2*thick, b.bottomEdge()-b.mm(120), b.mm(150), plain, fmt.Sprint(mm))
		case mm%5 == 0:
			high = b.mm(150)
		}
		b.Boxes = append(b.Boxes, Box{from + b.mm(mm*100), b.bottomEdge() - high, thick, high})
	}
	b.bottom = b.bottomEdge() - b.mm(280)
}

func (b *board) bottomEdge() int { return b.Height - b.edge/2 }
