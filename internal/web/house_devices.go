package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

var houseDevices = houseKind{
	path: "devices", one: "device", many: "devices",
	lead: "Phones, carts, desks and screens that scan or show. Each makes a key of its own when it is enrolled; by that key its scans are known to be its own.",
	empty: []string{
		"Declare a device by the number on its back, then make a code for it and type the code into the device.",
		"Begin with one phone for who collects and one desk for the reception.",
	},
	columns: []string{"Device", "Kind", "Belongs to", "Key", "Clock", "Not sent yet", "Stands"},
	ids:     func(h *House) []string { return idsOf(h.Devices, func(d HouseDevice) string { return d.ID }) },
	rows: func(h *House, c clock) []houseRow {
		rows := make([]houseRow, len(h.Devices))
		for i := range h.Devices {
			d := &h.Devices[i]
			key := houseCell{Say: "not enrolled", Mark: levelAbsent}
			if d.KeyID != "" {
				key = houseCell{Say: "enrolled"}
			}
			clock := houseCell{Say: "never measured", Mark: levelAbsent}
			if d.Measured != 0 {
				clock = houseCell{Say: signedDuration(d.OffsetMs), More: "measured " + c.at(d.Measured)}
			}
			if len(d.Doubts) > 0 {
				clock.Mark = levelAsk
				clock.More = strings.TrimPrefix(clock.More+"; "+count(len(d.Doubts), "doubt", "doubts"), "; ")
			}
			stands := houseCell{Say: "active"}
			if !d.Active {
				stands = houseCell{Say: "revoked", Mark: levelQuiet}
			}
			place := d.Place
			if place == "" {
				place = "no place"
			}
			rows[i] = houseRow{ID: d.ID, Cells: []houseCell{{Say: wordOf(deviceKinds, d.Kind)}, {Say: place}, key, clock, unsentCell(d, c), stands}}
		}
		return rows
	},
	load: func(h *House, i int) url.Values {
		d := &h.Devices[i]
		return url.Values{"id": {d.ID}, "kind": {d.Kind}, "place": {d.Place}}
	},
	groups: func(_ *House, f *houseSaid, fresh bool) []houseGroup {
		what := houseGroup{Legend: "What it is", Fields: []houseField{
			f.pick("kind", "Kind", "", "", deviceKinds),
			f.text("place", "Belongs to", "code of a place; who signs in on it works there").from("places"),
		}}
		if fresh {
			what.Fields = append([]houseField{f.must("id", "Number", "as it stands on the device")}, what.Fields...)
		}
		return []houseGroup{what}
	},
	declare: func(ctx context.Context, src HouseSource, h *House, f *houseSaid, by string) (string, error) {
		d := HouseDevice{ID: f.said("id"), Kind: f.said("kind"), Place: f.said("place"), Active: true}
		f.needs("kind", d.Kind, "choose what it is")
		if i := slices.IndexFunc(h.Devices, func(o HouseDevice) bool { return strings.EqualFold(o.ID, d.ID) }); i >= 0 {
			// A corrected place must not let a revoked device act again.
			d.Active = h.Devices[i].Active
		}
		if len(f.faults) > 0 {
			return "", nil
		}
		return src.DeclareDevice(ctx, d, by)
	},
	facts: func(h *House, i int, c clock) []factWords {
		d := &h.Devices[i]
		key := "not enrolled: it has no key, and nothing it sends is proved to be its own"
		if d.KeyID != "" {
			key = "enrolled, key " + d.KeyID
		}
		clock := "never measured: its times are taken as they are"
		if d.Measured != 0 {
			clock = signedDuration(d.OffsetMs) + ", measured " + c.at(d.Measured) + "; times of its scans are corrected by that"
		}
		out := []factWords{{"Key", key}, {"Clock", clock}}
		for _, doubt := range d.Doubts {
			out = append(out, factWords{"Doubt", says(doubtWords, doubt)})
		}
		unsent := unsentCell(d, c)
		out = append(out, factWords{"Not sent yet", strings.TrimSuffix(unsent.Say+"; "+unsent.More, "; ")})
		if !d.Active {
			out = append(out, factWords{"Stands", "revoked: what it signs counts no more"})
		}
		return out
	},
	others: func(ctx context.Context, h *House, i int, _ clock, sent map[string]*houseSaid) []houseForm {
		d := &h.Devices[i]
		if !d.Active {
			f := sentForm(sent, "allow")
			form := f.form("Let it act again", "/allow", "Let it act again", f.whoGroup(ctx, "stands beside this in the log"))
			form.Lead = "Only when it is in your hand. Its old key stays revoked: it must be enrolled anew."
			return []houseForm{form}
		}
		invite := sentForm(sent, "invite")
		form := invite.form("Enrol it", "/invite", "Make a code", invite.whoGroup(ctx, "stands beside this in the log"))
		form.Lead = "A code is shown once and lasts minutes. Type it into the device, which then makes its key."
		if d.KeyID != "" {
			form.Caution = "It is enrolled. With a new code it makes a new key, and the old one counts no more: unsent scans under the old key are lost."
		}
		revoke := sentForm(sent, "revoke")
		stop := revoke.form("Revoke it", "/revoke", "Revoke the device", houseGroup{Fields: []houseField{
			revoke.tick("sure", "Its unsent scans may be cut off", "or it is lost and must not be trusted any longer").wide(),
		}}, revoke.whoGroup(ctx, "stands beside this in the log"))
		stop.Caution = "This cuts it off at once. Scans that it holds and hasn't sent are not taken any more, and whoever works on it is signed out. If it is in reach, first wait until it says “not sent yet: 0”."
		stop.Loud = true
		return []houseForm{form, stop}
	},
}

