package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

var housePeople = houseKind{
	path: "people", one: "person", many: "people",
	lead: "Who may scan, carry, receive, adopt and override, by staff code. No name stands here or in the log.",
	empty: []string{
		"Begin with yourself, as engineer, so that there is somebody who can set up the rest.",
		"Then one person who may collect and one who may receive: without them there is no round.",
	},
	columns: []string{"Staff code", "Role everywhere", "Roles at places", "Signs in by", "Stands"},
	fresh:   url.Values{"active": {"yes"}},
	ids:     func(h *House) []string { return idsOf(h.People, func(p HousePerson) string { return p.ID }) },
	rows: func(h *House, c clock) []houseRow {
		rows := make([]houseRow, len(h.People))
		for i := range h.People {
			p := &h.People[i]
			var at []string
			for _, r := range p.Roles {
				at = append(at, r.Role+" at "+r.Place)
			}
			stands := houseCell{Say: "active"}
			if !p.Active {
				stands = houseCell{Say: "not active any more", Mark: levelQuiet}
			}
			rows[i] = houseRow{ID: p.ID, Cells: []houseCell{
				{Say: says(roleShort, p.Role)}, {Say: strings.Join(at, ", ")}, p.SignIn.cell(c), stands,
			}}
		}
		return rows
	},
	load: func(h *House, i int) url.Values {
		p := &h.People[i]
		v := url.Values{"id": {p.ID}, "role": {p.Role}}
		setTick(v, "active", p.Active)
		for n, r := range p.Roles {
			v.Set(fmt.Sprintf("roles[%d].role", n), r.Role)
			v.Set(fmt.Sprintf("roles[%d].place", n), r.Place)
		}
		return v
	},
	groups: func(_ *House, f *houseSaid, fresh bool) []houseGroup {
		who := houseGroup{Legend: "Who", Fields: []houseField{
			f.pick("role", "Role everywhere", "", "none everywhere", houseRoles),
			f.tick("active", "May act", "without it, no sign-in and no step counts from now on; what was done before stays"),
		}}
		if fresh {
			who.Fields = append([]houseField{f.must("id", "Staff code", "a code, never a name; it stays for ever")}, who.Fields...)
		}
		at := houseGroup{Legend: "Roles at single places", Note: "Beside the role everywhere. Empty both to take one away."}
		for n := range f.compact("roles", "role", "place") + 2 {
			at.Fields = append(at.Fields,
				f.pick(fmt.Sprintf("roles[%d].role", n), fmt.Sprintf("Role %d", n+1), "", "none", houseRoles),
				f.text(fmt.Sprintf("roles[%d].place", n), fmt.Sprintf("at place %d", n+1), "").from("places"))
		}
		return []houseGroup{who, at}
	},
	declare: func(ctx context.Context, src HouseSource, _ *House, f *houseSaid, by string) (string, error) {
		p := HousePerson{ID: f.said("id"), Role: f.said("role"), Active: f.said("active") == "yes"}
		for n := range f.compact("roles", "role", "place") {
			role, place := fmt.Sprintf("roles[%d].role", n), fmt.Sprintf("roles[%d].place", n)
			f.needs(role, f.said(role), "say which role, or empty its place")
			f.needs(place, f.said(place), "say at which place, or choose the role everywhere above")
			p.Roles = append(p.Roles, HouseRoleAt{f.said(role), f.said(place)})
		}
		if p.Role == "" && len(p.Roles) == 0 {
			f.fault("role", "choose a role, everywhere or at a place: without one nothing may be done")
		}
		if len(f.faults) > 0 {
			return "", nil
		}
		return src.DeclarePerson(ctx, p, by)
	},
	facts: func(h *House, i int, c clock) []factWords {
		p := &h.People[i]
		if p.SignIn == nil {
			return []factWords{{"Signs in", "not shown to you; the engineer sees it"}}
		}
		locked := "no"
		if p.SignIn.LockedUntil > h.Now {
			locked = "until " + c.at(p.SignIn.LockedUntil) + ", after " + count(p.SignIn.Failures, "wrong try", "wrong tries")
		}
		return []factWords{{"Badge", setWord(p.SignIn.Badge)}, {"PIN", setWord(p.SignIn.PIN)}, {"House account", setWord(p.SignIn.Account)}, {"Locked", locked}}
	},
	others: func(ctx context.Context, h *House, i int, c clock, sent map[string]*houseSaid) []houseForm {
		p := &h.People[i]
		if p.SignIn == nil {
			return nil
		}
		var out []houseForm
		if p.SignIn.LockedUntil > h.Now {
			f := sentForm(sent, "release")
			form := f.form("Release the lock", "/release", "Release the lock", f.whoGroup(ctx, "stands beside this in the log"))
			form.Lead = "Locked until " + c.at(p.SignIn.LockedUntil) + ". Release it only when the person stands before you: somebody else may have tried."
			form.First = true
			out = append(out, form)
		}
		f := sentForm(sent, "sign-in")
		form := f.form("How this person signs in", "/sign-in", "Set what is filled in", houseGroup{Note: "What you leave empty stays as it was. None of it is ever shown again.", Fields: []houseField{
			f.field("badge", "badge", "Badge", "scan it into this field; now "+setWord(p.SignIn.Badge)),
			f.field("secret", "pin", "PIN", "6 to 12 digits, typed by the person; now "+setWord(p.SignIn.PIN)),
			f.field("secret", "again", "PIN once more", ""),
			f.text("account", "House account", "the person's name at the house's own sign-in; now "+setWord(p.SignIn.Account)),
		}}, f.whoGroup(ctx, "stands beside this in the log"))
		return append(out, form)
	},
}

