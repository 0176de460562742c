package app

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"specimen.example/custody/internal/eventlog"
)

// older is what is true of copies from before an erasure. The log of an older copy
// doesn't know of it, so until its keys have left the ring it opens again, and whoever
// restores it must erase again; then nobody's identity in it can be opened by anybody.
func (s *site) older(people []*soul, whole, backup string, before map[string]string) {
	s.t.Helper()
	ring := filepath.Join(s.dir, RingFile)
	gone, stays := people[0], people[350]
	looks := func(old *site, p *soul) got {
		return old.as("lena").call(http.MethodPost, "/v1/patients:look", obj{"patient": p.number, "why": "audit"})
	}
	// opens says whether somebody's identity can be opened on an older copy, beside a ring.
	opens := func(what, dir, ring string, want bool) {
		s.t.Helper()
		dir = copyOf(s.t, dir)
		if ring != "" {
			data, err := os.ReadFile(ring)
			if err != nil {
				s.t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, RingFile), data, 0o600); err != nil {
				s.t.Fatal(err)
			}
		}
		old := newSite(s.t, dir, s.clock)
		old.tokens = s.tokens
		old.start()
		defer old.stop()
		for _, p := range []*soul{gone, stays} {
			g := looks(old, p)
			if shown := g.code == http.StatusOK && strings.Contains(g.body, p.family); shown != want {
				s.t.Errorf("%s shows patient %d: %t, want %t: %d %s", what, p.n, shown, want, g.code, g.body)
			}
			if !want && (g.code != http.StatusNotFound || !strings.Contains(g.body, "ring")) {
				s.t.Errorf("%s doesn't say why patient %d can't be shown: %d %s", what, p.n, g.code, g.body)
			}
		}
		if want {
			return
		}
		if tube := tubeStory(s.t, old.as("lena").browser, gone.tube+"?asOf="+url.QueryEscape(stampOf(s.evening))); tube != before[gone.tube] {
			s.t.Errorf("%s: the tube tells another story: %s", what, tube)
		}
	}
	restored := s.t.TempDir()
	if _, err := eventlog.Restore(s.t.Context(), eventlog.RestoreOptions{From: backup, Dir: restored}); err != nil {
		s.t.Fatal(err)
	}
	opens("a backup restored in time", restored, ring, true)

	// With the rotation before, the second one: the days of identity-keep-days (30) are over.
	s.later(32 * 24 * time.Hour)
	if err := s.app.Identity().Tend(s.t.Context()); err != nil {
		s.t.Fatal(err)
	}
	if g := looks(s, stays); g.code != http.StatusOK || !strings.Contains(g.body, stays.family) {
		s.t.Errorf("after the rotations the site itself shows nobody: %d %s", g.code, g.body)
	}
	opens("a copy with the ring of a month later", whole, ring, false)
	opens("a backup restored a month later", restored, ring, false)
	opens("a copy with the ring as it was", whole, "", true)

	// Without any ring nothing starts, and it says what to do.
	if err := os.Remove(filepath.Join(whole, RingFile)); err != nil {
		s.t.Fatal(err)
	}
	old := newSite(s.t, whole, s.clock)
	if err := old.tryStart(); err == nil || !strings.Contains(err.Error(), "identity-keys") {
		s.t.Errorf("without a ring: %v", err)
	}
	if days := s.app.Identity().BackupsReadableFor(); days > 33 {
		s.t.Errorf("backups are said to be open for %d days", days)
	}
}
