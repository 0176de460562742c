package printing

import (
	"errors"
	"image"
	"strings"
	"testing"
)

// 203 dots to the inch are 0.125123 mm each (25.4/203); 0.25 mm are 2 of them, 3 at
// 300 and 6 at 600.
func TestDots(t *testing.T) {
	for _, c := range []struct {
		dpi          DPI
		width, least int
		mm           string
	}{{203, 406, 2, "0.12512"}, {300, 600, 3, "0.08467"}, {600, 1200, 6, "0.04233"}} {
		if got := c.dpi.dots(TubeSize.Width); got != c.width {
			t.Errorf("2 inches at %d are %d dots, not %d", c.dpi, c.width, got)
		}
		if got := c.dpi.least(LeastModule); got != c.least {
			t.Errorf("0.25 mm at %d are %d dots, not %d", c.dpi, c.least, got)
		}
		if got := c.dpi.MM(1); got != c.mm {
			t.Errorf("a dot at %d is %s mm, not %s", c.dpi, c.mm, got)
		}
	}
}

func TestParse(t *testing.T) {
	for text, want := range map[string]Size{"50.8x25.4": TubeSize, "100x50": {10000, 5000}, "60x40.05": {6000, 4005}, "297x210": {29700, 21000}} {
		got, err := ParseSize(text)
		if err != nil || got != want || got.String() != text {
			t.Errorf("%s: %v (%s), %v", text, got, got, err)
		}
	}
	for _, text := range []string{"", "50", "50x", "x25", "50.x25", "50.123x25", "5x25", "50x300", "-50x25", "50x25;}", "5e1x25", "50x25x10", " 50x25", "1000x25"} {
		if _, err := ParseSize(text); err == nil || !strings.HasPrefix(err.Error(), "size: ") {
			t.Errorf("%q: %v", text, err)
		}
	}
	for _, text := range []string{"204", "203.0", "x", "-203", "0203x"} {
		if _, err := ParseDPI(text); err == nil || !strings.HasPrefix(err.Error(), "dpi: ") {
			t.Errorf("%q: %v", text, err)
		}
	}
	if d, err := ParseDPI(""); err != nil || d != 203 {
		t.Errorf("%d, %v", d, err)
	}
	if _, err := ParseSymbols("qr"); err == nil || !strings.HasPrefix(err.Error(), "symbols: ") {
		t.Error(err)
	}
}

func tubeLabel(number string) Label {
	return Label{
		Data: Data{Text: number}, Number: number,
		Blanks: [][]string{{"Name"}, {"Born", "Patient no."}, {"Drawn", "by"}},
		Lines:  []Line{{Lead: "LIHEP-GEL", Words: []string{"K", "GLU", "CREA", "TROP", "LAC", "BILI", "CRP"}}},
	}
}

// Nothing of a label may lie over a symbol or its quiet zone, or leave the label.
func TestNothingOverlaps(t *testing.T) {
	for _, dpi := range DPIs() {
		for _, size := range []Size{TubeSize, CarrierSize, {6000, 4000}, {7000, 3000}} {
			for _, symbols := range []Symbols{Both, MatrixOnly, BarsOnly} {
				for _, number := range []string{"7", "TB2601182", "DT-007"} {
					d, err := Paper{dpi, size, symbols}.Draw(tubeLabel(number))
					if err != nil {
						t.Errorf("%d %s %s %s: %v", dpi, size, symbols, number, err)
						continue
					}
					checkDrawing(t, d)
				}
			}
		}
		for _, size := range []Size{TubeSize, CarrierSize} {
			all, err := Paper{dpi, size, Both}.SelfTest()
			if err != nil || len(all) != len(dpi.Modules()) {
				t.Fatalf("%d: %d self-test labels, %v", dpi, len(all), err)
			}
			for i, d := range all {
				if d.Placed[0].Module != dpi.Modules()[i] || d.Placed[1].Module != dpi.Modules()[i] {
					t.Errorf("module %d is drawn %d wide", dpi.Modules()[i], d.Placed[0].Module)
				}
				checkDrawing(t, d)
			}
		}
	}
}