// houseSecretPage shows something once: it is the answer to a form, since an address
// would keep it.
type houseSecretPage struct {
	houseFrame
	Secret string
	Big    bool
	Say    []string
	Back   string
	Thing  string
}

// Render writes the page as HTML.
func (p houseSecretPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "house-secret", Sheet: "house.css", Page: p}.render(w)
}

func (s *server) inviteDevice(w http.ResponseWriter, r *http.Request) {
	f, h, i, ok := s.deviceForm(w, r, "invite")
	if !ok {
		return
	}
	by := f.by(r.Context())
	status := http.StatusUnprocessableEntity
	if len(f.faults) == 0 {
		d := &h.Devices[i]
		code, err := s.src.InviteDevice(r.Context(), d.ID, by)
		if err == nil {
			c := clockOf(h.Now, h.Zone)
			p := houseSecretPage{houseFrame: h.frame(s.site, "/devices"), Secret: code.Code, Big: true, Back: s.site.houseURL("devices", d.ID), Thing: "device " + d.ID}
			p.Over, p.Up, p.Head = "/house/devices", "Devices", "Code for device "+d.ID
			p.Say = []string{
				"On the device open “Enrol this device”, below Sign in, and type it there until " + c.at(code.Until) + " (" + c.left(code.Until) + ").",
				"It works once. Whoever types it first has the device's place: show it to nobody else.",
				"It can't be shown again. If it was lost, make another; this one then counts no more.",
			}
			s.send(w, r, http.StatusOK, p)
			return
		}
		if status = s.houseTrouble(w, r, f, err); status == 0 {
			return
		}
	}
	s.send(w, r, status, s.housePage(r.Context(), &houseDevices, &h, i, nil, map[string]*houseSaid{f.key: f}))
}

func (s *server) deviceForm(w http.ResponseWriter, r *http.Request, key string) (f *houseSaid, h House, i int, ok bool) {
	if f, ok = s.houseForm(w, r, key); !ok {
		return f, h, -1, false
	}
	h, i, ok = s.findThing(w, r, &houseDevices)
	return f, h, i, ok
}

func (s *server) revokeDevice(w http.ResponseWriter, r *http.Request) {
	f, h, i, ok := s.deviceForm(w, r, "revoke")
	if !ok {
		return
	}
	if f.said("sure") != "yes" {
		f.fault("sure", "say that its unsent scans may be cut off, or wait until it has sent them")
	}
	s.setActive(w, r, f, &h, i, false, "revoked")
}

func (s *server) allowDevice(w http.ResponseWriter, r *http.Request) {
	f, h, i, ok := s.deviceForm(w, r, "allow")
	if !ok {
		return
	}
	s.setActive(w, r, f, &h, i, true, "allowed")
}

