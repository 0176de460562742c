package stability

import (
	"fmt"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

// Describe says a rule in one line of plain text: what it is for, how long it
// holds where, what is outside, what it rests on and from where.
func Describe(r *Rule) string {
	parts := []string{subject(r) + ": " + limitsText(r)}
	if s := sideText("below", r.Below); s != "" {
		parts = append(parts, s)
	}
	if s := sideText("above", r.Above); s != "" {
		parts = append(parts, s)
	}
	if r.TimeReads != "" && r.TimeReads != event.DirectionUnknown {
		parts = append(parts, "over time it "+readsText(r.TimeReads))
	}
	for _, n := range r.Needs {
		parts = append(parts, "only if kept "+map[Need]string{NeedsFoil: "in foil", NeedsIce: "on ice", NeedsWarmth: "warm"}[n])
	}
	if r.Critical {
		parts = append(parts, "only measured or attested temperatures count")
	}
	parts = append(parts, evidenceText(r.Evidence), "source: "+SourceText(r.Source))
	switch {
	case r.Default:
		parts = append(parts, "default: "+r.Because)
	case r.Because != "":
		parts = append(parts, "not the default: "+r.Because)
	}
	return strings.Join(parts, "; ")
}

func subject(r *Rule) string {
	name := r.Assay.Name
	if name == "" {
		name = r.Assay.Code
	}
	names := r.TubeNames
	if len(names) != len(r.Tubes) {
		names = r.Tubes
	}
	text := name + " in " + strings.Join(names, " or ") + ", " + strings.ReplaceAll(string(r.State), "-", " ")
	for _, c := range r.Condition {
		answer := "no"
		if c.Yes {
			answer = "yes"
		}
		text += ", " + strings.ReplaceAll(c.Name, "-", " ") + ": " + answer
	}
	from := map[CountsFrom]string{FromDraw: "the draw", FromState: "the change of state", FromThaw: "thawing"}[r.From]
	return text + ", from " + from + " until " + endingText(r.Until)
}

func endingText(e event.Ending) string {
	switch e {
	case event.EndsSetUp:
		return "set up"
	case event.EndsFilmMade:
		return "the film is made"
	case event.EndsOffCells:
		return "off the cells"
	default:
		return string(e)
	}
}

func limitsText(r *Rule) string {
	rows := make([]string, len(r.Limits))
	for i, l := range r.Limits {
		rows[i] = bandText(l.Low, l.High) + " " + lengthText(l)
		switch {
		case l.Widened:
			rows[i] += " (widened from " + l.AsStudied + ")"
		case l.AsStudied != "":
			rows[i] += " (studied at " + l.AsStudied + ")"
		}
		for _, s := range l.Shares {
			rows[i] += ", " + s.Over + " of tubes over at " + durationText(s.AtMs)
		}
	}
	text := strings.Join(rows, "; ")
	if len(rows) > 1 && r.Combine == StrictestBand {
		text += "; the strictest band visited counts"
	}
	return text
}

// RowTime says what one row of a limit allows, for example "good through 6 h".
func RowTime(l *Limit) string { return lengthText(*l) }

func lengthText(l Limit) string {
	switch {
	case l.RatePerH > 0:
		return "changes by " + microText(l.RatePerH) + " " + l.Unit + " per hour, " + microText(l.Criterion) + " " + l.Unit + " is too much"
	case l.Ms > 0:
		return "up to " + durationText(l.Ms)
	case l.GoodMs > 0 && l.FirstBad > 0:
		return "good through " + durationText(l.GoodMs) + ", first bad " + durationText(l.FirstBad)
	case l.GoodMs > 0:
		return "good through " + durationText(l.GoodMs) + ", not tested beyond"
	default:
		return "bad by " + durationText(l.FirstBad)
	}
}

func sideText(side string, o *Outside) string {
	if o == nil {
		return ""
	}
	text := side + " the band"
	if o.HasAt {
		text = side + " " + celsiusText(o.At)
	}
	if o.AllowMs == 0 {
		text += " no time is allowed"
	} else {
		text += " " + durationText(o.AllowMs) + " allowed"
	}
	switch {
	case o.TwoValid:
		text += " (two readings)"
	case o.GraceMs > 0:
		text += " (after " + durationText(o.GraceMs) + ")"
	}
	if o.Direction != "" && o.Direction != event.DirectionUnknown {
		text += ", " + readsText(o.Direction)
	}
	return text
}

func readsText(d event.Direction) string {
	switch d {
	case event.ReadsHigh:
		return "may read high"
	case event.ReadsLow:
		return "may read low"
	case event.ReadsEither:
		return "may read high or low"
	default:
		return "may read wrong, it is not known which way"
	}
}

func evidenceText(e RuleEvidence) string {
	switch e {
	case Advised:
		return "advised by the authors"
	case Rate:
		return "estimated rate"
	case ShownUnstable:
		return "shown unstable"
	default:
		return string(e)
	}
}

// SourceText says a source in plain text, closing with how it was seen.
func SourceText(s Source) string {
	text := s.Title
	if s.Year != 0 {
		text += " " + strconv.Itoa(s.Year)
	}
	if s.Where != "" {
		text += ", " + s.Where
	}
	if s.Address != "" {
		text += ", " + s.Address
	}
	return text + " (seen: " + s.Seen + ")"
}

// durationText says a length of time with one unit where that is exact.
func durationText(ms int64) string {
	const h = 3_600_000
	switch {
	case ms >= 96*h && ms%(24*h) == 0:
		return strconv.FormatInt(ms/(24*h), 10) + " d"
	case ms%h == 0 && ms != 0:
		return strconv.FormatInt(ms/h, 10) + " h"
	case ms%60_000 == 0 && ms != 0:
		return strconv.FormatInt(ms/60_000, 10) + " min"
	case ms%1000 == 0:
		return strconv.FormatInt(ms/1000, 10) + " s"
	default:
		return strconv.FormatInt(ms, 10) + " ms"
	}
}

func bandText(low, high event.CentiC) string {
	if low == high {
		return celsiusText(low)
	}
	return centiText(low) + " to " + celsiusText(high)
}

func celsiusText(c event.CentiC) string { return centiText(c) + " °C" }

func centiText(c event.CentiC) string { return trimmed(int64(c), 100, 2) }

func microText(v int64) string { return trimmed(v, 1_000_000, 6) }

// trimmed writes v/scale as a decimal without closing zeros.
func trimmed(v, scale int64, places int) string {
	sign := ""
	if v < 0 {
		sign, v = "-", -v
	}
	text := fmt.Sprintf("%s%d.%0*d", sign, v/scale, places, v%scale)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}
