package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/spinload"
)

// RackSource tells what stands before the centrifuges.
type RackSource interface {
	// Rack gives what stands before the centrifuges of a place by its code; "" is the
	// place that the source holds for the likely one. ErrNotFound when it isn't
	// declared, or ErrNotReady.
	Rack(ctx context.Context, place string) (RackPage, error)
}

// RackPage is the desk before the centrifuges. The zero value is one of no place.
type RackPage struct {
	Seq     uint64         // log sequence the page rests on
	Now     event.Instant  // instant it was judged at; the handler fills it in when zero
	Zone    *time.Location // zone of the place; nil is UTC
	NotLive string         // why the page itself is behind, in words; empty when it is not

	Place      string // code, empty when one is to be chosen
	PlaceName  string
	Places     []RackPlace // benches and receptions, by name
	WithinMin  int64       // accepted here counts as spun within so many minutes, 0 for no
	Programmes []RackProgramme
	Machines   []RackMachine // those that are free first
	Tubes      []RackTube    // what is lost first in front
	Runs       []RackRun
	Coming     []RackComing // by when they are due
}

// RackPlace is a place where tubes stand before they are spun.
type RackPlace struct{ ID, Name string }

// RackProgramme is a spin programme in force.
type RackProgramme struct {
	spinload.Programme          // Ms counts minutes and handling
	Types              []string // codes of tube types
	Minutes            int64    // of the run itself
}

// RackMachine is a centrifuge with what it takes next.
type RackMachine struct {
	ID, Name   string
	Slots      int64 // 0 when not said
	RadiusMm   int64
	MostPerMin int64
	From       event.Instant // free from then on
	Next       spinload.Programme
	Minutes    int64 // of the run itself
	PerMin     int64
	Tubes      []RackPlanned // the load list, what is lost first in front
	Say        string        // why nothing can be said of it; empty otherwise
}

// RackPlanned is a tube of a load list.
type RackPlanned struct {
	ID     string
	Latest event.Instant // start at which no further test is lost, 0: none is due
	Sure   bool          // by the worst bound
}

// RackTube is a tube that stands before the centrifuges.
type RackTube struct {
	ID, Type, TypeName string
	Programme          string // empty where none is declared for its type
	Answer             event.RackAnswer
	WaitUntil          event.Instant
	Hold               []string // tests that are not to be run from it
	Why                spinload.Why
	Latest             event.Instant
	Sure               bool
	Rack               string // number of the rack it was scanned into, empty for none
	In                 string // what it is in, in words, when that is no rack
	Since              event.Instant
	Irreplaceable      bool
	Given              bool // irreplaceable, and every test is lost
}

// RackRun is a centrifuge at work.
type RackRun struct {
	Load      string // number of the rack, or the name of a run whose tubes weren't scanned
	Machine   string // code of the centrifuge
	Programme string
	Started   event.Instant
	Ends      event.Instant // 0: nobody said how long it takes
	Tubes     []string
	ByTube    bool // it was said of each tube, so its end is too
}

// RackComing is what is on its way; it is shown and not planned.
type RackComing struct {
	ID, Name, To string
	Tubes        int
	Due          Due
}

func (s *server) rackPages(mux *router) {
	mux.HandleFunc("GET /rack", s.rack)
	mux.HandleFunc("GET /rack/stream", s.rackStream)
}

func (s *server) rack(w http.ResponseWriter, r *http.Request) {
	p, err := s.readRack(r.Context(), r.URL.Query().Get("place"))
	switch {
	case errors.Is(err, ErrNotFound):
		s.send(w, r, http.StatusNotFound, noPlace(r.URL.Query().Get("place")))
	case err != nil:
		s.fail(w, r, err)
	default:
		s.send(w, r, http.StatusOK, p)
	}
}

func (s *server) readRack(ctx context.Context, place string) (RackPage, error) {
	p, err := s.src.Rack(ctx, place)
	if err != nil {
		return p, fmt.Errorf("reading the rack of %q: %w", clipLine(place), err)
	}
	if p.Now == 0 {
		p.Now = s.now()
	}
	return p, nil
}

// rackStream follows the rack page of a place.
func (s *server) rackStream(w http.ResponseWriter, r *http.Request) {
	place, site := r.URL.Query().Get("place"), s.siteFor(r)
	s.stream(w, r, "rack", func(ctx context.Context) (board, error) {
		p, err := s.readRack(ctx, place)
		if err != nil {
			return board{}, err
		}
		b, err := p.board(site)
		return b.board, err
	})
}

func noPlace(code string) plainPage {
	return plainPage{
		Head: "No such place is declared",
		Said: []string{fmt.Sprintf("Nothing is declared under %q.", clipLine(code))},
		Do:   []string{"Open the rack page without a place and choose one.", "If the place is new, declare it under House, Places."},
	}
}
