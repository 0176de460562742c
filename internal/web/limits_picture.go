package web

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

// The picture of limits: temperature from −5 to 40 °C to the right, allowed time
// upwards on a logarithmic scale from 10 min to 30 d. Both are the same in every
// picture, so that two of them can be laid side by side.
const (
	plotColdest, plotWarmest = event.CentiC(-500), event.CentiC(4000)
	plotShortest             = 10 * int64(60_000)
	plotLongest              = 30 * 24 * int64(3_600_000)

	plotWidth, plotLeft, plotRight = 360.0, 46.0, 8.0
	plotTop, plotHeight            = 10.0, 172.0
	hatchStep                      = 7.0 // distance of the lines of a hatch
)

var plotTicks = []int64{30 * 60_000, 3_600_000, 4 * 3_600_000, 24 * 3_600_000, 7 * 24 * 3_600_000}

type limitPlot struct {
	left, width, top, height float64
	body                     strings.Builder
	texts                    []box // what is written already
}

// box is a stretch of the picture that holds a text.
type box struct{ x0, x1, y0, y1 float64 }

func (a box) meets(b box) bool { return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 }

func (p *limitPlot) x(c event.CentiC) float64 {
	c = min(max(c, plotColdest), plotWarmest)
	return p.left + float64(c-plotColdest)/float64(plotWarmest-plotColdest)*p.width
}

func (p *limitPlot) y(ms int64) float64 {
	ms = min(max(ms, plotShortest), plotLongest)
	share := math.Log(float64(ms)/float64(plotShortest)) / math.Log(float64(plotLongest)/float64(plotShortest))
	return p.top + p.height*(1-share)
}

func (p *limitPlot) floor() float64 { return p.top + p.height }

// column gives the left and the right end of a band, never too thin to see.
func (p *limitPlot) column(low, high event.CentiC) (x0, x1 float64) {
	x0, x1 = p.x(low), p.x(high)
	if x1-x0 < 4 {
		middle := (x0 + x1) / 2
		x0, x1 = middle-2, middle+2
	}
	return x0, x1
}