func setWord(is bool) string {
	if is {
		return "set"
	}
	return "not set"
}

func sentForm(sent map[string]*houseSaid, key string) *houseSaid {
	if f := sent[key]; f != nil {
		return f
	}
	return &houseSaid{Values: url.Values{}, key: key}
}

func (s *HouseSignIn) cell(c clock) houseCell {
	if s == nil {
		return houseCell{Say: "not shown to you"}
	}
	var by []string
	for _, w := range []struct {
		is  bool
		say string
	}{{s.Badge, "badge"}, {s.PIN, "PIN"}, {s.Account, "house account"}} {
		if w.is {
			by = append(by, w.say)
		}
	}
	out := houseCell{Say: strings.Join(by, ", ")}
	if len(by) == 0 {
		out = houseCell{Say: "can't sign in yet", Mark: levelAbsent}
	}
	if s.LockedUntil > event.At(c.now) {
		out.Mark, out.More = levelSoon, "locked until "+c.at(s.LockedUntil)
	}
	return out
}

// compact numbers the rows of a list anew, leaving out those in which nothing stands, so
// that the API names a fault by the row that the form shows. It gives how many there are.
func (f *houseSaid) compact(list string, names ...string) int {
	const most = 101 // one more than the API takes, so that it can say so
	var rows []url.Values
	for n := range most {
		row, filled := url.Values{}, false
		for _, name := range names {
			path := fmt.Sprintf("%s[%d].%s", list, n, name)
			if v := f.said(path); v != "" {
				row.Set(name, v)
				filled = true
			}
			f.Del(path)
		}
		if filled {
			rows = append(rows, row)
		}
	}
	for n, row := range rows {
		for name := range row {
			f.Set(fmt.Sprintf("%s[%d].%s", list, n, name), row.Get(name))
		}
	}
	return len(rows)
}

var pinForm = regexp.MustCompile(`^[0-9]{6,12}$`)

// setSignIn sets badge, PIN or account of a person. None of them is given back to the
// browser, whatever is wrong.
func (s *server) setSignIn(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "sign-in")
	if !ok {
		return
	}
	h, i, ok := s.findThing(w, r, &housePeople)
	if !ok {
		return
	}
	set := HouseSecrets{Badge: badgeText(f.said("badge")), PIN: f.said("pin"), Account: f.said("account")}
	again := f.said("again")
	for _, secret := range []string{"badge", "pin", "again"} {
		f.Del(secret)
	}
	switch {
	case set == HouseSecrets{} && again == "":
		f.fault("badge", "fill in at least one of badge, PIN and account")
	case set.PIN != "" && !pinForm.MatchString(set.PIN):
		f.fault("pin", "the PIN must be "+"6 to 12 digits, and digits alone")
	case set.PIN != again:
		f.fault("again", "the two PINs differ; type both again")
	}
	by := f.by(r.Context())
	s.act(w, r, &housePeople, &h, i, f, "sign-in", func() error { return s.src.SetSignIn(r.Context(), h.People[i].ID, set, by) })
}

// aimPrefix is what many readers send before a label: how it was printed. It is no part
// of what the badge says.
var aimPrefix = regexp.MustCompile(`^\][A-Za-z][0-9A-Za-z]`)

func badgeText(text string) string { return aimPrefix.ReplaceAllString(text, "") }

func (s *server) releaseLock(w http.ResponseWriter, r *http.Request) {
	f, ok := s.houseForm(w, r, "release")
	if !ok {
		return
	}
	h, i, ok := s.findThing(w, r, &housePeople)
	if !ok {
		return
	}
	by := f.by(r.Context())
	s.act(w, r, &housePeople, &h, i, f, "released", func() error { return s.src.ReleaseLock(r.Context(), h.People[i].ID, by) })
}

// act does what a form of a thing asks for, unless something is wrong with it, and
// answers: with the thing again, saying what was done, or with the form and its faults.
func (s *server) act(w http.ResponseWriter, r *http.Request, k *houseKind, h *House, i int, f *houseSaid, done string, do func() error) {
	status := http.StatusUnprocessableEntity
	if len(f.faults) == 0 {
		err := do()
		if err == nil {
			http.Redirect(w, r, s.site.houseURL(k.path, k.ids(h)[i])+"?done="+done, http.StatusSeeOther)
			return
		}
		if status = s.houseTrouble(w, r, f, err); status == 0 {
			return
		}
	}
	s.send(w, r, status, s.housePage(r.Context(), k, h, i, nil, map[string]*houseSaid{f.key: f}))
}

// signedDuration writes how far a clock is off, in words.
func signedDuration(ms int64) string {
	switch {
	case ms > -1000 && ms < 1000:
		return "less than a second off"
	case ms < 0:
		return strconv.FormatInt(-ms/1000, 10) + " s behind"
	}
	return strconv.FormatInt(ms/1000, 10) + " s ahead"
}
