package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// mostHouseForm bounds what a form of the house may send, in bytes: a hundred number
// schemes with all their fields are less than half of it.
const mostHouseForm = 256 << 10

// houseSaid is what a form was sent with, or begins with, and what is wrong with it.
type houseSaid struct {
	url.Values
	faults HouseRefused
	key    string // of this form among those of its page: first part of the ids in it
}

func (f *houseSaid) said(name string) string { return strings.TrimSpace(f.Get(name)) }

func (f *houseSaid) fault(field, say string) {
	f.faults = append(f.faults, HouseFault{field, say})
}

// whole reads a number that may be left out.
func (f *houseSaid) whole(name string, otherwise int64) int64 {
	text := f.said(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		f.fault(name, fmt.Sprintf("%q is no whole number; write digits alone", clipLine(text)))
	}
	return n
}

// day reads a date as the instant at which it begins.
func (f *houseSaid) day(name string, zone *time.Location) event.Instant {
	return f.instant(name, "T00:00", zone)
}

func (f *houseSaid) instant(name, behind string, zone *time.Location) event.Instant {
	text := f.said(name)
	if text == "" {
		return 0
	}
	at, err := localInstant(text+behind, clockOf(0, zone).zone)
	if err != nil {
		f.fault(name, strings.Replace(err.Error(), behind, "", 1))
	}
	return at
}

// houseField is one field as the template shows it.
type houseField struct {
	ID, Name, Label, Hint string
	Kind                  string // text, number, area, pick, tick, date, moment, secret or kept
	Value, Fault, List    string
	Options               []option
	On, Required, Wide    bool
	Rows                  int
}

func (f *houseSaid) field(kind, name, label, hint string) houseField {
	out := houseField{ID: f.idOf(name), Name: name, Label: label, Hint: hint, Kind: kind, Value: f.Get(name)}
	for _, one := range f.faults {
		if one.Field == name || kind == "area" && strings.HasPrefix(one.Field, name+"[") {
			out.Fault = strings.TrimSpace(out.Fault + " " + sentence(one.Say))
		}
	}
	return out
}

func (f *houseSaid) idOf(name string) string {
	return f.key + "-" + strings.NewReplacer("[", "-", "]", "", ".", "-").Replace(name)
}

func (f *houseSaid) text(name, label, hint string) houseField {
	return f.field("text", name, label, hint)
}

func (f *houseSaid) must(name, label, hint string) houseField {
	out := f.text(name, label, hint)
	out.Required = true
	return out
}

func (f *houseSaid) number(name, label, hint string) houseField {
	return f.field("number", name, label, hint)
}

func (f *houseSaid) tick(name, label, hint string) houseField {
	out := f.field("tick", name, label, hint)
	out.On = out.Value == "yes"
	return out
}

// kept is a value that the form carries and nobody changes.
func (f *houseSaid) kept(name string) houseField { return f.field("kept", name, "", "") }

// from offers values of a list without insisting on them.
func (h houseField) from(list string) houseField { h.List = list; return h }

func (h houseField) wide() houseField { h.Wide = true; return h }

// pick offers the words of a closed list; none is what an empty choice is called, "" for
// a list from which something must be chosen.
func (f *houseSaid) pick(name, label, hint, none string, words []houseWord) houseField {
	out := f.field("pick", name, label, hint)
	if none == "" {
		out.Required = true
		none = "choose"
	}
	out.Options = append(out.Options, option{"", none, out.Value == ""})
	known := out.Value == ""
	for _, w := range words {
		out.Options = append(out.Options, option{w.key, w.say, w.key == out.Value})
		known = known || w.key == out.Value
	}
	if !known { // a word that this list lacks must not vanish
		out.Options = append(out.Options, option{out.Value, out.Value, true})
	}
	return out
}

// houseGroup is a part of a form that belongs together.
type houseGroup struct {
	Legend, Note string
	Fields       []houseField
	Fault        string
	ID           string
	// Rare are fields that few need: they are folded away while they are empty and sound.
	Rare     []houseField
	RareSay  string
	RareOpen bool
}

func (g *houseGroup) all() []houseField { return slices.Concat(g.Fields, g.Rare) }

// houseForm is a form of a page.
type houseForm struct {
	ID, Head, Lead, Caution string
	Action                  string
	Groups                  []houseGroup
	Faults                  []houseFaultLine
	Buttons                 []houseButton
	Leave                   string // address that leaves everything as it is
	Loud                    bool   // what it does can't simply be said anew
	First                   bool   // somebody waits for it
}

func (f houseForm) rank() int {
	switch {
	case len(f.Faults) > 0:
		return 2
	case f.First:
		return 1
	}
	return 0
}

type houseButton struct{ Say, Name, Value, Action string }

// houseFaultLine is a fault in the list above a form, with the field it leads to.
type houseFaultLine struct {
	URL, Label, Say string
	order           int // place of the field in its form, 0 for the whole
}

