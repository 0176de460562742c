package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
)

// LookBackSource tells what lies behind.
type LookBackSource interface {
	// FlagsOf gives how it stood with the flags raised in the days before now, or ErrNotReady.
	FlagsOf(ctx context.Context, days int) (FlagsPage, error)
}

// FlagsPage is how it stood with flags over a stretch of days.
type FlagsPage struct {
	Seq  uint64
	Now  event.Instant
	Zone *time.Location
	Days int
	flags.Report
}

// lookBackDays are the stretches that can be asked for.
var lookBackDays = []int{1, 7, 28}

type flagsWords struct {
	Days                   []lookBackDay
	From, To, Offset, Zone string
	Lines                  []figure
	Levels                 []levelLine
	Causes                 []causeLine
	None                   bool
	Seq                    uint64
}

type lookBackDay struct {
	Text, URL string
	Here      bool
}

// figure is one number with what it means and what it is held against.
type figure struct{ What, Is, Against string }

type levelLine struct {
	Level level
	Head  string
	N     int
	Share string
}

type causeLine struct {
	What string
	N    int
}

// causeKinds name what several flags come from.
var causeKinds = map[event.CauseKind]string{
	event.CauseNone: "the tube itself", event.CauseBox: "box", event.CauseLogger: "logger", event.CauseRoute: "route",
}

// Render writes the page as HTML.
func (p FlagsPage) Render(w io.Writer, site Site) error {
	c := clockOf(p.Now, p.Zone)
	words := flagsWords{
		From: c.at(p.From), To: c.at(p.To), Offset: c.offset(), Zone: c.zone.String(), None: p.Episodes == 0, Seq: p.Seq,
	}
	for _, d := range lookBackDays {
		words.Days = append(words.Days, lookBackDay{
			Text: count(d, "day", "days"), URL: fmt.Sprintf("%s/look-back/flags?days=%d", site.Base, d), Here: d == p.Days,
		})
	}
	words.Lines = p.figures()
	for _, l := range p.Levels {
		outlook := event.OutlookUnknown
		if l.Running {
			outlook = event.RunningOut
		}
		words.Levels = append(words.Levels, levelLine{
			Level: levelOf(l.Verdict, outlook), Head: headWords(l.Verdict, outlook), N: l.N, Share: portion(l.N, p.Episodes),
		})
	}
	for _, x := range p.Causes {
		words.Causes = append(words.Causes, causeLine{What: says(causeKinds, x.Cause.Kind) + " " + x.Cause.Name, N: x.N})
	}
	return frame{Site: site, Name: "Look back", Kind: "look-back", Page: words}.render(w)
}

func portion(n, of int) string {
	if of == 0 {
		return ""
	}
	if n*100 < of {
		return "under 1 %"
	}
	return fmt.Sprintf("%d %%", (n*100+of/2)/of)
}

// figures are the numbers of the report. What they are held against is EEMUA 191's target
// for one operator's position, seen in secondary excerpts: a laboratory sets its own.
func (p FlagsPage) figures() []figure {
	hours := max(float64(p.To-p.From)/float64(time.Hour.Milliseconds()), 1)
	out := []figure{
		{"Flags raised", count(p.Episodes, "flag", "flags"), ""},
		{"Alarms, one for each cause", fmt.Sprintf("%s, %.1f an hour", count(p.Alarms, "alarm", "alarms"), float64(p.Alarms)/hours), "12 an hour are the most that one person can follow"},
		{"Most within an hour", count(p.Peak, "alarm", "alarms"), "above 15 things are missed"},
		{"In a flood, more than ten in ten minutes", length(p.FloodMs), "under 1 % of the time"},
	}
	taken := "nobody answered any"
	if p.Taken.N > 0 {
		taken = fmt.Sprintf("half within %s, nine of ten within %s, the longest %s", length(p.Taken.MedianMs), length(p.Taken.P9Ms), length(p.Taken.LongestMs))
	}
	return append(out,
		figure{"From the flag to the first answer", taken, ""},
		figure{"Over without any answer", count(p.Unanswered, "flag", "flags"), "a flag that needs nobody should not be one"},
		figure{"Answered, and nothing was done", count(p.Unacted, "flag", "flags"), ""},
		figure{"Stood for more than a day", count(p.Stale, "flag", "flags"), "fewer than 5"},
		figure{"Tubes raised three times and more", count(p.Chattering, "tube", "tubes"), "none"},
		figure{"Up now", count(p.StillOpen, "flag", "flags") + ", " + count(p.StillUntaken, "of them untaken", "of them untaken"), ""},
	)
}

type lookBackPage struct{ Missing string }

// Render writes the page as HTML.
func (p lookBackPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Look back", Kind: "look-back-start", Page: p}.render(w)
}

func (s *server) lookBackPages(mux *router) {
	mux.HandleFunc("GET /look-back", s.lookBack)
	mux.HandleFunc("GET /look-back/flags", s.lookBackFlags)
}

// reportOf are the things of which a custody report is printed, by the word of the form.
var reportOf = map[string]string{"tube": "/tubes/", "draw": "/draws/", "carrier": "/carriers/"}

// lookBack leads to the report of what was named.
func (s *server) lookBack(w http.ResponseWriter, r *http.Request) {
	number := strings.TrimSpace(r.URL.Query().Get("number"))
	path, known := reportOf[r.URL.Query().Get("of")]
	switch {
	case r.URL.RawQuery == "":
		s.send(w, r, http.StatusOK, lookBackPage{})
	case number == "":
		s.send(w, r, http.StatusBadRequest, lookBackPage{Missing: "No number arrived. Type what is printed on the label, or scan it into the box."})
	case !known:
		s.send(w, r, http.StatusBadRequest, lookBackPage{Missing: "Say what the number names: a tube, a draw or a box."})
	default:
		http.Redirect(w, r, s.site.Base+path+url.PathEscape(number)+"/report", http.StatusSeeOther)
	}
}

func (s *server) lookBackFlags(w http.ResponseWriter, r *http.Request) {
	days := 7
	if text := r.URL.Query().Get("days"); text != "" {
		days = 0
		for _, d := range lookBackDays {
			if text == fmt.Sprint(d) {
				days = d
			}
		}
		if days == 0 {
			s.send(w, r, http.StatusBadRequest, lookBackPage{Missing: fmt.Sprintf("Days can be %v; choose one of them.", lookBackDays)})
			return
		}
	}
	p, err := s.src.FlagsOf(r.Context(), days)
	if err != nil {
		s.fail(w, r, fmt.Errorf("reading the flags of %d days: %w", days, err))
		return
	}
	s.send(w, r, http.StatusOK, p)
}
