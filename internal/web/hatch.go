package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
)

// HatchSource tells what the reception's desk shows.
type HatchSource interface {
	// Hatch gives the desk of a place as of now, or ErrNotReady. What it returns is
	// shared by all who look at the place, and is never changed by anybody.
	Hatch(ctx context.Context, ask HatchAsk) (*HatchPage, error)
}

// HatchAsk says which desk is meant.
type HatchAsk struct {
	Place string // code of the place; empty asks for the places alone
	Box   string // label of the box that is open, empty for none
}

// HatchPage is a reception's desk. The zero value asks which place it is.
type HatchPage struct {
	Seq       uint64
	Now       event.Instant // the handler fills it in when zero
	Zone      *time.Location
	NotLive   string
	Place     string       // code; empty: nobody has said which
	Name      string       // shown name of the place
	Places    []HatchPlace // to choose from, receptions first
	People    []string     // staff codes that may authorise a deviation
	Flags     []FlagRow    // of tubes that are here or on the way here, put aside ones too
	Elsewhere int          // flags of other places
	Boxes     []HatchBox   // here with something still in it, and on the way here
	Open      *HatchOpen   // the box in hand, nil for none
	Samples   []HatchSample
}

// HatchPlace is a place that can have a desk.
type HatchPlace struct{ Code, Name, Kind string }

// HatchBox is a carrier that stands here, or is on the way here.
type HatchBox struct {
	ID      string // label
	Name    string // "box B-7"
	Tubes   int    // in it by the log
	Flags   int
	Here    bool
	Arrived event.Instant // when it came here
	Due     Due
	Holder  string
	From    string // code of the holder, who hands it over; empty when nobody is known
	Temp    Temp
}

// HatchOpen is the box in hand.
type HatchOpen struct {
	HatchBox
	Known   bool // the log has something of it
	By      string
	Scan    string // id of the scan that noted its arrival, for taking it back
	Seal    string // number of the closed seal
	Loggers []HatchLogger
	Doubts  []DoubtRow
	Tubes   []HatchTube
	Noted   []string // what people saw on it, in words
	// Emptied is set once somebody noted that nothing is left in it.
	Emptied   event.Instant
	EmptiedBy string
}

// HatchLogger is a logger on the box in hand.
type HatchLogger struct {
	ID     string
	Read   event.Instant // its last reading, 0 for none
	Behind bool          // its readings don't reach the arrival
	Zone   string        // of its clock as declared
}

// HatchTube is a tube of the box in hand.
type HatchTube struct {
	Tube     string
	Type     string // in words
	Draw     string
	InBox    bool // by the log, when the box arrived
	Received event.Instant
	By       string
	Scan     string // id of the reception's scan, for taking it back
	// Done is what the desk decided: "accepted", "accepted with deviation", "rejected: haemolysed".
	Done      string
	DoneAt    event.Instant
	DoneBy    string
	DoneScan  string
	Defects   []string // in words
	Nameless  bool     // received under a temporary number
	Unknown   bool     // nothing was known of it before
	For       string   // another laboratory that it shall reach, by name
	Via       string   // "bag G-2", what it is in inside the box
	WaitUntil event.Instant
	Flag      *FlagRow
	Tests     []TestRow
	Doubts    []DoubtRow
	// Irreplaceable can't be drawn again.
	Irreplaceable bool
}

// HatchSample is a new sample of one draw.
type HatchSample struct {
	Draw      string
	Place     string // where it was drawn, by name
	Collector string
	DrawnAt   event.Instant
	State     string // proposed, asked, declined or done
	Tubes     []string
	Whole     bool // Tubes are all of the draw
	Tests     int
	By        string
	Reason    string
	At        event.Instant
	DrawnUl   int64 // in 24 hours, 0 when not said
	Needed    bool
	NewDraw   string
}

func (s *server) hatchPages(mux *router) {
	mux.HandleFunc("GET /hatch", s.hatch)
	mux.HandleFunc("GET /hatch/stream", s.hatchStream)
}

// hatchAsk reads which desk is meant: the address says it, else the session.
func (s *server) hatchAsk(r *http.Request) HatchAsk {
	q := r.URL.Query()
	ask := HatchAsk{Place: strings.TrimSpace(q.Get("place")), Box: strings.TrimSpace(q.Get("box"))}
	if ask.Place == "" && s.opts.SignIn != nil {
		ask.Place = auth.From(r.Context()).Place
	}
	return ask
}

func (s *server) hatch(w http.ResponseWriter, r *http.Request) {
	p, err := s.readHatch(r.Context(), s.hatchAsk(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.send(w, r, http.StatusOK, p)
}

func (s *server) hatchStream(w http.ResponseWriter, r *http.Request) {
	ask := s.hatchAsk(r)
	if ask.Place == "" {
		http.Error(w, "name the desk's place: place=LAB", http.StatusBadRequest)
		return
	}
	s.stream(w, r, "hatch", func(ctx context.Context) (board, error) {
		p, err := s.readHatch(ctx, ask)
		if err != nil {
			return board{}, err
		}
		b, err := p.board(s.site)
		return b.board, err
	})
}

func (s *server) readHatch(ctx context.Context, ask HatchAsk) (HatchPage, error) {
	p, err := s.src.Hatch(ctx, ask)
	if err != nil {
		return HatchPage{}, fmt.Errorf("reading the desk: %w", err)
	}
	out := *p // the lists stay shared: nothing here changes them
	if out.Now == 0 {
		out.Now = s.now()
	}
	return out, nil
}

// hatchWords is the page as words and lines, ready for the template.
type hatchWords struct {
	Site
	board
	Place, Name string
	Places      []HatchPlace
	People      []string
	Clock       string
	Follow      string // address of the stream
	Box         string // label of the open box
	Choices     map[string][]choice
}

// Render writes the desk as HTML.
func (p HatchPage) Render(w io.Writer, site Site) error {
	if p.Place == "" {
		return frame{Site: site, Name: "Hatch", Kind: "hatch-place", Sheet: "hatch.css", Script: "hatch-place.js", Page: hatchWords{Site: site, Places: p.Places}}.render(w)
	}
	b, err := p.board(site)
	if err != nil {
		return err
	}
	return frame{Site: site, Name: "Hatch", Kind: "hatch", Sheet: "hatch.css", Script: "hatch.js", Refresh: 20, Page: b}.render(w)
}

// follow is the address under which the page follows the log.
func (p HatchPage) follow(site Site) string {
	q := url.Values{"place": {p.Place}}
	if p.Open != nil {
		q.Set("box", p.Open.ID)
	}
	return site.Base + "/hatch/stream?" + q.Encode()
}
