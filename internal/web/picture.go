package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// drawing is how large a picture is, in its own units; one unit is one CSS pixel
// at full size.
type drawing struct {
	name        string // suffix of ids, so that two drawings share a page
	width       float64
	left, right float64
	tempHeight  float64
	above       bool    // lane names stand above their lane, not beside it
	tick        float64 // least distance of two labels of the time axis
}

var (
	wideShape   = drawing{name: "wide", width: 1040, left: 128, right: 14, tempHeight: 176, tick: 66}
	narrowShape = drawing{name: "narrow", width: 360, left: 34, right: 6, tempHeight: 150, above: true, tick: 58}
)

const (
	letter     = 13.0 // font size
	laneHeight = 26.0
	barHeight  = 15.0
	// bandsDrawn and budgetsDrawn bound what fits one glance; the words below have all.
	bandsDrawn   = 2
	budgetsDrawn = 12
)

// picture is a tube's history on one time axis.
type picture struct {
	page     TubePage
	clock    clock
	from, to event.Instant
	temps    []TempSegment
}

// newPicture gives nil when there is no moment to draw from.
func newPicture(p TubePage, c clock) *picture {
	pic := &picture{page: p, clock: c, temps: withHoles(p.Temps)}
	pic.from, pic.to = p.Now, p.Now
	grow := func(at event.Instant) {
		if at != 0 {
			pic.from, pic.to = min(pic.from, at), max(pic.to, at)
		}
	}
	grow(p.Drawn.first())
	grow(p.FirstAt)
	for _, s := range p.Temps {
		grow(s.From)
		grow(s.To)
	}
	for _, lane := range p.Lanes {
		for _, s := range lane.Spans {
			grow(s.From)
			grow(s.To)
		}
	}
	if pic.from >= pic.to {
		return nil
	}
	// A deadline is drawn while it lies near; one far ahead would press the past
	// into a corner, so it is only written.
	horizon := p.Now + max((p.Now-pic.from)*7/10, event.Instant(30*time.Minute.Milliseconds()))
	for _, t := range p.Tests {
		for _, at := range []event.Instant{t.Due.Earliest, t.Due.Latest, t.WaitUntil} {
			if at <= horizon {
				grow(at)
			}
		}
	}
	pad := (pic.to - pic.from) / 40
	pic.from, pic.to = pic.from-pad, pic.to+pad
	return pic
}

// withHoles puts unknown stretches where the segments leave time open, so that
// nothing reads as if it had been there.
func withHoles(in []TempSegment) []TempSegment {
	var out []TempSegment
	for i, s := range in {
		if i > 0 && in[i-1].To < s.From {
			out = append(out, TempSegment{From: in[i-1].To, To: s.From, Evidence: event.EvidenceUnknown})
		}
		out = append(out, s)
	}
	return out
}

// canvas is one drawing under way.
type canvas struct {
	*picture
	drawing
	body strings.Builder
	y    float64 // where the next thing goes
}

func (p *picture) draw(d drawing) template.HTML {
	c := &canvas{picture: p, drawing: d, y: 20}
	for _, lane := range p.page.Lanes {
		c.lane(lane)
	}
	c.temperature()
	c.budgets()
	c.axis()
	c.now()
	var out strings.Builder
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" role="img" aria-labelledby="title-%s desc-%s">`,
		number(d.width), number(c.y), d.name, d.name)
	fmt.Fprintf(&out, "\n<title id=\"title-%s\">%s</title>\n<desc id=\"desc-%s\">%s</desc>\n", d.name,
		template.HTMLEscapeString("Tube "+p.page.ID+": who held it, its temperature, and what is left of each limit"),
		d.name, template.HTMLEscapeString(p.describe()))
	out.WriteString(c.body.String())
	out.WriteString("</svg>")
	// Every text in it went through an escape.
	return template.HTML(out.String())
}

// describe is the picture's conclusion for those who don't see it.
func (p *picture) describe() string {
	var parts []string
	for _, t := range p.page.Tests {
		w := testOf(p.clock, t)
		s := w.Name + ": " + w.Head
		if w.By != "" {
			s += ", " + w.By
		}
		parts = append(parts, s)
	}
	by := map[event.Evidence]int64{}
	for _, s := range p.temps {
		by[s.Evidence] += int64(s.To - s.From)
	}
	var kinds []string
	for _, e := range event.Evidences() {
		if by[e] > 0 {
			kinds = append(kinds, length(by[e])+" "+says(evidenceWords, e))
		}
	}
	text := p.page.status(p.clock)
	if len(parts) > 0 {
		text += " " + strings.Join(parts, "; ") + "."
	}
	if len(kinds) > 0 {
		text += " Temperature: " + strings.Join(kinds, ", ") + "."
	}
	return text
}