// form makes a form of its groups, with the list of what is wrong above it.
func (f *houseSaid) form(head, action, button string, groups ...houseGroup) houseForm {
	out := houseForm{ID: f.key, Head: head, Action: action, Groups: groups, Buttons: []houseButton{{Say: button}}}
	for _, fault := range f.faults {
		line := houseFaultLine{Say: sentence(fault.Say)}
		at, place := -1, 0
		for gi := range groups {
			g := &groups[gi]
			for _, field := range g.all() {
				place++
				// The longest name that the fault begins with: departs[1] belongs to departs.
				if (fault.Field == field.Name || strings.HasPrefix(fault.Field, field.Name+"[") || strings.HasPrefix(fault.Field, field.Name+".")) && len(field.Name) > at {
					at, line.order = len(field.Name), place
					line.URL, line.Label = "#"+field.ID, field.Label
					if g.Legend != "" {
						line.Label = g.Legend + ", " + field.Label
					}
				}
			}
			if at < 0 && g.ID != "" && fault.Field == g.ID {
				g.Fault, line.order = line.Say, place
				line.Label = g.Legend
			}
		}
		if at < 0 && line.Label == "" && fault.Field != "" {
			line.Label = fault.Field
		}
		out.Faults = append(out.Faults, line)
	}
	slices.SortStableFunc(out.Faults, func(a, b houseFaultLine) int { return a.order - b.order })
	return out
}

// whoGroup asks who acts, where nobody is signed in.
func (f *houseSaid) whoGroup(ctx context.Context, what string) houseGroup {
	if ActorOf(ctx) != "" {
		return houseGroup{}
	}
	return houseGroup{Fields: []houseField{f.must("by", "Your staff code", what).from("people")}}
}

// by gives who acts: who is signed in, else who the form says.
func (f *houseSaid) by(ctx context.Context) string {
	if who := ActorOf(ctx); who != "" {
		return who
	}
	by := f.said("by")
	if by == "" {
		f.fault("by", "say who you are by your staff code: this stays in the log under your name")
	}
	return by
}

// houseForm reads a form; false when the answer was sent already.
func (s *server) houseForm(w http.ResponseWriter, r *http.Request, key string) (*houseSaid, bool) {
	r.Body = http.MaxBytesReader(w, r.Body, mostHouseForm)
	if err := r.ParseForm(); err != nil {
		status, p := http.StatusBadRequest, plainPage{
			Head: "The form arrived incomplete", Said: []string{"Nothing was saved."}, Do: []string{"Go back and send it again."},
		}
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			status, p.Head = http.StatusRequestEntityTooLarge, "The form is too large"
			p.Do = []string{"Go back and leave out what doesn't belong into it."}
		}
		s.send(w, r, status, p)
		return nil, false
	}
	return &houseSaid{Values: r.PostForm, key: key}, true
}

// houseTrouble sorts an error of a write: what the form can say at its fields is
// added to it, anything else is answered. It gives the status of the form's page, or 0
// when the answer was sent.
func (s *server) houseTrouble(w http.ResponseWriter, r *http.Request, f *houseSaid, err error) int {
	var refused HouseRefused
	switch {
	case errors.As(err, &refused):
		f.faults = append(f.faults, refused...)
		return http.StatusUnprocessableEntity
	case errors.Is(err, ErrNotSaved):
		f.fault("", "it was not saved, and nothing is lost: press the button again")
		return http.StatusServiceUnavailable
	}
	s.houseFail(w, r, err)
	return 0
}

func (s *server) houseFail(w http.ResponseWriter, r *http.Request, err error) {
	switch {
	case errors.Is(err, ErrNotAllowed):
		s.send(w, r, http.StatusForbidden, notAllowed())
	case errors.Is(err, ErrNotHere):
		s.send(w, r, http.StatusNotImplemented, notHere())
	case errors.Is(err, ErrNotFound):
		s.send(w, r, http.StatusNotFound, notDeclaredHere())
	default:
		s.fail(w, r, fmt.Errorf("house: %w", err))
	}
}

func notAllowed() plainPage {
	return plainPage{
		Head: "You may not do this",
		Said: []string{"Your role doesn't allow it. Nothing was changed."},
		Do:   []string{"Ask somebody whose role does: the engineer sets up the house.", "If your role should allow it, ask them to look at your entry under People."},
	}
}

func notHere() plainPage {
	return plainPage{
		Head: "This part isn't running here",
		Said: []string{"This daemon was started without the part that would do it. Nothing was changed."},
		Do:   []string{"Ask the engineer whether it is meant to run here."},
	}
}

func notDeclaredHere() plainPage {
	return plainPage{
		Head: "Nothing is declared under this number",
		Said: []string{"It is not in the house's lists."},
		Do:   []string{"Look for it in the list under House.", "If it is new, declare it there."},
	}
}
