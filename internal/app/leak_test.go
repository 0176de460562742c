package app

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"sync"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
	"specimen.example/custody/internal/identity"
)

// huntFor gives the hunt for patients and for what staff and machines sign in with.
func huntFor(people []*soul, secrets []string) *hunt {
	h := newHunt()
	for _, p := range people {
		h.secret(fmt.Sprintf("the number of patient %d", p.n), p.number)
		h.secret(fmt.Sprintf("the family name of patient %d", p.n), p.family)
		h.secret(fmt.Sprintf("the given name of patient %d", p.n), p.given)
	}
	for i, s := range secrets {
		h.secret(fmt.Sprintf("secret %d", i), s)
	}
	return h
}

// everywhere looks through all that a running daemon keeps, sends and answers.
func (s *site) everywhere(h *hunt, people []*soul) (all []found, seen string) {
	s.t.Helper()
	streams, counts, _ := s.messages()
	size := 0
	for name, data := range streams {
		all, size = append(all, h.in(name, data)...), size+len(data)
	}
	files, bytesOfFiles := h.under(s.t, s.dir)
	all = append(all, files...)
	to := filepath.Join(s.t.TempDir(), "backup")
	s.backup(to)
	files, bytesOfBackup := h.under(s.t, to)
	all = append(all, files...)
	all = append(all, s.told(h)...)
	all = append(all, s.answered(h, people)...)
	return all, fmt.Sprintf("%v messages, %d bytes of them, %d of files, %d of a backup", counts, size, bytesOfFiles, bytesOfBackup)
}

// told looks through the log file, the spans and the metrics.
func (s *site) told(h *hunt) []found {
	s.t.Helper()
	all := h.in("metrics", []byte(s.machine("metrics").call(http.MethodGet, "/metrics", nil).body))
	s.sinks.mu.Lock()
	defer s.sinks.mu.Unlock()
	all = append(all, h.in("the log file", s.sinks.logs.Bytes())...)
	return append(all, h.in("the spans", s.sinks.sent.Bytes())...)
}

// answered looks through what a machine that may read is answered, and what pages show.
func (s *site) answered(h *hunt, people []*soul) (all []found) {
	s.t.Helper()
	paths := []string{"/healthz", "/readyz", "/openapi.json", "/v1/flags", "/v1/rules", "/v1/schemes", "/v1/places/WARD-N", "/v1/devices/H-01", "/v1/facts?fact=IdentityMismatch"}
	for _, p := range people[:journeys] {
		n := fmt.Sprint(p.n)
		paths = append(paths, "/v1/tubes/"+p.tube, "/v1/requests/RQ-"+n, "/v1/draws/D-w"+n)
		if p.n%20 == 0 {
			paths = append(paths, "/v1/tubes/"+p.tube+"/tests/K")
		}
	}
	reader := s.machine("read")
	answers := map[int]int{}
	for _, path := range paths {
		g := reader.call(http.MethodGet, path, nil)
		answers[g.code]++
		all = append(all, h.in(path, []byte(g.body))...)
	}
	if answers[http.StatusOK] < 2*journeys {
		s.t.Errorf("a machine that reads is answered %v", answers)
	}
	lena := s.as("lena")
	for _, path := range []string{"/", "/wall", "/tubes/" + people[0].tube, "/tubes/" + people[1].tube, "/limits"} {
		g := lena.get(path)
		if g.code != http.StatusOK {
			s.t.Errorf("%s: %d", path, g.code)
		}
		all = append(all, h.in("the page "+path, []byte(g.body))...)
	}
	return all
}

// stories are the tubes as the API tells them as of an instant.
func (s *site) stories(people []*soul, asOf event.Instant) map[string]string {
	s.t.Helper()
	var mu sync.Mutex
	out := map[string]string{}
	lena := s.as("lena")
	side(people[:journeys], func(_ int, p *soul) {
		s.tick()
		story := tubeStory(s.t, lena.browser, p.tube+"?asOf="+url.QueryEscape(stampOf(asOf)))
		mu.Lock()
		defer mu.Unlock()
		out[p.tube] = story
	})
	return out
}

func sameStories(t *testing.T, when string, before, after map[string]string) {
	t.Helper()
	for tube, was := range before {
		if is := after[tube]; is != was {
			t.Errorf("%s %s tells another story:\n%s\nand told\n%s", when, tube, is, was)
			return
		}
	}
}

