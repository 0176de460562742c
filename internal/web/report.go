package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// ReportSource tells what custody reports say. Its methods answer as Tube does.
type ReportSource interface {
	TubeReport(ctx context.Context, id string) (Report, error)
	DrawReport(ctx context.Context, id string) (Report, error)
	// CarrierReport tells of one trip, by its number from 1; "": of the last one, "all": of
	// all. ErrNoTrip: it made no such trip.
	CarrierReport(ctx context.Context, id, trip string) (Report, error)
}

// ErrNoTrip says that a carrier has made no trip of that number.
var ErrNoTrip = errors.New("it has made no such trip; take one of the list, or all")

// Report is a custody report of a tube, a draw or a carrier: what the log holds of it,
// made to be printed and handed over. No patient is named in it.
type Report struct {
	Seq      uint64 // position of the log it rests on
	Readings uint64 // position of the readings
	Now      event.Instant
	Zone     *time.Location // zone of the place where it is; nil is UTC
	Kind     string         // tube, draw or carrier
	ID       string         // as in its address
	Name     string         // "tube TB260301"
	Closed   string         // why nothing is due any more; empty while open
	For      string         // staff code of who asked for it; empty where nobody is asked to sign in
	Facts    []ReportFact
	Doubts   []DoubtRow

	// Of a tube.
	Tests     []TestRow
	Rules     string // hash of the set of limits it is judged by
	Temps     []ReportTemp
	Decisions []DecisionRow
	Episodes  []EpisodeRow

	// Of a tube and a draw.
	Samples []SampleRow
	Tubes   []KinRow

	// Of a draw.
	Misses int // near misses: a label of somebody else than the band

	// Of a carrier.
	Trips    []ReportTrip
	Trip     int // which of them this tells of, from 1; 0: all
	Contents []ReportContent
	Loggers  []ReportLogger

	Corrections []CorrectionRow
	Steps       []ReportStep // one for each entry of the log, in order of time
	Beside      []ReportStep // entries of its draw and its request
	Notes       int          // texts that are sealed and not shown
	Unread      uint64       // last position of an entry of it that could not be read; 0: none
}

// ReportFact is a line of a report's head.
type ReportFact struct {
	Name, Value string
	Tube        string // id, for a link to its report
	Draw        string
	Carrier     string
}

// ReportTemp is a stretch of a temperature history with one source.
type ReportTemp struct {
	From, To  event.Instant
	Evidence  event.Evidence
	Low, High event.CentiC
	Held      bool // by the last reading, which holds for a while
	Source    string
}

// ReportTrip is a trip of a carrier, from the end of the one before.
type ReportTrip struct{ From, To event.Instant }

// ReportContent is a tube that was inside a carrier.
type ReportContent struct {
	Tube    string
	In, Out event.Instant // Out 0: still inside
	Via     string        // carriers between, in words
}

// ReportLogger is a logger that was on a carrier.
type ReportLogger struct {
	ID          string
	On          string
	From, Until event.Instant // Until 0: still there
	Calibrated  event.Instant // 0: never said
	Uncertainty event.CentiC  // ± of its calibration
	Next        event.Instant // when it must be calibrated again, 0 when not said
	Files       int           // files of it that were read in
	TakenBack   int           // of these, taken back
}

// ReportStep is one entry of the log.
type ReportStep struct {
	Seq       uint64
	ID        string // of the scan
	Occurred  event.Instant
	Recorded  event.Instant
	Said      event.Instant // by the device's own clock; 0 when it is not told
	OffsetMs  int64         // how far that clock was ahead
	PlusMinus int64         // ms
	OffsetMin int32         // zone's offset that the device gave, where it is Zoned
	Zoned     bool
	Told      bool          // by a person or a machine; else the program recorded it
	Source    string        // scanned, typed, imported or declared
	Typed     event.Instant // time that was typed beside the scan

	Step      string
	Note      string
	By        string
	For       string // on whose behalf
	Witness   string
	Role      string
	Principal string // who signed in, where that is another name
	From      string
	Place     string
	Carrier   string
	Device    string
	DeviceSeq int64
	How       string // by what it was read
	Import    string
	Signed    string // id of the device's key, where the entry carries its signature
	Reported  bool
	Inherited string // carrier whose step it is
	Again     uint64 // position of the entry that told of the same step before
	Voided    bool
	VoidedBy  string
	VoidedFor string
	VoidedSeq uint64
}

// ReportURL gives the address of the report of a tube, a draw or a carrier.
func (s Site) ReportURL(kind, id string) string {
	return s.Base + "/" + kind + "s/" + url.PathEscape(id) + "/report"
}

