package web

import (
	"io"
	"net/http"

	"specimen.example/custody/internal/label"
)

// selfTest is the path of the sheet of test codes; empty where there is none, then
// the page only says what the code must hold.
const selfTest = ""

// readersPage shows what a hand-held reader sends and what to change on it. All it
// shows comes from the browser it stands in.
type readersPage struct{}

type readersWords struct {
	Site
	SelfTest    string
	Symbologies []symbologyWords
}

type symbologyWords struct{ ID, Name, Says string }

// Render writes the page as HTML.
func (p readersPage) Render(w io.Writer, site Site) error {
	words := readersWords{Site: site, Symbologies: symbologies()}
	if selfTest != "" {
		words.SelfTest = site.Base + selfTest
	}
	return frame{Site: site, Name: "Try my reader", Kind: "readers", Script: "readers.js", Page: words}.render(w)
}

// symbologies lists the identifiers of ISO/IEC 15424 that are known.
func symbologies() []symbologyWords {
	const letters, modifiers = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz", "0123456789ABC"
	var out []symbologyWords
	for _, letter := range letters {
		for _, modifier := range modifiers {
			s, ok := label.SymbologyOf("]" + string(letter) + string(modifier))
			if !ok {
				continue
			}
			says := "plain"
			if s.GS1 {
				says = "GS1"
			}
			out = append(out, symbologyWords{ID: s.ID, Name: s.Name, Says: says})
		}
	}
	return out
}

func (s *server) readers(w http.ResponseWriter, r *http.Request) {
	s.send(w, r, http.StatusOK, readersPage{})
}