func (s *server) setActive(w http.ResponseWriter, r *http.Request, f *houseSaid, h *House, i int, active bool, done string) {
	by := f.by(r.Context())
	d := h.Devices[i]
	d.Active = active
	s.act(w, r, &houseDevices, h, i, f, done, func() error {
		_, err := s.src.DeclareDevice(r.Context(), d, by)
		return err
	})
}

// houseTokensPage lists the tokens of machines, and makes one.
type houseTokensPage struct {
	houseFrame
	Rows    []tokenRow
	Columns []string
	Form    houseForm
	NotHere bool
}

type tokenRow struct {
	houseRow
	Revoke *houseForm // nil when it counts no more
}

// Render writes the page as HTML.
func (p houseTokensPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: p.Head, Kind: "house-tokens", Sheet: "house.css", Page: p}.render(w)
}

func (s *server) houseTokens(w http.ResponseWriter, r *http.Request) {
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	s.sendTokens(w, r, http.StatusOK, &h, &houseSaid{Values: url.Values{"days": {"90"}}, key: "new"}, nil)
}

var tokenColumns = []string{"Token", "May", "Loggers", "Good until", "Made"}

// sendTokens shows the list with both forms; failed is the revocation that was refused.
func (s *server) sendTokens(w http.ResponseWriter, r *http.Request, status int, h *House, f, failed *houseSaid) {
	p := houseTokensPage{houseFrame: h.frame(s.site, "/tokens"), Columns: tokenColumns}
	p.Over, p.Up, p.Head = "/house", "House", "Machines"
	p.Lead = "A machine comes with a token in place of a person: an order system, a gateway of loggers, a program that reads metrics. A token may only what it was made for."
	p.Status = houseStatus[r.URL.Query().Get("done")]
	tokens, err := s.src.Tokens(r.Context())
	if err != nil && (!isNotHere(err) || r.Method == http.MethodPost) {
		s.houseFail(w, r, err)
		return
	}
	p.NotHere = err != nil
	c := clockOf(h.Now, h.Zone)
	for n, t := range tokens {
		row := tokenRow{houseRow: houseRow{ID: t.Name, Say: t.ID}}
		var may []string
		for _, scope := range t.Scopes {
			may = append(may, wordOf(tokenScopes, scope))
		}
		loggers := strings.Join(t.Loggers, ", ")
		if loggers == "" {
			loggers = "all"
			if !slices.Contains(t.Scopes, "readings") {
				loggers = "none"
			}
		}
		until := houseCell{Say: c.at(t.Until)}
		switch {
		case t.Revoked:
			until = houseCell{Say: "revoked", Mark: levelQuiet}
		case t.Until <= h.Now:
			until = houseCell{Say: "over since " + c.at(t.Until), Mark: levelQuiet}
		default:
			until.More = c.left(t.Until) + " left"
			key := fmt.Sprintf("revoke-%d", n)
			again := &houseSaid{Values: url.Values{}, key: key}
			if failed != nil && failed.key == t.ID {
				again = &houseSaid{Values: failed.Values, faults: failed.faults, key: key}
			}
			form := again.form("", s.site.houseURL("tokens", t.ID)+"/revoke", "Revoke it", again.whoGroup(r.Context(), ""))
			form.Caution = "The machine is refused from now on, with what it hasn't sent."
			row.Revoke = &form
		}
		row.Cells = []houseCell{{Say: strings.Join(may, ", ")}, {Say: loggers}, until, {Say: c.at(t.Made), More: "by " + t.By}}
		row.houseRow = houseColumns(tokenColumns, []houseRow{row.houseRow})[0]
		p.Rows = append(p.Rows, row)
	}
	what := houseGroup{Legend: "What it is for", Fields: []houseField{
		f.must("name", "Name", "which machine, and for what").wide(),
		f.text("loggers", "Loggers", "whose readings alone it may send, with blanks between; empty: all").wide(),
		f.number("days", "Good for, days", "1 to 366"),
	}}
	what.Fields[2].Required = true
	may := houseGroup{Legend: "What it may", ID: "scopes", Note: "Only what it needs. A gateway of loggers sends readings and nothing else."}
	for _, scope := range tokenScopes {
		may.Fields = append(may.Fields, f.tick("scope."+scope.key, sentenceHead(scope.say), ""))
	}
	p.Form = f.form("Make a token", s.site.Base+"/house/tokens", "Make the token", what, may, f.whoGroup(r.Context(), "stands beside this in the log"))
	p.Form.Caution = "Whoever has the secret is the machine. It is shown once, on the next page: have the place ready where it shall stand."
	s.send(w, r, status, p)
}

