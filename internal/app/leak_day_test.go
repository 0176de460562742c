package app

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"
)

// day is a day of the house through the API: everything that carries identity in, and
// every field in which somebody could put it by mistake.
type day struct {
	*site
	people []*soul
	with   map[string]*caller

	mu      sync.Mutex
	answers map[string]int // how often a step was answered so
}

// journeys is how many of the patients are drawn; the others lie on their wards.
const journeys = 100

// aside is the first patient of those who are merged into another.
const aside = 400

func (d *day) count(what string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.answers[what]++
}

// scanned sends one scan and counts its answer.
func (d *day) scanned(c *caller, id, step string, more obj) (answer string) {
	d.t.Helper()
	d.tick()
	scan := obj{"id": id, "step": step, "occurredAt": stampOf(d.clock.Now())}
	for k, v := range more {
		scan[k] = v
	}
	return d.sent(c, step, obj{"scans": []obj{scan}})
}

func (d *day) sent(c *caller, step string, body obj) string {
	d.t.Helper()
	var out answered
	c.must(http.MethodPost, "/v1/scans", body, &out)
	if len(out.Answers) != 1 {
		d.t.Errorf("%s: %+v", step, out)
		return ""
	}
	a := out.Answers[0]
	said := strings.TrimSpace(step + " " + a.Answer + " " + a.Refusal)
	if a.Answer != "recorded" && a.Refusal != "identity-mismatch" && a.Refusal != "second-identifier-wanted" {
		said += ": " + a.Say
	}
	d.count(said)
	return a.Answer + " " + a.Refusal
}

// side does f for many patients, a few at a time.
func side(people []*soul, f func(worker int, p *soul)) {
	const workers = 8
	var wait sync.WaitGroup
	for w := range workers {
		wait.Go(func() {
			for i := w; i < len(people); i += workers {
				f(w, people[i])
			}
		})
	}
	wait.Wait()
}

// admitted writes every patient, and corrects some with a word and some with gossip.
func (d *day) admitted() {
	lena, requests := d.with["lena"], d.machine("identity")
	side(d.people, func(_ int, p *soul) {
		by := lena
		if p.n%3 == 0 {
			by = requests
		}
		body := obj{"patient": p.number, "family": p.family, "given": p.given, "birthDate": p.birth, "sex": "unknown", "place": p.ward, "bed": p.bed}
		var m struct{ Reference string }
		if p.n%6 == 0 { // first with a mistake
			body["given"], body["bed"] = p.given+"e", p.bed+"x"
			by.must(http.MethodPost, "/v1/patients:write", body, &m)
			body["given"], body["bed"], body["reason"] = p.given, p.bed, "typing-mistake"
			if p.n%12 == 0 || p.n >= aside {
				body["reason"] = p.gossip("misheard at the desk")
			}
		}
		by.must(http.MethodPost, "/v1/patients:write", body, &m)
		p.ref = m.Reference
	})
}

