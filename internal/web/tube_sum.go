package web

import (
	"fmt"
	"strings"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/sprec"
	"specimen.example/custody/internal/thermal"
)

// sumWords is what the temperature came to, in words.
type sumWords struct {
	Parts                                  []sumPart
	ColdestIs, Coldest, WarmestIs, Warmest string
	Mean, MeanOf                           string
}

type sumPart struct{ What, Share, Long string }

// sumNames are the four kinds of evidence as heads, best first.
var sumNames = []struct {
	e    thermal.Evidence
	word string
}{
	{thermal.Measured, "Measured"}, {thermal.Attested, "Attested"}, {thermal.Assumed, "Assumed"}, {thermal.Unknown, "Not known"},
}

// sumOf gives nil where nothing was summed up.
func sumOf(s *thermal.Summary) *sumWords {
	if s.To <= s.From {
		return nil
	}
	w := &sumWords{ColdestIs: "Coldest", Coldest: reached(s.Coldest), WarmestIs: "Warmest", Warmest: reached(s.Warmest)}
	for _, n := range sumNames {
		p := sumPart{What: n.word, Share: shareOf(s.Permille[n.e], s.By[n.e], int64(s.To-s.From))}
		if s.By[n.e] > 0 {
			p.Long = length(s.By[n.e])
		}
		w.Parts = append(w.Parts, p)
	}
	if s.By[thermal.Unknown] > 0 && s.Coldest.Known {
		w.ColdestIs, w.WarmestIs = "Coldest known", "Warmest known"
	}
	w.Mean, w.MeanOf = meanWords(s)
	return w
}

// shareOf writes thousandths as percent. What is not quite nothing or not quite all
// is not rounded to it.
func shareOf(permille int32, ms, whole int64) string {
	switch {
	case ms == 0:
		return "none"
	case permille == 0:
		return "less than 0.1 %"
	case permille == 1000 && ms == whole:
		return "100 %"
	case permille == 1000:
		return "more than 99.9 %"
	}
	return tenths(permille)
}

func tenths(permille int32) string { return fmt.Sprintf("%d.%d %%", permille/10, permille%10) }

// reached writes a temperature that is known between two bounds.
func reached(r event.Range) string {
	switch {
	case !r.Known:
		return "not known"
	case degrees(r.Low) == degrees(r.High):
		return degrees(r.Low)
	}
	return "between " + degrees(r.Low) + " and " + degrees(r.High)
}

// meanWords gives the mean kinetic temperature, and what it is of and worth.
func meanWords(s *thermal.Summary) (mean, of string) {
	k := &s.Kinetic
	if !k.Known {
		return "", "Not known: no minute has a temperature."
	}
	mean = degrees(k.Low)
	if low, high := degrees(k.Low), degrees(k.High); low != high {
		mean = "between " + low + " and " + high
	}
	energy := strings.TrimRight(fmt.Sprintf("%d.%03d", k.JoulesPerMole/1000, k.JoulesPerMole%1000), "0")
	of = "for an activation energy of " + strings.TrimSuffix(energy, ".") + " kJ/mol"
	if k.JoulesPerMole == thermal.PharmacopoeiaJoulesPerMole {
		of += ", the pharmacopoeia's value for drugs"
	}
	of += ", over " + shareOf(k.CoversPermille, k.CoversMs, int64(s.To-s.From)) + " of the time."
	return mean, of + " A mean hides cold and a short heat: nothing is judged by it."
}

// codeWords is the sample pre-analytical code with its reasons.
type codeWords struct {
	Code, Version, Head string // Code is empty where it is not complete
	Rows                []codeRow
}

type codeRow struct{ Element, Code, Reason string }

// codeOf gives nil while there is nothing to code.
func codeOf(r *sprec.Result) *codeWords {
	if *r == (sprec.Result{}) {
		return nil
	}
	w := &codeWords{Version: sprec.Version + ". X: not known. Z: the table has no row for it.", Head: "Why it has no sample pre-analytical code (" + sprec.Version + ")"}
	if r.Complete {
		w.Code, w.Head = r.Code.String(), "Why each element"
	}
	for i, e := range r.Elements {
		row := codeRow{Element: sentence(sprec.Name(i)), Code: e.Code, Reason: sentence(e.Reason)}
		row.Element = strings.TrimSuffix(row.Element, ".")
		if row.Code == "" {
			row.Code = "none"
		}
		w.Rows = append(w.Rows, row)
	}
	return w
}
