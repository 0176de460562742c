package web

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
)

func isNotHere(err error) bool { return errors.Is(err, ErrNotHere) }

// houseIdentityPage says how long an identity can be read from a backup, and who looked
// at one.
type houseIdentityPage struct {
	houseFrame
	Days  string // in words, empty where keys don't rotate
	Say   []string
	Form  houseForm
	Found string // the reference that was asked for
	Views []houseRow
	Asked bool
}

// Render writes the page as HTML.
func (p houseIdentityPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "house-identity", Sheet: "house.css", Page: p}.render(w)
}

func (s *server) houseIdentity(w http.ResponseWriter, r *http.Request) {
	if h, ok := s.readHouse(w, r); ok {
		s.send(w, r, http.StatusOK, s.identityPage(&h, &houseSaid{Values: url.Values{}, key: "looked"}))
	}
}

func (s *server) identityPage(h *House, f *houseSaid) houseIdentityPage {
	p := houseIdentityPage{houseFrame: h.frame(s.site, "/identity")}
	p.Over, p.Up, p.Head = "/house", "House", "Identity"
	p.Lead = "Who a patient is stands in no fact of the log. It is kept apart, under a key for each patient, and every look at it is recorded."
	if days := s.src.IdentityDays(); days > 0 {
		p.Days = count(days, "day", "days")
		p.Say = []string{
			fmt.Sprintf("The keys that guard identities are renewed, and old ones are destroyed. A backup older than %s tells no identity to anybody, also not to us.", p.Days),
			"So keep a backup younger than that. After an older one is restored, tubes still tell their story, and patients must be written anew from the order system.",
			fmt.Sprintf("An erasure is complete in all backups %s after it. Until then, a backup that is restored must be erased again.", p.Days),
		}
	} else {
		p.Say = []string{
			"The keys that guard identities are not renewed here. Any backup stays readable for who has the secret of this daemon.",
			"An erasure doesn't reach backups: after one is restored, it must be done again.",
		}
	}
	p.Form = f.form("Who looked at an identity", s.site.Base+"/house/identity", "Show who looked", houseGroup{
		Note: "Fill in one of the two. The number goes into no address and no list.",
		Fields: []houseField{
			f.text("patient", "Number on the wristband", ""), f.text("reference", "or reference in the log", "the random one, as facts name it"),
		},
	})
	return p
}

// houseViews shows who looked at an identity. The number comes in a form and is not
// given back but beside a fault.
func (s *server) houseViews(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "looked")
	if !ok {
		return
	}
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	patient, reference := f.said("patient"), f.said("reference")
	if (patient == "") == (reference == "") {
		f.fault("patient", "fill in the number or the reference, and only one of them")
		s.send(w, r, http.StatusUnprocessableEntity, s.identityPage(&h, f))
		return
	}
	views, found, err := s.src.Views(r.Context(), patient, reference)
	if errors.Is(err, ErrNotFound) {
		err = HouseRefused{{Field: map[bool]string{true: "patient", false: "reference"}[patient != ""], Say: "nobody is known by it; compare it letter by letter"}}
	}
	if err != nil {
		if status := s.houseTrouble(w, r, f, err); status != 0 {
			s.send(w, r, status, s.identityPage(&h, f))
		}
		return
	}
	p := s.identityPage(&h, &houseSaid{Values: url.Values{}, key: "looked"})
	p.Asked, p.Found = true, found
	c := clockOf(h.Now, h.Zone)
	for _, v := range views {
		who := strings.TrimSuffix(v.By+", "+v.Role, ", ")
		p.Views = append(p.Views, houseRow{ID: c.at(v.At), Cells: []houseCell{
			{Label: "Who", Say: who}, {Label: "Why", Say: says(viewWords, v.Why)}, {Label: "Where", Say: strings.TrimPrefix(v.Place+", "+v.Device, ", ")}, {Label: "In hand", Say: v.About},
		}})
	}
	s.send(w, r, http.StatusOK, p)
}