// drawn takes a patient from the request to the bench.
func (d *day) drawn(worker int, p *soul) {
	lena, desk, scientist, quality := d.with["lena"], d.with["lena-r"], d.with["oskar-s"], d.with["oskar"]
	n := fmt.Sprint(p.n)
	phone := obj{"device": fmt.Sprintf("PH-%d", worker), "place": p.ward}
	at := func(more obj) obj {
		for k, v := range phone {
			more[k] = v
		}
		return more
	}
	by := lena
	if p.n%4 == 0 {
		by = d.machine("requests")
	}
	by.must(http.MethodPost, "/v1/requests", obj{"id": "RQ-" + n, "patient": p.number, "tests": []string{"K"}, "tubes": []obj{{"tube": p.tube, "type": "LIHEP-GEL"}}}, nil)
	draw := "w" + n
	if p.n%4 == 1 { // begun from a row of the work list
		d.scanned(lena, "r"+n, "start-draw", at(obj{"row": p.ref}))
		draw = "r" + n
		d.scanned(lena, "c0"+n, "collect", at(obj{"label": obj{"text": p.tube}, "type": "LIHEP-GEL"})) // no name yet
	}
	if p.n%5 == 2 { // the neighbour's wristband first
		other := d.people[(p.n+1)%journeys]
		d.scanned(lena, "o"+n, "wristband", at(obj{"patient": other.number}))
		d.scanned(lena, "m"+n, "collect", at(obj{"label": obj{"text": p.tube}, "type": "LIHEP-GEL", "details": obj{"note": p.gossip("is it?")}}))
	}
	d.scanned(lena, "w"+n, "wristband", at(obj{"patient": p.number, "draw": "D-" + draw}))
	d.scanned(lena, "c"+n, "collect", at(obj{"label": obj{"text": p.tube}, "type": "LIHEP-GEL", "draw": "D-" + draw, "details": obj{"note": p.gossip("the vein rolled")}}))
	d.scanned(lena, "e"+n, "end-draw", at(obj{"draw": "D-" + draw, "label": obj{"text": p.tube}, "details": obj{"after-care": "pressed", "note": p.gossip("felt faint")}}))
	d.wrong(lena, p)
	lab := func(more obj) obj {
		more["place"], more["label"] = "LAB", obj{"text": p.tube}
		return more
	}
	d.scanned(desk, "v"+n, "receive", lab(obj{"details": obj{"note": p.gossip("label by hand")}}))
	d.scanned(desk, "n"+n, "note", lab(obj{"details": obj{"defect": "haemolysed", "note": p.gossip("seen")}}))
	if p.n%3 == 1 { // an aliquot, and what is said of it
		part := lab(obj{"parent": p.tube})
		part["label"] = obj{"text": fmt.Sprintf("TB26%04d", 5000+p.n)}
		d.scanned(desk, "a"+n, "derive", part)
		delete(part, "parent")
		part["details"] = obj{"defect": "lipaemic", "note": p.gossip("the serum of")}
		d.scanned(desk, "an"+n, "note", part)
	}
	switch p.n % 7 {
	case 0:
		d.scanned(desk, "x"+n, "reject", lab(obj{"reason": p.gossip("refused for")}))
	case 1:
		quality.must(http.MethodPost, "/v1/facts/n"+n+":void", obj{"kind": "tube", "key": p.tube, "reason": p.gossip("not meant")}, nil)
	case 2:
		d.scanned(scientist, "s"+n, "spin", lab(obj{"details": obj{"override": p.gossip("only one of"), "note": p.gossip("spun")}}))
	case 3:
		d.scanned(desk, "i"+n, "reidentify", lab(obj{"patient": p.number, "reason": p.gossip("asked again")}))
	case 4:
		lena.must(http.MethodPost, "/v1/requests", obj{"id": "RX-" + n, "patient": p.number, "tests": []string{"NA"}}, nil)
		lena.must(http.MethodPost, "/v1/requests/RX-"+n+":cancel", obj{"reason": p.gossip("went home")}, nil)
	case 5:
		d.scanned(lena, "f"+n, "fail-collection", at(obj{"label": obj{"text": p.tube}, "patient": p.number, "reason": p.gossip("fell asleep"), "mode": "reported"}))
	}
	lena.must(http.MethodPost, "/v1/labels:read", obj{"label": obj{"text": p.number}, "wanted": []string{"patient"}}, nil)
	scientist.must(http.MethodPost, "/v1/patients:look", []obj{{"tube": p.tube, "why": "result"}, {"patient": p.number, "why": "complaint"}, {"request": "RQ-" + n, "why": "audit"}}[p.n%3], nil)
}