// The shows of issue 7: a day with 500 identities leaves none of them outside the
// identity store, and those that are erased nowhere.
func TestADayLeaksNobody(t *testing.T) {
	t.Parallel()                          // half of it is waiting for the disk
	seed := uint64(time.Now().UnixNano()) //nolint:gosec // any number will do
	t.Logf("seed %d", seed)
	people := souls(mathrand.New(mathrand.NewPCG(seed, 0)), 500)
	s := newSite(t, t.TempDir(), SteeredClock(event.At(signInNoon)))
	s.start()
	s.settle()
	d := &day{site: s, people: people, with: map[string]*caller{}, answers: map[string]int{}}
	for who := range staff {
		d.with[who] = s.as(who)
	}
	begun := time.Now()
	lap := func(what string) {
		t.Logf("%6.2f s %s", time.Since(begun).Seconds(), what)
	}
	d.admitted()
	lap("admitted")
	side(people[:journeys-16], d.drawn)
	lap("drawn")
	d.signed(people[journeys-16 : journeys])
	lap("signed")
	d.looked()
	d.merged()
	d.nextDay()
	lap("merged, next day")
	d.wasBusy()

	h := huntFor(people, s.secret)
	all, seen := s.everywhere(h, people)
	complain(t, "after the day", all)
	t.Log(seen)
	texts := s.texts(people)
	s.evening = s.clock.Now()
	before := s.stories(people, s.evening)
	backup := filepath.Join(t.TempDir(), "before")
	s.backup(backup)
	remains := s.remains(people)
	s.stop()
	whole := copyOf(t, s.dir)
	s.start()
	lap("searched, stopped, copied, started")

	erased := s.eraseSome(people)
	lap(fmt.Sprintf("%d erased", erased))
	s.unread(people, texts, before, "after the erasure")
	s.stop()
	s.left(people, remains)
	s.start()
	s.unread(people, texts, before, "after a restart")
	if err := s.app.Identity().Rotate(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.unread(people, texts, before, "after a rotation")
	all, seen = s.everywhere(h, people)
	complain(t, "after a rotation", all)
	t.Log(seen)
	lap("searched three times")
	s.older(people, whole, backup, before)
	lap("older copies and backups")
}

// texts are the sealed texts of the log that speak of each patient, as far as they can be
// read now.
func (s *site) texts(people []*soul) map[*soul][]event.Ciphertext {
	s.t.Helper()
	byNumber := map[string]*soul{}
	for _, p := range people {
		byNumber[p.number] = p
	}
	out := map[*soul][]event.Ciphertext{}
	_, _, sealed := s.messages()
	for _, c := range sealed {
		text, err := s.app.Identity().Open(s.t.Context(), c)
		if err != nil {
			s.t.Fatalf("a text of %s: %v", c.Key, err)
		}
		for _, number := range numberIn.FindAllString(text, -1) {
			p := byNumber[number]
			out[p] = append(out[p], c)
		}
	}
	if len(sealed) < 3*journeys {
		s.t.Errorf("only %d sealed texts stand in the log", len(sealed))
	}
	return out
}

var numberIn = regexp.MustCompile(`ZQ\d{10}`)

// remains is a hunt for what stands encrypted of each patient: the wrapped key in KEYS and
// the person in IDENTITY.
func (s *site) remains(people []*soul) map[*soul]*hunt {
	s.t.Helper()
	byRef := map[string]*soul{}
	out := map[*soul]*hunt{}
	for _, p := range people {
		byRef[p.ref], out[p] = p, newHunt()
	}
	err := s.log.Shelf(eventlog.ShelfKeys).Each(s.t.Context(), func(it eventlog.Item) error {
		k, err := wire.ReadKey(it.Data)
		if p := byRef[k.Reference]; p != nil {
			out[p].raw("the key", "bytes", k.Key)
		}
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
	err = s.log.Shelf(eventlog.ShelfIdentity).Each(s.t.Context(), func(it eventlog.Item) error {
		var rec struct{ Box []byte }
		if p := byRef[it.Key]; p != nil {
			if err := json.Unmarshal(it.Data, &rec); err != nil {
				return err
			}
			out[p].raw("the person", "base64 of the ciphertext", []byte(base64.StdEncoding.EncodeToString(rec.Box)))
		}
		return nil
	})
	if err != nil {
		s.t.Fatal(err)
	}
	for _, p := range people {
		if len(out[p].forms) != 2 {
			s.t.Fatalf("%d encrypted records of patient %d", len(out[p].forms), p.n)
		}
	}
	return out
}

// eraseSome erases a hundred patients, and with some of them a second number.
func (s *site) eraseSome(people []*soul) (all int) {
	s.t.Helper()
	quality := s.as("oskar")
	side(slices.Concat(people[:60], people[260:300]), func(_ int, p *soul) {
		body := obj{"patient": p.number, "reason": "patient-asked"}
		if p.n%3 == 0 {
			body = obj{"reference": p.ref, "reason": "keeping-ended"}
		}
		quality.must(http.MethodPost, "/v1/patients:erase", body, nil)
		p.erased = true
		if p.night != nil {
			p.night.erased = true
		}
	})
	for _, p := range people {
		if p.erased {
			all++
		}
	}
	return all
}

// left makes sure that the store's files hold no encrypted record of those who were
// erased, and still those of the others.
func (s *site) left(people []*soul, remains map[*soul]*hunt) {
	s.t.Helper()
	erased, stay := newHunt(), newHunt()
	want := 0
	for _, p := range people {
		into := erased
		if !p.erased {
			into, want = stay, want+2
		}
		for _, list := range remains[p].forms {
			for _, f := range list {
				into.raw(fmt.Sprintf("%s of patient %d", f.of, p.n), f.how, f.text)
			}
		}
	}
	files, _ := erased.under(s.t, s.dir)
	complain(s.t, "after the erasure", files)
	if kept, _ := stay.under(s.t, s.dir); len(kept) < want {
		s.t.Errorf("only %d of %d encrypted records of those who stay are found in the files; the search is broken", len(kept), want)
	}
}

// unread makes sure that no text of those who were erased can be read, that the others' can,
// that nobody is told who they were, and that every tube tells what it told.
func (s *site) unread(people []*soul, texts map[*soul][]event.Ciphertext, before map[string]string, when string) {
	s.t.Helper()
	sameStories(s.t, when, before, s.stories(people, s.evening))
	var erased []*soul
	for _, p := range people {
		if p.erased {
			erased = append(erased, p)
		}
	}
	for _, p := range people {
		for _, c := range texts[p] {
			text, err := s.app.Identity().Open(s.t.Context(), c)
			switch {
			case p.erased && !errors.Is(err, identity.ErrErased):
				s.t.Errorf("%s: a text about patient %d can be read: %q, %v", when, p.n, text, err)
			case !p.erased && err != nil && !numberOfErased(texts, people, c):
				s.t.Errorf("%s: a text about patient %d: %v", when, p.n, err)
			}
		}
	}
	s.nobody(erased, when)
}

// numberOfErased reports whether a text speaks of somebody who was erased too.
func numberOfErased(texts map[*soul][]event.Ciphertext, people []*soul, c event.Ciphertext) bool {
	return slices.ContainsFunc(people, func(p *soul) bool {
		return p.erased && slices.ContainsFunc(texts[p], func(o event.Ciphertext) bool { return bytes.Equal(o.Box, c.Box) })
	})
}

// nobody asks the API with every right for those who were erased.
func (s *site) nobody(erased []*soul, when string) {
	s.t.Helper()
	h := huntFor(erased, nil)
	callers := []*caller{s.as("lena"), s.as("lena-r"), s.as("oskar"), s.as("oskar-s"), s.machine("identity")}
	var mu sync.Mutex
	var all []found
	hear := func(c *caller, path string, body obj) got {
		g := c.call(http.MethodPost, path, body)
		more := h.in(path, []byte(g.body))
		mu.Lock()
		defer mu.Unlock()
		all = append(all, more...)
		return g
	}
	side(erased, func(_ int, p *soul) {
		c := callers[p.n%len(callers)]
		ways := []obj{{"patient": p.number}, {"reference": p.ref}}
		if p.n < journeys {
			ways = append(ways, obj{"tube": p.tube}, obj{"request": fmt.Sprintf("RQ-%d", p.n)})
		}
		for _, by := range ways {
			by["why"] = "audit"
			if g := hear(c, "/v1/patients:look", by); g.code != http.StatusNotFound {
				s.t.Errorf("%s: %v is answered %d %s", when, by, g.code, g.body)
			}
		}
		if g := hear(callers[2], "/v1/views:list", obj{"reference": p.ref}); g.code != http.StatusOK {
			s.t.Errorf("%s: who looked at patient %d is gone too: %d %s", when, p.n, g.code, g.body)
		}
	})
	for _, ward := range []string{"WARD-N", "WARD-S"} {
		if g := hear(callers[0], "/v1/patients:list", obj{"place": ward}); g.code != http.StatusOK {
			s.t.Errorf("%s: the list of %s: %d", when, ward, g.code)
		}
	}
	complain(s.t, when+", by asking", all)
}

// wasBusy says what the day did, and fails if it was a quiet one.
func (d *day) wasBusy() {
	d.t.Helper()
	d.t.Logf("%v", d.answers)
	for what, least := range map[string]int{
		"collect recorded": 80, "collect refused identity-mismatch": 12, "collect refused second-identifier-wanted": 12, "derive recorded": 20, "end-draw recorded": 80,
		"explained": 10, "flag recorded": 30, "note recorded": 80, "receive recorded": 80, "reidentify recorded": 10, "reject recorded": 10,
		"signed wristband recorded": 16, "signed collect recorded": 16, "signed note recorded": 16, "spin recorded": 10, "start-draw recorded": 20,
		"fail-collection recorded": 10, "wrong 400": 400,
	} {
		if d.answers[what] < least {
			d.t.Errorf("%d times %q, want %d at least", d.answers[what], what, least)
		}
	}
}
