package web

import (
	"fmt"
	"strings"

	"specimen.example/custody/internal/event"
)

type (
	kinWords struct {
		ID, URL, Kin, Type, State, Head, Drawn string
		Level                                  level
		Flagged                                bool
	}
	decisionWords struct{ What, When, Who, Why string }
	episodeWords  struct {
		Name, When, Said, End string
		Answers               []string
	}
	sampleWords struct {
		Draw, DrawURL, Asked, For, Answer, NewURL, NewDraw string
		Open                                               bool
	}
	correctionWords struct{ When, What, Who, Why, Entry string }
)

// exact is the clock with seconds, and with the day on each instant: what is printed is
// read on another day.
func (c clock) exact() clock { c.seconds = true; return c }

func doubtOf(c clock, d *DoubtRow) doubtWordsRow {
	row := doubtWordsRow{What: says(doubtWords, d.Doubt), Note: d.Note, When: "since " + c.at(d.Since), ID: d.ID}
	if d.Closed == 0 {
		var say []string
		for _, l := range d.Likely {
			say = append(say, l.Say())
		}
		row.Likely = strings.Join(say, "; or ")
		return row
	}
	row.When = fmt.Sprintf("%s to %s", c.at(d.Since), c.at(d.Closed)) + leading(", settled by ", d.By) + leading(": ", d.Reason)
	return row
}

// kinOf writes a tube that belongs to another one.
func kinOf(site Site, c clock, k *KinRow) kinWords {
	w := kinWords{ID: k.ID, URL: site.TubeURL(k.ID), Kin: k.Kin, Type: k.Type, State: k.State, Flagged: k.Flagged, Level: levelAbsent}
	if k.Drawn != (Due{}) {
		w.Drawn = c.between(k.Drawn)
	}
	if k.Verdict != "" {
		w.Level, w.Head = levelOf(k.Verdict, k.Outlook), headWords(k.Verdict, k.Outlook)
	}
	return w
}

func decisionOf(c clock, d *DecisionRow) decisionWords {
	w := decisionWords{What: capital(d.What), When: c.at(d.At), Who: partsOf([][2]string{{"by ", d.By}, {"at ", d.Place}, {"authorised by ", d.Authoriser}})}
	w.Why = partsOf([][2]string{{"", d.Reason}, {"text for the report: ", d.Report}})
	if d.Voided {
		w.What += ", taken back"
	}
	return w
}

func episodeOf(c clock, e *EpisodeRow) episodeWords {
	w := episodeWords{Name: fmt.Sprintf("Flag %d", e.Episode), When: "since " + c.at(e.Since), End: "still up"}
	w.Said = "It says: " + says(verdictWords, e.Verdict) + ", " + strings.ToLower(says(actionWords, e.Action))
	switch {
	case e.Episode == 0:
		w = episodeWords{Name: "Before any flag"}
	case e.Cleared != 0:
		w.When, w.End = c.at(e.Since)+" to "+c.at(e.Cleared), "cleared"+leading(": ", e.Reason)
		w.Said = "It said last: " + strings.TrimPrefix(w.Said, "It says: ")
	}
	if w.Said != "" {
		w.Said += leading(", because of ", e.Cause)
		if e.Kind == event.FlagAfter {
			w.Said += ", after it was run"
		}
		if e.Changed > 0 {
			w.Said += " (changed " + count(e.Changed, "time", "times") + ")"
		}
		w.Said += "."
	}
	for _, a := range e.Answers {
		s := capital(a.Did) + leading(" by ", a.By) + " " + c.at(a.At)
		if a.Until != 0 {
			s += ", until " + c.at(a.Until)
		}
		w.Answers = append(w.Answers, sentence(s+leading(": ", a.Reason)))
	}
	if len(w.Answers) == 0 {
		w.Answers = []string{"Nobody answered it."}
	}
	return w
}

func sampleOf(site Site, c clock, s *SampleRow) sampleWords {
	w := sampleWords{Draw: s.Draw, Asked: c.at(s.At) + leading(" by ", s.By) + leading(": ", s.Reason), Open: s.Answered == 0, Answer: "Not answered yet"}
	if s.Draw != "" {
		w.DrawURL = site.ReportURL("draw", s.Draw)
	}
	w.For = partsOf([][2]string{{"for ", strings.Join(s.Tubes, ", ")}, {"tests: ", strings.Join(s.Tests, ", ")}})
	who := c.at(s.Answered) + leading(" by ", s.Answerer)
	switch {
	case s.Done:
		w.Answer = "Drawn again, " + who
		if s.NewDraw != "" {
			w.NewDraw, w.NewURL = s.NewDraw, site.ReportURL("draw", s.NewDraw)
		}
	case s.Declined:
		w.Answer = "Declined, " + who + leading(": ", s.Because)
	}
	return w
}

func correctionOf(c clock, k *CorrectionRow) correctionWords {
	w := correctionWords{What: capital(k.What), Who: k.By, Why: k.Reason}
	if k.At != 0 {
		w.When = c.at(k.At)
	}
	if k.Seq != 0 {
		w.Entry = fmt.Sprint(k.Seq)
	}
	return w
}

// capital writes the first letter large.
func capital(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