// wrong puts names and numbers where they don't belong. Each is refused, and no refusal
// may leave a trace. Fields that name staff or places (by, from, to, with, onBehalfOf) and
// the short words of a step's details are not among them: they are stored as they are said.
func (d *day) wrong(c *caller, p *soul) {
	name := p.name()
	n := fmt.Sprint(p.n)
	at := func(more obj) obj {
		scan := obj{"id": "q" + n, "step": "see", "occurredAt": stampOf(d.clock.Now()), "label": obj{"text": p.tube}}
		for k, v := range more {
			scan[k] = v
		}
		return obj{"scans": []obj{scan}}
	}
	for i, w := range []struct {
		method, path string
		body         any
	}{
		{http.MethodPost, "/v1/scans", at(obj{"id": name})},
		{http.MethodPost, "/v1/scans", at(obj{"step": name})},
		{http.MethodPost, "/v1/scans", at(obj{"occurredAt": p.birth + " " + name})},
		{http.MethodPost, "/v1/scans", at(obj{"type": name})},
		{http.MethodPost, "/v1/scans", at(obj{"tests": []string{p.number}})},
		{http.MethodPost, "/v1/scans", at(obj{"details": obj{name: "1"}})},
		{http.MethodPost, "/v1/scans", at(obj{"details": obj{"defect": name}})},
		{http.MethodPost, "/v1/scans", at(obj{"typedAt": name})},
		{http.MethodPost, "/v1/scans", at(obj{"row": name})},
		{http.MethodPost, "/v1/scans", at(obj{name: "no such field"})},
		{http.MethodPost, "/v1/scans", at(obj{"label": obj{"text": p.number}})}, // a wristband for a tube
		{http.MethodPost, "/v1/scans", at(obj{"step": "collect", "label": obj{"text": p.number}, "type": "LIHEP-GEL", "patient": p.number})},
		{http.MethodPost, "/v1/scans", at(obj{"step": "pack", "carrier": p.number})},
		{http.MethodPost, "/v1/scans", at(obj{"attested": obj{"scan": name}})},
		{http.MethodPost, "/v1/patients:write", obj{"patient": name, "family": p.number}},
		{http.MethodPost, "/v1/patients:write", obj{"patient": p.number, "family": p.family, "birthDate": name}},
		{http.MethodPost, "/v1/patients:write", obj{"patient": p.number, "family": p.family, "sex": p.given}},
		{http.MethodPost, "/v1/patients:write", obj{"patient": p.number, "family": p.family + "\x01"}},
		{http.MethodPost, "/v1/patients:write", obj{"patient": p.number, "family": strings.Repeat(p.family, 12)}},
		{http.MethodPost, "/v1/patients:look", obj{"patient": p.number, "why": name}},
		{http.MethodPost, "/v1/patients:look", obj{"reference": p.number, "why": "result"}},
		{http.MethodPost, "/v1/patients:look", obj{"tube": p.number, "why": "result"}},
		{http.MethodPost, "/v1/patients:erase", obj{"patient": p.number, "reason": name}},
		{http.MethodPost, "/v1/patients:merge", obj{"keep": p.number, "gone": name, "reason": "one-person"}},
		{http.MethodPost, "/v1/requests", obj{"id": "RW-" + n, "patient": name, "tests": []string{"K"}}},
		{http.MethodPost, "/v1/requests", obj{"id": "RW-" + n, "patient": p.number, "tests": []string{name}}},
		{http.MethodPost, "/v1/requests", obj{"id": "RW-" + n, "patient": p.number, "tests": []string{"K"}, "conditions": []string{name}}},
		{http.MethodPost, "/v1/doubts/" + p.number + ":explain", obj{"reason": name}},
		{http.MethodGet, "/v1/tubes/" + p.number, nil},
		{http.MethodGet, "/v1/requests/" + p.number, nil},
		{http.MethodGet, "/v1/people/" + p.family, nil},
		{http.MethodGet, "/v1/facts?fact=" + p.number, nil},
		{http.MethodGet, "/tubes/" + p.number, nil},
		{http.MethodGet, "/nowhere/" + p.family + "?q=" + p.number, nil},
	} {
		if i%4 != p.n%4 { // each mistake by a quarter of all
			continue
		}
		g := c.call(w.method, w.path, w.body)
		switch {
		case strings.Contains(g.body, `"recorded"`):
			d.t.Errorf("wrong %d is taken: %s", i, g.body)
		case g.code == http.StatusOK && !strings.Contains(g.body, `"refused"`):
			d.t.Errorf("wrong %d is answered %d %s", i, g.code, g.body)
		}
		d.count(fmt.Sprintf("wrong %d", g.code))
	}
}

