package web

import (
	"fmt"
	"math"
	"strings"

	"specimen.example/custody/internal/event"
)

type pt struct{ x, y float64 }

// thin keeps of each unit of width the lowest and the highest point, in their
// order: never more than two, and no peak is lost.
func thin(in []pt) []pt {
	var out []pt
	for i := 0; i < len(in); {
		column := math.Floor(in[i].x)
		low, high := i, i
		j := i
		for ; j < len(in) && math.Floor(in[j].x) == column; j++ {
			if in[j].y < in[low].y {
				low = j
			}
			if in[j].y > in[high].y {
				high = j
			}
		}
		out = append(out, in[min(low, high)])
		if low != high {
			out = append(out, in[max(low, high)])
		}
		i = j
	}
	return out
}

// scale is the temperature axis, whole degrees.
type scale struct {
	low, high   int // °C
	top, height float64
}

func (s scale) y(c event.CentiC) float64 {
	share := (float64(c)/100 - float64(s.low)) / float64(s.high-s.low)
	return s.top + s.height*(1-share)
}

// scaleOf spans all that is known, and the first bands, with air around it.
func scaleOf(temps []TempSegment, bands []TempBand) scale {
	low, high := event.CentiC(math.MaxInt32), event.CentiC(math.MinInt32)
	for _, s := range temps {
		if s.Evidence != event.EvidenceUnknown {
			low, high = min(low, s.Low0, s.Low1), max(high, s.High0, s.High1)
		}
	}
	for _, b := range bands {
		low, high = min(low, b.Low), max(high, b.High)
	}
	if low > high {
		low, high = 0, 3000
	}
	return scale{low: floorTo(int(low)-150, 500) / 100, high: -floorTo(-int(high)-150, 500) / 100}
}

func floorTo(n, step int) int {
	return int(math.Floor(float64(n)/float64(step))) * step
}

// temperature draws what the tube saw, each stretch by its evidence, never
// across a hole.
func (c *canvas) temperature() {
	if len(c.temps) == 0 {
		return
	}
	bands := joinBands(c.page.Allowed)
	s := scaleOf(c.temps, bands)
	c.y += 6
	if c.above {
		c.text("name", "start", 2, c.y+letter, "temperature, °C")
		c.y += letter + 8
	} else {
		c.text("name", "end", c.left-34, c.y+18, "°C")
	}
	s.top, s.height = c.y, c.tempHeight
	c.rect("frame", c.left, c.end(), s.top, s.height)
	c.degrees(s)
	for i, b := range bands {
		c.band(s, b, i)
	}
	for i := 0; i < len(c.temps); {
		j := i + 1
		for j < len(c.temps) && c.temps[j].Evidence == c.temps[i].Evidence && c.temps[j-1].To == c.temps[j].From {
			j++
		}
		switch c.temps[i].Evidence {
		case event.EvidenceMeasured:
			c.measured(s, c.temps[i:j])
		case event.EvidenceUnknown:
			c.hole(s, c.temps[i].From, c.temps[j-1].To)
		default:
			c.ranges(s, c.temps[i:j])
		}
		i = j
	}
	c.y += c.tempHeight + 4
	for i, b := range bands {
		c.bandName(b, i)
	}
}

func (c *canvas) degrees(s scale) {
	step := 5
	for float64(step)/float64(s.high-s.low)*s.height < 22 {
		step *= 2
	}
	for t := floorTo(s.low+step-1, step); t <= s.high; t += step {
		y := s.y(event.CentiC(t * 100))
		c.line("grid", c.left, y, c.end(), y)
		c.text("tick", "end", c.left-6, y+4, fmt.Sprint(t))
	}
}

// joinBands gives each range once, with all its labels; the first few only.
func joinBands(in []TempBand) []TempBand {
	var out []TempBand
next:
	for _, b := range in {
		for i := range out {
			if out[i].Low == b.Low && out[i].High == b.High {
				if b.Label != "" && !strings.Contains(out[i].Label, b.Label) {
					out[i].Label += ", " + b.Label
				}
				continue next
			}
		}
		out = append(out, b)
	}
	return out[:min(len(out), bandsDrawn)]
}