func (s *server) reportPages(mux *router) {
	mux.HandleFunc("GET /tubes/{id}/report", s.report("tube", func(r *http.Request, id string) (Report, error) { return s.src.TubeReport(r.Context(), id) }))
	mux.HandleFunc("GET /draws/{id}/report", s.report("draw", func(r *http.Request, id string) (Report, error) { return s.src.DrawReport(r.Context(), id) }))
	mux.HandleFunc("GET /carriers/{id}/report", s.report("carrier", func(r *http.Request, id string) (Report, error) {
		return s.src.CarrierReport(r.Context(), id, r.URL.Query().Get("trip"))
	}))
	mux.HandleFunc("GET /report/paper.css", reportPaper)
}

// report serves the reports of one kind of thing.
func (s *server) report(kind string, ask func(r *http.Request, id string) (Report, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		id := strings.TrimSpace(r.PathValue("id"))
		rep, err := ask(r, id)
		var refused *LabelRefused
		switch {
		case errors.Is(err, ErrNotFound):
			s.send(w, r, http.StatusNotFound, noReport(kind, id))
		case errors.Is(err, ErrNoTrip):
			s.send(w, r, http.StatusNotFound, noTrip(id, r.URL.Query().Get("trip")))
		case errors.As(err, &refused):
			s.send(w, r, http.StatusNotFound, noNumber(id, refused))
		case err != nil:
			s.fail(w, r, fmt.Errorf("reading the report of %s %s: %w", kind, id, err))
		default:
			if rep.Now == 0 {
				rep.Now = s.now()
			}
			rep.For = ActorOf(r.Context())
			s.send(w, r, http.StatusOK, rep)
		}
	}
}

// reportKinds say what a report can be of.
var reportKinds = map[string]string{"tube": "tube", "draw": "draw", "carrier": "box, bag or rack"}

func noReport(kind, id string) plainPage {
	if kind == "tube" {
		return noTube(id)
	}
	return plainPage{
		Head: "No " + reportKinds[kind] + " with this number",
		Said: []string{fmt.Sprintf("Nothing was ever recorded under %q.", id)},
		Do:   []string{"Compare the number letter by letter.", "Go to a tube that belongs to it; its page leads to the report."},
		Form: true,
	}
}

func noTrip(id, trip string) plainPage {
	return plainPage{
		Head: "It has made no such trip",
		Said: []string{fmt.Sprintf("Of %q no trip %q is known.", id, trip)},
		Do:   []string{"Leave the trip away: the report then tells of the last one and lists the others."},
	}
}

// paperQuery says what the foot of a report's sheets names.
func (p *Report) paperQuery() url.Values {
	return url.Values{"of": {p.Name}, "position": {strconv.FormatUint(p.Seq, 10)}, "at": {p.Now.String()}}
}

// reportPaper serves the style sheet of a report's sheets. Their foot is a margin box
// (CSS Paged Media, section 5), which takes its text from a style sheet alone, and no
// page has a style of its own. The words stand here; what is asked for is a name, a
// position and an instant.
func reportPaper(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	of := q.Get("of")
	position, err := strconv.ParseUint(q.Get("position"), 10, 64)
	at, err2 := time.Parse(time.RFC3339, q.Get("at"))
	if err != nil || err2 != nil || of == "" || len(of) > 200 {
		http.Error(w, "no such paper; say of, position and at (RFC 3339)", http.StatusNotFound)
		return
	}
	foot := fmt.Sprintf("%s · log position %d · %s UTC · advises only", of, position, at.UTC().Format("2006-01-02 15:04:05"))
	w.Header().Set("Content-Type", assetTypes[".css"])
	// A broken connection shows in the browser, which asks again.
	_, _ = fmt.Fprintf(w, `@page {
  size: A4 landscape; margin: 10mm 10mm 13mm;
  @bottom-left { content: %s; font: 8pt "Liberation Sans", sans-serif; width: 85%%; text-align: left; vertical-align: top; padding-top: 2mm; }
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt "Liberation Sans", sans-serif; vertical-align: top; padding-top: 2mm; }
}
`, cssString(foot))
}

// cssString writes text as a string of CSS: each character but letters and digits by its
// number (CSS Syntax, section 4.3.7), so that none ends the string.
func cssString(s string) string {
	var out strings.Builder
	out.WriteByte('"')
	for _, r := range s {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			out.WriteRune(r)
		default:
			fmt.Fprintf(&out, `\%x `, r)
		}
	}
	out.WriteByte('"')
	return out.String()
}