func (s *server) makeToken(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "new")
	if !ok {
		return
	}
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	t := HouseToken{Name: f.said("name"), Loggers: strings.FieldsFunc(f.said("loggers"), func(c rune) bool { return c == ' ' || c == ',' || c == '\n' || c == '\r' })}
	for _, scope := range tokenScopes {
		if f.said("scope."+scope.key) == "yes" {
			t.Scopes = append(t.Scopes, scope.key)
		}
	}
	days := f.whole("days", 0)
	const longest = 366
	if (days < 1 || days > longest) && len(f.faults) == 0 {
		f.fault("days", "say for how many days, 1 to 366: a token without an end outlives who made it")
	}
	f.needs("name", t.Name, "say which machine it is for")
	if len(t.Scopes) == 0 {
		f.fault("scopes", "tick at least one thing that it may do")
	}
	if len(t.Loggers) > 0 && !slices.Contains(t.Scopes, "readings") {
		f.fault("loggers", "loggers are named, but it may not send readings; tick that, or empty this field")
	}
	by := f.by(r.Context())
	status := http.StatusUnprocessableEntity
	if len(f.faults) == 0 {
		made, secret, err := s.src.MakeToken(r.Context(), t, days, by)
		if err == nil {
			c := clockOf(h.Now, h.Zone)
			p := houseSecretPage{houseFrame: h.frame(s.site, "/tokens"), Secret: secret, Back: s.site.Base + "/house/tokens", Thing: "all tokens"}
			p.Over, p.Up, p.Head = "/house/tokens", "Machines", "Secret of the token for "+made.Name
			p.Say = []string{
				"Copy it now into the machine's own file of secrets. It is shown this once and is kept nowhere here.",
				"It is good until " + c.at(made.Until) + ". In the log it is called " + made.ID + ".",
				"If you load this page again, your browser offers to make another token. If the secret was seen by somebody else, revoke it and make a new one.",
			}
			s.send(w, r, http.StatusOK, p)
			return
		}
		if status = s.houseTrouble(w, r, f, err); status == 0 {
			return
		}
	}
	s.sendTokens(w, r, status, &h, f, nil)
}

func (s *server) revokeToken(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, r.PathValue("id"))
	if !ok {
		return
	}
	h, ok := s.readHouse(w, r)
	if !ok {
		return
	}
	by := f.by(r.Context())
	status := http.StatusUnprocessableEntity
	if len(f.faults) == 0 {
		err := s.src.RevokeToken(r.Context(), r.PathValue("id"), by)
		if err == nil {
			http.Redirect(w, r, s.site.Base+"/house/tokens?done=revoked", http.StatusSeeOther)
			return
		}
		if status = s.houseTrouble(w, r, f, err); status == 0 {
			return
		}
	}
	s.sendTokens(w, r, status, &h, &houseSaid{Values: url.Values{"days": {"90"}}, key: "new"}, f)
}

// unsentCell is what a phone said last of scans that it keeps.
func unsentCell(d *HouseDevice, c clock) houseCell {
	if d.Heard == 0 {
		return houseCell{Say: "never said", Mark: levelAbsent}
	}
	cell := houseCell{Say: "nothing", More: "heard of " + c.at(d.Heard)}
	if d.Unsent > 0 {
		cell.Say, cell.Mark = count(int(d.Unsent), "scan", "scans"), levelSoon
		if d.Oldest != 0 {
			cell.More = "the oldest of " + c.at(d.Oldest) + "; " + cell.More
		}
		if !d.Lasting {
			cell.More += "; its browser has not promised to keep them"
		}
	}
	return cell
}