func (c *canvas) x(at event.Instant) float64 {
	share := float64(at-c.from) / float64(c.to-c.from)
	return c.left + share*(c.width-c.left-c.right)
}

// end is the right border of the plot.
func (c *canvas) end() float64 { return c.width - c.right }

func (c *canvas) rect(class string, x0, x1, y, h float64) {
	fmt.Fprintf(&c.body, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`+"\n",
		class, number(x0), number(y), number(max(x1-x0, 0.5)), number(h))
}

func (c *canvas) line(class string, x0, y0, x1, y1 float64) {
	fmt.Fprintf(&c.body, `<path class="%s" d="M%s %sL%s %s"/>`+"\n", class, number(x0), number(y0), number(x1), number(y1))
}

func (c *canvas) text(class, anchor string, x, y float64, s string) {
	fmt.Fprintf(&c.body, `<text class="%s" x="%s" y="%s" text-anchor="%s">%s</text>`+"\n",
		class, number(x), number(y), anchor, template.HTMLEscapeString(s))
}

// name writes what a lane is.
func (c *canvas) name(s string) {
	if c.above {
		c.text("name", "start", 2, c.y+letter, s)
		c.y += letter + 5
		return
	}
	c.text("name", "end", c.left-8, c.y+18, fit(s, c.left-12))
}

func (c *canvas) lane(l Lane) {
	c.name(l.Name)
	for _, s := range l.Spans {
		to := s.To
		if to == 0 {
			to = c.page.Now
		}
		x0, x1 := c.x(s.From), c.x(to)
		class := "span"
		if s.Unknown {
			class = "span gap"
		}
		fmt.Fprintf(&c.body, "<g><title>%s</title>\n", template.HTMLEscapeString(
			fmt.Sprintf("%s %s, %s to %s", l.Name, s.Label, c.clock.at(s.From), c.clock.at(to))))
		c.rect(class, x0+0.5, x1-0.5, c.y, laneHeight-4)
		if label := fit(s.Label, x1-x0-8); label != "" {
			c.text("in", "start", x0+5, c.y+15.5, label)
		}
		c.body.WriteString("</g>\n")
	}
	c.y += laneHeight + 2
}

// budgets draws for each limit how it was used up, and until when it lasts.
func (c *canvas) budgets() {
	drawn := 0
	for _, t := range c.page.Tests {
		if t.LimitMs <= 0 || c.page.Drawn.first() == 0 {
			continue
		}
		if drawn++; drawn > budgetsDrawn {
			c.y += letter + 4
			c.text("small", "start", c.left, c.y, "the other tests stand below")
			break
		}
		c.budget(t)
	}
}

func (c *canvas) budget(t TestRow) {
	w := testOf(c.clock, t)
	c.y += 10
	said := w.Head
	switch {
	case w.By == "":
	case c.above && t.EndedAt == 0:
		// The safe bound alone; the drawing shows the other one.
		said += ", " + strings.TrimSpace(t.DueVerb+" "+c.clock.by(t.Due.first()))
	default:
		said += ", " + w.By
	}
	used := ", " + percent(t.UsedMs, t.LimitMs) + " used"
	if c.above {
		c.text("name", "start", 2, c.y+letter, fit(w.Name, c.width-100)+used)
		c.y += letter + 3
	} else {
		c.text("name", "end", c.left-8, c.y+letter+10, fit(w.Name, c.left-12))
		said += used
	}
	c.text("said", "start", c.left+1, c.y+letter-1, fit(said, c.end()-c.left-4))
	c.y += letter + 5

	zero := c.x(c.page.Drawn.first())
	stop := c.page.Now
	if t.EndedAt != 0 {
		stop = t.EndedAt
	}
	due := t.Due.first()
	right := c.x(max(due, stop))
	if due == 0 || right > c.end() {
		right = c.end()
	}
	fmt.Fprintf(&c.body, `<g class="budget is-%s">`+"\n", w.Level)
	c.rect("room", zero, right, c.y, barHeight)
	c.use(t, zero, c.x(stop))
	if due != 0 && c.x(due) <= c.end() {
		c.line("deadline", c.x(due), c.y-4, c.x(due), c.y+barHeight+4)
		if best := t.Due.Latest; best > due {
			c.rect("maybe", c.x(due), min(c.x(best), c.end()), c.y+3, barHeight-6)
		}
	}
	c.body.WriteString("</g>\n")
	c.y += barHeight + 4
}

// use fills the bar by the part of the limit used, steeper where it went faster.
func (c *canvas) use(t TestRow, zero, stop float64) {
	points := []pt{{zero, 0}}
	for _, u := range t.Use {
		points = append(points, pt{c.x(u.At), c.fill(u.UsedMs, t.LimitMs)})
	}
	if len(t.Use) == 0 && t.UsedMs > t.LimitMs {
		full := zero + (stop-zero)*float64(t.LimitMs)/float64(t.UsedMs)
		points = append(points, pt{full, barHeight}, pt{stop, barHeight})
	} else if len(t.Use) == 0 {
		points = append(points, pt{stop, c.fill(t.UsedMs, t.LimitMs)})
	}
	points = thin(points)
	var d strings.Builder
	fmt.Fprintf(&d, "M%s %s", number(points[0].x), number(c.y+barHeight))
	for _, p := range points {
		fmt.Fprintf(&d, "L%s %s", number(p.x), number(c.y+barHeight-p.y))
	}
	last := points[len(points)-1].x
	fmt.Fprintf(&d, "L%s %sZ", number(last), number(c.y+barHeight))
	fmt.Fprintf(&c.body, `<path class="used" d="%s"/>`+"\n", d.String())
}

func (c *canvas) fill(used, limit int64) float64 {
	return min(float64(used)/float64(limit), 1) * barHeight
}

// now draws the present through all lanes.
func (c *canvas) now() {
	x := c.x(c.page.Now)
	c.line("now", x, 16, x, c.y-22)
	anchor, at := "middle", x
	if half := textWidth("now 00:00") / 2; x+half > c.end() {
		anchor, at = "end", c.end()
	}
	c.text("nowtext", anchor, at, 12, "now "+c.clock.now.Format("15:04"))
}

// axis draws the time axis below everything.
func (c *canvas) axis() {
	c.y += 8
	c.line("axis", c.left, c.y, c.end(), c.y)
	for _, t := range c.ticks() {
		x := c.x(event.At(t.at))
		c.line("axis", x, c.y, x, c.y+5)
		anchor := "middle"
		half := textWidth(t.label) / 2
		switch {
		case x+half > c.width:
			anchor, x = "end", c.end()
		case x-half < 0:
			anchor, x = "start", 1
		}
		c.text("tick", anchor, x, c.y+18, t.label)
	}
	c.y += 24
}

type tickMark struct {
	at    time.Time
	label string
}

var tickSteps = []time.Duration{
	5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour,
	6 * time.Hour, 12 * time.Hour,
}

// ticks are round local times, labelled with the date where a day begins.
func (c *canvas) ticks() []tickMark {
	plot := c.end() - c.left
	span := c.to.Sub(c.from)
	room := func(d time.Duration) bool { return plot*float64(d)/float64(span) >= c.tick }
	from, to := c.from.Time().In(c.clock.zone), c.to.Time().In(c.clock.zone)
	midnight := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, c.clock.zone)
	var marks []tickMark
	add := func(t time.Time, layout string) {
		if !t.Before(from) && !t.After(to) {
			marks = append(marks, tickMark{t, t.Format(layout)})
		}
	}
	for _, step := range tickSteps {
		if !room(step) {
			continue
		}
		for day := midnight; !day.After(to); day = day.AddDate(0, 0, 1) {
			add(day, "2 Jan")
			next := day.AddDate(0, 0, 1)
			// By duration from each midnight: on a day of 23 or 25 hours the labels
			// still say what the clocks there said.
			for t := day.Add(step); t.Before(next); t = t.Add(step) {
				add(t, "15:04")
			}
		}
		return marks
	}
	days := 1
	for !room(time.Duration(days) * 24 * time.Hour) {
		days *= 2
	}
	for day := midnight; !day.After(to); day = day.AddDate(0, 0, days) {
		add(day, "2 Jan")
	}
	return marks
}

// number writes a coordinate to a tenth.
func number(f float64) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", math.Round(f*10)/10), ".0")
}

// textWidth is an estimate: the fonts are the browser's. It errs to the wide side.
func textWidth(s string) float64 { return float64(len([]rune(s))) * letter * 0.56 }

// fit cuts s to a width; what would keep fewer than two letters goes whole.
func fit(s string, width float64) string {
	if textWidth(s) <= width {
		return s
	}
	runes := []rune(s)
	keep := int(width/(letter*0.56)) - 1
	if keep < 2 {
		return ""
	}
	return strings.TrimRight(string(runes[:keep]), " ,") + "…"
}