// signed are scans that an enrolled phone signs, each with its private part.
func (d *day) signed(people []*soul) {
	d.with["mira"].must(http.MethodPut, "/v1/devices/H-01", obj{"kind": "phone", "active": true}, nil)
	phone := newDevice(d.t)
	if g := phone.enrol(d.browser(), d.invite(d.with["mira"].browser, "H-01")); g.code != http.StatusOK {
		d.t.Fatalf("%d %s", g.code, g.body)
	}
	scan := func(p *soul, id, step string, private, more obj) {
		private["salt"] = b64(bytes.Repeat([]byte{byte(p.n), 7}, 16))
		beside, err := json.Marshal(private)
		if err != nil {
			d.t.Fatal(err)
		}
		sum := sha256.Sum256(beside)
		d.tick()
		said := obj{"id": id, "step": step, "occurredAt": stampOf(d.clock.Now()), "device": "H-01", "place": p.ward, "by": "lena", "details": obj{"private": hex.EncodeToString(sum[:])}}
		for k, v := range more {
			said[k] = v
		}
		text, err := json.Marshal(said)
		if err != nil {
			d.t.Fatal(err)
		}
		d.sent(d.with["lena"], "signed "+step, obj{"scans": []obj{{"attested": obj{"scan": b64(text), "private": b64(beside), "keyId": phone.id, "signature": b64(phone.sign(string(text)))}}}})
	}
	for _, p := range people {
		n := fmt.Sprint(p.n)
		d.with["lena"].must(http.MethodPost, "/v1/requests", obj{"id": "RQ-" + n, "patient": p.number, "tests": []string{"K"}, "tubes": []obj{{"tube": p.tube, "type": "LIHEP-GEL"}}}, nil)
		scan(p, "w"+n, "wristband", obj{"patient": p.number}, nil)
		scan(p, "c"+n, "collect", obj{"note": p.gossip("whispered")}, obj{"label": obj{"text": p.tube}, "type": "LIHEP-GEL"})
		scan(p, "z"+n, "note", obj{"reason": p.gossip("says"), "note": p.gossip("told")}, obj{"label": obj{"text": p.tube}})
		if p.n%2 == 0 { // what is signed must not hold it
			text := []byte(`{"id":"u` + n + `","step":"see","occurredAt":"2026-11-24T11:00:00Z","device":"H-01","label":{"text":"` + p.tube + `"},"reason":"` + p.gossip("no") + `"}`)
			if g := d.with["lena"].call(http.MethodPost, "/v1/scans", obj{"scans": []obj{{"attested": obj{"scan": b64(text), "keyId": phone.id, "signature": b64(phone.sign(string(text)))}}}}); g.code != http.StatusBadRequest {
				d.t.Errorf("free text in what is signed: %d %s", g.code, g.body)
			}
		}
	}
}

// merged finds that pairs of patients are one person each. The one that goes had a name
// of its own, some of them a correction in own words.
func (d *day) merged() {
	for i := range 20 {
		keep, gone := d.people[i*5], d.people[aside+i*3]
		reason := "one-person"
		if i%2 == 0 {
			reason = gone.gossip("told us that she is " + keep.name())
		}
		d.with["oskar"].must(http.MethodPost, "/v1/patients:merge", obj{"keep": keep.number, "gone": gone.number, "reason": reason}, nil)
		keep.night = gone
	}
}

// nextDay lets so much time pass that tubes are late, and settles what stands open with
// gossip for a reason.
func (d *day) nextDay() {
	d.later(26 * time.Hour)
	for who := range staff {
		d.with[who] = d.as(who)
	}
	d.app.Model().Poke()
	var list struct {
		Flags []struct{ Tube string }
	}
	eventually(d.t, "tubes of yesterday have flags", func() bool {
		d.with["oskar-s"].must(http.MethodGet, "/v1/flags", nil, &list)
		return len(list.Flags) > journeys/2
	})
	byTube := map[string]*soul{}
	for _, p := range d.people {
		byTube[p.tube] = p
	}
	for i, f := range list.Flags {
		p := byTube[f.Tube]
		if p == nil || i >= 40 {
			continue
		}
		var got struct {
			Answer string
			Doubts []struct {
				ID   string
				Open bool
			}
		}
		switch i % 4 {
		case 0:
			d.with["oskar-s"].must(http.MethodPost, "/v1/flags/"+f.Tube+":override", obj{"reason": p.gossip("can't be drawn again")}, &got)
		case 1:
			d.with["lena"].must(http.MethodPost, "/v1/flags/"+f.Tube+":putAside", obj{"until": stampOf(d.clock.Now().Add(time.Hour)), "reason": p.gossip("waits for")}, &got)
		case 2:
			d.with["lena"].must(http.MethodPost, "/v1/flags/"+f.Tube+":take", obj{}, &got)
		case 3:
			got.Answer = "recorded"
		}
		d.count("flag " + got.Answer)
		d.with["oskar"].must(http.MethodGet, "/v1/tubes/"+f.Tube, nil, &got)
		for _, doubt := range got.Doubts {
			if g := d.with["oskar"].call(http.MethodPost, "/v1/doubts/"+doubt.ID+":explain", obj{"reason": p.gossip("it was")}); g.code == http.StatusOK {
				d.count("explained")
			}
		}
	}
}

// looked asks for lists and for who looked.
func (d *day) looked() {
	for _, ward := range []string{"WARD-N", "WARD-S"} {
		d.with["lena"].must(http.MethodPost, "/v1/patients:list", obj{"place": ward}, nil)
	}
	for _, p := range d.people[:30] {
		d.with["oskar"].must(http.MethodPost, "/v1/views:list", obj{"patient": p.number}, nil)
	}
}
