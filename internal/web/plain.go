package web

import (
	"fmt"
	"io"
)

// frame is what the outer template needs of any page.
type frame struct {
	Site
	Name   string // words in the tab, before the title
	Kind   string // which screen: wall, tube, limits, limits-check, camera, readers, rack, start, docs, plain, print…, report, house…
	Script string // module of the page, empty for none
	Sheet  string // a style sheet beside those of every page, empty for none
	Paper  string // what it is printed on, as in /print/paper; empty for A4
	Sheets string // address of a style sheet that sets the paper and its foot, empty for none
	// Refresh is how often a page reloads when scripts are off, in seconds; 0: never.
	Refresh int
	Onward  string // address to which the page leads on by itself, empty for none
	Page    any
}

// Reads tells whether a scan on this page opens the page of the tube.
func (f frame) Reads() bool {
	return f.Kind == "start" || f.Kind == "tube" || f.Kind == "wall" || f.Kind == "plain"
}

func (f frame) render(w io.Writer) error {
	if err := templates.ExecuteTemplate(w, f.Kind+".html", f); err != nil {
		return fmt.Errorf("rendering %s: %w", f.Kind, err)
	}
	return nil
}

// startPage says what this is and takes a tube number.
type startPage struct {
	Missing bool // the form was sent empty
}

// Render writes the page as HTML.
func (p startPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Start", Kind: "start", Page: p}.render(w)
}

// plainPage is an answer that is no screen: what happened and what to do.
type plainPage struct {
	Head string
	Said []string // what happened, a sentence each
	Do   []string // what to do, in order of likelihood
	Form bool     // offers the box for a tube number
}

// Render writes the page as HTML.
func (p plainPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "plain", Page: p}.render(w)
}

func noTube(id string) plainPage {
	return plainPage{
		Head: "No tube with this number",
		Said: []string{fmt.Sprintf("Nothing was ever recorded under %q.", id)},
		Do: []string{
			"Compare the number with the one on the tube, letter by letter.",
			"Scan the label instead of typing it. A number with a space or a missing digit is another number.",
			"If the tube is in your hand and the number is right, it was never scanned: receive it now, and say when it was drawn.",
		},
		Form: true,
	}
}

func noNumber(id string, l *LabelRefused) plainPage {
	return plainPage{
		Head: "This is not the number of one tube",
		Said: []string{fmt.Sprintf("%q: %s", id, sentence(l.Say))},
		Do:   []string{sentence(l.Remedy)},
		Form: true,
	}
}

func noPage(path string) plainPage {
	return plainPage{
		Head: "There is no such page",
		Said: []string{fmt.Sprintf("Nothing is kept under %s.", path)},
		Do:   []string{"Go to the start page, or type a tube number here."},
		Form: true,
	}
}

func onlyRead() plainPage {
	return plainPage{
		Head: "This page can only be read",
		Said: []string{"Something was sent to an address that takes nothing."},
		Do:   []string{"Scans are sent to /v1/scans; the description of the API says how."},
	}
}

func fromElsewhere() plainPage {
	return plainPage{
		Head: "This came from another site",
		Said: []string{"A form was sent here from a page of another address. Nothing was done."},
		Do:   []string{"Open the page here and fill the form in again.", "If you did just that, tell the engineer: a proxy may change the address on the way."},
	}
}

func notReady() plainPage {
	return plainPage{
		Head: "Still reading the log",
		Said: []string{
			"The program has just started and reads what was recorded before.",
			"Until that is done it shows nothing, so that nobody takes half the story for the whole.",
		},
		Do: []string{"Wait a few seconds and load the page again. Scans are taken as soon as it is done."},
	}
}

func broken() plainPage {
	return plainPage{
		Head: "This could not be shown",
		Said: []string{"Something failed inside the program. What was recorded is safe: this page only reads."},
		Do: []string{
			"Load the page again.",
			"If it fails again, go by your local procedure and tell the engineer the time and the address of this page.",
		},
	}
}