func checkDrawing(t *testing.T, d Drawing) {
	t.Helper()
	whole := image.Rect(0, 0, d.Width, d.Height)
	var taken []image.Rectangle
	for _, p := range d.Placed {
		high := p.High * p.Rows
		zone := image.Rect(p.Left-p.Quiet*p.Module, p.Top, p.Left+(p.Cols+p.Quiet)*p.Module, p.Top+high)
		if p.Rows > 1 {
			zone.Min.Y, zone.Max.Y = p.Top-p.Quiet*p.Module, p.Top+high+p.Quiet*p.Module
		}
		if modules := image.Rect(p.Left, p.Top, p.Left+p.Cols*p.Module, p.Top+high); !modules.In(whole) {
			t.Errorf("%s: %s at %v leaves the label %v", d.Says, p.Name, modules, whole)
		}
		for _, other := range taken {
			if zone.Overlaps(other) {
				t.Errorf("%s: two symbols touch: %v and %v", d.Says, zone, other)
			}
		}
		taken = append(taken, zone)
	}
	for _, x := range d.Texts {
		f := plain
		if x.Bold {
			f = bold
		}
		if x.Mono {
			f = mono
		}
		r := image.Rect(x.X, x.Y-x.Size*3/4, x.X+wide(x.Say, x.Size, f), x.Y)
		if !r.In(whole) {
			t.Errorf("%s: the text %q at %v leaves the label %v", d.Says, x.Say, r, whole)
		}
		for _, zone := range taken {
			if r.Overlaps(zone) {
				t.Errorf("%s: the text %q at %v lies on a symbol %v", d.Says, x.Say, r, zone)
			}
		}
	}
	for _, b := range d.Boxes {
		r := image.Rect(b.X, b.Y, b.X+b.Width, b.Y+b.Height)
		if !r.In(whole) || b.Width < 1 {
			t.Errorf("%s: a rule at %v leaves the label %v", d.Says, r, whole)
		}
		for _, zone := range taken {
			if r.Overlaps(zone) {
				t.Errorf("%s: a rule at %v lies on a symbol %v", d.Says, r, zone)
			}
		}
	}
}

func TestWhatDoesNotFitIsRefused(t *testing.T) {
	for _, c := range []struct {
		paper  Paper
		number string
		field  string
		say    string
	}{
		{Paper{203, TubeSize, Both}, "TB26-0118-ABCDEF", "size", "Code 128 of TB26-0118-ABCDEF needs 57.9 mm"}, // 16 characters: (11 * 19 + 2 + 20) modules of 2 dots
		{Paper{203, Size{2000, 2540}, Both}, "TB2601182", "size", "20 mm wide"},
		{Paper{203, Size{5080, 1200}, BarsOnly}, "TB2601182", "size", "12 mm high"},
		{Paper{203, Size{5080, 1500}, Both}, "TB2601182", "size", "Data Matrix of TB2601182 needs 4.6 mm in height"},
		{Paper{203, Size{2000, 1500}, MatrixOnly}, strings.Repeat("A7X-", 6), "size", "need a label at least"},
		{Paper{203, TubeSize, BarsOnly}, strings.Repeat("A", 60), "size", "60 characters"},
	} {
		_, err := c.paper.Draw(tubeLabel(c.number))
		var pe *Error
		if !errors.As(err, &pe) || pe.Field != c.field || !strings.Contains(pe.Say, c.say) {
			t.Errorf("%s on %s: %v; want %s: … %s", c.number, c.paper.Size, err, c.field, c.say)
		}
	}
	// The same number fits where it is said to.
	if _, err := (Paper{203, Size{5790, 2540}, Both}).Draw(tubeLabel("TB26-0118-ABCDEF")); err != nil {
		t.Error(err)
	}
	if _, err := (Paper{203, Size{2000, 1000}, Both}).SelfTest(); err == nil || !strings.HasPrefix(err.Error(), "size: ") {
		t.Error(err)
	}
}

func TestLinesSayWhatIsLeftOut(t *testing.T) {
	d, err := Paper{203, TubeSize, Both}.Draw(tubeLabel("TB2601182"))
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, x := range d.Texts {
		said = append(said, x.Say)
	}
	if all := strings.Join(said, "|"); !strings.Contains(all, "LIHEP-GEL|K GLU CREA TROP LAC +2") {
		t.Errorf("the label says %s", all)
	}
}