func (p *limitPlot) rect(class string, x0, x1, y0, y1 float64) {
	if x1-x0 > 0 && y1-y0 > 0 {
		fmt.Fprintf(&p.body, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`+"\n", class, number(x0), number(y0), number(x1-x0), number(y1-y0))
	}
}

func (p *limitPlot) line(class string, x0, y0, x1, y1 float64) {
	fmt.Fprintf(&p.body, `<path class="%s" d="M%s %sL%s %s"/>`+"\n", class, number(x0), number(y0), number(x1), number(y1))
}

// text writes s at the first of the places that is free, or nowhere when none is:
// the words beside the picture have all of it. A place is the middle of the base
// line.
func (p *limitPlot) text(class, s string, places ...pt) {
	const size = 12.0
	half := float64(len([]rune(s)))*size*0.29 + 2
	for _, at := range places {
		b := box{at.x - half, at.x + half, at.y - size + 2, at.y + 2}
		if b.x0 < p.left || b.x1 > p.left+p.width || b.y0 < p.top || b.y1 > p.floor() ||
			slices.ContainsFunc(p.texts, b.meets) {
			continue
		}
		p.texts = append(p.texts, b)
		fmt.Fprintf(&p.body, `<text class="%s" x="%s" y="%s" text-anchor="middle">%s</text>`+"\n", class, number(at.x), number(at.y), template.HTMLEscapeString(s))
		return
	}
}

// along gives places near the upper edge of a column: just above it from right to
// left, then just below it, then beside its ends.
func along(x0, x1, y float64) []pt {
	var out []pt
	for _, at := range []float64{y - 4, y + 12} {
		for x := x1 - 6; x > x0; x -= 11 {
			out = append(out, pt{x, at})
		}
		out = append(out, pt{(x0 + x1) / 2, at})
	}
	for _, at := range []float64{y + 4, y - 4, y + 12, y - 12, y + 20} {
		out = append(out, pt{x1 + 8, at}, pt{x0 - 8, at}, pt{x1 + 18, at}, pt{x0 - 18, at})
	}
	return out
}

// hatch fills a rectangle with slanted lines. They are drawn one by one: a pattern
// becomes a raster image in print.
func (p *limitPlot) hatch(x0, x1, y0, y1 float64) {
	var d strings.Builder
	for c := math.Ceil((x0+y0)/hatchStep) * hatchStep; c < x1+y1; c += hatchStep {
		// The line x + y = c, cut to the rectangle.
		ax, bx := max(x0, c-y1), min(x1, c-y0)
		if bx-ax > 0.5 {
			fmt.Fprintf(&d, "M%s %sL%s %s", number(ax), number(c-ax), number(bx), number(c-bx))
		}
	}
	if d.Len() > 0 {
		fmt.Fprintf(&p.body, `<path class="hatch" d="%s"/>`+"\n", d.String())
	}
}

// limitPicture draws a group: the limit that is used as bars, the others as thin
// outlines, and what the used one says of colder and warmer.
func limitPicture(g *limitGroup, n int) template.HTML {
	p := &limitPlot{left: plotLeft, width: plotWidth - plotLeft - plotRight, top: plotTop, height: plotHeight}
	p.rect("frame", p.left, p.left+p.width, p.top, p.floor())
	used := &g.limits[0]
	p.sides(g, used.rule)
	for _, ms := range plotTicks {
		y := p.y(ms)
		p.line("grid", p.left, y, p.left+p.width, y)
		fmt.Fprintf(&p.body, `<text class="tick" x="%s" y="%s" text-anchor="end">%s</text>`+"\n", number(p.left-6), number(y+4), limitTime(ms))
	}
	for i := range used.rule.Limits {
		p.bar(&used.rule.Limits[i], used.inForce)
	}
	for i := range g.limits[1:] {
		for j := range g.limits[i+1].rule.Limits {
			p.outline(&g.limits[i+1].rule.Limits[j])
		}
	}
	for i := range used.rule.Limits {
		l := &used.rule.Limits[i]
		x0, x1 := p.column(l.Low, l.High)
		middle, top := (x0+x1)/2, p.y(limitMs(l))
		if used.rule.OnlyShown() {
			p.text("name", "A "+limitTime(limitMs(l)), pt{middle, top + 13}, pt{middle, top - 6})
			continue
		}
		// In the bar where it is wide enough, else above what is known to be bad.
		over := p.y(max(limitMs(l), l.FirstBad)) - 6
		places := []pt{{middle, top + 15}, {middle, over}, {middle + 16, over}, {middle, over - 13}, {middle, over - 26}}
		if x1-x0 < 40 || p.floor()-top < 18 {
			places = places[1:]
		}
		p.text("name", "A "+limitTime(limitMs(l)), places...)
	}
	for i := range g.limits[1:] {
		for j := range g.limits[i+1].rule.Limits {
			l := &g.limits[i+1].rule.Limits[j]
			x0, x1 := p.column(l.Low, l.High)
			p.text("other", mark(i+1), along(x0, x1, p.y(limitMs(l)))...)
		}
	}
	p.sideTexts(g, used.rule)
	for t := event.CentiC(0); t <= plotWarmest; t += 1000 {
		x := p.x(t)
		p.line("axis", x, p.floor(), x, p.floor()+5)
		anchor, label := "middle", fmt.Sprint(t/100)
		if t == plotWarmest {
			anchor, label, x = "end", label+" °C", plotWidth-2
		}
		fmt.Fprintf(&p.body, `<text class="tick" x="%s" y="%s" text-anchor="%s">%s</text>`+"\n", number(x), number(p.floor()+18), anchor, label)
	}
	p.line("axis", p.left, p.floor(), p.left+p.width, p.floor())
	var out strings.Builder
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" role="img" aria-labelledby="plot-%d plot-say-%d">`,
		number(plotWidth), number(p.floor()+24), n, n)
	fmt.Fprintf(&out, "\n<title id=\"plot-%d\">%s</title>\n<desc id=\"plot-say-%d\">%s</desc>\n", n,
		template.HTMLEscapeString(assayNameOf(g.assay)+" in "+g.in()+": allowed time against temperature"), n, template.HTMLEscapeString(pictureSays(g)))
	out.WriteString(p.body.String())
	out.WriteString("</svg>")
	// Every text in it went through an escape.
	return template.HTML(out.String())
}

// miniPicture draws the used limit alone, without words, for a line of the
// register that says the same in words.
func miniPicture(g *limitGroup) template.HTML {
	p := &limitPlot{left: 1, width: 118, top: 1, height: 40}
	p.rect("frame", p.left, p.left+p.width, p.top, p.floor())
	for _, ms := range plotTicks {
		p.line("grid", p.left, p.y(ms), p.left+p.width, p.y(ms))
	}
	used := &g.limits[0]
	for i := range used.rule.Limits {
		p.bar(&used.rule.Limits[i], used.inForce)
	}
	return template.HTML(`<svg class="mini" viewBox="0 0 120 42" aria-hidden="true" focusable="false">` + p.body.String() + `</svg>`)
}

// bar draws one band of the used limit: up to what holds, and from there to the
// first time that was found bad. Shown unstable is drawn from above: nothing says
// that it is good below.
func (p *limitPlot) bar(l *stability.Limit, inForce bool) {
	x0, x1 := p.column(l.Low, l.High)
	class := "keeps"
	if !inForce {
		class = "keeps shipped"
	}
	if l.GoodMs == 0 && l.FirstBad > 0 {
		y := p.y(l.FirstBad)
		p.hatch(x0, x1, p.top, y)
		p.line("bad", x0, y, x1, y)
		return
	}
	y := p.y(limitMs(l))
	p.rect(class, x0, x1, y, p.floor())
	if l.FirstBad > 0 {
		bad := p.y(l.FirstBad)
		p.rect("between", x0, x1, bad, y)
		p.line("bad", x0, bad, x1, bad)
	}
}

func (p *limitPlot) outline(l *stability.Limit) {
	x0, x1 := p.column(l.Low, l.High)
	y := p.y(limitMs(l))
	if l.GoodMs == 0 && l.FirstBad > 0 {
		p.line("bad thin", x0, y, x1, y)
		return
	}
	p.rect("outline", x0, x1, y, p.floor())
}

// reach gives the stretch of the axis that a side of a rule covers.
func (p *limitPlot) reach(r *stability.Rule, below bool) (o *stability.Outside, x0, x1 float64) {
	low, high := edges(r)
	if below {
		return r.Below, p.left, p.x(sideEdge(r.Below, low))
	}
	return r.Above, p.x(sideEdge(r.Above, high)), p.left + p.width
}

// sides hatches what the used limit doesn't allow outside its bands.
func (p *limitPlot) sides(g *limitGroup, r *stability.Rule) {
	for _, below := range []bool{true, false} {
		o, x0, x1 := p.reach(r, below)
		if o == nil || x1-x0 < 2 {
			continue
		}
		y := p.floor()
		if o.AllowMs > 0 {
			y = p.y(o.AllowMs)
			p.rect("outside", x0, x1, y, p.floor())
		}
		p.hatch(x0, x1, p.top, y)
	}
}

// sideTexts writes what holds outside, where there is room; the words beside the
// picture have all of it.
func (p *limitPlot) sideTexts(g *limitGroup, r *stability.Rule) {
	for _, below := range []bool{true, false} {
		o, x0, x1 := p.reach(r, below)
		lines := []string{"nothing said"}
		if o != nil {
			lines = []string{"no time"}
			if o.AllowMs > 0 {
				lines[0] = limitTime(o.AllowMs)
			}
			switch o.Direction {
			case event.ReadsHigh:
				lines = append(lines, "may read high")
			case event.ReadsLow:
				lines = append(lines, "may read low")
			case event.ReadsEither:
				lines = append(lines, "either way")
			}
		}
		y := p.floor() - 24
		if o != nil {
			y = p.top + 20
		}
		for i, s := range lines {
			if float64(len([]rune(s)))*7+4 <= x1-x0 {
				at := pt{(x0 + x1) / 2, y + float64(i)*14}
				p.text("side", s, at, pt{at.x, at.y + 42}, pt{at.x, at.y + 84})
			}
		}
	}
}

// pictureSays is the picture's content for those who don't see it.
func pictureSays(g *limitGroup) string {
	var parts []string
	for i := range g.limits {
		e := &g.limits[i]
		text := mark(i) + ", " + says(standingHead, e.stands()) + ": " + shippedSays(e.rule)
		if i == 0 {
			low, high := edges(e.rule)
			text += fmt.Sprintf("; below %s °C %s; above %s °C %s", limitDegrees(sideEdge(e.rule.Below, low)), sideWords(e.rule.Below),
				limitDegrees(sideEdge(e.rule.Above, high)), sideWords(e.rule.Above))
		}
		parts = append(parts, text)
	}
	return sentence(strings.Join(parts, ". "))
}

// pictureKey says how to read the picture.
func pictureKey(g *limitGroup) string {
	used := &g.limits[0]
	parts := []string{"A, filled: in force"}
	if !used.inForce {
		parts = []string{"A, dashed: only shipped"}
	}
	if used.rule.OnlyShown() {
		parts = []string{"A, hatched from its line up: bad by then"}
	}
	if slices.ContainsFunc(used.rule.Limits, func(l stability.Limit) bool { return l.GoodMs > 0 && l.FirstBad > 0 }) {
		parts = append(parts, "dotted up to the thick line: first found bad")
	}
	if more := len(g.limits) - 1; more == 1 {
		parts = append(parts, "thin, B: not chosen")
	} else if more > 1 {
		parts = append(parts, fmt.Sprintf("thin, B to %s: not chosen", mark(more)))
	}
	if used.rule.Below != nil || used.rule.Above != nil {
		parts = append(parts, "hatched beside it: not allowed")
	}
	return sentence(strings.Join(parts, "; "))
}