func (c *canvas) band(s scale, b TempBand, i int) {
	top, bottom := s.y(b.High), s.y(b.Low)
	c.rect(bandClass(i), c.left, c.end(), top, bottom-top)
}

func bandClass(i int) string {
	if i > 0 {
		return "allowed second"
	}
	return "allowed"
}

// bandName says beneath the plot what a band is, beside a sample of its border: inside,
// readings and the boxes of what was assumed would lie under the words.
func (c *canvas) bandName(b TempBand, i int) {
	label := fmt.Sprintf("allowed %s to %s", strings.TrimSuffix(degrees(b.Low), " °C"), degrees(b.High))
	if b.Label != "" {
		label += ": " + b.Label
	}
	const sample = 22.0
	c.rect(bandClass(i), c.left, c.left+sample, c.y+3, letter-2)
	c.text("bandtext", "start", c.left+sample+6, c.y+letter, fit(label, c.end()-c.left-sample-6))
	c.y += letter + 5
}

// measured draws the line; where the bounds differ, both of them with the
// ground between.
func (c *canvas) measured(s scale, run []TempSegment) {
	low := make([]pt, 0, 2*len(run))
	high := make([]pt, 0, 2*len(run))
	differ := false
	for _, r := range run {
		low = append(low, pt{c.x(r.From), s.y(r.Low0)}, pt{c.x(r.To), s.y(r.Low1)})
		high = append(high, pt{c.x(r.From), s.y(r.High0)}, pt{c.x(r.To), s.y(r.High1)})
		differ = differ || r.Low0 != r.High0 || r.Low1 != r.High1
	}
	low = thin(low)
	if !differ {
		c.polyline("measured", low)
		return
	}
	high = thin(high)
	var d strings.Builder
	d.WriteString(trail('M', high))
	for i := len(low) - 1; i >= 0; i-- {
		fmt.Fprintf(&d, "L%s %s", number(low[i].x), number(low[i].y))
	}
	fmt.Fprintf(&c.body, `<path class="spread" d="%sZ"/>`+"\n", d.String())
	c.polyline("measured", high)
	c.polyline("measured", low)
}

func (c *canvas) polyline(class string, points []pt) {
	if len(points) == 1 {
		points = append(points, pt{points[0].x + 1, points[0].y})
	}
	fmt.Fprintf(&c.body, `<path class="%s" d="%s"/>`+"\n", class, trail('M', points))
}

func trail(first rune, points []pt) string {
	var d strings.Builder
	for i, p := range points {
		if i == 0 {
			d.WriteRune(first)
		} else {
			d.WriteByte('L')
		}
		d.WriteString(number(p.x) + " " + number(p.y))
	}
	return d.String()
}

// ranges draws attested and assumed stretches as boxes between their bounds;
// equal neighbours are one box.
func (c *canvas) ranges(s scale, run []TempSegment) {
	for i := 0; i < len(run); {
		j := i + 1
		for j < len(run) && boundsOf(run[j]) == boundsOf(run[i]) {
			j++
		}
		b := boundsOf(run[i])
		x0, x1 := c.x(run[i].From), c.x(run[j-1].To)
		top := s.y(b.High)
		c.rect(string(run[i].Evidence), x0+0.5, x1-0.5, top, max(s.y(b.Low)-top, 1))
		if label := string(run[i].Evidence); textWidth(label) < x1-x0-6 {
			c.text("in", "start", x0+4, s.y(b.Low)-4, label)
		}
		i = j
	}
}

func boundsOf(s TempSegment) TempBand {
	return TempBand{Low: min(s.Low0, s.Low1), High: max(s.High0, s.High1)}
}

func (c *canvas) hole(s scale, from, to event.Instant) {
	x0, x1 := c.x(from), c.x(to)
	c.rect("gap", x0, x1, s.top+1, s.height-2)
	if label := fit("not known", x1-x0-6); label == "not known" {
		c.text("in", "middle", (x0+x1)/2, s.top+s.height/2, label)
	}
}
