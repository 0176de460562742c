package web

import (
	"fmt"
	"io"
	"net/http"

	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/printing"
)

// learnCode is what the page teaches separators with: a lot that isn't last, so that it
// needs one behind it. assets/advice.js waits for the same.
const learnCode = "(01)09521234000174(10)K7Q2(21)998877"

// testModule is the width of its modules on the screen in pixels of the style sheet.
const testModule = 6

// testSymbol draws the test code as a GS1 DataMatrix.
func testSymbol() (symbolDrawing, error) {
	es, err := label.ParseElementText(learnCode)
	if err != nil {
		return symbolDrawing{}, fmt.Errorf("the test code: %w", err)
	}
	symbol, err := printing.Matrix(printing.Data{Elements: es})
	if err != nil {
		return symbolDrawing{}, fmt.Errorf("the test code: %w", err)
	}
	quiet := symbol.Quiet * testModule
	return symbolDrawing{
		Width: symbol.Cols*testModule + 2*quiet, Height: symbol.Rows*testModule + 2*quiet,
		Path: symbol.Path(quiet, quiet, testModule, testModule), Says: symbol.Name + " " + learnCode,
	}, nil
}

// symbolDrawing is a symbol on the screen, with its quiet zone.
type symbolDrawing struct {
	Width, Height int
	Path, Says    string
}

// readersPage shows what a hand-held reader sends and what to change on it. All it
// shows comes from the browser it stands in.
type readersPage struct{}

type readersWords struct {
	Site
	Test        symbolDrawing
	Holds       string // what the test code holds
	Symbologies []symbologyWords
}

type symbologyWords struct{ ID, Name, Says string }

// Render writes the page as HTML.
func (p readersPage) Render(w io.Writer, site Site) error {
	test, err := testSymbol()
	if err != nil {
		return err
	}
	words := readersWords{Site: site, Test: test, Holds: learnCode, Symbologies: symbologies()}
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
